"""Lesson 4: why containers beat determinations. The cheapest design for three sizes of scatter between profiles."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.core.errors import single
from studykit.course.drawing import lines as curves
from studykit.course.replies import Reply, lesson, mapped, no, number, value_of, whole, yes
from studykit.inference.tost_power import tost_power

MARGIN, S_R = 5.0, 3.0
"""Margin and repeatability (standard deviation of one determination), in per cent."""
PROFILES = (0.5, 2.0, 4.0)
"""Three sizes of the scatter between profiles of containers, in per cent."""
PRICE_CONTAINER, PRICE_DETERMINATION, TARGET, WITHIN = 60.0, 6.0, 0.8, 0.05
MOST = 10_000


def scatter(profiles: float, determinations: int) -> float:
    """Scatter of one container's difference between its two zones, in per cent."""
    return float(np.sqrt(2 * (profiles**2 + S_R**2 / determinations)))


@cache
def chance(containers: int, determinations: int, profiles: float) -> float:
    """Chance to show sameness where nothing has separated: two zones a container, so many determinations of each."""
    return tost_power(0.0, scatter(profiles, determinations) / float(np.sqrt(containers)), containers - 1, -MARGIN, MARGIN)


def cost(containers: int, determinations: int) -> float:
    """Containers opened, and determinations of two zones in each, in units of money."""
    return containers * (PRICE_CONTAINER + 2 * determinations * PRICE_DETERMINATION)


@cache
def cheapest(profiles: float) -> tuple[int, int, float]:
    """Containers, determinations and cost of the cheapest design whose chance is at least 0.8."""
    found = [(cost(n, m), n, m) for m in range(1, 9) for n in [fewest(m, profiles)]]
    price, n, m = min(found)
    return n, m, price


@cache
def fewest(determinations: int, profiles: float) -> int:
    """The fewest containers that reach the chance with so many determinations; BadInput where ten thousand do not."""
    low, high = 2, 3
    while chance(high, determinations, profiles) < TARGET:
        if high > MOST:
            raise single("profiles", f"scatter so much that {MOST:,} drums do not reach a chance of {TARGET:g}",
                         "write a smaller scatter, in per cent", value=f"{profiles:g}")
        low, high = high, 2 * high
    while high - low > 1:  # the chance grows with every drum
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle, determinations, profiles) >= TARGET else (middle, high)
    return high


def _scatter_of(profiles: Any) -> float:
    """A scatter in per cent; BadInput for anything else."""
    value = value_of(profiles)
    if not isinstance(value, float) or value < 0:
        raise single("profiles", "is no scatter in per cent, 0 or more", "write one, such as 2.0, with the parameters",
                     value=repr(profiles)[:40])
    return value


def table(profiles: float) -> pd.DataFrame:
    """For one to six determinations: the fewest containers that reach the chance, and what they cost."""
    profiles = _scatter_of(profiles)
    rows = [(m, fewest(m, profiles), cost(fewest(m, profiles), m)) for m in range(1, 7)]
    return pd.DataFrame(rows, columns=["determinations", "containers needed", "cost, units"])


def halves(profiles: float) -> pd.DataFrame:
    """The standard error of the mean difference: as it is, with twice the determinations, with twice the containers."""
    profiles = _scatter_of(profiles)
    rows = [("8 containers, 1 determination", scatter(profiles, 1) / np.sqrt(8)),
            ("8 containers, 2 determinations", scatter(profiles, 2) / np.sqrt(8)),
            ("16 containers, 1 determination", scatter(profiles, 1) / np.sqrt(16))]
    return pd.DataFrame(rows, columns=["design", "standard error, %"])


def picture() -> Figure:
    """The standard error of eight containers against determinations, for the three sizes of scatter between profiles."""
    m = list(range(1, 9))
    rows = [(f"profiles scatter by {p:g} %", [scatter(p, k) / float(np.sqrt(8)) for k in m]) for p in PROFILES]
    return curves("determinations of each bottle", "standard error of the difference, %", m, rows)


def _designs(answer: Any) -> Reply:
    answer = {c: list(answer[c]) for c in answer} if isinstance(answer, pd.DataFrame) else mapped(answer)
    if answer is None or set(answer) != set(PROFILES):
        return no(f"A design for each of the three sizes is asked: {{0.5: (containers, determinations), {PROFILES[1]}: …}}.")
    for size in PROFILES:
        if (reply := _design(size, answer[size])) is not None:
            return reply
    return yes("Each within 5 % of the cheapest that reaches 0.8. The more profiles differ, the less a second "
               "determination buys.")


def _design(size: float, answer: Any) -> Reply | None:
    """What is wrong with one design; None where it is right."""
    if answer is ...:
        return no("Write two whole numbers in place of each row of dots.")
    try:
        n, m = (whole(x) for x in answer)
    except (TypeError, ValueError):
        return no(f"For {size:g} %: two whole numbers, containers and determinations.")
    if n < 3 or m < 1:
        return no(f"For {size:g} %: at least three containers and one determination.")
    if max(n, m) > MOST:
        return no(f"For {size:g} %: nobody has more than {MOST:,} drums, nor measures a bottle so often.")
    if 3 <= n < m and chance(n, m, size) < TARGET <= chance(m, n, size) and cost(m, n) < 1.5 * cheapest(size)[2]:
        return no(f"For {size:g} %: containers come first, then determinations.")
    if chance(n, m, size) < TARGET:
        more = " More determinations cannot mend that: the profiles differ." if chance(n, 100, size) < TARGET else ""
        return no(f"For {size:g} %: the chance is below 0.8.{more}")
    _, best_m, least = cheapest(size)
    if cost(n, m) > (1 + WITHIN) * least:
        where = "fewer containers" if m == best_m else "fewer determinations" if m > best_m else "another determination"
        return no(f"For {size:g} %: it reaches 0.8, and costs {100 * (cost(n, m) / least - 1):.0f} % more than the cheapest: "
                  f"try {where}.")
    return None


def _rest(answer: Any) -> Reply:
    limit = float(np.sqrt(2) * PROFILES[2] / np.sqrt(8))
    return number(answer, limit, 0.02 * limit, "However often each bottle is measured, this stays: it comes from the "
                                               "containers.",
                  [(0.0, "Without noise of measurement the containers still differ among themselves."),
                   (scatter(PROFILES[2], 1) / float(np.sqrt(8)), "That is with one determination."),
                   (PROFILES[2] / float(np.sqrt(8)), "A difference has two zones, each with a scatter of its own: a root of 2 "
                                                     "is missing."),
                   (float(np.sqrt(2)) * PROFILES[2], "That is for one container; eight were opened."),
                   (float(np.sqrt(2)) * PROFILES[2] / 8, "Means of eight scatter by the root of eight less, not by eight.")],
                  "Suppose that one determination had no error: what still scatters in the difference of one drum, and what "
                  "does the mean of eight of them make of it?")


CHECKS = {"designs": _designs, "rest": _rest}
check, after = lesson(CHECKS)
