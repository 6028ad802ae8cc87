"""A spreadsheet with live formulas for the container summary: each container's own difference, then mean and t interval.

It holds the rows as the kit lists them and computes everything else in the sheet, so that a reader sees each step. The
lowest depth is held against the uppermost. It is the cross-check without the mixed model: where a reading is lost or another
pair decides, ``rederive.R`` is the one to follow.
"""

from __future__ import annotations

import io
import re
import zipfile
from datetime import datetime
from pathlib import Path
from typing import Any

from studykit.core.files import read_csv, safe_name
from studykit.deposit.bag import WHEN
from studykit.study.definition import Study

ROWS = ("container", "depth", "sample", "replicate", "value", "unit", "source_file", "source_row")
NOTE = ("Live formulas: change a value in a sheet 'rows' and everything follows. Each container's cell is the mean of its "
        "determinations at a depth (of their natural logarithms for a margin in per cent or a factor). A viewer that computes "
        "nothing shows empty cells: open it in a spreadsheet program.")
SAME = ("all containers taken together; the verdict's own interval where this pair of depths decides it and no reading is "
        "lost, else see rederive.R")


def workbook(root: Path, study: Study) -> bytes:
    """The workbook of a filed study as bytes, the same every time; one sheet of rows and one of formulas an analyte."""
    from openpyxl import Workbook

    book = Workbook()
    book.active.title = "read me"
    for line in (NOTE, f"Study: {study.title}", f"alpha = {study.alpha:g}; intervals of level {100 - 200 * study.alpha:g} %",
                 f"The interval of a sheet is that of {SAME}"):
        book.active.append([_plain(line)])
    for number, analyte in enumerate(study.analytes, start=1):
        table = read_csv(root / f"report/05-model/rows-{safe_name(analyte)}.csv", dtype=str, keep_default_na=False)
        clear = table[table["qualifier"] == ""]
        made = _fill(book, _sheet(number, analyte), clear.to_dict("records"), study, analyte)
        book.worksheets[0].append([_plain(f"{study.label_of(analyte)}: {made}")])
    return settled(book)


def _sheet(number: int, analyte: str) -> str:
    """A sheet's name: at most 31 signs, none that a spreadsheet forbids."""
    return f"{number} {re.sub(r'[^A-Za-z0-9 _-]', '_', analyte)[:20]}"


def _plain(text: str) -> str:
    """A text that a spreadsheet does not take for a formula."""
    return "'" + text if text[:1] in "=+-@" else text


def _fill(book: Any, name: str, rows: list[dict[Any, Any]], study: Study, analyte: str) -> str:
    """The sheets of one analyte; returns which, in words: one container or one depth has rows only."""
    listed, log = book.create_sheet(f"rows {name}"), study.analytes[analyte].margin.relative
    listed.append([*ROWS, "on the margin's scale"])
    for k, row in enumerate(rows, start=2):
        cells = [_plain(str(row[c])) if c not in ("value", "replicate", "source_row") else float(row[c]) for c in ROWS]
        listed.append([*cells, f"=LN(E{k})" if log else f"=E{k}"])
    depths = [d for d in study.factors.depths if d in {r["depth"] for r in rows}]
    containers = list(dict.fromkeys(str(r["container"]) for r in rows))
    if len(depths) < 2 or len(containers) < 2:
        return f"sheet 'rows {name}'; no scatter between containers, so no summary"
    sheet = book.create_sheet(name)
    _summary(sheet, f"rows {name}", containers, (depths[0], depths[-1]), len(rows) + 1)
    _interval(sheet, len(containers), study, analyte)
    return f"sheets '{name}' and 'rows {name}'"


def _summary(sheet: Any, rows: str, containers: list[str], ends: tuple[str, str], last: int) -> None:
    """Container by container: the cells of the uppermost and the lowest depth, and their difference."""
    def cell(k: int, depth: str) -> str:
        a, b, y = (f"'{rows}'!${c}$2:${c}${last}" for c in "ABI")
        mine = f"EXACT({a},$A{k})*EXACT({b},{depth})"
        return f'=IF(SUMPRODUCT({mine})=0,"",SUMPRODUCT({mine}*{y})/SUMPRODUCT({mine}))'

    sheet.append(["container", *map(_plain, ends), "difference"])
    for k, container in enumerate(containers, start=2):
        sheet.append([_plain(container), cell(k, "$B$1"), cell(k, "$C$1"), f'=IF(COUNT(B{k}:C{k})=2,C{k}-B{k},"")'])


def _interval(sheet: Any, n: int, study: Study, analyte: str) -> None:
    """Below the containers: mean, scatter, t, limits; beside a margin that is a factor told as ratios."""
    span, at, margin = f"D2:D{n + 1}", n + 3, study.analytes[analyte].margin

    def told(x: str) -> str:
        if margin.factor is not None:
            return f"=EXP({x})"
        return f"=100*(EXP({x})-1)" if margin.relative else f"={x}"

    lines = (("containers", f"=COUNT({span})"), ("mean", f"=AVERAGE({span})"),
             ("standard deviation", f"=STDEV({span})"), ("degrees of freedom", f"=B{at}-1"),
             ("t", f"=TINV({2 * study.alpha!r},B{at + 3})"), ("half width", f"=B{at + 4}*B{at + 2}/SQRT(B{at})"),
             ("as told: difference", told(f"B{at + 1}")), ("as told: low", told(f"(B{at + 1}-B{at + 5})")),
             ("as told: high", told(f"(B{at + 1}+B{at + 5})")),
             ("this interval is that of", SAME))
    for offset, line in enumerate(lines):
        for column, content in enumerate(line, start=1):
            sheet.cell(row=at + offset, column=column, value=content)


def settled(book: Any) -> bytes:
    """The workbook's bytes without the time of the run."""
    book.properties.creator, book.properties.created = "studykit", datetime(*WHEN[:3])
    first, out = io.BytesIO(), io.BytesIO()
    book.save(first)
    with zipfile.ZipFile(first) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in sorted(source.infolist(), key=lambda e: e.filename):
            data = source.read(entry)
            if entry.filename == "docProps/core.xml":
                data = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>1980-01-01T00:00:00Z", data)
            target.writestr(zipfile.ZipInfo(entry.filename, date_time=WHEN), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()

