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

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.core.errors import DesignMismatch
from studykit.inference.equivalence import (
    Comparison,
    Contrast,
    Interval,
    Margin,
    compare_contrasts,
    compare_depths,
    container_summary,
)
from studykit.inference.influence import residual_table
from studykit.inference.share import choose_df_method
from studykit.inference.simultaneous import departure_matrix
from studykit.mixed.design import fixed_matrix
from studykit.mixed.fit import RemlFit, fit_reml
from studykit.mixed.strata import is_balanced, within_stratum
from studykit.model.rows import (
    ModelRows,
    container_contrasts,
    fixed_terms,
    margin_given,
    model_rows,
    random_terms,
)
from studykit.plot.profiles import profiles
from studykit.study.definition import Study

Path = Literal["mixed model", "known precision", "not assessed"]
METHOD = "kenward-roger"
MOSTLY_CENSORED = 0.5
MEAN_COLUMNS = ["depth", "height", "mean", "low", "high", "determinations"]
CONTRAST_COLUMNS = ["contrast", "estimate", "low", "high", "simultaneous low", "simultaneous high", "unit", "df", "p",
                    "within margin"]
VARIANCE_COLUMNS = ["component", "SD", "unit", "at zero", "could be up to"]
PROFILE_COLUMNS = ["analyte", "margin low", "margin high", "unit", "who", "depth", "height", "difference", "low", "high"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteModel:
    """One analyte at the model stage: its rows, and where it was not fitted the path it takes and why.

    ``path`` is 'mixed model' for a ``FittedModel`` only. The tables are empty where nothing was fitted.
    """

    rows: ModelRows
    alpha: float
    path: Path
    notes: tuple[str, ...]

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

    def means(self, level: float = 0.95) -> pd.DataFrame:
        """Depth means in the analyte's unit with intervals: depth, height, mean, low, high, determinations."""
        return pd.DataFrame(columns=MEAN_COLUMNS)

    def contrasts(self) -> pd.DataFrame:
        """All pairs of depths, lower minus upper, in per cent or the analyte's unit, with both intervals (CONTRAST_COLUMNS)."""
        return pd.DataFrame(columns=CONTRAST_COLUMNS)

    def variances(self, level: float = 0.95) -> pd.DataFrame:
        """Variance components as standard deviations, with an upper limit where one is estimated as zero."""
        return pd.DataFrame(columns=VARIANCE_COLUMNS)

    def residuals(self) -> pd.DataFrame:
        """Residuals on the scale of analysis with their normal scores, one row a determination."""
        return pd.DataFrame(columns=["analyte"])

    def profile(self, level: float = 0.9) -> pd.DataFrame:
        """Differences from the uppermost depth, of the mean and of each container (PROFILE_COLUMNS)."""
        return pd.DataFrame(columns=PROFILE_COLUMNS)

    def plot_profile(self, level: float = 0.9) -> Figure:
        """The depth profile against the margin, drawn from ``profile``."""
        return profiles(self.profile(level))

    def verdict(self, margin: str | Mapping[str, float] | Margin | None = None) -> AgainstMargin:
        """The word against the declared margin, or against another one ("50 %", "2 mg/kg", {"absolute": 2}).

        ValueError for a bare number or another unit; DesignMismatch where nothing was fitted.
        """
        raise DesignMismatch(f"{self.analyte} was not fitted: {' '.join(self.notes)}")

    def trust(self) -> dict[str, Any]:
        """Evidence of convergence: iterations, gradient, components at zero, second opinion."""
        return {"analyte": self.analyte, "path": self.path}


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedModel(AnalyteModel):
    """The mixed model of one analyte: its terms, its fit, and what they say about the depths.

    ``mean_values`` (k,) and ``mean_cov`` (k, k): depth means and their covariance on the scale of analysis;
    ``mean_matrix`` (k, p) times the coefficients gives the means.
    """

    fixed: tuple[str, ...]
    random: tuple[str, ...]
    reml: RemlFit
    judge: DepthJudge
    mean_values: tuple[float, ...]
    mean_cov: np.ndarray
    mean_matrix: np.ndarray
    pairs: Comparison

    @property
    def bottom_top(self) -> Contrast:
        """The lowest depth minus the uppermost."""
        return self.pairs.tests[len(self.rows.depths) - 2].contrast

    def interval(self, level: float = 0.95) -> Interval:
        """Interval of the bottom-minus-top contrast on the scale of analysis."""
        return self.bottom_top.interval(level)

    @property
    def depth_test(self) -> Any:
        """Joint F test of depth by Kenward and Roger's method."""
        M = self.mean_matrix
        return self.reml.test(np.array([M[j] - M[0] for j in range(1, len(M))]), method=METHOD)

    @property
    def trend(self) -> Contrast | None:
        """Linear trend in height: change from the surface to the floor, on the scale of analysis."""
        heights = self.rows.measured.groupby("depth", observed=True)["height"].mean().reindex(list(self.rows.depths))
        if heights.isna().any() or heights.nunique() < 2:
            return None
        h = heights.to_numpy() - heights.mean()
        row = -(h / (h @ h)) @ self.mean_matrix
        return Contrast(label="linear trend, surface to floor", estimate=float(row @ self.reml.beta),
                        se=float(np.sqrt(row @ self.judge.cov @ row)), df=self.judge.df(row),
                        scale=self.rows.margin.scale, unit=self.shown_unit, method=self.judge.method)

    @property
    def departures(self) -> Comparison:
        """Each depth against the plain mean of the zones (equal volumes)."""
        W = departure_matrix(np.full(len(self.mean_values), 1 / len(self.mean_values)))
        dfs = [self.judge.df(row @ self.mean_matrix) for row in W]
        labels = [f"{d} - mean of the zones" for d in self.rows.depths]
        return compare_contrasts(labels, W @ np.array(self.mean_values), W @ self.mean_cov @ W.T, dfs, self.rows.margin,
                                 alpha=self.alpha, unit=self.rows.unit, method=self.judge.method)

    @property
    def summary(self) -> Contrast | None:
        """The container summary: one contrast a container, then a t interval. None without scatter."""
        values = container_contrasts(self.rows)["contrast"]
        if len(values) < 2 or values.std() == 0:
            return None
        label = f"{self.rows.depths[-1]} - {self.rows.depths[0]}"
        return container_summary(values.to_numpy(dtype=float), label, self.rows.margin.scale, self.shown_unit)

    def means(self, level: float = 0.95) -> pd.DataFrame:
        """Depth means in the analyte's unit with intervals: depth, height, mean, low, high, determinations."""
        rows, margin = [], self.rows.margin
        groups = self.rows.measured.groupby("depth", observed=True)
        for k, depth in enumerate(self.rows.depths):
            test = self.reml.test(self.mean_matrix[k], method=METHOD)
            span = Contrast(label=depth, estimate=float(test.estimate), se=float(test.se),  # type: ignore[arg-type]
                            df=float(test.df2)).interval(level)
            part = groups.get_group(depth)
            rows.append((depth, part["height"].mean(), margin.to_level(self.mean_values[k]), margin.to_level(span.low),
                         margin.to_level(span.high), len(part)))
        return pd.DataFrame(rows, columns=MEAN_COLUMNS)

    def contrasts(self) -> pd.DataFrame:
        """All pairs of depths, lower minus upper, in per cent or the analyte's unit, with both intervals (CONTRAST_COLUMNS)."""
        return self.pairs.to_table()

    def variances(self, level: float = 0.95) -> pd.DataFrame:
        """Variance components as standard deviations, with an upper limit where one is estimated as zero."""
        told, rows = self.rows.margin.shown_sd, []
        for name, variance in self.reml.variances.items():
            zero = name in self.reml.at_zero
            upper = told(float(np.sqrt(self.reml.profile_upper(name, level=level)))) if zero else np.nan
            rows.append((name, told(float(np.sqrt(variance))), self.shown_unit, zero, upper))
        return pd.DataFrame(rows, columns=VARIANCE_COLUMNS)

    def residuals(self) -> pd.DataFrame:
        """Residuals on the scale of analysis with their normal scores, one row a determination."""
        measured = self.rows.measured
        table = residual_table(self.reml.residuals, self.reml.fitted, container=list(measured["container"]),
                               sample=list(measured["sample"]))
        table.insert(0, "analyte", self.analyte)
        table.insert(2, "depth", measured["depth"].astype(str).to_numpy())
        return table

    def profile(self, level: float = 0.9) -> pd.DataFrame:
        """Differences from the uppermost depth, of the mean and of each container (PROFILE_COLUMNS)."""
        rows, margin = self.rows, self.rows.margin
        cells = rows.measured.groupby(["container", "depth"], observed=True)[["y", "height"]].mean()
        heights = cells.groupby("depth", observed=True)["height"].mean()
        out: list[tuple[object, ...]] = []
        for container, part in cells.groupby("container", sort=True):
            values = part.droplevel("container")
            if rows.depths[0] in values.index:
                top = float(values["y"].loc[rows.depths[0]])
                out += [(str(container), str(d), float(v["height"]), margin.shown(float(v["y"]) - top), np.nan, np.nan)
                        for d, v in values.iterrows()]
        for k, depth in enumerate(rows.depths):
            difference = low = high = self.mean_values[k] - self.mean_values[0]
            if k:
                span = self.pairs.tests[k - 1].contrast.interval(level)
                low, high = span.low, span.high
            out.append(("mean", depth, float(heights[depth]), *(margin.shown(x) for x in (difference, low, high))))
        common = (rows.analyte, margin.shown(margin.low), margin.shown(margin.high), rows.shown_unit)
        return pd.DataFrame([(*common, *r) for r in out], columns=PROFILE_COLUMNS)

    def verdict(self, margin: str | Mapping[str, float] | Margin | None = None) -> AgainstMargin:
        """The word against the declared margin, or against another one ("50 %", "2 mg/kg", {"absolute": 2}).

        Where the other margin is judged on the other scale (per cent against absolute), the same terms are
        fitted again there. ValueError for a bare number or another unit.
        """
        declared = self.rows.margin
        if margin is None:
            return AgainstMargin(analyte=self.analyte, declared=declared, comparison=self.pairs)
        other = fit_terms(self.rows.against(margin_given(margin, self.rows.unit)), self.alpha, self.fixed, self.random, ())
        return AgainstMargin(analyte=self.analyte, declared=declared, comparison=other.pairs)

    def trust(self) -> dict[str, Any]:
        """Evidence of convergence: iterations, gradient, components at zero, second opinion."""
        fit = self.reml
        second = fit.second_opinion()
        return {"analyte": self.analyte, "path": self.path, "rows": fit.n, "containers": self.n_containers,
                "random terms": ", ".join(self.random), "iterations": fit.iterations,
                "largest gradient": max((abs(g) for n, g in fit.gradient.items() if n not in fit.at_zero), default=0.0),
                "at zero": ", ".join(fit.at_zero) or "none",
                "REML criterion": fit.criterion, "statsmodels differs by": second.criterion_difference,
                "second opinion": "agrees" if second.agrees else second.note}


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstMargin:
    """All pairs of depths of one analyte against a margin, and whether it is the one declared beforehand."""

    analyte: str
    declared: Margin
    comparison: Comparison

    @property
    def word(self) -> str:
        """homogeneous, stratified or inconclusive."""
        return self.comparison.word

    @property
    def is_declared(self) -> bool:
        """True where the margin is the declared one."""
        return self.comparison.margin == self.declared

    @property
    def sentence(self) -> str:
        """The word in a sentence, which says so where the margin is not the declared one."""
        text = f"{self.analyte} against {self.comparison.margin.text}: {self.word}."
        return text if self.is_declared else (f"{text} This is not the declared margin ({self.declared.text}): a margin "
                                              "chosen after the data decides nothing.")

    def to_table(self) -> pd.DataFrame:
        """One row a pair of depths (CONTRAST_COLUMNS)."""
        return self.comparison.to_table()

    def __str__(self) -> str:
        return self.sentence


def fitted(models: list[AnalyteModel]) -> list[FittedModel]:
    """Those of the models that were fitted, in their order."""
    return [m for m in models if isinstance(m, FittedModel)]


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


def fit_analyte(study: Study, analyte: str, containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame, *,
                fixed: tuple[str, ...] | None = None, random: tuple[str, ...] | None = None) -> AnalyteModel:
    """Fit one analyte, or say which other path its rows allow.

    'known precision' where only one container was sampled; 'not assessed' where more than half
    of the results lie below quantification or nothing was measured at two depths. ``fixed`` (with "depth"
    among its terms, interactions as "depth:lot") and ``random`` ("container", "container:depth", "run")
    replace the declared terms; DesignMismatch where the rows cannot carry terms that were given.
    """
    rows = model_rows(study, analyte, containers, samples, results)
    if fixed is None and random is None:
        return fit_rows(study, rows)
    why = unfit(rows)
    if why is not None:
        return AnalyteModel(rows=rows, alpha=study.alpha, path=why[0], notes=(why[1],))
    fixed = fixed_terms(study, rows.measured)[0] if fixed is None else fixed
    random = random_terms(study, rows.measured)[0] if random is None else random
    if "depth" not in fixed:
        raise DesignMismatch("depth must be among the fixed terms: differences between depths are what is asked")
    return fit_terms(rows, study.alpha, fixed, random, ("The terms are the reader's own, not those declared.",))


def unfit(rows: ModelRows) -> tuple[Path, str] | None:
    """The path of rows that cannot be fitted, and why; None where they can."""
    measured = rows.measured
    if rows.share_censored > MOSTLY_CENSORED:
        return "not assessed", f"{rows.censored} of {len(rows.table)} results are known only as a limit."
    if len(rows.depths) < 2 or measured["depth"].nunique() < 2:
        return "not assessed", "Fewer than two depths were measured."
    if measured["container"].nunique() < 2:
        return "known precision", ("One container: its scatter comes from the method's stated precision, and nothing follows "
                                   "for others.")
    return None


def fit_rows(study: Study, rows: ModelRows) -> AnalyteModel:
    """Fit the rows of one analyte with the declared terms, or with depth alone where those are confounded."""
    alpha, why = study.alpha, unfit(rows)
    if why is not None:
        return AnalyteModel(rows=rows, alpha=alpha, path=why[0], notes=(why[1],))
    fixed, fixed_notes = fixed_terms(study, rows.measured)
    random, random_notes = random_terms(study, rows.measured)
    notes = fixed_notes + random_notes
    while True:
        try:
            return fit_terms(rows, alpha, fixed, random, notes)
        except DesignMismatch as error:
            if fixed == ("depth",):
                return AnalyteModel(rows=rows, alpha=alpha, path="not assessed", notes=(*notes, str(error)))
            fixed, notes = ("depth",), (*notes, f"{error} The model was fitted with depth alone.")


def fit_terms(rows: ModelRows, alpha: float, fixed: tuple[str, ...], random: tuple[str, ...],
              notes: tuple[str, ...]) -> FittedModel:
    """The mixed model with these terms; DesignMismatch where the rows cannot carry them."""
    measured, depths = rows.measured, rows.depths
    fit = fit_reml(measured, response="y", fixed=list(fixed), random=list(random))
    M = prediction_matrix(measured, fixed, depths)[0].mean(axis=1)
    judge = depth_judge(measured, fixed, depths, fit)
    k = len(depths)
    D = np.array([M[b] - M[a] for a in range(k) for b in range(a + 1, k)])
    means, cov = M @ fit.beta, M @ judge.cov @ M.T
    pairs = compare_depths(depths, means, cov, [judge.df(row) for row in D], rows.margin, alpha=alpha,
                           unit=rows.unit, method=judge.method)
    return FittedModel(rows=rows, alpha=alpha, fixed=fixed, random=random, path="mixed model", notes=(*notes, *fit.notes),
                       reml=fit, judge=judge, mean_values=tuple(float(m) for m in means), mean_cov=cov, mean_matrix=M,
                       pairs=pairs)


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
