"""A small sample of tests/report/kills.py: commands killed midway leave the filed report whole and run again."""

from __future__ import annotations

import pytest

from tests.report import kills


@pytest.mark.slow
@pytest.mark.parametrize("command", ["intake", "lock", "pack", "export", "deliver", "order"])
def test_a_killed_command_leaves_what_was_filed_and_runs_again(command):
    _, count = kills.measured(command)
    points = kills.points_of(count, 3)
    assert len(points) == min(count, 3)
    assert [fault for point in points for fault in kills.one(command, 600, point)] == []


def test_the_last_two_points_are_always_among_those_chosen():
    assert kills.points_of(30, 6) == [0, 7, 15, 22, 28, 29]
    assert kills.points_of(1, 4) == [0]
    assert kills.points_of(2, 2) == [0, 1]
    assert kills.points_of(0, 4) == []


@pytest.mark.slow
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
