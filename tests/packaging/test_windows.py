"""The kit on a simulated Windows (``tests.packaging.windows``), and that each of its refusals is really one.

What Windows refuses: Microsoft, "Naming Files, Paths, and Namespaces"; renaming what is open: the page of MoveFileEx.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path, PureWindowsPath

import pytest

from studykit.commands.told import as_typed
from studykit.core.folders import exchange
from studykit.demos.shipped import demo_folder

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the simulation reads /proc")


def there(*arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    """A command of the kit, ``-c`` with lines, or ``-m`` with a module, on the simulated Windows."""
    return subprocess.run([sys.executable, "-m", "tests.packaging.windows", *arguments], cwd=ROOT, capture_output=True,
                          encoding="cp1252", check=False, env=os.environ | more)


def told(code: str, place: Path) -> str:
    """What lines print there; ``place`` is the working folder of their names."""
    done = there("-c", f"import os, sys\nfrom pathlib import Path\nhere = Path({str(place)!r})\n{code}", TMPDIR=str(place))
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


REFUSED = """
def tried(act):
    try:
        act()
    except Exception as error:
        return type(error).__name__
    return "done"

(here / "Pb.csv").write_text("a", encoding="utf-8")
held = (here / "held.csv").open("w", encoding="utf-8")
(here / "folder").mkdir()
inner = (here / "folder/x").open("w", encoding="utf-8")
for name, act in {
    "fork": lambda: os.fork(), "user": lambda: os.getuid(), "limits": lambda: __import__("resource"),
    "capitals": lambda: (here / "PB.csv").write_text("b", encoding="utf-8"),
    "device": lambda: (here / "con.csv").write_text("b", encoding="utf-8"), "dot": lambda: (here / "end.").mkdir(),
    "sign": lambda: (here / "a:b").mkdir(), "long": lambda: (here / "n/").joinpath("x" * 250, "y" * 60).mkdir(parents=True),
    "link": lambda: (here / "l").symlink_to(here / "Pb.csv"), "onto": lambda: (here / "Pb.csv").rename(held.name),
    "away": lambda: (here / "folder").rename(here / "other"), "removed": lambda: os.remove(held.name),
    "plain": lambda: (here / "Pb.csv").rename(here / "Fe.csv"),
}.items():
    print(name, tried(act))
"""


def test_the_simulation_refuses_what_windows_refuses(tmp_path: Path):
    found = dict(line.split() for line in told(REFUSED, tmp_path).splitlines())
    assert found == {"fork": "AttributeError", "user": "AttributeError", "limits": "ModuleNotFoundError", "capitals": "Clash",
                     "device": "OSError", "dot": "OSError", "sign": "OSError", "long": "FileNotFoundError",
                     "link": "PermissionError", "onto": "PermissionError", "away": "PermissionError",
                     "removed": "PermissionError", "plain": "done"}


HELD = """
from studykit.core.errors import BadInput
from studykit.core.files import write_text
from studykit.core.folders import exchange
for name, text in (("report", "old"), ("report.part", "new")):
    write_text(here / name / "page.csv", text)
held = (here / "report/page.csv").open(encoding="utf-8")
for act in (lambda: exchange(here / "report.part", here / "report", here / "report.old"),
            lambda: write_text(here / "report/page.csv", "newer")):
    try:
        act()
    except BadInput as error:
        print(error)
held.close()
print(sorted(p.relative_to(here).as_posix() for p in here.rglob("*.*")), (here / "report/page.csv").read_text(encoding="utf-8"))
exchange(here / "report.part", here / "report", here / "report.old")
print(sorted(p.name for p in here.iterdir()), (here / "report/page.csv").read_text(encoding="utf-8"))
"""


@pytest.mark.slow
def test_what_another_program_has_open_is_left_as_it_was_and_told(tmp_path: Path):
    """Renaming it would succeed on Linux: the two refusals come from the simulation alone."""
    said = told(HELD, tmp_path)
    assert "report: cannot be put in its place: The process cannot access the file" in said
    assert "report is as it was, and the new one lies in report.part" in said
    assert "page.csv: cannot be written: The process cannot access the file" in said
    assert "no other program has it open" in said
    assert said.splitlines()[-2:] == ["['report', 'report.part', 'report.part/page.csv', 'report/page.csv'] old".replace(
        "['report', 'report.part', ", "['report.part', "), "['report'] new"]


def test_a_second_rename_that_fails_brings_the_old_folder_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    for name, text in (("report", "old"), ("part", "new")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "page").write_text(text, encoding="utf-8")
    real = os.replace

    def fails(source: Path, target: Path) -> None:
        if Path(source).name == "part":
            raise PermissionError(13, "held")
        real(source, target)

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(Exception, match="cannot be put in its place: held"):
        exchange(tmp_path / "part", tmp_path / "report", tmp_path / "old")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["part", "report"]
    assert (tmp_path / "report/page").read_text(encoding="utf-8") == "old"


def test_a_file_that_a_virus_scanner_holds_for_a_moment_is_waited_for(tmp_path: Path):
    code = """
from studykit.core import folders
from studykit.core.files import write_text
real, tries = os.replace, []
def busy(*a):
    tries.append(a)
    if len(tries) < 3:
        raise PermissionError(13, "held")
    real(*a)
os.replace = busy
write_text(here / "a.txt", "x")
print(len(tries), (here / "a.txt").read_text(encoding="utf-8"), len(folders.HELD))"""
    assert told(code, tmp_path) == "3 x 3"


def test_commands_are_printed_as_they_are_typed_there(tmp_path: Path):
    code = """
from pathlib import PureWindowsPath
from studykit.commands.told import as_typed
print(as_typed(PureWindowsPath(r"D:\\Lab Ost\\study")), as_typed(PureWindowsPath(r"D:\\plain\\study")))"""
    assert told(code, tmp_path) == r'"D:\Lab Ost\study" D:\plain\study'
    assert as_typed(PureWindowsPath(r"my study")) == "'my study'"  # elsewhere


@pytest.mark.slow
def test_signs_that_the_code_page_lacks_are_printed_with_their_meaning(tmp_path: Path):
    """Into a file or a pipe Windows prints in its code page, and Python stops at the first sign that it lacks."""
    code = """
from studykit.commands import told
told.any_sign()
print("\\u22120.5 \\u2264 x, \\u4e0a, \\u00b15 %")"""
    assert told(code, tmp_path) == "-0.5 <= x, (U+4E0A), ±5 %"
    folder = tmp_path / "上 \u2212"
    done = there("check", str(folder))
    assert done.returncode == 2
    assert "(U+4E0A)" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_a_study_with_the_line_ends_of_windows_is_the_same_study(tmp_path: Path):
    folders = {ends: shutil.copytree(demo_folder("tote"), tmp_path / f"study {len(ends)}") for ends in (b"\n", b"\r\n")}
    tables = []
    for ends, folder in folders.items():
        for path in (p for p in folder.rglob("*") if p.suffix in (".toml", ".csv")):
            path.write_bytes(path.read_bytes().replace(b"\r\n", b"\n").replace(b"\n", ends))
        done = there("intake", str(folder))
        assert done.returncode == 0, done.stderr
        tables.append((folder / "tidy/results.csv").read_bytes())
    assert tables[0] == tables[1]


@pytest.mark.slow
def test_a_path_that_is_too_long_is_told(tmp_path: Path):
    folder = tmp_path.joinpath(*("x" * 40 for _ in range(5)))
    done = there("new", str(folder / "study"))
    assert done.returncode == 2, done.stderr
    assert "cannot be written: The system cannot find the path specified" in done.stderr
    assert "length of its path" in done.stderr


@pytest.mark.slow
def test_a_workbook_is_read_where_memory_cannot_be_limited(tmp_path: Path):
    code = """
import openpyxl
from studykit.intake.sheetcells import load_apart
book = openpyxl.Workbook()
book.active["A1"] = "x"
book.save(here / "a.xlsx")
print(load_apart((here / "a.xlsx").read_bytes(), "xlsx")[0].texts)"""
    assert "x" in told(code, tmp_path)


FILE_TESTS = ("tests/core", "tests/study", "tests/intake/test_take.py", "tests/register", "tests/demos", "tests/notebook")
"""Run with the slow tests. tests/commands, tests/report, tests/deposit, tests/sampling and tests/test_bad_input.py pass
there too, and are run by hand (``python -m tests.packaging.windows -m pytest tests/report``)."""


@pytest.mark.slow
@pytest.mark.parametrize("part", FILE_TESTS)
def test_the_tests_of_files_pass_there(part: str, tmp_path: Path):
    """The tests themselves are under the simulation too: a call that Windows lacks fails there."""
    done = there("-m", "pytest", "-q", "-x", "--assert=plain", "-m", "not slow", part, TMPDIR=str(tmp_path))
    assert done.returncode == 0, done.stdout[-3000:]
