"""Values below quantification bound the verdict and are never replaced by one number."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.core.errors import DesignMismatch
from studykit.inference.censored import arrangements, bound_difference, bound_verdict
from studykit.inference.equivalence import Margin, compare_contrasts

DEPTHS = ["upper", "lower"] * 6


def judge(margin: float):
    def word(values: np.ndarray) -> str:
        d = values[1::2] - values[::2]
        se2 = d.var(ddof=1) / len(d)
        if se2 == 0:
            raise DesignMismatch("no scatter")
        return compare_contrasts(["lower - upper"], [d.mean()], [[se2]], len(d) - 1, Margin.absolute(margin)).word

    return word


def case(values, below, limit=1.0):
    q = ["<" if i in below else "" for i in range(len(values))]
    return list(values), q, [limit if i in below else np.nan for i in range(len(values))], DEPTHS


def test_both_ends_agree_homogeneous_and_stratified():
    calm = [2.0, 2.1, 1.9, 2.0, 2.2, 2.1, 0, 2.0, 2.1, 2.2, 0, 2.0]
    b = bound_verdict(*case(calm, {6, 10}), judge(4.0))
    assert b.word == "homogeneous"
    assert "2 of 12 results lie below quantification" in b.reason
    steep = [0, 9.0, 0, 9.3, 0, 8.8, 1.2, 9.1, 1.1, 9.0, 1.3, 9.2]
    assert bound_verdict(*case(steep, {0, 2, 4}), judge(2.0)).word == "stratified"


def test_ends_that_disagree_are_inconclusive_with_the_reason():
    x = [1.2, 1.3, 0, 1.2, 0, 1.1, 0, 1.3, 1.3, 1.2, 1.1, 1.2]
    b = bound_verdict(*case(x, {2, 4, 6}), judge(0.6))
    assert b.word == "inconclusive"
    assert "the verdict depends on where" in b.reason
    assert {w for _, w in b.words} >= {"homogeneous", "inconclusive"}
    assert list(b.to_table().columns) == ["values below quantification", "verdict"]
    # the limit put in their place would have called it homogeneous, zero would not
    at_limit, at_zero = np.array(x), np.array(x)
    at_limit[[2, 4, 6]] = 1.0
    assert judge(0.6)(at_limit) == "homogeneous"
    assert judge(0.6)(at_zero) == "inconclusive"


def test_more_than_half_is_not_assessed_and_half_is():
    x = [0.0] * 6 + [2.0, 2.1, 2.2, 2.0, 2.1, 2.3]
    assert bound_verdict(*case(x, set(range(6))), judge(4)).word != "not assessed"
    b = bound_verdict(*case(x, set(range(7))), judge(4))
    assert b.word == "not assessed"
    assert "more than half" in b.reason
    assert b.words == ()


def test_above_a_limit_is_not_bounded():
    x, q, lim, d = case([2.0] * 12, set())
    q[3] = ">"
    b = bound_verdict(x, q, lim, d, judge(4))
    assert b.word == "not assessed"
    assert "no upper end" in b.reason


def test_nothing_censored_is_judged_as_measured():
    x = [2.0, 2.1, 1.9, 2.0, 2.2, 2.1, 2.0, 2.05, 2.1, 2.2, 2.0, 2.0]
    b = bound_verdict(*case(x, set()), judge(1))
    assert b.word == judge(1)(np.array(x)) == "homogeneous"
    assert b.censored == 0


def test_arrangements_are_the_ends_and_leave_measured_values_alone():
    x = [5.0, 0, 5.1, 0, 0, 5.2, 5.0, 5.1, 5.2, 5.1, 5.0, 5.2]
    found = {a.name: a.values for a in arrangements(*case(x, {1, 3, 4}))}
    assert found["all at zero"][[1, 3, 4]].tolist() == [0, 0, 0]
    assert found["all at the limit"][[1, 3, 4]].tolist() == [1, 1, 1]
    assert found["upper at the limit, others at zero"][[1, 3, 4]].tolist() == [0, 0, 1]
    assert found["upper at zero, others at the limit"][[1, 3, 4]].tolist() == [1, 1, 0]
    assert found["alternating"][[1, 3, 4]].tolist() == [1, 0, 1]
    kept = [0, 2, 5, 6, 7, 8, 9, 10, 11]
    assert all(v[kept].tolist() == [x[i] for i in kept] for v in found.values())
    log = {a.name: a.values for a in arrangements(*case(x, {1, 3, 4}), log_scale=True)}
    assert log["all at zero"][1] == pytest.approx(0.001)


def test_a_fit_that_fails_counts_as_inconclusive():
    def never(values: np.ndarray) -> str:
        raise DesignMismatch("no")

    assert bound_verdict(*case([2.0] * 12, {0}), never).word == "inconclusive"


def test_difference_of_two_results():
    assert bound_difference(4.0, None, 0.0, 1.0) == (3.0, 4.0)
    assert bound_difference(0.0, 1.0, 0.0, 1.0) == (-1.0, 1.0)
    assert bound_difference(4.0, None, 3.0, None) == (1.0, 1.0)


@pytest.mark.parametrize(("args", "words"), [
    (([1.0], ["<"], [0.0], ["u"]), "limits must be above 0"),
    (([1.0], ["~"], [1.0], ["u"]), "qualifiers must be"),
    (([1.0, 2.0], [""], [1.0], ["u"]), "must have 2 entries"),
    (([np.nan], [""], [1.0], ["u"]), "values must be finite"),
])
def test_misuse_is_named(args, words):
    with pytest.raises(ValueError, match=words):
        arrangements(*args)
