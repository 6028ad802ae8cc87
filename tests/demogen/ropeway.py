"""The gear-oil demo: what is true of 24 pails, its results, its truth record and its files."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from studykit.demos.simulate import AnalyteTruth, StudyTruth, simulate_results
from tests.demogen import antifoam, ropeway_raw, ropeway_text
from tests.demogen.common import Bundle, fault_rows, readme, rows_of
from tests.demogen.ropeway_plan import DEPTHS, HEIGHTS, LAYERED, LOTS, SEED, Plan, make_plan

SPIKE = 0.25  # layered control: the lower third carries this much more of the additive package


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What the study should say of one analyte, and why."""

    margin: float  # per cent where relative, else in the unit
    verdict: str
    why: str


EXPECTED = {
    "KV40": Expectation(margin=1.0, verdict="homogeneous", why="no depth effect; scatter 0.12 % against 1 %"),
    "P": Expectation(margin=5.0, verdict="homogeneous", why="no depth effect; scatter 1.8 % against 5 %, 24 pails"),
    "S": Expectation(margin=5.0, verdict="homogeneous", why="no depth effect; scatter 1.2 % against 5 %"),
    "B": Expectation(margin=2.0, verdict="inconclusive",
                     why="no depth effect, but 3.5 % scatter and whole mg/kg cannot resolve 2 % with 24 pails"),
    "Si": Expectation(margin=20.0, verdict="stratified",
                      why="antifoam leaves the upper zone: over the stock, lower is well over 20 % above upper"),
    "Ca": Expectation(margin=10.0, verdict="homogeneous",
                      why="no depth effect; 6 % drift along each run is spread over depths by random order"),
    "Zn": Expectation(margin=2.0, verdict="not assessed", why="more than half of the results lie below quantification"),
    "Water": Expectation(margin=50.0, verdict="homogeneous",
                         why="zones alike; two hut pails have 120 mg/kg more at the heel only"),
}


def ages(containers: pd.DataFrame) -> dict[str, float]:
    """Age in months at sampling of every container."""
    days = (pd.to_datetime(containers["sampled_on"]) - pd.to_datetime(containers["filled_on"])).dt.days
    return dict(zip(containers["container"], days / (365.2425 / 12), strict=True))


def silicon_profile(containers: pd.DataFrame) -> tuple[tuple[str, str, float], ...]:
    """Departure of Si from its fill value at each depth of each stored pail, by Stokes settling."""
    age = ages(containers)
    rows = []
    for c in rows_of(containers):
        if c.treatment == "stored":
            left = [antifoam.remaining(c.store, age[c.container], h) - 1 for h in HEIGHTS]
            rows += [(c.container, d, round(x, 4)) for d, x in zip(DEPTHS, left, strict=True)]
            rows.append((c.container, "heel", round(antifoam.heel(c.store, age[c.container]) - 1, 4)))
    return (*rows, (LAYERED, "lower", SPIKE))


def make_truth(plan: Plan) -> StudyTruth:
    """Everything that is true of the gear oil."""
    spike = ((LAYERED, "lower", SPIKE),)
    wet = tuple((c, "heel", 120.0) for c in plan.wet)
    analytes = (
        AnalyteTruth(analyte="KV40", unit="mm²/s", level=221.5, sd_container=0.0008, s_r=0.0012, step=0.01),
        AnalyteTruth(analyte="P", unit="mg/kg", level=340.0, container_profile=spike, sd_container=0.008, s_r=0.018,
                     step=1.0),
        AnalyteTruth(analyte="S", unit="% (m/m)", level=0.98, container_profile=spike, sd_container=0.006, s_r=0.012,
                     step=0.001),
        AnalyteTruth(analyte="B", unit="mg/kg", level=32.0, container_profile=spike, lot_shift=((LOTS[1][0], -0.09),),
                     sd_container=0.01, s_r=0.035, step=1.0),
        AnalyteTruth(analyte="Si", unit="mg/kg", level=16.0, container_profile=silicon_profile(plan.containers),
                     sd_container=0.03, sd_container_depth=0.03, s_r=0.06, step=0.1, quantification_limit=1.0),
        AnalyteTruth(analyte="Ca", unit="mg/kg", level=12.0, container_profile=spike, sd_container=0.01, s_r=0.025,
                     drift=0.06, step=0.1),
        AnalyteTruth(analyte="Zn", unit="mg/kg", level=1.9, relative=False, sd_container=0.2, s_r=0.15, step=0.1,
                     quantification_limit=2.0),
        AnalyteTruth(analyte="Water", unit="mg/kg", level=60.0, relative=False, container_profile=wet,
                     sd_container=6.0, s_r=8.0, step=1.0, quantification_limit=20.0),
    )
    return StudyTruth(depths=DEPTHS, heights=HEIGHTS, analytes=analytes, seed=SEED)


def truth_record(plan: Plan, truth: StudyTruth, bundle: Bundle) -> dict[str, object]:
    """truth.json: expected verdicts, true contrasts, spreads, settling by age, planted faults."""
    stored = plan.containers.loc[plan.containers["treatment"] == "stored", "container"]
    contrasts = truth.contrasts(stored)
    analytes = {}
    for a in truth.analytes:
        want, own = EXPECTED[a.analyte], contrasts[contrasts["analyte"] == a.analyte]
        analytes[a.analyte] = {
            "unit": a.unit, "level": a.level, "margin": want.margin, "margin_scale": "%" if a.relative else a.unit,
            "expected_verdict": want.verdict, "why": want.why, "nature": truth.nature(a.analyte, want.margin, stored),
            "true_contrasts": {f"{r.deeper} - {r.shallower}": round(float(r.difference), 3) for r in rows_of(own)},
            "scale": "fraction of the level" if a.relative else a.unit, "sd_container": a.sd_container,
            "sd_container_depth": a.sd_container_depth, "s_r": a.s_r, "drift_per_run": a.drift,
            "lot_shift": dict(a.lot_shift), "step": a.step, "quantification_limit": a.quantification_limit,
        }
    return {
        "invented": True, "seed": SEED, "study_verdict": "stratified", "analytes": analytes,
        "antifoam": antifoam_record(plan), "layered_control": {"container": LAYERED, "depth": "lower", "more": SPIKE},
        "wet_heels": list(plan.wet), "swapped_pail": plan.swapped, "faults": fault_rows(bundle),
    }


def antifoam_record(plan: Plan) -> dict[str, object]:
    """Settling of the antifoam by pail, and the age at which lower / upper passes 1.2 in each store."""
    age = ages(plan.containers)
    rows = [{"container": c.container, "store": c.store, "age_months": round(age[c.container], 1),
             **{d: round(antifoam.remaining(c.store, age[c.container], h), 3)
                for d, h in zip(DEPTHS, HEIGHTS, strict=True)},
             "on_floor": round(antifoam.on_floor(c.store, age[c.container]), 3)}
            for c in rows_of(plan.containers) if c.treatment == "stored"]
    crossing = {s: round(antifoam.crossing_months(s, HEIGHTS[2], HEIGHTS[0], 1.2), 1) for s in ("valley", "hut")}
    return {"mass_median_um": antifoam.MEDIAN_UM, "log_sd": antifoam.LOG_SD,
            "months_until_lower_is_20_percent_above_upper": crossing, "fraction_left": rows}


def recorded_results(plan: Plan, truth: StudyTruth) -> pd.DataFrame:
    """What the laboratory measured, with the swapped labels of one pail (its bottles say the wrong zone)."""
    results = simulate_results(truth, plan.containers, plan.samples, plan.runs)
    own = plan.samples[(plan.samples["container"] == plan.swapped) & (plan.samples["kind"] == "spot")]
    upper = str(own.loc[own["depth"] == "upper", "sample"].iloc[0])
    lower = str(own.loc[own["depth"] == "lower", "sample"].iloc[0])
    is_upper, is_lower = results["sample"] == upper, results["sample"] == lower
    numbers = ["value", "qualifier", "limit", "as_written"]
    swapped = results.copy()
    swapped.loc[is_upper, numbers] = results.loc[is_lower, numbers].to_numpy()
    swapped.loc[is_lower, numbers] = results.loc[is_upper, numbers].to_numpy()
    return swapped


def make() -> Bundle:
    """The whole gear-oil demo as a bundle of files."""
    bundle, plan = Bundle(name="ropeway", seed=SEED), make_plan()
    truth = make_truth(plan)
    samples = plan.samples.copy()
    results = recorded_results(plan, truth)
    swapped = samples[(samples["container"] == plan.swapped) & (samples["kind"] == "spot")]
    pair = [str(swapped.loc[swapped["depth"] == d, "sample"].iloc[0]) for d in ("upper", "lower")]
    bundle.fault("labels swapped", "plan/samples.csv", f"samples {pair[0]} and {pair[1]}",
                 f"pail {plan.swapped}: the bottles of the upper and the lower draw carry each other's code.",
                 "Suspect it from the mirror-image profile; correct it only with evidence from the drawing log.")
    samples = ropeway_raw.write(bundle, plan, samples, results)
    bundle.table("plan/containers.csv", plan.containers)
    bundle.table("plan/samples.csv", samples)
    bundle.text("study.toml", ropeway_text.STUDY)
    bundle.text("intake.toml", ropeway_text.INTAKE)
    bundle.json("truth.json", truth_record(plan, truth, bundle))
    bundle.text("README.md", readme(bundle, ropeway_text.TITLE, ropeway_text.STORY, ropeway_text.FILES,
                                    ropeway_text.TEACHES, ropeway_text.WORDS))
    return bundle
