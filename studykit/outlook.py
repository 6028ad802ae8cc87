"""The physics of one study: could its components settle, and what do its verdicts rule out.

Joins ``study.toml`` ([fluid], [[components]]) and the containers with the settling estimate.
What is missing is said, and a general chart stands in.  Every text carries the caution: an
estimate for spheres in a still Newtonian liquid, which supports sampling and does not replace it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.column import (
    Component,
    Sizes,
    ZoneOf,
    expected_column,
    spot_zones,
    yearly_temperatures,
)
from studykit.errors import BadInput, Fault
from studykit.ruledout import (
    DAYS_PER_MONTH,
    GRID_M,
    Bound,
    RuledOut,
    days_to_cross,
    diameter_text,
    ruled_out,
    settling_chart,
    standing_days,
    zone_response,
)
from studykit.settings import ComponentSettings, FluidSettings
from studykit.settling import held_by_yield_stress, sedimentation_length
from studykit.study import Study
from studykit.viscosity import D1250_RANGE, Floats, Liquid, ViscosityLine

CAUTIONS = (
    "This is an estimate for smooth spheres in a still Newtonian liquid. Clumping (flocculation), gelling, "
    "stirring by day-night warming, and water taken up in storage can break it.",
    "A warmer store settles faster: the liquid is thinner there, so years in a cold store say little about a "
    "warm one.",
    "It supports sampling and does not replace it.",
)
CHART_MICROMETRES = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
CHART_MPA_S = (1.0, 10.0, 100.0, 1000.0)
# Chosen for the general chart alone: an additive droplet in oil.
CHART_EXCESS_KG_M3 = 100.0
ASSUMED_FILL = 0.9
CLASSES = 120
CELLS = 60
LARGEST_RATIO = 1e6


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
    zones: tuple[str, ...]

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
        return float(100 * np.expm1(np.average(np.log(ratio), weights=own["containers"])))


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
    own = containers
    if "treatment" in own.columns:
        own = own[~own["treatment"].astype(str).str.contains("control")]
    start = pd.Series(pd.NaT, index=own.index, dtype="datetime64[ns]")
    for name in ("last_mixed_on", "filled_on"):
        if name in own.columns:
            start = start.fillna(pd.to_datetime(own[name].replace("", pd.NaT), errors="coerce"))
    age = pd.Series(np.nan, index=own.index)
    if "sampled_on" in own.columns:
        age = (pd.to_datetime(own["sampled_on"].replace("", pd.NaT), errors="coerce") - start).dt.days.astype(float)
    if "age_months" in own.columns:
        age = age.fillna(pd.to_numeric(own["age_months"], errors="coerce") * DAYS_PER_MONTH)
    out = pd.DataFrame({"store": own["store"].astype(str) if "store" in own.columns else "",
                        "vessel": own["vessel"].astype(str),
                        "height_mm": pd.to_numeric(own["liquid_height_mm"], errors="coerce"),
                        "age_days": age, "start_day": start.dt.day_of_year.astype(float).fillna(1.0)})
    usable = out[(out["height_mm"] > 0) & (out["age_days"] >= 0)]
    return usable.groupby(columns, as_index=False).size().rename(columns={"size": "containers"})


def _temperatures(fluid: FluidSettings, store: str, days: float, start_day: float) -> float | Floats:
    mean = fluid.store_temperature_c.get(store, fluid.storage_temperature_c)
    if fluid.yearly_swing_c == 0:
        return mean
    return yearly_temperatures(mean, fluid.yearly_swing_c, max(math.ceil(days), 2), int(start_day))


def _area(study: Study, vessel: str, height_mm: float) -> Callable[[float], float] | None:
    shape = study.vessels.get(vessel)
    if shape is None or height_mm > shape.total_height_mm:
        return None
    return lambda z: shape.area_mm2(z * height_mm)


def _missing(study: Study) -> tuple[str, ...]:
    out = []
    if study.fluid is None:
        out.append("[fluid] is missing in study.toml: density and the viscosities at 40 and 100 °C")
    elif study.fluid.rest_viscosity_pa_s is None and study.fluid.viscosity_mm2_s_at_100c is None:
        out.append("[fluid] has one viscosity only: a second (at 100 °C) is needed to know it in the store")
    if not study.components:
        out.append("[[components]] is missing in study.toml: density and size of what might settle")
    return tuple(out)


def could_it_settle(study: Study, containers: pd.DataFrame | None = None,
                    ages_months: Iterable[float] = (12.0, 36.0)) -> Outlook:
    """Could the declared components separate in these containers at these ages; a general chart otherwise.

    BadInput for a fluid that cannot be taken (all faults at once).
    """
    missing = _missing(study)
    zones = spot_zones(study.factors.depths)
    chart = settling_chart(CHART_EXCESS_KG_M3, 0.5, [x * 1e-6 for x in CHART_MICROMETRES],
                           [x * 1e-3 for x in CHART_MPA_S])
    rows: list[dict[str, Any]] = []
    profiles: list[pd.DataFrame] = []
    curves: list[pd.DataFrame] = []
    if study.fluid is not None and not missing:
        liquid = liquid_of(study.fluid)
        cases = situations(study, containers, ages_months)
        for (store, vessel), group in cases.groupby(["store", "vessel"]):
            for c in study.components:
                rows.append(_component_row(study, study.fluid, liquid, c, str(store), str(vessel), group, zones))
                parts = _profiles(study, study.fluid, liquid, c, str(store), str(vessel), group, zones)
                profiles += [a for a, _ in parts]
                curves += [b for _, b in parts]
    table = pd.DataFrame(rows)
    return Outlook(components=table, profile=_stack(profiles), curves=_stack(curves), chart=chart,
                   sentences=tuple(_sentence(r) for r in rows), missing=missing,
                   cautions=CAUTIONS, zones=tuple(z.label for z in zones))


def _stack(frames: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _component_row(study: Study, fluid: FluidSettings, liquid: Liquid, c: ComponentSettings, store: str, vessel: str,
                   group: pd.DataFrame, zones: tuple[ZoneOf, ...]) -> dict[str, Any]:
    t = fluid.store_temperature_c.get(store, fluid.storage_temperature_c)
    height = float(np.average(group["height_mm"], weights=group["containers"])) / 1000
    excess = float(c.density_kg_m3 - liquid.density(t))
    d = c.diameter_um * 1e-6
    length = float(sedimentation_length(d, excess, t))
    margin = study.analytes[c.analyte].margin.relative_percent if c.analyte else None
    return {
        "component": c.name, "analyte": c.analyte, "store": store, "vessel": vessel, "temperature_c": t,
        "way": "sinks" if excess > 0 else "rises", "diameter_um": c.diameter_um,
        "held": bool(held_by_yield_stress(d, excess, liquid.yield_stress_pa)),
        "sedimentation_length_mm": 1000 * length, "liquid_height_mm": 1000 * height,
        "days_to_cross": float(days_to_cross(d, c.density_kg_m3, liquid, height, t, c.volume_fraction)),
        "final_bottom_over_top": _final_ratio(height / length, excess),
        "margin_percent": margin,
        "days_to_margin": math.nan if margin is None else standing_days(
            component_of(c, CLASSES // 3), liquid, height, zones, margin, t)}


def _final_ratio(peclet: float, excess: float) -> float:
    """Final bottom/top ratio; infinite above a million (0 for what rises), where it says nothing more."""
    ratio = math.inf if peclet > math.log(LARGEST_RATIO) else math.exp(peclet)
    return ratio if excess > 0 else 1 / ratio


def _profiles(study: Study, fluid: FluidSettings, liquid: Liquid, c: ComponentSettings, store: str, vessel: str,
              group: pd.DataFrame, zones: tuple[ZoneOf, ...]) -> list[tuple[pd.DataFrame, pd.DataFrame]]:
    """Zones and fine profile of a component in one store and vessel, for each height and filling day."""
    out = []
    edges = [x for z in zones for x in (z.low, z.high)]
    for _, same in group.groupby(["height_mm", "start_day"]):
        ages = same["age_days"].to_numpy(float)
        height_mm, start = float(same["height_mm"].iloc[0]), float(same["start_day"].iloc[0])
        history = _temperatures(fluid, store, float(ages.max()), start)
        p = expected_column(component_of(c), liquid, height_mm / 1000, list(ages), history, heights=edges,
                            cells=CELLS)
        keys: dict[str, Any] = {"component": c.name, "analyte": c.analyte, "store": store, "vessel": vessel,
                                "height_mm": height_mm}
        table = p.zone_table(zones, _area(study, vessel, height_mm))
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
            text += f"; in the end they lie at the {place}."
        elif length < height / 10:
            text += f"; in the end they gather within {length:.2g} mm of the {place}."
        else:
            text += f", and thermal motion leaves a final bottom/top ratio of {r['final_bottom_over_top']:.3g}."
    if math.isfinite(r["days_to_margin"]):
        text += (f" A drawn zone leaves the margin of ±{r['margin_percent']:g} % after "
                 f"{_days(r['days_to_margin'])} of standing.")
    return where + text


def what_is_ruled_out(study: Study, containers: pd.DataFrame | None, bounds: Iterable[Bound],
                      density_kg_m3: float | None = None, ages_months: Iterable[float] = (12.0, 36.0)
                      ) -> tuple[RuledOut, ...]:
    """For each analyte's bound, the largest share of it in particles of each size.

    Density from the component that names the analyte, else ``density_kg_m3``; analytes with
    neither are left out.  Expected zones are averaged over the study's containers, at the mean
    store temperature.  BadInput where [fluid] is missing or cannot be taken.
    """
    if study.fluid is None:
        raise BadInput([Fault(file="study.toml", column="fluid", reason="is missing",
                              remedy="add [fluid] with density and two viscosities")])
    liquid = liquid_of(study.fluid)
    zones = spot_zones(study.factors.depths)
    cases = situations(study, containers, ages_months)
    own = {c.analyte: (c.density_kg_m3, c.volume_fraction) for c in study.components if c.analyte}
    out = []
    for bound in bounds:
        density, phi = own.get(bound.analyte, (density_kg_m3, 0.0))
        if density is None or cases.empty:
            continue
        mean = np.zeros((len(zones), GRID_M.size))
        for r in cases.to_dict("records"):
            t = study.fluid.store_temperature_c.get(r["store"], study.fluid.storage_temperature_c)
            mean += r["containers"] * zone_response(density, liquid, r["height_mm"] / 1000, r["age_days"], t, zones,
                                                    volume_fraction=phi)
        mean /= float(cases["containers"].sum())
        out.append(ruled_out(mean, bound, density, rises=bool(
            density < float(liquid.density(study.fluid.storage_temperature_c)))))
    return tuple(out)
