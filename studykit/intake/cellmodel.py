"""One model of a cell for every kind of spreadsheet: stored, shown, and what makes it doubtful."""

from __future__ import annotations

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
    """

    mark: str
    shown: str
    reason: str
    instead: str = ""


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
        """Add a doubt; the first of a cell counts, but what is read ``instead`` is kept."""
        found = self.doubts.setdefault(place, Doubt(mark=mark, shown=shown, reason=reason))
        if instead:
            self.doubts[place] = replace(found, shown=found.shown or shown, instead=instead)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCells:
    """One sheet from its first row and column: texts by row, which cells are stored numbers, and its look."""

    title: str
    texts: list[list[str]]
    numeric: list[list[bool]]
    look: Look
