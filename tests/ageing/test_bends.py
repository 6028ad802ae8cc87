"""Times held against a bend, and lines where containers are given up: decisive worlds, formulas, and chances by simulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.ageing import tables
from studykit.ageing.again import fit_over, uneven
from studykit.ageing.bends import by_means, mean_held
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import Passing, mean_passes
from studykit.ageing.trend import Ageing, ageing
from studykit.mixed import fit_reml
from studykit.model.fit import fit_analyte
from studykit.study.definition import Study, parse_study
from tests.ageing.curved_worlds import WORLDS, run
from tests.ageing.dropout import WORLDS as GIVEN_UP
from tests.ageing.dropout import too_long
from tests.model.test_fit import tables_of
from tests.studies import definition

LINEAR, MARGIN = Course(), (-10.0, 10.0)
MONTH = 365.2425 / 12


@pytest.mark.parametrize(("name", "most"), [
    ("faster and faster, 12 opened once", 6.5), ("faster and faster, 6 drawn again", 10),
    ("nine months' delay, 12 opened once", 4), ("nine months' delay, 6 drawn again", 4),
    ("levelling off, 12 opened once", 7.5), ("levelling off, 6 drawn again", 7.5)])
def test_a_course_that_bends_is_seldom_told_too_long(name: str, most: float) -> None:
    """By the line alone 35 to 100 % of the times were too long (bounds: what 2,000 studies gave, and three errors)."""
    alone, told, *_ = run(WORLDS[name])
    assert alone > 30
    assert told < most


@pytest.mark.slow
def test_the_rows_of_the_design_page_are_what_the_worlds_give() -> None:
    page = (Path(__file__).parents[2] / "docs" / "01-design.md").read_text(encoding="utf-8")
    for name, world in WORLDS.items():
        row = next(line for line in page.splitlines() if line.startswith(f"| {name} ("))
        told = [float(cell) for cell in row.strip("| ").split(" | ")[1:]]
        assert told == pytest.approx(run(world), abs=0.6), name


def test_what_a_straight_course_pays_for_it() -> None:
    *_, plain, within = run(WORLDS["straight, seen to 30 months"])
    assert 0 < plain - within < 1.2


def test_beyond_the_oldest_age_a_line_that_a_bend_does_not_bear_out_says_nothing() -> None:
    t = np.repeat([3.0, 6.0, 9.0, 12.0], 3)
    y = np.where(t < 10, 0.0, 6.0) + np.tile([-1.0, 0.0, 1.0], 4)  # nothing for nine months, then growth
    line, bend = fit_lines(y, LINEAR.line(t), np.arange(12)), fit_lines(y, LINEAR.bent(t), np.arange(12))
    alone = mean_passes(line, LINEAR, MARGIN, alpha=0.05, span=(3, 12), stop=24)
    told = mean_held(y[None], line, bend, LINEAR, t, MARGIN, alpha=0.05, stop=24)
    assert alone.safe[0] > 15
    assert 10 < told.safe[0] < 14
    none = mean_held(y[None], line, None, LINEAR, t, MARGIN, alpha=0.05, stop=24)
    assert none.safe[0] == 12


def test_no_mean_beyond_the_margin_stands_inside_a_time_within() -> None:
    t = np.repeat([4.0, 12.0, 20.0, 30.0], 3)
    y = np.repeat([1.0, 11.0, 5.0, 6.0], 3)[None]
    yes = Passing(estimate=np.array([40.0]), safe=np.array([25.0]), latest=np.array([50.0]), outside=np.array([False]))
    assert by_means(yes, y, t, MARGIN).safe[0] == 4
    assert by_means(yes, y - 8, t, MARGIN).safe[0] == 25
    first = by_means(yes, y + 9.5, t, MARGIN)
    assert first.outside[0]
    assert np.isnan(first.safe[0])


def test_no_time_is_longer_than_the_line_says() -> None:
    """So that the coverage of times by the line alone holds for what is told."""
    rng, t = np.random.default_rng(9), np.repeat([4.0, 12.0, 20.0, 30.0], 3)
    power = rng.uniform(0.3, 3, (500, 1))
    y = rng.uniform(2, 14, (500, 1)) * (t / 30) ** power + 0.7 * rng.standard_normal((500, 12))
    line, bend = fit_lines(y, LINEAR.line(t), np.arange(12)), fit_lines(y, LINEAR.bent(t), np.arange(12))
    alone = mean_passes(line, LINEAR, MARGIN, alpha=0.05, span=(4, 30), stop=42)
    for other in (bend, None):
        told = mean_held(y, line, other, LINEAR, t, MARGIN, alpha=0.05, stop=42)
        known = ~told.outside
        assert known.sum() > 300
        assert (told.safe[known] <= alone.safe[known] + 1e-9).all()
        assert told.outside[alone.outside].all()


@pytest.mark.slow
def test_lines_of_uneven_visits_are_those_of_the_mixed_model() -> None:
    rng, t = np.random.default_rng(2), np.tile([3.0, 6.0, 9.0, 12.0], 6)
    unit = np.repeat(np.arange(6), 4)
    y = t * (1 + 0.3 * rng.standard_normal(6))[unit] + rng.standard_normal(24)
    even, kept = fit_over(y, LINEAR, t, unit), np.arange(24) % 5 != 3
    assert not uneven(t, unit)
    assert even.rows is None
    lines = fit_over(y[kept], LINEAR, t[kept], unit[kept])
    frame = pd.DataFrame({"y": y[kept], "t": t[kept], "container": unit[kept].astype(str)})
    fit = fit_reml(frame, "y", ["t"], ["t | container"])  # the engine itself is held against lme4 in tests/mixed/test_slopes.py
    at = np.array([[1.0, 10.0], [0.0, 1.0]])
    found = lines.at(at)
    for k, row in enumerate(at):
        one = fit.test(row)
        assert found.estimate[0, k] == pytest.approx(one.estimate, rel=1e-5)
        assert found.se[0, k] == pytest.approx(one.se, rel=1e-4)
        assert found.df[k] == pytest.approx(min(one.df2, 5), rel=1e-3)


def lost(fast: int = 4) -> tuple[Study, Ageing]:
    """Twelve drums at 3, 6, 9 and 12 months, 2 a month for four of them, not drawn after 6; 0.3 for the others: mean 0.87."""
    study = parse_study(definition(
        factors={"depths": ["upper", "middle", "lower"], "fixed": ["age_months"], "by_depth": ["age_months"]},
        time={"course": "linear", "starts": "filled"},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"absolute": 10}, "margin_reason": "for the test"}}))
    rng, filled = np.random.default_rng(8), pd.Timestamp("2025-01-01")
    rows = [(f"D{i:02d}", filled + pd.Timedelta(days=round(t * MONTH)), d, 100 + part * (2 if i < fast else 0.3) * t
             + rng.normal(0, 0.5)) for i in range(12) for t in ((3, 6) if i < fast else (3, 6, 9, 12))
            for d, part in zip(("upper", "middle", "lower"), (-0.5, 0, 0.5), strict=True)]
    frame = pd.DataFrame(rows, columns=["container", "day", "depth", "value"])
    containers, samples, results = tables_of(frame[["container", "depth", "value"]])
    samples["visited_on"] = frame["day"]
    containers = containers.assign(filled_on=filled, sampled_on=pd.NaT, last_mixed_on=pd.NaT)
    return study, ageing(study, [fit_analyte(study, "y", containers, samples, results)])


@pytest.mark.slow
def test_containers_that_were_given_up_count_and_are_named() -> None:
    study, found = lost()
    trend = found.trends[0]
    assert trend.mean.safe[0] < 11.5
    assert trend.rate.estimate[0, 0] == pytest.approx(0.87, abs=0.15)  # least squares over all drawings: about 0.3
    sentence = tables.answers(study, found)["sentence"].iloc[0]
    assert "4 of 12 containers not drawn after 6 months" in sentence.partition(". ")[0]
    assert "not drawn to the end" in tables.said(study, found)
    none = lost(fast=0)[1]
    assert not len(none.trends[0].outer.own.gone)
    assert "not drawn" not in tables.words(none.trends[0])


@pytest.mark.slow
@pytest.mark.parametrize("name", list(GIVEN_UP)[:2])
def test_times_hold_where_containers_are_given_up_for_what_was_read(name: str) -> None:
    plain, _, told, _ = too_long(GIVEN_UP[name], 12, 150)
    assert plain > 25
    assert told < 5 + 3.1 * 1.8  # a binomial error of 150 studies at 5 % is 1.8
