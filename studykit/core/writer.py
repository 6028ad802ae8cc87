"""One writer a folder: who holds it is said, a holder that was killed is recognised, what it left behind is cleared.

The operating system gives the lock back when its process ends, however it ends, so a stale lock cannot block.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import shutil
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from studykit.core.change import finish_change
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import require_writable, write_json
from studykit.core.hashes import unusual

LOCK, HOLDER = ".studykit.lock", ".studykit.holder.json"


@contextlib.contextmanager
def one_writer(root: Path, command: str) -> Iterator[None]:
    """Hold the study folder for writing; BadInput names process, machine, command and start of who holds it already."""
    refuse_unusual(root)
    require_writable(root)
    lock = FileLock(root / LOCK, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise single(root.name or str(root), f"is being written by {_holder(root)}",
                     "wait until that has ended; nothing was changed") from None
    try:
        finish_change(root)
        _clear(root)
        start = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        write_json(root / HOLDER, {"command": command, "process": os.getpid(), "machine": socket.gethostname(),
                                   "since": start})
        yield
    finally:
        with contextlib.suppress(OSError):
            (root / HOLDER).unlink()
        lock.release()


def refuse_unusual(root: Path) -> None:
    """BadInput naming every link, pipe or device in a study folder: what lies behind it could be read or overwritten."""
    faults = [Fault(file=path, reason=f"is a {kind}, not an ordinary file or folder",
                    remedy="put the file itself there, or take it out of the folder")
              for path, kind in (unusual(root) if root.is_dir() else ())]
    if faults:
        raise BadInput(faults, title="The study folder holds what it must not; nothing was run")


def _holder(root: Path) -> str:
    try:
        told = json.loads((root / HOLDER).read_text(encoding="utf-8"))
        return f"studykit {told['command']} (process {told['process']} on {told['machine']}, since {told['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another studykit command"


def _clear(root: Path) -> None:
    """Remove half-written files that a killed writer left: hidden, with the endings that this module's folder uses."""
    for pattern in (".*.part", ".studykit-*"):
        for left in root.rglob(pattern):
            with contextlib.suppress(OSError):
                shutil.rmtree(left) if left.is_dir() and not left.is_symlink() and left.suffix == ".part" else left.unlink()


@contextlib.contextmanager
def away(prefix: str) -> Iterator[Path]:
    """A folder of this run's own in the system's temporary place; those that killed runs left there are removed first."""
    place = Path(tempfile.gettempdir())
    for left in place.glob(f"{prefix}*"):
        _remove_stale(left)
    folder = Path(tempfile.mkdtemp(prefix=prefix))
    lock = FileLock(folder / LOCK, timeout=0)
    lock.acquire()
    try:
        yield folder
    finally:
        lock.release()
        shutil.rmtree(folder, ignore_errors=True)


def _remove_stale(folder: Path) -> None:
    """Remove a temporary folder whose lock nobody holds; one of another user, or just being made, is left alone."""
    with contextlib.suppress(OSError, Timeout):  # of another user not even this can be asked
        if folder.is_symlink() or not (folder / LOCK).is_file():
            return
        with FileLock(folder / LOCK, timeout=0):
            pass
        shutil.rmtree(folder, ignore_errors=True)
