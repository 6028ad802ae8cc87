"""Courses of time, and lack of fit against R's anova of nested lm."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.ageing.courses import Course, lack_of_fit, same_ages
from tests.ageing.test_lines import REFERENCE, open_set

COURSES = (Course(), Course(shape="square root"), Course(shape="saturating", half_months=6))


@pytest.mark.parametrize("course", COURSES)
def test_every_course_begins_at_nothing_and_rises(course: Course) -> None:
    g = course.column([0.0, 1, 6, 24])
    assert g[0] == 0
    assert (np.diff(g) > 0).all()
    assert course.words()


def test_saturating_is_half_done_after_its_half_time() -> None:
    assert COURSES[2].column(6.0) == pytest.approx(0.5)


@pytest.mark.parametrize("given", [{"shape": "saturating"}, {"half_months": 3.0}, {"shape": "saturating", "half_months": 0.0}])
def test_half_time_belongs_to_saturating_alone(given: dict) -> None:
    with pytest.raises(ValueError, match="half_months must be above 0"):
        Course(**given)


def test_lack_of_fit_agrees_with_r() -> None:
    table = open_set("Orthodont")
    # R: anova(lm(distance ~ age * Sex), lm(distance ~ factor(age) * Sex)), rows taken as independent
    found = lack_of_fit(table["distance"], table["age"], table["Sex"].to_numpy(), np.arange(len(table)), Course())
    ref = REFERENCE["lack_of_fit"]
    assert (found.statistic, found.p) == pytest.approx((ref["F"], ref["p"]), rel=1e-6)
    assert (found.df1, found.df2) == (ref["df1"], ref["df2"])


def test_containers_own_slopes_are_no_lack_of_fit_but_a_bend_is() -> None:
    rng = np.random.default_rng(11)
    t, units = np.tile([0.0, 6, 12, 24], 8), np.repeat(np.arange(8), 4)
    y = rng.normal(1, 0.5, 8)[units] * t + rng.normal(0, 0.3, 32)
    groups = np.zeros(32)
    assert lack_of_fit(y, t, groups, units, Course()).p > 0.05
    assert lack_of_fit(y + 4 * np.sqrt(t), t, groups, units, Course()).p < 0.001
    assert lack_of_fit(4 * np.sqrt(t) + rng.normal(0, 0.1, 32), t, groups, units, COURSES[1]).p > 0.01


@pytest.mark.slow
def test_size_of_the_lack_of_fit_test_is_its_level() -> None:
    rng = np.random.default_rng(12)
    t = np.repeat([4.0, 12, 20, 30], 3)
    p = [lack_of_fit(0.4 * t + rng.normal(size=12), t, np.zeros(12), np.arange(12), Course()).p for _ in range(1000)]
    assert 0.03 < np.mean(np.array(p) < 0.05) < 0.07  # 3 binomial errors about 5 %


def test_two_ages_leave_nothing_to_test() -> None:
    found = lack_of_fit([1, 2, 3, 5], [0, 0, 6, 6], [0] * 4, range(4), Course())
    assert math.isnan(found.p)
    assert found.df1 == 0


def test_ages_that_nearly_agree_are_one() -> None:
    assert same_ages([24.0, 6.0, 6.1, 24.3, 12.0]).tolist() == [2, 0, 0, 2, 1]


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="same length"):
        lack_of_fit([1, 2], [1], [0], [0], Course())
