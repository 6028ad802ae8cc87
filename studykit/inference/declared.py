"""Differences between depths under a scatter across depths that was declared before the data.

Two declarations gain power where they are true, and are never chosen after the data:

* "pooled": every difference between two depths of one container scatters alike. One variance; least squares within
  containers, the exact t test with (cells - containers - depth coefficients) degrees of freedom, readings lost or not;
* "own gradient": each container has a straight gradient of its own over height, and about it every cell scatters
  alike. Two variances, of the gradients and of what is left. Nothing lost: the variance v of a difference adds two
  independent mean squares, on n - q and (n - q)(k - 2) degrees of freedom (Satterthwaite 1946). Readings lost: restricted
  likelihood with standard error and degrees of freedom after Kenward & Roger (1997, Biometrics 53:983). Both promise too
  many degrees of freedom where the few gradients rule the difference (on 3 and 9: 5.4 % for 5 %, found by simulation), so
  the reciprocal is raised by TAKEN_BACK times share (1 - share) (1/df_1 - 1/df_2) with the gradients' share of v; with one
  degree of freedom for the gradients nothing else is promised. With two depths both declarations say the same as the
  containers' own differences.

The gradients' variance may come out below zero (gradients more alike than the cells' scatter allows): it is left
there, so that the test stays that of two mean squares; holding it at zero would make it depend on the other.

A container's own level is taken out first, so containers may differ as they like. ``departure_p`` asks whether the data
speak against a declaration. What it costs where it does not hold: docs/operating.md.
Shapes: S studies, n containers, k depths, K contrasts, q group columns. Units: those of the values.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize

from studykit.inference.contrasts import Array, Contrasts, floored, pair_rows

Structure = Literal["pooled", "own gradient"]
TAKEN_BACK = 1.5
"""Chosen by simulation, 1 to 11 df of the gradients and 2 to 4 times as many of the rest: at the worst share 5.0 to 5.1 %."""
RANGE = (-12.0, 16.0)
"""Logarithm of 1 + (variance of gradients over that of the rest): where the likelihood is searched."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Within:
    """Containers with their level taken out: A = X'X, b = X'y, c = y'y; a, g, w = X'u, u'y, u'u of each container.

    u is a container's straight line over height, X the depth coefficients (for each group column k - 1 of them).
    """

    A: Array
    b: Array
    c: float
    a: Array
    g: Array
    w: Array
    sizes: Array

    @property
    def df(self) -> float:
        """Cells less containers less coefficients."""
        return float(self.sizes.sum() - len(self.A))


def declared_contrasts(cells: ArrayLike, structure: Structure, *, heights: ArrayLike | None = None,
                       rows: Array | None = None, groups: Array | None = None, step: float = 0.0) -> Contrasts:
    """Estimate, standard error and df of contrasts of S studies (arrays (S, K)), NaN where they cannot be judged.

    cells (S, n, k): cell means, NaN where lost; heights (k,): of the depths, None: equal steps; rows, groups, step: as in
    ``contrasts.contrasts_of``; each group has a mean of its own, and the declared scatter is that of all.
    """
    v = np.asarray(cells, dtype=float)
    _, n, k = v.shape
    C = pair_rows(k) if rows is None else np.atleast_2d(np.asarray(rows, dtype=float))
    Z = np.ones((n, 1)) if groups is None else np.asarray(groups, dtype=float)
    mix, basis = Z.mean(axis=0), basis_of(k, heights)
    own, whole = structure == "own gradient" and k > 2, ~np.isnan(v.sum(axis=(1, 2)))
    out = np.full((4, len(v), len(C)), np.nan)
    if whole.any() and n > Z.shape[1]:
        out[:, whole] = _complete(v[whole], C, basis, Z, mix, own)
    for i in np.flatnonzero(~whole):
        out[:, i] = _lost(v[i], C, basis, Z, mix, own)
    return floored(Contrasts(estimate=out[0], se=out[1], df=out[2], unit_variance=out[3]), v, C, step)


def basis_of(k: int, heights: ArrayLike | None = None) -> Array:
    """Orthonormal contrasts of k depths, (k, k - 1): the straight line over height first; heights None: equal steps."""
    h = np.arange(k, dtype=float) if heights is None else np.asarray(heights, dtype=float)
    start = np.column_stack([np.ones(k), h - h.mean(), np.eye(k)])
    return np.asarray(np.linalg.qr(start)[0][:, 1:k])


def _complete(v: Array, C: Array, basis: Array, Z: Array, at: Array, own: bool) -> Array:
    """Nothing lost: from the containers' scores along the basis; (4, S, K)."""
    n, q = Z.shape
    hat, load = np.linalg.solve(Z.T @ Z, Z.T), C @ basis
    scores, weight = v @ basis, float(at @ np.linalg.solve(Z.T @ Z, at))
    squares = ((scores - np.einsum("nm,smj->snj", Z @ hat, scores)) ** 2).sum(axis=1)
    return judged_squares(np.einsum("n,snj,pj->sp", at @ hat, scores, load), squares, load, weight, n - q, own)


def judged_squares(estimate: Array, squares: Array, load: Array, weight: float, df: int, own: bool) -> Array:
    """Estimate, standard error, df and unit variance, (4, S, K), from sums of squares of scores along the basis, (S, k - 1).

    load (K, k - 1): contrasts along the basis; ``weight``: variance of a mean score in units of a container's; ``df`` of each
    score's sum of squares. One mean square for all, or one for the line and one for the rest (``own``).
    """
    m = load.shape[1]
    parts = [(slice(0, 1), df), (slice(1, None), df * (m - 1))] if own else [(slice(None), df * m)]
    terms = [weight * (load[:, p] ** 2).sum(axis=1) * (squares[:, p].sum(axis=1) / d)[:, None] for p, d in parts]
    variance = sum(terms[1:], terms[0])
    with np.errstate(invalid="ignore"):
        share = terms[0] / variance
    few, many = float(parts[0][1]), float(parts[-1][1])
    some = 1 / _reciprocal(share**2 / few + (1 - share) ** 2 / many, share, 1 / few, 1 / many)
    return np.stack([estimate, np.sqrt(variance), np.where(variance > 0, some, few), np.full(estimate.shape, weight)])


def _reciprocal(usual: Array, share: Array, line: Array | float, rest: Array | float) -> Array:
    """1/df of a variance that is the sum of two, from the usual one, the gradients' share and the parts' 1/df."""
    more = usual + TAKEN_BACK * share * (1 - share) * np.maximum(line - rest, 0.0)
    return np.where(np.asarray(line) > 0.6, np.maximum(usual, line), more)


def _lost(v: Array, C: Array, basis: Array, Z: Array, at: Array, own: bool) -> Array:
    """Readings lost, one study: (4, K)."""
    there = np.isfinite(v)
    profile = np.where(there, v, 0.0).sum(axis=0) / np.maximum(there.sum(axis=0), 1)
    load, data = np.asarray(np.kron(at, C @ basis), dtype=float), _within(v - profile, Z, basis)
    nothing = np.full((4, len(C)), np.nan)
    if data.df < 1 or np.linalg.matrix_rank(data.A, tol=1e-9) < len(data.A):
        return nothing
    plain = np.einsum("pu,uv,pv->p", load, np.linalg.inv(data.A), load) / (C**2).sum(axis=1)
    dust = max(1e-14 * data.c, 1e-24 * float(np.nanmax(np.abs(v))) ** 2)  # sums of squares that are rounding in the computer
    found = _two(data, load, float(len(data.w) - Z.shape[1]), dust) if own else _one(data, load)
    return nothing if found is None else np.stack([C @ profile + found[0], *found[1:], plain])


def _within(v: Array, Z: Array, basis: Array) -> _Within:
    p, parts = Z.shape[1] * basis.shape[1], []
    known: dict[tuple[bytes, bytes], _Alike] = {}
    for y, z, here in zip(v, Z, np.isfinite(v), strict=True):
        if here.sum() > 1:
            key = here.tobytes(), z.tobytes()
            if key not in known:
                known[key] = _alike(np.flatnonzero(here), z, basis)
            parts.append((known[key], known[key].K @ y[here]))
    return _Within(A=np.sum([k.square for k, _ in parts], axis=0) if parts else np.zeros((p, p)),
                   b=np.sum([k.X.T @ y for k, y in parts], axis=0) if parts else np.zeros(p),
                   c=float(sum(y @ y for _, y in parts)), a=np.array([k.along for k, _ in parts]).reshape(-1, p),
                   g=np.array([k.u @ y for k, y in parts]), w=np.array([k.w for k, _ in parts]),
                   sizes=np.array([float(len(k.u)) for k, _ in parts]))


class _Alike(NamedTuple):
    """What containers with readings at the same depths, and with one row in the linear model, have in common."""

    K: Array
    X: Array
    u: Array
    square: Array
    along: Array
    w: float


def _alike(there: NDArray[np.intp], z: Array, basis: Array) -> _Alike:
    K = np.asarray(linalg.helmert(len(there)))
    X, u = K @ np.kron(z, basis[there]), K @ basis[there, 0]
    return _Alike(K=K, X=X, u=u, square=X.T @ X, along=X.T @ u, w=float(u @ u))


def _solved(d: _Within, ratio: float) -> tuple[Array, Array, float]:
    """Covariance of the coefficients in units of the residual variance, the coefficients, residual variance."""
    r = ratio / (1 + ratio * d.w)
    inverse = np.asarray(np.linalg.inv(d.A - (d.a * r[:, None]).T @ d.a), dtype=float)
    score = d.b - d.a.T @ (r * d.g)
    beta = inverse @ score
    return inverse, beta, max(float(d.c - r @ d.g**2 - score @ beta), 0.0) / d.df


def _one(d: _Within, load: Array) -> tuple[Array, Array, Array]:
    inverse, beta, s2 = _solved(d, 0.0)
    return load @ beta, _se(s2 * inverse, load), np.full(len(load), d.df)


def _se(covariance: Array, load: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("pu,uv,pv->p", load, covariance, load)))


def _of_one(d: _Within, ratio: float, few: float) -> float:
    """Degrees of freedom of the gradients or of the rest where the other does not scatter at all; else those of both."""
    low, high = RANGE
    x = float(np.log1p(ratio * d.w.max()))
    return few if x > high - 0.01 else d.df - few if x < low + 0.01 else d.df


def _two(d: _Within, load: Array, few: float, dust: float) -> tuple[Array, Array, Array] | None:
    """Two variances by restricted likelihood, Kenward-Roger; None where the readings do not tell them apart.

    Where all profiles are alike there is nothing to tell apart: no scatter, on the ``few`` degrees of freedom of the gradients.
    Where one of the two variances is none, all squares are the other's, and so are its degrees of freedom alone.
    """
    if few < 1 or not (d.sizes > 1).any():
        return None
    _, beta, alike = _solved(d, 0.0)
    if alike * d.df <= dust:
        return load @ beta, np.zeros(len(load)), np.full(len(load), few)
    ratio = _ratio(d)
    inverse, beta, s2 = _solved(d, ratio)
    if (df := _of_one(d, ratio, few)) < d.df:
        return None if df < 1 else (load @ beta, _se(s2 * d.df / df * inverse, load), np.full(len(load), df))
    phi, f = s2 * inverse, 1 / (1 + ratio * d.w)

    def spread(weight: Array) -> Array:
        return np.asarray((d.a * weight[:, None]).T @ d.a)

    P = (-(d.A - spread((1 - f**2) / d.w)) / s2**2, -spread(f**2) / s2**2)
    mixed = spread(f**3) / s2**3
    Q = (((d.A - spread((1 - f**3) / d.w)) / s2**3, mixed), (mixed, spread(f**3 * d.w) / s2**3))
    trace = np.array([[(d.sizes - 1 + f**2).sum(), (f**2 * d.w).sum()], [(f**2 * d.w).sum(), (f**2 * d.w**2).sum()]]) / s2**2
    info = np.array([[trace[i, j] - 2 * np.trace(phi @ Q[i][j]) + np.trace(phi @ P[i] @ phi @ P[j]) for j in (0, 1)]
                     for i in (0, 1)]) / 2
    scale = 1 / np.sqrt(np.abs(np.diag(info)))
    if not np.isfinite(scale).all() or np.linalg.cond(info * np.outer(scale, scale)) > 1e10:
        return None
    W = np.linalg.inv(info)
    more = sum(W[i, j] * (Q[i][j] - P[i] @ phi @ P[j]) for i in (0, 1) for j in (0, 1))
    variance = np.einsum("pu,uv,pv->p", load, phi, load)
    adjusted = variance + 2 * np.einsum("pu,uv,pv->p", load, phi @ more @ phi, load)
    slopes = np.array([np.einsum("pu,uv,pv->p", load, phi @ p @ phi, load) for p in P])
    return load @ beta, np.sqrt(np.maximum(adjusted, variance)), _careful(variance, slopes, W, s2, ratio, float(d.w.mean()))


def _careful(variance: NDArray[Any], slopes: Array, W: NDArray[Any], s2: float, ratio: float, w: float) -> Array:
    """Kenward-Roger's degrees of freedom, less what ``_reciprocal`` takes back: the variances told as two mean squares."""
    line, spread = s2 * (1 + w * ratio), np.array([1.0, w]) @ W @ np.array([1.0, w])
    usual = np.einsum("ip,ij,jp->p", slopes, W, slopes) / (2 * variance**2)
    share = np.clip(-slopes[1] / w * line / variance, 0.0, 1.0)
    return np.asarray(1 / _reciprocal(usual, share, spread / (2 * line**2), W[0, 0] / (2 * s2**2)))


def _ratio(d: _Within) -> float:
    """Variance of the gradients over that of the rest, where the restricted likelihood is largest."""
    top = float(d.w.max())

    def deviance(x: float) -> float:
        ratio = np.expm1(x) / top
        inverse, _, s2 = _solved(d, ratio)
        sign, log_det = np.linalg.slogdet(inverse)
        if s2 <= 0 or sign <= 0:
            return 1e300
        return float(d.df * np.log(s2) + np.log1p(ratio * d.w).sum() - log_det)

    grid = np.linspace(*RANGE, 29)
    best = int(np.argmin([deviance(x) for x in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    x = float(optimize.minimize_scalar(deviance, bounds=(low, high), method="bounded", options={"xatol": 1e-7}).x)
    return float(np.expm1(x) / top)


def departure_p(cells: ArrayLike, structure: Structure, *, heights: ArrayLike | None = None,
                groups: Array | None = None) -> float:
    """P-value of "the containers scatter as declared", from the containers that have every depth; NaN where none can be had.

    cells (n, k). With S the scatter matrix of the containers' scores along orthonormal contrasts, the line first: for
    "pooled" tr(S^2)/tr(S)^2 (John 1971, Biometrika 58:123), for "own gradient" the same of the rest, plus the share of
    the rest that goes with the line. Both are free of the variances where the declaration holds, so their distribution is
    that of standard normal scores: 19,999 fixed draws of their scatter matrices (Bartlett's decomposition).
    """
    v = np.asarray(cells, dtype=float)
    whole, k = np.isfinite(v).all(axis=1), v.shape[1]
    Z = np.ones((len(v), 1)) if groups is None else np.asarray(groups, dtype=float)
    df = int(whole.sum()) - int(np.linalg.matrix_rank(Z[whole])) if whole.any() else 0
    if df < 2 or k < 3:
        return float("nan")
    scores = v[whole] @ basis_of(k, heights)
    rest = scores - Z[whole] @ np.linalg.lstsq(Z[whole], scores, rcond=None)[0]
    S, own = rest.T @ rest, structure == "own gradient"
    if np.diag(S).min() <= 1e-24 * max(float(np.abs(v[whole]).max()) ** 2, 1e-300):
        return float("nan")
    return (1 + int((_null(df, k - 1, own) >= _departure(S[None], own)[0] * (1 - 1e-12)).sum())) / (DRAWS + 1)


DRAWS = 19_999


def _departure(S: Array, own: bool) -> Array:
    """How far scatter matrices (R, m, m) are from the declared form, (R,)."""
    rest = S[:, 1:, 1:] if own else S
    trace = np.einsum("rii->r", rest)
    out = (rest**2).sum(axis=(1, 2)) / trace**2
    return np.asarray(out + (S[:, 0, 1:] ** 2).sum(axis=1) / (S[:, 0, 0] * trace) if own else out)


@lru_cache(maxsize=64)
def _null(df: int, m: int, own: bool) -> Array:
    rng = np.random.default_rng(19710123)
    if df < m:
        draws = rng.standard_normal((DRAWS, df, m))
    else:
        draws = np.triu(rng.standard_normal((DRAWS, m, m)), 1)
        draws[:, range(m), range(m)] = np.sqrt(rng.chisquare(df - np.arange(m), (DRAWS, m)))
    return _departure(np.einsum("rni,rnj->rij", draws, draws), own)
