"""Heel, loss to the floor, weighted wholes: by hand, and on the forge demo where plain and mass-weighted means part."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import studykit.notebook.stage as kit
from studykit.demos.shipped import copy_demo
from studykit.inference.margin import Margin
from studykit.intake.take import run_intake
from studykit.model import fit as model_fit
from studykit.model import tables as model_tables
from studykit.quality.massbalance import zone_shares
from studykit.study import definition
from studykit.study.tables import load_tables
from studykit.verdict import estimands
from tests.verdict_cases import calm, make


@pytest.fixture(scope="module")
def forge(tmp_path_factory):
    root = tmp_path_factory.mktemp("estimands") / "forge"
    copy_demo("forge", root)
    early = load_tables(root, with_results=False)
    run_intake(root, early.study, early.samples)
    stage = kit.open_stage("06-verdict", str(root), str(root / "report"))
    return stage, model_fit.fit_analyte(stage.study, "Solids", stage.containers, stage.samples, stage.results)


def test_forge_is_weighted_by_mass(forge):
    stage, model = forge
    zones = estimands.zones_of(stage.study, model, stage.containers, stage.samples)
    assert {z.weighted_by for z in zones} == {"mass (volume of the vessel)"}
    c = stage.containers.set_index("container")
    old = [z for z in zones if c.loc[z.container, "age_days"] == "90" or c.loc[z.container, "age_days"] == 90]
    assert len(old) == 4  # the tumbled keg is a control and stays out
    # one keg was drawn across the edge of its cake (31 where the others hold 37 %) and one is less layered by nature
    layered = [z for z in old if z.values[-1] > 36]
    assert len(layered) >= 2
    plain = np.mean([z.values.mean() for z in layered])
    mass = np.mean([z.mean for z in layered])
    # truth.json, by_age_days 90: plain mean 21.28, mass-weighted 21.96; s_r 0.08, kegs 0.1 and oven drift 0.3 per run
    assert plain == pytest.approx(21.3, abs=0.3)
    assert mass == pytest.approx(22.0, abs=0.3)
    assert mass - plain == pytest.approx(21.96 - 21.28, abs=0.08)


def test_forge_weights_by_hand(forge):
    stage, model = forge
    zone = estimands.zones_of(stage.study, model, stage.containers, stage.samples)[0]
    mine = stage.samples[(stage.samples["container"] == zone.container) & (stage.samples["kind"] == "spot")]
    density = mine.set_index("depth")["density_kg_m3"].astype(float).reindex(list(zone.depths))
    # an upright cylinder with zones at 0.1 to 0.9 of the height: five equal volumes, so mass goes by density alone
    assert zone.weights == pytest.approx((density / density.sum()).to_numpy(), rel=1e-9)
    assert zone.mean == pytest.approx(float(density.to_numpy() @ zone.values / density.sum()), rel=1e-9)


def cells_with(extra: dict[str, list[float]], kind: str):
    out = calm(4)
    for code, values in extra.items():
        out[code][kind] = values
    return out


def opened(tmp_path, cells, **changes):
    stage = make(tmp_path / "s", cells, **changes)
    return stage, model_tables.fit_all(stage)


def by_hand(first: np.ndarray, second: np.ndarray) -> tuple[float, float, float]:
    """Mean log ratio with a 90 % t interval, as per cent."""
    d = np.log(first / second)
    half = stats.t.ppf(0.95, len(d) - 1) * d.std(ddof=1) / math.sqrt(len(d))
    return tuple(100 * math.expm1(v) for v in (d.mean(), d.mean() - half, d.mean() + half))


def zone_means(cells) -> np.ndarray:
    return np.array([np.mean([cells[c][d][0] for d in ("upper", "middle", "lower")]) for c in cells])


def test_heel_excess_by_hand(tmp_path):
    heel = {"C0": [112.0], "C1": [108.0], "C2": [110.0], "C3": [115.0]}
    cells = cells_with(heel, "heel")
    stage, models = opened(tmp_path, cells)
    table = estimands.whole(stage, models)
    row = table.set_index("what").loc["heel against the zones"]
    expected = by_hand(np.array([v[0] for v in heel.values()]), zone_means(cells))
    # heights 0.83, 0.5, 0.17 in a cylinder: layers 0.335, 0.33, 0.335 of the volume, nearly the plain mean
    assert (row["estimate"], row["low"], row["high"]) == pytest.approx(expected, abs=0.02)
    assert (row["containers"], row["weighted by"], row["interval lies"]) == (4, "volume of the vessel", "beyond the margin")


def test_loss_to_the_floor_by_hand(tmp_path):
    whole = {"C0": [104.0], "C1": [103.0], "C2": [105.0], "C3": [104.5]}
    cells = cells_with(whole, "composite")
    stage, models = opened(tmp_path, cells)
    row = estimands.whole(stage, models).set_index("what").loc["zones against the whole container"]
    expected = by_hand(zone_means(cells), np.array([v[0] for v in whole.values()]))
    assert row["estimate"] < 0  # what the zones lack lies on the floor
    assert (row["estimate"], row["low"], row["high"]) == pytest.approx(expected, abs=0.02)
    assert estimands.has_whole(stage.samples)


def test_an_absolute_margin_gives_a_difference(tmp_path):
    cells = cells_with({"C0": [112.0], "C1": [108.0], "C2": [110.0], "C3": [115.0]}, "heel")
    stage, models = opened(tmp_path, cells, margin={"absolute": 30})
    row = estimands.whole(stage, models).iloc[0]
    gaps = np.array([112.0, 108.0, 110.0, 115.0]) - zone_means(cells)
    assert row["estimate"] == pytest.approx(gaps.mean(), abs=0.02)
    assert (row["unit"], row["interval lies"]) == ("mg/kg", "inside the margin")


def test_too_little_is_said(tmp_path):
    stage, models = opened(tmp_path, cells_with({"C0": [112.0]}, "heel"))
    row = estimands.whole(stage, models).iloc[0]
    assert row["interval lies"] == "fewer than two containers"
    assert math.isnan(row["estimate"])
    none, fitted = opened(tmp_path / "none", calm(4))
    assert estimands.whole(none, fitted).empty
    assert not estimands.has_whole(none.samples)


def test_a_frustum_is_weighted_by_its_volumes(tmp_path):
    stage, models = opened(tmp_path, calm(4))
    shape = {"shape": "frustum", "bottom_diameter_mm": 200, "top_diameter_mm": 400, "height_mm": 600}
    study = definition.parse_study({**stage.study.model_dump(exclude_none=True), "vessels": {"drum": shape}})
    zones = estimands.zones_of(study, models[0], stage.containers, stage.samples)

    def volume(h: float) -> float:  # cone frustum from the floor: pi/3 h (r1^2 + r1 r2 + r2^2)
        r = 100 + 100 * h / 600
        return math.pi / 3 * h * (100**2 + 100 * r + r**2)

    edges = [500.0, 500 * 0.665, 500 * 0.335, 0.0]
    parts = np.array([volume(a) - volume(b) for a, b in itertools.pairwise(edges)])
    assert zones[0].weights == pytest.approx(parts / parts.sum(), rel=1e-9)


def test_without_a_filling_height_layers_count_by_their_height(tmp_path):
    stage, models = opened(tmp_path, calm(4))
    containers = stage.containers.assign(liquid_height_mm=np.nan)
    zones = estimands.zones_of(stage.study, models[0], containers, stage.samples)
    assert zones[0].weights == pytest.approx([0.335, 0.33, 0.335])
    assert zones[0].weighted_by == "height; the level is not known"


def test_one_weighting_for_the_balance_and_the_departures(tmp_path):
    # heights 0.95 to 0.03: cuts half-way between neighbours, the outermost reach surface and floor
    study = make(tmp_path / "s", calm(4)).study
    shares, _ = zone_shares(study, {}, [0.95, 0.83, 0.5, 0.17, 0.03])
    assert shares == pytest.approx([0.11, 0.225, 0.33, 0.235, 0.1])


def test_the_largest_departure_is_that_of_the_richest_zone(tmp_path):
    stage, models = opened(tmp_path, calm(5, lower=12.0))
    row = estimands.departures(stage, models).iloc[0]
    values = models[0].rows.measured.pivot(index="container", columns="depth", values="value")
    whole = values.to_numpy() @ np.array([0.335, 0.33, 0.335])
    own = np.log(values["lower"].to_numpy() / whole)
    assert row["zone"] == "lower"
    assert row["departure"] == pytest.approx(100 * math.expm1(own.mean()), rel=1e-9)
    # one number a container, then Student's t over the five
    half = stats.t.isf(0.05, 4) * own.std(ddof=1) / math.sqrt(5)
    ends = [100 * math.expm1(own.mean() + k * half) for k in (-1, 1)]
    assert (row["low"], row["high"]) == pytest.approx(tuple(ends))


def test_containers_that_miss_a_zone_are_left_out(tmp_path):
    cells = calm(4)
    del cells["C2"]["middle"]
    stage, models = opened(tmp_path, cells)
    zones = estimands.zones_of(stage.study, models[0], stage.containers, stage.samples)
    assert [z.container for z in zones] == ["C0", "C1", "C3"]
    assert isinstance(estimands.whole(stage, models), pd.DataFrame)


def test_zones_of_one_container_stand_by_how_far_they_depart_whatever_the_sign(tmp_path):
    """100, 103 and 107 are weighted to 103.35: lower +3.65, upper -3.35, middle -0.35."""
    own = {"repeatability": {"r": 1.0, "source": "a test"}, "margin": {"absolute": 20}}
    stage, models = opened(tmp_path, {"T1": {"upper": [100.0], "middle": [103.0], "lower": [107.0]}}, **own)
    table = estimands.departures(stage, models)
    assert table["zone"].tolist() == ["lower", "upper", "middle"]
    assert table["departure"].to_numpy() == pytest.approx([3.65, -3.35, -0.35], abs=0.02)
    shares = np.array([0.335, 0.33, 0.335])  # upper, middle, lower; each zone less the weighted mean of all, by the normal
    scatter = [1 / (1.96 * math.sqrt(2)) * math.sqrt(((np.eye(3)[k] - shares) ** 2).sum()) for k in (2, 0, 1)]
    for end, sign in (("low", -1), ("high", 1)):
        half = stats.norm.isf(0.05) * np.array(scatter)
        assert table[end].to_numpy() == pytest.approx(table["departure"] + sign * half, rel=1e-2)


def test_a_zone_without_any_counts(tmp_path):
    """None of it in one upper zone: an absolute margin asks for differences, and zones without any have those."""
    cells = calm(5)
    cells["C2"]["upper"] = [0.0]
    stage, models = opened(tmp_path, cells, margin={"absolute": 20})
    row = estimands.departures(stage, models).set_index("zone").loc["upper"]
    zones = estimands.zones_of(stage.study, models[0], stage.containers, stage.samples)
    assert [z.container for z in zones] == [f"C{k}" for k in range(5)]
    assert row["weighted mean"] == pytest.approx(np.mean([float(z.values @ z.weights) for z in zones]))
    assert row["plain mean"] == pytest.approx(np.mean([z.values.mean() for z in zones]))


def test_weights_are_told_once_and_in_one_order():
    """A report is compared with its second run byte by byte, and a set has another order in every process."""
    words = list("hgfedcbahgfedcba")
    assert estimands._weights_told(words) == "a, b, c, d, e, f, g, h"


def test_limits_are_counted_of_the_analyte_itself_by_container():
    """A: the heel is a limit; B: a zone is; C: numbers alone, and limits of another analyte; D is no stored container."""
    samples = pd.DataFrame({"sample": list("abcd"), "container": list("ABCD"), "kind": "heel"})
    results = pd.DataFrame({"sample": list("abcd") + list("abc"), "analyte": ["M"] * 4 + ["Z", "A", "Z"],
                            "qualifier": ["<", "", "", "<", "<", "<", "<"]})
    table = pd.DataFrame({"container": list("ABC"), "qualifier": ["", ">", ""]})
    model = SimpleNamespace(analyte="M", rows=SimpleNamespace(table=table))
    assert estimands._limits(model, results, samples, ("heel",), {"A", "B", "C"}) == 2
    assert estimands._limits(model, results, samples, ("composite",), {"A", "B", "C"}) == 0
    assert estimands._limits(model, results, samples, ("heel",), {"C", "D"}) == 1


@pytest.mark.parametrize("alpha", [0.05, 0.1])
@pytest.mark.parametrize("margin", [Margin.relative(30), Margin.absolute(0.3, "mg/kg")], ids=["log", "raw"])
def test_a_mean_of_one_amount_against_another_is_students(margin, alpha):
    """scipy's one-sample t over the containers; on logs nothing, and less than nothing, has no ratio and does not count."""
    model = SimpleNamespace(analyte="P", alpha=alpha, shown_unit="%" if margin.log else "mg/kg",
                            rows=SimpleNamespace(margin=SimpleNamespace(both=margin)))
    pairs = [("A", 0.5, 0.4), ("B", 0.9, 0.5), ("C", 0.0, 0.3), ("D", 0.3, 0.0), ("E", 2.0, 1.5), ("F", -0.1, 0.2)]
    kept = [(a, b) for _, a, b in pairs if not margin.log or (a > 0 and b > 0)]
    d = np.array([math.log(a / b) if margin.log else a - b for a, b in kept])
    row = estimands._against(model, pairs, "one against another", "equal shares")  # type: ignore[arg-type]
    span = stats.ttest_1samp(d, 0).confidence_interval(1 - 2 * alpha)
    want = [100 * math.expm1(x) if margin.log else x for x in (d.mean(), span.low, span.high)]
    assert [row["estimate"], row["low"], row["high"]] == pytest.approx(want)
    assert (row["containers"], row["unit"], row["margin"]) == (len(kept), model.shown_unit, margin.text)
    assert (row["analyte"], row["what"], row["weighted by"]) == ("P", "one against another", "equal shares")
    inside = margin.low < span.low and span.high < margin.high
    assert row["interval lies"] == ("inside the margin" if inside else "across its edge")
    one = estimands._against(model, pairs[2:5], "x", "") if margin.log else estimands._against(model, pairs[:1], "x", "")  # type: ignore[arg-type]
    assert (one["containers"], one["interval lies"], "low" in one) == (1, "fewer than two containers", False)
    alike = estimands._against(model, [("A", 2.0, 1.0), ("B", 2.0, 1.0)], "x", "")  # type: ignore[arg-type]
    assert (alike["containers"], alike["interval lies"]) == (2, "no scatter between containers")


@pytest.mark.parametrize("log", [False, True])
def test_first_against_second_lies_where_the_t_interval_of_its_containers_does(log):
    """By scipy over small scenes, of a margin of 1 mg/kg or 20 %: 90 % limits, on logs of those above zero alone."""
    rng, seen = np.random.default_rng(43), set()
    margin = Margin.relative(20) if log else Margin.absolute(1.0, "mg/kg")
    model = SimpleNamespace(analyte="P", alpha=0.05, shown_unit="%" if log else "mg/kg", rows=SimpleNamespace(margin=margin))
    for _ in range(24):
        n, off = int(rng.integers(2, 6)), float(rng.choice([0.0, 0.4, 1.0, 2.0]))
        pairs = [(f"C{k}", 5 + off + x, 5 + y) for k, (x, y) in enumerate(0.3 * rng.standard_normal((n, 2)))]
        more = [("Z", 0.0, 5.0)] * log
        row = estimands._against(model, [*pairs, *more], "first", "words")
        d = np.array([math.log(a / b) if log else a - b for _, a, b in pairs])
        low, high = stats.t.interval(0.9, n - 1, d.mean(), stats.sem(d))
        edge = math.log(1.2) if log else 1.0
        where = ("inside the margin" if -edge < low and high < edge else
                 "beyond the margin" if low > edge or high < -edge else "across its edge")
        assert (row["containers"], row["interval lies"]) == (n, where)
        told = [100 * math.expm1(x) if log else x for x in (d.mean(), low, high)]
        assert [row["estimate"], row["low"], row["high"]] == pytest.approx(told)
        seen.add(where)
    assert len(seen) == 3
    assert estimands._against(model, pairs[:1], "first", "words")["interval lies"] == "fewer than two containers"
    same = [("A", 6.0, 5.0), ("B", 6.0, 5.0)]
    assert estimands._against(model, same, "first", "words")["interval lies"] == "no scatter between containers"


def test_zones_depart_from_the_mean_by_t_limits_and_small_readings_count(monkeypatch):
    """Readings of tenths on logs count; a container with a zero does not, nor a zone that departs alike in all."""
    monkeypatch.setattr(estimands, "FittedModel", SimpleNamespace)
    values = [np.array(v) for v in ([0.2, 0.3, 0.4], [0.1, 0.4, 0.3], [0.3, 0.2, 0.6], [0.0, 0.5, 0.5])]
    equal = np.full(3, 1 / 3)
    zones = [estimands.Zones(container=f"C{k}", depths=("a", "b", "c"), values=v, weights=equal, weighted_by="litres")
             for k, v in enumerate(values)]
    monkeypatch.setattr(estimands, "zones_of", lambda *_: zones)
    stage = SimpleNamespace(study=None, containers=None, samples=None)
    for margin, used in ((Margin.relative(20), values[:3]), (Margin.absolute(1.0), values)):
        rows = SimpleNamespace(margin=margin, depths=("a", "b", "c"), unit="g")
        table = estimands.departures(stage, [SimpleNamespace(analyte="P", alpha=0.05, rows=rows)]).set_index("zone")
        for k, zone in enumerate("abc"):
            d = np.array([math.log(v[k] / v.mean()) if margin.log else v[k] - v.mean() for v in used])
            low, high = stats.t.interval(0.9, len(d) - 1, d.mean(), stats.sem(d))
            told = [100 * math.expm1(x) if margin.log else x for x in (d.mean(), low, high)]
            assert table.loc[zone, ["departure", "low", "high"]].tolist() == pytest.approx(told)
        assert table["plain mean"].tolist() == pytest.approx([np.mean([v.mean() for v in used])] * 3)
        assert table["departure"].abs().is_monotonic_decreasing
