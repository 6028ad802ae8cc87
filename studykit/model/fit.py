r"""The model stage: what containers and depths say about one analyte, with what uncertainty.

Per analyte, on the scale of its margin (natural log for a margin in per cent, else the raw unit),

    y = depth + further fixed terms + container + container:depth (+ run) + residual,

container, container:depth and run random with independent normal effects. Containers are the
unit of replication: three samples of one container are not three containers. ``container:depth``
enters where some zone was determined twice; without that, the residual holds both the scatter
between containers' profiles and that of sampling and measurement, and the depth contrasts are
judged against it all the same.

Depth means are averages over the containers studied: the model's prediction for each container
at each depth, averaged. Differences between them are judged with the covariance and the degrees
of freedom of Kenward & Roger (1997). Estimation is by ``studykit.mixed.fit``; statsmodels' fit of the
same model stands beside it as a second opinion. A second road that needs no mixed model is the
container summary: one contrast a container, then a t interval.

What is not computed here: unequal scatter by depth or laboratory, and results below
quantification as censored values (they are bounded instead, see ``studykit.inference.share``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd

from studykit.core.errors import DesignMismatch
from studykit.inference.equivalence import (
    Comparison,
    Contrast,
    Interval,
    compare_contrasts,
    compare_depths,
    container_summary,
)
from studykit.inference.share import choose_df_method
from studykit.inference.simultaneous import departure_matrix
from studykit.mixed.design import fixed_matrix
from studykit.mixed.fit import RemlFit, fit_reml
from studykit.mixed.strata import is_balanced, within_stratum
from studykit.model.rows import ModelRows, back, container_contrasts, fixed_terms, model_rows, random_terms
from studykit.study.definition import Study

Path = Literal["mixed model", "known precision", "not assessed"]
METHOD = "kenward-roger"
MOSTLY_CENSORED = 0.5
YOUNG = 6.0
"""Months: where all containers are younger, groups go by tenths of a month, else by whole months."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteModel:
    """One analyte's model: what was asked (rows, margin, terms) and what was learnt.

    ``means`` and ``mean_cov`` are the k depth means and their covariance on the scale of
    analysis. Everything below ``path`` is None or empty where the path is not 'mixed model'.
    """

    rows: ModelRows
    alpha: float
    fixed: tuple[str, ...]
    random: tuple[str, ...]
    path: Path
    notes: tuple[str, ...]
    df_method: str = ""
    fit: RemlFit | None = None
    means: tuple[float, ...] = ()
    mean_cov: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    mean_matrix: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    pairs: Comparison | None = None
    departures: Comparison | None = None
    trend: Contrast | None = None
    summary: Contrast | None = None
    depth_test: Any = None

    @property
    def analyte(self) -> str:
        """The analyte's key."""
        return self.rows.analyte

    @property
    def shown_unit(self) -> str:
        """Unit of a difference as reported: per cent, or the analyte's unit."""
        return self.rows.shown_unit

    @property
    def n_containers(self) -> int:
        """Containers with at least one value."""
        return int(self.rows.measured["container"].nunique())

    @property
    def bottom_top(self) -> Contrast | None:
        """The lowest depth minus the uppermost."""
        if self.pairs is None:
            return None
        return self.pairs.tests[len(self.rows.depths) - 2].contrast

    def interval(self, level: float = 0.95) -> Interval | None:
        """Interval of the bottom-minus-top contrast on the scale of analysis."""
        return None if self.bottom_top is None else self.bottom_top.interval(level)

    def depth_table(self, level: float = 0.95) -> pd.DataFrame:
        """Depth means in the analyte's unit with intervals: depth, height, mean, low, high, n."""
        if self.fit is None:
            return pd.DataFrame(columns=["depth", "height", "mean", "low", "high", "determinations"])
        rows = []
        groups = self.rows.measured.groupby("depth", observed=True)
        for k, depth in enumerate(self.rows.depths):
            test = self.fit.test(self.mean_matrix[k], method=METHOD)
            span = Contrast(label=depth, estimate=float(test.estimate), se=float(test.se),  # type: ignore[arg-type]
                            df=float(test.df2)).interval(level)
            part = groups.get_group(depth)
            rows.append((depth, part["height"].mean(), back(self.means[k], self.rows.margin),
                         back(span.low, self.rows.margin), back(span.high, self.rows.margin), len(part)))
        return pd.DataFrame(rows, columns=["depth", "height", "mean", "low", "high", "determinations"])

    def variance_table(self, level: float = 0.95) -> pd.DataFrame:
        """Variance components as standard deviations, with an upper limit where one is estimated as zero."""
        if self.fit is None:
            return pd.DataFrame(columns=["component", "SD", "unit", "at zero", "could be up to"])
        unit = self.shown_unit
        factor = 100.0 if self.rows.log else 1.0
        rows = []
        for name, variance in self.fit.variances.items():
            zero = name in self.fit.at_zero
            upper = float(np.sqrt(self.fit.profile_upper(name, level=level))) * factor if zero else np.nan
            rows.append((name, float(np.sqrt(variance)) * factor, unit, zero, upper))
        return pd.DataFrame(rows, columns=["component", "SD", "unit", "at zero", "could be up to"])

    def trust(self) -> dict[str, Any]:
        """Evidence of convergence: iterations, gradient, components at zero, second opinion."""
        if self.fit is None:
            return {"analyte": self.analyte, "path": self.path}
        second = self.fit.second_opinion()
        return {"analyte": self.analyte, "rows": self.fit.n, "containers": self.n_containers,
                "random terms": ", ".join(self.random), "iterations": self.fit.iterations,
                "largest gradient": max((abs(g) for n, g in self.fit.gradient.items() if n not in self.fit.at_zero),
                                        default=0.0),
                "at zero": ", ".join(self.fit.at_zero) or "none",
                "REML criterion": self.fit.criterion, "statsmodels differs by": second.criterion_difference,
                "second opinion": "agrees" if second.agrees else second.note}


def prediction_matrix(measured: pd.DataFrame, fixed: tuple[str, ...],
                      depths: tuple[str, ...]) -> tuple[np.ndarray, pd.DataFrame]:
    """Model-matrix rows of every container at every depth, (depths, containers, p), and the containers."""
    needed = dict.fromkeys(["container", "depth", *(name for term in fixed for name in term.split(":"))])
    containers = measured[list(needed)].drop_duplicates("container").reset_index(drop=True)
    blocks = []
    for depth in depths:
        block = containers.copy()
        block["depth"] = pd.Categorical([depth] * len(block), categories=list(depths))
        blocks.append(block)
    _, X = fixed_matrix(pd.concat(blocks, ignore_index=True), list(fixed))
    return X.reshape(len(depths), len(containers), -1), containers


def fit_analyte(study: Study, analyte: str, containers: pd.DataFrame, samples: pd.DataFrame,
                results: pd.DataFrame) -> AnalyteModel:
    """Fit one analyte, or say which other path its rows allow.

    'known precision' where only one container was sampled; 'not assessed' where more than half
    of the results lie below quantification or nothing was measured at two depths.
    """
    return fit_rows(study, model_rows(study, analyte, containers, samples, results))


def fit_rows(study: Study, rows: ModelRows) -> AnalyteModel:
    """Fit the rows of one analyte; see ``fit_analyte``."""
    measured = rows.measured
    if rows.share_censored > MOSTLY_CENSORED:
        note = f"{rows.censored} of {len(rows.table)} results are known only as a limit."
        return _none(rows, study, "not assessed", note)
    if len(rows.depths) < 2 or measured["depth"].nunique() < 2:
        note = "Fewer than two depths were measured."
        return _none(rows, study, "not assessed", note)
    if measured["container"].nunique() < 2:
        note = "One container: its scatter comes from the method's stated precision, and nothing follows for others."
        return _none(rows, study, "known precision", note)
    fixed, fixed_notes = fixed_terms(study, measured)
    random, random_notes = random_terms(study, measured)
    notes = fixed_notes + random_notes
    try:
        return _fitted(rows, study, fixed, random, notes)
    except DesignMismatch as error:
        if fixed == ("depth",):
            return _none(rows, study, "not assessed", *notes, str(error))
        more = (*notes, f"{error} The model was fitted with depth alone.")
        try:
            return _fitted(rows, study, ("depth",), random, more)
        except DesignMismatch as again:
            return _none(rows, study, "not assessed", *more, str(again))


def _none(rows: ModelRows, study: Study, path: Path, *notes: str) -> AnalyteModel:
    """An analyte that was not fitted, with the reason."""
    return AnalyteModel(rows=rows, alpha=study.alpha, fixed=(), random=(), path=path, notes=notes)


def _fitted(rows: ModelRows, study: Study, fixed: tuple[str, ...], random: tuple[str, ...],
            notes: tuple[str, ...]) -> AnalyteModel:
    measured = rows.measured
    fit = fit_reml(measured, response="y", fixed=list(fixed), random=list(random))
    M = prediction_matrix(measured, fixed, rows.depths)[0].mean(axis=1)
    judge = depth_judge(measured, fixed, rows.depths, fit)
    k = len(rows.depths)
    D = np.array([M[b] - M[a] for a in range(k) for b in range(a + 1, k)])
    means, cov = M @ fit.beta, M @ judge.cov @ M.T
    pairs = compare_depths(rows.depths, means, cov, [judge.df(row) for row in D], rows.margin, alpha=study.alpha,
                           unit=rows.unit, method=judge.method)
    return AnalyteModel(
        rows=rows, alpha=study.alpha, fixed=fixed, random=random, path="mixed model",
        notes=(*notes, *fit.notes), df_method=judge.reason, fit=fit, means=tuple(float(m) for m in means),
        mean_cov=cov, mean_matrix=M, pairs=pairs, departures=_departures(rows, means, cov, M, judge, study),
        trend=_trend(rows, M, fit, judge), summary=_summary(rows),
        depth_test=fit.test(np.array([M[j] - M[0] for j in range(1, k)]), method=METHOD))


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthJudge:
    """Covariance of the coefficients for differences between depths, and the degrees of freedom of a contrast."""

    cov: np.ndarray
    df: Callable[[np.ndarray], float]
    method: str
    reason: str


def depth_judge(measured: pd.DataFrame, fixed: tuple[str, ...], depths: tuple[str, ...], fit: RemlFit) -> DepthJudge:
    """The exact stratum where the design is balanced, Kenward-Roger elsewhere (see bounds.choose_df_method)."""
    chosen = choose_df_method(is_balanced(measured, depths), at_zero=fit.at_zero)
    if chosen.method == "exact-stratum" and "run" not in fit.random:
        _, X = fixed_matrix(measured.reset_index(drop=True), list(fixed))
        try:
            stratum = within_stratum(measured, X, measured["y"].to_numpy())
        except DesignMismatch:
            pass
        else:
            return DepthJudge(cov=stratum.cov, df=lambda row: stratum.df, method="exact stratum", reason=chosen.reason)
    if chosen.method == "exact-stratum":
        chosen = choose_df_method(False, at_zero=fit.at_zero)
    return DepthJudge(cov=fit.adjusted_cov, df=lambda row: float(fit.test(row, method=METHOD).df2),
                  method="Kenward-Roger", reason=chosen.reason)


def _departures(rows: ModelRows, means: np.ndarray, cov: np.ndarray, M: np.ndarray, judge: DepthJudge,
                study: Study) -> Comparison:
    """Each depth against the plain mean of the zones (equal volumes)."""
    W = departure_matrix(np.full(len(means), 1 / len(means)))
    dfs = [judge.df(row @ M) for row in W]
    labels = [f"{d} - mean of the zones" for d in rows.depths]
    return compare_contrasts(labels, W @ means, W @ cov @ W.T, dfs, rows.margin, alpha=study.alpha, unit=rows.unit,
                             method=judge.method)


def _trend(rows: ModelRows, M: np.ndarray, fit: RemlFit, judge: DepthJudge) -> Contrast | None:
    """Linear trend in height: change from the surface to the floor, on the scale of analysis."""
    heights = rows.measured.groupby("depth", observed=True)["height"].mean().reindex(list(rows.depths))
    if heights.isna().any() or heights.nunique() < 2:
        return None
    h = heights.to_numpy() - heights.mean()
    row = -(h / (h @ h)) @ M
    return Contrast(label="linear trend, surface to floor", estimate=float(row @ fit.beta),
                    se=float(np.sqrt(row @ judge.cov @ row)), df=judge.df(row), scale=rows.margin.scale,
                    unit=rows.shown_unit, method=judge.method)


def _summary(rows: ModelRows) -> Contrast | None:
    """The second road: one contrast a container, then a t interval."""
    values = container_contrasts(rows)["contrast"]
    if len(values) < 2 or values.std() == 0:
        return None
    label = f"{rows.depths[-1]} - {rows.depths[0]}"
    return container_summary(values.to_numpy(dtype=float), label, rows.margin.scale, rows.shown_unit)


def group_contrasts(model: AnalyteModel, study: Study) -> tuple[pd.DataFrame, str]:
    """Bottom minus top by the levels of the factors that interact with depth, and a note on how.

    Each group's mean container contrast with the scatter pooled within groups (no straight line
    in age is assumed). Columns: the factors, containers, bottom - top, low, high (1 - 2 alpha),
    unit, interval lies ('beyond' takes the number of groups into account). Where no group repeats, age is
    left out of the grouping and the note says so.
    """
    factors = [f for f in study.factors.by_depth if f in model.fixed]
    each = container_contrasts(model.rows)
    if not factors or each.empty:
        return pd.DataFrame(), ""
    ages = each["age_months"]
    each = each.assign(age_months=ages.round(1) if ages.max() < YOUNG else ages.round().astype("Int64"))
    note = ""
    if len(each) - each.groupby(factors, observed=True).ngroups < 3:
        factors = [f for f in factors if f != "age_months"]
        note = "Too few containers share an age, so ages are pooled here."
    if not factors or len(each) - each.groupby(factors, observed=True).ngroups < 3:
        return pd.DataFrame(), "Too few containers share the same conditions to compare groups."
    groups = each.groupby(factors, observed=True)["contrast"]
    df, share = len(each) - groups.ngroups, model.alpha / groups.ngroups
    pooled = float(np.sqrt(((each["contrast"] - groups.transform("mean")) ** 2).sum() / df))
    rows = []
    for key, part in groups:
        contrast = Contrast(label="bottom - top", estimate=float(part.mean()), se=pooled / len(part) ** 0.5,
                            df=float(df), scale=model.rows.margin.scale, unit=model.shown_unit,
                            method="pooled within groups")
        value, low, high, unit = contrast.shown(1 - 2 * model.alpha)
        where: dict[str, Any] = dict(zip(factors, key, strict=True))
        rows.append({**where, "containers": len(part), "bottom - top": value,
                     "low": low, "high": high, "unit": unit, "interval lies": place(contrast, model, share)})
    return pd.DataFrame(rows), note


def place(contrast: Contrast, model: AnalyteModel, alpha_beyond: float | None = None) -> str:
    """Where the 1 - 2 alpha interval of a contrast lies against the margin, in words.

    ``alpha_beyond`` is the smaller level asked for 'beyond' where many groups are looked at
    (Bonferroni), so that one of many is not called out by chance.
    """
    margin = model.rows.margin
    if contrast.interval(1 - 2 * model.alpha).within(margin.low, margin.high):
        return "inside the margin"
    level = 1 - 2 * (model.alpha if alpha_beyond is None else alpha_beyond)
    return "beyond the margin" if contrast.interval(level).beyond(margin.low, margin.high) else "across its edge"
