"""Lines that stand in a sheet twice, word for word, where determinations are numbered in the order of the file.

Such a line would be one more determination. It is a question where the headings stand between the two (the same report
twice in one file), or where a cell of it is another in every other line, such as its position in the run.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.columns import keys
from studykit.intake.delimited import Grid
from studykit.intake.mapping import FileMapping
from studykit.intake.textlines import Block

FEWEST = 3
"""Among fewer different lines no column tells them apart."""


def without_copies(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, before: Sequence[np.ndarray],
                   misfits: list[Fault], file: str) -> np.ndarray:
    """The lines of a block without copies of others, which become misfits; ``before``: the lines of the blocks above."""
    if mapping.replicates is None or "replicate" in mapping.columns or not len(rows):
        return rows
    whole = np.concatenate([*before, rows])
    key = keys([column.at(whole) for column in grid.cells])
    _, first, again = np.unique(key, return_index=True, return_inverse=True)
    origin = whole[first[again]][len(whole) - len(rows):]
    copy = origin != rows
    if not copy.any():
        return rows
    if not _told_apart(grid, mapping, block, whole[np.unique(first)]):
        part = np.searchsorted(_headings(grid, block), np.stack([origin, rows]))
        copy &= (part[0] != part[1]) | (origin < block.header_at)
    for i, old in zip(rows[copy].tolist(), origin[copy].tolist(), strict=True):
        misfits.append(Fault(file=file, **grid.line(i), reason=f"repeats line {int(grid.lines[old])} word for word: the same "
                             "line twice, or another determination?", remedy="ask the laboratory; take the copy out, in a "
                             "copy of the file"))
    return np.asarray(rows[~copy])


def _told_apart(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray) -> bool:
    """Whether a column beside code, name and result has another text in each of these lines."""
    own = {mapping.columns.get(c) for c in ("sample", "analyte", "value", "unit", "limit", "qualifier")}
    aside = {k for k, h in block.heads.items() if h and h not in own and (
        mapping.layout != "wide" or h in mapping.columns.values() or h in mapping.ignore_columns)}
    for k in aside if len(rows) >= FEWEST else ():
        texts = grid.cells[k].at(rows)
        if len(texts.distinct()) == len(rows) and texts.flags(str.strip).all():
            return True
    return False


def _headings(grid: Grid, block: Block) -> np.ndarray:
    """The lines on which the headings of a block stand, the first and again."""
    same = np.ones(len(grid.lines), dtype=bool)
    for column in grid.cells:
        same &= column.codes == column.codes[block.header_at]
    return np.flatnonzero(same)
