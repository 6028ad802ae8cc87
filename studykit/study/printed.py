"""Under which safety profile the sheets in plan/sheets/ were printed, and whether they may still be used.

A sheet carries what [safety] clears, where it says BARRED, rests and tools.  Once an answer is another, paper that was printed
before it can tell somebody to do what is barred now.
"""

from __future__ import annotations

from pathlib import Path

from studykit.core.errors import Fault
from studykit.core.files import json_text, read_csv, read_json
from studykit.study.ages import was_drawn
from studykit.study.definition import Study
from studykit.study.seal import results_there

PROFILE = "plan/sheets/profile.json"


def profile(study: Study) -> bytes:
    """The answers of [safety] that the sheets were printed under."""
    return f"{json_text(study.safety.model_dump())}\n".encode()


def changed(root: Path, study: Study) -> tuple[str, ...]:
    """Answers of [safety] that are others than the sheets were printed under, from what to what; empty without a record."""
    if not (root / PROFILE).is_file():
        return ()
    then, now = read_json(root / PROFILE), study.safety.model_dump()
    return tuple(f"{key}: {then[key] or 'not answered'} \u2192 {now[key] or 'not answered'}" for key in now
                 if key in then and then[key] != now[key])


def old_paper(root: Path, study: Study) -> list[Fault]:
    """A fault where bottles are still to be drawn by sheets that were printed under another profile."""
    told = changed(root, study)
    if not told or results_there(root) or _all_drawn(root / "plan/samples.csv"):
        return []
    return [Fault(file=PROFILE, reason=f"the sheets were printed before [safety] was changed ({'; '.join(told)}), and may tell "
                  "to do what is barred now, or bar what is cleared",
                  remedy="take the old sheets from everybody who has them, then print them again: studykit plan FOLDER")]


def _all_drawn(samples: Path) -> bool:
    """Whether every bottle of the plan carries a time or a volume."""
    rows = read_csv(samples) if samples.is_file() else None
    return rows is not None and {"drawn_at", "volume_ml"} <= set(rows) and bool(was_drawn(rows).all())
