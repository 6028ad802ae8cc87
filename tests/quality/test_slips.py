"""Units of whole files: judged by check fluid and nominal, never by majority; rows copied in any subset of analytes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.assess import assess
from studykit.quality.explain import Candidate
from studykit.quality.flags import CheckResult, Flag
from studykit.quality.riders import Cause, causes_of
from studykit.quality.riders import explained as hinted
from studykit.quality.slips import _judge, _other_column
from tests.faults.bench import ASK, STOP, USUAL, explained
from tests.faults.laboratory import make
from tests.faults.planted import copied, spoiled, unit_all_files, unit_two_files


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["unit in one file", "unit in two files", "unit in all files"])
@pytest.mark.parametrize("size", [0, 1])
def test_the_wrong_files_are_named_and_only_they(fault: str, size: int) -> None:
    lab, truth = spoiled(fault, size, USUAL, 4)
    flags = explained(lab)
    slips = flags[flags["rule"] == "unit slip"]
    assert set(slips["analyte"]) == set(truth.analytes)
    assert set(slips["concern"]) == {STOP}
    named = " ".join(slips["where"])
    assert {f for f in set(lab.wide["file"]) if f in named} == {p for p in truth.places if p.endswith(".csv")}


@pytest.mark.slow
def test_the_nominal_alone_is_enough() -> None:
    lab = make(replace(USUAL, certified=False), 4)
    truth = unit_two_files(lab, 1000.0)
    slips = explained(lab).query("rule == 'unit slip'")
    assert all(p in " ".join(slips["where"]) for p in truth.places if p.endswith(".csv"))


@pytest.mark.slow
def test_a_tenth_of_what_was_filled_alone_is_no_stop() -> None:
    """Calm zones that hold a tenth of the value as filled: a decimal, or nine tenths lie on the floor."""
    lab = make(replace(USUAL, certified=False), 4)
    unit_all_files(lab, 0.1)
    slips = explained(lab).query("rule == 'unit slip'")
    assert set(slips["concern"]) == {ASK}
    assert slips["evidence"].str.contains("on the floor").all()


@pytest.mark.slow
def test_without_any_reference_both_sides_are_named() -> None:
    lab = make(replace(USUAL, certified=False, nominal=False), 4)
    unit_two_files(lab, 1000.0)
    (slip,) = explained(lab).query("rule == 'unit slip'").to_dict("records")
    assert "which is right cannot be told here" in slip["evidence"]
    assert all(f in slip["where"] for f in ("lab_R1.csv", "lab_R2.csv", "lab_R3.csv"))


@pytest.mark.slow
def test_without_any_reference_a_slip_in_all_files_cannot_be_seen() -> None:
    lab = make(replace(USUAL, certified=False, nominal=False), 4)
    unit_all_files(lab, 1000.0)
    assert "unit slip" not in set(explained(lab)["rule"])


@pytest.mark.slow
@pytest.mark.parametrize("many", [5, 7])
def test_a_row_copied_in_part_is_named(many: int) -> None:
    lab = make(USUAL, 6)
    truth = copied(lab, many)
    flags = assess(*lab.tables()).flags.query("rule == 'copied row'")
    assert len(flags) == 1
    assert set(flags["samples"].iloc[0].split()) == set(truth.places)


@pytest.mark.slow
@pytest.mark.parametrize(("many", "found"), [(4, True), (2, False)])
def test_few_analytes_copied_with_both_determinations(many: int, found: bool) -> None:
    """Four of eight in each of two determinations are beyond chance; two analytes never are."""
    lab = make(replace(USUAL, twice=36), 6)
    one, other = (lab.rows(container=c, depth="middle", kind="spot") for c in ("C02", "C07"))
    names = ("P", "Zn", "Ca", "B")[:many]
    lab.copies += [(int(j), int(i), names) for i, j in zip(one, other, strict=True)]
    flags = assess(*lab.tables()).flags.query("rule == 'copied row'")
    assert len(flags) == int(found), flags.to_string()


@pytest.mark.slow
def test_coarse_results_are_no_copies() -> None:
    lab = make(USUAL, 6)
    lab.decimals = {"P": -2, "Zn": -2, "S": 1, "Ca": -3, "Si": -1, "Mo": -1, "B": -2, "Ba": 0}
    assert "copied row" not in set(assess(*lab.tables()).flags["rule"])


READ = {"by_stock": 1.0, "by_fluid": float("nan"), "middle_of_limits": float("nan"), "check_fluid": float("nan"), "ratio": 1.1,
        "containers": 6}


@pytest.mark.parametrize(("more", "power", "by"), [
    ({}, 1.0, "the value as filled"), ({"middle_of_limits": 100.0}, 1.0, "the value as filled"),  # no fluid was read
    ({"check_fluid": 100.0}, 1.0, "the value as filled"), ({"middle_of_limits": 100.0, "check_fluid": 40.0}, 0.0, ""),
    ({"by_fluid": 1.0}, 1.0, "the check fluid and the value as filled"), ({"by_fluid": 0.0}, 0.0, ""),
    ({"by_stock": float("nan"), "by_fluid": 3.0}, 3.0, "the check fluid"),
    ({"ratio": 8.0}, 1.0, "the value as filled, containers uneven"), ({"ratio": 2.9}, 1.0, "the value as filled"),
    ({"ratio": 3.0}, 1.0, "the value as filled, containers uneven"),  # zones of 10 and 30: a factor of three is too much
    ({"by_stock": -2.0}, -2.0, "the value as filled alone: the rest may as well lie on the floor"),
    ({"by_stock": 2.0}, 2.0, "the value as filled"), ({"by_stock": 0.0}, 0.0, "")])
def test_which_reference_judges_a_file(more: dict[str, float], power: float, by: str) -> None:
    assert _judge({**READ, **more}) == (power, by)


def test_what_an_explanation_accounts_for_is_a_hint_and_real_settling_accounts_for_nothing() -> None:
    cause = Cause(words="carry-over (run R1)", cells=frozenset({("S1", "P")}), analytes=frozenset({"Zn"}))
    flag = Flag(rule="check fluid", concern=ASK, where="run R1", evidence="reads high", analyte="P", samples=("S1",))
    assert hinted(flag, [cause]) == replace(flag, concern="hint only",
                                            evidence="follows from carry-over (run R1): reads high")
    assert hinted(replace(flag, analyte="Zn"), [cause]).concern == "hint only"  # wherever it is: all of Zn is spoilt
    for other in (replace(flag, samples=("S2",)), replace(flag, analyte="P, Ca"), replace(flag, rule="unit slip")):
        assert hinted(other, [cause]) == other


@pytest.mark.slow
def test_causes_are_explanations_that_are_not_real_and_units_of_files() -> None:
    lab, _ = spoiled("unit in one file", 1, USUAL, 4)
    report = assess(*lab.tables())
    f = report.suspects.frame
    found = tuple(Candidate(cause=c, rows=(0, 1), columns=(0,), readings=np.zeros((2, 1)), gain=9.0, price=1.0, place=p)
                  for c, p in (("own settling", "containers"), ("carry-over", "run R1"), ("swapped samples", "bottle")))
    files = CheckResult(rule="units of files", table=pd.DataFrame({"file": ["a.csv", "b.csv"], "analyte": f.analytes[0],
                                                                   "power": [1.0, 0.0]}))
    t = pd.DataFrame({"sample": ["S1", "S2"], "analyte": f.analytes[0], "source_file": ["a.csv", "b.csv"]})
    memory, swap, unit = causes_of(replace(report.suspects, found=found), files, t)
    assert memory.analytes == {f.analytes[0]}  # pooled numbers of the whole run
    assert swap.analytes == frozenset()
    assert swap.cells == {(str(f.rows["sample"].iloc[i]), f.analytes[0]) for i in (0, 1)}
    assert (unit.words, unit.cells) == ("the unit of a.csv", {("S1", f.analytes[0])})


@pytest.mark.slow
@pytest.mark.parametrize("factor", [1e-4, 0.1, 10.0, None])
@pytest.mark.parametrize("nominal", [True, False])
def test_a_slip_in_the_limits_names_their_line_and_no_file_of_the_laboratory(factor: float | None, nominal: bool) -> None:
    """Limits typed in per cent, off by ten, or from 0 to 1e9, beside files without a fault."""
    lab = make(replace(USUAL, nominal=nominal), 4)
    limits = lab.limits.copy()
    own = limits["analyte"] == "P"
    limits.loc[own, ["low", "high"]] = limits.loc[own, ["low", "high"]] * factor if factor else [0.0, 1e9]
    report = assess(*lab.tables(), limits=limits)
    asked = report.flags[report.flags["concern"] != "hint only"]
    assert list(zip(asked["rule"], asked["where"], asked["analyte"], strict=True)) == [
        ("check limits", "plan/check_limits.csv", "P")]
    assert asked["concern"].tolist() == [ASK]
    assert not report.flags["evidence"].str.contains("lab_R").any()
    (said,) = [s for s in report.controls.sentences if "check fluid" in s]
    assert "the limits of P are in doubt and were not used" in said
    fluid = report.controls.table.query("control == 'check fluid' and analyte == 'P'")
    assert fluid["as_hoped"].tolist() == ["not assessed"]


@pytest.mark.slow
def test_one_wrong_unit_in_every_file_beside_a_value_as_filled_is_still_the_files() -> None:
    lab = make(USUAL, 4)
    unit_all_files(lab, 0.1)
    report = assess(*lab.tables(), limits=lab.limits)
    assert set(report.flags.query("rule == 'unit slip'")["concern"]) == {STOP}
    assert report.flags.query("rule == 'check limits'").empty


@pytest.mark.slow
def test_one_run_alone_off_its_limits_is_no_slip_of_the_limits() -> None:
    lab = make(replace(USUAL, nominal=False), 4)
    unit_two_files(lab, 10.0)
    report = assess(*lab.tables(), limits=lab.limits)
    assert report.flags.query("rule == 'check limits'").empty
    assert set(report.flags.query("rule == 'unit slip'")["concern"]) == {STOP}


@pytest.mark.parametrize(("reads", "columns"), [
    ((12.1, 99.0), [0, 1]),  # each reads what the other should
    ((10.02, 120.5), []),  # one a tenth, the other ten times what it should: two units
    ((1001.0, 121.0), []), ((990.0, 119.0), [])])  # both ten times: no exchange of two columns
def test_two_columns_exchanged_have_each_others_digits_and_two_units_their_own(reads: tuple[float, float], columns: list[int],
                                                                             ) -> None:
    """By hand: limits with middles of 100 and 12, and readings that are a power of ten off, or the other analyte's."""
    middles = (100.0, 12.0)
    table = pd.DataFrame({"file": "a.csv", "run": "R1", "analyte": ["P", "Si"], "check_fluid": reads, "stock": np.nan,
                          "middle_of_limits": middles, "nominal": np.nan,
                          "power": [float(np.round(np.log10(r / m))) for r, m in zip(reads, middles, strict=True)]})
    assert _other_column(table) == columns
    assert _other_column(table.assign(run=["R1", "R2"])) == []  # of one file and run only
