"""One container with known precision: six invented analytes, every verdict, runs and laboratories."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.core.errors import BadInput, DesignMismatch
from studykit.inference.equivalence import Margin
from studykit.inference.single import (
    CANNOT_CONCLUDE,
    LABEL,
    SingleResult,
    StandardDeviation,
    _check_values,
    judge_between,
    judge_container,
    which_scatter,
)
from studykit.study.precision import Precision, resolve_precision

# An invented 1000 L tote of ester fluid: upper, middle, lower, one result each, one run.
TOTE = {
    "KV40": ((46.31, 46.33, 46.37), "mm²/s", Margin.relative(2), {"r_percent": 0.26}),
    "Ca": ((57.2, 57.6, 57.9), "mg/kg", Margin.relative(5), None),
    "P": ((402, 409, 421), "mg/kg", Margin.relative(5), None),
    "Si": ((6.1, 6.4, 9.8), "mg/kg", Margin.relative(20), None),
    "water": ((520, 535, 690), "mg/kg", Margin.absolute(100, "mg/kg"), {"r": 40}),
    "Zn": ((3.2, 3.4, 3.9), "mg/kg", Margin.absolute(0.5, "mg/kg"), None),
}


def tote(analyte: str, own: dict[str, float] | None = None) -> SingleResult:
    values, unit, margin, stated = TOTE[analyte]
    stated = own or stated
    p = resolve_precision(sum(values) / 3, unit, own=stated, method_key="" if stated else "ASTM D5185-18",
                          analyte=analyte)
    return judge_container(analyte, dict(zip(("upper", "middle", "lower"), [[v] for v in values], strict=True)), p,
                           margin, scatter=which_scatter(p, ["run 1"] * 3))


# verdict, lower - upper with its 90 % interval (one decimal more than the plan's table printed)
@pytest.mark.parametrize(("analyte", "word", "differs", "provisional", "difference", "low", "high"), [
    ("KV40", "homogeneous", False, False, 0.06, -0.04, 0.16),
    ("Ca", "homogeneous", True, False, 0.7, 0.2, 1.2),
    ("Si", "stratified", True, True, 3.7, 1.9, 5.5),
    ("water", "stratified", True, False, 170, 136, 204),
    ("Zn", "inconclusive", True, True, 0.7, 0.3, 1.1),
])
def test_the_tote(analyte, word, differs, provisional, difference, low, high):
    r = tote(analyte)
    assert (r.word, r.differs, r.provisional) == (word, differs, provisional)
    row = r.row()
    level = 100 / np.mean(TOTE[analyte][0]) if r.margin.log else 1.0  # a margin in per cent: of the mean of the depths
    digits = 0 if difference > 100 else 2 if difference < 0.1 else 1
    assert [round(row[c] / level, digits) for c in ("difference", "low", "high")] == [difference, low, high]
    assert (row["unit"], row["margin"]) == (r.margin.unit, pytest.approx(r.margin.shown(r.margin.high)))
    assert r.label == LABEL == "holds for this container only"


def test_phosphorus_could_never_be_shown():
    # with r as a function of level from memory (1.3 X^0.58 = 43) and with a cautious r of 87
    for r in (tote("P"), tote("P", {"r": 87})):
        assert r.word == "inconclusive"
        assert not r.differs
        assert r.edge < r.never < r.likely
        assert "can never be shown" in r.reasons()[0]
    # 0.84 r = 73 and interval -54 to 92 with r = 87
    row = tote("P", {"r": 87}).row()
    assert (round(row["low"] * 4.1067), round(row["high"] * 4.1067)) == (-54, 92)  # 4.1067: a per cent of the mean, 410.67
    assert round(tote("P", {"r": 87}).never) == 73


def test_reasons_in_words():
    assert "it lies within the margin" in " ".join(tote("Ca").reasons())
    assert "it lies within the margin" not in " ".join(tote("KV40").reasons())
    si = " ".join(tote("Si").reasons())
    assert "at least 20" in si  # 1.5 of a mean of 7.433 mg/kg
    assert "%, more than the margin of 20 %." in si
    assert "Provisional: 7.433 mg/kg lies below the range of ASTM D5185-18 (8 to 50 mg/kg)" in si
    assert "cannot see particles above a few micrometres" in si
    zn = " ".join(tote("Zn").reasons())
    assert "whether it is larger than the margin is not clear" in zn
    assert "do not act on it" in zn
    assert len(CANNOT_CONCLUDE) == 5


def test_zinc_with_more_results_would_be_decided_and_phosphorus_not():
    assert 5 < tote("Zn").results_needed() < 20
    assert tote("P").results_needed() is None  # 19 against a margin of 20.5: too near
    assert tote("Si").results_needed() == 1  # decided already


def test_critical_range_and_table():
    r = tote("water")
    assert r.critical_range == pytest.approx(47.8, abs=0.05)  # 1.20 r with r = 40
    table = r.to_table()
    assert list(table["contrast"]) == ["middle - upper", "lower - upper", "lower - middle"]
    assert set(table["analyte"]) == {"water"}
    assert table.columns[0] == "analyte"
    assert (table["margin"] == 100).all()


def known(s: float = 1.0) -> tuple[Precision, StandardDeviation]:
    p = Precision(kind="laboratory", level=100, unit="mg/kg", r=2.7718 * s, s_r=s, source="invented")
    return p, StandardDeviation(s=s, kind="repeatability", reason="one run")


def test_tipping_is_where_the_word_changes():
    p, scatter = known()
    margin = Margin.absolute(10.0, "mg/kg")
    for values, word in (([100.0, 101.0, 100.5], "homogeneous"), ([100.0, 104.0, 116.0], "stratified")):
        data = {x: [v] for x, v in zip("abc", values, strict=True)}
        f = judge_container("Si", data, p, margin, scatter=scatter).tipping
        assert 1.0 < f < 10.0
        for factor, expected in ((0.999 * f, word), (1.001 * f, "inconclusive")):
            wider = StandardDeviation(s=factor, kind="repeatability", reason="one run")
            assert judge_container("Si", data, p, margin, scatter=wider).word == expected
    assert judge_container("Si", {"a": [100.0], "b": [109.0]}, p, margin, scatter=scatter).tipping == math.inf


def test_a_word_near_its_tipping_factor_comes_with_a_warning():
    p, scatter = known()
    near = judge_container("Si", {"a": [100.0], "b": [107.0]}, p, Margin.absolute(10.0), scatter=scatter)
    assert near.word == "homogeneous"
    assert near.tipping < 1.5
    assert "second time" in near.tipping_sentence()
    far = judge_container("Si", {"a": [100.0], "b": [100.0]}, p, Margin.absolute(10.0), scatter=scatter)
    assert "second time" not in far.tipping_sentence()
    open_ = judge_container("Si", {"a": [100.0], "b": [109.0]}, p, Margin.absolute(10.0), scatter=scatter)
    assert open_.tipping_sentence() == ""


@pytest.mark.slow
@pytest.mark.parametrize(("means", "margin"), [([100.0, 100.0, 102.0, 104.0, 104.0], 6.0), ([100.0, 104.0, 108.0], 6.0)])
def test_results_needed_keep_their_promise_over_all_pairs(means, margin):
    """One pair alone would promise 80 % and keep 70 % (linear) or 44 % (stepped) over five depths."""
    p, scatter = known(1.5)
    data = {x: [v] for x, v in zip("abcde", means, strict=False)}
    first = judge_container("Si", data, p, Margin.absolute(margin), scatter=scatter)
    assert first.word == "inconclusive"
    n = first.results_needed()
    rng, decided = np.random.default_rng(12), 0
    for _ in range(400):
        drawn = {x: list(v[0] + 1.5 * rng.standard_normal(n)) for x, v in data.items()}
        decided += judge_container("Si", drawn, p, Margin.absolute(margin), scatter=scatter).word != "inconclusive"
    assert 0.8 - 4 * 0.02 < decided / 400 < 0.8 + 4 * 0.02 + 0.1


def test_the_rule_and_its_error_rates():
    # the verdict agrees with the rule written out, container by container ...
    rng = np.random.default_rng(11)
    p, scatter = known()
    margin, step, f3 = 8.0, 1.6448536 * math.sqrt(2), 3.3145
    seen = set()
    for truth in ([0, 4, 8], [0, 8, 8], [0, 0, 0], [0, 5, 12]):
        for e in rng.standard_normal((8, 3)):
            x = 100 + e + truth
            r = judge_container("x", {k: [v] for k, v in zip("uml", x, strict=True)}, p, Margin.absolute(margin),
                                scatter=scatter)
            assert (r.word == "homogeneous") == (np.ptp(x) + step < margin)
            assert r.differs == (np.ptp(x) > f3)
            assert (r.word == "stratified") == (r.comparison.at_least > margin)
            seen.add(r.word)
    assert seen == {"homogeneous", "stratified", "inconclusive"}
    # ... and the rule written out keeps its error rates: one pair at the margin, uniform container
    x = rng.standard_normal((400_000, 3))
    assert np.mean(np.ptp(x + np.array([0, 4, 8]), axis=1) + step < margin) < 0.05 + 0.0015  # Monte Carlo error
    assert np.mean(np.ptp(x, axis=1) > f3) == pytest.approx(0.05, abs=0.0015)


def test_replicates_and_unequal_counts():
    p, scatter = known()
    r = judge_container("x", {"u": [100, 101], "l": [100.5, 100.1]}, p, Margin.absolute(3), scatter=scatter)
    assert r.word == "homogeneous"
    assert r.comparison.tests[0].contrast.se == pytest.approx(1.0)
    uneven = judge_container("x", {"u": [100, 101], "l": [106.5]}, p, Margin.absolute(3), scatter=scatter)
    assert uneven.critical_range is None
    assert uneven.differs
    assert uneven.comparison.tests[0].contrast.se == pytest.approx(math.sqrt(1.5))


def test_per_cent_margin_refers_to_the_weighted_mean():
    p, scatter = known()
    r = judge_container("x", {"u": [90], "l": [110]}, p, Margin.relative(10), scatter=scatter,
                        weights={"u": 3, "l": 1})
    assert r.edge == pytest.approx(9.5)
    with pytest.raises(DesignMismatch, match="needs a mean above 0"):
        judge_container("x", {"u": [-1], "l": [0.5]}, p, Margin.relative(10), scatter=scatter)


def test_which_scatter_applies():
    p = Precision(kind="published", level=100, unit="mg/kg", r=2.77, s_r=1.0, R=8.3, s_R=3.0, source="invented")
    assert which_scatter(p, ["1", "1", "1"]).kind == "repeatability"
    assert which_scatter(p, ["1", "2", "1"], intermediate_s=1.5).s == 1.5
    wide = which_scatter(p, ["1", "2", "1"])
    assert (wide.kind, wide.s) == ("reproducibility", 3.0)
    assert "errs on the wide side" in wide.reason
    assert which_scatter(p, ["1", "1"], ["A", "B"]).kind == "reproducibility"
    with pytest.raises(BadInput, match="not known whether all depths were measured in one run"):
        which_scatter(p, ["1", "", "1"])
    with pytest.raises(BadInput, match="not known whether all depths"):
        which_scatter(p, [])
    own = dataclasses.replace(p, R=None, s_R=None)
    with pytest.raises(BadInput, match="neither intermediate precision nor reproducibility"):
        which_scatter(own, ["1", "2"])
    with pytest.raises(BadInput, match="several laboratories"):
        which_scatter(own, ["1", "1"], ["A", "B"])


@pytest.mark.parametrize(("runs", "depths", "kind"), [
    ("112233", "ulului", "reproducibility"), ("1212", "uull", "repeatability"), ("111122", "uullul", "repeatability"),
    ("111222", "uulull", "reproducibility"), ("1122", "uull", "reproducibility"), ("123", "uml", "reproducibility")])
def test_runs_that_hold_every_depth_equally_often_cancel(runs: str, depths: str, kind: str) -> None:
    """Brute force: with a shift of each run alone, the depth means differ by nothing where that is so, else by something."""
    p = Precision(kind="published", level=100, unit="mg/kg", r=2.77, s_r=1.0, R=8.3, s_R=3.0, source="invented")
    shift = pd.Series(list(runs)).map({"1": 0.0, "2": 1.0, "3": 10.0})
    means = shift.groupby(list(depths)).mean()
    assert bool(np.ptp(means) == 0) == (kind == "repeatability")
    assert which_scatter(p, list(runs), depths=list(depths)).kind == kind


def test_refusals():
    p, scatter = known()
    with pytest.raises(DesignMismatch, match="at least two depths"):
        judge_container("x", {"u": [1.0]}, p, Margin.absolute(3), scatter=scatter)
    with pytest.raises(DesignMismatch, match="no usable result at l"):
        judge_container("x", {"u": [1.0], "l": []}, p, Margin.absolute(3), scatter=scatter)
    with pytest.raises(DesignMismatch, match="no usable result at l"):
        judge_container("x", {"u": [1.0], "l": [math.nan]}, p, Margin.absolute(3), scatter=scatter)


def test_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        tote("Ca").edge = 1.0  # type: ignore[misc]


def by_factor(upper: float, lower: float, s: float) -> SingleResult:
    """Single results at two depths, a stated scatter of s times the level, a margin of a factor of 2."""
    level = (upper + lower) / 2
    p = Precision(kind="laboratory", level=level, unit="1/ml", r=2.7718 * s * level, s_r=s * level, source="invented")
    return judge_container("n", {"upper": [upper], "lower": [lower]}, p, Margin.factor(2), scatter=which_scatter(p, ["1", "1"]))


def test_a_factor_is_judged_on_logarithms_with_a_scatter_relative_to_the_level():
    r = by_factor(1000.0, 1300.0, 0.15)
    z = 1.6448536 * 0.15 * math.sqrt(2)  # by hand: log ratio, its standard error, normal
    assert (r.word == "homogeneous") == (math.log(1.3) + z < math.log(2))
    assert r.comparison.tests[0].contrast.estimate == pytest.approx(math.log(1.3))
    assert r.row()["low"] == pytest.approx(100 * math.expm1(math.log(1.3) - z))
    assert "less than the margin of a factor of 2" in r.reasons()[0]
    assert by_factor(1000.0, 4000.0, 0.15).word == "stratified"
    # halves and doubles are one thing: the absolute difference would say otherwise
    assert by_factor(1000.0, 700.0, 0.15).word == by_factor(700.0, 1000.0, 0.15).word
    wide = by_factor(1000.0, 1000.0, 0.5)
    assert wide.word == "inconclusive"
    assert f"a margin below a factor of {math.exp(1.6448536 * 0.5 * math.sqrt(2)):.3g} can never be shown" in wide.reasons()[0]
    assert wide.results_needed() == next(n for n in range(2, 60) if 2 * stats.norm.cdf(
        (math.log(2) - 1.6448536 * 0.5 * math.sqrt(2 / n)) / (0.5 * math.sqrt(2 / n))) - 1 >= 0.8)
    with pytest.raises(DesignMismatch, match="above 0 at every depth"):
        by_factor(1000.0, 0.0, 0.15)


@pytest.mark.parametrize("s", [0.1, 0.3])
def test_error_rates_of_a_factor_at_the_margin(s):
    """True ratio exactly 2, lognormal readings with a coefficient of variation of 10 and 30 %: 5 % wrong either way at most."""
    rng, se = np.random.default_rng(3), s * math.sqrt(2)
    sd = math.sqrt(math.log1p(s**2))  # of the logarithm, for that coefficient of variation

    def words(x):
        d = np.abs(x[:, 1] - x[:, 0])
        beyond = stats.norm.sf((d - math.log(2)) / se) + stats.norm.sf((d + math.log(2)) / se) < 0.05
        return d + 1.6448536 * se < math.log(2), beyond

    few = rng.normal(0, sd, (12, 2)) + rng.choice([0, math.log(2), 1.5], (12, 1)) * [0, 1]
    for x, within, beyond in zip(few, *words(few), strict=True):
        got = by_factor(*(1000 * np.exp(x)).tolist(), s).word
        assert (got == "homogeneous", got == "stratified") == (within, beyond)
    for wrong in words(rng.normal(0, sd, (400_000, 2)) + np.array([0, math.log(2)])):
        assert wrong.mean() < 0.05 + 0.0015  # Monte Carlo error


@pytest.mark.parametrize(("margin", "word"), [(2.0, "stratified"), (200.0, "homogeneous"), (4.5, None)])
def test_between_two_fillings_a_word_holds_at_the_nearest_and_the_furthest_difference(margin, word):
    """Upper 100, lower "<95": by hand from -100 to -5, each with 1.645 sqrt(2) s_r, s_r = 0.5, in a 90 % interval."""
    stated, scatter = known(0.5)
    ends = [judge_container("x", {"upper": [100.0], "lower": [v]}, stated, Margin.absolute(margin, "mg/kg"), scatter=scatter)
            for v in (0.0, 95.0)]
    found = judge_between(*ends)
    if word is None:
        assert found is None
        return
    assert found.word == word
    (span,) = found.hull
    reach = 1.644854 * math.sqrt(2) * 0.5
    assert (span.low, span.high, span.level) == pytest.approx((-100 - reach, -5 + reach, 0.9))


@pytest.mark.parametrize(("values", "said"), [({"u": [1.0, math.nan], "l": [2.0]}, "no usable result at u"),
                                              ({"u": [], "l": [2.0]}, "no usable result at u"), ({"u": [1.0]}, "at 1 depth")])
def test_every_result_of_one_container_is_a_number(values, said):
    with pytest.raises(DesignMismatch, match=said):
        _check_values("P", values)
    _check_values("P", {"u": [1.0, 2.0], "l": [2.0]})


def test_the_numbers_of_a_single_result_by_hand():
    """Two results at three depths, s = 1.2: standard error 1.2; ranges of the studentized range with known scatter (scipy)."""
    p, scatter = known(1.2)
    r = judge_container("x", {"u": [100.0, 101.0], "m": [102.0, 103.0], "l": [104.0, 105.5]}, p, Margin.absolute(6.0, "mg/kg"),
                        scatter=scatter)
    se, s_mean = 1.2, 1.2 / math.sqrt(2)
    assert [t.contrast.estimate for t in r.comparison.tests] == pytest.approx([2.0, 4.25, 2.25])
    assert [t.contrast.se for t in r.comparison.tests] == pytest.approx([se] * 3)
    assert r.range == pytest.approx(4.25)
    q = [stats.studentized_range.ppf(level, 3, 1e7) for level in (0.95, 0.8)]
    assert r.critical_range == pytest.approx(q[0] * s_mean, rel=1e-4)
    assert r.never == pytest.approx(1.6448536 * se)
    assert r.likely == pytest.approx(1.6448536 * se + q[1] * s_mean, rel=1e-4)
    assert (r.spread, r.edge, r.counts, r.means) == (1.2, 6.0, (2, 2, 2), (100.5, 102.5, 104.75))
    # a straight profile of the size ``seen`` passes the critical range in 80 % of drawings; error of 40,000 drawings
    x = np.random.default_rng(2).standard_normal((40_000, 3)) * s_mean + np.array([0, 0.5, 1.0]) * r.seen
    assert np.mean(np.ptp(x, axis=1) > r.critical_range) == pytest.approx(0.8, abs=0.01)
    row = r.row()
    assert (row["contrast"], row["margin"]) == ("l - u", 6.0)
    assert (row["difference"], row["range"]) == pytest.approx((4.25, 4.25))
    assert (row["low"], row["high"]) == pytest.approx((4.25 - 1.6448536 * se, 4.25 + 1.6448536 * se))
    assert row["critical range"] == pytest.approx(r.critical_range)
    assert row["holds up to"] is None
    assert row["depths"] == "100.5 / 102.5 / 104.75 mg/kg"
    uneven = judge_container("x", {"u": [100.0, 101.0], "m": [102.0], "l": [104.0, 105.5]}, p, Margin.absolute(6.0),
                             scatter=scatter)
    assert uneven.row()["critical range"] is None
    assert uneven.never == pytest.approx(1.6448536 * 1.2 * math.sqrt(1.5))  # the least known pair of depths
    assert uneven.likely == pytest.approx(uneven.never + q[1] * 1.2, rel=1e-4)


def test_a_range_equal_to_the_critical_one_shows_no_difference():
    p, scatter = known()
    r = judge_container("x", {"u": [100.0], "l": [103.0]}, p, Margin.absolute(9.0), scatter=scatter)
    assert not dataclasses.replace(r, critical_range=3.0).differs
    assert dataclasses.replace(r, critical_range=2.999).differs
    uneven = dataclasses.replace(r, critical_range=None)
    p_any = r.comparison.p_any
    for alpha, differs in ((p_any, False), (math.nextafter(p_any, 1), True)):
        assert dataclasses.replace(uneven, comparison=dataclasses.replace(r.comparison, alpha=alpha)).differs == differs


def test_the_tipping_factor_of_homogeneous_is_that_of_the_tightest_pair():
    p, scatter = known()
    r = judge_container("x", {"a": [100.0], "b": [103.0], "c": [98.0, 98.0]}, p, Margin.absolute(12.0), scatter=scatter)
    z = 1.6448536
    pairs = [(3.0, math.sqrt(2)), (2.0, math.sqrt(1.5)), (5.0, math.sqrt(1.5))]
    assert r.tipping == pytest.approx(min((12.0 - d) / (z * se) for d, se in pairs))
    assert r.row()["holds up to"] == pytest.approx(r.tipping)
    edge = 1.5  # from this factor on a word comes without a warning
    for f, warned in ((edge * 0.999, True), (edge * 1.001, False)):
        near = judge_container("x", {"a": [100.0], "b": [100.0]}, p, Margin.absolute(z * math.sqrt(2) * f), scatter=scatter)
        assert ("That is not much" in near.tipping_sentence()) == warned


def test_results_needed_are_the_fewest_that_keep_eighty_per_cent():
    """Two depths: the chance that |d| plus its reach stays within, by the normal distribution."""
    p, scatter = known()
    r = judge_container("x", {"a": [100.0], "b": [101.0]}, p, Margin.absolute(3.0), scatter=scatter)
    assert r.word == "inconclusive"

    def chance(n: int) -> float:
        se = math.sqrt(2 / n)
        reach = 3.0 - 1.6448536 * se
        return stats.norm.cdf((reach - 1) / se) - stats.norm.cdf((-reach - 1) / se)

    n = next(n for n in range(2, 50) if chance(n) >= 0.8)
    assert r.results_needed() == n
    assert r.results_needed(power=0.95) == next(n for n in range(2, 50) if chance(n) >= 0.95)
    assert r.results_needed(most=n) == n
    assert r.results_needed(most=n - 1) is None
    beyond = judge_container("x", {"a": [100.0], "b": [104.0]}, p, Margin.absolute(3.0), scatter=scatter)

    def shown(n: int) -> float:
        se = math.sqrt(2 / n)
        return stats.norm.sf((3.0 + 1.6448536 * se - 4.0) / se)  # one pair: one-sided

    assert beyond.results_needed() == next(n for n in range(2, 50) if shown(n) >= 0.8)


def test_between_two_fillings_every_pair_and_the_larger_scatter_count():
    """Depth b is known only as "<95", s is 0.5 at one end and 0.8 at the other; a and c have two results and one."""
    def end(v: float, s: float, margin: float) -> SingleResult:
        p, scatter = known(s)
        return judge_container("x", {"a": [100.0, 100.0], "b": [v], "c": [99.0]}, p, Margin.absolute(margin), scatter=scatter)

    for margin, word in ((200.0, "homogeneous"), (1.5, "stratified"), (50.0, None)):
        found = judge_between(end(0.0, 0.5, margin), end(95.0, 0.8, margin))
        assert (None if found is None else found.word) == word
        if found is None:
            continue
        reach = [1.6448536 * 0.8 * math.sqrt(x) for x in (1.5, 1.5, 2.0)]
        spans = [(-100, -5), (-1, -1), (4, 99)]
        for span, (low, high), r in zip(found.hull, spans, reach, strict=True):
            assert (span.low, span.high, span.level) == pytest.approx((low - r, high + r, 0.9))
        assert (found.spread, found.scatter.s) == (0.8, 0.8)
        estimates = [t.contrast.estimate for t in found.comparison.tests]
        assert estimates == ([-100, -1, 99] if word == "homogeneous" else [-5, -1, 4])
        assert found.row()["low"] == pytest.approx(-1 - reach[1])
        assert found.differs == (word == "stratified")
    swapped = judge_between(end(95.0, 0.8, 200.0), end(95.0, 0.5, 200.0))
    assert swapped is not None
    assert swapped.spread == 0.8


def test_a_pair_that_may_be_equal_is_not_beyond():
    p, scatter = known(0.1)

    def found_at(margin: float) -> SingleResult | None:
        return judge_between(*(judge_container("x", {"a": [100.0], "b": [v]}, p, Margin.absolute(margin), scatter=scatter)
                               for v in (95.0, 105.0)))

    assert found_at(0.5) is None  # although no standard error is larger than 0.15
    assert found_at(2.0) is None
    sharp = dataclasses.replace(scatter, s=1e-3)
    ends = [judge_container("x", {"a": [100.0], "b": [v]}, p, Margin.absolute(0.1), scatter=sharp) for v in (95.0, 100.5)]
    assert judge_between(*ends) is None  # from -5 to 0.5: equal perhaps
    found = found_at(9.0)
    assert found is not None
    assert found.word == "homogeneous"


def test_a_level_of_zero_has_no_per_cent_and_a_result_of_zero_no_factor():
    p, scatter = known()
    with pytest.raises(DesignMismatch, match="needs a mean above 0, but it is 0"):
        judge_container("x", {"u": [-1.0], "l": [1.0]}, p, Margin.relative(10), scatter=scatter)
    judge_container("x", {"u": [0.0], "l": [1.0]}, p, Margin.relative(10), scatter=scatter)
    with pytest.raises(DesignMismatch, match="results above 0 at every depth"):
        judge_container("x", {"u": [0.0], "l": [1.0]}, p, Margin.factor(2), scatter=scatter)


def test_how_a_difference_and_the_number_of_results_are_told():
    p, scatter = known()
    wide = {"u": [100.0, 100.0, 100.0], "l": [100.0, 100.5]}
    r = judge_container("x", wide, p, Margin.absolute(1.0, "mg/kg"), scatter=scatter)
    assert "With 2 results a depth a margin below" in r.reasons()[0]
    single = judge_container("x", {"u": [100.0], "l": [100.5]}, p, Margin.absolute(1.0, "mg/kg"), scatter=scatter)
    assert "With single results a margin below 2.33 mg/kg can never be shown" in single.reasons()[0]
    at = judge_container("x", {"u": [100.0], "l": [100.5]}, p, Margin.absolute(single.never, "mg/kg"), scatter=scatter)
    assert at.reasons()[0].startswith("The results neither show")  # a margin equal to it is not below it
    half = by_factor(1000.0, 500.0, 0.1)
    assert half.told(-math.log(2)) == half.told(math.log(2)) == "a factor of 2"
