"""Saved tables and texts in figures as people read them: fewer columns, an interval in one cell, p in words, no formula."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from studykit.core.record import significant

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SMALL = 1e-4
DUST = 1e-13
"""Differences, scatters and levels of a study below are nothing but rounding inside the computer."""
_MAY_BE_SMALL = re.compile(r"(^|[ _])p([ _,(]|$)|chance|share|probab|/s\b")


def p_text(p: float) -> str:
    """A p-value as people read it: two digits, 'below 0.0001' where smaller, nothing where there is none."""
    if p is None or math.isnan(p):
        return ""
    return f"below {SMALL:.4f}" if p < SMALL else "above 0.99" if p > 0.99 else significant(p, 2)


def span_text(low: float, high: float, digits: int = 3) -> str:
    """An interval in one cell, nothing where there is none."""
    return "" if math.isnan(low) or math.isnan(high) else f"{significant(low, digits)} to {significant(high, digits)}"


def without_dust(table: pd.DataFrame) -> pd.DataFrame:
    """A table to be printed, with 0 for numbers below DUST, which only the last bits of the computer make.

    Not in columns of p-values, chances and shares, nor in those of a physical unit a second: they may be as small.
    """
    out = table
    for c in map(str, table.columns):
        if _MAY_BE_SMALL.search(c) or not pd.api.types.is_float_dtype(table[c]):
            continue
        dust = (table[c].abs() < DUST) & (table[c] != 0)
        if dust.any():
            out = out.assign(**{c: table[c].where(~dust, 0.0)})
    return out


def readable(table: pd.DataFrame, spans: Mapping[str, tuple[str, str]] | str = "", *, p: Sequence[str] = (),
             keep: Sequence[str] = (), drop: Sequence[str] = (), names: Mapping[str, str] | None = None,
             digits: int = 3) -> pd.DataFrame:
    """A copy of a saved table for a page; an empty table as it is.

    ``spans``: heading -> the two columns (limits) that become one text column in the place of the first; a
    bare text is the heading for 'low' and 'high', left alone where the table has no such columns. ``p``: columns of
    p-values to word; ``keep``: the only columns, in this order; ``drop`` and ``names``: columns to leave out and to
    rename; ``digits`` of the limits.
    """
    if table.empty:
        return table
    wanted = ({spans: ("low", "high")} if "low" in table and spans else {}) if isinstance(spans, str) else spans
    out = table.drop(columns=[c for c in drop if c in table])
    for heading, (low, high) in wanted.items():
        ends = without_dust(out[[low, high]].astype(float))
        texts = [span_text(float(a), float(b), digits) for a, b in zip(ends[low], ends[high], strict=True)]
        place = list(out.columns).index(low)
        out = out.drop(columns=[low, high])
        out.insert(place, heading, texts)
    out = out.assign(**{c: [p_text(float(x)) for x in out[c]] for c in p})
    return (out[list(keep)] if keep else out).rename(columns=dict(names or {}))


def as_written(figure: Figure) -> Figure:
    """The figure with every text as it is written: a $ in somebody's name begins no formula.

    Powers of ten beside a logarithmic axis are matplotlib's own formulas, and stay.
    """
    from matplotlib.text import Text

    axes = [axis for ax in figure.axes for axis in (ax.xaxis, ax.yaxis)]
    powers = {id(t) for axis in axes if axis.get_scale() == "log" for t in axis.get_ticklabels(which="both")}
    for text in figure.findobj(Text):
        if isinstance(text, Text) and id(text) not in powers:
            text.set_parse_math(False)
    return figure
