"""One container: error rates where the scatter is as stated, and where it is more because drawing adds to it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from studykit.inference.margin import Margin
from studykit.inference.single import SAFE_TIPPING, SingleResult, StandardDeviation, judge_container
from studykit.study.precision import Precision

from .engine import allowed

LEVEL, EDGE = 100.0, 6.0
"""Of the values, and of the margin in standard errors of a difference."""
STATED = StandardDeviation(s=1.0, kind="repeatability", reason="one run")
PRECISION = Precision(kind="laboratory", level=LEVEL, unit="1", r=2.77, s_r=1.0, source="simulated")


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleRates:
    """Rates per cent; ``factor``: real over stated scatter; ``warned``: of the wrong words, with a tipping factor below 1.5."""

    depths: int
    results: int
    factor: float
    studies: int
    false_homogeneous: float
    false_stratified: float
    warned: float

    @property
    def limit(self) -> float:
        """Largest rate allowed where the stated scatter is true."""
        return 5 + allowed(0.05, self.studies, 3.5)

    def faults(self) -> list[str]:
        """Rates above 5 % where the stated scatter is the real one."""
        rates = {"false homogeneous": self.false_homogeneous, "false stratified": self.false_stratified}
        return [f"{name} {value:.2f} %" for name, value in rates.items() if self.factor == 1 and value > self.limit]


def _judged(means: np.ndarray, results: int, margin: float) -> SingleResult:
    return judge_container("y", {f"zone {i}": [float(m)] * results for i, m in enumerate(means)}, PRECISION,
                           Margin.absolute(margin), scatter=STATED)


def run_single(depths: int, results: int, factor: float, studies: int, seed: int) -> SingleRates:
    """Ends exactly a margin apart, the others between them or on either end: the worst case of each word."""
    rng, margin, rates, tipping = np.random.default_rng(seed), EDGE * math.sqrt(2 / results), [], []
    steps = np.array([0.0] * (depths // 2) + [margin] * (depths - depths // 2))
    for truth, wrong in ((np.linspace(0, margin, depths), "homogeneous"), (steps, "stratified")):
        drawn = LEVEL + truth + factor / math.sqrt(results) * rng.standard_normal((studies, depths))
        found = [r for r in (_judged(m, results, margin) for m in drawn) if r.word == wrong]
        rates.append(100 * len(found) / studies)
        tipping += [r.tipping for r in found]
    warned = 100 * float(np.mean(np.array(tipping) < SAFE_TIPPING)) if tipping else math.nan
    return SingleRates(depths=depths, results=results, factor=factor, studies=studies, false_homogeneous=rates[0],
                       false_stratified=rates[1], warned=warned)


ALONE = tuple((k, m, f) for k, m in ((2, 1), (3, 1), (3, 2), (5, 1)) for f in (1.0, 1.5, 2.0))
