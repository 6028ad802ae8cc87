"""Forms of many containers: the same numbers as the matrices of few, and no matrix of containers x containers."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from studykit.inference import bounded, wide
from studykit.inference.bounded import judge_bounds, largest, limits_of, linear_forms
from studykit.inference.margin import Margin
from studykit.inference.wide import Form, mean_form


def cells(n: int, lost: float, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ends of n x 3 readings, a third of them bounded, some lost, and columns of two groups."""
    rng = np.random.default_rng(seed)
    low = rng.normal(100.0, 1.0, (n, 3))
    high = low + np.where(rng.random((n, 3)) < 0.3, 0.5, 0.0)
    gone = rng.random((n, 3)) < lost
    return np.where(gone, np.nan, low), np.where(gone, np.nan, high), np.column_stack([np.ones(n), np.arange(n) % 2])


@pytest.mark.parametrize("lost", [0.0, 0.15])
@pytest.mark.parametrize("grouped", [False, True])
def test_blocks_and_vectors_are_the_matrix(lost: float, grouped: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    low, high, groups = cells(14, lost)
    given = groups if grouped else None
    few = linear_forms(low, high, given)
    monkeypatch.setattr(bounded, "MANY", 1)
    many = linear_forms(low, high, given)
    for one, other in zip(few, many, strict=True):
        assert isinstance(other.form, Form)
        np.testing.assert_allclose(other.form.dense(), one.form, atol=1e-12 * np.abs(one.form).max())
        np.testing.assert_allclose(other.weights, one.weights, atol=1e-13)
        assert (other.df, other.unit) == pytest.approx((one.df, one.unit), rel=1e-9)
        x = np.random.default_rng(1).normal(size=len(one.weights))
        np.testing.assert_allclose(other.form @ x, one.form @ x, atol=1e-11)
        np.testing.assert_allclose(x @ other.form, one.form @ x, atol=1e-11)
        assert other.form.top() >= np.linalg.eigvalsh(one.form)[-1] * (1 - 1e-12)


def test_the_bound_of_many_holds_and_is_little_wider(monkeypatch: pytest.MonkeyPatch) -> None:
    """Proven above every filling tried, and within a twentieth of one that is attained."""
    low, high, _ = cells(14, 0.1)
    monkeypatch.setattr(bounded, "MANY", 1)
    rng = np.random.default_rng(5)
    for pair in linear_forms(low, high):
        found, Q = largest(pair, 2.0), pair.form.dense()
        tried = [pair.low + (pair.high - pair.low) * rng.integers(0, 2, len(pair.low)) for _ in range(300)]
        values = [float(pair.weights @ y) + 2.0 * float(np.sqrt(y @ Q @ y)) for y in tried]
        assert max(values) <= found.bound
        assert found.attained <= found.bound <= found.attained + 0.05 * abs(found.attained)


def test_the_scatter_about_a_mean() -> None:
    x = np.random.default_rng(2).normal(size=400)
    many, few = mean_form(400), mean_form(100, 4.0)
    assert x @ many @ x == pytest.approx(np.var(x, ddof=1))
    assert x[:100] @ few @ x[:100] == pytest.approx(np.var(x[:100], ddof=1) / 4)


@pytest.mark.slow
def test_limits_of_two_thousand_containers_take_no_matrix() -> None:
    low, high, groups = cells(2000, 0.02)
    tracemalloc.start()
    found = judge_bounds(low, high, Margin.absolute(5.0, "mg/kg"), ("upper", "middle", "lower"), groups=groups)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.word == "homogeneous"
    assert peak < 100e6  # 6,000 x 6,000 readings would be 288 MB
    assert wide.MANY < 2000
    spans = [limits_of(f, 0.0, 0.95) for f in linear_forms(low, high, groups)]
    assert all(a < 0 < b for a, b in spans)
