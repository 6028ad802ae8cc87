"""What study.toml and the containers say, as the settling estimate takes it: liquid, components, zones, standing times."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.core.units import convert, kind_of
from studykit.physics.bounds import DAYS_PER_MONTH
from studykit.physics.column import Component, Sizes, ZoneOf, spot_zones, yearly_temperatures
from studykit.physics.viscosity import Floats, Liquid, ViscosityLine
from studykit.sampling.draws import plan_draws
from studykit.study.definition import ComponentSettings, FluidSettings, Study
from studykit.study.ranges import fluid_faults
from studykit.vessels import Shape

ASSUMED_FILL = 0.9
CLASSES = 120
STAND_IN, READ_OVER, THINNEST = 0.04, 0.02, 1e-4  # slabs as shares of the liquid height: chosen, no source
START = ("last_mixed_on", "filled_on")


def liquid_of(fluid: FluidSettings, file: str = "study.toml") -> Liquid:
    """The liquid of [fluid]; BadInput lists all that is wrong or missing in it."""
    faults = list(fluid_faults(fluid, file))
    two = fluid.viscosity_mm2_s_at_40c, fluid.viscosity_mm2_s_at_100c
    if one_viscosity(fluid):
        faults.append(Fault(file=file, column="fluid", reason="two viscosities are needed for a viscosity line",
                            remedy="give viscosity_mm2_s_at_40c and viscosity_mm2_s_at_100c, or "
                                   "rest_viscosity_pa_s for a thickened fluid"))
    if faults:
        raise BadInput(faults, title="The fluid cannot be taken")
    valid = (fluid.viscosity_from_c, fluid.viscosity_to_c)
    if fluid.rest_viscosity_pa_s is not None:
        line = ViscosityLine.constant(fluid.rest_viscosity_pa_s / fluid.density_kg_m3 * 1e6, valid)
    else:
        line = ViscosityLine.through(two[0] or 0.0, 40.0, two[1] or 0.0, 100.0, valid)
    return Liquid(line=line, density_kg_m3=fluid.density_kg_m3, density_at_c=fluid.density_at_c,
                  expansion_per_k=fluid.density_expansion_per_k, yield_stress_pa=fluid.yield_stress_pa)


def one_viscosity(fluid: FluidSettings) -> bool:
    """True where the viscosity in the store cannot be known: neither a rest viscosity nor two values."""
    return fluid.rest_viscosity_pa_s is None and None in (fluid.viscosity_mm2_s_at_40c, fluid.viscosity_mm2_s_at_100c)


def liquid_in(study: Study) -> Liquid | None:
    """The study's liquid; None where [fluid] is missing or has one viscosity only."""
    return None if study.fluid is None or one_viscosity(study.fluid) else liquid_of(study.fluid)


def component_of(c: ComponentSettings, classes: int = CLASSES) -> Component:
    """A declared component as the physics takes it (120 size classes where a spread is given)."""
    return Component(name=c.name, density_kg_m3=c.density_kg_m3, volume_fraction=c.volume_fraction,
                     sizes=Sizes.lognormal(c.diameter_um * 1e-6, c.log_sd, classes))


def mass_fraction(study: Study, c: ComponentSettings, liquid: Liquid) -> float | None:
    """Mass of a component per mass of fluid: from its volume fraction, else from its analyte's nominal content.

    None where neither is given or the content is not a mass fraction.  An analyte is taken as all of its component.
    """
    if c.volume_fraction:
        heavy, light = c.volume_fraction * c.density_kg_m3, (1 - c.volume_fraction) * liquid.density_kg_m3
        return heavy / (heavy + light)
    declared = study.analytes.get(c.analyte)
    if declared is None or declared.nominal is None or kind_of(declared.unit) != "mass fraction":
        return None
    return convert(declared.nominal, declared.unit, "kg/kg")


def situations(study: Study, containers: pd.DataFrame | None, ages_months: Iterable[float] = (12.0, 36.0)
               ) -> pd.DataFrame:
    """Distinct store, vessel, liquid height and standing time, with how many containers share them.

    Standing time runs from the last mixing, else the last move, else filling, to sampling.
    Controls are left out.  Without containers every vessel of the study stands in, nine tenths
    full, at ``ages_months``.  Columns: store, vessel, height_mm, age_days, start_day, lying, containers.
    """
    columns = ["store", "vessel", "height_mm", "age_days", "start_day", "lying"]
    if containers is None or containers.empty:
        rows = [("", name, ASSUMED_FILL * v.total_height_mm, m * DAYS_PER_MONTH, 1.0, v.posture == "lying")
                for name, v in study.vessels.items() for m in ages_months]
        return pd.DataFrame(rows, columns=columns).assign(containers=1)
    own = standing(containers)
    shapes = own["vessel"].map(lambda v: getattr(study.vessels.get(v), "posture", "")) == "lying"
    return own.assign(lying=own["lying"] | shapes).groupby(columns, as_index=False).size().rename(
        columns={"size": "containers"})


def standing(containers: pd.DataFrame) -> pd.DataFrame:
    """How long each container that is no control stood: container, store, vessel, height_mm, age_days, start_day, lying.

    Containers without a liquid height or without dates are left out.
    """
    own = containers
    if "treatment" in own.columns:
        own = own[~own["treatment"].astype(str).str.contains("control")]
    start = pd.Series(pd.NaT, index=own.index, dtype="datetime64[ns]")
    for name in START:
        if name in own.columns:
            start = start.fillna(pd.to_datetime(own[name].replace("", pd.NaT), errors="coerce"))
    age = pd.Series(np.nan, index=own.index)
    if "sampled_on" in own.columns:
        age = (pd.to_datetime(own["sampled_on"].replace("", pd.NaT), errors="coerce") - start).dt.days.astype(float)
    if "age_months" in own.columns:
        age = age.fillna(pd.to_numeric(own["age_months"], errors="coerce") * DAYS_PER_MONTH)
    out = pd.DataFrame({"container": own["container"].astype(str),
                        "store": own["store"].astype(str) if "store" in own.columns else "",
                        "vessel": own["vessel"].astype(str),
                        "height_mm": pd.to_numeric(own["liquid_height_mm"], errors="coerce"),
                        "age_days": age, "start_day": start.dt.day_of_year.astype(float).fillna(1.0),
                        "lying": own["orientation"].astype(str) == "lying" if "orientation" in own.columns else False})
    return out[(out["height_mm"] > 0) & (out["age_days"] >= 0)]


def temperatures(fluid: FluidSettings, store: str, days: float, start_day: float) -> float | Floats:
    """Storage temperature in °C: one number, or one a day from filling on where the year swings."""
    mean = fluid.store_temperature_c.get(store, fluid.storage_temperature_c)
    if fluid.yearly_swing_c == 0:
        return mean
    return yearly_temperatures(mean, fluid.yearly_swing_c, max(math.ceil(days), 2), int(start_day))


def area_of(study: Study, vessel: str, height_mm: float) -> Callable[[float], float] | None:
    """Cross-section of a vessel at a fraction of the liquid height, to weight zones; None where not known."""
    return area_in(study.vessels.get(vessel), height_mm)


def area_in(shape: Shape | None, height_mm: float) -> Callable[[float], float] | None:
    """The same of a shape; None where it is not known or lower than the liquid."""
    if shape is None or height_mm > shape.total_height_mm:
        return None
    return lambda z: shape.area_mm2(z * height_mm)


def drawn_zones(study: Study, vessel: str, height_mm: float) -> tuple[ZoneOf, ...]:
    """The slabs that the plan draws at each depth in this vessel, surface down, as fractions of the liquid height.

    The sampling plan's own geometry (``sampling.draws``): tips, purge and drawn volume.  Where the plan refuses
    to draw (too little liquid, zones out of order) thin slabs in the middle of equal slices stand in.
    """
    labels, shape = study.factors.depths, study.vessels.get(vessel)
    stand_in = spot_zones(labels, min(STAND_IN, 1 / len(labels)))
    if shape is None:
        return stand_in
    try:
        drawn = plan_draws(shape, height_mm, labels, study.sampling, vessel_name=vessel).draws
    except BadInput:
        return stand_in
    return tuple(_slab(d.depth, d.drawn_bottom_mm / height_mm, d.drawn_top_mm / height_mm)
                 for d in drawn if d.kind == "spot")


def _slab(label: str, low: float, high: float) -> ZoneOf:
    """A slab inside the liquid; a thin one is read over ``READ_OVER``, which size classes need to make a smooth profile."""
    if low <= 0 or high >= 1:
        return ZoneOf(label=label, low=max(min(low, 1 - THINNEST), 0.0), high=min(max(high, THINNEST), 1.0))
    middle, half = (low + high) / 2, max((high - low) / 2, READ_OVER / 2)
    half = min(half, middle, 1 - middle)
    return ZoneOf(label=label, low=middle - half, high=middle + half)
