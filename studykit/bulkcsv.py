"""Large tables as CSV bytes: distinct texts are formatted once, so a million rows cost little more than joining."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from studykit.numeric import safe_cell

CHUNK = 100_000
_NEEDS_QUOTES = (",", '"', "\n", "\r")


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in _NEEDS_QUOTES) else text


def _plain(value: Any) -> str:
    """One value as text: whole floats as 12.0, missing as nothing, days as YYYY-MM-DD."""
    if value is None or value is pd.NaT or value != value:
        return ""
    if isinstance(value, (float, np.floating)):
        return repr(float(value))
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return str(value)


def _texts(column: pd.Series, safe: bool) -> np.ndarray:
    codes, distinct = pd.factorize(column, use_na_sentinel=True)
    shown = [_plain(v) for v in distinct]
    if safe:
        shown = [safe_cell(t) for t in shown]
    each = np.array([*(_quoted(t) for t in shown), ""], dtype=object)
    return each[codes]


def table_bytes(table: pd.DataFrame, *, safe: tuple[str, ...] = ()) -> bytes:
    """A table as UTF-8 CSV with '\\n' line ends; the columns in ``safe`` are made harmless for spreadsheets."""
    columns = [_texts(table[c], str(c) in safe) for c in table.columns]
    parts = [",".join(_quoted(str(c)) for c in table.columns).encode() + b"\n"]
    for start in range(0, len(table), CHUNK):
        rows = zip(*(c[start:start + CHUNK].tolist() for c in columns), strict=True)
        parts.append(("\n".join(map(",".join, rows)) + "\n").encode("utf-8"))
    return b"".join(parts)
