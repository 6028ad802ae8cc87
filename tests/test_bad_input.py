"""Bad input through the command line: one clear message with place and remedy, an exit code, and nothing half-written."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.commands.check import altered_tables
from studykit.commands.cli import main
from studykit.demos.shipped import copy_demo
from studykit.intake.take import run_intake
from studykit.study.tables import load_tables
from tests.posix import posix

C, S, T, MAP = "plan/containers.csv", "plan/samples.csv", "study.toml", "intake.toml"
R1, R3, R4 = "raw/R1-R2_2025-11-28.csv", "raw/R3_2026-08-24.csv", "raw/R4_2026-09-04.csv"
HEAD = "Bottle,Determination,Result,Unit,Method,Batch,Position,Reported"
Change = Callable[[Path], object]


@pytest.fixture(scope="module")
def filed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The gear-oil demo with its results taken in."""
    root = tmp_path_factory.mktemp("bad") / "gear"
    copy_demo("ropeway", root)
    tables = load_tables(root, with_results=False)
    run_intake(root, tables.study, tables.samples)
    return root


@pytest.fixture
def root(filed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(filed, tmp_path / "gear"))


def state(root: Path) -> dict[str, bytes]:
    """Every file but the empty one that the writer's lock is taken on, which stays where it was once made."""
    return {str(p.relative_to(root)): p.read_bytes() for p in sorted(root.rglob("*"))
            if p.is_file() and p.name != ".studykit.lock"}


def put(file: str, old: str, new: str, encoding: str = "utf-8") -> Change:
    """Replace the first ``old`` of a file."""
    def change(root: Path) -> None:
        text = (root / file).read_bytes().decode(encoding)
        assert old in text
        (root / file).write_bytes(text.replace(old, new, 1).encode(encoding))
    return change


def whole(file: str, how: Callable[[str], str], encoding: str = "utf-8") -> Change:
    """Rewrite the whole text of a file."""
    return lambda root: (root / file).write_bytes(how((root / file).read_bytes().decode(encoding)).encode(encoding))


def gone(file: str) -> Change:
    return lambda root: (root / file).unlink()


def empty(file: str) -> Change:
    return lambda root: (root / file).write_bytes(b"")


def folder_instead(file: str) -> Change:
    def change(root: Path) -> None:
        (root / file).unlink()
        (root / file).mkdir()
    return change


def no_margin(text: str) -> str:
    return re.sub(r"^margin = .*\n", "", text, count=1, flags=re.MULTILINE)


def again(line: int) -> Callable[[str], str]:
    """The text with its first line once more after ``line`` lines."""
    def change(text: str) -> str:
        rows = text.splitlines()
        return "\n".join([*rows[:line], rows[0].removeprefix("\ufeff"), *rows[line:]]) + "\n"
    return change


REFUSED: dict[str, tuple[str, Change, str]] = {
    # missing, empty, unreadable
    "no containers": ("check", gone(C), rf"^  {C}: there is no such file -> put it back from your copy"),
    "no samples": ("check", gone(S), rf"^  {S}: there is no such file -> put it back from your copy"),
    "no study": ("check", gone(T), r"^  study.toml: there is no such file -> make a study with"),
    "no mapping": ("intake", gone(MAP),
        r"^  intake.toml: there is no such file -> propose one with: studykit intake"),
    "no raw file": ("intake", gone(R1),
        r"^  intake.toml, file.0.pattern: 'R1-R2_\*.csv': no file under raw/ has such a name -> "),
    "empty containers": ("check", empty(C), rf"^  {C}: the file is empty -> "),
    "empty samples": ("intake", empty(S), rf"^  {S}: the file is empty -> "),
    "samples without a line": ("intake", whole(S, lambda t: t.splitlines()[0] + "\n"),
        rf"^  {S}: lists no sample, .* -> "),
    "empty raw file": ("intake", empty(R1), rf"^  {R1}: the file is empty -> ask the laboratory"),
    "raw headings only": ("intake", whole(R1, lambda t: t.splitlines()[0] + "\n"),
        rf"^  {R1} row 1, column [^:]*: .* no result below them -> "),
    "folder for samples": ("check", folder_instead(S), rf"^  {S}: is not a plain file -> "),
    "folder for study": ("check", folder_instead(T), r"^  study.toml: is not a plain file -> "),
    "folder for mapping": ("intake", folder_instead(MAP), r"^  intake.toml: is not a plain file -> "),
    "samples in UTF-16": ("check", lambda r: (r / S).write_bytes((r / S).read_text().encode("utf-16")),
                          rf"^  {S} row 1: is not UTF-8 text -> save it as CSV UTF-8"),
    # wrong delimiter
    "semicolons in samples": ("check", whole(S, lambda t: t.replace(",", ";")),
        rf"^  {S} row 1: 'sample;.* not separated by commas -> "),
    "semicolons in raw": ("intake", whole(R1, lambda t: t.replace(",", ";")),
                          rf"^  {R1} row 1, column [^:]*: 'Bottle;.*by semicolon, the mapping says comma -> write delimiter"),
    "commas in raw": ("intake", whole(R3, lambda t: t.replace(";", ","), "cp1252"),
                      rf"^  {R3} row 3, column [^:]*: 'Code,.*by comma, the mapping says semicolon -> write delimiter = "),
    # a header twice
    "samples header again": ("check", whole(S, again(5)),
        rf"^  {S} row 6: 'sample': the header is repeated here -> remove this line"),
    "unit row is the header": ("intake", whole(R4, again(1)),
        rf"^  {R4} row 2, column [^:]*: 'Sample \| .*headings are repeated here"),
    "extra column twice": ("check", put(C, "visit,pail_of_pair", "visit,visit"),
        rf"^  {C} row 1, column visit: this header occurs twice -> "),
    "key twice": ("check", put(T, "alpha = 0.05", "alpha = 0.05\nalpha = 0.01"),
        r"^  study.toml row \d+, column .*is not valid TOML: .* -> "),
    "mapping table twice": ("intake", put(MAP, "[file.columns]", "[file.columns]\n[file.columns]"),
                            r"^  intake.toml row 1\d, .*is not valid TOML: .*twice -> "),
    # orphans and keys
    "orphan sample": ("check", put(S, "0789,230,", "0789,999,"),
        rf"^  {S} row 2, column container: '999': is not a container of {C} -> "),
    "orphan sister": ("check", put(C, "stored,,1,1", "stored,ZZ,1,1"),
        rf"^  {C} row 2, column sister_of: 'ZZ': is not a container"),
    "sample twice": ("check", whole(S, lambda t: t + t.splitlines()[1] + "\n"),
        rf"^  {S} row 114, column sample: '0789': .*row 2 -> "),
    "formula as code": ("check", put(S, "0789,", "=0789,"),
        rf"^  {S} row 2, column sample: '=0789': begins like a spreadsheet formula -> "),
    # values, units, margins, analytes
    "text in height": ("check", put(S, "0.8333", "top"), rf"^  {S} row 2, column height: 'top': is not a number -> "),
    "text in a day": ("check", put(C, "2023-08-14", "last summer"),
        rf"^  {C} row 2, column filled_on: 'last summer': is not a date -> "),
    "unit of a column": ("intake", put(R4, "cSt", "kg"),
        rf"^  {R4} row 2, column KV40: 'kg': kg \(mass\) cannot be converted"),
    "unit of the study": ("check", put(T, 'unit = "mm²/s"', 'unit = "blorg"'),
        r"^  study.toml row \d+, .*KV40.unit: 'blorg': .* -> "),
    "no margin": ("check", whole(T, no_margin),
        r"^  study.toml row \d+, column analytes.KV40.margin: this key is required and missing -> "),
    "margin zero": ("check", put(T, "relative_percent = 5", "relative_percent = 0"),
        r"^  study.toml row \d+, .*P.margin.*: '0': must be greater"),
    "unknown key": ("check", put(T, "alpha", "alfa"),
        r"^  study.toml row 8, column alfa: '0.05': this key is not known here -> "),
    "mapped to an unknown analyte": ("intake", put(MAP, '"Boron" = "B"', '"Boron" = "Bo"'),
                                     r"^  intake.toml row \d+, column file.0.analytes.Boron: 'Bo': .*-> known are KV40"),
    "unknown heading": ("intake", put(R4, "KV40,P,S", "KV40,P,Cu"),
        rf"^  {R4} row 1, column Cu: the mapping does not know"),
    "edited result": ("check", put("tidy/results.csv", ",P,", ",Cu,"),
        r"^  tidy/results.csv row 3, column analyte: 'Cu': is not declared"),
    "contradiction in results": ("check", whole(
        "tidy/results.csv", lambda t: t + t.splitlines()[1].replace("221.68", "9") + "\n"),
                                 r"^  tidy/results.csv row \d+, .*with another value \(221.68\), as row 2 -> "),
    "table of another intake": ("check", put("tidy/rejected.csv", "0.995", "0.994"),
        r"^  tidy/rejected.csv: is not the table .* -> take the raw"),
    "exclusion of nothing": ("check", lambda r: (r / "plan/exclusions.csv").write_text(
        "sample,analyte,reason,who,date\nZZ,Si,spilt,analyst,2026-01-01\n"),
        r"^  plan/exclusions.csv row 2, column sample: 'ZZ': has no result -> "),
    "path out of the folder": ("intake", put(MAP, "R1-R2_*.csv", "../R1"),
        r"^  intake.toml row 7, .*: '../R1': the pattern leaves the raw folder"),
}


LOCKED_TOO = ("no samples", "folder for samples")
"""Of a locked plan the lock's own refusal stands beside: both commands would stop."""


@pytest.mark.slow
@pytest.mark.parametrize("name", list(REFUSED))
def test_a_refusal_is_one_message_and_changes_nothing(root: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    command, change, expected = REFUSED[name]
    change(root)
    before = state(root)
    assert main([command, str(root)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    faults = 2 if name in LOCKED_TOO else 1
    assert f"{faults} fault" in told.err.splitlines()[0]
    assert len(told.err.splitlines()) == 1 + faults
    assert re.search(expected, told.err, re.MULTILINE), told.err
    assert " -> " in told.err
    assert state(root) == before


NEXT = "6396,Phosphorus,345,"
REJECTED: dict[str, tuple[Change, str]] = {
    "orphan sample": (put(R1, "6396,Phosphorus", "6397,Phosphorus"),
                      r"row 3, column Bottle: '6397': is not a sample of this study -> it may be 6396( or [0-9]+)*: ask"),
    "two values": (put(R1, NEXT, f"6396,Phosphorus,399,mg/kg,m,R1,1,2025-11-28\n{NEXT}"),
                   r"row 4, column Result: '345': is the same determination, with another value \(399\), as raw/R1.* row 3"),
    "unit of another kind": (put(R1, "345,mg/kg", "345,mm²/s"),
        r"row 3, column Unit: 'mm²/s': .*cannot be converted to mg/kg.* -> "),
    "unknown unit": (put(R1, "345,mg/kg", "345,blorg"), r"row 3, column Unit: 'blorg': .*not known.* -> "),
    "no density": (put(R1, "345,mg/kg", "345,mg/L"),
        r"row 3, column Unit: 'mg/L': .*needs the density.* -> write density_kg_m3"),
    "text": (put(R1, "Phosphorus,345", "Phosphorus,three"), r"row 3, column Result: 'three': is not a number -> "),
    "comma": (put(R1, "Phosphorus,345", 'Phosphorus,"3,45"'), r"row 3, column Result: '3,45': has a comma, .* -> "),
    "undeclared analyte": (put(R1, "6396,Phosphorus", "6396,Copper"),
        r"row 3, column Determination: 'Copper': is not an analyte.* -> map it"),
    "a line too short": (put(R1, f"{NEXT}mg/kg,", NEXT),
        r"row 3, column [^:]*: '6396 \| Phosphorus.*has 7 cells where the headings have 8 -> "),
    "headings again": (whole(R1, again(3)),
        rf"row 4, column [^:]*: '{HEAD.replace(',', ' . ')}': the headings are repeated here -> "),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("name", list(REJECTED))
def test_a_row_that_cannot_be_taken_is_named_and_kept_apart(root: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """The demo accepts one rejected row with a reason; another one is not covered by it."""
    change, expected = REJECTED[name]
    change(root)
    raw = (root / R1).read_bytes()
    assert main(["intake", str(root)]) == 8
    told = capsys.readouterr()
    assert re.search(rf"^  {R1} " + expected, told.err, re.MULTILINE), told.err
    rows, taken, rejected = map(int, re.findall(r"(\d+) rows in = (\d+) taken \+ (\d+) rejected", told.out)[0])
    assert rows == taken + rejected
    assert rejected > 1
    assert "accepts at most 1" in told.out
    assert len((root / "tidy/rejected.csv").read_text().splitlines()) == rejected + 1
    assert (root / R1).read_bytes() == raw


@pytest.mark.slow
def test_rejected_rows_end_check_as_they_would_end_the_report(root: Path) -> None:
    REJECTED["text"][0](root)
    assert main(["intake", str(root)]) == 8
    assert main(["check", str(root)]) == 8


@pytest.mark.few(1)
@pytest.mark.parametrize(("folder", "command"), [("tidy", "intake"), ("raw", "intake"), ("plan", "check")])
def test_a_file_in_the_place_of_a_folder(root: Path, capsys: pytest.CaptureFixture[str], folder: str, command: str) -> None:
    shutil.rmtree(root / folder)
    (root / folder).write_text("in the way")
    before = state(root)
    assert main([command, str(root)]) == 2
    told = capsys.readouterr().err
    assert folder in told
    assert " -> " in told
    assert state(root) == before


def test_a_study_folder_that_cannot_be_written(root: Path, capsys: pytest.CaptureFixture[str],
                                                monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a read-only disk: the operating system refuses every new file (root may write anywhere, so it is played)."""
    before = state(root)

    def refused(*args: object, **options: object) -> tuple[int, str]:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("studykit.core.files.tempfile.mkstemp", refused)
    assert main(["intake", str(root)]) == 2
    assert re.search(r"cannot be written: Read-only file system -> check the folder", capsys.readouterr().err)
    assert state(root) == before


def test_a_report_is_refused_before_any_notebook_runs(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (root / "report").write_text("in the way")
    assert main(["report", str(root)]) == 2
    assert "report: a file stands where the report's folder belongs -> move it away" in capsys.readouterr().err
    (root / "report").unlink()
    (root / "plan/exclusions.csv").write_text("sample,analyte,reason,who,date\n0789,Si,,y,2026-01-01\n")
    assert main(["report", str(root)]) == 2
    assert "plan/exclusions.csv row 2, column reason: must not be empty -> fill it in" in capsys.readouterr().err
    assert not (root / "report.part").exists()


def test_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("check", "intake", "report", "recheck", "verify", "plan", "lock"):
        assert main([command, str(tmp_path / "nowhere")]) == 2
        told = capsys.readouterr().err
        assert "Traceback" not in told
        assert " -> " in told
    assert not (tmp_path / "nowhere").exists()


SLOW = """
import sys, time
from studykit.core import files
from studykit.intake import take as intake
plain = files.write_bytes
def slow(path, data):
    out = plain(path, data)
    print(path.name, flush=True)
    time.sleep(1.0)
    return out
intake.write_bytes = slow
from studykit.commands.check import altered_tables
from studykit.commands.cli import main
main(["intake", sys.argv[1]])
"""


@pytest.mark.slow
def test_an_intake_killed_between_two_tables_leaves_the_old_ones(root: Path) -> None:
    """The tables of a run take the place of the old ones together or not at all; the next intake goes on."""
    put(R1, "6396,Phosphorus", "6397,Phosphorus")(root)
    old = (root / "tidy/results.csv").read_bytes()
    run = subprocess.Popen([sys.executable, "-c", SLOW, str(root)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert run.stdout is not None
    assert run.stdout.readline().strip() == b"rejected.csv"
    run.kill()
    run.wait()
    run.stdout.close()
    assert (root / "tidy/results.csv").read_bytes() == old
    assert altered_tables(root) == []
    assert main(["intake", str(root)]) == 8
    assert altered_tables(root) == []
    assert not list((root / "tidy").glob(".*"))


@posix
@pytest.mark.slow
def test_a_recheck_killed_half_way_leaves_the_study_as_it_was(root: Path, tmp_path: Path) -> None:
    """The recheck works in a folder of its own; a kill leaves the filed study untouched."""
    from studykit.report.manifest import FILE, canonical, manifest_of

    (root / "report").mkdir()
    (root / "report/numbers.json").write_text("[]")
    head = {"study": "x", "seed": 1, "alpha": 0.05}
    (root / FILE).write_text(canonical(manifest_of(root, root / "report", head, {})))
    before = state(root)
    away = tmp_path / "tmp"
    away.mkdir()
    run = subprocess.Popen([sys.executable, "-m", "studykit", "recheck", str(root)], start_new_session=True,
                           env={**os.environ, "TMPDIR": str(away)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 90
    while not list(away.glob("studykit-recheck-*/study/report.part/*")) and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    assert list(away.glob("studykit-recheck-*/study/report.part/*"))
    assert state(root) == before
