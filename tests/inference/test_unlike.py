"""What the t test is worth where containers scatter unlike one another."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.inference.judge import judge_many
from studykit.inference.unlike import unlike_words, worst_level


# Bakirov and Szekely 2006, J. Math. Sci. 139, 6497, from memory: two-sided levels hold up to 0.0833 for any number of
# observations and up to 0.1 for 14 or fewer; Ibragimov and Mueller 2010 repeat it
@pytest.mark.parametrize("n", range(2, 15))
def test_a_two_sided_tenth_holds_up_to_14_containers(n: int) -> None:
    assert worst_level(n, 0.05) == pytest.approx(0.05, abs=1e-9)


@pytest.mark.parametrize("n", [15, 24, 100, 2000])
def test_for_any_number_it_holds_at_the_smaller_level_and_nearly_at_five_per_cent(n: int) -> None:
    assert worst_level(n, 0.0416) == pytest.approx(0.0416, abs=1e-6)
    assert 0.05 < worst_level(n, 0.05) < 0.051


@pytest.mark.parametrize(("n", "alpha", "worst"), [(4, 0.1, 10.3), (12, 0.1, 12.0), (24, 0.1, 12.9),
                                                   (24, 0.15, 23.1), (24, 0.2, 50)])
def test_above_five_per_cent_it_does_not_hold(n: int, alpha: float, worst: float) -> None:
    assert 100 * worst_level(n, alpha) == pytest.approx(worst, abs=0.05)
    assert f"up to {100 * worst_level(n, alpha):.1f} %" in unlike_words(n, alpha)
    assert unlike_words(n, 0.05) == unlike_words(1, alpha) == ""


@pytest.mark.parametrize(("n", "noisy", "times", "alpha"), [
    (24, 3, 200, 0.1), (24, 2, 200, 0.1), (12, 3, 200, 0.1), (12, 2, 10, 0.15), (24, 1, 12, 0.2), (24, 14, 200, 0.05),
    (12, 1, 12, 0.05), (6, 3, 200, 0.1)])
def test_by_the_rule_itself_no_such_stock_errs_more_and_the_worst_ones_as_often(n, noisy, times, alpha) -> None:
    """Two depths, mean exactly at the margin, some containers scatter more: simulated studies against the exact worst."""
    rng, studies = np.random.default_rng(5), 12_000
    d = 10 + 0.02 * rng.standard_normal((studies, n)) * np.where(np.arange(n) < noisy, times, 1)
    layout = pd.DataFrame([(f"C{i}", z) for i in range(n) for z in ("u", "l")], columns=["container", "depth"])
    values = np.stack([np.full_like(d, 50.0), 50 + d], axis=2).reshape(studies, -1)
    words = judge_many(layout, values, margin={"absolute": 10}, depths=["u", "l"], alpha=alpha)
    noise = 3.5 * np.sqrt(alpha * (1 - alpha) / studies)
    for word in ("homogeneous", "stratified"):
        assert np.mean(words == word) < worst_level(n, alpha) + noise
    if (n, noisy, times) == (24, 3, 200):  # close to the worst, and far above what was asked for
        assert np.mean(words == "homogeneous") > alpha + 2 * noise


def test_no_other_variances_are_worse() -> None:
    """Random variances, 12 containers, one-sided 10 %: none of 40 draws of variances passes the exact worst."""
    rng, n, alpha = np.random.default_rng(6), 12, 0.1
    for _ in range(40):
        sd = np.exp(rng.normal(0, rng.uniform(0.5, 4), n))
        x = rng.standard_normal((20_000, n)) * sd
        t = x.mean(axis=1) / x.std(axis=1, ddof=1) * np.sqrt(n)
        assert np.mean(t > stats.t.isf(alpha, n - 1)) < worst_level(n, alpha) + 3.5 * np.sqrt(alpha * (1 - alpha) / 20_000)


def test_misuse_is_named() -> None:
    for n, alpha in ((1, 0.1), (12, 0.0), (12, 0.5)):
        with pytest.raises(ValueError, match="containers must be 2 or more"):
            worst_level(n, alpha)
