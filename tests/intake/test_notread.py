"""The reading sheet shows what was not read: lines, columns, names, blank cells, sheets; each with its reason."""

from __future__ import annotations

import io
import re
from pathlib import Path

import openpyxl
import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import LONG, WIDE, values
from tests.intake_cases import take_and_write as take

TEXT = ("Report 118 of 4 May;;;;\nCode;Test;Result;Unit;Remark\nB001;Si;9.8;mg/kg;\nB002;Si;-;mg/kg;ok\nB003;Fe;3.1;mg/kg;ok\n"
        "End of report;;;;\nPage 1;;;;\n")
ENTRY = LONG.replace("layout", 'footer = "End of report"\nignore_columns = ["Remark"]\nlayout')
ENTRY += '[file.analytes]\nFe = ""\n[file.words]\n"-" = "not measured"\n'


def left_out(root: Path, file: str = "a.csv") -> list[tuple[str, str, str]]:
    """Column, text and reason of what the reading sheet lists as not read."""
    import pandas as pd

    table = pd.read_csv(root / f"tidy/reading/{file}.csv", dtype=str, keep_default_na=False)
    own = table[table["doubt"] == "not read"]
    return list(zip(own["column"], own["as_written"], own["reason"], strict=True))


def test_lines_columns_names_and_blank_cells_that_gave_no_result_are_listed(tmp_path: Path) -> None:
    out = take(tmp_path, ENTRY, {"a.csv": TEXT})
    assert values(out) == {("B001", "Si", 1): (9.8, "")}
    assert sorted(left_out(tmp_path)) == sorted([
        ("", "Report 118 of 4 May", "a line above the headings"), ("", "End of report", "a line that is no result"),
        ("", "Page 1", "a line that is no result"),
        ("Remark", "ok (2×)", "a column of 2 filled cells: ignored, as the mapping says"),
        ("Test", "Fe", "1 results under a name that is not used, as the mapping says"),
        ("Result", "-", "B002 Si: no result, as the mapping says of such a cell")])
    page = (tmp_path / "tidy/reading/a.csv.html").read_text(encoding="utf-8")
    assert "6 things not read" in page
    assert "What was not read, and why" in page
    assert re.search(r"data-h='as written'>Report 118 of 4 May</td>", page)


def test_a_file_that_is_read_whole_says_so_and_what_is_not_read_changes_its_number(tmp_path: Path) -> None:
    take(tmp_path / "a", LONG, {"a.csv": "Code;Test;Result;Unit\nB001;Si;9.8;mg/kg\n"})
    page = (tmp_path / "a/tidy/reading/a.csv.html").read_text(encoding="utf-8")
    assert "every line and every filled column was read" in page
    take(tmp_path / "b", LONG, {"a.csv": "Code;Test;Result;Unit\nB001;Si;9.8;mg/kg\nEnd of report;;;\n"})
    other = (tmp_path / "b/tidy/reading/a.csv.html").read_text(encoding="utf-8")
    numbers = [re.search(r"reading = &quot;([0-9a-f]{16})", p)[1] for p in (page, other)]  # type: ignore[index]
    assert numbers[0] != numbers[1]


def workbook() -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Results"
    for row in (("Sample", "Si", "P", "Fe"), ("B001", 9.8, 338, 3.1), ("B002", 9.9, 340, 3.2)):
        sheet.append(row)
    return book


def data_of(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_other_sheets_ranges_and_unused_columns_are_listed(tmp_path: Path) -> None:
    book = workbook()
    book.create_sheet("Cover").append(("Invented laboratory",))
    hidden = book.create_sheet("Codes")
    hidden.append(("list",))
    hidden.sheet_state = "hidden"
    third = " ".join(str(c.value) for c in book["Results"][3] if c.value is not None)
    entry = WIDE.replace("*.csv", "*.xlsx").replace(
        "layout", f'sheet = "Results"\nrange = "A1:D2"\nignore_lines = ["{third}"]\nlayout')
    out = take(tmp_path, entry + '[file.analytes]\nFe = ""\n', {"a.xlsx": data_of(book)})
    assert len(out.results) == 2
    assert sorted(left_out(tmp_path, "a.xlsx_Results_A1_D2")) == sorted([
        ("Fe", "3.1", "a column of 1 filled cells: not used, as the mapping says"),
        ("range", "A1:D2", "4 filled cells of the sheet lie outside the range of this entry"),
        ("sheet", "Cover", "the sheet is not read; it holds 1 filled cells"),
        ("sheet", "Codes", "the sheet is not read (it is hidden); it holds 1 filled cells")])


def test_a_long_list_is_cut_with_its_count(tmp_path: Path) -> None:
    above, below = ("".join(f"Page {i} of the report;;;\n" for i in range(n)) for n in (190, 30))
    take(tmp_path, LONG, {"a.csv": above + "Code;Test;Result;Unit\nB001;Si;9.8;mg/kg\n" + below})
    listed = left_out(tmp_path)
    assert len(listed) == 201
    assert listed[-1][2] == "20 more lines from here on"


def test_a_print_header_a_text_box_and_conditions_are_questions(tmp_path: Path) -> None:
    from openpyxl.formatting.rule import CellIsRule, DataBarRule
    from openpyxl.styles import Font

    entry = WIDE.replace("*.csv", "*.xlsx") + '[file.analytes]\nFe = ""\n'
    book = workbook()
    book.active.oddHeader.center.text = "DRAFT"  # type: ignore[union-attr]
    with pytest.raises(BadInput, match=r"print header: 'DRAFT': is a line of text with the words 'DRAFT'.*ignore_lines"):
        take(tmp_path / "a", entry, {"a.xlsx": data_of(book)})
    settled = entry.replace("layout", 'ignore_lines = ["DRAFT"]\nlayout')
    assert len(take(tmp_path / "b", settled, {"a.xlsx": data_of(book)}).results) == 4
    assert ("print header", "DRAFT", "stands outside the cells") in left_out(tmp_path / "b", "a.xlsx")
    for rule in (CellIsRule(operator="lessThan", formula=["20"], font=Font(color="FFFFFFFF")),
                 DataBarRule("min", None, "max", None, "FF0000", showValue=False)):
        book = workbook()
        book.active.conditional_formatting.add("B2:B3", rule)  # type: ignore[union-attr]
        out = take(tmp_path / "c", entry, {"a.xlsx": data_of(book)})
        assert out.rejected["column"].tolist() == ["Si", "Si"]
        assert out.rejected["reason"].str.contains("is shown otherwise, or not at all, under a condition").all()
    book = workbook()
    book.active.conditional_formatting.add(  # type: ignore[union-attr]
        "B2:B3", CellIsRule(operator="lessThan", formula=["20"], font=Font(bold=True)))
    book.active.oddFooter.left.text = "Page &P of &N"  # type: ignore[union-attr]
    assert len(take(tmp_path / "d", entry, {"a.xlsx": data_of(book)}).results) == 4
