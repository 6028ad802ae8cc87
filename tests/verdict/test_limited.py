"""Containers that limits alone put beyond the margin, on every road: mostly limits, all of a zone, few numbers, floors, one.

Each of these said "no single container is shown to lie beyond", or "not assessed", before.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.inference.judge import judge
from studykit.model import tables as model_tables
from studykit.model.analyte import LimitedModel
from studykit.model.fit import FittedModel, fit_rows
from studykit.report import leftout
from studykit.report.firstpage import word_of
from studykit.verdict import below, containers, floors, uses
from studykit.verdict.rule import ComparedVerdict
from studykit.verdict.rule import judge as judge_models
from studykit.verdict.tables import judge_all, sentences
from tests.verdict_cases import make

STATED = {"repeatability": {"s_r": 0.3, "source": "invented"}}
FOUR = {"absolute": 4}


def drums(n: int = 30, settled: int = 4, times: int = 1):
    """Drums of two zones below 3.2, the last of them with 9 below: at least 5.8 apart."""
    return {f"D{c:02d}": {"upper": ["<3.2"] * times, "lower": [9.0] * times if c >= n - settled else ["<3.2"] * times}
            for c in range(n)}


def judged(tmp_path, cells, **changes):
    stage = make(tmp_path / "s", cells, **changes)
    models = model_tables.fit_all(stage)
    return stage, models, judge_all(stage, models)


@pytest.mark.slow
@pytest.mark.parametrize(("times", "stated", "by"), [(1, {}, containers.READ), (2, {}, containers.READ),
                                                     (1, STATED, containers.SHOWN)])
def test_four_of_thirty_drums_mostly_limits_are_named(tmp_path, times, stated, by):
    stage, models, outcome = judged(tmp_path, drums(times=times), margin=FOUR, **stated)
    four = ("D26", "D27", "D28", "D29")
    assert isinstance(models[0], LimitedModel)
    assert (outcome.word, outcome.words(), outcome.final_words()) == ("uneven", {"P": "not assessed"}, {"P": "uneven"})
    table = floors.beyond(stage, models)
    assert tuple(table["container"]) == four
    assert set(table["by"]) == {by}
    assert table["difference"].tolist() == pytest.approx([5.8] * 4)
    assert "D26, D27, D28, D29" in sentences(outcome)["sentence"].item()
    share = containers.shares(stage.study, models).iloc[0]
    assert share["seen beyond, %"] == pytest.approx(100 * 4 / 30, abs=0.1)
    assert share["at most, %"] >= 25
    by_use = uses.uses(stage, models, outcome).set_index("use")["word"]
    assert by_use["zones"] == "beyond the margin in single containers"
    if not stated:  # a table knows no stated repeatability
        rows = [(c, d, v) for c, zones in drums(times=times).items() for d, values in zones.items() for v in values]
        same = judge(pd.DataFrame(rows, columns=["container", "depth", "value"]), margin=FOUR, depths=["upper", "lower"])
        assert (same.word, same.containers_beyond) == ("uneven", four)


def test_level_drums_mostly_limits_are_still_not_assessed(tmp_path):
    _, models, outcome = judged(tmp_path, drums(settled=0), margin=FOUR)
    assert isinstance(models[0], LimitedModel)
    assert (outcome.word, outcome.final_words()) == ("inconclusive", {"P": "not assessed"})


@pytest.mark.few(1)
@pytest.mark.parametrize("zones", [("upper", "middle"), ("upper",)])
def test_a_stock_that_settled_everywhere_is_stratified_though_most_are_limits(tmp_path, zones):
    """Nine below, "<3.2" above, in all ten drums: "not assessed", or "fewer than two depths were measured"."""
    cells = {f"D{k}": {**{z: ["<3.2"] for z in zones}, "lower": [9 + 0.1 * k]} for k in range(10)}
    stage, models, outcome = judged(tmp_path, cells, margin=FOUR)
    assert (outcome.word, outcome.final_words()) == ("stratified", {"P": "stratified"})
    assert len(floors.beyond(stage, models)) == 10
    stock = containers.stock_of_limits(stage.study, models[0])
    assert stock is not None
    assert stock.allowed == pytest.approx(stage.study.share_percent / 100)
    assert uses.uses(stage, models, outcome).set_index("use").loc["zones", "word"] == "beyond the margin"


def test_a_zone_below_its_limit_everywhere_on_a_relative_margin(tmp_path):
    """A third are limits, so it is fitted; the ratio to a zone below its limit has no least, but a most: 3.2 to 9."""
    cells = {f"D{k}": {"upper": [9], "middle": [9.1 + 0.02 * k], "lower": ["<3.2"]} for k in range(10)}
    stage, models, outcome = judged(tmp_path, cells, margin={"relative_percent": 20})
    assert isinstance(models[0], FittedModel)
    assert (outcome.word, outcome.words()) == ("stratified", {"P": "inconclusive"})
    assert len(floors.beyond(stage, models)) == 10
    row = outcome.to_table().iloc[0]
    assert word_of(row["verdict"], row["stock"]) == "stratified"


def test_few_limits_among_few_drums(tmp_path):
    """Three level by numbers, three with nine below and "<3.2" above: too few numbers for any scatter, and none was named."""
    cells = {f"D{k}": {"upper": [2 + 0.1 * k], "lower": [2.1 + 0.1 * k]} if k < 3 else {"upper": ["<3.2"], "lower": [9]}
             for k in range(6)}
    stage, models, outcome = judged(tmp_path, cells, margin=FOUR)
    assert isinstance(models[0], FittedModel)
    assert outcome.word == "uneven"
    assert tuple(floors.beyond(stage, models)["container"]) == ("D3", "D4", "D5")


def test_one_container_mostly_limits(tmp_path):
    _, _, far = judged(tmp_path, {"D1": {"upper": ["<3.2"], "middle": ["<3.2"], "lower": [9]}}, margin=FOUR, **STATED)
    assert far.word == "stratified"
    _, _, near = judged(tmp_path / "n", {"D1": {"upper": ["<3.2"], "middle": ["<3.2"], "lower": [3.3]}}, margin=FOUR, **STATED)
    assert near.words() == {"P": "not assessed"}


def test_heels_above_zones_that_are_limits_in_three_drums(tmp_path):
    """2100 mg/kg under zones below 50: the floor read "cannot tell", since three are too few to know any scatter."""
    cells = {f"D{k}": {"upper": ["<50"], "lower": ["<50"], "heel": [2100]} for k in range(3)}
    stage, models, outcome = judged(tmp_path, cells, margin={"absolute": 40})
    assert floors.beyond(stage, models)[["pair", "difference", "by"]].values.tolist() == [
        ["floor - zones", 2050.0, containers.READ]] * 3
    assert uses.uses(stage, models, outcome).set_index("use").loc["floor", "word"] == "beyond the margin"


def test_readings_of_two_containers_are_never_mixed(tmp_path):
    """One drum by numbers, one by limits: half of each, and the limits counted as second determinations of the first."""
    cells = {"D1": {"upper": [9], "middle": [9], "lower": [9.1]}, "D2": {z: ["<3.2"] for z in ("upper", "middle", "lower")}}
    _, models, outcome = judged(tmp_path, cells, margin=FOUR, **STATED)
    assert models[0].path != "known precision"
    assert outcome.final_words()["P"] in ("inconclusive", "not assessed")


@pytest.mark.slow
@pytest.mark.parametrize("depths", [("upper", "lower"), ("upper", "middle", "lower")])
def test_a_container_that_scatters_more_is_named_no_oftener_than_promised(depths):
    """Exactly at the margin, with five times the scatter of the other 11, one was named in 18 to 25 of 100 studies."""
    rng, n, named = np.random.default_rng(8), 200, 0
    for _ in range(n):
        rows = [(f"C{c:02d}", d, 100 + 6.0 * (c == 0 and d == "lower") + rng.normal(0, 5.0 if c == 0 else 1.0))
                for c in range(12) for d in depths for _ in range(2)]
        table = pd.DataFrame(rows, columns=["container", "depth", "value"])
        named += "C00" in judge(table, margin={"absolute": 6}, depths=list(depths)).containers_beyond
    assert named / n <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / n)


@pytest.mark.slow
def test_a_container_determined_once_among_others_twice_has_the_noise_of_one():
    """With 11 determined twice and one once its noise is the larger by the root of two; it was taken for theirs."""
    rng, n, named = np.random.default_rng(9), 400, 0
    for _ in range(n):
        rows = [(f"C{c:02d}", d, 100 + 6.0 * (c == 0 and d == "lower") + rng.normal(0, 1.0)) for c in range(4)
                for d in ("upper", "lower") for _ in range(1 if c == 0 else 4)]
        table = pd.DataFrame(rows, columns=["container", "depth", "value"])
        named += "C00" in judge(table, margin={"absolute": 6}, depths=["upper", "lower"]).containers_beyond
    assert named / n <= 0.05 / 4 + 3.5 * math.sqrt(0.0125 * 0.9875 / n)


def test_holm_counts_an_analyte_that_limits_keep_from_being_assessed(tmp_path):
    """It was tested too: the other p-value is multiplied by two (Holm 1979), and by one where this one is beyond."""
    cells = {f"D{k}": {"upper": [9.0 + 0.1 * k], "lower": [13.1 + 0.15 * k]} for k in range(8)}
    stage = make(tmp_path / "s", cells, margin=FOUR)
    first = model_tables.fit_all(stage)[0]
    study = stage.study.model_copy(update={"analytes": {"P": stage.study.analytes["P"], "Q": stage.study.analytes["P"]}})

    def beside(lower: float) -> list[ComparedVerdict]:
        low = (first.rows.table["depth"] == "lower").to_numpy()
        table = first.rows.table.assign(qualifier=np.where(low, "", "<"), limit=np.where(low, np.nan, 3.2),
                                        value=np.where(low, lower, np.nan), y=np.where(low, lower, np.nan))
        second = fit_rows(study, replace(first.rows, analyte="Q", table=table, censored=int((~low).sum())))
        assert isinstance(second, LimitedModel)
        return [v for v in judge_models(study, [first, second]).analytes if isinstance(v, ComparedVerdict)]

    p = first.pairs.p_beyond
    assert beside(3.0)[0].p_beyond_holm == pytest.approx(min(1, 2 * p))
    assert beside(9.0)[0].p_beyond_holm == pytest.approx(p)


def test_limits_keep_a_word_from_being_firm_that_only_their_middle_carries(tmp_path):
    """Beyond at 5 % wherever the one limit lies, but not at its share of 5 % among ten analytes."""
    cells = {f"D{k}": {"upper": [5.35 + 0.6 * (-1) ** k], "lower": [0.5 + 0.2 * (-1) ** (k // 2)]} for k in range(8)}
    cells["D0"]["lower"] = ["<0.4"]
    stage = make(tmp_path / "s", cells, margin={"absolute": 4.1})
    keys = {"P": stage.study.analytes["P"], **{f"Q{k}": stage.study.analytes["P"] for k in range(9)}}
    model = model_tables.fit_all(stage)[0]
    many = stage.study.model_copy(update={"analytes": keys})
    alone, among = (judge_models(s, [model]).analytes[0] for s in (stage.study, many))
    assert model.word == "stratified"
    assert alone.firm
    assert not among.firm


@pytest.mark.few(2)
@pytest.mark.parametrize(("limits", "changes", "told"), [
    (("<3.2", "<3.2"), {"margin": FOUR}, True), (("<3.2", "<5"), {"margin": FOUR}, False),
    (("<3.2", "<4"), {"margin": FOUR}, False), (("<3.2", "<3.2"), {"margin": {"relative_percent": 20}}, False),
    (("<3.2", "0.4"), {"margin": FOUR}, False)])
def test_limits_that_all_lie_below_the_margin_are_told_as_that_and_given_no_verdict(tmp_path, limits, changes, told):
    """No two of such readings can differ by the margin; page one had advised a method that reads lower."""
    cells = {f"D{k}": {"upper": [limits[0]], "lower": [limits[1] if k < 2 else "<3.2"]} for k in range(8)}
    stage, _, outcome = judged(tmp_path, cells, **changes)
    assert outcome.final_words() == {"P": "not assessed"}
    table = sentences(outcome)
    (said,) = leftout.only_limits(table, stage.study)
    highest = ("the highest of them 3.20 mg/kg: no two readings differ by more than that, which is less than the margin of "
               "±4 mg/kg")
    assert (highest in said) is told
    assert ("nothing lies beyond" in said) is told
    assert ("a method that reads lower can" in said) is not told
    assert (below.all_below(judge_input(stage)) != "") is told


def judge_input(stage):
    return model_tables.fit_all(stage)[0]
