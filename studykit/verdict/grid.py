"""Containers as a grid: a row a container, a column an analyte, those to treat first. Draws ``cleared.words``."""

from __future__ import annotations

import textwrap
from collections import defaultdict
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from studykit.plot.profiles import INK, THIN
from studykit.quality.flags import listed
from studykit.study.definition import Study
from studykit.verdict.cleared import BEYOND, CLOSED, NONE, OPEN, WITHIN

MOST = 40
"""Rows that are drawn; those to treat come first."""
LETTERS = 26
"""On a line of an analyte's name, so that a long one does not push the rows down."""
ROW, HEAD = 0.19, 0.055  # inches of a row, and of a letter of an analyte's name
LOOK: dict[str, dict[str, Any]] = {
    BEYOND: {"marker": "D", "ms": 6.5, "mfc": INK}, WITHIN: {"marker": "o", "ms": 6, "mfc": "white"},
    OPEN: {"marker": ".", "ms": 3, "mfc": THIN, "mec": THIN}, NONE: {"marker": "x", "ms": 4.5, "mfc": INK},
    CLOSED: {"marker": "_", "ms": 5, "mfc": THIN, "mec": THIN}}
TOLD = {BEYOND: "shown beyond the margin: to be treated",
        WITHIN: "shown within by its own zones (its group may need treating all the same)",
        OPEN: "neither is shown: not cleared", NONE: "no result: nothing is known of it",
        CLOSED: "no single container can be judged by this analyte"}


def counts(table: pd.DataFrame) -> pd.DataFrame:
    """One row an analyte: of how many containers each word holds."""
    found = table.groupby(["analyte", "word"], sort=False).size().unstack(fill_value=0)
    found = found.reindex(columns=list(LOOK), fill_value=0).rename(columns={
        BEYOND: "shown beyond", WITHIN: "shown within", OPEN: "neither shown", NONE: "no result", CLOSED: "cannot be judged"})
    return found.rename_axis(columns=None).reset_index().assign(
        containers=table.groupby("analyte", sort=False)["container"].nunique().to_numpy())


def rows_of(table: pd.DataFrame) -> list[str]:
    """The containers in the order of the rows: most analytes beyond first, then fewest shown within."""
    score = table.assign(beyond=table["word"] == BEYOND, within=table["word"] == WITHIN).groupby("container", sort=False)[
        ["beyond", "within"]].sum()
    return list(score.sort_values(["beyond", "within"], ascending=[False, True], kind="stable").index)


def figure(table: pd.DataFrame, study: Study) -> Figure | None:
    """The grid; None for fewer than two containers or no analyte."""
    boxes, analytes = rows_of(table), list(dict.fromkeys(table["analyte"]))
    if len(boxes) < 2:
        return None
    shown, names = boxes[:MOST], [textwrap.fill(study.label_of(a), LETTERS, break_long_words=False) for a in analytes]
    head = HEAD * max(len(line) for name in names for line in name.split("\n"))
    drawn = Figure(figsize=(min(7.0, 1.4 + 0.5 * len(analytes)), 1.25 + head + ROW * len(shown)), layout="constrained")
    ax = drawn.subplots()
    place = {c: k for k, c in enumerate(shown)}
    for word, look in LOOK.items():
        own = table[(table["word"] == word) & table["container"].isin(shown)]
        across, down = [analytes.index(a) for a in own["analyte"]], [place[c] for c in own["container"]]
        ax.plot(across, down, ls="", **{"mec": INK, **look})
    beyond = set(table.loc[table["word"] == BEYOND, "container"])
    _frame(ax, shown, names, sum(c in beyond for c in shown))
    seen = [w for w in LOOK if (table["word"] == w).any()]
    marks = [Line2D([], [], ls="", **{"mec": INK, **LOOK[w]}) for w in seen]
    drawn.legend(marks, [TOLD[w] for w in seen], loc="outside lower left", fontsize=7, frameon=False)
    ax.set_title(_title(table, len(boxes)), fontsize=9, loc="left", pad=6)
    return drawn


def _frame(ax: Axes, shown: list[str], names: list[str], beyond: int) -> None:
    ax.set_xlim(-0.6, len(names) - 0.4)
    ax.set_ylim(len(shown) - 0.4, -0.6)
    ax.set_yticks(range(len(shown)), shown, fontsize=7)
    ax.set_xticks(range(len(names)), names, fontsize=7.5, rotation=90)
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    for k in range(len(shown)):
        ax.axhline(k, color=THIN, lw=0.3, alpha=0.5, zorder=0)
    if 0 < beyond < len(shown):
        ax.axhline(beyond - 0.5, color=INK, lw=0.8)
    for side in ax.spines.values():
        side.set_visible(False)


def _title(table: pd.DataFrame, n: int) -> str:
    """How many are shown beyond, and whether all rows are drawn."""
    beyond = table.loc[table["word"] == BEYOND, "container"].nunique()
    told = f"{beyond or 'none'} of {n} containers shown beyond"
    return told + (f" (first {MOST} drawn)" if n > MOST else "")


def alt(table: pd.DataFrame, study: Study) -> str:
    """The grid in words: every container beyond, and by which analytes; then those left undecided; the others are counted."""
    if table["container"].nunique() < 2:
        return "no figure"
    boxes, labels = rows_of(table), study.labels
    of = defaultdict[str, dict[str, list[str]]](dict)
    for c, a, w in zip(table["container"], table["analyte"], table["word"], strict=True):
        of[str(c)].setdefault(str(w), []).append(labels[a])
    by = {c: {w: listed(own, 40) for w, own in words.items()} for c, words in of.items()}
    far = [c for c in boxes if BEYOND in by[c]]
    open_ = [c for c in boxes if OPEN in by[c] and BEYOND not in by[c]]
    within = [c for c in boxes if set(by[c]) == {WITHIN}]
    none = [c for c in boxes if NONE in by[c] and BEYOND not in by[c]]
    told = [f"Beyond by {names}: {_named(own, boxes)}" for names, own in _alike(far, by)]
    told += [f"Undecided, and not shown beyond: {_named(open_, boxes)}"] * bool(open_)
    told += [f"Without any result: {_named(none, boxes)}"] * bool(none)
    told += [f"Shown within by every analyte: {len(within)}"] * bool(within)
    closed = table.loc[table["word"] == CLOSED, "analyte"].unique()
    told += [f"No single container can be judged by {listed([labels[a] for a in closed], 40)}"] * bool(len(closed))
    return f"Containers in rows, analytes in columns: {'. '.join([_title(table, len(boxes)), *told])}."


def _alike(containers: list[str], by: dict[str, dict[str, str]]) -> list[tuple[str, list[str]]]:
    """Containers put together that are beyond by the same analytes, those that come first in front."""
    found = dict[str, list[str]]()
    for c in containers:
        found.setdefault(by[c][BEYOND], []).append(c)
    return list(found.items())


def _named(own: list[str], boxes: list[str]) -> str:
    """Containers by name; all of them in two words, and more than are drawn counted."""
    return f"all {len(boxes)}" if len(own) == len(boxes) else listed(own, MOST)
