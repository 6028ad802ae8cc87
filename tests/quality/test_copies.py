"""Rows copied from one bottle to another: the chance of the best pair by hand, and how many determinations agree."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from studykit.quality.copies import Chances, _codes, _pairs, copied_rows

ANALYTES = ("B", "Ca", "Mo", "P", "Zn")
SD, STEP = 2.0, 0.01


def bottles(copied: tuple[str, ...], determinations: int = 2, n: int = 12) -> pd.DataFrame:
    """Readings of 100 +- 2 written in steps of 0.01; bottle S1 reads as S0 does in the analytes named."""
    rng = np.random.default_rng(3)
    values = np.round(100 + SD * rng.normal(size=(n, determinations, len(ANALYTES))), 2)
    for a in copied:
        values[1, :, ANALYTES.index(a)] = values[0, :, ANALYTES.index(a)]
    return pd.DataFrame([{"sample": f"S{i}", "replicate": k + 1, "run": "R1", "analyte": a, "value": values[i, k, j],
                          "relative": False} for i in range(n) for k in range(determinations)
                         for j, a in enumerate(ANALYTES)])


def found(t: pd.DataFrame) -> pd.DataFrame:
    steps = pd.DataFrame({"analyte": ANALYTES, "step": STEP})
    alone = pd.DataFrame(np.eye(len(ANALYTES)), index=list(ANALYTES), columns=list(ANALYTES))
    same = dict.fromkeys(ANALYTES, SD)
    result = copied_rows(t, steps, Chances(scatter=same, own=same, together=alone))
    assert len(result.flags) == len(result.table)
    return result.table


@pytest.mark.parametrize("many", [3, 5])
def test_the_chance_of_a_copied_row_by_hand(many: int) -> None:
    """Two normal values of one bottle scatter agree to a step with chance step / (2 sqrt(pi) sd), 1.2 times for heavy tails.

    That for every analyte, times the choices of so many of five analytes, times the pairs of twelve bottles.
    """
    table = found(bottles(ANALYTES[:many], 1))
    one = 1.2 * STEP / (2 * math.sqrt(math.pi) * SD)
    row = table.iloc[0]
    assert (len(table), row["sample"], row["other"], row["analytes"], row["determinations"]) == (1, "S0", "S1", many, 1)
    assert row["which"] == ", ".join(ANALYTES[:many])
    assert row["expected"] == pytest.approx(one**many * math.comb(5, many) * math.comb(12, 2), rel=1e-9, abs=0)


def test_a_second_determination_that_agrees_is_counted_and_makes_chance_rarer() -> None:
    one, two, three = (found(bottles(ANALYTES[:3], n)).iloc[0] for n in (1, 2, 3))
    assert [r["determinations"] for r in (one, two, three)] == [1, 2, 3]
    again = 2 * 1.2 * STEP / (2 * math.sqrt(math.pi) * SD)  # what agrees once agrees again at twice the chance
    pairs = {n: math.comb(12 * n, 2) for n in (1, 2, 3)}
    assert two["expected"] / one["expected"] == pytest.approx(again**3 * pairs[2] / pairs[1], rel=1e-9, abs=0)
    assert three["expected"] / two["expected"] == pytest.approx(again**3 * pairs[3] / pairs[2], rel=1e-9, abs=0)


def test_two_determinations_of_one_bottle_that_agree_are_asked_about_by_themselves() -> None:
    t = bottles((), 2)
    second = (t["sample"] == "S4") & (t["replicate"] == 2)
    t.loc[second, "value"] = t.loc[(t["sample"] == "S4") & (t["replicate"] == 1), "value"].to_numpy()
    alone = pd.DataFrame(np.eye(len(ANALYTES)), index=list(ANALYTES), columns=list(ANALYTES))
    same = dict.fromkeys(ANALYTES, SD)
    steps = pd.DataFrame({"analyte": ANALYTES, "step": STEP})
    (flag,) = copied_rows(t, steps, Chances(scatter=same, own=same, together=alone)).flags
    assert (flag.where, flag.samples, flag.concern) == ("sample S4", ("S4",), "ask before trusting")
    assert "copy of the first? To tell: the raw printouts of both" in flag.evidence


def test_nothing_is_named_where_two_analytes_agree_or_none() -> None:
    assert found(bottles(ANALYTES[:2])).empty
    assert found(bottles(())).empty


def test_a_value_that_a_change_of_unit_moved_in_the_last_bit_is_the_same_value() -> None:
    t = bottles(ANALYTES[:4], 1)
    t.loc[t["sample"] == "S1", "value"] *= 1 + 2e-16
    assert (t["value"] != bottles(ANALYTES[:4], 1)["value"]).any()
    assert found(t)["analytes"].tolist() == [4]


def test_too_few_analytes_are_not_assessed() -> None:
    t = bottles(ANALYTES[:2])
    steps = pd.DataFrame({"analyte": ANALYTES, "step": STEP})
    found = copied_rows(t[t["analyte"].isin(["B", "Ca"])], steps, Chances(scatter=dict.fromkeys(ANALYTES, SD)))
    assert found.table.empty
    assert found.note.startswith("not assessed")


def test_analytes_that_go_together_agree_more_often() -> None:
    """Correlated by 0.8 two analytes agree together more often by 1 / sqrt(1 - 0.64); where nothing is known by 2 each."""
    pair = pd.DataFrame([[1.0, 0.8], [0.8, 1.0]], index=["P", "Zn"], columns=["P", "Zn"])
    known = Chances(scatter={"P": 1.0, "Zn": 1.0}, own={"P": 3.0}, together=pair)
    assert known.dependence(["P", "Zn"]) == pytest.approx(math.log(1 / 0.6))
    assert known.dependence(["P", "Ca", "Zn"]) == pytest.approx(3 * math.log(2))
    assert (known.s("P"), known.s("Zn")) == (3.0, 0.5)  # the study's own, and no less than half of what judges


def test_rows_that_agree_in_three_analytes_are_paired_once() -> None:
    """By hand: rows 0 and 3 agree in four of five analytes, 1 and 2 in two, and where both have none."""
    codes = np.array([[1, 1, 1, 1, 1], [2, 2, -1, -1, -1], [2, 2, -1, -1, -1], [1, 1, 1, 1, 9], [5, 6, 7, 8, 9]])
    assert _pairs(codes, np.full(codes.shape, 0.01)).tolist() == [[0, 3]]
    both = np.vstack([codes, codes[4], codes[0]])
    assert _pairs(both, np.full(both.shape, 0.01)).tolist() == [[0, 3], [0, 6], [3, 6], [4, 5]]


def test_a_value_that_is_not_there_agrees_with_nothing() -> None:
    """5, nothing, 5 and 7: the two fives share a code, nothing has none; step 1 at a scatter of 2 by 1.2 / (2 sqrt(pi) 2)."""
    wide = pd.DataFrame({"P": [5.0, np.nan, 5.0, 7.0]})
    t = pd.DataFrame({"analyte": ["P"], "relative": [False]})
    codes, chance = _codes(wide, t, pd.DataFrame({"analyte": ["P"], "step": [1.0]}), Chances(scatter={"P": 4.0}))
    assert codes[:, 0].tolist() == [0, -1, 0, 1]
    p = 1.2 / (2 * math.sqrt(math.pi) * 2.0)  # half of the scatter that judges, at least
    assert chance[:, 0] == pytest.approx([p, 1.0, p, p])


def test_scatter_in_per_cent_grows_with_the_level_and_the_lowest_value_counts_too() -> None:
    """A relative scatter of 2 % at 100 is one of 2, and at 50 of 1; the lowest value of all agrees as any other."""
    t = bottles(ANALYTES[:3], 1)
    low = t["sample"].isin(["S0", "S1"]) & t["analyte"].isin(ANALYTES[:3])
    t.loc[low, "value"] = 50.0  # the lowest of all
    t["relative"] = True
    steps = pd.DataFrame({"analyte": ANALYTES, "step": STEP})
    alone = pd.DataFrame(np.eye(len(ANALYTES)), index=list(ANALYTES), columns=list(ANALYTES))
    same = dict.fromkeys(ANALYTES, 0.02)
    row = copied_rows(t, steps, Chances(scatter=same, own=same, together=alone)).table.iloc[0]
    assert (row["sample"], row["other"], row["analytes"]) == ("S0", "S1", 3)
    one = 1.2 * STEP / (2 * math.sqrt(math.pi) * 0.02 * 50)
    assert row["expected"] == pytest.approx(one**3 * math.comb(5, 3) * math.comb(12, 2), rel=1e-9, abs=0)


def test_a_row_that_agrees_in_every_analyte_is_no_matter_of_one() -> None:
    steps = pd.DataFrame({"analyte": ANALYTES, "step": STEP})
    same = dict.fromkeys(ANALYTES, SD)
    for copied, told in ((ANALYTES, ""), (ANALYTES[:4], "B, Ca, Mo, P")):
        flag = copied_rows(bottles(copied, 1), steps, Chances(scatter=same, own=same)).flags[0]
        assert flag.analyte == told
        assert f"in {len(copied)} of 5 analytes" in flag.evidence
