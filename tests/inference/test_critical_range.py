"""Critical ranges and the arithmetic of single results against published factors and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from studykit.inference.critical_range import (
    critical_range_factor,
    detection_table,
    flag_chance,
    linear_profile,
    range_power,
    range_sf,
    singles_arithmetic,
    smallest_range_seen,
)


def test_critical_range_factors():
    # ISO 5725-6:1994 Table 1, from memory, check your copy: f(2) 2.8, f(3) 3.3, f(4) 3.6, f(5) 3.9, f(6) 4.0
    printed = {2: 2.8, 3: 3.3, 4: 3.6, 5: 3.9, 6: 4.0}
    assert {k: round(critical_range_factor(k), 1) for k in printed} == printed
    # f(2) = 1.96 sqrt 2 exactly
    assert critical_range_factor(2) == pytest.approx(1.959963984540054 * math.sqrt(2), abs=1e-9)
    # two results, at any level: sqrt 2 times the normal quantile
    for level in (0.1, 0.999):
        assert critical_range_factor(2, level) == pytest.approx(math.sqrt(2) * stats.norm.ppf((1 + level) / 2), abs=1e-9)
    # scipy's studentised range with many degrees of freedom is an independent road
    for k in (3, 4, 5, 8):
        assert critical_range_factor(k) == pytest.approx(stats.studentized_range.ppf(0.95, k, np.inf), abs=1e-6)
        assert critical_range_factor(k, 0.99) == pytest.approx(stats.studentized_range.ppf(0.99, k, np.inf), abs=1e-6)


def test_range_with_unequal_means_by_simulation():
    rng = np.random.default_rng(2)
    means = [0.0, 0.5, 2.5, 1.0]
    x = rng.standard_normal((400_000, 4)) + means
    for w in (1.5, 3.0, 4.5):
        assert range_sf(w, means) == pytest.approx(np.mean(np.ptp(x, axis=1) > w), abs=4 * math.sqrt(0.25 / 400_000))
    assert range_sf(0.0, means) == 1.0
    assert range_sf(3.0, [100.0, 100.5, 102.5, 101.0]) == pytest.approx(range_sf(3.0, means), abs=1e-12)


def test_far_apart_means_are_always_seen():
    assert range_sf(3.0, [0.0, 40.0]) == pytest.approx(1.0)


# The arithmetic of single results: formulas 1.645 sqrt(2) s_r, (1.645 + 1.282) sqrt(2) s_r, f(3) s_r,
# studentised range; computed independently when the kit was planned, printed to the digits below
def test_arithmetic_of_singles():
    a = singles_arithmetic(3, 1, 10)
    assert round(a.never, 2) == 0.84
    assert round(a.pair, 1) == 1.5
    assert round(a.all_pairs, 1) == 1.7
    assert round(a.range_rule, 2) == 1.20
    assert round(a.naive_alarm, 2) == 0.12
    assert round(flag_chance(10, 3, rule="r"), 2) == 0.73
    assert round(flag_chance(6, 3), 2) == 0.26
    assert [round(singles_arithmetic(k).range_rule, 2) for k in (2, 3, 4, 5)] == [1.0, 1.20, 1.31, 1.39]
    # six results: the range exceeds r in 37 % of cases
    assert round(singles_arithmetic(6).naive_alarm, 2) == 0.37


def test_arithmetic_of_replicated_draws():
    # 2 and 4 draws a depth: 1.06 r and 0.75 r for one pair, 1.23 r and 0.87 r for all pairs (the latter two
    # were simulated when the kit was planned: 1.21 and 0.86 here by quadrature)
    two, four = singles_arithmetic(3, 2), singles_arithmetic(3, 4)
    assert (round(two.pair, 2), round(four.pair, 2)) == (1.06, 0.75)
    assert two.all_pairs == pytest.approx(1.23, abs=0.03)
    assert four.all_pairs == pytest.approx(0.87, abs=0.02)


def test_all_pairs_margin_has_its_chance_by_simulation():
    a = singles_arithmetic(3, 1)
    rng = np.random.default_rng(8)
    x = rng.standard_normal((300_000, 3))
    r = 1.959963984540054 * math.sqrt(2)
    shown = np.ptp(x, axis=1) + stats.norm.isf(0.05) * math.sqrt(2) < a.all_pairs * r
    assert np.mean(shown) == pytest.approx(0.8, abs=4 * math.sqrt(0.16 / len(x)))


def test_detection_power():
    # single results at three depths, true difference in s_r: range rule / one-sided contrast, computed
    # when the kit was planned: 3: 46 / 68 %, 4: 72 / 88 %, 5: 90 / 97 %
    assert detection_table()["difference in s_r"].tolist() == [2, 3, 4, 5, 6]
    assert detection_table().iloc[-1].tolist() == detection_table(3, (6,)).iloc[0].tolist()
    table = detection_table(3, (3, 4, 5)).round(2)
    assert table["range"].tolist() == [0.46, 0.72, 0.90]
    assert table["contrast"].tolist() == [0.68, 0.88, 0.97]


def test_smallest_seen_inverts_power():
    d = smallest_range_seen(4, 0.9)
    assert range_power(4, d) == pytest.approx(0.9, abs=1e-8)
    assert linear_profile(3, 2.0) == [0.0, 1.0, 2.0]


def test_sentences_say_the_numbers():
    text = " ".join(singles_arithmetic(3, 1, 6).sentences())
    for piece in ("below 0.84 r", "1.5 r for a chance of 80 %", "judged by 1.20 r", "12 % of cases", "chance of 26 %"):
        assert piece in text
    assert "means of 2 results" in singles_arithmetic(3, 2).sentences()[0]
    assert singles_arithmetic(3).to_table()["value"].tolist()[0] == pytest.approx(0.839, abs=1e-3)


# scipy's studentised range, another quadrature; and equal means where the scatter is known
@pytest.mark.parametrize(("k", "df"), [(2, 3.0), (3, 2.0), (3, 11.0), (5, 60.0), (4, math.inf)])
def test_the_studentised_range(k, df):
    for w in (1.0, 3.3, 6.0):
        assert range_sf(w, [0.0] * k, df) == pytest.approx(float(stats.studentized_range.sf(w, k, df)), abs=1e-9)


@pytest.mark.parametrize(("call", "words"), [
    (lambda: range_sf(1, [0.0]), "means must be two or more"),
    (lambda: critical_range_factor(1), "k must be at least 2"),
    (lambda: critical_range_factor(3, 1.0), "level must lie"),
    (lambda: flag_chance(0), "analytes must be 1 or more"),
    (lambda: flag_chance(3, rule="guess"), "rule 'critical range' or 'r'"),
    (lambda: singles_arithmetic(1), "depths must be at least 2"),
    (lambda: smallest_range_seen(3, 0.01), "power must lie"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
