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

from studykit.consequences import layers_of
from studykit.equivalence import Contrast, container_summary
from studykit.model import AnalyteModel
from studykit.modelrows import back, on_scale
from studykit.study import Study

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
    by_code = {str(r["container"]): r for r in containers.to_dict("records")}
    out = []
    for container, part in measured.groupby("container", sort=True):
        cells = part.groupby("depth", observed=True)[["value", "height", "density"]].mean()
        if list(cells.index) != list(model.rows.depths):
            continue
        weights, words = _weights(study, by_code[str(container)], cells)
        out.append(Zones(container=str(container), depths=model.rows.depths, values=cells["value"].to_numpy(float),
                         weights=weights, weighted_by=words))
    return tuple(out)


def _weights(study: Study, container: dict[Hashable, Any], cells: pd.DataFrame) -> tuple[np.ndarray, str]:
    heights, level = cells["height"].tolist(), container["liquid_height_mm"]
    known = level == level and container["vessel"] in study.vessels and all(h == h for h in heights)
    volumes = np.full(len(cells), 1.0)
    words = "equal shares (height or vessel not known)"
    if known:
        volumes = np.array(layers_of(study.vessels[container["vessel"]], float(level), heights).volumes_l)
        words = "volume"
    if cells["density"].notna().all():
        volumes, words = volumes * cells["density"].to_numpy(float), "mass"
    return volumes / volumes.sum(), words


def _reference(results: pd.DataFrame, samples: pd.DataFrame, analyte: str, kinds: tuple[str, ...]) -> pd.Series:
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
    values = [float(on_scale(pd.Series([a]), margin).iloc[0] - on_scale(pd.Series([b]), margin).iloc[0])
              for _, a, b in usable]
    if np.ptp(values) == 0:
        return row | {"interval lies": "no scatter between containers"}
    contrast: Contrast = container_summary(values, label, margin.scale, model.shown_unit)
    value, low, high, unit = contrast.shown(1 - 2 * model.alpha)
    span = contrast.interval(1 - 2 * model.alpha)
    lies = ("inside the margin" if span.within(margin.low, margin.high) else
            "beyond the margin" if span.beyond(margin.low, margin.high) else "across its edge")
    return row | {"estimate": value, "low": low, "high": high, "unit": unit, "interval lies": lies}


def whole_table(study: Study, models: list[AnalyteModel], containers: pd.DataFrame, samples: pd.DataFrame,
                results: pd.DataFrame) -> pd.DataFrame:
    """Heel against the zones, and zones against the whole, for every analyte that has such samples.

    Columns: analyte, what, containers, weighted by, estimate, low, high, unit, margin, interval
    lies. 'Zones against the whole' below zero is a loss to the floor or the walls.
    """
    rows = []
    stored = set(containers.loc[containers["treatment"] == "stored", "container"])
    for model in models:
        zones = [z for z in zones_of(study, model, containers, samples) if z.container in stored]
        words = ", ".join(sorted({z.weighted_by for z in zones}))
        for kinds, label, turn in (
            (("heel",), "heel against the zones", False), (WHOLE, "zones against the whole container", True)):
            other = _reference(results, samples, model.analyte, kinds)
            pairs = [(z.container, z.mean, float(other[z.container])) if turn else
                     (z.container, float(other[z.container]), z.mean) for z in zones if z.container in other.index]
            if pairs:
                rows.append(_against(model, pairs, label, words))
    columns = ["analyte", "what", "containers", "weighted by", "estimate", "low", "high", "unit", "margin",
               "interval lies"]
    return pd.DataFrame(rows).reindex(columns=columns)


def departure_table(study: Study, models: list[AnalyteModel], containers: pd.DataFrame,
                    samples: pd.DataFrame) -> pd.DataFrame:
    """Largest departure of a mean zone from the weighted mean of the zones, with that mean beside the plain one.

    Columns: analyte, zone, departure, unit, weighted mean, plain mean, unit of means, weighted by.
    """
    rows = []
    for model in models:
        zones = zones_of(study, model, containers, samples)
        if model.fit is None or not zones:
            continue
        weights = np.mean([z.weights for z in zones], axis=0)
        means = np.array([back(m, model.rows.margin) for m in model.means])
        whole = float(weights @ means)
        gaps = 100 * (means / whole - 1) if model.rows.log else means - whole
        k = int(np.argmax(np.abs(gaps)))
        rows.append({"analyte": model.analyte, "zone": model.rows.depths[k], "departure": float(gaps[k]),
                     "unit": model.shown_unit, "weighted mean": whole, "plain mean": float(means.mean()),
                     "unit of means": model.rows.unit, "weighted by": ", ".join(sorted({z.weighted_by for z in zones}))})
    return pd.DataFrame(rows)


def has_whole(samples: pd.DataFrame) -> bool:
    """True where some sample stands for a whole container or its fill."""
    return bool(samples["kind"].isin(WHOLE).any())
