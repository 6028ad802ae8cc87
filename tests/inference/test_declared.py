"""A scatter declared beforehand: textbook analyses of variance, two roads to the same digits, error rates."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import optimize, stats

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


@pytest.mark.few(1)
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


@pytest.mark.few(1)
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


@pytest.mark.slow
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


def dense_kenward_roger(v: np.ndarray, h: np.ndarray, load: np.ndarray) -> tuple[float, float]:
    """Estimate and adjusted standard error by the formulas of Kenward & Roger (1997) with dense matrices; load (k,)."""
    n, k = v.shape
    i, j = np.nonzero(np.isfinite(v))
    y, N = v[i, j], len(i)
    X = np.hstack([np.eye(n)[i], np.eye(k)[j][:, 1:]])
    c = np.concatenate([np.zeros(n), load[1:]])
    V = (np.eye(N), np.where(i[:, None] == i, np.outer(h[j], h[j]), 0.0))  # linear in both variances

    def parts(theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        inverse = np.linalg.inv(theta[0] * V[0] + theta[1] * V[1])
        phi = np.linalg.inv(X.T @ inverse @ X)
        return inverse, phi, inverse - inverse @ X @ phi @ X.T @ inverse

    def deviance(log: np.ndarray) -> float:
        theta = np.exp(log)
        inverse, phi, P = parts(theta)
        return float(-np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(phi)[1] + y @ P @ y)

    theta = np.exp(optimize.minimize(deviance, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}).x)
    inverse, phi, P = parts(theta)
    W = 2 * np.linalg.inv([[np.trace(P @ a @ P @ b) for b in V] for a in V])
    p = [-X.T @ inverse @ a @ inverse @ X for a in V]
    more = sum(W[r, s] * (X.T @ inverse @ V[r] @ inverse @ V[s] @ inverse @ X - p[r] @ phi @ p[s])
               for r in (0, 1) for s in (0, 1))
    return float(c @ phi @ X.T @ inverse @ y), math.sqrt(c @ (phi + 2 * phi @ more @ phi) @ c)


def test_lost_readings_under_own_gradients_are_judged_by_kenward_and_roger():
    v, heights = lines(1, 7, 4, 1.5, 21)[0], np.array([0.9, 0.6, 0.35, 0.1])
    v[[0, 2, 5, 6], [1, 3, 0, 2]] = np.nan
    v[3, :3] = np.nan  # a single reading: it tells nothing of differences
    v[4, [0, 3]] = np.nan
    found = declared_contrasts(v[None], "own gradient", heights=heights)
    for p, row in enumerate(pair_rows(4)):
        estimate, se = dense_kenward_roger(v, heights, row)
        assert found.estimate[0, p] == pytest.approx(estimate, rel=1e-5)
        assert found.se[0, p] == pytest.approx(se, rel=1e-5)
    assert ((found.df[0] > 3) & (found.df[0] < 7 * 3 - 4 - 4)).all()
    moved = declared_contrasts(v[None] + 1e6, "own gradient", heights=heights)  # a level takes no digits
    assert moved.se[0] == pytest.approx(found.se[0], rel=1e-4)


def test_a_variance_of_two_mean_squares_has_their_degrees_of_freedom():
    """Satterthwaite's reciprocal, raised by 1.5 share (1 - share) (1/few - 1/many); with one few nothing but that one."""
    assert declared._reciprocal(np.array([0.2]), np.array([0.5]), 0.25, 0.05) == pytest.approx(0.2 + 1.5 * 0.25 * 0.2)
    assert declared._reciprocal(np.array([0.2]), np.array([0.5]), 0.05, 0.25) == pytest.approx(0.2)  # never lowered
    assert declared._reciprocal(np.array([0.3, 1.2]), np.array([0.5, 0.5]), 1.0, 0.1) == pytest.approx([1.0, 1.2])
    assert declared._reciprocal(np.array([0.3]), np.array([0.5]), 0.5, 0.1) == pytest.approx(0.3 + 1.5 * 0.25 * 0.4)


def test_no_scatter_at_all_has_the_fewer_degrees_of_freedom():
    flat = np.tile([1.0, 2.0, 4.0], (1, 5, 1))
    for structure, df in (("pooled", 8.0), ("own gradient", 4.0)):
        found = declared_contrasts(flat, structure)
        assert found.df[0].tolist() == [df] * 3
        assert found.estimate[0].tolist() == pytest.approx([1.0, 3.0, 2.0])


def test_the_chance_of_a_departure_is_counted_among_simulated_scatter_matrices():
    """John's statistic tr(S^2)/tr(S)^2 of scores, and the share of the rest that goes with the line, redrawn here."""
    v, rng = lines(1, 7, 4, 0.8, 5)[0], np.random.default_rng(1)
    groups = np.eye(2)[[0, 0, 0, 1, 1, 1, 1]]
    h = np.arange(4) - 1.5
    basis = np.linalg.qr(np.column_stack([np.ones(4), h, h**2, h**3]))[0][:, 1:]

    def statistic(scores: np.ndarray, own: bool) -> np.ndarray:
        S = np.einsum("rni,rnj->rij", scores, scores)
        rest = S[:, 1:, 1:] if own else S
        trace = np.trace(rest, axis1=1, axis2=2)
        john = np.einsum("rij,rji->r", rest, rest) / trace**2
        return john + np.sum(S[:, 0, 1:] ** 2, axis=1) / (S[:, 0, 0] * trace) if own else john

    for structure, own in (("pooled", False), ("own gradient", True)):
        for Z, q in ((None, 1), (groups, 2)):
            mean = v.mean(axis=0) if Z is None else groups @ np.array([v[:3].mean(axis=0), v[3:].mean(axis=0)])
            seen = statistic(((v - mean) @ basis)[None], own)
            drawn = statistic(rng.standard_normal((20_000, 7 - q, 3)), own)
            # Monte Carlo error of two times 20,000 draws
            assert departure_p(v, structure, groups=Z) == pytest.approx(np.mean(drawn >= seen), abs=0.02)


def test_a_departure_needs_two_degrees_of_freedom_and_three_depths():
    assert math.isfinite(departure_p(lines(1, 3, 3, 0.0, 1)[0], "pooled"))
    some = lines(1, 5, 3, 0.0, 1)[0]
    some[:2, 0] = np.nan
    assert departure_p(some, "pooled") == departure_p(some[2:], "pooled")  # whole containers alone
    assert math.isnan(departure_p(np.full((4, 3), np.nan), "pooled"))
    assert math.isfinite(departure_p(1e-9 * lines(1, 6, 3, 0.0, 1)[0], "pooled"))  # a small unit is no lack of scatter


def test_an_own_basis_has_the_line_first_and_is_orthonormal():
    b = declared.basis_of(4, [0.9, 0.6, 0.35, 0.1])
    assert b.T @ b == pytest.approx(np.eye(3), abs=1e-12)
    assert b.sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)
    assert abs(np.corrcoef(b[:, 0], [0.9, 0.6, 0.35, 0.1])[0, 1]) == pytest.approx(1)
    assert abs(np.corrcoef(declared.basis_of(3)[:, 0], [0, 1, 2])[0, 1]) == pytest.approx(1)


def test_one_degree_of_freedom_and_three_readings_of_each_are_enough():
    two = lines(1, 2, 3, 0.0, 4)
    two[0, 0, 1] = np.nan  # five readings, two containers, two differences: one is left
    found = declared_contrasts(two, "pooled")
    assert found.judged.all()
    assert found.df[0].tolist() == [1.0] * 3
    some = lines(1, 8, 4, 1.0, 5)
    some[0, np.arange(8), np.arange(8) % 4] = np.nan  # no container has all four depths
    assert declared_contrasts(some, "own gradient").judged.all()


def test_readings_without_any_rest_are_not_told_apart_and_break_nothing():
    v = np.arange(4.0) * np.array([[1.0], [2.0], [4.0], [-1.0], [0.5]])  # every container lies on its own line
    v[0, 1] = np.nan
    found = declared_contrasts(v[None], "own gradient")
    slopes = np.array([1.0, 2.0, 4.0, -1.0, 0.5])  # each container knows its slope: their mean, its t on four df
    assert found.estimate[0] == pytest.approx(slopes.mean() * np.array([1.0, 2, 3, 1, 2, 1]), rel=1e-6)
    assert found.se[0] == pytest.approx(slopes.std(ddof=1) / math.sqrt(5) * np.array([1.0, 2, 3, 1, 2, 1]), rel=1e-3)
    assert found.df[0] == pytest.approx([4.0] * 6, rel=1e-3)


def test_rests_without_any_gradient_are_judged_by_the_whole_containers():
    """Whole numbers, every profile bent and none of them steep: the t test of those of which the bend is known."""
    bend = np.array([-1.0, 2, 3, -1, -3, 2, 1])
    v = 100 + np.arange(7.0)[:, None] + bend[:, None] * np.array([1.0, -2.0, 1.0])
    v[0, 1] = np.nan
    found = declared_contrasts(v[None], "own gradient")
    middle = 3 * bend[1:].mean()
    assert found.estimate[0] == pytest.approx([-middle, 0, middle], abs=1e-5)
    assert found.se[0, [0, 2]] == pytest.approx(np.std(3 * bend[1:], ddof=1) / math.sqrt(6), rel=1e-3)
    assert found.se[0, 1] < 0.01
    assert found.df[0] == pytest.approx([5.0] * 3)
    few = np.array([[2.0, 0.0, 3.0], [np.nan, 1.0, 2.0], [1.0, 0.0, np.nan]])  # one whole one shows no scatter of bends
    assert not declared_contrasts(few[None], "own gradient").judged.any()


def test_nothing_is_judged_without_a_degree_of_freedom_or_a_link_between_depths():
    none = np.array([[1.0, 2.0, np.nan], [np.nan, 3.0, 5.0]])  # four readings, two containers, two differences
    apart = np.array([[1.0, 2.0, np.nan], [2.0, 3.5, np.nan], [0.0, 1.0, np.nan]])  # nothing reaches the third depth
    for v in (none, apart):
        assert not declared_contrasts(v[None], "pooled").judged.any()
        assert not declared_contrasts(v[None], "own gradient").judged.any()


def test_containers_that_are_alike_to_the_last_digit_break_no_search():
    """No scatter at all beside a lost reading, as beside none: no warning, the profile's differences on the fewer df."""
    rng = np.random.default_rng(6)
    for profile in (np.zeros(4), *rng.normal(size=(12, 4))):
        v = np.tile(profile, (6, 1))
        v[0, 1] = np.nan
        found = declared_contrasts(v[None], "own gradient")
        assert found.estimate[0] == pytest.approx(pair_rows(4) @ profile, abs=1e-9)
        assert found.se[0].max() < 1e-9
        assert found.df[0].tolist() == [5.0] * 6
        moved = declared_contrasts(v[None] + 0.1 + np.arange(6.0)[:, None], "own gradient")
        assert moved.estimate[0] == pytest.approx(pair_rows(4) @ profile, abs=1e-9)
        assert moved.df[0].tolist() == [5.0] * 6


@pytest.mark.parametrize("structure", ["pooled", "own gradient"])
def test_the_check_is_the_same_upside_down_mirrored_scaled_and_with_every_container_moved(structure):
    """What it looks at are differences between depths; containers apart by a million show no scatter of theirs either way."""
    v = lines(1, 6, 4, 0.6, 11)[0]
    p = departure_p(v, structure)
    assert 0 < p < 1
    for same in (-v, v[:, ::-1], v[::-1], 1000 * v, v / 8, v + 16 * np.arange(6.0)[:, None]):
        assert departure_p(same, structure) == pytest.approx(p, abs=2 / 20_000)  # a draw that equals it to the last bits
    flat = np.array([0.1, 0.7, 1.3, 2.9]) - 1e6 / 3 * np.arange(6.0)[:, None]  # nothing but the last bits of the largest
    assert math.isnan(departure_p(flat, structure))
    assert math.isnan(departure_p(-flat, structure))


def test_containers_that_are_alike_to_the_last_digit_are_judged_by_the_step_of_their_readings():
    """No scatter at all beside a lost reading: as with nothing lost, differences are the profile's, errors the step's."""
    rng = np.random.default_rng(6)
    for profile in (np.zeros(4), np.full(4, 12.0), *rng.normal(size=(12, 4))):
        v = np.tile(profile, (6, 1))
        v[0, 1] = np.nan
        for structure in ("own gradient", "pooled"):
            found = declared_contrasts(v[None], structure, step=0.1)
            whole = declared_contrasts(np.tile(profile, (1, 6, 1)), structure, step=0.1)
            assert found.judged.all()
            assert found.estimate[0] == pytest.approx(pair_rows(4) @ profile, abs=1e-9)
            assert found.se == pytest.approx(whole.se * np.sqrt(found.unit_variance / whole.unit_variance), rel=1e-9)
        assert set(declared_contrasts(v[None], "own gradient").df[0]) == {5.0}
        groups = np.column_stack([np.ones(6), np.arange(6) % 2])
        other = declared_contrasts((v + groups[:, 1:] * profile[::-1])[None], "own gradient", groups=groups, step=0.1)
        assert other.estimate[0] == pytest.approx(pair_rows(4) @ (profile + profile[::-1] / 2), abs=1e-9)
        assert set(other.df[0]) == {4.0}
    two = np.array([[1.0, 2.0, np.nan], [1.0, 2.0, 4.0]])
    assert declared_contrasts(two[None], "own gradient").df[0] == pytest.approx(1.0)


@pytest.mark.parametrize("scatter", [1e-6, 1e-4, 1.0])
def test_scatter_that_is_small_beside_the_differences_of_depths_counts(scatter):
    """Depths far apart, containers nearly alike: errors shrink with the scatter, to no floor of their own."""
    v = np.random.default_rng(8).normal(size=(7, 3))
    v[2, 2] = np.nan
    far = declared_contrasts((scatter * v + [0.0, 5.0, 12.0])[None], "own gradient")
    assert far.se == pytest.approx(scatter * declared_contrasts(v[None], "own gradient").se, rel=1e-3)
