"""A difference told on the scale of its margin: in times where that is a factor, without a unit where the analyte has none."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from studykit.core.record import significant

TIMES = "times"
DIFFERENCES = frozenset({
    "difference", "low", "high", "estimate", "simultaneous low", "simultaneous high", "bottom - top", "zone - mixed container",
    "margin low", "margin high", "contrast", "departure", "next low", "next high", "own differences", "structured low",
    "structured", "structured high", "trend", "per month", "month low", "month high", "per year", "year low", "year high",
    "difference per year", "margin", "never below", "mostly from", "r", "range", "critical range"})
"""Columns of stage tables that hold differences between depths, or what they are held against, in the unit beside them."""
_FACTOR = "a factor of"


def on_margin(x: float, unit: str, margin: str) -> tuple[float, str]:
    """A difference as stored and its unit, as it is told beside its margin's text.

    One in per cent beside a factor is a ratio: 290 % more is 3.9 times as much, 71 % less 0.29 times. The unit 1 is none.
    """
    if unit == "%" and margin.startswith(_FACTOR):
        return 1 + x / 100, TIMES
    return x, "" if unit == "1" else unit


def in_times(table: pd.DataFrame, factors: Collection[str], columns: Collection[str] = DIFFERENCES) -> pd.DataFrame:
    """A table with the numbers of its ``columns`` as ratios where the analyte is one of ``factors``.

    ``factors``: analytes whose margin is a factor. Rows in another unit than per cent, and texts, stay as they are.
    """
    if not {"analyte", "unit"} <= set(table):
        return table
    rows = table["analyte"].isin(factors) & (table["unit"] == "%")
    numbers = [c for c in table if c in columns and pd.api.types.is_numeric_dtype(table[c])]
    ratios = {str(c): table[c].where(~rows, 1 + table[c] / 100) for c in numbers}
    return table.assign(**ratios, unit=table["unit"].where(~rows, TIMES)) if rows.any() else table


def amount(x: float, unit: str, margin: str, digits: int = 3, *, signed: bool = False) -> str:
    """Such a difference in words, without its unit; ``signed``: with a plus, which no ratio has."""
    value, shown = on_margin(x, unit, margin)
    return f"{'+' if signed and value > 0 and shown != TIMES else ''}{significant(value, digits)}"


def unit_told(unit: str, margin: str) -> str:
    """The unit of such a difference with a blank before it; empty for none."""
    return f" {shown}" if (shown := on_margin(0.0, unit, margin)[1]) else ""


__all__ = ["TIMES", "amount", "in_times", "on_margin", "unit_told"]
