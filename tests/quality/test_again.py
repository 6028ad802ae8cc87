"""Bottles measured again as a revision, in a run of their own: is the second reading held against the first?"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.again import COLUMNS, NEEDED, RUN_OFF, second_measurings, superseded
from studykit.quality.assess import assess
from tests.quality_cases import ANALYTES, Case, build


def again(case: Case, folder: Path, *, bottles: int = 4, seed: int = 1, factor: dict[str, float] | None = None,
          run: str = "R9", fluid: bool = False) -> None:
    """The middle bottles of some containers are measured again in another run and replace the first readings."""
    rng, rows = np.random.default_rng(seed), []
    for c in list(case.containers["container"])[:bottles]:
        code = case.sample_of(c, "middle")
        for a, (_, s, _, _) in ANALYTES.items():
            i = case.value_index(code, a)
            old, was = float(case.results.loc[i, "value"]), str(case.results.loc[i, "run"])
            new = round(old * (factor or {}).get(a, 1.0) * float(np.exp(rng.normal(0, s))), 4)
            case.results.loc[i, ["value", "as_written", "run", "revision"]] = [new, f"{new:g}", run, 1]
            rows.append((code, a, 1, old, new, was, run))
    if fluid:
        kind = case.results["sample"].map(case.samples.set_index("sample")["kind"])
        first = case.results["run"] == case.results["run"].min()
        of = case.results.loc[(kind == "check fluid") & first].index[:len(ANALYTES)]
        case.results = pd.concat([case.results, case.results.loc[of].assign(run=run, replicate=9)], ignore_index=True)
    (folder / "tidy").mkdir(parents=True)
    pd.DataFrame(rows, columns=NEEDED).to_csv(folder / "tidy/revisions.csv", index=False)


def asked(case: Case, folder: Path) -> pd.DataFrame:
    flags = assess(*case.tables(), root=folder).flags
    return flags[(flags["concern"] != "hint only") & flags["rule"].isin(["measured again", "container split over runs"])]


@pytest.mark.slow
@pytest.mark.parametrize(("factor", "named"), [
    (dict.fromkeys(ANALYTES, 0.8), set(ANALYTES)), ({"Ca": 1.5}, {"Ca"}), (dict.fromkeys(ANALYTES, 2.0), set(ANALYTES))])
def test_a_second_measuring_that_reads_otherwise_is_asked_about(factor, named, tmp_path):
    case = build(3)
    again(case, tmp_path, factor=factor)
    (flag,) = asked(case, tmp_path).to_dict("records")
    assert flag["rule"] == "measured again"
    assert flag["where"] == "run R9"
    assert set(flag["analyte"].split(", ")) == named
    assert len(flag["samples"].split()) == 4
    assert "nothing vouches for it" in flag["evidence"]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_a_second_measuring_that_agrees_asks_nothing(seed, tmp_path):
    case = build(20 + seed)
    again(case, tmp_path, seed=seed)
    assert asked(case, tmp_path).empty
    report = assess(*case.tables(), root=tmp_path)
    assert not report.check("measured again").table["named"].any()
    split = report.flags[report.flags["rule"] == "container split over runs"]
    assert list(split["concern"]) == ["hint only"]
    fluid = next(s for s in report.sentences if s.startswith("The check fluid"))
    assert "Run R9 has results and no check fluid: nothing vouches for it by a check fluid." in fluid


@pytest.mark.slow
def test_a_run_with_its_own_check_fluid_is_vouched_for(tmp_path):
    case = build(5)
    again(case, tmp_path, factor={"Ca": 1.5}, bottles=2, fluid=True)
    report = assess(*case.tables(), root=tmp_path)
    (flag,) = report.flags[report.flags["rule"] == "measured again"].to_dict("records")
    assert flag["concern"] == "hint only"  # two bottles, and a fluid that says how the run reads
    assert "which says how it reads" in flag["evidence"]
    assert not any("R9 has results and no check fluid" in s for s in report.sentences)


def test_numbers_of_one_run_by_hand():
    t = pd.DataFrame({"sample": list("abcabc"), "analyte": ["P"] * 3 + ["Q"] * 3, "run": "R3",
                      "relative": [True] * 3 + [False] * 3, "unit": "mg/kg", "kind": "spot"})
    rows = [(c, "P", "1", 100.0, 100.0 * x, "R1", "R3") for c, x in zip("abc", (1.1, 1.2, 9.0), strict=True)]
    rows += [(c, "Q", "1", 5.0, 5.0 + x, "R1", "R3") for c, x in zip("abc", (0.1, 0.0, -0.1), strict=True)]
    rows += [("a", "P", "2", 100.0, 300.0, "R3", "R3")]  # an amended line of the same run: no second measuring
    found = second_measurings(pd.DataFrame(rows, columns=NEEDED), t, {"P": 0.02, "Q": np.nan}, {"Q": 0.5}, {"P": "x", "Q": "x"})
    p, q = found.check.table.to_dict("records")
    assert list(found.check.table) == COLUMNS
    assert p["difference"] == pytest.approx(20)  # the middle one of three; one wild bottle does not move it
    # a median of three differences of two readings each (sqrt(pi/2) of a mean's), and two runs that differ a little
    se = 0.02 * np.hypot(np.sqrt(np.pi / 2) * np.sqrt(2 / 3), np.sqrt(2) * RUN_OFF)
    assert p["standard_error"] == pytest.approx(100 * se)
    assert p["p_holm"] == pytest.approx(2 * 2 * stats.t.sf(np.log(1.2) / se, 8))
    assert (p["named"], q["named"]) == (True, False)
    assert (q["difference"], q["unit"], p["unit"]) == (pytest.approx(0), "mg/kg", "%")
    assert found.bottles == {(c, a, "R3") for c in "abc" for a in "PQ"}
    assert found.check.flags[0].samples == ("a", "b", "c")


def test_a_common_small_shift_is_seen_over_the_analytes_of_one_test():
    names = list("PQRST")
    t = pd.DataFrame([(c, a, "R3", True, "mg/kg", "spot") for c in "abcdef" for a in names],
                     columns=["sample", "analyte", "run", "relative", "unit", "kind"])
    rows = [(c, a, "1", 100.0, 106.0, "R1", "R3") for c in "abcdef" for a in names]
    s = dict.fromkeys(names, 0.02)
    one_test = second_measurings(pd.DataFrame(rows, columns=NEEDED), t, s, s, dict.fromkeys(names, "icp"))
    assert list(one_test.check.table.query("named")["analyte"]) == ["P, Q, R, S, T"]
    assert one_test.check.flags[0].analyte == "P, Q, R, S, T"
    apart = second_measurings(pd.DataFrame(rows, columns=NEEDED), t, s, s, {a: a for a in names})
    assert apart.check.flags == ()


def test_an_older_table_without_runs_says_nothing(tmp_path):
    assert superseded(None).empty
    (tmp_path / "tidy").mkdir()
    (tmp_path / "tidy/revisions.csv").write_text("sample,analyte,old_value,new_value\nA,P,1,2\n")
    none = pd.DataFrame(columns=["sample", "analyte", "run", "relative", "unit", "kind"])
    found = second_measurings(superseded(tmp_path), none, {}, {}, {})
    assert found.check.flags == ()
    assert found.check.note.startswith("no bottle")
