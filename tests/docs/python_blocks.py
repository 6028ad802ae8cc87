"""The blocks of Python on the pages, run in their order as a reader would: each page in a folder and a namespace of its own."""

from __future__ import annotations

import ast
import contextlib
import io
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.docs.reading import ROOT, Block, blocks

OPEN = "my-study"
"""What pages call a reader's own study; the first demo stands for it."""


def python_pages() -> dict[str, str]:
    """README, DEVELOPERS and every page of docs, made ones too, that holds a block of Python."""
    paths = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
    texts = {str(p.relative_to(ROOT)): p.read_text(encoding="utf-8") for p in paths}
    return {page: text for page, text in texts.items()
            if "```python" in text and any(b.language == "python" for b in blocks({page: text}))}


def run_page(page: str, text: str, folder: Path, own_study: Callable[[Path], Any]) -> list[str]:
    """What is wrong with the blocks of a page: one that stops, or one that does not print the block of text after it."""
    names: dict[str, Any] = {"__name__": "__main__"}
    found = blocks({page: text})
    if f'"{OPEN}"' in "".join(b.text for b in found if b.language == "python"):
        own_study(folder / OPEN)
    out = []
    with contextlib.chdir(folder):
        for block, after in zip(found, [*found[1:], None], strict=True):
            if block.language != "python":
                continue
            shown = after.text if after is not None and after.language == "text" else None
            out += [f"{page} line {block.line}: {fault}" for fault in _faults(block, shown, names)]
    return out


def _faults(block: Block, shown: str | None, names: dict[str, Any]) -> list[str]:
    """Run one block, its last expression printed as a notebook does."""
    printed = io.StringIO()
    tree = ast.parse(block.text)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    try:
        with contextlib.redirect_stdout(printed):
            exec(compile(tree, block.page, "exec"), names)
            value = eval(compile(ast.Expression(last.value), block.page, "eval"), names) if last is not None else None
    except Exception as error:  # a reader would see it, whatever it is
        return [f"{type(error).__name__}: {error}"]
    told = printed.getvalue() + ("" if value is None else f"{value}\n")
    lines = [[line.rstrip() for line in t.strip().splitlines()] for t in (told, shown or "")]
    return [] if shown is None or lines[0] == lines[1] else [f"prints {os.linesep.join(lines[0])}"]
