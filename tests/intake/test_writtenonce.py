"""Codes, names, units, days and batches that are written once and left blank below."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import LONG, WIDE, take, values

ONCE = LONG.replace("layout", 'blank_repeats = ["Code"]\nlayout')
BODY = "Code;Test;Result;Unit\nB001;Si;9.8;mg/kg\n;P;338;mg/kg\nB002;Si;9.1;mg/kg\n;P;341;mg/kg\n"


def test_a_blank_code_repeats_the_one_above_only_where_the_mapping_says_so(tmp_path: Path) -> None:
    asked = take(tmp_path / "asked", LONG, {"a.csv": BODY})
    assert asked.rejected["row"].tolist() == [3, 5]
    assert "write blank_repeats = ['Code']" in asked.rejected["remedy"].iloc[0]
    told = take(tmp_path / "told", ONCE, {"a.csv": BODY})
    assert told.rejected.empty
    assert values(told)["B002", "P", 1] == (341.0, "")


@pytest.mark.parametrize("mark", ['"""" ', "\u3003", "dto.", "''", "s. o."])
def test_a_ditto_mark_counts_as_blank_there(tmp_path: Path, mark: str) -> None:
    told = take(tmp_path, ONCE, {"a.csv": BODY.replace("\n;P", f"\n{mark.strip()};P")})
    assert values(told)["B001", "P", 1] == (338.0, "")


@pytest.mark.parametrize("between", [";;;\n", "Group two;;;\n", "Code;Test;Result;Unit\n"])
def test_nothing_is_filled_across_a_blank_line_a_line_of_text_or_headings(tmp_path: Path, between: str) -> None:
    text = BODY.replace("\n;P;341", f"\n{between};P;341")
    intake = ONCE.replace("layout", 'ignore_lines = ["Group two"]\nlayout')
    out = take(tmp_path, intake, {"a.csv": text})
    assert ("B002", "P", 1) not in values(out)


def test_a_group_with_a_line_more_than_the_others_is_a_question(tmp_path: Path) -> None:
    """The second P is of a bottle without a code."""
    text = BODY + "B003;Si;9.4;mg/kg\n;P;345;mg/kg\n;KV40;46.1;mm2/s\n"
    out = take(tmp_path, ONCE, {"a.csv": text})
    assert set(out.rejected["row"]) == {7, 8}
    assert "longer than the others" in out.rejected["reason"].iloc[0]


def test_a_mean_without_a_code_below_the_last_bottle_is_no_determination(tmp_path: Path) -> None:
    intake = WIDE.replace("layout", 'blank_repeats = ["Sample"]\nreplicates = "in order"\nlayout')
    out = take(tmp_path, intake, {"a.csv": "Sample,Si,P\nB001,9.8,338\nB002,9.1,341\nB003,9.4,345\n,9.43,341.3\n"})
    assert set(out.rejected["row"]) == {4, 5}
    assert set(out.results["source_row"]) == {2, 3}


@pytest.mark.parametrize("column", ["run", "reported_on"])
def test_a_batch_or_a_day_above_blank_cells_is_a_question(tmp_path: Path, column: str) -> None:
    first = {"run": "R1", "reported_on": "2026-05-04"}[column]
    text = f"Code;Test;Result;Unit;Given\nB001;Si;9.8;mg/kg;{first}\nB002;Si;9.1;mg/kg;\nB003;Si;9.4;mg/kg;\n"
    intake = LONG + f'{column} = "Given"\n'
    out = take(tmp_path / "asked", intake, {"a.csv": text})
    assert out.rejected["row"].tolist() == [3, 4]
    assert "blank_repeats = ['Given']" in out.rejected["reason"].iloc[0]
    told = take(tmp_path / "told", intake.replace("layout", 'blank_repeats = ["Given"]\nlayout'), {"a.csv": text})
    assert told.results[column].astype(str).tolist() == [first] * 3
    known = take(tmp_path / "none", intake + '[file.marked]\nremark = "the laboratory: not known"\n', {"a.csv": text})
    assert len(known.results) == 3


def test_a_batch_is_not_called_ditto(tmp_path: Path) -> None:
    out = take(tmp_path, LONG + 'run = "Batch"\n', {
        "a.csv": "Code;Test;Result;Unit;Batch\nB001;Si;9.8;mg/kg;R1\nB002;Si;9.1;mg/kg;dto.\n"})
    assert out.rejected["reason"].tolist() == ["is a ditto mark"]


LAST = "Code;Test;Result;Unit\n;Si;9.8;mg/kg\nB001;P;338;mg/kg\n;Si;9.1;mg/kg\nB002;P;341;mg/kg\n"


def test_a_code_in_the_last_line_of_its_group_is_asked_about_and_read_where_that_is_declared(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as asked:
        take(tmp_path / "asked", ONCE, {"a.csv": LAST})
    assert "write blank_repeats_from = 'below'" in str(asked.value)
    below = ONCE.replace("layout", 'blank_repeats_from = "below"\nlayout')
    told = values(take(tmp_path / "told", below, {"a.csv": LAST}))
    assert (told["B001", "Si", 1], told["B002", "Si", 1]) == ((9.8, ""), (9.1, ""))
    with pytest.raises(BadInput, match="does not stand in the last line"):
        take(tmp_path / "false", below, {"a.csv": BODY})


def test_a_last_group_shorter_than_all_others_is_asked_about(tmp_path: Path) -> None:
    """The first bottle lacks its Si, so that the file begins with a code; 9.1 is of B002."""
    text = "Code;Test;Result;Unit\nB001;P;338;mg/kg\n;Si;9.1;mg/kg\nB002;P;341;mg/kg\n"
    with pytest.raises(BadInput, match="in the first line of each group, or in its last"):
        take(tmp_path, ONCE, {"a.csv": text})
