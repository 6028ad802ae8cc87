"""One container judged by known precision: its scatter from the method's or the laboratory's stated repeatability."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, DesignMismatch
from studykit.inference.single import SingleResult, judge_between, judge_container, which_scatter
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import MOSTLY_CENSORED
from studykit.model.profile import PROFILE_COLUMNS
from studykit.model.rows import ModelRows, margin_of, zone_heights
from studykit.study.definition import Study
from studykit.study.precision import Precision, resolve_precision

DEPENDS = "the verdict depends on where"
"""Stands in the text of an analyte whose word is open for that reason alone."""


def precision_at(study: Study, analyte: str, level: float) -> Precision | None:
    """The precision that applies to an analyte at a level, the laboratory's own first; None where none is stated."""
    declared = study.analytes[analyte]
    if declared.repeatability is None and not declared.method_key:
        return None
    return resolve_precision(level, declared.unit, own=declared.repeatability, method_key=declared.method_key, analyte=analyte)


def single_result(study: Study, rows: ModelRows) -> SingleResult:
    """Judge one analyte of one container; BadInput or DesignMismatch say what is missing."""
    if rows.margin.side:
        raise DesignMismatch("A one-sided margin is judged by several containers: one alone says nothing here of a side.")
    measured = rows.measured
    values = {d: [float(v) for v in measured.loc[measured["depth"] == d, "value"]] for d in rows.depths}
    level = float(pd.Series([sum(v) / len(v) for v in values.values() if v]).mean())
    precision = precision_at(study, rows.analyte, level)
    if precision is None:
        raise DesignMismatch("No repeatability is known for this analyte, so nothing can be said of a difference: give "
                             "the laboratory's own (repeatability) or a published one (method_key) in study.toml.")
    scatter = which_scatter(precision, [str(r) for r in measured["run"]], depths=[str(d) for d in measured["depth"]],
                            intermediate_s=study.analytes[rows.analyte].intermediate_s)
    return judge_container(rows.analyte, values, precision, margin_of(study, rows.analyte), scatter=scatter,
                           alpha=study.alpha)


def single_results(study: Study, models: list[AnalyteModel]) -> dict[str, SingleResult | str]:
    """The judged analytes of a one-container study; a text where one could not be judged, with the reason.

    With results known only as a limit the word stands only where it holds wherever they lie (``single.judge_between``);
    else the text says that it depends.
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


def single_profile(result: SingleResult, rows: ModelRows, level: float) -> pd.DataFrame:
    """One container's zones as differences from the uppermost, with the interval of each (PROFILE_COLUMNS)."""
    heights = zone_heights(rows)
    told = result.comparison.margin.shown
    common, out = (result.analyte, *result.comparison.margin.shown_edges, result.comparison.unit, "mean"), []
    for k, depth in enumerate(result.labels):
        difference = low = high = 0.0
        if k:
            contrast = result.comparison.tests[k - 1].contrast
            span = result.hull[k - 1] if result.hull else contrast.interval(level)
            difference, low, high = (told(x) for x in ((span.low + span.high) / 2, span.low, span.high))
        out.append((*common, depth, float(heights[depth]), difference, low, high))
    return pd.DataFrame(out, columns=PROFILE_COLUMNS)


def _single_bounded(study: Study, rows: ModelRows) -> SingleResult | str:
    """One container with results known only as a limit: the word if it holds wherever they lie, else why not.

    Where most are limits, or numbers stand at one depth only, it is told only where it is stratified.
    """
    table, known_as = rows.table, rows.table["qualifier"]
    if (known_as == ">").any():
        return (f"{int((known_as == '>').sum())} of {len(table)} results lie above the range of the method and have no upper "
                "end; have them diluted and measured again.")

    def filled(limit: np.ndarray) -> SingleResult:
        values = np.where(known_as == "<", limit, table["value"])
        return single_result(study, replace(rows, table=table.assign(value=values, qualifier="")))

    limits = table["limit"].to_numpy(dtype=float)
    found = judge_between(filled(np.minimum(limits, 0.0)), filled(limits))
    seen = rows.share_censored <= MOSTLY_CENSORED and rows.measured["depth"].nunique() > 1
    if not seen and (found is None or found.word != "stratified"):
        return f"{rows.censored} of {len(table)} results are known only as a limit."
    return found or (f"{rows.censored} of {len(table)} results lie below quantification, and {DEPENDS} between zero and the "
                     "limit they lie.")
