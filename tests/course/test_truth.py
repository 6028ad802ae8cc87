"""What the lessons teach, against sources outside the kit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from studykit.course import marginfirst, onebarrel, randomorder, sameenough, wheremoney


def test_pseudoreplication_raises_false_alarms_by_the_design_effect():
    """Kish 1965, Survey Sampling, ch. 5: the variance of a mean of n bottles of one barrel is (1 + (n-1) rho) sigma^2 / n."""
    worlds = onebarrel.draw(2, barrels=1, bottles=3)
    rho = 9 / 13
    deff = 1 + 2 * rho
    # relative standard error of a variance over 2,000 barrels: root of 2/2000 = 0.03; three of them
    assert worlds.mean(axis=2).var(ddof=1) == pytest.approx(deff * 13 / 3, rel=0.1)
    alarms = (stats.ttest_ind(worlds[:, 0], worlds[:, 1], axis=1).pvalue < 0.05).mean()
    p = onebarrel.false_alarms(3)
    assert p == pytest.approx(0.3750, abs=1e-3)
    assert alarms == pytest.approx(p, abs=3 * math.sqrt(p * (1 - p) / 1000))
    assert onebarrel.false_alarms(3, between=0.0) == pytest.approx(0.05)


def test_three_honest_barrels_keep_the_promise():
    """The two-sample t test holds its level for independent normal values (Student 1908)."""
    worlds = onebarrel.draw(5, barrels=3, bottles=1)
    alarms = (stats.ttest_ind(worlds[:, 0], worlds[:, 1], axis=1).pvalue < 0.05).mean()
    assert alarms == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / 1000))


def test_the_chance_to_show_sameness_is_that_of_two_one_sided_tests():
    """By its definition (Schuirmann 1987), integrated over the scatter's own chi-square distribution: no code in common."""
    for kegs in (4, 8, 12):
        df, se = kegs - 1, sameenough.SCATTER / math.sqrt(kegs)
        t = stats.t.ppf(0.95, df)

        def both(s: float, df: int = df, se: float = se, t: float = t) -> float:
            room = max(sameenough.MARGIN - t * se * s, 0.0) / se
            return (stats.norm.cdf(room) - stats.norm.cdf(-room)) * 2 * s * df * stats.chi2.pdf(df * s * s, df)

        assert sameenough.chance(kegs) == pytest.approx(integrate.quad(both, 0, 6)[0], abs=1e-6)


def test_a_margin_let_out_afterwards():
    """The noncentral t distribution, against counting in 40,000 worlds."""
    rng = np.random.default_rng(1)
    ends = marginfirst.upper_ends(rng.normal(5, 4, (40_000, 8)))
    for factor in (1.0, 1.5, 2.0):
        p = marginfirst.wrong_words(factor)
        assert (ends < 5 * factor).mean() == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / 40_000))
    assert marginfirst.wrong_words(1.0) == pytest.approx(0.05)


@pytest.mark.parametrize("profiles", wheremoney.PROFILES)
def test_the_cheapest_design_follows_cochrans_rule(profiles):
    """Cochran 1977, Sampling Techniques, section 10.6: the best second stage is the root of price ratio times variance ratio.

    The rule knows no degrees of freedom, and few drums are dear in them: where it says 13, three serve, since four drums are
    the fewest that reach the chance. So it is asked of the larger scatters, to the next whole number or two.
    """
    _, best, price = wheremoney.cheapest(profiles)
    rule = wheremoney.best_determinations(profiles)
    assert best <= math.ceil(rule)
    if profiles >= 2:
        assert abs(best - rule) < 1
    assert price == min(wheremoney.table(profiles)["cost, units"])
    n, m, _ = wheremoney.cheapest(profiles)
    assert wheremoney.chance(n, m, profiles) >= 0.8 > wheremoney.chance(n - 1, m, profiles)


def test_drift_and_order():
    """Randomisation variance of a difference of means: Cochran 1977, section 2.6; the bias by summing the line of the drift."""
    place = [6 * (k / 35 - 0.5) for k in range(36)]
    assert randomorder.sorted_bias() == pytest.approx(np.mean(place[24:]) - np.mean(place[:12]))
    values = randomorder.many(4, shuffled=True)
    spread = randomorder.random_spread()
    assert abs(values.mean()) < 3 * spread / math.sqrt(len(values))
    assert values.std(ddof=1) == pytest.approx(spread, rel=3 / math.sqrt(2 * len(values)))
    assert randomorder.many(4, shuffled=False).mean() == pytest.approx(randomorder.sorted_bias(), abs=0.1)
