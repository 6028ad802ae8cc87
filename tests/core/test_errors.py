"""Errors name the place, the value, the reason and the remedy, all faults at once."""

import pytest

from studykit.core import errors
from studykit.core.errors import BadInput, Fault, RunsDiffer, StudyKitError, single


def test_a_fault_reads_as_one_sentence():
    fault = Fault(file="results.csv", row=14, column="value", value="9,8", reason="is not a number",
                  remedy="write a decimal point")
    assert fault.line() == "results.csv row 14, column value: '9,8': is not a number -> write a decimal point"


def test_a_refusal_lists_every_fault_and_counts_the_rest():
    error = BadInput([Fault(file="a.csv", row=k, reason="is wrong") for k in range(2, 72)])
    text = str(error)
    assert text.startswith("The input has faults: 70 faults.")
    assert "a.csv row 2: is wrong" in text
    assert text.endswith("... and 10 more.")
    assert len(error.rows()) == 70
    assert len(error.rows()[0]) == len(errors.COLUMNS)


def test_a_long_value_is_cut_in_the_message_only():
    error = single("a.csv", "is too long", value="x" * 500, column="note")
    assert "x" * 78 not in str(error)
    assert error.faults[0].value == "x" * 500


def test_every_error_has_its_own_exit_code():
    kinds = StudyKitError.__subclasses__()
    codes = [k.exit_code for k in kinds]
    assert len(set(codes)) == len(codes) == 6
    assert all(c > 0 for c in codes)


def test_differences_travel_inside_the_error():
    with pytest.raises(RunsDiffer, match="differs") as caught:
        raise RunsDiffer("it differs", ({"what": "x"},))
    assert caught.value.differences[0]["what"] == "x"
