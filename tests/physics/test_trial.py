"""A sphere tried out: its speed by hand, its profile as the settling column's, temperatures slow it as the viscosity says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.physics.inputs import liquid_of
from studykit.physics.trial import SHARES_OF_TIME, Trial, trial_of, tried
from tests.physics.test_forecast import pails, study

DROPLET = Trial(diameter_um=2.0, excess_kg_m3=100.0, viscosity_mpa_s=100.0, temperature_c=20.0, swing_c=0.0, height_mm=350.0,
                months=36.0, depths=("upper", "middle", "lower"))


def test_speed_is_stokes_by_hand() -> None:
    # Stokes 1851: 100 kg/m³ * 9.80665 m/s² * (2e-6 m)² / (18 * 0.1 Pa s) = 2.17926e-9 m/s, 0.188288 mm a day
    found = tried(DROPLET)
    assert found.speed_mm_day == pytest.approx(0.188288, rel=2e-5)
    assert found.days_to_cross == pytest.approx(350 / 0.188288, rel=2e-5)
    # Perrin 1909: kT / (excess * g * pi d³ / 6) at 20 °C = 4.0474e-21 J / 4.1078e-15 N = 9.853e-7 m
    assert found.length_mm == pytest.approx(9.853e-4, rel=1e-3)


def test_a_front_falls_with_that_speed_and_what_left_lies_on_the_floor() -> None:
    found = tried(DROPLET)
    fallen = 0.188288 * 36 * 365.25 / 12 / 350
    assert found.zones.iloc[-1]["on_floor_percent"] == pytest.approx(100 * fallen, abs=0.3)
    assert found.zones.iloc[-1]["upper"] == pytest.approx(0, abs=1e-6)
    assert found.zones.iloc[0][["upper", "middle", "lower"]].to_numpy(float) == pytest.approx([100, 100, 100], abs=1e-6)
    ages = np.array(found.profile.ages_days)[list(found.drawn)] / found.profile.ages_days[-1]
    assert ages == pytest.approx(SHARES_OF_TIME, abs=0.5 / (len(found.profile.ages_days) - 1))


def test_what_is_lighter_rises() -> None:
    found = tried(replace(DROPLET, excess_kg_m3=-100.0))
    assert found.speed_mm_day == pytest.approx(-0.188288, rel=2e-5)
    assert found.zones.iloc[-1]["at_surface_percent"] > 50
    assert found.zones.iloc[-1]["on_floor_percent"] == 0


def test_a_yearly_swing_hastens_what_a_warm_summer_thins() -> None:
    """Warm months gain more than cold months lose, since the viscosity falls steeply (convex) with temperature."""
    still, wave = (tried(replace(DROPLET, swing_c=s, months=12.0)).profile.fallen[-1, 0] for s in (0.0, 10.0))
    assert 1.02 < wave / still < 1.3
    flat = tried(replace(DROPLET, swing_c=10.0, months=12.0, slope=0.0)).profile.fallen[-1, 0]
    assert flat == pytest.approx(still, rel=1e-6)  # a viscosity that does not change knows no season


def test_the_viscosity_is_the_one_that_was_set_at_its_temperature() -> None:
    liquid = DROPLET.liquid()
    assert float(liquid.dynamic_pa_s(20.0)) == pytest.approx(0.1, rel=2e-4)  # the standard's own inverse is good to 1.2e-4
    assert float(liquid.dynamic_pa_s(40.0)) < 0.05 < float(liquid.dynamic_pa_s(20.0)) < 0.2 < float(liquid.dynamic_pa_s(5.0))


def test_the_usual_liquid_is_an_oil_of_900_kg_per_m3() -> None:
    """Reynolds by hand: 900 kg/m³ * 2.17926e-9 m/s * 2e-6 m / 0.1 Pa s, the speed as above."""
    assert tried(DROPLET).reynolds == pytest.approx(900 * 2.17926e-9 * 2e-6 / 0.1, rel=2e-4)


def test_what_cannot_be_is_refused() -> None:
    for wrong in ({"height_mm": 0.0}, {"months": 0.0}, {"diameter_um": -1.0}):
        with pytest.raises(ValueError, match="greater than 0"):
            tried(replace(DROPLET, **wrong))
    assert np.isfinite(tried(replace(DROPLET, diameter_um=300.0, months=0.1)).speed_mm_day)


def test_a_trial_starts_from_what_the_study_declares() -> None:
    """The first component in the declared oil, the pails that stood longest; numbers as people would set them."""
    made, liquid = study(), liquid_of(study().fluid)
    start = trial_of(made, pails())
    assert (start.diameter_um, start.temperature_c, start.swing_c) == (3.23, 18, 0)
    assert (start.height_mm, start.months) == (314, pytest.approx(36, abs=0.05))
    density = float(liquid.density(18.0))
    assert start.density_kg_m3 == density
    excess = start.excess_kg_m3
    assert abs(excess - (970 - density)) <= 0.05
    assert excess == round(excess, 1)
    assert start.viscosity_mpa_s == pytest.approx(1000 * float(liquid.dynamic_pa_s(18.0)), rel=5e-3)
    assert float(start.liquid().dynamic_pa_s(40.0)) == pytest.approx(float(liquid.dynamic_pa_s(40.0)), rel=0.05)
    assert trial_of(study(parts=[]), pails()).excess_kg_m3 == 75  # a droplet in oil where nothing is declared
