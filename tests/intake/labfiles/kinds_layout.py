"""How the table is laid out: headings, units, totals, repeated headings, codes, dates, revisions, delimiters."""

from __future__ import annotations

from copy import deepcopy
from decimal import Decimal

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder, Det
from tests.intake.labfiles.model import Cell, Row, Truth, text_cells
from tests.intake.labfiles.registry import ALL, add, kind

LW = ("long", "wide")


def data_rows(b: Builder) -> list[Row]:
    """The lines of the sheet that carry results."""
    return [row for row in b.sheet.rows if any(c.truth for c in row.cells)]


def head(b: Builder) -> Row:
    """The line of the headings."""
    return b.sheet.rows[b.header_line - 1]


def after_data(b: Builder) -> int:
    """Where a line after the last result goes."""
    return max(i for i, row in enumerate(b.sheet.rows) if any(c.truth for c in row.cells)) + 1


def void(b: Builder, row: Row, note: str) -> None:
    """The results of this line are not meant; two people would ask."""
    for cell in row.cells:
        for truth in cell.truth:
            truth.is_result, truth.value, truth.agree, truth.note = False, None, False, note


def _shift_lines(b: Builder, by: int) -> None:
    """Headings and units moved down by so many lines."""
    b.header_line += by
    if "unit_row" in b.entry:
        b.entry["unit_row"] = int(str(b.entry["unit_row"])) + by
    b.sheet.merges[:] = [(top + by, left, bottom + by, right) for top, left, bottom, right in b.sheet.merges]


def number(b: Builder, value: Decimal) -> Cell:
    """A number without a truth."""
    return b.number_cell(value)


# --- comma files with decimal commas, lines that are too short or too long


def _unquoted_comma(b: Builder, every: bool) -> None:
    b.style.delimiter, b.style.decimal = ",", ","
    b.style.declare -= {"delimiter"} if b.rng.random() < 0.5 else set()
    b.style.declare -= {"decimal"}

    def grid(b: Builder) -> None:
        b.whole_agree = False
        rows = data_rows(b)
        for row in rows if every else [b.rng.choice(rows)]:
            for cell in row.cells:
                cell.raw = True
        if not every:
            chosen = [r for r in rows if any(c.raw for c in r.cells)]
            for row in rows:
                for cell in row.cells:
                    if row not in chosen:
                        cell.text = cell.text.replace(",", ".") if cell.truth else cell.text

    b.later("grid", grid)


add(
    "decimal comma unquoted in comma file, every line",
    "delimiters",
    False,
    "style",
    lambda b: _unquoted_comma(b, True),
    containers=("csv",),
    slots="delimiter quotes",
)
add(
    "decimal comma unquoted in comma file, one line",
    "delimiters",
    False,
    "style",
    lambda b: _unquoted_comma(b, False),
    containers=("csv",),
    slots="delimiter quotes",
)


@kind(
    "decimal comma in comma file beside an empty remark",
    "delimiters",
    False,
    "style",
    containers=("csv",),
    layouts=("wide",),
    slots="delimiter quotes",
)
def comma_remark(b: Builder) -> None:
    """K72PX,9,8,338, under Sample,Si,P,Remark: Si 9.8, P 338."""
    b.analytes, b.style.meta, b.style.unit_place = ["Si", "Zn"], ("remark",), "mapping"
    b.style.delimiter = ","
    b.style.decimal = ","
    b.style.declare -= {"decimal"}
    some = b.rng.random() < 0.5

    def grid(b: Builder) -> None:
        rows = data_rows(b)
        for row in rows if not some else rows[:1]:
            row.line = ",".join(
                c.text for c in row.cells[:3]
            )  # one cell more by the comma, the remark's cell is not written
        for row in rows[1:] if some else []:
            row.cells[1].text = row.cells[1].text.replace(",", ".")

    b.later("grid", grid)


@kind(
    "decimal comma in comma file, long, remark column",
    "delimiters",
    False,
    "style",
    containers=("csv",),
    layouts=("long",),
    slots="delimiter quotes",
)
def comma_long(b: Builder) -> None:
    """K72PX,Silicon,9,8 under Sample,Test,Result,Remark."""
    b.analytes, b.style.meta, b.style.unit_place, b.style.delimiter, b.style.decimal = (
        ["Si", "Zn"],
        ("remark",),
        "mapping",
        ",",
        ",",
    )
    b.style.declare -= {"decimal"}

    def grid(b: Builder) -> None:
        for row in data_rows(b):
            if "," in row.cells[2].text:
                row.line = ",".join(c.text for c in row.cells[:3])

    b.later("grid", grid)


@kind("remark with an unquoted delimiter", "delimiters", False, "grid", containers=("csv",), layouts=LW, slots="rows")
def remark_delimiter(b: Builder) -> None:
    """One line has a cell too many."""
    row = b.rng.choice(data_rows(b))
    row.cells.append(Cell("hazy"))


@kind("line with a cell missing, shifted left", "delimiters", False, "grid", layouts=("wide",), slots="rows")
def shifted(b: Builder) -> None:
    """A cell was deleted and the others moved."""
    rows = [r for r in data_rows(b) if len([c for c in r.cells if c.truth]) > 1]
    row = b.rng.choice(rows or data_rows(b))
    for truth in row.cells[1].truth:
        truth.is_result, truth.value, truth.note = False, None, "deleted"
    del row.cells[1]
    for cell in row.cells:
        for truth in cell.truth:
            truth.agree = False
    b.whole_agree = False
    row.cells += [] if b.is_text and b.rng.random() < 0.5 else [Cell()]


@kind("line with a cell inserted, shifted right", "delimiters", False, "grid", layouts=("wide",), slots="rows")
def inserted(b: Builder) -> None:
    """An empty cell was inserted and the others moved."""
    row = b.rng.choice(data_rows(b))
    row.cells.insert(1, Cell())
    b.whole_agree = False
    if b.rng.random() < 0.6:
        b.style.declare.add("blank")


@kind("quote opened and never closed", "delimiters", False, "bytes", containers=TEXT, slots="bytes quotes")
def open_quote(b: Builder) -> None:
    """One stray quotation mark in a remark."""
    rows = data_rows(b)
    row = b.rng.choice(rows)
    row.cells[-1].raw = True
    row.cells[-1].text = '"' + row.cells[-1].text
    encoding = b.style.encoding
    from tests.intake.labfiles.writers import text_file

    b.encode = lambda text: text_file(b.sheet, b.style.delimiter, b.style.newline).encode(encoding)
    b.case_doubt = True


@kind("inch mark in a remark", "delimiters", False, "grid", containers=TEXT, layouts=LW, slots="rows quotes")
def inch(b: Builder) -> None:
    """A remark like 3/4" valve, not quoted."""
    if "remark" not in b.style.meta:
        b.style.meta = (*b.style.meta, "remark")
        head(b).cells.append(Cell("Remark"))
        for row in data_rows(b):
            row.cells.append(Cell())
        if "unit_row" in b.entry:
            b.sheet.rows[b.header_line].cells.append(Cell())
    row = b.rng.choice(data_rows(b))
    row.cells[-1].text, row.cells[-1].raw = '3/4" valve', True


@kind(
    "aligned by spaces only",
    "delimiters",
    False,
    "grid",
    containers=("txt",),
    layouts=LW,
    slots="bytes quotes delimiter",
)
def fixed_width(b: Builder) -> None:
    """A table for the eye; its lines are made when every other kind has written its cells."""
    b.later("map", _aligned)
    b.style.declare.discard("delimiter")


def _aligned(b: Builder) -> None:
    widths = [max(len(r.cells[i].text) for r in b.sheet.rows if i < len(r.cells))
              for i in range(max(len(r.cells) for r in b.sheet.rows))]
    for row in b.sheet.rows:
        if row.line is None:
            row.line = "  ".join(c.text.ljust(w) for c, w in zip(row.cells, widths, strict=False)).rstrip()


@kind(
    "another delimiter on one line",
    "delimiters",
    False,
    "grid",
    containers=("csv",),
    layouts=LW,
    slots="rows delimiter",
)
def other_delimiter(b: Builder) -> None:
    """One line added by hand."""
    row = b.rng.choice(data_rows(b))
    other = ";" if b.style.delimiter == "," else "\t"
    row.line = other.join(c.text for c in row.cells)
    b.whole_agree = False


# --- headings


def _extra_column(b: Builder, heading: str, spread: float, at_end: bool, note: str) -> None:
    """A second column of the same kind of numbers."""
    rows = data_rows(b)
    place = next(i for i, c in enumerate(rows[0].cells) if c.truth)
    where = len(head(b).cells) if at_end else place + 1
    for row in b.sheet.rows[b.header_line - 1 :]:
        if row is head(b):
            row.cells.insert(where, Cell(heading or row.cells[place].text))
        elif row in rows:
            value = row.cells[place].truth[0].value or Decimal(1)
            row.cells.insert(
                where, number(b, (value * Decimal(repr(spread))).quantize(Decimal("0.1")) + Decimal("0.1"))
            )
        elif len(row.cells) > where - 1 and len(row.cells) > 1:
            row.cells.insert(where, Cell(row.cells[place].text if row.cells[place].text else ""))
    b.whole_agree = False
    for row in rows:
        for truth in row.cells[place].truth:
            truth.agree = False


for _star in (True, False):
    _label = "ignore *" if _star else "no ignore"

    def _two_results(b: Builder, star: bool = _star) -> None:
        _extra_column(b, "", 0.93, b.rng.random() < 0.5, "second column of the same heading")
        b.case_doubt = True
        b.style.declare.discard("star")
        if star:
            b.style.declare.add("star")
        # which of the two is meant is not said: nothing of that column may be read
        for row in data_rows(b):
            cells = [c for c in row.cells if c.truth]
            for truth in cells[0].truth:
                b.truth.append(truth)
                truth.is_result, truth.value = False, None

    add(
        f"two columns of one heading, {_label}",
        "headings",
        False,
        "grid",
        _two_results,
        layouts=LW,
        slots="heading width",
    )

    def _two_samples(b: Builder, star: bool = _star) -> None:
        b.style.declare.discard("star")
        if star:
            b.style.declare.add("star")
        rows = data_rows(b)
        codes = [r.cells[0].text for r in rows]
        for row in b.sheet.rows[b.header_line - 1 :]:
            if row is head(b):
                row.cells.insert(2, Cell("Sample"))
            elif row in rows:
                row.cells.insert(2, Cell(codes[(rows.index(row) + 1) % len(rows)]))
            elif len(row.cells) > 2:
                row.cells.insert(2, Cell())
        for i, row in enumerate(rows):  # what follows the second code belongs to that bottle
            for cell in row.cells[3:]:
                for truth in cell.truth:
                    truth.sample = codes[(i + 1) % len(rows)]
        b.case_doubt = True

    add(
        f"sample heading twice, each for what follows, {_label}",
        "headings",
        False,
        "grid",
        _two_samples,
        layouts=("wide",),
        slots="heading width code",
    )


@kind(
    "corrected column beside the first, ignore *", "headings", False, "grid", layouts=("long",), slots="heading width"
)
def corrected(b: Builder) -> None:
    """Result, and "Result corrected" which counts."""
    b.style.declare.add("star")
    rows = data_rows(b)
    head(b).cells.insert(3, Cell("Result corrected"))
    for row in rows:
        truth = row.cells[2].truth[0]
        first = row.cells[2]
        row.cells.insert(3, deepcopy(first))
        row.cells[3].truth = []
        truth.note = "changed"
    chosen = b.rng.choice(rows)
    truth = chosen.cells[2].truth[0]
    truth.value = (truth.value or Decimal(1)) + Decimal(1)
    chosen.cells[3] = number(b, truth.value)
    b.case_doubt = True


@kind(
    "headings of two columns swapped against the unit row",
    "headings",
    False,
    "grid",
    layouts=("wide",),
    slots="unit heading",
)
def swapped_units(b: Builder) -> None:
    """The unit in the file differs from the mapping's."""
    if b.style.unit_place != "mapping":
        b.style.unit_place = "mapping"
        head(b).cells = (
            [Cell(b.heads.get(k, k)) for k in ["Sample"]]
            + [Cell(b.heads[k]) for k in b.analytes]
            + head(b).cells[1 + len(b.analytes) :]
        )
        if "unit_row" in b.entry:
            b.sheet.rows.pop(int(str(b.entry.pop("unit_row"))) - 1)
    cell = head(b).cells[1]
    key = b.analytes[0]
    other = "g/kg" if POOL[key].unit == "mg/kg" else "mg/kg"
    text = f"{cell.text} [{other}]"
    b.heads[key] = text
    cell.text = text
    b.case_doubt = True
    for row in data_rows(b):
        for truth in row.cells[1].truth:
            truth.is_result, truth.value = False, None


@kind("element symbol in brackets in the heading", "headings", True, "style", layouts=("wide",), slots="heading unit")
def symbol(b: Builder) -> None:
    """Silicon (Si): not a unit."""
    b.style.unit_place = "mapping"
    for key in ("Si", "P", "S", "Ca", "Zn", "Cu", "B", "Mg"):
        b.heads[key] = f"{POOL[key].long} ({key})"


@kind("analyte in capitals or with a suffix in one line", "headings", False, "dets", layouts=("long",), slots="name")
def odd_name(b: Builder) -> None:
    """Silicon XRF beside Silicon."""
    det = b.rng.choice(b.dets)
    det.name = b.name_of(det.analyte) + b.rng.choice([" XRF", " (dissolved)", "*", " total"])
    det.truth.agree = False


@kind("merged headings over two lines", "headings", False, "grid", layouts=("wide",), slots="heading top width rows unit")
def merged_heads(b: Builder) -> None:
    """First and second determination of each analyte under one merged heading; the mapping joins the two lines.

    Apart from kinds that make a line no sample, or a unit of the headings: the second determination would not be of their
    making (a sum without it), and the headings here have no unit.
    """
    rows = data_rows(b)
    count = len(b.analytes)
    upper, lower = [Cell()], [Cell("Sample")]
    units = {k: next(d.unit for d in b.dets if d.analyte == k) for k in b.analytes}
    for key in b.analytes:
        upper += [Cell(b.heads[key]), Cell()]
        lower += [Cell("first"), Cell("second")]
    for row in rows:
        cells = [row.cells[0]]
        for cell in row.cells[1 : 1 + count]:
            truth = cell.truth[0]
            other = Truth(
                truth.sample,
                truth.analyte,
                (truth.value or Decimal(1)) + Decimal(1).scaleb(-POOL[truth.analyte].places),
                truth.unit,
                agree=truth.agree,
            )
            cells += [cell, b.number_cell(other.value or Decimal(1), other)]
        row.cells = cells
    start = b.header_line - 1
    rest = b.sheet.rows[start + 1 :]
    if "unit_row" in b.entry:
        rest = rest[1:]
        b.entry.pop("unit_row")
    b.sheet.rows[start:] = [Row(upper), Row(lower), *rest]
    b.sheet.merges += [(start, 1 + 2 * i, start, 2 + 2 * i) for i in range(count)]
    b.entry["header_row"] = [b.header_line, b.header_line + 1]
    b.style.declare.discard("header_row")
    b.style.meta, b.style.unit_place = (), "mapping"
    b.columns = {"sample": "Sample"}

    def mapped(b: Builder) -> None:
        b.maps["analytes"] = {}
        for key in b.analytes:
            b.maps["analytes"][f"{b.heads[key]} | first"] = key
            b.maps["analytes"][f"{b.heads[key]} | second"] = {"analyte": key, "replicate": 2}
            b.maps["units"][key] = units[key]
        b.entry.pop("ignore_columns", None)
        b.entry["header_row"] = [b.header_line, b.header_line + 1]

    b.later("map", mapped)


# --- more tables in one sheet


def _second_report(b: Builder, unit: str, heading: bool, same_heads: bool) -> None:
    """Below the first table a second one with other samples and another unit."""
    rows = data_rows(b)
    half = rows[len(rows) // 2 :]
    at = b.sheet.rows.index(half[0])
    place = 2 if b.style.layout == "long" else 1
    for row in half:
        key = row.cells[place].truth[0].analyte
        if b.style.layout == "long" and key != b.dets[0].analyte and POOL[key].unit != "mg/kg":
            continue
        for cell in row.cells[place : place + 1]:
            truth = cell.truth[0]
            if POOL[truth.analyte].unit != "mg/kg":
                continue
            scaled = (truth.value or Decimal(1)) / {"g/kg": 1000, "% m/m": 10000}[unit]
            cell.text = b.number(scaled)
            cell.value = None if cell.value is None else scaled
            if b.style.layout == "long" and b.style.unit_place == "column":
                row.cells[3].text = unit
    lines = [text_cells("")] if b.rng.random() < 0.5 else []
    if heading:
        again = deepcopy(head(b))
        for cell in again.cells[place : place + 1]:
            if not same_heads and b.style.layout == "wide":
                cell.text = cell.text.split(" [")[0] + f" [{unit}]"
        lines.append(again)
        if "unit_row" in b.entry:
            units = deepcopy(b.sheet.rows[int(str(b.entry["unit_row"])) - 1])
            units.cells[1].text = unit
            lines.append(units)
    else:
        lines.append(text_cells(f"Results below in {unit}"))
    b.sheet.rows[at:at] = lines
    b.case_doubt = True


@kind(
    "second report below, headings name another unit",
    "two reports",
    False,
    "grid",
    layouts=("wide",),
    slots="rows unit",
    scales=("hundreds",),
)
def second_unit(b: Builder) -> None:
    """Two reports in one file; the second in g/kg."""
    _first_column_mgkg(b)
    _second_report(b, b.rng.choice(["g/kg", "% m/m"]), True, False)
    if b.rng.random() < 0.4:
        b.entry["blocks"] = True


def _first_column_mgkg(b: Builder) -> None:
    """Put an analyte in mg/kg first."""
    place = next((i for i, k in enumerate(b.analytes) if POOL[k].unit == "mg/kg"), 0)
    if place == 0:
        return
    b.analytes[0], b.analytes[place] = b.analytes[place], b.analytes[0]
    for row in b.sheet.rows:
        if len(row.cells) > place + 1:
            row.cells[1], row.cells[place + 1] = row.cells[place + 1], row.cells[1]


@kind(
    "second report below, a remark line names another unit",
    "two reports",
    False,
    "grid",
    layouts=("wide", "long"),
    slots="rows unit",
    scales=("hundreds",),
)
def second_unit_line(b: Builder) -> None:
    """Results below in g/kg."""
    if b.style.layout == "wide":
        _first_column_mgkg(b)
    _second_report(b, b.rng.choice(["g/kg", "% m/m"]), False, True)


@kind("second report below, same unit, headings again", "two reports", True, "grid", layouts=LW, slots="rows")
def page_break(b: Builder) -> None:
    """Headings repeated on a page break; the same headings, the same units."""
    rows = data_rows(b)
    at = b.sheet.rows.index(rows[len(rows) // 2])
    lines = [deepcopy(head(b))]
    if "unit_row" in b.entry:
        lines.append(deepcopy(b.sheet.rows[int(str(b.entry["unit_row"])) - 1]))
    b.sheet.rows[at:at] = lines
    b.whole_agree = False  # the docs promise a question for what looks like a heading


@kind("second report below, columns in another order", "two reports", False, "grid", layouts=("wide",), slots="rows width")
def other_order(b: Builder) -> None:
    """The headings come again in another order."""
    rows = data_rows(b)
    half = rows[len(rows) // 2 :]
    at = b.sheet.rows.index(half[0])
    again = deepcopy(head(b))
    lines = [again]
    if "unit_row" in b.entry:
        lines.append(deepcopy(b.sheet.rows[int(str(b.entry["unit_row"])) - 1]))
    for row in [*half, *lines]:
        row.cells[1], row.cells[2] = row.cells[2], row.cells[1]
    b.sheet.rows[at:at] = lines
    if b.rng.random() < 0.5:
        b.sheet.rows.insert(at, text_cells(""))
        b.entry["blocks"] = True
    b.case_doubt = True


@kind(
    "second report below, columns in another order, headings not again",
    "two reports",
    False,
    "grid",
    layouts=("wide",),
    slots="rows",
)
def other_order_silent(b: Builder) -> None:
    """One line of changed headings only for the two that changed."""
    rows = data_rows(b)
    half = rows[len(rows) // 2 :]
    at = b.sheet.rows.index(half[0])
    line = text_cells("", head(b).cells[2].text, head(b).cells[1].text)
    for row in half:
        row.cells[1], row.cells[2] = row.cells[2], row.cells[1]
    b.sheet.rows.insert(at, line)
    b.case_doubt = True


@kind(
    "tables side by side, other samples", "two reports", False, "grid", layouts=("wide",), slots="rows width heading"
)
def side_by_side(b: Builder) -> None:
    """The second half of the samples right of the first, under the same headings."""
    rows = data_rows(b)
    if len(rows) % 2:
        rows[-1].cells = [*rows[-1].cells]
    half = len(rows) // 2
    left, right = rows[: len(rows) - half], rows[len(rows) - half :]
    copied = head(b).cells[:]
    head(b).cells += [Cell(), *deepcopy(copied)]
    if "unit_row" in b.entry:
        units = b.sheet.rows[int(str(b.entry["unit_row"])) - 1]
        units.cells += [Cell(), *deepcopy(units.cells)]
    for one, two in zip(left, right, strict=False):
        one.cells += [Cell(), *two.cells]
    b.sheet.rows = [r for r in b.sheet.rows if not any(r is x for x in right)]
    b.case_doubt = True
    if b.rng.random() < 0.5:
        b.style.declare.add("star")


@kind(
    "tables side by side, other headings, ignore *",
    "two reports",
    False,
    "grid",
    layouts=("wide",),
    slots="rows width heading",
)
def side_other(b: Builder) -> None:
    """A second table of other analytes right of the first; the user mapped only the first."""
    rows = data_rows(b)
    moved = len(b.analytes)
    last = b.analytes[-1]
    copied = [Cell(), Cell("Code"), Cell(head(b).cells[moved].text)]
    head(b).cells += copied
    codes = [r.cells[0].text for r in rows]
    for i, row in enumerate(rows):
        cell = row.cells[moved]
        row.cells[moved] = Cell()
        row.cells += [Cell(), Cell(codes[::-1][i]), cell]
        for truth in cell.truth:
            truth.sample = codes[::-1][i]
    head(b).cells[moved] = Cell()
    if "unit_row" in b.entry:
        units = b.sheet.rows[int(str(b.entry["unit_row"])) - 1]
        units.cells += [Cell(), Cell(), units.cells[moved]]
        units.cells[moved] = Cell()
    b.style.declare |= {"star", "header_row"}
    b.case_doubt = True
    del last


# --- lines that are not samples


def _summary(b: Builder, label: str, how: str, under_code: bool) -> None:
    rows = data_rows(b)
    at = after_data(b)
    columns = [i for i, c in enumerate(rows[0].cells) if c.truth]
    cells = [Cell() for _ in head(b).cells]
    cells[0] = Cell(label)
    for i in columns:
        values = [
            r.cells[i].truth[0].value
            for r in rows
            if i < len(r.cells) and r.cells[i].truth and r.cells[i].truth[0].value
        ]
        numbers = [v for v in values if v is not None]
        if not numbers:
            continue
        value = sum(numbers, Decimal(0)) if how == "sum" else sum(numbers, Decimal(0)) / len(numbers)
        cells[i] = number(b, value.quantize(Decimal("0.1")))
    b.sheet.rows.insert(at, Row(cells))
    if under_code:
        b.codes.append(label)
    b.whole_agree = False


for _label, _how in (
    ("Mean", "mean"),
    ("Total", "sum"),
    ("RSD %", "mean"),
    ("Blank", "mean"),
    ("QC high", "mean"),
    ("Spec max", "mean"),
):
    add(
        f"line {_label!r} below the samples",
        "lines that are no samples",
        False,
        "grid",
        lambda b, x=_label, h=_how: _summary(b, x, h, False),
        layouts=("wide",),
        slots="rows",
    )
for _label, _how in (("T1", "sum"), ("M", "mean"), ("S", "mean")):
    add(
        f"totals or mean line under {_label!r}, which is also a sample code",
        "lines that are no samples",
        False,
        "grid",
        lambda b, x=_label, h=_how: _summary(b, x, h, True),
        layouts=("wide",),
        slots="rows code",
    )


@kind(
    "mean line without a label, code cell empty",
    "lines that are no samples",
    False,
    "grid",
    layouts=("wide",),
    slots="rows",
)
def unlabelled(b: Builder) -> None:
    """Numbers below the columns."""
    _summary(b, "", "mean", False)


@kind(
    "mean line with a code repeated in brackets",
    "lines that are no samples",
    False,
    "grid",
    layouts=("wide",),
    slots="rows",
)
def mean_of(b: Builder) -> None:
    """Mean (K72PX)."""
    _summary(b, f"Mean ({b.codes[0]})", "mean", False)


@kind(
    "total under the last bottle's code",
    "lines that are no samples",
    False,
    "grid",
    layouts=("wide",),
    slots="rows code",
)
def total_code(b: Builder) -> None:
    """The last line has a bottle's code typed by mistake, and holds the sum."""
    row = data_rows(b)[-1]
    rows = data_rows(b)[:-1]
    for i, cell in enumerate(row.cells):
        if cell.truth:
            value = sum((r.cells[i].truth[0].value or Decimal(0) for r in rows if r.cells[i].truth), Decimal(0))
            row.cells[i] = Cell(b.number(value), value=None if b.is_text else value, truth=cell.truth)
    void(b, row, "a sum")


@kind("footnote below the table", "lines that are no samples", True, "grid", slots="bottom")
def footnote(b: Builder) -> None:
    """A line of text below."""
    b.sheet.rows += [text_cells(""), text_cells("Results apply to the samples as received.")]


@kind("footnote voids a sample", "lines that are no samples", False, "grid", layouts=LW, slots="bottom")
def voids(b: Builder) -> None:
    """Below: results of a bottle are not valid."""
    code = b.rng.choice(b.codes)
    b.sheet.rows += [text_cells(""), text_cells(f"Bottle {code} arrived broken; its results are not valid.")]
    for row in data_rows(b):
        if row.cells[0].text == code:
            void(b, row, "voided below")


@kind(
    "remark voids a line, remark column ignored",
    "lines that are no samples",
    False,
    "grid",
    layouts=LW,
    slots="rows remark",
)
def remark_voids(b: Builder) -> None:
    """INVALID in the remark."""
    if "remark" not in b.style.meta:
        b.style.meta = (*b.style.meta, "remark")
        head(b).cells.append(Cell("Remark"))
        for row in data_rows(b):
            row.cells.append(Cell())
        if "unit_row" in b.entry:
            b.sheet.rows[b.header_line].cells.append(Cell())
    row = b.rng.choice(data_rows(b))
    row.cells[-1].text = b.rng.choice(
        ["INVALID", "not valid, sample spilt", "do not use", "wrong bottle", "cancelled"]
    )
    void(b, row, "invalid by remark")


@kind(
    "remark beside the table without a heading",
    "lines that are no samples",
    False,
    "grid",
    layouts=LW,
    slots="width rows",
)
def remark_beside(b: Builder) -> None:
    """A note right of the table: contaminated."""
    row = b.rng.choice(data_rows(b))
    row.cells += [Cell()] * (b.rng.randint(0, 1)) + [Cell("contaminated, disregard")]
    void(b, row, "invalid by a note beside")


# --- units


@kind("unit column mixes mg/kg and per cent, right values", "units", True, "dets", layouts=("long",), slots="unit cell")
def mixed_units(b: Builder) -> None:
    """Each line has its unit."""
    b.style.unit_place = "column"
    for det in b.dets:
        if POOL[det.analyte].unit == "mg/kg" and det.analyte in ("P", "Zn", "Ca", "S", "Mg") and b.rng.random() < 0.4:
            _rescale(b, det, "% (m/m)", 10000)


def _rescale(b: Builder, det: Det, unit: str, factor: int) -> None:
    value = (det.truth.value or Decimal(1)) / factor
    det.truth.value, det.truth.unit, det.unit_text = value, unit, unit
    det.cell = b.number_cell(value, det.truth)


@kind(
    "a column in g/kg, said in the heading",
    "units",
    True,
    "dets",
    layouts=("wide",),
    slots="unit cell",
    scales=("thousands",),
)
def gkg(b: Builder) -> None:
    """Converted by the kit."""
    b.style.unit_place = b.rng.choice(["header", "row"])
    for det in b.column("thousands"):
        if POOL[det.analyte].unit != "mg/kg":
            raise ValueError("no analyte in mg/kg beside another kind's")
        _rescale(b, det, "g/kg", 1000)
        b.style.declare.add("decimal")


for _unit, _agree in (
    ("ppm", True),
    ("µg/g", True),
    ("\u03bcg/g", True),
    ("ug/g", True),
    ("MG/KG", False),
    ("mg / kg", False),
    ("mg kg-1", True),
    ("mg/Kg", False),
    ("ppm (m/m)", False),
    ("mg/l", False),
    ("ppm v/v", False),
):

    def _spell(b: Builder, unit: str = _unit, agree: bool = _agree) -> None:
        b.style.unit_place = "column" if b.style.layout != "wide" else b.rng.choice(["header", "row"])
        for det in b.dets:
            if POOL[det.analyte].unit == "mg/kg":
                det.unit_text = unit
                if unit in ("mg/l", "ppm v/v"):
                    b.not_result(det, "needs a density")

    add(f"unit spelt {_unit}", "units", _agree, "dets", _spell, slots="unit", scales=("hundreds",))


@kind("unit in the title only, against the mapping", "units", False, "grid", layouts=("wide",), slots="unit top")
def title_unit(b: Builder) -> None:
    """All results in % m/m: stands above, and the mapping says mg/kg."""
    if b.style.unit_place != "mapping" or any(POOL[k].unit != "mg/kg" for k in b.analytes):
        b.case_doubt = True
        return
    b.sheet.rows.insert(0, text_cells("All results in % m/m"))
    b.header_line += 1
    for row in data_rows(b):
        for cell in row.cells:
            for truth in cell.truth:
                value = (truth.value or Decimal(1)) / 10000
                cell.text, cell.value = b.number(value), None if cell.value is None else value
    b.case_doubt = True


@kind(
    "unit changes within a unit column, the value does not",
    "units",
    False,
    "dets",
    layouts=("long",),
    slots="unit",
    scales=("hundreds",),
)
def wrong_unit(b: Builder) -> None:
    """g/kg typed at a value in mg/kg: a thousand times the others."""
    b.style.unit_place = "column"
    det = b.pick("hundreds")
    det.unit_text = "g/kg"
    b.not_result(det, "unit slip")
    b.doubt(det)


# --- codes


def _codes(b: Builder, codes: list[str], written: dict[str, str], meant: bool) -> None:
    b.codes = codes + b.codes[: max(0, 4 - len(codes))]

    def dets(b: Builder) -> None:
        for det in b.dets:
            if det.sample in written:
                det.code_cell = written[det.sample]
                det.truth.agree = False
                if not meant:
                    b.not_result(det)

    b.later("dets", dets)


def _fill_codes(b: Builder) -> list[str]:
    out = []
    while len(out) < 3:
        code = b.rng.choice("HKLMPT") + str(b.rng.randint(20, 99)) + b.rng.choice("ACDEF") + b.rng.choice("GHKLM")
        out.append(code)
    return out


for _name, _first, _cell in (
    ("leading zeros lost", "007", "7"),
    ("exponent, 1E5 as 100000", "1E5", "100000"),
    ("exponent, 1E5 as 1E+05", "1E5", "1E+05"),
    ("trailing zero lost", "1.10", "1.1"),
    ("date, MAR1 as 1-Mar", "MAR1", "1-Mar"),
    ("date, 5-4 as 04.05.2026", "5-4", "04.05.2026"),
    ("long number as 1.23457E+15", "1234567890123456", "1.23457E+15"),
    ("a decimal added, 7.0", "7", "7.0"),
    ("lower case", "K72PX", "k72px"),
    ("letter O for zero", "K70PX", "K7OPX"),
    ("hyphen added", "K72PX", "K72-PX"),
    ("suffix of the laboratory", "K72PX", "K72PX-1"),
    ("repeat suffix", "K72PX", "K72PX rep"),
    ("prefix of the laboratory", "K72PX", "26-118/K72PX"),
    ("Cyrillic letter", "K72PX", "\u041a72PX"),
    ("zero-width space", "K72PX", "K72PX\u200b"),
    ("space within", "K72PX", "K72 PX"),
    ("no-break space behind", "K72PX", "K72PX\u00a0"),
    ("fullwidth letters", "K72PX", "\uff2b72PX"),
    ("apostrophe before", "007", "'007"),
    ("non-breaking hyphen", "K-72", "K\u201172"),
    ("comma for point", "1.10", "1,10"),
    ("true", "TRUE1", "True1"),
):
    add(
        f"code: {_name}",
        "codes",
        False,
        "style",
        lambda b, f=_first, c=_cell: _codes(b, [f, *_fill_codes(b)], {f: c}, True),
        slots="code",
        layouts=("long", "wide"),
    )

for _name, _two, _cell in (
    ("7 and 007 both in the study, 007 written 7", ("007", "7"), {"007": "7"}),
    ("1E5 and 100000 both in the study", ("1E5", "100000"), {"1E5": "100000"}),
    ("1.10 and 1.1 both in the study", ("1.10", "1.1"), {"1.10": "1.1"}),
    ("a1 and A1 both in the study, swapped", ("a1", "A1"), {"a1": "A1", "A1": "a1"}),
    ("Cyrillic and Latin K both in the study", ("\u041a72PX", "K72PX"), {"\u041a72PX": "K72PX"}),
):

    def _collide(b: Builder, two: tuple[str, str] = _two, written: dict[str, str] = _cell) -> None:
        _codes(b, [*two, *_fill_codes(b)], written, True)
        if len(written) == 1:  # the bottle that keeps its code was not measured
            b.later("dets", lambda x: x.dets.__setitem__(slice(None), [d for d in x.dets if d.sample != two[1]]))

    add(f"codes collide: {_name}", "codes", False, "style", _collide, slots="code rows", layouts=("long", "wide"))


@kind(
    "code: number cell for a text code",
    "codes",
    True,
    "style",
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="code",
)
def number_code(b: Builder) -> None:
    """Codes 4711, 4712 stored as numbers."""
    b.codes = ["4711", "4712", "4713", "4714"]

    def grid(b: Builder) -> None:
        for row in data_rows(b):
            row.cells[0].value = Decimal(row.cells[0].text)

    b.later("grid", grid)


@kind(
    "code: number cell shown as 007 by its format",
    "codes",
    True,
    "style",
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="code",
)
def format_code(b: Builder) -> None:
    """Stored 7, format 000."""
    b.codes = ["007", "008", "011", "104"]

    def grid(b: Builder) -> None:
        b.whole_agree = b.whole_agree and True
        for row in data_rows(b):
            row.cells[0].value, row.cells[0].fmt = Decimal(int(row.cells[0].text)), "000"

    b.later("grid", grid)


@kind("code: a real date cell", "codes", False, "style", containers=SPREAD, layouts=("long", "wide"), slots="code")
def date_code(b: Builder) -> None:
    """MAR1 became a date."""
    b.codes = ["MAR1", "MAR2", "APR1", "K72PX"]

    def grid(b: Builder) -> None:
        serial = {"MAR1": 46082, "MAR2": 46083, "APR1": 46113}
        for row in data_rows(b):
            if row.cells[0].text in serial:
                code = row.cells[0].text
                row.cells[0] = Cell(
                    {"MAR1": "1-Mar", "MAR2": "2-Mar", "APR1": "1-Apr"}[code],
                    value=Decimal(serial[code]),
                    fmt="d-mmm",
                    kind="date",
                )

    b.later("grid", grid)
    b.case_doubt = True


@kind("code only on the first line of a group", "codes", False, "grid", layouts=("long",), slots="code rows")
def fill_down(b: Builder) -> None:
    """Merged cells, or left empty."""
    last, start = "", 0
    for i, row in enumerate(b.sheet.rows):
        if not any(c.truth for c in row.cells):
            continue
        if row.cells[0].text == last:
            row.cells[0].text = ""
            for cell in row.cells:
                for truth in cell.truth:
                    truth.agree = False
            if not b.is_text:
                b.sheet.merges = [m for m in b.sheet.merges if m[0] != start] + [(start, 0, i, 0)]
        else:
            last, start = row.cells[0].text, i
    b.whole_agree = False


@kind("ditto mark for the code", "codes", False, "grid", layouts=("long",), slots="code rows")
def ditto(b: Builder) -> None:
    """A quotation mark says: as above."""
    last = ""
    for row in data_rows(b):
        if row.cells[0].text == last:
            row.cells[0].text = b.rng.choice(['"', "\u3003", "''"])
        else:
            last = row.cells[0].text
    b.case_doubt = True


@kind("code not in the study", "codes", False, "grid", layouts=LW, slots="code")
def unknown_code(b: Builder) -> None:
    """A bottle of another customer."""
    row = b.rng.choice(data_rows(b))
    row.cells[0].text = "X99ZZ"
    void(b, row, "another customer's")


@kind(
    "two codes swapped by hand, said in the remark",
    "codes",
    False,
    "grid",
    layouts=("wide",),
    slots="code remark rows",
)
def swapped_codes(b: Builder) -> None:
    """Remark: code corrected."""
    remark_voids(b)


# --- repeats, runs, dates, revisions


def _again(b: Builder, det: Det, shift: int) -> Det:
    new = b.new_det(det.sample, det.analyte)
    new.value = (det.truth.value or Decimal(1)) + shift * Decimal(1).scaleb(-POOL[det.analyte].places)
    new.truth.value = new.value
    new.cell = b.number_cell(new.value, new.truth)
    new.unit, new.unit_text, new.run, new.date = det.unit, det.unit_text, det.run, det.date
    b.dets.append(new)
    return new


@kind("same bottle in two runs on two dates", "repeats", False, "dets", layouts=("long",), slots="runs")
def two_runs(b: Builder) -> None:
    """Two determinations, both meant; nothing says that one replaces the other."""
    b.style.meta = ("date", "run", *[m for m in b.style.meta if m not in ("date", "run")])
    b.style.declare.discard("star")
    for det in [d for d in b.dets if d.sample == b.codes[0]]:
        new = _again(b, det, 3)
        new.run, new.date = "R2", "2026-05-11"
    b.doubt(*[d for d in b.dets if d.sample == b.codes[0]])


@kind("same bottle in two runs on two dates, wide", "repeats", False, "dets", layouts=("wide",), slots="runs")
def two_runs_wide(b: Builder) -> None:
    """The same, one line a run."""
    two_runs(b)


@kind("re-report with a later date and a revision word", "repeats", False, "dets", layouts=("long",), slots="runs")
def revised(b: Builder) -> None:
    """The later one replaces the earlier, by the docs."""
    b.style.meta = ("date",)
    det = b.pick()
    new = _again(b, det, 4)
    new.date = "2026-05-20"
    b.not_result(det, "replaced")
    b.doubt(det, new)


@kind("the same line twice", "repeats", False, "grid", layouts=LW, slots="rows")
def twice(b: Builder) -> None:
    """Copied."""
    row = b.rng.choice(data_rows(b))
    copy = deepcopy(row)
    for cell in copy.cells:
        cell.truth = []
    b.sheet.rows.insert(after_data(b), copy)
    b.whole_agree = False


@kind("the same bottle again with another value", "repeats", False, "dets", layouts=("long",), slots="runs")
def contradiction(b: Builder) -> None:
    """No mark which counts."""
    det = b.pick()
    new = _again(b, det, 5)
    b.not_result(det)
    b.not_result(new)
    b.doubt(det, new)
    b.style.meta = tuple(m for m in b.style.meta if m not in ("date", "run"))


@kind("replicates on lines, declared in order", "repeats", True, "dets", layouts=("long",), slots="runs")
def in_order(b: Builder) -> None:
    """Two determinations of each, the mapping says in order."""
    for det in list(b.dets):
        _again(b, det, b.rng.randint(1, 3)).replicate = 2
    b.entry["replicates"] = "in order"


@kind(
    "replicates on lines, equal values, declared in order", "repeats", True, "dets", layouts=("long",), slots="runs"
)
def in_order_equal(b: Builder) -> None:
    """Two determinations of each that agree."""
    for det in list(b.dets):
        _again(b, det, 0).replicate = 2
    b.entry["replicates"] = "in order"


def _second_file(b: Builder, how: str) -> None:
    """A second report of one bottle in a file of its own."""
    from tests.intake.labfiles.model import Book
    from tests.intake.labfiles.writers import ods_file, text_file, xlsx_file
    from tests.intake.labfiles.xls import xls_file

    sheet = deepcopy(b.sheet)
    rows = [r for r in sheet.rows if any(c.truth for c in r.cells)]
    sheet.rows = [r for r in sheet.rows if r is rows[0] or not any(c.truth for c in r.cells)]
    old = [c for c in data_rows(b)[0].cells if c.truth]
    new = [c for c in rows[0].cells if c.truth]
    for one, two in zip(old, new, strict=True):
        truth = one.truth[0]
        value = (truth.value or Decimal(1)) + Decimal(2).scaleb(-POOL[truth.analyte].places)
        two.text, two.value = b.number(value), None if two.value is None else value
        two.truth = []
        if how == "revises":
            truth.value = value
        else:
            truth.is_result, truth.value, truth.agree = False, None, False
    name = b.file_name.replace("118", "131")
    if b.is_text:
        data = text_file(sheet, b.style.delimiter, b.style.newline).encode(b.style.encoding)
    else:
        data = {"xlsx": xlsx_file, "ods": ods_file, "xls": xls_file}[b.style.container](Book([sheet]))
    b.more_files[name] = data
    b.entries.append(
        b.entry_text()
        .replace(b.file_name, name, 1)
        .replace(
            "[file.columns]",
            f'revises = "{b.file_name}"\n\n[file.columns]' if how == "revises" else "[file.columns]",
            1,
        )
    )


def _two_files(b: Builder, how: str) -> None:
    b.style.encoding = "utf-8"
    b.style.meta = tuple(m for m in b.style.meta if m not in ("date", "run"))
    b.style.declare.add("decimal")
    b.later("bytes", lambda x: _second_file(x, how))  # when every kind has changed the entry


add(
    "corrected report in a second file, revises",
    "repeats",
    True,
    "style",
    lambda b: _two_files(b, "revises"),
    slots="runs bytes cell rows",
)
add(
    "corrected report in a second file, no mark",
    "repeats",
    False,
    "style",
    lambda b: _two_files(b, "no mark"),
    slots="runs bytes cell rows",
)

for _name, _day, _format, _agree in (
    ("day first, declared", "%d/%m/%Y", "%d/%m/%Y", True),
    ("month first, declared", "%m/%d/%Y", "%m/%d/%Y", True),
    ("points, declared", "%d.%m.%Y", "%d.%m.%Y", True),
    ("month first, declared day first", "%m/%d/%Y", "%d/%m/%Y", False),
    ("day first, undeclared", "%d/%m/%Y", "", False),
):

    def _dates(b: Builder, written: str = _day, said: str = _format) -> None:
        b.style.meta, b.style.date_format = ("date",), written

        def mapped(b: Builder) -> None:
            b.entry.pop("date_format", None)
            if said:
                b.entry["date_format"] = said

        b.later("map", mapped)

    add(f"dates: {_name}", "dates", _agree, "style", _dates, layouts=LW, slots="runs")


@kind(
    "dates: month and day swapped decide which report is newer",
    "dates",
    False,
    "dets",
    layouts=("long",),
    slots="runs",
)
def swapped_dates(b: Builder) -> None:
    """05/06 and 06/05: the file is month first, the mapping says day first."""
    b.style.meta, b.style.date_format = ("date",), "%m/%d/%Y"
    det = b.pick()
    new = _again(b, det, 4)
    det.date, new.date = "2026-05-06", "2026-06-05"  # written 05/06 and 06/05; read day first the older one wins
    b.not_result(det, "replaced")
    b.doubt(det, new)
    b.later("map", lambda x: x.entry.__setitem__("date_format", "%d/%m/%Y"))


# --- qualifiers in columns


@kind("qualifier column with < and >", "limits", True, "dets", layouts=("long",), slots="cell qualifier")
def qualifier_column(b: Builder) -> None:
    """Qualifier | Result."""
    chosen = [b.pick(), b.pick()]
    chosen[0].truth.qualifier = "<"
    if chosen[1] is not chosen[0]:
        chosen[1].truth.qualifier = ">"
    b.later("grid", _add_qualifier)


def _add_qualifier(b: Builder) -> None:
    head(b).cells.insert(2, Cell("Q"))
    for row in data_rows(b):
        row.cells.insert(2, Cell(row.cells[2].truth[0].qualifier))
    b.columns["qualifier"] = "Q"


@kind("qualifier column not mapped, ignore *", "limits", False, "dets", layouts=("long",), slots="cell qualifier")
def qualifier_ignored(b: Builder) -> None:
    """The user overlooked the column with <."""
    qualifier_column(b)
    b.style.declare.add("star")
    b.later("grid", lambda x: x.columns.pop("qualifier") and None)
    b.case_doubt = True


@kind(
    "qualifier column in a wide file not mapped, ignore *",
    "limits",
    False,
    "grid",
    layouts=("wide",),
    slots="cell qualifier width heading",
)
def qualifier_wide(b: Builder) -> None:
    """Sample, <, Si."""
    b.style.declare.add("star")
    chosen = b.rng.choice(data_rows(b))
    for row in b.sheet.rows[b.header_line - 1 :]:
        if len(row.cells) < 2:
            continue
        row.cells.insert(1, Cell("<>" if row is head(b) else "<" if row is chosen else ""))
    for truth in chosen.cells[2].truth:
        truth.qualifier = "<"
    b.case_doubt = True


@kind(
    "qualifier column says D for detected limit", "limits", False, "dets", layouts=("long",), slots="cell qualifier"
)
def qualifier_letter(b: Builder) -> None:
    """U of the laboratories of the EPA: not detected."""
    det = b.pick()
    det.truth.qualifier = "<"
    b.doubt(det)

    def grid(b: Builder) -> None:
        _add_qualifier(b)
        for row in data_rows(b):
            if row.cells[2].text:
                row.cells[2].text = b.rng.choice(["U", "J", "B", "D"])

    b.later("grid", grid)


_ = ALL
