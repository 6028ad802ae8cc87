"""The buoy yard's demo: twelve kegs, half upright and half lying, each drawn again at four visits through its ports.

The truth is a straight line: the logarithm of lowest over uppermost grows with the months since filling, faster in kegs that
lie, and each keg has a rate of its own. Drawing is invented to disturb nothing.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from studykit.demos.simulate import stream
from tests.demogen import beacon_text
from tests.demogen.common import Bundle, csv_text, fault_rows, readme, rows_of

SEED = 20260305
DEPTHS = ("upper", "middle", "lower")
HEIGHTS = (5 / 6, 1 / 2, 1 / 6)
FILLED = "2025-01-13"
VISITS = ("2025-04-14", "2025-07-14", "2025-10-13", "2026-01-12")
MONTH_DAYS = 365.2425 / 12
RATE = {"upright": 0.010, "lying": 0.018}  # logarithm of lowest over uppermost, a month
OWN_RATES, OWN_PROFILE, S_R = 0.15, 0.004, {"Mo": 0.015, "P": 0.012}
LEVEL = {"Mo": 900.0, "P": 480.0}  # mg/kg
MARGINS = {"Mo": 10.0, "P": 5.0}
EXPECTED = {
    "Mo": ("stratified", "at the last visit lowest over uppermost is 1.13 upright and 1.24 lying on average, margin 1.10"),
    "P": ("homogeneous", "dissolved, the same at all depths and ages"),
}
EACH = 6
BROKEN = ("B04", VISITS[1], "middle")


def months(day: str) -> float:
    """Age at a visit."""
    return (pd.Timestamp(day) - pd.Timestamp(FILLED)).days / MONTH_DAYS


def months_to_margin(orientation: str) -> float:
    """When the mean of that orientation passes the margin of molybdenum."""
    return math.log1p(MARGINS["Mo"] / 100) / RATE[orientation]


def kegs() -> pd.DataFrame:
    """Upright and lying in turn, two lots across both."""
    return pd.DataFrame([{
        "container": f"B{i + 1:02d}", "lot": "2501" if i % 4 < 2 else "2502", "store": "buoy yard",
        "vessel": "keg60" if i % 2 == 0 else "keg60 lying", "liquid_height_mm": "520" if i % 2 == 0 else "350",
        "filled_on": FILLED, "sampled_on": "", "last_moved_on": FILLED, "last_mixed_on": FILLED,
        "orientation": "upright" if i % 2 == 0 else "lying", "temperature_c": "12", "treatment": "stored", "sister_of": ""}
        for i in range(2 * EACH)])


def draws(containers: pd.DataFrame) -> pd.DataFrame:
    """Three zones of every keg at every visit, from the surface down; blind codes."""
    rows = []
    for day in VISITS:
        turns = stream(SEED, "order", day).permutation(len(containers))
        for c, turn in zip(rows_of(containers), turns, strict=True):
            for i, (depth, height) in enumerate(zip(DEPTHS, HEIGHTS, strict=True)):
                minute = 8 * 60 + 20 * int(turn) + 5 * i
                rows.append({
                    "container": c.container, "kind": "spot", "depth": depth, "height": f"{height:.4f}",
                    "draw_order": str(i + 1), "purge_ml": "10", "volume_ml": "60", "tool": "sampling port",
                    "drawn_at": f"{day} {minute // 60:02d}:{minute % 60:02d}", "drawn_by": "yard hand", "appearance": "grey",
                    "note": "", "visited_on": day})
    frame = pd.DataFrame(rows)
    codes = stream(SEED, "blind codes").permutation(np.arange(1001, 1001 + 7 * len(frame), 7))
    frame.insert(0, "sample", [f"K{n}" for n in codes])
    return frame


def readings(containers: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Both analytes of every bottle as the laboratory would write them, mg/kg."""
    lies, rng = dict(zip(containers["container"], containers["orientation"], strict=True)), stream(SEED, "kegs")
    own = {c: (1 + OWN_RATES * rng.standard_normal(), OWN_PROFILE * rng.standard_normal()) for c in containers["container"]}
    out = samples[["sample", "container", "depth", "visited_on"]].copy()
    part = out["depth"].map(dict(zip(DEPTHS, (-0.5, 0.0, 0.5), strict=True)))
    grown = np.array([RATE[lies[c]] * own[c][0] * months(d) + own[c][1]
                      for c, d in zip(out["container"], out["visited_on"], strict=True)])
    noise = stream(SEED, "laboratory").standard_normal((2, len(out)))
    out["Mo"] = LEVEL["Mo"] * np.exp(part * grown + S_R["Mo"] * noise[0])
    out["P"] = LEVEL["P"] * np.exp(S_R["P"] * noise[1])
    return out


def write_raw(bundle: Bundle, samples: pd.DataFrame, read: pd.DataFrame) -> pd.DataFrame:
    """A file a visit; returns the samples with the note of the broken bottle."""
    keg, day, depth = BROKEN
    lost = (samples["container"] == keg) & (samples["visited_on"] == day) & (samples["depth"] == depth)
    code = str(samples.loc[lost, "sample"].iloc[0])
    samples = samples.assign(note=samples["note"].mask(lost, "bottle broke on the way to the laboratory"))
    bundle.fault("lost bottle", f"raw/icp_{day}.csv", f"sample {code}, Mo and P", "no result: the bottle broke.",
                 "The log says why; nothing is filled in, and that keg's ends at this visit still count.")
    for number, visit in enumerate(VISITS, start=1):
        own = read[(read["visited_on"] == visit) & (read["sample"] != code)]
        own = own.iloc[stream(SEED, "positions", visit).permutation(len(own))]
        reported = f"{pd.Timestamp(visit) + pd.Timedelta(days=4):%Y-%m-%d}"
        rows = [["Bottle", "Run", "Place", "Mo", "P", "Date"], ["", "", "", "mg/kg", "mg/kg", ""]]
        rows += [[r.sample, f"V{number}", str(k), f"{r.Mo:.0f}", f"{r.P:.0f}", reported]
                 for k, r in enumerate(rows_of(own), start=1)]
        bundle.text(f"raw/icp_{visit}.csv", csv_text(rows))
    return samples


def truth_record(bundle: Bundle) -> dict[str, object]:
    """truth.json: expected verdicts, rates, times to the margin, planted faults."""
    analytes = {a: {"unit": "mg/kg", "level": LEVEL[a], "margin": MARGINS[a], "margin_scale": "%",
                    "expected_verdict": EXPECTED[a][0], "why": EXPECTED[a][1], "s_r": S_R[a]} for a in LEVEL}
    return {"invented": True, "seed": SEED, "study_verdict": "stratified", "analytes": analytes,
            "visits_months": {d: round(months(d), 3) for d in VISITS}, "log_ratio_a_month": RATE,
            "own_rates_share": OWN_RATES, "own_profile": OWN_PROFILE,
            "months_to_margin": {o: round(months_to_margin(o), 3) for o in RATE}, "faults": fault_rows(bundle)}


def make() -> Bundle:
    """The whole buoy yard's demo as a bundle of files."""
    bundle, containers = Bundle(name="beacon", seed=SEED), kegs()
    samples = draws(containers)
    samples = write_raw(bundle, samples, readings(containers, samples))
    bundle.table("plan/containers.csv", containers)
    bundle.table("plan/samples.csv", samples)
    bundle.text("study.toml", beacon_text.STUDY)
    bundle.text("intake.toml", beacon_text.INTAKE)
    bundle.json("truth.json", truth_record(bundle))
    bundle.text("README.md", readme(bundle, beacon_text.TITLE, beacon_text.STORY, beacon_text.FILES, beacon_text.TEACHES,
                                    beacon_text.WORDS))
    return bundle
