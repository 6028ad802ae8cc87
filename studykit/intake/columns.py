"""Columns of texts and numbers, light enough for a file of ten lines and for one of a million.

Equal texts are held once, so that every rule is applied to distinct texts and spread to the rows by code.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd


class Texts:
    """A column of texts: ``words[codes[i]]`` is the text of row i; a word may be in no row."""

    __slots__ = ("codes", "whole", "words")

    def __init__(self, codes: np.ndarray, words: list[str], whole: bool = False) -> None:
        self.codes = codes
        self.words = words
        self.whole = whole  # each word is known to be in some row

    @classmethod
    def of(cls, texts: Iterable[Any]) -> Texts:
        """A column with these texts."""
        place: dict[str, int] = {}
        codes = np.array([place.setdefault(t, len(place)) for t in texts], dtype=np.int32)
        return cls(codes, list(place), whole=True)

    @classmethod
    def same(cls, text: str, rows: int) -> Texts:
        """A column with one text in every row."""
        return cls(np.zeros(rows, dtype=np.int32), [text])

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, i: int) -> str:
        return str(self.words[self.codes[i]])

    def at(self, rows: Any) -> Texts:
        """The rows at these positions, of this slice, or under this mask."""
        return Texts(self.codes[rows], self.words)

    def repeat(self, times: int) -> Texts:
        """Each row ``times`` times."""
        return self if times == 1 else Texts(np.repeat(self.codes, times), self.words)

    def used(self) -> tuple[np.ndarray, list[str]]:
        """Codes and words without the words that are in no row."""
        if not len(self.codes):
            return np.zeros(0, dtype=np.int64), []
        if self.whole:
            return self.codes, self.words
        there = np.bincount(self.codes, minlength=len(self.words)) > 0
        if there.all():
            return self.codes, self.words
        place = np.cumsum(there, dtype=np.int32) - 1
        return place[self.codes], [w for w, keep in zip(self.words, there, strict=True) if keep]

    def distinct(self) -> list[str]:
        """The texts that occur, each once."""
        return self.used()[1]

    def flags(self, test: Callable[[str], Any]) -> np.ndarray:
        """Of which rows the text passes a test."""
        return self.spread([bool(test(w)) for w in self.words], bool)

    def blank(self, rows: Any) -> np.ndarray | None:
        """Of which of these rows the text is blank; None where none of the column is."""
        return None if all(map(str.strip, self.words)) else ~self.at(rows).flags(str.strip)

    def holding(self, tokens: Iterable[str], test: Callable[[str], Any], but: str = "") -> np.ndarray:
        """As `flags`, for a test that no text passes, ``but`` one, unless it holds one of these tokens, capitals or not."""
        together, known = "\n".join(self.words).casefold(), but.casefold()
        if all(together.count(t) == known.count(t) for t in tokens):
            return np.zeros(len(self.codes), dtype=bool)
        return self.flags(test)

    def spread(self, values: Sequence[Any], kind: Any) -> np.ndarray:
        """A value for each word, by row."""
        if len(values) == 1:
            return np.full(len(self.codes), values[0], dtype=kind)
        each = np.empty(max(len(values), 1), dtype=kind)
        each[:len(values)] = values
        return np.asarray(each[self.codes])

    def objects(self) -> np.ndarray:
        """The texts, one a row."""
        return self.spread(self.words, object)

    def array(self) -> Any:
        """The texts, one a row, as pandas keeps texts; looked at once a word and not once a row."""
        if not len(self.codes):
            return self.objects()
        each = pd.Series(self.words).array
        return each.repeat(len(self.codes)) if len(self.words) == 1 else each.take(self.codes)

    def tolist(self) -> list[str]:
        """The texts, one a row."""
        return [self.words[c] for c in self.codes.tolist()]

    def renamed(self, words: Sequence[str]) -> Texts:
        """The same rows with other words; equal ones are joined."""
        place: dict[str, int] = {}
        again = np.array([place.setdefault(w, len(place)) for w in words] or [0], dtype=np.int32)
        return Texts(again[self.codes], list(place), self.whole and len(self.words) == len(words))

    def where(self, mask: np.ndarray, text: str) -> Texts:
        """This column with one text under a mask."""
        if not mask.any():
            return self
        words = [*self.words, text]
        return Texts(np.where(mask, np.int32(len(words) - 1), self.codes), words).renamed(words)


Column = Texts | np.ndarray


def others(texts: Sequence[str], pattern: str) -> set[str]:
    """The texts that a pattern, of one character at least, does not match as a whole; looked for in all of them at once."""
    together = "\n".join(texts)
    if together.count("\n") != len(texts) - 1:
        return {t for t in texts if not re.fullmatch(pattern, t)}
    left = set(re.sub(rf"^(?:{pattern})(?:\n|\Z)", "", together, flags=re.MULTILINE).split("\n"))
    return left if "" in texts else left - {""}


def grouped(column: Texts, which: np.ndarray) -> dict[int, np.ndarray]:
    """The positions of the rows of each word under a mask, in their order, by the word's code."""
    order = np.argsort(column.codes.astype(np.int16) if len(column.words) < 30_000 else column.codes, kind="stable")
    order = order if which.all() else order[which[order]]
    ends = np.cumsum(np.bincount(column.codes[order], minlength=len(column.words)))
    return {k: at for k, at in enumerate(np.split(order, ends[:-1])) if len(at)}


class Table:
    """Columns of one length by name."""

    __slots__ = ("columns", "rows")

    def __init__(self, columns: dict[str, Any], rows: int | None = None) -> None:
        self.columns = columns
        self.rows = rows if rows is not None else len(next(iter(columns.values()), ()))

    def __len__(self) -> int:
        return self.rows

    def __getitem__(self, name: str) -> Any:
        return self.columns[name]

    def __setitem__(self, name: str, column: Column) -> None:
        self.columns[name] = column

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def at(self, rows: np.ndarray) -> Table:
        """The rows at these positions, or under this mask."""
        if rows.dtype == bool:
            if rows.all():
                return Table(dict(self.columns), self.rows)
            rows = np.flatnonzero(rows)
        return Table({k: c.at(rows) if isinstance(c, Texts) else c[rows] for k, c in self.columns.items()}, len(rows))

    def row(self, i: int) -> dict[str, Any]:
        """One row by column."""
        return {k: c[i] for k, c in self.columns.items()}

    def frame(self, names: Sequence[str] | None = None) -> pd.DataFrame:
        """As a data frame, texts as ordinary text columns."""
        return pd.DataFrame({n: _series(self.columns[n]) for n in names or self.columns}, copy=False)


def _series(column: Column) -> Any:
    if not isinstance(column, Texts) and column.dtype == object and len(column) and (column == column[0]).all():
        column = Texts.same(column[0], len(column))
    if not isinstance(column, Texts) and column.dtype == object:
        codes, words = pd.factorize(column)
        column = Texts(codes, list(words))
    return column.array() if isinstance(column, Texts) else column


def joined(tables: Sequence[Table]) -> Table:
    """Tables of the same columns, one below the other."""
    if len(tables) == 1:
        return tables[0]
    return Table({k: _joined([t[k] for t in tables]) for k in tables[0].columns}, sum(map(len, tables)))


def _joined(parts: list[Any]) -> Column:
    if not isinstance(parts[0], Texts):
        return np.concatenate(parts)
    codes, words = _with_common_words(parts)
    return Texts(np.concatenate(codes), words)


def side_by_side(parts: Sequence[Texts]) -> Texts:
    """Columns of as many rows each as one column in reading order, row by row."""
    codes, words = _with_common_words(parts)
    return Texts(np.column_stack(codes).reshape(-1) if codes else np.zeros(0, dtype=np.int32), words)


def _with_common_words(parts: Sequence[Texts]) -> tuple[list[np.ndarray], list[str]]:
    place: dict[str, int] = {}
    codes = []
    for part in parts:
        again = np.array([place.setdefault(w, len(place)) for w in part.words] or [0], dtype=np.int32)
        codes.append(again[part.codes])
    return codes, list(place)


def keys(columns: Sequence[Column]) -> np.ndarray:
    """A number for each row, equal where the columns are."""
    out = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        codes = column.codes if isinstance(column, Texts) else pd.factorize(column)[0]
        out = out * (int(codes.max(initial=0)) + 1) + codes
        if out.max(initial=0) > 1 << 40:
            out = pd.factorize(out)[0].astype(np.int64)
    return out
