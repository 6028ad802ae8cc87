"""Further kinds: replicates in columns, blocks, limit columns, cut files, doubled files, odd headings."""

from __future__ import annotations

from copy import deepcopy
from decimal import Decimal

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder
from tests.intake.labfiles.kinds_layout import LW, _shift_lines, data_rows, head
from tests.intake.labfiles.model import Cell, Row, Sheet, Truth, text_cells
from tests.intake.labfiles.registry import kind


def _columns_twice(b: Builder) -> str:
    """A second determination of the first analyte in a column of its own; gives its heading."""
    name = head(b).cells[1].text
    second = name.replace(" [", " 2 [") if " [" in name else name + " 2"
    head(b).cells.insert(2, Cell(second))
    if "unit_row" in b.entry:
        units = b.sheet.rows[int(str(b.entry["unit_row"])) - 1]
        units.cells.insert(2, Cell(units.cells[1].text))
    for row in data_rows(b):
        truth = row.cells[1].truth[0]
        value = (truth.value or Decimal(1)) + Decimal(1).scaleb(-POOL[truth.analyte].places)
        new = Truth(truth.sample, truth.analyte, value, truth.unit, agree=truth.agree)
        row.cells.insert(2, b.number_cell(value, new))
    return second


@kind("replicates in columns, both mapped", "repeats", True, "grid", layouts=("wide",), slots="width heading runs")
def replicate_columns(b: Builder) -> None:
    """Si and Si 2."""
    second = _columns_twice(b)
    key = b.analytes[0]
    b.later("map", lambda x: x.maps["analytes"].__setitem__(second, {"analyte": key, "replicate": 2}))


@kind(
    "replicates in columns, the second overlooked, ignore *",
    "headings",
    False,
    "grid",
    layouts=("wide",),
    slots="width heading runs",
)
def replicate_overlooked(b: Builder) -> None:
    """The user mapped the first only; both are meant."""
    _columns_twice(b)
    b.style.declare.add("star")
    b.case_doubt = True


@kind("analyte overlooked by the mapping, ignore *", "headings", False, "grid", layouts=("wide",), slots="heading")
def overlooked(b: Builder) -> None:
    """A heading of the study's analyte under another name, not mapped."""
    b.style.declare.add("star")
    key = b.analytes[-1]
    at = len(b.analytes)
    written = head(b).cells[at].text
    head(b).cells[at].text = POOL[key].long + " content" + (written[written.index(" [") :] if " [" in written else "")
    b.later("map", lambda x: None)
    b.case_doubt = True


@kind(
    "two blocks under their own headings, blocks declared",
    "two reports",
    True,
    "grid",
    layouts=("wide",),
    slots="rows",
)
def blocks(b: Builder) -> None:
    """The same headings again after a blank line."""
    rows = data_rows(b)
    at = b.sheet.rows.index(rows[len(rows) // 2])
    lines = [text_cells(""), deepcopy(head(b))]
    if "unit_row" in b.entry:
        lines.append(deepcopy(b.sheet.rows[int(str(b.entry["unit_row"])) - 1]))
    b.sheet.rows[at:at] = lines
    b.entry["blocks"] = True


@kind("limit column behind n.d.", "limits", True, "dets", layouts=("long",), slots="cell qualifier", scales=("ones",))
def limit_column(b: Builder) -> None:
    """n.d. with 2 in the column Limit."""
    det = b.pick("ones")
    limit = (POOL[det.analyte].nominal / 2).quantize(Decimal("0.1")) + Decimal("0.05")
    b.text(det, "n.d.")
    det.truth.value, det.truth.qualifier = limit, "<"

    def grid(b: Builder) -> None:
        head(b).cells.insert(3, Cell("LOQ"))
        for row in data_rows(b):
            mine = row.cells[2].truth[0] is det.truth
            row.cells.insert(3, b.number_cell(limit) if mine else Cell())
        b.columns["limit"] = "LOQ"

    b.later("grid", grid)


@kind(
    "qualifier column in a wide file, mapped",
    "limits",
    True,
    "grid",
    layouts=("wide",),
    slots="cell qualifier width heading",
)
def wide_qualifier(b: Builder) -> None:
    """Si flag beside Si."""
    chosen = b.rng.choice(data_rows(b))
    name = head(b).cells[1].text
    for row in b.sheet.rows[b.header_line - 1 :]:
        if len(row.cells) >= 2:
            row.cells.insert(1, Cell("Flag 1" if row is head(b) else "<" if row is chosen else ""))
    for truth in chosen.cells[2].truth:
        truth.qualifier = "<"
    key = b.analytes[0]
    b.later("map", lambda x: x.maps["analytes"].__setitem__(name, {"analyte": key, "qualifier": "Flag 1"}))


@kind("blank means below limit, declared", "blank", True, "dets", layouts=("wide",), slots="cell blank",
      scales=("ones",))
def blank_below(b: Builder) -> None:
    """blank = "below limit" with a limit in study.toml."""
    det = b.pick("ones")
    b.text(det, "")
    limit = (POOL[det.analyte].nominal / 2).quantize(Decimal("0.1"))
    det.truth.value, det.truth.qualifier = limit, "<"
    b.study[det.analyte]["limit"] = float(limit)
    b.style.declare.discard("blank")
    b.entry["blank"] = "below limit"


@kind("mg/L with the density declared", "units", True, "dets", layouts=("wide",), slots="unit cell heading",
      scales=("hundreds",))
def volume_unit(b: Builder) -> None:
    """A mass a volume, 900 kg/m³."""
    b.style.unit_place = "header"
    b.entry["density_kg_m3"] = 900
    b.style.declare.add("decimal")
    for det in b.column("hundreds"):
        value = (det.truth.value or Decimal(1)) * Decimal("0.9")
        det.unit_text = "mg/L"
        det.cell = b.number_cell(value, det.truth)


@kind("5,000 digits in a cell", "number writing", False, "dets", slots="cell", scales=("hundreds",))
def many_digits(b: Builder) -> None:
    """A stuck key."""
    det = b.pick("hundreds")
    b.text(det, "3" * b.rng.choice([20, 400, 5000]))
    b.not_result(det)
    b.doubt(det)


@kind("a wide remark line above the headings, headings undeclared", "headings", True, "grid", layouts=LW, slots="top")
def remark_above(b: Builder) -> None:
    """As many cells as the headings."""
    b.sheet.rows.insert(
        b.header_line - 1, text_cells(*["see the order for the samples"] * 2, *[""] * (len(head(b).cells) - 2))
    )
    _shift_lines(b, 1)
    b.style.declare.discard("header_row")


@kind("headings with line breaks", "headings", False, "grid", layouts=("wide",), slots="heading unit")
def wrapped_heading(b: Builder) -> None:
    """Si, a line break, [mg/kg]; the user wrote a space."""
    for cell in head(b).cells[1:]:
        cell.text = cell.text.replace(" ", "\n", 1)


@kind(
    "file cut in the middle of its last number",
    "cut or doubled",
    False,
    "bytes",
    containers=TEXT,
    layouts=("long",),
    slots="bytes",
)
def cut(b: Builder) -> None:
    """The transfer broke; the last line has fewer cells or a shorter number."""
    from tests.intake.labfiles.writers import text_file

    b.style.footer = False
    rows = data_rows(b)
    last = rows[-1]
    b.sheet.rows = b.sheet.rows[: b.sheet.rows.index(last) + 1]
    text = text_file(b.sheet, b.style.delimiter, b.style.newline)
    before = b.style.delimiter.join(c.text for c in last.cells[:2])
    at = text.rindex(before) + len(before) + 1 + max(1, len(last.cells[2].text) - 2)
    for truth in last.cells[2].truth:
        truth.is_result, truth.value, truth.agree = False, None, False
    encoding = b.style.encoding
    b.encode = lambda _: text[:at].encode(encoding)


@kind("file cut, footer declared", "cut or doubled", False, "grid", layouts=LW, slots="bytes bottom rows")
def cut_footer(b: Builder) -> None:
    """The last lines and the footer are missing."""
    if not b.style.footer:
        b.sheet.rows.append(text_cells("End of report"))
    b.style.footer = True
    b.sheet.rows = b.sheet.rows[:-2]
    b.case_doubt = True


@kind("results below the footer", "cut or doubled", False, "grid", layouts=LW, slots="bottom rows")
def below_footer(b: Builder) -> None:
    """A late result was pasted below the end."""
    if not b.style.footer:
        b.sheet.rows.append(text_cells("End of report"))
    b.style.footer = True
    row = data_rows(b)[-1]
    b.sheet.rows = [r for r in b.sheet.rows if r is not row] + [row]
    b.case_doubt = True


@kind("the whole report twice in one file", "cut or doubled", False, "grid", layouts=LW, slots="rows bottom code")
def doubled(b: Builder) -> None:
    """Pasted twice, word for word."""
    again = deepcopy(b.sheet.rows[b.header_line - 1 :])
    for row in again:
        for cell in row.cells:
            cell.truth = []
    b.sheet.rows += again
    b.case_doubt = True


@kind(
    "byte order mark between two joined files",
    "cut or doubled",
    False,
    "grid",
    containers=TEXT,
    layouts=("long",),
    slots="rows bytes",
)
def joined(b: Builder) -> None:
    """Two files joined by copy /b."""
    rows = data_rows(b)
    row = rows[len(rows) // 2]
    row.cells[0].text = "\ufeff" + row.cells[0].text
    b.whole_agree = False


@kind(
    "columns with different decimal signs",
    "decimal sign",
    False,
    "grid",
    containers=("csv",),
    layouts=("wide",),
    slots="cell delimiter",
)
def two_signs(b: Builder) -> None:
    """Two instruments exported into one table."""
    b.style.delimiter = ";"
    other = "," if b.style.decimal == "." else "."
    for row in data_rows(b):
        row.cells[1].text = row.cells[1].text.replace(b.style.decimal, other)
    b.whole_agree = False


@kind(
    "lines of two analysts with different decimal signs",
    "decimal sign",
    False,
    "grid",
    containers=("csv",),
    layouts=LW,
    slots="cell delimiter",
)
def two_analysts(b: Builder) -> None:
    """The second half has the other sign."""
    b.style.delimiter = ";"
    other = "," if b.style.decimal == "." else "."
    rows = data_rows(b)
    for row in rows[len(rows) // 2 :]:
        for cell in row.cells:
            if cell.truth:
                cell.text = cell.text.replace(b.style.decimal, other)
    b.whole_agree = False


@kind("date column of real date cells", "dates", True, "grid", containers=("xlsx", "ods"), layouts=LW, slots="runs")
def date_cells(b: Builder) -> None:
    """Dates as spreadsheets store them."""
    if "date" not in b.style.meta:
        return
    at = next(i for i, c in enumerate(head(b).cells) if c.text == "Reported")
    for row in data_rows(b):
        row.cells[at] = Cell("2026-05-04", value=Decimal(46146), fmt="yyyy-mm-dd", kind="date")


@kind("unit row with one unit missing", "units", False, "grid", layouts=("wide",), slots="unit")
def unit_missing(b: Builder) -> None:
    """The first analyte has no unit."""
    b.case_doubt = True
    if "unit_row" in b.entry:
        b.sheet.rows[int(str(b.entry["unit_row"])) - 1].cells[1].text = ""
        for row in data_rows(b):
            for truth in row.cells[1].truth:
                truth.is_result, truth.value = False, None


@kind("unit row shifted by one column", "units", False, "grid", layouts=("wide",), slots="unit")
def unit_shifted(b: Builder) -> None:
    """Units stand one column too far left."""
    b.case_doubt = True
    if "unit_row" in b.entry:
        cells = b.sheet.rows[int(str(b.entry["unit_row"])) - 1].cells
        cells.append(cells.pop(0))
        units = [c.text for c in cells[1 : 1 + len(b.analytes)]]
        for i, key in enumerate(b.analytes):
            if units[i] != POOL[key].unit:
                for row in data_rows(b):
                    for truth in row.cells[i + 1].truth:
                        truth.is_result, truth.value = False, None


@kind("transposed file, mapped as wide", "headings", False, "style", layouts=("wide",), slots="heading rows")
def transposed(b: Builder) -> None:
    """The laboratory turned the table; the mapping is last month's."""
    b.style.meta = ()

    def grid(b: Builder) -> None:
        start = b.header_line - 1
        table = [r for r in b.sheet.rows[start:] if len(r.cells) > 1]
        rest = [r for r in b.sheet.rows[start:] if len(r.cells) <= 1]
        width = max(len(r.cells) for r in table)
        b.sheet.rows[start:] = [
            Row([r.cells[i] if i < len(r.cells) else Cell() for r in table]) for i in range(width)
        ] + rest

    b.later("grid", grid)
    b.case_doubt = True


@kind(
    "sheet of last month beside, same bottles, header undeclared",
    "sheets",
    False,
    "grid",
    containers=SPREAD,
    layouts=("wide",),
    slots="sheets",
)
def last_month(b: Builder) -> None:
    """The first sheet is an older version; the second, named final, counts."""
    old = deepcopy(b.sheet)
    old.name, b.sheet.name = "draft", "final"
    for row in old.rows:
        for cell in row.cells:
            if cell.truth and cell.value is not None:
                cell.value += Decimal(2).scaleb(-POOL[cell.truth[0].analyte].places)
                cell.text = b.number(cell.value)
            cell.truth = []
    b.book.sheets = [old, b.sheet]
    b.case_doubt = True


@kind("sheet named in the mapping, another beside", "sheets", True, "grid", containers=SPREAD, slots="sheets")
def named_sheet(b: Builder) -> None:
    """sheet = "final"."""
    last_month(b)
    b.case_doubt = False
    b.entry["sheet"] = "final"


@kind("file name that is not UTF-8", "odd names", False, "map", containers=("csv",), slots="name")
def odd_file_name(b: Builder) -> None:
    """Named on an old machine."""
    b.file_name = b.file_name.replace("report_", "pr\udcfcfung_")
    b.entry["pattern"] = "pr*.csv"


@kind("code that looks like a path", "odd names", False, "style", slots="code", layouts=LW)
def path_code(b: Builder) -> None:
    """../../x."""
    b.codes = ["../../x", "K72PX", "H20AC", "L31CD"]
    b.later("dets", lambda x: x.doubt())


_ = Sheet
