"""A difference told on the scale of its margin: in times where that is a factor, without a unit where the analyte has none."""

from __future__ import annotations

from studykit.core.record import significant

TIMES = "times"
_FACTOR = "a factor of"


def on_margin(x: float, unit: str, margin: str) -> tuple[float, str]:
    """A difference as stored and its unit, as it is told beside its margin's text.

    One in per cent beside a factor is a ratio: 290 % more is 3.9 times as much, 71 % less 0.29 times. The unit 1 is none.
    """
    if unit == "%" and margin.startswith(_FACTOR):
        return 1 + x / 100, TIMES
    return x, "" if unit == "1" else unit


def amount(x: float, unit: str, margin: str, digits: int = 3, *, signed: bool = False) -> str:
    """Such a difference in words, without its unit; ``signed``: with a plus, which no ratio has."""
    value, shown = on_margin(x, unit, margin)
    return f"{'+' if signed and value > 0 and shown != TIMES else ''}{significant(value, digits)}"


def unit_told(unit: str, margin: str) -> str:
    """The unit of such a difference with a blank before it; empty for none."""
    return f" {shown}" if (shown := on_margin(0.0, unit, margin)[1]) else ""


__all__ = ["TIMES", "amount", "on_margin", "unit_told"]
