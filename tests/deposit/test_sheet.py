"""The spreadsheet of a deposit: its read-me names the sheets that are there, and says what its interval is."""

from __future__ import annotations

import io
from dataclasses import dataclass

import openpyxl
import pytest

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


@pytest.mark.parametrize(("demo", "told"), [("slip", "NOT the verdict's interval: that compares containers within age_months")])
def test_containers_of_several_groups_say_that_the_interval_is_not_the_verdicts(demo, told, tmp_path):
    """Slip, zircon: 55 to 188 % here where the verdict has 103 to 120 %; no word said why."""
    root = copy_demo(demo, tmp_path / demo)
    rows = "".join(f"{c},{d},s{c}{d},1,{v},%,,x.csv,1\n" for c, v in (("A", 1.0), ("B", 1.2)) for d in ("top", "bottom"))
    (root / "report/05-model").mkdir(parents=True)
    for analyte in load_study(root).analytes:
        (root / f"report/05-model/rows-{analyte}.csv").write_text(HEAD + rows, encoding="utf-8")
    book = made(root)
    assert sorted(named(book.readme)) == sorted(book.sheets)
    assert [e[0] for e in book.ends] == ["this interval is that of"] * len(load_study(root).analytes)
    assert all(told in e[1] for e in book.ends)
    assert any(told in line for line in book.readme)
