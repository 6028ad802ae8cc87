"""Any change of a stored case is named by its cell, and rounding is none."""

from __future__ import annotations

import copy
import json

import pandas as pd
import pytest

from tests.kept import columns, condensed, differing, kept, written


def test_any_change_is_named() -> None:
    want = kept(columns("a table", pd.DataFrame({"x": [1.0, -2.0, 5.0], "y": ["p", "q", "r"]})), ["one", "two"])
    cell = "a table / x"
    assert set(want["numbers"]) == {cell, "a table / y"}
    for place, change in ((0, 1), (1, 1.1e-6 * 8), (2, -1.1e-6 * 8)):
        now = copy.deepcopy(want)
        now["numbers"][cell][place] += change
        assert [d.split(": ")[:2] for d in differing("case", want, now)] == [["case", cell]]
    near = copy.deepcopy(want)
    near["numbers"][cell][2] += 0.9e-6 * 8
    assert differing("case", want, near) == []
    fewer = {k: v for k, v in want["numbers"].items() if k != cell}
    for now in ({**want, "words": ["two"]}, {**want, "words": ["one", "two", "more"]}, {**want, "words": ["two", "one"]},
                {**want, "numbers": fewer}, {**want, "numbers": {**want["numbers"], "a table / y": "0"}}):
        assert differing("case", want, now)
        assert differing("case", now, want)


def test_a_column_is_condensed_by_count_size_place_and_words() -> None:
    assert condensed([2.0, None, -3.0, float("inf"), True]) == pytest.approx(
        [3, 6.0, 2 * 1.6180339887 - 3 * (1 + 3 * 0.6180339887 % 1) + (1 + 5 * 0.6180339887 % 1)])
    assert condensed([1.0, 2.0])[2] != condensed([2.0, 1.0])[2]
    assert condensed(["a", "b"]) != condensed(["b", "a"])
    assert isinstance(condensed(["a", 1.0]), str)


def test_what_is_written_comes_back() -> None:
    cases = {"a": kept([("x / y", [2, 1.5, -0.25]), ("z", "0a")], ['one "two"', "µm"]), "b": kept(())}
    assert json.loads(written(cases)) == cases
    assert '"x / y": [2, 1.5, -0.25],\n' in written(cases)
