"""Re-execute a filed study from what cannot be derived, with the kit's own notebooks, and compare everything shown.

Trusted are ``study.toml``, ``intake.toml``, ``plan/`` and ``raw/``. Everything else that was filed is a claim, and is
compared: tables, numbers, pictures, executed notebooks, the page, the manifest. Hashes come first, without running
anything; whatever differs ends in one error (exit code 7) with one line a difference.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from studykit.core import plainpage
from studykit.core.errors import BadInput, StudyKitError, visible
from studykit.core.files import json_text, read_json, write_beside
from studykit.core.litter import out_of_sight
from studykit.core.record import read_records
from studykit.core.writer import away
from studykit.report.compare import Outcome, compare_reports
from studykit.report.make import make_report
from studykit.report.manifest import FILE, files_of, kit_identity, package_versions
from studykit.report.own import beside_notebooks, copies_of, own_differences
from studykit.report.run import Say
from studykit.report.stored import COPIED
from studykit.report.telling import excerpt
from studykit.report.verify import difference, read_manifest, refuse, several, verify
from studykit.study.definition import load_study
from studykit.study.lock import lock_status

Found = tuple[list[dict[str, Any]], list[str]]
"""Differences, one row each, and notes."""
RECORD = "recheck.json"
TRUSTED = ("study.toml", "intake.toml", "plan", "raw")
DIFFERS = "The filed study does not follow from its inputs"
DOES_NOT_PROVE = (
    "that the raw files are what the laboratory sent: compare them with its own copy",
    "that the plan was fixed before the data: the lock shows quiet edits, not a lock made anew",
    "that the study asks the right question, or that the samples were drawn as written",
    "of a picture that is only alike, that it is the same: small signs in it may differ",
)
DRAW = ("python", "machine", "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "pillow")
"""Programs that a picture can hang on. Where the sender names these, pictures must be the same to the byte."""
_OF_THE_RUN = ("inputs", "beside", "outputs", "versions", "kit", "taken from the report before")
"""Parts of the manifest that are compared in other ways (by hashes, file by file, as notes), or that a run of all has not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """The outcome of a re-execution: how many numbers and files were compared, and what differs.

    ``alike``: pictures that are alike within the tolerance, but not the same. ``notes``: the lock of the plan with every
    change after it, then whatever else agrees only within its class or was made, as the sender says, by other programs.
    """

    numbers: int
    files: int
    outputs: int
    alike: tuple[str, ...] = ()
    differences: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]

    def sentence(self) -> str:
        """The outcome in one sentence, for a study that follows; it says how many pictures are only alike."""
        return (f"the filed study follows from its raw data: {self.numbers} numbers, {self.outputs} files of the report and "
                f"{self.files} hashes agree{self.only_alike()}")

    def only_alike(self) -> str:
        """How many pictures are not the same, as the end of a sentence."""
        n = len(self.alike)
        which = "s are NOT the same, only alike: look at them" if n > 1 else " is NOT the same, only alike: look at it"
        return f"; {n} picture{which}" if n else ""


def copy_trusted(root: Path, target: Path, own: bool = False) -> None:
    """Copy what everything else must follow from; ordinary files only, without hidden ones and what systems leave."""
    target.mkdir(parents=True, exist_ok=True)
    for name in (*TRUSTED, *(("notebooks",) if own else ())):
        source = root / name
        if source.is_dir():
            shutil.copytree(source, target / name, symlinks=True,
                            ignore=lambda _, names: [n for n in names if out_of_sight(n)])
        elif source.is_file():
            shutil.copy2(source, target / name)


def recheck(root: Path, say: Say, *, own: bool = False, beside: Callable[[], Found] | None = None) -> Recheck:
    """Compare hashes, then re-execute the study in a fresh folder and compare all of it; RunsDiffer names what differs.

    Each notebook runs in a kernel that is started anew, whereas those of a report are forked from one process: that
    the two agree is part of what is shown. ``own`` runs the study's own notebooks in place of the kit's; ``beside``
    compares what stands beside the study. The outcome is also written into the folder as recheck.json and
    recheck.html, where it can be written.
    """
    root = Path(root)
    first = verify(root)
    if first.differences:
        outcome = Recheck(numbers=0, files=first.files, outputs=0, differences=first.differences, notes=first.notes)
        _write_record(root, outcome, "hashes only: nothing was run")
        raise refuse("The folder is not as its manifest says; nothing was run", first.differences, first.notes, RECORD)
    filed, (rows, notes) = read_manifest(root), beside() if beside else ([], [])
    with away("studykit-recheck-") as folder:
        fresh = folder / "study"
        copy_trusted(root, fresh, own)
        outcome = _compare(root, fresh, filed, say, own, (*first.notes, *notes), first.files)
    outcome = replace(outcome, differences=(*rows, *outcome.differences))
    _write_record(root, outcome, "the study's own notebooks" if own else "the kit's notebooks")
    if outcome.differences:
        raise refuse(DIFFERS, outcome.differences, outcome.notes, RECORD)
    return outcome


def _compare(root: Path, fresh: Path, filed: dict[str, Any], say: Say, own: bool, notes: tuple[str, ...],
             files: int) -> Recheck:
    rows = _notebook_rows(root, filed, own)
    told = [*lock_notes(root), *notes, *program_notes(filed)]
    beside = [p.relative_to(root).as_posix() for p in files_of(root)["beside"]]
    if beside:
        told.append(f"beside the study, and not judged: {several(beside)}")
    if not own and (version := copies_of(root)) and (changed := own_differences(root)):
        told.append(f"the study's notebooks, which were not run, are copies of those of studykit {version}, says "
                    f"{COPIED}, which came with them; cells that are not this kit's:")
        told += [f"not run: {c.sentence()}" for c in changed]
    if own:
        told += [f"ran as foreign code: {c.sentence()}" for c in own_differences(root)]
        told += [f"lay beside the notebooks, which may have run it: {path}" for path in beside_notebooks(root)]
    try:
        make_report(fresh, say, notebooks="own" if own else "kit", separate=True)
    except StudyKitError as error:
        rows.append(difference("re-execution", "the whole run", "a finished report", str(error).replace("\n", " / ")))
        return Recheck(numbers=0, files=files, outputs=0, differences=tuple(rows), notes=tuple(told))
    out, manifest = compare_studies(root, fresh, same_programs=drawn_by_the_same(filed)), read_json(fresh / FILE)
    rows += compare_manifests(filed, manifest) + out.rows
    return Recheck(numbers=len(read_records(fresh / "report/numbers.json")), files=files, outputs=out.files,
                   alike=tuple(out.alike), differences=tuple(rows),
                   notes=(*told, *out.notes, *(f"{p}: a picture that is alike, not the same" for p in out.alike)))


def compare_studies(root: Path, fresh: Path, *, same_programs: bool) -> Outcome:
    """Reports file by file, and the tidy tables byte for byte."""
    out = compare_reports(root / "report", fresh / "report", same_programs=same_programs)
    names = sorted({p.name for f in (root, fresh) if (f / "tidy").is_dir() for p in (f / "tidy").iterdir()
                    if p.is_file() and not out_of_sight(p.name)})
    for name in names:
        texts = [(f / "tidy" / name).read_bytes() if (f / "tidy" / name).is_file() else b"" for f in (root, fresh)]
        if texts[0] != texts[1]:
            lines = [t.decode("utf-8", "backslashreplace").split("\n") for t in texts]
            at = next((k for k, (x, y) in enumerate(zip(*lines, strict=False)) if x != y), min(map(len, lines)))
            shown = [ls[at] if at < len(ls) else "no such line" for ls in lines]
            out.rows.append(difference("tidy", f"tidy/{name} line {at + 1}", *excerpt(shown[0], shown[1], 80)))
    return out


def compare_manifests(filed: Mapping[str, Any], fresh: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One row a field of the manifest that a re-execution gives otherwise; hashes of inputs and outputs have their own."""
    rows = [difference("manifest", key, "present" if key in filed else "absent", "present" if key in fresh else "absent")
            for key in sorted((filed.keys() ^ fresh.keys()) - {_OF_THE_RUN[-1]})]
    for key in sorted((filed.keys() & fresh.keys()) - set(_OF_THE_RUN)):
        old, new = _flat(filed[key], key), _flat(fresh[key], key)
        rows += [difference("manifest", k, *excerpt(old.get(k, "absent"), new.get(k, "absent")))
                 for k in sorted(old.keys() | new.keys()) if old.get(k) != new.get(k)]
    return rows


def _flat(value: Any, key: str) -> dict[str, str]:
    """Nested values as dotted keys and texts."""
    if isinstance(value, dict) and value:
        return {k: v for name, inner in value.items() for k, v in _flat(inner, f"{key}, {name}").items()}
    return {key: f"{type(value).__name__} {json.dumps(value, ensure_ascii=False, sort_keys=True)}"}


def _notebook_rows(root: Path, filed: Mapping[str, Any], own: bool) -> list[dict[str, Any]]:
    """Cells by which notebooks that made the filed report differ from the kit's, where the kit's are run."""
    entries = filed["notebooks"].values()
    claimed = any(isinstance(e, dict) and e.get("own") for e in entries)
    changed = () if copies_of(root) else own_differences(root)
    if own or not (claimed or changed):
        return []
    rows = [difference("notebooks", f"{c.notebook} {c.cell}", " / ".join(c.lines) or "other tags", "the kit's cell")
            for c in changed]
    return rows or [difference("notebooks", "all of them", "the study's own", "the kit's")]


def lock_notes(root: Path) -> tuple[str, ...]:
    """How the lock of the plan stands, then every change since, with old and new value, reason and date."""
    try:
        status = lock_status(root, load_study(root))
    except BadInput as error:
        return (f"the lock of the plan could not be read: {error.faults[0].line()}",)
    return (status.sentence, *(c.sentence() for c in status.changes))


def program_notes(filed: Mapping[str, Any]) -> tuple[str, ...]:
    """What the sender says of the programs that made the report, where it is not so here; nobody can check it."""
    old, now = filed["versions"], package_versions()
    notes = [f"the sender says that {str(n)[:40]} was {str(old.get(n, 'absent'))[:40]}; here it is {now.get(n, 'absent')}"
             for n in sorted(old.keys() | now.keys()) if old.get(n) != now.get(n)]
    kit, mine = filed["kit"], kit_identity()
    return (*notes, *(f"the sender says that the kit's {k} was {str(kit.get(k))[:12]}; this kit's is {mine.get(k, '')[:12]}"
                      for k in sorted(kit.keys() | mine.keys()) if kit.get(k) != mine.get(k)))


def drawn_by_the_same(filed: Mapping[str, Any]) -> bool:
    """Whether the sender names the programs that draw here."""
    here = package_versions()
    return filed["kit"] == kit_identity() and all(filed["versions"].get(n) == here[n] for n in DRAW)


def _write_record(root: Path, outcome: Recheck, how: str) -> None:
    """Leave recheck.json and recheck.html in the study folder, to send back; a folder that cannot be written is left."""
    record = {"date": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
              "result": "differs" if outcome.differences else f"follows from its raw data{outcome.only_alike()}", "ran": how,
              "compared": {"input and filed files by hash": outcome.files, "recorded numbers": outcome.numbers,
                           "files of the report": outcome.outputs,
                           "pictures that are only alike, not the same": len(outcome.alike)},
              "differences": list(outcome.differences), "notes": list(outcome.notes),
              "kit": kit_identity(), "versions": package_versions(), "does not show": list(DOES_NOT_PROVE)}
    try:
        write_beside(root / RECORD, f"{json_text(record)}\n".encode())
        write_beside(root / "recheck.html", record_page(record).encode())
    except BadInput:
        return


def record_page(record: Mapping[str, Any]) -> str:
    """The record of a recheck as one page of HTML without scripts; every text is escaped."""
    found = [(d["stage"], d["what"], d["filed"], d["re-executed"]) for d in record["differences"]]
    p = plainpage
    return p.page(f"Recheck: the filed study {record['result']}", [
        p.paragraph(f"{record['date']}, with {record['ran']}."),
        p.heading("Compared"), p.table(record["compared"].items()),
        p.heading("Differences"), p.table(found, ("stage", "what", "filed", "re-executed")),
        p.heading("Notes"), p.bullets([visible(str(n)) for n in record["notes"]]),
        p.heading("By which code"), p.table([*record["kit"].items(), *record["versions"].items()]),
        p.heading("What this does not show"), p.bullets(record["does not show"])])
