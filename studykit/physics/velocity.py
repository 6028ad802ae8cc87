"""How fast one sphere sinks or rises in a still liquid, and how thermal motion holds it up.

    Stokes:                 v = (rho_p - rho_f) g d² / (18 eta)                   the limit of small Re
    Brown and Lawler:       C = 24/Re (1 + 0.150 Re^0.681) + 0.407 / (1 + 8710/Re)    Re up to 2e5
    terminal velocity:      3/4 C Re² = Ar = d³ rho_f |drho| g / eta²
    diffusion (Stokes-Einstein):  D = k T / (3 pi eta d)
    sedimentation length:   l = k T / (|rho_p - rho_f| pi d³/6 g) = D / |v|
    Péclet number:          Pe = H / l for a liquid of height H

Positive velocities sink, negative ones rise.  SI units. All of it is for smooth spheres in a still Newtonian liquid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy import constants

from studykit.physics.viscosity import ZERO_C, Floats, Like, positive

GRAVITY = constants.g
BOLTZMANN = constants.k
# Below it Stokes' law is named: the drag law then differs from it by at most 3 %.
STOKES_LIMIT_RE = 0.1
# Brown and Lawler 2003, J. Environ. Eng. 129, 222, from memory, check your copy: data of 178 spheres up to Re of 2e5,
# where the boundary layer begins to turn turbulent and the drag falls.
DRAG_LIMIT_RE = 2e5
BROWN_LAWLER = (0.150, 0.681, 0.407, 8710.0)
# Random close packing of equal spheres, common practice.
PACKING = 0.64
# Beris, Tsamopoulos, Armstrong and Brown 1985, J. Fluid Mech. 158, from memory, check your copy:
# a sphere is held where 1.5 tau_y / (R drho g) exceeds 0.143, that is tau_y / (d drho g) > 0.0477.
YIELD_NUMBER = 0.143 / 3

Direction = Literal["either", "sinks", "rises"]


def stokes_velocity(diameter_m: Like, excess_kg_m3: Like, viscosity_pa_s: Like) -> Floats:
    """Stokes' terminal velocity in m/s of rigid spheres; negative where they are lighter.

    Valid for Re below about 0.1.  Source: Stokes 1851.
    """
    d, eta = positive("diameter_m", diameter_m), positive("viscosity_pa_s", viscosity_pa_s)
    return np.asarray(excess_kg_m3, float) * GRAVITY * d**2 / (18 * eta)


def drag_coefficient(reynolds: Like, mobility: Like = 1.0) -> Floats:
    """Drag coefficient of a smooth sphere, C = 24/Re (1/m + 0.150 Re^0.681) + 0.407/(1 + 8710/Re).

    One formula without steps, for Re up to 2e5; Stokes' 24/Re is its limit.  ``mobility``: factor on Stokes'
    velocity for clean droplets, which relieves the viscous part alone (own simplification, no source).
    Source: Brown and Lawler 2003.
    """
    re, (a, b, c, d) = positive("reynolds", reynolds), BROWN_LAWLER
    return np.asarray(24 / re * (1 / np.asarray(mobility, float) + a * re**b) + c / (1 + d / re), float)


def terminal_reynolds(archimedes: Like, mobility: Like = 1.0) -> Floats:
    """Reynolds number of a falling sphere from Ar = d³ rho_f |drho| g / eta²; 0 where Ar is 0.

    Solves 3/4 C Re² = Ar by Newton steps in log Re, to 1e-13.  Beyond Re of 2e5 the law is read on as it
    stands: such bodies cross any container within moments.
    """
    ar = np.asarray(archimedes, float)
    if np.any(ar < 0) or not np.all(np.isfinite(ar)):
        raise ValueError(f"archimedes must be finite and 0 or more, but got {ar.ravel()[np.argmin(ar)]:g}")
    a, b, c, d = BROWN_LAWLER
    some = np.maximum(ar, 1e-300)
    target, free = np.log(some / 18), 1 / np.asarray(mobility, float)
    x = np.minimum(target, np.log(some / (0.75 * c)) / 2)
    for _ in range(60):
        re = np.exp(x)
        viscous, inertial = free + a * re**b, c * re / 24 * re / (re + d)
        slope = 1 + (a * b * re**b + inertial * (1 + d / (re + d))) / (viscous + inertial)
        step = (x + np.log(viscous + inertial) - target) / slope
        x = x - step
        if np.all(np.abs(step) < 1e-14 * np.maximum(1, np.abs(x))):
            break
    return np.where(ar > 0, np.exp(x), 0.0)


def richardson_zaki_exponent(reynolds: Like) -> Floats:
    """Exponent n of hindered settling, v (1 - phi)^n, by the Reynolds number of one free sphere.

    4.65 below 0.2; 4.35 Re^-0.03 to 1; 4.45 Re^-0.1 to 500; 2.39 above.  A review of low-Re data
    finds 5.6 for colloids and 4.48 for coarser grains.  Source: Richardson and Zaki 1954, from
    memory, check your copy.
    """
    re = np.maximum(np.asarray(reynolds, float), 1e-300)
    if np.any(np.asarray(reynolds, float) < 0):
        raise ValueError(f"reynolds must be 0 or more, but got {np.min(reynolds):g}")
    return np.select([re < 0.2, re < 1, re < 500], [4.65, 4.35 * re**-0.03, 4.45 * re**-0.1], 2.39)


def hindrance(volume_fraction: float, reynolds: Like = 0.0) -> Floats:
    """Factor (1 - phi)^n by which a crowd slows itself; ValueError at or above packing (0.64)."""
    if not 0 <= volume_fraction < PACKING:
        raise ValueError(f"volume_fraction must be 0 or more and below {PACKING} (close packing), but got "
                         f"{volume_fraction:g}")
    return (1 - volume_fraction) ** richardson_zaki_exponent(reynolds)


def wall_factor(diameter_m: Like, tube_diameter_m: float) -> Floats:
    """Factor on the velocity of a sphere on the axis of a tube, Haberman and Sayre's formula.

    Low Reynolds numbers, diameter ratio up to 0.5 (there 2 % above the exact value).  Faxén's
    1 - 2.104 x + 2.09 x³ - 0.95 x⁵ is its limit for small x.
    Source: Haberman and Sayre 1958, from memory, check your copy.
    """
    x = positive("diameter_m", diameter_m) / float(positive("tube_diameter_m", tube_diameter_m))
    if np.any(x > 0.5):
        raise ValueError(f"diameter_m must be at most 0.5 of the tube, but got {x.max():.3g}")
    return (1 - 2.1050 * x + 2.0865 * x**3 - 1.7068 * x**5 + 0.72603 * x**6) / (1 - 0.75857 * x**5)


def droplet_factor(droplet_pa_s: float, viscosity_pa_s: Like) -> Floats:
    """Factor on Stokes' velocity for a clean liquid sphere: (3 k + 3)/(3 k + 2), k the ratio of viscosities.

    1.5 for a gas bubble, 1 for a solid.  Traces of surface-active matter make droplets behave
    as rigid, so 1 is the usual choice in finished fluids.  Source: Hadamard; Rybczynski 1911.
    """
    if droplet_pa_s < 0:
        raise ValueError(f"droplet_pa_s must be 0 or more, but got {droplet_pa_s:g}")
    ratio = droplet_pa_s / positive("viscosity_pa_s", viscosity_pa_s)
    return (3 * ratio + 3) / (3 * ratio + 2)


def held_by_yield_stress(diameter_m: Like, excess_kg_m3: Like, yield_stress_pa: float) -> np.ndarray:
    """True where a liquid with this yield stress holds the sphere for ever: tau_y > 0.0477 d |drho| g."""
    if yield_stress_pa < 0:
        raise ValueError(f"yield_stress_pa must be 0 or more, but got {yield_stress_pa:g}")
    pull = positive("diameter_m", diameter_m) * np.abs(np.asarray(excess_kg_m3, float)) * GRAVITY
    return np.asarray(yield_stress_pa > YIELD_NUMBER * pull)


def largest_held_m(excess_kg_m3: float, yield_stress_pa: float) -> float:
    """Diameter in m up to which spheres are held for ever: tau_y / (0.0477 |drho| g)."""
    excess = abs(excess_kg_m3)
    return math.inf if excess == 0 else yield_stress_pa / (YIELD_NUMBER * excess * GRAVITY)


@dataclass(frozen=True, slots=True, kw_only=True)
class TerminalVelocity:
    """Terminal velocities of spheres, and by which law each was found.

    ``velocity_m_s``: positive sinks; ``reynolds`` of the free sphere; ``law``: "Stokes" (Re below 0.1),
    "Brown-Lawler" or "held" per sphere; ``notes``: the corrections that were applied.
    """

    diameter_m: Floats
    velocity_m_s: Floats
    reynolds: Floats
    law: tuple[str, ...]
    notes: tuple[str, ...]

    def to_table(self) -> pd.DataFrame:
        """One row a sphere: diameter in µm, speed in mm/day, Reynolds number, law."""
        return pd.DataFrame({"diameter_um": self.diameter_m.ravel() * 1e6,
                             "speed_mm_per_day": self.velocity_m_s.ravel() * 86400e3,
                             "reynolds": self.reynolds.ravel(), "law": list(self.law)})


def terminal_velocity(
    diameter_m: Like, density_kg_m3: Like, fluid_kg_m3: Like, viscosity_pa_s: Like, *,
    volume_fraction: float = 0.0, tube_diameter_m: float | None = None,
    droplet_pa_s: float | None = None, yield_stress_pa: float = 0.0, direction: Direction = "either",
) -> TerminalVelocity:
    """Terminal velocity of spheres by one drag law, with its range named.

    Arguments broadcast: diameters (m), densities of sphere and liquid (kg/m³), viscosity (Pa·s).
    Options: crowding (Richardson-Zaki), a narrow tube (Haberman), clean droplets
    (Hadamard-Rybczynski on the viscous part of the drag), a yield stress.  ``direction`` refuses with
    ValueError what goes the other way.
    """
    d, eta = positive("diameter_m", diameter_m), positive("viscosity_pa_s", viscosity_pa_s)
    rho, rho_f = positive("density_kg_m3", density_kg_m3), positive("fluid_kg_m3", fluid_kg_m3)
    d, excess, rho_f, eta = np.broadcast_arrays(d, rho - rho_f, rho_f, eta)
    _check_direction(excess, direction)
    mobility = 1.0 if droplet_pa_s is None else droplet_factor(droplet_pa_s, eta)
    re = terminal_reynolds(d**3 * rho_f * np.abs(excess) * GRAVITY / eta**2, mobility)
    v = np.sign(excess) * re * eta / (d * rho_f)
    law = np.where(re > STOKES_LIMIT_RE, "Brown-Lawler", "Stokes")
    v, notes = _corrections(v, re, d, volume_fraction, tube_diameter_m, droplet_pa_s)
    held = held_by_yield_stress(d, excess, yield_stress_pa) if yield_stress_pa else np.zeros(d.shape, bool)
    if held.any():
        v, law = np.where(held, 0.0, v), np.where(held, "held", law)
        notes += (f"a yield stress of {yield_stress_pa:g} Pa holds some sizes for ever",)
    return TerminalVelocity(diameter_m=np.array(d), velocity_m_s=v, reynolds=re,
                            law=tuple(law.ravel().tolist()), notes=notes)


def _check_direction(excess: Floats, direction: Direction) -> None:
    if direction == "sinks" and np.any(excess < 0):
        raise ValueError(f"density_kg_m3 must exceed the liquid's for sinking, but got {excess.min():.4g} kg/m³ "
                         "less; such matter rises")
    if direction == "rises" and np.any(excess > 0):
        raise ValueError(f"density_kg_m3 must be below the liquid's for rising, but got {excess.max():.4g} kg/m³ "
                         "more; such matter sinks")


def _corrections(v: Floats, re: Floats, d: Floats, volume_fraction: float, tube_diameter_m: float | None,
                 droplet_pa_s: float | None) -> tuple[Floats, tuple[str, ...]]:
    notes: tuple[str, ...] = ()
    if np.any(re > STOKES_LIMIT_RE):
        notes += ("Brown and Lawler's drag law, which leaves Stokes' where Re exceeds 0.1",)
    if np.any(re > DRAG_LIMIT_RE):
        notes += (f"Re beyond {DRAG_LIMIT_RE:g}, where the drag law has no data",)
    if droplet_pa_s is not None:
        notes += ("clean droplets (Hadamard-Rybczynski)",)
    if volume_fraction:
        v = v * hindrance(volume_fraction, re)
        notes += (f"hindered settling (Richardson-Zaki) at {volume_fraction:g} by volume",)
    if tube_diameter_m is not None:
        v = v * wall_factor(d, tube_diameter_m)
        notes += ("wall correction (Haberman)",)
    return v, notes


def diffusion_coefficient(diameter_m: Like, viscosity_pa_s: Like, temperature_c: Like) -> Floats:
    """Diffusion coefficient of spheres in m²/s, kT/(3 pi eta d).  Source: Einstein 1905."""
    d, eta = positive("diameter_m", diameter_m), positive("viscosity_pa_s", viscosity_pa_s)
    kelvin = positive("temperature in kelvin", np.asarray(temperature_c, float) + ZERO_C)
    return BOLTZMANN * kelvin / (3 * math.pi * eta * d)


def sedimentation_length(diameter_m: Like, excess_kg_m3: Like, temperature_c: Like = 20.0) -> Floats:
    """Height in m over which the settled-out profile falls e-fold: kT/(|drho| pi d³/6 g).

    Infinite where the densities agree.  Source: Perrin 1909.
    """
    d = positive("diameter_m", diameter_m)
    kelvin = positive("temperature in kelvin", np.asarray(temperature_c, float) + ZERO_C)
    pull = np.abs(np.asarray(excess_kg_m3, float)) * math.pi * d**3 / 6 * GRAVITY
    with np.errstate(divide="ignore"):
        return np.asarray(BOLTZMANN * kelvin / pull, float)


def peclet(height_m: Like, sedimentation_length_m: Like) -> Floats:
    """Péclet number of a liquid column, height over sedimentation length: above 1 settling wins."""
    return np.asarray(positive("height_m", height_m) / np.asarray(sedimentation_length_m, float), float)


def barometric_profile(height_fraction: Like, peclet_number: float) -> Floats:
    """Final profile c/mean at heights 0 (floor) to 1, Pe exp(-Pe z)/(1 - exp(-Pe)).

    ``peclet_number`` negative for matter that rises.  Source: Perrin 1909.
    """
    z = np.asarray(height_fraction, float)
    pe = abs(peclet_number)
    if pe < 1e-12:
        return np.ones_like(z)
    up = z if peclet_number > 0 else 1 - z
    return pe * np.exp(-pe * up) / -math.expm1(-pe)


def held_up_share(low: float, high: float, peclet_number: float) -> float:
    """Mean of the final profile between heights ``low`` and ``high`` (fractions), relative to mixed."""
    if not 0 <= low < high <= 1:
        raise ValueError(f"low and high must be heights with 0 <= low < high <= 1, but got {low:g}, {high:g}")
    pe = abs(peclet_number)
    if pe < 1e-12:
        return 1.0
    if peclet_number < 0:
        low, high = 1 - high, 1 - low
    return math.exp(-pe * low) * math.expm1(-pe * (high - low)) / math.expm1(-pe) / (high - low)
