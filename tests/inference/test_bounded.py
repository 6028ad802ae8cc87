"""Words that hold wherever values lie: against every corner by brute force, and attacked by an optimiser."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import optimize

from studykit.inference.bounded import Linear, critical_beyond, judge_bounds, largest, linear_forms, rounding_step
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
    ([1e9, 2e9], 0.0), ([math.nan, 2.5], 0.1),
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
