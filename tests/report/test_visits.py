"""Days that page one tells are days of samples that were drawn or have results; planned visits without any are named."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.report import findings, firstpage, leftout, visits

FIRST, SECOND = "2026-09-01", "2026-11-15"


def stage(results: tuple[str, ...] = ("A1",), drawn: str | None = None, reported: str | None = None) -> SimpleNamespace:
    """Two visits of one container, of two bottles each; the container's own day is that of its last planned visit."""
    samples = pd.DataFrame({"sample": ["A1", "A2", "B1", "B2"], "container": "D1", "volume_ml": float("nan"),
                            "visited_on": pd.to_datetime([FIRST, FIRST, SECOND, SECOND]),
                            "drawn_at": pd.to_datetime([None, None, None, drawn])})
    return SimpleNamespace(
        samples=samples, containers=pd.DataFrame({"container": ["D1"], "sampled_on": pd.to_datetime([SECOND])}),
        results=pd.DataFrame({"sample": list(results), "reported_on": pd.to_datetime([reported] * len(results))}))


def test_the_last_day_of_sampling_is_one_that_has_results_or_a_log() -> None:
    """A stranger read "Last sampled on" the day of a visit that nobody had made."""
    assert visits.sampled_on(stage()) == FIRST
    assert firstpage._days(stage(), "") == f"Last sampled on {FIRST}."
    assert visits.sampled_on(stage(("A1", "B1"))) == SECOND
    assert visits.sampled_on(stage(drawn="2026-11-16 09:00")) == "2026-11-16"
    assert visits.sampled_on(stage(())) == ""


@pytest.mark.parametrize(("results", "more", "said"), [
    (("A1",), {}, "is still to come"), (("A1",), {"told_on": [SECOND]}, "is still to come"),  # its own day is not past
    (("A1",), {"told_on": ["", "2026-11-28"]}, "is past"), (("A1", "B2"), {}, ""), (("A1", "A2"), {}, "is still to come")])
def test_a_planned_visit_without_draws_is_named_with_what_is_known_of_its_day(results, more, said) -> None:
    told = visits.without_draws(stage(results), **more)
    assert told == ([f"Visit 2 of 2, planned for {SECOND}, {said}: none of its 2 samples is logged as drawn, and none has a "
                     "result."] if said else [])


def test_a_visit_is_past_where_results_were_reported_later_and_a_study_without_visits_has_none() -> None:
    assert "is past" in visits.without_draws(stage(reported="2026-12-01"))[0]
    bare = stage()
    bare.samples = bare.samples.drop(columns="visited_on")
    assert visits.without_draws(bare) == []
    assert visits.sampled_on(bare) == SECOND  # then the container's day is its samples'


@pytest.mark.parametrize(("done", "places", "said"), [
    ("0", "61", "None of 51 planned draws is logged: how, when and in which order they were drawn cannot be compared"),
    ("50", "1", "Of 51 planned draws 50 are logged; plan and log differ in 1 place."),
    ("51", "0", "Of 51 planned draws 51 are logged; plan and log agree.")])
def test_an_empty_log_is_not_told_as_differences(done, places, said) -> None:
    assert findings._sampling(None, {"draws_planned": "51", "draws_done": done, "draws_different": places}).startswith(said)


def test_results_taken_and_left_out_are_both_said() -> None:
    assert leftout.of_taken({"results_excluded": "2"}) == " from the files, and 2 of them left out by a person"
    assert leftout.of_taken({"results_excluded": "1"}) == " from the files, and 1 of them left out by a person"
    assert leftout.of_taken({"results_excluded": "0"}) == leftout.of_taken({}) == ""
