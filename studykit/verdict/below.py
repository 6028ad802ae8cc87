"""What is said where every result of an analyte lies below its limit, and the limit below the margin."""

from __future__ import annotations

from studykit.core.record import significant
from studykit.model.analyte import AnalyteModel

ALL_BELOW = "Every result lies below its limit"
WHY_NONE = ("As far as this method sees, nothing lies beyond. There is no verdict, since readings without a number show no "
            "scatter.")


def all_below(model: AnalyteModel) -> str:
    """That no two readings can differ by the margin, and why there is no verdict yet; '' where that is not so.

    Readings are taken as not below zero, and the margin has to be in the analyte's unit: in per cent of a level that nobody
    read, limits bound nothing.
    """
    rows = model.rows
    table, margin = rows.table, rows.margin
    if margin.log or table.empty or not (table["qualifier"] == "<").all():
        return ""
    highest = float(table["limit"].max())
    if not 0 < highest < margin.edge:
        return ""
    return (f"{ALL_BELOW}, the highest of them {significant(highest, 3)} {rows.unit}: no two readings differ by more than "
            f"that, which is less than the margin of {margin.text}. {WHY_NONE}")


def told(reasons: str) -> str:
    """The sentences of ``all_below`` among an analyte's reasons; '' where they are not there."""
    _, found, after = reasons.partition(ALL_BELOW)
    return f"{found}{after.partition(WHY_NONE)[0]}{WHY_NONE}" if found and WHY_NONE in after else ""
