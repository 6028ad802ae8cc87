"""Simultaneous inference for all differences between depths, by deterministic quadrature.

For contrasts T = (e_1/se_1, ..., e_m/se_m) with a common chi-square scale S (multivariate t, or
normal when df is infinite) and rank d, every event of the form "inside a region that is star-shaped
about zero" is an average over directions u on the unit sphere of a one-dimensional radial
probability: a uniform direction and an independent radius R ~ chi_d (Genz & Bretz 2009, "Computation
of Multivariate Normal and t Probabilities", section 4). The directions are fixed point sets (circle:
equal angles; sphere: Gauss-Legendre by trapezoid; higher: a Sobol sequence with a fixed seed), so
the same data always give the same digits.

Two questions are answered:

* how wide must all intervals be so that they hold together (``critical_value``; for equal, independent
  depths this is Tukey's studentised range divided by the square root of 2);
* how surprising is a largest difference so far beyond the margin, were every true difference within
  it (``beyond_margin_p``). The true means that make it least surprising lie on the corners of
  {largest difference <= margin}: some depths at 0, the others at the margin. For known scatter this
  follows from the symmetry and log-concavity of the normal density (Anderson 1955, Proc. AMS 6:170;
  Prekopa 1973): the probability of staying inside is smallest at a corner. With estimated scatter the
  same corners are used and the true standard error in margin/se is replaced by its estimate; the
  error rate is checked by simulation in tests/operating.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

Array = NDArray[np.float64]
_RANK_TOLERANCE = 1e-9
_MOST_DEPTHS = 6


def pair_matrix(k: int) -> Array:
    """All pairwise differences of k depth means: rows e_j - e_i for i < j, shape (k(k-1)/2, k)."""
    if k < 2:
        raise ValueError(f"k must be at least 2, but got {k}")
    rows = [(i, j) for i, j in combinations(range(k), 2)]
    out = np.zeros((len(rows), k))
    for n, (i, j) in enumerate(rows):
        out[n, i], out[n, j] = -1.0, 1.0
    return out


def departure_matrix(weights: Array) -> Array:
    """Each depth minus the weighted mean of all depths, shape (k, k); weights need not add up to 1."""
    w = np.asarray(weights, dtype=float)
    if w.ndim != 1 or len(w) < 2 or not np.all(np.isfinite(w)) or np.any(w < 0) or w.sum() <= 0:
        raise ValueError(f"weights must be at least two finite numbers >= 0 with a sum > 0, but got {w}")
    return np.asarray(np.eye(len(w)) - w / w.sum())


@lru_cache(maxsize=16)
def _directions(d: int) -> tuple[Array, Array]:
    """Points on the unit sphere of R^d with weights that add up to 1."""
    if d == 1:
        return np.array([[1.0], [-1.0]]), np.array([0.5, 0.5])
    if d == 2:
        n = 5040
        angle = (np.arange(n) + 0.5) * (2 * np.pi / n)
        return np.column_stack([np.cos(angle), np.sin(angle)]), np.full(n, 1 / n)
    if d == 3:
        height, weight = np.polynomial.legendre.leggauss(80)
        angle = (np.arange(168) + 0.5) * (2 * np.pi / 168)
        flat = np.sqrt(1 - height**2)
        points = np.stack([np.outer(flat, np.cos(angle)), np.outer(flat, np.sin(angle)),
                           np.outer(height, np.ones(168))], axis=-1).reshape(-1, 3)
        return points, np.repeat(weight / 2, 168) / 168
    uniform = stats.qmc.Sobol(d, scramble=True, seed=np.random.default_rng(19551973)).random_base2(13)
    normal = special.ndtri(np.clip(uniform, 1e-12, 1 - 1e-12))
    half = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    points = np.vstack([half, -half])
    return points, np.full(len(points), 1 / len(points))


def _root(matrix: Array) -> Array:
    """B with B B' = matrix, of full column rank (shape m x d)."""
    values, vectors = np.linalg.eigh(matrix)
    keep = values > _RANK_TOLERANCE * max(values[-1], 0.0)
    if not np.any(keep):
        raise ValueError("the covariance of the contrasts must not be zero")
    return np.asarray(vectors[:, keep] * np.sqrt(values[keep]))


def _check(corr: Array, df: float) -> Array:
    corr = np.asarray(corr, dtype=float)
    if corr.ndim != 2 or corr.shape[0] != corr.shape[1] or not np.allclose(np.diag(corr), 1.0):
        raise ValueError("corr must be a square correlation matrix with ones on its diagonal")
    if not df > 0:
        raise ValueError(f"df must be above 0, but got {df}")
    return corr


def largest_sf(c: float, corr: Array, df: float, two_sided: bool = True) -> float:
    """Chance that the largest of m correlated t values (in size, if two-sided) exceeds c >= 0.

    corr is their correlation matrix (m x m), df their common degrees of freedom (may be infinite).
    """
    corr = _check(corr, df)
    if c < 0:
        raise ValueError(f"c must be 0 or more, but got {c}")
    root = _root(corr)
    d = root.shape[1]
    points, weight = _directions(d)
    along = points @ root.T
    reach = np.max(np.abs(along) if two_sided else along, axis=1)
    with np.errstate(divide="ignore"):
        radius = np.where(reach > 1e-12, c / np.maximum(reach, 1e-12), np.inf)
    if np.isinf(df):
        tail = special.chdtrc(d, np.minimum(radius, 1e8) ** 2)
    else:
        tail = special.fdtrc(d, df, np.minimum(radius, 1e8) ** 2 / d)
    return float(weight @ tail)


def critical_value(corr: Array, df: float, level: float = 0.95, two_sided: bool = True) -> float:
    """Number of standard errors by which all m intervals must reach to hold together at ``level``."""
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, but got {level}")
    corr = _check(corr, df)
    return _critical(np.ascontiguousarray(corr).tobytes(), len(corr), float(df), level, two_sided)


@lru_cache(maxsize=512)
def _critical(key: bytes, m: int, df: float, level: float, two_sided: bool) -> float:
    corr = np.frombuffer(key).reshape(m, m)
    share = (1 - level) / (2 if two_sided else 1)
    low = max(0.5 * float(stats.t.isf(share, df)), 1e-6)
    high = 1.2 * float(stats.t.isf(share / m, df)) + 0.1
    return _solve(lambda c: largest_sf(c, corr, df, two_sided) - (1 - level), low, high)


def _solve(gap: Callable[[float], float], low: float, high: float) -> float:
    return float(optimize.brentq(gap, low, high, xtol=1e-9, rtol=1e-10))


def _corners(cov: Array) -> list[tuple[int, ...]]:
    """Sets of depths at the margin, the rest at 0, up to mirror image; one per size if exchangeable."""
    k = len(cov)
    pairs = pair_matrix(k)
    variances = np.diag(pairs @ cov @ pairs.T)
    if np.allclose(variances, variances[0], rtol=1e-8):
        return [tuple(range(size)) for size in range(1, k // 2 + 1)]
    return [(0, *rest) for size in range(k - 1) for rest in combinations(range(1, k), size)]


@lru_cache(maxsize=64)
def _reaches(key: bytes, k: int) -> tuple[list[tuple[Array, Array, Array]], Array, int]:
    """Per corner and direction: largest step outward (crossing pairs), inward, and within a group."""
    cov = np.frombuffer(key).reshape(k, k)
    pairs = pair_matrix(k)
    se = np.sqrt(np.diag(pairs @ cov @ pairs.T))
    scaled = pairs / se[:, None]
    root = _root(scaled @ cov @ scaled.T)
    points, weight = _directions(root.shape[1])
    along = points @ root.T
    out = []
    for corner in _corners(cov):
        high = np.isin(np.arange(k), corner)
        sign = np.array([float(high[j]) - float(high[i]) for i, j in combinations(range(k), 2)])
        cross = along[:, sign != 0] * sign[sign != 0]
        inside = np.abs(along[:, sign == 0])
        within = inside.max(axis=1) if inside.shape[1] else np.zeros(len(points))
        out.append((cross.max(axis=1), (-cross).max(axis=1), within))
    return out, weight, root.shape[1]


def _exit(threshold: float, reach: Array) -> Array:
    return np.where(reach > 1e-12, threshold / np.maximum(reach, 1e-12), 1e8)


@lru_cache(maxsize=8)
def _chi_table(d: int) -> Array:
    return np.asarray(special.chdtrc(d, np.linspace(0.0, 16.0, 2**15 + 2) ** 2))


def _chi_tail(radius: Array, d: int) -> Array:
    """P(chi_d > radius) from a table with linear steps between its points (error below 1e-7)."""
    table = _chi_table(d)
    place = np.minimum(radius, 15.99) * ((2**15 + 1) / 16.0)
    index = place.astype(np.intp)
    return np.asarray(table[index] + (place - index) * (table[index + 1] - table[index]))


def _scale_nodes(df: float) -> tuple[Array, Array]:
    """Values of S = chi_df / sqrt(df) and their probabilities (S = 1 for known scatter)."""
    if np.isinf(df):
        return np.array([1.0]), np.array([1.0])
    node, weight = np.polynomial.legendre.leggauss(16)
    v = (node + 1) / 2  # probability v^3: nodes crowd at small S, where large statistics come from
    return np.sqrt(stats.chi2.ppf(v**3, df) / df), 1.5 * weight * v**2


def beyond_sf(t: float, margin_in_se: float, cov: Array, df: float, corners: tuple[int, ...] = ()) -> float:
    """Largest chance, over true differences all within the margin, of a statistic of at least t >= 0.

    The statistic is the largest over pairs of (|difference| - margin)/se. ``margin_in_se`` is the
    margin divided by the (largest) standard error of a difference; ``cov`` the k x k covariance of the
    depth means up to a common factor; df may be infinite; ``corners`` restricts the search.
    """
    k = len(cov)
    if t < 0:
        return 1.0
    if k > _MOST_DEPTHS:
        full = pair_matrix(k) @ cov @ pair_matrix(k).T
        sd = np.sqrt(np.diag(full))
        return min(1.0, largest_sf(t, full / np.outer(sd, sd), df))
    return min(1.0, max(_corner_sf(t, margin_in_se, cov, df, corners)))


def _corner_sf(t: float, m: float, cov: Array, df: float, which: tuple[int, ...] = ()) -> list[float]:
    """Chance of a statistic of at least t at each corner of the region within the margin."""
    scale = float(np.trace(cov)) / len(cov)
    corners, weight, d = _reaches((np.asarray(cov, dtype=float) / scale).tobytes(), len(cov))
    spread, share = _scale_nodes(df)
    out = []
    for outward, inward, within in [corners[i] for i in which] if which else corners:
        total = 0.0
        for s, p in zip(spread, share, strict=True):
            radius = np.minimum(_exit(t * s, outward), _exit(2 * m + t * s, inward))
            radius = np.minimum(radius, _exit(m + t * s, within))
            total += p * float(weight @ _chi_tail(radius, d))
        out.append(total)
    return out


def _statistic(means: Array, cov: Array, margin: float) -> tuple[float, float]:
    pairs = pair_matrix(len(means))
    se = np.sqrt(np.diag(pairs @ cov @ pairs.T))
    if not np.all(se > 0):
        raise ValueError("every difference between depths must have a standard error above 0")
    return float(np.max((np.abs(pairs @ means) - margin) / se)), margin / float(se.max())


def beyond_margin_p(means: Array, cov: Array, df: float, margin: float) -> float:
    """p-value for "no two depths differ by more than the margin" (k depth means, k x k covariance).

    Small values speak for a difference beyond the margin, in either direction and between any two
    depths; the multiplicity of pairs is in it. With margin 0 it is the all-pairs range test
    (Tukey). 1.0 is returned when no observed difference exceeds the margin.
    """
    means, cov = np.asarray(means, dtype=float), np.asarray(cov, dtype=float)
    if means.ndim != 1 or cov.shape != (len(means), len(means)):
        raise ValueError(f"cov must be {len(means)} x {len(means)}, but got {cov.shape}")
    if not margin >= 0:
        raise ValueError(f"margin must be 0 or more, but got {margin}")
    t, margin_in_se = _statistic(means, cov, margin)
    if margin == 0:
        full = pair_matrix(len(means)) @ cov @ pair_matrix(len(means)).T
        sd = np.sqrt(np.diag(full))
        return largest_sf(t, full / np.outer(sd, sd), df)
    return beyond_sf(t, margin_in_se, cov, df) if t >= 0 else 1.0


def at_least(means: Array, cov: Array, df: float, alpha: float = 0.05) -> float:
    """Lower confidence bound (level 1 - alpha) for the largest true difference between any two depths.

    The largest margin that ``beyond_margin_p`` would still call exceeded; 0.0 when not even a margin of
    zero is.
    """
    means, cov = np.asarray(means, dtype=float), np.asarray(cov, dtype=float)
    if beyond_margin_p(means, cov, df, 0.0) > alpha:
        return 0.0
    top = float(np.ptp(means))
    if len(means) > _MOST_DEPTHS:
        return _bound(means, cov, df, alpha, top, ())
    found = top
    for _ in range(4):
        t, m = _statistic(means, cov, min(found, 0.999 * top))
        worst = int(np.argmax(_corner_sf(max(t, 0.0), m, cov, df)))
        nearer = _bound(means, cov, df, alpha, top, (worst,))
        if nearer >= found * (1 - 1e-6):
            break
        found = nearer
    return found


def _bound(means: Array, cov: Array, df: float, alpha: float, top: float, corners: tuple[int, ...]) -> float:
    def gap(margin: float) -> float:
        t, m = _statistic(means, cov, margin)
        return (beyond_sf(t, m, cov, df, corners) if t >= 0 else 1.0) - alpha

    if gap(0.0) >= 0:
        return 0.0
    return float(optimize.brentq(gap, 0.0, top, xtol=1e-7 * top, rtol=1e-10))


@lru_cache(maxsize=512)
def family_p(kind: str, estimates: bytes, cov: bytes, df: float, edge: float) -> float:
    """P-value of 'no true difference lies beyond edge', for depth means ("depths") or for contrasts as they are."""
    e = np.frombuffer(estimates)
    c = np.frombuffer(cov).reshape(len(e), len(e))
    if kind == "depths":
        return float(beyond_margin_p(e, c, df, edge))
    se = np.sqrt(np.diag(c))
    t = float(np.max((np.abs(e) - edge) / se))
    if t < 0:
        return 1.0
    if len(e) > 1:
        return largest_sf(t, c / np.outer(se, se), df)
    return float(stats.t.sf(t, df) + stats.t.sf(t + 2 * edge / se[0], df))


@lru_cache(maxsize=512)
def family_bound(kind: str, estimates: bytes, cov: bytes, df: float, alpha: float) -> float:
    """Lower confidence bound of the largest difference: the edge at which ``family_p`` passes alpha."""
    e = np.frombuffer(estimates)
    c = np.frombuffer(cov).reshape(len(e), len(e))
    if kind == "depths":
        return at_least(e, c, df, alpha)
    se = np.sqrt(np.diag(c))
    tail = critical_value(c / np.outer(se, se), df, 1 - alpha) if len(e) > 1 else stats.t.isf(alpha, df)
    return max(0.0, float(np.max(np.abs(e) - tail * se)))
