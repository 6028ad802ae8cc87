"""Kinds that strangers named: group means, what is written once, preparations, uncertainty, limits; what clerks have seen."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder, Det
from tests.intake.labfiles.kinds_layout import LW, _shift_lines, after_data, data_rows, head
from tests.intake.labfiles.kinds_reports import _column, _ignore
from tests.intake.labfiles.kinds_slips import _renamed
from tests.intake.labfiles.model import Cell, Row, Truth, text_cells
from tests.intake.labfiles.registry import add, kind

ONE = Decimal(1)


def _aside(b: Builder, *headings: str) -> None:
    """The user sets these columns aside by name."""
    for heading in headings:
        _ignore(b, heading)


def _key(b: Builder, name: str, value: object) -> None:
    b.later("map", lambda x: x.entry.__setitem__(name, value))


def _blank_doubt(b: Builder, row: Row, note: str) -> None:
    for cell in row.cells:
        for truth in cell.truth:
            truth.is_result, truth.value, truth.agree, truth.note = False, None, False, note


# --- a) rows between groups that are no samples

MEANS = ("Subtotal", "Average", "Mean", "Mittelwert", "Moyenne", "Gemiddelde", "Promedio", "Zwischensumme", "Sous-total", "Ø",
         "x̄", "Mean of {code}", "{code} mean", "MW {code}", "{code} Ø")
SPREADS = ("SD", "RSD %", "s", "CV", "Stabw.", "écart-type", "SD {code}", "VK %")


def _group_rows(b: Builder, label: Callable[[list[str]], str], how: str, size: int = 2) -> list[Row]:
    """A row of a mean, a sum or a scatter behind every group of samples; gives the rows."""
    rows, made = data_rows(b), []
    for n in range(0, len(rows), size):
        group = rows[n:n + size]
        cells = [Cell() for _ in head(b).cells]
        cells[0] = Cell(label([r.cells[0].text for r in group]))
        for i, cell in enumerate(group[0].cells):
            if cell.truth:
                values = [t.value for r in group for t in r.cells[i].truth[:1] if t.value is not None]
                places = POOL[cell.truth[0].analyte].places
                total = sum(values, Decimal(0))
                value = {"sum": total, "mean": total / max(len(values), 1),
                         "scatter": max(values, default=ONE) - min(values, default=ONE) + ONE.scaleb(-places)}[how]
                cells[i] = b.number_cell(value.quantize(ONE.scaleb(-places)))
        row = Row(cells)
        b.sheet.rows.insert(next(i for i, r in enumerate(b.sheet.rows) if r is group[-1]) + 1, row)
        made.append(row)
    b.whole_agree = False
    return made


for _labels, _how in ((MEANS, "mean"), (SPREADS, "scatter"), (("Subtotal ", "Summe"), "sum")):
    for _label in _labels:
        def _labelled(b: Builder, label: str = _label, how: str = _how) -> None:
            _group_rows(b, lambda codes: label.format(code=codes[0]), how)

        add(f"group row {_label!r} behind every two bottles", "group rows", False, "grid", _labelled, layouts=("wide",),
            slots="rows")


@kind("group mean with an empty code", "group rows", False, "grid", layouts=("wide",), slots="rows")
def group_unlabelled(b: Builder) -> None:
    """Numbers below each group."""
    _group_rows(b, lambda codes: "", "mean")


@kind("group mean under the code of its last bottle", "group rows", False, "grid", layouts=("wide",), slots="rows runs")
def group_under_code(b: Builder) -> None:
    """Nothing tells it; the bottle has two lines."""
    rows = data_rows(b)
    made = _group_rows(b, lambda codes: codes[-1], "mean")
    for row, mean in zip(rows[1::2], made, strict=False):
        for cell, other in zip(row.cells, mean.cells, strict=False):
            for truth in cell.truth:
                truth.agree = False
                if cell.text != other.text:
                    truth.is_result, truth.value, truth.note = False, None, "which of the two lines is it"


@kind("group mean under the code of its last bottle, declared in order", "group rows", False, "grid", layouts=("wide",),
      slots="rows runs cell")
def group_in_order(b: Builder) -> None:
    """The mean would be its second determination."""
    group_under_code(b)
    for det in b.dets:
        det.truth.is_result, det.truth.value, det.truth.agree = True, det.value, False
    _key(b, "replicates", "in order")


def _doubled(b: Builder, summary: bool = True, scatter: bool = False) -> None:
    """Each sample twice, then its mean and perhaps its scatter, in the order of the file."""
    out: list[Det] = []
    for n, code in enumerate(b.codes):
        own = [d for d in b.dets if d.sample == code]
        for k, what in enumerate(["first", "second", *["mean"] * summary, *["scatter"] * scatter], 1):
            for det in own:
                step = ONE.scaleb(-POOL[det.analyte].places)
                new = det if k == 1 else b.new_det(code, det.analyte)
                second = det.value + (2 + n % 3) * step
                value = {"first": det.value, "second": second, "mean": (det.value + second) / 2,
                         "scatter": ((2 + n % 3) * step / 2).quantize(step / 10)}[what]
                new.value = new.truth.value = value
                new.cell = b.number_cell(value, new.truth)
                new.replicate, new.remark = k, what
                new.unit, new.truth.unit, new.unit_text = det.unit, det.truth.unit, det.unit_text
                if what in ("mean", "scatter"):
                    b.not_result(new, what)
                out.append(new)
    b.dets[:] = out


@kind("two determinations, mean and scatter of each, in order", "group rows", False, "dets", layouts=LW,
      slots="runs repeats cell rows")
def mean_and_scatter_of_each(b: Builder) -> None:
    """The third line is the mean, the fourth the scatter."""
    _doubled(b, scatter=True)
    b.entry["replicates"] = "in order"
    b.doubt()


for _words in (("single", "single", "mean"), ("1", "2", "MW"), ("a", "b", "Ø"), ("Einzelwert", "Einzelwert", "Mittel")):
    def _told(b: Builder, words: tuple[str, str, str] = _words) -> None:
        _doubled(b)
        b.entry["replicates"] = "in order"
        b.doubt()
        _told_by(b, "Kind", words)

    add(f"a column Kind says {_words[2]!r} on every third line, in order", "group rows", False, "dets", _told, layouts=LW,
        slots="runs repeats cell rows width")


def _told_by(b: Builder, heading: str, words: tuple[str, ...]) -> None:
    """A column, set aside by name, that says which determination of its sample a line is."""
    def grid(b: Builder) -> None:
        _column(b, heading, [words[_det_of(b, r).replicate - 1] for r in data_rows(b)])
        _aside(b, heading)

    b.later("grid", grid)


def _det_of(b: Builder, row: Row) -> Det:
    truth = next(c.truth[0] for c in row.cells if c.truth)
    return next(d for d in b.dets if d.truth is truth)


@kind("single values and their means mixed, one line per bottle, told by a column", "group rows", False, "grid", layouts=LW,
      slots="rows width")
def kinds_mixed(b: Builder) -> None:
    """Some lines say RSD %."""
    rows = data_rows(b)
    _column(b, "Statistic", ["RSD %" if i % 3 == 2 else "result" for i in range(len(rows))])
    _aside(b, "Statistic")
    for i, row in enumerate(rows):
        if i % 3 == 2:
            _blank_doubt(b, row, "a scatter")
    b.case_doubt = True


@kind("code merged over two determinations and their mean", "group rows", False, "dets", containers=SPREAD,
      layouts=("wide",), slots="runs repeats cell rows code")
def merged_group(b: Builder) -> None:
    """One code cell over three lines; the user says that blanks repeat it."""
    _doubled(b)
    b.entry["replicates"] = "in order"
    b.doubt()
    _key(b, "blank_repeats", ["Sample"])
    b.later("grid", lambda x: _once(x, 0, merge=True))


# --- b) written once


def _once(b: Builder, place: int, merge: bool = False) -> None:
    """Blank in a column what repeats the cell above."""
    last, start = "", 0
    for i, row in enumerate(b.sheet.rows):
        if not any(c.truth for c in row.cells) or place >= len(row.cells):
            last = ""
            continue
        text = row.cells[place].text
        if text == last:
            row.cells[place] = Cell()
            if merge and not b.is_text:
                b.sheet.merges = [m for m in b.sheet.merges if (m[0], m[1]) != (start, place)] + [(start, place, i, place)]
        else:
            last, start = text, i


def _place(b: Builder, heading: str) -> int:
    return [c.text for c in head(b).cells].index(heading)


def _sorted_by(b: Builder, what: str) -> None:
    if what == "analyte":
        b.dets.sort(key=lambda d: b.analytes.index(d.analyte))


#: heading, how the lines are sorted, the columns that the laboratory writes beside
ONCE = (("Sample", "sample", ()), ("Test", "analyte", ()), ("Unit", "analyte", ()), ("Reported", "sample", ("date",)),
        ("Batch", "sample", ("run",)))
for _heading, _order, _meta in ONCE:
    for _said in (True, False):
        def _written_once(b: Builder, heading: str = _heading, order: str = _order, meta: tuple[str, ...] = _meta,
                          said: bool = _said) -> None:
            b.style.meta = tuple(dict.fromkeys([*b.style.meta, *meta]))
            b.style.unit_place = "column" if heading == "Unit" else b.style.unit_place
            merge = b.rng.random() < 0.5

            def dets(b: Builder) -> None:
                _sorted_by(b, order)

            def grid(b: Builder) -> None:
                _once(b, _place(b, heading), merge)
                if said:
                    _key(b, "blank_repeats", [heading])
                elif heading in ("Reported", "Batch"):
                    b.case_doubt = True

            b.later("dets", dets)
            b.later("grid", grid)

        add(f"{_heading} written once, blank below, {'declared' if _said else 'undeclared'}", "written once", _said, "style",
            _written_once, layouts=("long",), slots="rows runs code" + (" units unit" if _heading == "Unit" else ""))


for _line in ("last", "middle"):
    for _said in (True, False):
        def _not_first(b: Builder, line: str = _line, said: bool = _said) -> None:
            """The code stands in another line of its group than the first; `blank_repeats` alone does not say so."""
            if len(b.analytes) < (2 if line == "last" else 3):
                return
            rows, size = data_rows(b), len(b.analytes)
            if len(rows) % size:
                return
            for n, row in enumerate(rows):
                if n % size != (size - 1 if line == "last" else 1):
                    row.cells[0] = Cell()
            _key(b, "blank_repeats", ["Sample"])
            if said:
                _key(b, "blank_repeats_from", "below")
            if not said or line == "middle":
                b.doubt()
                b.case_doubt = True

        add(f"the code in the {_line} line of its group, {'below' if _said else 'nothing'} declared", "written once",
            None if _said else False, "grid", _not_first, layouts=("long",), slots="rows runs code")


@kind("code once for two determinations, declared", "written once", True, "dets", layouts=("wide",),
      slots="runs repeats cell rows code")
def once_for_two(b: Builder) -> None:
    """A second line below each bottle."""
    _doubled(b, summary=False)
    b.entry["replicates"] = "in order"
    _key(b, "blank_repeats", ["Sample"])
    b.later("grid", lambda x: _once(x, 0))


@kind("a blank code that means no code, blanks declared to repeat, long", "written once", False, "grid", layouts=("long",),
      slots="rows code")
def no_code(b: Builder) -> None:
    """The last analyte of one bottle was not measured, and an unknown bottle's stands there."""
    row = b.rng.choice([r for r in data_rows(b) if r.cells[2].truth[0].analyte == b.analytes[-1]][:-1])
    _once(b, 0)
    row.cells[0] = Cell()
    _blank_doubt(b, row, "no bottle's")
    value = POOL[b.analytes[-1]].nominal * Decimal("1.3")
    row.cells[2] = b.number_cell(value.quantize(ONE.scaleb(-POOL[b.analytes[-1]].places)), *row.cells[2].truth)
    row.cells[1].text += ""
    rows = data_rows(b)
    at = next(i for i, r in enumerate(rows) if r is row)
    extra = Row([Cell(), Cell(rows[at - 1].cells[1].text if len(b.analytes) > 1 else "x"), *(Cell(c.text, value=c.value)
                for c in rows[at - 1].cells[2:])])
    b.sheet.rows.insert(next(i for i, r in enumerate(b.sheet.rows) if r is row), extra)
    b.case_doubt = True
    _key(b, "blank_repeats", ["Sample"])


@kind("an unknown bottle's line has no code, blanks declared to repeat, wide", "written once", False, "grid",
      layouts=("wide",), slots="rows code")
def no_code_wide(b: Builder) -> None:
    """One determination a bottle; a line without a code is not another of the one above."""
    row = b.rng.choice(data_rows(b)[1:])
    row.cells[0] = Cell()
    _blank_doubt(b, row, "no bottle's")
    b.case_doubt = True
    _key(b, "blank_repeats", ["Sample"])
    if b.rng.random() < 0.5:
        _key(b, "replicates", "in order")


@kind("group means without a code, blanks declared to repeat", "written once", False, "dets", layouts=("wide",),
      slots="runs repeats cell rows code")
def unlabelled_means(b: Builder) -> None:
    """Two determinations of each bottle and a mean below, the code on the first line alone."""
    _doubled(b)
    b.entry["replicates"] = "in order"
    b.doubt()
    _key(b, "blank_repeats", ["Sample"])
    b.later("grid", lambda x: _once(x, 0))


@kind("a total below, without a code, blanks declared to repeat", "written once", False, "grid", layouts=("wide",),
      slots="rows code")
def unlabelled_total(b: Builder) -> None:
    """The mean of all below the last bottle."""
    _group_rows(b, lambda codes: "", "mean", size=99)
    _key(b, "blank_repeats", ["Sample"])
    b.case_doubt = True
    if b.rng.random() < 0.5:
        _key(b, "replicates", "in order")


@kind("ditto marks in the batch column", "written once", False, "grid", layouts=("long",), slots="rows runs quotes")
def ditto_batch(b: Builder) -> None:
    """A batch is not called '"'."""
    if "run" not in b.style.meta:
        return
    place = _place(b, "Batch")
    mark = b.rng.choice(['"', "\u3003", "''", "dto.", "idem", "s.o."])
    for row in data_rows(b)[1:]:
        row.cells[place] = Cell(mark)
    b.case_doubt = True


# --- c) preparations of one analyte

PREPARED = ("{n} filtered", "{n} (dissolved)", "{n} < 5 um", "{n} (<0.45 µm)", "{n} digested", "{n} gelöst", "{n} filtriert",
            "{n} dry basis", "{n} i. TM", "{n} (supernatant)", "{n} particulate", "{n} extractable", "{n} soluble",
            "{n}, centrifuged", "{n} after filtration", "{n} free", "{n} dissous", "{n}-filtered", "{n}_filt", "filtered {n}",
            "{n} ×10³", "{n} mean of duplicates (dry)")
for _form in PREPARED:
    def _prepared(b: Builder, form: str = _form) -> None:
        key = b.rng.choice(["Si", "P", "Ca"])
        _renamed(b, key, form.format(n=b.rng.choice([key, POOL[key].long])))

    add(f"a heading {_form} mapped to the analyte", "preparations", False, "style", _prepared, slots="heading name unit")


@kind("a heading 'total' alone, mapped", "preparations", True, "style", slots="heading name unit")
def total_alone(b: Builder) -> None:
    """Nobody takes it for anything else."""
    b.analytes = ["Si", "Zn"]
    b.heads["Si"] = b.rng.choice(["Si total", "Total Si", "Silicon, total", "Si (total)"])


def _beside(b: Builder, name: str, factor: str) -> str:
    """A column of another preparation behind the first analyte's; gives its heading."""
    first = head(b).cells[1].text
    heading = name.format(n=b.analytes[0]) + (first[first.index(" ["):] if " [" in first else "")
    head(b).cells.insert(2, Cell(heading))
    for row in b.sheet.rows[b.header_line:]:
        if len(row.cells) > 2:
            row.cells.insert(2, Cell(row.cells[1].text if row not in data_rows(b) else ""))
    for row in data_rows(b):
        truth = row.cells[1].truth[0]
        value = (truth.value or ONE) * Decimal(factor)
        row.cells[2] = b.number_cell(value.quantize(ONE.scaleb(-POOL[truth.analyte].places)))
    return heading


for _name in ("{n} filtered", "{n} (dissolved)", "{n} < 5 um", "{n} digested", "{n} total"):
    def _named_aside(b: Builder, name: str = _name) -> None:
        _aside(b, _beside(b, name, "0.8"))

    add(f"plain and {_name} beside it, the second ignored by name", "preparations", True, "grid", _named_aside,
        layouts=("wide",), slots="width heading")

    def _starred(b: Builder, name: str = _name) -> None:
        _beside(b, name, "0.8")
        b.style.declare.add("star")
        b.case_doubt = True

    add(f"plain and {_name} beside it, ignore *", "preparations", False, "grid", _starred, layouts=("wide",),
        slots="width heading")

    def _both(b: Builder, name: str = _name) -> None:
        heading, key = _beside(b, name, "0.8"), b.analytes[0]
        b.case_doubt = True
        b.later("map", lambda x: x.maps["analytes"].__setitem__(heading, {"analyte": key, "replicate": 2}))

    add(f"plain and {_name} beside it, mapped as a second determination", "preparations", False, "grid", _both,
        layouts=("wide",), slots="width heading")


def _two_preparations(b: Builder, heading: str, words: tuple[str, str]) -> None:
    """Each bottle once as it is and once prepared, told by a column; in order."""
    _doubled(b, summary=False)
    for det in b.dets:
        if det.replicate == 2:
            b.not_result(det, "another preparation")
            det.value = (det.value * Decimal("0.85")).quantize(ONE.scaleb(-POOL[det.analyte].places))
            det.cell = b.number_cell(det.value, det.truth)
    b.entry["replicates"] = "in order"
    b.doubt()
    _told_by(b, heading, words)


for _heading, _two in (("Fraction", ("total", "dissolved")), ("Preparation", ("as received", "filtered 0.45 µm")),
                       ("Basis", ("wet", "dry")), ("Aufschluss", ("ohne", "Mikrowelle")), ("Phase", ("oil", "water")),
                       ("Mode", ("unfiltered", "< 5 µm")), ("Treatment", ("none", "centrifuged"))):
    def _twice(b: Builder, heading: str = _heading, two: tuple[str, str] = _two) -> None:
        _two_preparations(b, heading, two)

    add(f"a column {_heading} tells {_two[0]} from {_two[1]}, in order", "preparations", False, "dets", _twice, layouts=LW,
        slots="runs repeats cell rows width remark")

    def _half(b: Builder, heading: str = _heading, two: tuple[str, str] = _two) -> None:
        rows = data_rows(b)
        codes = list(dict.fromkeys(r.cells[0].text for r in rows))
        late = set(codes[len(codes) // 2:])
        _column(b, heading, [two[r.cells[0].text in late] for r in rows])
        _aside(b, heading)
        for row in rows:
            if row.cells[0].text in late:
                _blank_doubt(b, row, "another preparation")
        b.case_doubt = True

    add(f"a column {_heading} says {_two[1]} of half of the bottles, {_two[0]} of the others", "preparations", False, "grid",
        _half, layouts=LW, slots="rows width remark")


for _heading, _two in (("Type", ("", "MS")), ("QC type", ("SAMP", "LCS")), ("Temp", ("40", "100")),
                       ("Handling", ("shaken", "unshaken")), ("Layer", ("top", "bottom")),
                       ("Result type", ("reported", "raw")), ("Line", ("251.6", "288.1")),
                       ("Version", ("1", "2")), ("Age", ("0 d", "90 d")), ("Volume", ("50", "25")), ("Tag", ("P", "F"))):
    @kind(f"a column {_heading} tells {_two[0]!r} from {_two[1]!r}, in order", "preparations", False, "dets", layouts=LW,
          slots="runs repeats cell rows width remark")
    def two_kinds(b: Builder, heading: str = _heading, two: tuple[str, str] = _two) -> None:
        """Two numbers of each bottle that are no repeats of each other."""
        _two_preparations(b, heading, two)


for _heading, _two in (("Rep", ("1", "2")), ("Type", ("SAMP", "DUP")), ("Aliquot", ("A", "B")), ("Det.", ("I", "II")),
                       ("Kind", ("first", "second")), ("Vial", ("17", "93")), ("Analyst", ("MK", "JL")),
                       ("Day", ("2026-05-04", "2026-05-05"))):
    @kind(f"a column {_heading} numbers {_two[0]!r} and {_two[1]!r}, in order", "preparations", True, "dets", layouts=LW,
          slots="runs repeats cell rows width remark")
    def two_labels(b: Builder, heading: str = _heading, two: tuple[str, str] = _two) -> None:
        """Two determinations of each bottle."""
        _doubled(b, summary=False)
        b.entry["replicates"] = "in order"
        _told_by(b, heading, two)


for _heading, _unit, _study in (("Unit", "g/kg", "mg/kg"), ("Dim.", "% (m/m)", "mg/kg")):
    @kind(f"a column {_heading} that is not read says {_unit} of half of the results", "preparations", False, "grid",
          layouts=("long",), slots="rows width unit units")
    def unread_unit(b: Builder, heading: str = _heading, unit: str = _unit, study: str = _study) -> None:
        """The mapping says mg/kg and leaves the column out."""
        if b.style.unit_place != "mapping":
            return
        rows = data_rows(b)
        units = [POOL[r.cells[2].truth[0].analyte].unit for r in rows]
        _column(b, heading, [unit if u == study and i % 2 else u for i, u in enumerate(units)])
        _aside(b, heading)
        for i, row in enumerate(rows):
            if units[i] == study and i % 2 and unit not in units:
                _blank_doubt(b, row, "in another unit")
        b.case_doubt = True


for _line in ("Samples were filtered through 0.45 µm before the analysis.", "Dissolved fraction", "Results of the supernatant",
              "Proben vor der Messung zentrifugiert", "All results on dry basis", "Filtrat", "Fraction < 5 µm"):
    @kind(f"a line above: {_line}", "preparations", False, "grid", layouts=LW, slots="top unit")
    def fraction_line(b: Builder, line: str = _line) -> None:
        """What was measured is not the stock."""
        b.sheet.rows.insert(0, text_cells(line))
        _shift_lines(b, 1)
        for det in b.dets:
            b.not_result(det, "another preparation")
        b.doubt()


@kind("two sheets, total and filtered, other bottles, sheet *", "preparations", False, "grid", containers=SPREAD, layouts=LW,
      slots="sheets rows")
def fraction_sheets(b: Builder) -> None:
    """Nobody says that the second counts."""
    from copy import deepcopy

    other = deepcopy(b.sheet)
    rows = data_rows(b)
    codes = list(dict.fromkeys(r.cells[0].text for r in rows))
    late = set(codes[len(codes) // 2:])
    b.sheet.name, other.name = "total", b.rng.choice(["filtered", "dissolved", "Filtrat", "< 5 µm"])
    for row in rows:
        if row.cells[0].text in late:
            _blank_doubt(b, row, "another preparation")
    b.sheet.rows = [r for r in b.sheet.rows if not (any(c.truth for c in r.cells) and r.cells[0].text in late)]
    other.rows = [r for r in other.rows if not (any(c.truth for c in r.cells) and r.cells[0].text not in late)]
    for row in other.rows:
        for cell in row.cells:
            cell.truth = []
    b.book.sheets = [b.sheet, other]
    b.entry["sheet"] = "*"
    b.case_doubt = True


# --- d) negative results and uncertainty


def _absolute(b: Builder) -> None:
    """A margin in the unit, so that zero and less are possible numbers."""
    b.later("dets", lambda x: [x.study[k].__setitem__("margin", f"{{ absolute = {float(POOL[k].nominal) / 20:g} }}")
                               for k in x.analytes] and None)


for _text, _alike in (("-0.2 ± 0.3", False), ("\u22120.2 ± 0.3", False), ("-0.2", False), ("-0.1 mg/kg", False), ("-1", False),
                      ("(-0.2)", False), ("-0.02", False)):
    @kind(f"a negative result {_text!r}, margin in the unit", "negative", False, "style", scales=("below one",), slots="cell")
    def negative(b: Builder, text: str = _text) -> None:
        """A content is never below zero; the laboratory means: nothing found."""
        _absolute(b)

        def dets(b: Builder) -> None:
            det = b.pick("below one")
            b.text(det, text.replace(".", b.style.decimal))
            if not b.is_text and text in ("-0.2", "-1", "-0.02"):
                det.cell.value = Decimal(text)
            b.not_result(det)
            b.doubt(det)

        b.later("dets", dets)


@kind("a column with negative results, margin in the unit", "negative", False, "style", scales=("below one",), slots="cell")
def negatives(b: Builder) -> None:
    """An instrument's own numbers about zero."""
    _absolute(b)

    def dets(b: Builder) -> None:
        for n, det in enumerate(b.column("below one")):
            det.value = Decimal((n % 4) - 2) / 100 + Decimal("0.003")
            det.truth.value = det.value
            det.cell = b.number_cell(det.value, det.truth)
            if det.value < 0:
                b.not_result(det)
            b.doubt(det)

    b.later("dets", dets)


for _text in ("{n} ± {w}", "{n} ±{h}", "{n} (± {h})", "{n} ± {h} (k=2)", "{n} ± 4 %", "{n} ± 4%"):
    @kind(f"uncertainty {_text!r} in the cell", "uncertainty", "%" not in _text and "w" not in _text, "dets", scales=("ones",))
    def uncertain(b: Builder, text: str = _text) -> None:
        """The number in front counts."""
        det = b.pick("ones")
        step = ONE.scaleb(-POOL[det.analyte].places)
        parts = {"n": det.value, "h": 4 * step, "w": det.value + 3 * step}
        b.text(det, text.format(**{k: b.number(v) for k, v in parts.items()}))


for _heading in ("U (k=2)", "±", "Messunsicherheit", "U95", "+/-", "uncertainty", "U", "u(k=2) [%]"):
    @kind(f"a column {_heading!r} with nearly one number behind the results, ignored by name", "uncertainty", True, "grid",
          layouts=LW, slots="width heading")
    def beside_it(b: Builder, heading: str = _heading) -> None:
        """One line has another number."""
        rows = data_rows(b)
        at = b.rng.randrange(len(rows))
        _column(b, heading, [b.number(Decimal("0.5" if i == at else "0.4")) for i in range(len(rows))])
        _aside(b, heading)


@kind("the same heading U (k=2) behind each analyte, ignored by name", "uncertainty", True, "grid", layouts=("wide",),
      slots="width heading")
def same_heading(b: Builder) -> None:
    """Si, U (k=2), P, U (k=2)."""
    for n in range(len(b.analytes)):
        at = 2 + 2 * n
        head(b).cells.insert(at, Cell("U (k=2)"))
        for row in b.sheet.rows[b.header_line:]:
            if len(row.cells) > max(at - 1, 2):
                row.cells.insert(at, Cell())
        for row in data_rows(b):
            row.cells[at] = b.number_cell(Decimal(b.rng.randint(10, 60)) / 100)
    _aside(b, "U (k=2)")


# --- e) limits beside results

for _label in ("max", "spec", "LOQ", "typical", "Grenzwert", "Soll", "Limit", "Min.", "target", "valeur limite", "Spec. (max)"):
    @kind(f"a limit line {_label!r} below the headings", "limit lines", False, "grid", layouts=("wide",), slots="rows")
    def limit_line(b: Builder, label: str = _label) -> None:
        """No sample."""
        row = _group_rows(b, lambda codes: label, "mean", size=99)[0]
        b.sheet.rows = [r for r in b.sheet.rows if r is not row]
        first = data_rows(b)[0]
        b.sheet.rows.insert(next(i for i, r in enumerate(b.sheet.rows) if r is first), row)


for _heading, _other in (("Kind", "max"), ("Type", "limit"), ("Art", "Soll"), ("Remark", "spec. max"), ("Column", "LOQ"),
                         ("Stat", "typical")):
    @kind(f"lines under real codes that {_heading} calls {_other}, in order", "limit lines", False, "dets", layouts=LW,
          slots="runs repeats cell rows width remark")
    def under_codes(b: Builder, heading: str = _heading, other: str = _other) -> None:
        """A second line of each bottle holds its limit."""
        _two_preparations(b, heading, ("found" if other == "max" else "", other))
        b.style.meta = tuple(m for m in b.style.meta if m != "remark")


for _heading, _texts in (("Spec", ("<= 25", "< 30")), ("Limit", ("< 30", "<30")), ("max", ("25", "500")),
                         ("Specification", ("8 - 12", "300 - 400")), ("Grenzwert", ("≤ 30", "≤ 500")), ("LOQ", ("<1", "<5")),
                         ("typical", ("10", "340"))):
    @kind(f"a column {_heading!r} with {_texts[0]!r} beside the results, ignored by name", "limit lines", True, "grid",
          layouts=LW, slots="width heading")
    def limit_column(b: Builder, heading: str = _heading, texts: tuple[str, str] = _texts) -> None:
        """Stands beside each result and says nothing of it."""
        _column(b, heading, [texts[i % len(texts)] for i in range(len(data_rows(b)))])
        _aside(b, heading)


for _heading in ("Spec", "LOQ", "Mean", "typical", "RSD %", "Max"):
    @kind(f"samples across, a column {_heading!r} ignored by name", "limit lines", True, "grid", layouts=("wide-samples",),
          slots="width heading")
    def across_aside(b: Builder, heading: str = _heading) -> None:
        """Named by the user."""
        across_more(b, heading)
        _aside(b, heading)
        b.case_doubt = False

    @kind(f"samples across, a column {_heading!r} that nobody names", "limit lines", False, "grid", layouts=("wide-samples",),
          slots="width heading")
    def across_more(b: Builder, heading: str = _heading) -> None:
        """No bottle."""
        head(b).cells.append(Cell(heading))
        for n, row in enumerate(data_rows(b)):
            scatter = Decimal(n % 3 + 1) + Decimal("0.4")
            row.cells.append(b.number_cell(scatter if "%" in heading else POOL[row.cells[-1].truth[0].analyte].nominal))
        b.case_doubt = True


# --- f) what clerks have seen


@kind("columns Si-1, Si-2 and Mean, the mean ignored by name", "clerks", True, "grid", layouts=("wide",),
      slots="width heading runs cell")
def hyphen_columns(b: Builder) -> None:
    """Both mapped."""
    _replicate_columns(b)
    _aside(b, "Mean")


@kind("columns Si-1, Si-2 and Mean, the mean mapped as a third", "clerks", False, "grid", layouts=("wide",),
      slots="width heading runs cell")
def mean_mapped(b: Builder) -> None:
    """The user was too quick."""
    _replicate_columns(b)
    key = b.analytes[0]
    b.later("map", lambda x: x.maps["analytes"].__setitem__("Mean", {"analyte": key, "replicate": 3}))
    b.case_doubt = True


def _replicate_columns(b: Builder) -> None:
    key = b.analytes[0]
    b.style.unit_place = "mapping"
    if "unit_row" in b.entry:
        b.sheet.rows.pop(int(str(b.entry.pop("unit_row"))) - 1)
    for cell, name in zip(head(b).cells[1:], b.analytes, strict=False):
        cell.text = b.heads[name]
    head(b).cells[1:2] = [Cell(f"{key}-1"), Cell(f"{key}-2"), Cell("Mean")]
    b.heads[key] = f"{key}-1"
    rows = data_rows(b)
    for row in b.sheet.rows[b.header_line:]:
        if row not in rows and len(row.cells) > 2:
            row.cells[2:2] = [Cell(), Cell()]
    for n, row in enumerate(rows):
        truth = row.cells[1].truth[0]
        value = (truth.value or ONE) + (1 + n % 3) * ONE.scaleb(-POOL[key].places)
        new = Truth(truth.sample, key, value, truth.unit, agree=truth.agree)
        row.cells[2:2] = [b.number_cell(value, new), b.number_cell((value + (truth.value or ONE)) / 2)]

    def mapped(b: Builder) -> None:
        for n in (1, 2):
            b.maps["analytes"][f"{key}-{n}"] = {"analyte": key, "replicate": n}

    b.later("map", mapped)


for _heading, _yes, _no in (("Detected", "yes", "no"), ("Detect", "Y", "N"), ("> LOQ", "x", ""), ("ND", "", "x"),
                            ("nachgewiesen", "ja", "nein"), ("<LOQ", "", "1"), ("Above MRL", "TRUE", "FALSE")):
    @kind(f"a column {_heading!r} says {_no!r} of nearly half, {_yes!r} of the others", "clerks", False, "grid",
          layouts=("long",), slots="width rows qualifier")
    def detected(b: Builder, heading: str = _heading, yes: str = _yes, no: str = _no) -> None:
        """Their result is the limit."""
        rows = data_rows(b)
        _column(b, heading, [no if i % 2 else yes for i in range(len(rows))])
        _aside(b, heading)
        for row in rows[1::2]:
            for truth in row.cells[2].truth:
                truth.qualifier, truth.agree = "<", False


for _heading in ("Dilution factor", "Sample dilution", "Verd.", "Dil. factor", "Faktor", "Dilution [x]", "Verdünnungsfaktor",
                 "facteur de dilution"):
    @kind(f"a column {_heading!r} with 1 and 10 by halves, ignored by name", "clerks", False, "grid", layouts=LW,
          slots="width rows cell")
    def dilution(b: Builder, heading: str = _heading) -> None:
        """Nobody says whether it is in the results."""
        rows = data_rows(b)
        _column(b, heading, ["10" if i % 2 else "1" for i in range(len(rows))])
        _aside(b, heading)
        for row in rows[1::2]:
            _blank_doubt(b, row, "before or after the dilution")
        b.case_doubt = True


for _heading, _two in (("n", ("3", "2")), ("No. of determinations", ("2", "3")), ("Weight [g]", ("0.51", "0.52")),
                       ("Unit no.", ("7", "8")), ("Test temperature", ("23", "24")), ("Einwaage", ("0.25", "0.26"))):
    @kind(f"a column {_heading!r} with {_two[1]} once, {_two[0]} else, ignored by name", "clerks", True, "grid", layouts=LW,
          slots="width heading")
    def count_column(b: Builder, heading: str = _heading, two: tuple[str, str] = _two) -> None:
        """Says nothing of a result."""
        rows = data_rows(b)
        at = b.rng.randrange(len(rows))
        _column(b, heading, [b.number(Decimal(two[i == at])) for i in range(len(rows))])
        _aside(b, heading)


for _form in ("{c}-1", "{c} (dup)", "{c} B", "{c}/2", "{c}*", "{c} filtered", "{c} + spike", "{c} MS", "{c} 1:10", "{c} re",
              "{c}\u00b9", "Mean {c}", "({c})", "{c}, {d}", "{c}+{d}", "{c}-{d}", "1. {c}"):
    @kind(f"a code written {_form}", "clerks", False, "grid", layouts=LW, slots="code rows")
    def odd_code(b: Builder, form: str = _form) -> None:
        """Perhaps that bottle, perhaps not as it was."""
        rows = data_rows(b)
        code = rows[-1].cells[0].text
        for row in [r for r in rows if r.cells[0].text == code]:
            row.cells[0] = Cell(form.format(c=code, d=b.codes[0]))
            _blank_doubt(b, row, "a bottle that is not plainly named")


for _line in ("red figures: repeat measurement", "Werte in rot sind Wiederholungen", "values in italics are informative",
              "kursiv: Richtwerte", "rouge: à refaire", "in Klammern: Wiederholungsmessung", "* repeated measurement",
              "values marked † below the limit", "underlined: outside the range"):
    @kind(f"a line below: {_line}", "clerks", False, "grid", layouts=LW, slots="bottom bytes")
    def legend(b: Builder, line: str = _line) -> None:
        """A legend of marks that a file may not show."""
        b.sheet.rows += [text_cells(""), text_cells(line)]
        for det in b.dets:
            b.not_result(det)
        b.doubt()


for _form in ("{n}, {u}", "{n} in {u}", "{n} {u}", "{n} / ({u})", "{n} / {u}", "{n} ({u})", "{n} w / ({u})"):
    @kind(f"a unit in the heading as {_form}", "clerks", True, "style", layouts=("wide",), slots="heading name unit")
    def unit_forms(b: Builder, form: str = _form) -> None:
        """As standards of notation write it; the mapping says the same."""
        b.style.unit_place = "mapping"
        b.analytes = ["Si", "Zn", "P"]
        for key in b.analytes:
            b.heads[key] = form.format(n=key, u="mg/kg")


for _form in ("[{u}]", "({u})", "in {u}", " {u} "):
    @kind(f"a row of units written {_form!r}", "clerks", True, "style", layouts=("wide",), slots="heading unit unitrow top")
    def unit_row_forms(b: Builder, form: str = _form) -> None:
        """Below the headings."""
        b.style.unit_place = "row"

        def grid(b: Builder) -> None:
            for cell in b.sheet.rows[int(str(b.entry["unit_row"])) - 1].cells:
                cell.text = form.format(u=cell.text) if cell.text else ""

        b.later("grid", grid)


@kind("one unit of the unit row differs, values right", "clerks", True, "style", layouts=("wide",),
      scales=("hundreds",), slots="heading unit unitrow cell")
def one_unit(b: Builder) -> None:
    """mg/kg, g/kg, mg/kg."""
    b.style.unit_place = "row"

    def dets(b: Builder) -> None:
        key = next(k for k in b.analytes if POOL[k].scale == "hundreds")
        for det in (d for d in b.dets if d.analyte == key):
            det.value = det.value / 1000
            det.truth.value, det.unit, det.truth.unit, det.unit_text = det.value, "g/kg", "g/kg", "g/kg"
            det.cell = b.number_cell(det.value, det.truth)

    b.later("dets", dets)


for _line in ("Page 2 of 3", "Seite 2 von 3", "- continued -", "Page 2", "Fortsetzung"):
    @kind(f"a line {_line!r} within the table", "clerks", True, "grid", layouts=LW, slots="rows")
    def page_line(b: Builder, line: str = _line) -> None:
        """A printed page ends there."""
        rows = data_rows(b)
        at = next(i for i, r in enumerate(b.sheet.rows) if r is rows[len(rows) // 2])
        b.sheet.rows.insert(at, text_cells(line, *[""] * (len(head(b).cells) - 1)))


@kind("the containers above the codes, samples across", "clerks", True, "grid", layouts=("wide-samples",),
      slots="top heading width")
def band(b: Builder) -> None:
    """Drum 1, drum 2."""
    skip = len(head(b).cells) - len(b.codes)
    b.sheet.rows.insert(b.header_line - 1, text_cells(*[""] * skip, *(
        f"Drum {i // 2 + 1}" if i % 2 == 0 else "" for i in range(len(b.codes)))))
    _shift_lines(b, 1)
    b.style.declare.add("header_row")


@kind("an empty column between all others", "clerks", True, "grid", slots="width heading top bottom")
def empty_columns(b: Builder) -> None:
    """For the eye."""
    for row in b.sheet.rows:
        if len(row.cells) > 1:
            row.cells = [c for cell in row.cells for c in (cell, Cell())][:-1]


@kind("a row of sums at the right, ignored by name", "clerks", True, "grid", layouts=("wide",), slots="width heading")
def right_sums(b: Builder) -> None:
    """Sum of metals."""
    rows = data_rows(b)
    _column(b, "Sum", [b.number(Decimal(1001 + 7 * i) / 100) for i in range(len(rows))])
    _aside(b, "Sum")


@kind("merged result over two lines of a long file", "clerks", False, "grid", containers=SPREAD, layouts=("long",),
      slots="rows blank cell")
def merged_long(b: Builder) -> None:
    """One number for two tests, or for two bottles."""
    rows = data_rows(b)
    at = next(i for i, r in enumerate(b.sheet.rows) if r is rows[0])
    truth = rows[1].cells[2].truth
    rows[1].cells[2] = Cell("", truth=truth)
    for t in (*truth, *rows[0].cells[2].truth):
        t.is_result, t.value, t.agree = False, None, False
    b.sheet.merges.append((at, 2, at + 1, 2))
    b.style.declare.add("blank")


for _text in ("see above", '"', "ditto", "s.o.", "idem", "\u3003", "-\"-", "04.05.2026", "4 May", "see report 131", "dto"):
    @kind(f"a result {_text!r}", "clerks", False, "dets", slots="cell quotes")
    def said_else(b: Builder, text: str = _text) -> None:
        """No number of its own."""
        det = b.pick()
        b.text(det, text)
        b.not_result(det)
        b.doubt(det)


for _form in ("{n}†", "{n}‡", "{n} §", "{n} #", "{n}^a", "{n}ᵃ", "{n} (1)", "{n}\u2070", "{n}'", "{n}°", "{n} a,b", "†{n}"):
    @kind(f"a mark in {_form}", "clerks", False, "dets", slots="cell", scales=("ones",))
    def mark(b: Builder, form: str = _form) -> None:
        """A footnote's sign, and nobody says which."""
        det = b.pick("ones")
        b.text(det, form.format(n=b.number(det.value)))
        b.doubt(det)


@kind("headings with an accreditation mark, mapped as they stand", "clerks", True, "style", layouts=("wide",),
      slots="heading name unit")
def accredited(b: Builder) -> None:
    """Si* and P*: accredited."""
    b.style.unit_place = "mapping"
    b.analytes = ["Si", "Zn", "P"]
    sign = b.rng.choice(["*", " *", " (A)", "\u00b9", " ¹)"])
    for key in b.analytes:
        b.heads[key] = key + sign


_ = (TEXT, after_data)
