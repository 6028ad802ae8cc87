"""Names that a person gives: each one seen, told from the others, and no word of the kit's own answer."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence

from studykit.core.errors import Fault
from studykit.core.plaintext import UNSEEN
from studykit.study.codes import spreadsheet_form

ELEMENTS = {
    "silicon": "Si", "phosphorus": "P", "phosphorous": "P", "calcium": "Ca", "zinc": "Zn", "boron": "B", "sulphur": "S",
    "sulfur": "S", "magnesium": "Mg", "sodium": "Na", "potassium": "K", "molybdenum": "Mo", "barium": "Ba",
    "iron": "Fe",
    "copper": "Cu", "lead": "Pb", "tin": "Sn", "aluminium": "Al", "aluminum": "Al", "chromium": "Cr", "nitrogen": "N",
    "nickel": "Ni", "silver": "Ag", "titanium": "Ti", "vanadium": "V", "manganese": "Mn", "lithium": "Li",
}
"""Elements by their English names, as laboratories write them."""

_WORDS = r"(homogene?ous|uneven|stratified|inconclusive|indeterminate|not assessed|uniform|(all|both) analytes)"
_ALIKE = (r"|uniformly|identical|nothing (has )?(settled|separated)|no difference|(evenly|well) mixed|same (at|in|everywhere)"
          r"|(all|every|both) (the )?(depths?|zones?|samples?|bottles?)")
_ANSWER = re.compile(rf"\b({_WORDS}{_ALIKE})\b")
_LIKE_AN_ANSWER = re.compile(rf"{_WORDS}( on average( only)?)? ?[:.!]")
_COMPARES = re.compile(r"\b(again|same|equal|alike|like|as)\b")
#: Marks that choose how the sign before them is drawn, and show nothing themselves (Unicode, variation selectors, joiner).
_CHOOSING = re.compile("[\u034f\ufe00-\ufe0f\U000e0100-\U000e01ef]")


def name_faults(title: str, question: str, depths: Sequence[str], labels: Mapping[str, str]) -> list[Fault]:
    """Everything in a study's names that a reader could not tell apart, or could take for the kit's answer."""
    return [*_opening_faults(title, question), *_twin_depths(depths), *_telling_depths(depths), *label_faults(labels)]


def label_faults(labels: Mapping[str, str]) -> list[Fault]:
    """Labels (by the analyte's key; '' for none) that a reader of the report could not read as meant."""
    told = {key: label or key for key, label in labels.items()}
    forms: dict[str, list[str]] = {}
    for key, label in told.items():
        forms.setdefault(_form(label), []).append(key)
    faults = [_fault(key, *why, label) for key, label in told.items() for why in _unreadable(label)]
    faults += [_fault(key, f"names the element {other}, and the key is {key}", "name the element of the key", label)
               for key, label in told.items() if (other := _other_element(key, label))]
    keys = {_form(key): key for key in labels}
    faults += [_fault(key, f"is the key of {other}, another analyte", "give it a label of its own", label)
               for key, label in told.items() if (other := keys.get(_form(label), key)) != key]
    return faults + [_fault(keys[-1], "reads like the label of " + " and ".join(keys[:-1]), "give one of them another label",
                            told[keys[-1]]) for keys in forms.values() if len(keys) > 1]


def _opening_faults(title: str, question: str) -> list[Fault]:
    """A title or a question that begins as the kit's own answer does: both stand above it."""
    return [Fault(file="study.toml", column=what, value=text[:80], remedy="begin with other words",
                  reason=f"begins with {found[0]!r}, as the kit's own answer does")
            for what, text in (("title", title), ("question", question)) if (found := _LIKE_AN_ANSWER.match(_form(text)))]


def _twin_depths(depths: Sequence[str]) -> list[Fault]:
    """Two depths that a reader takes for one another."""
    forms: dict[str, str] = {}
    for depth in depths:
        if (other := forms.setdefault(_form(depth), depth)) != depth:
            return [Fault(file="study.toml", column="factors.depths", value=depth, reason=f"reads like the depth {other!r}",
                          remedy="give one of them another label")]
    return []


def _telling_depths(depths: Sequence[str]) -> list[Fault]:
    """Depths whose name says how they compare: page one would read as if the kit said so."""
    return [Fault(file="study.toml", column="factors.depths", value=depth, remedy="name the place alone, such as 'lower third'",
                  reason=f"holds {found[0]!r}, which says how depths compare") for depth in depths
            if (found := _COMPARES.search(_form(depth)) or _ANSWER.search(_form(depth)))]


def _other_element(key: str, label: str) -> str:
    """The element that a label names where its key is the symbol of another one; '' where it names none, or its own too."""
    named = {ELEMENTS[w] for w in re.findall(r"[a-z]+", _form(label)) if w in ELEMENTS}
    named |= {s for s in re.findall(r"\(([A-Z][a-z]?)\)", label) if s in ELEMENTS.values()}
    own = key in ELEMENTS.values()
    return min(named) if own and named and key not in named else ""


def _form(label: str) -> str:
    """What the eye keeps of a label: no capitals, marks that are not seen, or look-alike letters."""
    seen = "".join(c for c in unicodedata.normalize("NFKC", _CHOOSING.sub("", label)) if unicodedata.category(c) != "Cf")
    return spreadsheet_form(" ".join(seen.split()))


def _unreadable(label: str) -> Iterator[tuple[str, str]]:
    """Reason and remedy for each thing that is wrong with one label."""
    if not any(c.isalnum() and c not in UNSEEN for c in label):
        yield "shows no letter and no digit", "write a name that can be read, or leave the label out"
    if found := _ANSWER.search(_form(label)):
        yield f"holds {found[0]!r}, a word of the kit's own answer", "name the analyte in other words"


def _fault(key: str, reason: str, remedy: str, label: str) -> Fault:
    return Fault(file="study.toml", column=f"analytes.{key}.label", value=label, reason=reason, remedy=remedy)
