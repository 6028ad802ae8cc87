"""What lies on the floor, and in the whole: heels and stirred rests of containers, each against the zones of its own.

A heel that was lost, excluded or could not be held against any zone leaves its container unseen; where heel or zones are
known only as a limit, it lies at least as far off as the nearest pair of values that they may stand for. That needs no
fitted model: water on the floor under zones that all read "<50" is seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.inference.equivalence import Contrast, Margin
from studykit.inference.share import share_upper, shown_beyond
from studykit.inference.single import SingleResult
from studykit.model.fit import AnalyteModel, FittedModel
from studykit.model.stated import precision_at, single_results
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
HEEL, REST = ("heel",), ("composite",)
"""Kinds of samples that speak of the floor, and of what a container holds in all."""
NO_RESULT = "no draw at the floor has a result"
Span = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """The floors that heel draws were planned for, by container (or the rests that were stirred).

    ``nearest``: heel minus zones on the scale of the margin, of limits the nearest that it may be; ``results``: how many
    stand in it; ``levels``: the heel in the analyte's unit, a limit as it stands; ``open``: known only within bounds that
    may lie beyond the margin; ``unseen``: no usable result.
    """

    nearest: dict[str, float]
    results: dict[str, int]
    levels: dict[str, float]
    open: tuple[str, ...]
    unseen: tuple[str, ...]


def floors(stage: OpenStage, model: AnalyteModel, results: pd.DataFrame, kinds: tuple[str, ...] = HEEL) -> Floors:
    """Every floor (or stirred rest), one by one; ``results`` are those that no person excluded.

    The zones are weighted as elsewhere; where one of them was lost, the plain mean of the others stands for them.
    """
    samples, margin = stage.samples, model.rows.margin
    stored = set(stage.containers.loc[stage.containers["treatment"] == "stored", "container"])
    drawn = samples[samples["kind"].isin(kinds) & samples["container"].isin(stored)].set_index("sample")["container"]
    mine = results[(results["analyte"] == model.analyte) & results["sample"].isin(drawn.index)]
    by_container = dict(iter(mine.groupby(mine["sample"].map(drawn).astype(str))))
    zones = _zones(stage, model)
    nearest, counts, levels = dict[str, float](), dict[str, int](), dict[str, float]()
    unsure, unseen = list[str](), list[str]()
    for container in dict.fromkeys(drawn.astype(str)):
        rows, own = by_container.get(container, mine.iloc[:0]), zones.get(container)
        spans = [] if own is None else [_apart(margin, value, own) for value in _values(rows)]
        if not spans or any(math.isnan(low) or math.isnan(high) for low, high in spans):
            unseen.append(container)
            continue
        nearest[container] = max((_nearest(*span) for span in spans), key=abs)
        counts[container] = max(int((rows["qualifier"] == "").sum()), 1)
        levels[container] = float(rows["value"].fillna(rows["limit"]).mean())
        if any(low < high and (low <= margin.low or high >= margin.high) for low, high in spans):
            unsure.append(container)
    return Floors(nearest=nearest, results=counts, levels=levels, open=tuple(unsure), unseen=tuple(unseen))


def _values(rows: pd.DataFrame) -> list[Span]:
    """Between which values each result lies: the mean of those that are numbers, and every limit."""
    numbers = rows.loc[rows["qualifier"] == "", "value"]
    limits = rows[rows["qualifier"] != ""]
    return [(float(numbers.mean()),) * 2] * bool(len(numbers)) + [
        _bounds(str(r["qualifier"]), float(r["limit"])) for r in limits.to_dict("records")]


def _bounds(sign: str, limit: float) -> Span:
    return (limit, math.inf) if sign == ">" else (0.0, limit)


def _zones(stage: OpenStage, model: AnalyteModel) -> dict[str, Span]:
    """Between which values the mean of each container's zones lies, in the analyte's unit; twice the same for numbers."""
    table = model.rows.table
    ends = [(float(v), float(v)) if q == "" else _bounds(str(q), float(limit))
            for q, v, limit in zip(table["qualifier"], table["value"], table["limit"], strict=True)]
    both = table[["container", "depth"]].assign(low=[e[0] for e in ends], high=[e[1] for e in ends])
    means = both.groupby(["container", "depth"], observed=True).mean().groupby("container").mean()
    plain = {str(r["container"]): (float(r["low"]), float(r["high"])) for r in means.reset_index().to_dict("records")}
    weighted = {z.container: (z.mean, z.mean) for z in zones_of(stage.study, model, stage.containers, stage.samples)}
    return plain | {c: w for c, w in weighted.items() if plain[c][0] == plain[c][1]}


def _apart(margin: Margin, value: Span, zones: Span) -> Span:
    """Between which differences, on the scale of the margin, a value minus the zones lies; NaN where no ratio is."""
    if margin.scale == "raw":
        return value[0] - zones[1], value[1] - zones[0]
    if value[1] <= 0 or zones[1] <= 0:
        return math.nan, math.nan
    low = -math.inf if value[0] <= 0 or math.isinf(zones[1]) else math.log(value[0]) - math.log(zones[1])
    high = math.inf if zones[0] <= 0 or math.isinf(value[1]) else math.log(value[1]) - math.log(zones[0])
    return low, high


def _far(margin: Margin, value: float, zones: float) -> float:
    """A value minus the zones on the scale of the margin; not a number where a relative one has no ratio."""
    if margin.scale != "raw" and not (value > 0 and zones > 0):
        return math.nan
    return float(margin.to_scale(value) - margin.to_scale(zones))


def _nearest(low: float, high: float) -> float:
    """The difference of a span that is nearest to none."""
    return max(low, 0.0) if low > 0 else min(high, 0.0)


def word_of(stage: OpenStage, model: AnalyteModel, word: str, drawn: Floors, *, of_floors: bool = True) -> tuple[str, str]:
    """The word of the floor (or the whole), that on average given, with every single one seen to, and why.

    The share of containers is asked of floors alone: a whole is not what somebody pours from.
    """
    if not drawn.nearest:
        return (UNDECIDED, NO_RESULT) if drawn.unseen and len(model.rows.table) else (word, "")
    if word == BEYOND:
        return word, ""
    beyond, share = _single(stage.study, model, drawn)
    if beyond:
        every = word == UNKNOWN and len(beyond) == len(drawn.nearest) + len(drawn.unseen)
        return BEYOND if every else SINGLE, listed(beyond, 12)
    if word == UNKNOWN and not isinstance(model, FittedModel):
        return _unfitted(model, drawn)
    if drawn.open:
        return UNDECIDED, f"known only as a limit: {listed(drawn.open, 12)}"
    allowed, several = stage.study.share_percent, isinstance(model, FittedModel)
    if of_floors and several and word == WITHIN and stage.study.scope != "container" and 100 * share > allowed:
        return UNDECIDED, (f"the floors of up to {rounded_up(share):g} % of the containers could lie beyond, and {allowed:g} % "
                           "are allowed")
    return word, ""


def _unfitted(model: AnalyteModel, drawn: Floors) -> tuple[str, str]:
    """The word of floors none of which is shown beyond, where no mean is told; limits in both say none."""
    margin = model.rows.margin
    if not all(margin.low < d < margin.high for d in drawn.nearest.values()):
        return UNDECIDED, ""
    if drawn.unseen:
        return UNDECIDED, f"no result: {listed(drawn.unseen, 12)}"
    return (UNKNOWN, "known only as limits") if drawn.open else (WITHIN, "")


def _single(study: Study, model: AnalyteModel, drawn: Floors) -> tuple[tuple[str, ...], float]:
    """Containers whose own floor is shown beyond the margin, all floors taken into account, and the bound of their share.

    The noise of a heel against its zones is at most that of two zones, where the heel was measured as often. A floor that
    was not seen, or that a limit leaves open, never counts as one within.
    """
    if not drawn.nearest:
        return (), 1.0
    d, edge = np.array(list(drawn.nearest.values())), model.rows.margin.edge
    noise, df = _noise(study, model, drawn)
    shown = shown_beyond(d, edge, noise_se=noise, noise_df=df, alpha=model.alpha)[:, 0] != 0
    seen = np.where([c in drawn.open for c in drawn.nearest], math.inf, d)
    bound = share_upper(np.append(seen, [math.inf] * len(drawn.unseen)), edge, level=1 - model.alpha, noise_df=df,
                        noise_se=None if noise is None else float(noise.max()))
    return tuple(c for c, far in zip(drawn.nearest, shown, strict=True) if far), bound.upper


def _noise(study: Study, model: AnalyteModel, drawn: Floors) -> tuple[NDArray[np.float64] | None, float]:
    """Standard error of each floor's difference from determinations alone, and its degrees of freedom; None: not known.

    Of a fitted analyte as of two zones; of another from the stated precision at the level of the heel, taken as twice.
    """
    if isinstance(model, FittedModel):
        measured, (se, df, _) = model.rows.measured, noise_of(study, model)
        per_zone = len(measured) / max(1, measured.groupby(["container", "depth"], observed=True).ngroups)
        fewer = np.maximum(per_zone / np.array([drawn.results[c] for c in drawn.nearest]), 1)
        return None if se is None else se * np.sqrt((1 + fewer) / 2), df
    stated = [(level, precision_at(study, model.analyte, level)) for level in drawn.levels.values() if level > 0]
    if len(stated) < len(drawn.nearest) or any(p is None for _, p in stated):
        return None, math.inf
    return np.array([math.sqrt(2) * p.s_r / (level if model.rows.log else 1.0) for level, p in stated if p]), math.inf


def of_one(stage: OpenStage, model: AnalyteModel, results: pd.DataFrame, kinds: tuple[str, ...] = HEEL, *,
           turned: bool = False) -> tuple[str, float, float, float, str] | None:
    """Word, estimate, limits and unit of the floor of a single container by its stated precision; None without one.

    ``turned``: the zones against the sample, not the sample against the zones.
    """
    judged = single_results(stage.study, [model]).get(model.analyte)
    own = stage.samples["container"].isin(model.rows.table["container"])  # others' heels say nothing of this one
    heels = stage.samples.loc[stage.samples["kind"].isin(kinds) & own, "sample"]
    mine = results[(results["analyte"] == model.analyte) & results["sample"].isin(heels)]
    if not isinstance(judged, SingleResult) or mine.empty or (mine["qualifier"] != "").any():
        return None
    margin, zones = judged.comparison.margin, model.rows.measured
    estimate = (-1 if turned else 1) * _far(margin, float(mine["value"].mean()), float(np.mean(judged.means)))
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
    for m in (m for m in models if stage.study.decides(m.analyte)):
        drawn = floors(stage, m, results)
        rows += [(c, m.analyte, stage.study.label_of(m.analyte), FLOOR, m.rows.margin.shown(drawn.nearest[c]), m.shown_unit)
                 for c in _single(stage.study, m, drawn)[0]]
    zones = treat(stage.study, models)
    return pd.concat([zones, pd.DataFrame(rows, columns=zones.columns)], ignore_index=True) if rows else zones
