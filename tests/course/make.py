"""Student notebooks, solved notebooks and teacher's notes from one source a lesson.

A source is a Python file of cells (``# %%``, ``# %% [markdown]``, tags behind it), as editors and notebook tools know
them. Lines between ``### BEGIN SOLUTION`` and ``### END SOLUTION`` are what the student writes, the convention of nbgrader
(https://nbgrader.readthedocs.io, "Developing assignments"); the student finds three dots there. Cells tagged ``teacher``
go into the notes alone.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
from pathlib import Path

import nbformat
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from studykit.report.run import run_notebooks
from tests.store_notebooks import clean

HERE = Path(__file__).resolve().parent
STUDENT = HERE.parents[1] / "notebooks/course"
SOLUTION = re.compile(r"(?m)^( *)### BEGIN SOLUTION\n((?:.*\n)*?) *### END SOLUTION *\n?")


def sources() -> list[Path]:
    """The lessons' sources in order."""
    return sorted((HERE / "source").glob("*.py"))


def cells(text: str) -> list[tuple[str, list[str], str]]:
    """Cells of a source: kind ('code' or 'markdown'), tags, text."""
    out = []
    for part in re.split(r"(?m)^# %%", text)[1:]:
        head, _, body = part.partition("\n")
        kind = "markdown" if "[markdown]" in head else "code"
        tags = re.findall(r'"([\w-]+)"', head)
        body = body.strip("\n")
        out.append((kind, tags, body.strip('"').strip("\n") if kind == "markdown" else body))
    return out


def open_code(code: str) -> str:
    """A cell as the student finds it: three dots for what is to be written."""
    def stub(found: re.Match[str]) -> str:
        indent, inside = found[1], found[2]
        names = re.findall(rf"(?m)^{indent}(\w+) =", inside)
        lines = [f"{indent}{name} = ..." for name in dict.fromkeys(names)] or [f"{indent}..."]
        return "\n".join(lines) + "\n"

    return SOLUTION.sub(stub, code).rstrip("\n")


def solved_code(code: str) -> str:
    """A cell with its solution, the marks taken away."""
    return SOLUTION.sub(lambda m: m[2], code).rstrip("\n")


def make(path: Path, *, solved: bool) -> NotebookNode:
    """The notebook of a lesson, for the student or solved."""
    made = []
    for kind, tags, text in cells(path.read_text(encoding="utf-8")):
        if "teacher" in tags:
            continue
        if kind == "markdown":
            cell = new_markdown_cell(text)
        else:
            cell = new_code_cell(solved_code(text) if solved else open_code(text))
        cell.metadata = {"tags": tags} if tags else {}
        cell.id = f"cell-{len(made) + 1}"
        made.append(cell)
    book = new_notebook(cells=made)
    book.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                     "language_info": {"name": "python"}}
    return book


def write(path: Path, book: NotebookNode, *, run: bool = False) -> None:
    """Write a notebook, after running it where asked."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if run:
        os.environ["STUDYKIT_HEADLESS"] = "1"
        with tempfile.TemporaryDirectory() as name:
            source, target = Path(name) / "in.ipynb", Path(name) / "out.ipynb"
            nbformat.write(book, source)
            run_notebooks({path.stem: source}, {path.stem: target}, {}, sys.stderr.write, separate=True)
            book = clean(nbformat.read(target, as_version=4))
    nbformat.write(book, path)


def notes() -> str:
    """What stands beside each lesson for the teacher, with its solutions."""
    out = ["# Teacher's notes and solutions", "", "Made by `python -m tests.course` from `tests/course/source`; do "
                                                  "not edit.", ""]
    for path in sources():
        found = cells(path.read_text(encoding="utf-8"))
        title = next(t for k, _, t in found if k == "markdown").splitlines()[0].removeprefix("# ")
        out += [f"## {title}", "", *(t + "\n" for k, tags, t in found if "teacher" in tags)]
        answers = [m[2].rstrip() for k, _, t in found if k == "code" for m in SOLUTION.finditer(t)]
        out += ["Solutions:", "", *(f"```python\n{a}\n```\n" for a in answers)]
    return "\n".join(out).rstrip() + "\n"


def teacher_copy(folder: Path) -> None:
    """Solved notebooks without outputs and the notes, into a folder of the teacher's."""
    for path in sources():
        write(folder / f"{path.stem}-solved.ipynb", make(path, solved=True))
    (folder / "notes.md").write_text(notes(), encoding="utf-8")
