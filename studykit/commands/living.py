"""A study that lives: containers added, results excluded and taken back, a margin changed; one writer at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from studykit.commands.plan import PAGES
from studykit.core.errors import BadInput, Fault
from studykit.core.writer import one_writer
from studykit.intake.mapping import raw_files
from studykit.intake.take import read_intake
from studykit.sampling.additions import Added, add_containers
from studykit.study import excluding
from studykit.study.excluding import Excluded
from studykit.study.exclusions import EXCLUSIONS
from studykit.study.margins import MarginChanged, change_margin
from studykit.study.tables import load_tables


def add(root: Path, names: Sequence[str], *, reason: str, like: str, cells: Sequence[str], sisters: Sequence[Path]) -> Added:
    """``add_containers`` with cells as typed, 'column=value'; BadInput for others."""
    faults = [Fault(file="--set", value=c, reason="is not of the form column=value", remedy="write for instance lot=0823")
              for c in cells if not c.partition("=")[0].strip() or "=" not in c]
    if faults:
        raise BadInput(faults)
    values = {c.partition("=")[0].strip(): c.partition("=")[2].strip() for c in cells}
    with one_writer(root, "add"):
        made = add_containers(root, names, reason=reason, like=like, values=values, sisters=sisters)
        return replace(made, notes=(*made.notes, STALE)) if (root / PAGES / "plan.html").exists() else made


def exclude(root: Path, what: str, *, reason: str, who: str, analyte: str, back: bool) -> Excluded:
    """``excluding.exclude`` of the results as the raw files give them now."""
    tables = load_tables(root, with_results=False)
    if not raw_files(root):
        raise BadInput([Fault(file="raw", reason="holds no results yet, so there is nothing to exclude",
                              remedy="what is not measured needs no exclusion; a container that cannot be drawn is noted at "
                                     "the bench")])
    with one_writer(root, "exclude"):
        tables = replace(tables, results=read_intake(root, tables.study, tables.samples).results)
        return excluding.exclude(root, tables, what, reason=reason, who=who, analyte=analyte, back=back)


def margin(root: Path, analyte: str, value: str, reason: str) -> MarginChanged:
    """``change_margin`` of a study whose tables have no fault."""
    load_tables(root, with_results=False)
    with one_writer(root, "margin"):
        return change_margin(root, analyte, value, reason=reason)


STALE = f"{PAGES}/plan.html still shows the plan without them: studykit plan FOLDER makes it again"
FILE = EXCLUSIONS.file
"""Where exclusions stand."""
