"""How the cells of a spreadsheet look to a reader: by openpyxl for XLSX, xlrd for XLS, `odscells` for ODS."""

from __future__ import annotations

import io
import re
import warnings
from typing import Any

from studykit.intake.cellmodel import Look
from studykit.intake.numberformat import shown_number
from studykit.intake.odscells import open_document_looks

LEAST = 1.0
"""Rows lower than so many points, and columns narrower than so many digits, are not seen."""
Stored = dict[str, list[list[Any]]]


def looks(data: bytes, kind: str, stored: Stored) -> dict[str, Look]:
    """The look of every sheet by its name; ``stored`` has the stored values, rows of cells by sheet."""
    if kind == "ods":
        return open_document_looks(data)
    return _old(data) if kind == "xls" else _open_xml(data, stored)


def _open_xml(data: bytes, stored: Stored) -> dict[str, Look]:
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns about features that it does not keep
        book = openpyxl.load_workbook(io.BytesIO(data), rich_text=True, data_only=False)
    return {sheet.title: _open_xml_sheet(sheet, stored.get(sheet.title, [])) for sheet in book.worksheets}


def _open_xml_sheet(sheet: Any, values: list[list[Any]]) -> Look:
    look = Look(state="visible" if sheet.sheet_state == "visible" else "hidden")
    unless_said = bool(sheet.sheet_format.zeroHeight)
    look.rows = {n - 1 for n, d in sheet.row_dimensions.items() if d.hidden or (d.height is not None and d.height < LEAST)}
    if unless_said:
        shown = {n - 1 for n, d in sheet.row_dimensions.items() if d.height}
        look.rows |= set(range(len(values))) - shown
    for dimension in sheet.column_dimensions.values():
        if dimension.hidden or (dimension.width is not None and dimension.width < LEAST):
            look.columns |= set(range((dimension.min or 1) - 1, min(dimension.max or 1, 2_000)))
    look.merged = [(r.min_row - 1, r.min_col - 1, r.max_row - 1, r.max_col - 1) for r in sheet.merged_cells.ranges]
    for row in sheet.iter_rows():
        for cell in row:
            if cell.value is not None or getattr(cell, "comment", None):
                i, k = cell.row - 1, cell.column - 1
                _open_xml_cell(cell, values[i][k] if i < len(values) and k < len(values[i]) else "", look)
    return look


def _open_xml_cell(cell: Any, stored: Any, look: Look) -> None:
    place, value = (cell.row - 1, cell.column - 1), cell.value
    if getattr(cell, "comment", None):
        look.doubt(place, "comment", "", f"has the comment {' '.join(str(cell.comment.text).split())[:60]!r}")
    if value is None:
        return
    if cell.data_type == "f":
        look.formulas.add(place)
        if stored == "":
            look.instead[place] = "=" + str(getattr(value, "text", value)).lstrip("=")
        value = stored
    if cell.data_type == "e":
        look.instead[place] = str(value)
    font = cell.font
    if font is not None and font.strike:
        look.doubt(place, "struck", "", "is struck through")
    if font is not None and _unseen(font, cell):
        look.doubt(place, "white", "", "is written in the colour of its ground")
    if re.search(r"(?i)\[white\]", str(cell.number_format)):
        look.doubt(place, "white", "", f"has the number format {cell.number_format!r}, which writes in white")
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        _number(place, float(value), str(cell.number_format), look)
    elif not isinstance(value, str) and hasattr(value, "as_list"):
        _runs(place, value, look)


def _number(place: tuple[int, int], value: float, code: str, look: Look) -> None:
    shown = shown_number(value, code)
    if shown is None:
        look.doubt(place, "format", "", f"has the number format {code!r}, whose display is not known here")
    elif code.casefold() not in ("general", "@", ""):
        look.shown[place] = shown


def _runs(place: tuple[int, int], value: Any, look: Look) -> None:
    """Rich text: a struck, raised or lowered run is not part of a number."""
    for block in value:
        font = getattr(block, "font", None)
        if font is not None and font.strike:
            look.doubt(place, "struck", "", f"has {str(block.text)!r} struck through")
        elif font is not None and font.vertAlign in ("superscript", "subscript"):
            look.doubt(place, "raised", "", f"has {str(block.text)!r} raised or lowered")
        elif font is not None and _white(font):
            look.doubt(place, "white", "", f"has {str(block.text)!r} in white")


def _unseen(font: Any, cell: Any) -> bool:
    """Whether a cell is written in white on no fill, or in the colour of its fill."""
    if not _filled(cell):
        return _white(font)
    ground = cell.fill.fgColor
    return font.color is not None and ground is not None and font.color.type == ground.type and font.color.value == ground.value


def _white(font: Any) -> bool:
    colour = font.color
    return colour is not None and (str(colour.rgb).upper() in ("FFFFFFFF", "00FFFFFF")
                                   or (colour.type == "theme" and colour.theme == 0 and not colour.tint))


def _filled(cell: Any) -> bool:
    fill = cell.fill
    return fill is not None and fill.fill_type not in (None, "none")


def _old(data: bytes) -> dict[str, Look]:
    """The look of an XLS; where its formats cannot be read, that of the plain workbook."""
    import xlrd

    book = xlrd.open_workbook(file_contents=data, formatting_info=True, logfile=io.StringIO())
    out = {}
    for sheet in book.sheets():
        look = Look(state="visible" if sheet.visibility == 0 else "hidden")
        look.rows = {i for i, r in sheet.rowinfo_map.items() if r.hidden}
        look.columns = {i for i, c in sheet.colinfo_map.items() if c.hidden}
        look.merged = [(a, c, b - 1, d - 1) for a, b, c, d in sheet.merged_cells]
        for place, note in sheet.cell_note_map.items():
            look.doubt(place, "comment", "", f"has the comment {' '.join(note.text.split())[:60]!r}")
        for i in range(sheet.nrows):
            for k in range(sheet.row_len(i)):
                _old_cell(book, sheet, i, k, look)
        out[sheet.name] = look
    return out


def _old_cell(book: Any, sheet: Any, i: int, k: int, look: Look) -> None:
    cell = sheet.cell(i, k)
    if cell.ctype in (0, 6):
        return
    known = cell.xf_index is not None and cell.xf_index < len(book.xf_list)  # a file may have no formats at all
    form = book.xf_list[cell.xf_index] if known else None
    if cell.ctype == 5:
        look.instead[i, k] = "#ERROR"
    if form is None:
        return
    if book.font_list[form.font_index].struck_out:
        look.doubt((i, k), "struck", "", "is struck through")
    if cell.ctype == 2:
        code = book.format_map[form.format_key].format_str if form.format_key in book.format_map else "General"
        _number((i, k), float(cell.value), code, look)
    for _, font in sheet.rich_text_runlist_map.get((i, k), ()):
        if book.font_list[font].struck_out or book.font_list[font].escapement:
            look.doubt((i, k), "raised", "", "has a part struck through, raised or lowered")
