"""Lines of limits in doubt: what the check fluid reads alike in every run, five times and more off the middle of its limits."""

from __future__ import annotations

import pandas as pd
import pytest

from studykit.quality.doubtful import doubtful_limits, room_for_a_slip, without

NAN = float("nan")


def lines(*rows: tuple[object, ...]) -> pd.DataFrame:
    """Rows of ``slips.file_table``: run, analyte, check fluid, middle of limits, power by the fluid and by the stock."""
    return pd.DataFrame(rows, columns=["run", "analyte", "check_fluid", "middle_of_limits", "by_fluid", "by_stock"])


def found(*rows: tuple[object, ...]) -> list[tuple[str, float, float]]:
    return list(doubtful_limits(lines(*rows)).table.itertuples(index=False, name=None))


def test_runs_that_agree_far_from_the_limits_put_the_line_in_doubt() -> None:
    """Runs read 90, 100 and 104, their middle is 100; the limits say 10."""
    told = doubtful_limits(lines(("R1", "P", 90.0, 10.0, 1.0, 0.0), ("R2", "P", 104.0, 10.0, 1.0, 0.0),
                                 ("R3", "P", 100.0, 10.0, 1.0, 0.0), ("R1", "Zn", 11.0, 10.0, 0.0, 0.0)))
    assert list(told.table.itertuples(index=False, name=None)) == [("P", 100.0, 10.0)]
    (flag,) = told.flags
    assert (flag.analyte, flag.concern, flag.where) == ("P", "ask before trusting", "plan/check_limits.csv")
    assert "reads about 100 in every run alike (R1, R2 and R3), and the middle of its limits is 10" in flag.evidence
    assert "the containers read as the value as filled lets one expect" in flag.evidence


@pytest.mark.parametrize(("reads", "doubted"), [(50.0, True), (49.9, False), (2.0, True), (2.01, False), (10.0, False)])
@pytest.mark.parametrize("middle", [10.0, 0.5])
def test_from_a_factor_of_five_up_or_down(middle: float, reads: float, doubted: bool) -> None:
    assert bool(found(("R1", "P", reads * middle / 10, middle, NAN, NAN))) == doubted


@pytest.mark.parametrize(("other", "doubted"), [(150.0, True), (151.0, False), (67.0, True), (66.0, False)])
def test_runs_that_differ_by_more_than_half_say_nothing_of_the_line(other: float, doubted: bool) -> None:
    assert bool(found(("R1", "P", 100.0, 10.0, 1.0, NAN), ("R2", "P", other, 10.0, 1.0, NAN))) == doubted


@pytest.mark.parametrize(("by_fluid", "by_stock", "doubted"), [
    ((1.0, 1.0), (1.0, 1.0), False),  # stock and check fluid are off alike: it is the files
    ((1.0, 1.0), (1.0, NAN), False),  # of the other file the stock is not known
    ((1.0,), (1.0,), False), ((1.0, 1.0), (2.0, 1.0), True),
    ((1.0, 1.0), (1.0, 0.0), True),  # one file's stock reads as filled
    ((1.0, 1.0), (NAN, NAN), True), ((NAN, NAN), (1.0, 1.0), True),
    ((0.0, 0.0), (0.0, 0.0), True)])  # no power of ten at all
def test_a_stock_that_is_off_by_the_same_power_says_it_is_the_files(by_fluid: tuple[float, ...],
                                                                    by_stock: tuple[float, ...], doubted: bool) -> None:
    rows = [(run, "P", 100.0, 10.0, f, s) for run, f, s in zip(("R1", "R2"), by_fluid, by_stock, strict=False)]
    assert bool(found(*rows)) == doubted


def test_two_lines_exchanged_are_a_matter_of_columns() -> None:
    """P reads 500 where its line says 50, Zn 50 where its line says 500: each fits the other's within a factor of 1.5."""
    own = [("R1", "P", 500.0, 50.0, 1.0, NAN), ("R1", "Zn", 50.0, 500.0, -1.0, NAN)]
    assert found(*own) == []
    assert found(own[0], ("R1", "Zn", 50.0, 334.0, NAN, NAN)) == []  # 334 * 1.5 is above 500
    assert [a for a, *_ in found(own[0], ("R1", "Zn", 50.0, 333.0, NAN, NAN))] == ["P", "Zn"]
    assert found(("R1", "P", 5.0, 0.5, 1.0, NAN), ("R1", "Zn", 0.5, 5.0, -1.0, NAN)) == []
    assert [a for a, *_ in found(own[0], ("R1", "Zn", 50.0, 750.0, NAN, NAN))] == ["P", "Zn"]
    assert found(own[0], ("R1", "Zn", 50.0, 749.0, NAN, NAN)) == []
    assert [a for a, *_ in found(own[0], ("R1", "Zn", 50.0, 751.0, NAN, NAN))] == ["P", "Zn"]
    assert [a for a, *_ in found(own[0], ("R1", "Zn", 500.0, 500.0, 0.0, NAN))] == ["P"]  # one way only


def test_what_has_no_reading_or_no_middle_is_left_out() -> None:
    assert found(("R1", "P", NAN, 10.0, NAN, NAN), ("R1", "Zn", 100.0, 0.0, NAN, NAN), ("R1", "S", 90.0, NAN, NAN, NAN)) == []
    assert found(("R1", "P", NAN, 10.0, NAN, NAN), ("R2", "P", 100.0, 10.0, 1.0, NAN)) == [("P", 100.0, 10.0)]


def test_the_words_say_how_many_runs_and_what_the_containers_read() -> None:
    one = doubtful_limits(lines(("R1", "P", 100.0, 10.0, 1.0, NAN))).flags[0].evidence
    assert "in the one run there is" in one
    assert ": a slip in that line, likeliest, or one wrong unit in every file" in one
    two = doubtful_limits(lines(("R2", "P", 100.0, 10.0, 1.0, NAN), ("R1", "P", 100.0, 10.0, 1.0, NAN))).flags[0].evidence
    assert "in every run alike (R1 and R2), and" in two
    unnamed = doubtful_limits(lines(("", "P", 100.0, 10.0, 1.0, 0.0), ("R2", "P", 100.0, 10.0, 1.0, 1.0))).flags[0].evidence
    assert "in every run alike, and" in unnamed  # one of the two runs has no name: no list of names
    assert "or one wrong unit in every file" in unnamed  # one stock reads as filled, the other does not
    assert "the value as filled" in doubtful_limits(lines(("R1", "P", 100.0, 10.0, 1.0, 0.0))).flags[0].evidence


def test_readings_are_held_against_no_line_in_doubt() -> None:
    limits = pd.DataFrame({"analyte": ["P", "Zn"], "low": [9.0, 90.0]})
    doubt, none = doubtful_limits(lines(("R1", "P", 100.0, 10.0, 1.0, NAN))), doubtful_limits(lines())
    left = without(limits, doubt)
    assert left is not None
    assert left.to_dict("list") == {"analyte": ["Zn"], "low": [90.0]}
    assert list(left.index) == [0]
    assert without(limits, none) is limits
    assert without(None, doubt) is None


@pytest.mark.parametrize(("low", "high", "width", "least", "room"), [
    (1.0, 10.0, 0.0, 0.0, True), (1.0, 9.9, 0.0, 0.0, False), (0.0, 1.0, 0.0, 0.0, True), (-0.1, 10.0, 0.0, 0.0, False),
    (1.0, 10.0, 9.0, 0.0, False), (1.0, 10.0, 8.9, 0.0, True),  # the width itself is no room
    (1.0, 10.0, 0.0, 10.0, False), (1.0, 10.0, 0.0, 9.9, True)])  # nor ten times the reporting limit
def test_room_for_a_power_of_ten(low: float, high: float, width: float, least: float, room: bool) -> None:
    assert room_for_a_slip(low, high, width, least) is room
