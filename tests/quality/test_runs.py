"""Runs, drift, carry-over and depth order: each must fire on its planted fault and stay silent without it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.quality import runs as runchecks
from studykit.quality.flags import CheckResult, working_table
from tests.quality_cases import Case, build


def table(case: Case) -> pd.DataFrame:
    return working_table(*case.tables())


def analytes(check: CheckResult) -> set[str]:
    return {f.analyte for f in check.flags}


def test_absorbed_fit_equals_dummies() -> None:
    """Frisch-Waugh-Lovell: same slope, standard error and studentised residuals as the full regression."""
    rng = np.random.default_rng(4)
    group = [str(g) for g in rng.integers(0, 5, 40)]
    x = rng.normal(size=(40, 2))
    y = x @ [1.0, -2.0] + np.array([int(g) for g in group]) + rng.normal(size=40)
    fit = runchecks.absorb(y, group, x)
    full = np.column_stack([pd.get_dummies(pd.Series(group)).to_numpy(float), x])
    beta, rss, _, _ = np.linalg.lstsq(full, y, rcond=None)
    df = 40 - full.shape[1]
    cov = np.linalg.inv(full.T @ full) * rss[0] / df
    assert fit.df == df
    # same algebra on both sides: only rounding differs
    assert fit.slope == pytest.approx(beta[-2:], rel=1e-10)
    assert fit.se == pytest.approx(np.sqrt(np.diag(cov))[-2:], rel=1e-10)
    hat = np.diag(full @ np.linalg.inv(full.T @ full) @ full.T)
    e = y - full @ beta
    without = (rss[0] - e**2 / (1 - hat)) / (df - 1)
    assert fit.student == pytest.approx(e / np.sqrt(without * (1 - hat)), rel=1e-8)


def test_a_slope_that_cannot_be_told_is_nan() -> None:
    x = np.column_stack([np.arange(6.0), 2 * np.arange(6.0)])
    fit = runchecks.absorb(np.arange(6.0) ** 2, ["a"] * 6, x)
    assert np.isnan(fit.slope).all()


def test_drift_fires_and_stays_silent() -> None:
    planted = runchecks.drift(table(build(11, drift={"Ca": 0.08})))
    assert analytes(planted) == {"Ca"}
    row = planted.table.set_index("analyte").loc["Ca"]
    assert abs(row["slope"] - 0.08) < 3 * row["se"]
    assert "check fluid at both ends" in planted.flags[0].evidence
    assert analytes(runchecks.drift(table(build(11)))) == set()


def test_drift_is_not_taken_for_depth() -> None:
    """A steep profile alone, samples in random order, is no drift: size of the test kept under strong profiles."""
    p = [runchecks.drift(table(build(s))).table.set_index("analyte").loc["Si", "p"] for s in range(40, 46)]
    assert min(p) > 0.001


def test_drift_without_run_order_says_so() -> None:
    case = build(3)
    case.results["run_order"] = np.nan
    check = runchecks.drift(table(case))
    assert check.note == runchecks.NO_ORDER
    assert check.flags == ()


def test_carry_over_is_named_with_its_predecessor() -> None:
    case = build(21)
    rich = case.sample_of("L1", "lower")
    at = case.results[case.results["sample"] == rich].iloc[0]
    nxt = case.results[(case.results["run"] == at["run"]) & (case.results["run_order"] == at["run_order"] + 1)]
    after = str(nxt["sample"].iloc[0])
    case.multiply(after, "P", 1.12)
    check = runchecks.carry_over(table(case))
    hits = [f for f in check.flags if f.samples == (after,) and f.analyte == "P"]
    assert len(hits) == 1
    assert f"right after {rich}" in hits[0].evidence
    row = check.table[(check.table["sample"] == after) & (check.table["analyte"] == "P")].iloc[0]
    # 12 % high after a sample 40 % richer: about a third carried over
    assert 0.1 < row["share_carried"] < 0.5


def test_the_same_excess_elsewhere_is_no_carry_over() -> None:
    case = build(21)
    case.multiply(case.sample_of("C03", "middle"), "P", 1.12)
    before = {f.samples for f in runchecks.carry_over(table(build(21))).flags}
    assert {f.samples for f in runchecks.carry_over(table(case)).flags} <= before


def test_run_effect_fires_and_stays_silent() -> None:
    assert "P" in analytes(runchecks.run_effects(table(build(31, run_shift={"P": 0.08}))))
    assert runchecks.run_effects(table(build(31))).flags == ()


def test_containers_split_over_runs_are_named() -> None:
    case = build(5)
    sample = case.sample_of("C04", "lower")
    case.results.loc[case.results["sample"] == sample, "run"] = "9"
    flags = runchecks.run_effects(table(case)).flags
    assert any(f.rule == "container split over runs" and "C04" in f.where for f in flags)


def test_samples_read_in_depth_order_are_named() -> None:
    case = build(6)
    assert runchecks.depth_order(table(case)).flags == ()
    s = case.samples[case.samples["kind"] == "spot"]
    rank = s.sort_values(["container", "height"], ascending=[True, False], kind="stable")["sample"]
    place = {sample: k + 1 for k, sample in enumerate(rank)}
    case.results["run_order"] = case.results["sample"].map(place).fillna(999)
    flags = runchecks.depth_order(table(case)).flags
    assert len(flags) == 1
    assert "upper > middle > lower" in flags[0].evidence
