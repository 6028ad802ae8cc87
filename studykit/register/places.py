"""The studies that lie in a folder of many, and whether a file of one changed since the last look. Standard library only.

Links are named and not followed, so that no loop of them is entered. Whether a file is the same is first asked of the file
system (size, and times of the last change, of which a person cannot set the one of its entry back), and of its bytes where
that says otherwise or was asked too soon after a change.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from studykit.core.errors import single, visible
from studykit.core.hashes import DEEPEST, sha256_of
from studykit.core.litter import out_of_sight

TOO_SOON_S = 2.0
"""Seconds after a change within which another one may bear the same time (clocks of file systems; own judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """What lies in a folder of studies: the studies by their path in it, and a note on what was not entered or read."""

    studies: tuple[str, ...]
    notes: tuple[str, ...]


def studies_in(folder: Path, without: Path | None = None) -> Laid:
    """Every study below a folder, in the order of names; ``without``: a folder that is not entered.

    BadInput where there is no such folder, it is itself a study, or no study lies in it.
    """
    if not folder.is_dir():
        raise single(str(folder), "there is no such folder", "name the folder that holds the studies")
    if (folder / "study.toml").exists():
        raise single(str(folder), "is one study", "name the folder that holds the studies")
    found, notes = list[str](), list[str]()
    zips = _look(folder, "", 0, found, notes, without.resolve() if without else None)
    if not found:
        raise single(str(folder), "no study lies in it", "a study is a folder with a study.toml")
    if zips:
        notes.append(f"{zips} zip file{'s' if zips > 1 else ''} not opened: a deposit is taken in once it is unpacked")
    return Laid(studies=tuple(found), notes=tuple(notes))


def _look(folder: Path, relative: str, depth: int, found: list[str], notes: list[str], without: Path | None) -> int:
    """Go through one folder; how many zips lie in it and below."""
    try:
        entries = sorted(os.scandir(folder), key=lambda e: e.name)
    except OSError as error:
        notes.append(f"{relative}: this folder cannot be read ({error.strerror}); what lies in it is not known")
        return 0
    zips = 0
    for entry in (e for e in entries if not out_of_sight(e.name)):
        name, path = f"{relative}{entry.name}", folder / entry.name
        if not _is_text(entry.name):
            notes.append(f"{visible(name)}: its name is no text (UTF-8), so it was not entered; rename it")
        elif entry.is_symlink():
            notes.append(f"{name}: is a link and was not followed")
        elif not entry.is_dir(follow_symlinks=False):
            zips += entry.name.lower().endswith(".zip")
        elif without is None or path.resolve() != without:
            if os.path.lexists(path / "study.toml"):
                found.append(name)
            elif depth + 1 > DEEPEST:
                notes.append(f"{name}: lies more than {DEEPEST} folders deep and was not entered")
            else:
                zips += _look(path, f"{name}/", depth + 1, found, notes, without)
    return zips


def _is_text(name: str) -> bool:
    """Whether a name can be written down: on some systems a name may be any bytes."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """The state of a study's files as the file system tells it: a digest, and when the last of them changed (s since 1970)."""

    digest: str
    latest: float

    def holds(self, looked: float) -> bool:
        """Whether a look at that moment (s since 1970) came long enough after the last change."""
        return self.latest + TOO_SOON_S < looked


def stamp_of(study: Path) -> Stamp:
    """Path, kind, size and times of everything in a study that is not hidden; OSError where a folder cannot be read."""
    digest, latest = hashlib.sha256(), 0.0
    for name, found in _entries(study, ""):
        latest = max(latest, found.st_mtime, found.st_ctime)
        digest.update(f"{name}\t{found.st_mode}\t{found.st_size}\t{found.st_mtime_ns}\t{found.st_ctime_ns}\n".encode(
            "utf-8", "surrogateescape"))
    return Stamp(digest=digest.hexdigest(), latest=latest)


def bytes_of(study: Path) -> str:
    """A digest over the bytes of every ordinary file in a study that is not hidden, with their paths."""
    digest = hashlib.sha256()
    for name, found in _entries(study, ""):
        told = sha256_of(study / name) if stat.S_ISREG(found.st_mode) else str(stat.S_IFMT(found.st_mode))
        digest.update(f"{name}\t{told}\n".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def size_of(study: Path) -> tuple[int, int]:
    """Files and folders, and bytes, of a study."""
    found = list(_entries(study, ""))
    return len(found), sum(s.st_size for _, s in found if stat.S_ISREG(s.st_mode))


def _entries(folder: Path, relative: str, depth: int = 0) -> Iterator[tuple[str, os.stat_result]]:
    if depth > DEEPEST:
        raise OSError(f"folders lie more than {DEEPEST} deep")
    for entry in sorted(os.scandir(folder), key=lambda e: e.name):
        if out_of_sight(entry.name):
            continue
        yield f"{relative}{entry.name}", entry.stat(follow_symlinks=False)
        if entry.is_dir(follow_symlinks=False):
            yield from _entries(folder / entry.name, f"{relative}{entry.name}/", depth + 1)
