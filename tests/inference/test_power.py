"""Chances of the words: exact power for two depths, the rule itself by simulation, published losses."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.inference.contrasts import contrasts_of, word_codes
from studykit.inference.declared import declared_contrasts
from studykit.inference.power import chances, containers_needed, profile_cov
from studykit.inference.tost_power import tost_power


@pytest.mark.parametrize("n", [3, 6, 12])
def test_two_depths_are_the_exact_power_of_two_one_sided_tests(n):
    # Owen's Q; 8192 Sobol points: 0.003 is a third of the Monte Carlo error at 50 %
    expected = tost_power(0.3, math.sqrt(2 / n), n - 1, -1.5, 1.5)
    assert chances([0.0, 0.3], np.eye(2), n, 1.5).homogeneous == pytest.approx(expected, abs=0.003)


@pytest.mark.few(1)
@pytest.mark.parametrize(("n", "k"), [(3, 5), (6, 3), (12, 3)])
def test_the_rule_itself_on_simulated_studies(n, k):
    rng = np.random.default_rng(n)
    cov, mu = profile_cov(k, cell=0.6, slope=1.5, determination=0.5, determinations=2), np.linspace(0, 2.0, k)
    v = mu + rng.standard_normal((20_000, n, k)) @ np.linalg.cholesky(cov).T
    for edge in (3.5, 0.5):
        codes, found = word_codes(contrasts_of(v), edge, depths=k), chances(mu, cov, n, edge)
        error = 4 * math.sqrt(0.25 / 20_000) + 0.005
        assert found.homogeneous == pytest.approx(np.mean(codes == 1), abs=error)
        assert found.stratified == pytest.approx(np.mean(codes == 2), abs=error)


def test_what_few_containers_cost():
    # the table that led to this rule: equal scatter, margin four standard errors; 4 x 5: 30 %, 12 x 3: 91 %
    for n, k, percent in ((4, 3, 63), (6, 3, 81), (12, 3, 91), (4, 5, 30), (8, 5, 68)):
        found = chances(np.zeros(k), np.eye(k), n, 4 * math.sqrt(2 / n))
        assert 100 * found.homogeneous == pytest.approx(percent, abs=1.0)
        assert found.inconclusive == pytest.approx(1 - found.homogeneous - found.stratified)


@pytest.mark.slow
def test_containers_needed_keeps_its_promise_over_all_pairs():
    for mu, edge in ((np.zeros(5), 1.0), (np.array([0.0, 1.0, 2.0]), 1.0)):
        cov = profile_cov(len(mu), cell=0.8)
        n = containers_needed(mu, cov, edge)
        assert n is not None
        name = "homogeneous" if np.ptp(mu) < edge else "stratified"
        assert getattr(chances(mu, cov, n, edge), name) >= 0.8
        assert getattr(chances(mu, cov, n - 1, edge), name) < 0.8
    assert containers_needed([0.0, 0.999], np.eye(2), 1.0, most=50) is None
    assert containers_needed([0.0, 0.0], 1e-6 * np.eye(2), 1.0) == 2


@pytest.mark.few(1)
@pytest.mark.parametrize("structure", ["pooled", "own gradient"])
@pytest.mark.parametrize(("n", "k"), [(4, 3), (5, 5)])
def test_a_declared_scatter_is_planned_by_the_rule_that_judges(structure, n, k):
    rng, h = np.random.default_rng(3), np.array([0.9, 0.7, 0.5, 0.2, 0.1])[:k]
    cov, mu = profile_cov(k, cell=0.6, slope=0.0 if structure == "pooled" else 1.5), np.linspace(0, 1.0, k)
    promised = chances(mu, cov, n, 3.0, structure=structure, heights=h)
    v = mu + rng.multivariate_normal(np.zeros(k), cov, (8000, n))
    codes = word_codes(declared_contrasts(v, structure, heights=h), 3.0, depths=k)
    # tolerance: four standard errors of two simulations
    assert promised.homogeneous == pytest.approx(np.mean(codes == 1), abs=4 * math.sqrt(2 * 0.25 / 8000))
    far = chances(4 * mu, cov, n, 1.5, structure=structure, heights=h)
    seen = word_codes(declared_contrasts(v + 3 * mu, structure, heights=h), 1.5, depths=k)
    assert far.stratified == pytest.approx(np.mean(seen == 2), abs=4 * math.sqrt(2 * 0.25 / 8000))
    plain = containers_needed(mu, cov, 3.0)
    assert containers_needed(mu, cov, 3.0, structure=structure) <= plain


def test_profile_cov_and_misuse():
    cov = profile_cov(3, slope=2.0)
    row = np.array([-1.0, 0.0, 1.0])
    assert row @ cov @ row == pytest.approx(4.0)  # top to bottom changes by slope, by definition
    assert profile_cov(2, cell=1.0, determination=2.0, determinations=4)[0, 0] == 2.0
    assert chances([0, 0], np.eye(2), 1, 1.0).homogeneous == 0.0
    within = chances([0, 0], np.eye(2), 2, 1.0, groups=2, structure="pooled")  # a declared scatter is that within groups
    assert within.homogeneous == 0.0
    with pytest.raises(ValueError, match="cov must be 2 x 2"):
        chances([0, 0], np.eye(3), 4, 1.0)
    with pytest.raises(ValueError, match="SDs not negative"):
        profile_cov(3, cell=-1.0)
