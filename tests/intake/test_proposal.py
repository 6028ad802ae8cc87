"""Proposals for intake.toml: they read the file they were made from, and leave open what it cannot tell."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.intake.mapping import parse_intake
from studykit.intake.proposal import likely_analyte, suggest_mapping
from tests.intake.test_layouts import LONG_TEXT, WANT, workbook
from tests.intake_cases import CODES, study, take, values


def propose(tmp_path: Path, name: str, data: bytes | str, codes: tuple[str, ...] = CODES) -> tuple[str, list[list[object]]]:
    path = tmp_path / "raw" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    text, preview = suggest_mapping(path, study(), codes)
    return text, preview[["sample", "analyte", "value", "qualifier"]].values.tolist()


ROWS = [["B001", "Si", 9.8, ""], ["B001", "P", 300.0, ""], ["B002", "Si", 1.0, "<"], ["B002", "P", 310.0, ""]]


@pytest.mark.parametrize(("name", "data", "layout"), [
    ("a.csv", LONG_TEXT, "long"),
    ("a.csv", "\ufeffLab report 7;;\n;;\nSample ID;Silicon;Phosphorus\n;ppm;g/kg\nB001;9,8;0,3\nB002;<1;0,31\nend;;\n", "wide"),
    ("a.csv", "Sample,Si [mg/kg],P [g/kg]\nB001,9.8,0.3\nB002,<1,0.31\n", "wide"),
    ("a.csv", "Sample,Si [mg/kg]\nB001,9.8\nB002,<1\n\nSample,P [g/kg]\nB001,0.3\nB002,0.31\n", "wide"),
    ("a.csv", "Test,Unit,B001,B002\nSi,mg/kg,9.8,<1\nP,g/kg,0.3,0.31\n", "wide-samples"),
    ("a.xlsx", workbook([["Sample", "Si", "P"], [None, "mg/kg", "mg/kg"], ["B001", 9.8, 300], ["B002", "<1", 310]]), "wide"),
])
def test_a_plain_file_gives_a_mapping_that_reads_it(tmp_path: Path, name: str, data: bytes | str, layout: str) -> None:
    text, rows = propose(tmp_path, name, data)
    assert "Question" not in text
    assert tomllib.loads(text)["file"][0]["layout"] == layout
    assert sorted(map(str, rows)) == sorted(map(str, ROWS))
    assert values(take(tmp_path, text, {name: data})) == WANT


@pytest.mark.parametrize(("data", "question"), [
    ("Code;Test;Result;Unit\nB001;Dropping point;1;mg/kg\n", r'which analytes are these \(""'),
    ("Code;Test;Result\nB001;Si;9.8\n", r"in which unit are Si\?"),
    ("Code;Test;Result;Unit\nB001;Si;1.234;mg/kg\n", r"what is the decimal sign\?"),
    ("Code;Test;Result;Unit;Date\nB001;Si;1;mg/kg;03/04/2026\n", r"'03/04/2026' day first or month first\?"),
    ("Code;Test;Result;Unit;Remark\nB001;Si;1;mg/kg;x\n", r"are these columns not needed: Remark\?"),
    ("Sample,Si [mg/kg],P [mg/kg]\nB001,9.8,\n", r'1 cells are empty: write blank = "not measured"'),
    ("Code;Test;Result;Unit\nB00l;Si;1;mg/kg\nB001;P;2;mg/kg\n", r"1 cells would be rejected, the first: .*'B00l'"),
])
def test_what_the_file_cannot_tell_is_asked(tmp_path: Path, data: str, question: str) -> None:
    text, _ = propose(tmp_path, "a.csv", data)
    assert re.search(r"^# Question: .*" + question, text, re.MULTILINE)


def test_an_open_question_is_refused_until_decided(tmp_path: Path) -> None:
    text, _ = propose(tmp_path, "a.csv", "Code;Test;Result;Unit\nB001;Dropping point;1;mg/kg\nB001;Si;1;mg/kg\n")
    with pytest.raises(BadInput, match=r"Dropping point: '\?': is not an analyte of study.toml"):
        parse_intake(tomllib.loads(text), study())


def test_dates_decide_their_order_where_they_can(tmp_path: Path) -> None:
    head = "Code;Test;Result;Unit;Date\n"
    for cell, form in (("24.05.2026", "%d.%m.%Y"), ("05/24/2026", "%m/%d/%Y"), ("24-05-26", "%d-%m-%y")):
        text, _ = propose(tmp_path, "a.csv", head + f"B001;Si;1;mg/kg;{cell}\n")
        assert tomllib.loads(text)["file"][0]["date_format"] == form


def test_names_and_files_that_say_nothing(tmp_path: Path) -> None:
    assert likely_analyte("Silicon (ICP)", study()) == "Si"
    assert likely_analyte("si", study()) == "Si"
    assert likely_analyte("Silicate", study()) is None
    with pytest.raises(BadInput, match="no line looks like headings"):
        propose(tmp_path, "a.csv", "1;2\n3;4\n")
