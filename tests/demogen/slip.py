"""The tile works' demo: 16 drums of thin white slip, three zones, four ages; it settles as Stokes' law says.

The truth is written here on purpose without the kit's own settling modules, so that the demo can be
held against them: a particle of diameter d falls ``DENSITY_DIFFERENCE g d^2 t / (18 VISCOSITY)`` in a
time t (Stokes 1851, dilute, no diffusion); a height is left by all that has fallen past it from the
surface; diameters are log-normal by mass, so what is left is one value of the normal distribution.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from studykit.demos.simulate import AnalyteTruth, StudyTruth, simulate_results, stream
from tests.demogen import slip_text
from tests.demogen.common import Bundle, csv_text, fault_rows, readme, rows_of

SEED = 20260304
DEPTHS = ("top", "middle", "bottom")
HEIGHTS = (5 / 6, 1 / 2, 1 / 6)
FILLED = "2026-02-02"
DAY = {14: "2026-02-16", 42: "2026-03-16", 84: "2026-04-27", 168: "2026-07-20"}
STORED_EACH = 3
MEDIAN_UM, LOG_SD = 2.0, 0.5
DENSITY_DIFFERENCE = 4600.0 - 1003.0  # kg/m³: zircon, thickened water
VISCOSITY = 0.3  # Pa·s at rest
LIQUID_M = 0.8
LEVEL, BORON = 1.5, 420.0  # zircon in % (m/m), boron in mg/kg
MARGINS = {"Zircon": 10.0, "Boron": 5.0}
EXPECTED = {
    "Zircon": ("stratified", "it settles as Stokes' law says; the top of the oldest drums is nearly empty"),
    "Boron": ("homogeneous", "dissolved borax, the same at all depths"),
}
EARLY, LATE = "xrf_icp_to_march.csv", "xrf_icp_from_april.csv"


def remaining(age_days: float, height: float) -> float:
    """Zircon at a height (0 floor, 1 surface) after so many days at rest, as a fraction of the mixed content."""
    if age_days <= 0:
        return 1.0
    fastest = (1 - height) * LIQUID_M / (86400 * age_days)
    largest = math.sqrt(18 * VISCOSITY * fastest / (DENSITY_DIFFERENCE * 9.81))
    return 0.5 * (1 + math.erf(math.log(largest / (MEDIAN_UM * 1e-6)) / (LOG_SD * math.sqrt(2))))


def months_to_margin(percent: float) -> float:
    """When bottom over top passes a margin in per cent, in months, by halving."""
    early, late = 1.0, 365.0
    while late - early > 1e-6:
        day = (early + late) / 2
        passed = remaining(day, HEIGHTS[-1]) / remaining(day, HEIGHTS[0]) > 1 + percent / 100
        early, late = (early, day) if passed else (day, late)
    return early / (365.2425 / 12)


def drums() -> pd.DataFrame:
    """Three stored drums and one remixed control at each of four ages, all of one batch."""
    rows: list[dict[str, str]] = []
    for age, day in DAY.items():
        for i in range(STORED_EACH + 1):
            mixed = i == STORED_EACH
            rows.append({
                "container": f"T{len(rows) + 1:02d}", "lot": "0202", "store": "glaze house", "vessel": "drum205",
                "liquid_height_mm": f"{1000 * LIQUID_M:.0f}", "filled_on": FILLED, "sampled_on": day,
                "last_moved_on": "2026-02-02", "last_mixed_on": day if mixed else FILLED, "orientation": "upright",
                "temperature_c": "20", "treatment": "remixed control" if mixed else "stored", "sister_of": "",
                "age_days": str(age)})
    return pd.DataFrame(rows)


def make_truth(containers: pd.DataFrame) -> StudyTruth:
    """Everything that is true of the drums."""
    profile = tuple((c.container, depth, round(remaining(float(c.age_days), height) - 1, 6))
                    for c in rows_of(containers) if c.treatment == "stored"
                    for depth, height in zip(DEPTHS, HEIGHTS, strict=True))
    analytes = (
        AnalyteTruth(analyte="Zircon", unit="% (m/m)", level=LEVEL, container_profile=profile, sd_container=0.008,
                     sd_container_depth=0.01, s_r=0.015, step=0.001),
        AnalyteTruth(analyte="Boron", unit="mg/kg", level=BORON, sd_container=0.005, s_r=0.015, step=1))
    return StudyTruth(depths=DEPTHS, heights=HEIGHTS, analytes=analytes, seed=SEED)


def draws(containers: pd.DataFrame) -> pd.DataFrame:
    """Three zones a drum from the surface down, then, from the stored ones stirred up, one composite; blind codes."""
    rows: list[dict[str, str]] = []
    turns = stream(SEED, "drum order").permutation(len(containers))
    for c, turn in zip(rows_of(containers), turns, strict=True):
        zones = [("spot", d, f"{h:.4f}") for d, h in zip(DEPTHS, HEIGHTS, strict=True)]
        whole = [("composite", "", "")] if c.treatment == "stored" else []
        for i, (kind, depth, height) in enumerate(zones + whole, start=1):
            minute = 8 * 60 + 25 * (int(turn) % 16) + (4 * i if kind == "spot" else 22)
            rows.append({
                "container": c.container, "kind": kind, "depth": depth, "height": height, "draw_order": str(i),
                "purge_ml": "10", "volume_ml": "50", "tool": "closed tube, depth stop" if depth else "ladle, stirred 20 min",
                "drawn_at": f"{c.sampled_on} {minute // 60:02d}:{minute % 60:02d}", "drawn_by": "glaze mixer",
                "appearance": "white", "note": ""})
    frame = pd.DataFrame(rows)
    codes = stream(SEED, "blind codes").permutation(np.arange(201, 201 + len(frame)))
    frame.insert(0, "sample", [f"W{n}" for n in codes])
    return frame


def runs(containers: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """One run an age, positions at random."""
    run_of = {c.container: f"X{1 + list(DAY).index(int(c.age_days))}" for c in rows_of(containers)}
    frame = pd.DataFrame({"sample": samples["sample"], "run": samples["container"].map(run_of), "run_order": 0})
    rng = stream(SEED, "positions")
    for name in sorted(set(frame["run"])):
        at = frame.index[frame["run"] == name]
        frame.loc[at, "run_order"] = rng.permutation(len(at)) + 1
    return frame


def write_raw(bundle: Bundle, samples: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """Plant the faults, add the raw files; returns the samples with the note of the broken bottle."""
    code = str(samples.loc[(samples["container"] == "T06") & (samples["depth"] == "middle"), "sample"].iloc[0])
    samples = samples.copy()
    samples.loc[samples["sample"] == code, "note"] = "bottle broke on the way to the laboratory"
    bundle.fault("lost bottle", f"raw/{EARLY}", f"sample {code}, Zircon and Boron", "no result: the bottle broke.",
                 "The log says why; nothing is filled in, and the drum's other two zones still count.")
    bundle.fault("another unit", f"raw/{LATE}", "whole file", "zircon in g/kg, ten times the number in per cent.",
                 "Converted by the unit in the file.")
    results = results[results["sample"] != code]
    for name, chosen, turn, unit in ((EARLY, ("X1", "X2"), 1, "% (m/m)"), (LATE, ("X3", "X4"), 10, "g/kg")):
        bundle.text(f"raw/{name}", _sheet(results[results["run"].isin(chosen)], turn, unit))
    return samples


def _sheet(results: pd.DataFrame, turn: int, unit: str) -> str:
    """One line a bottle in the order of reading, headings over units."""
    table = [["Bottle", "Run", "Place", "ZrSiO4", "B", "Date"], ["", "", "", unit, "mg/kg", ""]]
    day = dict(zip(("X1", "X2", "X3", "X4"), ("2026-02-18", "2026-03-18", "2026-04-29", "2026-07-22"), strict=True))
    for (run, place, code), part in results.groupby(["run", "run_order", "sample"]):
        value = dict(zip(part["analyte"], part["value"], strict=True))
        table.append([str(code), str(run), str(place), f"{turn * value['Zircon']:.{3 if turn == 1 else 2}f}",
                      f"{value['Boron']:.0f}", day[str(run)]])
    return csv_text(table)


def truth_record(containers: pd.DataFrame, truth: StudyTruth, bundle: Bundle) -> dict[str, object]:
    """truth.json: expected verdicts, true contrasts, what is left in each zone by age, planted faults."""
    stored = containers.loc[containers["treatment"] == "stored", "container"]
    table = truth.contrasts(stored)
    analytes = {a.analyte: {
        "unit": a.unit, "level": a.level, "margin": MARGINS[a.analyte], "margin_scale": "%",
        "expected_verdict": EXPECTED[a.analyte][0], "why": EXPECTED[a.analyte][1],
        "nature": truth.nature(a.analyte, MARGINS[a.analyte], stored),
        "true_contrasts": {f"{r.deeper} - {r.shallower}": round(float(r.difference), 4)
                           for r in rows_of(table[table["analyte"] == a.analyte])},
        "sd_container": a.sd_container, "sd_container_depth": a.sd_container_depth, "s_r": a.s_r,
        "step": a.step} for a in truth.analytes}
    left = {str(age): {d: round(100 * remaining(age, h), 2) for d, h in zip(DEPTHS, HEIGHTS, strict=True)}
            for age in DAY}
    return {"invented": True, "seed": SEED, "study_verdict": "stratified", "analytes": analytes,
            "zircon_percent_of_mixed_by_age_days": left,
            "zircon_months_to_margin": round(months_to_margin(MARGINS["Zircon"]), 3), "faults": fault_rows(bundle)}


def make() -> Bundle:
    """The whole tile works' demo as a bundle of files."""
    bundle, containers = Bundle(name="slip", seed=SEED), drums()
    truth, samples = make_truth(containers), draws(containers)
    results = simulate_results(truth, containers, samples, runs(containers, samples))
    samples = write_raw(bundle, samples, results)
    bundle.table("plan/containers.csv", containers)
    bundle.table("plan/samples.csv", samples)
    bundle.text("study.toml", slip_text.STUDY)
    bundle.text("intake.toml", slip_text.INTAKE)
    bundle.json("truth.json", truth_record(containers, truth, bundle))
    bundle.text("README.md", readme(bundle, slip_text.TITLE, slip_text.STORY, slip_text.FILES, slip_text.TEACHES,
                                    slip_text.WORDS))
    return bundle
