"""Simultaneous quantiles against Tukey's range and simulation; the test beyond the margin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from studykit.inference.simultaneous import (
    at_least,
    beyond_margin_p,
    beyond_sf,
    critical_value,
    departure_matrix,
    largest_sf,
    pair_matrix,
)


def pair_corr(cov: np.ndarray) -> np.ndarray:
    pairs = pair_matrix(len(cov))
    full = pairs @ cov @ pairs.T
    sd = np.sqrt(np.diag(full))
    return full / np.outer(sd, sd)


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("df", [4.0, 22.0])
def test_equal_depths_give_the_studentised_range(k, df):
    # Tukey: all pairs of k equal, independent means; scipy's studentized_range is an independent road.
    # Tolerance: exact quadrature to 3 depths, product rule at 4, 16 384 Sobol directions from 5 on.
    tolerance = {2: 1e-8, 3: 1e-7, 4: 5e-5, 5: 3e-4, 6: 1e-3}[k]
    expected = stats.studentized_range.ppf(0.95, k, df) / math.sqrt(2)
    assert critical_value(pair_corr(np.eye(k)), df) == pytest.approx(expected, rel=tolerance)


def test_known_scatter_gives_the_critical_range_factors():
    # ISO 5725-6:1994 Table 1, critical range factors f(n) at 95 % (2.8, 3.3, 3.6, 3.9), from memory
    for k, f in [(2, 2.8), (3, 3.3), (4, 3.6), (5, 3.9)]:
        assert round(critical_value(pair_corr(np.eye(k)), math.inf) * math.sqrt(2), 1) == f


def test_unequal_covariance_by_simulation():
    rng = np.random.default_rng(1)
    cov = np.array([[1.0, 0.3, 0.1, 0.0], [0.3, 2.0, 0.2, 0.1], [0.1, 0.2, 0.5, 0.0], [0, 0.1, 0.0, 1.2]])
    pairs, df = pair_matrix(4), 7
    c = critical_value(pair_corr(cov), df)
    means = rng.multivariate_normal(np.zeros(4), cov, 300_000)
    scale = np.sqrt(rng.chisquare(df, len(means)) / df)
    t = np.abs(means @ pairs.T) / np.sqrt(np.diag(pairs @ cov @ pairs.T)) / scale[:, None]
    assert np.mean(t.max(axis=1) > c) == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / len(means)))


def test_one_contrast_is_students_t_and_quantile_inverts_the_tail():
    assert critical_value(np.eye(1), 9) == pytest.approx(stats.t.isf(0.025, 9), rel=1e-9)
    assert critical_value(np.eye(1), 9, two_sided=False) == pytest.approx(stats.t.isf(0.05, 9), rel=1e-9)
    corr = pair_corr(np.diag([1.0, 2.0, 0.4]))
    assert largest_sf(critical_value(corr, 6, 0.9), corr, 6) == pytest.approx(0.10, abs=1e-7)


def test_tabulated_tail():
    from scipy import special

    from studykit.inference.simultaneous import _chi_tail

    radius = np.linspace(0, 15.9, 7001)
    for d in (1, 2, 4, 6):
        assert np.abs(_chi_tail(radius, d) - special.chdtrc(d, radius**2)).max() < 1e-7
    assert _chi_tail(np.array([1e8]), 3)[0] < 1e-50


def test_same_call_same_digits():
    corr = pair_corr(np.diag([1.0, 2.0, 0.4, 1.0, 1.3]))
    assert critical_value(corr, 6) == critical_value(corr, 6)


def test_two_depths_reduce_to_a_one_sided_t_beyond_either_edge():
    means, cov, df, margin = np.array([0.0, 2.4]), np.diag([0.2, 0.2]), 8, 1.0
    se = math.sqrt(0.4)
    t = (2.4 - 1.0) / se
    # rejected beyond +margin, or (hardly ever) beyond -margin
    assert beyond_margin_p(means, cov, df, margin) == pytest.approx(stats.t.sf(t, df), abs=2e-4)
    assert beyond_margin_p(means, cov, df, 0.0) == pytest.approx(2 * stats.t.sf(2.4 / se, df), rel=1e-4)


@pytest.mark.parametrize(("k", "df"), [(3, math.inf), (3, 5), (5, 8), (5, math.inf)])
def test_beyond_the_margin_keeps_its_size_at_the_worst_corner(k, df):
    # simulate the range statistic at the corner: half of the depths at 0, half at the margin
    rng = np.random.default_rng(k)
    n, margin, sd = 400_000, 2.0, 0.6
    means = np.where(np.arange(k) < k // 2, 0.0, margin) + sd * rng.standard_normal((n, k))
    scale = np.ones(n) if math.isinf(df) else np.sqrt(rng.chisquare(df, n) / df)
    seen = (np.ptp(means, axis=1) - margin) / (sd * math.sqrt(2) * scale)
    for t in (1.5, 2.2, 3.0):
        expected = np.mean(seen >= t)
        got = beyond_sf(t, margin / (sd * math.sqrt(2)), np.eye(k), df)
        assert got == pytest.approx(expected, abs=4 * math.sqrt(expected / n) + 1e-4)


def test_other_corners_and_the_inside_are_never_worse():
    rng = np.random.default_rng(7)
    n, margin, sd, k = 200_000, 1.5, 0.8, 5
    noise = sd * rng.standard_normal((n, k))
    t = 1.9
    bound = beyond_sf(t, margin / (sd * math.sqrt(2)), np.eye(k), math.inf)
    for truth in ([0, 0, 0, 0, 1.5], [0, 0.4, 0.75, 1.1, 1.5], [0, 0, 0, 1.5, 1.5], [0, 0, 0, 0, 0],
                  [0, 0.75, 0.75, 0.75, 1.5]):
        seen = np.mean((np.ptp(noise + np.array(truth), axis=1) - margin) / (sd * math.sqrt(2)) >= t)
        assert seen <= bound + 4 * math.sqrt(bound / n)


def test_unequal_depths_search_all_corners():
    cov = np.diag([1.0, 0.2, 0.2, 3.0])
    full = beyond_sf(1.5, 1.0, cov, 10)
    assert full == max(beyond_sf(1.5, 1.0, cov, 10, (i,)) for i in range(7))
    assert len({round(beyond_sf(1.5, 1.0, cov, 10, (i,)), 6) for i in range(7)}) > 3


def test_at_least_is_where_the_p_value_crosses_alpha():
    for cov in (np.eye(3) * 0.3, np.diag([0.2, 0.5, 0.3])):
        means = np.array([0.0, 0.4, 3.5])
        bound = at_least(means, cov, 9)
        assert 0 < bound < 3.5
        assert beyond_margin_p(means, cov, 9, bound) == pytest.approx(0.05, abs=1e-4)
    assert at_least(np.array([0.0, 0.1, 0.2]), np.eye(3), 9) == 0.0


def test_nothing_beyond_the_margin_gives_one():
    assert beyond_margin_p(np.array([0.0, 0.9]), np.eye(2) * 1e-6, 5, 1.0) == 1.0


def test_many_depths_fall_back_to_the_two_sided_tail():
    cov = np.eye(8)
    assert beyond_sf(2.0, 1.0, cov, math.inf) == largest_sf(2.0, pair_corr(cov), math.inf)


def test_matrices():
    assert pair_matrix(3).tolist() == [[-1, 1, 0], [-1, 0, 1], [0, -1, 1]]
    d = departure_matrix(np.array([1.0, 2.0, 1.0]))
    assert d[0].tolist() == [0.75, -0.5, -0.25]
    assert np.abs(d @ np.ones(3)).max() < 1e-15


@pytest.mark.parametrize(("call", "words"), [
    (lambda: pair_matrix(1), "k must be at least 2"),
    (lambda: departure_matrix(np.array([0.0, 0.0])), "weights must be"),
    (lambda: critical_value(np.eye(2) * 2, 5), "ones on its diagonal"),
    (lambda: critical_value(np.eye(2), 0), "df must be above 0"),
    (lambda: critical_value(np.eye(2), 5, 1.0), "level must lie between"),
    (lambda: largest_sf(-1, np.eye(2), 5), "c must be 0 or more"),
    (lambda: beyond_margin_p(np.zeros(2), np.eye(3), 5, 1), "cov must be 2 x 2"),
    (lambda: beyond_margin_p(np.zeros(2), np.eye(2), 5, -1), "margin must be 0 or more"),
    (lambda: beyond_margin_p(np.ones(2), np.ones((2, 2)), 5, 1), "standard error above 0"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
