"""Times to the margin: formulas worked by hand, exact special cases, and chances by simulation."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import optimize, stats

from studykit.ageing.courses import Course, same_ages
from studykit.ageing.lines import fit_lines
from studykit.ageing.means import by_ages
from studykit.ageing.reach import (
    Passing,
    Simulated,
    _below,
    _centres,
    _left,
    _needed,
    _until,
    bootstrap,
    bootstrap_share,
    containers_law,
    crossing,
    drawn_again,
    mean_passes,
    opened_once,
    own_lines,
    share_crossing,
    share_limits,
    share_passes,
    share_within,
)

LINEAR = Course()
MARGIN = (-10.0, 10.0)
T = np.repeat([4.0, 12, 20, 30], 3)


def sisters(rate: float, sd: float, seed: int = 1) -> np.ndarray:
    return rate * T + np.random.default_rng(seed).normal(0, sd, len(T))


def test_fieller_by_its_quadratic() -> None:
    # Fieller 1954: the times where (M - a - b t)^2 = q^2 (v11 + 2 v12 t + v22 t^2), solved as a quadratic
    y = sisters(0.5, 1.0)
    fit = fit_lines(y, LINEAR.line(T), np.arange(12), "equal")
    (a, b), v, q = fit.beta[0], fit.covariance[0], stats.t.isf(0.05, 10)
    roots = np.roots([b**2 - q**2 * v[1, 1], -2 * b * (10 - a) - 2 * q**2 * v[0, 1], (10 - a) ** 2 - q**2 * v[0, 0]])
    found = mean_passes(fit, LINEAR, MARGIN, alpha=0.05, span=(4, 30), stop=60)
    assert (found.safe[0], found.latest[0]) == pytest.approx(sorted(roots), rel=1e-7)
    assert found.estimate[0] == pytest.approx((10 - a) / b)


def test_falling_differences_pass_the_lower_edge() -> None:
    up, down = (mean_passes(fit_lines(s * sisters(0.5, 1.0), LINEAR.line(T), np.arange(12)), LINEAR, MARGIN, alpha=0.05,
                            span=(4, 30), stop=60) for s in (1, -1))
    assert up.safe[0] == pytest.approx(down.safe[0])
    assert up.estimate[0] == pytest.approx(down.estimate[0])


def passing(y: np.ndarray, stop: float = 30.0) -> Passing:
    return mean_passes(fit_lines(y, LINEAR.line(T), np.arange(12)), LINEAR, MARGIN, alpha=0.05, span=(4, 30), stop=stop)


def test_not_reached_and_never() -> None:
    flat = passing(sisters(0.0, 0.1))
    assert flat.safe[0] == 30
    assert np.isinf(flat.latest[0])
    assert not flat.outside[0]


def test_beyond_at_the_start() -> None:
    high = passing(sisters(0.5, 0.1) + 20)
    assert high.outside[0]
    assert np.isnan(high.safe[0])
    assert (high.latest[0], high.estimate[0]) == (4, 0)


def test_beyond_when_young_and_coming_back_allows_no_time() -> None:
    back = passing(17 - 0.5 * T + np.random.default_rng(5).normal(0, 0.3, 12), stop=42.0)  # 15 at 4 months, 2 at 30
    assert back.outside[0]
    assert np.isnan(back.safe[0])
    assert back.latest[0] == 4


@pytest.mark.parametrize("rate", [-0.01, 0.01])
def test_beyond_at_every_age_is_shown_beyond_whichever_way_the_line_points(rate: float) -> None:
    flat = passing(16 + rate * T + np.tile([-0.1, 0.0, 0.1], 4))
    assert flat.outside[0]
    assert flat.latest[0] == 4


def test_limits_are_followed_from_where_they_lie_furthest_within() -> None:
    y = sisters(0.45, 2.5, seed=3) - 3
    start = fit_lines(y, LINEAR.line(T), np.arange(12)).at([[1, 4.0]])
    assert start.estimate[0, 0] - stats.t.isf(0.05, start.df[0]) * start.se[0, 0] < -3  # wide at the youngest age
    assert 12 < passing(y).safe[0] < 30


def test_by_the_ages_means_where_there_is_no_line() -> None:
    y = np.repeat([1.0, 1.5, 18.0, 19.0], 3) + np.tile([-0.3, 0.0, 0.3], 4)
    found = by_ages(y, T, np.arange(12), same_ages(T), MARGIN, alpha=0.05)
    # by hand: 12 + (10 - 1.5) / (18 - 1.5) * 8
    assert (found.safe[0], found.latest[0], found.estimate[0]) == pytest.approx((12, 20, 16.121212))
    wide = by_ages(y + np.tile([-9.0, 0.0, 9.0], 4), T, np.arange(12), same_ages(T), MARGIN, alpha=0.05)
    assert wide.outside[0]


def test_crossing_inverts_every_course() -> None:
    for course in (LINEAR, Course(shape="square root"), Course(shape="saturating", half_months=8)):
        beta = np.array([[0.5, 20.0]])
        t = crossing(beta, course, MARGIN)[0]
        assert float(beta[0] @ course.line(t)) == pytest.approx(10)
    assert np.isinf(crossing(np.array([[0.0, 9.0]]), Course(shape="saturating", half_months=8), MARGIN)[0])


def test_a_line_is_followed_from_the_youngest_age() -> None:
    beta = np.array([[-12.0, 2.0], [-12.0, 0.1], [12.0, 0.1]])  # at 4 months: -4, -11.6, 12.4; beyond at filling all three
    assert crossing(beta, LINEAR, MARGIN, 4.0).tolist() == pytest.approx([11.0, 0.0, 0.0])


def test_the_share_is_followed_from_the_youngest_age_too() -> None:
    """Beyond at filling, where nobody looked, by a line that lies well within at 4 months and passes at about 13."""
    y = (-16 + 2 * T + np.random.default_rng(3).normal(0, 0.3, 12))[None]  # -8 at 4 months, 10 at 13
    found = share_passes([lambda t: opened_once(y, LINEAR, T, t)], MARGIN, 0.2, alpha=0.05, span=(4, 30), stop=42)
    assert 12.5 < found.estimate[0] < 13.2


def test_one_law_is_the_tolerance_limit_of_a_normal_sample() -> None:
    # k for 12 values, content 0.95, confidence 0.95, one side: 2.736 (Natrella 1963, NBS Handbook 91, table A-7; from memory)
    each = np.random.default_rng(4).normal(0, 1, (1, 12))
    lines = np.stack([each, np.zeros_like(each)], axis=2)
    edge = float(each.mean() + 2.736 * each.std(ddof=1))
    for room, inside in ((0.02, True), (-0.02, False)):
        found = share_passes([lambda t: drawn_again(lines, LINEAR, t)], (-1e6, edge + room), 0.05, alpha=0.05,
                             span=(1, 9), stop=9)
        assert bool(found.outside[0]) is not inside


def test_the_limit_for_many_times_is_that_for_each_alone() -> None:
    # interpolated quantiles of the noncentral t against those of scipy.stats, where the leverage changes with time
    law = opened_once(sisters(0.5, 1.0)[None], LINEAR, T, np.linspace(0, 240, 200))
    for chance, share in ((0.95, 0.02), (0.95, 0.18), (0.05, 0.2)):
        root = np.sqrt(law.leverage)
        assert np.ptp(root) > 0.3
        assert _needed(law.df, root, share, chance)[:, ::40] == pytest.approx(
            stats.nct.ppf(chance, law.df, stats.norm.isf(share) / root[:, ::40]), rel=1e-7)


@pytest.mark.parametrize("df", [4, 10, 94])
def test_the_noncentrality_behind_a_distance_is_that_of_scipy(df: int) -> None:
    for reach in (-3.0, 0.0, 0.7, 5.0, 20.0):
        _, centres = _centres(df, 0.95, 64.0)
        assert stats.nct.cdf(reach, df, float(centres(reach))) == pytest.approx(0.95, abs=1e-5)


def zones(rng: np.random.Generator, depths: int, n: int, studies: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Containers drawn again whose zones grow each at a rate of its own about a straight profile: readings (S, n, depths)."""
    rate = 0.3 * np.linspace(-0.5, 0.5, depths) + 0.2 * rng.standard_normal((studies, n, depths))
    t, units = np.tile([4.0, 12, 20, 30], n), np.repeat(np.arange(n), 4)
    return t, units, rate[:, units] * t[:, None] + 0.3 * rng.standard_normal((studies, len(t), depths))


@pytest.mark.few(1)
@pytest.mark.parametrize(("depths", "n"), [(3, 12), (3, 96), (5, 12), (5, 96)])
def test_a_container_beyond_by_any_pair_of_depths_counts_once(depths: int, n: int) -> None:
    """Times of each pair alone, as they were told once, are too long for the share beyond by any pair."""
    rate = 0.3 * np.linspace(-0.5, 0.5, depths) + 0.2 * np.random.default_rng(0).standard_normal((400_000, depths))
    true = 10 / np.quantile(np.ptp(rate, axis=1), 0.8)  # a fifth of the containers have two zones more than 10 apart from here
    t, units, y = zones(np.random.default_rng(3), depths, n, 100)
    laws = [lambda x, d=y[..., b] - y[..., a]: drawn_again(own_lines(d, LINEAR, t, units), LINEAR, x)
            for a, b in combinations(range(depths), 2)]
    kept = {"alpha": 0.05, "span": (4.0, 30.0), "stop": 42.0}
    safe = share_passes(laws, MARGIN, 0.2, **kept).safe
    each = np.min([share_passes([law], MARGIN, 0.2, **kept).safe for law in laws], axis=0)
    assert np.mean(safe > true) < 0.05
    assert np.all(safe <= each + 1e-9)
    assert np.median(safe) > 0.4 * true
    if n == 96:
        assert np.mean(each > true) > 0.25


@pytest.mark.slow
def test_the_fitted_share_of_all_pairs_is_near_that_of_the_containers() -> None:
    """The sum over pairs counts a container twice that is beyond by two: the fitted time is early by a tenth at most."""
    t, units, y = zones(np.random.default_rng(5), 3, 400, 1)
    laws = [lambda x, d=y[..., b] - y[..., a]: drawn_again(own_lines(d, LINEAR, t, units), LINEAR, x)
            for a, b in combinations(range(3), 2)]
    rate = 0.3 * np.linspace(-0.5, 0.5, 3) + 0.2 * np.random.default_rng(0).standard_normal((400_000, 3))
    true = 10 / np.quantile(np.ptp(rate, axis=1), 0.8)
    assert 0.9 * true < share_crossing(laws, MARGIN, 0.2, stop=42)[0] < 1.02 * true
    made = bootstrap_share(np.stack([y[0, :, 1] - y[0, :, 0], y[0, :, 2] - y[0, :, 0]]), LINEAR, t, units, MARGIN,
                           share=0.2, stop=42, times=100)
    assert np.median(made) == pytest.approx(share_crossing(laws, MARGIN, 0.2, stop=42)[0], rel=0.02)


def test_simulated_share_lies_by_its_fitted_time_and_follows_the_scatter() -> None:
    widths, rng = [], np.random.default_rng(12)
    t, units = np.tile([0.0, 6, 12, 18], 8), np.repeat(np.arange(8), 4)
    for sd in (0.02, 0.1):
        y = 0.6 * t + rng.normal(0, 0.2, 32) + rng.normal(0, sd, 8)[units] * t
        law = drawn_again(own_lines(y[None], LINEAR, t, units), LINEAR, np.array([10.0]))
        point = float(share_crossing([lambda x, y=y: drawn_again(own_lines(y[None], LINEAR, t, units), LINEAR, x)], MARGIN, 0.2,
                                     stop=30)[0])
        made = bootstrap_share(y[None], LINEAR, t, units, MARGIN, share=0.2, stop=30)
        low, high = Simulated(mean=made, share=made).interval(0.9, of_share=True)
        assert law.df == 7
        assert low < point < high
        widths.append(high - low)
    assert widths[1] > 2 * widths[0]
    fit = fit_lines(y, LINEAR.line(t), units)
    assert np.isnan(bootstrap(y, fit, LINEAR, t, units, MARGIN).interval(0.9, of_share=True)).all()


def test_share_of_containers_is_passed_before_the_mean() -> None:
    y = sisters(0.5, 1.0)[None]
    mean = mean_passes(fit_lines(y, LINEAR.line(T), np.arange(12)), LINEAR, MARGIN, alpha=0.05, span=(4, 30), stop=60)
    some = share_passes([lambda t: opened_once(y, LINEAR, T, t)], MARGIN, 0.2, alpha=0.05, span=(4, 30), stop=60)
    assert some.safe[0] < mean.safe[0]
    assert some.estimate[0] < mean.estimate[0]


def test_fitted_share_is_the_declared_one_at_the_fitted_time() -> None:
    y = sisters(0.5, 1.0)[None]
    found = share_passes([lambda t: opened_once(y, LINEAR, T, t)], MARGIN, 0.2, alpha=0.05, span=(4, 30), stop=60)
    law = opened_once(y, LINEAR, T, found.estimate)
    mean, sd = law.mean[law.chosen[0], 0, 0], law.scatter[law.chosen[0], 0, 0]
    assert stats.norm.sf((10 - mean) / sd) + stats.norm.cdf((-10 - mean) / sd) == pytest.approx(0.2, abs=1e-6)


def test_bootstrap_lies_by_fieller_where_scatter_is_small() -> None:
    y = sisters(0.5, 0.5)
    fit = fit_lines(y, LINEAR.line(T), np.arange(12), "equal")
    found = mean_passes(fit, LINEAR, MARGIN, alpha=0.05, span=(4, 30), stop=60)
    low, high = bootstrap(y, fit, LINEAR, T, np.arange(12), MARGIN).interval(0.9)
    assert (low, high) == pytest.approx((found.safe[0], found.latest[0]), abs=0.35)
    assert bootstrap(y, fit, LINEAR, T, np.arange(12), MARGIN).interval(0.9) == (low, high)


def test_bootstrap_of_containers_drawn_again_follows_their_own_slopes() -> None:
    rng = np.random.default_rng(8)
    t, units = np.tile([0.0, 6, 12, 18], 8), np.repeat(np.arange(8), 4)
    widths = []
    for sd in (0.0, 0.2):
        y = 0.6 * t + rng.normal(0, 0.2, 32) + rng.normal(0, sd, 8)[units] * t
        low, high = bootstrap(y, fit_lines(y, LINEAR.line(t), units), LINEAR, t, units, MARGIN).interval(0.9)
        widths.append(high - low)
    assert widths[1] > 4 * widths[0]


@pytest.mark.parametrize(("again", "growth"), [(False, 0.0), (False, 0.1), (True, 0.1)])
def test_chance_that_a_time_is_too_long(again: bool, growth: float) -> None:
    rng, studies = np.random.default_rng(21), 1000
    t = np.tile([4.0, 12, 20, 30], 12) if again else T
    units = np.repeat(np.arange(12), 4) if again else np.arange(12)
    y = 0.5 * t + rng.normal(0, 0.7, (studies, len(t))) + (rng.normal(0, growth, (studies, 12)))[:, units] * t
    kept = {"alpha": 0.05, "span": (4.0, 30.0), "stop": 60.0}
    found = mean_passes(fit_lines(y, LINEAR.line(t), units), LINEAR, MARGIN, **kept)
    # the true mean passes at 20 months; nominal 5 %, three binomial errors
    assert np.mean(found.safe > 20) < 0.07
    if again:
        lines = own_lines(y, LINEAR, t, units)
        some = share_passes([lambda x: drawn_again(lines, LINEAR, x)], MARGIN, 0.2, **kept)
        true = optimize.brentq(lambda x: stats.norm.sf(10, 0.5 * x, growth * x) - 0.2, 5, 20)
        assert np.mean(some.safe > true) < 0.07


@pytest.mark.parametrize(("n", "least"), [(6, 0.08), (12, 0.15)])
def test_a_stock_of_two_kinds_makes_the_time_by_containers_too_long(n: int, least: float) -> None:
    """Three tenths settle three times as fast: no normal spread, on which alone the time rests (docs/time.md says so)."""
    rng, studies = np.random.default_rng(6), 400
    t, units = np.tile([4.0, 12, 20, 30], n), np.repeat(np.arange(n), 4)
    rate = 10 / 20 * np.where(rng.random((studies, n)) < 0.3, 3.0, 1.0)
    y = rate[:, units] * t + rng.normal(0, 0.3, (studies, n * 4))
    lines = own_lines(y, LINEAR, t, units)
    some = share_passes([lambda x: drawn_again(lines, LINEAR, x)], MARGIN, 0.2, alpha=0.05, span=(4, 30), stop=42)
    assert np.mean(some.safe > 10 / 1.5) > least  # three tenths of the stock are beyond from 6.67 months on


def test_fewer_than_five_containers_tell_no_share() -> None:
    t, units = np.tile([4.0, 12, 20, 30], 4), np.repeat(np.arange(4), 4)
    y = (0.5 * t + np.random.default_rng(2).normal(0, 0.1, 16))[None]
    assert containers_law(y, LINEAR, t, units) is None
    assert containers_law(y[:, :4], LINEAR, t[:4], np.arange(4)) is None


def _some_studies(again: bool) -> tuple[np.ndarray, np.ndarray]:
    """Differences of two pairs in 300 studies (2, 300, n), some never within, some within beyond the oldest age; and units."""
    rng, units = np.random.default_rng(11), np.tile(np.arange(6), 2) if again else np.arange(12)
    rate, sd = rng.uniform(0.0, 0.9, (300, 1)), rng.uniform(0.02, 4.0 if again else 6.0, (300, 1))
    one = rate * T + sd * rng.standard_normal((300, 12))
    return np.stack([one, 0.5 * one + sd * rng.standard_normal((300, 12))]), units


@pytest.mark.parametrize("again", [False, True])
def test_shares_looked_at_where_it_matters_cross_where_all_of_them_do(again: bool) -> None:
    """To the bit: the times left out are those at which one part of the share alone lies beyond."""
    values, units = _some_studies(again)
    laws = [law for d in values if (law := containers_law(d, LINEAR, T, units)) is not None]
    assert len(laws) == 2
    safe, outside = share_within(laws, MARGIN, 0.3, alpha=0.05, span=(4, 30), stop=60, points=41)

    def every(months: np.ndarray, of: np.ndarray | slice = slice(None)) -> np.ndarray:
        return _below(share_limits(laws, MARGIN, alpha=0.05, months=months), 0.3)[of]

    left = _left(laws, MARGIN, 0.3)
    whole, never = _until(every, (4, 30), 60, 41, lambda months, _: left(months[:1])[:, 0] < 0, every)
    assert 20 < outside.sum() < 280
    assert (safe > 30).sum() > 5
    assert np.unique(safe[safe < 30]).size > 10
    np.testing.assert_array_equal(outside, never)
    np.testing.assert_array_equal(safe, whole)


@pytest.mark.parametrize("again", [False, True])
def test_lines_of_some_studies_read_as_those_among_all(again: bool) -> None:
    values, units = _some_studies(again)
    lines, of, at = fit_lines(values[0], LINEAR.line(T), units), np.arange(300) % 7 == 3, LINEAR.line(np.linspace(4, 60, 9))
    some, every = lines.some(of).at(at), lines.at(at)
    assert some.estimate.shape == (43, 9)
    np.testing.assert_array_equal(some.estimate, every.estimate[of])
    np.testing.assert_array_equal(some.se, every.se[of])
    np.testing.assert_array_equal(some.df, every.df)
