"""The expected profile against the measured one: the settling demo as the physics predicts, references, what is missing."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.model import tables as model_tables
from studykit.physics.column import expected_column
from studykit.physics.figures import expected_over_measured
from studykit.physics.inputs import component_of, drawn_zones, liquid_of, standing
from studykit.sampling.draws import plan_draws
from studykit.study.definition import parse_study
from studykit.verdict import expected
from tests.demogen import slip
from tests.verdict.test_particles import opened, part, with_composites
from tests.verdict_cases import calm, demo_stage


@pytest.fixture(scope="module")
def drums(tmp_path_factory):
    """The verdict stage of the settling demo, from its raw files, with its models."""
    stage = demo_stage("slip", tmp_path_factory.mktemp("slip") / "slip")
    return stage, model_tables.fit_all(stage)


def with_size(stage, micrometres):
    data = tomllib.loads((stage.root / "study.toml").read_text(encoding="utf-8"))
    data["components"][0]["diameter_um"] = micrometres
    return dataclasses.replace(stage, tables=dataclasses.replace(stage.tables, study=parse_study(data)))


def zircon(stage, models):
    return next(e for e in expected.expectations(stage, models) if e.analyte == "Zircon")


def outside_together(table: pd.DataFrame) -> int:
    """Levels whose expectation lies outside intervals that hold for all rows at once (Bonferroni over the rows)."""
    df = 7  # 11 or 12 zones in four classes leave 7 or 8 degrees of freedom
    half = (np.log(table["high"]) - np.log(table["low"])) / 2
    wide = half * stats.t.ppf(1 - 0.025 / len(table), df) / stats.t.ppf(0.975, df)
    return int((np.log(table["expected"] / table["measured"]).abs() > wide).sum())


def test_the_settling_demo_is_layered_as_the_physics_predicts(drums):
    stage, models = drums
    found = zircon(stage, models)
    table = found.to_table()
    assert found.reference == "whole container"
    assert table["age_days"].tolist() == [a for a in slip.DAY for _ in slip.DEPTHS]
    assert table["depth"].tolist() == [*slip.DEPTHS] * 4
    assert outside_together(table) == 0
    # the profile is a strong one: the top loses six sevenths, and still the expected level is within a few per cent
    assert table["measured"].iloc[9] < 20
    assert (table["expected"] / table["measured"] - 1).abs().max() < 0.04


@pytest.mark.few(1)
@pytest.mark.parametrize("micrometres", [1.6, 2.5])
def test_a_wrong_size_would_be_seen(drums, micrometres):
    stage, models = drums
    assert outside_together(zircon(with_size(stage, micrometres), models).to_table()) >= 3


def test_the_planted_truth_and_the_kits_column_agree(drums):
    """Stokes' law by one formula (the demo's own code) against the column of size classes, within 1 % of mixed."""
    stage, _ = drums
    c = component_of(stage.study.components[0])
    column = expected_column(c, liquid_of(stage.study.fluid), slip.LIQUID_M, list(slip.DAY), 20.0)
    for k, zone in enumerate(drawn_zones(stage.study, "drum205", 1000 * slip.LIQUID_M)):
        planted = [100 * slip.remaining(age, slip.HEIGHTS[k]) for age in slip.DAY]
        assert column.zone_percent(zone) == pytest.approx(planted, abs=1.0)


def test_dissolved_borax_stays_at_a_hundred(drums):
    stage, models = drums
    table = next(e for e in expected.expectations(stage, models) if e.analyte == "Boron").to_table()
    assert table["expected"].to_numpy() == pytest.approx(100, abs=0.1)
    assert outside_together(table) == 0


def test_intervals_are_student_t_of_logarithms_pooled_by_depth(drums):
    stage, models = drums
    table = zircon(stage, models).to_table().set_index(["age_days", "depth"])
    raw = stage.results[stage.results["analyte"] == "Zircon"].merge(stage.samples, on="sample").merge(
        stage.containers[["container", "age_months", "treatment"]], on="container")
    raw = raw[raw["treatment"] == "stored"]
    wide = raw.assign(depth=raw["depth"].where(raw["kind"] == "spot", "whole")).pivot(
        index=["age_months", "container"], columns="depth", values="value")
    y = np.log(100 * wide["top"] / wide["whole"])
    sd = math.sqrt(((y - y.groupby("age_months").transform("mean")) ** 2).sum() / 8)
    half = stats.t.ppf(0.975, 8) * sd / math.sqrt(3)
    row = table.loc[(14.0, "top")]
    assert row["measured"] == pytest.approx(math.exp(y.groupby("age_months").mean().iloc[0]))
    assert row["high"] / row["measured"] == pytest.approx(math.exp(half))


def test_the_figure_draws_the_table_and_the_texts_say_it(drums):
    stage, models = drums
    found = expected.expectations(stage, models)
    figure = expected_over_measured(expected.panels(found))
    ax = figure.axes[0]
    assert ax.get_title(loc="left") == "zircon, glaze house"
    assert [t.get_text() for t in ax.get_legend().get_texts()][:2] == ["14 days", "42 days"]
    marks = list(ax.containers)
    assert len(marks) == 4
    assert marks[0].lines[0].get_xdata() == pytest.approx(found[0].table["measured"].iloc[:3])
    assert marks[0].lines[0].get_color() == ax.lines[0].get_color()
    told = expected.summary(found)
    assert "- zircon: the expected level lies inside the interval of 12 of 12 measured levels" in told
    assert "A warmer store settles faster" in told
    shown = expected.shown(expected.table_of(found))
    assert shown["standing"].iloc[3] == "5.5 months"
    assert shown["top"].iloc[1].startswith("63.9; 63.9 (")
    assert "top expected and measured" in expected.alt(found)
    assert expected_over_measured([]) is None


@pytest.mark.slow
def test_the_mean_of_the_zones_stands_in_and_the_expectation_follows(tmp_path):
    heavy = part(density_kg_m3=7800, diameter_um=2.0, log_sd=0.3)
    stage, models = opened(tmp_path, calm(6), parts=[heavy])
    table = expected.table_of(expected.expectations(stage, models))
    assert set(table["reference"]) == {"mean of the zones"}
    gone = table["expected lies"] == expected.GONE
    assert gone.all()  # in a year everything has left all zones, which comparing zones cannot show
    slow, fitted = opened(tmp_path / "slow", calm(6), parts=[part(density_kg_m3=970, diameter_um=2.0, log_sd=0.3)])
    rows = expected.table_of(expected.expectations(slow, fitted))
    assert rows["expected"].mean() == pytest.approx(100)
    assert rows["expected"].iloc[0] < 95
    assert set(rows["expected lies"]) == {"above", "below"}  # the data are calm: this size is refuted


def test_remixed_controls_of_the_lot_are_taken_before_the_zones(tmp_path):
    cells = calm(6) | {"K": {"upper": [110.0], "middle": [110.0], "lower": [110.0]}}
    stage, models = opened(tmp_path, cells, controls={"K": "remixed control"})
    table = expected.table_of(expected.expectations(stage, models))
    assert set(table["reference"]) == {"remixed controls"}
    assert table["measured"].mean() == pytest.approx(100 / 1.1, rel=0.01)
    both, fitted = opened(tmp_path / "both", with_composites() | {"K": cells["K"]}, controls={"K": "remixed control"})
    assert set(expected.table_of(expected.expectations(both, fitted))["reference"]) == {"whole container"}


def test_a_zone_of_less_than_one_per_cent_of_mixed_is_averaged_as_the_others_are(tmp_path):
    """Geometric mean and t interval of 0.2, 0.4, 0.8, ... per cent by hand: an interval of a level never reaches below 0."""
    cells = with_composites()
    for k, depths in enumerate(cells.values()):
        depths |= {"upper": [0.2 * 2.0 ** (k % 3)], "composite": [100.0]}
    slow = part(density_kg_m3=970, diameter_um=2.0, log_sd=0.3)
    stage, models = opened(tmp_path, cells, parts=[slow], margin={"absolute": 5})
    rows = expected.table_of(expected.expectations(stage, models)).set_index("depth")
    assert rows.loc["upper", "measured"] == pytest.approx(0.4)
    assert 0 < rows.loc["upper", "low"] < 0.4 < rows.loc["upper", "high"]


def test_age_classes_split_at_the_widest_gaps():
    days = pd.Series([14, 15, 14, 42, 84, 168, 400, 800, 1600.0])
    # ratios of (days + 1): 42 to 84 is the sixth widest gap, so these two share a class
    assert expected.age_classes(days).tolist() == [0, 0, 0, 1, 1, 2, 3, 4, 5]
    assert expected.age_classes(pd.Series([100.0, 101.0, 105.0])).tolist() == [0, 0, 0]
    assert expected.age_classes(pd.Series([0.0, 0.0])).tolist() == [0, 0]


def test_standing_time_runs_from_the_last_mixing(drums):
    stage, _ = drums
    stood = standing(stage.containers)
    assert len(stood) == 12
    assert sorted(set(stood["age_days"])) == [14, 42, 84, 168]


def test_zones_are_taken_where_the_study_draws_them(drums):
    stage, _ = drums
    data = tomllib.loads((stage.root / "study.toml").read_text(encoding="utf-8"))
    data["sampling"]["zones"] = [{"label": d, "height": h} for d, h in zip(slip.DEPTHS, (0.99, 0.4, 0.1), strict=True)]
    study = parse_study(data)
    zones = drawn_zones(study, "drum205", 800)
    plan = plan_draws(study.vessels["drum205"], 800, slip.DEPTHS, study.sampling)
    drawn = [(d.drawn_bottom_mm / 800, d.drawn_top_mm / 800) for d in plan.draws if d.kind == "spot"]
    # thin slabs are read over a fiftieth of the height around the plan's own middle, never past the surface
    assert [(z.low + z.high) / 2 for z in zones] == pytest.approx([sum(x) / 2 for x in drawn], abs=1e-12)
    assert all(z.low <= low and z.high >= high for z, (low, high) in zip(zones, drawn, strict=True))
    assert [(z.low + z.high) / 2 for z in zones] == pytest.approx([0.99, 0.4, 0.1], abs=1e-6)


def test_what_is_missing_for_an_expected_profile_is_said(tmp_path):
    stage, models = opened(tmp_path, calm(6), fluid=None, parts=[])
    assert expected.expectations(stage, models) == ()
    assert expected.table_of(()).empty
    assert expected.panels(()) == []
    assert "supports sampling and does not replace it" in expected.summary(())
    why = expected.why_none(stage)
    assert "[fluid] is missing in study.toml" in why
    assert "[[components]] is missing in study.toml" in why
    mute, fitted = opened(tmp_path / "mute", calm(6), parts=[part(analyte="")])
    assert expected.expectations(mute, fitted) == ()
    assert "no component of study.toml names its analyte" in expected.why_none(mute)


def test_one_container_has_levels_without_intervals(tmp_path):
    stage, models = opened(tmp_path, {"T1": {"upper": [100], "middle": [100], "lower": [101]}},
                           parts=[part(density_kg_m3=970, diameter_um=2)], repeatability={"r": 4.0, "source": "invented"})
    found = expected.expectations(stage, models)
    assert found[0].table["low"].isna().all()
    assert set(found[0].table["expected lies"]) == {""}
    assert "so the measured levels have no interval" in expected.summary(found)
    assert expected_over_measured(expected.panels(found)) is not None


@pytest.mark.parametrize(("days", "classes"), [
    ([10.0, 10.4, 10.9], [0, 0, 0]), ([9.0, 10.0], [0, 0]), ([9.0, 10.01], [0, 1]), ([400.0, 30.0, 31.0], [1, 0, 0]),
    ([5.0], [0]),
    ([1, 2, 4, 8, 16, 32, 64, 128], [0, 0, 0, 1, 2, 3, 4, 5])])
def test_standing_times_are_split_at_their_widest_gaps(days, classes):
    """Ratios of days + 1: 11/10 is no gap, 11.01/10 is one; of seven gaps the five widest (17/9, 9/5 and on) are taken."""
    assert expected.age_classes(pd.Series(days, dtype=float)).tolist() == classes


def test_scatter_within_store_vessel_and_class_is_pooled_by_depth():
    cells = pd.DataFrame({"store": ["a", "a", "a", "b", "b", "a"], "vessel": "v", "class": [0, 0, 0, 0, 0, 1],
                          "depth": ["u"] * 5 + ["l"], "y": [1.0, 2.0, 6.0, 4.0, 8.0, 5.0]})
    found = expected._pooled(cells)
    assert found["u"] == (pytest.approx(math.sqrt((4 + 1 + 9 + 4 + 4) / 3)), 3)  # about 3 and about 6; five cells, two groups
    assert math.isnan(found["l"][0])
    assert found["l"][1] == 0


@pytest.mark.parametrize("log", [True, False])
def test_measured_levels_have_students_interval_and_the_expected_one_its_place(log):
    part = pd.DataFrame({"class": 0, "depth": ["u", "u", "l", "l", "m"], "y": [1.0, 2.0, 4.0, 4.4, 3.0], "log": log,
                         "store": "s", "vessel": "v", "age_days": [10.0, 14.0, 12.0, 12.0, 12.0],
                         "height": [0.8, 0.9, 0.1, 0.1, 0.5],
                         "expected": [1.0, 1.0, 500.0, 500.0, math.nan], "reference": "the mean"})
    spread = {"u": (0.5, 7), "l": (0.1, 7), "m": (0.5, 7)}
    table = expected._table(part, ("u", "m", "l"), spread, "part", "P").set_index("depth")
    shown = math.exp if log else float
    half = stats.t.isf(0.025, 7) * 0.5 / math.sqrt(2)
    row = table.loc["u"]
    assert (row["low"], row["measured"], row["high"]) == pytest.approx(tuple(map(shown, (1.5 - half, 1.5, 1.5 + half))))
    assert (row["age_days"], row["height"], row["containers"]) == (12.0, pytest.approx(0.85), 2)
    assert row["expected lies"] == ("below" if log else "inside")
    assert (table.loc["l", "expected lies"], table.loc["m", "expected lies"]) == ("above", expected.GONE)
    unknown = expected._table(part, ("u", "m", "l"), {**spread, "u": (math.nan, 0)}, "part", "P").set_index("depth")
    assert math.isnan(unknown.loc["u", "low"])
    assert unknown.loc["u", "expected lies"] == ""


def test_standing_is_told_in_days_below_ninety():
    assert (expected._standing(89.9), expected._standing(90.0)) == ("90 days", "3.0 months")
    assert expected._cell({"expected": 64.0, "measured": 63.9, "low": 61.9, "high": 66.0}) == "64.0; 63.9 (61.9 to 66.0)"
    assert expected._cell({"expected": math.nan, "measured": 63.9, "low": math.nan, "high": 66.0}) == "gone; 63.9"


def expectation(name: str, levels: list[float], curve: float = 90.0, **columns: list[float]) -> expected.Expectation:
    table = pd.DataFrame({"component": name, "analyte": name, "store": "hut", "vessel": "drum", "age_days": 100.0,
                          "depth": [f"z{k}" for k in range(len(levels))], "height": 0.5, "containers": 6, "expected": levels,
                          "measured": 101.0, "low": 99.0, "high": 103.0, "reference": "whole container",
                          "expected lies": "inside", **columns})
    curves = pd.DataFrame({"age_days": 100.0, "height": [0.1, 0.9], "percent_of_mixed": [curve, math.nan]})
    return expected.Expectation(component=name, analyte=name, store="hut", vessel="drum", reference="whole container",
                                table=table, curves=curves, called=name)


@pytest.mark.parametrize(("levels", "alone"), [([100.5, 99.2], False), ([101.0, 99.0], False), ([101.1, 100.0], True),
                                               ([98.9, 100.0], True), ([1.0, 1.5], True)])
def test_components_that_stay_mixed_are_not_drawn_beside_others_that_move(levels, alone):
    """Within 1 % of mixed at every level; where none moves, all are drawn; where there is no curve, none."""
    one, moving, gone = expectation("A", levels), expectation("B", [140.0, 60.0]), expectation("C", [9.0, 8.0], curve=math.nan)
    assert [t for t, *_ in expected.panels((one, moving, gone))] == ["A, hut"] * alone + ["B, hut"]
    (title, curves, marks), = expected.panels((one,))
    assert title == "A, hut"
    assert curves["height"].tolist() == [0.1]
    assert marks["percent_of_mixed"].tolist() == [101.0] * len(levels)
    assert expected.panels((gone,)) == []


def test_levels_are_told_expected_before_measured_by_depth_and_age():
    found = expectation("A", [64.04, math.nan], low=[61.9, math.nan], high=[66.04, math.nan], measured=[63.94, 0.5],
                        age_days=[89.0, 91.3], containers=[6, 4])
    shown = expected.shown(expected.table_of((found,)))
    assert shown["standing"].tolist() == ["89 days", "3.0 months"]
    assert shown["containers"].tolist() == [6, 4]
    assert shown.columns[-1] == "mixed is"
    assert set(shown["mixed is"]) == {"whole container"}
    assert shown.loc[0, "z0"] == "64.0; 63.9 (61.9 to 66.0)"
    assert shown.loc[1, "z1"] == "gone; 0.500"
    assert expected.alt((found,)) == ("Expected profiles as lines, measured levels as marks, in per cent of mixed. A, hut, "
                                      "after 3.0 months: z1 expected and measured gone; 0.500.")


def test_scatter_is_pooled_over_classes_depth_by_depth_and_levels_have_students_interval():
    """Two classes of three and two containers: the pooled variance of scipy's t test, one depth without any scatter."""
    y = {0: [4.0, 4.4, 4.5], 1: [5.0, 5.2]}
    rows = [{"store": "hut", "vessel": "drum", "class": c, "depth": d, "y": v if d == "top" else 3.0, "log": False,
             "expected": 4.0 + c, "age_days": 10.0 * (1 + c) + k, "height": 0.9, "reference": "mean of the zones"}
            for c, values in y.items() for k, v in enumerate(values) for d in ("top", "floor")]
    cells = pd.DataFrame(rows)
    spread = expected._pooled(cells)
    pooled = math.sqrt((2 * np.var(y[0], ddof=1) + np.var(y[1], ddof=1)) / 3)
    assert spread["top"] == (pytest.approx(pooled), 3)
    assert spread["floor"] == (0.0, 3)
    table = expected._table(cells, ("top", "floor"), spread, "A", "a")
    assert table["depth"].tolist() == ["top", "floor"] * 2
    assert table["age_days"].tolist() == [11.0, 11.0, 20.5, 20.5]
    first = table.iloc[0]
    half = stats.t.isf(0.025, 3) * pooled / math.sqrt(3)
    assert (first["low"], first["measured"], first["high"]) == pytest.approx((4.3 - half, 4.3, 4.3 + half))
    assert table["expected lies"].tolist() == ["inside", "", "inside", ""]
    assert table["containers"].tolist() == [3, 3, 2, 2]
    log = expected._table(cells.assign(log=True), ("top", "floor"), spread, "A", "a").iloc[0]
    assert (log["low"], log["measured"], log["high"]) == pytest.approx(tuple(np.exp([4.3 - half, 4.3, 4.3 + half])))
    assert log["expected lies"] == "below"
    alone = expected._pooled(cells[cells["age_days"] == 10.0])
    assert alone["top"] == (pytest.approx(math.nan, nan_ok=True), 0)
    one = expected._table(cells[cells["age_days"] == 10.0], ("top", "floor"), alone, "A", "a")
    assert one["low"].isna().all()
    assert one["expected lies"].tolist() == ["", ""]


@pytest.mark.parametrize(("whole", "controls", "word", "level"), [
    ("AB", {"K": "L1", "M": "L2"}, "whole container", {"A": 8.0, "B": 9.0}), ("A", {"K": "L1", "M": "L2"}, "remixed controls",
                                                                              {"A": 50.0, "B": 60.0}),
    ("", {"K": "L1"}, "mean of the zones", {"A": 3.0}), ("", {}, "mean of the zones", {"A": 3.0})])
def test_what_counts_as_mixed_is_the_whole_else_controls_of_every_lot_else_the_zones(monkeypatch, whole, controls, word, level):
    """A of lot L1 has both zones, B of lot L2 one; controls read 50 and 60; what is not there for both counts for none."""
    rows = [(c, "composite", "", 8.0 + (c == "B")) for c in whole]
    rows += [(c, "spot", z, {"L1": 50.0, "L2": 60.0}[lot] + d) for c, lot in controls.items()
             for z, d in (("top", -1), ("floor", 1))]
    cells = pd.DataFrame({"container": ["A", "A", "B"], "depth": ["top", "floor", "top"], "value": [2.0, 4.0, 7.0]})
    results = pd.DataFrame([(f"S{k}", "P", v, "") for k, (*_, v) in enumerate(rows)],
                           columns=["sample", "analyte", "value", "qualifier"])
    samples = pd.DataFrame([(f"S{k}", *r[:3]) for k, r in enumerate(rows)], columns=["sample", "container", "kind", "depth"])
    held = {"A": "L1", "B": "L2"} | controls
    treated = ["stored"] * 2 + ["remixed control"] * len(controls)
    stage = SimpleNamespace(samples=samples, containers=pd.DataFrame(
        {"container": list(held), "lot": list(held.values()), "treatment": treated}))
    monkeypatch.setattr(expected, "usable", lambda _: results.astype({"value": float}))
    model = SimpleNamespace(analyte="P", rows=SimpleNamespace(depths=("top", "floor")))
    assert expected._references(stage, model, cells) == (level, word)  # type: ignore[arg-type]
