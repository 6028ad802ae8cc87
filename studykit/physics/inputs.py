"""What study.toml and the containers say, as the settling estimate takes it: liquid, components, zones, standing times."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.physics.bounds import DAYS_PER_MONTH
from studykit.physics.column import Component, Sizes, ZoneOf, spot_zones, yearly_temperatures
from studykit.physics.viscosity import D1250_RANGE, Floats, Liquid, ViscosityLine
from studykit.study.definition import ComponentSettings, FluidSettings, Study

ASSUMED_FILL = 0.9
CLASSES = 120
DRAW_THICKNESS = 0.04  # of the liquid height: what a spot draw reaches; chosen, no source
START = ("last_mixed_on", "filled_on")


def liquid_of(fluid: FluidSettings, file: str = "study.toml") -> Liquid:
    """The liquid of [fluid]; BadInput lists all that is wrong or missing in it."""
    faults = []
    two = fluid.viscosity_mm2_s_at_40c, fluid.viscosity_mm2_s_at_100c
    if fluid.rest_viscosity_pa_s is None and None in two:
        faults.append(Fault(file=file, column="fluid", reason="two viscosities are needed for a viscosity line",
                            remedy="give viscosity_mm2_s_at_40c and viscosity_mm2_s_at_100c, or "
                                   "rest_viscosity_pa_s for a thickened fluid"))
    elif fluid.rest_viscosity_pa_s is None and two[0] is not None and two[1] is not None and two[0] <= two[1]:
        faults.append(Fault(file=file, column="fluid.viscosity_mm2_s_at_100c", value=f"{two[1]:g}",
                            reason=f"must be below the viscosity at 40 °C ({two[0]:g})",
                            remedy="correct the two viscosities"))
    low, high = D1250_RANGE
    if fluid.density_expansion_per_k is None and not low <= fluid.density_kg_m3 <= high:
        faults.append(Fault(file=file, column="fluid.density_kg_m3", value=f"{fluid.density_kg_m3:g}",
                            reason=f"is outside {low:g} to {high:g} kg/m³, where the rule for mineral oils holds",
                            remedy="add density_expansion_per_k"))
    faults += _temperature_faults(fluid, file)
    if faults:
        raise BadInput(faults, title="The fluid cannot be taken")
    valid = (fluid.viscosity_from_c, fluid.viscosity_to_c)
    if fluid.rest_viscosity_pa_s is not None:
        line = ViscosityLine.constant(fluid.rest_viscosity_pa_s / fluid.density_kg_m3 * 1e6, valid)
    else:
        line = ViscosityLine.through(two[0] or 0.0, 40.0, two[1] or 0.0, 100.0, valid)
    return Liquid(line=line, density_kg_m3=fluid.density_kg_m3, density_at_c=fluid.density_at_c,
                  expansion_per_k=fluid.density_expansion_per_k, yield_stress_pa=fluid.yield_stress_pa)


def _temperature_faults(fluid: FluidSettings, file: str) -> list[Fault]:
    places = {"storage_temperature_c": fluid.storage_temperature_c} | {
        f"store_temperature_c.{k}": v for k, v in fluid.store_temperature_c.items()}
    low, high, swing = fluid.viscosity_from_c, fluid.viscosity_to_c, fluid.yearly_swing_c
    return [Fault(file=file, column=f"fluid.{name}", value=f"{t:g}",
                  reason=f"with a yearly swing of ±{swing:g} °C leaves {low:g} to {high:g} °C, where the "
                         "viscosity line may be used",
                  remedy="correct it, or set viscosity_from_c and viscosity_to_c if the fluid is one Newtonian "
                         "liquid there")
            for name, t in places.items() if t - swing < low or t + swing > high]


def component_of(c: ComponentSettings, classes: int = CLASSES) -> Component:
    """A declared component as the physics takes it (120 size classes where a spread is given)."""
    return Component(name=c.name, density_kg_m3=c.density_kg_m3, volume_fraction=c.volume_fraction,
                     sizes=Sizes.lognormal(c.diameter_um * 1e-6, c.log_sd, classes))


def situations(study: Study, containers: pd.DataFrame | None, ages_months: Iterable[float] = (12.0, 36.0)
               ) -> pd.DataFrame:
    """Distinct store, vessel, liquid height and standing time, with how many containers share them.

    Standing time runs from the last mixing, else the last move, else filling, to sampling.
    Controls are left out.  Without containers every vessel of the study stands in, nine tenths
    full, at ``ages_months``.  Columns: store, vessel, height_mm, age_days, start_day, containers.
    """
    columns = ["store", "vessel", "height_mm", "age_days", "start_day"]
    if containers is None or containers.empty:
        rows = [("", name, ASSUMED_FILL * v.total_height_mm, m * DAYS_PER_MONTH, 1.0)
                for name, v in study.vessels.items() for m in ages_months]
        return pd.DataFrame(rows, columns=columns).assign(containers=1)
    return standing(containers).groupby(columns, as_index=False).size().rename(columns={"size": "containers"})


def standing(containers: pd.DataFrame) -> pd.DataFrame:
    """How long each container that is no control stood: container, store, vessel, height_mm, age_days, start_day.

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
                        "age_days": age, "start_day": start.dt.day_of_year.astype(float).fillna(1.0)})
    return out[(out["height_mm"] > 0) & (out["age_days"] >= 0)]


def temperatures(fluid: FluidSettings, store: str, days: float, start_day: float) -> float | Floats:
    """Storage temperature in °C: one number, or one a day from filling on where the year swings."""
    mean = fluid.store_temperature_c.get(store, fluid.storage_temperature_c)
    if fluid.yearly_swing_c == 0:
        return mean
    return yearly_temperatures(mean, fluid.yearly_swing_c, max(math.ceil(days), 2), int(start_day))


def area_of(study: Study, vessel: str, height_mm: float) -> Callable[[float], float] | None:
    """Cross-section of a vessel at a fraction of the liquid height, to weight zones; None where not known."""
    shape = study.vessels.get(vessel)
    if shape is None or height_mm > shape.total_height_mm:
        return None
    return lambda z: shape.area_mm2(z * height_mm)


def drawn_zones(study: Study) -> tuple[ZoneOf, ...]:
    """The zones that spot draws reach, surface down: where [sampling] zones are given there, else equal slices."""
    if not study.sampling.zones:
        return spot_zones(study.factors.depths)
    half = DRAW_THICKNESS / 2
    return tuple(ZoneOf(label=z.label, low=max(z.height - half, 0.0), high=min(z.height + half, 1.0))
                 for z in study.sampling.zones)
