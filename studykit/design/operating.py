"""What a design will be able to say: the chance of each verdict before anybody samples.

One analyte, on the scale of its margin (per cent for a relative margin, else its unit)::

    value = level + depth_d + container_c + (container x depth)_cd + repeatability_cdk

``n`` containers, ``d`` depths, ``k`` determinations of each sample.  A depth mean then has the
variance s² = (sd_container_depth² + s_r²/k)/n beside what all depths of a container share, which
cancels in every difference.  The container:depth mean square estimates n s² with (n-1)(d-1)
degrees of freedom, independent of the means.  One container cannot estimate it: there s_r is taken
as known (published) and sd_container_depth is part of what that container is.

All differences between d independent normal means lie within w of each other exactly when their
range does, so both verdicts are one-dimensional averages of range probabilities over the chi
distribution of the estimate S of s (``t`` and ``c`` depend on alpha and the degrees of freedom)::

    homogeneous: every (1 - 2 alpha) interval inside the margin   range <= margin - t sqrt(2) S
    stratified:  some difference beyond it, all pairs at once     range >= margin + c sqrt(2) S

**Exact** (quadrature, checked to 1e-6): balanced designs, all pairs of depths or one pair (where
the first line is the two one-sided tests' power of Phillips 1990 by Owen's Q).  The exact numbers
hold for the analysis with the container:depth mean square.  The kit's own REML pools it with its
neighbours where the data allow no negative variance, which changes chances by a few per cent in
small studies; ``simulation.py`` shows by how much, and serves where the design is not balanced.
The critical number c is the one of ``simultaneous.py``: the least favourable true means within the
margin are half of the depths at 0 and the others at the margin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import interpolate, optimize, special, stats

from studykit.study.definition import Assumption, Margin

Array = NDArray[np.float64]
Pairs = Literal["all pairs", "ends", "container contrasts"]
_STEP = 0.45
_Z = np.linspace(-15.5 * _STEP, 15.5 * _STEP, 32)  # trapezoid: error below 1e-11, 1e-8 for seven depths
_PHI = _STEP * np.exp(-(_Z**2) / 2) / math.sqrt(2 * math.pi)
_GRID, _FINE = np.polynomial.legendre.leggauss(32), np.polynomial.legendre.leggauss(64)
_REACH = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.3, 1.7, 2.2, 3.0, 4.5, 8.0])  # margins in standard errors


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignSize:
    """How many containers, depths of each, and determinations of each sample."""

    containers: int
    depths: int
    replicates: int = 1

    def __post_init__(self) -> None:
        if self.containers < 1 or self.replicates < 1 or self.depths < 2:
            raise ValueError("a design must have at least 1 container, 2 depths and 1 determination, "
                             f"but got {self.containers}, {self.depths} and {self.replicates}")

    @property
    def samples(self) -> int:
        """Samples drawn: containers times depths."""
        return self.containers * self.depths

    @property
    def determinations(self) -> int:
        """Laboratory results per analyte."""
        return self.samples * self.replicates

    @property
    def df(self) -> float:
        """Degrees of freedom behind a difference of depths; infinite where s_r is taken as known."""
        return float((self.containers - 1) * (self.depths - 1)) if self.containers > 1 else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingCharacteristic:
    """Chance of each verdict (0..1); ``se`` is the standard error of one difference of depths.

    ``studies`` is 0 for an exact value; for a simulated one ``error(name)`` gives its Monte Carlo error.
    ``gradient_seen``: chance that the test for any difference between depths rejects at alpha.
    """

    homogeneous: float
    stratified: float
    gradient_seen: float
    se: float
    df: float
    studies: int = 0

    @property
    def inconclusive(self) -> float:
        """What is left."""
        return max(0.0, 1.0 - self.homogeneous - self.stratified)

    @property
    def method(self) -> str:
        """How the chances were found."""
        return "simulated" if self.studies else "exact"

    def error(self, name: str) -> float:
        """Standard error from the finite number of simulated studies; 0 for an exact chance."""
        if not self.studies:
            return 0.0
        p = float(getattr(self, name))
        return math.sqrt(max(p * (1 - p), 1 / self.studies) / self.studies)

    def to_table(self) -> pd.DataFrame:
        """One row per verdict: chance and Monte Carlo error in per cent."""
        names = ("homogeneous", "stratified", "inconclusive")
        return pd.DataFrame([{"verdict": n, "chance_percent": 100 * getattr(self, n),
                              "simulation_error_percent": 100 * self.error(n), "how": self.method} for n in names])


def margin_on_scale(margin: Margin) -> float:
    """The margin on the scale of the analysis: 100·ln(1 + p/100) for p per cent, else its own unit."""
    if margin.relative_percent is not None:
        return 100 * math.log1p(margin.relative_percent / 100)
    return float(margin.absolute or 0.0)


def depth_effects(guess: Assumption, depths: int) -> Array:
    """True departures by depth from the surface down, for the guessed gradient (lowest minus top).

    ``linear``: an even slope; ``lowest only``: all of it in the lowest depth.
    """
    if guess.shape == "lowest only":
        return np.array([0.0] * (depths - 1) + [guess.gradient])
    return np.linspace(0.0, guess.gradient, depths)


def range_within(width: Array, means: Array) -> Array:
    """Chance that independent normal means (sd 1) with true values ``means`` range over at most ``width``.

    ``width`` any shape; 0 below 0.  Each mean in turn is the smallest, the others within ``width`` above.
    """
    w = np.maximum(np.asarray(width, dtype=float), 0.0)[..., None]
    total = np.zeros(w.shape[:-1])
    values, counts = np.unique(means, return_counts=True)
    for i, own in enumerate(values):
        x = own + _Z
        product = np.broadcast_to(_PHI * counts[i], (*w.shape[:-1], len(_Z)))
        for j, other in enumerate(values):
            others = int(counts[j]) - (i == j)
            if others:
                factor = special.ndtr(x + w - other) - special.ndtr(x - other)
                for _ in range(others):
                    product = product * factor
        total = total + product.sum(axis=-1)
    return np.clip(total, 0.0, 1.0)


def _scale(df: float, top: float = math.inf) -> tuple[Array, Array]:
    """Nodes of S/s up to ``top`` and their probability weights (Gauss-Legendre; crowded near 0 for df < 3)."""
    if math.isinf(df):
        return np.array([1.0]), np.array([1.0 if top >= 1 else 0.0])
    low, high = np.sqrt(special.chdtri(df, [1 - 1e-14, 1e-14]) / df)
    high = min(high, top)
    if high <= low:
        return np.array([max(top, 1e-9)]), np.array([0.0])
    grid, power = (_FINE, 2) if df < 3 else (_GRID, 1)
    u = (grid[0] + 1) / 2
    s = low + (high - low) * u**power
    log_density = (df - 1) * np.log(s) - df * s**2 / 2 + df / 2 * math.log(df / 2) - special.gammaln(df / 2)
    return s, grid[1] * (high - low) * power * u ** (power - 1) * np.exp(log_density)


def least_favourable(depths: int, margin_in_se: float, low: int | None = None) -> Array:
    """True depth means (sd 1) on a corner of "all within the margin": ``low`` at 0, the others at the margin.

    An even split (the default) makes a false "beyond" most likely; the tests compare it with the others.
    """
    few = depths // 2 if low is None else low
    return np.array([0.0] * few + [margin_in_se * math.sqrt(2)] * (depths - few))


@lru_cache(maxsize=4096)
def _t_quantile(df: float, alpha: float) -> float:
    return float(stats.t.isf(alpha, df)) if math.isfinite(df) else float(stats.norm.isf(alpha))


@lru_cache(maxsize=4096)
def _f_quantile(d: int, df: float, alpha: float) -> float:
    return float(stats.f.isf(alpha, d, df)) if math.isfinite(df) else float(stats.chi2.isf(alpha, d))


@lru_cache(maxsize=4096)
def _critical_curve(depths: int, df: float, alpha: float) -> interpolate.PchipInterpolator:
    """Critical number c as a smooth function of the margin in standard errors."""
    high = 1.05 * float(stats.t.isf(alpha / (depths * (depths - 1)), df)) + 0.05
    low = 0.9 * float(stats.t.isf(min(alpha, 0.4), df))
    t = low + (high - low) * (1 - np.cos(np.pi * (np.arange(8) + 0.5) / 8)) / 2
    s, weight = _scale(df)
    values = np.zeros(len(_REACH))
    for i, m in enumerate(_REACH):
        inside = range_within(math.sqrt(2) * (m + t[:, None] * s), least_favourable(depths, m))
        excess = np.log(np.maximum((1 - inside) @ weight, 1e-300)) - math.log(alpha)
        fit = np.polynomial.chebyshev.Chebyshev.fit(t, excess, len(t) - 1)
        values[i] = optimize.brentq(fit, low, high)
    return interpolate.PchipInterpolator(_REACH, values)


def critical_reach(margin_in_se: Array, depths: int, df: float, alpha: float) -> Array:
    """How many standard errors beyond the margin a difference must lie to count as beyond it."""
    curve = _critical_curve(depths, df, alpha)
    return np.asarray(curve(np.minimum(margin_in_se, _REACH[-1])))


def verdict_chances(means: Array, s: float, df: float, margin: float, alpha: float) -> tuple[float, float]:
    """Exact chances (homogeneous, stratified) for true depth means with standard deviation ``s`` each."""
    if not (s > 0 and margin > 0):
        raise ValueError(f"s and margin must be above 0, but got {s} and {margin}")
    mu, delta = np.asarray(means, dtype=float) / s, margin / s
    same = _homogeneous(np.asarray(means, dtype=float), s, df, margin, alpha)
    nodes, weight = _scale(df)
    c = critical_reach(delta / (math.sqrt(2) * nodes), len(mu), df, alpha)
    beyond = float((weight * (1 - range_within(delta + c * math.sqrt(2) * nodes, mu))).sum())
    return _chance(same), _chance(beyond)


def _chance(value: float) -> float:
    """A probability freed from rounding beyond its ends."""
    return min(value, 1.0) if value > 1e-12 else 0.0


def chances(size: DesignSize, guess: Assumption, margin: float, *, alpha: float = 0.05,
            pairs: Pairs = "all pairs") -> OperatingCharacteristic:
    """Exact chance of each verdict for a balanced design; ``margin`` on the scale of the guess.

    ``pairs="ends"`` judges only the lowest depth against the top one; ``"container contrasts"`` does so
    by a t interval on one difference per container (n - 1 degrees of freedom).  Raises ValueError for
    a margin that is not above 0 or an alpha outside (0, 0.5).
    """
    if not (math.isfinite(margin) and margin > 0):
        raise ValueError(f"margin must be a finite number above 0, but got {margin}")
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, but got {alpha}")
    s, effects = depth_mean_sd(size, guess), depth_effects(guess, size.depths)
    judged, df = _judged(size, effects, pairs)
    same, beyond = verdict_chances(judged, s, df, margin, alpha)
    return OperatingCharacteristic(homogeneous=same, stratified=beyond, gradient_seen=_seen(judged / s, df, alpha),
                   se=math.sqrt(2) * s, df=df)


def _judged(size: DesignSize, effects: Array, pairs: Pairs) -> tuple[Array, float]:
    """The true depth means that are compared, and the degrees of freedom of the comparison."""
    if pairs == "all pairs":
        return effects, size.df
    if pairs == "ends":
        return effects[[0, -1]], size.df
    return effects[[0, -1]], size.df / (size.depths - 1)


def depth_mean_sd(size: DesignSize, guess: Assumption) -> float:
    """Standard deviation of a depth mean apart from what all depths of a container share."""
    own = guess.sd_container_depth**2 if size.containers > 1 else 0.0
    return math.sqrt((own + guess.s_r**2 / size.replicates) / size.containers)


def _seen(effects: Array, df: float, alpha: float) -> float:
    """Power of the F test (chi-square where s_r is known) for any difference between depths."""
    d = len(effects) - 1
    ncp = float(((effects - effects.mean()) ** 2).sum())
    if ncp == 0:
        return alpha
    if math.isinf(df):
        return float(stats.ncx2.sf(_f_quantile(d, df, alpha), d, ncp))
    return 1.0 - float(special.ncfdtr(d, df, ncp, _f_quantile(d, df, alpha)))


def resolvable_margin(size: DesignSize, guess: Assumption, *, chance: float = 0.8, alpha: float = 0.05,
                      pairs: Pairs = "all pairs") -> float:
    """The smallest margin for which "homogeneous" is reached with probability ``chance``."""
    s, effects = depth_mean_sd(size, guess), depth_effects(guess, size.depths)
    judged, df = _judged(size, effects, pairs)
    low = float(np.ptp(judged)) + 1e-9 * s
    high = low + s
    while _homogeneous(judged, s, df, high, alpha) < chance:
        high = low + 2 * (high - low)
    return float(optimize.brentq(lambda m: _homogeneous(judged, s, df, m, alpha) - chance, low, high,
                                 xtol=1e-9 * s, rtol=1e-10))


def _homogeneous(means: Array, s: float, df: float, margin: float, alpha: float) -> float:
    """Chance that all differences are shown to lie within the margin."""
    t = _t_quantile(df, alpha)
    nodes, weight = _scale(df, margin / s / (t * math.sqrt(2)))
    return float((weight * range_within(margin / s - t * math.sqrt(2) * nodes, means / s)).sum())


def beyond_share_bound(containers: int, alpha: float = 0.05) -> float:
    """Upper bound on the share of all containers beyond the margin when none of ``containers`` is.

    1 - alpha^(1/n), the exact binomial bound for 0 of n (Clopper & Pearson 1934).
    """
    if containers < 1:
        raise ValueError(f"containers must be at least 1, but got {containers}")
    return float(1 - alpha ** (1 / containers))


def best_replicates(guess: Assumption, cost_per_sample: float, cost_per_determination: float) -> float:
    """Determinations per sample that give the smallest variance for the money (not rounded).

    sqrt(c1/c2)·s_r/sd_container_depth: two-stage sampling, Cochran, Sampling Techniques, 3rd ed. 1977,
    section 10.6 (from memory, check your copy).  ``cost_per_sample`` is what one sampled depth costs
    without its determinations, its share of the container included.
    """
    if cost_per_determination <= 0 or cost_per_sample < 0:
        raise ValueError("cost_per_determination must be above 0 and cost_per_sample at least 0")
    if guess.sd_container_depth == 0:
        return math.inf if cost_per_sample > 0 else 1.0
    return math.sqrt(cost_per_sample / cost_per_determination) * guess.s_r / guess.sd_container_depth
