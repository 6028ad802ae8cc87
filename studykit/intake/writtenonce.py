"""Cells that are written once and left blank below: filled where the mapping says so, else a question.

``blank_repeats`` names headings under which a blank cell, or a ditto mark, means what the cell above it says, or the cell
below it where ``blank_repeats_from`` says so. Nothing is filled across a blank line, a line of text or headings that stand
again. A table that begins with a blank cell has its code in another line of each group than the first: it is refused. A
group that has more lines than the others may hold a line of no bottle (a mean, a sample without a code): its filled lines
are a question.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.cellmodel import Doubt
from studykit.intake.columns import Texts
from studykit.intake.delimited import Grid
from studykit.intake.header import find_header, headings
from studykit.intake.headwords import DITTO
from studykit.intake.mapping import FileMapping
from studykit.intake.textlines import Block

SHARED = ("run", "reported_on", "method", "revision")
"""What all lines of a group may share; blank in half of the lines and more it is a question."""


def filled_down(grid: Grid, mapping: FileMapping, file: str = "") -> tuple[Grid, list[Fault]]:
    """The grid with what the mapping says of blank cells: each repeats the cell above, or below; what speaks against it."""
    at = find_header(grid, mapping) if mapping.blank_repeats else None
    if at is None:
        return grid, []
    heads, cells, doubts = headings(grid, at), list(grid.cells), dict(grid.doubts)
    full, aside = _lines_aside(grid, at[-1], mapping)
    faults: list[Fault] = []
    for k in [k for k, h in heads.items() if h in mapping.blank_repeats]:
        source, begins, parts = _sources(cells[k], full, aside, at[-1] + 1, mapping.blank_repeats_from == "below")
        if asked := _direction(grid, mapping, heads[k], source, begins, parts):
            faults.append(replace(asked, file=file))
            continue
        moved = source != np.arange(len(source))
        cells[k] = Texts(cells[k].codes[source], cells[k].words)
        _shown_again(grid, k, source, moved, doubts)
        if heads[k] in (mapping.columns.get("sample"), mapping.columns.get("analyte")):
            doubts |= _long_groups(source, moved, begins, k, heads[k])
    return replace(grid, cells=cells, doubts=doubts), faults


def _lines_aside(grid: Grid, header_at: int, mapping: FileMapping) -> tuple[np.ndarray, np.ndarray]:
    """How many cells of each line hold text, and which lines are text alone, the headings again or units below them."""
    full = np.sum([c.flags(str.strip) for c in grid.cells], axis=0)
    lines = {i for i in np.flatnonzero(full == 1).tolist() if not re.match(r"[<>]?\s*[0-9]", "".join(grid.row(i)))}
    head = max(grid.cells, key=lambda c: len(c[header_at].strip()))
    again = set(np.flatnonzero(head.flags(head[header_at].__eq__)).tolist())
    below = mapping.unit_row - int(grid.lines[header_at]) if mapping.unit_row else 0
    return full, np.isin(np.arange(len(full)), [*lines, *again, *(i + below for i in again)])


def _sources(column: Texts, full: np.ndarray, aside: np.ndarray, first: int,
             upward: bool) -> tuple[np.ndarray, list[int], list[list[int]]]:
    """For each line the one whose cell it shows: its own, or the next filled one within its part; those; the parts.

    The parts are the lines between blank ones, each in the order in which it is filled (``upward``: from its end).
    """
    blank = column.flags(lambda t: not t.strip() or DITTO.fullmatch(t.strip()))
    ends = [i for i in range(first, len(column)) if full[i] - (0 if blank[i] else 1) < 1 or aside[i]]
    bounds = [first - 1, *ends, len(column)]
    parts = [list(range(a + 1, b))[::-1 if upward else 1] for a, b in pairwise(bounds) if b > a + 1]
    source, begins = np.arange(len(column)), []
    for part in parts:
        last = -1
        for i in part:
            if not blank[i]:
                last = i
                begins.append(i)
            elif last >= 0:
                source[i] = last
    return source, begins, parts


def _direction(grid: Grid, mapping: FileMapping, head: str, source: np.ndarray, begins: list[int],
               parts: list[list[int]]) -> Fault | None:
    """Why a heading's blanks may mean another line than the mapping says: the code is not the first of its group."""
    upward, filled = mapping.blank_repeats_from == "below", set(begins)
    lacking = [p[0] for p in parts if p[0] not in filled]
    where, other = ("last", "above") if upward else ("first", "below")
    if parts and begins and (parts[0][0] in lacking or 2 * len(lacking) > len(parts)):
        end = "first" if upward else "last"
        return Fault(file="", **grid.line(lacking[0]), reason=f"has no cell under {head!r}, and blank_repeats cannot fill it: "
                     f"{head!r} does not stand in the {where} line of each group",
                     remedy=f"ask the laboratory for a file with it in every line; if it stands in the {end} line of each "
                     f"group, and in that alone, write blank_repeats_from = {other!r}")
    sizes = [n for _, n in sorted(Counter(source[[i for p in parts for i in p]].tolist()).items())]
    key = head in (mapping.columns.get("sample"), mapping.columns.get("analyte"))
    if key and mapping.blank_repeats_from is None and len(sizes) > 1 and sizes[-1] < min(sizes[:-1]):
        return Fault(file="", **grid.line(begins[-1]), reason=f"begins the last group under {head!r}, which has fewer lines "
                     f"than all others: does {head!r} stand in the first line of each group, or in its last?",
                     remedy="ask the laboratory; then write blank_repeats_from = 'above' (it stands in the first line of each "
                     "group) or 'below' (in the last) in this entry of intake.toml")
    return None


def _shown_again(grid: Grid, k: int, source: np.ndarray, moved: np.ndarray, doubts: dict[tuple[int, int], Doubt]) -> None:
    """Cells merged down one column are what the mapping speaks of, no doubt; other doubts of a cell go down with it."""
    for place, doubt in [(p, d) for p, d in doubts.items() if p[1] == k]:
        rest = doubt.besides({"merged"})
        if rest is None:
            del doubts[place]
        else:
            doubts[place] = rest
    for top, left, bottom, right in grid.merged:
        if left <= k <= right and left != right:
            doubts |= {(i, k): Doubt(mark="merged", shown="", reason="is merged over several columns: to which?")
                       for i in range(top, min(bottom + 1, len(source)))}
    for i in np.flatnonzero(moved).tolist():
        if (source[i], k) in doubts:
            doubts.setdefault((i, k), doubts[source[i], k])
        if (int(source[i]), k) in grid.shown:
            grid.shown[i, k] = grid.shown[int(source[i]), k]


def _long_groups(source: np.ndarray, moved: np.ndarray, begins: list[int], k: int, head: str) -> dict[tuple[int, int], Doubt]:
    """Filled lines of groups that have more lines than the usual group, where half of the groups and more are alike."""
    sizes = Counter(source[moved].tolist()) + Counter(begins)
    counts = Counter(sizes.values())
    usual = max(counts, key=lambda n: (counts[n], -n), default=1)
    if 2 * counts[usual] < len(sizes):
        return {}
    reason = f"is filled down under {head!r} to a group longer than the others: is a line of it of another group, or a mean?"
    return {(i, k): Doubt(mark="remark", shown="", reason=reason) for i in np.flatnonzero(moved).tolist()
            if sizes[int(source[i])] > usual}


def blank_below(grid: Grid, block: Block, mapping: FileMapping) -> Iterator[tuple[int, str]]:
    """Lines (positions) that have no run, day, method or revision below one that has it, where half or more have none."""
    for name in SHARED:
        head = mapping.columns.get(name)  # type: ignore[call-overload]
        at = block.columns(head)
        if not at or not len(block.rows):
            continue
        blank = grid.cells[at[0]].blank(block.rows)
        if blank is not None and not blank[0] and 2 * int(np.count_nonzero(blank)) >= len(blank):
            yield from ((int(i), f"its cell under {head!r} is blank, below one that is not: as above? (then write "
                         f"blank_repeats = [{head!r}])") for i in block.rows[blank])
