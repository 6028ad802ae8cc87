"""Numbers that look wrong before any model, from a few lines each: steps, digits, limits, metals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.plausibility import (
    _beside,
    _decimals,
    last_digits,
    odd_limits,
    reporting_steps,
    rounding,
    uneven,
    wear_metals,
)
from tests.quality_cases import study_of

NAN = float("nan")


def results(written: list[str], values: list[float] | None = None, **more: Any) -> pd.DataFrame:
    """Lines of one analyte and file; "<5" is a limit."""
    limit = [float(w[1:]) if w.startswith("<") else NAN for w in written]
    value = [NAN if w.startswith("<") else float(w.replace(",", ".")) for w in written] if values is None else values
    return pd.DataFrame({"sample": [f"S{i}" for i in range(len(written))], "analyte": "P", "source_file": "a.csv",
                         "source_row": range(len(written)), "as_written": written, "value": value, "limit": limit,
                         "qualifier": ["<" if w.startswith("<") else "" for w in written], **more})


@pytest.mark.parametrize(("text", "decimals"), [("12", 0), ("12.30", 2), ("-1,5", 1), (" 7.0 ", 1), ("1e3", None), ("", None),
                                                ("1.2.3", None), ("<5", None)])
def test_decimals_as_written(text: str, decimals: int | None) -> None:
    assert _decimals(text) == decimals if decimals is not None else np.isnan(_decimals(text))


def step_of(written: list[str], values: list[float] | None = None) -> dict[str, Any]:
    (row,) = reporting_steps(results(written, values)).to_dict("records")
    return row


def test_the_step_of_the_most_decimals_in_the_commonest_power_of_ten() -> None:
    """9.95 has two decimals, the tens one: significant digits. A dropped zero is no coarser step."""
    row = step_of(["12.1", "13.4", "9.95", "15"])
    assert (row["step"], row["n"], row["distinct"]) == (pytest.approx(0.1), 4, 1.0)
    assert row["level"] == pytest.approx(12.75)
    assert step_of(["12.1", "12.1", "13.0", "14"])["distinct"] == pytest.approx(0.75)


@pytest.mark.parametrize(("k", "step"), [(1, 1), (2, 2), (3, 1), (5, 5), (10, 10), (20, 20), (50, 50), (25, 25), (100, 100),
                                         (75, 25), (200, 200), (250, 250), (300, 100), (500, 500), (1000, 1000), (2000, 1000)])
def test_eight_values_that_are_multiples_of_more_have_that_step(k: int, step: int) -> None:
    values = [str(k * m) for m in (1, 2, 3, 4, 5, 6, 7, 8)]
    start = [str(1000 * k + k * m) for m in range(8)]  # of one power of ten
    assert step_of(start)["step"] == step
    assert step_of(start[:7])["step"] == 1  # seven are too few to say
    assert len(values) == 8


def test_a_conversion_at_intake_is_undone() -> None:
    """0.35 % is 3,500 mg/kg: the step of 0.01 % is 100 mg/kg."""
    row = step_of(["0.35", "0.41", "0.38"], [3500.0, 4100.0, 3800.0])
    assert row["step"] == pytest.approx(100)


def steps(step: float, n: int = 9, level: float = 340.0, file: str = "a.csv") -> pd.DataFrame:
    return pd.DataFrame({"analyte": ["P"], "source_file": [file], "n": [n], "step": [step], "level": [level],
                         "distinct": [1.0]})


@pytest.mark.parametrize(("step", "s", "n", "concern"), [
    (3.0, 6.1, 9, None), (3.1, 6.1, 9, "hint only"), (3.1, 6.1, 2, None), (3.1, 6.1, 3, "hint only"),
    (6.2, 6.1, 9, "ask before trusting"), (17.1, 40.0, 9, "ask before trusting"), (16.9, 40.0, 9, None), (17.1, NAN, 9,
    "ask before trusting"), (16.9, NAN, 9, None)])
def test_rounding_against_half_of_the_repeatability_and_half_of_the_margin(step: float, s: float, n: int,
                                                                           concern: str | None) -> None:
    """Margin 10 % of 340: half of it is 17. A question where the step exceeds s itself, or that."""
    found = rounding(steps(step, n), study_of(), {"P": s})
    assert [f.concern for f in found.flags] == ([concern] if concern else [])


def test_the_coarsest_file_speaks_for_all_that_are_coarse() -> None:
    table = pd.concat([steps(4.0), steps(9.0, file="b.csv"), steps(1.0, file="c.csv")], ignore_index=True)
    (flag,) = rounding(table, study_of(), {"P": 6.1}).flags
    assert flag.where == "file a.csv and b.csv"
    assert "in steps of 9, more than half of the repeatability standard deviation (6.1)" in flag.evidence
    assert "more than half of the margin (34)" in rounding(steps(17.1), study_of(), {"P": 40.0}).flags[0].evidence
    assert rounding(steps(1.0).iloc[:0], study_of(), {}).note.startswith("not assessed")


def test_digits_side_by_side_are_clusters_and_single_ones_preference() -> None:
    """Squares of each count less the mean with its neighbours, over a tenth of all, against 16/9 of a chi-square of five."""
    flat = np.full(10, 20)
    assert uneven(flat) == 1.0
    one = flat.copy()
    one[3] += 30
    square = (20.0**2 + 2 * 10.0**2) / 23  # 30 more leave 20 at the digit and -10 at each neighbour, of 230 / 10
    assert uneven(one) == pytest.approx(stats.chi2.sf(square / (16 / 9), 5))
    three = flat.copy()
    three[2:5] += 10
    assert uneven(three) > uneven(one)


def test_last_digits_of_the_commonest_power_of_ten() -> None:
    part = results(["12.3", "14.7", "15", "9.95", "18.1", "<5", "abc"], [12.3, 14.7, 15, 9.95, 18.1, NAN, 3.0])
    digits, scatter = last_digits(part, 0.1)
    assert digits.tolist() == [3, 7, 0, 1]
    assert scatter > 1
    assert last_digits(part, 1.0)[0].tolist() == [2, 5, 5, 8]  # steps of one
    assert last_digits(results(["x"], [1.0]), 0.1)[0].size == 0
    converted = results(["0.123", "0.147"], [1230.0, 1470.0])
    assert last_digits(converted, 10.0)[0].tolist() == [3, 7]


# -- limits ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("limit", "others", "what"), [
    ("<7.5", ["5", "20", "21"], None), ("<7.6", ["5", "20", "21"], "a raised limit"),  # 1.5 times the smallest number
    ("<7.6", ["<5", "20", "21"], "a raised limit"),  # or the smallest limit
    ("<6.6", ["20", "20", "21"], "none of the numbers is that low"),  # under a third of the middle
    ("<6.7", ["20", "20", "21"], None),
    ("<6.6", ["9.8", "20", "21"], None)])  # a number near it
def test_limits_that_say_less_or_something_else(limit: str, others: list[str], what: str | None) -> None:
    found = odd_limits(results([limit, *others]))
    own = [f for f in found.flags if f.samples == ("S0",)]
    assert bool(own) == (what is not None)
    if what:
        assert what in own[0].evidence
        assert own[0].concern == "ask before trusting"


def test_a_limit_far_below_the_numbers_of_its_container() -> None:
    """Below 5 in the middle: odd where its own zone reads 16 again, or the zones above and below both do."""
    place = pd.DataFrame({"sample": [f"S{i}" for i in range(5)], "container": ["A"] * 4 + ["B"],
                          "height": [0.5, 0.8, 0.2, 0.5, 0.2]})

    def odd(*written: str) -> bool:
        lines = results(list(written))
        return bool(_beside(lines[lines["qualifier"] == "<"], lines, place).any())

    assert odd("<5", "16", "16")
    assert not odd("<5", "16", "14")  # the lower zone is not three times the limit
    assert not odd("<5", "16")
    assert odd("<5", "4", "4", "16")  # its own zone
    assert not odd("<5", "4", "4", "15")
    assert not odd("<5", "16", "<5", "<5", "16")  # another container's
    table = odd_limits(results(["<5", "16", "16"]), place).table
    assert table["sample"].tolist() == ["S0"]
    assert odd_limits(results(["<5", "16", "17"]), place.assign(height=[0.9, 0.8, 0.7, 0, 0])).table.empty


# -- metals ------------------------------------------------------------------------------------------------------------


def metals(values: dict[str, float], limit: dict[str, float], **changes: Any) -> Any:
    study = study_of()
    made = {a: study.analytes["P"].model_copy(update={"limit": limit.get(a), **changes}) for a in values}
    t = pd.DataFrame({"sample": "S1", "analyte": list(values), "value": list(values.values()), "kind": "spot"})
    reported = pd.DataFrame({"analyte": ["Fe", "Fe"], "qualifier": ["<", "<"], "limit": [2.0, 3.0]})
    return wear_metals(study.model_copy(update={"analytes": made}), t, reported)


def test_metals_above_the_limit_of_the_study_or_the_largest_reported_one() -> None:
    two = metals({"Fe": 3.1, "copper": 9.0}, {"copper": 5.0})
    assert two.table["limit"].tolist() == [3.0, 5.0]
    assert [(f.concern, f.analyte) for f in two.flags] == [("ask before trusting", "Fe and copper")]
    one = metals({"Fe": 3.1, "copper": 5.0}, {"copper": 5.0})  # at its limit
    assert [(f.concern, f.analyte) for f in one.flags] == [("hint only", "Fe")]
    assert metals({"Pb": 9.0}, {}).note == "no reporting limit known for Pb"
    assert metals({"P": 9.0}, {"P": 1.0}).note == "not assessed: no wear metal among the analytes"
    assert len(metals({"P": 9.0}, {"P": 1.0}, wear_metal=True).table) == 1
