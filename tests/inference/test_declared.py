"""A scatter declared beforehand: textbook analyses of variance, two roads to the same digits, error rates."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from studykit.inference import declared
from studykit.inference.contrasts import contrasts_of, pair_rows, word_codes
from studykit.inference.declared import declared_contrasts, departure_p


def lines(studies: int, n: int, k: int, slope: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    h = np.linspace(-1, 1, k)
    return 3 * rng.standard_normal((studies, n, 1)) + slope * h * rng.standard_normal((studies, n, 1)) + (
        rng.standard_normal((studies, n, k)))


def test_pooled_is_least_squares_with_containers_and_depths_also_where_readings_are_lost():
    v = lines(1, 6, 4, 0.0, 1)
    v[0, [0, 2, 5], [1, 3, 0]] = np.nan
    found = declared_contrasts(v, "pooled")
    # statsmodels' ordinary least squares: value ~ container + depth
    i, j = np.indices(v[0].shape)
    table = pd.DataFrame({"container": i.ravel(), "depth": j.ravel(), "value": v[0].ravel()})
    ols = smf.ols("value ~ C(container) + C(depth)", table.dropna()).fit()
    for p in range(3):
        name = f"C(depth)[T.{p + 1}]"
        assert found.estimate[0, p] == pytest.approx(ols.params[name], rel=1e-9)
        assert found.se[0, p] == pytest.approx(ols.bse[name], rel=1e-9)
        assert found.df[0, p] == ols.df_resid


def test_own_gradients_give_two_mean_squares():
    # the ends' variance is that of the containers' own slopes plus what lies off their lines (ordinary analysis of variance)
    v, h = lines(1, 5, 3, 1.0, 2), np.array([1.0, 0.0, -1.0])
    found = declared_contrasts(v, "own gradient", heights=[0.8, 0.5, 0.2])
    slopes = v[0] @ h / 2
    assert found.se[0, 1] == pytest.approx(2 * stats.sem(slopes))  # ends lie on the line: slopes alone
    assert found.df[0, 1] == pytest.approx(4)
    assert stats.ttest_1samp(-2 * slopes, 0).statistic == pytest.approx(found.estimate[0, 1] / found.se[0, 1])
    off = v[0] @ np.array([1, -2, 1]) / math.sqrt(6)
    a, b = slopes.var(ddof=1) / 5, 1.5 * off.var(ddof=1) / 5  # lower - middle: half the line, and off it
    assert found.se[0, 2] == pytest.approx(math.sqrt(a + b))
    assert found.df[0, 2] == pytest.approx((a + b) ** 2 / (a**2 / 4 + b**2 / 4))  # Satterthwaite


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0, 2.0])
def test_few_containers_do_not_promise_too_many_degrees_of_freedom(slope):
    # three containers, five depths: Satterthwaite's df put 6.0 % where 5 are promised, and one interval in 14 missed
    v = lines(20_000, 3, 5, slope, 11)
    found, edge = declared_contrasts(v, "own gradient"), 8 * math.sqrt((2 * slope**2 * 4 + 2) / 3)
    at_margin = declared_contrasts(v + np.linspace(0, edge, 5), "own gradient")
    slack = 3.5 * math.sqrt(0.05 * 0.95 / len(v))
    assert np.mean(word_codes(at_margin, edge, depths=5) == 1) < 0.05 + slack
    missed = np.abs(found.estimate) > found.se * stats.t.isf(0.025, found.df)
    assert missed.mean(axis=0).max() < 0.055 + slack
    assert found.df.min() >= 2
    assert found.df.max() <= 6


def test_the_check_has_its_level_at_four_containers_and_three_depths():
    # the squared correlation of two columns of three normal scores follows a beta distribution (Fisher 1915)
    null = declared._null(3, 2, True) - 1  # what it adds for the rest is 1 where the rest is one column
    for level in (0.05, 0.01):
        assert np.mean(null > stats.beta.isf(level, 0.5, 1.0)) == pytest.approx(level, abs=3.5 * math.sqrt(level / len(null)))


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("groups", [1, 2])
def test_restricted_likelihood_and_mean_squares_agree_where_nothing_is_lost(own, groups):
    v, C, basis = lines(4, 5, 4, 1.0, 3), pair_rows(4), declared.basis_of(4)
    Z = np.eye(groups)[np.arange(5) * groups // 5]
    at = Z.mean(axis=0)
    whole = declared._complete(v, C, basis, Z, at, own)
    for i, y in enumerate(v):
        # tolerance: the search stops at 1e-7 of the logarithm of the ratio
        assert declared._lost(y, C, basis, Z, at, own) == pytest.approx(whole[:, i], rel=1e-6)


def test_two_depths_say_what_own_differences_say():
    v = lines(2, 7, 2, 1.0, 4)
    own = contrasts_of(v)
    for structure in ("pooled", "own gradient"):
        found = declared_contrasts(v, structure)
        assert found.se == pytest.approx(own.se, rel=1e-9)
        assert found.df == pytest.approx(own.df)


@pytest.mark.parametrize(("n", "k", "slope", "lost"), [(4, 3, 1.0, 0.0), (4, 5, 0.7, 0.0), (6, 3, 0.0, 0.0), (6, 5, 2.0, 0.15)])
def test_rates_hold_under_own_gradients(n, k, slope, lost):
    studies = 300 if lost else 8000
    rng, v = np.random.default_rng(6), lines(studies, n, k, slope, 5)
    v = np.where(rng.random(v.shape) < lost, np.nan, v)
    edge = 8 * math.sqrt((2 * 4 * slope**2 / 2 + 2) / n)
    at_margin = declared_contrasts(v + np.linspace(0, edge, k), "own gradient")
    rate = float(np.mean(word_codes(at_margin, edge, depths=k) == 1))
    # nominal 5 %, 3.5 Monte Carlo errors
    assert rate < 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / studies)
    assert rate > 0.02
    # power against the containers' own differences: four containers, five depths 30 -> 74 %
    if (n, k) == (4, 5):
        own, mine = (float(np.mean(word_codes(f(v), edge / 2, depths=k) == 1)) for f in (
            contrasts_of, lambda x: declared_contrasts(x, "own gradient")))
        assert mine > own + 0.15


def test_what_cannot_be_told_is_not_judged():
    v = lines(1, 4, 3, 1.0, 7)
    v[0, 1:, 0] = np.nan
    v[0, 0, 2] = np.nan  # no container has both ends, and none three depths
    assert not declared_contrasts(v, "own gradient").judged.any()
    assert declared_contrasts(v, "pooled").judged.all()
    assert not declared_contrasts(lines(1, 1, 3, 0.0, 8), "pooled").judged.any()


def test_a_wrong_declaration_is_noticed_and_a_right_one_rarely():
    def flagged(slope: float, structure: str, n: int = 12, curve: float = 0.0) -> float:
        bent = curve * np.array([1, -1, -1, 1]) * np.random.default_rng(1).standard_normal((300, n, 1))
        v = lines(300, n, 4, slope, 9) + bent
        return float(np.mean([departure_p(x, structure) < 0.05 for x in v]))

    allowed = 3.5 * math.sqrt(0.05 * 0.95 / 300)
    assert flagged(2.0, "pooled") > 0.9
    assert flagged(2.0, "own gradient", curve=2.0) > 0.8
    for n in (4, 12):
        assert flagged(0.0, "pooled", n) == pytest.approx(0.05, abs=allowed)
        assert flagged(2.0, "own gradient", n) == pytest.approx(0.05, abs=allowed)


def test_where_a_declaration_cannot_be_checked():
    assert math.isnan(departure_p(lines(1, 12, 2, 0.0, 1)[0], "pooled"))  # two depths: nothing to compare
    assert math.isnan(departure_p(lines(1, 2, 3, 0.0, 1)[0], "pooled"))
    assert math.isnan(departure_p(np.ones((6, 3)), "pooled"))


@pytest.mark.parametrize("structure", ["pooled", "own gradient"])
def test_a_study_is_judged_alike_beside_one_with_lost_readings(structure):
    both = lines(2, 6, 4, 0.5, 13)
    both[0, [0, 2], [1, 3]] = np.nan
    together = declared_contrasts(both, structure)
    assert together.judged.all()
    for i in range(2):
        alone = declared_contrasts(both[i : i + 1], structure)
        assert np.array_equal(together.estimate[i], alone.estimate[0])
        assert np.array_equal(together.se[i], alone.se[0])


def test_the_smallest_chance_is_one_of_the_draws():
    """Gradients a thousand times the rest under "pooled": no draw of 19,999 goes as far, and the data count as one more."""
    assert departure_p(lines(1, 12, 4, 1000.0, 3)[0], "pooled") == 1 / 20_000
