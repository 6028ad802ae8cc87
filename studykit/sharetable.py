"""Shares of containers beyond the margin, and what values below quantification do to a verdict, as tables."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from studykit.bounds import ShareBeyond, share_beyond
from studykit.known import precision_at
from studykit.model import AnalyteModel, fit_rows
from studykit.modelrows import container_contrasts, model_rows
from studykit.modelset import OpenStage, usable
from studykit.settings import Margin
from studykit.study import Study
from studykit.verdict import StudyVerdict


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
    """One row an analyte: counted, estimated share beyond the margin, upper bounds, all in per cent."""
    rows = []
    for m in models:
        found = share_of(study, m)
        if found is None:
            continue
        rows.append({"analyte": m.analyte, "containers": found.containers, "counted beyond, noise included, %":
                     100 * found.counted, "estimated share, %": 100 * found.share, "at most (95 %), %": 100 * found.upper,
                     "at most by clear calls alone, %": 100 * found.upper_clear, "noise from": noise_of(study, m)[2]})
    columns = ["analyte", "containers", "counted beyond, noise included, %", "estimated share, %", "at most (95 %), %",
               "at most by clear calls alone, %", "noise from"]
    return pd.DataFrame(rows, columns=columns)


def limits(stage: OpenStage, models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """What values below quantification do to each verdict: the words at the extremes, and whether they agree.

    The extremes put every limit once at the limit and once at zero, for the upper and
    the lower half of the liquid in turn, so that a gradient either way is given its best chance.
    """
    words, rows = outcome.words(), []
    for m in models:
        if not m.rows.censored:
            continue
        row = {"analyte": m.analyte, "known only as a limit": m.rows.censored,
               "share, %": 100 * m.rows.share_censored, "verdict as filed": words[m.analyte]}
        if words[m.analyte] == "not assessed":
            rows.append(row | {"verdicts at the extremes": "", "they": "more than half are limits: nothing is claimed"})
            continue
        found = sorted(set(extreme_words(stage, m)))
        agree = found == [words[m.analyte]]
        rows.append(row | {"verdicts at the extremes": ", ".join(found),
                           "they": "agree" if agree else "do not agree, so the verdict does not hold for all cases"})
    return pd.DataFrame(rows, columns=["analyte", "known only as a limit", "share, %", "verdict as filed",
                                       "verdicts at the extremes", "they"])


def extreme_words(stage: OpenStage, model: AnalyteModel) -> tuple[str, ...]:
    """Verdict words with every limit replaced by zero or by itself, in four patterns over the depths.

    Zero has no logarithm, so a margin in per cent is taken here as an absolute one of the mean
    of the measured values, and the analysis is on the raw scale.
    """
    study, key = _raw_study(stage.study, model), model.analyte
    rows = model_rows(study, key, stage.containers, stage.samples, usable(stage))
    table = rows.table
    limited = (table["qualifier"] != "").to_numpy()
    upper = table["depth"].astype(str).isin(rows.depths[: len(rows.depths) // 2]).to_numpy()
    words = []
    for above, below in ((1.0, 1.0), (0.0, 0.0), (1.0, 0.0), (0.0, 1.0)):
        value = np.where(limited, table["limit"] * np.where(upper, above, below), table["value"])
        changed = table.assign(value=value, y=value, qualifier="")
        fit = fit_rows(study, replace(rows, table=changed, censored=0))
        words.append(fit.pairs.word if fit.pairs is not None else "not assessed")
    return tuple(words)


def _raw_study(study: Study, model: AnalyteModel) -> Study:
    """The study with this analyte's margin as an absolute one of its mean level."""
    declared = study.analytes[model.analyte]
    if not model.rows.log:
        return study
    edge = math.expm1(model.rows.margin.high) * float(model.rows.measured["value"].mean())
    changed = declared.model_copy(update={"margin": Margin(absolute=edge)})
    return study.model_copy(update={"analytes": {**study.analytes, model.analyte: changed}})


def bounded(outcome_word: str, extremes: tuple[str, ...]) -> str:
    """The word that survives: the common one of the extremes, else inconclusive."""
    found = set(extremes)
    return outcome_word if found == {outcome_word} else "inconclusive"


def zero_variances(models: list[AnalyteModel], level: float = 0.95) -> pd.DataFrame:
    """Random terms estimated as zero, with how large they could be, as standard deviations."""
    parts = [m.variance_table(level).assign(analyte=m.analyte) for m in models if m.fit is not None]
    if not parts:
        return pd.DataFrame(columns=["analyte", "component", "SD", "unit", "could be up to"])
    table = pd.concat(parts, ignore_index=True)
    zero = table[table["at zero"].astype(bool)]
    return zero[["analyte", "component", "SD", "unit", "could be up to"]].replace({np.nan: None})
