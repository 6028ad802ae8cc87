"""A study's own notebooks: compared with the kit's cell by cell, and run only where somebody asks for it.

A notebook is a program. One that came with a study can do anything its author wanted, so the kit's own notebooks run
unless the person at the keyboard chooses otherwise.
"""

from __future__ import annotations

import difflib
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from studykit import __version__
from studykit.core import strict
from studykit.core.errors import BadInput, Fault, visible
from studykit.core.files import write_json, write_text
from studykit.core.hashes import sha256_of, walk
from studykit.core.litter import left_by_system
from studykit.report.stored import COPIED
from studykit.report.telling import excerpt
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
        return visible(f"{self.notebook}, {self.cell}: " + (" / ".join(self.lines) or "other tags"))


def copy_notebooks(root: Path) -> None:
    """Lay the kit's notebooks, without outputs, into a study that has none, and write down that they are copies."""
    if (root / "notebooks").exists():
        return
    digests = {}
    for source in sorted(share("notebooks").glob("0*.ipynb")):
        nb = json.loads(source.read_text(encoding="utf-8"))
        for cell in nb["cells"]:
            if cell["cell_type"] == "code":
                cell["outputs"], cell["execution_count"] = [], None
                cell["metadata"].pop("execution", None)
        text = json.dumps(nb, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
        write_text(root / "notebooks" / source.name, text)
        digests[source.name] = hashlib.sha256(text.encode()).hexdigest()
    write_json(root / COPIED, {"studykit": __version__, "sha256": digests})


def copies_of(root: Path) -> str:
    """The older version of the kit whose notebooks lie in a study as they were copied; '' where one was changed or added.

    A sender can write what he likes there. So it decides only that this kit's notebooks run without asking, never that
    the study's do, and it is not believed of this version, whose notebooks are here to compare with.
    """
    try:
        told = strict.read((root / COPIED).read_text(encoding="utf-8"))
        digests, version = told["sha256"], str(told["studykit"])[:40]
        there = {p.name: sha256_of(p) for p in (root / "notebooks").glob("*.ipynb")
                 if p.is_file() and not left_by_system(p.name)}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ""
    return version if there and there == digests and version != __version__ else ""


def own_folder(root: Path) -> Path | None:
    """The study's notebooks folder where it holds a stage notebook, else None."""
    folder = root / "notebooks"
    return folder if folder.is_dir() and any((folder / f"{s}.ipynb").is_file() for s in STEMS) else None


def _cells(path: Path) -> list[tuple[str, str, tuple[str, ...]]]:
    """Type, source and tags of each cell; one cell with the reason where the file is no notebook."""
    try:
        cells = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=strict.once)["cells"]
        return [(c["cell_type"], _joined(c["source"]), tuple(sorted(c.get("metadata", {}).get("tags", []))))
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
    out = list[str]()
    for tag, i1, i2, j1, j2 in difflib.SequenceMatcher(a=before, b=after, autojunk=False).get_opcodes():
        gone, come = before[i1:i2], after[j1:j2]
        if tag != "equal" and len(gone) == len(come):
            pairs = [excerpt(x, y, 97) for x, y in zip(gone, come, strict=True)]
            gone, come = [x for x, _ in pairs], [y for _, y in pairs]
        out += [f"{sign}{d[:97]}" for sign, ds in (("-", gone), ("+", come)) for d in ds] if tag != "equal" else []
    if not out and old and new and old[1] != new[1]:
        out = [f"{sign}{d}" for sign, d in zip("-+", excerpt(str(old[1]), str(new[1])), strict=True)]
    return (*out[:most], f"... and {len(out) - most} more lines") if len(out) > most else tuple(out)


def beside_notebooks(root: Path) -> tuple[str, ...]:
    """What else lies in a study's notebooks folder: modules and the like, which a notebook can load."""
    known = {f"notebooks/{s}.ipynb" for s in STEMS} | {COPIED}
    found = (p.relative_to(root).as_posix() for p, kind in walk(root / "notebooks") if kind != "folder")
    return tuple(p for p in found if p not in known)


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
    version = copies_of(root) if changed and not choice else ""
    if version:
        say(f"  {COPIED} says that the study's notebooks are copies of those of studykit {version}; this kit's own run. "
            "Cells that differ from them:\n" + "".join(f"  {c.sentence()}\n" for c in changed))
    if not changed or choice == "kit" or version:
        return share("notebooks")
    if choice == "own":
        say(WARNING + "".join(f"  {c.sentence()}\n" for c in changed) + "".join(
            f"  {path} lies beside the notebooks, which may run it\n" for path in beside_notebooks(root)))
        return root / "notebooks"
    remedy = "--notebooks kit runs the kit's, --notebooks own these: foreign code where you did not write it"
    raise BadInput([Fault(file=f"notebooks/{c.notebook}", column=c.cell, reason=" / ".join(c.lines) or "other tags",
                          remedy=remedy) for c in changed],
                   title="The study's own notebooks differ from the kit's; nothing was run")
