"""Words of many studies between bounds: against every corner of the box by scipy's t tests, and the search of ``bounded``."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats

from studykit.inference import Margin
from studykit.inference.bounded import judge_bounds
from studykit.inference.contrasts import Array, contrasts_of, word_codes
from studykit.inference.judge import WORDS
from studykit.inference.screened import UNSETTLED, words_between

EDGE, ALPHA = 5.0, 0.05


def boxes(seed: int, n: int, k: int, shift: float, width: float, studies: int = 40) -> tuple[Array, Array]:
    """Cell means, some known only within bounds of up to ``width``; the lowest depth moved by ``shift``."""
    rng = np.random.default_rng(seed)
    low = rng.normal(0, rng.choice([0.4, 1.5, 4.0], (studies, 1, 1)), (studies, n, k)) + shift * np.linspace(0, 1, k)
    return low, low + np.where(rng.random(low.shape) < 0.3, rng.uniform(0, width, low.shape), 0.0)


def corners(low: Array, high: Array) -> Array:
    """Every filling of one study at the ends of its bounds, (2^r, n, k)."""
    open_ = np.argwhere(high > low)
    out = np.repeat(low[None], 2 ** len(open_), axis=0)
    for at, ends in enumerate(product((0, 1), repeat=len(open_))):
        for (i, j), end in zip(open_, ends, strict=True):
            out[at, i, j] = high[i, j] if end else low[i, j]
    return out


@pytest.mark.parametrize(("shift", "width"), [(0.0, 1.0), (2.0, 3.0), (9.0, 4.0), (25.0, 3.0)])
def test_a_settled_word_is_that_of_every_corner(shift: float, width: float) -> None:
    """Two depths: scipy.stats.ttest_1samp of every corner against both edges; the largest limit lies at a corner."""
    low, high = boxes(int(shift), 4, 2, shift, width)
    found = words_between(low, high, EDGE, ALPHA)
    assert (found != UNSETTLED).mean() > 0.5
    for word, lo, hi in zip(found, low, high, strict=True):
        d = np.diff(corners(lo, hi), axis=2)[..., 0]
        within = np.maximum(stats.ttest_1samp(d, EDGE, axis=1, alternative="less").pvalue,
                            stats.ttest_1samp(d, -EDGE, axis=1, alternative="greater").pvalue) < ALPHA
        assert word == UNSETTLED or (word == 1) == within.all()
        if word == 2:
            assert (word_codes(contrasts_of(corners(lo, hi)), EDGE, ALPHA, depths=2) == 2).all()


@pytest.mark.few(3)
@pytest.mark.parametrize("seed", range(6))
def test_a_settled_word_is_that_of_the_search(seed: int) -> None:
    n, k, shift = (3, 6, 9)[seed % 3], (2, 3, 4)[seed % 3], (0.0, 3.0, 8.0, 20.0, 1.0, 12.0)[seed]
    low, high = boxes(100 + seed, n, k, shift, (0.5, 3.0)[seed % 2], 12)
    endless = np.random.default_rng(seed).random(low.shape) < 0.02
    low = np.where(endless & (high > low), -np.inf, low)
    found = words_between(low, high, EDGE, ALPHA)
    margin, labels = Margin.absolute(EDGE), [str(j) for j in range(k)]
    for word, lo, hi in zip(found, low, high, strict=True):
        if word != UNSETTLED:
            assert judge_bounds(lo, hi, margin, labels, alpha=ALPHA, level=0.9, limits=False).word == WORDS[word]
    assert (found != UNSETTLED).sum() >= 5


def test_words_of_known_values_are_those_of_the_rule() -> None:
    low = np.concatenate([boxes(3, 6, 3, shift, 0.0, 200)[0] for shift in (0.0, 9.0)])
    found = words_between(low, low, EDGE, ALPHA)
    np.testing.assert_array_equal(found, word_codes(contrasts_of(low), EDGE, ALPHA, depths=3))
    assert set(found) == {0, 1, 2}


def test_a_difference_without_an_end_is_never_settled_as_within() -> None:
    low = np.zeros((1, 4, 2)) + 0.01 * np.arange(4)[None, :, None]
    assert words_between(low, low, EDGE, ALPHA)[0] == 1
    endless = low.copy()
    endless[0, 2, 1] = -np.inf
    assert words_between(endless, low, EDGE, ALPHA)[0] == 0


@pytest.mark.parametrize(("low", "high", "told"), [
    (np.zeros((1, 1, 2)), np.zeros((1, 1, 2)), "at least 2 containers"), (np.zeros((4, 2)), np.zeros((4, 2)), "studies x"),
    (np.ones((1, 2, 2)), np.zeros((1, 2, 2)), "above high"), (np.full((1, 2, 2), np.nan), np.full((1, 2, 2), np.nan), "lost")])
def test_bounds_that_are_none_are_refused(low: Array, high: Array, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        words_between(low, high, EDGE, ALPHA)
