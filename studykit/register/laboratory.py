"""What the controls of one study or of several say of a laboratory: own scatter of measuring, drawing, runs, and over studies.

Nested effects, as ISO 5725-3 and the general trade have them, each analyte by itself, on the scale of its margin:

    check fluid           y = m + study + run in study + e     (e: measuring)
    repeats of the stock  y = zone + bottle in zone + e        (bottle: drawing; zone: container, depth, run)

fitted by the kit's REML (``mixed``), which for balanced sets gives the mean squares of the standard and for unbalanced
ones about as much (tested against ISO 5725-2:1994, Annex B). Limits come from the profile of the restricted likelihood,
each end at 95 %. A component of few levels is hardly known, and its upper limit says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, single
from studykit.core.listing import places_of
from studykit.core.units import parse_unit
from studykit.inference import Margin
from studykit.mixed import RemlFit, fit_reml
from studykit.quality.rules import broken
from studykit.register.fluid import rows_of, should_read
from studykit.study.columns import ZONE_KINDS

if TYPE_CHECKING:
    from studykit.front import OpenStudy

COMPONENTS = ["analyte", "component", "from", "sd", "low", "high", "unit", "levels", "readings"]
READINGS = ["analyte", "study", "run", "run_order", "sample", "value", "unit", "centre", "reference", "uncertainty", "given_by",
            "departure", "departure_unit", "line", "spread", "rules_broken"]
BUDGET = ["analyte", "of", "measuring", "drawing", "runs", "studies", "u", "U", "unit"]
BIAS = ["analyte", "readings", "mean_departure", "low", "high", "unit"]
LEVEL = 0.95
FEWEST = 3
"""Readings from which a component is estimated."""
MEASURING, DRAWING, RUNS, STUDIES = "measuring", "drawing", "between runs", "between studies"
BOTH, WITH_RUNS = "drawing and measuring together", "runs and measuring together"


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What the controls say: ``components`` (COMPONENTS), ``readings`` of the check fluid (READINGS), an uncertainty
    ``budget`` (BUDGET), ``bias`` against reference values (BIAS), and ``notes`` on what was left out or taken for granted.

    Standard deviations are per cent of the level where the analyte's margin is, else in its unit.
    """

    components: pd.DataFrame
    readings: pd.DataFrame
    budget: pd.DataFrame
    bias: pd.DataFrame
    notes: tuple[str, ...]
    names: dict[str, str]

    def sd(self, analyte: str, *components: str) -> float:
        """Standard deviation of the first of these components that is known of an analyte; NaN where none is."""
        for component in components:
            own = self.components[(self.components["analyte"] == analyte) & (self.components["component"] == component)]
            if len(own):
                return float(own["sd"].iloc[0])
        return float("nan")


def record(studies: Sequence[OpenStudy]) -> Record:
    """The record of controls of studies in their order; BadInput where none holds a check fluid or repeats."""
    roots = [s.root.resolve() for s in studies]
    if len(set(roots)) < len(roots):
        raise single(str(next(r for r in roots if roots.count(r) > 1)), "is named twice", "name each study once")
    parts, readings, bias, notes = list[tuple[object, ...]](), list[pd.DataFrame](), list[tuple[object, ...]](), list[str]()
    names, same = dict[str, str](), list[str]()
    for analyte in dict.fromkeys(a for s in studies for a in s.analytes):
        own = [s for s in studies if analyte in s.analytes]
        margin, unit = _scale(own[-1], analyte)
        names[analyte] = own[-1].study.label_of(analyte)
        if other := [s.root.name for s in own if parse_unit(s.study.analytes[analyte].unit) != parse_unit(unit)]:
            notes.append(f"{names[analyte]}: in another unit in {', '.join(other)}; left out there.")
            own = [s for s in own if s.root.name not in other]
        fluid, alike = _fluid(own, analyte, margin)
        same += [names[analyte]] if alike else []
        shown = "%" if margin.log else unit
        rows = (*_of_fluid(fluid, margin), *_of_repeats(own, analyte, margin))
        parts += [(analyte, *row[:-2], shown, *row[-2:]) for row in rows]
        if len(fluid):
            readings.append(_charted(fluid, margin).assign(analyte=analyte, unit=unit, departure_unit=shown))
            bias += [(analyte, *row, shown) for row in _bias(fluid, margin)]
    if same:
        notes.append("Limits of the check fluid are not given in every study, so it is taken to be the same fluid in all: "
                     f"{', '.join(same)}.")
    if not parts:
        raise single("raw/", "no study holds a check fluid read three times, bottles read twice or zones drawn twice",
                     "a record of controls needs controls: docs/04-quality.md")
    found = pd.DataFrame(parts, columns=COMPONENTS)
    table = pd.concat(readings, ignore_index=True)[READINGS] if readings else pd.DataFrame(columns=READINGS)
    return Record(components=found, readings=table, bias=pd.DataFrame(bias, columns=BIAS), notes=tuple(notes), names=names,
                  budget=pd.DataFrame(_budget(found), columns=BUDGET))


def _scale(study: OpenStudy, analyte: str) -> tuple[Margin, str]:
    declared = study.study.analytes[analyte]
    return Margin.declared(declared.margin, declared.unit), declared.unit


# -- readings ----------------------------------------------------------------------------------------------------


def _fluid(studies: Sequence[OpenStudy], analyte: str, margin: Margin) -> tuple[pd.DataFrame, bool]:
    """Readings of the check fluid, with ``d``: y less what the fluid should read where all studies say it.

    Second: whether several studies had to be taken to have the same fluid.
    """
    tables, centres = [], []
    for s in studies:
        own = rows_of(s, analyte, margin)
        own = own[own["kind"] == "check fluid"]
        if len(own):
            should = should_read(s, analyte)
            centres.append(should["centre"])
            tables.append(own.assign(**should))
    if not tables:
        return pd.DataFrame(columns=["study", "at", "y", "d"]), False
    table = pd.concat(tables, ignore_index=True)
    known = bool(np.isfinite(centres).all()) and not (margin.log and min(centres) <= 0)
    if not known:
        table["centre"], table["certain"] = np.nan, False  # references stay: what was given is not forgotten
    d = table["y"] - margin.to_scale(table["centre"]) if known else table["y"] - table["y"].mean()
    return table.assign(d=d), not known and len(tables) > 1


def _charted(fluid: pd.DataFrame, margin: Margin) -> pd.DataFrame:
    """The readings in their order, how far each is from the line they are held against, and which general rules it breaks.

    Where each study gives a value with its uncertainty that is the line, and readings scatter (spread) as they do about the
    mean of their own study: a step that lasts neither moves the line nor widens the limits. Else the mean of all is the line.
    """
    t = fluid.assign(sequence=pd.factorize(fluid["study"])[0], place=fluid["run"].map(places_of(fluid["run"]))).sort_values(
        ["sequence", "place", "run_order", "replicate"], kind="stable").drop(columns="place").reset_index(drop=True)
    d, given = t["d"], bool(t["certain"].all())
    line = 0.0 if given else float(d.mean())
    about, lost = (d.groupby(t["study"]).transform("mean"), t["study"].nunique()) if given else (d.mean(), 1)
    s = float(np.sqrt(((d - about) ** 2).sum() / (len(t) - lost))) if len(t) > lost else 0.0
    u = t["uncertainty"] / (t["centre"] if margin.log else 1.0) if given else pd.Series(0.0, t.index)
    rules: list[list[str]] = [[] for _ in range(len(t))]
    if s > 0:
        for rule, at in broken(t["at"].to_numpy(object), (d - line).to_numpy(float), s, float(u.max())):
            for k in np.flatnonzero(at):
                rules[k].append(rule)
    return t.assign(departure=[margin.shown(float(x)) for x in d], line=margin.shown(line),
                    spread=margin.shown_sd(float(np.hypot(s, u.max()))), rules_broken=list(map(", ".join, rules)))


# -- components --------------------------------------------------------------------------------------------------


Part = tuple[str, float, float, float, int]


def components_of(table: pd.DataFrame, nested: Sequence[tuple[str, str]], rest: str) -> Iterator[Part]:
    """Components of ``y``: name, standard deviation, low, high, levels; those with one level, or no repeats, are left out.

    ``nested``: columns with the name of what scatters between their levels, the outermost first; ``rest``: of the residual.
    """
    used = [(c, name) for c, name in nested if 1 < table[c].nunique() < len(table)]
    if len(table) < FEWEST or table["y"].nunique() < 2:
        return
    try:
        fitted = fit_reml(table, "y", random=tuple(c for c, _ in used))
    except BadInput:
        return
    for column, name in (*used, ("residual", rest)):
        low, high = limits_of(fitted, column)
        levels = len(table) if column == "residual" else int(table[column].nunique())
        yield name, float(np.sqrt(fitted.variances[column])), low, high, levels


def limits_of(fitted: RemlFit, component: str) -> tuple[float, float]:
    """Limits of a standard deviation, each at 95 % one-sided."""
    return (float(np.sqrt(fitted.profile_lower(component, LEVEL))), float(np.sqrt(fitted.profile_upper(component, LEVEL))))


def _of_fluid(fluid: pd.DataFrame, margin: Margin) -> Iterator[tuple[object, ...]]:
    if len(fluid) < FEWEST:
        return
    table, once = fluid.assign(y=fluid["d"]), not fluid["at"].duplicated().any()
    nested = [("study", STUDIES), *([] if once else [("at", RUNS)])]
    for name, sd, low, high, levels in components_of(table, nested, WITH_RUNS if once else MEASURING):
        yield (name, "check fluid", *map(margin.shown_sd, (sd, low, high)), levels, len(table))


def _of_repeats(studies: Sequence[OpenStudy], analyte: str, margin: Margin) -> Iterator[tuple[object, ...]]:
    """Drawing and measuring from zones drawn twice and bottles read twice, within one run."""
    parts = []
    for s in studies:
        own = rows_of(s, analyte, margin)
        own = own[own["kind"].isin(ZONE_KINDS) & (own["container"] != "")]
        parts.append(own.assign(zone=own["at"] + "\t" + own["container"] + "\t" + own["depth"],
                                bottle=own["at"] + "\t" + own["sample"]))
    t = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["zone", "bottle"])
    t = t[t["zone"].duplicated(keep=False)]
    if len(t) < 2 * FEWEST:
        return
    drawn, read = bool((t.groupby("zone")["bottle"].nunique() > 1).any()), bool(t["bottle"].duplicated().any())
    nested = [("zone", "")] + ([("bottle", DRAWING)] if drawn and read else [])
    rest = MEASURING if read else BOTH
    for name, sd, low, high, levels in components_of(t, nested, rest):
        if name:
            yield (name, "repeats of the stock", *map(margin.shown_sd, (sd, low, high)), levels, len(t))


# -- what follows ------------------------------------------------------------------------------------------------


def _bias(fluid: pd.DataFrame, margin: Margin) -> Iterator[tuple[object, ...]]:
    """The mean departure from the reference values with its 95 % interval; nothing where a reference value is missing."""
    if not bool(fluid["certain"].all()) or len(fluid) < FEWEST or fluid["d"].nunique() < 2:
        return
    terms = tuple(c for c in ("study", "at") if 1 < fluid[c].nunique() < len(fluid))
    fitted = fit_reml(fluid.assign(y=fluid["d"]), "y", random=terms)
    span = fitted.interval([1.0], LEVEL)
    yield (len(fluid), margin.shown(float(fitted.beta[0])), margin.shown(span.low), margin.shown(span.high))  # type: ignore[union-attr]


def _budget(found: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """Combined standard uncertainty of one result, and of a difference of two depths of one run, by component; U = 2 u.

    What is known together only stands in one column: drawing with measuring under drawing, runs with measuring under runs.
    """
    for analyte, own in found.groupby("analyte", sort=False):
        sd = own.sort_values("from", ascending=False, kind="stable").drop_duplicates("component").set_index("component")["sd"]
        measuring, runs, studies = (float(sd.get(c, np.nan)) for c in (MEASURING, RUNS, STUDIES))
        drawing = _less(sd, DRAWING, BOTH, measuring)
        if not np.isfinite(runs) and np.isfinite(drawing + sd.get(WITH_RUNS, np.nan)) and not np.isfinite(measuring):
            measuring = np.nan  # in drawing already: runs without it are not known
        else:
            runs = _less(sd, RUNS, WITH_RUNS, measuring)
        pair = (np.sqrt(2) * measuring, np.sqrt(2) * drawing, np.nan, np.nan)
        for of, parts in (("one result of one bottle", (measuring, drawing, runs, studies)),
                          ("difference of two depths in one run", pair)):
            if np.isfinite(parts[:2]).any():
                u = float(np.sqrt(np.nansum(np.square(parts))))
                yield (analyte, of, *map(float, parts), u, 2 * u, own["unit"].iloc[0])


def _less(sd: pd.Series, alone: str, together: str, measuring: float) -> float:
    """A component by itself, else what is left of it and measuring together without measuring (all of it if not known)."""
    if alone in sd:
        return float(sd[alone])
    return float(np.sqrt(max(0.0, sd[together] ** 2 - np.nan_to_num(measuring) ** 2))) if together in sd else float("nan")


__all__ = ["BIAS", "BUDGET", "COMPONENTS", "READINGS", "Record", "components_of", "limits_of", "record"]
