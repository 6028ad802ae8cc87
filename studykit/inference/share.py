"""From the mean to the containers: what share of them lies beyond the margin, with an upper bound.

Each container i has its own true contrast D_i (low minus top, say), D_i ~ N(delta, tau^2); what is
observed is d_i = D_i + noise. Counting the d_i beyond the margin overcounts, because noise alone
carries some of them there. Two bounds:

* from the model: share = P(|D| > margin) with the noise variance taken out. The upper bound is a
  generalized confidence bound (Weerahandi 1993, JASA 88:899; for one-way random models Krishnamoorthy
  & Mathew 2004, J. Qual. Technol. 36:1): chi-square and normal pivots are put in place of the unknown
  variances and mean, and the upper point of the resulting shares is taken. The pivots are a fixed
  Sobol set, so the same data give the same digits. Coverage of the 95 % bound in simulations over 3 to 24
  containers: 93.4 to 100 %, lowest where the mean lies close to the margin, above 95 % where noise dominates.
* from clear calls alone: the exact binomial bound (Clopper & Pearson 1934, Biometrika 26:404); with
  none of n beyond, 1 - 0.05^(1/n).

And which degrees of freedom a depth contrast should use (``choose_df_method``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from studykit.inference.margin import Margin

Array = NDArray[np.float64]


def share_bound_clear(beyond: int, containers: int, level: float = 0.95) -> float:
    """Exact upper bound for the share of containers beyond the margin, from clear calls (0 to 1).

    ``beyond`` of ``containers`` were clearly beyond; with 0 it is 1 - (1 - level)^(1/n).
    """
    if containers < 1 or not 0 <= beyond <= containers:
        raise ValueError(f"beyond must lie between 0 and containers >= 1, but got {beyond}, {containers}")
    _level(level)
    if beyond == containers:
        return 1.0
    return float(stats.beta.ppf(level, beyond + 1, containers - beyond))


def containers_for_clear(share: float, level: float = 0.95) -> int:
    """How many containers, none of them beyond the margin, show that less than ``share`` of the stock is."""
    if not 0 < share < 1:
        raise ValueError(f"share must lie between 0 and 1, but got {share}")
    _level(level)
    return math.ceil(math.log(1 - level) / math.log1p(-share) - 1e-9)


def noise_exceedance(margin: float, noise_se: float) -> float:
    """Share of perfectly uniform containers whose contrast lies beyond +-margin from noise alone."""
    if not (margin > 0 and noise_se > 0):
        raise ValueError(f"margin and noise_se must be above 0, but got {margin}, {noise_se}")
    return float(2 * special.ndtr(-margin / noise_se))


def _level(level: float) -> None:
    if not 0.5 < level < 1:
        raise ValueError(f"level must lie between 0.5 and 1, but got {level}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareBeyond:
    """Share of containers whose own contrast exceeds the margin.

    ``delta``, ``tau``: mean and SD of the true contrasts (scale of the margin; tau 0 where the scatter
    is no larger than the noise); ``counted``: share of observed contrasts beyond, noise included;
    ``share`` the estimate and ``upper`` its upper confidence bound at ``level``, noise taken out;
    ``clear`` the number clearly beyond; ``upper_clear`` the exact binomial bound in which every container
    that is not clearly within counts as beyond.
    """

    containers: int
    delta: float
    tau: float
    noise_sd: float
    noise_known: bool
    counted: float
    share: float
    upper: float
    clear: int
    upper_clear: float
    level: float
    margin: Margin

    def sentence(self) -> str:
        """The result in plain words."""
        text = (f"Of containers like these, an estimated {100 * self.share:.1f} % differ between depths by more than "
                f"{self.margin.text.lstrip('±')}; with {100 * self.level:.0f} % confidence it is at most "
                f"{100 * self.upper:.0f} %.")
        if not self.noise_known:
            text += " The noise of a container's own contrast is not known, so all scatter counts as real."
        return text

    def to_table(self) -> pd.DataFrame:
        """One row a quantity, shares in per cent."""
        rows = [("containers", self.containers), ("counted beyond, noise included (%)", 100 * self.counted),
                ("estimated share beyond (%)", 100 * self.share), ("upper bound (%)", 100 * self.upper),
                ("clearly beyond", self.clear), ("upper bound from clear calls alone (%)", 100 * self.upper_clear),
                ("level (%)", 100 * self.level)]
        return pd.DataFrame(rows, columns=["quantity", "value"])


@lru_cache(maxsize=4)
def _pivots(log2: int) -> Array:
    points = stats.qmc.Sobol(3, scramble=True, seed=np.random.default_rng(20040101)).random_base2(log2)
    return np.clip(points, 1e-9, 1 - 1e-9)


def _share(delta: Array, tau: Array, low: float, high: float) -> Array:
    """P(D outside low..high) for D ~ N(delta, tau^2); tau 0 gives 0 or 1."""
    safe = np.maximum(tau, 1e-300)
    inside = special.ndtr(np.clip((high - delta) / safe, -40, 40)) - special.ndtr(
        np.clip((low - delta) / safe, -40, 40))
    return np.asarray(1.0 - inside)


def upper_shares(mean: ArrayLike, variance: ArrayLike, n: int, noise: ArrayLike, noise_df: float, low: float,
                 high: float, level: float = 0.95, log2_pivots: int = 12) -> Array:
    """Upper bounds for many studies at once: means and variances of n container contrasts each.

    ``noise``: estimated noise variance of one contrast, on ``noise_df`` degrees of freedom (infinite:
    known). Shapes (R,); returns (R,).
    """
    q = _pivots(log2_pivots)
    chi = stats.chi2.ppf(q[:, 0], n - 1)
    z = special.ndtri(q[:, 1])
    chi_noise = np.ones(len(q)) if math.isinf(noise_df) else stats.chi2.ppf(q[:, 2], noise_df) / noise_df
    m, v, e = (np.atleast_1d(np.asarray(x, dtype=float)) for x in (mean, variance, noise))
    out = np.empty(len(m))
    for i in range(len(m)):
        total = (n - 1) * v[i] / chi
        delta = m[i] - z * np.sqrt(total / n)
        tau = np.sqrt(np.maximum(total - e[min(i, len(e) - 1)] / chi_noise, 0.0))
        out[i] = np.quantile(_share(delta, tau, low, high), level)
    return out


def share_beyond(contrasts: Sequence[float] | Array, margin: Margin, *, noise_variance: float | None,
                 noise_df: float = math.inf, level: float = 0.95) -> ShareBeyond:
    """Share of containers beyond the margin, from one observed contrast a container.

    contrasts: n >= 2 finite numbers on the scale of the margin. noise_variance: variance of one
    container's contrast from measurement alone, 2 s^2 / (results per depth) for a difference of two
    depths; None where it is unknown (then all scatter counts as real, which can only raise the bound).
    noise_df: its degrees of freedom (infinite for a published repeatability).
    """
    d = np.asarray(contrasts, dtype=float)
    if d.ndim != 1 or len(d) < 2 or not np.all(np.isfinite(d)):
        raise ValueError("contrasts must be two or more finite numbers, one a container")
    if noise_variance is not None and not (noise_variance >= 0 and noise_df > 0):
        raise ValueError(f"noise_variance and noise_df must not be negative, but got {noise_variance}, {noise_df}")
    _level(level)
    noise = 0.0 if noise_variance is None else float(noise_variance)
    n, delta, variance = len(d), float(d.mean()), float(d.var(ddof=1))
    tau = math.sqrt(max(0.0, variance - noise))
    upper = upper_shares([delta], [variance], n, [noise], noise_df, margin.low, margin.high, level)
    calls = clear_calls(d, margin, noise_variance=noise_variance, noise_df=noise_df, level=level)
    clear = sum(c == "beyond" for c in calls)
    return ShareBeyond(
        containers=n, delta=delta, tau=tau, noise_sd=math.sqrt(noise), noise_known=noise_variance is not None,
        counted=float(np.mean((d < margin.low) | (d > margin.high))),
        share=float(_share(np.array([delta]), np.array([tau]), margin.low, margin.high)[0]), upper=float(upper[0]),
        clear=clear, upper_clear=share_bound_clear(n - sum(c == "within" for c in calls), n, level), level=level,
        margin=margin)


def clear_calls(contrasts: ArrayLike, margin: Margin, *, noise_variance: float | None, noise_df: float = math.inf,
                level: float = 0.95) -> tuple[Literal["beyond", "within", "unclear"], ...]:
    """For each container, whether its own interval (two-sided, ``level``) lies beyond or within the margin.

    With unknown noise nothing about a single container is clear.
    """
    d = np.asarray(contrasts, dtype=float)
    if noise_variance is None:
        return tuple("unclear" for _ in d)
    half = float(stats.t.isf((1 - level) / 2, noise_df)) * math.sqrt(noise_variance)
    return tuple("beyond" if x - half > margin.high or x + half < margin.low
                 else "within" if margin.low < x - half and x + half < margin.high else "unclear" for x in d)


@dataclass(frozen=True, slots=True, kw_only=True)
class DfMethod:
    """Which small-sample method a depth contrast should use, and why."""

    method: Literal["exact-stratum", "kenward-roger"]
    reason: str


def choose_df_method(balanced: bool, *, one_stratum: bool = True, at_zero: Sequence[str] = ()) -> DfMethod:
    """The method whose error rate is nearest to nominal without exceeding it, for a container design.

    balanced: every container has every depth with equal replicates and terms nest; one_stratum: the
    contrast compares depths within containers only; at_zero: variance components estimated as zero.
    Measured: at 6 containers and a true container:depth variance of zero, Kenward-Roger rejects 2.7 % for
    a nominal 5 %, the exact stratum t 4.9 % (docs/operating.md).
    """
    if balanced and one_stratum:
        return DfMethod(method="exact-stratum", reason="the design is balanced, so the depth contrast has an exact t "
                        "test: the container:depth mean square with its own degrees of freedom")
    if balanced:
        return DfMethod(method="kenward-roger", reason="the contrast compares containers and depths at once, so it "
                        "has no exact test even in a balanced design")
    extra = ("; a variance was estimated as zero, where this method errs on the cautious side (wider intervals)"
             if at_zero else "")
    return DfMethod(method="kenward-roger", reason="the design is not balanced, so no exact test exists" + extra)
