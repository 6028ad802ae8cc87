"""The mixed model of reml.py for thousands of responses of one design at once.

For simulations and for many analytes. Three ways to the same estimates, chosen by the design:

balanced  every level of every term holds the same number of rows, terms nest, and the fixed
          effects split along the strata: closed form (batchstrata.py).
nested    terms nest, anything may be missing: Newton on cell means for all responses together
          (batchchain.py, batchsearch.py).
general   crossed terms: the search of reml.py, one response after the other.

Estimates and contrasts equal those of ``fit_reml`` (to 1e-8 of the standard deviation of a response).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from studykit.core.errors import DesignMismatch, ModelNotTrusted
from studykit.mixed.batch.chain import Chain, build_chain, chain_data, point_at, rough_start
from studykit.mixed.batch.newton import CHUNK, kenward_roger, solve
from studykit.mixed.batch.strata import Strata, balanced_strata, fit_strata, nested_order, strata_contrast
from studykit.mixed.blocks import Blocks, compress, with_data
from studykit.mixed.denominator import small_sample
from studykit.mixed.design import Design, build_design
from studykit.mixed.fit import best_state
from studykit.mixed.likelihood import check_information
from studykit.mixed.results import contrast_matrix
from studykit.mixed.slopes import roots_of

METHODS = ("kenward-roger", "exact-stratum")


class _Part(NamedTuple):
    """Fits of one run of columns, responses on the last axis."""

    theta: np.ndarray  # residual first
    coordinates: np.ndarray
    D: np.ndarray
    centre: np.ndarray
    unit: np.ndarray
    inner: object


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFits:
    """Estimates for R responses."""

    names: tuple[str, ...]  # p coefficients
    components: tuple[str, ...]  # random terms, then "residual"
    beta: np.ndarray  # (R, p) unit of the response
    variances: np.ndarray  # (R, k+1) unit squared
    at_zero: np.ndarray  # (R, k+1) bool
    criterion: np.ndarray  # (R,) -2 log restricted likelihood
    way: str  # "balanced", "nested" or "general"
    _scale: np.ndarray = field(repr=False)  # (R,)
    _inner: tuple[object, ...] = field(repr=False)  # what contrasts need, one entry per run of columns


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchContrasts:
    """One contrast of every response (R,), or several (R, rows)."""

    estimate: np.ndarray
    se: np.ndarray  # standard error for a t statistic on ``df``
    df: np.ndarray
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchDesign:
    """A design that is fitted to many responses."""

    names: tuple[str, ...]
    components: tuple[str, ...]
    n: int
    way: str
    notes: tuple[str, ...]
    _design: Design = field(repr=False)
    _blocks: Blocks = field(repr=False)
    _strata: Strata | None = field(repr=False)
    _chain: Chain | None = field(repr=False)
    _start: Callable[[np.ndarray], np.ndarray] | None = field(repr=False)

    @classmethod
    def from_table(cls, table: pd.DataFrame, fixed: Sequence[str] = (), random: Sequence[str] = ()) -> BatchDesign:
        """The design of the rows of a table; same rules, names and refusals as ``fit_reml``."""
        design = build_design(table, fixed, random)
        blocks = compress([t.codes for t in design.terms], np.column_stack([design.Q, np.zeros(design.n)]))
        check_information(blocks, ("residual", *(t.name for t in design.terms)))
        strata, nest = balanced_strata(design), nested_order(design.terms)
        chain = build_chain(design, nest) if strata is None and nest else None
        way = "balanced" if strata is not None else "nested" if chain is not None else "general"
        return cls(names=design.names, components=(*(t.name for t in design.terms), "residual"), n=design.n, way=way,
                   notes=design.notes, _design=design, _blocks=blocks, _strata=strata, _chain=chain,
                   _start=rough_start(chain, design) if chain is not None else None)  # fmt: skip

    def fit(self, Y: np.ndarray) -> BatchFits:
        """Fit every column of Y (n, R), its rows in the order of the table.

        Raises DesignMismatch for missing or infinite values and for columns without scatter,
        ModelNotTrusted when a search does not settle.
        """
        Y = np.asarray(Y, dtype=float)
        if Y.ndim != 2 or Y.shape[0] != self.n or Y.shape[1] == 0:
            raise ValueError(f"Y must have shape ({self.n}, responses), but got {Y.shape}")
        parts = [self._part(Y[:, i : i + CHUNK], i) for i in range(0, Y.shape[1], CHUNK)]
        return self._assembled(parts)

    def contrast(
        self, fits: BatchFits, L: Sequence[float] | np.ndarray, method: str = "kenward-roger"
    ) -> BatchContrasts:
        """Estimates, standard errors and degrees of freedom of contrasts L, (p,) or (rows, p).

        "kenward-roger" as in ``fit.test`` of reml.py, each row by itself. "exact-stratum" (balanced
        designs, contrasts within one stratum) divides by the stratum's own mean square, also where
        that is smaller than those below it: the exact t of analysis of variance.
        """
        if method not in METHODS:
            raise ValueError(f"method must be one of {', '.join(METHODS)}, but got {method!r}")
        matrix, single = contrast_matrix(L, self.names, independent=False)
        rows = np.linalg.solve(self._design.R.T, matrix.T).T
        if method == "exact-stratum" and self._strata is None:
            raise DesignMismatch("Only a balanced nested design has exact strata; use kenward-roger for this one.")
        if self._strata is not None:
            v, df = self._closed(fits, rows, method == "exact-stratum")
        else:
            v, df = self._spread(fits, rows)
        estimate, se = fits.beta @ matrix.T, (np.sqrt(v) * fits._scale).T
        if single:
            return BatchContrasts(estimate=estimate[:, 0], se=se[:, 0], df=df[0], method=method)
        return BatchContrasts(estimate=estimate, se=se, df=df.T, method=method)

    def _part(self, Y: np.ndarray, first: int) -> _Part:
        """Fit some columns, the first of which is the response number ``first``."""
        centre = Y.mean(axis=0)
        Z = Y - centre
        scale = np.sqrt(np.einsum("nr,nr->r", Z, Z) / self.n)
        _usable(centre, scale, first)
        if self._strata is not None:
            found = fit_strata(self._strata, self._design.Q, Z)
            _refuse(found.xi[0] <= 1e-20 * scale**2, first, "repeated determinations agree to the last digit, so the "
                    "residual scatter is zero")  # fmt: skip
            return _Part(found.theta, found.coordinates, found.D, centre, np.ones_like(scale), found)
        Z /= scale
        if self._chain is not None:
            return self._nested(Z, centre, scale, first)
        names = ("residual", *self.components[:-1])
        states = [best_state(with_data(self._blocks, np.column_stack([self._design.Q, z])), names)[0] for z in Z.T]
        theta, beta = np.array([s.theta for s in states]).T, np.array([s.beta for s in states]).T
        return _Part(theta, beta, np.array([s.D for s in states]), centre, scale, states)

    def _nested(self, Z: np.ndarray, centre: np.ndarray, scale: np.ndarray, first: int) -> _Part:
        chain, Q = self._chain, self._design.Q
        assert chain is not None
        assert self._start is not None
        b = Q.T @ Z
        rest = Z - Q @ b
        _refuse(np.einsum("nr,nr->r", rest, rest) < 1e-20 * self.n, first, "the fixed part reproduces every value")
        data = chain_data(chain, rest)
        point, settled = solve(chain, data, self._start(rest))
        if not settled.all():  # a few in a thousand: the search of reml.py, one by one, gives their ratios
            late = np.flatnonzero(~settled)
            gamma = point.gamma.copy()
            gamma[:, late] = np.column_stack([self._ratios(Z[:, r], first + int(r)) for r in late])
            point = point_at(chain, data, gamma)
        nu = self.n - len(self.names)
        theta = np.empty((len(self.components), Z.shape[1]))
        theta[0] = point.q / nu
        for j, term in enumerate(chain.terms):
            theta[term + 1] = point.gamma[j] * theta[0]
        return _Part(theta, b + point.beta.T, point.D + nu * (1 - np.log(nu)), centre, scale, point.gamma)

    def _ratios(self, z: np.ndarray, which: int) -> np.ndarray:
        """Variances over the residual variance, in the order of the chain, by the single search."""
        assert self._chain is not None
        names = ("residual", *self.components[:-1])
        blocks = compress([t.codes for t in self._design.terms], np.column_stack([self._design.Q, z]))
        try:
            theta = best_state(blocks, names)[0].theta
        except ModelNotTrusted as error:
            raise ModelNotTrusted(f"Response {which} (counted from 0): {error}") from None
        return np.array([theta[term + 1] / theta[0] for term in self._chain.terms])

    def _spread(self, fits: BatchFits, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Variance (in fitted units) and df of contrasts, (rows, R), where there is no closed form."""
        v, df = np.empty((2, len(rows), len(fits.beta)))
        if self._chain is not None:
            for part, at in zip(fits._inner, _slices(fits), strict=True):
                v[:, at], df[:, at] = kenward_roger(self._chain, part, rows)  # type: ignore[arg-type]
            return v * fits.variances[:, -1] / fits._scale**2, df
        for r, state in enumerate(s for part in fits._inner for s in part):  # type: ignore[attr-defined]
            small = small_sample(state, roots_of(len(state.theta) - 1, ()))
            g = np.einsum("la,iab,lb->li", rows, small.D1, rows)
            v[:, r] = np.einsum("la,ab,lb->l", rows, small.adjusted, rows)
            plain = np.einsum("la,ab,lb->l", rows, small.Phi, rows)
            df[:, r] = 2 * plain**2 / np.einsum("li,ij,lj->l", g, small.W, g)
        return v, df

    def _closed(self, fits: BatchFits, rows: np.ndarray, exact: bool) -> tuple[np.ndarray, np.ndarray]:
        assert self._strata is not None
        parts = [strata_contrast(self._strata, part, rows, exact) for part in fits._inner]  # type: ignore[arg-type]
        v, df = (np.concatenate(a, axis=1) for a in zip(*parts, strict=True))
        if np.isnan(df).any():
            raise DesignMismatch(
                "A contrast lies in several strata of the design (it compares containers and depths at once), "
                "so it has no exact test; use kenward-roger."
            )
        return v, df

    def _assembled(self, parts: list[_Part]) -> BatchFits:
        theta, coordinates, D, centre, unit = (
            np.concatenate([getattr(part, f) for part in parts], axis=-1) for f in _Part._fields[:5]
        )
        beta = (np.linalg.solve(self._design.R, coordinates) * unit).T
        beta[:, 0] += centre
        ordered = np.concatenate([theta[1:], theta[:1]]).T
        logdet = 2 * float(np.log(np.abs(np.diag(self._design.R))).sum())
        nu = self.n - len(self.names)
        return BatchFits(
            names=self.names, components=self.components, beta=beta, variances=ordered * unit[:, None] ** 2,
            at_zero=ordered == 0, criterion=D + logdet + nu * np.log(2 * np.pi * unit**2), way=self.way,
            _scale=unit, _inner=tuple(part.inner for part in parts),
        )  # fmt: skip


def _slices(fits: BatchFits) -> list[slice]:
    return [slice(i, i + CHUNK) for i in range(0, len(fits.beta), CHUNK)]


def _usable(centre: np.ndarray, scale: np.ndarray, first: int) -> None:
    _refuse(~np.isfinite(scale), first, "values are missing or infinite")
    flat = scale <= 1e-14 * np.abs(centre)
    _refuse(flat, first, "all values are equal, and without any scatter nothing can be estimated")


def _refuse(bad: np.ndarray, first: int, reason: str) -> None:
    if bad.any():
        column = first + int(np.flatnonzero(bad)[0])
        raise DesignMismatch(f"Response {column} (counted from 0) cannot be fitted: {reason}.")
