"""Studies that nobody should trust: nothing runs unasked, nothing is written outside, one clear message each.

The zips that nobody should open are in tests/deposit/test_unpack.py; spreadsheets in tests/intake/labfiles/hostile.py.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from studykit.commands.cli import main
from studykit.report.own import copy_notebooks
from studykit.study.stages import HERE
from tests.studies import write_study

RESULTS = "sample,analyte,value,unit,qualifier,limit,replicate\n"


def study(root: Path) -> None:
    """A small sound study, to be made hostile; its raw file has no column of samples, so that nothing is run for long."""
    write_study(root, results_text=RESULTS)
    (root / "raw").mkdir()
    (root / "raw/lab.csv").write_text("bottle,P\nS1,1\n", encoding="utf-8")
    (root / "intake.toml").write_text('[[file]]\npattern = "*.csv"\nlayout = "wide"\n[file.columns]\nsample = "sample"\n',
                                      encoding="utf-8")


def notebook(code: str, name: str = "05-model.ipynb"):
    """A notebook of the study's own with a cell of code."""
    def make(root: Path, outside: Path) -> None:
        copy_notebooks(root)
        (root / "notebooks/copied.json").unlink()
        path = root / "notebooks" / name
        nb = json.loads((root / "notebooks/05-model.ipynb").read_text(encoding="utf-8"))
        nb["cells"].append({"cell_type": "code", "execution_count": None, "id": "x", "metadata": {}, "outputs": [],
                            "source": code.replace("OUTSIDE", str(outside / "ran"))})
        path.write_text(json.dumps(nb), encoding="utf-8")
    return make


def replaced(name: str, how: str):
    """A file or folder of the study replaced by a link to one outside, a pipe or a folder."""
    def make(root: Path, outside: Path) -> None:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        was = path.read_bytes() if path.is_file() else None
        if path.is_dir():
            for p in sorted(path.rglob("*"), reverse=True):
                p.rmdir() if p.is_dir() else p.unlink()
            path.rmdir()
        path.unlink(missing_ok=True)
        target = outside / "target"
        if how == "link to a folder":
            target.mkdir(exist_ok=True)
            path.symlink_to(target)
        elif how == "link to a file":
            target.write_bytes(was or b"{}")
            path.symlink_to(target)
        elif how == "broken link":
            path.symlink_to(outside / "nowhere")
        elif how == "link to itself":
            path.symlink_to(path)
        elif how == "pipe":
            os.mkfifo(path)
        else:
            path.mkdir()
    return make


def text(name: str, content: str | bytes):
    """A file of the study with this content."""
    def make(root: Path, outside: Path) -> None:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content.encode("utf-8", "surrogatepass") if isinstance(content, str) else content)
    return make


def appended(name: str, content: str):
    """A file of the study with this at its end."""
    def make(root: Path, outside: Path) -> None:
        (root / name).write_text((root / name).read_text(encoding="utf-8") + content, encoding="utf-8")
    return make


RUN = "import pathlib\npathlib.Path('OUTSIDE').touch()"
CASES = {
    "code in a notebook": ("report", notebook(RUN), "differ from the kit's; nothing was run"),
    "code in a notebook, plan": ("plan", notebook(RUN), "differ from the kit's; nothing was run"),
    "magic in a notebook": ("report", notebook("!touch OUTSIDE"), "differ from the kit's; nothing was run"),
    "tag in a notebook": ("report", notebook("", "04-quality.ipynb"), "differ from the kit's; nothing was run"),
    "notebook that is none": ("report", text("notebooks/05-model.ipynb", "hello"), "differ from the kit's"),
    "notebook nested deep": ("report", text("notebooks/05-model.ipynb", "[" * 200_000), "differ from the kit's"),
    "notebook of null": ("report", text("notebooks/05-model.ipynb", '{"cells": null}'), "differ from the kit's"),
    "notebook of numbers": ("report", text("notebooks/05-model.ipynb", '{"cells": [1, 2]}'), "differ from the kit's"),
    "copies told falsely": ("report", text("notebooks/copied.json", '{"studykit": "1", "sha256": {}}'), ""),
    "copies nested deep": ("report", text("notebooks/copied.json", "[" * 200_000), ""),
    **{f"{name}: {how}": (command, replaced(name, how), "nothing was run") for command, name, how in (
        ("report", "raw/lab.csv", "link to a file"), ("report", "raw", "link to a folder"),
        ("report", "tidy", "link to a folder"),
        ("report", "report", "link to a folder"), ("report", "report.part", "link to a folder"),
        ("report", "notebooks", "link to a folder"), ("report", "scratch", "link to a folder"),
        ("report", "raw/pipe", "pipe"), ("report", "raw/x", "broken link"), ("report", "raw/loop", "link to itself"),
        ("report", "plan/exclusions.csv", "pipe"), ("report", ".studykit.lock", "link to a file"),
        ("report", ".studykit.holder.json", "link to a file"), ("report", "notebooks/05-model.ipynb", "link to a file"),
        ("report", "notebooks/05-model.ipynb", "pipe"),
        ("intake", "tidy", "link to a folder"), ("intake", "raw/lab.csv", "link to a file"), ("intake", "raw/p", "pipe"),
        ("intake", ".studykit.holder.json", "broken link"), ("lock", "plan/plan.lock", "broken link"),
        ("lock", ".studykit.holder.json", "link to a file"), ("plan", "plan/sheets", "link to a folder"),
        ("plan", "plan/pages", "link to a folder"))},
    **{f"{command} {name}: {how}": (command, replaced(name, how), "") for command, name, how in (
        ("check", "study.toml", "pipe"), ("check", "study.toml", "folder"), ("check", "plan/samples.csv", "pipe"),
        ("check", "study.toml", "link to itself"), ("check", "tidy/results.csv", "pipe"),
        ("verify", "report/manifest.json", "pipe"),
        ("verify", "report/manifest.json", "folder"), ("recheck", "report/manifest.json", "link to itself"))},
    "toml of 6 MB": ("check", text("study.toml", 'title = "' + "x" * 6_000_000 + '"\n'), "larger than 5 MB"),
    "toml nested deep": ("check", text("study.toml", "a = " + "[" * 20_000), "study.toml"),
    "toml of many keys": ("check", appended("study.toml", "\n" + "".join(f"k{i} = 1\n" for i in range(20_000))), "study.toml"),
    "toml with a huge number": ("check", appended("study.toml", "\nseed2 = " + "9" * 5000), "study.toml"),
    "toml with nul": ("check", text("study.toml", b"title = \"a\0b\"\n"), "study.toml"),
    "toml not utf-8": ("check", text("study.toml", b"title = \"\xff\xfe\"\n"), "not UTF-8"),
    "intake leads away": ("intake", text("intake.toml", '[laboratory_sha256]\n"../../x" = "' + "0" * 64 + '"\n'),
                          "leaves the study"),
    "pattern leads away": ("intake", text(
        "intake.toml", '[[file]]\npattern = "../*"\nlayout = "wide"\n[file.columns]\nsample = "s"\n'), "intake.toml"),
    "code leads away": ("check", text("plan/samples.csv", "sample,container,kind,depth\n../../x,C1,spot,top\n"),
                        "looks like a path"),
    "csv with nul": ("check", text("plan/samples.csv", b"sample,container,kind,depth\na\0b,C1,spot,top\n"), "samples.csv"),
    "csv of many columns": ("check", text("plan/samples.csv", ",".join(f"c{i}" for i in range(50_000))), "samples.csv"),
    "csv with an open quote": ("check", text("plan/samples.csv", 'sample,container,kind,depth\n"a,b\n' + "x\n" * 50_000),
                               "samples.csv"),
    "csv with a field of 1 MB": ("check", text("plan/samples.csv", "sample,container\n" + "x" * 1_000_000), "samples.csv"),
    "manifest nested deep": ("verify", text("report/manifest.json", "[" * 200_000), "not valid JSON"),
    "manifest of another kind": ("verify", text("report/manifest.json", '{"schema": "x"}'), "another kind of manifest"),
    "manifest that lies": ("verify", text("report/manifest.json", json.dumps(
        {"schema": "studykit-manifest-2", "inputs": {"../../etc/passwd": {"sha256": "0", "bytes": 1}}, "tidy": {},
         "outputs": {}, "beside": {}, "versions": {}, "kit": {}, "notebooks": {}})), "file is gone"),
    "lock nested deep": ("lock", text("plan/plan.lock", "[" * 200_000), "was edited by hand"),
    "no zip": ("verify x.zip", text("x.zip", "hello"), "is damaged or no zip"),
    "zip that is a link": ("recheck x.zip", replaced("x.zip", "link to a file"), "not an ordinary file"),
    "zip that is a pipe": ("recheck x.zip", replaced("x.zip", "pipe"), "not an ordinary file"),
}


def state(folder: Path) -> dict[str, str]:
    """Everything under a folder by its hash; links by where they lead."""
    out = {}
    for p in sorted(folder.rglob("*")):
        out[p.relative_to(folder).as_posix()] = (os.readlink(p) if p.is_symlink() else hashlib.sha256(
            p.read_bytes()).hexdigest() if p.is_file() else "other")
    return out


def test_there_are_at_least_fifty():
    assert len(CASES) >= 50


SLOW = ("toml of many keys",)


@pytest.mark.few(3)
@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.slow) if n in SLOW else n for n in CASES])
def test_one_message_nothing_run_and_nothing_outside(name, tmp_path, capsys, monkeypatch):
    command, make, why = CASES[name]
    if os.name == "nt" and ("link" in name or name.endswith("pipe")):
        pytest.skip("needs links and pipes as POSIX has them")
    root, outside = tmp_path / "study", tmp_path / "outside"
    outside.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    study(root)
    make(root, outside)
    before = state(outside)
    verb, _, file = command.partition(" ")
    code = main([verb, str(root / file) if file else str(root)])
    told = capsys.readouterr().err
    assert code in (2, 3, 4, 5, 6, 7), told
    assert why in told
    assert "Traceback" not in told
    assert "unexpectedly" not in told
    assert state(outside) == before
    assert not (outside / "ran").exists()
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith("x.")) == ["outside", "study"]
    assert not list(root.glob("report/*.html"))


def test_a_file_named_like_a_package_is_not_run(tmp_path):
    study(tmp_path / "study")
    for name in ("typer", "pandas", "numpy", "pydantic", "json", "sitecustomize", "studykit"):
        (tmp_path / "study" / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'a').write('{name} ')\n")
    environment = os.environ | {"PYTHONPATH": str(HERE.parent), "STUDYKIT_VENV": sys.prefix}
    told = subprocess.run([sys.executable, "-m", "studykit", "check", "."], cwd=tmp_path / "study", env=environment,
                          capture_output=True, text=True, check=False)
    ran = (tmp_path / "ran").read_text() if (tmp_path / "ran").exists() else ""
    assert set(ran.split()) <= {"studykit"}, ran  # python -m itself looks beside the caller for the package it is asked for
    assert told.returncode in (0, 2) or ran


@pytest.mark.few(1)
@pytest.mark.parametrize("name", ["typing", "pathlib", "subprocess", "hashlib", "json", "numpy", "sitecustomize"])
def test_a_file_named_like_a_module_in_the_folder_one_stands_in_is_not_run(name, tmp_path):
    """``python -m`` looks there first; what Python itself loads before the kit (importlib, runpy) cannot be helped."""
    (tmp_path / f"{name}.py").write_text("open('ran', 'w')\n")
    done = subprocess.run([sys.executable, "-m", "studykit", "verify", "."], cwd=tmp_path, capture_output=True, text=True,
                          env=os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}, check=False)
    assert done.returncode == 2, done.stderr
    assert "no report is filed here" in done.stderr
    assert not (tmp_path / "ran").exists()
