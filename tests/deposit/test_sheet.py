"""The spreadsheet of a deposit: its read-me names the sheets that are there, and says what its interval is."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from scipy import stats

from studykit.demos.shipped import copy_demo
from studykit.deposit import sheet
from studykit.study.definition import load_study
from tests.report.filed import filed_tote

HEAD = "container,depth,sample,replicate,value,unit,qualifier,source_file,source_row\n"


@dataclass(frozen=True)
class Made:
    """A workbook as text: the lines of its read-me, the names of its other sheets, the last line of each summary."""

    readme: list[str]
    sheets: list[str]
    ends: list[tuple[str, str]]


def made(root) -> Made:
    """The workbook of a study folder."""
    book = openpyxl.load_workbook(io.BytesIO(sheet.workbook(root, load_study(root))))
    first, *rest = book.worksheets
    return Made(readme=[str(r[0]) for r in first.iter_rows(values_only=True)], sheets=[s.title for s in rest],
                ends=[next(iter(s.iter_rows(min_row=s.max_row, max_col=2, values_only=True))) for s in rest
                      if not s.title.startswith("rows ")])


def named(lines: list[str]) -> list[str]:
    """The sheets that a read-me names."""
    return [part for line in lines if ": sheet" in line for part in line.split("'")[1::2]]


def test_one_container_has_rows_only():
    book = made(filed_tote())
    assert sorted(named(book.readme)) == sorted(book.sheets)
    assert all(name.startswith("rows ") for name in book.sheets)
    assert book.ends == []


TIMES = {"A": (0, 1.00), "B": (0, 1.02), "C": (6, 1.10), "D": (6, 1.13), "E": (12, 1.21), "F": (12, 1.20)}
"""Container: months of standing, lower over upper."""


def filed_slip(tmp_path: Path) -> Path:
    """A demo with listed rows of six containers of three ages."""
    root = copy_demo("slip", tmp_path / "slip")
    rows = "".join(f"{c},{d},s{c}{d},1,{v},%,,x.csv,1,{age}\n" for c, (age, ratio) in TIMES.items()
                   for d, v in (("top", 2.0), ("bottom", 2.0 * ratio)))
    (root / "report/05-model").mkdir(parents=True)
    for analyte in load_study(root).analytes:
        (root / f"report/05-model/rows-{analyte}.csv").write_text(HEAD.replace("source_row", "source_row,age_months") + rows,
                                                                 encoding="utf-8")
    return root


def test_containers_of_several_groups_are_taken_together(tmp_path):
    book = made(filed_slip(tmp_path))
    assert sorted(named(book.readme)) == sorted(book.sheets)
    assert book.ends == [("this interval is that of", sheet.SAME)] * 2
    assert any("all containers taken together" in line for line in book.readme)


def test_the_interval_of_a_sheet_computed_by_a_spreadsheet_engine_is_that_of_a_t_test(tmp_path):
    """Against scipy's t; the engine is no dependency of the kit."""
    formulas = pytest.importorskip("formulas", reason="a spreadsheet engine is not installed: pip install formulas")
    root = filed_slip(tmp_path)
    (tmp_path / "x.xlsx").write_bytes(sheet.workbook(root, load_study(root)))
    cells = formulas.ExcelModel().loads(str(tmp_path / "x.xlsx")).finish().calculate()
    got = [next(float(v.value[0, 0]) for k, v in cells.items() if k.endswith(f"1 ZIRCON'!B{row}")) for row in (15, 16, 17)]
    y = np.log([r for _, r in TIMES.values()])
    low, high = stats.ttest_1samp(y, 0.0).confidence_interval(0.9)
    assert got == pytest.approx(list(100 * np.expm1([y.mean(), low, high])), rel=1e-9)


def test_beside_a_factor_the_difference_is_told_as_a_ratio(tmp_path):
    root = filed_slip(tmp_path)
    text = (root / "study.toml").read_text(encoding="utf-8")
    (root / "study.toml").write_text(text.replace("margin = { relative_percent = 10 }", "margin = { factor = 1.1 }"), "utf-8")
    book = openpyxl.load_workbook(io.BytesIO(sheet.workbook(root, load_study(root))))
    told = [str(row[1]) for s in book.worksheets[1:] for row in s.iter_rows(values_only=True)
            if str(row[0]).startswith("as told: ")]
    assert [t.startswith("=EXP(") for t in told] == [True] * 3 + [False] * 3
    assert all(t.startswith("=100*(EXP(") for t in told[3:])
