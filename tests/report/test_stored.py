"""What lies in notebooks/ and is not the kit's is named; fresh copies, and those that were run by hand, say nothing."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studykit.report import own, stored
from studykit.report.verify import verify
from studykit.study.stages import share

NAME = "notebooks/06-verdict.ipynb"


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """A folder with the kit's notebooks, and the stored notebooks of the main demo as its filed run."""
    own.copy_notebooks(tmp_path)
    for book in share("notebooks").glob("0*.ipynb"):
        (tmp_path / "report" / book.stem).mkdir(parents=True)
        shutil.copy2(book, tmp_path / "report" / book.stem / book.name)
    return tmp_path


def change(root: Path, how: Callable[[dict[str, Any]], object]) -> tuple[str, ...]:
    book = json.loads((root / NAME).read_text(encoding="utf-8"))
    how(book)
    (root / NAME).write_text(json.dumps(book), encoding="utf-8")
    return stored.notebook_notes(root)


def output(**data: str) -> Callable[[dict[str, Any]], object]:
    """An output of the first cell of code."""
    shown = {"output_type": "display_data", "metadata": {}, "data": {k.replace("_", "/"): v for k, v in data.items()}}
    return lambda b: next(c for c in b["cells"] if c["cell_type"] == "code")["outputs"].append(shown)


def test_fresh_copies_and_those_that_were_run_by_hand_say_nothing(copied: Path) -> None:
    assert stored.notebook_notes(copied) == ()
    for book in share("notebooks").glob("0*.ipynb"):  # as JupyterLab leaves them: outputs, times, counts
        told = json.loads(book.read_text(encoding="utf-8"))
        told["metadata"]["kernelspec"]["display_name"] = "Python 3 (ipykernel)"
        for cell in told["cells"]:
            cell["metadata"]["execution"] = {"iopub.status.busy": "2026-11-26T10:00:00Z"}
        (copied / "notebooks" / book.name).write_text(json.dumps(told), encoding="utf-8")
    assert stored.notebook_notes(copied) == ()
    shutil.rmtree(copied / "report")
    assert stored.notebook_notes(copied) == ()
    shutil.rmtree(copied / "notebooks")
    assert stored.notebook_notes(copied) == ()


@pytest.mark.parametrize(("how", "told"), [
    (output(text_html="Homogeneous: all analytes."), "outputs that the filed run did not give (cell "),
    (output(application_javascript="alert(1)"), "outputs that the filed run did not give (cell "),
    (lambda b: b["cells"][0].update(attachments={"a.svg": {"image/svg+xml": "<svg/>"}}), "attachments (cell 1)"),
    (lambda b: b["metadata"]["kernelspec"].update(name="evil\u202e"), "another kernel ('evil"),
    (lambda b: b["cells"][2]["metadata"].update(jupyter={"source_hidden": True}), "'jupyter' in the cell's metadata (cell 3)"),
    (lambda b: b["metadata"].update(vendor=1), "'vendor' in the notebook's metadata"),
    (lambda b: b.update(more=1), "'more' in the notebook"),
    (lambda b: b["cells"][1].update(more=1), "'more' in the cell (cell 2)"),
    (lambda b: b.update(cells=[1]), "no notebook"),
])
def test_what_a_notebook_holds_beside_the_kits_cells_is_named(copied: Path, how: Callable[..., object], told: str) -> None:
    (note,) = change(copied, how)
    assert note.startswith(NAME)
    assert told in note
    assert "\u202e" not in note


def test_other_files_are_named_and_a_key_twice_is_no_notebook(copied: Path) -> None:
    for name in ("06-verdict-really.ipynb", "pandas.py", ".ipynb_checkpoints/x.ipynb"):
        (copied / "notebooks" / name).parent.mkdir(exist_ok=True)
        (copied / "notebooks" / name).write_text("{}")
    (note,) = stored.notebook_notes(copied)
    assert all(n in note for n in ("06-verdict-really.ipynb", "pandas.py", ".ipynb_checkpoints"))
    text = (copied / NAME).read_text(encoding="utf-8")
    (copied / NAME).write_text(text.replace('"source": ', '"source": "x", "source": ', 1), encoding="utf-8")
    assert "occurs twice" in stored.notebook_notes(copied)[1]
    assert any("this file is no notebook" in c.sentence() for c in own.own_differences(copied))


def test_verify_says_so(root: Path) -> None:
    assert not [n for n in verify(root).notes if "notebooks/" in n]
    if not (root / "notebooks").exists():
        own.copy_notebooks(root)
    (root / "notebooks/pandas.py").write_text("")
    assert any("not the kit's" in n and "notebooks/pandas.py" in n for n in verify(root).notes)
