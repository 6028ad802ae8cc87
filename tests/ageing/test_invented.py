"""Planted courses of tests/ageing/invented.py: what sentences and lists must never say, and that each check can fire."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

from studykit.ageing import tables
from studykit.ageing.reach import Passing
from studykit.ageing.trend import Ageing
from tests.ageing.invented import WORLDS, false_words, late
from tests.ageing.invented import told as told_anew

told = cache(told_anew)


@pytest.mark.few(1)
@pytest.mark.parametrize("name", WORLDS)
def test_nothing_false_is_said_of_a_planted_course(name: str) -> None:
    assert false_words(WORLDS[name], *told(WORLDS[name], 0)) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", WORLDS)
def test_nor_in_six_drawings(name: str) -> None:
    world, lines, too_long = WORLDS[name], 0, 0
    for seed in range(100, 106):
        study, found, todo = told_anew(world, seed)
        assert false_words(world, study, found, todo) == [], seed
        too_long += sum(late(world, t) for t in found.trends)
        lines += len(found.trends)
    # a time is too long in at most 5 of 100; more than so many of so few would come once in a thousand
    assert too_long <= stats.binom.isf(1e-3, lines, 0.05) < lines


def test_a_stock_well_within_is_left_and_so_named() -> None:
    """The checks would hold of a kit that says nothing at all."""
    study, found, todo = told(WORLDS["well within"], 0)
    assert set(todo["what to do"]) == {tables.LEAVE}
    assert "is not passed within 41 months" in tables.answers(study, found)["sentence"][0]


def within(found: Ageing, months: float, share: bool) -> Ageing:
    """The same lines, said to lie within up to that age, the share of containers too or not."""
    yes = Passing(estimate=np.array([months + 1]), safe=np.array([months]), latest=np.array([months + 2]),
                  outside=np.array([False]))
    return replace(found, trends=tuple(replace(t, mean=yes, spread=yes if share else t.spread) for t in found.trends))


@pytest.mark.parametrize(("name", "share", "expected"), [
    ("beyond when young, coming back", True, "a time within, though the mean is beyond at the youngest age"),
    ("flat, beyond", True, "beyond at every age, and not said to be"),
    ("4 containers", True, "a share of containers from too few of them")])
def test_a_false_sentence_fires(name: str, share: bool, expected: str) -> None:
    study, found, todo = told(WORLDS[name], 0)
    assert expected in false_words(WORLDS[name], study, within(found, 25.0, share), todo)


def test_a_fitted_time_outside_its_interval_fires() -> None:
    study, found, todo = told(WORLDS["well within"], 0)
    yes = within(found, 25.0, share=True)
    none = replace(yes, trends=tuple(replace(t, mean=replace(t.mean, estimate=np.array([0.0]))) for t in yes.trends))
    assert false_words(WORLDS["well within"], study, none, todo) == ["a fitted time outside its own interval"]


def test_words_of_filling_fire(monkeypatch: pytest.MonkeyPatch) -> None:
    study, found, todo = told(WORLDS["a plateau"], 0)
    monkeypatch.setattr(tables, "words", lambda t: "on average beyond the margin already at filling")
    assert "told of filling, which nobody saw" in false_words(WORLDS["a plateau"], study, found, todo)


@pytest.mark.parametrize(("name", "changes", "expected"), [
    ("sisters at past visits", {"what to do": tables.LEAVE}, "is left at 18.0 months, where the mean is beyond"),
    ("sisters at past visits", {"what to do": tables.LEAVE, "until": "2026-03-14"}, "is left until a day that is gone"),
    ("3 containers", {"what to do": tables.LEAVE}, "is left by the mean alone"),
    ("flat, beyond", {"what to do": tables.AGAIN}, "is not treated, though the mean is beyond at every age")])
def test_a_false_line_of_the_list_fires(name: str, changes: dict[str, str], expected: str) -> None:
    study, found, todo = told(WORLDS[name], 0)
    assert any(expected in said for said in false_words(WORLDS[name], study, found, todo.assign(**changes)))


def test_a_container_that_vanishes_fires() -> None:
    world = WORLDS["one alone in its store"]
    study, found, todo = told(world, 0)
    assert todo.set_index("container").loc["alone", "what to do"] == tables.NOTHING
    assert false_words(world, study, found, todo[todo["container"] != "alone"]) == [
        "containers that stand in no list, or in two"]


def test_a_time_that_is_too_long_counts() -> None:
    world = WORLDS["lots of unlike rates"]
    _, found, _ = told(world, 0)
    assert found.trends[0].over_lots == 4
    assert late(world, within(found, world.passes() + 1, share=True).trends[0])
    assert not late(world, within(found, world.passes() - 1, share=True).trends[0])


def test_one_mixed_between_two_visits_is_as_old_as_it_stood_since() -> None:
    _, found, todo = told(WORLDS["one mixed between two visits"], 0)
    assert todo["age, months"].round().tolist() == [4, 18, 18]
    own = found.trends[0].own
    assert own.months[own.units == "D00"].round().tolist() == [6, 12, 4]
    rate = tables.rates(found).iloc[0]
    assert rate["month low"] < 100 * np.expm1(0.004) < rate["month high"]
