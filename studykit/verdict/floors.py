"""What lies on the floor, and in the whole: heels and stirred rests of containers, each against the zones of its own.

A heel that was lost, excluded or could not be held against any zone leaves its container unseen; where heel or zones are
known only as a limit, it lies at least as far off as the nearest pair of values that they may stand for. That needs no
fitted model: water on the floor under zones that all read "<50" is seen. A one-sided margin counts here on both sides: what
lies on the floor is missing above it, and the mixed container of the zones does not hold it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from studykit.inference.bounded import Linear, largest
from studykit.inference.equivalence import Contrast, Margin
from studykit.inference.share import LEAST, share_upper, shown_beyond
from studykit.inference.single import SingleResult
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel
from studykit.model.stated import precision_at, single_results
from studykit.model.tables import usable
from studykit.quality.flags import listed
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.containers import READ, SHOWN, noise_of, place, rounded_up, treat
from studykit.verdict.estimands import zones_of

WITHIN, BEYOND, UNDECIDED, UNKNOWN = "within the margin", "beyond the margin", "cannot tell", "nothing is known"
SINGLE, MOST = "beyond the margin in single containers", "beyond the margin in most containers"
FLOOR, OF_WHOLE = "floor - zones", "zones - whole container"
"""The pairs of a container that is shown beyond on its floor, or by what was stirred after the draws."""
HEEL, REST = ("heel",), ("composite",)
"""Kinds of samples that speak of the floor, and of what a container holds in all."""
NO_RESULT, NO_REST = "no draw at the floor has a result", "nothing that was stirred after the draws has a result"
OPEN = "too few, or they scatter too much"
Span = tuple[float, float]
Reading = tuple[str, float, float]
"""Sign, value and limit of one result; NaN where there is none."""
Told = tuple[str, float, float, float, str]
"""Word, estimate, low, high and unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """The floors that heel draws were planned for, by container (or the rests that were stirred).

    ``nearest``: heel minus zones on the scale of the margin, of limits the nearest that it may be; ``spans``: between which
    values it lies, of numbers twice the same; ``results``: how many stand in it; ``levels``: the heel in the analyte's unit,
    a limit as it stands; ``open``: known only within bounds that may lie beyond the margin; ``unseen``: no usable result.
    """

    nearest: dict[str, float]
    spans: dict[str, Span]
    results: dict[str, int]
    levels: dict[str, float]
    open: tuple[str, ...]
    unseen: tuple[str, ...]


Drawn = Mapping[tuple[str, tuple[str, ...]], Floors]
"""``Floors`` by analyte and kinds of samples."""


def each(stage: OpenStage, models: list[AnalyteModel], results: pd.DataFrame | None = None) -> Drawn:
    """Floors and stirred rests of every analyte, by its key and the kinds of samples, for all that ask of them.

    ``results``: other ones than those that no person excluded.
    """
    results, out = usable(stage) if results is None else results, dict[tuple[str, tuple[str, ...]], Floors]()
    for m in models:
        zones = _zones(stage, m)
        out |= {(m.analyte, kinds): floors(stage, m, results, kinds, zones) for kinds in (HEEL, REST)}
    return out


def floors(stage: OpenStage, model: AnalyteModel, results: pd.DataFrame, kinds: tuple[str, ...] = HEEL,
           zones: Mapping[str, Span] | None = None) -> Floors:
    """Every floor (or stirred rest), one by one; ``results`` are those that no person excluded.

    The zones are weighted as elsewhere; where one of them was lost, the plain mean of the others stands for them.
    ``zones``: between which values each container's lie, where that is at hand.
    """
    samples, margin = stage.samples, model.rows.margin.both
    stored = set(stage.containers.loc[stage.containers["treatment"] == "stored", "container"])
    drawn = samples[samples["kind"].isin(kinds) & samples["container"].isin(stored)].set_index("sample")["container"]
    mine = results[(results["analyte"] == model.analyte) & results["sample"].isin(drawn.index)]
    by_container = dict[str, list[Reading]]()
    numbers = mine[["value", "limit"]].where(lambda t: t.notna(), math.nan).to_numpy(dtype=float)
    for container, sign, (value, limit) in zip(mine["sample"].map(drawn), mine["qualifier"], numbers.tolist(), strict=True):
        by_container.setdefault(str(container), []).append((str(sign), value, limit))
    zones = _zones(stage, model) if zones is None else zones
    nearest, means = dict[str, float](), dict[str, Span]()
    counts, levels = dict[str, int](), dict[str, float]()
    unsure, unseen = list[str](), list[str]()
    for container in dict.fromkeys(drawn.astype(str)):
        rows, own = by_container.get(container, []), zones.get(container)
        spans = [] if own is None else [_apart(margin, value, own) for value in _values(rows)]
        if not spans or any(math.isnan(low) or math.isnan(high) for low, high in spans):
            unseen.append(container)
            continue
        nearest[container] = max((_nearest(*span) for span in spans), key=abs)
        means[container] = (min(low for low, _ in spans), max(high for _, high in spans))
        counts[container] = max(sum(sign == "" for sign, *_ in rows), 1)
        levels[container] = _mean(limit if math.isnan(value) else value for _, value, limit in rows)
        if any(low < high and (low <= margin.low or high >= margin.high) for low, high in spans):
            unsure.append(container)
    return Floors(nearest=nearest, spans=means, results=counts, levels=levels, open=tuple(unsure), unseen=tuple(unseen))


def _values(rows: list[Reading]) -> list[Span]:
    """Between which values each result lies: the mean of those that are numbers, and every limit."""
    numbers = [value for sign, value, _ in rows if sign == ""]
    return [(_mean(numbers),) * 2] * bool(numbers) + [_bounds(sign, limit) for sign, _, limit in rows if sign != ""]


def _mean(values: Iterable[float]) -> float:
    """Mean of the values that are numbers; NaN where none is."""
    known = [v for v in values if not math.isnan(v)]
    return float(np.mean(known)) if known else math.nan


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


def on_average(model: AnalyteModel, drawn: Floors, *, turned: bool = False) -> Told | None:
    """Word, estimate (none), limits and unit of the mean over containers, wherever values lie that are limits.

    Both limits are those of the 1 - 2 alpha interval at their worst over all fillings; infinite where one has no end. A
    value without an end enters the other limit at the end that it has. None where all are numbers or fewer than two.
    ``turned``: the zones against the sample.
    """
    spans = [(-high, -low) if turned else (low, high) for low, high in drawn.spans.values()]
    if len(spans) < 2 or all(low == high for low, high in spans):
        return None
    least, most = (np.array(ends, dtype=float) for ends in zip(*spans, strict=True))
    low, high = -_upper(-most, -least, model.alpha), _upper(least, most, model.alpha)
    margin = model.rows.margin.both
    word = WITHIN if margin.low < low and high < margin.high else (
        BEYOND if low >= margin.high or high <= margin.low else UNDECIDED)
    return word, math.nan, margin.shown(low), margin.shown(high), model.shown_unit


def _upper(least: NDArray[np.float64], most: NDArray[np.float64], alpha: float) -> float:
    """Upper limit of the mean of values between two ends, at its largest over all fillings."""
    if np.isinf(most).any():
        return math.inf
    n, least = len(most), np.where(np.isinf(least), most, least)
    form = (np.eye(n) - np.full((n, n), 1 / n)) / (n * (n - 1))
    box = Linear(weights=np.full(n, 1 / n), form=form, df=float(n - 1), unit=1 / n, low=least, high=most)
    return largest(box, float(special.stdtrit(n - 1, 1 - alpha))).bound


def word_of(stage: OpenStage, model: AnalyteModel, word: str, drawn: Floors, *, of_floors: bool = True,
            share_asked: bool = True) -> tuple[str, str]:
    """The word of the floor (or the whole), that on average given, with every single one seen to, and why.

    ``share_asked``: whether the share of containers that may lie beyond must be at most the declared one.
    """
    if not drawn.nearest:
        none = NO_RESULT if of_floors else NO_REST
        return (UNDECIDED, none) if drawn.unseen and len(model.rows.table) else (word, "")
    shown, read, share = _single(stage.study, model, drawn)
    beyond = (*shown, *read)
    many, planned = len(beyond), len(drawn.nearest) + len(drawn.unseen)
    if word == BEYOND:
        return word, ""
    if many == planned and word != WITHIN and planned > 1:
        return BEYOND, f"in all {planned} containers"
    if 2 * many > planned > 1:
        return MOST, f"{many} of {planned}: {listed(beyond, 12)}"
    if beyond:
        return (BEYOND if word == UNKNOWN and many == planned else SINGLE), listed(beyond, 12)
    if word == UNKNOWN and not isinstance(model, FittedModel):
        return _unfitted(model, drawn)
    if drawn.open:
        return UNDECIDED, f"known only as a limit: {listed(drawn.open, 12)}"
    allowed, several = stage.study.share_percent, isinstance(model, FittedModel)
    if several and share_asked and word == WITHIN and stage.study.scope != "container" and 100 * share > allowed:
        whose = "the floors of" if of_floors else "by what was stirred after the draws"
        return UNDECIDED, (f"{whose} up to {rounded_up(share):g} % of the containers could lie beyond, and {allowed:g} % "
                           "are allowed")
    if not of_floors and word == UNDECIDED:
        return word, f"no result: {listed(drawn.unseen, 12)}" if drawn.unseen else OPEN if share_asked else ""
    return word, ""


def _unfitted(model: AnalyteModel, drawn: Floors) -> tuple[str, str]:
    """The word of floors none of which is shown beyond, where no mean is told; limits in both say none."""
    margin = model.rows.margin.both
    if not all(margin.low < d < margin.high for d in drawn.nearest.values()):
        return UNDECIDED, ""
    if drawn.unseen:
        return UNDECIDED, f"no result: {listed(drawn.unseen, 12)}"
    return (UNKNOWN, "known only as limits") if drawn.open else (WITHIN, "")


def _single(study: Study, model: AnalyteModel, drawn: Floors) -> tuple[tuple[str, ...], tuple[str, ...], float]:
    """Containers whose own floor is shown beyond the margin, all floors taken into account, those beyond by their readings
    alone, because too few floors are numbers to tell the noise, and the bound of their share.

    The noise of a heel against its zones is at most that of two zones, where the heel was measured as often. A floor that
    was not seen, or that a limit leaves open, never counts as one within.
    """
    if not drawn.nearest:
        return (), (), 1.0
    d, edge = np.array(list(drawn.nearest.values())), model.rows.margin.edge
    noise, df = _noise(study, model, drawn)
    exact = np.array([low == high for low, high in drawn.spans.values()])
    clear = np.where(exact, d, np.nan)[:, None]
    shown = shown_beyond(d, edge, noise_se=noise, noise_df=df, alpha=model.alpha, clear=clear)[:, 0]
    few = noise is None and not exact.all() and exact.sum() < max(LEAST, len(d) / 2)
    read = (shown == 0) & model.rows.margin.passed(d) & few
    farthest = [max(drawn.spans[c], key=abs) for c in drawn.nearest]
    seen = np.where([c in drawn.open for c in drawn.nearest], math.inf, farthest)
    bound = share_upper(np.append(seen, [math.inf] * len(drawn.unseen)), edge, level=1 - model.alpha, noise_df=df,
                        noise_se=None if noise is None else float(noise.max()))
    names = np.array(list(drawn.nearest), dtype=object)
    return tuple(names[shown != 0]), tuple(names[read]), bound.upper


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


def beyond(stage: OpenStage, models: list[AnalyteModel], drawn_of: Drawn | None = None) -> pd.DataFrame:
    """Containers shown to lie beyond the margin: by their zones (``containers.treat``), on the floor, by the stirred rest.

    ``drawn_of``: ``each``, where it is at hand.
    """
    rows, drawn_of = [], each(stage, models) if drawn_of is None else drawn_of
    for m in (m for m in models if stage.study.decides(m.analyte)):
        for kinds, pair, sign in ((HEEL, FLOOR, 1), (REST, OF_WHOLE, -1)):
            drawn = drawn_of[m.analyte, kinds]
            shown, read, _ = _single(stage.study, m, drawn)
            rows += [(c, m.analyte, stage.study.label_of(m.analyte), pair, m.rows.margin.shown(sign * drawn.nearest[c]),
                      m.shown_unit, m.rows.margin.both.text, READ if c in read else SHOWN) for c in (*shown, *read)]
    zones = treat(stage.study, models)
    return pd.concat([zones, pd.DataFrame(rows, columns=zones.columns)], ignore_index=True) if rows else zones
