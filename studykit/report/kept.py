"""Stages of which nothing changed are taken from the filed report in place of being run.

Only from a report that this user's own runs made: what a run read and gave is written down outside the study, under
the hash of its manifest. A sender can write into a study what he likes, and not there. A stage is taken over where its
notebook, its parameters, the kit, the programs, every file that it may read, what the stages before it gave, and the
filed files themselves have the hashes of that run; else it runs. Of study.toml count the values that it read in that run,
and which keys are there (``study.reading``). A study's own notebooks may read anything, and always run.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import threading
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from studykit.core import memory
from studykit.core.errors import StudyKitError
from studykit.core.files import write_text
from studykit.core.hashes import ordinary, sha256_of, walk
from studykit.core.memory import PLACE as MEMORY
from studykit.report.manifest import FILE, canonical, kit_identity, package_versions
from studykit.study.reading import FILE as WHOLE
from studykit.study.reading import blanked, heard_in
from studykit.study.stages import NOTES, READS, READS_FROM

PLACE = "STUDYKIT_CACHE"
STUDY = "study.toml"
MADE, MOST_BYTES = "made", 300_000_000
"""Where results of functions lie (``core.memory``), in a folder for each state of the code, and how much of them."""
MOST = 200
"""Reports that are remembered; the oldest are forgotten first."""
PAGE = "report.html"


def place() -> Path:
    """The folder in which this user's runs are remembered: that of STUDYKIT_CACHE, else in the system's usual place."""
    usual = os.environ.get("LOCALAPPDATA") if os.name == "nt" else os.environ.get("XDG_CACHE_HOME")
    return Path(os.environ.get(PLACE) or Path(usual or Path.home() / ".cache") / "studykit" / "reports")


def may_read(stem: str, path: str) -> bool:
    """Whether a stage's notebook of the kit may read this file of the study, by its path in it."""
    return any(path == r or (r.endswith("/") and path.startswith(r)) for r in READS[stem])


def hashes_under(folder: Path, names: Iterable[str] = ()) -> dict[str, str]:
    """SHA-256 of every ordinary file in a folder by its path in it; ``names``: only of these files and folders."""
    chosen = [n.rstrip("/") for n in names]
    found = (p for p, kind in walk(folder) if kind == "file") if folder.is_dir() else ()
    paths = {p.relative_to(folder).as_posix(): p for p in found}
    return {n: sha256_of(p) for n, p in sorted(paths.items()) if not chosen or n.split("/")[0] in chosen}


def results_of_functions() -> dict[str, str]:
    """What the kit's own notebooks find in their environment where they may take what functions gave in runs before."""
    return {MEMORY: str(place() / MADE / _digest(canonical([kit_identity()["code"], package_versions()])))}


class Kept:
    """What the filed report of a study still holds true; asked for each stage once those that it reads from are done."""

    def __init__(self, root: Path, part: Path, notebooks: Path, parameters: Mapping[str, Any], *, fresh: bool) -> None:
        self.taken: set[str] = set()
        self._root, self._part, self._notebooks = root, part, notebooks
        self._fresh = fresh
        self._parameters = {k: v for k, v in parameters.items() if k not in ("study", "out_dir")}
        self._own, self._code = notebooks.parent == root, [kit_identity()["code"], package_versions()]
        self._inputs, self._keys, self._heard = self._read(), dict[str, str](), dict[str, tuple[str, ...]]()
        self._study, self._rest = self._asked(), dict[str, str]()
        self._filed = {} if fresh or self._own else remembered(root)
        mine = _digest(str(root.resolve()))
        self._stopped, self._turn = place() / f"stopped-{mine}.json", threading.Lock()
        self._notes = place() / f"read-{mine}"
        shutil.rmtree(self._notes, ignore_errors=True)
        self._left = {} if fresh or self._own else _told(self._stopped)

    def _read(self) -> dict[str, str]:
        """Hashes of everything that any stage may read of the study."""
        return hashes_under(self._root, sorted({r.split("/")[0] for reads in READS.values() for r in reads}))

    def _asked(self) -> Any:
        """The values of study.toml; None where they cannot be told apart."""
        try:
            data = (self._root / STUDY).read_bytes()
            told = tomllib.loads(data.decode("utf-8-sig"))
        except (OSError, ValueError, RecursionError):
            return None
        return told if hashlib.sha256(data).hexdigest() == self._inputs.get(STUDY) else None

    def _key(self, stem: str, heard: tuple[str, ...]) -> str:
        """The hash of all that a stage reads which reads these values of study.toml."""
        if stem not in self._rest:
            inputs = {p: h for p, h in self._inputs.items() if p != STUDY and may_read(stem, p)}
            before = {s: hashes_under(self._part / s) for s in sorted(READS_FROM[stem])}
            self._rest[stem] = self._digest(inputs, before, sha256_of(self._notebooks / f"{stem}.ipynb"), self._parameters)
        if self._study is None or WHOLE in heard:
            return _digest(f"{self._rest[stem]} {self._inputs.get(STUDY, '')}")
        return _digest(f"{self._rest[stem]} {json.dumps(blanked(self._study, heard), default=repr)}")  # in the order written

    @property
    def environment(self) -> dict[str, str]:
        """What a stage finds in its environment: where to write down what it reads, and where results of functions lie."""
        with contextlib.suppress(OSError):  # where nothing can be remembered nothing is written down
            self._notes.mkdir(parents=True, exist_ok=True)
        listens = {NOTES: str(self._notes)} if self._notes.is_dir() else {}
        return {} if self._own else listens | ({} if self._fresh else results_of_functions())

    def _digest(self, *parts: Any) -> str:
        return _digest(canonical([*self._code, *parts]))

    @property
    def left(self) -> tuple[str, ...]:
        """Stages that finished in a run which was stopped; they lie in the new report's folder."""
        return tuple(self._left)

    def finished(self, stem: str) -> None:
        """Write down a stage that ran to its end, so that it need not run again where this run is stopped."""
        if self._own:
            return
        self._is(stem, heard_in(self._notes / stem))
        with self._turn, contextlib.suppress(OSError, StudyKitError, RuntimeError):
            if self._inputs == self._read():
                self._left[stem] = self._entry(stem, hashes_under(self._part / stem))
                write_text(self._stopped, canonical(self._left))

    def take(self, stem: str) -> bool:
        """Put the files of an unchanged stage in the new report; False where it has to run."""
        if self._own:
            return False
        if self._lies_ready(stem):
            return True
        self._is(stem, self._filed.get(stem, {}).get("heard", (WHOLE,)))
        if not self._copied(stem, f"{stem}/"):
            self._is(stem, (WHOLE,))  # until it is known what it reads
            shutil.rmtree(self._part / stem, ignore_errors=True)
            return False
        self.taken.add(stem)
        return True

    def _is(self, stem: str, heard: tuple[str, ...]) -> None:
        """What a stage reads of study.toml, and its key with that."""
        self._heard[stem], self._keys[stem] = heard, self._key(stem, heard)

    def _entry(self, what: str, files: Mapping[str, str]) -> dict[str, Any]:
        """What is written down of a stage or the page."""
        return {"key": self._keys[what], "heard": list(self._heard.get(what, ())), "files": dict(files)}

    def _lies_ready(self, stem: str) -> bool:
        """Whether the stage lies where it belongs as a run left it that was stopped later; what does not is forgotten."""
        if stem not in self._left:
            return False
        key, files = self._left[stem]["key"], self._left[stem]["files"]
        self._is(stem, tuple(self._left[stem]["heard"]))
        found = {p.relative_to(self._part / stem).as_posix() for p in (self._part / stem).rglob("*") if not p.is_dir()}
        if key == self._keys[stem] and found == set(files) and hashes_under(self._part / stem) == files:
            return True
        with self._turn:
            del self._left[stem]
        return False

    def take_page(self, stems: Iterable[str]) -> bool:
        """Put the unchanged page in the new report; False where it has to be made."""
        books = {s: sha256_of(self._part / s / f"{s}.ipynb") for s in stems}
        self._keys[PAGE] = self._digest(books, self._inputs.get(STUDY, ""))
        return not self._own and self._copied(PAGE, PAGE)

    def _copied(self, what: str, where: str) -> bool:
        """Copy the filed files of a stage or the page, each exactly as the run that is remembered left it."""
        told = self._filed.get(what)
        if told is None or told["key"] != self._keys[what]:
            return False
        for name, digest in told["files"].items():
            if not name.startswith(where) or not ordinary(self._root, f"report/{name}"):
                return False
            (self._part / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(self._root / "report" / name, self._part / name)
            if sha256_of(self._part / name) != digest:
                return False
        return True

    def remember(self) -> None:
        """Write down what this run read and gave, once its report is filed; nothing where an input changed meanwhile."""
        if self._own or self._inputs != self._read():
            return
        made = hashes_under(self._root / "report")
        told = {what: self._entry(what, {n: h for n, h in made.items() if n == what or n.startswith(f"{what}/")})
                for what in self._keys}
        with contextlib.suppress(OSError, StudyKitError, RuntimeError):  # a home that cannot be written remembers nothing
            self._stopped.unlink(missing_ok=True)
            shutil.rmtree(self._notes, ignore_errors=True)
            _forget(place())
            memory.forget(place() / MADE, MOST_BYTES)
            write_text(place() / f"{made['manifest.json']}.json", canonical(told))


def remembered(root: Path) -> dict[str, Any]:
    """What this user's run that made the filed report read and gave, by stage; empty where it is another's report."""
    if not ordinary(root, FILE):
        return {}
    return _told(place() / f"{sha256_of(root / FILE)}.json")


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _told(path: Path) -> dict[str, Any]:
    """What a run wrote down, by stage; empty where nothing that can be read lies there."""
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        return {what: {"key": str(t["key"]), "heard": tuple(map(str, t["heard"])),
                       "files": {str(n): str(h) for n, h in t["files"].items()}} for what, t in told.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RuntimeError):
        return {}


def _forget(folder: Path) -> None:
    """Remove what was remembered longest ago, where there is too much of it."""
    files = sorted(folder.glob("*.json"), key=lambda p: p.stat().st_mtime) if folder.is_dir() else []
    for path in files[: max(0, len(files) - MOST + 1)]:
        path.unlink(missing_ok=True)
