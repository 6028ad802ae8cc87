"""Cautions and the lines of the printed sheets, from their one source ``templates/cautions.toml``.

README, pages, sheets, plan page and report take their cautions from here, so that no two of them differ.  A safety
profile chooses which apply; without one (README, pages) all stand, each with its condition in its own words.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from typing import Any

from studykit.core.files import read_toml
from studykit.study.safety import SafetySettings
from studykit.study.stages import HERE

SOURCE = HERE / "templates/cautions.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution: its name, the conditions of which one must hold, its Markdown text, its source, where it stands."""

    id: str
    when: tuple[str, ...]
    text: str
    source: str
    printed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a sheet: on which part it stands, the conditions of which one must hold, its text."""

    on: str
    when: tuple[str, ...]
    text: str


@functools.cache
def _source() -> tuple[tuple[Caution, ...], tuple[Line, ...]]:
    data: dict[str, list[dict[str, Any]]] = read_toml(SOURCE, "install the kit again")[0]
    cautions = tuple(Caution(id=c["id"], when=tuple(c["when"]), text=c["text"], source=c["source"],
                             printed=tuple(c["printed"])) for c in data["caution"])
    return cautions, tuple(Line(on=s["on"], when=tuple(s["when"]), text=s["text"]) for s in data["line"])


def cautions(printed: str = "", safety: SafetySettings | None = None) -> tuple[Caution, ...]:
    """The cautions that stand in one place ('first', 'bottle', 'course'; all without), for one profile or for any."""
    return tuple(c for c in _source()[0] if (not printed or printed in c.printed)
                 and (safety is None or not safety.facts().isdisjoint(c.when)))


def lines(on: str, safety: SafetySettings) -> tuple[str, ...]:
    """The lines of one part of a sheet for one profile, rest, pause and mixing procedure filled in."""
    facts = safety.facts()
    filled = {"{rest}": str(safety.rest_minutes), "{pause}": str(safety.pause_minutes), "{procedure}": safety.procedure}
    chosen = [s.text for s in _source()[1] if s.on == on and not facts.isdisjoint(s.when)]
    return tuple(re.sub(r"\{(?:rest|pause|procedure)\}", lambda m: filled[m[0]], text) for text in chosen)


def parts() -> tuple[str, ...]:
    """The parts of the sheets that have lines, each once."""
    return tuple(dict.fromkeys(s.on for s in _source()[1]))


def markdown(printed: str = "", safety: SafetySettings | None = None, *, sources: bool = False) -> str:
    """Those cautions as a Markdown list, with their sources where asked for."""
    told = cautions(printed, safety)
    return "\n".join(f"- {c.text}" + (f" *({c.source})*" if sources else "") for c in told)
