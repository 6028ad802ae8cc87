"""Containers that lie beyond a margin, in sentences: which reading says so, against which margin, and by how much."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from studykit.quality.flags import listed
from studykit.study.spans import amount, unit_told
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
    groups = [f"{named(own['container'])} ({_read(str(pair), str(by), own)})"
              for (pair, by), own in part.groupby(["pair", "by"], sort=False)]
    return f"{part['name'].iloc[0]}, {part['margin'].iloc[0]}: {'; '.join(groups)}"


def named(containers: Iterable[object]) -> str:
    """Containers by name, each once; of a long list the first, how many more, and where all of them stand.

    One or two names more than ``LONG`` are no longer than the words that would take their place.
    """
    names = list(dict.fromkeys(map(str, containers)))
    cut = len(names) > LONG + 2
    return listed(names, LONG if cut else len(names)) + " (all in the report's verdict chapter)" * cut


def _read(pair: str, by: str, own: pd.DataFrame) -> str:
    """Between which two places, and from which difference to which; of limits the least that it may be."""
    where = "" if pair in ELSEWHERE else f"{pair.replace(' - ', ' against ')}, "
    scale = str(own["unit"].iloc[0]), str(own["margin"].iloc[0])
    ends = dict.fromkeys(amount(float(x), *scale, signed=True) for x in (own["difference"].min(), own["difference"].max()))
    alone = ", by readings alone" if by == READ and pair in ELSEWHERE else ""
    return f"{where}{'at least ' * (by == READ)}{' to '.join(ends)}{unit_told(*scale)}{alone}"
