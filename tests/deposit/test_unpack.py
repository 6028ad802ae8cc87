"""Zips that nobody should open: each is refused with one message, and nothing is written outside. Made with zipfile alone."""

from __future__ import annotations

import io
import stat
import struct
import zipfile
import zlib

import pytest

from studykit.commands import filed
from studykit.core.errors import BadInput
from studykit.deposit import unpack
from studykit.deposit.bag import bag_files, zipped
from tests.posix import posix

GOOD = bag_files({"study/study.toml": b"x = 1\n", "README.txt": b"hello\n"}, {"Bagging-Date": "2026-01-01"})


def made(entries: list[tuple[object, bytes]]) -> bytes:
    """A zip of these entries, names or ZipInfo."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries:
            if isinstance(name, zipfile.ZipInfo):
                archive.writestr(name, data)
            else:
                info = zipfile.ZipInfo(str(name))
                info.filename, info.compress_type = str(name), zipfile.ZIP_DEFLATED
                archive.writestr(info, data)
    return out.getvalue()


def of_mode(name: str, mode: int, data: bytes = b"/etc/passwd") -> bytes:
    info = zipfile.ZipInfo(name)
    info.create_system, info.external_attr = 3, mode << 16
    return made([(info, data)])


def patched(data: bytes, old: bytes, new: bytes) -> bytes:
    assert len(old) == len(new)
    assert old in data
    return data.replace(old, new)


def encrypted() -> bytes:
    data = bytearray(made([("a/x", b"1")]))
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.find(mark) + at
        data[place:place + 2] = struct.pack("<H", struct.unpack("<H", data[place:place + 2])[0] | 1)
    return bytes(data)


def overlapping() -> bytes:
    """Two names in the directory, one content in the file: the second entry points at the first one's header."""
    data = bytearray(made([("a/x", b"1" * 100), ("a/y", b"1" * 100)]))
    second = data.find(b"PK\x01\x02", data.find(b"PK\x01\x02") + 4)
    data[second + 42:second + 46] = struct.pack("<I", 0)
    return bytes(data)


def glued(before: bytes = b"", between: bytes = b"", after: bytes = b"") -> bytes:
    """A sound deposit with bytes before its first entry, before its directory or after its end, and offsets that fit."""
    data = zipped("a", GOOD)
    at = data.find(b"PK\x01\x02")
    body, directory = before + data[:at] + between, bytearray(data[at:])
    end = directory.rfind(b"PK\x05\x06")
    directory[end + 16:end + 20] = struct.pack("<I", len(body))
    place = 0
    while directory[place:place + 4] == b"PK\x01\x02":
        offset = struct.unpack("<I", directory[place + 42:place + 46])[0] + len(before)
        directory[place + 42:place + 46] = struct.pack("<I", offset)
        place += 46 + sum(struct.unpack("<HHH", directory[place + 28:place + 34]))
    if after:
        directory[end + 20:end + 22] = struct.pack("<H", len(after))
    return body + bytes(directory) + after


def renamed() -> bytes:
    """An entry with another name in a field that some readers prefer (0x7075, APPNOTE.TXT 4.6.9)."""
    info = zipfile.ZipInfo("a/x")
    name = b"a/y"
    info.extra = struct.pack("<HHBI", 0x7075, 5 + len(name), 1, zlib.crc32(b"a/x")) + name
    return made([(info, b"1")])


def encrypted_within() -> bytes:
    """The flag for an encrypted entry in its own header alone."""
    data = bytearray(zipped("a", GOOD))
    data[6] |= 1
    return bytes(data)


BAD = {
    "another zip before it": (lambda: glued(zipped("a", GOOD | {"data/x": b"forged"})), "bytes that belong to no entry"),
    "another zip before it, as it stands": (lambda: zipped("a", GOOD) + zipped("a", GOOD), "bytes that belong to no entry"),
    "an entry that no directory names": (lambda: glued(between=made([("a/x", b"1")])[:40]), "bytes that belong to no entry"),
    "a comment": (lambda: glued(after=b"homogeneous"), "belong to no entry, or a comment"),
    "another name in a field": (renamed, "its own header says something else"),
    "encrypted, says its own header": (encrypted_within, "its own header says something else"),
    "a page beside the bag": (lambda: zipped("a", GOOD | {"verdict.html": b"Homogeneous"}), "is no part of a deposit"),
    "up": (lambda: made([("../x", b"1")]), "leaves the folder"),
    "up inside": (lambda: made([("a/../../x", b"1")]), "leaves the folder"),
    "absolute": (lambda: made([("/tmp-x/y", b"1")]), "leaves the folder"),
    "drive": (lambda: made([("C:/x", b"1")]), "leaves the folder"),
    "backslash": (lambda: made([("a\\..\\x", b"1")]), "leaves the folder"),
    "share": (lambda: made([("\\\\host\\x", b"1")]), "leaves the folder"),
    "empty part": (lambda: made([("a//x", b"1")]), "has a name that no study file has"),
    "dot": (lambda: made([("a/./x", b"1")]), "has a name that no study file has"),
    "control sign": (lambda: made([("a/x\ny", b"1")]), "has a name that no study file has"),
    "nul": (lambda: patched(made([("a/x#y", b"1")]), b"a/x#y", b"a/x\0y"), "has a name that no study file has"),
    "reserved": (lambda: made([("a/con.txt", b"1")]), "other systems cannot hold"),
    "stream": (lambda: made([("a/x:y", b"1")]), "other systems cannot hold"),
    "last dot": (lambda: made([("a/x.", b"1")]), "other systems cannot hold"),
    "deep": (lambda: made([("a/" * 40 + "x", b"1")]), "too deep"),
    "long": (lambda: made([("a/" + "x" * 250, b"1")]), "too long a name"),
    "link": (lambda: of_mode("a/x", stat.S_IFLNK | 0o777), "is a link or a device"),
    "pipe": (lambda: of_mode("a/x", stat.S_IFIFO | 0o644), "is a link or a device"),
    "device": (lambda: of_mode("a/x", stat.S_IFCHR | 0o644), "is a link or a device"),
    "folder that is a file": (lambda: of_mode("a/x", stat.S_IFDIR | 0o755), "is a link or a device"),
    "twice": (lambda: made([("a/x", b"1"), ("a/z", b"2")]).replace(b"a/z", b"a/x"), "occurs twice"),
    "capitals": (lambda: made([("a/x", b"1"), ("a/X", b"2")]), "occurs twice"),
    "accents": (lambda: made([("a/\u00e9", b"1"), ("a/e\u0301", b"2")]), "occurs twice"),
    "sharp s": (lambda: made([("a/stra\u00dfe", b"1"), ("a/strasse", b"2")]), "occurs twice"),
    "file and folder": (lambda: made([("a/x", b"1"), ("a/x/y", b"2")]), "is a file and a folder"),
    "two tops": (lambda: made([("a/x", b"1"), ("b/x", b"2")]), "more than one folder"),
    "ratio": (lambda: made([("a/x", b"\0" * 20_000_000)]), "unpacks to 20000000 bytes"),
    "entries": (lambda: made([(f"a/{i}", b"") for i in range(20_001)]), "has 20001 entries"),
    "encrypted": (encrypted, "is encrypted"),
    "overlap": (overlapping, "overlap"),
    "bzip2": (lambda: _packed_by(zipfile.ZIP_BZIP2), "packed in a way"),
    "empty": (lambda: made([]), "is empty"),
    "no zip": (lambda: b"PK not really", "is damaged or no zip"),
    "nothing": (lambda: b"", "is damaged or no zip"),
    "cut": (lambda: zipped("a", GOOD)[:-200], "is damaged or no zip"),
    "crc": (lambda: _bent(zipped("a", GOOD)), "is damaged or no zip"),
    "no bag": (lambda: made([("a/data/study/study.toml", b"1")]), "is not whole"),
    "other file": (lambda: zipped("a", GOOD | {"data/more.txt": b"1"}), "is not listed"),
    "file gone": (lambda: zipped("a", {k: v for k, v in GOOD.items() if "README" not in k}), "not there"),
    "file changed": (lambda: zipped("a", GOOD | {"data/README.txt": b"other"}), "was changed"),
    "fetch": (lambda: zipped("a", GOOD | {"fetch.txt": b"x"}), "which is never done"),
    "no study": (lambda: zipped("a", bag_files({"README.txt": b"1"}, {})), "there is no study"),
}


def _packed_by(how: int) -> bytes:
    info = zipfile.ZipInfo("a/x")
    info.compress_type = how
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(info, b"1" * 100)
    return out.getvalue()


def _bent(data: bytes) -> bytes:
    at = data.find(b"bag-info.txt") + len("bag-info.txt") + 3
    return data[:at] + bytes([data[at] ^ 255]) + data[at + 1:]


@pytest.mark.few(24)
@pytest.mark.parametrize("name", BAD)
def test_it_is_refused_in_one_message_and_nothing_is_written(name, tmp_path, monkeypatch):
    make, why = BAD[name]
    home = tmp_path / "home"
    (home / "tmp").mkdir(parents=True)
    monkeypatch.setattr("tempfile.tempdir", str(home / "tmp"))
    (home / "x.zip").write_bytes(make())
    with pytest.raises(BadInput) as told, unpack.opened(home / "x.zip"):
        pass
    assert why in str(told.value)
    left = [p.relative_to(home).as_posix() for p in home.rglob("*")]
    assert sorted(left) == ["tmp", "x.zip"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["home"]


def test_a_sound_deposit_is_opened_and_gone_afterwards(tmp_path):
    (tmp_path / "x.zip").write_bytes(zipped("a", GOOD))
    with unpack.opened(tmp_path / "x.zip") as bag:
        assert (bag / "data/study/study.toml").read_bytes() == b"x = 1\n"
    assert not bag.exists()


def test_a_zip_made_by_another_program_is_opened(tmp_path):
    """Descriptors after entries, extra fields of times and folders of their own, as programs that stream write them."""
    class Stream(io.RawIOBase):
        def __init__(self):
            self.data = bytearray()

        def writable(self):
            return True

        def write(self, part):
            self.data += part
            return len(part)

    out = Stream()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:  # nothing to seek in: sizes follow the entries
        for name, data in GOOD.items():
            info = zipfile.ZipInfo(f"a/{name}")
            info.compress_type, info.extra = zipfile.ZIP_DEFLATED, struct.pack("<HHBI", 0x5455, 5, 1, 0)
            archive.writestr(info, data)
    assert zipfile.ZipFile(io.BytesIO(bytes(out.data))).infolist()[0].flag_bits & 8
    (tmp_path / "x.zip").write_bytes(bytes(out.data))
    with unpack.opened(tmp_path / "x.zip") as bag:
        assert (bag / "data/study/study.toml").is_file()


@posix
def test_a_link_to_a_zip_and_a_folder_are_no_deposit(tmp_path):
    (tmp_path / "x.zip").write_bytes(zipped("a", GOOD))
    (tmp_path / "y.zip").symlink_to(tmp_path / "x.zip")
    with pytest.raises(BadInput, match="not an ordinary file"), unpack.opened(tmp_path / "y.zip"):
        pass
    (tmp_path / "z.zip").mkdir()
    assert not filed._is_deposit(tmp_path / "z.zip")
    assert filed._is_deposit(tmp_path / "none.zip")
