"""What a design will be able to say: the chance of each verdict before anybody samples.

One analyte, on the scale of its margin (per cent for a relative margin, else its unit)::

    value = level + depth_d + container_c + (container x depth)_cd + repeatability_cdk

``n`` containers, ``d`` depths, ``k`` determinations of each sample.  A cell mean then scatters with the variance
s² = sd_container_depth² + s_r²/k beside what all depths of a container share, which cancels in every difference.

**Several containers.**  The rule that judges the data is tried on simulated studies: every pair of depths by the
containers' own differences, whatever their scatter across depths (``inference.contrasts``), or under the scatter that
the study declares (``inference.declared``).  One set of studies serves
every scatter, difference and margin of the same n and d, and the first n containers are the same whatever n, so
that chances grow with the size as they should.  Their error is at most 0.6 % (one standard error, 8192 studies).

Of more than MANY containers under any scatter the studies are drawn as what decides them, depth means and their covariance
(``moment_contrasts``), from other numbers, the same whatever n: at MANY chances may step by their error.

**A one-sided margin** is about each zone against its mixed container (``inference.departures``): the same studies, by those
contrasts, with zones of equal shares.  One container is judged against no such margin.

**One container** cannot estimate its scatter: there s_r is taken as known (published) and sd_container_depth is part
of what that container is.  All differences between d independent normal means lie within w of each other exactly
when their range does, so both chances are range probabilities, exact by quadrature::

    homogeneous: every (1 - 2 alpha) interval inside the margin   range <= margin - z sqrt(2) s
    stratified:  some difference beyond it, all pairs at once     range >= c, at the least favourable true means
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special, stats

from studykit.inference.bounded import critical_beyond
from studykit.inference.contrasts import (
    Contrasts,
    contrasts_of,
    family,
    p_beyond,
    pair_rows,
    sized,
    whole_pairs,
)
from studykit.inference.critical_range import range_sf
from studykit.inference.declared import declared_contrasts
from studykit.inference.departures import beside_mixed, departures_between, lift_of, mixed_rows
from studykit.inference.margin import Margin
from studykit.study.definition import Assumption, Scatter

Array = NDArray[np.float64]
STUDIES = 8192
SEED = 20260301
NEAR = 1e-9
BLOCK = 64  # containers are drawn by so many, and kept for the next design
MANY = 256
"""Containers beyond which their single cell means would fill the memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignSize:
    """How many containers, depths of each, and determinations of each sample; the scatter across depths that is declared."""

    containers: int
    depths: int
    replicates: int = 1
    scatter: Scatter = "unstructured"

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
        """Degrees of freedom promised behind every difference of depths; infinite where s_r is taken as known."""
        if self.containers == 1:
            return math.inf
        return float((self.containers - 1) * (self.depths - 1 if self.scatter == "pooled" else 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """Which side of a margin counts: 1 above the mixed container, -1 below it, 0 both; ``log``: of 100 times logs."""

    sign: Literal[-1, 0, 1] = 0
    log: bool = False


BOTH = Side()


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingCharacteristic:
    """Chance of each verdict (0..1); ``se`` is the standard error of one difference of depths.

    ``studies`` is 0 for an exact value; for a simulated one ``error(name)`` gives its Monte Carlo error.
    ``gradient_seen``: chance that some difference between depths is shown not to be zero, all pairs together.
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


def depth_effects(guess: Assumption, depths: int) -> Array:
    """True departures by depth from the surface down, for the guessed gradient (lowest minus top).

    ``linear``: an even slope; ``lowest only``: all of it in the lowest depth.
    """
    if guess.shape == "lowest only":
        return np.array([0.0] * (depths - 1) + [guess.gradient])
    return np.linspace(0.0, guess.gradient, depths)


def zone_effects(guess: Assumption, depths: int, side: Side) -> Array:
    """True departures of the zones from their mixed container, of equal shares, from the surface down."""
    effects = depth_effects(guess, depths)
    if side.log:
        return np.asarray(effects - 100 * (special.logsumexp(effects / 100) - math.log(depths)))
    return np.asarray(effects - effects.mean())


def _zones(size: DesignSize, guess: Assumption, studies: int, side: Side) -> Contrasts:
    """Each zone against its mixed container in the same simulated studies, under their assumptions."""
    drawn = drawn_cells(BLOCK * math.ceil(size.containers / BLOCK), size.depths, studies)[:size.containers]
    spread = depth_mean_sd(size, guess) * math.sqrt(size.containers)
    return zones_of(depth_effects(guess, size.depths) + spread * drawn.swapaxes(0, 1), side)


@lru_cache(maxsize=96)
def _studies(containers: int, depths: int, scatter: Scatter, studies: int = STUDIES) -> Contrasts:
    """All pairs of depths in the first of the simulated studies, whose cell means scatter by 1 and differ in nothing."""
    if scatter == "unstructured" and containers > MANY:
        return _of_many(containers, depths, studies)
    cells = drawn_cells(BLOCK * math.ceil(containers / BLOCK), depths, studies)[:containers]
    cells = cells.swapaxes(0, 1)
    return whole_pairs(cells) if scatter == "unstructured" and containers > 1 else judged_cells(cells, scatter)


def _of_many(containers: int, depths: int, studies: int) -> Contrasts:
    """The same studies by their depth means and covariance, from the same normals and chances for any number of containers."""
    rng, k = np.random.default_rng([SEED, depths, MANY]), depths
    mean, below, chance = (rng.standard_normal((STUDIES, k)), rng.standard_normal((STUDIES, k, k)), rng.random((STUDIES, k)))
    square = special.chdtri(containers - 1.0 - np.arange(k), chance[:studies])
    return moment_contrasts(mean[:studies], below[:studies], square, pair_rows(k), containers)


def moment_contrasts(mean: Array, below: Array, square: Array, load: Array, containers: int) -> Contrasts:
    """Contrasts of studies drawn as depth means and their covariance, which is Wishart.

    mean (S, k) and below (S, k, k; its lower triangle counts): standard normals; square (S, k): chi-squares with n - 1,
    n - 2, ... degrees of freedom; load (K, k): the contrasts times a root of the covariance of a container's cell means;
    n containers. Source: Bartlett 1933, Proc. R. Soc. Edinb. 53:260.
    """
    k, n = mean.shape[1], containers
    factors = np.tril(below, -1)
    factors[:, np.arange(k), np.arange(k)] = np.sqrt(square)
    estimate = mean @ load.T / math.sqrt(n)
    variance = ((load @ factors) ** 2).sum(axis=2) / (n - 1)
    return Contrasts(estimate=estimate, se=np.sqrt(variance / n), df=np.full(estimate.shape, n - 1.0),
                     unit_variance=np.full(estimate.shape, 1 / n))


@lru_cache(maxsize=8)
def drawn_cells(containers: int, depths: int, studies: int) -> Array:
    """Cell means (containers, studies, depths): the first of both are the same, however many there are."""
    made = np.random.default_rng([SEED, depths]).standard_normal((containers, STUDIES, depths))
    return made if studies == STUDIES else made[:, :studies].copy()


def judged_cells(cells: Array, scatter: Scatter) -> Contrasts:
    """All pairs of depths of studies (S, n, k) as a real study is judged, equal steps between depths."""
    return contrasts_of(cells) if scatter == "unstructured" else declared_contrasts(cells, scatter)


def zones_of(cells: Array, side: Side) -> Contrasts:
    """Zones of equal shares against their mixed containers, of studies (S, n, k) as a real study is judged."""
    k = cells.shape[2]
    scale = Margin.absolute(1.0) if not side.log else Margin.relative(1.0)
    unit = 100.0 if side.log else 1.0
    own = departures_between(cells / unit, cells / unit, equal := np.full(k, 1 / k), scale)[0]
    lift = lift_of(own, equal, scale) if side.sign > 0 else np.zeros(len(own))
    return contrasts_of(beside_mixed(own + lift[:, None, None]) * unit, mixed_rows(k))


@lru_cache(maxsize=1024)
def t_quantile(df: float, alpha: float) -> float:
    """Student's t that is exceeded with chance alpha; the normal quantile for infinite df."""
    return float(stats.t.isf(alpha, df)) if math.isfinite(df) else float(stats.norm.isf(alpha))


@lru_cache(maxsize=96)
def _quantiles(size: DesignSize, alpha: float, studies: int) -> Array:
    """The t quantile of every difference of the simulated studies: one for all where their df are one."""
    if size.scatter != "own gradient":
        return np.array(t_quantile(size.df, alpha))
    return np.asarray(-special.stdtrit(_studies(size.containers, size.depths, size.scatter, studies).df, alpha))


def _needed(found: Contrasts, size: DesignSize, alpha: float, side: Side = BOTH) -> Array:
    """The margin above which each study is homogeneous: the farthest end of its (1 - 2 alpha) intervals."""
    return np.asarray((sized(found.estimate, side.sign) + _quantiles(size, alpha, len(found.se)) * found.se).max(axis=1))


def _made(size: DesignSize, guess: Assumption, studies: int = STUDIES, side: Side = BOTH) -> Contrasts:
    """The simulated studies of a design under its assumptions."""
    if side.sign:
        return _zones(size, guess, studies, side)
    unit = _studies(size.containers, size.depths, size.scatter, studies)
    s = depth_mean_sd(size, guess) * math.sqrt(size.containers)
    shift = pair_rows(size.depths) @ depth_effects(guess, size.depths)
    return replace(unit, estimate=shift + s * unit.estimate, se=s * unit.se)


def _beyond(found: Contrasts, size: DesignSize, margin: float, alpha: float) -> float:
    """Share of the studies that are stratified; only pairs near the edge of the rule are put to the whole rule.

    A pair's p-value is at least the largest number of pairs charged, and at most twice the number of all pairs, times its
    own tail beyond the margin.
    """
    number, pairs = np.abs(found.estimate) - margin, found.estimate.shape[1]
    charged = max(c for c, _ in family(pairs, size.depths))
    reach = [_quantiles(size, alpha / c, len(number)) * found.se for c in (charged, 2 * pairs)]
    sure = np.asarray((number > reach[1] * (1 + NEAR)).any(axis=1))
    study, pair = np.nonzero((number > reach[0] * (1 - NEAR)) & ~sure[:, None])
    near = Contrasts(**{f: getattr(found, f)[study, pair][:, None] for f in ("estimate", "se", "df", "unit_variance")})
    beyond = p_beyond(near, margin, depths=size.depths)[:, 0] < alpha if len(study) else np.zeros(0, dtype=bool)
    return float(np.sum(sure) + len(np.unique(study[beyond]))) / len(sure)


def _one_side(size: DesignSize, guess: Assumption, margin: float, alpha: float, studies: int, side: Side,
              ) -> OperatingCharacteristic:
    """``chances`` for a one-sided margin; one container can say nothing."""
    se = depth_mean_sd(size, guess) * math.sqrt(1 - 1 / size.depths)
    if size.containers == 1:
        return OperatingCharacteristic(homogeneous=0.0, stratified=0.0, gradient_seen=0.0, se=se, df=math.inf)
    found, k = _made(size, guess, studies, side), size.depths
    far, least = (_quantiles(size, alpha / n, studies) for n in (k, 2 * k))
    return OperatingCharacteristic(
        homogeneous=float((_needed(found, size, alpha, side) < margin).mean()),
        stratified=float((sized(found.estimate, side.sign) - margin > far * found.se).any(axis=1).mean()), se=se, df=size.df,
        gradient_seen=float((np.abs(found.estimate) > least * found.se).any(axis=1).mean()), studies=studies)


def chances(size: DesignSize, guess: Assumption, margin: float, *, alpha: float = 0.05, studies: int = STUDIES,
            side: Side = BOTH) -> OperatingCharacteristic:
    """Chance of each verdict for a balanced design, all pairs of depths; ``margin`` on the scale of the guess.

    Of a one-sided margin (``side``) all zones against their mixed containers.

    Exact for one container (s_r taken as known), by simulated studies (the first ``studies``) for several.  Raises
    ValueError for a margin that is not above 0 or an alpha outside (0, 0.5).
    """
    _check(margin, alpha)
    if side.sign:
        return _one_side(size, guess, margin, alpha, studies, side)
    s, effects = depth_mean_sd(size, guess), depth_effects(guess, size.depths)
    if size.containers == 1:
        c = margin + critical_beyond(size.depths, math.inf, margin, math.sqrt(2) * s, alpha) * math.sqrt(2) * s
        return OperatingCharacteristic(
            homogeneous=_homogeneous(effects, s, margin, alpha), gradient_seen=_any(effects / s, alpha),
            stratified=_chance(range_sf(c / s, effects / s)), se=math.sqrt(2) * s, df=math.inf)
    found = _made(size, guess, studies)
    least = _quantiles(size, alpha / (2 * found.estimate.shape[1]), studies)
    return OperatingCharacteristic(
        homogeneous=float((_needed(found, size, alpha) < margin).mean()),
        stratified=_beyond(found, size, margin, alpha), se=math.sqrt(2) * s, df=size.df, studies=studies,
        gradient_seen=float((np.abs(found.estimate) > least * found.se).any(axis=1).mean()))


def homogeneous_chance(size: DesignSize, guess: Assumption, margin: float, *, alpha: float = 0.05, studies: int = STUDIES,
                       side: Side = BOTH) -> float:
    """Chance of "homogeneous" alone, as ``chances`` gives it, at a fraction of the work."""
    _check(margin, alpha)
    if size.containers == 1:
        return 0.0 if side.sign else _homogeneous(depth_effects(guess, size.depths), depth_mean_sd(size, guess), margin, alpha)
    return float((_needed(_made(size, guess, studies, side), size, alpha, side) < margin).mean())


def _check(margin: float, alpha: float) -> None:
    if not (math.isfinite(margin) and margin > 0):
        raise ValueError(f"margin must be a finite number above 0, but got {margin}")
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, but got {alpha}")


def _chance(value: float) -> float:
    """A probability freed from rounding beyond its ends."""
    return min(value, 1.0) if value > 1e-12 else 0.0


def _any(effects: Array, alpha: float) -> float:
    """Chance that some difference is seen at all where the scatter is known (Bonferroni over all pairs)."""
    d = len(effects)
    reach = math.sqrt(2) * t_quantile(math.inf, alpha / (d * (d - 1)))
    return _chance(range_sf(reach, effects))


def depth_mean_sd(size: DesignSize, guess: Assumption) -> float:
    """Standard deviation of a depth mean apart from what all depths of a container share."""
    own = guess.sd_container_depth**2 if size.containers > 1 else 0.0
    return math.sqrt((own + guess.s_r**2 / size.replicates) / size.containers)


def resolvable_margin(size: DesignSize, guess: Assumption, *, chance: float = 0.8, alpha: float = 0.05, studies: int = STUDIES,
                      side: Side = BOTH) -> float:
    """The smallest margin for which "homogeneous" is reached with probability ``chance``."""
    if size.containers == 1 and side.sign:
        return math.inf
    if size.containers > 1:
        need = np.sort(_needed(_made(size, guess, studies, side), size, alpha, side))
        return float(need[math.ceil(chance * len(need)) - 1]) * (1 + 1e-12)
    s, effects = depth_mean_sd(size, guess), depth_effects(guess, size.depths)
    low = float(np.ptp(effects)) + 1e-9 * s
    high = low + s
    while _homogeneous(effects, s, high, alpha) < chance:
        high = low + 2 * (high - low)
    return float(optimize.brentq(lambda m: _homogeneous(effects, s, m, alpha) - chance, low, high,
                                 xtol=1e-9 * s, rtol=1e-10))


def _homogeneous(means: Array, s: float, margin: float, alpha: float) -> float:
    """Chance that all differences of one container are shown to lie within the margin; ``s`` is known."""
    width = margin / s - t_quantile(math.inf, alpha) * math.sqrt(2)
    return _chance(1 - range_sf(width, means / s)) if width > 0 else 0.0


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
