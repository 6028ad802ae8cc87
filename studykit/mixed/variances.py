"""How well a repeatability is known: its interval, and one's own against a published one.

For a mean square MS on df degrees of freedom with expectation E, df * MS / E is chi-square; from it
follow exact intervals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy import stats


def _check(s: float, df: float, level: float) -> None:
    if not (math.isfinite(s) and s >= 0):
        raise ValueError(f"the scatter must be a finite number >= 0, but got {s}")
    if not df > 0:
        raise ValueError(f"df must be above 0, but got {df}")
    if not 0.5 < level < 1:
        raise ValueError(f"level must lie between 0.5 and 1, but got {level}")


def sd_interval(s: float, df: float, level: float = 0.95) -> tuple[float, float]:
    """Two-sided interval for a true standard deviation, from an estimate s on df degrees of freedom."""
    _check(s, df, level)
    tail = (1 - level) / 2
    return s * math.sqrt(df / float(stats.chi2.isf(tail, df))), s * math.sqrt(df / float(stats.chi2.ppf(tail, df)))


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatabilityCheck:
    """A study's own repeatability SD against a published or stated one (same unit)."""

    s: float
    df: float
    low: float
    high: float
    level: float
    stated: float
    word: Literal["agrees", "smaller", "larger"]

    def sentence(self) -> str:
        """The comparison in plain words, with what follows."""
        text = (f"The repeatability SD found here is {self.s:.3g} ({100 * self.level:.0f} % interval {self.low:.3g} to "
                f"{self.high:.3g}, {self.df:g} degrees of freedom); stated is {self.stated:.3g}. ")
        return text + {
            "agrees": "They agree within what so few replicates can tell.",
            "smaller": "The scatter found is smaller: make sure the replicates were independent determinations and "
                       "not one result copied or averaged, then use your own.",
            "larger": "The scatter found is larger: look for a cause (drawing, drift, a few odd results) before "
                      "relying on the stated repeatability anywhere.",
        }[self.word]


def check_repeatability(s: float, df: float, stated: float, level: float = 0.95) -> RepeatabilityCheck:
    """Compare an own repeatability SD with a stated one by the chi-square interval of the own."""
    if not (math.isfinite(stated) and stated > 0):
        raise ValueError(f"stated must be a finite number above 0, but got {stated}")
    low, high = sd_interval(s, df, level)
    word: Literal["agrees", "smaller", "larger"] = (
        "larger" if low > stated else "smaller" if high < stated else "agrees")
    return RepeatabilityCheck(s=s, df=df, low=low, high=high, level=level, stated=stated, word=word)
