"""Spreadsheets: values, formulas, errors and dates as text; bombs refused by size before they open."""

from __future__ import annotations

import datetime as dt
import io
import struct
import zipfile
from typing import Any

import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from studykit.core.errors import BadInput
from studykit.intake import bounds, sheetcells
from studykit.intake.cellmodel import UnreadableError
from studykit.intake.spreadsheets import read_spreadsheet, spreadsheet_kind
from tests.xls_writer import xls_bytes


def xlsx(rows: list[list[Any]], title: str = "Results", **marks: str) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for place, value in marks.items():
        sheet[place] = value
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods(rows: list[list[Any]], repeat: int = 1) -> bytes:
    doc = OpenDocumentSpreadsheet()
    table = Table(name="Results")
    for row in rows:
        line = TableRow(numberrowsrepeated=repeat) if repeat > 1 else TableRow()
        for value in row:
            if isinstance(value, (int, float)):
                cell = TableCell(valuetype="float", value=value)
            else:
                cell = TableCell(valuetype="string")
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        table.addElement(line)
    doc.spreadsheet.addElement(table)
    out = io.BytesIO()
    doc.save(out)
    return out.getvalue()


def cells(data: bytes) -> list[list[str]]:
    grid = read_spreadsheet(data, "raw/f", spreadsheet_kind(data))[0]
    return [list(row) for row in zip(*(c.tolist() for c in grid.cells), strict=True)]


ROWS: list[list[Any]] = [["Code", "Si"], ["007", 9.8], ["B1", "<1"], ["B2", 12]]
TEXTS = [["Code", "Si"], ["007", "9.8"], ["B1", "<1"], ["B2", "12"]]


@pytest.mark.parametrize(("data", "kind"), [(xlsx(ROWS), "xlsx"), (ods(ROWS), "ods"), (xls_bytes(ROWS), "xls")])
def test_three_kinds_give_the_same_cells(data: bytes, kind: str) -> None:
    assert spreadsheet_kind(data) == kind
    assert cells(data) == TEXTS
    grid = read_spreadsheet(data, "raw/f", kind)[0]
    assert grid.numeric is not None
    assert grid.numeric.tolist() == [[False, False], [False, True], [False, False], [False, True]]
    assert grid.sheet == "Results"


def test_dates_booleans_and_long_numbers_as_text() -> None:
    row = [dt.date(2026, 5, 4), dt.datetime(2026, 5, 4, 10, 30), True, 0.1 + 0.2, 1e20, 123456.0]
    assert cells(xlsx([row])) == [["2026-05-04", "2026-05-04 10:30:00", "TRUE", "0.3", "1e+20", "123456"]]


def test_formulas_and_errors_are_never_blank() -> None:
    data = xlsx([["Code", "Si"], ["B1", "=B9*2"]], A4="x")
    grid = read_spreadsheet(data, "raw/f", "xlsx")[0]
    assert grid.cells[1][1] == "=B9*2"
    assert grid.formulas == {(1, 1)}
    assert grid.notes == ("1 formula cells read as their stored value",)
    book = openpyxl.Workbook()
    book.active["A1"] = "#DIV/0!"
    out = io.BytesIO()
    book.save(out)
    assert cells(out.getvalue()) == [["#DIV/0!"]]


def test_stored_value_of_a_formula_is_read() -> None:
    data = _edited(xlsx([["Code", "Si"], ["B1", "=4*2"]]), b"<f>4*2</f><v />", b"<f>4*2</f><v>8</v>")
    grid = read_spreadsheet(data, "raw/f", "xlsx")[0]
    assert grid.cells[1][1] == "8"
    assert grid.formulas == {(1, 1)}


def _edited(data: bytes, old: bytes, new: bytes, part: str = "xl/worksheets/sheet1.xml") -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == part:
                assert old in content
                content = content.replace(old, new, 1)
            target.writestr(name, content)
    return out.getvalue()


def test_hidden_sheets_say_so_and_all_sheets_are_seen() -> None:
    book = openpyxl.Workbook()
    book.active["A1"] = "x"
    second = book.create_sheet("Old")
    second["A1"] = "y"
    second.sheet_state = "hidden"
    out = io.BytesIO()
    book.save(out)
    grids = read_spreadsheet(out.getvalue(), "raw/f", "xlsx")
    assert [g.sheet for g in grids] == ["Sheet", "Old"]
    assert grids[1].notes == ("the sheet is hidden",)


def test_stray_far_cell_is_refused_before_the_sheet_is_opened() -> None:
    with pytest.raises(BadInput, match=r"reaches to row 1,000,000 and column 700; .*delete stray cells"):
        cells(xlsx(ROWS, ZX1000000="x"))


def test_unpacked_size_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 30_000_000)
    assert len(data.getvalue()) < 100_000
    monkeypatch.setattr(bounds, "MAX_UNPACKED", 20_000_000)
    with pytest.raises(UnreadableError, match="would unpack to 30,000,008 bytes in 2 parts"):
        bounds.check_package(data.getvalue(), "xlsx")


def test_many_parts_and_nested_archives_are_refused_by_size(monkeypatch: pytest.MonkeyPatch) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x", b"0" * 5_000_000)
    outer = io.BytesIO()
    with zipfile.ZipFile(outer, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        for k in range(40):
            archive.writestr(f"xl/embeddings/{k}.zip", inner.getvalue())
    with pytest.raises(BadInput, match="cannot be read as a table"):
        cells(outer.getvalue())  # never unpacked: only the outer parts are counted
    monkeypatch.setattr(bounds, "MAX_PARTS", 30)
    with pytest.raises(UnreadableError, match="in 41 parts"):
        bounds.check_package(outer.getvalue(), "xlsx")


def test_document_type_declarations_are_refused() -> None:
    old = b"<worksheet"
    new = b'<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet'
    with pytest.raises(BadInput, match=r"sheet1.xml declares a document type"):
        cells(_edited(xlsx(ROWS), old, new))


def test_repeated_ods_cells_are_refused() -> None:
    assert len(cells(ods([["a", 1]], repeat=3))) == 3
    with pytest.raises(BadInput, match="repeats filled cells to more than 1,000,000"):
        cells(ods([["a", 1]], repeat=5_000_000))


@pytest.mark.parametrize("data", [
    xlsx(ROWS)[:900], xlsx(ROWS)[:-400], xls_bytes(ROWS)[:700], b"\xd0\xcf\x11\xe0" + b"x" * 2000,
    xlsx(ROWS)[:2000] + b"\xff" * 50 + xlsx(ROWS)[2050:],
])
def test_damaged_files_are_refused_plainly(data: bytes) -> None:
    with pytest.raises(BadInput, match=r"raw/f: cannot be read as a table"):
        cells(data)


def test_a_damaged_size_that_ends_the_reader_ends_only_its_own_process(monkeypatch: pytest.MonkeyPatch) -> None:
    data = xls_bytes(ROWS)
    old = struct.pack("<HHIIHHH", 0x0200, 14, 0, len(ROWS), 0, 2, 0)
    assert old in data
    bad = data.replace(old, struct.pack("<HHIIHHH", 0x0200, 14, 0, 0xFFFFFFF0, 0, 0xFFFF, 0))
    with pytest.raises(BadInput, match=r"raw/f: (is not read|cannot be read as a table): .*"):
        cells(bad)
    assert cells(data) == TEXTS  # the next file gets a process that works
    monkeypatch.setattr(sheetcells, "MOST_CELLS", 7)
    with pytest.raises(UnreadableError, match="sheet 'Results' reaches to row 4 and column 2"):
        sheetcells.load(data, "xls")
