"""A difference beside a factor is told as a factor; the reference is arithmetic by hand."""

from __future__ import annotations

import pytest

from studykit.study.definition import Margin
from studykit.study.spans import amount, on_margin, unit_told


@pytest.mark.parametrize(("x", "unit", "margin", "told"), [
    (289.6, "%", "a factor of 2", "3.90 times"),  # 100 % more is twice as much
    (-71.14, "%", "a factor of 1.5", "0.289 times"), (0.0, "%", "a factor of 2 below the mixed container", "1.00 times"),
    (12.34, "%", "\u00b18 %", "+12.3 %"), (-0.0154, "1", "\u00b10.3", "\u22120.0154"),
    (0.8, "mg/kg", "\u00b12 mg/kg", "+0.800 mg/kg")])
def test_a_difference_is_told_on_the_scale_of_its_margin(x, unit, margin, told):
    assert amount(x, unit, margin, signed=True) + unit_told(unit, margin) == told


def test_a_number_without_a_unit_has_none_in_its_margin_either():
    assert Margin(absolute=0.3).text("1") == "\u00b10.3"
    assert Margin(absolute=0.3, side="below").text("1") == "0.3 below the mixed container"
    assert on_margin(0.2, "1", "\u00b10.3") == (0.2, "")
