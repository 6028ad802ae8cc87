"""Marks of cells in the laboratory's files, carried through the results into quality."""

from __future__ import annotations

import pandas as pd

from studykit.quality import plausibility


def table(*marks: str) -> pd.DataFrame:
    n = len(marks)
    return pd.DataFrame({"sample": [f"B{i}" for i in range(n)], "analyte": "Si", "value": 9.8, "unit": "mg/kg",
                         "source_file": "a.xlsx", "source_row": range(2, n + 2), "marks": list(marks)})


def test_each_mark_is_shown_with_its_results() -> None:
    got = plausibility.marked_cells(table("", "text", "hidden, confirmed", "text"))
    assert got.table["sample"].tolist() == ["B1", "B2", "B3"]
    assert [(f.where, f.concern) for f in got.flags] == [("1 result", "hint only"), ("2 results", "hint only")]
    assert "marked 'hidden, confirmed' (B2 Si)" in got.flags[0].evidence
    named = plausibility.marked_cells(table("", "text", "hidden, confirmed", "text"), {"Si": "silicon"}.__getitem__)
    assert "marked 'hidden, confirmed' (B2 silicon)" in named.flags[0].evidence


def test_results_without_marks_say_nothing() -> None:
    assert plausibility.marked_cells(table("", "")).flags == ()
    assert plausibility.marked_cells(table("").drop(columns="marks")).flags == ()
