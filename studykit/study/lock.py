"""The plan locked: what was promised before the data, sealed with its date, and every later change in the open.

``plan/plan.lock`` (JSON) is a chain of entries.  The first holds the promises of study.toml (question, scope,
alpha, seed, analytes with methods and margins, factors of the model, exclusion rules, actions) and the plan
tables row by row; each amendment holds the same again with a date and a reason in the user's words.  Every
entry carries a seal: the SHA-256 of the entry and of the seal before it, so that an edit by hand shows.  The
seal shows accidents and quiet edits; it cannot stop somebody who makes a new lock file.  For that, keep a copy
of the first seal elsewhere (in a mail, in the report).

Changes are allowed and shown, never hidden: ``changes_since_lock`` lists each with old and new value, and the
reason typed with ``studykit lock --amend``.  What a person fills in at the bench is no change of the plan and
is not sealed.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import json_text, write_bytes
from studykit.core.plaintext import RETYPE, unreadable
from studykit.core.writer import one_writer
from studykit.study.changes import Change, counted, told
from studykit.study.definition import Margin, Study, load_study
from studykit.study.printed import old_paper
from studykit.study.reasons import placeholder_faults, says_nothing
from studykit.study.seal import FORMAT, GONE, LOCK, read_lock, results_there, seal_of, way_back
from studykit.study.tables import load_tables

PROMISES = ("question", "scope", "alpha", "seed", "share_percent", "factors", "analytes", "exclusion_rules", "actions",
            "sampling", "time")
# columns that are planned; all others are filled in at the bench or derived
TABLES = {
    "plan/containers.csv": ("container", "lot", "store", "vessel", "filled_on", "treatment", "sister_of"),
    "plan/samples.csv": ("sample", "container", "kind", "depth"),
    "plan/draws.csv": ("sample", "container", "draw_order", "kind", "depth", "tip_mm", "purge_ml", "volume_ml",
                       "discard_ml"),
    "plan/submission.csv": ("sample", "run", "position", "tests"),
}
REASON_LENGTH = 8
NO_PLAN = ("there is no plan to lock yet", "make one with: studykit plan FOLDER")


@dataclass(frozen=True, slots=True, kw_only=True)
class LockStatus:
    """What the report says of the lock: ``state`` is 'not locked', 'locked', 'locked late' or 'edited by hand'.

    ``containers``: how many were planned, and which were added or taken out afterwards; '' where none was. ``told``: every
    change of a margin or of the model, in sentences; ``counted``: how many of these there are, by kind.
    """

    state: str
    locked_on: str
    seal: str
    changes: tuple[Change, ...]
    sentence: str
    containers: str = ""
    told: tuple[str, ...] = ()
    counted: str = ""

    @property
    def beforehand(self) -> bool:
        """True where the plan was locked before any result was there, and the lock is whole."""
        return self.state == "locked"

    @property
    def first_page(self) -> tuple[str, ...]:
        """Sentences for the first page: how the lock stands, and every change of a margin or of the model."""
        more = (self.containers,) if self.containers else ()
        return () if self.beforehand and not self.told and not more else (self.sentence, *more, *self.told)

    def to_table(self) -> pd.DataFrame:
        """One row a change."""
        columns = ["subject", "where", "old", "new", "reason", "date"]
        return pd.DataFrame([asdict(c) for c in self.changes], columns=columns)


def _flat(value: Any, key: str) -> Iterator[tuple[str, str]]:
    """Nested values as dotted keys and texts; empty and missing values leave no key."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _flat(inner, f"{key}.{name}")
    elif isinstance(value, (list, tuple)):
        if any(isinstance(v, Mapping) for v in value):
            for i, inner in enumerate(value, start=1):
                yield from _flat(inner, f"{key}[{i}]")
        elif value:
            yield key, ", ".join(str(v) for v in value)
    elif value is not None and value != "":
        yield key, str(value)


def promises(study: Study) -> dict[str, str]:
    """The promises of study.toml as dotted keys and texts.

    A key at the kit's own value is left out, so that writing it down, or a newer kit with more keys, is no
    change; scope, alpha and seed always stand.
    """
    dump = study.model_dump(mode="json", include=set(PROMISES), exclude_defaults=True)
    dump |= {"scope": study.scope, "alpha": study.alpha, "seed": study.seed}
    dump["actions"] = {k: v for word, a in study.actions.items() for k, v in ((word, a.do), (f"{word}.asks_for", a.asks_for))}
    dump["sampling"] = {k: v for k, v in dump.get("sampling", {}).items() if k not in ("labels", "tool")}
    return {k: v for name in PROMISES for k, v in _flat(dump.get(name), name)}


def plan_rows(root: Path, files: Mapping[str, bytes] | None = None) -> dict[str, dict[str, str]]:
    """The planned cells of each plan table: file -> code of the row -> its cells as one text.

    ``files``: tables that are about to be written, in place of those in the folder.
    """
    out: dict[str, dict[str, str]] = {}
    for file, columns in TABLES.items():
        path, new = root / file, (files or {}).get(file)
        if new is None and not path.exists():
            continue
        text = (path.read_bytes() if new is None else new).decode("utf-8-sig")
        rows = csv.DictReader(io.StringIO(text, newline=""))
        out[file] = {}
        for row in rows:
            cells = {c: (row.get(c) or "").strip() for c in columns}
            if cells.get("treatment") == "stored":
                cells["treatment"] = ""
            name = cells.pop(columns[0])
            out[file][name] = ", ".join(f"{c} {v}" for c, v in cells.items() if v)
    return out


def lock_folder(root: Path, amend: str = "", of: Sequence[str] = ()) -> LockStatus:
    """Check a study folder's definition and tables, then lock or amend its plan; BadInput as of both."""
    if not (Path(root) / "plan/samples.csv").exists():
        load_study(root)
        locked = (Path(root) / LOCK).exists()
        raise single("plan/samples.csv", *((GONE, way_back(Path(root))) if locked else NO_PLAN))
    study = load_tables(root, with_results=False).study
    with one_writer(Path(root), "lock"):
        return lock_plan(root, study, amend=amend, of=of)


def lock_plan(root: Path, study: Study, *, amend: str = "", of: Sequence[str] = (),
              today: dt.date | None = None) -> LockStatus:
    """Lock the plan, or with ``amend`` (the reason) add an amendment to a locked one; the status afterwards.

    ``of`` names the change that the reason is for, where several are open (``Change.name``, or the beginning of a place).
    BadInput, and nothing written: no plan yet, a plan locked twice, an amendment without a lock, without a
    change or without a reason that says something, a reason for several changes at once, placeholders in place of
    reasons, a lock edited by hand.
    """
    root = Path(root)
    entries, rows = read_lock(root), plan_rows(root)
    _refuse(study, entries, rows, amend)
    if old := old_paper(root, study):
        raise BadInput(old, title="Old sheets are still in use; nothing was locked")
    data = amendment(root, study, amend, of=of, today=today) if amend else _sealed(root, entries, "", promises(study), rows,
                                                                                   today)
    write_bytes(root / LOCK, data)
    return lock_status(root, study)


def amendment(root: Path, study: Study, reason: str, *, files: Mapping[str, bytes] | None = None, of: Sequence[str] = (),
              today: dt.date | None = None) -> bytes:
    """The lock with one amendment more, to be written: ``study`` and ``files`` (about to be written) as they will be.

    Only the changes named in ``of`` enter; without it every open change, which must then have one name.  BadInput as of
    ``lock_plan``.
    """
    entries = read_lock(root)
    if not entries:
        raise single(LOCK, "there is no lock to amend", "lock the plan first: studykit lock FOLDER")
    if faults := reason_faults(reason):
        raise BadInput(faults)
    last, now, rows = entries[-1], promises(study), plan_rows(root, files)
    found = _differences(last, now, rows)
    if not found:
        raise single(LOCK, f"nothing has changed since {last['date']}: there is nothing to amend", "")
    taken = _chosen(found, of)
    tables = {file: dict(last["tables"].get(file, {})) for file in sorted({*last["tables"], *rows})}
    promised = dict(last["promises"])
    for change in taken:
        file, _, row = change.where.partition(" row ")
        target, key = (tables[file], row) if row else (promised, change.where)
        source = rows.get(file, {}) if row else now
        if key in source:
            target[key] = source[key]
        else:
            target.pop(key, None)
    return _sealed(root, entries, reason.strip(), promised, tables, today)


def reason_faults(reason: str, name: str = LOCK) -> list[Fault]:
    """A fault where a reason is too short or says nothing."""
    text = reason.strip()
    if why := unreadable(text):
        return [Fault(file=name, value=text, reason=why, remedy=RETYPE)]
    return [Fault(file=name, value=text, reason="this reason says too little", remedy="write why, in a few words")
            ] if len(text) < REASON_LENGTH or says_nothing(text) else []


def open_changes(root: Path, study: Study) -> tuple[Change, ...]:
    """The changes since the last entry of the lock, which no amendment holds yet; none where there is no lock."""
    entries = read_lock(root)
    return tuple(_differences(entries[-1], promises(study), plan_rows(root))) if entries else ()


def _chosen(found: list[Change], of: Sequence[str]) -> list[Change]:
    """The changes that a reason is for; BadInput where it would cover several at once, or none of that name."""
    names = dict.fromkeys(c.name for c in found)
    if not of and len(names) > 1:
        raise BadInput([Fault(file=LOCK, value=name, reason=f"is one of {len(names)} changes, and a reason belongs to one",
                              remedy=f'amend each with its own: studykit lock FOLDER --of {name} --amend "reason"')
                        for name in names], title="Several changes are open; nothing was amended")
    faults = [Fault(file=LOCK, value=name, reason="nothing of that name has changed",
                    remedy="changed are " + ", ".join(names)) for name in of if not any(_covers(name, c) for c in found)]
    if faults:
        raise BadInput(faults)
    return [c for c in found if not of or any(_covers(name, c) for name in of)]


def _covers(name: str, change: Change) -> bool:
    return change.name == name or change.where == name or change.where.startswith((f"{name}.", f"{name}[", f"{name} "))


def _sealed(root: Path, entries: list[dict[str, Any]], reason: str, promised: Mapping[str, str],
            rows: Mapping[str, Mapping[str, str]], today: dt.date | None) -> bytes:
    """The lock with one entry more, as bytes."""
    date = (today or dt.datetime.now(dt.UTC).date()).isoformat()
    if entries and date < entries[-1]["date"]:
        raise single(LOCK, f"its last entry is of {entries[-1]['date']}, and this machine's clock says {date}",
                     "set the clock right, then amend")
    entry: dict[str, Any] = {"kind": "amendment" if entries else "lock", "date": date, "reason": reason,
                             "results_there": results_there(root), "promises": promised, "tables": rows}
    entry["seal"] = seal_of(entry, entries[-1]["seal"] if entries else "")
    data = {"format": FORMAT, "entries": [*entries, entry], "last_seal": entry["seal"]}
    return f"{json_text(data)}\n".encode()


def _refuse(study: Study, entries: list[dict[str, Any]], rows: dict[str, dict[str, str]], amend: str) -> None:
    """BadInput where the plan cannot be locked now, or there is none."""
    if not rows.get("plan/containers.csv") or not rows.get("plan/samples.csv"):
        raise single("plan/samples.csv", *NO_PLAN)
    if entries and not amend:
        raise single(LOCK, f"the plan was already locked on {entries[0]['date']}",
                     'after a change give its reason: studykit lock FOLDER --amend "reason"')
    if hollow := placeholder_faults(study):
        raise BadInput(hollow, title="Reasons are missing; nothing was locked")


def _subject(where: str) -> str:
    """What kind of promise a key is."""
    if where.startswith("plan/"):
        return "plan table"
    parts = where.split(".")
    if parts[0] == "analytes" and parts[-1] == "role":
        return "model"
    if parts[0] == "analytes":
        return "margin" if len(parts) > 2 and parts[2] == "margin" else "analyte"
    return "model" if parts[0] in ("factors", "alpha", "scope", "time") else parts[0].replace("_", " ")


def _differences(entry: Mapping[str, Any], now: Mapping[str, str], rows: Mapping[str, Mapping[str, str]],
                 by: Mapping[str, Any] | None = None, number: int = 0) -> list[Change]:
    """All changes from a stored entry to later promises and rows; ``by``: the amendment that holds them, ``number`` its."""
    reason, date, late = (by["reason"], by["date"], bool(by["results_there"])) if by else ("", "", False)
    pairs = [("", entry["promises"], now)]
    pairs += [(f"{file} row ", entry["tables"].get(file, {}), rows.get(file, {}))
              for file in sorted({*entry["tables"], *rows})]
    return [Change(subject=_subject(head + key), where=head + key, old=old.get(key, ""), new=new.get(key, ""),
                   reason=reason, date=date, after_results=late, entry=number)
            for head, old, new in pairs for key in sorted({*old, *new}) if old.get(key) != new.get(key)]


def changes_since_lock(root: Path, study: Study) -> tuple[Change, ...]:
    """Every change since the first lock, oldest first: the amended ones with their reason, then those without.

    Empty where there is no lock.  BadInput where the lock was edited by hand.
    """
    entries = read_lock(root)
    out: list[Change] = []
    for number, (before, after) in enumerate(pairwise(entries), start=1):
        out += _differences(before, after["promises"], after["tables"], after, number)
    return (*out, *open_changes(root, study))


def _containers_said(entries: list[dict[str, Any]], changes: Sequence[Change]) -> str:
    """How many containers were planned at the lock, and which came or went afterwards, when and why; '' where none did."""
    head = "plan/containers.csv row "
    moved = [c for c in changes if c.where.startswith(head) and not (c.old and c.new)]
    told = []
    for what in ("added", "taken out"):
        for key in dict.fromkeys((c.date, c.reason, c.after_results) for c in moved if bool(c.new) == (what == "added")):
            own = [c for c in moved if (c.date, c.reason, c.after_results) == key and bool(c.new) == (what == "added")]
            names = ", ".join(c.where.removeprefix(head) for c in own)
            told.append(f"{len(own)} {what} afterwards ({names}) {own[0].why()}")
    planned = len(entries[0]["tables"].get("plan/containers.csv", {}))
    return f"Containers: {planned} planned, {'; '.join(told)}." if told else ""


def earlier_margins(root: Path, study: Study) -> dict[str, tuple[Margin, ...]]:
    """Per analyte the margins that it was locked with and no longer has, oldest first; {} where no margin changed.

    BadInput where the lock was edited by hand.
    """
    out: dict[str, tuple[Margin, ...]] = {}
    for name, analyte in study.analytes.items():
        earlier = [m for e in read_lock(root) if (m := _promised_margin(e, name))]
        if others := tuple(dict.fromkeys(m for m in earlier if m != analyte.margin)):
            out[name] = others
    return out


def locked_margins(root: Path, study: Study) -> dict[str, tuple[Margin, bool]]:
    """Per analyte with another margin now the one that it was first locked with, and whether that was before any result.

    BadInput where the lock was edited by hand.
    """
    out: dict[str, tuple[Margin, bool]] = {}
    reported = _earliest_report(root)
    for name, analyte in study.analytes.items():
        found = ((m, not _late(e, reported)) for e in read_lock(root) if (m := _promised_margin(e, name)))
        first = next(found, None)
        if first is not None and first[0] != analyte.margin:
            out[name] = first
    return out


def _promised_margin(entry: Mapping[str, Any], name: str) -> Margin | None:
    """The margin of an analyte in one entry of the lock; None where it has none there."""
    head = f"analytes.{name}.margin."
    cells = {k.removeprefix(head): v for k, v in entry["promises"].items() if k.startswith(head)}
    return Margin.model_validate({k: v if k == "side" else float(v) for k, v in cells.items()}) if cells else None


def _earliest_report(root: Path) -> str:
    """The earliest reporting day in tidy/results.csv, '' where there is none."""
    path = root / "tidy/results.csv"
    if not path.exists():
        return ""
    rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""))
    return min((r.get("reported_on") or "" for r in rows if r.get("reported_on")), default="")


def _late(entry: Mapping[str, Any], reported: str) -> bool:
    """Whether results were there, or reported on an earlier day, when an entry of the lock was written."""
    return bool(entry["results_there"] or (reported and reported < entry["date"]))


def lock_status(root: Path, study: Study) -> LockStatus:
    """How the lock stands, for notebook, report and recheck; a lock edited by hand is a state, not an error."""
    try:
        entries = read_lock(root)
        changes = changes_since_lock(root, study)
    except BadInput as error:
        text = f"The lock of the plan {error.faults[0].reason}; what was promised beforehand cannot be shown."
        return LockStatus(state="edited by hand", locked_on="", seal="", changes=(), sentence=text)
    if not entries:
        late = results_there(root)
        text = ("The plan was not locked before the results came: nothing shows that question, margins and model "
                "were fixed beforehand." if late else "The plan is not locked yet.")
        return LockStatus(state="not locked", locked_on="", seal="", changes=(), sentence=text)
    first = entries[0]
    reported = _earliest_report(root)
    named = len({(c.entry, c.name) for c in changes})
    count = f"changed {'once' if named == 1 else f'{named} times'} since then" if changes else "no change since then"
    if _late(first, reported):
        text = f"The plan was locked on {first['date']}, only after results had been reported; {count}."
        state = "locked late"
    else:
        text, state = f"The plan was locked on {first['date']}, when no result was in its folder; {count}.", "locked"
    return LockStatus(state=state, locked_on=first["date"], seal=first["seal"], changes=changes, sentence=text,
                      containers=_containers_said(entries, changes), told=told(changes, study), counted=counted(changes))
