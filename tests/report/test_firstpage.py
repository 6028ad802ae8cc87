"""Every number in the sentences of page one is recorded, stands in a stage's table, or was declared (stored main demo)."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.report import questions
from studykit.report.firstpage import group_words
from studykit.study.actions import barred_note
from studykit.study.cautions import cautions
from studykit.study.definition import load_study
from studykit.study.safety import SafetySettings
from studykit.study.stages import share
from studykit.verdict.uses import ABOVE, BEYOND, UNDECIDED, UNKNOWN, UNSEEN, WITHIN

ROOT = Path(__file__).resolve().parents[2]
NUMBER = re.compile(r"(?<![\w.#\u2212-])[-\u2212]?\d+(?:\.\d+)?(?![\w.]*\d)")
SAYS = ("firstpage.answer", "questions.markdown", "firstpage.follows", "firstpage.method", "firstpage.quality")


def outputs(stem: str, source: str) -> list[str]:
    """Text outputs of the cells of a stored notebook whose source holds a text."""
    cells = json.loads((ROOT / f"notebooks/{stem}.ipynb").read_text(encoding="utf-8"))["cells"]
    return ["".join(o["data"]["text/plain"]) for c in cells if source in "".join(c["source"])
            for o in c.get("outputs", []) if "text/plain" in o.get("data", {})]


def recorded(cells: str = "stage.numbers()") -> set[str]:
    """Values of all records as printed, without their units; with '' every number of every table."""
    told = [line for stem in ("00-study", "03-intake", "04-quality", "05-model", "06-verdict")
            for text in outputs(stem, cells) for line in text.splitlines()]
    return {n for line in told for n in NUMBER.findall(line)}


def declared() -> set[str]:
    """Numbers in the definition of the study, as written and as a percentage of 1."""
    text = (ROOT / "demo_data/ropeway/study.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)
    return set(NUMBER.findall(text)) | {"100", "20", "90", "95"}


@pytest.mark.parametrize("part", SAYS)
def test_numbers_in_the_sentences_of_page_one_have_their_records(part):
    said = outputs("07-report", f"{part}(stage)")
    assert len(said) == 1
    text = re.sub(r"\d{4}-\d\d-\d\d|\b[A-Z]+\d+\b|Seal of the lock:[^.]*\.|at \d+ °C", "", said[0].replace("\u00a0", " "))
    tables = recorded("kit.table") if part.partition(".")[2] in ("follows", "quality", "markdown") else set()
    known = recorded() | declared() | tables
    lost = [n for n in NUMBER.findall(text) if n not in known and n.lstrip("-\u2212") not in known]
    assert lost == []


def test_levels_bounds_and_numbers_of_containers_are_recorded():
    names = {line.split()[0] for text in outputs("06-verdict", "stage.numbers()") for line in text.splitlines() if line.split()}
    assert {"at_least.Si", "containers.B", "level.B", "low.B", "high.B"} <= names


def test_a_number_without_a_record_would_be_seen():
    assert NUMBER.findall("differs by 77.3 % (−1.2 to 4) in P07") == ["77.3", "−1.2", "4"]
    assert "123456.789" not in recorded()


@pytest.mark.parametrize(("facts", "words"), [
    ({"lot": "B2", "store": "hut", "age_months": 30}, "store hut, lot B2, 30 months"),
    ({"orientation": "lying", "age_months": ""}, "orientation lying"),
    ({"cap": "loose", "store": "hut"}, "store hut, cap loose"),
])
def test_groups_are_named_by_whatever_makes_them(facts: dict, words: str) -> None:
    row = pd.Series({"analyte": "Si", **facts, "containers": 9, "bottom - top": 27.0, "interval lies": "beyond the margin"})
    assert group_words(row) == words


def test_the_page_of_the_report_tells_the_sentences_that_answer_the_five_questions() -> None:
    page = (ROOT / "docs/07-report.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([A-Z][^|]*\?) \| ([^|]+) \|", page, re.MULTILINE)
    said = outputs("07-report", "questions.markdown(stage)")[0].replace("\u00a0", " ")
    assert len(rows) == 5
    assert [f"**{question}** {answer}" for question, answer in rows if f"**{question}** {answer}" not in said] == []


def test_page_one_points_to_the_cautions_that_the_next_chapter_prints() -> None:
    """They stand in a fold: whoever reads page one alone is told that they come first."""
    assert questions.SAFETY in outputs("07-report", "questions.markdown(stage)")[0].replace("\u00a0", " ")
    assert "the report's Cautions" in questions.SAFETY
    printed = outputs("07-report", "firstpage.cautions(stage)")[0]
    assert all(c.text[:40] in printed for c in cautions("first", load_study(share("demo_data") / "ropeway").safety))


@pytest.mark.parametrize(("safety", "told"), [
    (SafetySettings(), True), (load_study(share("demo_data") / "ropeway").safety, False),
])
def test_page_one_says_what_the_safety_section_does_not_clear_whatever_the_action(monkeypatch, safety, told) -> None:
    """An action that was vetoed carried no such sentence once, and a study with nothing answered looked cleared."""
    stage = SimpleNamespace(study=SimpleNamespace(safety=safety, actions={}, analytes={}, decides=bool))
    monkeypatch.setattr(questions, "recorded", lambda *_: {"action": "Vetoed by use: the floor."})
    monkeypatch.setattr(questions, "_named_beyond", lambda _: set())
    monkeypatch.setattr(questions, "_verdicts", lambda _: pd.DataFrame(columns=["name", "verdict", "stock"]))
    monkeypatch.setattr(questions, "_uses", lambda _: pd.DataFrame(columns=["use", "word", "name"]))
    monkeypatch.setattr(questions, "optional", lambda *_: pd.DataFrame())
    said = questions.todo(stage)
    note = ("Not cleared for safety, whatever title, question or action say: mixing of any kind and a draw at the floor "
            "(see Cautions).")
    assert said[:2 + told] == [note] * told + ["Vetoed by use: the floor.", questions.SAFETY]
    if told:
        monkeypatch.setattr(questions, "recorded", lambda *_: {"action": f"{barred_note(safety)} Pour."})
        assert sum(note in line for line in questions.todo(stage)) == 1  # it is said already


@pytest.mark.parametrize("last", [WITHIN, ABOVE, BEYOND, UNDECIDED, UNKNOWN])
@pytest.mark.parametrize("floor", [WITHIN, BEYOND, UNDECIDED, UNKNOWN])
def test_page_one_calls_the_last_litres_within_only_where_the_floor_is_too(monkeypatch, last: str, floor: str) -> None:
    """It said "not for the last litres" and "the last litres are within the margins" at once."""
    if (last == WITHIN) > (floor == WITHIN):
        return  # uses.uses says above the floor there, tests/verdict/test_uses.py
    rows = [("first litres", WITHIN, "Si"), ("last litres", last, "Si"), ("floor", floor, "Si")]
    told = {"action": UNSEEN if floor == UNKNOWN else "Use."}
    monkeypatch.setattr(questions, "recorded", lambda *_: told)
    monkeypatch.setattr(questions, "_named_beyond", lambda _: set())
    monkeypatch.setattr(questions, "_verdicts", lambda _: pd.DataFrame(columns=["name", "verdict", "stock"]))
    monkeypatch.setattr(questions, "_uses", lambda _: pd.DataFrame(rows, columns=["use", "word", "name"]))
    monkeypatch.setattr(questions, "optional", lambda *_: pd.DataFrame())
    study = SimpleNamespace(safety=SafetySettings(), actions={}, analytes={}, decides=bool)
    said = " ".join(questions.todo(SimpleNamespace(study=study)))
    assert ("the first and the last litres are within" in said) == (last == floor == WITHIN)
    assert ("What comes off the floor last is not shown" in said) == (last == ABOVE and floor in (WITHIN, UNKNOWN))


NAMELESS = SimpleNamespace(study=SimpleNamespace(labels={}, analytes={}, decides=bool, actions={}, scope="container",
                                                 safety=SafetySettings()))


def rows_beyond(containers: tuple[str, ...], name: str, pair: str, differences: tuple[float, ...], by: str = "shown",
                ) -> pd.DataFrame:
    """Rows of containers-beyond.csv, of a margin of 2 %."""
    return pd.DataFrame({"container": containers, "name": name, "pair": pair, "unit": "%", "margin": "±2 %", "by": by,
                         "difference": differences[:len(containers)]})


@pytest.mark.parametrize(("beyond", "said"), [
    (("K1", "K2"), "That is every one of 2 sampled."),
    (("K1",), "That is 1 of 2 sampled; the others are not thereby shown to be within."),
])
def test_others_are_spoken_of_where_there_are_others(monkeypatch, beyond, said) -> None:
    tables = {"containers-beyond": rows_beyond(beyond, "solids", "lower - upper", (3.0, 4.0))}
    monkeypatch.setattr(questions, "recorded", lambda *_: {"containers_stored": "2"})
    monkeypatch.setattr(questions, "optional", lambda _stage, _stem, name: tables.get(name, pd.DataFrame()))
    monkeypatch.setattr(questions, "beyond_groups", lambda *_, **_k: [])
    floor = pd.DataFrame({"use": ["floor"], "word": ["cannot tell"], "name": ["solids"]})
    monkeypatch.setattr(questions, "_uses", lambda _: floor)
    (told,) = questions.which(NAMELESS)  # and a study without a table of what to do has a page too
    how = "lower against upper, +3.00 to +4.00 %" if len(beyond) > 1 else "lower against upper, +3.00 %"
    assert told == f"Shown to lie beyond the margin of solids, ±2 %: {' and '.join(beyond)} ({how}). {said}"


def test_containers_beyond_by_their_stirred_rest_are_named(monkeypatch) -> None:
    rests = rows_beyond(("D1", "D7"), "silicon", "zones - whole container", (-3.0, -4.0))
    monkeypatch.setattr(questions, "recorded", lambda *_: {"containers_stored": "12"})
    monkeypatch.setattr(questions, "optional", lambda _s, _t, name: rests if name == "containers-beyond" else pd.DataFrame())
    monkeypatch.setattr(questions, "beyond_groups", lambda *_, **_k: [])
    floor = pd.DataFrame({"use": ["floor"], "word": ["nothing is known"], "name": ["silicon"]})
    monkeypatch.setattr(questions, "_uses", lambda _: floor)
    told = questions.which(NAMELESS)
    assert told[0].startswith("The zones of no single container")
    assert told[1] == ("By the zones against what was stirred and sampled last, these lie beyond the margin of silicon, ±2 %: "
                       "D1 and D7 (−4.00 to −3.00 %).")


def test_floors_beyond_are_named_where_the_zones_of_no_container_are(monkeypatch) -> None:
    floor = pd.DataFrame({"use": ["floor", "floor"], "word": ["beyond the margin in single containers", "beyond the margin"],
                          "why": ["D4 and D8", ""], "name": ["silicon", "water"]})
    rows = pd.concat([rows_beyond(("D4",), "silicon", "floor - zones", (9.0,)),
                      rows_beyond(("D8",), "silicon", "floor - zones", (5.0,), "readings alone")])
    monkeypatch.setattr(questions, "recorded", lambda *_: {"containers_stored": "12"})
    monkeypatch.setattr(questions, "optional", lambda _s, _t, name: rows if name == "containers-beyond" else pd.DataFrame())
    monkeypatch.setattr(questions, "beyond_groups", lambda *_, **_k: [])
    monkeypatch.setattr(questions, "_uses", lambda _: floor)
    told = questions.which(NAMELESS)
    assert told[0].startswith("The zones of no single container")
    assert told[1] == ("On the floor, by the heel against the zones of the same container, these lie beyond the margin of "
                       "silicon, ±2 %: D4 (+9.00 %); D8 (at least +5.00 %, by readings alone). On the floor the liquid lies "
                       "on average beyond the margin of water.")
