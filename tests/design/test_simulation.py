"""Simulated chances: agreement with the planned ones, troubles in the expected direction, seed, joint verdicts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.design.cheapest import Aim
from studykit.design.operating import DesignSize, chances
from studykit.design.simulation import Trouble, _judge, _lost, _values, simulate_studies
from studykit.inference.equivalence import Margin as Band
from studykit.inference.equivalence import compare_cells
from studykit.study.definition import Assumption


def aim(margin: float = 2.0, name: str = "x", **guess: float) -> Aim:
    return Aim(analyte=name, guess=Assumption(**{"s_r": 1.0, "sd_container": 5.0} | guess), margin=margin)  # type: ignore[arg-type]


@pytest.mark.parametrize(("n", "d", "k", "guess", "margin"), [
    (6, 3, 1, {}, 2.2), (6, 3, 2, {"sd_container_depth": 1.0}, 2.5), (12, 3, 1, {"gradient": 3.0}, 1.5),
    (6, 2, 1, {"gradient": 0.5}, 2.0), (10, 5, 2, {"sd_container_depth": 0.8, "gradient": 2.0}, 1.2)])
def test_planned_and_simulated_agree_within_the_monte_carlo_error(
        n: int, d: int, k: int, guess: dict[str, float], margin: float) -> None:
    size, what = DesignSize(containers=n, depths=d, replicates=k), aim(margin, **guess)
    made = simulate_studies([what], size, studies=8000, seed=11)
    got, exact = made.chances[0][1], chances(size, what.guess, margin)
    for word in ("homogeneous", "stratified"):
        # tolerance: four Monte Carlo standard errors of two simulations
        p = float(getattr(exact, word))
        assert getattr(got, word) == pytest.approx(p, abs=4 * math.sqrt(2) * made.error(p))


def test_same_seed_same_digits_and_another_seed_others() -> None:
    size = DesignSize(containers=5, depths=3)
    a, b, c = (simulate_studies([aim()], size, Trouble(missing=0.1), studies=400, seed=s) for s in (1, 1, 2))
    assert repr(a) == repr(b)  # a chance that is NaN equals itself in print only
    assert a.chances != c.chances


def test_the_verdict_is_the_one_that_judges_data() -> None:
    """Simulated studies, judged here and one by one with ``compare_cells``, samples missing."""
    size, what = DesignSize(containers=7, depths=3, replicates=2), aim(1.6, gradient=1.2, sd_container_depth=0.5)
    rng = np.random.default_rng(8)
    y, gone = _values(what, size, Trouble(), 40, rng), _lost(size, 0.15, 40, rng)
    judged = _judge(y, gone, what, size, 0.05, 1)
    words = set()
    for i in range(40):
        cells = np.where(gone[:, i], np.nan, y[:, i]).reshape(7, 3, 2).mean(axis=2)
        said = compare_cells(cells, ("a", "b", "c"), Band.absolute(1.6), alpha=0.05).word
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
    assert repr(all_seen.chances) == repr(plain.chances)
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
    for wrong in ({"settled_share": 0.0}, {"settled_share": 1.5}, {"sd_gradient": -0.1}):
        with pytest.raises(ValueError, match="settled_share must lie"):
            Trouble(**wrong)
    for wrong in (-0.1, 0.9):
        with pytest.raises(ValueError, match="missing must lie from 0"):
            Trouble(missing=wrong)
    assert Trouble(missing=0.89, settled_share=1.0, sd_gradient=0.0).limit is None


def test_a_study_that_lacks_one_pair_of_depths_was_not_assessed() -> None:
    """Two containers, the uppermost zone of one lost: the two others have a difference in both, the uppermost in one."""
    size, y = DesignSize(containers=2, depths=3), np.random.default_rng(1).normal(size=(6, 2))
    gone = np.zeros((6, 2), dtype=bool)
    gone[0, 1] = True
    assert _judge(y, gone, aim(), size, 0.05, 1).failed.tolist() == [False, True]
