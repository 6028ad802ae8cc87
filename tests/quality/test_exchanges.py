"""Columns exchanged and rows a place too far, on runs made by hand: what each explanation saves, and what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import log

import numpy as np
import pytest

from studykit.quality.exchanges import _apart, _leans, _of_runs, _saved, columns, expected, shifted_rows
from studykit.quality.explain import Scene
from studykit.quality.frame import Index
from studykit.quality.shifts import shift_table
from tests.quality.hand import scene_of


def held(z: float) -> float:
    """What a gap of so many standard errors costs: (8 + 1) / 2 ln(1 + z^2 / 8), of Student's t with 8 degrees."""
    return 4.5 * log(1 + z**2 / 8)


# -- columns -----------------------------------------------------------------------------------------------------------

NAMES = ("P", "Zn", "S")
LEVELS = np.log([100.0, 200.0, 3000.0])


def runs_with(wrong: Sequence[str], runs: int = 3, fluid: Sequence[float] = (500.0, 50.0, 8000.0),
              known: bool = True) -> tuple[Scene, list[tuple[str, Index]]]:
    """Three containers and three check fluids a run; P and Zn stand under each other's names in the runs that are wrong."""
    boxes = 4 * runs
    sc = scene_of(boxes=boxes, analytes=NAMES, s=0.02, su=0.02)
    of_fluid = np.repeat(np.arange(boxes) % 4 == 3, 3)
    y = np.where(of_fluid[:, None], np.log(fluid), LEVELS) + np.zeros((3 * boxes, 3))
    run = np.repeat([f"R{b // 4 + 1}" for b in range(boxes)], 3)
    at = np.isin(run, wrong)
    y[at] = y[at][:, [1, 0, 2]]
    sc.f.rows["run"], sc.f.rows["kind"] = run, np.where(of_fluid, "check fluid", "spot")
    f = replace(sc.f, y=y, value=np.exp(y), raw=np.exp(y), zone=~of_fluid,
                reference=np.array(fluid) if known else np.full(3, np.nan))
    level = y[::3]
    sc = replace(sc, f=f, y=y, m=replace(sc.m, level=level, e=np.zeros_like(y), typical=y, s=np.full_like(y, 0.02),
                                         su=np.full(3, 0.02)))
    return sc, [(r, np.flatnonzero(run == r)) for r in sorted(set(run))]


def test_what_the_check_fluid_says_of_two_columns() -> None:
    """P reads 50 and should 500: ln 10 off; a mean of three with 0.02 each, and the stated 0.02 on top."""
    sc, runs = runs_with(["R2"])
    se, off = 0.02 * (1 + 1 / 3) ** 0.5, log(10)
    found = _leans(sc, runs)
    assert found["R2"][0, 1] == found["R2"][1, 0] == pytest.approx(2 * held(off / se))
    assert found["R1"][0, 1] == pytest.approx(-2 * held(off / se))
    as_sulphur = held(off / se) - held(log(50 / 8000) / se) - held(log(8000 / 500) / se)
    assert found["R2"][0, 2] == pytest.approx(as_sulphur)
    assert found["R1"][2, 2] == 0.0


def test_a_check_fluid_of_unknown_scatter_is_held_to_a_hundredth() -> None:
    sc, runs = runs_with(["R2"])
    loose = replace(sc, f=replace(sc.f, stated=np.full(3, np.nan)))
    se = (0.01**2 + 0.02**2 / 3) ** 0.5
    assert _leans(loose, runs)["R2"][0, 1] == pytest.approx(2 * held(log(10) / se))
    unknown, _ = runs_with(["R2"], known=False)
    assert not _leans(unknown, runs)["R2"].any()
    half = replace(sc, f=replace(sc.f, reference=np.array([500.0, np.nan, 8000.0])))
    assert _leans(half, runs)["R2"][0, 1] == 0.0
    absolute = replace(sc, f=replace(sc.f, relative=np.array([True, False, True])))
    assert _leans(absolute, runs)["R2"][0, 1] == 0.0


def test_what_is_saved_by_another_name() -> None:
    """a is off by 0.5 and b by -0.5, and they lie 0.5 apart: both 5 standard errors, nothing left; c tells nothing."""
    gap, se = np.array([0.5, -0.5, np.nan]), np.array([0.1, 0.1, 0.1])
    between = np.array([[0, 0.5, 1.0], [-0.5, 0, 0.5], [-1.0, -0.5, 0]])
    found = _saved(gap, se, between)
    assert found[0, 1] == found[1, 0] == pytest.approx(2 * held(5))
    assert not found[:, 2].any()
    assert not found[2].any()
    assert not _saved(gap, np.array([1e6, 0.1, 0.1]), between).any()
    half = _saved(np.array([0.5, -0.1, 0.0]), se, between)
    assert half[0, 1] == pytest.approx(held(5) + held(1) - held(0) - held(4))


@pytest.mark.parametrize(("apart", "told"), [(0.301, True), (0.3, False), (-0.301, True), (-0.29, False)])
def test_analytes_that_lie_within_three_standard_errors_are_not_told_apart(apart: float, told: bool) -> None:
    between = np.array([[0.0, apart], [-apart, 0.0]])
    assert _saved(np.array([0.6, -0.6]), np.array([0.05, 0.1]), between).any() == told


def test_what_containers_and_check_fluid_save_against_the_other_runs() -> None:
    """In R2 P reads as Zn elsewhere (ln 2 higher, the fluid ln 10 lower), Zn as P: all four gaps are saved whole."""
    sc, runs = runs_with(["R2"], runs=4)
    t = shift_table(sc, runs).query("run == 'R2'").sort_values("column")
    se = {c: np.sqrt(t[f"{c}_se"] ** 2 + t["usual"] ** 2).to_numpy() for c in ("containers", "check_fluid")}
    want = sum(held(x / se[c][a]) for c, x in (("containers", log(2)), ("check_fluid", log(10))) for a in (0, 1))
    found = _apart(sc, runs)
    assert found["R2"][0, 1] == pytest.approx(want, rel=1e-6)
    assert found["R1"][0, 1] < 0
    assert found["R3"][0, 1] < 0


def test_two_columns_exchanged_in_one_run() -> None:
    """Of three runs and three pairs: ln 9 + 1.5; P and Zn change places in all rows of R2 and in no other explanation."""
    sc, runs = runs_with(["R2"])
    found = [c for c in columns(sc, runs) if c.net > 0]
    (one,) = found
    assert (one.place, one.columns, one.rows, one.detail) == ("run R2", (0, 1), tuple(range(12, 24)), "")
    assert one.price == pytest.approx(log(9) + 1.5)
    assert one.gain == pytest.approx(_apart(sc, runs)["R2"][0, 1] + _leans(sc, runs)["R2"][0, 1])
    np.testing.assert_array_equal(one.readings, sc.y[12:24][:, [1, 0]])


def test_two_columns_exchanged_in_every_run() -> None:
    """No run differs from another; the check fluid alone tells it, in each of the three."""
    sc, runs = runs_with(["R1", "R2", "R3"])
    (one,) = [c for c in columns(sc, runs) if c.net > 0]
    assert (one.place, one.columns, len(one.rows)) == ("run all", (0, 1), 36)
    assert one.gain == pytest.approx(3 * 2 * held(log(10) / (0.02 * (4 / 3) ** 0.5)))
    alone, (run, *_) = runs_with(["R1"], runs=1)
    (only,) = [c for c in columns(alone, [run]) if c.net > 0]
    assert (only.place, only.price) == ("run all", pytest.approx(log(3) + 1.5))
    assert not list(columns(sc, []))


def test_of_two_runs_the_check_fluid_tells_or_nobody() -> None:
    known, runs = runs_with(["R2"], runs=2)
    (told,) = [c for c in columns(known, runs) if c.net > 0]
    assert (told.place, told.detail) == ("run R2", "")
    unknown, _ = runs_with(["R2"], runs=2, known=False)
    (either,) = [c for c in columns(unknown, runs) if c.net > 0]
    assert either.detail == "either R1 and R2"


@pytest.mark.parametrize(("own", "leans", "found"), [
    ({"R1": 3.0, "R2": 9.0}, {"R1": 0.0, "R2": 1.9}, ("run R2", "either R1 and R2", 9.0)),
    ({"R1": 3.0, "R2": 9.0}, {"R1": 0.0, "R2": 2.0}, ("run R2", "", 9.0)),
    ({"R1": 9.0, "R2": 3.0}, {"R1": -3.0, "R2": 0.0}, ("run R1", "", 9.0)),
    ({"R1": 2.9, "R2": 1.0}, {"R1": 0.0, "R2": 0.0}, None),
    ({"R1": 3.0, "R2": 1.0}, {"R1": 9.0, "R2": 0.0}, ("run R1", "", 3.0)),
    ({}, {}, None)])
def test_three_nats_name_a_run_and_two_nats_of_the_fluid_tell_two_apart(
        own: dict[str, float], leans: dict[str, float], found: tuple[str, str, float] | None) -> None:
    sc, runs = runs_with([], runs=2)
    told = [(c.place, c.detail, c.gain) for c in _of_runs(sc, runs, 0, 1, own, leans, 4.0)]
    assert told == ([found] if found else [])


def test_of_three_runs_one_is_named_whatever_the_fluid_says() -> None:
    sc, runs = runs_with([])
    own, leans = {"R1": 3.5, "R2": 3.4, "R3": 0.0}, dict.fromkeys(("R1", "R2", "R3"), 0.0)
    assert [c.detail for c in _of_runs(sc, runs, 0, 1, own, leans, 0.0)] == [""]


# -- rows --------------------------------------------------------------------------------------------------------------

KINDS = ("blank", "check fluid", *["spot"] * 8, "check fluid", "blank")
READ = {"blank": (0.1, 0.2), "check fluid": (500.0, 20.0), "spot": (100.0, 300.0)}


def in_order(shift: int = 0, start: int = 0, known: bool = True, share: float = 1.0) -> tuple[Scene, Index]:
    """Two runs of twelve places each, of the same liquids; from a place on R1 reads what stands ``shift`` places on."""
    sc = scene_of(boxes=8, analytes=("P", "Ca"), share=share)
    kind = np.array(KINDS * 2)
    x = np.array([READ[k] for k in kind])
    moved = [k if k < start else min(max(k + shift, 0), 11) for k in range(12)]
    x[:12] = x[moved]
    if shift:  # the place that has no neighbour on that side stays unread
        x[11 if shift > 0 else start] = np.nan
    sc.f.rows["kind"], sc.f.rows["run"] = kind, np.repeat(["R1", "R2"], 12)
    sc.f.rows["order"] = np.tile(np.arange(1.0, 13), 2)
    y = np.log(x)
    f = replace(sc.f, y=y, value=x, raw=x, zone=kind == "spot", at=np.where(kind == "blank", -1, sc.f.at),
                reference=np.array([500.0, 20.0]) if known else np.full(2, np.nan))
    return replace(sc, f=f, y=y), np.arange(12)


@pytest.mark.parametrize(("shift", "words"), [(-1, "one place earlier"), (1, "one place later")])
def test_every_row_a_place_too_far(shift: int, words: str) -> None:
    """Each known fluid and each bottle beside one says 30 nats at most; there are six of them, less one at the lost end."""
    sc, rows = in_order(shift)
    (found,) = shifted_rows(sc, "R1", rows, 2)
    assert (found.detail, found.amount, found.place, found.columns) == (words, float(shift), "run R1", (0, 1))
    assert found.rows == tuple(range(12))
    assert np.isnan(found.readings).all()
    assert found.readings.shape == (12, 2)
    assert found.price == pytest.approx(log(2 * 2 * 12) + 2)
    # of eleven pairs: blank/fluid, fluid/spot at each end tell; in both directions four rows
    assert found.gain == pytest.approx(4 * 30)


def test_rows_shifted_from_some_place_on() -> None:
    """The last bottle reads as the check fluid, that as the blank; bottles that read alike do not tell where it began.

    So it may have begun behind the last known fluid that stands right, at place 2.
    """
    sc, rows = in_order(1, start=8)
    found = list(shifted_rows(sc, "R1", rows, 2))
    assert [c.detail for c in found] == ["one place later, from place 3 of the run on"]
    assert found[0].rows == tuple(range(2, 12))
    assert found[0].gain == pytest.approx(60)


def test_rows_shifted_the_other_way_from_some_place_on() -> None:
    """The check fluid at place 11 reads as the bottle before it and the blank as that fluid; again behind place 2."""
    sc, rows = in_order(-1, start=8)
    (found,) = shifted_rows(sc, "R1", rows, 2)
    assert (found.detail, found.rows) == ("one place earlier, from place 3 of the run on", tuple(range(2, 12)))
    assert found.gain == pytest.approx(60)


@pytest.mark.parametrize(("shift", "found"), [(1, ["one place later"]), (0, [])])
def test_rows_shifted_beside_a_check_fluid_near_to_the_stock(shift: int, found: list[str]) -> None:
    """A check fluid a tenth off a stock whose zones lie 60 % apart: their scatter of 2 % tells it from them."""
    sc, rows = in_order()
    kind = np.where(sc.f.rows["kind"] == "blank", "spot", sc.f.rows["kind"])
    stock = np.log([100.0, 300.0]) + np.resize([-0.3, 0.0, 0.3], 24)[:, None]
    typical = np.where((kind == "check fluid")[:, None], np.log([110.0, 330.0]), stock)
    y = typical.copy()
    y[: 12 - shift] = typical[shift:12]
    sc.f.rows["kind"] = kind
    f = replace(sc.f, y=y, value=np.exp(y), raw=np.exp(y), zone=kind == "spot", reference=np.array([110.0, 330.0]))
    near = replace(sc, f=f, y=y, m=replace(sc.m, typical=typical, s=np.full_like(y, 0.02)))
    assert [c.detail for c in shifted_rows(near, "R1", rows, 2) if c.net > 4] == found


def test_two_in_three_of_the_known_fluids_must_read_better_as_their_neighbours() -> None:
    """Two rows each way of four speak for it, and two against: half is too few, whatever the best start."""
    sc, rows = in_order(0)
    y = sc.y.copy()
    y[1], y[0] = sc.y[0], sc.y[1]  # blank and check fluid exchanged at the beginning alone
    assert not list(shifted_rows(replace(sc, y=y), "R1", rows, 2))


def test_an_orderly_run_or_a_short_one_says_nothing() -> None:
    sc, rows = in_order(0)
    assert not list(shifted_rows(sc, "R1", rows, 2))
    sc, rows = in_order(1)
    assert not list(shifted_rows(sc, "R1", rows[-5:], 2))
    assert list(shifted_rows(sc, "R1", rows[-6:], 2))
    sc.f.rows.loc[3, "order"] = 3.0  # two samples at one place: no order
    assert not list(shifted_rows(sc, "R1", rows, 2))
    sc.f.rows.loc[3, "order"] = np.nan  # a place is missing: its neighbours are no neighbours
    (found,) = shifted_rows(sc, "R1", rows, 2)
    assert 3 not in found.rows
    assert len(found.rows) == 11


def test_the_order_in_the_table_does_not_matter() -> None:
    sc, rows = in_order(1)
    (one,), (other,) = (list(shifted_rows(sc, "R1", r, 2)) for r in (rows, rows[::-1].copy()))
    assert (one.gain, sorted(one.rows)) == (other.gain, sorted(other.rows))


def test_what_each_row_should_read() -> None:
    """Fluids by their values, blanks and zones as in the other run; without another run a blank at a thousandth."""
    sc, _ = in_order(1)
    found, known = expected(sc, "R1")
    np.testing.assert_allclose(np.exp(found[:12]), [READ[k] for k in KINDS])
    assert known[:12].tolist() == [k != "spot" for k in KINDS]
    sc, _ = in_order(0, known=False)
    np.testing.assert_allclose(np.exp(expected(sc, "R1")[0][:12]), [READ[k] for k in KINDS])
    y = sc.y.copy()
    y[12], y[23] = np.log([0.1, 0.2]), np.log([0.4, 0.8])  # the other run's two blanks: their middle, on logs
    np.testing.assert_allclose(np.exp(expected(replace(sc, y=y), "R1")[0][0]), [0.2, 0.4])
    sc.f.rows["run"] = "R1"
    alone = np.exp(expected(sc, "R1")[0])
    np.testing.assert_allclose(alone[2], READ["spot"])
    np.testing.assert_allclose(alone[0], np.array(READ["spot"]) / 1000)
    assert np.isnan(alone[1]).all()


def test_zones_differ_and_a_composite_reads_as_the_stock() -> None:
    """Of R2 the lower zones read 150: so should R1's; a composite as the middle of all zones."""
    sc, _ = in_order(0)
    lower = sc.f.zone & (sc.f.place == 2)
    y = np.where(lower[:, None], np.log([150.0, 450.0]), sc.y)
    zone = sc.f.zone.copy()
    zone[3] = False
    sc.f.rows.loc[3, "kind"] = "composite"
    sc = replace(sc, y=y, f=replace(sc.f, zone=zone))
    other = (np.arange(24) >= 12)[:, None] & sc.f.zone[:, None]
    higher = np.exp(expected(replace(sc, y=np.where(other, sc.y + np.log(1.3), sc.y)), "R1")[0])
    np.testing.assert_allclose(higher[3], [130.0, 390.0])  # as the other run's bottles read
    np.testing.assert_allclose(higher[2], [195.0, 585.0])
    found = np.exp(expected(sc, "R1")[0])
    own = lower & (np.arange(24) < 12)
    np.testing.assert_allclose(found[own], np.tile([150.0, 450.0], (own.sum(), 1)))
    np.testing.assert_allclose(found[3], [100.0, 300.0])
