"""The expected profile beside the measured one: what physics says each zone should read, and what it read.

Both in per cent of the mixed content.  What counts as mixed: a whole-container sample of each stored
container where there are such samples, else the remixed controls of the same lot, else the mean of
the zones themselves.  In the last case matter on the floor is missing from all zones, and the expected
profile is held against its own mean as well.  The component is taken to carry all of its analyte.

Containers of one store and vessel go into at most six classes of standing time.  Means are taken of
logarithms where all values are positive; the scatter is pooled over the classes, depth by depth, and
each interval stands for itself (Student's t).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from studykit.core.memory import remembered
from studykit.core.record import significant
from studykit.inference.margin import per_cent
from studykit.model.analyte import AnalyteModel
from studykit.model.tables import usable
from studykit.physics.bounds import DAYS_PER_MONTH
from studykit.physics.forecast import CAUTIONS, expected_curves, missing_for
from studykit.physics.inputs import drawn_zones, standing
from studykit.study.stages import OpenStage
from studykit.verdict.estimands import WHOLE, reference_values

MOST_CLASSES = 6
APART = 1.1  # standing times nearer than this ratio are one class; chosen, no source
NEARLY_NONE = 5.0  # % of mixed: below it, zones that are all nearly empty are not compared; chosen, no source
STILL = 1.0  # %: what departs less is told by the table alone; chosen, no source
KEYS = ["store", "vessel", "height_mm", "age_days"]
COLUMNS = ["component", "analyte", "store", "vessel", "age_days", "depth", "height", "containers", "expected", "measured",
           "low", "high", "reference", "expected lies"]
GONE = "no zone would hold much"
WHOLE_WORD, CONTROL_WORD, ZONES_WORD = "whole container", "remixed controls", "mean of the zones"
Slabs = Mapping[tuple[Any, Any], Mapping[str, float]]
"""Thickness of the slab drawn at each depth, as a share of the liquid height, by vessel and liquid height in mm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One component in one store and vessel: ``table`` (see ``COLUMNS``) and ``curves`` for drawing.

    ``curves``: age_days, height, percent_of_mixed.  ``reference``: what counts as mixed, in words.
    """

    component: str
    analyte: str
    store: str
    vessel: str
    reference: str
    table: pd.DataFrame
    curves: pd.DataFrame
    called: str

    @property
    def title(self) -> str:
        """The panel's heading."""
        measured = "" if self.called.casefold() == self.component.casefold() else f" ({self.called})"
        return f"{self.component}{measured}" + (f", {self.store}" if self.store else "")

    def to_table(self) -> pd.DataFrame:
        """One row a standing time and depth: expected and measured level in % of mixed, with interval."""
        return self.table.copy()


def age_classes(days: pd.Series) -> pd.Series:
    """The class (0, 1 and on, youngest first) of each standing time in days: split at the widest gaps, six at most."""
    distinct = np.sort(days.unique())
    ratio = (distinct[1:] + 1) / (distinct[:-1] + 1)
    widest = np.argsort(-ratio, kind="stable")[: MOST_CLASSES - 1]
    edges = sorted(float(distinct[i]) for i in widest if ratio[i] > APART)
    return pd.Series(np.searchsorted(edges, days.to_numpy(float), side="left"), index=days.index)


def expectations(stage: OpenStage, models: list[AnalyteModel]) -> tuple[Expectation, ...]:
    """Every declared component that names a measured analyte, by store and vessel; empty without [fluid]."""
    curves = expected_curves(stage.study, stage.containers)
    if curves.empty:
        return ()
    by_name = {m.analyte: m for m in models if len(m.rows.measured)}
    return tuple(e for c in stage.study.components if c.analyte in by_name
                 for e in _of_component(stage, by_name[c.analyte], c.name, curves[curves["component"] == c.name]))


def table_of(found: tuple[Expectation, ...]) -> pd.DataFrame:
    """All expectations in one table; no rows where there is none."""
    parts = [e.table for e in found]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)


def shown(table: pd.DataFrame) -> pd.DataFrame:
    """One line a standing time: each depth's expected level before its measured one with interval, in % of mixed."""
    if table.empty:
        return table
    rows: list[dict[str, object]] = []
    keys = ["component", "store", "vessel", "age_days"]
    for (component, store, _, days), part in table.groupby(keys, sort=False):
        row: dict[str, object] = {"component": component, "store": store, "standing": _standing(float(str(days))),
                                  "containers": int(part["containers"].max())}
        row |= {str(r["depth"]): _cell(r) for r in part.to_dict("records")}
        rows.append(row | {"mixed is": part["reference"].iloc[0]})
    out = pd.DataFrame(rows)
    return out[[c for c in out if c != "mixed is"] + ["mixed is"]]


def _standing(days: float) -> str:
    return f"{days:.0f} days" if days < 90 else f"{days / DAYS_PER_MONTH:.1f} months"


def _cell(row: dict[Hashable, Any]) -> str:
    """Expected level, then what was measured: '64; 63.9 (61.9 to 66)'."""
    expected = "gone" if math.isnan(row["expected"]) else significant(row["expected"], 3)
    span = "" if math.isnan(row["low"]) else f" ({significant(row['low'], 3)} to {significant(row['high'], 3)})"
    return f"{expected}; {significant(row['measured'], 3)}{span}"


def panels(found: tuple[Expectation, ...]) -> list[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """What the figure draws: title, curves and measured levels of each component, store and vessel.

    Components that stay mixed (every expected level within 1 % of it) are left out where others move.
    """
    moving = [e for e in found if (e.table["expected"] - 100).abs().max() > STILL]
    return [(e.title, e.curves.dropna(), e.table.rename(columns={"measured": "percent_of_mixed"}))
            for e in moving or found if e.curves["percent_of_mixed"].notna().any()]


def alt(found: tuple[Expectation, ...]) -> str:
    """The figure in words, for those who cannot see it."""
    told = []
    for e in found:
        last = e.table[e.table["age_days"] == e.table["age_days"].max()]
        told.append(f"{e.title}, after {_standing(float(last['age_days'].iloc[0]))}: "
                    + ", ".join(f"{r['depth']} expected and measured {_cell(r)}" for r in last.to_dict("records")))
    return "Expected profiles as lines, measured levels as marks, in per cent of mixed. " + "; ".join(told) + "."


def why_none(stage: OpenStage) -> str:
    """What is missing for an expected profile, as a sentence."""
    missing = [*missing_for(stage.study)]
    if not missing and not any(c.analyte for c in stage.study.components):
        missing = ["no component of study.toml names its analyte"]
    if not missing:
        missing = ["no container has depths, a liquid height and dates, or the analyte was not measured"]
    return "No expected profile can be drawn over the measured one: " + "; ".join(missing) + "."


def summary(found: tuple[Expectation, ...]) -> str:
    """How many of the measured levels the physics met, in a sentence for each component, and the cautions."""
    lines = []
    for name in dict.fromkeys(e.component for e in found):
        own = table_of(tuple(e for e in found if e.component == name)).dropna(subset=["low", "expected"])
        met = int((own["expected lies"] == "inside").sum())
        if len(own):
            lines.append(f"- {name}: the expected level lies inside the interval of {met} of {len(own)} measured levels "
                         "(each interval by itself holds the truth in 95 of 100 studies).")
        else:
            lines.append(f"- {name}: no two containers stood equally long, so the measured levels have no interval.")
    return "\n".join(lines + [f"- {c}" for c in CAUTIONS])


def _of_component(stage: OpenStage, model: AnalyteModel, name: str, curves: pd.DataFrame) -> list[Expectation]:
    stood = standing(stage.containers)
    cells = _measured(stage, model).merge(stood, on="container")
    slabs = {(v, h): {z.label: z.high - z.low for z in drawn_zones(stage.study, str(v), float(h))}
             for v, h in cells[["vessel", "height_mm"]].drop_duplicates().itertuples(index=False)}
    return _of_cells(cells, stood, curves, slabs, model.rows.depths, name, model.analyte, stage.study.label_of(model.analyte))


@remembered
def _of_cells(cells: pd.DataFrame, stood: pd.DataFrame, curves: pd.DataFrame, slabs: Slabs, depths: tuple[str, ...],
              name: str, analyte: str, called: str) -> list[Expectation]:
    """The expectations of a component that names this analyte, whose ``cells`` were measured; none without."""
    if cells.empty:
        return []
    cells = cells.assign(**{"class": cells.groupby(["store", "vessel"])["age_days"].transform(age_classes)})
    cells["expected"] = _read(curves, cells, slabs)
    zones_only = cells["reference"].iloc[0] == ZONES_WORD
    if zones_only:
        mean = cells.groupby("container")["expected"].transform("mean")
        cells["expected"] = (100 * cells["expected"] / mean).where(mean > NEARLY_NONE)
    spread = _pooled(cells)
    out = []
    for (store, vessel), part in cells.groupby(["store", "vessel"]):
        lines = _curves(curves, stood[stood["container"].isin(part["container"])], part, zones_only)
        out.append(Expectation(component=name, analyte=analyte, store=str(store), vessel=str(vessel), called=called,
                               curves=lines, reference=str(part["reference"].iloc[0]),
                               table=_table(part, depths, spread, name, analyte)))
    return out


def _measured(stage: OpenStage, model: AnalyteModel) -> pd.DataFrame:
    """Zone means of each stored container in % of its reference: container, depth, height, level, y, reference."""
    rows = model.rows.measured
    cells = rows.groupby(["container", "depth"], observed=True)[["value", "height"]].mean().reset_index()
    mixed, word = _references(stage, model, cells)
    cells = cells.assign(mixed=cells["container"].map(mixed)).dropna(subset=["mixed", "value", "height"])
    cells = cells[cells["mixed"] > 0].assign(reference=word, depth=lambda t: t["depth"].astype(str))
    cells["level"] = 100 * cells["value"] / cells["mixed"]
    cells["log"] = bool((cells["level"] > 0).all())
    cells["y"] = np.log(cells["level"]) if cells["log"].all() else cells["level"]
    return cells.drop(columns=["value", "mixed"])


def _references(stage: OpenStage, model: AnalyteModel, cells: pd.DataFrame) -> tuple[dict[str, float], str]:
    """What counts as mixed for each stored container, in the analyte's unit, and in words."""
    stored = list(dict.fromkeys(cells["container"]))
    whole = reference_values(usable(stage), stage.samples, model.analyte, WHOLE)
    if set(stored) <= set(whole.index):
        return {str(c): float(v) for c, v in zip(whole.index, whole.to_numpy(float), strict=True)}, WHOLE_WORD
    info = stage.containers.set_index("container")
    controls = info.index[info["treatment"] == "remixed control"]
    spots = reference_values(usable(stage), stage.samples, model.analyte, ("spot",))
    known = spots[spots.index.isin(controls)]
    by_lot = known.groupby(info["lot"].reindex(known.index).to_numpy()).mean().to_dict()
    lots = {str(c): info.at[c, "lot"] for c in stored}
    if by_lot and set(lots.values()) <= set(by_lot):
        return {c: float(by_lot[lot]) for c, lot in lots.items()}, CONTROL_WORD
    full = cells.groupby("container")["value"].agg(["mean", "size"])
    full = full[full["size"] == len(model.rows.depths)]
    return dict(zip(full.index.astype(str), full["mean"].astype(float), strict=True)), ZONES_WORD


def _read(curves: pd.DataFrame, cells: pd.DataFrame, slabs: Slabs) -> list[float]:
    """The expected level at each cell's height, averaged over the slab that the plan draws there."""
    fine: dict[object, pd.Series] = {key: part.groupby("height")["percent_of_mixed"].mean()
                                     for key, part in curves.groupby(KEYS)}
    out = []
    for r in cells.to_dict("records"):
        line = fine.get(tuple(r[k] for k in KEYS))
        reach = slabs[r["vessel"], r["height_mm"]][str(r["depth"])] * np.linspace(-0.5, 0.5, 9)
        out.append(math.nan if line is None else float(np.mean(np.interp(
            np.clip(r["height"] + reach, 0, 1), line.index.to_numpy(float), line.to_numpy(float)))))
    return out


def _curves(curves: pd.DataFrame, stood: pd.DataFrame, part: pd.DataFrame, zones_only: bool) -> pd.DataFrame:
    """Mean fine profile of each class of standing time, a container each its weight."""
    label = part.drop_duplicates("container").set_index("container")["class"]
    mean_days = part.groupby("class")["age_days"].mean()
    rows = stood.assign(label=stood["container"].map(label)).merge(curves, on=KEYS, suffixes=("", "_"))
    lines = rows.groupby(["label", "height"])["percent_of_mixed"].mean().reset_index()
    if zones_only:
        heights = part.groupby("depth")["height"].mean()
        for _, one in lines.groupby("label"):
            at = np.interp(heights, one["height"], one["percent_of_mixed"]).mean()
            lines.loc[one.index, "percent_of_mixed"] *= 100 / at if at > NEARLY_NONE else math.nan
    return lines.assign(age_days=lines["label"].map(mean_days)).drop(columns="label")


def _pooled(cells: pd.DataFrame) -> dict[str, tuple[float, int]]:
    """Per depth the standard deviation within store, vessel and class, and its degrees of freedom."""
    out = {}
    for depth, part in cells.groupby("depth"):
        groups = part.groupby(["store", "vessel", "class"])["y"]
        df = len(part) - groups.ngroups
        gaps = part["y"] - groups.transform("mean")
        out[str(depth)] = (math.sqrt(float((gaps**2).sum()) / df) if df else math.nan, df)
    return out


def _table(part: pd.DataFrame, depths: tuple[str, ...], spread: dict[str, tuple[float, int]], name: str,
           analyte: str) -> pd.DataFrame:
    """One row a class and depth, 95 % intervals."""
    log = bool(part["log"].all())
    rows = []
    for (_, depth), own in part.groupby(["class", "depth"]):
        sd, df = spread[str(depth)]
        mean, half = float(own["y"].mean()), math.nan
        if df and sd > 0:
            half = float(stats.t.ppf(0.975, df)) * sd / math.sqrt(len(own))
        low, mid, high = ((1 + per_cent(x) / 100 if log else x) for x in (mean - half, mean, mean + half))
        expected = float(own["expected"].mean())
        rows.append({"component": name, "analyte": analyte, "store": own["store"].iloc[0], "vessel": own["vessel"].iloc[0],
                     "age_days": float(own["age_days"].mean()), "depth": depth, "height": float(own["height"].mean()),
                     "containers": len(own), "expected": expected, "measured": mid, "low": low, "high": high,
                     "reference": own["reference"].iloc[0],
                     "expected lies": GONE if math.isnan(expected) else "" if math.isnan(half) else
                     "inside" if low <= expected <= high else "below" if expected < low else "above"})
    order = {d: k for k, d in enumerate(depths)}
    return pd.DataFrame(rows).sort_values(["age_days", "depth"], key=lambda c: c.map(order) if c.name == "depth" else c,
                                          ignore_index=True)[COLUMNS]
