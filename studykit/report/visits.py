"""The days that page one tells of sampling: of samples that were drawn or have results; visits without any are named as that.

No clock is asked, since a report comes out alike when it is made again: a planned day is past where a later one is written.
"""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from studykit.study.ages import visit_days, was_drawn
from studykit.study.stages import OpenStage


def newest(columns: Iterable[pd.Series | None]) -> str:
    """The newest day of several columns; '' where none is written."""
    days = [pd.to_datetime(c.dropna()).max() for c in columns if c is not None and c.notna().any()]
    return max(pd.Timestamp(d).date().isoformat() for d in days) if days else ""


def sampled_on(stage: OpenStage) -> str:
    """The newest day on which something was drawn: of samples that are logged as drawn or have a result; '' for none.

    A visit's planned day stands for its samples, a container's day for samples without a visit.
    """
    seen = stage.samples[_seen(stage)]
    visited = seen.get("visited_on", pd.Series(pd.NaT, index=seen.index))
    without = set(seen.loc[visited.isna(), "container"])
    own = stage.containers.loc[stage.containers["container"].isin(without)].get("sampled_on")
    return newest([own, visited, seen.get("drawn_at")])


def _seen(stage: OpenStage) -> pd.Series:
    """Rows of the samples table that are logged as drawn or have a result."""
    measured = stage.samples["sample"].isin(set(stage.results["sample"]))
    return measured | was_drawn(stage.samples.reindex(columns=["drawn_at", "volume_ml"]))


def without_draws(stage: OpenStage, told_on: Iterable[str] = ()) -> list[str]:
    """A sentence on each planned visit of which no sample is logged as drawn or has a result: past, or still to come.

    ``told_on``: further days of the study as text, those of its lock: a visit before the newest of all days is past.
    """
    days = visit_days(stage.samples)
    planned = sorted(set(days) - {""})
    known = max([sampled_on(stage), newest([stage.results.get("reported_on")]), *told_on])
    none = [d for d in planned if d not in set(days[_seen(stage)])]
    return [_told(planned.index(d) + 1, len(planned), d, int((days == d).sum()), past=d < known) for d in none]


def _told(number: int, of: int, day: str, samples: int, *, past: bool) -> str:
    head = f"Visit {number} of {of}, planned for {day}, "
    what = f"none of its {samples} samples is logged as drawn, and none has a result"
    return f"{head}{'is past: ' if past else 'is still to come: '}{what}."
