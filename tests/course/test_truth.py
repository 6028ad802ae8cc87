"""What the lessons teach, against sources outside the kit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from studykit.course import (
    capstone,
    controls,
    marginfirst,
    ninety,
    onebarrel,
    physicsfirst,
    randomorder,
    sameenough,
    wheremoney,
)
from studykit.physics.velocity import stokes_velocity


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
    rule = math.sqrt(60 / (2 * 6) * 3.0**2 / profiles**2)  # prices and repeatability as the lesson states them
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


def test_controls_catch_as_control_charts_say():
    """NIST/SEMATECH e-Handbook 6.3.2 (Shewhart limits): a shift of three deviations is beyond them with chance one half."""
    assert controls.caught("check fluid", 1) == pytest.approx(0.5)
    assert controls.caught("check fluid", 3) == pytest.approx(0.875)
    assert controls.caught("blank", 1) == pytest.approx(0.8413, abs=1e-4)  # tables of the normal distribution at 1
    # chi-square tables: the 5 % point at seven degrees of freedom is 14.067
    assert controls.caught("duplicate", 7) == pytest.approx(stats.chi2.sf(14.067 / 4, 7), abs=1e-4)
    counted = controls.season({"check fluid": 3, "blank": 1, "duplicate": 7}, 3).set_index("control")
    for control, row in counted.iterrows():
        p = controls.caught(control, int(row["bottles"]))
        assert row["share caught"] == pytest.approx(p, abs=3 * math.sqrt(p * (1 - p) / 400))


def test_an_expectation_shifts_by_d2():
    """d2 for two values is 1.128: ASTM E2587, factors of control charts."""
    assert controls.expectation_bias() == pytest.approx(1.128 * controls.S_R, rel=1e-3)
    seen, blind = controls.read(1, blind=False), controls.read(1, blind=True)
    assert seen.mean() == pytest.approx(controls.expectation_bias(), abs=3 * seen.std() / 20)
    assert abs(blind.mean()) < 3 * blind.std() / 20


def test_the_fall_is_stokes_law():
    """The kit's own law, and the pipette method of soil texture: 2 um of density 2650 fall 10 cm in water of 20 C in about 8 h

    (Gee and Bauder 1986, Methods of Soil Analysis, part 1, ch. 15: 7 h 45 min to 8 h by the density taken; from memory).
    """
    speed = float(stokes_velocity(2e-6, 1560.0, 0.2))
    assert physicsfirst.fall_mm() == pytest.approx(1000 * speed * 84 * 86400)
    in_an_hour = physicsfirst.fall_mm(days=1 / 24, viscosity=1.002e-3) * (2650 - 998.2) / 1560  # mm, density of soil in water
    assert 7.5 < 100 / in_an_hour < 8.1
    assert physicsfirst.fall_mm(diameter_um=1.0) == pytest.approx(physicsfirst.fall_mm() / 4)


def test_nothing_is_lost_on_the_way_to_the_floor():
    rows = physicsfirst.profile().set_index("zone")["share"]
    assert rows[["upper", "middle", "lower"]].mean() + rows["floor, of all matter"] == pytest.approx(1)


def test_ninety_is_kept_by_t_and_not_by_the_normal_shortcut():
    """t tables: 2.015 is the 95 % point at five degrees of freedom; counted in 200 worlds for three seeds."""
    assert ninety.coverage(2.015) == pytest.approx(0.9, abs=1e-4)
    for seed in (1, 2, 3):
        rows = ninety.intervals(ninety.draw(seed))
        share = ((rows["low"] <= 3) & (rows["high"] >= 3)).mean()
        assert share == pytest.approx(0.9, abs=3 * math.sqrt(0.09 / 200))
    wide = np.random.default_rng(9).normal(3, 4, (40_000, 6))
    short = (np.abs(wide.mean(axis=1) - 3) <= 1.645 * wide.std(axis=1, ddof=1) / math.sqrt(6)).mean()
    assert short == pytest.approx(ninety.coverage(1.645), abs=4 * math.sqrt(0.14 / 40_000))


@pytest.mark.slow
def test_a_budget_study_is_as_good_as_its_chance_says_and_its_intervals_keep_90_percent():
    """Counted over 1,500 names, the slip's churn left out; the noncentral chance by Phillips 1990 is held in inference."""
    words, held, seen = [], [], []
    for k in range(1500):
        me = f"pupil {k}"
        rows = capstone.readings(me, 10, 1)
        seen.append(rows.loc[rows["dry matter, g/kg"].idxmin(), "churn"] == capstone._slip(me, 10)[0])
        low, high = capstone.interval(capstone.differences(rows, capstone._slip(me, 10)[0])["difference, %"])
        truth = capstone._world(me).difference
        held.append(low <= truth <= high)
        words += [capstone.word_of(low, high)] if truth == 0 else []
    assert all(seen)
    assert np.mean(held) == pytest.approx(0.9, abs=3.5 * math.sqrt(0.09 / 1500))
    p = capstone.chance(10, 1)  # one of ten churns is left out
    assert len(words) > 300
    assert np.mean([w == "homogeneous" for w in words]) == pytest.approx(p, abs=3.5 * math.sqrt(p * (1 - p) / len(words)))
