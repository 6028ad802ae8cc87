"""The page and the figure for the discussion after the reveal."""

from __future__ import annotations

import base64
import io
from html import escape

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.core import plainpage
from studykit.plot.readable import as_written

INK, MISS, EDGE = "#1d2733", "#b3261e", "#a89f86"
CAPTION = ("Left: every interval of the class against the truth, in units of the margin, sorted by its middle; 0 is the "
           "truth, a square marks an interval that misses it, a triangle at the edge one that reaches beyond the drawing. "
           "Right: what each student paid, and how many words were "
           "right (filled circle) or unsafe, homogeneous where the truth is stratified (open square).")


def class_figure(scores: pd.DataFrame, intervals: pd.DataFrame) -> Figure:
    """Intervals against the truth, and money against right words; both panels say so where there is nothing to draw."""
    figure = Figure(figsize=(9.5, 4.6), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=(3, 2))
    _intervals(left, _in_margins(intervals))
    scores = bought(scores)
    right.plot(scores["cost"], scores["words right"], "o", color=INK, ms=6, label="words right")
    right.plot(scores["cost"], scores["unsafe"], "s", color=MISS, ms=6, mfc="none", label="unsafe words")
    right.set(xlabel="paid, units", ylabel="words of five analytes", ylim=(-0.4, 5.4))
    right.legend(frameon=False, fontsize=8)
    for ax in (left, right):
        ax.spines[["top", "right"]].set_visible(False)
    return figure


def _in_margins(intervals: pd.DataFrame) -> pd.DataFrame:
    """Low, high and middle of each interval minus the truth, in margins; sorted."""
    own = intervals.dropna(subset=["low", "high"])
    out = pd.DataFrame({k: (own[k].astype(float) - own["truth"].astype(float)) / own["margin"].astype(float)
                        for k in ("low", "high")})
    out["middle"] = (out["low"] + out["high"]) / 2
    return out.sort_values("middle", ignore_index=True)


def _intervals(ax: Axes, rows: pd.DataFrame) -> None:
    hold = (rows["low"] <= 0) & (rows["high"] >= 0)
    ax.vlines(rows.index[hold], rows["low"][hold], rows["high"][hold], color=INK, lw=1)
    ax.vlines(rows.index[~hold], rows["low"][~hold], rows["high"][~hold], color=MISS, lw=1.4)
    ax.plot(rows.index[~hold], rows["middle"][~hold], "s", color=MISS, ms=4)
    ax.axhline(0, color=EDGE, lw=1)
    ax.set(xlabel="intervals of the class", ylabel="interval minus truth, margins", xticks=[])
    if len(rows):
        reach = float(rows["middle"].abs().quantile(0.98)) + 1
        ax.set_ylim(-reach, reach)
        for beyond, edge, mark in ((rows["low"] < -reach, -reach, "v"), (rows["high"] > reach, reach, "^")):
            ax.plot(rows.index[beyond], [edge] * int(beyond.sum()), mark, color=MISS, ms=6, clip_on=False)


def alt_of(scores: pd.DataFrame) -> str:
    """What the figure shows, in words and numbers."""
    own = bought(scores)
    n = {c: int(own[c].sum()) for c in ("hold the truth", "intervals", "words right", "words open", "words wrong", "unsafe",
                                           "found", "missed")}
    many = "1 student" if len(own) == 1 else f"{len(own)} students"
    return (f"{many}. {n['hold the truth']} of {n['intervals']} intervals (90 %) hold the truth. Words: "
            f"{n['words right']} right, {n['words open']} open, {n['words wrong']} wrong, of these {n['unsafe']} unsafe. "
            f"Faults: {n['found']} found, {n['missed']} missed.")


def figure_bytes(scores: pd.DataFrame, intervals: pd.DataFrame) -> bytes:
    """The figure as PNG."""
    buffer = io.BytesIO()
    as_written(class_figure(scores, intervals)).savefig(buffer, format="png", dpi=150, metadata={"Software": None})
    return buffer.getvalue()


SHOWN = ["student", "paid", "kegs, bottles, determinations", "words right, open, wrong", "unsafe", "intervals that hold",
         "faults found", "kind named", "false alarms", "precision", "remarks"]


def bought(scores: pd.DataFrame) -> pd.DataFrame:
    """Students to whom something was delivered."""
    return scores[scores["cost"] > 0]


def shown_scores(scores: pd.DataFrame) -> list[list[str]]:
    """The scores as the page shows them (SHOWN), one row for each student who bought something."""
    return [[str(r["student"]), f"{r['cost']:g}", f"{r['kegs']}, {r['bottles']}, {r['determinations']}",
             f"{r['words right']}, {r['words open']}, {r['words wrong']}", str(r["unsafe"]),
             f"{r['hold the truth']} of {r['intervals']}", f"{r['found']} of {r['faults']}", str(r["kind named"]),
             str(r["false alarms"]), str(r["precision"]), str(r["remarks"])] for r in bought(scores).to_dict("records")]


def without_order(scores: pd.DataFrame) -> list[str]:
    """A paragraph that names who bought nothing; nothing where all did."""
    names = ", ".join(map(str, scores.loc[scores["cost"] <= 0, "student"]))
    return [plainpage.paragraph(f"Bought nothing, and not counted: {names}.")] if names else []


def class_page(scores: pd.DataFrame, faults: pd.DataFrame, picture: bytes, alt: str) -> bytes:
    """The page: figure with caption, scores, faults, and questions to discuss."""
    shown = (f'<figure><img alt="{escape(alt)}" src="data:image/png;base64,{base64.b64encode(picture).decode()}" '
             f'style="max-width:100%"><figcaption>{escape(CAPTION)}</figcaption></figure>')
    parts = [plainpage.paragraph(alt), shown, plainpage.heading("Scores"), plainpage.table(shown_scores(scores), SHOWN),
             *without_order(scores),
             plainpage.heading("What went wrong in each world"),
             plainpage.table(faults.itertuples(index=False, name=None), list(faults.columns)),
             plainpage.heading("To discuss"), plainpage.bullets(QUESTIONS)]
    return plainpage.page("The class revealed (invented worlds)", parts).encode()


QUESTIONS = (
    "How many of the 90 % intervals hold the truth, and how many should? Intervals of one student share their kegs.",
    "Who paid least for the most right words: more kegs, or more determinations?",
    "An open word (inconclusive) cost money and decided nothing. Was it wrong?",
    "Which faults did the kit point at, which did people find, and which did nobody find?",
    "Which false alarm would have cost most in a real store?",
)
