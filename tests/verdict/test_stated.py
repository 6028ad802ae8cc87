"""One container by known precision: the tote demo recomputed by hand, limits, runs, and what is missing."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

import studykit.notebook.stage as kit
from studykit.demos.shipped import copy_demo
from studykit.inference.critical_range import flag_chance
from studykit.intake.take import run_intake
from studykit.model import tables as model_tables
from studykit.model.stated import single_results
from studykit.study.tables import load_tables
from studykit.verdict import estimands, judge_all, uses
from studykit.verdict import stated as known
from studykit.verdict.rule import NOT_AFTER_HOLM, ComparedVerdict, judge
from tests.verdict_cases import make

OWN = {"repeatability": {"r": 4.0, "source": "invented"}}
UPPER, MIDDLE, LOWER = 0, 1, 2

# ASTM D5185-18 table 2, repeatability r as a function of the level X in mg/kg; from memory, check your copy
D5185 = {"Ca": lambda x: 0.0020 * x**1.4, "P": lambda x: 1.3 * x**0.58, "Si": lambda x: 1.3 * x**0.26,
         "Zn": lambda x: 0.15 * x**0.88}
# readings of the demo as its truth.json gives them; margins of its study.toml
TOTE = {
    "KV40": ((46.31, 46.33, 46.37), lambda x: 0.0026 * x, lambda x: 0.02 * x, "homogeneous"),
    "Ca": ((57.2, 57.6, 57.9), D5185["Ca"], lambda x: 0.05 * x, "homogeneous"),
    "P": ((402.0, 409.0, 421.0), D5185["P"], lambda x: 0.05 * x, "inconclusive"),
    "Si": ((6.1, 6.4, 9.8), D5185["Si"], lambda x: 0.2 * x, "stratified"),
    "Water": ((520.0, 535.0, 690.0), lambda x: 40.0, lambda x: 100.0, "stratified"),
    "Zn": ((3.2, 3.4, 3.9), D5185["Zn"], lambda x: 0.5, "inconclusive"),
}


@pytest.fixture(scope="module")
def tote(tmp_path_factory):
    root = tmp_path_factory.mktemp("known") / "tote"
    copy_demo("tote", root)
    early = load_tables(root, with_results=False)
    run_intake(root, early.study, early.samples)
    stage = kit.open_stage("06-verdict", str(root), str(root / "report"))
    models = model_tables.fit_all(stage)
    return stage, models, known.single_verdicts(stage.study, models)


@pytest.mark.parametrize("analyte", TOTE)
def test_the_six_verdicts_of_the_tote_by_hand(tote, analyte):
    (upper, middle, lower), r, margin, word = TOTE[analyte]
    mean = (upper + middle + lower) / 3
    se = r(mean) / stats.norm.ppf(0.975) / math.sqrt(2) * math.sqrt(2)  # s_r = r / 2.77, difference of two singles
    edge, gap = margin(mean), lower - upper  # the largest of the three differences in every one of these readings
    told = 100 / mean if analyte not in ("Water", "Zn") else 1.0  # a margin in per cent: differences in per cent of the mean
    got = tote[2][analyte]
    assert got.decided.pair == "lower - upper"
    assert got.decided.estimate == pytest.approx(told * gap, abs=1e-9)
    assert got.decided.unit == ("mg/kg" if told == 1 else "%")
    half = stats.norm.ppf(0.95) * se
    if word == "inconclusive":  # the interval that holds for all three pairs together, wider than the pair's own
        assert got.decided.low < told * (gap - half) < told * (gap + half) < got.decided.high
    else:
        assert (got.decided.low, got.decided.high) == pytest.approx((told * (gap - half), told * (gap + half)), rel=2e-3)
    within = all(abs(d) + half < edge for d in (middle - upper, lower - middle, gap))
    # with three depths at most two pairs can lie at the margin at once: z at 0.05 / 2
    beyond = (gap - edge) / se > stats.norm.ppf(0.975)
    by_hand = "homogeneous" if within else "stratified" if beyond else "inconclusive"
    assert got.word == by_hand == word
    assert got.scope == "holds for this container only"
    assert "holds for this container only" in got.sentence


@pytest.mark.slow
@pytest.mark.parametrize("analyte", TOTE)
def test_first_and_last_litres_of_the_tote_by_hand(tote, analyte):
    """A zone against the mean of three nearly equal ones: s_r sqrt(4/9 + 1/9 + 1/9), normal, 90 %."""
    readings, r, _, _ = TOTE[analyte]
    mean = sum(readings) / 3
    told = 100 / mean if analyte not in ("Water", "Zn") else 1.0
    half = told * stats.norm.ppf(0.95) * r(mean) / stats.norm.ppf(0.975) / math.sqrt(2) * math.sqrt(2 / 3)
    table = estimands.departures(tote[0], tote[1])
    mine = table[table["analyte"] == analyte].set_index("zone")
    for zone, value in zip(("upper", "middle", "lower"), readings, strict=True):
        row = mine.loc[zone]
        assert row["departure"] == pytest.approx(told * (value - mean), abs=2e-3 * told * mean)
        assert (row["high"] - row["low"]) / 2 == pytest.approx(half, rel=1e-2)  # thirds to a percent
    uppers = uses.uses(tote[0], tote[1], judge_all(tote[0], tote[1])).query("use == 'first litres'").set_index("analyte")
    assert uppers.loc[analyte, "estimate"] == mine.loc["upper", "departure"]


def test_only_a_stratified_analyte_can_fail_holm(tote):
    """The reason about chance among many analytes belongs to nothing that is not called stratified."""
    stage, models, singles = tote
    told = {v.analyte: NOT_AFTER_HOLM in v.reasons for v in judge(stage.study, models, singles).analytes}
    assert not any(told[a] for a, (*_, word) in TOTE.items() if word != "stratified")


def test_below_the_methods_range_is_provisional(tote):
    whole = known.single_table(tote[0].study, tote[1])
    shown = known.single_shown(tote[0].study, whole)
    assert shown["analyte"].tolist() == [tote[0].study.label_of(a) for a in whole["analyte"]]
    assert (shown.columns[0], len(shown), known.single_shown(tote[0].study, whole.iloc[:0]).empty) == ("analyte", 6, True)
    table = whole.set_index("analyte")
    assert table["provisional"].to_dict() == {"KV40": False, "Ca": False, "P": False, "Si": True, "Water": False, "Zn": True}
    assert any("Provisional" in r for r in tote[2]["Si"].reasons)


def test_the_arithmetic_of_singles_is_that_of_r(tote):
    table = known.arithmetic_table(tote[0].study, tote[1]).set_index("analyte")
    assert list(table.index) == list(TOTE)
    assert table["level"].to_dict() == pytest.approx({a: sum(told[0]) / 3 for a, told in TOTE.items()})
    for r in table.to_dict("records"):
        assert r["never below"] / r["r"] == pytest.approx(0.8392, abs=2e-3)  # 1.645 / 1.96
        # TOST power 0.8 at no difference: (z 0.95 + z 0.90) / 1.96
        assert r["mostly from"] / r["r"] == pytest.approx((1.6449 + 1.2816) / 1.96, abs=2e-3)
    water, oil = table.loc["Water"], table.loc["KV40"]
    assert (oil["r"], oil["margin"], oil["unit"]) == (pytest.approx(0.26), pytest.approx(2), "%")  # as study.toml states both
    assert (water["r"], water["margin"]) == (pytest.approx(40), 100)
    assert (water["margin / r"], oil["margin / r"]) == pytest.approx((100 / 40, 2 / 0.26), rel=1e-6)
    assert table.loc["P", "chance for a uniform pair, %"] == 0


def test_the_arithmetic_in_words_counts_the_analytes_that_decide(tmp_path):
    """Three analytes, one of them for information: a flag of a uniform container has a chance of 1 - 0.95^2."""
    stage = make(tmp_path / "s", {"T1": {"upper": [1], "middle": [1], "lower": [1]}})
    p = stage.study.analytes["P"]
    study = stage.study.model_copy(update={"analytes": {"P": p, "Q": p, "R": p.model_copy(update={"role": "information"})}})
    told = known.single_words(study)
    assert "range of three honest single results" in told
    assert "With 2 analytes, a perfectly uniform container gets at least one flag with a chance of 10 %." in told  # 9.75 %


def test_flags_on_a_uniform_container():
    by_r, by_range = flag_chance(1, 3, rule="r"), flag_chance(1, 3)
    assert by_range == pytest.approx(0.05, abs=1e-6)
    # range of three normal values above 1.96 sqrt(2) s: studentised range distribution
    assert by_r == pytest.approx(float(stats.studentized_range.sf(1.96 * math.sqrt(2), 3, 1e7)), abs=1e-3)
    assert flag_chance(6, 3) == pytest.approx(1 - 0.95**6, abs=1e-6)


def judged(tmp_path, upper, middle, lower, **changes):
    stage = make(tmp_path / "s", {"T1": {"upper": upper, "middle": middle, "lower": lower}}, **{**OWN, **changes})
    models = model_tables.fit_all(stage)
    assert models[0].path == "known precision"
    return known.single_verdicts(stage.study, models)["P"], stage, models


def test_a_limit_that_cannot_matter_is_bounded(tmp_path):
    # 5 % of about 100 and r = 4: lower beyond whatever '<95' is; the interval is that of a pair wherever it lies
    got, stage, models = judged(tmp_path, [100], ["<95"], [130])
    assert got.word == "stratified"
    assert models[0].rows.censored == 1
    assert any("wherever they lie, the verdict is stratified" in r for r in got.reasons)
    result = single_results(stage.study, models)["P"]
    half = stats.norm.isf(0.05) * math.sqrt(2) * 4 / (stats.norm.ppf(0.975) * math.sqrt(2))
    assert result.hull[2].low == pytest.approx(130 - 95 - half, rel=1e-3)  # lower - middle at its nearest and furthest
    assert result.hull[2].high == pytest.approx(130 - 0 + half, rel=1e-3)
    assert got.decided.low > got.comparison.margin.edge


@pytest.mark.slow
@pytest.mark.parametrize(("upper", "middle", "lower"), [(100, "<95", 130), (3, "<2", 2.6), (3, "<8", 2.6), (3, 3, "<9.5")])
def test_no_filling_contradicts_the_word_of_one_container(tmp_path, upper, middle, lower):
    got, *_ = judged(tmp_path, [upper], [middle], [lower], margin={"absolute": 7})
    words = set()
    for share in np.linspace(0, 1, 9):
        filled = [[share * float(x[1:]) if isinstance(x, str) else x] for x in (upper, middle, lower)]
        words.add(judged(tmp_path / f"{share}", *filled, margin={"absolute": 7})[0].word)
    assert got.word in words or got.word == "inconclusive"
    assert got.word == "inconclusive" or words == {got.word}


def test_a_limit_that_decides_makes_it_inconclusive(tmp_path):
    got, _, _ = judged(tmp_path, [100], ["<101"], [101], margin={"absolute": 8})
    assert got.word == "inconclusive"
    assert "the verdict depends on where" in got.sentence
    assert not isinstance(got, ComparedVerdict)


def test_mostly_limits_or_one_above_range_are_not_assessed(tmp_path):
    stage = make(tmp_path / "m", {"T1": {"upper": ["<1"], "middle": ["<1"], "lower": [5]}}, **OWN)
    assert judge_all(stage, model_tables.fit_all(stage)).words() == {"P": "not assessed"}  # within the margin, by one number
    got, _, _ = judged(tmp_path, [100], [101], [">500"])
    assert got.word == "not assessed"
    assert "no upper end" in got.sentence


def test_which_precision_is_asked(tmp_path):
    got, stage, models = judged(tmp_path, [100], [100], [100], run="")
    assert got.word == "not assessed"
    assert "not known whether all depths were measured in one run. To do: ask the laboratory, and name" in got.sentence
    assert 'run = "1" under [file.constants]' in got.sentence
    assert known.single_table(stage.study, models).empty
    two = models[0].rows.table.assign(run=["1", "2", "2"])
    from dataclasses import replace
    changed = [replace(models[0], rows=replace(models[0].rows, table=two))]
    asked = known.single_verdicts(stage.study, changed)["P"].sentence
    assert "different runs" in asked
    assert "give intermediate_s" in asked
    wide = stage.study.analytes["P"].model_copy(update={"intermediate_s": 3.0})
    study = stage.study.model_copy(update={"analytes": {"P": wide}})
    found = single_results(study, changed)["P"]
    assert (found.scatter.kind, found.scatter.s) == ("intermediate precision", 3.0)


def test_without_a_repeatability_nothing_is_said(tmp_path):
    stage = make(tmp_path / "s", {"T1": {"upper": [1], "middle": [1], "lower": [9]}})
    models = model_tables.fit_all(stage)
    got = known.single_verdicts(stage.study, models)["P"]
    assert got.word == "not assessed"
    assert "No repeatability is known" in got.sentence
    assert known.arithmetic_table(stage.study, models).empty


def test_the_tipping_factor_is_where_the_word_changes(tmp_path):
    # r = 4: s_r = 4 / 2.77; all depths agree but for 1, margin 8: (8 - 1) / (1.645 sqrt(2) s_r)
    got, stage, models = judged(tmp_path, [100], [100], [101], margin={"absolute": 8})
    s_r = 4 / (stats.norm.ppf(0.975) * math.sqrt(2))
    result = single_results(stage.study, models)["P"]
    factor = 7 / (stats.norm.ppf(0.95) * math.sqrt(2) * s_r)
    assert result.tipping == pytest.approx(factor, rel=1e-6)
    assert f"{factor:.2g} times the stated" in got.reasons[0]
    # at 1.01 times that scatter the word is gone, at 0.99 times it stands
    for times, word in ((0.99, "homogeneous"), (1.01, "inconclusive")):
        wide = {"repeatability": {"r": 4.0 * factor * times, "source": "invented"}}
        again, *_ = judged(tmp_path / str(times), [100], [100], [101], margin={"absolute": 8}, **wide)
        assert again.word == word


@pytest.mark.slow
def test_a_word_on_thin_ice_says_how_to_measure_the_scatter_of_drawing(tmp_path):
    got, stage, models = judged(tmp_path, [100], [100], [112], margin={"absolute": 5})
    assert got.word == "stratified"
    assert 1 < single_results(stage.study, models)["P"].tipping < 3
    thin, thin_stage, thin_models = judged(tmp_path / "thin", [100], [100], [109.5], margin={"absolute": 5})
    assert thin.word == "stratified"
    assert thin.reasons[0] == single_results(thin_stage.study, thin_models)["P"].tipping_sentence() != ""


def test_per_cent_of_the_mean_is_not_the_ratio(tmp_path):
    """One container, 181, 200 and 219: 19 % of the mean apart, a ratio of 1.21; nearly no scatter."""
    cells = {"T1": {"upper": [181.0], "middle": [200.0], "lower": [219.0]}}
    own = {"repeatability": {"s_r": 0.1, "source": "a test"}}
    words = {}
    for name, margin in (("per cent", {"relative_percent": 20}), ("factor", {"factor": 1.2})):
        stage = make(tmp_path / name.replace(" ", ""), cells, margin=margin, **own)
        got = known.single_verdicts(stage.study, model_tables.fit_all(stage))["P"]
        words[name] = (got.word, round(got.decided.estimate))
    assert words == {"per cent": ("homogeneous", 19), "factor": ("stratified", 21)}


def test_the_arithmetic_of_a_factor_is_that_of_logarithms(tmp_path):
    """r of 4 at a level of 100 is 0.04 on logs, told as a ratio; a uniform pair passes by 2 Phi(ln 1.06 / se - 1.645) - 1."""
    _, stage, models = judged(tmp_path, [100], [100], [100], margin={"factor": 1.06})
    row = known.arithmetic_table(stage.study, models).iloc[0]
    se = 0.04 / stats.norm.ppf(0.975)  # s_r sqrt(2) = r / 1.96
    assert (row["level"], row["margin"], row["r"]) == (100, pytest.approx(6), pytest.approx(100 * math.expm1(0.04)))
    assert row["margin / r"] == pytest.approx(math.log(1.06) / 0.04)
    assert row["never below"] == pytest.approx(100 * math.expm1(stats.norm.ppf(0.95) * se))
    by_hand = 2 * stats.norm.cdf(math.log(1.06) / se - stats.norm.ppf(0.95)) - 1
    assert row["chance for a uniform pair, %"] == pytest.approx(100 * by_hand, abs=0.01)


def test_what_the_method_cannot_see_is_told_where_nothing_else_was_declared(tote):
    stage, models, verdicts = tote
    assert verdicts["Ca"].blind_to == stage.study.analytes["Ca"].blind_to != ""
    silent = {k: a.model_copy(update={"blind_to": ""}) for k, a in stage.study.analytes.items()}
    told = known.single_verdicts(stage.study.model_copy(update={"analytes": silent}), models)["Ca"].blind_to
    assert told.startswith("particles above a few micrometres")


def test_one_analyte_by_known_precision_is_enough_for_one_container():
    paths = [SimpleNamespace(path=p) for p in ("known precision", "too few values")]
    assert known.no_single(paths).startswith("One container was sampled")  # type: ignore[arg-type]
    assert known.no_single(paths[1:]).startswith("Several containers")  # type: ignore[arg-type]


@pytest.mark.parametrize("analyte", TOTE)
def test_only_an_open_analyte_asks_for_more_results(tote, analyte):
    got, open_ = tote[2][analyte], TOTE[analyte][3] == "inconclusive"
    assert sum(said in got.sentence for said in ("results at each depth would probably", "No reasonable number")) == open_
    assert (got.needed is not None) == ("results at each depth would probably" in got.sentence)
    assert got.gradient_p_holm == got.comparison.p_any


@pytest.mark.parametrize(("middle", "lower", "word"), [("<95", 130, "stratified"), ("<95", 97, "homogeneous")])
def test_of_bounded_values_only_homogeneous_has_no_test_of_a_difference(tmp_path, middle, lower, word):
    """Wherever the limit lies the word holds: that nothing differs cannot be tested then, that it does is a test."""
    got, _, models = judged(tmp_path, [96], [middle], [lower], margin={"absolute": 7 if word == "stratified" else 110})
    assert (got.word, models[0].rows.censored, len(got.comparison.tests)) == (word, 1, 3)
    assert got.gradient_p_holm == (1.0 if word == "homogeneous" else got.comparison.p_any)
    assert "About" not in got.sentence
    assert got.decided.level == pytest.approx(0.9)  # the interval of two one-sided tests at 5 %


def test_the_arithmetic_asks_the_precision_at_the_mean_of_the_measured_values(tmp_path, monkeypatch):
    """Of 10, 10 and 40 that is 20; a level of 0 or below has no precision, one of 0.5 has."""
    asked = []
    monkeypatch.setattr(known, "precision_at", lambda study, analyte, level: asked.append(level))
    stage = make(tmp_path / "s", {"T1": {"upper": [10], "middle": [10], "lower": [40]}}, **OWN)
    (model,) = model_tables.fit_all(stage)
    measured = model.rows.measured
    for times, wanted in ((1, [20.0]), (0, []), (-1, []), (0.025, [0.5])):
        asked.clear()
        rows = SimpleNamespace(measured=measured.assign(value=times * measured["value"]))
        known.arithmetic_table(stage.study, [SimpleNamespace(rows=rows, analyte="P")])  # type: ignore[list-item]
        assert asked == pytest.approx(wanted)
