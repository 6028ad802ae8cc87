"""A folder received: code that lies in it is named and never loaded, and enormous numbers of files or lines stay readable."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from studykit.commands.cli import main
from studykit.report import run as runner
from studykit.report import verify as verifying
from studykit.report.manifest import GIT, unlisted
from studykit.report.nursery import FORKS
from studykit.report.verify import MOST, MOST_FILES, MOST_NAMED, verify
from tests.report.filed import pretend, rehash
from tests.report.test_run import notebook

SHADOWS = ("studykit", "pandas", "numpy", "ast", "json", "socket", "matplotlib", "scipy", "IPython", "ipykernel_launcher",
           "ipykernel", "contextlib", "warnings", "sitecustomize", "usercustomize", "statsmodels", "openpyxl",
           "csv", "resource")
QUIET = lambda _: None  # noqa: E731


def poison(folder: Path, mark: Path) -> None:
    """Modules that write down that they were loaded."""
    for name in SHADOWS:
        (folder / f"{name}.py").write_text(f"open({str(mark)!r}, 'a').write({name!r} + ' ')\n")


@pytest.mark.slow
@pytest.mark.parametrize("separate", [True, pytest.param(False, marks=pytest.mark.skipif(not FORKS, reason="forks on Linux"))])
def test_no_kernel_loads_a_module_of_the_folder_one_stands_in(tmp_path, monkeypatch, separate):
    mark, books, root = tmp_path / "loaded", tmp_path / "books", tmp_path / "study"
    books.mkdir()
    root.mkdir()
    poison(root, mark)
    monkeypatch.chdir(root)
    book = notebook(books / "a.ipynb", "import pandas, statsmodels, openpyxl, studykit, csv\nprint(1)")
    runner.run_notebooks({"a": book}, {"a": tmp_path / "out/a.ipynb"}, {"study": "x", "out_dir": "y"}, QUIET,
                         separate=separate)
    assert not mark.exists(), mark.read_text()


@pytest.mark.slow
def test_no_command_loads_a_module_of_a_received_folder(root, tmp_path):
    """Nor of the folder one stands in: workbooks are read by a process of their own."""
    from openpyxl import Workbook

    book = Workbook()
    book.active.append(["a", "b"])
    book.save(root / "raw/more.xlsx")
    poison(root, tmp_path / "loaded")
    code = "import sys; from studykit.commands.cli import main; sys.exit(main(sys.argv[1:]))"
    for command in (["verify", "."], ["check", "."], ["intake", ".", "--suggest"], ["verify", str(root)]):
        done = subprocess.run([sys.executable, "-P", "-c", code, *command], cwd=root, capture_output=True, text=True,
                              check=False)
        assert "Traceback" not in done.stderr
    assert not (tmp_path / "loaded").exists(), (tmp_path / "loaded").read_text()


def test_code_in_a_folder_is_named(root, filed, monkeypatch, capsys):
    pretend(monkeypatch, filed)
    for name in ("pandas.py", "plan/run.sh", "report/x.js", "numpy.cpython-312-x86_64-linux-gnu.so"):
        (root / name).write_text("x")
    rehash(root)
    notes = verify(root).notes
    (note,) = [n for n in notes if n.startswith("program code, which nothing here loads or runs")]
    assert note.endswith(": numpy.cpython-312-x86_64-linux-gnu.so, pandas.py, plan/run.sh, report/x.js")
    (root / "report/x.js").unlink()
    rehash(root)
    assert main(["recheck", str(root)]) == 0
    assert "note: program code, which nothing here loads or runs" in capsys.readouterr().out


def test_a_study_as_filed_holds_no_code(filed):
    assert not [n for n in verify(filed).notes if "program code" in n]
    assert (filed / GIT).read_bytes() == b"* -text\n"
    assert unlisted(filed) == ()


def test_more_files_than_any_study_has_are_one_message(root, monkeypatch, capsys):
    monkeypatch.setattr(verifying, "MOST_FILES", 400)
    (root / "many").mkdir()
    for k in range(300):
        (root / f"many/{k}").write_text("")
    for command in ("verify", "recheck"):
        assert main([command, str(root)]) == 2
        said = capsys.readouterr().err
        assert "holds more than 400 files and folders; nothing in it was looked at" in said
        assert len(said.splitlines()) < 4
    assert not (root / "recheck.json").exists()
    assert MOST_FILES == 20_000


def test_many_files_in_hidden_folders_are_not_counted(root, monkeypatch):
    monkeypatch.setattr(verifying, "MOST_FILES", 400)
    (root / ".git").mkdir()
    for k in range(500):
        (root / f".git/{k}").write_text("")
    assert verify(root).differences == ()


def test_many_lines_are_bounded_and_all_of_them_stand_in_the_record(root, filed, monkeypatch, capsys):
    pretend(monkeypatch, filed)
    for k in range(200):
        (root / f"raw/{k:03d}.csv").write_text("x")
        (root / f"letter-{k:03d}.txt").write_text("x")
    assert main(["recheck", str(root)]) == 7
    said = capsys.readouterr().err.splitlines()
    assert f"  … and {200 - MOST} more, all in recheck.json" in said
    assert len(said) < MOST + 12
    assert max(map(len, said)) < 1000
    (note,) = [line for line in said if "files were added beside the study" in line]
    assert note.endswith(f"and {200 - MOST_NAMED} more")
    record = json.loads((root / "recheck.json").read_text())
    assert len([d for d in record["differences"] if d["what"].startswith("raw/")]) == 200


def test_many_notes_are_bounded(capsys):
    assert len(verifying.bounded([f"note {k}" for k in range(500)], "x")) == MOST + 1
    assert verifying.bounded(["a\nb"], "x") == ["a(U+000A)b"]
