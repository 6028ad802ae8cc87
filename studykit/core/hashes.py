"""Hashes of files, and what lies in a folder: ordinary files and folders, nothing else. Standard library only."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

BLOCK = 1 << 20


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        for block in iter(lambda: handle.read(BLOCK), b""):
            digest.update(block)
    return digest.hexdigest()


def kind_of(path: Path) -> str:
    """What lies at a path, without following it: 'file', 'folder', 'link', or 'neither file nor folder'."""
    mode = path.lstat().st_mode
    kinds = ((stat.S_ISREG, "file"), (stat.S_ISDIR, "folder"), (stat.S_ISLNK, "link"))
    return next((word for test, word in kinds if test(mode)), "neither file nor folder")


def walk(folder: Path) -> Iterator[tuple[Path, str]]:
    """Everything under a folder with its kind, in the order of names; links are named and never followed."""
    for entry in sorted(os.scandir(folder), key=lambda e: e.name):
        path = Path(entry.path)
        kind = kind_of(path)
        yield path, kind
        if kind == "folder":
            yield from walk(path)


def unusual(root: Path) -> tuple[tuple[str, str], ...]:
    """Paths in a study folder that are neither ordinary files nor folders, with what they are.

    Hidden ones are left out, but for the kit's own at the top, through which it writes.
    """
    return tuple((p.relative_to(root).as_posix(), kind) for p, kind in walk(root) if kind not in ("file", "folder")
                 and (p.name.startswith(".studykit") or not any(x.startswith(".") for x in p.relative_to(root).parts)))
