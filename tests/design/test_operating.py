"""Chances of the verdicts: published tables, Owen's Q, simulated data, error rates, the ladder of designs."""

from __future__ import annotations

import math
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import nct, sem, studentized_range
from scipy.stats import t as student_t

from studykit.design.operating import (
    BLOCK,
    MANY,
    STUDIES,
    DesignSize,
    OperatingCharacteristic,
    Side,
    _check,
    best_replicates,
    beyond_share_bound,
    chances,
    depth_effects,
    depth_mean_sd,
    drawn_cells,
    homogeneous_chance,
    resolvable_margin,
    zone_effects,
    zones_of,
)
from studykit.inference import power
from studykit.inference.contrasts import contrasts_of, p_any, word_codes
from studykit.inference.declared import declared_contrasts
from studykit.inference.equivalence import Margin as Band
from studykit.inference.equivalence import compare_known
from studykit.inference.judge import WORDS
from studykit.inference.tost_power import beyond_power, tost_power
from studykit.study.definition import Assumption

R_PER_S = 1.959963984540054 * math.sqrt(2)  # r = 2.77 s_r


def size(containers: int, depths: int = 3, replicates: int = 1) -> DesignSize:
    return DesignSize(containers=containers, depths=depths, replicates=replicates)


# Ladder of designs for one contrast bottom minus top, nothing settled, 80 % chance of "homogeneous":
# one container with known s_r 1.5 r, 1.06 r, 0.75 r for 1, 2, 4 draws (normal theory); 6, 12, 24 containers
# 2.0, 1.3, 0.9 s_r by one difference per container and t; own computation, no source
@pytest.mark.parametrize(("n", "k", "unit", "printed", "half_digit"), [
    (1, 1, R_PER_S, 1.5, 0.05), (1, 2, R_PER_S, 1.06, 0.005), (1, 4, R_PER_S, 0.75, 0.005),
    (6, 1, 1.0, 2.0, 0.05), (12, 1, 1.0, 1.3, 0.05), (24, 1, 1.0, 0.9, 0.05)])  # two depths: the lowest and the top
def test_ladder_of_designs_one_contrast(n: int, k: int, unit: float, printed: float, half_digit: float) -> None:
    margin = resolvable_margin(size(n, 2, k), Assumption(s_r=1))
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


@pytest.mark.parametrize("n", [2, 3, 6, 24])
@pytest.mark.parametrize("gradient", [0.0, 0.6, 1.4])
def test_two_depths_agree_with_owens_q_and_noncentral_t(n: int, gradient: float) -> None:
    got = chances(size(n, 2), Assumption(s_r=0.8, gradient=gradient), 1.1)
    # tolerance: four standard errors of the simulated studies
    exact = tost_power(gradient, got.se, got.df, -1.1, 1.1)
    assert got.homogeneous == pytest.approx(exact, abs=4 * math.sqrt(max(exact * (1 - exact), 1e-4) / STUDIES))
    # with the margin many standard errors wide the critical value is the one-sided t quantile
    far = chances(size(n, 2), Assumption(s_r=0.05, gradient=3 + gradient / 10), 3.0)
    exact = beyond_power(3 + gradient / 10, far.se, far.df, 3.0)
    assert far.stratified == pytest.approx(exact, abs=4 * math.sqrt(max(exact * (1 - exact), 1e-4) / STUDIES))


@pytest.mark.parametrize(("containers", "depths", "gradient", "margin"), [
    (4, 3, 0.0, 3.0), (12, 3, 1.0, 2.0), (12, 5, 2.5, 1.2), (6, 4, 0.5, 2.5)])
def test_the_chances_are_those_of_the_inference(containers: int, depths: int, gradient: float, margin: float) -> None:
    guess = Assumption(s_r=1, sd_container=4, sd_container_depth=0.5, gradient=gradient)
    other = power.chances(depth_effects(guess, depths), power.profile_cov(depths, cell=0.5, determination=1, determinations=2),
                          containers, margin)
    got = chances(size(containers, depths, 2), guess, margin)
    for mine, theirs in ((got.homogeneous, other.homogeneous), (got.stratified, other.stratified)):
        # tolerance: four standard errors of two simulations
        assert mine == pytest.approx(theirs, abs=4 * math.sqrt(2 * max(theirs * (1 - theirs), 1e-4) / STUDIES))


@pytest.mark.slow
def test_one_containers_reach_is_the_one_of_the_verdict() -> None:
    rng, se, margin = np.random.default_rng(7), 0.3, 1.2
    found = chances(DesignSize(containers=1, depths=3), Assumption(s_r=se / math.sqrt(2), gradient=2.1), margin)
    # the profile of the design is linear: middle at half; its chance by 4,000 drawn containers, 3.5 standard errors
    linear = rng.normal([0, 1.05, 2.1], se / math.sqrt(2), size=(4000, 3))
    seen = np.mean([compare_known(("a", "b", "c"), m, np.full(3, se**2 / 2), Band.absolute(margin)).word == "stratified"
                    for m in linear])
    assert found.stratified == pytest.approx(seen, abs=3.5 * math.sqrt(seen * (1 - seen) / 4000))
    assert 0.5 < seen < 0.99


def test_honesty_with_few_containers_costs_power() -> None:
    # the old rule, pooled scatter with (n - 1)(d - 1) degrees of freedom, promised more than the data can keep
    found = [100 * chances(size(n, 5), Assumption(s_r=1), 2.5).homogeneous for n in (4, 6, 8)]
    assert found == pytest.approx([15, 72, 96], abs=1)  # docs/01-design.md
    ladder = [resolvable_margin(size(n, 3), Assumption(s_r=1)) for n in (6, 12, 24)]
    assert ladder == pytest.approx([2.3, 1.5, 1.0], abs=0.05)


@pytest.mark.parametrize("shape", ["linear", "lowest only"])
@pytest.mark.parametrize("n", [2, 4, 12, 60])
def test_at_the_margin_neither_error_exceeds_alpha(n: int, shape: str) -> None:
    at_margin = chances(size(n, 3), Assumption(s_r=1, gradient=2.0, shape=shape), 2.0)
    # tolerance: 3.5 standard errors of the simulated studies
    assert at_margin.homogeneous <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / STUDIES)
    assert at_margin.stratified <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / STUDIES)


def test_changing_the_unit_changes_nothing() -> None:
    a = chances(size(5, 4, 2), Assumption(s_r=1, sd_container_depth=0.4, gradient=1), 2)
    b = chances(size(5, 4, 2), Assumption(s_r=1e-6, sd_container_depth=0.4e-6, gradient=1e-6), 2e-6)
    assert (a.homogeneous, a.stratified) == pytest.approx((b.homogeneous, b.stratified), abs=1e-12)


def test_more_containers_more_chance_and_the_rest_is_inconclusive() -> None:
    rows = [chances(size(n, 3, 2), Assumption(s_r=1, sd_container_depth=0.5), 1.2) for n in range(2, 40)]
    same = [r.homogeneous for r in rows]
    assert all(b > a - 0.004 for a, b in pairwise(same))  # the same studies, one container more
    assert same[-1] > 0.9 > same[0]
    assert all(r.homogeneous + r.stratified + r.inconclusive == pytest.approx(1) for r in rows)


def test_chance_of_seeing_a_gradient() -> None:
    assert chances(size(6), Assumption(s_r=1), 1).gradient_seen == pytest.approx(0.045, abs=0.012)  # Bonferroni
    # two depths: the two-sided t test; noncentral t power by simulation-free identity
    two = chances(size(6, 2), Assumption(s_r=1, gradient=1.5), 1)
    shift, c = 1.5 / two.se, student_t.isf(0.025, 5)
    assert two.gradient_seen == pytest.approx(nct.sf(c, 5, shift) + nct.cdf(-c, 5, shift), abs=0.02)


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
    (lambda: beyond_share_bound(0), "at least 1"),
    (lambda: best_replicates(Assumption(s_r=1), 1.0, 0.0), "must be above 0"),
])
def test_refusals(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


@pytest.mark.parametrize("alpha", [0.0, 0.5, 0.7])
def test_a_level_of_a_half_or_more_is_refused(alpha: float) -> None:
    with pytest.raises(ValueError, match="alpha must lie between 0 and"):
        _check(1.0, alpha)


@pytest.mark.parametrize("made", [size(1), size(6), DesignSize(containers=6, depths=4, scatter="own gradient")])
@pytest.mark.parametrize("alpha", [0.05, 0.2])
def test_the_chance_of_homogeneous_alone_is_that_among_all(made: DesignSize, alpha: float) -> None:
    guess, margin = Assumption(s_r=2.0, sd_container_depth=0.5), 8.0 if made.containers == 1 else 4.0
    alone = homogeneous_chance(made, guess, margin, alpha=alpha)
    assert alone == pytest.approx(chances(made, guess, margin, alpha=alpha).homogeneous, abs=1e-9)
    assert 0 < alone < 1


@pytest.mark.parametrize("side", [Side(sign=-1), Side(sign=1), Side(sign=-1, log=True), Side(sign=1, log=True)])
def test_zones_against_their_mixed_containers_by_hand(side: Side) -> None:
    """Each zone less the mean of its container's zones, on the raw scale or as 100 ln of the ratio; on logs and above half of
    the variance over containers is added, so that the mean is judged. Standard errors as scipy's one-sample t."""
    cells = np.random.default_rng(2).normal(0, 20 if side.log else 1, size=(3, 7, 3)) + np.array([0, 4, 30])
    if side.log:
        ratios = np.exp(cells / 100)
        d = 100 * np.log(ratios / ratios.mean(axis=2, keepdims=True))
    else:
        d = cells - cells.mean(axis=2, keepdims=True)
    found = zones_of(cells, side)
    lift = d.var(axis=1, ddof=1).mean(axis=1) / 200 if side.log and side.sign > 0 else np.zeros(3)
    assert found.estimate == pytest.approx(d.mean(axis=1) + lift[:, None])
    assert found.se == pytest.approx(sem(d, axis=1))
    assert (found.df == 6).all()


def test_one_zone_beyond_the_margin_on_its_side_is_enough() -> None:
    """A straight fall of 90 with a scatter of 1: the lowest zone lies 45 below the mixed container, and none so far above."""
    size, guess = DesignSize(containers=12, depths=3), Assumption(s_r=1, sd_container_depth=0, gradient=-90)
    below, above = (chances(size, guess, 20.0, side=Side(sign=s)) for s in (-1, 1))
    assert (below.stratified, below.homogeneous) == (1, 0)
    assert (above.stratified, above.homogeneous) == (1, 0)  # the uppermost lies as far above
    level = Assumption(s_r=1, sd_container_depth=0)
    for side in (-1, 1):
        still = chances(size, level, 20.0, side=Side(sign=side))
        assert (still.stratified, still.homogeneous) == (0, 1)
    alone = chances(DesignSize(containers=1, depths=3), guess, 20.0, side=Side(sign=-1))
    assert (alone.stratified, alone.homogeneous, alone.gradient_seen) == (0, 0, 0)


@pytest.mark.parametrize(("log", "shape"), [(True, "linear"), (False, "linear"), (True, "lowest only"), (False, "lowest only")])
def test_zones_of_a_gradient_against_their_mixed_container(log: bool, shape: str) -> None:
    """30 (of 100 ln, or in the unit) from top to bottom of three: on logs less 100 ln of the mean of the contents."""
    guess = SimpleNamespace(gradient=30.0, shape=shape)
    effects = np.array([0.0, 15.0, 30.0] if shape == "linear" else [0.0, 0.0, 30.0])
    mixed = 100 * math.log(np.exp(effects / 100).mean()) if log else effects.mean()
    assert zone_effects(guess, 3, SimpleNamespace(log=log)) == pytest.approx(effects - mixed)  # type: ignore[arg-type]


@pytest.mark.parametrize("depths", [2, 3, 5])
def test_one_container_says_nothing_of_a_side_and_its_zones_scatter_about_their_mean(depths: int) -> None:
    """A zone less the mean of k: s sqrt(1 - 1/k)."""
    size, guess = DesignSize(containers=1, depths=depths, replicates=2), Assumption(s_r=3, sd_container_depth=4)
    told = chances(size, guess, 5.0, side=Side(sign=1, log=False))
    assert told.se == pytest.approx(depth_mean_sd(size, guess) * math.sqrt(1 - 1 / depths))
    assert (told.homogeneous, told.stratified, told.df) == (0.0, 0.0, math.inf)
    assert homogeneous_chance(size, guess, 5.0, side=Side(sign=-1, log=False)) == 0.0


@pytest.mark.parametrize("scatter", ["unstructured", "pooled", "own gradient"])
@pytest.mark.parametrize(("n", "depths", "gradient", "margin"), [(5, 3, 0.0, 2.4), (9, 4, 3.0, 1.2), (3, 2, 2.0, 1.0)])
def test_the_chances_are_the_words_of_the_same_studies_judged_one_by_one(scatter, n, depths, gradient, margin) -> None:
    """The drawn cells, shifted and scaled by hand, through the rule of a real study: no shortcut changes a single word."""
    made = DesignSize(containers=n, depths=depths, replicates=2, scatter=scatter)
    guess = Assumption(s_r=1.0, sd_container_depth=0.6, gradient=gradient)
    drawn = drawn_cells(BLOCK * math.ceil(n / BLOCK), depths, 400)[:n].swapaxes(0, 1)
    cells = np.linspace(0, gradient, depths) + math.sqrt(0.6**2 + 1.0 / 2) * drawn
    found = contrasts_of(cells) if scatter == "unstructured" else declared_contrasts(cells, scatter)
    got = chances(made, guess, margin, studies=400)
    words = word_codes(found, margin, depths=depths)
    assert got.homogeneous == pytest.approx(np.mean(words == 1))
    assert got.stratified == pytest.approx(np.mean(words == 2))
    assert got.gradient_seen == pytest.approx(np.mean(p_any(found) < 0.05))
    assert homogeneous_chance(made, guess, margin, studies=400) == pytest.approx(got.homogeneous)
    assert got.studies == 400
    assert got.se == pytest.approx(math.sqrt(2 * (0.6**2 + 0.5) / n))
    assert got.df == (n - 1) * (depths - 1 if scatter == "pooled" else 1)
    least = resolvable_margin(made, guess, chance=0.7, studies=400)
    assert homogeneous_chance(made, guess, least, studies=400) >= 0.7
    assert homogeneous_chance(made, guess, least * 0.999999, studies=400) < 0.7


@pytest.mark.parametrize("side", [Side(sign=-1), Side(sign=1, log=True)])
def test_the_chances_of_a_side_are_the_words_of_the_same_studies(side) -> None:
    made, guess = DesignSize(containers=6, depths=3), Assumption(s_r=2.0, sd_container_depth=1.0, gradient=4.0)
    drawn = drawn_cells(BLOCK * math.ceil(6 / BLOCK), 3, 400)[:6].swapaxes(0, 1)
    found = zones_of(np.linspace(0, 4.0, 3) + math.sqrt(5.0) * drawn, side)
    for margin in (1.5, 6.0):
        words = word_codes(found, margin, side=side.sign)
        got = chances(made, guess, margin, studies=400, side=side)
        assert (got.homogeneous, got.stratified) == pytest.approx((np.mean(words == 1), np.mean(words == 2)))
        assert got.gradient_seen == pytest.approx(np.mean(p_any(found) < 0.05))
    least = resolvable_margin(made, guess, chance=0.6, studies=400, side=side)
    assert chances(made, guess, least, studies=400, side=side).homogeneous >= 0.6
    assert chances(made, guess, 0.999999 * least, studies=400, side=side).homogeneous < 0.6
    assert resolvable_margin(DesignSize(containers=1, depths=3), guess, side=side) == math.inf


def test_the_margin_that_one_container_resolves_is_reached_with_its_chance() -> None:
    guess = Assumption(s_r=1.3, gradient=2.0)
    for chance in (0.5, 0.9):
        least = resolvable_margin(size(1, 3), guess, chance=chance)
        assert chances(size(1, 3), guess, least).homogeneous == pytest.approx(chance, abs=1e-6)
        small = resolvable_margin(size(1, 3), Assumption(s_r=1.3 * 2.0**-20, gradient=2.0**-19), chance=chance)
        assert small * 2**20 == pytest.approx(least, rel=1e-8)  # in whichever unit


def test_monte_carlo_errors_and_what_is_left() -> None:
    made = OperatingCharacteristic(homogeneous=0.0, stratified=0.25, gradient_seen=0.1, se=1, df=10, studies=400)
    assert made.inconclusive == 0.75
    assert made.error("stratified") == pytest.approx(math.sqrt(0.25 * 0.75 / 400))
    assert made.error("homogeneous") == pytest.approx(1 / 400)  # of none in 400, that of one
    exact = OperatingCharacteristic(homogeneous=0.6, stratified=0.5, gradient_seen=0.1, se=1, df=10)
    assert (exact.inconclusive, exact.method, exact.error("homogeneous")) == (0.0, "exact", 0.0)
    assert made.to_table()["chance_percent"].tolist() == [0, 25, 75]


def test_designs_and_costs_at_their_least() -> None:
    one = DesignSize(containers=1, depths=2)
    assert (one.samples, one.determinations, one.df) == (2, 2, math.inf)
    assert DesignSize(containers=3, depths=4, replicates=2).determinations == 24
    for bad in ((0, 2, 1), (1, 1, 1), (1, 2, 0)):
        with pytest.raises(ValueError, match="at least 1 container"):
            DesignSize(containers=bad[0], depths=bad[1], replicates=bad[2])
    assert best_replicates(Assumption(s_r=3), 0.0, 2.0) == 1.0
    assert best_replicates(Assumption(s_r=3, sd_container_depth=1), 0.0, 2.0) == 0.0
    with pytest.raises(ValueError, match="at least 0"):
        best_replicates(Assumption(s_r=3), -1.0, 2.0)
    assert beyond_share_bound(1) == pytest.approx(0.95)
    assert beyond_share_bound(7, 0.1) == pytest.approx(1 - 0.1 ** (1 / 7))


@pytest.mark.parametrize("depths", [2, 3, 5])
def test_designs_of_many_containers_promise_what_their_single_cell_means_do(depths: int) -> None:
    """Depth means and covariance drawn outright, against cell means drawn one by one: each chance within five errors."""
    n, studies = MANY + 4, 2048
    size, guess = DesignSize(containers=n, depths=depths, replicates=2), Assumption(s_r=2, sd_container_depth=8, gradient=3.2)
    many = chances(size, guess, 4.3, studies=studies)
    cells = depth_effects(guess, depths) + math.sqrt(8**2 + 2**2 / 2) * np.random.default_rng(7).standard_normal(
        (studies, n, depths))
    words = word_codes(contrasts_of(cells), 4.3, 0.05, depths=depths)
    alone = [float((words == k).mean()) for k in range(3)]
    assert 0.1 < many.homogeneous < 0.9
    for name, one in zip(WORDS, alone, strict=True):
        p = (one + getattr(many, name)) / 2
        assert abs(one - getattr(many, name)) < 5 * math.sqrt(2 * max(p * (1 - p), 1 / studies) / studies), name


def test_many_containers_promise_more_the_more_they_are() -> None:
    """Beyond MANY and across it; one standard error of a difference from other numbers is 0.8 %."""
    guess = Assumption(s_r=2, sd_container_depth=8, gradient=3.2)
    found = [chances(DesignSize(containers=n, depths=3, replicates=2), guess, 4.3).homogeneous
             for n in (MANY - 60, MANY, MANY + 1, MANY + 60, 2 * MANY, 4 * MANY)]
    assert found[0] < found[1] < found[3] < found[4] < found[5]
    assert found[2] == pytest.approx(found[1], abs=0.03)
