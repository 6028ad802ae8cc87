"""The line of each analyte on page one: what it says of a difference whose estimate is not known."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from studykit.report.strip import RIM, difference, drawing, x_of


@pytest.mark.parametrize("empty", ["", math.nan])
def test_a_pair_known_only_as_a_limit_has_its_interval_and_no_mark(empty: object) -> None:
    """A column of filed tables without one number is read as text, and '' had ended the report."""
    row = pd.Series({"deciding pair": "middle - upper", "difference": empty, "low": -100.0, "high": math.inf, "unit": "%",
                     "margin": "±5 %"})
    assert difference(row) == "middle against upper: \u2212100 to \u221e %, known only as a limit"
    assert difference(row.replace({-100.0: empty})) == ""
    drawn = drawing(pd.Series({"low": -math.inf, "ratio": empty, "high": math.inf, "verdict": "inconclusive"}))
    assert drawn.count('fill="#1d2733"') == 2  # an arrow at either end, and no mark of an estimate
    assert f"M{x_of(-RIM)} 12H{x_of(RIM)}" in drawn
    assert "class=\"ink\"" not in drawing(pd.Series({"low": empty, "ratio": empty, "high": empty, "verdict": "inconclusive"}))


def test_a_known_difference_stands_before_its_interval() -> None:
    row = pd.Series({"deciding pair": "lower - upper", "difference": "1.5", "low": 0.364, "high": 2.64, "unit": "mg/kg",
                     "margin": "±3 mg/kg"})
    assert difference(row) == "lower against upper: 1.50\u00a0mg/kg (0.364 to 2.64)"
