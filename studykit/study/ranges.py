"""Values that can hardly be meant: usual ranges outside which the kit asks, and wider ones outside which it refuses.

A store at 68 °C, a density of 0.97 (g/mL typed for kg/m³) or a diameter in metres make a settling estimate that
looks like any other.  A value outside its usual range is a fault until ``[unusual]`` in study.toml names the
place and the reason; outside the outer range no reason helps.  All ranges: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from studykit.core.errors import Fault
from studykit.vessels.shapes import Shape

CONTAINERS_FILE = "plan/containers.csv"
FEWEST_FILL = 0.15  # share of the inside height; less is the last of a container, or a height in cm
# API MPMS 11.1, lubricating oils, and ASTM D341, scope: where the rule and the viscosity line hold.
OIL_RULE_KG_M3 = (801.0, 1164.0)
LEAST_MM2_S = 0.21
SMALLEST_STEP = 1.0001  # of the two viscosities; flatter lines are read as one viscosity by mistake


class Fluid(Protocol):
    """What the checks read of [fluid]."""

    density_kg_m3: float
    density_expansion_per_k: float | None
    viscosity_mm2_s_at_40c: float | None
    viscosity_mm2_s_at_100c: float | None
    rest_viscosity_pa_s: float | None
    viscosity_from_c: float
    viscosity_to_c: float
    storage_temperature_c: float
    store_temperature_c: dict[str, float]
    yearly_swing_c: float


class Part(Protocol):
    """What the checks read of one of [[components]], beside the keys of ``COMPONENT``."""

    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """What is usual (``low`` to ``high``) and what can be at all (``least`` to ``most``), with the unit."""

    low: float
    high: float
    least: float
    most: float
    unit: str

    def fault(self, place: str, value: float, unusual: Mapping[str, str], file: str = "study.toml",
              row: int | None = None, column: str = "") -> Fault | None:
        """The fault of a value in a place, or None where it is usual or ``unusual`` gives a reason."""
        if not self.least <= value <= self.most:
            reason = f"cannot be: must be {self.least:g} to {self.most:g} {self.unit}"
            remedy = "correct it; is it in the unit that the key names?"
        elif self.low <= value <= self.high or place in unusual:
            return None
        else:
            reason = f"is unusual: commonly {self.low:g} to {self.high:g} {self.unit}"
            remedy = f"correct it, or give the reason in study.toml under [unusual]: \"{place}\" = \"why\""
        return Fault(file=file, row=row, column=column or place, value=f"{value:g}", reason=reason, remedy=remedy)


TEMPERATURE = Range(low=-30, high=50, least=-60, most=200, unit="°C")
FLUID: dict[str, Range] = {
    "density_kg_m3": Range(low=600, high=2200, least=300, most=15000, unit="kg/m³"),
    "density_at_c": Range(low=-20, high=100, least=-60, most=300, unit="°C"),
    "density_expansion_per_k": Range(low=0, high=0.002, least=0, most=0.005, unit="per K"),
    "viscosity_mm2_s_at_40c": Range(low=0.3, high=20_000, least=LEAST_MM2_S, most=1e6, unit="mm²/s"),
    "viscosity_mm2_s_at_100c": Range(low=0.25, high=2_000, least=LEAST_MM2_S, most=1e5, unit="mm²/s"),
    "rest_viscosity_pa_s": Range(low=0.0005, high=50, least=0.0003, most=10_000, unit="Pa·s"),
    "viscosity_from_c": Range(low=-60, high=80, least=-100, most=200, unit="°C"),
    "viscosity_to_c": Range(low=0, high=200, least=-50, most=350, unit="°C"),
    "yield_stress_pa": Range(low=0, high=100, least=0, most=5_000, unit="Pa"),
    "storage_temperature_c": TEMPERATURE,
    "yearly_swing_c": Range(low=0, high=25, least=0, most=60, unit="°C"),
    "temperature_difference_k": Range(low=0.01, high=20, least=1e-4, most=100, unit="K"),
}
SLOPE = Range(low=0.5, high=5.5, least=0, most=20, unit="as fall of log log (viscosity + 0.7) per decade of kelvin")
COMPONENT: dict[str, Range] = {
    "density_kg_m3": Range(low=500, high=12_000, least=1, most=23_000, unit="kg/m³"),
    "diameter_um": Range(low=5e-4, high=1_000, least=1e-4, most=20_000, unit="µm"),
    "log_sd": Range(low=0, high=1.5, least=0, most=3, unit="(natural logarithm)"),
}
SAFETY: dict[str, Range] = {
    "flash_point_c": Range(low=-60, high=330, least=-150, most=500, unit="°C"),
    "liquid_up_to_c": Range(low=-30, high=100, least=-60, most=400, unit="°C"),
    "conductivity_ps_m": Range(low=0.01, high=1e13, least=1e-4, most=1e14, unit="pS/m"),
}


def definition_faults(fluid: Fluid | None, components: Sequence[Part], unusual: Mapping[str, str],
                      safety: object = None) -> list[Fault]:
    """Everything in [fluid], [[components]] and [safety] that cannot be, needs a reason, or would stop the estimate."""
    asked = [(f"fluid.{key}", getattr(fluid, key), r) for key, r in FLUID.items()] if fluid else []
    asked += [(f"fluid.store_temperature_c.{k}", v, TEMPERATURE) for k, v in (fluid.store_temperature_c.items()
                                                                            if fluid else ())]
    if fluid and (steep := line_slope(fluid)) is not None:
        asked.append(("fluid.viscosity_slope", steep, SLOPE))
    asked += [(f"components.{c.name}.{key}", getattr(c, key), r) for c in components for key, r in COMPONENT.items()]
    asked += [(f"safety.{key}", getattr(safety, key, None), r) for key, r in SAFETY.items()]
    faults = [r.fault(place, value, unusual) for place, value, r in asked if isinstance(value, (int, float))]
    known = {place for place, _, _ in asked}
    lost = [p for p in unusual if p not in known and not p.startswith("containers.")]
    told = [Fault(file="study.toml", column=f"unusual.{p}", reason="is no place of this study that has a range",
                  remedy="write it as the fault names it, or take it out") for p in lost]
    return [f for f in faults if f] + told + ([*fluid_faults(fluid)] if fluid else [])


def line_slope(fluid: Fluid) -> float | None:
    """How steeply the two viscosities fall, b of ASTM D341 (about 3.5 for mineral oils); None without two."""
    first, second = fluid.viscosity_mm2_s_at_40c, fluid.viscosity_mm2_s_at_100c
    if fluid.rest_viscosity_pa_s is not None or first is None or second is None or not first > second >= LEAST_MM2_S:
        return None
    high, low = (math.log10(math.log10(v + 0.7 + math.exp(-1.47 - 1.84 * v - 0.51 * v**2))) for v in (first, second))
    return (high - low) / math.log10(373.15 / 313.15)


def fluid_faults(fluid: Fluid, file: str = "study.toml") -> Iterator[Fault]:
    """Where the properties of the fluid contradict one another or leave the range in which they may be used."""
    first, second = fluid.viscosity_mm2_s_at_40c, fluid.viscosity_mm2_s_at_100c
    if fluid.rest_viscosity_pa_s is not None and (first is not None or second is not None):
        yield Fault(file=file, column="fluid.rest_viscosity_pa_s", value=f"{fluid.rest_viscosity_pa_s:g}",
                    reason="stands beside the two viscosities, and one of them would be left out without a word",
                    remedy="keep rest_viscosity_pa_s for a thickened fluid, the two viscosities for any other")
    if fluid.rest_viscosity_pa_s is None and first is not None and second is not None:
        if first <= second * SMALLEST_STEP:
            yield Fault(file=file, column="fluid.viscosity_mm2_s_at_100c", value=f"{second:g}",
                        reason=f"must be below the viscosity at 40 °C ({first:g})", remedy="correct the two viscosities")
    elif fluid.rest_viscosity_pa_s is not None and fluid.rest_viscosity_pa_s / fluid.density_kg_m3 * 1e6 < LEAST_MM2_S:
        yield Fault(file=file, column="fluid.rest_viscosity_pa_s", value=f"{fluid.rest_viscosity_pa_s:g}",
                    reason=f"is less than {LEAST_MM2_S} mm²/s at this density", remedy="correct one of the two")
    low, high = OIL_RULE_KG_M3
    if fluid.density_expansion_per_k is None and not low <= fluid.density_kg_m3 <= high:
        yield Fault(file=file, column="fluid.density_kg_m3", value=f"{fluid.density_kg_m3:g}",
                    reason=f"is outside {low:g} to {high:g} kg/m³, where the rule for mineral oils holds",
                    remedy="add density_expansion_per_k")
    yield from _temperature_faults(fluid, file)


def _temperature_faults(fluid: Fluid, file: str) -> Iterator[Fault]:
    low, high, swing = fluid.viscosity_from_c, fluid.viscosity_to_c, fluid.yearly_swing_c
    if low >= high:
        yield Fault(file=file, column="fluid.viscosity_to_c", value=f"{high:g}",
                    reason=f"must be above viscosity_from_c ({low:g})", remedy="correct the two")
        return
    places = {"storage_temperature_c": fluid.storage_temperature_c} | {
        f"store_temperature_c.{k}": v for k, v in fluid.store_temperature_c.items()}
    for name, t in places.items():
        if t - swing < low or t + swing > high:
            yield Fault(file=file, column=f"fluid.{name}", value=f"{t:g}",
                        reason=f"with a yearly swing of ±{swing:g} °C leaves {low:g} to {high:g} °C, where the "
                               "viscosity line may be used",
                        remedy="correct it, or set viscosity_from_c and viscosity_to_c if the fluid is one Newtonian "
                               "liquid there")


def store_faults(fluid: Fluid | None, stores: Iterable[object]) -> list[Fault]:
    """Stores with a temperature of their own that no container stands in: probably misspelt."""
    known = sorted({str(s) for s in stores if str(s)})
    if fluid is None or not known:
        return []
    return [Fault(file="study.toml", column=f"fluid.store_temperature_c.{name}",
                  reason=f"is no store of {CONTAINERS_FILE}", remedy=f"known are {', '.join(known)}: correct the spelling")
            for name in fluid.store_temperature_c if name not in known]


def height_fault(shape: Shape, container: str, height_mm: float, row: int, unusual: Mapping[str, str]) -> Fault | None:
    """A liquid height so low that it may be in another unit; None where it is usual or a reason is given."""
    top, place = shape.total_height_mm, f"containers.{container}.liquid_height_mm"
    usual = Range(low=FEWEST_FILL * top, high=top, least=0, most=top, unit="mm")
    found = usual.fault(place, height_mm, unusual, CONTAINERS_FILE, row, "liquid_height_mm")
    return None if "containers.liquid_height_mm" in unusual else found


def posture_fault(shape: Shape, vessel: str, orientation: str, row: int) -> Fault | None:
    """A container that lies in a vessel declared as standing, or stands in one declared as lying."""
    wrong = {("upright", "lying"): "horizontal_cylinder, or a table of heights and volumes as it lies",
             ("lying", "upright"): "shape that stands", ("lying", "inverted"): "shape that stands"}
    remedy = wrong.get((shape.posture, orientation))
    if remedy is None:
        return None
    return Fault(file=CONTAINERS_FILE, row=row, column="orientation", value=orientation,
                 reason=f"does not fit vessel {vessel!r}, whose shape is given as {shape.posture}",
                 remedy=f"correct it, or declare a vessel of its own as a {remedy}")
