"""What a table of determinations is read as: its decimal step, and margins that time cannot be told with."""

from __future__ import annotations

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.inference.table import MOST_ROWS, _months, read_aged, read_table

CALL = {"margin": {"absolute": 1}, "depths": ["top", "bottom"], "alpha": 0.05, "share": 0.2, "groups": []}


def table_of(*values: str) -> pd.DataFrame:
    return pd.DataFrame([(c, z, v) for c in range(4) for z, v in zip(("top", "bottom"), values, strict=True)],
                        columns=["container", "depth", "value"])


@pytest.mark.parametrize(("values", "step"), [(("10.1", "10.2"), 0.1), (("10.10", "10.2"), 0.01), (("10", "<12"), 1.0)])
def test_the_step_is_that_of_the_written_numbers_and_limits_have_none(values: tuple[str, str], step: float) -> None:
    _, cells = read_table(table_of(*values), weights=None, **CALL)  # type: ignore[arg-type]  # one call of many
    assert cells.step == pytest.approx(step)


def test_time_is_told_with_a_margin_on_both_sides_only() -> None:
    table = table_of("10.1", "10.2").assign(months=[0, 0, 6, 6, 12, 12, 18, 18])
    _, rows = read_aged(table, **CALL)  # type: ignore[arg-type]
    assert len(rows) == 8
    with pytest.raises(BadInput, match="leave out the side"):
        read_aged(table, **CALL | {"margin": {"absolute": 1, "side": "above"}})  # type: ignore[arg-type]
    with pytest.raises(BadInput) as told:
        read_aged(table, **CALL | {"margin": {"absolut": 1}})  # type: ignore[arg-type]
    assert "leave out the side" not in str(told.value)


@pytest.mark.parametrize(("months", "said"), [
    ([6, 12.5, 6], ""), (["6", "12"], ""), ([0, 3], ""), ([6, 6, 6], "all ages are equal"),
    *((wrong, "must be months of standing") for wrong in ([-1, 3], [1e9, 3], [True, 3], ["soon", 3]))])
def test_ages_are_numbers_of_which_two_differ(months: list[object], said: str) -> None:
    found, faults = _months(pd.Series(months, dtype=object))
    assert bool(faults) == bool(said)
    assert all(said in f.reason for f in faults)
    if not said:
        assert found.tolist() == [float(str(m)) for m in months]


@pytest.mark.parametrize(("wrong", "named", "more"), [(1, 1, ""), (20, 20, ""), (21, 20, "1 more rows like these"),
                                                      (23, 20, "3 more rows like these")])
def test_rows_that_are_wrong_in_one_way_are_named_up_to_twenty(wrong: int, named: int, more: str) -> None:
    rows = [(i // 2, ("top", "bottom")[i % 2], "x" if i < wrong else "3") for i in range(40)]
    table = pd.DataFrame(rows, columns=["container", "depth", "value"])
    with pytest.raises(BadInput) as told:
        read_table(table, weights=None, **CALL)  # type: ignore[arg-type]  # one call of many
    assert MOST_ROWS == 20
    assert [f.row for f in told.value.faults if f.row] == list(range(1, named + 1))
    assert [f.reason for f in told.value.faults if not f.row] == [more] * bool(more)
