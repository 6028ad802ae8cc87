"""What of a raw file was not read, and why: it stands on the reading sheet, so that whoever signs sees it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.columns import Table, Texts
from studykit.intake.delimited import Grid
from studykit.intake.layouts import Laid
from studykit.intake.mapping import FileMapping
from studykit.intake.textlines import Block

MOST_LINES = 200
MOST_TEXTS = 20
"""So many different texts of a column that is not read are shown."""


def not_read(grid: Grid, laid: Laid, mapping: FileMapping, blanks: Table, source: str) -> list[Fault]:
    """Lines, columns, names and blank cells of one sheet that gave no result, each with its reason.

    ``blanks``: determinations whose cell is blank, or a word that means so, by the mapping.
    """
    found = [*_lines(grid, laid), *_around(grid), *(f for b in laid.blocks for f in _columns(grid, b, mapping)),
             *_names(laid, mapping), *_blanks(blanks)]
    return [Fault(file=source, row=row, column=column, value=value, reason=reason) for row, column, value, reason in found]


def sheets_not_read(grids: Sequence[Grid], read: Sequence[Grid], others: set[str], source: str) -> list[Fault]:
    """The sheets of a workbook that this entry does not read; ``others`` are read by other entries."""
    out = []
    for grid in grids:
        if grid not in read:
            by = "read by another entry" if grid.sheet in others else "not read"
            out.append(Fault(file=source, column="sheet", value=grid.sheet,
                             reason=f"the sheet is {by}" + (" (it is hidden)" if grid.hidden else "")
                             + f"; it holds {filled(grid):,} filled cells"))
    return out


def filled(grid: Grid) -> int:
    """How many cells hold text."""
    return sum(int(np.count_nonzero(c.flags(str.strip))) for c in grid.cells)


Found = tuple[int | None, str, str, str]


def _lines(grid: Grid, laid: Laid) -> Iterator[Found]:
    lost = {f.row for f in laid.misfits}
    told = [(int(grid.lines[i]), " | ".join(c for c in grid.row(int(i)) if c)) for i in laid.outside]
    told = [(line, text) for line, text in told if text and line not in lost]
    for line, text in told[:MOST_LINES]:
        yield line, "", text, "a line above the headings" if line < laid.header_line else "a line that is no result"
    if len(told) > MOST_LINES:
        yield told[MOST_LINES][0], "", "", f"{len(told) - MOST_LINES:,} more lines from here on"


def _around(grid: Grid) -> Iterator[Found]:
    yield from ((None, where, text, "stands outside the cells") for where, text in grid.around)


def _columns(grid: Grid, block: Block, mapping: FileMapping) -> Iterator[Found]:
    """Columns that are not mapped, or whose name the mapping does not use."""
    for k, head in block.heads.items():
        target = mapping.target(head) if mapping.layout == "wide" else None
        unused = target is not None and not target.analyte
        if not unused and not (head and head in laid_aside(mapping, block)):
            continue
        column = grid.cells[k].at(block.rows)
        if full := int(np.count_nonzero(column.flags(str.strip))):
            why = "not used, as the mapping says" if unused else "ignored, as the mapping says"
            yield int(grid.lines[block.header_at]), head, _examples(column), f"a column of {full:,} filled cells: {why}"


def laid_aside(mapping: FileMapping, block: Block) -> set[str]:
    """Headings of a block that the mapping ignores, by name or by "*"."""
    if "*" not in mapping.ignore_columns:
        return set(mapping.ignore_columns)
    read = set(mapping.columns.values()) | set(mapping.analytes) | set(mapping.qualifier_heads().values())
    return set(block.heads.values()) - read


def _examples(column: Texts) -> str:
    """The texts of a column with their counts, the most frequent first."""
    counts = Counter(t.strip() for t in column.tolist()[:100_000] if t.strip())
    shown = [f"{t[:60]} ({n}×)" if n > 1 else t[:60] for t, n in counts.most_common(MOST_TEXTS)]
    return "; ".join(shown) + ("; …" if len(counts) > MOST_TEXTS else "")


def _names(laid: Laid, mapping: FileMapping) -> Iterator[Found]:
    """Names in the rows that the mapping does not use."""
    if mapping.layout == "wide" or not len(laid.cells):
        return
    for name in laid.cells["name"].distinct():
        target = mapping.target(name.strip())
        if target is not None and not target.analyte:
            at = laid.cells["name"].flags(name.__eq__)
            yield (int(laid.cells["line"][at][0]), mapping.columns["analyte"], name,
                   f"{int(at.sum()):,} results under a name that is not used, as the mapping says")


def _blanks(blanks: Table) -> Iterator[Found]:
    many = len(blanks) - MOST_LINES
    for i in range(min(len(blanks), MOST_LINES)):
        yield (int(blanks["source_row"][i]), blanks["where"][i], blanks["as_written"][i],
               f"{blanks['sample'][i]} {blanks['analyte'][i]}: no result, as the mapping says of such a cell")
    if many > 0:
        yield None, "", "", f"{many:,} more cells without a result"
