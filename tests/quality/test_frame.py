"""Quantiles of columns with gaps, to the bit as numpy gives them one by one."""

from __future__ import annotations

import warnings
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.frame import Frame, _independent, _rates, _reference, _two_way, _unsure, fit, in_units, quantile


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


def test_columns_that_say_the_same_count_as_one() -> None:
    """Two columns alike are one piece of evidence, a half each; independent ones count whole but for chance."""
    z = np.random.default_rng(1).normal(size=(400, 4))
    assert _independent(z) > 0.95
    assert _independent(z[:, [0, 0]]) == pytest.approx(0.5, abs=0.01)
    assert _independent(z[:, [0, 0, 0, 0]]) == pytest.approx(0.25, abs=0.01)


def test_a_departure_far_below_the_stated_scatter_is_averaged_and_not_set_aside() -> None:
    """All cells are level + depth but one, off by a tenth of the stated scatter: means leave 5/6 * 2/3 of it."""
    at, place = np.repeat(np.arange(6), 3), np.tile(np.arange(3), 6)
    y = (np.arange(6.0)[at] + np.array([0.0, 0.3, 0.9])[place])[:, None]
    y[4] += 0.01
    f = SimpleNamespace(names=tuple("ABCDEF"), labels=("upper", "middle", "lower"), at=at, place=place,
                        zone=np.ones(18, dtype=bool), stated=np.array([0.1]))
    e = _two_way(f, y)[2]
    assert e[4, 0] == pytest.approx(0.01 * (5 / 6) * (2 / 3), rel=0.03)


def test_large_readings_of_an_absolute_margin_are_no_powers():
    """A stranger's letter began with a library's warning: exp of 5,000 mg/kg, which is on no logarithmic scale."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        got = in_units(np.array([True, False]), np.array([[np.log(7.0), 5000.0], [np.nan, 710.0]]))
    np.testing.assert_allclose(got, [[7.0, 5000.0], [np.nan, 710.0]])


def test_reference_values_and_their_uncertainty_by_analyte() -> None:
    """By hand: the value where there is one, else the middle of the limits; in the order of the analytes."""
    limits = pd.DataFrame({"analyte": ["Si", "P"], "low": [8.0, 90.0], "high": [12.0, 110.0], "value": [np.nan, 103.0],
                           "uncertainty": [np.nan, 2.0]})
    np.testing.assert_array_equal(_reference(("P", "Si", "Zn"), limits), [103, 10, np.nan])
    assert _unsure(("P", "Si", "Zn"), limits).tolist() == [2, 0, 0]
    assert _reference(("P", "Si"), limits.drop(columns="value")).tolist() == [100, 10]
    assert _unsure(("P", "Si"), limits.drop(columns="uncertainty")).tolist() == _unsure(("P", "Si"), None).tolist() == [0, 0]
    assert np.isnan(_reference(("P",), None)).all()


@pytest.mark.parametrize(("boxes", "noise", "weak"), [(6, 0.02, False), (3, 0.02, True), (6, 3.0, True)])
def test_rates_are_told_only_where_four_containers_and_the_profile_tell_them(boxes: int, noise: float, weak: bool) -> None:
    """Containers that settle 0.5 to 2 times as far as the stock's profile of 1: their rates by ratio, or 1 where too weak."""
    rates = np.geomspace(0.5, 2.0, boxes)
    at, place = np.repeat(np.arange(boxes), 3), np.tile(np.arange(3), boxes)
    profile = np.array([[-0.5], [0.0], [0.5]])
    rng = np.random.default_rng(1)
    e = ((rates[at] - 1) * profile[place, 0] + rng.normal(0, noise, len(at)))[:, None]
    f = SimpleNamespace(names=tuple(range(boxes)), at=at, place=place, zone=np.ones(len(at), dtype=bool),
                        stated=np.array([noise]))
    found, sd = _rates(f, profile, e)  # type: ignore[arg-type]
    if weak:
        assert (found.tolist(), sd) == ([1.0] * boxes, 0.0)
    else:
        assert sd > 0.3
        assert found == pytest.approx(rates, rel=0.35)


def test_a_zone_drawn_twice_pulls_neither_rate_nor_level_of_a_container_that_settles_slower() -> None:
    """A clear layer of e^-4 above a sediment, rates 0.7 to 1.4; the slowest container's top was drawn twice."""
    rates = np.array([0.7, 0.8, 0.9, 1.0, 1.0, 1.1, 1.2, 1.3, 1.4])
    rows = [(b, h) for b in range(rates.size) for h in (0.9, 0.6, 0.4, 0.1)] + [(0, 0.9)]
    at, height = (np.array(x) for x in zip(*rows, strict=True))
    shape = np.where(height > 0.5, -2.0, 2.0)
    noise = np.random.default_rng(3).normal(0, 0.01, (at.size, 3))
    y = np.log([100.0, 50.0, 20.0]) + (rates[at] * shape)[:, None] + noise
    table = pd.DataFrame({"sample": [f"B{i:02d}" for i in range(at.size)], "container": [f"C{b}" for b in at], "kind": "spot",
                          "depth": [f"at {h}" for h in height], "height": height, "run": "R1", "treatment": "stored",
                          "order": np.arange(1.0, at.size + 1)})
    place = np.searchsorted([0.1, 0.4, 0.6, 0.9], height)
    f = Frame(rows=table, analytes=("P", "Zn", "S"), y=y, value=np.exp(y), raw=np.exp(y), relative=np.full(3, True),
              stated=np.full(3, 0.01), at=at, place=place, names=tuple(f"C{b}" for b in range(rates.size)),
              labels=("0.1", "0.4", "0.6", "0.9"), zone=np.full(at.size, True), unsure=np.zeros(3),
              reference=np.full(3, np.nan))
    m = fit(f, y)
    assert m.rate[0] / m.rate[3] == pytest.approx(0.7, abs=0.02)
    assert m.level[0] == pytest.approx(np.log([100.0, 50.0, 20.0]) + (m.level[3] - np.log([100.0, 50.0, 20.0])), abs=0.03)
    assert np.abs(m.e[at == 0]).max() < 0.05  # they had been off by 0.05 to 0.19, all of them low
