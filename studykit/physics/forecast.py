"""The physics of one study: could its components settle, and what do its verdicts rule out.

Joins ``study.toml`` ([fluid], [[components]]) and the containers with the settling estimate.
What is missing is said, and a general chart stands in.  Every text carries the caution: an
estimate for spheres in a still Newtonian liquid, which supports sampling and does not replace it.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.core.memory import remembered
from studykit.physics.bounds import (
    DAYS_PER_MONTH,
    GRID_M,
    STILL,
    Bound,
    RuledOut,
    days_to_cross,
    diameter_text,
    kelvin_text,
    ruled_out,
    settling_chart,
    standing_days,
    undoing_difference_k,
    zone_response,
)
from studykit.physics.column import ZoneOf, expected_column
from studykit.physics.inputs import (
    CLASSES,
    area_in,
    area_of,
    component_of,
    drawn_zones,
    liquid_of,
    mass_fraction,
    one_viscosity,
    situations,
    temperatures,
)
from studykit.physics.velocity import held_by_yield_stress, sedimentation_length
from studykit.physics.viscosity import Floats, Liquid
from studykit.study.definition import ComponentSettings, FluidSettings, Study
from studykit.vessels import Shape

CAUTIONS = (
    "This is an estimate for smooth spheres in a still Newtonian liquid in an upright vessel. Clumping "
    "(flocculation), gelling, stirring by day-night warming, and water taken up in storage can break it.",
    "A warmer store settles faster: the liquid is thinner there, so years in a cold store say little about a "
    "warm one. A colder one may bring additives or wax out of solution, which this estimate does not see.",
    "It supports sampling and does not replace it.",
)
CHART_MICROMETRES = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
CHART_MPA_S = (1.0, 10.0, 100.0, 1000.0)
# Chosen for the general chart alone: an additive droplet in oil.
CHART_EXCESS_KG_M3 = 100.0
CELLS = 60
LARGEST_RATIO = 1e6
Case = tuple[FluidSettings, Liquid, ComponentSettings, str, str, pd.DataFrame]
"""Fluid, liquid, component, store, vessel, situations there."""
WHOLE = "in an upright vessel, whether its liquid stood still or was gently stirred"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Could it settle: tables, plain sentences, what is missing, cautions.

    ``components``: per component and situation the sedimentation length, days to cross, final
    state, days until the margin is passed.  ``profile``: zones in % of mixed by age.  ``curves``:
    fine profile for drawing.  ``chart``: days to cross by size and viscosity (general).
    """

    components: pd.DataFrame
    profile: pd.DataFrame
    curves: pd.DataFrame
    chart: pd.DataFrame
    sentences: tuple[str, ...]
    missing: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_table(self) -> pd.DataFrame:
        """The table of the declared components; empty where none is declared."""
        return self.components.copy()

    def expected_gradient_percent(self, analyte: str) -> float | None:
        """Guess for the power calculation: lowest zone above the uppermost in %, mean over the situations.

        The component is taken to carry all of the analyte.  None where no component names the
        analyte; 1000 at most (a top that is nearly empty).
        """
        if self.profile.empty:
            return None
        own = self.profile[self.profile["analyte"] == analyte]
        if own.empty:
            return None
        ratio = np.clip(own["bottom_over_top"].fillna(1.0), 1 / 11, 11)
        percent = float(100 * np.expm1(np.average(np.log(ratio), weights=own["containers"])))
        return round(percent, 6) + 0.0  # what is smaller is rounding


def missing_for(study: Study) -> tuple[str, ...]:
    """What study.toml lacks for a settling estimate, one sentence each."""
    out = []
    if study.fluid is None:
        out.append("[fluid] is missing in study.toml: density and the viscosities at 40 and 100 °C")
    elif one_viscosity(study.fluid):
        out.append("[fluid] has one viscosity only: a second (at 100 °C) is needed to know it in the store")
    if not study.components:
        out.append("[[components]] is missing in study.toml: density and size of what might settle")
    return tuple(out)


def could_it_settle(study: Study, containers: pd.DataFrame | None = None,
                    ages_months: Iterable[float] = (12.0, 36.0)) -> Outlook:
    """Could the declared components separate in these containers at these ages; a general chart otherwise.

    BadInput for a fluid that cannot be taken (all faults at once).
    """
    chart = settling_chart(CHART_EXCESS_KG_M3, 0.5, [x * 1e-6 for x in CHART_MICROMETRES],
                           [x * 1e-3 for x in CHART_MPA_S])
    cases = list(_cases(study, containers, ages_months))
    rows = [_component_row(study, *case) for case in cases]
    parts = [p for case in cases for p in _profiles(study, *case)]
    return Outlook(components=pd.DataFrame(rows), profile=_stack([a for a, _ in parts]), curves=_stack([b for _, b in parts]),
                   chart=chart, sentences=tuple(_sentence(r) for r in rows), missing=missing_for(study), cautions=CAUTIONS)


def expected_curves(study: Study, containers: pd.DataFrame | None) -> pd.DataFrame:
    """The fine profiles alone, as ``curves`` of ``could_it_settle``; empty where something is missing."""
    return _stack([b for case in _cases(study, containers, ()) for _, b in _profiles(study, *case)])


def _cases(study: Study, containers: pd.DataFrame | None, ages_months: Iterable[float]) -> Iterator[Case]:
    """Every component in each store and vessel, with the situations of the containers there."""
    if study.fluid is not None and not missing_for(study):
        liquid = liquid_of(study.fluid)
        for (store, vessel), group in situations(study, containers, ages_months).groupby(["store", "vessel"]):
            yield from ((study.fluid, liquid, c, str(store), str(vessel), group) for c in study.components)


def _stack(frames: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _component_row(study: Study, fluid: FluidSettings, liquid: Liquid, c: ComponentSettings, store: str, vessel: str,
                   group: pd.DataFrame) -> dict[str, Any]:
    t = fluid.store_temperature_c.get(store, fluid.storage_temperature_c)
    height = float(np.average(group["height_mm"], weights=group["containers"])) / 1000
    excess = float(c.density_kg_m3 - liquid.density(t))
    d = c.diameter_um * 1e-6
    length = float(sedimentation_length(d, excess, t))
    first, last = _days_to_margin(study, fluid, liquid, c, store, vessel, height, group)
    share = mass_fraction(study, c, liquid)
    return {
        "component": c.name, "analyte": c.analyte, "store": store, "vessel": vessel, "temperature_c": t,
        "way": "sinks" if excess > 0 else "rises", "diameter_um": c.diameter_um,
        "held": bool(held_by_yield_stress(d, excess, liquid.yield_stress_pa)),
        "sedimentation_length_mm": 1000 * length, "liquid_height_mm": 1000 * height,
        "days_to_cross": float(days_to_cross(d, c.density_kg_m3, liquid, height, t, c.volume_fraction)),
        "final_bottom_over_top": _final_ratio(height / length, excess),
        "margin": study.analytes[c.analyte].margin.text("") if c.analyte else "",
        "days_to_margin": first, "days_to_margin_at_most": last,
        "lying": bool(group["lying"].any()),
        "undone_by_k": math.nan if share is None else undoing_difference_k(share, c.density_kg_m3, liquid, t)}


def _days_to_margin(study: Study, fluid: FluidSettings, liquid: Liquid, c: ComponentSettings, store: str, vessel: str,
                    height_m: float, group: pd.DataFrame) -> tuple[float, float]:
    """Fewest and most days until a drawn zone leaves the margin, over the days of filling where the year swings."""
    declared = study.analytes[c.analyte].margin if c.analyte else None
    margin = declared.percent if declared else None
    if declared is None or margin is None:
        return math.nan, math.nan
    below = None if declared.factor is None else 100 - 100 / declared.factor
    if declared.side:  # 1000000 per cent: never reached
        below, margin = (below or margin, 1e6) if declared.side == "below" else (1e6, margin)
    zones, area = drawn_zones(study, vessel, 1000 * height_m), area_of(study, vessel, 1000 * height_m)
    starts = sorted(set(group["start_day"])) if fluid.yearly_swing_c else [1.0]
    few = [starts[i] for i in sorted({0, len(starts) // 3, 2 * len(starts) // 3, len(starts) - 1})]
    days = [standing_days(component_of(c, CLASSES // 3), liquid, height_m, zones, margin,
                          partial(_history, fluid, store, start), area=area, below_percent=below) for start in few]
    return min(days), max(days)


def _history(fluid: FluidSettings, store: str, start: float, days: float) -> float | Floats:
    return temperatures(fluid, store, days, start)


def _final_ratio(peclet: float, excess: float) -> float:
    """Final bottom/top ratio; infinite above a million (0 for what rises), where it says nothing more."""
    ratio = math.inf if peclet > math.log(LARGEST_RATIO) else math.exp(peclet)
    return ratio if excess > 0 else 1 / ratio


def _profiles(study: Study, fluid: FluidSettings, liquid: Liquid, c: ComponentSettings, store: str, vessel: str,
              group: pd.DataFrame) -> list[tuple[pd.DataFrame, pd.DataFrame]]:
    """Zones and fine profile of a component in one store and vessel, for each height and filling day."""
    zones = {h: drawn_zones(study, vessel, h) for h in map(float, group["height_mm"].unique())}
    return _profiles_in(study.vessels.get(vessel), zones, fluid, liquid, c, store, vessel, group)


@remembered
def _profiles_in(shape: Shape | None, zones: Mapping[float, tuple[ZoneOf, ...]], fluid: FluidSettings, liquid: Liquid,
                 c: ComponentSettings, store: str, vessel: str, group: pd.DataFrame) -> list[tuple[pd.DataFrame, pd.DataFrame]]:
    """``_profiles`` in a vessel of this shape; ``zones``: what is drawn there, by liquid height in mm."""
    out = []
    for _, same in group.groupby(["height_mm", "start_day"]):
        ages = same["age_days"].to_numpy(float)
        height_mm, start = float(same["height_mm"].iloc[0]), float(same["start_day"].iloc[0])
        edges = [x for z in zones[height_mm] for x in (z.low, z.high)]
        history = temperatures(fluid, store, float(ages.max()), start)
        p = expected_column(component_of(c), liquid, height_mm / 1000, list(ages), history, heights=edges,
                            cells=CELLS)
        keys: dict[str, Any] = {"component": c.name, "analyte": c.analyte, "store": store, "vessel": vessel,
                                "height_mm": height_mm}
        table = p.zone_table(zones[height_mm], area_in(shape, height_mm))
        table = table.assign(**keys, containers=same["containers"].to_numpy(), mean_temperature_c=p.temperature_c,
                             method="; ".join(sorted(set(p.method))))
        out.append((table, p.to_table().assign(**keys)))
    return out


def _days(days: float) -> str:
    if not math.isfinite(days):
        return "for ever"
    if days < 60:
        return f"{days:.2g} days"
    return f"{days / DAYS_PER_MONTH:.2g} months" if days < 1000 else f"{days / 365.25:,.0f} years"


def _sentence(r: dict[str, Any]) -> str:
    """One component in one store and vessel, in plain words."""
    where = f"{r['component']} in {r['vessel']}" + (f", {r['store']}" if r["store"] else "")
    where += f" at {r['temperature_c']:g} °C: "
    length, height = r["sedimentation_length_mm"], r["liquid_height_mm"]
    if r["held"]:
        return where + "the yield stress holds particles of this size for ever."
    size = diameter_text(r["diameter_um"] * 1e-6)
    verb = "sink" if r["way"] == "sinks" else "rise"
    if length > 10 * height:
        text = (f"thermal motion keeps {size} particles mixed for ever (sedimentation length "
                f"{length / 1000:,.1f} m against {height:.0f} mm of liquid).")
    else:
        text = f"{size} particles {verb} through {height:.0f} mm in {_days(r['days_to_cross'])}"
        place = "floor" if verb == "sink" else "surface"
        if length < 0.1:
            text += f"; in the end they lie {'on the floor' if place == 'floor' else 'at the surface'}."
        elif length < height / 10:
            text += f"; in the end they gather within {length:.2g} mm of the {place}."
        else:
            text += f", and thermal motion leaves a final bottom/top ratio of {r['final_bottom_over_top']:.3g}."
    if math.isfinite(r["days_to_margin"]):
        first, last = _days(r["days_to_margin"]), _days(r["days_to_margin_at_most"])
        text += (f" A drawn zone leaves the margin of {r['margin']} after "
                 f"{first if first == last else f'{first} to {last}'} of standing"
                 f"{'' if first == last else ', depending on the day of filling'}.")
    if length <= 10 * height and r["lying"]:
        text += (" Some of these containers lie: this estimate is for upright walls, and a lying vessel that is nearly full "
                 "clears sooner.")
    if length <= 10 * height and math.isfinite(r["undone_by_k"]):
        text += f" A temperature difference of {kelvin_text(r['undone_by_k'])} inside the container would undo the layers."
    return where + text


def what_is_ruled_out(study: Study, containers: pd.DataFrame | None, bounds: Iterable[Bound],
                      density_kg_m3: float | None = None, ages_months: Iterable[float] = (12.0, 36.0)
                      ) -> tuple[RuledOut, ...]:
    """For each analyte's bound, the largest share of it in particles of each size.

    Density from the component that names the analyte, else ``density_kg_m3``; analytes with
    neither are left out.  Expected zones are averaged over the study's containers, each through its own
    temperature history.  A bound of the zones among themselves is refused where stirring cannot be excluded; any
    bound where a container lay.  BadInput where [fluid] is missing or cannot be taken.
    """
    if study.fluid is None:
        raise BadInput([Fault(file="study.toml", column="fluid", reason="is missing",
                              remedy="add [fluid] with density and two viscosities")])
    liquid = liquid_of(study.fluid)
    cases = situations(study, containers, ages_months)
    own = {c.analyte: c for c in study.components if c.analyte}
    out = []
    for bound in bounds:
        part = own.get(bound.analyte)
        density = part.density_kg_m3 if part else density_kg_m3
        if density is None or cases.empty:
            continue
        whole = bound.reference == "whole"
        refused = _lying(cases) or ("" if whole else _stirred(study, study.fluid, liquid, part))
        phi = part.volume_fraction if part else 0.0
        mean = np.ones((2, GRID_M.size)) if refused else np.average(
            [_response(study, study.fluid, liquid, density, phi, r, whole) for r in cases.to_dict("records")], axis=0,
            weights=cases["containers"])
        out.append(ruled_out(mean, bound, density, refused=refused, condition=WHOLE if whole else STILL, rises=bool(
            density < float(liquid.density(study.fluid.storage_temperature_c)))))
    return tuple(out)



def _response(study: Study, fluid: FluidSettings, liquid: Liquid, density: float, volume_fraction: float,
              r: dict[Hashable, Any], whole: bool) -> Floats:
    """Expected zones of one situation, size by size, through its own temperatures."""
    history = temperatures(fluid, str(r["store"]), float(r["age_days"]), float(r["start_day"]))
    return zone_response(density, liquid, r["height_mm"] / 1000, r["age_days"], history,
                         drawn_zones(study, str(r["vessel"]), float(r["height_mm"])), volume_fraction=volume_fraction,
                         or_stirred=whole)


def _lying(cases: pd.DataFrame) -> str:
    """Why nothing is claimed where containers lay; '' where none did."""
    n = int(cases.loc[cases["lying"], "containers"].sum())
    return "" if n == 0 else f"{n} of the containers lay, and the estimate holds for upright vessels only"


def _stirred(study: Study, fluid: FluidSettings, liquid: Liquid, part: ComponentSettings | None) -> str:
    """Why zones cannot be compared where warmth may have stirred the liquid; '' where that is excluded."""
    share = None if part is None else mass_fraction(study, part, liquid)
    known = fluid.temperature_difference_k
    if share is None or part is None:
        return ("stirring by warmth cannot be excluded, since the content of the component is not known "
                "(volume_fraction, or nominal of its analyte)")
    undone = undoing_difference_k(share, part.density_kg_m3, liquid, fluid.storage_temperature_c)
    if known is None:
        return (f"stirring by warmth cannot be excluded: a temperature difference of {kelvin_text(undone)} inside a "
                "container would undo the layers, and [fluid] gives no temperature_difference_k")
    if known < undone:
        return ""
    return (f"stirring by warmth cannot be excluded: a temperature difference of {kelvin_text(undone)} inside a "
            f"container would undo the layers, and up to {kelvin_text(known)} is declared")
