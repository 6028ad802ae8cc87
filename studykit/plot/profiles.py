"""Every plot of the model and verdict stages, one function each: draws a table, returns a matplotlib Figure.

The margin is always drawn as the same grey band, estimates as dark marks with their interval,
single containers as thin lines. Nothing is told by colour alone.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullLocator

from studykit.plot import many
from studykit.plot.narrow import OVER_ROWS
from studykit.study.spans import TIMES

INK, THIN, BAND, EDGE = "#1d2733", "#7a8794", "#e9e6dc", "#a89f86"
WORD_MARK = {"homogeneous": "o", "stratified": "D", "inconclusive": "s"}
ROW, LINE = 0.34, 0.125  # inches of a row, and of a line of its name
LETTERS = 36
"""On a line of a row's name, so that the drawing keeps more than half of the width."""
RIM = 3.0  # margins that are drawn to either side


def _tidy(ax: Axes) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=8)


def profiles(table: pd.DataFrame, words: Mapping[str, str] | None = None, names: Mapping[str, str] | None = None) -> Figure:
    """Depth profiles, one panel an analyte: containers thin, mean dark with its interval, margin as a band.

    Containers outside a panel are marked at its rim, by their number where they are several. ``words`` and
    ``names``: verdict and name of each analyte, for the titles of the panels.
    """
    analytes = list(dict.fromkeys(table["analyte"]))
    if not analytes:
        return nothing("no analyte could be judged")
    columns = min(4, max(1, len(analytes)))
    lines = math.ceil(len(analytes) / columns)
    figure = Figure(figsize=(2.55 * columns + 0.5, 2.7 * lines + 0.35), layout="constrained")
    axes = figure.subplots(lines, columns, squeeze=False, sharey=True)
    for ax, analyte in zip(axes.flat, analytes, strict=False):
        title = ": ".join(t for t in ((names or {}).get(analyte, analyte), (words or {}).get(analyte, "")) if t)
        _profile_panel(ax, table[table["analyte"] == analyte], textwrap.fill(title, 30))
    for ax in list(axes.flat)[len(analytes):]:
        ax.set_axis_off()
    for row in axes:
        row[0].set_ylabel("height, share of liquid depth", fontsize=8)
    return figure


def _profile_panel(ax: Axes, part: pd.DataFrame, title: str) -> None:
    low, high, unit = part[["margin low", "margin high", "unit"]].iloc[0]
    ends = [edge for edge in (low, high) if math.isfinite(edge)]
    for edge in ends:
        ax.axvline(edge, color=EDGE, lw=0.8, ls=(0, (3, 2)), zorder=1)
    ratio = unit == TIMES  # of a margin that is a factor: without any difference it is 1
    ax.axvline(float(ratio), color=EDGE, lw=0.8, zorder=1)
    single = part[part["who"] != "mean"]
    look: dict[str, Any] = {"lw": 0.6, "alpha": 0.55, "marker": ".", "ms": 2.5, "zorder": 2}
    if (n := single["who"].nunique()) > many.LINES:
        lines = many.bands(ax, single, **look)
        ax.text(0.01, 0.01, f"bands: half and nine tenths of {n:,} containers; {lines} drawn", transform=ax.transAxes,
                fontsize=6, color=THIN, va="bottom", zorder=6)
    for _, one in single.groupby("who", sort=False) if n <= many.LINES else ():
        ax.plot(one["difference"], one["height"], color=THIN, **look)
    mean = part[part["who"] == "mean"]
    far = 20 * max(*map(abs, ends), float(mean["difference"].abs().max()))  # an interval without an end leaves the panel
    least = min(*ends, float(mean["difference"].min()), 1.0) / 20 if ratio else -far
    mean = mean.assign(low=mean["low"].clip(lower=least), high=mean["high"].clip(upper=far))
    spread = [mean["difference"] - mean["low"], mean["high"] - mean["difference"]]
    ax.errorbar(mean["difference"], mean["height"], xerr=spread, color=INK, lw=1.6, marker="o", ms=4.5, capsize=2.5,
                zorder=3)
    ax.set_title(title, fontsize=9, loc="left")
    where = "mixed container" if len(ends) < 2 else "top zone"
    ax.set_xlabel(f"times the {where}" if ratio else f"difference from the {where}, {unit}", fontsize=8)
    if ratio:
        ratio_axis(ax.xaxis)
    ax.set_ylim(0, 1)
    _frame_x(ax, part, ends, ratio=ratio)
    rim = ax.get_xlim()  # the band of a one-sided margin has no other end
    ax.axvspan(max(low, rim[0]), min(high, rim[1]), color=BAND, zorder=0)
    ax.set_xlim(rim)
    _mark_outside(ax, part[part["who"] != "mean"], rim)
    for side, edge, end in ((-1, rim[0], "low"), (1, rim[1], "high")):  # the mean's interval has no end there
        for height in mean.loc[side * mean[end] > side * edge, "height"]:
            ax.plot(edge, height, ls="", marker="<" if side < 0 else ">", ms=7, color=INK, clip_on=False, zorder=5)
    _tidy(ax)


def _mark_outside(ax: Axes, single: pd.DataFrame, rim: tuple[float, float]) -> None:
    """A triangle at the rim for each depth at which containers lie outside, with how many where that is more than one."""
    for side, edge, mark, inwards in ((-1, rim[0], "<", 5), (1, rim[1], ">", -5)):
        beyond = single.loc[side * single["difference"] > side * edge, "height"]
        for height, count in zip(*np.unique(beyond.to_numpy(dtype=float), return_counts=True), strict=True):
            ax.plot(edge, height, marker=mark, ms=5, color=THIN, clip_on=False, zorder=4, ls="")
            if count > 1:
                ax.annotate(str(count), (edge, height), fontsize=7, color=INK, va="bottom",
                            ha="right" if side > 0 else "left", xytext=(inwards, 2), textcoords="offset points", zorder=5)


def one_sided(table: pd.DataFrame) -> bool:
    """True where some margin of a table of profiles has no end on one side, and its zones stand against the mixed container."""
    return bool(np.isinf(table[["margin low", "margin high"]].to_numpy(dtype=float)).any())


def ratio_axis(axis: Axis) -> None:
    """An axis of ratios: as far to a half as to double, with plain numbers after a sign of multiplication."""
    (axis.axes.set_xscale if axis is axis.axes.xaxis else axis.axes.set_yscale)("log")
    axis.set_major_locator(MaxNLocator(4))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda x, _: f"\u00d7{x:g}" if x > 0 else ""))


def _frame_x(ax: Axes, part: pd.DataFrame, ends: list[float], *, ratio: bool = False) -> None:
    """Show the margin and the mean's intervals whole; single containers may run out at the 2 % tails."""
    single = part.loc[part["who"] != "mean", "difference"].dropna()
    mean = part.loc[part["who"] == "mean", ["low", "high"]].to_numpy(dtype=float)
    edges = [*ends, float(ratio), *mean[np.isfinite(mean)]]
    if len(single):
        edges += list(np.quantile(single, [0.02, 0.98]))
    if ratio:  # a limit at nothing has no place on such an axis
        low, high = min(e for e in edges if e > 0), max(edges)
        ax.set_xlim(low / (high / low) ** 0.08, high * (high / low) ** 0.08)
        return
    pad = 0.08 * (max(edges) - min(edges))
    ax.set_xlim(min(edges) - pad, max(edges) + pad)


def against_margin(table: pd.DataFrame, label: str = "widest difference between two depths, in margins (band: within the "
                   "declared margin)", names: Mapping[str, str] | None = None, words: Mapping[str, str] | None = None,
                   ) -> Figure:
    """Every analyte's widest pair of depths in units of its margin: inside the band, beyond it, or across its edge.

    Columns: analyte, verdict, ratio, low, high (the interval that decides, divided by the margin's edge). ``words``: what
    stands behind each name in place of the verdict, where more than the mean was judged.
    What goes on beyond three margins ends at the rim with an arrow; a difference beyond them is written there.
    """
    n = len(table)
    if n == 0:
        return nothing("no analyte could be judged against its margin")
    if "side" in table:
        label = "difference that decides, in margins (band: within the declared margin)"
    told = [row_name((names or {}).get(a, a), (words or {}).get(a, v)) for a, v in zip(table["analyte"], table["verdict"],
                                                                                    strict=True)]
    row = max(ROW, LINE * (1 + max(name.count("\n") for name in told)) + 0.1)
    figure = Figure(figsize=(7.2, 1.15 + row * n), layout="constrained")
    ax = figure.subplots()
    ax.set_gid(OVER_ROWS)
    ax.axvspan(-1, 1, color=BAND, zorder=0)
    for k, side in enumerate(table.get("side", [0] * n)):  # the band of a one-sided margin has no other end
        if side:
            ax.fill_betweenx([n - 1.45 - k, n - 0.55 - k], -4 * side, -side, color=BAND, lw=0, zorder=0)
    for edge in (-1, 1):
        ax.axvline(edge, color=EDGE, lw=1, ls=(0, (3, 2)), zorder=1)
    ax.axvline(0, color=EDGE, lw=0.8, zorder=1)
    for k, record in enumerate(table.to_dict("records")):
        _margin_row(ax, record, n - 1 - k)
    ax.set_yticks(range(n), told[::-1])
    ax.set_ylim(-0.7, n - 0.3)
    ax.set_xlim(-RIM * 1.06, RIM * 1.06)
    ax.set_xlabel(label, fontsize=8)
    _tidy(ax)
    ax.tick_params(axis="y", length=0)
    return figure


def row_name(name: str, word: str) -> str:
    """A row's name with its verdict behind it: on one line where that is short, else on lines of its own."""
    told = f"{name}  ({word})"
    lines = textwrap.wrap(name, LETTERS, break_long_words=False)
    return told if len(told) <= LETTERS else "\n".join([*lines, f"({word})"])


def _margin_row(ax: Axes, row: Mapping[Hashable, Any], y: float) -> None:
    """Interval and mark of one analyte, in margins; what lies beyond the rim ends there with an arrow."""
    inner = RIM * 0.93
    ends = [float(row[c]) for c in ("low", "ratio", "high")]
    lo, mid, hi = (float(np.clip(v, -inner, inner)) for v in ends)
    ax.plot([lo, hi], [y, y], color=INK, lw=1.5, zorder=2)
    if abs(ends[1]) > inner:
        number = f"{ends[1]:.2g}".replace("-", "\u2212")
        ax.annotate(number, (mid, y), (0, 4), textcoords="offset points", fontsize=8, ha="center", color=INK)
    else:
        ax.plot(mid, y, marker=WORD_MARK.get(str(row["verdict"]), "x"), color=INK, ms=6, zorder=3)
    for side in {math.copysign(1.0, v) for v in ends if abs(v) > inner}:
        ax.annotate("", (side * RIM * 1.04, y), (side * inner, y), arrowprops={"arrowstyle": "->", "color": INK})


def nothing(why: str) -> Figure:
    """A figure that says why there is nothing to draw."""
    figure = Figure(figsize=(6, 0.7))
    figure.text(0.02, 0.5, why, fontsize=9, color=INK, va="center")
    return figure
