"""Sample codes: exact or not at all; near misses named, never repaired unasked."""

from __future__ import annotations

from pathlib import Path

from studykit.intake.matching import match_codes
from studykit.study.codes import make_codes
from tests.intake_cases import LONG, take

KNOWN = ["007", "1E5", "B-104", "K72PX"]


def test_exact_codes_match_with_outer_blanks_only() -> None:
    assert [m.code for m in match_codes(["007", " 1E5 ", "\u00a0K72PX"], KNOWN, {})] == ["007", "1E5", "K72PX"]


def test_what_a_spreadsheet_does_to_codes_is_recognised() -> None:
    for written, code in (("7", "007"), ("100000", "1E5"), ("1.00E+05", "1E5"), ("7,0", "007")):
        (match,) = match_codes([written], KNOWN, {})
        assert match.code == ""
        assert "a spreadsheet may have turned the code into a number" in match.reason
        assert f"it may be {code}" in match.remedy


def test_capitals_and_near_misses_are_named_not_repaired() -> None:
    (small,) = match_codes(["k72px"], KNOWN, {})
    assert small.code == ""
    assert "only in its capitals" in small.reason
    (near,) = match_codes(["B-1O4"], KNOWN, {})
    assert near.code == ""
    assert "it may be B-104" in near.remedy
    (far,) = match_codes(["ZZZZZZZZ"], KNOWN, {})
    assert "nothing near was found" in far.remedy
    (none,) = match_codes([""], KNOWN, {})
    assert none.reason == "has no sample code"


def test_check_characters_are_verified_where_all_codes_have_them() -> None:
    codes = list(make_codes(30, seed=5))
    wrong = codes[0][:-1] + next(c for c in "234567" if c != codes[0][-1])
    (match,) = match_codes([wrong], codes, {})
    assert "its check character does not fit" in match.reason
    assert codes[0] in match.remedy
    strange = next(c for c in make_codes(60, seed=6) if c not in codes)
    (other,) = match_codes([strange], codes, {})
    assert other.reason == "is not a sample of this study"
    (mixed,) = match_codes([wrong], [*codes, "007"], {})
    assert "check character" not in mixed.reason


def test_a_person_may_write_the_repair(tmp_path: Path) -> None:
    text = "Code;Test;Result;Unit\n7;Si;9.8;mg/kg\nB001;Si;8.1;mg/kg\n"
    out = take(tmp_path, LONG, {"a.csv": text})
    assert out.rejected["value"].tolist() == ["7"]
    out = take(tmp_path, LONG + '[file.codes]\n"7" = "007"\n', {"a.csv": text})
    assert out.results["sample"].tolist() == ["007", "B001"]
    assert "code '7' read as '007', as the mapping says" in out.rules["rule"].tolist()
