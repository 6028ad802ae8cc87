"""A cell that was run too early: it says what to run first, in place of a trace."""

from __future__ import annotations

import json
import re
import symtable
import sys
from collections.abc import Sequence
from functools import cache
from typing import Any

from studykit.core.errors import BadInput
from studykit.study.stages import share

Cell = tuple[str, str, frozenset[str]]
"""A code cell of a shipped notebook: where it stands, in words; its text; the names that it makes."""


@cache
def _books() -> dict[str, tuple[Cell, ...]]:
    """The code cells of every stage and every lesson, by the notebook's stem."""
    return {path.stem: tuple(_cells(json.loads(path.read_text(encoding="utf-8"))["cells"]))
            for folder in ("", "course") for path in sorted((share("notebooks") / folder).glob("*.ipynb"))}


def _cells(cells: Sequence[dict[str, Any]]) -> list[Cell]:
    out, where = [], "the first cells of this notebook"
    for cell in cells:
        source = "".join(cell["source"])
        if cell["cell_type"] == "code":
            out.append((where, source, _makes(source)))
        elif found := re.findall(r"(?m)^##+ (.+)$", source):
            where = f"the cells under “{found[-1]}”"
    return out


def _makes(source: str) -> frozenset[str]:
    """The names that a cell assigns, defines or imports."""
    found = symtable.symtable(source, "cell", "exec").get_symbols()
    return frozenset(s.get_name() for s in found if s.is_assigned() or s.is_imported())


def _likely(run: Sequence[str]) -> list[tuple[Cell, ...]]:
    """The notebooks that hold most of the cells that were run."""
    held = {stem: sum(any(text == source for _, source, _ in cells) for text in run) for stem, cells in _books().items()}
    return [_books()[stem] for stem, number in held.items() if number == max(held.values())]


def made_in(name: str, run: Sequence[str]) -> str:
    """The cells in which the notebook whose cells were run first makes a name, as far as that can be told."""
    found = {next((where for where, _, names in cells if name in names), "") for cells in _likely(run)} - {""}
    return found.pop() if len(found) == 1 else "the cells above this one"


def what_first(name: str, run: Sequence[str] = ()) -> str:
    """What to run first where a name is missing; ``run`` are the cells that were run, this one the last."""
    return (f"`{name}` is not there yet: first run {made_in(name, run)}, then this cell again. "
            "All at once: menu Run, Run All Above Selected Cell.")


def guard() -> None:
    """In a notebook, tell what to run first, or what is wrong with the input, in place of a trace; elsewhere nothing."""
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is not None:
        shell.set_custom_exc((NameError, BadInput), _told)


def _told(shell: Any, kind: type, error: Exception, _trace: Any, tb_offset: int | None = None) -> None:
    missing = isinstance(error, NameError)
    said = what_first(str(getattr(error, "name", "")), shell.history_manager.input_hist_raw) if missing else str(error)
    shell._showtraceback(kind, error, said.splitlines())
