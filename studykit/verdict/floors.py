"""What lies on the floor: the heel draws of stored containers, each against the zones of its own container.

A heel that was lost, excluded or could not be held against any zone leaves its container unseen; one known only as a limit
lies at least as far off as the nearest value that it may stand for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.inference.equivalence import Contrast, Margin
from studykit.inference.share import share_upper, shown_beyond
from studykit.inference.single import SingleResult
from studykit.model.fit import AnalyteModel, FittedModel, fitted
from studykit.model.stated import single_results
from studykit.model.tables import usable
from studykit.quality.flags import listed
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.containers import noise_of, place, rounded_up, treat
from studykit.verdict.estimands import zones_of

WITHIN, BEYOND, UNDECIDED, UNKNOWN = "within the margin", "beyond the margin", "cannot tell", "nothing is known"
SINGLE = "beyond the margin in single containers"
FLOOR = "floor - zones"
"""The pair of a container that is shown beyond on its floor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """The floors that heel draws were planned for, by container.

    ``nearest``: heel minus zones on the scale of the margin, of a limit the value nearest to the zones; ``results``: how
    many stand in it; ``open``: known only as a limit that may lie beyond the margin; ``unseen``: no usable result.
    """

    nearest: dict[str, float]
    results: dict[str, int]
    open: tuple[str, ...]
    unseen: tuple[str, ...]


def floors(stage: OpenStage, model: AnalyteModel, results: pd.DataFrame) -> Floors:
    """Every floor, one by one; ``results`` are those that no person excluded.

    The zones are weighted as elsewhere; where one of them has no number, the plain mean of the others stands for them.
    """
    samples, margin = stage.samples, model.rows.margin
    stored = set(stage.containers.loc[stage.containers["treatment"] == "stored", "container"])
    drawn = samples[(samples["kind"] == "heel") & samples["container"].isin(stored)].set_index("sample")["container"]
    mine = results[(results["analyte"] == model.analyte) & results["sample"].isin(drawn.index)]
    by_container = dict(iter(mine.groupby(mine["sample"].map(drawn).astype(str))))
    zones = _zones(stage, model)
    nearest, counts, unsure, unseen = dict[str, float](), dict[str, int](), list[str](), list[str]()
    for container in dict.fromkeys(drawn.astype(str)):
        rows, own = by_container.get(container, mine.iloc[:0]), zones.get(container, math.nan)
        numbers, limits = rows.loc[rows["qualifier"] == "", "value"], rows[rows["qualifier"] != ""]
        spans = [_span(margin, r["qualifier"], float(r["limit"]), own) for r in limits.to_dict("records")]
        near = [_far(margin, float(numbers.mean()), own)] if len(numbers) else [_nearest(*span) for span in spans]
        if not near or math.isnan(near[0]):
            unseen.append(container)
            continue
        nearest[container], counts[container] = max(near, key=abs), max(len(numbers), 1)
        if any(low <= margin.low or high >= margin.high for low, high in spans):
            unsure.append(container)
    return Floors(nearest=nearest, results=counts, open=tuple(unsure), unseen=tuple(unseen))


def _zones(stage: OpenStage, model: AnalyteModel) -> dict[str, float]:
    """Mean of each container's zones, in the analyte's unit."""
    measured = model.rows.measured
    cells = measured.groupby(["container", "depth"], observed=True)["value"].mean()
    plain = {str(c): float(v) for c, v in cells.groupby("container").mean().items()}
    return plain | {z.container: z.mean for z in zones_of(stage.study, model, stage.containers, stage.samples)}


def _far(margin: Margin, value: float, zones: float) -> float:
    """A value minus the zones on the scale of the margin; not a number where a relative one has no ratio."""
    if margin.scale != "raw" and not (value > 0 and zones > 0):
        return math.nan
    return float(margin.to_scale(value) - margin.to_scale(zones))


def _span(margin: Margin, sign: str, limit: float, zones: float) -> tuple[float, float]:
    """Between which differences a limit may lie."""
    at = _far(margin, limit, zones)
    if sign == ">":
        return at, math.inf
    return (-math.inf if margin.scale != "raw" else _far(margin, 0.0, zones)), at


def _nearest(low: float, high: float) -> float:
    """The difference of a span that is nearest to none."""
    return max(low, 0.0) if low > 0 else min(high, 0.0)


def word_of(stage: OpenStage, model: AnalyteModel, word: str, drawn: Floors) -> tuple[str, str]:
    """The word of the floor, that on average given, with every single floor seen to, and why."""
    if (not drawn.nearest and not drawn.open) or word == BEYOND:
        return word, ""
    beyond, share = _single(stage.study, model, drawn) if isinstance(model, FittedModel) else ((), 0.0)
    if beyond:
        return SINGLE, listed(beyond, 12)
    if drawn.open:
        return UNDECIDED, f"known only as a limit: {listed(drawn.open, 12)}"
    allowed = stage.study.share_percent
    if word == WITHIN and stage.study.scope != "container" and 100 * share > allowed:
        return UNDECIDED, (f"the floors of up to {rounded_up(share):g} % of the containers could lie beyond, and {allowed:g} % "
                           "are allowed")
    return word, ""


def _single(study: Study, model: FittedModel, drawn: Floors) -> tuple[tuple[str, ...], float]:
    """Containers whose own floor is shown beyond the margin, all floors taken into account, and the bound of their share.

    The noise of a heel against its zones is at most that of two zones, where the heel was measured as often. A floor that
    was not seen, or that a limit leaves open, never counts as one within.
    """
    if not drawn.nearest:
        return (), 1.0
    d, edge, measured = np.array(list(drawn.nearest.values())), model.rows.margin.edge, model.rows.measured
    se, df, _ = noise_of(study, model)
    per_zone = len(measured) / max(1, measured.groupby(["container", "depth"], observed=True).ngroups)
    fewer = np.maximum(per_zone / np.array([drawn.results[c] for c in drawn.nearest]), 1)
    noise = None if se is None else se * np.sqrt((1 + fewer) / 2)
    shown = shown_beyond(d, edge, noise_se=noise, noise_df=df, alpha=model.alpha)[:, 0] != 0
    seen = np.where([c in drawn.open for c in drawn.nearest], math.inf, d)
    bound = share_upper(np.append(seen, [math.inf] * len(drawn.unseen)), edge, level=1 - model.alpha, noise_df=df,
                        noise_se=None if noise is None else float(noise.max()))
    return tuple(c for c, far in zip(drawn.nearest, shown, strict=True) if far), bound.upper


def of_one(stage: OpenStage, model: AnalyteModel, results: pd.DataFrame) -> tuple[str, float, float, float, str] | None:
    """Word, estimate, limits and unit of the floor of a single container by its stated precision; None without one."""
    judged = single_results(stage.study, [model]).get(model.analyte)
    heels = stage.samples.loc[stage.samples["kind"] == "heel", "sample"]
    mine = results[(results["analyte"] == model.analyte) & results["sample"].isin(heels)]
    if not isinstance(judged, SingleResult) or mine.empty or (mine["qualifier"] != "").any():
        return None
    margin, zones = judged.comparison.margin, model.rows.measured
    estimate = _far(margin, float(mine["value"].mean()), float(np.mean(judged.means)))
    if math.isnan(estimate):
        return None
    contrast = Contrast(label="heel against the zones", estimate=estimate, df=math.inf, unit=judged.unit, scale=margin.scale,
                        se=judged.spread * math.sqrt(1 / len(mine) + 1 / len(zones)))
    span = contrast.interval(1 - 2 * stage.study.alpha)
    word = {"inside the margin": WITHIN, "beyond the margin": BEYOND}.get(place(contrast, margin, stage.study.alpha), UNDECIDED)
    low, high = sorted((margin.shown(span.low), margin.shown(span.high)))
    return word, margin.shown(contrast.estimate), low, high, judged.comparison.unit


def beyond(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Containers shown to lie beyond the margin, by their zones (``containers.treat``) or on the floor (pair ``FLOOR``)."""
    rows, results = [], usable(stage)
    for m in (m for m in fitted(models) if stage.study.decides(m.analyte)):
        drawn = floors(stage, m, results)
        rows += [(c, m.analyte, stage.study.label_of(m.analyte), FLOOR, m.rows.margin.shown(drawn.nearest[c]), m.shown_unit)
                 for c in _single(stage.study, m, drawn)[0]]
    zones = treat(stage.study, models)
    return pd.concat([zones, pd.DataFrame(rows, columns=zones.columns)], ignore_index=True) if rows else zones
