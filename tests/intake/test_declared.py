"""Declarations of a dishonest sender (tests/intake/declared.py) over a whole demo: told, or said to pass by docs/recheck.md."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from studykit.demos.shipped import copy_demo
from tests.intake import declared

PAGE = Path(__file__).parents[2] / "docs" / "recheck.md"
SAMPLE = random.Random("studykit/declared").sample([*declared.TOLD], 5)


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_demo("tote", tmp_path_factory.mktemp("declared") / "tote")


def not_shown() -> str:
    """The last section of the page, on one line."""
    return " ".join(PAGE.read_text(encoding="utf-8").partition("## What recheck does not show")[2].split())


@pytest.mark.few(2)
@pytest.mark.parametrize("name", [pytest.param(n, marks=[] if n in SAMPLE else pytest.mark.slow) for n in declared.TOLD])
def test_a_false_declaration_is_told(name: str, honest: Path, tmp_path: Path) -> None:
    change, command, code, words = declared.TOLD[name]
    got, text = declared.said(honest, tmp_path, (change, command))
    assert got == code, text
    assert words in text


@pytest.mark.slow
@pytest.mark.parametrize("command", ["check", "intake"])
def test_the_honest_study_is_taken_without_any_of_these_words(command: str, honest: Path, tmp_path: Path) -> None:
    """So each of them is the answer to its case."""
    got, text = declared.said(honest, tmp_path, (lambda study: None, command))
    assert got == 0, text
    assert [n for n, (_, of, _, words) in declared.TOLD.items() if of == command and words in text] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", declared.UNNAMED)
def test_what_passes_unnamed_does_pass(name: str, honest: Path, tmp_path: Path) -> None:
    """Once it is told, its case belongs to the others and the sentence leaves the page."""
    change, command, _ = declared.UNNAMED[name]
    assert declared.said(honest, tmp_path, (change, command))[0] == 0


def test_the_page_says_what_passes_unnamed() -> None:
    page = not_shown()
    assert [n for n, (*_, words) in declared.UNNAMED.items() if words not in page] == []
