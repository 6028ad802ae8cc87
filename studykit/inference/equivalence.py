"""Same enough? Two one-sided tests, intervals that hold together, and the three verdict words.

A difference between depths is judged against a margin that was declared beforehand (``margin``). With L, U
the limits of the 1 - 2 alpha interval (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657):

* homogeneous: for every pair of depths margin.low < L and U < margin.high. An intersection-union
  test: each pair at level alpha, no correction (Berger 1982, Technometrics 24:295);
* stratified: some difference is shown to lie beyond the margin, with all pairs taken into account by the union over the
  corners of "no difference is beyond the margin" (``contrasts.union_p``; one-sided beyond either edge, which is what an
  error rate of alpha at the margin needs: intervals of level 1 - alpha would halve it). It takes nothing from
  an estimated ratio of margin and standard error, so it holds for margins small against it as well;
* inconclusive: neither. The two tests cannot both succeed.

Every contrast has its own standard error and degrees of freedom, whichever way they were found: own differences, a
scatter that was declared before the data (``declared``), or one that is known (one container).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from studykit.inference.contrasts import Family, contrasts_of, family, union_p
from studykit.inference.declared import Structure, declared_contrasts
from studykit.inference.margin import Interval, Margin, Scale, per_cent
from studykit.inference.tost_power import beyond_power, owens_q, smallest_margin, tost_power

__all__ = ["Comparison", "Contrast", "Equivalence", "Interval", "Margin", "Scale", "beyond_power", "compare_cells",
           "compare_known", "container_summary", "holm", "owens_q", "smallest_margin", "tost",
           "tost_power"]
Array = NDArray[np.float64]
OWN = "t over containers' own differences"
LOST = "t over containers, lost readings by CR2"
DECLARED = {"pooled": "one scatter for all differences, declared", "own gradient": "gradients of the containers, declared"}
Word = Literal["homogeneous", "stratified", "inconclusive"]


def _alpha(alpha: float) -> float:
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, but got {alpha}")
    return alpha


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """One difference with its standard error, degrees of freedom and how they were obtained.

    ``scale`` "log": estimate and se are natural logs and ``shown`` gives per cent; "raw": ``unit``.
    """

    label: str
    estimate: float
    se: float
    df: float
    scale: Scale = "raw"
    unit: str = ""
    method: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.estimate) and math.isfinite(self.se) and self.se > 0 and self.df > 0):
            raise ValueError(f"{self.label}: estimate must be finite, se and df above 0, but got "
                             f"{self.estimate}, {self.se}, {self.df}")

    def statistic(self, value: float = 0.0) -> float:
        """(estimate - value) in standard errors."""
        return (self.estimate - value) / self.se

    def p_value(self, value: float = 0.0) -> float:
        """Two-sided p-value for a true difference of ``value``."""
        return float(2 * stats.t.sf(abs(self.statistic(value)), self.df))

    def interval(self, level: float = 0.95, critical: float | None = None) -> Interval:
        """Two-sided interval; ``critical`` replaces the t quantile (simultaneous intervals)."""
        if not 0 < level < 1:
            raise ValueError(f"level must lie between 0 and 1, but got {level}")
        c = float(stats.t.isf((1 - level) / 2, self.df)) if critical is None else critical
        return Interval(low=self.estimate - c * self.se, high=self.estimate + c * self.se, level=level)

    def shown(self, level: float = 0.95, critical: float | None = None) -> tuple[float, float, float, str]:
        """Estimate, lower, upper limit and unit as reported: per cent on the log scale, else raw."""
        span = self.interval(level, critical)
        if self.scale == "raw":
            return self.estimate, span.low, span.high, self.unit
        a, b, c = (per_cent(x) for x in (self.estimate, span.low, span.high))
        return a, b, c, "%"


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Two one-sided tests of one contrast against a margin."""

    contrast: Contrast
    margin: Margin
    alpha: float
    t_low: float
    t_high: float
    p_low: float
    p_high: float

    @property
    def p(self) -> float:
        """The larger of the two one-sided p-values."""
        return max(self.p_low, self.p_high)

    @property
    def within(self) -> bool:
        """True where the difference is shown to lie within the margin."""
        return self.p < self.alpha

    def interval(self) -> Interval:
        """The 1 - 2 alpha interval; it lies inside the margin exactly where ``within`` is true."""
        return self.contrast.interval(1 - 2 * self.alpha)


def tost(contrast: Contrast, margin: Margin, alpha: float = 0.05) -> Equivalence:
    """Test one contrast against both edges of a margin (Schuirmann 1987)."""
    _alpha(alpha)
    if contrast.scale != margin.scale:
        raise ValueError(f"margin must be on the {contrast.scale} scale of the contrast, but got {margin.scale}")
    t_low, t_high = contrast.statistic(margin.low), contrast.statistic(margin.high)
    return Equivalence(contrast=contrast, margin=margin, alpha=alpha, t_low=t_low, t_high=t_high,
                       p_low=float(stats.t.sf(t_low, contrast.df)), p_high=float(stats.t.cdf(t_high, contrast.df)))


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Holm's adjusted p-values, in the order given (Holm 1979, Scand. J. Statist. 6:65)."""
    p = np.asarray(p_values, dtype=float)
    if p.ndim != 1 or np.any(~((p >= 0) & (p <= 1))):
        raise ValueError(f"p_values must lie between 0 and 1, but got {p_values}")
    order = np.argsort(p, kind="stable")
    out = np.empty(len(p))
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1.0)
    return tuple(out.tolist())


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All contrasts of one analyte against its margin, with the verdict word they lead to.

    ``corners``: how many contrasts are charged together (``contrasts.family``); ``unjudged``: contrasts for
    which too few containers are left. ``p_within`` (intersection-union) and ``p_beyond`` (all contrasts taken
    into account) decide the word; ``p_any`` asks for any difference at all.
    """

    tests: tuple[Equivalence, ...]
    margin: Margin
    alpha: float
    corners: Family
    unjudged: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Number of contrasts in the family, judged or not."""
        return sum(self.corners[0])

    @property
    def unit(self) -> str:
        """The unit in which differences are told: that of the margin."""
        return self.margin.unit or self.tests[0].contrast.unit

    @property
    def df(self) -> float:
        """The smallest degrees of freedom."""
        return min((t.contrast.df for t in self.tests), default=math.nan)

    @property
    def p_within(self) -> float:
        """P-value of 'some difference is as large as the margin'; 1 where a contrast cannot be judged."""
        return 1.0 if self.unjudged or not self.tests else max(t.p for t in self.tests)

    @property
    def p_beyond(self) -> float:
        """P-value of 'no true difference is beyond the margin', all contrasts taken into account."""
        return min((self.p_beyond_of(t.contrast) for t in self.tests), default=1.0)

    def p_beyond_of(self, contrast: Contrast, edge: float | None = None) -> float:
        """The same for one of the contrasts, the others being charged to it (``contrasts.union_p``)."""
        size, at = self.margin.sized(contrast.estimate), self.margin.edge if edge is None else edge
        if self.margin.side:
            return min(1.0, self.size * float(stats.t.sf((size - at) / contrast.se, contrast.df)))

        def tail(shift: float) -> Array:
            return np.asarray(stats.t.sf((size + shift) / contrast.se, contrast.df))

        return min(1.0, float(union_p(tail, at, self.corners)))

    @property
    def p_any(self) -> float:
        """P-value of 'there is no difference at all', all contrasts taken into account."""
        return min(1.0, self.size * min((t.contrast.p_value() for t in self.tests), default=1.0))

    @property
    def at_least(self) -> float:
        """Lower confidence bound of the largest difference, on the scale of analysis; worked out when asked for."""
        return max((self._bound(t.contrast) for t in self.tests), default=0.0)

    def _bound(self, contrast: Contrast) -> float:
        """The largest edge that this contrast shows to be exceeded; 0 where not even zero is."""
        top = self.margin.sized(contrast.estimate)
        if top <= 0 or self.p_beyond_of(contrast, 0.0) >= self.alpha:
            return 0.0
        return float(optimize.brentq(lambda e: self.p_beyond_of(contrast, e) - self.alpha, 0.0, top, xtol=1e-9 * top))

    @property
    def word(self) -> Word:
        """homogeneous, stratified or inconclusive."""
        if self.p_within < self.alpha:
            return "homogeneous"
        return "stratified" if self.p_beyond < self.alpha else "inconclusive"

    @property
    def widest(self) -> Contrast:
        """The contrast with the largest estimate in size."""
        return max((t.contrast for t in self.tests), key=lambda c: self.margin.sized(c.estimate))

    @property
    def deciding(self) -> Contrast:
        """The contrast on which the word hangs: the clearest beyond, else the one least shown to be within."""
        if self.word == "stratified":
            return min((t.contrast for t in self.tests), key=self.p_beyond_of)
        return max(self.tests, key=lambda t: t.p).contrast

    def simultaneous_of(self, contrast: Contrast) -> Interval:
        """The interval of one contrast that holds together with all others at level 1 - alpha (Bonferroni)."""
        return contrast.interval(1 - self.alpha, float(stats.t.isf(self.alpha / 2 / self.size, contrast.df)))

    def simultaneous(self) -> tuple[Interval, ...]:
        """Intervals that hold together at level 1 - alpha, in the order of ``tests``."""
        return tuple(self.simultaneous_of(t.contrast) for t in self.tests)

    def at_least_shown(self) -> tuple[float, str]:
        """``at_least`` as reported: per cent on the log scale, else in the contrasts' unit; below a mixed container how far."""
        shown = self.margin.shown
        return -shown(-self.at_least) if self.margin.side < 0 else shown(self.at_least), self.unit

    def to_table(self) -> pd.DataFrame:
        """One row a contrast: estimate, both intervals as reported, p of the two one-sided tests."""
        rows = []
        for t, wide in zip(self.tests, self.simultaneous(), strict=True):
            span = self.margin.shown_interval(t.contrast.interval(1 - 2 * self.alpha))
            rows.append({"contrast": t.contrast.label, "estimate": self.margin.shown(t.contrast.estimate), "low": span.low,
                         "high": span.high,
                         "simultaneous low": self.margin.shown(wide.low),
                         "simultaneous high": self.margin.shown(wide.high), "unit": self.unit,
                         "df": t.contrast.df, "p": t.p, "within margin": t.within})
        return pd.DataFrame(rows)


def compare_cells(cells: ArrayLike, labels: Sequence[str], margin: Margin, *, alpha: float = 0.05,
                  groups: ArrayLike | None = None, step: float = 0.0,
                  rows: ArrayLike | None = None, names: Sequence[str] = (), unit: str = "",
                  structure: str = "unstructured", heights: ArrayLike | None = None) -> Comparison:
    """All pairs of depths (or other contrasts between them) by the containers' own differences, under any covariance.

    cells (n, k): cell means on the scale of the margin, NaN where lost; labels of the k depths from the surface
    down, contrasts read "lower - upper". groups, step, rows: as in ``contrasts.contrasts_of``; ``names``: one
    a row. ``structure``: "pooled" or "own gradient" where that scatter was declared before the data (``declared``; then
    ``heights`` of the depths). A contrast that too few containers carry is named in ``unjudged``.
    """
    v, k = np.asarray(cells, dtype=float), len(labels)
    if v.ndim != 2 or v.shape[1] != k:
        raise ValueError(f"cells must have one column for each of {k} labels, but got shape {v.shape}")
    asked: dict[str, Any] = {n: None if x is None else np.asarray(x, dtype=float)
                             for n, x in (("rows", rows), ("groups", groups))}
    if structure in DECLARED:
        found = declared_contrasts(v[None], cast(Structure, structure), heights=heights, step=step, **asked)
        method = DECLARED[structure]
    else:
        found = contrasts_of(v[None], step=step, **asked)
        method = LOST if np.isnan(v).any() else OWN
    called = list(names) or [f"{b} - {a}" for a, b in combinations(labels, 2)]
    if len(called) != found.estimate.shape[1]:
        raise ValueError(f"names must be {found.estimate.shape[1]}, but got {len(called)}")
    judged = found.judged[0]
    tests = tuple(tost(Contrast(label=n, estimate=float(found.estimate[0, i]), se=max(float(found.se[0, i]), 1e-300),
                                df=float(found.df[0, i]), scale=margin.scale, unit="%" if margin.log else unit,
                                method=method), margin, alpha)
                  for i, n in enumerate(called) if judged[i])  # fmt: skip
    return Comparison(tests=tests, margin=margin, alpha=_alpha(alpha),
                      corners=family(len(called), k if rows is None else None),
                      unjudged=tuple(n for i, n in enumerate(called) if not judged[i]))


def compare_known(labels: Sequence[str], means: ArrayLike, variances: ArrayLike, margin: Margin, *, alpha: float = 0.05,
                  unit: str = "", method: str = "") -> Comparison:
    """All pairs of k independent depth means whose variances are known, (k,) each, against one margin."""
    m, v = np.asarray(means, dtype=float), np.asarray(variances, dtype=float)
    if m.shape != (len(labels),) or v.shape != m.shape:
        raise ValueError(f"means and variances must fit {len(labels)} labels, but got {m.shape} and {v.shape}")
    tests = tuple(tost(Contrast(label=f"{labels[j]} - {labels[i]}", estimate=float(m[j] - m[i]), df=math.inf,
                                se=math.sqrt(v[i] + v[j]), scale=margin.scale, unit="%" if margin.log else unit,
                                method=method), margin, alpha)
                  for i, j in combinations(range(len(labels)), 2))  # fmt: skip
    return Comparison(tests=tests, margin=margin, alpha=_alpha(alpha), corners=family(len(tests), len(labels)))


def container_summary(values: ArrayLike, label: str = "lower - upper", scale: Scale = "raw",
                      unit: str = "") -> Contrast:
    """One difference per container, then their mean with a t standard error: a cross-check without the mixed model.

    values: one contrast a container (n >= 2 finite numbers), already on the scale of analysis.
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or len(x) < 2 or not np.all(np.isfinite(x)):
        raise ValueError("values must be two or more finite contrasts, one a container")
    return Contrast(label=label, estimate=float(x.mean()), se=float(x.std(ddof=1) / math.sqrt(len(x))),
                    df=float(len(x) - 1), scale=scale, unit=unit, method=f"t over {len(x)} containers")
