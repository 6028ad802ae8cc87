"""How the cells of a spreadsheet look to a reader: by openpyxl for XLSX, xlrd for XLS, `odscells` for ODS."""

from __future__ import annotations

import io
import re
import struct
import warnings
import zipfile
from html import unescape
from typing import Any

from studykit.intake.cellmodel import UNDER_A_CONDITION, Look, Place
from studykit.intake.coloured import ask_coloured
from studykit.intake.drawn import Area, drawn_over
from studykit.intake.numberformat import shown_number
from studykit.intake.odscells import open_document_looks
from studykit.intake.olddrawn import drawn_over_old

MOST_DRAWN = 500
LEAST = 3.0
NARROWEST = 1.0
"""Rows lower than so many points, and columns narrower than so many digits, are not seen."""
SMALLEST = 4.0
"""Smaller letters (points) are not seen."""
PALEST = 232
"""Letters whose red, green and blue are all above this on white paper are not seen."""
_CODES = re.compile(r'&"[^"]*"|&[0-9]{1,3}|&[A-Za-z]|&&')
"""Codes in a print header: font, size, place, page and the like."""
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
    about = book.properties
    boxes = [*_text_boxes(data), *(("document title", t) for t in (about.title, about.subject, about.contentStatus) if t)]
    found = {sheet.title: _open_xml_sheet(sheet, stored.get(sheet.title, [])) for sheet in book.worksheets}
    for look in found.values():
        look.around += boxes
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for title, areas in drawn_over(archive).items():
            _covered(found.get(title, Look()), areas, stored.get(title, []))
    return found


def _covered(look: Look, areas: list[tuple[Area, str]], values: list[list[Any]]) -> None:
    """Cells over which something is drawn: a line may cross them out, a picture may hide them.

    Of more than ``MOST_DRAWN`` things all that lies between them is taken to be covered.
    """
    if len(areas) > MOST_DRAWN:
        corners = [area for area, _ in areas]
        areas = [((min(c[0] for c in corners), min(c[1] for c in corners), max(c[2] for c in corners),
                   max(c[3] for c in corners)), "many drawings")]
    for (top, left, bottom, right), what in areas:
        for i in range(top, min(bottom + 1, len(values))):
            for k in range(left, min(right + 1, len(values[i]))):
                if values[i][k] not in ("", None):
                    look.doubt((i, k), "struck", "", f"lies under {what}")


def _text_boxes(data: bytes) -> list[tuple[str, str]]:
    """The texts of the drawings of a package, a paragraph each; the library at hand keeps no shapes."""
    out = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        for part in archive.namelist():
            if re.fullmatch(r"(?i).*/drawings/[^/]+\.xml", part):
                for lines in re.findall(r"(?s)<a:p\b[^>]*>(.*?)</a:p>", archive.read(part).decode("utf-8", "replace")):
                    text = unescape("".join(re.findall(r"<a:t\b[^>]*>([^<]*)</a:t>", lines))).strip()
                    out += [("text box", text)] if text else []
    return out


def _print_lines(sheet: Any) -> list[tuple[str, str]]:
    """The texts of print headers and footers."""
    places = [f"{page}{side}" for side in ("Header", "Footer") for page in ("odd", "even", "first")]
    texts = ((p, getattr(getattr(sheet, p, None), at, None)) for p in places for at in ("left", "center", "right"))
    return [("print header" if p.endswith("Header") else "print footer", part.text.strip())
            for p, part in texts if part is not None and (part.text or "").strip()]


def _open_xml_sheet(sheet: Any, values: list[list[Any]]) -> Look:
    look = Look(state="visible" if sheet.sheet_state == "visible" else "hidden")
    unless_said = bool(sheet.sheet_format.zeroHeight)
    look.rows = {n - 1 for n, d in sheet.row_dimensions.items() if d.hidden or (d.height is not None and d.height < LEAST)}
    if unless_said:
        shown = {n - 1 for n, d in sheet.row_dimensions.items() if d.height}
        look.rows |= set(range(len(values))) - shown
    for dimension in sheet.column_dimensions.values():
        if dimension.hidden or (dimension.width is not None and dimension.width < NARROWEST):
            look.columns |= set(range((dimension.min or 1) - 1, min(dimension.max or 1, 2_000)))
    look.merged = [(r.min_row - 1, r.min_col - 1, r.max_row - 1, r.max_col - 1) for r in sheet.merged_cells.ranges]
    look.around = _print_lines(sheet)
    _conditions(sheet, look)
    colours: dict[Place, Any] = {}
    known: dict[tuple[int, int], Any] = {}
    for row in sheet.iter_rows():
        for cell in row:
            if cell.value is not None or getattr(cell, "comment", None):
                i, k = cell.row - 1, cell.column - 1
                _open_xml_cell(cell, values[i][k] if i < len(values) and k < len(values[i]) else "", look)
                style = (cell._style.fontId, cell._style.fillId)
                if style not in known:
                    known[style] = _colours(cell)
                colours[i, k] = known[style]
    if len(set(known.values())) > 1:
        ask_coloured(look, colours, {(i, k): str(v) for i, row in enumerate(values) for k, v in enumerate(row)})
    return look


def _colours(cell: Any) -> tuple[Any, Any] | None:
    """What tells the colours of a cell's ground and letters; None for black on paper."""
    def told(colour: Any) -> Any:
        if colour is None or (colour.type == "theme" and colour.theme == 1 and not colour.tint):
            return None
        found = _rgb(colour)
        return None if found == (0, 0, 0) or (colour.type == "indexed" and colour.indexed >= 64) else found or (
            colour.type, colour.value, colour.tint)

    ground = told(cell.fill.fgColor) if _filled(cell) else None
    letters = told(cell.font.color) if cell.font is not None else None
    return None if ground in (None, (255, 255, 255)) and letters is None else (ground, letters)


def _conditions(sheet: Any, look: Look) -> None:
    """Cells whose display depends on a condition: another number format, white or struck digits, or no digits at all."""
    for area in sheet.conditional_formatting:
        for rule in area.rules:
            bars = [b for b in (rule.dataBar, rule.iconSet) if b is not None and b.showValue is False]
            font = rule.dxf.font if rule.dxf else None
            if bars or (rule.dxf and rule.dxf.numFmt) or (font is not None and (font.strike or _white(font))):
                for part in area.sqref.ranges:
                    for i in range(part.min_row - 1, min(part.max_row, sheet.max_row)):
                        for k in range(part.min_col - 1, min(part.max_col, sheet.max_column)):
                            look.doubt((i, k), "format", "", UNDER_A_CONDITION)


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
    if (font is not None and font.strike) or _crossed(cell):
        look.doubt(place, "struck", "", "is struck through")
    if font is not None and font.sz is not None and font.sz < SMALLEST:
        look.doubt(place, "white", "", f"is written in letters of {font.sz:g} points")
    if font is not None and _unseen(font, cell):
        look.doubt(place, "white", "", "is written in the colour of its background")
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
    ink, paper = (_rgb(c) if c is not None else None for c in (font.color, ground))
    if ink is not None and paper is not None:
        return max(abs(a - b) for a, b in zip(ink, paper, strict=True)) < 256 - PALEST
    return font.color is not None and ground is not None and font.color.type == ground.type and font.color.value == ground.value


def _crossed(cell: Any) -> bool:
    """Whether diagonal lines cross a cell out."""
    border = cell.border
    return bool(border is not None and (border.diagonalUp or border.diagonalDown) and border.diagonal
                and border.diagonal.style)


def _white(font: Any) -> bool:
    colour = font.color
    if colour is None:
        return False
    if colour.type == "theme":
        return bool(colour.theme == 0 and (colour.tint or 0) > -0.05) or (colour.theme == 1 and (colour.tint or 0) > 0.9)
    found = _rgb(colour)
    return found is not None and min(found) > PALEST


def _rgb(colour: Any) -> tuple[int, ...] | None:
    """Red, green and blue of a colour; None for a theme's."""
    from openpyxl.styles.colors import COLOR_INDEX

    text = str(colour.rgb) if colour.type == "rgb" else (
        COLOR_INDEX[colour.indexed] if colour.type == "indexed" and colour.indexed < len(COLOR_INDEX) else "")
    return tuple(int(text[i:i + 2], 16) for i in (2, 4, 6)) if re.fullmatch("[0-9A-Fa-f]{8}", text) else None


def _filled(cell: Any) -> bool:
    fill = cell.fill
    return fill is not None and fill.fill_type not in (None, "none")


def _old(data: bytes) -> dict[str, Look]:
    """The look of an XLS; where its formats cannot be read, that of the plain workbook."""
    import xlrd

    book = xlrd.open_workbook(file_contents=data, formatting_info=True, logfile=io.StringIO())
    stream = _old_stream(data)
    out, around = {}, _old_print_lines(stream)
    drawn = drawn_over_old(stream)
    for n, sheet in enumerate(book.sheets()):
        look = Look(around=around, state="visible" if sheet.visibility == 0 else "hidden")
        look.rows = {i for i, r in sheet.rowinfo_map.items() if r.hidden or r.height == 0}
        look.columns = {i for i, c in sheet.colinfo_map.items() if c.hidden or c.width == 0}
        look.merged = [(a, c, b - 1, d - 1) for a, b, c, d in sheet.merged_cells]
        for place, note in sheet.cell_note_map.items():
            look.doubt(place, "comment", "", f"has the comment {' '.join(note.text.split())[:60]!r}")
        colours: dict[Place, Any] = {}
        for i in range(sheet.nrows):
            for k in range(sheet.row_len(i)):
                _old_cell(book, sheet, i, k, look)
                colours |= _old_colours(book, sheet.cell(i, k), (i, k))
        if len(set(colours.values())) > 1:
            ask_coloured(look, colours, {(i, k): str(sheet.cell_value(i, k)) for i, k in colours})
        if n < len(drawn) and drawn[n]:
            _covered(look, drawn[n], [sheet.row_values(i) for i in range(sheet.nrows)])
        out[sheet.name] = look
    return out


def _old_colours(book: Any, cell: Any, place: Place) -> dict[Place, Any]:
    """What tells the colours of a cell that holds something; None for black on paper ([MS-XLS] 2.5.161: 8 and 32767)."""
    if cell.ctype in (0, 6) or cell.xf_index is None or cell.xf_index >= len(book.xf_list):
        return {}
    form = book.xf_list[cell.xf_index]
    ground = form.background.pattern_colour_index if form.background.fill_pattern else None
    letters = book.font_list[form.font_index].colour_index
    black = letters in (8, 0, 32767) or book.colour_map.get(letters) == (0, 0, 0)
    return {place: None if ground in (None, 9, 64) and black else (ground, None if black else letters)}


def _old_stream(data: bytes) -> bytes:
    """The stream of records of an XLS; nothing where there is none."""
    from xlrd import compdoc

    places = compdoc.CompDoc(data, logfile=io.StringIO()) if data.startswith(compdoc.SIGNATURE) else None
    found = [places.locate_named_stream(n) for n in ("Workbook", "Book")] if places else []
    return next((bytes(m[b:b + size]) for m, b, size in found if m), b"")


def _old_print_lines(stream: bytes) -> list[tuple[str, str]]:
    """The texts of print headers and footers of all sheets of an XLS ([MS-XLS] 2.4.136 and 2.4.124)."""
    at, out = 0, dict[tuple[str, str], None]()
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        if kind in (0x14, 0x15):
            text = " ".join(_CODES.sub(" ", _old_text(stream[at + 4:at + 4 + length])).split())
            out |= {("print header" if kind == 0x14 else "print footer", text): None} if text else {}
        at += 4 + length
    return list(out)


def _old_text(data: bytes) -> str:
    """A text of an XLS file as it stands in a record: of version 8 with its width, of an older one in bytes."""
    if len(data) > 3 and data[2] in (0, 1) and len(data) == 3 + struct.unpack_from("<H", data)[0] * (1 + data[2]):
        return data[3:].decode("utf-16-le" if data[2] else "latin-1", "replace")
    return data[1:].decode("latin-1", "replace")


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
    font = book.font_list[form.font_index]
    border = form.border
    if font.struck_out or ((border.diag_up or border.diag_down) and border.diag_line_style):
        look.doubt((i, k), "struck", "", "is struck through")
    if book.colour_map.get(font.colour_index) == (255, 255, 255) and form.background.fill_pattern == 0:
        look.doubt((i, k), "white", "", "is written in the colour of its background")
    if cell.ctype == 2:
        code = book.format_map[form.format_key].format_str if form.format_key in book.format_map else "General"
        _number((i, k), float(cell.value), code, look)
    for _, font in sheet.rich_text_runlist_map.get((i, k), ()):
        if book.font_list[font].struck_out or book.font_list[font].escapement:
            look.doubt((i, k), "raised", "", "has a part struck through, raised or lowered")
