"""From the mean to the containers: what share of them lies beyond the margin, with an upper bound.

Each container i has its own true contrast D_i (low minus top, say), D_i ~ N(delta, tau^2); what is
observed is d_i = D_i + noise. Counting the d_i beyond the margin overcounts, because noise alone
carries some of them there. Two bounds:

* from the model: share = P(|D| > margin) with the noise variance taken out. The upper bound is a
  generalized confidence bound (Weerahandi 1993, JASA 88:899; for one-way random models Krishnamoorthy
  & Mathew 2004, Technometrics 46:44, from memory): chi-square and normal pivots are put in place of the unknown
  variances and mean, and the upper point of the resulting shares is taken. The pivots are a fixed
  Sobol set, so the same data give the same digits. Coverage of the 95 % bound in simulations over 3 to 24
  containers: 93.4 to 100 %, lowest where the mean lies close to the margin, above 95 % where noise dominates.
* from clear calls alone: the exact binomial bound (Clopper & Pearson 1934, Biometrika 26:404); with
  none of n beyond, 1 - 0.05^(1/n).
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
from scipy import special

from studykit.inference.margin import Interval, Margin

Array = NDArray[np.float64]
LEAST = 4
"""Containers known by numbers from which the scatter of their middle half may stand for the noise (own judgement)."""


def share_bound_clear(beyond: int, containers: int, level: float = 0.95) -> float:
    """Exact upper bound for the share of containers beyond the margin, from clear calls (0 to 1).

    ``beyond`` of ``containers`` were clearly beyond; with 0 it is 1 - (1 - level)^(1/n).
    """
    if containers < 1 or not 0 <= beyond <= containers:
        raise ValueError(f"beyond must lie between 0 and containers >= 1, but got {beyond}, {containers}")
    _level(level)
    if beyond == containers:
        return 1.0
    return float(special.betaincinv(beyond + 1, containers - beyond, level))


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
    from scipy.stats import qmc  # takes a second to load, and only this bound needs it

    points = qmc.Sobol(3, scramble=True, seed=np.random.default_rng(20040101)).random_base2(log2)
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
    chi = 2 * special.gammaincinv((n - 1) / 2, q[:, 0])
    z = special.ndtri(q[:, 1])
    chi_noise = np.ones(len(q)) if math.isinf(noise_df) else 2 * special.gammaincinv(noise_df / 2, q[:, 2]) / noise_df
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
    half = -float(special.stdtrit(noise_df, (1 - level) / 2)) * math.sqrt(noise_variance)
    return tuple("beyond" if x - half > margin.high or x + half < margin.low
                 else "within" if margin.low < x - half and x + half < margin.high else "unclear" for x in d)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareBound:
    """Upper bound of the share of containers beyond the margin (0 to 1), for any distribution of the containers.

    ``counted`` of ``containers`` are not clearly within: some difference of theirs is larger than ``threshold``;
    ``caught``: least chance that a container beyond the margin is counted.
    """

    upper: float
    counted: int
    containers: int
    threshold: float
    caught: float
    level: float


def share_upper(differences: ArrayLike, edge: float, *, noise_se: float | None, noise_df: float = math.inf,
                level: float = 0.95, noise_span: tuple[float, float] | None = None) -> ShareBound:
    """Upper bound of the share beyond that no mixture escapes, from the containers' own differences.

    differences: (n,) or (n, K) for K pairs of depths, scale of the margin, NaN where a pair is lost: a container with
    a pair unseen is never clear. noise_se: standard error of one
    difference from measurement alone, on noise_df degrees of freedom; None where it is unknown (then errors need only
    have median zero, and the bound doubles). noise_span: least and most that it may be, where values are known only
    within bounds; the bound is then the largest for any noise between them.

    Container i has true differences D; d = D + error is seen. Counted is every container with some |d| above
    edge - z e; one that is beyond is counted with chance at least Phi(z), whatever D and whatever the others do. So
    the count is at least binomial with q >= share Phi(z), and share <= (Clopper-Pearson limit of q)/Phi(z). z is
    chosen from edge/e, n and K alone, before looking at any difference: lowest expected bound for an all-level stock.
    """
    d = np.asarray(differences, dtype=float)
    d = d[:, None] if d.ndim == 1 else d
    if d.ndim != 2 or len(d) < 1 or not 0 < edge < math.inf:
        raise ValueError(f"differences must be containers x pairs and edge above 0, but got {d.shape}, {edge}")
    _level(level)
    n, pairs = d.shape
    if noise_se is None or noise_se <= 0:
        return _counted(d, edge, 0.5 if noise_se is None else 1.0, level)
    least, most = noise_span or (noise_se, noise_se)
    noises = [noise_se] if least == most else [*np.geomspace(least, most, 25).tolist()]
    chosen = [_best_z(edge / x, n, pairs, noise_df, level) for x in noises]
    worst = {(z, x) for z, x in zip(chosen + chosen[:-1], noises + noises[1:], strict=True)}  # z falls with the noise
    return max((_counted(d, edge - z * x, _caught(z, noise_df), level) for z, x in worst), key=lambda b: b.upper)


def _counted(d: Array, threshold: float, chance: float, level: float) -> ShareBound:
    """The bound from containers of which some difference is above the threshold, caught with that chance at least."""
    clear = (np.abs(d) <= threshold).all(axis=1)  # NaN is not clear: what was not seen may lie beyond
    counted, n = int(np.sum(~clear)), len(d)
    return ShareBound(upper=min(1.0, share_bound_clear(counted, n, level) / chance), counted=counted, containers=n,
                      threshold=threshold, caught=chance, level=level)


def _caught(z: float, df: float) -> float:
    """Least chance that a container beyond the margin is not called clearly within, noise known to df."""
    scale = 1.0 if math.isinf(df) else math.sqrt(2 * float(special.gammaincinv(df / 2, 0.05)) / df)
    return float(special.ndtr(z * scale))


@lru_cache(maxsize=512)
def _best_z(edge_in_se: float, n: int, pairs: int, df: float, level: float) -> float:
    grid = np.arange(0.0, 4.01, 0.25)
    counts = np.arange(n)
    limits = np.append(special.betaincinv(counts + 1, n - counts, level), 1.0)  # ``share_bound_clear`` of every count
    expected = []
    for z in grid:
        q = min(1.0, pairs * 2 * float(special.ndtr(-max(edge_in_se - z, 0.0))))
        binomial = _binomial(n, q)
        expected.append(min(1.0, float(binomial @ limits) / _caught(float(z), df)))
    return float(grid[int(np.argmin(expected))])


def _binomial(n: int, q: float) -> NDArray[np.float64]:
    """Chances of 0 to n, by logarithms: the library's ``pmf`` overflows for a q near the smallest numbers."""
    k = np.arange(n + 1)
    choose = special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1)
    return np.asarray(np.exp(choose + special.xlogy(k, q) + special.xlog1py(n - k, -q)))


def shown_beyond(differences: ArrayLike, edge: float, *, noise_se: float | Array | None, noise_df: float = math.inf,
                 alpha: float = 0.05, clear: Array | None = None, least: Array | None = None) -> NDArray[np.int8]:
    """Which containers are shown to lie beyond the margin in which pair, 1 above and -1 below, else 0, (n, K).

    All containers and pairs are taken into account.

    differences: (n,) or (n, K), NaN where lost; of values known only within bounds the end nearest to zero. noise_se: one
    number, one a container or (n, K); where it is unknown, the scatter of the containers' middle half stands for it (median
    absolute deviation, pair by pair): it holds the noise and more. ``clear``: the differences that show it, NaN where only
    bounds are known. ``least``: (n, K), by how much a difference has to pass the margin at least.
    """
    d = np.asarray(differences, dtype=float)
    d = d[:, None] if d.ndim == 1 else d
    n, pairs = d.shape
    if noise_se is None:
        seen = d if clear is None else clear
        if (many := int(np.isfinite(seen).all(axis=1).sum())) < LEAST:
            return np.zeros((n, pairs), dtype=np.int8)
        middle = np.nanmedian(seen, axis=0)
        sd, df = 1.4826 * np.nanmedian(np.abs(seen - middle), axis=0), 0.37 * (many - 1)  # efficiency of the MAD, normal
    else:
        given = np.asarray(noise_se, dtype=float)
        sd, df = given[:, None] if given.ndim == 1 else given, noise_df
    reach = -float(special.stdtrit(df, alpha / (n * pairs))) * sd
    out = np.abs(d) - (reach if least is None else np.maximum(reach, least)) > edge  # false of what was lost
    return np.asarray(np.where(out, np.sign(d), 0), dtype=np.int8)


def all_one_way(shown: NDArray[np.int8]) -> bool:
    """True where every container is shown beyond in the same pair and direction: then their mean is as well."""
    return bool(len(shown)) and bool((np.abs(shown.sum(axis=0, dtype=np.int64)) == len(shown)).any())


def next_container(differences: ArrayLike, level: float = 0.95) -> Interval:
    """Prediction interval of the next container's difference as it would be measured (normal scatter, t).

    differences: n >= 2 finite numbers, one a container.
    """
    d = np.asarray(differences, dtype=float)
    if d.ndim != 1 or len(d) < 2 or not np.all(np.isfinite(d)):
        raise ValueError("differences must be two or more finite numbers, one a container")
    half = -float(special.stdtrit(len(d) - 1, (1 - level) / 2)) * float(d.std(ddof=1)) * math.sqrt(1 + 1 / len(d))
    return Interval(low=float(d.mean()) - half, high=float(d.mean()) + half, level=level)
