"""An invented study of many containers, from its raw file on: eight analytes, three depths, each bottle read twice.

Two stores, three lots of different ages, a check fluid in every run and a blank in every fourth; a fiftieth of the
results never came. One analyte settles with time, one is stratified a little in some containers only, one is often
below its limit of quantification.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import tomli_w

from studykit.core.files import write_csv
from studykit.demos.simulate import (
    AnalyteTruth,
    StudyTruth,
    allocate_runs,
    plan_containers,
    plan_samples,
    simulate_results,
)
from tests.studies import definition

DEPTHS, HEIGHTS = ("upper", "middle", "lower"), (0.8333, 0.5, 0.1667)
LOTS = {"L1": "2023-08-14", "L2": "2024-05-20", "L3": "2025-01-13"}
A_RUN = 36
"""Bottles of containers that a run holds, beside its check fluid."""

RAW = {"sample": "Bottle", "analyte": "Determination", "as_written": "Result", "unit": "Unit", "method": "Method",
       "replicate": "Repeat", "run": "Batch", "run_order": "Position", "reported_on": "Reported"}
MARGINS = {"KV40": 1.0, "P": 5.0, "S": 5.0, "B": 5.0, "Si": 20.0, "Ca": 10.0, "Zn": 10.0, "Water": 25.0}


def analytes_of(stock: pd.DataFrame) -> tuple[AnalyteTruth, ...]:
    """What is true of the eight analytes; silicon settles by 0.6 % a month from top to floor, and more in the north."""
    rng, rows = np.random.default_rng(19), []
    months = (pd.to_datetime(stock["sampled_on"]) - pd.to_datetime(stock["filled_on"])).dt.days / 30.4
    for name, store, age in zip(stock["container"], stock["store"], months, strict=True):
        gone = 0.003 * float(age) * (1.4 if store == "north" else 1.0) * float(rng.uniform(0.5, 1.5))
        rows += [(name, "upper", -gone), (name, "lower", gone)]
    some = {"unit": "mg/kg", "method": "in-house ICP", "missing": 0.02}
    return (
        AnalyteTruth(analyte="KV40", unit="mm²/s", method="in-house viscometer", level=221.5, sd_container=0.0008, s_r=0.0012,
                     step=0.01, missing=0.02),
        AnalyteTruth(analyte="P", level=340.0, sd_container=0.008, s_r=0.018, step=1.0, **some),
        AnalyteTruth(analyte="S", level=9800.0, sd_container=0.006, s_r=0.012, sd_run=0.004, step=10.0, **some),
        AnalyteTruth(analyte="B", level=32.0, lot_shift=(("L2", -0.05),), sd_container=0.01, s_r=0.035, step=0.1, **some),
        AnalyteTruth(analyte="Si", level=16.0, container_profile=tuple(rows), sd_container=0.03, sd_container_depth=0.03,
                     s_r=0.06, step=0.1, quantification_limit=1.0, **some),
        AnalyteTruth(analyte="Ca", level=120.0, sd_container=0.01, s_r=0.025, drift=0.03, step=1.0, **some),
        AnalyteTruth(analyte="Zn", level=4.0, sd_container=0.1, s_r=0.05, step=0.1, quantification_limit=3.5, **some),
        AnalyteTruth(analyte="Water", level=180.0, sd_container=0.03, sd_container_depth=0.02, s_r=0.04, step=1.0, **some),
    )


def stock_of(containers: int) -> pd.DataFrame:
    """The containers table: lots in turn, the stores in turn of the lots."""
    stock = plan_containers(containers, lots=len(LOTS))
    stock["store"] = np.where(np.arange(containers) // len(LOTS) % 2, "south", "north")
    return stock.assign(vessel="drum", liquid_height_mm=500, filled_on=stock["lot"].map(LOTS), sampled_on="2026-01-10")


def samples_of(stock: pd.DataFrame, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The samples table with its controls, and in which run and place each is read."""
    samples = plan_samples(tuple(stock["container"]), DEPTHS, HEIGHTS, seed=seed)
    runs = max(2, math.ceil(len(samples) / A_RUN))
    placed = allocate_runs(samples, runs=runs, seed=seed)
    rng, own, places = np.random.default_rng(seed), [], []
    for kind, letter, every in (("check fluid", "F", 1), ("blank", "B", 4)):
        for k in range(1, runs + 1, every):
            own.append({"sample": f"{letter}{k:04d}", "container": "", "kind": kind, "depth": ""})
            places.append({"sample": f"{letter}{k:04d}", "run": str(k), "run_order": int(rng.integers(1, A_RUN))})
    placed = pd.concat([placed, pd.DataFrame(places)], ignore_index=True)
    placed["run_order"] = placed.assign(tie=rng.random(len(placed))).sort_values(["run", "run_order", "tie"]).groupby(
        "run").cumcount().reindex(placed.index) + 1
    placed["run"] = "R" + placed["run"].astype(str)
    return pd.concat([samples, pd.DataFrame(own)], ignore_index=True), placed


def lay_large(root: Path, containers: int, seed: int = 19) -> Path:
    """Write the study folder ``root`` with that many containers, its plan and the laboratory's raw file."""
    stock = stock_of(containers)
    samples, placed = samples_of(stock, seed)
    truth = StudyTruth(depths=DEPTHS, heights=HEIGHTS, analytes=analytes_of(stock), seed=seed, determinations=2)
    results = simulate_results(truth, stock, samples, placed)
    blank = results["sample"].str.startswith("B")
    results.loc[blank, "as_written"] = "0"
    results = results.sort_values(["run", "run_order", "analyte", "replicate"], kind="stable")
    for folder in ("plan", "raw"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    (root / "study.toml").write_text(tomli_w.dumps(_definition(truth, containers, seed)), encoding="utf-8")
    (root / "intake.toml").write_text(tomli_w.dumps(_mapping()), encoding="utf-8")
    write_csv(root / "plan/containers.csv", stock)
    write_csv(root / "plan/samples.csv", samples)
    write_csv(root / "plan/check_limits.csv", pd.DataFrame([
        {"analyte": a.analyte, "low": 0.7 * a.level, "high": 1.3 * a.level, "value": a.level, "uncertainty": 0.003 * a.level,
         "source": "invented certificate"} for a in truth.analytes]))
    write_csv(root / "raw/all.csv", results[list(RAW)].rename(columns=RAW))
    return root


def _definition(truth: StudyTruth, containers: int, seed: int) -> dict[str, object]:
    """study.toml: margins, stated scatter, the fluid with one component, and the design."""
    made = {a.analyte: {"unit": a.unit, "method": a.method, "margin": {"relative_percent": MARGINS[a.analyte]},
                        "margin_reason": "a fraction of what is lost in blending anyway", "nominal": a.level,
                        "repeatability": {"s_r_percent": 100 * a.s_r, "source": "the laboratory's control chart"}}
            for a in truth.analytes}
    return definition(
        title=f"Gear oil in {containers} drums (invented)", seed=seed, analytes=made,
        factors={"depths": list(DEPTHS), "fixed": ["lot", "store", "age_months"], "by_depth": ["store", "age_months"]},
        fluid={"density_kg_m3": 895, "density_at_c": 15, "viscosity_mm2_s_at_40c": 220, "viscosity_mm2_s_at_100c": 19,
               "storage_temperature_c": 18},
        components=[{"name": "silicone antifoam", "analyte": "Si", "density_kg_m3": 970, "diameter_um": 6, "log_sd": 0.4,
                     "note": "droplets, as the blender states them"}],
        design={"containers": containers, "replicates": 2, "target": 0.8})


def _mapping() -> dict[str, object]:
    """intake.toml for the one raw file."""
    return {"file": [{"pattern": "*.csv", "layout": "long", "header_row": 1, "encoding": "utf-8", "delimiter": ",",
                      "decimal": ".", "columns": {("value" if k == "as_written" else k): v for k, v in RAW.items()}}]}
