"""Kinds that another reader of the promise found: two marks in a cell, colours, units exchanged, lines left out, errata."""

from __future__ import annotations

from decimal import Decimal

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder
from tests.intake.labfiles.kinds_layout import LW, data_rows, head
from tests.intake.labfiles.model import Cell, Row, text_cells
from tests.intake.labfiles.registry import add, kind

ONE = Decimal(1)


def _undo(b: Builder, row: Row) -> None:
    for cell in row.cells:
        for truth in cell.truth:
            truth.is_result, truth.value, truth.agree = False, None, False


@kind("struck number with a comment, comments marked as counting", "two marks", False, "dets", containers=SPREAD)
def struck_and_commented(b: Builder) -> None:
    """The comment counts for nothing; the line through the number does."""
    det = b.pick()
    det.cell.strike, det.cell.comment = True, "second reading"
    b.not_result(det)
    b.doubt(det)
    b.entry["marked"] = {"comment": "comments are harmless, laboratory 4 May"}


@kind("struck number in a filtered line, filtered lines marked as counting", "two marks", False, "grid", containers=SPREAD,
      layouts=LW, slots="rows cell")
def struck_and_filtered(b: Builder) -> None:
    """The filter is harmless; the line through the number is not."""
    row = b.rng.choice(data_rows(b))
    row.filtered = True
    for cell in row.cells:
        for truth in cell.truth:
            truth.agree = False
    cell = b.rng.choice([c for c in row.cells if c.truth])
    cell.strike = True
    for truth in cell.truth:
        truth.is_result, truth.value = False, None
    b.entry["marked"] = {"hidden": "the filter is harmless, laboratory 4 May"}


for _what, _line in (("number", False), ("line", True)):
    for _colour in ("ground", "letters"):
        def _coloured(b: Builder, colour: str = _colour, line: bool = _line) -> None:
            row = b.rng.choice(data_rows(b))
            cells = row.cells if line else [b.rng.choice([c for c in row.cells if c.truth])]
            for cell in cells:
                cell.colour = colour
                for truth in cell.truth:
                    truth.is_result, truth.value, truth.agree = False, None, False

        add(f"one {_what} with {_colour} of another colour", "colours", False, "grid", _coloured, containers=SPREAD, layouts=LW,
            slots="rows cell runs remark")


@kind("every other line on coloured ground", "colours", True, "grid", containers=SPREAD, layouts=LW, slots="rows cell")
def striped(b: Builder) -> None:
    """Stripes for the eye say nothing."""
    for row in data_rows(b)[::2]:
        for cell in row.cells:
            cell.colour = "ground"


@kind("headings on coloured ground", "colours", True, "grid", containers=SPREAD, slots="rows cell")
def coloured_heads(b: Builder) -> None:
    """As most laboratories have them."""
    for cell in head(b).cells:
        cell.colour = "ground"


@kind("a scatter under the code of each bottle, in order", "group rows", False, "grid", layouts=("wide",),
      slots="rows runs repeats cell")
def scatters_in_order(b: Builder) -> None:
    """Nothing but its size tells it, and of one analyte not even that."""
    for row in data_rows(b):
        at = next(i for i, r in enumerate(b.sheet.rows) if r is row)
        cells = [Cell(row.cells[0].text), *(Cell() for _ in row.cells[1:])]
        for k, cell in enumerate(row.cells):
            if cell.truth:
                base = POOL[cell.truth[0].analyte].nominal
                value = base if k == 1 else base / 11
                cells[k] = b.number_cell(value.quantize(ONE.scaleb(-POOL[cell.truth[0].analyte].places)))
        b.sheet.rows.insert(at + 1, Row(cells))
    b.later("map", lambda x: x.entry.__setitem__("replicates", "in order"))
    b.case_doubt = True


@kind("a column of numbers that a spreadsheet took for days, 17.06 for 17.6", "clerks", False, "dets",
      slots="cell runs repeats")
def days_for_numbers(b: Builder) -> None:
    """Every number of the column."""
    b.sample_count = max(b.sample_count, 6)
    key = b.analytes[0]
    for n, det in enumerate(d for d in b.dets if d.analyte == key):
        text = f"{9 + 2 * n}.{1 + n % 9:02d}"
        det.cell = Cell(text.replace(".", b.style.decimal), truth=det.cell.truth)
        if not b.is_text:
            det.cell.value = Decimal(text)
        b.not_result(det, "a day and a month")
    b.doubt()


@kind("units of two columns exchanged in their row", "units", False, "dets", layouts=("wide",), slots="unit unitrow heading",
      scales=("hundreds", "thousands"))
def exchanged_units(b: Builder) -> None:
    """% above mg/kg, and mg/kg above %: one column cannot be in its unit, the other may."""
    b.style.unit_place = "row"
    small = next(k for k in b.analytes if POOL[k].scale == "hundreds")
    large = next(k for k in b.analytes if POOL[k].scale == "thousands")
    for det in b.dets:
        if det.analyte == small:
            share = (det.value / 10000).quantize(Decimal("0.0001"))
            det.cell = b.number_cell(share, *det.cell.truth)
        if det.analyte == large:
            det.unit_text = "% m/m"
        if det.analyte in (small, large):
            b.not_result(det)
    b.doubt()


@kind("a mean of other lines under the code of the last bottle, written finer", "group rows", False, "grid",
      layouts=("wide",), slots="rows runs repeats cell")
def finer_mean(b: Builder) -> None:
    """Between the others in every column, and no mean of what the file has."""
    rows = data_rows(b)
    keys = {i: c.truth[0].analyte for i, c in enumerate(rows[0].cells) if c.truth}
    if len(rows) < 5 or len(keys) < 2:
        return
    for i, key in keys.items():
        step = ONE.scaleb(-POOL[key].places)
        for n, row in enumerate(rows):
            value = POOL[key].nominal + (7 * n % 5 + (1 if POOL[key].places else 0)) * step
            value = POOL[key].nominal + (2 + bool(POOL[key].places)) * step + 4 * step / 10 if row is rows[-1] else value
            for truth in row.cells[i].truth:
                truth.value = value
            row.cells[i] = b.number_cell(value, *row.cells[i].truth)
    _undo(b, rows[-1])


@kind("results at the limit of reporting without the sign, the limit ignored by name", "limit lines", False, "grid",
      layouts=("long",), slots="rows width cell")
def at_the_limit(b: Builder) -> None:
    """Three bottles and more have less than the laboratory reports."""
    key = b.analytes[0]
    head(b).cells.append(Cell("RL"))
    for row in b.sheet.rows[b.header_line:]:
        if len(row.cells) > 2:
            row.cells.append(Cell())
    place = next(i for i, c in enumerate(data_rows(b)[0].cells) if c.truth)
    limits = {k: (POOL[k].nominal * Decimal("0.9")).quantize(ONE.scaleb(-POOL[k].places)) for k in b.analytes}
    seen = 0
    for row in data_rows(b):
        truth = row.cells[place].truth[0]
        row.cells[-1] = b.number_cell(limits[truth.analyte])
        if truth.analyte == key and seen < 3:
            seen += 1
            row.cells[place] = b.number_cell(limits[key], truth)
            truth.value, truth.qualifier, truth.agree = limits[key], "<", False
        elif truth.analyte != key:
            truth.agree = False
    b.case_doubt = True
    b.later("map", lambda x: x.entry.__setitem__("ignore_columns", [*x.entry.get("ignore_columns", []), "RL"]))  # type: ignore[misc]


@kind("uncertainty in per cent of each result, 17.6 ± 5 %", "uncertainty", True, "dets", slots="cell")
def relative_uncertainty(b: Builder) -> None:
    """Under columns that are no shares."""
    half = b.rng.choice([3, 5, 10])
    for det in b.dets:
        if not POOL[det.analyte].unit.startswith("%"):
            b.text(det, f"{b.number(det.value)} ± {half} %")


@kind("one unit merged over all columns", "merged", True, "grid", containers=SPREAD, layouts=("wide",),
      slots="unit unitrow heading rows width")
def merged_unit(b: Builder) -> None:
    """mg/kg, once."""
    if b.style.unit_place != "row" or {POOL[k].unit for k in b.analytes} != {"mg/kg"}:
        return
    at = b.header_line
    for k in range(2, len(b.analytes) + 1):
        b.sheet.rows[at].cells[k] = Cell()
    b.sheet.merges.append((at, 1, at, len(b.analytes)))


@kind("white space between the cells", "odd parts", True, "bytes", containers=("ods",), slots="bytes")
def spaced(b: Builder) -> None:
    """As a program writes XML for the eye."""
    b.book.spaced = True


def _cancelled(b: Builder) -> None:
    rows = data_rows(b)
    row = b.rng.choice(rows)
    head(b).cells.append(Cell("STATUS"))
    for other in b.sheet.rows[b.header_line:]:
        if len(other.cells) > 2:
            other.cells.append(Cell())
    for other in rows:
        other.cells[-1] = Cell("A")
    old = Row([Cell(c.text, value=c.value) for c in row.cells])
    for k, cell in enumerate(row.cells):
        if cell.truth:
            value = (cell.truth[0].value or ONE) + 3 * ONE.scaleb(-POOL[cell.truth[0].analyte].places)
            old.cells[k] = b.number_cell(value)
    old.cells[-1] = Cell("X")
    b.sheet.rows.insert(next(i for i, r in enumerate(b.sheet.rows) if r is row), old)
    b.later("map", lambda x: x.entry.__setitem__("ignore_columns", [*x.entry.get("ignore_columns", []), "STATUS"]))  # type: ignore[misc]


@kind("a cancelled line beside its repeat, left out by the mapping", "columns that decide", True, "grid", layouts=LW,
      slots="width remark rows runs repeats cell")
def left_out(b: Builder) -> None:
    """STATUS says which."""
    _cancelled(b)
    b.later("map", lambda x: x.entry.__setitem__("leave_out", {"STATUS": {"X": "cancelled, laboratory 4 May"}}))


@kind("a cancelled line beside its repeat", "columns that decide", False, "grid", layouts=LW,
      slots="width remark rows runs repeats cell")
def cancelled(b: Builder) -> None:
    """STATUS says which, and the mapping nothing."""
    _cancelled(b)
    b.case_doubt = True


@kind("an erratum in README.txt", "more files", False, "dets", slots="cell runs")
def erratum(b: Builder) -> None:
    """The file is as it was."""
    det = b.pick()
    b.more_files["README.txt"] = f"Erratum: {det.analyte} of {det.sample} is wrong\n".encode()
    b.not_result(det)
    b.doubt()


for _how in ("columns", "lines"):
    def _mixed(b: Builder, how: str = _how) -> None:
        b.style.decimal, b.style.delimiter = ",", ";"
        for det in b.dets:
            if det.analyte == b.analytes[0] if how == "columns" else det.sample in b.codes[:2]:
                b.text(det, b.number(det.value, "."))
        b.case_doubt = True

    add(f"points and commas as decimal signs, by {_how}", "signs", False, "dets", _mixed, containers=TEXT,
        slots="cell bytes decimal delimiter")

for _encoding, _title in (("cp1250", "Wyniki badań oleju, próbki z łodzi"), ("gb18030", "检测报告 油品")):
    def _encoded(b: Builder, encoding: str = _encoding, title: str = _title) -> None:
        b.style.encoding = encoding
        b.style.declare.add("encoding")
        b.later("grid", lambda x: _titled(x, title))

    def _titled(b: Builder, title: str) -> None:
        b.sheet.rows.insert(0, text_cells(title))
        b.header_line += 1
        if "unit_row" in b.entry:
            b.entry["unit_row"] = int(str(b.entry["unit_row"])) + 1

    add(f"encoding {_encoding}, declared", "plain", True, "style", _encoded, containers=TEXT, slots="bytes top unit")


@kind("0 where nothing was found, margins absolute", "negative", False, "dets", slots="cell")
def zero(b: Builder) -> None:
    """A margin in per cent has no place for 0; an absolute one has."""
    for key in b.analytes:
        b.study[key]["margin"] = f"{{ absolute = {POOL[key].nominal / 50} }}"
    det = b.pick()
    det.cell = b.number_cell(Decimal(0), *det.cell.truth)
    b.not_result(det)
    b.doubt(det)


@kind("a line above speaks of a rotational viscometer", "certificates", False, "grid", slots="top units unit")
def rotational(b: Builder) -> None:
    """What it measures is no kinematic viscosity."""
    if "KV40" not in b.analytes:
        return
    b.sheet.rows.insert(0, text_cells("Rotational viscometer, 40 °C, shear rate 100 1/s"))
    b.header_line += 1
    if "unit_row" in b.entry:
        b.entry["unit_row"] = int(str(b.entry["unit_row"])) + 1
    b.sheet.merges[:] = [(top + 1, left, bottom + 1, right) for top, left, bottom, right in b.sheet.merges]
    for det in b.dets:
        if det.analyte == "KV40":
            b.not_result(det)
    b.doubt()
