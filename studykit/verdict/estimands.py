"""Estimands beyond the pairs of depths: heel excess, loss to the floor, largest departure from the weighted whole.

Each is one number a container, on the scale of the analyte's margin, then a t interval over the
containers. Zones are weighted by mass where the samples table gives densities, else by the
volumes of the layers they stand for, else equally, and the table says which.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.inference.equivalence import Contrast, container_summary
from studykit.model.fit import AnalyteModel, fitted
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.pouring import layers_of
from studykit.verdict.rule import place

WHOLE = ("composite", "retained")


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
    out = []
    for k, container in enumerate(wide["value"].index):
        value, height, rho = (parts[n][k] for n in names)
        if np.isnan(value).any():
            continue
        weights, words = _weights(study, facts[container], height, rho)
        out.append(Zones(container=str(container), depths=model.rows.depths, values=value, weights=weights,
                         weighted_by=words))
    return tuple(out)


def _weights(study: Study, container: dict[Hashable, Any], heights: np.ndarray,
             density: np.ndarray) -> tuple[np.ndarray, str]:
    """Shares of the zones by mass, volume, or equal, and which."""
    level, vessel = container["liquid_height_mm"], container["vessel"]
    volumes, words = np.full(len(heights), 1.0), "equal shares (height or vessel not known)"
    if level == level and vessel in study.vessels and not np.isnan(heights).any():
        volumes = np.array(layers_of(study.vessels[vessel], float(level), heights.tolist()).volumes_l)
        words = "volume"
    if not np.isnan(density).any():
        volumes, words = volumes * density, "mass"
    return volumes / volumes.sum(), words


def reference_values(results: pd.DataFrame, samples: pd.DataFrame, analyte: str, kinds: tuple[str, ...]) -> pd.Series:
    """Mean value of the samples of those kinds, by container; limits are left out."""
    chosen = samples[samples["kind"].isin(kinds) & (samples["container"] != "")]
    mine = results[(results["analyte"] == analyte) & (results["qualifier"] == "")]
    return mine.merge(chosen[["sample", "container"]], on="sample").groupby("container")["value"].mean()


def _against(model: AnalyteModel, pairs: list[tuple[str, float, float]], label: str, most_words: str) -> dict[str, Any]:
    """A row: the mean over containers of (first against second) on the margin's scale, with its interval."""
    margin = model.rows.margin
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


def whole(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Heel against the zones, and zones against the whole, for every analyte that has such samples.

    Columns: analyte, what, containers, weighted by, estimate, low, high, unit, margin, interval
    lies. 'Zones against the whole' below zero is a loss to the floor or the walls.
    """
    rows, study, containers, samples = [], stage.study, stage.containers, stage.samples
    stored = set(containers.loc[containers["treatment"] == "stored", "container"])
    for model in models:
        zones = [z for z in zones_of(study, model, containers, samples) if z.container in stored]
        words = ", ".join(sorted({z.weighted_by for z in zones}))
        for kinds, label, turn in (
            (("heel",), "heel against the zones", False), (WHOLE, "zones against the whole container", True)):
            other = reference_values(stage.results, samples, model.analyte, kinds)
            pairs = [(z.container, z.mean, float(other[z.container])) if turn else
                     (z.container, float(other[z.container]), z.mean) for z in zones if z.container in other.index]
            if pairs:
                rows.append(_against(model, pairs, label, words))
    columns = ["analyte", "what", "containers", "weighted by", "estimate", "low", "high", "unit", "margin",
               "interval lies"]
    return pd.DataFrame(rows).reindex(columns=columns)


def departures(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Each mean zone against the weighted mean of the zones, with its 1 - 2 alpha interval; the largest first.

    Columns: analyte, zone, departure, low, high, unit, weighted mean, plain mean, unit of means,
    weighted by. On the log scale the weighted mean is that of the contents, and the interval follows
    from its slope in the depth means (delta method).
    """
    rows = []
    for model in fitted(models):
        zones = zones_of(stage.study, model, stage.containers, stage.samples)
        if not zones:
            continue
        w = np.mean([z.weights for z in zones], axis=0)
        means = np.array([model.rows.margin.to_level(m) for m in model.mean_values])
        whole, scale = float(w @ means), model.rows.margin.scale
        gaps = np.log(means / whole) if scale == "log" else means - whole
        slope = np.eye(len(w)) - (w * means / whole if scale == "log" else w)
        se = np.sqrt(np.diag(slope @ model.mean_cov @ slope.T))
        words = ", ".join(sorted({z.weighted_by for z in zones}))
        for k in np.argsort(-np.abs(gaps)):
            contrast = Contrast(label=model.rows.depths[k], estimate=float(gaps[k]), se=float(se[k]), df=model.pairs.df,
                                scale=scale, unit=model.rows.unit)
            value, low, high, unit = contrast.shown(1 - 2 * model.alpha)
            rows.append({"analyte": model.analyte, "zone": contrast.label, "departure": value, "low": low, "high": high,
                         "unit": unit, "weighted mean": whole, "plain mean": float(means.mean()),
                         "unit of means": model.rows.unit, "weighted by": words})
    return pd.DataFrame(rows)


def has_whole(samples: pd.DataFrame) -> bool:
    """True where some sample stands for a whole container or its fill."""
    return bool(samples["kind"].isin(WHOLE).any())
