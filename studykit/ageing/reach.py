"""When is the margin passed: on average, and by more than the declared share of containers.

On average (ICH Q1E 2003, section 2.4 and appendix B: the earliest time at which a 95 % confidence limit of the mean meets
the criterion). ``safe``: up to here both one-sided 1 - alpha limits of the fitted difference lie within the margin, followed
from that observed age at which they lie furthest within; younger containers are taken to be no worse unless the fitted line
starts beyond the margin or comes back towards zero: then they must be shown within too. ``latest``: from here one of the limits
lies wholly beyond. [safe, latest]: inverse regression after Fieller (1954, J. R. Stat. Soc. B 16:175) at level 1 - 2 alpha.

Containers. One is beyond where any pair of its depths is. ``safe``: up to here the upper 1 - alpha limits of the shares
beyond on either side by each pair (Owen 1963, tolerance limits solved for the share; noncentral t) add up to at most the
declared share. The share by any pair is at most the sum of the pairs' shares (Bonferroni), and the sum of the limits an upper
limit of that, however the pairs hang together: distances to limits add up, standard errors of a sum at most do. Coverage by
simulation: docs/time-coverage.md. Where containers were drawn again, each has its own line and its own value at each time, any
covariance within. Where each was opened once, the scatter of a container at age t is taken as s sqrt(1 + r (g/G)^2), G the
largest g, with r from 0 (the same at all ages) to 64 (in proportion to age); every r gives an exact limit and the worst
counts. Scatter of sampling and measurement counts as the containers' own, so the share errs upwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from itertools import combinations

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats
from scipy.interpolate import CubicSpline

from studykit.ageing.courses import Course, same_ages
from studykit.ageing.lines import Lines
from studykit.core.memory import remembered

Array = NDArray[np.float64]
GROWTH = (0.0, 1.0, 4.0, 16.0, 64.0)
POINTS, COARSE = 121, 41
NODES, TAIL, LEAST_SHARE, CENTRES = 30, 6.0, 1e-9, 801
LEAST = 5
"""Containers below which nothing is said of their share (own judgement: three all right leave 63 % of a stock open)."""
REFITTED, FEWEST = 2_000_000, 400
"""Readings that all refits of a share hold, and as few refits as there are at least: of thousands of containers fewer do."""
FAR = 4.0
"""How far beyond the oldest age the upper end of an interval is looked for, in multiples of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passing:
    """Times in months of S studies: fitted, shown within up to, shown beyond from (infinite: not by the last time looked at).

    ``outside``: True where a limit lies beyond the margin at every age observed; ``safe`` is NaN there.
    """

    estimate: Array
    safe: Array
    latest: Array
    outside: NDArray[np.bool_]


def longer(one: Passing, other: Passing) -> Passing:
    """The longer of two intervals at either end, with the fitted time of ``one``."""
    return Passing(estimate=one.estimate, safe=np.minimum(one.safe, other.safe), latest=np.maximum(one.latest, other.latest),
                   outside=one.outside | other.outside)


def earlier(some: Sequence[Passing]) -> Passing:
    """The earliest of several times, each of one study: every one of them must be shown within."""
    outside = np.any([p.outside for p in some], axis=0)
    return Passing(estimate=np.min([p.estimate for p in some], axis=0), latest=np.min([p.latest for p in some], axis=0),
                   safe=np.where(outside, np.nan, np.min([p.safe for p in some], axis=0)), outside=outside)


def mean_passes(lines: Lines, course: Course, margin: tuple[float, float], *, alpha: float, span: tuple[float, float],
                stop: float, points: int | None = None, beyond: float | None = None, bent: bool = False) -> Passing:
    """When the mean difference passes the margin (low, high); limits are followed up to ``stop`` months.

    ``span``: youngest and oldest age observed. ``points``: ages looked at on either side of the oldest (POINTS).
    ``beyond``: the level of ``latest``, alpha where left out.

    ``lines`` has the two columns of ``course.line``, or the three of ``course.bent`` (the fitted time is then not its own).
    ``latest`` is looked for up to FAR times ``stop``. Where a limit lies
    beyond at the youngest age there is no time within, even if the line comes back later: young containers are not.
    """
    (low, high), columns = margin, course.bent if bent else course.line

    def limits(months: Array, level: float, of: NDArray[np.bool_] | None = None) -> tuple[Array, Array]:
        found = (lines if of is None else lines.some(of)).at(columns(months))
        half = stats.t.isf(level, np.where(np.isfinite(found.df), found.df, 1.0)) * found.se
        return found.estimate - half, found.estimate + half

    def inside(months: Array, of: NDArray[np.bool_] | None = None) -> Array:
        lower, upper = limits(months, alpha, of)
        return np.asarray(np.minimum(high - upper, lower - low))

    def outwards(months: Array) -> Array:
        lower, upper = limits(months, alpha if beyond is None else beyond)
        return np.asarray(np.maximum(lower - high, low - upper))

    def worse(months: Array, best: NDArray[np.intp]) -> NDArray[np.bool_]:
        fitted = lines.at(columns(months)).estimate
        first, there = fitted[:, 0], np.take_along_axis(fitted, best[:, None], 1)[:, 0]
        shrinks = (first * there > 0) & (np.abs(first) > np.abs(there) + 1e-12)
        return np.asarray(shrinks | (first > high) | (first < low))

    safe, outside = _until(inside, span, stop, points, worse, inside)
    at_once = outwards(np.array([span[0]]))[:, 0] > 0
    safe, outside = np.where(at_once, np.nan, safe), outside | at_once
    return Passing(estimate=crossing(lines.beta, course, margin, span[0]), safe=safe, outside=outside,
                   latest=_from(outwards, span[0], FAR * stop, points))


def crossing(beta: Array, course: Course, margin: tuple[float, float], youngest: float = 0.0) -> Array:
    """Time (S,) at which the fitted lines (S, 2) leave the margin, months; infinite where never, 0 where at filling.

    A line that lies within at the youngest age is followed from there: what it would be before is no matter.
    """
    level, rate = beta[:, 0], beta[:, 1]
    first = level + rate * float(course.column(youngest))
    out = ((level >= margin[1]) | (level <= margin[0])) & ((first >= margin[1]) | (first <= margin[0]))
    edge = np.where(rate > 0, margin[1], margin[0])
    with np.errstate(all="ignore"):
        g = np.where(out, 0.0, np.where(rate == 0, np.inf, (edge - level) / rate))
    return _months(course, g)


def _months(course: Course, g: Array) -> Array:
    if course.shape == "linear":
        return g
    if course.shape == "square root":
        return g**2
    with np.errstate(all="ignore"):
        return np.where(g >= 1, np.inf, -np.log1p(-np.minimum(g, 1.0)) / np.log(2) * float(course.half_months or 1))


def _until(gap: Callable[[Array], Array], span: tuple[float, float], stop: float, points: int | None = None,
           worse: Callable[[Array, NDArray[np.intp]], NDArray[np.bool_]] | None = None,
           later: Later | None = None) -> tuple[Array, NDArray[np.bool_]]:
    """Where ``gap`` (S, T) first falls below zero after its best time within ``span``, ``stop`` where it does not.

    And True where it lies below zero all over the span, or at its begin if that is ``worse`` (S,) than the best (times, best).
    ``later``: the gap of some studies alone, where it costs much.
    """
    k = points or POINTS
    grid = np.unique(np.concatenate([np.linspace(*span, k), np.linspace(span[1], max(stop, span[1]), k)]))
    k = int(np.searchsorted(grid, span[1], side="right"))
    found = gap(grid) if later is None else _as_far_as_needed(gap, later, grid, k)
    bad, last = ~(found >= 0), len(grid)
    best = np.where(np.isnan(found[:, :k]), -np.inf, found[:, :k]).argmax(axis=1)
    after_best = bad & (np.arange(last) >= best[:, None])
    first = np.where(after_best.any(axis=1), after_best.argmax(axis=1), last)
    at = np.clip(first, 1, last - 1)
    before, after = (np.take_along_axis(found, k[:, None], 1)[:, 0] for k in (at - 1, at))
    with np.errstate(all="ignore"):
        part = np.where(np.isfinite(after), before / (before - after), 0.0)
    none = np.take_along_axis(bad, best[:, None], 1)[:, 0]
    if worse is not None and bad[:, 0].any():
        none |= bad[:, 0] & worse(grid[:k], best)
    safe = np.where(none, np.nan, np.where(first == last, stop, grid[at - 1] + part * (grid[at] - grid[at - 1])))
    if len(safe) == 1 and not none[0] and first[0] < last and np.isfinite(after[0]):
        safe[0] = optimize.brentq(lambda t: float(gap(np.array([t]))[0, 0]), grid[at[0] - 1], grid[at[0]], xtol=1e-9)
    return safe, none


Later = Callable[[Array, NDArray[np.bool_]], Array]
"""A gap at some times (T,) of some studies (S,) alone."""


def _as_far_as_needed(gap: Callable[[Array], Array], later: Later, grid: Array, k: int) -> Array:
    """The gap at the first ``k`` times, and at the others of those studies that still stand at zero or above; else NaN."""
    seen = gap(grid[:k])
    best = np.where(np.isnan(seen), -np.inf, seen).argmax(axis=1)
    stands = ~(~(seen >= 0) & (np.arange(k) >= best[:, None])).any(axis=1)
    rest = np.full((len(seen), len(grid) - k), np.nan)
    if stands.any() and rest.size:
        rest[stands] = later(grid[k:], stands)
    return np.hstack([seen, rest])


def _from(gap: Callable[[Array], Array], youngest: float, stop: float, points: int | None = None) -> Array:
    """First time at which ``gap`` rises above zero; infinite where it does not up to ``stop``."""
    late, never = _until(lambda t: -gap(t), (youngest, youngest), stop, points)
    return np.where(never, youngest, np.where(late >= stop, np.inf, late))


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """Normal laws of the containers, by one pair of depths, at T times: mean and scatter (laws, S, T), leverage (laws, T).

    On df degrees of freedom; leverage: variance of the mean's estimate in units of the scatter's square. ``chosen`` (S,): the
    law for point estimates.
    """

    mean: Array
    scatter: Array
    leverage: Array
    df: int
    chosen: NDArray[np.intp]


Containers = Callable[[Array], Law]
"""The laws of the containers by one pair of depths at any times (T,)."""


def opened_once(values: Array, course: Course, months: Array, at: Array, *, bent: bool = False) -> Law:
    """Laws at times ``at`` from containers opened once each, values (S, n): one for each growth of scatter with age."""
    return fitted_once(values, course, months, bent=bent)(at)


def fitted_once(values: Array, course: Course, months: Array, *, bent: bool = False) -> Containers:
    """``opened_once`` at any times, fitted once."""
    X = course.bent(months) if bent else course.line(months)
    top, fits, likelihood = float(X[:, 1].max()), [], []
    for r in GROWTH:
        variance = 1 + r * (X[:, 1] / top) ** 2
        unit = np.linalg.inv((X / variance[:, None]).T @ X)
        beta = (values / variance) @ X @ unit
        square = ((values - beta @ X.T) ** 2 / variance).sum(axis=1) / (len(X) - X.shape[1])
        fits.append((r, unit, beta, square))
        with np.errstate(divide="ignore"):
            likelihood.append(len(X) * np.log(square) + np.log(variance).sum())
    chosen = np.argmin(np.stack(likelihood), axis=0)

    def law(at: Array) -> Law:
        L = course.bent(at) if bent else course.line(at)
        later = [1 + r * (L[:, 1] / top) ** 2 for r, *_ in fits]
        return Law(mean=np.stack([beta @ L.T for _, _, beta, _ in fits]),
                   scatter=np.stack([np.sqrt(f[3][:, None] * x) for f, x in zip(fits, later, strict=True)]),
                   leverage=np.stack([np.einsum("tq,qr,tr->t", L, f[1], L) / x for f, x in zip(fits, later, strict=True)]),
                   df=len(X) - X.shape[1], chosen=chosen)

    return law


def own_lines(values: Array, course: Course, months: Array, units: ArrayLike, *, bent: bool = False) -> Array:
    """Each container's own line (S, m, 2) by least squares; containers seen at one age only are left out.

    bent: with a bend, (S, m, 3); containers seen at fewer than three ages are left out.
    """
    X, codes = course.bent(months) if bent else course.line(months), np.unique(units, return_inverse=True)[1]
    found = []
    for m in range(int(codes.max()) + 1):
        own = codes == m
        if same_ages(np.asarray(months)[own]).max() > X.shape[1] - 2:
            found.append(values[:, own] @ X[own] @ np.linalg.inv(X[own].T @ X[own]))
    return np.stack(found, axis=1) if found else np.zeros((len(values), 0, X.shape[1]))


def drawn_again(lines: Array, course: Course, at: Array) -> Law:
    """The law at times ``at`` from the containers' own lines (S, m, 2): their values at each time, any covariance within."""
    each = lines @ (course.line(at) if lines.shape[2] < 3 else course.bent(at)).T
    m = each.shape[1]
    return Law(mean=each.mean(axis=1)[None], scatter=each.std(axis=1, ddof=1)[None], df=m - 1,
               leverage=np.full((1, len(at)), 1 / m), chosen=np.zeros(len(each), dtype=np.intp))


def containers_law(values: Array, course: Course, months: Array, units: ArrayLike, *,
                   bent: bool = False) -> Callable[[Array], Law] | None:
    """The containers' laws at any times from values (S, n); None below LEAST own lines or containers opened once.

    bent: by the course with a bend.
    """
    n = len(np.unique(units))
    if n == len(months):
        return None if n < LEAST + bent else fitted_once(values, course, months, bent=bent)
    lines = own_lines(values, course, months, units, bent=bent)
    return None if lines.shape[1] < LEAST else lambda t: drawn_again(lines, course, t)


def share_passes(laws: Sequence[Containers], margin: tuple[float, float], share: float, *, alpha: float,
                 span: tuple[float, float], stop: float, beyond: Sequence[float] = ()) -> Passing:
    """When more than ``share`` (0 to 1) of the containers lie beyond the margin by any pair of depths, one law a pair.

    ``beyond``: the level of ``latest`` for each pair, alpha where left out.
    """
    def shown_beyond(months: Array) -> Array:
        some = []
        for law, level in zip(laws, beyond or (alpha,) * len(laws), strict=True):
            found = law(months)
            sides = [_room(found, edge, sign, share, level) for edge, sign in ((margin[1], 1), (margin[0], -1))]
            some.append(np.min(sides, axis=0).max(axis=0))
        return np.asarray(-np.min(some, axis=0))

    safe, outside = share_within(laws, margin, share, alpha=alpha, span=span, stop=stop)
    return Passing(estimate=share_crossing(laws, margin, share, stop=stop, youngest=span[0]), safe=safe, outside=outside,
                   latest=_from(shown_beyond, span[0], FAR * stop))


def share_within(laws: Sequence[Containers], margin: tuple[float, float], share: float, *, alpha: float,
                 span: tuple[float, float], stop: float, points: int | None = None) -> tuple[Array, NDArray[np.bool_]]:
    """``safe`` and ``outside`` of ``share_passes`` alone; ``points``: ages looked at on either side of the oldest (POINTS)."""
    def shown_within(months: Array, of: NDArray[np.bool_] | None = None) -> Array:
        found = [law(months) if of is None else _some(law(months), of) for law in laws]
        return _within(found, margin, share, alpha)

    left = _left(laws, margin, share)
    return _until(shown_within, span, stop, points, lambda months, _: left(months[:1])[:, 0] < 0, shown_within)


def share_limits(laws: Sequence[Containers], margin: tuple[float, float], *, alpha: float, months: Array) -> list[Array]:
    """The upper limits of the share beyond by each pair, both sides added (S, T)."""
    return [_most(f, margin[1], 1, alpha) + _most(f, margin[0], -1, alpha) for f in (law(months) for law in laws)]


def _within(found: Sequence[Law], margin: tuple[float, float], share: float, alpha: float) -> Array:
    """How far the limits lie below ``share`` (S, T): what ``_below`` says of ``share_limits``, with less work for many studies.

    Where one part alone lies beyond, the others are added at the first such time only: a crossing is looked for there.
    """
    least = _most(found[0], margin[1], 1, alpha)
    if len(least) == 1:
        return _below([_most(f, margin[1], 1, alpha) + _most(f, margin[0], -1, alpha) for f in found], share)
    gap, told = _below([least], share), least <= share
    told[:, 0] = True
    gap[told] = _below([_limit(f, margin, alpha, told) for f in found], share)
    told[:, 1:] = ~told[:, 1:] & (gap[:, :-1] >= 0)
    told[:, 0] = False
    gap[told] = _below([_limit(f, margin, alpha, told) for f in found], share)
    return gap


def _limit(law: Law, margin: tuple[float, float], alpha: float, where: NDArray[np.bool_]) -> Array:
    """The upper limit by one pair at some studies and times alone (P,), both sides added; ``where`` (S, T)."""
    points = replace(law, mean=law.mean[:, where][:, None], scatter=law.scatter[:, where][:, None],
                     leverage=law.leverage[:, np.nonzero(where)[1]])
    least = float(law.leverage.min())
    return np.asarray((_most(points, margin[1], 1, alpha, least) + _most(points, margin[0], -1, alpha, least))[0])


def _some(law: Law, of: NDArray[np.bool_]) -> Law:
    """The laws of some studies alone."""
    return replace(law, mean=law.mean[:, of], scatter=law.scatter[:, of], chosen=law.chosen[of])


def share_crossing(laws: Sequence[Containers], margin: tuple[float, float], share: float, *, stop: float,
                   youngest: float = 0.0, points: int | None = None) -> Array:
    """Time (S,) at which ``share`` of the containers lie beyond by the chosen laws; infinite: not by FAR times ``stop``.

    Followed from the youngest age, 0 where beyond there already: what the laws would be before is no matter.
    """
    point, never = _until(_left(laws, margin, share), (youngest, youngest), FAR * stop, points)
    return np.where(never, 0.0, np.where(point >= FAR * stop, np.inf, point))


def _left(laws: Sequence[Containers], margin: tuple[float, float], share: float) -> Callable[[Array], Array]:
    """How far the shares beyond by the chosen laws of all pairs together lie below ``share``, in standard normal quantiles."""
    def left(months: Array) -> Array:
        parts = []
        for law in laws:
            found = law(months)
            some = np.arange(found.mean.shape[1])
            mean, sd = found.mean[found.chosen, some], found.scatter[found.chosen, some]
            with np.errstate(all="ignore"):
                high, low = (mean - margin[1]) / sd, (margin[0] - mean) / sd
            parts.append(special.ndtr(high) + special.ndtr(low))
        return _below(parts, share)

    return left


def _below(parts: Sequence[Array], share: float) -> Array:
    """How far the sum of shares lies below ``share``, in standard normal quantiles."""
    return np.asarray(special.ndtri(share) - special.ndtri(np.clip(np.sum(parts, axis=0), LEAST_SHARE, 1 - LEAST_SHARE)))


def _most(law: Law, edge: float, sign: int, alpha: float, least: float | None = None) -> Array:
    """Upper 1 - alpha limit of the share of containers beyond the edge on that side, the most of all laws (S, T).

    The tolerance limit (Owen 1963) solved for its share; ``least``: the smallest leverage, where the law is a part of another.
    """
    root = np.sqrt(law.leverage)
    with np.errstate(all="ignore"):
        reach = sign * (edge - law.mean) / (law.scatter * root[:, None])
    top = 2.0 ** math.ceil(math.log2(TAIL / math.sqrt(float(law.leverage.min()) if least is None else least)))
    places, centres = _centres(law.df, 1 - alpha, top)
    centre = centres(np.clip(reach, places[0], places[1]))
    return np.asarray(special.ndtr((-centre * root[:, None]).max(axis=0)))


@lru_cache(maxsize=256)
def _centres(df: int, chance: float, top: float) -> tuple[tuple[float, float], CubicSpline]:
    """The noncentrality whose noncentral t has a given quantile at ``chance``, from -top to top, and the quantiles' range."""
    centre = np.sinh(np.linspace(-np.arcsinh(top), np.arcsinh(top), CENTRES))
    quantile = special.nctdtrit(df, centre, chance)
    return (float(quantile[0]), float(quantile[-1])), CubicSpline(quantile, centre)


def _room(law: Law, edge: float, sign: int, share: float, chance: float) -> Array:
    """From the tolerance limit that holds with confidence ``chance`` to the edge on that side, (laws, S, T).

    In standard errors of the mean; 0 or more where at most ``share`` of the containers lie beyond with that confidence.
    """
    root = np.sqrt(law.leverage)
    with np.errstate(all="ignore"):
        reach = np.clip(sign * (edge - law.mean) / (law.scatter * root[:, None]), -1e6, 1e6)
    return np.asarray(reach - _needed(law.df, root, share, chance)[:, None])


def _needed(df: int, root: Array, share: float, chance: float) -> Array:
    """Quantile of the noncentral t for each root of a leverage; for many of them by interpolation in its logarithm."""
    def exact(log_root: Array) -> Array:
        return np.asarray(special.nctdtrit(df, special.ndtri(1 - share) / np.exp(log_root), chance))

    at = np.log(root)
    low, high = float(at.min()), float(at.max())
    if high - low < 1e-12:
        return np.full_like(at, exact(np.array(low)))
    return exact(at) if at.size <= NODES else np.asarray(Chebyshev.interpolate(exact, NODES, [low, high])(at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """Times from refits of simulated containers, months, infinite where never: of the mean (R,), of the share (R,) or None."""

    mean: Array
    share: Array | None

    def interval(self, level: float, *, of_share: bool = False) -> tuple[float, float]:
        """Percentile interval of the mean's or the share's time, NaN where there is none; infinite where so many never pass."""
        times = self.share if of_share else self.mean
        if times is None:
            return np.nan, np.nan
        low, high = np.quantile(times, [(1 - level) / 2, (1 + level) / 2], method="inverted_cdf")
        return float(low), float(high)


@remembered
def bootstrap(values: Array, lines: Lines, course: Course, months: Array, units: ArrayLike, margin: tuple[float, float], *,
              times: int = 2000, seed: int = 0) -> Simulated:
    """Times at which the mean passes in ``times`` refits (parametric bootstrap), infinite where never.

    values (n,). Where containers were drawn again their own lines are drawn anew from the normal law found, and averaged;
    where each was opened once, values about the fitted line with the likeliest growth of scatter, and fitted by least
    squares.
    """
    rng, X, m = np.random.default_rng(seed), course.line(months), len(np.unique(units))
    if m < len(months):
        own = own_lines(values[None], course, months, units)[0]
        beta = (lines.beta[:, None] + rng.standard_normal((times, len(own), 2)) @ _root(np.cov(own.T))).mean(axis=1)
    else:
        found = opened_once(values[None], course, months, months)
        made = lines.beta @ X.T + rng.standard_normal((times, m)) * found.scatter[found.chosen[0], 0]
        beta = made @ X @ np.linalg.inv(X.T @ X)
    return Simulated(mean=crossing(beta, course, margin, float(np.min(months))), share=None)


def bootstrap_share(values: Array, course: Course, months: Array, units: ArrayLike, margin: tuple[float, float], *,
                    share: float, stop: float, times: int = 2000, seed: int = 0) -> Array:
    """Times at which more than ``share`` of the containers lie beyond by any pair, in ``times`` refits; infinite where never.

    values (k, n): the differences of k depths from the uppermost, the same rows of each; pairs hang together in the refits
    as they do in the containers. The share is followed up to FAR times ``stop``. Fewer refits where they hold ``REFITTED``.
    """
    rng, X, k, m = np.random.default_rng(seed), course.line(months), len(values), len(np.unique(units))
    times = min(times, max(FEWEST, REFITTED // len(months)))
    every = np.vstack([np.zeros_like(values[:1]), values])
    laws: list[Containers]
    if m < len(months):
        own = np.concatenate(own_lines(values, course, months, units), axis=1)
        made = own.mean(axis=0) + rng.standard_normal((times, len(own), 2 * k)) @ _root(np.cov(own.T))
        zones = [np.zeros_like(made[..., :2]), *(made[..., 2 * i:2 * i + 2] for i in range(k))]
        laws = [partial(drawn_again, b - a, course) for a, b in combinations(zones, 2)]
    else:
        growth = 1 + GROWTH[int(opened_once(every[-1:], course, months, months).chosen[0])] * (X[:, 1] / X[:, 1].max()) ** 2
        beta = (values / growth) @ X @ np.linalg.inv((X / growth[:, None]).T @ X)
        rest = (values - beta @ X.T) / np.sqrt(growth)
        again = rng.standard_normal((times, m, k)) @ _root(rest @ rest.T / (m - 2)) * np.sqrt(growth)[:, None]
        made = np.concatenate([np.zeros((times, m, 1)), again + (beta @ X.T).T], axis=2)
        laws = [fitted_once(made[..., b] - made[..., a], course, months) for a, b in combinations(range(k + 1), 2)]
    return share_crossing(laws, margin, share, stop=stop, youngest=float(np.min(months)), points=COARSE)


def _root(covariance: Array) -> Array:
    """A matrix whose square is the covariance, for rows of standard normal values; singular ones too."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))).T)
