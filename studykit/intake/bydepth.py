"""Values far off their column that their own container bears out: what has settled is far off, and no slip of a unit.

A stock that has settled reads a tenth at the top and ten times at the bottom. So a question of magnitude is dropped, and the
value marked, where zones of the same container that stand in the column bridge the gap step by step, or where the same zone of
the other containers reads alike. It stays where one power of ten taken off would make the value agree with the others,
where all zones of a container are off alike, and where a container as a whole is off what was filled: these are slips as well.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from studykit.intake.columns import Table

BORNE_OUT = "far off its column, as its zone and container confirm"
"""The mark of such a value."""
BRIDGE = 0.65
"""No step between neighbouring zones is more than this share of the whole range, in decades (own judgement)."""
LEAST = np.log10(8.0)
ALIKE = np.log10(2.5)
"""The same zone of the other containers reads alike within this factor (own judgement)."""
NEAR = 0.18
"""A power of ten, by so many decades."""
TURN = 0.04
"""Zones that turn back by no more than a tenth still stand in order."""
TWIN = 0.15
"""Bottles of one zone stand within so many decades of its middle: a slip in one of two does not."""
APART = 5.0
"""Files whose containers differ by this factor in the middle may have another unit (own judgement)."""
OTHERS = 3


def places_of(samples: pd.DataFrame) -> pd.DataFrame:
    """Container, depth and height of the samples whose zone is known (index: sample); empty where the table has none."""
    if not {"container", "depth", "height"} <= set(samples):
        return pd.DataFrame(columns=["container", "depth", "height"])
    own = samples.assign(sample=samples["sample"].astype(str), height=pd.to_numeric(samples["height"], errors="coerce"))
    own = own[own["height"].notna() & own["container"].fillna("").astype(str).ne("") & own["depth"].fillna("").ne("")]
    return own.drop_duplicates("sample").set_index("sample")[["container", "depth", "height"]]


def borne_out(rows: Table, at: np.ndarray, asked: Collection[int], places: pd.DataFrame, nominal: float | None) -> set[int]:
    """Those of the positions ``asked`` that their container bears out; ``at``: the analyte's ordinary rows with a number."""
    samples = [rows["sample"][i] for i in at.tolist()]
    t = pd.DataFrame({"i": at, "sample": samples, "value": rows["value"][at],
                      "written": [(rows["source_file"][i], rows["own_unit"][i]) for i in at.tolist()]})
    t = t.join(places, on="sample", how="inner")
    t = t[t["value"] > 0]
    if t.empty or _files_apart(t):
        return set()
    t["asked"], t["y"] = t["i"].isin(set(asked)), np.log10(t["value"])
    order = t.groupby("depth")["height"].mean().sort_values().index
    table = t.pivot_table(index="container", columns="depth", values="y", aggfunc="median").reindex(columns=order)
    off = t[t["asked"]].groupby(["container", "depth"]).size()
    sound = t.groupby("container")["written"].nunique().eq(1)
    zones = {str(c): set(g.index.get_level_values("depth")) for c, g in off.groupby(level="container")}
    out = {(c, z) for c, z in off.index if sound[c] and _borne(table, str(c), str(z), zones[str(c)], nominal)}
    own = t[t["asked"] & ((t["y"] - t.groupby(["container", "depth"])["y"].transform("median")).abs() <= TWIN)]
    return {int(i) for i, c, z in zip(own["i"], own["container"], own["depth"], strict=True) if (c, z) in out}


def _files_apart(t: pd.DataFrame) -> bool:
    """Whether files differ in what their containers hold (mean over zones, middle container) by nearly a power of ten."""
    zones = t.groupby(["written", "container", "depth"])["value"].median()
    held = zones.groupby(level=["written", "container"]).mean().groupby(level="written").median()
    return bool(held.max() > APART * held.min())


def _borne(table: pd.DataFrame, container: str, zone: str, off: Collection[str], nominal: float | None) -> bool:
    """Whether its container's zones, or this zone of the others, bear out a value; ``off``: zones asked about."""
    own = table.loc[container].dropna()
    others = table.drop(index=container)
    apart = (own - others.median()).dropna()
    left = own.drop(index=list(off), errors="ignore")
    sides = np.sign([own[z] - own.median() for z in off])
    if len(own) < 2 or (left.empty and len(set(sides)) < 2):
        return False
    if nominal and not abs(np.log10(np.mean(10.0 ** own.to_numpy(float)) / nominal)) <= 0.5:
        return False
    if len(apart) and abs(apart.median()) > LEAST:
        return False
    known = others[zone].notna().sum() >= OTHERS
    if known and abs(apart[zone]) <= ALIKE:
        return True
    slipped = zone in apart and abs(apart[zone] - np.round(apart[zone])) < NEAR and (
        apart.drop(index=zone).abs() <= np.log10(2.0)).all()
    return not slipped and _in_steps(own.to_numpy(float))


def _in_steps(y: np.ndarray) -> bool:
    """Three zones or more in order, far apart in all and in no single step."""
    steps = np.diff(y)
    span = abs(float(y[-1] - y[0]))
    ordered = (steps > -TURN).all() or (steps < TURN).all()
    return len(y) >= 3 and bool(ordered) and span >= LEAST and bool(np.abs(steps).max() <= BRIDGE * span)


def by_analyte(found: Mapping[int, str], at: np.ndarray) -> list[int]:
    """The positions of one analyte among those found."""
    own = set(at.tolist())
    return [i for i in found if i in own]


__all__ = ["BORNE_OUT", "borne_out", "by_analyte", "places_of"]
