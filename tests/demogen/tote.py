"""The one-tote demo: three bottles, six analytes, numbers written by hand so that each teaches something."""

from __future__ import annotations

import pandas as pd

from tests.demogen.common import Bundle, csv_text, fault_rows, readme

TITLE = "Sallowmere Lock Trust: one tote of hydraulic fluid, three bottles"
STORY = """
A lock needs hydraulic fluid for a gate tomorrow. One 1000 L tote of biodegradable ester fluid (viscosity grade 46)
stands in the yard, 26 months old, 0.92 m of liquid. Three bottles were drawn through the top opening at 0.77, 0.46
and 0.15 m above the floor, from the top down, and analysed once each in one run.
"""
WORDS = """
The words are the planted ones. One container is judged by the stated precision, and its pairs of depths are now
charged together as those of a stock are: silicon is stratified by a hair (p 0.049, before 0.044; not after
Holm's adjustment over six analytes, and its scatter may be hardly larger than stated before the word is gone),
so the study's word rests on water.
"""

TEACHES = """
What one container and single results can and cannot tell: with published repeatability phosphorus can never be shown
the same within 5 %; water differs clearly; silicon and zinc are read below the range of their methods. Nothing is
said about other totes, the cause, or time. The cheapest next step: one heel draw and one mixed whole.
"""
FILES = {
    "study.toml": "the definition, with the repeatability of each method",
    "plan/": "one container, three samples",
    "raw/tote_2026-10-06.csv": "the laboratory's answer, one line a bottle, analytes over units",
    "intake.toml": "how it is to be read",
    "truth.json": "no simulation: the readings as written, and what should be said of each analyte",
}
DEPTHS = ("upper", "middle", "lower")
SAMPLES = ("0311", "0287", "0299")
READINGS = {
    "KV40": ("46.31", "46.33", "46.37"), "Ca": ("57.2", "57.6", "57.9"), "P": ("402", "409", "421"),
    "Si": ("6.1", "6.4", "9.8"), "Water": ("520", "535", "690"), "Zn": ("3.2", "3.4", "3.9"),
}
UNITS = {"KV40": "mm2/s", "Water": "mg/kg"}
# Half-widths in the reasons: 0.84 r for one pair (90 % interval), 1.20 r for all three pairs at once
# (studentised range of three results, 95 %).
EXPECTED = {
    "KV40": ("homogeneous", "0.06 apart, 90 % interval -0.04 to 0.16, margin 0.93"),
    "Ca": ("homogeneous", "0.7 apart, 90 % interval 0.2 to 1.2, margin 2.9; a small real difference is possible"),
    "P": ("inconclusive", "0.84 r = 36 is wider than the margin of 20: singles could never show it"),
    "Si": ("stratified", "3.7 apart, 90 % interval 1.9 to 5.5, margin 1.5; provisional: below the method's range"),
    "Water": ("stratified", "170 apart, all pairs at once 122 to 218, margin 100"),
    "Zn": ("inconclusive", "0.7 apart, 90 % interval 0.3 to 1.1, margin 0.5; far below the method's range"),
}

STUDY = """\
# Invented. See README.md in this folder.
title = "One tote of hydraulic fluid before use"
question = "May the fluid of this tote be pumped into the gate's tank tomorrow without recirculating it first?"
responsible = "maintenance planner of the locks"
scope = "container"
alpha = 0.05
seed = 20260302
invented = true

[actions]
homogeneous = { do = "Pump as it stands.", asks_for = "nothing" }
stratified.do = "Recirculate bottom to top for an hour, draw the heel and a mixed whole, then decide."
stratified.asks_for = ["mixing", "floor draw"]
inconclusive.do = "Draw the heel and a mixed whole: two more results decide most."
inconclusive.asks_for = ["mixing", "floor draw"]

[factors]
depths = ["upper", "middle", "lower"]

[analytes.KV40]
label = "viscosity at 40 °C"
unit = "mm²/s"
method = "kinematic viscosity, ASTM D445-21"
margin = { relative_percent = 2 }
margin_reason = "a fifth of the width of an ISO viscosity grade"
kind = "viscosity"
nominal = 46
repeatability = { r_percent = 0.26, source = "stated by the laboratory for formulated oils" }
blind_to = "trace additives at mg/kg level"

[analytes.Ca]
label = "calcium"
unit = "mg/kg"
method = "ICP-OES after ASTM D5185-18"
margin = { relative_percent = 5 }
margin_reason = "tolerance of the blender for the additive package"
kind = "element"
nominal = 57
method_key = "ASTM D5185-18"
blind_to = "particles above a few micrometres are read low"

[analytes.P]
label = "phosphorus"
unit = "mg/kg"
method = "ICP-OES after ASTM D5185-18"
margin = { relative_percent = 5 }
margin_reason = "tolerance of the blender for the antiwear additive"
kind = "element"
nominal = 410
method_key = "ASTM D5185-18"
blind_to = "particles above a few micrometres are read low"

[analytes.Si]
label = "silicon (antifoam)"
unit = "mg/kg"
method = "ICP-OES after ASTM D5185-18; range 8 to 50 mg/kg"
margin = { relative_percent = 20 }
margin_reason = "the foam test still passes with four fifths of the antifoam"
kind = "element"
nominal = 7.5
method_key = "ASTM D5185-18"
blind_to = "droplets and particles above a few micrometres are read low, the part most likely to settle"

[analytes.Water]
label = "water"
unit = "mg/kg"
method = "Karl Fischer, coulometric, ASTM D6304-20"
margin = { absolute = 100 }
margin_reason = "a tenth of the 1000 mg/kg at which this ester begins to hydrolyse noticeably"
kind = "water"
nominal = 500
repeatability = { r = 40, source = "stated by the laboratory" }

[analytes.Zn]
label = "zinc"
unit = "mg/kg"
method = "ICP-OES after ASTM D5185-18; range 60 to 1600 mg/kg"
margin = { absolute = 0.5 }
margin_reason = "contamination only; set before anybody asked whether it can be measured"
kind = "element"
nominal = 3.5
method_key = "ASTM D5185-18"
blind_to = "particles above a few micrometres are read low"

[vessels.tote1000]
shape = "rectangular"
length_mm = 1150
width_mm = 950
height_mm = 1000

[fluid]
density_kg_m3 = 920
density_at_c = 15
viscosity_mm2_s_at_40c = 46
viscosity_mm2_s_at_100c = 9
storage_temperature_c = 10
yearly_swing_c = 10

[[components]]
name = "silicone antifoam"
analyte = "Si"
density_kg_m3 = 970
diameter_um = 3
log_sd = 0.4

[[components]]
name = "free water droplets"
analyte = "Water"
density_kg_m3 = 1000
diameter_um = 20
log_sd = 0.5

[design]
containers = 1
replicates = 1

[sampling]
draw_ml = 100
purge_ml = 10
tool = "closed tube, depth stop"

[safety]
data_sheet = "invented data sheet, 2025"
flash_point_c = 255
liquid_up_to_c = 25
conductivity_ps_m = 1000
vessel_material = "plastic"
pressure_or_gas = "no"
free_water = "no"
toxic_or_corrosive = "no"
permit = "maintenance planner of the locks, store permit"
mixing_procedure = "works instruction 4, recirculating through the bonded transfer set"
"""

INTAKE = """\
# How the raw file is read. Form: docs/03-intake.md

[[file]]
pattern = "tote_*.csv"
layout = "wide"
header_row = 1
unit_row = 2
encoding = "utf-8"
delimiter = ","
decimal = "."

[file.columns]
sample = "Bottle"
run_order = "Position"
reported_on = "Reported"

[file.constants]
run = "1"
method = "as declared in study.toml"
"""


def _raw() -> str:
    analytes = list(READINGS)
    rows = [["Bottle", "Position", "Reported", *analytes], ["", "", "", *(UNITS.get(a, "mg/kg") for a in analytes)]]
    for position, zone in enumerate((1, 2, 0), start=1):
        rows.append([SAMPLES[zone], str(position), "2026-10-06", *(READINGS[a][zone] for a in analytes)])
    return csv_text(rows)


def make() -> Bundle:
    """The whole one-tote demo as a bundle of files."""
    bundle = Bundle(name="tote", seed=20260302)
    bundle.fault("below the method's range", "raw/tote_2026-10-06.csv", "Si and Zn",
                 "read far below the range for which their repeatability was published.",
                 "Say so beside the verdict; do not act on zinc.")
    bundle.text("study.toml", STUDY)
    bundle.text("intake.toml", INTAKE)
    bundle.table("plan/containers.csv", pd.DataFrame([{
        "container": "T-0019", "lot": "0806", "store": "yard", "vessel": "tote1000", "liquid_height_mm": "920",
        "filled_on": "2024-08-01", "sampled_on": "2026-10-01", "last_moved_on": "2024-08-06", "orientation": "upright",
        "temperature_c": "12", "treatment": "stored"}]))
    heights = ("0.837", "0.5", "0.163")
    bundle.table("plan/samples.csv", pd.DataFrame([{
        "sample": s, "container": "T-0019", "kind": "spot", "depth": d, "height": h, "draw_order": str(i + 1),
        "purge_ml": "10", "volume_ml": "100", "tool": "closed tube, depth stop",
        "drawn_at": f"2026-10-01 09:{10 + 12 * i}",
        "drawn_by": "fitter", "appearance": "clear" if i < 2 else "slightly hazy", "note": ""}
        for i, (s, d, h) in enumerate(zip(SAMPLES, DEPTHS, heights, strict=True))]))
    bundle.text("raw/tote_2026-10-06.csv", _raw())
    bundle.json("truth.json", {
        "invented": True, "seed": bundle.seed, "simulated": False, "study_verdict": "stratified",
        "needs": "a judgement for one container from the methods' repeatability; the model needs more containers",
        "analytes": {a: {"readings": dict(zip(DEPTHS, READINGS[a], strict=True)), "expected_verdict": EXPECTED[a][0],
                         "why": EXPECTED[a][1]} for a in READINGS},
        "faults": fault_rows(bundle)})
    bundle.text("README.md", readme(bundle, TITLE, STORY, FILES, TEACHES, WORDS))
    return bundle
