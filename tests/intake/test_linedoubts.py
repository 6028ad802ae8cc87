"""Lines that are no sample, or whose cells have moved: asked about, with a sound table beside each that is read.

The tables are invented; the slips are those of the generator's kinds (tests.intake.labfiles).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.intake.take import IntakeOutcome
from tests.intake_cases import study, take

INTAKE = """
[[file]]
pattern = "*.csv"
layout = "wide"
decimal = "."
blank = "not measured"
[file.columns]
sample = "Sample"
run = "Batch"
[file.units]
Si = "mg/kg"
P = "mg/kg"
[file.words]
"n.d." = "not measured"
"""
BODY = "Sample,Si,P,Batch\nB001,9.8,341.2,R1\nB002,10.4,352.9,R1\nB003,9.1,338.8,R1\n"


def read(root: Path, text: str, codes: tuple[str, ...] = ("B001", "B002", "B003", "B004", "T1")) -> IntakeOutcome:
    return take(root, INTAKE, {"a.csv": text}, codes=codes)


@pytest.mark.parametrize(("line", "why"), [
    ("T1,29.3,1032.9,R1", "is the sum of the lines above"),
    ("T1,9.77,344.3,R1", "is the mean of the lines above"),
    ("B004,9.7,347.0,", "stands in the last line, which has no run"),
    ("B004,348.1,R1", "has 3 cells where the headings have 4"),
])
def test_a_last_line_that_may_be_no_sample_is_asked_about(tmp_path: Path, line: str, why: str) -> None:
    out = read(tmp_path, BODY + line + "\n")
    assert len(out.results) == 6
    assert why in " ".join(out.rejected["reason"])
    assert all(out.rejected["remedy"])


def test_a_sum_is_seen_beside_a_cell_that_was_lost(tmp_path: Path) -> None:
    out = read(tmp_path, BODY.replace("352.9", "352.9?") + "T1,29.3,680.0,R1\n")
    assert set(out.rejected.loc[out.rejected["row"] == 5, "value"]) == {"29.3", "680.0"}


def test_a_line_whose_cells_have_moved_is_asked_about_as_a_whole(tmp_path: Path) -> None:
    text = "Sample,Zn,Si,P,Batch\nB001,402,98.1,341.2,R1\nB002,410,104.0,352.9,R1\nB003,,421,99.3,R1\nB004,399,91.2,338.8,R1\n"
    intake = INTAKE.replace("Si =", 'Zn = "mg/kg"\nSi =')
    out = take(tmp_path, intake, {"a.csv": text}, codes=("B001", "B002", "B003", "B004"),
               definition=study({"Zn": "mg/kg", "Si": "mg/kg", "P": "mg/kg"}))
    assert set(out.rejected["row"]) == {4}
    assert "421 fits the column beside its own" in out.rejected["reason"].iloc[0]
    assert len(out.results) == 9


def test_sound_tables_are_read(tmp_path: Path) -> None:
    assert len(read(tmp_path, BODY + "B004,9.7,347.0,R1\n").results) == 8
    assert len(read(tmp_path, BODY + "B004,,347.0,R1\n").results) == 7


def test_a_value_written_like_the_column_beside_is_asked_about_where_that_one_is_empty(tmp_path: Path) -> None:
    head, body = "Sample,Zn,P\n", "B001,404,363.5\nB002,450,356.9\nB003,382,375.5\nT1,437,332.6\n"
    intake = INTAKE.replace("Si =", "Zn =").replace('run = "Batch"\n', "")
    definition = study({"Zn": "mg/kg", "P": "mg/kg"})

    def asked(name: str, line: str) -> list[str]:
        out = take(tmp_path / name, intake, {"a.csv": head + body + line}, codes=("B001", "B002", "B003", "B004", "T1"),
                   definition=definition)
        return list(out.rejected["value"])

    assert asked("moved", "B004,354.7,\n") == ["354.7"]
    assert asked("sound", "B004,399,\n") == []
    assert asked("fine", "B004,410.5,\n") == []  # finer, and within its own column


def test_a_file_of_which_most_lines_do_not_fit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="3 of 4 lines have more or fewer cells than the headings"):
        read(tmp_path, BODY.replace(".", ",") + "B004,9.7,347.0,R1\n")


def test_a_mean_is_seen_in_a_column_of_another_unit_than_the_studys(tmp_path: Path) -> None:
    intake = INTAKE.replace('P = "mg/kg"', 'P = "g/kg"')
    text = "Sample,Si,P,Batch\nB001,9.8,0.3412,R1\nB002,10.4,0.3529,R1\nB003,9.1,0.3388,R1\n"
    out = take(tmp_path, intake, {"a.csv": text + "T1,9.8,0.344,R1\n"}, codes=("B001", "B002", "B003", "T1"))
    assert set(out.rejected["row"]) == {5}
    assert "is the mean of the lines above" in out.rejected["reason"].iloc[0]
    assert len(take(tmp_path / "sound", intake, {"a.csv": text}, codes=("B001", "B002", "B003")).results) == 6


def test_a_last_line_that_alone_is_left_is_asked_about(tmp_path: Path) -> None:
    out = read(tmp_path, BODY.replace(",R1", "?,R1").replace(",3", "?,3") + "T1,9.7,347.0,R1\n")
    assert not len(out.results)
    assert "in the one line that is left of its table" in " ".join(out.rejected["reason"])


def test_the_one_line_that_is_left_is_asked_about_wherever_it_stands(tmp_path: Path) -> None:
    out = read(tmp_path, BODY.replace("9.8,341.2", "9.8?,341.2?").replace("9.1,338.8", "9.1?,338.8?"))
    assert not len(out.results)


def test_a_moved_cell_is_seen_beside_a_column_of_which_one_value_is_left(tmp_path: Path) -> None:
    text = "Sample,Si,P,Zn,Batch\nB001,9.8,-9999,45.9,R1\nB002,325.5,44.8,,R1\nB003,9.1,-9999,47.3,R1\nB004,9.4,348.1,48.4,R1\n"
    out = take(tmp_path, INTAKE.replace("Si =", 'Zn = "mg/kg"\nSi ='), {"a.csv": text}, codes=("B001", "B002", "B003", "B004"),
               definition=study({"Zn": "mg/kg", "Si": "mg/kg", "P": "mg/kg"}))
    assert set(out.rejected["row"]) == {2, 3, 4, 5}  # the last for P alone, of which nothing else is left
    assert set(out.rejected.loc[out.rejected["row"] == 5, "value"]) == {"348.1"}
    assert set(out.rejected.loc[out.rejected["row"] == 3, "value"]) == {"325.5", "44.8"}


def test_a_mean_of_the_digits_that_are_shown_or_of_longer_ones_is_seen(tmp_path: Path) -> None:
    """Of a spreadsheet that stores 419.6 and shows 420, and of an instrument that rounds what it has averaged."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    for row in (("Sample", "Si", "P"), ("B001", 419.6, 44.451), ("B002", 389.8, 44.491), ("B003", 403.8, 48.044),
                ("B004", 441.1, 49.357), ("B005", 438.0, 45.707), ("B006", 445.7, 45.511), ("S", 423.2, 46.3)):
        sheet.append(row)
    for r in range(2, 8):
        sheet.cell(r, 2).number_format, sheet.cell(r, 3).number_format = "0", "0.00"
    book.save(tmp_path / "book.xlsx")
    intake = INTAKE.replace("*.csv", "*.xlsx").replace('run = "Batch"\n', "")
    codes = ("B001", "B002", "B003", "B004", "B005", "B006", "S")
    out = take(tmp_path / "a", intake, {"a.xlsx": (tmp_path / "book.xlsx").read_bytes()}, codes=codes)
    assert set(out.rejected["row"]) == {8}
    assert "is the mean of the lines above" in out.rejected["reason"].iloc[0]
    text = "Sample,Si,P,Batch\nB001,10,341,R1\nB002,12,353,R1\nB003,9,339,R1\nT1,10.6,344.1,R1\n"
    out = read(tmp_path / "b", text)  # of 10.4, 12.4, 9.0 and 340.6, 352.8, 338.9
    assert set(out.rejected["row"]) == {5}


def test_a_mean_is_seen_above_a_line_that_is_no_sample_either(tmp_path: Path) -> None:
    out = read(tmp_path, BODY + "T1,9.77,344.3,R1\nSD,0.65,7.5,R1\n")
    assert set(out.rejected["row"]) == {5, 6}
    assert len(out.results) == 6


PLAIN = INTAKE.replace('run = "Batch"\n', 'run_order = "Pos"\n').replace(
    "[file.columns]", 'ignore_columns = ["Remark", "Vial"]\n[file.columns]')


@pytest.mark.parametrize("line", ["B003,341.0,,3", "B003,,10.1,3", "B003,338.8,3,", "B003,338.8,3"])
def test_a_line_that_moved_by_a_cell_is_asked_about_whatever_is_declared_of_blanks(tmp_path: Path, line: str) -> None:
    """P under Si, Si under P, P and its place in the run under Si and P; the columns are far apart."""
    text = "Sample,Si,P,Pos\nB001,9.8,341.2,1\nB002,10.4,352.9,2\n" + line + "\nB004,9.9,340.4,4\nB005,10.0,346.0,5\n"
    out = take(tmp_path, PLAIN, {"a.csv": text}, codes=("B001", "B002", "B003", "B004", "B005"))
    assert set(out.rejected["row"]) == {4}
    assert len(out.results) == 8


def test_columns_a_fifth_apart_tell_a_moved_value(tmp_path: Path) -> None:
    body = "Sample,Si,P,Remark\nB001,316.7,399,\nB002,326.7,387,\nB003,354.3,415,\n{}\nB005,348.6,427,\nB006,345.1,431,\n"
    intake, codes = PLAIN.replace('run_order = "Pos"\n', ""), ("B001", "B002", "B003", "B004", "B005", "B006")
    out = take(tmp_path / "left", intake, {"a.csv": body.format("B004,422,,")}, codes=codes)
    assert set(out.rejected["row"]) == {5}
    assert "422 fits the column beside its own" in out.rejected["reason"].iloc[0]
    out = take(tmp_path / "right", intake, {"a.csv": body.format("B004,,338.5,412")}, codes=codes)
    assert set(out.rejected["row"]) == {5}
    out = take(tmp_path / "sound", intake, {"a.csv": body.format("B004,332,,")}, codes=codes)
    assert len(out.results) == 11


def test_a_place_in_the_run_that_stands_for_the_only_result_is_seen(tmp_path: Path) -> None:
    """Under one analyte, and under each of several in a long file, where nothing else of the line tells."""
    codes = ("B001", "B002", "B003", "B004", "B005")
    wide = "Sample,Si,Vial\nB001,9.8,11\nB002,10.4,12\nB003,13,\nB004,9.9,14\nB005,10.0,15\n"
    out = take(tmp_path / "wide", PLAIN.replace('run_order = "Pos"\n', ""), {"a.csv": wide}, codes=codes)
    assert set(out.rejected["row"]) == {4}
    intake = LONG_IN_ORDER.replace('replicates = "in order"\n', 'blank = "not measured"\n')
    rows = [f"{c},{a},{v},{n}" for n, (c, a, v) in enumerate(
        [(c, a, v) for c in codes[:4] for a, v in (("Si", "9.8"), ("P", "341.2"))], 1)]
    rows[2] = "B002,Si,3,"
    out = take(tmp_path / "long", intake, {"a.csv": "Sample,Test,Result,Pos\n" + "\n".join(rows) + "\n"}, codes=codes)
    assert set(out.rejected["row"]) == {4}
    rows[2] = "B002,Si,,9.7"
    out = take(tmp_path / "right", intake, {"a.csv": "Sample,Test,Result,Pos\n" + "\n".join(rows) + "\n"}, codes=codes)
    assert set(out.rejected["row"]) == {4}
    rows[2] = "B002,Si,,3"
    out = take(tmp_path / "blank", intake, {"a.csv": "Sample,Test,Result,Pos\n" + "\n".join(rows) + "\n"}, codes=codes)
    assert len(out.rejected) == 0
    rows[2] = "B002,Si,9.7,"
    out = take(tmp_path / "gap", intake, {"a.csv": "Sample,Test,Result,Pos\n" + "\n".join(rows) + "\n"}, codes=codes)
    assert len(out.results) == 8


LONG_IN_ORDER = """
[[file]]
pattern = "*.csv"
layout = "long"
decimal = "."
replicates = "in order"
[file.columns]
sample = "Sample"
analyte = "Test"
value = "Result"
run_order = "Pos"
[file.units]
Si = "mg/kg"
P = "mg/kg"
"""


def test_a_report_pasted_twice_is_no_second_determination(tmp_path: Path) -> None:
    """Below headings that stand again, in two blocks, and where the place in the run is the same too."""
    head = "Sample,Test,Result,Pos\n"
    once = "".join(f"B00{n},Si,{9.7 + n / 10:.1f},{n}\n" for n in (1, 2, 3))
    free = LONG_IN_ORDER.replace('run_order = "Pos"\n', "")
    head_free, once_free = head.replace(",Pos", ""), "".join(ln.rpartition(",")[0] + "\n" for ln in once.splitlines())
    for name, intake, text, rows in (
            ("again", free, head_free + once_free + head_free + once_free, {5, 6, 7, 8}),
            ("blocks", free.replace("[file.columns]", "blocks = true\n[file.columns]", 1),
             head_free + once_free + "\n" + head_free + once_free, {7, 8, 9}),
            ("places", LONG_IN_ORDER, head + once + once, {5, 6, 7})):
        out = take(tmp_path / name, intake, {"a.csv": text})
        assert set(out.rejected["row"]) == rows, name
        assert len(out.results) == 3, name
    out = take(tmp_path / "alike", free, {"a.csv": head_free + once_free + once_free})
    assert len(out.results) == 6  # declared in order, and nothing says that they are one
    out = take(tmp_path / "second", LONG_IN_ORDER, {"a.csv": head + once + once.replace(",1\n", ",4\n").replace(
        ",2\n", ",5\n").replace(",3\n", ",6\n")})
    assert len(out.results) == 6


ACROSS = """
[[file]]
pattern = "*.csv"
layout = "wide-samples"
decimal = "."
blank = "not measured"
ignore_columns = ["Method"]
[file.columns]
analyte = "Test"
[file.units]
Si = "mg/kg"
P = "mg/kg"
"""
FIVE = ("B001", "B002", "B003", "B004", "B005")


@pytest.mark.parametrize("line", ["P,352.9,338.8,340.4,346.7,ICP,", "P,,341.2,352.9,338.8,340.4,346.7"])
def test_a_line_of_samples_across_that_moved_is_asked_about(tmp_path: Path, line: str) -> None:
    """Told by the column behind the samples alone: the values are those of one analyte."""
    head = f"Test,{','.join(FIVE)},Method\nSi,9.8,10.4,9.1,9.9,10.1,ICP\n"
    out = take(tmp_path / "moved", ACROSS, {"a.csv": head + line + "\n"}, codes=FIVE)
    assert set(out.rejected["row"]) == {3}
    assert len(out.results) == 5
    sound = take(tmp_path / "sound", ACROSS, {"a.csv": head + "P,,341.2,352.9,338.8,340.4,ICP\n"}, codes=FIVE)
    assert len(sound.results) == 9


PAIR = INTAKE.replace('run = "Batch"\n', "")
TRUE = {"B001": (9.8, 341.2), "B002": (10.4, 352.9), "B003": (9.1, 338.8), "B004": (9.9, 340.4), "B005": (10.1, 346.7)}


@pytest.mark.parametrize(("body", "lines"), [
    ("B001,9.8,341.2\nB002,10.4,352.9\nB003,9.1,\nB004,9.9,338.8\nB005,10.1,340.4\n,,346.7\n", {4, 5, 6, 7}),
    ("B001,9.8,341.2\n,10.4,352.9\nB002,9.1,338.8\nB003,9.9,340.4\nB004,10.1,346.7\nB005,,\n", {2, 3, 4, 5, 6, 7}),
    ("B001,9.8,341.2\nB003,10.4,352.9\nB004,9.1,338.8\nB005,9.9,340.4\n,10.1,346.7\n", {2, 3, 4, 5, 6})])
def test_a_column_that_moved_by_a_line_is_asked_about(tmp_path: Path, body: str, lines: set[int]) -> None:
    """P down by a line, the codes down, the codes up: whatever is read is what was meant."""
    out = take(tmp_path, PAIR, {"a.csv": "Sample,Si,P\n" + body}, codes=FIVE)
    assert set(out.rejected["row"]) == lines
    for row in out.results.itertuples():
        assert row.value == TRUE[str(row.sample)][row.analyte == "P"]


def test_results_of_a_long_file_that_moved_by_a_line_are_asked_about(tmp_path: Path) -> None:
    intake = LONG_IN_ORDER.replace('replicates = "in order"\n', 'blank = "not measured"\n').replace('run_order = "Pos"\n', "")
    text = "Sample,Test,Result\nB001,Si,9.8\nB002,Si,\nB003,Si,10.4\nB004,Si,9.1\nB005,Si,9.9\n,,10.1\n"
    out = take(tmp_path, intake, {"a.csv": text}, codes=FIVE)
    assert not len(out.results)  # nor the one that is left of them


def test_a_mean_without_a_code_or_one_code_that_is_lost_leave_the_other_lines_alone(tmp_path: Path) -> None:
    body = "Sample,Si,P\nB001,9.8,341.2\nB002,10.4,352.9\nB003,9.1,338.8\nB004,9.9,340.4\n"
    assert len(take(tmp_path / "mean", PAIR, {"a.csv": body + ",9.8,343.3\n"}, codes=FIVE).results) == 8
    assert len(take(tmp_path / "lost", PAIR, {"a.csv": body.replace("B002", "")}, codes=FIVE).results) == 6


def test_a_target_beside_each_result_is_no_second_determination(tmp_path: Path) -> None:
    intake = LONG_IN_ORDER.replace('run_order = "Pos"\n', "").replace('"in order"\n', '"in order"\nignore_columns = ["Type"]\n')
    text = "Sample,Test,Type,Result\n" + "".join(f"{c},Si,found,{v[0]}\n{c},Si,max,12.0\n" for c, v in TRUE.items())
    out = take(tmp_path, intake, {"a.csv": text}, codes=FIVE)
    assert set(out.rejected["value"]) == {"12.0"}
    assert len(out.results) == 5
    text = "Sample,Test,Type,Result\n" + "".join(
        f"{c},{a},found,{v}\n{c},{a},max,{m}\n" for c, pair in list(TRUE.items())[:3]
        for a, v, m in (("Si", pair[0], "12.0"), ("P", pair[1], "400")))
    assert len(take(tmp_path / "three", intake, {"a.csv": text}, codes=FIVE).results) == 6


def test_a_mean_on_the_first_line_is_seen(tmp_path: Path) -> None:
    out = read(tmp_path, BODY.replace("B001,", "T1,9.77,344.3,R1\nB001,", 1))
    assert set(out.rejected["row"]) == {2}
    assert "is the mean of the lines below" in out.rejected["reason"].iloc[0]


def test_a_line_about_a_limit_is_asked_about_where_the_mapping_gives_another(tmp_path: Path) -> None:
    intake = INTAKE.replace('"n.d." = "not measured"', '"n.d." = "below limit"') + "[file.limits]\nSi = 5\n"
    with pytest.raises(BadInput, match="names the limit 2"):
        take(tmp_path / "two", intake, {"a.csv": "LOQ Si 2 mg/kg\n" + BODY.replace("9.1", "n.d.")})
    assert len(take(tmp_path / "five", intake, {"a.csv": "LOQ Si 5 mg/kg\n" + BODY.replace("9.1", "n.d.")}).results) == 6


def test_one_value_that_is_left_of_its_analyte_is_asked_about(tmp_path: Path) -> None:
    """A decimal comma moved the others; this one had lost its own."""
    intake = LONG_IN_ORDER.replace('replicates = "in order"\n', 'ignore_columns = ["Remark"]\n')
    intake = intake.replace('decimal = "."\n', "").replace('run_order = "Pos"\n', "")
    text = "Sample,Test,Result,Remark\n" + "".join(
        f"{c},Si,{'101,' if c == 'B003' else f'9,{n}'}\n{c},P,40{n},\n" for n, c in enumerate(FIVE))
    out = take(tmp_path, intake, {"a.csv": text}, codes=FIVE)
    assert "Si" not in set(out.results["analyte"])
    assert len(out.results) == 5


def test_one_column_of_a_mean_is_enough_under_a_code_unlike_all_others(tmp_path: Path) -> None:
    """Above a scatter that is asked about, and on the first line; the other column could not be read."""
    lost = BODY.replace(",341.2", ",341.2?").replace(",352.9", ",352.9?").replace(",338.8", ",338.8?")
    out = read(tmp_path / "above", lost + "T1,9.8,344.3,R1\nS,0.65,7.5,R1\n", codes=("B001", "B002", "B003", "T1", "S"))
    assert set(out.results["sample"]) == {"B001", "B002", "B003"}
    out = read(tmp_path / "first", lost.replace("B001,", "T1,9.8,344.3,R1\nB001,", 1))
    assert set(out.results["sample"]) == {"B001", "B002", "B003"}
