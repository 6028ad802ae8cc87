"""What a spreadsheet shows is what is read where a person says that the cell counts, and units that are not known are units.

The cases are a stranger's: remedies of refusals, followed to the letter, had given the stored number.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from studykit.core.errors import BadInput
from studykit.core.units import convert
from studykit.intake.numberformat import agrees, as_shown, shown_number
from tests.intake_cases import take

CODES = ("K72PX", "K91CM", "K83RT")
WIDE = '[[file]]\npattern = "*"\nlayout = "wide"\n[file.columns]\nsample = "Sample"\n[file.analytes]\n{head!r} = "P"\n{rest}'
MARKED = '[file.marked]\nformat = "counts, laboratory 4 May"\n'
CONFIRMED = '[file.confirmed]\n"* P" = "counts, laboratory 4 May"\n'
SHARES = (0.000351, 0.000328, 0.000338)


def workbook(head: str, values: tuple[float, ...], code: str) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Sample", head])
    for row, (name, value) in enumerate(zip(CODES, values, strict=True), 2):
        sheet.append([name, value])
        sheet.cell(row, 2).number_format = code
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def calc(head: str, cells: list[tuple[float, str]]) -> bytes:
    """An ODS with stored numbers, each beside what its cell shows."""
    doc = OpenDocumentSpreadsheet()
    table = Table(name="Results")
    for row in (["Sample", head], *([c, v] for c, v in zip(CODES, cells, strict=True))):
        line = TableRow()
        for value in row:
            cell = TableCell(valuetype="string") if isinstance(value, str) else TableCell(valuetype="float", value=value[0])
            cell.addElement(P(text=value if isinstance(value, str) else value[1]))
            line.addElement(cell)
        table.addElement(line)
    doc.spreadsheet.addElement(table)
    out = io.BytesIO()
    doc.save(out)
    return out.getvalue()


def read(tmp_path: Path, head: str, data: bytes | str, rest: str = "") -> list[str]:
    """The values taken, in mg/kg, with their signs; none where the file is refused."""
    try:
        out = take(tmp_path, WIDE.format(head=head, rest=rest), {"a.bin": data}, codes=CODES, units={"P": "mg/kg"})
    except BadInput:
        return []
    return [f"{q}{v:g}" for q, v in zip(out.results["qualifier"], out.results["value"], strict=True)]


@pytest.mark.few(4)
@pytest.mark.parametrize("answer", [MARKED, CONFIRMED])
@pytest.mark.parametrize(("head", "values", "code", "meant"), [
    ("P [% m/m]", SHARES, "0.0000%", ["351", "328", "338"]), ("P [mg/kg]", SHARES, "0.0000%", []),
    ("P", SHARES, "0.0000%", []), ("P [mg/kg]", (15.1, 16.2, 17.3), '"<"0.0', ["<15.1", "<16.2", "<17.3"]),
    ("P [mg/kg]", (15.1, 16.2, 17.3), '[<16]"<16";0.0', ["<16", "16.2", "17.3"]),
    ("P [mg/kg]", (15.1, 16.2, 17.3), '0.0" g/kg"', []), ("P [g/kg]", (351.0, 328.0, 338.0), "0.000,", ["351", "328", "338"]),
    ("P [mg/kg]", (15.1, 16.2, 17.3), '"invalid "0.0', []), ("P [mg/kg]", (15.1, 16.2, 17.3), ";;;", [])])
def test_a_cell_that_counts_is_read_as_it_is_shown(
        tmp_path: Path, answer: str, head: str, values: tuple[float, ...], code: str, meant: list[str]) -> None:
    data = workbook(head, values, code)
    assert read(tmp_path / "asked", head, data) in ([], meant[1:] if code.startswith("[") else [])
    assert read(tmp_path / "told", head, data, answer) == meant


@pytest.mark.parametrize(("head", "cells", "meant"), [
    ("P [mg/kg]", [(15.1, "<20"), (16.2, "16.2"), (17.3, "17.3")], ["<20", "16.2", "17.3"]),
    ("P [% m/m]", [(v, f"{v * 100:.4f} %".replace(".", ",")) for v in SHARES], ["351", "328", "338"]),
    ("P [mg/kg]", [(15.1, "<20.000"), (16.2, "16.2"), (17.3, "17.3")], ["16.2", "17.3"])])
def test_an_open_document_that_counts_is_read_as_it_is_shown(
        tmp_path: Path, head: str, cells: list[tuple[float, str]], meant: list[str]) -> None:
    assert read(tmp_path, head, calc(head, cells), MARKED) == meant


@pytest.mark.parametrize(("head", "code", "meant"), [
    ("P [mg/kg]", '0.0" mg/kg"', ["351", "328", "338"]), ("P", '0.0" mg/kg"', ["351", "328", "338"]),
    ("P [mg/kg]", '0.0" µg/kg"', []), ("P [g/kg]", '0.0" mg/kg"', [])])
def test_a_unit_that_a_format_writes_behind_a_number_is_read_as_in_a_text_file(
        tmp_path: Path, head: str, code: str, meant: list[str]) -> None:
    assert read(tmp_path, head, workbook(head, (351.0, 328.0, 338.0), code)) == meant


def test_a_per_cent_sign_in_quotes_does_not_scale() -> None:
    assert shown_number(0.0348, '0.0000" %"') == "0.0348 %"
    assert shown_number(0.0348, "0.00%") == "3.48%"
    assert shown_number(15.1, '[<20]"<20";0.0') == "<20"
    assert shown_number(25.1, '[<20]"<20";0.0') == "25.1"
    assert agrees("3,48 %", 0.0348, local=True)
    assert as_shown("3,48 %", 0.0348, local=True) == "3.48 %"
    assert as_shown("<1,000", 1000.0) == "<1000"
    assert as_shown("1,000?", 60.0, local=True) == "1,000??"  # neither 1 nor 1000 is told by the number beneath


@pytest.mark.parametrize("head", ["P [‰]", "P (‰)", "P ‰", "P [Promille]", "P [mg/hg]", "P [foo]", "P [ppt]", "P [mg]",
                                  "P [µmol]", "P in Prozent", "P [Gew.‰]", "P (pour mille)"])
@pytest.mark.parametrize("rest", ["", '[file.units]\nP = "mg/kg"\n', '[file.constants]\nunit = "mg/kg"\n'])
def test_a_unit_in_a_heading_that_is_not_the_mappings_is_asked_about(tmp_path: Path, head: str, rest: str) -> None:
    text = f"Sample;{head}\nK72PX;0.351\nK91CM;0.328\nK83RT;0.338\n"
    assert read(tmp_path, head, text, rest) == []


def test_a_unit_in_a_heading_is_settled_by_its_own_word(tmp_path: Path) -> None:
    text = "Sample;P [‰]\nK72PX;0.351\nK91CM;0.328\nK83RT;0.338\n"
    assert read(tmp_path, "P [‰]", text, '[file.unit_words]\n"‰" = "g/kg"\n') == ["351", "328", "338"]
    assert convert(1, "‰ (m/m)", "mg/kg") == 1000  # a thousandth, ISO 80000-1:2009, 7.3
    methods = text.replace("‰", "ICP-OES").replace("0.", "")
    assert read(tmp_path / "b", "P [ICP-OES]", methods, '[file.units]\nP = "mg/kg"\n') == ["351", "328", "338"]


@pytest.mark.parametrize("cell", ["0.351 ‰", "0.351 mg/hg", "0.351 Gew.-%", "0.351 µmol/g"])
def test_no_meaning_of_a_mark_sets_a_unit_aside(tmp_path: Path, cell: str) -> None:
    text = f"Sample;P [mg/kg]\nK72PX;{cell}\nK91CM;328\nK83RT;338\n"
    mark = cell.partition(" ")[2]
    assert read(tmp_path, "P [mg/kg]", text, f'[file.words]\n"{mark}" = "number"\n') == ["328", "338"]


def test_what_an_answer_leads_to_stands_in_the_refusal(tmp_path: Path) -> None:
    out: Any = take(tmp_path, WIDE.format(head="P [% m/m]", rest=""), {"a.bin": workbook("P [% m/m]", SHARES, "0.0000%")},
                    codes=CODES, units={"P": "mg/kg"})
    assert all("read as it is shown, '0.0" in r for r in out.rejected["remedy"])
