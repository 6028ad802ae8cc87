"""Rows of one sheet with the reason why a row cannot be taken, and readers of its smaller columns."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import Fault
from studykit.core.numbertext import safe_cell, tidy_text
from studykit.intake.delimited import factorize
from studykit.intake.values import RuleBook


def shared(codes: np.ndarray, texts: list[str]) -> pd.Categorical:
    """Texts by code as a categorical column; equal texts share one category."""
    place: dict[str, int] = {}
    for text in texts:
        place.setdefault(text, len(place))
    again = np.array([place[t] for t in texts] or [0], dtype=np.int64)
    return pd.Categorical.from_codes(again[codes], categories=pd.Index(list(place), dtype=object))


class Rows:
    """Working columns of one sheet with a reason for each row that cannot be taken."""

    def __init__(self, cells: pd.DataFrame, book: RuleBook, file: str) -> None:
        self.cells = cells.reset_index(drop=True)
        self.book = book
        self.file = file
        self.n = len(cells)
        self.reason = np.full(self.n, "", dtype=object)
        self.remedy = np.full(self.n, "", dtype=object)
        self.column = self.cells["where"].to_numpy(dtype=object).copy()
        self.shown = self.cells["text"].to_numpy(dtype=object).copy()

    def refuse(self, mask: np.ndarray, reason: Any, remedy: Any, column: str = "", shown: Any = None) -> None:
        """Give rows without a reason this one; ``column`` and ``shown`` where it is not the value's cell."""
        rows = mask & (self.reason == "")
        if not rows.any():
            return
        for target, source in ((self.reason, reason), (self.remedy, remedy)):
            target[rows] = source[rows] if isinstance(source, np.ndarray) else source
        if column:
            self.column[rows] = column
        if shown is not None:
            self.shown[rows] = np.asarray(shown, dtype=object)[rows]

    def words(self, name: str, read: Callable[[str], tuple[Any, str, str]], column: str) -> pd.Categorical:
        """A column of texts over its distinct texts; ``read`` gives text, reason, remedy."""
        return shared(*self._read(name, read, column))

    def each(self, name: str, read: Callable[[str], tuple[Any, str, str]], column: str, dtype: Any) -> np.ndarray:
        """A column over its distinct texts; ``read`` gives value, reason, remedy."""
        codes, each = self._read(name, read, column)
        values = np.empty(len(each), dtype=dtype)
        values[:] = each
        return values[codes] if len(each) else np.empty(self.n, dtype=dtype)

    def _read(self, name: str, read: Callable[[str], tuple[Any, str, str]],
              column: str) -> tuple[np.ndarray, list[Any]]:
        codes, texts = factorize(self.cells[name])
        read_texts = [read(tidy_text(t)) for t in texts]
        for k, (_, reason, remedy) in enumerate(read_texts):
            if reason:
                self.refuse(codes == k, reason, remedy, column, self.cells[name].to_numpy(dtype=object))
        return codes, [r[0] for r in read_texts]

    def faults(self) -> list[Fault]:
        """The rows with a reason, as faults with file, line, column and value."""
        lines = self.cells["line"].to_numpy()
        return [Fault(file=self.file, row=int(lines[i]), column=str(self.column[i]), value=str(self.shown[i]),
                      reason=str(self.reason[i]), remedy=str(self.remedy[i]))
                for i in np.flatnonzero(self.reason != "")]


def plain_text(text: str) -> tuple[str, str, str]:
    """A text that no spreadsheet program would run; otherwise a reason and a remedy."""
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
    none = np.datetime64("NaT")
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
