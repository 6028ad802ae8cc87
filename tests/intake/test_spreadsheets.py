"""Spreadsheets: values, formulas, errors and dates as text; bombs refused by size before they open."""

from __future__ import annotations

import datetime as dt
import io
import re
import struct
import zipfile
from collections.abc import Callable
from typing import Any

import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from studykit.core.errors import BadInput
from studykit.intake import bounds, odscells, sheetcells
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


@pytest.mark.slow
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


CALCEXT = "urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"


def conditional_ods(how: str, shows: str, area: str = "Results.B2:Results.B3", before: bool = False) -> bytes:
    """Three rows of a number, with a style that a condition applies: as OpenDocument has it (style:map, OpenDocument 1.3
    part 3, 16.3), and as LibreOffice writes it beside that (calcext, its own name space)."""
    made = {"struck": '<style:text-properties style:text-line-through-style="solid"/>',
            "white": '<style:text-properties fo:color="#ffffff"/>', "green": '<style:text-properties fo:color="#008000"/>',
            "format": ""}[shows]
    number = ' style:data-style-name="N7"' if shows == "format" else ""
    style = f'<style:style style:name="Other" style:family="table-cell"{number}>{made}</style:style>'
    inner = '<style:map style:condition="cell-content()&lt;9" style:apply-style-name="Other"/>' if how == "map" else ""
    style += f'<style:style style:name="ce1" style:family="table-cell">{inner}</style:style>'
    rule = f'<calcext:condition calcext:apply-style-name="Other" calcext:value="&lt;9" calcext:base-cell-address="{area}"/>'
    bars = {"bars": "false", "bars beside": "true"}.get(how)
    if bars:
        rule = f'<calcext:data-bar calcext:show-value="{bars}"/>'
    after = "" if how == "map" else (f'<calcext:conditional-formats><calcext:conditional-format calcext:target-range-address='
                                     f'"{area}">{rule}</calcext:conditional-format></calcext:conditional-formats>')

    def change(content: str) -> str:
        content = content.replace("<office:body>", f"<office:automatic-styles>{style}</office:automatic-styles><office:body>")
        content = re.sub(r"<office:automatic-styles/>", "", content, count=1)
        content = content.replace('office:value="', 'table:style-name="ce1" office:value="')
        content = content.replace("<table:table-row>", f"{after}<table:table-row>", 1) if before else content.replace(
            "</table:table>", f"{after}</table:table>")
        return content.replace(
            "<office:document-content ", f'<office:document-content xmlns:calcext="{CALCEXT}" ', 1)
    return rewritten(ods([["Sample", "Si"], ["B001", 8.8], ["B002", 9.9], ["B003", 7.7]]), change)


def rewritten(data: bytes, change: Callable[[str], str]) -> bytes:
    """An ODS with another content.xml."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            part = source.read(name)
            target.writestr(name, change(part.decode()).encode() if name == "content.xml" else part)
    return out.getvalue()


def doubted(data: bytes) -> list[tuple[int, int]]:
    """Cells that are shown otherwise under a condition."""
    grid = read_spreadsheet(data, "raw/f", "ods")[0]
    return sorted(p for p, d in grid.doubts.items() if "under a condition" in d.reason)


def test_ranges_of_open_document_are_read_with_their_sheets():
    assert odscells._areas("A.B2:A.C9 $'My ''own'' sheet'.$AB$4 .A1:.A2 D7") == [
        ("A", 1, 1, 8, 2), ("My 'own' sheet", 3, 27, 3, 27), ("", 0, 0, 1, 0), ("", 6, 3, 6, 3)]
    assert odscells._areas("no range 5") == []


@pytest.mark.parametrize(("how", "shows", "expected"), [
    ("map", "struck", [(1, 1), (2, 1), (3, 1)]), ("map", "format", [(1, 1), (2, 1), (3, 1)]), ("map", "green", []),
    ("range", "struck", [(1, 1), (2, 1)]), ("range", "white", [(1, 1), (2, 1)]), ("range", "format", [(1, 1), (2, 1)]),
    ("range", "green", []), ("bars", "green", [(1, 1), (2, 1)]), ("bars beside", "green", [])])
def test_a_condition_that_shows_a_number_of_an_ods_otherwise_is_a_doubt(how: str, shows: str, expected: list) -> None:
    assert doubted(conditional_ods(how, shows)) == expected
    if how == "range" and expected:
        assert doubted(conditional_ods(how, shows, before=True)) == expected
        assert doubted(conditional_ods(how, shows, "$Results.$B$4")) == [(3, 1)]
        assert doubted(conditional_ods(how, shows, "'Results'.B4:'Results'.B4 Results.B2")) == [(1, 1), (3, 1)]
        assert doubted(conditional_ods(how, shows, "no range")) == []


@pytest.mark.parametrize("wide", [False, True])
def test_print_lines_of_an_xls_are_seen(wide: bool) -> None:
    text = '&L&"Arial,Bold"&14Provisional \u00b5 &P' if not wide else '&LProvisional \u2265 &P'
    data = xls_bytes([["Sample", "Si"], ["B001", 9.8]], header=text)
    grid = read_spreadsheet(data, "raw/f", "xls")[0]
    assert grid.around == (("print header", "Provisional \u2265" if wide else "Provisional \u00b5"),)
    assert read_spreadsheet(xls_bytes([["Sample", "Si"], ["B001", 9.8]]), "raw/f", "xls")[0].around == ()
