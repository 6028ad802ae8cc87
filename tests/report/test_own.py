"""Notebooks that the kit copied are told from those that somebody changed; modules beside them are listed."""

from __future__ import annotations

import json

import pytest

from studykit.core.errors import BadInput
from studykit.report import own
from studykit.study.stages import share


@pytest.fixture
def copied(tmp_path):
    """A folder with the kit's notebooks as ``new`` lays them there."""
    own.copy_notebooks(tmp_path)
    return tmp_path


def older(root):
    """The copies as an older kit made them: a cell differs, and copied.json says so."""
    path = root / "notebooks/05-model.ipynb"
    nb = json.loads(path.read_text(encoding="utf-8"))
    nb["cells"][-1]["source"] = "Another last line."
    path.write_text(json.dumps(nb), encoding="utf-8")
    told = json.loads((root / own.COPIED).read_text(encoding="utf-8"))
    told["sha256"]["05-model.ipynb"] = own.sha256_of(path)
    (root / own.COPIED).write_text(json.dumps(told | {"studykit": "0.0.9"}), encoding="utf-8")


def test_fresh_copies_do_not_differ_and_hold_no_output(copied):
    assert own.own_differences(copied) == ()
    assert own.choose(copied, "", print) == share("notebooks")
    cells = json.loads((copied / "notebooks/05-model.ipynb").read_text(encoding="utf-8"))["cells"]
    assert all(c["outputs"] == [] for c in cells if c["cell_type"] == "code")


def test_copies_of_an_older_kit_are_not_asked_about_and_not_run(copied):
    older(copied)
    said: list[str] = []
    assert own.own_differences(copied) != ()
    assert own.choose(copied, "", said.append) == share("notebooks")
    assert "copies of those of studykit 0.0.9" in said[0]
    assert own.choose(copied, "own", said.append) == copied / "notebooks"


@pytest.mark.parametrize("change", ["edited", "added", "gone", "unreadable"])
def test_a_changed_copy_is_asked_about(copied, change):
    older(copied)
    path = copied / "notebooks/04-quality.ipynb"
    if change == "edited":
        path.write_text(path.read_text(encoding="utf-8").replace("quality", "Quality"), encoding="utf-8")
    elif change == "added":
        (copied / "notebooks/99-more.ipynb").write_text("{}", encoding="utf-8")
    elif change == "gone":
        path.unlink()
    else:
        (copied / own.COPIED).write_text("[]", encoding="utf-8")
    with pytest.raises(BadInput, match="differ from the kit's"):
        own.choose(copied, "", print)


def test_a_false_statement_that_they_are_copies_runs_nothing_foreign(copied):
    older(copied)  # a sender can write this himself
    assert own.choose(copied, "", lambda _: None) == share("notebooks")


def test_modules_beside_own_notebooks_are_listed(copied):
    older(copied)
    (copied / "notebooks/helper.py").write_text("print(1)\n")
    (copied / "notebooks/deep").mkdir()
    (copied / "notebooks/deep/more.so").write_bytes(b"")
    said: list[str] = []
    own.choose(copied, "own", said.append)
    assert "notebooks/helper.py lies beside the notebooks" in said[0]
    assert "notebooks/deep/more.so lies beside the notebooks" in said[0]
    assert own.beside_notebooks(copied) == ("notebooks/deep/more.so", "notebooks/helper.py")


def test_notebooks_that_are_there_are_left_alone(copied):
    (copied / "notebooks/05-model.ipynb").write_text("mine")
    own.copy_notebooks(copied)
    assert (copied / "notebooks/05-model.ipynb").read_text() == "mine"
