"""Chances of the verdicts: published tables, Owen's Q, simulated data, error rates, the ladder of designs."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import nct, studentized_range
from scipy.stats import t as student_t

from studykit.design.operating import (
    DesignSize,
    OperatingCharacteristic,
    best_replicates,
    beyond_share_bound,
    chances,
    critical_reach,
    depth_effects,
    depth_mean_sd,
    least_favourable,
    margin_on_scale,
    range_within,
    resolvable_margin,
    verdict_chances,
)
from studykit.inference.equivalence import Margin as Band
from studykit.inference.equivalence import compare_depths
from studykit.inference.simultaneous import beyond_sf
from studykit.inference.tost_power import beyond_power, tost_power
from studykit.study.definition import Assumption, Margin

R_PER_S = 1.959963984540054 * math.sqrt(2)  # r = 2.77 s_r


def size(containers: int, depths: int = 3, replicates: int = 1) -> DesignSize:
    return DesignSize(containers=containers, depths=depths, replicates=replicates)


# Ladder of designs for one contrast bottom minus top, nothing settled, 80 % chance of "homogeneous":
# one container with known s_r 1.5 r, 1.06 r, 0.75 r for 1, 2, 4 draws (normal theory); 6, 12, 24 containers
# 2.0, 1.3, 0.9 s_r by one difference per container and t; own computation, no source
@pytest.mark.parametrize(("n", "k", "unit", "printed", "half_digit"), [
    (1, 1, R_PER_S, 1.5, 0.05), (1, 2, R_PER_S, 1.06, 0.005), (1, 4, R_PER_S, 0.75, 0.005),
    (6, 1, 1.0, 2.0, 0.05), (12, 1, 1.0, 1.3, 0.05), (24, 1, 1.0, 0.9, 0.05)])
def test_ladder_of_designs_one_contrast(n: int, k: int, unit: float, printed: float, half_digit: float) -> None:
    margin = resolvable_margin(size(n, 3, k), Assumption(s_r=1), pairs="container contrasts")
    assert margin / unit == pytest.approx(printed, abs=half_digit)


# The same for all pairs of three depths of one container: q(0.80; 3, inf) + 1.645 sqrt(2), in r:
# the 80 % point of the range of three normals is scipy's studentized_range
@pytest.mark.parametrize("k", [1, 2, 4])
def test_ladder_all_pairs_of_one_container(k: int) -> None:
    margin = resolvable_margin(size(1, 3, k), Assumption(s_r=1))
    expected = (studentized_range.ppf(0.8, 3, np.inf) + 1.6448536269514722 * math.sqrt(2)) / math.sqrt(k)
    # tolerance: accuracy of scipy's quadrature
    assert margin == pytest.approx(expected, rel=1e-6)


# Two single results can never be shown the same below 0.84 r (1.645/1.96): every chance is exactly 0
def test_below_084_r_two_single_results_show_nothing() -> None:
    assert chances(size(1, 2), Assumption(s_r=1), 0.839 * R_PER_S).homogeneous == 0.0
    assert chances(size(1, 2), Assumption(s_r=1), 0.842 * R_PER_S).homogeneous > 0.0


def test_range_of_equal_means_is_the_studentized_range() -> None:
    for d in (2, 3, 5):
        for w in (0.5, 2.0, 4.0):
            assert range_within(np.array(w), np.zeros(d)) == pytest.approx(
                studentized_range.cdf(w, d, np.inf), abs=1e-8)


def test_range_of_unequal_means_by_counting() -> None:
    means = np.array([0.0, 0.7, 2.1, 2.1])
    draws = np.random.default_rng(4).standard_normal((400_000, 4)) + means
    for w in (1.5, 3.0):
        p = float(range_within(np.array(w), means))
        # tolerance: four standard errors of the count
        assert np.mean(np.ptp(draws, axis=1) <= w) == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / 4e5))
    assert range_within(np.array(-1.0), means) == 0.0


@pytest.mark.parametrize("n", [2, 3, 6, 24])
@pytest.mark.parametrize("gradient", [0.0, 0.6, 1.4])
def test_two_depths_agree_with_owens_q_and_noncentral_t(n: int, gradient: float) -> None:
    got = chances(size(n, 2), Assumption(s_r=0.8, gradient=gradient), 1.1)
    # tolerance: the quadratures' own
    assert got.homogeneous == pytest.approx(
        tost_power(gradient, got.se, got.df, -1.1, 1.1), abs=1e-8)
    # with the margin many standard errors wide the critical value is the one-sided t quantile
    far = chances(size(n, 2), Assumption(s_r=0.05, gradient=3 + gradient / 10), 3.0)
    assert far.stratified == pytest.approx(beyond_power(3 + gradient / 10, far.se, far.df, 3.0), abs=2e-5)


# Total sample sizes of the 2x2 design, 80 % chance, margins 0.80-1.25: Hauschke, Steinijans & Pigeot 2007,
# Table 5.1 (= Diletti, Hauschke & Steinijans 1991); ratios 0.85 ... 1.20
HAUSCHKE = {
    0.10: (36, 12, 8, 6, 8, 10, 20, 76), 0.15: (78, 22, 12, 10, 12, 20, 42, 168),
    0.20: (134, 38, 20, 16, 18, 32, 72, 294), 0.25: (206, 56, 28, 24, 28, 48, 110, 452),
    0.30: (292, 80, 40, 32, 38, 68, 156, 642), 0.35: (392, 106, 52, 42, 50, 90, 208, 860),
    0.40: (502, 134, 66, 54, 64, 114, 266, 1104),
}
RATIOS = (0.85, 0.90, 0.95, 1.00, 1.05, 1.10, 1.15, 1.20)


def crossover(n: int, cv: float, ratio: float, margin: float) -> float:
    """Chance in a 2x2 crossover of n: se = s sqrt(2/n), n - 2 degrees of freedom, s = sqrt(ln(1 + cv²))."""
    s = math.sqrt(math.log1p(cv**2) / n)
    return verdict_chances(np.array([0.0, math.log(ratio)]), s, float(n - 2), margin, 0.05)[0]


@pytest.mark.parametrize("cv", HAUSCHKE)
def test_published_sample_sizes_wide_margin(cv: float) -> None:
    for ratio, n in zip(RATIOS, HAUSCHKE[cv], strict=True):
        assert crossover(n, cv, ratio, math.log(1.25)) >= 0.8
        assert n == 6 or crossover(n - 2, cv, ratio, math.log(1.25)) < 0.8


# the same book, Table 5.3: margins 0.90-1.11, 80 %; ratios 0.95, 0.975, 1.00, 1.025, 1.05
@pytest.mark.parametrize(("cv", "sizes"), [(0.05, (14, 8, 6, 8, 12)), (0.10, (44, 22, 18, 22, 40)),
                                           (0.15, (96, 46, 36, 46, 88)), (0.20, (168, 80, 62, 78, 154))])
def test_published_sample_sizes_narrow_margin(cv: float, sizes: tuple[int, ...]) -> None:
    for ratio, n in zip((0.95, 0.975, 1.00, 1.025, 1.05), sizes, strict=True):
        assert crossover(n, cv, ratio, -math.log(0.9)) >= 0.8
        assert crossover(n - 2, cv, ratio, -math.log(0.9)) < 0.8


# CRAN package PowerTOST 1.5-6 (manual): power of the 2x2 design, CV 0.25, ratio 0.95
@pytest.mark.parametrize(("n", "power"), [(24, 0.7391155), (22, 0.6953401)])
def test_published_power(n: int, power: float) -> None:
    # tolerance: the printed digits
    assert crossover(n, 0.25, 0.95, math.log(1.25)) == pytest.approx(power, abs=1e-7)


@pytest.mark.parametrize(("depths", "df"), [(2, 1), (2, 5), (3, 2), (3, 10), (4, 20), (5, 40), (3, math.inf)])
def test_critical_reach_is_the_one_of_the_verdict(depths: int, df: float) -> None:
    for m in (0.0, 0.9, 2.6, 10.0):
        c = float(critical_reach(np.array([m]), depths, df, 0.05)[0])
        # tolerance: the direction grid of the other road, 2 per mille of alpha; interpolation in m
        assert beyond_sf(c, m, np.eye(depths), df) == pytest.approx(0.05, abs=2e-4)
    tukey = studentized_range.ppf(0.95, depths, df) / math.sqrt(2)
    assert critical_reach(np.array([0.0]), depths, df, 0.05)[0] == pytest.approx(tukey, rel=2e-5)


@pytest.mark.parametrize("depths", [3, 4, 5, 6])
def test_an_even_split_is_the_least_favourable(depths: int) -> None:
    for m in (0.3, 1.0, 3.0):
        beyond = [1 - float(range_within(np.array((m + 2.2) * math.sqrt(2)), least_favourable(depths, m, low)))
                  for low in range(1, depths // 2 + 1)]
        assert max(beyond) == pytest.approx(beyond[-1], rel=1e-9)


def simulated(n: int, d: int, k: int, guess: Assumption, margin: float, studies: int) -> tuple[float, float]:
    """Shares of the two verdicts among studies made from single results, judged by mean squares."""
    rng = np.random.default_rng(20260301)
    c = rng.normal(0, guess.sd_container, (studies, n, 1))
    g = rng.normal(0, guess.sd_container_depth, (studies, n, d)) + depth_effects(guess, d)
    y = c + g + rng.normal(0, guess.s_r, (studies, k, n, d)).mean(axis=1)
    depth = y.mean(axis=1)
    rest = y - y.mean(axis=2, keepdims=True) - depth[:, None, :] + y.mean(axis=(1, 2))[:, None, None]
    df = (n - 1) * (d - 1)
    se = np.sqrt(2 * (rest**2).sum(axis=(1, 2)) / df / n)
    spread = np.ptp(depth, axis=1)
    t = float(student_t.isf(0.05, df))
    c_at = critical_reach(margin / se, d, float(df), 0.05)
    return float(np.mean(spread + t * se < margin)), float(np.mean(spread - c_at * se > margin))


@pytest.mark.parametrize(("n", "d", "k", "gradient", "margin"), [
    (6, 3, 1, 0.0, 2.2), (6, 3, 2, 3.5, 2.0), (12, 3, 2, 1.0, 2.0), (4, 5, 1, 0.5, 3.0), (6, 2, 1, 4.0, 2.0)])
def test_exact_chances_agree_with_simulated_data(n: int, d: int, k: int, gradient: float, margin: float) -> None:
    guess = Assumption(s_r=1, sd_container=3, sd_container_depth=0.5, gradient=gradient)
    studies = 60_000
    exact = chances(size(n, d, k), guess, margin)
    for got, p in zip(simulated(n, d, k, guess, margin, studies), (exact.homogeneous, exact.stratified),
                      strict=True):
        # tolerance: four Monte Carlo standard errors
        assert got == pytest.approx(p, abs=4 * math.sqrt(max(p * (1 - p), 1 / studies) / studies))


def test_rule_of_the_simulation_is_the_rule_of_the_verdict() -> None:
    rng = np.random.default_rng(7)
    words = set()
    for _ in range(40):
        means, se = rng.normal([0, 0, rng.choice([0, 2.4])], [0.2, 0.3, 0.2]), rng.uniform(0.1, 0.5)
        said = compare_depths(("a", "b", "c"), means, np.eye(3) * se**2 / 2, 10.0, Band.absolute(1.2)).word
        spread = float(np.ptp(means))
        if spread + 1.8124611228107335 * se < 1.2:
            mine = "homogeneous"
        elif spread - float(critical_reach(np.array([1.2 / se]), 3, 10.0, 0.05)[0]) * se > 1.2:
            mine = "stratified"
        else:
            mine = "inconclusive"
        assert mine == said
        words.add(said)
    assert words == {"homogeneous", "stratified", "inconclusive"}


@pytest.mark.parametrize("shape", ["linear", "lowest only"])
@pytest.mark.parametrize("n", [2, 4, 12, 60])
def test_at_the_margin_neither_error_exceeds_alpha(n: int, shape: str) -> None:
    at_margin = chances(size(n, 3), Assumption(s_r=1, gradient=2.0, shape=shape), 2.0)
    assert at_margin.homogeneous <= 0.05 + 1e-9
    # the rule plugs the estimated standard error into margin/se: a hair above alpha is possible in tiny studies
    assert at_margin.stratified <= 0.0505


def test_changing_the_unit_changes_nothing() -> None:
    a = chances(size(5, 4, 2), Assumption(s_r=1, sd_container_depth=0.4, gradient=1), 2)
    b = chances(size(5, 4, 2), Assumption(s_r=1e-6, sd_container_depth=0.4e-6, gradient=1e-6), 2e-6)
    assert (a.homogeneous, a.stratified) == pytest.approx((b.homogeneous, b.stratified), abs=1e-12)


def test_more_containers_more_chance_and_the_rest_is_inconclusive() -> None:
    rows = [chances(size(n, 3, 2), Assumption(s_r=1, sd_container_depth=0.5), 1.2) for n in range(2, 40)]
    same = [r.homogeneous for r in rows]
    assert all(b > a for a, b in pairwise(same))
    assert all(r.homogeneous + r.stratified + r.inconclusive == pytest.approx(1) for r in rows)


def test_chance_of_seeing_a_gradient() -> None:
    assert chances(size(6), Assumption(s_r=1), 1).gradient_seen == pytest.approx(0.05)
    # two depths: the F test is the two-sided t test; noncentral t power by simulation-free identity
    two = chances(size(6, 2), Assumption(s_r=1, gradient=1.5), 1)
    shift, c = 1.5 / two.se, student_t.isf(0.025, 5)
    assert two.gradient_seen == pytest.approx(nct.sf(c, 5, shift) + nct.cdf(-c, 5, shift), abs=1e-7)


def test_container_to_container_scatter_in_one_container_is_its_own_profile() -> None:
    assert depth_mean_sd(size(1), Assumption(s_r=1, sd_container_depth=5)) == 1.0
    assert depth_mean_sd(size(2), Assumption(s_r=1, sd_container_depth=5)) == pytest.approx(math.sqrt(13))


# exact binomial bound for 0 of n at 95 %: 39, 22, 12 % for 6, 12, 24; 59 containers for 5 %
@pytest.mark.parametrize(("n", "percent"), [(6, 39), (12, 22), (24, 12), (59, 5)])
def test_none_beyond_the_margin_still_allows(n: int, percent: int) -> None:
    assert round(100 * beyond_share_bound(n)) == percent


def test_cochrans_optimum_minimises_variance_times_cost() -> None:
    guess = Assumption(s_r=3, sd_container_depth=1)
    best = best_replicates(guess, 8.0, 2.0)
    # sqrt(8/2)·3/1, two-stage sampling (Cochran 1977, section 10.6, from memory)
    assert best == pytest.approx(6)
    product = {k: (guess.sd_container_depth**2 + guess.s_r**2 / k) * (8 + 2 * k) for k in range(1, 20)}
    assert min(product, key=lambda k: product[k]) == 6
    assert best_replicates(Assumption(s_r=3), 8.0, 2.0) == math.inf


def test_relative_margins_go_to_the_log_scale() -> None:
    assert margin_on_scale(Margin(relative_percent=20)) == pytest.approx(100 * math.log(1.2))
    assert margin_on_scale(Margin(absolute=1.1)) == 1.1


def test_table_and_simulation_error() -> None:
    made = OperatingCharacteristic(homogeneous=0.8, stratified=0.05, gradient_seen=0.1, se=1, df=10, studies=1600)
    table = made.to_table()
    assert list(table["verdict"]) == ["homogeneous", "stratified", "inconclusive"]
    assert table["simulation_error_percent"][0] == pytest.approx(1.0)
    assert made.method == "simulated"


@pytest.mark.parametrize(("call", "message"), [
    (lambda: size(0), "at least 1 container"),
    (lambda: size(3, 1), "2 depths"),
    (lambda: chances(size(3), Assumption(s_r=1), 0.0), "margin must be a finite number above 0"),
    (lambda: chances(size(3), Assumption(s_r=1), math.nan), "margin must be a finite number above 0"),
    (lambda: chances(size(3), Assumption(s_r=1), 1.0, alpha=0.7), "alpha must lie between"),
    (lambda: verdict_chances(np.zeros(2), 0.0, 3.0, 1.0, 0.05), "s and margin must be above 0"),
    (lambda: beyond_share_bound(0), "at least 1"),
    (lambda: best_replicates(Assumption(s_r=1), 1.0, 0.0), "must be above 0"),
])
def test_refusals(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
