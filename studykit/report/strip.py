"""Every analyte against its margin at one glance: a line of a table each, its difference and interval drawn in margins.

The drawing is part of the table, so that it needs no width of its own on a phone and nobody has to see it: what it shows
stands in words and numbers beside it.
"""

from __future__ import annotations

import math

import pandas as pd

from studykit.report.firstpage import in_a_word, optional, together
from studykit.study.spans import amount, unit_told
from studykit.study.stages import OpenStage
from studykit.verdict.tables import intervals_named

NO_NUMBER = {"stratified": "beyond, wherever within their limits the values lie; no number can be told",
             "not assessed": "not assessed"}
"""What stands in place of a difference that has none."""
RIM, WIDE, HIGH = 3.0, 240, 24
UNIT = 36
"""Pixels of the drawing that one margin takes."""
UNDRAWN = {"stratified": "beyond the margin, no number", "not assessed": "not assessed"}
"""What is written in place of the drawing of an analyte without numbers."""
BAND, EDGE, INK = "#e9e6dc", "#a89f86", "#1d2733"
ONE_SIDED = {"below the mixed container": -1, "above the mixed container": 1}
"""How a margin on one side ends, and the side of its drawing that has an edge."""


def caption(stage: OpenStage) -> str:
    """What the table shows, and which interval stands in its brackets."""
    return together("Each analyte against its margin: the two depths that decide, their difference with its "
                    f"{intervals_named(stage.study)}, and where it lies. Band: within the margin. Arrow: the "
                    "interval goes on.")


def answer_table(stage: OpenStage) -> pd.DataFrame:
    """One row an analyte: analyte, verdict, difference, margin; empty where it was not judged."""
    table, words = stage.read_table("06-verdict", "verdicts"), in_a_word(stage)
    rows = [(together(r["name"]), words[r["analyte"]], difference(r), together(r["margin"])) for _, r in table.iterrows()]
    sided = any(map(side_of, table["margin"]))
    head = "difference of two depths, or of a depth and the mixed container" if sided else "difference of two depths"
    return pd.DataFrame(rows, columns=["analyte", "verdict", head, "margin"])


def side_of(margin: object) -> int:
    """-1 or 1 for a margin on that side alone, by its text, else 0."""
    return next((side for end, side in ONE_SIDED.items() if str(margin).endswith(end)), 0)


FAR = 9900.0
"""Per cent to which an interval reaches, above, that tells nothing: a factor of a hundred (own judgement)."""
UNTOLD = ", with an interval of more than a hundredfold, which tells nothing"


def difference(row: pd.Series) -> str:
    """The deciding pair of depths, its difference and interval in words; of a zone of limits alone the interval."""
    low, middle, high = (number(row[c]) for c in ("low", "difference", "high"))
    if math.isnan(low) or math.isnan(high):
        return NO_NUMBER.get(str(row.get("verdict", "")), "")
    lower, _, upper = str(row["deciding pair"]).partition(" - ")
    scale = str(row["unit"]), str(row["margin"])
    if scale[0] == "%" and high >= FAR and not math.isnan(middle):
        return together(f"{lower} against {upper}: {amount(middle, *scale)}{unit_told(*scale)}") + UNTOLD
    ends, unit = f"{amount(low, *scale)} to {amount(high, *scale)}", unit_told(*scale)
    text = f"{ends}{unit}, known only as a limit" if math.isnan(middle) else f"{amount(middle, *scale)}{unit} ({ends})"
    return together(f"{lower} against {upper}: {text}")


def number(cell: object) -> float:
    """A cell of a filed table as a number; NaN where it is empty, which a column without any number holds as text."""
    return float(str(cell)) if str(cell).strip() else math.nan


def drawings(stage: OpenStage) -> tuple[str, list[str]]:
    """Head and cells of the column that draws each analyte in units of its margin, as SVG."""
    table = stage.read_table("06-verdict", "verdicts")
    order, sides = table["analyte"], dict(zip(table["analyte"], map(side_of, table["margin"]), strict=True))
    placed = optional(stage, "06-verdict", "in-margins")
    found = {r["analyte"]: r for _, r in placed.iterrows()}
    said = {a: UNDRAWN.get(str(word), "") for a, word in zip(order, table["verdict"], strict=True)}
    return axis(), [drawing(found.get(a), sides[a], said[a]) for a in order]


def x_of(ratio: float) -> float:
    """Where a multiple of the margin stands, held at the rim."""
    return round(WIDE / 2 + UNIT * min(RIM, max(-RIM, ratio)), 6)


def axis() -> str:
    """The head of the column: where no difference and the two ends of the margin stand."""
    marks = "".join(f'<text x="{x_of(at)}" y="17" text-anchor="middle" font-size="12" fill="currentColor">{text}</text>'
                    for at, text in ((-1, "\u2212margin"), (0, ""), (1, "+margin")))
    return f'{_svg(marks)}<span class="unseen">drawn against the margin</span>'


def drawing(row: pd.Series | None, side: int = 0, said: str = "") -> str:
    """Band of the margin, interval and estimate of one analyte; without numbers no band, but ``said`` in words.

    The band of a margin on one side goes on to the rim on the other.
    """
    first, last = x_of(-RIM if side > 0 else -1), x_of(RIM if side < 0 else 1)
    parts = [f'<rect class="band" x="{first}" y="0" width="{last - first:g}" height="{HIGH}" fill="{BAND}"/>',
             f'<path class="edge" d="M{x_of(0)} 0V{HIGH}" stroke="{EDGE}"/>']
    low, middle, high = (math.nan if row is None else number(row[c]) for c in ("low", "ratio", "high"))
    if math.isnan(low) or math.isnan(high):
        told = f'<text x="{x_of(0)}" y="17" text-anchor="middle" font-size="12" fill="currentColor">{said}</text>'
        return _svg(told if said else "".join(parts))
    if row is not None:
        parts += _interval(low, middle, high, str(row["verdict"]))
    return f'{_svg("".join(parts))}<span class="unseen">{where(low, high, side)}</span>'


def where(low: float, high: float, side: int = 0) -> str:
    """Where an interval in margins lies, in words for who does not see the drawing."""
    if math.isnan(low) or math.isnan(high):
        return "no interval is drawn"
    below, above = (-1.0 if side <= 0 else -math.inf), (1.0 if side >= 0 else math.inf)
    if below <= low and high <= above:
        return "lies within the margin"
    return "lies beyond the margin" if high < below or low > above else "reaches over the edge of the margin"


def _interval(low: float, middle: float, high: float, word: str) -> list[str]:
    """A line from end to end with an arrow where it leaves the drawing, and a mark where the estimate is inside."""
    y = HIGH // 2
    parts = [f'<path class="ink" d="M{x_of(low)} {y}H{x_of(high)}" stroke="{INK}" stroke-width="2"/>']
    for side in sorted({math.copysign(1.0, v) for v in (low, middle, high) if abs(v) > RIM}):
        tip, foot = WIDE / 2 + side * (UNIT * RIM + 10), WIDE / 2 + side * UNIT * RIM
        parts.append(f'<path class="mark" d="M{foot:g} {y - 5}L{tip:g} {y}L{foot:g} {y + 5}Z" fill="{INK}"/>')
    if abs(middle) <= RIM:
        parts.append(_mark(x_of(middle), y, word))
    return parts


def _mark(x: float, y: int, word: str) -> str:
    """Circle for homogeneous, diamond for stratified, square for neither."""
    if word == "homogeneous":
        return f'<circle class="mark" cx="{x}" cy="{y}" r="5" fill="{INK}"/>'
    turn = f' transform="rotate(45 {x} {y})"' if word == "stratified" else ""
    return f'<rect class="mark" x="{x - 4.5:g}" y="{y - 4.5:g}" width="9" height="9" fill="{INK}"{turn}/>'


def _svg(inner: str) -> str:
    return f'<svg class="strip" viewBox="0 0 {WIDE} {HIGH}" width="{WIDE}" height="{HIGH}" aria-hidden="true">{inner}</svg>'
