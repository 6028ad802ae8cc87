"""Headings of a raw file: found, joined over two rows, and compared with what the mapping expects.

A file whose headings are not those of its mapping is refused, and the refusal says what changed:
which heading is missing, which is new, which stands twice, and where the headings stand now.
"""

from __future__ import annotations

import difflib

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import tidy_text
from studykit.intake.aligned import SPACES
from studykit.intake.delimited import DELIMITER_WORDS, DELIMITERS, Grid
from studykit.intake.mapping import FileMapping

SEARCH_LINES = 200


def expected_heads(mapping: FileMapping) -> set[str]:
    """Headings that a file of this mapping must have."""
    heads = set(mapping.columns.values())
    if mapping.layout == "wide":
        heads |= set(mapping.analytes) | set(mapping.qualifier_heads().values())
    return heads


def headings(grid: Grid, at: tuple[int, ...]) -> dict[int, str]:
    """Heading of each column from one or two rows (positions from 0); two rows are joined as 'upper | lower'."""
    lower = grid.row(at[-1])
    if len(at) == 1:
        return dict(enumerate(lower))
    upper = _filled(grid, at[0])
    joined = {}
    for k, (a, b) in enumerate(zip(upper, lower, strict=True)):
        joined[k] = f"{a} | {b}" if a and b and a != b else a or b
    return joined


def _filled(grid: Grid, i: int) -> list[str]:
    """An upper heading row whose merged (or, in text files, following blank) cells repeat the text at their left."""
    row = grid.row(i)
    if grid.kind == "text":
        for k in range(1, len(row)):
            row[k] = row[k] or row[k - 1]
        return row
    for top, left, bottom, right in grid.merged:
        if top <= i <= bottom and right < len(row):
            text = tidy_text(grid.cells[left][top])
            row[left:right + 1] = [text] * (right + 1 - left)
    return row


def find_header(grid: Grid, mapping: FileMapping) -> tuple[int, ...] | None:
    """Row positions of the headings: where the mapping says, else the first row with all expected headings."""
    declared = mapping.header_lines()
    if declared:
        positions = tuple(int(np.searchsorted(grid.lines, line)) for line in declared)
        return positions if max(positions) < len(grid.lines) else None
    return _search(grid, mapping)


def _search(grid: Grid, mapping: FileMapping) -> tuple[int, ...] | None:
    """The first row that holds all expected headings."""
    need = set(mapping.columns.values()) if mapping.blocks else expected_heads(mapping)
    for i in range(min(SEARCH_LINES, len(grid.lines))):
        if need <= set(grid.row(i)):
            return (i,)
    return None


LACKING = ("ask the laboratory for the whole file, or give this one an entry of its own in intake.toml that goes without the "
           "heading")


def shape_faults(grid: Grid, mapping: FileMapping, heads: dict[int, str], line: int, known: set[str],
                 file: str) -> list[Fault]:
    """How the headings differ from the mapping: missing, twice, new, or a column without heading."""
    present = [h for h in heads.values() if h]
    joined = _joined(grid, mapping, present, line, file)
    if joined:
        return [joined]
    need = expected_heads(mapping) if not mapping.blocks else set(mapping.columns.values())
    faults: list[Fault] = []
    if mapping.header_lines() and not need <= set(present):
        moved = _search(grid, mapping)
        if moved is not None:
            return [Fault(file=file, **grid.line(moved[0]), reason=f"the headings stand in line {int(grid.lines[moved[0]])}, "
                          f"not in line {line}", remedy="correct header_row in intake.toml, or leave it out")]
    mapped = need | expected_heads(mapping)
    fresh = [h for h in present if h not in mapped and not _ignored(h, mapping) and h not in known]
    for missing in sorted(need - set(present)):
        close = difflib.get_close_matches(missing, fresh, n=1, cutoff=0.6)  # what is mapped already is something else
        remedy = f"the heading may now be {close[0]!r}: if so, write that in intake.toml; else " if close else ""
        faults.append(Fault(file=file, row=line, column=missing, remedy=remedy + LACKING,
                            reason="the mapping expects this heading and the file does not have it"))
    for twice in sorted({h for h in present if present.count(h) > 1 and (h in mapped | known or not _ignored(h, mapping))}):
        faults.append(Fault(file=file, row=line, column=twice, reason="this heading occurs twice",
                            remedy="tables side by side? read each by its range; else rename one in a copy, with consent"))
    if mapping.layout != "wide-samples":
        for new in sorted(set(fresh)):
            faults.append(Fault(file=file, row=line, column=new, reason="the mapping does not know this heading",
                                remedy="map it in [file.columns] or [file.analytes], or add it to ignore_columns"))
    return faults


def _joined(grid: Grid, mapping: FileMapping, present: list[str], line: int, file: str) -> Fault | None:
    """The fault of a file whose headings lie in one cell: it is split by another delimiter than the mapping's."""
    if grid.kind != "text" or len(present) != 1:
        return None
    for sign in (*DELIMITERS, SPACES):
        inside = {c.strip().strip('"') for c in present[0].split(sign)}
        if sign != grid.delimiter and len(inside & expected_heads(mapping)) > 1:
            word, was = DELIMITER_WORDS[sign], DELIMITER_WORDS.get(grid.delimiter, repr(grid.delimiter))
            return Fault(file=file, row=line, column="1", value=present[0],
                         reason=f"the headings are one cell: the file is separated by {word}, the mapping says {was}",
                         remedy=f"write delimiter = {sign!r} in intake.toml, if so agreed")
    return None


def _ignored(heading: str, mapping: FileMapping) -> bool:
    return "*" in mapping.ignore_columns or heading in mapping.ignore_columns


def no_header(grid: Grid, mapping: FileMapping, file: str) -> list[Fault]:
    """No row holds the expected headings: the nearest row and what it lacks."""
    need = expected_heads(mapping)
    rows = [(len(need & set(grid.row(i))), -i) for i in range(min(SEARCH_LINES, len(grid.lines)))]
    best, at = max(rows, default=(0, 0))
    if mapping.header_lines():
        return [Fault(file=file, row=max(mapping.header_lines()), column="header_row",
                      reason="the file ends before its headings", remedy="correct header_row in intake.toml")]
    lone = next((i for i in range(min(SEARCH_LINES, len(grid.lines))) if grid.kind == "text" and len(need) > 1
                 and need <= set(grid.row(i)[0].split()) and not any(grid.row(i)[1:])), None)
    if lone is not None:
        return [Fault(file=file, **grid.line(lone),
                      reason="the headings are one cell: they are parted by single spaces",
                      remedy='write delimiter = " " in this entry of intake.toml, if no cell holds a space')]
    if best == 0:
        remedy = "check delimiter, encoding, sheet and header_row, or propose a new mapping with --suggest"
        return [Fault(file=file, **grid.line(0), remedy=remedy,
                      reason=f"no line holds the headings of the mapping: {', '.join(sorted(need))}")]
    heads = dict(enumerate(grid.row(-at)))
    return shape_faults(grid, mapping, heads, int(grid.lines[-at]), set(), file)
