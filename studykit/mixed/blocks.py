"""The data of a mixed model, compressed without loss into small blocks, and its moments.

Rows that share the levels of all random terms, and the values of random slopes, form a cell. Within a cell V is the
residual variance alone, so a cell is replaced by its mean (times the root of its count) and by the sums
of squares and products about it; this is an orthogonal rotation and loses nothing. Cells that
share no level of any term are independent: V is block-diagonal by the connected components of
cells and levels, which for nested terms are the levels of the coarsest one. Blocks with the
same counts and the same labels have the same V, so V is inverted once a pattern. The data of
many blocks of one pattern enter only through sums of products; a QR step keeps those and
throws the rest away. One pass over the rows is linear in their number; after it, the cost of
an iteration of a balanced study does not depend on how many containers there are.

A random slope has its column's values in Z_i in place of ones. Terms a and b that may be correlated have one more
component, G = Z_a Z_b' + Z_b Z_a', whose weight is their covariance; such components stand after those of all terms.

With W = V^-1, G_0 = I, G_i = Z_i Z_i' and A = [X y], ``moments`` gives log|V|, A'WA, A'W G_i W A,
A'W G_i W G_j W A, tr(W G_i) and tr(W G_i W G_j): all that REML, Satterthwaite and Kenward-Roger need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.linalg import lapack

from studykit.core.errors import DesignMismatch
from studykit.mixed.woodbury import Moments, absorb, choose_border, components, joint_cells

DENSE_LIMIT = 5000  # largest number of linked cells that is inverted as one dense matrix
STACK_LIMIT = 100  # blocks up to this size are handled in stacks


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Patterns of blocks with the same number of cells and of levels of each term."""

    count: np.ndarray  # (K,) blocks of each pattern
    Z: np.ndarray | sparse.csr_array  # (K, m, L), all terms side by side; sparse (m, L) for one large block
    cuts: tuple[int, ...]  # where each term starts in L; k + 1 entries
    cells: np.ndarray  # (blocks, m) index of the cells
    pattern: np.ndarray  # (blocks,) pattern of each block
    levels: np.ndarray  # (blocks, L) level of its term at each column of Z
    A: np.ndarray  # (B, m, q) data, possibly reduced
    owner: np.ndarray  # (B,) pattern of each entry of A
    pairs: tuple[tuple[int, int], ...]  # terms that may be correlated, counted among those that are not absorbed


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """A mixed model's data in compressed form."""

    n: int
    k: int  # number of random terms
    pairs: tuple[tuple[int, int], ...]  # terms that may be correlated, one covariance each
    codes: tuple[np.ndarray, ...]  # level of each row, per term
    border: tuple[int, ...]  # terms that are absorbed (woodbury.py)
    columns: np.ndarray  # (r,) term of each of their columns, which precede the data
    cell: np.ndarray  # (n,) cell of each row
    counts: np.ndarray  # (cells,) rows of each cell
    within: np.ndarray  # (q, q) sums of products about the cell means
    df_within: int
    groups: tuple[Group, ...]


def compress(codes: Sequence[np.ndarray], A: np.ndarray, border: Sequence[int] | None = None,
             slopes: Sequence[np.ndarray | None] = (), pairs: Sequence[tuple[int, int]] = ()) -> Blocks:  # fmt: skip
    """Cells, blocks and patterns of rows with the given level codes and data A (n, q).

    ``border`` names the terms to absorb; by default they are chosen so that the blocks are small. ``slopes``: the column
    of each term that is a random slope; ``pairs``: terms that may be correlated, with the same codes.
    Raises DesignMismatch when crossed terms link more than DENSE_LIMIT cells.
    """
    n, k = len(A), len(codes)
    if border is None:
        border = () if any(s is not None for s in slopes) else choose_border(codes)
    columns = np.repeat(np.array(border, dtype=np.int64), [int(codes[b].max()) + 1 for b in border])
    inner = [i for i in range(k) if i not in border]
    slopes = [slopes[i] if slopes else None for i in inner]
    turns = [np.unique(s, return_inverse=True)[1] for s in slopes if s is not None]
    terms = [codes[i] for i in inner]
    first, cell = joint_cells([*terms, *turns]) if inner else (np.zeros(1, dtype=np.int64), np.zeros(n, dtype=np.int64))
    empty = Blocks(n=n, k=k, pairs=tuple(pairs), codes=tuple(codes), border=tuple(border), columns=columns, cell=cell,
                   counts=np.bincount(cell), within=np.empty(0), df_within=n - len(first), groups=())  # fmt: skip
    A = extended(empty, A)
    if not inner:
        return replace(empty, within=A.T @ A, df_within=n)
    scaled, within = _cell_data(cell, empty.counts, A)
    parts = _Parts(terms=[t[first] for t in terms], slopes=[None if v is None else v[first] for v in slopes],
                   turns=[t[first] for t in turns], pairs=tuple((inner.index(a), inner.index(b)) for a, b in pairs))
    return replace(empty, within=within, groups=_groups(parts, empty.counts, scaled))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """Levels and slope values of each cell, one array a term; ``turns``: the values of slopes as codes."""

    terms: list[np.ndarray]
    slopes: list[np.ndarray | None]
    turns: list[np.ndarray]
    pairs: tuple[tuple[int, int], ...]


def extended(blocks: Blocks, A: np.ndarray) -> np.ndarray:
    """The data with the columns of the absorbed terms before it."""
    U = [(blocks.codes[b][:, None] == np.arange(int(blocks.codes[b].max()) + 1)).astype(float) for b in blocks.border]
    return np.hstack([*U, A]) if U else A


def with_data(blocks: Blocks, A: np.ndarray) -> Blocks:
    """The same cells and patterns with other data A (n, q)."""
    A = extended(blocks, A)
    if not blocks.groups:
        return replace(blocks, within=A.T @ A)
    scaled, within = _cell_data(blocks.cell, blocks.counts, A)
    groups = []
    for g in blocks.groups:
        data, owner = _reduced(scaled[g.cells], g.pattern)
        groups.append(replace(g, A=data, owner=owner))
    return replace(blocks, within=within, groups=tuple(groups))


def cell_means(blocks: Blocks, A: np.ndarray) -> np.ndarray:
    """Cell means times the root of the count, (cells, r + q), columns of absorbed terms first."""
    return _cell_data(blocks.cell, blocks.counts, extended(blocks, A))[0]


def _cell_data(cell: np.ndarray, counts: np.ndarray, A: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    means = np.column_stack([np.bincount(cell, a, len(counts)) for a in A.T]) / counts[:, None]
    about = A - means[cell]
    return means * np.sqrt(counts)[:, None], about.T @ about


def _row_groups(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First index and inverse of the distinct rows of an integer matrix (hashed, then verified)."""
    key = (rows.astype(np.uint64) * _multipliers(rows.shape[1])).sum(axis=1)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    if not np.array_equal(rows[first][inverse], rows):  # a collision: sort the rows themselves
        _, first, inverse = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    return first, inverse


def _multipliers(columns: int) -> np.ndarray:
    mix = (2 * np.arange(1, columns + 1, dtype=np.uint64) + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    mix ^= mix >> np.uint64(29)
    return mix | np.uint64(1)


def _groups(parts: _Parts, counts: np.ndarray, scaled: np.ndarray) -> tuple[Group, ...]:
    terms = parts.terms
    block = components(terms, len(counts))
    sizes = np.bincount(block)
    if sizes.max() > DENSE_LIMIT:
        raise DesignMismatch(
            f"The random terms link {sizes.max()} cells into one piece, and {DENSE_LIMIT} is the most that is handled. "
            "Terms that cross (a laboratory run over all containers) tie everything together: "
            "give the crossing column as a fixed effect, or split the study."
        )
    keys = [counts, *parts.turns]
    for t in sorted(terms, key=lambda t: -int(t.max())):
        keys += [t, np.bincount(t)[t] * (int(counts.max()) * len(counts) + 1) + np.bincount(t, weights=counts)[t]]
    order = np.lexsort((*keys, block))
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    relative = [_relative(t[order], starts, sizes) for t in terms]
    shapes = np.column_stack([sizes, *[np.maximum.reduceat(r, starts) + 1 for r in relative]])
    firsts, shape_of = _row_groups(shapes)
    out = []
    for s, first in enumerate(firsts):
        mine = np.flatnonzero(shape_of == s)
        place = starts[mine][:, None] + np.arange(sizes[first])
        out.append(_one_group(place, order, parts, relative, shapes[first, 1:], counts, scaled))
    return tuple(out)


def _relative(labels: np.ndarray, starts: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Labels counted from 0 within each block, by first appearance (a level lives in one block)."""
    _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    by_cell = rank[inverse]
    return np.asarray(by_cell - np.repeat(by_cell[starts], sizes))


def _one_group(place: np.ndarray, order: np.ndarray, parts: _Parts, relative: list[np.ndarray],
               widths: np.ndarray, counts: np.ndarray, scaled: np.ndarray) -> Group:  # fmt: skip
    cells = order[place]
    root = np.sqrt(counts[cells])
    turns = [t[cells] for t in parts.turns]
    firsts, pattern = _row_groups(np.hstack([counts[cells], *turns, *[r[place] for r in relative]]))
    cuts = np.concatenate([[0], np.cumsum(widths)])
    nb, m = place.shape
    Z = np.zeros((len(firsts), m, int(cuts[-1])))
    levels = np.zeros((nb, int(cuts[-1])), dtype=np.int64)
    i, j = np.ogrid[: len(firsts), :m]
    b = np.arange(nb)[:, None]
    for t, v, r, cut in zip(parts.terms, parts.slopes, relative, cuts[:-1], strict=True):
        Z[i, j, cut + r[place[firsts]]] = root[firsts] if v is None else root[firsts] * v[cells[firsts]]
        levels[b, cut + r[place]] = t[cells]
    data, owner = _reduced(scaled[cells], pattern)
    big = m > STACK_LIMIT and len(firsts) == 1 and nb == 1
    return Group(count=np.bincount(pattern).astype(float), Z=sparse.csr_array(Z[0]) if big else Z,
                 cuts=tuple(int(c) for c in cuts), cells=cells, pattern=pattern, levels=levels,
                 A=data, owner=owner, pairs=parts.pairs)  # fmt: skip


def _reduced(data: np.ndarray, pattern: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Replace the many blocks of a pattern by the R factor of their data: same sums of products."""
    m, q = data.shape[1:]
    held = np.bincount(pattern)
    if held.max() <= m * q:
        return data, pattern
    order = np.argsort(pattern, kind="stable")
    parts, owners = [], []
    for p, rows in enumerate(np.split(order, np.cumsum(held)[:-1])):
        part = data[rows]
        if len(rows) > m * q:
            part = np.asarray(np.linalg.qr(part.reshape(len(rows), m * q), mode="r")).reshape(-1, m, q)
        parts.append(part)
        owners.append(np.full(len(part), p))
    return np.concatenate(parts), np.concatenate(owners)


def moments(blocks: Blocks, theta: np.ndarray) -> Moments:
    """All sums at variances and covariances theta, residual first and positive."""
    m = block_moments(blocks, theta)
    return absorb(m, blocks.border, blocks.columns, theta) if blocks.border else m


def inner_variances(blocks: Blocks, theta: np.ndarray) -> np.ndarray:
    """The variances of the residual and of the terms that are not absorbed, and their covariances."""
    return theta[[0, *(i + 1 for i in range(len(theta) - 1) if i not in blocks.border)]]


def block_moments(blocks: Blocks, theta: np.ndarray) -> Moments:
    """All sums without the absorbed terms, which are carried as data."""
    theta = inner_variances(blocks, theta)
    k, t0, df = len(theta) - 1, float(theta[0]), blocks.df_within  # k: components beside the residual
    q = blocks.within.shape[0]
    S = blocks.within / t0
    S1, S2 = np.zeros((k + 1, q, q)), np.zeros((k + 1, k + 1, q, q))
    t1, t2 = np.zeros(k + 1), np.zeros((k + 1, k + 1))
    S1[0], S2[0, 0], t1[0], t2[0, 0] = S / t0, S / t0**2, df / t0, df / t0**2
    logdet = df * float(np.log(t0))
    for g in blocks.groups:
        W, ZW, K, part = pattern_inverse(g, theta)
        logdet += part
        WA, H, F = _products(g, W, ZW)
        own = _own(g, W)
        S = S + _sum(g.A, WA)
        S1[0] += _sum(WA, WA)
        S2[0, 0] += _sum(WA, W[own] @ WA)
        t1[0] += g.count @ np.trace(W, axis1=1, axis2=2)
        t2[0, 0] += g.count @ (W * W).sum(axis=(1, 2))
        made = made_of(g)
        for i, (a, b) in ((i, ab) for i, mine in enumerate(made, start=1) for ab in mine):
            S1[i] += _sum(H[:, a], H[:, b])
            S2[0, i] += _sum(F[:, a], H[:, b])
            t1[i] += g.count @ np.trace(K[:, a, b], axis1=1, axis2=2)
            t2[0, i] += g.count @ (ZW[:, a] * ZW[:, b]).sum(axis=(1, 2))
            for other, (c, d) in ((o, cd) for o, theirs in enumerate(made[i - 1 :], start=i) for cd in theirs):
                S2[i, other] += _sum(H[:, a], K[:, b, c][own] @ H[:, d])
                t2[i, other] += g.count @ (K[:, a, d] * K[:, b, c]).sum(axis=(1, 2))
    for i in range(k + 1):
        for j in range(i):
            S2[i, j], t2[i, j] = S2[j, i].T, t2[j, i]
    return Moments(logdet=logdet, S=S, S1=S1, S2=S2, t1=t1, t2=t2)


def made_of(g: Group) -> list[tuple[tuple[slice, slice], ...]]:
    """The columns of Z whose products make up each component: Z_a Z_a' for a term, Z_a Z_b' and Z_b Z_a' for a pair."""
    cut = [slice(a, b) for a, b in zip(g.cuts[:-1], g.cuts[1:], strict=True)]
    return [*(((c, c),) for c in cut), *(((cut[a], cut[b]), (cut[b], cut[a])) for a, b in g.pairs)]


def _sum(U: np.ndarray, V: np.ndarray) -> np.ndarray:
    """Sum over blocks of U_b' V_b."""
    return np.asarray(U.reshape(-1, U.shape[-1]).T @ V.reshape(-1, V.shape[-1]))


def _own(g: Group, W: np.ndarray) -> slice | np.ndarray:
    """Picks the pattern's matrix of each stored block; one pattern serves all as it is."""
    return slice(None) if len(W) == 1 else g.owner


def _products(g: Group, W: np.ndarray, ZW: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """WA, Z'WA and Z'WWA for the stored data."""
    own = _own(g, W)
    WA = W[own] @ g.A
    return WA, ZW[own] @ g.A, ZW[own] @ WA


def pattern_inverse(g: Group, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """W, Z'W, Z'WZ of each pattern and the sum of log|V| over the blocks."""
    if not isinstance(g.Z, np.ndarray):
        return _inverse_large(g.Z, _weighted(g, theta), float(theta[0]))
    m = g.Z.shape[1]
    weights = np.repeat(theta[1 : len(g.cuts)], np.diff(g.cuts))
    ZG = g.Z @ _weighted(g, theta).toarray() if g.pairs else g.Z * weights
    V = ZG @ np.swapaxes(g.Z, 1, 2) + theta[0] * np.eye(m)
    W = np.linalg.inv(V)
    W = (W + np.swapaxes(W, 1, 2)) / 2
    ZW = np.swapaxes(g.Z, 1, 2) @ W
    return W, ZW, ZW @ g.Z, float(g.count @ np.linalg.slogdet(V)[1])


def _weighted(g: Group, theta: np.ndarray) -> sparse.csr_array:
    """Covariance of the random effects of one block, (L, L)."""
    L = g.cuts[-1]
    places = [(np.arange(a.start, a.stop), np.arange(b.start, b.stop), theta[i])
              for i, mine in enumerate(made_of(g), start=1) for a, b in mine]  # fmt: skip
    row, column = (np.concatenate([p[k] for p in places]) for k in (0, 1))
    return sparse.csr_array((np.concatenate([np.full(len(p[0]), p[2]) for p in places]), (row, column)), shape=(L, L))


def _inverse_large(
    Z: sparse.csr_array, inside: sparse.csr_array, t0: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    V = (Z @ inside @ Z.T).toarray()
    V[np.diag_indices_from(V)] += t0
    C, info = lapack.dpotrf(V, lower=1, overwrite_a=1)
    if info:
        raise np.linalg.LinAlgError("V is not positive definite")
    logdet = 2.0 * float(np.log(np.diag(C)).sum())
    W = lapack.dpotri(C, lower=1, overwrite_c=1)[0]
    W = np.tril(W) + np.tril(W, -1).T
    ZW = Z.T @ W
    return W[None], ZW[None], (ZW @ Z)[None], logdet
