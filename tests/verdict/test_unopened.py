"""What the stock list holds that is unlike every container opened is named, and no word holds for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studykit.model import tables as model_tables
from studykit.study.actions import Action
from studykit.verdict import tables, unopened, uses
from studykit.verdict.rule import StudyVerdict
from tests.verdict_cases import calm, make

HEAD = "container,lot,store,vessel,liquid_height_mm,filled_on\n"
OPENED = "".join(f"C{c},L1,north,drum,500,2025-01-10\n" for c in range(24))


def stage_of(tmp_path, more: str | None):
    stage = make(tmp_path / "s", calm(24, step=0.02), share=20, repeatability={"r": 0.3, "source": "a test"})
    if more is not None:
        (stage.root / "plan/stock.csv").write_text(HEAD + OPENED + more, encoding="utf-8")
    return stage


def lines(n: int, lot: str = "L1", store: str = "north", filled: str = "2025-01-10", first: int = 0) -> str:
    return "".join(f"X{k},{lot},{store},drum,500,{filled}\n" for k in range(first, first + n))


@pytest.mark.few(2)
@pytest.mark.parametrize(("more", "told"), [
    (lines(60, "L9", "cellar", "2019-01-01"),
     ("60 of lot L9, store cellar, older than all opened, standing since 2019-01-01",)),
    (lines(7, "L9") + lines(30, store="cellar", first=7), ("30 of store cellar", "7 of lot L9")),
    (lines(3, filled="2025-06-01") + lines(1, filled="2025-08-01", first=3),
     ("4 younger than all opened, standing since 2025-06-01 to 2025-08-01",)),
    (lines(40, filled="2025-02-01"), ()), ("", ()), (None, ())])
def test_what_is_unlike_all_opened_is_counted_by_lot_store_and_age(tmp_path, more, told) -> None:
    """By hand: 24 opened of lot L1, store north, filled on 10 January 2025; 22 days later is no other age."""
    assert unopened.unlike(stage_of(tmp_path, more)) == told


def test_page_one_and_the_action_say_for_what_no_word_holds(tmp_path) -> None:
    stage = stage_of(tmp_path, lines(60, "L9", "cellar", "2019-01-01"))
    models = model_tables.fit_all(stage)
    outcome = tables.judge_all(stage, models)
    assert outcome.word == "homogeneous"
    table = uses.uses(stage, models, outcome)
    acting = StudyVerdict(word=outcome.word, sentence="", analytes=outcome.analytes, action=Action(do="Use as it stands."))
    text = uses.action(stage, acting, table)
    assert text.endswith(f"60 of lot L9, store cellar, older than all opened, standing since 2019-01-01. {uses.FIRST}")
    assert tables.cannot(stage, models)["what"].iloc[0].startswith(unopened.NO_WORD)
    alone = replace(stage, tables=replace(stage.tables, study=stage.study.model_copy(update={"scope": "container"})))
    assert unopened.sentence(alone) == ""


def test_a_list_with_faults_is_said_and_costs_no_report(tmp_path) -> None:
    assert unopened.sentence(stage_of(tmp_path, "X1,L9,cellar,drum,five hundred,2019-01-01\n")) == unopened.UNREAD
