"""Rows and columns of a report, the end of a curve, dirt, a tool carried on: each is named, and nobody else beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.ceiling import saturated_curve
from studykit.quality.explain import Candidate, scene
from studykit.quality.frame import Frame, fit, kind_columns
from studykit.quality.runs import run_rows
from studykit.quality.shifts import shift_table
from studykit.quality.side_by_side import contents, steps
from studykit.quality.suspects import search
from studykit.quality.together import could_settle
from tests.faults.bench import ASK, STOP, USUAL, _searched, elsewhere, explained, flags_of, right, wrong
from tests.faults.laboratory import Lab, make
from tests.faults.planted import spoiled
from tests.faults.truth import Truth, run_bottles, scale


def asked(flags: pd.DataFrame) -> list[dict[str, str]]:
    return flags[flags["concern"].isin([STOP, ASK])].to_dict("records")


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["tool carried on", "rows shifted"])
def test_the_cause_is_named_and_no_other_place_accused(fault: str) -> None:
    lab, truth = spoiled(fault, 2, USUAL, 300)
    found = asked(explained(lab))
    assert any(right(f, truth) for f in found), found
    assert not any(elsewhere(f, [truth]) for f in found), found


@pytest.mark.slow
def test_rows_shifted_from_some_place_on_are_named_with_it_and_nothing_else_is_said_of_them() -> None:
    lab, truth = spoiled("rows shifted", 1, USUAL, 992000)
    found = asked(flags_of(lab))
    assert [f["rule"] for f in found if f["concern"] == STOP] == ["rows shifted"]
    assert "from place" in next(f["evidence"] for f in found if f["rule"] == "rows shifted")
    assert not any(wrong(f, [truth]) for f in found), found


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["exchanged columns", "columns in all files"])
def test_columns_a_power_of_ten_apart_are_exchanged_and_no_unit_nor_a_line_of_the_limits(fault: str) -> None:
    """Mo 96 mg/kg and S 0.642 %: the check fluid of each reads about a hundred times, or a hundredth, of what it should."""
    seed = {"exchanged columns": 301, "columns in all files": 307}[fault]
    lab, truth = spoiled(fault, 2, USUAL, seed)
    found = asked(flags_of(lab))
    assert any(right(f, truth) for f in found), found
    assert not {"unit slip", "check limits"} & {f["rule"] for f in found}, found


# -- dirt --------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_dust_in_one_bottle_is_asked_about_as_such() -> None:
    lab, truth = spoiled("dust in one bottle", 2, USUAL, 300)
    found = explained(lab).to_dict("records")
    assert any(f["rule"] == "dirt in the bottle" and right(f, truth) and f["concern"] == ASK for f in found), found


@pytest.mark.slow
@pytest.mark.parametrize("analyte", ["P", "S", "Mo"])
def test_what_dust_does_not_hold_is_no_dirt(analyte: str) -> None:
    lab = make(USUAL, 300)
    at = lab.rows(container="C10", kind="spot", depth="middle")
    scale(lab, at, [analyte], 3.0)
    rules = explained(lab)["rule"]
    assert "value alone" in set(rules)
    assert "dirt in the bottle" not in set(rules)


@pytest.mark.slow
def test_a_reading_with_which_the_zones_rise_one_way_may_be_settling_and_one_between_them_not() -> None:
    answers = {}
    for depth, factor in (("lower", 4.0), ("middle", 4.0)):
        lab = make(replace(USUAL, settled=1.5), 12)
        scale(lab, lab.rows(container="C05", kind="spot", depth=depth), ["Si"], factor)
        s = search(_frame(lab))
        sc = scene(s.frame, s.frame.y, s.first)
        row = int(np.flatnonzero((s.frame.rows["container"] == "C05") & (s.frame.rows["depth"] == depth)
                                 & (s.frame.rows["kind"] == "spot"))[0])
        column = s.frame.analytes.index("Si")
        c = next(c for c in (*s.found, *s.weak) if row in c.rows and column in c.columns)
        answers[depth] = could_settle(sc, replace(c, cause="value alone", rows=(row,), columns=(column,), bears=()))
    assert answers == {"lower": True, "middle": False}


@pytest.mark.slow
@pytest.mark.parametrize(("settled", "answer"), [(1.5, True), (0.0, False)])
def test_a_flat_container_may_be_a_slow_one_where_the_others_settle_apart(settled: float, answer: bool) -> None:
    f = _frame(make(replace(USUAL, settled=settled), 12))
    rows = np.flatnonzero(f.zone & (f.rows["container"] == "C05").to_numpy())
    flat = Candidate(cause="disturbed container", rows=tuple(map(int, rows)), columns=tuple(range(len(f.analytes))),
                     readings=f.y[rows], gain=10.0, price=4.0, place="container")
    assert could_settle(scene(f, f.y, fit(f, f.y)), flat) == answer


def _frame(lab: Lab) -> Frame:
    return _searched(lab).frame


# -- the end of a curve ------------------------------------------------------------------------------------------


def readings(value: np.ndarray) -> tuple[pd.DataFrame, pd.DataFrame]:
    n = len(value)
    t = pd.DataFrame({"analyte": "Mo", "run": "R1", "value": np.round(value, 1), "sample": [f"S{i}" for i in range(n)],
                      "container": [f"C{i // 3}" for i in range(n)], "depth": [("a", "b", "c")[i % 3] for i in range(n)],
                      "kind": "spot"})
    return t, pd.DataFrame({"analyte": ["Mo"], "source_file": ["f"], "step": [0.1]})


def test_readings_that_end_at_one_value_are_asked_about() -> None:
    rng = np.random.default_rng(4)
    free = 96 * np.exp(0.1 * rng.standard_normal(36))
    assert not saturated_curve(*readings(free)).flags
    (flag,) = saturated_curve(*readings(np.minimum(free, np.quantile(free, 0.8)))).flags
    assert flag.rule == "saturated curve"
    assert flag.concern == ASK
    assert "8 of 36 bottles" in flag.evidence


@pytest.mark.slow
def test_free_readings_are_hardly_ever_asked_about() -> None:
    """1,000 columns of normal and of clustered readings: less than one in a hundred."""
    rng = np.random.default_rng(5)
    hits = [bool(saturated_curve(*readings(96 * np.exp(0.02 * rng.standard_normal(36) + 0.2 * (k % 2) * np.repeat(
        rng.standard_normal(12), 3)))).flags) for k in range(300)]
    assert np.mean(hits) < 0.01 + 3.5 * np.sqrt(0.01 * 0.99 / 300)


def test_readings_in_coarse_steps_share_the_highest_without_an_end() -> None:
    t, steps = readings(96 * np.exp(0.02 * np.random.default_rng(6).standard_normal(36)))
    assert not saturated_curve(t.assign(value=t["value"].round(-1)), steps.assign(step=10.0)).flags


def test_significant_digits_across_a_power_of_ten_are_no_end() -> None:
    """Three digits: below 100 in steps of 0.1, above in steps of 1, where a few bottles soon share the highest."""
    t, steps = readings(96 * np.exp(0.03 * np.random.default_rng(7).standard_normal(14)))
    three = t["value"].map(lambda v: float(f"{v:.3g}")).where(t.index > 2, 101.0).clip(upper=101.0)
    three = three.where(t.index > 3, 101.0)
    assert (three == 101).sum() >= 4
    assert not saturated_curve(t.assign(value=three), steps).flags
    assert saturated_curve(t.assign(value=three.where(three < 101, 101.3)), steps).flags  # in steps of 0.1 it would be one


@pytest.mark.slow
def test_a_saturated_curve_of_a_study_names_its_analyte() -> None:
    lab, truth = spoiled("saturated curve", 1, USUAL, 300)
    assert any(right(f, truth) for f in asked(flags_of(lab)))


# -- containers and runs -----------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("seed", [7001, 7042])
def test_an_element_that_goes_the_other_way_is_no_dilution(seed: int) -> None:
    """Six of eight low by about one factor and two high: what was added held those two, so it is another product."""
    lab, truth = spoiled("wrong product", 2, USUAL, seed)
    found = asked(explained(lab))
    assert any(right(f, truth) for f in found), found
    assert "diluted or evaporated" not in {f["rule"] for f in found}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20, 26))
def test_one_container_of_two_that_is_off_is_no_run_that_is_off(seed: int) -> None:
    """Runs of two or three containers: what one of them alone reads otherwise no run does."""
    lab = make(replace(USUAL, containers=8, runs=4, settled=0.0), seed)
    home = lab.wide[lab.wide["container"].isin(lab.stored())].drop_duplicates("container").set_index("container")["run"]
    box = str(lab.rng.choice(home.index[home.map(home.value_counts()) > 1]))
    scale(lab, lab.rows(container=box), ["S", "Zn"], 1.5)
    sc = scene(f := _frame(lab), f.y, fit(f, f.y))
    table = shift_table(sc, list(run_rows(sc)))
    own = table[table["analyte"].isin(["S", "Zn"])]
    assert not (own["containers"].abs() > 3 * own["containers_se"]).any(), own.to_string()


@pytest.mark.slow
def test_a_day_more_or_less_is_one_age_and_years_are_not() -> None:
    lab = make(USUAL, 5)
    ages = pd.Series(np.linspace(0, 1, len(lab.containers)))
    for months, columns in ((12 + ages * 0.7, 2), (12 + ages * 24, 3)):  # level and second lot; and age
        lab.containers["age_months"] = months.to_numpy()
        assert kind_columns(_frame(lab)).shape[1] == columns


@pytest.mark.slow
def test_a_needle_passes_on_what_was_in_the_bottle() -> None:
    """Readings (1 - q) x + q x_before: undone along the run they give back x."""
    lab = make(USUAL, 5)
    f = _frame(lab)
    held, q = np.where(np.isfinite(f.raw), f.raw, 1.0), 0.2
    after, before = np.arange(1, 12), np.arange(11)
    read = held.copy()
    read[after] = (1 - q) * held[after] + q * held[before]
    found = contents(read, steps(after, before), np.full((len(read), 1), q))
    assert np.allclose(found[:12], held[:12])


@pytest.mark.slow
def test_carry_over_by_a_needle_is_one_explanation_and_accuses_nobody() -> None:
    lab = make(USUAL, 44)
    rows = lab.rows(run="R1")
    held = lab.wide.loc[rows, lab.analytes].to_numpy(float)
    lab.wide.loc[rows[1:], lab.analytes] = 0.7 * held[1:] + 0.3 * held[:-1]
    truth = Truth(causes=("carry-over",), places=frozenset({"R1"}), near=frozenset(run_bottles(lab, "R1")))
    found = asked(explained(lab))
    assert [f["where"] for f in found if f["rule"] == "carry-over"] == ["run R1"]
    assert {f["rule"] for f in found} == {"carry-over"}, (found, truth)
