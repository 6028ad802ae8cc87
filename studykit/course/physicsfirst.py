"""Lesson 7: physics first. How far particles fall by Stokes' law, and where the matter goes that leaves the upper zone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.course.drawing import axes
from studykit.course.replies import PER_CENT, Reply, lesson, number, value_of

DIAMETER_UM, DAYS, HEIGHT_MM, ZONE_MM = 2.0, 84.0, 600.0, 200.0
PARTICLE, FLUID, VISCOSITY, GRAVITY = 2600.0, 1040.0, 0.2, 9.80665
"""Densities in kg/m³, viscosity in Pa·s, standard gravity in m/s²."""
TOLERANCE = 0.1
_own: dict[str, float] = {}


def known() -> pd.DataFrame:
    """What the pottery knows of its glaze."""
    rows = [("diameter of the particles", DIAMETER_UM, "µm"), ("density of the particles", PARTICLE, "kg/m³"),
            ("density of the liquid", FLUID, "kg/m³"), ("viscosity of the liquid", VISCOSITY, "Pa·s"),
            ("height of the liquid", HEIGHT_MM, "mm"), ("standing time", DAYS, "days")]
    return pd.DataFrame(rows, columns=["what", "value", "unit"])


def fall_mm(diameter_um: float = DIAMETER_UM, days: float = DAYS, viscosity: float = VISCOSITY) -> float:
    """Distance in mm by Stokes' law (Stokes 1851): density difference × g × d² / (18 × viscosity), times the time."""
    speed = (PARTICLE - FLUID) * GRAVITY * (diameter_um * 1e-6) ** 2 / (18 * viscosity)
    return float(1000 * speed * days * 86400)


def profile(days: float = DAYS) -> pd.DataFrame:
    """What is left in each third of the height, as shares of the first content, and what lies on the floor.

    Sparse particles of one size fall behind a sharp front: above it nothing, below it the first concentration (Kynch 1952,
    Trans. Faraday Soc. 48:166, in the limit of no hindrance).
    """
    front = min(fall_mm(days=days), HEIGHT_MM)
    rows = [(name, 1 - float(np.clip(front - k * ZONE_MM, 0, ZONE_MM)) / ZONE_MM) for k, name in
            enumerate(("upper", "middle", "lower"))]
    return pd.DataFrame([*rows, ("floor, of all matter", front / HEIGHT_MM)], columns=["zone", "share"])


def picture() -> Figure:
    """Concentration against height after 84 days, and the bounds of the zones."""
    figure, ax = axes("concentration, share of the first", "height above the floor, mm")
    top = HEIGHT_MM - fall_mm()
    ax.step([1, 1, 0, 0], [0, top, top, HEIGHT_MM], where="post", color="#1d2733", lw=1.6)
    for edge in (ZONE_MM, 2 * ZONE_MM):
        ax.axhline(edge, color="#7a8794", lw=0.8, ls="--")
    ax.set(xlim=(-0.05, 1.15), ylim=(0, HEIGHT_MM))
    return figure


def _fall(answer: Any) -> Reply:
    right = fall_mm()
    if isinstance(value := value_of(answer), float) and abs(value - right) <= TOLERANCE * right:
        _own["fall"] = value
    hours = right / (86400 * DAYS) * DAYS * 24 * 60
    return number(answer, right, TOLERANCE * right, "A hand's breadth in twelve weeks. (Accepted within 10 %: "
                                                    "density, size and "
                  "viscosity are hardly known better.)",
                  [(right / 4, "A quarter of it: the law takes the diameter, did you put in the radius?"),
                   (right * PARTICLE / (PARTICLE - FLUID), "The liquid bears part of the weight: take the difference "
                                                           "of the densities."),
                   (right / 1000, "That is in metres; millimetres are asked."),
                   (hours, "The time: days have 86,400 seconds."),
                   (right * 18 / 2 / 9 * 4, "Two forms of the law are mixed: 2/9 goes with the radius, 1/18 with the "
                                            "diameter."),
                   (right * 1e6, "Units: micrometres must be squared as metres, 1e-6 twice."),
                   (right / DAYS, "That is the fall of one day.")],
                  "Take Stokes' law for the speed, with every quantity in metres, kilograms and seconds. What does it say of "
                  "the size, and how many seconds are 84 days?")


def _upper(answer: Any) -> Reply:
    exact = float(profile().loc[0, "share"])  # type: ignore[arg-type]
    own = 1 - _own.get("fall", fall_mm()) / ZONE_MM
    value = value_of(answer)
    right = min(exact, own, key=lambda x: abs(x - value)) if isinstance(value, float) else exact
    return number(answer, right, 0.01, "The front has passed that part of the zone and left nothing behind. (Accepted within "
                  "0.01 of what your own fall gives.)",
                  [*((1 - x, "That is the share that has left the zone.") for x in (exact, own)),
                   *((100 * x, PER_CENT) for x in (exact, own)),
                   (1.0, "Whatever has fallen out of the upper zone is gone from it."),
                   (1 / 3, "One zone of three is not asked, but how much of this zone still lies below the front."),
                   (1 - fall_mm() / HEIGHT_MM, "That is the share of the whole height; the upper zone is 200 mm high."),
                   (0.0, "The front has not reached the bottom of the zone yet.")],
                  "The front has fallen so far into a zone of 200 mm: which share of it still lies below the front?")


def _lower(answer: Any) -> Reply:
    lost = fall_mm() / ZONE_MM
    return number(answer, 1.0, 0.02, "As on the first day: as much falls in from above as falls out to the floor. A "
                                     "bottle from the "
                  "lower zone shows nothing at all.",
                  [(1 + lost, "Then all that came in would have stopped there. Does anything hold it?"),
                   (1 + lost / 2, "Then half of what came in would have stayed. Does anything hold it?"),
                   (float(profile().loc[0, "share"]), "That is the upper zone."),  # type: ignore[arg-type]
                   (0.0, "The zone is not empty: the front has not come so far.")],
                  "What falls in from the middle zone, and what falls out to the floor?")


def _floor(answer: Any) -> Reply:
    right = fall_mm() / HEIGHT_MM
    return number(answer, right, TOLERANCE * right, "There it lies, as a film that no bottle of a zone shows. Hence "
                                                    "the kit's draw "
                  "from the floor, the heel.",
                  [(fall_mm() / ZONE_MM, "That is the share of the upper zone; of all matter in the container is asked."),
                   (0.0, "Every particle that was nearer to the floor than the fall has arrived."),
                   (1 - right, "That is what still floats."),
                   (1 / 3, "Not all of a zone: how near to the floor must a particle have begun to lie there now?")],
                  "Every particle that began lower than the fall has reached the floor: which share of the height is that?")


CHECKS = {"fall": _fall, "upper": _upper, "lower": _lower, "floor": _floor}
check, after = lesson(CHECKS)
