"""A dishonest sender against ``verify``: seeded changes to a filed study, each with what a reader must be told.

``python -m tests.report.dishonest`` tries all of them: every file changed in five ways, and each attack below. The tests
try the five ways and a seeded sample of the attacks. Prints one line a case, and ends with an error where one passed.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import shutil
import signal
import socket
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from studykit.commands.cli import main
from studykit.report.manifest import FILE, PARTS, canonical
from studykit.report.verify import verify
from studykit.study.seal import seal_of
from tests.report.filed import filed_tote, rehash

SECONDS = 30
"""After which a case counts as one that hangs; it takes half a second."""
RNG = random.Random("studykit/dishonest")
KINDS: dict[str, Callable[[bytes], bytes]] = {
    "one bit": lambda b: b[:len(b) // 2] + bytes([b[len(b) // 2] ^ 1]) + b[len(b) // 2 + 1:],
    "a byte less": lambda b: b[:-1], "a blank more": lambda b: b + b" ", "empty": lambda b: b"",
    "other bytes, same length": lambda b: RNG.randbytes(len(b))}
Attack = tuple[Callable[[Path], Any], int, str]


def everything(filed: Path, folder: Path) -> dict[str, tuple[int, list[str]]]:
    """For each kind of change made to every hashed file at once: how many files, and those that were not named."""
    told = {}
    for kind, change in KINDS.items():
        root = Path(shutil.copytree(filed, folder / "every"))
        listed = json.loads((root / FILE).read_text())
        names = [n for part in PARTS for n in listed[part] if (root / n).stat().st_size]
        for name in names:
            (root / name).write_bytes(change((root / name).read_bytes()))
        found = {d["what"] for d in verify(root).differences}
        told[kind] = len(names), [n for n in names if n not in found]
        shutil.rmtree(root)
    return told


def manifest(change: Callable[[dict[str, Any]], Any]) -> Callable[[Path], None]:
    """Change the manifest, written as the kit writes it."""
    def attack(root: Path) -> None:
        data = json.loads((root / FILE).read_text())
        change(data)
        (root / FILE).write_text(canonical(data))

    return attack


def instead(path: str, put: Callable[[Path], Any]) -> Callable[[Path], None]:
    """Put something else in the place of a file."""
    def attack(root: Path) -> None:
        (root / path).unlink(missing_ok=True)
        put(root / path)

    return attack


def swap(path: str, old: str, new: str, corrected: bool = False) -> Callable[[Path], None]:
    """Change one text of a file, which must be there."""
    def attack(root: Path) -> None:
        text = (root / path).read_text()
        assert old in text, (path, old)
        (root / path).write_text(text.replace(old, new, 1))
        if corrected:
            rehash(root)

    return attack


def link(target: str) -> Callable[[Path], None]:
    """A link to somewhere."""
    return lambda path: path.symlink_to(target)


def pipe(path: Path) -> None:
    """A pipe in the file system."""
    os.mkfifo(path)


def away(root: Path) -> None:
    """Move a folder out of the study and leave a link."""
    shutil.move(root / "tidy", root.parent / "away")
    (root / "tidy").symlink_to(root.parent / "away")


def deep(root: Path) -> None:
    """More folders within folders than any path can name."""
    here = os.getcwd()
    os.chdir(root / "report")
    try:
        for _ in range(600):
            os.mkdir("d")
            os.chdir("d")
    finally:
        os.chdir(here)


def listening(root: Path) -> None:
    """A socket among the raw files."""
    here = os.getcwd()
    os.chdir(root / "raw")
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind("sock")
    finally:
        os.chdir(here)


def dated(root: Path) -> None:
    """A lock of an earlier day, sealed anew, without correcting the manifest."""
    entry = {"date": "2026-01-01", "reason": "first"}
    sealed = {**entry, "seal": seal_of(entry, "")}
    (root / "plan/plan.lock").write_text(canonical({"entries": [sealed], "format": 1, "last_seal": sealed["seal"]}))


def write(path: str, data: bytes | str) -> Callable[[Path], None]:
    """Write a file."""
    def attack(root: Path) -> None:
        target = root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8", "surrogateescape"))

    return attack


PAGE, LOCK, RAW = "report/report.html", "plan/plan.lock", "raw/tote_2026-10-06.csv"
ATTACKS: dict[str, Attack] = {
    "a word of the page": (swap(PAGE, "tratified", "omogeneous"), 7, PAGE),
    "a comment on the page": (swap(PAGE, "</body>", "<!-- x --></body>"), 7, PAGE),
    "a script on the page": (swap(PAGE, "</body>", "<script>x()</script></body>"), 7, PAGE),
    "no page": (lambda r: (r / PAGE).unlink(), 7, f"{PAGE}: filed present, now file is gone"),
    "a folder for the page": (instead(PAGE, Path.mkdir), 7, PAGE),
    "a twin by capitals": (write("report/Report.html", "x"), 7, "report/Report.html"),
    "a name read from the right": (write("report/rep\u202elmth.troper", "x"), 7, "rep(U+202E)lmth.troper"),
    "a name of two lines": (write("report/new\n154 files agree.csv", "x"), 7, "new(U+000A)154 files agree.csv"),
    "a name that steers a terminal": (write("report/esc\x1b[2Jx.csv", "x"), 7, "esc(U+001B)[2Jx.csv"),
    "a name that is no text": (write("report/bad\udcff.csv", "x"), 7, "bad(U+DCFF).csv"),
    "a raw file more": (write("raw/more.csv", "x"), 7, "raw/more.csv: filed absent, now new file"),
    "a raw number": (swap(RAW, "690", "590"), 7, RAW),
    "a raw file of no end": (lambda r: os.truncate(r / RAW, 40_000_000_000), 7, "bytes, now 40000000000 bytes"),
    "a raw file of no end that is listed": (lambda r: (os.truncate(r / RAW, 40_000_000_000), manifest(
        lambda m: m["inputs"][RAW].update(bytes=40_000_000_000))(r)), 2, "at most 2000000000 are looked at"),
    "more of no end": (lambda r: (write("raw/more.csv", "x")(r), os.truncate(r / "raw/more.csv", 40_000_000_000)), 7,
                       "raw/more.csv: filed absent, now new file"),
    "raw line ends": (lambda r: write(RAW, (r / RAW).read_bytes().replace(b"\n", b"\r\n"))(r), 7, RAW),
    "a margin": (swap("study.toml", "absolute = 100", "absolute = 300"), 7, "study.toml"),
    "a huge definition": (write("study.toml", b"# " + b"x" * 20_000_000), 7, "study.toml"),
    "a nested definition": (write("study.toml", "x = " + "[" * 60_000), 7, "study.toml"),
    "an exclusion": (write("plan/exclusions.csv", "sample,reason\n1,x\n"), 7, "exclusions.csv"),
    "a lock of an earlier day": (dated, 7, LOCK),
    "no JSON for a lock": (lambda r: (write(LOCK, "{")(r), rehash(r)), 7, "not valid JSON"),
    "an empty lock": (lambda r: (write(LOCK, '{"entries": [], "format": 1, "last_seal": ""}')(r), rehash(r)), 7, "last seal"),
    "a key twice in the lock": (lambda r: (write(LOCK, '{"entries": [], "entries": [], "format": 1}')(r), rehash(r)), 7,
                                "'entries' occurs twice"),
    "a key more in the lock": (lambda r: (write(LOCK, '{"entries": [], "witness": "a notary"}')(r), rehash(r)), 7,
                               "'witness', which no lock has"),
    "a key twice in the plan": (lambda r: (write("plan/plan.json", '{"seed": 1, "seed": 2}')(r), rehash(r)), 7,
                                "plan/plan.json: filed JSON, now was edited by hand: the key 'seed' occurs twice"),
    "a key twice in copied.json": (lambda r: (write("notebooks/copied.json", '{"sha256": {"a": 1, "a": 2}}')(r), rehash(r)), 7,
                                   "the key 'a' occurs twice"),
    "a nested lock": (lambda r: (write(LOCK, "[" * 200_000)(r), rehash(r)), 7, LOCK),
    "a nested manifest": (write(FILE, "[" * 200_000), 2, "is not valid JSON"),
    "a list for a manifest": (write(FILE, "[]"), 2, "another kind of manifest"),
    "zeros for a manifest": (write(FILE, b"\0" * 100), 2, "is not valid JSON"),
    "no manifest": (lambda r: (r / FILE).unlink(), 2, "no report is filed here"),
    "a part twice in the manifest": (swap(FILE, '"outputs": {', '"outputs": {}, "outputs": {'), 2, "occurs twice"),
    "no number in the manifest": (swap(FILE, '"alpha": 0.05', '"alpha": NaN'), 2, "NaN is no number"),
    "a path out of the folder": (manifest(lambda m: m["outputs"].update({"/etc/hosts": {"bytes": 1, "sha256": "0"}})), 7,
                                 "/etc/hosts"),
    "a path upwards": (manifest(lambda m: m["outputs"].update({"report/../../x": {"bytes": 1, "sha256": "0"}})), 7, "../../x"),
    "another kind of manifest": (manifest(lambda m: m.update(schema="studykit-manifest-9")), 2, "another kind of manifest"),
    "an output that nobody lists": (write("report/06-verdict/extra.csv", "x"), 7, "extra.csv"),
    "a wide tolerance": (swap("report/numbers.json", '"tolerance": 0.0001', '"tolerance": 1e9'), 7, "numbers.json"),
    "records without form": (lambda r: (write("report/numbers.json", '{"a": 1}')(r), rehash(r)), 7, "is malformed"),
    "a key twice in a record": (swap("report/numbers.json", '"value": ', '"value": 1, "value": ', True), 7, "is malformed"),
    "a tidy number": (swap("tidy/results.csv", "690", "590"), 7, "tidy/results.csv"),
    "a folder linked away": (away, 7, "tidy: filed an ordinary file or folder, now is a link"),
    "a link to the system": (lambda r: (r / "raw/x.csv").symlink_to("/etc/hosts"), 7, "raw/x.csv"),
    "a link in a loop": (lambda r: (r / "report/loop").symlink_to("../report"), 7, "report/loop"),
    "a pipe more": (lambda r: os.mkfifo(r / "raw/pipe.csv"), 7, "raw/pipe.csv: filed an ordinary file or folder, now is a"),
    **{f"a pipe for {p}": (instead(p, pipe), 7, f"{p}: filed an ordinary file or folder, now is a pipe")
       for p in (PAGE, LOCK, RAW, "study.toml", "intake.toml", "plan/plan.lock.tsr", "report/numbers.json")},
    **{f"no end for {p}": (instead(p, link("/dev/zero")), 7, f"{p}: filed an ordinary file or folder, now is a link")
       for p in (PAGE, LOCK, RAW, "study.toml", "intake.toml", "plan/plan.lock.tsr", "report/numbers.json")},
    "a pipe for the manifest": (instead(FILE, pipe), 2, "stands behind a pipe, or is one"),
    "no end for the manifest": (instead(FILE, link("/dev/zero")), 2, "stands behind a link, or is one"),
    "a socket": (listening, 7, "raw/sock: filed an ordinary file or folder, now is a socket"),
    "deep folders": (deep, 2, "folders lie more than"),
    "a stamp of nothing": (write("plan/plan.lock.tsr", b""), 7, "plan/plan.lock.tsr"),
    "a huge stamp": (write("report/manifest.json.tsr", b"\x30\x84\x7f\xff\xff\xff" + b"0" * 3_000_000), 7, "is too large"),
    "an old report beside": (write("report.old/report.html", "homogeneous"), 0, "no part of the report: report.old"),
    "a started report beside": (write("report.part/report.html", "homogeneous"), 0, "no part of the report: report.part"),
    "a hidden page": (write("report/.hidden.html", "homogeneous"), 0, "no part of the report: report/.hidden.html"),
    **{f"a page in {f}": (write(f"{f}/x.html", "homogeneous"), 0, f"no part of the report: {f}")
       for f in ("__pycache__", "report/__pycache__", "raw/__pycache__")},
    "a page named like the kit's own": (write(".studykit-x/x.html", "homogeneous"), 0, "no part of the report: .studykit-x"),
    "a manifest of no end": (lambda r: os.truncate(r / FILE, 4_000_000_000), 2, "is larger than 50 MB"),
    "records of no end": (lambda r: os.truncate(r / "report/numbers.json", 4_000_000_000), 7, "numbers.json"),
    "a lock of no end": (lambda r: (write(LOCK, "{")(r), os.truncate(r / LOCK, 4_000_000_000)), 7, "is larger than 50 MB"),
    "a letter beside": (write("letter.txt", "homogeneous"), 0, "letter.txt was added beside the study after filing"),
    "a record of a recheck": (write("recheck.html", "it follows"), 0, "no part of the report: recheck.html"),
}


@contextlib.contextmanager
def in_time() -> Iterator[None]:
    """TimeoutError where a block takes longer than ``SECONDS``; no limit on Windows, which has no alarm."""
    if os.name == "nt":
        yield
        return

    def late(*_: Any) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def fault(filed: Path, folder: Path, name: str) -> str:
    """What is wrong with the answer to one attack; '' where it is named in as few lines as it should."""
    attack, code, words = ATTACKS[name]
    root = Path(shutil.copytree(filed, folder / "study"))
    attack(root)
    said = io.StringIO()
    try:
        with in_time(), contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            got = main(["verify", str(root)])
    except TimeoutError:
        return "hangs"
    finally:
        shutil.rmtree(folder)
    text = said.getvalue()
    if got != code:
        return f"exit code {got}, not {code}: {text[:200]}"
    return "" if words in text and len(text.splitlines()) < 15 else f"told otherwise: {text[:300]}"


def all_of_them() -> int:
    """Every change and every attack; returns how many were not told as they should be."""
    filed, wrong = filed_tote(), 0
    with tempfile.TemporaryDirectory() as name:
        for kind, (count, passed) in everything(filed, Path(name)).items():
            wrong += len(passed)
            print(f"every file, {kind}: {count - len(passed)} of {count} named")
        for attack in ATTACKS:
            (Path(name) / "one").mkdir(exist_ok=True)
            found = fault(filed, Path(name) / "one", attack)
            wrong += bool(found)
            print(f"{attack}: {found or 'named'}", flush=True)
    return wrong


if __name__ == "__main__":
    sys.exit(all_of_them() and 1)
