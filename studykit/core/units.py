"""Units as laboratories write them, and exact conversion between units of one kind.

Every accepted spelling leads to one canonical text. A unit belongs to a kind (mass fraction,
mass per volume, kinematic viscosity, ...) and has its exact factor to the SI unit of that kind: a
fraction, so that 1234 mg/kg becomes 0.1234 % and not 0.12340000000000001 %. The tests hold each of
these factors against pint, which takes a second to be loaded and is not needed for so few.
Mass per volume and mass fraction (and the two viscosities) are linked by a density that must be
given: it is never assumed. Capital letters count ('Mg' is a megagram): a spelling in capitals is
refused with the spelling that was probably meant.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np

# kind -> {canonical text: (factor to SI, further spellings)}; spellings are compared after _key().
# SI units without prefix: kg/kg, kg/m3, m2/s, Pa s, 1/m3, mol/kg, S/m, N/m, ...; SI Brochure, 9th edition, tables 2, 4, 7, 8.
_UNITS: dict[str, dict[str, tuple[str, tuple[str, ...]]]] = {
    "mass fraction": {
        "mg/kg": ("1e-6", ("ppm", "ppm (m/m)", "ppm m/m", "ppm (w/w)", "ppm w/w", "ppmw", "ppm mass",
                            "ppm by mass", "mass ppm", "wt ppm", "g/t")),
        "µg/g": ("1e-6", ("ug/g", "mcg/g")),
        "µg/kg": ("1e-9", ("ug/kg", "ppb (m/m)", "ppb m/m", "ppb")),
        "g/kg": ("1e-3", ("g/kg", "‰ (m/m)", "‰ m/m", "mass-‰", "wt‰")),
        "% (m/m)": ("1e-2", ("% m/m", "%m/m", "mass %", "mass-%", "% mass", "wt%", "wt.%", "wt-%", "% w/w",
                                "% (w/w)", "% wt", "percent m/m", "percent by mass", "% by mass",
                                "mass percent", "m%")),
        "kg/kg": ("1", ("g/g",)),
    },
    "mass per volume": {
        "mg/L": ("1e-3", ("mg/dm3", "g/m3", "ug/mL", "ppm (m/v)", "ppm m/v", "mg.L-1")),
        "µg/L": ("1e-6", ("ug/L",)),
        "g/L": ("1", ("g/dm3",)),
        "kg/m³": ("1", ("kg/m3", "kg/m^3", "kg.m-3")),
        "g/mL": ("1e3", ("g/cm3", "g/cm^3", "kg/L", "kg/dm3", "g/cc")),
        "g/100 mL": ("10", ("% m/v", "% (m/v)", "% w/v", "% (w/v)")),
    },
    "volume fraction": {
        "% (v/v)": ("1e-2", ("% v/v", "vol%", "vol %", "vol.%", "% vol", "% by volume")),
        "mL/L": ("1e-3", ("mL/L",)),
        "ppm (v/v)": ("1e-6", ("ppm v/v", "ppmv", "ppm by volume", "uL/L")),
    },
    "kinematic viscosity": {
        "mm²/s": ("1e-6", ("mm2/s", "mm^2/s", "mm2.s-1", "cSt", "centistokes")),
        "m²/s": ("1", ("m2/s", "m^2/s")),
    },
    "dynamic viscosity": {
        "mPa·s": ("1e-3", ("mPa.s", "mPas", "mPa s", "cP", "cps", "centipoise")),
        "Pa·s": ("1", ("Pa.s", "Pas", "Pa s")),
    },
    "number per volume": {
        "1/mL": ("1e6", ("counts/mL", "count/mL", "particles/mL", "p/mL", "#/mL", "mL-1", "1/cm3")),
        "1/100 mL": ("1e4", ("counts/100 mL", "particles/100 mL", "p/100 mL")),
        "1/L": ("1e3", ("counts/L", "particles/L")),
    },
    "ratio": {"1": ("1", ("dimensionless", "-", "ratio", "none")), "%": ("1e-2", ("percent", "pct")),
              "‰": ("1e-3", ("per mille", "permille", "per mil", "promille"))},
    "pH": {"pH": ("1", ("pH units", "pH unit"))},
    "base or acid per mass": {"mg KOH/g": ("1e-3", ("mgKOH/g", "mg(KOH)/g", "mg KOH / g oil"))},
    "charge per mass": {
        "mmol/kg": ("1e-3", ("mmol/kg",)),
        "meq/100 g": ("1e-2", ("me/100 g", "meq/100g", "cmol/kg", "cmol(+)/kg")),
    },
    "temperature": {"°C": ("1", ("C", "degC", "deg C")), "K": ("1", ("kelvin",))},
    "conductivity": {
        "µS/cm": ("1e-4", ("uS/cm",)), "mS/cm": ("1e-1", ("mS/cm", "dS/m", "mmho/cm")),
        "S/m": ("1", ("S/m",)), "pS/m": ("1e-12", ("pS/m", "CU")),
    },
    "length": {"mm": ("1e-3", ()), "cm": ("1e-2", ()), "m": ("1", ()), "µm": ("1e-6", ("um", "micron")),
               "nm": ("1e-9", ())},
    "mass": {"mg": ("1e-6", ()), "g": ("1e-3", ()), "kg": ("1", ())},
    "volume": {"mL": ("1e-6", ("cm3", "cc")), "L": ("1e-3", ("dm3",)), "m³": ("1", ("m3",))},
    "time": {"s": ("1", ("sec",)), "min": ("60", ("minutes",)), "h": ("3600", ("hours",)),
             "d": ("86400", ("days",))},
    "surface tension": {"mN/m": ("1e-3", ("dyn/cm",))},
    "voltage": {"kV": ("1e3", ()), "V": ("1", ())},
    "turbidity": {"NTU": ("1", ("FNU",))},
    "absorbance per length": {"A/cm": ("100", ("Abs/cm", "1/cm"))},
}
#: Pairs of kinds that a density links: amount in the second = amount in the first x density.
_BY_DENSITY = {("mass fraction", "mass per volume"), ("kinematic viscosity", "dynamic viscosity")}
_BLANKS = re.compile("[ \t\r\n\u00a0\u2000-\u200a\u202f\u3000]+")
_KNOWN_HINT = "mg/kg, % (m/m), mg/L, mm²/s, mPa·s, 1/mL, kg/m³, °C, pH, 1"


def _key(text: str) -> str:
    """A spelling reduced for comparison: blanks beside signs and digits gone, one sign for 'times' and 'micro'."""
    out = _BLANKS.sub(" ", text).strip(" ").strip("[]").translate(str.maketrans("²³µμ·⋅•∙*", "23uu....."))
    out = out.replace("⁻¹", "-1").replace("⁻³", "-3").replace("％", "%").replace("℃", "°C")
    out = re.sub(r" ?([/.()%‰+-]) ?", r"\1", out.strip(" "))
    out = re.sub(r"(?<=[0-9]) | (?=[0-9])", "", out)
    return re.sub(r"(?<![A-Za-z])(m|u|µ|d)?l(?![a-zA-Z])", lambda m: (m[1] or "") + "L", out)


@lru_cache(maxsize=1)
def _spellings() -> dict[str, str]:
    table: dict[str, str] = {}
    for units in _UNITS.values():
        for canonical, (_, others) in units.items():
            for spelling in (canonical, *others):
                if table.setdefault(_key(spelling), canonical) != canonical:
                    raise AssertionError(f"unit spelling {spelling!r} stands for two units")
    return table


@lru_cache(maxsize=1)
def _kinds() -> dict[str, tuple[str, Fraction]]:
    """canonical text -> (kind, factor to SI)."""
    return {unit: (kind, Fraction(entry[0])) for kind, units in _UNITS.items() for unit, entry in units.items()}


@lru_cache(maxsize=4096)
def parse_unit(text: str) -> str:
    """The canonical text of a unit, whatever its spelling ('cSt' and 'mm2/s' give 'mm²/s').

    'ppm' alone is read as parts per million by mass, that is mg/kg; the intake counts each such
    reading as a rule. Raises ValueError, with a remedy, for an empty or unknown unit.
    """
    if not isinstance(text, str) or not text.strip():
        raise ValueError("unit must be named, but got nothing; write '1' for a number without a unit")
    table = _spellings()
    key = _key(text)
    if key in table:
        return table[key]
    folded = {k.casefold(): v for k, v in table.items()}
    near = folded.get(key.casefold())
    if near is not None:
        raise ValueError(f"unit {text.strip()!r} is written with other capitals than {near!r}; "
                         f"write {near!r} if that is what is meant (capitals count in units)")
    raise ValueError(f"unit {text.strip()!r} is not known; use one such as {_KNOWN_HINT}")


def kind_of(unit: str) -> str:
    """What a unit measures, in words: 'mass fraction', 'mass per volume', ...; ValueError if unknown."""
    return _kinds()[parse_unit(unit)][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """How a number changes from one unit to another: value * multiply / divide + add."""

    from_unit: str
    to_unit: str
    multiply: float
    divide: float
    add: float
    density_kg_m3: float | None

    def apply(self, value: Any) -> Any:
        """The converted value; numbers and numpy arrays alike. An identity returns the value untouched.

        A converted number is rounded to 15 figures, so that 0.0338 % gives 338 mg/kg and not 337.99999999999994.
        """
        if self.multiply == self.divide and self.add == 0:
            return value
        out = np.asarray(value, dtype=float) * self.multiply / self.divide + self.add
        distinct, places = np.unique(out, return_inverse=True)
        rounded = np.array([float(format(v, ".15g")) for v in distinct])[places].reshape(out.shape)
        return rounded if rounded.ndim else float(rounded)

    def sentence(self) -> str:
        """The rule in words, such as '% (m/m) to mg/kg: times 10000'."""
        text = f"{self.from_unit} to {self.to_unit}: "
        if self.multiply == self.divide:
            text += "same number" if not self.add else ""
        else:
            text += f"times {self.multiply / self.divide:.6g}"
        text += f" plus {self.add:g}" if self.add else ""
        used = f", with density {self.density_kg_m3:g} kg/m³" if self.density_kg_m3 is not None else ""
        return text + used


@lru_cache(maxsize=4096)
def conversion(from_unit: str, to_unit: str, density_kg_m3: float | None = None) -> Conversion:
    """The conversion between two units; the density (kg/m³ at the temperature of test) only where needed.

    Raises ValueError, with a remedy, where the units measure different things, where a density is
    needed and missing, or where a unit is unknown.
    """
    source, target = parse_unit(from_unit), parse_unit(to_unit)
    (kind_a, si_a), (kind_b, si_b) = _kinds()[source], _kinds()[target]
    used: float | None = None
    if kind_a == kind_b:
        if kind_a == "temperature":
            return _temperature(source, target)
        factor = si_a / si_b
    elif (kind_a, kind_b) in _BY_DENSITY or (kind_b, kind_a) in _BY_DENSITY:
        if density_kg_m3 is None:
            raise ValueError(f"{source} to {target} needs the density of the liquid in kg/m³; none is given; "
                             "name the density at the temperature of test")
        if not 100 <= density_kg_m3 <= 5000:
            raise ValueError(f"density must be between 100 and 5000 kg/m³, but got {density_kg_m3:g}")
        used = density_kg_m3
        rho = Fraction(repr(float(density_kg_m3)))
        factor = si_a / si_b * (rho if (kind_a, kind_b) in _BY_DENSITY else 1 / rho)
    else:
        raise ValueError(f"{source} ({kind_a}) cannot be converted to {target} ({kind_b})"
                         + _hint(kind_a, kind_b))
    return Conversion(from_unit=source, to_unit=target, multiply=float(factor.numerator),
                      divide=float(factor.denominator), add=0.0, density_kg_m3=used)


def _temperature(source: str, target: str) -> Conversion:
    # 0 °C = 273.15 K exactly (SI Brochure, 9th edition, 2.3.1).
    add = {("°C", "K"): 273.15, ("K", "°C"): -273.15}.get((source, target), 0.0)
    return Conversion(from_unit=source, to_unit=target, multiply=1.0, divide=1.0, add=add, density_kg_m3=None)


def _hint(kind_a: str, kind_b: str) -> str:
    kinds = {kind_a, kind_b}
    if "ratio" in kinds and kinds & {"mass fraction", "volume fraction"}:
        return "; a bare '%' does not say of what: write '% (m/m)' for mass or '% (v/v)' for volume"
    return "; correct the unit in the file's mapping or in the study"


def convert(value: float, from_unit: str, to_unit: str, density_kg_m3: float | None = None) -> float:
    """One number converted between units; see `conversion` for errors."""
    return float(conversion(from_unit, to_unit, density_kg_m3).apply(float(value)))
