"""kill -9 at many moments of every writing command: ``python -m tests.report.kills [N] [COMMAND ...]`` (60 moments by default).

After each kill the filed report must be the old one or the new one, whole; the command must run again to its end; and
nothing half-written may be left, in the study or in the temporary place. Prints one line a moment, and ends with an error
where one failed. Half of the moments are chosen: just before one of the renames and removals by which the command puts its
files in their places, the last two among them; notebooks are not run for these, those that ran before stand in for them.
The others are random times over the whole command (``--chosen`` leaves them out).
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from functools import cache
from pathlib import Path

from studykit.classroom.deliver import deliver
from studykit.classroom.make import make_class
from studykit.classroom.orders import write_order
from studykit.classroom.safe import unseal
from studykit.commands.intake import take_in
from studykit.core.errors import StudyKitError
from studykit.core.hashes import WAITING
from studykit.demos.shipped import copy_demo
from studykit.report.manifest import FILE
from studykit.report.own import COPIED
from studykit.report.verify import verify
from studykit.study.definition import load_study
from studykit.study.lock import lock_folder, lock_status
from studykit.study.tables import load_tables
from tests.classroom.test_classroom import planned
from tests.report.filed import filed_tote
from tests.studies import slip_with_a_question

COMMANDS = ("report", "intake", "plan", "lock", "pack", "recheck", "verify", "new", "check", "add", "exclude", "margin",
            "export", "ask", "summary", "compare", "controls", "course", "class", "order", "deliver", "reveal")
FILES = ("report.part", "report.old", ".studykit.holder.json", WAITING)
SECONDS = 20
"""Within which whatever a killed command had started has ended too."""
BESIDE = {"pack": "x.zip", "export": "x", "ask": "x", "summary": "x.pdf", "compare": "x", "controls": "x"}
"""Commands that write beside the study, and what."""
FOLDERS = ("new", "course", "class")
"""Commands that make a folder of their own."""
SOLD = ("order", "deliver", "reveal")
"""Commands of a class that is there already, of one student."""
STUDENT, PHRASE = "ada", "invented for a test"
COUNTED = """
import atexit, contextlib, os, shutil, signal, sys
from pathlib import Path
left, told, ran = int(sys.argv.pop(1)), sys.argv.pop(1), sys.argv.pop(1)
seen = [0]
def counted(real):
    def call(*given, **named):
        if seen[0] == left:
            os.killpg(0, signal.SIGKILL)
        seen[0] += 1
        return real(*given, **named)
    return call
for name in ("replace", "rename", "unlink", "rmdir"):
    setattr(os, name, counted(getattr(os, name)))
atexit.register(lambda: open(told, "w").write(str(seen[0])))
if ran:
    from studykit.commands import plan, report
    from studykit.report import run
    def ran_before(sources, targets, parameters, say, **named):
        for stem, target in targets.items():
            shutil.copytree(Path(ran) / stem, target.parent)
        return tuple(run.StageRun(stem=s, notebook=t, parameters=dict(parameters), seconds=0.0) for s, t in targets.items())
    run.run_notebooks = plan.run_notebooks = ran_before
    report.ahead_in = lambda *given, **named: contextlib.nullcontext()
from studykit.commands.cli import main
sys.exit(main(sys.argv[1:]))
"""
"""A command that is killed before one of its renames and removals, or else tells how many there were.

Where a folder of stages that ran before is given, they stand in for running the notebooks.
"""


@cache
def ran_before(command: str) -> str:
    """The folder of stages that a run of the command gave; '' for one that runs no notebook."""
    if command == "plan":
        folder = Path(tempfile.mkdtemp(prefix="kills-"))
        (folder / "tmp").mkdir()
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        root = prepared(command, folder)
        if start(command, root, folder / "tmp").wait(timeout=900):
            raise RuntimeError("the plan alone does not run")
        return str(root / "plan/pages")
    return str(filed_tote() / "report") if command in ("report", "recheck") else ""


def arguments(command: str, root: Path, again: bool) -> list[str]:
    """The command line of a command over a study; ``again``: the one that must run afterwards, whatever the first one did."""
    targets = [str(root.parent / "fresh")] if command in FOLDERS else [str(root)]
    targets += [str(root.parent / "other")] if command in ("compare", "controls") else []
    phrase = ["--passphrase-file", str(phrase_file(root))]
    more = ["--to", str(root.parent / BESIDE[command])] if command in BESIDE else []
    why = ["--reason", "told for a test"]
    more += {"add": ["B" if again else "A", "--like", "T01", *why], "margin": ["P", "9 %" if again else "8 %", *why],
             "exclude": ["0299" if again else "0287", "--who", "keeper", *why],
             "class": ["--students", "3", *phrase], "deliver": phrase, "reveal": [*phrase, "--anyway"]}.get(command, [])
    return ["--quiet", command, *targets, *more]


def phrase_file(root: Path) -> Path:
    """Where the passphrase of a class is written, beside the study or the class."""
    return root.parent / "phrase.txt"


def start(command: str, root: Path, place: Path, again: bool = False, point: int = -1,
          ran: str = "") -> subprocess.Popen[bytes]:
    """The command in a process group of its own, with a temporary place of its own; ``point`` and ``ran`` as of ``COUNTED``."""
    return subprocess.Popen([sys.executable, "-c", COUNTED, str(point), str(root.parent / "count.txt"), ran,
                             *arguments(command, root, again)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                            env=os.environ | {"TMPDIR": str(place)}, start_new_session=True)


def prepared(command: str, folder: Path) -> Path:
    """A study for a command: filed, so that there is an old report to keep; for four commands one without a report."""
    root = folder / "study"
    (folder / "phrase.txt").write_text(f"{PHRASE}\n")
    if command in SOLD:
        return of_a_class(command, folder / "harbour")
    if command in ("plan", "ask", "controls", "add"):
        if command == "ask":
            slip_with_a_question(root)
        else:
            copy_demo("ropeway" if command == "controls" else "slip", root)  # whose laboratory read check fluids
        if command != "plan":
            take_in(root, "", lambda _: None)
        if command == "controls":
            shutil.copytree(root, folder / "other")
    else:
        shutil.copytree(filed_tote(), root)
        shutil.copytree(root, folder / "other")
    if command in ("add", "margin"):
        lock_folder(root, "", ())
    return root


def of_a_class(command: str, root: Path) -> Path:
    """A class of one student as a command finds it: planned, ordered, delivered; for ``order`` the student's folder."""
    make_class(root, (STUDENT,), 1200, PHRASE)
    student = planned(root / "students" / STUDENT)
    if command == "order":
        return student
    write_order(student)
    if command == "reveal":
        deliver(root, PHRASE)
    return root


def faults_of_class(command: str, root: Path, whole: bool) -> list[str]:
    """What is wrong with a class: a ledger that nobody can open, goods without payment, an answer that is not all there."""
    top = root.parent.parent if command == "order" else root
    student = top / "students" / STUDENT
    try:
        bought = unseal(top, PHRASE)["students"][STUDENT]["orders"]
    except StudyKitError as error:
        return [str(error)]
    goods = sorted(p.name for p in (student / "raw").glob("laboratory-*.csv"))
    bad = [f"{len(bought)} paid for, {len(goods)} delivered"] if len(goods) > len(bought) or (
        whole and command != "order" and not len(goods) == len(bought) == 1) else []
    if whole and command == "order" and not json.loads((student / "orders/order-1.json").read_bytes())["bottles"]:
        bad.append("the order names no bottle")
    if whole and command == "reveal":
        told = ("teacher/class.html", f"students/{STUDENT}/truth.json")
        bad += [f"{p} is not there" for p in told if not (top / p).exists()]
    return bad


def faults_after(command: str, root: Path, place: Path, whole: bool) -> list[str]:
    """What is wrong after a kill (``whole``: after the command ran again to its end)."""
    bad = faults_of_class(command, root, whole) if command in SOLD else faults_of_report(command, root)
    if command in ("add", "exclude", "margin", "plan"):
        try:
            load_tables(root, with_results=False)
            lock_status(root, load_study(root))
        except StudyKitError as error:
            bad.append(str(error))
    if whole:
        left = [p.relative_to(root).as_posix() for p in root.rglob("*") if p.name.endswith(".part") or p.name in FILES
                or (p.name.startswith(".studykit-"))]
        bad += [f"left: {p}" for p in left]
        bad += [f"left beside: {p.name}" for p in root.parent.iterdir() if p.name.endswith((".part", ".old"))]
        bad += [f"left in the temporary place: {p.name}" for p in place.iterdir() if p.name.startswith("studykit")]
    return bad


def faults_of_report(command: str, root: Path) -> list[str]:
    """What is wrong with the filed report; where the command changes inputs, only of the report itself."""
    if (root / FILE).exists():
        try:
            rows = verify(root).differences
        except StudyKitError as error:
            return [str(error)]
        inputs = command in ("add", "exclude", "margin", "intake")
        return [f"{r['what']}: {r['re-executed']}" for r in rows if r["what"] != "plan/plan.lock"
                and (r["what"].startswith("report/") or not inputs)]
    filed = command not in ("plan", "ask", "controls", "add") and not (root / "report.old").exists()
    return ["no report is left"] if filed else []


def beside_is_whole(command: str, folder: Path) -> list[str]:
    """What is half-written of that which a command writes beside the study: it is there whole, or not at all."""
    made = folder / (BESIDE | dict.fromkeys(FOLDERS, "fresh")).get(command, "no such file")
    if not made.exists():
        return []
    last = {"pack": lambda: zipfile.ZipFile(made).testzip() is None, "export": (made / "figures/captions.csv").exists,
            "ask": (made / "send/letter.html").exists, "new": (made / COPIED).exists,
            "summary": lambda: made.read_bytes().rstrip().endswith(b"%%EOF"), "compare": lambda: any(made.glob("*.html")),
            "controls": lambda: any(made.glob("*.html")) and (made / "for-the-next-study.toml").exists(),
            "course": lambda: len(list(made.glob("*.ipynb"))) >= 10,
            "class": lambda: len(list((made / "students").iterdir())) == 3 and any((made / "teacher").iterdir())}[command]
    return [] if last() else [f"{made.name} is half-written"]


def survivors(place: Path) -> list[str]:
    """Processes that a killed command started and that do not end by themselves; Linux only."""
    mark, until = f"TMPDIR={place}".encode(), time.monotonic() + SECONDS
    while True:
        alive = []
        for entry in Path("/proc").glob("[0-9]*/environ"):
            with contextlib.suppress(OSError):
                alive += [entry.parent.name] if mark in entry.read_bytes().split(b"\0") else []
        if not alive or time.monotonic() > until:
            return [f"process {p} goes on" for p in alive]
        time.sleep(0.1)


def one(command: str, after: float, point: int = -1) -> list[str]:
    """Kill the command's whole process group after that many seconds or before that rename, look, run it again, look again."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        place = folder / "tmp"
        place.mkdir()
        root = prepared(command, folder)
        process = start(command, root, place, point=point, ran=ran_before(command) if point >= 0 else "")
        try:
            process.wait(timeout=after)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        bad = [*survivors(place), *faults_after(command, root, place, False), *beside_is_whole(command, folder)]
        for made in (folder / "x.zip", folder / "fresh"):  # whole, or the line above says so; these refuse to overwrite
            shutil.rmtree(made) if made.is_dir() else made.unlink(missing_ok=True)
        if command == "lock":
            (root / "plan/plan.lock").unlink(missing_ok=True)
        # a run that was killed among its notebooks is followed by one that runs them: that one clears the temporary place
        code = start(command, root, place, again=True, ran=ran_before(command) if point >= 0 else "").wait(timeout=900)
        return bad + ([f"again: exit code {code}"] if code else []) + faults_after(command, root, place, True) + (
            beside_is_whole(command, folder))


def measured(command: str, ran: str = "") -> tuple[float, int]:
    """How long the command takes here when nobody kills it, seconds, and how many renames and removals it makes.

    ``ran`` as of ``COUNTED``.
    """
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "tmp"
        place.mkdir()
        root = prepared(command, Path(name))
        begun = time.monotonic()
        code = start(command, root, place, ran=ran).wait(timeout=900)
        if code:
            raise RuntimeError(f"{command} alone ends with exit code {code}")
        return time.monotonic() - begun, int((root.parent / "count.txt").read_text())


def points_of(count: int, number: int) -> list[int]:
    """So many of the renames and removals: the last two, the others spread evenly."""
    spread = [count * k // max(number - 2, 1) for k in range(max(number - 2, 0))]
    return sorted({p for p in (*spread, count - 2, count - 1) if 0 <= p < count})[-number:]


def main(moments: int, commands: tuple[str, ...], *, times: bool = True) -> int:
    """Kill each command at its share of the moments; returns how many went wrong. ``times``: at random times too."""
    wrong, rng = 0, random.Random(20261126)
    share = max(2, moments // len(commands))
    for command in commands:
        _, count = measured(command, ran_before(command))
        todo = [(900.0, point, f"before rename or removal {point + 1} of {count}")
                for point in points_of(count, share - share // 2 if times else share)]
        whole = measured(command)[0] if times else 0.0
        todo += [(at, -1, f"after {at:.2f} of {whole:.2f} s") for at in (rng.uniform(0, whole) for _ in range(share // 2))
                 ] if times else []
        for at, point, when in todo:
            bad = one(command, at, point)
            wrong += bool(bad)
            print(f"{command} killed {when}: {'; '.join(bad) or 'whole'}", flush=True)
    return wrong


if __name__ == "__main__":
    given = [a for a in sys.argv[1:] if a != "--chosen"]
    number = int(given.pop(0)) if given and given[0].isdigit() else 60
    if unknown := [a for a in given if a not in COMMANDS]:
        sys.exit(f"no such command: {', '.join(unknown)}; there are {', '.join(COMMANDS)}")
    sys.exit(main(number, tuple(given) or COMMANDS, times="--chosen" not in sys.argv) and 1)
