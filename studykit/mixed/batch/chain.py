"""Unbalanced nested designs: REML for many responses at once, by recursion over the nesting.

With V = theta_0 (I + sum_j gamma_j G_j) and nested terms, adding the random effect of one node with
variance ratio gamma to rows that so far have s = 1'V^-1 1 and u = A'V^-1 1 changes only
    log|V| by log(1 + gamma s),  A'V^-1 A by -gamma u u' / (1 + gamma s),
    s and u by the factor 1 / (1 + gamma s)
(Sherman & Morrison 1950), and nodes add up to their parents. So the criterion needs no matrix of the
size of the data; cell means and counts suffice. Derivatives in the ratios travel along (jets.py).
theta_0 is profiled out: D = log|V/theta_0| + log|X'V^-1X| + (n - p) log(y'Py) up to constants.
All arrays have the responses as their last axis, so that one numpy call serves all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from scipy import sparse

from studykit.mixed.batch.taylor import Jet, bilinear, logarithm, reciprocal, total, variable
from studykit.mixed.design import Design

MOST_ITERATIONS = 100
STEP = 1e-6  # Newton steps smaller than this (relative) are the last: the error left is its square


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """The nesting of a design, terms fine to coarse; nodes sorted so that children are adjacent."""

    terms: tuple[int, ...]  # index in the design of each term, fine to coarse
    n: int
    Q: np.ndarray  # (n, p)
    cell: np.ndarray  # (n,) finest node of each row
    classes: np.ndarray  # (V,) the counts that occur, with their number of cells in ``held``
    held: np.ndarray  # (V,)
    class_of: np.ndarray  # (cells,)
    starts: tuple[np.ndarray, ...]  # where each parent's children start, per level above the cells
    parents: np.ndarray  # (cells,) parent node of each cell; zeros when cells are the top
    pattern: np.ndarray  # (parents,) pattern of each parent: which counts its cells have
    S: np.ndarray  # (patterns, V) sums of counts
    Gxx: np.ndarray  # (V, p, p) sums over cells of u u' by class, fixed part
    Ux: np.ndarray  # (parents, V, p) sums of u by parent and class
    Txx: np.ndarray  # (patterns, pairs of classes, p, p) sums over parents of products of Ux


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainData:
    """Responses (n, R) reduced to sums."""

    Gxy: np.ndarray  # (V, p, R)
    Gyy: np.ndarray  # (V, R)
    Uy: np.ndarray  # (parents, V, R)
    Txy: np.ndarray  # (patterns, pairs, p, R)
    Tyy: np.ndarray  # (patterns, pairs, R)
    Axy: np.ndarray  # (p, R)
    Ayy: np.ndarray  # (R,)

    def take(self, which: np.ndarray) -> ChainData:
        """The responses where ``which`` (R,) is true."""
        return ChainData(**{f.name: np.compress(which, getattr(self, f.name), axis=-1) for f in fields(ChainData)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """The criterion and its derivatives at ratios gamma (k, R); responses first in all but gamma."""

    gamma: np.ndarray
    D: np.ndarray  # (R,)
    gradient: np.ndarray  # (R, k)
    hessian: np.ndarray  # (R, k, k)
    q: np.ndarray  # (R,) y'Py at theta_0 = 1
    beta: np.ndarray  # (R, p)


def build_chain(design: Design, order: Sequence[int]) -> Chain:
    """The nesting of a design whose terms nest in ``order``, fine to coarse."""
    codes = [design.terms[i].codes for i in order]
    first = np.unique(codes[0], return_index=True)[1]
    above = [c[first] for c in codes[1:]]
    rank = np.lexsort(above) if above else np.arange(len(first))
    place = np.empty_like(rank)
    place[rank] = np.arange(len(rank))
    cell = place[codes[0]]
    counts = np.bincount(cell)
    classes, class_of = np.unique(counts, return_inverse=True)
    starts, parents, level = [], np.zeros(len(rank), dtype=np.int64), None
    for labels in above:
        mine = labels[rank] if level is None else labels[rank][level]
        begin = np.concatenate([[0], np.flatnonzero(np.diff(mine)) + 1])
        if level is None:
            parents = np.repeat(np.arange(len(begin)), np.diff(np.append(begin, len(mine))))
            level = begin
        else:
            level = level[begin]
        starts.append(begin)
    p, many = design.p, int(parents.max()) + 1
    u = np.zeros((len(rank), p))
    np.add.at(u, cell, design.Q)
    Gxx, Ux, S = np.zeros((len(classes), p, p)), np.zeros((many, len(classes), p)), np.zeros((many, len(classes)))
    held = np.bincount(class_of).astype(float)
    np.add.at(Gxx, class_of, u[:, :, None] * u[:, None, :])
    np.add.at(Ux, (parents, class_of), u)
    np.add.at(S, (parents, class_of), counts)
    S, pattern = np.unique(S, axis=0, return_inverse=True)
    return Chain(terms=tuple(order), n=design.n, Q=design.Q, cell=cell, classes=classes.astype(float), held=held,
                 class_of=class_of, starts=tuple(starts[1:]), parents=parents, pattern=pattern, S=S, Gxx=Gxx, Ux=Ux,
                 Txx=_pair_sums(pattern, Ux, Ux))  # fmt: skip


def _pairs(V: int) -> tuple[np.ndarray, np.ndarray]:
    return np.triu_indices(V)


def _pair_sums(pattern: np.ndarray, U: np.ndarray, W: np.ndarray) -> np.ndarray:
    """Per pattern and pair of classes v <= w: sum over parents of U_v W_w' (+ U_w W_v')."""
    i, j = _pairs(U.shape[1])
    out = []
    for s in range(int(pattern.max()) + 1):
        u, w = U[pattern == s], W[pattern == s]
        both = np.einsum("nva,nvb->vab", u[:, i], w[:, j])
        other = np.einsum("nva,nvb->vab", u[:, j], w[:, i])
        out.append(np.where((i < j)[:, None, None], both + other, both))
    return np.array(out)


def chain_data(chain: Chain, Y: np.ndarray) -> ChainData:
    """Sums of responses Y (n, R)."""
    cells, V, many = len(chain.class_of), len(chain.classes), len(chain.Ux)
    row_sum = _indicator(chain.cell, cells)
    u, ux = row_sum @ Y, row_sum @ chain.Q
    pick, grouped = _indicator(chain.class_of, V), _indicator(chain.parents * V + chain.class_of, many * V)
    Gxy = np.stack([(ux[chain.class_of == v].T @ u[chain.class_of == v]) for v in range(V)])
    Uy = (grouped @ u).reshape(many, V, Y.shape[1])
    i, j = _pairs(V)
    squares = Uy[:, i] * Uy[:, j] * np.where(i < j, 2.0, 1.0)[:, None]
    Tyy = np.array([squares[chain.pattern == s].sum(axis=0) for s in range(len(chain.S))])
    return ChainData(Gxy=Gxy, Gyy=pick @ (u * u), Uy=Uy, Txy=_pair_sums(chain.pattern, chain.Ux, Uy), Tyy=Tyy,
                     Axy=chain.Q.T @ Y, Ayy=np.einsum("nr,nr->r", Y, Y))  # fmt: skip


def _indicator(group: np.ndarray, groups: int) -> sparse.csr_array:
    """Matrix that sums entries by group, (groups, entries)."""
    return sparse.csr_array((np.ones(len(group)), (group, np.arange(len(group)))), shape=(groups, len(group)))


def rough_start(chain: Chain, design: Design) -> Callable[[np.ndarray], np.ndarray]:
    """A function from residuals of least squares (n, R) to variance ratios (k, R) by the method of moments.

    Sums of squares of the means of each level, set equal to their expectations; negative ones to zero.
    """
    Z = [_indicator(design.terms[i].codes, len(design.terms[i].levels)) for i in chain.terms]
    sizes = [np.asarray(z.sum(axis=1)) for z in Z]
    k, Q = len(Z), chain.Q
    expected = np.empty((k + 1, k + 1))  # rows: total, each level; columns: residual, each term
    QG = [np.eye(design.p), *((z @ Q).T @ (z @ Q) for z in Z)]
    for a in range(k + 1):
        P = np.eye(design.p) if a == 0 else (Z[a - 1] @ Q).T @ ((Z[a - 1] @ Q) / sizes[a - 1][:, None])
        for i in range(k + 1):
            if a == 0:
                expected[a, i] = chain.n - np.trace(QG[i])
                continue
            overlap = sizes[a - 1] if i == 0 else np.asarray((Z[a - 1] @ Z[i - 1].T).power(2).sum(axis=1))
            ZQ = Z[a - 1] @ Q / sizes[a - 1][:, None]
            GQ = Z[a - 1] @ (Q if i == 0 else Z[i - 1].T @ (Z[i - 1] @ Q))
            expected[a, i] = (overlap / sizes[a - 1]).sum() - 2 * (ZQ * GQ).sum() + np.trace(P @ QG[i])
    inverse = np.linalg.pinv(expected)

    def ratios(residuals: np.ndarray) -> np.ndarray:
        squares = [np.einsum("nr,nr->r", residuals, residuals)]
        squares += [((z @ residuals) ** 2 / size[:, None]).sum(axis=0) for z, size in zip(Z, sizes, strict=True)]
        theta = inverse @ np.array(squares)
        return np.asarray(np.maximum(theta[1:], 0.0) / np.maximum(theta[0], 0.01 * squares[0] / chain.n))

    return ratios


def forms(chain: Chain, gamma: np.ndarray, data: ChainData | None = None) -> tuple[Jet, Jet]:
    """log|V| (R,) and A'V^-1A (q, q, R) at theta_0 = 1 as jets in gamma (k, R), fine to coarse.

    A = [Q, y]; without data A = Q.
    """
    g = [variable(i, gamma[i]) for i in range(len(gamma))]
    n = chain.classes[:, None]
    d = g[0].map(lambda a: n * a)
    d = Jet(1 + d.v, d.g)
    h = reciprocal(d)  # (V, R)
    logdet = logarithm(d).map(lambda a: chain.held @ a)
    f = bilinear(g[0], h, lambda a, b: -a * b)
    M = f.map(lambda a: _form(a, chain.Gxx, None if data is None else (data.Gxy, data.Gyy)))
    M.v += _start_form(chain, gamma.shape[1], data)
    if len(gamma) == 1:
        return logdet, M
    s = h.map(lambda a: chain.S @ a)
    logdet, h1 = _shrinking(logdet, g[1], s, np.bincount(chain.pattern)[:, None])
    i, j = _pairs(len(chain.classes))
    pairs = bilinear(h, h, lambda a, b: a[i] * b[j])
    weight = bilinear(bilinear(g[1], h1, lambda a, b: -a * b), pairs, lambda a, b: a[:, None] * b)
    M = total(M, weight.map(lambda a: _form(a, chain.Txx, None if data is None else (data.Txy, data.Tyy))))
    if len(gamma) == 2:
        return logdet, M
    s = bilinear(s, h1, lambda a, b: a * b).map(lambda a: a[chain.pattern])
    u = bilinear(h.map(lambda a: _class_sums(chain, a, data)), h1, lambda a, b: a * b[chain.pattern, None])
    return _above(chain, g, logdet, M, s, u)


def _shrinking(logdet: Jet, g: Jet, s: Jet, many: np.ndarray | float = 1.0) -> tuple[Jet, Jet]:
    """log|V| after nodes with sums s have received their effects, and 1 / (1 + gamma s)."""
    d = bilinear(g, s, lambda a, b: a * b)
    d = Jet(1 + d.v, d.g, d.h)
    return total(logdet, logarithm(d).map(lambda a: (many * a).sum(axis=0))), reciprocal(d)


def _above(chain: Chain, g: list[Jet], logdet: Jet, M: Jet, s: Jet, u: Jet) -> tuple[Jet, Jet]:
    """The recursion above the parents of the cells; s (nodes, R), u (nodes, q, R)."""
    for gamma, begin in zip(g[2:], chain.starts, strict=True):
        s, u = (x.map(lambda a, b=begin: np.add.reduceat(a, b, axis=0)) for x in (s, u))  # type: ignore[misc]
        logdet, h = _shrinking(logdet, gamma, s)
        shrunk = bilinear(u, h, lambda a, b: a * b[:, None])
        outer = bilinear(u, shrunk, lambda a, b: np.einsum("nar,nbr->abr", a, b))
        M = total(M, bilinear(gamma, outer, lambda a, b: -a * b))
        s, u = bilinear(s, h, lambda a, b: a * b), shrunk
    return logdet, M


def _start_form(chain: Chain, R: int, data: ChainData | None) -> np.ndarray:
    p = chain.Gxx.shape[1]
    q = p + (data is not None)
    out = np.zeros((q, q, R))
    out[:p, :p] = np.eye(p)[:, :, None]
    if data is not None:
        out[:p, p], out[p, :p], out[p, p] = data.Axy, data.Axy, data.Ayy
    return out


def _form(weight: np.ndarray, xx: np.ndarray, y: tuple[np.ndarray, np.ndarray] | None) -> np.ndarray:
    """Sum over the leading axes of weight (..., R) times products u u': (q, q, R)."""
    p, R = xx.shape[-1], weight.shape[-1]
    flat = weight.reshape(-1, R)
    q = p if y is None else p + 1
    out = np.empty((q, q, R))
    out[:p, :p] = (xx.reshape(len(flat), p * p).T @ flat).reshape(p, p, R)
    if y is not None:
        xy, yy = y
        np.einsum("vr,var->ar", flat, xy.reshape(len(flat), p, R), out=out[:p, p])
        out[p, :p] = out[:p, p]
        np.einsum("vr,vr->r", flat, yy.reshape(len(flat), R), out=out[p, p])
    return out


def _class_sums(chain: Chain, weight: np.ndarray, data: ChainData | None) -> np.ndarray:
    """Sums of u over the cells of each parent, weighted by class: (parents, q, R)."""
    x = np.tensordot(chain.Ux, weight, axes=([1], [0]))
    if data is None:
        return x
    y = np.einsum("vr,nvr->nr", weight, data.Uy)
    return np.concatenate([x, y[:, None]], axis=1)


def point_at(chain: Chain, data: ChainData, gamma: np.ndarray) -> Point:
    """The profiled criterion with derivatives."""
    logdet, M = forms(chain, gamma, data)
    k, R = gamma.shape
    p = M.v.shape[0] - 1
    nu = chain.n - p
    full: dict[Any, np.ndarray] = {}
    full.update(M.g)
    full.update(M.h)
    Mxx = np.ascontiguousarray(np.moveaxis(M.v[:p, :p], 2, 0))
    B = np.ascontiguousarray(np.moveaxis(np.linalg.inv(Mxx), 0, 2))
    beta = np.einsum("abr,br->ar", B, M.v[:p, p])
    c = np.concatenate([-beta, np.ones((1, R))])
    q = np.einsum("br,br->r", c, M.v[p])
    Mc = {key: np.einsum("abr,br->ar", a, c) for key, a in full.items()}
    cMc = {key: np.einsum("ar,ar->r", c, a) for key, a in Mc.items()}
    BM = [np.einsum("abr,bcr->acr", B, full[i][:p, :p]) for i in range(k)]
    BMc = [np.einsum("abr,br->ar", B, Mc[i][:p]) for i in range(k)]
    gradient, hessian = np.empty((R, k)), np.empty((R, k, k))
    for i in range(k):
        gradient[:, i] = logdet.g[i] + np.einsum("aar->r", BM[i]) + nu * cMc[i] / q
        for j in range(i, k):
            trace = np.einsum("abr,bar->r", B, full[i, j][:p, :p]) - np.einsum("abr,bar->r", BM[i], BM[j])
            q2 = cMc[i, j] - 2 * np.einsum("ar,ar->r", Mc[i][:p], BMc[j])
            value = logdet.h[i, j] + trace + nu * (q2 / q - cMc[i] * cMc[j] / q**2)
            hessian[:, i, j] = hessian[:, j, i] = value
    D = logdet.v + np.linalg.slogdet(Mxx)[1] + nu * np.log(q)
    return Point(gamma=gamma, D=D, gradient=gradient, hessian=hessian, q=q, beta=beta.T)
