"""Rows of one sheet with the reason why a row cannot be taken, and readers of its smaller columns."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import safe_cell, tidy_text
from studykit.intake.columns import Table, Texts
from studykit.intake.headwords import DITTO
from studykit.intake.values import RuleBook

NO_DETERMINATION = "its row is no determination, as it says"
"""Begins the doubt of a row that is a limit or a mean: it takes nothing back of the other determinations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellFault(Fault):
    """A determination that cannot be taken, with the sample and analyte it is read as; '' where these are not known."""

    sample: str = ""
    analyte: str = ""


class Rows:
    """Working columns of one sheet with a reason for each row that cannot be taken."""

    def __init__(self, cells: Table, book: RuleBook, file: str) -> None:
        self.cells = cells
        self.book = book
        self.file = file
        self.n = len(cells)
        self.open = np.ones(self.n, dtype=bool)
        self.why: dict[int, tuple[str, str, str, str]] = {}

    def refuse(self, mask: np.ndarray, reason: str, remedy: str, column: str = "", shown: Texts | None = None) -> None:
        """Give rows without a reason this one; ``column`` and ``shown`` where it is not the value's cell."""
        self.refuse_each(np.flatnonzero(mask & self.open), lambda i: (reason, remedy), column, shown)

    def refuse_each(self, rows: np.ndarray, why: Callable[[int], tuple[str, str]], column: str = "",
                    shown: Texts | None = None) -> None:
        """As `refuse`, with a reason and a remedy for each row by its position."""
        where, text = self.cells["where"], shown if shown is not None else self.cells["text"]
        for i in rows.tolist():
            if self.open[i]:
                self.why[i] = (column or where[i], text[i], *why(i))
        self.open[rows] = False

    def words(self, name: str, read: Callable[[str], tuple[Any, str, str]], column: str) -> Texts:
        """A column of texts over its distinct texts; ``read`` gives text, reason, remedy."""
        cells: Texts = self.cells[name]
        return cells.renamed(self._read(name, read, column))

    def each(self, name: str, read: Callable[[str], tuple[Any, str, str]], column: str, kind: Any) -> np.ndarray:
        """A column over its distinct texts; ``read`` gives value, reason, remedy."""
        values = self._read(name, read, column)
        return np.asarray(self.cells[name].spread(values, kind))

    def _read(self, name: str, read: Callable[[str], tuple[Any, str, str]], column: str) -> list[Any]:
        cells: Texts = self.cells[name]
        read_texts = [read(tidy_text(t)) for t in cells.words]
        for k, (_, reason, remedy) in enumerate(read_texts):
            if reason:
                self.refuse(cells.codes == k, reason, remedy, column, cells)
        return [r[0] for r in read_texts]

    def faults(self, sample: Texts, analyte: Texts) -> list[Fault]:
        """The rows with a reason, as faults with file, line, column and value; ``sample`` and ``analyte`` of every row."""
        lines = self.cells["line"]
        return [CellFault(file=self.file, row=int(lines[i]), column=column, value=shown, reason=reason, remedy=remedy,
                          sample=sample[i], analyte=analyte[i])
                for i, (column, shown, reason, remedy) in sorted(self.why.items())]


def plain_text(text: str) -> tuple[str, str, str]:
    """A text that no spreadsheet program would run; otherwise a reason and a remedy."""
    if DITTO.fullmatch(text):
        return "", "is a ditto mark", "if it means what the cell above says, write blank_repeats for its heading in intake.toml"
    if safe_cell(text) != text:
        return "", "begins like a spreadsheet formula", "write it as plain text, or leave the column out"
    return text, "", ""


def count(text: str) -> tuple[float, str, str]:
    """A whole number from 0, NaN for nothing; otherwise a reason and a remedy."""
    if not text:
        return float("nan"), "", ""
    if not re.fullmatch(r"[0-9]{1,9}", text):
        return float("nan"), "is not a whole number", "write a whole number, or leave the column out of the mapping"
    return float(text), "", ""


def date(text: str, form: str | None) -> tuple[Any, str, str]:
    """A day: YYYY-MM-DD always, another form only as the mapping declares it; serial numbers never."""
    none = np.datetime64("NaT", "D")
    if not text:
        return none, "", ""
    iso = re.fullmatch(r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?)?", text)
    try:
        if iso:
            day = dt.date.fromisoformat(iso[1])
        elif form and text.isascii():
            day = dt.datetime.strptime(text, form).date()
        elif re.fullmatch(r"[0-9]{4,6}(?:\.[0-9]+)?", text):
            return none, "is a number, not a date (a spreadsheet's serial day?)", "format the column as dates"
        else:
            return none, "is not a date of the form YYYY-MM-DD", "declare date_format in intake.toml, such as %d.%m.%Y"
    except ValueError:
        remedy = "correct the date, or date_format in intake.toml"
        return none, f"is not a day written as {form}" if form and not iso else "is not a day of the calendar", remedy
    if not 1950 <= day.year <= 2100:
        return none, "is not a day between 1950 and 2100", "correct the date, or date_format in intake.toml"
    return np.datetime64(day), "", ""
