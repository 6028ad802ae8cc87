"""Least squares of containers' own differences on columns of time: estimate, standard error and df at any time.

One row is one container at one visit: its own difference between depths, on the scale of the margin. Containers are
independent, so nothing is assumed of the covariance across depths or across the visits of one container. Two readings:

* 'own': the bias-reduced cluster sandwich CR2, container = cluster, working model = equal independent scatter (Bell &
  McCaffrey 2002, Surv. Methodol. 28:169; Pustejovsky & Tipton 2018, J. Bus. Econ. Stat. 36:672). With the same visits
  for all containers and none lost it is the exact t test of the containers' own slopes. Containers opened once each have
  no scatter of their own to go by, and theirs may grow with age because each settles at its own rate: so the smaller of
  Satterthwaite's df under equal scatter and under scatter that grows with g is taken, and the standard error is
  raised where CR2 would be too small under the latter (docs/operating.md holds coverage by simulation).
* 'equal': ordinary least squares with one scatter for all rows, as ICH Q1E (2003) takes it; for rows that are
  independent of one another. It is what the preliminary tests of pooling rest on.

Shapes: S sets of values on one layout, n rows, q columns, T combinations of the coefficients.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.ageing.clusters import MANY, Clusters, clusters_of
from studykit.core.errors import DesignMismatch
from studykit.inference.contrasts import inverse_root

Array = NDArray[np.float64]
Scatter = Literal["own", "equal"]
MOST_GROWTH = 4.0
"""Variance that grows with age, at the oldest age, in multiples of what does not: the smallest with which simulated
coverage stayed at 94 % or above, from none to all of the scatter growing (6 to 24 containers opened once each)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Estimates and standard errors (S, T) with degrees of freedom (T,); NaN where they cannot be judged."""

    estimate: Array
    se: Array
    df: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Fitted lines: coefficients (S, q), their covariance (S, q, q), and what the degrees of freedom follow from.

    ``gram`` (2, m, m, q, q): covariance of the clusters' parts under equal scatter and under scatter that grows with
    time (of ``MANY`` containers and more as ``Clusters``), None for the reading 'equal'; ``unit`` (2, q, q): covariance of
    the coefficients under the same two.
    """

    beta: Array
    covariance: Array
    unit: Array
    gram: Array | Clusters | None
    df_rest: int
    scatter: Array  # (S,) residual mean square
    rows: Callable[[Array], Reading] | None = None  # reads combinations in place of what stands above

    def some(self, of: NDArray[np.bool_]) -> Lines:
        """The lines of some sets of values alone; of (S,)."""
        def rows(L: Array) -> Reading:
            found = self.at(L)
            return Reading(estimate=found.estimate[of], se=found.se[of], df=found.df)

        return replace(self, beta=self.beta[of], covariance=self.covariance[of], scatter=self.scatter[of],
                       rows=None if self.rows is None else rows)

    def at(self, rows: ArrayLike) -> Reading:
        """Combinations of the coefficients, rows (T, q)."""
        L = np.atleast_2d(np.asarray(rows, dtype=float))
        if self.rows is not None:
            return self.rows(L)
        variance = np.maximum(np.einsum("tq,sqr,tr->st", L, self.covariance, L), 0.0)
        if self.gram is None:
            return Reading(estimate=self.beta @ L.T, se=np.sqrt(variance), df=np.full(len(L), float(self.df_rest)))
        if isinstance(self.gram, Clusters):
            trace, squares = self.gram.sums(L)
        else:
            parts = np.einsum("tq,wijqr,tr->wtij", L, self.gram, L, optimize=True)
            trace, squares = np.einsum("wtii->wt", parts), (parts**2).sum(axis=(2, 3))
        promised = np.einsum("tq,wqr,tr->wt", L, self.unit, L)
        with np.errstate(all="ignore"):
            df = np.nanmin(trace**2 / squares, axis=0)
            raised = np.fmax(1.0, promised[1] / trace[1])
        good = (np.abs(trace[0] - promised[0]) < 1e-6 * promised[0]) & (df >= 1 - 1e-6)
        return Reading(estimate=self.beta @ L.T, se=np.where(good, np.sqrt(variance * raised), np.nan),
                       df=np.where(good, df, np.nan))


def fit_lines(values: ArrayLike, columns: ArrayLike, units: ArrayLike, scatter: Scatter = "own") -> Lines:
    """Fit S sets of values (S, n) or one (n,) on columns (n, q); ``units`` (n,) names the container of each row.

    DesignMismatch where the columns are not independent or leave no scatter.
    """
    d, X = np.atleast_2d(np.asarray(values, dtype=float)), np.asarray(columns, dtype=float)
    n, q = X.shape
    size = np.sqrt((X**2).sum(axis=0))
    if n <= q or not size.all() or np.linalg.matrix_rank(X / size, tol=1e-8) < q:
        raise DesignMismatch(f"{n} own differences at these ages cannot carry {q} coefficients: more containers, or more ages.")
    unit = np.linalg.inv(X.T @ X)
    beta = d @ X @ unit
    rest = d - beta @ X.T
    square = (rest**2).sum(axis=1) / (n - q)
    if scatter == "equal":
        return Lines(beta=beta, covariance=square[:, None, None] * unit, unit=unit[None], gram=None, df_rest=n - q,
                     scatter=square)
    code = np.unique(units, return_inverse=True)[1]
    gram: Array | Clusters
    if int(code.max()) + 1 >= MANY:
        many = clusters_of(X, unit, code, MOST_GROWTH)
        parts, gram, both = many.parts(rest), many, np.stack([unit, unit @ many.growing @ unit])
        covariance = np.swapaxes(parts, 1, 2) @ parts
    else:
        loads, gram, both = _layout(X.tobytes(), X.shape, tuple(code.tolist()))
        parts = np.einsum("sn,mnq->smq", rest, loads)
        covariance = np.einsum("smq,smr->sqr", parts, parts)
    return Lines(beta=beta, covariance=covariance, df_rest=n - q, scatter=square, unit=both, gram=gram)


@lru_cache(maxsize=64)
def _layout(columns: bytes, shape: tuple[int, int], units: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """What follows from columns and containers alone: ``_clusters``, and the coefficients' covariance under both models."""
    X: Array = np.frombuffer(columns, dtype=np.float64).reshape(shape)
    code = np.array(units, dtype=np.intp)
    unit = np.asarray(np.linalg.inv(X.T @ X), float)
    late = X[:, -1] / np.abs(X[:, -1]).max()
    growing = np.asarray(np.eye(len(X)) + MOST_GROWTH * (code[:, None] == code) * np.outer(late, late), float)
    loads, gram = _clusters(X, unit, code, growing)
    return loads, gram, np.stack([unit, unit @ X.T @ growing @ X @ unit])


def _clusters(X: Array, unit: Array, code: NDArray[np.intp], growing: Array) -> tuple[Array, Array]:
    """How residuals enter each cluster's part, (m, n, q), and the covariance of the parts under both working models."""
    n, q = X.shape
    hat = X @ unit @ X.T
    loads = np.zeros((int(code.max()) + 1, n, q))
    for m in range(len(loads)):
        own = np.flatnonzero(code == m)
        loads[m, own] = inverse_root(np.eye(len(own)) - hat[np.ix_(own, own)]) @ X[own] @ unit
    made = loads - np.einsum("nk,mkq->mnq", hat, loads)
    return loads, np.stack([np.einsum("inq,jnr->ijqr", made, w @ made, optimize=True) for w in (np.eye(n), growing)])
