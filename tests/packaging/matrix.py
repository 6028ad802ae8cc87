"""Install the wheel alone under several Pythons and sets of versions, run a study by its commands, compare its numbers.

    python -m tests.packaging.matrix --pythons python3.11 python3.12 --sets lowest pinned newest pre

``lowest`` takes every direct requirement at its declared floor, ``pinned`` constraints.txt, ``newest`` what the index
has, ``pre`` pre-releases too. Each takes minutes: this is no part of the suite. Results stand in build/matrix.md.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
SETS = ("lowest", "pinned", "newest", "pre")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One Python with one set of versions: what was installed, what ran, whether the numbers agree."""

    python: str
    versions: str
    distributions: int = 0
    megabytes: int = 0
    outcome: str = ""
    seconds: float = 0.0

    def row(self) -> str:
        """A line of the table."""
        return (f"| {self.python} | {self.versions} | {self.distributions} | {self.megabytes} | {self.outcome} "
                f"| {self.seconds:.0f} |")


def floors(extras: tuple[str, ...] = ("report", "lab", "sheets")) -> list[str]:
    """'name==floor' of every direct requirement; an exact pin stands as it is."""
    requirements = [*PROJECT["dependencies"], *(r for e in extras for r in PROJECT["optional-dependencies"][e])]
    found = [re.match(r"([\w.-]+)\s*(?:>=|==)\s*([\w.]+)", r) for r in requirements]
    return [f"{m[1]}=={m[2]}" for m in found if m]


def run(command: list[str], place: Path) -> subprocess.CompletedProcess[str]:
    """A command in a folder, without this checkout on the path."""
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "STUDYKIT_VENV")}
    return subprocess.run(command, cwd=place, env=clean, text=True, capture_output=True, check=False)


def install(python: str, versions: str, target: str, place: Path) -> tuple[Path, str]:
    """A fresh environment with the wheel; its Python and the reason why it could not be made ('' if it could)."""
    env = place / "env"
    made = run([python, "-m", "venv", str(env)], place)
    own = env / "bin/python"
    if made.returncode:
        return own, made.stderr.strip().splitlines()[-1]
    pins = place / "pins.txt"
    pins.write_text("\n".join(floors()) if versions == "lowest" else (ROOT / "constraints.txt").read_text("utf-8"))
    options = ["-c", str(pins)] if versions in ("lowest", "pinned") else ["--pre"] if versions == "pre" else []
    done = run([str(own), "-m", "pip", "install", "-q", "--disable-pip-version-check", *options, target], place)
    errors = [line for line in done.stderr.splitlines() if "ERROR" in line]
    return own, "" if done.returncode == 0 else (errors or done.stderr.splitlines() or ["failed"])[-1]


def size(python: Path) -> tuple[int, int]:
    """Distributions (pip and its kind left out) and megabytes of an environment."""
    code = "import importlib.metadata as m; print(len({d.name for d in m.distributions()} - {'pip', 'setuptools', 'wheel'}))"
    count = int(run([str(python), "-c", code], python.parent).stdout)
    folder = python.parents[1]
    return count, round(sum(f.stat().st_size for f in folder.rglob("*") if f.is_file() and not f.is_symlink()) / 1e6)


def story(python: Path, place: Path, demo: str) -> tuple[str, dict[str, object]]:
    """The commands of a study one after the other; the first that fails, and the numbers of its report."""
    kit = str(python.parent / "studykit")
    study = place / "study"
    steps = [["demo", demo, "--to", str(study)], ["check", str(study)], ["intake", str(study)], ["report", str(study)],
             ["verify", str(study)], ["recheck", str(study)], ["new", str(place / "new")], ["check", str(place / "new")]]
    for step in steps:
        done = run([kit, *step], place)
        if done.returncode not in ((0, 2) if step[-1].endswith("/new") else (0,)):
            said = (done.stderr or done.stdout).strip().splitlines()
            return f"{step[0]}: exit {done.returncode}, {said[-1][:160] if said else ''}", {}
    return "", json.loads((study / "report/numbers.json").read_text("utf-8"))


def differing(one: dict[str, object], other: dict[str, object]) -> int:
    """Recorded numbers that are not equal to a millionth."""
    def apart(a: object, b: object) -> bool:
        return abs(a - b) > 1e-6 * max(1.0, abs(a)) if isinstance(a, float) and isinstance(b, float) else a != b

    values = {k: (v["value"] if isinstance(v, dict) else v) for k, v in one.items()}
    others = {k: (v["value"] if isinstance(v, dict) else v) for k, v in other.items()}
    return sum(k not in others or apart(v, others[k]) for k, v in values.items()) + len(set(others) - set(values))


def flat(numbers: dict[str, object]) -> dict[str, object]:
    """Records by name, whatever the file's outer form."""
    inner = numbers.get("numbers", numbers)
    return {f"{r['stage']}.{r['name']}": r for r in inner} if isinstance(inner, list) else dict(inner)  # type: ignore[call-overload]


def cell(python: str, versions: str, wheel: Path, demo: str, reference: dict[str, object]) -> tuple[Cell, dict[str, object]]:
    """One cell of the table; the numbers it gave."""
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        own, why = install(python, versions, f"{wheel}[all]", place)
        if why:
            return Cell(python=python, versions=versions, outcome=f"not installed: {why[:160]}"), {}
        count, megabytes = size(own)
        failed, numbers = story(own, place, demo)
        found = flat(numbers) if numbers else {}
        apart = differing(reference, found) if reference and found else 0
        outcome = failed or (f"{apart} of {len(found)} numbers differ" if apart else f"all {len(found)} numbers equal")
    return Cell(python=python, versions=versions, distributions=count, megabytes=megabytes, outcome=outcome,
                seconds=time.monotonic() - start), found


def build_wheel(place: Path) -> Path:
    """The wheel of this checkout."""
    subprocess.run([sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(place), str(ROOT)], check=True)
    return next(place.glob("*.whl"))


def main() -> None:
    """Fill the table and write it."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--pythons", nargs="+", default=[sys.executable])
    ask.add_argument("--sets", nargs="+", default=list(SETS), choices=SETS)
    ask.add_argument("--demo", default="tote")
    given = ask.parse_args()
    lines = ["| Python | versions | distributions | MB | outcome | s |", "| --- | --- | --- | --- | --- | --- |"]
    reference: dict[str, object] = {}
    with tempfile.TemporaryDirectory() as folder:
        wheel = build_wheel(Path(folder))
        for python in given.pythons:
            for versions in given.sets:
                made, numbers = cell(python, versions, wheel, given.demo, reference)
                reference = reference or numbers
                print(made.row(), flush=True)
                lines.append(made.row())
    (ROOT / "build").mkdir(exist_ok=True)
    (ROOT / "build/matrix.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
