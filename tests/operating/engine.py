"""Simulates studies of a scenario, fits and judges them, and counts the errors.

Three truths are simulated with the same noise, because an estimate moves with the truth and its
standard error does not:

* one pair of depths exactly at the margin, the others half way: how often "homogeneous";
* half of the depths at zero, half at the margin (the least favourable case): how often "stratified";
* coverage of the 95 % interval of last minus first depth, and of all pairs together.

The margin is eight true standard errors, so that a verdict is possible and the inner pairs do not
decide. On the log scale with raw-scale noise the three truths are simulated and fitted separately.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

from studykit.core.errors import ModelNotTrusted
from studykit.inference.simultaneous import beyond_margin_p, beyond_sf, critical_value, pair_matrix
from studykit.mixed.batch.fit import BatchDesign, BatchFits
from studykit.mixed.fit import fit_reml

from .scenarios import Scenario

SE_PER_MARGIN = 8.0
LEVEL = 100.0
REL_SD = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """Pair differences of R studies with se and df (R, pairs), and their depths' number."""

    estimate: np.ndarray
    se: np.ndarray
    df: np.ndarray
    depths: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Error rates of one scenario and method, in per cent, over ``studies`` simulated studies."""

    scenario: str
    method: str
    studies: int
    false_homogeneous: float
    coverage: float
    coverage_all: float
    false_stratified: float
    false_stratified_two_sided: float
    required: bool
    fallback: int

    def faults(self, errors: float = 3.5) -> list[str]:
        """What misses its limit by more than Monte Carlo error: rates above 5 %, coverage below 94 %."""
        def allowed(p: float) -> float:
            return 100 * errors * math.sqrt(p * (1 - p) / self.studies)

        out = []
        if self.false_homogeneous > 5 + allowed(0.05):
            out.append(f"false homogeneous {self.false_homogeneous:.2f} %")
        if self.false_stratified > 5 + allowed(0.05):
            out.append(f"false stratified {self.false_stratified:.2f} %")
        if self.coverage < 94 - allowed(0.06):
            out.append(f"coverage {self.coverage:.2f} %")
        return out


def cautious(r: Rates, errors: float = 3.5) -> str:
    """Says where intervals are wider than they need be: coverage above 96 % by more than Monte Carlo error."""
    if r.coverage > 96 + 100 * errors * math.sqrt(0.04 * 0.96 / r.studies):
        return f"cautious: coverage {r.coverage:.1f} %"
    return ""


def pair_rows(depths: int) -> np.ndarray:
    """Contrasts of all pairs in treatment coding (intercept, then depths 1..k-1 minus depth 0)."""
    return np.column_stack([np.zeros(depths * (depths - 1) // 2), pair_matrix(depths)[:, 1:]])


def _draw(rng: np.random.Generator, shape: tuple[int, int], tails: int) -> np.ndarray:
    if not tails:
        return rng.standard_normal(shape)
    return rng.standard_t(tails, shape) / math.sqrt(tails / (tails - 2))


def noise(s: Scenario, table: pd.DataFrame, studies: int, rng: np.random.Generator) -> np.ndarray:
    """Noise of every row (n, studies), determination's SD 1."""
    c = pd.factorize(table["container"])[0]
    cell = pd.factorize(table["container"] + "|" + table["depth"])[0]
    e = _draw(rng, (len(table), studies), s.tails)
    e += s.container * _draw(rng, (c.max() + 1, studies), s.tails)[c]
    if s.cell:
        e += s.cell * _draw(rng, (cell.max() + 1, studies), s.tails)[cell]
    return e


def fits(s: Scenario, table: pd.DataFrame, Y: np.ndarray, method: str) -> tuple[Fitted, int]:
    """All pairs of depths of every study; studies the batch does not settle go through fit_reml."""
    design = BatchDesign.from_table(table, ["depth"], s.random)
    rows, parts, fallback = pair_rows(s.depths), [], 0
    for start in range(0, Y.shape[1], 1000):
        fit, odd = _settled(design, Y[:, start:start + 1000])
        c = design.contrast(fit, rows, method=method)
        parts.append((c.estimate, c.se, np.broadcast_to(c.df, c.estimate.shape)))
        for y in odd:
            fallback += 1
            one = fit_reml(table.assign(y=y), response="y", fixed=["depth"], random=s.random)
            tests = [one.test(row, method=method) for row in rows]
            parts.append(tuple(np.array([[float(np.squeeze(getattr(t, f))) for t in tests]])  # type: ignore[arg-type]
                               for f in ("estimate", "se", "df2")))
    estimate, se, df = (np.concatenate(x) for x in zip(*parts, strict=True))
    return Fitted(estimate=estimate, se=se, df=df, depths=s.depths), fallback


def _settled(design: BatchDesign, Y: np.ndarray) -> tuple[BatchFits, list[np.ndarray]]:
    """The fits of all columns that settle, and the columns that do not (named by number in the refusal)."""
    odd: list[np.ndarray] = []
    while True:
        try:
            return design.fit(Y), odd
        except ModelNotTrusted as error:
            found = re.search(r"response (\d+)", str(error))
            if found is None or Y.shape[1] == 1:
                raise
            odd.append(Y[:, int(found[1])])
            Y = np.delete(Y, int(found[1]), axis=1)


@lru_cache(maxsize=512)
def _critical_beyond(depths: int, df: float, margin_in_se: float, alpha: float) -> float:
    """The statistic beyond which the largest difference exceeds the margin, equal depths."""
    from scipy.optimize import brentq

    cov = np.eye(depths)
    return float(brentq(lambda t: beyond_sf(t, margin_in_se, cov, df) - alpha, 0.0, 60.0, xtol=1e-6))


def covariance(se: np.ndarray, depths: int) -> np.ndarray:
    """Covariance of depth means relative to the first, from the standard errors of all pairs."""
    v = np.zeros((depths, depths))
    v[np.triu_indices(depths, 1)] = se**2
    v += v.T
    return np.asarray((v[0][:, None] + v[0][None, :] - v) / 2)


def stratified(f: Fitted, margin: float, balanced: bool, alpha: float = 0.05) -> np.ndarray:
    """Which studies would be called stratified."""
    t = np.max((np.abs(f.estimate) - margin) / f.se, axis=1)
    low_df, ratio = f.df.min(axis=1), margin / f.se.max(axis=1)
    if balanced:
        grid = np.array([1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 9.0, 14.0, 30.0])
        values = [_critical_beyond(f.depths, float(low_df[0]), float(g), alpha) for g in grid]
        return np.asarray(t > np.interp(ratio, grid, values))
    out = np.zeros(len(t), dtype=bool)
    for i in np.flatnonzero(t > stats.t.isf(alpha, low_df)):  # any multiplicity raises the limit
        c = covariance(f.se[i], f.depths)
        means = np.concatenate([[0.0], f.estimate[i, : f.depths - 1]])
        out[i] = beyond_margin_p(means, c, float(low_df[i]), margin) < alpha
    return out


def homogeneous(f: Fitted, margin: float, alpha: float = 0.05) -> np.ndarray:
    """Which studies would be called homogeneous."""
    reach = np.abs(f.estimate) + stats.t.isf(alpha, f.df) * f.se
    return np.asarray(np.all(reach < margin, axis=1))


def true_se(s: Scenario) -> float:
    """Standard error of a difference of two depths in the complete design, determination's SD 1."""
    return math.sqrt(2 * (s.cell**2 + 1 / s.replicates) / s.containers)


def _simultaneous(f: Fitted, truth: np.ndarray) -> float:
    pairs = pair_matrix(f.depths)
    corr = pairs @ pairs.T / 2
    df = np.round(f.df.min(axis=1), 1)
    crit = np.array([_tukey(corr.tobytes(), len(corr), float(x)) for x in df])
    return float(100 * np.mean(np.all(np.abs(f.estimate - truth) <= crit[:, None] * f.se, axis=1)))


@lru_cache(maxsize=2048)
def _tukey(key: bytes, m: int, df: float) -> float:
    return critical_value(np.frombuffer(key).reshape(m, m), df)


def run_scenario(s: Scenario, studies: int, seed: int, method: str, patterns: int = 4) -> Rates:
    """Error rates of one scenario by one method; missing rows follow ``patterns`` different draws."""
    rng = np.random.default_rng(seed)
    rounds = patterns if s.missing else 1
    counts = np.zeros(5)
    done = fallback = 0
    for _ in range(rounds):
        table = s.table(rng)
        e = noise(s, table, studies // rounds, rng)
        tally, lost = _judge(s, table, e, method)
        counts += tally * e.shape[1]
        done, fallback = done + e.shape[1], fallback + lost
    rates = 100 * counts / done
    return Rates(scenario=s.name, method=method, studies=done, false_homogeneous=rates[0], coverage=rates[1],
                 coverage_all=rates[2], false_stratified=rates[3], false_stratified_two_sided=rates[4],
                 required=s.required, fallback=fallback)


def _judge(s: Scenario, table: pd.DataFrame, e: np.ndarray, method: str) -> tuple[np.ndarray, int]:
    """Shares of studies: false homogeneous, covered, all covered, false stratified (two rules)."""
    k, balanced = s.depths, not s.missing
    pairs = pair_matrix(k)
    margin = SE_PER_MARGIN * true_se(s) * (REL_SD if s.relative else 1.0)
    edge = math.expm1(margin) if s.relative else margin
    half = np.full(k, 0.5)
    half[0], half[-1] = 0.0, 1.0
    split = (np.arange(k) >= k // 2).astype(float)
    found, fallback = _fitted(s, table, e, method, half, edge)
    truth = pairs @ (np.log1p(half * edge) if s.relative else half * edge)
    last = k - 2
    t95 = stats.t.isf(0.025, found.df[:, last])
    covered = np.abs(found.estimate[:, last] - truth[last]) <= t95 * found.se[:, last]
    if s.relative:
        other, more = _fitted(s, table, e, method, split, edge)
        fallback += more
    else:
        other = Fitted(estimate=found.estimate - truth + pairs @ split * edge, se=found.se, df=found.df, depths=k)
    corr = pairs @ pairs.T / 2
    crit = np.array([_tukey(corr.tobytes(), len(corr), float(x)) for x in np.round(other.df.min(axis=1), 1)])
    two_sided = np.max((np.abs(other.estimate) - margin) / other.se, axis=1) > crit
    return np.array([np.mean(homogeneous(found, margin)), np.mean(covered), _simultaneous(found, truth) / 100,
                     np.mean(stratified(other, margin, balanced)), np.mean(two_sided)]), fallback


def _fitted(s: Scenario, table: pd.DataFrame, e: np.ndarray, method: str, shape: np.ndarray,
            edge: float) -> tuple[Fitted, int]:
    depth = shape[pd.factorize(table["depth"], sort=True)[0]][:, None]
    if not s.relative:
        return fits(s, table, e + edge * depth, method)
    return fits(s, table, np.log(LEVEL * (1 + edge * depth) * (1 + REL_SD * e)), method)
