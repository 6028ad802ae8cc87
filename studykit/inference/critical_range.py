"""The range of a few results with known scatter: critical range factors, chances, and the arithmetic of singles.

Results x_i ~ N(mu_i, s^2), independent, s known (or estimated apart from them). The chance that their range
stays within w is the sum, over which result is the smallest, of one-dimensional integrals. With equal mu the 95 % point is the
critical range factor f(k) of ISO 5725-6 (studentised range with infinite degrees of freedom); with
unequal mu it gives the power of the range rule.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from studykit.inference.tost_power import beyond_power, smallest_margin
from studykit.study.precision import R_FACTOR

Array = NDArray[np.float64]
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(160)


def range_sf(w: float, means: ArrayLike, df: float = math.inf) -> float:
    """Chance that the range of results exceeds w times their standard deviation, known to df degrees of freedom.

    ``means``: true values of two or more results, in units of the true standard deviation; ``df`` infinite
    where the standard deviation is known. With equal means this is the studentised range.
    """
    mu = np.asarray(means, dtype=float)
    if len(mu) < 2 or not np.all(np.isfinite(mu)):
        raise ValueError("means must be two or more finite numbers")
    if w <= 0:
        return 1.0
    width, share = _spread(df)
    means, count = np.unique(mu, return_counts=True)
    inside = np.sum([count[i] * _starting_with(i, means, count, w * width) for i in range(len(means))], axis=0)
    return float(min(1.0, max(0.0, share @ (1.0 - inside))))


def _starting_with(i: int, mu: Array, count: NDArray[np.intp], width: Array) -> Array:
    """Chance for each width that one result of mean i is the smallest and all others lie within the width above it.

    ``mu``: the distinct means, ``count`` how many results have each.
    """
    low, high = mu.min() - 9.0, mu.min() + 9.0
    x = (low + high) / 2 + (high - low) / 2 * _NODE
    density = np.exp(-0.5 * (x - mu[i]) ** 2) / math.sqrt(2 * math.pi)
    inside = np.ones((len(width), len(x)))
    for mean, n in zip(mu, count - (np.arange(len(mu)) == i), strict=True):
        inside *= (special.ndtr(x + width[:, None] - mean) - special.ndtr(x - mean)) ** n
    return np.asarray(inside @ (density * _WEIGHT) * (high - low) / 2)


@lru_cache(maxsize=64)
def _spread(df: float) -> tuple[Array, Array]:
    """Nodes of the estimated over the true standard deviation, and their probabilities."""
    if math.isinf(df):
        return np.ones(1), np.ones(1)
    low, high = math.sqrt(stats.chi2.ppf(1e-14, df) / df), math.sqrt(stats.chi2.isf(1e-14, df) / df)
    s = np.asarray((high + low) / 2 + (high - low) / 2 * _NODE)
    return s, np.asarray(_WEIGHT * (high - low) * df * s * stats.chi2.pdf(df * s**2, df))


@lru_cache(maxsize=128)
def critical_range_factor(k: int, level: float = 0.95) -> float:
    """f(k): k results of one material have a range above f(k) s in a share 1 - level of cases.

    ISO 5725-6, critical range; f(2) = 2.77, f(3) = 3.31, f(4) = 3.63, f(5) = 3.86 at 95 %.
    """
    if k < 2:
        raise ValueError(f"k must be at least 2, but got {k}")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, but got {level}")
    return float(optimize.brentq(lambda w: range_sf(w, [0.0] * k) - (1 - level), 1e-3, 20.0, xtol=1e-12))


def linear_profile(k: int, difference: float) -> list[float]:
    """k true means in equal steps whose first and last differ by ``difference``."""
    return [difference * i / (k - 1) for i in range(k)]


def range_power(k: int, difference: float, level: float = 0.95) -> float:
    """Chance that the range rule sees a linear profile whose ends differ by ``difference`` (in units of s)."""
    return range_sf(critical_range_factor(k, level), linear_profile(k, difference))


def smallest_range_seen(k: int, power: float = 0.8, level: float = 0.95) -> float:
    """Smallest top-to-bottom difference of a linear profile that the range rule sees with this chance, in s."""
    if not 1 - level < power < 1:
        raise ValueError(f"power must lie between {1 - level:g} and 1, but got {power}")
    return float(optimize.brentq(lambda d: range_power(k, d, level) - power, 0.0, 30.0, xtol=1e-10))


def flag_chance(analytes: int, k: int = 3, *, rule: str = "critical range", alpha: float = 0.05) -> float:
    """Chance that a perfectly uniform container gets at least one flag with this many independent analytes.

    rule "critical range": each judged by f(k) s (chance alpha each); rule "r": the range of k results
    held against r, which is for two results.
    """
    if analytes < 1 or rule not in ("critical range", "r"):
        raise ValueError(f"analytes must be 1 or more and rule 'critical range' or 'r', got {analytes}, {rule!r}")
    each = alpha if rule == "critical range" else range_sf(R_FACTOR, [0.0] * k)
    return 1 - (1 - each) ** analytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SinglesArithmetic:
    """What single (or n-fold) results at k depths of one container can and cannot show; margins in r.

    ``never``: margins below this can never be shown, one pair; ``pair``: margin shown with chance
    ``power`` when nothing has settled, one pair; ``all_pairs``: the same for all pairs of depths;
    ``range_rule``: critical range; ``naive_alarm``: chance that the range of k results of one material
    exceeds r; ``flags``: chance of a flag on a uniform container with ``analytes`` analytes.
    """

    depths: int
    results_per_depth: int
    analytes: int
    alpha: float
    power: float
    never: float
    pair: float
    all_pairs: float
    range_rule: float
    naive_alarm: float
    flags: float

    def sentences(self) -> tuple[str, ...]:
        """The arithmetic in plain words, for the page before anybody draws a sample."""
        n = self.results_per_depth
        one = "single results" if n == 1 else f"means of {n} results"
        k = {2: "two", 3: "three", 4: "four", 5: "five"}.get(self.depths, str(self.depths))
        return (
            f"Two {one} can never be shown to be the same if the margin is below {self.never:.2f} r, however well "
            "they agree.",
            f"They need a margin of {self.pair:.1f} r for a chance of {100 * self.power:.0f} % of being shown the same when "
            f"nothing has settled; all pairs of {k} depths together need {self.all_pairs:.1f} r.",
            f"{k.capitalize()} {one} are judged by {self.range_rule:.2f} r, not by r: r is for two single results, "
            f"and the range of {k} honest single results on identical liquid exceeds it in {100 * self.naive_alarm:.0f} % "
            "of cases.",
            f"With {self.analytes} analyte{'s' if self.analytes != 1 else ''}, a perfectly uniform container gets at "
            f"least one flag with a chance of {100 * self.flags:.0f} %.",
        )

    def to_table(self) -> pd.DataFrame:
        """One row a number: what, value, in units of."""
        rows = [("margin that one pair can never show", self.never, "r"),
                (f"margin that one pair shows with chance {self.power:g}", self.pair, "r"),
                (f"margin that all pairs show with chance {self.power:g}", self.all_pairs, "r"),
                ("critical range of all depths", self.range_rule, "r"),
                ("chance that the range of single results exceeds r", self.naive_alarm, "1"),
                ("chance of a flag on a uniform container", self.flags, "1")]
        return pd.DataFrame(rows, columns=["what", "value", "in units of"])


def singles_arithmetic(depths: int = 3, results_per_depth: int = 1, analytes: int = 1, *, alpha: float = 0.05,
                       power: float = 0.8) -> SinglesArithmetic:
    """The known arithmetic of a one-container design, before any sample is drawn."""
    if depths < 2 or results_per_depth < 1:
        raise ValueError(f"depths must be at least 2 and results at least 1, got {depths}, {results_per_depth}")
    s = 1 / math.sqrt(results_per_depth)
    se, z = s * math.sqrt(2), float(stats.norm.isf(alpha))
    inner = critical_range_factor(depths, power) * s
    return SinglesArithmetic(
        depths=depths, results_per_depth=results_per_depth, analytes=analytes, alpha=alpha, power=power,
        never=z * se / R_FACTOR, pair=smallest_margin(se, math.inf, power, alpha=alpha) / R_FACTOR,
        all_pairs=(inner + z * se) / R_FACTOR, range_rule=critical_range_factor(depths, 1 - alpha) * s / R_FACTOR,
        naive_alarm=range_sf(R_FACTOR, [0.0] * depths), flags=flag_chance(analytes, depths, alpha=alpha))


def detection_table(depths: int = 3, differences: Sequence[float] = (2, 3, 4, 5, 6), *,
                    alpha: float = 0.05) -> pd.DataFrame:
    """Chance to notice a true top-to-bottom difference (in s_r) with single results: two rules side by side.

    "range": all depths by the critical range; "contrast": lower minus upper alone, one-sided in a
    direction declared beforehand.
    """
    rows = [{"difference in s_r": float(d), "range": range_power(depths, d, 1 - alpha),
             "contrast": beyond_power(d, math.sqrt(2), math.inf, 0.0, alpha)
             - float(special.ndtr(-d / math.sqrt(2) - stats.norm.isf(alpha)))} for d in differences]
    return pd.DataFrame(rows)
