"""Outlier tests as in ISO 5725-2.

Two tests on a table of groups (laboratories there, containers or duplicate pairs here) with a
few results each:

- Cochran: is one group's scatter too large? C = largest s_i^2 / sum of s_i^2.
- Grubbs: is one group mean too far from the others? G = |extreme - mean| / s.

A statistic beyond its 5 % value is called a straggler, beyond its 1 % value an outlier. These are
calls for a person to look, not licences to delete.

Critical values are computed, not tabulated:

- Cochran: C = f / (f + p - 1) with f the 1 - a/p quantile of F(n - 1, (p - 1)(n - 1)). This is
  Bonferroni's bound, exact when C > 1/2.
- Grubbs, two-sided: G = (p-1)/sqrt(p) sqrt(t^2/(p-2+t^2)), t the 1 - a/(2p) quantile of
  Student's t with p - 2 degrees of freedom (Grubbs 1950; Bonferroni again).

Source of the tests: ISO 5725-2:1994, 7.3.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Groups = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlierTest:
    """One test on one table: its statistic beside its 5 % and 1 % values.

    suspects: the group or groups that the statistic is about. p: number of groups. n: results a
    group (Cochran only, else 0).
    """

    test: str
    suspects: tuple[str, ...]
    statistic: float
    critical_5: float
    critical_1: float
    p: int
    n: int = 0

    @property
    def call(self) -> str:
        """'outlier' beyond the 1 % value, 'straggler' beyond the 5 % value, else 'none'."""
        if self.statistic > self.critical_1:
            return "outlier"
        return "straggler" if self.statistic > self.critical_5 else "none"


def cochran_critical(p: int, n: int, alpha: float = 0.05) -> float:
    """Critical value of Cochran's C for p groups (>= 2) of n results (>= 2) at level alpha (0..1).

    C = f/(f + p - 1) with f the upper alpha/p point of F on n - 1 and (p - 1)(n - 1) degrees of freedom.
    """
    if p < 2 or n < 2:
        raise ValueError(f"p and n must be 2 or more, but got p = {p}, n = {n}")
    f = float(stats.f.isf(alpha / p, n - 1, (p - 1) * (n - 1)))
    return f / (f + p - 1)


def grubbs_critical(p: int, alpha: float) -> float:
    """Critical value of the single Grubbs statistic for p values (>= 3), two-sided level alpha."""
    if p < 3:
        raise ValueError(f"p must be 3 or more, but got {p}")
    t2 = float(stats.t.ppf(1 - alpha / (2 * p), p - 2)) ** 2
    return float((p - 1) / np.sqrt(p) * np.sqrt(t2 / (p - 2 + t2)))


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
