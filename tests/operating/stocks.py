"""Stocks and values within bounds: the share bound on mixtures, the word for the stock, words with limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.inference.bounded import judge_bounds
from studykit.inference.contrasts import contrasts_of, word_codes
from studykit.inference.judge import stock_word
from studykit.inference.margin import Margin
from studykit.inference.share import share_upper, shown_beyond, upper_shares

from .engine import allowed

WORDS = ("inconclusive", "homogeneous", "stratified")
SHARE = 0.21
"""True share of containers beyond the margin where the declared one is 20 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StockRates:
    """One stock: coverage of the share's bounds, median bound, and how often the word reassures, per cent."""

    truth: str
    noise: str
    containers: int
    studies: int
    share: float
    covered: float
    covered_normal: float
    median: float
    reassured: float

    def faults(self) -> list[str]:
        """Coverage below 95 %, or reassurance above 5 %, by more than Monte Carlo error."""
        out = []
        if self.covered < 95 - allowed(0.05, self.studies, 3.5):
            out.append(f"share bound covers {self.covered:.1f} %")
        if self.share > 0.2 and self.reassured > 5 + allowed(0.05, self.studies, 3.5):
            out.append(f"reassures in {self.reassured:.1f} %")
        return out


def _stock(truth: str, rng: np.random.Generator, n: int) -> np.ndarray:
    """True differences of n containers in margins; equal mean, some beyond."""
    if truth == "level":
        return np.zeros(n)
    if truth == "normal":
        return rng.standard_normal(n) / float(stats.norm.isf(SHARE / 2))
    size = 1.0001 if "edge" in truth else 3.0
    return np.where(rng.random(n) < SHARE, size * rng.choice([-1.0, 1.0], n), 0.0)


STOCKS = tuple((t, noise, n) for n in (6, 14, 24) for noise in ("known", "duplicates", "unknown")
               for t in ("level", "normal", "two points at the edge", "two points at 3 margins"))


def run_stock(truth: str, noise: str, n: int, studies: int, seed: int) -> StockRates:
    """Coverage and reassurance of one stock; noise of a difference a sixth of the margin."""
    rng, se, share = np.random.default_rng(seed), 1 / 6, 0.0 if truth == "level" else SHARE
    covered = normal = reassured = 0
    bounds = []
    for _ in range(studies):
        d = _stock(truth, rng, n) + se * rng.standard_normal(n)
        df = 2.0 * n if noise == "duplicates" else math.inf
        known = {"known": se, "unknown": None}.get(noise, round(se * math.sqrt(rng.chisquare(2 * n) / (2 * n)), 3))
        bound = share_upper(d, 1.0, noise_se=known, noise_df=df).upper
        cells = np.stack([np.zeros(n), d], axis=1)
        mean = WORDS[word_codes(contrasts_of(cells[None]), 1.0, depths=2)[0]]
        seen = int(np.abs(shown_beyond(d, 1.0, noise_se=known, noise_df=df)).sum())
        word = stock_word(mean, share_upper=bound, share=0.2, containers_beyond=seen, groups_beyond=False)
        covered, reassured = covered + (bound >= share), reassured + (word == "homogeneous")
        bounds.append(bound)
        old = upper_shares([d.mean()], [d.var(ddof=1)], n, [0.0 if known is None else known**2], df, -1, 1,
                           log2_pivots=9)[0] if len(bounds) <= 200 else None  # fmt: skip
        normal += old is not None and bool(old >= share)
    return StockRates(truth=truth, noise=noise, containers=n, studies=studies, share=share,
                      covered=100 * covered / studies, covered_normal=100 * normal / min(studies, 200),
                      median=100 * float(np.median(bounds)), reassured=100 * reassured / studies)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRates:
    """Studies with a share of limits: coverage of displayed intervals, words printed, words that an attack broke."""

    scale: str
    design: str
    limits: float
    studies: int
    pairs: int
    covered: float
    printed: int
    broken: int

    def faults(self) -> list[str]:
        """Coverage below 94 %, or any broken word."""
        out = [f"covers {self.covered:.1f} %"] if self.covered < 94 - allowed(0.05, self.pairs, 3.5) else []
        return out + ([f"{self.broken} words broken"] if self.broken else [])


LIMITS = tuple((scale, n, k, share) for scale in ("raw", "log") for n, k in ((12, 2), (8, 3)) for share in (0.1, 0.3, 0.5))


def run_limits(scale: str, n: int, k: int, share: float, studies: int, seed: int) -> LimitRates:
    """Level stocks with readings below a limit; on the log scale the limit has half of it beneath."""
    rng, covered, printed, broken = np.random.default_rng(seed), 0, 0, 0
    pairs = k * (k - 1) // 2
    for _ in range(studies):
        x = rng.normal(size=(n, k)) + rng.normal(size=(n, 1))
        x = 10 * np.exp(0.15 * x) if scale == "log" else 10 + 1.5 * x
        limit = np.quantile(x, share)
        low, high = np.where(x < limit, 0.5 * limit if scale == "log" else 0.0, x), np.where(x < limit, limit, x)
        if scale == "log":
            low, high = np.log(low), np.log(high)
        margin = Margin.relative(60) if scale == "log" else Margin.absolute(4.5 if share < 0.2 else 13.5)
        found = judge_bounds(low, high, margin, [str(j) for j in range(k)])
        covered += sum(a <= 0 <= b for a, b in zip(found.low, found.high, strict=True))
        if found.word != "inconclusive":
            printed += 1
            fillings = np.where(rng.random((400, n, k)) < rng.random((400, 1, 1)), high, low)
            fillings[:n] = np.where(np.arange(k) % 2 == 0, low, high)
            fillings[n:n + k] = np.where(np.arange(k) == np.arange(k)[:, None, None], low, high)
            codes = word_codes(contrasts_of(fillings), margin.edge, depths=k)
            broken += bool((codes != WORDS.index(found.word)).any())
    return LimitRates(scale=scale, design=f"{n} x {k}", limits=share, studies=studies, pairs=studies * pairs,
                      covered=100 * covered / (studies * pairs), printed=printed, broken=broken)
