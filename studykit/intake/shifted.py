"""Text files whose cells all stand one heading too far to the left or to the right, by an unquoted comma.

A comma within a heading, or within a day or a place of every line, parts one cell in two; where an empty cell at the end
makes up for it, each line has as many cells as the headings and every result stands under another one's.
"""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.delimited import Grid
from studykit.intake.header import expected_heads
from studykit.intake.mapping import FileMapping
from studykit.intake.movedcells import result_columns
from studykit.intake.textlines import Block

_WORDS = re.compile(r"(?i)remark|note|comment|observ|bemerk|anmerk|kommentar|hinweis|message|appearance|aussehen|colou?r|farbe|"
                    r"odou?r|geruch|descr|beschreibung|visual|clarity")
"""Headings under which laboratories write words (common practice, no source)."""
_NUMBER = re.compile(r"[<>\u2264\u2265]?\s*[0-9]+(?:[.,][0-9]+)?")
_MARK = re.compile(r"[0-9]")
_NO_YEAR = re.compile(r"(?i)(?:[a-z]+,? )?(?:(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.? [0-9]{1,2}|"
                      r"[0-9]{1,2}\.? (?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.?)|"
                      r"(?:mon|tues?|wed(?:nes)?|thurs?|fri|sat(?:ur)?|sun)(?:day)?")
"""A day whose year stands in the next cell."""
MOST = 0.9
"""Of so many lines the cells must begin with a blank (no source)."""


def shifted(grid: Grid, block: Block, mapping: FileMapping, known: set[str], file: str) -> list[Fault]:
    """Why the results of a table may all stand under the heading beside their own; none once the mapping says where they do.

    ``known``: the study's analytes.
    """
    results = result_columns(block, mapping, known) if grid.kind == "text" and grid.delimiter == "," else []
    if mapping.in_place or not results or not len(block.rows):
        return []
    why = _to_the_left(grid, block, mapping, results, known) or _to_the_right(grid, block, mapping, results)
    if not why:
        return []
    i = int(block.rows[0])
    cells = grid.row(i)
    read = ", ".join(f"{block.heads[k]!r} = {cells[k] or 'nothing'}" for k in results[-6:])
    return [Fault(file=file, **grid.line(i), reason=f"{why}: does an unquoted comma part one cell in two? Read as it stands, "
                  f"this line says {read}", remedy="compare this line with the laboratory's report, and ask for the file with "
                  'quoted or semicolon-separated cells; if every number stands under its heading, write in_place = "who '
                  'compared it" in this entry of intake.toml')]


def _to_the_left(grid: Grid, block: Block, mapping: FileMapping, results: list[int], known: set[str]) -> str:
    """What tells that a heading has a comma: the last of several columns of results is empty in every line, others are not.

    Where nothing left of it is ignored, each heading is one of the mapping's and none is part of another.
    """
    read = expected_heads(mapping) | known
    if mapping.layout == "long" or all(h in read for k, h in block.heads.items() if k < results[-1] and h):
        return ""
    empty = [bool(blank is not None and blank.all()) for k in results for blank in [grid.cells[k].blank(block.rows)]]
    return f"no line has a result under {block.heads[results[-1]]!r}, the last" if empty[-1] and not all(empty) else ""


def _to_the_right(grid: Grid, block: Block, mapping: FileMapping, results: list[int]) -> str:
    """What tells that every line has a comma too many: numbers under a heading that is not read, right of the results."""
    beside, rows = results[-1] + 1, block.rows
    if beside < len(grid.cells) and not block.heads.get(beside) and (grid.widths[rows] > grid.widths[block.header_at]).all():
        return _spaced(grid, block, results)  # an empty cell more than the headings have
    head = block.heads.get(beside, "")
    if not head or beside >= len(grid.cells) or head in expected_heads(mapping):
        return ""
    texts = [t.strip() for t in grid.cells[beside].at(rows).tolist()]
    numbers = [t for t in texts if _NUMBER.fullmatch(t)]
    if 2 * len(numbers) <= len(texts):
        return ""
    if _WORDS.search(head) and not all(_MARK.fullmatch(t) for t in numbers):
        return f"{head!r} holds numbers, right of the results"
    return _parted_day(grid, block, results) or _spaced(grid, block, results)


def _parted_day(grid: Grid, block: Block, results: list[int]) -> str:
    """The heading of a column of days without a year, or of days of the week, left of the results."""
    return next((f"{block.heads[k]!r} has days without a year" for k in range(results[-1]) if block.heads.get(k)
                 and grid.cells[k].at(block.rows).flags(lambda t: _NO_YEAR.fullmatch(t.strip())).all()), "")


def _spaced(grid: Grid, block: Block, results: list[int]) -> str:
    """The first heading whose cells nearly all begin with a blank, where it and the column before do not."""
    def share(k: int) -> float:
        cells = grid.cells[k].at(block.rows)
        full = cells.flags(str.strip)
        return float(np.mean(cells.flags(lambda t: t[:1] == " ")[full])) if full.any() else 0.0

    for a, b in pairwise(range(results[-1] + 1)):
        if share(b) >= MOST and share(a) < 1 - MOST and not grid.cells[b][block.header_at].startswith(" "):
            return f"the cells under {block.heads[b]!r} begin with a blank, as what follows a comma within a text"
    return ""
