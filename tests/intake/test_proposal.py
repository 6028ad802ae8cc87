"""Proposals for intake.toml: they read the file they were made from, and leave open what it cannot tell."""

from __future__ import annotations

import io
import re
import tomllib
from pathlib import Path

import openpyxl
import pytest

from studykit.core.errors import BadInput
from studykit.intake.mapping import parse_intake
from studykit.intake.proposal import likely_analyte, suggest_mapping
from studykit.intake.unitwords import bracketed_unit
from tests.intake.labfiles.generate import make_case
from tests.intake.labfiles.score import CRASH, MISSING, WRONG
from tests.intake.labfiles.suggest import try_proposal
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


def book(**sheets: list[list[object]]) -> bytes:
    out = openpyxl.Workbook()
    out.remove(out.active)
    for title, rows in sheets.items():
        sheet = out.create_sheet(title)
        for row in rows:
            sheet.append(row)
    data = io.BytesIO()
    out.save(data)
    return data.getvalue()


METALS = [["Sample", "Si [mg/kg]"], ["B001", 9.8], ["B002", "<1"]]
OTHERS = [["Report 7"], ["Code", "Test", "Result", "Unit"], ["B001", "P", 300, "mg/kg"], ["B002", "P", 310, "mg/kg"]]
SIDES = [["Sample", "Si [mg/kg]", None, "Sample", "P [mg/kg]"],
         ["B001", 9.8, None, "B001", 300], ["B002", "<1", None, "B002", 310]]


@pytest.mark.parametrize(("data", "entries"), [
    (book(Metals=METALS, Others=OTHERS), 2),
    (book(Notes=[["Nothing here"]], Metals=METALS, Others=OTHERS), 2),
    (book(All=SIDES), 2),
])
def test_every_sheet_and_every_table_side_by_side_is_proposed(tmp_path: Path, data: bytes, entries: int) -> None:
    text, _ = propose(tmp_path, "a.xlsx", data)
    assert "ask" not in text
    assert len(tomllib.loads(text)["file"]) == entries
    assert values(take(tmp_path, text, {"a.xlsx": data})) == WANT


def test_a_hidden_sheet_is_proposed_and_not_read_before_it_is_answered(tmp_path: Path) -> None:
    loaded = openpyxl.load_workbook(io.BytesIO(book(Metals=METALS, Others=OTHERS)))
    loaded["Others"].sheet_state = "hidden"
    data = io.BytesIO()
    loaded.save(data)
    text, _ = propose(tmp_path, "a.xlsx", data.getvalue())
    with pytest.raises(BadInput, match=r"sheet 'Others' is hidden: do its results count\?.* is not answered"):
        parse_intake(tomllib.loads(text), study())


def test_headings_over_two_lines_are_proposed_with_their_replicates(tmp_path: Path) -> None:
    rows = [["", "Si", "", "P", ""], ["Sample", "first", "second", "first", "second"],
            ["B001", 9.8, 9.9, 300, 301], ["B002", 9.1, 9.2, 310, 311]]
    loaded = openpyxl.load_workbook(io.BytesIO(book(A=rows)))
    loaded["A"].merge_cells("B1:C1")
    loaded["A"].merge_cells("D1:E1")
    data = io.BytesIO()
    loaded.save(data)
    text, _ = propose(tmp_path, "a.xlsx", data.getvalue())
    entry = tomllib.loads(text)["file"][0]
    assert entry["header_row"] == [1, 2]
    assert entry["ask"] == ["are first, second replicates of one determination, in this order?"]
    answered = "\n".join(line for line in text.splitlines() if not line.startswith("ask")).replace(
        "    \"are first, second replicates of one determination, in this order?\",\n]\n", "")
    answered = answered.replace("[file.columns]", "[file.units]\nSi = \"mg/kg\"\nP = \"mg/kg\"\n[file.columns]")
    got = values(take(tmp_path, answered, {"a.xlsx": data.getvalue()}))
    assert got["B001", "Si", 2] == (9.9, "")
    assert got["B002", "P", 1] == (310.0, "")


@pytest.mark.parametrize("data", ["Sample;Result;Unit\nB001;9.8;mg/kg\nB002;8.8;mg/kg\n", "Bottle,Value\nB001,9.8\nB002,9.9\n"])
def test_a_file_that_does_not_name_its_analyte_asks_for_it(tmp_path: Path, data: str) -> None:
    text, _ = propose(tmp_path, "a.csv", data)
    assert re.search(r"^# Question: which analyte is '(Result|Value)'\?", text, re.MULTILINE)
    with pytest.raises(BadInput, match=r"'\?': is not an analyte of study.toml"):
        parse_intake(tomllib.loads(text), study())


@pytest.mark.parametrize("above", [
    "Sample;gear oil;Test;elements;Date;2026-05-04\n", "Remark: samples, results and dates as received;;;;;\n",
    "Order;4711;Sample;12;Unit;1\n"])
def test_a_line_of_words_above_does_not_hide_the_headings(tmp_path: Path, above: str) -> None:
    text, rows = propose(tmp_path, "a.csv", above + "Bottle;Si [mg/kg];P [mg/kg]\nB001;9.8;300\nB002;<1;310\n")
    assert tomllib.loads(text)["file"][0]["header_row"] == 2
    assert len(rows) == 4


def test_a_symbol_behind_its_element_is_no_unit(tmp_path: Path) -> None:
    assert bracketed_unit("Potassium (K)") == ""
    assert bracketed_unit("Temperature [K]") == "K"  # the kelvin (SI Brochure, 9th edition, 2.3.1)
    data = "Sample,Potassium (K)\nB001,9.8\n"
    path = tmp_path / "raw" / "a.csv"
    path.parent.mkdir()
    path.write_text(data)
    text, _ = suggest_mapping(path, study({"K": "mg/kg"}), ("B001",))
    assert "in which unit are Potassium (K)?" in text
    assert tomllib.loads(text)["file"][0]["analytes"] == {"Potassium (K)": "K"}


@pytest.mark.parametrize("data", [
    "Sample,Si [mg/kg],Flag\nB001,9.8,<\nB002,8.8,\n", "Sample,Si [mg/kg],Visc*\nB001,9.8,47.1\nB002,8.8,46.9\n"])
def test_a_column_that_says_something_of_results_is_asked_about(tmp_path: Path, data: str) -> None:
    text, _ = propose(tmp_path, "a.csv", data)
    entry = tomllib.loads(text)["file"][0]
    assert "qualifier" in entry["columns"] or "is left out here" in entry["ask"][0]


@pytest.mark.slow
@pytest.mark.parametrize("first", [600_000, 610_000])
def test_a_proposal_taken_as_it_is_reads_right_or_asks(tmp_path: Path, first: int) -> None:
    for seed in range(first, first + 40):
        case = make_case(seed)
        found = try_proposal(case, tmp_path / str(seed))
        assert found.verdict not in (WRONG, MISSING, CRASH), (seed, case.kinds, found)


def test_a_column_of_places_beside_the_codes_is_not_taken_for_both(tmp_path: Path) -> None:
    """Once a fault of the kit: 'Pos' was the place in the run and the sample code at once."""
    path = tmp_path / "raw" / "a.csv"
    path.parent.mkdir()
    path.write_text("Pos,Customer code,P [mg/kg]\n1,B001,338.1\n2,B002,339.2\n3,B003,340.3\n", encoding="utf-8")
    for codes in (CODES, ()):
        entry, _ = suggest_mapping(path, study(), codes)
        columns = tomllib.loads(entry)["file"][0]["columns"]
        assert len(set(columns.values())) == len(columns)
        assert columns["sample"] == ("Customer code" if codes else columns["sample"])
