"""Estimands beyond the pairs of depths: heel excess, loss to the floor, largest departure from the weighted whole.

Each is one number a container, on the scale of the analyte's margin, then a t interval over the
containers. Zones are weighted by mass where the samples table gives densities, else by the
volumes of the layers they stand for, else by the heights of those layers, and the table says which.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.inference.equivalence import Contrast, container_summary
from studykit.inference.single import SingleResult
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel
from studykit.model.stated import single_results
from studykit.model.tables import usable
from studykit.quality.massbalance import zone_shares
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.containers import place

WHOLE = ("composite", "retained")
HEEL, REST = "heel against the zones", "zones against the whole container"
"""What the rows of ``whole`` tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Zones:
    """One container's zone means (surface first, in the analyte's unit) with weights that add up to 1."""

    container: str
    depths: tuple[str, ...]
    values: np.ndarray
    weights: np.ndarray
    weighted_by: str

    @property
    def mean(self) -> float:
        """Weighted mean of the zones, in the analyte's unit."""
        return float(self.weights @ self.values)


def zones_of(study: Study, model: AnalyteModel, containers: pd.DataFrame, samples: pd.DataFrame) -> tuple[Zones, ...]:
    """Zone means of every container in which all depths were measured."""
    measured = model.rows.measured
    density = samples.set_index("sample")["density_kg_m3"] if "density_kg_m3" in samples else pd.Series(dtype=float)
    measured = measured.assign(density=measured["sample"].map(density).astype(float))
    names = ["value", "height", "density"]
    cells = measured.groupby(["container", "depth"], observed=True)[names].mean()
    wide = {n: cells[n].unstack("depth").reindex(columns=list(model.rows.depths)) for n in names}
    parts = {n: table.to_numpy(dtype=float) for n, table in wide.items()}
    facts = {r["container"]: r for r in containers[["container", "vessel", "liquid_height_mm"]].to_dict("records")}
    out, alike = [], dict[tuple[Any, ...], tuple[np.ndarray, str]]()
    lost, known = np.isnan(parts["value"]).any(axis=1), np.isfinite(parts["height"]).all(axis=1)
    for k, container in enumerate(wide["value"].index):
        value, height, rho = (parts[n][k] for n in names)
        if lost[k]:
            continue
        fact = facts[container]
        key = (fact["vessel"], fact["liquid_height_mm"], height.tobytes(), rho.tobytes())  # many are filled and drawn alike
        if key not in alike:
            alike[key] = zone_shares(study, fact, height, rho) if known[k] else (
                np.full(len(value), 1 / len(value)), "equal shares (heights not known)")
        weights, words = alike[key]
        out.append(Zones(container=str(container), depths=model.rows.depths, values=value, weights=weights,
                         weighted_by=words))
    return tuple(out)


def reference_values(results: pd.DataFrame, samples: pd.DataFrame, analyte: str, kinds: tuple[str, ...]) -> pd.Series:
    """Mean value of the samples of those kinds, by container; limits are left out."""
    chosen = samples[samples["kind"].isin(kinds) & (samples["container"] != "")]
    mine = results[(results["analyte"] == analyte) & (results["qualifier"] == "")]
    return mine.merge(chosen[["sample", "container"]], on="sample").groupby("container")["value"].mean()


def _against(model: AnalyteModel, pairs: list[tuple[str, float, float]], label: str, most_words: str) -> dict[str, Any]:
    """A row: the mean over containers of (first against second) on the margin's scale, with its interval."""
    margin = model.rows.margin.both
    usable = [(c, a, b) for c, a, b in pairs if margin.scale == "raw" or (a > 0 and b > 0)]
    row: dict[str, Any] = {"analyte": model.analyte, "what": label, "containers": len(usable), "weighted by": most_words,
                           "margin": margin.text}
    if len(usable) < 2:
        return row | {"interval lies": "fewer than two containers"}
    values = [float(margin.to_scale(a) - margin.to_scale(b)) for _, a, b in usable]
    if np.ptp(values) == 0:
        return row | {"interval lies": "no scatter between containers"}
    contrast: Contrast = container_summary(values, label, margin.scale, model.shown_unit)
    value, low, high, unit = contrast.shown(1 - 2 * model.alpha)
    return row | {"estimate": value, "low": low, "high": high, "unit": unit,
                  "interval lies": place(contrast, margin, model.alpha)}


def _limits(model: AnalyteModel, results: pd.DataFrame, samples: pd.DataFrame, kinds: tuple[str, ...], stored: set[str],
            ) -> int:
    """In how many containers with a sample of those kinds it, or a zone, is known only as a limit."""
    drawn = samples[samples["kind"].isin(kinds) & samples["container"].isin(stored)].set_index("sample")["container"]
    mine = results[(results["analyte"] == model.analyte) & results["sample"].isin(drawn.index)]
    table = model.rows.table
    zones = set(table.loc[table["qualifier"] != "", "container"])
    held = mine["sample"].map(drawn)
    return int(held[(mine["qualifier"] != "") | held.isin(zones)].nunique())


def whole(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Heel against the zones, and zones against the whole, for every analyte that has such samples.

    Columns: analyte, what, containers, weighted by, estimate, low, high, unit, margin, interval
    lies. No average of those that are numbers where others are limits (``floors.on_average`` bounds it). 'Zones against
    the whole' below zero is a loss to the floor or the walls.
    """
    rows, study, containers, samples, results = [], stage.study, stage.containers, stage.samples, usable(stage)
    stored = set(containers.loc[containers["treatment"] == "stored", "container"])
    for model in models:
        zones = [z for z in zones_of(study, model, containers, samples) if z.container in stored]
        words = _weights_told(z.weighted_by for z in zones)
        for kinds, label, turn in (
            (("heel",), HEEL, False), (WHOLE, REST, True)):
            other = reference_values(results, samples, model.analyte, kinds)
            pairs = [(z.container, z.mean, float(other[z.container])) if turn else
                     (z.container, float(other[z.container]), z.mean) for z in zones if z.container in other.index]
            limits = _limits(model, results, samples, kinds, stored)
            if limits and (pairs or isinstance(model, FittedModel)):
                rows.append({"analyte": model.analyte, "what": label, "containers": len(pairs), "weighted by": words,
                             "margin": model.rows.margin.both.text, "interval lies": f"limits in {limits} containers"})
            elif pairs:
                rows.append(_against(model, pairs, label, words))
    columns = ["analyte", "what", "containers", "weighted by", "estimate", "low", "high", "unit", "margin",
               "interval lies"]
    return pd.DataFrame(rows).reindex(columns=columns)


def _weights_told(words: Iterable[str]) -> str:
    """What the zones were weighted by, each word once, in one order whatever the containers'."""
    return ", ".join(sorted(set(words)))


def departures(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Each zone against the weighted mean of its container's zones, on average over containers; the largest first.

    Columns: analyte, zone, departure, low, high (1 - 2 alpha), unit, weighted mean, plain mean, unit of means,
    weighted by. One number a container, then a t interval over containers; a zone that departs equally in all of them is
    left out. Of a single container by its stated precision.
    """
    rows: list[dict[str, Any]] = []
    for model in models:
        if not isinstance(model, FittedModel):
            rows += sorted(_of_one(stage, model), key=lambda r: -abs(r["departure"]))
            continue
        margin = model.rows.margin
        zones = [z for z in zones_of(stage.study, model, stage.containers, stage.samples)
                 if not margin.log or (z.values > 0).all()]
        if len(zones) < 2:
            continue
        means = [z.mean for z in zones]
        own = np.array([margin.to_scale(z.values) - margin.to_scale(mean) for z, mean in zip(zones, means, strict=True)])
        words, plain = _weights_told(z.weighted_by for z in zones), float(np.mean([z.values.mean() for z in zones]))
        part = []
        for k, depth in enumerate(model.rows.depths):
            if np.ptp(own[:, k]) > 0:
                value, low, high, unit = container_summary(own[:, k], depth, margin.scale, model.rows.unit).shown(
                    1 - 2 * model.alpha)
                part.append({"analyte": model.analyte, "zone": depth, "departure": value, "low": low, "high": high,
                             "unit": unit, "weighted mean": float(np.mean(means)), "plain mean": plain,
                             "unit of means": model.rows.unit, "weighted by": words})
        rows += sorted(part, key=lambda r: -abs(r["departure"]))
    return pd.DataFrame(rows)


def _of_one(stage: OpenStage, model: AnalyteModel) -> list[dict[str, Any]]:
    """Rows of ``departures`` of a single container whose precision is stated; none with a limit or a lost zone."""
    judged = single_results(stage.study, [model]).get(model.analyte)
    zones = zones_of(stage.study, model, stage.containers, stage.samples)
    if not isinstance(judged, SingleResult) or judged.hull or not zones or model.rows.absent:
        return []
    z, margin = zones[0], judged.comparison.margin
    shares = z.weights * (z.values / z.mean if margin.log else 1.0)  # what each zone moves the mean by
    rows = []
    for k, depth in enumerate(z.depths):
        se = judged.spread * math.sqrt(float(((np.eye(len(shares))[k] - shares) ** 2 / np.array(judged.counts)).sum()))
        contrast = Contrast(label=depth, estimate=float(margin.to_scale(z.values[k]) - margin.to_scale(z.mean)), se=se,
                            df=math.inf, unit=judged.unit, scale=margin.scale)
        span = contrast.interval(1 - 2 * stage.study.alpha)
        rows.append({"analyte": model.analyte, "zone": depth, "departure": margin.shown(contrast.estimate),
                     "low": margin.shown(span.low), "high": margin.shown(span.high), "unit": judged.comparison.unit,
                     "weighted mean": z.mean, "plain mean": float(z.values.mean()), "unit of means": judged.unit,
                     "weighted by": z.weighted_by})
    return rows


def has_whole(samples: pd.DataFrame) -> bool:
    """True where some sample stands for a whole container or its fill."""
    return bool(samples["kind"].isin(WHOLE).any())
