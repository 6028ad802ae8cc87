"""One linear mixed model, fitted by restricted maximum likelihood (REML), with small-sample tests.

The model.  y = X b + Z_1 u_1 + ... + Z_k u_k + e, for n determinations y of one analyte.
    X   n x p, the fixed effects: an intercept, depth, and what else is named (age, lot, ...).
    Z_i n x L_i, one column for each level of the i-th random term (a container; a depth within
        a container; a laboratory run); u_i ~ N(0, theta_i I), independent; e ~ N(0, theta_0 I).
    Var(y) = V = sum_i theta_i G_i with G_0 = I and G_i = Z_i Z_i': linear in the variances.
    Terms may nest (container, container:depth) or cross (container, run).

Estimates.  With P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1, the variances theta >= 0 minimise
    D = -2 log L_R = log|V| + log|X'V^-1 X| + y'P y + (n - p) log 2 pi
    (Patterson & Thompson 1971, Biometrika 58:545; Harville 1977, JASA 72:320): the likelihood of
    what is left of the data when the fixed effects are taken out, so that variances are not
    biased low by the coefficients that were fitted.  Then b = (X'V^-1 X)^-1 X'V^-1 y with plain
    covariance Phi = (X'V^-1 X)^-1.  ``criterion`` is D at the minimum, as other programs define it.
    Derivatives: dD/dtheta_i = tr(P G_i) - y'P G_i P y; expected information E_ij = tr(P G_i P G_j);
    average information A_ij = y'P G_i P G_j P y; second derivatives 2A - E.  Newton steps from two
    starts, bounded at zero, on standardised data (likelihood.py); V by blocks (blocks.py).

A variance may be estimated as exactly zero: the data then show no more scatter between those
    levels than the terms below already explain.  ``at_zero`` names such terms.  It does not mean
    that the true variance is zero: ``profile_upper`` says how large it could be.

Tests.  An estimate is compared with a t or F distribution on few degrees of freedom, because the
    variances come from few containers.  Default: Kenward & Roger 1997 (Biometrics 53:983), which
    keeps components at zero in the information; so a contrast between depths is judged by the
    scatter between containers' depth profiles also when that is estimated as zero, and errs
    towards caution there.  Also: Satterthwaite 1946 with the observed information and the
    several-row form of Fai & Cornelius 1996.  Formulas and sources in denominator.py; both as in
    Halekoh & Hojsgaard 2014 (J. Stat. Softw. 59(9)) and Kuznetsova, Brockhoff & Christensen 2017
    (J. Stat. Softw. 82(13)).

Coding.  Numeric columns enter as they are; all others are categories in their declared order, or
    else sorted as text, the first level being the reference.  Names of coefficients:
    "Intercept", "age_months", "depth[middle]", "depth[middle]:age_months".  "a:b" in the fixed part
    is the interaction alone; its main effects must be listed too.

Not here: unequal residual variances, values below quantification.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import optimize, stats

from studykit.core.errors import DesignMismatch, ModelNotTrusted
from studykit.core.interval import Interval
from studykit.core.memory import remembered
from studykit.mixed import statsmodels_check as secondopinion
from studykit.mixed.balance import one_minimum
from studykit.mixed.blocks import Blocks, compress
from studykit.mixed.denominator import SmallSample, approximate, half_width, p_value, small_sample
from studykit.mixed.design import Design, build_design, check_finite, response_values
from studykit.mixed.likelihood import State, check_information, residual_is_there, search, state_at
from studykit.mixed.results import ContrastTest, Effects, caution, contrast_matrix, predicted
from studykit.mixed.slopes import lowest, roots_of

__all__ = ["ContrastTest", "Effects", "Interval", "RemlFit", "fit_design", "fit_reml"]

EXACT = 1e-20  # share of the sum of squares below which scatter is rounding
SECOND_START = 200  # largest block for which a second start is tried


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlFit:
    """A fitted mixed model: what was asked, what was learnt, and questions to put to it."""

    response: str
    fixed: tuple[str, ...]
    random: tuple[str, ...]  # as asked; a dropped term is named in ``notes``
    n: int  # rows
    names: tuple[str, ...]  # coefficients, "Intercept" first
    beta: np.ndarray  # (p,) unit of the response per unit of the column
    cov: np.ndarray  # (p, p) plain covariance (X'V^-1 X)^-1
    adjusted_cov: np.ndarray  # (p, p) Kenward-Roger covariance
    variances: dict[str, float]  # unit squared, each random term and "residual"; slopes per unit of their column
    covariances: dict[tuple[str, str], float]  # of random effects that may be correlated
    criterion: float  # -2 log restricted likelihood
    at_zero: tuple[str, ...]  # terms whose variance is exactly zero, and pairs ("a, b") whose correlation is +1 or -1
    gradient: dict[str, float]  # slope of the criterion per relative change of each variance (unit-free)
    iterations: int
    notes: tuple[str, ...]  # simplifications made, one sentence each
    _y: np.ndarray = field(repr=False)
    _design: Design = field(repr=False)
    _blocks: Blocks = field(repr=False)
    _state: State = field(repr=False)
    _small: SmallSample = field(repr=False)
    _scale: float = field(repr=False)
    _centre: float = field(repr=False)

    def test(self, L: Sequence[float] | np.ndarray, method: str = "kenward-roger") -> ContrastTest:
        """Test that L b = 0, for one contrast (p,) or several at once (rows, p).

        ``method``: "kenward-roger" or "satterthwaite" (sources in denominator.py). Raises ValueError
        for a wrong shape or dependent rows.
        """
        matrix, single = contrast_matrix(L, self.names)
        estimate = matrix @ self.beta
        found = approximate(self._small, self._inner(matrix), method)
        cov = found.cov * self._scale**2
        F = found.scale * float(estimate @ np.linalg.solve(cov, estimate)) / len(matrix)
        se = np.sqrt(np.diag(cov))
        return ContrastTest(
            estimate=float(estimate[0]) if single else tuple(estimate.tolist()),
            se=float(se[0]) if single else tuple(se.tolist()),
            statistic=F, df1=len(matrix), df2=found.df, p=p_value(F, len(matrix), found.df),
            scale=found.scale, method=method, note=caution(len(matrix), found.df, found.scale),
        )  # fmt: skip

    def rows(self, L: Sequence[float] | np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Estimate, Kenward-Roger standard error and degrees of freedom of each row of L (rows, p), many at once."""
        matrix, _ = contrast_matrix(L, self.names, independent=False)
        inner, small = self._inner(matrix), self._small
        se = self._scale * np.sqrt(np.einsum("ta,ab,tb->t", inner, small.adjusted, inner))
        variance = np.einsum("ta,ab,tb->t", inner, small.Phi, inner)
        g = np.einsum("ta,iab,tb->ti", inner, small.D1, inner)
        return matrix @ self.beta, se, 2 * variance**2 / np.einsum("ti,ij,tj->t", g, small.W, g)

    def interval(
        self, L: Sequence[float] | np.ndarray, level: float = 0.95, method: str = "kenward-roger"
    ) -> Interval | tuple[Interval, ...]:
        """Two-sided t interval for a contrast (p,), or one for each row of L (rows, p), in the response's unit."""
        if not 0 < level < 1:
            raise ValueError(f"level must be between 0 and 1, but got {level!r}")
        matrix, single = contrast_matrix(L, self.names, independent=False)
        out = []
        for row in matrix:
            t = self.test(row, method)
            half = half_width(float(t.se), t.df2, level)  # type: ignore[arg-type]
            centre = float(t.estimate)  # type: ignore[arg-type]
            out.append(Interval(low=centre - half, high=centre + half, level=level))
        return out[0] if single else tuple(out)

    def effects(self, term: str) -> Effects:
        """Predicted random effects of a term (best linear unbiased prediction) with their prediction errors.

        Source: Henderson 1975, Biometrics 31:423. Raises ValueError for an unknown term.
        """
        return predicted(self._design, self._blocks, self._state, self._standard(), term, self._scale)

    @property
    def fitted(self) -> np.ndarray:
        """Fixed part plus predicted random effects, (n,), in the response's unit."""
        total = np.asarray(self._design.X @ self.beta)
        for t in self._design.terms:
            part = np.array(self.effects(t.name).values)[t.codes]
            total = total + (part if t.slope is None else part * t.slope * t.unit)
        return total

    @property
    def residuals(self) -> np.ndarray:
        """Response minus ``fitted``, (n,), in the response's unit."""
        return np.asarray(self._y - self.fitted)

    @remembered
    def profile_upper(self, component: str, level: float = 0.95) -> float:
        """One-sided upper confidence limit of a variance, by the profile of the restricted likelihood.

        ``component`` is a random term or "residual"; the result is in the response's unit squared.
        The limit is where the criterion, minimised over the other variances, has risen by the
        square of the normal quantile at ``level`` (likelihood-ratio inversion; approximate for
        few levels). NaN where so few readings carry none: with other variances the random terms would reproduce every
        value. Raises ValueError for an unknown component.
        """
        i, above = self._profile(component, level)
        low = np.log(max(self._state.theta[i], 1e-12))
        high = np.log(max(self._state.theta[i], 1e-2 * self._state.theta.sum()))
        try:
            while above(high) < 0:
                low, high = high, high + 1.0
            return float(np.exp(optimize.brentq(above, low, high, xtol=1e-10))) * self._scale**2
        except (DesignMismatch, ModelNotTrusted):
            return math.nan

    def profile_lower(self, component: str, level: float = 0.95) -> float:
        """One-sided lower confidence limit of a variance, as ``profile_upper``; 0 where the data allow a variance of zero."""
        i, above = self._profile(component, level)
        high = self._state.theta[i]
        low = 1e-9 * self._state.theta.sum()
        if high <= low or above(np.log(low)) < 0:
            return 0.0
        return float(np.exp(optimize.brentq(above, np.log(low), np.log(high), xtol=1e-10))) * self._scale**2

    def _profile(self, component: str, level: float) -> tuple[int, Callable[[float], float]]:
        """Place of a component, and how far the criterion at a logarithm of it lies above that at its limit."""
        order = ("residual", *(t.name for t in self._design.terms))
        if component not in order:
            raise ValueError(f"component must be one of {', '.join(order)}, but got {component!r}")
        if self._design.pairs:
            raise ValueError("limits of variances are not given where random slopes may be correlated")
        if not 0.5 < level < 1:
            raise ValueError(f"level must be between 0.5 and 1, but got {level!r}")
        i, rise = order.index(component), float(stats.norm.ppf(level)) ** 2

        def above(log_value: float) -> float:
            theta = self._state.theta.copy()
            theta[i] = np.exp(log_value)
            return search(self._blocks, state_at(self._blocks, theta), held=i)[0].D - self._state.D - rise

        return i, above

    def second_opinion(self) -> secondopinion.SecondOpinion:
        """statsmodels' fit of the same model beside this one, or the reason why there is none."""
        d = self._design
        return secondopinion.second_opinion(
            self.names, d.X, self._standard(), d.terms, self._scale, self._centre, self.criterion
        )

    def to_table(self, level: float = 0.95, method: str = "kenward-roger") -> pd.DataFrame:
        """Coefficients, one a row: name, estimate, se, df, p, low, high."""
        rows = []
        for name, row in zip(self.names, np.eye(len(self.names)), strict=True):
            t, i = self.test(row, method), self.interval(row, level, method)
            rows.append((name, t.estimate, t.se, t.df2, t.p, i.low, i.high))  # type: ignore[union-attr]
        return pd.DataFrame(rows, columns=["name", "estimate", "se", "df", "p", "low", "high"])

    def _inner(self, matrix: np.ndarray) -> np.ndarray:
        """A contrast matrix in the orthonormal coordinates of the fit."""
        return np.linalg.solve(self._design.R.T, matrix.T).T

    def _standard(self) -> np.ndarray:
        return (self._y - self._centre) / self._scale


def fit_reml(table: pd.DataFrame, response: str, fixed: Sequence[str] = (), random: Sequence[str] = ()) -> RemlFit:
    """Fit a linear mixed model by REML; see the module's head for the model, coding and sources.

    table : frame, one row per determination; response : a column of finite numbers.
    fixed, random : column names, or several joined by a colon; an intercept is always there. Random slopes are written
    "age | container" (correlated with the intercept) or "0 + age | container".
    Raises DesignMismatch when the rows cannot carry the model, ModelNotTrusted when the search
    for the estimates does not settle.
    """
    y = response_values(table, response)
    return fit_design(build_design(table, fixed, random), y, response)


def fit_design(design: Design, y: np.ndarray, response: str = "y") -> RemlFit:
    """Fit a design that was built before to a response (n,)."""
    check_finite(y, f"The response {response!r}")
    try:
        centre, scale = _standardising(y, response)
        z = (y - centre) / scale
        blocks = compress([t.codes for t in design.terms], np.column_stack([design.Q, z]),
                          slopes=[t.slope for t in design.terms], pairs=design.pairs)  # fmt: skip
        _has_scatter(design, blocks, z)
        names = [t.name for t in design.terms]
        components = ("residual", *names, *(f"{names[a]}, {names[b]}" for a, b in design.pairs))
        plain = all(t.slope is None for t in design.terms)
        once = plain and one_minimum([t.codes for t in design.terms], design.Q)
        state, iterations = best_state(blocks, components, once=once)
        return _assembled(design, blocks, state, iterations, y, (centre, scale), response)
    except np.linalg.LinAlgError as error:
        raise ModelNotTrusted(f"The arithmetic of the fit of {response!r} broke down ({error}). Nothing is shown.") from None


def best_state(blocks: Blocks, components: tuple[str, ...], *, once: bool = False) -> tuple[State, int]:
    """The lower of the minima reached from two starts, and the iterations spent; ``once``: there is one minimum only."""
    if blocks.pairs:
        return _best_correlated(blocks, components)
    state, spent = search(blocks, check_information(blocks, components), scored=once)
    if blocks.k and not once and max((g.cells.shape[1] for g in blocks.groups), default=0) <= SECOND_START:
        start = np.full(blocks.k + 1, 0.02 * state.theta.sum())
        start[0] = state.theta.sum()
        other, more = search(blocks, state_at(blocks, start))
        spent += more
        if other.D < state.D - 1e-9:
            state = other
    return state, spent


def _best_correlated(blocks: Blocks, components: tuple[str, ...]) -> tuple[State, int]:
    """The same where random slopes may be correlated."""
    roots, spent, found = roots_of(blocks.k, blocks.pairs), 0, list[State]()

    def at(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        nonlocal spent
        spent += 1
        state = state_at(blocks, theta)
        return state.D, state.gradient, state.hessian

    first = check_information(blocks, components).theta
    for start in (first, np.where(np.arange(len(first)) > 0, 0.02, 1.0) * first):
        found.append(state_at(blocks, lowest(roots, start, at, blocks.n)))
    best = min(found, key=lambda s: s.D)
    residual_is_there(best)
    return best, spent


def _standardising(y: np.ndarray, response: str) -> tuple[float, float]:
    centre = float(y.mean())
    scale = float(np.sqrt(((y - centre) ** 2).mean()))
    if scale <= 1e-14 * float(np.abs(y).max()):
        raise DesignMismatch(
            f"All values of {response!r} are equal ({y[0]:g}). Without any scatter nothing can be estimated; "
            "were they rounded, or is it a limit of quantification?"
        )
    return centre, scale


def _has_scatter(design: Design, blocks: Blocks, z: np.ndarray) -> None:
    rest = z - design.Q @ (design.Q.T @ z)
    if float(rest @ rest) < EXACT * len(z):
        raise DesignMismatch("The fixed part reproduces every value exactly, so there is no scatter to judge it by.")
    if blocks.k and not blocks.border and blocks.df_within and blocks.within[-1, -1] < EXACT * len(z):
        raise DesignMismatch(
            "Repeated determinations agree to the last digit everywhere, so the residual scatter is zero and no "
            "test can be made. Were values copied, or averaged and repeated?"
        )


def _assembled(design: Design, blocks: Blocks, state: State, iterations: int, y: np.ndarray,
               units: tuple[float, float], response: str) -> RemlFit:  # fmt: skip
    centre, scale = units
    back = np.linalg.inv(design.R)
    small = small_sample(state, roots_of(len(design.terms), design.pairs))
    beta = back @ state.beta * scale
    beta[0] += centre
    logdet = 2 * float(np.log(np.abs(np.diag(design.R))).sum())
    terms = design.terms
    order = [*(t.name for t in terms), "residual"]
    theta = np.append(state.theta[1 : len(order)], state.theta[0])
    slope = np.append(state.gradient[1 : len(order)], state.gradient[0]) * np.where(theta > 0, theta, theta[-1])
    unit = scale / np.array([*(t.unit for t in terms), 1.0])
    both = {(terms[a].name, terms[b].name): float(v * unit[a] * unit[b])
            for (a, b), v in zip(design.pairs, state.theta[len(order) :], strict=True)}
    df = design.n - design.p
    return RemlFit(
        response=response, fixed=design.fixed, random=design.random, n=design.n, names=design.names, beta=beta,
        cov=back @ state.Phi @ back.T * scale**2, adjusted_cov=back @ small.adjusted @ back.T * scale**2,
        variances={name: float(v * u**2) for name, v, u in zip(order, theta, unit, strict=True)}, covariances=both,
        criterion=state.D + logdet + df * float(np.log(2 * np.pi * scale**2)),
        at_zero=(*(name for name, v in zip(order, theta, strict=True) if v == 0), *_in_step(design, state.theta)),
        gradient={name: float(g) for name, g in zip(order, slope, strict=True)},
        iterations=iterations, notes=design.notes, _y=y, _design=design, _blocks=blocks, _state=state,
        _small=small, _scale=scale, _centre=centre,
    )  # fmt: skip


def _in_step(design: Design, theta: np.ndarray) -> tuple[str, ...]:
    """Correlated terms whose covariance has lost rank although none of their variances is zero."""
    roots, out = roots_of(len(design.terms), design.pairs), []
    for terms in (t for t in roots.linked if len(t) > 1):
        matrix = roots.matrix(theta, terms)
        rank = np.linalg.matrix_rank(matrix, tol=1e-10 * float(np.trace(matrix)), hermitian=True)
        if np.diag(matrix).all() and rank < len(terms):
            out.append(", ".join(design.terms[i].name for i in terms))
    return tuple(out)
