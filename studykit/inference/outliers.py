"""Outlier tests and precision of unbalanced tables, as in ISO 5725-2.

Three tests on a table of groups (laboratories there, containers or duplicate pairs here) with a
few results each:

- Cochran: is one group's scatter too large? C = largest s_i^2 / sum of s_i^2.
- Grubbs, single: is one group mean too far from the others? G = |extreme - mean| / s.
- Grubbs, double: are the two highest (or two lowest) means too far, each hiding the other?
  G2 = sum of squares without the two / sum of squares with them; small values are suspicious.

A statistic beyond its 5 % value is called a straggler, beyond its 1 % value an outlier. These are
calls for a person to look, not licences to delete.

Critical values are computed, not tabulated:

- Cochran: C = f / (f + p - 1) with f the 1 - a/p quantile of F(n - 1, (p - 1)(n - 1)). This is
  Bonferroni's bound, exact when C > 1/2.
- Grubbs single, two-sided: G = (p-1)/sqrt(p) sqrt(t^2/(p-2+t^2)), t the 1 - a/(2p) quantile of
  Student's t with p - 2 degrees of freedom (Grubbs 1950; Bonferroni again).
- Grubbs double, a/2 in each direction: exact, by the recursion on sample size of the largest
  studentised deviation. Removing the largest of m values leaves the fraction cos^2(phi) of the
  sum of squares, where for a labelled value phi has density proportional to cos^(m-3)(phi) and is
  independent of the shape of the others; it is the largest when the next angle psi satisfies
  sin(psi) <= sqrt(m/(m-2)) tan(phi).

Source of the tests and of the precision formulas: ISO 5725-2:1994, 7.3 and 7.4.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import integrate, optimize, special, stats

GRID = 4001
Groups = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlierTest:
    """One test on one table: its statistic beside its 5 % and 1 % values.

    suspects: the group or groups that the statistic is about. p: number of groups. n: results a
    group (Cochran only, else 0). small_is_suspicious: true for the double Grubbs ratio.
    """

    test: str
    suspects: tuple[str, ...]
    statistic: float
    critical_5: float
    critical_1: float
    p: int
    n: int = 0
    small_is_suspicious: bool = False

    @property
    def call(self) -> str:
        """'outlier' beyond the 1 % value, 'straggler' beyond the 5 % value, else 'none'."""
        sign = -1.0 if self.small_is_suspicious else 1.0
        if sign * self.statistic > sign * self.critical_1:
            return "outlier"
        return "straggler" if sign * self.statistic > sign * self.critical_5 else "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """All tests made on one table of groups, in the order of ISO 5725-2."""

    tests: tuple[OutlierTest, ...]

    def named(self, call: str = "outlier") -> tuple[str, ...]:
        """Groups that any test gave this call, in alphabetical order."""
        return tuple(sorted({s for t in self.tests if t.call == call for s in t.suspects}))

    def to_table(self) -> pd.DataFrame:
        """One row a test: test, suspects, statistic, critical_5, critical_1, call."""
        names = ["test", "suspects", "statistic", "critical_5", "critical_1", "call"]
        table = pd.DataFrame([[getattr(t, k) for k in names] for t in self.tests], columns=names)
        return table.assign(suspects=[" ".join(t.suspects) for t in self.tests])


@dataclass(frozen=True, slots=True, kw_only=True)
class TablePrecision:
    """Mean and precision of one level, groups of unequal size allowed.

    m: mean of all results. s_r: within-group (repeatability) standard deviation. s_L: between
    groups, floored at 0. s_R: both together (reproducibility). All in the unit of the data.
    p: groups. n: results. df_r: degrees of freedom of s_r.
    """

    m: float
    s_r: float
    s_L: float  # noqa: N815 - the standard's symbol
    s_R: float  # noqa: N815 - the standard's symbol
    p: int
    n: int
    df_r: int

    def to_table(self) -> pd.DataFrame:
        """One row with every field."""
        names = ["m", "s_r", "s_L", "s_R", "p", "n", "df_r"]
        return pd.DataFrame([[getattr(self, k) for k in names]], columns=names)


def cochran_critical(p: int, n: int, alpha: float) -> float:
    """Critical value of Cochran's C for p groups (>= 2) of n results (>= 2) at level alpha (0..1)."""
    if p < 2 or n < 2:
        raise ValueError(f"p and n must be 2 or more, but got p = {p}, n = {n}")
    f = float(stats.f.ppf(1 - alpha / p, n - 1, (p - 1) * (n - 1)))
    return f / (f + p - 1)


def grubbs_critical(p: int, alpha: float) -> float:
    """Critical value of the single Grubbs statistic for p values (>= 3), two-sided level alpha."""
    if p < 3:
        raise ValueError(f"p must be 3 or more, but got {p}")
    t2 = float(stats.t.ppf(1 - alpha / (2 * p), p - 2)) ** 2
    return float((p - 1) / np.sqrt(p) * np.sqrt(t2 / (p - 2 + t2)))


def _angles() -> NDArray[np.float64]:
    return np.linspace(0.0, np.pi / 2, GRID)


def _angle_constant(m: int) -> float:
    """Number that makes constant x cos^(m-3) a density on (-pi/2, pi/2)."""
    return float(np.exp(special.gammaln((m - 1) / 2) - special.gammaln((m - 2) / 2)) / np.sqrt(np.pi))


def _next_bound(phi: NDArray[np.float64], m: int) -> NDArray[np.float64]:
    """Largest angle of the next value when a value at angle phi is the largest of m."""
    with np.errstate(over="ignore"):
        return np.arcsin(np.minimum(1.0, np.sqrt(m / (m - 2)) * np.tan(np.minimum(phi, np.pi / 2 - 1e-12))))


@lru_cache(maxsize=256)
def _largest_cdf(m: int) -> NDArray[np.float64]:
    """P(angle of the largest of m normal values <= phi) on the grid of angles."""
    phi = _angles()
    if m == 3:
        return np.clip((phi - np.pi / 6) / (np.pi / 3), 0.0, 1.0)
    density = m * _angle_constant(m) * np.cos(phi) ** (m - 3)
    density = density * np.interp(_next_bound(phi, m), phi, _largest_cdf(m - 1))
    cdf = np.append(0.0, integrate.cumulative_trapezoid(density, phi))
    return np.asarray(np.minimum(1.0, cdf / cdf[-1]), dtype=float)


def _double_probability(c: float, p: int) -> float:
    """P(double Grubbs ratio of the two largest of p normal values < c), p >= 4."""
    phi = _angles()
    inner = _largest_cdf(p - 1)
    cos_psi = np.clip(np.sqrt(c) / np.maximum(np.cos(phi), 1e-300), 0.0, 1.0)
    cut = np.where(np.cos(phi) <= np.sqrt(c), 0.0, np.arccos(cos_psi))
    share = np.interp(_next_bound(phi, p), phi, inner) - np.interp(cut, phi, inner)
    density = p * _angle_constant(p) * np.cos(phi) ** (p - 3) * np.maximum(share, 0.0)
    return float(integrate.trapezoid(density, phi))


@lru_cache(maxsize=256)
def grubbs_double_critical(p: int, alpha: float) -> float:
    """Critical value of the double Grubbs ratio for p values (4 to 200), alpha/2 in each direction."""
    if not 4 <= p <= 200:
        raise ValueError(f"p must be from 4 to 200, but got {p}")
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must be between 0 and 0.5, but got {alpha}")
    root = optimize.brentq(lambda c: _double_probability(c, p) - alpha / 2, 1e-9, 1 - 1e-9, xtol=1e-10)
    return float(root)


def _clean(groups: Groups) -> dict[str, NDArray[np.float64]]:
    arrays = {k: np.asarray(v, dtype=float) for k, v in groups.items()}
    bad = [k for k, v in arrays.items() if v.size == 0 or not np.all(np.isfinite(v))]
    if bad:
        raise ValueError(f"every group must hold finite numbers, but got none or NaN in {', '.join(bad)}")
    return arrays


def cochran_test(groups: Groups) -> OutlierTest:
    """Cochran's test for the group with the largest scatter.

    Groups with one result are left out. With unequal sizes the critical value is taken at the
    size that occurs most often (the smaller of two equally frequent), as ISO 5725-2 7.3.3 asks.
    ValueError with fewer than two groups of two results.
    """
    arrays = {k: v for k, v in _clean(groups).items() if v.size >= 2}
    if len(arrays) < 2:
        raise ValueError(f"groups must hold two or more with two results each, but got {len(arrays)}")
    variances = {k: float(np.var(v, ddof=1)) for k, v in arrays.items()}
    total = sum(variances.values())
    worst = max(variances, key=lambda k: variances[k])
    sizes, counts = np.unique([v.size for v in arrays.values()], return_counts=True)
    n, p = int(sizes[int(np.argmax(counts))]), len(arrays)
    return OutlierTest(
        test="Cochran",
        suspects=(worst,),
        statistic=variances[worst] / total if total > 0 else 0.0,
        critical_5=cochran_critical(p, n, 0.05),
        critical_1=cochran_critical(p, n, 0.01),
        p=p,
        n=n,
    )


def _ordered(values: Mapping[str, float], high: bool) -> tuple[list[str], NDArray[np.float64]]:
    keys = sorted(values, key=lambda k: values[k], reverse=high)
    return keys, np.array([values[k] for k in keys], dtype=float)


def grubbs_single(values: Mapping[str, float], *, high: bool) -> OutlierTest:
    """Grubbs' test of the highest (or lowest) of p >= 3 values."""
    keys, x = _ordered(values, high)
    s = float(np.std(x, ddof=1)) if x.size > 1 else 0.0
    return OutlierTest(
        test=f"Grubbs, {'highest' if high else 'lowest'}",
        suspects=(keys[0],),
        statistic=abs(float(x[0] - x.mean())) / s if s > 0 else 0.0,
        critical_5=grubbs_critical(x.size, 0.05),
        critical_1=grubbs_critical(x.size, 0.01),
        p=x.size,
    )


def grubbs_double(values: Mapping[str, float], *, high: bool) -> OutlierTest:
    """Grubbs' test of the two highest (or two lowest) of p >= 4 values together."""
    keys, x = _ordered(values, high)
    critical_5, critical_1 = grubbs_double_critical(x.size, 0.05), grubbs_double_critical(x.size, 0.01)
    total, rest = float(np.sum((x - x.mean()) ** 2)), float(np.sum((x[2:] - x[2:].mean()) ** 2))
    return OutlierTest(
        test=f"Grubbs, two {'highest' if high else 'lowest'}",
        suspects=tuple(keys[:2]),
        statistic=rest / total if total > 0 else 1.0,
        critical_5=critical_5,
        critical_1=critical_1,
        p=x.size,
        small_is_suspicious=True,
    )


def grubbs_tests(values: Mapping[str, float]) -> tuple[OutlierTest, ...]:
    """The single tests on both ends, and the double tests when neither single test finds an outlier."""
    singles = tuple(grubbs_single(values, high=high) for high in (False, True))
    if len(values) < 4 or any(t.call == "outlier" for t in singles):
        return singles
    return singles + tuple(grubbs_double(values, high=high) for high in (False, True))


def screen(groups: Groups) -> Screening:
    """Cochran's test on the scatter and Grubbs' tests on the means of p >= 3 groups."""
    arrays = _clean(groups)
    tests: tuple[OutlierTest, ...] = ()
    if sum(v.size >= 2 for v in arrays.values()) >= 2:
        tests = (cochran_test(groups),)
    return Screening(tests=tests + grubbs_tests({k: float(v.mean()) for k, v in arrays.items()}))


def table_precision(groups: Groups) -> TablePrecision:
    """Mean, repeatability and reproducibility of one level; groups may differ in size.

    ValueError when no group has two results, or with fewer than two groups.
    Source: ISO 5725-2:1994, 7.4.4 and 7.4.5.
    """
    arrays = list(_clean(groups).values())
    sizes = np.array([v.size for v in arrays])
    p, n, df = len(arrays), int(sizes.sum()), int(np.sum(sizes - 1))
    if p < 2 or df < 1:
        raise ValueError(f"groups must be two or more, one of them with two results, but got sizes {sizes}")
    means = np.array([v.mean() for v in arrays])
    m = float(np.sum(sizes * means) / n)
    s2_r = float(sum(np.sum((v - v.mean()) ** 2) for v in arrays) / df)
    s2_d = float(np.sum(sizes * (means - m) ** 2) / (p - 1))
    n_bar = (n - float(np.sum(sizes**2)) / n) / (p - 1)
    s2_l = max(0.0, (s2_d - s2_r) / n_bar)
    return TablePrecision(
        m=m, s_r=s2_r**0.5, s_L=s2_l**0.5, s_R=(s2_r + s2_l) ** 0.5, p=p, n=n, df_r=df
    )
