"""The reveal: what was true against what each student said, found, and paid.

The words and intervals are computed anew from the laboratory's files as they were delivered, with the student's own plan,
exclusions and intake, by the definition that the class was given (``terms``); what was changed in a folder is told and not
used.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from studykit.classroom.laboratory import Line, Planted, measure, planted, report
from studykit.classroom.make import STUDENTS
from studykit.classroom.orders import CARD, read_json
from studykit.classroom.safe import one_teacher, seal, unseal
from studykit.classroom.terms import as_sold, judged_text, own_study, short, told
from studykit.classroom.worlds import KEGS, World, given, margin_of, world_of
from studykit.core.errors import StudyKitError
from studykit.core.files import json_text, write_beside, write_bytes, write_csv, write_text
from studykit.intake import run_intake
from studykit.study import Study
from studykit.study.columns import SAMPLES
from studykit.study.lock import lock_status
from studykit.study.seal import LOCK, read_lock
from studykit.study.tables import load_tables

if TYPE_CHECKING:
    from studykit.front import OpenStudy

SCORES = ["student", "cost", "kegs", "bottles", "determinations", "words right", "words open", "words wrong", "unsafe",
          "intervals", "hold the truth", "faults", "found", "kind named", "missed", "false alarms",
          "precision", "remarks"]
INTERVALS = ["student", "analyte", "pair", "truth", "estimate", "low", "high", "unit", "margin", "word", "right word"]
FAULTS = ["student", "kind", "places", "what happened", "found"]
LARGEST = 200_000
HANDED_IN = ("study.toml", "intake.toml", "findings.csv", "plan/samples.csv", "plan/exclusions.csv")


@dataclass(frozen=True, slots=True, kw_only=True)
class Revealed:
    """The class in tables: one row a student, one an interval, one a fault that was planted; and the files written.

    ``notes``: what lies among the students' folders and is none.
    """

    scores: pd.DataFrame
    intervals: pd.DataFrame
    faults: pd.DataFrame
    files: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """What one student's folder says: words and intervals by analyte, findings as pairs of place and kind, remarks."""

    words: dict[str, str]
    intervals: pd.DataFrame
    findings: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]


def reveal(root: Path, passphrase: str) -> Revealed:
    """Open the class, score every student, write tables, page and figure under teacher/, and truth.json for each.

    Nothing is sold afterwards. BadInput where the class does not open; a student whose folder cannot be read is a remark.
    """
    with one_teacher(root, "reveal"):
        data = unseal(root, passphrase)
        scores: list[dict[str, Any]] = []
        intervals, faults, truths = [], [], {}
        for name, entry in data["students"].items():
            world = world_of(bytes.fromhex(data["secret"]), entry["number"])
            handed = look(root / STUDENTS / name, world, entry, data.get("handed", {}).get(name))
            truths[name] = truth_of(world, entry)
            scores.append(score(name, world, entry, handed))
            if len(handed.intervals):
                intervals.append(with_truth(name, world, handed))
            faults += fault_rows(name, entry, handed)
        found = Revealed(scores=pd.DataFrame(scores, columns=SCORES), faults=pd.DataFrame(faults, columns=FAULTS),
                         intervals=pd.concat(intervals or [pd.DataFrame(columns=INTERVALS)], ignore_index=True))
        if not data["revealed"]:  # before any truth lies anywhere
            marks = {name: marks_of(root / STUDENTS / name) for name in data["students"]}
            seal(root, passphrase, data | {"revealed": True, "handed": marks})
        files = _write(root, found, truths)
    return Revealed(scores=found.scores, intervals=found.intervals, faults=found.faults, files=files,
                    notes=tuple(strangers(root, list(data["students"]))))


def waiting(root: Path, passphrase: str) -> tuple[str, ...]:
    """Who has not handed in yet, with what is missing; nobody where the class was revealed. BadInput where it does not open."""
    data = unseal(root, passphrase)
    out = []
    for name, entry in {} if data["revealed"] else data["students"].items():
        folder = root / STUDENTS / name
        lacking = [f for f in ("study.toml", "plan/samples.csv", LOCK) if not (folder / f).is_file()]
        if not entry["orders"]:
            out.append(f"{name} (bought nothing)")
        elif lacking:
            out.append(f"{name} (no {', no '.join(lacking)})")
    return tuple(out)


def strangers(root: Path, names: list[str]) -> list[str]:
    """Sentences on folders beside those of the students, which nobody looks into."""
    near = {re.sub(r"\W+", "-", n).casefold(): n for n in names}
    others = sorted(p.name for p in (root / STUDENTS).glob("*") if p.is_dir() and p.name not in names
                    and not p.name.startswith("."))
    return [f"{STUDENTS}/{x} is no folder of this class and was not read"
            + (f": that of {near[k]} is {STUDENTS}/{near[k]}" if (k := re.sub(r"\W+", "-", x).casefold()) in near else "")
            for x in others]


def marks_of(folder: Path) -> dict[str, str]:
    """SHA-256 of what a student hands in beside the laboratory's files; '' for what is not there."""
    files = [folder / name for name in HANDED_IN]
    small = {p.relative_to(folder).as_posix(): p.is_file() and p.stat().st_size < LARGEST * 10 for p in files}
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() if s else "" for name, s in small.items()}


def look(folder: Path, world: World, entry: Mapping[str, Any], before: Mapping[str, str] | None = None) -> Handed:
    """Run the kit on what a student handed in; where that cannot be done the reason is a remark.

    ``before``: the marks of the folder when the truth was told, None where it was not told yet.
    """
    remarks, empty = list(changed(folder, entry)), pd.DataFrame(columns=["analyte"])
    if later := [name for name, mark in marks_of(folder).items() if before is not None and before.get(name) != mark]:
        remarks.append(f"changed or handed in after the truth was told: {', '.join(later)}")
    findings, said = read_findings(folder / "findings.csv")
    if other := whose(folder, entry):
        return Handed(words={}, intervals=empty, findings=(), remarks=("bought nothing",) * (not entry["orders"]) + (other,))
    remarks += [*said, *nowhere(findings, entry)]
    if not entry["orders"]:
        return Handed(words={}, intervals=empty, findings=findings, remarks=("bought nothing", *remarks))
    with tempfile.TemporaryDirectory() as name:
        own, why = own_study(folder)
        remarks += [*told(own, why), *_silent(folder, own)]
        try:
            study = _opened(folder, Path(name), world, entry, own)
            words, intervals = _judged(study)
        except StudyKitError as error:
            return Handed(words={}, intervals=empty, findings=findings, remarks=(*remarks, f"cannot be judged: {short(error)}"))
    return Handed(words=words, intervals=intervals, findings=findings, remarks=tuple(remarks))


def whose(folder: Path, entry: Mapping[str, Any]) -> str:
    """That a folder is another student's, by the card in it; '' where it is the student's own, or has no card."""
    if not (folder / CARD).is_file():
        return ""
    try:
        card = read_json(folder / CARD, CARD, "")
    except StudyKitError:
        return ""
    token = hashlib.sha256(str(card.get("token", "")).encode()).hexdigest()
    if token == entry["token"] and card.get("student") == folder.name:
        return ""
    return f"not judged: this is the folder of {str(card.get('student', 'somebody else'))[:40]}, by its {CARD}"


def changed(folder: Path, entry: Mapping[str, Any]) -> Iterable[str]:
    """What in a folder is not as the ledger has it: raw files, what each bottle is, the lock."""
    plan = folder / SAMPLES.file
    if plan.is_file() and plan.stat().st_size < LARGEST * 10 and (odd := as_sold(plan.read_bytes(), _sold(entry))[1]):
        yield f"{SAMPLES.file} is not as it was sold in {len(odd)} of its bottles, judged as sold: {', '.join(odd[:6])}"
    for order in entry["orders"]:
        path = folder / "raw" / f"laboratory-{order['number']}.csv"
        there = path.is_file() and path.stat().st_size < LARGEST * 10
        if not there or hashlib.sha256(path.read_bytes()).hexdigest() != order.get("laboratory"):
            yield f"raw file {order['number']} {'was changed' if there else 'is missing'}; the delivered one was used"
    try:
        entries = read_lock(folder)
    except StudyKitError:
        yield "the lock was edited by hand"
        return
    if entry["orders"] and not entries:
        yield "was not handed in: there is no lock in the folder"
    elif entry["orders"] and entries[0]["seal"] != entry["orders"][0]["seal"]:
        yield "the lock is not the one under which was bought"


def _opened(folder: Path, work: Path, world: World, entry: Mapping[str, Any], own: Study | None) -> OpenStudy:
    """The student's plan in a fresh folder under the class's definition, with the raw files as delivered, taken in."""
    from studykit.front import open as opened

    write_text(work / "study.toml", judged_text(own))
    for path in (folder / "intake.toml", *sorted((folder / "plan").glob("*"))):
        if path.is_file() and not path.is_symlink() and path.stat().st_size < LARGEST * 10:
            write_bytes(work / path.relative_to(folder), path.read_bytes())
    if (plan := work / SAMPLES.file).is_file():
        write_bytes(plan, as_sold(plan.read_bytes(), _sold(entry))[0])
    for number, raw in delivered_files(world, entry).items():
        write_bytes(work / "raw" / f"laboratory-{number}.csv", raw)
    early = load_tables(work, with_results=False)
    run_intake(work, early.study, early.samples)
    return opened(work)


def _sold(entry: Mapping[str, Any]) -> list[Mapping[str, str]]:
    """Every line of the ledger of one student."""
    return [line for order in entry["orders"] for line in order["lines"]]


def delivered_files(world: World, entry: Mapping[str, Any]) -> dict[int, bytes]:
    """The laboratory's files of all orders, made again from the ledger."""
    faults = planted(entry)
    return {o["number"]: report(measure(world, [Line(**x) for x in o["lines"]], faults), o["on"]) for o in entry["orders"]}


def _judged(study: OpenStudy) -> tuple[dict[str, str], pd.DataFrame]:
    """Words for the mean, and the intervals of all pairs of depths, of the analytes that the class was given."""
    from studykit.model import fit_all
    from studykit.verdict import judge_all

    models = fit_all(study)
    words = {k: w for k, w in judge_all(study, models).words().items() if k in given().analytes}
    tables = [m.contrasts().assign(analyte=m.analyte) for m in models if m.analyte in given().analytes]
    columns = ["analyte", "contrast", "estimate", "low", "high"]
    return words, pd.concat([t[columns] for t in tables if len(t)] or [pd.DataFrame(columns=columns)], ignore_index=True)


def _silent(folder: Path, own: Study | None) -> list[str]:
    """A remark where a folder was changed since its lock without a reason."""
    silent = sum(not c.reason for c in lock_status(folder, own).changes) if own else 0
    return [f"{silent} changes since the lock without a reason"] if silent else []


def read_findings(path: Path) -> tuple[tuple[tuple[str, str], ...], list[str]]:
    """Pairs of place and kind from findings.csv, and a remark where it cannot be read; ``;`` separates as well as ``,``."""
    try:
        if path.is_symlink() or path.stat().st_size > LARGEST:
            return (), ["findings.csv is no small file"]
        text = path.read_text(encoding="utf-8-sig")
        mark = ";" if ";" in text.partition("\n")[0] else ","
        rows = list(csv.DictReader(io.StringIO(text, newline=""), delimiter=mark))
    except (OSError, UnicodeDecodeError, csv.Error):
        return (), ["findings.csv cannot be read"]
    told = [((r.get("where") or "").strip(), (r.get("kind") or "").strip().lower()) for r in rows]
    if rows and not any(t[0] for t in told):
        return (), ["findings.csv has no column where with anything in it, so nothing of it counts"]
    return tuple(dict.fromkeys(t for t in told if t[0])), []


def is_of(fault: Planted, place: str) -> bool:
    """Whether a place names a fault, in small or capital letters."""
    return place.casefold() in {p.casefold() for p in fault.places}


def nowhere(findings: Iterable[tuple[str, str]], entry: Mapping[str, Any]) -> list[str]:
    """A remark on places that are no bottle, keg or run of what was delivered; none where all are."""
    lines = [Line(**x) for o in entry["orders"] for x in o["lines"]]
    known = {p.casefold() for x in lines for p in (x.sample, x.container, x.run)} - {""}
    strange = [w for w, _ in findings if w.casefold() not in known]
    return [f"findings.csv: no bottle, keg or run: {', '.join(strange)[:100]}"] if strange else []


def score(name: str, world: World, entry: Mapping[str, Any], handed: Handed) -> dict[str, Any]:
    """One student's row: what it cost, words, intervals, faults."""
    lines = [Line(**x) for o in entry["orders"] for x in o["lines"]]
    right = world.words(given())
    said = {a: handed.words.get(a, "") for a in right}
    decided = {a: w for a, w in said.items() if w in ("homogeneous", "stratified")}
    table = with_truth(name, world, handed) if len(handed.intervals) else pd.DataFrame(columns=INTERVALS)
    holds = ((table["low"] <= table["truth"]) & (table["truth"] <= table["high"])).sum() if len(table) else 0
    faults = planted(entry)
    hit = [any(is_of(f, w) for w, _ in handed.findings) for f in faults]
    named = [any(is_of(f, w) and k == f.kind for w, k in handed.findings) for f in faults]
    true = sum(any(is_of(f, w) for f in faults) for w, _ in handed.findings)
    return {"student": name, "cost": sum(o["cost"] for o in entry["orders"]),
            "kegs": len({x.container for x in lines if x.container}), "bottles": sum(x.first == 0 for x in lines),
            "determinations": sum(x.determinations for x in lines),
            "words right": sum(right[a] == w for a, w in decided.items()),
            "words open": (len(right) - len(decided)) * bool(lines),
            "words wrong": sum(right[a] != w for a, w in decided.items()),
            "unsafe": sum(w == "homogeneous" and right[a] == "stratified" for a, w in decided.items()),
            "intervals": len(table), "hold the truth": int(holds), "faults": len(faults), "found": sum(hit),
            "kind named": sum(named), "missed": len(faults) - sum(hit),
            "false alarms": len(handed.findings) - true,
            "precision": f"{true / len(handed.findings):.2f}" if handed.findings else "",
            "remarks": "; ".join(handed.remarks)}


def with_truth(name: str, world: World, handed: Handed) -> pd.DataFrame:
    """The student's intervals beside the true difference of each pair, the margin, the word and the right word."""
    true, right, study = true_differences(world), world.words(given()), given()
    rows = [(name, a, pair, true[a][pair], r["estimate"], r["low"], r["high"],
             "%" if study.analytes[a].margin.absolute is None else study.analytes[a].unit, margin_of(study, a),
             handed.words.get(a, ""), right[a])
            for r in handed.intervals.to_dict("records")
            if (a := str(r["analyte"])) in true and (pair := str(r["contrast"])) in true[a]]
    return pd.DataFrame(rows, columns=INTERVALS)


def true_differences(world: World) -> dict[str, dict[str, float]]:
    """The true difference of every pair of depths by analyte: per cent, or the unit of an absolute margin."""
    out: dict[str, dict[str, float]] = {}
    for r in world.truth.contrasts(KEGS).to_dict("records"):
        out.setdefault(str(r["analyte"]), {})[f"{r['deeper']} - {r['shallower']}"] = float(r["difference"])
    return out


def fault_rows(name: str, entry: Mapping[str, Any], handed: Handed) -> list[tuple[str, str, str, str, str]]:
    """What went wrong in one world, and whether the student named its place."""
    return [(name, f.kind, ", ".join(f.places), f.text, "yes" if any(is_of(f, w) for w, _ in handed.findings) else "no")
            for f in planted(entry)]


def truth_of(world: World, entry: Mapping[str, Any]) -> dict[str, Any]:
    """What was true of one world, for the student to compare with."""
    rounded = {a: {pair: round(d, 4) for pair, d in own.items()} for a, own in true_differences(world).items()}
    return {"invented": True, "right_words": world.words(given()), "check_fluid": world.check, "true_differences": rounded,
            "scatter": {a.analyte: {"s_r": a.s_r, "between_kegs": a.sd_container, "profiles": a.sd_container_depth,
                                    "unit": "fraction of the level" if a.relative else a.unit} for a in world.truth.analytes},
            "faults": [{k: v for k, v in asdict(f).items() if k != "factor"} for f in planted(entry)]}


def _write(root: Path, found: Revealed, truths: Mapping[str, Mapping[str, Any]]) -> tuple[Path, ...]:
    """Tables, page and figure under teacher/, truth.json in each student's folder."""
    from studykit.classroom.page import alt_of, class_page, figure_bytes

    teacher = root / "teacher"
    files = [write_csv(teacher / f"{n}.csv", t) for n, t in (("scores", found.scores), ("intervals", found.intervals),
                                                             ("faults", found.faults))]
    picture = figure_bytes(found.scores, found.intervals)
    page = class_page(found.scores, found.faults, picture, alt_of(found.scores))
    files += [write_bytes(teacher / "class.png", picture), write_bytes(teacher / "class.html", page)]
    for name, truth in truths.items():
        if (root / STUDENTS / name).is_dir():
            files.append(write_beside(root / STUDENTS / name / "truth.json", (json_text(truth) + "\n").encode()))
    return tuple(files)
