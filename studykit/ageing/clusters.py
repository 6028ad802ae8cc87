"""Containers' parts in the scatter of a line, of many containers: a few numbers each, never containers x containers.

With a_i the load of container i's residuals and H the projection on the columns, the parts' covariance is
a_i'(I - H) W (I - H) a_j: diagonal but for q columns where W = I, and for 2 q more where the scatter grows with time.
Its trace and its sum of squares are therefore linear in the number of containers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.inference.contrasts import inverse_root

Array = NDArray[np.float64]
MANY = 150
"""Containers from which their parts are held in this way; below it as the matrices of ``lines``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clusters:
    """Parts of m containers in lines of q coefficients over n rows.

    load (n, q): how a row's residual enters its own container's part; code (n,): container of each row. unit (q, q):
    (X'X)^-1; growing (q, q): X'WX under scatter that grows; models: of equal scatter, and of scatter that grows.
    """

    load: Array
    code: NDArray[np.intp]
    unit: Array
    growing: Array
    models: tuple[_Forms, _Forms]

    def parts(self, rest: Array) -> Array:
        """Parts (S, m, q) of residuals (S, n)."""
        order = np.argsort(self.code, kind="stable")
        starts = np.flatnonzero(np.diff(self.code[order], prepend=-1))
        return np.stack([np.add.reduceat((rest * load)[:, order], starts, axis=1) for load in self.load.T], axis=-1)

    def sums(self, L: Array) -> tuple[Array, Array]:
        """Trace and sum of squares (2, T) of the parts' covariance for combinations L (T, q)."""
        found = [model.sums(L) for model in self.models]
        return np.stack([trace for trace, _ in found]), np.stack([squares for _, squares in found])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Forms:
    """Of diag(x'A_i x) + (B_i x)'C (B_j x) over the containers i, j: its trace and sum of squares as forms in x.

    trace (q, q); squares (q^2, q^2), for the products of two elements of x; cross (Q, Q, q, q): sum of B_i (x) B_i.
    """

    trace: Array
    squares: Array
    cross: Array
    C: Array

    def sums(self, L: Array) -> tuple[Array, Array]:
        """Trace and sum of squares (T,) for combinations L (T, q)."""
        twice = (L[:, :, None] * L[:, None, :]).reshape(len(L), -1)
        spread = self.C @ np.einsum("uvab,ta,tb->tuv", self.cross, L, L, optimize=True)
        squares = np.einsum("ti,ij,tj->t", twice, self.squares, twice, optimize=True)
        return twice @ self.trace.ravel(), squares + np.einsum("tuv,tvu->t", spread, spread)


def _forms(A: Array, B: Array, C: Array) -> _Forms:
    """The forms of A (m, q, q), B (m, Q, q) and C (Q, Q)."""
    (m, Q, q), low = B.shape, np.einsum("mua,uv,mvb->mab", B, C, B, optimize=True)
    a, flat = A.reshape(m, -1), B.reshape(m, -1)
    return _Forms(trace=(A + low).sum(axis=0), squares=a.T @ (a + 2 * low.reshape(m, -1)), C=C,
                  cross=(flat.T @ flat).reshape(Q, q, Q, q).transpose(0, 2, 1, 3))


def _sums(code: NDArray[np.intp], rows: Array, m: int) -> Array:
    """Rows (n, ...) added up by container, (m, ...)."""
    out = np.zeros((m, *rows.shape[1:]))
    np.add.at(out, code, rows)
    return out


def clusters_of(X: Array, unit: Array, code: NDArray[np.intp], growth: float) -> Clusters:
    """The parts of a layout: columns X (n, q), (X'X)^-1, container of each row, growth of the scatter with time."""
    m, load = int(code.max()) + 1, np.zeros_like(X)
    count, order = np.bincount(code, minlength=m), np.argsort(code, kind="stable")
    starts = np.cumsum(count) - count
    for size in np.unique(count):
        at = order[starts[count == size][:, None] + np.arange(size)]  # rows of the containers of that many rows
        own = X[at]
        root = inverse_root(np.eye(size) - own @ unit @ np.swapaxes(own, 1, 2))
        load[at] = root @ own @ unit
    own, across = (_sums(code, part[:, :, None] * load[:, None, :], m) for part in (load, X))
    g = X[:, -1] / np.abs(X[:, -1]).max()  # the rows' times as shares of the latest
    late, reach = _sums(code, load * g[:, None], m), _sums(code, X * g[:, None], m)
    # with p = across x and e = late x, equal scatter: diag(x'own x) - p'unit p; growing adds, growth times,
    # diag(e^2) - e reach'unit p - p'unit reach e + p'unit reach reach'unit p
    inner, zero = unit @ (reach.T @ reach) @ unit, np.zeros_like(unit)
    grown = np.block([[-unit + growth * inner, -growth * unit], [-growth * unit, zero]])
    both = np.concatenate([across, reach[:, :, None] * late[:, None, :]], axis=1)
    return Clusters(load=load, code=code, unit=unit, growing=X.T @ X + growth * reach.T @ reach, models=(
        _forms(own, across, -unit), _forms(own + growth * late[:, :, None] * late[:, None, :], both, grown)))


__all__ = ["MANY", "Clusters", "clusters_of"]
