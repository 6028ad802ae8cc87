"""Runs: drift, shift, carry-over and depth order, each planted in the bench's laboratory, named by run and analyte."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.quality import runs as runchecks
from studykit.quality.assess import QualityReport, assess
from studykit.quality.flags import working_table
from tests.faults.bench import USUAL, explained, right
from tests.faults.laboratory import make
from tests.faults.planted import spoiled
from tests.quality_cases import build


@pytest.mark.parametrize(("fault", "seed"), [("carry-over", 4), ("drift in one run", 4), ("opposite drifts", 5),
                                             ("shift of one run", 4), ("spoiled check fluid", 4)])
def test_the_run_and_the_analyte_are_named(fault: str, seed: int) -> None:
    lab, truth = spoiled(fault, 2, USUAL, seed)
    flags = explained(lab).to_dict("records")
    assert any(right(f, truth) for f in flags), flags


@pytest.fixture(scope="module")
def clean() -> QualityReport:
    return assess(*make(USUAL, 3).tables())


def test_a_clean_study_has_neither(clean: QualityReport) -> None:
    assert {"carry-over", "drift", "run shift", "check fluid"}.isdisjoint(clean.flags["rule"])
    drift = clean.check("drift").table
    assert len(drift) == 3 * 8
    # 24 slopes of a clean laboratory: none beyond 5 of its standard errors
    assert ((drift["slope"] / drift["se"]).abs() < 5).all()


def test_the_planted_slope_is_estimated() -> None:
    lab, truth = spoiled("drift in one run", 2, USUAL, 4)
    table = assess(*lab.tables()).check("drift").table
    (analyte,), (run,) = truth.analytes, truth.places
    row = table[(table["analyte"] == analyte) & (table["run"] == run)].iloc[0]
    s_r = {a: d.repeatability.s_r_percent / 100 for a, d in lab.study.analytes.items()}[analyte]
    assert abs(abs(row["slope"]) - 6 * s_r) < 3 * row["se"]


def test_undoing_a_share_gives_back_what_was_mixed() -> None:
    lab = make(USUAL, 5)
    report = assess(*lab.tables())
    sc = report.suspects.scene
    after, before = np.array([5]), np.array([4])
    clean = runchecks.without(sc, after, before, 0.2)
    value = np.where(sc.f.relative, np.exp(clean), clean)
    mixed = 0.8 * value + 0.2 * sc.f.raw[before]
    # algebra both ways: rounding only
    assert mixed == pytest.approx(np.where(sc.f.relative, np.exp(sc.y[after]), sc.y[after]), rel=1e-9)


def test_without_run_order_drift_says_so() -> None:
    case = build(3)
    case.results["run_order"] = np.nan
    report = assess(*case.tables())
    assert report.check("drift").note == runchecks.NO_ORDER
    assert report.check("depth order").note == runchecks.NO_ORDER


def test_containers_split_over_runs_are_named() -> None:
    case = build(5)
    sample = case.sample_of("C04", "lower")
    case.results.loc[case.results["sample"] == sample, "run"] = "9"
    (flag,) = runchecks.split_containers(working_table(*case.tables()))
    assert flag.where == "C04"


def test_samples_read_in_depth_order_are_named() -> None:
    case = build(6)
    assert runchecks.depth_order(working_table(*case.tables())).flags == ()
    s = case.samples[case.samples["kind"] == "spot"]
    rank = s.sort_values(["container", "height"], ascending=[True, False], kind="stable")["sample"]
    place = {sample: k + 1 for k, sample in enumerate(rank)}
    case.results["run_order"] = case.results["sample"].map(place).fillna(999)
    flags = runchecks.depth_order(working_table(*case.tables())).flags
    assert len(flags) == 1
    assert "upper > middle > lower" in flags[0].evidence
