"""A BagIt bag (RFC 8493, sha512) as one zip: payload, manifests and who made it; and whether such a bag is whole.

The same payload gives the same bytes: entries stand in the order of their names, without times of their own.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping
from pathlib import Path

from studykit.core.errors import Fault
from studykit.core.hashes import walk

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST, TAGS = "manifest-sha512.txt", "tagmanifest-sha512.txt"
AGAIN = "ask the sender for the deposit as packed"
WHEN = (1980, 1, 1, 0, 0, 0)
"""The time of every entry: the earliest that a zip can hold."""


def sha512(data: bytes) -> str:
    """SHA-512 in hexadecimal."""
    return hashlib.sha512(data).hexdigest()


def listing(files: Mapping[str, bytes]) -> str:
    """A BagIt manifest: checksum and path of each file; line ends and % in a path are percent-encoded (RFC 8493, 2.1.3)."""
    def encoded(path: str) -> str:
        return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")

    return "".join(f"{sha512(data)}  {encoded(path)}\n" for path, data in sorted(files.items()))


def bag_files(payload: Mapping[str, bytes], about: Mapping[str, str]) -> dict[str, bytes]:
    """Every file of a bag by its path in it; ``payload`` by its path under data/, ``about`` as lines of bag-info.txt."""
    inside = {f"data/{path}": data for path, data in payload.items()}
    size = f"{sum(map(len, inside.values()))}.{len(inside)}"
    info = "".join(f"{key}: {value}\n" for key, value in [*about.items(), ("Payload-Oxum", size)])
    tags = {"bagit.txt": DECLARATION.encode(), "bag-info.txt": info.encode(), MANIFEST: listing(inside).encode()}
    return inside | tags | {TAGS: listing(tags).encode()}


def zipped(folder: str, files: Mapping[str, bytes]) -> bytes:
    """Files as a zip under one folder."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as out:
        for path, data in sorted(files.items()):
            entry = zipfile.ZipInfo(f"{folder}/{path}", date_time=WHEN)
            entry.compress_type, entry.external_attr, entry.create_system = zipfile.ZIP_DEFLATED, 0o100644 << 16, 3
            out.writestr(entry, data)
    return buffer.getvalue()


def bag_faults(bag: Path) -> list[Fault]:
    """Everything by which an unpacked bag is not whole: files changed, gone, not listed, or manifests that are none."""
    faults: list[Fault] = []
    if not (bag / "bagit.txt").is_file() or not (bag / "bagit.txt").read_bytes().startswith(b"BagIt-Version: "):
        faults.append(Fault(file="bagit.txt", reason="is missing or is none", remedy=AGAIN))
    if (bag / "fetch.txt").exists():
        faults.append(Fault(file="fetch.txt", reason="asks to fetch files from elsewhere, which is never done"))
    known = {"bagit.txt", "bag-info.txt", MANIFEST, TAGS, "data"}
    faults += [Fault(file=p.name, reason="is no part of a deposit of this kit") for p in sorted(bag.iterdir())
               if p.name not in known and p.name != "fetch.txt"]
    there = {p.relative_to(bag).as_posix() for p, kind in walk(bag) if kind == "file"}
    payload = {p for p in there if p.startswith("data/")}
    faults += _against(bag, MANIFEST, payload)
    return faults + _against(bag, TAGS, there - payload - {TAGS})


def _against(bag: Path, name: str, there: set[str]) -> list[Fault]:
    """The files of one manifest, which must be exactly those that are there."""
    if not (bag / name).is_file():
        return [Fault(file=name, reason="there is no such file", remedy=AGAIN)]
    listed: dict[str, str] = {}
    faults = []
    for number, line in enumerate((bag / name).read_text(encoding="utf-8", errors="replace").splitlines(), start=1):
        digest, _, path = line.partition("  ")
        if not path or path in listed:
            faults.append(Fault(file=name, row=number, value=line[:60], reason="is no line of a manifest, or occurs twice"))
        listed[path.replace("%0D", "\r").replace("%0A", "\n").replace("%25", "%")] = digest.lower()
    for path in sorted(listed.keys() | there):
        if path not in there:
            faults.append(Fault(file=path, reason=f"is listed in {name} and not there"))
        elif path not in listed:
            faults.append(Fault(file=path, reason=f"is not listed in {name}"))
        elif sha512((bag / path).read_bytes()) != listed[path]:
            faults.append(Fault(file=path, reason=f"was changed: its checksum is not that of {name}"))
    return faults
