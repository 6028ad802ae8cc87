r"""The model stage: what containers and depths say about one analyte, with what uncertainty.

The container is the unit of replication. Its cells (mean of its determinations at each depth), on the scale of
the margin, are a level of its own plus a profile plus scatter of any covariance across depths:

    cell = container + depth (+ factors that act on depth) + scatter.

Differences between depths are judged by the containers' own differences (``studykit.inference.contrasts``): a t test
that is exact whatever the scatter across depths, where nothing is lost. A study may declare beforehand, with a
reason, that every difference scatters alike (``across_depths = "pooled"``) or that each container has a straight
gradient of its own ("own gradient"); then that scatter decides (``studykit.inference.declared``), and the containers' own
differences stand beside it.

The mixed model (``studykit.mixed.fit``; container and, where zones were determined twice, container:depth random)
tells where the scatter comes from and gives residuals; statsmodels' fit of the same model stands beside it. Where it
cannot be fitted the differences are judged all the same.

Values known only as a limit are bounded, never replaced, and readings rounded more coarsely than they scatter likewise
(``studykit.inference.bounded``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import DesignMismatch, ModelNotTrusted
from studykit.core.memory import remembered
from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import departure_rows
from studykit.inference.declared import Structure, departure_p
from studykit.inference.departures import MIXED
from studykit.inference.equivalence import Comparison, Contrast, Interval, Margin, compare_cells
from studykit.inference.influence import residual_table
from studykit.inference.judge import depth_mean, mean_cells, mean_of
from studykit.mixed.fit import RemlFit, fit_reml
from studykit.model.analyte import (
    MEAN_COLUMNS,
    VARIANCE_COLUMNS,
    AgainstMargin,
    AnalyteModel,
    CelledModel,
    LimitedModel,
    Path,
)
from studykit.model.profile import from_mixed, from_top
from studykit.model.rows import (
    ModelRows,
    acting_on_depth,
    cells_of,
    few_depths,
    fixed_terms,
    heights_of,
    known,
    margin_given,
    model_rows,
    random_terms,
    zone_heights,
)
from studykit.study.definition import Study

NO_MIXED = ("So there is no mixed model, and nothing is said of where the scatter comes from; the depths are judged by the "
            "containers' own differences.")
TOO_FEW = "too few containers are left to tell it, so their own differences decide."
WITHIN_BOUNDS = "some values are known only within bounds, and what holds wherever they lie is worked out without it."
MOSTLY_CENSORED = 0.5
OWN_TERMS = "The terms are the reader's own, not those declared."


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What holds wherever values known only within bounds lie: the word, why, and limits of every pair (scale of analysis)."""

    word: str
    reason: str
    level: float
    spans: dict[str, tuple[float, float]]

    def span(self, label: str) -> Interval:
        """Limits of one pair."""
        low, high = self.spans[label]
        return Interval(low=low, high=high, level=self.level)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class FittedModel(CelledModel):
    """One analyte of several containers: differences between depths, and the mixed model behind the scatter.

    ``cells`` have as ``groups`` the columns of factors that act on depth; ``unstructured``:
    all pairs of depths under any covariance; ``structure``: "unstructured", or the scatter that was declared to decide;
    ``structured``: the pairs under it ("pooled" where none was declared); ``reml``: the mixed model, None where it could
    not be fitted; ``bounds``: the word and hull where values are known only within bounds, None where all are numbers.
    """

    fixed: tuple[str, ...]
    random: tuple[str, ...]
    unstructured: Comparison
    reml: RemlFit | None
    structured: Comparison
    structure: str
    bounds: Bounds | None

    @property
    def formula(self) -> str:
        """The mixed model in the usual notation, 'y ~ depth + (1 | container)'."""
        return " + ".join(["y ~ " + " + ".join(self.fixed), *(f"(1 | {term})" for term in self.random)])

    @property
    def acting_on_depth(self) -> tuple[str, ...]:
        """Factors that change the differences between depths."""
        return acting_on_depth(self.fixed)

    def __repr__(self) -> str:
        said = f"{self.word} on average against {self.rows.margin.text}"
        return f"<{self.analyte}: {said}, {len(self.rows.table)} results of {self.n_containers} containers>"

    @property
    def pairs(self) -> Comparison:
        """All pairs of depths as they were declared to be judged."""
        return self.structured if self.by_declaration else self.unstructured

    @property
    def by_declaration(self) -> bool:
        """True where a declared scatter decides: it was declared, and the readings carry it as numbers."""
        return self.structure != "unstructured" and not self.structured.unjudged and self.bounds is None

    @property
    def word(self) -> str:
        """The word for the mean: homogeneous, stratified or inconclusive."""
        return self.pairs.word if self.bounds is None else self.bounds.word

    @property
    def p_structure(self) -> float:
        """P-value of "the containers scatter as declared" ("pooled" where nothing was); NaN where it cannot be had."""
        how: Structure = "own gradient" if self.structure == "own gradient" else "pooled"
        return departure_p(known(self.cells), how, heights=heights_of(self.rows), groups=self.cells.groups)

    @property
    def bottom_top(self) -> Contrast | None:
        """The lowest depth minus the uppermost; None where too few containers have both."""
        label = f"{self.rows.depths[-1]} - {self.rows.depths[0]}"
        if self.cells.departures is None:
            return self._pair(label)
        k = self.cells.k  # a one-sided margin is judged by other contrasts
        beside = self.compare((np.eye(k)[-1] - np.eye(k)[0])[None], [label]).tests
        return beside[0].contrast if beside else None

    def _pair(self, label: str) -> Contrast | None:
        return next((t.contrast for t in self.pairs.tests if t.contrast.label == label), None)

    def interval(self, level: float = 0.95) -> Interval | None:
        """Interval of the bottom-minus-top contrast on the scale of analysis."""
        return None if self.bottom_top is None else self.bottom_top.interval(level)

    def compare(self, rows: np.ndarray, names: Sequence[str]) -> Comparison:
        """Other contrasts between the depths, (K, k), under any covariance."""
        return compare_cells(known(self.cells), self.rows.depths, self.rows.margin, alpha=self.alpha, rows=rows, names=names,
                             groups=self.cells.groups, step=self.cells.step, unit=self.rows.unit)

    @property
    def trend(self) -> Contrast | None:
        """Linear trend in height: change from the surface to the floor, on the scale of analysis."""
        if (heights := heights_of(self.rows)) is None:
            return None
        h = heights - heights.mean()
        found = self.compare(-(h / (h @ h))[None], ["linear trend, surface to floor"])
        return found.tests[0].contrast if found.tests else None

    @property
    def departures(self) -> Comparison:
        """Each depth against the plain mean of the zones (equal volumes)."""
        labels = [f"{d} - mean of the zones" for d in self.rows.depths]
        return self.compare(departure_rows(np.ones(len(self.rows.depths))), labels)

    @property
    def mean_values(self) -> tuple[float, ...]:
        """Depth means over the containers, on the scale of analysis."""
        return tuple(float(x[np.isfinite(x)].mean()) if np.isfinite(x).any() else math.nan for x in known(self.cells).T)

    @property
    def only_limits(self) -> tuple[str, ...]:
        """Depths at which no reading is a number: every one is known only as a limit."""
        numbers = set(self.rows.measured["depth"])
        return tuple(d for d in self.rows.depths if d not in numbers)

    def means(self, level: float = 0.95) -> pd.DataFrame:
        """Depth means in the analyte's unit, t intervals over containers (MEAN_COLUMNS).

        Where some values are known only within bounds no mean, and limits that hold wherever they lie.
        """
        margin, heights, measured = self.rows.margin, zone_heights(self.rows), self.rows.measured
        rows = [(depth, float(heights[depth]), *map(margin.to_level, depth_mean(self.cells, k, level)),
                 int((measured["depth"] == depth).sum())) for k, depth in enumerate(self.rows.depths)]
        return pd.DataFrame(rows, columns=MEAN_COLUMNS)

    def contrasts(self) -> pd.DataFrame:
        """All pairs of depths, lower minus upper, in per cent or the analyte's unit, with both intervals (CONTRAST_COLUMNS).

        Where values are known only within bounds both intervals hold wherever they lie.
        """
        table = self.pairs.to_table()
        if self.bounds is None:
            return table
        spans = [self.rows.margin.shown_interval(self.bounds.span(c)) for c in table["contrast"]]
        lows, highs = [x.low for x in spans], [x.high for x in spans]
        table["low"] = table["simultaneous low"] = lows
        table["high"] = table["simultaneous high"] = highs
        return table.assign(**{"within margin": self.word == "homogeneous"})

    def variances(self, level: float = 0.95) -> pd.DataFrame:
        """Variance components as standard deviations, with an upper limit where one is estimated as zero."""
        told, rows = self.rows.margin.shown_sd, []
        if self.reml is None:
            return pd.DataFrame(columns=VARIANCE_COLUMNS)
        for name, variance in self.reml.variances.items():
            zero = name in self.reml.at_zero
            upper = told(float(np.sqrt(self.reml.profile_upper(name, level=level)))) if zero else np.nan
            rows.append((name, told(float(np.sqrt(variance))), self.shown_unit, zero, upper))
        return pd.DataFrame(rows, columns=VARIANCE_COLUMNS)

    def residuals(self) -> pd.DataFrame:
        """Residuals on the scale of analysis with their normal scores, one row per determination."""
        measured = self.rows.measured
        if self.reml is None:
            return pd.DataFrame(columns=["analyte"])
        table = residual_table(self.reml.residuals, self.reml.fitted, container=list(measured["container"]),
                               sample=list(measured["sample"]))
        table.insert(0, "analyte", self.analyte)
        table.insert(2, "depth", measured["depth"].astype(str).to_numpy())
        return table

    def profile(self, level: float = 0.9) -> pd.DataFrame:
        """Differences from the uppermost depth, of the mean and of each container (PROFILE_COLUMNS).

        Of a one-sided margin those of each zone from its mixed container.
        """
        span = None if self.bounds is None else self.bounds.span
        return (from_top if self.cells.departures is None else from_mixed)(self.rows, self.cells, self._pair, span, level)

    def verdict(self, margin: str | Mapping[str, float] | Margin | None = None) -> AgainstMargin:
        """The word against the declared margin, or against another one ("50 %", "2 mg/kg", {"absolute": 2}).

        Where the other margin is judged on the other scale (per cent against absolute), the same terms are
        fitted again there. BadInput for a bare number or another unit.
        """
        declared = self.rows.margin
        if margin is None:
            return AgainstMargin(analyte=self.analyte, declared=declared, comparison=self.pairs, word=self.word)
        other = fit_terms(self.rows.against(margin_given(margin, self.rows.unit)), self.alpha, self.fixed, self.random, (),
                          self.structure)
        return AgainstMargin(analyte=self.analyte, declared=declared, comparison=other.pairs, word=other.word)

    def trust(self) -> dict[str, Any]:
        """Evidence of convergence: iterations, gradient, components at zero, second opinion."""
        fit = self.reml
        if fit is None:
            return {"analyte": self.analyte, "path": self.path, "containers": self.n_containers,
                    "second opinion": "the mixed model could not be fitted"}
        second = fit.second_opinion()
        return {"analyte": self.analyte, "path": self.path, "rows": fit.n, "containers": self.n_containers,
                "random terms": ", ".join(self.random), "iterations": fit.iterations,
                "largest gradient": max((abs(g) for n, g in fit.gradient.items() if n not in fit.at_zero)),
                "at zero": ", ".join(fit.at_zero) or "none",
                "REML criterion": fit.criterion, "statsmodels differs by": second.criterion_difference,
                "second opinion": "agrees" if second.agrees else second.note}


def fitted(models: list[AnalyteModel]) -> list[FittedModel]:
    """Those of the models that were fitted, in their order."""
    return [m for m in models if isinstance(m, FittedModel)]


def celled(models: list[AnalyteModel]) -> list[CelledModel]:
    """Those of several containers whose own readings can be held against the margin, in their order."""
    return [m for m in models if isinstance(m, CelledModel)]


def fit_analyte(study: Study, analyte: str, containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame, *,
                fixed: tuple[str, ...] | None = None, random: tuple[str, ...] | None = None) -> AnalyteModel:
    """Fit one analyte, or say which other path its rows allow.

    'known precision' where only one container was sampled; 'not assessed' where more than half
    of the results lie below quantification or nothing was measured at two depths. ``fixed`` (with "depth"
    among its terms, interactions as "depth:lot") and ``random`` ("container", "container:depth", "container:visit", "run",
    "age_months | container") replace the declared terms; DesignMismatch where the rows cannot carry terms that were given.
    """
    rows = model_rows(study, analyte, containers, samples, results)
    if fixed is None and random is None:
        return fit_rows(study, rows)
    if unfit(rows) is not None:
        return fit_rows(study, rows)
    fixed = fixed_terms(study, rows.measured)[0] if fixed is None else fixed
    random = random_terms(study, rows.measured)[0] if random is None else random
    if "depth" not in fixed:
        raise DesignMismatch("depth must be among the fixed terms: differences between depths are what is asked")
    every = [r for r in random if "|" in r or "visit" in r.split(":")]
    used = rows.visits[rows.visits["qualifier"] == ""] if every else rows.measured
    mixed = fit_reml(used, response="y", fixed=list(fixed), random=list(random))
    said: tuple[str, ...] = (OWN_TERMS,)
    if every:
        said += ("The mixed model takes all visits; differences between depths are those of each container's last.",)
    return _judged(rows, study.alpha, fixed, random, said, study.factors.across_depths, mixed)


def unfit(rows: ModelRows) -> tuple[Path, str] | None:
    """The path of rows that cannot be fitted, and why; None where they can."""
    measured, opened = rows.measured, rows.table["container"].nunique()
    few = len(rows.depths) < 2 or measured["depth"].nunique() < 2
    if rows.share_censored > MOSTLY_CENSORED and (opened > 1 or len(rows.depths) < 2):
        return "not assessed", f"{rows.censored} of {len(rows.table)} results are known only as a limit."
    if few and not (opened == 1 and len(rows.depths) > 1 and rows.censored):
        return "not assessed", few_depths(rows)
    if opened < 2:
        return "known precision", ("One container: its scatter comes from the method's stated precision, and nothing follows "
                                   "for others.")
    return None


def fit_rows(study: Study, rows: ModelRows) -> AnalyteModel:
    """Fit the rows of one analyte with the declared terms, or with depth alone where those are confounded."""
    alpha, why = study.alpha, unfit(rows)
    if why is not None:
        told = AnalyteModel(rows=rows, alpha=alpha, path=why[0], notes=(why[1],))
        return limited(study, told) if rows.censored and why[0] == "not assessed" else told
    fixed, fixed_notes = fixed_terms(study, rows.measured)
    random, random_notes = random_terms(study, rows.measured)
    model = fit_terms(rows, alpha, fixed, random, fixed_notes + random_notes, study.factors.across_depths)
    if model.pairs.tests:
        return model
    note = (f"Too few containers have {'numbers, not limits, at ' if rows.censored else ''}the same depths, so no difference "
            "between depths can be judged by them.")
    return limited(study, AnalyteModel(rows=rows, alpha=alpha, path="not assessed", notes=(*model.notes, note)))


def limited(study: Study, model: AnalyteModel) -> AnalyteModel:
    """An analyte that is not assessed, with the cells of its containers, so that those beyond are named all the same.

    Unchanged where it has results at one depth, or of one container, only.
    """
    rows = model.rows
    if len(rows.depths) < 2 or rows.table["container"].nunique() < 2:
        return model
    deciding, cells = max(1, sum(map(study.decides, study.analytes))), cells_of(rows)
    word = mean_of(cells, rows.margin, model.alpha / deciding, limits=False)[1]
    return LimitedModel(rows=rows, alpha=model.alpha, path=model.path, notes=model.notes, cells=cells,
                        beyond=word == "stratified")


@remembered
def fit_terms(rows: ModelRows, alpha: float, fixed: tuple[str, ...], random: tuple[str, ...],
              notes: tuple[str, ...], structure: str = "unstructured") -> FittedModel:
    """Differences between depths with these terms; confounded ones are left out with a note.

    A mixed model that cannot be fitted costs its own tables only, and its reason is among the notes.
    """
    try:
        mixed = fit_reml(rows.measured, response="y", fixed=list(fixed), random=list(random))
    except DesignMismatch as error:
        if fixed != ("depth",):
            more = f"{error} The model was fitted with depth alone."
            return fit_terms(rows, alpha, ("depth",), random, (*notes, more), structure)
        return _judged(rows, alpha, fixed, random, (*notes, f"{error} {NO_MIXED}"), structure, None)
    except (ModelNotTrusted, ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        return _judged(rows, alpha, fixed, random, (*notes, f"{said}. {NO_MIXED}"), structure, None)
    return _judged(rows, alpha, fixed, random, (*notes, *mixed.notes), structure, mixed)


def _judged(rows: ModelRows, alpha: float, fixed: tuple[str, ...], random: tuple[str, ...], notes: tuple[str, ...],
            structure: str, mixed: RemlFit | None, *, beside: bool = True) -> FittedModel:
    """``beside``: with the pooled comparison that stands beside an undeclared structure and decides nothing."""
    factors = acting_on_depth(fixed)
    cells, apart = mean_cells(cells_of(rows, factors))
    notes = (*notes, *apart)
    if factors and cells.groups is None and not apart:
        notes = (*notes, f"Too few containers to tell {', '.join(factors)} apart: they count as scatter.")
    bounds = bounds_of(cells, rows.margin, alpha)
    if (d := cells.departures) is not None:
        unstructured = structured = compare_cells(
            d.mean_cells, (*rows.depths, MIXED), rows.margin, alpha=alpha, groups=cells.groups, step=cells.step * d.noise,
            unit=rows.unit, rows=d.rows, names=[f"{b} - {a}" for a, b in cells.pairs])
    else:
        by = partial(compare_cells, known(cells), rows.depths, rows.margin, alpha=alpha, groups=cells.groups,
                     step=cells.step, unit=rows.unit, heights=heights_of(rows))
        unstructured = structured = by(structure="unstructured")
        if beside or structure != "unstructured":
            structured = by(structure="pooled" if structure == "unstructured" else structure)
    if structure != "unstructured" and (structured.unjudged or bounds is not None):
        notes = (*notes, f"The declared scatter ({structure}) is not used here: "
                 + (TOO_FEW if structured.unjudged else WITHIN_BOUNDS))
    return FittedModel(rows=rows, alpha=alpha, fixed=fixed, random=random, path="mixed model", notes=notes, cells=cells,
                       unstructured=unstructured, reml=mixed, structure=structure, bounds=bounds, structured=structured)


def judge_rows(rows: ModelRows, alpha: float, fixed: tuple[str, ...], structure: str = "unstructured") -> FittedModel:
    """Differences between depths alone, without the mixed model: what leaving containers out in turn needs."""
    return _judged(rows, alpha, fixed, (), (), structure, None, beside=False)


def bounds_of(cells: CellBounds, margin: Margin, alpha: float) -> Bounds | None:
    """The word that no filling contradicts, where values are limits or rounded too coarsely; None where neither."""
    _, word, low, high, why = mean_of(cells, margin, alpha)
    if not len(low):
        return None
    return Bounds(word=word, reason=" ".join(why), level=1 - 2 * alpha,
                  spans={f"{b} - {a}": (float(x), float(y)) for (a, b), x, y in zip(cells.pairs, low, high, strict=True)})
