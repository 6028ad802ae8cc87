"""Differences between depths under any covariance across depths: estimate, standard error, df, p-values.

The container is the unit. A container's readings y_ij (mean of its determinations at depth j) are a level of
its own plus a depth profile plus scatter of ANY covariance across depths; containers are independent. All
functions work on many studies at once (axis 0), so that one study and a simulation of fifty thousand give
the same digits.

* Nothing lost: a contrast of depths is judged by the containers' own contrasts, t with n - 1 degrees of freedom. This
  is the exact t test of one contrast of a multivariate normal sample, and equals the mixed model with unstructured
  covariance. Containers may scatter unlike one another: for normal contrasts of one mean and any variances the test keeps
  its level (Bakirov & Szekely 2006, J. Math. Sci. 139:6497; Ibragimov & Mueller 2010, J. Bus. Econ. Stat. 28:453; one-sided
  5 % up to 14 containers, 4.1 % for any number; above 5 % it does not: ``unlike``). Declared groups whose means differ add
  to the scatter.
* Readings lost: depth means by least squares within containers (container and depth as fixed effects, so a
  container that lacks one zone still speaks through its others), each declared group by itself and then in the mix of
  all containers, so that losses in one group do not move the mean. Residuals are taken about that mean, with a
  standard error that is robust to the covariance: the bias-reduced cluster sandwich CR2 and its Satterthwaite df (Bell &
  McCaffrey 2002, Surv. Methodol. 28:169; Pustejovsky & Tipton 2018, J. Bus. Econ. Stat. 36:672), container = cluster,
  working model = equal independent scatter. It reduces to the test above where nothing is lost. Where the pattern (never the
  readings) lets the contrast's complete containers promise a shorter interval, or where CR2 is not unbiased (a
  container that alone links two zones), the t over those complete containers is used. Where fewer than three
  containers have all depths of a contrast, its df is the least over working models in which one depth scatters NOISY
  times as much: links through other zones rest on the few containers that hold the noisiest of them.

Beyond the margin, over all k(k - 1)/2 pairs. If no true difference exceeds the margin D, the chance that a pair
shows |d| - D > c se is convex in its true difference for |difference| <= D, whatever its scatter. The sum over
pairs is therefore largest at a corner of {all |differences| <= D}, where a depths lie at D and k - a at 0: a(k - a)
pairs at the margin, the others at zero. The p-value of a pair is the largest such sum with its own t tails: at most
floor(k^2/4) pairs are charged where the margin is wide, all pairs (two-sided) as it goes to zero. Other
families of contrasts are charged in full. Error rates by simulation: docs/operating.md.

Shapes: S studies, n containers, k depths, K contrasts (by default pairs i < j, depth j minus depth i), q group columns.
Units: those of the values (natural logs for a margin in per cent).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
CHUNK = 2000
LEAST_DF = 1.0
TINY = 1e-9
NOISY = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrasts:
    """Inference on K contrasts of S studies; arrays (S, K), NaN where a contrast cannot be judged.

    ``unit_variance``: variance of the estimate were every container's contrast to have variance 1.
    """

    estimate: Array
    se: Array
    df: Array
    unit_variance: Array

    @property
    def judged(self) -> NDArray[np.bool_]:
        """Where a standard error on at least one degree of freedom exists."""
        return np.asarray(np.isfinite(self.se) & (self.df >= LEAST_DF - 1e-6))

    def taken(self, which: NDArray[np.intp]) -> Contrasts:
        """Some of the studies."""
        return Contrasts(estimate=self.estimate[which], se=self.se[which], df=self.df[which],
                         unit_variance=self.unit_variance[which])

    def stacked(self) -> Array:
        """The four arrays as one, (4, S, K)."""
        return np.stack([self.estimate, self.se, self.df, self.unit_variance])


@lru_cache(maxsize=32)
def pair_rows(k: int) -> Array:
    """All pairwise differences of k depths: rows e_j - e_i for i < j, shape (k(k - 1)/2, k), not to be written to."""
    if k < 2:
        raise ValueError(f"at least two depths are needed, but got {k}")
    rows = np.array([np.eye(k)[j] - np.eye(k)[i] for i, j in combinations(range(k), 2)])
    rows.flags.writeable = False
    return rows


def departure_rows(weights: Array) -> Array:
    """Each depth minus the weighted mean of all depths, shape (k, k); weights need not add up to 1."""
    w = np.asarray(weights, dtype=float)
    if w.ndim != 1 or len(w) < 2 or not np.all(np.isfinite(w)) or np.any(w < 0) or w.sum() <= 0:
        raise ValueError(f"weights must be at least two finite numbers >= 0 with a sum > 0, but got {w}")
    return np.asarray(np.eye(len(w)) - w / w.sum())


def contrasts_of(cells: Array, rows: Array | None = None, *, groups: Array | None = None,
                 step: float | Array = 0.0) -> Contrasts:
    """Estimate, standard error and df of contrasts between depths.

    cells (S, n, k): cell means, NaN where lost. rows (K, k): contrasts whose coefficients add up to zero; None: all
    pairs. groups (n, q): columns of the linear model of a container's profile, an intercept among their span, by which
    lost readings are made up for; None: one mean. step: rounding step of a cell mean, one or one a study, which gives
    every container's contrast at least the variance of its uniform errors. ValueError for wrong shapes and aliased columns.
    """
    v = np.asarray(cells, dtype=float)
    if v.ndim != 3:
        raise ValueError(f"cells must be (studies, containers, depths), but got shape {v.shape}")
    C = pair_rows(v.shape[2]) if rows is None else _checked_rows(rows, v.shape[2])
    Z = _groups(groups, v.shape[1])
    whole = ~np.isnan(v.sum(axis=(1, 2)))
    if whole.all():
        return floored(_complete(v, C), v, C, step)
    out = np.full((4, len(v), len(C)), np.nan)
    if whole.any():
        out[:, whole] = _complete(v[whole], C).stacked()
    lost = np.flatnonzero(~whole)
    for begin in range(0, len(lost), CHUNK):
        some = lost[begin:begin + CHUNK]
        out[:, some] = _shorter(_linked(v[some], C, Z), _own(v[some], C, Z))
    return floored(_unstacked(out), v, C, step)


def _unstacked(parts: Array) -> Contrasts:
    return Contrasts(estimate=parts[0], se=parts[1], df=parts[2], unit_variance=parts[3])


def _checked_rows(rows: Array, k: int) -> Array:
    C = np.atleast_2d(np.asarray(rows, dtype=float))
    if C.shape[1] != k or np.abs(C.sum(axis=1)).max() > 1e-9 * max(1.0, float(np.abs(C).max())):
        raise ValueError(f"rows must have {k} coefficients that add up to zero, but got shape {C.shape}")
    return C


def _groups(groups: Array | None, n: int) -> Array:
    Z = np.ones((n, 1)) if groups is None else np.asarray(groups, dtype=float)
    if Z.ndim != 2 or len(Z) != n:
        raise ValueError(f"groups must have one row per container ({n}), but got shape {Z.shape}")
    if np.linalg.matrix_rank(Z) < Z.shape[1]:
        raise ValueError("groups must have independent columns: leave one out")
    return Z


def _each(v: Array, C: Array) -> Array:
    """Every container's own contrasts, (S, n, K); NaN where a depth that counts in it is lost."""
    if all(np.array_equal(np.sort(c[c != 0]), [-1.0, 1.0]) for c in C):  # one depth less another: no sums, so no rounding
        return np.asarray(v[:, :, C.argmax(axis=1)] - v[:, :, C.argmin(axis=1)])
    lost = np.isnan(v).astype(float) @ (C != 0).T > 0
    return np.where(lost, np.nan, np.where(np.isnan(v), 0.0, v) @ C.T)


def _complete(v: Array, C: Array) -> Contrasts:
    """Nothing lost: t over the containers' own contrasts, whatever their groups."""
    d = _each(v, C)
    n, est = d.shape[1], d.mean(axis=1)
    d = d - est[:, None]
    square = np.einsum("snp,snp->sp", d, d) / (n - 1) if n > 1 else np.full(est.shape, np.nan)
    return Contrasts(estimate=est, se=np.sqrt(square / n), df=np.full(est.shape, n - 1.0),
                     unit_variance=np.full(est.shape, 1 / n))


def whole_pairs(cells: Array) -> Contrasts:
    """What ``contrasts_of`` gives for all pairs where nothing is lost, by the depths' covariances: a fraction of the time.

    For simulated studies, whose level is near 0: the variance of a difference is a sum of three, so that digits are lost where
    containers differ much more among one another than their depths do.
    """
    n, C = cells.shape[1], pair_rows(cells.shape[2])
    mean = cells.mean(axis=1)
    moved = cells - mean[:, None]
    cov = moved.swapaxes(1, 2) @ moved / (n - 1)
    i, j = C.argmin(axis=1), C.argmax(axis=1)
    square, est = cov[:, i, i] + cov[:, j, j] - 2 * cov[:, i, j], mean[:, j] - mean[:, i]
    return Contrasts(estimate=est, se=np.sqrt(np.maximum(square, 0.0) / n), df=np.full(est.shape, n - 1.0),
                     unit_variance=np.full(est.shape, 1 / n))


def _own(v: Array, C: Array, Z: Array) -> Contrasts:
    """Each contrast from the containers that have all its depths, weighed to the mix of all: CR2 about their weighted mean.

    One group: t on their number less one.
    """
    d = _each(v, C)
    ok = ~np.isnan(d)
    w, judged = mix_weights(ok, Z)
    d = np.where(ok, d, 0.0)
    est, unit = (w * d).sum(axis=1), (w**2).sum(axis=1)
    with np.errstate(all="ignore"):
        root = w / np.sqrt(1 + unit[:, None] - 2 * w)
        square = (root**2 * (d - est[:, None]) ** 2).sum(axis=1)
        some, first, second = ((root**2 * w**m).sum(axis=1) for m in (0, 1, 2))
        pairs = unit**2 * some**2 + 2 * some * second - 4 * unit * some * first + 2 * first**2
        df = unit**2 / (pairs + (root**4 * (1 + 2 * unit[:, None] - 4 * w)).sum(axis=1))
    bad = ~judged | ~(df >= LEAST_DF - 1e-6)
    return Contrasts(estimate=est, se=np.where(bad, np.nan, np.sqrt(np.where(bad, 0.0, square))),
                     df=np.where(bad, np.nan, df), unit_variance=np.where(bad, np.nan, unit))


def mix_weights(ok: NDArray[np.bool_], Z: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Weights (S, n, K) of the containers that are there, by least squares on Z at the average of all, and where they exist."""
    w, at = ok.astype(float), Z.mean(axis=0)
    cross = np.einsum("snp,na,nb->spab", w, Z, Z)
    inverse = _pinv(cross)
    reach = np.einsum("a,spab,spbc->spc", at, inverse, cross)
    weights = w * np.einsum("a,spab,nb->snp", at, inverse, Z)
    return weights, np.asarray((np.abs(reach - at).max(axis=-1) < 1e-6) & (ok.sum(axis=1) > 1))


def _linked(v: Array, C: Array, Z: Array) -> Contrasts:
    """Least squares within containers, CR2 standard errors about the mean of all and Satterthwaite df, container = cluster.

    What hangs on the pattern of losses alone is worked out once for each pattern.
    """
    ok = ~np.isnan(v)
    _, first, which = np.unique(np.packbits(ok.reshape(len(v), -1), axis=1), axis=0, return_index=True, return_inverse=True)
    some = slice(None) if len(first) == len(v) else which.reshape(-1)
    p = _pattern(ok if len(first) == len(v) else ok[first], C, Z)
    M, y = p.centring[some], np.where(ok, v, 0.0)
    score = np.einsum("na,snjl,snl->saj", Z, M, y, optimize=True).reshape(len(v), -1)
    mu = np.einsum("suv,sv->su", p.inverse[some], score).reshape(len(v), Z.shape[1], -1)
    resid = np.where(ok, y - np.einsum("a,saj->sj", Z.mean(axis=0), mu)[:, None], 0.0)
    u = np.einsum("spnl,snl->spn", p.weights[some], np.einsum("snjl,snl->snj", M, resid))
    estimate = np.einsum("spu,su->sp", p.reach[some], score)
    return Contrasts(estimate=np.where(p.estimable[some], estimate, np.nan),
                     se=np.where(p.good[some], np.sqrt((u**2).sum(axis=2)), np.nan), df=p.df[some],
                     unit_variance=p.unit_variance[some])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pattern:
    """What patterns of losses alone decide, one pattern along axis 0; see ``_linked``."""

    centring: Array
    inverse: Array
    reach: Array
    weights: Array
    estimable: NDArray[np.bool_]
    good: NDArray[np.bool_]
    df: Array
    unit_variance: Array


def _pattern(ok: NDArray[np.bool_], C: Array, Z: Array) -> _Pattern:
    S, _, k = ok.shape
    q, at = Z.shape[1], Z.mean(axis=0)
    M = centring(ok)
    info = np.einsum("na,nb,snjl->sajbl", Z, Z, M, optimize=True).reshape(S, q * k, q * k)
    inverse = _pinv(info)
    load = np.einsum("a,pj->paj", at, C).reshape(len(C), q * k)
    reach = np.einsum("pu,suv->spv", load, inverse)
    estimable = np.abs(np.einsum("spv,svw->spw", reach, info) - load).max(axis=-1) < 1e-6
    common = common_mean(inverse, Z)
    blocks = (common + np.swapaxes(common, -1, -2) - common @ info @ np.swapaxes(common, -1, -2)).reshape(S, q, k, q, k)
    own = np.einsum("na,nb,sajbl->snjl", Z, Z, blocks, optimize=True)
    root = inverse_root(M - M @ own @ M)
    w = np.einsum("spaj,na,snjl->spnl", reach.reshape(S, len(C), q, k), Z, M @ root, optimize=True)
    diagonal = (w**2).sum(axis=-1) - np.einsum("spnj,snjl,spnl->spn", w, own, w, optimize=True)
    trace, unit = diagonal.sum(axis=2), np.einsum("spu,pu->sp", reach, load)
    good = estimable & (np.abs(trace - unit) < 1e-6 * np.maximum(unit, TINY))
    with np.errstate(all="ignore"):
        df = trace**2 / _squares(w, Z, blocks, diagonal)
    df = _only_through_others(df, np.where(ok, 0.0, np.nan), C, Z, w, M, common)
    return _Pattern(centring=M, inverse=inverse, reach=reach, weights=w, estimable=estimable, good=good,
                    df=np.where(good, df, np.nan), unit_variance=np.where(good, unit / (C**2).sum(axis=1), np.nan))


def common_mean(inverse: Array, Z: Array) -> Array:
    """Scores to the coefficients of the mean of all containers, every one's profile taken to be it: (..., q k, q k)."""
    to_one = np.outer(np.linalg.lstsq(Z, np.ones(len(Z)), rcond=None)[0], Z.mean(axis=0))
    return np.asarray(np.kron(to_one, np.eye(inverse.shape[-1] // Z.shape[1])) @ inverse)


def centring(ok: NDArray[np.bool_]) -> Array:
    """For every container the projection that takes out its own level, over the depths it has: (S, n, k, k)."""
    o = ok.astype(float)
    count = np.maximum(o.sum(axis=2), 1.0)[..., None, None]
    return np.asarray(o[..., :, None] * np.eye(o.shape[2]) - o[..., :, None] * o[..., None, :] / count)


def _squares(w: Array, Z: Array, blocks: Array, diagonal: Array) -> Array:
    """Sum of squares of the clusters' covariance under the working model, (S, K), without making it: it is linear in n.

    That covariance is D - L B L' with D diagonal, L_i = Z_i (x) w_i and B the ``blocks``.
    """
    S, K, n, k = w.shape
    q = Z.shape[1]
    L = (Z[:, :, None] * w[:, :, :, None, :]).reshape(S, K, n, q * k)
    B = blocks.reshape(S, 1, q * k, q * k)
    D = (w**2).sum(axis=-1)
    inner = B @ (np.swapaxes(L, -1, -2) @ L)
    return np.asarray((D**2).sum(axis=2) - 2 * (D * (D - diagonal)).sum(axis=2) + np.einsum("spij,spji->sp", inner, inner))


def _only_through_others(df: Array, v: Array, C: Array, Z: Array, w: Array, M: Array, common: Array) -> Array:
    """The df, and for contrasts whose depths fewer than three containers have together the least over one noisy depth."""
    alone = (~np.isnan(_each(v, C))).sum(axis=1) < 3
    some = np.flatnonzero(alone.any(axis=1))
    if not len(some):
        return df
    noisy = np.eye(v.shape[2]) + (NOISY**2 - 1) * np.eye(v.shape[2])[:, :, None] * np.eye(v.shape[2])[:, None, :]
    least = np.min([_df_under(sigma, Z, w[some], M[some], common[some]) for sigma in noisy], axis=0)
    out = df.copy()
    out[some] = np.where(alone[some], np.fmin(df[some], least), df[some])
    return out


def _df_under(sigma: Array, Z: Array, w: Array, M: Array, common: Array) -> Array:
    """Satterthwaite df of the CR2 variance were ``sigma`` (k, k) every container's covariance, (S, K); linear in n.

    The clusters' covariance is D + U F U' with D diagonal and U = [L, P], L_i = Z_i (x) w_i, P_i = Z_i (x) M_i sigma w_i.
    """
    S, K, n, k = w.shape
    size = Z.shape[1] * k
    spread = np.einsum("snij,jl,spnl->spni", M, sigma, w, optimize=True)
    L, P = ((Z[:, :, None] * part[:, :, :, None, :]).reshape(S, K, n, size) for part in (w, spread))
    Q = np.einsum("na,nb,snij,jl,snlm->saibm", Z, Z, M, sigma, M, optimize=True).reshape(S, size, size)
    turned = np.swapaxes(common, -1, -2)
    F = np.concatenate([np.concatenate([common @ Q @ turned, -common], axis=2),
                        np.concatenate([-turned, np.zeros_like(common)], axis=2)], axis=1)[:, None]
    U = np.concatenate([L, P], axis=3)
    D = np.einsum("spni,spni->spn", w, spread)
    each = np.einsum("spni,spij,spnj->spn", U, np.broadcast_to(F, (S, K, 2 * size, 2 * size)), U, optimize=True)
    inner = F @ (np.swapaxes(U, -1, -2) @ U)
    squares = (D**2 + 2 * D * each).sum(axis=2) + np.einsum("spij,spji->sp", inner, inner)
    trace = (D + each).sum(axis=2)
    with np.errstate(all="ignore"):
        return np.asarray(trace**2 / squares)


def _pinv(matrix: Array) -> Array:
    return _power(matrix, -1.0, TINY)


def inverse_root(matrix: Array) -> Array:
    """Inverse square root on the range; eigenvalues of the centring less its leverage lie in 0 to 1."""
    return _power(matrix, -0.5, 1e-7)


def _power(matrix: Array, power: float, tolerance: float) -> Array:
    values, vectors = np.linalg.eigh(matrix)
    keep = values > tolerance * np.maximum(values[..., -1:], 1e-300) if power == -1.0 else values > tolerance
    scaled = np.where(keep, np.where(keep, values, 1.0) ** power, 0.0)
    return np.asarray((vectors * scaled[..., None, :]) @ np.swapaxes(vectors, -1, -2))


def promised(c: Contrasts) -> Array:
    """Half width that the pattern alone promises, in units of a container's contrast; infinite where not judged."""
    j = c.judged
    return np.where(j, np.sqrt(np.where(j, c.unit_variance, 1.0)) * special.stdtrit(np.where(j, c.df, 1.0), 0.95), np.inf)


def _shorter(linked: Contrasts, own: Contrasts) -> Array:
    """Per contrast the road that promises the shorter interval, judged from the pattern alone."""
    take = promised(linked) <= promised(own) * (1 + 1e-9)
    return np.where(take, linked.stacked(), own.stacked())


def floored(c: Contrasts, v: Array, C: Array, step: float | Array) -> Contrasts:
    """Standard errors no smaller than rounding allows, of the numbers as reported and inside the computer."""
    least = np.asarray(step, dtype=float)
    if np.any(least < 0):
        raise ValueError(f"step must be 0 or more, but got {step}")
    dust = 1e-13 * np.nanmax(np.abs(v), axis=(1, 2), initial=0.0)[:, None]
    se = np.maximum(c.se, dust)
    if least.any():
        se = np.maximum(se, np.sqrt(c.unit_variance * (C**2).sum(axis=1) / 12.0) * np.broadcast_to(least, len(v))[:, None])
    return Contrasts(estimate=c.estimate, se=se, df=c.df, unit_variance=c.unit_variance)


def _ratio(number: Array, se: Array) -> Array:
    """number / se, with 0/0 counted as 0 and a/0 as infinite (no scatter, and no floor for it)."""
    with np.errstate(all="ignore"):
        out = number / se
    return np.where((se == 0) & (np.abs(number) < 1e-300), 0.0, np.clip(out, -1e30, 1e30))


def _upper(c: Contrasts, number: Array) -> Array:
    """P(t > number/se) on each contrast's degrees of freedom, (S, K); meaningless where not judged."""
    return np.asarray(special.stdtr(np.where(c.judged, c.df, 1.0), -_ratio(number, c.se)))


def sized(estimate: Array, side: int) -> Array:
    """How far an estimate lies towards the margin: its size, or, of a margin on one side (1 above, -1 below), that way."""
    return np.asarray(side * estimate if side else np.abs(estimate))


def p_within(c: Contrasts, edge: float, *, side: int = 0) -> Array:
    """Two one-sided tests of each contrast (Schuirmann 1987): small speaks for |difference| < edge. (S, K).

    ``side``: 1 or -1 for a margin on the upper or the lower side only, which is one test of each contrast.
    """
    _positive(edge)
    return np.where(c.judged, _upper(c, edge - sized(c.estimate, side)), 1.0)


def p_beyond(c: Contrasts, edge: float, *, depths: int | None = None, side: int = 0) -> Array:
    """Small speaks for |difference| > edge, with the whole family taken into account. (S, K).

    ``depths``: k where the contrasts are all pairs of k depths; None charges every contrast in full. ``side``: as in
    ``p_within``; every contrast is then charged in full, on that side alone.
    """
    _positive(edge)
    size = sized(c.estimate, side)
    if side:
        return np.where(c.judged, np.minimum(size.shape[1] * _upper(c, size - edge), 1.0), 1.0)
    shown = union_p(lambda shift: _upper(c, size + shift), edge, family(size.shape[1], depths))
    return np.where(c.judged, np.minimum(shown, 1.0), 1.0)


Family = tuple[tuple[int, int], ...]


def family(contrasts: int, depths: int | None) -> Family:
    """How many contrasts can lie at the margin at once, and how many then lie at zero, for every corner."""
    if depths is None:
        return ((contrasts, 0),)
    pairs = depths * (depths - 1) // 2
    return tuple((a * (depths - a), pairs - a * (depths - a)) for a in range(1, depths // 2 + 1))


def union_p(tail: Callable[[float], Array], edge: float, corners: Family) -> Array:
    """The largest sum over the corners; ``tail(x)`` is P(t > (|d| + x)/se) of every contrast."""
    near_far, middle = tail(-edge) + tail(edge), 2 * tail(0.0)
    return np.asarray(np.max([crossing * near_far + rest * middle for crossing, rest in corners], axis=0))


def _positive(edge: float) -> None:
    if not 0 < edge < np.inf:
        raise ValueError(f"edge must be a finite number above 0, but got {edge}")


def p_any(c: Contrasts) -> Array:
    """P-value of "no difference at all", (S,): the smallest two-sided p-value times the number of contrasts.

    It agrees with the simultaneous intervals: below 1 - level exactly where one of them leaves out zero.
    """
    each = np.where(c.judged, 2 * _upper(c, np.abs(c.estimate)), 1.0)
    return np.asarray(np.minimum(each.min(axis=1) * each.shape[1], 1.0))


def intervals(c: Contrasts, level: float, *, together: bool = False) -> tuple[Array, Array]:
    """Two-sided limits of each contrast, (S, K) twice; ``together``: all hold at once (Bonferroni)."""
    share = (1 - level) / 2 / (c.estimate.shape[1] if together else 1)
    half = special.stdtrit(np.where(c.judged, c.df, np.nan), 1 - share) * c.se
    return c.estimate - half, c.estimate + half


def word_codes(c: Contrasts, edge: float, alpha: float = 0.05, *, depths: int | None = None,
               side: int = 0) -> NDArray[np.int8]:
    """0 inconclusive, 1 homogeneous (every contrast within), 2 stratified (some contrast beyond). (S,)."""
    out = np.asarray(np.all(p_within(c, edge, side=side) < alpha, axis=1), dtype=np.int8)
    some = np.flatnonzero(np.any(sized(c.estimate, side) > edge, axis=1))
    if len(some):
        out[some] = np.where(np.any(p_beyond(c.taken(some), edge, depths=depths, side=side) < alpha, axis=1), 2, 0)
    return out


def cell_means(container: NDArray[np.intp], depth: NDArray[np.intp], values: Array,
               shape: tuple[int, int] | None = None) -> Array:
    """Means of the determinations of every cell: (S, n, k) from rows (S, R); NaN determinations are lost.

    container (R,) and depth (R,) are codes from 0; a cell without a row or without a value is NaN. ``shape``
    (n, k) where containers or depths beyond the codes exist.
    """
    y = np.asarray(values, dtype=float)
    n, k = (int(container.max()) + 1, int(depth.max()) + 1) if shape is None else shape
    cell = container * k + depth
    counts = np.bincount(cell, minlength=n * k)
    if counts.min() == counts.max():
        order = np.argsort(cell, kind="stable")
        sorted_rows = y if np.array_equal(order, np.arange(len(order))) else y[:, order]
        by_cell = sorted_rows.reshape(len(y), n, k, int(counts[0]))
        out = np.asarray(sum((by_cell[..., m] for m in range(1, by_cell.shape[3])), by_cell[..., 0]) / by_cell.shape[3])
        with np.errstate(invalid="ignore"):
            complete = not np.isnan(out.sum())
        if complete:
            return out
    ok = ~np.isnan(y)
    total, number = np.zeros((2, len(y), n * k))
    if len(y) < len(cell):
        for s, (own, value) in enumerate(zip(ok, y, strict=True)):
            total[s] = np.bincount(cell, np.where(own, value, 0.0), n * k)
            number[s] = np.bincount(cell, own, n * k)
    else:
        for row, at in enumerate(cell):
            total[:, at] += np.where(ok[:, row], y[:, row], 0.0)
            number[:, at] += ok[:, row]
    with np.errstate(all="ignore"):
        mean = np.where(number > 0, total / number, np.nan)
    return np.asarray(mean.reshape(len(y), n, k))
