"""Days that have not come are asked about, once something was drawn or has a result; today is given, so that no test ages."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.check import check_folder
from studykit.commands.cli import main
from studykit.demos.shipped import copy_demo
from studykit.study.tocome import days_to_come

TODAY = dt.date(2026, 3, 1)
HEAD = "container,kind,depth,sample,visited_on,drawn_at"


def tables(root: Path, sampled: str, drawn: str, visited: str = "", reported: str = "2026-02-20") -> pd.DataFrame:
    """Two containers, two bottles of the first and one of the second, which has no result; the results are returned."""
    (root / "plan").mkdir()
    (root / "plan/containers.csv").write_text(
        f"container,filled_on,sampled_on\nK1,2025-01-01,{sampled}\nK2,2025-01-01,2026-09-01\n")
    (root / "plan/samples.csv").write_text(f"{HEAD}\nK1,spot,upper,S1,{visited},{drawn}\nK1,spot,lower,S2,{visited},{drawn}\n"
                                           "K2,spot,upper,S3,2026-09-01,\n")
    return pd.DataFrame({"sample": ["S1", "S2"], "reported_on": pd.to_datetime([reported] * 2), "source_file": "lab.csv",
                         "source_row": [4, 5]})


@pytest.mark.parametrize(("days", "place"), [
    ({"sampled": "2026-03-04"}, "plan/containers.csv row 2, column sampled_on: '2026-03-04'"),
    ({"drawn": "2027-02-01 08:30"}, "plan/samples.csv row 2, column drawn_at: '2027-02-01'"),
    ({"visited": "2026-12-01"}, "plan/samples.csv row 2, column visited_on: '2026-12-01'"),
    ({"reported": "2026-11-30"}, "raw/lab.csv row 4, column reported_on: '2026-11-30'"),
])
def test_a_day_that_has_not_come_is_asked_about(tmp_path, days, place) -> None:
    results = tables(tmp_path, **{"sampled": "2026-02-10", "drawn": "2026-02-10 09:00", **days})
    (told,) = days_to_come(tmp_path, results, TODAY)
    assert told.startswith(f"[days to come] {place}: this day has not come by this machine's clock")
    assert ("(1 more such rows in this column)" in told) is ("sampled" not in days)
    assert "correct it, or set the clock" in told
    assert days_to_come(tmp_path, results, dt.date(2028, 1, 1)) == ()  # and later nothing is left of it


def test_what_is_planned_may_lie_ahead_and_so_may_tomorrow(tmp_path) -> None:
    """K2 has neither a draw nor a result; 2 March is today somewhere on 1 March."""
    assert days_to_come(tmp_path, tables(tmp_path, "2026-03-02", "2026-03-02 01:00"), TODAY) == ()


def test_commands_ask_and_go_on(tmp_path, capsys) -> None:
    root = tmp_path / "tote"
    copy_demo("tote", root)
    assert days_to_come(root) == ()
    path = root / "plan/samples.csv"
    text = path.read_text(encoding="utf-8")
    day = pd.read_csv(path, dtype=str)["drawn_at"].dropna().iloc[0][:10]
    path.write_text(text.replace(day, "2099-01-01"), encoding="utf-8")
    assert any(n.startswith("[days to come] plan/samples.csv row ") and "'2099-01-01'" in n for n in check_folder(root).notes)
    assert main(["intake", str(root)]) == 0
    assert "column drawn_at: '2099-01-01'" in capsys.readouterr().out
