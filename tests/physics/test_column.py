"""Expected profiles: size classes, temperature history, zones, the antifoam table, and refusals."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from studykit.core.errors import BadInput
from studykit.physics.bounds import DAYS_PER_MONTH
from studykit.physics.column import (
    Component,
    Sizes,
    ZoneOf,
    clock_rates,
    expected_column,
    spot_zones,
    yearly_temperatures,
)
from studykit.physics.diffusion import finite_volume
from studykit.physics.viscosity import Liquid, ViscosityLine
from tests.physics_examples import grade, water


def slice_zones(labels: str) -> tuple[ZoneOf, ...]:
    """The whole liquid in equal slices from the surface down."""
    n = len(labels)
    return tuple(ZoneOf(label=x, low=1 - (i + 1) / n, high=1 - i / n) for i, x in enumerate(labels))


ZONES = spot_zones(("upper", "middle", "lower"))


def one(diameter_m: float, density: float = 2700, phi: float = 0.0) -> Component:
    return Component(name="x", density_kg_m3=density, sizes=Sizes.table([diameter_m], [1]), volume_fraction=phi)


def test_lognormal_classes() -> None:
    sizes = Sizes.lognormal(2e-6, 0.4, 200, of="number")
    # mass median of a number median of 2 µm with log SD 0.4: 2 exp(3 · 0.16) = 3.23 µm
    order = np.cumsum(sizes.share)
    assert np.interp(0.5, order, sizes.diameter_m) == pytest.approx(3.232e-6, rel=0.01)
    assert sizes.share.sum() == pytest.approx(1, abs=1e-12)
    mass_median = 2e-6 * np.exp(3 * 0.16)
    assert np.sum(sizes.share * sizes.diameter_m**2) == pytest.approx(mass_median**2 * np.exp(2 * 0.16), rel=1e-10)
    assert Sizes.lognormal(1e-6, 0.0).diameter_m.tolist() == [1e-6]


# Practitioner's notes: silicone of 970 kg/m³, number median 2 µm, log SD 0.4, in 314 mm of VG 220 at 18 °C;
# fractions of mixed at depths 1/6, 1/2, 5/6, share on the floor, low/top (two digits).
@pytest.mark.parametrize(("months", "celsius", "zones", "floor", "ratio"), [
    (14, 18.0, (0.92, 1.00, 1.00), 0.076, 1.09), (27, 18.0, (0.71, 0.97, 1.00), 0.15, 1.41),
    (36, 18.0, (0.57, 0.94, 0.99), 0.20, 1.74), (36, 8.0, (0.90, 1.00, 1.00), 0.08, 1.11)])
def test_antifoam_by_age_and_store(months: int, celsius: float, zones: tuple[float, ...], floor: float, ratio: float
                                   ) -> None:
    oil = Liquid(line=grade("VG 220").line, density_kg_m3=895, expansion_per_k=0.0)
    foam = Component(name="antifoam", density_kg_m3=970, sizes=Sizes.lognormal(2e-6, 0.4, 200, of="number"))
    table = expected_column(foam, oil, 0.314, [months * DAYS_PER_MONTH], celsius).zone_table(ZONES)
    assert table[["upper", "middle", "lower"]].iloc[0].to_numpy() / 100 == pytest.approx(zones, abs=0.012)
    assert table["on_floor_percent"][0] / 100 == pytest.approx(floor, abs=0.006)
    assert table["bottom_over_top"][0] == pytest.approx(ratio, abs=0.03)


def test_a_warmer_store_settles_faster() -> None:
    tops = [expected_column(one(5e-6, 970), grade("VG 220"), 0.3, [365], t, cells=40).zone_percent(
        ZoneOf(label="top", low=0.8, high=1.0))[0] for t in (0, 10, 20, 30)]
    assert tops == sorted(tops, reverse=True)
    assert tops[0] - tops[-1] > 50


def test_one_size_matches_a_hand_calculation() -> None:
    # 3 µm MoS2 (4900) in VG 32 at 20 °C: after t the top v t is clear, the floor holds v t / H
    oil = grade("VG 32")
    v = (4900 - float(oil.density(20.0))) * 9.80665 * 9e-12 / (18 * float(oil.dynamic_pa_s(20.0)))
    days = 0.4 * 0.78 / v / 86400
    p = expected_column(one(3e-6, 4900), oil, 0.78, [days], 20.0)
    assert p.fallen[0, 0] == pytest.approx(0.4, rel=2e-5)  # the drag law is 1e-5 below Stokes' at Re of 1e-6
    table = p.zone_table(slice_zones("abcde"))
    assert table[list("abcd")].iloc[0].to_numpy() == pytest.approx([0, 0, 100, 100], abs=0.3)
    assert table["e"][0] == pytest.approx(300, abs=0.3)
    assert table["on_floor_percent"][0] == pytest.approx(40, abs=0.3)
    assert p.method == ("no diffusion",)


def test_slices_hold_all_of_it_at_every_age() -> None:
    part = Component(name="x", density_kg_m3=2700, sizes=Sizes.lognormal(5e-8, 1.0, 20))
    p = expected_column(part, grade("VG 32"), 0.5, [0, 30, 400, 1500], yearly_temperatures(12, 10, 1500))
    table = p.zone_table(slice_zones("abcd"))
    assert table[list("abcd")].mean(axis=1).to_numpy() == pytest.approx(100, abs=1e-9)
    assert table[list("abcd")].iloc[0].to_numpy() == pytest.approx(100, abs=1e-9)
    assert np.abs(p.cumulative[:, -1] - 1).max() < 1e-12
    assert len(p.to_table()) == 4 * (len(p.heights) - 1)


def _fine(part: Component, liquid: Liquid, height: float, ages: list[int], temps: np.ndarray, cells: int,
          a_day: int = 1) -> np.ndarray:
    """The same history on a fine grid, with ``a_day`` steps a day."""
    ds, dtheta = (np.repeat(x * 86400 / a_day, a_day, axis=0) for x in clock_rates(part, liquid, height, temps))
    return finite_volume(ds, dtheta, [a_day * a for a in ages], cells).cumulative[:, 0]


@pytest.mark.parametrize(("diameter", "words", "ages", "a_day"), [
    (2e-8, "with finite-volume correction", [30, 365, 540, 730], 1),
    (5e-8, "with finite-volume correction", [30, 365, 540, 730], 1),
    (1e-7, "with finite-volume correction", [30, 180, 365], 2),
    (1.7e-7, "on summed clocks", [15, 30, 60], 10)])
def test_temperature_history_against_a_fine_march(diameter: float, words: str, ages: list[int], a_day: int) -> None:
    temps, grid = yearly_temperatures(15, 12, ages[-1]), np.linspace(0, 1, 1001)
    p = expected_column(one(diameter), water(), 0.05, ages, temps)
    fine = _fine(one(diameter), water(), 0.05, ages, temps, 1000, a_day)
    assert words in p.method[0]
    for zone in ZONES:
        ends = np.array([np.interp([zone.low, zone.high], grid, row) for row in fine])
        fine_percent = 100 * (ends[:, 1] - ends[:, 0]) / (zone.high - zone.low)
        assert p.zone_percent(zone) == pytest.approx(fine_percent, abs=0.5), zone


def test_the_correction_matters() -> None:
    # negative control: with the yearly mean alone the small sizes are off in late winter
    temps = yearly_temperatures(15, 12, 730)
    real = expected_column(one(3e-8), water(), 0.05, [730], temps).zone_percent(ZONES[0])
    mean = expected_column(one(3e-8), water(), 0.05, [730], 15.0).zone_percent(ZONES[0])
    fine = _fine(one(3e-8), water(), 0.05, [730], temps, 400)[0]
    truth = 100 * np.diff(np.interp([ZONES[0].low, ZONES[0].high], np.linspace(0, 1, 401), fine))[0] / 0.04
    assert abs(real[0] - truth) < 0.02
    assert abs(mean[0] - truth) > 0.1


def test_a_cold_winter_counts() -> None:
    swing = expected_column(one(2e-6), grade("VG 220"), 0.3, [180], yearly_temperatures(12, 12, 180, filled_day=300))
    flat = expected_column(one(2e-6), grade("VG 220"), 0.3, [180], 12.0)
    assert swing.fallen[0, 0] < 0.7 * flat.fallen[0, 0]


def test_matter_that_sinks_in_summer_and_rises_in_winter() -> None:
    # density of the particle between that of the warm and the cold liquid
    oil = grade("VG 32")
    part = one(3e-7, float(oil.density(15.0)))
    p = expected_column(part, oil, 0.05, [100, 365], yearly_temperatures(15, 10, 365))
    assert p.method == ("finite volume",)
    assert np.abs(np.diff(p.cumulative, axis=1).sum(axis=1) - 1).max() < 1e-12


@settings(max_examples=25, deadline=None)
@given(d=st.floats(2e-8, 5e-6), excess=st.floats(20, 4000), days=st.floats(1, 2000))
def test_monotone_in_size_density_and_time_and_mirrored(d: float, excess: float, days: float) -> None:
    liquid = Liquid(line=ViscosityLine.constant(50, (0, 40)), density_kg_m3=5000, expansion_per_k=0.0)

    def top(size: float, more: float, age: float) -> float:
        p = expected_column(one(size, 5000 + more), liquid, 0.3, [age], 20.0, cells=40)
        return float(p.zone_percent(ZoneOf(label="t", low=0.75, high=1.0))[0])
    base = top(d, excess, days)
    assert top(1.1 * d, excess, days) <= base + 1e-7
    assert top(d, 1.1 * excess, days) <= base + 1e-7
    assert top(d, excess, 1.1 * days) <= base + 1e-7
    light = expected_column(one(d, 5000 - excess), liquid, 0.3, [days], 20.0, cells=40)
    assert light.zone_percent(ZoneOf(label="b", low=0.0, high=0.25))[0] == pytest.approx(base, abs=1e-6)


def test_crowding_slows() -> None:
    free = expected_column(one(3e-6), water(), 0.5, [0.1], 20.0).fallen[0, 0]
    crowd = expected_column(one(3e-6, phi=0.11), water(), 0.5, [0.1], 20.0).fallen[0, 0]
    assert crowd / free == pytest.approx(0.89**4.65, rel=1e-9)


def test_yield_stress_keeps_the_small_ones_mixed() -> None:
    gel = Liquid(line=ViscosityLine.constant(2000, (0, 40)), density_kg_m3=1000, expansion_per_k=0.0,
                 yield_stress_pa=0.01)
    p = expected_column(one(2e-6), gel, 0.3, [3650], 20.0)
    assert p.zone_table(ZONES)[["upper", "middle", "lower"]].iloc[0].to_numpy() == pytest.approx(100)
    assert p.method == ("nothing moved",) or p.fallen[0, 0] == 0


def test_tapered_vessel_weights_a_zone_by_its_area() -> None:
    p = expected_column(one(1e-7), water(), 0.05, [5], 20.0)
    whole = ZoneOf(label="w", low=0.0, high=1.0)
    assert p.zone_percent(whole)[0] == pytest.approx(100, abs=1e-9)
    assert p.zone_percent(whole, area=lambda z: 1 + z)[0] < 99
    assert p.zone_percent(whole, area=lambda z: 2.0)[0] == pytest.approx(100, abs=1e-9)


def test_speed_of_a_full_history() -> None:
    part = Component(name="x", density_kg_m3=2700, sizes=Sizes.lognormal(5e-8, 1.2, 20))
    temps, ages = yearly_temperatures(12, 11, 1827), [365, 730, 1095, 1826]
    best = np.inf
    for _ in range(4):
        start = time.process_time()  # not by the clock, which a busy machine stretches
        p = expected_column(part, grade("VG 32"), 0.78, ages, temps, cells=200)
        best = min(best, time.process_time() - start)
    assert len(p.method) == 20
    assert p.steps > 0
    assert best < 0.5


def test_median_of_classes_is_the_median_asked_for() -> None:
    assert norm.cdf(0) == 0.5
    assert np.median(Sizes.lognormal(4e-6, 0.3, 41).diameter_m) == pytest.approx(4e-6, rel=1e-3)


@pytest.mark.parametrize(("call", "kind", "text"), [
    (lambda: Component(name="x", density_kg_m3=2000, sizes=Sizes.table([1e-6], [1]), volume_fraction=0.66),
     ValueError, r"below 0.64 \(close packing\), but got 0.66"),
    (lambda: Component(name="x", density_kg_m3=0, sizes=Sizes.table([1e-6], [1])), ValueError, "density_kg_m3 must be"),
    (lambda: Sizes.table([1e-6, 2e-6], [1]), ValueError, "shares must be one a diameter"),
    (lambda: Sizes.table([1e-6], [-1]), ValueError, "shares must be 0 or more"),
    (lambda: Sizes.lognormal(1e-6, -1), ValueError, "log_sd must be 0 or more"),
    (lambda: spot_zones(("a", "b"), 0.7), ValueError, "thickness must be above 0 and at most 1/2"),
    (lambda: expected_column(one(1e-6), water(), 0.0, [1], 20.0), ValueError, "height_m must be greater than 0"),
    (lambda: expected_column(one(1e-6), water(), 0.3, [-1], 20.0), ValueError, "ages_days must be numbers of 0"),
    (lambda: expected_column(one(1e-6), water(), 0.3, [10], 90.0), BadInput, "outside 1 to 60 °C"),
    (lambda: expected_column(one(1e-6), water(), 0.3, [100], np.full(50, 20.0)), BadInput,
     "covers 50 days, but the oldest age is 100 days"),
    (lambda: expected_column(one(1e-6), water(), 0.3, [1], np.array([20, np.nan])), BadInput, "has gaps or text"),
    (lambda: expected_column(one(1e-6), water(), 0.3, [1], 20.0).zone_percent(ZoneOf(label="z", low=0.5, high=0.5)),
     ValueError, "zone must lie between 0 and 1"),
])
def test_refusals(call: object, kind: type[Exception], text: str) -> None:
    with pytest.raises(kind, match=text):
        call()  # type: ignore[operator]


def test_the_table_of_a_profile_has_the_mixed_mean() -> None:
    """Mass is conserved: over the height the per cents of the mixed mean average 100."""
    p = expected_column(one(2e-6), grade("VG 32"), 0.3, [0.0, 400.0], 20.0, cells=50)
    table, width = p.to_table(), np.diff(p.heights)
    for _, rows in table.groupby("age_days"):
        assert (rows["percent_of_mixed"].to_numpy() * width).sum() == pytest.approx(100, rel=1e-6)


@pytest.mark.parametrize("density", [2700.0, 100.0])
def test_the_peclet_number_of_a_column_is_speed_by_height_over_diffusion(density: float) -> None:
    """pi d^3 excess g H / (6 kT) by hand (Perrin 1909), positive for what sinks and for what rises."""
    liquid = water()
    found = expected_column(one(2e-7, density), liquid, 0.01, [100.0], 20.0)
    excess = abs(density - float(liquid.density(20.0)))
    pe = np.pi * 2e-7**3 * excess * 9.80665 * 0.01 / (6 * 1.380649e-23 * 293.15)
    assert found.peclet == pytest.approx([pe], rel=1e-3)
