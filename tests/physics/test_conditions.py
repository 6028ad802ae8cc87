"""Conditions of the physics sentences: vessels that lie, liquids that may be stirred, coarse matter in thin liquids."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.core.errors import BadInput
from studykit.physics.bounds import Bound
from studykit.physics.forecast import could_it_settle, what_is_ruled_out
from studykit.vessels.shapes import HorizontalCylinder, UprightCylinder
from tests.physics.test_forecast import FLUID, PARTS, pails, study

COOLANT = {"density_kg_m3": 1030, "density_expansion_per_k": 4e-4, "rest_viscosity_pa_s": 0.002, "storage_temperature_c": 20}
ZONES = [Bound(analyte="Si", top_depletion_percent=3)]
WHOLE = [Bound(analyte="Si", top_depletion_percent=3, reference="whole")]


def steel(um: float, log_sd: float, density: float = 7800) -> dict[str, object]:
    return {"name": "steel", "analyte": "Si", "density_kg_m3": density, "diameter_um": um, "log_sd": log_sd}


@pytest.mark.parametrize(("um", "log_sd"), [(300, 0.0), (300, 0.4), (200, 1.0), (900, 0.5)])
def test_one_coarse_component_in_coolant_stops_nothing(um: float, log_sd: float) -> None:
    """A Reynolds number above 1000 stopped the plan after the check had found no fault."""
    coarse = study(COOLANT, [steel(um, log_sd)])
    got = could_it_settle(coarse, pails())
    assert got.missing == ()
    assert 0 < got.components["days_to_cross"].iloc[0] < 0.01
    assert np.isfinite(got.profile[["upper", "middle", "lower"]]).to_numpy().all()


def test_a_spread_that_no_powder_has_is_refused_where_it_is_read() -> None:
    with pytest.raises(BadInput, match="log_sd: '40': cannot be"):
        study(COOLANT, [steel(200, 40)])


def test_nothing_is_ruled_out_where_a_container_lay() -> None:
    lying = pails().assign(orientation=["upright", "lying", "upright"])
    quiet = {**FLUID, "temperature_difference_k": 0.01}
    for bounds in (ZONES, WHOLE):
        (found,) = what_is_ruled_out(study({**quiet}, _nominal()), lying, bounds)
        assert "1 of the containers lay" in found.sentence()
        assert "at most" not in found.sentence()
        (upright,) = what_is_ruled_out(study({**quiet}, _nominal()), pails(), bounds)
        assert "at most" in upright.sentence()
    told = could_it_settle(study(), lying).sentences
    assert any("Some of these containers lie: this estimate is for upright walls" in s for s in told)


def _nominal() -> list[dict[str, object]]:
    return [{**PARTS[0], "volume_fraction": 1e-3}]


@pytest.mark.few(1)
@pytest.mark.parametrize(("known", "refused"), [(None, True), (2.0, True), (0.01, False)])
def test_zones_alone_rule_nothing_out_where_warmth_may_have_stirred(known: float | None, refused: bool) -> None:
    fluid = FLUID if known is None else {**FLUID, "temperature_difference_k": known}
    (among,) = what_is_ruled_out(study(fluid, _nominal()), pails(), ZONES)
    assert ("stirring by warmth cannot be excluded" in among.sentence()) is refused
    assert ("at most" in among.sentence()) is not refused
    (whole,) = what_is_ruled_out(study(fluid, _nominal()), pails(), WHOLE)
    assert "whether its liquid stood still or was gently stirred" in whole.sentence()


@pytest.mark.parametrize("litres", [170, 185, 200, 212])
def test_the_same_drum_lying_clears_half_as_soon_again_and_more(litres: float) -> None:
    """physics.md: 1.5 to 1.7 times sooner. Fall goes with height; the segment of a circle by Monte Carlo, no code in common."""
    standing = UprightCylinder(shape="upright_cylinder", diameter_mm=571.5, height_mm=850).height_mm(litres)
    lying = HorizontalCylinder(shape="horizontal_cylinder", diameter_mm=571.5, length_mm=850).height_mm(litres)
    x, y = np.random.default_rng(1).uniform(-1, 1, (2, 400_000))
    inside = np.sort(y[x**2 + y**2 <= 1])
    share = litres * 1e6 / (np.pi * 285.75**2 * 850)
    assert lying == pytest.approx(285.75 * (1 + inside[int(share * len(inside))]), rel=0.01)
    assert 1.5 <= standing / lying <= 1.7


@pytest.mark.parametrize(("fill", "sooner"), [(0.5, 1.0), (0.8, 1.02), (1.0, 1.29)])
def test_a_curved_ceiling_hastens_a_lying_vessel_that_is_nearly_full(fill: float, sooner: float) -> None:
    """Half of a level slab at 5/6 is clear when what was above it has fallen by: surface or ceiling, whichever is lower."""
    rng = np.random.default_rng(2)
    y = fill * (5 / 6 + rng.uniform(-0.02, 0.02, 200_000))
    x = rng.uniform(-0.5, 0.5, 200_000)
    x, y = (v[x**2 + (y - 0.5) ** 2 <= 0.25] for v in (x, y))
    above = np.minimum(0.5 + np.sqrt(0.25 - x**2), fill) - y
    assert fill / 6 / float(np.median(above)) == pytest.approx(sooner, abs=0.03)

