"""Owen's Q and exact power against published values, simulation and limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from studykit.inference.tost_power import (
    beyond_power,
    owens_q,
    smallest_margin,
    tost_power,
)


def crossover(cv: float, ratio: float, n: int, low: float = 0.8, high: float = 1.25, n1: int | None = None):
    """2x2 crossover on the log scale: s = sqrt(ln(1 + CV^2)), se = s sqrt((1/n1 + 1/n2)/2), df n - 2."""
    a = n // 2 if n1 is None else n1
    se = math.sqrt(math.log1p(cv * cv)) * math.sqrt((1 / a + 1 / (n - a)) / 2)
    return tost_power(math.log(ratio), se, n - 2, math.log(low), math.log(high))


# PowerTOST 1.5-6 manual and tests (CRAN), function OwensQ; theory Owen 1965, Phillips 1990
@pytest.mark.parametrize(("nu", "t", "delta", "high", "value", "tolerance"), [
    (10, 2.5, 5, 2, 9.388137e-06, 1e-11),
    (10, -2.5, -5, 2, 0.05264363, 1e-8),
    (2, 2.92, 4.2135, 2.0407, 0.0731726, 1e-7),
])
def test_owens_q_published(nu, t, delta, high, value, tolerance):
    assert owens_q(nu, t, delta, 0, high) == pytest.approx(value, abs=tolerance)


def test_owens_q_without_an_upper_limit_is_the_noncentral_t():
    # Q_nu(t, delta; 0, inf) = P(noncentral t <= t), Owen 1965
    for nu, t, delta in [(3, 1.5, 0.7), (10, 2.5, 2.0), (40, -1.0, -0.5), (200, 2.0, 1.0)]:
        assert owens_q(nu, t, delta) == pytest.approx(float(stats.nct.cdf(t, nu, delta)), abs=1e-9)


# PowerTOST 1.5-6 manual (CRAN), power.TOST
def test_tost_power_published():
    assert crossover(0.25, 0.95, 24) == pytest.approx(0.7391155, abs=1e-7)
    assert crossover(0.25, 0.95, 22) == pytest.approx(0.6953401, abs=1e-7)
    assert crossover(0.25, 0.95, 22, n1=10) == pytest.approx(0.6912935, abs=1e-7)
    # sample size CV 0.3, ratio 0.95: n 40, power 0.815845
    assert crossover(0.30, 0.95, 40) == pytest.approx(0.815845, abs=1e-6)
    # parallel groups, raw scale, +-0.2, true -0.05, SD 0.2: n 48 in all, power 0.815435
    assert tost_power(-0.05, 0.2 * math.sqrt(4 / 48), 46, -0.2, 0.2) == pytest.approx(0.815435, abs=1e-6)


# Hauschke, Steinijans, Pigeot 2007 Table 5.1 (= Diletti 1991): 0.80-1.25, alpha 0.05, power 80 %, N in all
HAUSCHKE_51 = {
    0.10: {0.85: 36, 0.90: 12, 0.95: 8, 1.00: 6, 1.05: 8, 1.10: 10, 1.15: 20, 1.20: 76},
    0.20: {0.85: 134, 0.90: 38, 0.95: 20, 1.00: 16, 1.05: 18, 1.10: 32, 1.15: 72, 1.20: 294},
    0.30: {0.85: 292, 0.90: 80, 0.95: 40, 1.00: 32, 1.05: 38, 1.10: 68, 1.15: 156, 1.20: 642},
    0.40: {0.85: 502, 0.90: 134, 0.95: 66, 1.00: 54, 1.05: 64, 1.10: 114, 1.15: 266, 1.20: 1104},
}
# the same book, Table 5.3 (0.90-1.11), power 80 %
HAUSCHKE_53 = {0.05: {0.95: 14, 0.975: 8, 1.00: 6, 1.025: 8, 1.05: 12},
               0.15: {0.95: 96, 0.975: 46, 1.00: 36, 1.025: 46, 1.05: 88}}


@pytest.mark.parametrize(("table", "low", "high"), [(HAUSCHKE_51, 0.8, 1.25), (HAUSCHKE_53, 0.9, 1 / 0.9)])
def test_sample_sizes_of_the_textbook(table, low, high):
    for cv, row in table.items():
        s = math.sqrt(math.log1p(cv * cv))
        for ratio, n in row.items():
            power = [tost_power(math.log(ratio), s * math.sqrt(2 / k), k - 2.0, math.log(low), math.log(high))
                     for k in (n - 2, n)]
            assert power[0] < 0.8 <= power[1], (cv, ratio)


def test_power_by_simulation_third_road():
    rng = np.random.default_rng(5)
    true, se, df = 0.4, 0.35, 5
    est = true + se * rng.standard_normal(400_000)
    hat = se * np.sqrt(rng.chisquare(df, est.size) / df)
    t = stats.t.isf(0.05, df)
    seen = np.mean((est - t * hat > -1.5) & (est + t * hat < 1.5))
    assert tost_power(true, se, df, -1.5, 1.5) == pytest.approx(seen, abs=4 * math.sqrt(0.25 / est.size))


def test_size_at_the_margin_is_alpha_at_most_and_zero_where_the_margin_is_out_of_reach():
    for df in (2, 11, math.inf):
        assert tost_power(1.0, 0.1, df, -1, 1) == pytest.approx(0.05, abs=1e-6)
        assert tost_power(1.0, 0.5, df, -1, 1) <= 0.05
    # known scatter: se so large that two t se exceed the width of the margin
    assert tost_power(0.0, 0.7, math.inf, -1, 1) == 0.0


def test_beyond_power_is_the_noncentral_t():
    for df in (3, 11, 40):
        t = stats.t.isf(0.05, df)
        exact = stats.nct.sf(t, df, 2.0) + stats.nct.sf(t, df, -4.0)
        assert beyond_power(3.0, 1.0, df, 1.0) == pytest.approx(float(exact), abs=1e-5)
    assert beyond_power(-3.0, 1.0, 11, 1.0) == beyond_power(3.0, 1.0, 11, 1.0)


def test_inverses_put_back_into_their_definitions():
    m = smallest_margin(0.8, 7, power=0.9, true=0.3)
    assert tost_power(0.3, 0.8, 7, -m, m) == pytest.approx(0.9, abs=1e-8)


@pytest.mark.parametrize(("call", "words"), [
    (lambda: owens_q(0, 1, 1), "nu must be above 0"),
    (lambda: owens_q(3, 1, 1, 2, 1), "low and high must satisfy"),
    (lambda: tost_power(0, 0, 5, -1, 1), "se must be above 0"),
    (lambda: tost_power(0, 1, 0, -1, 1), "df must be above 0"),
    (lambda: tost_power(0, 1, 5, 1, -1), "low must be below high"),
    (lambda: tost_power(0, 1, 5, -1, 1, alpha=0.7), "alpha must lie between"),
    (lambda: beyond_power(0, 1, 5, -1), "margin must be 0 or more"),
    (lambda: smallest_margin(1, 5, power=0.01), "power must lie between"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_two_containers_have_one_degree_of_freedom_and_a_power_all_the_same():
    """The interval of 90 % is +-6.314 SE then. By quadrature over the one standard normal value that the scatter hangs on."""
    z = (np.arange(200_000) + 0.5) * 1e-5 / 2  # se = 0.05 |z|; beyond 1 nothing fits into the margin
    half = 6.3138 * 0.05 * z
    inside = stats.norm.cdf((0.25 - half - 0.1) / 0.05) - stats.norm.cdf((-0.25 + half - 0.1) / 0.05)
    by_hand = 2 * float((np.maximum(inside, 0) * stats.norm.pdf(z)).sum() * 5e-6)
    assert tost_power(0.1, 0.05, 1, -0.25, 0.25) == pytest.approx(by_hand, abs=1e-5)
