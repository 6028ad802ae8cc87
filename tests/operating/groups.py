"""Rules for named groups of unlike scatter, held against the chosen one; complete readings.

All give the same estimate, the mean over the containers; they differ in its standard error and degrees of freedom:

* "pooled": one scatter within all groups (the rule up to November 2026);
* "Welch": each group's own variance, Satterthwaite's degrees of freedom;
* "Welch, corrected": fewer degrees of freedom where the smallest group rules the variance, as for declared own gradients;
* "chosen": scatter about the mean of all, whatever the groups (``contrasts_of``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.inference.contrasts import Contrasts, contrasts_of, pair_rows, word_codes

from .engine import NARROW, WIDE, false_homogeneous, false_stratified

RULES = ("pooled", "Welch", "Welch, corrected", "chosen")
GROUPED = tuple((sizes, scatter, apart, k) for sizes, scatter, apart in (
    ((10, 2), (1.0, 1.0), 0.0), ((10, 2), (1.0, 1.0), 1.0), ((10, 2), (1.0, 1.0), 3.0), ((10, 2), (1.0, 5.0), 0.0),
    ((10, 2), (5.0, 1.0), 0.0), ((6, 6), (1.0, 1.0), 0.0), ((6, 6), (1.0, 1.0), 1.0), ((6, 6), (1.0, 1.0), 3.0),
    ((6, 6), (1.0, 5.0), 0.0), ((12, 12), (1.0, 5.0), 0.0)) for k in (3, 5))


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRates:
    """Rates of one rule, per cent; ``apart``: the last group's profile, bottom minus top, in SDs of one container's."""

    rule: str
    sizes: tuple[int, ...]
    scatter: tuple[float, ...]
    apart: float
    depths: int
    studies: int
    false_homogeneous: float
    false_stratified: float
    power: float


def judged(rule: str, v: np.ndarray, group: np.ndarray) -> Contrasts:
    """All pairs of many studies by one rule; v (S, n, k), group (n,)."""
    found = contrasts_of(v)
    if rule == "chosen":
        return found
    d, n = v @ pair_rows(v.shape[2]).T, v.shape[1]
    counts = np.bincount(group)
    squares = np.array([((d[:, group == g] - d[:, group == g].mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
                        for g in range(len(counts))])
    if rule == "pooled":
        df = n - len(counts)
        return Contrasts(estimate=found.estimate, se=np.sqrt(squares.sum(axis=0) / df / n),
                         df=np.full(found.estimate.shape, float(df)), unit_variance=found.unit_variance)
    free = (counts - 1.0)[:, None, None]
    parts = squares / free * counts[:, None, None] / n**2
    variance = parts.sum(axis=0)
    share, some = parts / variance, ((parts / variance) ** 2 / free).sum(axis=0)
    if rule == "Welch, corrected":
        small = int(np.argmin(counts))
        few, many = 1 / (counts.min() - 1), 1 / (counts.max() - 1)
        some = some + 1.5 * share[small] * (1 - share[small]) * (few - many)
    return Contrasts(estimate=found.estimate, se=np.sqrt(variance), df=1 / some, unit_variance=found.unit_variance)


def run_grouped(rule: str, sizes: tuple[int, ...], scatter: tuple[float, ...], apart: float, k: int, studies: int,
                seed: int) -> GroupRates:
    """Errors at the margin (eight standard errors, and narrow ones) and power (four), as for the other scenarios."""
    rng, group = np.random.default_rng(seed), np.repeat(np.arange(len(sizes)), sizes)
    times = np.array(scatter)[group]
    off = (group == len(sizes) - 1) - sizes[-1] / len(group)
    v = rng.standard_normal((studies, len(group), k)) * times[:, None]
    v += (off * apart * np.sqrt(2))[:, None] * np.linspace(0, 1, k)
    se = float(np.sqrt(2 * (times**2).sum())) / len(group)
    c = judged(rule, v, group)
    return GroupRates(
        rule=rule, sizes=sizes, scatter=scatter, apart=apart, depths=k, studies=studies,
        false_homogeneous=false_homogeneous(c, k, WIDE * se),
        false_stratified=max(false_stratified(c, k, x * se) for x in (WIDE, *NARROW)),
        power=100 * float(np.mean(word_codes(c, 4 * se, depths=k) == 1)))


COMPARED = tuple((rule, *case) for case in GROUPED for rule in RULES)
