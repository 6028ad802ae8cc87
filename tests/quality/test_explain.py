"""Gains, prices and places of competing explanations, on scenes whose level, profile and scatter are known exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import comb, log

import numpy as np
import pytest
from scipy import optimize

from studykit.quality.explain import (
    DIRT,
    RATES,
    Candidate,
    Scene,
    _centre_loss,
    cells,
    gain_of,
    monotone_loss,
    own_settling,
    settles,
    transpositions,
    worst_boxes,
    zones_of,
)
from studykit.quality.levels import _against, _by_factor, _exchange, _one_amount, containers
from studykit.quality.swaps import swaps
from tests.quality.hand import least, paid, scene_of

C1 = np.array([3, 4, 5])
SI = (-0.6, 0.0, 0.6)


def named(found: object, cause: str) -> Candidate:
    (own,) = [c for c in found if c.cause == cause]  # type: ignore[attr-defined]
    return own


def not_a_zone(sc: Scene, row: int, kind: str = "composite") -> Scene:
    zone = sc.f.zone.copy()
    zone[row] = False
    sc.f.rows.loc[row, "kind"] = kind
    return replace(sc, f=replace(sc.f, zone=zone))


# -- costs -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("z", [(0.0, 0.0, 7.0), (-1.0, 0.5, 2.0), (5.0, -5.0, 4.0), (np.nan, 1.0, 3.0), (np.nan, np.nan, 2.0)])
def test_a_container_costs_what_is_left_about_its_best_level(z: tuple[float, ...]) -> None:
    """Reference: the sum of 3.5 ln(1 + (z - c)^2 / 6) minimised over c by scipy, from each of the readings."""
    s = 0.3
    r = 4.0 + s * np.array(z)[:, None]
    assert _centre_loss(r, np.full_like(r, s))[0] == pytest.approx(least(z), rel=2e-3, abs=1e-9)


def test_readings_of_unlike_scatter_are_weighed_by_it() -> None:
    r, s = np.array([[0.0], [1.0], [1.5]]), np.array([[0.5], [0.1], [0.5]])
    best = optimize.minimize_scalar(lambda c: float(paid((r - c) / s).sum()), bracket=(0.9, 1.1))
    assert _centre_loss(r, s)[0] == pytest.approx(best.fun, rel=1e-4)


def test_what_another_reading_would_save() -> None:
    """One zone 8 standard deviations off beside two that fit: put right, the container costs nothing; half counts by share."""
    sc = scene_of({(1, 0): {"Zn": 0.8}}, share=0.5)
    right = sc.y[C1].copy()
    right[0, 1] = log(100)
    assert sc.gain(C1, right) == pytest.approx([0, 0.5 * least([8, 0, 0]), 0, 0], rel=1e-3)
    assert gain_of(sc, C1, right) == pytest.approx([0, 0.5 * least([8, 0, 0]), 0, 0], rel=1e-3)
    alone = not_a_zone(sc, 3)
    assert gain_of(alone, C1[:1], right[:1]) == pytest.approx([0, 0.5 * float(paid(8)), 0, 0])
    assert sc.rows_of(1).tolist() == [3, 4, 5]
    assert alone.rows_of(1).tolist() == [4, 5]


def test_zones_keep_their_containers_level() -> None:
    sc = scene_of({(1, 0): {"Zn": 0.8}}, profile={"Zn": SI})
    assert sc.zones[3] - log(100) == pytest.approx([0, 0.8, 0, 0])
    y = sc.y.copy()
    y[3, 0] = np.nan
    assert np.isnan(replace(sc, y=y).zones[3, 0])


@pytest.mark.parametrize(("spread", "true"), [(0.4, np.exp(0.4 * 1.5)), (0.4, 1.0), (0.06, 1.0)])
def test_a_container_may_settle_at_a_rate_of_its_own(spread: float, true: float) -> None:
    """Four analytes have the profile times the rate; what is left is that rate's price: (ln rate / sd)^2 / 2, in quarters."""
    shape = dict.fromkeys(("P", "Zn", "S", "Ca"), SI)
    off = {(1, k): dict.fromkeys(shape, (true - 1) * SI[k]) for k in range(3)}
    sc = scene_of(off, profile=shape, rate_spread=spread)
    want = (log(true) / spread) ** 2 / 2 / 4
    assert sc.loss(C1, sc.y[C1]) == pytest.approx([want] * 4, abs=1e-3)
    if true > 1:  # no rate is tried where rates do not scatter
        none = scene_of(off, profile=shape, rate_spread=0.049)
        assert none.loss(C1, none.y[C1]) == pytest.approx([least([(true - 1) * x / 0.1 for x in SI])] * 4, rel=1e-3)
    assert 0.0 in RATES


def test_a_rate_that_was_fitted_is_the_first_one_tried() -> None:
    """The model has the container at 1.3: typical holds it, and at 1.3 nothing is left but that rate's price."""
    shape = dict.fromkeys(("P", "Zn", "S", "Ca"), SI)
    sc = scene_of(profile=shape, rate_spread=0.4, rate=(1.0, 1.3, 1.0, 1.0))
    y = sc.y.copy()
    for k in range(3):
        y[3 + k] += 0.3 * SI[k]
    sc = replace(sc, y=y, m=replace(sc.m, typical=y))
    assert sc.loss(C1, y[C1]) == pytest.approx([(log(1.3) / 0.4) ** 2 / 2 / 4] * 4, abs=1e-9)


# -- one value ---------------------------------------------------------------------------------------------------------


def test_a_power_of_ten_in_one_value() -> None:
    """x10 of ln 10 / 0.1 = 23 sd: price ln(36 values looked at) + 3 (the fluid itself could read so); value alone 3.5 + 3."""
    sc = scene_of({(1, 0): {"Zn": log(10)}}, boxes=3)  # the highest one: no bottle above refutes it, nor two other containers
    found = list(cells(sc))
    slip, alone = named(found, "unit slip"), named(found, "value alone")
    assert (slip.rows, slip.columns, slip.place) == ((3,), (1,), "cell")
    assert slip.amount == pytest.approx(10)
    assert slip.price == pytest.approx(log(36) + 3)
    assert slip.readings.item() == pytest.approx(log(100))
    assert slip.gain == pytest.approx(least([log(10) / 0.1, 0, 0]), rel=1e-3)
    assert alone.price == pytest.approx(log(36) + 3.5 + 3)
    assert (alone.readings.item(), alone.amount) == (pytest.approx(log(100)), pytest.approx(1000))


def test_several_powers_of_ten_are_no_fluids() -> None:
    """x1000: two nats for it and not three against it."""
    assert named(cells(scene_of({(1, 1): {"Zn": log(1000)}})), "unit slip").price == pytest.approx(log(48) - 2)
    assert named(cells(scene_of({(1, 1): {"Zn": -log(100)}})), "unit slip").price == pytest.approx(log(48) - 2)


def test_bottles_above_and_below_that_agree_rule_out_the_fluid() -> None:
    """C1 middle reads a tenth, upper and lower 100 each with values known: price 2 nats less than the places."""
    sc = scene_of({(1, 1): {"Zn": -log(10)}})
    assert named(cells(sc), "unit slip").price == pytest.approx(log(48) - 2)


@pytest.mark.parametrize(("x", "s", "slip"), [
    (log(10) + 0.59, 0.1, True), (log(10) + 0.61, 0.1, False),  # within 6 standard deviations of a power of ten
    (log(10) + 0.049, 0.001, True), (log(10) + 0.051, 0.001, False),  # or 0.05
    (log(10), 0.28, True), (log(10), 0.29, False)])  # and more than 8 from what is expected
def test_a_slip_leaves_what_fits_and_lies_far(x: float, s: float, slip: bool) -> None:
    found = list(cells(scene_of({(1, 1): {"Zn": x}}, s=s)))
    assert any(c.cause == "unit slip" for c in found) == slip
    # without a slip one value alone costs 1.5
    assert named(found, "value alone").price == pytest.approx(log(48) + (6.5 if slip else 1.5))


def test_only_what_is_four_and_a_half_standard_deviations_off_is_looked_at() -> None:
    assert not list(cells(scene_of({(1, 1): {"Zn": 0.449}})))
    assert list(cells(scene_of({(1, 1): {"Zn": 0.451}})))
    sc = scene_of({(1, 1): {"Zn": 5.0}, (2, 1): {"Zn": 0.6}, (3, 1): {"P": 0.5}})
    assert {c.rows for c in cells(sc)} == {(4,), (7,), (10,)}
    assert {c.rows for c in cells(sc, top=2)} == {(4,), (7,)}
    loose = replace(sc, f=replace(sc.f, at=np.where(np.arange(12) == 4, -1, sc.f.at)))
    assert {c.rows for c in cells(loose)} == {(7,), (10,)}  # no container, nothing expected


def test_two_digits_exchanged() -> None:
    """195 written where 159 would fit: 36 off at a scatter of 5 % of 159; no free number, so only the places are paid."""
    sc = scene_of({(1, 1): {"Zn": log(195 / 159)}}, level=159.0, s=0.02)
    own = [c for c in cells(sc) if c.cause == "transposed digits"]
    assert {c.detail: c.amount for c in own} == {"159": 159.0, "915": 915.0}
    right = next(c for c in own if c.detail == "159")
    assert right.price == pytest.approx(log(48))
    assert right.readings.item() == pytest.approx(log(159))
    absolute = scene_of({(1, 1): {"KV40": 36.0}}, level=159.0, analytes=("P", "KV40"), absolute=("KV40",), s=5.0)
    assert {c.readings.item() for c in cells(absolute) if c.cause == "transposed digits"} == {159.0, 915.0}


@pytest.mark.parametrize(("value", "others"), [
    (12.3, {"21.3": 21.3, "13.2": 13.2}), (11.0, {}), (0.0, {}), (-12.0, {}), (np.nan, {}), (np.inf, {}),
    (0.05, {"0.50": 0.5, "5.00": None}), (1e-12, {})])
def test_neighbouring_digits(value: float, others: dict[str, float | None]) -> None:
    want = {text: x for text, x in others.items() if x is not None}
    if value == 1e-12:
        assert all(x > 0 for _, x in transpositions(value))
        return
    assert dict(transpositions(value)) == want


def test_dirt_is_looked_for_in_three_elements_of_zones_and_only_where_they_are_high() -> None:
    """24 values of Si and Fe in twelve bottles: ln 24 in place of ln 48, and what a free number costs there (1.5)."""
    names = ("P", "Si", "Fe", "Ca")
    dirt = named(cells(scene_of({(1, 1): {"Si": 0.6}}, analytes=names)), DIRT)
    assert dirt.price == pytest.approx(log(24) + 1.5)
    assert (dirt.columns, dirt.amount) == ((1,), pytest.approx(100 * np.exp(0.6)))
    assert dirt.readings.item() == pytest.approx(log(100))
    for off in ({"Si": -0.6}, {"P": 0.6}):
        assert DIRT not in {c.cause for c in cells(scene_of({(1, 1): off}, analytes=names))}
    assert DIRT not in {c.cause for c in cells(not_a_zone(scene_of({(1, 1): {"Si": 0.6}}, analytes=names), 4))}


# -- two bottles -------------------------------------------------------------------------------------------------------


def exchanged(one: tuple[int, int], other: tuple[int, int], **more: object) -> Scene:
    """Two bottles under each other's codes, of a stock in which P and Zn have a profile and C2 is 1.5 times as rich."""
    rich = {2: [0.4] * 4}
    kept = scene_of(profile={"P": SI, "Zn": SI}, u=rich, **more)  # type: ignore[arg-type]
    i, j = (3 * b + k for b, k in (one, other))
    y = kept.y.copy()
    y[[i, j]] = y[[j, i]]
    return replace(kept, y=y, m=replace(kept.m, e=y - kept.m.typical))


def test_two_bottles_of_a_container_exchanged() -> None:
    """Upper and lower 0.6 / 0.1 = 6 about the middle each way, twice over: 12 and -12 in two analytes; one of 12 bottles."""
    sc = exchanged((1, 0), (1, 2))
    best = max(swaps(sc), key=lambda c: c.net)
    assert (best.rows, best.place, best.columns) == ((3, 5), "within", (0, 1, 2, 3))
    assert best.gain == pytest.approx(2 * least([12, 0, -12]), rel=1e-3)
    assert best.price == pytest.approx(log(12))
    np.testing.assert_array_equal(best.readings, sc.y[[5, 3]])
    assert set(best.bears) == {0, 1}  # these bear all of it


def test_two_bottles_of_two_containers_exchanged() -> None:
    sc = exchanged((1, 0), (2, 2))
    best = max(swaps(sc), key=lambda c: c.net)
    assert (best.rows, best.place) == ((3, 8), "across")
    assert best.price == pytest.approx(2 * log(12))
    up, own = (1.2 + 0.4) / 0.1, 0.4 / 0.1
    assert best.gain == pytest.approx(2 * (2 * least([up, 0, 0]) + 2 * least([own, 0, 0])), rel=1e-2)


def test_bottles_of_one_zone_and_those_that_fit_are_no_pairs() -> None:
    assert not list(swaps(scene_of({(1, 0): {"P": 0.1}})))
    sc = exchanged((1, 0), (1, 2))
    same = replace(sc, f=replace(sc.f, place=np.zeros(12, dtype=int)))
    assert not [c for c in swaps(same) if c.place == "within"]


def test_an_analyte_that_bears_most_is_named_alone() -> None:
    """P gives 12 standard deviations twice, Zn 2: more than 85 in a hundred is P's."""
    sc = scene_of({(1, 0): {"P": 1.2, "Zn": 0.2}, (1, 2): {"P": -1.2, "Zn": -0.2}}, profile={"P": SI, "Zn": (-0.1, 0, 0.1)})
    best = max(swaps(sc), key=lambda c: c.net)
    assert best.bears == (0,)
    whole, part = least([12, 0, -12]), least([2, 0, -2])
    assert best.gain == pytest.approx(whole + part, rel=1e-3)
    assert whole > 0.85 * (whole + part)


def test_a_swap_is_looked_for_where_the_own_rate_is_lowest() -> None:
    """Rates scatter, and the model has taken an exchange of C1 for a rate of 0.2: no bottle of it is off by itself."""
    calm = scene_of(profile={"P": SI, "Zn": SI}, rate_spread=0.4, rate=(1.0, 0.2, 1.1, 1.2))
    pairs = {c.rows for c in swaps(calm)}
    assert {(3, 4), (3, 5), (4, 5)} <= pairs
    assert len(pairs) == 12  # three pairs of each of the four lowest
    few = scene_of(boxes=6, profile={"P": SI}, rate_spread=0.4, rate=(1.0, 0.2, 1.1, 1.2, 0.3, 0.9))
    assert {i // 3 for c in swaps(few) for i in c.rows} == {1, 4, 5, 0}
    assert not list(swaps(replace(calm, m=replace(calm.m, rate_spread=0.04))))


# -- a container's zones -----------------------------------------------------------------------------------------------


def settled(amount: float = 1.0, **more: object) -> Scene:
    """C1 has settled in Si, upper to lower, beyond a stock that shows a profile in Si and Mo."""
    off = {(1, k): {"Si": amount * x} for k, x in enumerate((-1.0, 0.0, 1.0))}
    return scene_of(off, analytes=("Si", "Mo", "P", "Zn"), profile={"Si": SI, "Mo": SI}, **more)  # type: ignore[arg-type]


def test_a_container_that_settles_by_itself() -> None:
    """A rising line fits all: saved is the container's cost less ln(1 + 10) for each of two amounts of its own."""
    found = named(own_settling(settled(), [1]), "own settling")
    assert (found.rows, found.columns, found.place) == ((3, 4, 5), (0,), "container")
    assert found.gain == pytest.approx(least([-10, 0, 10]) - 2 * log(11), rel=1e-3)
    assert found.price == pytest.approx(log(4) + 1.0)
    assert np.isnan(found.readings).all()
    assert found.readings.shape == (3, 1)


def test_settling_in_what_the_stock_does_not_show_costs_three_each() -> None:
    off = {(1, k): {"P": x, "Zn": x} for k, x in enumerate((-1.0, 0.0, 1.0))}
    prices = []
    for analytes in (["P"], ["P", "Zn"]):
        own = {at: {a: by[a] for a in analytes} for at, by in off.items()}
        sc = scene_of(own, analytes=("Si", "Mo", "P", "Zn"), profile={"Si": SI})
        prices.append(named(own_settling(sc, [1]), "own settling").price)
    assert prices == pytest.approx([log(4) + 1 + 3, log(4) + 1 + 6])
    three = {at: {**by, "Si": by["P"], "Mo": by["P"]} for at, by in off.items()}
    sc = scene_of(three, analytes=("Si", "Mo", "P", "Zn"), profile={"Si": SI})
    assert named(own_settling(sc, [1]), "own settling").price == pytest.approx(log(4) + 1)


@pytest.mark.parametrize(("ratio", "told"), [(499.0, True), (501.0, False)])
def test_more_than_five_hundredfold_within_a_container_is_no_settling(ratio: float, told: bool) -> None:
    half = log(ratio) / 2
    off = {(1, k): {"P": x} for k, x in enumerate((-half, 0.0, half))}
    assert bool(list(own_settling(scene_of(off), [1]))) == told


def test_containers_of_one_height_or_without_departure_have_not_settled() -> None:
    assert not list(own_settling(scene_of(), [1]))
    assert not list(own_settling(scene_of({(1, 0): {"P": 1.0}}, rows={"height": [0.5] * 12}), [1]))
    # a line that neither rises nor falls: a rich middle is no settling of P, which saves less than what it costs
    assert not list(own_settling(scene_of({(1, 1): {"P": 0.3}}), [1]))


@pytest.mark.parametrize(("profile", "yes"), [((0.0, 0.0, 0.41), True), ((0.0, 0.0, 0.40), False), (SI, True),
                                              ((0.0, 0.0, 0.0), False)])
def test_an_analyte_settles_from_a_third_of_the_strongest_profile(profile: Sequence[float], yes: bool) -> None:
    """0.34 * 1.2 = 0.408."""
    assert settles(scene_of(analytes=("Si", "P"), profile={"Si": SI, "P": profile}), 1) == yes
    assert not settles(scene_of(analytes=("Si", "P"), absolute=("P",), profile={"Si": SI, "P": (0, 0, 50.0)}), 1)


@pytest.mark.parametrize(("y", "left"), [
    ((0.0, 1.0, 2.0), ()), ((2.0, 1.0, 0.0), ()), ((0.0, 2.0, 1.0), (5.0, -5.0)), ((1.0, 0.0, 2.0), (5.0, -5.0)),
    ((np.nan, 9.0, 2.0), ()), ((np.nan, np.nan, 2.0), ())])
def test_what_the_best_rising_or_falling_line_leaves(y: Sequence[float], left: tuple[float, ...]) -> None:
    """0, 2, 1 with a scatter of 0.1: the rising line is 0, 1.5, 1.5 (pooled neighbours), 5 and -5 are left; half by share."""
    sc = scene_of(analytes=("P",), share=0.5)
    values = sc.y.copy()
    values[C1, 0] = y
    sc = replace(sc, y=values)
    assert monotone_loss(sc, C1, np.array([0.8, 0.5, 0.2]), 0) == pytest.approx(0.5 * float(paid(left).sum()))


def test_draws_of_one_height_are_averaged_by_their_weight() -> None:
    """Two draws at one height, 0 (sd 0.1) and 0.5 (sd 0.2): mean 0.1 by weights 4 to 1, -1 and 2 standard deviations off."""
    sc = scene_of(analytes=("P",))
    values, s = sc.y.copy(), sc.m.s.copy()
    values[C1, 0], s[C1, 0] = (0.0, 0.5, 3.0), (0.1, 0.2, 0.1)
    sc = replace(sc, y=values, m=replace(sc.m, s=s))
    assert monotone_loss(sc, C1, np.array([0.8, 0.8, 0.2]), 0) == pytest.approx(float(paid([-1, 2]).sum()))
    s[3, 0] = np.inf  # no scale: not judged
    assert monotone_loss(sc, C1, np.array([0.8, 0.8, 0.2]), 0) == 0.0


def test_a_container_that_is_flat_was_mixed_or_moved() -> None:
    """P and Zn have a profile of 0.6 about the middle, and C1 reads 100 throughout: with the profile added nothing is left."""
    flat = {(1, k): {"P": -SI[k], "Zn": -SI[k]} for k in range(3)}
    sc = scene_of(flat, profile={"P": SI, "Zn": SI})
    found = named(zones_of(sc, [1]), "disturbed container")
    assert (found.rows, found.columns, found.place) == ((3, 4, 5), (0, 1, 2, 3), "container")
    assert found.gain == pytest.approx(2 * least([-6, 0, 6]), rel=1e-3)
    assert found.price == pytest.approx(log(4) + 1.5)
    np.testing.assert_allclose(found.readings, sc.m.typical[C1])
    assert not list(zones_of(replace(sc, f=replace(sc.f, place=np.zeros(12, dtype=int))), [1]))


def test_a_lowest_draw_that_alone_is_rich() -> None:
    """P and Zn of the floor 10 and 6 standard deviations too high: put right, less ln(1 + z) for each amount of its own."""
    sc = scene_of({(1, 2): {"P": 1.0, "Zn": 0.6, "S": -0.9, "Ca": 0.05}})
    found = named(zones_of(sc, [1]), "heel in the zone")
    assert (found.rows, found.columns, found.place) == ((5,), (0, 1), "bottle")
    assert found.gain == pytest.approx(least([0, 0, 10]) - log(11) + least([0, 0, 6]) - log(7), rel=2e-3)
    assert found.price == pytest.approx(log(4) + 1.0)
    np.testing.assert_allclose(found.readings, [[log(100)] * 2])
    assert not [c for c in zones_of(scene_of({(1, 2): {"P": -1.0}}), [1]) if c.cause == "heel in the zone"]
    assert not [c for c in zones_of(scene_of({(1, 0): {"P": 1.0}}), [1]) if c.cause == "heel in the zone"]


def test_one_rich_analyte_that_does_not_settle_elsewhere_costs_three_more() -> None:
    one = scene_of({(1, 2): {"P": 1.0}}, profile={"Zn": SI})
    assert named(zones_of(one, [1]), "heel in the zone").price == pytest.approx(log(4) + 1 + 3)
    shown = scene_of({(1, 2): {"P": 1.0}}, profile={"P": SI})
    assert named(zones_of(shown, [1]), "heel in the zone").price == pytest.approx(log(4) + 1)


def test_of_two_lowest_draws_the_richer_is_meant() -> None:
    sc = scene_of({(1, 1): {"P": 0.7}, (1, 2): {"P": 1.0}}, rows={"height": [0.8, 0.2, 0.2] * 4})
    assert named(zones_of(sc, [1]), "heel in the zone").rows == (5,)


# -- containers --------------------------------------------------------------------------------------------------------

FIVE = ("P", "Zn", "S", "Ca", "KV40")


def test_another_product_by_amounts_of_its_own() -> None:
    """8, -6 and 5 standard deviations: each saves 3.5 ln(1 + z^2 / 6) less 3.5; the fourth (1) does not pay."""
    sc = scene_of(boxes=6, u={1: [0.8, -0.6, 0.5, 0.1]}, share_u=0.9)
    found = named(containers(sc), "wrong product")
    assert (found.rows, found.columns, found.place) == ((3, 4, 5), (0, 1, 2), "container")
    assert found.gain == pytest.approx(float((0.9 * paid([8, -6, 5]) - 3.5).sum()))
    assert found.price == pytest.approx(log(2) + 1)  # one of the containers that depart at all, two at least
    np.testing.assert_allclose(found.readings, np.full((3, 3), log(100)))
    assert found.detail == f"P {np.exp(0.8):.3g}, Zn {np.exp(-0.6):.3g}, S {np.exp(0.5):.3g} times"
    assert np.isnan(found.amount)


def test_one_analyte_off_is_no_other_product() -> None:
    assert not [c for c in containers(scene_of(u={1: [0.9, 0.0, 0.0, 0.0]})) if c.cause == "wrong product"]


@pytest.mark.parametrize(("u", "amount"), [
    ((-0.5, -0.5), np.exp(-0.5)), ((-0.5, -0.7), np.exp(-0.6)), ((-0.3, -0.7), None), ((0.1, 0.79), None)])
def test_one_factor_for_what_is_off_or_none(u: tuple[float, float], amount: float | None) -> None:
    """Their squares about the mean factor, in variances: 0, 1 and 4 (of 0.1); more than 3 is amounts of their own."""
    found = _one_amount(scene_of(u={1: [*u, 0.0, 0.0]}), 1, np.array([0, 1]))
    assert np.isnan(found) if amount is None else found == pytest.approx(amount)


def test_an_analyte_far_from_the_factor_has_an_amount_of_its_own() -> None:
    """Nine at -0.5 and one at -0.1: mean -0.46, 3.6 of 0.1 off, which is beyond 3.5; their mean square is 1.44."""
    names = tuple("ABCDEFGHIJ")
    sc = scene_of(analytes=names, u={1: [*[-0.5] * 9, -0.1]})
    assert np.isnan(_one_amount(sc, 1, np.arange(10)))
    near = scene_of(analytes=names, u={1: [*[-0.5] * 9, -0.12]})
    assert _one_amount(near, 1, np.arange(10)) == pytest.approx(np.exp(-0.462))


def test_the_one_factor_is_weighed_by_how_surely_each_analyte_is_known() -> None:
    """0.3 at 0.1 and 0.5 at 0.2: weights 4 and 1, 0.34; they lie 0.4 and 0.8 standard deviations off it."""
    sc = scene_of(analytes=("P", "Zn"), u={1: [0.3, 0.5]})
    found = _one_amount(replace(sc, m=replace(sc.m, su=np.array([0.1, 0.2]))), 1, np.arange(2))
    assert found == pytest.approx(np.exp(0.34))


def test_an_analyte_that_lies_far_below_the_factor_has_an_amount_of_its_own_too() -> None:
    """Nine at 0.5 and one at 0.1, 3.6 of 0.1 below their mean; the others lie 0.4 of 0.1 above it."""
    names = tuple("ABCDEFGHIJ")
    for last, alike in ((0.1, False), (0.12, True)):
        assert np.isfinite(_one_amount(scene_of(analytes=names, u={1: [*[0.5] * 9, last]}), 1, np.arange(10))) == alike


def test_analytes_that_a_container_lacks_do_not_count_among_those_that_one_factor_explains() -> None:
    """Three of six are alike; of three more the container has no number, or no scatter is known: six count."""
    for lost in ("u", "su"):
        sc = scene_of(boxes=6, analytes=tuple("ABCDEFGHI"), u={1: [-0.5] * 3 + [0.0] * 6})
        u, su = sc.m.u.copy(), sc.m.su.copy()
        if lost == "u":
            u[1, 6:] = np.nan
        else:
            su[6:] = np.nan
        sc = replace(sc, m=replace(sc.m, u=u, su=su))
        assert list(_by_factor(sc, 1, 0.0, -0.5, np.array([9.0] * 3 + [0.0] * 6), np.arange(9) < 3)), lost


def test_a_container_thinned_by_one_factor_and_a_viscosity_by_its_own() -> None:
    """Four elements by 0.6 (ln = -0.51, 5.1 sd), KV40 of 100 at 200 (absolute, 10 sd): four of five, one factor."""
    x = log(0.6)
    sc = scene_of(boxes=6, analytes=FIVE, absolute=("KV40",), u={1: [x, x, x, x, 100.0]}, tests=("icp",) * 4 + ("visc",))
    sc = replace(sc, m=replace(sc.m, su=np.array([0.1, 0.1, 0.1, 0.1, 10.0])))
    found = max((c for c in containers(sc) if c.cause == "diluted or evaporated"), key=lambda c: c.net)
    assert (found.rows, found.columns, found.place) == ((3, 4, 5), (0, 1, 2, 3, 4), "container")
    assert found.amount == pytest.approx(0.6)
    assert found.gain == pytest.approx(4 * float(paid(x / 0.1)) + float(paid(10)) - 3.5)
    assert found.price == pytest.approx(log(2) + 3.5 + log(comb(5, 4)))
    np.testing.assert_allclose(found.readings, np.tile([*[log(100)] * 4, 100.0], (3, 1)))
    assert found.detail == "KV40 2 times"


def test_an_element_the_other_way_is_another_product_where_the_same_test_reads_it() -> None:
    """What is added thins all that a test reads; another test's analyte may go its own way."""
    def told(tests: tuple[str, ...], last: float) -> bool:
        sc = scene_of(boxes=6, analytes=FIVE, u={1: [-0.5] * 4 + [last]}, tests=tests)
        return any(c.cause == "diluted or evaporated" and 4 in c.columns for c in containers(sc))

    one, two = ("icp",) * 5, ("icp",) * 4 + ("visc",)
    assert [told(one, 0.9), told(two, 0.9), told((), 0.9)] == [False, True, True]
    sc = scene_of(analytes=FIVE, tests=two)
    alike, opposite = np.array([1, 1, 1, 1, 0], dtype=bool), np.array([0, 0, 0, 1, 1], dtype=bool)
    assert _against(sc, opposite, alike)
    assert not _against(sc, np.array([0, 0, 0, 0, 1], dtype=bool), alike)
    assert not _against(scene_of(analytes=FIVE), opposite, alike)


def factor(sc: Scene, alike: Sequence[int], gain: Sequence[float] | None = None, delta: float = -0.5) -> list[Candidate]:
    mask = np.isin(np.arange(len(sc.f.analytes)), alike)
    return list(_by_factor(sc, 1, 0.0, delta, np.full(mask.size, 9.0) if gain is None else np.array(gain), mask))


def test_how_many_analytes_must_share_a_factor() -> None:
    """Three at least, and half of all; those by their own at most half as many; and three that gain by it."""
    six = tuple("ABCDEF")
    assert factor(scene_of(analytes=six, u={1: [-0.5] * 3 + [0.0] * 3}), (0, 1, 2))
    assert not factor(scene_of(analytes=tuple("ABCDEFG"), u={1: [-0.5] * 3 + [0.0] * 4}), (0, 1, 2))
    assert not factor(scene_of(analytes=tuple("ABC"), u={1: [-0.5, -0.5, 0.0]}), (0, 1))
    assert factor(scene_of(analytes=six, u={1: [-0.5] * 4 + [2.0] * 2}), (0, 1, 2, 3))
    assert not factor(scene_of(analytes=six, u={1: [-0.5] * 3 + [2.0] * 2 + [0.0]}), (0, 1, 2))
    one = scene_of(analytes=six, u={1: [-0.5] * 4 + [0.0] * 2})
    assert factor(one, (0, 1, 2, 3), [1, 1, 1, 0, 1, 1])
    assert not factor(one, (0, 1, 2, 3), [1, 1, 0, 0, 1, 1])


def test_analytes_that_scatter_about_the_factor_do_not_share_it() -> None:
    """Mean square about -0.5 in variances of 0.1: 1.7^2 = 2.89, and 1.8^2 = 3.24."""
    assert factor(scene_of(u={1: [-0.67, -0.33, -0.67, -0.33]}), (0, 1, 2, 3))
    assert not factor(scene_of(u={1: [-0.68, -0.32, -0.68, -0.32]}), (0, 1, 2, 3))


def test_two_containers_that_read_as_each_other_should() -> None:
    """C1 belongs to a kind at +0.6 and reads as C2's at 0, and the other way: two of four that depart, all pairs."""
    sc = scene_of(boxes=6, kinds={1: 0.6}, u={1: [-0.6] * 4, 2: [0.6] * 4}, share_u=0.5)
    found = named(containers(sc), "exchanged containers")
    assert (found.rows, found.columns, found.place) == ((3, 4, 5, 6, 7, 8), (0, 1, 2, 3), "containers")
    assert found.gain == pytest.approx(0.5 * 8 * float(paid(6)))
    assert found.price == pytest.approx(2 * log(2) - log(2))
    np.testing.assert_allclose(found.readings[:3], np.full((3, 4), log(100) + 0.6))
    np.testing.assert_allclose(found.readings[3:], np.full((3, 4), log(100)))
    same = scene_of(boxes=6, u={1: [-0.6] * 4, 2: [0.6] * 4})
    assert "exchanged containers" not in {c.cause for c in containers(same)}
    near = scene_of(boxes=6, kinds={1: 0.09}, u={1: [-0.6] * 4, 2: [0.6] * 4})
    assert "exchanged containers" not in {c.cause for c in containers(near)}


def test_an_analyte_without_a_level_says_nothing_of_an_exchange() -> None:
    sc = scene_of(boxes=6, kinds={1: 0.6}, u={1: [-0.6] * 4, 2: [0.6] * 4})
    level = sc.m.level.copy()
    level[2, 0] = np.nan
    gap = _exchange(replace(sc, m=replace(sc.m, level=level)), 1, 2, 0.0)
    assert gap.gain == pytest.approx(7 * float(paid(6)))  # C1 as C2: three analytes; C2 as C1: four


def test_the_worst_containers_are_looked_at_and_no_calm_one() -> None:
    """Misfit of C1: 3.5 ln(1 + 36 / 6) = 6.8; of C2: 3.5 ln(1 + 12.25 / 6) = 3.9, which is under 4."""
    sc = scene_of({(1, 0): {"P": 0.6}, (2, 0): {"P": 0.35}, (3, 0): {"P": 1.0}})
    assert worst_boxes(sc) == [3, 1]
    assert worst_boxes(sc, top=1) == [3]
    assert worst_boxes(replace(sc, m=replace(sc.m, share=0.5))) == [3]
    assert worst_boxes(not_a_zone(sc, 9)) == [1]


@pytest.mark.parametrize(("share", "looked"), [(1.0, [1]), (0.26, [1]), (0.25, [])])
def test_containers_that_save_three_nats_are_looked_at(share: float, looked: list[int]) -> None:
    """Three analytes 3.4 to 3.6 standard deviations off cost 11.7, a quarter of that is 2.9."""
    found = list(containers(scene_of(boxes=6, u={1: [0.35, 0.36, 0.34, 0.0]}, share_u=share)))
    assert sorted({c.rows[0] // 3 for c in found}) == looked


def test_an_absolute_analyte_shares_a_factor_as_a_share_of_its_level() -> None:
    """Four elements by e^-0.4, KV40 of 100 by -40 with a scatter of 10: -0.4 of it, so all five share the factor."""
    sc = scene_of(boxes=6, analytes=FIVE, absolute=("KV40",), u={1: [-0.4, -0.4, -0.4, -0.4, -40.0]})
    level = sc.m.level.copy()
    level[:, 4] = 100.0
    sc = replace(sc, m=replace(sc.m, level=level, su=np.array([0.1, 0.1, 0.1, 0.1, 10.0])))
    found = max((c for c in containers(sc) if c.cause == "diluted or evaporated"), key=lambda c: c.net)
    assert found.columns == (0, 1, 2, 3, 4)
    assert found.detail == ""
    assert found.price == pytest.approx(log(2) + 3.5)  # no choice among analytes
    assert found.gain == pytest.approx(5 * float(paid(4)))
