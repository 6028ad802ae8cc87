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
    assert set(out.rejected["row"]) == {2, 3, 4}
    assert set(out.rejected.loc[out.rejected["row"] == 3, "value"]) == {"325.5", "44.8"}
