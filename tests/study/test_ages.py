"""When a container's clock starts, its age at a visit, and columns of one's own as factors."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.study.ages import (
    DAYS_A_MONTH,
    age_conflicts,
    age_faults,
    container_ages,
    span_words,
    stands_from,
    visit_ages,
)
from studykit.study.definition import Study, parse_study
from studykit.study.ownfactors import own_factors
from tests.studies import definition

LINE = "_line"
DAYS = ("filled_on", "sampled_on", "last_moved_on", "last_mixed_on")


def study_of(starts: str | None = None, **columns: dict) -> Study:
    time = {} if starts == "silent" else {"time": {"starts": starts} if starts else {}}
    return parse_study(definition(factors={"depths": ["upper", "lower"], "fixed": list(columns), "columns": columns}, **time))


def containers(**more: object) -> pd.DataFrame:
    table = pd.DataFrame({"container": ["A", "B", "C"], "treatment": ["stored", "stored", "remixed control"],
                          "filled_on": "2025-01-01", "sampled_on": "2026-01-01", "last_moved_on": ["", "2025-03-01", ""],
                          "last_mixed_on": ["", "2025-07-02", "2026-01-01"], LINE: [2, 3, 4]} | more)
    for name in DAYS:
        table[name] = pd.to_datetime(table[name].replace("", pd.NaT))
    return table.assign(age_months=float("nan"))


@pytest.mark.parametrize(("starts", "begins"), [
    ("filled", ["2025-01-01"] * 3), ("mixed", ["2025-01-01", "2025-07-02", "2025-01-01"]),
    (None, ["2025-01-01", "2025-07-02", "2025-01-01"]), ("moved", ["2025-01-01", "2025-07-02", "2025-01-01"])])
def test_the_clock_starts_where_declared_and_a_control_keeps_its_storage(starts: str | None, begins: list[str]) -> None:
    assert stands_from(containers(), study_of(starts)).dt.strftime("%Y-%m-%d").tolist() == begins


def test_a_move_counts_only_where_it_is_declared() -> None:
    table = containers(last_moved_on=["2025-10-01", "", ""])
    assert stands_from(table, study_of("moved"))[0] == pd.Timestamp("2025-10-01")
    assert stands_from(table, study_of("mixed"))[0] == pd.Timestamp("2025-01-01")


def test_ages_are_months_and_written_ones_stand_without_days() -> None:
    table = containers().assign(age_months=7.0)
    table.loc[0, "sampled_on"] = pd.NaT
    assert container_ages(table, study_of("filled")).tolist() == pytest.approx([7.0, 11.9920, 11.9920], abs=1e-4)


def test_age_at_a_visit() -> None:
    joined = containers().assign(visited_on=pd.to_datetime(["2025-07-02", pd.NaT, pd.NaT]))
    found = visit_ages(joined, study_of("filled"))
    assert found["age_months"].tolist() == pytest.approx([5.9796, 11.9920, 11.9920], abs=1e-4)


def test_moves_are_asked_about_once_and_only_with_a_time_section() -> None:
    table = containers(last_moved_on=["2025-03-01", "2025-09-01", ""])
    none = pd.DataFrame({"sample": []})
    asked = age_faults(table, none, study_of())
    assert [(f.column, "2 of 2 stored containers were moved" in f.reason) for f in asked] == [("time.starts", True)]
    assert age_faults(table, none, study_of("silent")) == []
    assert age_faults(table, none, study_of("mixed")) == []


def test_stored_and_mixed_after_sampling_is_a_fault() -> None:
    found = age_faults(containers(last_mixed_on=["2026-02-01", "", ""]), pd.DataFrame({"sample": []}), study_of("mixed"))
    assert [(f.row, f.column) for f in found] == [(2, "last_mixed_on")]


def samples(days: list[str], depths: str = "ul") -> pd.DataFrame:
    return pd.DataFrame({"sample": [f"S{i}" for i in range(len(days))], "container": "A", "kind": "spot",
                         "depth": [depths[i % len(depths)] for i in range(len(days))], "visited_on": pd.to_datetime(days),
                         LINE: range(2, len(days) + 2)})


@pytest.mark.parametrize(("days", "reason"), [
    (["2024-12-01", "2025-06-01"], "lies before container A began to stand"),
    (["2025-06-01", None], "is empty, but other samples"),
    (["2025-06-01", "2025-06-01", "2025-06-01"], "has the zone u twice on this day")])
def test_visits_that_cannot_be(days: list[str], reason: str) -> None:
    found = age_faults(containers(), samples(days), study_of("filled"))
    assert len(found) == 1
    assert reason in found[0].reason


def test_visits_that_can_be() -> None:
    fine = samples(["2025-06-01", "2025-06-01", "2025-09-01", "2025-09-01"])
    assert age_faults(containers(), fine, study_of("filled")) == []


def test_own_columns_are_read_as_declared() -> None:
    study = study_of(None, cap={"levels": ["screw", "lid"]}, warmth={"unit": "degC"})
    table = containers().assign(cap=["screw", "lid", "lid"], warmth=["4", " 21.5", "-3"])
    assert own_factors(table, samples([]), study) == []
    assert table["warmth"].tolist() == [4.0, 21.5, -3.0]


def test_every_cell_that_does_not_fit_is_named() -> None:
    rod = {"levels": ["a", "b"], "table": "samples"}
    study = study_of(None, cap={"levels": ["screw", "lid"]}, warmth={"unit": "degC"}, rod=rod)
    table = containers().assign(cap=["screw", "cork", ""], warmth=["cold", "4,5", ""])
    found = own_factors(table, samples(["2025-06-01"]), study)
    assert [f.reason for f in found if not f.value and f.row] == ["must not be empty"] * 2
    assert [(f.file, f.row, f.column, f.value) for f in found] == [
        ("plan/containers.csv", 3, "cap", "cork"), ("plan/containers.csv", 4, "cap", ""),
        ("plan/containers.csv", 2, "warmth", "cold"), ("plan/containers.csv", 3, "warmth", "4,5"),
        ("plan/containers.csv", 4, "warmth", ""), ("plan/samples.csv", None, "rod", "")]


def test_a_container_mixed_between_two_visits_stands_anew() -> None:
    table = containers(last_mixed_on=["2025-08-01", "", ""])
    drawn = samples(["2025-06-01", "2025-06-01", "2025-09-01", "2025-09-01"])
    asked = age_faults(table, drawn, study_of("mixed"))
    assert [f.row for f in asked] == [2, 3]
    assert all("stood_from" in f.remedy for f in asked)
    told = drawn.assign(stood_from=pd.to_datetime(["2025-01-01", "2025-01-01", None, None]))
    assert age_faults(table, told, study_of("mixed")) == []
    ages = visit_ages(told.merge(table, on="container"), study_of("mixed"))["age_months"]
    assert (ages * 365.2425 / 12).round(6).tolist() == [151.0, 151.0, 31.0, 31.0]


@pytest.mark.parametrize(("days", "reason"), [
    (["2024-12-01", "2024-12-01", None, None], "lies before the container was filled"),
    (["2025-07-01", "2025-07-01", None, None], "lies before container A began to stand"),
    (["2025-01-01", "2025-02-01", None, None], "is not the same for all samples of this visit"),
    (["2025-01-01", None, None, None], "is not the same for all samples of this visit")])
def test_days_from_which_it_stood_that_cannot_be(days: list[str | None], reason: str) -> None:
    told = samples(["2025-06-01", "2025-06-01", "2025-09-01", "2025-09-01"]).assign(stood_from=pd.to_datetime(days))
    found = age_faults(containers(), told, study_of("filled"))
    assert [f.reason.startswith(reason) for f in found] == [True, True]


def test_a_day_before_the_last_mixing_is_not_beside_a_visit_after_it() -> None:
    told = samples(["2025-06-01", "2025-06-01", "2025-09-01", "2025-09-01"]).assign(stood_from=pd.Timestamp("2025-01-01"))
    found = age_faults(containers(last_mixed_on=["2025-08-01", "", ""]), told, study_of("mixed"))
    assert [(f.row, f.reason.startswith("lies before the last mixing or move")) for f in found] == [(4, True), (5, True)]


def test_a_day_from_which_it_stood_belongs_to_a_visit() -> None:
    told = samples(["2025-06-01", "2025-06-01"]).assign(visited_on=pd.NaT, stood_from=pd.to_datetime("2025-01-01"))
    told.loc[0, "visited_on"] = pd.Timestamp("2025-06-01")
    assert "is given without the day of a visit" in [f.reason for f in age_faults(containers(), told, study_of("filled"))]


def test_mixed_before_it_was_filled_is_a_fault() -> None:
    found = age_faults(containers(last_mixed_on=["2022-01-01", "", ""]), pd.DataFrame({"sample": []}), study_of("filled"))
    assert [(f.row, "lies before it was filled" in f.reason) for f in found] == [(2, True)]


@pytest.mark.parametrize(("days", "told"), [(1, "1 day"), (14, "14 days"), (89, "89 days"), (168, "5.5 months"),
                                            (365, "12 months"), (913, "30 months"), (0, "0 days"),
                                            (1092, "36 months"), (100, "3.3 months")])
def test_short_spans_are_told_in_days(days, told):
    """A visit after 14 days stood on page one as 0 months, one after 168 days as 6."""
    assert span_words(days / DAYS_A_MONTH) == told


def test_several_draws_of_a_zone_without_a_visit_are_asked_about_where_others_have_one() -> None:
    told = pd.concat([samples(["2025-06-01", "2025-06-01", "2025-09-01", "2025-09-01"]),
                      samples([None, None, None, None]).assign(container="B", sample=["T0", "T1", "T2", "T3"])])  # type: ignore[list-item]
    found = age_faults(containers(last_mixed_on=""), told, study_of("filled"))
    assert [f.reason.startswith("is empty, but container B has the zone") for f in found] == [True] * 4


@pytest.mark.parametrize(("days", "told"), [
    (["2025-06-01", "2025-06-02"], "container A: l is dated 1 day after its other zones (2025-06-01)"),
    (["2025-06-02", "2025-06-01"], "container A: u is dated 1 day after its other zones (2025-06-01)"),
    (["2025-06-01", "2025-06-01", "2025-09-01", "2025-09-08"], "container A: l is dated 7 days after its other zones"),
], ids=["the lower a day later", "the upper a day later", "the last visit over a week"])
def test_a_visit_over_two_days_is_asked_about(days: list[str], told: str) -> None:
    found = age_faults(containers(), samples(days), study_of("filled"))
    assert [f.column for f in found] == ["visited_on"]
    assert told in found[0].reason
    assert "drawn_at" in found[0].remedy


def test_days_of_whole_visits_and_of_other_containers_are_not_asked_about() -> None:
    near = samples(["2025-06-01", "2025-06-01", "2025-06-03", "2025-06-03"])  # both zones twice: two visits
    assert age_faults(containers(), near, study_of("filled")) == []
    others = samples(["2025-06-01", "2025-06-02"], depths="uu").assign(container=["A", "B"])
    assert age_faults(containers(), others, study_of("filled")) == []
    later = samples(["2025-06-01", "2025-06-09"])  # more than a week apart: counted in the time chapter
    assert age_faults(containers(), later, study_of("filled")) == []


def test_planned_visits_before_filling_are_one_fault_each_and_only_before_the_plan() -> None:
    def planned(how: str) -> Study:
        time = {"starts": "mixed", "visits": [date(2024, 6, 1), date(2025, 6, 1), date(2027, 1, 1)], "containers": how}
        return parse_study(definition(factors={"depths": ["upper", "lower"]}, time=time))

    listed, none = containers(sampled_on="").iloc[:2], samples([])
    found = age_faults(listed, none, planned("sister"))
    # A filled 2025-01-01, B mixed 2025-07-02
    assert [(f.file, f.column, f.value) for f in found] == [("study.toml", "time.visits", "2024-06-01"),
                                                            ("study.toml", "time.visits", "2025-06-01")]
    assert "2 of 2 containers began to stand (A, B; the last of them on 2025-07-02)" in found[0].reason
    assert "1 of 2 containers began to stand (B;" in found[1].reason
    assert len(age_faults(listed, none, planned("same"))) == 2
    set_by_hand = containers(sampled_on="2027-01-01").iloc[:2]
    assert age_faults(set_by_hand, none, planned("sister")) == []
    drawn = samples(["2027-01-01", "2027-01-01"])
    assert age_faults(listed, drawn, planned("same")) == []


def test_a_written_age_that_its_days_contradict_is_a_fault() -> None:
    # A stood 365 days, B 182.5 from its mixing on where that counts, C 365
    assert age_conflicts(containers().assign(age_months=[12.0, 6.0, 11.5]), study_of("mixed")) == []
    found = age_conflicts(containers().assign(age_months=[40.0, 12.0, float("nan")]), study_of("mixed"))
    assert [(f.row, f.value) for f in found] == [(2, "40"), (3, "12")]
    assert "12.0 months from 2025-01-01 to 2026-01-01" in found[0].reason
    assert age_conflicts(containers(sampled_on="").assign(age_months=40.0), study_of("mixed")) == []


def test_moved_before_it_was_filled_is_a_fault() -> None:
    found = age_faults(containers(last_moved_on=["2010-06-01", "", ""]), samples([]), study_of("mixed"))
    assert [(f.row, f.column) for f in found] == [(2, "last_moved_on")]
    assert "before it was filled (2025-01-01)" in found[0].reason


def test_a_day_that_is_none_does_not_hide_what_is_wrong_with_the_others() -> None:
    days = ["2026-03-01", "2025-03-01", "2025-03-01", "soon"]
    with pytest.raises(BadInput) as error:
        parse_study(definition(time={"visits": days, "containers": "same"}))
    told = str(error.value)
    assert "soon is no day such as 2026-01-31" in told
    assert "2025-03-01 occurs twice and they are not in the order of their days" in told
    with pytest.raises(BadInput) as error:
        parse_study(definition(time={"visits": ["2025-03-01", "soon"], "containers": "same"}))
    assert "soon" in str(error.value)
