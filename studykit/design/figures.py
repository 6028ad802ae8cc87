"""Figures of the design stage: chance against cost, against the margin, and against what is really there.

Each function draws a table that a notebook shows beside it and returns a matplotlib Figure.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.design.cheapest import Aim, Candidate, SearchResult, aim_chances, frontier
from studykit.design.operating import Size
from studykit.plot.profiles import BAND, EDGE, INK, THIN

LINES = {"homogeneous": ("-", "o"), "stratified": ("--", "D"), "inconclusive": (":", "s")}
WORDS = tuple(LINES)


def _axes(width: float = 6.4, height: float = 3.6) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    ax = figure.subplots()
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.set_ylim(-2, 102)
    ax.tick_params(labelsize=8)
    return figure, ax


def cost_table(tried: Sequence[Candidate]) -> pd.DataFrame:
    """The designs that no cheaper one beats, one row each, by cost."""
    return pd.DataFrame([c.row() for c in frontier(tried)])


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
    ax.legend(fontsize=8, frameon=False, loc="upper left")
    return figure


def _size_text(size: Size) -> str:
    each = f"{size.replicates} determinations each" if size.replicates > 1 else "one determination each"
    return f"{size.containers} containers x {size.depths} depths, {each}"


def margin_table(aim: Aim, size: Size, alpha: float = 0.05, points: int = 15) -> pd.DataFrame:
    """Chance of each verdict (per cent) for margins from a quarter to twice the declared one."""
    rows = []
    for factor in np.linspace(0.25, 2.0, points):
        tried = Aim(analyte=aim.analyte, guess=aim.guess, margin=float(aim.margin * factor), unit=aim.unit,
                    relative=aim.relative)
        rows.append({"margin": aim.shown(tried.margin)} | _row(tried, size, alpha))
    return pd.DataFrame(rows)


def gradient_table(aim: Aim, size: Size, alpha: float = 0.05, points: int = 13) -> pd.DataFrame:
    """Chance of each verdict (per cent) for true gradients from nothing to twice the margin."""
    rows = []
    for factor in np.linspace(0, 2, points):
        guess = aim.guess.model_copy(update={"gradient": float(aim.margin * factor)})
        tried = Aim(analyte=aim.analyte, guess=guess, margin=aim.margin, unit=aim.unit, relative=aim.relative)
        rows.append({"gradient": aim.shown(guess.gradient), "in_margins": factor} | _row(tried, size, alpha))
    return pd.DataFrame(rows)


def _row(aim: Aim, size: Size, alpha: float) -> dict[str, float]:
    got = aim_chances(aim, size, alpha)
    return {word: 100 * getattr(got, word) for word in WORDS}


def _curves(table: pd.DataFrame, x: str, label: str) -> tuple[Figure, Axes]:
    figure, ax = _axes()
    for word, (line, mark) in LINES.items():
        ax.plot(table[x], table[word], color=INK, ls=line, lw=1.3, marker=mark, ms=3.5, mfc="white", label=word)
    ax.set_xlabel(label, fontsize=9)
    ax.set_ylabel("chance, %", fontsize=9)
    ax.legend(fontsize=8, frameon=False)
    return figure, ax


def chance_against_margin(table: pd.DataFrame, aim: Aim) -> Figure:
    """The three chances against the margin; the declared margin is marked. Draws ``margin_table``."""
    figure, ax = _curves(table, "margin", f"margin for {aim.analyte}, ± {aim.unit}")
    ax.axvline(aim.shown(aim.margin), color=EDGE, lw=1, ls=(0, (4, 3)))
    return figure


def chance_against_gradient(table: pd.DataFrame, aim: Aim) -> Figure:
    """The three chances against the true gradient; within the margin is shaded. Draws ``gradient_table``."""
    label = f"true difference of {aim.analyte}, lowest depth minus top, {aim.unit}"
    figure, ax = _curves(table, "gradient", label)
    ax.axvspan(0, aim.shown(aim.margin), color=BAND, zorder=0)
    return figure
