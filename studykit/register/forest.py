"""Studies and their pooled mean as a table with a drawing in each line: differences with intervals in units of the margin.

The drawing is part of its line, so that a narrow screen shows both; what it draws stands in words beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from html import escape
from typing import Any

import pandas as pd

from studykit.core.record import significant

RIM, WIDTH, HEIGHT = 3.0, 180, 18
"""Margins that the drawing reaches on either side, and its size in pixels."""
HEAD = ("study", "in margins (band: within)", "difference, 95 % interval", "date", "containers")


def forest(lines: pd.DataFrame, mean: Mapping[Any, Any]) -> str:
    """The table of one pooled mean (a row of POOLED) and its studies (rows of FOREST), as HTML."""
    rows = [_row(str(r["study"]), r, f"{r['date']}", str(r["containers"]), "study") for r in lines.to_dict("records")]
    whole = {"difference": mean["mean"], **mean}
    rows.append(_row(f"mean of {mean['studies']} studies", whole, "", str(mean["containers"]), "mean"))
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in HEAD)
    caption = (f"{mean['name']}, {mean['fluid']}, {mean['package']}: {mean['lowest']} against {mean['uppermost']}, "
               f"{mean['margin']}")
    return (f'<div class="box" tabindex="0" role="group" aria-label="{escape(caption)}"><table>'
            f'<caption style="text-align:left">{escape(caption)}</caption>'
            f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>")


def _row(name: str, r: Mapping[Any, Any], date: str, containers: str, kind: str) -> str:
    told = f"{significant(r['difference'], 3)} ({significant(r['low'], 3)} to {significant(r['high'], 3)}) {r['unit']}"
    ends = [float(r[c]) for c in ("margin low", "in margins", "margin high")]
    said = f"{significant(ends[1], 2)} margins, from {significant(ends[0], 2)} to {significant(ends[2], 2)}"
    drawn = f'<svg width="{WIDTH}" height="{HEIGHT}" role="img" aria-label="{escape(said)}">{"".join(_marks(ends, kind))}</svg>'
    weight = ' style="font-weight:bold"' if kind == "mean" else ""
    return (f'<tr{weight}><th scope="row">{escape(name)}</th><td>{drawn}</td><td>{escape(told)}</td><td>{escape(date)}</td>'
            f"<td>{escape(containers)}</td></tr>")


def _marks(ends: Iterable[float], kind: str) -> Iterator[str]:
    """The band of the margin, zero, the interval with an arrow where it goes beyond the rim, and the mark of the middle."""
    low, middle, high = ends
    y, at = HEIGHT / 2, [_x(v) for v in (low, middle, high)]
    yield f'<rect x="{_x(-1):.1f}" y="0" width="{_x(1) - _x(-1):.1f}" height="{HEIGHT}" fill="#ddd"/>'
    yield f'<path d="M{_x(0):.1f} 0V{HEIGHT}" stroke="#666"/>'
    yield f'<path d="M{at[0]:.1f} {y}H{at[2]:.1f}" stroke="#000" stroke-width="2"/>'
    for value, x, way in ((low, at[0], -1), (high, at[2], 1)):
        if abs(value) > RIM:
            tip = x if value * way > 0 else at[1]
            yield f'<path d="M{tip:.1f} {y}l{-5 * way} -4v8z" fill="#000"/>'
    if abs(middle) <= RIM:
        x = at[1]
        diamond = f'<path d="M{x - 6:.1f} {y}L{x:.1f} {y - 6}L{x + 6:.1f} {y}L{x:.1f} {y + 6}z" fill="#000"/>'
        yield diamond if kind == "mean" else f'<circle cx="{x:.1f}" cy="{y}" r="3.5" fill="#000"/>'


def _x(margins: float) -> float:
    """Place of a difference in the drawing, held at the rim."""
    return WIDTH * (max(-RIM, min(RIM, margins)) / RIM + 1) / 2
