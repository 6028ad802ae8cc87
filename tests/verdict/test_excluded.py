"""What leaving results out did, line by line: verdicts of those analytes alone, and containers named with them only."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from studykit.verdict import excluded
from studykit.verdict.containers import BEYOND_COLUMNS
from studykit.verdict.excluded import COLUMNS, STUDY, with_and_without

STAGE = SimpleNamespace(root="folder", study="study", results="all results")


def outcome(word: str, **words: str) -> Any:
    return SimpleNamespace(word=word, told_words=lambda: words)


def beyond(*pairs: tuple[str, str]) -> pd.DataFrame:
    return pd.DataFrame([(*pair, *[""] * (len(BEYOND_COLUMNS) - 2)) for pair in pairs], columns=BEYOND_COLUMNS)


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Any:
    """``with_and_without`` where exclusions, both judgements and those named beyond with and without them are given."""
    def of(lines: list[tuple[str, str]], filed: Any, other: Any, named: pd.DataFrame, known: pd.DataFrame) -> Any:
        asked: list[object] = []

        def read(root: object, study: object, results: object) -> pd.DataFrame:
            asked.append((root, study, results))
            return pd.DataFrame(lines, columns=["analyte", "reason"])

        def fit(stage: object, with_excluded: bool) -> str:
            assert stage is STAGE
            assert with_excluded
            return "models with"

        def judged(stage: object, models: object) -> Any:
            assert (stage, models) == (STAGE, "models with")
            return other

        def shown(stage: object, models: object, floors: object = None) -> pd.DataFrame:
            assert stage is STAGE
            return {("models with", "floors of models with, all results"): named, ("models", None): known}[models, floors]  # type: ignore[index]

        monkeypatch.setattr(excluded, "read_exclusions", read)
        monkeypatch.setattr(excluded, "fit_all", fit)
        monkeypatch.setattr(excluded, "judge_all", judged)
        monkeypatch.setattr(excluded.floors, "each", lambda stage, models, results: f"floors of {models}, {results}"
                            if stage is STAGE else "of no stage")
        monkeypatch.setattr(excluded.floors, "beyond", shown)
        found = with_and_without(STAGE, filed, "models")  # type: ignore[arg-type]
        assert asked == [("folder", "study", "all results")]
        return found

    return of


def test_each_analyte_with_an_excluded_result_has_a_row_and_the_study_where_its_word_changes(told: Any) -> None:
    """Two lines of P, one of everything: P has three, Zn one; both reasons once each, in order."""
    lines = [("P", "leaked"), ("P", "cap open"), ("", "leaked")]
    found = told(lines, outcome("homogeneous", P="homogeneous", Zn="homogeneous"),
                 outcome("stratified", P="stratified", Zn="homogeneous"), beyond(), beyond())
    assert list(found.words.columns) == COLUMNS
    assert found.words.to_numpy().tolist() == [
        ["P", 3, "homogeneous", "stratified", "cap open; leaked"], ["Zn", 1, "homogeneous", "homogeneous", "leaked"],
        [STUDY, 3, "homogeneous", "stratified", "cap open; leaked"]]


def test_a_study_whose_word_stays_has_no_row_and_an_untouched_analyte_none(told: Any) -> None:
    found = told([("P", "leaked")], outcome("uneven", P="uneven", Zn="homogeneous"),
                 outcome("uneven", P="stratified", Zn="homogeneous"), beyond(), beyond())
    assert found.words.to_numpy().tolist() == [["P", 1, "uneven", "stratified", "leaked"]]


def test_containers_named_with_the_excluded_results_only(told: Any) -> None:
    """C2 is named for Zn without them too; for P only with them."""
    found = told([("P", "leaked")], outcome("uneven", P="uneven"), outcome("uneven", P="uneven"),
                 beyond(("C2", "Zn"), ("C2", "P"), ("C3", "Zn")), beyond(("C2", "Zn")))
    assert found.beyond[["container", "analyte"]].to_numpy().tolist() == [["C2", "P"], ["C3", "Zn"]]
    assert list(found.beyond.index) == [0, 1]


def test_nothing_excluded_is_two_empty_tables(told: Any) -> None:
    found = told([], outcome("uneven"), None, beyond(), beyond())
    assert (list(found.words.columns), len(found.words)) == (COLUMNS, 0)
    assert (list(found.beyond.columns), len(found.beyond)) == (list(BEYOND_COLUMNS), 0)


def test_reasons_stand_in_the_order_of_the_alphabet_once_each(told: Any) -> None:
    reasons = ["leaked", "cap open", "spilled", "broken", "wrong oven", "airy", "leaked"]
    found = told([("P", r) for r in reasons], outcome("homogeneous", P="homogeneous"), outcome("stratified", P="stratified"),
                 beyond(), beyond())
    in_order = "airy; broken; cap open; leaked; spilled; wrong oven"
    assert [row[-1] for row in found.words.to_numpy().tolist()] == [in_order, in_order]
