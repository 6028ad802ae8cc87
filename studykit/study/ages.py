"""How old a container was at a visit: the day its clock starts, its age in months, and what is odd about the days.

The clock starts at filling or, for stored containers, at the last mixing where that is later, because mixing undoes what
settled. Whether a move stirred the liquid as well is no matter for the kit to guess: with a section [time] in study.toml and
containers that were moved later, it asks (``time.starts``). A container that was mixed between two visits has the day from
which it stood at the earlier one beside its samples (``stood_from``).
"""

from __future__ import annotations

from collections.abc import Collection
from itertools import pairwise

import pandas as pd

from studykit.core.errors import Fault
from studykit.study.columns import CONTAINERS, LINE, SAMPLES, each_row
from studykit.study.definition import Study

DAYS_A_MONTH = 365.2425 / 12
SHORT_DAYS = 90
"""Spans below it are told in days (own judgement)."""
NEAR_DAYS = 5
"""So near to whole months they are told as such: calendar months differ by three days (own judgement)."""
MOST_APART = 1.0
"""Months that a written age may lie from that of the days (own judgement: ages are written in whole months)."""
SAME_VISIT = 7
"""Days that a draw may lie from the day of its visit (own judgement: a round through a store takes days)."""


def span_words(months: float) -> str:
    """A span in words: days where it is short, else months; with a decimal where it is more than five days from whole ones."""
    days, whole = months * DAYS_A_MONTH, round(months)
    told = whole if abs(months - whole) * DAYS_A_MONTH <= NEAR_DAYS else round(months, 1)
    number, noun = (f"{days:.0f}", "day") if days < SHORT_DAYS else (f"{told:g}", "month")
    return f"{number} {noun}{'' if number == '1' else 's'}"


def stands_from(containers: pd.DataFrame, study: Study | None) -> pd.Series:
    """The day from which each container stood; missing where it is not known."""
    starts = study.time.starts if study is not None and study.time is not None else None
    start = containers["filled_on"]
    later = {"filled": (), "moved": ("last_mixed_on", "last_moved_on")}.get(starts or "", ("last_mixed_on",))
    everyone = pd.Series(True, index=containers.index)
    stored = containers["treatment"].isin(["stored", ""]) if "treatment" in containers else everyone
    for name in later:
        if name in containers:
            start = start.where(~stored | containers[name].isna() | (containers[name] <= start), containers[name])
    return start


def container_ages(containers: pd.DataFrame, study: Study | None) -> pd.Series:
    """Age at sampling in months, from the days where both are given, else as written."""
    age = (containers["sampled_on"] - stands_from(containers, study)).dt.days / DAYS_A_MONTH
    return age.where(age.notna(), containers["age_months"])


def age_conflicts(containers: pd.DataFrame, study: Study | None) -> list[Fault]:
    """Ages that are written and are others than the days of the container give."""
    found = container_ages(containers.assign(age_months=float("nan")), study)
    odd = containers.assign(found=found)[(containers["age_months"] - found).abs() > MOST_APART]
    return [Fault(file=CONTAINERS.file, row=int(r[LINE]), column="age_months", value=f"{r['age_months']:g}",
                  reason=f"is not what its days give ({r['found']:.1f} months from {when:%Y-%m-%d} to "
                         f"{r['sampled_on']:%Y-%m-%d})",
                  remedy="correct a day, or leave age_months empty: with days the age follows from them")
            for r, when in zip(odd.to_dict("records"), stands_from(odd, study), strict=True)]


def visit_ages(joined: pd.DataFrame, study: Study) -> dict[str, pd.Series]:
    """Day of the visit and age at it, from samples joined to containers; a sample without a visit has its container's day."""
    own = joined["sampled_on"] if "sampled_on" in joined else pd.Series(pd.NaT, index=joined.index)
    day = joined["visited_on"].fillna(own) if "visited_on" in joined else own
    if "filled_on" not in joined:
        return {"visited_on": day, "age_months": joined.get("age_months", pd.Series(float("nan"), index=joined.index))}
    start = stands_from(joined, study)
    if "stood_from" in joined:
        start = joined["stood_from"].fillna(start)
    age = (day - start).dt.days / DAYS_A_MONTH
    return {"visited_on": day, "age_months": age.where(age.notna(), joined["age_months"])}


def was_drawn(samples: pd.DataFrame) -> pd.Series:
    """Rows of the samples table that carry a time or a volume: these were drawn."""
    return samples["drawn_at"].notna() | (samples["volume_ml"].fillna(0) > 0)


def visit_days(samples: pd.DataFrame) -> pd.Series:
    """Day of the visit of each sample as text; empty where none is said."""
    if "visited_on" not in samples:
        return pd.Series("", index=samples.index)
    return pd.to_datetime(samples["visited_on"]).dt.strftime("%Y-%m-%d").fillna("")


def still_to_come(samples: pd.DataFrame, measured: Collection[str] = ()) -> pd.Series:
    """Rows of visits at which nothing was drawn (or ``measured``) yet, where something was at another."""
    days = visit_days(samples)
    known = samples["sample"].isin(list(measured))
    seen = set(days[known | was_drawn(samples)] if {"drawn_at", "volume_ml"} <= set(samples) else days[known])
    return (days != "") & ~days.isin(seen) & bool(seen)


def with_last_visit(containers: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """The containers with the day of their last visit as sampled_on, where that is empty; planned days where none was drawn."""
    if "visited_on" not in samples or samples["visited_on"].isna().all() or "container" not in containers:
        return containers
    last = samples.groupby("container")["visited_on"].max()
    if {"drawn_at", "volume_ml"} <= set(samples):
        last = samples[was_drawn(samples)].groupby("container")["visited_on"].max().combine_first(last)
    return containers.assign(sampled_on=containers["sampled_on"].fillna(containers["container"].map(last)))


def age_faults(containers: pd.DataFrame, samples: pd.DataFrame, study: Study | None) -> list[Fault]:
    """Mixing after sampling or before filling, moves that the study is silent about, visits before the clock starts."""
    stored = containers[containers["treatment"] == "stored"] if "treatment" in containers else containers
    faults = each_row(stored, stored["last_mixed_on"] > stored["sampled_on"], CONTAINERS, "last_mixed_on",
                      "lies after sampled_on, but the container is called stored",
                      "correct the day, or call it a remixed control")
    for column, what in (("last_mixed_on", "what was mixed"), ("last_moved_on", "a move")):
        faults += each_row(containers, containers[column] < containers["filled_on"], CONTAINERS, column,
                           "lies before it was filled ({filled_on:%Y-%m-%d})",
                           f"correct one of the days; {what} before filling needs none")
    return faults + _moves(stored, study) + _too_early(stored, samples, study) + _visits(containers, samples, study)


def _too_early(stored: pd.DataFrame, samples: pd.DataFrame, study: Study | None) -> list[Fault]:
    """Planned visits before containers that may be drawn at them began to stand, while nothing is planned yet."""
    if study is None or study.time is None or not study.time.visits or len(samples):
        return []
    free = stored if study.time.containers == "same" else stored[stored["sampled_on"].isna()]
    start = stands_from(free, study)
    faults = []
    for day in map(pd.Timestamp, study.time.visits):
        young = free[start > day]
        if len(young):
            named = ", ".join(young["container"].astype(str).head(3)) + (" and others" if len(young) > 3 else "")
            faults.append(Fault(
                file="study.toml", column="time.visits", value=f"{day:%Y-%m-%d}",
                reason=f"lies before {len(young)} of {len(free)} containers began to stand ({named}; the last of them on "
                       f"{start.max():%Y-%m-%d})",
                remedy="plan visits after filling and the last mixing, or correct filled_on or last_mixed_on in "
                       f"{CONTAINERS.file}"))
    return faults


def _moves(stored: pd.DataFrame, study: Study | None) -> list[Fault]:
    """One question where containers were moved after their clock started and [time] does not say what that means."""
    if study is None or study.time is None or study.time.starts is not None:
        return []
    moved = stored[stored["last_moved_on"] > stands_from(stored, study)]
    if moved.empty:
        return []
    named = ", ".join(moved["container"].astype(str).head(3)) + (" and others" if len(moved) > 3 else "")
    return [Fault(file="study.toml", column="time.starts", value="",
                  reason=f"is not said, but {len(moved)} of {len(stored)} stored containers were moved after they began to "
                         f"stand ({named})",
                  remedy="write starts = \"moved\" if the moves stirred the liquid, else starts = \"mixed\"")]


def _visits(containers: pd.DataFrame, samples: pd.DataFrame, study: Study | None) -> list[Fault]:
    """Visits before the container began to stand, and the same zone drawn twice at one visit."""
    if "visited_on" not in samples or samples["visited_on"].isna().all() or "container" not in containers:
        return []
    start = samples["container"].map(dict(zip(containers["container"], stands_from(containers, study), strict=True)))
    if "stood_from" in samples:
        start = samples["stood_from"].fillna(start)
    faults = each_row(samples.assign(start=start), samples["visited_on"] < start, SAMPLES, "visited_on",
                      "lies before container {container} began to stand ({start:%Y-%m-%d})",
                      "correct the day of the visit, of filling or of the last mixing; if it was mixed or moved between two "
                      "visits, write beside the samples of the earlier one from which day it had stood (stood_from)")
    faults += _stood(containers, samples, study) + _over_days(samples)
    some = samples[samples["kind"] == "spot"]
    visited, named = some["visited_on"].notna(), some["container"].isin(set(some.loc[some["visited_on"].notna(), "container"]))
    faults += each_row(some, named & ~visited, SAMPLES, "visited_on",
                       "is empty, but other samples of container {container} name their visit", "write the day of the visit")
    faults += each_row(samples, _other_day(samples), SAMPLES, "visited_on",
                       f"lies more than {SAME_VISIT} days from drawn_at ({{drawn_at:%Y-%m-%d}}), and age is counted to it",
                       "write the day on which it was drawn")
    faults += each_row(some, ~visited & ~named & some.duplicated(["container", "depth"], keep=False), SAMPLES, "visited_on",
                       "is empty, but container {container} has the zone {depth} more than once, and others name their visits",
                       "write the day of the visit, or call the second a duplicate")
    return faults + each_row(some, visited & some.duplicated(["container", "visited_on", "depth"]), SAMPLES, "visited_on",
                             "container {container} has the zone {depth} twice on this day",
                             "give each visit its own day, or call the second a duplicate")


def _over_days(samples: pd.DataFrame) -> list[Fault]:
    """One visit that was drawn over several days: zones of one container a few days apart, none of them drawn on both days."""
    dated, faults = samples[samples["visited_on"].notna() & (samples["container"] != "")], list[Fault]()
    for container, own in dated.groupby("container", sort=False):
        days = [(pd.Timestamp(str(day)), part) for day, part in own.groupby("visited_on", sort=True)]
        for (first, a), (second, b) in pairwise(days):
            gap, both = (second - first).days, [set(zip(p["kind"], p["depth"], strict=True)) for p in (a, b)]
            if gap > SAME_VISIT or both[0] & both[1]:
                continue
            late = len(b) <= len(a)
            fewer, day, other = (b, second, first) if late else (a, first, second)
            faults.append(Fault(
                file=SAMPLES.file, row=int(fewer[LINE].iloc[0]), column="visited_on", value=f"{day:%Y-%m-%d}",
                reason=f"container {container}: {_zones(fewer)} {'is' if len(fewer) == 1 else 'are'} dated {gap} "
                       f"day{'s' * (gap > 1)} {'after' if late else 'before'} its other zones ({other:%Y-%m-%d}): as two "
                       "visits neither has all zones, and differences between them would be lost",
                remedy="one visit has one day: write that of its other samples beside these too, and the day of each draw in "
                       "drawn_at"))
    return faults


def _zones(part: pd.DataFrame) -> str:
    """The zones of some samples in words."""
    return ", ".join(dict.fromkeys(d if k == "spot" else f"{k} {d}".strip() for k, d in zip(part["kind"], part["depth"],
                                                                                          strict=True)))


def _stood(containers: pd.DataFrame, samples: pd.DataFrame, study: Study | None) -> list[Fault]:
    """``stood_from`` without a visit, before filling, before a mixing that came first, or not the same for a whole visit."""
    if "stood_from" not in samples or samples["stood_from"].isna().all():
        return []
    keys = ["container", "visited_on"]
    filled, last = (samples["container"].map(dict(zip(containers["container"], days, strict=True)))
                    for days in (containers["filled_on"], stands_from(containers, study)))
    told = samples.assign(told=samples["stood_from"].dt.strftime("%Y-%m-%d").fillna(""))
    several = told.groupby(keys, dropna=False)["told"].transform("nunique") > 1
    wrong = ((samples["visited_on"].isna() & samples["stood_from"].notna(), "is given without the day of a visit",
              "write visited_on, or the day as last_mixed_on in containers.csv"),
             (samples["stood_from"] < filled, "lies before the container was filled", "correct one of the days"),
             ((samples["stood_from"] >= filled) & (samples["stood_from"] < last) & (samples["visited_on"] >= last),
              "lies before the last mixing or move, and this visit came after that", "leave it empty, or correct a day"),
             (several & samples["visited_on"].notna() & (samples["kind"] == "spot"),
              "is not the same for all samples of this visit", "write one day beside all of them"))
    return [f for mask, reason, remedy in wrong for f in each_row(samples, mask, SAMPLES, "stood_from", reason, remedy)]


def _other_day(samples: pd.DataFrame) -> pd.Series:
    """Which samples were drawn on another day than that of their visit."""
    if "drawn_at" not in samples:
        return pd.Series(False, index=samples.index)
    apart: pd.Series = (samples["drawn_at"].dt.normalize() - samples["visited_on"]).abs()
    return apart > pd.Timedelta(days=SAME_VISIT)
