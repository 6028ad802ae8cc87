"""The page "A first study in ten minutes" is walked in its order; what it shows is what the commands print."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.study.definition import load_study
from tests.docs.first_study import EXAMPLE, PAGE, Step, command, do_edit, edited, steps
from tests.docs.reading import ROOT

PAGE_TEXT = (ROOT / PAGE).read_text(encoding="utf-8")


def walk(todo: list[Step], folder: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Do the steps in a folder; the commands that ran."""
    ran, printed = [], ""
    for step in todo:
        if step.target == "first page":
            records = json.loads((folder / "drums/report/numbers.json").read_text(encoding="utf-8"))
            assert step.text.strip() in {str(r["value"]) for r in records}
        elif step.kind == "shown":
            lost = [line for line in step.text.splitlines() if line.strip() not in printed]
            assert lost == [], printed
        elif step.kind == "there":
            assert step.text.strip() == (ROOT / step.target).read_text(encoding="utf-8").strip()
        elif step.kind == "run":
            arguments = command(step, folder)
            if arguments is not None:
                assert main(arguments) == 0, (step.text, capsys.readouterr().err)
                told = capsys.readouterr()
                printed = told.out
                ran.append(arguments[0])
        else:
            if step.target == "intake.toml":  # what the page shows is what the kit proposed
                assert step.text.strip() in printed
            do_edit(step, folder / "drums")
    return ran


@pytest.mark.slow
def test_the_first_study_runs_in_the_order_of_its_page(tmp_path, capsys) -> None:
    todo = steps(PAGE_TEXT)
    before = next(i for i, s in enumerate(todo) if s.text.startswith("cp ") and "samples" in s.text)
    ran = walk(todo[:before], tmp_path, capsys)
    planned = pd.read_csv(tmp_path / "drums/plan/samples.csv", dtype=str)
    filled = pd.read_csv(EXAMPLE / "plan/samples.csv", dtype=str)
    columns = ["sample", "container", "kind", "depth", "draw_order"]
    pd.testing.assert_frame_equal(planned[columns], filled[columns])  # the filed log belongs to this plan
    assert load_study(tmp_path / "drums") == load_study(EXAMPLE)
    ran += walk(todo[before:], tmp_path, capsys)
    assert ran == ["new", "check", "plan", "lock", "intake", "intake", "report", "recheck"]


def test_the_page_has_five_edits_and_every_command_in_its_order() -> None:
    todo = steps(PAGE_TEXT)
    assert sum(s.kind == "edit" and s.target == "study.toml" for s in todo) == 5
    assert len(pd.read_csv(EXAMPLE / "plan/stock.csv")) == 14
    assert next(s.text.split()[:2] for s in todo if s.kind == "run") == ["studykit", "new"]


def test_an_edit_finds_its_line_or_says_that_it_cannot() -> None:
    file = 'a = 1\n# [b]\n# c = 2\n[d]\nc = 4\n'
    assert edited(file, "a = 9") == 'a = 9\n# [b]\n# c = 2\n[d]\nc = 4\n'
    assert edited(file, "[b]\nc = 5\nnew = 6") == 'a = 1\n[b]\nnew = 6\nc = 5\n[d]\nc = 4\n'
    with pytest.raises(AssertionError, match="is not in the file"):
        edited(file, "[lost]\nc = 1")
