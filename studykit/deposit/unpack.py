"""A deposit opened safely: looked at before anything is written, unpacked into a temporary folder, checked as a bag.

Refused, with every reason in one message: paths that leave the folder (.., absolute, drives, backslashes), links and
devices, names that are one on other systems, encrypted entries, entries that overlap, and sizes nobody means.
"""

from __future__ import annotations

import contextlib
import re
import stat
import struct
import unicodedata
import zipfile
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

from studykit.core.errors import BadInput, Fault, single
from studykit.core.litter import left_by_system
from studykit.core.writer import away
from studykit.deposit.bag import bag_faults
from studykit.report.verify import INNER, MOST_FILES

MOST_BYTES, MOST_RATIO, SMALL = 2_000_000_000, 250, 5_000_000
"""Bytes unpacked, and how much smaller than its content an entry above SMALL bytes may be (own judgement)."""
DEEPEST, LONGEST = 20, 240
BLOCK = 1 << 20
DESCRIPTORS, LONGEST_DIRECTORY = (12, 16, 20, 24), 100_000_000
"""Bytes of a descriptor after an entry, if its flags say that there is one; and of a directory that is looked at."""
RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Path]:
    """The bag of a deposit, unpacked into a temporary folder that is gone afterwards; BadInput names all that is wrong."""
    with away("studykit-deposit-") as folder:
        bag = unpack(path, folder)
        faults = bag_faults(bag)
        if not (bag / INNER).is_dir():
            faults.append(Fault(file=INNER, reason="there is no study in this deposit"))
        if faults:
            raise BadInput(faults, title=f"{path.name} is not whole; nothing was run")
        yield bag


def unpack(path: Path, folder: Path) -> Path:
    """Write the entries of a zip under ``folder``; returns its one top folder. BadInput before anything is written.

    What an operating system put into the zip is looked at like the rest, and not written.
    """
    if not path.is_file() or path.is_symlink():
        raise single(path.name, "there is no such file" if not path.exists() else "is not an ordinary file", "name a zip file")
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            faults = entry_faults(entries, path.stat().st_size)
            faults = faults or layout_faults(path, entries, archive.start_dir)
            if faults:
                raise BadInput(faults, title=f"{path.name} was not opened; nothing was written")
            entries = [e for e in entries if not _of_system(e)]
            for entry in entries:
                _write(archive, entry, folder)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, ValueError, UnicodeError, OSError, zipfile.LargeZipFile,
            RuntimeError) as error:
        raise single(path.name, f"is damaged or no zip: {error}", "ask the sender for it again") from None
    return folder / entries[0].filename.split("/")[0]


def left_in(path: Path) -> tuple[str, ...]:
    """The entries of a zip that could be opened which an operating system put there, and which are not unpacked."""
    with zipfile.ZipFile(path) as archive:
        return tuple(e.filename for e in archive.infolist() if _of_system(e))


def _of_system(entry: zipfile.ZipInfo) -> bool:
    return any(map(left_by_system, entry.filename.split("/")))


def _write(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, folder: Path) -> None:
    target = folder / entry.filename
    if entry.is_dir():
        target.mkdir(parents=True, exist_ok=True)
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with archive.open(entry) as source, target.open("xb") as out:
        while block := source.read(BLOCK):
            written += len(block)
            if written > entry.file_size:
                raise ValueError(f"{entry.filename} is longer than it says")
            out.write(block)


def entry_faults(entries: list[zipfile.ZipInfo], size: int) -> list[Fault]:
    """Everything that speaks against unpacking these entries of a zip of ``size`` bytes."""
    if not entries:
        return [Fault(file="the zip", reason="is empty")]
    if len(entries) > MOST_FILES:
        return [Fault(file="the zip", reason=f"has {len(entries)} entries; at most {MOST_FILES} are opened")]
    faults = [Fault(file=e.filename[:80].encode("ascii", "backslashreplace").decode(), reason=why)
              for e in entries for why in _reasons(e)]
    return faults + _together(entries, size)


def _reasons(entry: zipfile.ZipInfo) -> Iterator[str]:
    """What is wrong with one entry by itself."""
    name, kind = entry.orig_filename, stat.S_IFMT(entry.external_attr >> 16)
    parts = name.removesuffix("/").split("/")
    if name.startswith(("/", "\\")) or re.match(r"[A-Za-z]:", name) or "\\" in name or ".." in parts:
        yield "leaves the folder it is unpacked into"
    if "" in parts or "." in parts or any(ord(c) < 32 or ord(c) == 127 for c in name):
        yield "has a name that no study file has"
    if any(RESERVED.match(p) or p.endswith((" ", ".")) or set(p) & set('<>:"|?*') for p in parts if p not in (".", "..")):
        yield "has a name that other systems cannot hold"
    if len(parts) > DEEPEST or len(name) > LONGEST:
        yield "lies too deep, or has too long a name"
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR) or bool(kind == stat.S_IFDIR) > entry.is_dir():
        yield "is a link or a device, not an ordinary file"
    if entry.flag_bits & 1:
        yield "is encrypted"
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        yield "is packed in a way that is not opened"
    if entry.file_size > SMALL and entry.file_size > MOST_RATIO * max(1, entry.compress_size):
        yield f"unpacks to {entry.file_size} bytes from {entry.compress_size}"


def _together(entries: list[zipfile.ZipInfo], size: int) -> list[Fault]:
    """What is wrong with the entries taken together: sizes, overlaps, names that are one, several top folders."""
    out = []
    total = sum(e.file_size for e in entries)
    if total > MOST_BYTES:
        out.append(Fault(file="the zip", reason=f"unpacks to {total} bytes; at most {MOST_BYTES} are opened"))
    placed = sorted((e.header_offset, e.header_offset + 30 + e.compress_size) for e in entries)
    if any(end > start for (_, end), (start, _) in pairwise(placed)) or placed[-1][1] > size:
        out.append(Fault(file="the zip", reason="has entries that overlap"))
    names = Counter(_folded(e.filename) for e in entries)
    out += [Fault(file=n.encode("ascii", "backslashreplace").decode(), reason="occurs twice, at least on systems that "
                  "take capitals or accents for the same") for n, count in names.items() if count > 1]
    files = {_folded(e.filename) for e in entries if not e.is_dir()}
    out += [Fault(file=f.encode("ascii", "backslashreplace").decode(), reason="is a file and a folder at once")
            for f in sorted({_folded(p) for e in entries for p in _above(e.filename)} & files)]
    if len({e.filename.split("/")[0] for e in entries if not _of_system(e)}) != 1:
        out.append(Fault(file="the zip", reason="has not one folder at its top, but none or more than one folder"))
    return out


def layout_faults(path: Path, entries: list[zipfile.ZipInfo], directory: int) -> list[Fault]:
    """Bytes of a zip that belong to no entry, and entries that their own headers tell otherwise.

    Who unpacks from the front reads those headers alone, and may find another study there than the directory names:
    entries must stand back to back from the first byte on, then the directory, then its end (APPNOTE.TXT, 4.3).
    """
    faults, at, after = list[Fault](), 0, tuple[int, ...]()
    with path.open("rb") as file:
        for entry in sorted(entries, key=lambda e: e.header_offset):
            file.seek(entry.header_offset)
            head = file.read(30)
            name, more = struct.unpack("<HH", head[26:30])
            own = file.read(name + more)[name:]
            if head[:4] != b"PK\3\4" or struct.unpack("<H", head[6:8])[0] != entry.flag_bits or _renames(own) or _renames(
                    entry.extra):
                faults.append(Fault(file=entry.orig_filename[:80].encode("ascii", "backslashreplace").decode(),
                                    reason="its own header says something else than the zip's directory"))
            if entry.header_offset - at not in (0, *after):
                faults.append(Fault(file="the zip", reason="has bytes that belong to no entry"))
            at = entry.header_offset + 30 + name + more + entry.compress_size
            after = DESCRIPTORS if entry.flag_bits & 8 else ()
        file.seek(directory)
        tail = file.read(LONGEST_DIRECTORY)
    if directory - at not in (0, *after) or not _ends(tail, len(entries)):
        faults.append(Fault(file="the zip", reason="has bytes that belong to no entry, or a comment"))
    return list({f.line(): f for f in faults}.values())


def _renames(extra: bytes) -> bool:
    """Whether an entry's extra fields give it another name (0x7075)."""
    at = 0
    while at + 4 <= len(extra):
        kind, size = struct.unpack("<HH", extra[at:at + 4])
        if kind == 0x7075:
            return True
        at += 4 + size
    return False


def _ends(tail: bytes, number: int) -> bool:
    """Whether nothing but a directory of so many entries and its end stands there, without a comment."""
    at = 0
    for _ in range(number):
        at += 46 + sum(struct.unpack("<HHH", tail[at + 28:at + 34]))
    if tail[at:at + 4] == b"PK\6\6":  # where it is a large one: its end, then where that lies
        at += 12 + int.from_bytes(tail[at + 4:at + 12], "little") + 20
    return tail[at:at + 4] == b"PK\5\6" and len(tail) == at + 22 and tail[at + 20:] == b"\0\0"


def _above(name: str) -> list[str]:
    parts = name.removesuffix("/").split("/")
    return ["/".join(parts[:k]) for k in range(1, len(parts))]


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name.removesuffix("/")).casefold())
