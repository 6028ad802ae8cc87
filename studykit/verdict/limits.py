"""Values below quantification: what they do to a verdict, bounded by the extremes that they allow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from studykit.inference.censored import MOST_CENSORED, BoundedVerdict, bound_verdict
from studykit.inference.margin import Margin
from studykit.model.fit import AnalyteModel, FittedModel, fit_rows
from studykit.study.stages import OpenStage, StudyTables
from studykit.verdict.rule import StudyVerdict


def limits(stage: OpenStage, models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """What results known only as a limit do to each verdict: the words at the extremes, and what follows."""
    words, rows = outcome.words(), []
    for m in models:
        if not m.rows.censored:
            continue
        row = {"analyte": m.analyte, "known only as a limit": m.rows.censored, "of results": len(m.rows.table),
               "verdict": words[m.analyte]}
        if not isinstance(m, FittedModel):
            rows.append(row | {"at the extremes": "", "what follows": _not_fitted(m, words[m.analyte])})
            continue
        found = bounds_at_extremes(stage, m)
        told = ", ".join(f"{w} ({sum(x == w for _, x in found.words)})" for w in sorted({w for _, w in found.words}))
        rows.append(row | {"at the extremes": told, "what follows": found.reason})
    return pd.DataFrame(rows, columns=["analyte", "known only as a limit", "of results", "verdict", "at the extremes",
                                       "what follows"])


def _not_fitted(model: AnalyteModel, word: str) -> str:
    if model.rows.share_censored > MOST_CENSORED:
        return "more than half are limits: nothing is claimed"
    return "see its sentence above" if word != "not assessed" else " ".join(model.notes)


def bounds_at_extremes(stage: StudyTables, model: FittedModel) -> BoundedVerdict:
    """The analyte's word with its values below quantification at the extremes that they allow (see ``censored``).

    Zero has no logarithm, so a margin in per cent is taken here as an absolute one of the mean of the
    measured values, and the analysis is on the raw scale. The words are the analyte's own, without Holm's
    adjustment over analytes.
    """
    rows, study = model.rows, stage.study
    if rows.log:
        edge = rows.margin.edge_at(float(rows.measured["value"].mean()))
        rows = rows.against(Margin.absolute(edge, rows.unit))
    table = rows.table

    def judge(values: np.ndarray) -> str:
        fit = fit_rows(study, replace(rows, table=table.assign(value=values, y=values, qualifier=""), censored=0))
        return fit.pairs.word if isinstance(fit, FittedModel) else "inconclusive"

    return bound_verdict(table["value"].to_numpy(float), list(table["qualifier"]), table["limit"].to_numpy(float),
                         [str(d) for d in table["depth"]], judge)
