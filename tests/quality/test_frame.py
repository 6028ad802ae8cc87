"""Quantiles of columns with gaps, to the bit as numpy gives them one by one."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.quality.frame import quantile


@pytest.mark.parametrize("q", [0.0, 0.05, 0.5, 0.731, 0.95, 1.0])
def test_quantiles_are_those_of_numpy_column_by_column(q: float) -> None:
    """Reference: numpy.quantile (linear, Hyndman & Fan 1996, type 7) of each column's finite numbers."""
    rng = np.random.default_rng(7)
    for _ in range(300):
        x = rng.normal(size=(rng.integers(0, 25), rng.integers(1, 9))) * 10.0 ** rng.integers(-6, 6)
        x[rng.random(x.shape) < rng.choice([0.0, 0.3, 0.9])] = np.nan
        x[rng.random(x.shape) < 0.03] = np.inf
        finite = [c[np.isfinite(c)] for c in x.T]
        wanted = np.array([np.quantile(c, q) if c.size else np.nan for c in finite])
        np.testing.assert_array_equal(quantile(x, q), wanted)
