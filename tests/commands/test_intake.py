"""Intake from the command line: the proposal is shown and writes nothing, the log of the unblinding is kept."""

import json

import pytest

from studykit.commands.cli import main
from studykit.core.files import sha256_of
from studykit.demos.shipped import copy_demo


@pytest.fixture
def tote(tmp_path):
    return copy_demo("tote", tmp_path / "tote")


def test_a_proposal_is_shown_with_its_first_rows(tote, capsys, monkeypatch):
    raw = next((tote / "raw").glob("*.csv"))
    before = sorted(p.name for p in tote.rglob("*"))
    monkeypatch.chdir(tote.parent)
    for path in (str(raw), f"raw/{raw.name}"):
        assert main(["intake", str(tote), "--suggest", path]) == 0
        out = capsys.readouterr().out
        assert "[[file]]" in out
        assert "# First rows as this entry reads them:" in out
        assert "46.3" in out
    assert sorted(p.name for p in tote.rglob("*")) == before


def test_a_file_that_is_not_there_or_lies_outside_is_told(tote, capsys):
    assert main(["intake", str(tote), "--suggest", "raw/none.csv"]) == 2
    assert "there is no such file" in capsys.readouterr().err
    assert main(["intake", str(tote), "--suggest", "../../elsewhere.csv"]) == 2
    assert "leaves the study folder" in capsys.readouterr().err


def test_taking_in_tells_the_account_and_logs_the_unblinding(tote, capsys):
    assert main(["intake", str(tote)]) == 0
    assert "18 rows in = 18 taken + 0 rejected" in capsys.readouterr().out
    log = json.loads((tote / "tidy/intake.json").read_text())["unblinding"]
    assert log == {"key": "plan/samples.csv", "sha256": sha256_of(tote / "plan/samples.csv"), "codes_returned": 3}


def test_rejected_rows_make_the_command_fail_until_they_are_accepted(tote, capsys):
    raw = next((tote / "raw").glob("*.csv"))
    lines = raw.read_text().splitlines()
    raw.write_text("\n".join([*lines, lines[-1].replace(lines[-1].split(",")[0], "ZZZZ", 1)]) + "\n")
    assert main(["intake", str(tote)]) == 8
    assert "rejected rows are listed in" in capsys.readouterr().err
    assert "ZZZZ" in (tote / "tidy/rejected.csv").read_text()
    assert main(["intake", str(tote), "--accept", "a bottle of another customer"]) == 0
