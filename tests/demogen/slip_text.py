"""The tile works' demo's written files: study.toml, intake.toml, the README's words."""

from __future__ import annotations

TITLE = "Skerrowby Tile Works: white slip in drums, settling as the physics says"

STORY = """
A tile works keeps a thin white slip for wall tiles in 205 L drums: water, thickened with cellulose to 0.3 Pa·s at rest,
with 1.5 % zircon by mass (particles of 2 µm by mass median) and a little borax in solution. How long may a drum stand
before the first bucket is too poor in white; and must the borax be watched too?

16 drums of one batch: three at 14, 42, 84 and 168 days each, and at each age one more that was stirred just before
sampling. Three zones by closed tube. Then each stored drum was stirred up from the floor for 20 minutes and one
composite drawn, so that the zones can be held against the whole.
"""

FILES = {
    "study.toml": "the definition, with the fluid and what is suspended and dissolved in it",
    "plan/": "drums, and bottles",
    "raw/xrf_icp_to_march.csv": "the first two ages, zircon in per cent",
    "raw/xrf_icp_from_april.csv": "the last two ages, zircon in g/kg",
    "intake.toml": "how the raw files are to be read",
    "truth.json": "what was put in",
}

WORDS = """
Zircon is stratified, as the physics says. Borax is homogeneous on average, as planted; for the lot it reads
*homogeneous on average only*: with single determinations on twelve drums, one of them without a zone, far too
little is shown of the single drum. No word for the mean changed when the drums' own differences came to decide
instead of a scatter pooled over depths, nor when drums of all ages were taken together: zircon has 55 to 188 % now,
103 to 120 % before, since its ages lie far apart.
"""

TEACHES = """
A sparse suspension does what Stokes' law says: the expected profile, made from density, size and viscosity alone, lies on
the measured one at all four ages. The top becomes poor, the bottom zone is not enriched, and what is missing lies on the
floor: only the stirred composite shows it. Physics before sampling, and what a bound on the borax rules out afterwards.
"""

STUDY = """\
# Invented. See README.md in this folder.
title = "White slip in drums at 14, 42, 84 and 168 days"
question = "How long may a drum stand before a bucket from the top is too poor in zircon?"
responsible = "glaze mixer of the tile works"
scope = "lot"
alpha = 0.05
seed = 20260304
invented = true

[actions]
homogeneous = "Use as it stands."
uneven.do = "Stir every drum from the floor before use unless its own readings show it within the margins."
uneven.asks_for = ["mixing", "floor draw"]
stratified.do = "Stir for 20 minutes with the paddle on the floor before the first bucket."
stratified.asks_for = ["mixing", "floor draw"]
inconclusive = { do = "Stir, then draw three depths.", asks_for = "mixing" }

[factors]
depths = ["top", "middle", "bottom"]
fixed = ["age_months"]
by_depth = ["age_months"]

[time]
course = "saturating"   # the top empties: fast at first, then slower
half_months = 6         # about when half of that is done, by the settling estimate
starts = "mixed"

[analytes.Zircon]
label = "zircon"
unit = "% (m/m)"
method = "XRF on the dried slip, in-house"
margin = { relative_percent = 10 }
margin_reason = "a tenth less zircon is just seen in the fired white beside a reference tile"
kind = "solids"
nominal = 1.5
repeatability = { s_r_percent = 1.5, source = "the laboratory's control chart" }

[analytes.Boron]
label = "boron (borax)"
unit = "mg/kg"
method = "ICP-OES of the filtered water, in-house"
margin = { relative_percent = 5 }
margin_reason = "half of the tolerance of the recipe"
kind = "element"
nominal = 420
repeatability = { s_r_percent = 1.5, source = "the laboratory's control chart" }
blind_to = "boron in particles: the sample is filtered"

[vessels.drum205]
shape = "upright_cylinder"
diameter_mm = 560
height_mm = 880

[fluid]
density_kg_m3 = 1003
density_at_c = 20
density_expansion_per_k = 0.0002
rest_viscosity_pa_s = 0.3
storage_temperature_c = 20
temperature_difference_k = 5  # of a drum by day and night, at most

[[components]]
name = "zircon"
analyte = "Zircon"
density_kg_m3 = 4600
diameter_um = 2
log_sd = 0.5
volume_fraction = 0.0033
note = "median by mass and spread as the mill states them"

[[components]]
name = "borax"
analyte = "Boron"
density_kg_m3 = 1730
diameter_um = 0.001
note = "dissolved: the size of the ion is entered"

[design]
containers = 12
replicates = 1

[design.guesses.Zircon]
s_r = 1.5
sd_container = 1
sd_container_depth = 2
gradient = 100
source = "the laboratory's control chart, in %; gradient from the settling estimate at three months"

[design.guesses.Boron]
s_r = 1.5
sd_container = 1
source = "the laboratory's control chart, in %"

[sampling]
draw_ml = 50
purge_ml = 10
tool = "closed tube, depth stop"
zones = [
  { label = "top", height = 0.8333 },
  { label = "middle", height = 0.5 },
  { label = "bottom", height = 0.1667 },
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
permit = "glaze mixer of the tile works, store permit"
mixing_procedure = "paddle stirrer with lid, works instruction of the glaze shop"
"""

INTAKE = """\
# How each raw file is read. Form: docs/03-intake.md

[[file]]
pattern = "xrf_icp_*.csv"
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

[file.analytes]
ZrSiO4 = "Zircon"
B = "Boron"

[file.constants]
method = "XRF and ICP-OES, in-house"
"""
