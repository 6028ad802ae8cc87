"""Columns, headings and lines that say another preparation, a mean, a limit, or that nothing was found.

What laboratories write so is common practice, without a source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import LONG, WIDE, study, take

NAMED = LONG.replace("layout", 'ignore_columns = ["Kind"]\nlayout')


def body(head: str, words: list[str]) -> str:
    codes = ("B001", "B002", "B003", "007", "1E5")
    lines = [f"{c};Si;{9.1 + n / 10:.1f};mg/kg;{w}" for n, (c, w) in enumerate(zip(codes, words, strict=True))]
    return "\n".join([f"Code;Test;Result;Unit;{head}", *lines, ""])


@pytest.mark.few(8)
@pytest.mark.parametrize(("head", "words", "asked"), [
    ("Kind", ["", "", "mean", "mean", "RSD %"], [4, 5, 6]),
    ("Kind", ["result", "max", "result", "Soll", "result"], [3, 5]),
    ("Kind", ["total", "filtered 0.45 µm", "x", "centrifuged", "x"], [2, 3, 5]),
    ("Kind", ["mean"] * 5, []),
    ("Kind", ["dissolved"] * 5, [2, 3, 4, 5, 6]),
    ("Phase", ["oil", "water", "oil", "water", "oil"], [2, 3, 4, 5, 6]),
    ("Phase", ["oil", "oil", "oil", "oil", "water"], [6]),
    ("Phase", ["oil"] * 5, []),
    ("Depth", ["upper", "lower", "upper", "lower", "upper"], []),
    ("Temp.", ["40", "100", "40", "100", "40"], [2, 3, 4, 5, 6]),
    ("Temp.", ["22.5", "22.9", "23.1", "22.4", "22.8"], []),
    ("Dim.", ["mg/kg", "g/kg", "mg/kg", "g/kg", "mg/kg"], [3, 5]),
    ("Detected", ["yes", "no", "yes", "no", "yes"], [3, 5]),
    ("ND", ["", "x", "", "x", ""], [3, 5]),
    ("> LOQ", ["x", "", "x", "", "x"], [3, 5]),
    ("Sample dilution", ["1", "10", "1", "10", "1"], [3, 5]),
    ("Limit", ["<30", "< 30", "<30", "<30", "<30"], []),
    ("U (k=2)", ["0.4", "0.4", "0.4", "0.4", "0.9"], []),
    ("No. of determinations", ["3", "3", "3", "3", "2"], []),
    ("Weight [g]", ["0.51", "0.51", "0.51", "0.51", "0.50"], []),
    ("Volume [mL]", ["50", "50", "50", "50", "25"], [6]),
])
def test_a_column_that_tells_lines_apart_asks_for_those_that_are_not_meant(
        tmp_path: Path, head: str, words: list[str], asked: list[int]) -> None:
    out = take(tmp_path, NAMED.replace("Kind", head), {"a.csv": body(head, words)})
    assert out.rejected["row"].tolist() == asked
    assert len(out.results) == 5 - len(asked)


@pytest.mark.few(4)
@pytest.mark.parametrize(("head", "two", "read"), [
    ("Type", ("sample", "MS"), 0), ("Handling", ("shaken", "unshaken"), 0), ("Line", ("251.6", "288.1"), 0),
    ("Version", ("1", "2"), 0), ("Type", ("sample", "dup"), 10),
    ("Rep", ("1", "2"), 10), ("Aliquot", ("A", "B"), 10), ("Vial", ("17", "93"), 10),
    ("Run", ("R1", "R2"), 10)])
def test_a_column_that_tells_two_determinations_of_each_sample_apart(
        tmp_path: Path, head: str, two: tuple[str, str], read: int) -> None:
    codes = ("B001", "B002", "B003", "007", "1E5")
    lines = [f"{c};Si;{9.1 + n / 10 + k / 5:.1f};mg/kg;{w}" for n, c in enumerate(codes) for k, w in enumerate(two)]
    intake = NAMED.replace("Kind", head).replace("layout", 'replicates = "in order"\nlayout')
    assert len(take(tmp_path, intake, {"a.csv": "\n".join([f"Code;Test;Result;Unit;{head}", *lines, ""])}).results) == read


@pytest.mark.few(4)
@pytest.mark.parametrize("heading", ["Si filtered", "Si (dissolved)", "Si < 5 um", "Si_filt", "Silicon digested", "Si i. TM",
                                     "Si dry basis", "Si soluble", "Si filtriert"])
def test_a_heading_of_another_preparation_needs_a_reason(tmp_path: Path, heading: str) -> None:
    intake = WIDE + f'[file.analytes]\n"{heading}" = "Si"\n'
    files = {"a.csv": f"Sample,{heading},P\nB001,9.8,338\nB002,9.1,341\n"}
    with pytest.raises(BadInput, match="beside the analyte"):
        take(tmp_path, intake, files)
    said = intake.replace('= "Si"\n', '= { analyte = "Si", reason = "the stock is filtered" }\n')
    assert len(take(tmp_path, said, files).results) == 4


@pytest.mark.parametrize("second", ["Mean", "Si total", "Si Mittelwert"])
def test_a_mean_or_a_total_beside_the_plain_column_is_no_second_determination(tmp_path: Path, second: str) -> None:
    intake = WIDE + f'[file.analytes]\n"{second}" = {{ analyte = "Si", replicate = 2 }}\n'
    with pytest.raises(BadInput, match="are both results of it"):
        take(tmp_path, intake, {"a.csv": f"Sample,Si,{second},P\nB001,9.8,9.7,338\nB002,9.1,9.2,341\n"})
    alone = WIDE + f'[file.analytes]\n"{second}" = "Si"\n'
    assert len(take(tmp_path / "alone", alone, {"b.csv": f"Sample,{second},P\nB001,9.8,338\nB002,9.1,341\n"}).results) == 4


@pytest.mark.parametrize("line", ["Samples were filtered through 0.45 µm.", "Dissolved fraction", "zentrifugiert", "dry basis"])
def test_a_line_that_says_another_preparation_is_a_question(tmp_path: Path, line: str) -> None:
    with pytest.raises(BadInput, match="does it concern results"):
        take(tmp_path, WIDE, {"a.csv": f"{line}\nSample,Si,P\nB001,9.8,338\nB002,9.1,341\n"})


@pytest.mark.parametrize("line", ["Page 2 of 3", "Seite 2", "- continued -", "Fortsetzung"])
def test_the_end_of_a_printed_page_within_a_table_says_nothing(tmp_path: Path, line: str) -> None:
    out = take(tmp_path, WIDE, {"a.csv": f"Sample,Si,P\nB001,9.8,338\n{line},,\nB002,9.1,341\n"})
    assert (len(out.results), len(out.rejected)) == (4, 0)


def test_group_means_under_a_bottles_code_are_no_second_determinations(tmp_path: Path) -> None:
    text = "Sample,Si,P\nB001,9.8,338.2\nB002,9.1,341.6\nB002,9.45,339.9\nB003,9.4,345.1\n007,9.9,342.3\n007,9.65,343.7\n"
    out = take(tmp_path, WIDE.replace("layout", 'replicates = "in order"\nlayout'), {"a.csv": text})
    assert set(out.rejected["row"]) == {4, 7}
    assert "is the mean of the 2 lines above" in out.rejected["reason"].iloc[0]
    free = text.replace("9.45,339.9", "9.3,340.2").replace("9.65,343.7", "9.7,341.8")
    assert take(tmp_path / "free", WIDE.replace("layout", 'replicates = "in order"\nlayout'), {"a.csv": free}).rejected.empty


def test_mean_and_scatter_behind_two_determinations_are_none(tmp_path: Path) -> None:
    lines = [f"{c},{a},{p}" for c, pairs in {
        "B001": ((9.8, 338), (9.6, 342), (9.7, 340), (0.14, 2.8)), "B002": ((9.1, 341), (9.5, 333), (9.3, 337), (0.28, 5.7)),
        "B003": ((9.4, 345), (9.8, 347), (9.6, 346), (0.28, 1.4))}.items() for a, p in pairs]
    out = take(tmp_path, WIDE.replace("layout", 'replicates = "in order"\nlayout'), {
        "a.csv": "\n".join(["Sample,Si,P", *lines, ""])}, definition=study(Si={"nominal": 9.5}, P={"nominal": 340}))
    assert sorted(out.results["replicate"].unique()) == [1, 2]
    assert set(out.rejected["row"]) == {4, 5, 8, 9, 12, 13}


@pytest.mark.parametrize("units", ["(mg/kg),(mg/kg)", "in mg/kg,in g/kg", "[mg/kg],[mg/kg]"])
def test_a_row_of_units_may_stand_in_brackets(tmp_path: Path, units: str) -> None:
    intake = WIDE.split("[file.units]")[0].replace("layout", "header_row = 1\nunit_row = 2\nlayout")
    out = take(tmp_path, intake, {"a.csv": f"Sample,Si,P\n,{units}\nB001,9.8,338\n"})
    assert out.results["value"].tolist() == [9.8, 338000 if "g/kg,in g/kg" in units else 338]
