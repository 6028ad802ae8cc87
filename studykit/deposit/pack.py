"""``studykit pack``: a filed study as one zip that can be checked and read without the kit, the same bytes every time.

Beside the study: what it is in words, licence and citation, metadata (RO-Crate, Data Package, CITATION.cff), package
pins, ``rederive.R`` and a spreadsheet. All of it follows from the study and the kit, so a recheck makes it again.
"""

from __future__ import annotations

import datetime as dt
import importlib.metadata
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from studykit import __version__
from studykit.core.errors import single
from studykit.core.files import write_beside
from studykit.core.hashes import walk
from studykit.deposit import crate, rederive, sheet, tables
from studykit.deposit.bag import DECLARATION, bag_files, zipped
from studykit.report.manifest import FILE, PARTS, STAMPS, kit_identity
from studykit.report.recheck import Found
from studykit.report.verify import difference, read_manifest, refuse, verify
from studykit.study.definition import Study, load_study
from studykit.study.stages import HERE, share

REQUIRED = re.compile(r"([A-Za-z0-9][A-Za-z0-9._-]*)\s*(?:\[([^\]]*)\])?")
PINNED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*==[0-9][A-Za-z0-9.+!_-]*")
HEAD = re.compile(r"# studykit [0-9a-z.]+, SHA-256 over its code [0-9a-f]{64}, commit ([0-9a-f]{40}|not known)")
STUDY = "study"
PINS = "requirements.txt"
EXTRA = {
    "README.txt": "what lies here and how to check it",
    "LICENCE.txt": "under which terms this may be used",
    "CITATION.cff": "how to cite it",
    "rederive.R": "every verdict interval but those of one-sided margins again, in plain R",
    "container-summary.xlsx": "a spreadsheet with live formulas: the containers' own differences",
    "datapackage.json": "Data Package v2: every table with schema, units and descriptions",
    PINS: "versions of the packages that the kit needs, as they were where this was packed",
}
NO_LICENCE = ("No licence was declared in study.toml ([deposit] licence), so all rights are reserved: ask those who answer for "
              "the study before you use it for more than checking it.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A deposit that was made: its file, its size in bytes, number of files, and what was taken by default."""

    file: Path
    size: int
    files: int
    notes: tuple[str, ...]


def pack(root: Path, target: Path | None = None, today: dt.date | None = None) -> Packed:
    """Write the deposit of a filed study as ``target`` (NAME.zip beside the folder without one).

    BadInput where no report is filed or a file of that name stands there; RunsDiffer where the folder is not as it was filed.
    """
    root = Path(root)
    found = verify(root)
    if found.differences:
        raise refuse("The folder is not as its manifest says; nothing was packed", found.differences, found.notes)
    study, place = load_study(root), target or root.resolve().parent / f"{root.resolve().name}.zip"
    if place.exists():
        raise single(str(place), "stands there already", "name another file with --to, or move it away")
    payload = deposit(root, study, today or dt.datetime.now(dt.UTC).date())
    files = bag_files(payload, _about(study, today or dt.datetime.now(dt.UTC).date()))
    data = zipped(re.sub(r"[^A-Za-z0-9_-]+", "-", root.resolve().name).strip("-") or STUDY, files)
    write_beside(place, data)
    return Packed(file=place, size=len(data), files=len(payload), notes=defaults(study))


def defaults(study: Study) -> tuple[str, ...]:
    """What study.toml leaves open about licence and citation, and what was written instead."""
    d, out = study.deposit, []
    if not d.licence:
        out.append("no licence is declared ([deposit] licence in study.toml): all rights reserved was written")
    if not d.authors:
        out.append(f"no authors are declared ([deposit] authors): '{study.responsible}' stands in their place")
    if not d.citation:
        out.append(f"no citation is declared ([deposit] citation): '{citation(study)}' was made")
    return tuple(out)


def citation(study: Study) -> str:
    """The declared citation, or authors and title."""
    return study.deposit.citation or f"{', '.join(study.deposit.authors) or study.responsible}: {study.title}."


def _about(study: Study, date: dt.date) -> dict[str, str]:
    """Lines of bag-info.txt."""
    return {"Bagging-Date": date.isoformat(), "Bag-Software-Agent": f"studykit {__version__}",
            "External-Description": " ".join(study.title.split())}


def filed_files(root: Path) -> dict[str, bytes]:
    """Every file that the manifest of a filed study lists, the manifest itself, and the time stamps beside it."""
    listed = [p for part in PARTS for p in read_manifest(root)[part]]
    stamps = [s for s in STAMPS if (root / s).is_file()]
    return {p: (root / p).read_bytes() for p in (*listed, FILE, *stamps)}


def deposit(root: Path, study: Study, date: dt.date, pinned: bytes = b"") -> dict[str, bytes]:
    """All files of a deposit by their path in it: the study's, then what describes it; ``pinned``: pins, if known."""
    inner = filed_files(root)
    head = _head(study, date, read_manifest(root)["kit"])
    files = {f"{STUDY}/{p}": data for p, data in inner.items()}
    files |= {"README.txt": _readme(head).encode(), "LICENCE.txt": f"{head['licence']['text']}\n".encode(),
              "CITATION.cff": _cff(head).encode(), "rederive.R": rederive.script(root, study).encode(),
              "container-summary.xlsx": sheet.workbook(root, study), PINS: pinned or pins().encode()}
    described = {"name": "settling-study", "title": head["title"], "description": head["question"],
                 "created": f"{head['date']}T00:00:00Z",
                 "contributors": [{"title": n, "roles": ["author"]} for n in head["authors"]] or [
                     {"title": head["responsible"], "roles": ["responsible"]}]}
    if study.deposit.licence:
        described["licenses"] = [{"name": study.deposit.licence}]
    files["datapackage.json"] = crate.text(tables.descriptor(described, inner, STUDY))
    return files | {crate.METADATA: crate.text(crate.metadata(head, files, STUDY, EXTRA))}


def differences(bag: Path) -> Found:
    """What stands beside the study in an unpacked deposit, against what this kit makes of the filed study.

    Package pins are those of the machine that packed: their form and their names are compared, other versions told. What
    else stands there is compared whatever kit the sender names: a reader runs the script and opens the spreadsheet.
    """
    root, made = bag / "data" / STUDY, dict[str, bytes]()
    told = {p.relative_to(bag / "data").as_posix(): p for p, kind in walk(bag / "data") if kind == "file"}
    try:
        date = dt.date.fromisoformat(json.loads(told[crate.METADATA].read_bytes())["@graph"][1]["datePublished"])
        made = deposit(root, load_study(root), date, told[PINS].read_bytes())
    except (KeyError, IndexError, TypeError, ValueError, RecursionError):
        return [difference("deposit", crate.METADATA, "is malformed", "as the kit writes it")], []
    wrong = [p for p in sorted(told.keys() | made.keys()) if p not in told or made.get(p) != told[p].read_bytes()]
    rows = [] if (bag / "bagit.txt").read_bytes() == DECLARATION.encode() else [
        difference("deposit", "bagit.txt", "other words", "as the kit writes it")]
    rows += _info_differences(bag, _about(load_study(root), date))
    rows += [difference("deposit", p, "present" if p in told else "absent", "other" if p in made else "not made by the kit")
            for p in wrong]
    pinned, notes = pin_differences(told[PINS].read_text(encoding="utf-8", errors="replace"))
    return rows + pinned, notes


def _info_differences(bag: Path, about: Mapping[str, str]) -> list[dict[str, Any]]:
    """Whether bag-info.txt says something else than the kit writes; of the size of what is in the bag only that it is told."""
    path, mine = bag / "bag-info.txt", "".join(f"{key}: {value}\n" for key, value in about.items())
    text = path.read_text(encoding="utf-8", errors="replace") if path.is_file() else ""
    if re.fullmatch(re.escape(mine) + r"Payload-Oxum: [0-9]+\.[0-9]+\n", text):
        return []
    return [difference("deposit", "bag-info.txt", "other words", "as the kit writes it")]


def _head(study: Study, date: dt.date, kit: Mapping[str, Any]) -> dict[str, Any]:
    """What is said of the deposit as a whole."""
    name = study.deposit.licence
    licence = ({"id": f"https://spdx.org/licenses/{name}", "name": name,
                "text": f"This deposit may be used under {name}: https://spdx.org/licenses/{name}"} if name else
               {"id": "#licence", "name": "All rights reserved", "text": NO_LICENCE})
    return {"title": study.title, "question": study.question, "date": date.isoformat(), "responsible": study.responsible,
            "authors": list(study.deposit.authors), "licence": licence, "citation": citation(study),
            "version": str(kit.get("version", "")), "code": str(kit.get("code", ""))}


def _readme(head: Mapping[str, Any]) -> str:
    text = (HERE / "templates/deposit.txt").read_text(encoding="utf-8")
    told = {k: head[k] for k in ("title", "question", "version", "citation")} | {"licence": head["licence"]["text"]}
    for key, value in told.items():
        text = text.replace("{" + key + "}", " ".join(str(value).split()))
    return text


def _cff(head: Mapping[str, Any]) -> str:
    """CITATION.cff 1.2.0; a JSON string is a YAML string."""
    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    authors = [f"  - name: {quoted(n)}" for n in head["authors"] or [head["responsible"]]]
    licence = head["licence"]["name"]
    lines = ["cff-version: 1.2.0", f"message: {quoted('Please cite: ' + head['citation'])}", "type: dataset",
             f"title: {quoted(head['title'])}", "authors:", *authors, f"date-released: {head['date']}"]
    return "\n".join([*lines, *([f"license: {quoted(licence)}"] if "spdx.org" in head["licence"]["id"] else [])]) + "\n"


def needed() -> dict[str, str]:
    """The packages of this environment that the kit's commands need, name to version: what it requires, and so on."""
    found, seen, todo = dict[str, str](), set[tuple[str, str]](), [("studykit", "all")]
    while todo:
        name, extra = todo.pop()
        try:
            there = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue  # for another system, or an extra that is not installed
        if (name, extra) in seen:
            continue
        seen.add((name, extra))
        found[str(there.metadata["Name"])] = there.version
        for line in there.requires or ():
            asked, _, marker = line.partition(";")
            wanted = re.findall(r"extra == .([^'\"]+)", marker)
            if not wanted or extra in wanted:
                head = REQUIRED.match(asked)
                todo += [(head[1], e.strip()) for e in ("", *(head[2] or "").split(","))] if head else []
    return {n: v for n, v in sorted(found.items(), key=lambda x: x[0].lower()) if n != "studykit"}


def tested() -> dict[str, str]:
    """The packages that the kit was tested with, name to version: another version of one may need what none here does."""
    lines = share("constraints.txt").read_text(encoding="utf-8").splitlines()
    return dict(x.split("==", 1) for x in lines if PINNED.fullmatch(x))


def pins() -> str:
    """Name and exact version of every package that the kit needs here, with the kit's own identity as a comment."""
    kit = kit_identity()
    head = f"# studykit {kit['version']}, SHA-256 over its code {kit['code']}, commit {kit['commit'] or 'not known'}"
    return "\n".join([head, *(f"{n}=={v}" for n, v in needed().items())]) + "\n"


def pin_differences(text: str) -> Found:
    """Lines of pins that nobody should install from: other than NAME==VERSION, a package twice, or one that no kit needs.

    Other versions than here are a note.
    """
    head, *lines = text.splitlines() or [""]
    here, rows, other, seen = tested() | needed(), list[dict[str, Any]](), 0, set[str]()
    if not HEAD.fullmatch(head):
        rows.append(difference("deposit", f"{PINS} line 1", head[:80], "the kit's version, code and commit"))
    for number, line in enumerate(lines, start=2):
        name, _, version = line.partition("==")
        if not PINNED.fullmatch(line):
            rows.append(difference("deposit", f"{PINS} line {number}", line[:80], "NAME==VERSION and nothing else"))
        elif (plain := re.sub(r"[-_.]+", "-", name).lower()) in seen:
            rows.append(difference("deposit", f"{PINS} line {number}", line[:80], "a package once"))
        elif name not in here:
            rows.append(difference("deposit", f"{PINS} line {number}", line[:80], "no package that this kit needs"))
        else:
            other += here[name] != version
            seen.add(plain)
    return rows, [f"{PINS}: {other} package{'s have' if other > 1 else ' has'} another version here"] if other else []
