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
from dataclasses import dataclass, replace

import pandas as pd

from studykit.core.record import significant
from studykit.inference.equivalence import Contrast, beyond_power, container_summary, holm
from studykit.inference.tost_power import tost_power
from studykit.model.fit import AnalyteModel
from studykit.model.rows import container_contrasts
from studykit.study.definition import Study

WORDS = ("homogeneous", "stratified", "inconclusive", "not assessed")
SCATTER = {"container": "the scatter between containers", "container:depth": "the scatter between containers' profiles",
           "run": "the scatter between runs"}
NOT_AFTER_HOLM = ("Among so many analytes chance alone can do this once: after Holm's adjustment it is not beyond the "
                  "margin, so the study's verdict does not rest on it.")
CHANCE = 0.8
MOST = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteVerdict:
    """One analyte's verdict: the word, its sentence and reasons, and the numbers they rest on.

    ``estimate``, ``low``, ``high`` (1 - 2 alpha interval) belong to the pair of depths with the
    largest difference, in ``unit``. ``p_beyond_holm`` is adjusted over the analytes assessed;
    ``gradient_p_holm`` asks whether there is any difference at all. ``needed`` is the total number of
    containers that would probably decide an inconclusive analyte; None where no number would.
    """

    analyte: str
    label: str
    word: str
    sentence: str
    reasons: tuple[str, ...]
    margin: str
    scope: str
    pair: str = ""
    estimate: float = math.nan
    low: float = math.nan
    high: float = math.nan
    unit: str = ""
    at_least: float = math.nan
    df: float = math.nan
    p_within: float = math.nan
    p_beyond: float = math.nan
    p_beyond_holm: float = math.nan
    gradient_p_holm: float = math.nan
    needed: int | None = None
    blind_to: str = ""


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
        """The verdict table: analyte, verdict, margin, widest pair, estimate with interval, p-values."""
        rows = [{"analyte": v.analyte, "name": v.label, "verdict": v.word, "margin": v.margin, "widest pair": v.pair,
                 "difference": v.estimate, "low": v.low, "high": v.high, "unit": v.unit} for v in self.analytes]
        return pd.DataFrame(rows)

    def evidence(self) -> pd.DataFrame:
        """The p-values and degrees of freedom behind the words."""
        rows = [{"analyte": v.analyte, "verdict": v.word, "df": v.df, "p within margin": v.p_within,
                 "p beyond margin": v.p_beyond, "p beyond, Holm": v.p_beyond_holm,
                 "p any gradient, Holm": v.gradient_p_holm, "shown to exceed": v.at_least, "unit": v.unit}
                for v in self.analytes]
        return pd.DataFrame(rows)


def interval_text(low: float, high: float, unit: str, level: float) -> str:
    """An interval in words."""
    return f"{100 * level:g} % interval {significant(low, 3)} to {significant(high, 3)} {unit}"


def _signed(value: float, unit: str) -> str:
    return ("+" if value > 0 else "") + significant(value, 3) + f" {unit}"


def mixed_verdict(model: AnalyteModel, study: Study, p_beyond_holm: float, gradient_p_holm: float) -> AnalyteVerdict:
    """The verdict of an analyte that was fitted by the mixed model."""
    pairs, declared = model.pairs, study.analytes[model.analyte]
    assert pairs is not None
    widest = pairs.widest
    level = 1 - 2 * model.alpha
    value, low, high, unit = widest.shown(level)
    word = pairs.word
    needed = containers_needed(model) if word == "inconclusive" else None
    span = interval_text(low, high, unit, level)
    margin = declared.margin.text(declared.unit)
    bound, bound_unit = pairs.at_least_shown()
    label, who = study.label_of(model.analyte), f"{model.n_containers} containers"
    what = f"{_over(widest)} {_signed(value, unit)} ({span})"
    if word == "homogeneous":
        sentence = (f"{label}: homogeneous. On average over these {who} no two depths differ by more than "
                    f"the declared {margin}; the largest difference is {what}.")
    elif word == "stratified":
        sentence = (f"{label}: stratified. The largest difference is {what}; it is shown to be at least "
                    f"{significant(bound, 3)} {bound_unit}, beyond the declared {margin}.")
    else:
        sentence = (f"{label}: inconclusive. The largest difference is {what}; neither 'within {margin}' nor "
                    f"'beyond {margin}' is shown. {_needed_text(needed, model.n_containers)}")
    return AnalyteVerdict(
        analyte=model.analyte, label=label, word=word, sentence=sentence,
        reasons=_reasons(model, word, pairs.p_beyond, p_beyond_holm, gradient_p_holm), margin=margin,
        scope=f"the mean profile of the {who} studied", pair=widest.label, estimate=value, low=low, high=high, unit=unit,
        at_least=bound, df=widest.df, p_within=pairs.p_within, p_beyond=pairs.p_beyond, p_beyond_holm=p_beyond_holm,
        gradient_p_holm=gradient_p_holm, needed=needed, blind_to=declared.blind_to)


def _over(contrast: Contrast) -> str:
    lower, _, upper = contrast.label.partition(" - ")
    return f"{lower} against {upper}"


def _needed_text(needed: int | None, n: int) -> str:
    if needed is None:
        return "If the estimate is right, no reasonable number of containers would decide it: it lies close to the margin."
    if needed <= n:
        return "A repeat of this size would decide it four times in five, if the estimate is right."
    return f"About {needed} containers in all ({needed - n} more) would decide it four times in five, if the estimate is right."


def containers_needed(model: AnalyteModel, chance: float = CHANCE) -> int | None:
    """Total number of containers at which the widest pair would be decided with that chance.

    Takes the estimate as true, the standard error as falling with the square root of the number of
    containers and the degrees of freedom as growing in proportion; exact power of the two one-sided
    tests (inside) or of the test beyond the margin (outside). None above ``MOST``.
    """
    assert model.pairs is not None
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


def _reasons(model: AnalyteModel, word: str, p_beyond: float, p_holm: float, p_any: float) -> tuple[str, ...]:
    reasons = []
    if word == "stratified" and p_holm >= model.alpha:
        reasons.append(NOT_AFTER_HOLM)
    if p_any < model.alpha and word == "homogeneous":
        reasons.append("A gradient is there, but it is small against the margin: real, and too small to matter.")
    if p_any >= model.alpha and word == "inconclusive":
        reasons.append("No gradient was seen, which does not show that there is none within the margin.")
    if model.rows.censored:
        one = model.rows.censored == 1
        reasons.append(f"{model.rows.censored} result{'' if one else 's'} known only as a limit {'is' if one else 'are'} not "
                       "in the fit.")
    if model.fit is not None and model.fit.at_zero:
        reasons.append(_zeros(model))
    return tuple(reasons + list(model.notes))


def _zeros(model: AnalyteModel) -> str:
    """Scatters estimated as zero, how large each could be, and what that does to the interval."""
    assert model.fit is not None
    assert model.pairs is not None
    factor = 100.0 if model.rows.log else 1.0
    uppers = [f"{SCATTER.get(n, n)} could be up to {significant(factor * math.sqrt(model.fit.profile_upper(n)), 2)} "
              f"{model.shown_unit}" for n in model.fit.at_zero]
    cautious = model.pairs.tests[0].contrast.method == "Kenward-Roger"
    return (f"Estimated as zero: {'; '.join(uppers)} (95 % bound)."
            + (" The interval is then rather too wide than too narrow." if cautious else ""))


def unassessed(model: AnalyteModel, study: Study, why: str = "") -> AnalyteVerdict:
    """The verdict of an analyte that cannot be assessed, with the reason."""
    declared = study.analytes[model.analyte]
    label, reason = study.label_of(model.analyte), why or " ".join(model.notes)
    return AnalyteVerdict(analyte=model.analyte, label=label, word="not assessed",
                          sentence=f"{label}: not assessed. {reason}", reasons=(reason,),
                          margin=declared.margin.text(declared.unit), scope="", blind_to=declared.blind_to)


def judge(study: Study, models: list[AnalyteModel], others: dict[str, AnalyteVerdict] | None = None) -> StudyVerdict:
    """Verdicts of all analytes and of the study; ``others`` holds those reached by another path, by analyte."""
    fitted = {m.analyte: m.pairs for m in models if m.pairs is not None}
    beyond = holm([p.p_beyond for p in fitted.values()]) if fitted else ()
    gradient = holm([p.p_any for p in fitted.values()]) if fitted else ()
    adjusted = {a: (b, g) for a, b, g in zip(fitted, beyond, gradient, strict=True)}
    other = _adjusted(study, others or {})
    out = []
    for model in models:
        if model.analyte in other:
            out.append(other[model.analyte])
        elif model.pairs is not None:
            out.append(mixed_verdict(model, study, *adjusted[model.analyte]))
        else:
            out.append(unassessed(model, study))
    return study_verdict(study, tuple(out))


def _adjusted(study: Study, verdicts: dict[str, AnalyteVerdict]) -> dict[str, AnalyteVerdict]:
    """Verdicts of the known-precision path with Holm's adjustment over those that have p-values."""
    known = {a: v for a, v in verdicts.items() if v.p_beyond == v.p_beyond}
    out = dict(verdicts)
    if known:
        beyond, gradient = holm([v.p_beyond for v in known.values()]), holm([v.gradient_p_holm for v in known.values()])
        for (analyte, v), b, g in zip(known.items(), beyond, gradient, strict=True):
            more = (NOT_AFTER_HOLM,) if v.word == "stratified" and b >= study.alpha else ()
            out[analyte] = replace(v, p_beyond_holm=b, gradient_p_holm=g, reasons=(*more, *v.reasons))
    return out


def study_verdict(study: Study, analytes: tuple[AnalyteVerdict, ...]) -> StudyVerdict:
    """Stratified where one analyte is and stays so after Holm; homogeneous where every declared one is; else inconclusive."""
    words = [v.word for v in analytes]
    firm = any(v.word == "stratified" and v.p_beyond_holm < study.alpha for v in analytes)
    word = ("stratified" if firm else
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
    return StudyVerdict(word=word, sentence=". ".join(parts) + ".", action=action,
                        analytes=analytes)


def two_roads(models: list[AnalyteModel], study: Study) -> pd.DataFrame:
    """The mixed model's bottom-minus-top beside the container summary's, and why they may differ.

    On balanced data without further factors both are the same number.
    """
    rows = []
    for m in models:
        if m.bottom_top is None or m.summary is None:
            continue
        level = 1 - 2 * study.alpha
        a, a_low, a_high, unit = m.bottom_top.shown(level)
        b, b_low, b_high, _ = m.summary.shown(level)
        rows.append({"analyte": m.analyte, "model": a, "low": a_low, "high": a_high, "container summary": b,
                     "low ": b_low, "high ": b_high, "unit": unit, "why they differ": _why(m)})
    return pd.DataFrame(rows)


def _why(model: AnalyteModel) -> str:
    assert model.bottom_top is not None
    assert model.summary is not None
    reasons = []
    if len(model.fixed) > 1:
        reasons.append("the summary counts differences by " + ", ".join(
            f for f in model.fixed if ":" not in f and f != "depth") + " as scatter")
    counts = model.rows.measured.groupby(["container", "depth"], observed=True).size()
    if counts.nunique() > 1 or len(counts) < model.n_containers * len(model.rows.depths):
        reasons.append("containers have unequal numbers of results")
    same = math.isclose(model.bottom_top.estimate, model.summary.estimate, rel_tol=1e-6, abs_tol=1e-9)
    if not reasons:
        reasons.append("same number" if same else "they should agree on balanced data: look into it")
    return "; ".join(reasons)


def standing_out(model: AnalyteModel) -> pd.DataFrame:
    """Each container's own contrast, in the reported unit, in descending size, with the largest first."""
    each = container_contrasts(model.rows)
    if each.empty:
        return each
    factor = (lambda x: 100 * math.expm1(x)) if model.rows.log else float
    shown = each.assign(contrast=[factor(v) for v in each["contrast"]])
    order = shown["contrast"].abs().sort_values(ascending=False).index
    return shown.loc[order, ["container", "lot", "store", "age_months", "contrast", "n"]].reset_index(drop=True)


__all__ = ["AnalyteVerdict", "StudyVerdict", "container_summary", "containers_needed", "judge", "mixed_verdict",
           "standing_out", "study_verdict", "two_roads", "unassessed"]
