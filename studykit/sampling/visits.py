"""Visits at several dates: which containers are drawn at each, and what drawing the same container again does to it.

*Sister containers* are opened once each, at one of the days: within each lot and store they are dealt to the visits in
random order, so that age is not tied to lot or store. *The same containers* are drawn at every day: every draw takes liquid
out and stirs a little, so the plan says how much, lowers the level for the next visit, and draws at the floor and from the
stirred rest at the last visit only. Controls that are made up belong to the first visit.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.sampling.draws import DrawPlan
from studykit.study.codes import generator, shuffled
from studykit.study.columns import CONTAINERS
from studykit.study.definition import SamplingSettings, Study
from studykit.study.inventory import CONTROL_TREATMENTS


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitStep:
    """One visit and the containers drawn at it.

    ``day`` is empty where there is one sampling; ``again``: they are drawn at every visit; ``last``: nothing follows.
    """

    day: str
    containers: pd.DataFrame
    again: bool
    last: bool

    def settings(self, study: Study) -> SamplingSettings:
        """How to draw at this visit: at the floor and from the stirred rest only when nothing follows."""
        kept = study.sampling
        return kept if self.last or not self.again else kept.model_copy(update={"heel": False, "residue": False})


def visits_of(study: Study, containers: pd.DataFrame) -> list[VisitStep]:
    """The visits in order with the containers drawn at each; one without a day where [time] plans none.

    BadInput where sister containers are fewer than the visits, or name another day.
    """
    time = study.time
    if time is None or not time.visits:
        return [VisitStep(day="", containers=containers, again=False, last=True)]
    days = [d.isoformat() for d in time.visits]
    made_up = containers["treatment"].isin(CONTROL_TREATMENTS)
    if time.containers == "same":
        return [VisitStep(day=d, containers=containers if i == 0 else containers[~made_up], again=True, last=d == days[-1])
                for i, d in enumerate(days)]
    turn = _dealt(study, containers[~made_up], days).reindex(containers.index, fill_value=0)
    return [VisitStep(day=d, containers=containers[turn == i], again=False, last=True) for i, d in enumerate(days)]


def _dealt(study: Study, stored: pd.DataFrame, days: list[str]) -> pd.Series:
    """Number of the visit of each sister container: as its sampled_on says, else in turn within lot and store."""
    said = stored["sampled_on"].dt.strftime("%Y-%m-%d")
    faults = [Fault(file=CONTAINERS.file, column="sampled_on", value=str(d), reason=f"container {c}: is no day of time.visits",
                    remedy="write one of those days, or leave it empty: the plan then deals the containers to the visits")
              for c, d in zip(stored["container"], said, strict=True) if pd.notna(d) and d not in days]
    if len(stored) < len(days):
        faults.append(Fault(file="study.toml", column="time.visits", value=", ".join(days),
                            reason=f"{len(stored)} sister containers cannot serve {len(days)} visits",
                            remedy="list more containers, or containers = \"same\" if they are drawn again"))
    if faults:
        raise BadInput(faults, title="The visits have faults")
    turn = pd.Series([days.index(d) if d in days else float("nan") for d in said], index=stored.index, dtype=float)
    counts = [int((turn == i).sum()) for i in range(len(days))]
    rng = generator(study.seed, "visits of sisters")
    for _, group in stored[turn.isna()].groupby(["lot", "store"], sort=True):
        for at in shuffled(list(group.index), rng):
            turn[at] = counts.index(min(counts))
            counts[int(turn[at])] += 1
    return turn.astype(int)


def visits_ahead(study: Study, today: dt.date) -> tuple[Study, tuple[str, ...]]:
    """The study with those of its visits at which a container added today can still be drawn, and what to say of the others.

    Where no day is left the last one stays, since draws need one: it is asked for the day on which they will be made.
    """
    days = study.time.visits if study.time is not None else ()
    past = tuple(d for d in days if d < today)
    if study.time is None or not past:
        return study, ()
    left, gone = tuple(d for d in days if d >= today), ", ".join(d.isoformat() for d in past)
    if left:
        told = f"visits whose day is past: {gone}; what is added is planned for {', '.join(map(str, left))} only"
    else:
        told = (f"the day of every visit is past ({gone}): on which day will these be drawn? They are planned with the last of "
                "those days; write the right one as visited_on in plan/samples.csv, beside all of these samples alike")
    time = study.time.model_copy(update={"visits": left or past[-1:]})
    return study.model_copy(update={"time": time}), (told,)


def drawn_again(study: Study, plans: tuple[DrawPlan, ...]) -> tuple[str, ...]:
    """What drawing the same containers again takes and disturbs; nothing where each is opened once."""
    if study.time is None or study.time.containers != "same":
        return ()
    content = {p.container: p.content_l for p in reversed(plans)}
    left = {p.container: p.left_l for p in plans}
    each = max(p.content_l - p.left_l for p in plans)
    most = max(content, key=lambda c: 1 - left[c] / content[c])
    return (f"the same containers are drawn at {len(study.time.visits)} visits: each visit takes up to "
            f"{each:.2g} L, all together up to {100 * (1 - left[most] / content[most]):.2g} % of a container ({most}); every "
            "draw stirs a little, so later differences may be smaller than in a container left alone: draw through ports "
            "or a closed tube, without tipping or shaking, and write in note what moved",)
