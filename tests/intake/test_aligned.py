"""Text whose columns are told apart by spaces: each cell under its heading, else the line is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.intake.proposal import suggest_mapping
from tests.intake_cases import CODES, LONG, WIDE, study, take, values

PLAIN = """Report 118 of 4 May

Sample      Si        P
           mg/kg    mg/kg
--------  -------  -------
B001         9.8    338.5
B002        <2
B003                341.2
007         10.1    339
End of report
"""
WITH_UNITS = WIDE.replace('[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n', "").replace(
    "layout", 'header_row = 3\nunit_row = 4\nblank = "not measured"\nlayout')


def test_cells_belong_to_the_heading_that_they_stand_under(tmp_path: Path) -> None:
    out = take(tmp_path, WITH_UNITS, {"a.csv": PLAIN})
    assert out.rejected.empty
    assert out.files["delimiter"].tolist() == ["spaces (detected)"]
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B001", "P", 1): (338.5, ""), ("B002", "Si", 1): (2.0, "<"),
                           ("B003", "P", 1): (341.2, ""), ("007", "Si", 1): (10.1, ""), ("007", "P", 1): (339.0, "")}
    assert out.results["source_row"].tolist() == [6, 6, 7, 8, 9, 9]


def test_a_decimal_comma_does_not_part_aligned_cells(tmp_path: Path) -> None:
    out = take(tmp_path, WITH_UNITS, {"a.csv": PLAIN.replace(".", ",")})
    assert values(out)[("B001", "P", 1)] == (338.5, "")


@pytest.mark.parametrize("line", [
    "B004            9.8    338.5", "B004       9.8 338.5", "B004         9.8    338.5    12", "B004  x   9.8    338.5"])
def test_a_line_that_does_not_stand_under_the_headings_is_refused_by_name(tmp_path: Path, line: str) -> None:
    out = take(tmp_path, WITH_UNITS, {"a.csv": PLAIN.replace("End", line + "\nEnd")}, codes=(*CODES, "B004"))
    under = {k: v for k, v in values(out).items() if k[0] == "B004"}
    assert under in ({}, {("B004", "Si", 1): (9.8, ""), ("B004", "P", 1): (338.5, "")})
    if not under:
        assert out.rejected["row"].tolist() == [10]
        assert out.rejected["value"].str.contains("338.5").all()


def test_words_within_a_cell_may_have_single_spaces(tmp_path: Path) -> None:
    text = ("Code   Test name     Result  Unit     Remark\n"
            "B001   Silicon Si       9.8  mg/kg    ok\n"
            "B001   Phosphorus     338.5  mg/kg\n")
    entry = LONG.replace('"Test"', '"Test name"').replace("layout", 'ignore_columns = ["Remark"]\nlayout')
    entry += '[file.analytes]\n"Silicon Si" = "Si"\nPhosphorus = "P"\n'
    assert values(take(tmp_path, entry, {"a.csv": text})) == {("B001", "Si", 1): (9.8, ""), ("B001", "P", 1): (338.5, "")}


def test_columns_by_single_spaces_are_asked_and_read_once_declared(tmp_path: Path) -> None:
    text = "Code Test Result Unit\nB001 Si 9.8 mg/kg\nB001 P 338.5 mg/kg\n"
    with pytest.raises(BadInput, match=r'parted by single spaces.*delimiter = " "'):
        take(tmp_path, LONG, {"a.csv": text})
    out = take(tmp_path, LONG.replace("layout", 'delimiter = " "\nlayout'), {"a.csv": text})
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B001", "P", 1): (338.5, "")}


def test_a_proposal_for_aligned_text_is_read_as_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "raw" / "a.csv"
    path.parent.mkdir()
    path.write_text(PLAIN, encoding="utf-8")
    entry, preview = suggest_mapping(path, study(), CODES)
    assert 'delimiter = " "' in entry
    assert "unit_row = 4" in entry
    assert len(preview) == 6
    out = take(tmp_path, 'accept_rejected = ""\n' + entry.replace("layout", 'blank = "not measured"\nlayout'), {"a.csv": PLAIN})
    assert len(out.results) == 6


def test_a_line_that_goes_on_in_the_next_is_asked_about(tmp_path: Path) -> None:
    text = ("Code   Test   Result  Unit   Remark\n"
            "B001   Si     9.8\n"
            "9.9  mg/kg  ok\n"
            "B001   P      338.5   mg/kg  ok\n"
            "B002   Si     9.7     mg/kg  ok\n"
            "B002   P      331.5   mg/kg  ok\n"
            "B003   P      335.5   mg/kg  ok\n")
    out = take(tmp_path, LONG.replace("layout", 'ignore_columns = ["Remark"]\nlayout') + '[file.constants]\nrun = "1"\n',
               {"a.csv": text}, codes=CODES)
    assert set(out.rejected["row"]) == {2, 3}
    assert "do the two belong together?" in " ".join(out.rejected["reason"])
