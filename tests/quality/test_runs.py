"""Runs: drift, shift, carry-over and depth order, each planted in the bench's laboratory, named by run and analyte."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality import reading_order
from studykit.quality import runs as runchecks
from studykit.quality.assess import QualityReport, assess
from studykit.quality.explain import Candidate
from studykit.quality.flags import working_table
from studykit.quality.shifts import Gap, _of_two
from studykit.quality.side_by_side import without
from tests.faults.bench import USUAL, explained, flags_of, right
from tests.faults.laboratory import Lab, make
from tests.faults.planted import spoiled
from tests.quality_cases import build


@pytest.mark.few(1)
@pytest.mark.parametrize(("fault", "seed"), [("carry-over", 4), ("drift in one run", 4), ("opposite drifts", 5),
                                             ("shift of one run", 4), ("spoiled check fluid", 4)])
def test_the_run_and_the_analyte_are_named(fault: str, seed: int) -> None:
    lab, truth = spoiled(fault, 2, USUAL, seed)
    flags = explained(lab).to_dict("records")
    assert any(right(f, truth) for f in flags), flags


@pytest.mark.slow
@pytest.mark.parametrize("size", [0, 1])
def test_carry_over_at_every_position_is_one_line(size: int) -> None:
    """5 and 15 % of the bottle before: told by check fluid and blanks; what follows from it is a hint that says so."""
    lab, truth = spoiled("carry-over", size, USUAL, 4)
    flags = flags_of(lab)
    asked = flags[flags["concern"] != "hint only"]
    assert list(asked["rule"]) == ["carry-over"], asked.to_string()
    assert right(asked.iloc[0].to_dict(), truth)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [41, 42, 45])
def test_carry_over_on_top_of_a_bottles_own_content_is_no_shift_of_the_run(seed: int) -> None:
    """A memory that adds lifts the whole run by its share: it had been told as a shift, a portion and a spoiled fluid."""
    lab, truth = spoiled("carry-over on top", 1, USUAL, seed)
    flags = explained(lab)
    asked = flags[flags["concern"] != "hint only"]
    assert list(asked["rule"]) == ["carry-over"], asked.to_string()
    assert right(asked.iloc[0].to_dict(), truth)


def two_runs(certified: bool) -> Lab:
    """R2 reads 6 % high in every analyte."""
    lab = make(replace(USUAL, runs=2, certified=certified), 4)
    lab.wide.loc[lab.rows(run="R2"), lab.analytes] *= 1.06
    return lab


@pytest.mark.slow
def test_of_two_runs_the_one_off_its_check_fluid_is_named_in_one_line() -> None:
    flags = explained(two_runs(certified=True))
    (shift,) = flags[flags["concern"] != "hint only"].to_dict("records")
    assert (shift["rule"], shift["where"]) == ("run shift", "run R2")


@pytest.mark.slow
def test_of_two_runs_neither_is_named_where_nothing_tells_them_apart() -> None:
    flags = explained(two_runs(certified=False)).query("rule == 'run shift'")
    assert set(flags["where"]) == {"runs R1 and R2"}, flags.to_string()
    assert flags["evidence"].str.contains("cannot be told here").all()


@pytest.mark.slow
@pytest.mark.parametrize("certified", [True, False])
def test_a_wrong_blank_subtracted_is_one_cause_and_no_sentence_contradicts_it(certified: bool) -> None:
    """Every bottle of R2 reads 100 mg/kg P too little; the check fluid holds half as much, and loses twice its share."""
    lab = make(replace(USUAL, runs=2, certified=certified), 4)
    fluid = lab.rows(kind="check fluid")
    lab.wide.loc[fluid, "P"] *= 0.5
    if lab.limits is not None:
        lab.limits.loc[lab.limits["analyte"] == "P", ["low", "high"]] *= 0.5
    rows = lab.rows(run="R2")
    lab.wide.loc[rows, "P"] -= 100.0
    lab.wide.loc[rows, "P"] = lab.wide.loc[rows, "P"].where(lab.wide.loc[rows, "P"] > 0, 0.1)
    report = assess(*lab.tables(), limits=lab.limits)
    asked = report.flags[(report.flags["concern"] != "hint only") & (report.flags["analyte"] == "P")]
    assert list(asked["rule"]) == ["run offset"], asked.to_string()
    (flag,) = asked.to_dict("records")
    assert flag["where"] == ("run R2" if certified else "runs R1 and R2")
    assert ("limits of the check fluid would say it" in flag["evidence"]) == (not certified)
    assert not certified or "less than the others" in flag["evidence"]


@pytest.mark.slow
def test_limits_are_not_asked_for_where_they_are_given() -> None:
    """Containers of two runs differ and the check fluid does not: no limits could say which."""
    lab = make(replace(USUAL, runs=2), 4)
    lab.wide.loc[[i for i in lab.rows(run="R2") if i not in set(lab.rows(kind="check fluid"))], "Ca"] *= 1.3
    flags = assess(*lab.tables(), limits=lab.limits).flags.query("rule == 'run and stock'")
    assert len(flags)
    assert not flags["evidence"].str.contains("would say it").any()
    assert flags["evidence"].str.contains("the check fluid reads alike in both").all()


@pytest.mark.slow
def test_what_follows_from_a_unit_is_no_further_cause() -> None:
    lab, _ = spoiled("unit in one file", 2, USUAL, 4)
    flags = flags_of(lab)
    assert set(flags[flags["concern"] != "hint only"]["rule"]) == {"unit slip"}, flags.to_string()


@pytest.fixture(scope="module")
def clean() -> QualityReport:
    return assess(*make(USUAL, 3).tables())


def test_a_clean_study_has_neither(clean: QualityReport) -> None:
    assert {"carry-over", "drift", "run shift", "check fluid"}.isdisjoint(clean.flags["rule"])
    drift = clean.check("drift").table
    assert len(drift) == 3 * 8
    # 24 slopes of a clean laboratory: none beyond 5 of its standard errors
    assert ((drift["slope"] / drift["se"]).abs() < 5).all()


@pytest.mark.slow
def test_the_planted_slope_is_estimated() -> None:
    lab, truth = spoiled("drift in one run", 2, USUAL, 4)
    table = assess(*lab.tables()).check("drift").table
    (analyte,), (run,) = truth.analytes, truth.places
    row = table[(table["analyte"] == analyte) & (table["run"] == run)].iloc[0]
    s_r = {a: d.repeatability.s_r_percent / 100 for a, d in lab.study.analytes.items()}[analyte]
    assert abs(abs(row["slope"]) - 6 * s_r) < 3 * row["se"]


@pytest.mark.slow
def test_undoing_a_share_gives_back_what_was_mixed() -> None:
    lab = make(USUAL, 5)
    report = assess(*lab.tables())
    sc = report.suspects.scene
    after, before = np.array([5]), np.array([4])
    clean = without(sc, after, before, 0.2)
    value = np.where(sc.f.relative, np.exp(clean), clean)
    mixed = 0.8 * value + 0.2 * sc.f.raw[before]
    # algebra both ways: rounding only
    assert mixed == pytest.approx(np.where(sc.f.relative, np.exp(sc.y[after]), sc.y[after]), rel=1e-9)


@pytest.mark.slow
def test_without_run_order_drift_says_so() -> None:
    case = build(3)
    case.results["run_order"] = np.nan
    report = assess(*case.tables())
    assert report.check("drift").note == reading_order.NO_ORDER
    assert report.check("depth order").note == reading_order.NO_ORDER


def test_containers_split_over_runs_are_named() -> None:
    case = build(5)
    sample = case.sample_of("C04", "lower")
    case.results.loc[case.results["sample"] == sample, "run"] = "9"
    (flag,) = reading_order.split_containers(working_table(*case.tables()))
    assert flag.where == "C04"


def test_samples_read_in_depth_order_are_named() -> None:
    case = build(6)
    assert reading_order.depth_order(working_table(*case.tables())).flags == ()
    s = case.samples[case.samples["kind"] == "spot"]
    rank = s.sort_values(["container", "height"], ascending=[True, False], kind="stable")["sample"]
    place = {sample: k + 1 for k, sample in enumerate(rank)}
    case.results["run_order"] = case.results["sample"].map(place).fillna(999)
    flags = reading_order.depth_order(working_table(*case.tables())).flags
    assert len(flags) == 1
    assert "upper > middle > lower" in flags[0].evidence


def gap(**more: object) -> Gap:
    return Gap(**{"column": 0, "containers": (0.2, 0.1), "fluid": (float("nan"), 0.1), "usual": 0.05, "off": 0.3, "se_off": 0.1}
               | more)  # type: ignore[arg-type]


def test_a_gap_of_a_run_is_weighted_by_what_is_known_of_it() -> None:
    """By hand: 0.2 +- 0.1 alone; beside 0.5 +- 0.2 the weights are 100 and 25, so 0.26."""
    assert gap().best == pytest.approx(0.2)
    assert not gap().both
    assert gap(fluid=(0.5, 0.2)).best == pytest.approx(0.26)
    assert gap(fluid=(0.5, 0.2)).both
    assert gap(fluid=(0.5, 1e9)).best == pytest.approx(0.2)  # a fluid that was not read
    assert np.isnan(gap(containers=(float("nan"), 1e9)).best)
    assert [gap().near(x) for x in (0.02, 0.2, -0.2)] == [0.02, 0.05, -0.05]


def test_what_a_shift_saves_does_not_hang_on_the_unit() -> None:
    """Student's t of 8 degrees of freedom: 4.5 ln(1 + z^2/8), z = 1.5 against an ordinary shift of 0.05, and 0 at the gap."""
    saved = 4.5 * np.log1p(1.5**2 / 8)
    for unit in (1.0, 1000.0):
        g = gap(containers=(0.2 * unit, 0.1 * unit), usual=0.05 * unit, off=0.3 * unit, se_off=0.1 * unit)
        assert g.gain(0.2 * unit, 0.0) == pytest.approx(saved)
        assert g.lean(0.3 * unit) == pytest.approx(4.5 * np.log1p(9 / 8))  # the limits speak for it


def test_of_two_runs_the_one_that_its_check_fluid_names_is_told_and_either_where_they_lean_alike() -> None:
    def one(run: str) -> Candidate:
        return Candidate(cause="run shift", rows=(0,), columns=(0,), readings=np.zeros((1, 1)), gain=9.0, price=1.0,
                         place=f"run {run}")

    (told,) = _of_two([(1.0, one("R1")), (4.0, one("R2"))])
    assert (told.place, told.detail) == ("run R2", "")
    (told,) = _of_two([(4.0, one("R1")), (1.0, one("R2"))])
    assert (told.place, told.detail) == ("run R1", "")
    (told,) = _of_two([(1.0, one("R1")), (2.5, one("R2"))])
    assert told.detail == "either R1 and R2"


def test_a_containers_own_scatter_is_taken_out_as_generalised_least_squares_do() -> None:
    """Three bottles of a container, s 1 and containers' scatter 2: 1 - 1 / sqrt(13) of the mean; all where it is unknown."""
    r = np.array([[1.0, 1.0], [2.0, 2.0], [6.0, 6.0]])
    f = SimpleNamespace(at=np.zeros(3, dtype=int), zone=np.ones(3, dtype=bool), names=("C1",))
    sc = SimpleNamespace(f=f, m=SimpleNamespace(s=np.ones((3, 2)), su=np.array([2.0, np.inf])))
    _, left = runchecks._softened(sc, np.arange(3), np.zeros((3, 2)), r)
    assert left[:, 0] == pytest.approx(np.array([1.0, 2.0, 6.0]) - 3 * (1 - 1 / np.sqrt(13)))
    assert left[:, 1] == pytest.approx([-2.0, -1.0, 3.0], abs=1e-5)


def test_a_drift_is_undone_along_the_places_of_its_run() -> None:
    f = SimpleNamespace(rows=pd.DataFrame({"order": np.arange(1.0, 6.0)}))
    sc = SimpleNamespace(f=f, y=np.array([[1.0], [1.1], [1.2], [1.3], [1.4]]))
    table = pd.DataFrame({"gain": [9.0], "slope": [0.4], "se": [0.01]})
    (found,) = runchecks.drifts(sc, "R1", np.arange(5), table, 3)
    assert found.readings.ravel() == pytest.approx(np.full(5, 1.2))
    assert found.price == pytest.approx(np.log(3) + 1.5)


@pytest.mark.slow
@pytest.mark.parametrize("read", [True, False])
def test_a_blank_that_reads_the_offset_tells_it_from_a_factor(read: bool) -> None:
    """R2 reads 60 mg/kg B (a third) more; the check fluid's content is that of the stock, so that a factor fits as well."""
    lab = make(replace(USUAL, certified=False), 4)
    fluid = lab.rows(kind="check fluid")
    lab.wide.loc[fluid, "B"] /= 1.3
    lab.wide.loc[lab.rows(run="R2"), "B"] += 60.0
    if not read:
        lab.wide.loc[lab.rows(run="R2", kind="blank"), "B"] -= 60.0
    asked = explained(lab).query("concern != 'hint only' and analyte == 'B'")
    assert list(asked["rule"]) == ["run offset" if read else "run shift"], asked.to_string()
