"""Explanations that are one and the same thing, joined by hand: what settles apart, what lies at the floor, what is a rival."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.quality.explain import Candidate, Scene
from studykit.quality.suspects import _each_settled
from studykit.quality.together import FLOOR, _in_layers, _joined, could_settle, lowest, settled_apart, told_once
from tests.quality.hand import scene_of


def cand(cause: str, rows: tuple[int, ...], columns: tuple[int, ...] = (0,), gain: float = 20.0, amount: float = np.nan,
         place: str = "bottle", bears: tuple[int, ...] = (), rivals: tuple[tuple[str, str, float], ...] = ()) -> Candidate:
    return Candidate(cause=cause, rows=rows, columns=columns, readings=np.zeros((len(rows), len(columns))), gain=gain,
                     price=4.0, place=place, amount=amount, bears=bears, rivals=rivals)


def layered(far: tuple[float, ...], analytes: tuple[str, ...] = ("Si", "P"), s: float = 0.02,
            absolute: tuple[str, ...] = ()) -> Scene:
    """Containers of which the lowest zone reads ``far`` more than the highest in the first analyte; P reads alike."""
    off = {(box, 2): {analytes[0]: x} for box, x in enumerate(far)}
    return scene_of(off, boxes=len(far), analytes=analytes, s=s, absolute=absolute)


@pytest.mark.parametrize(("far", "s", "apart"), [
    ((0.3, 0.3, 0.9, 0.0), 0.02, True),  # three by 0.16 (eight times 0.02) and more
    ((0.3, 0.9, 0.15, 0.0), 0.02, False), ((0.3, 0.9, 0.17, 0.0), 0.02, True),
    ((-0.3, -0.3, -0.9, 0.0), 0.02, True), ((0.3, -0.3, 0.9, -0.9), 0.02, False),  # three of one sign
    ((0.3, 0.3, 0.9, 0.0), 0.04, False), ((0.11, 0.12, 0.3, 0.0), 0.001, True), ((0.09, 0.09, 0.3, 0.0), 0.001, False),
    ((0.3, 0.3, 0.3, 0.3), 0.02, False),  # all alike: the stock's own profile
    ((0.30, 0.31, 0.35, 0.39), 0.02, False), ((0.30, 0.31, 0.35, 0.42), 0.02, True)])  # a third of the middle one, 0.11
def test_containers_that_have_settled_each_by_its_own(far: tuple[float, ...], s: float, apart: bool) -> None:
    sc = layered(far, s=s)
    assert settled_apart(sc, 0) == apart
    assert not settled_apart(sc, 1)


@pytest.mark.parametrize(("low", "up"), [(1.9, 1.1), (3.1, 2.3), (8.8, 8.0), (1.8, 1.0)])
def test_readings_of_one_decimal_that_differ_by_just_eight_repeatabilities_count_as_a_profile(low: float, up: float) -> None:
    """1.9 - 1.1 is a little less than 0.8 in binary, 3.1 - 2.3 a little more."""
    sc = layered((low - up,) * 3 + (0.0,), ("KV40", "P"), s=0.1, absolute=("KV40",))
    assert settled_apart(sc, 0)
    assert not settled_apart(layered((low - up - 0.01,) * 3 + (0.0,), ("KV40", "P"), s=0.1, absolute=("KV40",)), 0)


def test_of_an_absolute_analyte_eight_repeatabilities_count_and_where_none_is_stated_nothing() -> None:
    sc = layered((30.0, 30.0, 90.0, 0.0), ("KV40", "P"), s=3.0, absolute=("KV40",))
    assert settled_apart(sc, 0)
    assert not settled_apart(layered((23.0, 23.0, 90.0, 0.0), ("KV40", "P"), s=3.0, absolute=("KV40",)), 0)
    assert not settled_apart(replace(sc, f=replace(sc.f, stated=np.full(2, np.nan))), 0)


@pytest.mark.parametrize(("far", "apart"), [
    ((24.0, 24.0, 90.0, 0.0), True), ((-24.0, -24.0, -90.0, 0.0), True), ((23.9, 24.0, 90.0, 0.0), False),
    ((27.0, 27.0, 36.0), False), ((27.0, 27.0, 36.1), True),  # alike: a third of the middle one, 9, and no more
    ((24.0, 24.0, 24.0, 35.0), True), ((-24.0, -24.0, -24.0, -35.0), True)])  # the middle one is 24, not 35
def test_eight_repeatabilities_exactly_are_a_profile_and_a_third_exactly_is_alike(far: tuple[float, ...], apart: bool) -> None:
    """Whole readings differ by just 24, eight times 3: at least so much is asked; within a third counts as alike."""
    assert settled_apart(layered(far, ("KV40", "P"), s=3.0, absolute=("KV40",)), 0) == apart


def test_zones_without_a_number_or_a_height_are_left_out() -> None:
    sc = layered((0.3, 0.3, 0.9, 0.0))
    y = sc.f.y.copy()
    y[[2, 5], 0] = np.nan  # of two containers the lowest zone is lost: upper and middle read alike
    assert not settled_apart(replace(sc, f=replace(sc.f, y=y)), 0)
    sc.f.rows.loc[[2, 5], "height"] = np.nan
    assert not settled_apart(sc, 0)
    alike = layered((0.30, 0.31, 0.35, 0.9))
    y = alike.f.y.copy()
    y[[10, 11], 0] = np.nan  # a single reading is no profile, not even a flat one: the three others are alike
    assert not settled_apart(replace(alike, f=replace(alike.f, y=y)), 0)


@pytest.mark.parametrize(("far", "yes"), [(0.061, True), (0.059, False), (-0.061, True)])
def test_layers_of_one_container_are_three_times_its_scatter(far: float, yes: bool) -> None:
    sc = layered((far, 0.0, 0.0))
    assert _in_layers(sc, (0, 1, 2), 0) == yes
    assert not _in_layers(sc, (2,), 0)
    assert not _in_layers(replace(sc, f=replace(sc.f, stated=np.full(2, 0.03))), (0, 1, 2), 0)
    loose = replace(sc, f=replace(sc.f, stated=np.full(2, np.nan)))
    assert _in_layers(loose, (0, 1, 2), 0) == yes


def test_what_settling_by_own_rates_could_bring_about() -> None:
    """Si has settled apart, P has not."""
    sc = layered((0.3, 0.3, 0.9, 0.0))
    told = {
        "flat": could_settle(sc, cand("disturbed container", (9, 10, 11), (0, 1))),
        "flat in P": could_settle(sc, cand("disturbed container", (9, 10, 11), (1,))),
        "drift": could_settle(sc, cand("drift", (0, 3, 6), (0,), place="run R1")),
        "drift of both": could_settle(sc, cand("drift", (0, 3, 6), (0, 1), place="run R1")),
        "drift that rests on Si": could_settle(sc, cand("drift", (0, 3, 6), (0, 1), place="run R1", bears=(0,))),
        "run shift": could_settle(sc, cand("run shift", (0, 3, 6), (0,))),
        "swap, first half of what bears": could_settle(sc, cand("swapped samples", (0, 2), (0, 1), bears=(0, 1))),
        "swap the other way": could_settle(sc, cand("swapped samples", (0, 2), (0, 1), bears=(1, 0))),
        "swap of P": could_settle(sc, cand("swapped samples", (0, 2), (1,))),
        "portion": could_settle(sc, cand("portion or dilution", (2,), (0,))),
        "portion of both": could_settle(sc, cand("portion or dilution", (2,), (0, 1))),
        "carry-over of a bottle": could_settle(sc, cand("carry-over", (2,), (0, 1), bears=(0,))),
        "carry-over": could_settle(sc, cand("carry-over", (0, 3, 6), (0,), place="run R1"))}
    assert {k for k, v in told.items() if v} == {"flat", "drift", "drift that rests on Si", "swap, first half of what bears",
                                                 "portion", "carry-over of a bottle"}


def test_of_four_analytes_of_a_swap_the_first_two_have_to_have_settled_apart() -> None:
    sc = layered((0.3, 0.3, 0.9, 0.0), ("Si", "P", "Zn", "Ca"))
    assert not could_settle(sc, cand("swapped samples", (0, 2), (0, 1, 2, 3), bears=(0, 1, 2, 3)))
    assert could_settle(sc, cand("swapped samples", (0, 2), (0, 1, 2), bears=(0, 1, 2)))  # of three the first alone


def test_what_could_be_a_whole_container_that_settled() -> None:
    sc = scene_of({(1, 2): {"Si": 0.9, "Mo": 0.9}}, analytes=("Si", "Mo", "P", "Zn"), s=0.02)
    wrong = cand("wrong product", (3, 4, 5), (0, 1))
    assert could_settle(sc, wrong)  # those alone that lie in layers there
    assert could_settle(sc, cand("wrong product", (3, 4, 5), (2, 3), amount=0.5))  # half of the analytes by one factor
    assert not could_settle(sc, cand("wrong product", (3, 4, 5), (1, 2, 3), amount=0.5))
    assert not could_settle(sc, cand("wrong product", (3, 4, 5), (0, 2)))
    every = scene_of({(1, 2): {"Si": 0.9, "Mo": 0.9}}, analytes=("Si", "Mo"), s=0.02)
    assert not could_settle(every, wrong)  # all its analytes


def test_a_single_value_that_its_container_rises_to_could_have_settled() -> None:
    """C0 rises to its lowest zone, which the value is: a line leaves nothing. A middle zone alone above both is no line."""
    sc = layered((0.3, 0.3, 0.9, 0.0))
    assert could_settle(sc, cand("value alone", (2,), (0,)))
    middle = scene_of({(0, 2): {"Si": 0.3}, (1, 2): {"Si": 0.3}, (2, 2): {"Si": 0.9}, (3, 1): {"Si": 0.9}},
                      analytes=("Si", "P"), s=0.02)
    assert not could_settle(middle, cand("value alone", (10,), (0,)))
    # the best line through 0, 0.9, 0 leaves 22.5 sd at two zones: 2 * 3.5 ln(1 + 22.5^2 / 6) = 31.1 nats
    assert could_settle(middle, cand("value alone", (10,), (0,), gain=63.0))
    assert not could_settle(middle, cand("value alone", (10,), (0,), gain=62.0))
    zone = middle.f.zone.copy()
    zone[10] = False  # a composite has no zones above and below
    assert could_settle(replace(middle, f=replace(middle.f, zone=zone)), cand("value alone", (10,), (0,)))


def test_three_explanations_of_what_settles_are_one() -> None:
    sc = layered((0.3, 0.3, 0.9, 0.0))
    found = [cand("portion or dilution", (4,), (0, 1)), cand("drift", (0, 3, 6), (0,), place="run R1", gain=30.0),
             cand("swapped samples", (0, 2), (0, 1), bears=(0,), rivals=(("own settling", "C0", 1.0), ("mixed", "C0", 2.0))),
             cand("value alone", (8,), (0,))]
    told = told_once(sc, found)
    assert [c.cause for c in told] == ["portion or dilution", "own settling"]
    one = told[1]
    assert (one.rows, one.columns, one.place) == ((0, 2, 8), (0,), "several")  # bottles of the run's drift are all of it
    assert (one.gain, one.price) == (70.0, 12.0)
    assert one.detail == "containers have settled by rates of their own"
    assert [r[0] for r in one.rivals] == ["drift", "swapped samples", "value alone", "mixed"]
    np.testing.assert_array_equal(one.readings, sc.y[[0, 2, 8]][:, [0]])
    assert told_once(sc, found[:3]) == tuple(found[:3])  # two are two


def test_joined_where_the_first_stood_and_of_runs_alone_by_their_rows() -> None:
    sc = layered((0.3, 0.3, 0.9, 0.0))
    a, b, c = (cand("drift", (k, k + 3), (0,), place=f"run R{k}") for k in (0, 1, 2))
    out = _joined(sc, [a, cand("unit slip", (11,)), b, c], [b, c], "own settling", (0,), "so")
    assert [x.cause for x in out] == ["drift", "unit slip", "own settling"]
    assert out[2].rows == (1, 2, 4, 5)


def portion(row: int, amount: float = 0.6, columns: tuple[int, ...] = (0, 1)) -> Candidate:
    return cand("portion or dilution", (row,), columns, amount=amount)


@pytest.mark.parametrize(("rows", "amount", "floor"), [
    ((2, 5, 8), 0.6, True), ((2, 5), 0.6, False), ((2, 5, 8, 9), 0.6, False),  # one of them an upper zone
    ((2, 5, 8), 1.4, False), ((2, 5, 2), 0.6, False)])  # three of two containers
def test_lowest_zones_that_are_thinned_in_three_containers(rows: tuple[int, ...], amount: float, floor: bool) -> None:
    sc = scene_of(analytes=("Si", "P"))
    found = [portion(r, amount) for r in rows]
    told = told_once(sc, found)
    assert (told[0].cause == FLOOR) == floor
    assert len(told) == (1 if floor else len(rows))


def test_the_floor_in_words_and_what_is_no_part_of_it() -> None:
    sc = scene_of(analytes=("Si", "P"))
    found = [portion(2, 0.6), cand("unit slip", (4,)), portion(5, 0.3, (0,)), portion(8, 0.45), portion(9, 1.5)]
    told = told_once(sc, found)
    assert [c.cause for c in told] == [FLOOR, "unit slip", "portion or dilution"]
    assert (told[0].detail, told[0].rows, told[0].columns) == ("0.3, 0.45, 0.6", (2, 5, 8), (0, 1))
    assert told[0].gain == 60.0
    zone = sc.f.zone.copy()
    zone[9] = False
    composite = replace(sc, f=replace(sc.f, zone=zone))
    assert told_once(composite, [portion(2), portion(5), portion(8), portion(9)])[0].cause == FLOOR  # a composite is no zone
    one = told_once(sc, [portion(2), portion(5), portion(8), portion(11, 1.0)])  # nothing is thinned by a factor of 1
    assert (one[0].rows, [c.cause for c in one]) == ((2, 5, 8), [FLOOR, "portion or dilution"])


def test_the_lowest_zone_is_that_of_its_own_container() -> None:
    sc = scene_of(rows={"height": [0.8, 0.5, 0.2, 0.8, 0.5, 0.3] * 2})
    assert [lowest(sc, k) for k in range(6)] == [False, False, True, False, False, True]


@pytest.mark.parametrize(("shift", "column", "one"), [(-0.045, 0, True), (-0.09, 0, False), (0.045, 0, False),
                                                      (-0.045, 1, False)])
def test_a_drift_and_the_shift_that_it_leaves_are_one_cause(shift: float, column: int, one: bool) -> None:
    """A run that starts right and loses 9 % is off by 4.5 % in its middle, about which a drift is undone."""
    sc = layered((0.0, 0.0, 0.0))
    drift = cand("drift", tuple(range(6)), (0,), amount=-0.09, place="run R3")
    found = told_once(sc, [drift, cand("run shift", tuple(range(6)), (column,), gain=10.0, amount=shift, place="run R3")])
    assert [c.cause for c in found] == (["drift"] if one else ["drift", "run shift"])
    assert ("run shift" in [cause for cause, _, _ in found[0].rivals]) == one


def test_the_drifts_of_one_run_are_one_cause_that_tells_each() -> None:
    sc = layered((0.0, 0.0, 0.0), analytes=("Si", "P"))
    own = [cand("drift", tuple(range(6)), (a,), amount=x, place="run R3") for a, x in ((1, -0.1), (0, 0.2))]
    (drift,) = told_once(sc, [*own, cand("run shift", tuple(range(6)), (0, 1), gain=10.0, amount=-0.04, place="run R3")][:2])
    assert (drift.columns, drift.gain) == ((0, 1), 40.0)
    assert drift.detail == "Si by 22 % and P by -9.5 %"
    other = cand("drift", (6, 7, 8), (1,), amount=-0.1, place="run R4")
    assert len(told_once(sc, [own[0], other])) == 2


def test_a_swap_across_is_not_told_where_each_of_the_two_containers_has_settled() -> None:
    sc = layered((0.3, 0.3, 0.9, 0.0))
    swap = cand("swapped samples", (2, 5), (0,), gain=34.0, place="across")  # 30 beyond its price
    own = [cand("own settling", (3 * b, 3 * b + 1, 3 * b + 2), (0,), gain=20.5, place="container") for b in (0, 1)]
    assert _each_settled(sc, swap, own)  # 16.5 each
    assert not _each_settled(sc, swap, own[:1])
    assert not _each_settled(sc, replace(swap, gain=38.0), own)
    assert not _each_settled(sc, replace(swap, place="within"), own)


def test_what_a_named_cause_brings_along_is_not_told_beside_it() -> None:
    """A level of an unpurged container within the stock's profile; carry-over of a bottle in its run; a heel and a portion."""
    sc = layered((0.3, 0.3, 0.9, 0.0))
    profile, u = np.zeros_like(sc.m.profile), np.zeros_like(sc.m.u)
    profile[:, 0], u[1, 0] = np.linspace(-0.2, 0.2, len(profile)), 0.3
    sc = replace(sc, m=replace(sc.m, profile=profile, u=u))
    purge = cand("missing purge", (3, 4, 5), (0, 1), place="container")
    level = cand("diluted or evaporated", (3, 4, 5), (0,), place="container", amount=1.35)
    assert [c.cause for c in told_once(sc, [purge, level])] == ["missing purge"]
    assert len(told_once(sc, [level])) == 1
    off = replace(sc, m=replace(sc.m, u=2 * u))  # by more than the zones of the stock differ
    assert len(told_once(off, [purge, level])) == 2
    run, one = cand("carry-over", tuple(range(6)), (0, 1), place="run R1"), cand("carry-over", (4,), (0, 1))
    assert [c.place for c in told_once(sc, [one, run])] == ["run R1"]
    assert len(told_once(sc, [one, cand("carry-over", (6, 7), (0, 1), place="run R1")])) == 2
    heel, thin = cand("heel in the zone", (5,), (0,)), cand("portion or dilution", (5,), (0, 1), amount=0.8)
    (joined,) = told_once(sc, [thin, heel])
    assert (joined.cause, [r[0] for r in joined.rivals]) == ("heel in the zone", ["portion or dilution"])
    assert len(told_once(sc, [replace(thin, amount=1.2), heel])) == 2
    assert len(told_once(sc, [replace(thin, amount=1.0), heel])) == 2
    others = [cand("unit slip", (5,), (0, 1), amount=0.1), cand("value alone", (5,), (1,))]  # of that bottle, and no portion
    assert told_once(sc, [heel, *others]) == (heel, *others)
    assert [c.rivals for c in told_once(sc, [thin, heel, *others])[1:]] == [(), ()]


def test_a_further_shift_of_an_analyte_beside_one_that_the_drift_leaves_is_told_with_the_drift() -> None:
    """Two shifts of one analyte in a run, the first within the drift, the second larger and perhaps a drift too: one cause."""
    sc = layered((0.0, 0.0, 0.0), analytes=("Si", "P"))
    run = tuple(range(6))
    drift = cand("drift", run, (0,), amount=-0.09, place="run R3")
    small = cand("run shift", run, (0,), gain=10.0, amount=-0.04, place="run R3")
    large = cand("run shift", run, (0,), gain=12.0, amount=0.2, place="run R3", rivals=(("drift", "run R3", 1.0),))
    (one,) = told_once(sc, [drift, small, large])
    assert (one.cause, one.gain, one.detail) == ("drift", 32.0, "Si by -8.6 %")  # exp(-0.09) - 1: that of the drift
    assert [r[0] for r in one.rivals] == ["run shift"]


def test_analytes_are_told_in_their_order_however_many_there_are() -> None:
    """The ninth and the second of nine: of three bottles each, of containers that have settled apart and of a thinned floor."""
    names = tuple(f"A{k}" for k in range(9))
    sc = scene_of({(box, 2): {"A1": x, "A8": x} for box, x in enumerate((0.3, 0.3, 0.9, 0.0))}, analytes=names, s=0.02)
    found = [cand("value alone", (2,), (8,)), cand("value alone", (5,), (1,)), cand("value alone", (8,), (8,))]
    assert [c.columns for c in told_once(sc, found)] == [(1, 8)]
    assert [c.columns for c in told_once(sc, [portion(2, 0.6, (8,)), portion(5, 0.5, (1,)), portion(8, 0.4, (8,))])] == [(1, 8)]
    one, other = (cand("drift", tuple(range(6)), (a,), amount=0.1, place="run R3") for a in (8, 1))
    quiet = scene_of(analytes=names)
    assert [(c.columns, c.detail) for c in told_once(quiet, [one, other])] == [((1, 8), "A1 by 11 % and A8 by 11 %")]
    assert could_settle(quiet, cand("wrong product", (3, 4, 5), (0, 1, 2, 3), amount=0.5))
    assert not could_settle(quiet, cand("wrong product", (3, 4, 5), (0, 1, 2, 3, 4), amount=0.5))  # more than half of nine


def test_the_first_twelve_analytes_of_a_drift_are_told_and_the_rest_counted() -> None:
    sc = scene_of(analytes=tuple(f"A{k:02d}" for k in range(13)))
    (one,) = told_once(sc, [cand("drift", tuple(range(6)), (a,), amount=0.1, place="run R3") for a in range(13)])
    assert one.detail.endswith("A11 by 11 % and 1 more")


def test_a_run_of_one_bottle_that_is_shifted_and_whose_value_stands_alone_are_two_things() -> None:
    found = [cand("run shift", (4,), (0,), amount=0.1, place="run R3"), cand("value alone", (4,), (1,), place="cell")]
    assert told_once(scene_of(analytes=("Si", "P")), found) == tuple(found)
