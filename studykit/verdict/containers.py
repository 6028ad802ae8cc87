"""Each container, not only their mean: shares beyond the margin, groups, those that stand out, and age."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.core.record import significant
from studykit.inference.equivalence import Contrast
from studykit.inference.share import ShareBeyond, share_beyond
from studykit.model.fit import AnalyteModel, FittedModel, fitted
from studykit.model.rows import container_contrasts
from studykit.model.stated import precision_at
from studykit.model.tables import joined
from studykit.plot.profiles import by_age as draw_by_age
from studykit.study.definition import Study
from studykit.verdict.rule import StudyVerdict, place

YOUNG = 6.0
"""Months: where all containers are younger, groups go by tenths of a month, else by whole months."""
OWN_COLUMNS = ["analyte", "container", "lot", "store", "age_months", "contrast", "unit", "n"]


def noise_of(study: Study, model: FittedModel) -> tuple[float | None, float, str]:
    """Variance of one container's contrast from noise alone, its degrees of freedom, and where it comes from.

    From the residual where zones were determined twice, else from the stated precision, else None.
    """
    each = container_contrasts(model.rows)
    measured = model.rows.measured
    if each.empty:
        return None, math.inf, "not known"
    per_depth = float((each["n"] / 2).mean())
    cells = measured.groupby(["container", "depth"], observed=True).ngroups
    if "container:depth" in model.random and len(measured) > cells:
        return 2 * model.reml.variances["residual"] / per_depth, float(len(measured) - cells), "zones determined twice"
    level = float(measured["value"].mean())
    stated = precision_at(study, model.analyte, level) if level > 0 else None
    if stated is None:
        return None, math.inf, "not known"
    s = stated.s_r / level if model.rows.log else stated.s_r
    return 2 * s**2 / per_depth, math.inf, stated.source


def share_of(study: Study, model: FittedModel) -> ShareBeyond | None:
    """The share of containers beyond the margin, noise taken out; None for fewer than three containers."""
    each = container_contrasts(model.rows)["contrast"].to_numpy(dtype=float)
    if len(each) < 3:
        return None
    noise, df, _ = noise_of(study, model)
    return share_beyond(each, model.rows.margin, noise_variance=noise, noise_df=df)


def shares(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte: counted and estimated share beyond the margin, 95 % upper bounds, all in per cent to a tenth."""
    columns = ["analyte", "containers", "seen beyond, %", "share, noise taken out, %", "at most, %",
               "at most, by clear calls alone, %", "noise from"]
    rows = []
    for m in fitted(models):
        found = share_of(study, m)
        if found is None:
            continue
        rows.append((m.analyte, found.containers, round(100 * found.counted, 1), round(100 * found.share, 1),
                     _up(found.upper), _up(found.upper_clear), noise_of(study, m)[2]))
    return pd.DataFrame(rows, columns=columns)


def _up(share: float) -> float:
    """An upper bound in per cent, rounded up to a tenth: further digits would say more than is known."""
    return max(0.1, math.ceil(1000 * share - 1e-9) / 10)


def group_contrasts(model: FittedModel, study: Study) -> tuple[pd.DataFrame, str]:
    """Bottom minus top by the levels of the factors that interact with depth, and a note on how.

    Each group's mean container contrast with the scatter pooled within groups (no straight line
    in age is assumed). Columns: the factors, containers, bottom - top, low, high (1 - 2 alpha),
    unit, interval lies ('beyond' takes the number of groups into account). Where no group repeats, age is
    left out of the grouping and the note says so.
    """
    factors = [f for f in study.factors.by_depth if f in model.fixed]
    each = container_contrasts(model.rows)
    if not factors or each.empty:
        return pd.DataFrame(), ""
    ages = each["age_months"]
    each = each.assign(age_months=ages.round(1) if ages.max() < YOUNG else ages.round().astype("Int64"))
    note = ""
    if len(each) - each.groupby(factors, observed=True).ngroups < 3:
        factors = [f for f in factors if f != "age_months"]
        note = "Too few containers share an age, so ages are pooled here."
    if not factors or len(each) - each.groupby(factors, observed=True).ngroups < 3:
        return pd.DataFrame(), "Too few containers share the same conditions to compare groups."
    groups = each.groupby(factors, observed=True)["contrast"]
    df, share = len(each) - groups.ngroups, model.alpha / groups.ngroups
    pooled = float(np.sqrt(((each["contrast"] - groups.transform("mean")) ** 2).sum() / df))
    rows = []
    for key, part in groups:
        contrast = Contrast(label="bottom - top", estimate=float(part.mean()), se=pooled / len(part) ** 0.5,
                            df=float(df), scale=model.rows.margin.scale, unit=model.shown_unit,
                            method="pooled within groups")
        value, low, high, unit = contrast.shown(1 - 2 * model.alpha)
        where: dict[str, Any] = dict(zip(factors, key, strict=True))
        rows.append({**where, "containers": len(part), "bottom - top": value, "low": low, "high": high, "unit": unit,
                     "interval lies": place(contrast, model.rows.margin, model.alpha, share)})
    return pd.DataFrame(rows), note


def groups(study: Study, models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """Bottom minus top by group for the analytes that are not homogeneous."""
    parts = []
    for m in _uneven(models, outcome):
        table, note = group_contrasts(m, study)
        if len(table):
            table.insert(0, "analyte", m.analyte)
            parts.append(table.assign(note=note) if note else table)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["analyte"])


def _uneven(models: list[AnalyteModel], outcome: StudyVerdict) -> list[FittedModel]:
    """The fitted analytes that are not homogeneous."""
    words = outcome.words()
    return [m for m in fitted(models) if words[m.analyte] != "homogeneous"]


def own_contrasts(model: FittedModel) -> pd.DataFrame:
    """Each container's own bottom-minus-top contrast in the reported unit, the largest first (OWN_COLUMNS)."""
    each = container_contrasts(model.rows)
    if each.empty:
        return pd.DataFrame(columns=OWN_COLUMNS)
    each["contrast"] = [model.rows.margin.shown(v) for v in each["contrast"]]
    order = each["contrast"].abs().sort_values(ascending=False).index
    return each.loc[order].assign(analyte=model.analyte, unit=model.shown_unit)[OWN_COLUMNS].reset_index(drop=True)


def outstanding(models: list[AnalyteModel], outcome: StudyVerdict, most: int = 5) -> pd.DataFrame:
    """Containers with the largest own bottom-minus-top difference, for analytes that are not homogeneous."""
    return joined([own_contrasts(m).head(most) for m in _uneven(models, outcome)], OWN_COLUMNS)


def by_age(models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """Every container's own contrast with its age and store, of the analyte that stands furthest from homogeneous.

    A stratified analyte comes before an inconclusive one. Empty where none is either, or where all
    containers have one age.
    """
    columns = ["analyte", "container", "store", "age_months", "contrast", "unit"]
    words = outcome.words()
    for m in sorted(_uneven(models, outcome), key=lambda m: words[m.analyte] != "stratified"):
        table = own_contrasts(m)
        if table["age_months"].notna().all() and table["age_months"].round(1).nunique() > 1:
            return table.sort_values(["age_months", "container"], ignore_index=True)[columns]
    return pd.DataFrame(columns=columns)


def age_figure(models: list[AnalyteModel], table: pd.DataFrame) -> Figure | None:
    """The figure of ``by_age``; None where its table is empty."""
    if table.empty:
        return None
    margin = next(m.rows.margin for m in models if m.analyte == table["analyte"].iloc[0])
    return draw_by_age(table, f"{table['analyte'].iloc[0]}, {table['unit'].iloc[0]}", margin.shown(margin.low),
                       margin.shown(margin.high))


def age_alt(table: pd.DataFrame) -> str:
    """Alt text of that figure: the smallest and largest contrast with their ages."""
    if table.empty:
        return "no figure"
    rows = sorted(table.to_dict("records"), key=lambda r: float(r["contrast"]))
    told = " to ".join(f"{significant(float(r['contrast']), 2)} {r['unit']} at {float(r['age_months']):.0f} months"
                       for r in (rows[0], rows[-1]))
    return f"Bottom minus top of each container against age, {table['analyte'].iloc[0]}: {told}."
