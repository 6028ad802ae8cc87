"""Single containers and groups: shares, noise, the stock's word, and values known only within bounds."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from studykit.inference.share import share_beyond, share_bound_clear, share_upper
from studykit.model import diagnostics
from studykit.model import tables as model_tables
from studykit.verdict import containers as sharetable
from studykit.verdict import rule as verdict_rule
from studykit.verdict import tables as verdict_tables
from studykit.verdict import uses
from tests.verdict_cases import DEPTHS, calm, make


def opened(tmp_path, cells, **changes):
    stage = make(tmp_path / "s", cells, **changes)
    models = model_tables.fit_all(stage)
    return stage, models, models[0]


def twice(n: int = 6, **changes: float) -> dict[str, dict[str, list[float]]]:
    """Every zone determined twice, the second 1 above or below the first in turn."""
    cells = calm(n, **changes)
    return {c: {d: [v[0], v[0] + (-1) ** (i + k)] for k, (d, v) in enumerate(zones.items())}
            for i, (c, zones) in enumerate(cells.items())}


def test_noise_from_zones_determined_twice(tmp_path):
    stage, _, m = opened(tmp_path, twice(), margin={"absolute": 5})
    noise, df, words = sharetable.noise_of(stage.study, m)
    # pairs 1 apart: s^2 = 1/2 with one degree of freedom each, 18 zones; a contrast of two means of two has variance s^2
    assert (noise, df, words) == (pytest.approx(math.sqrt(0.5), rel=1e-6), 18.0, "zones determined twice")


def test_noise_from_the_stated_precision(tmp_path):
    stage, _, m = opened(tmp_path, calm(6), repeatability={"s_r": 2.0, "source": "invented chart"})
    noise, df, words = sharetable.noise_of(stage.study, m)
    level = float(m.rows.measured["value"].mean())
    assert noise == pytest.approx(math.sqrt(2) * 2.0 / level, rel=1e-9)  # single results, margin in per cent
    assert (df, words) == (math.inf, "stated in study.toml: invented chart")


def test_without_precision_the_bound_doubles(tmp_path):
    stage, models, m = opened(tmp_path, calm(6))
    assert sharetable.noise_of(stage.study, m) == (None, math.inf, "not known")
    row = sharetable.shares(stage.study, models).iloc[0]
    # none of 6 seen beyond, errors with median zero: twice 1 - 0.05^(1/6)
    assert row["at most, %"] == pytest.approx(100 * 2 * (1 - 0.05 ** (1 / 6)), abs=0.1)
    assert row["at most, %"] >= row["seen beyond, %"]


def test_a_bound_is_never_below_what_was_seen(tmp_path):
    cells = twice(8, lower=1.0)
    for k in range(7):
        cells[f"C{k}"]["lower"] = [v + 40 for v in cells[f"C{k}"]["lower"]]
    stage, models, m = opened(tmp_path, cells, margin={"absolute": 5})
    row = sharetable.shares(stage.study, models).iloc[0]
    assert row["seen beyond, %"] == 87.5
    assert row["at most, %"] >= 87.5
    se, df, _ = sharetable.noise_of(stage.study, m)
    each = sharetable.own_differences(m.cells, se)
    assert sharetable.share_of(stage.study, m) == share_upper(each, 5.0, noise_se=se, noise_df=df)
    direct = share_beyond(each[:, 1], m.rows.margin, noise_variance=se**2, noise_df=df).upper
    assert row["at most, were they normal, %"] == pytest.approx(100 * direct, abs=0.1)


def mixture(beyond: int, n: int = 24) -> dict[str, dict[str, list[float]]]:
    """Containers level but for some that differ by three margins of 5, every zone determined twice."""
    cells = twice(n)
    for k in range(beyond):
        cells[f"C{k}"]["lower"] = [v + 15 for v in cells[f"C{k}"]["lower"]]
    return cells


def test_a_few_settled_containers_make_the_stock_uneven(tmp_path):
    # 20 level and 4 at three margins: homogeneous on average (0.5 margins), and it used to read 'no concern'
    stage, models, _ = opened(tmp_path, mixture(4), margin={"absolute": 5})
    outcome = verdict_tables.judge_all(stage, models)
    v = outcome.analytes[0]
    assert v.word in ("homogeneous", "inconclusive")
    assert v.stock.word == v.final == outcome.word == "uneven"
    assert v.stock.beyond == ("C0", "C1", "C2", "C3")
    assert set(sharetable.treat(stage.study, models)["container"]) == {"C0", "C1", "C2", "C3"}
    p = stage.study.analytes["P"].model_copy(update={"role": "information"})
    assert sharetable.treat(stage.study.model_copy(update={"analytes": {"P": p}}), models).empty
    assert "Containers C0, C1, C2, C3 are shown" in v.reasons[0]
    vetoed = pd.DataFrame([("P", "floor", "beyond the margin", 9.0, 8.0, 10.0, "mg/kg", "±5 mg/kg", "")], columns=uses.COLUMNS)
    assert uses.action(stage, outcome, vetoed).startswith(
        "Set aside what is named as beyond (C0, C1, C2 and C3). The action")
    assert "set the containers and groups named below aside" in outcome.action.do
    level, rest, _ = opened(tmp_path / "level", mixture(0), margin={"absolute": 5})
    clear = verdict_tables.judge_all(level, rest)
    assert (clear.analytes[0].stock.word, clear.word) == ("homogeneous", "homogeneous")
    assert sharetable.treat(level.study, rest).empty


def test_too_few_containers_do_not_clear_a_stock(tmp_path):
    stage, models, _ = opened(tmp_path, twice(6), margin={"absolute": 5})
    outcome = verdict_tables.judge_all(stage, models)
    v = outcome.analytes[0]
    assert (v.word, v.final, outcome.word) == ("homogeneous", "inconclusive", "inconclusive")
    assert "Homogeneous on average only: P" in outcome.sentence
    assert any("20 % were allowed" in r for r in v.reasons)
    # none of 6 clearly beyond leaves at least 1 - 0.05^(1/6) = 39 %
    assert v.stock.share_upper >= share_bound_clear(0, 6)
    row = sharetable.shares(stage.study, models).iloc[0]
    assert row["at most, %"] == pytest.approx(100 * v.stock.share_upper, abs=0.11)


def test_one_container_makes_no_claim_about_a_stock(tmp_path):
    stage, models, _ = opened(tmp_path, twice(6), margin={"absolute": 5})
    study = stage.study.model_copy(update={"scope": "container"})
    v = verdict_rule.judge(study, models).analytes[0]
    assert v.stock is None
    assert v.final == "homogeneous"


# ---- values known only within bounds


def limited(value: str, place: tuple[str, str] = ("C1", "upper"), **changes: float):
    cells = calm(6, **changes)
    cells[place[0]][place[1]] = [value]
    return cells


def limits(stage, models):
    return verdict_tables.limits(models, verdict_tables.judge_all(stage, models)).iloc[0]


def test_a_limit_that_cannot_change_the_word_leaves_it(tmp_path):
    # absolute margin: the uppermost zone of one container somewhere from 0 to 2, the lowest zones 120 above the others
    stage, models, m = opened(tmp_path, limited("<101", lower=120.0), margin={"absolute": 5})
    assert m.bounds is not None
    assert m.word == "stratified"
    row = limits(stage, models)
    assert (row["verdict"], row["of results"], row["known only as a limit"]) == ("stratified", 18, 1)


def test_a_limit_that_decides_takes_the_word_back(tmp_path):
    # without C1's uppermost zone all is homogeneous within 5; at zero it would drag the mean of the zone far down
    stage, models, m = opened(tmp_path, limited("<100"), margin={"absolute": 5})
    assert m.unstructured.word == "inconclusive" or m.bounds.word == "inconclusive"
    outcome = verdict_tables.judge_all(stage, models)
    assert outcome.words() == {"P": "inconclusive"}
    assert outcome.word == "inconclusive"
    low, high = outcome.analytes[0].decided.low, outcome.analytes[0].decided.high
    assert low < -5 or high > 5


def test_what_lies_near_limits_in_both_zones_is_not_homogeneous(tmp_path):
    # six near 10 in both zones, six '<2' in both: 0.1 above and 1.9 below in those six is stratified, so no word stands;
    # the extremes tried before (all at zero, all at the limit, ...) called it homogeneous wherever they lie
    near = [10.0, 10.1, 9.9, 10.05, 9.95, 10.02]
    cells = {f"C{k}": {"upper": [v], "lower": [round(v + 0.03 * (-1) ** k, 3)]} for k, v in enumerate(near)}
    cells |= {f"D{k}": {"upper": ["<2"], "lower": ["<2"]} for k in range(6)}
    stage, models, m = opened(tmp_path, cells, margin={"relative_percent": 20})
    outcome = verdict_tables.judge_all(stage, models)
    assert outcome.words() == {"P": "inconclusive"}
    assert m.bounds is not None
    table = m.contrasts()
    assert np.isinf(table["high"]).all()  # the printed interval does not drop the limits



def test_above_the_range_has_no_upper_end(tmp_path):
    stage, models, m = opened(tmp_path, limited(">200"))
    assert m.bounds.word == "inconclusive"
    assert verdict_tables.judge_all(stage, models).words() == {"P": "inconclusive"}


def test_mostly_limits_claim_nothing(tmp_path):
    cells = calm(6)
    for c in cells:
        for d in list(DEPTHS)[:2]:
            cells[c][d] = ["<3"]
    stage, models, _ = opened(tmp_path, cells)
    row = limits(stage, models)
    assert row["verdict"] == "not assessed"
    assert "known only as a limit" in row["what follows"]


def test_without_limits_there_is_no_table(tmp_path):
    stage, models, _ = opened(tmp_path, calm(4))
    assert verdict_tables.limits(models, verdict_tables.judge_all(stage, models)).empty


# ---- what used to crash


@pytest.mark.slow
def test_cell_means_that_differ_equally_everywhere_do_not_crash(tmp_path):
    # 10 and 11 in both zones of every container: no scatter between containers; the report died of it
    cells = {f"C{k}": {"upper": [10, 11], "middle": [10, 11], "lower": [10, 11]} for k in range(8)}
    stage, models, m = opened(tmp_path, cells, margin={"absolute": 3})
    outcome = verdict_tables.judge_all(stage, models)
    assert outcome.words() == {"P": "homogeneous"}
    low, high = outcome.analytes[0].decided.low, outcome.analytes[0].decided.high
    assert low < 0 < high  # rounding to 1 leaves a scatter that is not zero
    assert diagnostics.influences(models)["P"].decisive == ()
    assert not m.contrasts().empty
    assert sharetable.groups(stage.study, models).empty


def test_top_equal_to_bottom_everywhere_is_good_news(tmp_path):
    cells = {f"C{k}": {"upper": [100.0 + k], "middle": [100.0 + k], "lower": [100.0 + k]} for k in range(8)}
    stage, models, m = opened(tmp_path, cells, margin={"absolute": 5})
    assert verdict_tables.judge_all(stage, models).words() == {"P": "homogeneous"}
    same = {c: {d: [7.0] for d in z} for c, z in cells.items()}
    stage, models, m = opened(tmp_path / "same", same, margin={"absolute": 5})
    assert m.reml is None
    assert verdict_tables.judge_all(stage, models).words() == {"P": "homogeneous"}


def test_a_numerical_failure_is_that_analytes_finding(tmp_path, monkeypatch):
    def fail(*_):
        raise FloatingPointError("overflow in the test")

    stage, models, _ = opened(tmp_path, calm(6))
    monkeypatch.setattr(verdict_rule, "mixed_verdict", fail)
    outcome = verdict_tables.judge_all(stage, models)
    assert outcome.words() == {"P": "not assessed"}
    assert "The calculation failed: overflow in the test." in outcome.analytes[0].sentence
    monkeypatch.setattr(model_tables, "fit_analyte", fail)
    (failed,) = model_tables.fit_all(stage)
    assert failed.path == "not assessed"
    assert "overflow in the test" in failed.notes[0]
