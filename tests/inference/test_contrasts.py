"""Contrasts under any covariance: against scipy, statsmodels and a dense CR2, and their error rates."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from studykit.inference.contrasts import (
    Contrasts,
    cell_means,
    contrasts_of,
    departure_rows,
    intervals,
    p_any,
    p_beyond,
    p_within,
    pair_rows,
    promised,
    whole_pairs,
    word_codes,
)


def own_gradients(rng: np.random.Generator, studies: int, n: int, k: int, slope: float = 2.0) -> np.ndarray:
    """Each container its own straight gradient beside residual scatter of SD 1."""
    h = np.linspace(-1, 1, k)
    return (rng.standard_normal((studies, n, k)) + slope * h * rng.standard_normal((studies, n, 1))
            + 1.5 * rng.standard_normal((studies, n, 1)))  # fmt: skip


def test_complete_data_are_a_t_test_of_the_containers_own_differences():
    v = own_gradients(np.random.default_rng(1), 3, 7, 4)
    found = contrasts_of(v)
    for s in range(3):
        for p, row in enumerate(pair_rows(4)):
            ours, theirs = v[s] @ row, stats.ttest_1samp(v[s] @ row, 0.0)
            assert found.estimate[s, p] == pytest.approx(ours.mean())
            assert found.df[s, p] == 6
            assert found.unit_variance[s, p] == pytest.approx(1 / 7)  # of a mean of seven
            assert found.estimate[s, p] / found.se[s, p] == pytest.approx(float(theirs.statistic))


def test_groups_change_nothing_where_nothing_is_lost_and_other_contrasts_are_t_tests_too():
    v = own_gradients(np.random.default_rng(2), 1, 9, 3)
    Z = np.zeros((9, 2))
    Z[:4, 0] = Z[4:, 1] = 1
    rows = np.vstack([departure_rows(np.ones(3)), [-0.5, 0.0, 0.5]])
    found = contrasts_of(v, rows, groups=Z)
    for p, row in enumerate(rows):
        test = sm.OLS(v[0] @ row, np.ones(9)).fit().t_test([1.0])
        assert (found.estimate[0, p], found.se[0, p]) == pytest.approx((float(test.effect[0]), float(test.sd[0, 0])))
        assert found.df[0, p] == test.df_denom == 8


def test_one_depth_against_the_mean_of_the_others_is_no_pair():
    v = own_gradients(np.random.default_rng(8), 1, 9, 3)
    row = np.array([[1.0, -0.5, -0.5]])  # sizes add up to 2 and the largest is 1, as of a pair
    found, own = contrasts_of(v, row), v[0] @ row[0]
    assert found.estimate[0, 0] == pytest.approx(own.mean())
    assert found.estimate[0, 0] / found.se[0, 0] == pytest.approx(float(stats.ttest_1samp(own, 0.0).statistic))


def test_lost_readings_of_one_group_are_made_up_for_by_its_others():
    """statsmodels' least squares on the groups for the estimate; variance and df by their definition, dense."""
    v = own_gradients(np.random.default_rng(12), 1, 9, 2)
    v[0, [0, 2], 1] = np.nan
    Z = np.eye(2)[np.repeat([0, 1], [4, 5])]
    d = v[0, :, 1] - v[0, :, 0]
    there, at = np.isfinite(d), Z.mean(axis=0)
    fit = sm.OLS(d[there], Z[there]).fit()
    w = at @ np.linalg.inv(Z[there].T @ Z[there]) @ Z[there].T
    mean = float(at @ fit.params)
    scale = w / np.sqrt(np.sum((np.eye(7) - w) ** 2, axis=1))  # each deviation from the mean has this variance
    cov = np.diag(scale) @ (np.eye(7) - w) @ (np.eye(7) - w).T @ np.diag(scale)
    found = contrasts_of(v, groups=Z)
    assert found.estimate[0, 0] == pytest.approx(mean)
    assert found.se[0, 0] == pytest.approx(math.sqrt(np.sum((scale * (d[there] - mean)) ** 2)))
    assert found.df[0, 0] == pytest.approx(np.trace(cov) ** 2 / np.sum(cov**2))


def dense_cr2(v: np.ndarray, row: np.ndarray) -> tuple[float, float, float]:
    """Bell & McCaffrey's CR2 and its df by their definition, container dummies and all; v (n, k) with NaN."""
    n, k = v.shape
    i, j = np.nonzero(~np.isnan(v))
    X = np.hstack([np.eye(n)[i], np.eye(k)[j][:, 1:]])
    load = np.concatenate([np.zeros(n), row[1:]])
    bread = np.linalg.pinv(X.T @ X)
    y, H = v[i, j], X @ bread @ X.T
    left = np.eye(len(y)) - H
    meat, columns = 0.0, []
    for c in range(n):
        mine = i == c
        values, vectors = np.linalg.eigh(left[np.ix_(mine, mine)])
        root = np.where(values > 1e-9, np.maximum(values, 1e-9) ** -0.5, 0.0)
        a = load @ bread @ X[mine].T @ ((vectors * root) @ vectors.T)
        meat += float(a @ (left @ y)[mine]) ** 2
        columns.append(left[:, mine] @ a)
    omega = np.array(columns) @ np.array(columns).T
    return float(load @ bread @ X.T @ y), math.sqrt(meat), float(np.trace(omega) ** 2 / (omega**2).sum())


def test_lost_readings_are_judged_by_cr2_with_bell_and_mccaffreys_df():
    rng = np.random.default_rng(3)
    v = own_gradients(rng, 40, 8, 3)
    v[rng.random(v.shape) < 0.15] = np.nan
    found, agree = contrasts_of(v), 0
    for s in range(40):
        for p, row in enumerate(pair_rows(3)):
            if np.isnan(v[s]).any() and np.isfinite(found.se[s, p]):
                expected = dense_cr2(v[s], row)
                mine = (found.estimate[s, p], found.se[s, p], found.df[s, p])
                agree += bool(np.allclose(mine, expected, rtol=1e-7))  # else: the t over complete containers was shorter
    assert agree > 80


def test_one_container_more_with_one_reading_changes_nothing():
    v = own_gradients(np.random.default_rng(4), 2, 6, 3)
    more = np.concatenate([v, np.full((2, 1, 3), np.nan)], axis=1)
    more[:, -1, 1] = 5.0
    a, b = contrasts_of(v), contrasts_of(more)
    assert np.allclose(a.stacked()[:3], b.stacked()[:3])
    assert not contrasts_of(np.array([[[1.0, np.nan], [2.0, 3.0]]])).judged.any()  # one difference has no scatter


@pytest.mark.few(1)
@pytest.mark.parametrize("lost", [0.0, 0.15])
def test_error_rates_hold_where_each_container_has_its_own_gradient(lost):
    # pooled scatter: 12 % false homogeneous here (docs/operating.md); limit 5 % and 3.5 Monte Carlo errors
    rng, studies = np.random.default_rng(5), 12_000
    v = own_gradients(rng, studies, 12, 3)
    v[rng.random(v.shape) < lost] = np.nan
    edge = 8 * math.sqrt(10 / 12)
    rate = np.mean(word_codes(contrasts_of(v + np.linspace(0, edge, 3)), edge, depths=3) == 1)
    assert rate < 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / studies)
    assert rate > 0.04  # and it is not bought by refusing to speak
    step = np.array([0.0, 0.0, edge])  # two pairs at the margin: least favourable for stratified
    assert np.mean(word_codes(contrasts_of(v + step), edge, depths=3) == 2) < 0.05 + 0.007


def test_union_over_corners_for_two_and_three_depths():
    one = Contrasts(estimate=np.array([[2.5]]), se=np.ones((1, 1)), df=np.full((1, 1), 9.0), unit_variance=np.ones((1, 1)))
    assert p_beyond(one, 1.0, depths=2)[0, 0] == pytest.approx(stats.t.sf(1.5, 9) + stats.t.sf(3.5, 9))
    three = Contrasts(**{f: np.full((1, 3), x) for f, x in (("estimate", 2.5), ("se", 1.0), ("df", 9.0),
                                                            ("unit_variance", 1.0))})
    inner = 2 * (stats.t.sf(1.5, 9) + stats.t.sf(3.5, 9)) + 2 * stats.t.sf(2.5, 9)
    assert p_beyond(three, 1.0, depths=3)[0, 0] == pytest.approx(inner)
    assert p_beyond(three, 1e-9, depths=3)[0, 0] == pytest.approx(p_any(three)[0], rel=1e-6)  # margin 0: any gradient
    assert p_within(one, 4.0)[0, 0] == pytest.approx(stats.t.sf(1.5, 9))


def test_simultaneous_intervals_and_any_gradient_agree():
    v = own_gradients(np.random.default_rng(6), 400, 6, 3, 0.5) + np.array([0.0, 0.3, 0.9])
    c = contrasts_of(v)
    low, high = intervals(c, 0.95, together=True)
    assert np.array_equal(np.any((low > 0) | (high < 0), axis=1), p_any(c) < 0.05)


def test_no_scatter_is_floored_by_rounding_and_decides():
    flat = np.tile([10.0, 10.0], (1, 6, 1))
    assert word_codes(contrasts_of(flat), 1.0, depths=2)[0] == 1
    assert word_codes(contrasts_of(flat + np.array([0.0, 3.0])), 1.0, depths=2)[0] == 2
    floored = contrasts_of(flat, step=0.6)
    assert floored.se[0, 0] == pytest.approx(0.6 / math.sqrt(6 * 6))  # two uniform errors, six containers


def test_cell_means_of_uneven_rows():
    container, depth = np.array([0, 0, 0, 1, 1]), np.array([0, 0, 1, 0, 1])
    y = np.array([[1.0, 3.0, 5.0, 7.0, np.nan]])
    assert np.array_equal(cell_means(container, depth, y), [[[2.0, 5.0], [7.0, np.nan]]], equal_nan=True)


def test_cell_means_of_few_studies_and_of_many_are_the_same_to_the_bit():
    """Few studies of many rows are added up study by study, many of few rows row by row."""
    rng = np.random.default_rng(4)
    container, depth = rng.integers(0, 4, 30), rng.integers(0, 3, 30)
    y = rng.normal(7, 1, (50, 30))
    y[rng.random(y.shape) < 0.2] = np.nan
    many = cell_means(container, depth, y, (4, 3))
    assert np.array_equal(many[:7], cell_means(container, depth, y[:7], (4, 3)), equal_nan=True)


@pytest.mark.parametrize(("call", "words"), [
    (lambda: contrasts_of(np.zeros((3, 2))), "cells must be"),
    (lambda: contrasts_of(np.zeros((1, 3, 2)), np.array([[1.0, 1.0]])), "add up to zero"),
    (lambda: contrasts_of(np.zeros((1, 3, 2)), groups=np.ones((2, 1))), "one row per container"),
    (lambda: contrasts_of(np.zeros((1, 3, 2)), groups=np.ones((3, 2))), "independent columns"),
    (lambda: contrasts_of(np.zeros((1, 3, 2)), step=-1.0), "step must be"),
    (lambda: p_within(contrasts_of(np.zeros((1, 3, 2))), 0.0), "edge must be"),
    (lambda: pair_rows(1), "two depths"),
    (lambda: departure_rows(np.array([1.0])), "weights must be"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_whole_pairs_are_those_of_contrasts_of_to_rounding():
    for shape, scale in (((200, 9, 5), 1.0), ((50, 2, 2), 1e-3), ((50, 30, 7), 40.0)):
        cells = scale * np.random.default_rng(3).standard_normal(shape)
        fast, slow = whole_pairs(cells), contrasts_of(cells)
        for name in ("estimate", "se", "df", "unit_variance"):
            np.testing.assert_allclose(getattr(fast, name), getattr(slow, name), rtol=1e-12, atol=1e-15 * scale)


def test_the_unit_variance_of_a_pair_is_one_over_the_containers_that_have_both():
    v = own_gradients(np.random.default_rng(3), 1, 6, 2)
    v[0, 4, 1] = np.nan
    found = contrasts_of(v)
    assert found.unit_variance[0, 0] == pytest.approx(1 / 5)
    assert found.se[0, 0] == pytest.approx(np.diff(v[0], axis=1)[[0, 1, 2, 3, 5]].std(ddof=1) / math.sqrt(5))


def test_of_one_group_with_a_lost_reading_the_whole_containers_give_a_t_test():
    """Five of six containers have both depths: mean, sd / sqrt(5) and four degrees of freedom: CR2 of equal weights."""
    cells = np.array([[10.0, 12.0], [11.0, 15.0], [9.0, 10.0], [10.0, 16.0], [12.0, 13.0], [8.0, np.nan]])
    found = contrasts_of(cells[None])
    d = np.diff(cells[:5], axis=1).ravel()
    assert found.estimate.item() == pytest.approx(d.mean())
    assert found.se.item() == pytest.approx(d.std(ddof=1) / np.sqrt(5))
    assert found.df.item() == pytest.approx(4)
    assert found.unit_variance.item() == pytest.approx(1 / 5)
    groups = np.array([[1.0, 0], [1, 0], [1, 0], [0, 1], [0, 1], [0, 1]])
    two = contrasts_of(cells[None], groups=groups)  # half of the mix is each lot: (2 + 4 + 1) / 3 and (6 + 1) / 2
    assert two.estimate.item() == pytest.approx((7 / 3 + 7 / 2) / 2)


def dense_df(v: np.ndarray, row: np.ndarray, sigma: np.ndarray) -> float:
    """Satterthwaite's df of the CR2 variance were sigma every container's covariance, by its definition; v (n, k)."""
    n, k = v.shape
    i, j = np.nonzero(~np.isnan(v))
    X = np.hstack([np.eye(n)[i], np.eye(k)[j][:, 1:]])
    bread, load = np.linalg.pinv(X.T @ X), np.concatenate([np.zeros(n), row[1:]])
    left, columns = np.eye(len(i)) - X @ bread @ X.T, []
    for c in range(n):
        mine = i == c
        values, vectors = np.linalg.eigh(left[np.ix_(mine, mine)])
        root = (vectors * np.where(values > 1e-9, np.maximum(values, 1e-9) ** -0.5, 0.0)) @ vectors.T
        columns.append(left[:, mine] @ root.T @ X[mine] @ bread.T @ load)
    cov = np.where(i[:, None] == i, sigma[np.ix_(j, j)], 0.0)
    omega = np.array(columns) @ cov @ np.array(columns).T
    return float(np.trace(omega) ** 2 / (omega**2).sum())


def test_depths_that_hang_together_through_others_only_have_the_least_df_over_one_noisy_depth():
    """Top and bottom are together in two of eight containers: the df of a depth with ten times the scatter, dense."""
    rng = np.random.default_rng(21)
    v = own_gradients(rng, 1, 8, 3)[0]
    v[[0, 1, 2], 0] = np.nan
    v[[3, 4, 5], 2] = np.nan
    found, row = contrasts_of(v[None]), pair_rows(3)[1]
    noisy = [np.eye(3) + 99 * np.diag(np.eye(3)[d]) for d in range(3)]
    assert found.df[0, 1] == pytest.approx(min(dense_df(v, row, s) for s in (np.eye(3), *noisy)), rel=1e-7)
    assert found.df[0, 1] < dense_df(v, row, np.eye(3)) - 0.1
    assert (found.estimate[0, 1], found.se[0, 1]) == pytest.approx(dense_cr2(v, row)[:2])
    many = np.array([v, own_gradients(rng, 1, 8, 3)[0], v])  # patterns are worked out once and go to the right study
    again = contrasts_of(many)
    assert again.df[[0, 2], 1] == pytest.approx(found.df[0, 1])
    assert again.df[1, 1] == 7
    three = v.copy()
    three[0, 0] = 0.3  # in three together: the usual df
    assert contrasts_of(three[None]).df[0, 1] in (pytest.approx(dense_df(three, row, np.eye(3))), pytest.approx(2.0))


def given(estimate: list[float], df: float = 6.0, se: float = 1.0) -> Contrasts:
    """One study with these estimates."""
    e = np.array([estimate])
    return Contrasts(estimate=e, se=np.full(e.shape, se), df=np.full(e.shape, df), unit_variance=np.ones(e.shape))


@pytest.mark.parametrize("side", [1, -1])
def test_of_a_margin_on_one_side_only_that_side_counts(side):
    c = given([2.5, 0.4, -3.0])
    size = side * np.array([2.5, 0.4, -3.0])
    assert p_within(c, 1.0, side=side)[0] == pytest.approx(stats.t.sf(1.0 - size, 6))
    assert p_beyond(c, 1.0, side=side)[0] == pytest.approx(np.minimum(1.0, 3 * stats.t.sf(size - 1.0, 6)))
    assert p_beyond(c, 1.0, depths=3, side=side)[0] == pytest.approx(p_beyond(c, 1.0, side=side)[0])
    assert word_codes(given([side * 9.0, 0.0]), 1.0, side=side)[0] == 2
    assert word_codes(given([-side * 9.0, -side * 9.0]), 1.0, side=side)[0] == 1
    assert word_codes(given([-side * 9.0, 0.0]), 1.0, side=side)[0] == 0


def test_contrasts_that_are_no_pairs_are_charged_in_full():
    c = given([2.5, 0.4, -3.0])
    each = stats.t.sf(np.abs(c.estimate[0]) - 1, 6) + stats.t.sf(np.abs(c.estimate[0]) + 1, 6)
    assert p_beyond(c, 1.0)[0] == pytest.approx(np.minimum(1.0, 3 * each))
    four = [a * (4 - a) for a in (1, 2)]  # of four depths 3 or 4 of 6 pairs lie at the margin, the rest at zero
    c = given([2.5, 0.4, -3.0, 0.0, 1.0, 2.0])
    size = np.abs(c.estimate[0])
    near, middle = stats.t.sf(size - 1, 6) + stats.t.sf(size + 1, 6), 2 * stats.t.sf(size, 6)
    corners = np.max([m * near + (6 - m) * middle for m in four], axis=0)
    assert p_beyond(c, 1.0, depths=4)[0] == pytest.approx(np.minimum(1.0, corners))


def test_intervals_are_those_of_t_one_by_one_and_by_bonferroni():
    c = given([2.5, 0.4, -3.0], se=0.7)
    for together, share in ((False, 0.025), (True, 0.025 / 3)):
        low, high = intervals(c, 0.95, together=together)
        half = stats.t.isf(share, 6) * 0.7
        assert (low[0].tolist(), high[0].tolist()) == (pytest.approx(c.estimate[0] - half), pytest.approx(c.estimate[0] + half))
    assert p_any(c)[0] == pytest.approx(3 * 2 * stats.t.sf(3.0 / 0.7, 6))
    assert p_any(given([0.1, 0.2]))[0] == 1.0


def test_a_word_asks_for_a_p_value_below_alpha_and_an_estimate_beyond_the_edge():
    inside = given([0.0])
    p = float(p_within(inside, 3.0)[0, 0])
    assert word_codes(inside, 3.0, p)[0] == 0
    assert word_codes(inside, 3.0, math.nextafter(p, 1))[0] == 1
    outside = given([5.0])
    p = float(p_beyond(outside, 1.0, depths=2)[0, 0])
    assert word_codes(outside, 1.0, p, depths=2)[0] == 0
    assert word_codes(outside, 1.0, math.nextafter(p, 1), depths=2)[0] == 2
    for bad in (0.0, -1.0, math.inf):
        with pytest.raises(ValueError, match="edge must be"):
            p_beyond(outside, bad)


def test_a_contrast_is_judged_from_one_degree_of_freedom_on_and_an_unjudged_one_shows_nothing():
    c = given([5.0, 5.0], df=1.0)
    assert c.judged.all()
    assert not given([5.0], df=0.99).judged.any()
    assert not given([5.0], se=math.nan).judged.any()
    bad = Contrasts(estimate=np.array([[5.0, 0.0]]), se=np.array([[np.nan, 1e-3]]), df=np.full((1, 2), 6.0),
                    unit_variance=np.ones((1, 2)))
    assert p_within(bad, 1.0)[0, 0] == p_beyond(bad, 1.0)[0, 0] == 1.0
    assert p_any(bad)[0] == 1.0
    assert word_codes(bad, 1.0)[0] == 0
    assert np.isnan(intervals(bad, 0.9)[0][0, 0])


def test_without_any_scatter_zero_is_zero_and_all_else_is_shown():
    c = given([0.0, 2.0], se=0.0)
    assert p_any(c)[0] < 1e-100
    assert p_within(c, 2.0)[0] == pytest.approx([0.0, 0.5], abs=1e-100)  # on the edge itself nothing speaks for either side
    assert p_any(given([0.0, 0.0], se=0.0))[0] == 1.0


def test_rounding_sets_a_floor_to_each_study_and_numbers_of_the_computer_another():
    v = np.tile([10.0, 10.0, 11.0], (2, 6, 1))
    row = np.array([[-0.5, -0.5, 1.0]])
    found = contrasts_of(v, row, step=np.array([0.6, 0.0]))
    assert found.se[0, 0] == pytest.approx(0.6 * math.sqrt(1.5 / 12 / 6))  # three uniform errors with these coefficients
    assert found.se[1, 0] == pytest.approx(11e-13, rel=1e-6)
    wide = own_gradients(np.random.default_rng(1), 1, 6, 3)
    assert contrasts_of(wide, step=1e-3).se.tolist() == contrasts_of(wide).se.tolist()
    assert contrasts_of(-v, row).se[1, 0] == pytest.approx(11e-13, rel=1e-6)


@pytest.mark.parametrize("rows", [[[1.0, -1.0 + 2e-9, 0.0]], [[1.0, 0.0]], [[0.5, 0.5, 1e-3]]])
def test_rows_add_up_to_zero(rows):
    v = own_gradients(np.random.default_rng(1), 1, 6, 3)
    with pytest.raises(ValueError, match="add up to zero"):
        contrasts_of(v, np.array(rows))
    contrasts_of(v, np.array([1.0, -1.0 + 1e-12, 0.0]))
    contrasts_of(1e-12 * v, 1e6 * np.array([[1.0, -1.0 + 1e-12, 0.0]]))


def test_weights_of_departures_need_not_add_up_to_one():
    assert departure_rows(np.array([1.0, 3.0])).tolist() == [[0.75, -0.75], [-0.25, 0.25]]
    assert departure_rows(np.array([0.0, 2.0])).tolist() == [[1.0, -1.0], [0.0, 0.0]]
    for bad in ([1.0, -1e-3], [0.0, 0.0], [1.0, math.nan], [[1.0, 1.0]]):
        with pytest.raises(ValueError, match="weights must be"):
            departure_rows(np.array(bad))


def test_a_depth_lost_in_one_contrast_only_is_lost_there_alone():
    """Containers 0 and 1 lack depth 2; the contrast of depths 0 and 1 has all of them, by CR2 or t."""
    v = own_gradients(np.random.default_rng(14), 1, 6, 3)
    v[0, :2, 2] = np.nan
    rows = np.array([[-1.0, 1.0, 0.0], [0.5, 0.5, -1.0]])
    found = contrasts_of(v, rows)
    d = v[0, :, 1] - v[0, :, 0]
    assert found.estimate[0, 0] == pytest.approx(d.mean())
    assert (found.se[0, 0], found.df[0, 0]) == pytest.approx((d.std(ddof=1) / math.sqrt(6), 5))
    assert found.judged.all()


@pytest.mark.parametrize("each", [1, 2, 3])
def test_cell_means_of_even_rows_in_any_order(each):
    rng = np.random.default_rng(each)
    container, depth = (x.ravel() for x in np.meshgrid(np.arange(3), np.arange(2), indexing="ij"))
    container, depth = np.repeat(container, each), np.repeat(depth, each)
    y = rng.normal(size=(4, len(container)))
    for order in (np.arange(len(container)), rng.permutation(len(container))):
        found = cell_means(container[order], depth[order], y[:, order])
        assert found == pytest.approx(y.reshape(4, 3, 2, each).mean(axis=3))
    y[1, 0] = np.nan
    found = cell_means(container, depth, y)
    rest = y[1, 1:each]
    assert found[1, 0, 0] == pytest.approx(rest.mean()) if each > 1 else np.isnan(found[1, 0, 0])
    assert found[0] == pytest.approx(y.reshape(4, 3, 2, each).mean(axis=3)[0])
    more = cell_means(container, depth, y, (4, 3))
    assert np.array_equal(more[:, :3, :2], found, equal_nan=True)
    assert np.isnan(more[:, 3]).all()
    assert np.isnan(more[:, :, 2]).all()


def test_some_studies_are_taken_with_all_that_belongs_to_them():
    found = contrasts_of(own_gradients(np.random.default_rng(1), 4, 5, 3))
    some = found.taken(np.array([2, 0]))
    for name in ("estimate", "se", "df", "unit_variance"):
        assert np.array_equal(getattr(some, name), getattr(found, name)[[2, 0]])


def test_what_a_pattern_promises_is_half_a_ninety_per_cent_interval_in_units_of_a_container():
    c = Contrasts(estimate=np.zeros((1, 4)), se=np.array([[1.0, 1.0, np.nan, 1.0]]), df=np.array([[3.0, 9.0, 9.0, 0.5]]),
                  unit_variance=np.array([[0.2, 0.1, 0.1, 0.1]]))
    assert promised(c)[0] == pytest.approx([math.sqrt(0.2) * stats.t.isf(0.05, 3), math.sqrt(0.1) * stats.t.isf(0.05, 9),
                                            math.inf, math.inf])


@pytest.mark.parametrize("side", [0, 1, -1])
def test_p_values_end_at_one_and_of_what_is_not_judged_they_are_one(side):
    """Of a contrast far inside, near the edge, on the other side, and of one that one container alone has."""
    estimate = np.array([[0.0, 3.0, -3.0, 0.0]])
    c = Contrasts(estimate=np.where([False, False, False, True], np.nan, estimate), se=np.array([[1.0, 1.0, 1.0, np.nan]]),
                  df=np.array([[5.0, 5.0, 5.0, np.nan]]), unit_variance=np.ones((1, 4)))
    size = (np.abs(estimate) if side == 0 else side * estimate)[0, :3]
    within, beyond = p_within(c, 4.0, side=side)[0], p_beyond(c, 4.0, side=side)[0]
    assert within[:3] == pytest.approx(stats.t.sf(4.0 - size, 5))
    one = stats.t.sf(size - 4.0, 5)
    if side:
        assert beyond[:3] == pytest.approx(np.minimum(4 * one, 1))
    assert (within[3], beyond[3]) == (1.0, 1.0)
    assert beyond.max() == 1.0
