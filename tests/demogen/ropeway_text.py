"""The gear-oil demo's written files: study.toml, intake.toml, the README's words."""

from __future__ import annotations

TITLE = "Quillmarsh Ropeway Authority: has the gear oil in the pails settled?"

STORY = """
A cable railway keeps 240 sealed 20 L pails of EP gear oil (viscosity grade 220) in a heated valley store and in
an unheated summit hut. Technicians pour the first 12 L of a pail into a drive gearbox and keep the last 8 L for
topping up. Must the pails be mixed first, and from what age on?

24 pails were sampled where they stood: three lots, two visits nine months apart (so that age and lot can be told
apart; the second visit took sister pails), two stores, two pails each. Upper, middle and lower zone of every pail;
the heel of twelve; a mixed whole of six; nine blind duplicates; two remixed pails, one layered control and four
check fluids. 112 bottles went to the laboratory in four runs, all bottles of a pail in one run, in random order.
"""

FILES = {
    "study.toml": "the definition: question, margins, depths, vessels, fluid",
    "plan/containers.csv": "pails",
    "plan/samples.csv": "bottles under their blind codes, with what was drawn where",
    "raw/R1-R2_2025-11-28.csv": "first visit, long form",
    "raw/R3_2026-08-24.csv": "third run, long form, decimal commas",
    "raw/R4_2026-09-04.csv": "fourth run, one line a bottle",
    "intake.toml": "how the raw files are to be read",
    "truth.json": "what was put in: expected verdict of each analyte, true depth contrasts, spreads, faults",
}

WORDS = """
The words for the mean are the planted ones. Since pairs of depths are judged by the pails' own differences,
with no scatter pooled over depths, the intervals are others than before (wider or narrower by up to a third;
silicon's lower against middle is half as wide), and no word for the mean changed. For the stock more is asked
since: at most 20 % of the pails may be beyond the margin. Only viscosity shows that. Phosphorus, sulphur,
calcium and water read *homogeneous on average only*: of 24 pails some have a difference that is not clearly
within, or a zone without a reading, and each of those counts against the share. Silicon stays stratified; the
pails shown beyond the margin are named. Since pails of all groups are taken together and each group is judged by
its own scatter, silicon's interval is twice as wide (its ages lie far apart), and of its groups of two pails one
alone is shown beyond.
"""

TEACHES = """
Confounding broken by sister pails; the mean of the stock against single pails; a lot difference that is no depth
effect (B); loss to the floor that the lower zone does not show (Si); drift hidden by random order (Ca); results
below quantification (Zn); a margin finer than the laboratory can resolve (B); water at the heel that no zone shows;
swapped labels.
"""

STUDY = '''\
# Invented. See README.md in this folder.
title = "Gear oil in pails: valley store and summit hut"
question = """\\
Must a stored 20 L pail be mixed before technicians pour the first 12 L into a drive gearbox \\
and keep the rest for topping up?"""
responsible = "lubrication engineer of the ropeway"
scope = "stock"
alpha = 0.05
seed = 20260301
invented = true

[actions]
homogeneous = { do = "Pour as is; sample again in a year.", asks_for = "nothing" }
uneven.do = "Tumble every pail for ten minutes before use unless its own readings show it within the margins."
uneven.asks_for = "mixing"
stratified.do = "Tumble every pail for ten minutes before opening it; do not top up from an unmixed heel."
stratified.asks_for = ["mixing", "floor draw"]
inconclusive.do = "Tumble as a precaution; sample more pails or ask the laboratory for unrounded duplicates."
inconclusive.asks_for = "mixing"

[factors]
depths = ["upper", "middle", "lower"]
fixed = ["lot", "store", "age_months"]
by_depth = ["store", "age_months"]
run = false

[analytes.KV40]
label = "viscosity at 40 °C"
unit = "mm²/s"
method = "kinematic viscosity, ASTM D445-21"
margin = { relative_percent = 1 }
margin_reason = "a tenth of the width of an ISO viscosity grade; a zone further off would not be the same oil"
kind = "viscosity"
nominal = 221.5
repeatability = { s_r_percent = 0.12, source = "the laboratory's control chart" }
blind_to = "trace additives: antifoam or dirt at mg/kg level does not change viscosity"

[analytes.P]
label = "phosphorus"
unit = "mg/kg"
method = "ICP-OES, in-house 12 after ASTM D5185-18"
margin = { relative_percent = 5 }
margin_reason = "half of the blender's tolerance for the extreme-pressure additive"
kind = "element"
nominal = 340
method_key = "ASTM D5185-18"
repeatability = { s_r_percent = 1.8, source = "the laboratory's control chart" }
blind_to = "particles above a few micrometres are read low"

[analytes.S]
label = "sulphur"
unit = "% (m/m)"
method = "WD-XRF, in-house 7"
margin = { relative_percent = 5 }
margin_reason = "half of the blender's tolerance for the extreme-pressure additive"
kind = "element"
nominal = 0.98
repeatability = { s_r_percent = 1.2, source = "the laboratory's control chart" }

[analytes.B]
label = "boron"
unit = "mg/kg"
method = "ICP-OES, in-house 12 after ASTM D5185-18"
margin = { relative_percent = 2 }
margin_reason = "the blender's release tolerance for the borate, taken over as it stands"
kind = "element"
nominal = 32
repeatability = { s_r_percent = 3.5, source = "the laboratory's control chart" }
blind_to = "particles above a few micrometres are read low"

[analytes.Si]
label = "silicon (antifoam)"
unit = "mg/kg"
method = "ICP-OES, in-house 12 after ASTM D5185-18"
margin = { relative_percent = 20 }
margin_reason = "the foam test still passes with four fifths of the antifoam"
kind = "element"
nominal = 16
method_key = "ASTM D5185-18"
repeatability = { s_r_percent = 6, source = "the laboratory's control chart" }
blind_to = "droplets and particles above a few micrometres are read low, the part most likely to settle"

[analytes.Ca]
label = "calcium"
unit = "mg/kg"
method = "ICP-OES, in-house 12 after ASTM D5185-18"
margin = { relative_percent = 10 }
margin_reason = "trace of detergent from the blender's line; only a large difference would matter"
kind = "element"
nominal = 12
repeatability = { s_r_percent = 2.5, source = "the laboratory's control chart" }
blind_to = "particles above a few micrometres are read low"

[analytes.Zn]
label = "zinc"
unit = "mg/kg"
method = "ICP-OES, in-house 12 after ASTM D5185-18"
margin = { absolute = 2 }
margin_reason = "contamination only; 2 mg/kg more has no effect on the gears"
kind = "element"
nominal = 2
repeatability = { s_r = 0.15, source = "the laboratory's control chart" }
blind_to = "particles above a few micrometres are read low"

[analytes.Water]
label = "water"
unit = "mg/kg"
method = "Karl Fischer, coulometric, ASTM D6304-20"
margin = { absolute = 50 }
margin_reason = "a quarter of the 200 mg/kg at which the oil is dried"
kind = "water"
nominal = 60
repeatability = { s_r = 8, source = "the laboratory's control chart" }

[vessels.pail20]
shape = "frustum"
bottom_diameter_mm = 270
top_diameter_mm = 300
height_mm = 360

[vessels.clear2l]
shape = "upright_cylinder"
diameter_mm = 110
height_mm = 250

[fluid]
density_kg_m3 = 895
density_at_c = 15
viscosity_mm2_s_at_40c = 220
viscosity_mm2_s_at_100c = 19
storage_temperature_c = 18
store_temperature_c = { valley = 18, hut = 8 }
yearly_swing_c = 3

[[components]]
name = "silicone antifoam"
analyte = "Si"
density_kg_m3 = 970
diameter_um = 6
log_sd = 0.4
note = "droplets, mass median and spread as the blender states them"

[[components]]
name = "phosphorus and sulphur additives"
analyte = "P"
density_kg_m3 = 1100
diameter_um = 0.002
note = "dissolved: the molecule's size is entered"

[design]
containers = 24
replicates = 1
target = 0.8
cost_container = 40
cost_sample = 10
cost_determination = 6
currency = "units"

[design.guesses.P]
s_r = 2
sd_container = 1
source = "the laboratory's own control chart, in %"

[design.guesses.B]
s_r = 3.5
sd_container = 1
source = "the laboratory's own control chart, in %"

[design.guesses.Si]
s_r = 6
sd_container = 3
sd_container_depth = 3
gradient = 25
source = "the laboratory's own control chart, in %; gradient from the settling estimate at two years"

[sampling]
draw_ml = 100
purge_ml = 5
heel = true
tool = "closed tube, depth stop"
bottle_ml = 125
run_capacity = 36
tests = [
  { name = "elements by ICP", volume_ml = 10 },
  { name = "viscosity", volume_ml = 20 },
  { name = "water", volume_ml = 10 },
  { name = "sulphur by XRF", volume_ml = 10 },
]

[safety]
data_sheet = "invented data sheet, 2025"
flash_point_c = 240
liquid_up_to_c = 25
conductivity_ps_m = 100
vessel_material = { pail20 = "metal", clear2l = "other" }
pressure_or_gas = "no"
free_water = "no"
toxic_or_corrosive = "no"
permit = "lubrication engineer, store permit"
mixing_procedure = "works instruction 4, guarded tumbler"
'''

INTAKE = """\
# How each raw file is read. Form: docs/03-intake.md

accept_rejected = "one row of the first report stands twice, letter for letter; one of them counts"
accept_rejected_rows = 1

[[file]]
pattern = "R1-R2_*.csv"
layout = "long"
header_row = 1
encoding = "utf-8"
delimiter = ","
decimal = "."

[file.columns]
sample = "Bottle"
analyte = "Determination"
value = "Result"
unit = "Unit"
method = "Method"
run = "Batch"
run_order = "Position"
reported_on = "Reported"

[file.analytes]
"Visc. 40 °C" = "KV40"
"Phosphorus" = "P"
"Sulphur (XRF)" = "S"
"Boron" = "B"
"Silicon" = "Si"
"Calcium" = "Ca"
"Zinc" = "Zn"
"Water KF" = "Water"

[[file]]
pattern = "R3_*.csv"
layout = "long"
header_row = 3
encoding = "cp1252"
delimiter = ";"
decimal = ","
footer = "End of report"
date_format = "%d.%m.%Y"
ignore_columns = ["Remark"]

[file.columns]
sample = "Code"
analyte = "Test"
value = "Result"
unit = "Unit"
run = "Batch"
run_order = "Pos"
reported_on = "Date of report"

[file.analytes]
"Visc. 40 °C" = "KV40"
"Phosphorus" = "P"
"Sulphur (XRF)" = "S"
"Boron" = "B"
"Silicon" = "Si"
"Calcium" = "Ca"
"Zinc" = "Zn"
"Water KF" = "Water"

[file.constants]
method = "as in the first report"

[file.confirmed]        # values far off their column, asked about
"7838 Si" = "P 347, S 0.973, B 32 as in the other bottles; below it 3554 has 8.4 and 8131 has 11.3: the top is poor in Si"

[[file]]
pattern = "R4_*.csv"
layout = "wide"
header_row = 1
unit_row = 2
encoding = "utf-8"
delimiter = ","
decimal = "."
date_format = "%d/%m/%Y"        # day first: 04/09/2026 is 4 September

[file.columns]
sample = "Sample"
run = "Batch"
run_order = "Pos"
reported_on = "Reported"

[file.constants]
method = "as in the first report"

[file.confirmed]
"2094 Si" = "P 336, S 0.963, B 31 as in the other bottles; below it 0132 has 8.5 and 3608 has 11.5: the top is poor in Si"
"""
