"""Blanks, check fluids and control containers, from tables of a few rows: what counts as outside, dirty or layered."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.controls import (
    CONTROL_COLUMNS,
    DOUBTED,
    WITHIN,
    _outside,
    _sentences,
    check_blanks,
    check_fluid,
    check_layered,
    check_remixed,
    depth_ranges,
    range_factor,
)
from studykit.quality.flags import Scatter
from tests.quality_cases import study_of

NAN = float("nan")


def fluid(*values: float, runs: str = "AABB", analyte: str = "P") -> pd.DataFrame:
    n = len(values)
    return pd.DataFrame({"sample": [f"F{i}" for i in range(n)], "kind": "check fluid", "analyte": analyte,
                         "run": list(runs[:n]), "value": values, "y": np.log(values)})


@pytest.mark.parametrize(("values", "outside", "far"), [
    ((100, 102, 98, 100), 0, 0), ((110, 100, 100, 100), 0, 0),  # the limits themselves are within
    ((111, 100, 100, 100), 1, 0), ((89, 101, 100, 100), 1, 0),  # just outside, the run's mean within
    ((111, 110, 100, 100), 1, 1), ((89, 90, 100, 100), 1, 1),  # the mean of its run is out too
    ((130, 80, 100, 100), 2, 0), ((131, 80, 100, 100), 2, 1), ((69, 111, 100, 100), 2, 1), ((70, 111, 100, 100), 2, 0)])
def test_readings_outside_and_those_that_count(values: tuple[float, ...], outside: int, far: int) -> None:
    """Limits 90 to 110: alone a reading counts from 130 up or 70 down, all of the limits' width beyond them."""
    out, away = _outside(fluid(*values), 90.0, 110.0)
    assert (len(out), len(away)) == (outside, far)


def judged(*values: float, doubt: tuple[str, ...] = (), limits: bool = True, s: float = 0.02) -> tuple[Any, Any]:
    table = pd.DataFrame({"analyte": ["P"], "low": [90.0], "high": [110.0]}) if limits else None
    (row,), flags = check_fluid(study_of(), fluid(*values), {"P": Scatter(s=s)}, table, doubt)
    return dict(zip(CONTROL_COLUMNS, row, strict=True)), flags


def test_the_check_fluid_against_its_limits_in_words() -> None:
    row, flags = judged(100, 102, 98, 101)
    assert (row["found"], row["as_hoped"], row["low"], row["high"]) == ("within its limits", "yes", 90, 110)
    assert flags == []
    row, (flag,) = judged(111, 101, 100, 100)
    assert (row["found"].startswith("single readings just outside"), row["as_hoped"]) == (True, "yes")
    assert (flag.concern, flag.where, flag.samples) == ("hint only", "runs A", ("F0",))
    assert "reads 111 mg/kg (limits 90 to 110), just outside" in flag.evidence
    row, (flag,) = judged(120, 119, 100, 100)
    assert (row["found"], row["as_hoped"], flag.concern) == ("outside its limits", "no", "ask before trusting")
    assert "in every run on the same side" not in flag.evidence
    for alike in ((120, 119, 118, 117), (80, 81, 82, 83)):
        assert "in every run on the same side" in judged(*alike)[1][0].evidence
    assert "on the same side" not in judged(120, 119, 80, 81)[1][0].evidence
    assert "on the same side" not in judged(120, 119)[1][0].evidence  # one run


def test_without_limits_or_with_doubtful_ones_nothing_is_as_hoped() -> None:
    row, flags = judged(300, 300, limits=False)
    assert (row["found"], row["as_hoped"], flags) == ("no limits given: compared between runs only", "not assessed", [])
    assert judged(100, 100, doubt=("P",))[0]["found"] == DOUBTED


def test_chance_of_the_range_of_all_readings() -> None:
    """Of two readings with a known scatter s: P(|d| > w) = 2 sf(w / (s sqrt 2)); of one there is none."""
    row, _ = judged(100, 104)
    width = np.log(1.04)
    assert row["p_holm"] == pytest.approx(2 * stats.norm.sf(width / (0.02 * np.sqrt(2))), rel=1e-4)
    assert np.isnan(judged(100.0)[0]["p_holm"])


# -- blanks ------------------------------------------------------------------------------------------------------------


def blank(value: float, analyte: str = "P", qualifier: str = "", **changes: Any) -> tuple[list[Any], list[Any]]:
    """One blank beside a stock of 340 with a margin of 10 %: 3.4 would not matter."""
    study = study_of()
    own = study.analytes["P"].model_copy(update=changes)
    study = study.model_copy(update={"analytes": {**study.analytes, "P": own}})
    t = pd.DataFrame({"analyte": "P", "kind": ["spot", "spot", "duplicate", "composite"], "value": [330.0, 340, 350, 9999]})
    results = pd.DataFrame({"sample": ["B1"], "analyte": [analyte], "value": [value], "qualifier": [qualifier],
                            "unit": "mg/kg"})
    return check_blanks(study, results, pd.DataFrame({"sample": ["B1"], "kind": ["blank"]}), t)  # type: ignore[return-value]


@pytest.mark.parametrize(("value", "changes", "dirty"), [
    (3.5, {}, True), (3.3, {}, False), (4.9, {"limit": 5.0}, False), (5.1, {"limit": 5.0}, True), (3.3, {"limit": 1.0}, False),
    (339.0, {"kind": "water"}, False), (341.0, {"kind": "water"}, True)])
def test_a_blank_is_dirty_from_a_tenth_of_the_margin_the_limit_or_of_water_the_stock(value: float, changes: dict[str, Any],
                                                                                   dirty: bool) -> None:
    (row,), flags = blank(value, **changes)
    told = dict(zip(CONTROL_COLUMNS, row, strict=True))
    assert (told["found"], told["as_hoped"]) == (("reads too much", "no") if dirty else ("clean", "yes"))
    assert bool(flags) == dirty
    if not changes:
        assert told["high"] == pytest.approx(3.4)


def test_what_says_nothing_of_a_blank() -> None:
    assert blank(99.0, kind="viscosity") == ([], [])
    assert blank(99.0, analyte="Zn") == ([], [])  # the stock has none of it
    assert blank(99.0, qualifier="<")[1] == []


def test_a_dirty_blank_is_one_flag_with_its_highest_reading_of_each_analyte() -> None:
    study = study_of()
    t = pd.DataFrame({"analyte": ["P", "Zn"], "kind": "spot", "value": [340.0, 355.0]})
    results = pd.DataFrame({"sample": "B1", "analyte": ["Zn", "P", "P"], "value": [50.0, 9.0, 8.0], "qualifier": "",
                            "unit": "mg/kg"})
    rows, (flag,) = check_blanks(study, results, pd.DataFrame({"sample": ["B1"], "kind": ["blank"]}), t)
    assert len(rows) == 3
    assert (flag.analyte, flag.where, flag.samples) == ("P, Zn", "sample B1", ("B1",))
    assert "reads 9 mg/kg P (up to 3.4) and 50 mg/kg Zn (up to 3.55)" in flag.evidence


# -- control containers ------------------------------------------------------------------------------------------------


def control(treatment: str, values: tuple[float, ...], n: int = 2, analyte: str = "P", container: str = "X") -> pd.DataFrame:
    """A container with a value at each depth, determined n times; the first depth is the uppermost."""
    rows = [(container, treatment, "spot", analyte, f"d{k}", 0.9 - 0.3 * k, x, np.log(x), True)
            for k, x in enumerate(values) for _ in range(n)]
    names = ["container", "treatment", "kind", "analyte", "depth", "height", "value", "y", "relative"]
    return pd.DataFrame(rows, columns=names)


def test_the_range_of_a_control_by_hand() -> None:
    """100, 103, 110: 10 % from least to most; simultaneous limits by the range of three means of two, s 0.02 known."""
    table = depth_ranges(control("remixed control", (103, 110, 100)), "remixed control", {"P": Scatter(s=0.02)}, study_of())
    (row,) = table.to_dict("records")
    half = stats.studentized_range.ppf(0.95, 3, 1e7) * 0.02 / np.sqrt(2)
    width = np.log(1.1)
    assert (row["k"], row["n"], row["margin"]) == (3, 2, 10)
    assert row["range"] == pytest.approx(10)
    assert row["deeper_minus_shallower"] == pytest.approx(100 * (100 / 103 - 1))
    assert (row["low"], row["high"]) == pytest.approx((100 * np.expm1(width - half), 100 * np.expm1(width + half)), rel=1e-3)
    assert row["p"] == pytest.approx(stats.studentized_range.sf(width / (0.02 / np.sqrt(2)), 3, 1e7), rel=1e-3)
    assert range_factor(3, 0.95, np.inf) == pytest.approx(stats.studentized_range.ppf(0.95, 3, 1e7), rel=1e-4)
    assert depth_ranges(control("remixed control", (103,)), "remixed control", {}, study_of()).empty
    assert depth_ranges(control("stored", (103, 104)), "remixed control", {}, study_of()).empty
    near = depth_ranges(control("remixed control", (100, 100.1)), "remixed control", {"P": Scatter(s=0.02)}, study_of())
    assert near["low"].tolist() == [0.0]


def test_a_remixed_control_is_to_agree() -> None:
    for values, found, hoped in (((100, 101, 100), WITHIN, "yes"), ((100, 101, 120), "depths differ", "no")):
        (row,), flags = check_remixed(control("remixed control", values), {"P": Scatter(s=0.02)}, study_of())
        told = dict(zip(CONTROL_COLUMNS, row, strict=True))
        assert (told["found"], told["as_hoped"], told["unit"], bool(flags)) == (found, hoped, "%", hoped == "no")
    (row,), flags = check_remixed(control("remixed control", (100, 200)), {}, study_of())
    assert (row[-2:], flags) == (("no repeatability known", "not assessed"), [])


@pytest.mark.parametrize(("values", "found", "blind"), [
    ((100, 120), "stratified", False), ((100, 112), "differs, not beyond the margin for certain", True),
    ((100, 101), "not seen", True)])
def test_a_layered_control_is_to_be_found_beyond_the_margin(values: tuple[float, ...], found: str, blind: bool) -> None:
    """Margin 10 %; limits of a difference of two means of two: 1.96 * 0.02 = 4 %."""
    rows, flags, unseen = check_layered(control("layered control", values), {"P": Scatter(s=0.02)}, study_of())
    assert rows[0][-2] == found
    assert (unseen, bool(flags)) == (blind, blind)
    assert rows[0][-1] == ("no" if blind else "yes")


def test_one_layer_that_is_found_in_a_control_is_enough_and_each_control_counts() -> None:
    seen, unseen = control("layered control", (100, 120)), control("layered control", (100, 101), analyte="Zn")
    scatter = {a: Scatter(s=0.02) for a in ("P", "Zn")}
    assert not check_layered(pd.concat([seen, unseen]), scatter, study_of())[2]
    other = control("layered control", (100, 101), container="Y")
    rows, (flag,), blind = check_layered(pd.concat([seen, other]), scatter, study_of())
    assert blind
    assert flag.where == "container Y"
    assert [r[-1] for r in rows] == ["yes", "no"]
    assert not check_layered(unseen, {}, study_of())[2]  # no scatter known: not judged


def told(*rows: tuple[str, str, str, str], blind: bool = False) -> tuple[str, ...]:
    table = pd.DataFrame([(c, "", a, 1, NAN, NAN, NAN, "", NAN, f, h) for c, a, f, h in rows], columns=CONTROL_COLUMNS)
    return _sentences(table, blind)


def test_controls_in_sentences() -> None:
    none = [s.split(" was measured")[0] for s in told()]
    assert none == ["No blank", "No check fluid", "No remixed control", "No layered control"]
    some = told(("blank", "P", "clean", "yes"), ("blank", "Zn", "clean", "yes"), ("check fluid", "P", "within", "yes"),
                ("check fluid", "Zn", "no limits", "not assessed"), ("check fluid", "S", "single readings", "yes"),
                ("check fluid", "Ca", DOUBTED, "yes"), ("remixed control", "P", "no", "not assessed"),
                ("layered control", "P", "stratified", "yes"), ("layered control", "Zn", "not seen", ""))
    assert some[0] == "The blank came out as it should (2 of 2 comparisons could be judged)."
    assert some[1].startswith("The check fluid came out as it should (3 of 4 comparisons could be judged; single readings of S")
    assert "the limits of Ca are in doubt" in some[1]
    assert some[2] == "The remixed control could not be judged: no scatter is known."
    assert some[3].startswith("The layered control was found stratified in P,")
    bad = told(("blank", "Zn", "dirty", "no"), ("blank", "P", "clean", "yes"), ("check fluid", "P", DOUBTED, "not assessed"),
               ("layered control", "P", "not seen", "no"), blind=True)
    assert bad[0] == "The blank did NOT come out as it should in Zn."
    assert bad[1] == "The check fluid could not be judged: its limits are in doubt."
    assert bad[3].startswith("STOP: the layered control was not found stratified")
    last = told(("check fluid", "P", "none", "not assessed"),
                ("layered control", "P", "no repeatability known", "not assessed"))
    assert last[1] == "The check fluid could not be judged: no limits are given in plan/check_limits.csv."
    assert last[3] == "The layered control could not be judged: no repeatability is known."
