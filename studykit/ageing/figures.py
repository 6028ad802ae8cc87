"""Own differences against age with fitted line, band, margin and the times at which it is passed."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
import seaborn
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import stats

from studykit.ageing.tables import earliest
from studykit.ageing.trend import Trend
from studykit.core.record import significant
from studykit.plot import many, profiles
from studykit.study.spans import in_times, on_margin

MARKS = "osD^vP"
STEPS = 60
WAYS = ("growth shown, %", "time known within ±, months")


def line_table(trends: tuple[Trend, ...]) -> pd.DataFrame:
    """What the figure draws: points (container), fitted line with limits (line); months and differences as told.

    Of the pair of depths that decides.
    """
    rows: list[tuple[object, ...]] = []
    for t in trends:
        show, own = t.own.margin.shown, t.own
        rows += [(own.analyte, own.label, own.between, str(c), float(m), show(float(v)), math.nan, math.nan, own.unit)
                 for c, m, v in zip(own.units, own.months, own.values, strict=True)]
        at = np.linspace(0.0, max(t.horizon.oldest, min(t.horizon.bound, 1.05 * float(t.mean.estimate[0]))), STEPS)
        found = t.at(at)
        half = stats.t.isf(own.alpha, np.where(np.isfinite(found.df), found.df, 1.0)) * found.se[0]
        rows += [(own.analyte, own.label, own.between, "line", float(m), show(float(e)), show(float(e - h)), show(float(e + h)),
                  own.unit) for m, e, h in zip(at, found.estimate[0], half, strict=True)]
    return pd.DataFrame(rows, columns=["analyte", "group", "between", "who", "months", "difference", "low", "high", "unit"])


def _drawn(t: Trend, difference: float) -> float:
    """A difference on the scale of analysis as it is drawn: of a margin that is a factor as a ratio."""
    return on_margin(t.own.margin.shown(difference), t.own.unit, t.own.margin.text)[0]


def _as_drawn(table: pd.DataFrame, t: Trend) -> pd.DataFrame:
    """``line_table`` of one analyte with ratios where its margin is a factor."""
    return in_times(table, [t.own.analyte] if t.own.margin.ratio else [])


def over_time(trends: tuple[Trend, ...], names: Mapping[str, str] | None = None) -> Figure:
    """One panel a group: containers' own differences, line with both one-sided limits, margin, times of passing.

    ``names``: what people call each analyte.
    """
    if not trends:
        return profiles.nothing("no analyte has a line over time")
    table = _as_drawn(line_table(trends), trends[0])
    figure = Figure(figsize=(min(3.6 * len(trends) + 0.6, 11.0), 3.3), layout="constrained")
    axes = figure.subplots(1, len(trends), squeeze=False, sharey=True)[0]
    room = _room(trends, table.loc[table["who"] != "line", "difference"])
    for ax, t in zip(axes, trends, strict=True):
        _panel(ax, t, table[table["group"] == t.own.label], room)
    unit = on_margin(0.0, trends[0].own.unit, trends[0].own.margin.text)[1]
    axes[0].set_ylabel(f"{_what(trends)} of each container, {unit}", fontsize=8)
    figure.suptitle(name_of(trends, names), fontsize=10, x=0.01, ha="left")
    return figure


def name_of(trends: tuple[Trend, ...], names: Mapping[str, str] | None) -> str:
    """The analyte that is drawn, as people call it; '' where none is."""
    return "" if not trends else (names or {}).get(trends[0].own.analyte, trends[0].own.analyte)


def _what(trends: tuple[Trend, ...]) -> str:
    """Which difference is drawn."""
    ends = all(t.own.pair == t.outer.own.pair for t in trends)
    told = "bottom \u2212 top" if ends else "lower \u2212 upper"
    return told.replace("\u2212", "/") if trends[0].own.margin.ratio else told


def _room(trends: tuple[Trend, ...], points: pd.Series) -> tuple[float, float]:
    """From where to where all panels go: every container of every group, and the margins."""
    ends = [_drawn(t, e) for t in trends for e in t.own.edges] + [float(points.min()), float(points.max())]
    if trends[0].own.margin.ratio:
        seen = max(max(ends), 1 / min(ends)) ** 1.2
        return 1 / seen, seen
    seen = 1.2 * max(map(abs, ends))
    return (-seen if min(ends) < 0 else 0.0), seen


def _panel(ax: Axes, t: Trend, part: pd.DataFrame, room: tuple[float, float]) -> None:
    low, high = (_drawn(t, e) for e in t.own.edges)
    ax.axhspan(low, high, color=profiles.BAND, zorder=0)
    for edge in (low, high):
        ax.axhline(edge, color=profiles.EDGE, lw=0.8, ls=(0, (3, 2)))
    ax.axhline(float(t.own.margin.ratio), color=profiles.EDGE, lw=0.8)
    line, points = part[part["who"] == "line"], part[part["who"] != "line"]
    ax.fill_between(line["months"], line["low"].clip(*room), line["high"].clip(*room), color=profiles.THIN, alpha=0.25, lw=0)
    ax.plot(line["months"], line["difference"].clip(*room), color=profiles.INK, lw=1.5)
    if len(points) > many.MARKS // 3:
        of = len(points)
        points = points.iloc[many.few(points["difference"] - points["difference"].median(), many.MARKS // 3)]
        many.note(ax, len(points), of, "containers")
    if t.own.again:
        seaborn.lineplot(points, x="months", y="difference", units="who", estimator=None, color=profiles.THIN, lw=0.6, ax=ax)
    seaborn.scatterplot(points, x="months", y="difference", s=20, color="white", edgecolor=profiles.INK, ax=ax, zorder=3)
    title = [t.own.label] + [t.own.between] * (t.own.pair != t.outer.own.pair)
    for at, style, name in ((t.mean.safe[0], "-", "upright line: shown within up to"),
                            (t.mean.estimate[0], ":", "dotted: fitted line passes at")):
        if math.isfinite(at) and 0 < at <= line["months"].max() and not (style == "-" and t.mean.outside[0]):
            ax.axvline(at, color=profiles.INK, lw=0.9, ls=style)
            title.append(f"{name} {significant(float(at), 3)} months")  # beside the line it would lie over the marks
    if t.own.margin.ratio:
        profiles.ratio_axis(ax.yaxis)
    ax.set_ylim(*room)
    ax.set_xlim(left=0)
    ax.set_title("\n".join(title), fontsize=8, loc="left")
    ax.set_xlabel("age, months", fontsize=8)
    ax.set_ylabel("")
    ax.tick_params(labelsize=8)


def alt(trends: tuple[Trend, ...], names: Mapping[str, str] | None = None) -> str:
    """Alt text: rates and times of the groups drawn."""
    if not trends:
        return "no figure"
    parts = []
    for t in trends:
        ends = [_drawn(t, float(t.at(np.array([m])).estimate[0, 0])) for m in t.own.span]
        unit = on_margin(0.0, t.own.unit, t.own.margin.text)[1]
        passes = f"passes the margin at {significant(float(t.mean.estimate[0]), 3)} months" if math.isfinite(
            t.mean.estimate[0]) else "does not pass the margin"
        by = "" if t.own.pair == t.outer.own.pair else f", {t.own.between}"
        parts.append(f"{t.own.label}{by}: fitted line from {significant(ends[0], 2)} to {significant(ends[1], 2)} "
                     f"{unit}, {passes}")
    return f"Own difference of each container against age, {name_of(trends, names)}. " + "; ".join(parts)


def drawn(trends: tuple[Trend, ...]) -> tuple[Trend, ...]:
    """The groups of the analyte that allows least, at most four."""
    if not trends:
        return ()
    first = earliest(trends).own.analyte
    return tuple(t for t in trends if t.own.analyte == first)[:4]


def ways_figure(table: pd.DataFrame) -> Figure:
    """Chance that growth is shown, and how well time is known, against the number of drawings. Draws ``planned.ways_table``."""
    if "way" not in table:
        return profiles.nothing("no ages to compare")
    figure = Figure(figsize=(7.2, 3.2), layout="constrained")
    for ax, column in zip(figure.subplots(1, 2), WAYS, strict=True):
        each = table.groupby(table["way"] + ", " + table["ages"], sort=False)
        for (name, part), mark, line in zip(each, MARKS, ("-", ":", "-", ":"), strict=False):
            ax.plot(part["drawings"], part[column], marker=mark, ms=4, mfc="white", lw=1.2, ls=line, label=str(name),
                    color=profiles.INK if "sister" in str(name) else profiles.EDGE)
        ax.set_xlabel("containers drawn, each visit counted", fontsize=8)
        ax.set_ylabel(column, fontsize=8)
        ax.set_ylim(0, 102 if "%" in column else None)
        ax.tick_params(labelsize=8)
    figure.legend(*figure.axes[0].get_legend_handles_labels(), loc="outside lower center", ncols=2, fontsize=7, frameon=False)
    return figure


def ways_alt(table: pd.DataFrame) -> str:
    """Alt text: the ends of each line."""
    if "way" not in table:
        return "no figure"
    parts = []
    for (way, ages), part in table.groupby(["way", "ages"], sort=False):
        first, last, known = part.iloc[0], part.iloc[-1], part.iloc[-1][WAYS[1]]
        parts.append(f"{way}, {ages}: growth shown in {first[WAYS[0]]:.0f} to {last[WAYS[0]]:.0f} %, time known within "
                     + (f"{significant(float(known), 2)} months" if math.isfinite(known) else "no end"))
    return f"From {table['drawings'].min()} to {table['drawings'].max()} drawings. " + "; ".join(parts)
