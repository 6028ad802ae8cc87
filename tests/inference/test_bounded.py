"""Words that hold wherever values lie: against every corner by brute force, and attacked by an optimiser."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import optimize, stats

from studykit.inference.bounded import (
    Linear,
    _Corner,
    critical_beyond,
    group_bounds,
    judge_bounds,
    largest,
    limits_of,
    linear_forms,
    mean_hull,
    rounding_step,
)
from studykit.inference.contrasts import contrasts_of, p_beyond, p_within, word_codes
from studykit.inference.margin import Margin


@pytest.mark.slow
def test_bounds_are_above_every_corner_and_close_to_the_best():
    rng = np.random.default_rng(3)
    for trial in range(20):
        n, k = (6, 2) if trial % 2 else (4, 3)
        low = rng.normal(size=(n, k))
        high = low + rng.exponential(0.7, size=(n, k)) * (rng.random((n, k)) < 0.6)
        if trial % 3 == 0:
            lost = rng.integers(n), rng.integers(k)
            low[lost] = high[lost] = np.nan
        free = np.flatnonzero((high > low).ravel())
        corners = np.repeat(low.ravel()[None], 2 ** len(free), axis=0)
        for bit, i in enumerate(free):
            corners[:, i] = np.where((np.arange(len(corners)) >> bit) & 1, high.ravel()[i], low.ravel()[i])
        found = contrasts_of(corners.reshape(-1, n, k))
        for p, form in enumerate(linear_forms(low, high)):
            if form is None:
                continue
            for sign in (1.0, -1.0):
                best = float((sign * found.estimate[:, p] + 2 * found.se[:, p]).max())
                e = largest(form, 2.0, 0.0, sign)
                assert e.attained <= best + 1e-9
                assert e.bound >= best - 1e-9
                assert e.bound - best < 1e-6


def test_the_known_counterexample_is_not_called_homogeneous():
    """Six containers near 10, six "<2" in both zones, +-20 %: 0.1 above and 1.9 below give stratified."""
    low, high = np.full((12, 2), 10.0), np.full((12, 2), 10.0)
    low[6:], high[6:] = 0.0, 2.0
    with np.errstate(divide="ignore"):
        found = judge_bounds(np.log(low), np.log(high), Margin.relative(20), ["top", "bottom"])
    assert found.word == "inconclusive"
    assert "as ratios they could be anything" in found.reason
    assert tuple(found.interval("bottom - top")) == (-math.inf, math.inf)
    # on the raw scale two units apart at most, in half of the containers: inside 3 wherever they lie
    assert judge_bounds(low, high, Margin.absolute(3.0), ["top", "bottom"]).word == "homogeneous"


@pytest.mark.few(3)
@pytest.mark.parametrize("seed", range(6))
def test_no_filling_contradicts_a_printed_word(seed):
    rng = np.random.default_rng(seed)
    x = 10 + rng.normal(size=(8, 3)) + (np.array([0, 0, 6.0]) if seed % 2 else 0.0)
    limit = np.quantile(x, 0.3)
    low, high = np.where(x < limit, limit - 2.0, x), np.where(x < limit, limit, x)
    margin = Margin.absolute(4.0 if seed % 2 == 0 else 1.5)
    found = judge_bounds(low, high, margin, list("abc"))
    free = np.flatnonzero((high > low).ravel())

    def doubt(t: np.ndarray) -> float:
        v = low.ravel().copy()
        v[free] += t * (high - low).ravel()[free]
        c = contrasts_of(v.reshape(1, 8, 3))
        return float(-p_within(c, margin.edge).max() if found.word == "homogeneous"
                     else -p_beyond(c, margin.edge, depths=3).min())

    if found.word == "inconclusive":
        return
    start = [np.full(len(free), 0.5), rng.random(len(free)), (np.arange(len(free)) % 2).astype(float)]
    worst = max(-optimize.minimize(doubt, s, bounds=[(0, 1)] * len(free), method="L-BFGS-B").fun for s in start)
    assert worst < 0.05


def test_both_words_can_be_printed_with_limits():
    words = set()
    for gap, margin in ((0.0, 4.0), (8.0, 1.5)):
        x = 10 + np.random.default_rng(1).normal(size=(8, 3)) + np.array([0, 0, gap])
        limit = np.quantile(x, 0.2)
        low, high = np.where(x < limit, limit - 1.0, x), np.where(x < limit, limit, x)
        words.add(judge_bounds(low, high, Margin.absolute(margin), list("abc")).word)
    assert words == {"homogeneous", "stratified"}


@pytest.mark.parametrize("gap", [8.0, -8.0])
def test_stratified_is_said_whichever_end_is_the_richer_one(gap):
    x = 10 + np.random.default_rng(1).normal(size=(8, 3)) + np.array([0, 0, gap])
    limit = np.quantile(x, 0.2)
    low, high = np.where(x < limit, limit - 1.0, x), np.where(x < limit, limit, x)
    assert judge_bounds(low, high, Margin.absolute(1.5), list("abc")).word == "stratified"


def test_numbers_without_bounds_are_the_plain_rule():
    rng = np.random.default_rng(7)
    v = rng.normal(size=(40, 6, 3)) + np.linspace(0, 3, 40)[:, None, None] * np.array([0, 0, 1.0])
    plain = word_codes(contrasts_of(v), 1.5, depths=3)
    words = [judge_bounds(x, x, Margin.absolute(1.5), list("abc")).word for x in v]
    assert words == [("inconclusive", "homogeneous", "stratified")[c] for c in plain]
    assert len(set(words)) > 1


def test_a_larger_scatter_asks_for_more():
    c = [critical_beyond(3, 11, 1.0, se, 0.05) for se in (0.0, 0.05, 0.5, 2.0)]
    assert c == sorted(c)


@pytest.mark.parametrize(("values", "step"), [
    ([1, 2, 3], 1.0), ([10, 200], 10.0), ([1000, 1000], 1.0), ([-30, -33, -27, 0], 3.0), ([1.5, 2.0, 1.0], 0.5),
    ([0.1, 0.26], 0.02), ([0.1, 0.25, 0.22], 0.01), ([1 / 3, 1.0], 0.0), ([0.1 + 0.2], 0.1), ([], 0.0),
    ([1e9, 2e9], 0.0), ([math.nan, 2.5], 0.1), ([2e-8, 5e-8], 1e-8), ([2e-9, 5e-9], 0.0), ([0.3, 1e6], 0.1),
    ([0.3, 1.0001e6], 0.0),
])
def test_rounding_step(values, step):
    assert rounding_step(values) == pytest.approx(step)


def test_written_zeros_behind_the_point_count():
    assert rounding_step([10, 11], 0.1) == pytest.approx(0.1)  # as 10.0 and 11.0
    assert rounding_step([1.5, 2.0], 0.1) == pytest.approx(0.5)
    assert rounding_step([-30, -33], 1.0) == 3.0


def test_misuse_is_named():
    with pytest.raises(ValueError, match="low must not be above high"):
        judge_bounds(np.ones((3, 2)), np.zeros((3, 2)), Margin.absolute(1), ["a", "b"])
    with pytest.raises(ValueError, match="containers x 2 depths"):
        judge_bounds(np.ones((3, 3)), np.ones((3, 3)), Margin.absolute(1), ["a", "b"])


@pytest.mark.parametrize("seed", range(6))
def test_no_filling_moves_the_degrees_of_freedom(seed: int) -> None:
    """They follow from which readings there are: those of every filling, judged as if it had been measured, are the form's."""
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(5, 13)), int(rng.integers(2, 6))
    lost = rng.random((n, k)) < (0.0, 0.1, 0.25)[seed % 3]
    groups = None if seed % 2 else np.column_stack([np.ones(n), np.arange(n) % 2])
    low = np.where(lost, np.nan, rng.normal(10, 1, (n, k)))
    high = low + 2 * (rng.random((n, k)) < 0.5)
    forms = linear_forms(low, high, groups)
    fillings = low + (high - low) * rng.random((200, n, k)) ** 3
    wild = fillings * np.exp(rng.normal(0, 3, (200, n, 1)))
    for v in (fillings, wild):
        found = contrasts_of(v, groups=groups)
        for p, form in enumerate(forms):
            if form is None:
                assert not found.judged[:, p].any()
                continue
            assert found.df[:, p] == pytest.approx(form.df, rel=1e-9)
            assert found.unit_variance[:, p] == pytest.approx(form.unit, rel=1e-9)


def test_a_linear_form_is_the_estimate_and_its_variance_where_groups_are_unequal_and_readings_are_lost():
    """Two of nine containers in a group of their own, four readings lost: as if the filling had been measured."""
    rng = np.random.default_rng(12)
    v, groups = 10 + rng.normal(size=(9, 3)), np.eye(2)[[0, 0, 1, 1, 1, 1, 1, 1, 1]]
    v[:2] += [0.0, 1.0, 5.0]
    v[[0, 3, 5, 8], [1, 2, 0, 1]] = np.nan
    found, forms = contrasts_of(v[None], groups=groups), linear_forms(v, v, groups)
    assert all(form is not None for form in forms)
    for p, form in enumerate(forms):
        assert form is not None
        assert np.array_equal(form.low, form.high)
        assert form.weights @ form.low == pytest.approx(found.estimate[0, p], rel=1e-9)
        assert math.sqrt(form.low @ form.form @ form.low) == pytest.approx(found.se[0, p], rel=1e-9)
    # statsmodels' least squares within containers, the group's own difference weighed as 7 of 9
    table = pd.DataFrame([(c, d == 1, d == 2, g, v[c, d]) for c, g in enumerate(groups[:, 1]) for d in range(3)],
                         columns=["container", "one", "two", "group", "value"]).dropna().astype(float)
    ols = smf.ols("value ~ C(container) + one + two + one:group + two:group", table).fit()
    by_hand = ols.params["two"] + 7 / 9 * ols.params["two:group"]
    assert forms[1] is not None
    assert forms[1].weights @ forms[1].low == pytest.approx(by_hand, rel=1e-9)


def test_where_no_single_change_leads_up_the_bound_is_still_above_every_corner():
    """Eight bounded values, three directions of scatter: climbing ends at 1.625, the best of all 256 corners is 1.634."""
    rng = np.random.default_rng(1)
    A = rng.normal(size=(3, 8))
    form, weights, low = A.T @ A, rng.normal(size=8) * 0.2, rng.normal(size=8)
    high = low + rng.exponential(1, size=8)
    corners = np.array([np.where([(k >> i) & 1 for i in range(8)], high, low) for k in range(256)])
    best = max(float(weights @ x + np.sqrt(max(x @ form @ x, 0.0))) for x in corners)
    problem = Linear(weights=weights, form=form, df=3.0, unit=1.0, low=low, high=high)
    found = largest(problem, 1.0)
    assert found.bound == pytest.approx(best, abs=1e-6)
    assert found.attained == pytest.approx(best, abs=1e-6)
    short = largest(problem, 1.0, nodes=0)  # no corner is taken apart: what is proven lies above, what was found below
    assert short.attained < best - 1e-3 < best < short.bound
    assert largest(problem, 1.0, enough=best + 0.01).bound < best + 0.01
    assert largest(problem, 1.0, enough=best - 0.01).attained >= best - 0.01


def corners_of(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Every filling at the ends, (2^r, n, k)."""
    free = np.flatnonzero((high > low).ravel())
    out = np.repeat(low.ravel()[None], 2 ** len(free), axis=0)
    for bit, i in enumerate(free):
        out[:, i] = np.where((np.arange(len(out)) >> bit) & 1, high.ravel()[i], low.ravel()[i])
    return out.reshape(-1, *low.shape)


@pytest.mark.parametrize("lost", [False, True])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bound_is_the_best_of_all_corners(lost, sign):
    """Four containers, three depths, six values within bounds: brute force over 64 fillings, with the t of each."""
    rng = np.random.default_rng(3)
    low = rng.normal(size=(4, 3))
    high = low.copy()
    high.ravel()[[0, 2, 4, 5, 9, 10]] += rng.exponential(0.7, 6)
    if lost:
        low[3, 2] = high[3, 2] = np.nan
    corners = corners_of(low, high)
    found = contrasts_of(corners)
    for p, form in enumerate(linear_forms(low, high)):
        assert form is not None
        value = sign * found.estimate[:, p] + 2 * np.maximum(found.se[:, p], 0.3)
        e = largest(form, 2.0, 0.3, sign)
        assert e.attained == pytest.approx(value.max(), abs=1e-7)
        assert e.bound == pytest.approx(value.max(), abs=1e-6)
        assert largest(form, 2.0, 99.0, sign).bound == pytest.approx((sign * found.estimate[:, p]).max() + 198)
        # the limits that hold wherever the values lie, with the floor of rounding
        t = stats.t.ppf(0.975, form.df)
        se = np.maximum(found.se[:, p], 0.2 * math.sqrt(form.unit / 6))
        ends = limits_of(form, 0.2, 0.95)
        assert ends[0] <= (found.estimate[:, p] - t * se).min() + 1e-9
        assert ends[1] >= (found.estimate[:, p] + t * se).max() - 1e-9
        assert ends[1] - ends[0] < 2 * np.ptp(np.r_[found.estimate[:, p] - t * se, found.estimate[:, p] + t * se])


def test_the_word_of_bounds_is_that_of_all_their_corners():
    """Homogeneous where the worst corner is, stratified where every corner shows one pair: margins on either side."""
    rng = np.random.default_rng(5)
    low = np.array([0.0, 0.0, 3.0]) + 0.3 * rng.normal(size=(6, 3))
    high = low.copy()
    high.ravel()[[1, 5, 8, 12, 17]] += 0.3
    found = contrasts_of(corners_of(low, high))
    worst = max(float((np.abs(found.estimate) + stats.t.isf(0.05, found.df) * found.se).max()), 0.0)
    for factor, word in ((1.0005, "homogeneous"), (0.9995, "inconclusive")):
        assert judge_bounds(low, high, Margin.absolute(factor * worst), list("abc")).word == word
    edges = np.linspace(1.5, worst, 9)
    shown = np.array([p_beyond(found, e, depths=3).max(axis=0).min() < 0.05 for e in edges])
    words = [judge_bounds(low, high, Margin.absolute(e), list("abc")).word for e in edges]
    assert all(s for s, w in zip(shown, words, strict=True) if w == "stratified")  # sound
    assert abs(sum(w == "stratified" for w in words) - shown.sum()) <= 1  # and hardly more cautious than it has to be
    told = judge_bounds(low, high, Margin.absolute(worst), list("abc"))
    assert (told.bounded, told.cells, told.level) == (5, 18, 0.95)
    assert told.labels == ("b - a", "c - a", "c - b")
    assert told.to_table().shape == (3, 3)
    none = judge_bounds(low, high, Margin.absolute(worst), list("abc"), limits=False)
    assert (none.low, none.high) == ((-math.inf,) * 3, (math.inf,) * 3)


def test_contradicted_says_that_a_filling_was_found():
    level = np.full((5, 2), 10.0)
    within = judge_bounds(level, level + [[0.0, 0.1]] * 5, Margin.absolute(3.0), ["a", "b"])
    assert (within.word, within.contradicted) == ("homogeneous", False)
    assert "10 of 10" not in within.reason
    assert "5 of 10 means of a container at a depth are known only within bounds; wherever" in within.reason
    wide = judge_bounds(level, level + [[0.0, 4.0]] * 5, Margin.absolute(3.0), ["a", "b"])
    assert (wide.word, wide.contradicted) == ("inconclusive", True)
    assert wide.reason.endswith("no verdict holds wherever between them they lie.")
    one = judge_bounds(level, np.vstack([level[:4], [[10.0, 11.0]]]),
                       Margin.absolute(5.0), ["a", "b"])
    assert one.reason.startswith("1 of 10 means of a container at a depth is known")
    open_end = judge_bounds(level, np.vstack([level[:4], [[10.0, math.inf]]]), Margin.absolute(5.0), ["a", "b"])
    assert "beyond the end" not in open_end.reason
    assert "could lie anywhere beyond it" in open_end.reason
    assert open_end.word == "inconclusive"
    assert tuple(open_end.interval("b - a")) == (-math.inf, math.inf)
    lost = np.full((5, 2), math.nan)
    lost[:, 0] = lost[0, 1] = 1.0
    unjudged = judge_bounds(lost, lost, Margin.absolute(5.0), ["a", "b"])
    assert (unjudged.word, unjudged.contradicted, unjudged.cells, unjudged.bounded) == ("inconclusive", False, 6, 0)


@pytest.mark.parametrize(("k", "df", "se"), [(2, 11.0, 0.3), (3, 5.0, 0.8), (4, math.inf, 0.05)])
def test_how_far_a_difference_has_to_pass_the_edge(k, df, se):
    """At that distance the p-value of the union over the corners is 5 %: its own formula with scipy's t."""
    c = critical_beyond(k, df, 1.0, se, 0.05)
    size = 1.0 + c * se
    near, middle = stats.t.sf((size - 1) / se, df) + stats.t.sf((size + 1) / se, df), 2 * stats.t.sf(size / se, df)
    pairs = k * (k - 1) // 2
    assert max(a * (k - a) * near + (pairs - a * (k - a)) * middle for a in range(1, k)) == pytest.approx(0.05, rel=1e-5)
    assert critical_beyond(k, df, 1.0, 0.0, 0.05) == 0.0


def test_least_and_most_of_a_mean_and_its_reach():
    """Brute force over all numbers between the ends, at their corners: mean -/+ t sd."""
    least, most = np.array([0.0, 1.0, 2.0, 0.5]), np.array([1.0, 1.0, 2.5, 3.0])
    fill = corners_of(least[None], most[None])[:, 0]
    reach = stats.t.isf(0.025, 3) * 0.5 * fill.std(axis=1, ddof=1)
    assert mean_hull(least, most, 0.95, 0.5) == pytest.approx(
        ((fill.mean(axis=1) - reach).min(), (fill.mean(axis=1) + reach).max()), abs=1e-6)


def test_one_group_by_its_own_containers():
    rng = np.random.default_rng(2)
    v = np.array([0.0, 0.2, 4.0]) + 0.3 * rng.normal(size=(6, 3))
    found = group_bounds(v, v, edge=2.0, alpha=0.05, step=0.0, looked_at=3)
    for (low, high, beyond), (i, j) in zip(found, [(0, 1), (0, 2), (1, 2)], strict=True):
        span = stats.ttest_1samp(v[:, j] - v[:, i], 0).confidence_interval(0.9)
        assert (low, high) == pytest.approx((span.low, span.high))
        p = p_beyond(contrasts_of(v[None]), 2.0, depths=3)[0]
        assert beyond == (p[[(0, 1), (0, 2), (1, 2)].index((i, j))] < 0.05 / 3)
    assert [b for *_, b in found] == [False, True, True]
    last = np.array([0.0, 0.0, 1.0])
    gap = [group_bounds(v + x * last, v + x * last, edge=4.0, alpha=0.05, step=0.0, looked_at=n)[1][2]
           for x in np.linspace(0, 2, 11) for n in (1, 3)]
    assert sum(gap[::2]) > sum(gap[1::2])  # three groups share the level: fewer are shown


@pytest.mark.parametrize(("values", "written", "step"), [
    ([1.0, 1.0], 0.1, 0.1), ([10.0, 10.04], 0.1, 0.1), ([10.0, 10.5], 0.1, 0.5), ([10.0, 20.0], 0.1, 0.1),
    ([100.0, 200.0], 1.0, 100.0), ([0.30, 0.60], 0.01, 0.03), ([3.0, 6.0], 0.0, 0.0), ([1e16, 2e16], 1.0, 1.0)])
def test_the_step_of_written_numbers(values, written, step):
    """Zeros behind the point were written, zeros before it were not; one number alone has its decimal step."""
    assert rounding_step(values, written) == pytest.approx(step)


@pytest.mark.parametrize("seed", range(6))
def test_climbing_ends_where_no_single_reading_can_be_switched_for_the_better(seed):
    """From any point; of a plain sum that is the best corner, and no corner is above what is proven."""
    rng = np.random.default_rng(seed)
    A, w, y0, width = rng.normal(size=(3, 6)), rng.normal(size=6), rng.normal(size=6), rng.exponential(1, 6)

    def plain(x: np.ndarray, c: float) -> float:
        y = y0 + width * x
        return float(w @ y + c * math.sqrt(y @ A.T @ A @ y))

    corners = [np.array([(k >> i) & 1 for i in range(6)], dtype=float) for k in range(64)]
    for c in (0.0, 1.7):
        problem = _Corner.of(w, A.T @ A, y0, width, np.arange(6), c)
        for x in corners[::9]:
            assert problem.value(x) == pytest.approx(plain(x, c), rel=1e-9)
            assert problem.relaxed(x)[0] == pytest.approx(plain(x, c), rel=1e-6)  # the majorant meets it at the corners
            inside = rng.random(6)
            assert problem.relaxed(inside)[0] >= plain(inside, c) - 1e-9
            found = problem.climb(x)
            ends = [k for k in corners if plain(k, c) == pytest.approx(found, rel=1e-9)]
            assert any(all(plain(np.abs(k - one), c) <= found + 1e-9 for one in np.eye(6)) for k in ends)
            assert found >= plain(x, c) - 1e-12
        best = max(plain(k, c) for k in corners)
        assert problem.bound(np.zeros(6), np.ones(6))[0] >= best - 1e-9
        assert problem.climb(np.zeros(6)) <= best + 1e-9
        if c == 0:
            assert problem.climb(np.full(6, 0.4)) == pytest.approx(best)
