"""Slips of the hand in a spreadsheet, and headings that say something else than the mapping."""

from __future__ import annotations

from decimal import Decimal

from tests.intake.labfiles.build import POOL, Builder
from tests.intake.labfiles.kinds_layout import LW, _shift_lines, _summary, after_data, data_rows, head, number
from tests.intake.labfiles.model import Cell, Row, text_cells
from tests.intake.labfiles.registry import kind


def _doubt_all(b: Builder) -> None:
    for row in data_rows(b):
        for cell in row.cells:
            for truth in cell.truth:
                truth.agree = False
    b.whole_agree = False


def _width(b: Builder) -> int:
    return len(head(b).cells)


def _down(b: Builder, place: int) -> None:
    """The cells of one column from some line on one line further down; what falls off stands on a line of its own."""
    rows = data_rows(b)
    at = after_data(b)
    start = b.rng.randrange(len(rows) - 1)
    moved = [r.cells[place] for r in rows[start:]]
    for row, cell in zip(rows[start:], [Cell(), *moved[:-1]], strict=True):
        row.cells[place] = cell
    over = [Cell() for _ in range(_width(b))]
    over[place] = moved[-1]
    b.sheet.rows.insert(at, Row(over))
    b.style.declare.add("blank")
    b.case_doubt = True


@kind("a column of results moved down by a line", "slips of the hand", False, "grid", layouts=("wide",), slots="rows cell")
def column_down(b: Builder) -> None:
    """A cell was put in, and those below moved down."""
    _down(b, b.rng.randint(1, len(b.analytes)))


@kind("results of a long file moved down by a line", "slips of the hand", False, "grid", layouts=("long",), slots="rows cell")
def results_down(b: Builder) -> None:
    """The same under Result."""
    _down(b, 2)


@kind("the codes moved down by a line", "slips of the hand", False, "grid", layouts=("wide",), slots="rows cell code")
def codes_down(b: Builder) -> None:
    """A line without a code, and a code without results at the end."""
    _down(b, 0)


@kind("the codes moved up by a line", "slips of the hand", False, "grid", layouts=("wide",), slots="rows cell code")
def codes_up(b: Builder) -> None:
    """A code was deleted; the last line has none."""
    rows = data_rows(b)
    start = b.rng.randrange(len(rows) - 1)
    codes = [r.cells[0] for r in rows[start + 1:]]
    for row, cell in zip(rows[start:], [*codes, Cell()], strict=True):
        row.cells[0] = cell
    b.case_doubt = True


def _across_method(b: Builder, left: bool) -> None:
    head(b).cells.append(Cell("Method"))
    for row in data_rows(b):
        row.cells.append(Cell("ICP"))
    row = b.rng.choice(data_rows(b))
    place = next(i for i, c in enumerate(row.cells) if c.truth)
    if left:
        for truth in row.cells[place].truth:
            b.truth.append(truth)
            truth.is_result, truth.value = False, None
        del row.cells[place]
        row.cells.append(Cell())
    else:
        row.cells.insert(place, Cell())
        row.cells.pop()
    b.style.declare.add("blank")
    b.case_doubt = True
    b.later("map", lambda x: x.entry.__setitem__("ignore_columns", ["Method"]))


for _left, _word in ((True, "left"), (False, "right")):
    @kind(f"samples across, a line moved to the {_word}, a method behind", "slips of the hand", False, "grid",
          layouts=("wide-samples",), slots="rows cell width")
    def across(b: Builder, left: bool = _left) -> None:
        """Told by the column behind the samples alone."""
        _across_method(b, left)


@kind("long, a place in the run under the result", "slips of the hand", False, "grid", layouts=("long",),
      slots="rows cell unit")
def place_for_result(b: Builder) -> None:
    """The result was deleted and what stands behind it moved."""
    b.style.unit_place, b.style.meta = "mapping", ("pos",)
    b.columns = {k: v for k, v in b.columns.items() if k not in ("unit", "run", "reported_on")} | {"run_order": "Pos"}
    head(b).cells = [*head(b).cells[:3], Cell("Pos")]
    rows = data_rows(b)
    for n, row in enumerate(rows, 1):
        row.cells = [*row.cells[:3], Cell(str(n)) if b.is_text else Cell(str(n), value=Decimal(n))]
    row = b.rng.choice(rows)
    for truth in row.cells[2].truth:
        b.truth.append(truth)
        truth.is_result, truth.value = False, None
    row.cells[2:] = [row.cells[3], Cell()]
    b.case_doubt = True


@kind("a mean and a scatter below, under what are also sample codes", "slips of the hand", False, "grid", layouts=("wide",),
      slots="rows code")
def mean_and_scatter(b: Builder) -> None:
    """M and S are bottles of the study too."""
    _summary(b, "M", "mean", True)
    at = max(i for i, r in enumerate(b.sheet.rows) if r.cells and r.cells[0].text == "M") + 1
    cells = [Cell() for _ in range(_width(b))]
    cells[0] = Cell("S")
    for i, cell in enumerate(data_rows(b)[0].cells):
        if cell.truth:
            cells[i] = number(b, POOL[cell.truth[0].analyte].nominal.scaleb(-2).quantize(Decimal("0.01")) + Decimal("0.01"))
    b.sheet.rows.insert(at, Row(cells))
    b.codes.append("S")


@kind("a mean on the first line, under what is also a sample code", "slips of the hand", False, "grid", layouts=("wide",),
      slots="rows code")
def mean_first(b: Builder) -> None:
    """M is a bottle of the study too."""
    _summary(b, "M", "mean", True)
    row = next(r for r in b.sheet.rows if r.cells and r.cells[0].text == "M")
    first = data_rows(b)[0]
    b.sheet.rows.remove(row)
    b.sheet.rows.insert(next(i for i, r in enumerate(b.sheet.rows) if r is first), row)


@kind("a target on a line below each result, declared in order", "slips of the hand", False, "grid", layouts=("long",),
      slots="rows runs cell")
def targets(b: Builder) -> None:
    """Type: found, max."""
    rows = data_rows(b)
    at = b.sheet.rows.index(rows[0])
    out = []
    head(b).cells.append(Cell("Type"))
    for row in rows:
        substance = POOL[row.cells[2].truth[0].analyte]
        limit = (substance.nominal * Decimal("1.2")).quantize(Decimal(1).scaleb(-substance.places))
        out += [row, Row([*(Cell(c.text, value=c.value) for c in row.cells[:2]), number(b, limit),
                          *(Cell(c.text, value=c.value) for c in row.cells[3:]), Cell("max")])]
        row.cells.append(Cell("found"))
    b.sheet.rows[at:at + len(rows)] = out
    b.case_doubt = True

    def mapped(b: Builder) -> None:
        b.entry["replicates"] = "in order"
        b.entry["ignore_columns"] = sorted({"Type", *b.entry.get("ignore_columns", [])} - {"*"})  # type: ignore[misc]

    b.later("map", mapped)


def _renamed(b: Builder, key: str, name: str) -> None:
    """One analyte under a name that says something else; nothing of it is meant."""
    b.analytes = [key, "Zn" if key != "Zn" else "Si"]
    b.heads[key] = name

    def dets(b: Builder) -> None:
        for det in b.dets:
            if det.analyte == key:
                b.not_result(det, "another substance, unit or temperature")
        b.doubt()

    b.later("dets", dets)


for _key, _name in (("P", "P2O5"), ("Si", "SiO2"), ("S", "Sulphate"), ("KV40", "Visc. 100 °C"), ("KV40", "KV100"),
                    ("P", "Phosphorus as P2O5"), ("P", "P (÷10)"), ("P", "P x 0.1"), ("Si", "Si 1:10"),
                    ("Si", "Si RSD"), ("P", "P max"), ("Si", "Si/P"), ("Zn", "log Zn"), ("Si", "Si uncorrected")):
    @kind(f"a heading {_name} mapped to {_key}", "headings", False, "style", slots="heading name unit")
    def renamed(b: Builder, key: str = _key, name: str = _name) -> None:
        """The mapping says more than the laboratory."""
        _renamed(b, key, name)


for _line in ("Values on grey ground do not count.", "Results in bold are second readings", "Figures in brackets: below LOQ",
              "Einheit: g/kg", "Werte durch 10 teilen", "results per 100 g", "% of nominal", "corrected for recovery 85 %",
              "ratios to the control", "ln(mg/kg)"):
    @kind(f"a line above: {_line}", "certificates", False, "grid", layouts=LW, slots="top unit")
    def told(b: Builder, line: str = _line) -> None:
        """Nobody sees the ground or the type in what is read."""
        b.sheet.rows.insert(0, text_cells(line))
        _shift_lines(b, 1)
        _doubt_all(b)
        for row in data_rows(b):
            for cell in row.cells:
                for truth in cell.truth:
                    truth.is_result, truth.value = False, None
