"""Shares of containers beyond the margin, and what values below quantification do to a verdict, as tables."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from studykit.inference.censored import MOST_CENSORED, BoundedVerdict, bound_verdict
from studykit.inference.share import ShareBeyond, share_beyond
from studykit.model.fit import AnalyteModel, fit_rows
from studykit.model.rows import container_contrasts, model_rows
from studykit.model.tables import usable
from studykit.study.definition import Margin, Study
from studykit.study.stages import OpenStage
from studykit.verdict.rule import StudyVerdict
from studykit.verdict.stated import precision_at


def noise_of(study: Study, model: AnalyteModel) -> tuple[float | None, float, str]:
    """Variance of one container's contrast from noise alone, its degrees of freedom, and where it comes from.

    From the residual where zones were determined twice, else from the stated precision, else None.
    """
    each = container_contrasts(model.rows)
    measured = model.rows.measured
    if model.fit is None or each.empty:
        return None, math.inf, "not known"
    per_depth = float((each["n"] / 2).mean())
    cells = measured.groupby(["container", "depth"], observed=True).ngroups
    if "container:depth" in model.random and len(measured) > cells:
        return 2 * model.fit.variances["residual"] / per_depth, float(len(measured) - cells), "zones determined twice"
    level = float(measured["value"].mean())
    stated = precision_at(study, model.analyte, level) if level > 0 else None
    if stated is None:
        return None, math.inf, "not known"
    s = stated.s_r / level if model.rows.log else stated.s_r
    return 2 * s**2 / per_depth, math.inf, stated.source


def share_of(study: Study, model: AnalyteModel) -> ShareBeyond | None:
    """The share of containers beyond the margin, noise taken out; None for fewer than three containers."""
    each = container_contrasts(model.rows)["contrast"].to_numpy(dtype=float)
    if model.fit is None or len(each) < 3:
        return None
    noise, df, _ = noise_of(study, model)
    return share_beyond(each, model.rows.margin, noise_variance=noise, noise_df=df)


def shares(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte: counted and estimated share beyond the margin, 95 % upper bounds, all in per cent to a tenth."""
    columns = ["analyte", "containers", "seen beyond, %", "share, noise taken out, %", "at most, %",
               "at most, by clear calls alone, %", "noise from"]
    rows = []
    for m in models:
        found = share_of(study, m)
        if found is None:
            continue
        rows.append((m.analyte, found.containers, round(100 * found.counted, 1), round(100 * found.share, 1),
                     _up(found.upper), _up(found.upper_clear), noise_of(study, m)[2]))
    return pd.DataFrame(rows, columns=columns)


def _up(share: float) -> float:
    """An upper bound in per cent, rounded up to a tenth: further digits would say more than is known."""
    return max(0.1, math.ceil(1000 * share - 1e-9) / 10)


def limits(stage: OpenStage, models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """What results known only as a limit do to each verdict: the words at the extremes, and what follows."""
    words, rows = outcome.words(), []
    for m in models:
        if not m.rows.censored:
            continue
        row = {"analyte": m.analyte, "known only as a limit": m.rows.censored, "of results": len(m.rows.table),
               "verdict": words[m.analyte]}
        if m.fit is None:
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


def bounds_at_extremes(stage: OpenStage, model: AnalyteModel) -> BoundedVerdict:
    """The analyte's word with its values below quantification at the extremes that they allow (see ``censored``).

    Zero has no logarithm, so a margin in per cent is taken here as an absolute one of the mean of the
    measured values, and the analysis is on the raw scale. The words are the analyte's own, without Holm's
    adjustment over analytes.
    """
    study = _raw_study(stage.study, model)
    rows = model_rows(study, model.analyte, stage.containers, stage.samples, usable(stage))
    table = rows.table

    def judge(values: np.ndarray) -> str:
        fit = fit_rows(study, replace(rows, table=table.assign(value=values, y=values, qualifier=""), censored=0))
        return fit.pairs.word if fit.pairs is not None else "inconclusive"

    return bound_verdict(table["value"].to_numpy(float), list(table["qualifier"]), table["limit"].to_numpy(float),
                         [str(d) for d in table["depth"]], judge)


def _raw_study(study: Study, model: AnalyteModel) -> Study:
    """The study with this analyte's margin as an absolute one of its mean level."""
    declared = study.analytes[model.analyte]
    if not model.rows.log:
        return study
    edge = math.expm1(model.rows.margin.high) * float(model.rows.measured["value"].mean())
    changed = declared.model_copy(update={"margin": Margin(absolute=edge)})
    return study.model_copy(update={"analytes": {**study.analytes, model.analyte: changed}})
