"""One sphere size in one liquid, tried out: how fast, where to, and the profile over time.

What a person moves by hand: size, density difference, viscosity, temperature and its swing, liquid height, time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studykit.physics.bounds import DAYS_PER_MONTH, days_to_cross
from studykit.physics.column import (
    DAY_S,
    ColumnProfile,
    Component,
    Sizes,
    expected_column,
    spot_zones,
    yearly_temperatures,
)
from studykit.physics.inputs import liquid_in, situations
from studykit.physics.velocity import sedimentation_length, terminal_velocity
from studykit.physics.viscosity import LOWEST_MM2_S, ZERO_C, Liquid, ViscosityLine, d341_z, positive
from studykit.study.definition import Study

# Slope of the viscosity line where a study declares none: that of an ISO VG 100 mineral oil with a viscosity index of 95
# (100 mm²/s at 40 °C, 11.1 at 100 °C); common practice, no source.
USUAL_SLOPE = ViscosityLine.through(100.0, 40.0, 11.1, 100.0).b
COLDEST_C, HOTTEST_C = -60.0, 150.0
CELLS, ZONE = 120, 0.04
SHARES_OF_TIME = (0.1, 0.25, 0.5, 1.0)
"""Ages that are drawn, as shares of the longest."""
POINTS = 21


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is tried; ``viscosity_mpa_s`` and ``excess_kg_m3`` (sphere less liquid) are those at ``temperature_c``.

    ``swing_c``: the year's wave about it, half of highest less lowest; ``slope``: of the viscosity line (ASTM D341), 0
    for a viscosity that does not change; ``density_kg_m3``: of the liquid. Neither density changes with temperature.
    """

    diameter_um: float
    excess_kg_m3: float
    viscosity_mpa_s: float
    temperature_c: float
    swing_c: float
    height_mm: float
    months: float
    depths: tuple[str, ...]
    density_kg_m3: float = 900.0
    slope: float = USUAL_SLOPE

    def liquid(self) -> Liquid:
        """The liquid with its viscosity line through the one viscosity; ValueError below 0.21 mm²/s."""
        kinematic = self.viscosity_mpa_s / self.density_kg_m3 * 1e3
        loglog = float(np.log10(np.log10(d341_z(max(kinematic, LOWEST_MM2_S)))))
        line = ViscosityLine(a=loglog + self.slope * float(np.log10(self.temperature_c + ZERO_C)), b=self.slope,
                             valid_c=(COLDEST_C, HOTTEST_C))
        return Liquid(line=line, density_kg_m3=self.density_kg_m3, expansion_per_k=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What comes of a trial: speed (positive sinks), days to cross, sedimentation length, profile at POINTS ages.

    ``zones``: one row an age: ``age_days``, each drawn zone in % of mixed, on floor, at surface, bottom over top.
    ``reynolds``: above 0.1 the drag law leaves Stokes'.
    """

    trial: Trial
    speed_mm_day: float
    reynolds: float
    days_to_cross: float
    length_mm: float
    profile: ColumnProfile
    zones: pd.DataFrame

    @property
    def drawn(self) -> tuple[int, ...]:
        """Which of the ages are drawn as profiles: SHARES_OF_TIME of the longest."""
        ages = np.asarray(self.profile.ages_days)
        return tuple(int(np.abs(ages - share * ages[-1]).argmin()) for share in SHARES_OF_TIME)


def tried(trial: Trial) -> Tried:
    """The speed at the mean temperature, and the profile through the year's wave, from a mixed start on 1 January.

    ValueError for a size, viscosity, height or time that is not above 0; BadInput for temperatures outside -60 to 150 °C.
    """
    liquid, h = trial.liquid(), float(positive("height_mm", trial.height_mm)) / 1000
    days, d = float(positive("months", trial.months)) * DAYS_PER_MONTH, trial.diameter_um * 1e-6
    density = trial.density_kg_m3 + trial.excess_kg_m3
    fall = terminal_velocity(d, density, trial.density_kg_m3, liquid.dynamic_pa_s(trial.temperature_c))
    sphere = Component(name="spheres", density_kg_m3=density, sizes=Sizes.lognormal(d, 0.0))
    warmth = (yearly_temperatures(trial.temperature_c, trial.swing_c, max(math.ceil(days), 2)) if trial.swing_c
              else trial.temperature_c)
    zones = spot_zones(trial.depths, min(ZONE, 1 / len(trial.depths)))
    profile = expected_column(sphere, liquid, h, list(np.linspace(0, days, POINTS)), warmth, cells=CELLS,
                              heights=[x for z in zones for x in (z.low, z.high)])
    return Tried(trial=trial, speed_mm_day=float(fall.velocity_m_s) * 1000 * DAY_S, reynolds=float(fall.reynolds),
                 days_to_cross=float(days_to_cross(d, density, liquid, h, trial.temperature_c)), profile=profile,
                 length_mm=1000 * float(sedimentation_length(d, trial.excess_kg_m3, trial.temperature_c)),
                 zones=profile.zone_table(zones))


def trial_of(study: Study, containers: pd.DataFrame | None) -> Trial:
    """What the study declares: its first component in its liquid and the longest standing; else a droplet in oil.

    BadInput for a fluid that cannot be taken.
    """
    start = Trial(diameter_um=3.0, excess_kg_m3=75.0, viscosity_mpa_s=300.0, temperature_c=18.0, swing_c=0.0, height_mm=350.0,
                  months=36.0, depths=study.factors.depths)
    cases = situations(study, containers)
    if len(cases):
        longest = cases.sort_values("age_days").iloc[-1]
        start = replace(start, height_mm=float(round(longest["height_mm"])),
                        months=round(float(longest["age_days"]) / DAYS_PER_MONTH, 1) or start.months)
    liquid, fluid = liquid_in(study), study.fluid
    if liquid is None or fluid is None or not study.components:
        return start
    t, c = fluid.storage_temperature_c, study.components[0]
    density = float(liquid.density(t))
    return replace(start, diameter_um=c.diameter_um, excess_kg_m3=round(c.density_kg_m3 - density, 1), density_kg_m3=density,
                   viscosity_mpa_s=float(f"{1000 * float(liquid.dynamic_pa_s(t)):.3g}"), temperature_c=t,
                   swing_c=fluid.yearly_swing_c, slope=liquid.line.b)
