"""Figures of the lessons: one small set of axes, words for units, nothing told by colour alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK, SOFT, ODD = "#1d2733", "#7a8794", "#b3261e"
MARKS = ("o-", "s--", "D:", "^-.")


def axes(across: str, up: str, *, size: tuple[float, float] = (6.4, 3.4)) -> tuple[Figure, Axes]:
    """An empty figure with its two axes named, units included."""
    figure = Figure(figsize=size, layout="constrained")
    ax = figure.subplots()
    ax.set(xlabel=across, ylabel=up)
    ax.spines[["top", "right"]].set_visible(False)
    return figure, ax


def lines(across: str, up: str, x: Sequence[float], rows: Iterable[tuple[str, Sequence[float]]], level: float | None = None
          ) -> Figure:
    """Lines with marks of their own, named in a legend; ``level`` a thin line across."""
    figure, ax = axes(across, up)
    for mark, shade, (name, y) in zip(MARKS, (INK, ODD, SOFT, "#3d6b8e"), rows, strict=False):
        ax.plot(x, y, mark, color=shade, ms=4, lw=1.2, label=name)
    if level is not None:
        ax.axhline(level, color=SOFT, lw=0.8)
    ax.legend(frameon=False, fontsize=8)
    return figure


def histogram(across: str, rows: Iterable[tuple[str, np.ndarray]]) -> Figure:
    """Outlines of histograms over one another, and a line at 0."""
    figure, ax = axes(across, "worlds")
    kept = list(rows)
    every = np.concatenate([v for _, v in kept])
    edges = [float(e) for e in np.linspace(every.min(), every.max(), 40)]
    for (name, values), style, shade in zip(kept, ("-", "--", ":"), (INK, ODD, SOFT), strict=False):
        ax.hist(values, bins=edges, histtype="step", ls=style, color=shade, lw=1.3, label=name)
    ax.axvline(0.0, color=SOFT, lw=0.8)
    ax.legend(frameon=False, fontsize=8)
    return figure


def intervals(across: str, names: Sequence[str], low: Sequence[float], high: Sequence[float], edges: Sequence[float]) -> Figure:
    """Intervals one above another with their names, and thin lines at ``edges``."""
    figure, ax = axes(across, "", size=(6.4, 0.9 + 0.3 * len(names)))
    at = np.arange(len(names))[::-1]
    ax.hlines(at, low, high, color=INK, lw=2)
    ax.plot([(a + b) / 2 for a, b in zip(low, high, strict=True)], at, "o", color=INK, ms=4)
    for edge in edges:
        ax.axvline(edge, color=SOFT, lw=0.9, ls="--" if edge else "-")
    ax.set_yticks(at, names, fontsize=8)
    return figure
