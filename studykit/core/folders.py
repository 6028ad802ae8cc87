"""Folders: a finished one takes the place of the old one whole, on every system, or everything stays as it was.

Where a folder holds a file that another program has open, or in which one works, Windows refuses to rename it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from studykit.core.errors import single

HELD = (0.05, 0.2, 0.75) if os.name == "nt" else ()
"""Seconds waited before a rename is tried again: a virus scanner holds a new file for a moment (common practice, no source)."""


def rename(source: Path, target: Path) -> None:
    """Rename a file or folder, over a file that stands there; tried again where a program holds one for a moment."""
    for wait in HELD:
        try:
            os.replace(source, target)
        except PermissionError:
            time.sleep(wait)
        else:
            return
    os.replace(source, target)


def exchange(new: Path, current: Path, aside: Path) -> Path:
    """Put the folder ``new`` in the place of ``current``, which lies ``aside`` meanwhile and is then removed.

    BadInput, with ``current`` as it was, where something in it is open in another program.
    """
    try:
        if current.exists():
            rename(current, aside)
        rename(new, current)
    except OSError as error:
        restore(current, aside)
        raise single(current.name, f"cannot be put in its place: {error.strerror or error}",
                     f"close whatever has a file in it open (a spreadsheet, a terminal), then run this again; {current.name} "
                     f"is as it was, and the new one lies in {new.name}") from None
    remove(aside)
    return current


def remove(folder: Path) -> None:
    """Remove a folder and all in it as far as that can be done.

    Files go side by side, since some disks take long for each; not on Windows, where what leads elsewhere can be a folder.
    """
    with contextlib.suppress(RuntimeError), ThreadPoolExecutor(16) as pool:  # at the end of a program none is started
        for top, _, files in os.walk(folder) if os.name == "posix" and not folder.is_symlink() else ():
            for name in files:
                pool.submit(os.unlink, os.path.join(top, name))
    shutil.rmtree(folder, ignore_errors=True)


def restore(current: Path, aside: Path) -> None:
    """Put back what a killed exchange left aside; what it had replaced already is removed."""
    if aside.exists() and not current.exists():
        rename(aside, current)
    shutil.rmtree(aside, ignore_errors=True)


@contextlib.contextmanager
def unless_done(folder: Path) -> Iterator[None]:
    """Where the block fails or is interrupted, ``folder`` is as it was: its files to the byte, nothing new left in it.

    A process that is killed has no time for that: what it left is overwritten by the next run.
    """
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} if folder.exists() else {}
    there = {folder, *folder.rglob("*")} if folder.exists() else set[Path]()
    try:
        yield
    except BaseException:
        for path in sorted({*folder.rglob("*"), folder} - there, reverse=True):
            path.rmdir() if path.is_dir() else path.unlink(missing_ok=True)
        for path, data in before.items():
            if not path.is_file() or path.read_bytes() != data:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
        raise
