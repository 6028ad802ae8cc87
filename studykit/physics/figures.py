"""The plots of the settling estimate: each draws one table and returns a matplotlib Figure.

Series differ in line style and marker as well as in colour; nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.physics.bounds import TYPICAL_SIZES, TypicalSize

# Okabe and Ito's palette, dark ones first.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
MARKERS = ("o", "s", "D", "^", "v", "P")
GREY, INK = "#5b6670", "#1d2733"


def _look(i: int) -> dict[str, Any]:
    """Colour, line style and marker of the i-th series."""
    n = len(COLOURS)
    return {"color": COLOURS[i % n], "linestyle": STYLES[i % n], "marker": MARKERS[i % n]}


def _tidy(ax: Axes) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=8)


def _need(table: pd.DataFrame, *columns: str) -> None:
    lost = [c for c in columns if c not in table.columns]
    if lost or table.empty:
        raise ValueError(f"table must have rows and the columns {', '.join(columns)}, but got "
                         f"{', '.join(map(str, table.columns)) or 'none'} with {len(table)} rows")


def _profile_axes(ax: Axes, curves: pd.DataFrame, measured: pd.DataFrame | None,
                  zones: Sequence[tuple[str, float]]) -> None:
    top = 160.0
    ages = {float(str(age)): i for i, age in enumerate(sorted(curves["age_days"].unique()))}
    for i, (age, part) in enumerate(curves.groupby("age_days")):
        mean = part.groupby("height", as_index=False)["percent_of_mixed"].mean()
        ax.plot(np.minimum(mean["percent_of_mixed"], top), mean["height"], lw=1.4, ms=4, label=_age(float(str(age))),
                markevery=(3 + 4 * i, max(len(mean) // 5, 1)), **_look(i))
    if measured is not None:
        _need(measured, "height", "percent_of_mixed")
        own = measured.assign(age_days=measured.get("age_days", np.nan))
        for age, part in own.groupby("age_days", dropna=False):
            k = ages.get(float(str(age)))
            look: dict[str, Any] = {"color": INK, "marker": "x", "label": "measured"} if k is None else {
                "color": COLOURS[k % len(COLOURS)], "marker": MARKERS[k % len(MARKERS)], "mfc": "white"}
            spread = None
            if {"low", "high"} <= set(part.columns) and part["low"].notna().all():
                spread = [part["percent_of_mixed"] - part["low"], part["high"] - part["percent_of_mixed"]]
            far = part[part["percent_of_mixed"] > top]
            for height in far["height"]:
                mark, = ax.plot(top, height, ls="", marker=">", ms=7, color=INK, clip_on=False, zorder=5)
                mark.set_in_layout(False)
            ax.errorbar(part["percent_of_mixed"], part["height"], xerr=spread, ls="none", ms=6, capsize=3, lw=1.2,
                        zorder=4, **look)
    ax.axvline(100, color=GREY, lw=0.8, zorder=0)
    for label, height in zones:
        ax.annotate(label, (1.0, height), xycoords=("axes fraction", "data"), xytext=(8, 0), va="center",
                    textcoords="offset points", fontsize=7, color=GREY)
    ax.set(xlim=(0, top), ylim=(0, 1))
    ax.set_xlabel("expected level, % of the mixed mean (cut at 160 %; > more)", fontsize=8)
    ax.set_ylabel("height, share of liquid depth", fontsize=8)
    ax.legend(fontsize=7, frameon=False, title="standing time", title_fontsize=7)
    _tidy(ax)


def expected_over_measured(panels: Sequence[tuple[str, pd.DataFrame, pd.DataFrame]]) -> Figure | None:
    """Expected lines and measured marks of the same standing time in one look, a panel each; None for no panel.

    ``panels``: title, curves and measured.  Curves: age_days, height (0 floor to 1), percent_of_mixed, of one
    component in one store and vessel.  Measured: depth, height, percent_of_mixed and, where known, low and high
    (interval) and age_days (then in the look of that age's line).
    """
    if not panels:
        return None
    columns = min(2, len(panels))
    lines = -(-len(panels) // columns)
    figure = Figure(figsize=(3.5 * columns, 3.1 * lines), layout="constrained")
    axes = list(figure.subplots(lines, columns, squeeze=False).flat)
    for ax, (title, curves, measured) in zip(axes, panels, strict=False):
        _need(curves, "age_days", "height", "percent_of_mixed")
        depths = measured.drop_duplicates("depth")
        _profile_axes(ax, curves, measured, [(str(d), float(h)) for d, h in zip(depths["depth"], depths["height"],
                                                                                 strict=True)])
        ax.set_title(title, fontsize=9, loc="left")
    for ax in axes[len(panels):]:
        ax.set_axis_off()
    return figure


def _age(days: float) -> str:
    return f"{days:.0f} days" if days < 90 else f"{days / 30.4375:.0f} months"


def bounds_against_size(tables: Sequence[tuple[str, pd.DataFrame]], sizes: Sequence[TypicalSize] = TYPICAL_SIZES
                        ) -> Figure:
    """Largest share in particles against their size, an analyte a panel, with typical sizes marked.

    ``tables``: name and table of each: diameter_um, share_at_percent, share_above_percent, as
    ``RuledOut.to_table`` gives.
    """
    for _, table in tables or (("", pd.DataFrame()),):
        _need(table, "diameter_um", "share_at_percent", "share_above_percent")
    columns = len(tables)
    figure = Figure(figsize=(5.4 if columns == 1 else 3.8 * columns, 3.8), layout="constrained")
    axes = figure.subplots(2, columns, sharex=True, squeeze=False, height_ratios=(3, 1.3))
    for k, (analyte, table) in enumerate(tables):
        _bound_axes(axes[0, k], axes[1, k], table, analyte, sizes)
    figure.legend(*axes[0, 0].get_legend_handles_labels(), fontsize=7, frameon=False, loc="outside upper left")
    return figure


def _bound_axes(ax: Axes, below: Axes, table: pd.DataFrame, analyte: str, sizes: Sequence[TypicalSize]) -> None:
    ax.plot(table["diameter_um"], table["share_above_percent"], lw=1.6, ms=4, markevery=8, **_look(0),
            label="of this size or larger, as far as the study sees")
    ax.plot(table["diameter_um"], table["share_at_percent"], lw=1.2, ms=4, markevery=(4, 8), **_look(1),
            label="of about this size")
    ax.fill_between(table["diameter_um"], table["share_at_percent"], 100, color="#e9e6dc", zorder=0,
                    label="ruled out")
    who = f" of {analyte}" if analyte else ""
    ax.set(xscale="log", ylim=(0, 103), ylabel=f"largest share{who}, %")
    low, high = table["diameter_um"].min(), table["diameter_um"].max()
    for i, s in enumerate(sizes):
        left, right = max(s.low_m * 1e6, low), min(s.high_m * 1e6, high)
        below.plot([left, right], [i, i], color=INK, lw=3, solid_capstyle="butt")
        place = {"x": left, "ha": "right"} if left > 0.05 else {"x": right, "ha": "left"}
        below.text(float(str(place["x"])), i, f" {s.label} ", ha=str(place["ha"]), va="center", fontsize=7)
    below.set(xlim=(low, high), ylim=(len(sizes) - 0.4, -0.6), yticks=[], xlabel="diameter, µm")
    for axis in (ax, below):
        _tidy(axis)
    below.spines["left"].set_visible(False)


def time_to_settle(chart: pd.DataFrame, distance_mm: float = 500.0, excess_kg_m3: float = 100.0) -> Figure:
    """Days to cross the liquid against size, one line per viscosity.

    ``chart``: diameter_um, viscosity_mpa_s, days, as ``settling_chart`` gives.
    """
    _need(chart, "diameter_um", "viscosity_mpa_s", "days")
    figure = Figure(figsize=(5.0, 3.6), layout="constrained")
    ax = figure.subplots()
    for i, (eta, part) in enumerate(chart.groupby("viscosity_mpa_s")):
        ax.plot(part["diameter_um"], part["days"], lw=1.4, ms=4, label=f"{float(str(eta)):g} mPa·s", **_look(i))
    for days, label in ((1, "a day"), (30.4375, "a month"), (365.25, "a year"), (3652.5, "ten years")):
        ax.axhline(days, color=GREY, lw=0.6, zorder=0)
        ax.annotate(label, (1.0, days), xycoords=("axes fraction", "data"), xytext=(3, 0), va="center",
                    textcoords="offset points", fontsize=7, color=GREY)  # outside, where no line runs
    ax.set(xscale="log", yscale="log", xlabel="diameter, µm",
           ylabel=f"days to cross {distance_mm:g} mm")
    low, high = ax.get_ylim()
    ax.set_yticks([10.0 ** k for k in range(-20, 21, 2) if low <= 10.0 ** k <= high])  # the same in any matplotlib
    ax.legend(fontsize=7, frameon=False, title=f"viscosity in store;\ndensity difference {excess_kg_m3:g} kg/m³",
              title_fontsize=7, loc="upper right")
    _tidy(ax)
    return figure
