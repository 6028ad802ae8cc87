"""Viscosity and density of a stored liquid against temperature, and the viscosity index.

    Z = v + 0.7 + exp(-1.47 - 1.84 v - 0.51 v²),   log log Z = A - B log T          (ASTM D341)

with v in mm²/s and T in kelvin (base-10 logarithms).  The inverse is the standard's own
approximation, good to 3e-4 relative from 0.21 mm²/s and to 1.2e-4 above 0.5.

The line is straight only while the liquid is one Newtonian phase: above the temperature at which
wax or additives come out, below boiling.  A line therefore carries the range in which it may be
used, and refuses temperatures outside it.

Viscosity index: ASTM D2270 / ISO 2909, from the kinematic viscosities at 40 and 100 °C.
Density of mineral oils: the lubricating-oil rule of API MPMS 11.1 / ASTM D1250-04,
CTL = exp(-a dT (1 + 0.8 a dT)), a = 0.34878 / density at 60 °F per °F.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from studykit.core.errors import BadInput, Fault

Floats = npt.NDArray[np.float64]
Like = float | Floats

ZERO_C = 273.15
BASE_C = (60 - 32) / 1.8
# ASTM D341, scope: kinematic viscosities from 0.21 mm²/s upwards.
LOWEST_MM2_S = 0.21
# Decades of mm²/s at which a line read far into the cold is cut off: nothing moves in such a glass.
STIFF = 12.0
# Common practice, no source: between a usual pour point and the start of fast ageing.
USUAL_RANGE_C = (-20.0, 150.0)
# API MPMS 11.1, lubricating oils: 800.9 to 1163.9 kg/m3.
D1250_RANGE = (801.0, 1164.0)

# ASTM D2270, Table 1 as coefficients of L = aY²+bY+c and H = dY²+eY+f; first column: lowest Y.
# First two rows and the last from a public text, the others from memory: see docs/physics.md.
_VI_ROWS = np.array([
    (2.0, 1.14673, 1.7576, -0.109, 0.84155, 1.5521, -0.077),
    (3.8, 3.38095, -15.4952, 33.196, 0.78571, 1.7929, -0.183),
    (4.4, 2.50000, -7.2143, 13.812, 0.82143, 1.5679, 0.119),
    (5.0, 0.10100, 16.6350, -45.469, 0.04985, 9.1613, -18.557),
    (6.4, 3.35714, -23.5643, 78.466, 0.22619, 7.7369, -16.656),
    (7.0, 0.01191, 21.4750, -72.870, 0.79762, -0.7321, 14.610),
    (7.7, 0.41858, 16.1558, -56.040, 0.05794, 10.5156, -28.240),
    (9.0, 0.88779, 7.5527, -16.600, 0.26665, 6.7015, -10.810),
    (12.0, 0.76720, 10.7972, -38.180, 0.20073, 8.4658, -22.490),
    (15.0, 0.97305, 5.3135, -2.200, 0.28889, 5.9741, -4.930),
    (18.0, 0.97256, 5.2500, -0.980, 0.24504, 7.4160, -16.730),
    (22.0, 0.91413, 7.4759, -21.820, 0.20323, 9.1267, -34.230),
    (28.0, 0.87031, 9.7157, -50.770, 0.18411, 10.1015, -46.750),
    (40.0, 0.84703, 12.6752, -133.310, 0.17029, 11.4866, -80.620),
    (55.0, 0.85921, 11.1009, -83.190, 0.17130, 11.3680, -76.940),
    (70.0, 0.83531, 14.6731, -216.246, 0.16841, 11.8493, -96.947),
])


def positive(name: str, value: Like) -> Floats:
    """The value as an array of floats > 0; ValueError naming it otherwise."""
    x = np.asarray(value, float)
    if not np.all(np.isfinite(x)) or np.any(x <= 0):
        bad = x.ravel()[~(np.isfinite(x.ravel()) & (x.ravel() > 0))][0]
        raise ValueError(f"{name} must be greater than 0, but got {bad:g}")
    return x


def d341_z(viscosity_mm2_s: Like) -> Floats:
    """Z of ASTM D341 for kinematic viscosities in mm²/s (0.21 or more)."""
    v = positive("viscosity_mm2_s", viscosity_mm2_s)
    if np.any(v < LOWEST_MM2_S):
        raise ValueError(f"viscosity_mm2_s must be at least {LOWEST_MM2_S} mm²/s, but got {v.min():g}")
    return v + 0.7 + np.exp(-1.47 - 1.84 * v - 0.51 * v**2)


def d341_viscosity(z: Like) -> Floats:
    """Kinematic viscosity in mm²/s from Z, the inverse printed in ASTM D341."""
    u = np.asarray(z, float) - 0.7
    return u - np.exp(-0.7487 - 3.295 * u + 0.6119 * u**2 - 0.3193 * u**3)


@dataclass(frozen=True, slots=True, kw_only=True)
class ViscosityLine:
    """Kinematic viscosity against temperature, log log Z = a - b log T, and where it may be used.

    ``a``, ``b``: intercept and slope (b = 0: one viscosity at every temperature of the range).
    ``valid_c``: lowest and highest temperature in °C at which the line may be read.
    """

    a: float
    b: float
    valid_c: tuple[float, float] = USUAL_RANGE_C

    @classmethod
    def through(cls, first_mm2_s: float, first_c: float, second_mm2_s: float, second_c: float,
                valid_c: tuple[float, float] = USUAL_RANGE_C) -> ViscosityLine:
        """The line through two kinematic viscosities (mm²/s at °C).

        ValueError where a viscosity is not above 0.21, the temperatures agree, or the liquid
        would thicken on heating.  Source: ASTM D341.
        """
        if abs(first_c - second_c) < 1.0:
            raise ValueError(f"the two temperatures must differ by 1 °C or more, but got {first_c:g} and "
                             f"{second_c:g}")
        z = d341_z(np.array([first_mm2_s, second_mm2_s]))
        if (first_mm2_s - second_mm2_s) * (second_c - first_c) <= 0:
            raise ValueError("the viscosity must fall as temperature rises, but got "
                             f"{first_mm2_s:g} mm²/s at {first_c:g} °C and {second_mm2_s:g} at {second_c:g} °C")
        y = np.log10(np.log10(z))
        x = np.log10(np.array([first_c, second_c]) + ZERO_C)
        b = float(-(y[1] - y[0]) / (x[1] - x[0]))
        return cls(a=float(y[0] + b * x[0]), b=b, valid_c=valid_c)

    @classmethod
    def constant(cls, viscosity_mm2_s: float, valid_c: tuple[float, float]) -> ViscosityLine:
        """One viscosity, taken for the whole range ``valid_c``: an assumption, not a measurement."""
        return cls(a=float(np.log10(np.log10(d341_z(viscosity_mm2_s)))), b=0.0, valid_c=valid_c)

    def kinematic_mm2_s(self, temperature_c: Like) -> Floats:
        """Kinematic viscosity in mm²/s; BadInput where a temperature is outside ``valid_c``."""
        t = np.asarray(temperature_c, float)
        low, high = self.valid_c
        if not np.all((t >= low - 1e-9) & (t <= high + 1e-9)):
            bad = t.ravel()[~((t.ravel() >= low) & (t.ravel() <= high))]
            raise BadInput([Fault(
                file="temperatures", column="temperature_c", value=f"{bad[0]:g}",
                reason=f"{bad.size} temperature{'s are' if bad.size > 1 else ' is'} outside {low:g} to "
                       f"{high:g} °C, where the viscosity line holds",
                remedy="correct the temperature, or give viscosities and a range that cover it")])
        decades = 10.0 ** np.minimum(self.a - self.b * np.log10(t + ZERO_C), 2.0)
        return d341_viscosity(10.0 ** np.minimum(decades, STIFF))


def _d1250_ctl(base_kg_m3: Like, t_c: Like) -> Like:
    rise = (0.34878 / np.asarray(base_kg_m3, float)) * 1.8 * (np.asarray(t_c, float) - BASE_C)
    return np.exp(-rise * (1 + 0.8 * rise))


@dataclass(frozen=True, slots=True, kw_only=True)
class Liquid:
    """A Newtonian liquid: viscosity line, density and its change with temperature, yield stress.

    ``density_kg_m3`` at ``density_at_c`` (°C).  ``expansion_per_k``: volumetric, per kelvin;
    None takes the lubricating-oil rule of API MPMS 11.1, which holds from 801 to 1164 kg/m³.
    ``yield_stress_pa``: stress below which the liquid does not flow, 0 for ordinary liquids.
    """

    line: ViscosityLine
    density_kg_m3: float
    density_at_c: float = 15.0
    expansion_per_k: float | None = None
    yield_stress_pa: float = 0.0
    name: str = ""

    def __post_init__(self) -> None:
        positive("density_kg_m3", self.density_kg_m3)
        low, high = D1250_RANGE
        if self.expansion_per_k is None and not low <= self.density_kg_m3 <= high:
            raise ValueError(f"density_kg_m3 must be {low:g} to {high:g} for the oil rule, but got "
                             f"{self.density_kg_m3:g}; give expansion_per_k")
        if self.yield_stress_pa < 0:
            raise ValueError(f"yield_stress_pa must be 0 or more, but got {self.yield_stress_pa:g}")

    def density(self, temperature_c: Like) -> Floats:
        """Density in kg/m³ at temperatures in °C."""
        t = np.asarray(temperature_c, float)
        if self.expansion_per_k is not None:
            return self.density_kg_m3 * np.exp(-self.expansion_per_k * (t - self.density_at_c))
        base = self.density_kg_m3
        for _ in range(20):
            base = float(self.density_kg_m3 / _d1250_ctl(base, self.density_at_c))
        return np.asarray(base * _d1250_ctl(base, t), float)

    def expansion(self, temperature_c: float) -> float:
        """Relative fall of the density per kelvin at a temperature in °C."""
        if self.expansion_per_k is not None:
            return self.expansion_per_k
        low, high = (float(self.density(temperature_c + dt)) for dt in (-0.5, 0.5))
        return math.log(low / high)

    def dynamic_pa_s(self, temperature_c: Like) -> Floats:
        """Dynamic viscosity in Pa·s: kinematic viscosity times density."""
        return self.line.kinematic_mm2_s(temperature_c) * 1e-6 * self.density(temperature_c)


def _vi_references(y: float) -> tuple[float, float]:
    if y < 2.0:
        raise ValueError(f"the viscosity index is not defined below 2 mm²/s at 100 °C, but got {y:g}")
    row = _VI_ROWS[np.searchsorted(_VI_ROWS[:, 0], y, side="right") - 1]
    return row[1] * y**2 + row[2] * y + row[3], row[4] * y**2 + row[5] * y + row[6]


def viscosity_index(at_40c_mm2_s: float, at_100c_mm2_s: float, rounded: bool = True) -> float:
    """Viscosity index from the kinematic viscosities (mm²/s) at 40 and 100 °C.

    Procedure A up to 100, procedure B above; rounded to a whole number as the standard asks.
    ValueError below 2 mm²/s at 100 °C or where the oil would thicken on heating.
    Source: ASTM D2270 / ISO 2909.
    """
    u, y = float(positive("at_40c_mm2_s", at_40c_mm2_s)), float(positive("at_100c_mm2_s", at_100c_mm2_s))
    if u <= y:
        raise ValueError(f"the viscosity at 40 °C must exceed that at 100 °C, but got {u:g} and {y:g}")
    low, high = _vi_references(y)
    if u >= high:
        index = 100 * (low - u) / (low - high)
    else:
        n = (math.log10(high) - math.log10(u)) / math.log10(y)
        index = (10.0**n - 1) / 0.00715 + 100
    return float(round(index)) if rounded else float(index)
