"""Studies with one-sided margins from their tables up: shares of the zones, words, groups, floors, page, lock, refusals."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import tomlkit
from scipy import stats

import studykit as sk
from studykit.ageing.trend import ageing
from studykit.core.errors import BadInput
from studykit.design.advice import advise
from studykit.design.assumptions import aims_of, size_of
from studykit.design.cheapest import aim_chances
from studykit.model import tables as model_tables
from studykit.model.fit import FittedModel, fit_analyte
from studykit.plot.profiles import against_margin, profiles
from studykit.register.changes import changes
from studykit.report.strip import drawing, side_of
from studykit.study import readers
from studykit.study.amounts import margin_of
from studykit.study.changes import told
from studykit.study.definition import Margin, load_study, parse_study
from studykit.study.lock import changes_since_lock, earlier_margins, lock_plan
from studykit.study.margins import rewritten
from studykit.verdict import cleared, tables, uses
from studykit.verdict import containers as each
from tests.studies import definition
from tests.verdict_cases import calm, make

BELOW = {"relative_percent": 20, "side": "below"}
HEIGHTS = (0.83, 0.5, 0.17)
CUTS = np.array([1, (0.83 + 0.5) / 2, (0.5 + 0.17) / 2, 0])
SHARES = CUTS[:-1] - CUTS[1:]
"""Zones meet half-way between the draws, and a drum's volume goes with its height."""


def judged(root, cells, **changes):
    stage = make(root, cells, **changes)
    models = model_tables.fit_all(stage)
    return stage, models, tables.judge_all(stage, models)


def stock(n: int, bottom: float, *, seed: int = 1) -> dict[str, dict[str, list[float]]]:
    """Each zone determined twice; the lowest holds ``bottom`` of the others."""
    rng = np.random.default_rng(seed)
    return {f"C{i}": {d: [round(float(100 * f * np.exp(0.01 * rng.standard_normal())), 3) for _ in range(2)]
                      for d, f in (("upper", 1.0), ("middle", 1.0), ("lower", bottom))} for i in range(n)}


def own(cells) -> np.ndarray:
    """Every zone against its mixed container by hand."""
    y = np.exp([[np.mean(np.log(z[d])) for d in ("upper", "middle", "lower")] for z in cells.values()])
    return np.log(y / (y * SHARES).sum(axis=1, keepdims=True))


def test_the_word_of_a_study_is_that_of_plain_tests_weighted_by_the_vessel(tmp_path):
    cells = stock(8, 0.77)
    _, (model,), outcome = judged(tmp_path / "s", cells, margin=BELOW)
    assert isinstance(model, FittedModel)
    np.testing.assert_allclose(model.rows.shares["C0"], SHARES, rtol=1e-6)
    d = own(cells)
    p = stats.ttest_1samp(d, math.log(0.8), alternative="greater").pvalue
    assert model.pairs.p_within == pytest.approx(p.max())
    (verdict,) = outcome.analytes
    assert p.max() < 0.05
    assert verdict.word == "homogeneous"
    at = model.contrasts().set_index("contrast").loc["lower - mixed container"]
    span = stats.ttest_1samp(d[:, 2], 0.0).confidence_interval(0.9)
    np.testing.assert_allclose(at[["estimate", "low", "high"]].to_numpy(float),
                               100 * np.expm1([d[:, 2].mean(), span.low, span.high]), rtol=1e-6)
    assert "no depth lies on average more than the declared 20 % below the mixed container" in verdict.sentence
    assert "differ" not in verdict.sentence


def test_the_same_stock_is_stratified_below_and_homogeneous_above(tmp_path):
    cells = stock(8, 0.5)
    words = {}
    for side in ("below", "above"):
        _, _, outcome = judged(tmp_path / side, cells, margin={"relative_percent": 25, "side": side})
        words[side] = outcome.analytes[0]
    assert (words["below"].word, words["above"].word) == ("stratified", "homogeneous")
    assert "declared were 25 % below the mixed container" in words["below"].sentence
    # the bound that holds with all depths: 5 % shared by three one-sided tests, by hand
    d = own(cells)[:, 2]
    least = -100 * np.expm1(d.mean() + stats.t.isf(0.05 / 3, 7) * d.std(ddof=1) / math.sqrt(8))
    assert words["below"].evidence()["shown to exceed"] == pytest.approx(least, rel=1e-6)


def test_containers_shares_groups_and_clearance_go_by_zones(tmp_path):
    cells = stock(12, 0.97) | {"C3": stock(1, 0.45, seed=2)["C0"]}
    stage, models, outcome = judged(tmp_path / "s", cells, margin=BELOW)
    assert outcome.analytes[0].final == "uneven"
    assert "Container C3 is shown to have a zone more than 20 % below the mixed container." in outcome.analytes[0].reasons
    named = each.treat(stage.study, models).iloc[0]
    assert (named["container"], named["pair"]) == ("C3", "lower - mixed container")
    assert named["difference"] == pytest.approx(100 * math.expm1(own(cells)[3, 2]), rel=1e-6)
    row = each.shares(stage.study, models).iloc[0]
    assert row["seen beyond, %"] == pytest.approx(8.3)
    assert row["at most, %"] >= 100 * stats.beta.ppf(0.95, 2, 11) - 0.1  # one of twelve counted, Clopper and Pearson 1934
    assert pd.isna(row["next low"])
    clear = cleared.within(stage, models).set_index("container")["within"]
    assert clear["C3"] == "no"
    assert (clear.drop("C3") == "yes").all()


def test_groups_stand_a_row_a_zone(tmp_path):
    cells = stock(6, 0.5) | {f"D{i}": z for i, z in enumerate(stock(6, 0.97, seed=3).values())}
    stage = make(tmp_path / "s", cells, margin=BELOW)
    study = stage.study.model_copy(update={"factors": stage.study.factors.model_copy(
        update={"fixed": ("store",), "by_depth": ("store",)})})
    containers = stage.containers.assign(store=[{"C": "cold", "D": "warm"}[c[0]] for c in stage.containers["container"]])
    model = fit_analyte(study, "P", containers, stage.samples, stage.results)
    assert isinstance(model, FittedModel)
    table, _ = each.group_contrasts(model, study)
    beyond = table[table["interval lies"] == "beyond the margin"]
    assert beyond[["store", "zone"]].to_numpy().tolist() == [["cold", "lower"]]
    d = own(cells)[:6, 2]
    # six tests share alpha: two stores, three zones
    reach = stats.t.isf(0.05 / 6, 5) * d.std(ddof=1) / math.sqrt(6)
    assert beyond.iloc[0][["zone - mixed container", "low", "high"]].to_list() == pytest.approx(
        (100 * np.expm1([d.mean(), d.mean() - reach, d.mean() + reach])).tolist(), rel=1e-6)
    assert each.stock_of(study, model).groups == ("store cold",)


def test_a_rich_floor_counts_whichever_side_is_declared(tmp_path):
    cells = stock(6, 0.99)
    for zones in cells.values():
        zones["heel"] = [300.0, 305.0]
    stage, models, outcome = judged(tmp_path / "s", cells, margin=BELOW)
    table = uses.uses(stage, models, outcome).set_index("use")
    assert table.loc["zones", "word"] == "within the margin"
    assert table.loc["floor", "word"] == "beyond the margin"
    assert table.loc["floor", "margin"] == "20 % either way (of zones: below only)"
    assert table.loc["first litres", "margin"] == "20 % below the mixed container"
    assert table.loc["first litres", "word"].startswith("within the margin")


def test_one_container_and_pairs_of_depths_are_refused_in_words():
    base = {"analytes": {"P": {"unit": "mg/kg", "method": "a test", "margin": BELOW, "margin_reason": "a test"}}}
    parse_study(definition(**base))
    for more, words in (({"scope": "container"}, "one container is judged"),
                        ({"factors": {"depths": ["a", "b"], "across_depths": "pooled", "across_depths_reason": "known so"}},
                         "about pairs of depths"),
                        ({"time": {"visits": ["2026-01-01", "2026-06-01"], "containers": "same"}}, "a question about time"),
                        ({"design": {"guesses": {"P": {"s_r": 2, "months_to_margin": 9}}}}, "months_to_margin")):
        with pytest.raises(BadInput) as error:
            parse_study(definition(**base, **more))
        assert words in str(error.value), more


def test_one_measured_container_of_a_stock_is_not_assessed(tmp_path):
    _, _, outcome = judged(tmp_path / "s", {"C0": calm(1)["C0"], "C1": {"heel": [1.0]}}, margin=BELOW)
    assert outcome.analytes[0].word in ("not assessed", "inconclusive")
    assert "one-sided margin is judged by several containers" in outcome.analytes[0].sentence


def test_time_says_that_it_has_nothing_of_them(tmp_path):
    stage, models, _ = judged(tmp_path / "s", stock(6, 0.9), margin=BELOW)
    study = stage.study.model_copy(update={"factors": stage.study.factors.model_copy(update={
        "fixed": ("age_months",), "by_depth": ("age_months",)}), "design": sized_study().design})
    found = ageing(study, models)
    assert not found.trends
    assert "its margin is one-sided" in dict(found.left_out)["P"]
    assert "one-sided margin" in {a.topic for a in advise(study, size_of(study))}


def sized_study():
    return parse_study(definition(design={"containers": 8}))


@pytest.mark.parametrize(("text", "margin"), [
    ("20 % below", Margin(relative_percent=20, side="below")), ("a factor of 2 above", Margin(factor=2, side="above")),
    ("2 mg/kg above the mixed container", Margin(absolute=2, side="above"))])
def test_margins_with_a_side_are_read_and_written(text, margin):
    found, _ = margin_of(text)
    assert found == margin
    assert tomlkit.parse(f"m = {margin.toml()}").unwrap()["m"] == margin.model_dump(exclude_none=True)
    assert margin.text("mg/kg").endswith(f"{margin.side} the mixed container")
    page = rewritten('[analytes.P]\nmargin = { relative_percent = 5 }\nmargin_reason = "old"\n', "P", margin, "new")
    assert Margin.model_validate(tomlkit.parse(page).unwrap()["analytes"]["P"]["margin"]) == margin


def test_new_takes_a_side_and_refuses_it_for_one_container():
    assert readers.as_margin("20 % below", "mg/kg") == Margin(relative_percent=20, side="below")
    with pytest.raises(readers.Unclear, match="needs several containers"):
        readers.as_margin("20 % below", "mg/kg", alone=True)


def test_a_side_declared_after_the_lock_is_told(tmp_path):
    stage = make(tmp_path / "s", stock(6, 0.9), margin={"relative_percent": 20})
    lock_plan(stage.root, stage.study)
    path = stage.root / "study.toml"
    path.write_text(rewritten(path.read_text(), "P", Margin(relative_percent=20, side="below"), "only a lack matters"))
    study = load_study(stage.root)
    assert any("from both sides to below" in line for line in told(changes_since_lock(stage.root, study), study))
    assert earlier_margins(stage.root, study) == {"P": (Margin(relative_percent=20),)}


@pytest.mark.slow
def test_two_studies_are_compared_where_both_have_the_side(tmp_path):
    opened = []
    for i, (bottom, margin) in enumerate(((0.95, BELOW), (0.8, BELOW), (0.8, {"relative_percent": 20}))):
        make(tmp_path / str(i), stock(6, bottom, seed=i), margin=margin)
        opened.append(sk.open(tmp_path / str(i)))
    row = changes(opened[0], opened[1]).differences.set_index("pair").loc["lower - mixed container"]
    d = [own(stock(6, b, seed=i))[:, 2] for i, b in enumerate((0.95, 0.8))]
    assert row["change"] == pytest.approx(100 * math.expm1(d[1].mean() - d[0].mean()), rel=1e-6)
    mixed = changes(opened[0], opened[2])
    assert mixed.differences.empty
    assert any("one-sided" in str(line) for line in mixed.notes)


def test_chances_beforehand_are_those_of_studies_judged_by_scipy():
    analyte = {"unit": "mg/kg", "method": "a test", "margin": BELOW, "margin_reason": "a test"}
    guess = {"s_r": 6, "sd_container_depth": 12, "gradient": -20}
    study = parse_study(definition(analytes={"P": analyte}, design={"containers": 6, "guesses": {"P": guess}}))
    (aim,) = aims_of(study)
    told_ = aim_chances(aim, size_of(study))
    rng, k = np.random.default_rng(8), len(study.factors.depths)
    effects = np.linspace(0, math.log(0.8), k)
    y = np.exp(effects + math.hypot(0.06, 0.12) * rng.standard_normal((20_000, 6, k)))
    d = np.log(y / y.mean(axis=2, keepdims=True))
    inside = (stats.ttest_1samp(d, math.log(0.8), axis=1, alternative="greater").pvalue < 0.05).all(axis=1).mean()
    assert 0.2 < inside < 0.95
    assert told_.homogeneous == pytest.approx(inside, abs=3.5 * math.sqrt(0.25 / 8192 + 0.25 / 20_000))
    assert aim.margin_at(aim.margin) == pytest.approx(20)
    twice = aim_chances(aim.beyond_by(2, k), size_of(study))
    assert twice.stratified > told_.stratified
    one = sk.chances(containers=6, depths=3, margin="20 % below", repeatability="6 %", difference="-20 %")
    both = sk.chances(containers=6, depths=3, margin="20 %", repeatability="6 %", difference="-20 %")
    assert one.homogeneous > both.homogeneous


def test_another_margin_on_one_side_needs_the_shares_of_the_zones(tmp_path):
    _, (model,), _ = judged(tmp_path / "s", stock(6, 0.9), margin=BELOW)
    assert model.verdict({"relative_percent": 5, "side": "below"}).word == "stratified"
    assert model.verdict("25 % below").word == "homogeneous"
    _, (both,), _ = judged(tmp_path / "t", stock(6, 0.9), margin={"absolute": 20})
    with pytest.raises(BadInput, match="needs the shares of the zones"):
        both.verdict({"absolute": 5, "side": "below"})


def test_time_of_a_table_refuses_a_side():
    table = pd.DataFrame({"container": ["a", "b"], "depth": ["u", "l"], "value": [1.0, 2.0], "months": [1.0, 2.0]})
    for call in (lambda: sk.times(table, margin=BELOW, depths=["u", "l"]),
                 lambda: sk.time_chances(containers=8, ages=[4, 12], margin="20 % below", repeatability="5 %",
                                         months_to_margin=9)):
        with pytest.raises(BadInput, match="one-sided margin is about"):
            call()


def test_figures_have_a_band_with_one_end(tmp_path):
    stage, models, outcome = judged(tmp_path / "s", stock(6, 0.7), margin=BELOW)
    table = model_tables.profiles(models, stage.study)
    assert set(table["margin high"]) == {math.inf}
    assert table["margin low"].to_numpy() == pytest.approx(-20)
    assert profiles(table).axes[0].get_xlabel() == "difference from the mixed container, %"
    placed = tables.in_margins(outcome)
    assert placed["side"].tolist() == [-1]
    against_margin(placed)
    assert side_of(outcome.analytes[0].margin) == -1
    plain, open_ended = drawing(None), drawing(None, -1)
    assert float(open_ended.split('width="')[2].split('"')[0]) > float(plain.split('width="')[2].split('"')[0])


@pytest.mark.few(1)
@pytest.mark.parametrize("side", ["below", "above"])
def test_outstanding_containers_are_told_by_the_zone_furthest_to_the_side_that_is_asked(tmp_path, side):
    cells = stock(6, 0.97) | {"C3": stock(1, 0.45, seed=2)["C0"]}
    _, models, _ = judged(tmp_path / "s", cells, margin={"relative_percent": 20, "side": side})
    table = each.outstanding(models)
    far = np.array([d.min() if side == "below" else d.max() for d in own(cells)])
    order = np.argsort(far if side == "below" else -far)[:5]
    assert table["container"].tolist() == [list(cells)[i] for i in order]
    assert table["contrast"].to_numpy() == pytest.approx(100 * np.expm1(far[order]), rel=1e-6)
    assert table["between"].str.endswith(" - mixed container").all()
    assert table["between"].iloc[0] == ("lower - mixed container" if side == "below" else "upper - mixed container")
