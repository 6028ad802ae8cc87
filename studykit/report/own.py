"""A study's own notebooks: compared with the kit's cell by cell, and run only where somebody asks for it.

A notebook is a program. One that came with a study can do anything its author wanted, so the kit's own notebooks run
unless the person at the keyboard chooses otherwise.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from studykit.core.errors import BadInput, Fault
from studykit.study.stages import STEMS, share

Choice = Literal["", "kit", "own"]
WARNING = ("WARNING: the study's own notebooks run now: code of whoever wrote them, on this machine, with your rights. "
           "Cells that differ from the kit's:\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class CellDifference:
    """One cell that is not the kit's: notebook, place ('cell 7'), and the first lines that differ ('+' own, '-' kit)."""

    notebook: str
    cell: str
    lines: tuple[str, ...]

    def sentence(self) -> str:
        """The difference in one line."""
        return f"{self.notebook}, {self.cell}: " + (" / ".join(self.lines) or "other tags")


def own_folder(root: Path) -> Path | None:
    """The study's notebooks folder where it holds a stage notebook, else None."""
    folder = root / "notebooks"
    return folder if folder.is_dir() and any((folder / f"{s}.ipynb").is_file() for s in STEMS) else None


def _cells(path: Path) -> list[tuple[str, str, tuple[str, ...]]]:
    """Type, source and tags of each cell; one cell with the reason where the file is no notebook."""
    try:
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        return [(c["cell_type"], _joined(c["source"]).strip(), tuple(sorted(c.get("metadata", {}).get("tags", []))))
                for c in cells]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return [("unreadable", "this file is no notebook", ())]


def _joined(source: Any) -> str:
    return source if isinstance(source, str) else "".join(source)


def differing_cells(own: Path, kit: Path) -> tuple[CellDifference, ...]:
    """Every cell by which one notebook differs from another: source, type or tags; outputs are not looked at."""
    mine, theirs = _cells(own), _cells(kit)
    matcher = difflib.SequenceMatcher(a=theirs, b=mine, autojunk=False)
    found = []
    for tag, i1, i2, j1, j2 in matcher.get_opcodes():
        if tag == "equal":
            continue
        for k in range(max(i2 - i1, j2 - j1)):
            old = theirs[i1 + k] if i1 + k < i2 else None
            new = mine[j1 + k] if j1 + k < j2 else None
            where = f"cell {j1 + k + 1}" if new else f"cell {i1 + k + 1} of the kit's is gone"
            found.append(CellDifference(notebook=own.name, cell=where, lines=_lines(old, new)))
    return tuple(found)


def _lines(old: Sequence[Any] | None, new: Sequence[Any] | None, most: int = 4) -> tuple[str, ...]:
    before, after = (str(x[1]).splitlines() if x else [] for x in (old, new))
    out = [d.rstrip() for d in difflib.unified_diff(before, after, lineterm="", n=0)
           if d[:1] in "+-" and d[:3] not in ("+++", "---")]
    short = [d if len(d) <= 100 else d[:97] + "..." for d in out[:most]]
    return (*short, f"... and {len(out) - most} more lines") if len(out) > most else tuple(short)


def own_differences(root: Path) -> tuple[CellDifference, ...]:
    """All cells by which a study's own notebooks differ from the kit's; empty where it has none."""
    folder = own_folder(root)
    if folder is None:
        return ()
    found: list[CellDifference] = []
    for stem in STEMS:
        if (folder / f"{stem}.ipynb").is_file():
            found += differing_cells(folder / f"{stem}.ipynb", share("notebooks") / f"{stem}.ipynb")
        else:
            found.append(CellDifference(notebook=f"{stem}.ipynb", cell="the whole notebook", lines=("is not there",)))
    return tuple(found)


def choose(root: Path, choice: Choice, say: Any) -> Path:
    """The folder whose notebooks run: the kit's, or the study's own where that is asked for and said with a warning.

    BadInput lists every differing cell where the study has notebooks of its own and nobody chose.
    """
    changed = own_differences(root)
    if not changed or choice == "kit":
        return share("notebooks")
    if choice == "own":
        say(WARNING + "".join(f"  {c.sentence()}\n" for c in changed))
        return root / "notebooks"
    remedy = "--notebooks kit runs the kit's, --notebooks own these: foreign code where you did not write it"
    raise BadInput([Fault(file=f"notebooks/{c.notebook}", column=c.cell, reason=" / ".join(c.lines) or "other tags",
                          remedy=remedy) for c in changed],
                   title="The study's own notebooks differ from the kit's; nothing was run")
