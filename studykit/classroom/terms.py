"""What was given to the whole class: a folder is judged by it, whatever its study.toml says by now."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from studykit.classroom.worlds import filled, given, template
from studykit.core.errors import BadInput, StudyKitError
from studykit.study import Study
from studykit.study.definition import load_study
from studykit.study.lock import promises

FIXED = ("scope", "alpha", "share_percent", "analytes.", "factors.", "time.")
"""Promises that are given to the class: an order under others is refused, and nobody is judged by others."""
SHOWN = 5
SOLD = ("container", "kind", "depth")


def deviations(said: dict[str, str]) -> list[tuple[str, str, str]]:
    """Where promises are not the class's: key, what is said, what was given; '' for what is not there."""
    fixed, own = ({k: v for k, v in p.items() if k.startswith(FIXED)} for p in (promises(given()), said))
    return [(k, own.get(k, ""), fixed.get(k, "")) for k in sorted({*fixed, *own}) if fixed.get(k) != own.get(k)]


def own_study(folder: Path) -> tuple[Study | None, str]:
    """A student's definition as it was handed in, or None and why it cannot be read."""
    try:
        return load_study(folder), ""
    except BadInput as error:
        return None, short(error)


def short(error: StudyKitError) -> str:
    """An error for the teacher: places and reasons of its first faults, without the advice that is meant for students."""
    faults = error.faults if isinstance(error, BadInput) else ()
    said = [": ".join(x for x in (f.file, f.column, f.value, f.reason) if x) for f in faults] or [" ".join(str(error).split())]
    return "; ".join(said[:3]) + (f"; and {len(said) - 3} more" if len(said) > 3 else "")


def judged_text(own: Study | None) -> str:
    """The study.toml that a folder is judged by: as given, with the student's kegs, determinations, controls and heels."""
    words = {"student": "S", "class": "C", "seed": own.seed if own else 1}
    text = filled(template("study.toml"), **words, cost_container=1, cost_sample=1, cost_determination=1)
    if own and own.design:
        mine = {"containers": own.design.containers, "replicates": own.design.replicates,
                "controls": list(own.design.controls), "heel": own.sampling.heel}
        for key, value in mine.items():
            line = f"{key} = {json.dumps(value)}".replace("\\", "\\\\")
            text = re.sub(rf"(?m)^{key} = .*# yours.*$", line, text)
    return text


def told(own: Study | None, why: str) -> list[str]:
    """Remarks on what a folder's study.toml says otherwise than the class was given; none where it does not."""
    if own is None:
        return [f"judged by what the class was given, as its study.toml cannot be read: {why}"]
    found = deviations(promises(own))
    parts = [f"{k} {said or 'gone'}, given {was or 'nothing'}" for k, said, was in found[:SHOWN]]
    more = [f"and {len(found) - SHOWN} more"] if len(found) > SHOWN else []
    return [f"judged by what the class was given, not by its study.toml: {', '.join([*parts, *more])}"] if found else []


def as_sold(samples: bytes, lines: Sequence[Mapping[str, str]]) -> tuple[bytes, list[str]]:
    """A plan's samples.csv with container, kind and depth of every bottle as it was sold, and the codes that were otherwise.

    ``lines`` of the sealed ledger. A table that cannot be read stays as it is: the kit says what is wrong with it.
    """
    try:
        reader = csv.DictReader(io.StringIO(samples.decode("utf-8-sig"), newline=""), strict=True)
        rows, columns = list(reader), list(reader.fieldnames or ())
    except (UnicodeDecodeError, csv.Error):
        return samples, []
    if not {"sample", *SOLD} <= set(columns):
        return samples, []
    at, odd = {str(row["sample"] or "").strip(): row for row in rows}, list[str]()
    for line in lines:
        sold = {name: line[name] for name in SOLD}
        row = at.setdefault(line["sample"], {"sample": line["sample"]})
        if {name: (row.get(name) or "").strip() for name in SOLD} != sold:
            odd.append(line["sample"])
            rows += [] if len(row) > 1 else [row]
            row.update(sold)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return (out.getvalue().encode() if odd else samples), list(dict.fromkeys(odd))
