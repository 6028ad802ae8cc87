"""Shares of containers beyond the margin, where their noise comes from, and limits at their extremes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.inference.share import share_beyond, share_bound_clear
from studykit.model import tables as model_tables
from studykit.verdict import containers as sharetable
from studykit.verdict import limits as limit_tables
from studykit.verdict import rule as verdict_rule
from studykit.verdict import tables as verdict_tables
from tests.verdict_cases import DEPTHS, calm, make


def opened(tmp_path, cells, **changes):
    stage = make(tmp_path / "s", cells, **changes)
    models = model_tables.fit_all(stage)
    return stage, models, models[0]


def twice(n: int = 6, **changes: float) -> dict[str, dict[str, list[float]]]:
    """Every zone determined twice, the second 1 above or below the first in turn."""
    cells = calm(n, **changes)
    return {c: {d: [v[0], v[0] + (-1) ** (i + k)] for k, (d, v) in enumerate(zones.items())}
            for i, (c, zones) in enumerate(cells.items())}


def test_noise_from_zones_determined_twice(tmp_path):
    stage, _, m = opened(tmp_path, twice(), margin={"absolute": 5})
    noise, df, words = sharetable.noise_of(stage.study, m)
    # pairs 1 apart: s^2 = 1/2 with one degree of freedom each, 18 zones; a contrast of two means of two has variance s^2
    assert (noise, df, words) == (pytest.approx(0.5, rel=1e-6), 18.0, "zones determined twice")


def test_noise_from_the_stated_precision(tmp_path):
    stage, _, m = opened(tmp_path, calm(6), repeatability={"s_r": 2.0, "source": "invented chart"})
    noise, df, words = sharetable.noise_of(stage.study, m)
    level = m.rows.measured["value"].mean()
    assert noise == pytest.approx(2 * (2.0 / level) ** 2)  # on the log scale
    assert math.isinf(df)
    assert words == "invented chart"


def test_unknown_noise_counts_as_real(tmp_path):
    stage, models, m = opened(tmp_path, calm(6))
    assert sharetable.noise_of(stage.study, m) == (None, math.inf, "not known")
    table = sharetable.shares(stage.study, models)
    assert table["noise from"].tolist() == ["not known"]
    # nothing about one container is clear then, so every one may lie beyond
    assert table["at most, by clear calls alone, %"].tolist() == [100.0]


def test_shares_are_those_of_the_bounds_module_rounded_away_from_comfort(tmp_path):
    stage, models, m = opened(tmp_path, twice(8, lower=1.0), margin={"absolute": 2})
    row = sharetable.shares(stage.study, models).iloc[0]
    each = [np.mean(z["lower"]) - np.mean(z["upper"]) for z in twice(8, lower=1.0).values()]
    direct = share_beyond(each, m.rows.margin, noise_variance=sharetable.noise_of(stage.study, m)[0], noise_df=24)
    assert row["seen beyond, %"] == pytest.approx(100 * np.mean(np.abs(each) > 2), abs=0.05)
    assert row["share, noise taken out, %"] == pytest.approx(100 * direct.share, abs=0.05)
    assert 0 <= row["at most, %"] - 100 * direct.upper <= 0.1  # an upper bound is never rounded down
    assert row["containers"] == 8


def test_an_upper_bound_is_never_nought(tmp_path):
    stage, models, _ = opened(tmp_path, twice(6), margin={"absolute": 500})
    row = sharetable.shares(stage.study, models).iloc[0]
    assert row["at most, %"] == 0.1
    assert 0 <= row["at most, by clear calls alone, %"] - 100 * share_bound_clear(0, 6) <= 0.1


def test_two_containers_have_no_share(tmp_path):
    stage, models, m = opened(tmp_path, calm(2))
    assert sharetable.share_of(stage.study, m) is None
    assert sharetable.shares(stage.study, models).empty


def limited(value: str, place: tuple[str, str] = ("C1", "upper"), **changes: float):
    cells = calm(6, **changes)
    cells[place[0]][place[1]] = [value]
    return cells


def limits(stage, models):
    return limit_tables.limits(stage, models, verdict_tables.judge_all(stage, models)).iloc[0]


def test_a_limit_that_cannot_change_the_word_leaves_it(tmp_path):
    stage, models, m = opened(tmp_path, limited("<2", lower=120.0))
    found = limit_tables.bounds_at_extremes(stage, m)
    assert {w for _, w in found.words} == {"stratified"}
    row = limits(stage, models)
    assert (row["verdict"], row["of results"], row["known only as a limit"]) == ("stratified", 18, 1)
    assert row["at the extremes"] == f"stratified ({len(found.words)})"


def test_a_limit_that_decides_takes_the_word_back(tmp_path):
    # without C1's uppermost zone all is homogeneous within 5 %; at zero it would drag the mean of the zone far down
    stage, models, m = opened(tmp_path, limited("<100"))
    assert verdict_rule.judge(stage.study, models).words() == {"P": "homogeneous"}
    outcome = verdict_tables.judge_all(stage, models)
    assert outcome.words() == {"P": "inconclusive"}
    assert outcome.word == "inconclusive"
    assert "the verdict depends on where" in outcome.analytes[0].sentence
    row = limits(stage, models)
    assert "homogeneous (1)" in row["at the extremes"]
    assert {w for _, w in limit_tables.bounds_at_extremes(stage, m).words} == {"homogeneous", "inconclusive"}


def test_the_margin_in_per_cent_is_taken_at_the_mean_level(tmp_path):
    """Mean 184, median 75: 5 % is 9 or 4, and every container's lowest zone lies 6 above its uppermost."""
    cells = {}
    for c, level in enumerate((50.0, 60.0, 70.0, 80.0, 90.0, 755.0)):
        noise = 0.1 * ((3 * c) % 7 - 3)
        cells[f"C{c}"] = {"upper": [level], "middle": [level + 3 + noise], "lower": [level + 6 - noise]}
    cells["C0"]["middle"] = ["<53"]
    stage, _, m = opened(tmp_path, cells)
    words = dict(limit_tables.bounds_at_extremes(stage, m).words)
    assert "homogeneous" in words.values()  # at the limit itself; within 4 no word of the six would be it


def test_above_the_range_has_no_upper_end(tmp_path):
    stage, models, m = opened(tmp_path, limited(">200"))
    assert limit_tables.bounds_at_extremes(stage, m).word == "not assessed"
    outcome = verdict_tables.judge_all(stage, models)
    assert outcome.words() == {"P": "inconclusive"}
    assert "no upper end" in outcome.analytes[0].sentence


def test_mostly_limits_claim_nothing(tmp_path):
    cells = calm(6)
    for c in cells:
        for d in list(DEPTHS)[:2]:
            cells[c][d] = ["<3"]
    stage, models, _ = opened(tmp_path, cells)
    row = limits(stage, models)
    assert row["verdict"] == "not assessed"
    assert row["what follows"] == "more than half are limits: nothing is claimed"


def test_without_limits_there_is_no_table(tmp_path):
    stage, models, _ = opened(tmp_path, calm(4))
    assert limit_tables.limits(stage, models, verdict_tables.judge_all(stage, models)).empty
