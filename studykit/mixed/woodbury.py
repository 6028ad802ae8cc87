"""Crossing terms with few levels: absorbed at the border, so that the rest stays in small blocks.

A laboratory run crosses all containers, and a lot holds many: either ties the blocks together.
But V = B + U C U', with B the block-diagonal rest, U the columns of the crossing terms and C their
variances, and V^-1 follows from B^-1 and a matrix of the size of the columns of U (Woodbury 1950).
All sums of remlblocks.py that are needed with V^-1 follow from the same sums with B^-1 when the
columns of U are carried along as data. Forms without differences of large numbers are used: with
M = (C^-1 + U'B^-1U)^-1 and F = I - M U'B^-1 [U A] on the columns of U,
    A'V^-1A = F'(A'B^-1A)F + (M..)' C^-1 (M..)   and   A'V^-1 G_i V^-1 A = F'(A'B^-1 G_i B^-1A)F.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from studykit.mixed.balance import chain

SMALL = 60  # blocks up to this many cells are inverted as they are
MOST_COLUMNS = 600  # levels of crossing terms that are absorbed
WORTH_IT = 0.3  # their share of the cells in a piece, above which one dense matrix is faster
MOST_ENTRIES = 30_000_000  # rows times those levels


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Sums over the data at one set of variances; index 0 is the residual."""

    logdet: float
    S: np.ndarray  # (q, q) A'WA, W = V^-1
    S1: np.ndarray  # (k+1, q, q) A'W G_i W A
    S2: np.ndarray  # (k+1, k+1, q, q) A'W G_i W G_j W A; S2[j, i] = S2[i, j]'
    t1: np.ndarray  # (k+1,) tr(W G_i)
    t2: np.ndarray  # (k+1, k+1) tr(W G_i W G_j)


def components(terms: Sequence[np.ndarray], cells: int) -> np.ndarray:
    """Label of the linked piece of each cell, by first appearance; cells that share a level are linked."""
    nested = chain(terms)
    if nested:
        _, first, inverse = np.unique(nested[0], return_index=True, return_inverse=True)
        rank = np.empty(len(first), dtype=np.int32)
        rank[np.argsort(first)] = np.arange(len(first))
        return np.asarray(rank[inverse])
    offsets = np.cumsum([cells] + [int(t.max()) + 1 for t in terms])
    rows = np.tile(np.arange(cells), len(terms))
    cols = np.concatenate([t + o for t, o in zip(terms, offsets[:-1], strict=True)])
    graph = sparse.csr_array((np.ones(len(rows), dtype=np.int8), (rows, cols)), shape=(offsets[-1],) * 2)
    return connected_components(graph, directed=False)[1][:cells]


def joint_cells(codes: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """First row of each combination of levels, and the combination of each row."""
    joint = codes[0]
    for more in codes[1:]:
        joint = np.unique(joint * (int(more.max()) + 1) + more, return_inverse=True)[1]
    return np.unique(joint, return_index=True, return_inverse=True)[1:]


def largest_piece(codes: Sequence[np.ndarray]) -> int:
    """Cells in the largest linked piece."""
    first = joint_cells(codes)[0]
    return int(np.bincount(components([c[first] for c in codes], len(first))).max())


def choose_border(codes: Sequence[np.ndarray]) -> tuple[int, ...]:
    """Which terms to absorb so that the pieces become small; none if nothing is gained."""
    inner = sorted(range(len(codes)), key=lambda i: int(codes[i].max()))
    chosen: list[int] = []
    if not inner or len(codes[0]) <= SMALL:  # so few rows have no piece beyond that
        return ()
    size, columns = largest_piece(codes), 0
    most = min(MOST_COLUMNS, MOST_ENTRIES // len(codes[0]), int(WORTH_IT * size))
    while size > SMALL and len(inner) > 1:
        columns += int(codes[inner[0]].max()) + 1
        if columns > most:
            break
        smaller = largest_piece([codes[i] for i in inner[1:]])
        if smaller > 0.7 * size:
            break
        chosen.append(inner.pop(0))
        size = smaller
    return tuple(sorted(chosen))


def absorb(m: Moments, border: Sequence[int], columns: np.ndarray, theta: np.ndarray) -> Moments:
    """Sums with V from sums with the blocks alone.

    m : sums over [U, A] with the inner terms only; border : indices of the absorbed terms;
    columns (r,) : the term of each column of U; theta (k+1,) : all variances, residual first.
    """
    k, r, e = len(theta) - 1, len(columns), m.S.shape[0]
    root = np.sqrt(theta[1 + columns])
    inside = np.eye(r) + root[:, None] * m.S[:r, :r] * root
    back = np.linalg.inv(inside)
    M = root[:, None] * back * root
    F = np.eye(e)
    F[:r, :r] = np.linalg.inv(np.eye(r) + (root**2)[:, None] * m.S[:r, :r])
    F[:r, r:] = -M @ m.S[:r, r:]
    rest = back @ (root[:, None] * m.S[:r])
    S = F.T @ m.S @ F + rest.T @ rest
    inner = [0, *(i + 1 for i in range(k) if i not in border)]
    S1, S2 = np.zeros((k + 1, e, e)), np.zeros((k + 1, k + 1, e, e))
    t1, t2 = np.zeros(k + 1), np.zeros((k + 1, k + 1))
    MU = [M @ s[:r, :r] for s in m.S1]
    for a, i in enumerate(inner):
        S1[i], t1[i] = F.T @ m.S1[a] @ F, m.t1[a] - np.trace(MU[a])
        for b, j in enumerate(inner):
            S2[i, j] = F.T @ (m.S2[a, b] - m.S1[a][:, :r] @ M @ m.S1[b][:r]) @ F
            t2[i, j] = m.t2[a, b] - 2 * np.trace(M @ m.S2[a, b][:r, :r]) + np.trace(MU[a] @ MU[b])
    _border_sums(S, S1, S2, t1, t2, inner, {b + 1: np.flatnonzero(columns == b) for b in border})
    logdet = m.logdet + float(np.linalg.slogdet(inside)[1])
    return Moments(logdet=logdet, S=S[r:, r:], S1=S1[:, r:, r:], S2=S2[:, :, r:, r:], t1=t1, t2=t2)


def _border_sums(S: np.ndarray, S1: np.ndarray, S2: np.ndarray, t1: np.ndarray, t2: np.ndarray,
                 inner: Sequence[int], border: dict[int, np.ndarray]) -> None:  # fmt: skip
    """Fill in the sums of the absorbed terms, for which G = U U'."""
    for b, at in border.items():
        S1[b], t1[b] = S[:, at] @ S[at], np.trace(S[np.ix_(at, at)])
        for i in inner:
            S2[i, b] = S1[i][:, at] @ S[at]
            S2[b, i] = S2[i, b].T
            t2[i, b] = t2[b, i] = np.trace(S1[i][np.ix_(at, at)])
        for c, other in border.items():
            between = S[np.ix_(at, other)]
            S2[b, c] = S[:, at] @ between @ S[other]
            t2[b, c] = (between * between).sum()


def equations(S: np.ndarray, root: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Solution and error covariance of the mixed-model equations for the columns [U, X].

    S : sums over [U, X, y] with the blocks alone; root : standard deviations of the columns of U.
    Source: Henderson 1975, Biometrics 31:423.
    """
    e = len(S) - 1
    d = np.concatenate([root, np.ones(e - len(root))])
    inside = d[:, None] * S[:e, :e] * d
    inside[np.arange(len(root)), np.arange(len(root))] += 1.0
    error = d[:, None] * np.linalg.inv(inside) * d
    return error @ S[:e, e], error
