"""Numbers that are equal by arithmetic tie and are told alike, whatever a processor's last digits."""

import math

import numpy as np
import pandas as pd
import pytest

from studykit.core.record import significant
from studykit.core.ties import sort_key, steady


@pytest.mark.parametrize("value", [0.09375, -0.09375, 2.5, 1.005, 123450.0, 1e-7 + 5e-11, 1 / 3, 2e9, 0.1])
def test_a_number_is_told_alike_whatever_its_last_digits(value):
    near = [value * (1 + k * 2.0**-52) for k in (-3, -1, 0, 1, 3)]
    for digits in (1, 2, 3, 4, 6):
        assert len({significant(v, digits) for v in near}) == 1
    assert {steady(v) for v in near} == {steady(value)}
    assert steady(value) == pytest.approx(value, rel=1e-11)


def test_results_that_are_equal_by_arithmetic_keep_the_order_they_stand_in():
    thirds = pd.Series([1.1 + 2.2 - 3.3, 2 / 3 * 1.2, 0.8, 3.3 - 2.5, 0.8 - 1e-16, 5.0, -0.8], index=list("abcdefg"))
    assert len(set(thirds.abs())) > 4
    by = thirds.abs().sort_values(ascending=False, kind="stable", key=sort_key)
    assert list(by.index) == ["f", "b", "c", "d", "e", "g", "a"]


@pytest.mark.parametrize("scale", [1.0, 1e-9, 3e12, -7.0])
def test_what_differs_is_ordered_as_it_was(scale):
    v = scale * np.random.default_rng(4).normal(size=200)
    v[[3, 50]] = [math.nan, math.inf]
    assert list(np.argsort(sort_key(v), kind="stable")) == list(np.argsort(v, kind="stable"))
    assert np.isnan(sort_key(v)[3])
    assert np.isinf(sort_key(v)[50])
    np.testing.assert_allclose(sort_key(v), v, rtol=0, atol=abs(scale) * 4e-9)


@pytest.mark.parametrize("values", [[], [0.0, 0.0], [math.nan], [5e-324, 0.0], [1e300, 1.0]])
def test_nothing_large_enough_to_round_stays(values):
    np.testing.assert_array_equal(sort_key(values), np.asarray(values, dtype=float))
