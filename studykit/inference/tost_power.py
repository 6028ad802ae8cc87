"""Exact power of two one-sided tests and of the test for "beyond the margin".

A difference is estimated with standard error se (true value) and, independently, its scatter with df
degrees of freedom. Two one-sided tests at level alpha declare it within (low, high) when

    estimate - t se_hat > low   and   estimate + t se_hat < high,   t = t(1 - alpha, df).

Their joint chance is a difference of two Owen's Q functions (Owen 1965, Biometrika 52:437; Phillips
1990, J. Pharmacokinet. Biopharm. 18:137). With known scatter (df infinite) it is a difference of two
normal probabilities. The same functions serve a depth contrast of any design, given its se and df.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import integrate, optimize, special, stats

Array = NDArray[np.float64]


def owens_q(nu: float, t: float, delta: float, low: float = 0.0, high: float = math.inf) -> float:
    """Owen's Q: integral from ``low`` to ``high`` of Phi(t x / sqrt(nu) - delta) times the chi_nu density.

    nu > 0 degrees of freedom; 0 <= low <= high. Source: Owen (1965), in the form used for the power of
    two one-sided tests.
    """
    if not nu > 0:
        raise ValueError(f"nu must be above 0, but got {nu}")
    if not 0 <= low <= high:
        raise ValueError(f"low and high must satisfy 0 <= low <= high, but got {low}, {high}")
    centre = math.sqrt(max(nu - 1, 0.0))
    end = min(high, centre + 40.0)
    if end <= low:
        return 0.0

    slope, constant = t / math.sqrt(nu), (1 - nu / 2) * math.log(2) - math.lgamma(nu / 2)

    def density(x: float) -> float:
        return float(special.ndtr(slope * x - delta) * math.exp(constant + (nu - 1) * math.log(x) - x * x / 2))

    step = delta * math.sqrt(nu) / t if t else -1.0
    marks = [p for p in (centre - 4, centre, centre + 4, step) if low < p < end]
    value, _ = integrate.quad(density, low, end, points=marks or None, limit=200, epsabs=1e-13, epsrel=1e-11)
    return float(value)


def _check(se: float, df: float, low: float, high: float, alpha: float) -> None:
    if not se > 0:
        raise ValueError(f"se must be above 0, but got {se}")
    if not df > 0:
        raise ValueError(f"df must be above 0, but got {df}")
    if not low < high:
        raise ValueError(f"low must be below high, but got {low}, {high}")
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, but got {alpha}")


def tost_power(true: float, se: float, df: float, low: float, high: float, alpha: float = 0.05) -> float:
    """Chance that two one-sided tests show a difference to be within (low, high), exactly.

    ``true`` is the true difference, ``se`` the true standard error of its estimate (both on the scale
    of the margin), df the degrees of freedom of the estimated standard error (infinite: known).
    """
    _check(se, df, low, high, alpha)
    d1, d2 = (true - low) / se, (true - high) / se
    t = float(stats.t.isf(alpha, df))
    if math.isinf(df):
        return max(0.0, float(special.ndtr(-t - d2) - special.ndtr(t - d1)))
    reach = (d1 - d2) * math.sqrt(df) / (2 * t)
    return max(0.0, owens_q(df, -t, d2, 0.0, reach) - owens_q(df, t, d1, 0.0, reach))


@lru_cache(maxsize=256)
def _nodes(df: float) -> tuple[Array, Array]:
    node, weight = np.polynomial.legendre.leggauss(96)
    v = (node + 1) / 2  # probability v^3: nodes crowd at small values, where rare events come from
    return np.sqrt(stats.chi2.ppf(v**3, df) / df), 1.5 * weight * v**2


def beyond_power(true: float, se: float, df: float, margin: float, alpha: float = 0.05,
                 critical: float | None = None) -> float:
    """Chance that a difference is shown to lie beyond a margin, in its own direction (noncentral t).

    The one-sided statistic (|estimate| - margin)/se_hat is held against ``critical`` (default: the
    t quantile for alpha, one contrast named beforehand; for all pairs of depths pass a simultaneous
    value). ``true`` may have either sign; margin 0 gives the power to detect any gradient in the
    direction of ``true``.
    """
    _check(se, df, -1.0, 1.0, alpha)
    if not margin >= 0:
        raise ValueError(f"margin must be 0 or more, but got {margin}")
    c = float(stats.t.isf(alpha, df)) if critical is None else critical
    shift = (abs(true) - margin) / se
    other = (-abs(true) - margin) / se
    if math.isinf(df):
        return float(special.ndtr(shift - c) + special.ndtr(other - c))
    return float(_nct_sf(c, df, shift) + _nct_sf(c, df, other))


def _nct_sf(c: float, df: float, shift: float) -> float:
    """P(T > c) for the noncentral t, by averaging the normal tail over the chi scale."""
    spread, weight = _nodes(float(df))
    return float(special.ndtr(shift - c * spread) @ weight)


def smallest_margin(se: float, df: float, power: float = 0.8, true: float = 0.0,
                    alpha: float = 0.05) -> float:
    """The smallest symmetric margin that this design would show with the given chance.

    Inverts ``tost_power`` in the margin; ``true`` is the difference that really exists.
    """
    if not alpha < power < 1:
        raise ValueError(f"power must lie between alpha and 1, but got {power}")
    step = se * float(stats.t.isf(alpha, df))
    return _root(lambda m: tost_power(true, se, df, -m, m, alpha) - power, abs(true) + 1e-9 * se,
                 abs(true) + 4 * step + 8 * se)


def _root(gap: Callable[[float], float], low: float, high: float) -> float:
    while gap(high) < 0:
        high *= 2
    return float(optimize.brentq(gap, low, high, xtol=1e-12 * high, rtol=1e-12))
