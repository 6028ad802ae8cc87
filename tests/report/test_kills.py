"""A small sample of tests/report/kills.py: commands killed midway leave the filed report whole and run again."""

from __future__ import annotations

import pytest

from tests.report import kills


@pytest.mark.slow
@pytest.mark.parametrize(("command", "after"), [("intake", 1.0), ("lock", 0.8), ("pack", 1.2)])
def test_a_killed_command_leaves_what_was_filed_and_runs_again(command, after):
    assert kills.one(command, after) == []


def test_debris_and_a_torn_report_would_be_seen(tmp_path):
    root = kills.prepared("report", tmp_path)
    (tmp_path / "tmp").mkdir()
    assert kills.faults_after("report", root, tmp_path / "tmp", True) == []
    (root / "tidy/.results.csv.x.part").touch()
    (tmp_path / "tmp/studykit-recheck-x").mkdir()
    (root / "report/report.html").write_text("torn")
    assert kills.faults_after("report", root, tmp_path / "tmp", True) == [
        next(r for r in kills.faults_after("report", root, tmp_path / "tmp", False)),
        "left: tidy/.results.csv.x.part", "left in the temporary place: studykit-recheck-x"]
