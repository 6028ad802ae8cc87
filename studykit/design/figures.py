"""Figures of the design stage: chance against what is really there, against the margin, and against cost.

Each figure draws a table that the notebook shows beside it, and has a text that says the same in words.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.design.cheapest import Aim, SearchResult, aim_chances, frontier
from studykit.design.operating import DesignSize
from studykit.design.tables import NOTHING, DesignView
from studykit.plot.profiles import BAND, EDGE, INK, THIN

Swept = Literal["gradient", "margin"]
LINES = {"homogeneous": ("-", "o"), "stratified": ("--", "D"), "inconclusive": (":", "s")}
WORDS = tuple(LINES)
# in declared margins: true differences from nothing to twice the margin; margins from a quarter to twice it
SWEEPS: dict[Swept, list[float]] = {"gradient": np.linspace(0, 2, 13).tolist(),
                                   "margin": np.linspace(0.25, 2.0, 15).tolist()}
LABELS: dict[Swept, str] = {
    "gradient": "true difference of {}, lowest depth minus top, {}",
    "margin": "margin for {}, ± {}"}


def sweep(aim: Aim, size: DesignSize, over: Swept, alpha: float = 0.05) -> pd.DataFrame:
    """Chance of each verdict (per cent) for true gradients, or for margins, up to twice the declared margin."""
    rows = []
    for factor in SWEEPS[over]:
        at = float(aim.margin * factor)
        tried = aim.with_gradient(at) if over == "gradient" else aim.with_margin(at)
        got = aim_chances(tried, size, alpha)
        row = {over: aim.margin_at(at)} if over == "margin" else {over: aim.shown(at), "in_margins": factor}
        rows.append(row | {word: 100 * getattr(got, word) for word in WORDS})
    return pd.DataFrame(rows)


def curve(view: DesignView, over: Swept) -> pd.DataFrame:
    """``sweep`` for the analyte drawn, rounded; margins are swept as if nothing had settled."""
    aim = view.shown
    if aim is None:
        return pd.DataFrame({"note": [NOTHING]})
    still = aim if over == "gradient" else aim.with_gradient(0.0)
    return sweep(still, view.size, over, view.study.alpha).round(dict.fromkeys(WORDS, 3))


def curve_figure(view: DesignView, over: Swept, table: pd.DataFrame) -> Figure:
    """Draws ``curve``; differences within the margin are shaded, the declared margin is marked."""
    return _nothing_to_draw() if view.shown is None else chance_against(
        over, table, view.shown, view.study.label_of(view.shown.analyte))


def curve_alt(view: DesignView, over: Swept, table: pd.DataFrame) -> str:
    """What a curve figure shows, in words with its end points."""
    if view.shown is None:
        return "Nothing to draw."
    first, last, unit = table.iloc[0], table.iloc[-1], view.shown.unit
    return (f"Chance of each verdict for {view.study.label_of(view.shown.analyte)} against the {over}: homogeneous from "
            f"{first['homogeneous']:.0f} % at {first[over]:.3g} {unit} to {last['homogeneous']:.0f} % at "
            f"{last[over]:.3g} {unit}, stratified from {first['stratified']:.0f} % to {last['stratified']:.0f} %.")


def chance_against(over: Swept, table: pd.DataFrame, aim: Aim, name: str = "") -> Figure:
    """The three chances against the true gradient or the margin, of the analyte as it is called. Draws ``sweep``."""
    figure, ax = _axes()
    for word, (line, mark) in LINES.items():
        ax.plot(table[over], table[word], color=INK, ls=line, lw=1.3, marker=mark, ms=3.5, mfc="white", label=word)
    label = LABELS[over].replace("\u00b1", {-1: "below the mixed container,", 0: "\u00b1", 1: "above the mixed container,"}[
        aim.side.sign])
    ax.set_xlabel(label.format(name or aim.analyte, aim.unit), fontsize=9)
    ax.set_ylabel("chance, %", fontsize=9)
    ax.legend(fontsize=8, frameon=False)
    if over == "gradient":
        if not aim.side.sign:  # a one-sided margin is about no difference between lowest and uppermost
            ax.axvspan(0, aim.shown(aim.margin), color=BAND, zorder=0)
    else:
        ax.axvline(aim.margin_at(aim.margin), color=EDGE, lw=1, ls=(0, (4, 3)))
    return figure


def cost_figure(view: DesignView, found: SearchResult | None) -> Figure:
    """Chance against cost of every design tried."""
    return _nothing_to_draw() if found is None else chance_against_cost(found, view.settings.currency)


def cost_alt(found: SearchResult | None) -> str:
    """What the cost figure shows, in words."""
    if found is None:
        return "Nothing to draw."
    return f"Chance of the right verdict against cost for {len(found.tried)} designs. {found.proof()}"


def chance_against_cost(result: SearchResult, currency: str = "units") -> Figure:
    """Every design tried as a dot, the best for its cost as a line, the target and the cheapest design marked."""
    figure, ax = _axes()
    ax.scatter([c.cost for c in result.tried], [100 * c.lowest for c in result.tried], s=9, color=THIN, lw=0,
               alpha=0.6, label="designs tried")
    edge = frontier(result.tried)
    ax.step([c.cost for c in edge], [100 * c.lowest for c in edge], where="post", color=INK, lw=1.4,
            label="best for its cost")
    ax.axhline(100 * result.target, color=EDGE, lw=1, ls=(0, (4, 3)))
    found = result.found
    if found is not None:
        ax.plot([found.cost], [100 * found.lowest], marker="D", ms=7, color=INK, ls="none",
                label="cheapest that will do")
        ax.annotate(_size_text(found.size), (found.cost, 100 * found.lowest), xytext=(-8, 10), ha="right",
                    textcoords="offset points", fontsize=8, bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 1})
    ax.set_xlabel(f"cost, {currency}", fontsize=9)
    ax.set_ylabel("chance of the right verdict, %\n(hardest analyte)", fontsize=9)
    figure.legend(fontsize=8, frameon=False, loc="outside upper left", ncols=3)  # beside the curve no corner is free for sure
    return figure


def _axes() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(6.4, 3.6), layout="constrained")
    ax = figure.subplots()
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.set_ylim(-2, 102)
    ax.tick_params(labelsize=8)
    return figure, ax


def _size_text(size: DesignSize) -> str:
    each = f"{size.replicates} determinations each" if size.replicates > 1 else "one determination each"
    return f"{size.containers} containers x {size.depths} depths, {each}"


def _nothing_to_draw() -> Figure:
    figure = Figure(figsize=(5, 0.6))
    figure.text(0.02, 0.5, "see the table", va="center", fontsize=9)
    return figure
