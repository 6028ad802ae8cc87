"""Vessels of two shapes and sizes in one study: heights and volumes of their own, the same depths, and what is refused."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import studykit as sk
from studykit.core.errors import BadInput
from studykit.physics.inputs import drawn_zones
from studykit.sampling.draws import plan_draws
from studykit.study.definition import parse_study
from studykit.study.tables import check_tables
from tests.studies import HEAD, definition, write_study

VESSELS = {"drum": {"shape": "upright_cylinder", "diameter_mm": 380, "height_mm": 600},
           "tote": {"shape": "horizontal_cylinder", "diameter_mm": 1000, "length_mm": 1400}}
PLACES = [{"label": "upper", "height": 0.9}, {"label": "middle", "height": 0.5}, {"label": "lower", "height": 0.08}]
HEIGHTS = {"drum": {"upper": 0.83, "middle": 0.5, "lower": 0.17}, "tote": {"upper": 0.9, "middle": 0.5, "lower": 0.08}}


def two_vessels(**more):
    return definition(vessels=VESSELS, sampling={"vessel_zones": {"tote": PLACES}, **more})


def folder(root, *, lacking=(), values=None):
    """Four drums and four totes; ``lacking``: depths that no drum is drawn at; ``values``: container and depth to a result."""
    names = [f"D{i}" for i in range(4)] + [f"T{i}" for i in range(4)]
    containers = "container,lot,store,vessel,liquid_height_mm,filled_on,sampled_on,treatment\n" + "".join(
        f"{c},L1,north,{'drum' if c[0] == 'D' else 'tote'},{500 if c[0] == 'D' else 900},2025-01-10,2026-01-10,stored\n"
        for c in names)
    rows = [(c, d) for c in names for d in ("upper", "middle", "lower") if c[0] == "T" or d not in lacking]
    samples = "sample,container,kind,depth,height\n" + "".join(
        f"{c}{d[0]},{c},spot,{d},{HEIGHTS['drum' if c[0] == 'D' else 'tote'][d]}\n" for c, d in rows)
    results = None if values is None else HEAD + "".join(
        f"{c}{d[0]},P,{values[c, d]},mg/kg,,,1,R1,lab.csv,{i + 2}\n" for i, (c, d) in enumerate(rows))
    return write_study(root, study=two_vessels(), containers=containers, samples=samples, results_text=results)


def segment(fraction: float) -> float:
    """Share of a circle of diameter 1 below a height: r^2 (t - sin t cos t), from the geometry of a segment."""
    t = math.acos(1 - 2 * fraction)
    return (t - math.sin(t) * math.cos(t)) / math.pi


def test_each_vessel_has_its_own_tips_and_volumes():
    study = parse_study(two_vessels())
    drum, tote = (plan_draws(study.vessels[v], level, study.factors.depths, study.sampling, vessel_name=v)
                  for v, level in (("drum", 500.0), ("tote", 1000.0)))
    assert [round(z.tip_mm, 6) for z in drum.zones] == [round(500 * f, 6) for f in (5 / 6, 1 / 2, 1 / 6)]
    assert [z.tip_mm for z in tote.zones] == [900, 500, 80]
    # bounds half-way between the tips: 0.7 and 0.29 of the height of a lying cylinder that is full
    shares = [1 - segment(0.7), segment(0.7) - segment(0.29), segment(0.29)]
    assert [z.share for z in tote.zones] == pytest.approx(shares, rel=1e-6)
    assert sum(z.volume_l for z in tote.zones) == pytest.approx(math.pi * 5**2 * 14, rel=1e-6)
    assert [z.share for z in drum.zones] == pytest.approx([1 / 3] * 3)
    assert drawn_zones(study, "tote", 1000.0)[0].low > 0.8  # the settling estimate draws there too


@pytest.mark.parametrize(("places", "words"), [
    ({"drum2": PLACES}, "names vessels that are not under [vessels]: drum2"),
    ({"tote": [*PLACES, {"label": "bottom", "height": 0.01}]}, "lists upper, middle, lower, bottom, but the depths"),
    ({"tote": PLACES[:2]}, "all vessels have the same depths, at heights of their own"),
    ({"tote": []}, "lists nothing, but the depths"),
    ({"tote": PLACES[::-1]}, "list them from the surface down")])
def test_places_of_a_vessel_are_checked(places, words):
    with pytest.raises(BadInput, match=re.escape(words)):
        parse_study(definition(vessels=VESSELS, sampling={"vessel_zones": places}))


def test_a_vessel_without_one_of_the_depths_is_refused_before_anything_is_drawn(tmp_path):
    tables, faults = check_tables(folder(tmp_path / "a", lacking=("lower",)), with_results=False)
    assert tables is None
    (fault,) = faults
    assert (fault.file, fault.value) == ("plan/samples.csv", "lower")
    assert "no container of vessel drum is drawn there" in fault.reason
    assert "vessel_zones" in fault.remedy
    assert "two studies" in fault.remedy
    assert check_tables(folder(tmp_path / "b"), with_results=False)[1] == []


def test_heights_must_fall_in_each_vessel(tmp_path):
    root = folder(tmp_path / "a")
    path = root / "plan/samples.csv"
    path.write_text(path.read_text().replace("D0u,D0,spot,upper,0.83", "D0u,D0,spot,upper,0.1").replace(
        "upper,0.83", "upper,0.2"))  # the mean over drums and totes still falls
    _, faults = check_tables(root, with_results=False)
    assert any("in vessel drum" in f.reason for f in faults)


def made(seed: int) -> dict[tuple[str, str], float]:
    rng = np.random.default_rng(seed)
    return {(f"{v}{i}", d): round(float(100 + 5 * i + 2 * k + rng.normal(0, 0.5)), 3) for v in "DT" for i in range(4)
            for k, d in enumerate(("upper", "middle", "lower"))}


def test_the_model_compares_depths_of_one_name_over_all_vessels(tmp_path):
    """Heights of their own change no difference: scipy's t over the eight containers' differences."""
    values = made(1)
    model = sk.open(folder(tmp_path / "a", values=values)).model("P")
    names = [f"{v}{i}" for v in "DT" for i in range(4)]
    d = np.array([math.log(values[c, "lower"] / values[c, "upper"]) for c in names])
    row = model.contrasts().set_index("contrast").loc["lower - upper"]
    span = stats.ttest_1samp(d, 0.0).confidence_interval(0.9)
    assert row[["low", "high"]].to_numpy(float) == pytest.approx(100 * np.expm1([span.low, span.high]))


def test_what_was_drawn_at_unlike_depths_is_judged_by_those_it_shares(tmp_path):
    values = made(2)
    model = sk.open(folder(tmp_path / "a", lacking=("lower",), values=values)).model("P")
    names = [f"{v}{i}" for v in "DT" for i in range(4)]
    d = np.array([math.log(values[c, "middle"] / values[c, "upper"]) for c in names])
    table = model.contrasts().set_index("contrast")
    assert table.loc["middle - upper", "estimate"] == pytest.approx(100 * math.expm1(d.mean()))
    totes = np.array([math.log(values[c, "lower"] / values[c, "upper"]) for c in names[4:]])
    assert table.loc["lower - upper", "low"] < 100 * math.expm1(totes.mean()) < table.loc["lower - upper", "high"]
    assert isinstance(model.means(), pd.DataFrame)
