"""Columns whose cells have moved down by a line: a number below the table without a code, or a line without one within it.

A cell that was put into a column of results, all others moved down, leaves a result empty and one below the last code.
One put into the column of codes leaves a line without a code, and at the end a code without a result. A code that was
deleted leaves results without one on the last line.
"""

from __future__ import annotations

import re

import numpy as np

from studykit.intake.delimited import Grid
from studykit.intake.textlines import Block

_NUMBER = re.compile(r"[<>]?\s*[0-9]+(?:[.,][0-9]+)?")
_PLAIN = re.compile(r"[0-9]+(?:[.][0-9]+)?")
Cell = tuple[int, int | None]


def down_the_lines(grid: Grid, block: Block, results: list[int], codes: list[int]) -> dict[Cell, str]:
    """Cells of results (line, column) that may belong to another line; ``codes``: the columns that say whose a result is."""
    coded = np.ones(len(block.rows), dtype=bool)
    for k in codes:
        if (blank := grid.cells[k].blank(block.rows)) is not None:
            coded &= ~blank
    if coded.all():
        return {}
    filled = np.stack([grid.cells[k].at(block.rows).flags(str.strip) for k in results], axis=1)
    without = np.flatnonzero(~coded & filled.any(axis=1))
    out: dict[Cell, str] = {}
    for m, k in enumerate(results):
        own = grid.cells[k].at(block.rows).flags(lambda t: _NUMBER.fullmatch(t.strip()))
        empty, over = np.flatnonzero(coded & ~filled[:, m]), without[own[without]]
        if len(empty) and len(over) and over[-1] > empty[0]:
            out |= _from(block, int(empty[0]), k, f"its column may have moved down: line {_line(grid, block, over[-1])} has a "
                         "result without a code, and a cell above is empty")
    idle = np.flatnonzero(coded & ~filled.any(axis=1))
    if len(idle) and len(without) and idle[-1] > without[0]:
        out |= _from(block, int(without[0]), None, f"the codes may have moved down: line {_line(grid, block, without[0])} has "
                     "none, and a code below has no result")
    elif not out and without.tolist() == [len(block.rows) - 1] and filled[-1].all() and not _summary(grid, block, results):
        out |= _from(block, 0, None, f"the codes may have moved up: the last line, {_line(grid, block, without[0])}, has "
                     "results without one")
    return out


def _line(grid: Grid, block: Block, n: int) -> int:
    return int(grid.lines[block.rows[n]])


def _from(block: Block, first: int, column: int | None, why: str) -> dict[Cell, str]:
    return {(int(i), column): why for i in block.rows[first:]}


def _summary(grid: Grid, block: Block, results: list[int]) -> bool:
    """Whether the last line is the mean of those above in every column, or far from them in every one (a sum, a scatter).

    Any other may be a bottle whose code was lost.
    """
    mean, far = [], []
    for k in results:
        texts = [t.strip().replace(",", ".") for t in grid.cells[k].at(block.rows).tolist()]
        values = np.array([float(t) if _PLAIN.fullmatch(t) else np.nan for t in texts])
        above, own = values[:-1][~np.isnan(values[:-1])], values[-1]
        if not np.isnan(own) and len(above) > 1:
            step = 10.0 ** -len(texts[-1].partition(".")[2])
            mean.append(abs(own - above.mean()) <= max(step, 0.02 * float(np.ptp(above))))
            far.append(own < above.min() / 2 or own > 1.15 * above.max())
    return all(mean) or all(far)
