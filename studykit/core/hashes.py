"""Hashes of files, and what lies in a folder: ordinary files and folders, nothing else. Standard library only."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

from studykit.core.errors import single
from studykit.core.litter import out_of_sight

BLOCK = 1 << 20
DEEPEST = 60
"""Folders within folders; a study has at most four."""
KINDS = ((stat.S_ISREG, "file"), (stat.S_ISDIR, "folder"), (stat.S_ISLNK, "link"), (stat.S_ISFIFO, "pipe"),
         (stat.S_ISSOCK, "socket"))

WAITING = ".studykit-change"
"""A change of several files that waits to be put in its places, see ``change``."""


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        for block in iter(lambda: handle.read(BLOCK), b""):
            digest.update(block)
    return digest.hexdigest()


def kind_of(path: Path) -> str:
    """What lies at a path, without following or opening it: 'file', 'folder', 'link', 'pipe', 'socket', 'device'.

    '' where nothing lies there.
    """
    try:
        mode = path.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return ""
    return next((word for test, word in KINDS if test(mode)), "device")


def ordinary(root: Path, relative: str) -> bool:
    """Whether an ordinary file lies there, and no link on the way to it; only such a file may be opened."""
    *folders, name = relative.split("/")
    for folder in folders:
        root = root / folder
        if kind_of(root) != "folder":
            return False
    return kind_of(root / name) == "file"


def walk(folder: Path, depth: int = 0, *, shut: Callable[[str], bool] = lambda _: False) -> Iterator[tuple[Path, str]]:
    """Everything under a folder with its kind, in the order of names; links are named and never followed.

    Folders whose name is ``shut`` are named and not entered. BadInput where folders lie deeper than DEEPEST, or one
    cannot be read.
    """
    if depth > DEEPEST:
        raise single(f"{folder.name} and above it", f"folders lie more than {DEEPEST} deep", "no study has that; look at them")
    try:
        entries = sorted(os.scandir(folder), key=lambda e: e.name)
    except OSError as error:
        raise single(folder.name, f"this folder cannot be read: {error.strerror}", "look at its permissions") from None
    for entry in entries:
        path = Path(entry.path)
        kind = kind_of(path)
        yield path, kind
        if kind == "folder" and not shut(entry.name):
            yield from walk(path, depth + 1, shut=shut)


def unusual(root: Path) -> tuple[tuple[str, str], ...]:
    """Paths in a study folder that are neither ordinary files nor folders, with what they are.

    Hidden ones are left out, but for the kit's own at the top, through which it writes.
    """
    return tuple((p.relative_to(root).as_posix(), kind) for p, kind in walk(root, shut=out_of_sight)
                 if kind not in ("file", "folder")
                 and (p.name.startswith(".studykit") or not any(x.startswith(".") for x in p.relative_to(root).parts)))
