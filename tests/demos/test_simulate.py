"""Synthetic studies: what was put in comes out, stream by stream, and the tables are real tables."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from studykit.core.files import write_csv, write_text
from studykit.demos.simulate import (
    AnalyteTruth,
    StudyTruth,
    SyntheticStudy,
    allocate_runs,
    decimals_of,
    plan_containers,
    plan_samples,
    simulate_results,
    simulate_study,
)
from studykit.study.tables import check_tables

DEPTHS, HEIGHTS = ("upper", "middle", "lower"), (0.83, 0.5, 0.17)


def analyte(**changes: object) -> AnalyteTruth:
    start = {"analyte": "Si", "unit": "mg/kg", "level": 10.0}
    return AnalyteTruth(**(start | changes))  # type: ignore[arg-type]


def truth(*analytes: AnalyteTruth, **changes: object) -> StudyTruth:
    start = {"depths": DEPTHS, "heights": HEIGHTS, "analytes": analytes or (analyte(),), "seed": 7}
    return StudyTruth(**(start | changes))  # type: ignore[arg-type]


def joined(study: SyntheticStudy) -> pd.DataFrame:
    return study.results.merge(study.samples, on="sample").merge(study.containers, on="container")


@pytest.mark.parametrize("cls", [AnalyteTruth, StudyTruth, SyntheticStudy])
def test_truth_is_frozen_and_keyword_only(cls: type) -> None:
    assert dataclasses.is_dataclass(cls)
    assert cls.__dataclass_params__.frozen
    with pytest.raises(TypeError, match="positional"):
        cls(1)
    assert hasattr(cls, "__slots__")
    with pytest.raises(dataclasses.FrozenInstanceError):
        analyte().level = 3.0  # type: ignore[misc]


def test_without_any_spread_the_readings_are_the_planted_values() -> None:
    a = analyte(profile=(("upper", -0.2), ("lower", 0.1)), lot_shift=(("L2", 0.5),))
    table = joined(simulate_study(truth(a), 4, lots=2))
    want = {("L1", "upper"): 8.0, ("L1", "middle"): 10.0, ("L1", "lower"): 11.0,
            ("L2", "upper"): 12.0, ("L2", "middle"): 15.0, ("L2", "lower"): 16.5}
    for key, value in want.items():
        got = table.loc[(table["lot"] == key[0]) & (table["depth"] == key[1]), "value"]
        assert len(got) == 2
        np.testing.assert_allclose(got, value, rtol=1e-12)


def test_an_absolute_analyte_adds_instead_of_multiplying() -> None:
    a = analyte(relative=False, level=0.0, profile=(("lower", 3.0),), container_profile=(("C02", "lower", -1.0),))
    table = joined(simulate_study(truth(a), 2)).set_index(["container", "depth"])["value"]
    assert table["C01", "lower"] == 3.0
    assert table["C02", "lower"] == -1.0  # a container's own profile replaces the stock's
    assert table["C02", "upper"] == 0.0


@pytest.mark.parametrize("relative", [True, False])
def test_the_spreads_come_out_of_a_balanced_analysis(relative: bool) -> None:
    """Mean squares of container, container:depth and residual against their expectations."""
    unit = 1.0 if relative else 10.0
    a = analyte(relative=relative, sd_container=0.05 * unit, sd_container_depth=0.03 * unit, s_r=0.02 * unit,
                profile=(("upper", -0.1 * unit),))
    n, d, k = 3000, 3, 2
    table = joined(simulate_study(truth(a, seed=11), n, draws=k))
    y = np.log(table["value"]) if relative else table["value"]
    by_zone = y.set_axis(pd.MultiIndex.from_frame(table[["depth", "container"]])).sort_index().groupby(level=0)
    cube = np.stack([g.to_numpy().reshape(n, k) for _, g in by_zone], 1)
    cell, own, zone = cube.mean(2), cube.mean((1, 2)), cube.mean((0, 2))
    within = cube.var(2, ddof=1).mean()
    inter = k * ((cell - own[:, None] - zone[None, :] + cube.mean()) ** 2).sum() / ((n - 1) * (d - 1))
    between = d * k * own.var(ddof=1)
    # expected mean squares of the balanced two-factor layout, depth fixed, container random
    want = np.array([0.02**2, 0.02**2 + k * 0.03**2, 0.02**2 + k * 0.03**2 + d * k * 0.05**2]) * unit**2
    df = np.array([n * d * (k - 1), (n - 1) * (d - 1), n - 1])
    ratio = np.array([within, inter, between]) / want
    assert (np.abs(ratio - 1) < 4 * np.sqrt(2 / df)).all(), ratio  # 4 standard errors of a variance ratio
    upper = math.log(0.9) if relative else -1.0
    depths = sorted(DEPTHS)
    difference = zone[depths.index("upper")] - zone[depths.index("lower")]
    assert abs(difference - upper) < 4 * math.sqrt(2 * want[1] / (n * k))


def test_another_analyte_or_spread_leaves_all_other_draws_alone() -> None:
    plain = simulate_study(truth(analyte(s_r=0.1, sd_container=0.2)), 5).results
    phosphorus = analyte(analyte="P", level=300.0, s_r=0.1)
    more = simulate_study(truth(phosphorus, analyte(s_r=0.1, sd_container=0.2)), 5).results
    own = more[more["analyte"] == "Si"].reset_index(drop=True)
    pd.testing.assert_series_equal(plain["value"], own["value"])
    wider = simulate_study(truth(analyte(s_r=0.1, sd_container=0.4)), 5).results
    assert not np.allclose(plain["value"], wider["value"])
    # residuals of log value on the containers are the repeatability draws, the same in both
    shift = np.log(wider["value"]) - np.log(plain["value"])
    spread = shift.groupby(joined(simulate_study(truth(), 5))["container"]).std()
    np.testing.assert_allclose(spread, 0, atol=1e-12)


def test_more_containers_keep_the_first_ones_container_effects() -> None:
    a = analyte(sd_container=0.2)
    few, many = joined(simulate_study(truth(a), 3)), joined(simulate_study(truth(a), 8))
    merged = few.merge(many, on=["container", "depth"], suffixes=("", "_many"))
    np.testing.assert_allclose(merged["value"], merged["value_many"], rtol=1e-12)


def test_the_seed_decides_everything() -> None:
    a = analyte(s_r=0.1)
    one, same, other = (simulate_study(truth(a, seed=s), 4, runs=2) for s in (1, 1, 2))
    pd.testing.assert_frame_equal(one.results, same.results)
    pd.testing.assert_frame_equal(one.samples, same.samples)
    assert not np.allclose(one.results["value"], other.results["value"])


def test_rounding_and_censoring_are_the_laboratorys() -> None:
    a = analyte(level=2.0, s_r=0.4, step=0.5, quantification_limit=2.0)
    table = simulate_study(truth(a), 40).results
    below = table["qualifier"] == "<"
    assert 0.2 < below.mean() < 0.8
    assert (table.loc[below, "as_written"] == "<2").all()
    assert (table.loc[below, "value"] == 2.0).all()
    assert (table.loc[below, "limit"] == 2.0).all()
    free = table.loc[~below]
    assert (free["value"] >= 2.0).all()
    assert free["limit"].isna().all()
    np.testing.assert_allclose(free["value"] % 0.5, 0, atol=1e-12)
    assert free["as_written"].str.fullmatch(r"\d+\.\d").all()


def test_missing_results_have_no_row() -> None:
    full = simulate_study(truth(analyte(s_r=0.1)), 100).results
    some = simulate_study(truth(analyte(s_r=0.1, missing=0.2)), 100).results
    assert abs(len(some) / len(full) - 0.8) < 4 * math.sqrt(0.16 / len(full))
    kept = full.merge(some, on=["sample", "replicate"])
    np.testing.assert_allclose(kept["value_x"], kept["value_y"])


def test_run_shift_and_drift_follow_run_and_position() -> None:
    a = analyte(run_shift=(("2", 0.1),), drift=0.04)
    study = simulate_study(truth(a), 8, runs=2)
    for run, level in (("1", 10.0), ("2", 11.0)):
        own = study.results[study.results["run"] == run].sort_values("run_order")
        assert own["value"].iloc[0] == pytest.approx(level * 0.98)
        assert own["value"].iloc[-1] == pytest.approx(level * 1.02)
        assert own["value"].is_monotonic_increasing


def test_all_bottles_of_a_container_stay_in_one_run_at_distinct_positions() -> None:
    containers = plan_containers(10)
    samples = plan_samples(tuple(containers["container"]), DEPTHS, HEIGHTS, draws=2, seed=3)
    loose = pd.DataFrame({"sample": ["X1", "X2"], "container": "", "kind": "check fluid", "depth": ""})
    both = pd.concat([samples, loose], ignore_index=True)
    runs = allocate_runs(both, runs=3, seed=3).merge(both, on="sample")
    assert (runs[runs["container"] != ""].groupby("container")["run"].nunique() == 1).all()
    assert runs.loc[runs["kind"] == "check fluid", "run"].nunique() == 2
    for _, part in runs.groupby("run"):
        assert sorted(part["run_order"]) == list(range(1, len(part) + 1))
    by_depth = runs.sort_values(["run", "run_order"])["depth"].tolist()
    assert by_depth != sorted(by_depth)


def test_a_whole_and_a_check_fluid_carry_no_depth() -> None:
    a = analyte(profile=(("upper", -0.5), ("", -0.9)), sd_container_depth=0.3)
    containers = plan_containers(1)
    samples = pd.DataFrame({"sample": ["W", "K", "U"], "container": ["C01", "", "C01"],
                            "kind": ["composite", "check fluid", "spot"], "depth": ["", "", "upper"]})
    runs = pd.DataFrame({"sample": ["W", "K", "U"], "run": "1", "run_order": [1, 2, 3]})
    values = simulate_results(truth(a), containers, samples, runs).set_index("sample")["value"]
    assert values["W"] == pytest.approx(10.0)
    assert values["K"] == pytest.approx(10.0)
    assert values["U"] < 9.0  # the same profile does reach a spot draw


def test_contrasts_and_nature_follow_the_planted_profile() -> None:
    a = analyte(profile=(("upper", -0.2),), container_profile=(("C01", "upper", 0.0), ("C01", "lower", 0.0)))
    b = analyte(analyte="pH", relative=False, level=7.0, profile=(("lower", 0.25),))
    t = truth(a, b)
    table = t.contrasts(["C01", "C02"]).set_index(["analyte", "deeper", "shallower"])["difference"]
    assert table["Si", "lower", "upper"] == pytest.approx(100 * (math.sqrt(1 / 0.8) - 1))
    assert table["pH", "lower", "middle"] == pytest.approx(0.25)
    assert t.nature("Si", 20.0, ["C01", "C02"]) == "homogeneous"  # 11.8 % on average
    assert t.nature("Si", 20.0, ["C02"]) == "stratified"  # 25 % in this one
    assert t.nature("pH", 0.3, ["C01"]) == "homogeneous"
    assert t.nature("pH", 0.2, ["C01"]) == "stratified"
    with pytest.raises(ValueError, match="analyte must be one of"):
        t.nature("Zn", 1.0, ["C01"])


def test_the_tables_pass_the_checks_of_a_real_study(tmp_path) -> None:
    study = simulate_study(truth(analyte(s_r=0.1, quantification_limit=9.0, step=0.1), determinations=2), 4, runs=2)
    write_text(tmp_path / "study.toml", "\n".join([
        'title = "synthetic"', 'question = "does it come through?"', 'responsible = "a test"', "[factors]",
        'depths = ["upper", "middle", "lower"]', "[analytes.Si]", 'unit = "mg/kg"', 'method = "none"',
        "margin = { relative_percent = 20 }", 'margin_reason = "a test"', "[vessels.pail]",
        'shape = "upright_cylinder"', "diameter_mm = 285", "height_mm = 360"]))
    write_csv(tmp_path / "plan/containers.csv", study.containers.assign(vessel="pail"))
    write_csv(tmp_path / "plan/samples.csv", study.samples)
    write_csv(tmp_path / "tidy/results.csv", study.results)
    tables, faults = check_tables(tmp_path)
    assert faults == []
    assert tables is not None
    assert len(tables.results) == 4 * 3 * 2
    write_csv(tmp_path / "plan/samples.csv", study.samples.iloc[1:])  # negative control: an orphan result
    assert "is not a sample of plan/samples.csv" in check_tables(tmp_path)[1][0].reason


@pytest.mark.parametrize(("changes", "message"), [
    ({"level": 0.0}, "level must be > 0"),
    ({"s_r": -1.0}, "s_r must be >= 0"),
    ({"missing": 1.0}, "missing must be in"),
    ({"profile": (("upper", -1.0),)}, "departures must be > -1"),
])
def test_an_impossible_analyte_is_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        analyte(**changes)


def test_an_impossible_study_is_refused() -> None:
    with pytest.raises(ValueError, match="heights must be as many as depths"):
        truth(heights=(0.5,))
    with pytest.raises(ValueError, match="analytes must be distinct"):
        truth(analyte(), analyte())
    containers = plan_containers(1)
    samples = plan_samples(("C01", "C99"), DEPTHS, HEIGHTS)
    with pytest.raises(ValueError, match=r"known containers, but got \['C99'\]"):
        simulate_results(truth(), containers, samples, allocate_runs(samples))
    own = samples[samples["container"] == "C01"]
    with pytest.raises(ValueError, match="every sample must have a run"):
        simulate_results(truth(), containers, own, allocate_runs(own.iloc[:1]))


@pytest.mark.parametrize(("step", "digits"), [(1.0, 0), (0.5, 1), (0.05, 2), (0.001, 3), (10.0, 0), (0.0, 6)])
def test_decimals_of_a_rounding_step(step: float, digits: int) -> None:
    assert decimals_of(step) == digits
