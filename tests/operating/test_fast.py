"""A fast part of the operating characteristics, and proof that a wrong rule is caught."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from . import run
from .engine import pooled, run_scenario, shifted
from .scenarios import NORMAL, SCENARIOS, Scenario
from .stocks import run_limits, run_stock

FAST = (Scenario(truth="steep gradients", containers=12, depths=3), Scenario(truth="zero", containers=4, depths=2),
        Scenario(truth="lowest zone x 3", containers=6, depths=3, determinations=2, groups=2),
        Scenario(truth="AR(1) 0.7", containers=12, depths=3, lost=0.15),
        Scenario(truth="equal", containers=12, depths=3, determinations=2, relative=True))


@pytest.mark.parametrize("s", FAST, ids=lambda s: f"{s.truth} {s.name}")
def test_limits_are_kept_and_not_by_silence(s):
    r = run_scenario(s, 1500 if s.lost else 6000, 1)
    assert r.faults() == []
    assert r.false_homogeneous > 3.5
    assert r.power > 30


@pytest.mark.parametrize("truth", ["gradients", "steep gradients", "lowest zone x 3", "AR(1) 0.7"])
def test_negative_control_the_pooled_rule_is_caught(truth):
    faults = " ".join(run_scenario(Scenario(truth=truth, containers=12, depths=3), 6000, 2, "pooled").faults())
    assert "false homogeneous" in faults
    assert "coverage" in faults
    assert run_scenario(Scenario(truth="equal", containers=12, depths=3), 6000, 2, "pooled").faults() == []


def test_losing_power_would_be_seen():
    r = run_scenario(FAST[3], 1500, 3)
    assert r.power > r.power_pairwise + 3  # lost readings are not thrown away with their containers
    assert "power" in " ".join(dataclasses.replace(r, power=10.0).faults())


def test_stocks_and_limits():
    r = run_stock("two points at the edge", "known", 14, 300, 1)
    assert r.faults() == []
    assert r.covered_normal < 80  # the bound from a normal model is what this replaces
    assert "reassures" in dataclasses.replace(r, reassured=12.0).faults()[0]
    found = run_limits("raw", 12, 2, 0.1, 4, 2)
    assert found.faults() == []
    assert "broken" in dataclasses.replace(found, broken=1).faults()[0]


def test_scenarios_cover_what_was_promised():
    required = [s for s in SCENARIOS if s.required]
    for lost in (0.0, 0.15):
        mine = [s for s in required if s.lost == lost]
        assert {s.truth for s in mine} == set(NORMAL)
        assert {s.containers for s in mine} == {4, 6, 12, 24}
        assert {s.depths for s in mine} == {2, 3, 5}
        assert {s.determinations for s in mine} == {1, 2}
        assert {s.groups for s in mine} == {1, 2}
        assert any(s.relative for s in mine)
    assert len({(s.truth, s.name) for s in SCENARIOS}) == len(SCENARIOS)


def test_pieces():
    v = np.random.default_rng(4).normal(size=(5, 6, 3))
    assert np.ptp(pooled(v).se, axis=1).max() == 0.0
    moved = shifted(pooled(v), np.array([0.0, 1.0, 3.0]))
    assert moved.estimate - pooled(v).estimate == pytest.approx(np.broadcast_to([1.0, 3.0, 2.0], (5, 3)))


def test_command_writes_the_page(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(run, "SCENARIOS", (FAST[1],))
    monkeypatch.setattr(run, "STOCKS", (("level", "known", 6),))
    monkeypatch.setattr(run, "LIMITS", (("raw", 12, 2, 0.1),))
    monkeypatch.setattr(run, "comparison", lambda studies, seed: ["| none |"])
    out = tmp_path / "docs" / "operating.md"
    assert run.main(["--complete", "2000", "--lost", "400", "--jobs", "1", "--out", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    assert "Every required limit is kept" in text
    assert text.count("4 x 2 x 1") == 1
    assert "zero" in capsys.readouterr().err
    bad = dataclasses.replace(run_scenario(FAST[1], 2000, 1), false_homogeneous=9.0)
    assert "false homogeneous 9.00 %" in run.line(bad)
