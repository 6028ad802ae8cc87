"""Labels of analytes: each one seen, read one way only, told from the others, and no word of the kit's own answer."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping

from studykit.core.errors import Fault
from studykit.study.codes import spreadsheet_form

#: Marks that turn the text around them (Unicode Standard Annex 9, "Explicit Directional" and implicit marks).
_TURNING = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
#: Letters by their category that show nothing: the Hangul fillers (Unicode, Default_Ignorable_Code_Point).
_UNSEEN = frozenset("\u115f\u1160\u3164\uffa0")
_ANSWER = re.compile(r"\b(homogeneous|uneven|stratified|inconclusive|indeterminate|not assessed|(all|both) analytes)\b")


def label_faults(labels: Mapping[str, str]) -> list[Fault]:
    """Labels (by the analyte's key; '' for none) that a reader of the report could not read as meant."""
    told = {key: label or key for key, label in labels.items()}
    forms: dict[str, list[str]] = {}
    for key, label in told.items():
        forms.setdefault(_form(label), []).append(key)
    faults = [_fault(key, *why, label) for key, label in told.items() for why in _unreadable(label)]
    return faults + [_fault(keys[-1], "reads like the label of " + " and ".join(keys[:-1]), "give one of them another label",
                            told[keys[-1]]) for keys in forms.values() if len(keys) > 1]


def _form(label: str) -> str:
    """What the eye keeps of a label: no capitals, marks that are not seen, or look-alike letters."""
    seen = "".join(c for c in unicodedata.normalize("NFKC", label) if unicodedata.category(c) != "Cf")
    return spreadsheet_form(" ".join(seen.split()))


def _unreadable(label: str) -> Iterator[tuple[str, str]]:
    """Reason and remedy for each thing that is wrong with one label."""
    if _TURNING.search(label):
        yield "holds a mark that turns the direction of the text", "write the label without it"
    if not any(c.isalnum() and c not in _UNSEEN for c in label):
        yield "shows no letter and no digit", "write a name that can be read, or leave the label out"
    if found := _ANSWER.search(_form(label)):
        yield f"holds {found[0]!r}, a word of the kit's own answer", "name the analyte in other words"


def _fault(key: str, reason: str, remedy: str, label: str) -> Fault:
    return Fault(file="study.toml", column=f"analytes.{key}.label", value=label, reason=reason, remedy=remedy)
