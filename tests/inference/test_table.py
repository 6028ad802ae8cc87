"""What a table of determinations is read as: its decimal step, and margins that time cannot be told with."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from studykit.core.errors import BadInput, Fault
from studykit.inference import table as reading
from studykit.inference.table import MOST_ROWS, _months, read_aged, read_table

CALL = {"margin": {"absolute": 1}, "depths": ["top", "bottom"], "alpha": 0.05, "share": 0.2, "groups": []}


def table_of(*values: str) -> pd.DataFrame:
    return pd.DataFrame([(c, z, v) for c in range(4) for z, v in zip(("top", "bottom"), values, strict=True)],
                        columns=["container", "depth", "value"])


@pytest.mark.parametrize(("values", "step"), [(("10.1", "10.2"), 0.1), (("10.10", "10.2"), 0.01), (("10", "<12"), 1.0)])
def test_the_step_is_that_of_the_written_numbers_and_limits_have_none(values: tuple[str, str], step: float) -> None:
    _, cells = read_table(table_of(*values), weights=None, **CALL)  # type: ignore[arg-type]  # one call of many
    assert cells.step == pytest.approx(step)


def test_time_is_told_with_a_margin_on_both_sides_only() -> None:
    table = table_of("10.1", "10.2").assign(months=[0, 0, 6, 6, 12, 12, 18, 18])
    _, rows = read_aged(table, **CALL)  # type: ignore[arg-type]
    assert len(rows) == 8
    with pytest.raises(BadInput, match="leave out the side"):
        read_aged(table, **CALL | {"margin": {"absolute": 1, "side": "above"}})  # type: ignore[arg-type]
    with pytest.raises(BadInput) as told:
        read_aged(table, **CALL | {"margin": {"absolut": 1}})  # type: ignore[arg-type]
    assert "leave out the side" not in str(told.value)


@pytest.mark.parametrize(("months", "said"), [
    ([6, 12.5, 6], ""), (["6", "12"], ""), ([0, 3], ""), ([6, 6, 6], "all ages are equal"),
    *((wrong, "must be months of standing") for wrong in ([-1, 3], [1e9, 3], [True, 3], ["soon", 3]))])
def test_ages_are_numbers_of_which_two_differ(months: list[object], said: str) -> None:
    found, faults = _months(pd.Series(months, dtype=object))
    assert bool(faults) == bool(said)
    assert all(said in f.reason for f in faults)
    if not said:
        assert found.tolist() == [float(str(m)) for m in months]


@pytest.mark.parametrize(("wrong", "named", "more"), [(1, 1, ""), (20, 20, ""), (21, 20, "1 more rows like these"),
                                                      (23, 20, "3 more rows like these")])
def test_rows_that_are_wrong_in_one_way_are_named_up_to_twenty(wrong: int, named: int, more: str) -> None:
    rows = [(i // 2, ("top", "bottom")[i % 2], "x" if i < wrong else "3") for i in range(40)]
    table = pd.DataFrame(rows, columns=["container", "depth", "value"])
    with pytest.raises(BadInput) as told:
        read_table(table, weights=None, **CALL)  # type: ignore[arg-type]  # one call of many
    assert MOST_ROWS == 20
    assert [f.row for f in told.value.faults if f.row] == list(range(1, named + 1))
    assert [f.reason for f in told.value.faults if not f.row] == [more] * bool(more)


def said(call, *args: object, **more: object) -> str:
    """Everything that a refusal says, '' where nothing is refused."""
    try:
        call(*args, **more)
    except BadInput as error:
        return " | ".join(f"{f.file}.{f.column}[{f.row}] {f.value}: {f.reason}" for f in error.faults)
    return ""


@pytest.mark.parametrize(("value", "label"), [(None, ""), (pd.NA, ""), (pd.NaT, ""), (math.nan, ""), (np.float32("nan"), ""),
                                              (3.0, "3"), (np.float64(-2), "-2"), (2.5, "2.5"), (7, "7"), (" a ", "a"),
                                              (True, "True"), (math.inf, "inf")])
def test_labels_are_texts_without_needless_points(value: object, label: str) -> None:
    assert reading.label_of(value) == label


@pytest.mark.parametrize(("margin", "fault"), [
    ({"absolute": 1e-99}, ""), ({"absolute": 1e100}, "finite number above 0"), ({"absolute": 0}, "finite number above 0"),
    ({"absolute": -1}, "finite number above 0"), ({"absolute": True}, "finite number above 0"),
    ({"absolute": "2"}, "finite number above 0"), ({"absolute": math.nan}, "finite number above 0"),
    ({"relative_percent": 99.99}, ""), ({"relative_percent": 100}, "below 100"), ({"factor": 1000}, ""),
    ({"factor": 1000.1}, "at most 1000"), ({"factor": 1.000001}, ""), ({"factor": 1.0000009}, "above 1"),
    ({"absolute": 100}, ""), ({"absolute": 0.5}, ""), ({"relative_percent": 0.5}, ""),
    ({"factor": 2, "absolute": 2}, "exactly one"), ({}, "exactly one"), ({"side": "above"}, "exactly one"),
    ({"wide": 2}, "exactly one"), (2, "exactly one"), ({"factor": 2, "side": "left"}, "'below' or 'above'"),
    ({"factor": 2, "side": None}, ""), ({"factor": 2, "side": "above"}, "")])
def test_margins_are_read_with_their_bounds(margin: object, fault: str) -> None:
    found, faults = reading.read_margin(margin)  # type: ignore[arg-type]
    assert [fault in f.reason for f in faults] == [True] * bool(fault)
    assert (found is None) == bool(fault)


@pytest.mark.parametrize(("given", "labels"), [(["a", 1, 2.0], ["a", "1", "2"]), (("a",), ["a"]), (range(2), ["0", "1"]),
                                               (pd.Series([1.0, None]), ["1", ""]), (np.array([[1, 2]]), ["1", "2"]),
                                               (pd.Index(["x"]), ["x"]), ("ab", []), ({"a": 1}, []), (None, []), ([], [])])
def test_lists_of_labels_come_as_what_python_and_pandas_have(given: object, labels: list[str]) -> None:
    found, faults = reading._listed_labels(given, "depths")
    assert found == labels
    assert bool(faults) == (given is None or isinstance(given, str | dict))


@pytest.mark.parametrize(("depths", "alpha", "share", "faults"), [
    (["a", "b"], 0.05, None, ""), (["a"], 0.05, None, "depths"), (["a", "a"], 0.05, None, "depths"),
    (["a", ""], 0.05, None, "depths"),
    ("ab", 0.05, None, "depths"), (["a", "b"], 0, None, "alpha"), (["a", "b"], 0.5, None, "alpha"),
    (["a", "b"], 0.49, 0.99, ""),
    (["a", "b"], 0.01, 1, "share"), (["a", "b"], 0.01, 0, "share"), (["a", "b", "c"], 0.01, 0.001, ""),
    (["a", "b"], "0.05", True, "alpha share"), ([], 1, 2, "depths alpha share")])
def test_a_call_has_two_depths_and_shares_between_their_ends(depths: object, alpha: object, share: object, faults: str) -> None:
    assert " ".join(f.file for f in reading._call_faults(depths, alpha, share)[1]) == faults


def test_shares_of_zones_go_with_a_margin_on_one_side() -> None:
    plain, sided = (reading.read_margin({"absolute": 1, **m})[0] for m in ({}, {"side": "above"}))
    for weights, margin, good in (([1, 2], sided, True), (None, plain, True), ([1, 2], plain, False), ([1], sided, False),
                                  ([1, 0], sided, False), ([1, "2"], sided, False), ("12", sided, False), ([1, 2], None, True),
                                  (np.array([0.5, 1.5]), sided, True), (pd.Series([3, 1]), sided, True),
                                  ((1, -1), sided, False)):
        found, faults = reading._shares(weights, ["a", "b"], margin)
        assert (not faults) == good
        assert (None if found is None else found.tolist()) == (list(weights) if good and weights is not None else None)


def test_columns_are_there_once_and_rows_are_there() -> None:
    table = pd.DataFrame([[1, 2, 3, 4]], columns=["a", "b", "b", 5])
    there, faults = reading._columns(table, ["a", "b", "c", "a"], "table")
    assert there == {"a"}
    assert [(f.column, f.reason) for f in faults] == [("b", "is there twice"), ("c", "is not there")]
    assert [f.reason for f in reading._columns(table.iloc[:0], ["a"], "table")[1]] == ["has no rows"]
    assert [f.reason for f in reading._columns([1], ["a"], "table")[1]] == ["must be a data frame"]
    wide = pd.DataFrame([range(25)], columns=[f"k{i}" for i in range(25)])
    assert reading._columns(wide, ["x"], "table")[1][0].remedy.endswith("k18, k19")


@pytest.mark.parametrize(("text", "log", "low", "high", "fault"), [
    ("2.5", True, 2.5, 2.5, ""), ("<2", True, 0.0, 2.0, ""), (" > 50 ", True, 50.0, math.inf, ""),
    ("<-54", False, -math.inf, -54.0, ""),
    ("<0", False, -math.inf, 0.0, ""), ("<0.5", False, 0.0, 0.5, ""), ("1e3", True, 1000.0, 1000.0, ""),
    (".5", True, 0.5, 0.5, ""),
    ("", True, math.nan, math.nan, ""), (None, True, math.nan, math.nan, ""), ("0", False, 0.0, 0.0, ""),
    ("0", True, 0.0, 0.0, "above 0"), ("-1", True, -1.0, -1.0, "above 0"), ("-1", False, -1.0, -1.0, ""),
    ("<-1", True, -math.inf, -1.0, "above 0"), ("0.5", True, 0.5, 0.5, ""),
    ("1e100", False, 1e100, 1e100, "1e-100 to 1e100"), ("9e99", False, 9e99, 9e99, ""),
    ("-1e100", False, -1e100, -1e100, "1e-100"),
    ("1e-100", True, 1e-100, 1e-100, "1e-100"), ("1.1e-100", True, 1.1e-100, 1.1e-100, ""),
    ("abc", False, math.nan, math.nan, "not a number"), ("1e999", False, math.nan, math.nan, "not a number"),
    (True, False, math.nan, math.nan, "not a number"), (np.True_, False, math.nan, math.nan, "not a number"),
    (math.inf, False, math.nan, math.nan, "not a number"), ("1,5", False, math.nan, math.nan, "not a number")])
def test_a_value_lies_between_its_ends_or_is_refused(text: object, log: bool, low: float, high: float, fault: str) -> None:
    least, most, _, faults = reading._values(pd.Series([text], dtype=object), log)
    assert (least[0], most[0]) == pytest.approx((low, high), nan_ok=True)
    assert [fault in f.reason for f in faults] == [True] * bool(fault)


@pytest.mark.parametrize(("values", "step"), [
    (["1.25", "3.0"], 0.01), (["1", "2"], 1.0), (["1e1", "2"], None), (["1.5", 2.0], None), (["<1.25", "3.0"], 0.1),
    (["<1", "<2"], None),
    (["0.12345678"], 1e-8), (["0.123456789"], None), (["", "7.5"], 0.1), ([], None)])
def test_the_step_is_that_of_the_most_decimals_where_all_numbers_are_text(values: list[object], step: float | None) -> None:
    found = reading._values(pd.Series(values, dtype=object), False)[2]
    assert found is None if step is None else found == pytest.approx(step, rel=1e-12)


@pytest.mark.parametrize(("value", "good"), [(0, True), ("0.5", True), (1199.99, True), (1200, False), (-0.1, False),
                                             ("", False), ("<6", False),
                                             (True, False), (np.True_, False), ("six", False), (math.nan, False)])
def test_months_lie_between_none_and_a_hundred_years(value: object, good: bool) -> None:
    out, faults = _months(pd.Series([value, 3], dtype=object))
    assert bool(faults) != good
    assert out[1] == 3
    assert np.isnan(out[0]) != good


def test_a_label_written_two_ways_is_asked_about_and_empty_ones_are_named() -> None:
    faults: list[Fault] = []
    table = pd.DataFrame({"c": [1, "1", 2, "x", "", None]}, dtype=object)
    assert reading._texts(table, "c", {"c"}, "table", faults) == ["1", "1", "2", "x", "", ""]
    assert [(f.row, f.value, f.reason) for f in faults] == [(5, "", "is empty"), (6, "", "is empty"),
                                                           (None, "1", "is written as a number and as text")]
    assert reading._texts(table, "c", set(), "table", faults) == []
    more: list[Fault] = []
    reading._texts(pd.DataFrame({"c": [*range(30), *map(str, range(30))]}, dtype=object), "c", {"c"}, "table", more)
    assert len(more) == MOST_ROWS == 20
    none: list[Fault] = []
    reading._texts(pd.DataFrame({"c": [1, 1.0, 2]}, dtype=object), "c", {"c"}, "table", none)
    assert none == []


def test_a_group_is_one_level_a_container() -> None:
    table = pd.DataFrame({"lot": ["K", "K", "L", "M", "N", ""], "store": [1, 1.0, 2, 2, 3, 3]}, dtype=object)
    containers = ["a", "a", "b", "b", "c", "d"]
    keys, faults = reading._group_keys(table, containers, ["a", "b", "c", "d"], ["lot", "store"])
    assert keys == ["K, 1", "L, 2", "N, 3", ", 3"]
    assert [(f.column, f.value, f.reason) for f in faults] == [("lot", "L, M", "container b has several levels"),
                                                              ("lot", "", "container d has no level")]
    assert reading._group_keys(table, containers, ["a", "b"], []) == (["", ""], [])


@pytest.mark.parametrize(("containers", "depth", "lost", "keys", "faults"), [
    ("aabb", "uvuv", "", "KK", ()), ("aabb", "uvuv", "01", "KK", ("1 container",)), ("aabb", "uvuv", "13", "KK", ("1 depth",)),
    ("aabb", "uvuv", "0123", "KK", ("0 container", "0 depth")), ("aabb", "uvuv", "", "KL", ("no two containers",)),
    ("abc", "uvu", "", "KKL", ()), ("abc", "uvu", "", "KLM", ("no two containers",)), ("ab", "uv", "", ("", ""), ())])
def test_scatter_needs_two_containers_two_depths_and_two_alike(containers, depth, lost, keys, faults) -> None:
    low = np.array([math.nan if str(i) in lost else 1.0 for i in range(len(containers))])
    found = reading._too_few([*containers], [*depth], low, [*keys])
    assert [any(word in f.reason for word in faults) for f in found] == [True] * len(faults)


@pytest.mark.parametrize(("values", "rows", "log", "fault"), [
    ([[1, 2]], 2, True, ""), ([[1, 2]], 3, True, "studies x 3 rows"), ([1, 2], 2, True, "studies"),
    ([[1, 0]], 2, True, "1 are not above 0"),
    ([[0, -1]], 2, True, "2 are not above 0"), ([[0, -1]], 2, False, ""),
    ([[1, math.inf], [2, -math.inf]], 2, False, "2 are infinite"),
    ([[1, math.nan]], 2, True, ""), ([[True, False]], 2, False, "real numbers"), ([[1j, 2]], 2, False, "real numbers"),
    ([[1], [1, 2]], 2, False, "rows of one length"), ([["a", 1]], 2, False, "not all numbers"),
    ([[1e100, 1]], 2, False, "outside"),
    ([[9e99, -9e99]], 2, False, ""), ([[1e-100, 1]], 2, False, "outside"), ([[2e-100, 1]], 2, False, ""),
    ([[1, 2]], None, False, ""),
    (np.ma.masked_array([[1.0, -5.0]], [[False, True]]), 2, True, ""), (np.array([[1, None]], dtype=object), 2, True, "")])
def test_studies_are_rows_of_numbers(values, rows, log, fault) -> None:
    found, faults = reading._studies(values, rows, log)
    assert [fault in f.reason for f in faults] == [True] * bool(fault)
    assert bool(fault) or found.shape == (1, 2)


@pytest.mark.parametrize(("change", "call", "faults"), [
    ({}, {}, ""),
    ({"depth": ["top", "bottom"] * 3 + ["top", "side"]}, {}, "table.depth[8] side: is none of the depths asked for"),
    ({}, {"depths": ["top", "top"]}, "depths.[None] top, top: must be two or more different labels"),
    ({}, {"groups": ["lot"]}, "table.lot[None] : is not there"),
    ({}, {"groups": "lot"}, "table.lot[None] : is not there"),
    ({"lot": list("KKKKLLLL")}, {"groups": ["lot"]}, ""), ({"lot": list("KKKKLLLL")}, {"groups": "lot"}, ""),
    ({"lot": list("KLKKLLLL")}, {"groups": ["lot", "lot"]},
     "groups.[None] lot, lot: names a column twice | table.lot[None] K, L: container 0 has several levels"),
    ({"lot": list("KKLLMMNN")}, {"groups": ["lot"]},
     "table.container[None] : the groups leave no two containers alike, so that their scatter cannot be seen"),
    ({"container": [0] * 8}, {"alpha": 0.7}, "alpha.[None] 0.7: must lie between 0 and 0.5"),
    ({"container": [0] * 8}, {}, "table.container[None] : 1 container with values: scatter between containers cannot be seen")])
def test_a_table_is_read_or_every_fault_is_told(change: dict[str, list[object]], call: dict[str, object], faults: str) -> None:
    table = table_of("10.1", "10.2").assign(**change)
    assert said(read_table, table, **CALL | call) == faults
    if faults == "":
        margin, cells = read_table(table, **CALL | call)  # type: ignore[arg-type]  # one call of many
        assert margin.edge == 1
        assert cells.low.tolist() == [[10.1, 10.2]] * 4
        assert cells.group_names == (("K", "L") if "lot" in change else ())
        assert (None if cells.groups is None else cells.groups.tolist()) == (
            [[1, 0], [1, 0], [0, 1], [0, 1]] if "lot" in change else None)


@pytest.mark.parametrize(("change", "call", "faults"), [
    ({}, {}, ""), ({"lot": list("KKKKLLLL")}, {"groups": ["lot"]}, ""),
    ({"depth": ["top", "bottom"] * 3 + ["top", "side"]}, {}, "table.depth[8] side: is none of the depths asked for"),
    ({}, {"share": None}, "share.[None] None: must lie between 0 and 1"),
    ({}, {"depths": []}, "depths.[None] : must be two or more different labels"),
    ({"depth": [""] * 8}, {"depths": ["top"]}, "depths.[None] top: must be two or more different labels | " + " | ".join(
        f"table.depth[{i}] : is empty" for i in range(1, 9))),
    ({"lot": list("KLKKLLLL")}, {"groups": ["lot"]}, "table.lot[None] K, L: container 0 has several levels"),
    ({"months": [6.0] * 8}, {}, "table.months[None] 6: all ages are equal: nothing can be said of time")])
def test_a_table_over_time_is_read_or_every_fault_is_told(change: dict[str, list[object]], call: dict[str, object],
                                                          faults: str) -> None:
    table = table_of("<12", "10.2").assign(months=[0, 0, 6, 6, 12, 12, 18, 18]).assign(**change)
    table.loc[7, "value"] = None
    assert said(read_aged, table, **CALL | call) == faults
    if faults == "":
        margin, rows = read_aged(table, **CALL | call)  # type: ignore[arg-type]  # one call of many
        assert margin.edge == 1
        assert rows["months"].tolist() == [0, 0, 6, 6, 12, 12, 18]
        assert rows["value"].isna().tolist() == [True, False] * 3 + [True]
        assert rows["container"].tolist() == [*"0011223"]
        assert "lot" not in change or rows["lot"].tolist() == [*"KKKKLLL"]
