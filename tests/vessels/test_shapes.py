"""Vessels: formulas, published dip values, both ways to 1e-9, refusals."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import pytest
from pydantic import ValidationError
from scipy.integrate import quad

from studykit.core.errors import BadInput
from studykit.vessels.shapes import VESSEL, Shape
from studykit.vessels.solids import turn_minus_sine


def make(shape: str, **fields: object) -> Shape:
    return VESSEL.validate_python({"shape": shape, **fields})


EVERY = {
    "cylinder": make("upright_cylinder", diameter_mm=571.5, height_mm=850),
    "coned": make("upright_cylinder", diameter_mm=500, height_mm=700,
                  bottom={"kind": "conical", "depth_mm": 180}),
    "dished": make("upright_cylinder", diameter_mm=500, height_mm=700,
                   bottom={"kind": "ellipsoidal", "depth_mm": 125}),
    "shallow": make("upright_cylinder", diameter_mm=500, height_mm=700,
                    bottom={"kind": "spherical", "depth_mm": 60}),
    "pail": make("frustum", bottom_diameter_mm=270, top_diameter_mm=300, height_mm=360),
    "tote": make("rectangular", length_mm=1150, width_mm=950, height_mm=1000),
    "hopper": make("rectangular", length_mm=1150, width_mm=950, height_mm=1000,
                   bottom={"kind": "conical", "depth_mm": 100}),
    "bottle": make("stacked", pieces=[
        {"height_mm": 160, "bottom_diameter_mm": 85},
        {"height_mm": 40, "bottom_diameter_mm": 85, "top_diameter_mm": 28},
        {"height_mm": 25, "bottom_diameter_mm": 28}]),
    "lying": make("horizontal_cylinder", diameter_mm=571.5, length_mm=850),
    "lying, elliptical": make("horizontal_cylinder", diameter_mm=571.5, length_mm=850, ends="elliptical"),
    "table": make("table", heights_mm=[0, 50, 200, 600], volumes_l=[0, 6, 55, 201]),
}
FRACTIONS = (1e-9, 1e-4, 0.013, 0.25, 1 / 3, 0.5, 0.77, 0.999, 1.0)


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("fraction", FRACTIONS)
def test_height_to_volume_and_back(name: str, fraction: float) -> None:
    vessel = EVERY[name]
    h = fraction * vessel.total_height_mm
    # tolerance: the requirement, 1e-9 relative
    assert vessel.height_mm(vessel.volume_l(h)) == pytest.approx(h, rel=1e-9)
    v = fraction * vessel.capacity_l
    assert vessel.volume_l(vessel.height_mm(v)) == pytest.approx(v, rel=1e-9)


@pytest.mark.parametrize("name", EVERY)
def test_volume_is_the_integral_of_the_area(name: str) -> None:
    vessel = EVERY[name]
    for fraction in (0.2, 0.6, 1.0):
        h = fraction * vessel.total_height_mm
        steps = sorted({0.0, h, *(x for x, _ in vessel.outline() if x < h)})
        whole = sum(quad(lambda x: vessel.area_mm2(x), a, b)[0] for a, b in pairwise(steps) if b - a > 1e-6)
        # tolerance: quad's own accuracy on smooth pieces
        assert vessel.volume_l(h) == pytest.approx(whole / 1e6, rel=2e-6)


@pytest.mark.parametrize("name", EVERY)
def test_outline_spans_the_height_and_matches_the_area(name: str) -> None:
    vessel = EVERY[name]
    heights = [h for h, _ in vessel.outline()]
    assert heights == sorted(heights)
    assert (heights[0], heights[-1]) == pytest.approx((0, vessel.total_height_mm), abs=1e-9)
    if name not in ("tote", "hopper", "lying", "lying, elliptical"):
        for h, w in vessel.outline()[1:-1]:
            if sum(abs(h - x) < 1e-9 for x in heights) == 1:
                assert math.pi * w**2 == pytest.approx(vessel.area_mm2(h), rel=1e-9)


# pump handbook dip table as quoted in a civil engineering handbook page: 16 % of the diameter
# holds 10.3 % of the volume, 44 % holds 42.4 %
@pytest.mark.parametrize(("dip", "percent"), [(0.16, 10.3), (0.44, 42.4)])
def test_published_dip_values(dip: float, percent: float) -> None:
    tank = make("horizontal_cylinder", diameter_mm=2000, length_mm=5000)
    # tolerance: half of the printed last digit
    assert 100 * tank.volume_l(dip * 2000) / tank.capacity_l == pytest.approx(percent, abs=0.05)


# circular segment over disc, f = [arccos(1-2x) - 2(1-2x)sqrt(x-x²)]/pi, the textbook form
@pytest.mark.parametrize(("x", "f"), [(0.05, 0.0187), (0.10, 0.0520), (0.20, 0.1424), (0.25, 0.1955),
                                      (0.30, 0.2523), (0.40, 0.3735), (0.5, 0.5), (0.75, 0.8045),
                                      (0.9, 0.9480)])
def test_textbook_segment(x: float, f: float) -> None:
    tank = make("horizontal_cylinder", diameter_mm=1000, length_mm=1000)
    textbook = (math.acos(1 - 2 * x) - 2 * (1 - 2 * x) * math.sqrt(x - x * x)) / math.pi
    got = tank.volume_l(1000 * x) / tank.capacity_l
    assert got == pytest.approx(textbook, rel=1e-12)
    assert got == pytest.approx(f, abs=5e-5)  # four printed decimals


def test_half_full_tank_of_the_handbook() -> None:
    tank = make("horizontal_cylinder", diameter_mm=2000, length_mm=5000)
    # same handbook page: diameter 2.0 m, length 5.0 m, half full 7.854 of 15.708 m³
    assert (tank.volume_l(1000), tank.capacity_l) == pytest.approx((7854, 15708), abs=0.5)


# published head formulas, both ends together: 1.0472, 0.5236, 0.215483 times h²(1.5 d - h)
@pytest.mark.parametrize(("ends", "k"), [("hemispherical", 1.0472), ("elliptical", 0.5236),
                                         ("dished", 0.215483)])
def test_ends_of_a_lying_cylinder(ends: str, k: float) -> None:
    flat = make("horizontal_cylinder", diameter_mm=1200, length_mm=2000)
    tank = make("horizontal_cylinder", diameter_mm=1200, length_mm=2000, ends=ends)
    for h in (100.0, 450.0, 1200.0):
        # tolerance: the printed digits of the constants
        assert tank.volume_l(h) - flat.volume_l(h) == pytest.approx(k * h**2 * (1800 - h) / 1e6, rel=2e-5)


def test_full_dished_ends_are_spherical_caps_of_crown_radius_d() -> None:
    d = 1200.0
    depth = d * (1 - math.sqrt(3) / 2)
    cap = math.pi * depth**2 * (3 * d - depth) / 3
    tank = make("horizontal_cylinder", diameter_mm=d, length_mm=1, ends="dished")
    ends = tank.capacity_l - math.pi * d**2 / 4e6
    assert ends == pytest.approx(2 * cap / 1e6, rel=1e-5)


def test_closed_forms_of_the_upright_shapes() -> None:
    # frustum, cone, half ellipsoid, spherical cap: solid geometry
    assert EVERY["pail"].capacity_l == pytest.approx(math.pi * 360 / 12 * (270**2 + 270 * 300 + 300**2) / 1e6)
    disc = math.pi * 250**2
    assert EVERY["coned"].volume_l(180) == pytest.approx(disc * 180 / 3 / 1e6)
    assert EVERY["dished"].volume_l(125) == pytest.approx(2 / 3 * disc * 125 / 1e6)
    assert EVERY["shallow"].volume_l(60) == pytest.approx(math.pi * 60 * (3 * 250**2 + 60**2) / 6 / 1e6)
    assert EVERY["hopper"].volume_l(100) == pytest.approx(1150 * 950 * 100 / 3 / 1e6)


# inside dimensions of generic containers, common practice, no source: plan area 2565 cm², 200 L
# stand 78.0 cm high, 100 mL lower the level by 0.4 mm, the bottom 20 mm hold 5.1 L
@pytest.mark.parametrize(("name", "height", "litres"), [
    ("tote", 1000.0, 1092.5), ("tote", 250.0, 273.125),  # 11.5 * 9.5 dm times the height
    ("table", 600.0, 201.0), ("table", 50.0, 6.0), ("table", 125.0, 30.5), ("table", 25.0, 3.0)])  # half of a row between two
def test_a_box_and_a_table_hold_what_they_say(name: str, height: float, litres: float) -> None:
    assert EVERY[name].volume_l(height) == pytest.approx(litres, rel=1e-12)
    assert EVERY[name].height_mm(litres) == pytest.approx(height, rel=1e-12)


def test_a_drum_of_205_litres() -> None:
    drum = EVERY["cylinder"]
    assert drum.area_mm2(10) / 100 == pytest.approx(2565, abs=0.5)
    assert drum.height_mm(200) == pytest.approx(780, abs=0.5)
    assert 780 - drum.height_mm(drum.volume_l(780) - 0.1) == pytest.approx(0.4, abs=0.05)
    assert drum.volume_l(20) == pytest.approx(5.1, abs=0.05)


def test_refusals_name_the_limit() -> None:
    pail = EVERY["pail"]
    with pytest.raises(BadInput, match=r"fill of 25 L is not inside.*holds 0 to 22\.987 L"):
        pail.height_mm(25)
    with pytest.raises(BadInput, match=r"height of 361 mm is not inside.*0 to 360 mm"):
        pail.volume_l(361)
    with pytest.raises(BadInput, match="height of -1 mm"):
        pail.area_mm2(-1)
    with pytest.raises(BadInput, match="height of nan mm"):
        pail.volume_l(math.nan)


@pytest.mark.parametrize(("fields", "reason"), [
    ({"shape": "table", "heights_mm": [0, 10, 10], "volumes_l": [0, 1, 2]}, "heights_mm must rise"),
    ({"shape": "table", "heights_mm": [0, 10, 20], "volumes_l": [0, 3, 2]}, "volumes_l must rise"),
    ({"shape": "table", "heights_mm": [5, 10], "volumes_l": [0, 3]}, "must start at 0"),
    ({"shape": "table", "heights_mm": [0, 10], "volumes_l": [0, 3, 4]}, "2 heights but 3 volumes"),
    ({"shape": "rectangular", "length_mm": 1, "width_mm": 1, "height_mm": 1,
      "bottom": {"kind": "spherical", "depth_mm": 1}}, "conical bottom"),
    ({"shape": "frustum", "bottom_diameter_mm": 0, "top_diameter_mm": 1, "height_mm": 1}, "greater than 0"),
    ({"shape": "frustum", "bottom_diameter_mm": 1, "top_diameter_mm": 1, "height_mm": 1, "lid": 1}, "lid"),
    ({"shape": "egg"}, "horizontal_cylinder"),
])
def test_shapes_that_cannot_be(fields: dict[str, object], reason: str) -> None:
    with pytest.raises(ValidationError, match=reason):
        VESSEL.validate_python(fields)


def test_written_out_and_read_again() -> None:
    for vessel in EVERY.values():
        assert VESSEL.validate_python(vessel.model_dump()) == vessel


def test_small_segments_keep_their_digits() -> None:
    # t - sin t = t³/6 for t -> 0; the plain difference has lost every digit at 1e-6
    assert turn_minus_sine(1e-6) == pytest.approx(1e-18 / 6, rel=1e-12)
    assert turn_minus_sine(0.3 - 1e-12) == pytest.approx(turn_minus_sine(0.3 + 1e-12), rel=1e-10)


@pytest.mark.parametrize("name", ["lying", "coned", "dished", "pail"])
def test_an_outline_follows_a_curve(name: str) -> None:
    """The half-width at any point is that of the drawing's own area there, not of a straight line between ends."""
    points = EVERY[name].outline()
    assert len(points) > 30
    assert len({round(w, 6) for _, w in points}) > 15


@pytest.mark.parametrize("template", ["new", "single"])
def test_the_templates_name_every_shape(template: str) -> None:
    text = Path(f"studykit/templates/{template}/study.toml").read_text(encoding="utf-8")
    names = [c.model_fields["shape"].default for c in Shape.__subclasses__() if "shape" in c.model_fields]
    assert len(names) >= 6
    assert [n for n in names if n not in text] == []
