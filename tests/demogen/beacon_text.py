"""Texts of the buoy yard's demo: README parts, study.toml, intake.toml."""

TITLE = "Farrow Sound buoy yard: kegs of chain oil, upright and lying, drawn again for a year"
STORY = """
A yard keeps oil with fine molybdenum disulphide for the chains of its buoys in 60 L kegs. Some stand, some lie in a rack.
Twelve kegs of two lots, six of each, were fitted with three ports and drawn at four visits, a quarter of a year apart. How
long may a keg stand, and does lying matter?
"""
WORDS = """
Molybdenum is stratified and phosphorus homogeneous, as planted. The chapter on time finds the planted rates, 0.010 a month
upright and 0.018 lying (as the logarithm of lowest over uppermost), within their intervals, and the planted times to the
margin, 9.53 and 5.30 months. What it allows is shorter, because it must be shown. The verdict is about the last visit, the
lines are about all four.
"""
TEACHES = """
The same containers over time: what a visit is, that three readings of one keg are not three kegs, rates with intervals by
orientation, and a date on a keg. Drawing is invented to disturb nothing; a real draw takes liquid out and stirs a little.
"""
FILES = {
    "study.toml": "the definition: visits, the same containers, orientation as a factor",
    "plan/": "twelve kegs, 144 samples at four visits",
    "raw/": "the laboratory's answer, a file a visit",
    "intake.toml": "how it is to be read",
    "truth.json": "rates, own rates, times to the margin, what should be said of each analyte",
}

STUDY = """\
# Invented. See README.md in this folder.
title = "Chain oil in kegs, upright and lying, drawn at 3, 6, 9 and 12 months"
question = "How long may a keg stand before its last third is too rich in molybdenum disulphide, and does lying matter?"
responsible = "storekeeper of the buoy yard"
scope = "stock"
alpha = 0.05
seed = 20260305
invented = true

[actions]
homogeneous = "Use as it stands."
uneven.do = "Roll every keg before use unless its own readings show it within the margins."
uneven.asks_for = "mixing"
stratified = { do = "Roll the keg for ten minutes before the first pail.", asks_for = "mixing" }
inconclusive = { do = "Roll the keg, then draw again.", asks_for = "mixing" }

[factors]
depths = ["upper", "middle", "lower"]
fixed = ["orientation", "age_months"]
by_depth = ["orientation", "age_months"]

[time]
course = "linear"
starts = "filled"
visits = ["2025-04-14", "2025-07-14", "2025-10-13", "2026-01-12"]
containers = "same"       # each keg is drawn again through its ports

[analytes.Mo]
label = "molybdenum"
unit = "mg/kg"
method = "ICP-OES after acid digestion, in-house"
margin = { relative_percent = 10 }
margin_reason = "half of the tolerance of the recipe"
kind = "element"
nominal = 900
repeatability = { s_r_percent = 1.5, source = "the laboratory's control chart" }

[analytes.P]
label = "phosphorus"
unit = "mg/kg"
method = "ICP-OES after acid digestion, in-house"
margin = { relative_percent = 5 }
margin_reason = "half of the tolerance of the recipe"
kind = "element"
nominal = 480
repeatability = { s_r_percent = 1.2, source = "the laboratory's control chart" }

[vessels.keg60]
shape = "upright_cylinder"
diameter_mm = 380
height_mm = 560

[vessels."keg60 lying"]
shape = "horizontal_cylinder"
diameter_mm = 380
length_mm = 560

[design]
containers = 12
replicates = 1
cost_container = 30
cost_sample = 8
cost_determination = 12
currency = "units"
controls = []

[design.guesses.Mo]
s_r = 1.5
sd_container_depth = 0.5
gradient = 20
months_to_margin = 8
own_rates_percent = 20
source = "the laboratory's control chart, in %; growth from a keg that stood for two years"

[design.guesses.P]
s_r = 1.2
sd_container_depth = 0.5
gradient = 0
source = "the laboratory's control chart, in %"

[sampling]
draw_ml = 60
purge_ml = 10
tool = "sampling port"
zones = [
  { label = "upper", height = 0.8333 },
  { label = "middle", height = 0.5 },
  { label = "lower", height = 0.1667 },
]

[safety]
data_sheet = "invented data sheet, 2024"
flash_point_c = 210
liquid_up_to_c = 25
conductivity_ps_m = 5000
vessel_material = { keg60 = "metal", "keg60 lying" = "metal" }
pressure_or_gas = "no"
free_water = "no"
toxic_or_corrosive = "no"
permit = "storekeeper of the buoy yard, store permit"
mixing_procedure = "works instruction 4, rolling shut kegs in the guarded roller"
"""

INTAKE = """\
# How each raw file is read. Form: docs/03-intake.md

[[file]]
pattern = "icp_*.csv"
layout = "wide"
header_row = 1
unit_row = 2
encoding = "utf-8"
delimiter = ","
decimal = "."

[file.columns]
sample = "Bottle"
run = "Run"
run_order = "Place"
reported_on = "Date"

[file.constants]
method = "ICP-OES, in-house"
"""
