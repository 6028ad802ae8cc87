"""The command line: few commands, examples in the help, one message and an exit code for every error, no traceback."""

import ast
import json
import os
import shlex
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from studykit import __version__
from studykit.commands.cli import THREADS, app, main
from studykit.core.errors import StageFailed
from tests.studies import CONTAINERS, SAMPLES, results, write_study

COMMANDS = ("demo", "new", "check", "plan", "lock", "add", "exclude", "margin", "operating", "intake", "ask", "report", "lab",
            "pack", "export", "summary", "verify", "recheck", "compare", "controls", "register", "reports", "course", "class",
            "order", "deliver", "reveal")


def run(capsys, *arguments):
    code = main(list(arguments))
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    return code, out.out, out.err


def test_the_commands_are_these():
    assert tuple(c.name or c.callback.__name__ for c in app.registered_commands) == COMMANDS


@pytest.mark.few(8)
@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_has_an_example(capsys, command):
    code, out, _ = run(capsys, command, "--help")
    assert code == 0
    assert f"Example: studykit {command}" in out


def test_help_starts_without_the_heavy_packages():
    code = ("import sys; from studykit.commands.cli import main; main(['--help']); "
            "print([m for m in ('pandas', 'numpy', 'scipy', 'matplotlib', 'statsmodels') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")


def test_check_loads_nothing_that_writes_workbooks_or_draws():
    code = ("import sys, studykit.commands.check\n"
            "print([m for m in ('openpyxl', 'matplotlib', 'statsmodels') if m in sys.modules])")
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert said.stdout.strip() == "[]"


def test_check_tells_all_faults_and_changes_nothing(capsys, tmp_path):
    root = write_study(tmp_path / "s", samples=SAMPLES.replace("S0u,007", "S0u,777"),
                       results_text=results().replace("S0u,P,340", "S0u,P,3,4"))
    before = sorted((p.name, p.read_bytes()) for p in root.rglob("*") if p.is_file())
    code, _, err = run(capsys, "check", str(root))
    assert code == 2
    assert "2 faults" in err
    assert "plan/samples.csv row 2, column container: '777'" in err
    assert "tidy/results.csv row 2" in err
    assert before == sorted((p.name, p.read_bytes()) for p in root.rglob("*") if p.is_file())


def test_check_of_a_good_study(capsys, tmp_path):
    code, out, _ = run(capsys, "check", str(write_study(tmp_path / "s", results_text=results())))
    tied = "lot and age_months cannot be told apart at all: one explains 100 % of the spread of the other"
    assert (code, out) == (0, f"no fault found: 3 containers, 9 samples, 18 results\n{tied}\n")


@pytest.mark.parametrize("arguments", [("check", "nowhere"), ("report", "nowhere"), ("recheck", "nowhere"),
                                       ("plan", "nowhere"), ("lock", "nowhere"), ("demo", "nowhere")])
def test_what_is_not_there_is_told(capsys, tmp_path, monkeypatch, arguments):
    monkeypatch.chdir(tmp_path)
    code, _, err = run(capsys, *arguments)
    assert code == 2
    assert "nowhere" in err or "no report is filed" in err
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_command_is_told(capsys):
    code, _, err = run(capsys, "chekc")
    assert code == 2
    assert "Did you mean" in err


def test_a_new_study_has_what_it_needs_and_an_old_one_is_not_overwritten(capsys, tmp_path):
    for flag in ([], ["--single"]):
        root = tmp_path / ("single" if flag else "whole")
        code, out, _ = run(capsys, "new", str(root), *flag)
        assert code == 0
        assert "study.toml" in out
        assert (root / "study.toml").exists()
        assert (root / "intake.toml").exists()
        books = sorted(p.name for p in (root / "notebooks").glob("*.ipynb"))
        assert books[0] == "00-study.ipynb"
        assert len(books) == 8
        assert '"outputs": []' in (root / "notebooks/05-model.ipynb").read_text()
        code, _, err = run(capsys, "new", str(root))
        assert code == 2
        assert "not empty" in err


@pytest.mark.slow
def test_a_traceback_comes_only_when_asked(tmp_path):
    command = [sys.executable, "-m", "studykit", "--traceback", "check", str(tmp_path / "nowhere")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=Path(__file__).parents[2])
    assert done.returncode != 0
    assert "Traceback" in done.stderr
    done = subprocess.run([c for c in command if c != "--traceback"], capture_output=True, text=True, check=False,
                          cwd=Path(__file__).parents[2])
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_a_folder_without_write_permission_is_told(capsys, tmp_path, monkeypatch):
    import tempfile

    from studykit.demos.shipped import copy_demo

    root = copy_demo("tote", tmp_path / "s")

    def denied(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "mkstemp", denied)
    code, _, err = run(capsys, "report", str(root))
    assert code == 2
    assert "Permission denied" in err
    assert "check the folder, its permissions" in err


def test_containers_of_the_example_keep_their_codes(tmp_path):
    from studykit.study.tables import load_tables

    root = write_study(tmp_path / "s")
    assert CONTAINERS.count("007") == 1
    assert "007" in set(load_tables(root, with_results=False).containers["container"])


def test_json_is_one_object_with_the_answer(capsys, tmp_path):
    root = write_study(tmp_path / "s", results_text=results())
    code, out, err = run(capsys, "--json", "check", str(root))
    told = json.loads(out)
    assert (code, err, out.count("\n")) == (0, "", 1)
    assert {k: told[k] for k in ("command", "exit_code", "meaning", "containers", "samples", "results", "faults")} == {
        "command": "check", "exit_code": 0, "meaning": "done", "containers": 3, "samples": 9, "results": 18, "faults": []}
    assert told["said"][:1] == ["no fault found: 3 containers, 9 samples, 18 results"]


def test_json_lists_every_fault(capsys, tmp_path):
    root = write_study(tmp_path / "s", samples=SAMPLES.replace("S0u,007", "S0u,777"),
                       results_text=results().replace("S0u,P,340", "S0u,P,3,4"))
    code, out, err = run(capsys, "--json", "check", str(root))
    told = json.loads(out)
    assert (code, err, told["exit_code"]) == (2, "", 2)
    assert {(f["file"], f["row"], f["value"]) for f in told["faults"]} == {("tidy/results.csv", 2, ""),
                                                                           ("plan/samples.csv", 2, "777")}


def test_json_and_a_word_that_is_no_command(capsys):
    code, out, _ = run(capsys, "--json", "ponder")
    assert (code, json.loads(out)["exit_code"]) == (2, 2)


def test_version_and_completion(capsys):
    assert run(capsys, "--version") == (0, f"studykit {__version__}\n", "")
    assert "--show-completion" in run(capsys, "--help")[1]


def test_quiet_shows_no_progress(capsys, tmp_path, monkeypatch):
    root = write_study(tmp_path / "s", results_text=results())

    def stops(folder, say, **_):
        say("a stage\n")
        raise StageFailed("stopped here")

    monkeypatch.setattr("studykit.report.make.make_report", stops)
    assert "a stage" in run(capsys, "report", str(root))[2]
    assert "a stage" not in run(capsys, "--quiet", "report", str(root))[2]


def test_quiet_report_is_the_answer_and_its_page(capsys, tmp_path, monkeypatch):
    root = write_study(tmp_path / "s", results_text=results())
    made = SimpleNamespace(sentence="The stock is homogeneous.", at_lock="", records=(), rejected=0,
                           page=root / "report/report.html")
    monkeypatch.setattr("studykit.commands.report.make_report", lambda folder, say, **_: made)
    assert all(word in run(capsys, "report", str(root))[1] for word in ("Again:", "Check:", "By hand:"))
    assert run(capsys, "--quiet", "report", str(root))[1].splitlines() == [made.sentence, f"Report: {made.page}"]


def test_lab_refuses_what_is_no_study_and_starts_the_kits_own_jupyter(capsys, tmp_path, monkeypatch):
    assert run(capsys, "lab", str(tmp_path))[0] == 2
    calls = []
    monkeypatch.setattr(subprocess, "run", lambda command, **_: calls.append(command) or subprocess.CompletedProcess([], 0))
    root = write_study(tmp_path / "s")
    assert run(capsys, "lab", str(root))[0] == 0
    assert calls == [[sys.executable, "-P", "-m", "jupyterlab", str(root.resolve())]]


def test_lab_lays_the_notebooks_where_a_study_has_none_and_says_what_root_can_do(capsys, tmp_path, monkeypatch):
    root = write_study(tmp_path / "s")
    monkeypatch.setattr(subprocess, "run", lambda command, **_: subprocess.CompletedProcess([], 1))
    monkeypatch.setattr("os.geteuid", lambda: 1000, raising=False)
    code, out, _ = run(capsys, "lab", str(root))
    assert (code, out) == (1, "s had no notebooks: the kit's were laid into s/notebooks\n")
    assert (root / "notebooks/05-model.ipynb").exists()
    monkeypatch.setattr("os.geteuid", lambda: 0, raising=False)
    code, out, said = run(capsys, "lab", str(root))
    assert (code, out) == (2, "")
    assert "it does not run as root" in said
    assert f"--allow-root {root.resolve()}" in said
    monkeypatch.setattr(subprocess, "run", lambda command, **_: subprocess.CompletedProcess([], 0))
    assert run(capsys, "lab", str(root))[0] == 0


@pytest.mark.parametrize(("given", "slow", "last"), [([], False, "not slow"), (["--all"], True, "--no-loadscope-reorder"),
                                                   (["--all", "-n", "0"], True, "0"), (["-k", "x"], False, "x")])
def test_slow_tests_run_only_where_all_are_asked_for(monkeypatch, given, slow, last):
    from studykit.__main__ import run_tests

    calls = []
    monkeypatch.setattr(subprocess, "run", lambda command, **_: calls.append(command) or subprocess.CompletedProcess([], 3))
    assert run_tests(given) == 3
    assert ("not slow" not in calls[0]) == slow
    assert "--all" not in calls[0]
    assert calls[0][-1] == last


@pytest.mark.parametrize(("given", "threads"), [({}, "1"), ({"OMP_NUM_THREADS": "3"}, "3")])
def test_a_command_does_its_algebra_on_one_thread_unless_it_is_told_otherwise(given, threads):
    """The variables are read when numpy is imported: they must stand before it is."""
    code = ("import os, sys, studykit.commands.cli as c; early = 'numpy' in sys.modules\n"
            "try: c.entry(['--version'])\n"
            "except SystemExit as end: print(early, end.code, *map(os.environ.get, c.THREADS[:2]))")
    around = {k: v for k, v in os.environ.items() if k not in THREADS} | given
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=around)
    assert done.stdout.split()[-4:] == ["False", "0", threads, "1"]


@pytest.mark.slow
def test_every_folder_keeps_tests_that_are_not_slow():
    """What the shorter run leaves out is a repetition of something that it runs; CI runs both."""
    root = Path(__file__).parents[2]
    for folder in {p.parent for p in (root / "tests").rglob("test_*.py")}:
        trees = [ast.parse(p.read_text(encoding="utf-8")) for p in folder.glob("test_*.py")]
        marks = {t: [ast.unparse(n) for n in t.body if isinstance(n, ast.Assign)] for t in trees}
        tests = [f for t in trees if not any(m.startswith("pytestmark") and "slow" in m for m in marks[t])
                 for f in t.body if isinstance(f, ast.FunctionDef) and f.name.startswith("test_")]
        assert [f for f in tests if not any("slow" in ast.unparse(d) for d in f.decorator_list)], folder
    assert "test --all" in (root / ".ci/run").read_text(encoding="utf-8")


def test_folders_are_written_as_they_are_typed(capsys, tmp_path):
    """POSIX shell quoting: what is printed can be pasted."""
    _, said, _ = run(capsys, "new", str(tmp_path / "my new study"))
    pasted = [line for line in said.splitlines() if "studykit " in line]
    assert len(pasted) == 2
    assert all(str(tmp_path / "my new study") in shlex.split(line.replace(",", " ").replace(";", " ")) for line in pasted)


@pytest.mark.few(1)
@pytest.mark.parametrize(("words", "offered"), [
    ("studykit re", {"report", "recheck", "register", "reports", "reveal"}), ("studykit report --f", {"--fresh"}),
    ("studykit demo b", {"beacon"}), ("studykit demo l", {"list"})])
def test_a_shell_completes_commands_options_and_names_of_demos(words: str, offered: set[str]) -> None:
    asked = {"_STUDYKIT_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(len(words.split()) - 1)}
    told = subprocess.run([sys.executable, "-c", "import sys; sys.argv[0] = 'studykit'; "
                           "from studykit.commands.cli import entry; entry()"], env=os.environ | asked, capture_output=True,
                          text=True, check=False)
    assert set(told.stdout.split()) == offered, told.stderr
