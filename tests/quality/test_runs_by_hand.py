"""Drift, shift and carry-over of runs on scenes made by hand: slopes, shares, gains and prices worked out beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import comb, factorial, log

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.explain import Candidate, Scene
from studykit.quality.frame import Index
from studykit.quality.reading_order import depth_order, split_containers
from studykit.quality.runs import (
    _single,
    after_blanks,
    after_rich,
    common_drift,
    drift_table,
    drifts,
    places,
    run_rows,
    uncarried,
)
from studykit.quality.shifts import NEAR_BLANK, Gap, _by_blanks, _of_two, shift_table, shifts
from studykit.quality.side_by_side import contents, predecessors, steps, without
from tests.quality.hand import least, paid, scene_of

ALL = np.arange(12)


def held(z: float) -> float:
    """A gap of so many standard errors: 4.5 ln(1 + z^2 / 8), of Student's t with 8 degrees."""
    return 4.5 * log(1 + z**2 / 8)


# -- drift -------------------------------------------------------------------------------------------------------------


def test_places_run_from_minus_to_plus_a_half() -> None:
    assert places(np.array([3.0, 5.0, np.nan, 11.0])) == pytest.approx([-0.5, -0.25, np.nan, 0.5], nan_ok=True)
    assert places(np.array([4.0, 4.0])).tolist() == [0, 0]


MIXED = np.array([5, 12, 1, 9, 3, 8, 2, 11, 6, 10, 4, 7.0])


def drifting(slope: float, share: float = 1.0) -> Scene:
    """Four containers read in mixed order; P creeps by ``slope`` from the first place to the last."""
    place = (MIXED - 1) / 11 - 0.5
    off = {(k // 3, k % 3): {"P": slope * place[k]} for k in range(12)}
    return scene_of(off, rows={"order": MIXED}, share=share)


def test_a_slope_its_error_and_what_it_saves() -> None:
    """Containers vary as bottles do (0.1 each): of three bottles half of the container's mean is taken off (GLS)."""
    slope, s = 0.8, 0.1
    table = drift_table(drifting(slope), "R1", ALL).set_index("analyte")
    place = (MIXED - 1) / 11 - 0.5
    soft = place - 0.5 * np.repeat(place.reshape(4, 3).mean(axis=1), 3)
    assert table.loc["P", "slope"] == pytest.approx(slope, abs=1e-6)
    assert table["n"].tolist() == [12] * 4
    assert table.loc["P", "se"] == pytest.approx(1.1 * s / np.sqrt(((soft - soft.mean()) ** 2).sum()), rel=1e-6)
    level = slope * (soft - soft.mean())
    assert table.loc["P", "gain"] == pytest.approx(float(paid(level / s).sum()), rel=1e-3)
    assert table.loc["Zn", "slope"] == pytest.approx(0, abs=1e-9)
    assert table.loc["Zn", "gain"] == pytest.approx(0, abs=1e-9)
    assert drift_table(drifting(slope), "R1", ALL[:5]).empty
    assert len(drift_table(drifting(slope), "R1", ALL[:6])) == 4


def test_rows_without_a_place_or_a_container_say_nothing_of_a_slope() -> None:
    sc = drifting(0.8)
    sc.f.rows.loc[[0, 1], "order"] = np.nan
    at = sc.f.at.copy()
    at[[2, 3]] = -1
    found = drift_table(replace(sc, f=replace(sc.f, at=at)), "R1", ALL)
    assert found["n"].tolist() == [8] * 4


def slopes(*rows: tuple[float, float, float]) -> pd.DataFrame:
    return pd.DataFrame([("R1", a, b, se, 12, gain) for a, (b, se, gain) in zip("PQ", rows, strict=False)],
                        columns=["run", "analyte", "slope", "se", "n", "gain"])


def test_a_drift_is_told_from_three_nats_and_three_errors_on() -> None:
    sc = drifting(0.8)

    def told(*r: tuple[float, float, float]) -> list[tuple[int, ...]]:
        return [c.columns for c in drifts(sc, "R1", ALL, slopes(*r), 3)]

    assert told((0.8, 0.1, 3.1), (0.8, 0.1, 3.0)) == [(0,)]
    assert told((0.31, 0.1, 9.0), (0.3, 0.1 + 1e-12, 9.0)) == [(0,)]
    assert told((0.1, 0.01, 1.0), (-0.8, 0.1, 9.0)) == [(1,)]
    (one,) = drifts(sc, "R1", ALL, slopes((0.8, 0.1, 9.0), (0.0, 0.1, 0.0)), 3)
    assert (one.place, one.amount, one.gain, one.rows) == ("run R1", 0.8, 9.0, tuple(range(12)))
    assert one.price == pytest.approx(log(3 * 2) + 1.5)
    np.testing.assert_allclose(one.readings[:, 0], np.full(12, log(100)))
    assert not list(drifts(sc, "R1", ALL, slopes(), 3))


def test_one_drift_along_every_run() -> None:
    """Slopes 0.4 and 0.6 with errors 0.1 and 0.2: mean 0.44; saved is 7.5 + 4.2 less ((0.4)^2 + (0.8)^2) / 2."""
    sc = drifting(0.44)
    runs = [("R1", ALL[:6]), ("R2", ALL[6:])]
    tables = [slopes((0.4, 0.1, 7.5), (0.1, 0.1, 0.5)), slopes((0.6, 0.2, 4.2), (0.1, 0.2, 0.1))]
    (one,) = common_drift(sc, runs, tables)
    assert one.amount == pytest.approx(0.44)
    assert one.gain == pytest.approx(11.7 - (0.4**2 + 0.8**2) / 2)
    assert one.price == pytest.approx(log(2) + 1.5)
    assert (one.columns, one.place, one.rows) == ((0,), "run all", tuple(range(12)))
    own = np.concatenate([places(MIXED[:6]), places(MIXED[6:])])
    np.testing.assert_allclose(one.readings[:, 0], sc.y[:, 0] - 0.44 * own)
    assert not list(common_drift(sc, runs, [tables[0], slopes()]))
    assert not list(common_drift(sc, runs[:1], tables[:1]))


@pytest.mark.slow
def test_of_many_runs_without_drift_none_is_common() -> None:
    """What each of 400 runs saves by a slope of its own, a fifth more than its square says, adds up to nothing common."""
    rng, sc = np.random.default_rng(3), drifting(0.0)
    runs = [(f"R{k}", ALL[:6]) for k in range(400)]

    def common(drift: float) -> list[Candidate]:
        tables = [slopes(*((b, 0.1, 0.6 * (b / 0.1) ** 2) for b in (rng.normal(0, 0.1), rng.normal(drift, 0.1))))
                  for _ in runs]
        return list(common_drift(sc, runs, tables))

    assert not [c for _ in range(20) for c in common(0.0) if c.net > 4]
    (one,) = (c for c in common(0.05) if c.net > 4)  # ten errors of the mean slope, 0.005
    assert one.columns == (1,)
    assert one.amount == pytest.approx(0.05, abs=0.02)
    assert one.gain == pytest.approx((one.amount / 0.1) ** 2 * 400 / 2)


# -- carry-over --------------------------------------------------------------------------------------------------------


def test_predecessors_are_read_right_before() -> None:
    sc = scene_of(rows={"order": [3.0, 1.0, 2.0, np.nan, 6.0, 7.5, 9.1, 20, 21, 22, 23, 24]})
    after, before = predecessors(sc.f, ALL)
    pairs = dict(zip(after.tolist(), before.tolist(), strict=True))
    assert pairs == {2: 1, 0: 2, 5: 4, 8: 7, 9: 8, 10: 9, 11: 10}  # 6 to 7.5 is one place, 7.5 to 9.1 is not


def test_runs_are_those_that_have_a_name() -> None:
    sc = scene_of(rows={"run": ["R2", "", "R1"] * 4})
    assert [(r, rows.tolist()) for r, rows in run_rows(sc)] == [("R1", [2, 5, 8, 11]), ("R2", [0, 3, 6, 9])]


def test_a_share_of_the_predecessor_is_taken_out() -> None:
    """130 = 0.8 * 100 + 0.2 * 250; of what adds: 150 = 100 + 0.2 * 250; where less than nothing is left the reading stands."""
    sc = scene_of(analytes=("P", "KV40"), absolute=("KV40",))
    y, raw = sc.y.copy(), sc.f.raw.copy()
    y[1], raw[0] = [log(130), 130.0], [250.0, 250.0]
    sc = replace(sc, y=y, f=replace(sc.f, raw=raw))
    one, other = np.array([1]), np.array([0])
    np.testing.assert_allclose(without(sc, one, other, 0.2), [[log(100), 100.0]])
    np.testing.assert_allclose(without(sc, one, other, 0.12, adds=True), [[log(100), 100.0]])
    np.testing.assert_allclose(without(sc, one, other, 0.6), [[log(130), (130 - 150) / 0.4]])
    left = np.full_like(raw, 50.0)
    np.testing.assert_allclose(without(sc, one, other, 0.5, left), [[log(210), 210.0]])


def test_contents_hand_on_what_was_in_the_bottle() -> None:
    """200, then 0.5 * 100 + 0.5 * 200 = 150, then 0.5 * 60 + 0.5 * 100 = 80: contents 200, 100, 60; adding: 200, 50, 55."""
    raw = np.array([[200.0], [150], [80], [np.nan], [70]])
    chain = steps(np.array([1, 2, 4]), np.array([0, 1, 3]))

    def held(share: float, adds: bool = False) -> list[float]:
        return contents(raw, chain, np.full((5, 1), share), adds)[:, 0].tolist()

    assert held(0.5)[:3] == [200, 100, 60]
    assert held(0.5, adds=True)[:3] == [200, 50, 55]
    assert held(0.9)[1] == 0.0  # less than nothing is nothing
    assert held(0.5)[4] == 70  # what came before was not read


def after_one(rich: float, reads: float, s: float = 0.1, absolute: bool = False) -> list[Candidate]:
    """B00 holds ``rich`` of P and the next bottle reads ``reads``; 100 was expected of each."""
    sc = scene_of(analytes=("P", "Zn"), s=s, absolute=("P",) if absolute else ())
    raw, value, e = sc.f.raw.copy(), sc.f.value.copy(), sc.m.e.copy()
    raw[0, 0], value[1, 0] = rich, reads
    e[1, 0] = reads - 100 if absolute else log(reads / 100)
    y = sc.m.typical + e
    sc = replace(sc, y=y, f=replace(sc.f, raw=raw, value=value, y=y), m=replace(sc.m, e=e))
    return list(after_rich(sc, [("R1", ALL)]))


def test_a_bottle_right_after_a_far_richer_one() -> None:
    """1100 before it, 100 expected, 250 read: 0.15 of the excess of 1000; three times the usual 0.05 costs ln 3."""
    (one,) = after_one(1100.0, 250.0)
    assert (one.rows, one.columns, one.place, one.detail) == ((1,), (0,), "bottle", "B00")
    assert one.amount == pytest.approx(0.15)
    assert one.gain == pytest.approx(float(paid(log(2.5) / 0.1)))
    assert one.price == pytest.approx(log(3))  # one place only is rich enough before it
    assert one.readings.item() == pytest.approx(log(100))
    (little,) = after_one(5100.0, 250.0)
    assert little.price == pytest.approx(0.0)  # 0.03 of it: no more than usual


@pytest.mark.parametrize(("rich", "reads", "absolute", "told"), [
    (161.0, 151.0, False, False), (161.0, 135.0, False, False),  # 4 standard deviations and more, and at most 0.6 of it
    (400.0, 148.0, False, False), (400.0, 150.0, False, True), (159.0, 300.0, False, False),
    (100.6 + 0.05, 100.5, True, False), (101.0, 100.41, True, True), (101.0, 100.39, True, False)])
def test_six_standard_deviations_richer_four_higher_and_a_share_below_six_tenths(rich: float, reads: float, absolute: bool,
                                                                                 told: bool) -> None:
    assert bool(after_one(rich, reads, absolute=absolute)) == told


def test_one_bottle_that_holds_a_share_of_another_fluid() -> None:
    """B04 holds 0.2 of B03, which reads otherwise in three analytes: undone, nothing is left. Price ln 12 + 3.5."""
    own, before = np.array([100.0, 100, 100, 100]), np.array([600.0, 20, 800, 100])
    mixed = 0.8 * own + 0.2 * before
    off = {(1, k): dict(zip("ABCD", np.log(x / own), strict=True)) for k, x in enumerate((before, mixed))}
    sc = scene_of(off, analytes=tuple("ABCD"), share=0.5)
    (one,) = _single(sc, np.array([4]), np.array([3]), 1)
    assert (one.amount, one.rows, one.detail, one.place) == (0.2, (4,), "B03", "bottle")
    far, off_by = np.log(before / own) / 0.1, np.log(mixed / own) / 0.1  # B03 and B05 are of its container
    saved = [least([x, z, 0.0]) - least([x, 0.0, 0.0]) for x, z in zip(far, off_by, strict=True)]
    assert one.gain == pytest.approx(0.5 * sum(saved), rel=1e-4)  # the level is found by reweighting
    assert one.price == pytest.approx(log(12) + 3.5)
    np.testing.assert_allclose(one.readings, np.full((1, 4), log(100)))
    assert one.bears == (2, 0)  # what B03 was rich in
    calm = scene_of({(1, 1): {"A": 0.1}}, analytes=tuple("ABCD"))
    assert not list(_single(calm, np.array([4]), np.array([3]), 1))


def test_a_bottle_after_a_blank_holds_some_of_it_in_all_that_it_reads() -> None:
    """B04 reads 0.85 of its own content after a blank, of which one analyte has no number. Price ln 2 + 3.5."""
    sc = scene_of({(1, 1): dict.fromkeys("ABCD", log(0.85))}, analytes=tuple("ABCD"), s=0.03,
                  rows={"kind": ["blank" if i == 3 else "spot" for i in range(12)]})
    blank = np.arange(12) == 3
    raw = np.where(blank[:, None], [0.0, 0.0, 0.0, np.nan], sc.f.raw)
    y = np.where(blank[:, None], np.nan, sc.y)
    f = replace(sc.f, raw=raw, y=y, zone=~blank, at=np.where(blank, -1, sc.f.at))
    (one,) = _single(replace(sc, f=f, y=y), np.array([4]), np.array([3]), 1)
    assert (one.amount, one.rows, one.price) == (0.15, (4,), pytest.approx(log(2) + 3.5))
    np.testing.assert_allclose(one.readings, np.full((1, 4), log(100)))
    assert after_blanks(f, [0, 1]).tolist() == [4]  # of the run that these rows are of


# -- shifts ------------------------------------------------------------------------------------------------------------

NAMES = ("P", "Zn", "S", "Ca")


def runs_of(stock: Mapping[str, Sequence[float]], fluid: Mapping[str, Sequence[float]], count: int = 3, s: float = 0.02,
            reference: float = np.nan) -> tuple[Scene, list[tuple[str, Index]]]:
    """Three containers of 100 and three check fluids of 500 a run; logs by which a run's stock and its fluid read off."""
    boxes = 4 * count
    sc = scene_of(boxes=boxes, analytes=NAMES, s=s, su=s)
    of_fluid = np.repeat(np.arange(boxes) % 4 == 3, 3)
    run = np.repeat([f"R{b // 4 + 1}" for b in range(boxes)], 3)
    y = np.where(of_fluid[:, None], log(500), log(100)) + np.zeros((3 * boxes, 4))
    for side, mine in ((stock, ~of_fluid), (fluid, of_fluid)):
        for name, logs in side.items():
            y[(run == name) & mine] += np.array(logs)
    sc.f.rows["run"], sc.f.rows["kind"] = run, np.where(of_fluid, "check fluid", "spot")
    f = replace(sc.f, y=y, value=np.exp(y), raw=np.exp(y), zone=~of_fluid, reference=np.full(4, reference))
    m = replace(sc.m, level=y[::3], e=np.zeros_like(y), typical=y)
    return replace(sc, f=f, y=y, m=m), [(r, np.flatnonzero(run == r)) for r in sorted(set(run))]


UP = (0.3, 0.0, 0.0, 0.0)
SE_BOX, SE_FLUID = 0.02 * (1 / 3 + 1 / 6) ** 0.5, 0.02 * (2 / 3) ** 0.5


def gap_of(stock: float, fluid: float) -> Gap:
    return Gap(column=0, containers=(stock, SE_BOX), fluid=(fluid, SE_FLUID), usual=0.02, off=np.nan, se_off=1.0)


def test_how_far_a_run_reads_from_the_others() -> None:
    """Three containers against six: 0.02 sqrt(1/3 + 1/6); three check fluids against the middle run: 0.02 sqrt(2/3)."""
    sc, runs = runs_of({"R2": UP}, {"R2": (0.2, 0, 0, 0)})
    t = shift_table(sc, runs).set_index(["run", "analyte"])
    own = t.loc[("R2", "P")]
    assert (own["containers"], own["check_fluid"]) == (pytest.approx(0.3, abs=1e-5), pytest.approx(0.2))
    assert (own["containers_se"], own["check_fluid_se"]) == (pytest.approx(SE_BOX), pytest.approx(SE_FLUID))
    assert own["usual"] == 0.02
    assert t.loc[("R2", "Zn"), "containers"] == pytest.approx(0, abs=1e-9)
    for stated in (np.nan, 0.0):
        bare = replace(sc, f=replace(sc.f, stated=np.full(4, stated)), m=replace(sc.m, s=np.full_like(sc.m.s, 0.05)))
        assert set(shift_table(bare, runs)["usual"]) == {0.05}  # what a bottle scatters, where nothing is stated


def test_a_container_read_in_two_runs_is_of_neither() -> None:
    """Of nine containers one has a bottle in another run and reads far off: R2's three stand against five."""
    sc, runs = runs_of({"R2": UP}, {})
    level = sc.m.level.copy()
    level[0] += 5.0
    sc.f.rows.loc[0, "run"] = "R3"
    own = shift_table(replace(sc, m=replace(sc.m, level=level)), runs).set_index(["run", "analyte"]).loc[("R2", "P")]
    assert own["containers"] == pytest.approx(0.3, abs=1e-5)
    assert own["containers_se"] == pytest.approx(0.02 * (1 / 3 + 1 / 5) ** 0.5)


def test_a_run_off_in_one_analyte() -> None:
    sc, runs = runs_of({"R2": UP}, {"R2": UP})
    best = max(shifts(sc, runs), key=lambda c: c.net)
    assert (best.cause, best.place, best.columns) == ("run shift", "run R2", (0,))
    assert best.amount == pytest.approx(0.3, abs=1e-4)
    assert best.rows == tuple(range(12, 24))
    none = held((0.3 - 0.02) / SE_BOX) + held((0.3 - 0.02) / SE_FLUID)  # a shift of one repeatability is ordinary
    assert best.gain == pytest.approx(none, rel=1e-3)
    assert best.price == pytest.approx(log(12) + 0.5)  # of three runs and four analytes
    np.testing.assert_allclose(best.readings[:9, 0], np.full(9, log(100)), atol=1e-4)


def test_a_check_fluid_or_a_stock_off_alone() -> None:
    for side, cause, rows in (({"R2": UP}, "run and stock", range(12, 21)), ({}, "check fluid", range(21, 24))):
        sc, runs = runs_of(side, {} if side else {"R2": UP})
        best = max(shifts(sc, runs), key=lambda c: c.net)
        assert (best.cause, best.rows, best.columns) == (cause, tuple(rows), (0,))
        g = gap_of(0.3, 0.0) if side else gap_of(0.0, 0.3)
        assert best.gain == pytest.approx(g.gain(0.3, 0.0) if side else g.gain(0.0, 0.3), rel=1e-3)


def test_three_analytes_by_one_amount_are_one_shift() -> None:
    """0.1 in three of four: each saves by itself; together less ln C(4, 3), at ln 3 + 3.5 + 0.5."""
    sc, runs = runs_of({"R2": (0.1, 0.1, 0.1, 0.0)}, {"R2": (0.1, 0.1, 0.1, 0.0)})
    together = max((c for c in shifts(sc, runs) if len(c.columns) > 1), key=lambda c: c.net)
    assert (together.columns, together.place, together.cause) == ((0, 1, 2), "run R2", "run shift")
    assert together.price == pytest.approx(log(3) + 4)
    each = held(0.08 / SE_BOX) + held(0.08 / SE_FLUID)
    assert together.gain == pytest.approx(3 * each - log(comb(4, 3)), rel=1e-3)
    two, runs = runs_of({"R2": (0.1, 0.1, 0.0, 0.0)}, {"R2": (0.1, 0.1, 0.0, 0.0)})
    assert not [c for c in shifts(two, runs) if len(c.columns) > 1]


def test_a_value_as_it_is_takes_no_part_in_one_relative_amount() -> None:
    sc, runs = runs_of({"R2": (0.1, 0.1, 0.0, 0.1)}, {"R2": (0.1, 0.1, 0.0, 0.1)})
    for relative, several in ((True, True), (False, False)):
        f = replace(sc.f, relative=np.array([True, True, True, relative]))
        assert any(len(c.columns) > 1 for c in shifts(replace(sc, f=f), runs)) == several


@pytest.mark.parametrize(("mine", "others", "amount", "read"), [
    ((8.0, 12.0), (1.0, 3.0), 8.0, 8.0),  # 10 on average, 2 in other runs: 8 more, the amount itself
    ((8.0, 12.0), (np.nan, np.nan), 8.0, 10.0), ((8.0, np.nan), (1.0, 3.0), 8.0, 6.0),
    ((2.0, 2.0), (1.0, 3.0), 8.0, None), ((8.0, 12.0), (1.0, 3.0), -8.0, None), ((np.nan, np.nan), (1.0, 3.0), 8.0, None)])
def test_blanks_that_read_the_amount_speak_for_an_offset(mine: tuple[float, ...], others: tuple[float, ...], amount: float,
                                                        read: float | None) -> None:
    """Gaps of Student's t with 8 degrees: what it saves that they lie off by the amount and not by nothing; never against."""
    sc, runs = runs_of({}, {}, count=2)
    kind, raw = sc.f.rows["kind"].to_numpy(object), sc.f.raw.copy()
    for run, values in ((0, mine), (1, others)):
        at = runs[run][1][:2]
        kind[at], raw[at, 1] = "blank", values
    f = replace(sc.f, rows=sc.f.rows.assign(kind=kind), raw=raw)
    found = _by_blanks(replace(sc, f=f), runs[0][1], 1, amount)
    s = NEAR_BLANK * abs(amount)
    assert found == pytest.approx(0.0 if read is None else max(0.0, held(read / s) - held((read - amount) / s)))


def test_a_wrong_blank_takes_one_amount_off_whatever_the_level() -> None:
    """60 less of 100 and of 500: ln 0.4 and ln 0.88; one amount explains both, one factor does not; at one nat more."""
    sc, runs = runs_of({"R2": (log(0.4), 0, 0, 0)}, {"R2": (log(0.88), 0, 0, 0)})
    offset = max((c for c in shifts(sc, runs) if c.cause == "run offset"), key=lambda c: c.net)
    assert offset.amount == pytest.approx(-60, rel=0.02)
    assert offset.price == pytest.approx(log(12) + 0.5 + 1)
    np.testing.assert_allclose(np.exp(offset.readings[:9, 0]), np.full(9, 100.0), rtol=0.01)
    assert all(c.net < offset.net for c in shifts(sc, runs) if c is not offset and c.cause != "run offset")


def test_of_two_runs_the_check_fluids_value_tells() -> None:
    """Read 0.3 apart in everything, the reference is 500: R2's fluid is 0.3 off it, R1's none."""
    sc, runs = runs_of({"R2": UP}, {"R2": UP}, count=2, reference=500.0)
    best = max(shifts(sc, runs), key=lambda c: c.net)
    assert (best.place, best.detail) == ("run R2", "")
    unknown, _ = runs_of({"R2": UP}, {"R2": UP}, count=2)
    assert max(shifts(unknown, runs), key=lambda c: c.net).detail == "either R1 and R2"


def cand(run: str, gain: float = 9.0, cause: str = "run shift", columns: tuple[int, ...] = (0,)) -> Candidate:
    return Candidate(cause=cause, rows=(0,), columns=columns, readings=np.zeros((1, 1)), gain=gain, price=1.0,
                     place=f"run {run}")


@pytest.mark.parametrize(("leans", "place", "detail", "gain"), [
    ((0.0, 1.9), "run R1", "either R1 and R2", 9.0), ((0.0, 2.0), "run R2", "", 9.0), ((2.0, 0.0), "run R1", "", 9.0),
    ((-5.0, -2.0), "run R2", "", 7.0), ((-5.0, -4.0), "run R1", "either R1 and R2", 5.0)])
def test_two_nats_tell_two_runs_apart_and_what_speaks_against_both_is_taken_off(leans: tuple[float, float], place: str,
                                                                              detail: str, gain: float) -> None:
    (one,) = _of_two([(leans[0], cand("R1")), (leans[1], cand("R2"))])
    assert (one.place, one.detail, one.gain) == (place, detail, gain)


def test_unlike_causes_and_columns_are_not_held_against_each_other() -> None:
    assert len(_of_two([(0.0, cand("R1")), (0.0, cand("R2", cause="check fluid")), (0.0, cand("R2", columns=(1,)))])) == 3


# -- order of reading --------------------------------------------------------------------------------------------------


def read_in(patterns: Sequence[str], kind: str = "spot") -> pd.DataFrame:
    """Containers whose zones u, m, l were read in these orders; a determination read twice counts once."""
    rows = [(f"C{i}", f"S{i}{d}", d, kind, "R1", float(k)) for i, p in enumerate(patterns) for k, d in enumerate(p)]
    return pd.DataFrame(rows + rows[:1], columns=["container", "sample", "depth", "kind", "run", "run_order"])


@pytest.mark.parametrize(("same", "other", "told"), [(5, 0, True), (4, 0, True), (3, 0, False), (8, 4, True), (7, 4, False)])
def test_an_order_of_depths_that_chance_does_not_give(same: int, other: int, told: bool) -> None:
    """One of 3! orders: of 4 all by chance 6 / 6^4 = 0.005, of 3 0.028; and two thirds of the containers at least."""
    found = depth_order(read_in(["uml"] * same + ["lum", "mlu", "ulm", "lmu"][:other]))
    assert bool(found.flags) == told
    assert found.table["containers"].max() == same
    chance = factorial(3) * stats.binom.sf(same - 1, same + other, 1 / 6)
    assert (chance < 0.01) == (same >= 4)
    if told:
        assert f"{same} of {same + other} containers were read in the order u > m > l" in found.flags[0].evidence


def test_containers_with_other_numbers_of_zones_are_no_comparison() -> None:
    """Two of two zones, in both orders possible: six of the same have a chance of 2 / 2^6 = 0.03, eight of 0.008."""
    assert not depth_order(read_in(["ul"] * 6)).flags
    assert depth_order(read_in(["ul"] * 8)).flags
    assert not depth_order(read_in(["ul"] * 6 + ["uml"] * 3)).flags
    assert not depth_order(read_in(["u"] * 9)).flags
    assert not depth_order(read_in(["uml"] * 9, kind="composite")).flags
    assert depth_order(read_in([])).note


def test_containers_split_over_runs() -> None:
    t = read_in(["uml"] * 8)
    assert split_containers(t) == []
    t.loc[t["depth"] == "l", "run"] = "R2"
    (flag,) = split_containers(t)
    assert flag.where == "C0, C1, C2, C3, C4, C5 ..."
    assert flag.evidence.startswith("8 of 8 containers")
    few = t[t["container"].isin(["C0", "C1", "C2", "C3", "C4", "C5"])]
    assert split_containers(few)[0].where == "C0, C1, C2, C3, C4, C5"
    t["run"] = np.where(t["run"] == "R2", "", t["run"])  # a run that is not known is no other one
    assert split_containers(t) == []


def test_what_carry_over_of_a_run_left_is_taken_off_what_was_read_and_off_nothing_else() -> None:
    """A tenth of the bottle before, of 100 and 190: (190 - 10) / 0.9 = 200. What the model was not shown stays as it was."""
    sc = scene_of({(0, 1): {"P": log(1.9)}, (3, 2): {"P": log(1.5)}}, analytes=("P", "Zn"))
    f = sc.f
    cause = Candidate(cause="carry-over", rows=tuple(range(len(f.rows))), columns=(0, 1), readings=f.y, gain=20.0, price=4.0,
                      place=f"run {f.rows['run'].iat[0]}", amount=0.1)
    t = pd.DataFrame({"sample": [*f.rows["sample"].astype(str), "wet"], "run": [*f.rows["run"], f.rows["run"].iat[0]],
                      "analyte": "P", "relative": True, "value": [*f.raw[:, 0], 50.0]})
    t["y"] = np.log(t["value"])
    clean = uncarried(f, [cause], t)
    k = int(np.flatnonzero(np.isclose(f.raw[:, 0], 190.0))[0])
    assert clean["value"].iat[k] == pytest.approx(200.0)
    assert clean["value"].iat[k + 1] == pytest.approx((100 - 19) / 0.9)
    assert clean["value"].iat[-1] == 50.0
    np.testing.assert_allclose(clean["y"], np.log(clean["value"]))
    assert uncarried(f, [], t) is t
