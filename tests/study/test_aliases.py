"""Levels of a factor that stand at ages of their own are named before the lock."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import pearsonr
from statsmodels.multivariate.cancorr import CanCorr

from studykit.study.aliases import _shared, aliases


def test_levels_whose_ages_lie_apart_are_named() -> None:
    ages = [4, 12, 20, 30] * 4
    table = pd.DataFrame({"age_months": [float(a) for a in ages], "cap": ["screw" if a < 15 else "lid" for a in ages]})
    assert [(a.first, a.second, a.wholly) for a in aliases(table, ["cap", "age_months"])] == [("cap", "age_months", False)]
    crossed = table.assign(cap=["screw", "lid"] * 8, age_months=table["age_months"].sort_values().to_numpy())
    assert aliases(crossed, ["cap", "age_months"]) == ()


@pytest.mark.parametrize("kinds", ["words and words", "words and numbers", "numbers and words", "numbers and numbers"])
@pytest.mark.parametrize("seed", range(4))
def test_what_two_factors_share_is_what_statsmodels_gives(kinds: str, seed: int) -> None:
    """Source: statsmodels.multivariate.cancorr on the indicators of all levels but the first; scipy.stats for two numbers."""
    rng = np.random.default_rng(seed)
    drawn = rng.integers(0, 4, 60)
    both = pd.DataFrame({"a": drawn, "b": np.where(rng.random(60) < 0.6, drawn, rng.integers(0, 6, 60))})
    words = kinds.split(" and ")
    made = {c: both[c].astype(float) if w == "numbers" else both[c].map("level {}".format)
            for c, w in zip("ab", words, strict=True)}
    columns = [s.to_numpy()[:, None] if w == "numbers" else pd.get_dummies(s, drop_first=True).to_numpy(dtype=float)
               for s, w in zip(made.values(), words, strict=True)]
    wide, narrow = sorted(columns, key=lambda c: -c.shape[1])
    theirs = (np.array([pearsonr(wide[:, 0], narrow[:, 0]).statistic ** 2]) if wide.shape[1] == 1
              else np.sort(CanCorr(wide, narrow).cancorr ** 2)[::-1])
    np.testing.assert_allclose(_shared(made["a"], made["b"]), theirs, atol=1e-9)


def test_thousands_of_levels_take_little_memory() -> None:
    """Rows by levels, centred, took ten times as much."""
    import tracemalloc

    table = pd.DataFrame({"run": [f"X{k // 60}" for k in range(15000)], "depth": ["top", "middle", "bottom"] * 5000})
    tracemalloc.start()
    assert aliases(table, ["run", "depth"]) == ()
    assert tracemalloc.get_traced_memory()[1] < 40_000_000
    tracemalloc.stop()
