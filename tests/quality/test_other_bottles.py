"""What other bottles, blanks and files say of a reading, by hand: limits of what agrees, shares, powers of ten."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import log, log10
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.quality.explain import Candidate
from studykit.quality.frame import Frame
from studykit.quality.memory import _alike, _fluid_gain, blank_share, consensus, joined
from studykit.quality.profiles import bounds, differs_by_depth, heel_gain, refuted
from studykit.quality.slips import _between_files, _judge, _misfit, _other_column, _power, check_files, file_table
from tests.quality.hand import paid, scene_of
from tests.quality_cases import study_of

NAN = float("nan")


def reads(values: Sequence[float], heights: Sequence[float] = (0.8, 0.5, 0.2), kinds: Sequence[str] = ("spot",) * 3,
          limits: Sequence[int] = ()) -> Frame:
    """A container C0 with these bottles, and another that does not matter; ``limits``: rows known only as below a limit."""
    f = scene_of(boxes=2, analytes=("P",)).f
    n = len(values)
    value, raw = np.full((6, 1), 100.0), np.full((6, 1), 100.0)
    value[:n, 0] = raw[:n, 0] = values
    for k in limits:
        value[k, 0], raw[k, 0] = NAN, values[k] / 2  # half of the limit stands for what it may leave behind
    rows = f.rows.copy()
    rows.loc[: n - 1, "height"], rows.loc[: n - 1, "kind"] = list(heights[:n]), list(kinds[:n])
    return replace(f, rows=rows, value=value, raw=raw)


# -- bottles above and below -------------------------------------------------------------------------------------------


def test_what_each_cell_allows() -> None:
    low, high = bounds(reads((8.0, 100.0, 90.0), limits=(0,)))
    assert low[:3, 0].tolist() == [0.0, 100.0, 90.0]
    assert high[:3, 0].tolist() == [8.0, 100.0, 90.0]


@pytest.mark.parametrize(("values", "yes"), [
    ((100.0, 33.0, 100.0), True), ((100.0, 34.0, 100.0), False),  # beside them by a factor of three
    ((100.0, 301.0, 100.0), True), ((100.0, 300.0, 100.0), False),
    ((150.0, 33.0, 100.0), True), ((151.0, 33.0, 100.0), False)])  # which differ among themselves by 1.5 at most
def test_a_reading_between_bottles_that_agree(values: tuple[float, ...], yes: bool) -> None:
    assert refuted(reads(values), 1, 0) is yes


def test_at_an_end_only_another_bottle_of_that_zone_rules_it_out() -> None:
    assert not refuted(reads((10.0, 100.0, 100.0)), 0, 0)
    assert refuted(reads((10.0, 100.0, 100.0), heights=(0.8, 0.8, 0.2)), 0, 0)
    assert refuted(reads((100.0, 100.0, 10.0), heights=(0.8, 0.2, 0.2)), 2, 0)
    assert not refuted(reads((10.0, 100.0, 100.0), heights=(0.8, 0.8 - 1e-5, 0.2)), 0, 0)


def test_a_heel_lies_below_every_zone_and_a_limit_is_no_number() -> None:
    assert refuted(reads((100.0, 10.0, 100.0), heights=(0.8, 0.2, 0.9), kinds=("spot", "spot", "heel")), 1, 0)
    assert not refuted(reads((100.0, 10.0, 100.0), heights=(0.8, 0.2, 0.9)), 1, 0)
    assert not refuted(reads((100.0, 10.0, 100.0), limits=(2,)), 1, 0)  # it may be as low


def test_a_fluid_in_no_container_is_one_fluid() -> None:
    f = reads((100.0, 50.0, 100.0))
    f.rows["container"] = ""
    assert refuted(f, 1, 0)


@pytest.mark.parametrize(("zones", "amount", "yes"), [
    ((100.0, 100.0, 200.0), log(1.99), True), ((100.0, 100.0, 200.0), log(2.01), False),
    ((100.0, 100.0, 200.0), -log(1.99), True)])
def test_zones_of_the_middle_container_that_differ_by_as_much(zones: tuple[float, ...], amount: float, yes: bool) -> None:
    f = reads(zones)
    assert differs_by_depth(f, (0, 1, 2), 0, amount) is yes
    assert differs_by_depth(f, (0, 1, 2, 3, 4, 5), 0, log(1.4)) is True  # middle of 2 times and once
    assert differs_by_depth(f, (0, 1, 2, 3, 4, 5), 0, log(1.42)) is False
    assert differs_by_depth(f, (), 0, 0.0) is False
    assert differs_by_depth(reads((8.0, 100.0, 100.0), limits=(0,)), (0, 1, 2), 0, 99.0) is True  # below a limit: by any amount
    absolute = replace(f, relative=np.array([False]))
    assert differs_by_depth(absolute, (0, 1, 2), 0, 100.0) is True
    assert differs_by_depth(absolute, (0, 1, 2), 0, 100.1) is False


def test_a_heel_beside_its_container_as_other_heels_are() -> None:
    """Heels of others lie 0.1, 0.2, 0.3 above their containers, this one 1.2: 1.0 above the middle, in their robust spread."""
    sc = scene_of(boxes=4, analytes=("P",), s=0.01)
    heels = pd.DataFrame({"sample": [f"H{k}" for k in range(4)], "container": [f"C{k}" for k in range(4)], "kind": "heel",
                          "treatment": ["stored", "", "stored", "stored"]})
    rows = pd.concat([sc.f.rows, heels], ignore_index=True)
    y = np.concatenate([sc.y, np.array([[1.2], [0.1], [0.2], [0.3]]) + log(100)])
    f = replace(sc.f, rows=rows, y=y, zone=np.append(sc.f.zone, [False] * 4))
    s = np.full(y.shape, 0.01)
    z = 1.0 / (1.4826 * 0.1)
    found = heel_gain(f, sc.m.level, s, 0)
    assert found == pytest.approx([min(float(paid(z)), 3.5 * log(37))])
    near = f.y.copy()
    near[12] = log(100) + 0.4
    assert heel_gain(replace(f, y=near), sc.m.level, s, 0) == pytest.approx([float(paid(0.2 / (1.4826 * 0.1)))])
    alike = f.y.copy()
    alike[13:] = log(100) + 0.2  # others agree: a bottle's own scatter, of two
    alike[12] = log(100) + 0.22
    assert heel_gain(replace(f, y=alike), sc.m.level, s, 0) == pytest.approx([float(paid(0.02 / (0.01 * np.sqrt(2))))])
    f.rows.loc[15, "kind"] = "composite"
    assert heel_gain(f, sc.m.level, s, 0).tolist() == [0.0]  # two others are too few
    assert heel_gain(f, sc.m.level, s, 3).tolist() == [0.0]


# -- blanks ------------------------------------------------------------------------------------------------------------


def test_ratios_that_are_alike() -> None:
    """0.10, 0.11 and 0.12 lie within 0.2 on logs of the middle one; 0.14 does not (of 0.11 by 0.24)."""
    which, share = consensus(np.array([0.10, 0.30, 0.11, 0.12, NAN, 0.0]))
    assert (which.tolist(), share) == ([0, 2, 3], pytest.approx(0.11))
    assert consensus(np.array([0.10, 0.121]))[0].tolist() == [0, 1]
    assert consensus(np.array([0.10, 0.123]))[0].size == 1
    none, share = consensus(np.array([NAN, 0.0]))
    assert none.size == 0
    assert np.isnan(share)


def test_a_blank_that_reads_most_of_something_is_not_held_against_it() -> None:
    of = np.array([100.0, 100.0, 100.0, 100.0])
    assert _alike(np.array([10.0, 10.0, 10.0, 0.0]), of)[0].tolist() == [0, 1, 2]
    assert _alike(np.array([71.0, 69.0, 70.0, -1.0]), of)[0].tolist() == [1]  # below 0.7 of it


def blank(reads_: Sequence[float], before: Sequence[float], stock: float = 1000.0, prior: Sequence[float] | None = None,
          **more: Any) -> tuple[list[int], float]:
    value = np.array([reads_, before, [stock * (k + 1) ** 2 for k in range(4)], prior or [0.0] * 4], dtype=float)
    f = SimpleNamespace(relative=np.ones(4, dtype=bool), raw=value, value=value, zone=np.array([False, False, True, False]))
    which, share = blank_share(SimpleNamespace(f=f, y=np.log(value.clip(1e-9))), 0, 1, 3 if prior else None, **more)  # type: ignore[arg-type]
    return which.tolist(), share


def test_a_blank_holds_a_share_of_the_bottle_before_it() -> None:
    before = (500.0, 400.0, 300.0, 200.0)
    assert blank([50, 40, 30, 1], before) == ([0, 1, 2], pytest.approx(0.1))
    assert blank([50, 40, 1, 1], before)[0] == []  # three analytes at least
    assert blank([5.5, 4.4, 3.3, 2.2], before)[0] == [0, 1, 2, 3]
    assert blank([4.5, 3.6, 2.7, 1.8], before)[0] == []  # under a hundredth
    for k in (0.1, 0.7, 1.1, 3.0, 41.0):  # a hundredth exactly, whichever way its logarithm is rounded
        assert blank([5 * k, 4 * k, 3 * k, 2 * k], [k * x for x in before])[0] == [0, 1, 2, 3]
    # a tenth of the stock's own mixture explains as many
    assert blank([100, 400, 900, 1600], (1000.0, 4000.0, 9000.0, 16000.0))[0] == []


def test_what_the_bottle_before_held_is_less_what_it_carried_itself() -> None:
    """It read 0.8 * 400 + 0.2 * 900 = 500: the blank holds 0.2 of its 400, not of 500; of what adds, of 500 - 180."""
    own, prior = np.array([400.0, 300, 200, 100]), [900.0, 100.0, 800.0, 50.0]
    read = 0.8 * own + 0.2 * np.array(prior)
    which, share = blank((0.2 * own).tolist(), read.tolist(), prior=prior)
    assert (which, share) == ([0, 1, 2, 3], pytest.approx(0.2, rel=0.02))
    adds = own + 0.2 * np.array(prior)
    which, share = blank((0.2 * own).tolist(), adds.tolist(), prior=prior, adds=True)
    assert (which, share) == ([0, 1, 2, 3], pytest.approx(0.2, rel=0.02))


def test_what_a_share_saves_of_the_check_fluid() -> None:
    """It should read 100 and reads 110, 200 before it: a tenth of the difference; scatter 1.25 * 2 % of 100."""
    sc = scene_of(analytes=("P",), s=0.02)
    raw, y = sc.f.raw.copy(), sc.y.copy()
    raw[0], y[1] = 200.0, log(110)
    sc.f.rows.loc[1, "kind"] = "check fluid"
    sc = replace(sc, y=y, f=replace(sc.f, raw=raw, reference=np.array([100.0])))
    z, far = 10 / 2.5, 100 / 2.5
    found = _fluid_gain(sc, np.array([1]), np.array([0]), np.array([0.05, 0.1]), adds=False)
    assert found[:, 0] == pytest.approx([float(paid(z) - paid(z - 0.05 * far)), float(paid(z))])
    added = _fluid_gain(sc, np.array([1]), np.array([0]), np.array([0.05]), adds=True)
    assert added[0, 0] == pytest.approx(float(paid(z)))  # 0.05 of 200 on top is 10
    unknown = replace(sc, f=replace(sc.f, reference=np.array([NAN])))
    assert _fluid_gain(unknown, np.array([1]), np.array([0]), np.array([0.1]), adds=False).tolist() == [[0.0]]


def test_carry_over_of_several_runs_by_one_share_is_one() -> None:
    sc = scene_of(analytes=("P", "Zn"))

    def of(rows: tuple[int, ...], share: float, columns: tuple[int, ...] = (0,)) -> Candidate:
        return Candidate(cause="carry-over", rows=rows, columns=columns, readings=np.full((len(rows), len(columns)), share),
                         gain=10.0, price=3.0, place="run R1", amount=share, detail="x")

    (one,) = joined(sc, [of((0, 1), 0.10), of((3, 4), 0.15, (1,))])
    assert (one.rows, one.columns, one.gain, one.place, one.detail) == ((0, 1, 3, 4), (0, 1), 20.0, "run all", "x; x")
    assert one.amount == pytest.approx(0.125)
    assert one.readings[:, 0].tolist() == [0.10, 0.10, *sc.y[[3, 4], 0].tolist()]
    assert joined(sc, [of((0, 1), 0.10), of((3, 4), 0.151)]) == []  # by more than half apart
    assert joined(sc, [of((0, 1), 0.10)]) == []


# -- files -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ratio", "power"), [(10.0, 1), (15.1, 1), (15.2, None), (6.7, 1), (6.5, None), (0.1, -1), (1.0, 0),
                                              (1.5, 0), (1e6, 6)])
def test_powers_of_ten_of_a_ratio(ratio: float, power: int | None) -> None:
    """Within 0.18 decades: a factor of 1.51."""
    found = _power(pd.Series([ratio])).iloc[0]
    assert np.isnan(found) if power is None else found == power


@pytest.mark.parametrize(("stock", "fluid", "more", "judged"), [
    (1.0, 1.0, {}, (1.0, "the check fluid and the value as filled")), (NAN, 1.0, {}, (1.0, "the check fluid")),
    (0.0, 1.0, {}, (0.0, "")), (1.0, NAN, {}, (1.0, "the value as filled")),
    (1.0, NAN, {"ratio": 3.0}, (1.0, "the value as filled, containers uneven")),
    (1.0, NAN, {"containers": 2}, (1.0, "the value as filled, containers uneven")),
    (1.0, NAN, {"ratio": 2.9, "containers": 3}, (1.0, "the value as filled")),
    (-1.0, NAN, {}, (-1.0, "the value as filled alone: the rest may as well lie on the floor")),
    (-2.0, NAN, {}, (-2.0, "the value as filled alone: the rest may as well lie on the floor")),
    (-3.0, NAN, {}, (-3.0, "the value as filled")), (0.0, NAN, {}, (0.0, "")), (NAN, NAN, {}, (0.0, "")),
    (1.0, NAN, {"middle_of_limits": 10.0, "check_fluid": 30.0}, (0.0, ""))])  # the fluid is known and is no power of ten off
def test_what_judges_a_file(stock: float, fluid: float, more: dict[str, float], judged: tuple[float, str]) -> None:
    row = {"by_stock": stock, "by_fluid": fluid, "middle_of_limits": NAN, "check_fluid": NAN, "ratio": 1.2, "containers": 4}
    assert _judge(row | more) == judged


def column(fluid: float, middle: float, stock: float = NAN, nominal: float = NAN, power: float = 0.0) -> dict[str, float]:
    return {"check_fluid": fluid, "middle_of_limits": middle, "stock": stock, "nominal": nominal, "power": power}


def test_how_far_a_row_lies_off_in_decades() -> None:
    a = column(500.0, 50.0, 900.0, 100.0)
    assert _misfit(a, a, 1.0) == pytest.approx(abs(log10(9) - 1))
    assert _misfit(a, a, 0.0) == pytest.approx(1 + log10(9))
    assert _misfit(column(500.0, 50.0), column(1.0, 400.0), 0.0) == pytest.approx(log10(500 / 400))
    assert _misfit(column(NAN, 50.0), a, 0.0) == float("inf")


def test_two_columns_of_a_file_that_fit_each_other_are_no_units() -> None:
    """390 where 50 should be and 52 where 400 should: each fits the other's better than its own by a power of ten."""
    table = pd.DataFrame([column(390.0, 50.0, power=1.0), column(52.0, 400.0, power=-1.0), column(500.0, 50.0, power=1.0)])
    table = table.assign(file="a", run="R1")
    assert _other_column(table.iloc[:2]) == [0, 1]
    assert _other_column(table.iloc[[0, 1]].assign(file=["a", "b"])) == []
    assert _other_column(table.iloc[[0, 2]]) == []  # both too high
    units = pd.DataFrame([column(500.0, 50.0, power=1.0), column(41.0, 400.0, power=-1.0)]).assign(file="a", run="R1")
    assert _other_column(units) == []  # ten times, and a tenth, fit better than 500 for 400 and 41 for 50


def results(*lines: tuple[str, str, str, float], kind: str = "spot") -> pd.DataFrame:
    """File, container, depth and value of P, in run R1."""
    t = pd.DataFrame(lines, columns=["source_file", "container", "depth", "value"])
    return t.assign(run="R1", analyte="P", kind=kind, treatment="stored", sample=[f"S{k}" for k in range(len(t))])


def test_a_row_a_file_run_and_analyte() -> None:
    """Containers of 100, 110 and 300 on average: the middle one; their zones differ by 1, 1.2 and 2 times."""
    t = results(("a", "A", "u", 100.0), ("a", "A", "l", 100.0), ("a", "B", "u", 100.0), ("a", "B", "l", 120.0),
                ("a", "C", "u", 200.0), ("a", "C", "l", 400.0), ("a", "", "u", 9e9), ("a", "D", "u", -1.0))
    fluid = results(("a", "", "", 480.0), ("a", "", "", 520.0), ("a", "", "", 530.0), kind="check fluid")
    limits = pd.DataFrame({"analyte": ["P"], "low": [40.0], "high": [60.0]})
    (row,) = file_table(study_of(), pd.concat([t, fluid]), limits).to_dict("records")
    assert [row[c] for c in ("stock", "containers", "ratio", "check_fluid", "middle_of_limits")] == [110, 3, 1.2, 520, 50]
    assert row["by_fluid"] == 1.0
    assert np.isnan(row["by_stock"])
    check, factor = check_files(study_of(), pd.concat([t, fluid], ignore_index=True), limits)
    assert set(factor) == {10.0}
    assert check.flags[0].concern == "stop and find out"


def free(values: dict[str, float], ratio: float = 1.1, containers: int = 3, fluid: Sequence[float] = ()) -> pd.DataFrame:
    return pd.DataFrame({"file": list(values), "run": "R1", "analyte": "P", "stock": list(values.values()),
                         "containers": containers, "ratio": ratio, "check_fluid": fluid or [NAN] * len(values),
                         "by_stock": NAN, "by_fluid": NAN, "nominal": NAN})


def test_files_against_each_other_where_nothing_says_which_is_right() -> None:
    power, (flag,) = _between_files(free({"a": 100.0, "b": 1050.0, "c": 98.0}))
    assert power == {("b", "R1", "P"): 1.0}
    assert "by the containers these files differ by powers of ten" in flag.evidence
    assert flag.where == "file a, b and c"
    for none in (free({"a": 100.0, "b": 110.0}), free({"a": 100.0}), free({"a": 100.0, "b": 300.0, "c": 1000.0}),
                 free({"a": 100.0, "b": 1000.0}, ratio=3.0), free({"a": 100.0, "b": 1000.0}, containers=2),
                 free({"a": 100.0, "b": 1000.0}).assign(by_fluid=0.0), free({"a": 100.0, "b": 1000.0}).assign(nominal=100.0)):
        assert _between_files(none) == ({}, [])
    assert _between_files(free({"a": 100.0, "b": 1000.0}, ratio=2.9))[0] == {("b", "R1", "P"): 1.0}
    told = _between_files(free({"a": 100.0, "b": 100.0}, ratio=9.0, fluid=(500.0, 5000.0)))
    assert told[0] == {("b", "R1", "P"): 1.0}
    assert "by the check fluid" in told[1][0].evidence
    one = free({"a": 100.0, "b": 1000.0}, fluid=(500.0, NAN))  # one fluid alone compares nothing
    assert _between_files(one)[0] == {("b", "R1", "P"): 1.0}
