"""Containers that were drawn at several visits, looked at visit by visit.

Bottles of one container and zone drawn months apart are no repeats of one another. So for the checks every visit of a
container is a container of its own, named with its day, with its age and its level then. Visits at which nothing was drawn
yet are left out.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from studykit.study.ages import still_to_come, visit_ages, visit_days
from studykit.study.definition import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Unfolded:
    """Containers and samples with a container for every visit, and a sentence on visits still to come (or nothing)."""

    containers: pd.DataFrame
    samples: pd.DataFrame
    later: str


def unfold(study: Study, containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame) -> Unfolded:
    """The tables by visit; as they are where no container was drawn at two."""
    waits = still_to_come(samples, set(results["sample"].unique()))
    later = ", ".join(f"{d} ({n} samples)" for d, n in visit_days(samples)[waits].value_counts().sort_index().items())
    words = f"Visits still to come, not looked at here: {later}." if later else ""
    samples = samples[~waits]
    days = visit_days(samples)
    own = samples["container"].fillna("") != ""
    again = days[own].groupby(samples["container"][own]).nunique()
    several = set(again.index[again > 1])
    if not several:
        return Unfolded(containers=containers, samples=samples, later=words)
    here = own & samples["container"].isin(several)
    rows = [row for c in containers.to_dict("records") for row in (
        _visits(study, c, samples[samples["container"] == c["container"]]) if c["container"] in several else [c])]
    named = samples["container"].where(~here, samples["container"] + ", " + days)
    return Unfolded(containers=pd.DataFrame(rows, columns=containers.columns).astype(containers.dtypes.to_dict()),
                    samples=samples.assign(container=named), later=words)


def _visits(study: Study, container: dict[Hashable, Any], samples: pd.DataFrame) -> list[dict[Hashable, Any]]:
    """A row for each visit of one container: named with its day, its age, and the level that earlier draws left."""
    days = visit_days(samples)
    out, taken = [], 0.0
    for day in sorted(set(days)):
        part = samples[days == day]
        joined = pd.DataFrame([container]).assign(
            **{c: part[c].bfill().iloc[0] for c in ("visited_on", "stood_from") if c in part})
        row = {**container, "container": f"{container['container']}, {day}", "sampled_on": part["visited_on"].iloc[0],
               "age_months": float(visit_ages(joined, study)["age_months"].iloc[0])}
        out.append(row | _lowered(study, container, taken))
        taken += float(part[["volume_ml", "purge_ml"]].sum().sum()) / 1000
    return out


def _lowered(study: Study, container: dict[Hashable, Any], taken: float) -> dict[Hashable, Any]:
    """Level and volume after ``taken`` litres; nothing where neither is known or the shape is not."""
    vessel, level = study.vessels.get(str(container.get("vessel", ""))), container.get("liquid_height_mm", float("nan"))
    filled = container.get("fill_volume_l", float("nan"))
    if vessel is None or not taken or not (level > 0 or filled > 0):
        return {}
    left = (vessel.volume_l(float(level)) if level > 0 else float(filled)) - taken
    return {"liquid_height_mm": float(vessel.height_mm(left)), "fill_volume_l": left} if left > 0 else {}
