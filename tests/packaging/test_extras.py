"""The library alone is light: what runs without the extras, and what is said where one is missing."""

from __future__ import annotations

import ast
import json
import re
import shutil
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

from studykit.core.extras import EXTRAS, lacking
from studykit.demos.shipped import demo_folder
from studykit.study.stages import share

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
DISTRIBUTION = {"bs4": "beautifulsoup4", "rfc3161_client": "rfc3161-client",
                "PIL": "pillow", "IPython": "ipython", "python_calamine": "python-calamine",
                "lazy_loader": "lazy-loader", "tomli_w": "tomli-w"}

JUDGE = """
import time; start = time.process_time()
import studykit as sk, pandas as pd
table = pd.DataFrame({"container": list("aabbccddee"), "depth": ["top", "bottom"] * 5,
                      "value": [10, 10.1, 10, 10.2, 9.9, 10, 10, 9.9, 10.1, 10.0]})
print(sk.judge(table, margin={"relative_percent": 20}, depths=["top", "bottom"]).word)
"""


def run(extras: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "tests.packaging.without", extras, *arguments], cwd=ROOT, text=True,
                          capture_output=True, check=False)


def names(requirements: list[str]) -> set[str]:
    """Distributions of a list of requirements, without versions."""
    return {re.split(r"[\[<>=!~; ]", r)[0].lower() for r in requirements}


@cache
def imported() -> set[str]:
    """Top names of everything that the package imports from outside itself and the standard library."""
    found = set()
    for path in (ROOT / "studykit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {a.name.partition(".")[0] for a in node.names}
            elif isinstance(node, ast.ImportFrom):
                found.add((node.module or "").partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"studykit", "tests"}


@pytest.mark.slow
def test_a_table_is_judged_without_any_extra():
    done = run("report,lab,sheets", "-c", JUDGE)
    assert (done.returncode, done.stdout.strip()) == (0, "homogeneous"), done.stderr


@pytest.mark.slow
def test_what_the_notebooks_import_needs_no_extra_beyond_the_report():
    """The chapter Design once asked for the widgets that only sliders by hand need."""
    names = {m for p in share("notebooks").glob("0*.ipynb") for c in json.loads(p.read_text(encoding="utf-8"))["cells"]
             for m in re.findall(r"(?m)^(?:from|import) studykit.*$", "".join(c["source"]) if c["cell_type"] == "code" else "")}
    code = "\n".join([*sorted(names), "import types", "explorer.show_sliders(types.SimpleNamespace(aims=()))"])
    assert "explorer" in code
    done = run("lab,sheets,stamps", "-c", code)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("command", ["check", "intake"])
@pytest.mark.slow
def test_check_and_intake_need_no_extra(command: str, tmp_path: Path):
    folder = tmp_path / "tote"
    shutil.copytree(demo_folder("tote"), folder)
    done = run("report,lab,sheets", command, str(folder))
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
def test_a_missing_extra_is_named_in_one_line(tmp_path: Path):
    folder = tmp_path / "tote"
    shutil.copytree(demo_folder("tote"), folder)
    assert run("report", "intake", str(folder)).returncode == 0
    done = run("report", "report", str(folder))
    assert done.returncode == 9
    assert len(done.stderr.strip().splitlines()) == 1
    assert "pip install 'studykit[report]'" in done.stderr


def test_a_module_of_no_extra_is_a_fault_of_the_kit():
    assert lacking(ModuleNotFoundError("No module named 'x'", name="x")) == ""
    assert "studykit[sheets]" in lacking(ModuleNotFoundError("No module named 'typst'", name="typst"))


@pytest.mark.slow
def test_what_is_imported_is_declared():
    core, extras = names(PROJECT["dependencies"]), {e: names(r) for e, r in PROJECT["optional-dependencies"].items()}
    where = {DISTRIBUTION.get(m, m): m for m in imported()}
    for extra, modules in EXTRAS.items():
        assert {DISTRIBUTION.get(m, m).lower() for m in modules} == extras[extra], extra
    declared = core | {d for e in EXTRAS for d in extras[e]}
    assert {m for d, m in where.items() if d.lower() not in declared} == set()


@pytest.mark.slow
def test_nothing_is_declared_that_nobody_imports():
    used = {DISTRIBUTION.get(m, m).lower() for m in imported()}
    declared = names(PROJECT["dependencies"]) | {DISTRIBUTION.get(m, m).lower() for ms in EXTRAS.values() for m in ms}
    assert declared - used <= {"ipykernel", "jupyterlab"}  # started by name: a kernel, and a program


def test_everything_is_all_of_the_extras():
    """But for the cluster, which method developers alone want; the tests have it."""
    assert PROJECT["optional-dependencies"]["all"] == [f"studykit[{','.join(e for e in EXTRAS if e != 'many')}]"]
    assert "studykit[many]" in PROJECT["optional-dependencies"]["test"]
    assert "studykit[all]" in PROJECT["optional-dependencies"]["test"]
