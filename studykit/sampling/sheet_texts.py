"""What the printed sheets say to the person at the bench and to the laboratory.

The cautions follow common safety practice and defer to data sheets, local rules and licensed people; they give
no authority to handle anything.
"""

from __future__ import annotations

CAUTIONS = (
    "This sheet gives no permission. The safety data sheet, local law and codes, the site's permits and "
    "competent or licensed people decide. If unsure, stop.",
    "Never cut, drill, grind, weld or heat a container that holds or has held the fluid, not even an \"empty\" one: "
    "residue and vapour in its seams have killed people, with ordinary oils too.",
    "A bulged, hissing or hot container stays shut: call trained people. Relieve pressure slowly, face turned away.",
    "Ignition and static: flash point and vapour decide. No sources of ignition; bond and earth as the site rules "
    "say (for poorly conducting liquids that may not be enough); no insulating plastic tools; wait after moving.",
    "Skin, eyes, lungs: gloves and goggles as the data sheet says; no oily rags in pockets; wash at once.",
    "Never suck by mouth, never start a siphon by mouth. No food or drink bottles for samples.",
    "Lifting: a 20 L pail weighs about 18 kg, a drum about 200 kg. Do not tilt or climb; get help or a lifting aid.",
    "Never lean or climb into a tank or tote. Do not work alone.",
    "Spills: tray, absorbent, drain covered. Purge, rinsings and left-overs go to licensed disposal, never back "
    "into the stock.",
    "Reseal, mark the container as sampled, and use it first or set it aside. Ship as the data sheet and the "
    "carrier's rules demand.",
)

STEPS = (
    "Sample where it stands: do not move, roll, tilt or bump it; if it was moved, write when.",
    "Photograph label, place, open bung and surface.",
    "From the surface down, one clean tube a depth, lowered closed and slowly on its depth stop.",
    "Measure rim to surface without touching the liquid; dip for height and water only after all draws.",
    "Set the tip by its height above the floor: it stays true while the level falls.",
    "Purge at that depth into the waste, then draw slowly (50 to 100 mL a minute) and fill the bottle to at most 85 %.",
    "Check the code on the bottle against this row before the draw; tick when the bottle is shut.",
    "If the tip meets a visible boundary, move it into one layer and write why.",
)

SEDIMENT = {
    "look": "Look before touching.",
    "heel": "Heel: after the draws of all depths, flat-ended tube just above the floor, no purge, so that loose "
    "sediment is taken undisturbed.",
    "residue": "Residue: only then stir the sediment into what is left until nothing sticks to a rod, and draw the "
    "last sample at once; it is a sample of its own.",
    "unseen": "This plan has no draw from the floor: what has already settled there is not seen.",
    "cake": "After all draws feel the floor with a rod, and write hardness and thickness of a cake.",
}

CONTROL_STEPS = (
    "Fill these bottles in the same place, with the same kind of tool and to the same level as all others, so that "
    "nobody can tell them apart.",
    "Check fluid: from one well mixed stock; shake the stock before every portion.",
    "Blank: clean base fluid, drawn through a tool cleaned like the others.",
    "Retained: the sample kept from the filling of the lot, shaken until nothing lies on the bottom, then portioned.",
    "This page unblinds: it stays with the key.",
)

CONTROL_NOTES = {
    "remixed control": "remixed control: mix it first by the site's own method, let the air rise, then draw it like "
    "the others; write tool and minutes of mixing as a remark.",
    "layered control": "layered control: made up with a known step between the layers; fill it slowly, do not shake "
    "it, and draw it like the others; write what was added as a remark.",
}

REQUESTS = (
    "Suspended matter belongs to the sample. Do not filter and do not let it settle: warm if the method allows, shake "
    "until nothing lies on the bottom, and take the portion at once. Shake again before every further portion.",
    "Measure each run in one session, on one instrument, by one operator, in the order of the list. Please do not "
    "split a run or fill it up with other bottles between ours.",
    "Report every value unrounded, with unit, run and position as actually measured.",
    "Report a value below the quantification limit as < with that limit; not as zero, dash or blank.",
    "If a bottle is measured again, report all values and say why; do not average. Mark a corrected report as such.",
    "Keep what is left of every bottle until we ask for it or agree to its disposal.",
)

QUESTIONS = (
    "Which method is used for each test: designation, year of edition, and any departure from it?",
    "How is a sample prepared: warmed to what temperature, shaken how and for how long, ultrasound, filtration, "
    "dilution? How long from shaking to taking the portion?",
    "How many bottles fit into one run, and can our runs be kept whole and in order?",
    "What are the quantification limits, and to how many digits are values rounded when they cannot be unrounded?",
    "What repeatability does your own control chart show at our levels (standard deviation, how many results)?",
    "What makes you measure a bottle again, and how are such values reported?",
    "What can the method not see (particles above a certain size, bound forms, volatile parts)?",
)

CUSTODY = (
    "Everyone who takes over the bottles counts them, looks at the seal and signs. The list that says what the codes "
    "stand for (key) does not travel with the bottles. Keep upright, cushioned and dark; write the temperature."
)
