"""What the lines over time rest on: factors that the containers of a group cannot tell apart, and the lots that were sampled.

Two things can be tied. The age of a group's containers to another factor (each lot was seen at one age): then what looks like
growth may be lots. And what makes the group (lying) to another factor (all lying containers are of lot A): then its time may
be that of lot A. Where either is so nothing is said beyond the oldest age observed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from studykit.model.rows import LEAST_RANDOM, ModelRows
from studykit.study.ages import span_words
from studykit.study.aliases import Alias, aliases
from studykit.study.definition import Study

AGE = "age_months"
MOST_NAMED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """Two factors that the containers of a group cannot tell apart: ``first`` is age or what makes the group, ``level`` of it.

    ``where``: what the group's containers have of ``second``, in words; '' where the two are tied within the group.
    """

    alias: Alias
    level: str
    where: str

    def of(self, *names: str) -> bool:
        """True for these two factors."""
        return set(names) == {self.alias.first, self.alias.second}

    def words(self) -> str:
        """What is tied and what that means for the times of the group, as the end of a sentence."""
        first, second = (name.replace(AGE, "age") for name in (self.alias.first, self.alias.second))
        told, _, number = self.alias.words().replace(AGE, "age").partition(": ")
        if first == "age":
            return (f"; but {told} here ({number}): what looks like growth, or hides it, may be the {second}, and the time may "
                    "be too long")
        return (f"; but {told} ({number}; {first} {self.level} has {self.where} only): what sets it apart may be the "
                f"{second}, and the time holds for {first} {self.level} with {self.where} alone")


def ties(study: Study, rows: ModelRows, group: Sequence[str], containers: Sequence[str]) -> tuple[Tie, ...]:
    """What cannot be told apart in the group of ``containers``; ``group``: the factors that make the groups."""
    whole = rows.visits.drop_duplicates(["container", "visit"])
    here = whole[whole["container"].isin(list(containers))]
    others = [f for f in dict.fromkeys((*study.factors.fixed, "lot", "store")) if f in whole and f not in (*group, AGE)]
    found = [Tie(alias=a, level="", where="") for f in others if not _sample_of_many(study, here, f)
             for a in aliases(here, [AGE, f])]
    for k, factor in enumerate(group):
        level = str(here[factor].iloc[0])
        split = whole.assign(**{factor: (whole[factor].astype(str) == level).map({True: level, False: "other"})})
        found += [Tie(alias=a, level=level, where=_where(here, f)) for f in (*others, *group[k + 1:], AGE)
                  if not _sample_of_many(study, here, f) for a in aliases(split, [factor, f])]
    return tuple(found)


def _sample_of_many(study: Study, here: pd.DataFrame, factor: str) -> bool:
    """True where the levels in a group vary as containers do, and so count as scatter: each container has its own.

    Or enough of them were declared random, and they are more than the ages.
    """
    if factor == AGE or pd.api.types.is_numeric_dtype(here[factor]):
        return False
    levels, containers = here[factor].nunique(), here["container"].nunique()
    return levels == containers > 1 or (factor in study.factors.random and levels >= LEAST_RANDOM
                                        and levels > here[AGE].nunique())


def _where(here: pd.DataFrame, factor: str) -> str:
    """The levels or the span of a factor in a group, in words."""
    if factor == AGE:
        return f"ages from {span_words(float(here[AGE].min()))} to {span_words(float(here[AGE].max()))}"
    values = here[factor]
    if pd.api.types.is_numeric_dtype(values):
        return f"{factor} from {values.min():g} to {values.max():g}"
    return f"{factor} {named(values)}"


def named(values: pd.Series) -> str:
    """Distinct levels with commas, the first few of them."""
    levels = sorted(set(values.astype(str)) - {""})
    more = len(levels) - MOST_NAMED
    return ", ".join(levels[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _when(visit: str) -> str:
    """A visit in words: its day, or the age of a table without days."""
    return f" {'at' if visit.endswith('months') else 'on'} {visit}" if visit else ""


def lacking(rows: ModelRows) -> str:
    """Visits of containers that lack the results of a zone that others have, in words; '' where none does."""
    depth = rows.visits["depth"].astype(str)
    there = rows.visits.groupby(["container", "visit", depth], sort=True).size().unstack(fill_value=0)
    seen, counts = there.index.to_frame(index=False), there.reindex(columns=list(rows.depths), fill_value=0).to_numpy()
    gone = [[d for d, n in zip(rows.depths, row, strict=True) if not n] for row in counts]
    told = [f"{c}{_when(day)} ({', '.join(lost)})"
            for c, day, lost in zip(seen["container"], seen["visit"], gone, strict=True) if lost]
    if not told:
        return ""
    more = len(told) - MOST_NAMED
    have = "has" if len(told) == 1 else "have"
    return (f"{len(told)} of {len(seen)} visits to containers {have} no result of some zone, and no part in a difference that "
            f"needs it: {', '.join(told[:MOST_NAMED])}" + (f" and {more} more" if more > 0 else ""))
