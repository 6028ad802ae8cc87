"""Controls: files that must simply be read, and harmless ways of writing them."""

from __future__ import annotations

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder
from tests.intake.labfiles.model import Cell, Row, text_cells
from tests.intake.labfiles.registry import kind


@kind("plain", "plain", True, "style", slots="")
def plain(b: Builder) -> None:
    """Nothing unusual."""


@kind("encoding utf-8 with mark", "plain", True, "style", containers=TEXT, slots="bytes")
def bom(b: Builder) -> None:
    """Excel's own UTF-8."""
    b.style.encoding = "utf-8-sig"
    b.style.declare.discard("encoding")


@kind("encoding utf-16", "plain", True, "style", containers=TEXT, slots="bytes")
def utf16(b: Builder) -> None:
    """Excel's "Unicode text"."""
    b.style.encoding = "utf-16"


@kind("encoding utf-16 without mark", "plain", False, "style", containers=TEXT, slots="bytes")
def utf16le(b: Builder) -> None:
    """No byte order mark."""
    b.style.encoding = b.rng.choice(["utf-16-le", "utf-16-be"])
    b.style.declare.discard("encoding")


@kind("encoding cp1252", "plain", True, "style", containers=TEXT, slots="bytes")
def cp1252(b: Builder) -> None:
    """A unit with a sign beyond ASCII."""
    b.style.encoding = "cp1252"
    b.analytes = ["KV40", "P", "Si"]


@kind("encoding utf-8 read as cp1252 and saved", "plain", False, "style", containers=TEXT, slots="bytes")
def mojibake(b: Builder) -> None:
    """mmÂ²/s."""
    wanted = [k for k, s in POOL.items() if s.scale in b.want_scales]
    b.analytes = list(dict.fromkeys(["KV40", "P", "Si", *wanted]))[:4]
    b.encode = lambda text: text.encode("utf-8").decode("cp1252", "replace").encode("utf-8")


@kind("lines end in CR LF", "plain", True, "style", containers=TEXT, slots="newline")
def crlf(b: Builder) -> None:
    """Windows."""
    b.style.newline = "\r\n"


@kind("lines end in CR alone", "plain", False, "style", containers=TEXT, slots="newline")
def cr_only(b: Builder) -> None:
    """Old Macintosh."""
    b.style.newline = "\r"


@kind("every cell quoted", "plain", True, "grid", containers=TEXT, slots="quotes")
def quoted(b: Builder) -> None:
    """Every cell between quotes."""
    for row in b.sheet.rows:
        for cell in row.cells:
            cell.quote = True


@kind("decimal comma quoted in comma file", "plain", True, "style", containers=("csv",), slots="quotes delimiter")
def quoted_comma(b: Builder) -> None:
    """A comma file with "9,8" in quotes."""
    b.style.decimal, b.style.delimiter = ",", ","


@kind("sep= line first", "plain", False, "grid", containers=("csv",), slots="top")
def sep_line(b: Builder) -> None:
    """The line that only Excel understands."""
    b.sheet.rows.insert(0, Row([], line=f"sep={b.style.delimiter}"))
    _shift(b, 1)


def _shift(b: Builder, by: int) -> None:
    b.header_line += by
    if "unit_row" in b.entry:
        b.entry["unit_row"] = int(str(b.entry["unit_row"])) + by
    b.sheet.merges[:] = [(top + by, left, bottom + by, right) for top, left, bottom, right in b.sheet.merges]


@kind("long preamble above the table", "plain", True, "grid", slots="top")
def preamble(b: Builder) -> None:
    """Address, order, contact."""
    lines = [
        text_cells("Laboratory Nordhafen"),
        text_cells("Order", "4711"),
        text_cells("Samples received", "2026-05-02"),
        text_cells(""),
    ]
    b.sheet.rows[:0] = lines
    _shift(b, len(lines))
    b.style.declare.add("header_row")


@kind("blank lines at the end", "plain", True, "grid", slots="bottom")
def blank_end(b: Builder) -> None:
    """Lines with delimiters only, and empty ones."""
    width = len(b.sheet.rows[b.header_line - 1].cells)
    b.sheet.rows += [text_cells(*[""] * width), text_cells("")]


@kind("blank line within the table", "plain", True, "grid", layouts=("long", "wide"), slots="rows")
def blank_within(b: Builder) -> None:
    """A line of space between two groups."""
    width = len(b.sheet.rows[b.header_line - 1].cells)
    b.sheet.rows.insert(len(b.sheet.rows) - (2 if b.style.footer else 1), text_cells(*[""] * width))


@kind("trailing delimiter on every line", "plain", True, "grid", containers=TEXT, slots="width")
def trailing(b: Builder) -> None:
    """An empty last column."""
    for row in b.sheet.rows:
        row.cells.append(Cell())


@kind("spaces around every cell", "plain", True, "grid", containers=TEXT, slots="padding")
def spaces(b: Builder) -> None:
    """Aligned by spaces beside the delimiter."""
    for row in b.sheet.rows[b.header_line - 1 :]:
        for cell in row.cells:
            if cell.text and not cell.text.startswith("End"):
                cell.text = f" {cell.text}  "


@kind("no-break spaces around numbers", "plain", True, "dets", slots="padding cell")
def nbsp(b: Builder) -> None:
    """From a web page."""
    for det in b.dets:
        b.text(det, f"\u00a0{b.number(det.value)}\u00a0")


@kind("numbers stored as text", "plain", True, "dets", containers=SPREAD, slots="cell")
def as_text(b: Builder) -> None:
    """The green triangles."""
    for det in b.dets:
        b.text(det, b.number(det.value))


@kind("empty first column and line", "plain", True, "grid", slots="top width")
def indent(b: Builder) -> None:
    """The table begins at B2."""
    if b.style.footer:
        b.style.footer = False
        b.sheet.rows = [r for r in b.sheet.rows if not (r.cells and r.cells[0].text == "End of report")]
    b.sheet.rows.insert(0, text_cells(""))
    for row in b.sheet.rows:
        row.cells.insert(0, Cell())
    _shift(b, 1)
    b.sheet.merges[:] = [(top, left + 1, bottom, right + 1) for top, left, bottom, right in b.sheet.merges]


@kind("sheet beside an empty one", "plain", True, "bytes", containers=SPREAD, slots="sheets")
def empty_sheet(b: Builder) -> None:
    """Sheet2, Sheet3 of old Excel."""
    from tests.intake.labfiles.model import Sheet

    b.book.sheets.append(Sheet("Sheet2", [text_cells("")]))


@kind("more digits stored than shown", "spreadsheet display", True, "dets", containers=SPREAD)
def more_digits(b: Builder) -> None:
    """Format 0.0, stored with more digits: rounding only."""
    from decimal import Decimal

    from tests.intake.labfiles.build import POOL

    for det in b.dets:
        places = POOL[det.analyte].places
        extra = Decimal(b.rng.randint(-4, 4)).scaleb(-places - 1)
        fmt = "0." + "0" * places if places else "0"
        det.truth.tolerance = Decimal(5).scaleb(-places - 1)
        det.cell = Cell(b.number(det.value), value=det.value + extra, fmt=fmt, truth=[det.truth])


@kind("binary rest in stored numbers", "spreadsheet display", True, "dets", containers=("xlsx",))
def binary_rest(b: Builder) -> None:
    """9.800000000000001 shown as 9.8."""
    from decimal import Decimal

    det = b.pick()
    det.cell = Cell(b.number(det.value), value=Decimal(repr(float(det.value) * (1 + 2.3e-16))), truth=[det.truth])
    det.truth.tolerance = Decimal("1e-9")
