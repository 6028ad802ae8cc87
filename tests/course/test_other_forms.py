"""Answers as students type them: each right one in many forms and other seeds, and what must pass nowhere.

Written by somebody who had not seen the checks. What is right is worked out here, with numpy and scipy, from the worlds
that the lesson draws; kegs, content, designs and the settling of lesson 7 by the formulae that the lesson teaches.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from decimal import Decimal
from fractions import Fraction
from functools import partial
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.course import ninety, onebarrel, physicsfirst, sameenough, wheremoney

FALL = 123.408  # mm, Stokes: 2 um in 84 days, the lesson's fluid; 200 mm zones of 600 mm
NOWHERE: tuple[Any, ...] = (math.nan, math.inf, 1e300, True, False, None, "", "abc", [], np.array([]), pd.Series(dtype=float),
                            lambda: 1.0, 10**400)


def forms(x: float) -> tuple[Any, ...]:
    """One number as people hand it in."""
    return (float(x), np.float64(x), np.float32(x), np.array(x), pd.Series([x]).mean(), Fraction(x), Decimal(repr(float(x))))


def alarms(barrels: int, bottles: int, seed: int) -> float:
    """Share of worlds in which the t test of two cellars gives an alarm at 5 %."""
    w = onebarrel.draw(seed, barrels=barrels, bottles=bottles)
    return float((stats.ttest_ind(w[:, 0], w[:, 1], axis=1).pvalue < 0.05).mean())


def numbers() -> Iterator[tuple[ModuleType, str, float, tuple[Any, ...], tuple[float, ...]]]:
    """Lesson, exercise, the right number, what the check takes beside it, and wrong numbers of students."""
    for seed in (11, 12, 2026):
        one, three = alarms(1, 3, seed), alarms(3, 1, seed + 1)
        yield onebarrel, "alarms", one, (seed,), (0.05, 0.95, 1 - one, 1000 * one, 100 * one, 0.5, three)
        yield onebarrel, "honest", three, (seed + 1,), (one, 1 - three, 1000 * three, 0.95, 0.5)
    yield onebarrel, "units", 1, (), (3, 6, 2, 1000, 0, 0.5)
    yield sameenough, "kegs", 8, (), (7, 3, 0.8, 0.872, 9, 12, 30, 7.1)
    yield sameenough, "content", 0.95, (), (0.05, 0.219, 0.22, 0, 1, 0.9, 95, 0.5, 0.99)
    yield wheremoney, "rest", math.sqrt(2) * 4 / math.sqrt(8), (), (1.414, 4, 0, 5.657, 0.5, 0.02, 1.0, 2.3, 2.8)
    yield physicsfirst, "fall", FALL, (), (0.1234, 12.34, 4 * FALL, FALL / 4, 1000 * FALL, FALL / 2, 2 * FALL, 200, 84)
    yield physicsfirst, "upper", 1 - FALL / 200, (), (FALL / 200, 0, 1, 38.3, 1 - FALL / 600)
    yield physicsfirst, "lower", 1, (), (1 + FALL / 200, 1.62, 0, 100, 0.38, FALL / 200, 0.95)
    yield physicsfirst, "floor", FALL / 600, (), (FALL / 200, 1 - FALL / 600, 20.6, 0.617, 0.79, 1 / 3, 0.5)
    for seed in (6, 7, 99):
        found = ninety.intervals(ninety.draw(seed))
        inside = float(((found["low"] <= 3) & (found["high"] >= 3)).mean())
        normal = float(((found["mean"] - 3).abs() <= stats.norm.ppf(0.95) * found["sd"] / 6**0.5).mean())
        yield ninety, "share", inside, (seed,), (1 - inside, 200 * inside, 100 * inside, normal, 0.5)
        yield ninety, "normal", normal, (seed,), (inside, 1 - normal, 200 * normal, 0.5)
    yield ninety, "all", 0.9**20, (), (0.9, 0.1, 18 / 20, 1 - 0.9**20, 20 * 0.9, 0.1**20, 0.95**20, 0.5, 0)


@pytest.mark.few(8)
@pytest.mark.parametrize(("lesson", "name", "right", "rest", "wrong"), list(numbers()))
def test_a_number_is_taken_in_every_form_and_no_other_number_is(lesson, name, right, rest, wrong):
    refused = [v for v in forms(right) if not lesson.check(name, v, *rest).right]
    assert refused == []
    taken = [v for v in (*wrong, *NOWHERE, -right, complex(right, 1), np.array([right, right])) if v is not right
             and lesson.check(name, v, *rest).right]
    assert taken == []


def rule(low: float, high: float, margin: float) -> str:
    """The rule as the lesson teaches it."""
    if -margin < low and high < margin:
        return "homogeneous"
    return "stratified" if low > margin or high < -margin else "inconclusive"


def picked(low: float, high: float, margin: float) -> Any:
    """The same with numpy."""
    within, beyond = (low > -margin) & (high < margin), (low > margin) | (high < -margin)
    return np.select([within, beyond], ["homogeneous", "stratified"], "inconclusive")[()]


KNOWN = {(row["low, %"], row["high, %"]): rule(row["low, %"], row["high, %"], 5) for _, row in sameenough.table().iterrows()}
WRONG_RULES: dict[str, Any] = {
    "zero inside": lambda low, high, margin: "homogeneous" if low < 0 < high else "stratified",
    "middle": lambda low, high, margin: "homogeneous" if abs(low + high) / 2 < margin else "stratified",
    "copied from the table": lambda low, high, margin: KNOWN.get((low, high), "inconclusive"),
    "margin of the table": lambda low, high, margin: rule(low, high, 5),
    "upper side alone": lambda low, high, margin: rule(max(low, -margin + 1e-9), high, margin),
    "never open": lambda low, high, margin: "homogeneous" if low > -margin and high < margin else "stratified",
    "all three": lambda low, high, margin: ("homogeneous", "stratified", "inconclusive"),
    "printed": lambda low, high, margin: None, "two arguments": lambda low, high: "homogeneous", "a word": "homogeneous",
    "always open": lambda low, high, margin: "inconclusive", "a list": [rule(*ends, 5) for ends in KNOWN], "nothing": None}


@pytest.mark.parametrize("given", [rule, picked, partial(rule), lambda low, high, margin=5: rule(low, high, margin)])
def test_the_rule_is_taken_however_it_is_written(given: Callable[..., Any]):
    assert sameenough.check("rule", given).right


@pytest.mark.parametrize("name", list(WRONG_RULES))
def test_no_other_rule_is(name: str):
    assert not sameenough.check("rule", WRONG_RULES[name]).right


RIGHT = {0.5: (4, 3), 2.0: (6, 4), 4.0: (16, 2)}


@pytest.mark.parametrize("given", [
    RIGHT, {0.5: [4, 3], 2: [6, 4], 4: [16, 2]}, {k: np.array(v) for k, v in RIGHT.items()},
    pd.Series(RIGHT), pd.DataFrame(RIGHT),
    {np.float64(k): (np.int64(a), np.int64(b)) for k, (a, b) in RIGHT.items()}, {0.5: (4, 3), 2.0: (8, 2), 4.0: (19, 1)},
    {k: (float(a), float(b)) for k, (a, b) in RIGHT.items()}])
def test_designs_within_five_per_cent_of_the_cheapest_are_taken_in_every_form(given: Any):
    assert wheremoney.check("designs", given).right


@pytest.mark.parametrize("given", [
    {}, None, [(4, 3), (6, 4), (16, 2)], {0.5: (4, 3), 2.0: (6, 4)}, {k: (b, a) for k, (a, b) in RIGHT.items()},
    dict.fromkeys(RIGHT, (8, 1)), RIGHT | {4.0: (40, 10)}, RIGHT | {0.5: (4.5, 3)}, RIGHT | {0.5: (True, 3)},
    RIGHT | {0.5: (math.nan, 3)}, RIGHT | {0.5: (-4, -3)}, RIGHT | {0.5: (4, 0)}, RIGHT | {0.5: (10**9, 1)},
    RIGHT | {4.0: (10**400, 2)}, dict.fromkeys(RIGHT, ()), {0.5: 384, 2.0: 648, 4.0: 1344}, RIGHT | {0.5: (4, 3, 9)}])
def test_no_other_design_is(given: Any):
    assert not wheremoney.check("designs", given).right
