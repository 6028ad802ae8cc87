"""The letter to the laboratory on disk: a page, the same as PDF, tables to fill in; and, apart from them, what stays."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import single
from studykit.core.files import together, write_bytes, write_csv, write_text
from studykit.core.listing import series
from studykit.core.plainpage import bullets, heading, page, paragraph, table
from studykit.quality.letter import GROUPS, NAME, Letter
from studykit.sampling.sheets import render

TITLE = "Questions about your results"
SEND, KEEP = "send", "keep"
OPENING = (
    "These questions come from a comparison of your results with one another. They are questions, not findings: most of "
    "them will turn out to have a plain answer. Bottles carry their codes only, in random order; some of them are asked for "
    "comparison only.",
    "Please write your answers into questions.csv (columns answer, found_by, on) or onto this page. Where a value or a unit "
    "was written wrongly, please send an amended report of your own rather than a number in a letter.")
AGAIN_WORDS = (
    "Please measure every bottle on this list once, as an ordinary sample, in this order, and report as usual or in again.csv. "
    "The list holds bottles about which there is no question, and some liquid twice under two codes.",
    "The codes are new: whoever hands the bottles out pours and labels the portions from relabel.csv; whoever measures should "
    "not see that list.")
HEADS = {"code": "bottle", "run": "run", "position": "place", "analytes": "analytes", "reported": "as reported",
         "answer": "answer"}
WIDTHS = {"code": 2, "run": 2, "position": 1, "analytes": 3, "reported": 4, "answer": 5}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A letter on disk: the folder to send, the folder to keep, questions asked and portions to measure again."""

    send: Path
    keep: Path
    questions: int
    portions: int


def write_letter(letter: Letter, reports: str, root: Path, to: Path) -> Sent:
    """Write the letter into ``to``: send/ (letter.html, letter.pdf, questions.csv, again.csv, relabel.csv) and keep/.

    ``reports``: which reports it is about, in words. BadInput where ``to`` lies inside the study or cannot be written,
    and where there is nothing to ask.
    """
    if to.resolve().is_relative_to(root.resolve()):
        raise single(str(to), "lies inside the study", "write it elsewhere: studykit ask STUDY --to FOLDER")
    if letter.empty:
        raise single(root.name, "no check asks anything that a laboratory could answer", "nothing is to be done")
    opening = (*OPENING, f"They concern these files of yours: {reports}.")
    with together(to) as made:
        _write(letter, opening, made / SEND, made / KEEP)
    return Sent(send=to / SEND, keep=to / KEEP, questions=len(letter.questions), portions=len(letter.relabel))


def _write(letter: Letter, opening: tuple[str, ...], send: Path, keep: Path) -> None:
    keep.mkdir()
    write_bytes(send / "letter.pdf", render("letter", _data(letter, opening)))
    write_csv(send / "questions.csv", letter.questions)
    if len(letter.again):
        write_csv(send / "again.csv", letter.again)
        write_csv(send / "relabel.csv", letter.relabel)
        write_csv(keep / "samples-to-add.csv", letter.lines)
    write_text(send / "letter.html", _page(letter, opening))


def _parts(letter: Letter) -> Iterator[dict[str, Any]]:
    """Each group with its questions, and the columns of its rows that hold anything."""
    for g in GROUPS:
        own = letter.questions[letter.questions["group"] == g.name]
        if len(own):
            used = [c for c in HEADS if c == "answer" or own[c].ne("").any()]
            yield {"name": f"About {g.name}", "asks": list(g.asks), "head": [HEADS[c] for c in used],
                   "rows": own[used].to_numpy(object).tolist(), "widths": [WIDTHS[c] for c in used]}


def _places(letter: Letter) -> pd.DataFrame:
    return letter.again.drop_duplicates("Sample")[["Position", "Sample"]].astype(str)


def _data(letter: Letter, opening: tuple[str, ...]) -> dict[str, Any]:
    keys = letter.again["Analyte"].astype(str)
    names = letter.again.get(NAME, keys).astype(str)
    analytes = series(dict.fromkeys(k if n == k else f"{n} ({k})" for n, k in zip(names, keys, strict=True)))
    words = (f"Analytes: {analytes}.", *AGAIN_WORDS) if analytes else ()
    return {"title": TITLE, "foot": TITLE, "opening": list(opening), "groups": list(_parts(letter)),
            "again": _places(letter).to_numpy(object).tolist(), "again_words": list(words)}


def _page(letter: Letter, opening: tuple[str, ...]) -> str:
    data = _data(letter, opening)
    parts = [paragraph(t) for t in opening]
    for g in data["groups"]:
        parts += [heading(g["name"]), bullets(g["asks"]), table(g["rows"], g["head"])]
    if data["again"]:
        parts += [heading("To be measured again, in this order, in one run"), *map(paragraph, data["again_words"]),
                  table(data["again"], ("place", "bottle"))]
    return page(TITLE, parts)


__all__ = ["KEEP", "SEND", "Sent", "write_letter"]
