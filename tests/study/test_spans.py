"""A difference beside a factor is told as a factor; the reference is arithmetic by hand."""

from __future__ import annotations

import pandas as pd
import pytest

from studykit.study.definition import Margin
from studykit.study.spans import amount, in_times, on_margin, unit_told


@pytest.mark.parametrize(("x", "unit", "margin", "told"), [
    (289.6, "%", "a factor of 2", "3.90 times"),  # 100 % more is twice as much
    (-71.14, "%", "a factor of 1.5", "0.289 times"), (0.0, "%", "a factor of 2 below the mixed container", "1.00 times"),
    (12.34, "%", "\u00b18 %", "+12.3 %"), (-0.0154, "1", "\u00b10.3", "\u22120.0154"),
    (0.8, "mg/kg", "\u00b12 mg/kg", "+0.800 mg/kg")])
def test_a_difference_is_told_on_the_scale_of_its_margin(x, unit, margin, told):
    assert amount(x, unit, margin, signed=True) + unit_told(unit, margin) == told


def test_a_table_has_ratios_of_analytes_with_a_factor_and_leaves_the_others():
    """+100 % is twice, -50 % a half, by hand; a level, a text and another unit are no such difference."""
    table = pd.DataFrame({"analyte": ["dust", "iron", "dust"], "contrast": "lower - upper", "estimate": [100.0, 100.0, 7.0],
                          "low": [-50.0, -50.0, -1.0], "mean": 100.0, "unit": ["%", "%", "mg/kg"]})
    told = in_times(table, ["dust"])
    assert told["estimate"].tolist() == [2.0, 100.0, 7.0]
    assert told["low"].tolist() == [0.5, -50.0, -1.0]
    assert told["unit"].tolist() == ["times", "%", "mg/kg"]
    assert told[["mean", "contrast"]].equals(table[["mean", "contrast"]])
    assert in_times(told, ["dust"]).equals(told)  # told once
    assert in_times(table, []).equals(table)
    assert amount(2.0, "times", "a factor of 2") + unit_told("times", "a factor of 2") == "2.00 times"
    assert in_times(table.drop(columns="unit"), ["dust"]).equals(table.drop(columns="unit"))


def test_a_number_without_a_unit_has_none_in_its_margin_either():
    assert Margin(absolute=0.3).text("1") == "\u00b10.3"
    assert Margin(absolute=0.3, side="below").text("1") == "0.3 below the mixed container"
    assert on_margin(0.2, "1", "\u00b10.3") == (0.2, "")
