"""One model of a cell for every kind of spreadsheet: stored, shown, and what makes it doubtful."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

MOST_CELLS = 1_000_000
MOST_COLUMNS = 2_000
Place = tuple[int, int]


class UnreadableError(ValueError):
    """A spreadsheet that is not read; ``kind`` 'password' or 'limit' where that is why."""

    def __init__(self, text: str, kind: str = "") -> None:
        super().__init__(text)
        self.kind = kind


UNDER_A_CONDITION = "is shown otherwise, or not at all, under a condition"
"""Said of a cell whose format hangs on a condition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Why the stored value of a cell may not be what a reader sees: a mark, the text shown, a reason in words.

    ``instead``: the text that is read where the cell counts, since it shows another one than it stores; '' for the stored one.
    ``more``: further marks of the cell, each with its reason.
    """

    mark: str
    shown: str
    reason: str
    instead: str = ""
    more: tuple[tuple[str, str], ...] = ()

    def besides(self, marks: Collection[str]) -> Doubt | None:
        """What is left of it without these marks; None for nothing."""
        left = [(m, r) for m, r in ((self.mark, self.reason), *self.more) if m not in marks]
        if not left:
            return None
        shown = self.shown if left[0][0] == self.mark else ""
        return Doubt(mark=left[0][0], shown=shown, reason=left[0][1], instead=self.instead, more=tuple(left[1:]))


@dataclass(slots=True, kw_only=True)
class Look:
    """What a second reader says about one sheet; positions count from 0.

    ``around``: texts outside the cells (print header, text box), each with its place.
    """

    state: str = "visible"
    shown: dict[Place, str] = field(default_factory=dict)
    doubts: dict[Place, Doubt] = field(default_factory=dict)
    instead: dict[Place, str] = field(default_factory=dict)
    formulas: set[Place] = field(default_factory=set)
    rows: set[int] = field(default_factory=set)
    columns: set[int] = field(default_factory=set)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    around: list[tuple[str, str]] = field(default_factory=list)

    def doubt(self, place: Place, mark: str, shown: str, reason: str, instead: str = "") -> None:
        """Add a doubt behind those of the cell, each mark once; what is read ``instead`` is the last one's that says so."""
        found = self.doubts.get(place)
        if found is None:
            self.doubts[place] = Doubt(mark=mark, shown=shown, reason=reason, instead=instead)
            return
        known = {found.mark, *(m for m, _ in found.more)}
        more = found.more if mark in known else (*found.more, (mark, reason))
        self.doubts[place] = replace(found, more=more, shown=found.shown or shown, instead=instead or found.instead)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCells:
    """One sheet from its first row and column: texts by row, which cells are stored numbers, and its look."""

    title: str
    texts: list[list[str]]
    numeric: list[list[bool]]
    look: Look
