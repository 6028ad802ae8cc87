"""Whether two studies are about one fluid, and what their check fluids say of the laboratory between them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from studykit.core.listing import both
from studykit.core.record import significant

if TYPE_CHECKING:
    from studykit.front import OpenStudy

YEAR = re.compile(r"\b(19|20)\d\d\b")
DENSITY, VISCOSITY = 0.01, 0.1
"""Shares by which a declared density and viscosity may differ, and the fluid be one all the same (own judgement)."""


def one_fluid(earlier: OpenStudy, later: OpenStudy) -> Iterator[str]:
    """A sentence where the studies may be about two fluids: by [fluid] of both, else by their titles and vessels.

    study.toml has no name of the fluid but the title, so what is not the same there is asked, not guessed.
    """
    fluids = [s.study.fluid for s in (earlier, later)]
    if fluids[0] and fluids[1]:
        declared = (("density", "density_kg_m3", "kg/m\u00b3", DENSITY),
                    ("viscosity at 40 °C", "viscosity_mm2_s_at_40c", "mm\u00b2/s", VISCOSITY))
        pairs = [(name, *(getattr(f, key) for f in fluids), unit, most) for name, key, unit, most in declared]
        if told := [f"{name} {significant(a, 4)}, then {significant(b, 4)} {unit}" for name, a, b, unit, most in pairs
                    if a and b and abs(a - b) > most * max(a, b)]:
            yield f"TWO FLUIDS by their study.toml: {'; '.join(told)}. A change between two fluids says nothing of either."
        return
    titles = [_fluid_of(s.study.title) for s in (earlier, later)]
    if titles[0] == titles[1]:
        return
    vessels = [sorted(set(s.containers["vessel"].astype(str))) for s in (earlier, later)]
    apart = not set(vessels[0]) & set(vessels[1])
    inside = f", in {both(vessels[0])} before and {both(vessels[1])} after" if apart else ""
    yield (f"IS IT ONE FLUID? No study.toml says so: \u201c{earlier.study.title}\u201d, then \u201c{later.study.title}\u201d"
           f"{inside}. If it is not, a change below says nothing of either.")


def _fluid_of(title: str) -> str:
    """What a title says before its last colon (\u201cGear oil 220: 12 drums\u201d), without years and commas."""
    named = title.rpartition(":")[0] or title
    return " ".join(YEAR.sub("", named).casefold().replace(",", " ").split())


def laboratory_moved(levels: pd.DataFrame, names: dict[str, str]) -> str:
    """What the check fluid reads otherwise than before, as a sentence; '' where no such change is shown. ``levels``: LEVELS."""
    rows = levels[levels["what"] == "check fluid"]
    none = rows["change in"].map(lambda u: 1.0 if u == "times" else 0.0)
    rows = rows[(rows["low"] > none) | (rows["high"] < none)]
    if rows.empty:
        return ""
    each = "; ".join(f"{names.get(r['analyte'], r['analyte'])} {significant(r['change'], 3)} {r['change in']} "
                     f"({significant(r['low'], 3)} to {significant(r['high'], 3)})" for r in rows.to_dict("records"))
    return (f" The check fluid reads otherwise than before: {each}. If it is the same fluid, that is the laboratory\u2019s "
            "change.")
