"""The verdict stage: homogeneous, stratified or inconclusive, per analyte and for the study, with its reasons.

Rule, fixed before the data (alpha and margins from study.toml):

* homogeneous: for every pair of depths both one-sided tests reject (each 1 - 2 alpha interval
  lies inside the margin); over analytes this needs no correction (intersection-union);
* stratified: some pair is shown to differ by more than the margin, all pairs taken into account;
  the study is stratified where one analyte stays so after Holm's adjustment over those assessed;
* inconclusive: neither. Then the number of containers that would probably decide it is given.

Not seeing a difference is never taken for showing that there is none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from studykit.core.record import significant
from studykit.inference.equivalence import Comparison, Contrast, Margin, beyond_power, holm
from studykit.inference.tost_power import tost_power
from studykit.model.fit import AnalyteModel, FittedModel
from studykit.study.definition import Study

WORDS = ("homogeneous", "stratified", "inconclusive", "not assessed")
SCATTER = {"container": "the scatter between containers", "container:depth": "the scatter between containers' profiles",
           "run": "the scatter between runs"}
NOT_AFTER_HOLM = ("Among so many analytes chance alone can do this once: after Holm's adjustment it is not beyond the "
                  "margin, so the study's verdict does not rest on it.")
VERDICT_COLUMNS = ["analyte", "name", "verdict", "margin", "widest pair", "difference", "low", "high", "unit"]
EVIDENCE_COLUMNS = ["analyte", "verdict", "df", "p within margin", "p beyond margin", "p beyond, Holm",
                    "p any gradient, Holm", "shown to exceed", "unit"]
CHANCE = 0.8
MOST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteVerdict:
    """One analyte's verdict: the word, its sentence and reasons, the declared margin, and what the claim holds for."""

    analyte: str
    label: str
    word: str
    sentence: str
    reasons: tuple[str, ...]
    margin: str
    scope: str = ""
    blind_to: str = ""

    @property
    def firm(self) -> bool:
        """True where the study may be called stratified on this analyte."""
        return self.word == "stratified"

    def row(self) -> dict[str, Any]:
        """Its line in the verdict table."""
        return {"analyte": self.analyte, "name": self.label, "verdict": self.word, "margin": self.margin}

    def evidence(self) -> dict[str, Any]:
        """Its line in the table of evidence."""
        return {"analyte": self.analyte, "verdict": self.word}


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedVerdict(AnalyteVerdict):
    """A verdict that rests on a comparison of depths with the margin.

    ``estimate``, ``low``, ``high`` (1 - 2 alpha interval) belong to the pair of depths with the largest difference,
    in ``unit``. ``p_beyond_holm`` and ``gradient_p_holm`` (is there any difference at all?) are adjusted over the
    analytes assessed. ``needed``: how many containers (or results a depth, for one container) would probably
    decide an inconclusive analyte; None where no number would, or it is decided.
    """

    comparison: Comparison
    p_beyond_holm: float
    gradient_p_holm: float
    needed: int | None = None
    shown: tuple[float, float, float, str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "shown", self.comparison.widest.shown(1 - 2 * self.comparison.alpha))

    @property
    def firm(self) -> bool:
        """True where it is stratified and stays so after Holm's adjustment."""
        return self.word == "stratified" and self.p_beyond_holm < self.comparison.alpha

    @property
    def pair(self) -> str:
        """The pair of depths that differ most, lower minus upper."""
        return self.comparison.widest.label

    @property
    def estimate(self) -> float:
        """Their difference, in ``unit``."""
        return self.shown[0]

    @property
    def low(self) -> float:
        """Lower end of its interval."""
        return self.shown[1]

    @property
    def high(self) -> float:
        """Upper end of its interval."""
        return self.shown[2]

    @property
    def unit(self) -> str:
        """Per cent, or the analyte's unit."""
        return self.shown[3]

    def row(self) -> dict[str, Any]:
        """Its line in the verdict table."""
        return {"analyte": self.analyte, "name": self.label, "verdict": self.word, "margin": self.margin,
                "widest pair": self.pair, "difference": self.estimate, "low": self.low, "high": self.high, "unit": self.unit}

    def evidence(self) -> dict[str, Any]:
        """Its line in the table of evidence: p-values and degrees of freedom behind the word."""
        c = self.comparison
        return {"analyte": self.analyte, "verdict": self.word, "df": c.widest.df, "p within margin": c.p_within,
                "p beyond margin": c.p_beyond, "p beyond, Holm": self.p_beyond_holm,
                "p any gradient, Holm": self.gradient_p_holm, "shown to exceed": c.at_least_shown()[0], "unit": self.unit}


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyVerdict:
    """The study's verdict and those of its analytes."""

    word: str
    sentence: str
    action: str
    analytes: tuple[AnalyteVerdict, ...]

    def words(self) -> dict[str, str]:
        """Verdict word of each analyte."""
        return {v.analyte: v.word for v in self.analytes}

    def to_table(self) -> pd.DataFrame:
        """The verdict table: analyte, verdict, margin, widest pair, estimate with interval."""
        return pd.DataFrame([v.row() for v in self.analytes], columns=VERDICT_COLUMNS)

    def evidence(self) -> pd.DataFrame:
        """The p-values and degrees of freedom behind the words."""
        return pd.DataFrame([v.evidence() for v in self.analytes], columns=EVIDENCE_COLUMNS)


def interval_text(low: float, high: float, unit: str, level: float) -> str:
    """An interval in words."""
    return f"{100 * level:g} % interval {significant(low, 3)} to {significant(high, 3)} {unit}"


def _signed(value: float, unit: str) -> str:
    return ("+" if value > 0 else "") + significant(value, 3) + f" {unit}"


def mixed_verdict(model: FittedModel, study: Study, p_beyond_holm: float, gradient_p_holm: float) -> ComparedVerdict:
    """The verdict of an analyte that was fitted by the mixed model."""
    pairs, declared = model.pairs, study.analytes[model.analyte]
    word, level = pairs.word, 1 - 2 * model.alpha
    value, low, high, unit = pairs.widest.shown(level)
    needed = containers_needed(model) if word == "inconclusive" else None
    margin = declared.margin.text(declared.unit)
    label, who = study.label_of(model.analyte), f"{model.n_containers} containers"
    what = f"{_over(pairs.widest)} {_signed(value, unit)} ({interval_text(low, high, unit, level)})"
    if word == "homogeneous":
        sentence = (f"{label}: homogeneous. On average over these {who} no two depths differ by more than "
                    f"the declared {margin}; the largest difference is {what}.")
    elif word == "stratified":
        bound, bound_unit = pairs.at_least_shown()
        sentence = (f"{label}: stratified. The largest difference is {what}; it is shown to be at least "
                    f"{significant(bound, 3)} {bound_unit}, beyond the declared {margin}.")
    else:
        sentence = (f"{label}: inconclusive. The largest difference is {what}; neither 'within {margin}' nor "
                    f"'beyond {margin}' is shown. {_needed_text(needed, model.n_containers)}")
    return ComparedVerdict(
        analyte=model.analyte, label=label, word=word, sentence=sentence,
        reasons=_reasons(model, word, p_beyond_holm, gradient_p_holm), margin=margin,
        scope=f"the mean profile of the {who} studied", blind_to=declared.blind_to, comparison=pairs,
        p_beyond_holm=p_beyond_holm, gradient_p_holm=gradient_p_holm, needed=needed)


def _over(contrast: Contrast) -> str:
    lower, _, upper = contrast.label.partition(" - ")
    return f"{lower} against {upper}"


def _needed_text(needed: int | None, n: int) -> str:
    if needed is None:
        return "If the estimate is right, no reasonable number of containers would decide it: it lies close to the margin."
    if needed <= n:
        return "A repeat of this size would decide it four times in five, if the estimate is right."
    return f"About {needed} containers in all ({needed - n} more) would decide it four times in five, if the estimate is right."


def containers_needed(model: FittedModel, chance: float = CHANCE) -> int | None:
    """Total number of containers at which the widest pair would be decided with that chance.

    Takes the estimate as true, the standard error as falling with the square root of the number of
    containers and the degrees of freedom as growing in proportion; exact power of the two one-sided
    tests (inside) or of the test beyond the margin (outside). None above ``MOST``.
    """
    contrast, margin, n0 = model.pairs.widest, model.rows.margin, model.n_containers
    inside = abs(contrast.estimate) < margin.high

    def power(n: int) -> float:
        se = contrast.se * math.sqrt(n0 / n)
        df = max(1.0, contrast.df * (n - 1) / (n0 - 1))
        if inside:
            return tost_power(contrast.estimate, se, df, margin.low, margin.high, model.alpha)
        return beyond_power(contrast.estimate, se, df, margin.high, model.alpha)

    if power(MOST) < chance:
        return None
    low, high = 1, MOST
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power(middle) >= chance else (middle, high)
    return high


def _reasons(model: FittedModel, word: str, p_holm: float, p_any: float) -> tuple[str, ...]:
    reasons, censored = [], model.rows.censored
    if word == "stratified" and p_holm >= model.alpha:
        reasons.append(NOT_AFTER_HOLM)
    if p_any < model.alpha and word == "homogeneous":
        reasons.append("A gradient is there, but it is small against the margin: real, and too small to matter.")
    if p_any >= model.alpha and word == "inconclusive":
        reasons.append("No gradient was seen, which does not show that there is none within the margin.")
    if censored:
        reasons.append(f"{censored} result{'' if censored == 1 else 's'} known only as a limit "
                       f"{'is' if censored == 1 else 'are'} not in the fit.")
    if model.reml.at_zero:
        reasons.append(_zeros(model))
    return tuple(reasons + list(model.notes))


def _zeros(model: FittedModel) -> str:
    """Scatters estimated as zero, how large each could be, and what that does to the interval."""
    uppers = [f"{SCATTER.get(n, n)} could be up to "
              f"{significant(model.rows.margin.shown_sd(math.sqrt(model.reml.profile_upper(n))), 2)} {model.shown_unit}"
              for n in model.reml.at_zero]
    cautious = model.judge.method == "Kenward-Roger"
    return (f"Estimated as zero: {'; '.join(uppers)} (95 % bound)."
            + (" The interval is then rather too wide than too narrow." if cautious else ""))


def unassessed(model: AnalyteModel, study: Study, why: str = "") -> AnalyteVerdict:
    """The verdict of an analyte that cannot be assessed, with the reason."""
    declared = study.analytes[model.analyte]
    label, reason = study.label_of(model.analyte), why or " ".join(model.notes)
    return AnalyteVerdict(analyte=model.analyte, label=label, word="not assessed",
                          sentence=f"{label}: not assessed. {reason}", reasons=(reason,),
                          margin=declared.margin.text(declared.unit), blind_to=declared.blind_to)


def judge(study: Study, models: list[AnalyteModel], others: Mapping[str, AnalyteVerdict] | None = None) -> StudyVerdict:
    """Verdicts of all analytes and of the study; ``others`` holds those reached by another path, by analyte."""
    fitted = {m.analyte: m.pairs for m in models if isinstance(m, FittedModel)}
    beyond, gradient = holm([p.p_beyond for p in fitted.values()]), holm([p.p_any for p in fitted.values()])
    adjusted = {a: (b, g) for a, b, g in zip(fitted, beyond, gradient, strict=True)}
    other = _adjusted(study, others or {})
    out: list[AnalyteVerdict] = []
    for model in models:
        if model.analyte in other:
            out.append(other[model.analyte])
        elif isinstance(model, FittedModel):
            out.append(mixed_verdict(model, study, *adjusted[model.analyte]))
        else:
            out.append(unassessed(model, study))
    return study_verdict(study, tuple(out))


def _adjusted(study: Study, verdicts: Mapping[str, AnalyteVerdict]) -> dict[str, AnalyteVerdict]:
    """Verdicts of the known-precision path with Holm's adjustment over those that have p-values."""
    known, out = [v for v in verdicts.values() if isinstance(v, ComparedVerdict)], dict(verdicts)
    beyond, gradient = (holm([getattr(v.comparison, p) for v in known]) for p in ("p_beyond", "p_any"))
    for v, b, g in zip(known, beyond, gradient, strict=True):
        more = (NOT_AFTER_HOLM,) if v.word == "stratified" and b >= study.alpha else ()
        out[v.analyte] = replace(v, p_beyond_holm=b, gradient_p_holm=g, reasons=(*more, *v.reasons))
    return out


def study_verdict(study: Study, analytes: tuple[AnalyteVerdict, ...]) -> StudyVerdict:
    """Stratified where one analyte is and stays so after Holm; homogeneous where every declared one is; else inconclusive."""
    words = [v.word for v in analytes]
    word = ("stratified" if any(v.firm for v in analytes) else
            "homogeneous" if all(w == "homogeneous" for w in words) else "inconclusive")
    order = [word, *(w for w in ("stratified", "inconclusive", "homogeneous", "not assessed") if w != word)]
    parts = []
    for each in order:
        named = [v.label for v in analytes if v.word == each]
        if named:
            every = len(named) == len(analytes) > 1
            parts.append(f"{each.capitalize()}: " + (f"all {len(named)} analytes" if every else ", ".join(named)))
        elif each == word:
            parts.append(f"{each.capitalize()}: no analyte is shown to be stratified, and not every one homogeneous")
    action = study.actions.get(word, "")  # type: ignore[call-overload]
    return StudyVerdict(word=word, sentence=". ".join(parts) + ".", action=action, analytes=analytes)


def place(contrast: Contrast, margin: Margin, alpha: float, alpha_beyond: float | None = None) -> str:
    """Where the 1 - 2 alpha interval of a contrast lies against the margin, in words.

    ``alpha_beyond`` is the smaller level asked for 'beyond' where many groups are looked at
    (Bonferroni), so that one of many is not called out by chance.
    """
    if contrast.interval(1 - 2 * alpha).within(margin.low, margin.high):
        return "inside the margin"
    level = 1 - 2 * (alpha if alpha_beyond is None else alpha_beyond)
    return "beyond the margin" if contrast.interval(level).beyond(margin.low, margin.high) else "across its edge"
