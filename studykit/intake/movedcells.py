"""Lines whose cells have moved to the left or to the right, told by what stands in the columns beside the results.

A cell that was deleted leaves a gap at the end of its line, and what stood there stands under a result; a cell that was
put in leaves a result empty, and a result under another heading. Lines of which only results have moved are told by
their values (`linedoubts`); columns that have moved down, by what stands below them (`movedlines`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from studykit.intake.columns import Texts
from studykit.intake.delimited import Grid
from studykit.intake.header import expected_heads
from studykit.intake.mapping import FileMapping
from studykit.intake.movedlines import down_the_lines
from studykit.intake.textlines import Block

FEWEST = 3
"""In a table of fewer lines nothing is said of the one that differs."""
WIDER = 1.1
"""A value fits a column where it lies within this factor of the range of the others (no source)."""
Cell = tuple[int, int | None]
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")


def lone_gaps(grid: Grid, block: Block, results: set[int], least: int = FEWEST) -> list[tuple[int, int]]:
    """Line and column of every cell that alone is empty under a heading that is none of results; places from 0."""
    out: list[tuple[int, int]] = []
    for k, head in block.heads.items():
        if head and k not in results and len(block.rows) >= least:
            empty = grid.cells[k].blank(block.rows)
            if empty is not None and np.count_nonzero(empty) == 1:
                out.append((int(block.rows[int(empty.argmax())]), k))
    return out


def moved_doubts(grid: Grid, block: Block, mapping: FileMapping, known: set[str]) -> dict[Cell, str]:
    """Cells of results that may have moved, each with what tells so; ``known``: the study's analytes.

    A cell is its line and its column (positions), without a column all results of the line.
    """
    results = result_columns(block, mapping, known)
    if not results or len(block.rows) < fewest(mapping):
        return {}
    names = None
    if mapping.layout != "wide":
        names = grid.cells[block.columns(mapping.columns["analyte"])[0]]
    out: dict[Cell, str] = {(i, None): why for i, k in lone_gaps(grid, block, set(results), fewest(mapping))
                            if (why := _to_the_left(grid, block, i, k, results, names))}
    out |= {(i, None): why for i, why in _to_the_right(grid, block, results, names)}
    if mapping.layout != "wide-samples":
        out |= down_the_lines(grid, block, results, block.columns(
            mapping.columns.get("sample"), mapping.columns.get("analyte")))
    return out


def fewest(mapping: FileMapping) -> int:
    """Among fewer lines nothing is said of the one that differs; with samples across a table may have two."""
    return 2 if mapping.layout == "wide-samples" else FEWEST


def result_columns(block: Block, mapping: FileMapping, known: set[str]) -> list[int]:
    """The columns of a block that hold results, from left to right."""
    if mapping.layout == "long":
        return block.columns(mapping.columns["value"])
    aside = set(mapping.columns.values()) | set(mapping.ignore_columns) | set(mapping.qualifier_heads().values())
    if mapping.layout == "wide-samples":
        return [k for k, h in block.heads.items() if h and h not in aside]
    return [k for k, h in block.heads.items() if h and h not in aside and (h in expected_heads(mapping) or h in known)]


def _to_the_left(grid: Grid, block: Block, i: int, gap: int, results: list[int], names: Texts | None) -> str:
    """What tells that a line with an empty cell has moved: what belongs there stands beside it, under a result."""
    k = gap - 1
    if k not in results:
        return ""
    text, rows = grid.cells[k][i].strip(), block.rows[block.rows != i]
    own = _own(grid, block, rows, [r for r in results if r <= k], names, [i])[0 if names is None else int(names.codes[i])]
    if not _form([grid.cells[gap].at(rows)]).fits(text) or own.fits(text):
        return ""
    return (f"its cells may have moved: nothing stands under {block.heads[gap]!r}, and {text!r} under "
            f"{block.heads[k]!r} may belong there")


def _to_the_right(grid: Grid, block: Block, results: list[int], names: Texts | None) -> Iterator[tuple[int, str]]:
    """Lines with an empty result and, right of the results, a number among texts, or one that fits these and not its column."""
    beside = max(results) + 1
    if not block.heads.get(beside):
        return
    empty = np.zeros(len(block.rows), dtype=bool)
    for k in results:
        if (blank := grid.cells[k].blank(block.rows)) is not None:
            empty |= blank
    if not empty.any():
        return
    empty &= grid.cells[beside].at(block.rows).flags(lambda t: bool(_NUMBER.fullmatch(t.strip())))
    if not empty.any() or 2 * np.count_nonzero(empty) > len(block.rows):
        return
    there = _form([grid.cells[beside].at(block.rows[~empty])])
    own = _own(grid, block, block.rows[~empty], results, names, block.rows[empty].tolist())
    for i in block.rows[empty].tolist():
        text, form = grid.cells[beside][i].strip(), own[0 if names is None else int(names.codes[i])]
        if not there.fits(text) and (np.isnan(there.low) or form.fits(text) or not form.texts):
            yield i, (f"its cells may have moved: a result is empty, and {text!r} under {block.heads[beside]!r} may be one")


def _own(grid: Grid, block: Block, rest: np.ndarray, results: list[int], names: Texts | None,
         lines: list[int]) -> dict[int, _Form]:
    """The form of what some lines may hold as their last result, by their name: of the same column, and of that name.

    With samples across it is what the line itself holds for the other samples.
    """
    if names is None:
        return {0: _form([grid.cells[results[-1]].at(rest)])}
    if len(results) > 1:
        return {int(names.codes[i]): _form([grid.cells[k].at(np.array([i])) for k in results[:-1]]) for i in lines}
    return {n: _form([grid.cells[results[-1]].at(rest[names.codes[rest] == n])]) for n in {int(names.codes[i]) for i in lines}}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Form:
    """The different texts of a column, and the least, the largest and whether all are whole where most are numbers."""

    texts: frozenset[str]
    low: float = np.nan
    high: float = np.nan
    whole: bool = False

    def fits(self, text: str) -> bool:
        """Whether a text could stand in the column: a number in its range, whole among whole ones; else one of its texts."""
        if np.isnan(self.low) or not _NUMBER.fullmatch(text):
            return text in self.texts
        if self.whole != text.isdecimal():
            return False
        return self.low / WIDER - self.whole <= _value(text) <= self.high * WIDER + self.whole


def _form(columns: list[Texts]) -> _Form:
    texts = frozenset(t.strip() for column in columns for t in column.distinct() if t.strip())
    numbers = [t for t in texts if _NUMBER.fullmatch(t)]
    if 2 * len(numbers) <= len(texts):
        return _Form(texts=texts)
    values = [_value(t) for t in numbers]
    return _Form(texts=texts, low=min(values), high=max(values), whole=all(map(str.isdecimal, numbers)))


def _value(text: str) -> float:
    return float(text.replace(",", "."))
