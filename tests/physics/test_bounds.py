"""The inverse, times to settle, standing time: hand calculations, limits, and refusals."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.physics.bounds import (
    GRID_M,
    SKIN,
    TYPICAL_SIZES,
    Bound,
    Reference,
    _constraints,
    _first_below,
    _largest,
    days_to_cross,
    diameter_text,
    diameter_to_clear,
    kelvin_text,
    ruled_out,
    settling_chart,
    standing_days,
    undoing_difference_k,
    zone_response,
)
from studykit.physics.column import Component, Sizes, ZoneOf, expected_column, spot_zones, yearly_temperatures
from studykit.physics.viscosity import Liquid, ViscosityLine
from tests.physics_examples import HERE, grade

ZONES = spot_zones(("upper", "middle", "lower"))


def test_diameters_that_clear_the_top_sixth() -> None:
    table = pd.read_csv(HERE / "store.csv")
    rows = table[table["kind"] == "clear"].to_dict("records")
    assert len(rows) == 30
    for r in rows:
        height, years, name = r["where"].split(" ", 2)
        oil = grade(name)
        excess = float(r["name"].split()[1]) - float(oil.density(20.0))
        got = diameter_to_clear(float(height) / 6000, 365.25 * float(years), excess, float(oil.dynamic_pa_s(20.0)))
        assert got * 1e6 == pytest.approx(r["value"], rel=0.055), r


def test_small_vessels_reveal_settling_sooner() -> None:
    # the same particle clears the top sixth of a 195 mm bottle 4 times faster than that of a 780 mm drum
    oil = grade("VG 32")
    drum, bottle = (float(days_to_cross(3e-6, 970, oil, h / 6, 20.0)) for h in (0.78, 0.195))
    assert drum / bottle == pytest.approx(4.0)


def test_days_in_the_store() -> None:
    # notes: 3 µm silicone in VG 32 at 20 °C takes 4.3 years through 0.83 m; 3 µm MoS2 37 days; 5 µm iron 8 days
    oil = grade("VG 32")
    got = [float(days_to_cross(d, rho, oil, 0.83, 20.0)) for d, rho in ((3e-6, 970), (3e-6, 4900), (5e-6, 7800))]
    assert got == pytest.approx([4.3 * 365.25, 37, 8], rel=0.05)
    # thin carriers, mm/day: 0.3 µm TiO2 (4100) in water 13; 2 µm MoS2 in 5 mPa·s 152
    chart = settling_chart(4100 - 1000, 0.013, [0.3e-6], [1e-3])
    assert chart["days"][0] == pytest.approx(1.0, rel=0.05)
    assert settling_chart(4900 - 880, 0.152, [2e-6], [5e-3])["days"][0] == pytest.approx(1.0, rel=0.05)


def test_chart_follows_the_square_law() -> None:
    chart = settling_chart(100, 0.5, [1e-6, 2e-6], [0.01, 0.1])
    days = chart["days"].to_numpy()
    assert days[0] / days[1] == pytest.approx(4)
    assert days[2] / days[0] == pytest.approx(10)
    assert days[0] == pytest.approx(0.5 * 18 * 0.01 / (100 * 9.80665 * 1e-12) / 86400)


def test_response_of_one_size_is_that_of_the_column() -> None:
    oil = grade("VG 220")
    got = zone_response(970, oil, 0.314, 1000, 18.0, ZONES, np.array([2e-6, 4e-6]))
    for k, d in enumerate((2e-6, 4e-6)):
        part = Component(name="x", density_kg_m3=970, sizes=Sizes.table([d], [1]))
        edges = [x for z in ZONES for x in (z.low, z.high)]
        table = expected_column(part, oil, 0.314, [1000], 18.0, heights=edges)
        assert got[:, k] * 100 == pytest.approx([table.zone_percent(z)[0] for z in ZONES], abs=1e-6)


def test_share_by_hand() -> None:
    # top emptied, middle and low untouched. Against the whole: f <= U. Against the zones' mean (2/3):
    # (mean - top)/mean = f(2/3)/(1 - f/3) <= 5 % gives f = 0.05/(2/3 + 0.05/3)
    expected = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 1.0]])
    d = np.array([1e-7, 1e-6])
    whole = ruled_out(expected, Bound(analyte="Ca", top_depletion_percent=5, reference="whole"), 2500, diameters_m=d)
    assert whole.at.tolist() == [1.0, pytest.approx(0.05)]
    zones = ruled_out(expected, Bound(analyte="Ca", top_depletion_percent=5), 2500, diameters_m=d)
    share = zones.at[1]
    assert share == pytest.approx(0.05 / (2 / 3 + 0.05 / 3))
    mean = 1 - share / 3
    assert (mean - (1 - share)) / mean == pytest.approx(0.05)
    assert whole.blind_from_m is None
    assert whole.share_above(1e-6) == pytest.approx(0.05)


def test_planted_share_is_the_bound_it_gives() -> None:
    # a share of 12 % in 4 µm droplets makes the depletion that, used as the bound, returns 12 %
    expected = zone_response(970, grade("VG 220"), 0.314, 1000, 18.0, ZONES)
    i = int(np.argmin(np.abs(GRID_M - 4e-6)))
    profile = 1 - 0.12 * (1 - expected[:, i])
    depletion = 100 * (profile.mean() - profile[0]) / profile.mean()
    got = ruled_out(expected, Bound(analyte="Si", top_depletion_percent=depletion), 970)
    assert got.at[i] == pytest.approx(0.12, rel=1e-9)
    excess = 100 * (profile[-1] - profile.mean()) / profile.mean()
    low = ruled_out(expected, Bound(analyte="Si", bottom_excess_percent=excess), 970)
    assert low.at[i] == pytest.approx(0.12, rel=1e-9)


def test_rounding_of_the_mean_is_no_finding() -> None:
    # molecules: zones alike but for rounding, mean a hair above 1 (so the denominator turns negative): no bound at all
    expected = np.array([[1 + 1e-13, 0.0], [1 + 3e-11, 1.0], [1 + 3e-11, 1.0]])
    d = np.array([2e-9, 1e-6])
    got = ruled_out(expected, Bound(analyte="Si", top_depletion_percent=39), 970, diameters_m=d)
    assert got.at[0] == 1.0
    assert got.at[1] < 0.5
    # a lowest draw in the deposit makes the mean exceed 1: an enrichment bound that no share can pass is none
    rich = ruled_out(np.array([[1.0], [1.0], [7.0]]), Bound(analyte="x", bottom_excess_percent=150), 970,
                     diameters_m=np.array([1e-6]))
    assert rich.at[0] == pytest.approx(1.0)


def test_a_share_that_rounding_keeps_from_all_of_it_is_all_of_it() -> None:
    """One size whose own bound is 1 - d: all of it where d is rounding (1e-9), and 1 - d where it can be told (1e-3)."""
    for d, share in ((1e-9, 1.0), (1e-3, 0.999)):
        assert _largest(np.array([[1.0, 0.0]]), np.array([1 - d]), np.array([1.0, 0.0])) == pytest.approx(share, abs=1e-12)


def test_all_of_it_together_is_not_said() -> None:
    expected = zone_response(970, grade("VG 220"), 0.314, 1000, 18.0, ZONES)
    tight, wide = (ruled_out(expected, Bound(analyte="Si", top_depletion_percent=u), 970) for u in (5, 45))
    assert "together" in tight.sentence()
    assert "100 %" not in wide.sentence()
    assert "in particles of about" in wide.sentence()


def test_the_whole_sees_what_the_zones_cannot() -> None:
    expected = zone_response(970, grade("VG 220"), 0.314, 1000, 18.0, ZONES)
    whole = ruled_out(expected, Bound(analyte="Si", top_depletion_percent=5, reference="whole"), 970)
    zones = ruled_out(expected, Bound(analyte="Si", top_depletion_percent=5), 970)
    assert whole.blind_from_m is None
    assert whole.share_above(2e-5) == pytest.approx(0.05, abs=1e-6)
    assert zones.blind_from_m == pytest.approx(8e-6, rel=0.1)
    assert zones.share_above(2e-5) == 1.0
    assert "only a comparison with the whole container" in zones.sentence()
    assert "at most 5.0 % of it can be in particles of" in whole.sentence()
    assert whole.seen_from_m is not None
    assert whole.smallest_seen_m(0.2) > whole.seen_from_m
    assert whole.smallest_seen_m(0.01) is None
    table = whole.to_table()
    assert list(table.columns) == ["diameter_um", "share_at_percent", "share_above_percent", "top_percent",
                                   "bottom_percent"]


def test_nothing_ruled_out_is_said() -> None:
    # molecules only: no bound on the zones can rule anything out in a day
    expected = zone_response(970, grade("VG 220"), 0.314, 0.01, 18.0, ZONES)
    got = ruled_out(expected, Bound(analyte="Si", top_depletion_percent=5), 970)
    assert got.seen_from_m is None
    assert "nothing is ruled out" in got.sentence()


def test_light_matter_is_mirrored() -> None:
    oil = grade("VG 220")
    heavy = float(2 * oil.density(18.0)) - 970
    down = zone_response(970, oil, 0.3, 700, 18.0, ZONES)
    up = zone_response(heavy, oil, 0.3, 700, 18.0, ZONES)
    assert up == pytest.approx(down[::-1], abs=1e-6)
    bound = Bound(analyte="x", top_depletion_percent=4, reference="whole")
    assert ruled_out(up, bound, heavy, rises=True).at == pytest.approx(ruled_out(down, bound, 970).at, abs=1e-6)
    assert " to rise " not in ruled_out(down, bound, 970).sentence()


@pytest.mark.slow
@settings(max_examples=4, deadline=None)
@given(u=st.floats(0, 60), more=st.floats(0.1, 20))
def test_a_wider_bound_rules_out_less(u: float, more: float) -> None:
    expected = np.array([np.linspace(1, 0, 121), np.ones(121), np.linspace(1, 1.2, 121)])
    for name in ("top_depletion_percent", "bottom_excess_percent"):
        tight, wide = (ruled_out(expected, Bound(analyte="x", **{name: b}), 2500) for b in (u, u + more))
        assert np.all(wide.at >= tight.at - 1e-9)
        assert np.all(np.diff(tight.above[: np.flatnonzero(tight.at < 1)[-1] + 1]) <= 1e-12) if np.any(
            tight.at < 1) else True


def test_sizes_together_are_a_linear_program() -> None:
    # one size shows at the top alone, another at the bottom alone: each by itself 10 %, both together 20 %; the
    # maximum of single bounds said 10 %
    expected = np.array([[0.5, 1.0], [1.0, 1.0], [1.0, 1.5]])
    both = Bound(analyte="x", top_depletion_percent=5, bottom_excess_percent=5, reference="whole")
    got = ruled_out(expected, both, 2500, diameters_m=np.array([1e-6, 2e-6]))
    assert got.at == pytest.approx([0.1, 0.1])
    assert got.above == pytest.approx([0.2, 0.1])


@pytest.mark.parametrize("reference", ["whole", "zones"])
def test_no_distribution_found_by_random_search_beats_the_program(reference: Reference) -> None:
    rng = np.random.default_rng(5)
    expected = np.sort(rng.uniform(0.2, 1.3, (3, 6)), axis=0)
    u, v = 0.08, 0.06
    bound = Bound(analyte="x", top_depletion_percent=100 * u, bottom_excess_percent=100 * v, reference=reference)
    got = ruled_out(expected, bound, 2500, diameters_m=np.geomspace(1e-7, 1e-5, 6))
    shares = rng.dirichlet(np.full(7, 0.4), 200_000)[:, :6] * rng.uniform(0, 1, (200_000, 1))
    zones = 1 - shares @ (1 - expected.T)
    mixed = zones.mean(axis=1) if reference == "zones" else 1.0
    fits = (1 - zones[:, 0] / mixed <= u) & (zones[:, 2] / mixed - 1 <= v)
    assert fits.sum() > 1000
    best = shares[fits].max(axis=0)
    assert np.all(got.at >= best - 1e-9)
    assert got.at == pytest.approx(best, abs=0.06)  # the search is coarse
    for k in np.flatnonzero(got.above < 1):
        last = int(np.flatnonzero(got.at < 1)[-1])
        assert got.above[k] >= shares[fits][:, k: last + 1].sum(axis=1).max() - 1e-9


@pytest.mark.slow
def test_the_bound_uses_the_temperatures_that_the_profile_uses() -> None:
    """A swing of ±10 °C: at the mean temperature the true size was excluded, through the history it is not."""
    oil = grade("VG 220")
    history = yearly_temperatures(10, 10, 1000)
    truth = zone_response(970, oil, 0.314, 1000, history, ZONES)
    i = int(np.argmin(np.abs(truth[0] - 0.5)))
    seen = Bound(analyte="Si", top_depletion_percent=100 * 0.3 * (1 - truth[0, i]), reference="whole")
    assert ruled_out(truth, seen, 970).at[i] == pytest.approx(0.3, rel=1e-6)
    flat = ruled_out(zone_response(970, oil, 0.314, 1000, 10.0, ZONES), seen, 970)
    assert abs(flat.at[i] - 0.3) > 0.05


def test_a_bound_against_the_whole_holds_where_the_liquid_was_stirred() -> None:
    """Truth: 20 % of the analyte in 4 µm droplets of a gently stirred pail; all zones have lost 20 % · (1 - exp(-s))."""
    oil, i = grade("VG 220"), int(np.argmin(np.abs(GRID_M - 4e-6)))
    part = Component(name="x", density_kg_m3=970, sizes=Sizes.table([GRID_M[i]], [1]))
    fallen = float(expected_column(part, oil, 0.314, [1000], 18.0).fallen[0, 0])
    lost = 0.2 * (1 - math.exp(-fallen))
    seen = Bound(analyte="Si", top_depletion_percent=100 * lost, reference="whole")
    still = ruled_out(zone_response(970, oil, 0.314, 1000, 18.0, ZONES), seen, 970)
    either = ruled_out(zone_response(970, oil, 0.314, 1000, 18.0, ZONES, or_stirred=True), seen, 970)
    assert still.at[i] < 0.2 < either.at[i] + 1e-9  # the still estimate excludes the truth
    assert np.all(either.at >= still.at - 1e-9)


def test_for_light_matter_stirring_is_mirrored() -> None:
    oil = grade("VG 220")
    heavy = float(2 * oil.density(18.0)) - 970
    down, up = (zone_response(rho, oil, 0.3, 700, 18.0, ZONES, or_stirred=True) for rho in (970, heavy))
    assert up == pytest.approx(down[::-1], abs=1e-6)


def test_the_temperature_difference_that_undoes_the_layers() -> None:
    # by hand: 16 mg/kg of antifoam (970) in oil of 895 kg/m³ that expands by 7.0e-4 per K: 1.8 mK;
    # 1.5 % of zircon (4600) in water that expands by 2.1e-4 per K: 56 K
    oil = grade("VG 220")
    beta = -math.log(float(oil.density(18.5)) / float(oil.density(17.5)))
    assert beta == pytest.approx(7.0e-4, rel=0.02)
    got = undoing_difference_k(16e-6, 970, Liquid(line=oil.line, density_kg_m3=895), 18.0)
    assert got == pytest.approx(16e-6 * (1 - 893.1 / 970) / 7.0e-4, rel=0.03)
    assert kelvin_text(got) == "1.8 mK"
    water = Liquid(line=oil.line, density_kg_m3=1000, density_at_c=20, expansion_per_k=2.1e-4)
    zircon = undoing_difference_k(0.015, 4600, water, 20.0)
    assert zircon == pytest.approx(56, abs=0.5)
    assert kelvin_text(zircon) == "56 K"


def test_standing_time_by_hand() -> None:
    # one size: the front passes the upper edge of the top draw (height 5/6 + 0.02) and empties it by 20 % after
    # another fifth of the draw: fallen (1/6 - 0.02 + 0.2 · 0.04) H
    oil = grade("VG 220")
    part = Component(name="x", density_kg_m3=970, sizes=Sizes.table([5e-6], [1]))
    cross = float(days_to_cross(5e-6, 970, oil, 0.3, 18.0))
    got = standing_days(part, oil, 0.3, ZONES, 20.0, 18.0)
    assert got == pytest.approx(cross * (1 / 6 - 0.02 + 0.2 * 0.04), rel=2e-3)
    cold = standing_days(part, oil, 0.3, ZONES, 20.0, 5.0)
    assert cold > 2 * got
    # a factor of 1.25: a fifth less or a quarter more
    assert standing_days(part, oil, 0.3, ZONES, 25.0, 18.0, below_percent=20.0) == got
    assert standing_days(part, oil, 0.3, ZONES, 25.0, 18.0) > got


def test_standing_time_is_that_of_the_profile_with_its_seasons() -> None:
    oil = grade("VG 220")
    part = Component(name="x", density_kg_m3=970, sizes=Sizes.table([5e-6], [1]))

    def year(start: int) -> Callable[[float], np.ndarray]:
        return lambda days: yearly_temperatures(8, 10, max(math.ceil(days), 2), start)

    spring, autumn = (standing_days(part, oil, 0.3, ZONES, 20.0, year(s)) for s in (90, 270))
    mean = standing_days(part, oil, 0.3, ZONES, 20.0, 8.0)
    assert spring < autumn
    assert abs(spring / mean - 1) > 0.1  # the mean temperature tells another day
    for start, days in ((90, spring), (270, autumn)):
        edges = [x for z in ZONES for x in (z.low, z.high)]
        p = expected_column(part, oil, 0.3, [days], year(start)(days), heights=edges)
        assert min(p.zone_percent(z)[0] for z in ZONES) == pytest.approx(80, abs=0.5)


def test_molecules_stand_for_ever() -> None:
    part = Component(name="x", density_kg_m3=1100, sizes=Sizes.table([1e-9], [1]))
    assert math.isinf(standing_days(part, grade("VG 220"), 0.3, ZONES, 5.0, 18.0))


def test_typical_sizes_carry_a_source_and_names_of_diameters() -> None:
    assert all(t.source and 0 < t.low_m < t.high_m for t in TYPICAL_SIZES)
    assert [diameter_text(x) for x in (2e-9, 1e-7, 4.6e-6)] == ["2 nm", "0.1 µm", "4.6 µm"]


@pytest.mark.parametrize(("call", "text"), [
    (lambda: Bound(analyte="Ca"), "must be given, but got neither"),
    (lambda: Bound(analyte="Ca", top_depletion_percent=math.nan), "must be a finite number"),
    (lambda: ruled_out(np.ones((3, 5)), Bound(analyte="Ca", top_depletion_percent=1), 2500), "one column a diameter"),
    (lambda: ruled_out(np.ones((3, 121)), Bound(analyte="Ca", top_depletion_percent=1), 2500).share_above(1.0),
     "diameter_m must be"),
    (lambda: settling_chart(0.0, 0.5, [1e-6], [1e-3]), "excess_kg_m3 must be greater than 0"),
    (lambda: settling_chart(100, 0.5, [1e-6], [0.0]), "viscosities_pa_s must be greater than 0"),
    (lambda: standing_days(Component(name="x", density_kg_m3=1100, sizes=Sizes.table([1e-9], [1])), grade("VG 32"), 0.3,
                           ZONES, 0.0, 18.0), "margin_percent must be greater than 0"),
])
def test_refusals(call: object, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        call()  # type: ignore[operator]


def test_a_zone_at_the_surface_reads_nothing_of_what_lies_there() -> None:
    """What has risen lies in the last part of the height, which no draw surely takes."""
    liquid, age = grade("VG 32"), 3650.0
    zones = [[ZoneOf(label="t", low=0.5, high=top)] for top in (1.0, 1 - SKIN)]
    touching, below = (zone_response(700.0, liquid, 0.3, age, 20.0, z, np.array([20e-6]))[0, 0] for z in zones)
    assert touching == pytest.approx(below, rel=1e-12)
    assert touching < 0.5


def test_the_first_diameter_below_a_share_is_the_first_of_all_or_between_two() -> None:
    d = np.array([1.0, 4.0, 16.0])
    assert _first_below(d, np.array([0.1, 0.05, 0.0]), 0.5) == 1.0
    assert _first_below(d, np.array([0.9, 0.3, 0.0]), 0.6) == pytest.approx(2.0)  # half-way in the logarithm
    assert _first_below(d, np.array([0.9, 0.8, 0.7]), 0.6) is None


def test_a_density_that_crosses_the_liquids_within_the_year_is_no_failure() -> None:
    """Matter as dense as the liquid at 15 °C rises in winter and sinks in summer: then the finite volumes decide."""
    liquid = Liquid(line=ViscosityLine.through(320, 40, 24, 100), density_kg_m3=900, density_at_c=15, expansion_per_k=7e-4)
    drop = Component(name="drop", density_kg_m3=float(liquid.density(15.0)), sizes=Sizes.lognormal(20e-6, 0.3, 20))
    days = standing_days(drop, liquid, 0.4, spot_zones(["top", "middle", "bottom"]), 5.0,
                         lambda d: yearly_temperatures(15, 10, int(d) + 2))
    assert 300 < days < 1500


def test_a_size_that_is_richer_where_another_is_poorer_may_hide_it() -> None:
    """Of two sizes one leaves 40 % at the top, the other 120 %: against the whole, half of each still is 80 %."""
    expected = np.array([[0.4, 1.2], [1.0, 1.0], [1.6, 0.8]])
    bound = Bound(analyte="P", top_depletion_percent=20.0, bottom_excess_percent=None, reference="whole")
    rows, most = _constraints(expected, bound, False)
    assert rows[0] == pytest.approx([0.6, -0.2])
    assert rows[0] @ [0.5, 0.5] == pytest.approx(most[0])


def test_what_may_lie_on_the_floor_or_at_the_surface_is_half_a_per_cent_of_the_height() -> None:
    """The lowest zone without its lowest half per cent and the topmost without its uppermost, from the column itself."""
    oil, d = grade("VG 220"), 3e-6
    part = Component(name="x", density_kg_m3=970, sizes=Sizes.table([d], [1]))
    zones = [ZoneOf(label="top", low=0.8, high=1.0), ZoneOf(label="low", low=0.0, high=0.2)]
    inner = [ZoneOf(label="top", low=0.8, high=0.995), ZoneOf(label="low", low=0.005, high=0.2)]
    got = 100 * zone_response(970, oil, 0.314, 1000, 18.0, zones, np.array([d]))[:, 0]
    table = expected_column(part, oil, 0.314, [1000], 18.0, heights=[0.005, 0.2, 0.8, 0.995])
    assert got == pytest.approx([table.zone_percent(z)[0] for z in inner], abs=1e-6)
    thin = [ZoneOf(label="top", low=0.994, high=1.0), ZoneOf(label="low", low=0.0, high=0.006)]  # half of a thin zone is left
    half = [ZoneOf(label="top", low=0.994, high=0.997), ZoneOf(label="low", low=0.003, high=0.006)]
    got = 100 * zone_response(970, oil, 0.314, 1000, 18.0, thin, np.array([d]))[:, 0]
    table = expected_column(part, oil, 0.314, [1000], 18.0, heights=[0.003, 0.006, 0.994, 0.997])
    assert got == pytest.approx([table.zone_percent(z)[0] for z in half], abs=1e-6)


@pytest.mark.parametrize(("um", "text"), [(0.0949, "95 nm"), (0.0951, "0.095 µm"), (1.234, "1.2 µm"), (0.001, "1 nm")])
def test_a_diameter_below_a_tenth_of_a_micrometre_is_told_in_nanometres(um: float, text: str) -> None:
    assert diameter_text(um * 1e-6) == text


@pytest.mark.parametrize(("kelvin", "text"), [
    (0.0949, "95 mK"), (0.095, "0.095 K"), (100.0, "1e+02 K"), (100.1, "more than 100 K")])
def test_a_temperature_difference_is_told_in_millikelvin_below_a_tenth(kelvin: float, text: str) -> None:
    assert kelvin_text(kelvin) == text


def test_what_is_ruled_out_from_a_table_of_three_sizes_by_hand() -> None:
    """Only the top poorer by all of it, by half, by nothing; a bound of 10 % against the whole: shares 1, 0.2, 0.1."""
    expected = np.array([[1.0, 0.5, 0.0], [1.0, 1.0, 1.0], [1.0, 1.0, 1.0]])
    d = np.array([1e-7, 1e-6, 1e-5])
    got = ruled_out(expected, Bound(analyte="Ca", top_depletion_percent=10, reference="whole"), 2500, diameters_m=d)
    assert got.at == pytest.approx([1.0, 0.2, 0.1])
    assert got.above == pytest.approx([1.0, 0.2, 0.1])  # all of it in the middle size is what a size or more may hold
    assert (got.seen_to_m, got.blind_from_m) == (1e-5, None)
    assert got.share_above(1e-5) == pytest.approx(0.1)
    assert got.share_above(math.sqrt(1e-11)) == pytest.approx(0.15)  # midway in logs
    for outside in (0.99e-7, 1.01e-5):
        with pytest.raises(ValueError, match="diameter_m must be"):
            got.share_above(outside)
    assert got.share_above(1e-7) == 1.0
    table = got.to_table()
    assert table["share_at_percent"].tolist() == pytest.approx([100, 20, 10])
    assert (table["top_percent"].tolist(), table["bottom_percent"].tolist()) == ([100, 50, 0], [100, 100, 100])
    assert table["diameter_um"].tolist() == pytest.approx([0.1, 1, 10])
    # one size is seen, and a larger one that has left all zones is not
    gone = np.array([[1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [1.0, 1.0, 0.0]])
    blind = ruled_out(gone, Bound(analyte="Ca", top_depletion_percent=10), 2500, diameters_m=d)
    assert (blind.seen_to_m, blind.blind_from_m) == (1e-6, 1e-5)
    assert "From 10 µm on, particles would have left all zones" in blind.sentence()
    light = ruled_out(expected[::-1], Bound(analyte="Ca", top_depletion_percent=10, reference="whole"), 800, diameters_m=d,
                      rises=True)  # what rises leaves the lowest zone poor
    assert light.at == pytest.approx([1.0, 0.2, 0.1])
    refused = ruled_out(expected, Bound(analyte="Ca", top_depletion_percent=10), 2500, diameters_m=d, refused="it lay")
    assert refused.at.tolist() == refused.above.tolist() == [1, 1, 1]
    assert "no size is ruled out this way: it lay" in refused.sentence("calcium")
