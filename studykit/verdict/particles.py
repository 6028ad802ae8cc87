"""What the intervals of a study rule out about particle size, for every analyte with a declared density.

The bound comes from whole-container samples where two or more stored containers have one (each zone
against its own container's whole, Student's t over the containers), else from the departures of the
zones from their mean.  The first speaks also about sizes that have left every zone; the second cannot.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.inference.equivalence import Interval, container_summary
from studykit.inference.margin import per_cent
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel, fitted
from studykit.model.tables import usable
from studykit.physics.bounds import Bound, Reference, RuledOut
from studykit.physics.figures import bounds_against_size
from studykit.physics.forecast import what_is_ruled_out
from studykit.physics.inputs import liquid_in
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.estimands import WHOLE, reference_values
from studykit.verdict.rule import StudyVerdict

LADDER_UM = (0.1, 0.3, 1.0, 3.0, 10.0)
COLUMNS = ["analyte", "verdict", "compared with", "poor end by at most, %", "rich end by at most, %",
           "particles above, µm", "at most, % of the analyte", "in words"]
AGAINST = {"whole": "the whole container", "zones": "the mean of the zones"}


def bounds(stage: OpenStage, models: list[AnalyteModel]) -> tuple[Bound, ...]:
    """Upper bounds in % of depletion at the poor end and of enrichment at the rich end, for fitted analytes.

    Up to two an analyte: against the whole container where there are such samples, and against the mean of
    the zones.  The poor end is the top, or the bottom for a component lighter than the fluid.  Each pair of
    bounds holds with 1 - alpha.
    """
    light, out = _rising(stage), []
    for m in fitted(models):
        found: tuple[tuple[Reference, tuple[Interval, Interval] | None], ...] = (
            ("whole", _against_whole(stage, m)), ("zones", _against_zones(m)))
        for reference, spans in found:
            if spans is not None:
                poor, rich = spans[::-1] if m.analyte in light else spans
                out.append(Bound(analyte=m.analyte, top_depletion_percent=min(max(-poor.low, 0.0), 100.0),
                                 bottom_excess_percent=max(rich.high, 0.0), reference=reference))
    return tuple(out)


def _rising(stage: OpenStage) -> set[str]:
    """Analytes whose component is lighter than the fluid in the store."""
    liquid, fluid = liquid_in(stage.study), stage.study.fluid
    if liquid is None or fluid is None:
        return set()
    rho = float(liquid.density(fluid.storage_temperature_c))
    return {c.analyte for c in stage.study.components if c.analyte and c.density_kg_m3 < rho}


def _against_zones(model: FittedModel) -> tuple[Interval, Interval] | None:
    """Top and bottom against the mean of the zones, in %; None where a zone has no number, or it is not above zero."""
    found = model.departures
    if found.unjudged or model.only_limits:
        return None
    first, *_, last = found.simultaneous()
    if model.rows.log:
        return model.rows.margin.shown_interval(first), model.rows.margin.shown_interval(last)
    mean = float(np.mean([model.rows.margin.to_level(m) for m in model.mean_values]))
    if mean <= 0:
        return None
    top, bottom = (Interval(low=100 * s.low / mean, high=100 * s.high / mean, level=s.level) for s in (first, last))
    return top, bottom


def _percent(span: Interval) -> Interval:
    return Interval(low=per_cent(span.low), high=per_cent(span.high), level=span.level)


def _with_whole(stage: OpenStage, model: AnalyteModel) -> tuple[pd.DataFrame, pd.Series]:
    """Top and bottom of the containers that have both and a whole-container sample, and that sample's value."""
    whole = reference_values(usable(stage), stage.samples, model.analyte, WHOLE)
    cells = model.rows.measured.groupby(["container", "depth"], observed=True)["value"].mean().unstack()
    both = cells.reindex(columns=[model.rows.depths[0], model.rows.depths[-1]]).dropna()
    both = both[both.index.isin(whole.index)]
    return both, whole.reindex(both.index)


def _against_whole(stage: OpenStage, model: AnalyteModel) -> tuple[Interval, Interval] | None:
    """Top and bottom against the whole of their own container, in %; None without such samples in two containers."""
    both, mixed = _with_whole(stage, model)
    if len(both) < 2 or (both <= 0).any(axis=None) or (mixed <= 0).any():
        return None
    logs = np.log(both.to_numpy(float) / mixed.to_numpy(float)[:, None])
    if (np.ptp(logs, axis=0) == 0).any():
        return None
    ends = [container_summary(logs[:, k], str(d), "log", "%").interval(1 - model.alpha)
            for k, d in enumerate(both.columns)]
    return _percent(ends[0]), _percent(ends[1])


def ruled_out(stage: OpenStage, models: list[AnalyteModel]) -> tuple[RuledOut, ...]:
    """Largest share by size for every bound of an analyte with a declared density; empty without [fluid].

    What each size would have done is averaged over the containers that the bound rests on.
    """
    if liquid_in(stage.study) is None:
        return ()
    dense = {c.analyte for c in stage.study.components}
    by_name = {m.analyte: m for m in models if m.analyte in dense}
    out: list[RuledOut] = []
    for b in bounds(stage, [*by_name.values()]):
        m = by_name[b.analyte]
        codes = _with_whole(stage, m)[0].index if b.reference == "whole" else m.rows.measured["container"].unique()
        own = stage.containers[stage.containers["container"].isin(codes)]
        out += what_is_ruled_out(stage.study, own, [b])
    return tuple(out)


def to_draw(found: tuple[RuledOut, ...]) -> tuple[RuledOut, ...]:
    """One of each analyte for the figure: against the whole container where there is such a bound."""
    first = {r.bound.analyte: r for r in reversed(found)}
    return tuple(first[a] for a in dict.fromkeys(r.bound.analyte for r in found))


def table_of(found: tuple[RuledOut, ...], outcome: StudyVerdict) -> pd.DataFrame:
    """A ladder of sizes for each analyte; the sentence stands in the first row."""
    rows, words = [], outcome.words()
    for r in found:
        b = r.bound
        for size in LADDER_UM:
            rows.append((b.analyte, words[b.analyte], AGAINST[b.reference], b.top_depletion_percent,
                         b.bottom_excess_percent, size, 100 * r.share_above(size * 1e-6),
                         r.sentence() if size == LADDER_UM[0] else ""))
    return pd.DataFrame(rows, columns=COLUMNS)


def shown(table: pd.DataFrame) -> pd.DataFrame:
    """One line a bound: what was compared, how poor and rich the ends can be, the largest share above each size."""
    if table.empty:
        return table
    rows: list[dict[str, object]] = []
    for (analyte, reference), part in table.groupby(["analyte", "compared with"], sort=False):
        first = part.iloc[0]
        row: dict[str, object] = {"analyte": analyte, "verdict": first["verdict"], "compared with": reference}
        row |= {c: first[c] for c in ("poor end by at most, %", "rich end by at most, %")}
        rows.append(row | {f"above {size:g} µm, %": share for size, share in
                           zip(part["particles above, µm"], part["at most, % of the analyte"], strict=True)})
    return pd.DataFrame(rows)


def told(stage: OpenStage, found: tuple[RuledOut, ...], models: list[AnalyteModel]) -> str:
    """A sentence an analyte, what is missing for the others, and the caution."""
    name = stage.study.label_of
    lines = [f"- Compared with {AGAINST[r.bound.reference]}, {r.sentence(name(r.bound.analyte))}" for r in found]
    seen = {r.bound.analyte for r in found}
    dense = {c.analyte for c in stage.study.components}
    unfitted = [m.analyte for m in models if m.path != "mixed model"]
    bare = [m.analyte for m in models if m.analyte not in seen | dense | set(unfitted)]
    if liquid_in(stage.study) is None:
        return ("Nothing is ruled out here: [fluid] is missing in study.toml (density and viscosity)."
                if stage.study.fluid is None else "Nothing is ruled out here: [fluid] has one viscosity only.")
    if bare:
        lines.append(f"- Not asked, since no entry of [[components]] gives a density for them: {', '.join(map(name, bare))}.")
    if unfitted:
        lines.append("- Not asked, since no depths could be compared over several containers: "
                     f"{', '.join(map(name, unfitted))}.")
    return "\n".join(lines)


def curves(found: tuple[RuledOut, ...]) -> pd.DataFrame:
    """Every size of the grid for each bound, as the figures draw them."""
    parts = [r.to_table().assign(analyte=r.bound.analyte, compared=AGAINST[r.bound.reference]) for r in found]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["analyte", "compared", "diameter_um"])


def figure(study: Study, found: tuple[RuledOut, ...]) -> Figure | None:
    """Largest share against size, a panel an analyte; None where there is no bound."""
    drawn = [(study.label_of(r.bound.analyte), r.to_table()) for r in to_draw(found)]
    return bounds_against_size(drawn) if drawn else None


def alt(study: Study, found: tuple[RuledOut, ...]) -> str:
    """The figure in words, for those who cannot see it."""
    told = " ".join(r.sentence(study.label_of(r.bound.analyte)) for r in to_draw(found))
    return ("Largest share against diameter from 1 nm to 100 µm, with the usual sizes of molecules, micelles, droplets, "
            f"pigments, wear debris and water below. {told}")
