"""What blanks and a check fluid say of carry-over: a planted share of the bottle before, found again."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.explain import Candidate
from studykit.quality.memory import _by_one_factor, blank_share, cleared, consensus, fluid_share, joined, told

REFERENCE = np.array([100.0, 50.0, 400.0, 10.0])
STOCK = np.array([800.0, 900.0, 300.0, 95.0])


class Read(SimpleNamespace):
    """What is read of a frame, each its own key of what is kept of it, as a frame is."""

    __hash__ = object.__hash__


def run(share: float, scatter: float = 0.01, columns: int = 4) -> SimpleNamespace:
    """Bottle, fluid, bottle, blank, and so on in the order of reading; fluid and blank hold a share of the bottle before."""
    rng, kinds = np.random.default_rng(4), ["spot", "check fluid", "spot", "blank"] * 5
    value = np.array([{"spot": STOCK, "check fluid": REFERENCE, "blank": 0 * STOCK + 1e-3}[k] for k in kinds])
    value[::2] *= np.exp(0.5 * rng.normal(size=value[::2].shape))
    value[1::2, :columns] += share * (value[::2, :columns] - value[1::2, :columns])
    value *= np.exp(scatter * rng.normal(size=value.shape))
    rows = pd.DataFrame({"sample": [f"S{i:02d}" for i in range(len(kinds))], "kind": kinds})
    frame = Read(told=lambda which: [f"analyte {int(a)}" for a in which], rows=rows,
                 relative=np.ones(4, dtype=bool), reference=REFERENCE, raw=value, value=value,
                 zone=rows["kind"].eq("spot").to_numpy(), analytes=("B", "Ca", "P", "Zn"))
    return SimpleNamespace(f=frame, y=np.log(value), m=SimpleNamespace(s=np.full(value.shape, 0.01)))


ORDER = np.arange(1, 20), np.arange(19)


@pytest.mark.parametrize("share", [0.05, 0.2])
def test_the_share_that_explains_the_check_fluid_best_is_told(share: float) -> None:
    which, found, gain = fluid_share(run(share), *ORDER)
    assert which.tolist() == [0, 1, 2, 3]
    assert found == pytest.approx(share, abs=0.006)  # shares are tried a hundredth apart
    assert gain > 8


def test_where_nothing_is_carried_over_nothing_is_told() -> None:
    which, _, gain = fluid_share(run(0.0), *ORDER)
    assert (which.size, gain) == (0, 0.0)
    assert told(run(0.0), *ORDER)[3] == 0.0


def test_two_analytes_alone_are_no_carry_over() -> None:
    assert fluid_share(run(0.2, columns=2), *ORDER)[0].size == 0


def test_one_bottle_of_the_fluid_says_nothing() -> None:
    assert fluid_share(run(0.2), ORDER[0][:3], ORDER[1][:3])[0].size == 0


def test_a_blank_reads_the_share_of_what_came_right_before_it() -> None:
    sc = run(0.2)
    which, share = blank_share(sc, 3, 2)
    assert which.tolist() == [0, 1, 2, 3]
    assert share == pytest.approx(0.2, rel=0.03)
    blanks, columns, middle, worth, words = told(sc, *ORDER)
    assert blanks[:4] == [3, 7, 11, 15]
    assert columns.tolist() == [0, 1, 2, 3]
    assert middle == pytest.approx(0.2, abs=0.03)  # the bottle before a blank is thought to hold some of what came before it
    assert worth == 3.0 * 4  # three nats an analyte in which a blank holds it
    assert "% of the spot S02 right before it, in" in words
    assert "the check fluid reads as if it held 20 % of what came before it" in words


def test_what_the_stock_explains_as_well_is_no_carry_over() -> None:
    """All bottles are alike: a blank with a fifth of the one before it may as well hold a fifth of the stock."""
    sc = run(0.2)
    sc.f.value[::2] = sc.f.raw[::2] = STOCK
    assert blank_share(sc, 3, 2)[0].size == 0


def test_an_analyte_without_a_reference_is_told_by_the_blanks_alone() -> None:
    sc = run(0.2)
    sc.f.reference = np.where(np.arange(4) == 2, np.nan, REFERENCE)
    assert told(sc, *ORDER)[1].tolist() == [0, 1, 2, 3]


def test_the_largest_set_of_ratios_that_are_alike_and_its_middle() -> None:
    """Alike: logarithms less than 0.2 apart; nothing, zero and what is not there are left out."""
    which, middle = consensus(np.array([0.10, 0.11, 0.115, 0.5, 0.0, np.nan]))
    assert which.tolist() == [0, 1, 2]
    assert middle == pytest.approx(0.11)
    assert consensus(np.exp([0.0, 0.199]))[0].size == 2
    assert consensus(np.exp([0.0, 0.201]))[0].size == 1
    none, nothing = consensus(np.array([0.0, np.nan]))
    assert none.size == 0
    assert np.isnan(nothing)


@pytest.mark.parametrize("relative", [True, False])
def test_a_fluid_that_evaporated_is_off_by_one_factor_and_holds_nothing(relative: bool) -> None:
    """Five bottles read exp(-0.2) of every value: what one factor saves is what that costs, 3.5 log(1 + z^2 / 6) each."""
    sc = run(0.0, scatter=1e-9)
    sc.f.relative = np.full(4, relative)
    fluid = sc.f.rows["kind"].eq("check fluid").to_numpy()
    value = sc.f.value.copy()
    value[fluid] = np.exp(-0.2) * REFERENCE
    sc.y = np.log(value) if relative else value
    sc.m.s = np.full(value.shape, 0.01 if relative else 0.5)
    z = (np.exp(-0.2) - 1) * REFERENCE / (1.25 * (0.01 * REFERENCE if relative else 0.5))
    costs = 5 * float(np.sum((6 + 1) / 2 * np.log1p(z**2 / 6)))
    assert _by_one_factor(sc, ORDER[0]) == pytest.approx(costs)  # one of the factors that are tried
    assert fluid_share(sc, *ORDER)[0].size == 0


@pytest.mark.parametrize(("clean", "said"), [
    ([1.0, 1.0, 90.0, 90.0], True), ([1.0, 90.0, 90.0, 90.0], False), ([90.0] * 4, False)])
def test_a_clean_blank_speaks_against_carry_over_in_half_of_the_analytes(clean: list[float], said: bool) -> None:
    """A fifth of a stock of 800, 900, 300 and 95 would be 160, 180, 60 and 19; a third of that, and less, is clean."""
    sc = SimpleNamespace(f=Read(value=np.tile(STOCK, (6, 1)), zone=np.ones(6, dtype=bool),
                                           clean={"R1": np.array(clean)}))
    assert cleared(sc, "R1", np.arange(4), 0.2) is said
    assert not cleared(sc, "R2", np.arange(4), 0.2)  # no blank there
    sc.f.clean["R1"] = np.array([160 / 3 - 1e-6, np.inf, np.inf, np.inf])
    assert cleared(sc, "R1", np.arange(1), 0.2)
    sc.f.clean["R1"] = np.array([160 / 3 + 1e-6, np.inf, np.inf, np.inf])
    assert not cleared(sc, "R1", np.arange(1), 0.2)


def test_runs_with_about_one_share_are_one_carry_over() -> None:
    def of(rows: tuple[int, ...], columns: tuple[int, ...], amount: float) -> Candidate:
        return Candidate(cause="carry-over", rows=rows, columns=columns, readings=np.full((len(rows), len(columns)), amount),
                         gain=10.0, price=4.0, place=f"run {rows[0]}", amount=amount, detail=f"run {rows[0]}")

    sc = SimpleNamespace(y=np.zeros((6, 3)))
    whole, = joined(sc, [of((0, 1), (0, 2), 0.2), of((3,), (1, 2), 0.29)])
    assert (whole.rows, whole.columns, whole.place, whole.gain) == ((0, 1, 3), (0, 1, 2), "run all", 20.0)
    assert whole.amount == pytest.approx(0.245)
    assert whole.readings.tolist() == [[0.2, 0, 0.2], [0.2, 0, 0.2], [0, 0.29, 0.29]]
    assert whole.detail == "run 0; run 3"
    assert joined(sc, [of((0,), (0,), 0.2), of((3,), (0,), 0.31)]) == []  # more than half as much again
    assert joined(sc, [of((0,), (0,), 0.2)]) == []


@pytest.mark.parametrize(("blank", "columns", "speaks"), [
    ((3.2, 3.4, 9.0, 9.0), (0, 1, 2, 3), False),  # 0.1 of 100 is 10, a third of that 3.33: one of four lies below
    ((3.2, 3.2, 9.0, 9.0), (0, 1, 2, 3), True), ((3.2, 3.2, 9.0, 9.0), (0, 2), True), ((3.2, 3.2, 9.0, 9.0), (1, 2, 3), False),
    ((9.0, 9.0, 9.0, 3.2), (3,), True), ((9.0, 9.0, 9.0, 9.0), (), False)])
def test_a_clean_blank_speaks_against_half_of_the_analytes_exactly(blank: tuple[float, ...], columns: tuple[int, ...],
                                                                  speaks: bool) -> None:
    """Against the middle of the stock, 100 of 50, 90, 100, 400 and 500; a check fluid of 9000 is no stock."""
    value = np.repeat([[50.0], [90], [100], [400], [500], [9000]], 4, axis=1)
    f = Read(value=value, zone=np.arange(6) < 5, clean={"R1": np.array(blank)})
    assert cleared(SimpleNamespace(f=f), "R1", np.array(columns, dtype=int), 0.1) == speaks  # type: ignore[arg-type]
    assert not cleared(SimpleNamespace(f=f), "R2", np.array([0]), 0.1)  # type: ignore[arg-type]
