"""The words of this package: a cell as shown and as stored, a sheet, what was meant, a case."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal


@dataclass
class Truth:
    """What the laboratory meant by one cell."""

    sample: str
    analyte: str
    value: Decimal | None  # None where it is not a result
    unit: str
    qualifier: str = ""  # "", "<" or ">"
    is_result: bool = True
    agree: bool = True  # would two careful people read the cell alike without asking
    tolerance: Decimal = Decimal(0)  # half the last place where shown and stored differ only by rounding
    where: list[int] = field(default_factory=list)  # lines of the file that carry it, from 1
    note: str = ""

    def to_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "sample": self.sample,
            "analyte": self.analyte,
            "value": None if self.value is None else str(self.value),
            "unit": self.unit,
            "qualifier": self.qualifier if self.is_result else "not a result",
            "two_people_agree": self.agree,
            "where": self.where,
            "note": self.note,
        }


@dataclass
class Cell:
    """One cell: `text` is what a reader sees, `value` what a spreadsheet stores where it is a number."""

    text: str = ""
    value: Decimal | None = None  # a number (or date serial) cell of a spreadsheet
    fmt: str = ""  # number format, as XLSX writes it
    kind: str = ""  # "" text or number by `value`; "error", "bool", "date"
    formula: str = ""
    cached: bool = True  # whether the formula's value is stored
    runs: list[tuple[str, str]] | None = None  # rich text: (text, "" | "superscript" | "subscript" | "strike")
    strike: bool = False
    white: bool = False  # font in the colour of the paper
    colour: str = ""  # "ground" or "letters" in another colour
    comment: str = ""
    raw: bool = False  # text files: written as it is, never quoted
    quote: bool = False  # text files: always quoted
    truth: list[Truth] = field(default_factory=list)


@dataclass
class Row:
    """One line of a sheet."""

    cells: list[Cell]
    hidden: bool = False
    filtered: bool = False
    line: str | None = None  # text files: this whole line instead of the cells


@dataclass
class Sheet:
    """One table, with what a spreadsheet adds to it."""

    name: str
    rows: list[Row]
    hidden_columns: set[int] = field(default_factory=set)
    merges: list[tuple[int, int, int, int]] = field(
        default_factory=list
    )  # row, column, last row, last column, from 0
    state: str = "visible"  # hidden, veryHidden
    raw_rows_xml: str = ""  # spreadsheets: more rows, as XML


@dataclass
class Book:
    """A file in the making."""

    sheets: list[Sheet]
    shared_strings: bool = True
    prefix: str = ""  # XML namespace prefix of the sheet parts
    single_quotes: bool = False
    odd_paths: bool = False
    spaced: bool = False  # ODS: white space between the cells
    repeat_cells: bool = True  # ODS: equal neighbours are written once, with a count


@dataclass
class Case:
    """One generated case with its truth."""

    seed: int
    kinds: list[str]
    container: str
    layout: str
    files: dict[str, bytes]
    intake: str  # text of intake.toml
    study: dict[str, dict[str, object]]  # analyte -> keys of study.toml
    codes: list[str]
    truth: list[Truth]
    two_people_agree: bool
    declared: list[str]  # optional declarations that the mapping makes

    def to_dict(self) -> dict[str, object]:
        """Plain values for JSON, without the files."""
        return {
            "seed": self.seed,
            "kinds": self.kinds,
            "container": self.container,
            "layout": self.layout,
            "files": sorted(self.files),
            "study": self.study,
            "codes": self.codes,
            "truth": [t.to_dict() for t in self.truth],
            "two_people_agree": self.two_people_agree,
            "declared": self.declared,
        }


def text_cells(*texts: str) -> Row:
    """A line of plain text cells."""
    return Row([Cell(t) for t in texts])
