"""Where the results tables of a sheet stand: their headings, in one line or two, and tables side by side."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.intake.delimited import Grid, column_letters
from studykit.intake.header import headings
from studykit.intake.headwords import column_of, likely_analyte
from studykit.intake.onefile import cropped
from studykit.study.definition import Study

SEARCHED = 60
_NUMBER = re.compile(r"[<>≤≥~ ]*[+-]?[0-9][0-9.,' ]*(?:[eE][+-]?[0-9]+)?(?: ?%)?|[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTable:
    """One table of a sheet: positions of its heading lines, and the columns it takes ('' for all)."""

    at: tuple[int, ...]
    area: str


def find_tables(grid: Grid, study: Study, codes: Sequence[str]) -> list[FoundTable]:
    """The tables of a sheet: none, one, or several side by side, each begun by the same heading of its codes."""
    at, score = _header(grid, study, codes)
    if score < 2:
        return []
    areas = _side_by_side(grid, at)
    if not areas:
        return [FoundTable(at=_with_second_line(grid, at, study), area="")]
    out = []
    for area in areas:
        part = cropped(grid, area)
        own, score = _header(part, study, codes)
        if score >= 2:
            out.append(FoundTable(at=_with_second_line(part, own, study), area=area))
    return out


def _header(grid: Grid, study: Study, codes: Sequence[str]) -> tuple[int, float]:
    """Position and score of the row that looks most like headings: words that stand for columns, and results below."""
    best = (0, -1.0)
    own = set(codes)
    for i in range(min(SEARCHED, len(grid.lines))):
        row = grid.row(i)
        cells = [c for c in row if c]
        score = float(sum(column_of(c) is not None for c in cells))
        score += sum(column_of(c) is None and likely_analyte(c, study) is not None for c in cells)
        score += sum(c in own for c in cells[1:])
        if len(cells) < 2 or not score:
            continue
        score -= 2 * sum(bool(_NUMBER.fullmatch(c)) and c not in own for c in cells)
        score += _results_below(grid, i, row, own)
        if score > best[1]:
            best = (i, score)
    return best


def _results_below(grid: Grid, i: int, row: list[str], own: set[str]) -> float:
    """1 where one of the next lines has a number or a sample code under most of the headings, else -1."""
    for k in range(i + 1, min(i + 5, len(grid.lines))):
        below = grid.row(k)
        under = [below[j] for j, head in enumerate(row) if head and below[j]]
        hits = sum(bool(_NUMBER.fullmatch(c)) or c in own for c in under)
        if len(under) > 1 and hits and 2 * len(under) >= sum(1 for h in row if h):
            return 1.0
    return -1.0


def _side_by_side(grid: Grid, i: int) -> list[str]:
    """Columns of the tables of a line in which the heading of the sample codes stands several times."""
    row = grid.row(i)
    first = next((h for h in row if column_of(h) in ("sample", "analyte")), "")
    starts = [k for k, h in enumerate(row) if h and h == first]
    if len(starts) < 2:
        return []
    ends = [*(k - 1 for k in starts[1:]), len(row) - 1]
    return [f"{column_letters(a)}:{column_letters(b)}" for a, b in zip(starts, ends, strict=True)]


def _with_second_line(grid: Grid, i: int, study: Study) -> tuple[int, ...]:
    """The heading lines: with the line above or below where the names stand in one and their parts in the other."""
    for pair in ((i - 1, i), (i, i + 1)):
        if pair[0] < 0 or pair[1] >= len(grid.lines):
            continue
        upper, lower = grid.row(pair[0]), grid.row(pair[1])
        wide = any(m[0] == pair[0] and m[3] > m[1] for m in grid.merged) or _followed_by_blanks(upper, lower)
        parts = [c for c in lower if c and not (column_of(c) or likely_analyte(c, study) or _NUMBER.fullmatch(c))]
        named = sum(likely_analyte(h.split(" | ")[0], study) is not None for h in headings(grid, pair).values() if " | " in h)
        if wide and named > 1 and len(set(parts)) < len(parts):
            return pair
    return (i,)


def _followed_by_blanks(upper: list[str], lower: list[str]) -> bool:
    """Whether names of the upper line stand over several columns: blank behind them where the lower line has text."""
    blank = np.array([not u and bool(t) for u, t in zip(upper, lower, strict=True)], dtype=bool)
    return bool(blank.any()) and sum(1 for u in upper if u) > 1
