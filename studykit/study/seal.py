"""The chain of seals in ``plan/plan.lock``: reading it, and whether it is as it was written. Standard library only."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from studykit.core import strict
from studykit.core.errors import BadInput, single
from studykit.core.hashes import kind_of
from studykit.core.litter import out_of_sight
from studykit.core.plaintext import unreadable

LOCK = "plan/plan.lock"
KEPT_PLAN = "orders/plan"
"""The plan's tables as they were when an order was written, in a class."""
GONE = "the plan is locked, but this file is gone"
AMEND = 'studykit lock FOLDER --amend "why"'
FORMAT = 1
KEYS: dict[str, type] = {"kind": str, "date": object, "reason": str, "results_there": bool, "promises": dict, "tables": dict,
                         "seal": str}
"""What an entry holds, and of which kind."""
WHOLE = {"format", "entries", "last_seal"}
"""What a lock holds."""
LARGEST_FORM = 1_000_000
"""Bytes of a form to be filled in; what is larger is taken to hold results."""
LARGEST = 50_000_000
"""Bytes of a lock; a thousand containers take a hundredth of it."""


def seal_of(entry: Mapping[str, Any], before: str) -> str:
    """The seal of an entry: SHA-256 of the seal before it and of the entry without its own seal."""
    body = {k: v for k, v in entry.items() if k != "seal"}
    text = json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()


def read_lock(root: Path) -> list[dict[str, Any]]:
    """The entries of plan/plan.lock, oldest first; [] where there is none; BadInput where it was edited by hand."""
    path = root / LOCK
    if not (kind := kind_of(path)):
        return []
    remedy = "put the locked file back from your copy; a change of the plan is recorded with: studykit lock --amend"
    if kind != "file":
        raise single(LOCK, f"is a {kind}, not an ordinary file", remedy)
    if path.stat().st_size > LARGEST:
        raise single(LOCK, f"is larger than {LARGEST // 1_000_000} MB", remedy)
    try:
        data = strict.read(path.read_bytes())
    except (ValueError, RecursionError) as error:
        raise single(LOCK, f"was edited by hand: it is not valid JSON ({error})", remedy) from None
    try:
        entries, before = data["entries"], ""
        if not isinstance(entries, list):
            raise TypeError("its entries are no list")
        if more := sorted(data.keys() - WHOLE):
            raise single(LOCK, f"was edited by hand: it holds {more[0][:80]!r}, which no lock has", remedy)
        for number, entry in enumerate(entries, start=1):
            if entry["seal"] != seal_of(entry, before):
                reason = f"was edited by hand: entry {number} ({entry.get('date', 'no date')}) does not match its seal"
                raise single(LOCK, reason, remedy)
            if wrong := _unlike(entry, entries[number - 2]["date"] if number > 1 else ""):
                raise single(LOCK, f"was edited by hand: entry {number} holds {wrong}", remedy)
            before = entry["seal"]
        if data["last_seal"] != before or data["format"] != FORMAT or type(data["format"]) is not int or not entries:
            raise single(LOCK, "was edited by hand: its last seal does not match its entries", remedy)
    except (KeyError, TypeError, AttributeError) as error:
        raise single(LOCK, f"was edited by hand: it is malformed ({error})", remedy) from None
    return list(entries)


def _unlike(entry: Mapping[str, Any], before: str) -> str:
    """What an entry holds that the kit never writes, in words; '' where nothing. ``before``: the day of the one before."""
    if more := sorted(entry.keys() - KEYS.keys()):
        return f"{more[0]!r}, which no entry has"
    for key, kind in KEYS.items():
        if not isinstance(entry[key], kind):
            return f"{entry[key]!r} for {key}"
    if not _is_day(entry["date"]):
        return f"{entry['date']!r}, which is no day"
    if entry["kind"] != ("amendment" if before else "lock"):
        return f"{entry['kind']!r} where the {'first entry' if not before else 'entries after the first'} has another kind"
    if why := unreadable(entry["reason"]):
        return f"a reason that {why}"
    return f"{entry['date']}, a day before that of the entry before it" if entry["date"] < before else ""


def to_come(root: Path, today: dt.date | None = None) -> tuple[str, ...]:
    """A note on entries whose day has not come by this machine's clock, more than one day ahead (time zones)."""
    last = (today or dt.datetime.now(dt.UTC).date()) + dt.timedelta(days=1)
    try:
        ahead = [e["date"] for e in read_lock(root) if e["date"] > last.isoformat()]
    except BadInput:
        return ()
    return (f"{LOCK} says {ahead[0]}, a day that has not come by this machine's clock",) if ahead else ()


def _is_day(text: object) -> bool:
    """Whether this is a day of the calendar as the kit writes it, YYYY-MM-DD."""
    try:
        return isinstance(text, str) and dt.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def short(seal: str) -> str:
    """The first 16 of a seal's 64 digits in groups of four, as printed: enough to tell two locks apart."""
    return " ".join(seal[k:k + 4] for k in range(0, 16, 4))


def sealed_words(root: Path) -> str:
    """Under which lock a sheet is printed, for its footer."""
    try:
        entries = read_lock(root)
    except BadInput:
        return "lock edited by hand"
    return f"locked {entries[0]['date']}, seal {short(entries[0]['seal'])}" if entries else "plan not locked"


def results_there(root: Path) -> bool:
    """Whether results of this study are already in the folder: in tidy/results.csv or as files under raw/ with any."""
    raw = root / "raw"
    tidy = root / "tidy/results.csv"
    lines = tidy.read_bytes().count(b"\n") if tidy.is_file() else 0
    return lines > 1 or (raw.is_dir() and any(p.is_file() and not any(map(out_of_sight, p.relative_to(raw).parts))
                                              and not only_a_form(p) for p in raw.rglob("*")))


def only_a_form(path: Path) -> bool:
    """Whether a file under raw/ is a form to be filled in: a heading, a line of units, codes, and not one value.

    Plain text of lines whose cells are parted by comma, semicolon or tab. Anything else may hold results, so it is none:
    a number in the first line, a code there, text beside a code, another kind of file.
    """
    if path.stat().st_size > LARGEST_FORM:
        return False
    try:
        lines = path.read_bytes().decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        return False
    cells = [[c.strip().strip('"').strip() for c in re.split("[,;\t]", line)] for line in lines if line.strip()]
    if not cells:
        return True
    units = len(cells) > 1 and not cells[1][0]
    return (len(cells[0]) > 1 and all(re.match("[^\\W\\d_]", c) for c in cells[0])
            and not (units and any(re.match("[-+<>.]?\\d+([.,]|$)", c) and c != "1" for c in cells[1]))
            and not any(any(row[1:]) for row in cells[1 + units:]))


def way_back(root: Path) -> str:
    """What helps where the plan is locked and one of its tables is gone: one answer, whichever command is asked."""
    if (root / KEPT_PLAN / "samples.csv").is_file():
        return f"copy the files of {KEPT_PLAN} back into plan; a change is made after that, and recorded: {AMEND}"
    if results_there(root) or (root / "orders/delivered.json").exists():
        return f"put it back from your copy: what is drawn is drawn; a change is made after that, and recorded: {AMEND}"
    return f"put it back from your copy; or, where nothing is drawn yet, remove {LOCK} too and plan anew: studykit plan FOLDER"
