"""Bounds on particle size from a study's intervals: both references, light matter, what is missing."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.model import tables as model_tables
from studykit.study.definition import parse_study
from studykit.verdict import particles as particlebounds
from studykit.verdict import tables as verdict_tables
from tests.verdict_cases import calm, make

FLUID = {"density_kg_m3": 895, "viscosity_mm2_s_at_40c": 32, "viscosity_mm2_s_at_100c": 5.4,
         "temperature_difference_k": 2}


def part(**changes):
    return {"name": "grit", "analyte": "P", "density_kg_m3": 2500, "diameter_um": 3,
            "volume_fraction": 0.002} | changes


def opened(tmp_path, cells, *, fluid=FLUID, parts=None, **changes):
    """A stage of an invented study with a fluid and components, and its models."""
    import dataclasses

    stage = make(tmp_path / "s", cells, **changes)
    data = stage.study.model_dump(exclude_none=True)
    data["fluid"], data["components"] = fluid, [part()] if parts is None else parts
    if fluid is None:
        del data["fluid"]
    stage = dataclasses.replace(stage, tables=dataclasses.replace(stage.tables, study=parse_study(data)))
    return stage, model_tables.fit_all(stage)


def with_composites(n=6):
    cells = calm(n)
    for k, c in enumerate(list(cells)):
        cells[c] = cells[c] | {"composite": [100.0 + 0.3 * (k % 3)]}
    return cells


def test_bounds_against_the_zones_are_the_departures_simultaneous_limits(tmp_path):
    stage, models = opened(tmp_path, calm(6))
    (bound,) = particlebounds.bounds(stage, models)
    spans = models[0].departures.simultaneous()
    assert bound.reference == "zones"
    assert bound.top_depletion_percent == pytest.approx(max(0.0, -100 * math.expm1(spans[0].low)))
    assert bound.bottom_excess_percent == pytest.approx(max(0.0, 100 * math.expm1(spans[-1].high)))


@pytest.mark.slow
def test_an_absolute_margin_gives_per_cent_of_the_mean(tmp_path):
    stage, models = opened(tmp_path, calm(6), margin={"absolute": 5})
    (bound,) = particlebounds.bounds(stage, models)
    spans, mean = models[0].departures.simultaneous(), float(np.mean(models[0].mean_values))
    assert bound.top_depletion_percent == pytest.approx(-100 * spans[0].low / mean)
    relative = particlebounds.bounds(*opened(tmp_path / "relative", calm(6)))[0]
    assert bound.top_depletion_percent == pytest.approx(relative.top_depletion_percent, rel=0.02)


@pytest.mark.slow
def test_whole_container_samples_give_a_second_bound(tmp_path):
    cells = with_composites()
    stage, models = opened(tmp_path, cells)
    whole, zones = particlebounds.bounds(stage, models)
    assert (whole.reference, zones.reference) == ("whole", "zones")
    logs = np.log([v["upper"][0] / v["composite"][0] for v in cells.values()])
    half = stats.t.ppf(0.975, 5) * logs.std(ddof=1) / math.sqrt(6)
    assert whole.top_depletion_percent == pytest.approx(-100 * math.expm1(logs.mean() - half))
    logs = np.log([v["lower"][0] / v["composite"][0] for v in cells.values()])
    half = stats.t.ppf(0.975, 5) * logs.std(ddof=1) / math.sqrt(6)
    assert whole.bottom_excess_percent == pytest.approx(100 * math.expm1(logs.mean() + half))
    spans = particlebounds._against_whole(stage, models[0])
    assert spans is not None
    assert [span.level for span in spans] == pytest.approx([0.95, 0.95])  # as the t quantile above
    found = particlebounds.ruled_out(stage, models)
    assert found[0].blind_from_m is None
    assert found[0].share_above(3e-5) < 0.03
    assert found[1].blind_from_m is not None
    assert found[1].share_above(9e-5) == 1.0
    drawn = particlebounds.to_draw(found)
    assert [r.bound.reference for r in drawn] == ["whole"]
    figure = particlebounds.figure(stage.study, found)
    assert len(figure.axes) == 2
    assert figure.axes[0].lines[0].get_ydata() == pytest.approx(100 * found[0].above)
    assert "P: at most" in particlebounds.alt(stage.study, found)
    assert particlebounds.figure(stage.study, ()) is None
    assert set(particlebounds.curves(found)["compared"]) == {"the whole container", "the mean of the zones"}
    table = particlebounds.table_of(found, verdict_tables.judge_all(stage, models))
    assert len(table) == 2 * len(particlebounds.LADDER_UM)
    shown = particlebounds.shown(table)
    assert list(shown["compared with"]) == ["the whole container", "the mean of the zones"]
    assert list(shown["verdict"]) == ["homogeneous"] * 2


@pytest.mark.parametrize("n", [2, 5])
def test_top_and_bottom_against_the_whole_of_their_own_container_by_hand(tmp_path, n):
    """Student's t interval of the logarithms of each end over its container's whole; two containers are enough."""
    cells = with_composites()
    for c in list(cells)[n:]:
        del cells[c]["composite"]
    stage, models = opened(tmp_path, cells)
    spans = particlebounds._against_whole(stage, models[0])
    assert spans is not None
    for span, end in zip(spans, ("upper", "lower"), strict=True):
        logs = np.log([cells[c][end][0] / cells[c]["composite"][0] for c in list(cells)[:n]])
        half = stats.t.ppf(0.975, n - 1) * logs.std(ddof=1) / math.sqrt(n)
        assert (span.low, span.high, span.level) == pytest.approx(
            (100 * math.expm1(logs.mean() - half), 100 * math.expm1(logs.mean() + half), 0.95))


def test_one_whole_sample_is_no_scatter(tmp_path):
    cells = calm(6)
    cells["C0"] = cells["C0"] | {"composite": [100.0]}
    assert [b.reference for b in particlebounds.bounds(*opened(tmp_path, cells))] == ["zones"]


def test_for_light_matter_the_poor_end_is_the_bottom(tmp_path):
    cells = calm(6, lower=-3.0)
    sinks = particlebounds.bounds(*opened(tmp_path, cells))[0]
    rises = particlebounds.bounds(*opened(tmp_path / "light", cells, parts=[part(density_kg_m3=700)]))[0]
    assert rises.top_depletion_percent > 2
    assert sinks.top_depletion_percent == 0
    assert rises.bottom_excess_percent > 0.5
    stage, models = opened(tmp_path / "again", cells, parts=[part(density_kg_m3=700)])
    assert particlebounds.ruled_out(stage, models)[0].rises


def test_a_stratified_analyte_is_bounded_too(tmp_path):
    stage, models = opened(tmp_path, calm(6, lower=40.0))
    found = particlebounds.ruled_out(stage, models)
    ladder = particlebounds.table_of(found, verdict_tables.judge_all(stage, models))
    assert [bool(x) for x in ladder.iloc[:, -1]] == [True] + [False] * (len(particlebounds.LADDER_UM) - 1)  # one sentence
    table = particlebounds.shown(ladder)
    assert table["verdict"].tolist() == ["stratified"]


def test_what_is_missing_is_said(tmp_path):
    stage, models = opened(tmp_path, calm(6), fluid=None)
    assert particlebounds.ruled_out(stage, models) == ()
    assert "[fluid] is missing in study.toml" in particlebounds.told(stage, (), models)
    bare, fitted = opened(tmp_path / "bare", calm(6), parts=[])
    assert particlebounds.ruled_out(bare, fitted) == ()
    assert "no entry of [[components]] gives a density for them: P." in particlebounds.told(bare, (), fitted)
    alone, one = opened(tmp_path / "alone", {"T1": {"upper": [100], "middle": [100], "lower": [101]}},
                        repeatability={"r": 4.0, "source": "invented"})
    assert "no depths could be compared over several containers: P." in particlebounds.told(alone, (), one)
    without, single = opened(tmp_path / "both", {"T1": {"upper": [100], "middle": [100], "lower": [101]}}, parts=[],
                             repeatability={"r": 4.0, "source": "invented"})
    assert "[[components]]" not in particlebounds.told(without, (), single)  # one reason is enough
    empty = particlebounds.table_of((), verdict_tables.judge_all(alone, one))
    assert particlebounds.shown(empty).empty


def test_a_whole_container_without_any_has_no_ratio(tmp_path):
    """A share of nothing is not known: one whole sample that reads 0 leaves the bound against the zones alone."""
    cells = with_composites()
    cells["C2"]["composite"] = [0.0]
    stage, models = opened(tmp_path, cells, margin={"absolute": 5})
    assert [b.reference for b in particlebounds.bounds(stage, models)] == ["zones"]


def test_nothing_is_known_to_rise_where_the_store_has_no_viscosity(monkeypatch):
    """[fluid] with one viscosity gives no liquid; without [fluid] there is none either; with one, what is lighter rises."""
    parts = [SimpleNamespace(analyte="P", density_kg_m3=800.0), SimpleNamespace(analyte="Si", density_kg_m3=900.0),
             SimpleNamespace(analyte="", density_kg_m3=1.0)]
    fluid = SimpleNamespace(storage_temperature_c=20.0)
    liquid = SimpleNamespace(density=lambda t: 900.0 if t == 20.0 else 0.0)
    for held, declared, rises in ((None, fluid, set()), (liquid, None, set()), (None, None, set()), (liquid, fluid, {"P"})):
        monkeypatch.setattr(particlebounds, "liquid_in", lambda study, held=held: held)
        stage = SimpleNamespace(study=SimpleNamespace(fluid=declared, components=parts))
        assert particlebounds._rising(stage) == rises


def test_bounds_against_the_whole_rest_on_the_containers_that_have_one(monkeypatch):
    """Of A and B a whole is known, C has zones alone: each bound is worked out over the containers behind it."""
    rows = SimpleNamespace(measured=pd.DataFrame({"container": ["A", "B", "C", "C"]}))
    stage = SimpleNamespace(study=SimpleNamespace(components=[SimpleNamespace(analyte="P")]),
                            containers=pd.DataFrame({"container": ["A", "B", "C", "D"]}))
    made = [SimpleNamespace(analyte="P", reference=r) for r in ("whole", "zones")]
    monkeypatch.setattr(particlebounds, "liquid_in", lambda _: 1)
    monkeypatch.setattr(particlebounds, "bounds", lambda *_: made)
    monkeypatch.setattr(particlebounds, "_with_whole", lambda *_: (pd.DataFrame(index=["A", "B"]), None))
    monkeypatch.setattr(particlebounds, "what_is_ruled_out", lambda _, own, b: [(b[0].reference, [*own["container"]])])
    found = particlebounds.ruled_out(stage, [SimpleNamespace(analyte="P", rows=rows)])
    assert found == (("whole", ["A", "B"]), ("zones", ["A", "B", "C"]))


def test_no_bound_where_one_end_does_not_scatter(monkeypatch):
    """Ends alike in all containers have no interval; scatter of both has t limits."""
    wholes = pd.Series([10.0, 10.0, 10.0], index=[*"ABC"])
    model = SimpleNamespace(alpha=0.05)
    for top, bottom, there in (([9.0, 8.0, 9.5], [11.0, 12.0, 11.5], True), ([9.0, 9.0, 9.0], [11.0, 12.0, 11.5], False),
                               ([9.0, 8.0, 9.5], [11.0, 11.0, 11.0], False), ([9.0, 9.0, 9.0], [9.0, 9.0, 9.0], False),
                               ([9.0, 8.0, 9.5], [9.0, 8.0, 9.5], True), ([0.0, 8.0, 9.5], [11.0, 12.0, 11.5], False)):
        ends = pd.DataFrame({"upper": top, "lower": bottom}, index=[*"ABC"])
        monkeypatch.setattr(particlebounds, "_with_whole", lambda *_, e=ends: (e, wholes))
        found = particlebounds._against_whole(None, model)
        assert (found is not None) == there
        if found is not None:
            for span, v in zip(found, (top, bottom), strict=True):
                logs = np.log(np.array(v) / 10)
                wanted = 100 * np.expm1(stats.t.interval(0.95, 2, logs.mean(), stats.sem(logs)))
                assert (span.low, span.high) == pytest.approx(tuple(wanted))
