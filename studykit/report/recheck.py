"""Re-execute a filed study from its raw data and compare every recorded number and every input hash."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput, Fault, RunsDiffer, single
from studykit.core.files import read_json, sha256_of
from studykit.core.record import NumberRecord, compare_records, merge_records, read_records
from studykit.intake.take import run_intake
from studykit.report.manifest import INPUTS, SCHEMA, compare_files, package_versions, write_manifest
from studykit.report.page import write_report
from studykit.report.run import PART, Say, exchange, run_stages
from studykit.study.definition import load_study
from studykit.study.exclusions import read_exclusions
from studykit.study.lock import lock_status
from studykit.study.stages import notebooks_of, stems_in
from studykit.study.tables import load_tables


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMade:
    """A report that was made: the page, its numbers, the verdict sentence."""

    page: Path
    records: tuple[NumberRecord, ...]
    sentence: str
    rejected: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """The outcome of a re-execution: how many numbers and files were compared, and what differs.

    ``notes``: the lock of the plan with every change after it, then versions that differ.
    """

    numbers: int
    files: int
    differences: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]

    def to_table(self) -> pd.DataFrame:
        """One row a difference: stage, what, filed, re-executed, tolerance."""
        return pd.DataFrame(self.differences, columns=["stage", "what", "filed", "re-executed", "tolerance"])


def make_report(root: Path, say: Say, extra: Mapping[str, Any] | None = None) -> ReportMade:
    """Run every stage of a study and put the finished report in place of the old one."""
    study = load_study(root)
    if (root / "report").exists() and not (root / "report").is_dir():
        raise single("report", "a file stands where the report's folder belongs", "move it away")
    outcome = run_intake(root, study, load_tables(root, with_results=False).samples)  # faults are told at once
    read_exclusions(root, study, outcome.results)
    notebooks = notebooks_of(root)
    stems = stems_in(notebooks)
    if not stems:
        raise single("notebooks", "no stage notebook was found", "make the study with: studykit new FOLDER")
    runs = run_stages(root, notebooks, stems, say, extra)
    part = root / PART
    records = merge_records(part, stems)
    write_report(part, [r.notebook for r in runs], study)
    write_manifest(root, part, study, notebooks, runs)
    folder = exchange(root)
    words = {r.name: r for r in records}
    sentence = str(words["verdict_sentence"].value) if "verdict_sentence" in words else ""
    rejected = words.get("rows_rejected_open")
    return ReportMade(page=folder / "report.html", records=records, sentence=sentence,
                      rejected=int(rejected.value) if rejected is not None else 0)


def copy_inputs(root: Path, target: Path) -> None:
    """Copy what a person or a laboratory put into the study; nothing that the kit made."""
    target.mkdir(parents=True, exist_ok=True)
    for name in INPUTS:
        source = root / name
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=shutil.ignore_patterns(".*", "__pycache__"))
        elif source.is_file():
            shutil.copy2(source, target / name)


def recheck(root: Path, say: Say) -> Recheck:
    """Re-execute the study in a fresh folder and kernel; RunsDiffer where anything does not follow.

    Compares the hash of every input with the filed manifest, every recorded number within
    its stated tolerance, and the tidy tables byte for byte.
    """
    root = Path(root)
    filed = _filed(root)
    with tempfile.TemporaryDirectory(prefix="studykit-recheck-") as name:
        fresh_root = Path(name) / "study"
        copy_inputs(root, fresh_root)
        make_report(fresh_root, say)
        fresh = read_records(fresh_root / "report/numbers.json")
        differences = compare_files(filed["inputs"], root)
        differences += _compare_tidy(root, fresh_root, filed)
        old = read_records(root / "report/numbers.json")
        differences += _compare_filed_numbers(root, filed)
        differences += compare_records(old, fresh)
    outcome = Recheck(numbers=len(old), files=len(filed["inputs"]), differences=tuple(differences),
                      notes=(*lock_notes(root), *_version_notes(filed["versions"])))
    if differences:
        n = len(differences)
        lines = [f"  {d['stage']}: {d['what']}: filed {d['filed']}, re-executed {d['re-executed']}"
                 for d in differences[:60]]
        more = [f"  ... and {n - 60} more"] if n > 60 else []
        text = f"The filed study does not follow from its inputs: {n} difference{'s' if n != 1 else ''}."
        raise RunsDiffer("\n".join([text, *lines, *more, *("  note: " + t for t in outcome.notes)]),
                         outcome.differences)
    return outcome


def _filed(root: Path) -> dict[str, Any]:
    """The filed manifest; BadInput where there is none or it is of another kind."""
    if not (root / "report/manifest.json").exists():
        raise single("report/manifest.json", "no report is filed here", "make one: studykit report FOLDER")
    filed = read_json(root / "report/manifest.json")
    need = ("inputs", "tidy", "outputs", "versions")
    faults = [Fault(file="report/manifest.json", column=k, reason="this part is missing", remedy="make the report anew")
              for k in need if k not in filed]
    if filed.get("schema") != SCHEMA:
        faults.append(Fault(file="report/manifest.json", column="schema", value=str(filed.get("schema")),
                            reason="is another kind of manifest", remedy="use the version of the kit that made it"))
    if faults:
        raise BadInput(faults, title="The filed manifest cannot be used")
    return dict(filed)


def _compare_tidy(root: Path, fresh: Path, filed: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for path, entry in sorted(filed["tidy"].items()):
        for where, folder in (("the study", root), ("re-execution", fresh)):
            file = folder / path
            now = sha256_of(file) if file.exists() else "absent"
            if now != entry["sha256"]:
                rows.append({"stage": "tidy", "what": f"{path} in {where}", "filed": entry["sha256"][:12],
                             "re-executed": now[:12], "tolerance": 0.0})
    return rows


def _compare_filed_numbers(root: Path, filed: dict[str, Any]) -> list[dict[str, Any]]:
    """A number record that was edited after filing no longer has the hash in the manifest."""
    entry = filed["outputs"].get("numbers.json")
    now = sha256_of(root / "report/numbers.json") if (root / "report/numbers.json").exists() else "absent"
    if entry is None or entry["sha256"] != now:
        return [{"stage": "report", "what": "numbers.json was changed after filing",
                 "filed": entry["sha256"][:12] if entry else "absent", "re-executed": now[:12], "tolerance": 0.0}]
    return []


def lock_notes(root: Path) -> tuple[str, ...]:
    """How the lock of the plan stands, then every change since, with old and new value, reason and date."""
    status = lock_status(root, load_study(root))
    return (status.sentence, *(c.sentence() for c in status.changes))


def _version_notes(filed: Mapping[str, str]) -> tuple[str, ...]:
    now = package_versions()
    return tuple(f"{n} was {filed.get(n, 'absent')}, is {now.get(n, 'absent')}"
                 for n in sorted(filed.keys() | now.keys()) if filed.get(n) != now.get(n))


