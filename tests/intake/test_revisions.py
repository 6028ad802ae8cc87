"""The same determination again: revision, repeat or contradiction."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.intake.revisions import file_ranks
from studykit.intake.take import IntakeOutcome
from tests.intake_cases import LONG, values
from tests.intake_cases import take_and_write as take

HEAD = "Code;Test;Result;Unit;Date;Rev\n"
DATED = LONG.replace('unit = "Unit"', 'unit = "Unit"\nreported_on = "Date"\nrevision = "Rev"')


def run(root: Path, rows: str, intake: str = DATED, **more: str) -> IntakeOutcome:
    files: dict[str, bytes | str] = {"a.csv": HEAD + rows} | {f"{k}.csv": HEAD + v for k, v in more.items()}
    return take(root, intake.replace("layout", 'decimal = "."\nlayout'), files)


def test_later_report_date_replaces_and_both_are_kept(tmp_path: Path) -> None:
    out = run(tmp_path, "B001;Si;9.8;mg/kg;2026-05-04;\nB002;Si;7;mg/kg;2026-05-04;\n",
              b="B001;Si;8.8;mg/kg;2026-05-11;\nB002;Si;7;mg/kg;2026-05-11;\n")
    assert values(out) == {("B001", "Si", 1): (8.8, ""), ("B002", "Si", 1): (7.0, "")}
    assert out.results["revision"].tolist() == [1, 1]
    change = out.revisions.iloc[0]
    assert (change["old_value"], change["new_value"], change["mark"], change["changed"]) == (9.8, 8.8, "report date", True)
    assert (change["old_file"], change["old_row"], change["new_file"], change["new_row"]) == ("a.csv", 2, "b.csv", 2)
    assert out.revisions["changed"].tolist() == [True, False]
    assert (out.rows_in, out.taken, len(out.results)) == (4, 4, 2)
    assert "2 of the rows taken were superseded" in out.sentence()
    assert (tmp_path / "tidy/revisions.csv").read_text().count("\n") == 3


def test_order_of_files_and_rows_does_not_matter(tmp_path: Path) -> None:
    out = run(tmp_path, "B001;Si;8.8;mg/kg;2026-05-11;\nB001;Si;9.8;mg/kg;2026-05-04;\n")
    assert values(out) == {("B001", "Si", 1): (8.8, "")}


def test_revision_number_and_mapping_mark(tmp_path: Path) -> None:
    out = run(tmp_path, "B001;Si;9.8;mg/kg;2026-05-04;1\nB001;Si;8.8;mg/kg;2026-05-04;2\n")
    assert values(out) == {("B001", "Si", 1): (8.8, "")}
    assert out.results["revision"].tolist() == [2]
    assert out.revisions["mark"].tolist() == ["revision number"]
    intake = DATED.replace("*.csv", "a.csv") + DATED.replace("*.csv", "b.csv").replace("layout", 'revises = "a*"\nlayout')
    out = run(tmp_path, "B001;Si;9.8;mg/kg;;\n", intake, b="B001;Si;8.8;mg/kg;;\n")
    assert values(out) == {("B001", "Si", 1): (8.8, "")}
    assert out.revisions["mark"].tolist() == ["mapping"]
    with pytest.raises(BadInput, match=r"no other file has such a name, for raw/b.csv to revise"):
        run(tmp_path, "B001;Si;9.8;mg/kg;;\n", intake.replace('"a*"', '"c*"'), b="B001;Si;8.8;mg/kg;;\n")


@pytest.mark.parametrize("rows", [
    "B001;Si;9.8;mg/kg;;\nB001;Si;8.8;mg/kg;;\n",
    "B001;Si;9.8;mg/kg;2026-05-04;\nB001;Si;8.8;mg/kg;2026-05-04;\n",
    "B001;Si;9.8;mg/kg;;\nB001;Si;8.8;mg/kg;2026-05-04;\n",
])
def test_contradictions_without_a_mark_are_refused_both(tmp_path: Path, rows: str) -> None:
    out = run(tmp_path, rows + "B002;Si;7;mg/kg;;\n")
    assert values(out) == {("B002", "Si", 1): (7.0, "")}
    assert out.rejected["row"].tolist() == [2, 3]
    assert out.rejected["reason"].iloc[0] == (
        "is the same determination, with another value (8.8), as raw/a.csv row 3, and nothing marks one as the revision")
    assert "ask the laboratory" in out.rejected["remedy"].iloc[0]
    assert not out.complete


def test_a_repeat_counts_once_and_is_named(tmp_path: Path) -> None:
    out = run(tmp_path, "B001;Si;9.8;mg/kg;2026-05-04;\n" * 3)
    assert values(out) == {("B001", "Si", 1): (9.8, "")}
    assert out.rejected["reason"].tolist() == [
        "repeats raw/a.csv row 2: the same determination with the same value"] * 2
    assert (out.rows_in, out.taken) == (3, 1)


def test_a_limit_is_another_value(tmp_path: Path) -> None:
    out = run(tmp_path, "B001;Si;<9.8;mg/kg;;\nB001;Si;9.8;mg/kg;;\n")
    assert len(out.rejected) == 2


def test_three_reports_with_a_clash_at_the_top_give_none(tmp_path: Path) -> None:
    out = run(tmp_path, "B001;Si;1;mg/kg;2026-05-04;\nB001;Si;2;mg/kg;2026-05-05;\nB001;Si;3;mg/kg;2026-05-05;\n")
    assert out.results.empty
    assert len(out.rejected) == 3


def test_replicates_are_no_revisions(tmp_path: Path) -> None:
    text = "B001;Si;9.8;mg/kg;;\nB001;Si;9.9;mg/kg;;\nB002;Si;7;mg/kg;;\n"
    out = run(tmp_path, text, DATED.replace("layout", 'replicates = "in order"\nlayout'))
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B001", "Si", 2): (9.9, ""), ("B002", "Si", 1): (7.0, "")}
    assert "replicates numbered in the order of the file" in out.rules["rule"].tolist()


def test_circles_are_refused() -> None:
    assert file_ranks({"a": "", "b": "a", "c": "[ab]"}) == {"a": 0, "b": 1, "c": 2}
    with pytest.raises(ValueError, match="a and b revise each other"):
        file_ranks({"a": "b", "b": "a"})


@pytest.mark.slow
def test_a_whole_report_sent_again_gives_the_same_as_row_by_row(tmp_path: Path) -> None:
    codes = tuple(f"S{i:04d}" for i in range(3000))
    first = HEAD + "".join(f"{c};Si;{k % 90 + 1};mg/kg;2026-05-04;\n" for k, c in enumerate(codes))
    second = HEAD + "".join(f"{c};Si;{(k + (k % 10 == 0)) % 90 + 1};mg/kg;2026-05-11;\n" for k, c in enumerate(codes))
    third = HEAD + f"{codes[5]};Si;77;mg/kg;2026-05-12;\n"
    true = DATED + '[file.confirmed]\n"* *" = "invented numbers, evenly spread"\n'
    out = take(tmp_path, true, {"a.csv": first, "b.csv": second, "c.csv": third}, codes=codes)
    assert out.rejected.empty
    assert len(out.results) == 3000
    assert len(out.revisions) == 3001
    assert int(out.revisions["changed"].sum()) == 301
    assert out.results.loc[out.results["sample"] == codes[5], ["value", "revision"]].values.tolist() == [[77.0, 2]]
    assert set(out.results.loc[out.results["sample"] != codes[5], "source_file"]) == {"b.csv"}


def test_a_later_file_that_changes_all_it_has_again_is_a_question_and_a_few_corrections_are_not(tmp_path: Path) -> None:
    """Own judgement: of half of the bottles and more an amended report leaves something as it was, or says what it revises."""
    first = "".join(f"B00{k};Si;{10 + k};mg/kg;2026-05-04;\n" for k in (1, 2, 3))
    again = "B001;Si;11.4;mg/kg;2026-05-11;\nB003;Si;13.7;mg/kg;2026-05-11;\n"  # the first rounds to 11 by chance
    out = run(tmp_path, first, b=again)
    assert values(out) == {("B002", "Si", 1): (12.0, "")}
    lost = out.rejected.sort_values(["file", "row"])
    assert lost["value"].tolist() == ["11", "13", "11.4", "13.7"]
    assert lost["reason"].str.contains("corrected, or determined again?", regex=False).all()
    for words in ("give b.csv an entry of its own in intake.toml, whose file no other pattern serves", 'revises = "a.csv"'):
        assert lost["remedy"].str.contains(words, regex=False).all()
    assert "later, in raw/b.csv row 2, with another value (11.4)" in lost["reason"].iloc[0]
    assert "earlier, in raw/a.csv row 2, with another value (11)" in lost["reason"].iloc[2]
    assert out.revisions.empty
    same = run(tmp_path, first, b=again + "B002;Si;12;mg/kg;2026-05-11;\n")
    assert values(same) == {("B001", "Si", 1): (11.4, ""), ("B002", "Si", 1): (12.0, ""), ("B003", "Si", 1): (13.7, "")}
    entries = DATED.replace("*.csv", "a.csv") + DATED.replace("*.csv", "b.csv")
    corrected = run(tmp_path, first, entries.replace('"b.csv"', '"b.csv"\nrevises = "a.csv"'), b=again)
    assert values(corrected) == values(same)
    before, after = entries.split('"b.csv"')
    once_more = run(tmp_path, first, f'{before}"b.csv"{after}[file.constants]\nreplicate = 2\n', b=again)
    assert len(once_more.results) == 5
    assert values(once_more)["B003", "Si", 2] == (13.7, "")


@pytest.mark.parametrize(("later", "taken"), [
    ("B003;Si;13.7;mg/kg;2026-05-11;\n", 13.7),  # the only bottle of three: a correction
    ("B003;Si;13.7;mg/kg;2026-05-11;\nB003;P;301;mg/kg;2026-05-11;\n", 13.7),  # one bottle, two analytes
    ("B001;Si;11.04;mg/kg;2026-05-11;\nB003;Si;13.1;mg/kg;2026-05-11;\n", 13.1),  # one digit more of the same readings
    ("B001;Si;11;mg/kg;2026-05-11;\nB003;Si;13.7;mg/kg;2026-05-11;\n", 13.7),  # one of them as it was
    ("B001;Si;11.7;mg/kg;2026-05-11;2\nB003;Si;13.7;mg/kg;2026-05-11;2\n", 13.7),  # numbered
    ("B001;Si;11.7;mg/kg;2026-05-11;\nB009;Si;1;mg/kg;2026-05-11;\n", None)])  # another bottle is no repeat of anything
def test_what_is_no_question_is_taken_by_its_date(tmp_path: Path, later: str, taken: float | None) -> None:
    first = "".join(f"B00{k};Si;{10 + k};mg/kg;2026-05-04;\n" for k in (1, 2, 3)) + "B003;P;300;mg/kg;2026-05-04;\n"
    out = run(tmp_path, first, b=later)
    assert "determined again?" not in " ".join(map(str, out.rejected["reason"]))
    assert taken is None or values(out)["B003", "Si", 1] == (taken, "")


def test_of_many_bottles_a_few_are_corrections(tmp_path: Path) -> None:
    first = "".join(f"B0{k};Si;{k};mg/kg;2026-05-04;\n" for k in range(10, 20))
    few, half = ("".join(f"B0{k};Si;{k + 0.7};mg/kg;2026-05-11;\n" for k in range(10, 10 + n)) for n in (4, 5))
    intake, codes = DATED.replace("layout", 'decimal = "."\nlayout'), tuple(f"B0{k}" for k in range(10, 20))
    of_few, of_half = (take(tmp_path, intake, {"a.csv": HEAD + first, "b.csv": HEAD + x}, codes=codes) for x in (few, half))
    assert (len(of_few.revisions), len(of_few.rejected)) == (4, 0)
    assert (len(of_half.revisions), len(of_half.rejected)) == (0, 10)


def test_a_blank_cell_of_an_older_file_is_no_newer_report(tmp_path: Path) -> None:
    """A sheet with blank cells that nothing marks stands beside a file and its revision."""
    entries = "".join(DATED.replace("*.csv", f"{n}.csv").replace("layout", f"{more}\nlayout") for n, more in (
        ("a", ""), ("b", 'revises = "a.csv"'), ("c", 'blank = "not measured"')))
    out = run(tmp_path, "B001;Si;9.8;mg/kg;;\n", entries, b="B001;Si;8.8;mg/kg;;\n", c="B001;Si;;mg/kg;;\nB002;Si;7;mg/kg;;\n")
    assert values(out) == {("B001", "Si", 1): (8.8, ""), ("B002", "Si", 1): (7.0, "")}
