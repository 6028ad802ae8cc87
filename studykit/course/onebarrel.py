"""Lesson 1: three bottles of one barrel are one barrel. False alarms where bottles are counted as if they were barrels."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.course.drawing import histogram
from studykit.course.replies import Check, Counted, Reply, counted, lesson, number
from studykit.course.worlds import Drawn, chance_errors, seed_of

WORLDS, BARRELS, BOTTLES = 1000, 3.0, 2.0
"""Worlds; scatter between barrels and between bottles of one barrel, in per cent of the level (standard deviations)."""
ONE, THREE = (1, 3), (3, 1)
"""Barrels a cellar and bottles of each, the two ways to take six bottles."""
drawn = Drawn()


def draw(seed: int, *, barrels: int, bottles: int) -> np.ndarray:
    """Pigment in g/L, (worlds, 2 cellars, barrels x bottles): both cellars are alike in every world."""
    drawn.note((barrels, bottles), seed_of(seed))
    return _draw(seed_of(seed), barrels, bottles)


def _draw(seed: int, barrels: int, bottles: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    own = rng.normal(0, BARRELS, (WORLDS, 2, barrels, 1))
    return np.asarray((100 + own + rng.normal(0, BOTTLES, (WORLDS, 2, barrels, bottles))).reshape(WORLDS, 2, -1))


def _alarms_in(seed: int, barrels: int, bottles: int) -> float:
    """Share of the worlds of a seed in which the t test raises an alarm."""
    worlds = _draw(seed, barrels, bottles)
    return float((stats.ttest_ind(worlds[:, 0], worlds[:, 1], axis=1).pvalue < 0.05).mean())


def first_world(worlds: np.ndarray) -> pd.DataFrame:
    """The first world as a table: cellar, mean, standard deviation of its bottles."""
    return pd.DataFrame({"cellar": ["north", "south"], "mean, g/L": worlds[0].mean(axis=1),
                         "SD of its bottles, g/L": worlds[0].std(axis=1, ddof=1)})


def picture(worlds: np.ndarray, honest: np.ndarray) -> Figure:
    """The difference of the two cellars' means in all worlds, for two ways to take six bottles."""
    rows = [("one barrel a cellar, three bottles of it", worlds), ("three barrels a cellar, one bottle of each", honest)]
    return histogram("north minus south, g/L (true difference 0)", [(n, w[:, 0].mean(axis=1) - w[:, 1].mean(axis=1))
                                                                   for n, w in rows])


def false_alarms(bottles: int, between: float = BARRELS, within: float = BOTTLES, level: float = 0.05) -> float:
    """Chance that a t test of ``bottles`` against as many of one other barrel rejects, though the cellars are alike.

    The variance of a barrel's mean is (1 + (n - 1) rho) / (1 - rho) times what its bottles show, with rho the share of the
    variance that lies between barrels: the design effect of Kish 1965, Survey Sampling, chapter 5. So t is too large by the
    root of that.
    """
    rho = between**2 / (between**2 + within**2)
    inflation = (1 + (bottles - 1) * rho) / (1 - rho)
    df = 2 * (bottles - 1)
    return float(2 * stats.t.sf(stats.t.ppf(1 - level / 2, df) / np.sqrt(inflation), df))


def _alarms(answer: Any, seed: int | None) -> Reply:
    p, own = false_alarms(3), drawn.own(ONE, seed, lambda s: _alarms_in(s, *ONE))
    return counted(answer, [own], chance_errors(p, WORLDS), "Alarm in more than a third of your worlds, and nothing is "
                   f"different. (Over all worlds it is {p:.3f}.) Counting bottles as if each were a barrel of its own is "
                   "called pseudoreplication.",
                   [(0.05, "That is what the test promises, for bottles of different barrels. Count what it does here."),
                    *((1 - x, "That is the share of worlds without an alarm.") for x in (own or p, p)),
                    (WORLDS * (own or p), "That is a number of worlds; the share of all worlds is asked."),
                    *((x / 2, "Half of it: both signs of the difference are alarms.") for x in (own or p, p))],
                   "Count the worlds whose p-value is below 0.05, and divide by the number of worlds.")


def _units(answer: Any) -> Reply:
    return number(answer, 1, 0, "One. The statement is about cellars, and of each cellar one barrel was opened.",
                  [(3, "Three bottles, but of how many barrels? A fourth bottle would tell nothing about other barrels."),
                   (6, "Six bottles were measured. What was chosen at random from each cellar?"),
                   (2, "There are two cellars; how many independent pieces of evidence about one cellar?"),
                   (1000, "The worlds are ours; a real person sees one of them.")],
                  "Ask: of what does the statement speak, and how many of those were opened?")


def _honest(answer: Any, seed: int | None) -> Reply:
    own = drawn.own(THREE, seed, lambda s: _alarms_in(s, *THREE))
    first = (false_alarms(3), drawn.own(ONE, None, lambda s: _alarms_in(s, *ONE)))
    return counted(answer, [own], chance_errors(0.05, WORLDS), "The promise is kept: the same six bottles, from six barrels. "
                   "(Over all worlds it is 0.05.)",
                   [*((x, "That is still the share of the first way: use the worlds with three barrels a cellar.")
                      for x in first),
                    (0.05, "That is what the test promises, over all worlds. Count it in yours."),
                    *((1 - x, "That is the share without an alarm.") for x in (own or 0.05, 0.05))],
                   "The same line as before, over the other worlds.")


CHECKS: dict[str, Check] = {"alarms": Counted(of=_alarms), "units": _units, "honest": Counted(of=_honest)}
check, _ = lesson(CHECKS)
