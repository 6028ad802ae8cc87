"""Lesson 9: what 90 % means. Coverage of intervals over two hundred worlds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.course.drawing import axes
from studykit.course.replies import Check, Counted, Reply, counted, lesson, number
from studykit.course.worlds import Drawn, chance_errors, seed_of

WORLDS, KEGS, TRUTH, SCATTER = 200, 6, 3.0, 4.0
"""Worlds; kegs opened in each; true difference and scatter of a keg's difference, in per cent."""
NORMAL = 1.645
"""The 95 % point of the normal distribution as the exercise writes it."""
drawn = Drawn()


def draw(seed: int) -> pd.DataFrame:
    """Mean and standard deviation of the differences of six kegs, one row a world, in per cent."""
    drawn.note("casks", seed_of(seed))
    return _draw(seed_of(seed))


def _draw(seed: int) -> pd.DataFrame:
    values = np.random.default_rng(seed).normal(TRUTH, SCATTER, (WORLDS, KEGS))
    return pd.DataFrame({"world": np.arange(1, WORLDS + 1), "mean": values.mean(axis=1), "sd": values.std(axis=1, ddof=1)})


def intervals(worlds: pd.DataFrame) -> pd.DataFrame:
    """The worlds with the 90 % interval of the mean: low and high, by the t distribution with five degrees of freedom."""
    half = stats.t.ppf(0.95, KEGS - 1) * worlds["sd"] / np.sqrt(KEGS)
    return worlds.assign(low=worlds["mean"] - half, high=worlds["mean"] + half)


def picture(rows: pd.DataFrame, shown: int = 60) -> Figure:
    """The first sixty intervals beside the truth; those that miss it carry a square."""
    own = rows.head(shown)
    misses = own[(own["low"] > TRUTH) | (own["high"] < TRUTH)]
    figure, ax = axes("world", "difference, %", size=(7.4, 3.4))
    ax.vlines(own["world"], own["low"], own["high"], color="#1d2733", lw=1)
    ax.vlines(misses["world"], misses["low"], misses["high"], color="#b3261e", lw=1.6)
    ax.plot(misses["world"], misses["mean"], "s", color="#b3261e", ms=4)
    ax.axhline(TRUTH, color="#7a8794", lw=1)
    return figure


def coverage(factor: float) -> float:
    """Chance that mean ± factor × standard error holds the truth, with five degrees of freedom (Student 1908)."""
    return float(1 - 2 * stats.t.sf(factor, KEGS - 1))


def _kept(factor: float, seed: int | None) -> float | None:
    """The same, counted in a student's worlds: 200 of them cannot tell 84 from 90 %, so the count itself is asked."""
    def count(own: int) -> float:
        worlds = _draw(own)
        return float(((worlds["mean"] - TRUTH).abs() <= factor * worlds["sd"] / KEGS**0.5).mean())

    return drawn.own("casks", seed, count)


def _share(answer: Any, seed: int | None) -> Reply:
    own = _kept(float(stats.t.ppf(0.95, KEGS - 1)), seed)
    return counted(answer, [own], chance_errors(0.9, WORLDS) / 3, "About nine of ten, over many studies (over all worlds 0.9). "
                   "Of one interval it cannot be said whether it is one of the nine.",
                   [*((1 - x, "That is the share that misses.") for x in (own or 0.9, 0.9)),
                    *((WORLDS * x, "That is a number of worlds; the share of all is asked.") for x in (own or 0.9, 0.9)),
                    (0.9, "That is what the recipe promises, over all worlds. Count what it keeps in yours."),
                    (_kept(NORMAL, seed), "That is the share of the shortcut, exercise 2: take the low and high of `rows`."),
                    (0.5, "Both ends count: low below the truth and high above it."),
                    (1.0, "Some intervals miss: count again.")],
                   "Count the worlds where low ≤ 3 and 3 ≤ high, and divide by their number.")


def _normal(answer: Any, seed: int | None) -> Reply:
    exact = coverage(NORMAL)
    own, finer = _kept(NORMAL, seed), _kept(float(stats.norm.ppf(0.95)), seed)  # as written there, and with all digits
    slips = [(NORMAL * np.sqrt(KEGS), "Divide the standard deviation by √6: the interval is one of the mean, not of a cask."),
             (float(stats.norm.ppf(0.9)), "1.282 belongs to 80 %; take 1.645."),
             (float(stats.t.ppf(0.95, KEGS - 1)), "That is the share of exercise 1: take 1.645 in place of the t quantile.")]
    return counted(answer, [own, finer], chance_errors(exact, WORLDS) / 3, "It promises 90 % and keeps less: over all worlds "
                   f"{100 * exact:.0f} %. With six casks the scatter itself is badly known, and the t distribution pays for "
                   "that.",
                   [*((1 - x, "That is the share that misses.") for x in (own or exact, exact)),
                    (exact, "That is the share over all worlds. Count it in yours."),
                    (0.9, "That is what it promises. Count what it keeps here."),
                    *((kept, hint) for factor, hint in slips for kept in (_kept(factor, seed), coverage(factor)))],
                   "Take mean ± 1.645 × sd / √6 and count as before.")


def _all(answer: Any) -> Reply:
    right = 0.9**20
    return number(answer, right, 0.002, "About one class in eight. Twenty intervals that all hold would be luck, not skill.",
                  [(0.9, "That is one interval. All twenty must hold, independently."),
                   (1 - right, "That is the chance that at least one misses."),
                   (0.1**20, "That is the chance that all of them miss."),
                   (20 * 0.9, "That is how many hold on average."),
                   (1 - 20 * 0.1, "Chances of independent events are multiplied, not added.")],
                  "Each holds with 0.9, independently of the others: multiply.")


CHECKS: dict[str, Check] = {"share": Counted(of=_share), "normal": Counted(of=_normal), "all": _all}
check, _ = lesson(CHECKS)
