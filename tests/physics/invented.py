"""Invented liquids, vessels, components and containers over everything that the check lets pass: ``python -m
tests.physics.invented SEED COUNT`` tries many."""

from __future__ import annotations

import math
import sys
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput
from studykit.physics.bounds import Bound, RuledOut
from studykit.physics.forecast import Outlook, could_it_settle, what_is_ruled_out
from studykit.study.definition import Study, parse_study
from studykit.study.ranges import COMPONENT, FLUID, Range

STORES = ("", "hut")


def value_in(rng: np.random.Generator, r: Range) -> float:
    """A value inside the outer range, mostly inside the usual one; even in the logarithm where it spans decades."""
    low, high = (r.low, r.high) if rng.random() < 0.8 else (r.least, r.most)
    if low > 0 and high / low > 30:
        return float(np.exp(rng.uniform(math.log(low), math.log(high))))
    return float(rng.uniform(low, high))


def vessel(rng: np.random.Generator) -> dict[str, Any]:
    """One shape with dimensions from a bottle to a tank, in mm."""
    size = float(np.exp(rng.uniform(math.log(60), math.log(3000))))
    part = {k: float(size * rng.uniform(0.3, 2)) for k in ("diameter_mm", "height_mm", "length_mm", "width_mm")}
    kind = rng.choice(["upright_cylinder", "horizontal_cylinder", "rectangular", "frustum"])
    keys = {"upright_cylinder": ("diameter_mm", "height_mm"), "horizontal_cylinder": ("diameter_mm", "length_mm"),
            "rectangular": ("length_mm", "width_mm", "height_mm"), "frustum": ("height_mm",)}[kind]
    shape = {"shape": str(kind)} | {k: part[k] for k in keys}
    return shape | ({"bottom_diameter_mm": size, "top_diameter_mm": size * 1.3} if kind == "frustum" else {})


def definition(rng: np.random.Generator) -> dict[str, Any]:
    """A study.toml; values outside their usual range carry a reason."""
    fluid = {k: value_in(rng, r) for k, r in FLUID.items()}
    if rng.random() < 0.5:
        fluid.pop("rest_viscosity_pa_s")
    if rng.random() < 0.5:
        fluid.pop("temperature_difference_k")
    if rng.random() < 0.3:
        fluid.pop("density_expansion_per_k")
    if rng.random() < 0.5:
        fluid["yearly_swing_c"] = 0.0
    if rng.random() < 0.7:
        fluid["yield_stress_pa"] = 0.0
    fluid |= {"viscosity_from_c": -60.0, "viscosity_to_c": 200.0, "store_temperature_c": {"hut": float(rng.uniform(-10, 40))}}
    parts = [{"name": f"c{i}", "analyte": f"A{i}", "volume_fraction": float(rng.choice([0, 0.01, 0.3, 0.63]))}
             | {k: value_in(rng, r) for k, r in COMPONENT.items()} for i in range(2)]
    places = [f"fluid.{k}" for k in fluid] + [f"components.{p['name']}.{k}" for p in parts for k in COMPONENT]
    return {
        "title": "Invented", "question": "Does it settle at all?", "responsible": "nobody", "invented": True,
        "factors": {"depths": list(rng.choice(["upper middle lower", "top middle bottom", "a b", "top upper middle "
                                               "lower bottom"]).split())},
        "analytes": {f"A{i}": {"unit": "mg/kg", "method": "any", "margin_reason": "invented", "nominal": 50.0,
                               "margin": {"relative_percent": float(rng.choice([1, 20, 90]))}} for i in range(2)},
        "vessels": {"v": vessel(rng)}, "fluid": fluid, "components": parts,
        "unusual": {p: "invented on purpose" for p in places if p.removeprefix("fluid.") in FLUID or "components" in p}
        | ({} if "rest_viscosity_pa_s" in fluid else {"fluid.viscosity_slope": "invented on purpose"})}


def passed(rng: np.random.Generator) -> Study:
    """A study that the check lets pass, after as many tries as it takes."""
    while True:
        try:
            return parse_study(definition(rng))
        except BadInput:
            continue


def containers(rng: np.random.Generator, study: Study) -> pd.DataFrame:
    """A few containers at any fill and age."""
    n = int(rng.integers(1, 4))
    top = study.vessels["v"].total_height_mm
    days = pd.to_datetime("2020-01-01") + pd.to_timedelta(rng.integers(0, 400, n), unit="D")
    return pd.DataFrame({
        "container": [f"C{i}" for i in range(n)], "store": rng.choice(STORES, n), "vessel": "v",
        "liquid_height_mm": top * rng.uniform(0.02, 1, n), "filled_on": days,
        "sampled_on": days + pd.to_timedelta(rng.integers(0, 3000, n), unit="D"), "treatment": "stored",
        "orientation": rng.choice(["", "upright", "lying"], n)})


def run(study: Study, table: pd.DataFrame) -> tuple[Outlook, tuple[RuledOut, ...]]:
    """Both directions of the estimate for one invented study."""
    bounds = [Bound(analyte=c.analyte, top_depletion_percent=5, bottom_excess_percent=8, reference=r)
              for c in study.components for r in ("whole", "zones")]
    return could_it_settle(study, table), what_is_ruled_out(study, table, bounds)


def main(seed: int, count: int) -> None:
    """Try many; the first that raises stops with its definition."""
    rng = np.random.default_rng(seed)
    for i in range(count):
        study = passed(rng)
        table = containers(rng, study)
        try:
            run(study, table)
        except Exception:
            print(i, study.model_dump_json(exclude_none=True), table.to_string())
            raise
    print(f"{count} invented studies ran")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
