"""The Mason-Weaver column: published series, limits, conservation of mass, convergence of the scheme."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from studykit.physics.diffusion import (
    SERIES_FROM,
    _moments,
    bernoulli,
    cumulative,
    equilibrium,
    finite_volume,
    method_for,
)
from tests.physics_examples import HERE


def concentration(height: np.ndarray | float, s: float, theta: float, step: float = 1e-4) -> np.ndarray:
    """Concentration relative to mixed at each height: mean over ``step`` of the height around it."""
    z = np.atleast_1d(np.asarray(height, float))
    low, high = np.clip(z - step / 2, 0, 1), np.clip(z + step / 2, 0, 1)
    return (cumulative(high, s, theta) - cumulative(low, s, theta)) / (high - low)

Z = np.linspace(0, 1, 201)


def test_published_series_at_fifty_digits() -> None:
    table = pd.read_csv(HERE / "mason_weaver.csv", comment="#")
    assert len(table) == 40
    used = set()
    for r in table.to_dict("records"):
        z = np.array([float(Fraction(r["height"]))])
        s, theta = r["tau"], r["alpha"] * r["tau"]
        assert concentration(z, s, theta)[0] == pytest.approx(r["concentration"], rel=5e-6), r
        used.add(method_for(s, theta))
    assert used == {"reflections", "eigenfunction series"}


@pytest.mark.parametrize(("alpha", "tau", "expected"), [
    # Closed form of Mason and Weaver 1924 recomputed by series and by 4000 finite volumes
    (0.1, 0.2, [2.432281, 1.257375, 0.950972, 0.471591, 0.234007]),
    (1.0, 0.5, [1.501780, 1.336770, 0.959919, 0.689544, 0.613856]),
    (5.0, 0.05, [1.085310, 1.061138, 0.998553, 0.939794, 0.918912])])
def test_six_digits(alpha: float, tau: float, expected: list[float]) -> None:
    got = concentration(np.array([0.05, 1 / 6, 0.5, 5 / 6, 0.95]), tau, alpha * tau)
    assert got == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("pe", [1e-3, 0.1, 1.0, 10.0, 100.0, 1e3, 1e6])
def test_both_series_agree_where_they_meet(pe: float) -> None:
    below, above = SERIES_FROM * (1 - 1e-13), SERIES_FROM * (1 + 1e-13)
    assert method_for(pe * below, below) == "reflections"
    assert method_for(pe * above, above) == "eigenfunction series"
    assert cumulative(Z, pe * below, below) == pytest.approx(cumulative(Z, pe * above, above), abs=1e-11)


def test_without_diffusion_the_front_is_sharp() -> None:
    # kinematic limit: clear above 1 - s, unchanged below, the rest on the floor
    for s in (0.1, 0.5, 0.9, 1.5):
        sharp = np.where(Z > 0, np.minimum(1, Z + s), 0)
        assert method_for(s, s * 1e-9) == "no diffusion"
        assert cumulative(Z, s, s * 1e-9) == pytest.approx(sharp, abs=1e-12)
        for pe in (1e4, 1e6, 5e7):
            # a front smeared over sqrt(2 s / Pe), and a floor layer thinner than a cell
            assert np.abs(cumulative(Z, s, s / pe) - sharp)[1:].max() < 0.6 * np.sqrt(s / pe) + 1e-12


def test_long_time_is_barometric() -> None:
    for pe in (1e-3, 0.5, 7.0, 300.0, 1e6):
        assert cumulative(Z, 20 * pe, 20.0) == pytest.approx(equilibrium(Z, pe), abs=1e-12)


def test_short_time_is_mixed_and_small_peclet_stays_mixed() -> None:
    assert cumulative(Z, 0.0, 0.0) == pytest.approx(Z, abs=0)
    assert cumulative(Z, 1e-9, 1e-8) == pytest.approx(Z, abs=1e-7)
    assert cumulative(Z, 1e-12, 1e3) == pytest.approx(Z, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(log_pe=st.floats(-3, 6), log_s=st.floats(-6, 3))
def test_mass_order_and_time(log_pe: float, log_s: float) -> None:
    pe, s = 10**log_pe, 10**log_s
    m = cumulative(Z, s, s / pe)
    assert (m[0], m[-1]) == (0.0, 1.0)
    assert abs(np.diff(m).sum() - 1) < 1e-12
    assert np.diff(m).min() > -1e-10
    later = cumulative(Z, 1.2 * s, 1.2 * s / pe)
    assert np.all(later >= m - 1e-9)
    assert np.all(m >= Z - 1e-9)


@settings(max_examples=60, deadline=None)
@given(log_pe=st.floats(-3, 6), log_s=st.floats(-5, 2))
def test_light_particles_mirror(log_pe: float, log_s: float) -> None:
    pe, s = 10**log_pe, 10**log_s
    assert cumulative(Z, -s, s / pe) == pytest.approx(1 - cumulative(1 - Z, s, s / pe), abs=1e-14)


@pytest.mark.parametrize(("pe", "s"), [(0.5, 0.3), (5.0, 0.4), (20.0, 0.5)])
def test_scheme_converges_in_second_order_in_cells(pe: float, s: float) -> None:
    errors = []
    for cells in (25, 50, 100):
        grid = np.linspace(0, 1, cells + 1)
        ds = np.full((800, 1), s / 800)
        got = finite_volume(ds, ds / pe, [800], cells).cumulative[0, 0]
        errors.append(np.abs(got - cumulative(grid, s, s / pe)).max())
    rates = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(rates > 1.7), (errors, rates)
    assert errors[-1] < 1e-3


def test_scheme_converges_in_second_order_in_steps() -> None:
    pe, s, cells = 3.0, 0.5, 40
    def run(steps: int) -> np.ndarray:
        ds = np.full((steps, 1), s / steps)
        return finite_volume(ds, ds / pe, [steps], cells).cumulative[0, 0]
    fine = run(4000)
    errors = [np.abs(run(n) - fine).max() for n in (20, 40, 80)]
    rates = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(rates > 1.6), (errors, rates)


def test_scheme_keeps_mass_and_the_final_state_exactly() -> None:
    rng = np.random.default_rng(4)
    ds = rng.uniform(0, 2, (300, 5)) * np.array([1e-3, 1e-2, 0.1, 1, 10])
    got = finite_volume(ds, ds / np.array([0.01, 1, 20, 300, 1e5]), [0, 10, 300], 200)
    assert got.steps == 300
    assert np.abs(np.diff(got.cumulative, axis=2).sum(axis=2) - 1).max() < 1e-12
    assert got.cumulative[0] == pytest.approx(np.tile(got.edges, (5, 1)))
    # Scharfetter-Gummel fluxes vanish on the barometric profile: cell values in the ratio exp(-Pe h)
    pe = 20.0
    long = np.full((200, 1), 1.0 * pe)
    cells = np.diff(finite_volume(long, long / pe, [200], 50).cumulative[0, 0])
    assert cells[1:20] / cells[:19] == pytest.approx(np.exp(-pe / 50), rel=1e-8)


def test_scheme_follows_a_reversal() -> None:
    # down, then as long up at the same pace: with equal clocks the mirrored state comes out of the mirrored run
    ds = np.concatenate([np.full(200, 0.002), np.full(400, -0.002)])[:, None]
    theta = np.full_like(ds, 0.0005)
    there, back = finite_volume(ds, theta, [600]), finite_volume(-ds, theta, [600])
    assert there.cumulative[0, 0] == pytest.approx(1 - back.cumulative[0, 0][::-1], abs=1e-10)


def test_bernoulli_weights() -> None:
    x = np.array([-800, -5, -1e-9, 0, 1e-9, 5, 800.0])
    assert bernoulli(x)[[0, 3, 6]] == pytest.approx([800, 1, 0], abs=1e-9)
    assert bernoulli(-x) - bernoulli(x) == pytest.approx(x, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(("call", "text"), [
    (lambda: cumulative(np.array([1.2]), 0.1, 0.1), "height_fraction must be from 0"),
    (lambda: cumulative(Z, 0.1, -0.1), "theta must be 0 or more"),
    (lambda: cumulative(Z, np.inf, 0.1), "s finite"),
    (lambda: finite_volume(np.ones((3, 2)), np.ones((2, 2)), [1]), "must have one shape"),
    (lambda: finite_volume(np.ones((3, 2)), -np.ones((3, 2)), [1]), "dtheta be 0 or more"),
    (lambda: finite_volume(np.ones((3, 2)), np.ones((3, 2)), [1], cells=2), "cells must be 4 or more"),
])
def test_refusals(call: object, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        call()  # type: ignore[operator]


@pytest.mark.parametrize(("m", "theta"), [(0.3, 0.02), (0.9, 0.3), (-0.4, 0.1), (1.6, 0.5)])
def test_mass_and_first_moment_of_a_normal_density_by_quadrature(m: float, theta: float) -> None:
    density = stats.norm(m, math.sqrt(2 * theta))
    found = _moments(np.array(m), np.array(0.7), np.array(theta))
    by_hand = [math.exp(0.7) * integrate.quad(lambda y, k=k: y**k * density.pdf(y), 0, 1)[0] for k in (0, 1)]
    assert [float(x) for x in found] == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_scheme_carries_matter_without_diffusion_either_way(way: float) -> None:
    """A mixed column sinks (rises) by a quarter of its height: so much lies in the last cell, and as much is clear beyond."""
    cells, steps = 40, 500
    ds = np.full((steps, 1), way * 0.25 / steps)
    below = finite_volume(ds, np.zeros_like(ds), [0, steps], cells).cumulative[:, 0]
    assert below[0] == pytest.approx(np.linspace(0, 1, cells + 1))
    mass = np.diff(below[1])
    mass = mass if way > 0 else mass[::-1]
    assert mass[0] == pytest.approx(0.25 + 1 / cells, rel=1e-6)
    assert mass[1:16] == pytest.approx(np.full(15, 1 / cells), rel=1e-3)
    assert mass[-4:].sum() < 0.01
    assert mass.sum() == pytest.approx(1)
