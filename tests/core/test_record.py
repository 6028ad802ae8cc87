"""Numbers reach prose only through their record, formatted in one place."""

import math

import numpy as np
import pytest

from studykit.core import record as numbers
from studykit.core.record import Recorder, fill, quote, significant


@pytest.mark.parametrize(("value", "digits", "text"), [
    (0.0, 3, "0"), (1.0, 3, "1.00"), (73.28549, 3, "73.3"), (-0.664129, 3, "\u22120.664"), (123456.0, 3, "123456"),
    (99.96, 3, "100"), (0.00012345, 3, "0.000123"), (1e-7, 3, "1.00e\u221207"), (2.5e9, 2, "2.5e+09"),
    (math.inf, 3, "∞"), (-math.inf, 3, "\u2212∞"), (math.nan, 3, ""), (1764.05, 6, "1764.05"), (-1e-9, 1, "\u22121e\u221209"),
])
def test_significant_digits(value, digits, text):
    assert significant(value, digits) == text


@pytest.mark.parametrize(("value", "unit", "text"), [
    (24, "", "24"), (-3, "mm", "\u22123 mm"), ("homogeneous", "", "homogeneous"), (5.0, "%", "5.00 %"), (2.0, "1", "2.00"),
])
def test_quotes(value, unit, text):
    assert quote(value, unit) == text


def test_a_recorder_keeps_a_file_and_refuses_a_name_twice(tmp_path):
    recorder = Recorder("05-model", tmp_path)
    assert recorder.record("mean.P", np.float64(341.234), "mg/kg", 4, table="rows-P.csv") == "341.2 mg/kg"
    assert recorder.record("n", np.int64(72)) == "72"
    assert recorder.record("none", float("nan")) == "not available"
    with pytest.raises(ValueError, match="'n' is recorded already"):
        recorder.record("n", 73)
    read = numbers.read_records(tmp_path / "numbers.json")
    assert [r.name for r in read] == ["mean.P", "n", "none"]
    assert read[0].stage == "05-model"
    assert read[0].table == "rows-P.csv"
    assert (read[0].tolerance, read[1].tolerance) == (1e-6, 0.0)
    assert list(recorder.to_table()["value"]) == ["341.2", "72", "not available"]


def test_a_new_recorder_leaves_the_old_record_until_its_first_number(tmp_path):
    Recorder("s", tmp_path).record("old", 1)
    again = Recorder("s", tmp_path)
    assert [r.name for r in numbers.read_records(tmp_path / "numbers.json")] == ["old"]
    again.record("new", 2)
    assert [r.name for r in numbers.read_records(tmp_path / "numbers.json")] == ["new"]


def test_a_sentence_takes_recorded_numbers_only():
    assert fill("of {n} rows", {"n": "7"}) == "of 7 rows"
    with pytest.raises(ValueError, match=r"recorded number, but got '\{m\}'"):
        fill("of {n} and {m}", {"n": "7"})


def test_a_recorded_text_may_hold_braces():
    assert fill("{a} and {b}", {"a": "tank {b}", "b": "7"}) == "tank {b} and 7"
