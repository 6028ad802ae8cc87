"""Each container's own contrasts at their ends, from cells of two digits: which end is the worst, and what rounding adds."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.inference.bounded import COARSE
from studykit.inference.cells import CellBounds
from studykit.inference.margin import Margin
from studykit.inference.own import (
    DUST,
    contrasts_in,
    ends_of,
    known,
    middle_of,
    near_differences,
    noise_of_one,
    own_differences,
    rounded_in,
    side_of,
    span_of_one,
)
from studykit.study.definition import Margin as Declared

INF, NAN = np.inf, np.nan


def cells(low: object, high: object = None, *, margin: Margin | None = None, step: float = 0.0) -> CellBounds:
    """One determination a cell between low and high (n, k), of an absolute margin of 5 unless another is given."""
    least = np.asarray(low, dtype=float)
    most = least if high is None else np.asarray(high, dtype=float)
    n, k = least.shape
    container, depth = (x.ravel() for x in np.indices((n, k)))
    return CellBounds.of_rows(container, depth, least.ravel(), most.ravel(), shape=(n, k), step=step,
                              margin=Margin.absolute(5) if margin is None else margin)


def below(amount: float = 3.0) -> Margin:
    return Margin.declared(Declared(absolute=amount, side="below"), "mg/kg")


def test_a_cell_is_known_by_its_middle_and_not_where_it_has_no_end() -> None:
    assert known(cells([[1.0, 2.0]], [[1.0, 4.0]])).tolist() == [[1.0, 3.0]]
    assert np.isnan(known(cells([[NAN, 2.0]], [[NAN, INF]]))).all()


def test_pairs_of_depths_at_their_ends() -> None:
    """10, between 8 and 14, 13: second less first -2 to 4, third less first 3, third less second -1 to 5."""
    c = cells([[10.0, 8.0, 13.0]], [[10.0, 14.0, 13.0]])
    least, most = ends_of(c, False)
    np.testing.assert_array_equal(least, [[-2, 3, -1]])
    np.testing.assert_array_equal(most, [[4, 3, 5]])
    assert own_differences(c, INF).tolist() == [[4, 3, 5]]  # the end that lies farther from none
    assert own_differences(cells([[10.0, 4.0]], [[10.0, 14.0]]), INF).tolist() == [[-6]]
    assert own_differences(cells([[10.0, 6.0]], [[10.0, 14.0]]), INF).tolist() == [[4]]
    np.testing.assert_array_equal(near_differences(c, INF), [[0, 3, 0]])
    assert near_differences(cells([[10.0, 4.0]], [[10.0, 8.0]]), INF).tolist() == [[-2]]
    assert near_differences(cells([[10.0, 12.0]], [[10.0, 18.0]]), INF).tolist() == [[2]]
    assert np.isnan(near_differences(cells([[10.0, NAN]]), INF)).all()
    assert np.isnan(own_differences(cells([[10.0, NAN]]), INF)).all()


def test_the_middle_only_where_all_are_numbers() -> None:
    told = middle_of(cells([[10.0, 8.0], [10.0, 13.0]], [[10.0, 14.0], [10.0, 13.0]]))
    assert np.isnan(told[0]).all()
    assert told[1].tolist() == [3.0]


def test_rounding_is_a_bound_where_it_is_coarser_than_the_noise() -> None:
    """Steps of 2: each number lies within 1 of what was written, a difference within 2; the noise must be 0.7 of a step."""
    c = cells([[10.0, 13.0], [20.0, 20.0]], step=2.0)
    assert c.step == 2.0
    assert [rounded_in(c, noise) for noise in (None, 0.1, COARSE * 2 - 1e-9, COARSE * 2 + 1e-9, INF)] == [
        True, True, True, False, False]
    dust = DUST * 21.0  # of the largest value with its rounding
    least, most = ends_of(c, True)
    assert least.ravel() == pytest.approx([1.0, -2.0], abs=2 * dust)
    assert most.ravel() == pytest.approx([5.0, 2.0], abs=2 * dust)
    assert own_differences(c, None).ravel() == pytest.approx([5.0, 2.0])
    assert own_differences(c, INF).tolist() == [[3.0], [0.0]]
    assert near_differences(c, None).ravel() == pytest.approx([1.0, 0.0])
    assert near_differences(c, INF).ravel().tolist() == [3.0, 0.0]


def test_the_last_bits_inside_the_computer_are_allowed_for() -> None:
    """A difference of numbers as exact as can be is widened by 1e-13 of the largest of them, on both sides."""
    c = cells([[1e6, 1e6]], step=1e-300)
    least, most = ends_of(c, True)
    assert (least.item(), most.item()) == pytest.approx((-1e-7, 1e-7), rel=0.01)
    endless = cells([[-INF, 1e6]], [[4.0, 1e6]], step=1e-300)
    assert ends_of(endless, True)[0].item() == pytest.approx(1e6 - 4 - 1e-7, abs=1e-8)


def test_zones_against_their_mean_count_on_the_declared_side_alone() -> None:
    """4, 10 and 10 of equal shares: mean 8, so -4, 2 and 2; below counts -4 alone."""
    c = cells([[4.0, 10.0, 10.0]], margin=below())
    assert side_of(c) == -1
    assert side_of(cells([[1.0, 2.0]])) == 0
    assert ends_of(c, False)[0].ravel() == pytest.approx([-4, 2, 2])
    assert own_differences(c, INF).ravel() == pytest.approx([-4, 0, 0])
    above = cells([[4.0, 10.0, 10.0]], margin=Margin.declared(Declared(absolute=3.0, side="above"), "mg/kg"))
    assert side_of(above) == 1
    assert own_differences(above, INF).ravel() == pytest.approx([0, 2, 2])


def test_the_worst_and_the_nearest_end_of_a_side() -> None:
    """The first zone lies between 1 and 4, the others read 10: 1 - 7 = -6 at the worst, 4 - 8 = -4 at the nearest."""
    c = cells([[1.0, 10.0, 10.0]], [[4.0, 10.0, 10.0]], margin=below())
    assert own_differences(c, INF)[0, 0] == pytest.approx(-6)
    assert near_differences(c, INF)[0, 0] == pytest.approx(-4)
    up = cells([[1.0, 10.0, 10.0]], [[4.0, 10.0, 10.0]], margin=Margin.declared(Declared(absolute=3.0, side="above"), "mg/kg"))
    assert own_differences(up, INF)[0, 1] == pytest.approx(3)
    assert near_differences(up, INF)[0, 1] == pytest.approx(2)


def test_rounding_of_zones_against_their_mean() -> None:
    """Steps of 3 at 4, 10 and 10: the first 1.5 less and the others 1.5 more are 2/3 of 3 further apart; or nearer."""
    c = cells([[4.0, 10.0, 10.0]], margin=below(), step=3.0)
    least, most = ends_of(c, True)
    assert least[0, 0] == pytest.approx(-6)
    assert most[0, 0] == pytest.approx(-2)
    assert least[0, 0] < -6 < -2 < most[0, 0]  # and the last bits


def test_noise_of_one_contrast_is_a_part_of_that_of_a_difference() -> None:
    """A zone of three against their mean: variance 1 - 1/3 of one reading, over 2: the root of a third."""
    c, plain = cells([[4.0, 10.0, 10.0]], margin=below()), cells([[4.0, 10.0]])
    part = (1 / 3) ** 0.5
    assert noise_of_one(c, 2.0) == pytest.approx(2 * part)
    assert noise_of_one(plain, 2.0) == 2.0
    assert noise_of_one(plain, None) is None
    assert span_of_one(plain) is None
    twice = CellBounds.of_rows(np.array([0, 0, 0, 0, 0, 0]), np.array([0, 0, 1, 1, 2, 2]), np.array([4.0, 6, 10, 10, 9, 10]),
                               np.array([4.0, 6, 10, 10, 12, 10]), shape=(1, 3), margin=below(), step=0.0)
    assert twice.noise_span is not None
    assert span_of_one(twice) == pytest.approx(tuple(x * part for x in twice.noise_span))
    step = cells([[4.0, 10.0, 10.0]], margin=below(), step=3.0)
    need = COARSE * step.step * part
    assert (rounded_in(step, need * 0.999), rounded_in(step, need * 1.001)) == (True, False)


def test_contrasts_are_those_of_pairs_or_of_zones() -> None:
    rows = [[4.0, 10.0], [6.0, 10.0], [5.0, 12.0]]
    pairs = contrasts_in(cells(rows))
    assert pairs.estimate.ravel() == pytest.approx([np.mean([6, 4, 7])])
    zones = contrasts_in(cells(rows, margin=below()))
    assert zones.estimate.ravel() == pytest.approx([-np.mean([3, 2, 3.5]), np.mean([3, 2, 3.5])])
