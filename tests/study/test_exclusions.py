"""Exclusions: only by a person's line, every fault at once, every row accounted for."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.study.exclusions import read_exclusions, usable_results
from tests.kept import differing, stored
from tests.quality_cases import Case, build
from tests.study.whole import QUICK

HEADER = "sample,analyte,reason,who,date\n"


@pytest.fixture(scope="module")
def case() -> Case:
    return build(1)


def folder(tmp_path: Path, text: str) -> Path:
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan/exclusions.csv").write_text(text, encoding="utf-8")
    return tmp_path


def test_no_file_excludes_nothing(tmp_path: Path, case: Case) -> None:
    table = read_exclusions(tmp_path, case.study, case.results)
    got = usable_results(case.results, case.samples, case.containers, table)
    assert len(got.rows) == len(case.results)
    assert got.excluded.empty


def test_a_line_takes_out_its_rows_and_keeps_the_reason(tmp_path: Path, case: Case) -> None:
    one, other = case.sample_of("C01", "upper"), case.sample_of("C02", "lower")
    root = folder(tmp_path, HEADER + f"{one},P,bottle leaked,quality officer,2026-02-03\n"
                                     f"{other},,\"dropped, refilled\",analyst,2026-02-04\n")
    got = usable_results(case.results, case.samples, case.containers,
                         read_exclusions(root, case.study, case.results))
    assert len(got.excluded) == 1 + 6
    assert set(got.excluded["reason"]) == {"bottle leaked", "dropped, refilled"}
    assert len(got.rows) == len(case.results) - 7
    assert got.counts.set_index("analyte").loc["P", "excluded"] == 2


def test_a_line_with_a_replicate_takes_out_that_determination_alone(tmp_path: Path, case: Case) -> None:
    sample = case.sample_of("C01", "upper")
    own = case.results[(case.results["sample"] == sample) & (case.results["analyte"] == "P")]
    thrice = pd.concat([own.assign(replicate=k, value=100.0 + k) for k in (1, 2, 3)])
    results = pd.concat([case.results.drop(own.index), thrice], ignore_index=True)
    root = folder(tmp_path, "sample,analyte,replicate,reason,who,date\n" + f"{sample},P,2,spilt,analyst,2026-02-03\n")
    got = usable_results(results, case.samples, case.containers, read_exclusions(root, case.study, results))
    assert got.excluded["value"].tolist() == [102.0]
    left = got.rows[(got.rows["sample"] == sample) & (got.rows["analyte"] == "P")]
    assert sorted(left["value"]) == [101.0, 103.0]


def test_every_reported_row_is_counted_once(case: Case) -> None:
    counts = usable_results(case.results, case.samples, case.containers).counts
    parts = ["below_limit", "excluded", "control", "not_a_zone", "for_the_model"]
    assert (counts[parts].sum(axis=1) == counts["reported"]).all()
    assert counts["reported"].sum() == len(case.results)
    # 12 containers x 3 depths + 6 duplicates; 2 controls x 3 + 4 check fluids; 3 composites
    assert counts.loc[0, ["for_the_model", "control", "not_a_zone"]].tolist() == [42, 10, 3]


def test_every_fault_is_named_at_once(tmp_path: Path, case: Case) -> None:
    good = case.sample_of("C01", "upper")
    root = folder(tmp_path, HEADER + f"nobody,P,leak,me,2026-02-03\n{good},Xx,leak,me,2026-02-03\n"
                                     f"{good},P,,me,2026-02-03\n{good},S,leak,me,3 Feb\n"
                                     f"{good},Ca,leak,me,2026-02-03\n{good},Ca,again,me,2026-02-03\n")
    with pytest.raises(BadInput, match="nothing was left out") as caught:
        read_exclusions(root, case.study, case.results)
    text = str(caught.value)
    for words in ("row 2, column sample: 'nobody': has no result", "row 3, column analyte: 'Xx': is not declared",
                  "row 4, column reason: must not be empty", "row 5, column date", "write YYYY-MM-DD",
                  "row 7", "the same exclusion stands in an earlier line"):
        assert words in text


def test_a_missing_column_is_refused(tmp_path: Path, case: Case) -> None:
    root = folder(tmp_path, "sample,analyte,why\nS001,P,leak\n")
    with pytest.raises(BadInput, match="this required column is missing"):
        read_exclusions(root, case.study, case.results)


def test_reasons_that_say_nothing_and_impossible_days_are_refused(tmp_path: Path, case: Case) -> None:
    good = case.sample_of("C01", "upper")
    root = folder(tmp_path, HEADER + f"{good},P,.,analyst,2026-02-03\n{good},S,leaked,.,2026-02-03\n"
                                     f"{good},Ca,leaked,analyst,2031-02-03\n{good},Zn,leaked,analyst,2025-12-31\n")
    with pytest.raises(BadInput) as caught:
        read_exclusions(root, case.study, case.results)
    for words in ("row 2, column reason: '.': says nothing", "row 3, column who: '.': says nothing",
                  "row 4, column date: '2031-02-03': has not come yet",
                  "row 5, column date: '2025-12-31': is before the result was reported (2026-01-15)"):
        assert words in str(caught.value)


def test_a_day_before_the_report_is_taken_and_one_before_the_filling_is_not(tmp_path: Path, case: Case) -> None:
    """A bottle that leaked on the bench is taken out blind, weeks before anybody reports it."""
    good = case.sample_of("C01", "upper")
    root = folder(tmp_path, HEADER + f"{good},P,bottle leaked,analyst,2026-01-02\n{good},S,bottle leaked,analyst,2025-05-31\n")
    filled = case.containers["container"].astype(str) + ",2025-06-01\n"
    (root / "plan/containers.csv").write_text("container,filled_on\n" + "".join(filled), encoding="utf-8")
    own = case.samples[["sample", "container", "kind", "depth"]]
    own.to_csv(root / "plan/samples.csv", index=False)
    with pytest.raises(BadInput) as caught:
        read_exclusions(root, case.study, case.results)
    assert [(f.row, f.column, f.reason) for f in caught.value.faults] == [
        (3, "date", "is before its container was filled or sampled (2025-06-01)")]


def test_where_no_filling_is_known_the_day_of_sampling_is_the_first(tmp_path: Path, case: Case) -> None:
    good = case.sample_of("C01", "upper")
    root = folder(tmp_path, HEADER + f"{good},P,bottle leaked,analyst,2025-05-31\n{good},S,bottle leaked,analyst,2025-06-01\n")
    lines = case.containers["container"].astype(str) + ",,2025-06-01\n"
    (root / "plan/containers.csv").write_text("container,filled_on,sampled_on\n" + "".join(lines), encoding="utf-8")
    case.samples[["sample", "container", "kind", "depth"]].to_csv(root / "plan/samples.csv", index=False)
    with pytest.raises(BadInput) as caught:
        read_exclusions(root, case.study, case.results)
    (fault,) = caught.value.faults
    assert (fault.row, fault.reason) == (2, "is before its container was filled or sampled (2025-06-01)")


@pytest.mark.parametrize("reason", ["aaaa", "xxx", "did not fit", "Implausible."])
def test_letters_and_judgements_are_no_cause(tmp_path: Path, case: Case, reason: str) -> None:
    root = folder(tmp_path, HEADER + f"{case.sample_of('C01', 'upper')},P,{reason},analyst,2026-02-03\n")
    with pytest.raises(BadInput, match="says nothing"):
        read_exclusions(root, case.study, case.results)


BACK = "sample,analyte,reason,who,date,taken_back_on,taken_back_by,taken_back_because\n"


def test_an_exclusion_that_was_taken_back_the_same_day_or_later_takes_out_nothing(tmp_path: Path, case: Case) -> None:
    one, other = case.sample_of("C01", "upper"), case.sample_of("C02", "lower")
    why = "the bottle was found whole in the cupboard"
    root = folder(tmp_path, BACK + f"{one},P,bottle leaked,analyst,2026-02-03,2026-02-03,quality officer,{why}\n"
                                   f"{other},P,bottle leaked,analyst,2026-02-03,2026-02-05,quality officer,{why}\n")
    got = usable_results(case.results, case.samples, case.containers, read_exclusions(root, case.study, case.results))
    assert len(got.rows) == len(case.results)


def test_what_was_taken_back_by_halves_is_refused(tmp_path: Path, case: Case) -> None:
    good, why = case.sample_of("C01", "upper"), "the bottle was found whole in the cupboard"
    lines = [f"{good},{a},bottle leaked,analyst,2026-02-03,{back}" for a, back in (
        ("P", f",quality officer,{why}"), ("S", "2026-02-05,quality officer,"), ("Ca", f"2026-02-05,,{why}"),
        ("Zn", f"2026-02-02,quality officer,{why}"), ("Si", f"2031-02-02,quality officer,{why}"),
        ("Mo", "2026-02-05,quality officer,."))]
    with pytest.raises(BadInput) as caught:
        read_exclusions(folder(tmp_path, BACK + "\n".join(lines) + "\n"), case.study, case.results)
    found = {(f.row, f.column) for f in caught.value.faults}
    assert found == {(2, "taken_back_on"), (3, "taken_back_because"), (4, "taken_back_by"), (5, "taken_back_on"),
                     (6, "taken_back_on"), (7, "taken_back_because")}


def test_a_file_full_of_faults_gives_what_is_stored() -> None:
    """As it stood (``tests.kept``)."""
    assert differing("exclusions", stored("study")["exclusions"], QUICK["exclusions"]()) == []


def test_a_container_that_stands_twice_in_the_plan_is_there_from_its_first_day(tmp_path: Path, case: Case) -> None:
    good = case.sample_of("C01", "upper")
    root = folder(tmp_path, HEADER + f"{good},P,bottle leaked,analyst,2025-06-01\n")
    names = case.containers["container"].astype(str)
    lines = "container,filled_on\n" + "".join(names + ",2025-08-01\n") + "".join(names + ",2025-06-01\n")
    (root / "plan/containers.csv").write_text(lines, encoding="utf-8")
    case.samples[["sample", "container", "kind", "depth"]].to_csv(root / "plan/samples.csv", index=False)
    assert len(read_exclusions(root, case.study, case.results)) == 1
