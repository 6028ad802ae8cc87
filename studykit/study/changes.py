"""A change after the lock, and what page one says of it: names and units in place of the keys of study.toml."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from studykit.study.definition import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change after the lock: subject, place, old and new value as text, reason and date ('' = not amended).

    ``after_results``: results were already in the folder when the change was amended; ``entry``: number of the amendment,
    from 1, 0 for a change that no amendment holds.
    """

    subject: str
    where: str
    old: str
    new: str
    reason: str
    date: str
    after_results: bool = False
    entry: int = 0

    @property
    def name(self) -> str:
        """What a reason is given for: 'plan' for its tables, 'analytes.P' for an analyte, else the first part of the key."""
        return _named(self.where)

    @property
    def first_page(self) -> bool:
        """Whether the report must show it on its first page: a margin or the model changed."""
        return self.subject in ("margin", "model")

    def sentence(self) -> str:
        """The change in one sentence."""
        old, new = _plain(self.old), _plain(self.new)
        what = f"changed from {old} to {new}" if old and new else f"added: {new}," if new else f"taken out (it was {old})"
        return f"{self._place()} was {what} {self.why()}."

    def why(self) -> str:
        """When and why it was changed."""
        late = ", when results were already there" if self.after_results else ""
        return f"on {self.date}{late}, because: {self.reason.rstrip('.')}" if self.reason else "without a reason given"

    def _place(self) -> str:
        """The place in words; of a table the file and the row, of an analyte's own keys what and of which."""
        parts = self.where.split(".")
        if self.subject != "margin" or len(parts) != 4:
            return _in_words(self.where)
        return f"The margin of {parts[1]} ({parts[3].replace('relative_percent', 'relative, per cent')})"


PLACES = {
    "question": "The question", "scope": "What the answer is for", "alpha": "The chance allowed for a wrong firm verdict",
    "seed": "The seed of codes and random orders", "share_percent": "The share of containers that may lie beyond",
    "exclusion_rules": "The list of reasons for leaving a result out", "factors.depths": "The list of depths",
    "factors.fixed": "The list of what may differ (lot, store, age and others)",
    "factors.by_depth": "The list of what may act on differences between depths",
    "factors.random": "The list of what is taken as drawn at random", "factors.run": "Whether runs have a term of their own",
    "factors.across_depths": "What is assumed of scatter across depths",
    "factors.across_depths_reason": "The reason for what is assumed of scatter across depths",
    "time.course": "The course of differences in time", "time.half_months": "The time to half of the final level, months,",
    "time.starts": "What sets standing time to zero", "time.visits": "The list of planned days of drawing",
    "time.containers": "Whether each visit opens other containers"}
"""Promises of study.toml by their keys, as those read who do not write it."""


def _in_words(where: str) -> str:
    """A promise in words; a row of a table, and what has no words, as it stands."""
    head, _, rest = where.partition(".")
    if head == "actions":
        return f"The action declared for {rest.partition('.')[0]!r}".replace("'", "\u201c", 1).replace("'", "\u201d", 1)
    if head == "analytes" and rest.partition(".")[2] in ("unit", "method", "label", "kind", "nominal"):
        analyte, _, what = rest.partition(".")
        return f"The {what.replace('nominal', 'level as filled').replace('label', 'name')} of {analyte}"
    return PLACES.get(where, where)


def _plain(text: str) -> str:
    """A whole number without the '.0' that a float leaves."""
    return text[:-2] if re.fullmatch(r"-?[0-9]+\.0", text) else text


def _named(where: str) -> str:
    parts = where.split(".")
    if where.startswith("plan/"):
        return "plan"
    return ".".join(parts[:2]) if parts[0] == "analytes" else parts[0].partition("[")[0]


def told(changes: Sequence[Change], study: Study) -> tuple[str, ...]:
    """Every change of a margin or of the model in a sentence, oldest first; an analyte that came or changed in one each."""
    out: dict[tuple[int, str], str] = {}
    for change in (c for c in changes if c.first_page):
        kin = [c for c in changes if (c.entry, c.name) == (change.entry, change.name)]
        words = _of_analyte(kin, change, study) or change.sentence()
        out.setdefault((change.entry, change.where if words == change.sentence() else change.name), words)
    return tuple(out.values())


def _of_analyte(kin: Sequence[Change], change: Change, study: Study) -> str:
    """One sentence for all that one amendment changed of an analyte; '' where it is no analyte of the study."""
    key = change.where.split(".")[1] if change.where.startswith("analytes.") else ""
    if key not in study.analytes:
        return ""
    head, name = f"analytes.{key}.", study.analytes[key].label or key
    old, new = ({c.where.removeprefix(head): getattr(c, side) for c in kin} for side in ("old", "new"))
    role = ROLES[new.get("role", "") or "decides"]
    if new.get("unit") and not old.get("unit"):
        return f"{_capital(name)} was added {change.why()}. It {role}."
    before, after = (_margin(d, study.analytes[key].unit) for d in (old, new))
    told_ = [f"the margin of {name} was changed from {before} to {after}"] if before and after else []
    sides = [d.get("margin.side") or "both sides" for d in (old, new)]
    if sides[0] != sides[1]:
        told_.append(f"the side of the margin of {name} that counts was changed from {sides[0]} to {sides[1]}")
    told_ += [f"{name} now {role}"] if "role" in new else []
    return f"{_capital(' and '.join(told_))} {change.why()}." if told_ else ""


COUNTED = {"container added": "containers added", "container taken out": "containers taken out",
           "analyte added": "analytes added", "analyte taken out": "analytes taken out",
           "margin changed": "margins changed", "role changed": "roles changed",
           "other change of the model": "other changes of the model"}
"""Kinds of change that page one counts, one and several."""


def counted(changes: Sequence[Change]) -> str:
    """How many changes of each kind that page one has to tell, and how many of them came after results; '' for none."""
    kinds = list[tuple[str, bool]]()
    for entry, name in dict.fromkeys((c.entry, c.name) for c in changes):
        kin = [c for c in changes if (c.entry, c.name) == (entry, name)]
        kinds += [(kind, kin[0].after_results) for kind in _kinds(kin)]
    told_ = [f"{n} {one if n == 1 else COUNTED[one]}" for one in COUNTED if (n := sum(kind == one for kind, _ in kinds))]
    late = sum(after for _, after in kinds)
    when = ("" if not late else " when results were already there" if late == len(kinds) else
            f" ({late} of these when results were already there)")
    return f"{', '.join(told_)}{when}" if told_ else ""


def _kinds(kin: Sequence[Change]) -> list[str]:
    """The kinds of what one amendment changed under one name: each container by itself, an analyte once."""
    moved = [c for c in kin if c.where.startswith("plan/containers.csv row ") and not (c.old and c.new)]
    if moved:
        return ["container added" if c.new else "container taken out" for c in moved]
    if not any(c.first_page for c in kin):
        return []
    ends, name = {c.where.removeprefix(f"{c.name}."): c for c in kin}, kin[0].name
    if not name.startswith("analytes."):
        return ["other change of the model"]
    if (unit := ends.get("unit")) and not (unit.old and unit.new):
        return ["analyte added" if unit.new else "analyte taken out"]
    margin = ["margin changed"] * any(c.subject == "margin" for c in kin)
    return [*margin, *["role changed"] * ("role" in ends)]


ROLES = {"decides": "decides with the others", "information": "is an extra result and does not change the study's word"}


def _margin(cells: dict[str, str], unit: str) -> str:
    """A margin in words from its cells; '' where they hold none."""
    if factor := cells.get("margin.factor"):
        return f"a factor of {_plain(factor)}"
    if relative := cells.get("margin.relative_percent"):
        return f"\u00b1{_plain(relative)} %"
    return f"\u00b1{_plain(cells['margin.absolute'])} {unit}" if cells.get("margin.absolute") else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
