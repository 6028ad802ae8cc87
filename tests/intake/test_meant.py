"""What a laboratory meant against what is read: single cases by someone who had not seen the code.

Each case says which determinations no careful person would take without asking; they may be rejected, or the file
refused, but never stand among the results. Each has a sound twin beside it that is read whole.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill

from studykit.core.errors import BadInput
from studykit.intake.take import IntakeOutcome
from tests.intake_cases import take

CODES = ("K72PX", "K91CM", "K83RT")
UNITS = {"Si": "mg/kg", "P": "mg/kg"}
HEAD = "Sample;Si [mg/kg];P [mg/kg]\n"
BODY = "K72PX;9.8;338\nK91CM;10.1;341\nK83RT;10.4;336\n"
ALL = {(c, a) for c in CODES for a in UNITS}
WIDE = '[[file]]\npattern = "*"\nlayout = "wide"\ndecimal = "."\n{more}[file.columns]\nsample = "Sample"\n{rest}'
NAMES = '[file.analytes]\n"Si [mg/kg]" = "Si"\n"P [mg/kg]" = "P"\n'


def read(tmp_path: Path, files: dict[str, str | bytes], more: str = "", rest: str = NAMES) -> IntakeOutcome | None:
    """The outcome; None where the files are refused."""
    try:
        return take(tmp_path, WIDE.format(more=more, rest=rest), files, codes=CODES, units=UNITS)
    except BadInput:
        return None


def taken(out: IntakeOutcome | None) -> dict[tuple[str, str], str]:
    if out is None:
        return {}
    table = out.results
    shown = (f"{q}{v:g}" for q, v in zip(table["qualifier"], table["value"], strict=True))
    return dict(zip(zip(table["sample"], table["analyte"], strict=True), shown, strict=True))


@pytest.mark.few(8)
@pytest.mark.parametrize("line", [
    "Report 118 - CANCELLED", "DRAFT - not released", "Preliminary results, replaced by report 119", "This report is invalid",
    "Einheit: g/kg", "R\u00e9sultats en g/kg", "Werte durch 10 teilen", "Werte in Promille", "results per 100 g",
    "% of nominal",
    "corrected for recovery 85 %", "relative to sample A", "log10 values", "ln(mg/kg)", "ratios to the control",
    "P results: do not use", "values on grey ground do not count", "Results in bold are second readings",
    "P results: wrong bottle", "Status;cancelled;", "Report 118;;mg/L", ";% m/m;% m/m"])
def test_a_line_above_the_headings_that_takes_results_back_is_asked_about(tmp_path: Path, line: str) -> None:
    assert not taken(read(tmp_path, {"a.csv": line + "\n" + HEAD + BODY}))
    assert set(taken(read(tmp_path, {"a.csv": "Report 118\nYour order 4711;;\n" + HEAD + BODY}))) == ALL


@pytest.mark.slow
@pytest.mark.parametrize("line", [
    "Si values to be multiplied by 10", "All values x 10", "First and last bottle were interchanged",
    "Correction: P of first bottle is 383", "yellow: out of control limits", "Blue cells: second operator",
    "n.d. = not detected (< 5 mg/kg)", "n.d.: below the reporting limit of 5 mg/kg", "See the letter enclosed"])
def test_a_line_below_the_table_is_asked_about_unless_it_is_plainly_harmless(tmp_path: Path, line: str) -> None:
    limits = NAMES + '[file.limits]\n"Si [mg/kg]" = 2\n'
    assert not taken(read(tmp_path, {"a.csv": HEAD + BODY + "\n" + line + "\n"}, rest=limits))
    for calm in ("End of report", "Page 1 of 1", "Approved: J. Smith", "Method: ICP, ISO 11885",
                 "n.d. = not detected (< 2 mg/kg)"):
        assert set(taken(read(tmp_path, {"a.csv": HEAD + BODY + "\n" + calm + "\n"}, rest=limits))) == ALL
    aside = f"ignore_lines = [{line!r}]\n"
    assert set(taken(read(tmp_path, {"a.csv": HEAD + BODY + "\n" + line + "\n"}, aside, limits))) == ALL


@pytest.mark.few(3)
@pytest.mark.parametrize("remark", [
    "rejected", "reject", "outlier", "QC failed", "out of calibration", "not accepted", "result not reliable",
    "sample mix-up?", "delete", "ignore", "repeat pending", "actually K91CM", "= K91CM", "see K83RT", "value is x10",
    "<10", "below LOQ", "result see report 119", "estimate", "air bubble", "n.v.", "verwechselt", "nicht verwenden",
    "fehlerhaft", "ne pas utiliser"])
def test_a_remark_is_a_doubt_about_its_row(tmp_path: Path, remark: str) -> None:
    more = 'ignore_columns = ["Note"]\n'
    text = "Sample;Si [mg/kg];P [mg/kg];Note\nK72PX;9.8;338;{}\nK91CM;10.1;341;\nK83RT;10.4;336;\n"
    assert set(taken(read(tmp_path, {"a.csv": text.format(remark)}, more))) == {k for k in ALL if k[0] != "K72PX"}
    assert set(taken(read(tmp_path, {"a.csv": text.format("ok")}, more))) == ALL
    marked = NAMES + '[file.marked]\nremark = "read one by one"\n'
    assert set(taken(read(tmp_path, {"a.csv": text.format(remark)}, more, marked))) == ALL


@pytest.mark.parametrize(("head", "flag", "more"), [
    ("Qual", "<", 'ignore_columns = ["Qual"]\n'), ("Qual", "below", 'ignore_columns = ["Qual"]\n'),
    ("Si flag", "U", 'ignore_columns = ["Si flag"]\n'), ("Letter", "U", 'ignore_columns = ["*"]\n')])
def test_a_flag_in_a_column_that_is_left_out_is_a_doubt(tmp_path: Path, head: str, flag: str, more: str) -> None:
    text = f"Sample;Si [mg/kg];{head};P [mg/kg]\nK72PX;2.0;{flag};338\nK91CM;10.1;;341\nK83RT;10.4;;336\n"
    assert ("K72PX", "Si") not in taken(read(tmp_path, {"a.csv": text}, more))


@pytest.mark.parametrize("unit", [
    "P (Gew.-%)", "P [Gew.-%]", "P, % m/m", "P / % m/m", "P % m/m", "P in %", "P %", "P mg/L", "P x 10 [mg/kg]",
    "P/10 [mg/kg]", "P [10 mg/kg]", "P x 0.1", "P (1e-1 mg/kg)", "P (÷10)", "P [mg/100 g]", "P 1:10"])
def test_a_unit_in_a_heading_that_is_not_read_is_never_overruled(tmp_path: Path, unit: str) -> None:
    rest = f'[file.analytes]\n"{unit}" = "P"\n'
    text = f"Sample;{unit}\nK72PX;0.0338\nK91CM;0.0341\nK83RT;0.0336\n"
    for more in ("", '[file.units]\nP = "mg/kg"\n'):
        got = taken(read(tmp_path, {"a.csv": text}, rest=rest + more))
        assert set(got.values()) <= ({"338", "341", "336"} if not more else set())


def test_the_meaning_of_a_spelling_holds_in_brackets_too(tmp_path: Path) -> None:
    text = "Sample;Si (MG/KG);P (Gew.-%)\nK72PX;9.8;0.0338\n"
    rest = '[file.analytes]\n"Si (MG/KG)" = "Si"\n"P (Gew.-%)" = "P"\n'
    rest += '[file.unit_words]\n"MG/KG" = "mg/kg"\n"Gew.-%" = "% (m/m)"\n'
    assert taken(read(tmp_path, {"a.csv": text}, rest=rest)) == {("K72PX", "Si"): "9.8", ("K72PX", "P"): "338"}


@pytest.mark.parametrize(("word", "meant"), [
    ("n.d. (4)", "<4"), ("<LOQ=4", "<4"), ("9.8*", "9.8"), ("9.8 (2)", ""), ("9.8 %", "")])
def test_a_number_within_a_word_that_has_a_meaning_is_kept(tmp_path: Path, word: str, meant: str) -> None:
    meaning = "number" if word[0] == "9" else "below limit"
    rest = NAMES + f'[file.limits]\n"Si [mg/kg]" = 2\n[file.words]\n"{word}" = "{meaning}"\n'
    assert taken(read(tmp_path, {"a.csv": HEAD + f"K72PX;{word};338\n"}, rest=rest)).get(("K72PX", "Si"), "") == meant


@pytest.mark.parametrize(("later", "kept"), [
    ("K72PX;12.4*;338;2026-05-09\n", False), ("K72PX;;338;2026-05-09\n", False), ("K72PX;invalid;338;2026-05-09\n", False),
    ("K72PX;12.4;338;2026-05-09\n", True)])
def test_a_newer_report_that_cannot_be_read_leaves_no_older_value_standing(tmp_path: Path, later: str, kept: bool) -> None:
    head = "Sample;Si [mg/kg];P [mg/kg];Date\n"
    intake = WIDE.format(more='blank = "not measured"\n', rest='reported_on = "Date"\n' + NAMES)
    files = {"a.csv": head + "K72PX;9.8;338;2026-05-04\n", "b.csv": head + later}
    got = taken(take(tmp_path, intake, files, codes=CODES, units=UNITS))
    assert got.get(("K72PX", "Si")) == ("12.4" if kept else None)
    assert got["K72PX", "P"] == "338"


def test_an_older_report_that_cannot_be_read_does_not_hold_up_the_newer(tmp_path: Path) -> None:
    head = "Sample;Si [mg/kg];P [mg/kg];Date\n"
    intake = WIDE.format(more="", rest='reported_on = "Date"\n' + NAMES)
    files = {"a.csv": head + "K72PX;9.8*;338;2026-05-04\n", "b.csv": head + "K72PX;9.8;338;2026-05-09\n"}
    assert taken(take(tmp_path, intake, files, codes=CODES, units=UNITS))["K72PX", "Si"] == "9.8"


def test_a_twin_that_cannot_be_read_is_a_contradiction(tmp_path: Path) -> None:
    assert ("K72PX", "Si") not in taken(read(tmp_path, {"a.csv": HEAD + "K72PX;9.8*;338\nK91CM;10.1;341\nK72PX;12.4;338\n"}))
    text = "Sample,Si [mg/kg],P [mg/kg]\nK72PX,9,8,338\nK91CM,10.1,341\nK83RT,10.4,336\n"
    other = text.splitlines()[0] + "\nK72PX,12.4,338\n"
    out = taken(read(tmp_path, {"a.csv": text, "b.csv": other}))
    assert {k for k in out if k[0] == "K72PX"} == set()
    assert len(out) == 4


def test_a_result_far_below_the_table_is_asked_about(tmp_path: Path) -> None:
    again = 'replicates = "in order"\n'
    assert set(taken(read(tmp_path, {"a.csv": HEAD + BODY + "\n" * 30 + "K72PX;12.4;338\n"}, again))) == ALL
    assert len(read(tmp_path, {"a.csv": HEAD + BODY + "\n" * 30 + "K72PX;12.4;338\n"}, again).rejected) == 1  # type: ignore[union-attr]
    assert len(read(tmp_path, {"a.csv": HEAD + BODY + "\n" * 3 + "K72PX;12.4;338\n"}, again).results) == 8  # type: ignore[union-attr]


def test_codes_that_an_exporter_protected_are_read(tmp_path: Path) -> None:
    text = HEAD + "".join(f'="{line.partition(";")[0]}";{line.partition(";")[2]}\n' for line in BODY.splitlines())
    assert set(taken(read(tmp_path, {"a.csv": text}))) == ALL


# ---- spreadsheets


def book(change: Callable[[openpyxl.Workbook], object] = lambda book: None) -> bytes:
    made = openpyxl.Workbook()
    made.active.title = "Results"
    for line in ("Sample;Si [mg/kg];P [mg/kg]\n" + BODY).splitlines():
        made.active.append([float(c) if c[0].isdigit() else c for c in line.split(";")])
    change(made)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def patched(data: bytes, old: str, new: str) -> bytes:
    """A workbook whose sheet parts have ``new`` for the pattern ``old``."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as whole, zipfile.ZipFile(out, "w") as copy:
        for name in whole.namelist():
            part = whole.read(name)
            if name.startswith("xl/worksheets/sheet"):
                text, count = re.subn(old, new, part.decode())
                assert count
                part = text.encode()
            copy.writestr(name, part)
    return out.getvalue()


def _notes(*rows: list[str]) -> Callable[[openpyxl.Workbook], object]:
    def change(made: openpyxl.Workbook) -> None:
        for row in rows:
            (made["Notes"] if "Notes" in made.sheetnames else made.create_sheet("Notes")).append(row)
    return change


def _cell(place: str, **how: object) -> Callable[[openpyxl.Workbook], object]:
    def change(made: openpyxl.Workbook) -> None:
        for name, value in how.items():
            setattr(made.active[place], name, value)
    return change


PART_WHITE = CellRichText("9.8", TextBlock(InlineFont(color="FFFFFFFF"), "7"))
RED = {"font": Font(color="FFFF0000"), "fill": PatternFill("solid", fgColor="FFFF0000")}


def test_the_sound_workbook_is_read(tmp_path: Path) -> None:
    assert set(taken(read(tmp_path, {"a.xlsx": book()}))) == ALL
    calm = _notes(["Method", "ICP"], ["Printed", "2026-05-04"])
    assert set(taken(read(tmp_path, {"a.xlsx": book(calm)}))) == ALL


@pytest.mark.few(4)
@pytest.mark.parametrize("rows", [
    [["K72PX", "invalid"]], [["K72PX was broken on arrival, results invalid"]], [["All values in mg/L"]], [["Si x 10"]],
    [["Sample", "Ca"], ["K83RT", "12.4"]]])
@pytest.mark.parametrize("more", ["", 'sheet = "Results"\n'])
def test_a_sheet_that_is_not_read_and_says_something_is_asked_about(tmp_path: Path, rows: list[list[str]], more: str) -> None:
    data = {"a.xlsx": book(_notes(*rows))}
    units = UNITS | {"Ca": "mg/kg"}
    with pytest.raises(BadInput, match="'Notes'"):
        take(tmp_path, WIDE.format(more=more, rest=NAMES), data, codes=CODES, units=units)
    aside = more + 'ignore_sheets = ["Notes"]\n'
    assert set(taken(take(tmp_path, WIDE.format(more=aside, rest=NAMES), data, codes=CODES, units=units))) == ALL


def test_a_draft_beside_a_named_sheet_that_has_all_of_it_is_no_question(tmp_path: Path) -> None:
    data = book(_notes(["Sample", "Si [mg/kg]"], ["K83RT", 12.4]))
    assert set(taken(read(tmp_path, {"a.xlsx": data}, 'sheet = "Results"\n'))) == ALL


def test_a_comment_beside_the_table_is_a_doubt_about_its_row(tmp_path: Path) -> None:
    def change(made: openpyxl.Workbook) -> None:
        made.active["E2"].comment = Comment("bottle broken", "laboratory")
        made.active["E5"] = " "

    assert set(taken(read(tmp_path, {"a.xlsx": book(change)}))) == {k for k in ALL if k[0] != "K72PX"}


def test_a_unit_that_one_line_has_alone_with_a_number_that_fits_neither_is_asked_about(tmp_path: Path) -> None:
    intake = ('[[file]]\npattern = "*"\nlayout = "long"\ndecimal = "."\n[file.columns]\nsample = "Code"\nanalyte = "Test"\n'
              'value = "Result"\nunit = "Unit"\n')
    codes = (*CODES, "P82VL", "L91LU")
    lines = [f"{c};P;{v};mg/kg" for c, v in zip(codes[1:], (398, 415, 389, 392), strict=True)]
    for value, asked in (("1", True), ("0.41", False)):
        text = "\n".join(["Code;Test;Result;Unit", f"K72PX;P;{value};g/kg", *lines]) + "\n"
        out = take(tmp_path, intake, {"a.csv": text}, codes=codes, units=UNITS)
        assert (("K72PX", "P") not in taken(out)) == asked


@pytest.mark.parametrize("tail", ["", " mg/kg", "!"])
def test_decimal_commas_beside_an_empty_column_are_asked_about(tmp_path: Path, tail: str) -> None:
    lines = ("P50YH,9,2,414", "M45KE,10,4,382", "K69FP,9,8,439")
    text = "Sample,Si [mg/kg],P [mg/kg],Remark\n" + "".join(line + tail + "\n" for line in lines)
    said = 'ignore_columns = ["Remark"]\nin_place = "said so without a look"\n'
    intake = WIDE.format(more=said, rest=NAMES).replace('decimal = "."\n', "")
    assert take(tmp_path, intake, {"a.csv": text}, codes=("P50YH", "M45KE", "K69FP"), units=UNITS).results.empty


@pytest.mark.parametrize(("change", "gone"), [
    (_cell("B2", value=PART_WHITE), {("K72PX", "Si")}), (_cell("B2", number_format="[White]0.0"), {("K72PX", "Si")}),
    (_cell("B2", **RED), {("K72PX", "Si")}),
    (lambda made: made.active.merge_cells("B2:B3"), {("K72PX", "Si"), ("K91CM", "Si")}),
    (lambda made: made.active.merge_cells("B2:C2"), {("K72PX", "Si"), ("K72PX", "P")})])
def test_what_a_reader_does_not_see_is_a_doubt(tmp_path: Path, change: Callable[[openpyxl.Workbook], object],
                                               gone: set[tuple[str, str]]) -> None:
    assert set(taken(read(tmp_path, {"a.xlsx": book(change)}))) == ALL - gone


@pytest.mark.parametrize(("old", "new", "gone"), [
    ('<row r="2"', '<row r="2" ht="0" customHeight="1"', {k for k in ALL if k[0] == "K72PX"}),
    ('<row r="2"', '<row r="2" ht="0.1" customHeight="1"', {k for k in ALL if k[0] == "K72PX"}),
    ("<sheetData>", '<cols><col min="2" max="2" width="0" customWidth="1"/></cols><sheetData>',
     {k for k in ALL if k[1] == "Si"}),
    ("<sheetFormatPr", '<sheetFormatPr zeroHeight="1"', ALL)])
def test_hidden_by_size_is_hidden(tmp_path: Path, old: str, new: str, gone: set[tuple[str, str]]) -> None:
    assert set(taken(read(tmp_path, {"a.xlsx": patched(book(), old, new)}))) == ALL - gone
