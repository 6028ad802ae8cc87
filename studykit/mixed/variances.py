"""How well a standard deviation is known: intervals, "zero, could be up to x", own against published.

For a mean square MS on df degrees of freedom with expectation E, df * MS / E is chi-square. From it
follow exact intervals for a repeatability, and bounds for a variance component that a balanced
design estimates as (MS1 - MS2)/n, also where the estimate is zero.
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


def sd_upper(s: float, df: float, level: float = 0.95) -> float:
    """One-sided upper bound for a true standard deviation."""
    _check(s, df, level)
    return s * math.sqrt(df / float(stats.chi2.ppf(1 - level, df)))


def component_upper(ms: float, df: float, ms_below: float, df_below: float, n: int, level: float = 0.95) -> float:
    """Upper confidence bound for the variance component (E[MS] - E[MS below])/n of a balanced design.

    ms, df: mean square that holds the component, n rows (or cells) a level; ms_below, df_below: the one
    beneath it. df_below infinite means that the variance beneath is known: then the bound is exact
    (chi-square). Otherwise the modified large-sample bound (Graybill & Wang 1980, JASA 75:869; Burdick &
    Graybill 1992, Confidence Intervals on Variance Components, section 3.3; from memory, coverage checked
    by simulation). Never negative; where the estimate is zero this is the "could be up to".
    """
    _check(math.sqrt(ms) if ms >= 0 else ms, df, level)
    _check(math.sqrt(ms_below) if ms_below >= 0 else ms_below, df_below, level)
    if n < 1:
        raise ValueError(f"n must be at least 1, but got {n}")
    alpha = 1 - level
    h1 = df / float(stats.chi2.ppf(alpha, df)) - 1
    if math.isinf(df_below):
        return max(0.0, ((1 + h1) * ms - ms_below) / n)
    g2 = 1 - df_below / float(stats.chi2.isf(alpha, df_below))
    f3 = float(stats.f.ppf(alpha, df, df_below))
    h12 = ((1 - f3) ** 2 - h1**2 * f3**2 - g2**2) / f3
    spread = h1**2 * ms**2 + g2**2 * ms_below**2 + h12 * ms * ms_below
    return max(0.0, (ms - ms_below + math.sqrt(max(0.0, spread))) / n)


def ratio_upper(ms: float, df: float, ms_below: float, df_below: float, n: int, level: float = 0.95) -> float:
    """Exact upper bound for component/(variance beneath), E[MS]/E[MS below] = 1 + n ratio (F distribution)."""
    _check(math.sqrt(ms), df, level)
    if not ms_below > 0:
        raise ValueError(f"ms_below must be above 0, but got {ms_below}")
    return max(0.0, (ms / ms_below / float(stats.f.ppf(1 - level, df, df_below)) - 1) / n)


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
