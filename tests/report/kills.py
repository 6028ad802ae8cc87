"""kill -9 at many moments of every writing command: ``python -m tests.report.kills [N] [COMMAND ...]`` (60 moments by default).

After each kill the filed report must be the old one or the new one, whole; the command must run again to its end; and
nothing half-written may be left, in the study or in the temporary place. Prints one line a moment, and ends with an error
where one failed. The moments are chosen (the first half spread evenly over the command's own duration) and random.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from studykit.core.errors import StudyKitError
from studykit.demos.shipped import copy_demo
from studykit.report.manifest import FILE
from studykit.report.verify import verify
from tests.report.filed import filed_tote

COMMANDS = ("report", "intake", "plan", "lock", "pack", "recheck", "verify", "new", "check")
FILES = ("report.part", "report.old", ".studykit.holder.json")


def arguments(command: str, root: Path) -> list[str]:
    """The command line of a command over a study."""
    target = root.parent / "fresh" if command == "new" else root
    more = ["--to", str(root.parent / "x.zip")] if command == "pack" else []
    return [sys.executable, "-m", "studykit", "--quiet", command, str(target), *more]


def start(command: str, root: Path, place: Path) -> subprocess.Popen[bytes]:
    """The command in a process group of its own, with a temporary place of its own."""
    return subprocess.Popen(arguments(command, root), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                            env=os.environ | {"TMPDIR": str(place)}, start_new_session=True)


def prepared(command: str, folder: Path) -> Path:
    """A study for a command: filed, so that there is an old report to keep; without a lock for ``lock``."""
    root = folder / "study"
    shutil.copytree(filed_tote(), root)
    if command == "plan":
        shutil.rmtree(root)
        copy_demo("slip", root)
    return root


def faults_after(command: str, root: Path, place: Path, whole: bool) -> list[str]:
    """What is wrong after a kill (``whole``: after the command ran again to its end)."""
    bad = []
    if (root / FILE).exists() and command not in ("intake", "plan"):
        try:
            rows = verify(root).differences
            bad += [f"{r['what']}: {r['re-executed']}" for r in rows if r["what"] != "plan/plan.lock"]
        except StudyKitError as error:
            bad.append(str(error))
    elif command in ("report", "recheck", "verify", "pack", "check") and not (root / FILE).exists() and not (
            root / "report.old").exists():
        bad.append("no report is left")
    if whole:
        left = [p.relative_to(root).as_posix() for p in root.rglob("*") if p.name.endswith(".part") or p.name in FILES
                or (p.name.startswith(".studykit-"))]
        bad += [f"left: {p}" for p in left]
        bad += [f"left in the temporary place: {p.name}" for p in place.iterdir() if p.name.startswith("studykit")]
    return bad


def one(command: str, after: float) -> list[str]:
    """Kill the command's whole process group after that many seconds, look, run it again, look again."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        place = folder / "tmp"
        place.mkdir()
        root = prepared(command, folder)
        process = start(command, root, place)
        try:
            process.wait(timeout=after)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        bad = faults_after(command, root, place, False) if command != "new" else []
        for left in (folder / "x.zip", folder / "fresh"):  # what was made is the user's; these two refuse to overwrite
            shutil.rmtree(left) if left.is_dir() else left.unlink(missing_ok=True)
        if command == "lock" and (root / "plan/plan.lock").exists():
            (root / "plan/plan.lock").unlink()
        again = start(command, root, place)
        code = again.wait(timeout=600)
        return bad + ([f"again: exit code {code}"] if code else []) + faults_after(command, root, place, True)


def duration(command: str) -> float:
    """How long the command takes here when nobody kills it, seconds."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "tmp"
        place.mkdir()
        root = prepared(command, Path(name))
        begun = time.monotonic()
        start(command, root, place).wait(timeout=900)
        return time.monotonic() - begun


def main(moments: int, commands: tuple[str, ...]) -> int:
    """Kill each command at its share of the moments; returns how many went wrong."""
    wrong, rng = 0, random.Random(20261126)
    share = max(2, moments // len(commands))
    for command in commands:
        whole = duration(command)
        times = [whole * (k + 0.5) / (share - share // 2) for k in range(share - share // 2)]
        times += [rng.uniform(0, whole) for _ in range(share // 2)]
        for at in times:
            bad = one(command, at)
            wrong += bool(bad)
            print(f"{command} killed after {at:.2f} of {whole:.2f} s: {'; '.join(bad) or 'whole'}", flush=True)
    return wrong


if __name__ == "__main__":
    given = sys.argv[1:]
    number = int(given.pop(0)) if given and given[0].isdigit() else 60
    sys.exit(main(number, tuple(given) or COMMANDS) and 1)
