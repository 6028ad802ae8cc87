"""Control rules and z-scores: each rule against its textbook chance, its run and analyte named, bad references refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.core.errors import BadInput
from studykit.quality import rules
from studykit.quality.assess import assess
from studykit.quality.controls import read_check_limits
from studykit.quality.flags import working_table
from studykit.quality.rules import RULES, broken, z_scores
from tests.faults.bench import USUAL, control_rules_fire
from tests.faults.laboratory import Lab, make, references
from tests.quality_cases import study_of

ONE = np.array(["R1"] * 12, dtype=object)


def fired(away: list[float], run: list[str] | None = None, u: float = 0.0) -> dict[str, list[int]]:
    """Rules that break, with the places, for readings in units of s."""
    names = np.array(run or ["R1"] * len(away), dtype=object)
    return {rule: list(np.flatnonzero(at)) for rule, at in broken(names, np.array(away, float), 1.0, u) if at.any()}


# after the definitions of Westgard et al. 1981 as teaching texts give them (see the module): what breaks, what just does not
@pytest.mark.parametrize(("away", "found"), [
    ([0.5, 3.1, 0.2], {"1-3s": [1]}),
    ([0.5, 2.9, 0.2, -2.9], {"R-4s": [1, 3]}),
    ([2.1, 2.2, 0.0], {"2-2s": [0, 1]}),
    ([2.1, 0.0, 2.2], {}),
    ([2.1, -2.2], {"R-4s": [0, 1]}),
    ([0.1] * 10, {"10-x": list(range(10))}),
    ([0.1] * 9 + [-0.1] + [0.1] * 2, {}),
    ([3.0, 0.2, -3.0], {"R-4s": [0, 2]}), ([2.0, 2.0, -0.1], {}), ([-2.0, -2.0], {}), ([2.1, -2.0], {}),  # on a limit
    ([-2.1, -2.2, -2.3, 1.0], {"2-2s": [0, 1, 2]}), ([-0.1] * 11 + [0.1], {"10-x": list(range(11))}), ([0.1] * 9, {}),
])
def test_each_rule_by_its_definition(away: list[float], found: dict[str, list[int]]) -> None:
    assert fired(away) == found


def test_r4s_is_within_a_run_and_2_2s_is_not() -> None:
    assert fired([2.1, -2.2], ["R1", "R2"]) == {}
    assert fired([2.1, 2.2], ["R1", "R2"]) == {"2-2s": [0, 1]}


def test_a_reference_that_is_itself_off_breaks_no_rule_of_ten() -> None:
    assert "10-x" in fired([0.9] * 12)
    assert fired([0.9] * 12, u=0.5) == {}


def test_a_step_that_lasts_breaks_the_rule_of_ten_though_single_readings_come_close_to_the_reference() -> None:
    """Twelve readings about 1.5 above a reference of standard uncertainty 0.5, three of them within twice that of it."""
    away = [1.9, 0.4, 1.6, 2.4, 1.2, 0.9, 1.5, 2.0, 1.7, 1.4, 0.8, 1.9]
    assert fired(away, u=0.5)["10-x"] == list(range(12))
    assert "10-x" not in fired([*away[:6], -0.1, *away[6:]], u=0.5)


@pytest.mark.slow
def test_chances_of_false_alarm_are_those_of_the_normal_distribution() -> None:
    """Two readings a run (ten for 10-x), s known: computed from the normal distribution, nothing fitted."""
    rng = np.random.default_rng(26)
    n = 40_000
    pairs, tens = rng.standard_normal((n, 2)), rng.standard_normal((n // 4, 10))
    run = np.array(["R1"] * 10, dtype=object)
    seen = dict.fromkeys(RULES, 0)
    for x in pairs:
        for rule, at in broken(run[:2], x, 1.0, 0.0):
            seen[rule] += bool(at.any())
    ten = sum(bool(dict(broken(run, x, 1.0, 0.0))["10-x"].any()) for x in tens)
    tail = stats.norm.sf(2)
    expected = {"1-3s": 1 - (1 - 2 * stats.norm.sf(3)) ** 2, "2-2s": 2 * tail**2, "R-4s": 2 * tail**2}
    for rule, p in expected.items():
        assert seen[rule] / n == pytest.approx(p, abs=4 * np.sqrt(p / n)), rule
    assert ten / (n // 4) == pytest.approx(2 * 0.5**10, abs=4 * np.sqrt(2 * 0.5**10 / (n // 4)))


def test_z_scores_by_hand() -> None:
    """Check fluid of Ca: value 1075, u 10, spread 24; a reading of 1153 is (1153 - 1075) / 26 = 3 away."""
    lab = make(USUAL, 3)
    limits = pd.DataFrame({"analyte": ["Ca"], "low": [900.0], "high": [1250.0], "value": [1075.0], "uncertainty": [10.0],
                           "spread": [24.0]})
    t = working_table(*lab.tables())
    t.loc[t["kind"].eq("check fluid") & t["analyte"].eq("Ca"), "value"] = 1153.0
    z = z_scores(t, limits, {})
    assert set(z["analyte"]) == {"Ca"}
    # 26 = sqrt(24^2 + 10^2) exactly
    assert z["z"].to_numpy() == pytest.approx(np.full(len(z), 3.0), rel=1e-12)


@pytest.mark.parametrize(("high", "found"), [((9, 10), {9, 10}), ((1, 10), set())])
def test_runs_of_two_digits_follow_those_of_one(high: tuple[int, int], found: set[int]) -> None:
    """Runs R1 to R12, two of them 2.5 above: two in a row where they were read one after the other, R9 and R10."""
    t = pd.DataFrame({"kind": "check fluid", "analyte": "Ca", "run": [f"R{k}" for k in range(12, 0, -1)], "run_order": 1,
                      "replicate": 1, "sample": [f"F{k}" for k in range(12, 0, -1)], "unit": "mg/kg", "relative": False,
                      "value": [100 + 2.5 * (k in high) for k in range(12, 0, -1)], "y": 0.0, "container": "", "label": ""})
    limits = pd.DataFrame({"analyte": ["Ca"], "value": [100.0], "uncertainty": [0.0], "spread": [1.0]})
    assert list(z_scores(t, limits, {})["run"]) == [f"R{k}" for k in range(1, 13)]
    table = rules.control_rules(t, limits, {})[1].table
    assert set(table.loc[table["rules_broken"].str.contains("2-2s"), "run"]) == {f"R{k}" for k in found}


def shifted(runs: int) -> Lab:
    """Run R2 reads Ca 16 % high."""
    lab = make(replace(USUAL, runs=runs), 4)
    lab.limits = references(lab)
    lab.wide.loc[lab.rows(run="R2"), "Ca"] *= 1.16
    return lab


@pytest.mark.slow
@pytest.mark.parametrize("runs", [2, 3])
def test_a_run_shift_names_its_run_and_the_rules_name_run_and_analyte(runs: int) -> None:
    lab = shifted(runs)
    report = assess(*lab.tables(), limits=lab.limits)
    asked = report.flags[report.flags["concern"] != "hint only"]
    assert list(zip(asked["rule"], asked["where"], asked["analyte"], strict=True)) == [("run shift", "run R2", "Ca")]
    table = report.check("control rules").table.set_index(["run", "analyte"])
    assert "1-3s" in table.loc[("R2", "Ca"), "rules_broken"]
    assert "2-2s" in table.loc[("R2", "Ca"), "rules_broken"]
    (flag,) = [f for f in report.check("control rules").flags if (f.where, f.analyte) == ("run R2", "Ca")]
    assert flag.concern == "hint only"
    assert flag.evidence.startswith("follows from run shift (run R2): the check fluid breaks 1-3s and 2-2s in this run (z ")


@pytest.mark.slow
def test_one_reading_far_out_asks_by_itself() -> None:
    lab = make(USUAL, 4)
    lab.limits = references(lab)
    i = int(lab.rows(run="R1", kind="check fluid")[0])
    lab.wide.loc[i, "Zn"] *= 1.4
    flags = assess(*lab.tables(), limits=lab.limits).check("control rules").flags
    (flag,) = [f for f in flags if (f.where, f.analyte) == ("run R1", "Zn")]
    assert "breaks 1-3s in this run" in flag.evidence
    assert flag.concern == "ask before trusting" or flag.evidence.startswith("follows from")


@pytest.mark.few(1)
@pytest.mark.parametrize(("tails", "spread", "rates", "hint"), [
    ("normal", True, (0.84, 0.57, 0.16), 28), ("t5", True, (3.02, 0.56, 0.29), 58),
    ("normal", False, (1.16, 0.78, 0.26), 37), ("t5", False, (3.52, 0.70, 0.38), 64),
])
def test_counts_of_the_page_hold_on_another_seed(tails: str, spread: bool, rates: tuple[float, ...], hint: int) -> None:
    """Rates in % of runs and analytes as docs/04-quality.md prints them, within 4 Monte Carlo errors of both counts."""
    n = 300
    seen, tally = control_rules_fire(tails, n, 7, spread=spread)
    for rule, p in zip(RULES, rates, strict=False):
        # readings of one run and analyte break a rule together: the error is taken twice as large as of single events
        assert 100 * seen[rule] == pytest.approx(p, abs=8 * np.sqrt(p * 100 / (24 * n))), rule
    assert 100 * tally.share("hint") == pytest.approx(hint, abs=12)
    assert tally.share("question") <= 0.01 + 3.5 * np.sqrt(0.01 / n)


@pytest.mark.slow
def test_without_a_reference_value_it_says_so() -> None:
    lab = make(USUAL, 3)
    check = assess(*lab.tables(), limits=lab.limits).check("control rules")
    assert check.note.startswith("not assessed: no reference value")
    assert not check.flags


@pytest.mark.parametrize(("line", "reason"), [
    ("P,330,350,340,,", "the reference value has no uncertainty"),
    ("P,330,350,,2,", "is empty beside an uncertainty or a spread"),
    ("P,330,350,,,4", "is empty beside an uncertainty or a spread"),
    ("P,330,350,34,1,", "lies outside low and high"),
    ("P,330,350,340,1,0", "readings that never differ"),
    ("P,330,350,340,-1,", "must lie"),
    ("P,0,1e9,,,", "a factor of ten has room"),
    ("P,200,500,340,70,", "is no standard uncertainty of 340"),
    ("P,330,350,340,15,", "is no standard uncertainty of 340"),
    ("P,330,350,340,1,30", "is wider than low to high"),
])
def test_bad_reference_values_are_refused(tmp_path: Path, line: str, reason: str) -> None:
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan/check_limits.csv").write_text("analyte,low,high,value,uncertainty,spread\n" + line + "\n")
    with pytest.raises(BadInput) as caught:
        read_check_limits(tmp_path, study_of())
    assert reason in str(caught.value)


def test_ten_whose_mean_lies_at_twice_the_uncertainty_break_nothing() -> None:
    """Above twice it, not at it; and those among more readings that pass it alone."""
    assert "10-x" not in fired([1.0] * 10, u=0.5)
    assert fired([1.001] * 10, u=0.5) == {"10-x": list(range(10))}
    # by hand: ten from the fifth reading on have a mean of 1.09, ten from the fourth on one of 0.98
    assert fired([0.1] * 5 + [1.2] * 10 + [-1.0], u=0.5)["10-x"] == list(range(4, 15))
    assert fired([-1.2] * 10, u=0.5)["10-x"] == list(range(10))


def test_a_z_score_divides_by_spread_and_uncertainty_together() -> None:
    """(reading - reference) / sqrt(s^2 + u^2) in 1-3s; R-4s compares readings among themselves, without u."""
    assert fired([4.0, 0.0], u=1.0) == {}  # 4 / sqrt(2) = 2.83
    assert fired([4.3, 0.0], u=1.0) == {"1-3s": [0]}
    assert fired([2.1, -2.1], u=10.0) == {"R-4s": [0, 1]}
