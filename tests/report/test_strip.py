"""The line of each analyte on page one: what it says of a difference whose estimate is not known."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.report import strip
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


def test_an_interval_of_more_than_a_hundredfold_is_told_as_not_known() -> None:
    """Two drums, one of them layered: 50.6 % with an interval up to 9.71e8 %."""
    row = pd.Series({"deciding pair": "lower - upper", "difference": 50.6, "low": -100.0, "high": 9.71e8, "unit": "%",
                     "margin": "±20 %"})
    assert difference(row) == "lower against upper: 50.6\u00a0%" + strip.UNTOLD
    assert "tells nothing" in strip.UNTOLD  # whether containers are few or limits many
    wide = difference(row.replace({-100.0: -20.0, 9.71e8: 9800.0}))
    assert wide.endswith(" to 9800)")


def test_a_number_stays_on_one_line_with_its_unit_in_caption_and_table(tmp_path) -> None:
    root = tmp_path / "s"
    (root / "06-verdict").mkdir(parents=True)
    stage = SimpleNamespace(study=SimpleNamespace(alpha=0.05, level="90 %", analytes={}), out=root / "07-report", root=root,
                            read_table=lambda *_, **__: pd.DataFrame({
                                "analyte": ["KV40"], "name": ["viscosity at 40 °C"], "verdict": ["homogeneous"],
                                "difference": [0.1], "low": [0.0], "high": [0.2], "unit": ["%"], "margin": ["±1 %"],
                                "deciding pair": ["lower - upper"], "stock": ["homogeneous"]}))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(strip, "in_a_word", lambda _: {"KV40": "homogeneous"})
        patch.setattr(strip, "intervals_named", lambda _: "90 % interval")
        assert list(strip.answer_table(stage).iloc[0]) == [
            "viscosity at 40\u00a0°C", "homogeneous", "lower against upper: 0.100\u00a0% (0 to 0.200)", "±1\u00a0%"]
        assert "90\u00a0% interval" in strip.caption(stage)
