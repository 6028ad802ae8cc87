"""Reports of all studies of a folder: each by its own command, one that fails costs no other."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.register import make_reports, reports
from studykit.register.reports import Made, make_one
from studykit.study.stages import share


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two studies without tables, one of them a level deeper, and a folder that is none."""
    root = tmp_path / "studies"
    for place in ("north/first", "second"):
        (root / place).mkdir(parents=True)
        shutil.copy(share("demo_data") / "tote/study.toml", root / place)
    (root / "notes").mkdir()
    return root


def as_if(codes: dict[str, int]):
    def one(folder: str, study: str, options: tuple[str, ...]) -> Made:
        return Made(study=study, exit_code=codes[study], meaning="", sentence="Homogeneous.", page="", fault="", seconds=0.0)

    return one


@pytest.mark.parametrize(("codes", "whole"), [((0, 0), 0), ((0, 8), 8), ((8, 2), 2), ((0, 70), 2)])
def test_the_exit_code_is_that_of_the_worst(folder: Path, tmp_path: Path, monkeypatch, codes, whole) -> None:
    monkeypatch.setattr(reports, "make_one", as_if(dict(zip(("north/first", "second"), codes, strict=True))))
    said: list[str] = []
    made = make_reports(folder, tmp_path / "to", workers=2, say=said.append)
    assert made.exit_code == whole
    assert list(made.table["study"]) == ["north/first", "second"]  # in the order of the folder, whichever is done first
    assert list(pd.read_csv(made.path)["exit_code"]) == list(codes)
    assert sorted(s.partition(",")[0] for s in said) == ["1 of 2", "2 of 2"]


@pytest.mark.slow
def test_a_refusal_is_told_with_its_first_fault_and_what_was_ended_as_that(folder: Path, monkeypatch, tmp_path: Path) -> None:
    found = make_one(str(folder), "second", ())
    assert (found.exit_code, found.fault) == (2, "plan/containers.csv: there is no such file")
    killed = tmp_path / "python"
    killed.write_text("#!/bin/sh\nkill -9 $$\n")
    killed.chmod(0o755)
    monkeypatch.setattr(reports.sys, "executable", str(killed))
    ended = make_one(str(folder), "second", ())
    assert (ended.exit_code, ended.fault) == (70, "it ended without an answer, as for want of memory")


def test_a_folder_without_studies_and_a_scheduler_that_is_not_there_are_refused(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no study lies in it"):
        make_reports(folder / "notes", tmp_path / "to")
    pytest.importorskip("distributed")
    with pytest.raises(BadInput, match="cannot be reached"):
        make_reports(folder, tmp_path / "to", scheduler="nowhere")


@pytest.mark.slow
def test_they_are_those_of_the_command_for_one_study_here_and_on_a_cluster(tmp_path: Path, capsys) -> None:
    distributed = pytest.importorskip("distributed")
    root = tmp_path / "studies"
    for name in ("a", "b"):
        shutil.copytree(share("demo_data") / "tote", root / name)
    (root / "c").mkdir()
    (root / "c/study.toml").write_text("")
    assert main(["--json", "reports", str(root), "--to", str(tmp_path / "to")]) == 2
    told = json.loads(capsys.readouterr().out)
    assert [(r["study"], r["exit_code"]) for r in told["reports"]] == [("a", 0), ("b", 0), ("c", 2)]
    alone = Path(shutil.copytree(share("demo_data") / "tote", tmp_path / "alone"))
    assert main(["report", str(alone)]) == 0
    numbers = [(p / "report/numbers.json").read_bytes() for p in (alone, root / "a", root / "b")]
    assert numbers[0] == numbers[1] == numbers[2]
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        again = make_reports(root, tmp_path / "there", scheduler=cluster.scheduler_address)
    here = pd.read_csv(tmp_path / "to/reports.csv")
    assert again.table.drop(columns="seconds").fillna("").equals(here.drop(columns="seconds").fillna(""))
