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

    load (n, q): how a row's residual enters its own container's part; code (n,): container of each row. own (m, q, q):
    load'load; across (m, q, q): X'load; late (m, q): g'load and reach (m, q): X'g, with g the rows' times as shares of the
    latest. unit (q, q): (X'X)^-1; growing (q, q): X'WX under scatter that grows. growth: how much it grows.
    """

    load: Array
    code: NDArray[np.intp]
    own: Array
    across: Array
    late: Array
    reach: Array
    unit: Array
    growing: Array
    growth: float

    def parts(self, rest: Array) -> Array:
        """Parts (S, m, q) of residuals (S, n)."""
        m = len(self.own)
        return np.stack([_sums(self.code, r[:, None] * self.load, m) for r in rest])

    def sums(self, L: Array) -> tuple[Array, Array]:
        """Trace and sum of squares (2, T) of the parts' covariance for combinations L (T, q)."""
        found = [self._sums_of(x) for x in L]
        trace, squares = (np.array([[f[k][w] for f in found] for w in (0, 1)]) for k in (0, 1))
        return trace, squares

    def _sums_of(self, x: Array) -> tuple[tuple[float, float], tuple[float, float]]:
        d = np.einsum("q,mqr,r->m", x, self.own, x)
        p, e = self.across @ x, self.late @ x
        er = e[:, None] * self.reach
        inner = self.unit @ (self.reach.T @ self.reach) @ self.unit
        # equal scatter: diag(d) - p unit p'; growing: and growth (diag(e^2) - e r unit p' - p unit (e r)' + p inner p')
        q = len(x)
        zero = np.zeros((q, q))
        equal = np.block([[-self.unit, zero], [zero, zero]])
        grown = np.block([[-self.unit + self.growth * inner, -self.growth * self.unit], [-self.growth * self.unit, zero]])
        P = np.hstack([p, er])
        both = [_trace_and_squares(d, P, equal), _trace_and_squares(d + self.growth * e**2, P, grown)]
        return (both[0][0], both[1][0]), (both[0][1], both[1][1])


def _trace_and_squares(d: Array, P: Array, C: Array) -> tuple[float, float]:
    """Trace and sum of squares of diag(d) + P C P'."""
    low = np.einsum("mi,ij,mj->m", P, C, P)
    cross = C @ (P.T @ P)
    return float(d.sum() + low.sum()), float((d**2).sum() + 2 * (d * low).sum() + np.einsum("ij,ji->", cross, cross))


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
    g = X[:, -1] / np.abs(X[:, -1]).max()
    outer = load[:, :, None] * load[:, None, :], X[:, :, None] * load[:, None, :]
    reach = _sums(code, X * g[:, None], m)
    return Clusters(load=load, code=code, own=_sums(code, outer[0], m), across=_sums(code, outer[1], m),
                    late=_sums(code, load * g[:, None], m), reach=reach, unit=unit,
                    growing=X.T @ X + growth * reach.T @ reach, growth=growth)


__all__ = ["MANY", "Clusters", "clusters_of"]
