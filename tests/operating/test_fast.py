"""A fast part of the operating characteristics, and proof that a wrong rule is caught."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from . import run
from .declared import run_declared
from .engine import judged, run_scenario, shifted
from .groups import RULES, run_grouped
from .litres import run_litres
from .named import FIVE, THREE, run_containers
from .page import run_page
from .rivals import run_rival
from .scenarios import NORMAL, SCENARIOS, UNLIKE, Scenario
from .single import SingleRates, run_single
from .stocks import run_limits, run_stock

FAST = (Scenario(truth="steep gradients", containers=12, depths=3), Scenario(truth="zero", containers=4, depths=2),
        Scenario(truth="lowest zone x 3", containers=6, depths=3, determinations=2, groups=2),
        Scenario(truth="AR(1) 0.7", containers=12, depths=3, lost=0.15),
        Scenario(truth="equal", containers=12, depths=3, determinations=2, relative=True))
SMALL = Scenario(truth="equal", containers=12, depths=3, sizes=(10, 2), scatter=(1.0, 5.0))


@pytest.mark.few(2)
@pytest.mark.parametrize("s", FAST, ids=lambda s: f"{s.truth} {s.name}")
def test_limits_are_kept_and_not_by_silence(s):
    r = run_scenario(s, 1500 if s.lost else 6000, 1)
    assert r.faults() == []
    assert r.false_homogeneous > 3.5
    assert r.power > 30


@pytest.mark.parametrize("lost", [0.0, 0.15])
def test_a_small_group_that_scatters_five_times_as_much_keeps_its_limits(lost):
    r = run_scenario(dataclasses.replace(SMALL, lost=lost), 1500 if lost else 6000, 1)
    assert r.faults() == []
    assert r.power > 35


def test_rules_that_look_within_groups_are_caught():
    """Pooled scatter, and Welch's: two containers cannot tell how much a group scatters."""
    case = ((10, 2), (1.0, 5.0), 0.0, 3)
    found = {rule: run_grouped(rule, *case, 4000, 1) for rule in RULES}
    assert found["pooled"].false_homogeneous > 10
    assert found["Welch"].false_stratified > 10
    assert max(found["chosen"].false_homogeneous, found["chosen"].false_stratified) < 6.2
    apart = {rule: run_grouped(rule, (6, 6), (1.0, 1.0), 3.0, 3, 2000, 1).power for rule in RULES}
    assert apart["chosen"] < apart["Welch"] - 20  # what it costs where groups lie apart, as the page says


@pytest.mark.parametrize("truth", ["gradients", "steep gradients", "lowest zone x 3", "AR(1) 0.7"])
@pytest.mark.slow
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


@pytest.mark.slow
def test_declared_scatter_is_held_where_it_is_true():
    level, s = (Scenario(truth=t, containers=4, depths=5) for t in ("equal", "steep gradients"))
    r = run_declared("own gradient", level, 4000, 1)
    assert r.holds
    assert r.faults() == run_declared("own gradient", s, 4000, 1).faults() == []
    assert r.rates.power > r.rates.power_pairwise + 20
    wrong = run_declared("pooled", s, 4000, 1)
    assert not wrong.holds  # reported, not held
    assert wrong.rates.false_homogeneous > 7
    assert "check speaks" in dataclasses.replace(r, against=9.0).faults()[0]


@pytest.mark.slow
def test_the_page_of_a_mixture_and_the_litres():
    r = run_page("a quarter at 3 margins, half up, half down", 16, 2, 12, 1)
    assert r.faults() == []
    assert r.homogeneous + r.uneven <= 100
    assert run_page("level", 16, 2, 6, 1).homogeneous > 50  # and not by silence
    assert "reassures" in dataclasses.replace(r, homogeneous=60.0).faults()[0]
    litres = run_litres("last litre", "raw", 4, 300, 1)
    assert litres.faults() == []
    assert "mean" in dataclasses.replace(litres, mean=70.0).faults()[0]


def test_rivals_judge_complete_studies_as_a_t_test_does():
    # nothing lost: any covariance by REML with Kenward-Roger is the t over the containers' own differences
    from .rivals import reml
    v = np.random.default_rng(2).normal(size=(8, 3))
    estimate, se, df = reml(v, "unstructured")
    own = judged(FAST[0], v[None])
    assert estimate == pytest.approx(own.estimate[0])
    assert se == pytest.approx(own.se[0], rel=1e-4)
    assert df == pytest.approx(own.df[0], rel=1e-3)
    assert run_rival("sign-flip bootstrap", FAST[3], 10, 1).failed == 0


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
        assert {(s.sizes, s.scatter, s.depths) for s in mine if s.sizes} == {(*u, k) for u in UNLIKE for k in (3, 5)}
    assert len({(s.truth, s.name) for s in SCENARIOS}) == len(SCENARIOS)


def test_pieces():
    v = np.random.default_rng(4).normal(size=(5, 6, 3))
    pooled = judged(FAST[0], v, "pooled")
    assert np.ptp(pooled.se, axis=1).max() == pytest.approx(0.0, abs=1e-12)
    moved = shifted(pooled, np.array([0.0, 1.0, 3.0]))
    assert moved.estimate - pooled.estimate == pytest.approx(np.broadcast_to([1.0, 3.0, 2.0], (5, 3)))


def _untimed(parts: list[str]) -> list[str]:
    return [re.sub(r"[0-9.]+ minutes of processor time", "", part) for part in parts]


def test_a_missed_limit_is_loud(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(run, "ALONE", ((2, 1, 1.0),))
    monkeypatch.setattr(SingleRates, "faults", lambda self: ["false homogeneous 9.00 %"])
    out = tmp_path / "operating.md"
    out.write_text(run.document({}, "# head", 0, 0), encoding="utf-8")
    assert run.main(["--only", "single", "--lost", "100", "--jobs", "1", "--out", str(out)]) == 1
    assert "LIMIT MISSED: false homogeneous 9.00 %" in capsys.readouterr().err
    assert "1 rows of them miss a limit" in out.read_text(encoding="utf-8")


@pytest.mark.slow
def test_one_container_by_its_stated_scatter():
    r = run_single(2, 1, 1.0, 400, 1)
    assert r.faults() == []
    assert 1 < r.false_homogeneous < 9
    assert "false stratified" in dataclasses.replace(r, false_stratified=12.0).faults()[0]
    assert run_single(2, 1, 2.0, 200, 1).false_homogeneous > 10  # what drawing adds is not in the stated scatter


@pytest.mark.slow
def test_command_writes_the_page(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(run, "SCENARIOS", (FAST[1],))
    monkeypatch.setattr(run, "STOCKS", (("level", "known", 6),))
    monkeypatch.setattr(run, "LIMITS", (("raw", 12, 2, 0.1),))
    for name in ("DECLARATIONS", "PAGES", "POURED", "RIVALS", "ALONE"):
        monkeypatch.setattr(run, name, getattr(run, name)[:1])
    monkeypatch.setattr(run, "COMPARED", run.COMPARED[:len(run.GROUP_RULES)])
    out = tmp_path / "docs" / "operating.md"
    assert run.main(["--complete", "2000", "--lost", "400", "--jobs", "1", "--out", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    assert "Every required limit is kept" in text
    assert text.count("4 x 2 x 1") == 1
    assert "zero" in capsys.readouterr().err
    whole = text.split("\n## ")
    assert run.main(["--only", "litres", "--complete", "2000", "--lost", "400", "--jobs", "1", "--out", str(out)]) == 0
    again = out.read_text(encoding="utf-8").split("\n## ")
    assert [part.split("\n")[0] for part in again] == [part.split("\n")[0] for part in whole]
    assert _untimed(again[:-1]) == _untimed(whole[:-1])  # the same seed gives the same digits; the end says what was made apart
    assert "Made apart from the rest" in again[-1]
    bad = dataclasses.replace(run_scenario(FAST[1], 2000, 1), false_homogeneous=9.0)
    assert "false homogeneous 9.00 %" in run.line(bad)


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [THREE, FIVE])
def test_one_container_that_scatters_more_is_named_and_cleared_as_promised(scatter):
    """By one scatter for all it would be named at the margin in a quarter of the studies, and shown within as often."""
    r = run_containers(scatter, 24, 2, 300, 3)
    assert r.faults() == []
    assert min(r.named_pooled, r.cleared_pooled) > 8
    assert run_containers("alike", 24, 3, 200, 3).found > 90
