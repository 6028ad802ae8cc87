"""One container, few or no replicates: the verdict from the method's known precision.

With one container and single results the scatter cannot be estimated from the data. It is taken from
the method's repeatability, as known: s_r = r / 2.77. All differences are then normal with standard
error s_r * sqrt(1/n_i + 1/n_j). The rule for packages (ISO 3170, 11.1.1.2: variation beyond the
method's repeatability means the product is not uniform) is used with the critical range for k results
(ISO 5725-6), and completed by two one-sided tests, because "within r" does not mean "the same".
Everything is on the raw scale; a margin in per cent is taken of the mean of the depths, and differences are
told in the unit of their margin. A margin as a factor is judged on natural logs, where the stated scatter is taken as the
same share of the level at every depth. The verdict holds for this container only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import optimize, stats

from studykit.core.errors import BadInput, DesignMismatch, Fault
from studykit.inference.bounded import critical_beyond
from studykit.inference.critical_range import critical_range_factor, range_sf, smallest_range_seen
from studykit.inference.equivalence import Comparison, Interval, Margin, Word, compare_known, tost
from studykit.study.precision import Precision

LABEL = "holds for this container only"
SAFE_TIPPING = 1.5
"""Below this factor a word comes with a warning: both errors are 14 % where the scatter is 1.5 times the stated one."""

CANNOT_CONCLUDE = (
    "anything about other containers: one container shows nothing of how they differ among themselves",
    "anything about other lots, ages or stores",
    "the cause: settling, filling, sampling and laboratory drift all look alike here",
    "the error of drawing, or whether the laboratory scattered here as stated: a repeatability, published or from a control "
    "chart, is obtained on well-mixed material",
    "whether something has left the liquid and lies on the floor: depths that agree say nothing about it; a "
    "draw from the floor and a remixed whole would, where the safety data sheet and the site's rules allow them",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardDeviation:
    """The standard deviation that applies between the results, which kind it is, and why."""

    s: float
    kind: str
    reason: str


def which_scatter(precision: Precision, runs: Sequence[str], laboratories: Sequence[str] = (), *,
                  depths: Sequence[str] = (), intermediate_s: float | None = None) -> StandardDeviation:
    """Repeatability within one run; intermediate precision between runs; reproducibility between laboratories.

    runs: the run of every result ('' = not known); laboratories likewise, may be left out where all is
    one laboratory's work; depths likewise: where each stands equally often in every run, what runs differ by cancels between
    them, and it is repeatability. BadInput asks for what is missing.
    """
    if len(set(laboratories)) > 1:
        if precision.s_R is None:
            raise _ask("laboratories", "results come from several laboratories, and no reproducibility is known",
                       "have all depths measured by one laboratory in one run, or give a method_key with R")
        return StandardDeviation(s=precision.s_R, kind="reproducibility", reason="the results come from different laboratories")
    if not runs or any(not str(r).strip() for r in runs):
        raise _ask("run", "it is not known whether all depths were measured in one run",
                   "ask the laboratory, and name the column that tells the run under [file.columns] in intake.toml, or where "
                   'it was one run say so there: run = "1" under [file.constants]')
    if len(set(runs)) == 1:
        return StandardDeviation(s=precision.s_r, kind="repeatability", reason="all depths were measured in one run")
    if len(depths) and pd.crosstab(np.asarray(runs), np.asarray(depths)).nunique(axis=1).eq(1).all():
        return StandardDeviation(s=precision.s_r, kind="repeatability",
                                 reason="every depth was measured equally often in each run, so what runs differ by cancels")
    if intermediate_s is not None:
        return StandardDeviation(s=intermediate_s, kind="intermediate precision",
                       reason="the depths were measured in different runs of one laboratory")
    if precision.s_R is None:
        raise _ask("intermediate_s", "the depths were measured in different runs, and neither intermediate precision "
                   "nor reproducibility is known", "give intermediate_s (from the laboratory's control chart)")
    return StandardDeviation(s=precision.s_R, kind="reproducibility",
                   reason="the depths were measured in different runs and no intermediate precision is given; "
                          "reproducibility is used in its place, which errs on the wide side")


def _ask(column: str, reason: str, remedy: str) -> BadInput:
    return BadInput([Fault(file="tidy/results.csv", column=column, reason=reason, remedy=remedy)],
                    title="The precision that applies is not clear")


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleResult:
    """The verdict on one analyte of one container, with everything it rests on (``means`` in ``unit``, differences
    on the scale of the comparison; as told by ``told``).

    ``counts``: results per depth; ``critical_range`` is None where they differ; ``edge``: the margin as
    a difference there; ``spread``: the scatter there; ``never``: margins below this could not be shown whatever the results;
    ``likely``: the margin that would be shown with 80 % chance; ``seen``: the smallest top-to-bottom
    difference the range check would have noticed with 80 % chance (a straight profile).
    """

    analyte: str
    unit: str
    labels: tuple[str, ...]
    means: tuple[float, ...]
    counts: tuple[int, ...]
    scatter: StandardDeviation
    precision: Precision
    margin: Margin
    edge: float
    comparison: Comparison
    range: float
    critical_range: float | None
    never: float
    likely: float
    seen: float
    spread: float
    label: str = LABEL
    hull: tuple[Interval, ...] = ()

    @property
    def word(self) -> Word:
        """homogeneous, stratified or inconclusive."""
        return self.comparison.word

    @property
    def placed(self) -> tuple[float, ...]:
        """The depth means on the scale of the comparison."""
        return tuple(self.comparison.margin.to_scale(self.means).tolist())

    @property
    def differs(self) -> bool:
        """True where some difference between depths is shown, of whatever size."""
        if self.hull:
            return self.word == "stratified"
        if self.critical_range is not None:
            return self.range > self.critical_range
        return self.comparison.p_any < self.comparison.alpha

    @property
    def provisional(self) -> bool:
        """True where the levels lie outside the range the precision was established for."""
        return not self.precision.in_range

    def told(self, difference: float) -> str:
        """A difference in the unit of the margin, in words."""
        if self.comparison.margin.ratio:
            return f"a factor of {math.exp(abs(difference)):.3g}"
        return f"{self.comparison.margin.shown(difference):.3g} {self.comparison.unit}"

    def reasons(self) -> tuple[str, ...]:
        """Why this word, in plain sentences."""
        margin, out = self.told(self.edge), []
        if self.word == "homogeneous":
            out.append(f"Every pair of depths is shown to differ by less than the margin of {margin}.")
            if self.differs:
                out.append("There is a difference, but it lies within the margin.")
        elif self.word == "stratified":
            out.append(f"The depths differ by at least {self.told(self.comparison.at_least)}, more than the margin of "
                       f"{margin}.")
        elif self.edge < self.never:
            out.append(f"With {self._how_many()} a margin below {self.told(self.never)} can never be shown; the margin "
                       f"is {margin}.")
        elif self.differs:
            out.append("A difference is there; whether it is larger than the margin is not clear.")
        else:
            out.append("The results neither show the depths to be the same nor to differ by more than the margin.")
        if self.precision.warning:
            out.append(f"Provisional: {self.precision.warning}.")
        if self.precision.cannot_see:
            out.append(f"The method cannot see {self.precision.cannot_see}.")
        return tuple(out)

    def _how_many(self) -> str:
        return "single results" if max(self.counts) == 1 else f"{min(self.counts)} results a depth"

    def to_table(self) -> pd.DataFrame:
        """One row a pair of depths, as ``Comparison.to_table``, with analyte and margin."""
        table = self.comparison.to_table()
        table.insert(0, "analyte", self.analyte)
        table["margin"] = self.comparison.margin.shown(self.edge)
        return table

    def row(self) -> dict[str, object]:
        """One line for the summary over analytes: means and s in the analyte's unit, all else in that of the margin."""
        ends, told = self.comparison.tests[len(self.labels) - 2].contrast, self.comparison.margin.shown
        span = self.hull[len(self.labels) - 2] if self.hull else ends.interval(1 - 2 * self.comparison.alpha)
        critical = None if self.critical_range is None else told(self.critical_range)
        return {"analyte": self.analyte, "depths": f"{' / '.join(f'{m:.5g}' for m in self.means)} {self.unit}",
                "s": self.scatter.s, "precision": self.scatter.kind, "range": told(self.range),
                "critical range": critical, "contrast": ends.label, "difference": told(ends.estimate),
                "low": told(span.low), "high": told(span.high), "margin": told(self.edge), "unit": self.comparison.unit,
                "verdict": self.word, "holds up to": None if math.isinf(self.tipping) else self.tipping,
                "provisional": self.provisional}

    @property
    def tipping(self) -> float:
        """By how much the real scatter must exceed the one that was taken before the word changes.

        Published repeatability holds no scatter of drawing. Infinite where the word is inconclusive: more scatter
        never decides it.
        """
        if self.word == "inconclusive":
            return math.inf
        if self.word == "homogeneous":
            z = float(stats.norm.isf(self.comparison.alpha))
            return min((self.edge - abs(t.contrast.estimate)) / (z * t.contrast.se) for t in self.comparison.tests)
        return float(optimize.brentq(lambda f: self._p_beyond_at(f) - self.comparison.alpha, 1.0, 1e4, xtol=1e-6))

    def _p_beyond_at(self, factor: float) -> float:
        """P-value of 'nothing beyond the margin' were the scatter that many times the one taken."""
        c = self.comparison
        return replace(c, tests=tuple(tost(replace(t.contrast, se=factor * t.contrast.se), c.margin, c.alpha)
                                      for t in c.tests)).p_beyond

    def tipping_sentence(self) -> str:
        """The tipping factor in plain words, with a warning where it is small; empty where nothing is decided."""
        if self.word == "inconclusive":
            return ""
        text = (f"The word holds as long as the real scatter, drawing included, is at most {self.tipping:.2g} times the stated "
                f"{self.scatter.kind}.")
        if self.tipping >= SAFE_TIPPING:
            return text
        return (f"{text} That is not much: drawing alone can add as much. Draw one zone a second time and have both draws "
                "measured in one run; their difference shows the real scatter.")

    def results_needed(self, power: float = 0.8, most: int = 50) -> int | None:
        """Results per depth that would probably decide, if the observed means were the true ones.

        All pairs of depths are looked at together, with equally many results a depth. None where ``most``
        results a depth would not do (the difference lies too near the margin); the present number where it is
        decided already.
        """
        if self.word != "inconclusive":
            return max(self.counts)
        for n in range(max(self.counts) + 1, most + 1):
            if self._decided(n) >= power:
                return n
        return None

    def _decided(self, n: int) -> float:
        """Chance of the word that the observed means call for, with n results a depth (exact: chance of a range)."""
        s, alpha, k = self.spread / math.sqrt(n), self.comparison.alpha, len(self.labels)
        se, means = s * math.sqrt(2), [m / s for m in self.placed]
        if self.range < self.edge:
            return 1 - range_sf((self.edge - float(stats.norm.isf(alpha)) * se) / s, means)
        return range_sf((self.edge + critical_beyond(k, math.inf, self.edge, se, alpha) * se) / s, means)


def judge_container(analyte: str, values: Mapping[str, Sequence[float]], precision: Precision, margin: Margin, *,
                    scatter: StandardDeviation, alpha: float = 0.05,
                    weights: Mapping[str, float] | None = None) -> SingleResult:
    """The verdict for one analyte of one container from results at two or more depths.

    values: depth label (from the surface down) to its one or more results, in ``precision.unit``;
    ``scatter``: from ``which_scatter``; ``weights``: volume or mass share of each zone, used for the
    mean that a margin in per cent refers to.
    """
    labels = tuple(values)
    _check_values(analyte, values)
    counts = tuple(len(values[x]) for x in labels)
    means = np.array([float(np.mean(list(values[x]))) for x in labels])
    share = np.ones(len(labels)) if weights is None else np.array([float(weights[x]) for x in labels])
    whole = float(share @ means / share.sum())
    if margin.log and whole <= 0:
        raise DesignMismatch(f"{analyte}: a margin in per cent needs a mean above 0, but it is {whole:g}; "
                             "declare an absolute margin")
    here = margin.at(whole)
    if here.log and means.min() <= 0:
        raise DesignMismatch(f"{analyte}: a margin as a factor needs results above 0 at every depth, and one known only as a "
                             "limit may be 0; declare an absolute margin")
    spread, placed = here.sd_at(scatter.s, whole), here.to_scale(means)
    comparison = compare_known(labels, placed, spread**2 / np.array(counts, dtype=float), here, alpha=alpha,
                               unit=precision.unit, method=f"known {scatter.kind}")
    k, equal = len(labels), len(set(counts)) == 1
    s_mean = spread / math.sqrt(min(counts))
    never = float(stats.norm.isf(alpha)) * max(t.contrast.se for t in comparison.tests)
    return SingleResult(
        analyte=analyte, unit=precision.unit, labels=labels, means=tuple(float(x) for x in means), counts=counts,
        scatter=scatter, precision=precision, margin=margin, edge=here.edge, comparison=comparison,
        range=float(np.ptp(placed)), spread=spread,
        critical_range=critical_range_factor(k, 1 - alpha) * s_mean if equal else None,
        never=never, likely=never + critical_range_factor(k, 0.8) * s_mean,
        seen=smallest_range_seen(k, 0.8, 1 - alpha) * s_mean)


def judge_between(low: SingleResult, high: SingleResult) -> SingleResult | None:
    """The word wherever values known only as a limit lie, from the results with all at either end; None where none holds.

    Every pair of depths is taken at the worst end of what its means can differ, against the smaller margin for
    "homogeneous" and the larger for "stratified" (a margin in per cent moves with the mean), with the larger of the two
    scatters: a stated precision grows with the level, or is constant, in every form the kit reads.
    """
    alpha, z = low.comparison.alpha, float(stats.norm.isf(low.comparison.alpha))
    wide = max(low, high, key=lambda x: x.spread)
    near, far, errors, hull = [], [], [], []
    for i, j in combinations(range(len(low.labels)), 2):
        least, most = low.placed[j] - high.placed[i], high.placed[j] - low.placed[i]
        errors.append(wide.spread * math.sqrt(1 / low.counts[i] + 1 / low.counts[j]))
        far.append(max(least, most, key=abs))
        near.append(0.0 if least <= 0 <= most else min(least, most, key=abs))
        hull.append(Interval(low=least - z * errors[-1], high=most + z * errors[-1], level=1 - 2 * alpha))

    def at(estimates: list[float], margin: Margin) -> Comparison:
        tests = tuple(tost(replace(t.contrast, estimate=e, se=se), margin, alpha)
                      for t, e, se in zip(high.comparison.tests, estimates, errors, strict=True))
        return replace(high.comparison, tests=tests, margin=margin)

    small, large = sorted((low.comparison.margin, high.comparison.margin), key=lambda m: m.edge)
    for found, word in ((at(far, small), "homogeneous"), (at(near, large), "stratified")):
        if found.word == word:
            return replace(high, comparison=found, edge=found.margin.edge, scatter=wide.scatter, spread=wide.spread,
                           hull=tuple(hull))
    return None


def _check_values(analyte: str, values: Mapping[str, Sequence[float]]) -> None:
    if len(values) < 2:
        raise DesignMismatch(f"{analyte}: results at {len(values)} depth cannot show whether depths differ; "
                             "at least two depths are needed")
    bad = [x for x, v in values.items() if len(v) == 0 or not all(math.isfinite(float(y)) for y in v)]
    if bad:
        raise DesignMismatch(f"{analyte}: no usable result at {', '.join(bad)}; every depth needs at least one "
                             "finite number (values below quantification are bounded, not replaced)")
