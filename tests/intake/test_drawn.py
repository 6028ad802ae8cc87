"""What is drawn over cells of a workbook: a line through a row, a picture, a chart over results is a question."""

from __future__ import annotations

import io
import struct
import time
import zipfile
from pathlib import Path

import openpyxl
import pytest
from openpyxl.chart import BarChart, Reference

from studykit.intake.drawn import drawn_over
from studykit.intake.olddrawn import drawn_over_old
from studykit.intake.sheetcells import load
from tests.intake_cases import WIDE, take, values

DRAWING = ('<xdr:wsDr xmlns:xdr="http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing" '
           'xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main">{}</xdr:wsDr>')
CORNER = "<xdr:{0}><xdr:col>{2}</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>{1}</xdr:row><xdr:rowOff>{3}</xdr:rowOff></xdr:{0}>"
LINE = '<xdr:cxnSp><xdr:spPr><a:prstGeom prst="line"/></xdr:spPr></xdr:cxnSp>'
FRAME = '<xdr:sp><xdr:spPr><a:prstGeom prst="rect"/><a:noFill/><a:ln/></xdr:spPr></xdr:sp>'


def workbook(at: str) -> bytes:
    """Three samples, and a chart whose upper left corner stands in a cell."""
    book = openpyxl.Workbook()
    sheet = book.active
    for row in (("Sample", "Si", "P"), ("B001", 9.8, 338), ("B002", 9.1, 341), ("B003", 9.4, 345)):
        sheet.append(row)
    chart = BarChart()
    chart.add_data(Reference(sheet, min_col=2, min_row=2, max_row=4))
    chart.width, chart.height = 4, 1
    sheet.add_chart(chart, at)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def with_drawing(first: tuple[int, int], last: tuple[int, int], what: str, offset: int = 0) -> bytes:
    """The same with another drawing: between two cells (row, column), ``offset`` EMU into the last row."""
    anchor = CORNER.format("from", *first, 90_000) + CORNER.format("to", *last, offset) + what
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook("J20"))) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.namelist():
            drawn = DRAWING.format(f"<xdr:twoCellAnchor>{anchor}<xdr:clientData/></xdr:twoCellAnchor>")
            new.writestr(part, drawn if part.endswith("drawing1.xml") else old.read(part))
    return out.getvalue()


def read(tmp_path: Path, data: bytes) -> tuple[set[tuple[str, str]], str]:
    out = take(tmp_path, WIDE.replace("*.csv", "*.xlsx"), {"a.xlsx": data})
    return {(k[0], k[1]) for k in values(out)}, out.rejected.to_string()


ALL = {(f"B00{n}", a) for n in (1, 2, 3) for a in ("Si", "P")}


def test_a_line_through_a_row_is_asked_about(tmp_path: Path) -> None:
    taken, told = read(tmp_path, with_drawing((2, 0), (2, 3), LINE, 95_000))
    assert taken == {k for k in ALL if k[0] != "B002"}
    assert told.count("lies under a drawn line") == 2


def test_a_line_that_ends_where_a_row_begins_does_not_cross_it(tmp_path: Path) -> None:
    taken, _ = read(tmp_path, with_drawing((1, 0), (2, 3), LINE))
    assert taken == {k for k in ALL if k[0] != "B001"}


LAST = {k for k in ALL if k[0] == "B003"}


@pytest.mark.parametrize(("at", "lost"), [("B4", LAST), ("F2", set()), ("A7", set())])
def test_a_chart_hides_what_lies_under_it_and_nothing_else(tmp_path: Path, at: str, lost: set[tuple[str, str]]) -> None:
    assert read(tmp_path, workbook(at))[0] == ALL - lost


def test_an_empty_frame_hides_nothing(tmp_path: Path) -> None:
    assert read(tmp_path, with_drawing((0, 0), (4, 3), FRAME, 10))[0] == ALL


HOSTILE = ["<xdr:twoCellAnchor>" * 50_000, "<xdr:twoCellAnchor><xdr:sp>" + "<xdr:spPr>" * 50_000 + "</xdr:twoCellAnchor>",
           "<xdr:twoCellAnchor><xdr:from><xdr:row>" + "9" * 5_000 + "</xdr:row></xdr:from><xdr:sp/></xdr:twoCellAnchor>",
           "<xdr:twoCellAnchor><xdr:sp/></xdr:twoCellAnchor>" * 50_000]


@pytest.mark.few(2)
@pytest.mark.parametrize("drawing", HOSTILE, ids=["never closed", "looks never closed", "digits", "many"])
def test_a_hostile_drawing_costs_no_more_than_its_size(tmp_path: Path, drawing: str) -> None:
    """A megabyte of it, in less than five seconds of processor time (regular expressions took the square of its length)."""
    out, start = io.BytesIO(), time.process_time()
    with zipfile.ZipFile(out, "w") as made, zipfile.ZipFile(io.BytesIO(workbook("J20"))) as old:
        for part in old.namelist():
            made.writestr(part, DRAWING.format(drawing) if part.endswith("drawing1.xml") else old.read(part))
    with zipfile.ZipFile(out) as archive:
        assert set(drawn_over(archive)) <= {"Sheet"}
    assert time.process_time() - start < 5


def test_cells_of_an_ods_under_a_drawing_are_asked_about() -> None:
    from tests.intake.labfiles.generate import make_case

    made = next(c for c in (make_case(seed, ["plain"]) for seed in range(300)) if c.container == "ods" and c.layout == "wide")
    data = next(iter(made.files.values()))

    def changed(old: str, new: str) -> bytes:
        target = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(target, "w") as out:
            for part in archive.infolist():
                text = archive.read(part).decode()
                text = text.replace("<office:document-content ", "<office:document-content xmlns:draw='d' xmlns:svg='s' ")
                out.writestr(part.filename, text.replace(old, new, 1) if part.filename == "content.xml" else archive.read(part))
        return target.getvalue()

    code = made.codes[1]
    at_cell = changed(f"<text:p>{code}", f'<draw:line table:end-cell-address="Results.C9"/><text:p>{code}')
    on_page = changed("<table:table-column", '<table:shapes><draw:frame svg:x="0cm" svg:y="1cm" svg:width="3cm" '
                      'svg:height="5mm"><draw:image/></draw:frame></table:shapes><table:table-column')
    assert load(data, "ods")[0].look.doubts == {}
    for drawn in (at_cell, on_page):
        told = load(drawn, "ods")[0].look.doubts
        assert told
        assert {d.reason for d in told.values()} == {"lies under a drawing"}


def records(*parts: tuple[int, bytes]) -> bytes:
    return b"".join(struct.pack("<HH", kind, len(body)) + body for kind, body in parts)


def test_what_is_drawn_in_an_xls_is_found_by_its_records_but_for_comments() -> None:
    # OfficeArtClientAnchorSheet and ftCmo as [MS-XLS] has them
    def shape(what: int, *corners: int) -> tuple[tuple[int, bytes], tuple[int, bytes]]:
        anchor = bytes.fromhex("000010f012000000") + struct.pack("<9H", 0, *corners)
        return (0xEC, b"\0" * 24 + anchor), (0x5D, struct.pack("<3H", 0x15, 18, what) + b"\0" * 20)

    sheet = records((0x809, b"\0" * 16), *shape(1, 0, 0, 4, 0, 3, 0, 4, 9), *shape(0x19, 1, 0, 1, 0, 2, 0, 2, 0), (0x0A, b""))
    first = 20 + 4 + 9 + 4  # bytes before the sheet
    head = records((0x809, b"\0" * 16), (0x85, struct.pack("<I", first) + b"\0\0\1\0R"), (0x0A, b""))
    assert drawn_over_old(head + sheet) == [[((4, 0, 4, 2), "a drawn line")]]
    old = struct.pack("<I3H", 1, 8, 1, 0x614) + struct.pack("<8H", 1, 0, 2, 0, 1, 9, 3, 9) + b"\0" * 8
    assert drawn_over_old(head + records((0x809, b"\0" * 16), (0x5D, old), (0x0A, b""))) == [[((2, 1, 3, 1), "a picture")]]
