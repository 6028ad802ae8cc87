"""Every error that a user can cause: what is wrong, where, what is allowed, and the next step.

A refusal names all of its faults at once. The command line prints the message and exits
with the error's ``exit_code``; a traceback is shown only on request.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from typing import Any

_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]")
COLUMNS = ("file", "row", "column", "value", "reason", "remedy")


def visible(text: str) -> str:
    """A text in one line: signs that end a line, steer a terminal or turn the reading order are told, as (U+202E)."""
    return _UNSEEN.sub(lambda m: f"(U+{ord(m[0]):04X})", text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in one place.

    ``row`` is the line number in the file as a person counts it (the header is line 1);
    None where the fault is not tied to a line.
    """

    file: str
    row: int | None = None
    column: str = ""
    value: str = ""
    reason: str
    remedy: str = ""

    def line(self) -> str:
        """The fault as one sentence: place, value, reason, remedy."""
        place = self.file
        if self.row is not None:
            place += f" row {self.row}"
        if self.column:
            place += f", column {self.column}" if self.row is not None else f", {self.column}"
        value = str(self.value)
        shown = value if len(value) <= 80 else value[:77] + "..."
        text = f"{place}: " + (f"{shown!r}: " if shown else "") + self.reason
        return visible(text + (f" -> {self.remedy}" if self.remedy else ""))


EXITS = {
    0: "done",
    1: "any other error of the kit",
    2: "files or definitions that cannot be taken, or a command that was not understood",
    3: "the data cannot carry the design that was asked for",
    4: "a fit that cannot be trusted",
    5: "notebook parameters with unknown or missing names",
    6: "a notebook cell failed",
    7: "a re-execution does not give what is filed",
    8: "rows of the raw files were rejected, and nobody has accepted that with a reason",
    9: "a package is not installed; the message names the extra that brings it",
    70: "a fault of the kit",
    130: "stopped from the keyboard",
}
"""Exit codes of the commands, and what each means."""


class StudyKitError(Exception):
    """Base of all errors that a user can cause."""

    exit_code = 1


class BadInput(StudyKitError):
    """Files or definitions that cannot be taken; ``faults`` holds every one of them."""

    exit_code = 2

    def __init__(self, faults: Iterable[Fault], title: str = "The input has faults") -> None:
        self.faults = tuple(faults)
        self.title = title
        super().__init__(self.message())

    def message(self, limit: int = 60) -> str:
        """All faults, one a line, with a count; beyond ``limit`` lines the rest is counted."""
        n = len(self.faults)
        lines = [f"{self.title}: {n} fault{'s' if n != 1 else ''}."]
        lines += ["  " + f.line() for f in self.faults[:limit]]
        if n > limit:
            lines.append(f"  ... and {n - limit} more.")
        return "\n".join(lines)

    def rows(self) -> list[tuple[Any, ...]]:
        """The faults as rows under ``COLUMNS``."""
        return [astuple(f) for f in self.faults]


class DesignMismatch(StudyKitError):
    """The data cannot carry the design that was asked for (one container, one depth, aliased terms)."""

    exit_code = 3


class ModelNotTrusted(StudyKitError):
    """A fit that did not reach a trustworthy optimum; the fit travels only inside this error."""

    exit_code = 4

    def __init__(self, message: str, fit: object | None = None) -> None:
        self.fit = fit
        super().__init__(message)


class ParametersRefused(StudyKitError):
    """Notebook parameters with unknown or missing names; nothing was run."""

    exit_code = 5


class StageFailed(StudyKitError):
    """A notebook cell failed: which notebook, which cell, its source, and the last line of the error."""

    exit_code = 6


class RunsDiffer(StudyKitError):
    """A re-execution does not give what is filed; ``differences`` holds one row a difference."""

    exit_code = 7

    def __init__(self, message: str, differences: tuple[dict[str, Any], ...] = ()) -> None:
        self.differences = differences
        super().__init__(message)


def single(file: str, reason: str, remedy: str = "", **where: Any) -> BadInput:
    """A refusal with one fault."""
    return BadInput([Fault(file=file, reason=reason, remedy=remedy, **where)])
