"""Containers that lie beyond a margin, in sentences: which reading says so, against which margin, and by how much."""

from __future__ import annotations

import pandas as pd

from studykit.core.record import significant
from studykit.quality.flags import listed
from studykit.verdict.containers import READ
from studykit.verdict.floors import FLOOR, OF_WHOLE

LONG = 16
"""Containers in one list; the rest is counted there and named in the verdict chapter."""
ALONE = ("By their readings alone, wherever within their limits the values lie (too few results are numbers to tell the "
         "scatter of measuring), these lie beyond the margin of {}; they are to be treated all the same.")
ELSEWHERE = {FLOOR: "On the floor, by the heel against the zones of the same container, these lie beyond the margin of {}.",
             OF_WHOLE: "By the zones against what was stirred and sampled last, these lie beyond the margin of {}."}


def of_zones(beyond: pd.DataFrame) -> pd.DataFrame:
    """The rows of *containers-beyond* that are about a container's own zones."""
    return beyond[~beyond["pair"].isin(ELSEWHERE)] if len(beyond) else beyond


def by_zones(beyond: pd.DataFrame) -> list[str]:
    """A sentence an analyte on containers whose zones lie beyond: shown, then those by their readings alone."""
    zones = of_zones(beyond)
    if zones.empty:
        return []
    read = zones["by"] == READ
    told = [f"Shown to lie beyond the margin of {_each(part)}." for _, part in zones[~read].groupby("name", sort=False)]
    return told + [ALONE.format(_each(part)) for _, part in zones[read].groupby("name", sort=False)]


def elsewhere(beyond: pd.DataFrame) -> list[str]:
    """A sentence on containers beyond on their floors, and one on those beyond by their stirred rest."""
    told = []
    for pair, sentence in ELSEWHERE.items() if len(beyond) else ():
        own = beyond[beyond["pair"] == pair]
        if len(own):
            told.append(sentence.format("; of ".join(_each(part) for _, part in own.groupby("name", sort=False))))
    return told


def _each(part: pd.DataFrame) -> str:
    """One analyte: its margin, and its containers with the two places compared and the differences found."""
    groups = [f"{listed(list(dict.fromkeys(own['container'].astype(str))), LONG)} ({_read(str(pair), str(by), own)})"
              for (pair, by), own in part.groupby(["pair", "by"], sort=False)]
    return f"{part['name'].iloc[0]}, {part['margin'].iloc[0]}: {'; '.join(groups)}"


def _read(pair: str, by: str, own: pd.DataFrame) -> str:
    """Between which two places, and from which difference to which; of limits the least that it may be."""
    where = "" if pair in ELSEWHERE else f"{pair.replace(' - ', ' against ')}, "
    ends = dict.fromkeys(f"{'+' if x > 0 else ''}{significant(float(x), 3)}" for x in
                         (own["difference"].min(), own["difference"].max()))
    alone = ", by readings alone" if by == READ and pair in ELSEWHERE else ""
    return f"{where}{'at least ' * (by == READ)}{' to '.join(ends)} {own['unit'].iloc[0]}{alone}"
