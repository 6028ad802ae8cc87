"""Lines left out by what a column says, READMEs that speak of results, colours, and marks that hide no other mark."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

from studykit.core.errors import BadInput
from studykit.intake.take import IntakeOutcome
from tests.intake_cases import study, take

CODES = tuple(f"B00{n}" for n in range(1, 7))
INTAKE = '{top}[[file]]\npattern = "*"\nlayout = "wide"\ndecimal = "."\n{more}[file.columns]\nsample = "Sample"\n' \
         '[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n{rest}'
VALUES = ((9.8, 341.2), (10.4, 352.9), (9.1, 338.8), (9.9, 349.6), (10.2, 345.1), (9.5, 351.3))
LINES = [f"{c},{si},{p},A" for c, (si, p) in zip(CODES, VALUES, strict=True)]
STATUS = 'ignore_columns = ["STATUS"]\n'


def read(root: Path, files: dict[str, bytes | str], more: str = "", rest: str = "", top: str = "") -> IntakeOutcome:
    return take(root, INTAKE.format(top=top, more=more, rest=rest), files, codes=CODES)


def with_cancelled() -> str:
    return "\n".join(["Sample,Si,P,STATUS", LINES[0], "B002,14.4,340.9,X", *LINES[1:]]) + "\n"


def test_a_cancelled_line_is_left_out_and_its_repeat_counts(tmp_path: Path) -> None:
    asked = read(tmp_path / "asked", {"a.csv": with_cancelled()}, STATUS)
    assert "B002" not in set(asked.results["sample"])
    assert "leave_out = { 'STATUS' = { 'X' = \"who said so\" } }" in " ".join(asked.rejected["remedy"])
    said = 'leave_out = { STATUS = { X = "cancelled, by the lab" } }\n'
    out = read(tmp_path / "out", {"a.csv": with_cancelled()}, STATUS + said)
    assert len(out.results) == 12
    assert out.rejected.empty
    own = out.results[(out.results["sample"] == "B002") & (out.results["analyte"] == "Si")]
    assert list(own["value"]) == [10.4]
    sheet = out.reading()
    assert "left out, as the mapping says of 'X' under 'STATUS': cancelled, by the lab" in " ".join(sheet["reason"].fillna(""))


@pytest.mark.parametrize(("line", "why"), [
    ('{ STATUS = { Y = "cancelled" } }', "no line says so"),
    ('{ STATUS = { A = "cancelled" } }', "6 of 7 lines say so"),
    ('{ Status = { X = "cancelled" } }', "there is no such heading"),
    ('{ STATUS = { X = "ok" } }', "at least 3"),
    ('{ Sample = { B001 = "broken" } }', "neither samples nor results"),
])
def test_what_leaves_nothing_or_nearly_all_out_is_a_fault(tmp_path: Path, line: str, why: str) -> None:
    with pytest.raises(BadInput, match=why):
        read(tmp_path, {"a.csv": with_cancelled()}, STATUS + f"leave_out = {line}\n")


def test_a_readme_that_speaks_of_a_sample_is_asked_about_until_somebody_read_it(tmp_path: Path) -> None:
    files: dict[str, bytes | str] = {"a.csv": "\n".join(["Sample,Si,P,STATUS", *LINES]) + "\n",
                                     "README.txt": "How to open\nErratum: Si of B003 is 17\n"}
    with pytest.raises(BadInput, match=r"README.txt row 2.*never read, and speaks of a sample"):
        read(tmp_path / "a", files, STATUS)
    top = 'read_by_hand = { "README.txt" = "M. K., 4 May" }\n'
    assert len(read(tmp_path / "b", files, STATUS, top=top).results) == 12
    harmless = files | {"README.txt": "Files of the laboratory, as they came.\n"}
    assert len(read(tmp_path / "c", harmless, STATUS).results) == 12


def workbook(change: object) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Sample", "Si", "P"])
    for code, pair in zip(CODES, VALUES, strict=True):
        sheet.append([code, *pair])
    change(sheet)  # type: ignore[operator]
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def test_a_mark_that_counts_hides_no_other_of_its_cell(tmp_path: Path) -> None:
    def both(sheet: openpyxl.worksheet.worksheet.Worksheet) -> None:
        sheet["B3"].font = Font(strike=True)
        sheet["B3"].comment = Comment("second reading", "lab")

    harmless = '[file.marked]\ncomment = "comments are harmless"\n'
    out = read(tmp_path, {"a.xlsx": workbook(both)}, rest=harmless)
    assert list(out.rejected["reason"]) == ["is struck through"]
    assert len(read(tmp_path / "b", {"a.xlsx": workbook(both)}, rest=harmless + 'struck = "asked, 4 May"\n').results) == 12


def test_cells_of_another_colour_are_asked_about_and_stripes_are_not(tmp_path: Path) -> None:
    yellow = PatternFill("solid", fgColor="FFFFC000")

    def one(sheet: openpyxl.worksheet.worksheet.Worksheet) -> None:
        sheet["C4"].fill = yellow

    def grey(sheet: openpyxl.worksheet.worksheet.Worksheet) -> None:
        for cell in sheet[5]:
            cell.font = Font(color="FFB0B0B0")

    def stripes(sheet: openpyxl.worksheet.worksheet.Worksheet) -> None:
        for line in (1, 2, 4, 6):
            for cell in sheet[line]:
                cell.fill = yellow

    out = read(tmp_path / "one", {"a.xlsx": workbook(one)})
    assert list(out.rejected["reason"]) == ["has another colour than nearly all of its column"]
    said = '[file.marked]\ncoloured = "yellow is a second reading, 4 May"\n'
    assert len(read(tmp_path / "said", {"a.xlsx": workbook(one)}, rest=said).results) == 12
    assert set(read(tmp_path / "grey", {"a.xlsx": workbook(grey)}).rejected["row"]) == {5}
    assert len(read(tmp_path / "stripes", {"a.xlsx": workbook(stripes)}).results) == 12


TABLE = "Sample,Si,P\n" + "".join(f"{c},{si},{p}\n" for c, (si, p) in zip(CODES, VALUES, strict=True))


@pytest.mark.parametrize(("old", "new", "values", "why"), [
    ("9.1,338.8", "0,338.8", {"0"}, "is 0, far below the others of its column"),
    ("9.5,351.3", "9.73,346.48", {"9.73", "346.48"}, "more decimals than all others"),
    (TABLE, "Sample,Si,P\n" + "".join(f"{c},{11 + n}.0{1 + n},34{n}\n" for n, c in enumerate(CODES)),
     {f"{11 + n}.0{1 + n}" for n in range(6)}, "written like a day and a month"),
])
def test_numbers_that_stand_for_something_else_are_asked_about(tmp_path: Path, old: str, new: str, values: set[str],
                                                              why: str) -> None:
    out = read(tmp_path, {"a.csv": TABLE.replace(old, new)})
    assert set(out.rejected["value"]) == values
    assert why in out.rejected["reason"].iloc[0]
    assert len(read(tmp_path / "sound", {"a.csv": TABLE}).results) == 12


def test_of_a_column_all_alike_no_line_is_a_mean(tmp_path: Path) -> None:
    same = "Sample,Si,P\n" + "".join(f"{c},9.8,340.0\n" for c in CODES)
    assert len(read(tmp_path, {"a.csv": same}).results) == 12


def test_a_scatter_under_each_code_is_asked_about_in_every_column(tmp_path: Path) -> None:
    lines = [f"{c},{si},{p}\n{c},{si + 1:.1f},3.1\n" for c, (si, p) in zip(CODES, VALUES, strict=True)]
    out = read(tmp_path, {"a.csv": "Sample,Si,P\n" + "".join(lines)}, more='replicates = "in order"\n')
    assert not set(out.results["source_row"]) & set(range(3, 14, 2))


def test_an_uncertainty_in_per_cent_is_of_the_result(tmp_path: Path) -> None:
    text = TABLE.replace("9.8,", "9.8 ± 5 %,").replace("338.8", "338.8 +/- 10 %")
    out = read(tmp_path, {"a.csv": text})
    assert sorted(out.results["value"]) == sorted(v for pair in VALUES for v in pair)
    share = read(tmp_path / "share", {"a.csv": TABLE.replace("9.8,", "0.98 ± 0.05 %,")})  # no whole per cent: a unit
    assert list(share.rejected["value"]) == ["0.98 ± 0.05 %"]


def test_a_unit_merged_over_all_columns_is_that_of_each(tmp_path: Path) -> None:
    def units(sheet: openpyxl.worksheet.worksheet.Worksheet) -> None:
        sheet.insert_rows(2)
        sheet["B2"] = "mg/kg"
        sheet.merge_cells("B2:C2")

    intake = INTAKE.format(top="", more="unit_row = 2\n", rest="").replace('[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n', "")
    assert len(take(tmp_path, intake, {"a.xlsx": workbook(units)}, codes=CODES).results) == 12


def test_both_decimal_signs_in_one_file_are_said_to_have_no_reading(tmp_path: Path) -> None:
    text = TABLE.replace(",", ";").replace("9.8;", "9,8;")
    intake = INTAKE.format(top="", more="", rest="").replace('decimal = "."\n', "")
    with pytest.raises(BadInput, match="no declaration reads both: ask the laboratory for the file with one decimal sign"):
        take(tmp_path, intake, {"a.csv": text}, codes=CODES)


@pytest.mark.parametrize(("encoding", "head"), [("cp1250", "Wyniki z łodzi"), ("gb18030", "检测报告")])
def test_encodings_of_other_countries_are_read_where_they_are_declared(tmp_path: Path, encoding: str, head: str) -> None:
    out = read(tmp_path, {"a.csv": (head + "\n" + TABLE).encode(encoding)}, more=f'encoding = "{encoding}"\n')
    assert len(out.results) == 12


def test_a_line_about_turning_above_a_kinematic_viscosity_is_asked_about(tmp_path: Path) -> None:
    text = "Rotational viscometer, shear rate 100 1/s\n" + TABLE.replace("Si", "KV40")
    intake = INTAKE.format(top="", more="", rest="").replace('Si = "mg/kg"', 'KV40 = "mm2/s"')
    with pytest.raises(BadInput, match="speaks of 'Rotational', and a kinematic viscosity is read"):
        take(tmp_path, intake, {"a.csv": text}, codes=CODES)


def test_units_exchanged_in_their_row_are_asked_about_though_a_line_is_lost(tmp_path: Path) -> None:
    lines = [f"{c if n else ''},{0.0331 + n / 1e4:.4f},{2900 + n},9.{n}" for n, c in enumerate(CODES)]
    text = "\n".join(["Sample,P,Ca,Si", ",mg/kg,% m/m,mg/kg", *lines]) + "\n"
    intake = INTAKE.format(top="", more="unit_row = 2\n", rest="").replace('[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n', "")
    out = take(tmp_path, intake, {"a.csv": text}, codes=CODES,
               definition=study({"P": "mg/kg", "Ca": "mg/kg", "Si": "mg/kg"}))
    assert out.results.empty
    assert sum("are the units under the right headings" in r for r in out.rejected["reason"]) == 10
