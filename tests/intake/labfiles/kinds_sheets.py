"""What only spreadsheets have: formats, rich text, hidden parts, comments, formulas, errors, more sheets, odd parts."""

from __future__ import annotations

import re
from copy import deepcopy
from decimal import ROUND_HALF_UP, Decimal

from tests.intake.labfiles.build import POOL, SPREAD, Builder, Det
from tests.intake.labfiles.kinds_layout import after_data, data_rows, head, void
from tests.intake.labfiles.model import Cell, Row, Sheet, Truth, text_cells
from tests.intake.labfiles.registry import add, kind

X = ("xlsx",)
ODS = ("ods",)


# --- formats that change what is shown


def _format(
    name: str,
    fmt: str,
    shown: str,
    stored: str,
    agree: bool,
    qualifier: str = "",
    *,
    scale: str = "ones",
    column: bool = False,
    containers: tuple[str, ...] = SPREAD,
    meaning: str = "shown",
    marked: bool = False,
) -> None:
    """`shown` and `stored` are made from the meant value: {v}, factor in `stored`; meaning "none": not a result.

    `marked`: the entry says that such cells count, as the refusal proposes.
    """

    def apply(b: Builder) -> None:
        for det in b.column(scale) if column else [b.pick(scale)]:
            value = det.truth.value or Decimal(1)
            as_shown = value
            if marked and meaning == "shown" and "{v}" in shown:  # what counts is what is shown, rounded by the format
                places = len((re.search(r"\.(0+)", fmt) or ["", ""])[1])
                as_shown = det.truth.value = value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
            det.cell = Cell(
                shown.replace("{v}", b.number(as_shown)).replace("{i}", str(int(value))),
                fmt=fmt,
                value=Decimal(stored) if stored.replace(".", "").isdigit() else value * Decimal(stored[1:]),
                truth=[det.truth],
            )
            if "{i}" in shown and meaning == "shown":
                det.truth.value = Decimal(int(value))
                det.cell.value = det.truth.value * Decimal(stored[1:])
            if meaning == "none":
                b.not_result(det)
            det.truth.qualifier = qualifier
            if not agree:
                b.doubt(det)
        if marked:
            b.entry["marked"] = {"format": "counts as shown, laboratory 4 May"}

    add(name, "spreadsheet display", agree, "dets", apply, containers=containers, scales=(scale,))


_format('format "<"0.0 shows <', '"<"0.0', "<{v}", "*1", False, "<")
_format('format "<"0 in a column', '"<"0', "<{i}", "*1", False, "<", scale="hundreds", column=True)
_format('format ">"0 shows >', '">"0', ">{i}", "*1", False, ">", scale="hundreds")
_format('format "< "0.0', '"< "0.0', "< {v}", "*1", False, "<")
_format("format 0.0, shows a thousandth", "0.0,", "{v}", "*1000", False)
_format("format 0.0, shows a thousandth, column", "0.0,", "{v}", "*1000", False, column=True)
_format("format 0.0,, shows a millionth", "0.0,,", "{v}", "*1000000", False, containers=X)
_format("format 0.00% in a mg/kg column", "0.0%", "{v}%", "*0.01", False, meaning="none")
_format("format 0.0% in a per cent column", "0.00%", "{v}%", "*0.01", False, scale="percent", column=True)
_format("format 0.0% in a per cent column, one cell", "0.00%", "{v}%", "*0.01", False, scale="percent")
_format('format "n.d." over a number', '"n.d."', "n.d.", "60", False, meaning="none")
_format('format "n.d." with parts', '0.0;-0.0;"n.d."', "n.d.", "0", False, meaning="none", containers=X)
_format("format ;;; shows nothing", ";;;", "", "*1", False, meaning="none", containers=X)
_format('format 0.0" mg/kg" adds the unit', '0.0" mg/kg"', "{v} mg/kg", "*1", False)
_format('format 0.0" g/kg" adds another unit', '0.0" g/kg"', "{v} g/kg", "*1", False, meaning="none")
_format('format 0.0"*" adds a star', '0.0"*"', "{v}*", "*1", False)
_format('format "ca. "0.0', '"ca. "0.0', "ca. {v}", "*1", False)
_format('format "invalid "0', '"invalid "0', "invalid {i}", "*1", False, meaning="none", scale="hundreds")
_format('format 0.0"E3"', '0.0"E3"', "{v}E3", "*1", False, meaning="none")
_format(
    'conditional format [<100]"<100"',
    '[<1000]"<1000";0',
    "<1000",
    "*1",
    False,
    meaning="none",
    scale="hundreds",
    containers=X,
)
_format("format 0.00E+00", "0.000000E+00", "{v}", "*1", True, containers=X)
_format("format # ?/?", "# ?/?", "9 4/5", "*1", False, meaning="none", containers=X)
_format("format [Red]0.0", "[Red]0.0", "{v}", "*1", True, containers=X)
_format("format #,##0", "#,##0", "{i}", "*1", True, scale="hundreds", column=True, containers=X)
_format("format of accounting with currency", '"€ "0.0', "€ {v}", "*1", False, meaning="none")
_format("format _(0.0_)", "_(0.0_);(0.0)", "{v}", "*1", True, containers=X)
_format('format 0.0;"("0.0")"', '"("0.0")"', "({v})", "*1", False, meaning="none")
_format("format 0, shown 0 for 412", "0,", "0", "*1", False, scale="hundreds", meaning="none")
_format("format d-mmm over a number", "d-mmm", "9-Jan", "*1", False, meaning="none", containers=X)
_format("format hh:mm over a number", "hh:mm", "19:12", "*1", False, meaning="none", containers=X)
_format("format [h]:mm over a number", "[h]:mm", "235:12", "*1", False, meaning="none", containers=X)


for _name, _code, _text, _value, _more in (
    ('"<"0.0', '"<"0.0', "<{v}", "*1", {"qualifier": "<"}),
    ('">"0', '">"0', ">{i}", "*1", {"qualifier": ">", "scale": "hundreds"}),
    ("0.0,", "0.0,", "{v}", "*1000", {}),
    ("0.00% under per cent", "0.00%", "{v}%", "*0.01", {"scale": "percent", "column": True}),
    ("0.00% under mg/kg", "0.0%", "{v}%", "*0.01", {"meaning": "none"}),
    ('0.0" g/kg"', '0.0" g/kg"', "{v} g/kg", "*1", {"meaning": "none"}),
    ('"n.d."', '"n.d."', "n.d.", "60", {"meaning": "none"}),
):
    _format(f"format {_name}, marked as counting", _code, _text, _value, False, marked=True, **_more)


@kind(
    "format 0.0000% over a share, heading mg/kg",
    "spreadsheet display",
    False,
    "dets",
    containers=SPREAD,
    scales=("hundreds",),
)
def percent_share(b: Builder) -> None:
    """Stored 0.000342, shown 0.0342 %, which is 342 mg/kg."""
    for det in b.column("hundreds") if b.rng.random() < 0.5 else [b.pick("hundreds")]:
        value = Decimal(int(det.truth.value or 1))
        det.truth.value = value
        det.cell = Cell(f"{value / 10000:f}%", value=value / 1000000, fmt="0.0000%", truth=[det.truth])
        b.doubt(det)


@kind(
    "format 0.0000% over a share, heading per cent",
    "spreadsheet display",
    False,
    "dets",
    containers=SPREAD,
    layouts=("wide",),
    slots="cell unit",
    scales=("hundreds",),
)
def percent_heading(b: Builder) -> None:
    """The heading says % (m/m), the cells are shares shown as per cent; the entry may say that such cells count."""
    if b.rng.random() < 0.5:
        b.entry["marked"] = {"format": "counts as shown, laboratory 4 May"}
    b.style.unit_place = b.rng.choice(["header", "row"])
    for det in b.column("hundreds"):
        value = Decimal(int(det.truth.value or 1))
        det.truth.value, det.truth.unit, det.unit_text = value / 10000, "% (m/m)", "% (m/m)"
        det.cell = Cell(f"{value / 10000:f}%", value=value / 1000000, fmt="0.0000%", truth=[det.truth])
        b.doubt(det)


@kind(
    "rounding format hides digits, 0 over 9.8",
    "spreadsheet display",
    False,
    "dets",
    containers=SPREAD,
    scales=("ones",),
)
def rounded(b: Builder) -> None:
    """Shown 10, stored 9.8: both within rounding."""
    det = b.pick("ones")
    det.truth.tolerance = Decimal("0.5")
    value = det.truth.value or Decimal(1)
    det.cell = Cell(f"{value:.0f}", value=value, fmt="0", truth=[det.truth])
    b.doubt(det)


# --- rich text


def _rich(b: Builder, runs_of: str) -> tuple[Det, Cell]:
    det = b.pick("ones")
    text = b.number(det.truth.value or Decimal(1))
    cell = Cell(text, truth=[det.truth])
    runs = {
        "sup digit": [(text, ""), ("1", "superscript")],
        "sup letter": [(text, ""), ("a", "superscript")],
        "sup bracket": [(text, ""), ("1)", "superscript")],
        "sub digit": [(text, ""), ("2", "subscript")],
        "struck then new": [(b.number((det.truth.value or Decimal(1)) + 3), "strike"), (text, "")],
        "struck then new with space": [(b.number((det.truth.value or Decimal(1)) + 3), "strike"), (" " + text, "")],
        "struck whole": [(text, "strike")],
        "struck integer": [(str(int(det.truth.value or 12)), "strike"), (str(int(det.truth.value or 12) + 1), "")],
        "two bold halves": [(text[:1], ""), (text[1:], "")],
        "ten superscript": [("1.2·10", ""), ("3", "superscript")],
    }[runs_of]
    cell.runs, cell.text = runs, "".join(t for t, _ in runs)
    det.cell = cell
    return det, cell


def _rich_kind(name: str, runs_of: str, agree: bool, result: bool) -> None:
    def apply(b: Builder) -> None:
        det, _ = _rich(b, runs_of)
        det.truth.note = "rich"
        if runs_of == "struck integer":
            det.truth.value = Decimal(int(det.truth.value or 12) + 1)
        if not result:
            b.not_result(det)
        if not agree:
            b.doubt(det)

    add(name, "rich text", agree, "dets", apply, containers=SPREAD, scales=("ones",))


_rich_kind("superscript footnote digit", "sup digit", False, True)
_rich_kind("superscript footnote letter", "sup letter", False, True)
_rich_kind("superscript footnote 1)", "sup bracket", False, True)
_rich_kind("subscript digit", "sub digit", False, True)
_rich_kind("struck value, new one close behind", "struck then new", False, True)
_rich_kind("struck value, a space, new one", "struck then new with space", False, True)
_rich_kind("struck whole number, new one close behind", "struck integer", False, True)
_rich_kind("struck value, whole cell by rich text", "struck whole", False, False)
_rich_kind("number in two runs of the same look", "two bold halves", True, True)
_rich_kind("ten with a superscript three", "ten superscript", False, False)


@kind("struck number by cell font", "rich text", False, "dets", containers=SPREAD)
def struck(b: Builder) -> None:
    """Taken back by a line through it."""
    det = b.pick()
    det.cell.strike = True
    b.not_result(det)
    b.doubt(det)


@kind("struck line", "rich text", False, "grid", containers=SPREAD, layouts=("long", "wide"), slots="rows")
def struck_line(b: Builder) -> None:
    """The whole line is struck."""
    row = b.rng.choice(data_rows(b))
    for cell in row.cells:
        cell.strike = True
    void(b, row, "struck")


@kind("white number on white", "rich text", False, "dets", containers=X)
def white(b: Builder) -> None:
    """Hidden by its colour."""
    det = b.pick()
    det.cell.white = True
    b.not_result(det)
    b.doubt(det)


# --- hidden


@kind("hidden line, withdrawn", "hidden", False, "grid", containers=SPREAD, layouts=("long", "wide"), slots="rows")
def hidden_line(b: Builder) -> None:
    """The laboratory hid a line that does not count."""
    row = b.rng.choice(data_rows(b))
    row.hidden = True
    void(b, row, "hidden")


@kind("filtered lines, withdrawn", "hidden", False, "grid", containers=SPREAD, layouts=("long", "wide"), slots="rows")
def filtered(b: Builder) -> None:
    """A filter shows only the valid ones."""
    for row in b.rng.sample(data_rows(b), 2):
        row.filtered = True
        void(b, row, "filtered")


@kind("hidden column, withdrawn", "hidden", False, "grid", containers=SPREAD, layouts=("wide",), slots="width")
def hidden_column(b: Builder) -> None:
    """An analyte's column is hidden since it does not count."""
    place = next(i for i, c in enumerate(data_rows(b)[0].cells) if c.truth)
    b.sheet.hidden_columns.add(place)
    for row in data_rows(b):
        for truth in row.cells[place].truth:
            truth.is_result, truth.value, truth.agree = False, None, False


@kind("hidden column of units", "hidden", False, "grid", containers=SPREAD, layouts=("long",), slots="unit")
def hidden_unit(b: Builder) -> None:
    """The results count; the unit's column is hidden."""
    for i, cell in enumerate(head(b).cells):
        if cell.text == "Unit":
            b.sheet.hidden_columns.add(i)
    b.case_doubt = True


def _old_sheet(b: Builder, state: str, name: str, visible_first: bool) -> None:
    """Another sheet with the same headings and other bottles, which is not meant."""
    other = deepcopy(b.sheet)
    other.name, other.state = name, state
    codes = {d.sample for d in b.dets}
    keep = b.codes[-1]
    for sheet, mine in ((b.sheet, lambda c: c != keep), (other, lambda c: c == keep)):
        sheet.rows = [r for r in sheet.rows if not any(c.truth for c in r.cells) or mine(r.cells[0].text)]
    for row in other.rows:
        for cell in row.cells:
            for truth in cell.truth:
                truth.is_result, truth.value, truth.agree = False, None, False
    for det in b.dets:
        if det.sample == keep:
            b.not_result(det)
            b.doubt(det)
    for row in other.rows:
        for cell in row.cells:
            cell.truth = [
                d.truth
                for d in b.dets
                if cell.truth and d.sample == cell.truth[0].sample and d.analyte == cell.truth[0].analyte
            ]
    b.book.sheets = [b.sheet, other] if visible_first else [other, b.sheet]
    b.case_doubt = True
    del codes


for _state in ("hidden", "veryHidden"):
    for _star in (False, True):

        def _hidden_sheet(b: Builder, state: str = _state, star: bool = _star) -> None:
            _old_sheet(b, state, "old", b.rng.random() < 0.5)
            if star:
                b.entry["sheet"] = "*"

        add(
            f"{_state} sheet with other bottles, {'sheet *' if _star else 'no sheet named'}",
            "hidden",
            False,
            "grid",
            _hidden_sheet,
            containers=X if _state == "veryHidden" else SPREAD,
            layouts=("long", "wide"),
            slots="sheets rows code",
        )


@kind(
    "visible sheet 'withdrawn' with other bottles, sheet *",
    "hidden",
    False,
    "grid",
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="sheets rows code",
)
def withdrawn_sheet(b: Builder) -> None:
    """The name says it."""
    _old_sheet(b, "visible", "withdrawn", True)
    b.entry["sheet"] = "*"


# --- comments

for _words in ("invalid", "wrong sample?", "do not report", "value doubtful, repeat ordered", "below LOQ"):

    def _comment(b: Builder, words: str = _words) -> None:
        det = b.pick()
        det.cell.comment = words
        if words in ("invalid", "do not report", "wrong sample?", "below LOQ"):
            b.not_result(det)
        b.doubt(det)

    add(f"comment {_words!r}", "comments", False, "dets", _comment, containers=SPREAD)


@kind(
    "comment 'invalid' on the code",
    "comments",
    False,
    "grid",
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="rows code",
)
def comment_code(b: Builder) -> None:
    """Concerns the whole line."""
    row = b.rng.choice(data_rows(b))
    row.cells[0].comment = "bottle broken, results invalid"
    void(b, row, "comment")


@kind(
    "comment on a heading names another unit",
    "comments",
    False,
    "grid",
    containers=SPREAD,
    layouts=("wide",),
    slots="heading unit",
)
def comment_heading(b: Builder) -> None:
    """in g/kg!"""
    place = next(i for i, c in enumerate(data_rows(b)[0].cells) if c.truth)
    head(b).cells[place].comment = "values in g/kg"
    for row in data_rows(b):
        for truth in row.cells[place].truth:
            truth.is_result, truth.value, truth.agree = False, None, False


# --- formulas and errors


@kind("formula with its value", "formulas", True, "dets", containers=SPREAD)
def formula(b: Builder) -> None:
    """Stored value there."""
    for det in [b.pick(), b.pick()]:
        det.cell.formula = f"{det.truth.value}*1"


@kind("formula without a value, blank declared", "formulas", False, "dets", containers=SPREAD)
def uncalculated(b: Builder) -> None:
    """Never calculated; a reader sees the value once it is opened, the kit cannot."""
    det = b.pick()
    det.cell.formula, det.cell.cached = f"{det.truth.value}*1", False
    b.style.declare.add("blank")
    b.doubt(det)


@kind("formula without a value, blank undeclared", "formulas", False, "dets", containers=SPREAD)
def uncalculated_plain(b: Builder) -> None:
    """The same, the blank undeclared."""
    uncalculated(b)
    b.style.declare.discard("blank")


@kind("formula that gives a text with <", "formulas", False, "dets", containers=SPREAD, scales=("ones",))
def text_formula(b: Builder) -> None:
    """IF(A1<2;"<2";A1)."""
    det = b.pick("ones")
    text = f"<{b.number(det.truth.value or Decimal(1))}"
    det.cell = Cell(text, formula='IF(1=1,"' + text + '",1)', truth=[det.truth])
    det.truth.qualifier = "<"
    b.doubt(det)


@kind("formula that gives an empty text, blank declared", "formulas", False, "dets", containers=SPREAD)
def empty_formula(b: Builder) -> None:
    """IFERROR(x;"")."""
    det = b.pick()
    det.cell = Cell("", formula='IFERROR(1/0,"")', truth=[det.truth])
    b.style.declare.add("blank")
    b.not_result(det)
    b.doubt(det)


def _odd_parts(b: Builder, how: str) -> None:
    if how == "prefix":
        b.book.prefix = "x"
    elif how == "single quotes":
        b.book.single_quotes = True
    elif how == "other paths":
        b.book.odd_paths = True
    elif how == "inline strings":
        b.book.shared_strings = False


for _how in ("usual", "prefix", "single quotes", "other paths", "inline strings"):

    def _errors(b: Builder, how: str = _how) -> None:
        for det in (b.pick(), b.pick()):
            det.cell = Cell(
                b.rng.choice(["#N/A", "#DIV/0!", "#VALUE!", "#REF!"]),
                kind="error",
                truth=[det.truth],
                formula=b.rng.choice(["", "1/0"]),
            )
            det.truth.is_result, det.truth.value, det.truth.agree = True, Decimal(1), False
            det.truth.value = det.value  # there is a result, but the cell does not hold it
        b.style.declare.add("blank")
        _odd_parts(b, how)

    add(
        f"error cells, blank declared, {_how} parts",
        "formulas",
        False,
        "dets",
        _errors,
        containers=SPREAD if _how == "usual" else X,
    )

    def _unc(b: Builder, how: str = _how) -> None:
        uncalculated(b)
        _odd_parts(b, how)

    if _how != "usual":
        add(f"formula without a value, blank declared, {_how} parts", "formulas", False, "dets", _unc, containers=X)
        add(
            f"plain workbook, {_how} parts",
            "plain",
            True,
            "dets",
            lambda b, h=_how: _odd_parts(b, h),
            containers=X,
            slots="parts",
        )


@kind("true or false cell", "formulas", False, "dets", containers=SPREAD)
def boolean(b: Builder) -> None:
    """TRUE where a number should be."""
    det = b.pick()
    det.cell = Cell("TRUE", kind="bool", truth=[det.truth])
    b.not_result(det)
    b.doubt(det)


@kind("date cell for a number", "coerced", False, "dets", containers=SPREAD, scales=("ones",))
def date_cell(b: Builder) -> None:
    """9.8 became 9 August."""
    det = b.pick("ones")
    det.cell = Cell(
        "9. Aug",
        value=Decimal(46243),
        fmt="d\\. mmm" if b.style.container == "xlsx" else "d mmm",
        kind="date",
        truth=[det.truth],
    )
    b.not_result(det)
    b.doubt(det)


@kind(
    "text with a decimal comma among number cells", "decimal sign", False, "dets", containers=SPREAD, scales=("ones",)
)
def text_comma(b: Builder) -> None:
    """9,8 typed where the program wanted a point."""
    det = b.pick("ones")
    det.cell = Cell(f"{det.truth.value:f}".replace(".", ","), truth=[det.truth])
    b.doubt(det)


@kind("text with three places among number cells", "decimal sign", False, "dets", containers=SPREAD, scales=("ones",))
def text_three(b: Builder) -> None:
    """9,823 as text: nine or nine thousand."""
    det = b.pick("ones")
    det.truth.value = (det.truth.value or Decimal(1)) + Decimal("0.023")
    det.cell = Cell(f"{det.truth.value:.3f}".replace(".", b.rng.choice(",.")), truth=[det.truth])
    b.style.declare.discard("decimal")
    b.doubt(det)


# --- merges, repeats, more sheets


@kind("merged result over two bottles", "merged", False, "grid", containers=SPREAD, layouts=("wide",), slots="rows blank")
def merged_result(b: Builder) -> None:
    """One value for two bottles."""
    rows = data_rows(b)
    place = next(i for i, c in enumerate(rows[0].cells) if c.truth)
    at = b.sheet.rows.index(rows[0])
    lower = b.sheet.rows[at + 1]
    if not any(c.truth for c in lower.cells):
        return
    b.sheet.merges.append((at, place, at + 1, place))
    truth = lower.cells[place].truth
    upper = rows[0].cells[place].truth[0]
    lower.cells[place] = Cell("", truth=truth)
    for t in truth:
        t.value, t.agree = upper.value, False
    upper.agree = False
    if b.rng.random() < 0.7:
        b.style.declare.add("blank")


@kind("merged cell covers an old value", "merged", False, "grid", containers=SPREAD, layouts=("wide",), slots="rows")
def covered(b: Builder) -> None:
    """The covered cell still holds a number that nobody sees."""
    rows = data_rows(b)
    place = next(i for i, c in enumerate(rows[0].cells) if c.truth)
    at = b.sheet.rows.index(rows[0])
    lower = b.sheet.rows[at + 1]
    if not any(c.truth for c in lower.cells):
        return
    b.sheet.merges.append((at, place, at + 1, place))
    for t in lower.cells[place].truth:
        t.is_result, t.value, t.agree = False, None, False
    rows[0].cells[place].truth[0].agree = False


@kind("equal neighbours written once with a count", "plain", True, "dets", containers=ODS, scales=("hundreds",))
def repeated(b: Builder) -> None:
    """Two bottles with the same values, and cells repeated."""
    for key in b.analytes:
        dets = [d for d in b.dets if d.analyte == key]
        for det in dets[1:3]:
            det.truth.value = det.value = dets[0].value
            det.cell = b.number_cell(det.value, det.truth)


def _split_sheets(b: Builder, other_unit: bool, star: bool, other_name: str) -> None:
    """Half of the bottles on a second sheet."""
    other = deepcopy(b.sheet)
    rows = data_rows(b)
    codes = [r.cells[0].text for r in rows]
    keep = set(dict.fromkeys(codes[: len(codes) // 2]))
    other.name = other_name
    moved = [r for r in b.sheet.rows if any(c.truth for c in r.cells) and r.cells[0].text not in keep]
    b.sheet.rows = [r for r in b.sheet.rows if not any(r is m for m in moved)]
    at = min(i for i, r in enumerate(other.rows) if any(c.truth for c in r.cells))
    other.rows = [r for r in other.rows if not any(c.truth for c in r.cells)]
    other.rows[at:at] = moved
    if other_unit:
        place = next(i for i, c in enumerate(moved[0].cells) if c.truth)
        for row in moved:
            truth = row.cells[place].truth[0]
            if POOL[truth.analyte].unit != "mg/kg":
                continue
            value = (truth.value or Decimal(1)) / 1000
            row.cells[place].text, row.cells[place].value = b.number(value), value
    b.book.sheets = [b.sheet, other]
    if star:
        b.entry["sheet"] = "*"
    b.case_doubt = not star or other_unit


add(
    "bottles over two sheets, sheet *",
    "sheets",
    True,
    "grid",
    lambda b: _split_sheets(b, False, True, "Results 2"),
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="sheets rows qualifier top",
)  # a column added later stands on one sheet only
add(
    "bottles over two sheets, no sheet named",
    "sheets",
    False,
    "grid",
    lambda b: _split_sheets(b, False, False, "Results 2"),
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="sheets rows",
)
add(
    "bottles over two sheets, the second named g/kg, sheet *",
    "sheets",
    False,
    "grid",
    lambda b: _split_sheets(b, True, True, "in g per kg"),
    containers=SPREAD,
    layouts=("wide",),
    slots="sheets rows unit",
)


@kind(
    "analytes over two sheets of other headings, one entry",
    "sheets",
    False,
    "grid",
    containers=SPREAD,
    layouts=("wide",),
    slots="sheets width",
)
def two_tables(b: Builder) -> None:
    """The second sheet has further analytes; the user mapped the first only."""
    last = len(b.analytes)
    rows = data_rows(b)
    other = Sheet("Further", [text_cells("Bottle", head(b).cells[last].text)])
    if "unit_row" in b.entry:
        other.rows.append(text_cells("", b.sheet.rows[int(str(b.entry["unit_row"])) - 1].cells[last].text))
    for row in rows:
        other.rows.append(Row([Cell(row.cells[0].text), row.cells[last]]))
    for row in b.sheet.rows:
        if len(row.cells) > last:
            del row.cells[last]
    b.book.sheets = [b.sheet, other]
    key = b.analytes[-1]
    b.head_of(key) if b.style.unit_place == "header" else b.heads[key]
    b.later("map", lambda x: None)
    b.case_doubt = True


@kind(
    "a copy of the sheet with other values",
    "sheets",
    False,
    "grid",
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="sheets",
)
def copied_sheet(b: Builder) -> None:
    """Results and Results (2): which counts is not said."""
    other = deepcopy(b.sheet)
    other.name = "Results (2)"
    for row in other.rows:
        for cell in row.cells:
            if cell.truth and cell.value is not None:
                truth = cell.truth[0]
                cell.value += Decimal(3).scaleb(-POOL[truth.analyte].places)
                cell.text = b.number(cell.value)
            cell.truth = []
    b.book.sheets = [b.sheet, other]
    for det in b.dets:
        b.not_result(det)
    b.case_doubt = True
    if b.rng.random() < 0.5:
        b.entry["sheet"] = "*"


@kind("a cover sheet first", "sheets", True, "grid", containers=SPREAD, slots="sheets")
def cover(b: Builder) -> None:
    """The results are on the second sheet."""
    b.book.sheets = [Sheet("Cover", [text_cells("Laboratory Nordhafen"), text_cells("Report", "2026-118")]), b.sheet]


@kind(
    "a pivot of means on a second sheet, same headings",
    "sheets",
    False,
    "grid",
    containers=SPREAD,
    layouts=("wide",),
    slots="sheets rows",
)
def pivot(b: Builder) -> None:
    """Means by store under the code column; sheet * chosen."""
    other = Sheet("Means", [deepcopy(head(b))])
    if "unit_row" in b.entry:
        other.rows += [deepcopy(r) for r in b.sheet.rows[b.header_line : b.header_line + 1]]
    cells = [Cell() for _ in head(b).cells]
    cells[0] = Cell("north")
    other.rows.append(Row(cells))
    for i, cell in enumerate(data_rows(b)[0].cells):
        if cell.truth:
            cells[i] = b.number_cell(cell.truth[0].value or Decimal(1))
    b.book.sheets = [b.sheet, other]
    b.entry["sheet"] = "*"
    b.case_doubt = True


@kind("ods: shown text and stored value differ", "spreadsheet display", False, "dets", containers=ODS)
def ods_differs(b: Builder) -> None:
    """The text part says one thing, the value another (a damaged or edited file)."""
    det = b.pick()
    det.cell.value = (det.truth.value or Decimal(1)) * 10
    b.not_result(det)
    b.doubt(det)


@kind("ods: two paragraphs in a cell", "two values", False, "dets", containers=ODS, scales=("hundreds",))
def ods_paragraphs(b: Builder) -> None:
    """338 and 341 in one cell."""
    det = b.pick("hundreds")
    value = int(det.truth.value or 1)
    b.text(det, f"{value}\n{value + 3}")
    b.not_result(det)
    b.doubt(det)


@kind("ods: text:s between two values", "two values", False, "dets", containers=ODS, scales=("hundreds",))
def ods_spaces(b: Builder) -> None:
    """338   341."""
    det = b.pick("hundreds")
    value = int(det.truth.value or 1)
    det.cell = Cell(
        f"{value}{value + 3}", runs=[(str(value), ""), ("   ", ""), (str(value + 3), "")], truth=[det.truth]
    )
    b.not_result(det)
    b.doubt(det)


@kind("collapsed group of lines", "hidden", False, "grid", containers=SPREAD, layouts=("long", "wide"), slots="rows")
def grouped_lines(b: Builder) -> None:
    """Only folded away; the results count."""
    rows = data_rows(b)
    for row in rows[:2]:
        row.hidden = True
    b.case_doubt = True


@kind(
    "result in a line below the visible end, 200 lines down",
    "hidden",
    False,
    "grid",
    containers=SPREAD,
    layouts=("long", "wide"),
    slots="rows bottom",
)
def far_below(b: Builder) -> None:
    """Scrap calculations far below."""
    row = deepcopy(b.rng.choice(data_rows(b)))
    for cell in row.cells:
        cell.truth = []
        if cell.value is not None:
            cell.value += 1
            cell.text = b.number(cell.value)
    b.sheet.rows += [text_cells("") for _ in range(30)] + [row]
    b.whole_agree = False


_ = (after_data, Truth)
