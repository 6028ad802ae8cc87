"""Every pair of depths has its times: a middle zone that leaves both ends, a band at the fourth of five, coverage."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest

from studykit.ageing import figures, tables
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import earlier, mean_passes
from studykit.ageing.trend import Ageing, ageing, pairs_of
from studykit.model.fit import fit_analyte
from studykit.study.definition import Study, parse_study
from tests.ageing.test_trend import AGES, NONE_BEYOND
from tests.model.test_fit import tables_of
from tests.studies import definition

PASSES = math.log(1.2) / 0.0146  # 12.5 months
SHAPES = {("upper", "middle", "lower"): (0.0, 1.0, 0.0), ("d1", "d2", "d3", "d4", "d5"): (0.0, 0.0, 0.0, 1.0, 0.0)}
LINEAR = Course()


def study_of(depths: tuple[str, ...]) -> Study:
    return parse_study(definition(
        factors={"depths": list(depths), "fixed": ["age_months"], "by_depth": ["age_months"]}, time={"course": "linear"},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"relative_percent": 20}, "margin_reason": "for the test"}}))


def told(depths: tuple[str, ...], parts: tuple[float, ...], without: str = "",
         only: tuple[str, ...] = ("D00",)) -> tuple[Study, Ageing, pd.DataFrame]:
    """Sixteen drums; ``parts``: how much of the growth each depth takes; ``without``: a depth drawn in ``only`` these."""
    rng, age = np.random.default_rng(4), {f"D{i:02d}": AGES[i // 4] for i in range(16)}
    rows = [(c, d, 100 * math.exp(part * 0.0146 * t + rng.normal(0, 0.01))) for c, t in age.items()
            for d, part in zip(depths, parts, strict=True) if d != without or c in only]
    containers, samples, results = tables_of(pd.DataFrame(rows, columns=["container", "depth", "value"]), age_months=age)
    containers["filled_on"] = pd.NaT
    study = study_of(depths)
    return study, ageing(study, [fit_analyte(study, "y", containers, samples, results)]), containers


@pytest.mark.few(1)
@pytest.mark.parametrize("depths", SHAPES)
def test_the_pair_that_passes_first_decides_and_is_named(depths: tuple[str, ...]) -> None:
    """The ends agree at every age; one zone between them leaves both, and passes the margin at 12.5 months."""
    study, found, containers = told(depths, SHAPES[depths])
    trend, moving = found.trends[0], depths[SHAPES[depths].index(1.0)]
    assert moving in trend.own.pair
    assert len(trend.pairs) == len(depths) * (len(depths) - 1) // 2
    assert trend.mean.safe[0] < PASSES < trend.mean.latest[0]
    assert trend.spread is not None
    assert trend.spread.safe[0] < PASSES
    assert trend.outer.mean.safe[0] > 30
    words = tables.answers(study, found)["sentence"].iloc[0]
    assert re.search(rf"on average, {trend.own.between}, within the margin up to 1[12] months", words)
    assert f"{trend.own.between}, up to" in words.partition("; if")[2]
    todo = tables.actions(study, found, containers, NONE_BEYOND).set_index("container")["what to do"]
    assert set(todo[[f"D{i:02d}" for i in range(8, 16)]]) == {"treat"}  # 20 and 30 months
    times = tables.times(found).iloc[0]
    assert times["mean by"] == trend.own.between
    assert moving in times["containers by"]
    assert list(tables.rates(found)["between"])[:2] == [f"{depths[-1]} against {depths[0]}", trend.own.between]
    assert trend.own.between in figures.alt(found.trends)
    assert figures.over_time(found.trends).axes[0].get_title(loc="left").split("\n")[1] == trend.own.between
    assert "Each pair of depths has a line of its own" in tables.said(study, found)


def test_where_the_ends_differ_most_no_pair_is_named() -> None:
    study, found, _ = told(("upper", "middle", "lower"), (-0.5, 0.0, 0.5))
    trend = found.trends[0]
    assert trend.own.pair == ("upper", "lower")
    assert (trend.mean.safe[0], trend.mean.latest[0]) == (trend.outer.mean.safe[0], trend.outer.mean.latest[0])
    assert "against" not in tables.answers(study, found)["sentence"].iloc[0]
    assert len(tables.rates(found)) == 1


def test_a_pair_without_a_line_is_named_and_the_others_are_judged() -> None:
    study, found, _ = told(("upper", "middle", "lower"), (-0.5, 0.0, 0.5), without="middle")
    assert [t.own.pair for t in found.trends[0].pairs] == [("upper", "lower")]
    assert ("Not judged, for want of readings: lower against middle (all containers), middle against upper"
            in tables.said(study, found))


def test_a_pair_of_too_few_containers_leaves_the_share_to_the_others_and_is_named() -> None:
    """Three drums at three ages carry a line and no share; at one age of two drums alike nothing is simulated."""
    study, found, _ = told(("upper", "middle", "lower"), (-0.5, 0.0, 0.5), without="middle", only=("D00", "D04", "D08"))
    trend, whole = found.trends[0], told(("upper", "lower"), (-0.5, 0.5))[1].trends[0]
    assert trend.spread is not None
    assert whole.spread is not None
    assert trend.spread_by == ("upper", "lower")
    assert trend.spread.safe[0] == pytest.approx(whole.spread.safe[0], rel=0.05)  # other draws of the scatter
    assert trend.simulated.share is None
    said = tables.said(study, found)
    assert "the share by lower against middle" in said
    assert not math.isfinite(tables.times(found)["containers simulated low"].iloc[0])


def test_the_pair_of_the_ends_comes_first() -> None:
    assert pairs_of(("a", "b", "c")) == [("a", "c"), ("a", "b"), ("b", "c")]
    assert pairs_of(("a", "b")) == [("a", "b")]


WORST = {"ends": (-0.5, 0.0, 0.5), "middle": (0.0, 1.0, 0.0), "floor": (0.0, 0.0, 1.0), "five": (0.0, 1.0, 0.0, 1.0, 0.0)}


@pytest.mark.slow
@pytest.mark.parametrize("world", WORST)
@pytest.mark.parametrize("own_rates", [0.0, 0.2])
def test_the_earliest_over_pairs_holds_as_one_line_does(world: str, own_rates: float) -> None:
    """2,000 studies of twelve drums: too long in at most 5 %, and shown beyond too early in at most 10 %.

    The bound of the latter is what the levels add up to: alpha for the ends and alpha for the other pairs together.
    """
    parts, studies, t = np.array(WORST[world]), 2000, np.repeat(AGES, 3)
    rng = np.random.default_rng([7, len(world)])
    rates = 0.5 * (1 + own_rates * rng.standard_normal((studies, 12)))
    cells = parts[:, None, None] * rates * t + 0.5 * rng.standard_normal((len(parts), studies, 12))
    every = pairs_of(tuple("abcde"[:len(parts)]))
    found = []
    for upper, lower in every:
        d = cells["abcde".index(lower)] - cells["abcde".index(upper)]
        part = 1 if (upper, lower) == every[0] else 1 / (len(every) - 1)
        found.append(mean_passes(fit_lines(d, LINEAR.line(t), np.arange(12)), LINEAR, (-10, 10), alpha=0.05, span=(4, 30),
                                 stop=42, points=41, beyond=0.05 * part))
    whole = earlier(found)
    chance = 3.1 * math.sqrt(0.05 * 0.95 / studies)
    assert np.mean(whole.safe > 20) < 0.05 + chance
    assert np.mean(whole.latest < 20) < 0.10
