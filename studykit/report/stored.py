"""What lies in a study's notebooks/ and is not the kit's: other files, outputs, attachments, kernels. Standard library only.

Somebody who opens these notebooks by hand sees it, and none of it comes from the run that was filed. ``own`` compares cells.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from studykit.core import strict
from studykit.core.errors import visible
from studykit.core.hashes import kind_of, ordinary, walk
from studykit.core.litter import left_by_system, out_of_sight
from studykit.study.stages import STEMS

COPIED = "notebooks/copied.json"
"""Which notebooks the kit itself laid into a study, by name and SHA-256, and of which version they are."""
LARGEST = 50_000_000
KERNEL = "python3"
KEYS = {"notebook": {"cells", "metadata", "nbformat", "nbformat_minor"}, "notebook's metadata": {
    "kernelspec", "language_info", "widgets"}, "cell": {"cell_type", "source", "metadata", "id", "outputs", "execution_count",
                                                        "attachments"},
        "cell's metadata": {"tags", "execution", "collapsed", "scrolled", "editable", "deletable", "slideshow", "trusted"}}
"""What the kit's notebooks hold, or Jupyter writes into one that was run by hand."""


def notebook_notes(root: Path) -> tuple[str, ...]:
    """A line for files in notebooks/ that are none of the kit's, and one for each notebook that holds more than its cells."""
    if kind_of(root / "notebooks") != "folder":
        return ()
    entries = walk(root / "notebooks", shut=out_of_sight)
    there = {p.relative_to(root).as_posix(): kind for p, kind in entries
             if kind != "folder" or out_of_sight(p.name)}
    books = {f"notebooks/{stem}.ipynb": stem for stem in STEMS}
    others = [p for p in there if p not in books and p != COPIED and not left_by_system(p.rpartition("/")[2])]
    notes = [f"not the kit's, and not looked at, in notebooks/: {', '.join(sorted(others))}"] if others else []
    for path, stem in books.items():
        if there.get(path) == "file" and (found := list(_more(root, path, stem))):
            notes.append(f"{path} holds more than the kit's cells, which no run shows: {'; '.join(found)}")
    return tuple(map(visible, notes))


def _read(path: Path) -> dict[str, Any]:
    """A notebook; ValueError where the file is none."""
    if path.stat().st_size > LARGEST:
        raise ValueError(f"larger than {LARGEST // 1_000_000} MB")
    try:
        book = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=strict.once)
        if all(isinstance(c["metadata"], dict) and isinstance(c.get("outputs", []), list) for c in book["cells"]):
            return dict(book)
    except (OSError, KeyError, TypeError, AttributeError, RecursionError):
        pass
    raise ValueError("no notebook")


def _more(root: Path, path: str, stem: str) -> Iterator[str]:
    """Everything beside the cells of one notebook, each in a few words."""
    try:
        book = _read(root / path)
    except ValueError as error:
        yield str(error)
        return
    cells, metadata = book["cells"], book["metadata"] if isinstance(book.get("metadata"), dict) else {}
    outputs = [(k, _shown(o)) for k, c in enumerate(cells, start=1) for o in c.get("outputs", [])]
    filed = _filed(root, f"report/{stem}/{stem}.ipynb") if outputs else set()
    if other := [k for k, o in outputs if filed is not None and o not in filed]:
        yield f"outputs that the filed run did not give ({_places(other)})"
    if pinned := [k for k, c in enumerate(cells, start=1) if c.get("attachments")]:
        yield f"attachments ({_places(pinned)})"
    kernel = metadata.get("kernelspec", {})
    if (name := kernel.get("name", KERNEL) if isinstance(kernel, Mapping) else kernel) != KERNEL:
        yield f"another kernel ({str(name)[:40]!r})"
    where = [("notebook", book, ""), ("notebook's metadata", metadata, "")]
    for k, cell in enumerate(cells, start=1):
        where += [("cell", cell, f" ({_places([k])})"), ("cell's metadata", cell["metadata"], f" ({_places([k])})")]
    yield from (f"{str(key)[:40]!r} in the {what}{place}" for what, part, place in where
                for key in sorted(part.keys() - KEYS[what]))


def _filed(root: Path, path: str) -> set[str] | None:
    """The outputs of the filed run of a notebook; None where none is filed."""
    if not ordinary(root, path) or not (root / path).is_file():
        return None
    try:
        return {_shown(o) for c in _read(root / path)["cells"] for o in c.get("outputs", [])}
    except ValueError:
        return set()


def _shown(output: Any) -> str:
    """What an output shows, by kind, however its lines are kept."""
    def joined(text: Any) -> Any:
        return "".join(map(str, text)).strip() if isinstance(text, list) else text.strip() if isinstance(text, str) else text

    told = output if isinstance(output, Mapping) else {"text": output}
    data = told.get("data", {})
    shown = {k: joined(v) for k, v in data.items()} if isinstance(data, Mapping) else data
    return json.dumps([shown, joined(told.get("text")), told.get("ename")], sort_keys=True)


def _places(numbers: list[int]) -> str:
    each = list(dict.fromkeys(numbers))
    return f"cell{'s' if len(each) > 1 else ''} {', '.join(map(str, each[:12]))}{' and more' if len(each) > 12 else ''}"
