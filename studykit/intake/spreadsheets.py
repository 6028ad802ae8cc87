"""Spreadsheets (XLSX, XLS, ODS) as grids of text cells, one a sheet, after their size has been checked.

Values come from python-calamine: a formula cell gives its stored value. openpyxl only tells which
cells are formulas or errors. A formula without a stored value and an error cell keep their text
('=B2*2', '#DIV/0!'), so that they are rejected later and never read as blank. Nothing is opened
before the unpacked size, the reach of the cells and document type declarations were looked at.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from typing import Any

import numpy as np
import pandas as pd
import python_calamine as calamine

from studykit.core.errors import BadInput, single
from studykit.intake.delimited import Grid, refuse
from studykit.intake.sheetcells import SheetCells, TooLargeError, load, load_apart

MAX_UNPACKED = 400_000_000
MAX_SHEET_CELLS = 8_000_000
MAX_FORMULA_CELLS = 400_000
MAX_XLS_BYTES = 60_000_000
MAX_PARTS = 2_000
_CELL = re.compile(rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,3})([0-9]{1,7})"')
_ODS_REPEAT = re.compile(rb'number-(?:columns|rows)-repeated="([0-9]+)"')
_ODS_ROW = re.compile(rb"<table:table-row\b([^>]*)>(.*?)</table:table-row>", re.DOTALL)
_ODS_CELL = re.compile(rb"<table:(?:covered-)?table-cell\b([^>]*?)(/>|>)")


def spreadsheet_kind(data: bytes) -> str:
    """'xlsx', 'ods' or 'xls' by content; '' for anything else."""
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        return "xls"
    if not data.startswith(b"PK\x03\x04"):
        return ""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
    except Exception:  # a damaged directory; check_package says so
        return "xlsx"
    return "ods" if "content.xml" in names and "[Content_Types].xml" not in names else "xlsx"


def check_package(data: bytes, name: str, kind: str) -> dict[str, bool]:
    """Refuse a package that is too large, reaches too far or declares a document type.

    Returns which marks occur in any sheet: 'formula' and 'error'. Every part is unpacked once in
    pieces, so that a false size in the directory is found before a reader trusts it.
    """
    found = {"formula": False, "error": False}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            total = sum(p.file_size for p in parts)
            if total > MAX_UNPACKED or len(parts) > MAX_PARTS:
                raise single(name, f"would unpack to {total:,} bytes in {len(parts)} parts; at most "
                             f"{MAX_UNPACKED:,} in {MAX_PARTS} are read", "split it, or save the sheet as CSV")
            for part in parts:
                _check_part(archive, part, name, kind, found)
    except BadInput:
        raise
    except Exception as error:
        raise single(name, f"is damaged: {error}", "open it, save it again, or ask for it again") from None
    return found


def _check_part(archive: zipfile.ZipFile, part: zipfile.ZipInfo, name: str, kind: str,
                found: dict[str, bool]) -> None:
    is_sheet = part.filename.startswith("xl/worksheets/") or part.filename == "content.xml"
    column, row, tail, first = 0, 0, b"", True
    with archive.open(part) as stream:
        while block := stream.read(1 << 20):
            if first and re.search(rb"<!(DOCTYPE|ENTITY)", block[:4096]):
                raise single(name, f"part {part.filename} declares a document type", "save it again as XLSX")
            first = False
            if not is_sheet:
                continue
            joined = tail + block
            tail = block[-400:]
            found["formula"] |= b"<f" in joined or b"table:formula=" in joined
            found["error"] |= b't="e"' in joined
            if kind == "xlsx":
                for letters, digits in _CELL.findall(joined):
                    row = max(row, int(digits))
                    column = max(column, _column_number(letters))
                if row * column > MAX_SHEET_CELLS:
                    raise single(name, f"reaches to row {row:,} and column {column:,}; at most "
                                 f"{MAX_SHEET_CELLS:,} cells of a sheet are read",
                                 "delete the stray cell, or save the table as CSV")
    if kind == "ods" and part.filename == "content.xml":
        _check_ods(archive.read(part), name)


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _check_ods(content: bytes, name: str) -> None:
    """Refuse an ODS whose filled cells are repeated beyond the limit."""
    cells = 0
    for attributes, inner in _ODS_ROW.findall(content):
        rows = max((int(n) for n in _ODS_REPEAT.findall(attributes)), default=1)
        width = 0
        pending = 0
        for cell, close in _ODS_CELL.findall(inner):
            pending += max((int(n) for n in _ODS_REPEAT.findall(cell)), default=1)
            if close == b">" or b"office:value" in cell:
                width = pending
        cells += rows * width
        if cells > MAX_SHEET_CELLS:
            raise single(name, f"repeats filled cells to more than {MAX_SHEET_CELLS:,}",
                         "save the table as CSV")


def read_spreadsheet(data: bytes, name: str, kind: str) -> list[Grid]:
    """Every sheet that holds cells, in order; BadInput where the file cannot be read safely."""
    found = {"formula": False, "error": False}
    if kind == "xls":
        if len(data) > MAX_XLS_BYTES:
            raise single(name, f"has {len(data):,} bytes; at most {MAX_XLS_BYTES:,} of an XLS are read",
                         "save it as XLSX or CSV")
    else:
        found = check_package(data, name, kind)
    try:
        sheets = load(data, MAX_SHEET_CELLS) if kind == "xlsx" else load_apart(data, MAX_SHEET_CELLS)
        return [_grid(s, data, name, kind, found) for s in sheets]
    except BadInput:
        raise
    except TooLargeError as error:
        raise single(name, str(error), "delete the stray cell, or save the table as CSV") from None
    except (calamine.PasswordError, PermissionError):
        raise single(name, "is protected by a password", "save it without a password") from None
    except BaseException as error:  # the reader's Rust panics are BaseException
        if isinstance(error, (KeyboardInterrupt, SystemExit)):
            raise
        raise refuse(name, Exception(str(error) or type(error).__name__)) from None


def _grid(sheet: SheetCells, data: bytes, name: str, kind: str, found: dict[str, bool]) -> Grid:
    height, width = len(sheet.texts), max((len(r) for r in sheet.texts), default=0)
    columns: dict[int, Any] = {}
    numeric = np.zeros((height, width), dtype=bool)
    widths = np.ones(height, dtype=int)
    for k in range(width):
        column = np.empty(height, dtype=object)
        column[:] = [row[k] if k < len(row) else "" for row in sheet.texts]
        numeric[:, k] = [k < len(row) and row[k] for row in sheet.numeric]
        widths[column != ""] = k + 1
        columns[k] = column
    marks = _marks(data, name, sheet.title, height * width) if kind == "xlsx" and any(found.values()) else {}
    for (i, k), shown in marks.items():
        if i < height and k < width and (columns[k][i] == "" or shown.startswith("#")):
            columns[k][i] = shown
            numeric[i, k] = False
    formulas = frozenset(place for place, shown in marks.items() if shown.startswith("="))
    return Grid(file=name, cells=pd.DataFrame(columns, dtype=object), lines=np.arange(1, height + 1),
                widths=widths, kind=kind, sheet=sheet.title, numeric=numeric, formulas=formulas,
                merged=tuple((m[0], m[1], m[2], m[3]) for m in sheet.merged), notes=_notes(sheet, kind, len(formulas)))


def _notes(sheet: SheetCells, kind: str, formulas: int) -> tuple[str, ...]:
    notes = [] if sheet.visible else ["the sheet is hidden"]
    if kind != "xlsx":
        notes.append(f"formulas cannot be told from values in an {kind.upper()} file")
    if formulas:
        notes.append(f"{formulas} formula cells read as their stored value")
    return tuple(notes)


def _marks(data: bytes, name: str, title: str, cells: int) -> dict[tuple[int, int], str]:
    """Formula cells ('=...') and error cells ('#...') of a sheet, by openpyxl."""
    if cells > MAX_FORMULA_CELLS:
        raise single(name, f"sheet {title!r} holds formulas or errors among {cells:,} cells; at most "
                     f"{MAX_FORMULA_CELLS:,} can be checked", "save the table as CSV, or as values only")
    import openpyxl  # loaded where a workbook holds formulas or errors, not in every kernel

    marks: dict[tuple[int, int], str] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns about features that it does not keep
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False)
        try:
            for row in book[title].iter_rows():
                for cell in row:
                    if cell.value is not None and cell.data_type in ("f", "e"):
                        text = str(getattr(cell.value, "text", cell.value))
                        shown = text if text.startswith("#") else "=" + text.lstrip("=")
                        marks[(cell.row - 1, cell.column - 1)] = shown
        finally:
            book.close()
    return marks
