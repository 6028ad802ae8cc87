"""Quadratic forms of many containers: blocks of one container each and a few vectors, never containers x containers.

The sum of squares about a fitted profile is Q = diag(B_1 .. B_n) + P C P' with blocks B_i of one container's readings and P
of a handful of columns. All that a bound needs of it (products, diagonal, a bound of the largest eigenvalue) is linear in n.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.inference.contrasts import Array, centring, common_mean, inverse_root

MANY = 150
"""Containers from which a form is held in this way; below it as a matrix."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """Q = blocks + P C P' over m readings: ``blocks`` (n, k, k), ``at`` (m,) each reading's place among the n k, P (m, p)."""

    blocks: Array
    at: NDArray[np.intp]
    P: Array
    C: Array
    __array_ufunc__ = None  # so that an array on the left leaves the product to this class

    def __rmatmul__(self, x: Array) -> Array:
        """x Q, which is symmetric."""
        return self @ x

    def __matmul__(self, x: Array) -> Array:
        """Q x."""
        n, k, _ = self.blocks.shape
        full = np.zeros(n * k)
        full[self.at] = x
        within = np.einsum("nij,nj->ni", self.blocks, full.reshape(n, k)).ravel()[self.at]
        return np.asarray(within + self.P @ (self.C @ (self.P.T @ x)))

    def diagonal(self) -> Array:
        """The diagonal of Q; a reading of which it is 0 has no part in Q."""
        own = np.einsum("nii->ni", self.blocks).ravel()[self.at]
        return np.asarray(own + np.einsum("mi,ij,mj->m", self.P, self.C, self.P))

    def of(self, keep: NDArray[np.intp], scale: Array | None = None) -> Form:
        """Q of some readings, rows and columns multiplied by ``scale``."""
        n, k, _ = self.blocks.shape
        by = np.zeros(n * k)
        by[self.at[keep]] = 1.0 if scale is None else scale
        by = by.reshape(n, k)
        P = self.P[keep] if scale is None else self.P[keep] * scale[:, None]
        return Form(blocks=self.blocks * by[:, :, None] * by[:, None], at=self.at[keep], P=P, C=self.C)

    def top(self) -> float:
        """No less than the largest eigenvalue: that of the blocks, and that of P C P' where it is positive."""
        rest = float(np.linalg.eigvals(self.C @ (self.P.T @ self.P)).real.max(initial=0.0))
        return float(np.linalg.eigvalsh(self.blocks).max(initial=0.0)) + max(0.0, rest) * (1 + 1e-9)

    def dense(self) -> Array:
        """Q as a matrix."""
        n, k, _ = self.blocks.shape
        whole = np.zeros((n * k, n * k))
        for i, block in enumerate(self.blocks):
            whole[i * k:(i + 1) * k, i * k:(i + 1) * k] = block
        return np.asarray(whole[np.ix_(self.at, self.at)] + self.P @ self.C @ self.P.T)


def mean_form(n: int, over: float = 1.0) -> Array | Form:
    """The form by which n numbers scatter about their mean, the squared standard deviation, divided by ``over``."""
    if n <= MANY:
        return np.asarray((np.eye(n) - np.full((n, n), 1 / n)) / (n - 1) / over)
    each = 1 / (n - 1) / over
    return Form(blocks=np.full((n, 1, 1), each), at=np.arange(n), P=np.ones((n, 1)), C=np.array([[-each / n]]))


def own_form(w: Array) -> tuple[Form, float]:
    """The form of n differences with these weights, and its degrees of freedom (as ``bounded._own_form``, in n steps).

    Rows u_i = s_i (e_i - w), s_i = w_i / sqrt(1 + w'w - 2 w_i); (u_i'u_j) = s_i s_j (w'w - w_i - w_j) for i not j.
    """
    unit, n = float(w @ w), w.size
    square = w**2 / (1 + unit - 2 * w)
    form = Form(blocks=square.reshape(n, 1, 1), at=np.arange(n), P=np.column_stack([square, w]),
                C=np.array([[0.0, -1.0], [-1.0, square.sum()]]))
    s0, s1, s2 = square.sum(), float(square @ w), float(square @ w**2)
    every = unit**2 * s0**2 - 4 * unit * s0 * s1 + 2 * s0 * s2 + 2 * s1**2
    own = float((square**2 * ((1 + unit - 2 * w) ** 2 - (unit - 2 * w) ** 2)).sum())
    return form, float((square @ (1 + unit - 2 * w)) ** 2 / (every + own))


def linked_form(ok: NDArray[np.bool_], row: Array, Z: Array) -> tuple[Array, Form]:
    """Weights and form of the readings that are there (as ``bounded._linked_form``): rows over blocks less a common part."""
    n, k = ok.shape
    q, a = Z.shape[1], Z.mean(axis=0)
    M = centring(ok[None])[0]
    load = np.concatenate([a[b] * row for b in range(q)])
    cross = np.einsum("ia,ib,ijl->ajbl", Z, Z, M).reshape(q * k, q * k)  # X'MX
    inverse = np.linalg.pinv(cross, rcond=1e-9, hermitian=True)
    common = common_mean(inverse, Z)
    spread = common + common.T - common @ cross @ common.T
    XM = np.einsum("ib,ijl->ibjl", Z, M).reshape(n, q * k, k)  # X_i'M_i
    left = M - np.einsum("iaj,ab,ibl->ijl", XM, spread, XM)
    c = np.einsum("a,iaj->ij", load @ inverse, XM)
    c = np.einsum("ij,ijl->il", c, inverse_root(left))
    own = np.einsum("ij,ijl->il", c, M)  # row i: own_i in its block, less g_i'H
    g = np.einsum("ij,iaj->ia", c, XM) @ common
    H = XM.transpose(1, 0, 2).reshape(q * k, n * k)
    blocks = np.einsum("ij,il->ijl", own, own)
    part = np.einsum("ij,ia->ija", own, g).reshape(n * k, q * k)
    eye, zero = np.eye(q * k), np.zeros((q * k, q * k))
    cells = np.flatnonzero(ok.ravel())
    form = Form(blocks=blocks, at=cells, P=np.hstack([part, H.T])[cells], C=np.block([[zero, -eye], [-eye, g.T @ g]]))
    return ((load @ inverse) @ H)[cells], form


__all__ = ["MANY", "Form", "linked_form", "mean_form", "own_form"]
