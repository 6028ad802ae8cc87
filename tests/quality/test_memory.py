"""What blanks and a check fluid say of carry-over: a planted share of the bottle before, found again."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.memory import blank_share, fluid_share, told

REFERENCE = np.array([100.0, 50.0, 400.0, 10.0])
STOCK = np.array([800.0, 900.0, 300.0, 95.0])


def run(share: float, scatter: float = 0.01, columns: int = 4) -> SimpleNamespace:
    """Bottle, fluid, bottle, blank, and so on in the order of reading; fluid and blank hold a share of the bottle before."""
    rng, kinds = np.random.default_rng(4), ["spot", "check fluid", "spot", "blank"] * 5
    value = np.array([{"spot": STOCK, "check fluid": REFERENCE, "blank": 0 * STOCK + 1e-3}[k] for k in kinds])
    value[::2] *= np.exp(0.5 * rng.normal(size=value[::2].shape))
    value[1::2, :columns] += share * (value[::2, :columns] - value[1::2, :columns])
    value *= np.exp(scatter * rng.normal(size=value.shape))
    rows = pd.DataFrame({"sample": [f"S{i:02d}" for i in range(len(kinds))], "kind": kinds})
    frame = SimpleNamespace(told=lambda which: [f"analyte {int(a)}" for a in which], rows=rows,
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
