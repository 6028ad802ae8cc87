"""A check fluid off by one factor: one question about the fluid; each analyte by itself where there is no such factor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.assess import assess
from studykit.quality.controls import check_fluid
from studykit.quality.flags import CheckResult, Flag
from studykit.quality.fluids import _off, by_one_factor, rules_beside
from tests.faults.bench import ASK, USUAL
from tests.faults.laboratory import make, references
from tests.quality_cases import study_of

NAMES = ("P", "Zn", "S", "Ca")
LIMITS = pd.DataFrame({"analyte": NAMES, "low": 94.0, "high": 106.0, "value": 100.0, "uncertainty": 0.3, "spread": 2.0})
CALLED = {"Ca": "calcium", "P": "phosphorus"}


def fluid(**factors: float) -> pd.DataFrame:
    """Two readings of a check fluid of 100 in each of two runs, by analyte times a factor, 1 % apart."""
    rows = [(f"F{k}", "check fluid", a, "AABB"[k], 100 * factors.get(a, 1.0) * (1 + 0.01 * (k % 2 - 0.5)))
            for a in NAMES for k in range(4)]
    t = pd.DataFrame(rows, columns=["sample", "kind", "analyte", "run", "value"])
    return t.assign(y=np.log(t["value"]))


def told(t: pd.DataFrame, limits: pd.DataFrame = LIMITS) -> list[tuple[str, str]]:
    _, flags = check_fluid(study_of(), t, {}, limits)
    return [(f.analyte, f.evidence) for f in by_one_factor(flags, t, limits, CALLED) if f.concern == ASK]


@pytest.mark.parametrize("factor", [1.15, 0.8])
def test_one_factor_is_one_question(factor: float) -> None:
    ((names, says),) = told(fluid(P=factor, Zn=factor, S=factor, Ca=factor))
    assert names == "Ca, P, S, Zn"
    assert says.startswith(f"all its analytes of the check fluid read {factor:g} times the value that they should")
    ((names, says),) = told(fluid(P=factor, Zn=factor, S=factor), LIMITS[["analyte", "low", "high"]])
    assert names == "P, S, Zn"
    assert "calcium does not" in says  # by its name, not its key
    assert says.startswith("phosphorus, S and Zn of the check fluid read")


@pytest.mark.parametrize("factors", [{"P": 1.15, "Zn": 1.15}, {"P": 1.15, "Zn": 0.85, "S": 1.3, "Ca": 1.5}, {"S": 1.2}])
def test_without_a_common_factor_each_analyte_is_asked_about(factors: dict[str, float]) -> None:
    assert {names for names, _ in told(fluid(**factors))} == set(factors)


def test_nothing_is_said_of_a_fluid_within_its_limits_or_without_any() -> None:
    assert told(fluid()) == []
    t = fluid(P=1.15, Zn=1.15, S=1.15)
    assert by_one_factor(check_fluid(study_of(), t, {}, None)[1], t, None, CALLED) == ()


def test_how_far_off_and_how_surely_by_hand() -> None:
    """Of a value: spread and uncertainty as squares over it; of limits alone: their middle, and a sixth of their width."""
    t = fluid(P=1.2, Zn=0.9)
    limits = pd.DataFrame({"analyte": ["P", "Zn", "S", "Mo"], "low": [94.0, 80, 0, 1], "high": [106.0, 110, 0, 2],
                           "value": [100.0, np.nan, np.nan, np.nan], "uncertainty": [1.5, np.nan, np.nan, np.nan],
                           "spread": [2.0, np.nan, np.nan, np.nan]})
    off = _off(t, limits).set_index("analyte")
    assert sorted(off.index) == ["P", "Zn"]  # of S there is no value above 0, Mo was not read
    assert off.loc["P", "off"] == pytest.approx(np.log(1.2))
    assert off.loc["P", "s"] == pytest.approx((2.0**2 + 1.5**2) ** 0.5 / 100)
    assert off.loc["Zn", "off"] == pytest.approx(np.log(90 / 95))
    assert off.loc["Zn", "s"] == pytest.approx(5 / 95)


def test_the_factor_told_is_weighed_by_how_surely_each_is_known() -> None:
    """1.18 at s = 1 % and 1.2 at s = 4 % and 1.2 at 4 %: weights 16, 1, 1."""
    limits = LIMITS.assign(uncertainty=0.0, spread=[1.0, 4.0, 4.0, 1.0]).iloc[:3]
    ((names, says),) = told(fluid(P=1.18, Zn=1.2, S=1.2), limits)
    assert names == "P, S, Zn"
    factor = np.exp((16 * np.log(1.18) + 2 * np.log(1.2)) / 18)
    assert f"{factor:.3g} times" in says
    assert "(1.18 to 1.2)" in says


def test_other_questions_stay_as_they_are_and_their_order() -> None:
    """A flag of another rule, and a hint on the fluid, are none of what becomes one question; one analyte alone is none."""
    t, one = fluid(P=1.15, Zn=1.15, S=1.15, Ca=1.15), fluid(P=1.15)
    flags = check_fluid(study_of(), t, {}, LIMITS)[1]
    aside = Flag(rule="carry-over", concern=ASK, where="run A", evidence="e", analyte="P", samples=("F0",))
    found = by_one_factor((aside, *flags, aside), t, LIMITS, CALLED)
    assert found[:2] == (aside, aside)
    assert [f.rule for f in found] == ["carry-over", "carry-over", "check fluid"]
    alone = check_fluid(study_of(), one, {}, LIMITS)[1]
    assert by_one_factor((aside, *alone), one, LIMITS, CALLED) == (aside, *alone)
    assert by_one_factor((aside, *alone), one, None, CALLED) == (aside, *alone)
    assert by_one_factor(flags, t, None, CALLED) == tuple(flags)  # without limits there is no value to be off


def test_control_rules_beside_a_question_about_the_fluid_are_hints() -> None:
    rule = Flag(rule="control rules", concern=ASK, where="run A", evidence="e", analyte="P", samples=("F0",))
    about = replace(rule, rule="check fluid", analyte="P, Zn")
    checks = (CheckResult(rule="control rules", table=pd.DataFrame(), flags=(rule, replace(rule, analyte="S"))),
              CheckResult(rule="drift", table=pd.DataFrame(), flags=(replace(rule, rule="drift"),)))
    for flags, concern in (([about], "hint only"), ([replace(about, concern="hint only")], ASK), ([rule], ASK)):
        control, drift = rules_beside(flags, checks)
        assert [f.concern for f in control.flags] == [concern, ASK]
        assert drift == checks[1]


@pytest.mark.slow
@pytest.mark.parametrize("runs", [3, 1])
def test_an_evaporated_check_fluid_in_a_study(runs: int) -> None:
    """By 15 % in all that it holds: one question, in all runs or of the one; the control rules follow from it."""
    lab = make(USUAL, 32000004)
    lab = replace(lab, limits=references(lab))
    own = lab.wide["kind"].eq("check fluid") & lab.wide["run"].isin(sorted(set(lab.wide["run"]))[-runs:])
    lab.wide.loc[own, lab.analytes] *= 1.15
    flags = assess(*lab.tables(), limits=lab.limits).flags
    asks = flags[flags["concern"].eq(ASK)]
    assert len(asks) == 1, asks.to_string()
    assert asks["rule"].iloc[0] == "check fluid"
    assert "one factor" in asks["evidence"].iloc[0]
    assert "evaporated" in asks["evidence"].iloc[0]
    assert flags["rule"].eq("control rules").any()
