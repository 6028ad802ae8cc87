"""A minimal writer of old binary spreadsheets (BIFF8 in a compound file), for tests of the reader only.

Written from the published record layouts (BOF, BOUNDSHEET, DIMENSIONS, NUMBER, LABEL, EOF; from memory).
"""

from __future__ import annotations

import struct

SECTOR = 512


def _record(kind: int, data: bytes) -> bytes:
    return struct.pack("<HH", kind, len(data)) + data


def _bof(kind: int) -> bytes:
    return _record(0x0809, struct.pack("<HHHHII", 0x0600, kind, 0x0DBB, 1996, 0, 6))


def _text(text: str, length: str) -> bytes:
    raw = text.encode("utf-16-le")
    return struct.pack(length + "B", len(text), 1) + raw


def _sheet(rows: list[list[object]], header: str = "") -> bytes:
    width = max(len(r) for r in rows)
    out = _bof(0x0010) + _record(0x0200, struct.pack("<IIHHH", 0, len(rows), 0, width, 0))
    if header:
        out += _record(0x0014, _text(header, "<H"))
    for i, row in enumerate(rows):
        for k, value in enumerate(row):
            if isinstance(value, (int, float)):
                out += _record(0x0203, struct.pack("<HHHd", i, k, 0, float(value)))
            elif value:
                out += _record(0x0204, struct.pack("<HHH", i, k, 0) + _text(str(value), "<H"))
    return out + _record(0x000A, b"")


def xls_bytes(rows: list[list[object]], title: str = "Results", header: str = "") -> bytes:
    """One sheet of numbers and texts, and a print header, as the bytes of an XLS file."""
    name = struct.pack("<BB", len(title), 0) + title.encode("ascii")
    before = _bof(0x0005) + _record(0x0042, struct.pack("<H", 1200))
    bound_size = 4 + 6 + len(name)
    start = len(before) + bound_size + 4
    globals_ = before + _record(0x0085, struct.pack("<IH", start, 0) + name) + _record(0x000A, b"")
    return _compound(globals_ + _sheet(rows, header))


def _compound(stream: bytes) -> bytes:
    """One stream 'Workbook' in a compound file without a mini stream."""
    size = max(len(stream), 4096)
    stream = stream.ljust(-(-size // SECTOR) * SECTOR, b"\0")
    n = len(stream) // SECTOR
    fat = [0xFFFFFFFD, 0xFFFFFFFE, *range(3, n + 2), 0xFFFFFFFE]
    fat_sector = struct.pack(f"<{len(fat)}I", *fat).ljust(SECTOR, b"\xff")
    if len(fat_sector) > SECTOR:
        raise ValueError("the test sheet must fit into one allocation sector")

    def entry(name: str, kind: int, child: int, first: int, length: int) -> bytes:
        raw = (name + "\0").encode("utf-16-le")
        return (raw.ljust(64, b"\0") + struct.pack("<HBBIII", len(raw), kind, 1, 0xFFFFFFFF, 0xFFFFFFFF, child)
                + b"\0" * 36 + struct.pack("<IQ", first, length))

    directory = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, 2, size)
    directory += (b"\0" * 68 + struct.pack("<III", 0xFFFFFFFF, 0xFFFFFFFF, 0xFFFFFFFF) + b"\0" * 48) * 2
    header = (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 16
              + struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + b"\0" * 6
              + struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
              + struct.pack("<I", 0) + b"\xff" * (4 * 108))
    return header + fat_sector + directory + stream
