"""Intervals for scatter: definition, own against published."""

from __future__ import annotations

import pytest
from scipy import stats

from studykit.mixed.variances import check_repeatability, sd_interval


def test_sd_interval_factors():
    # 10 duplicate pairs leave the true SD between 0.70 and 1.75 times the estimate, 5 pairs 0.62 to 2.45
    assert tuple(round(x, 2) for x in sd_interval(1.0, 10)) == (0.70, 1.75)
    assert tuple(round(x, 2) for x in sd_interval(1.0, 5)) == (0.62, 2.45)
    assert [stats.chi2.cdf(7 / s**2, 7) for s in sd_interval(1.0, 7)] == pytest.approx([0.975, 0.025])


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
    (lambda: sd_interval(1, 5, 1.0), "level must lie"),
    (lambda: sd_interval(1, 0), "df must be above 0"),
    (lambda: check_repeatability(1, 5, 0), "stated must be"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
