"""Times as a calendar can use them, and the shortest ones of a group in one sentence: what page one tells of time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from studykit.ageing.reach import Passing
from studykit.ageing.trend import Trend
from studykit.core.listing import series
from studykit.study.ages import DAYS_A_MONTH
from studykit.study.definition import Study

SLACK = 1e-6
"""Months or days that sums may be off."""
CAUTION = "see the caution under How long it may stand"
NEITHER = "shown neither within nor beyond at any age"
LEAST = "allows least"
NORMAL = "containers are taken to scatter as a normal distribution (for the share)"


def rounded(months: float, seen: bool = False) -> float:
    """Months as ``whole_time`` tells them, or as ``seen_time`` does an age that was ``seen``, but never more than they are."""
    whole = math.floor(months + (3 / DAYS_A_MONTH if seen else SLACK))
    if whole >= 3:
        return min(float(whole), months)
    days = math.floor(months * DAYS_A_MONTH + 1e-6)
    return (days // 7 * 7 if days >= 21 else days) / DAYS_A_MONTH


def whole_time(months: float) -> str:
    """A time rounded down to what a calendar can use: months from three on, weeks from three on, else days."""
    return _calendar(months, lambda x: math.floor(x + SLACK))


def begun_time(months: float) -> str:
    """A time from which on something is shown, rounded up: months from three on, weeks from three on, else days."""
    return _calendar(months, lambda x: math.ceil(x - SLACK))


def _calendar(months: float, whole: Callable[[float], int]) -> str:
    if months >= 3:
        return f"{whole(months)} months"
    days = whole(months * DAYS_A_MONTH)
    number, noun = (whole(days / 7), "week") if days >= 21 else (days, "day")
    return f"{number} {noun}{'' if number == 1 else 's'}"


def seen_time(months: float) -> str:
    """An age that was observed: as ``whole_time``, but calendar months are up to three days short (365 days are 12 months)."""
    whole = math.floor(months + 3 / DAYS_A_MONTH)
    return f"{whole} months" if whole >= 3 else whole_time(months)


def unclear(t: Trend) -> bool:
    """True where the mean is shown neither within the margin nor beyond it, at no age."""
    return bool(t.mean.outside[0] and math.isinf(t.mean.latest[0]))


def brief(study: Study, some: Sequence[Trend]) -> str:
    """The shortest times of one group: up to when the share of containers is shown, and up to when every mean is within.

    Each with the analyte that allows least; then those shown beyond, and from when on; then those shown neither way at any age.
    """
    known = {id(t): study.label_of(t.own.analyte) for t in some}
    within = sorted((t for t in some if not t.mean.outside[0]), key=lambda t: float(t.mean.safe[0]))
    beyond = [t for t in some if t.mean.outside[0] and not unclear(t)]
    told = []
    if within:
        first = f" ({known[id(within[0])]} {LEAST} of {len(within)})" if len(within) > 1 else f", by {known[id(within[0])]}"
        told = [*_shares(study, within, known), f"on average within the margin up to {_up_to(within[0])}{first}"]
    told += [f"{known[id(t)]} on average beyond {_from(t)}" for t in beyond]
    told += [f"{NEITHER}: {series(known[id(t)] for t in some if unclear(t))}"] * any(map(unclear, some))
    told += [NORMAL] * any(t.spread is not None for t in within)
    told += [CAUTION] * any(t.own.tied for t in some)
    label = some[0].own.label
    return f"{label[0].upper()}{label[1:]}: {'; '.join(told)}."


def _shares(study: Study, within: Sequence[Trend], known: Mapping[int, str]) -> list[str]:
    """Up to when at most the allowed share of containers lies beyond, by the analyte that allows least; and what has none."""
    given = [(t, t.spread) for t in within if t.spread is not None]
    never = [known[id(t)] for t, spread in given if spread.outside[0]]
    head = f"at most {study.share_percent:g} % of containers beyond the margin:"
    told = []
    if never:
        told = [f"{head} shown at no age for {series(never)}"]
    elif given:
        least, spread = min(given, key=lambda pair: float(pair[1].safe[0]))
        told = [f"{head} up to {_share(least, spread)}{f' ({known[id(least)]} {LEAST})' * (len(within) > 1)}"]
    none = [known[id(t)] for t in within if t.spread is None]
    return [*told, *[f"share not given for {series(none)}"] * bool(none)]


def _up_to(t: Trend) -> str:
    safe = float(t.mean.safe[0])
    seen = t.bent or safe == t.horizon.oldest or (safe >= t.horizon.bound <= t.horizon.oldest)
    return (seen_time if seen else whole_time)(min(safe, t.horizon.bound) if not t.bent else safe)


def _share(t: Trend, spread: Passing) -> str:
    far = spread.safe[0] >= t.horizon.bound
    return (seen_time if far and t.horizon.bound <= t.horizon.oldest else whole_time)(
        t.horizon.bound if far else float(spread.safe[0]))


def _from(t: Trend) -> str:
    late, youngest = float(t.mean.latest[0]), t.own.span[0]
    return f"from {begun_time(late)} on" if late > youngest else f"already at the youngest age seen, {seen_time(youngest)}"
