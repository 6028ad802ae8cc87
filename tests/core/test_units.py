"""Units: spellings, exact factors, refusals with a remedy."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pint
import pytest

from studykit.core import units
from studykit.core.units import conversion, convert, kind_of, parse_unit
from tests.core.whole import QUICK
from tests.kept import differing, stored


@pytest.mark.parametrize(("spelling", "canonical"), [
    ("mm2/s", "mm²/s"), ("mm²/s", "mm²/s"), ("cSt", "mm²/s"), ("mPa.s", "mPa·s"), ("mPa·s", "mPa·s"), ("cP", "mPa·s"),
    ("mass %", "% (m/m)"), ("% m/m", "% (m/m)"), ("wt%", "% (m/m)"), ("%", "%"), ("mg/kg", "mg/kg"), ("ppm", "mg/kg"),
    ("µg/g", "µg/g"), ("μg/g", "µg/g"), ("mg/L", "mg/L"), ("mg/l", "mg/L"), ("g/l", "g/L"), ("1/mL", "1/mL"),
    ("kg/m3", "kg/m³"), ("g/mL", "g/mL"), ("1", "1"), ("pH", "pH"), (" mg / kg ", "mg/kg"),
    ("%\u00a0m/m", "% (m/m)"), ("mg KOH / g", "mg KOH/g"),
    ("1/100mL", "1/100 mL"),
     ("[mg/kg]", "mg/kg"),
])
def test_spellings(spelling: str, canonical: str) -> None:
    assert parse_unit(spelling) == canonical
    assert parse_unit(canonical) == canonical


@pytest.mark.parametrize(("value", "source", "target", "density", "expected"), [
    (1234.0, "mg/kg", "% (m/m)", None, 0.1234),
    (0.0338, "% m/m", "mg/kg", None, 338.0),
    (0.2184, "g/g", "% m/m", None, 21.84),
    (100.0, "mg/L", "mg/kg", 800.0, 125.0),
    (125.0, "mg/kg", "mg/L", 800.0, 100.0),
    (46.0, "cSt", "mPa.s", 850.0, 39.1),
    (39.1, "mPa.s", "cSt", 850.0, 46.0),
    (5.0, "1/100 mL", "1/mL", None, 0.05),
    (1.0, "g/mL", "kg/m3", None, 1000.0),
    (20.0, "°C", "K", None, 293.15),
    (1.0, "1", "%", None, 100.0),
])
def test_factors(value: float, source: str, target: str, density: float | None, expected: float) -> None:
    # Factors follow from the SI prefixes and from c = w * rho; the expected numbers are by hand.
    assert convert(value, source, target, density) == expected


# What pint knows each unit as, where that is not the unit's own text.
IN_PINT = {"% (m/m)": "percent", "% (v/v)": "percent", "%": "percent", "ppm (v/v)": "ppm", "‰": "1/1000", "pH": "1", "NTU": "1",
           "mg KOH/g": "mg/g", "meq/100 g": "mmol/(100*g)", "d": "day", "A/cm": "1/cm", "g/100 mL": "g/(100*mL)",
           "1/100 mL": "1/(100*mL)"}


def test_every_factor_is_the_one_that_pint_gives() -> None:
    # pint 0.25 with exact fractions; its table of units is that of the SI Brochure and of CODATA
    registry = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    dimensions: dict[str, set[frozenset[tuple[str, Fraction]]]] = {}
    for unit, (kind, factor) in units._kinds().items():
        if kind == "temperature":
            continue
        known = unit.translate(str.maketrans({"²": "**2", "³": "**3", "·": "*", "µ": "u"}))
        quantity = Fraction(1) * registry.parse_expression(IN_PINT.get(unit, known)) * registry.dimensionless
        quantity = quantity.to_base_units()
        assert quantity.magnitude == factor, unit
        dimensions.setdefault(kind, set()).add(frozenset(quantity.dimensionality.items()))
    assert all(len(own) == 1 for own in dimensions.values()), dimensions


def test_spellings_of_a_unit_have_its_factor() -> None:
    # spellings that pint reads by itself, its prefixes and its liter, poise and stokes
    registry = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    for spelling in ("g/m**3", "ug/mL", "mg/dm**3", "kg/dm**3", "g/cm**3", "centistokes", "cP", "dm**3", "cm**3", "dS/m",
                     "dyn/cm", "ug/g", "g/t", "uL/L", "micron"):
        kind, factor = units._kinds()[parse_unit(spelling.replace("**", ""))]
        assert registry.Quantity(Fraction(1), spelling).to_base_units().magnitude == factor, (spelling, kind)


def test_every_pair_of_one_kind_converts_and_returns() -> None:
    for known in units._UNITS.values():
        for a in known:
            for b in known:
                there = convert(3.7, a, b)
                assert convert(there, b, a) == pytest.approx(3.7, rel=1e-14)


def test_a_density_outside_100_to_5000_is_refused() -> None:
    """Petrol has about 750 and mercury 13 600 kg/m3 (handbooks): what lies outside is a slip of the unit, g/mL for one."""
    assert convert(100.0, "mg/L", "mg/kg", 100.0) == 1000.0
    assert convert(100.0, "mg/L", "mg/kg", 5000.0) == 20.0
    for density in (0.895, 99.0, 5001.0):
        with pytest.raises(ValueError, match="density must be between 100 and 5000"):
            conversion("mg/L", "mg/kg", density)


def test_the_rule_in_words() -> None:
    assert conversion("cSt", "mm2/s").sentence() == "mm²/s to mm²/s: same number"
    assert conversion("% (m/m)", "mg/kg").sentence() == "% (m/m) to mg/kg: times 10000"
    assert conversion("°C", "K").sentence().split() == ["°C", "to", "K:", "plus", "273.15"]
    assert conversion("cSt", "mPa.s", 850.0).sentence() == "mm²/s to mPa·s: times 0.85, with density 850 kg/m³"


def test_arrays_and_identity() -> None:
    rule = conversion("% (m/m)", "mg/kg")
    assert rule.apply(np.array([0.0338, 0.0341, 0.0338])).tolist() == [338.0, 341.0, 338.0]
    same = np.array([0.1 + 0.2])
    assert conversion("ppm", "mg/kg").apply(same)[0] == 0.1 + 0.2


@pytest.mark.parametrize(("call", "words"), [
    (lambda: parse_unit(""), "must be named.*write '1'"),
    (lambda: parse_unit("cS\x1et"), "not known"),
    (lambda: parse_unit("m g/kg"), "not known"),
    (lambda: parse_unit("furlong"), "not known; use one such as mg/kg"),
    (lambda: parse_unit("MG/KG"), "other capitals than 'mg/kg'"),
    (lambda: parse_unit("Mg/kg"), "other capitals than 'mg/kg'"),
    (lambda: convert(1, "mg/L", "mg/kg"), "needs the density of the liquid"),
    (lambda: convert(1, "mg/L", "mg/kg", 0.88), "between 100 and 5000"),
    (lambda: convert(1, "%", "mg/kg"), r"write '% \(m/m\)' for mass"),
    (lambda: convert(1, "mm2/s", "mg/kg"), "kinematic viscosity.*cannot be converted.*mass fraction"),
    (lambda: convert(1, "% (v/v)", "% (m/m)"), "cannot be converted"),
])
def test_refusals(call: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()  # type: ignore[operator]


def test_density_is_named_in_the_rule_and_kinds_are_words() -> None:
    assert conversion("mg/L", "mg/kg", 885.0).sentence() == "mg/L to mg/kg: times 1.12994, with density 885 kg/m³"
    assert conversion("% m/m", "mg/kg").sentence() == "% (m/m) to mg/kg: times 10000"
    assert kind_of("cSt") == "kinematic viscosity"
    assert parse_unit("ppm (v/v)") == "ppm (v/v)"


def test_every_spelling_and_every_pair_of_units_give_what_is_stored() -> None:
    """As it stood (``tests.kept``)."""
    assert differing("units", stored("core")["units"], QUICK["units"]()) == []
