"""The drawing is to scale, its parts lie inside the outline, and its texts do not collide."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from studykit.plot.forms import figure_forms
from studykit.sampling.draws import plan_draws
from studykit.sampling.sketch import MARK_GAP, SCALES, choose_scale, draw_vessel, spread, vessel_figure
from studykit.study.definition import SamplingSettings
from studykit.vessels.shapes import Frustum, HorizontalCylinder, Section, Stacked, UprightCylinder

PAIL = Frustum(bottom_diameter_mm=270, top_diameter_mm=300, height_mm=360)
BOTTLE = Stacked(pieces=(Section(height_mm=150, bottom_diameter_mm=85),
                         Section(height_mm=30, bottom_diameter_mm=85, top_diameter_mm=30),
                         Section(height_mm=25, bottom_diameter_mm=30)))
VESSELS = [(PAIL, 314.0), (BOTTLE, 150.0), (HorizontalCylinder(diameter_mm=1200, length_mm=3000), 900.0),
           (UprightCylinder(diameter_mm=571.5, height_mm=850), 780.0)]
SETTINGS = SamplingSettings(heel=True, draw_ml=50, purge_ml=5)


def area(points) -> float:
    """Shoelace formula."""
    x, y = np.array(points).T
    return 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


@pytest.mark.parametrize(("vessel", "liquid"), VESSELS)
def test_outline_is_to_scale_and_inside_the_box(vessel, liquid) -> None:
    d = draw_vessel(vessel, plan_draws(vessel, liquid, ("upper", "middle", "lower"), SETTINGS), width=100, height=100)
    x, y = np.array(d.outline).T
    assert d.scale in SCALES
    assert (y.max() - y.min()) * d.scale == pytest.approx(vessel.total_height_mm, rel=1e-9)
    widest = 2 * max(w for _, w in vessel.outline())
    assert (x.max() - x.min()) * d.scale == pytest.approx(widest, rel=1e-9)
    assert 0 <= x.min() <= x.max() <= d.width <= 100 + 1e-9
    assert 0 <= y.min() <= y.max() <= d.height <= 100 + 1e-9
    # next finer scale would not fit
    finer = [s for s in SCALES if s < d.scale][-1]
    assert widest / finer > 100 - 13 - 26 or vessel.total_height_mm / finer > 100 - 8


@pytest.mark.parametrize(("vessel", "liquid"), VESSELS)
def test_zones_fill_the_liquid_and_tips_lie_in_their_zones(vessel, liquid) -> None:
    plan = plan_draws(vessel, liquid, ("upper", "middle", "lower"), SETTINGS)
    d = draw_vessel(vessel, plan)
    floor = max(y for _, y in d.outline)
    assert sum(area(z) for z in d.zones) <= area(d.outline)
    tops = [min(y for _, y in z) for z in d.zones]
    assert (floor - tops[0]) * d.scale == pytest.approx(liquid, rel=1e-9)
    assert tops == sorted(tops)
    for zone, mark in zip(d.zones, d.marks, strict=False):
        assert min(y for _, y in zone) < mark.y < max(y for _, y in zone)
    for draw, mark in zip([p for p in plan.draws if p.depth != "residue"], d.marks, strict=True):
        assert (floor - mark.y) * d.scale == pytest.approx(draw.tip_mm, rel=1e-9)


def test_a_box_drawn_in_zones_has_the_area_of_its_zones() -> None:
    drum = UprightCylinder(diameter_mm=500, height_mm=800)
    plan = plan_draws(drum, 600, ("upper", "middle", "lower"), SETTINGS)
    d = draw_vessel(drum, plan)
    assert [area(z) * d.scale**2 for z in d.zones] == pytest.approx([500 * 200] * 3)


def test_texts_of_close_tips_stand_apart_and_name_all_draws() -> None:
    depths = ("top", "upper", "middle", "lower", "bottom")
    plan = plan_draws(BOTTLE, 150, depths, SETTINGS, draws_at={"middle": 2})
    d = draw_vessel(BOTTLE, plan, width=92, height=100)
    assert [m.text for m in d.marks] == ["1 top", "2 upper", "3+4 middle", "5 lower", "6 bottom, 7 heel"]
    assert all(b.text_y - a.text_y >= MARK_GAP - 1e-9 for a, b in pairwise(d.marks))


def test_spread_moves_only_what_is_too_close() -> None:
    assert spread([10, 30, 50], 7, 100) == [10, 30, 50]
    assert spread([10, 12, 50], 7, 100) == [10, 17, 50]
    assert spread([95, 97, 99], 7, 100) == [86, 93, 100]


def test_ruler_starts_at_the_floor_and_is_to_scale() -> None:
    d = draw_vessel(PAIL, plan_draws(PAIL, 314, ("upper", "lower"), SETTINGS))
    (y0, first), (y1, second) = d.ruler[:2]
    assert first == "0"
    assert y0 == pytest.approx(max(y for _, y in d.outline))
    assert (y0 - y1) * d.scale == pytest.approx(float(second))


def test_scale_choice() -> None:
    assert choose_scale(300, 61) == 5
    assert choose_scale(30, 61) == 0.5
    assert choose_scale(60_000, 60) == 1000
    with pytest.raises(ValueError, match="size_mm and room_mm must be positive"):
        choose_scale(0, 10)


@pytest.mark.slow
def test_figure_is_the_same_drawing_and_the_same_bytes() -> None:
    plan = plan_draws(PAIL, 314, ("upper", "middle", "lower"), SETTINGS)
    figure = vessel_figure(PAIL, plan)
    texts = [t.get_text() for t in figure.axes[0].texts]
    assert {"1 upper", "2 middle", "3 lower", "4 heel", "mm above the floor"} <= set(texts)
    assert figure_forms(figure) == figure_forms(vessel_figure(PAIL, plan))
