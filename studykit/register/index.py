"""The register of a folder of studies: what it holds, what went missing, which are copies; unchanged ones are not read again.

``index.json`` beside the register keeps the entry of every study with the state of its files. A study is read anew where its
bytes changed, and all are where the kit or a program that it rests on did. A study that is gone stays in the register as gone,
until somebody says that it may be forgotten. Of two folders with one lock or the same results one counts.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from studykit.core import strict
from studykit.core.errors import single
from studykit.register.entry import COPY, FILED, GONE, UNREADABLE, Entry, from_json
from studykit.register.parallel import each
from studykit.register.places import Laid, Stamp, bytes_of, stamp_of, studies_in
from studykit.report.manifest import canonical, kit_identity, package_versions

INDEX = "index.json"
MOST_OF = 0.6
"""Part of their results that two folders share from which one counts as a copy of the other (own judgement)."""
SCHEMA = "studykit-register-1"
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An entry with the state of the files that it was made from: their digests, and the day it was read."""

    entry: Entry
    stamp: str
    content: str
    day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """The studies of a folder: entries in the order of names, how many were read anew, and notes on what was not entered."""

    entries: tuple[Entry, ...]
    read: tuple[str, ...]
    notes: tuple[str, ...]
    kept: Mapping[str, Kept]


def build(folder: Path, to: Path, *, fresh: bool = False, forget: Collection[str] = (), workers: int = 1,
          say: Say = lambda _: None, today: dt.date | None = None) -> Register:
    """The register of a folder, with what the one in ``to`` still holds true.

    ``fresh``: read every study again; ``forget``: folders that are gone and may leave the register; ``workers``: processes
    that read side by side. BadInput where no study lies in the folder, where none is left of those that the register knows,
    and for a study to forget that it does not know or that is there.
    """
    laid, before = studies_in(folder, to), _before(to)
    _sane(laid, before, forget)
    day, looked = f"{today or dt.datetime.now(dt.UTC).date():%Y-%m-%d}", time.time()
    stamps = {s: _stamp(folder / s) for s in laid.studies}
    good = {} if fresh else before
    same = {s: good[s] for s in laid.studies if s in good and good[s].stamp and good[s].stamp == stamps[s][0]}
    contents = {s: _bytes(folder / s) for s in laid.studies if s not in same}
    for s, content in contents.items():
        if s in good and content and good[s].content == content:
            same[s] = replace(good[s], stamp=_lasting(stamps[s], looked))
    anew = [s for s in laid.studies if s not in same]
    found = dict(zip(anew, each(_entry, [(folder, s) for s in anew], workers, _progress(say, anew), _died), strict=True))
    kept = {s: same[s] if s in same else Kept(entry=found[s], stamp=_lasting(stamps[s], looked), content=contents[s], day=day)
            for s in laid.studies}
    notes, lost = _lost(before, kept, forget)
    kept |= lost
    entries = _copies([kept[s].entry for s in sorted(kept)])
    return Register(entries=entries, read=tuple(anew), notes=(*laid.notes, *notes), kept=kept)


def _progress(say: Say, anew: Sequence[str]) -> Callable[[int], None]:
    return lambda k: say(f"\r{k} of {len(anew)} studies read{chr(10) if k == len(anew) else ''}")


def _entry(folder: Path, study: str) -> Entry:
    """The entry of a study; what reads one takes longer to load than a register of which nothing changed."""
    from studykit.register.reading import read_study

    return read_study(folder, study)


def _died(arguments: tuple[Path, str]) -> Entry:
    return Entry(study=arguments[1], state=UNREADABLE, head={},
                 told="the process that read it ended: too large for this machine?")


def _stamp(study: Path) -> tuple[str, float]:
    try:
        found = stamp_of(study)
    except OSError:
        return "", 0.0
    return found.digest, found.latest


def _lasting(stamp: tuple[str, float], looked: float) -> str:
    """The stamp, or nothing where a change may have come after it within the same tick of the clock."""
    return stamp[0] if Stamp(digest=stamp[0], latest=stamp[1]).holds(looked) else ""


def _bytes(study: Path) -> str:
    try:
        return bytes_of(study)
    except OSError:
        return ""


def _sane(laid: Laid, before: Mapping[str, Kept], forget: Collection[str]) -> None:
    there = set(laid.studies)
    if before and not there & set(before) and not set(before) <= set(forget):
        raise single("--to", f"none of the {len(before)} studies that this register knows lies in the folder",
                     "name the folder that it was made of, or write the register of another one elsewhere")
    for study in forget:
        if study in there or study not in before:
            raise single("--forget", "lies there, and is not forgotten" if study in there else "is not in the register",
                         "name a study that studies.csv calls gone", value=study)


def _lost(before: Mapping[str, Kept], kept: Mapping[str, Kept], forget: Collection[str]) -> tuple[list[str], dict[str, Kept]]:
    """Studies that the register knew and that are gone; one that lies elsewhere now, to the byte, has moved."""
    now, notes, lost = {k.content: s for s, k in kept.items() if k.content}, list[str](), dict[str, Kept]()
    for study, old in before.items():
        if study in kept or study in forget:
            continue
        if old.content and old.content in now:
            notes.append(f"{study}: lies in {now[old.content]} now")
            continue
        told = old.entry.told if old.entry.state == GONE else (
            f"no longer there; on {old.day} it was {old.entry.state}. Its numbers are combined with no others")
        lost[study] = replace(old, entry=replace(old.entry, state=GONE, told=told))
    return notes, lost


def _copies(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Entries with all but one of each study called a copy: the one as it was filed counts, else the first by name."""
    chosen, copies = list[Entry](), dict[str, Entry]()
    for entry in sorted((e for e in entries if e.counts), key=lambda e: (e.state != FILED, e.study)):
        of = next(((c, why) for c in chosen if (why := in_common(c.marks, entry.marks))), None)
        if of is None:
            chosen.append(entry)
        else:
            told = f"has {of[1]} in common with {of[0].study}, which counts in its place"
            copies[entry.study] = replace(entry, state=COPY, told=told)
    return tuple(copies.get(e.study, e) for e in entries)


def in_common(one: Sequence[str], other: Sequence[str]) -> str:
    """What makes two studies copies of one, in words; '' where nothing does."""
    a, b = set(one), set(other)
    both = {m.split(" ")[0] for m in a & b}
    if not both:
        return ""
    said = [words for kind, words in (("seal", "the first seal of its lock"), ("results", "all results")) if kind in both]
    rows = [{m for m in marks if m.startswith("row ")} for marks in (a, b)]
    if "results" not in both and rows[0] and len(rows[0] & rows[1]) > MOST_OF * min(map(len, rows)):
        said.append("most results")
    return " and ".join(said)


# -- what is kept between two runs ---------------------------------------------------------------------------------


def made_by() -> str:
    """The kit and the programs that an entry rests on, as one digest."""
    return hashlib.sha256(canonical([kit_identity()["code"], package_versions()]).encode()).hexdigest()


def index_text(register: Register) -> str:
    """``index.json`` of a register."""
    kept = {s: {"entry": k.entry.to_json(), "stamp": k.stamp, "content": k.content, "day": k.day}
            for s, k in register.kept.items()}
    data = {"schema": SCHEMA, "made by": made_by(), "studies": kept}  # on one line: it is long, and nobody reads it
    return json.dumps(data, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def _before(to: Path) -> dict[str, Kept]:
    """What the last run kept; nothing that it read counts where the kit changed or the file is damaged, but its names do."""
    try:
        data = strict.read((to / INDEX).read_text(encoding="utf-8"))
        if data["schema"] != SCHEMA:
            return {}
        same = data["made by"] == made_by()
        return dict(_kept(data["studies"], same))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def _kept(studies: Mapping[str, Any], same: bool) -> Iterator[tuple[str, Kept]]:
    for study, k in studies.items():
        yield study, Kept(entry=from_json(k["entry"]), stamp=str(k["stamp"]) if same else "",
                          content=str(k["content"]) if same else "", day=str(k["day"]))
