"""The whole intake: the account of rows, atomic tables, kill -9, safe cells, paths, progress."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.intake.take import run_intake
from studykit.study.columns import RESULTS
from studykit.study.tables import type_cells
from tests.intake.test_layouts import workbook
from tests.intake_cases import CODES, LONG, WIDE, folder, study
from tests.intake_cases import take_and_write as take
from tests.posix import posix

HEAD = "Code;Test;Result;Unit\n"
GOOD = HEAD + "B001;Si;9.8;mg/kg\n007;Si;<1;mg/kg\n"


def tidy(root: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted((root / "tidy").iterdir()) if p.is_file()}


def test_account_closes_and_everything_is_written(tmp_path: Path) -> None:
    text = GOOD + "B009;Si;1;mg/kg\nB002;Xx;1;mg/kg\nB003;Si;abc;mg/kg\n"
    out = take(tmp_path, LONG, {"a.csv": text})
    assert (out.rows_in, out.taken, len(out.rejected)) == (5, 2, 3)
    assert out.sentence() == "5 rows in = 2 taken + 3 rejected; 2 results."
    assert not out.complete
    written = tidy(tmp_path)
    assert sorted(written) == ["files.csv", "intake.json", "reading.csv", "rejected.csv", "results.csv",
                               "revisions.csv", "rules.csv"]
    rejected = pd.read_csv(tmp_path / "tidy/rejected.csv", dtype=str, keep_default_na=False)
    assert rejected[["file", "row", "column", "value"]].values.tolist() == [
        ["a.csv", "4", "Code", "B009"], ["a.csv", "5", "Test", "Xx"], ["a.csv", "6", "Result", "abc"]]
    assert rejected[["sample", "analyte"]].values.tolist() == [["", "Si"], ["B002", ""], ["B003", "Si"]]
    assert out.to_table()["taken"].tolist() == [2]
    assert out.files["sha256"].iloc[0] == hashlib.sha256((tmp_path / "raw/a.csv").read_bytes()).hexdigest()


def test_results_file_passes_the_schema_with_codes_as_text(tmp_path: Path) -> None:
    out = take(tmp_path, LONG, {"a.csv": GOOD + "1E5;Si;2;mg/kg\n"})
    cells = pd.read_csv(tmp_path / "tidy/results.csv", dtype=str, keep_default_na=False).astype(object)
    cells["_line"] = range(2, len(cells) + 2)
    typed, faults = type_cells(cells, RESULTS)
    assert faults == []
    assert typed["sample"].tolist() == ["B001", "007", "1E5"]
    assert typed["value"].tolist() == out.results["value"].tolist() == [9.8, 1.0, 2.0]
    assert typed["limit"].isna().tolist() == [True, False, True]


def test_rejections_are_accepted_only_with_a_reason(tmp_path: Path) -> None:
    files: dict[str, bytes | str] = {"a.csv": GOOD + "B009;Si;1;mg/kg\n"}
    assert not take(tmp_path, LONG, files).complete
    assert take(tmp_path, LONG, files, accept="bottle broke").accepted_reason == "bottle broke"
    out = take(tmp_path, 'accept_rejected = "not ours"\n' + LONG, files)
    assert out.complete
    assert "the rejections are accepted: not ours" in out.sentence()
    assert "not ours" in (tmp_path / "tidy/intake.json").read_text(encoding="utf-8")
    assert not take(tmp_path, 'accept_rejected = " "\n' + LONG, files).complete
    clean = take(tmp_path, 'accept_rejected = "not ours"\n' + LONG, {"a.csv": GOOD})
    assert clean.complete
    assert clean.accepted_reason == ""


def test_a_reason_for_named_rows_covers_no_other_row(tmp_path: Path) -> None:
    head = 'accept_rejected = "not ours"\naccept_rejected_rows = '
    one, other = GOOD + "B009;Si;1;mg/kg\n", GOOD + "B008;Si;1;mg/kg\n"
    named = take(tmp_path, LONG, {"a.csv": one}).named()
    assert named == ["a.csv row 4, Code: B009"]
    assert take(tmp_path, head + json.dumps(named) + "\n" + LONG, {"a.csv": one}).complete
    out = take(tmp_path, head + json.dumps(named) + "\n" + LONG, {"a.csv": other})
    assert not out.complete
    assert "1 of them are none of those that intake.toml accepts, as a.csv row 4, Code: B008." in out.sentence()
    assert take(tmp_path, head + "1\n" + LONG, {"a.csv": other}).complete  # a number takes any
    assert not take(tmp_path, head + "0\n" + LONG, {"a.csv": other}).complete
    assert not take(tmp_path, head + "[]\n" + LONG, {"a.csv": other}).complete


def test_the_reading_sheet_of_a_workbook_with_one_sheet_names_it(tmp_path: Path) -> None:
    rows = [["Sample", "Si", "P"], ["", "mg/kg", "mg/kg"], ["B001", 9.8, 338]]
    take(tmp_path, WIDE.replace("*.csv", "*.xlsx").replace("layout", "unit_row = 2\nlayout"), {"a.xlsx": workbook(rows)})
    page = (tmp_path / "tidy/reading/a.xlsx.html").read_text(encoding="utf-8")
    assert "<h1>Reading sheet: raw/a.xlsx, sheet &#x27;Sheet&#x27;</h1>" in page
    take(tmp_path / "b", LONG, {"a.csv": GOOD})
    assert "<h1>Reading sheet: raw/a.csv</h1>" in (tmp_path / "b/tidy/reading/a.csv.html").read_text(encoding="utf-8")


def test_same_input_gives_the_same_bytes(tmp_path: Path) -> None:
    take(tmp_path, LONG, {"a.csv": GOOD})
    first = tidy(tmp_path)
    take(tmp_path, LONG, {"a.csv": GOOD})
    assert tidy(tmp_path) == first


def test_a_refusal_names_every_fault_and_leaves_the_old_tables(tmp_path: Path) -> None:
    take(tmp_path, LONG, {"a.csv": GOOD})
    before = tidy(tmp_path)
    with pytest.raises(BadInput) as caught:
        take(tmp_path, LONG.replace("*.csv", "a*.csv") + LONG.replace("*.csv", "none*"), {
            "a.csv": GOOD.replace("Result", "Wert"), "a2.csv": b"", "other.txt": "x"})
    text = str(caught.value)
    for words in ("raw/a.csv row 1, column Result: the mapping expects this heading", "raw/a2.csv: the file is empty",
                  "raw/other.txt: no entry of intake.toml serves this file",
                  "intake.toml, file.1.pattern: 'none*': no file under raw/ has such a name"):
        assert words in text
    assert tidy(tmp_path) == before


def test_raw_files_are_never_touched_and_an_empty_folder_is_refused(tmp_path: Path) -> None:
    root = folder(tmp_path, LONG, {"a.csv": GOOD})
    path = root / "raw/a.csv"
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    os.chmod(path, 0o444)
    run_intake(root, study(), pd.DataFrame({"sample": list(CODES)}))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    with pytest.raises(BadInput, match="raw: there is no file from the laboratory"):
        take(tmp_path / "empty", LONG, {})


@posix
def test_links_out_of_the_study_are_refused(tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text(GOOD)
    root = folder(tmp_path / "study", LONG, {})
    (root / "raw/a.csv").symlink_to(secret)
    with pytest.raises(BadInput, match=r"raw/a.csv: .*this path leaves the study folder"):
        run_intake(root, study(), pd.DataFrame({"sample": list(CODES)}))


def test_spreadsheet_formulas_are_never_written_bare(tmp_path: Path) -> None:
    bad = ["=cmd|' /C calc'!A0", "+1+1", "@SUM(A1)", "-2+3", "\u0009=1"]
    rows = "".join(f"{b};Si;1;mg/kg\nB00{k % 3 + 1};{b};1;mg/kg\nB00{k % 3 + 1};Si;{b};mg/kg\nB001;P;1;{b}\n"
                   for k, b in enumerate(bad))
    take(tmp_path, LONG.replace("layout", 'decimal = "."\nlayout'), {"a.csv": HEAD + rows})
    for name, data in tidy(tmp_path).items():
        if name.endswith(".csv"):
            table = pd.read_csv(tmp_path / "tidy" / name, dtype=str, keep_default_na=False)
            starts = {str(c)[:1] for column in table for c in table[column]}
            assert not starts & set("=+@\t"), name
            assert b"\n=" not in data
    names = WIDE.replace("[file.units]", '[file.constants]\nrun = "=1+1"\n[file.units]')
    out = take(tmp_path / "w", names, {"a.csv": "Sample,Si\nB001,9.8\n"})
    assert out.rejected["reason"].tolist() == ["begins like a spreadsheet formula"]


def test_run_order_dates_and_replicates_are_checked(tmp_path: Path) -> None:
    text = ("Code;Test;Result;Unit;Pos;Date;Rep\nB001;Si;1;mg/kg;3;04.05.2026;1\nB002;Si;1;mg/kg;x;04.05.2026;1\n"
            "B003;Si;1;mg/kg;4;31.02.2026;1\n007;Si;1;mg/kg;5;46146;1\n1E5;Si;1;mg/kg;6;2026-05-04;0\n"
            "B001;P;1;mg/kg;;;2\n")
    intake = LONG.replace('unit = "Unit"', 'unit = "Unit"\nrun_order = "Pos"\nreported_on = "Date"\nreplicate = "Rep"')
    out = take(tmp_path, intake.replace("layout", 'date_format = "%d.%m.%Y"\nlayout'), {"a.csv": text})
    assert out.results["reported_on"].tolist()[0] == pd.Timestamp("2026-05-04")
    assert out.results["run_order"].tolist()[0] == 3
    assert out.results["replicate"].tolist() == [1, 2]
    assert out.rejected[["row", "column", "value", "reason"]].values.tolist() == [
        [3, "Pos", "x", "is not a whole number"],
        [4, "Date", "31.02.2026", "is not a day written as %d.%m.%Y"],
        [5, "Date", "46146", "is not a day written as %d.%m.%Y"],
        [6, "Rep", "0", "is not a replicate number from 1"]]
    out = take(tmp_path, intake, {"a.csv": text})
    assert "is not a date of the form YYYY-MM-DD" in set(out.rejected["reason"])
    assert "is a number, not a date (a spreadsheet's serial day?)" in set(out.rejected["reason"])


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[str] = []
    run_intake(folder(tmp_path, LONG, {"a.csv": GOOD}), study(), pd.DataFrame({"sample": list(CODES)}), progress=told.append)
    assert told == ["raw/a.csv: 2 rows read (1 of 1 files)", "writing tidy/"]


KILLED = """
import os, sys, time
import pandas as pd
from pathlib import Path
from studykit.core import folders
from studykit.intake.take import run_intake
from tests.intake_cases import CODES, study
real = folders.os.replace
point, count = int(sys.argv[2]), 0
def replace(a, b):
    global count
    if count == point:
        print("now", flush=True)
        time.sleep(60)
    count += 1
    real(a, b)
folders.os.replace = replace
run_intake(Path(sys.argv[1]), study(), pd.DataFrame({"sample": list(CODES)}))
"""


@pytest.mark.slow
@pytest.mark.parametrize("point", [0, 3])
def test_kill_minus_nine_leaves_whole_tables(tmp_path: Path, point: int) -> None:
    """Killed before table number ``point`` is in place: all tables are the old ones, and the next run clears up."""
    take(tmp_path, LONG, {"a.csv": GOOD})
    old = tidy(tmp_path)
    folder(tmp_path, LONG, {"a.csv": GOOD + "B002;Si;5;mg/kg\nB009;Si;5;mg/kg\n"})
    process = subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path), str(point)], stdout=subprocess.PIPE,
                               cwd=Path(__file__).parents[2])
    assert process.stdout is not None
    assert process.stdout.readline().strip() == b"now"
    process.kill()
    process.wait(timeout=30)
    process.stdout.close()
    after = {k: v for k, v in tidy(tmp_path).items() if not k.startswith(".")}
    out = run_intake(tmp_path, study(), pd.DataFrame({"sample": list(CODES)}))
    new = {k: v for k, v in tidy(tmp_path).items() if not k.startswith(".")}
    assert len(out.results) == 3
    assert set(after) == set(old)
    assert not [k for k in tidy(tmp_path) if k.startswith(".")]  # what the killed run left is cleared away
    assert all(after[name] in (old[name], new[name]) for name in old)
    assert after["results.csv"] == old["results.csv"]
    assert after == old


@pytest.mark.slow
def test_a_large_file_takes_the_fast_path_and_reads_the_same(tmp_path: Path) -> None:
    n = 50_000
    codes = tuple(f"S{i:05d}" for i in range(n // 5))
    rows = "".join(f"{codes[i // 5]};{('Si', 'P', 'Ca', 'Zn', 'B')[i % 5]};{i % 977}.{i % 10};mg/kg\n" for i in range(n))
    true = LONG + '[file.confirmed]\n"* *" = "invented numbers, evenly spread"\n'
    out = take(tmp_path, true, {"a.csv": HEAD + rows}, codes=codes, units=dict.fromkeys(("Si", "P", "Ca", "Zn", "B"), "mg/kg"))
    assert len(out.results) == n
    assert out.results["value"].iloc[1234] == 257.4


def test_a_number_stored_as_text_keeps_that_mark(tmp_path: Path) -> None:
    data = workbook([["Sample", "Si [mg/kg]"], ["B001", 9.8], ["B002", "9.1"], ["B003", "<1"]])
    intake = ('[[file]]\npattern = "*.xlsx"\nlayout = "wide"\ndecimal = "."\n[file.columns]\nsample = "Sample"\n'
              '[file.analytes]\n"Si [mg/kg]" = "Si"\n')
    out = take(tmp_path, intake, {"a.xlsx": data})
    assert out.results["marks"].tolist() == ["", "text", ""]
    assert out.reading()["doubt"].tolist() == ["plain", "stored as text", "a limit"]


def test_a_value_off_its_sister_analytes_is_asked_about(tmp_path: Path) -> None:
    # A bottle three times as rich as the others in P and Zn, its Si a tenth of what these suggest: within a factor of
    # eight of its own column, so that only the sisters tell.
    head = "Code,Test,Result,Unit\n"
    rows = [(f"B00{n}", a, v) for n in (1, 2) for a, v in (("Si", 10), ("P", 300), ("Zn", 400))]
    rows += [("B003", "P", 900), ("B003", "Zn", 1200)]
    text = head + "".join(f"{s},{a},{v},mg/kg\n" for s, a, v in rows)
    definition = study({"Si": "mg/kg", "P": "mg/kg", "Zn": "mg/kg"})
    sound = take(tmp_path, LONG, {"a.csv": text + "B003,Si,29,mg/kg\n"}, definition=definition)
    assert sound.rejected.empty
    out = take(tmp_path, LONG, {"a.csv": text + "B003,Si,2.9,mg/kg\n"}, definition=definition)
    assert out.rejected["reason"].tolist() == [
        "is about 10 times below what its sister analytes in this bottle suggest: another unit or decimal sign?"]
    assert '[file.confirmed] "B003 Si"' in out.rejected["remedy"].iloc[0]
