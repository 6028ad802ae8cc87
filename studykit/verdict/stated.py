"""The known-precision path: one container, its scatter from the method's or the laboratory's stated repeatability."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd
from scipy import stats

from studykit.core.record import significant
from studykit.inference.critical_range import singles_arithmetic
from studykit.inference.single import LABEL, SingleResult
from studykit.inference.tost_power import smallest_margin, tost_power
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import Bounds
from studykit.model.stated import DEPENDS, precision_at, single_results
from studykit.plot.readable import readable
from studykit.study.definition import Study
from studykit.verdict.rule import AnalyteVerdict, ComparedVerdict, decided, unassessed


def single_verdicts(study: Study, models: list[AnalyteModel]) -> dict[str, AnalyteVerdict]:
    """Verdicts of the known-precision path by analyte."""
    found = single_results(study, models)
    return {m.analyte: _verdict(study, m, found[m.analyte]) for m in models if m.analyte in found}


def _verdict(study: Study, model: AnalyteModel, result: SingleResult | str) -> AnalyteVerdict:
    if isinstance(result, str):
        none = unassessed(model, study, result)
        if DEPENDS not in result:
            return none
        return replace(none, word="inconclusive", scope=LABEL, sentence=f"{none.label}: inconclusive. {result}")
    bounds = _bounds(model, result) if result.hull else None
    what = decided(result.comparison, result.word, bounds)
    declared, label = study.analytes[model.analyte], study.label_of(model.analyte)
    sentence = f"{label}: {result.word}, and that {LABEL}. {what.text()[:1].upper()}{what.text()[1:]}. {result.reasons()[0]}"
    # the first stands in the sentence, the blind spot has a column of its own
    reasons = tuple(r for r in result.reasons()[1:] if not r.startswith("The method cannot see"))
    if tips := result.tipping_sentence():
        reasons = (tips, *reasons)
    if bounds is not None:
        reasons += (bounds.reason,)
    needed = result.results_needed() if result.word == "inconclusive" else None
    if result.word == "inconclusive":
        sentence += (f" About {needed} results at each depth would probably decide it." if needed else
                     " No reasonable number of results would decide it: the difference lies close to the margin.")
    return ComparedVerdict(
        analyte=model.analyte, label=label, word=result.word, sentence=sentence, reasons=reasons,
        margin=declared.margin.text(declared.unit), scope=LABEL, blind_to=declared.blind_to or result.precision.cannot_see,
        comparison=result.comparison, decided=what, needed=needed, p_beyond_holm=result.comparison.p_beyond,
        gradient_p_holm=1.0 if bounds is not None and result.word == "homogeneous" else result.comparison.p_any)


def _bounds(model: AnalyteModel, result: SingleResult) -> Bounds:
    """What holds wherever values known only as a limit lie."""
    return Bounds(word=result.word, level=result.hull[0].level,
                  reason=f"{model.rows.censored} of {len(model.rows.table)} results are known only as a limit; wherever they "
                         f"lie, the verdict is {result.word}.",
                  spans={t.contrast.label: (h.low, h.high) for t, h in zip(result.comparison.tests, result.hull, strict=True)})


def single_table(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte of a one-container study: means, range against critical range, contrast, margin, verdict."""
    rows = [r.row() for r in single_results(study, models).values() if isinstance(r, SingleResult)]
    return pd.DataFrame(rows)


def single_shown(study: Study, table: pd.DataFrame) -> pd.DataFrame:
    """``single_table`` for a page."""
    keep = ["analyte", "depths", "range", "critical range", "difference", "interval", "margin", "unit", "verdict",
            "provisional"]
    return table if table.empty else readable(_named(study, table), "interval", keep=keep)


def _named(study: Study, table: pd.DataFrame) -> pd.DataFrame:
    """The table with analytes as people name them."""
    return table.assign(analyte=table["analyte"].map(study.label_of))


def arithmetic_table(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """What two single results can show of each analyte with its stated repeatability.

    Columns: analyte, level and its unit; in the unit of the margin r, margin, never below (0.84 r) and mostly from
    (1.5 r); margin / r, chance, source. Analytes without a stated precision or without measured values are left out.
    """
    rows = []
    for model in models:
        measured = model.rows.measured
        if measured.empty:
            continue
        level = float(measured["value"].mean())
        precision = precision_at(study, model.analyte, level) if level > 0 else None
        if precision is None:
            continue
        margin = model.rows.margin.at(level)
        edge, told, se = margin.edge, margin.shown, margin.sd_at(precision.s_r, level) * math.sqrt(2)
        r = margin.sd_at(precision.r, level)
        chance = tost_power(0.0, se, math.inf, -edge, edge, study.alpha)
        rows.append({"analyte": model.analyte, "level": level, "level unit": model.rows.unit, "r": told(r),
                     "margin": told(edge), "unit": margin.unit, "margin / r": edge / r,
                     "never below": told(float(stats.norm.isf(study.alpha)) * se),
                     "mostly from": told(smallest_margin(se, math.inf, 0.8, alpha=study.alpha)),
                     "chance for a uniform pair, %": 100 * chance,
                     "precision from": precision.source, "sure": precision.sure})
    return pd.DataFrame(rows)


def arithmetic_shown(study: Study, table: pd.DataFrame) -> pd.DataFrame:
    """``arithmetic_table`` for a page: the level with its unit in one cell."""
    if table.empty:
        return table
    level = [f"{significant(x, 3)} {u}" for x, u in zip(table["level"], table["level unit"], strict=True)]
    return readable(_named(study, table).assign(level=level), drop=["level unit", "margin / r", "sure"])


def single_words(study: Study) -> str:
    """The arithmetic of single results in plain words, for this study's depths and analytes."""
    told = singles_arithmetic(len(study.factors.depths), 1, sum(map(study.decides, study.analytes)), alpha=study.alpha)
    return "\n".join(f"- {s}" for s in told.sentences())


def no_single(models: list[AnalyteModel]) -> str:
    """Why there is no table of one container's evidence."""
    if any(m.path == "known precision" for m in models):
        return "One container was sampled, but none of its analytes could be judged; the reasons stand beside the verdicts."
    return "Several containers were sampled, so their own scatter is used and nothing rests on a stated repeatability alone."
