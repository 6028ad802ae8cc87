"""A margin that is changed after the results: the answer at the margin that was locked stands beside the one that counts."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.commands import app
from studykit.core.record import literal, read_records
from studykit.deposit import export
from studykit.deposit.summary import page_one as summary_of
from studykit.report import findings, firstpage, questions
from studykit.report.page import shown_html
from studykit.study.definition import Margin, load_study
from studykit.study.lock import earlier_margins, lock_plan, lock_status, locked_margins
from studykit.study.margins import change_margin
from tests.report.stranger import Truth, judged, write

BESIDE = "At the margin locked beforehand (P ±15 mg/kg): Stratified: P. Homogeneous: W."


def changed(root: Path, *margins: str, late: bool = False) -> Path:
    """P lies 30 mg/kg apart, its margin was ±15 and is widened; W is even. ``late``: the lock came after the results."""
    truths = {"P": Truth(margin={"absolute": 15}, level=300, departs=(-15, 0, 15), scatter=1, relative=False),
              "W": Truth(margin={"absolute": 60}, level=2000, departs=(0, 0, 0), scatter=2, relative=False)}
    write(root, truths, [f"F{i:02d}" for i in range(1, 7)], share_percent=60)
    held = root / "tidy/results.csv"
    results = held.read_bytes()
    if not late:
        held.unlink()
    lock_plan(root, load_study(root))
    held.write_bytes(results)
    for margin in margins:
        change_margin(root, "P", margin, reason="the supplier allows so much")
    return root


@pytest.mark.slow
def test_the_locked_margins_word_stands_in_the_answer_itself(tmp_path: Path) -> None:
    """A stranger's headline went from stratified to inconclusive by two changes; the old word stood on the second screen."""
    stage = judged(changed(tmp_path / "s", "30 mg/kg", "35 mg/kg"))
    numbers = firstpage.recorded(stage, "06-verdict")
    assert numbers["verdict"] != "stratified"
    assert numbers["verdict_at_lock"] == "stratified"
    assert numbers["verdict_sentence_at_lock"] == BESIDE  # ±30 is none that was locked first
    box = firstpage.answer(stage).replace("\u00a0", " ").partition("\n\n")[0]
    assert box.splitlines() == [f"> **{literal(numbers['verdict_sentence'])}**", ">", f"> {literal(BESIDE)}"]
    assert shown_html(box).count("<p>") == 2
    said = questions.right(stage)
    assert (f"By the margins first locked, changed when results were already there, the study's word would be “stratified”, "
            f"not “{numbers['verdict']}”.") in said
    assert findings._verdict(stage, numbers).endswith(BESIDE)


@pytest.mark.slow
@pytest.mark.parametrize("margins", [(), ("16 mg/kg",), ("30 mg/kg", "15 mg/kg")])
def test_nothing_stands_beside_an_answer_that_is_the_same(tmp_path: Path, margins: tuple[str, ...]) -> None:
    """Unchanged, changed without another word, and changed and taken back."""
    stage = judged(changed(tmp_path / "s", *margins))
    assert "verdict_sentence_at_lock" not in firstpage.recorded(stage, "06-verdict")
    assert not any("first locked" in text for text in questions.right(stage))


def test_a_lock_after_the_results_is_not_called_beforehand(tmp_path: Path) -> None:
    root = changed(tmp_path / "s", "30 mg/kg", late=True)
    assert locked_margins(root, load_study(root)) == {"P": (Margin(absolute=15), False)}
    assert earlier_margins(root, load_study(root)) == {"P": (Margin(absolute=15),)}
    text = firstpage.recorded(judged(root), "06-verdict")["verdict_sentence_at_lock"]
    assert text.startswith("At the margin that was locked first (P ±15 mg/kg): Stratified: P.")


@pytest.mark.parametrize(("reported", "early"), [("2025-11-24", False), ("", True), ("2999-01-01", True)])
def test_results_reported_on_a_day_before_the_lock_were_there(tmp_path: Path, reported: str, early: bool) -> None:
    """No file lay in the folder yet: the laboratory's own day tells it, as it does for the sentence on the lock."""
    root = changed(tmp_path / "s", "30 mg/kg")
    path = root / "tidy/results.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table.assign(reported_on=reported).to_csv(path, index=False)
    assert locked_margins(root, load_study(root))["P"][1] == early
    assert (lock_status(root, load_study(root)).state == "locked") == early


@pytest.mark.parametrize("at_lock", ["", BESIDE])
def test_the_terminals_answer_and_its_object_say_both(monkeypatch, capsys, tmp_path, at_lock: str) -> None:
    kept: dict[str, object] = {}
    monkeypatch.setattr(app, "facts", kept.update)
    (tmp_path / "plan").mkdir()
    app.report_made(SimpleNamespace(records=(), sentence="Homogeneous: P.", at_lock=at_lock, page=tmp_path / "r.html",
                                    rejected=0), tmp_path)
    said = capsys.readouterr().out
    assert said.strip().startswith("\n".join(filter(None, ("Homogeneous: P.", at_lock))))
    assert json.loads(json.dumps(kept["at_locked_margins"])) == at_lock


@pytest.mark.slow
def test_the_workbooks_contents_begin_with_both_answers(monkeypatch, tmp_path: Path) -> None:
    numbers = firstpage.recorded(judged(changed(tmp_path / "s", "30 mg/kg")), "06-verdict")
    made = tmp_path / "s/report/06-verdict/numbers.json"
    monkeypatch.setattr(export, "read_records", lambda _: read_records(made))
    told = dict(export._opening(tmp_path / "s", load_study(tmp_path / "s")))
    assert told["verdict"] == numbers["verdict_sentence"]
    assert told["verdict before a margin was changed"] == BESIDE


def test_the_summary_has_both_answers_apart() -> None:
    cautions = "<div class='cell'><h2 id='cautions'>Cautions</h2></div><div><ul><li><strong>A.</strong> b</li></ul></div>"
    page = ("<main><section><blockquote><p><strong>Homogeneous: P.</strong></p><p>At the margin: so.</p></blockquote>"
            '<div class="tag-strip"><table><caption>c</caption><thead><tr><th class="drawn"><svg></svg></th></tr></thead>'
            f"<tbody></tbody></table></div></section><section>{cautions}</section></main>")
    data, _ = summary_of(page)
    assert (data["answer"], data["beside"]) == ("Homogeneous: P.", ["At the margin: so."])
