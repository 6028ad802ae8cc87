"""What a plan takes: containers, bottles by kind, determinations, cost and hours at the bench.

Counted from the plan itself, so that what is promised is what is printed.  A determination is one bottle tested once
for all analytes together: as many as [design] replicates for a bottle of the question, one for a control.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.study.ages import visit_days, was_drawn
from studykit.study.definition import DesignSettings, Study
from studykit.study.inventory import CONTROL_TREATMENTS
from studykit.study.safety import Act

NAMES = {"spot": "at the depths", "heel": "heels", "duplicate": "blind duplicates", "check fluid": "check fluids",
         "blank": "blanks", "composite": "stirred rests", "retained": "kept from filling"}
BARRED_BY: dict[str, Act] = {"heel": "heel draw", "composite": "stirring"}
"""Kinds of sample that an act of the section safety may bar."""
PLAIN = "samples at every depth"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlay:
    """What a plan takes; ``kinds`` holds pairs of a kind of sample and its bottles, ``cost`` is None without prices.

    ``barred``: kinds that the section safety does not clear, or no longer. ``paid``: what of the cost was paid, in words.
    """

    stored: int
    made_up: int
    kinds: tuple[tuple[str, int], ...]
    determinations: int
    results: int
    cost: float | None
    currency: str
    hours: float
    guess: str
    allowed: int
    barred: tuple[str, ...] = ()
    paid: str = ""

    @property
    def bottles(self) -> int:
        """All bottles, blind controls included."""
        return sum(n for _, n in self.kinds)

    def text(self) -> str:
        """Five lines: containers, bottles, determinations, cost, hours."""
        kinds = ", ".join(f"{n} {NAMES.get(kind, kind)}" + ", BARRED by [safety]" * (kind in self.barred)
                          for kind, n in self.kinds)
        cost = "not known: [design] gives no prices" if self.cost is None else f"{self.cost:,.10g} {self.currency}"
        controls = f" and {self.made_up} made-up controls" if self.made_up else ""
        return "\n".join((
            "This plan takes",
            f"  containers      {self.stored + self.made_up} ({self.stored} stored{controls})",
            f"  bottles         {self.bottles} ({kinds})",
            f"  determinations  {self.determinations} ({self.results} results)",
            f"  cost            {cost}{f' ({self.paid})' if self.paid else ''}",
            f"  hours           {self.hours:.1f} at the bench ({self.guess})"))

    def fault(self, accepted: int = 0) -> Fault | None:
        """The question that a plan of too many bottles asks, with the option and the key that answer it."""
        if self.bottles <= max(self.allowed, accepted):
            return None
        return Fault(file="study.toml", column="design.max_bottles", value=str(self.allowed),
                     reason=f"the plan fills {self.bottles} bottles, more than it may fill without being asked",
                     remedy=f"accept them with: studykit plan FOLDER --bottles {self.bottles}, or write [design] "
                            f"max_bottles = {self.bottles}, or open fewer containers")


def outlay(study: Study, containers: pd.DataFrame, samples: pd.DataFrame) -> Outlay:
    """What a plan with these tables takes, by the prices and minutes of [design]."""
    settings = study.design or DesignSettings()
    kinds = samples["kind"].value_counts(sort=False)
    made_up = int(containers["treatment"].isin(CONTROL_TREATMENTS).sum())
    own = samples["container"].fillna("") != ""
    stored = samples["container"].isin(containers.loc[~containers["treatment"].isin(CONTROL_TREATMENTS), "container"])
    repeated = int((stored & samples["kind"].isin(("spot", "duplicate"))).sum())
    determinations = len(samples) + repeated * (settings.replicates - 1)
    openings = len({*zip(samples["container"][own], visit_days(samples)[own], strict=True)})
    minutes = settings.minutes_container * openings + settings.minutes_draw * int(own.sum())
    rest = (f"; the rest of {study.safety.rest_minutes} min before the first draw of a container not counted"
            + f", nor the wait of {study.safety.pause_minutes} min after each" * study.safety.charging)
    return Outlay(
        stored=len(containers) - made_up, made_up=made_up, kinds=tuple((str(k), int(n)) for k, n in kinds.items()),
        determinations=determinations, results=determinations * len(study.analytes),
        cost=_cost(settings, len(containers), len(samples), determinations), currency=settings.currency,
        hours=minutes / 60, allowed=settings.max_bottles,
        barred=tuple(k for k, act in BARRED_BY.items() if study.safety.bars(act)),
        guess=f"{settings.minutes_container:g} min a container, {settings.minutes_draw:g} min a draw: a guess unless "
              f"[design] has your own{rest}")


def barred_words(study: Study, containers: pd.DataFrame, samples: pd.DataFrame) -> tuple[str, ...]:
    """What a filed plan asks for that [safety] does not clear now, where it was not drawn yet: a sentence a kind."""
    ahead = samples[~was_drawn(samples)] if {"drawn_at", "volume_ml"} <= set(samples) else samples
    mixed = containers.loc[containers["treatment"] == "remixed control", "container"]
    asked: tuple[tuple[str, Act, int], ...] = (
        *((NAMES[kind], act, int((ahead["kind"] == kind).sum())) for kind, act in BARRED_BY.items()),
        ("bottles of remixed controls", "stirring", int(ahead["container"].isin(mixed).sum())))
    return tuple(f"BARRED: the plan holds {n} {what}, which [safety] does not clear: {'; '.join(reasons)}. They "
                 "are not to be drawn: print the sheets anew (studykit plan FOLDER), which say so; leave these bottles empty"
                 for what, act, n in asked if n and (reasons := study.safety.bars(act, keys=True)))


def _cost(settings: DesignSettings, containers: int, bottles: int, determinations: int) -> float | None:
    each = settings.cost_determination + sum(settings.cost_per_analyte.values())
    if not any((settings.cost_container, settings.cost_sample, each)):
        return None
    return (settings.cost_fixed + settings.cost_container * containers + settings.cost_sample * bottles
            + each * determinations)


def counted(samples: pd.DataFrame, containers: pd.DataFrame) -> Mapping[str, tuple[int, int]]:
    """Containers and bottles that each control of a plan takes, by its name; ``PLAIN`` for the question itself."""
    of = dict(zip(containers["container"], containers["treatment"], strict=True))
    names = [_name(of.get(c, ""), k) for c, k in zip(samples["container"], samples["kind"], strict=True)]
    opened = {t: int((containers["treatment"] == t).sum()) for t in CONTROL_TREATMENTS}
    opened[PLAIN] = len(containers) - sum(opened.values())
    told = dict.fromkeys([*names, *(k for k, n in opened.items() if n)])
    return {name: (opened.get(name, 0), names.count(name)) for name in told}


def _name(treatment: str, kind: str) -> str:
    """What a bottle counts for: a made-up control's own zones, the question, or its kind."""
    if kind in ("spot", "duplicate") and treatment in CONTROL_TREATMENTS:
        return treatment
    return PLAIN if kind == "spot" else kind


def refuse_many(found: Outlay, accepted: int) -> None:
    """BadInput where a plan takes more bottles than it may without being asked."""
    fault = found.fault(accepted)
    if fault is not None:
        raise BadInput([fault], title="The plan asks first; nothing was written")
