"""Zones and draw plans: positions of the standards, slabs, levels, overlaps, refusals."""

from __future__ import annotations

import math
import re
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from studykit.core.errors import BadInput
from studykit.sampling.draws import depth_zones, needed_ml, overlap_ml, plan_draws, slab, volume_warnings, zone_tips
from studykit.sampling.order import make_plan
from studykit.study.drawing import LabelSheet, SamplingSettings, ZonePlace
from studykit.study.drawing import TestVolume as VolumeOf
from studykit.vessels.shapes import Frustum, HorizontalCylinder, Rectangular, UprightCylinder
from tests.sampling_examples import container_table, stock_rows, study

THREE = ("upper", "middle", "lower")
FIVE = ("top", "upper", "middle", "lower", "bottom")
BOTTLE = UprightCylinder(diameter_mm=85, height_mm=200)
PAIL = Frustum(bottom_diameter_mm=270, top_diameter_mm=300, height_mm=360)
DRUM = UprightCylinder(diameter_mm=571.5, height_mm=850)
TINY = SamplingSettings(draw_ml=1, purge_ml=0)


def tips(liquid: float, depths: tuple[str, ...] = THREE) -> list[float]:
    return [t for _, t, _ in zone_tips(depths, liquid, SamplingSettings())]


def test_positions_of_the_training_manual_example() -> None:
    """Reference height 20.00 m, 14.00 m of product: 8.33, 13.00, 17.67 m from the top.

    Source: worked example of a tank-gauging training manual (upper, middle, lower sample); text seen,
    recomputed.  Below the reference point = 20 m minus the height above the floor.
    """
    assert [round(20 - t / 1000, 2) for t in tips(14000)] == [8.33, 13.00, 17.67]


def test_positions_of_the_feet_and_inches_example() -> None:
    """27.25 ft of product under 12.58 ft of ullage: 17.12, 26.21, 35.29 ft (same kind of source)."""
    assert [12.58 + 27.25 - t for t in tips(27.25)] == pytest.approx([17.12, 26.21, 35.29], abs=0.0051)


@pytest.mark.parametrize(
    ("liquid", "expected"),
    # 1/6, 1/2, 5/6 of common packages, mm below the surface; own arithmetic on common sizes, no source
    [(176, (29, 88, 147)), (314, (52, 157, 262)), (529, (88, 264, 441)), (780, (130, 390, 650))],
)
def test_positions_in_common_packages(liquid: float, expected: tuple[int, ...]) -> None:
    assert [liquid - t for t in tips(liquid)] == pytest.approx(expected, abs=0.7)


def test_top_and_bottom() -> None:
    """Top: 6 in (150 mm) below the surface in tanks (US Army FM 10-67-2 ch. 9); scaled down in packages."""
    assert tips(9000, FIVE)[0] == 9000 - 150
    assert tips(360, FIVE)[0] == pytest.approx(360 - 30)
    assert tips(360, FIVE)[-1] == 5.0
    five = depth_zones(DRUM, 780, FIVE, SamplingSettings())
    assert five[0].top_mm == 780
    assert five[-1].bottom_mm == 0
    assert all(a.bottom_mm == b.top_mm for a, b in pairwise(five))


def test_zones_are_the_thirds_and_fill_the_content() -> None:
    for vessel, liquid in ((BOTTLE, 176.0), (PAIL, 314.0), (DRUM, 780.0)):
        zones = depth_zones(vessel, liquid, THREE, SamplingSettings())
        assert [z.top_mm for z in zones] == pytest.approx([liquid, liquid * 2 / 3, liquid / 3])
        assert sum(z.volume_l for z in zones) == pytest.approx(vessel.volume_l(liquid), rel=1e-12)
        assert sum(z.share for z in zones) == pytest.approx(1, rel=1e-12)
    # a pail widens upwards: the upper third of the height holds more than a third
    pail = depth_zones(PAIL, 314, THREE, SamplingSettings())
    assert pail[0].share > 1 / 3 > pail[2].share


def test_thirds_of_a_lying_cylinder_hold_29_42_29_per_cent() -> None:
    """Segment formula: f(1/3) = 0.2918; so 29, 42, 29 % (own computation from the textbook formula)."""
    f = (math.acos(1 / 3) - 1 / 3 * math.sqrt(8 / 9)) / math.pi
    lying = HorizontalCylinder(diameter_mm=1000, length_mm=2000)
    shares = [z.share for z in depth_zones(lying, 1000, THREE, SamplingSettings())]
    assert shares == pytest.approx([f, 1 - 2 * f, f], abs=1e-9)
    assert [round(100 * s) for s in shares] == [29, 42, 29]
    half = [z.share for z in depth_zones(lying, 500, THREE, SamplingSettings())]  # f of 1/6 and 1/3 of the height, twice
    assert [round(100 * s) for s in half] == [42, 36, 22]


def test_other_labels_get_equal_slices_and_own_places_win() -> None:
    assert tips(600, ("a", "b", "c", "d", "e", "f")) == pytest.approx([550, 450, 350, 250, 150, 50])
    own = SamplingSettings(zones=(ZonePlace(label="a", height=0.9), ZonePlace(label="b", height=0.2)))
    assert [t for _, t, _ in zone_tips(("a", "b"), 200, own)] == pytest.approx([180, 40])
    with pytest.raises(BadInput, match=r"lists a, b, but the depths of \[factors\] are upper, middle, lower"):
        zone_tips(THREE, 200, own)


def test_zones_out_of_order_are_refused() -> None:
    with pytest.raises(ValidationError, match=r"zones are out of order: 'b' at 0\.5 does not lie below 'a' at 0\.3"):
        SamplingSettings(zones=(ZonePlace(label="a", height=0.3), ZonePlace(label="b", height=0.5)))
    with pytest.raises(BadInput, match="'upper' at 250 mm does not lie below 'lower' at 50 mm: the zones are out"):
        zone_tips(("lower", "upper"), 300, SamplingSettings())


@pytest.mark.parametrize(
    ("vessel", "liquid", "drop"),
    # surface drop for 100 mL, mm: 100 000 mm3 / area (hand arithmetic: area of d 85, 190 x 130, d 571.5)
    [(BOTTLE, 176, 17.6), (Rectangular(length_mm=190, width_mm=130, height_mm=250), 202, 4.05), (DRUM, 780, 0.39)],
)
def test_level_falls_by_volume_over_area(vessel, liquid: float, drop: float) -> None:
    plan = plan_draws(vessel, liquid, THREE, SamplingSettings(draw_ml=100, purge_ml=0))
    first = plan.draws[0]
    assert first.level_before_mm - first.level_after_mm == pytest.approx(drop, abs=0.05)
    assert plan.left_l == pytest.approx(vessel.volume_l(liquid) - 0.3, abs=1e-9)
    for a, b in pairwise(plan.draws):
        assert b.level_before_mm == a.level_after_mm


def test_a_slab_holds_the_drawn_volume_half_above_half_below() -> None:
    for volume in (1.0, 50.0, 400.0):
        low, high = slab(PAIL, 314, 157, volume)
        assert PAIL.volume_l(high) - PAIL.volume_l(low) == pytest.approx(volume / 1000, rel=1e-9)
        assert PAIL.volume_l(157) - PAIL.volume_l(low) == pytest.approx(volume / 2000, rel=1e-9)
    # at the floor it is cut off and takes the rest from above; near the surface the other way round
    low, high = slab(PAIL, 314, 1, 1000)
    assert low == 0
    assert PAIL.volume_l(high) == pytest.approx(1, rel=1e-9)
    low, high = slab(PAIL, 314, 313, 1000)
    assert high == pytest.approx(314)
    with pytest.raises(ValueError, match="volume_ml must be at most the"):
        slab(BOTTLE, 10, 5, 1000)


def test_small_draws_in_a_drum_stay_in_their_zones() -> None:
    plan = plan_draws(DRUM, 780, THREE, SamplingSettings())
    assert plan.warnings == ()
    assert [d.depth for d in plan.draws] == list(THREE)
    assert [d.height for d in plan.draws] == pytest.approx([5 / 6, 1 / 2, 1 / 6], abs=1e-3)
    assert all(d.foreign_ml == 0 for d in plan.draws)


def test_large_draws_in_a_bottle_overlap_and_are_warned_about() -> None:
    """Negative control: 330 mL of 1 L at each of three depths must reach into the neighbours."""
    plan = plan_draws(BOTTLE, 176, THREE, SamplingSettings(draw_ml=300, purge_ml=30, bottle_ml=500))
    text = " / ".join(plan.warnings)
    # area of d 85 mm: 5674.5 mm2; the slab of 330 mL is 58.2 mm thick, a third of 176 mm is 58.7 mm
    assert plan.draws[1].drawn_top_mm - plan.draws[1].drawn_bottom_mm == pytest.approx(58.16, abs=0.01)
    assert "neighbouring zone" not in text
    plan = plan_draws(BOTTLE, 180, FIVE, SamplingSettings(draw_ml=120, purge_ml=0, bottle_ml=500))
    text = " / ".join(plan.warnings)
    assert "draw 1 (top) takes" in text
    assert "the zones drawn at top and upper overlap" in text
    a, b = plan.draws[0], plan.draws[1]
    by_hand = (min(a.drawn_top_mm, b.drawn_top_mm) - max(a.drawn_bottom_mm, b.drawn_bottom_mm)) * 5674.502 / 1000
    assert overlap_ml(BOTTLE, a, b) == pytest.approx(by_hand, rel=1e-6)


def test_a_duplicate_widens_the_slab_at_its_tip() -> None:
    one = plan_draws(PAIL, 314, THREE, SamplingSettings())
    two = plan_draws(PAIL, 314, THREE, SamplingSettings(), draws_at={"middle": 2})
    assert [(d.kind, d.depth) for d in two.draws] == [
        ("spot", "upper"), ("spot", "middle"), ("duplicate", "middle"), ("spot", "lower"),
    ]  # fmt: skip
    thick = [d.drawn_top_mm - d.drawn_bottom_mm for d in two.draws]
    assert thick[2] == pytest.approx(2 * thick[1], rel=0.01)
    assert two.draws[1].tip_mm == two.draws[2].tip_mm == one.draws[1].tip_mm


def test_sediment_first_undisturbed_then_stirred_into_the_residue() -> None:
    plan = plan_draws(PAIL, 314, THREE, SamplingSettings(heel=True, residue=True, purge_ml=15))
    assert [(d.kind, d.depth) for d in plan.draws[-2:]] == [("heel", "heel"), ("composite", "residue")]
    heel, residue = plan.draws[-2:]
    assert heel.purge_ml == 0  # a purge would carry the sediment away
    assert heel.tip_mm == 5
    assert heel.drawn_bottom_mm == 0
    assert (residue.drawn_bottom_mm, residue.drawn_top_mm) == (0, residue.level_before_mm)
    assert plan.warnings == ()
    small = plan_draws(BOTTLE, 176, THREE, SamplingSettings(heel=True, residue=True, draw_ml=50, purge_ml=0))
    assert "the draws take 25% of the content: the composite of the rest is not the whole" in small.warnings[-1]
    without = plan_draws(PAIL, 314, THREE, SamplingSettings(heel=True))
    assert without.draws[-1].depth == "heel"


def test_heel_and_bottom_at_one_place_are_warned_about() -> None:
    plan = plan_draws(PAIL, 314, FIVE, SamplingSettings(heel=True))
    assert "bottom and heel are drawn at the same place: leave out one of them" in plan.warnings


def test_draws_that_exceed_the_content_are_refused() -> None:
    with pytest.raises(BadInput, match=r"container: 'K9': 3 draws take 1200 mL with purge and discard, but it holds"):
        plan_draws(BOTTLE, 176, THREE, SamplingSettings(draw_ml=390, purge_ml=10, bottle_ml=500), container="K9")
    zones = (ZonePlace(label="upper", height=0.9), ZonePlace(label="middle", height=0.5))
    settings = SamplingSettings(draw_ml=100, purge_ml=0, discard_ml=530, zones=zones)
    with pytest.raises(BadInput, match=r"the level has fallen to 65\.0 mm, not above the tip of draw 2 \(middle, 88"):
        plan_draws(BOTTLE, 176, ("upper", "middle"), settings)


def test_a_discard_that_reaches_the_next_zone_is_warned_about() -> None:
    # middle tip at 88 mm; 50 mL are 8.8 mm, so its slab ends at 92.4 mm; 470 mL take the level to 93.2 mm,
    # 480 mL to 91.4 mm
    above = plan_draws(BOTTLE, 176, THREE[:2], SamplingSettings(draw_ml=50, purge_ml=0, discard_ml=280))
    assert not any("discard" in w for w in above.warnings)
    zones = (ZonePlace(label="upper", height=5 / 6), ZonePlace(label="middle", height=1 / 2))
    settings = SamplingSettings(draw_ml=50, purge_ml=0, discard_ml=430, zones=zones)
    within = plan_draws(BOTTLE, 176, THREE[:2], settings)
    assert any("the discard after draw 1 reaches into the zone of draw 2 (middle)" in w for w in within.warnings)
    assert any("may draw air" in w for w in within.warnings)
    clean = plan_draws(BOTTLE, 176, THREE, SamplingSettings(draw_ml=50, purge_ml=0, discard_ml=50))
    assert not any("discard" in w for w in clean.warnings)


def test_volume_must_suffice_for_the_tests_and_fit_the_bottle() -> None:
    tests = (VolumeOf(name="viscosity", volume_ml=20), VolumeOf(name="particle count", volume_ml=100))
    settings = SamplingSettings(draw_ml=100, bottle_ml=100, tests=tests)
    assert needed_ml(settings) == 120
    text = " / ".join(volume_warnings(settings))
    assert "a draw keeps 100 mL, but the tests need 120 mL (viscosity 20 mL, particle count 100 mL)" in text
    assert "100 mL fill the 100 mL bottle above 85%" in text
    assert volume_warnings(SamplingSettings(draw_ml=120, bottle_ml=150, tests=tests)) == []


def test_a_vessel_that_cannot_hold_the_liquid_is_refused() -> None:
    with pytest.raises(BadInput, match="not inside the vessel"):
        plan_draws(BOTTLE, 300, THREE, TINY)


def test_tables_have_one_row_a_draw_and_a_zone() -> None:
    plan = plan_draws(PAIL, 314, THREE, SamplingSettings(heel=True, residue=True), container="007")
    assert list(plan.to_table()["container"].unique()) == ["007"]
    assert plan.to_table()["order"].tolist() == [1, 2, 3, 4, 5]
    assert [z.label for z in plan.zones] == list(THREE)


def test_a_label_sheet_must_fit_its_page() -> None:
    with pytest.raises(ValidationError, match=r"the labels need 317 x 284\.1 mm, but the page is 210 x 297 mm"):
        LabelSheet(columns=5, label_width_mm=60, margin_left_mm=7, gap_x_mm=2.5)


VESSELS = (BOTTLE, PAIL, DRUM, HorizontalCylinder(diameter_mm=900, length_mm=1500, ends="dished"),
           Rectangular(length_mm=1150, width_mm=950, height_mm=1000))


@given(vessel=st.sampled_from(VESSELS), fill=st.floats(0.02, 1), draw=st.floats(1, 400), purge=st.floats(0, 50),
       discard=st.sampled_from([0.0, 20.0, 200.0]), heel=st.booleans(), repeats=st.integers(1, 3),
       depths=st.sampled_from([THREE, FIVE, ("upper", "lower"), ("a", "b", "c", "d")]))
@settings(max_examples=150, deadline=None)
def test_any_plan_is_refused_or_adds_up(vessel, fill, draw, purge, discard, heel, repeats, depths) -> None:
    """Either a clear refusal, or: volumes add up, levels fall, slabs lie in the liquid and hold their volume."""
    liquid = fill * vessel.total_height_mm
    chosen = SamplingSettings(draw_ml=draw, purge_ml=purge, discard_ml=discard, heel=heel, residue=heel, bottle_ml=500)
    try:
        plan = plan_draws(vessel, liquid, depths, chosen, draws_at={depths[0]: repeats})
    except BadInput as error:
        text = str(error)
        assert "the content" in text or "holds" in text or "fallen" in text or "out of order" in text
        return
    taken = sum(d.purge_ml + d.keep_ml + d.discard_ml for d in plan.draws) / 1000
    assert plan.content_l - plan.left_l == pytest.approx(taken, rel=1e-9)
    assert plan.left_l >= -1e-9
    assert vessel.volume_l(plan.draws[-1].level_after_mm) == pytest.approx(plan.left_l, abs=1e-6)
    for d in plan.draws:
        assert -1e-6 <= d.drawn_bottom_mm <= d.drawn_top_mm <= d.level_before_mm + 1e-6
        assert d.level_after_mm <= d.level_before_mm
        assert 0 <= d.height <= 1
        assert d.foreign_ml >= 0
    spots = [d.tip_mm for d in plan.draws if d.kind == "spot"]
    assert spots == sorted(spots, reverse=True)
    assert sum(z.volume_l for z in plan.zones) == pytest.approx(plan.content_l, rel=1e-9)


def test_a_vessel_has_a_draw_of_its_own_where_one_is_declared(tmp_path) -> None:
    """A bottle of 1 L cannot give what a pail gives; its draws lower the level by what they take, to the mL."""
    s = study(sampling={"vessel_draw_ml": {"bottle1": 20}})
    assert (s.sampling.of("bottle1").draw_ml, s.sampling.of("pail20").draw_ml) == (20, 100)
    rows = [stock_rows(1)[0], {**stock_rows(1)[0], "container": "B1", "vessel": "bottle1", "fill_volume_l": "0.8"}]
    plan = make_plan(s, container_table(rows, tmp_path))
    kept = {p.container: {d.keep_ml for d in p.draws} for p in plan.draw_plans}
    assert kept == {"007": {100.0}, "B1": {20.0}}
    bottle = next(p for p in plan.draw_plans if p.container == "B1")
    taken = sum(d.keep_ml + d.purge_ml + d.discard_ml for d in bottle.draws)
    assert bottle.left_l == pytest.approx(0.8 - taken / 1000)
    own = plan.draws.set_index("sample")["volume_ml"]
    asked = plan.submission.set_index("sample")["volume_ml"]
    assert (asked[own.index] == own).all()
    assert set(asked.drop(own.index)) <= {100.0}  # blanks and check fluids come from no vessel
    for wrong, why in (({"pail": 20}, "not under [vessels]: pail"), ({"bottle1": 500}, "more than the bottle holds")):
        with pytest.raises(BadInput, match=re.escape(why)):
            study(sampling={"vessel_draw_ml": wrong})
