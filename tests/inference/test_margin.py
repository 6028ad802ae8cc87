"""One margin: both scales, there and back, and the words of differences."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.inference.margin import Interval, Margin, around
from studykit.study.definition import Margin as Declared


def test_a_margin_in_per_cent_is_a_ratio_both_ways():
    m = Margin.relative(25)
    assert (math.exp(m.low), math.exp(m.high)) == pytest.approx((0.8, 1.25))  # 1/(1 + p), 1 + p: by definition
    assert (m.log, m.unit, m.text) == (True, "%", "±25 %")
    assert m.shown(m.high) == pytest.approx(25)
    assert m.shown(m.low) == pytest.approx(-20)
    assert m.from_shown(25) == m.edge == m.high
    assert m.in_margins(m.low) == -1.0
    assert m.edge_at(8.0) == pytest.approx(2.0)
    assert m.shown_sd(0.02) == 2.0
    assert m.as_scatter(25) == pytest.approx(100 * math.log(1.25))
    assert Margin.declared(Declared(relative_percent=25), "mg/kg") == m


def test_margins_below_one_are_margins_too():
    assert Margin.relative(0.5).high == pytest.approx(math.log(1.005))
    assert (Margin.absolute(0.02).low, Margin.absolute(0.02).high) == (-0.02, 0.02)


def test_an_absolute_margin_changes_nothing():
    m = Margin.absolute(2, "mg/kg")
    assert (m.shown(1.5), m.from_shown(1.5), m.to_level(7.0), m.edge_at(100.0), m.unit) == (1.5, 1.5, 7.0, 2.0, "mg/kg")
    assert m.in_margins(3.0) == 1.5
    assert m.to_scale([1.0, 2.0]).tolist() == [1.0, 2.0]
    assert m.shown_sd(0.02) == m.as_scatter(0.02) == 0.02
    assert Margin.declared(Declared(absolute=2), "mg/kg") == m


def test_levels_go_there_and_back():
    m = Margin.relative(5)
    assert m.to_scale(np.array([[1.0], [math.e]])).tolist() == [[0.0], [1.0]]
    assert m.to_level(1.0) == pytest.approx(math.e)
    span = m.shown_interval(Interval(low=0.0, high=m.high, level=0.9))
    assert tuple(span) == pytest.approx((0.0, 5.0))
    assert span.level == 0.9


def test_a_factor_is_a_ratio_both_ways_and_told_in_per_cent():
    m = Margin.factor(2)
    assert (math.exp(m.low), math.exp(m.high)) == pytest.approx((0.5, 2.0))  # by definition: from half to double
    assert (m.log, m.unit, m.text) == (True, "%", "a factor of 2")
    assert m.shown_edges == pytest.approx((-50, 100))
    assert m.at(8.0) == m  # a factor stays one at any level
    assert Margin.relative(25).at(8.0).shown_edges == pytest.approx((-25, 25))
    assert Margin.declared(Declared(factor=2), "1/ml") == m
    # beside a margin in per cent with the same upper edge nothing differs but the words
    assert (m.low, m.high) == pytest.approx((Margin.relative(100).low, Margin.relative(100).high))


def test_a_margin_from_its_upper_edge_in_words():
    assert (around(5, "%"), around(2, "mg/kg"), around(150, "mg/kg"), around(150, "%")) == (
        "±5 %", "±2 mg/kg", "±150 mg/kg", "a factor of 2.5")


def test_a_declared_factor_at_a_level():
    assert (Declared(factor=1.5).at(8.0), Declared(factor=10).at(8.0)) == pytest.approx((4.0, 8.0))
    assert (Declared(relative_percent=5).at(8.0), Declared(absolute=3).at(8.0)) == pytest.approx((0.4, 3.0))


@pytest.mark.parametrize(("side", "edges"), [("below", (-2.0, math.inf)), ("above", (-math.inf, 2.0))])
def test_a_one_sided_margin_at_a_level_stays_open_on_its_other_side(side, edges):
    there = Margin.declared(Declared(relative_percent=20, side=side), "mg/kg").at(10.0)
    assert (there.low, there.high) == pytest.approx(edges)
    assert there.side == (-1 if side == "below" else 1)


def test_a_difference_that_meets_the_margin_to_the_digit_does_not_pass_it_however_it_is_rounded_in_binary() -> None:
    """Every pair of readings of one decimal that differ by just 0.3, or by just 5 %; one more digit passes."""
    low = np.arange(10, 400) / 10
    high = np.round(low + 0.3, 1)
    assert ((high - low) > 0.3).any()  # what the computer makes of some
    assert not Margin.absolute(0.3).passed(np.array([high - low, low - high])).any()
    assert Margin.absolute(0.3).passed(np.round(low + 0.301, 3) - low).all()
    level = np.arange(20, 4000, 20.0)
    more = level * 105 / 100
    assert (np.log(more) - np.log(level) > np.log1p(0.05)).any()
    assert not Margin.relative(5).passed([np.log(more) - np.log(level), np.log(level) - np.log(more)]).any()
    assert Margin.relative(5).passed(np.log(more + 0.001) - np.log(level)).all()
    assert Margin.relative(5).passed([np.nan, np.inf, -np.inf]).tolist() == [False, True, True]
