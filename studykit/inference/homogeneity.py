"""Homogeneity criteria of the proficiency-testing and reference-material guides, from replicated items.

Each item (container, or sample) is measured m times (m >= 2) under repeatability conditions. With item
means x_i, their standard deviation s_x, and the pooled within-item standard deviation s_w,
the between-item variance is s_s^2 = max(0, s_x^2 - s_w^2/m). Three documents judge it:

* ISO 13528:2015 Annex B: s_s <= 0.3 sigma_pt; or, allowing for sampling error, s_s^2 <= c with
  c = F1 (0.3 sigma_pt)^2 + F2 s_w^2;
* the IUPAC Harmonized Protocol 2006 (Thompson, Ellison & Wood, Pure Appl. Chem. 78:145), Appendix 1:
  the same c, after a Cochran test of the duplicates;
* ISO Guide 35: s_bb itself, and u*_bb, what the repeatability of the test could hide, against the
  intended use.

A test of "no difference at all" (analysis of variance) stands beside them; it answers another question:
a material can differ detectably and still be sufficiently homogeneous.
F1 = chi2(0.95, g - 1)/(g - 1); F2 = (F(0.95, g - 1, g (m - 1)) - 1)/m, which for m = 2 gives the printed table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from studykit.core.errors import DesignMismatch

# ISO 13528:2015 Annex B / IUPAC 2006 Appendix 1, factors F1 and F2 for duplicates, by number of items
PRINTED_FACTORS: dict[int, tuple[float, float]] = {
    7: (2.10, 1.43), 8: (2.01, 1.25), 9: (1.94, 1.11), 10: (1.88, 1.01), 11: (1.83, 0.93), 12: (1.79, 0.86),
    13: (1.75, 0.80), 14: (1.72, 0.75), 15: (1.69, 0.71), 16: (1.67, 0.68), 17: (1.64, 0.64), 18: (1.62, 0.62),
    19: (1.60, 0.59), 20: (1.59, 0.57)}


def cochran_critical(p: int, n: int, alpha: float = 0.05) -> float:
    """Critical value of Cochran's C, largest of p variances (>= 2) of n results (>= 2) over their sum, at level alpha.

    C = f/(f + p - 1) with f the upper alpha/p point of F on n - 1 and (p - 1)(n - 1) degrees of freedom, which is
    Bonferroni's bound, exact when C > 1/2.  Source: ISO 5725-2:1994, 7.3.3 and table 4.
    """
    if p < 2 or n < 2:
        raise ValueError(f"p and n must be 2 or more, but got p = {p}, n = {n}")
    f = float(stats.f.isf(alpha / p, n - 1, (p - 1) * (n - 1)))
    return f / (f + p - 1)


def factors(items: int, replicates: int = 2) -> tuple[float, float]:
    """F1 and F2 of the expanded criterion for g items with m replicates each."""
    if items < 2 or replicates < 2:
        raise ValueError(f"items and replicates must be at least 2, but got {items}, {replicates}")
    f1 = float(stats.chi2.ppf(0.95, items - 1)) / (items - 1)
    f2 = (float(stats.f.ppf(0.95, items - 1, items * (replicates - 1))) - 1) / replicates
    return f1, f2


@dataclass(frozen=True, slots=True, kw_only=True)
class Homogeneity:
    """Between- and within-item scatter with the three judgements (unit of the values).

    ``s_s`` between items (0 where the means scatter no more than their repeatability); ``c`` the
    critical value of s_s^2; ``sufficient`` and ``sufficient_expanded`` are None where no sigma_pt was
    declared; ``s_bb`` and ``u_bb`` after ISO Guide 35; ``cochran`` with its 5 % and 1 % critical values.
    """

    items: int
    replicates: float
    mean: float
    s_x: float
    s_w: float
    s_s: float
    sigma_pt: float | None
    f1: float
    f2: float
    c: float | None
    s_bb: float
    u_bb: float
    F: float
    p: float
    cochran: float
    cochran_5: float
    cochran_1: float

    @property
    def allowed(self) -> float | None:
        """0.3 sigma_pt."""
        return None if self.sigma_pt is None else 0.3 * self.sigma_pt

    @property
    def sufficient(self) -> bool | None:
        """s_s <= 0.3 sigma_pt."""
        return None if self.allowed is None else self.s_s <= self.allowed

    @property
    def sufficient_expanded(self) -> bool | None:
        """s_s^2 <= F1 (0.3 sigma_pt)^2 + F2 s_w^2."""
        return None if self.c is None else self.s_s**2 <= self.c

    def sentences(self, alpha: float = 0.05) -> tuple[str, ...]:
        """The judgements in plain words."""
        differ = "differ" if self.p < alpha else "are not shown to differ"
        out = [f"The items {differ} from one another at all (F = {self.F:.3g}, p = {self.p:.2g})."]
        if self.allowed is not None:
            verb = "is" if self.sufficient else "is not" if not self.sufficient_expanded else "is, with allowance,"
            out.append(f"The material {verb} sufficiently homogeneous for its use: s_s = {self.s_s:.3g} against "
                       f"0.3 sigma_pt = {self.allowed:.3g}.")
        hidden = max(self.s_bb, self.u_bb)
        out.append(f"Differences between items up to a standard deviation of {hidden:.3g} have to be reckoned with "
                   f"(s_bb = {self.s_bb:.3g}, u*_bb = {self.u_bb:.3g}).")
        if self.cochran > self.cochran_5:
            out.append(f"One item's replicates scatter more than the others' (Cochran's C = {self.cochran:.3f}, "
                       f"5 % value {self.cochran_5:.3f}): look for a cause before relying on this.")
        return tuple(out)

    def to_table(self) -> pd.DataFrame:
        """One row a quantity."""
        rows = [("items", self.items), ("replicates", self.replicates), ("mean", self.mean), ("s_x", self.s_x),
                ("s_w", self.s_w), ("s_s", self.s_s), ("0.3 sigma_pt", self.allowed), ("c", self.c),
                ("s_bb", self.s_bb), ("u*_bb", self.u_bb), ("F", self.F), ("p", self.p),
                ("Cochran C", self.cochran), ("Cochran C, 5 %", self.cochran_5)]
        return pd.DataFrame(rows, columns=["quantity", "value"])


def assess_items(values: Sequence[ArrayLike], sigma_pt: float | None = None, *,
                 printed_factors: bool = False) -> Homogeneity:
    """Judge the homogeneity of g items from their replicates (one sequence an item, each >= 2 results).

    ``sigma_pt``: standard deviation for proficiency assessment, or whatever spread is acceptable in use
    (same unit); without it only the Guide 35 figures are given. ``printed_factors`` takes F1 and F2 from
    the printed table (duplicates of 7 to 20 items), rounded as there, in place of their formulas.
    """
    groups = [np.asarray(v, dtype=float) for v in values]
    _check(groups, sigma_pt)
    counts = np.array([len(g) for g in groups])
    g, total = len(groups), int(counts.sum())
    means = np.array([x.mean() for x in groups])
    grand = float(np.concatenate(groups).mean())
    within = np.array([float(np.sum((x - x.mean()) ** 2)) for x in groups])
    msw = float(within.sum()) / (total - g)
    msb = float(np.sum(counts * (means - grand) ** 2)) / (g - 1)
    n0 = (total - float(np.sum(counts**2)) / total) / (g - 1)
    s_s2 = max(0.0, (msb - msw) / n0)
    f1, f2 = _chosen(g, counts, printed_factors)
    c = None if sigma_pt is None else f1 * (0.3 * sigma_pt) ** 2 + f2 * msw
    flat = msw <= 1e-24 * max(1.0, grand**2)
    F = math.inf if flat else msb / msw
    variances = within / (counts - 1)
    return Homogeneity(
        items=g, replicates=n0, mean=grand, s_x=math.sqrt(msb / n0), s_w=math.sqrt(msw), s_s=math.sqrt(s_s2),
        sigma_pt=sigma_pt, f1=f1, f2=f2, c=c, s_bb=math.sqrt(s_s2),
        u_bb=math.sqrt(msw / n0) * (2 / (total - g)) ** 0.25, F=F, p=float(stats.f.sf(F, g - 1, total - g)),
        cochran=0.0 if flat else float(variances.max() / variances.sum()),
        cochran_5=cochran_critical(g, max(2, round(n0)), 0.05), cochran_1=cochran_critical(g, max(2, round(n0)), 0.01))


def _chosen(g: int, counts: NDArray[np.int64], printed: bool) -> tuple[float, float]:
    if not printed:
        return factors(g, max(2, round(float(counts.mean()))))
    if g not in PRINTED_FACTORS or not np.all(counts == 2):
        raise ValueError(f"printed factors must be used with duplicates of 7 to 20 items, but got {g} items")
    return PRINTED_FACTORS[g]


def _check(groups: list[NDArray[np.float64]], sigma_pt: float | None) -> None:
    if len(groups) < 2:
        raise DesignMismatch(f"homogeneity between items needs at least two items, but got {len(groups)}")
    short = [i + 1 for i, x in enumerate(groups) if x.ndim != 1 or len(x) < 2]
    if short:
        raise DesignMismatch(f"every item needs at least two results; items {', '.join(map(str, short))} have fewer")
    if not all(np.all(np.isfinite(x)) for x in groups):
        raise DesignMismatch("every result must be a finite number")
    if sigma_pt is not None and not (math.isfinite(sigma_pt) and sigma_pt > 0):
        raise ValueError(f"sigma_pt must be a finite number above 0, but got {sigma_pt}")
