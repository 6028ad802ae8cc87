"""Limits of the check fluid that are themselves the likelier slip: all runs read it alike, a power of ten off its line.

Files that were all written in one wrong unit look the same by the check fluid alone; where the stock is off the value as
filled by the same power, it is the files (``slips``). Else the line of plan/check_limits.csv is asked about, nothing is
held against it, and no file is called wrong.
"""

from __future__ import annotations

from itertools import permutations

import pandas as pd

from studykit.quality.flags import CheckResult, Flag, listed, shown

ALIKE = 1.5
"""Runs read the check fluid alike within this factor (as ``slips.NEAR``)."""
FAR = 5.0
"""From this factor off the middle of its limits a line is in doubt (own judgement)."""


def doubtful_limits(table: pd.DataFrame) -> CheckResult:
    """The lines in doubt, one flag each; ``table`` of ``slips.file_table``.

    Columns: analyte, check_fluid, middle_of_limits.
    """
    rows, flags, each_other = [], [], _each_other(table)
    for analyte, own in table.groupby("analyte", sort=True):
        g = own[own["check_fluid"].notna() & (own["middle_of_limits"] > 0)]
        if g.empty or g["check_fluid"].max() > ALIKE * g["check_fluid"].min():
            continue
        reads, middle = float(g["check_fluid"].median()), float(g["middle_of_limits"].iloc[0])
        if max(reads / middle, middle / reads) < FAR or _stock_too(own) or analyte in each_other:
            continue
        rows.append((analyte, reads, middle))
        flags.append(_flag(str(analyte), g, own, reads, middle))
    columns = ["analyte", "check_fluid", "middle_of_limits"]
    return CheckResult(rule="check limits", table=pd.DataFrame(rows, columns=columns), flags=tuple(flags))


def _each_other(table: pd.DataFrame) -> set[str]:
    """Analytes whose check fluid reads as another's line says, and that one as theirs: two columns (or lines) exchanged."""
    g = table[table["middle_of_limits"] > 0].groupby("analyte")
    reads, should = g["check_fluid"].median().to_dict(), g["middle_of_limits"].first().to_dict()
    near = {(a, b) for a, b in permutations(reads, 2) if should[b] / ALIKE < reads[a] < should[b] * ALIKE}
    return {str(a) for a, b in near if (b, a) in near}


def _stock_too(own: pd.DataFrame) -> bool:
    """Whether in every file whose stock can be told it lies the same power of ten off the value as filled."""
    known = own[own["by_stock"].notna()]
    fluid = own["by_fluid"].dropna()
    return len(known) > 0 and len(fluid) > 0 and bool((known["by_stock"] == fluid.iloc[0]).all()) and fluid.iloc[0] != 0


def _flag(analyte: str, g: pd.DataFrame, own: pd.DataFrame, reads: float, middle: float) -> Flag:
    runs, stock = sorted({str(r) for r in g["run"]} - {""}), own["by_stock"].dropna()
    nominal = bool(len(stock)) and bool((stock == 0).all())
    alike = "in every run alike" + (f" ({listed(runs)})" if len(runs) > 1 else "") if len(g) > 1 else "in the one run there is"
    beside = ("; the containers read as the value as filled lets one expect: a slip in that line, likeliest" if nominal else
              ": a slip in that line, likeliest, or one wrong unit in every file")
    text = (f"the check fluid reads about {shown(reads)} {alike}, and the middle of its limits is {shown(middle)}{beside}; "
            "nothing is held against this line until it is mended; to tell: the certificate or control chart that it was "
            "taken from")
    return Flag(rule="check limits", concern="ask before trusting", where="plan/check_limits.csv", analyte=analyte,
                evidence=text)


def without(limits: pd.DataFrame | None, doubtful: CheckResult) -> pd.DataFrame | None:
    """The limits that readings may be held against."""
    if limits is None or doubtful.table.empty:
        return limits
    return limits[~limits["analyte"].isin(doubtful.table["analyte"])].reset_index(drop=True)


def room_for_a_slip(low: float, high: float, width: float, least: float) -> bool:
    """Whether a power of ten has room between limits of an amount; not where they are near what can be reported at all.

    ``width``: twice an absolute margin of the analyte, ``least``: ten times its reporting limit; 0 where there is none.
    """
    return low >= 0 and high >= 10 * low and high - low > width and high > least


__all__ = ["doubtful_limits", "room_for_a_slip", "without"]
