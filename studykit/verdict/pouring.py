"""What an unmixed container would give out: the first and the last litres, from the fitted profile and the shape.

The liquid is cut into as many layers as there are sampled zones, at the middles between their
heights; each layer is taken as uniform. Litres leave from the top (poured, pumped with the
foot near the surface, decanted) or from the floor (bottom tap), layer after layer without
mixing: a bound, since real dispensing mixes somewhat. What lies on the floor below the lowest
zone is not seen by the zones and not counted here.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from studykit.core.listing import series
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel, fitted
from studykit.model.rows import known
from studykit.model.tables import joined
from studykit.study.columns import ZONE_KINDS
from studykit.study.stages import OpenStage
from studykit.vessels.shapes import Vessel

COLUMNS = ["which", "litres", "content %", "low %", "high %", "next low %", "next high %", "share of the analyte %"]
LEVEL = 0.9
"""Of the intervals of contents: either end errs in 1 of 20, as in a pair of one-sided tests at 5 %. They give no verdict."""
SHARES = (0.05, 0.1, 0.25, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layers:
    """Layers of the liquid from the surface down: edges as fractions of the liquid height, and volumes, L."""

    edges: tuple[float, ...]
    volumes_l: tuple[float, ...]
    liquid_height_mm: float

    @property
    def total_l(self) -> float:
        """Volume of the liquid, L."""
        return float(sum(self.volumes_l))


def layers_of(vessel: Vessel, liquid_height_mm: float, heights: list[float]) -> Layers:
    """Cut the liquid at the middles between the zones' heights (fractions, surface first)."""
    if sorted(heights, reverse=True) != list(heights) or len(set(heights)) != len(heights):
        raise ValueError(f"heights must fall from the surface down, but got {heights}")
    middles = [(a + b) / 2 for a, b in itertools.pairwise(heights)]
    edges = (1.0, *middles, 0.0)
    volumes = [vessel.volume_l(e * liquid_height_mm) for e in edges]
    parts = tuple(float(a - b) for a, b in itertools.pairwise(volumes))
    return Layers(edges=edges, volumes_l=parts, liquid_height_mm=liquid_height_mm)


def litres_of_ends(stage: OpenStage) -> dict[str, float]:
    """Least and most litres of stored containers that the uppermost and the lowest zone stand for, and of all that is in one.

    Keys first.least, first.most, last.least and so on, whole.least, whole.most, in L. Empty where the liquid of one of them or
    the height of a zone is not known.
    """
    stored = stage.containers[stage.containers["treatment"] == "stored"]
    heights = _heights(stage, set(stored["container"].astype(str)))
    if stored.empty or stored["liquid_height_mm"].isna().any() or not heights:
        return {}
    cut = [layers_of(stage.study.vessels[str(r["vessel"])], float(r["liquid_height_mm"]), heights)
           for r in stored.to_dict("records")]
    parts = {"first": [c.volumes_l[0] for c in cut], "last": [c.volumes_l[-1] for c in cut], "whole": [c.total_l for c in cut]}
    return {f"{name}.{end}": of(litres) for name, litres in parts.items() for end, of in (("least", min), ("most", max))}


def _heights(stage: OpenStage, containers: set[str]) -> list[float]:
    """Mean height of each declared depth, as a share of the liquid, surface first; empty where one is not known."""
    samples = stage.samples
    spots = samples[samples["kind"].isin(ZONE_KINDS) & samples["container"].astype(str).isin(containers)]
    mean = pd.to_numeric(spots["height"], errors="coerce").groupby(spots["depth"]).mean()
    found = [float(mean.get(d, np.nan)) for d in stage.study.factors.depths]
    falling = all(a > b for a, b in itertools.pairwise(found))  # false where one is not known
    return found if len(found) > 1 and falling else []


def taken(layers: Layers, litres: float, *, from_top: bool) -> np.ndarray:
    """Litres taken from each layer (surface first) when that many leave from the top or from the floor."""
    if not 0 < litres <= layers.total_l * (1 + 1e-9):
        raise ValueError(f"litres must lie in 0 to {layers.total_l:g}, but got {litres}")
    volumes = np.array(layers.volumes_l if from_top else layers.volumes_l[::-1])
    before = np.concatenate([[0.0], np.cumsum(volumes)[:-1]])
    part = np.clip(litres - before, 0.0, volumes)
    return part if from_top else part[::-1]


def own_contents(model: FittedModel, layers: Layers, litres: np.ndarray) -> np.ndarray:
    """Content of those litres in per cent of the mixed mean of each container that has every zone, (n,).

    ``litres`` is the volume from each layer; the mixed mean weighs layers by volume. Containers with a limit, or with
    a mixed mean that is not above zero, are left out.
    """
    cells = known(model.cells)[model.cells.exact]
    cells = cells[np.isfinite(cells).all(axis=1)]
    c, whole = (np.exp(cells) if model.rows.log else cells), np.array(layers.volumes_l)
    total = c @ whole / whole.sum()
    good = total > 0
    return np.asarray(100 * (c[good] @ litres / litres.sum()) / total[good])


def content(model: FittedModel, layers: Layers, litres: np.ndarray, level: float = LEVEL) -> tuple[float, ...]:
    """Mean content of those litres in per cent of the mixed mean, its interval, and that of one further container.

    One number a container, its logarithm for a margin in per cent, then t over the containers: whatever the
    scatter across depths, only that of these numbers counts. NaN limits with fewer than two containers.
    """
    own = own_contents(model, layers, litres)
    log = model.rows.log and bool((own > 0).all())
    x = np.log(own) if log else own
    if len(x) < 2:
        return float(own.mean()) if len(x) else np.nan, np.nan, np.nan, np.nan, np.nan
    half = float(stats.t.isf((1 - level) / 2, len(x) - 1)) * float(x.std(ddof=1))
    mean, se, next_one = float(x.mean()), half / len(x) ** 0.5, half * (1 + 1 / len(x)) ** 0.5
    out = (mean, mean - se, mean + se, mean - next_one, mean + next_one)
    return tuple(float(np.exp(v)) if log else v for v in out)


def pouring(stage: OpenStage, models: list[AnalyteModel], words: Mapping[str, str]) -> pd.DataFrame:
    """First and last litres of an unmixed container of median fill, for analytes whose ``words`` are not homogeneous."""
    container = typical_container(stage.containers)
    if container is None:
        return pd.DataFrame(columns=["analyte", *COLUMNS])
    vessel, height = stage.study.vessels[container["vessel"]], float(container["liquid_height_mm"])
    return joined([consequences(m, vessel, height).assign(analyte=m.analyte) for m in fitted(models)
                   if words[m.analyte] != "homogeneous"], ["analyte", *COLUMNS])


def not_told(stage: OpenStage, models: list[AnalyteModel], words: Mapping[str, str], table: pd.DataFrame) -> str:
    """Which analytes that are not homogeneous the table of ``pouring`` has no row of, though it has some of others."""
    if table.empty:
        return "No litres are told here."
    told = [stage.study.label_of(m.analyte) for m in fitted(models)
            if words[m.analyte] != "homogeneous" and m.analyte not in set(table["analyte"])]
    return (f"No litres are worked out of {series(told)}: no container has a number at every depth, or the heights of the "
            "zones are not known." if told else "Every fitted analyte that is not homogeneous stands in this table.")


def consequences(model: FittedModel, vessel: Vessel, liquid_height_mm: float, level: float = LEVEL) -> pd.DataFrame:
    """The first and last litres of an unmixed container, as per cent of the mixed mean.

    Columns: COLUMNS; low and high hold the mean of containers like these, next low and next high one further container.
    Empty where the zones' heights are not known, and where no container has a number in each of them.
    """
    heights = model.means()["height"].tolist()
    if np.isnan(heights).any():
        return pd.DataFrame(columns=COLUMNS)
    layers = layers_of(vessel, liquid_height_mm, heights)
    if not len(own_contents(model, layers, np.array(layers.volumes_l))):
        return pd.DataFrame(columns=COLUMNS)
    rows = []
    for from_top, words in ((True, "poured from the top"), (False, "drawn by a bottom tap")):
        for share in SHARES:
            rows.append(_row(model, layers, share * layers.total_l, from_top, f"first, {words}", level))
    for share in SHARES[:2]:
        rows.append(_row(model, layers, share * layers.total_l, False, "left behind after pouring from the top", level))
    return pd.DataFrame(rows, columns=COLUMNS)


def _row(model: FittedModel, layers: Layers, litres: float, from_top: bool, which: str, level: float) -> tuple[object, ...]:
    mean, *spans = content(model, layers, taken(layers, litres, from_top=from_top), level)
    return which, litres, mean, *spans, mean * litres / layers.total_l


def typical_container(containers: pd.DataFrame) -> pd.Series | None:
    """The stored container of median liquid height, as the one to reckon with; None where no height is known."""
    stored = containers[(containers["treatment"] == "stored") & containers["liquid_height_mm"].notna()]
    if stored.empty:
        return None
    ordered = stored.sort_values(["liquid_height_mm", "container"])
    return ordered.iloc[(len(ordered) - 1) // 2]
