"""A check fluid off by one factor: one question about the fluid; each analyte by itself where there is no such factor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.assess import assess
from studykit.quality.controls import check_fluid
from studykit.quality.fluids import by_one_factor
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
