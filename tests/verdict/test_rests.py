"""Stirred rests and limits: a lost rest is never one within, and no average leaves out what is known only as a limit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from studykit.model import tables as model_tables
from studykit.study.actions import Action
from studykit.verdict import estimands, tables, uses
from studykit.verdict import floors as floor
from studykit.verdict.rule import StudyVerdict
from tests.verdict_cases import calm, make

OWN = {"share": 20, "repeatability": {"r": 0.3, "source": "a test"}}
ABSOLUTE = {**OWN, "margin": {"absolute": 3}}


def judged(tmp_path, kinds: dict[str, list[list[float | str]]], **own):
    """24 level containers with samples of those kinds: stage, models, uses, and the action as printed."""
    cells = calm(24, step=0.02)
    for kind, values in kinds.items():
        for depths, value in zip(cells.values(), values, strict=True):
            depths[kind] = value
    stage = make(tmp_path / "s", cells, **own)
    models = model_tables.fit_all(stage)
    outcome = tables.judge_all(stage, models)
    assert outcome.word == "homogeneous"  # the zones agree
    table = uses.uses(stage, models, outcome)
    acting = StudyVerdict(word=outcome.word, sentence="", analytes=outcome.analytes, action=Action(do="Use as it stands."))
    return stage, models, table.set_index("use"), uses.action(stage, acting, table)


def level(n: int = 24) -> list[list[float | str]]:
    return [[100.0 + 0.02 * (c % 3 - 1)] for c in range(n)]


@pytest.mark.few(1)
@pytest.mark.parametrize("lost", [24, 22, 4])
@pytest.mark.parametrize("heels", [False, True])
def test_lost_rests_veto_as_lost_heels_do(tmp_path, lost, heels) -> None:
    """By hand: of 24 with 4 lost up to 1 - betaincinv = 34 % could lie beyond (Clopper-Pearson, 4 of 24), 20 % are allowed."""
    assert stats.beta.ppf(0.95, 5, 20) == pytest.approx(0.34, abs=0.005)
    rests = [[] for _ in range(lost)] + level(24 - lost)
    stage, models, table, text = judged(tmp_path, {"composite": rests} | ({"heel": level()} if heels else {}), **OWN)
    assert table.loc[uses.WHOLE, "word"] == floor.UNDECIDED
    assert table.loc["floor", "word"] == (floor.WITHIN if heels else floor.UNKNOWN)
    assert "Use as it stands" not in text
    told = " ".join(tables.cannot(stage, models)["what"])
    assert f"came back from {24 - lost} of 24 containers" in told


@pytest.mark.few(1)
@pytest.mark.parametrize(("heels", "vetoed"), [(False, True), (True, False)])
def test_few_rests_need_not_carry_the_share_where_the_heels_do(tmp_path, heels, vetoed) -> None:
    """Six rests were planned and all came: up to 39 % could lie beyond by them, by 24 level heels 12 % (by hand)."""
    cells = calm(24, step=0.02)
    for c, depths in enumerate(cells.values()):
        depths.update({"composite": level()[c]} if c < 6 else {}, **({"heel": level()[c]} if heels else {}))
    stage = make(tmp_path / "s", cells, **OWN)
    models = model_tables.fit_all(stage)
    outcome = tables.judge_all(stage, models)
    acting = StudyVerdict(word=outcome.word, sentence="", analytes=outcome.analytes, action=Action(do="Use as it stands."))
    table = uses.uses(stage, models, outcome)
    assert ("Use as it stands" not in uses.action(stage, acting, table)) is vetoed


def test_all_rests_there_and_level_veto_nothing(tmp_path) -> None:
    _, _, table, text = judged(tmp_path, {"composite": level()}, **OWN)
    assert table.loc[uses.WHOLE, "word"] == floor.WITHIN
    assert text.endswith(" Use as it stands.")


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "use", "sign"), [("heel", "floor", 1), ("composite", uses.WHOLE, -1)])
@pytest.mark.parametrize("beyond", [2, 22, 24])
def test_averages_with_open_limits_leave_none_out(tmp_path, kind, use, sign, beyond) -> None:
    """Zones near 100, margin 3, ``beyond`` of 24 read ">130": their mean is at least 30 ``beyond``/24 off, without an end."""
    values = [[">130"]] * beyond + level()[beyond:]
    stage, models, table, _ = judged(tmp_path, {kind: values}, **ABSOLUTE)
    row = table.loc[use]
    assert math.isnan(row["estimate"])
    near, far = (row["low"], row["high"]) if sign == 1 else (-row["high"], -row["low"])
    least = np.array([30.0] * beyond + [0.0] * (24 - beyond))  # by hand: the one-sided limit of the nearest filling
    assert near == pytest.approx(least.mean() - stats.t.ppf(0.95, 23) * least.std(ddof=1) / math.sqrt(24), abs=0.1)
    assert math.isinf(far)
    assert row["word"] == (floor.SINGLE if beyond == 2 else floor.BEYOND)
    named = floor.beyond(stage, models)
    assert len(named) == beyond
    assert set(named["pair"]) == {floor.FLOOR if sign == 1 else floor.OF_WHOLE}
    whole = estimands.whole(stage, models).iloc[0]
    assert math.isnan(whole["estimate"])
    assert whole["interval lies"] == f"limits in {beyond} containers"
    assert ("or more" if sign == 1 else "or less") in uses.between(row.to_dict())


@pytest.mark.slow
def test_an_average_with_limits_holds_for_every_filling(tmp_path) -> None:
    """Three heels of 4.9 and 21 of "<2" over zones near 2: every filling's own t interval lies inside the one printed."""
    cells = calm(24, level=2.0, step=0.002)
    for c, depths in enumerate(cells.values()):
        depths["heel"] = [4.9] if c < 3 else ["<2"]
    stage = make(tmp_path / "s", cells, **{**ABSOLUTE, "repeatability": {"r": 0.02, "source": "a test"}})
    models = model_tables.fit_all(stage)
    row = uses.uses(stage, models, tables.judge_all(stage, models)).set_index("use").loc["floor"]
    drawn = floor.floors(stage, models[0], model_tables.usable(stage))
    rng = np.random.default_rng(20261127)
    low, high = (np.array(ends) for ends in zip(*drawn.spans.values(), strict=True))
    assert row["low"] < -1.3
    assert row["high"] > 0.3  # by hand: (3 * 2.9 - 21 * 2) / 24 = -1.39 and 3 * 2.9 / 24 = 0.36
    worst = [math.inf, -math.inf]
    for _ in range(3000):
        d = np.where(rng.random(24) < rng.random(), low, high)
        half = stats.t.ppf(0.95, 23) * d.std(ddof=1) / math.sqrt(24)
        worst = [min(worst[0], d.mean() - half), max(worst[1], d.mean() + half)]
    assert row["low"] <= worst[0] + 1e-9
    assert row["high"] >= worst[1] - 1e-9
    assert row["high"] - row["low"] < 1.3 * (worst[1] - worst[0])  # and not far wider than what fillings reach


@pytest.mark.slow
@pytest.mark.parametrize(("many", "said"), [(4, floor.SINGLE), (13, floor.MOST), (23, floor.MOST), (24, floor.BEYOND)])
def test_nearly_all_are_not_called_single(tmp_path, many, said) -> None:
    """Floors beyond up and down in turn, so that the mean says nothing: 4, 13, 23 or all 24 of them."""
    values = [[100.0 + (12.0 if c % 2 else -12.0) * (1 + 0.2 * (c % 3))] if c < many else level()[c] for c in range(24)]
    _, _, table, text = judged(tmp_path, {"heel": values}, **ABSOLUTE)
    assert table.loc["floor", "word"] == said
    assert (f"{many} of 24: " in table.loc["floor", "why"]) is (said == floor.MOST)
    assert "Use as it stands" not in text


@pytest.mark.parametrize(("low", "high", "told"), [
    (1.25, math.inf, "on average 1.25 mg/kg or more, wherever within their limits the values lie"),
    (-math.inf, 0.5, "on average 0.500 mg/kg or less, wherever within their limits the values lie"),
    (-1.0, 2.0, "on average from \u22121.00 to 2.00 mg/kg, wherever within their limits the values lie"),
    (-math.inf, math.inf, ""), (math.nan, math.nan, "")])
def test_open_ends_are_said_in_words(low, high, told) -> None:
    assert uses.between({"low": low, "high": high, "unit": "mg/kg", "margin": "±3 mg/kg"}) == told


@pytest.mark.slow
def test_a_table_with_limits_is_shown_in_words(tmp_path) -> None:
    _, _, table, text = judged(tmp_path, {"heel": [[">130"]] * 2 + level()[2:]}, **ABSOLUTE)
    shown = uses.shown(table.reset_index().loc[:, uses.COLUMNS])
    assert "or more, wherever within their limits the values lie" in shown["floor"].item()
    assert "or more, wherever within their limits the values lie against ±3 mg/kg" in text
