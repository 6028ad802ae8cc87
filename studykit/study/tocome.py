"""Days in the tables that have not come by this machine's clock: asked about, since ages and times rest on them.

A question and no fault, and never part of what is filed: when the day has come it is gone, and nothing else changed.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd

from studykit.core.errors import Fault
from studykit.study.columns import CONTAINERS, RESULTS, SAMPLES, TableSpec
from studykit.study.tables import LINE, read_cells

ASKED = "days to come"
REASON = "this day has not come by this machine's clock"
REMEDY = "is it right? Ages and times rest on it: correct it, or set the clock"


def days_to_come(root: Path, results: pd.DataFrame | None = None, today: dt.date | None = None) -> tuple[str, ...]:
    """A question a column of plan/containers.csv, plan/samples.csv and the results: file, first row, value, how many more.

    More than one day ahead (time zones). A day on which something is planned may lie ahead: a container's days are asked
    about, and a visit's, once something was drawn or has a result. ``results``: as taken in; None: those of tidy/results.csv.
    """
    last = pd.Timestamp((today or dt.datetime.now(dt.UTC).date()) + dt.timedelta(days=1))
    containers, samples, taken = (_cells(root, spec) for spec in (CONTAINERS, SAMPLES, RESULTS))
    taken = taken if results is None else results
    done = samples["sample"].isin(set(taken["sample"])) | _days(samples["drawn_at"]).notna()
    opened = containers["container"].isin(set(samples.loc[done, "container"]))
    told = [_asked(CONTAINERS.file, c, containers[opened], LINE, last) for c in _dates(CONTAINERS)]
    told += [_asked(SAMPLES.file, c, samples[done], LINE, last) for c in _dates(SAMPLES)]
    for name, own in taken.groupby("source_file") if len(taken) else ():
        told.append(_asked(f"raw/{str(name).removeprefix('raw/')}", "reported_on", own, "source_row", last))
    return tuple(t for t in told if t)


def _dates(spec: TableSpec) -> list[str]:
    return [c.name for c in spec.columns if c.kind in ("date", "moment")]


def _cells(root: Path, spec: TableSpec) -> pd.DataFrame:
    """The cells of a table as they stand, with every column that is known; without rows where there is no such file."""
    there = (root / spec.file).is_file()
    cells = read_cells(root / spec.file, spec)[0] if there else pd.DataFrame(columns=[*spec.names, LINE])
    return cells.reindex(columns=list(dict.fromkeys([*spec.names, LINE])))


def _days(cells: pd.Series) -> pd.Series:
    """Days of cells, typed or as written; those that are none are left to the checks of the tables."""
    return pd.to_datetime(cells.astype(str).str.strip().str[:10], format="%Y-%m-%d", errors="coerce")


def _asked(file: str, column: str, rows: pd.DataFrame, line: str, last: pd.Timestamp) -> str:
    """The question on one column, '' where every day has come."""
    days = _days(rows[column])
    ahead = rows.assign(day=days)[days > last]
    if ahead.empty:
        return ""
    more = f" ({len(ahead) - 1} more such rows in this column)" if len(ahead) > 1 else ""
    first = ahead.iloc[0]
    fault = Fault(file=file, row=int(first[line]), column=column, value=f"{first['day']:%Y-%m-%d}", reason=REASON + more,
                  remedy=REMEDY)
    return f"[{ASKED}] {fault.line()}"
