"""Controls: the layered one must be seen, the remixed one must not, blank and check fluid within limits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality import controls
from studykit.quality.flags import Scatter, working_table
from tests.quality_cases import ANALYTES, Case, build

SCATTER = {a: Scatter(s=s, source="invented") for a, (_, s, _, _) in ANALYTES.items()}


def assess(case: Case, limits: pd.DataFrame | None = None) -> controls.Controls:
    t = working_table(*case.tables())
    return controls.assess_controls(case.study, t, case.samples, case.results, SCATTER, limits=limits)


# ISO 5725-6:1994 critical range factors f(n), printed to one decimal
@pytest.mark.parametrize(("n", "printed"), [(2, 2.8), (3, 3.3), (4, 3.6), (5, 3.9)])
def test_range_factors_of_the_standard(n: int, printed: float) -> None:
    assert round(controls.range_factor(n), 1) == printed


@pytest.mark.parametrize(("k", "df"), [(2, 3), (3, 9), (5, 20)])
def test_the_critical_range_against_scipy(k: int, df: float) -> None:
    # scipy integrates the same distribution independently; its stated accuracy is about 1e-10
    assert stats.studentized_range.sf(controls.range_factor(k, df=df), k, df) == pytest.approx(0.05, abs=1e-7)


def test_layered_control_is_found_and_remixed_is_not() -> None:
    got = assess(build(1))
    found = got.table.groupby("control")["found"].agg(set)
    assert found["layered control"] == {"stratified"}
    assert found["remixed control"] <= {controls.WITHIN, controls.TOO_WIDE}
    assert not got.blind
    assert any("as it must be" in s for s in got.sentences)


def test_a_layered_control_that_is_not_seen_is_said_loudly() -> None:
    got = assess(build(1, layers=0.0))
    assert got.blind
    assert any(s.startswith("STOP: the layered control was not found stratified") for s in got.sentences)
    (flag,) = [f for f in got.flags if f.rule == "layered control"]
    assert flag.concern == "stop and find out"
    assert "could not have seen anything" in flag.evidence
    assert set(got.table.loc[got.table["control"] == "layered control", "as_hoped"]) == {"no"}


def test_one_stratified_analyte_is_enough() -> None:
    """The layer may be of one component only: the others need not show it."""
    case = build(2, layers=0.0)
    case.multiply(case.sample_of("L1", "lower"), "Si", 2.0)
    assert not assess(case).blind


def test_a_remixed_container_with_a_layer_is_flagged() -> None:
    case = build(3)
    case.multiply(case.sample_of("R1", "lower"), "Ca", 1.25)
    flags = [f for f in assess(case).flags if f.rule == "remixed control"]
    assert [(f.analyte, f.where) for f in flags] == [("Ca", "container R1")]


def test_no_difference_found_is_not_told_as_the_same() -> None:
    """With a repeatability that lets the interval pass the margin nothing is shown; the sentence names who is which."""
    case = build(3)
    wide = {a: Scatter(s=s * (20 if a == "Ca" else 0.01), source="invented") for a, (_, s, _, _) in ANALYTES.items()}
    for analyte in ANALYTES:
        for depth in ("upper", "middle", "lower"):
            own = case.results["sample"].eq(case.sample_of("R1", depth)) & case.results["analyte"].eq(analyte)
            case.results.loc[own, "value"] = 100.0
    t = working_table(*case.tables())
    got = controls.assess_controls(case.study, t, case.samples, case.results, wide)
    own = got.table[got.table["control"] == "remixed control"].set_index("analyte")
    assert (own.loc["Ca", "found"], own.loc["Ca", "as_hoped"]) == (controls.TOO_WIDE, "not shown")
    assert set(own.drop(index="Ca")["found"]) == {controls.WITHIN}
    assert set(own.drop(index="Ca")["as_hoped"]) == {"yes"}
    (said,) = [s for s in got.sentences if "remixed" in s]
    assert said.startswith("Between the depths of the remixed control no difference beyond chance was found; in ")
    assert said.endswith("the interval is too wide to tell.")


def test_absent_controls_are_named() -> None:
    got = assess(build(4, controls=False))
    assert got.table.empty
    assert len(got.sentences) == 4
    assert all(s.startswith("No ") for s in got.sentences)


def test_check_fluid_against_its_limits() -> None:
    limits = pd.DataFrame({"analyte": ["P", "Ca"], "low": [300.0, 1300.0], "high": [380.0, 1400.0]})
    got = assess(build(5), limits)
    own = got.table[got.table["control"] == "check fluid"].set_index("analyte")
    assert own.loc["P", "found"] == "within its limits"
    assert own.loc["Ca", "found"] == "outside its limits"
    assert {f.analyte for f in got.flags if f.rule == "check fluid"} == {"Ca"}


def test_check_fluid_without_limits_is_not_as_hoped_but_not_assessed() -> None:
    got = assess(build(6, run_shift={"S": 0.12}))
    own = got.table[got.table["control"] == "check fluid"]
    assert set(own["as_hoped"]) == {"not assessed"}
    assert any("no limits are given in plan/check_limits.csv" in s for s in got.sentences)


def test_one_reading_just_outside_the_limits_is_a_hint() -> None:
    case = build(5)
    own = case.results[case.results["sample"].isin(case.samples.loc[case.samples["kind"] == "check fluid", "sample"])]
    highest = own[own["analyte"] == "P"]["value"].max()
    limits = pd.DataFrame({"analyte": ["P"], "low": [highest - 40.0], "high": [highest - 0.01]})
    (flag,) = [f for f in assess(case, limits).flags if f.rule == "check fluid"]
    assert flag.concern == "hint only"


def with_blank(case: Case, value: float) -> Case:
    row = case.results.iloc[[0]].assign(sample="BL1", analyte="P", value=value, as_written=f"{value:g}", run_order=99)
    case.results = pd.concat([case.results, row], ignore_index=True)
    case.samples = pd.concat([case.samples, pd.DataFrame([{
        "sample": "BL1", "container": "", "kind": "blank", "depth": "", "height": np.nan, "draw_order": 1}])],
        ignore_index=True)
    return case


def test_dirty_blank_is_flagged_and_a_clean_one_is_not() -> None:
    # margin 10 % of 340: a tenth of it is 3.4 mg/kg
    (flag,) = [f for f in assess(with_blank(build(7), 9.0)).flags if f.rule == "blank"]
    assert "the blank reads 9 mg/kg" in flag.evidence
    assert not [f for f in assess(with_blank(build(7), 0.5)).flags if f.rule == "blank"]


@pytest.mark.parametrize(("value", "asked"), [(60.0, False), (110.0, True)])
def test_water_of_the_blank_itself_is_no_dirt_but_more_than_the_stock_holds_is(value: float, asked: bool) -> None:
    """Molybdenum (70 mg/kg, margin 10 %) stands in for water: 60 would be dirt in an element, and is not in water."""
    case = with_blank(build(7), value)
    case.results.loc[case.results["sample"] == "BL1", "analyte"] = "Mo"
    assert [f for f in assess(case).flags if f.rule == "blank"]
    water = case.study.model_copy(update={"analytes": {
        **case.study.analytes, "Mo": case.study.analytes["Mo"].model_copy(update={"kind": "water"})}})
    case.study = water
    assert bool([f for f in assess(case).flags if f.rule == "blank"]) == asked


def test_unknown_scatter_is_not_assessed() -> None:
    case = build(8)
    got = controls.assess_controls(case.study, working_table(*case.tables()), case.samples, case.results, {})
    assert not got.blind
    assert set(got.table["as_hoped"]) == {"not assessed"}
    assert "The layered control could not be judged: no repeatability is known." in got.sentences


def test_k_is_checked() -> None:
    with pytest.raises(ValueError, match="k must be 2 or more"):
        controls.range_factor(1)
