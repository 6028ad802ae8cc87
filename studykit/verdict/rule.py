"""The verdict stage: homogeneous, stratified or inconclusive, per analyte and for the study, with its reasons.

Rule, fixed before the data (alpha, margins and the share allowed from study.toml). For the mean of the containers:

* homogeneous: for every pair of depths both one-sided tests reject (each 1 - 2 alpha interval
  lies inside the margin); over analytes this needs no correction (intersection-union);
* stratified: some pair is shown to differ by more than the margin, all pairs taken into account;
  the study is stratified where one analyte stays so after Holm's adjustment over those assessed;
* inconclusive: neither. Then the number of containers that would probably decide it is given.

An analyte for information only has its own word by the same rule and stands outside all that is said of the study.

For a claim about more than one container the mean is not enough (``containers.stock_of``): uneven where single
containers or a group are shown to lie beyond the margin though the mean does not; homogeneous only where the share
of containers beyond it is also shown to be at most the declared one.

Not seeing a difference is never taken for showing that there is none.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.listing import series
from studykit.core.record import significant
from studykit.inference.equivalence import Comparison, Interval, holm
from studykit.inference.judge import lost_reasons, mean_of
from studykit.inference.margin import Margin
from studykit.inference.power import containers_needed as plan_containers
from studykit.inference.single import LABEL
from studykit.mixed.fit import RemlFit
from studykit.model.analyte import AnalyteModel, LimitedModel
from studykit.model.fit import Bounds, FittedModel
from studykit.model.rows import heights_of, known
from studykit.study.actions import Action
from studykit.study.definition import Study
from studykit.study.spans import TIMES, amount, on_margin, unit_told
from studykit.verdict.below import all_below
from studykit.verdict.containers import Stock, stock_of, stock_of_limits

WORDS = ("homogeneous", "uneven", "stratified", "inconclusive", "not assessed")
SCATTER = {"container": "the scatter between containers", "container:depth": "the scatter between containers' profiles",
           "run": "the scatter between runs"}
NO_RESULT = "No result at {}: whether that zone is like the others is not known."
NOT_AFTER_HOLM = ("Among so many analytes chance alone can do this once: after Holm's adjustment it is not beyond the "
                  "margin, so the study's verdict does not rest on it.")
INFORMATION = ("Reported for information: it was declared beforehand to decide nothing, so the study's verdict does not rest "
               "on it.")
VERDICT_COLUMNS = ["analyte", "name", "verdict", "margin", "deciding pair", "difference", "low", "high", "unit", "level, %",
                   "stock"]
EVIDENCE_COLUMNS = ["analyte", "verdict", "df", "p within margin", "p beyond margin", "p beyond, Holm",
                    "p any gradient, Holm", "shown to exceed", "unit"]
DEFAULT_ACTIONS = {"uneven": Action(do="No action was declared for an uneven stock: set the containers and groups named below "
                                       "aside.")}
CHANCE = 0.8
MOST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteVerdict:
    """One analyte's verdict: the word, its sentence and reasons, the declared margin, and what the claim holds for.

    ``decides``: False for an analyte for information only, which the study's word does not rest on. ``stock``: what is known
    of single containers and groups; None for a claim about one container, and where nothing of them was judged.
    """

    analyte: str
    label: str
    word: str
    sentence: str
    reasons: tuple[str, ...]
    margin: str
    scope: str = ""
    blind_to: str = ""
    decides: bool = True
    stock: Stock | None = None

    @property
    def final(self) -> str:
        """The word for what the study claims: that of the stock, or of the one container."""
        return self.word if self.stock is None or self.word == "stratified" else self.stock.word

    @property
    def firm(self) -> bool:
        """True where the study may be called stratified on this analyte."""
        return self.stock is not None and self.final == "stratified"

    def row(self) -> dict[str, Any]:
        """Its line in the verdict table."""
        told = {"analyte": self.analyte, "name": self.label, "verdict": self.word, "margin": self.margin}
        return told if self.stock is None else told | {"stock": self.final}

    def evidence(self) -> dict[str, Any]:
        """Its line in the table of evidence."""
        return {"analyte": self.analyte, "verdict": self.word}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """The pair of depths on which a word hangs, as told: estimate, the interval that agrees with the word, its level."""

    pair: str
    estimate: float
    low: float
    high: float
    unit: str
    level: float
    margin: str = ""

    def text(self) -> str:
        """The pair, its difference and its interval in words."""
        lower, _, upper = self.pair.partition(" - ")
        scale = self.unit, self.margin
        value = f" {amount(self.estimate, *scale, signed=True)}{unit_told(*scale)}" if self.estimate == self.estimate else ""
        low, high = (on_margin(x, *scale)[0] for x in (self.low, self.high))
        return f"{lower} against {upper}{value} ({interval_text(low, high, on_margin(0.0, *scale)[1], self.level)})"


def decided(comparison: Comparison, word: str, bounds: Bounds | None = None) -> Decided:
    """What decides a word.

    homogeneous: the pair whose 1 - 2 alpha interval, which lies inside the margin, comes nearest to it; stratified: the
    pair whose such interval lies furthest out; inconclusive: the pair least clearly within, with the interval that holds
    for all pairs together. With ``bounds`` the pair that reaches furthest, wherever values known only within bounds lie.
    """
    margin, level = comparison.margin, 1 - 2 * comparison.alpha
    if bounds is not None:
        out = word == "stratified"
        pair = max(bounds.spans, key=lambda n: _near_end(bounds.span(n), margin) if out else max(
            map(margin.sized, bounds.spans[n])))
        known = [t.contrast.estimate for t in comparison.tests if t.contrast.label == pair]
        span = margin.shown_interval(bounds.span(pair))
        return Decided(pair=pair, estimate=margin.shown(known[0]) if known else math.nan, low=span.low, high=span.high,
                       unit=margin.unit, level=bounds.level, margin=margin.text)
    contrast, joint = comparison.deciding, word == "inconclusive"
    if word == "stratified":
        contrast = max((t.contrast for t in comparison.tests), key=lambda c: _near_end(c.interval(level), margin))
    elif word == "homogeneous":  # of p-values as small as these the largest need not come nearest
        contrast = max((t.contrast for t in comparison.tests), key=lambda c: max(map(margin.sized, c.interval(level))))
    span = margin.shown_interval(comparison.simultaneous_of(contrast) if joint else contrast.interval(level))
    return Decided(pair=contrast.label, estimate=margin.shown(contrast.estimate), low=span.low, high=span.high,
                   unit=comparison.unit, level=1 - comparison.alpha if joint else level, margin=margin.text)


def _near_end(span: Interval, margin: Margin) -> float:
    """How far the whole interval lies from zero, towards the margin; negative where it holds zero."""
    return min(map(margin.sized, span)) if margin.side else max(span.low, -span.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedVerdict(AnalyteVerdict):
    """A verdict that rests on a comparison of depths with the margin.

    ``word`` is that of the mean (of the container, where there is one). ``p_beyond_holm`` and ``gradient_p_holm`` (is there
    any difference at all?) are adjusted over all analytes assessed. ``needed``: how many containers (or results a depth, for
    one container) would probably decide an inconclusive analyte; None where no number would, or it is decided.
    ``containers``: how many were compared, 0 for one judged by known precision.
    """

    comparison: Comparison
    decided: Decided
    p_beyond_holm: float
    gradient_p_holm: float
    needed: int | None = None
    containers: int = 0

    @property
    def firm(self) -> bool:
        """True where it is stratified and stays so after Holm's adjustment, or every single container is shown to be."""
        if self.word != "stratified":
            return self.final == "stratified"
        return self.p_beyond_holm < self.comparison.alpha

    def row(self) -> dict[str, Any]:
        """Its line in the verdict table."""
        d = self.decided
        return {"analyte": self.analyte, "name": self.label, "verdict": self.word, "margin": self.margin,
                "deciding pair": d.pair, "difference": d.estimate, "low": d.low, "high": d.high, "unit": d.unit,
                "level, %": 100 * d.level, "stock": "" if self.stock is None else self.final}

    def evidence(self) -> dict[str, Any]:
        """Its line in the table of evidence: p-values and degrees of freedom behind the word."""
        c, (least, unit) = self.comparison, least_told(self.comparison)
        return {"analyte": self.analyte, "verdict": self.word, "df": c.deciding.df, "p within margin": c.p_within,
                "p beyond margin": c.p_beyond, "p beyond, Holm": self.p_beyond_holm,
                "p any gradient, Holm": self.gradient_p_holm, "shown to exceed": least,
                "unit": unit if unit == TIMES else self.decided.unit}


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyVerdict:
    """The study's verdict and those of its analytes."""

    word: str
    sentence: str
    action: Action | None
    analytes: tuple[AnalyteVerdict, ...]

    def words(self) -> dict[str, str]:
        """Verdict word of each analyte for the mean."""
        return {v.analyte: v.word for v in self.analytes}

    def final_words(self) -> dict[str, str]:
        """Word of each analyte for what the study claims (see ``ComparedVerdict.final``)."""
        return {v.analyte: v.final for v in self.analytes}

    def told_words(self) -> dict[str, str]:
        """Word by which each analyte is listed in the study's sentence, on page one and in figures (``told_word``)."""
        return {v.analyte: told_word(v) for v in self.analytes}

    def to_table(self) -> pd.DataFrame:
        """The verdict table: analyte, verdict, margin, widest pair, estimate with interval."""
        return pd.DataFrame([v.row() for v in self.analytes], columns=VERDICT_COLUMNS)

    def evidence(self) -> pd.DataFrame:
        """The p-values and degrees of freedom behind the words."""
        return pd.DataFrame([v.evidence() for v in self.analytes], columns=EVIDENCE_COLUMNS)


def interval_text(low: float, high: float, unit: str, level: float) -> str:
    """An interval in words."""
    return f"{100 * level:g} % interval {significant(low, 3)} to {significant(high, 3)} {unit}".rstrip()


def mixed_verdict(model: FittedModel, study: Study) -> ComparedVerdict:
    """The verdict of an analyte of several containers, before Holm's adjustment."""
    pairs, declared, word = model.pairs, study.analytes[model.analyte], model.word
    needed = containers_needed(model) if word == "inconclusive" and model.bounds is None else None
    stock = None if study.scope == "container" else stock_of(study, model)
    margin, what = declared.margin.text(declared.unit), decided(pairs, word, model.bounds)
    label, who = study.label_of(model.analyte), f"{model.n_containers} containers"
    return ComparedVerdict(
        analyte=model.analyte, label=label, word=word, sentence=f"{label}: {_said(model, what, margin, needed)}",
        reasons=_reasons(model, stock), margin=margin, scope=f"the mean profile of the {who} studied",
        blind_to=declared.blind_to, comparison=pairs, decided=what, p_beyond_holm=_p_beyond(study, model),
        gradient_p_holm=pairs.p_any, needed=needed, containers=model.n_containers, stock=stock)


def _p_beyond(study: Study, model: FittedModel) -> float:
    """The p-value that Holm's adjustment takes; with limits no smaller than alpha unless the word stands at its share of alpha.

    A p-value at the middle of what values can be says nothing of the other fillings.
    """
    p, share = model.pairs.p_beyond, model.alpha / max(1, sum(map(study.decides, study.analytes)))
    if model.bounds is None or model.word != "stratified":
        return p
    firm = mean_of(model.cells, model.rows.margin, share, limits=False)[1] == "stratified"
    return p if firm else max(p, model.alpha)


def _said_of_zones(model: FittedModel, what: Decided, margin: str, needed: int | None) -> str:
    """``_said`` for a one-sided margin."""
    n = model.n_containers
    if model.word == "homogeneous":
        return (f"homogeneous on average. Over these {n} containers no depth lies on average more than the declared {margin}; "
                f"nearest to it comes {what.text()}.")
    if model.word == "stratified":
        bound = f"; with all depths taken into account some lie off by at least {_least(model.pairs)}"
        return (f"stratified. The decisive difference is {what.text()}{'' if model.bounds else bound}, and declared were "
                f"{margin}.")
    return (f"inconclusive. It is neither shown that no depth lies more than {margin} nor that some depth does: {what.text()}, "
            f"for all depths together. {_needed_text(needed, n)}")


def _least(pairs: Comparison) -> str:
    """The least that some pair differs by, with its unit; beside a factor as a factor, whichever way it goes."""
    least, unit = least_told(pairs)
    if unit == TIMES:
        return f"a factor of {significant(least, 3)}"
    return f"{amount(least, unit, pairs.margin.text)}{unit_told(unit, pairs.margin.text)}"


def least_told(pairs: Comparison) -> tuple[float, str]:
    """The least that some pair differs by and its unit; beside a margin that is a factor as a factor of 1 or more."""
    least, unit = pairs.at_least_shown()
    if on_margin(least, unit, pairs.margin.text)[1] != TIMES:
        return least, unit
    ratio = 1 - least / 100 if pairs.margin.side < 0 else 1 + least / 100
    return 1 / ratio if ratio < 1 else ratio, TIMES


def _said(model: FittedModel, what: Decided, margin: str, needed: int | None) -> str:
    pairs, n = model.pairs, model.n_containers
    if model.rows.margin.side and (model.bounds is None or model.word != "inconclusive"):
        return _said_of_zones(model, what, margin, needed)
    if model.word == "homogeneous":
        return (f"homogeneous on average. Over these {n} containers no two depths differ on average by more than the declared "
                f"{margin.removeprefix('a ')}; nearest to it comes {what.text()}.")
    if model.word == "stratified":
        bound = (f"; with all pairs of depths taken into account some differ by at least "
                 f"{_least(pairs)}, beyond")
        return (f"stratified. The decisive difference is {what.text()}"
                + f"{', beyond' if model.bounds else bound} the declared {margin.removeprefix('a ')}.")
    if model.bounds is not None:
        return f"inconclusive. {model.bounds.reason[:1].upper()}{model.bounds.reason[1:].rstrip('.')}: {what.text()}."
    return (f"inconclusive. Neither 'within {margin}' nor 'beyond {margin}' is shown: {what.text()}, for all pairs of depths "
            f"together. {_needed_text(needed, n)}")


def _needed_text(needed: int | None, n: int) -> str:
    if needed is None:
        return "If the estimate is right, no reasonable number of containers would decide it: it lies close to the margin."
    if needed <= n:
        return "A repeat of this size would decide it four times in five, if the estimate is right."
    return f"About {needed} containers in all ({needed - n} more) would decide it four times in five, if the estimate is right."


def containers_needed(model: FittedModel, chance: float = CHANCE) -> int | None:
    """Total number of containers at which the word would be decided with that chance, all pairs of depths looked at.

    Takes the depth means and the covariance of the containers' cells as true (``studykit.inference.power``). None
    above ``MOST``, or where too few containers have every depth.
    """
    zones = model.cells.departures
    cells = known(model.cells) if zones is None else zones.cells[:, :-1]
    whole = np.isfinite(cells).all(axis=1)
    declared = model.structure if model.by_declaration else "unstructured"
    own = model.cells.groups is None or not model.by_declaration  # a declared scatter is that within groups
    columns = np.ones((int(whole.sum()), 1)) if own or model.cells.groups is None else model.cells.groups[whole]
    df = int(whole.sum()) - int(np.linalg.matrix_rank(columns)) if whole.any() else 0
    if df < 1:
        return None
    if zones is not None:  # by the containers' own contrasts, groups not told apart
        zone = cells[whole]
        return plan_containers(zone.mean(axis=0), np.cov(zone.T), model.rows.margin.edge, alpha=model.alpha, chance=chance,
                               most=MOST, side=zones.side)
    rest = cells[whole] - columns @ np.linalg.lstsq(columns, cells[whole], rcond=None)[0]
    return plan_containers(model.mean_values, rest.T @ rest / df, model.rows.margin.edge, alpha=model.alpha, chance=chance,
                           most=MOST, groups=columns.shape[1], heights=heights_of(model.rows),
                           structure=declared)


def _reasons(model: FittedModel, stock: Stock | None) -> tuple[str, ...]:
    reasons = [*([] if stock is None else stock.reasons), *lost_reasons(model.cells)]
    if model.bounds is not None and model.word != "inconclusive":
        reasons.append(f"{model.bounds.reason[:1].upper()}{model.bounds.reason[1:].rstrip('.')}.")
    if model.pairs.unjudged:
        reasons.append(f"Too few containers to judge {', '.join(model.pairs.unjudged)}.")
    if model.reml is not None and model.reml.at_zero:
        reasons.append(_zeros(model, model.reml))
    return tuple(reasons + list(model.notes))


def _zeros(model: FittedModel, fit: RemlFit) -> str:
    """Scatters estimated as zero, and how large each could be."""
    most = {n: model.rows.margin.shown_sd(math.sqrt(fit.profile_upper(n))) for n in fit.at_zero}
    told = [f"{SCATTER.get(n, n)} could be up to {significant(x, 2)} {model.shown_unit}" if math.isfinite(x) else
            f"how large {SCATTER.get(n, n)} could be, so few readings do not tell" for n, x in most.items()]
    return f"Estimated as zero: {'; '.join(told)}{' (95 % bound)' * any(map(math.isfinite, most.values()))}."


def unassessed(model: AnalyteModel, study: Study, why: str = "") -> AnalyteVerdict:
    """The verdict of an analyte that cannot be assessed, with the reason."""
    declared = study.analytes[model.analyte]
    label, reason = study.label_of(model.analyte), why or " ".join(model.notes)
    return AnalyteVerdict(analyte=model.analyte, label=label, word="not assessed",
                          sentence=f"{label}: not assessed. {reason}", reasons=(reason,),
                          margin=declared.margin.text(declared.unit), blind_to=declared.blind_to)


def limited_verdict(model: LimitedModel, study: Study) -> AnalyteVerdict:
    """The verdict where most is known only as limits: not assessed, and what they show beyond the margin all the same."""
    none = unassessed(model, study, " ".join(filter(None, (*model.notes, all_below(model)))))
    stock = None if study.scope == "container" else stock_of_limits(study, model)
    if stock is None:
        return none
    word, told = ("stratified" if model.beyond else "not assessed"), " ".join(stock.reasons)
    return replace(none, word=word, stock=stock, reasons=(*none.reasons, *stock.reasons),
                   sentence=f"{none.label}: {word}. {none.reasons[0]} {told}")


def judge(study: Study, models: list[AnalyteModel], others: Mapping[str, AnalyteVerdict] | None = None) -> StudyVerdict:
    """Verdicts of all analytes and of the study; ``others`` holds those reached by another path, by analyte.

    Holm's adjustment runs over all analytes that were compared and decide, whichever path judged them.
    """
    out: list[AnalyteVerdict] = []
    for model in models:
        if others and model.analyte in others:
            out.append(others[model.analyte])
        elif isinstance(model, FittedModel | LimitedModel):
            out.append(_safely(model, study))
        else:
            out.append(unassessed(model, study))
    told = [v if study.decides(v.analyte) else replace(v, decides=False, reasons=(INFORMATION, *v.reasons)) for v in out]
    return study_verdict(study, _adjusted(study, told, [*_beside(study, models, told)]))


def _beside(study: Study, models: list[AnalyteModel], verdicts: Sequence[AnalyteVerdict]) -> Iterator[float]:
    """What stands for the p-values of deciding analytes that limits keep from being assessed: they were tested as well."""
    for model, v in zip(models, verdicts, strict=True):
        if v.decides and not isinstance(v, ComparedVerdict) and (
                isinstance(model, LimitedModel) or (model.path == "known precision" and model.rows.censored)):
            yield 0.0 if isinstance(model, LimitedModel) and model.beyond else 1.0


def _safely(model: FittedModel | LimitedModel, study: Study) -> AnalyteVerdict:
    """The verdict, or the numerical failure as this analyte's finding."""
    try:
        return mixed_verdict(model, study) if isinstance(model, FittedModel) else limited_verdict(model, study)
    except (ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        return unassessed(model, study, f"The calculation failed: {why}.")


def _adjusted(study: Study, verdicts: list[AnalyteVerdict], beside: Sequence[float] = ()) -> tuple[AnalyteVerdict, ...]:
    """The verdicts with Holm's adjustment over those that have p-values and decide, and the reasons that follow from it.

    ``beside``: p-values of "nothing is beyond" of analytes that were tested but have no numbers to tell.
    """
    compared = [v for v in verdicts if isinstance(v, ComparedVerdict) and v.decides]
    beyond = holm([*(v.p_beyond_holm for v in compared), *beside])[:len(compared)]
    gradient = holm([v.gradient_p_holm for v in compared])
    new = {v.analyte: replace(v, p_beyond_holm=b, gradient_p_holm=g,
                              reasons=(*_after_holm(v.word, b, g, v.gradient_p_holm, study.alpha, _named(v)), *v.reasons))
           for v, b, g in zip(compared, beyond, gradient, strict=True)}
    for v in verdicts:
        if isinstance(v, ComparedVerdict) and not v.decides:
            alone = _after_holm(v.word, v.p_beyond_holm, v.gradient_p_holm, v.gradient_p_holm, study.alpha, _named(v))
            new[v.analyte] = replace(v, reasons=(*v.reasons, *alone))
    return tuple(new.get(v.analyte, v) for v in verdicts)


def _named(verdict: AnalyteVerdict) -> bool:
    """Whether single containers are named as beyond the margin."""
    return verdict.stock is not None and bool(verdict.stock.beyond)


def _after_holm(word: str, beyond: float, gradient: float, alone: float, alpha: float, named: bool = False) -> tuple[str, ...]:
    if word == "stratified" and beyond >= alpha:
        return (NOT_AFTER_HOLM,)
    if word == "homogeneous" and gradient < alpha:
        return ("There is a gradient, but it lies within the margin: real, and too small to matter.",)
    if word == "inconclusive" and alone < alpha <= gradient:
        return ("A gradient was seen; among so many analytes chance alone can do this once.",)
    if word == "inconclusive" and gradient >= alpha and named:
        return ("On average over the containers no gradient was seen, which does not show that there is none; those named "
                "here lie beyond the margin all the same.",)
    if word == "inconclusive" and gradient >= alpha:
        return ("No gradient was seen, which does not show that there is none within the margin.",)
    return ()


ON_AVERAGE = "homogeneous on average only"
"""In lists of the study's sentence: the mean is homogeneous, but too little is shown of single containers."""
ONE_ONLY = "homogeneous in one container only"
"""There: the one container in which it was measured is homogeneous, which says nothing of the others."""


def told_word(verdict: AnalyteVerdict) -> str:
    """The word by which an analyte is listed: that of what the study claims, and whether only its mean is homogeneous."""
    if verdict.final == "inconclusive" and verdict.word == "homogeneous":
        return ONE_ONLY if verdict.scope == LABEL else ON_AVERAGE
    return verdict.final


def study_verdict(study: Study, analytes: tuple[AnalyteVerdict, ...]) -> StudyVerdict:
    """The study's word from those of its analytes that decide; those for information are named behind it.

    Stratified where one analyte is and stays so after Holm; uneven where one is; homogeneous where every declared one
    is, for the stock where that is claimed; else inconclusive.
    """
    told, analytes = analytes, tuple(v for v in analytes if v.decides)
    finals = [v.final for v in analytes]
    word = ("stratified" if any(v.firm for v in analytes) else "uneven" if "uneven" in finals else
            "homogeneous" if all(w == "homogeneous" for w in finals) else "inconclusive")
    listed = list(map(told_word, analytes))
    order = [word, *(w for w in ("stratified", "uneven", "inconclusive", ON_AVERAGE, ONE_ONLY, "homogeneous", "not assessed")
                     if w != word)]
    parts = []
    for each in order:
        named = [v.label for v, w in zip(analytes, listed, strict=True) if w == each]
        if named:
            every = len(named) == len(analytes) > 1
            whole = "both analytes" if len(named) == 2 else f"all {len(named)} analytes"
            parts.append(f"{each.capitalize()}: {whole if every else series(named)}")
        elif each == word:
            parts.append(f"{each.capitalize()}: no analyte is shown to be stratified, and not every one homogeneous")
    if beside := [f"{v.label} {told_word(v)}" for v in told if not v.decides]:
        parts.append(f"Not decisive: {series(beside)}")
    action = study.actions.get(word)  # type: ignore[call-overload]
    return StudyVerdict(word=word, sentence=". ".join(parts) + ".", action=action or DEFAULT_ACTIONS.get(word), analytes=told)
