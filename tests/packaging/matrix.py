"""Install the wheel alone under several Pythons and sets of versions, run a study by its commands, compare its numbers.

    python -m tests.packaging.matrix --pythons python3.11 python3.12 --sets pinned lowest newest pre

``lowest`` takes every direct requirement at its declared floor, ``pinned`` constraints.txt, ``newest`` what the index
has, ``pre`` pre-releases too. ``uv`` must be installed: it resolves and installs from wheels alone. A cell takes minutes:
this is no part of the suite. What ran is kept in build/matrix.json, a cell replaced by its next run; ``--table`` writes
the table of all cells, each with its day, into DEVELOPERS.md. Values are compared with those of the first cell that ran
to its end.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = tuple(e for e in PROJECT["optional-dependencies"] if e not in ("all", "test"))
SETS = {"pinned": ["-c", str(ROOT / "constraints.txt")], "lowest": ["--resolution", "lowest-direct"], "newest": [],
        "pre": ["--prerelease", "allow"]}
"""Set of versions to what makes it when requirements are resolved."""
KEPT = ROOT / "build/matrix.json"
MARKS = ("<!-- matrix: made by python -m tests.packaging.matrix -->", "<!-- end of matrix -->")
CHAIN = ("new", "check", "intake", "plan", "lock", "report", "recheck")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One Python with one set of versions: what was installed, what ran, whether the numbers agree."""

    python: str
    versions: str
    day: str
    distributions: int = 0
    megabytes: int = 0
    named: str = ""
    outcome: str = ""
    seconds: float = 0.0

    def row(self) -> str:
        """A line of the table."""
        return (f"| {self.python} | {self.versions} | {self.named} | {self.distributions} | {self.megabytes} "
                f"| {self.outcome} | {self.seconds:.0f} | {self.day} |")


def run(command: list[str], place: Path, more: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """A command in a folder, without this checkout on the path; variables of the environment beside those that are set."""
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "STUDYKIT_VENV", "VIRTUAL_ENV")}
    return subprocess.run(command, cwd=place, env=clean | (more or {}), text=True, capture_output=True, check=False)


def last_line(done: subprocess.CompletedProcess[str]) -> str:
    """What a failed command said at its end, in a form that fits a cell."""
    said = [line.strip(" ╰─▶│") for line in (done.stderr or done.stdout).splitlines() if line.strip()]
    return " ".join(said)[-200:].replace("|", "/")


def install(uv: str, python: str, versions: str, wheel: Path, place: Path) -> tuple[Path, str]:
    """A fresh environment with the wheel; its Python and the reason why it could not be made ('' if it could)."""
    env, chosen = place / "env", place / "chosen.txt"
    own = env / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    extras = [word for e in EXTRAS for word in ("--extra", e)]
    binary = ["--only-binary", ":all:"]
    steps = [[uv, "venv", "-q", "--python", python, str(env)],
             [uv, "pip", "compile", "-q", "--python", str(own), *binary, *SETS[versions], *extras, "-o", str(chosen),
              str(ROOT / "pyproject.toml")],
             [uv, "pip", "install", "-q", "--python", str(own), *binary, "--prerelease", "allow", "-c", str(chosen),
              f"{wheel}[all]"]]
    for step in steps:
        done = run(step, place)
        if done.returncode:
            return own, last_line(done)
    return own, ""


def chosen_versions(file: Path) -> dict[str, str]:
    """Distribution to version, of a resolved list."""
    return dict(re.findall(r"(?m)^([\w.-]+)==([\w.+!]+)", file.read_text(encoding="utf-8")))


def above_floor(chosen: dict[str, str]) -> list[str]:
    """Direct requirements that a Python could not take at their declared floor."""
    asked = [*PROJECT["dependencies"], *(r for e in EXTRAS for r in PROJECT["optional-dependencies"][e])]
    floors = [m for r in asked if (m := re.match(r"([\w.-]+)\s*(?:>=|==)\s*([\w.]+)", r))]
    plain = {re.sub(r"[-_.]+", "-", k).lower(): v for k, v in chosen.items()}
    pairs = [(m[1], m[2], plain.get(re.sub(r"[-_.]+", "-", m[1]).lower(), "absent")) for m in floors]
    return [f"{name} {found} for {floor}" for name, floor, found in pairs if _release(found) != _release(floor)]


def _release(version: str) -> list[str]:
    return re.sub(r"(\.0)+$", "", version).split(".")


def size(python: Path) -> tuple[int, int]:
    """Distributions (pip and its kind left out) and megabytes of an environment."""
    code = "import importlib.metadata as m; print(len({d.name for d in m.distributions()} - {'pip', 'setuptools', 'wheel'}))"
    count = int(run([str(python), "-c", code], python.parent).stdout)
    folder = python.parents[1]
    return count, round(sum(f.stat().st_size for f in folder.rglob("*") if f.is_file() and not f.is_symlink()) / 1e6)


def story(python: Path, place: Path, demo: str) -> tuple[str, dict[str, object]]:
    """The commands of a study one after the other; the first that fails, and the numbers of its report."""
    study = place / "my study"
    kit = [str(python), "-m", "studykit"]
    for command in CHAIN:
        done = run([*kit, command, str(study)], place)
        if done.returncode:
            return f"{command}: exit {done.returncode}, {last_line(done)}", {}
        if command == "new":
            code = "from studykit.demos.shipped import demo_folder as d; import sys; print(d(sys.argv[1]))"
            shipped = run([str(python), "-c", code, demo], place).stdout.strip()
            shutil.copytree(shipped, study, dirs_exist_ok=True)
    records = json.loads((study / "report/numbers.json").read_text("utf-8"))
    return "", {f"{r['stage']}.{r['name']}": r["value"] for r in records}


ELSEWHERE = {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8", "TZ": "Asia/Kathmandu", "OMP_NUM_THREADS": "3",
             "OPENBLAS_NUM_THREADS": "3"}
"""Surroundings under which a study that was filed elsewhere is rechecked: other capitals of i, a quarter hour off, threads."""


def received(python: Path, place: Path, filed: Path) -> str:
    """Recheck a copy of a study that was filed elsewhere, as its receiver would; what it said ('' for nothing to say)."""
    copy = shutil.copytree(filed, place / "ä ö" / "received")
    done = run([str(python), "-m", "studykit", "recheck", str(copy)], place, ELSEWHERE)
    said = [line for line in done.stdout.splitlines() if line.strip()]
    return "" if done.returncode == 0 else f"recheck of a filed study: exit {done.returncode}, {' '.join(said)[-400:]}"


def differing(one: dict[str, object], other: dict[str, object]) -> list[str]:
    """Names of recorded values that are not equal, numbers to a millionth, or that one side lacks."""
    def apart(a: object, b: object) -> bool:
        return abs(a - b) > 1e-6 * max(1.0, abs(a)) if isinstance(a, float) and isinstance(b, float) else a != b

    return sorted(k for k in one.keys() | other.keys() if k not in one or k not in other or apart(one[k], other[k]))


def cell(uv: str, python: str, versions: str, wheel: Path, demo: str, reference: dict[str, object],
         filed: Path | None = None) -> tuple[Cell, dict[str, object]]:
    """One cell of the table; the numbers it gave."""
    start, day = time.monotonic(), dt.date.today().isoformat()
    version = run([python, "-c", "import platform; print(platform.python_version())"], ROOT).stdout.strip()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        own, why = install(uv, python, versions, wheel, place)
        if why:
            return Cell(python=version, versions=versions, day=day, outcome=f"not installed: {why}"), {}
        chosen = chosen_versions(place / "chosen.txt")
        named = ", ".join(f"{n} {chosen[n]}" for n in ("numpy", "scipy", "pandas"))
        high = above_floor(chosen) if versions == "lowest" else []
        count, megabytes = size(own)
        failed, found = story(own, place, demo)
        failed = failed or (received(own, place, filed) if filed else "")
        apart = differing(reference, found) if reference and found else []
        alike = f"all {len(found)} values equal" if reference else f"{len(found)} values, with which the others are compared"
        outcome = failed or (f"differ: {', '.join(apart[:5])}" if apart else alike)
        return Cell(python=version, versions=versions, day=day, named=named, distributions=count, megabytes=megabytes,
                    outcome="; ".join([outcome, *high]), seconds=time.monotonic() - start), found


def build_wheel(place: Path) -> Path:
    """The wheel of this checkout."""
    subprocess.run([sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(place), str(ROOT)], check=True)
    return next(place.glob("*.whl"))


def table(cells: list[Cell]) -> str:
    """All cells as a table, by Python and set."""
    order = list(SETS)
    rows = sorted(cells, key=lambda c: (c.python.split("."), order.index(c.versions)))
    head = ["| Python | versions | among them | distributions | MB | a study by its commands | s | run on |",
            "| --- | --- | --- | --- | --- | --- | --- | --- |"]
    return "\n".join([*head, *(c.row() for c in rows)])


def write_table(text: str) -> None:
    """Put the table between its marks in DEVELOPERS.md."""
    path = ROOT / "DEVELOPERS.md"
    before, rest = path.read_text(encoding="utf-8").split(MARKS[0])
    path.write_text(f"{before}{MARKS[0]}\n{text}\n{MARKS[1]}{rest.split(MARKS[1])[1]}", encoding="utf-8")


def main() -> None:
    """Run the cells that were asked for, keep them, and write the table of all."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--pythons", nargs="+", default=[sys.executable])
    ask.add_argument("--sets", nargs="+", default=list(SETS), choices=list(SETS))
    ask.add_argument("--demo", default="tote")
    ask.add_argument("--filed", type=Path, help="a study that was filed elsewhere, which each environment rechecks too")
    ask.add_argument("--table", action="store_true", help="write the table of all cells that are kept into DEVELOPERS.md")
    given = ask.parse_args()
    uv = shutil.which("uv") or sys.exit("this needs uv: pip install uv")
    kept = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {"values": {}, "cells": {}}
    KEPT.parent.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        wheel = build_wheel(Path(folder))
        for python in given.pythons:
            for versions in given.sets:
                made, found = cell(uv, python, versions, wheel, given.demo, kept["values"], given.filed)
                kept["values"] = kept["values"] or found
                kept["cells"][f"{made.python} {versions}"] = asdict(made)
                KEPT.write_text(json.dumps(kept, indent=1), encoding="utf-8")
                print(made.row(), flush=True)
    if given.table:
        write_table(table([Cell(**c) for c in kept["cells"].values()]))


if __name__ == "__main__":
    main()
