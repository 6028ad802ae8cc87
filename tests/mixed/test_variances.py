"""Intervals for scatter: definition, coverage, exact limits, own against published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from studykit.mixed.variances import check_repeatability, component_upper, ratio_upper, sd_interval, sd_upper


def test_sd_interval_factors():
    # 10 duplicate pairs leave the true SD between 0.70 and 1.75 times the estimate, 5 pairs 0.62 to 2.45
    assert tuple(round(x, 2) for x in sd_interval(1.0, 10)) == (0.70, 1.75)
    assert tuple(round(x, 2) for x in sd_interval(1.0, 5)) == (0.62, 2.45)
    assert stats.chi2.cdf(7 / sd_upper(1.0, 7) ** 2, 7) == pytest.approx(0.05)


@pytest.mark.parametrize(("df", "df_below"), [(2, 3), (5, 12), (11, 24)])
@pytest.mark.parametrize("truth", [0.0, 0.1, 1.0, 5.0])
def test_component_bound_covers(df, df_below, truth):
    rng = np.random.default_rng(df)
    runs = 1500
    ms = (1 + 2 * truth) * rng.chisquare(df, runs) / df
    below = rng.chisquare(df_below, runs) / df_below
    upper = np.array([component_upper(a, df, b, df_below, 2) for a, b in zip(ms, below, strict=True)])
    covered = np.mean(upper >= truth - 1e-12)
    assert covered > 0.95 - 3.5 * math.sqrt(0.05 * 0.95 / runs) - 0.005
    if truth >= 1.0:
        assert covered < 0.975  # not trivially wide


def test_component_bound_where_the_estimate_is_zero():
    # MS below the one beneath it: the estimate is zero, the bound is not
    assert component_upper(0.8, 11, 1.0, 24, 2) > 0.1


def test_known_variance_beneath_is_exact_and_the_limit_of_many_degrees_of_freedom():
    exact = component_upper(3.0, 6, 1.0, math.inf, 2)
    total = 1.0 + 2 * exact
    assert stats.chi2.cdf(6 * 3.0 / total, 6) == pytest.approx(0.05)
    assert component_upper(3.0, 6, 1.0, 1e7, 2) == pytest.approx(exact, rel=1e-3)


def test_ratio_bound_is_exact():
    r = ratio_upper(3.0, 6, 1.0, 20, 2)
    assert stats.f.cdf(3.0 / (1 + 2 * r), 6, 20) == pytest.approx(0.05)
    assert ratio_upper(0.01, 6, 1.0, 20, 2) == 0.0


def test_own_repeatability_against_the_stated_one():
    assert check_repeatability(1.1, 24, 1.0).word == "agrees"
    small = check_repeatability(0.4, 24, 1.0)
    assert small.word == "smaller"
    assert "independent determinations" in small.sentence()
    large = check_repeatability(2.0, 24, 1.0)
    assert large.word == "larger"
    assert "look for a cause" in large.sentence()
    assert (large.low, large.high) == sd_interval(2.0, 24)


@pytest.mark.parametrize(("call", "words"), [
    (lambda: sd_interval(-1, 5), "finite number >= 0"),
    (lambda: sd_interval(1, 0), "df must be above 0"),
    (lambda: sd_upper(1, 5, 1.0), "level must lie"),
    (lambda: component_upper(1, 5, 1, 5, 0), "n must be at least 1"),
    (lambda: component_upper(-1, 5, 1, 5, 1), "finite number >= 0"),
    (lambda: ratio_upper(1, 5, 0, 5, 1), "ms_below must be above 0"),
    (lambda: check_repeatability(1, 5, 0), "stated must be"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
