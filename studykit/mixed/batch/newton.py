"""The search for the best variance ratios, and Kenward-Roger, for many responses at once.

``solve`` runs bounded Newton steps for all responses together and lets each go when it has
settled. ``kenward_roger`` uses that V is a sum of theta_i G_i: what belongs to the residual follows
from the other terms, since sum_i theta_i G_i = V (Kenward & Roger 1997, Biometrics 53:983).
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from studykit.mixed.batch.chain import MOST_ITERATIONS, STEP, Chain, ChainData, Point, forms, point_at

CHUNK = 1024  # responses handled together, so that their arrays stay in the processor's cache


def _merged(old: Point, new: Point, take: np.ndarray) -> Point:
    parts = {}
    for f in fields(Point):
        a, b = getattr(old, f.name), getattr(new, f.name)
        mask = take if f.name == "gamma" else take.reshape((-1,) + (1,) * (a.ndim - 1))
        parts[f.name] = np.where(mask, b, a)
    return Point(**parts)


def _taken(point: Point, which: np.ndarray) -> Point:
    parts = {f.name: getattr(point, f.name) for f in fields(Point)}
    return Point(**{name: (a[:, which] if name == "gamma" else a[which]) for name, a in parts.items()})


def newton_step(point: Point) -> np.ndarray:
    """Bounded steps (k, R): Newton where the criterion is convex, else along its curvature's size."""
    gamma = point.gamma.T
    free = (gamma > 0) | (point.gradient < 0)
    step = np.zeros_like(gamma)
    fixed = ~free
    for _ in range(gamma.shape[1] + 1):
        both = ~fixed[:, :, None] & ~fixed[:, None, :]
        H = np.where(both, point.hessian, 0.0) + np.einsum("rk,kl->rkl", fixed.astype(float), np.eye(gamma.shape[1]))
        pushed = point.gradient + np.einsum("rkl,rl->rk", point.hessian, np.where(fixed, step, 0.0))
        move = -_solved(H, np.where(fixed, 0.0, pushed), gamma)
        step = np.where(fixed, step, move)
        below = ~fixed & (gamma + step < 0)
        if not below.any():
            break
        step = np.where(below, -gamma, step)
        fixed = fixed | below
    return step.T


def _solved(H: np.ndarray, g: np.ndarray, gamma: np.ndarray) -> np.ndarray:
    scale = gamma + 0.1
    G = H * scale[:, :, None] * scale[:, None, :]
    values, vectors = _eigen(G)
    values = np.maximum(np.abs(values), 1e-8)
    along = np.einsum("rkl,rk->rl", vectors, g * scale) / values
    length = np.abs(along).max(axis=1, keepdims=True)
    bad = values.min(axis=1, keepdims=True) < 1e-6
    along = along * np.where(bad & (length > 2), 2 / np.maximum(length, 2), 1.0)
    return np.asarray(np.einsum("rkl,rl->rk", vectors, along) * scale)


def _eigen(G: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Eigenvalues and vectors of symmetric (R, k, k); written out for k = 2, where it is called most."""
    if G.shape[1] != 2:
        return np.linalg.eigh(G) if G.shape[1] > 2 else (G[:, :, 0], np.ones_like(G))
    a, b, d = G[:, 0, 0], G[:, 0, 1], G[:, 1, 1]
    turn = 0.5 * np.arctan2(2 * b, a - d)
    c, s = np.cos(turn), np.sin(turn)
    vectors = np.stack([np.stack([c, -s], axis=1), np.stack([s, c], axis=1)], axis=1)
    first = a * c * c + 2 * b * c * s + d * s * s
    return np.stack([first, a + d - first], axis=1), vectors


def solve(chain: Chain, data: ChainData, start: np.ndarray) -> tuple[Point, np.ndarray]:
    """Minimise the criterion for every response from ratios ``start`` (k, R).

    Returns the final points and whether each settled, (R,).
    """
    R = start.shape[1]
    final: Point = point_at(chain, data, start)
    settled = np.zeros(R, dtype=bool)
    alive, now = np.arange(R), final
    step, held = newton_step(now), data
    last = np.zeros(R, dtype=bool)
    for _ in range(MOST_ITERATIONS):
        new = point_at(chain, held, np.maximum(now.gamma + step, 0.0))
        better = now.D + 1e-11 * (np.abs(now.D) + 1) >= new.D
        now = _merged(now, new, better)
        step = np.where(better, newton_step(now), step / 2)
        small = np.max(np.abs(step) / (now.gamma + 1e-3), axis=0)
        done = last & better | (small < 1e-13)
        last = better & (small < STEP)
        if done.any():
            final = _scattered(final, now, alive, done)
            settled[alive[done]] = True
            keep = np.flatnonzero(~done)
            alive, now, held, step, last = alive[keep], _taken(now, keep), held.take(~done), step[:, keep], last[keep]
        if not len(alive):
            return final, settled
    return _scattered(final, now, alive, np.ones(len(alive), dtype=bool)), settled


def _scattered(into: Point, point: Point, at: np.ndarray, which: np.ndarray) -> Point:
    parts = {}
    for f in fields(Point):
        whole = getattr(into, f.name).copy()
        if f.name == "gamma":
            whole[:, at[which]] = point.gamma[:, which]
        else:
            whole[at[which]] = getattr(point, f.name)[which]
        parts[f.name] = whole
    return Point(**parts)


def kenward_roger(chain: Chain, gamma: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Adjusted variance at theta_0 = 1 and degrees of freedom, each (rows, R), of contrasts (rows, p)."""
    logdet, M = forms(chain, gamma)
    k, R = gamma.shape
    g = np.concatenate([np.ones((1, R)), gamma]).T  # (R, k+1)
    B = np.linalg.inv(np.moveaxis(M.v, 2, 0))
    p = B.shape[1]
    N, Q = np.zeros((R, k + 1, p, p)), np.zeros((R, k + 1, k + 1, p, p))
    t1, t2 = np.zeros((R, k + 1)), np.zeros((R, k + 1, k + 1))
    for i in range(k):
        N[:, i + 1], t1[:, i + 1] = -np.moveaxis(M.g[i], 2, 0), logdet.g[i]
        for j in range(i, k):
            Q[:, i + 1, j + 1] = Q[:, j + 1, i + 1] = np.moveaxis(M.h[i, j], 2, 0) / 2
            t2[:, i + 1, j + 1] = t2[:, j + 1, i + 1] = -logdet.h[i, j]
    N[:, 0] = np.moveaxis(M.v, 2, 0) - np.einsum("ri,riab->rab", g[:, 1:], N[:, 1:])
    t1[:, 0] = chain.n - (g[:, 1:] * t1[:, 1:]).sum(axis=1)
    for i in [*range(1, k + 1), 0]:
        Q[:, i, 0] = Q[:, 0, i] = N[:, i] - np.einsum("rj,rjab->rab", g[:, 1:], Q[:, i, 1:])
        t2[:, i, 0] = t2[:, 0, i] = t1[:, i] - (g[:, 1:] * t2[:, i, 1:]).sum(axis=1)
    BN = B[:, None] @ N
    E = t2 - 2 * np.einsum("rab,rijba->rij", B, Q) + np.einsum("riab,rjba->rij", BN, BN)
    W = 2 * np.linalg.inv(E)
    middle = np.einsum("rij,rijab->rab", W, Q)
    weighted = np.einsum("rij,riab->rjab", W, N)
    middle -= (weighted @ B[:, None] @ N).sum(axis=1)
    adjusted = B + 2 * B @ middle @ B
    plain = np.einsum("la,rab,lb->lr", rows, B, rows)
    slopes = np.einsum("la,riab,lb->lri", rows, BN @ B[:, None], rows)
    spread = np.einsum("lri,rij,lrj->lr", slopes, W, slopes)
    return np.einsum("la,rab,lb->lr", rows, adjusted, rows), 2 * plain**2 / spread
