"""Names in a row, also such as have commas."""

from __future__ import annotations

import pytest

from studykit.core.listing import both, of_series, series
from studykit.quality.flags import listed


@pytest.mark.parametrize(("names", "row", "last"), [
    ([], "", ""), (["a"], "a", "a"), (["a", "b", "c"], "a, b, c", "a, b and c"),
    (["a (x, y)", "b"], "a (x, y), b", "a (x, y) and b"), (["0,45 µm", "b"], "0,45 µm, b", "0,45 µm and b"),
    (["hall 1, shelf a", "b", "c"], "hall 1, shelf a; b; c", "hall 1, shelf a; b; and c")])
def test_commas_in_a_name_make_semicolons_between_names(names, row, last):
    assert series(names) == row
    assert both(iter(names)) == last
    assert listed(names) == (last or "none")
    assert of_series(row, names) == names
    assert of_series(row, [*names, "z"]) == names
    assert of_series(row, ["z"]) == []
