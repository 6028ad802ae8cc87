"""Kinds as whole reports are laid out: certificates, statistics beside results, columns that decide, aligned text."""

from __future__ import annotations

from decimal import Decimal

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder
from tests.intake.labfiles.kinds_layout import LW, _shift_lines, data_rows, head
from tests.intake.labfiles.model import Cell, Row, Truth, text_cells
from tests.intake.labfiles.registry import add, kind

#: heading, what nearly all rows say, what one says; the row does not count, or not as it stands
DECIDING = (
    ("QC", "pass", "fail"), ("Valid", "TRUE", "FALSE"), ("Status", "F", "X"), ("Released", "Y", "N"), ("Dilution", "1", "5"),
    ("DF", "1", "2"), ("Vz", "", "BLQ"), ("Kz", "", "k"), ("Comment", "", "x 10"), ("Bemerkung", "i.O.", "verwechselt"),
    ("Type", "sample", "spiked"), ("Phase", "oil", "water"), ("Note", "ok", "leaking"), ("Flag", "", "U"),
    ("Approved", "MK", ""), ("Prep", "neat", "1+9"), ("Use", "+", "-"), ("Obs.", "clear", "annulé"), ("C", "", "<"),
    ("St", "A", "R"),
)
#: columns in which rows may differ and that say nothing of a result
HARMLESS_COLUMNS = (
    ("Analyst", ("MK", "JL")), ("Received", ("2026-05-02", "2026-05-03")), ("Lab no.", ("26-1188", "26-1189", "26-1190")),
    ("Instrument", ("ICP 1", "ICP 2")), ("Order", ("4711",)), ("Page", ("1", "2")),
)


def _column(b: Builder, heading: str, texts: list[str]) -> None:
    head(b).cells.append(Cell(heading))
    for row in b.sheet.rows[b.header_line :]:
        if len(row.cells) > 2:
            row.cells.append(Cell())
    for row, text in zip(data_rows(b), texts, strict=True):
        row.cells[-1] = Cell(text)


def _ignore(b: Builder, heading: str) -> None:
    b.later("map", lambda x: x.entry.__setitem__("ignore_columns", [*x.entry.get("ignore_columns", []), heading]))  # type: ignore[misc]


def _deciding(heading: str, usual: str, odd: str):  # type: ignore[no-untyped-def]
    def apply(b: Builder) -> None:
        rows = data_rows(b)
        at = b.rng.randrange(len(rows))
        _column(b, heading, [odd if i == at else usual for i in range(len(rows))])
        _ignore(b, heading)
        for cell in rows[at].cells:
            for truth in cell.truth:
                truth.is_result, truth.value, truth.agree = False, None, False

    return apply


for _heading, _usual, _odd in DECIDING:
    add(f"a column {_heading!r} says {_odd!r} once, {_usual!r} else, ignored by name", "columns that decide", False, "grid",
        _deciding(_heading, _usual, _odd), layouts=LW, slots="width remark rows")


def _harmless(heading: str, texts: tuple[str, ...]):  # type: ignore[no-untyped-def]
    def apply(b: Builder) -> None:
        _column(b, heading, [b.rng.choice(texts) for _ in data_rows(b)])
        _ignore(b, heading)

    return apply


for _heading, _texts in HARMLESS_COLUMNS:
    add(f"a column {_heading!r} of no matter, ignored by name", "columns that decide", True, "grid",
        _harmless(_heading, _texts), layouts=LW, slots="width rows")


@kind("a first column of line numbers without a heading", "columns that decide", True, "grid", containers=TEXT, layouts=LW,
      slots="width rows first")
def row_numbers(b: Builder) -> None:
    """As statistics programs write it."""
    for row in b.sheet.rows[b.header_line - 1 :]:
        if len(row.cells) > 1:
            row.cells.insert(0, Cell())
    for i, row in enumerate(data_rows(b), start=1):
        row.cells[0] = Cell(str(i))


@kind("a certificate's head: laboratory, client, order, dates, method, contact", "certificates", True, "grid", slots="top")
def certificate(b: Builder) -> None:
    """Words and their values above the table."""
    lines = [text_cells(*t) for t in (
        ("Certificate of analysis", ""), ("Laboratory", "Nordhafen, Hafenstrasse 12"), ("Client", "Invented lubricants"),
        ("Order", "4711"), ("Received", "2026-05-02"), ("Method", "in-house 12"), ("Contact", "lab@example.org"), ("", ""))]
    b.sheet.rows[:0] = lines
    _shift_lines(b, len(lines))
    b.style.declare.add("header_row")


@kind("signature, page and accreditation below the table", "certificates", True, "grid", slots="bottom")
def tail(b: Builder) -> None:
    """Plainly harmless lines."""
    b.sheet.rows += [text_cells(""), text_cells("Approved by: M. K., head of laboratory"), text_cells("Page 1 of 1"),
                     text_cells("The results relate only to the samples as received.")]


for _line in ("Results are not yet released", "Dilution 1:2 not taken into account", "All values x 10", "vorläufiger Bericht",
              "blank not subtracted", "Replaces report 117", "ENTWURF", "Viscosity measured at 50 °C"):
    def _above(b: Builder, line: str = _line) -> None:
        b.sheet.rows[:0] = [text_cells("Report of analysis"), text_cells(line)]
        _shift_lines(b, 2)
        for det in b.dets:
            if "Viscosity" not in line or det.analyte == "KV40":
                b.not_result(det, "the line above changes it")
        b.doubt()

    add(f"a line above: {_line}", "certificates", False, "grid", _above, slots="top")


@kind("a row of methods between headings and units", "certificates", True, "grid", layouts=("wide",),
      slots="heading top unitrow")
def method_row(b: Builder) -> None:
    """The mapping names the unit row; the methods stand between."""
    if b.style.unit_place != "row":
        return
    at = b.header_line
    b.sheet.rows.insert(at, text_cells("", *("in-house 12" for _ in b.analytes), *("" for _ in b.style.meta)))
    b.entry["unit_row"] = at + 2


@kind("a row of detection limits below the headings", "certificates", False, "grid", layouts=("wide",), slots="rows")
def limit_row(b: Builder) -> None:
    """Named, since it is no sample."""
    first = b.sheet.rows.index(data_rows(b)[0])
    cells = [b.number_cell((POOL[k].nominal / 10).quantize(Decimal("0.01"))) for k in b.analytes]
    b.sheet.rows.insert(first, Row([Cell("LOQ"), *cells, *(Cell() for _ in b.style.meta)]))
    b.case_doubt = True


@kind("uncertainty beside each analyte, ignored by name", "certificates", True, "grid", layouts=("wide",),
      slots="width heading")
def uncertainties(b: Builder) -> None:
    """Si, U(Si), P, U(P)."""
    for n, key in enumerate(b.analytes):
        at = 2 + 2 * n
        name = f"U {key} (k=2)"
        head(b).cells.insert(at, Cell(name))
        for row in b.sheet.rows[b.header_line :]:
            if len(row.cells) > at - 1 and len(row.cells) > 2:
                row.cells.insert(at, Cell())
        for row in data_rows(b):
            half = (POOL[key].nominal / 20).quantize(Decimal("0.01"))
            row.cells[at] = b.number_cell(half + b.rng.randint(0, 9) * Decimal("0.01"))
        _ignore(b, name)


@kind("two determinations and their mean in columns, the mean ignored by name", "certificates", True, "grid",
      layouts=("wide",), slots="width heading runs cell")
def mean_column(b: Builder) -> None:
    """Si 1, Si 2, Si mean."""
    key = b.analytes[0]
    name = head(b).cells[1].text
    second, mean = f"{key} second", f"{key} mean"
    unit = name[name.index(" [") :] if " [" in name else ""
    head(b).cells[2:2] = [Cell(second + unit), Cell(mean + unit)]
    for row in b.sheet.rows[b.header_line :]:
        if len(row.cells) > 2:
            row.cells[2:2] = [Cell(row.cells[1].text) if row not in data_rows(b) else Cell(), Cell()]
    for row in data_rows(b):
        truth = row.cells[1].truth[0]
        value = (truth.value or Decimal(1)) + Decimal(1).scaleb(-POOL[key].places)
        new = Truth(truth.sample, truth.analyte, value, truth.unit, agree=truth.agree)
        row.cells[2] = b.number_cell(value, new)
        row.cells[3] = b.number_cell((value + (truth.value or Decimal(1))) / 2)
    b.later("map", lambda x: x.maps["analytes"].__setitem__(second + unit, {"analyte": key, "replicate": 2}))
    _ignore(b, mean + unit)


@kind("two determinations and their mean on lines, told by nothing", "certificates", False, "dets", layouts=LW,
      slots="runs repeats cell")
def mean_line(b: Builder) -> None:
    """The third line of each sample is the mean."""
    out = []
    for det in b.dets:
        step = Decimal(1).scaleb(-POOL[det.analyte].places)
        second, mean = b.new_det(det.sample, det.analyte), b.new_det(det.sample, det.analyte)
        second.value = second.truth.value = det.value + 3 * step
        second.cell = b.number_cell(second.value, second.truth)
        mean.value = (det.value + second.value) / 2
        mean.cell = b.number_cell(mean.value, mean.truth)
        second.replicate, mean.replicate = 2, 3
        b.not_result(mean, "the mean of two")
        out += [det, second, mean]
    b.dets[:] = out
    b.entry["replicates"] = "in order"
    b.doubt()


@kind("columns aligned by spaces, right-hand numbers", "aligned", True, "grid", containers=("txt",),
      slots="bytes quotes delimiter cell width rows top bottom")
def aligned(b: Builder) -> None:
    """A printed table: text to the left, numbers to the right, a ruled line below the headings."""
    rows = [r for r in b.sheet.rows if len(r.cells) > 1]
    widths = [max(len(r.cells[i].text) if i < len(r.cells) else 0 for r in rows) for i in range(len(head(b).cells))]
    numbers = {i for r in data_rows(b) for i, c in enumerate(r.cells) if c.truth}
    for row in b.sheet.rows:
        pairs = enumerate(zip(row.cells, widths, strict=False))
        cells = [c.text.rjust(w) if i in numbers else c.text.ljust(w) for i, (c, w) in pairs]
        row.line = "   ".join(cells).rstrip() if len(row.cells) > 1 else row.cells[0].text if row.cells else ""
    b.style.declare.discard("delimiter")
    b.style.declare.add("blank")


@kind("units in the cells alone", "unit in the cell", True, "grid", layouts=LW, slots="cell units heading")
def units_in_cells(b: Builder) -> None:
    """12.3 mg/kg, and no unit elsewhere."""
    if b.style.unit_place != "mapping":
        return
    for det in b.dets:
        det.cell.text, det.cell.value = f"{det.cell.text} {det.unit}", None
    b.later("map", lambda x: x.maps["units"].clear())


for _spelt in ("PPM", "MG/KG", "UG/G"):
    def _capitals(b: Builder, spelt: str = _spelt) -> None:
        for det in b.dets:
            if POOL[det.analyte].unit == "mg/kg":
                det.unit_text = spelt

    add(f"unit in capitals {_spelt}", "units", True, "dets", _capitals, slots="unit")


@kind("a sheet's name says it does not count", "sheets", False, "grid", containers=SPREAD, slots="sheets")
def sheet_name(b: Builder) -> None:
    """The only sheet is called so."""
    b.sheet.name = b.rng.choice(["withdrawn", "Entwurf", "DRAFT", "superseded 4 May", "do not use"])
    for det in b.dets:
        b.not_result(det)
    b.doubt()
