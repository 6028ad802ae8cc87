"""Could it settle, and what is ruled out, from a study definition and its containers; and the figures."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.physics import forecast
from studykit.physics.bounds import DAYS_PER_MONTH, Bound
from studykit.physics.figures import bounds_against_size, expected_over_measured, time_to_settle
from studykit.physics.forecast import CAUTIONS, Outlook, _days, _final_ratio, could_it_settle, what_is_ruled_out
from studykit.physics.inputs import THINNEST, _slab, liquid_of, mass_fraction, situations, standing
from studykit.study.definition import FluidSettings, Study, parse_study

FLUID = {"density_kg_m3": 895, "viscosity_mm2_s_at_40c": 220, "viscosity_mm2_s_at_100c": 19,
         "storage_temperature_c": 18, "store_temperature_c": {"cold": 8}}
PARTS = [{"name": "antifoam", "analyte": "Si", "density_kg_m3": 970, "diameter_um": 3.23, "log_sd": 0.4},
         {"name": "phosphate", "analyte": "P", "density_kg_m3": 1100, "diameter_um": 0.001}]


def study(fluid: dict[str, Any] | None = FLUID, parts: list[dict[str, Any]] | None = None, side: str = "") -> Study:
    data: dict[str, Any] = {
        "title": "Invented pails", "question": "Has the antifoam left the top?", "responsible": "store keeper",
        "factors": {"depths": ["upper", "middle", "lower"]}, "invented": True,
        "analytes": {k: {"unit": "mg/kg", "margin": {"relative_percent": 20} | ({"side": side} if side else {}),
                         "margin_reason": "supplier's limit", "method": "any"} for k in ("Si", "P")},
        "vessels": {"pail20": {"shape": "frustum", "bottom_diameter_mm": 270, "top_diameter_mm": 300,
                               "height_mm": 360}}}
    if fluid is not None:
        data["fluid"] = fluid
    data["components"] = PARTS if parts is None else parts
    return parse_study(data)


def pails() -> pd.DataFrame:
    rows = [("007", "warm", "2020-01-01", "2022-12-31", "", "stored"),
            ("1E5", "cold", "2020-01-01", "2022-12-31", "", "stored"),
            ("C1", "warm", "2020-01-01", "2022-12-31", "2022-12-31", "remixed control")]
    names = ["container", "store", "filled_on", "sampled_on", "last_mixed_on", "treatment"]
    return pd.DataFrame(rows, columns=names).assign(vessel="pail20", liquid_height_mm="314", age_months="36")


def outlook() -> Outlook:
    return could_it_settle(study(), pails())


def test_components_table_and_sentences() -> None:
    got = outlook()
    assert got.missing == ()
    assert got.cautions == CAUTIONS
    table = got.to_table().set_index(["component", "store"])
    warm, cold = table.loc[("antifoam", "warm")], table.loc[("antifoam", "cold")]
    assert warm["way"] == "sinks"
    assert cold["days_to_cross"] / warm["days_to_cross"] == pytest.approx(2.6, abs=0.3)
    assert warm["days_to_margin"] < cold["days_to_margin"]
    assert math.isinf(warm["final_bottom_over_top"])
    molecule = table.loc[("phosphate", "warm")]
    assert molecule["sedimentation_length_mm"] > 1e6
    assert molecule["final_bottom_over_top"] == pytest.approx(1, abs=1e-3)
    assert any("keeps 1 nm particles mixed for ever" in s for s in got.sentences)
    assert any("leaves the margin of ±20 %" in s for s in got.sentences)
    assert any("in the end they lie on the floor" in s for s in got.sentences)
    assert "A warmer store settles faster" in " ".join(got.cautions)
    assert "does not replace it" in " ".join(got.cautions)


def test_the_first_zone_beyond_either_side_is_the_sooner_of_those_beyond_one() -> None:
    """A margin on one side alone is left when a zone passes that side, whatever the other zones do."""
    days = {side: float(forecast._days_to_margin(s, s.fluid, liquid_of(s.fluid), s.components[0], "warm", "pail20", 0.3,
                                                 pd.DataFrame({"start_day": [1.0]}))[0])
            for side in ("", "below", "above") for s in [study(side=side)]}
    assert days[""] == min(days["below"], days["above"])
    assert max(days.values()) > 1.5 * days[""]


def test_profile_by_store_and_age() -> None:
    profile = outlook().profile
    own = profile[profile["analyte"] == "Si"].set_index("store")
    # the antifoam table of the notes: 0.57 / 0.94 / 0.99 at 18 °C, 0.90 / 1.00 / 1.00 at 8 °C (36 months)
    assert own.loc["warm", ["upper", "middle", "lower"]].to_numpy(float) == pytest.approx([57, 94, 99], abs=1.6)
    assert own.loc["cold", ["upper", "middle", "lower"]].to_numpy(float) == pytest.approx([90, 100, 100], abs=1.6)
    assert set(profile["containers"]) == {1}


def test_gradient_for_the_power_calculation() -> None:
    got = outlook()
    ratio = got.profile[got.profile["analyte"] == "Si"]["bottom_over_top"]
    assert got.expected_gradient_percent("Si") == pytest.approx(100 * (np.exp(np.log(ratio).mean()) - 1))
    assert got.expected_gradient_percent("P") == pytest.approx(0, abs=1e-6)
    assert got.expected_gradient_percent("Zn") is None


def test_controls_are_left_out_and_mixing_restarts_the_clock() -> None:
    assert situations(study(), pails())["containers"].sum() == 2
    mixed = pails().assign(last_mixed_on="2022-12-01")
    assert situations(study(), mixed)["age_days"].tolist() == [30.0, 30.0]
    without_dates = pails().drop(columns=["filled_on", "sampled_on", "last_mixed_on"])
    assert situations(study(), without_dates)["age_days"].tolist() == pytest.approx([1095.75] * 2)


def test_before_there_are_containers_the_vessels_stand_in() -> None:
    got = could_it_settle(study(), None, ages_months=(6, 24))
    assert got.components["liquid_height_mm"].tolist() == pytest.approx([324, 324])
    assert sorted(set(got.profile["age_days"].round())) == [183, 730]


def test_yearly_swing_is_taken_with_the_filling_day() -> None:
    swing = could_it_settle(study(FLUID | {"yearly_swing_c": 6}), pails())
    own = swing.profile[swing.profile["analyte"] == "Si"].set_index("store")
    flat = outlook().profile
    flat = flat[flat["analyte"] == "Si"].set_index("store")
    # viscosity is convex in temperature: summers win more than winters lose
    assert own.loc["cold", "upper"] < flat.loc["cold", "upper"]
    assert "on summed clocks" in own.loc["cold", "method"]


def test_without_properties_the_chapter_says_what_is_missing() -> None:
    got = could_it_settle(study(None, []), pails())
    assert [m.split(" is missing")[0] for m in got.missing] == ["[fluid]", "[[components]]"]
    assert got.components.empty
    assert got.profile.empty
    assert got.sentences == ()
    assert len(got.chart) == 36
    assert got.expected_gradient_percent("Si") is None
    half = could_it_settle(study({"density_kg_m3": 895, "viscosity_mm2_s_at_40c": 220}), pails())
    assert "a second (at 100 °C) is needed" in half.missing[0]


def test_light_and_held_components_are_told_apart() -> None:
    light = could_it_settle(study(parts=[PARTS[0] | {"density_kg_m3": 800}]), pails())
    assert set(light.components["way"]) == {"rises"}
    assert light.components["final_bottom_over_top"].max() == 0
    assert "rise through 314 mm" in light.sentences[0]
    held = could_it_settle(study(FLUID | {"yield_stress_pa": 1.0}), pails())
    assert held.sentences[0].endswith("the yield stress holds particles of this size for ever.")


def test_sentences_between_molecule_and_grain() -> None:
    # in 314 mm: 15 nm calcite is largely held up, 40 nm gathers within millimetres of the floor
    parts = [{"name": f"{d} nm", "density_kg_m3": 2711, "diameter_um": d / 1000} for d in (15, 40)]
    first, second = could_it_settle(study(parts=parts), pails().head(1)).sentences
    assert "leaves a final bottom/top ratio of" in first
    assert "in the end they gather within" in second


def test_what_is_ruled_out_of_a_study() -> None:
    bounds = [Bound(analyte="P", top_depletion_percent=3, reference="whole"),
              Bound(analyte="Si", top_depletion_percent=60)]
    first, second = what_is_ruled_out(study(), pails(), bounds)
    assert first.density_kg_m3 == 1100
    assert first.at.min() == pytest.approx(0.03, abs=1e-6)
    assert "P: at most 3.1 % of it can be in particles of" in first.sentence()
    assert first.sentence().endswith("in an upright vessel, whether its liquid stood still or was gently stirred.")
    assert second.bound.analyte == "Si"
    # an analyte without a component needs a density
    other = study(parts=[PARTS[0]])
    assert what_is_ruled_out(other, pails(), bounds[:1]) == ()
    assert len(what_is_ruled_out(other, pails(), bounds[:1], density_kg_m3=2500)) == 1


def test_refusals_name_every_fault() -> None:
    bad = FluidSettings(density_kg_m3=1200, viscosity_mm2_s_at_40c=10, viscosity_mm2_s_at_100c=12,
                        storage_temperature_c=200, store_temperature_c={"yard": -30.0})
    with pytest.raises(BadInput) as caught:
        liquid_of(bad)
    text = str(caught.value)
    assert len(caught.value.faults) == 4
    assert "must be below the viscosity at 40 °C (10)" in text
    assert "add density_expansion_per_k" in text
    assert "study.toml, fluid.store_temperature_c.yard: '-30'" in text
    assert "where the viscosity line may be used" in text
    with pytest.raises(BadInput, match="two viscosities are needed"):
        liquid_of(FluidSettings(density_kg_m3=900, viscosity_mm2_s_at_40c=10))
    with pytest.raises(BadInput, match="add \\[fluid\\]"):
        what_is_ruled_out(study(None, []), pails(), [])
    with pytest.raises(BadInput, match=r"volume_fraction: '0\.7': must be less than 0.64"):
        study(parts=[PARTS[0] | {"volume_fraction": 0.7}])


def test_a_thickened_water_based_fluid() -> None:
    # invented die lubricant: 3 µm graphite at 11 % by volume, 0.2 Pa·s at rest: 1.5 mm/day through 480 mm
    fluid = {"density_kg_m3": 1005, "density_at_c": 20, "density_expansion_per_k": 2e-4, "rest_viscosity_pa_s": 0.2,
             "viscosity_from_c": 5, "viscosity_to_c": 40}
    part = {"name": "graphite", "analyte": "Si", "density_kg_m3": 2250, "diameter_um": 3, "volume_fraction": 0.11}
    got = could_it_settle(study(fluid, [part]), pails().assign(store="hall", liquid_height_mm="300"))
    assert 300 / got.components["days_to_cross"][0] == pytest.approx(1.5, abs=0.05)
    assert float(liquid_of(FluidSettings(**fluid)).dynamic_pa_s(20.0)) == pytest.approx(0.2, rel=1e-6)


def test_figures_show_their_tables() -> None:
    got = outlook()
    curves = got.curves[(got.curves["analyte"] == "Si") & (got.curves["store"] == "warm")]
    measured = pd.DataFrame({"depth": ["upper", "middle"], "height": [5 / 6, 0.5], "percent_of_mixed": [60.0, 95.0],
                             "low": [50, 90], "high": [70, 99]})
    figure = expected_over_measured([("warm", curves, measured)])
    assert figure is not None
    ax = figure.axes[0]
    assert [t.get_text() for t in ax.texts] == ["upper", "middle"]
    assert "% of the mixed mean" in ax.get_xlabel()
    assert "share of liquid depth" in ax.get_ylabel()
    line = ax.lines[0]
    at = np.interp(5 / 6, line.get_ydata(), line.get_xdata())
    assert at == pytest.approx(57, abs=2)
    bound = what_is_ruled_out(study(), pails(), [Bound(analyte="P", top_depletion_percent=3)])[0]
    top, sizes = bounds_against_size([("P", bound.to_table())]).axes
    assert top.lines[1].get_ydata() == pytest.approx(100 * bound.at)
    assert sizes.get_xlabel() == "diameter, µm"
    assert len(sizes.texts) == 6
    chart = time_to_settle(got.chart).axes[0]
    styles = {(x.get_linestyle(), x.get_marker()) for x in chart.lines[:4]}
    assert len(styles) == 4
    assert chart.get_ylabel() == "days to cross 500 mm"
    none = pd.DataFrame()
    for draw in (lambda: expected_over_measured([("x", none, measured)]), lambda: bounds_against_size([("P", none)]),
                 lambda: time_to_settle(none)):
        with pytest.raises(ValueError, match="table must have rows and the columns"):
            draw()


def test_without_containers_one_and_three_years_are_looked_at() -> None:
    got = could_it_settle(study())
    assert sorted(set(got.profile["age_days"].round(3))) == [round(DAYS_PER_MONTH * m, 3) for m in (12, 36)]


@pytest.mark.parametrize(("days", "text"), [(3, "3 days"), (400, "13 months"), (999, "33 months"), (1000, "3 years"),
                                            (math.inf, "for ever")])
def test_a_span_is_told_in_the_unit_that_suits_it(days: float, text: str) -> None:
    assert _days(days) == text


def test_a_gradient_below_rounding_is_none_at_all() -> None:
    profile = pd.DataFrame({"analyte": ["Si"], "bottom_over_top": [1 + 1e-9], "containers": [3]})
    assert replace(outlook(), profile=profile).expected_gradient_percent("Si") == 0.0


def test_the_mass_fraction_of_a_volume_fraction() -> None:
    # by hand: a tenth of the volume at 970, nine tenths at the liquid's density
    s = study(parts=[{"name": "antifoam", "analyte": "Si", "density_kg_m3": 970, "diameter_um": 3, "volume_fraction": 0.1}])
    liquid = liquid_of(s.fluid)
    found = mass_fraction(s, s.components[0], liquid)
    assert found == pytest.approx(97 / (97 + 0.9 * liquid.density_kg_m3))


@pytest.mark.parametrize(("low", "high", "zone"), [(1.0, 1.2, (1 - THINNEST, 1.0)), (-0.1, 0.0, (0.0, THINNEST)),
                                                   (0.4, 0.6, (0.4, 0.6)), (0.5, 0.5, (0.49, 0.51)),
                                                   (0.993, 0.997, (0.99, 1.0)), (0.003, 0.007, (0.0, 0.01))])
def test_a_slab_stays_inside_the_liquid_and_keeps_a_thickness(low: float, high: float, zone: tuple[float, float]) -> None:
    found = _slab("x", low, high)
    assert (found.low, found.high) == pytest.approx(zone)


def test_a_top_that_is_nearly_empty_counts_as_ten_times_and_a_bottom_as_the_inverse() -> None:
    """By hand: a ratio of 50 is told as 11 (1000 %), 1/50 as 1/11; two situations by their containers: 3^(2/3) for 3 and 1."""
    base = outlook()
    for ratios, containers, percent in (([50.0], [1], 1000.0), ([1 / 50], [1], -100 * 10 / 11), ([4.0], [1], 300.0),
                                        ([3.0, 1.0], [2, 1], 100 * (3 ** (2 / 3) - 1)), ([math.nan], [1], 0.0)):
        told = replace(base, profile=pd.DataFrame({"analyte": "Si", "bottom_over_top": ratios, "containers": containers}))
        assert told.expected_gradient_percent("Si") == pytest.approx(percent, abs=1e-5)
        assert told.expected_gradient_percent("P") is None


def test_a_final_ratio_above_a_million_says_no_more() -> None:
    """exp(Pe) up to a million, Pe = 13.8; what rises has the inverse."""
    assert [_final_ratio(pe, sign) for pe in (1.0, 13.0, 14.0) for sign in (1.0, -1.0)] == pytest.approx(
        [math.e, 1 / math.e, math.exp(13), math.exp(-13), math.inf, 0.0])


def test_the_temperatures_reach_to_the_longest_standing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two containers of one height and day, 100 and 900 days old: one history of 900 days from that day on, and both ages."""
    asked: list[tuple[object, ...]] = []

    def history(fluid: object, store: str, days: float, start: float) -> float:
        asked.append((store, days, start))
        return 15.0

    class Found(Exception):
        """What the column is asked, once it is."""

    def column(part: object, liquid: object, height: float, ages: list[float], warmth: float, **more: object) -> None:
        raise Found(height, ages, warmth, more["heights"])

    monkeypatch.setattr(forecast, "temperatures", history)
    monkeypatch.setattr(forecast, "component_of", lambda c: c)
    monkeypatch.setattr(forecast, "expected_column", column)
    monkeypatch.setattr(forecast, "drawn_zones", lambda *_: [SimpleNamespace(low=low, high=low + 0.25) for low in (0.125, 0.5)])
    group = pd.DataFrame({"height_mm": [500.0, 500.0], "start_day": [120.0, 120.0], "age_days": [100.0, 900.0]})
    with pytest.raises(Found) as found:
        forecast._profiles(SimpleNamespace(vessels={}), None, None, None, "hall", "drum", group)  # type: ignore[arg-type]
    assert asked == [("hall", 900.0, 120.0)]
    assert found.value.args == (0.5, [100.0, 900.0], 15.0, [0.125, 0.375, 0.5, 0.75])


def row(**changes: Any) -> dict[str, Any]:
    """A component that sinks through 300 mm in a year, with changes."""
    return {"component": "antifoam", "vessel": "pail", "store": "", "temperature_c": 18.0, "way": "sinks", "diameter_um": 3.0,
            "held": False, "sedimentation_length_mm": 1.0, "liquid_height_mm": 300.0, "days_to_cross": 365.0,
            "final_bottom_over_top": 5.0, "days_to_margin": math.inf, "days_to_margin_at_most": math.inf, "margin": "±5 %",
            "lying": True, "undone_by_k": 0.01, **changes}


@pytest.mark.parametrize(("length", "text", "layers"), [
    (3000.1, "keeps 3 µm particles mixed for ever", False), (3000.0, "leaves a final bottom/top ratio of 5", True),
    (30.0, "leaves a final bottom/top ratio of 5", True), (29.9, "they gather within 30 mm of the floor", True),
    (0.1, "they gather within 0.1 mm of the floor", True), (0.0999, "they lie on the floor", True)])
def test_what_thermal_motion_leaves_is_told_by_the_length_against_the_height(length: float, text: str, layers: bool) -> None:
    """Ten heights: mixed for ever; a tenth of the height: gathered there; a tenth of a millimetre: on the floor."""
    told = forecast._sentence(row(sedimentation_length_mm=length))
    assert text in told
    assert ("Some of these containers lie" in told) == layers
    assert ("A temperature difference of 10 mK" in told) == layers


def test_the_days_to_a_margin_are_told_as_one_span_where_they_agree() -> None:
    one = forecast._sentence(row(days_to_margin=100.0, days_to_margin_at_most=100.0, undone_by_k=math.nan, lying=False))
    assert one.endswith("A drawn zone leaves the margin of ±5 % after 3.3 months of standing.")
    two = forecast._sentence(row(days_to_margin=30.0, days_to_margin_at_most=100.0, undone_by_k=math.nan, lying=False))
    assert "after 30 days to 3.3 months of standing, depending on the day of filling." in two
    up = forecast._sentence(row(way="rises", sedimentation_length_mm=0.01))
    assert "particles rise through 300 mm" in up
    assert "at the surface" in up
    held = forecast._sentence(row(held=True))
    assert held.endswith("the yield stress holds particles of this size for ever.")


def test_every_kind_of_store_is_weighed_by_its_containers() -> None:
    profile = pd.DataFrame({"analyte": ["Si", "Si", "P"], "bottom_over_top": [1.1, 1.4, 9.0], "containers": [3, 1, 5]})
    found = Outlook(components=pd.DataFrame(), profile=profile, curves=pd.DataFrame(), chart=pd.DataFrame(), sentences=(),
                    missing=(), cautions=()).expected_gradient_percent("Si")
    assert found == pytest.approx(100 * (math.exp((3 * math.log(1.1) + math.log(1.4)) / 4) - 1))


def test_stirring_is_excluded_only_below_the_difference_that_undoes_the_layers() -> None:
    part = {"name": "antifoam", "analyte": "Si", "density_kg_m3": 970, "diameter_um": 3.23, "volume_fraction": 0.001}
    known = study(parts=[part])
    assert known.fluid is not None
    liquid = liquid_of(known.fluid)
    share = mass_fraction(known, known.components[0], liquid)
    assert share is not None
    undone = forecast.undoing_difference_k(share, 970, liquid, 18)
    for factor, said in ((0.999, False), (1.0, True), (1.001, True)):
        fluid = known.fluid.model_copy(update={"temperature_difference_k": factor * undone})
        assert bool(forecast._stirred(known, fluid, liquid, known.components[0])) == said
    assert "gives no temperature_difference_k" in forecast._stirred(known, known.fluid, liquid, known.components[0])
    assert "content of the component is not known" in forecast._stirred(known, known.fluid, liquid, None)


def test_a_container_stands_from_the_day_of_filling_on_and_none_stands_before_it() -> None:
    """Drawn on the very day, the day before, the day after; 0.5 mm of liquid, none, less than none, an unknown one."""
    rows = [(day, h) for day in ("2021-03-01", "2021-02-28", "2021-03-02") for h in ("0.5", "0", "-3", "")]
    table = pd.DataFrame(rows, columns=["sampled_on", "liquid_height_mm"]).assign(
        container=[f"C{k}" for k in range(len(rows))], vessel="pail20", filled_on="2021-03-01")
    told = standing(table)
    assert told["container"].tolist() == ["C0", "C8"]
    assert (told["age_days"].tolist(), told["height_mm"].tolist(), told["start_day"].tolist()) == ([0, 1], [0.5, 0.5], [60, 60])
    assert (told["store"].unique().tolist(), told["lying"].any()) == ([""], False)
