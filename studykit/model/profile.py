"""Depth profiles of one analyte as a table: containers and their mean, from the uppermost depth or from the mixed container."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from studykit.inference.cells import CellBounds
from studykit.inference.equivalence import Contrast, Interval
from studykit.model.rows import ModelRows, zone_heights

PROFILE_COLUMNS = ["analyte", "margin low", "margin high", "unit", "who", "depth", "height", "difference", "low", "high"]
Pair = Callable[[str], Contrast | None]
Span = Callable[[str], Interval] | None


def from_top(rows: ModelRows, cells: CellBounds, pair: Pair, span: Span, level: float) -> pd.DataFrame:
    """Differences from the uppermost depth; ``pair`` and ``span`` give the contrast and the proven limits of a label."""
    margin, heights = rows.margin, zone_heights(rows)
    means = rows.measured.groupby(["container", "depth"], observed=True)[["y", "height"]].mean()
    each = list(zip(means.index.get_level_values(0), means.index.get_level_values(1), means["y"].tolist(),
                    means["height"].tolist(), strict=True))
    tops = {container: y for container, depth, y, _ in each if depth == rows.depths[0]}
    out: list[tuple[object, ...]] = [(str(c), str(d), height, margin.shown(y - tops[c]), np.nan, np.nan)
                                     for c, d, y, height in each if c in tops]
    for k, depth in enumerate(rows.depths):
        found = _mean(f"{depth} - {rows.depths[0]}", pair, span, level) if k else (0.0, 0.0, 0.0)
        out.append(("mean", depth, float(heights[depth]), *map(margin.shown, found)))
    common = (rows.analyte, margin.shown(margin.low), margin.shown(margin.high), rows.shown_unit)
    return pd.DataFrame([(*common, *r) for r in out], columns=PROFILE_COLUMNS)


def _mean(label: str, pair: Pair, span: Span, level: float) -> tuple[float, float, float]:
    """Estimate and limits of one contrast; NaN where it is not known."""
    difference = low = high = np.nan
    if (contrast := pair(label)) is not None:
        difference, (low, high) = contrast.estimate, contrast.interval(level)
    if span is not None:  # also of a zone without one number
        low, high = span(label)
    return difference, low, high


def from_mixed(rows: ModelRows, cells: CellBounds, pair: Pair, span: Span, level: float) -> pd.DataFrame:
    """Each zone from its mixed container, for a one-sided margin; of a container with a limit or a lost zone nothing."""
    show, heights, d = rows.margin.shown, zone_heights(rows), cells.departures
    out: list[tuple[object, ...]] = []
    for container, values in () if d is None else zip(cells.containers, d.cells, strict=False):
        out += [(str(container), z, float(heights[z]), show(x), np.nan, np.nan)
                for z, x in zip(rows.depths, values, strict=False) if np.isfinite(x)]
    for a, b in cells.pairs:
        out.append(("mean", b, float(heights[b]), *map(show, _mean(f"{b} - {a}", pair, span, level))))
    low, high = (show(e) if np.isfinite(e) else e for e in (rows.margin.low, rows.margin.high))
    return pd.DataFrame([(rows.analyte, low, high, rows.shown_unit, *r) for r in out], columns=PROFILE_COLUMNS)
