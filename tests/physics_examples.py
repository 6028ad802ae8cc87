"""Oils that several tests of the physics share (typical values, common practice, no source)."""

from __future__ import annotations

from pathlib import Path

from studykit.physics.viscosity import Liquid, ViscosityLine

HERE = Path(__file__).parent / "reference" / "physics"
# Grade: viscosities at 40 and 100 °C (mm²/s), density at 15 °C (kg/m³).
GRADES = {"VG 32": (32, 5.4, 878), "VG 46": (46, 6.8, 870), "VG 68": (68, 8.7, 875), "VG 220": (220, 19, 895),
          "VG 460": (460, 30.5, 900)}


def grade(name: str) -> Liquid:
    """A typical oil of this viscosity grade."""
    v40, v100, density = GRADES[name]
    return Liquid(line=ViscosityLine.through(v40, 40, v100, 100), density_kg_m3=density, name=name)


def water() -> Liquid:
    """Water between 1 and 60 °C (viscosities 1.0034 at 20 °C, 0.553 at 50 °C)."""
    return Liquid(line=ViscosityLine.through(1.0034, 20, 0.553, 50, (1, 60)), density_kg_m3=998.2, density_at_c=20,
                  expansion_per_k=2e-4)
