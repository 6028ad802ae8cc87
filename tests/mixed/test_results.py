"""Answers of a fit that need no fit: intervals against margins, what is a contrast, when a joint test is not to be trusted."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from studykit.core.interval import Interval
from studykit.mixed.denominator import _moments_matched, half_width, p_value
from studykit.mixed.results import _effects, _shared, caution, contrast_matrix

SPAN = Interval(low=-1.0, high=2.0, level=0.9)


@pytest.mark.parametrize(("low", "high", "within"), [(-1.1, 2.1, True), (-1.0, 2.1, False), (-1.1, 2.0, False),
                                                     (0.0, 3.0, False), (-3.0, 0.0, False)])
def test_within_is_strictly_inside_both_edges(low: float, high: float, within: bool) -> None:
    assert SPAN.within(low, high) is within


@pytest.mark.parametrize(("low", "high", "beyond"), [(2.1, 3.0, True), (2.0, 3.0, False), (-3.0, -1.1, True),
                                                     (-3.0, -1.0, False), (-0.5, 0.5, False), (-5.0, 5.0, False)])
def test_beyond_is_wholly_outside_on_one_side(low: float, high: float, beyond: bool) -> None:
    assert SPAN.beyond(low, high) is beyond
    assert tuple(SPAN) == (-1.0, 2.0)


@pytest.mark.parametrize(("df1", "df2", "scale", "told"), [
    (1, 1.0, 0.5, False), (2, 2.5, 1.0, True), (2, 2.6, 1.0, False), (2, 9.0, 0.8, True), (2, 9.0, 0.81, False),
    (2, 9.0, 1.25, True), (2, 9.0, 1.24, False), (3, 2.0, 1.5, True)])
def test_a_joint_test_of_few_containers_is_cautioned_against(df1: int, df2: float, scale: float, told: bool) -> None:
    """More than 2.5 denominator degrees of freedom and a scale between 0.8 and 1.25: nothing; of one contrast never."""
    said = caution(df1, df2, scale)
    assert bool(said) is told
    assert (f"({df2:.1f} denominator degrees of freedom, scale {scale:.2f})" in said) is told


NAMES = ("Intercept", "depth[b]", "depth[c]")


def test_what_is_a_contrast() -> None:
    matrix, single = contrast_matrix([0, 1, -1], NAMES)
    assert (matrix.tolist(), single) == ([[0, 1, -1]], True)
    matrix, single = contrast_matrix([[0, 1, 0], [0, 0, 1]], NAMES)
    assert (matrix.shape, single) == ((2, 3), False)
    assert contrast_matrix([[0, 1, 0], [0, 2, 0]], NAMES, independent=False)[0].shape == (2, 3)


@pytest.mark.parametrize(("L", "why"), [
    ([0, 1], "one number for each of"), ([[[0, 1, 0]]], "one number for each of"), (np.zeros((0, 3)), "one number for each of"),
    ([0, np.nan, 1], "finite rows"), ([0, 0, 0], "not all zero"), ([[0, 1, 0], [0, 0, 0]], "not all zero"),
    ([[0, 1, 0], [0, 2, 0]], "its 2 rows have rank 1"), ([[0, 1, 0], [0, 0, 1], [0, 1, 1]], "its 3 rows have rank 2")])
def test_what_is_none(L: object, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        contrast_matrix(L, NAMES)  # type: ignore[arg-type]


def test_terms_that_share_effects_stand_with_their_covariances() -> None:
    """theta: residual, three variances, then a covariance a pair; of pairs (0, 2) and (1, 2)."""
    blocks = SimpleNamespace(k=3, pairs=((0, 2), (1, 2)))
    theta = np.array([1.0, 10.0, 20.0, 30.0, 4.0, 5.0])
    assert _shared(blocks, theta, 0) == [(0, 10.0), (2, 4.0)]  # type: ignore[arg-type]
    assert _shared(blocks, theta, 1) == [(1, 20.0), (2, 5.0)]  # type: ignore[arg-type]
    assert _shared(blocks, theta, 2) == [(2, 30.0), (0, 4.0), (1, 5.0)]  # type: ignore[arg-type]


def test_effects_return_to_their_unit_and_rounding_below_zero_is_none() -> None:
    told = _effects(SimpleNamespace(name="container", levels=("A", "B")), np.array([1.0, -2.0]), np.array([4.0, -1e-18]), 3.0)  # type: ignore[arg-type]
    assert (told.values, told.prediction_error) == ((3.0, -6.0), (6.0, 0.0))
    assert told.to_table().to_dict("list") == {"level": ["A", "B"], "value": [3.0, -6.0], "prediction_error": [6.0, 0.0]}


@pytest.mark.parametrize("q", [2, 3, 5])
@pytest.mark.parametrize("m", [7, 12, 40])
def test_moments_match_the_two_cases_in_which_an_f_is_exact(q: int, m: int) -> None:
    """Kenward & Roger 1997, section 3: one mean square on m df gives A1 = 2 q^2 / m, A2 = 2 q / m and an F on q and m;
    Hotelling's T^2 on m df gives A1 = 2 q / m, A2 = q (q + 1) / m and, times (m - q + 1) / m, an F on q and m - q + 1."""
    assert _moments_matched(q, 2 * q**2 / m, 2 * q / m) == pytest.approx((m, 1.0))
    assert _moments_matched(q, 2 * q / m, q * (q + 1) / m) == pytest.approx((m - q + 1, (m - q + 1) / m))


def test_df_and_scale_are_those_of_the_moments_whatever_their_signs() -> None:
    """Kenward & Roger 1997, section 3, as printed: E and V of the statistic, rho = V / (2 E^2), m = 4 + (q + 2) / (q rho - 1)
    and lambda = m / (E (m - 2)); small designs reach factors below zero too."""
    signs = set()
    for q in (2, 3, 6):
        for A1 in (0.3, 2.0, 7.0, 30.0):
            for A2 in (0.2, 0.9, 2.4, 5.0, 9.0):
                B = (A1 + 6 * A2) / (2 * q)
                g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
                d = 3 * q + 2 * (1 - g)
                c1, c2, c3 = g / d, (q - g) / d, (q + 2 - g) / d
                E = 1 / (1 - A2 / q)
                V = 2 / q * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
                m = 4 + (q + 2) / (q * V / (2 * E**2) - 1)
                scale = 1.0 if abs(m - 2) < 0.01 else m / (E * (m - 2))  # at 2 the formula has a pole; pbkrtest takes 1 there
                assert _moments_matched(q, A1, A2) == pytest.approx((m, scale), rel=1e-8)
                signs.add((c1 * B > -1, q > A2, c2 * B < 1))
    assert len(signs) >= 5


def test_half_a_t_interval_and_the_tail_of_f() -> None:
    from scipy import stats

    assert half_width(0.5, 7, 0.9) == pytest.approx(0.5 * stats.t.isf(0.05, 7))
    assert p_value(4.0, 1, 9) == pytest.approx(2 * stats.t.sf(2.0, 9))  # F on one df is t squared
    assert p_value(3.0, 2, 9) == pytest.approx((1 + 2 * 3 / 9) ** (-9 / 2))  # closed form for two
    assert (p_value(0.0, 2, 9), p_value(float("inf"), 2, 9)) == (1.0, 0.0)
    assert p_value(3.0, 2, float("inf")) == pytest.approx(np.exp(-3.0))  # half a chi-square of two
