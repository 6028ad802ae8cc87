"""The known-precision path: one container, its scatter from the method's or the laboratory's stated repeatability."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from studykit.censored import bound_verdict
from studykit.errors import BadInput, DesignMismatch
from studykit.exactpower import smallest_margin, tost_power
from studykit.methods import Precision, resolve_precision
from studykit.model import AnalyteModel
from studykit.modelrows import ModelRows, margin_of
from studykit.ranges import flag_chance
from studykit.single import CANNOT_CONCLUDE, LABEL, SingleResult, judge_container, which_scatter
from studykit.study import Study
from studykit.verdict import AnalyteVerdict, interval_text, unassessed


def precision_at(study: Study, analyte: str, level: float) -> Precision | None:
    """The precision that applies to an analyte at a level, the laboratory's own first; None where none is stated."""
    declared = study.analytes[analyte]
    if declared.repeatability is None and not declared.method_key:
        return None
    return resolve_precision(level, declared.unit, own=declared.repeatability, method_key=declared.method_key, analyte=analyte)


def single_result(study: Study, rows: ModelRows) -> SingleResult:
    """Judge one analyte of one container; BadInput or DesignMismatch say what is missing."""
    measured = rows.measured
    values = {d: [float(v) for v in measured.loc[measured["depth"] == d, "value"]] for d in rows.depths}
    level = float(pd.Series([sum(v) / len(v) for v in values.values() if v]).mean())
    precision = precision_at(study, rows.analyte, level)
    if precision is None:
        raise DesignMismatch("No repeatability is known for this analyte, so nothing can be said of a difference: give "
                             "the laboratory's own (repeatability) or a published one (method_key) in study.toml.")
    scatter = which_scatter(precision, [str(r) for r in measured["run"]],
                            intermediate_s=study.analytes[rows.analyte].intermediate_s)
    return judge_container(rows.analyte, values, precision, margin_of(study, rows.analyte), scatter=scatter,
                           alpha=study.alpha)


def single_results(study: Study, models: list[AnalyteModel]) -> dict[str, SingleResult | str]:
    """The judged analytes of a one-container study; a text where one could not be judged, with the reason.

    With results below quantification the numbers are those of every such result at its limit, and only
    where the word is the same at every extreme (see ``censored``); else the text says that it depends.
    """
    out: dict[str, SingleResult | str] = {}
    for model in models:
        if model.path != "known precision":
            continue
        try:
            out[model.analyte] = _single_bounded(study, model.rows) if model.rows.censored else single_result(
                study, model.rows)
        except BadInput as error:
            out[model.analyte] = " ".join(f"Which precision applies is not clear: {f.reason}. To do: {f.remedy}."
                                          for f in error.faults)
        except DesignMismatch as error:
            out[model.analyte] = str(error)
    return out


def _single_bounded(study: Study, rows: ModelRows) -> SingleResult | str:
    """One container with results known only as a limit: the word if it is the same at every extreme, else why not."""
    table, depths = rows.table, [str(d) for d in rows.table["depth"]]

    def filled(values: np.ndarray) -> SingleResult:
        return single_result(study, replace(rows, censored=0, table=table.assign(value=values, qualifier="")))

    limits = table["limit"].to_numpy(dtype=float)
    found = bound_verdict(table["value"].to_numpy(dtype=float), list(table["qualifier"]), limits, depths,
                          lambda values: filled(values).word)
    if len({w for _, w in found.words}) != 1:
        return f"{found.reason[:1].upper()}{found.reason[1:]}."
    return filled(np.where(table["qualifier"] == "<", limits, table["value"]))


def single_verdicts(study: Study, models: list[AnalyteModel]) -> dict[str, AnalyteVerdict]:
    """Verdicts of the known-precision path by analyte."""
    found = single_results(study, models)
    return {m.analyte: _verdict(study, m, found[m.analyte]) for m in models if m.analyte in found}


def _verdict(study: Study, model: AnalyteModel, result: SingleResult | str) -> AnalyteVerdict:
    if isinstance(result, str):
        none = unassessed(model, study, result)
        if "the verdict depends on where" not in result:
            return none
        return replace(none, word="inconclusive", scope=LABEL, sentence=f"{none.label}: inconclusive. {result}")
    widest, level = result.comparison.widest, 1 - 2 * study.alpha
    span = widest.interval(level)
    declared, label = study.analytes[model.analyte], study.label_of(model.analyte)
    lower, _, upper = widest.label.partition(" - ")
    sign = "+" if widest.estimate > 0 else ""
    sentence = (f"{label}: {result.word}, and that {LABEL}. {lower.capitalize()} against {upper} {sign}{widest.estimate:.3g} "
                f"{result.unit} ({interval_text(span.low, span.high, result.unit, level)}). {result.reasons()[0]}")
    # the first stands in the sentence, the blind spot has a column of its own
    reasons = tuple(r for r in result.reasons()[1:] if not r.startswith("The method cannot see"))
    if model.rows.censored:
        reasons += (f"Results below quantification ({model.rows.censored}) stand at their limit here; wherever they lie "
                    f"below it, at the extremes tried the verdict is {result.word}.",)
    needed = result.results_needed() if result.word == "inconclusive" else None
    if result.word == "inconclusive":
        sentence += (f" About {needed} results at each depth would probably decide it." if needed else
                     " No reasonable number of results would decide it: the difference lies close to the margin.")
    comparison = result.comparison
    return AnalyteVerdict(
        analyte=model.analyte, label=label, word=result.word, sentence=sentence, reasons=reasons,
        margin=declared.margin.text(declared.unit), scope=LABEL, pair=widest.label, estimate=widest.estimate,
        low=span.low, high=span.high, unit=result.unit, at_least=comparison.at_least, df=math.inf,
        p_within=comparison.p_within, p_beyond=comparison.p_beyond,
        gradient_p_holm=comparison.p_any,  # adjusted over the analytes by verdict.judge
        blind_to=declared.blind_to or result.precision.cannot_see)


def single_table(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte of a one-container study: means, range against critical range, contrast, margin, verdict."""
    rows = [r.row() for r in single_results(study, models).values() if isinstance(r, SingleResult)]
    return pd.DataFrame(rows)


def arithmetic_table(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """What two single results can show of each analyte with its stated repeatability.

    Columns: analyte, level, unit, r, margin (absolute at that level), margin / r, never below (0.84 r),
    four times in five from (1.5 r), so single results, source. Analytes without a stated precision
    or without measured values are left out.
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
        edge = math.expm1(model.rows.margin.high) * level if model.rows.log else model.rows.margin.high
        se = precision.s_r * math.sqrt(2)
        chance = tost_power(0.0, se, math.inf, -edge, edge, study.alpha)
        rows.append({"analyte": model.analyte, "level": level, "unit": model.rows.unit, "r": precision.r,
                     "margin": edge, "margin / r": edge / precision.r, "never below": float(stats.norm.isf(study.alpha)) * se,
                     "mostly from": smallest_margin(se, math.inf, 0.8, alpha=study.alpha),
                     "chance for a uniform pair, %": 100 * chance,
                     "precision from": precision.source, "sure": precision.sure})
    return pd.DataFrame(rows)


def flags_expected(analytes: int, depths: int) -> tuple[float, float]:
    """Chance of at least one flag on a uniform container: by r, and by the critical range for that many results."""
    return flag_chance(analytes, depths, rule="r"), flag_chance(analytes, depths)


__all__ = ["CANNOT_CONCLUDE", "LABEL", "arithmetic_table", "flags_expected", "precision_at", "single_result",
           "single_results", "single_table", "single_verdicts"]
