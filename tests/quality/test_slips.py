"""Units of whole files: judged by check fluid and nominal, never by majority; rows copied in any subset of analytes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studykit.quality.assess import assess
from tests.faults.bench import ASK, STOP, USUAL, explained
from tests.faults.laboratory import make
from tests.faults.planted import copied, spoiled, unit_all_files, unit_two_files


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


def test_the_nominal_alone_is_enough() -> None:
    lab = make(replace(USUAL, certified=False), 4)
    truth = unit_two_files(lab, 1000.0)
    slips = explained(lab).query("rule == 'unit slip'")
    assert all(p in " ".join(slips["where"]) for p in truth.places if p.endswith(".csv"))


def test_a_tenth_of_what_was_filled_alone_is_no_stop() -> None:
    """Calm zones that hold a tenth of the value as filled: a decimal, or nine tenths lie on the floor."""
    lab = make(replace(USUAL, certified=False), 4)
    unit_all_files(lab, 0.1)
    slips = explained(lab).query("rule == 'unit slip'")
    assert set(slips["concern"]) == {ASK}
    assert slips["evidence"].str.contains("on the floor").all()


def test_without_any_reference_both_sides_are_named() -> None:
    lab = make(replace(USUAL, certified=False, nominal=False), 4)
    unit_two_files(lab, 1000.0)
    (slip,) = explained(lab).query("rule == 'unit slip'").to_dict("records")
    assert "which is right cannot be told here" in slip["evidence"]
    assert all(f in slip["where"] for f in ("lab_R1.csv", "lab_R2.csv", "lab_R3.csv"))


def test_without_any_reference_a_slip_in_all_files_cannot_be_seen() -> None:
    lab = make(replace(USUAL, certified=False, nominal=False), 4)
    unit_all_files(lab, 1000.0)
    assert "unit slip" not in set(explained(lab)["rule"])


@pytest.mark.parametrize("many", [5, 7])
def test_a_row_copied_in_part_is_named(many: int) -> None:
    lab = make(USUAL, 6)
    truth = copied(lab, many)
    flags = assess(*lab.tables()).flags.query("rule == 'copied row'")
    assert len(flags) == 1
    assert set(flags["samples"].iloc[0].split()) == set(truth.places)


@pytest.mark.parametrize(("many", "found"), [(4, True), (2, False)])
def test_few_analytes_copied_with_both_determinations(many: int, found: bool) -> None:
    """Four of eight in each of two determinations are beyond chance; two analytes never are."""
    lab = make(replace(USUAL, twice=36), 6)
    one, other = (lab.rows(container=c, depth="middle", kind="spot") for c in ("C02", "C07"))
    names = ("P", "Zn", "Ca", "B")[:many]
    lab.copies += [(int(j), int(i), names) for i, j in zip(one, other, strict=True)]
    flags = assess(*lab.tables()).flags.query("rule == 'copied row'")
    assert len(flags) == int(found), flags.to_string()


def test_coarse_results_are_no_copies() -> None:
    lab = make(USUAL, 6)
    lab.decimals = {"P": -2, "Zn": -2, "S": 1, "Ca": -3, "Si": -1, "Mo": -1, "B": -2, "Ba": 0}
    assert "copied row" not in set(assess(*lab.tables()).flags["rule"])
