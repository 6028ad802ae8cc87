"""Balanced nested designs: REML for many responses in closed form.

When every level of every random term holds the same number of rows, the terms nest, and the fixed
effects split along them, the rows split into strata: the containers' means, the cells' means within
containers, and so on down to the determinations. Each stratum j has a sum of squares S_j on d_j
degrees of freedom and one variance xi_j, the residual variance plus multiples of the components
above it; and D = sum_j d_j log xi_j + S_j / xi_j. Variances may not be negative, so xi must not
fall from fine to coarse: the constrained minimum is the weighted isotonic regression of the mean
squares (Robertson, Wright & Dykstra 1988, Order Restricted Statistical Inference, chapter 1).
The fixed effects are those of least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from studykit.mixed.design import Design, Term

TINY = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class Strata:
    """A balanced nested design; strata run from fine (the determinations) to coarse."""

    order: np.ndarray  # (n,) rows sorted so that each level is one run of rows
    sorted_already: bool
    sizes: tuple[int, ...]  # rows per level of each term, fine to coarse
    terms: tuple[int, ...]  # index of each term in the design, fine to coarse
    df: np.ndarray  # (k+1,) degrees of freedom left by the fixed part
    C: np.ndarray  # (k+1, p, p) share of the fixed part in each stratum, orthonormal coordinates
    parts: tuple[np.ndarray, ...]  # (p, rank_j) orthonormal basis of each C


@dataclass(frozen=True, slots=True, kw_only=True)
class StrataFits:
    """Closed-form fits, residual and then each term fine to coarse."""

    ss: np.ndarray  # (k+1, R) sums of squares
    xi: np.ndarray  # (k+1, R) variances of the strata, never falling
    theta: np.ndarray  # (k+1, R) residual and terms in the design's order
    coordinates: np.ndarray  # (p, R) Q'y
    D: np.ndarray  # (R,) criterion without its constant and without log|R'R|


def nested_order(terms: Sequence[Term]) -> tuple[int, ...] | None:
    """Indices of the terms from fine to coarse, if each nests in the next; None otherwise."""
    order = sorted(range(len(terms)), key=lambda i: -len(terms[i].levels))
    for fine, coarse in pairwise(order):
        pairs = terms[fine].codes * len(terms[coarse].levels) + terms[coarse].codes
        if len(np.unique(pairs)) != len(terms[fine].levels):
            return None
    return tuple(order)


def balanced_strata(design: Design) -> Strata | None:
    """The strata of a balanced nested design; None where the closed form does not hold."""
    nest = nested_order(design.terms)
    if nest is None:
        return None
    sizes = []
    for i in nest:
        counts = np.bincount(design.terms[i].codes)
        if np.ptp(counts):
            return None
        sizes.append(int(counts[0]))
    order = np.lexsort([design.terms[i].codes for i in nest]) if nest else np.arange(design.n)
    shares = _shares(design.Q[order], sizes)
    if shares is None:
        return None
    parts = []
    for C in shares:
        values, vectors = np.linalg.eigh(C)  # 0 or 1: where the fixed part splits, C is a projector
        parts.append(vectors[:, values > 0.5])
    ends = [design.n, *(design.n // s for s in sizes), 0]
    df = np.array([ends[j] - ends[j + 1] - parts[j].shape[1] for j in range(len(sizes) + 1)])
    return Strata(order=order, sorted_already=bool((order == np.arange(design.n)).all()), sizes=tuple(sizes),
                  terms=nest, df=df, C=np.array(shares), parts=tuple(parts))  # fmt: skip


def _shares(Q: np.ndarray, sizes: Sequence[int]) -> list[np.ndarray] | None:
    """Q'(projector of each stratum)Q, if the fixed part splits along the strata."""
    n, p = Q.shape
    projected = [Q]
    for size in sizes:
        means = Q.reshape(n // size, size, p).mean(axis=1)
        projected.append(np.repeat(means, size, axis=0))
    projected.append(np.zeros_like(Q))
    shares = []
    for finer, coarser in pairwise(projected):
        part = finer - coarser
        C = Q.T @ part
        if np.abs(part - Q @ C).max() > TINY:
            return None
        shares.append((C + C.T) / 2)
    return shares


def fit_strata(strata: Strata, Q: np.ndarray, Y: np.ndarray) -> StrataFits:
    """Closed-form REML of centred responses Y (n, R)."""
    b = Q.T @ Y
    sums, held = (Y if strata.sorted_already else Y[strata.order]), 1
    squares = [np.einsum("nr,nr->r", Y, Y)]
    for size in strata.sizes:
        sums = sums.reshape(-1, size // held, Y.shape[1]).sum(axis=1)
        held = size
        squares.append(np.einsum("nr,nr->r", sums, sums) / size)
    squares.append(np.zeros(Y.shape[1]))
    ss = np.empty((len(strata.df), Y.shape[1]))
    for j, part in enumerate(strata.parts):
        fixed = part.T @ b
        ss[j] = np.maximum(squares[j] - squares[j + 1] - np.einsum("jr,jr->r", fixed, fixed), 0.0)
    xi = isotonic(ss, strata.df)
    theta = np.empty_like(xi)
    theta[0] = xi[0]
    for j, (term, size) in enumerate(zip(strata.terms, strata.sizes, strict=True), start=1):
        theta[term + 1] = (xi[j] - xi[j - 1]) / size
    with np.errstate(divide="ignore", invalid="ignore"):
        D = (strata.df[:, None] * np.log(xi) + ss / xi).sum(axis=0)
    return StrataFits(ss=ss, xi=xi, theta=theta, coordinates=b, D=D)


def isotonic(ss: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Mean squares pooled so that they never fall along the first axis (max-min formula)."""
    k = len(df)
    total, weight = np.zeros((k + 1, ss.shape[1])), np.concatenate([[0.0], np.cumsum(df)])
    np.cumsum(ss, axis=0, out=total[1:])
    out = np.full_like(ss, -np.inf)
    for i in range(k):
        lowest = np.full(ss.shape[1], np.inf)
        for j in range(k - 1, i - 1, -1):
            pooled = (ss[i] / df[i]) if i == j else (total[j + 1] - total[i]) / (weight[j + 1] - weight[i])
            lowest = np.minimum(lowest, pooled)
            out[j] = np.maximum(out[j], lowest)
    return out


def strata_contrast(strata: Strata, fits: StrataFits, rows: np.ndarray, exact: bool) -> tuple[np.ndarray, np.ndarray]:
    """Variance and degrees of freedom (rows, R) of contrasts in orthonormal coordinates (rows, p).

    Kenward-Roger for such a design: its adjustment vanishes and df = v^2 / sum_j (c_j xi_j)^2 / d_j.
    ``exact`` takes the stratum's own mean square without pooling; a contrast in several strata
    has no exact test and gives NaN.
    """
    c = np.einsum("la,jab,lb->lj", rows, strata.C, rows)
    c[c < TINY * c.sum(axis=1, keepdims=True)] = 0.0
    if exact:
        alone = (c > 0).sum(axis=1) == 1
        v = c @ (fits.ss / strata.df[:, None])
        df = np.where(c > 0, strata.df, 0).sum(axis=1).astype(float)
        v[~alone], df[~alone] = np.nan, np.nan
        return v, np.repeat(df[:, None], v.shape[1], axis=1)
    v = c @ fits.xi
    return v, v**2 / ((c**2 / strata.df) @ fits.xi**2)
