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

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.batchchain import Chain, build_chain, chain_data, rough_start
from studykit.batchsearch import CHUNK, kenward_roger, solve
from studykit.batchstrata import Strata, StrataFits, balanced_strata, fit_strata, nested_order, strata_contrast
from studykit.errors import DesignMismatch, ModelNotTrusted
from studykit.reml import best_state
from studykit.remlblocks import Blocks, compress, with_data
from studykit.remlcore import State, check_information
from studykit.remldesign import Design, build_design
from studykit.remlresults import contrast_matrix
from studykit.smallsample import small_sample

METHODS = ("kenward-roger", "exact-stratum")


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
    _inner: object = field(repr=False)  # what contrasts need, by way


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
                   notes=design.notes, _design=design, _blocks=blocks, _strata=strata, _chain=chain)  # fmt: skip

    def fit(self, Y: np.ndarray) -> BatchFits:
        """Fit every column of Y (n, R), its rows in the order of the table.

        Raises DesignMismatch for missing or infinite values and for columns without scatter,
        ModelNotTrusted when a search does not settle.
        """
        Y = np.asarray(Y, dtype=float)
        if Y.ndim != 2 or Y.shape[0] != self.n or Y.shape[1] == 0:
            raise ValueError(f"Y must have shape ({self.n}, responses), but got {Y.shape}")
        centre = Y.mean(axis=0)
        Yc = Y - centre
        scale = np.sqrt(np.einsum("nr,nr->r", Yc, Yc) / self.n)
        self._check(Y, centre, scale)
        if self._strata is not None:
            theta, coordinates, D, inner, unit = self._closed(Yc)
        else:
            Yc /= scale
            unit = scale
            theta, coordinates, D, inner = self._nested(Yc) if self._chain is not None else self._general(Yc)
        return self._assembled(theta, coordinates, D, inner, centre, unit)

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
            v, df = strata_contrast(self._strata, fits._inner, rows, method == "exact-stratum")  # type: ignore[arg-type]
            if np.isnan(df).any():
                raise DesignMismatch(
                    "A contrast lies in several strata of the design (it compares containers and depths at once), "
                    "so it has no exact test; use kenward-roger."
                )
        else:
            v, df = self._spread(fits, rows)
        estimate, se = fits.beta @ matrix.T, (np.sqrt(v) * fits._scale).T
        if single:
            return BatchContrasts(estimate=estimate[:, 0], se=se[:, 0], df=df[0], method=method)
        return BatchContrasts(estimate=estimate, se=se, df=df.T, method=method)

    def _check(self, Y: np.ndarray, centre: np.ndarray, scale: np.ndarray) -> None:
        bad = np.flatnonzero(~np.isfinite(scale))
        if len(bad):
            raise DesignMismatch(
                f"{len(bad)} responses have missing or infinite values (first: column {bad[0]}). "
                "A batch takes complete columns only."
            )
        flat = np.flatnonzero(scale <= 1e-14 * np.maximum(np.abs(Y[0]), np.abs(centre)))
        if len(flat):
            raise DesignMismatch(
                f"{len(flat)} responses have all values equal (first: column {flat[0]}). "
                "Without any scatter nothing can be estimated."
            )

    def _closed(self, Yc: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, StrataFits, np.ndarray]:
        assert self._strata is not None
        found = fit_strata(self._strata, self._design.Q, Yc)
        none = np.flatnonzero(found.xi[0] <= 1e-20 * np.einsum("nr,nr->r", Yc, Yc))
        if len(none):
            raise DesignMismatch(
                f"In {len(none)} responses (first: column {none[0]}) repeated determinations agree to the last digit, "
                "so the residual scatter is zero."
            )
        return found.theta, found.coordinates, found.D, found, np.ones(Yc.shape[1])

    def _nested(self, Z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        chain, Q = self._chain, self._design.Q
        assert chain is not None
        start = rough_start(chain, self._design)
        nu, k, R = self.n - len(self.names), len(chain.terms), Z.shape[1]
        theta, b, D, gamma = np.empty((k + 1, R)), Q.T @ Z, np.empty(R), np.empty((k, R))
        for at in (slice(i, i + CHUNK) for i in range(0, R, CHUNK)):
            rest = Z[:, at] - Q @ b[:, at]
            point, settled = solve(chain, chain_data(chain, rest), start(rest))
            if not settled.all():
                raise ModelNotTrusted(
                    f"For response {at.start + int(np.flatnonzero(~settled)[0])} the likelihood search did not settle."
                )
            theta[0, at] = point.q / nu
            for j, term in enumerate(chain.terms):
                theta[term + 1, at] = point.gamma[j] * theta[0, at]
            b[:, at] += point.beta.T
            D[at] = point.D + nu * (1 - np.log(nu))
            gamma[:, at] = point.gamma
        return theta, b, D, gamma

    def _general(self, Z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[State]]:
        names = ("residual", *self.components[:-1])
        states = [
            best_state(with_data(self._blocks, np.column_stack([self._design.Q, z])), names)[0] for z in Z.T
        ]  # fmt: skip
        theta = np.array([s.theta for s in states]).T
        return theta, np.array([s.beta for s in states]).T, np.array([s.D for s in states]), states

    def _spread(self, fits: BatchFits, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Variance (in fitted units) and df of contrasts, (rows, R), where there is no closed form."""
        R = len(fits.beta)
        v, df = np.empty((len(rows), R)), np.empty((len(rows), R))
        if self._chain is not None:
            gamma: np.ndarray = fits._inner  # type: ignore[assignment]
            for at in (slice(i, i + CHUNK) for i in range(0, R, CHUNK)):
                v[:, at], df[:, at] = kenward_roger(self._chain, gamma[:, at], rows)
            return v * fits.variances[:, -1] / fits._scale**2, df
        for r, state in enumerate(fits._inner):  # type: ignore[attr-defined,var-annotated,arg-type]
            small = small_sample(state)
            g = np.einsum("la,iab,lb->li", rows, small.D1, rows)
            v[:, r] = np.einsum("la,ab,lb->l", rows, small.adjusted, rows)
            plain = np.einsum("la,ab,lb->l", rows, small.Phi, rows)
            df[:, r] = 2 * plain**2 / np.einsum("li,ij,lj->l", g, small.W, g)
        return v, df

    def _assembled(self, theta: np.ndarray, coordinates: np.ndarray, D: np.ndarray, inner: object,
                   centre: np.ndarray, unit: np.ndarray) -> BatchFits:  # fmt: skip
        beta = (np.linalg.solve(self._design.R, coordinates) * unit).T
        beta[:, 0] += centre
        ordered = np.concatenate([theta[1:], theta[:1]]).T
        logdet = 2 * float(np.log(np.abs(np.diag(self._design.R))).sum())
        nu = self.n - len(self.names)
        return BatchFits(names=self.names, components=self.components, beta=beta, variances=ordered * unit[:, None] ** 2,
                         at_zero=ordered == 0, criterion=D + logdet + nu * np.log(2 * np.pi * unit**2), way=self.way,
                         _scale=unit, _inner=inner)  # fmt: skip
