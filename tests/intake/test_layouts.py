"""Layouts: six shapes of the same results, and what happens when a file changes its shape."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import LONG, WIDE, values
from tests.intake_cases import take_and_write as take

WANT = {("B001", "Si", 1): (9.8, ""), ("B001", "P", 1): (300.0, ""), ("B002", "Si", 1): (1.0, "<"),
        ("B002", "P", 1): (310.0, "")}
LONG_TEXT = "Code;Test;Result;Unit\nB001;Si;9.8;mg/kg\nB001;P;300;mg/kg\nB002;Si;<1;mg/kg\nB002;P;310;mg/kg\n"


def workbook(rows: list[list[Any]], *merged: str) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for area in merged:
        book.active.merge_cells(area)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_long(tmp_path: Path) -> None:
    out = take(tmp_path, LONG, {"a.csv": LONG_TEXT})
    assert values(out) == WANT
    assert out.results["source_row"].tolist() == [2, 3, 4, 5]
    assert out.results["source_file"].unique().tolist() == ["a.csv"]


def test_wide_with_preamble_unit_row_and_footer(tmp_path: Path) -> None:
    text = "Report 7;;\n;;\nSample;Si;P\n;ppm;g/kg\nB001;9.8;0.3\nB002;<1;0.31\n\nEnd of report;;\nsigned;;\n"
    intake = WIDE.replace("layout", 'header_row = 3\nunit_row = 4\nfooter = "End of"\nlayout').partition("[file.units]")[0]
    out = take(tmp_path, intake, {"a.csv": text})
    assert values(out) == WANT
    assert out.results["source_row"].tolist() == [5, 5, 6, 6]
    assert out.files["notes"].iloc[0] == "reading stopped at line 8 ('End of')"


def test_wide_with_samples_in_columns(tmp_path: Path) -> None:
    text = "Test,Unit,B001,B002,Remark\nSi,mg/kg,9.8,<1,x\nP,g/kg,0.3,0.31,\nLOI,%,1,2,\n"
    intake = ('[[file]]\npattern = "*.csv"\nlayout = "wide-samples"\nignore_columns = ["Remark"]\n[file.columns]\n'
              'analyte = "Test"\nunit = "Unit"\n[file.analytes]\nLOI = ""\n')
    out = take(tmp_path, intake, {"a.csv": text})
    assert values(out) == WANT
    assert (int(out.files["cells"].sum()), int(out.files["ignored"].sum()), out.rows_in) == (6, 2, 4)
    assert dict(zip(out.rules["rule"], out.rules["count"], strict=True))["name 'LOI' not used, as the mapping says"] == 2
    out = take(tmp_path, intake, {"a.csv": text.replace("B002", "B020")})
    assert out.rejected[["row", "column", "value"]].values.tolist() == [[2, "B020", "B020"], [3, "B020", "B020"]]
    assert "it may be B002" in out.rejected["remedy"].iloc[0]


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_two_heading_rows(tmp_path: Path, kind: str) -> None:
    rows: list[list[Any]] = [["Sample", "Silicon", None, "Phosphorus", None], [None, "first", "second", "first", "second"],
                             ["B001", 9.8, 9.9, 300, 301], ["B002", "<1", "<1", 310, 311]]
    text = "\n".join(",".join("" if c is None else str(c) for c in r) for r in rows) + "\n"
    intake = f"""
[[file]]
pattern = "*.{kind}"
layout = "wide"
header_row = [1, 2]
[file.columns]
sample = "Sample"
[file.analytes]
"Silicon | first" = "Si"
"Silicon | second" = {{ analyte = "Si", replicate = 2 }}
"Phosphorus | first" = "P"
"Phosphorus | second" = {{ analyte = "P", replicate = 2, unit = "mg/kg" }}
[file.constants]
unit = "mg/kg"
"""
    data: bytes | str = workbook(rows, "B1:C1", "D1:E1") if kind == "xlsx" else text
    out = take(tmp_path, intake, {f"a.{kind}": data})
    assert values(out) == WANT | {("B001", "Si", 2): (9.9, ""), ("B001", "P", 2): (301.0, ""),
                                  ("B002", "Si", 2): (1.0, "<"), ("B002", "P", 2): (311.0, "")}


def test_several_blocks_in_a_sheet(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["Metals"], ["Sample", "Si"], ["B001", 9.8], ["B002", "<1"], [None], ["Others"],
                             ["Sample", "P"], ["B001", 300], ["B002", 310]]
    intake = WIDE.replace("*.csv", "*.xlsx").replace("layout", "blocks = true\nlayout")
    out = take(tmp_path, intake + '[file.analytes]\nSi = "Si"\nP = "P"\n', {"a.xlsx": workbook(rows)})
    assert values(out) == WANT
    with pytest.raises(BadInput, match="column KV: the mapping expects this heading and no block has it"):
        take(tmp_path, intake + '[file.analytes]\nKV = "KV40"\n', {"a.xlsx": workbook(rows)})


def test_sheet_named_found_or_asked_for(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Notes"])
    for title in ("One", "Two"):
        sheet = book.create_sheet(title)
        for row in (["Sample", "Si"], ["B001" if title == "One" else "B002", 9.8]):
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    intake = WIDE.replace("*.csv", "*.xlsx")
    with pytest.raises(BadInput, match="'One', 'Two'\": several sheets have these headings"):
        take(tmp_path, intake, {"a.xlsx": out.getvalue()})
    with pytest.raises(BadInput, match="'One': holds sample codes and is not read"):
        take(tmp_path, intake.replace("layout", 'sheet = "Two"\nlayout'), {"a.xlsx": out.getvalue()})
    aside = 'sheet = "Two"\nignore_sheets = ["One"]\nlayout'
    got = take(tmp_path, intake.replace("layout", aside), {"a.xlsx": out.getvalue()})
    assert values(got) == {("B002", "Si", 1): (9.8, "")}
    assert "sheet 'One' not read" in got.files["notes"].iloc[0]
    got = take(tmp_path, intake.replace("layout", 'sheet = "*"\nlayout'), {"a.xlsx": out.getvalue()})
    assert got.results["source_file"].tolist() == ["a.xlsx#One", "a.xlsx#Two"]
    with pytest.raises(BadInput, match=r"no such sheet -> correct sheet in intake\.toml; the file has 'Sheet', 'One'"):
        take(tmp_path, intake.replace("layout", 'sheet = "Three"\nlayout'), {"a.xlsx": out.getvalue()})


def test_a_heading_that_is_not_there_is_none_that_means_something_else(tmp_path: Path) -> None:
    """Nobody is told to read silicon as molybdenum, nor to change a raw file."""
    intake = WIDE.partition("[file.analytes]")[0] + '[file.analytes]\n"Si [mg/kg]" = "Si"\n"P [mg/kg]" = "P"\n'
    with pytest.raises(BadInput) as told:
        take(tmp_path, intake, {"a.csv": "Sample;Si [mg/kg]\nB001;9\n"})
    assert "column P [mg/kg]: the mapping expects this heading and the file does not have it -> ask the lab" in str(told.value)
    assert "may now be" not in str(told.value)
    assert "or the file" not in str(told.value)


def test_results_whose_columns_the_mapping_leaves_aside_are_not_called_missing(tmp_path: Path) -> None:
    """A long file taken for a wide one: fifteen results stood below, and the laboratory was to be asked for the file again."""
    intake = WIDE.partition("[file.analytes]")[0].replace("layout", 'ignore_columns = ["Test", "Result"]\nlayout')
    with pytest.raises(BadInput, match=r"no column of them is mapped as an analyte -> name the columns of results under"):
        take(tmp_path, intake, {"a.csv": "Sample;Test;Result\nB001;Si;9\nB001;P;300\n"})
    with pytest.raises(BadInput, match="no result below them"):
        take(tmp_path, intake, {"a.csv": "Sample;Test;Result\n"})


@pytest.mark.parametrize(("text", "words"), [
    (LONG_TEXT.replace("Result", "Results"), "column Result: the mapping expects this heading.*may now be 'Results'"),
    (LONG_TEXT.replace("Code", "Bottle"), "column Code: the mapping expects this heading and the file does not have it"),
    (LONG_TEXT.replace("Unit", "Unit;Lab"), "column Lab: the mapping does not know this heading -> map it"),
    ("Code;Test;Result;Unit;Unit\nB001;Si;1;mg/kg;x\n", "column Unit: this heading occurs twice"),
    ("Code;Test;Result;Unit;\nB001;Si;1;mg/kg;x\n", "row 2, column 5: 'x': stands in a column without heading"),
    ("a;b\n1;2\n", "no line holds the headings of the mapping: Code, Result, Test, Unit"),
    (LONG_TEXT.replace(";", "\u2502"), "no line holds the headings"),
])
def test_another_shape_is_refused_with_what_changed(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        take(tmp_path, LONG, {"a.csv": text})
    assert not (tmp_path / "tidy").exists()


def test_headings_that_moved_and_a_footer_that_is_gone(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"1 fault\.\n  raw/a.csv row 2, column 1 to 4: .* stand in line 2, not in line 1"):
        take(tmp_path, LONG.replace("layout", "header_row = 1\nlayout"), {"a.csv": "x;;;\n" + LONG_TEXT})
    with pytest.raises(BadInput, match="the file ends before its headings"):
        take(tmp_path, LONG.replace("layout", "header_row = 99\nlayout"), {"a.csv": LONG_TEXT})
    with pytest.raises(BadInput, match="no line begins with the footer text"):
        take(tmp_path, LONG.replace("layout", 'footer = "End"\nlayout'), {"a.csv": LONG_TEXT})


def test_lines_with_other_widths_are_rejected_by_line(tmp_path: Path) -> None:
    text = LONG_TEXT.replace("B001;P;300;mg/kg", "B001;P;300") + "B003;Si;1;mg/kg;;\nB003;P;1;mg/kg;x\n"
    out = take(tmp_path, LONG.replace("layout", 'decimal = "."\nlayout'), {"a.csv": text})
    assert out.rejected[["row", "reason"]].values.tolist() == [
        [3, "has 3 cells where the headings have 4"], [6, "has 6 cells where the headings have 4"],
        [7, "has 5 cells where the headings have 4"]]  # one line alone with blank cells too many may have moved
    assert ("B003", "Si", 1) not in values(out)
    assert out.rows_in == 6


@pytest.mark.parametrize(("text", "line", "place"), [
    ("B003;Si;1;mg/kg\n" + LONG_TEXT, 1, "above the headings"),
    (LONG_TEXT + "End;;;\nB003;Si;1;mg/kg\n", 7, "below or between the tables"),
])
def test_results_outside_the_table_are_never_skipped(tmp_path: Path, text: str, line: int, place: str) -> None:
    intake = LONG.replace("layout", 'footer = "End"\nlayout') if "End" in text else LONG
    out = take(tmp_path, intake, {"a.csv": text})
    assert out.rejected[["row", "reason"]].values.tolist() == [[line, f"looks like a result, but stands {place}"]]


def test_a_unit_that_changes_in_a_wide_file_refuses_it(tmp_path: Path) -> None:
    text = "Sample;Si\n;% m/m\nB001;9.8\n"
    with pytest.raises(BadInput, match="row 2, column Si: '% m/m': has the unit '% m/m' in the file, but the mapping says"):
        take(tmp_path, WIDE.replace("layout", "header_row = 1\nunit_row = 2\nlayout"), {"a.csv": text})


QUALIFIERS = """
[[file]]
pattern = "*.csv"
layout = "wide"
header_row = [1, 2]
[file.columns]
sample = "Sample"
[file.analytes]
"Silicon | result" = { analyte = "Si", unit = "mg/kg", qualifier = "Silicon | flag" }
"Phosphorus | result" = { analyte = "P", unit = "mg/kg", qualifier = "Phosphorus | flag" }
"""
QUALIFIED = "Sample;Silicon;;Phosphorus;\n;result;flag;result;flag\nB001;5;<;340;\nB002;12;;10000;>\n007;9;?;;\n"


def test_a_qualifier_column_for_each_analyte(tmp_path: Path) -> None:
    out = take(tmp_path, QUALIFIERS + '[file.words]\n"?" = "number"\n', {"a.csv": QUALIFIED.replace(";;\n", ";310;\n")})
    assert values(out) == {("B001", "Si", 1): (5.0, "<"), ("B001", "P", 1): (340.0, ""), ("B002", "Si", 1): (12.0, ""),
                           ("B002", "P", 1): (10000.0, ">"), ("007", "Si", 1): (9.0, ""), ("007", "P", 1): (310.0, "")}
    assert out.complete


def test_a_qualifier_column_that_is_missing_or_says_nothing_known(tmp_path: Path) -> None:
    out = take(tmp_path, QUALIFIERS, {"a.csv": QUALIFIED})
    assert [(f.row, f.column, f.reason.partition(",")[0]) for f in out.faults()] == [
        (5, "Silicon | result", "has the qualifier '?'"), (5, "Phosphorus | result", "is empty")]
    with pytest.raises(BadInput, match=r"row 2, column Silicon \| flag: the mapping expects this heading"):
        take(tmp_path, QUALIFIERS, {"a.csv": QUALIFIED.replace("result;flag", "result;mark", 1)})
    with pytest.raises(BadInput, match="uses a heading as a qualifier column and for something else: Sample"):
        take(tmp_path, QUALIFIERS.replace("Silicon | flag", "Sample"), {"a.csv": QUALIFIED})


def test_another_table_below_the_first_is_never_read_under_the_wrong_headings(tmp_path: Path) -> None:
    """Other samples in the second table: no contradiction would give it away."""
    text = "Sample,Si\nB001,9\nB002,10\n\nSample,P\n007,340\n1E5,350\n"
    with pytest.raises(BadInput, match=r"a.csv row 5, column 1 to 2: 'Sample \| P': a table with other headings begins here"):
        take(tmp_path, WIDE, {"a.csv": text})
    out = take(tmp_path, WIDE.replace('layout = "wide"', 'layout = "wide"\nblocks = true'), {"a.csv": text})
    assert values(out) == {("B001", "Si", 1): (9.0, ""), ("B002", "Si", 1): (10.0, ""), ("007", "P", 1): (340.0, ""),
                           ("1E5", "P", 1): (350.0, "")}


def test_row_numbers_and_ruled_lines_are_no_results(tmp_path: Path) -> None:
    text = ";Code;Test;Result;Unit\n1;B001;Si;9.8;mg/kg\n2;B002;Si;9.9;mg/kg\n"
    assert len(take(tmp_path / "a", LONG, {"a.csv": text}).results) == 2
    with pytest.raises(BadInput, match="stands in a column without heading"):
        take(tmp_path / "b", LONG, {"a.csv": text.replace("2;B002", "3;B002")})
    text = "| Code | Test | Result | Unit |\n|---|:---|---:|---|\n| B001 | Si | 9.8 | mg/kg |\n"
    out = take(tmp_path / "c", LONG, {"a.csv": text})
    assert values(out) == {("B001", "Si", 1): (9.8, "")}
    assert out.rejected.empty
