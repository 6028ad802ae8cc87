"""Depths and heights of a plan, vessel by vessel: labels that do not run downwards, vessels that lack a depth of the others."""

from __future__ import annotations

import itertools

import pandas as pd

from studykit.core.errors import Fault
from studykit.study.columns import SAMPLES, ZONE_KINDS
from studykit.study.definition import Study


def height_order(samples: pd.DataFrame, containers: pd.DataFrame, study: Study) -> list[Fault]:
    """Depth labels run from the surface down, so the mean heights must fall along them, in every vessel."""
    faults = []
    for vessel, zones in _by_vessel(samples, containers).groupby("vessel", sort=False):
        means = zones.groupby("depth")["height"].mean()
        seen = [(d, means[d]) for d in study.factors.depths if d in means.index and means[d] == means[d]]
        where = f" in vessel {vessel!s}" if vessel and len(study.vessels) > 1 else ""
        faults += [Fault(file=SAMPLES.file, column="height", value=f"{b}: {hb:.3g}",
                         reason=f"depth {b!r} should lie below {a!r} (mean height {ha:.3g}){where}",
                         remedy="heights are measured from the floor: 0 floor, 1 surface")
                   for (a, ha), (b, hb) in itertools.pairwise(seen) if hb >= ha]
    return faults


def unlike_vessels(samples: pd.DataFrame, containers: pd.DataFrame, study: Study) -> list[Fault]:
    """Vessels of which no stored container has a bottle at a depth that the containers of another vessel have."""
    table = _by_vessel(samples, containers)
    stored = set(containers.loc[containers["treatment"] == "stored", "container"]) if "treatment" in containers else set()
    drawn = table[table["container"].isin(stored)].groupby("vessel")["depth"].agg(set)
    every = set().union(*drawn) if len(drawn) else set()
    remedy = ("draw the same depths in all vessels, at other heights where they need them ([sampling] vessel_zones), or make "
              "two studies")
    return [Fault(file=SAMPLES.file, column="depth", value=", ".join(d for d in study.factors.depths if d in every - own),
                  reason=f"no container of vessel {vessel!s} is drawn there, and containers of another vessel are: they are "
                         "judged by the same depths", remedy=remedy)
            for vessel, own in drawn.items() if every - own]


def _by_vessel(samples: pd.DataFrame, containers: pd.DataFrame) -> pd.DataFrame:
    """Samples of zones with the vessel of their container, '' where it is not known."""
    zones = samples[samples["kind"].isin(ZONE_KINDS)]
    if not {"container", "vessel"} <= set(containers):
        return zones.assign(vessel="")
    known = containers.drop_duplicates("container").set_index("container")["vessel"]
    vessel = zones["container"].map(known).astype(object)  # a column of floats where no container is known
    return zones.assign(vessel=vessel.where(vessel.notna(), "").astype(str))
