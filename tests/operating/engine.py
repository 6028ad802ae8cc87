"""Simulates studies of a scenario, judges them by the library's rule, and counts the errors.

Estimates move with the truth and standard errors do not, so the same noise serves three truths:

* one pair of depths (last and first) exactly at the margin, the others in between: how often "homogeneous";
* half of the depths at zero, half at the margin (least favourable, either half, wide and narrow margins): how
  often "stratified";
* no difference: coverage of every pair's 95 % interval (least and largest over pairs) and of all together.

The wide margin is eight typical standard errors of the complete design. On the log scale with scatter on the raw scale
the first truth is simulated afresh.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from studykit.inference.contrasts import Contrasts, contrasts_of, intervals, pair_rows, word_codes
from studykit.inference.declared import declared_contrasts

from .scenarios import Scenario

WIDE, NARROW = 8.0, (0.3, 0.75, 1.5)
LEVEL, REL_SD = 100.0, 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Rates of one scenario in per cent over ``studies`` studies; NaN where not tried."""

    scenario: Scenario
    studies: int
    false_homogeneous: float
    false_stratified: float
    false_stratified_narrow: float
    coverage_low: float
    coverage_high: float
    together: float
    power: float
    power_pairwise: float

    def limits(self) -> str:
        """The largest rates and the range of coverage that are let pass, in a word."""
        low, high = self._coverage(3.5)
        rate = 5 + allowed(0.05, self.studies, 3.5)
        return f"{rate:.2f}, {rate:.2f} ({rate + 0.4:.2f}), {low:.1f}-{min(high, 100.0):.1f}"

    def _coverage(self, errors: float) -> tuple[float, float]:
        """Least and largest coverage over pairs that are let pass."""
        many = self.scenario.depths * (self.scenario.depths - 1) / 2
        wide = 97.5 if self.scenario.containers <= 6 else 96.5 if self.scenario.lost else 96.0
        wide = 100.0 if len(set(self.scenario.scatter)) > 1 else wide  # unlike groups: the price of keeping the errors
        slack = allowed(0.05, self.studies, errors + 0.3 * math.log(many))  # extremes over pairs
        return 94.0 - slack, wide + slack

    def faults(self, errors: float = 3.5) -> list[str]:
        """What misses its limit by more than Monte Carlo error."""
        out = []
        for name in ("false_homogeneous", "false_stratified", "false_stratified_narrow"):
            limit = 5.4 if name.endswith("narrow") else 5.0
            if getattr(self, name) > limit + allowed(0.05, self.studies, errors):
                out.append(f"{name.replace('_', ' ')} {getattr(self, name):.2f} %")
        low, high = self._coverage(errors)
        if self.coverage_low < low or self.coverage_high > high:
            out.append(f"coverage {self.coverage_low:.2f} to {self.coverage_high:.2f} %")
        if self.power < self.power_pairwise - allowed(0.5, self.studies, errors):
            out.append(f"power {self.power:.1f} % below {self.power_pairwise:.1f} %")
        return out

    @property
    def cautious(self) -> bool:
        """Intervals wider than they need be: coverage above 96 % by more than Monte Carlo error."""
        return self.coverage_high > 96 + allowed(0.04, self.studies, 3.5)


class UnlikeRates(Rates):
    """Rates of a scenario whose groups are named, with a table of their own."""

    __slots__ = ()


def allowed(p: float, studies: int, errors: float) -> float:
    """Monte Carlo errors of a rate in per cent."""
    return 100 * errors * math.sqrt(p * (1 - p) / studies)


def typical_se(s: Scenario) -> np.ndarray:
    """Typical standard error of every pair in the complete design, (K,)."""
    full = replace(s, lost=0.0, groups=1, relative=False)
    found = contrasts_of(full.draw(np.random.default_rng(7), 1500))
    return np.sqrt(np.mean(found.se**2, axis=0))


def judged(s: Scenario, v: np.ndarray, rule: str = "library") -> Contrasts:
    """The library's contrasts of many studies; ``rule`` "pooled" or "own gradient" under that declared scatter."""
    if rule == "library":
        return contrasts_of(v, groups=s.dummies)
    return declared_contrasts(v, rule, groups=s.dummies)  # type: ignore[arg-type]


def shifted(c: Contrasts, depth_means: np.ndarray) -> Contrasts:
    """The same studies with other true depth means."""
    return Contrasts(estimate=c.estimate + pair_rows(len(depth_means)) @ depth_means, se=c.se, df=c.df,
                     unit_variance=c.unit_variance)


def pairwise(s: Scenario, v: np.ndarray) -> Contrasts:
    """Each pair from the containers that have both depths: the plain t with which power is compared."""
    parts = []
    for row in pair_rows(s.depths):
        only = np.where(np.isnan(v @ np.abs(row))[..., None], np.nan, v)
        parts.append(contrasts_of(np.where(row == 0, np.nan, only), row[None], groups=s.dummies).stacked())
    e, se, df, unit = np.concatenate(parts, axis=2)
    return Contrasts(estimate=e, se=se, df=df, unit_variance=unit)


def false_homogeneous(c: Contrasts, depths: int, edge: float) -> float:
    """Last and first depth exactly at the margin, the others in between."""
    return 100 * float(np.mean(word_codes(shifted(c, np.linspace(0, edge, depths)), edge, depths=depths) == 1))


def false_stratified(c: Contrasts, depths: int, edge: float) -> float:
    """Half of the depths at the margin, the worse of the two halves."""
    low = np.array([0.0] * (depths // 2) + [edge] * (depths - depths // 2))
    return max(100 * float(np.mean(word_codes(shifted(c, mu), edge, depths=depths) == 2)) for mu in (low, low[::-1]))


def coverage(c: Contrasts) -> tuple[float, float, float]:
    """Least and largest coverage over pairs, and of all together, of 95 % intervals about a truth of zero."""
    half = special.stdtrit(np.where(c.judged, c.df, 1.0), 0.975) * c.se
    each = 100 * np.where(c.judged, np.abs(c.estimate) <= half, False).sum(axis=0) / np.maximum(c.judged.sum(axis=0), 1)
    low, high = intervals(c, 0.95, together=True)
    all_judged = c.judged.all(axis=1)
    together = ((low <= 0) & (high >= 0))[all_judged].all(axis=1)
    return float(each.min()), float(each.max()), 100 * float(together.mean())


def run_scenario(s: Scenario, studies: int, seed: int, rule: str = "library") -> Rates:
    """All rates of one scenario, by ``judged``; power beside it by own differences where a scatter is declared."""
    rng, se = np.random.default_rng(seed), typical_se(s)
    edge = WIDE * float(se.max())
    v = s.draw(rng, studies)
    c = judged(s, v, rule)
    lost = judged(s, v) if rule != "library" else pairwise(s, v) if s.lost else c
    few = 4 * float(se.max())
    low, high, together = coverage(c)
    return (UnlikeRates if s.sizes else Rates)(
        scenario=s, studies=studies, together=together, coverage_low=low, coverage_high=high,
        false_homogeneous=_relative(s, v, edge) if s.relative else false_homogeneous(c, s.depths, edge),
        false_stratified=false_stratified(c, s.depths, edge),
        false_stratified_narrow=max(false_stratified(c, s.depths, x * float(se.max())) for x in NARROW),
        power=100 * float(np.mean(word_codes(c, few, depths=s.depths) == 1)),
        power_pairwise=100 * float(np.mean(word_codes(lost, few, depths=s.depths) == 1)))


def _relative(s: Scenario, v: np.ndarray, edge: float) -> float:
    """Scatter on the raw scale, two per cent of the level; the margin and the truth as ratios."""
    ratio = REL_SD * edge
    raw = LEVEL * np.exp(np.linspace(0, ratio, s.depths)) * (1 + REL_SD * v)
    codes = word_codes(contrasts_of(np.log(raw), groups=s.dummies), ratio, depths=s.depths)
    return 100 * float(np.mean(codes == 1))
