"""Changing a margin by one command: study.toml rewritten in that place alone, and the reason in the lock."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import tomlkit

from studykit.core.change import change_files
from studykit.core.errors import BadInput, single
from studykit.study.amounts import margin_in
from studykit.study.definition import Margin, Study, load_study, parse_study
from studykit.study.lock import amendment, open_changes, reason_faults
from studykit.study.seal import LOCK, read_lock, results_there


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginChanged:
    """A margin that was changed: the analyte's name, old and new margin in words, whether a lock holds the reason.

    ``sides``: what is asked of the other side from now on, where that changed; else ''.
    """

    label: str
    old: str
    new: str
    locked: bool
    after_results: bool
    sides: str = ""

    def sentence(self) -> str:
        """What was changed, and where it will be read."""
        late = ", when results were already there" if self.after_results else ""
        where = ("The reason stands in the lock, and page one of the report gives the word at both margins."
                 if self.locked else "The plan is not locked yet, so only study.toml holds it.")
        turned = f"Attention, this asks another question: {self.sides}. " if self.sides else ""
        return f"The margin of {self.label} is now {self.new}; it was {self.old}{late}. {turned}{where}"


def change_margin(root: Path, analyte: str, margin: str, *, reason: str, today: dt.date | None = None) -> MarginChanged:
    """Change the margin of an analyte (key or name) to a text such as '5 %' or '2 mg/kg', all files or none.

    BadInput, and nothing written: an unknown analyte, a bare number or another unit, the margin that it has, a reason that
    says nothing, changes of this analyte that no amendment holds yet.
    """
    root = Path(root)
    study = load_study(root)
    key = _key(study, analyte)
    declared, new = study.analytes[key], margin_in(margin, study.analytes[key].unit)
    if faults := reason_faults(reason, "--reason"):
        raise BadInput(faults, title="The margin was not changed")
    if new == declared.margin:
        raise single("margin", f"is the margin of {study.label_of(key)} already", "", value=margin)
    if any(c.name == f"analytes.{key}" for c in open_changes(root, study)):
        raise single(LOCK, f"{study.label_of(key)} was changed since, and no reason for that is recorded yet",
                     f'record it first: studykit lock FOLDER --of analytes.{key} --amend "reason"')
    sides = sides_changed(declared.margin, new)
    reason = f"{reason.strip()} ({sides})" if sides else reason.strip()
    text = rewritten((root / "study.toml").read_bytes().decode("utf-8-sig"), key, new, reason)
    changed = parse_study(tomlkit.parse(text).unwrap(), "study.toml", text)
    files, locked = {"study.toml": text.encode("utf-8")}, bool(read_lock(root))
    if locked:
        files[LOCK] = amendment(root, changed, reason, of=(f"analytes.{key}",), today=today)
    change_files(root, files)
    return MarginChanged(label=study.label_of(key), old=declared.margin.text(declared.unit), new=new.text(declared.unit),
                         locked=locked, after_results=results_there(root), sides=sides)


def sides_changed(old: Margin, new: Margin) -> str:
    """What a change of sides means, in words: a side that no longer counts, or counts from now on; '' where none did."""
    if old.side == new.side:
        return ""
    asked = {None: "on both sides, depth against depth", "below": "only below the mixed container",
             "above": "only above the mixed container"}
    dropped = {"below": "what lies above it is no longer held against any margin",
               "above": "what lies below it is no longer held against any margin"}
    lost = f"; {dropped[new.side]}" if new.side else ""
    return f"the margin counted {asked[old.side]} before, and counts {asked[new.side]} now{lost}"


def _key(study: Study, text: str) -> str:
    if key := study.key_of(text):
        return key
    raise single("analyte", "is not declared in study.toml", study.known(), value=text)


def rewritten(text: str, key: str, margin: Margin, reason: str) -> str:
    """study.toml with another margin and its reason for one analyte; every other character stays."""
    document = tomlkit.parse(text)
    analyte = document["analytes"][key]
    analyte["margin"] = tomlkit.value(margin.toml())
    analyte["margin_reason"] = reason
    return tomlkit.dumps(document)
