"""Text from people: letters of every script stay, signs that nobody sees or that turn the text are refused.

The signs are those of Unicode: directional marks (Standard Annex 9), format characters (general category Cf), fillers
(Default_Ignorable_Code_Point), combining marks in numbers that no orthography has.
"""

from __future__ import annotations

import unicodedata

import pytest

from studykit.core.errors import Fault
from studykit.core.plaintext import text_faults, unreadable, upright
from studykit.core.record import literal


@pytest.mark.parametrize("text", [
    "", "  ", "Öl in Fässern, ±5 %", "viscosity at 40 °C, mm²/s", "µm and \u03bcm", "α-olefin, ζ-potential", "H₂SO₄, x¹",
    "> 4 µm(c)",
    "вода", "水とオイル", "ماء، ۱۲", "שמן הידראולי", "मिट्टी का तेल", "می\u200cخواهم", "न\u200dु", "น้ำมัน", "dầu thủy lực",
    unicodedata.normalize("NFD", "Ölfässer, dầu"), "two\nlines\tand a tab", "\u00a0a\u202fb", "✓ checked 👍",
    "a — b “c” …", "-", "?",
    "\u0600\u0661\u0662",
])
def test_ordinary_text_of_any_script_stays(text: str) -> None:
    assert unreadable(text) == ""


@pytest.mark.parametrize(("text", "why"), [
    *((f"zinc {c}x", "turns the direction of the text") for c in
      "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"),
    *((f"zi{c}nc", "nobody sees") for c in
      "\u200b\u200c\u200d\u2060\u00ad\ufeff\U000e0068\u2028\u2029\x00\x07\x1b\x7f\x85\u3164\uffa0\ud800"),
    ("\u2800", "shows nothing"), (" \u2800 \u00a0", "shows nothing"), ("\u0301", "shows nothing"), ("\ufe0f", "shows nothing"),
    ("zinc" + "\u0300" * 100, "accents on one letter"),
])
def test_what_changes_the_reading_unseen_is_refused(text: str, why: str) -> None:
    assert why in unreadable(text)


def test_every_format_and_control_character_of_unicode_is_refused_but_those_that_are_seen() -> None:
    kept = {chr(c) for c in range(0x110000) if unicodedata.category(chr(c)) in ("Cf", "Cc", "Zl", "Zp")
            and not unreadable(f"a{chr(c)}b")}
    assert kept == {"\t", "\n"} | {c for c in map(chr, range(0x600, 0x900)) if unicodedata.category(c) == "Cf" and c != "\u061c"
                                   and c != "\u180e"}


def test_texts_and_keys_are_found_where_they_stand_and_a_message_holds_no_such_sign() -> None:
    data = {"title": "a\u202eb", "n": 3, "list": ["x", {"deep": "zi\u200bnc"}], "k\u2066ey": "y"}
    found = list(text_faults(data, "study.toml"))
    assert [f.column for f in found] == ["title", "list.1.deep", ""]
    assert all(unreadable(f.line()) == "" for f in found)
    told = Fault(file="a\u202e", column="b\u202e", value="c\u202e", reason="d\u202e", remedy="e\u202e\x1b[2J").line()
    assert unreadable(told) == ""
    assert upright("9 \u202e21\u202c") == "9 (U+202E)21(U+202C)"


def test_a_text_that_is_taken_is_told_as_it_is() -> None:
    """Joiners of Persian or Hindi words among it; a sign that could not be taken is spelled out."""
    for text in ("می\u200cخواهم", "न\u200dु", "שמן", "Öl, µm"):
        assert literal(text) == upright(text) == text
    assert literal("zi\u200cnc \u061cx \u202ey") == "zi(U+200C)nc (U+061C)x (U+202E)y"
