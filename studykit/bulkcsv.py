"""Large tables as CSV bytes: distinct texts are formatted once, so a million rows cost little more than joining."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.numeric import safe_cell

CHUNK = 100_000
_NEEDS_QUOTES = (",", '"', "\n", "\r")


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in _NEEDS_QUOTES) else text


def _all_quoted(texts: list[str]) -> list[str]:
    """Texts with quotes where they need them; one look at all of them together usually settles it."""
    together = "\0".join(texts)
    return [_quoted(t) for t in texts] if any(c in together for c in _NEEDS_QUOTES) else texts


def _texts(column: pd.Series, safe: bool) -> list[str]:
    """A column as text cells: whole floats as 12.0, missing as nothing, days as YYYY-MM-DD."""
    kind = column.dtype
    if isinstance(kind, np.dtype) and kind.kind in "iu" and len(column) and column.iloc[0] != column.iloc[-1]:
        return list(map(str, column.tolist()))
    codes: np.ndarray
    if isinstance(kind, pd.CategoricalDtype):
        codes, values = column.cat.codes.to_numpy(), column.cat.categories.tolist()
    else:
        codes, distinct = pd.factorize(column, use_na_sentinel=True)
        values = distinct.tolist()
    shown = [repr(v) if isinstance(v, float) else v.strftime("%Y-%m-%d") if isinstance(v, pd.Timestamp) else str(v)
             for v in values]
    if safe:
        shown = [safe_cell(t) for t in shown]
    each = np.array([*_all_quoted(shown), ""], dtype=object)
    return list(each[codes])


def table_bytes(table: pd.DataFrame, *, safe: tuple[str, ...] = ()) -> bytes:
    """A table as UTF-8 CSV with '\\n' line ends; the columns in ``safe`` are made harmless for spreadsheets."""
    columns = [_texts(table[c], str(c) in safe) for c in table.columns]
    parts = [",".join(_quoted(str(c)) for c in table.columns).encode() + b"\n"]
    for start in range(0, len(table), CHUNK):
        rows = zip(*(c[start:start + CHUNK] for c in columns), strict=True)
        parts.append(("\n".join(map(",".join, rows)) + "\n").encode("utf-8"))
    return b"".join(parts)
