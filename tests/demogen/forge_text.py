"""The graphite demo's written files: study.toml, intake.toml, the README's words."""

from __future__ import annotations

TITLE = "Vennodale Die Forge: graphite in water, plainly layered"

STORY = """
A die forge sprays a water-based graphite lubricant: 22.0 % solids by mass, 1.144 g/mL when fresh, in 60 L kegs, drawn
by a bottom tap five litres at a time. How bad is the layering after a week, a month, three months; does tumbling
restore the keg; may the last litres be used?

15 kegs of one lot: four at 7, 30 and 90 days each, and at each age one more that was tumbled for 60 minutes just before
sampling. Five zones of equal volume. Age goes by keg, and all kegs are one lot, so age and lot are not mixed up here,
but nothing is known of other lots.
"""

FILES = {
    "study.toml": "the definition",
    "plan/": "kegs, and bottles with the density of each zone for weighting by mass",
    "raw/oven_D1-D2.csv": "solids of the first two oven runs, as a fraction",
    "raw/oven_D3.csv": "solids of the third oven run, in per cent, decimal commas",
    "raw/bench_density_pH.csv": "density and pH, one line a bottle",
    "intake.toml": "how the raw files are to be read",
    "truth.json": "what was put in",
}

WORDS = """
Solids and density are stratified by any rule. pH is homogeneous on average, as planted; for the lot it reads
*homogeneous on average only*, because with none of twelve kegs beyond the margin up to 22 % of such kegs could
be, and 20 % were allowed. No word for the mean changed when the kegs' own differences came to decide instead of
a scatter pooled over depths, nor when kegs of all ages were taken together (their intervals are wider now).
"""

TEACHES = """
An effect that nobody can miss; zones weighted by mass (the plain mean of the zones at 90 days is 21.3 %, the keg holds
22.0 %); what the first and the last litres from a bottom tap contain; that a tumbled keg is the same at all depths;
what poor draws do; position in a run mixed up with depth.
"""

STUDY = """\
# Invented. See README.md in this folder.
title = "Graphite die lubricant in kegs at 7, 30 and 90 days"
question = "May a keg be sprayed without tumbling it first, and may the last litres be used?"
responsible = "tooling engineer of the forge"
scope = "lot"
alpha = 0.05
seed = 20260303
invented = true

[actions]
homogeneous = { do = "Spray as it stands.", asks_for = "nothing" }
uneven.do = "Tumble every keg for 60 minutes before use unless its own readings show it within the margins."
uneven.asks_for = "mixing"
stratified.do = "Tumble for 60 minutes, check the floor with a rod, release only if three depths agree within 5 %."
stratified.asks_for = ["mixing", "floor draw"]
inconclusive = { do = "Tumble, then draw three depths.", asks_for = "mixing" }

[factors]
depths = ["top", "upper", "middle", "lower", "bottom"]
fixed = ["age_months"]
by_depth = ["age_months"]

[analytes.Solids]
label = "solids"
unit = "% (m/m)"
method = "oven, 105 °C to constant mass"
margin = { absolute = 1.1 }
margin_reason = "5 % of 22.0: the range within which the spray film stays right"
kind = "solids"
repeatability = { s_r = 0.08, source = "stated by the works laboratory" }

[analytes.Density]
label = "density at 20 °C"
unit = "g/mL"
method = "pycnometer, 20 °C"
margin = { absolute = 0.01 }
margin_reason = "about what 1.5 % more or less solids make; the dosing pump is set by volume"
kind = "other"
repeatability = { s_r = 0.001, source = "stated by the works laboratory" }

[analytes.pH]
label = "pH"
unit = "pH"
method = "glass electrode, 20 °C"
margin = { absolute = 0.3, side = "below" }
margin_reason = "below it the dispersant lets go; a pH that is higher does no harm"
kind = "other"
repeatability = { s_r = 0.03, source = "stated by the works laboratory" }
blind_to = "suspended solids: the electrode sees the water"

[vessels.keg60]
shape = "upright_cylinder"
diameter_mm = 380
height_mm = 600

[fluid]
density_kg_m3 = 1005
density_at_c = 20
density_expansion_per_k = 0.0002
rest_viscosity_pa_s = 0.2
storage_temperature_c = 21

[[components]]
name = "graphite flakes"
analyte = "Solids"
density_kg_m3 = 2250
diameter_um = 3
log_sd = 0.4
volume_fraction = 0.11
note = "flakes settle slower than spheres of the same size"

[design]
containers = 12
replicates = 1

[design.guesses.Solids]
s_r = 0.08
sd_container = 0.1
sd_container_depth = 1.5
gradient = 5
source = "repeatability as stated by the works laboratory; gradient from two old kegs drawn by zones last year"

[sampling]
draw_ml = 60
purge_ml = 10
tool = "closed tube, depth stop"
zones = [
  { label = "top", height = 0.9 },
  { label = "upper", height = 0.7 },
  { label = "middle", height = 0.5 },
  { label = "lower", height = 0.3 },
  { label = "bottom", height = 0.1 },
]

[safety]
data_sheet = "invented data sheet, 2025"
flash_point_c = "none"
liquid_up_to_c = 25
conductivity_ps_m = 1e9
vessel_material = "metal"
pressure_or_gas = "no"
free_water = "no"
toxic_or_corrosive = "no"
permit = "shift lead of the forge, store permit"
mixing_procedure = "works instruction 4, tumbling shut kegs in the guarded tumbler"
"""

INTAKE = """\
# How each raw file is read. Form: docs/03-intake.md

[[file]]
pattern = "oven_D1-D2.csv"
layout = "wide"
header_row = 1
encoding = "utf-8"
delimiter = ","
decimal = "."
ignore_columns = ["unit"]

[file.columns]
sample = "bottle"
run = "oven run"
run_order = "place"
reported_on = "date"

[file.analytes]
solids = "Solids"

[file.units]
Solids = "g/g"

[file.constants]
method = "oven, 105 °C to constant mass"

[[file]]
pattern = "oven_D3.csv"
layout = "wide"
header_row = 1
encoding = "cp1252"
delimiter = ";"
decimal = ","
date_format = "%d.%m.%Y"
ignore_columns = ["Unit"]

[file.columns]
sample = "Bottle"
run = "Oven run"
run_order = "Place"
reported_on = "Date"

[file.analytes]
"Solids content" = "Solids"

[file.units]
Solids = "% (m/m)"

[file.constants]
method = "oven, 105 °C to constant mass"

[[file]]
pattern = "bench_*.csv"
layout = "wide"
header_row = 1
unit_row = 2
encoding = "utf-8"
delimiter = ","
decimal = "."

[file.columns]
sample = "Bottle"
run = "Run"

[file.analytes]
"Density 20 °C" = "Density"
"pH" = "pH"

[file.constants]
method = "pycnometer and glass electrode, 20 °C"
reported_on = "2026-08-26"
"""
