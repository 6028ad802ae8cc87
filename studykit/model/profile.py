"""From fitted models to the tables that the profile and margin figures draw."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.inference.single import SingleResult
from studykit.model.fit import AnalyteModel
from studykit.model.stated import single_results
from studykit.study.definition import Study

PROFILE_COLUMNS = ("analyte", "margin low", "margin high", "unit", "who", "depth", "height", "difference", "low", "high")


def _percent(value: float) -> float:
    return float(100 * np.expm1(value))


def profile_table(models: list[AnalyteModel], study: Study, level: float = 0.9) -> pd.DataFrame:
    """Per analyte and depth the difference from the uppermost depth, of the mean and of each container.

    Columns: analyte, who ('mean' or a container's code), depth, height, difference, low, high (interval of the
    mean's difference at ``level``), margin low, margin high, unit (per cent, or the analyte's unit).
    """
    rows = [row for m in models if m.fit is not None for row in _rows(m, level)]
    rows += [row for r in single_results(study, models).values() if isinstance(r, SingleResult)
             for row in _single_rows(r, study, models, level)]
    return pd.DataFrame(rows, columns=list(PROFILE_COLUMNS))


def _rows(model: AnalyteModel, level: float) -> list[dict[str, object]]:
    rows, margin = model.rows, model.rows.margin
    show = _percent if rows.log else float
    common = {"analyte": rows.analyte, "margin low": show(margin.low), "margin high": show(margin.high),
              "unit": rows.shown_unit}
    cells = rows.measured.groupby(["container", "depth"], observed=True)[["y", "height"]].mean()
    heights = cells.groupby("depth", observed=True)["height"].mean()
    out: list[dict[str, object]] = []
    for container, part in cells.groupby("container", sort=True):
        values = part.droplevel("container")
        if rows.depths[0] not in values.index:
            continue
        top = float(values["y"].loc[rows.depths[0]])
        out += [{**common, "who": str(container), "depth": str(d), "height": float(v["height"]),
                 "difference": show(float(v["y"]) - top), "low": np.nan, "high": np.nan}
                for d, v in values.iterrows()]
    for k, depth in enumerate(rows.depths):
        difference = model.means[k] - model.means[0]
        low = high = difference
        if k:
            assert model.pairs is not None
            span = model.pairs.tests[k - 1].contrast.interval(level)
            low, high = span.low, span.high
        out.append({**common, "who": "mean", "depth": depth, "height": float(heights[depth]),
                    "difference": show(difference), "low": show(low), "high": show(high)})
    return out


def _single_rows(result: SingleResult, study: Study, models: list[AnalyteModel], level: float) -> list[dict[str, object]]:
    """One container by known precision: its values as differences from the top, with the interval of each."""
    rows = next(m.rows for m in models if m.analyte == result.analyte)
    heights = rows.measured.groupby("depth", observed=True)["height"].mean()
    out: list[dict[str, object]] = []
    for k, depth in enumerate(result.labels):
        difference = low = high = 0.0
        if k:
            contrast = result.comparison.tests[k - 1].contrast
            span = contrast.interval(level)
            difference, low, high = contrast.estimate, span.low, span.high
        out.append({"analyte": result.analyte, "margin low": -result.edge, "margin high": result.edge,
                    "unit": result.unit, "who": "mean", "depth": depth, "height": float(heights[depth]),
                    "difference": difference, "low": low, "high": high})
    return out


def margin_table(models: list[AnalyteModel], words: dict[str, str], study: Study) -> pd.DataFrame:
    """Each judged analyte's widest pair of depths in units of its margin.

    Columns: analyte, verdict, pair, ratio, low, high (the 1 - 2 alpha interval).
    """
    rows = []
    for m in models:
        if m.pairs is None:
            continue
        contrast = m.pairs.widest
        span, edge = contrast.interval(1 - 2 * m.alpha), m.rows.margin.high
        rows.append({"analyte": m.analyte, "verdict": words.get(m.analyte, ""), "pair": contrast.label,
                     "ratio": contrast.estimate / edge, "low": span.low / edge, "high": span.high / edge})
    for r in single_results(study, models).values():
        if isinstance(r, SingleResult):
            contrast = r.comparison.widest
            span = contrast.interval(1 - 2 * study.alpha)
            rows.append({"analyte": r.analyte, "verdict": words.get(r.analyte, ""), "pair": contrast.label,
                         "ratio": contrast.estimate / r.edge, "low": span.low / r.edge, "high": span.high / r.edge})
    return pd.DataFrame(rows, columns=["analyte", "verdict", "pair", "ratio", "low", "high"])
