"""Shares of containers beyond the margin: exact binomial values, coverage by simulation, df choice."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from studykit.inference import share as share_module
from studykit.inference.equivalence import Margin
from studykit.inference.share import (
    _share,
    clear_calls,
    next_container,
    share_beyond,
    share_bound_clear,
    share_upper,
    shown_beyond,
    upper_shares,
)


def test_clear_calls_give_the_exact_binomial_bound():
    # 1 - 0.05^(1/n): none of 6, 12, 24 beyond still allows 39 %, 22 %, 12 %; 59 are needed for 5 %
    assert [round(100 * share_bound_clear(0, n)) for n in (6, 12, 24)] == [39, 22, 12]
    assert share_bound_clear(0, 59) <= 0.05 < share_bound_clear(0, 58)
    # Clopper-Pearson: the bound puts the count at probability 5 %
    p = share_bound_clear(3, 20)
    assert stats.binom.cdf(3, 20, p) == pytest.approx(0.05)
    assert share_bound_clear(4, 4) == 1.0


@pytest.mark.parametrize(("edge", "n", "pairs"), [(0.4, 12, 3), (0.4, 12, 1), (1.5, 24, 3), (4.0, 24, 1), (6.0, 6, 6)])
def test_the_threshold_has_the_lowest_expected_bound_for_a_level_stock(edge, n, pairs):
    """By the library's binomial distribution; noise known exactly, so a container beyond is caught with Phi(z)."""
    def expected(z: float) -> float:
        q = min(1.0, pairs * 2 * stats.norm.sf(max(edge - z, 0.0)))
        chances = stats.binom.pmf(np.arange(n + 1), n, q)
        return min(1.0, float(chances @ [share_bound_clear(c, n) for c in range(n + 1)]) / stats.norm.cdf(z))

    grid = np.arange(0.0, 4.01, 0.25)
    best = min(expected(z) for z in grid)
    assert expected(share_module._best_z(edge, n, pairs, math.inf, 0.95)) == pytest.approx(best)


# coverage of the 95 % upper bound; 600 studies a row, allowed shortfall 1.5 points + 3.5 Monte Carlo errors
@pytest.mark.few(2)
@pytest.mark.parametrize(("n", "delta", "tau", "noise", "df"), [
    (3, 0.5, 0.3, 0.3, 9), (6, 0.8, 0.3, 0.3, 18), (6, 0.0, 0.6, 0.3, 18), (12, 0.8, 0.3, 0.3, 36),
    (12, 0.0, 0.5, 0.5, math.inf), (24, 0.5, 0.3, 0.0, math.inf), (12, 0.9, 0.0, 0.5, 36)])
def test_coverage(n, delta, tau, noise, df):
    rng = np.random.default_rng(n)
    runs = 600
    d = delta + rng.standard_normal((runs, n)) * math.hypot(tau, noise)
    e = np.full(runs, noise**2) if math.isinf(df) else noise**2 * rng.chisquare(df, runs) / df
    truth = _share(np.array([delta]), np.array([tau]), -1, 1)[0]
    upper = upper_shares(d.mean(axis=1), d.var(axis=1, ddof=1), n, e, df, -1, 1, log2_pivots=9)
    assert np.mean(upper >= truth - 1e-12) > 0.95 - 0.015 - 3.5 * math.sqrt(0.05 * 0.95 / runs)


def test_the_bound_is_not_trivially_wide():
    rng = np.random.default_rng(2)
    d = rng.standard_normal((200, 24)) * math.hypot(0.3, 0.3)
    upper = upper_shares(d.mean(axis=1), d.var(axis=1, ddof=1), 24, np.full(200, 0.09), math.inf, -1, 1)
    assert np.median(upper) < 0.08  # true share 0.1 %


def test_without_noise_it_is_the_tolerance_bound():
    # one-sided normal tolerance: with a far lower edge, share above the edge has the exact bound from the
    # noncentral t: P(t_{n-1, sqrt(n) z_p} <= sqrt(n)(edge - mean)/s) = level (Owen 1968)
    n, s, edge = 15, 1.0, 2.0
    upper = upper_shares([0.0], [s**2], n, [0.0], math.inf, -1e6, edge, log2_pivots=14)[0]
    z = stats.norm.isf(upper)
    assert stats.nct.sf(math.sqrt(n) * edge / s, n - 1, math.sqrt(n) * z) == pytest.approx(0.05, abs=2e-3)


def test_result_fields_and_words():
    d = [0.1, -0.2, 0.3, 0.15, 1.4, 0.0, 0.2, -0.1]
    r = share_beyond(d, Margin.absolute(1, "mg/kg"), noise_variance=0.02, noise_df=24)
    assert r.counted == 1 / 8
    assert r.clear == 1
    assert r.share < r.upper <= 1
    assert r.upper_clear == share_bound_clear(1, 8)
    assert "with 95 % confidence it is at most" in r.sentence()
    assert "all scatter counts as real" not in r.sentence()
    assert r.to_table().shape == (7, 2)
    blind = share_beyond(d, Margin.absolute(1, "mg/kg"), noise_variance=None)
    assert blind.upper >= r.upper
    assert "all scatter counts as real" in blind.sentence()
    assert share_beyond(d, Margin.absolute(1), noise_variance=0.02, noise_df=24).upper == r.upper


def test_each_container_is_called_on_its_own_interval():
    calls = clear_calls([0.1, 0.9, 1.6, -2.0], Margin.absolute(1), noise_variance=0.04)
    assert calls == ("within", "unclear", "beyond", "beyond")
    assert set(clear_calls([0.1, 2.0], Margin.absolute(1), noise_variance=None)) == {"unclear"}
    # two-sided: 1.96 x 0.2 = 0.392 to either side (normal tables); a one-sided limit would be 1.645 x 0.2 = 0.329
    assert clear_calls([1.36, 1.40, 0.64, 0.60, -1.36, -1.40], Margin.absolute(1), noise_variance=0.04) == (
        "unclear", "beyond", "unclear", "within", "unclear", "beyond")
    # t with 4 degrees of freedom: 2.776 x 0.2 = 0.555
    assert clear_calls([1.54, 1.57], Margin.absolute(1), noise_variance=0.04, noise_df=4) == ("unclear", "beyond")


@pytest.mark.parametrize(("call", "words"), [
    (lambda: share_bound_clear(3, 2), "beyond must lie"),
    (lambda: share_bound_clear(0, 2, 0.2), "level must lie"),
    (lambda: share_beyond([1.0], Margin.absolute(1), noise_variance=0.1), "two or more finite numbers"),
    (lambda: share_beyond([1.0, 2.0], Margin.absolute(1), noise_variance=-1), "must not be negative"),
    (lambda: share_beyond([1.0, 2.0], Margin.absolute(1), noise_variance=1, noise_df=0), "must not be negative"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.parametrize("noise", ["known", "duplicates", "unknown"])
@pytest.mark.parametrize("n", [6, 14])
def test_the_bound_for_mixtures_covers_two_point_stocks(n, noise):
    # containers are level or just beyond the margin: the bound from a normal model covers 35 to 80 % of these
    rng, edge, share, se = np.random.default_rng(n), 1.0, 0.25, 0.2
    covered, runs = 0, 200
    for _ in range(runs):
        d = np.where(rng.random(n) < share, 1.0001 * edge, 0.0) + se * rng.standard_normal(n)
        df = 2.0 * n if noise == "duplicates" else math.inf
        known = None if noise == "unknown" else se * (math.sqrt(rng.chisquare(df) / df) if noise == "duplicates" else 1.0)
        covered += share_upper(d, edge, noise_se=known, noise_df=df).upper >= share
    assert covered / runs > 0.95 - 3.5 * math.sqrt(0.05 * 0.95 / runs)


def test_level_containers_get_a_low_bound():
    # none of 24 counted: 1 - 0.05^(1/24) over the chance that one beyond would have been counted
    found = share_upper(np.zeros((24, 3)), 1.0, noise_se=0.1)
    assert found.counted == 0
    assert found.upper == pytest.approx((1 - 0.05 ** (1 / 24)) / found.caught)
    assert found.upper < 0.13
    assert share_upper(np.zeros(24), 1.0, noise_se=None).upper == pytest.approx(2 * (1 - 0.05 ** (1 / 24)))
    lost = np.zeros((24, 3))
    lost[0] = np.nan
    assert share_upper(lost, 1.0, noise_se=0.1).counted == 1  # a container without readings may lie beyond
    assert share_upper(lost[:1], 1.0, noise_se=0.1).upper == 1.0


def test_containers_shown_beyond_are_named_and_level_ones_are_not():
    rng = np.random.default_rng(4)
    d = 0.05 * rng.standard_normal((24, 1))
    d[20:] += 3.0
    for noise in (0.05, None):
        assert np.flatnonzero(shown_beyond(d, 1.0, noise_se=noise)).tolist() == [20, 21, 22, 23]
    wrong = [shown_beyond(0.9 * np.ones(12) + 0.1 * rng.standard_normal(12), 1.0, noise_se=None).any() for _ in range(300)]
    assert np.mean(wrong) < 0.05
    assert not shown_beyond(np.array([0.0, 0.0, 9.0]), 1.0, noise_se=None).any()  # too few to know the noise


def test_the_next_container_is_covered():
    rng, inside = np.random.default_rng(5), 0
    for _ in range(2000):
        d = rng.standard_normal(7)
        span = next_container(d[:6], 0.9)
        inside += span.low < d[6] < span.high
    assert inside / 2000 == pytest.approx(0.9, abs=0.024)
    with pytest.raises(ValueError, match="two or more"):
        next_container([1.0])


def test_what_was_not_seen_in_a_container_is_never_clear():
    """Six complete containers and 40 whose floor sample was lost: nothing is known of the lowest zone of the 40."""
    seen = np.zeros((6, 3))
    half = np.tile([0.0, np.nan, np.nan], (40, 1))
    few = share_upper(seen, 1.0, noise_se=0.05)
    with_lost = share_upper(np.vstack([seen, half]), 1.0, noise_se=0.05)
    assert with_lost.upper >= few.upper
    assert with_lost.counted == 40
    none = share_upper(np.vstack([seen, np.full((40, 3), np.nan)]), 1.0, noise_se=0.05)
    assert none == with_lost  # no more is known of one without any difference


def test_the_bound_is_worked_out_for_any_ratio_of_margin_to_noise():
    """The library's binomial pmf overflows where the margin is about 35 times the noise."""
    for ratio in np.linspace(1.0, 60.0, 237):
        found = share_upper(np.zeros(6), 1.0, noise_se=1.0 / float(ratio), noise_df=6.0)
        assert 0 < found.upper <= 1
    np.testing.assert_allclose(share_module._binomial(6, 0.3), stats.binom.pmf(np.arange(7), 6, 0.3), rtol=1e-12)


def test_the_next_container_lies_within_the_usual_prediction_interval() -> None:
    # textbook: mean -+ t(n - 1) s sqrt(1 + 1/n)
    d = [1.0, 2.0, 4.0, 3.5, 0.5]
    half = stats.t.isf(0.025, 4) * np.std(d, ddof=1) * math.sqrt(1 + 1 / 5)
    found = share_module.next_container(d)
    assert (found.low, found.high) == pytest.approx((2.2 - half, 2.2 + half))


def test_how_many_clean_containers_clear_a_stock_at_twenty_per_cent() -> None:
    """06-verdict: twelve never, sixteen from five standard errors of one difference on, 29 where no scatter is known."""
    def bound(n: int, edge: float, noise: float | None = 1.0) -> float:
        return share_upper(np.zeros((n, 3)), edge, noise_se=noise, noise_df=3 * n).upper  # three zones, each twice

    assert min(bound(12, e) for e in (4, 5, 8, 20, 1000)) == pytest.approx(1 - 0.05 ** (1 / 12), abs=1e-3)  # Clopper-Pearson
    assert all(bound(16, e) <= 0.20 for e in (5, 6, 8, 20))
    assert bound(16, 4) > 0.20
    assert bound(29, 5, None) <= 0.20 < bound(28, 5, None)


def test_a_container_of_which_nothing_can_be_compared_is_not_within() -> None:
    """Two depths and a lost floor: nothing is known of that container, so it counts as one that may lie beyond."""
    d = np.full(30, 0.1)
    whole = share_upper(d, 1.0, noise_se=None).upper
    d[:5] = np.nan
    assert share_upper(d, 1.0, noise_se=None).counted == 5
    assert share_upper(d, 1.0, noise_se=None).upper > 3 * whole


def test_any_degrees_of_freedom_above_none_are_taken():
    for df in (0.5, 1.0):
        assert share_beyond([0.1, 0.2, 0.3], Margin.absolute(1), noise_variance=0.01, noise_df=df).noise_known
    for variance, df in ((0.01, 0.0), (-0.01, 1.0)):
        with pytest.raises(ValueError, match="must not be negative"):
            share_beyond([0.1, 0.2, 0.3], Margin.absolute(1), noise_variance=variance, noise_df=df)
    assert not share_beyond([0.1, 0.2, 0.3], Margin.absolute(1), noise_variance=None).noise_known


@pytest.mark.parametrize(("mean", "variance", "noise", "df"), [(0.5, 0.4, 0.25, 4.0), (-0.7, 0.2, 0.05, math.inf)])
def test_the_model_bound_is_the_quantile_of_its_pivots_drawn_at_random(mean, variance, noise, df):
    """Weerahandi's bound with pseudo-random pivots in place of the Sobol set, by scipy; Monte Carlo error 0.01."""
    rng, n = np.random.default_rng(11), 8
    total = (n - 1) * variance / rng.chisquare(n - 1, 40_000)
    delta = mean - rng.standard_normal(40_000) * np.sqrt(total / n)
    e = noise / (rng.chisquare(df, 40_000) / df if math.isfinite(df) else 1.0)
    tau = np.sqrt(np.maximum(total - e, 1e-18))
    shares = stats.norm.cdf(-1, delta, tau) + stats.norm.sf(1.2, delta, tau)
    found = upper_shares([mean], [variance], n, [noise], df, -1, 1.2)
    assert found[0] == pytest.approx(np.quantile(shares, 0.95), abs=0.012)
    margin = Margin(low=-1, high=1.2, scale="raw", text="1")
    d = np.array([-1.0, -0.5, 0.0, 0.2, 0.5, 0.9, 1.2, 1.3])
    r = share_beyond(d, margin, noise_variance=noise, noise_df=df)
    assert r.counted == 1 / 8  # on the edge is not beyond it
    assert (r.delta, r.noise_sd) == (pytest.approx(d.mean()), pytest.approx(math.sqrt(noise)))
    assert r.tau == pytest.approx(math.sqrt(d.var(ddof=1) - noise))
    assert r.share == pytest.approx(stats.norm.cdf(-1, r.delta, r.tau) + stats.norm.sf(1.2, r.delta, r.tau))
    assert r.upper == pytest.approx(upper_shares([d.mean()], [d.var(ddof=1)], 8, [noise], df, -1, 1.2)[0])


def test_shares_and_calls_on_the_very_edge():
    assert share_bound_clear(0, 1) == pytest.approx(0.95)  # 1 - 0.05^(1/1)
    assert clear_calls([1.0, -1.0, 1.001, -1.001, 0.999], Margin.absolute(1), noise_variance=0.0) == (
        "unclear", "unclear", "beyond", "beyond", "within")
    quiet = share_beyond([0.2, 0.2, 1.5], Margin.absolute(1), noise_variance=9.0)
    assert (quiet.tau, quiet.clear, quiet.upper_clear) == (0.0, 0, 1.0)  # nothing is clear of so much noise
    exact = share_beyond([0.5, 0.6, 2.0], Margin.absolute(1), noise_variance=0.0)
    assert (exact.clear, exact.upper_clear, exact.noise_known) == (1, share_bound_clear(1, 3), True)
    for bad in ((-1, 3), (4, 3), (0, 0)):
        with pytest.raises(ValueError, match="beyond must lie"):
            share_bound_clear(*bad)
    for level in (0.5, 1.0):
        with pytest.raises(ValueError, match="level must lie"):
            share_bound_clear(0, 3, level)
    for d in ([1.0, math.nan], [[1.0, 2.0], [3.0, 4.0]]):
        with pytest.raises(ValueError, match="two or more finite"):
            share_beyond(d, Margin.absolute(1), noise_variance=None)  # type: ignore[arg-type]


def test_a_container_on_the_threshold_is_clear_and_without_noise_the_threshold_is_the_margin():
    d = np.array([1.0, -1.0, 0.0, 0.5])
    found = share_upper(d, 1.0, noise_se=0.0)
    assert (found.counted, found.containers, found.threshold, found.caught) == (0, 4, 1.0, 1.0)
    assert found.upper == pytest.approx(1 - 0.05 ** (1 / 4))
    assert share_upper(np.array([1.0001, 0, 0, 0]), 1.0, noise_se=0.0).counted == 1
    assert share_upper(d[:1], 1.0, noise_se=0.0).upper == pytest.approx(0.95)
    assert share_upper(np.array([5.0, 5.0]), 1.0, noise_se=None).upper == 1.0  # a share is at most all
    for wrong, edge in ((np.zeros((0, 2)), 1.0), (np.zeros((2, 2, 2)), 1.0), (d, 0.0), (d, math.inf)):
        with pytest.raises(ValueError, match="containers x pairs and edge above 0"):
            share_upper(wrong, edge, noise_se=0.1)


@pytest.mark.parametrize("df", [6.0, math.inf])
def test_the_chance_of_being_counted_is_phi_of_z_with_noise_at_its_lowest_twentieth(df):
    found = share_upper(np.zeros((16, 3)), 1.0, noise_se=0.2, noise_df=df)
    z = (1.0 - found.threshold) / 0.2
    low = math.sqrt(stats.chi2.ppf(0.05, df) / df) if math.isfinite(df) else 1.0
    assert found.caught == pytest.approx(stats.norm.cdf(z * low))
    assert 0 < z <= 4


def test_a_noise_between_two_ends_gives_the_largest_bound_of_any_between_them():
    rng = np.random.default_rng(8)
    d = 0.25 * rng.standard_normal((24, 3))
    whole = share_upper(d, 1.0, noise_se=0.2, noise_df=20.0, noise_span=(0.08, 0.4)).upper
    single = [share_upper(d, 1.0, noise_se=x, noise_df=20.0).upper for x in np.geomspace(0.08, 0.4, 60)]
    assert whole >= max(single) - 1e-12
    assert min(single) < whole < 1
    assert share_upper(d, 1.0, noise_se=0.2, noise_span=(0.2, 0.2)) == share_upper(d, 1.0, noise_se=0.2)


@pytest.mark.parametrize("sign", [1, -1])
def test_shown_beyond_is_a_one_sided_limit_shared_by_all_containers_and_pairs(sign):
    """Normal or t quantile of 0.05 over 4 x 2 looks, by scipy, just below and just above."""
    for df, q in ((math.inf, stats.norm.isf(0.05 / 8)), (5.0, stats.t.isf(0.05 / 8, 5))):
        for factor, shown in ((0.999, 0), (1.001, sign)):
            d = np.zeros((4, 2))
            d[2, 1] = sign * (1.0 + factor * q * 0.1)
            found = shown_beyond(d, 1.0, noise_se=0.1, noise_df=df)
            assert found[2, 1] == shown
            assert np.count_nonzero(found) == abs(shown)
    one = np.array([sign * 1.5, sign * 1.5, np.nan])
    assert shown_beyond(one, 1.0, noise_se=np.array([0.1, 9.0, 0.1])).ravel().tolist() == [sign, 0, 0]  # one noise a container
    assert shown_beyond(one, 1.0, noise_se=0.0, least=np.array([[0.4], [0.6], [0.1]])).ravel().tolist() == [sign, 0, 0]
    assert shown_beyond(one, 1.0, noise_se=0.2, least=np.full((3, 1), 0.1)).ravel().tolist() == [
        sign * (0.2 * stats.norm.isf(0.05 / 3) < 0.5)] * 2 + [0]


def test_of_an_unknown_noise_the_median_deviation_of_four_containers_stands_for_it():
    d = np.array([-0.03, -0.01, 0.01, 0.02, 0.04, 9.0])
    sd = stats.median_abs_deviation(d, scale="normal")
    reach = stats.t.isf(0.05 / 6, 0.37 * 5) * sd
    for edge, shown in ((9.0 - 1.01 * reach, 1), (9.0 - 0.99 * reach, 0)):
        assert shown_beyond(d, edge, noise_se=None).ravel().tolist() == [0] * 5 + [shown]
    four = np.array([0.01, 0.02, 0.03, 9.0])
    reach = stats.t.isf(0.05 / 4, 0.37 * 3) * stats.median_abs_deviation(four, scale="normal")
    assert reach < 8
    assert shown_beyond(four, 1.0, noise_se=None).ravel().tolist() == [0, 0, 0, 1]
    limits = np.append(four[:3], np.nan)[:, None]  # the fourth is known within bounds only: three tell nothing
    assert not shown_beyond(four, 1.0, noise_se=None, clear=limits).any()


def test_all_one_way_means_the_same_pair_in_the_same_direction():
    way = share_module.all_one_way
    assert way(np.array([[0, 1], [1, 1]], dtype=np.int8))
    assert way(np.array([[0, -1], [1, -1]], dtype=np.int8))
    assert not way(np.array([[1, 0], [0, 1]], dtype=np.int8))
    assert not way(np.array([[1], [-1]], dtype=np.int8))
    assert not way(np.zeros((0, 2), dtype=np.int8))
    assert way(np.ones((300, 1), dtype=np.int8))  # more than a byte can count


def test_the_next_container_needs_two_finite_numbers_in_a_row():
    assert share_module.next_container([1.0, 3.0]).high > 3.0
    for d in ([1.0, math.inf], [[1.0, 2.0], [2.0, 3.0]]):
        with pytest.raises(ValueError, match="two or more finite"):
            share_module.next_container(d)


def test_many_studies_have_one_noise_or_each_its_own():
    mean, variance = [0.2, 0.9], [0.3, 0.1]
    each = [upper_shares([m], [v], 9, [e], 20.0, -1, 1)[0] for m, v, e in zip(mean, variance, (0.05, 0.02), strict=True)]
    assert upper_shares(mean, variance, 9, [0.05, 0.02], 20.0, -1, 1) == pytest.approx(each)
    alone = upper_shares(mean[1:], variance[1:], 9, [0.05], 20.0, -1, 1)[0]
    assert upper_shares(mean, variance, 9, [0.05], 20.0, -1, 1) == pytest.approx([each[0], alone])


def test_shares_are_told_in_per_cent():
    r = share_beyond([0.5, 0.6, 2.0, 0.1], Margin.absolute(1), noise_variance=0.01, level=0.9)
    told = r.to_table().set_index("quantity")["value"]
    assert told["counted beyond, noise included (%)"] == 25
    assert told["estimated share beyond (%)"] == pytest.approx(100 * r.share)
    assert told["upper bound (%)"] == pytest.approx(100 * r.upper)
    assert told["upper bound from clear calls alone (%)"] == pytest.approx(100 * share_bound_clear(1, 4, 0.9))
    assert told["level (%)"] == 90
    assert share_upper([0.0, -5.0], 1.0, noise_se=None, level=0.6).counted == 1  # either way
    assert share_upper([0.0, -5.0], 1.0, noise_se=None, level=0.6).level == 0.6
    assert next_container([1.0, 2.0], 0.8).level == 0.8


def test_the_threshold_is_the_margin_itself_where_noise_hides_it_and_at_most_four_standard_errors_inside():
    assert share_upper(np.zeros((9, 3)), 0.1, noise_se=1.0).threshold == pytest.approx(0.1)
    assert share_upper(np.zeros((9, 3)), 1000.0, noise_se=1.0).threshold == pytest.approx(996.0)


def test_what_a_noise_of_each_reading_and_a_half_known_container_show():
    noise = np.array([[0.1, 9.0], [9.0, 0.1]])
    assert shown_beyond(np.full((2, 2), 3.0), 1.0, noise_se=noise).tolist() == [[1, 0], [0, 1]]
    assert not shown_beyond([1.0, -1.0], 1.0, noise_se=0.0).any()  # on the edge is not beyond
    d = np.array([[0.01, 0.0], [0.02, 0.01], [0.03, 0.03], [9.0, 0.02]])
    half = d.copy()
    half[1, 1] = np.nan  # three containers are known in both pairs: too few to tell the noise
    assert shown_beyond(d, 1.0, noise_se=None, clear=d).any()
    assert not shown_beyond(d, 1.0, noise_se=None, clear=half).any()
