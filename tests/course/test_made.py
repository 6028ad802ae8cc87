"""What is made from the one source: student copies are fresh, without solutions, notes and outputs; marks do as they say."""

from __future__ import annotations

import ast
import re

import nbformat
import pytest

from studykit.commands.cli import main
from tests.course import make

SOURCES = make.sources()


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.stem)
def test_the_students_copy_is_what_the_source_gives_and_nothing_more(path):
    stored = nbformat.read(make.STUDENT / f"{path.stem}.ipynb", as_version=4)
    fresh = make.make(path, solved=False)
    parts = [[(c.cell_type, c.source, c.metadata) for c in book.cells] for book in (stored, fresh)]
    assert parts[0] == parts[1]
    assert not any(c.get("outputs") or c.get("execution_count") for c in stored.cells)
    solutions = [line.strip() for m in make.SOLUTION.finditer(path.read_text(encoding="utf-8")) for line in m[2].splitlines()]
    text = "\n".join(c.source for c in stored.cells)
    assert solutions
    assert [s for s in solutions if len(s) > 8 and s in text] == []
    assert "SOLUTION" not in text


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.stem)
def test_the_solved_copy_holds_the_same_cells_and_every_check_says_right(path):
    solved = nbformat.read(make.HERE / f"solved/{path.stem}.ipynb", as_version=4)
    assert [c.source for c in solved.cells] == [c.source for c in make.make(path, solved=True).cells]
    checks = [c for c in solved.cells if "check" in c.metadata.get("tags", [])]
    assert 2 <= sum(c.source.startswith("## Exercise") for c in solved.cells) <= 4
    assert all(c.outputs[0].data["text/plain"].startswith(("Right. ", "Recorded, not judged. ", "Marked. ")) for c in checks)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.stem)
def test_a_lesson_has_its_parts(path):
    book = make.make(path, solved=False)
    text = "\n".join(c.source for c in book.cells if c.cell_type == "markdown")
    for part in ("**Aim.**", "**The question.**", "invented", "## Summary"):
        assert part in text
    tagged = [c for c in book.cells if "parameters" in c.metadata.get("tags", [])]
    assert len(tagged) == 1
    assert all(isinstance(n, ast.AnnAssign) and isinstance(n.value, ast.Constant) for n in ast.parse(tagged[0].source).body)
    code = [c for c in book.cells if c.cell_type == "code" and c is not tagged[0]]
    assert any("kit.figure(" in c.source and "alt=" in c.source and "caption=" in c.source for c in code)
    for cell in code:  # every cell can stand first in a fresh kernel and then say what to run before it
        assert "from studykit.course import" in cell.source or "import studykit.notebook" in cell.source
    paragraphs = [p for c in book.cells if c.cell_type == "markdown" for p in c.source.split("\n\n")]
    assert max(len(p.split()) for p in paragraphs) <= 80  # short ones


def test_notes_are_fresh_and_hold_every_solution():
    text = (make.HERE / "notes.md").read_text(encoding="utf-8")
    assert text == make.notes()
    assert text.count("**Time:**") == len(SOURCES)


def test_words_that_the_course_must_explain():
    text = "\n".join(p.read_text(encoding="utf-8") for p in SOURCES)
    assert re.search(r"called \*\*pseudoreplication\*\*", text)
    assert re.search(r"\*\*Randomisation\*\* means", text)


def test_marks_of_solutions():
    cell = "x = 1\n### BEGIN SOLUTION\ny = x\nz = y\ny = z\n### END SOLUTION\nprint(y)"
    assert make.open_code(cell) == "x = 1\ny = ...\nz = ...\nprint(y)"
    assert make.solved_code(cell) == "x = 1\ny = x\nz = y\ny = z\nprint(y)"
    inner = "def f(a):\n    ### BEGIN SOLUTION\n    if a:\n        b = 1\n    return b\n    ### END SOLUTION"
    assert make.open_code(inner) == "def f(a):\n    ..."


def test_the_command_lays_the_lessons_out_and_overwrites_nothing(tmp_path, capsys):
    folder = tmp_path / "course"
    assert main(["course", str(folder)]) == 0
    assert sorted(p.name for p in folder.iterdir()) == [f"{p.stem}.ipynb" for p in SOURCES]
    assert "studykit lab" in capsys.readouterr().out
    assert main(["course", str(folder)]) == 2
    assert "not empty" in capsys.readouterr().err
