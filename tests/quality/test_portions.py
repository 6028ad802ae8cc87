"""A bottle off by one factor, on scenes whose scatter is known: gains and prices worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from math import comb, log

import numpy as np
import pytest
from scipy import optimize

from studykit.quality.explain import Candidate, Scene
from studykit.quality.frame import Index
from studykit.quality.portions import _dissolved, _low, _middle, _thinned, at_the_floor, portions
from tests.quality.hand import least, paid, scene_of

FIVE = ("P", "Zn", "S", "Ca", "KV40")
ICP = ("icp", "icp", "icp", "icp", "viscosity")


def of(sc: Scene, cause: str = "portion or dilution") -> list[Candidate]:
    return [c for c in portions(sc) if c.cause == cause]


def composite(sc: Scene, row: int) -> Scene:
    """The scene in which one row is no zone: its own expectation, and no container's level to fit."""
    zone = sc.f.zone.copy()
    zone[row] = False
    return replace(sc, f=replace(sc.f, zone=zone))


def test_all_analytes_of_a_bottle_by_one_factor() -> None:
    """0.7 times: ln 0.7 / 0.05 = 7.1 standard deviations in each of four, beside two zones that fit; twelve bottles."""
    x = log(0.7)
    (found,) = of(scene_of({(0, 1): dict.fromkeys(("P", "Zn", "S", "Ca"), x)}, s=0.05, share=0.8))  # once, not by each road
    assert (found.rows, found.columns, found.place, found.detail) == ((1,), (0, 1, 2, 3), "bottle", "")
    assert found.amount == pytest.approx(0.7, rel=1e-6)
    assert found.gain == pytest.approx(4 * 0.8 * least([x / 0.05, 0.0, 0.0]), rel=1e-4)
    assert found.price == pytest.approx(log(12) + 3.5 + 1)
    np.testing.assert_allclose(found.readings, np.full((1, 4), log(100)), rtol=1e-6)


@pytest.mark.parametrize(("x", "slip"), [(log(10), log(10)), (log(10) + 0.39, log(10)), (log(10) + 0.41, None),
                                         (-log(1000) - 0.39, -log(1000)), (log(0.7), None)])
def test_a_power_of_ten_is_a_slip_of_a_unit_too(x: float, slip: float | None) -> None:
    """Of ten powers that are looked for one: ln 10 + 1; within 0.4 of it (log)."""
    found = of(scene_of({(1, 1): dict.fromkeys(("P", "Zn", "S", "Ca"), x)}, s=0.1), "unit slip")
    assert bool(found) == (slip is not None)
    if slip is None:
        return
    assert [c.amount for c in found] == pytest.approx([np.exp(slip)] * len(found))
    assert found[0].price == pytest.approx(log(12) + log(10) + 1)
    np.testing.assert_allclose(found[0].readings, np.full((1, 4), log(100) + x - slip))


@pytest.mark.parametrize(("x", "either"), [(log(10) + 0.04, False), (log(10) - 0.04, False), (log(10) + 0.07, True)])
def test_what_lies_within_a_bottles_scatter_of_a_power_of_ten_is_that_power(x: float, either: bool) -> None:
    sc = scene_of({(1, 1): dict.fromkeys(("P", "Zn", "S", "Ca"), x)}, s=0.02)
    assert of(sc, "unit slip")
    assert bool(of(sc)) == either


def test_a_composite_is_held_against_its_own_expectation() -> None:
    """No level is fitted: four times what 8 standard deviations cost; nothing is said of what settles."""
    off = {(1, 1): dict.fromkeys(("P", "Zn", "S", "Ca"), -0.4)}
    (found, *_) = of(composite(scene_of(off, s=0.05, profile={"P": (-0.5, 0, 0.5)}), 4))
    assert found.gain == pytest.approx(float(4 * paid(8.0)), rel=1e-6)
    assert (found.rows, found.detail) == ((4,), "")
    control = scene_of(off, s=0.05)
    at = control.f.at.copy()
    at[4] = -1  # in no container, and nothing is expected of it
    assert not list(portions(composite(replace(control, f=replace(control.f, at=at)), 4)))


@pytest.mark.parametrize(("tests", "choice"), [(ICP, log(3)), ((), log(5)), (("icp",) * 5, log(5))])
def test_the_analytes_of_one_test_cost_less_to_choose_than_any_four_of_five(tests: tuple[str, ...], choice: float) -> None:
    """Two tests: ln (1 + 2); else ln C(5, 4); the viscosity stays as it was read."""
    found = of(scene_of({(2, 0): dict.fromkeys(FIVE[:4], -0.4)}, analytes=FIVE, tests=tests, s=0.05))
    best = max(found, key=lambda c: c.net)
    assert (best.rows, best.columns) == ((6,), (0, 1, 2, 3))
    assert best.price == pytest.approx(log(12) + choice + 4.5)


@pytest.mark.parametrize(("many", "analytes", "priced"), [
    (3, 5, log(comb(5, 3))), (4, 6, log(comb(6, 4))), (5, 9, np.inf), (3, 3, 0.0), (2, 3, None), (2, 4, None)])
def test_three_analytes_and_three_in_five_of_a_bottle_are_asked_for(many: int, analytes: int, priced: float | None) -> None:
    names = tuple("ABCDEFGHI")[:analytes]
    found = of(scene_of({(2, 0): dict.fromkeys(names[:many], -0.4)}, analytes=names, s=0.05))
    own = [c for c in found if c.columns == tuple(range(many))]
    if priced is None:
        assert not own
    else:
        assert own[0].price == pytest.approx(log(12) + priced + 4.5)


def test_analytes_off_by_amounts_of_their_own_are_no_portion() -> None:
    """-8, +8, -4 and +4 standard deviations: no three of them share a factor."""
    assert not of(scene_of({(1, 1): {"P": -0.4, "Zn": 0.4, "S": -0.2, "Ca": 0.2}}, s=0.05))


def test_little_is_no_portion() -> None:
    """Four analytes off by 1.40 standard deviations save 4 * 3.5 ln(1 + 1.96 / 6) = 3.96 nats, by 1.45 of them 4.21."""
    assert not list(portions(scene_of({(1, 1): dict.fromkeys(("P", "Zn", "S", "Ca"), 0.140)}, s=0.1)))
    assert list(portions(scene_of({(1, 1): dict.fromkeys(("P", "Zn", "S", "Ca"), 0.145)}, s=0.1)))


@pytest.mark.parametrize(("factor", "viscosity", "alike"), [
    (-0.4, -17.0, False), (-0.4, -70.0, False), (-0.4, -24.0, True), (-0.3, -12.0, False), (-0.3, 0.0, False)])
def test_which_analytes_share_a_factor(factor: float, viscosity: float, alike: bool) -> None:
    """Within 3.5 standard deviations (17.5 of 100) of it, and nearer to it than to nothing at all."""
    off = {"P": factor, "Zn": factor, "S": factor, "KV40": viscosity}
    sc = scene_of({(1, 1): off}, analytes=("P", "Zn", "S", "KV40"), absolute=("KV40",), s=0.05)
    sc = replace(sc, m=replace(sc.m, s=sc.m.s * np.array([1, 1, 1, 100.0])))
    assert any(c.columns == (0, 1, 2) for c in of(sc)) != alike


def test_all_that_one_test_reads_is_looked_at_though_not_all_of_it_is_alike() -> None:
    """Ca is off by less than half of the others of its test: four of six columns, for the price of one of three tests."""
    names = (*FIVE, "Water")
    off = {"P": -0.4, "Zn": -0.4, "S": -0.4, "Ca": -0.15}
    found = of(scene_of({(1, 1): off}, analytes=names, tests=(*ICP, "water"), s=0.05))
    (whole,) = (c for c in found if c.columns == (0, 1, 2, 3))
    assert whole.price == pytest.approx(log(12) + log(4) + 4.5)


def test_an_analyte_without_a_reading_is_no_other_choice() -> None:
    sc = scene_of({(1, 1): dict.fromkeys(("P", "Zn", "S"), -0.4)}, s=0.05)
    y, e = sc.y.copy(), sc.m.e.copy()
    y[4, 3] = e[4, 3] = np.nan
    (found,) = of(replace(sc, y=y, m=replace(sc.m, e=e)))
    assert found.columns == (0, 1, 2, 3)
    assert found.price == pytest.approx(log(12) + 4.5)


def test_an_absolute_analyte_is_compared_as_a_share_of_what_is_expected() -> None:
    """KV40 of 100 read as 60 is off by 0.4 of it, as the others are by 0.4 (log): one factor for all."""
    sc = scene_of({(1, 1): {"P": -0.4, "Zn": -0.4, "S": -0.4, "KV40": -40.0}}, analytes=("P", "Zn", "S", "KV40"), s=0.05,
                  absolute=("KV40",))
    m = replace(sc.m, s=sc.m.s * np.array([1, 1, 1, 100.0]))
    (found, *_) = of(replace(sc, m=m))
    assert found.columns == (0, 1, 2, 3)
    assert found.amount == pytest.approx(np.exp(-0.4), rel=1e-6)
    np.testing.assert_allclose(found.readings, [[*[log(100)] * 3, 60 * np.exp(0.4)]], rtol=1e-6)


def test_the_shared_factor_is_students_most_likely_one() -> None:
    """Reference: the minimum of sum ln(1 + ((z - m) / s)^2 / 6) by scipy; a column that is off alone moves it little."""
    z, s = np.array([[-0.4, -0.42, -0.39, 3.0, 9.0]]), np.array([[0.05, 0.02, 0.05, 0.05, 0.05]])
    live = np.array([[True, True, True, True, False]])
    cost = lambda m: float(paid((z - m) / s)[live].sum())  # noqa: E731
    want = optimize.minimize_scalar(cost, bracket=(-0.45, -0.38)).x
    assert _middle(z, s, live)[0] == pytest.approx(want, abs=1e-4)
    assert _middle(z, s, np.zeros((1, 5), dtype=bool))[0] == 0.0


@pytest.mark.parametrize(("profile", "told"), [
    ({"Ca": (-0.3, 0.0, 0.3)}, "P, Zn and S"), ({"Ca": (-0.3, 0.0, 0.3), "P": (-0.1, 0.0, 0.11)}, "Zn and S"),
    ({"Ca": (-0.02, 0.0, 0.029)}, ""), ({"Ca": (-0.02, 0.0, 0.031)}, "P, Zn and S"),
    (dict.fromkeys(("P", "Zn", "S", "Ca"), (-0.3, 0.0, 0.3)), ""), ({"KV40": (0.0, 0.0, 0.0)}, "")])
def test_what_does_not_settle_beside_what_does_speaks_against_settling(profile: dict[str, tuple[float, ...]],
                                                                       told: str) -> None:
    """From a difference of 0.05 (log) between depths; an analyte settles from a third of the strongest one on."""
    sc = scene_of(analytes=FIVE, absolute=("KV40",), profile=profile)
    assert _dissolved(sc, np.arange(4)) == told


def test_eight_that_do_not_settle_are_named() -> None:
    names = tuple("ABCDEFGHIJ")
    told = _dissolved(scene_of(analytes=names, profile={"J": (-0.3, 0.0, 0.3)}), np.arange(9))
    assert told == "A, B, C, D, E, F, G, H and 1 more"


def test_an_absolute_analyte_says_nothing_of_settling() -> None:
    assert _dissolved(scene_of(analytes=FIVE, absolute=("KV40",), profile={"KV40": (-9.0, 0.0, 9.0)}), np.arange(4)) == ""


# -- thinned floors ----------------------------------------------------------------------------------------------------


def floors(*shares: float, boxes: int = 6, analytes: tuple[str, ...] = FIVE, s: float = 0.05) -> Scene:
    """Containers whose lowest zone reads all analytes, KV40 of 100 among them, by these factors."""
    off = {(b, 2): {a: 100 * (x - 1) if a == "KV40" else log(x) for a in analytes} for b, x in enumerate(shares)}
    sc = scene_of(off, boxes=boxes, analytes=analytes, absolute=("KV40",), s=s, share=0.8)
    per = np.where(sc.f.relative, 1.0, 100.0)
    return replace(sc, m=replace(sc.m, s=sc.m.s * per, su=sc.m.su * per))


def test_the_lowest_zones_of_three_containers_each_thinned_by_a_factor_of_its_own() -> None:
    """0.6, 0.7, 0.5: of six containers C(6, 3) = 20 choices, and of each a free number and a nat."""
    (found,) = at_the_floor(floors(0.6, 0.7, 0.5, analytes=FIVE[:4]))
    assert (found.cause, found.rows, found.columns, found.place) == (
        "free water or heel at the floor", (2, 5, 8), (0, 1, 2, 3), "several")
    assert found.detail == "0.5, 0.6, 0.7"
    np.testing.assert_allclose(found.readings, np.full((3, 4), log(100)), rtol=1e-9)
    assert found.gain == pytest.approx(4 * 0.8 * sum(least([log(x) / 0.05, 0.0, 0.0]) for x in (0.6, 0.7, 0.5)), rel=1e-4)
    assert found.price == pytest.approx(3 * (3.5 + 1) + log(20))
    assert not list(at_the_floor(floors(0.6, 0.7)))
    mixed = floors(0.7, 0.7, 0.7)
    y = mixed.y.copy()
    y[2::3][:3] = [*[log(70)] * 4, 70.0]
    (all_five,) = at_the_floor(replace(mixed, y=y, m=replace(mixed.m, e=y - mixed.m.typical)))
    np.testing.assert_allclose(all_five.readings, np.tile([*[log(100)] * 4, 100.0], (3, 1)), rtol=0.02)


def lowest(sc: Scene) -> tuple[Index, float, float] | None:
    """What is found of the first container."""
    return next((_low(sc, rows, delta) for rows, delta in _thinned(sc) if rows.tolist() == [0, 1, 2]), None)


def test_a_lowest_zone_is_clear_from_four_nats_beyond_its_price() -> None:
    """Four analytes, each saving what ln x does beside two zones that fit: 3.5 + 1 + 4 nats in all."""
    z = optimize.brentq(lambda z: 4 * 0.8 * least([z, 0.0, 0.0]) - 8.5, 0.5, 8)
    for by, clear in ((1.01, True), (0.99, False)):
        assert (lowest(floors(np.exp(-0.05 * z * by), analytes=FIVE[:4])) is not None) == clear
    assert lowest(floors(np.exp(0.5), analytes=FIVE[:4])) is None  # it reads high
    assert lowest(floors(0.5, analytes=FIVE[:2])) is None  # three analytes at least
    assert lowest(floors(0.5, analytes=FIVE[:3])) is not None


@pytest.mark.parametrize(("many", "clear"), [(3, True), (4, True), (5, True), (6, False)])
def test_six_tenths_of_the_analytes_exactly_must_tell_it(many: int, clear: bool) -> None:
    """Three are 8 standard deviations low, the others by the same factor, which their own scatter hides: three of five."""
    sc = floors(0.67, analytes=tuple("ABCDEF")[:many])
    s = sc.m.s.copy()
    s[:, 3:] = 4.0
    assert (lowest(replace(sc, m=replace(sc.m, s=s))) is not None) == clear


def test_a_lowest_zone_is_held_against_the_zones_above_and_by_one_factor() -> None:
    """The zones above read 0.1 high and the lowest 0.3 low: 0.4 apart. One of six analytes 4.3 standard deviations off the
    others' factor is forgiven (the mean of the squares is below three), one 5.5 off is not; their median is near 0 in both."""
    six = tuple("ABCDEF")
    off = {(0, z): dict.fromkeys(six, -0.3 if z == 2 else 0.1) for z in range(3)}
    found = lowest(scene_of(off, analytes=six, s=0.05))
    assert found is not None
    assert found[1] == pytest.approx(-0.4)
    for far, clear in ((4.3, True), (5.5, False)):
        off[0, 2]["F"] = -0.3 - far * 0.05
        assert (lowest(scene_of(off, analytes=six, s=0.05)) is not None) == clear


def test_which_bottles_are_the_lowest() -> None:
    """All of the least height known; none where all lie there, or no height is known."""
    sc = floors(0.6, analytes=FIVE[:4])
    for heights, low in (((0.8, 0.5, 0.2), [2]), ((0.8, 0.2, 0.2), None), ((0.2, 0.2, 0.2), None), ((np.nan,) * 3, None)):
        sc.f.rows.loc[[0, 1, 2], "height"] = heights
        found = lowest(sc)
        assert (None if found is None else found[0].tolist()) == low
    both = scene_of({(0, z): dict.fromkeys(FIVE[:4], log(0.6)) for z in (1, 2)}, analytes=FIVE[:4], s=0.05)
    both.f.rows.loc[[0, 1, 2], "height"] = (0.8, 0.2, 0.2)
    found = lowest(both)
    assert found is not None
    assert (found[0].tolist(), found[1]) == ([1, 2], pytest.approx(log(0.6)))


def test_an_absolute_analyte_that_reads_nothing_takes_no_part_and_divides_by_nothing() -> None:
    """All bottles of a check fluid read no water: a factor of nothing is no factor (numpy would warn, into the report)."""
    sc = floors(0.5, 0.5, 0.5, boxes=6)
    sc = replace(sc, f=replace(sc.f, relative=np.array([*sc.f.relative[:-1], False])))
    typical = np.array(np.broadcast_to(sc.m.typical, sc.m.e.shape), dtype=float)
    typical[:, -1] = 0.0
    sc = replace(sc, m=replace(sc.m, typical=typical))
    with np.errstate(all="raise"):
        assert len(list(_thinned(sc))) == 3
        list(portions(sc))
