"""The letter on disk, from a letter of three lines: which files there are, what stands in them, what stays at home."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.quality.letter import AGAIN, GROUPS, QUESTIONS, Letter
from studykit.quality.letter_files import HEADS, WIDTHS, _data, _page, _parts, write_letter

ONE, RUN = (next(g for g in GROUPS if g.by_run is by) for by in (False, True))


def letter(again: bool = True) -> Letter:
    """Two bottles, one run, and two portions of two analytes."""
    rows = [(ONE.name, "bottle", "B01", "R1", "", "P", "P 5 mg/kg", "", "", ""),
            (ONE.name, "bottle", "B02", "R1", "", "P", "", "", "", ""), (RUN.name, "run", "", "R1", "", "P", "", "", "", "")]
    portions = [(code, "again", k, a, "mg/kg", "") for k, code in ((1, "N2"), (2, "N1")) for a in ("P", "Zn")]
    return Letter(questions=pd.DataFrame(rows, columns=QUESTIONS, dtype=str),
                  again=pd.DataFrame(portions if again else [], columns=AGAIN),
                  relabel=pd.DataFrame([("B01", "N1"), ("B02", "N2")] if again else [], columns=["bottle", "new_code"]),
                  lines=pd.DataFrame({"sample": ["N1", "N2"], "container": ["C1", "C2"]}))


def test_what_is_sent_and_what_is_kept(tmp_path: Path) -> None:
    sent = write_letter(letter(), "lab.csv", tmp_path / "study", tmp_path / "out")
    assert (sent.send, sent.keep, sent.questions, sent.portions) == (tmp_path / "out/send", tmp_path / "out/keep", 3, 2)
    assert {p.name for p in sent.send.iterdir()} == {"letter.pdf", "letter.html", "questions.csv", "again.csv", "relabel.csv"}
    assert [p.name for p in sent.keep.iterdir()] == ["samples-to-add.csv"]
    assert "C1" not in "".join(p.read_text("utf-8") for p in sent.send.iterdir() if p.suffix != ".pdf")
    assert (sent.send / "letter.pdf").read_bytes().startswith(b"%PDF")


def test_without_portions_there_is_no_list_of_them(tmp_path: Path) -> None:
    sent = write_letter(letter(again=False), "lab.csv", tmp_path / "study", tmp_path / "out")
    assert {p.name for p in sent.send.iterdir()} == {"letter.pdf", "letter.html", "questions.csv"}
    assert not list(sent.keep.iterdir())
    assert sent.portions == 0
    none = _data(letter(again=False), ("hello",))
    assert (none["again"], none["again_words"]) == ([], [])
    assert "measured again, in this order" not in _page(letter(again=False), ("hello",))


def test_nothing_to_ask_or_a_folder_inside_the_study_is_refused(tmp_path: Path) -> None:
    empty = replace(letter(again=False), questions=letter().questions.iloc[:0])
    with pytest.raises(BadInput, match="no check asks anything"):
        write_letter(empty, "lab.csv", tmp_path / "study", tmp_path / "out")
    with pytest.raises(BadInput, match="lies inside the study"):
        write_letter(letter(), "lab.csv", tmp_path, tmp_path / "out")


def test_each_group_has_the_columns_that_hold_something_and_one_for_the_answer() -> None:
    one, run = sorted(_parts(letter()), key=lambda p: p["name"] != f"About {ONE.name}")
    assert one["head"] == [HEADS[c] for c in ("code", "run", "analytes", "reported", "answer")]
    assert one["rows"] == [["B01", "R1", "P", "P 5 mg/kg", ""], ["B02", "R1", "P", "", ""]]
    assert run["head"] == [HEADS[c] for c in ("run", "analytes", "answer")]
    assert run["rows"] == [["R1", "P", ""]]
    assert (one["asks"], run["asks"]) == (list(ONE.asks), list(RUN.asks))


def test_room_for_what_is_written_by_hand() -> None:
    """A place is one or two digits, a code or run a few letters; an answer gets the most room, what was reported the next."""
    (one, *_) = (p for p in _parts(letter()) if p["name"] == f"About {ONE.name}")
    assert one["widths"] == [WIDTHS[c] for c in ("code", "run", "analytes", "reported", "answer")]
    assert WIDTHS["position"] < WIDTHS["code"] == WIDTHS["run"] < WIDTHS["analytes"] < WIDTHS["reported"] < WIDTHS["answer"]
    assert WIDTHS["answer"] == 5 * WIDTHS["position"] == sum(WIDTHS[c] for c in ("code", "analytes"))


def test_bottles_to_measure_again_stand_once_in_their_order() -> None:
    told = _data(letter(), ("hello",))
    assert told["again"] == [["1", "N2"], ["2", "N1"]]
    assert told["again_words"][0] == "Analytes: P, Zn."
    assert len(told["again_words"]) == 3
    page = _page(letter(), ("hello there",))
    assert page.index("hello there") < page.index(f"About {ONE.name}") < page.index("To be measured again, in this order")
    assert page.index("N2") < page.index("N1")
