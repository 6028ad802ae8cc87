"""The graphite demo: 15 kegs of die lubricant, five zones, three ages, plainly layered; its truth and files."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.demos.simulate import AnalyteTruth, StudyTruth, simulate_results, stream
from tests.demogen import forge_raw, forge_text
from tests.demogen.common import Bundle, fault_rows, readme, rows_of

SEED = 20260303
DEPTHS = ("top", "upper", "middle", "lower", "bottom")
HEIGHTS = (0.9, 0.7, 0.5, 0.3, 0.1)
FRESH = 22.0  # % solids by mass
# Solids by zone, top to bottom, % by mass, of a keg that stood still so many days (invented).
SOLIDS = {7: (19.6, 21.5, 22.0, 22.3, 24.5), 30: (13.8, 20.3, 22.1, 23.2, 29.8), 90: (6.1, 16.3, 21.8, 24.5, 37.7)}
TUMBLED = 0.013  # a tumbled keg keeps this share of FRESH as departure at the ends
KEG_SPREAD = 0.06  # SD of a keg's own factor on its profile
VIBRATING, VIBRATING_FACTOR = 12, 0.6  # the keg on a vibrating floor is less layered
GRAPHITE, WATER = 2.25, 1.005  # densities, g/mL
DAY = {7: "2026-06-01", 30: "2026-06-24", 90: "2026-08-23"}
FILLED = "2026-05-25"
MARGINS = {"Solids": (1.1, False), "Density": (0.01, False), "pH": (0.3, False)}
EXPECTED = {
    "Solids": ("stratified", "bottom minus top is 5 to 32 % by mass against a margin of 1.1"),
    "Density": ("stratified", "follows the solids"),
    "pH": ("homogeneous", "of the water phase, the same at all depths"),
}


def density(solids_percent: float) -> float:
    """Density in g/mL of a slurry with so much graphite by mass (volumes add)."""
    w = solids_percent / 100
    return 1 / (w / GRAPHITE + (1 - w) / WATER)


def mass_weighted(solids_percent: tuple[float, ...]) -> float:
    """Mean solids in % by mass of zones of equal volume, weighted by their mass."""
    rho = np.array([density(s) for s in solids_percent])
    return float((rho * np.array(solids_percent)).sum() / rho.sum())


def kegs() -> pd.DataFrame:
    """Four stored kegs an age and one tumbled control an age, in one lot."""
    rows: list[dict[str, str]] = []
    for age in SOLIDS:
        for i in range(5):
            tumbled = i == 4
            number = len(rows) + 1
            rows.append({
                "container": f"K{number:02d}", "lot": "0526", "store": "vibrating floor" if number == VIBRATING else
                "die shop", "vessel": "keg60", "liquid_height_mm": "529", "filled_on": FILLED, "sampled_on": DAY[age],
                "last_moved_on": "2026-05-26", "last_mixed_on": DAY[age] if tumbled else FILLED,
                "orientation": "upright", "temperature_c": "21",
                "treatment": "remixed control" if tumbled else "stored",
                "sister_of": "", "age_days": str(age), "tumbled_min": "60" if tumbled else "0"})
    return pd.DataFrame(rows)


def zone_solids(keg: int, age: int, tumbled: bool) -> tuple[float, ...]:
    """True solids of the five zones of one keg, % by mass."""
    if tumbled:
        return tuple(FRESH * (1 + TUMBLED * x) for x in (-1.0, -0.4, 0.0, 0.4, 1.0))
    own = 1 + KEG_SPREAD * float(stream(SEED, "keg", str(keg)).standard_normal())
    factor = VIBRATING_FACTOR if keg == VIBRATING else own
    return tuple(FRESH + factor * (s - FRESH) for s in SOLIDS[age])


def make_truth(containers: pd.DataFrame) -> StudyTruth:
    """Everything that is true of the kegs."""
    solids, rho = [], []
    for number, c in enumerate(rows_of(containers), start=1):
        zones = zone_solids(number, int(c.age_days), c.treatment != "stored")
        solids += [(c.container, d, round(s - FRESH, 3)) for d, s in zip(DEPTHS, zones, strict=True)]
        rho += [(c.container, d, round(density(s) - density(FRESH), 5)) for d, s in zip(DEPTHS, zones, strict=True)]
    analytes = (
        AnalyteTruth(analyte="Solids", unit="% (m/m)", level=FRESH, relative=False, container_profile=tuple(solids),
                     sd_container=0.1, s_r=0.08, drift=0.3, step=0.01),
        AnalyteTruth(analyte="Density", unit="g/mL", level=round(density(FRESH), 4), relative=False,
                     container_profile=tuple(rho), sd_container=0.0006, s_r=0.001, step=0.001),
        AnalyteTruth(analyte="pH", unit="pH", level=10.2, relative=False, sd_container=0.03, s_r=0.03, step=0.01),
    )
    return StudyTruth(depths=DEPTHS, heights=HEIGHTS, analytes=analytes, seed=SEED)


def draws(containers: pd.DataFrame) -> pd.DataFrame:
    """Five draws a keg from the surface down; kegs in random order; blind codes."""
    rng = stream(SEED, "blind codes")
    numbers = rng.permutation(np.arange(101, 101 + len(containers) * len(DEPTHS)))
    turns = stream(SEED, "keg order").permutation(len(containers))
    rows: list[dict[str, str]] = []
    for c, turn in zip(rows_of(containers), turns, strict=True):
        for i, (depth, height) in enumerate(zip(DEPTHS, HEIGHTS, strict=True), start=1):
            minute = 8 * 60 + 30 * (int(turn) % 15) + 5 * i
            rows.append({
                "sample": f"G{numbers[len(rows)]:03d}", "container": c.container, "kind": "spot", "depth": depth,
                "height": f"{height:g}", "draw_order": str(i), "purge_ml": "10", "volume_ml": "60",
                "density_kg_m3": "", "tool": "closed tube, depth stop",
                "drawn_at": f"{c.sampled_on} {minute // 60:02d}:{minute % 60:02d}", "drawn_by": "die setter",
                "appearance": "black", "note": ""})
    return pd.DataFrame(rows)


def runs(containers: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """One run an age; positions at random, but in the second run by depth (a planted fault)."""
    run_of = {c.container: f"D{1 + list(SOLIDS).index(int(c.age_days))}" for c in rows_of(containers)}
    frame = pd.DataFrame({"sample": samples["sample"], "run": samples["container"].map(run_of), "run_order": 0})
    rng = stream(SEED, "positions")
    for name in sorted(set(frame["run"])):
        at = frame.index[frame["run"] == name]
        if name == "D2":
            by_depth = samples.loc[at].assign(k=samples.loc[at, "depth"].map(DEPTHS.index))
            order = by_depth.sort_values(["k", "container"], kind="stable").index
            frame.loc[order, "run_order"] = np.arange(1, len(at) + 1)
        else:
            frame.loc[at, "run_order"] = rng.permutation(len(at)) + 1
    return frame


def truth_record(containers: pd.DataFrame, truth: StudyTruth, bundle: Bundle) -> dict[str, object]:
    """truth.json: expected verdicts, true contrasts, solids by age, mass balance, planted faults."""
    stored = containers.loc[containers["treatment"] == "stored", "container"]
    table = truth.contrasts(stored)
    analytes = {a.analyte: {
        "unit": a.unit, "level": a.level, "margin": MARGINS[a.analyte][0], "margin_scale": a.unit,
        "expected_verdict": EXPECTED[a.analyte][0], "why": EXPECTED[a.analyte][1],
        "nature": truth.nature(a.analyte, MARGINS[a.analyte][0], stored),
        "true_contrasts": {f"{r.deeper} - {r.shallower}": round(float(r.difference), 4)
                           for r in rows_of(table[table["analyte"] == a.analyte])},
        "sd_container": a.sd_container, "s_r": a.s_r, "drift_per_run": a.drift, "step": a.step} for a in truth.analytes}
    by_age = {str(age): {"solids": list(z), "bottom_over_top": round(z[-1] / z[0], 2),
                         "plain_mean": round(sum(z) / len(z), 2), "mass_weighted_mean": round(mass_weighted(z), 2)}
              for age, z in SOLIDS.items()}
    return {"invented": True, "seed": SEED, "study_verdict": "stratified", "analytes": analytes, "by_age_days": by_age,
            "less_layered_keg": f"K{VIBRATING:02d}", "tumbled_60_min_departure": TUMBLED, "faults": fault_rows(bundle)}


def make() -> Bundle:
    """The whole graphite demo as a bundle of files."""
    bundle, containers = Bundle(name="forge", seed=SEED), kegs()
    truth, samples = make_truth(containers), draws(containers)
    results = simulate_results(truth, containers, samples, runs(containers, samples))
    samples = forge_raw.write(bundle, samples, results)
    bundle.table("plan/containers.csv", containers)
    bundle.table("plan/samples.csv", samples)
    bundle.text("study.toml", forge_text.STUDY)
    bundle.text("intake.toml", forge_text.INTAKE)
    bundle.json("truth.json", truth_record(containers, truth, bundle))
    bundle.text("README.md", readme(bundle, forge_text.TITLE, forge_text.STORY, forge_text.FILES, forge_text.TEACHES,
                                    forge_text.WORDS))
    return bundle
