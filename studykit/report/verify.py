"""Hashes, seals and form of a filed study, without running anything: what was added, lost or changed since filing.

Standard library only, so that it costs a fraction of a second. It shows accidents and quiet edits. A sender who
corrects the hashes as well passes: against that there are ``recheck`` and copies of the seal kept elsewhere. What
lies there is looked at before it is opened: a link, a pipe or a device is named and left alone.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from studykit.core import strict
from studykit.core.errors import BadInput, Fault, RunsDiffer, single, visible
from studykit.core.hashes import WAITING, kind_of, ordinary, sha256_of, unusual, walk
from studykit.core.litter import out_of_sight
from studykit.report.manifest import FILE, PARTS, SCHEMA, canonical, files_of, hashes, litter, part_of, unlisted
from studykit.report.stored import notebook_notes
from studykit.report.telling import excerpt, spelled
from studykit.study.seal import LOCK, read_lock, to_come

RECORD_KEYS: dict[str, type | tuple[type, ...]] = {
    "name": str, "value": (str, int, float), "unit": str, "digits": int, "tolerance": (int, float), "stage": str,
    "table": str}
MOST = 60
"""Differences, and notes, that a message lists; the record of a recheck holds all of them."""
LISTED = "what studykit --json verify prints"
"""Where all of them stand when nothing is written."""
MOST_NAMED = 20
"""Names that one note lists."""
MOST_FILES = 20_000
"""Files and folders that are looked at, in a folder or in a zip; no study has as many (own judgement)."""
LARGEST = 2_000_000_000
"""Bytes that are read of a part of a study; a deposit may hold as many (own judgement)."""
INNER = "data/study"
"""Where a deposit that was unpacked holds the study."""
LARGEST_RECORD = 50_000_000
"""Bytes of a manifest or a record of numbers; that of the largest demo has a thousandth of it."""

CODE = (".py", ".pyc", ".pyw", ".pyd", ".so", ".dll", ".dylib", ".pth", ".sh", ".bat", ".cmd", ".ps1", ".exe", ".com", ".js")
"""Ends of names of files that are code."""
JSON_IN = ("plan", "notebooks", "tidy", "orders")
"""Folders whose JSON files the kit writes, each thing in them once."""
APART = ("tidy/ is not the one that the report was made from: it was changed, or the raw files were taken in again after the "
         "report was filed; studykit report FOLDER makes both anew")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What was compared without execution: number of files, differences (one row each), and what else to know."""

    files: int
    differences: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]


def difference(stage: str, what: str, filed: str, now: str, tolerance: float = 0.0) -> dict[str, Any]:
    """One difference as a row: where, what, as filed, as found now, tolerance of its class."""
    return {"stage": stage, "what": visible(spelled(what)), "filed": visible(filed), "re-executed": visible(now),
            "tolerance": tolerance}


def read_manifest(root: Path) -> dict[str, Any]:
    """The filed manifest; BadInput where there is none, it is of another kind, or a part is malformed."""
    path = root / FILE
    if not ordinary(root, FILE):
        if (kind := kind_of(path)) in ("", "file"):
            kind = kind_of(root / "report")
        if kind in ("", "folder"):
            aside = kind == "" and kind_of(root / "report.old") == "folder"
            if ordinary(root, "bagit.txt") and kind_of(root / INNER) == "folder":
                raise single(FILE, "this is an unpacked deposit", f"the study lies in it: name {root.name or 'FOLDER'}/{INNER}")
            raise single(FILE, "no report is filed here", "make one: studykit report FOLDER" + (
                "; report.old/ is the one before it: a run was killed while the two changed places" if aside else ""))
        raise single(FILE, f"stands behind a {kind}, or is one: it was not opened", "ask the sender for an ordinary file")
    if path.stat().st_size > LARGEST_RECORD:
        raise single(FILE, f"is larger than {LARGEST_RECORD // 1_000_000} MB", "ask the sender for the file as it was filed")
    try:
        filed = strict.read(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise single(FILE, f"is not valid JSON: {visible(str(error))}", "ask the sender for the file as it was filed") from None
    if not isinstance(filed, dict) or filed.get("schema") != SCHEMA:
        kind = str(filed.get("schema")) if isinstance(filed, dict) else type(filed).__name__
        raise single(FILE, "is another kind of manifest", "use the version of the kit that made it", column="schema",
                     value=kind)
    faults = [Fault(file=FILE, column=p, reason="this part is missing or malformed", remedy="make the report anew")
              for p in PARTS if not _is_listing(filed.get(p))]
    faults += [Fault(file=FILE, column=p, reason="this part is missing or malformed", remedy="make the report anew")
               for p in ("versions", "kit", "notebooks") if not isinstance(filed.get(p), dict)]
    if faults:
        raise BadInput(faults, title="The filed manifest cannot be used")
    return filed


def _is_listing(part: object) -> bool:
    return isinstance(part, dict) and all(isinstance(v, dict) and isinstance(v.get("sha256"), str) for v in part.values())


def verify(root: Path, certificates: Path | None = None) -> Verified:
    """Compare every file of a filed study with its manifest, and look at the lock's seals and the form of the records.

    Also the laboratory's own hashes, where intake.toml records them, and time stamps, with the PEM file ``certificates``.
    Nothing of the study is run or changed. BadInput where no manifest can be read.
    """
    root = Path(root)
    if not root.is_dir():
        raise single(str(root), "there is no such folder", "name a study folder")
    filed = read_manifest(root)
    _bounded(root)
    rows = [difference("folder", path, "an ordinary file or folder", f"is a {kind}") for path, kind in unusual(root)]
    now, count = files_of(root), 0
    notes = [f"not hashed, not looked at, no part of the report: {several(n)}" for n in (unlisted(root),) if n]
    notes += [*left_notes(litter(root)), *code_notes(root, now)]
    for part in PARTS:
        found = _found(root, now[part], filed[part])
        count += len(found)
        changed = _against(part, filed[part], found)
        fresh = [r for r in changed if part == "beside" and r["filed"] == "absent"]
        notes += added_notes([r["what"] for r in fresh])
        rows += [r for r in changed if r not in fresh]
    if (root / FILE).read_text(encoding="utf-8") != canonical(filed):
        rows.append(difference("outputs", FILE, "as the kit writes it", "written in another form"))
    notes += _line_ends(root, filed, rows, {p.relative_to(root).as_posix() for part in PARTS for p in now[part]})
    notes += [APART] if any(r["stage"] == "tidy" for r in rows) else []
    rows += _waiting(root) + _record_faults(root) + _json_faults(root, now) + _seal_faults(root) + _laboratory(root)
    stamped, told = _stamps(root, certificates)
    rows, notes = rows + stamped, [*notes, *told, *to_come(root), *notebook_notes(root)]
    return Verified(files=count, differences=tuple(rows), notes=tuple(notes))


def _bounded(root: Path) -> None:
    """BadInput where a folder holds more than ``MOST_FILES``, told before any of them is opened."""
    for number, _ in enumerate(walk(root, shut=out_of_sight)):
        if number >= MOST_FILES:
            raise single(root.name, f"holds more than {MOST_FILES} files and folders; nothing in it was looked at",
                         "no study is so large: ask the sender what this is")


def several(names: Sequence[str]) -> str:
    """Names in one line, at most ``MOST_NAMED`` of them."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def left_notes(names: Sequence[str]) -> list[str]:
    """The note on what an operating system left in a folder or a zip."""
    return [f"left by the operating system, not read: {several(names)}"] if names else []


def added_notes(names: Sequence[str]) -> list[str]:
    """One note for each file beside the study that came after the filing; one for all where they are many."""
    if len(names) <= MOST_NAMED:
        return [f"{n} was added beside the study after filing" for n in names]
    return [f"{len(names)} files were added beside the study after filing: {several(names)}"]


def code_notes(root: Path, files: Mapping[str, tuple[Path, ...]]) -> list[str]:
    """The note on what in a study folder is code that Python or a shell could load: no command of the kit does.

    Files in notebooks/ have a note of their own.
    """
    names = sorted(n for part in PARTS for p in files[part] if p.suffix.casefold() in CODE
                   and not (n := p.relative_to(root).as_posix()).startswith("notebooks/"))
    return [f"program code, which nothing here loads or runs; Python would where somebody opens a notebook or stands "
            f"beside it: {several(names)}"] if names else []


def _line_ends(root: Path, filed: Mapping[str, Any], rows: list[dict[str, Any]], there: Collection[str]) -> list[str]:
    """A note on changed files that are those of the manifest but for Windows line ends, as some programs write them.

    Only files that are ``there`` in the folder are opened: a manifest may name any place on the machine.
    """
    listed, same = {p: e["sha256"] for part in PARTS for p, e in filed[part].items()}, 0
    for row in rows:
        name = str(row["what"])
        if name in listed and name in there and ordinary(root, name) and (root / name).stat().st_size <= LARGEST_RECORD:
            data = (root / name).read_bytes().replace(b"\r\n", b"\n")
            same += hashlib.sha256(data).hexdigest() == listed[name]
    return [f"of these {len(rows)} differences {same} are files that differ in their line ends only: an editor or a program "
            "that keeps versions may have rewritten them (git: `* -text` in .gitattributes)"] if same else []


def older_than(root: Path) -> tuple[str, ...]:
    """What of a study was changed, added or lost since its report was filed: study.toml, intake.toml, plan/, raw/, tidy/.

    Nothing where no report is filed, or its manifest cannot be read.
    """
    try:
        filed = read_manifest(root)
    except BadInput:
        return ()
    now = files_of(root)
    rows = [r for part in ("inputs", "tidy") for r in _against(part, filed[part], _found(root, now[part], filed[part]))]
    first = dict.fromkeys(str(r["what"]).split("/")[0] for r in rows)
    return tuple(f"{n}/" if (root / n).is_dir() else n for n in first)


def _waiting(root: Path) -> list[dict[str, Any]]:
    """A change of several files that was stopped, and that the next command on the same machine would finish."""
    there = kind_of(root / WAITING)
    return [difference("folder", WAITING, "no such folder", "holds a change of the study that was stopped")] if there else []


def _found(root: Path, files: tuple[Path, ...], filed: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Hashes and sizes of files as ``hashes`` gives them; one that is not listed, or of another size, is not read.

    BadInput where what must be read is larger than ``LARGEST``: a file can say any size and hold nothing.
    """
    sizes = {p: p.stat().st_size for p in files}
    same = tuple(p for p, size in sizes.items() if filed.get(p.relative_to(root).as_posix(), {}).get("bytes") == size)
    if (total := sum(sizes[p] for p in same)) > LARGEST:
        raise single(root.name, f"its files hold {total} bytes; at most {LARGEST} are looked at", "no study is so large")
    unread = {p.relative_to(root).as_posix(): {"sha256": "", "bytes": size} for p, size in sizes.items()}
    return unread | hashes(root, same)


def _against(part: str, filed: Mapping[str, Any], now: Mapping[str, Any]) -> list[dict[str, Any]]:
    """One row for each file that changed, went missing or came new since the report was filed."""
    rows = []
    for path in sorted(filed.keys() | now.keys()):
        if path not in filed:
            rows.append(difference(part, path, "absent", "new file"))
        elif path not in now:
            rows.append(difference(part, path, "present", "file is gone"))
        elif filed[path].get("bytes") != now[path]["bytes"]:
            rows.append(difference(part, path, f"{filed[path].get('bytes')!r} bytes"[:60], f"{now[path]['bytes']} bytes"))
        elif filed[path]["sha256"] != now[path]["sha256"]:
            rows.append(difference(part, path, *excerpt(filed[path]["sha256"], now[path]["sha256"], 12)))
        elif canonical(filed[path]) != canonical(now[path]):
            rows.append(difference(part, path, "an entry of another form", "bytes and sha256"))
    return rows


def _record_faults(root: Path) -> list[dict[str, Any]]:
    """Records of numbers that have lost their form."""
    path = root / "report/numbers.json"
    if not ordinary(root, "report/numbers.json"):
        return []
    try:
        text = path.read_text(encoding="utf-8") if path.stat().st_size <= LARGEST_RECORD else ""
        entries = strict.read(text)
        whole = isinstance(entries, list) and all(
            set(e) == set(RECORD_KEYS) and all(isinstance(e[k], kind) and not isinstance(e[k], bool)
                                               for k, kind in RECORD_KEYS.items())
            for e in entries)
    except (ValueError, TypeError, RecursionError):
        whole = False
    return [] if whole else [difference("outputs", "report/numbers.json", "records of numbers", "is malformed")]


def _json_faults(root: Path, files: Mapping[str, tuple[Path, ...]]) -> list[dict[str, Any]]:
    """Other JSON files of the plan, the notebooks, the intake and the orders that are none, or say one thing twice."""
    rows = []
    for path in (p for part in PARTS for p in files[part] if p.suffix == ".json"):
        name = path.relative_to(root).as_posix()
        if name.partition("/")[0] not in JSON_IN or path.stat().st_size > LARGEST_RECORD:
            continue
        try:
            strict.read(path.read_bytes())
        except (ValueError, RecursionError) as error:
            rows.append(difference(part_of(Path(name)), name, "JSON", f"was edited by hand: {error}"))
    return rows


def _seal_faults(root: Path) -> list[dict[str, Any]]:
    if not ordinary(root, LOCK):
        return []
    try:
        read_lock(root)
    except BadInput as error:
        return [difference("inputs", LOCK, "sealed", error.faults[0].reason)]
    return []


def _laboratory(root: Path) -> list[dict[str, Any]]:
    """Raw files that are not those whose hash the laboratory stated (``laboratory_sha256`` in intake.toml)."""
    if not ordinary(root, "intake.toml") or (root / "intake.toml").stat().st_size > LARGEST_RECORD:
        return []
    try:
        stated = tomllib.loads((root / "intake.toml").read_text(encoding="utf-8-sig")).get("laboratory_sha256", {})
        claims = {str(name): str(value).lower() for name, value in stated.items()}
    except (OSError, ValueError, AttributeError, RecursionError):
        return []  # a changed intake.toml has its own line
    found = walk(root / "raw", shut=out_of_sight) if kind_of(root / "raw") == "folder" else ()
    there = {p.name: p for p, kind in found if kind == "file" and p.stat().st_size <= LARGEST}
    return [difference("inputs", f"raw/{n}", f"{value[:12]}, says the laboratory",
                       sha256_of(there[n])[:12] if n in there else "file is gone")
            for n, value in sorted(claims.items()) if n not in there or sha256_of(there[n]) != value]


def _stamps(root: Path, certificates: Path | None) -> tuple[list[dict[str, Any]], list[str]]:
    """Time stamps that do not hold, and notes on those that do; what reads them is loaded only where there are some."""
    from studykit.report import stamps

    wrong, notes = stamps.checked(root, stamps.certificates_in(certificates) if certificates else ())
    return [difference("inputs", stamp, "a time stamp", reason) for stamp, reason in wrong], notes


def refuse(title: str, rows: tuple[dict[str, Any], ...], notes: tuple[str, ...] = (), where: str = LISTED) -> RunsDiffer:
    """The error that names every difference in one line each, the first ``MOST`` of them in its message."""
    n = len(rows)
    lines = [f"{title}: {n} difference{'s' if n != 1 else ''}."]
    lines += [f"  {d['stage']}: {d['what']}: filed {d['filed']}, now {d['re-executed']}" for d in rows[:MOST]]
    lines += [f"  … and {n - MOST} more, all in {where}"] if n > MOST else []
    return RunsDiffer("\n".join([*lines, *(f"  note: {t}" for t in bounded(notes, where))]), rows)


def bounded(notes: Sequence[str], where: str) -> list[str]:
    """Notes as they are printed, each in one line, the first ``MOST`` of them."""
    more = [f"… and {len(notes) - MOST} more notes, all in {where}"] if len(notes) > MOST else []
    return [*map(visible, notes[:MOST]), *more]


def refuse_edited(root: Path, what: str) -> None:
    """RunsDiffer where report/ is not as it was filed, before ``what`` is made of it; BadInput where no report is filed."""
    listed = read_manifest(root)["outputs"]
    if rows := _against("outputs", listed, _found(root, files_of(root)["outputs"], listed)):
        raise refuse(f"The report is not as its manifest says; no {what} was made of it", tuple(rows))


def verify_or_refuse(root: Path, certificates: Path | None = None) -> Verified:
    """As ``verify``; RunsDiffer (exit code 7) names every difference."""
    outcome = verify(root, certificates)
    if outcome.differences:
        raise refuse("The folder is not as its manifest says", outcome.differences, outcome.notes)
    return outcome
