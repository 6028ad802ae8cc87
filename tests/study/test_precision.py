"""Stored precision statements: values, ranges, editions, and the laboratory's own statement winning."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd
import pytest

from studykit.core.errors import BadInput, DesignMismatch
from studykit.study.definition import Repeatability, parse_study
from studykit.study.precision import (
    R_FACTOR,
    Method,
    PowerLaw,
    cannot_see,
    find_method,
    in_place_of_published,
    method_keys,
    methods_table,
    own_precision,
    precision,
    register,
    resolve_precision,
)
from tests.kept import differing, stored
from tests.studies import definition
from tests.study.whole import QUICK


def test_factor_between_r_and_s_r():
    # 1.96 * sqrt(2) = 2.7718 (ISO 5725-6 prints 2.8)
    assert round(R_FACTOR, 4) == 2.7718
    p = precision("ASTM D5185-18", "Ca", 2500, "mg/kg")
    assert p.s_r * R_FACTOR == pytest.approx(p.r)


@pytest.mark.parametrize(("analyte", "level", "r", "R"), [
    # ASTM D5185, from memory, check your copy
    ("Ca", 2500, 0.0020 * 2500**1.4, 0.015 * 2500**1.3),
    ("P", 350, 1.3 * 350**0.58, 4.3 * 350**0.5),
    ("B", 20, 0.26 * 20, 13 * 20**0.01),
    ("Si", 15, 1.3 * 15**0.26, 2.9 * 15**0.39),
    ("Zn", 400, 0.15 * 400**0.88, 0.083 * 400**1.1),
])
def test_icp_power_laws(analyte, level, r, R):
    p = precision("ASTM D5185-18", analyte, level, "mg/kg")
    assert (p.r, p.R) == pytest.approx((r, R))
    assert p.in_range
    assert p.warning == ""
    assert "from memory" in p.sure
    assert "particles above a few micrometres" in p.cannot_see
    assert "acrylate antifoam" in p.cannot_see


# rows of the D5185 tables where the standard's own rule (low limit = ten times s_r; not for Ca, S, Zn)
# agrees with the remembered equations within a factor of 1.9
@pytest.mark.parametrize("analyte", ["Al", "Ba", "B", "Cr", "Pb", "Ni", "K", "Si", "Ag", "Na", "Sn", "Ti"])
def test_low_limits_are_about_ten_times_the_repeatability_sd(analyte):
    m = find_method("ASTM D5185-18", analyte)
    assert 1 / 1.9 < 10 * m.r.at(m.low) / 2.77 / m.low < 1.9


def test_r_stays_below_reproducibility_inside_every_range():
    for m in (find_method(k, a) for k, a in [(r.key, r.analyte) for r in methods_table().itertuples()]):
        for share in (0, 0.25, 0.5, 0.75, 1):
            x = m.low ** (1 - share) * m.high**share
            assert m.R is not None
            assert m.r.at(x) <= m.R.at(x) * 1.0000001, (m.key, m.analyte, x)


def test_outside_the_range_is_said():
    # Zn: r exceeds R below about 15 mg/kg: the curves are extrapolated and cannot both hold
    p = precision("ASTM D5185-18", "Zn", 3.5, "mg/kg")
    assert not p.in_range
    assert "below the range of ASTM D5185-18 (60 to 1600 mg/kg)" in p.warning
    assert "exceeds R" in p.warning
    high = precision("ASTM D5185-18", "Si", 80, "mg/kg")
    assert "above the range" in high.warning
    assert "exceeds R" not in high.warning


def test_viscosity_editions_differ():
    # ISO 3104:1994 clause 14.2: base oils 0.11 %, formulated 0.26 %; ASTM D445 from 2012 on: from memory
    old = precision("ISO 3104:1994 base oils", "KV40", 46, "mm²/s")
    new = precision("ASTM D445-12 base oils", "KV40", 46, "cSt")
    assert old.r_percent == pytest.approx(0.11)
    assert new.r_percent == pytest.approx(1.01)
    assert precision("ISO 3104:1994 formulated oils", "KV100", 8, "mm²/s").r_percent == pytest.approx(0.26)
    assert "seen in a quotation" in old.sure
    assert "from memory" in new.sure


def test_additives_by_their_power_of_the_level():
    """ISO 3104:1994: r = 0.00192 x^1.1 and R = 0.00862 x^1.1, from memory, check your copy; 100^1.1 = 158.49 by hand."""
    found = precision("ISO 3104:1994 additives", "KV100", 100, "mm²/s")
    assert (found.r, found.R) == pytest.approx((0.30430, 1.36618), rel=1e-4)


def test_residual_fuel_with_a_shift():
    # ISO 3104:1994: r = 0.013 (x + 8); at 380 mm²/s 5.044
    assert precision("ISO 3104:1994 residual fuels", "KV100", 380, "mm²/s").r == pytest.approx(5.044)


def test_units_are_converted_both_ways():
    ppm = precision("ASTM D5185-18", "P", 350, "mg/kg")
    share = precision("ASTM D5185-18", "P", 0.035, "% (m/m)")
    assert share.r == pytest.approx(ppm.r / 1e4)
    assert share.R == pytest.approx(ppm.R / 1e4)  # noqa: SIM300 - R is a value here, not a constant
    assert share.s_r == pytest.approx(ppm.s_r / 1e4)
    assert share.s_R == pytest.approx(ppm.s_R / 1e4)
    with pytest.raises(BadInput, match="mm²/s"):
        precision("ASTM D5185-18", "P", 350, "mm²/s")


def test_refusals_name_the_next_step():
    with pytest.raises(BadInput, match="did you mean 'ASTM D5185-18'"):
        precision("ASTM D5185-19", "P", 350, "mg/kg")
    with pytest.raises(BadInput, match="no stored precision for W; it has Ag, Al"):
        precision("ASTM D5185-18", "W", 350, "mg/kg")
    with pytest.raises(BadInput, match="no precision equations are stored for ASTM D4951"):
        precision("ASTM D4951-14", "P", 350, "mg/kg")
    with pytest.raises(BadInput, match="stored for ASTM D4951 -> take r"):  # with the year behind a colon, as ISO has it
        precision(" ASTM D4951:2014", "P", 350, "mg/kg")
    with pytest.raises(BadInput, match="neither a method key nor"):
        resolve_precision(10, "mg/kg", analyte="P")
    with pytest.raises(DesignMismatch, match="needs a mean above 0"):
        precision("ASTM D5185-18", "P", 0, "mg/kg")


def test_the_laboratorys_own_statement_wins():
    own = Repeatability(s_r_percent=2, source="control chart, 40 results")
    p = resolve_precision(350, "mg/kg", own=own, method_key="ASTM D5185-18", analyte="P")
    assert p.kind == "laboratory"
    assert p.s_r == pytest.approx(7.0)
    assert p.source == "stated in study.toml: control chart, 40 results"
    assert p.R is not None
    assert abs(p.R - 4.3 * 350**0.5) < 1e-9
    assert "particles" in p.cannot_see
    assert p.s_r == pytest.approx(own.s_r_at(350))


@pytest.mark.parametrize(("own", "s_r"), [
    ({"s_r": 7.0}, 7.0), ({"s_r_percent": 2}, 7.0), ({"r": 7 * R_FACTOR}, 7.0), ({"r_percent": 2 * R_FACTOR}, 7.0)])
def test_four_ways_to_state_it(own, s_r):
    assert own_precision(own, 350, "mg/kg").s_r == pytest.approx(s_r)


def test_own_statement_faults():
    with pytest.raises(BadInput, match="exactly one of s_r"):
        own_precision({"s_r": 1, "r": 2}, 350, "mg/kg")
    with pytest.raises(BadInput, match="exactly one of s_r"):
        own_precision({}, 350, "mg/kg")
    with pytest.raises(BadInput, match="finite number above 0"):
        own_precision({"s_r": -1}, 350, "mg/kg")


def test_own_statement_for_a_method_without_stored_precision():
    p = resolve_precision(100, "mg/kg", own={"r": 5}, method_key="ASTM D4951-14", analyte="P")
    assert p.R is None
    assert "particles" in p.cannot_see
    assert p.df == math.inf
    # an absolute statement needs no level
    assert resolve_precision(0.0, "mg/kg", own={"s_r": 2}, method_key="ASTM D5185-18", analyte="P").s_r == 2
    with pytest.raises(DesignMismatch, match="needs a mean above 0"):
        resolve_precision(0.0, "mg/kg", own={"s_r_percent": 2}, analyte="P")


def test_register_adds_and_guards():
    mine = Method(key="House method 7", analyte="Si", unit="mg/kg", low=1, high=20, r=PowerLaw(a=0.05), R=None,
                  source="house validation", sure_r="own data", sure_R="", cannot_see="")
    with pytest.raises(ValueError, match="r > 0 at low"):
        register(dataclasses.replace(mine, r=PowerLaw(a=-0.05)))
    register(mine)
    assert precision("House method 7", "Si", 10, "mg/kg").r == pytest.approx(0.5)
    with pytest.raises(ValueError, match="registered twice"):
        register(mine)
    register(dataclasses.replace(mine, r=PowerLaw(a=0.06)), replace=True)
    assert precision("House method 7", "Si", 10, "mg/kg").r == pytest.approx(0.6)
    from studykit.study.precision import _REGISTRY

    del _REGISTRY["House method 7", "Si"]


def test_listing():
    keys = method_keys()
    assert len(keys) == len(set(keys)) >= 15
    table = methods_table()
    assert len(table) == 8 * 22 + 2 * 10 + 5
    assert (table["r at low"] > 0).all()
    assert cannot_see("ASTM D5185-18", "no such") != ""
    assert cannot_see("nothing known") == ""


def test_what_a_person_states_is_never_told_as_published():
    """The words of a published source beside a number of one's own: they are told as stated, with what is published."""
    theirs = precision("ASTM D5185-18", "P", 411, "mg/kg")
    stated = Repeatability(r_percent=0.1, source=theirs.source)
    assert resolve_precision(411, "mg/kg", own=stated, method_key="ASTM D5185-18",
                             analyte="P").source == f"stated in study.toml: {theirs.source}"
    data = definition()
    data["analytes"]["P"] |= {"method_key": "ASTM D5185-18", "repeatability": {"r_percent": 0.1, "source": theirs.source}}
    found = pd.DataFrame({"analyte": ["P", "P", "W"], "qualifier": ["", "<", ""], "value": [411.0, 1.0, 60.0]})
    both = {"P": (pytest.approx(0.1), pytest.approx(100 * theirs.r / 411))}
    assert in_place_of_published(parse_study(data).analytes, found) == both
    assert in_place_of_published(parse_study(data).analytes, found[:0]) == {}
    data["analytes"]["P"]["nominal"] = 411.0
    assert in_place_of_published(parse_study(data).analytes, found[:0]) == both


def test_beside_the_laboratorys_own_r_the_published_one_warns_of_its_range_alone() -> None:
    """Zn at 3.5 mg/kg: below the range; that the published r exceeds R there says nothing of the laboratory's."""
    own = Repeatability(s_r=0.1, source="control chart")
    found = resolve_precision(3.5, "mg/kg", own=own, method_key="ASTM D5185-18", analyte="Zn")
    assert found.warning.endswith("its precision is not established there, take the result as provisional")
    assert "lies below the range of ASTM D5185-18" in found.warning
    assert "exceeds R" not in found.warning


def house(**changes: object) -> Method:
    made = Method(key="House method 8", analyte="Si", unit="mg/kg", low=2, high=20, r=PowerLaw(a=0.05), R=PowerLaw(a=0.05),
                  source="invented", sure_r="", sure_R="", cannot_see="")
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def test_both_ends_belong_to_the_range_and_r_may_equal_R() -> None:  # noqa: N802 - R is the trade's symbol
    from studykit.study.precision import _REGISTRY

    register(house())
    try:
        for level, inside in ((2, True), (20, True), (1.999, False), (20.01, False)):
            found = precision("House method 8", "Si", level, "mg/kg")
            assert found.in_range == inside
            assert (found.warning == "") == inside
            assert "exceeds" not in found.warning
        assert "below the range" in precision("House method 8", "Si", 1.999, "mg/kg").warning
        assert "above the range" in precision("House method 8", "Si", 20.01, "mg/kg").warning
        # what a method cannot see is told for another edition and for an analyte that is not stored too
        assert cannot_see("ASTM D5185-99", "Si") == cannot_see("ASTM D5185-18", "Si") != ""
    finally:
        del _REGISTRY["House method 8", "Si"]
    for bad in ({"low": 0}, {"low": 20}, {"low": 21}, {"r": PowerLaw(a=0.0)}):
        with pytest.raises(ValueError, match="0 < low < high"):
            register(house(**bad))
    assert ("House method 8", "Si") not in _REGISTRY


def test_own_statements_of_nothing_or_without_end_are_refused() -> None:
    for value in (0, math.inf, "2"):
        with pytest.raises(BadInput, match="finite number above 0"):
            own_precision({"s_r": value}, 350, "mg/kg")
    found = own_precision({"r_percent": 4, "source": "chart"}, 50, "g")
    assert (found.r, found.r_percent, found.level) == (pytest.approx(2), pytest.approx(4), 50)
    assert found.source == "stated in study.toml: chart"
    assert own_precision({"r": 4}, 50, "g").source == "stated in study.toml: the laboratory's own"
    for level in (math.nan, math.inf, -1.0):
        with pytest.raises(DesignMismatch, match="needs a mean above 0"):
            own_precision({"r_percent": 4}, level, "g")


def test_a_key_that_is_nearly_right_is_shown_with_at_most_four_others_the_newest_first() -> None:
    with pytest.raises(BadInput) as found:
        precision("ASTM D5185-20", "P", 350, "mg/kg")
    told = found.value.faults[0].remedy
    assert told.count("ASTM D5185-") == 4
    assert told.startswith("did you mean 'ASTM D5185-18' or 'ASTM D5185-13e1' or 'ASTM D5185-13' or 'ASTM D5185-09'")
    with pytest.raises(BadInput, match="it has Ag, Al, B, Ba, Ca"):
        precision("ASTM D5185-18", "X", 350, "mg/kg")


def test_stated_and_published_stand_side_by_side_at_the_median() -> None:
    data = definition()
    data["analytes"]["P"] |= {"method_key": "ASTM D5185-18", "repeatability": {"r": 5.0, "source": "chart"}}
    found = pd.DataFrame({"analyte": ["P"] * 3, "qualifier": "", "value": [100.0, 200.0, 900.0]})
    theirs = 100 * 1.3 * 200**0.58 / 200
    assert in_place_of_published(parse_study(data).analytes, found) == {"P": (pytest.approx(2.5), pytest.approx(theirs))}
    assert in_place_of_published(parse_study(data).analytes, found.assign(value=0.0)) == {}


def test_every_published_precision_gives_what_is_stored() -> None:
    """As it stood (``tests.kept``)."""
    assert differing("precision", stored("study")["precision"], QUICK["precision"]()) == []
