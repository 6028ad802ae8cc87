"""Numbers from text: nothing ambiguous is guessed, formulas are made harmless."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.core.numbertext import (
    NumberFormat,
    detect_format,
    parse_number,
    safe_cell,
)
from tests.core.whole import QUICK
from tests.kept import differing, stored

POINT, COMMA = NumberFormat(), NumberFormat(decimal=",")
COMMA_POINT = NumberFormat(decimal=",", thousands=".")
POINT_SPACE = NumberFormat(thousands=" ")


@pytest.mark.parametrize(("text", "form", "value"), [
    ("9.8", POINT, 9.8), ("9,8", COMMA, 9.8), (" 9.8 ", POINT, 9.8), ("-3", POINT, -3), ("+3", POINT, 3),
    (".5", POINT, 0.5), ("5.", POINT, 5.0), ("1e3", POINT, 1000), ("1,5E-3", COMMA, 0.0015), ("\u22123", POINT, -3),
    ("1.000", POINT, 1.0), ("1.000", COMMA_POINT, 1000), ("1.234.567,8", COMMA_POINT, 1234567.8),
    ("1 234.5", POINT_SPACE, 1234.5), ("1\u202f234", POINT_SPACE, 1234), ("1'234", NumberFormat(thousands="'"), 1234),
    ("007", POINT, 7), ("0.0", POINT, 0.0),
])
def test_read(text: str, form: NumberFormat, value: float) -> None:
    assert parse_number(text, form).value == value


@pytest.mark.parametrize(("text", "form", "reason"), [
    ("1.000", COMMA, "has a point, but the decimal sign of this file is a comma"),
    ("1,234", POINT, "has a comma, but the decimal sign of this file is a point"),
    ("1.00", COMMA_POINT, "thousands signs in the wrong places"),
    ("12.34.567", COMMA_POINT, "thousands signs in the wrong places"),
    ("0.123", COMMA_POINT, "thousands signs in the wrong places"),
    ("1 234", POINT, "has a space"), ("1_000", POINT, "is not a number"), ("１２", POINT, "is not a number"),
    ("nan", POINT, "is not a number"), ("inf", POINT, "is not a number"), ("fifty", POINT, "is not a number"),
    ("", POINT, "is not a number"), ("0x10", POINT, "is not a number"), ("9.8 mg/kg", POINT, "is not a number"),
    ("1e999", POINT, "too large"), ("1e-999", POINT, "too small"), ("--3", POINT, "is not a number"),
])
def test_refused(text: str, form: NumberFormat, reason: str) -> None:
    number = parse_number(text, form)
    assert number.value is None
    assert reason in number.reason
    assert number.remedy


def test_rules_are_named() -> None:
    assert parse_number("\u22121.234,5", COMMA_POINT).rules == (
        "typographic minus read as -", "thousands sign '.'", "decimal comma")
    with pytest.raises(ValueError, match="thousands must be"):
        NumberFormat(decimal=",", thousands=",")
    with pytest.raises(ValueError, match="decimal must be"):
        NumberFormat(decimal=";")


@pytest.mark.parametrize(("texts", "decimal", "thousands"), [
    (["9,8", "1,234"], ",", ""), (["9.8", "12"], ".", ""), (["1,234,567"], ".", ","), (["1.234,5"], ",", "."),
    (["1", "2"], ".", ""), (["0,123"], ",", ""), (["1234.567"], ".", ""), (["1 234,5"], ",", " "),
    (["04.05.2026", "9,8"], ",", ""),
])
def test_signs_proved(texts: list[str], decimal: str, thousands: str) -> None:
    form = detect_format(texts).form
    assert form == NumberFormat(decimal=decimal, thousands=thousands)


@pytest.mark.parametrize(("texts", "reason"), [
    (["1.234"], "no cell settles it"), (["1,234", "12"], "no cell settles it"),
    (["9.8", "9,8"], "different signs"), (["1.234,5", "1.234"], "'1.234' beside '1.234,5' can be read in two ways"),
    (["1.234,5", "9.8"], "different signs"), (["1,234,567", "1.234.567"], "different"),
])
def test_signs_not_proved(texts: list[str], reason: str) -> None:
    evidence = detect_format(texts)
    assert evidence.form is None
    assert reason in evidence.reason


@pytest.mark.parametrize(("text", "shown"), [
    ("=1+1", "'=1+1"), ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"), ("@SUM(A1)", "'@SUM(A1)"), (" =1", "' =1"),
    ("-1+2", "'-1+2"), ("\tx", "'\tx"), ("\uff1d1", "'\uff1d1"), ("-3.2", "-3.2"), ("+5", "+5"), ("-", "-"), ("a=1", "a=1"),
    ("", ""), ("<1", "<1"),
])
def test_safe_cell(text: str, shown: str) -> None:
    assert safe_cell(text) == shown


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_float_written_is_read_back(value: float) -> None:
    text = repr(value)
    assert parse_number(text, POINT).value == value
    assert parse_number(text.replace(".", ","), COMMA).value == value


@pytest.mark.slow
@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.text(max_size=12))
def test_any_text_is_read_as_python_reads_it_or_refused(text: str) -> None:
    number = parse_number(text, POINT)
    if number.value is not None:
        assert number.value == float(text.strip("\ufeff \u00a0\u2007\u2009\u202f\t\r\n\x0b\x0c\x1c\x1d\x1e\x1f\x85")
                                     .replace("\u2212", "-").strip())
    else:
        assert number.reason
        assert number.remedy


def test_every_text_under_every_pair_of_signs_gives_what_is_stored() -> None:
    """As it stood (``tests.kept``)."""
    assert differing("numbers", stored("core")["numbers"], QUICK["numbers"]()) == []
