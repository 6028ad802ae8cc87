"""Spreadsheets (XLSX, XLS, ODS) as grids of text cells, one a sheet, with what makes a cell doubtful.

A stored value is taken only where what is shown bears it out; a cell whose display says something else, or that is
struck, hidden, commented or covered by a merged cell, keeps its stored text and a `Doubt`. A formula without a
stored value and an error cell keep their text ('=B2*2', '#DIV/0!'), so that they are rejected and never read as blank.
"""

from __future__ import annotations

import io
import zipfile

import numpy as np

from studykit.core.errors import single
from studykit.intake.cellmodel import Look, SheetCells, UnreadableError
from studykit.intake.columns import Texts
from studykit.intake.delimited import Grid
from studykit.intake.sheetcells import load_apart

_SAVE_AGAIN = "open it, save it again as XLSX or CSV, or ask for it again"


def spreadsheet_kind(data: bytes) -> str:
    """'xlsx', 'ods' or 'xls' by content; '' for anything else."""
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        return "xls"
    if not data.startswith(b"PK\x03\x04"):
        return ""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
    except Exception:  # a damaged directory; the reader says so
        return "xlsx"
    return "ods" if "content.xml" in names and "[Content_Types].xml" not in names else "xlsx"


def read_spreadsheet(data: bytes, name: str, kind: str) -> list[Grid]:
    """Every sheet that holds cells, in order; BadInput where the file cannot be read safely."""
    try:
        return [_grid(s, name, kind) for s in load_apart(data, kind)]
    except UnreadableError as error:
        if error.kind == "password":
            raise single(name, "is protected by a password", "save it without a password") from None
        if error.kind == "limit":
            remedy = "split it, delete stray cells, or save the table as CSV"
            raise single(name, f"is not read: {error}", remedy) from None
        raise single(name, f"cannot be read as a table: {error}", _SAVE_AGAIN) from None


def _grid(sheet: SheetCells, name: str, kind: str) -> Grid:
    height, width = len(sheet.texts), max((len(r) for r in sheet.texts), default=0)
    rows = [row if len(row) == width else [*row, *[""] * (width - len(row))] for row in sheet.texts]
    cells = [Texts.of(column) for column in zip(*rows, strict=True)]
    numeric = np.zeros((height, width), dtype=bool)
    widths = np.ones(height, dtype=int)
    for k, column in enumerate(cells):
        widths[column.flags(bool)] = k + 1
    for i, flags in enumerate(sheet.numeric):
        numeric[i, :len(flags)] = flags
    look = sheet.look
    _doubt_places(look, height, width)
    return Grid(file=name, cells=cells, lines=np.arange(1, height + 1), widths=widths,
                kind=kind, sheet=sheet.title, numeric=numeric, hidden=look.state != "visible",
                formulas=frozenset(p for p in look.formulas if p[0] < height and p[1] < width),
                merged=tuple(look.merged), around=tuple(look.around), notes=_notes(sheet), shown=look.shown,
                doubts=look.doubts)


def _doubt_places(look: Look, height: int, width: int) -> None:
    """Add to the doubts of single cells those of hidden rows and columns and of merged areas."""
    for i in look.rows:
        for k in range(width if i < height else 0):
            look.doubt((i, k), "hidden", "", "stands in a hidden or filtered row")
    for k in look.columns:
        for i in range(height if k < width else 0):
            look.doubt((i, k), "hidden", "", "stands in a hidden column")
    for top, left, bottom, right in look.merged:
        if (top, left) != (bottom, right):
            look.doubt((top, left), "merged", "", "is merged over several cells: to which does it belong?")
        for i in range(top, min(bottom + 1, height)):
            for k in range(left, min(right + 1, width)):
                if (i, k) != (top, left):
                    look.doubt((i, k), "merged", "", "is covered by a merged cell")


def _notes(sheet: SheetCells) -> tuple[str, ...]:
    notes = ["the sheet is hidden"] if sheet.look.state != "visible" else []
    if sheet.look.formulas:
        notes.append(f"{len(sheet.look.formulas)} formula cells read as their stored value")
    return tuple(notes)
