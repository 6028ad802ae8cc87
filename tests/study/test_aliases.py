"""Levels of a factor that stand at ages of their own are named before the lock."""

from __future__ import annotations

import pandas as pd

from studykit.study.aliases import aliases


def test_levels_whose_ages_lie_apart_are_named() -> None:
    ages = [4, 12, 20, 30] * 4
    table = pd.DataFrame({"age_months": [float(a) for a in ages], "cap": ["screw" if a < 15 else "lid" for a in ages]})
    assert [(a.first, a.second, a.wholly) for a in aliases(table, ["cap", "age_months"])] == [("cap", "age_months", False)]
    crossed = table.assign(cap=["screw", "lid"] * 8, age_months=table["age_months"].sort_values().to_numpy())
    assert aliases(crossed, ["cap", "age_months"]) == ()
