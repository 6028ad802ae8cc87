"""Mixed lines of many studies in an eighth of the time, for simulations: the search for variances over all studies at once.

The search is written anew from the profiled REML criterion (Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1),
section 3.4); what follows from the variances found (estimates, Kenward and Roger's standard errors, degrees of freedom) is
the kit's own. ``test_quick.py`` holds the lines against those of the kit's own search.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from unittest.mock import patch

import numpy as np

from studykit.ageing.again import fit_over
from studykit.ageing.courses import Course
from studykit.ageing.lines import Lines
from studykit.mixed import fit as engine
from studykit.mixed.blocks import Blocks
from studykit.mixed.likelihood import State, state_at
from studykit.mixed.slopes import roots_of

Array = np.ndarray
STARTS = ((1.0, 0.0, 1.0), (0.3, -0.2, 0.15))
STEPS, H, FINE = 40, 1e-4, 1e-4


def lines(y: Array, kept: Array, course: Course, months: Array, units: Array, *, bent: bool = False) -> Iterator[Lines]:
    """``fit_over`` of every study: values (S, n), of which ``kept`` (S, n) were drawn; containers drawn again throughout."""
    found = variances(y, kept, course.column(months), units, bent=bent)
    for values, here, theta in zip(y, kept, found, strict=True):
        with _known(theta):
            line = fit_over(values[here], course, months[here], units[here], bent=bent)
        yield line


@contextmanager
def _known(theta: Array) -> Iterator[None]:
    """The engine with its search replaced by variances that are known."""
    search = engine.best_state

    def known(blocks: Blocks, components: tuple[str, ...], *, once: bool = False) -> tuple[State, int]:
        if not blocks.pairs:
            return search(blocks, components, once=once)
        roots = roots_of(blocks.k, blocks.pairs)
        return state_at(blocks, roots.theta(roots.roots(theta))), 0

    with patch.object(engine, "best_state", known):
        yield


def variances(y: Array, kept: Array, g: Array, units: Array, *, bent: bool = False) -> Array:
    """Residual, levels, rates, their covariance (S, 4), in the engine's units: values of variance 1, g of mean square 1."""
    return _searched(y, kept, g, units, bent=bent)[0]


def fitted(y: Array, kept: Array, g: Array, units: Array, at: float) -> tuple[Array, Array]:
    """The line at one value of g, and its standard error were the variances known, which is never the larger one, (S,)."""
    theta, S, (mean, sd, size) = _searched(y, kept, g, units)
    row = np.stack([np.ones(len(y)), at / size[:, 0]], axis=1)
    estimate = np.einsum("si,si->s", row, np.linalg.solve(S[:, :2, :2], S[:, :2, 2, None])[..., 0])
    known = np.einsum("si,si->s", row, np.linalg.solve(S[:, :2, :2], row[..., None])[..., 0])
    return mean[:, 0] + sd[:, 0] * estimate, sd[:, 0] * np.sqrt(theta[:, 0] * known)


def _searched(y: Array, kept: Array, g: Array, units: Array, *, bent: bool = False) -> tuple[Array, Array, tuple[Array, ...]]:
    """The variances, the weighted sums of products of columns and values, and what values and g were divided by."""
    here, n = kept.astype(float), kept.sum(axis=1, keepdims=True)
    mean = (y * here).sum(axis=1, keepdims=True) / n
    z = (y - mean) * here
    sd, size = np.sqrt((z**2).sum(axis=1, keepdims=True) / n), np.sqrt((g**2 * here).sum(axis=1, keepdims=True) / n)
    z, v = z / sd, g / size
    X = np.stack([here, here * v, *([here * v**2] if bent else [])], axis=2)
    own = (units[:, None] == np.unique(units)).astype(float)
    Z, data = X[..., :2], np.concatenate([X, z[..., None]], axis=2)
    A, B = (np.einsum("snp,snq,nm->smpq", Z, x, own, optimize=True) for x in (Z, data))
    C = np.einsum("snp,snq->spq", data, data)
    free = n[:, 0] - X.shape[2]

    def criterion(x: Array, which: Array) -> Array:
        return np.asarray(_profiled(x, A[which], B[which], C[which], free[which])[0])

    best, least = np.zeros((len(y), 3)), np.full(len(y), np.inf)
    for start in STARTS:
        x, d = _lowest(criterion, np.tile(start, (len(y), 1)))
        best, least = np.where((d < least)[:, None], x, best), np.minimum(d, least)
    L = _lower(best)
    cov, (_, square, S) = L @ np.swapaxes(L, 1, 2), _profiled(best, A, B, C, free)
    theta = np.asarray(square[:, None]) * np.stack([np.ones(len(y)), cov[:, 0, 0], cov[:, 1, 1], cov[:, 1, 0]], axis=1)
    return theta, S, (mean, sd, size)


def _lower(x: Array) -> Array:
    zero = np.zeros(len(x))
    return np.stack([np.stack([x[:, 0], zero], axis=1), x[:, 1:]], axis=1)


def _profiled(x: Array, A: Array, B: Array, C: Array, free: Array) -> tuple[Array, Array, Array]:
    """The criterion at roots x (S, 3) of the containers' covariance in units of the residual's, that variance, and the sums."""
    L = _lower(x)[:, None]
    M = np.eye(2) + np.swapaxes(L, 2, 3) @ A @ L
    det = M[..., 0, 0] * M[..., 1, 1] - M[..., 0, 1] ** 2
    inverse = np.stack([np.stack([M[..., 1, 1], -M[..., 0, 1]], -1), np.stack([-M[..., 0, 1], M[..., 0, 0]], -1)], -2)
    half = np.swapaxes(L, 2, 3) @ B
    S = C - np.einsum("smpi,smpq,smqj->sij", half, inverse / det[..., None, None], half, optimize=True)
    p = S.shape[1] - 1
    rest = S[:, p, p] - np.einsum("si,si->s", S[:, :p, p], np.linalg.solve(S[:, :p, :p], S[:, :p, p, None])[..., 0])
    return np.log(det).sum(axis=1) + np.linalg.slogdet(S[:, :p, :p])[1] + free * np.log(rest), rest / free, S


def _lowest(f: Callable[[Array, Array], Array], x: Array) -> tuple[Array, Array]:
    """Newton's steps by differences, bent downwards and shortened, until none moves; x and the criterion."""
    live, d = np.arange(len(x)), f(x, np.arange(len(x)))
    E = np.eye(3) * H
    for _ in range(STEPS):
        here = x[live]
        up, down = (np.stack([f(here + s * e, live) for e in E], axis=1) for s in (1, -1))
        gradient, hessian = (up - down) / (2 * H), np.zeros((len(live), 3, 3))
        for i in range(3):
            hessian[:, i, i] = (up[:, i] - 2 * d[live] + down[:, i]) / H**2
            for j in range(i):
                both = f(here + E[i] + E[j], live) + f(here - E[i] - E[j], live)
                hessian[:, i, j] = hessian[:, j, i] = (both - up[:, i] - up[:, j] - down[:, i] - down[:, j]
                                                       + 2 * d[live]) / (2 * H**2)
        values, vectors = np.linalg.eigh(hessian)
        part = np.einsum("sij,si->sj", vectors, gradient) / np.maximum(np.abs(values), 1e-3)
        step = -np.einsum("sij,sj->si", vectors, part)
        step *= np.minimum(1.0, 2.0 / np.maximum(np.abs(step).max(axis=1, keepdims=True), 1e-300))
        for _ in range(12):
            new = f(here + step, live)
            worse = new > d[live] + 1e-12
            if not worse.any():
                break
            step[worse] /= 4
        step[worse], new[worse] = 0.0, d[live][worse]
        x[live], d[live] = here + step, new
        live = live[np.abs(step).max(axis=1) > FINE]
        if not len(live):
            break
    return x, d
