"""Simulated chances: agreement with the exact ones, troubles in the expected direction, seed, joint verdicts."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from studykit.design.cheapest import Aim
from studykit.design.operating import DesignSize, chances
from studykit.design.simulation import Trouble, _critical, _judge, _layout, _lost, _pairs, _values, simulate_studies
from studykit.inference.equivalence import Margin as Band
from studykit.inference.equivalence import compare_depths
from studykit.mixed.fit import fit_reml
from studykit.study.definition import Assumption


def aim(margin: float = 2.0, name: str = "x", **guess: float) -> Aim:
    return Aim(analyte=name, guess=Assumption(**{"s_r": 1.0, "sd_container": 5.0} | guess), margin=margin)  # type: ignore[arg-type]


@pytest.mark.parametrize(("n", "d", "k", "guess", "margin"), [
    (6, 3, 1, {}, 2.2), (6, 3, 2, {"sd_container_depth": 1.0}, 2.5), (12, 3, 1, {"gradient": 3.0}, 1.5),
    (6, 2, 1, {"gradient": 0.5}, 2.0), (10, 5, 2, {"sd_container_depth": 0.8, "gradient": 2.0}, 1.2)])
def test_exact_and_simulated_agree_within_the_monte_carlo_error(
        n: int, d: int, k: int, guess: dict[str, float], margin: float) -> None:
    """Large spreads of containers and cells keep the kit's REML away from pooling, where the exact analysis holds."""
    size, what = DesignSize(containers=n, depths=d, replicates=k), aim(margin, **guess)
    made = simulate_studies([what], size, studies=8000, seed=11)
    got, exact = made.chances[0][1], chances(size, what.guess, margin)
    for word in ("homogeneous", "stratified"):
        # tolerance: four Monte Carlo standard errors, taken at the exact chance
        assert getattr(got, word) == pytest.approx(getattr(exact, word), abs=4 * made.error(getattr(exact, word)))


def test_pooling_of_the_mixed_model_only_helps_a_little() -> None:
    size, still = DesignSize(containers=6, depths=3, replicates=2), aim(1.5, sd_container=0.0)
    made = simulate_studies([still], size, studies=8000, seed=3)
    exact = chances(size, still.guess, 1.5).homogeneous
    assert exact - 0.01 < made.chances[0][1].homogeneous < exact + 0.06


def test_same_seed_same_digits_and_another_seed_others() -> None:
    size = DesignSize(containers=5, depths=3)
    a, b, c = (simulate_studies([aim()], size, Trouble(missing=0.1), studies=400, seed=s) for s in (1, 1, 2))
    assert a == b
    assert a.chances != c.chances


def test_the_verdict_is_the_one_of_the_model_stage() -> None:
    """One simulated study, judged here and by ``fit_reml`` with ``compare_depths``, samples missing."""
    size, what = DesignSize(containers=7, depths=3, replicates=2), aim(1.6, gradient=1.2, sd_container_depth=0.5)
    rng = np.random.default_rng(8)
    layout, y = _layout(size), _values(what, size, Trouble(), 40, rng)
    keep = ~_lost(size, 0.15, 1, rng)[:, 0]
    judged = _judge(layout, y, keep, what.margin, size, 0.05, 1)
    assert not judged.failed.any()
    words = set()
    for i in range(40):
        fit = fit_reml(layout[keep].assign(y=y[keep, i]), "y", ("depth",), ("container", "container:depth"))
        df = [float(fit.test(row).df2) for row in _pairs(fit.names, 3)]
        means = np.array([[1, 0, 0], [1, 1, 0], [1, 0, 1]], dtype=float)
        cov = means @ fit.adjusted_cov @ means.T
        said = compare_depths(("a", "b", "c"), means @ fit.beta, cov, df, Band.absolute(1.6)).word
        mine = "homogeneous" if judged.within[i] else "stratified" if judged.beyond[i] else "inconclusive"
        assert mine == said
        words.add(said)
    assert len(words) > 1


def test_lost_samples_lower_the_chance_and_cost_whole_samples() -> None:
    size = DesignSize(containers=6, depths=3, replicates=2)
    whole = simulate_studies([aim(1.7)], size, studies=2000, seed=5).chances[0][1].homogeneous
    less = simulate_studies([aim(1.7)], size, Trouble(missing=0.25), studies=1000, seed=5).chances[0][1].homogeneous
    assert less < whole - 0.05
    gone = _lost(size, 0.25, 200, np.random.default_rng(0))
    assert np.array_equal(gone[::2], gone[1::2])
    assert gone.mean() == pytest.approx(0.25, abs=0.05)
    assert len(np.unique(gone, axis=1).T) == 20


def test_gradients_that_differ_between_containers_make_it_harder() -> None:
    size, layered = DesignSize(containers=8, depths=3), aim(2.0, gradient=4.0)
    same = simulate_studies([layered], size, studies=3000, seed=6).chances[0][1].stratified
    apart = simulate_studies([layered], size, Trouble(sd_gradient=3.0), studies=3000, seed=6).chances[0][1].stratified
    half = simulate_studies([layered], size, Trouble(settled_share=0.5), studies=3000, seed=6).chances[0][1].stratified
    assert apart < same - 0.1
    assert half < same - 0.3  # the mean gradient is then at the margin


def test_results_below_quantification_are_left_out() -> None:
    size, still = DesignSize(containers=6, depths=3), aim(2.2)
    all_seen = simulate_studies([still], size, Trouble(limit=-100.0), studies=100, seed=2)
    some = simulate_studies([still], size, Trouble(limit=-2.0), studies=100, seed=2)
    none = simulate_studies([still], size, Trouble(limit=100.0), studies=100, seed=2)
    plain = simulate_studies([still], size, studies=100, seed=2)
    assert all_seen.chances == plain.chances
    assert some.chances[0][1].homogeneous < plain.chances[0][1].homogeneous
    assert (none.not_assessed, none.chances[0][1].homogeneous) == (1.0, 0.0)


def test_several_analytes_jointly() -> None:
    size = DesignSize(containers=6, depths=3)
    both = simulate_studies([aim(2.2, "a"), aim(2.2, "b")], size, studies=4000, seed=9)
    single = chances(size, Assumption(s_r=1), 2.2).homogeneous
    # independent analytes: the product
    assert both.all_homogeneous == pytest.approx(single**2, abs=4 * both.error(single**2))
    layered = [aim(2.0, "a", gradient=4.5), aim(2.0, "b")]
    mixed = simulate_studies(layered, size, studies=4000, seed=9)
    alone = simulate_studies(layered[:1], size, studies=4000, seed=9)
    assert 0 < mixed.any_stratified < alone.any_stratified
    table = mixed.to_table()
    assert list(table["analyte"]) == ["a", "b", "the whole study"]
    assert table["simulation_error_percent"].between(0, 1).all()


def test_critical_number_interpolates_in_degrees_of_freedom() -> None:
    from studykit.design.operating import critical_reach

    for df in (7.3, 12.0, 41.0):
        got = _critical(np.array([2.4]), np.array([df]), 3, 0.05)[0]
        # tolerance: linear in 1/df between grid points
        assert got == pytest.approx(float(critical_reach(np.array([2.4]), 3, df, 0.05)[0]), rel=1e-3)


@pytest.mark.parametrize(("kwargs", "message"), [
    ({"size": DesignSize(containers=1, depths=3)}, "at least 2 containers"),
    ({"studies": 50}, "at least 100 studies"), ({"aims": []}, "at least one aim")])
def test_refusals(kwargs: dict[str, object], message: str) -> None:
    given = {"aims": [aim()], "size": DesignSize(containers=3, depths=3)} | kwargs
    with pytest.raises(ValueError, match=message):
        simulate_studies(**given)  # type: ignore[arg-type]


def test_impossible_troubles_are_refused() -> None:
    with pytest.raises(ValueError, match="missing must lie from 0"):
        Trouble(missing=math.nan)
    with pytest.raises(ValueError, match="settled_share must lie"):
        Trouble(settled_share=0.0)


def test_layout_names_every_cell() -> None:
    layout = _layout(DesignSize(containers=2, depths=3, replicates=2))
    assert isinstance(layout, pd.DataFrame)
    assert layout.groupby(["container", "depth"]).size().tolist() == [2] * 6
