"""Cochran's and Grubbs' tests and table precision against ISO 5725-2 and by simulation."""

from __future__ import annotations

import dataclasses
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


# public table of double Grubbs values, column 0.025 (four printed digits); tolerance: the last digit
@pytest.mark.parametrize(("p", "printed"), [(8, 0.1101), (9, 0.1492), (10, 0.1865), (12, 0.2536)])
def test_double_grubbs_five_per_cent(p: int, printed: float) -> None:
    assert o.grubbs_double_critical(p, 0.05) == pytest.approx(printed, abs=1e-4)


# ISO 5725-2:1994 table 5, double, 1 % (from memory, check your copy)
@pytest.mark.parametrize(("p", "printed"), [(8, 0.0563), (9, 0.0851)])
def test_double_grubbs_one_per_cent(p: int, printed: float) -> None:
    assert o.grubbs_double_critical(p, 0.01) == pytest.approx(printed, abs=1e-4)


def test_double_grubbs_of_four_values_in_closed_form() -> None:
    """With four values the two largest leave a pair: tail ~ c^(1/2) for small c, found by integration."""
    # the pair probability 6 (1/4 + asin(1/3) / 2 pi) c^(1/2) is the small-c limit (derived here)
    c = o.grubbs_double_critical(4, 0.01)
    limit = (0.005 / (6 * (0.25 + np.arcsin(1 / 3) / (2 * np.pi)))) ** 2
    assert c == pytest.approx(limit, rel=0.01)


@pytest.mark.parametrize("p", [5, 9, 14])
def test_double_grubbs_rate_by_simulation(p: int) -> None:
    rng = np.random.default_rng(5725)
    x = np.sort(rng.standard_normal((40_000, p)), axis=1)
    ratio = (x[:, :-2].var(axis=1) * (p - 2)) / (x.var(axis=1) * p)
    rate = float(np.mean(ratio < o.grubbs_double_critical(p, 0.05)))
    # binomial standard error 0.0008 at 0.025; four of them
    assert rate == pytest.approx(0.025, abs=0.0032)


def test_largest_deviation_of_single_grubbs_by_the_same_recursion() -> None:
    """The recursion behind the double test gives the single test's value where Bonferroni is exact."""
    p, alpha = 9, 0.05
    phi = np.linspace(0, np.pi / 2, o.GRID)
    angle = float(np.interp(1 - alpha / 2, o._largest_cdf(p), phi))
    assert (p - 1) / np.sqrt(p) * np.sin(angle) == pytest.approx(o.grubbs_critical(p, alpha), abs=2e-4)


# ISO 5725-2:1994 B.1: m, s_r, s_R as printed, three decimals (recalled, verified by recomputation)
@pytest.mark.parametrize(
    ("level", "printed"),
    [
        (1, (0.690, 0.015, 0.026)),
        (2, (1.252, 0.029, 0.061)),
        (3, (1.667, 0.017, 0.035)),
        (4, (3.250, 0.026, 0.058)),
    ],
)
def test_coal_to_the_printed_digit(level: int, printed: tuple[float, float, float]) -> None:
    got = o.table_precision(level_groups("coal", level))
    assert (round(got.m, 3), round(got.s_r, 3), round(got.s_R, 3)) == printed


def test_coal_level_3_laboratory_5_is_a_straggler() -> None:
    test = o.cochran_test(level_groups("coal", 3))
    # statistic computed; critical values of ISO 5725-2:1994 table 4 for p = 8, n = 3
    assert (test.suspects, round(test.statistic, 3), test.n) == (("5",), 0.580, 3)
    assert test.call == "straggler"


def test_creosote_outliers_are_named() -> None:
    """ISO 5725-2:1994 B.3: laboratory 1 at levels 3 and 4; laboratory 7 at level 4 a straggler."""
    screens = {level: o.screen(level_groups("creosote", level)) for level in range(1, 6)}
    assert {k: s.named("outlier") for k, s in screens.items()} == {1: (), 2: (), 3: ("1",), 4: ("1",), 5: ()}
    assert screens[4].named("straggler") == ("7",)


# Cochran statistics per level, computed from the recalled data; level 5 just misses 0.638
@pytest.mark.parametrize(("level", "c", "lab"), [(1, 0.566, "6"), (4, 0.667, "7"), (5, 0.636, "6")])
def test_creosote_cochran(level: int, c: float, lab: str) -> None:
    test = o.cochran_test(level_groups("creosote", level))
    assert (round(test.statistic, 3), test.suspects) == (c, (lab,))


# Grubbs statistics (lowest, highest) and the two highest, computed from the recalled data
@pytest.mark.parametrize(
    ("level", "low", "high", "double"),
    [
        (1, 1.356, 1.949, 0.3563),
        (2, 1.573, 1.644, 0.3945),
        (3, 0.860, 2.502, 0.0634),
        (4, 0.910, 2.471, 0.0725),
        (5, 1.703, 2.102, 0.3179),
    ],
)
def test_creosote_grubbs(level: int, low: float, high: float, double: float) -> None:
    means = {k: float(np.mean(v)) for k, v in level_groups("creosote", level).items()}
    assert round(o.grubbs_single(means, high=False).statistic, 3) == low
    assert round(o.grubbs_single(means, high=True).statistic, 3) == high
    assert round(o.grubbs_double(means, high=True).statistic, 4) == double


# ISO 5725-2:1994 B.3 final values (recalled, verified): without laboratory 1, and without 6 at level 5
@pytest.mark.parametrize(
    ("level", "printed"),
    [
        (1, (3.94, 0.092, 0.171)),
        (2, (8.28, 0.179, 0.498)),
        (3, (14.18, 0.127, 0.400)),
        (4, (15.59, 0.337, 0.579)),
        (5, (20.41, 0.393, 0.637)),
    ],
)
def test_creosote_to_the_printed_digit(level: int, printed: tuple[float, float, float]) -> None:
    got = o.table_precision(level_groups("creosote", level, without=(1, 6) if level == 5 else (1,)))
    assert (round(got.m, 2), round(got.s_r, 3), round(got.s_R, 3)) == printed


def test_double_test_finds_a_pair_that_hides_each_other() -> None:
    values = {
        str(i): float(v) for i, v in enumerate([10.0, 10.1, 9.9, 10.05, 9.95, 10.0, 10.08, 13.0, 13.05])
    }
    found = {t.test: t for t in o.grubbs_tests(values)}
    assert found["Grubbs, highest"].call == "none"
    assert found["Grubbs, two highest"].call == "outlier"
    assert set(found["Grubbs, two highest"].suspects) == {"7", "8"}


def test_scale_and_shift_change_nothing() -> None:
    groups = level_groups("creosote", 4)
    moved = {k: [1000 * x - 7 for x in v] for k, v in groups.items()}
    a, b = o.screen(groups), o.screen(moved)
    assert [t.call for t in a.tests] == [t.call for t in b.tests]
    assert [t.statistic for t in a.tests] == pytest.approx([t.statistic for t in b.tests], rel=1e-9)


def test_equal_groups_call_nothing() -> None:
    assert o.screen({"a": [1.0, 1.0], "b": [1.0, 1.0], "c": [1.0, 1.0], "d": [1.0]}).named() == ()


def test_between_group_variance_is_never_negative() -> None:
    got = o.table_precision({"a": [1.0, 3.0], "b": [1.1, 2.9], "c": [0.9, 3.1]})
    assert got.s_L == 0
    assert got.s_R == got.s_r


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: o.cochran_critical(1, 2, 0.05), "2 or more"),
        (lambda: o.grubbs_critical(2, 0.05), "3 or more"),
        (lambda: o.grubbs_double_critical(3, 0.05), "from 4 to 200"),
        (lambda: o.grubbs_double_critical(8, 0.7), "alpha must be"),
        (lambda: o.cochran_test({"a": [1.0, 2.0], "b": [1.0]}), "two or more with two results"),
        (lambda: o.table_precision({"a": [1.0], "b": [2.0]}), "one of them with two results"),
        (lambda: o.screen({"a": [1.0, float("nan")], "b": [1.0, 2.0], "c": [1.0]}), "NaN in a"),
    ],
)
def test_misuse_is_named(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]


def test_results_are_frozen_and_become_tables() -> None:
    screening = o.screen(level_groups("creosote", 3))
    assert list(screening.to_table()["call"]) == [t.call for t in screening.tests]
    got = o.table_precision(level_groups("coal", 1))
    assert got.to_table().loc[0, "n"] == 27
    assert got.df_r == 19
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.m = 1.0  # type: ignore[misc]


# IUPAC/AOAC Harmonized Protocol 2006 (Pure Appl. Chem. 78:145), appendix 1, copper in soya flour
SOYA = (
    [10.5, 9.6, 10.4, 9.5, 10.0, 9.6, 9.8, 9.8, 10.8, 10.2, 9.8, 10.2],
    [10.4, 9.5, 9.9, 9.9, 9.7, 10.1, 10.4, 10.2, 10.7, 10.0, 9.5, 10.0],
)


def test_copper_in_soya_flour() -> None:
    groups = {str(i): list(pair) for i, pair in enumerate(zip(*SOYA, strict=True))}
    test, got = o.cochran_test(groups), o.table_precision(groups)
    # same protocol: C 0.24 against 0.54; s_an^2 0.061, s_sam^2 0.085 (printed, last digit from memory)
    assert round(test.statistic, 2) == 0.24
    assert round(test.critical_5, 2) == 0.54
    assert test.call == "none"
    # computed from the data, to eight digits: 0.06125 and 0.08503788
    assert got.s_r**2 == pytest.approx(0.06125, abs=1e-8)
    assert got.s_L**2 == pytest.approx(0.08503788, abs=1e-8)


def test_iso_13528_annex_b() -> None:
    """Ten samples in duplicate: general average, within- and between-sample variance."""
    x1 = [0.185, 0.187, 0.182, 0.188, 0.191, 0.188, 0.187, 0.177, 0.179, 0.188]
    x2 = [0.194, 0.189, 0.186, 0.196, 0.181, 0.180, 0.196, 0.186, 0.187, 0.196]
    got = o.table_precision({str(i): list(p) for i, p in enumerate(zip(x1, x2, strict=True))})
    # ISO 13528:2015 annex B as worked in a public course (2017): 0.18715, 0.00003095, 3.6111E-07
    assert got.m == pytest.approx(0.18715, abs=1e-9)
    assert got.s_r**2 == pytest.approx(3.095e-5, abs=1e-12)
    assert got.s_L**2 == pytest.approx(3.6111e-7, abs=1e-11)
