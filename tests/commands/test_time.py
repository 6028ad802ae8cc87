"""Bad input about time through the commands: one message with every place, a non-zero exit, nothing changed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.demos.shipped import copy_demo

Change = Callable[[Path], None]


def table(name: str, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Change:
    def edit(root: Path) -> None:
        path = root / f"plan/{name}.csv"
        change(pd.read_csv(path, dtype=str, keep_default_na=False)).to_csv(path, index=False, lineterminator="\n")
    return edit


def days(old: str, new: str, rows: int) -> Change:
    def move(t: pd.DataFrame) -> pd.DataFrame:
        here = (t["visited_on"] == old) & (t.index < rows)
        return t.assign(visited_on=t["visited_on"].mask(here, new), drawn_at=t["drawn_at"].mask(here, f"{new} 09:00"))
    return table("samples", move)


def tilted(root: Path) -> None:
    text = (root / "study.toml").read_text(encoding="utf-8").replace('fixed = ["ori', 'fixed = ["tilt", "ori')
    (root / "study.toml").write_text(text.replace("[time]\n", '[factors.columns.tilt]\nunit = "1"\n\n[time]\n', 1),
                                     encoding="utf-8")
    table("containers", lambda t: t.assign(tilt=["steep" if c == "B03" else "3" for c in t["container"]]))(root)


@pytest.mark.parametrize(("edit", "faults", "said"), [
    (days("2025-04-14", "2024-12-01", 3), 3, "row 2, column visited_on: '2024-12-01': lies before container B01 began"),
    (days("2025-07-14", "2025-04-14", 144), 36, "row 38, column visited_on: '2025-04-14': container B01 has the zone upper"),
    (tilted, 1, "row 4, column tilt: 'steep': is not a number"),
], ids=["a visit before filling", "two visits on one day", "text in a numeric factor"])
@pytest.mark.few(3)
@pytest.mark.parametrize("command", ["check", "intake"])
def test_what_cannot_be_is_refused_and_nothing_is_lost(tmp_path, capsys, edit: Change, faults: int, said: str,
                                                       command: str) -> None:
    root = copy_demo("beacon", tmp_path / "b")
    edit(root)
    before = {p: p.read_bytes() for p in root.rglob("*") if p.is_file()}
    assert main([command, str(root)]) != 0
    told = capsys.readouterr().err
    assert f"{faults} fault" in told
    assert said in told
    assert {p: p.read_bytes() for p in root.rglob("*") if p.is_file()} == before


def lower_later(root: Path) -> None:
    """The lower bottles of each keg's last visit are drawn, and dated, a day later."""
    def move(t: pd.DataFrame) -> pd.DataFrame:
        last = (t["depth"] == "lower") & (t["visited_on"] == t["visited_on"].max())
        next_day = str((pd.Timestamp(t["visited_on"].max()) + pd.Timedelta(days=1)).date())
        return t.assign(visited_on=t["visited_on"].mask(last, next_day))
    table("samples", move)(root)


@pytest.mark.few(1)
@pytest.mark.parametrize("command", ["check", "intake", "report"])
def test_a_visit_drawn_over_two_days_is_asked_about_and_nothing_is_lost(tmp_path, capsys, command: str) -> None:
    root = copy_demo("beacon", tmp_path / "b")
    lower_later(root)
    assert main([command, str(root)]) == 2
    told = capsys.readouterr().err
    assert told.count("lower is dated 1 day after its other zones") == 12  # each keg
    assert not (root / "tidy").exists()


@pytest.mark.slow
def test_a_planned_visit_before_filling_is_one_fault_of_check_and_plan(tmp_path, capsys) -> None:
    root = copy_demo("beacon", tmp_path / "b")
    shutil.rmtree(root / "raw")
    for name in ("samples.csv", "plan.lock"):
        (root / "plan" / name).unlink(missing_ok=True)
    table("containers", lambda t: t.assign(sampled_on=""))(root)
    path = root / "study.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('visits = ["2025-04-14"', 'visits = ["2020-06-01"'),
                    encoding="utf-8")
    for command in ("check", "plan"):
        assert main([command, str(root)]) == 2, command
        told = capsys.readouterr().err
        assert "1 fault" in told
        assert "time.visits: '2020-06-01': lies before 12 of 12 containers began to stand" in told
    assert not (root / "plan/samples.csv").exists()
