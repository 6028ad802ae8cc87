"""Figures of large studies: the outermost marks and a sample of the others, bands in place of a line a container.

Where not everything is drawn the figure itself says how much of it is; the table beside it holds all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.core.ties import sort_key

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

MARKS, LINES, SAMPLE, ROWS, RUNS = 450, 120, 20, 40, 6
"""Marks of a panel; containers from which on bands are drawn, and lines in them; rows of a figure; runs of a panel."""
THIN = "#7a8794"


def few(size: ArrayLike, most: int = MARKS) -> NDArray[np.intp]:
    """Places of the marks to draw, in order: all up to ``most``, else the largest (a fifth) and an even sample."""
    away = np.nan_to_num(np.abs(np.asarray(size, dtype=float)))
    if away.size <= most:
        return np.arange(away.size)
    outermost = np.argsort(-sort_key(away), kind="stable")[: most // 5]
    even = np.linspace(0, away.size - 1, most - most // 5).astype(np.intp)
    return np.unique(np.concatenate([outermost, even]))


def note(ax: Axes, drawn: int, of: int, what: str = "marks") -> None:
    """Say in a panel's corner how many of its marks are drawn, where not all are."""
    if drawn < of:
        ax.text(0.99, 0.01, f"{drawn:,} of {of:,} {what} drawn, the outermost among them", transform=ax.transAxes, ha="right",
                va="bottom", fontsize=6, color=THIN, zorder=6)


def bands(ax: Axes, single: pd.DataFrame, colour: str = THIN, **line: Any) -> int:
    """Depth profiles of many containers: where half and nine tenths of them lie, and a line of every so many; how many lines.

    single: columns who, depth, height, difference.
    """
    parts = sorted((part for _, part in single.groupby("depth", sort=False)), key=lambda part: float(part["height"].median()))
    heights = [float(part["height"].median()) for part in parts]
    for low, high, alpha in ((0.05, 0.95, 0.18), (0.25, 0.75, 0.3)):
        ends = [[float(part["difference"].quantile(q)) for part in parts] for q in (low, high)]
        ax.fill_betweenx(heights, ends[0], ends[1], color=colour, alpha=alpha, lw=0, zorder=1.5)
    lowest = parts[0].set_index("who")["difference"].sort_values(kind="stable", key=sort_key)
    names = lowest.index[np.linspace(0, len(lowest) - 1, SAMPLE).astype(int)]
    chosen = single[single["who"].isin(names)]
    for _, one in chosen.groupby("who", sort=False):
        ax.plot(one["difference"], one["height"], color=colour, **line)
    return len(names)


__all__ = ["LINES", "MARKS", "ROWS", "RUNS", "bands", "few", "note"]
