"""Builds one case: style, world, determinations, sheet, mapping, bytes; kinds step in between."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal

from tests.intake.labfiles.model import Book, Case, Cell, Row, Sheet, Truth, text_cells
from tests.intake.labfiles.writers import ods_file, text_file, xlsx_file
from tests.intake.labfiles.xls import xls_file

STAGES = ("style", "dets", "grid", "map", "bytes")
TEXT = ("csv", "txt")
SPREAD = ("xlsx", "ods")  # a plain xlsx may still become an xls, see `Builder.maybe_old`


@dataclass(frozen=True)
class Substance:
    """An analyte of the pool."""

    key: str
    unit: str  # in study.toml
    nominal: Decimal
    places: int
    scale: str
    long: str  # name as laboratories write it


POOL = {
    s.key: s
    for s in (
        Substance("B", "mg/kg", Decimal("0.52"), 2, "below one", "Boron"),
        Substance("Si", "mg/kg", Decimal("9.8"), 1, "ones", "Silicon"),
        Substance("Cu", "mg/kg", Decimal("23.4"), 1, "ones", "Copper"),
        Substance("KV40", "mm²/s", Decimal("46.32"), 2, "ones", "Visc. 40 °C"),
        Substance("P", "mg/kg", Decimal("338.5"), 1, "hundreds", "Phosphorus"),
        Substance("Zn", "mg/kg", Decimal("412"), 0, "hundreds", "Zinc"),
        Substance("Ca", "mg/kg", Decimal("2950"), 0, "thousands", "Calcium"),
        Substance("S", "mg/kg", Decimal("12345.6"), 1, "thousands", "Sulphur"),
        Substance("Mg", "mg/kg", Decimal("123456"), 0, "lakhs", "Magnesium"),
        Substance("Solids", "% (m/m)", Decimal("12.31"), 2, "percent", "Solids content"),
    )
}
TO_MG_KG = {
    "mg/kg": Decimal(1),
    "g/kg": Decimal(1000),
    "% (m/m)": Decimal(10000),
    "% m/m": Decimal(10000),
    "ppm": Decimal(1),
    "ug/g": Decimal(1),
    "µg/g": Decimal(1),
    "ppb": Decimal("0.001"),
    "µg/kg": Decimal("0.001"),
    "g/g": Decimal(1000000),
    "mg/g": Decimal(1000),
}


def in_study_unit(value: Decimal, unit: str, study_unit: str) -> Decimal:
    """The value in the study's unit; own table, nothing of the program under test."""
    if unit == study_unit:
        return value
    if unit in TO_MG_KG and study_unit in TO_MG_KG:
        return value * TO_MG_KG[unit] / TO_MG_KG[study_unit]
    if {unit, study_unit} <= {"mm²/s", "mm2/s", "cSt"}:
        return value
    raise ValueError(f"no conversion from {unit} to {study_unit}")


@dataclass
class Det:
    """One determination as the laboratory meant it, and the cell it is written in."""

    sample: str
    analyte: str
    value: Decimal
    unit: str
    truth: Truth
    cell: Cell
    replicate: int = 1
    run: str = "R1"
    date: str = "2026-05-04"
    code_cell: str | None = None  # how the code is written, where not as it is
    name: str | None = None  # how the analyte is written
    unit_text: str | None = None
    remark: str = ""
    qualifier: str = ""  # in a column of its own


@dataclass
class Style:
    """How this laboratory writes, and what the user declares."""

    container: str = "csv"
    layout: str = "wide"
    decimal: str = "."
    delimiter: str = ","
    encoding: str = "utf-8"
    newline: str = "\n"
    unit_place: str = "header"  # header, row, column, mapping
    meta: tuple[str, ...] = ()  # date, run, pos, remark
    title_lines: int = 0
    footer: bool = False
    date_format: str = "%Y-%m-%d"
    declare: set[str] = field(
        default_factory=set
    )  # decimal, delimiter, encoding, header_row, nominal, limit, star, blank


class Builder:
    """Everything about one case in the making; a kind changes it at its stage."""

    def __init__(self, seed: int, names: list[str]) -> None:
        self.seed = seed
        self.names = names
        self.rng = random.Random(seed)
        self.style = Style()
        self.analytes: list[str] = []
        self.codes: list[str] = []
        self.dets: list[Det] = []
        self.sheet = Sheet("Results", [])
        self.book = Book([])
        self.header_line = 1  # line of the headings, from 1
        self.entry: dict[str, object] = {}
        self.columns: dict[str, str] = {}
        self.maps: dict[str, dict[str, object]] = {
            "analytes": {},
            "units": {},
            "unit_words": {},
            "limits": {},
            "words": {},
            "constants": {},
            "codes": {},
        }
        self.head: dict[str, object] = {}
        self.entries: list[str] = []  # more [[file]] entries as text
        self.study: dict[str, dict[str, object]] = {}
        self.truth: list[Truth] = []
        self.more_files: dict[str, bytes] = {}
        self.file_name = ""
        self.whole_agree = True
        self.case_doubt = False
        self.want_scales: list[str] = []
        self.hooks: dict[str, list[Callable[[Builder], None]]] = {s: [] for s in STAGES}
        self.heads: dict[str, str] = {}
        self.sample_count = self.rng.randint(4, 7)
        self.allow_xls = False
        self.encode: Callable[[str], bytes] | None = None

    # -- for kinds

    def later(self, stage: str, action: Callable[[Builder], None]) -> None:
        """Do this at a later stage."""
        self.hooks[stage].append(action)

    @property
    def is_text(self) -> bool:
        """Whether the file is a text file."""
        return self.style.container in TEXT

    def number(self, value: Decimal, sign: str | None = None) -> str:
        """As this laboratory writes a number."""
        return f"{value:f}".replace(".", sign or self.style.decimal)

    def pick(self, scale: str = "") -> Det:
        """One determination that no kind has changed yet, of this scale where there is one."""
        free = [d for d in self.dets if d.truth.is_result and not d.truth.note and d.cell.runs is None]
        fit = [d for d in free if not scale or POOL[d.analyte].scale == scale]
        det = self.rng.choice(fit or free or self.dets)
        det.truth.note = det.truth.note or "changed"
        return det

    def column(self, scale: str = "") -> list[Det]:
        """All determinations of one analyte of this scale."""
        first = self.pick(scale)
        dets = [d for d in self.dets if d.analyte == first.analyte]
        for det in dets:
            det.truth.note = det.truth.note or "changed"
        return dets

    def not_result(self, det: Det, note: str = "") -> None:
        """The laboratory did not mean a result here."""
        det.truth.is_result, det.truth.value, det.truth.note = False, None, note or det.truth.note

    def doubt(self, *dets: Det) -> None:
        """Two careful people would ask here."""
        for det in dets or tuple(self.dets):
            det.truth.agree = False

    def text(self, det: Det, text: str) -> None:
        """Write this text in the cell."""
        det.cell = Cell(text, truth=det.cell.truth)

    # -- stages

    def make_world(self) -> None:
        """Samples and analytes."""
        rng = self.rng
        alphabet = "ACDEFGHKLMNPRTUVWXY"
        if not self.codes:
            while len(self.codes) < self.sample_count:
                code = rng.choice("HKLMPT") + str(rng.randint(20, 99)) + rng.choice(alphabet) + rng.choice(alphabet)
                if code not in self.codes:
                    self.codes.append(code)
        if not self.analytes:
            wanted = [rng.choice([k for k, s in POOL.items() if s.scale == w]) for w in self.want_scales]
            others = [k for k in ("Si", "Cu", "P", "Zn", "Ca", "KV40", "Solids", "S", "B") if k not in wanted]
            rng.shuffle(others)
            self.analytes = list(dict.fromkeys(wanted + others[: rng.randint(1, 3)]))
            if len(self.analytes) < 2:
                self.analytes.append(others[-1])
            rng.shuffle(self.analytes)
        if "constant" in self.style.unit_place:
            self.style.unit_place = "mapping"
        for key in self.analytes:
            keys: dict[str, object] = {"unit": POOL[key].unit}
            if "nominal" in self.style.declare:
                keys["nominal"] = float(POOL[key].nominal)
            self.study[key] = keys

    def make_dets(self) -> None:
        """One determination for every sample and analyte."""
        for code in self.codes:
            for key in self.analytes:
                self.dets.append(self.new_det(code, key))

    def new_det(self, code: str, key: str) -> Det:
        """A determination near the nominal level."""
        base = POOL[key]
        step = Decimal(1).scaleb(-base.places)
        value = (base.nominal * Decimal(repr(round(self.rng.lognormvariate(0, 0.05), 6)))).quantize(step)
        if base.places and value == value.to_integral():
            value += step  # so that the decimal sign shows
        truth = Truth(code, key, value, base.unit)
        return Det(code, key, value, base.unit, truth, self.number_cell(value, truth))

    def number_cell(self, value: Decimal, *truth: Truth) -> Cell:
        """A plain number as this container holds it."""
        if self.is_text:
            return Cell(self.number(value), truth=list(truth))
        return Cell(self.number(value), value=value, truth=list(truth))

    def name_of(self, key: str) -> str:
        """How the laboratory calls the analyte."""
        return self.heads.setdefault(key, POOL[key].long if self.rng.random() < 0.4 else key)

    def make_grid(self) -> None:
        """Determinations into a sheet by the layout."""
        style = self.style
        rows = [text_cells(t) for t in ("Report 2026-118", "Customer order 4711")[: style.title_lines]]
        self.header_line = len(rows) + 1
        for key in self.analytes:
            self.name_of(key)
        {"long": self._long, "wide": self._wide, "wide-samples": self._across}[style.layout](rows)
        if style.footer:
            rows.append(text_cells("End of report"))
        self.sheet.rows = rows

    def _meta_heads(self) -> list[str]:
        words = {"date": "Reported", "run": "Batch", "pos": "Pos", "remark": "Remark"}
        ours = {"date": "reported_on", "run": "run", "pos": "run_order"}
        for word in self.style.meta:
            if word in ours:
                self.columns[ours[word]] = words[word]
        return [words[w] for w in self.style.meta]

    def _meta_cells(self, det: Det, position: int) -> list[Cell]:
        out = []
        for word in self.style.meta:
            if word == "date":
                year, month, day = det.date.split("-")
                text = self.style.date_format.replace("%Y", year).replace("%m", month).replace("%d", day)
                out.append(Cell(text))
            elif word == "run":
                out.append(Cell(det.run))
            elif word == "pos":
                out.append(Cell(str(position)) if self.is_text else Cell(str(position), value=Decimal(position)))
            else:
                out.append(Cell(det.remark))
        return out

    def _code(self, det: Det) -> Cell:
        return Cell(det.sample if det.code_cell is None else det.code_cell)

    def _long(self, rows: list[Row]) -> None:
        unit = self.style.unit_place == "column"
        heads = ["Sample", "Test", "Result"] + (["Unit"] if unit else []) + self._meta_heads()
        self.columns |= {"sample": "Sample", "analyte": "Test", "value": "Result"} | (
            {"unit": "Unit"} if unit else {}
        )
        rows.append(text_cells(*heads))
        for position, det in enumerate(self.dets, start=1):
            cells = [self._code(det), Cell(det.name or self.heads[det.analyte]), det.cell]
            if unit:
                cells.append(Cell(det.unit_text if det.unit_text is not None else det.unit))
            rows.append(Row(cells + self._meta_cells(det, position)))

    def head_of(self, key: str) -> str:
        """The heading of an analyte in a wide file."""
        name = self.heads[key]
        if self.style.unit_place != "header":
            return name
        unit = next((d.unit_text or d.unit for d in self.dets if d.analyte == key), POOL[key].unit)
        return f"{name} [{unit}]"

    def _wide(self, rows: list[Row]) -> None:
        self.columns["sample"] = "Sample"
        meta = self._meta_heads()
        rows.append(text_cells("Sample", *(self.head_of(k) for k in self.analytes), *meta))
        if self.style.unit_place == "row":
            units = [next((d.unit_text or d.unit for d in self.dets if d.analyte == k), "") for k in self.analytes]
            rows.append(text_cells("", *units, *("" for _ in meta)))
            self.entry["unit_row"] = len(rows)
        groups: dict[tuple[str, int, str], dict[str, Det]] = {}
        for det in self.dets:
            groups.setdefault((det.sample, det.replicate, det.run), {})[det.analyte] = det
        for position, group in enumerate(groups.values(), start=1):
            first = next(iter(group.values()))
            row = [self._code(first)]
            row += [group[k].cell if k in group else Cell() for k in self.analytes]
            rows.append(Row(row + self._meta_cells(first, position)))

    def _across(self, rows: list[Row]) -> None:
        self.columns["analyte"] = "Test"
        unit = self.style.unit_place in ("column", "header", "row")
        self.style.unit_place = "column" if unit else "mapping"
        if unit:
            self.columns["unit"] = "Unit"
        codes = {d.sample: self._code(d).text for d in self.dets}
        rows.append(text_cells("Test", *(["Unit"] if unit else []), *codes.values()))
        for key in self.analytes:
            dets = {d.sample: d for d in self.dets if d.analyte == key}
            cells = [Cell(self.heads[key])]
            if unit:
                first = next(iter(dets.values()))
                cells.append(Cell(first.unit_text or first.unit))
            rows.append(Row(cells + [dets[c].cell if c in dets else Cell() for c in codes]))

    def make_map(self) -> None:
        """The entry that a reasonable user would write."""
        self.maybe_old()
        style = self.style
        stem = "report_2026-118"
        self.file_name = self.file_name or f"{stem}.{style.container}"
        self.entry = {"pattern": self.file_name, "layout": style.layout} | self.entry
        if "header_row" in style.declare or "unit_row" in self.entry:
            self.entry["header_row"] = self.header_line
        if "decimal" in style.declare:
            self.entry["decimal"] = style.decimal
        if self.is_text:
            if "delimiter" in style.declare:
                self.entry["delimiter"] = style.delimiter
            if "encoding" in style.declare:
                self.entry["encoding"] = style.encoding
        if "blank" in style.declare:
            self.entry["blank"] = "not measured"
        if style.footer:
            self.entry["footer"] = "End of report"
        if style.date_format != "%Y-%m-%d" and "date" in style.meta:
            self.entry["date_format"] = style.date_format
        if "remark" in style.meta and style.layout != "wide-samples":
            self.entry["ignore_columns"] = ["Remark"]
        if "star" in style.declare:
            self.entry["ignore_columns"] = ["*"]
        for key in self.analytes:
            name = self.head_of(key) if style.layout == "wide" else self.heads[key]
            if name != key and name not in self.maps["analytes"]:
                self.maps["analytes"][name] = key
            if style.unit_place == "mapping":
                self.maps["units"][key] = POOL[key].unit
        self.maps["constants"].setdefault("method", "as declared")

    def maybe_old(self) -> None:
        """Some workbooks as XLS, where that format can hold what they hold here."""
        if self.style.container != "xlsx" or not self.allow_xls or self.rng.random() > 0.2:
            return
        sheets = self.book.sheets or [self.sheet]
        cells = [c for s in sheets for r in s.rows for c in r.cells]
        if not any(c.runs or c.comment or c.formula or c.white or c.colour for c in cells) and all(s.rows for s in sheets):
            self.style.container = "xls"

    def make_bytes(self) -> bytes:
        """The file."""
        if self.is_text:
            text = text_file(self.sheet, self.style.delimiter, self.style.newline)
            for action in self.hooks["bytes"]:
                action(self)
            if self.encode:
                return self.encode(text)
            try:
                return text.encode(self.style.encoding)
            except UnicodeEncodeError:  # two kinds that do not fit: the encoding cannot hold the other's signs
                self.style.encoding = "utf-8"
                self.entry |= {"encoding": "utf-8"} if "encoding" in self.entry else {}
                return text.encode("utf-8")
        if not self.book.sheets:
            self.book.sheets = [self.sheet]
        for action in self.hooks["bytes"]:
            action(self)
        return {"xlsx": xlsx_file, "ods": ods_file, "xls": xls_file}[self.style.container](self.book)

    def entry_text(self) -> str:
        """The entry as TOML."""
        out = ["[[file]]"]
        out += [f"{k} = {toml(v)}" for k, v in self.entry.items()]
        out += ["", "[file.columns]"] + [f"{k} = {toml(v)}" for k, v in self.columns.items()]
        for table, keys in self.maps.items():
            if keys:
                out += ["", f"[file.{table}]"] + [f"{toml(k)} = {toml(v)}" for k, v in keys.items()]
        return "\n".join(out) + "\n"

    def run(self, stages: dict[str, list[Callable[[Builder], None]]]) -> Case:
        """All stages in order."""
        for action in stages["style"]:
            action(self)
        self.make_world()
        self.make_dets()
        for stage, make in (("dets", None), ("grid", self.make_grid), ("map", self.make_map)):
            if make:
                make()
            for action in stages[stage] + self.hooks[stage]:
                action(self)
        self.hooks["bytes"] = stages["bytes"] + self.hooks["bytes"]
        files = {self.file_name: self.make_bytes()} | self.more_files
        seen: list[Truth] = []
        for sheet in self.book.sheets or [self.sheet]:
            number = 1
            for row in sheet.rows:
                for cell in row.cells:
                    for truth in cell.truth:
                        truth.where.append(number)
                        if not any(truth is t for t in seen):
                            seen.append(truth)
                # a quoted cell with a line break makes the lines of a text file more than those of the sheet
                number += 1 + (row_breaks(row) if self.is_text else 0)
        for det in self.dets:
            if not any(det.truth is t for t in seen):
                seen.append(det.truth)
        seen += [t for t in self.truth if not any(t is s for s in seen)]
        if self.case_doubt:
            for truth in seen:
                truth.agree = False
        self.check_decimal_proof()
        for truth in seen:  # kinds that undo each other's unit: no case
            in_study_unit(truth.value or Decimal(1), truth.unit, str(self.study[truth.analyte]["unit"]))
        text = "".join(f"{k} = {toml(v)}\n" for k, v in self.head.items()) + "\n"
        text += "\n".join([self.entry_text(), *self.entries])
        return Case(
            self.seed,
            self.names,
            self.style.container,
            self.style.layout,
            files,
            text,
            self.study,
            self.codes,
            seen,
            self.whole_agree and all(t.agree for t in seen),
            sorted(self.style.declare),
        )

    def check_decimal_proof(self) -> None:
        """Where the sign is undeclared and no number proves it, the docs promise a question."""
        if "decimal" in self.style.declare or not self.is_text:
            return
        texts = [d.cell.text for d in self.dets]
        proves = [t for t in texts if "." in t or "," in t]
        if proves and not any(len(t.replace(",", ".").rsplit(".", 1)[-1]) in (1, 2) for t in proves):
            self.whole_agree = False


def row_breaks(row: Row) -> int:
    """How many line breaks stand within the cells of a line."""
    return (row.line or "").count("\n") if row.line is not None else sum(c.text.count("\n") for c in row.cells)


def toml(value: object) -> str:
    """A value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + " }"
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    text = "".join(f"\\u{ord(c):04X}" if ord(c) < 32 or ord(c) == 127 else c for c in text)
    return f'"{text}"'
