"""What every demo maker needs: files as bytes, tables as CSV text, planted faults, the README."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.files import write_bytes

COMMAND = "python -m tests.demogen"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedFault:
    """One thing put in on purpose: its kind, where it stands, and what a careful reader should do."""

    kind: str
    file: str
    where: str
    what: str
    right: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """One demo: its name, its files (path inside the demo folder to bytes), its planted faults."""

    name: str
    seed: int
    files: dict[str, bytes] = field(default_factory=dict)
    faults: list[PlantedFault] = field(default_factory=list)

    def text(self, path: str, text: str) -> None:
        """Add a UTF-8 text file."""
        self.files[path] = text.encode("utf-8")

    def table(self, path: str, frame: pd.DataFrame) -> None:
        """Add a table as UTF-8 CSV with newline line ends, empty cells for what is missing."""
        self.text(path, frame.to_csv(index=False, lineterminator="\n"))

    def json(self, path: str, data: Any) -> None:
        """Add a JSON file with two-space indent, keys in the order given."""
        self.text(path, json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n")

    def fault(self, kind: str, file: str, where: str, what: str, right: str) -> None:
        """Note a planted fault."""
        self.faults.append(PlantedFault(kind=kind, file=file, where=where, what=what, right=right))

    def write(self, into: Path) -> Path:
        """Write all files under ``into/name``; returns that folder."""
        root = into / self.name
        for path, data in sorted(self.files.items()):
            write_bytes(root / path, data)
        return root


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """The rows of a table as named tuples."""
    return list(frame.itertuples(index=False))


def csv_text(rows: Iterable[Sequence[str]], *, delimiter: str = ",", newline: str = "\r\n") -> str:
    """Rows as CSV text, quoted where needed."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator=newline).writerows(rows)
    return out.getvalue()


def readme(bundle: Bundle, title: str, story: str, files: Mapping[str, str], teaches: str,
           words: str = "") -> str:
    """The README of a demo folder: invented, how made, what lies in it, which faults are planted, what is said and why."""
    lines = [f"# {title}", "", "**Invented.** The organisation, the places, the fluid and every number are made up; "
             "nothing here was measured.", "", story.strip(), "", "## How it was made", "",
             f"`{COMMAND}` with seed {bundle.seed} (in `tests/demogen/{bundle.name}.py`). The command writes these "
             "files again, byte for byte; a test compares them. `truth.json` records what was put in.", "",
             "## Files", ""]
    lines += [f"- `{name}`: {what}" for name, what in files.items()]
    lines += ["", "## Planted faults", ""]
    if not bundle.faults:
        lines.append("None.")
    for i, f in enumerate(bundle.faults, start=1):
        lines.append(f"{i}. **{f.kind}** ({f.file}, {f.where}): {f.what} {f.right}")
    lines += ["", "## What the report says, and why", "", words.strip(), "", "## What it is for", "", teaches.strip(), ""]
    return "\n".join(lines)


def fault_rows(bundle: Bundle) -> list[dict[str, str]]:
    """The planted faults as plain dictionaries, for truth.json."""
    return [{"kind": f.kind, "file": f.file, "where": f.where, "what": f.what, "right": f.right}
            for f in bundle.faults]
