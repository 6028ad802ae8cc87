"""Flags that follow from a cause already named: kept as hints that say so, not as further causes.

A bottle read in the wrong unit makes duplicates differ, a check fluid fall outside its limits, a file look coarse.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import pandas as pd

from studykit.quality.exchanges import COLUMNS, ROWS
from studykit.quality.explain import DIRT
from studykit.quality.flags import CONCERNS, CheckResult, Flag
from studykit.quality.suspects import Suspects, place_of
from studykit.quality.together import FLOOR

FOLLOW = ("duplicates apart", "check fluid", "control rules", "blank", "coarse rounding", "less than was filled",
          "more than was filled", "Zn/P ratio", "odd limit", "remixed control", "repeatability",
          "impossible value")
"""Rules that show consequences of what others name."""
WIDE = ("carry-over", "drift", COLUMNS, ROWS)
"""Explanations of a run that spoil what is pooled over the study."""
FACTORS = ("run shift", "drift", "check fluid")
"""Explanations that multiply: what a blank reads is no consequence of them."""
AS_COPIED = ("swapped samples", "missing purge", "portion or dilution", "value alone", "transposed digits", "carry-over",
             "heel in the zone", "disturbed container", "own settling", FLOOR, DIRT)
"""Causes, of single bottles and of a container's zones, that a copied row may look like."""
AS_SLIPPED = ("unit slip", "portion or dilution", "value alone", "transposed digits", DIRT)
"""What one slip of a reading may be told as a second time."""
REAL = ("own settling", "run and stock")
"""Explanations that do not explain such consequences away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A cause in words and what it concerns: (sample, analyte) pairs, and analytes of whole files.

    void: nothing that these cells show says anything by itself. factor: it multiplies readings.
    """

    words: str
    cells: frozenset[tuple[str, str]]
    analytes: frozenset[str] = frozenset()
    void: bool = False
    factor: bool = False


def causes_of(suspects: Suspects, files: CheckResult, t: pd.DataFrame, others: Iterable[Flag] = ()) -> list[Cause]:
    """Every named cause: explanations of the model, units of whole files, and what ``others`` (flags) name."""
    f, out = suspects.frame, []
    codes = f.rows["sample"].astype(str).to_numpy(object)
    for c in suspects.found:
        if c.cause not in REAL:
            cells = frozenset((codes[i], f.analytes[a]) for i in c.rows for a in c.columns)
            out.append(Cause(words=f"{c.cause} ({place_of(f, c)[0]})", cells=cells, void=c.cause == ROWS,
                             factor=c.cause in FACTORS, analytes=frozenset(
                                 f.analytes[a] for a in c.columns if c.cause in WIDE and c.place.startswith("run "))))
    for flag in others:
        names = [x.strip() for x in flag.analyte.split(",")] if flag.analyte else list(f.analytes)
        out.append(Cause(words=f"{flag.rule} ({flag.where})", cells=frozenset((s, a) for s in flag.samples for a in names)))
    slipped = files.table[files.table["power"].fillna(0.0) != 0] if "power" in files.table else files.table[:0]
    for analyte, g in slipped.groupby("analyte"):
        own = t[(t["analyte"] == analyte) & t["source_file"].isin(g["file"])]
        out.append(Cause(words=f"the unit of {', '.join(sorted(set(g['file'])))}", analytes=frozenset({str(analyte)}),
                         cells=frozenset((str(s), str(analyte)) for s in own["sample"])))
    return out


def explained(flag: Flag, causes: Iterable[Cause]) -> Flag:
    """The flag as a hint that names the cause, where causes concern every analyte that it names (of a blank: half)."""
    names = {a.strip() for a in flag.analyte.split(",")} - {""}
    if not names:
        return flag
    left, words = set(names), list[str]()
    for c in causes:
        if not c.void and (flag.rule not in FOLLOW or (c.factor and flag.rule == "blank")):
            continue
        mine = {a for a in left if a in c.analytes or any((s, a) in c.cells for s in flag.samples)}
        left, words = left - mine, [*words, c.words] if mine else words
    if len(left) > (len(names) / 2 if flag.rule == "blank" else 0):
        return flag
    return replace(flag, concern="hint only", evidence=f"follows from {' and '.join(words)}: {flag.evidence}")


def beside_copies(checks: Iterable[CheckResult], others: Iterable[CheckResult]) -> tuple[CheckResult, ...]:
    """The checks with what departs in a bottle of a copied row, in what was copied, as hints that name the copy.

    ``others``: checks, that for copied rows among them. A copied row reads as another bottle does, whatever that looks like.
    """
    copies = [f for c in others for f in c.flags if f.rule == "copied row" and f.concern == CONCERNS[0]]

    def told(flag: Flag) -> Flag:
        for copy in copies if flag.rule in AS_COPIED and flag.concern == CONCERNS[1] else ():
            names, copied = ({a.strip() for a in f.analyte.split(",")} - {""} for f in (flag, copy))
            if set(flag.samples) & set(copy.samples) and (not names or not copied or 2 * len(names & copied) >= len(names)):
                return replace(flag, concern=CONCERNS[2], evidence=f"follows from copied row ({copy.where}): {flag.evidence}")
        return flag

    return tuple(replace(c, flags=tuple(map(told, c.flags))) for c in checks)


def beside_slips(checks: Iterable[CheckResult]) -> tuple[CheckResult, ...]:
    """The checks with what is said of a reading beside its slip as a hint that names the slip: one factor, told once.

    The most pressing slip of a reading stands, and of such the first.
    """
    checks = tuple(checks)
    slips = sorted((f for c in checks for f in c.flags if f.rule == "unit slip" and f.samples and f.analyte
                    and f.concern in CONCERNS[:2]), key=lambda f: CONCERNS.index(f.concern))

    def told(flag: Flag) -> Flag:
        names, before = set(_names(flag)), slips[:slips.index(flag)] if flag in slips else slips
        for slip in before if flag.rule in AS_SLIPPED and flag.concern == CONCERNS[1] and names else ():
            if set(flag.samples) & set(slip.samples) and names <= set(_names(slip)):
                return replace(flag, concern=CONCERNS[2], evidence=f"follows from unit slip ({slip.where}): {flag.evidence}")
        return flag

    return tuple(replace(c, flags=tuple(map(told, c.flags))) for c in checks)


def _names(flag: Flag) -> list[str]:
    """The analytes of a flag; none where it names none."""
    return [a.strip() for a in flag.analyte.split(",") if a.strip()]


def without_riders(checks: Iterable[CheckResult], causes: list[Cause]) -> tuple[CheckResult, ...]:
    """The checks with their flags ``explained``."""
    return tuple(replace(c, flags=tuple(explained(f, causes) for f in c.flags)) for c in checks)


__all__ = ["Cause", "beside_copies", "beside_slips", "causes_of", "explained", "without_riders"]
