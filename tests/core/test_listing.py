"""Names in a row, also such as have commas."""

from __future__ import annotations

import pytest

from studykit.core.listing import both, in_sequence, of_series, places_of, series
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


def test_numbers_in_names_are_in_sequence_by_size():
    assert in_sequence(["R10", "R2", "R1", "R2"]) == ["R1", "R2", "R10"]
    assert in_sequence([12, "7", "100"]) == ["7", "12", "100"]
    assert in_sequence(["2026-03-12/2", "2026-03-12/11", "2025-12-01/3"]) == ["2025-12-01/3", "2026-03-12/2", "2026-03-12/11"]
    assert in_sequence(["b", "", "a", "R01", "R1", "7b", "\u00b2"]) == ["", "7b", "R01", "R1", "a", "b", "\u00b2"]
    assert in_sequence(["R" + "9" * 5000, "R1" + "0" * 5000, "R2"]) == ["R2", "R" + "9" * 5000, "R1" + "0" * 5000]
    assert places_of(["R10", "R9"]) == {"R9": 0, "R10": 1}
