"""Cochran's and Grubbs' tests against ISO 5725-2."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.inference import outliers as o

REFERENCE = Path(__file__).parents[1] / "reference" / "iso5725"


def level_groups(name: str, level: int, without: tuple[int, ...] = ()) -> dict[str, list[float]]:
    t = pd.read_csv(REFERENCE / f"{name}.csv")
    t = t[(t["level"] == level) & ~t["lab"].isin(without)]
    return {str(lab): list(g["result"]) for lab, g in t.groupby("lab")}


# ISO 5725-2:1994 table 4 (recalled, verified by formula); tolerance 0.002: three printed digits
COCHRAN = [
    (5, 2, 0.841, 0.928),
    (5, 3, 0.684, 0.789),
    (5, 4, 0.598, 0.696),
    (5, 5, 0.544, 0.633),
    (5, 6, 0.506, 0.588),
    (8, 2, 0.680, 0.794),
    (8, 3, 0.516, 0.615),
    (8, 4, 0.438, 0.521),
    (8, 5, 0.391, 0.463),
    (8, 6, 0.360, 0.423),
    (9, 2, 0.638, 0.754),
    (9, 3, 0.477, 0.573),
    (9, 6, 0.328, 0.387),
    (10, 2, 0.602, 0.718),
    (12, 2, 0.541, 0.653),
    (20, 2, 0.389, 0.480),
    (20, 6, 0.174, 0.205),
]


@pytest.mark.parametrize(("p", "n", "five", "one"), COCHRAN)
def test_cochran_critical_values(p: int, n: int, five: float, one: float) -> None:
    assert o.cochran_critical(p, n, 0.05) == pytest.approx(five, abs=0.002)
    assert o.cochran_critical(p, n, 0.01) == pytest.approx(one, abs=0.002)


# ISO 5725-2:1994 table 5, single (recalled, verified by formula); tolerance as above
GRUBBS = [
    (3, 1.155, 1.155),
    (5, 1.715, 1.764),
    (6, 1.887, 1.973),
    (8, 2.126, 2.274),
    (9, 2.215, 2.387),
    (10, 2.290, 2.482),
    (12, 2.412, 2.636),
    (15, 2.548, 2.806),
    (20, 2.709, 3.001),
    (30, 2.908, 3.236),
]


@pytest.mark.parametrize(("p", "five", "one"), GRUBBS)
def test_grubbs_critical_values(p: int, five: float, one: float) -> None:
    assert o.grubbs_critical(p, 0.05) == pytest.approx(five, abs=0.002)
    assert o.grubbs_critical(p, 0.01) == pytest.approx(one, abs=0.002)


def test_coal_level_3_laboratory_5_is_a_straggler() -> None:
    test = o.cochran_test(level_groups("coal", 3))
    # statistic computed; critical values of ISO 5725-2:1994 table 4 for p = 8, n = 3
    assert (test.suspects, round(test.statistic, 3), test.n) == (("5",), 0.580, 3)
    assert test.call == "straggler"


def test_creosote_outliers_are_named() -> None:
    """ISO 5725-2:1994 B.3: laboratory 1 at levels 3 and 4; laboratory 7 at level 4 a straggler."""
    called = {}
    for level in range(1, 6):
        groups = level_groups("creosote", level)
        means = {k: float(np.mean(v)) for k, v in groups.items()}
        tests = [o.cochran_test(groups), *(o.grubbs_single(means, high=h) for h in (False, True))]
        called[level] = {(t.suspects[0], t.call) for t in tests if t.call != "none"}
    assert {k: sorted(s for s, call in v if call == "outlier") for k, v in called.items()} == {
        1: [], 2: [], 3: ["1"], 4: ["1"], 5: []}
    assert [s for s, call in called[4] if call == "straggler"] == ["7"]


# Cochran statistics per level, computed from the recalled data; level 5 just misses 0.638
@pytest.mark.parametrize(("level", "c", "lab"), [(1, 0.566, "6"), (4, 0.667, "7"), (5, 0.636, "6")])
def test_creosote_cochran(level: int, c: float, lab: str) -> None:
    test = o.cochran_test(level_groups("creosote", level))
    assert (round(test.statistic, 3), test.suspects) == (c, (lab,))


# Grubbs statistics (lowest, highest), computed from the recalled data
@pytest.mark.parametrize(
    ("level", "low", "high"),
    [
        (1, 1.356, 1.949),
        (2, 1.573, 1.644),
        (3, 0.860, 2.502),
        (4, 0.910, 2.471),
        (5, 1.703, 2.102),
    ],
)
def test_creosote_grubbs(level: int, low: float, high: float) -> None:
    means = {k: float(np.mean(v)) for k, v in level_groups("creosote", level).items()}
    assert round(o.grubbs_single(means, high=False).statistic, 3) == low
    assert round(o.grubbs_single(means, high=True).statistic, 3) == high


def test_scale_and_shift_change_nothing() -> None:
    groups = level_groups("creosote", 4)
    moved = {k: [1000 * x - 7 for x in v] for k, v in groups.items()}
    a, b = o.cochran_test(groups), o.cochran_test(moved)
    assert (a.call, a.suspects) == (b.call, b.suspects)
    assert a.statistic == pytest.approx(b.statistic, rel=1e-9)


def test_equal_groups_call_nothing() -> None:
    assert o.cochran_test({"a": [1.0, 1.0], "b": [1.0, 1.0], "c": [1.0, 1.0], "d": [1.0]}).call == "none"
    assert o.grubbs_single({"a": 1.0, "b": 1.0, "c": 1.0}, high=True).call == "none"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: o.cochran_critical(1, 2, 0.05), "2 or more"),
        (lambda: o.grubbs_critical(2, 0.05), "3 or more"),
        (lambda: o.cochran_test({"a": [1.0, 2.0], "b": [1.0]}), "two or more with two results"),
        (lambda: o.cochran_test({"a": [1.0, float("nan")], "b": [1.0, 2.0], "c": [1.0]}), "NaN in a"),
    ],
)
def test_misuse_is_named(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


# IUPAC/AOAC Harmonized Protocol 2006 (Pure Appl. Chem. 78:145), appendix 1, copper in soya flour
SOYA = (
    [10.5, 9.6, 10.4, 9.5, 10.0, 9.6, 9.8, 9.8, 10.8, 10.2, 9.8, 10.2],
    [10.4, 9.5, 9.9, 9.9, 9.7, 10.1, 10.4, 10.2, 10.7, 10.0, 9.5, 10.0],
)


def test_copper_in_soya_flour() -> None:
    groups = {str(i): list(pair) for i, pair in enumerate(zip(*SOYA, strict=True))}
    test = o.cochran_test(groups)
    # same protocol: C 0.24 against 0.54; printed
    assert round(test.statistic, 2) == 0.24
    assert round(test.critical_5, 2) == 0.54
    assert test.call == "none"
