"""Invented storage studies whose course is known, and every sentence or line of the list that this truth makes false.

Made by someone who knew the promise of docs/time.md alone; each world stands with what went wrong in it, or could.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from studykit.ageing import tables
from studykit.ageing.trend import Ageing, Trend, ageing
from studykit.model.fit import fit_analyte
from studykit.study.definition import Study, parse_study
from tests.model.test_fit import tables_of
from tests.studies import definition

DEPTHS, MONTH = ("upper", "middle", "lower"), 365.2425 / 12
LIMIT = math.log(1.1)
"""The margin of 10 % on the scale of analysis."""
FILLED, OPENED = pd.Timestamp("2025-07-01"), pd.Timestamp("2026-10-01")


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One study: ``truth`` is the mean log ratio, lowest over uppermost, at an age in months.

    each: containers of every age; sisters: filled on one day and opened at visits, else opened on one day; again: the same
    containers at every visit; mixed: the first of them is mixed at that age, and stands anew; lots: that many, their rates
    scattering by 30 %, declared random; alone: one more container in a store of its own.
    """

    truth: Callable[[float], float]
    ages: tuple[float, ...] = (4, 12, 20, 30)
    each: int = 3
    scatter: float = 0.01
    sisters: bool = False
    again: bool = False
    mixed: float = math.inf
    lots: int = 0
    alone: bool = False

    def beyond(self, months: float) -> bool:
        """Whether the true mean lies beyond the margin at that age."""
        return abs(self.truth(months)) > LIMIT

    def passes(self) -> float:
        """The first age, from the youngest on, at which the true mean lies beyond; infinite for none in ten years."""
        grid = np.arange(min(self.ages), 120, 0.01)
        return float(next((t for t in grid if self.beyond(t)), math.inf))


AGES = (2, 8, 14, 20, 26, 30)
WORLDS = {
    # filled badly mixed, evening out: beyond until 10.8 months, within from there to 42.6
    "beyond when young, coming back": World(truth=lambda t: 0.16 - 0.006 * t, ages=AGES),
    "the same, creaming": World(truth=lambda t: -0.16 + 0.006 * t, ages=AGES),
    "beyond when young and at every age": World(truth=lambda t: 0.160 - 0.001 * t, ages=AGES),
    # beyond when young as fitted only, or by containers only
    "just beyond when young": World(truth=lambda t: 0.102 - 0.002 * t, ages=AGES),
    "just beyond when young, creaming": World(truth=lambda t: -0.108 + 0.003 * t, ages=AGES),
    "from one side to the other": World(truth=lambda t: 0.115 - 0.008 * t, ages=AGES),
    # settled at filling: the sign of the fitted rate is chance
    "flat, beyond": World(truth=lambda t: 0.16, ages=AGES), "flat, beyond, creaming": World(truth=lambda t: -0.16, ages=AGES),
    "lots of unlike rates": World(truth=lambda t: LIMIT * t / 20, each=4, lots=4),
    **{f"{n} containers": World(truth=lambda t: 0.001 * t, ages=(4, 8, 12, 20, 30)[:n], each=1) for n in (3, 4, 5)},
    "three drawn again": World(truth=lambda t: 0.004 * t, ages=(6, 12, 18), again=True),
    "one mixed between two visits": World(truth=lambda t: 0.004 * t, ages=(6, 12, 18), again=True, mixed=14),
    # at the last visit all are 18 months old, and the margin is passed at 12.7
    "sisters at past visits": World(truth=lambda t: 0.0075 * t, ages=(6, 12, 18), each=5, sisters=True),
    "one alone in its store": World(truth=lambda t: 0.002 * t, alone=True),
    # fast at first, then nothing: 0 at filling, beyond at the youngest age, which a line would carry back to filling
    "a plateau": World(truth=lambda t: 0.15 * (1 - math.exp(-t / 2))),
    "well within": World(truth=lambda t: 0.0005 * t, each=5, scatter=0.003),
}


def study_of(world: World) -> Study:
    """The definition of such a study: a straight line, margin 10 %, at most 20 % of containers."""
    groups = ["store"] * world.alone + ["age_months"]
    return parse_study(definition(
        scope="stock", share_percent=20, time={"course": "linear", "starts": "mixed"},
        factors={"depths": list(DEPTHS), "fixed": groups, "by_depth": groups, "random": ["lot"] * bool(world.lots)},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"relative_percent": 10}, "margin_reason": "for the test"}}))


class Drum(NamedTuple):
    """A container of such a study: at which ages it is opened, months, its lot and its store."""

    name: str
    ages: tuple[float, ...]
    lot: str
    store: str


def drums_of(world: World) -> list[Drum]:
    """The containers; those drawn again have all ages."""
    ages = [world.ages] * world.each if world.again else [(a,) for a in world.ages for _ in range(world.each)]
    made = [Drum(f"D{i:02d}", a, f"L{i % max(world.lots, 1)}", "hut") for i, a in enumerate(ages)]
    return made + [Drum("alone", world.ages[:1], "L0", "barn")] * world.alone


def readings(world: World, made: list[Drum], seed: int) -> pd.DataFrame:
    """Container, depth, value and months at the drawing, for one drawing of the scatter."""
    rng = np.random.default_rng(seed)
    rates = {lot: 1 + 0.3 * rng.normal() * bool(world.lots) for lot in sorted({c.lot for c in made})}
    def stood(c: Drum, t: float) -> float:
        return t - world.mixed if c is made[0] and t > world.mixed else t

    rows = [(c.name, d, 100 * math.exp(part * rates[c.lot] * world.truth(stood(c, t)) + rng.normal(0, world.scatter)), t)
            for c in made for t in c.ages for d, part in zip(DEPTHS, (-0.5, 0.0, 0.5), strict=True)]
    return pd.DataFrame(rows, columns=["container", "depth", "value", "months"])


def told(world: World, seed: int) -> tuple[Study, Ageing, pd.DataFrame]:
    """The study, its lines and what to do with each container."""
    study, made = study_of(world), drums_of(world)
    frame = readings(world, made, seed)
    facts = {"lot": {c.name: c.lot for c in made}, "store": {c.name: c.store for c in made}}
    containers, samples, results = tables_of(frame, **facts)  # type: ignore[no-untyped-call]
    stood = containers["container"].map({c.name: pd.Timedelta(days=round(max(c.ages) * MONTH)) for c in made})
    filled = pd.Series(FILLED, index=stood.index) if world.sisters or world.again else OPENED - stood
    containers = containers.assign(filled_on=filled, sampled_on=pd.NaT if world.again else filled + stood,
                                   age_months=stood.dt.days / MONTH, last_mixed_on=pd.NaT)
    if world.again:
        samples["visited_on"] = FILLED + pd.to_timedelta((frame["months"] * MONTH).round(), "D")
    if math.isfinite(world.mixed):
        first = containers["container"] == made[0].name
        day = FILLED + pd.Timedelta(days=round(world.mixed * MONTH))
        containers["last_mixed_on"] = pd.Series(day, first.index).where(first)
        samples["stood_from"] = pd.Series(FILLED, samples.index).where(frame["months"] < world.mixed)
    found = ageing(study, [fit_analyte(study, "y", containers, samples, results)])
    return study, found, tables.actions(study, found, containers, pd.DataFrame(columns=["container", "analyte"]))


def false_words(world: World, study: Study, found: Ageing, todo: pd.DataFrame) -> list[str]:
    """What was said and is never to be said in that world, whatever the scatter drew."""
    sentences = " ".join([*tables.answers(study, found)["sentence"], *(tables.words(t) for t in found.trends)])
    return [*_of_sentences(world, found, sentences), *_of_list(world, found, todo)]


def _of_sentences(world: World, found: Ageing, text: str) -> Iterator[str]:
    youngest, claims = min(world.ages), ("within the margin up to", "is not passed within")
    if world.beyond(youngest) and any(c in text for c in claims):
        yield "a time within, though the mean is beyond at the youngest age"
    if _always_beyond(world, found) and "beyond the margin already" not in text:
        yield "beyond at every age, and not said to be"
    if "filling" in text:
        yield "told of filling, which nobody saw"
    seen = {len(set(t.own.units)) for t in found.trends}
    if min(seen, default=0) < (3 if world.again else 5) and "at most 20 % of them" in text:
        yield "a share of containers from too few of them"
    if world.beyond(youngest) and "at most 20 % of them" in text:
        yield "a share of containers, though the mean is beyond at the youngest age"
    means = [t.mean for t in found.trends if not t.bent and not t.mean.outside[0]]
    if any(not m.safe[0] <= m.estimate[0] <= m.latest[0] for m in means):
        yield "a fitted time outside its own interval"


def _always_beyond(world: World, found: Ageing) -> bool:
    """The mean lies beyond at every age seen, and one line is told of them."""
    return all(world.beyond(t) for t in world.ages) and not any(t.bent for t in found.trends)


def _of_list(world: World, found: Ageing, todo: pd.DataFrame) -> Iterator[str]:
    drawn = sorted(c.name for c in drums_of(world))
    if sorted(todo["container"]) != drawn:
        yield "containers that stand in no list, or in two"
    for row in todo.to_dict("records"):
        age, what = row["age, months"], row["what to do"]
        if what == tables.LEAVE and world.beyond(age):
            yield f"{row['container']} is left at {age:.1f} months, where the mean is beyond"
        if what == tables.LEAVE and row["until"] and row["until"] < row["judged on"]:
            yield f"{row['container']} is left until a day that is gone"
        if what == tables.LEAVE and not _share_shown(found, row["group"]):
            yield f"{row['container']} is left by the mean alone"
        if what != tables.TREAT and _always_beyond(world, found):
            yield f"{row['container']} is not treated, though the mean is beyond at every age"


def _share_shown(found: Ageing, group: str) -> bool:
    return all(t.spread is not None and not t.spread.outside[0] for t in found.trends if t.own.label == group)


def late(world: World, t: Trend) -> bool:
    """Whether the mean's time within is longer than the truth, which chance allows in one of twenty."""
    return not t.mean.outside[0] and bool(t.mean.safe[0] > world.passes() + 0.05)
