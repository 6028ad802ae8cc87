"""The saved tables of the model and verdict stages as people read them: fewer columns, intervals in one cell, p in words."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from studykit.core.record import significant

SMALL = 1e-4


def p_text(p: float) -> str:
    """A p-value as people read it: two digits, 'below 0.0001' where smaller, nothing where there is none."""
    if p is None or math.isnan(p):
        return ""
    return f"below {SMALL:.4f}" if p < SMALL else "above 0.99" if p > 0.99 else significant(p, 2)


def span_text(low: float, high: float, digits: int = 3) -> str:
    """An interval in one cell, nothing where there is none."""
    return "" if math.isnan(low) or math.isnan(high) else f"{significant(low, digits)} to {significant(high, digits)}"


def _spans(table: pd.DataFrame, low: str, high: str, name: str, digits: int = 3) -> pd.DataFrame:
    """The columns low and high as one text column in the place of low."""
    out = table.copy()
    texts = [span_text(float(a), float(b), digits) for a, b in zip(out[low], out[high], strict=True)]
    out.insert(int(out.columns.get_loc(low)), name, texts)  # type: ignore[arg-type]
    return out.drop(columns=[low, high])


def _worded(table: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    return table.assign(**{c: [p_text(float(p)) for p in table[c]] for c in columns})


def _guarded(change: Callable[[pd.DataFrame], pd.DataFrame]) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """The change for tables with rows; an empty one as it is."""

    def inner(table: pd.DataFrame) -> pd.DataFrame:
        return change(table) if len(table) else table

    inner.__doc__ = change.__doc__
    return inner


@_guarded
def fits(table: pd.DataFrame) -> pd.DataFrame:
    """What was fitted, in one line an analyte."""
    out = table[["analyte", "path", "rows", "containers", "random terms", "at zero", "largest gradient",
                 "statsmodels differs by", "second opinion"]]
    whole = {c: [f"{int(v)}" if v == v else "" for v in out[c]] for c in ("rows", "containers")}
    return out.assign(**whole)  # an analyte that was not fitted has no count


@_guarded
def means(table: pd.DataFrame) -> pd.DataFrame:
    """Depth means with their interval in one cell."""
    return _spans(table, "low", "high", "95 % interval", 5)


@_guarded
def contrasts(table: pd.DataFrame) -> pd.DataFrame:
    """Pairs of depths with both intervals, each in one cell."""
    out = _spans(table, "low", "high", "interval for 'same enough'")
    out = _spans(out, "simultaneous low", "simultaneous high", "interval for all pairs at once")
    return _worded(out, ["p"]).rename(columns={"p": "p within margin"})


@_guarded
def gradients(table: pd.DataFrame) -> pd.DataFrame:
    """Joint test and trend."""
    out = _spans(table, "low", "high", "95 % interval") if "low" in table else table
    return _worded(out, ["p"])


@_guarded
def roads(table: pd.DataFrame) -> pd.DataFrame:
    """Both roads with their intervals in one cell each."""
    out = _spans(table, "low", "high", "by the model")
    return _spans(out, "low ", "high ", "by the summary")


@_guarded
def profile(table: pd.DataFrame) -> pd.DataFrame:
    """The mean profile; the uppermost zone, against which the others are held, is left out."""
    out = table[~((table["difference"] == 0) & (table["low"] == table["high"]))]
    out = _spans(out, "margin low", "margin high", "margin")
    return _spans(out, "low", "high", "interval")


@_guarded
def residuals(table: pd.DataFrame) -> pd.DataFrame:
    """The twelve rows of a residual table that come first."""
    few = table.head(12).drop(columns=["residual"])
    return few.assign(fitted=[significant(float(f), 5) for f in few["fitted"]])


@_guarded
def checks(table: pd.DataFrame) -> pd.DataFrame:
    """Residual checks with p in words."""
    return _worded(table, ["p normal", "p size"])


@_guarded
def influence(table: pd.DataFrame) -> pd.DataFrame:
    """Leave-one-out rows with the interval in one cell."""
    return _spans(table, "low", "high", "interval")


@_guarded
def repeatability(table: pd.DataFrame) -> pd.DataFrame:
    """Own against stated repeatability, the interval in one cell."""
    return _spans(table, "low", "high", "95 % interval")


@_guarded
def verdicts(table: pd.DataFrame) -> pd.DataFrame:
    """The verdict table with the interval in one cell and the analyte's name."""
    return _spans(table, "low", "high", "interval").drop(columns="analyte").rename(columns={"name": "analyte"})


@_guarded
def in_margins(table: pd.DataFrame) -> pd.DataFrame:
    """Differences in units of the margin."""
    return _spans(table, "low", "high", "interval")


@_guarded
def sentences(table: pd.DataFrame) -> pd.DataFrame:
    """Sentence, reasons and blind spot of each analyte."""
    return table[["analyte", "sentence", "reasons", "blind spot of the method"]]


@_guarded
def evidence(table: pd.DataFrame) -> pd.DataFrame:
    """Evidence with p in words; degrees of freedom of a known precision are 'known'."""
    tested = [c for c in map(str, table.columns) if c.startswith("p ") and table[c].notna().any()]
    out = _worded(table, tested).drop(columns=[c for c in table if str(c).startswith("p ") and c not in tested])
    return out.assign(df=["known scatter" if np.isinf(d) else "" if d != d else significant(d, 3) for d in table["df"]])


@_guarded
def singles(table: pd.DataFrame) -> pd.DataFrame:
    """What two single results can show, without what can be read from the other columns."""
    return table.drop(columns=["margin / r", "sure"])


@_guarded
def known_precision(table: pd.DataFrame) -> pd.DataFrame:
    """One container's evidence: results by depth, range against critical range, difference with interval."""
    out = _spans(table, "low", "high", "interval")
    return out[["analyte", "unit", "depths", "range", "critical range", "precision", "difference", "interval", "margin",
                "verdict", "provisional"]]


@_guarded
def whole(table: pd.DataFrame) -> pd.DataFrame:
    """Heel and whole against the zones, the interval in one cell."""
    return _spans(table, "low", "high", "interval")


@_guarded
def groups(table: pd.DataFrame) -> pd.DataFrame:
    """Groups with the interval in one cell."""
    return _spans(table, "low", "high", "interval") if "low" in table else table


@_guarded
def outstanding(table: pd.DataFrame) -> pd.DataFrame:
    """Single containers with counts as whole numbers."""
    return table.assign(n=table["n"].astype(int)).rename(columns={"contrast": "bottom \u2212 top", "n": "results"})


@_guarded
def pouring(table: pd.DataFrame) -> pd.DataFrame:
    """First and last litres, the interval in one cell."""
    return _spans(table, "low %", "high %", "interval, %")
