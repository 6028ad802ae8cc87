"""What the register keeps of one study, and the states that a study can be in. Standard library only."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

FILED, CHANGED, UNFILED, EMPTY, UNREADABLE = "as filed", "not as filed", "not filed", "no results", "not readable"
GONE, COPY = "gone", "copy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A study in the register: its folder, state and what is to be told of it; empty lists where it could not be read.

    ``head``: title, responsible, date, lots, seal, invented; ``marks``: what tells two copies of one study; ``rows``: one an
    analyte; ``repeats``: sums of squares of repeats (``repeats_of``); ``controls``: readings of the check fluid.
    """

    study: str
    state: str
    told: str = ""
    head: dict[str, Any]
    marks: tuple[str, ...] = ()
    rows: tuple[dict[str, Any], ...] = ()
    repeats: tuple[dict[str, Any], ...] = ()
    controls: tuple[dict[str, Any], ...] = ()

    @property
    def counts(self) -> bool:
        """Whether its numbers may be put together with those of others."""
        return self.state in (FILED, CHANGED, UNFILED)

    def to_json(self) -> dict[str, Any]:
        """The entry as an object of JSON."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


def from_json(data: dict[str, Any]) -> Entry:
    """The way back; KeyError or TypeError where it is none."""
    lists = {k: tuple(data[k]) for k in ("marks", "rows", "repeats", "controls")}
    if not isinstance(data["head"], dict):
        raise TypeError("head")
    return Entry(study=str(data["study"]), state=str(data["state"]), told=str(data["told"]), head=data["head"], **lists)
