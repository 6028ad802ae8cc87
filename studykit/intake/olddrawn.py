"""Cells of an XLS over which something is drawn, from the records of its stream: the library at hand keeps no shapes.

[MS-XLS] 2.4.28 (BoundSheet8), 2.4.171 (MsoDrawing), 2.4.181 (Obj) and 2.5.193 (OfficeArtClientAnchorSheet), numbers of the
sections from memory; of versions before 8 the record Obj has the place itself.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from studykit.intake.drawn import Area

_ANCHOR = bytes.fromhex("000010f012000000")
_FIRST = b"\x15\0"
"""Begins the record of an object since version 8: its first part."""
_KINDS = {1: "a drawn line", 5: "a chart", 6: "a shape", 8: "a picture"}
_NO_DRAWING = (0x19, 0x14)
"""Notes, which are comments, and the arrows of a filter."""


def drawn_over_old(stream: bytes) -> list[list[tuple[Area, str]]]:
    """What is drawn over the cells of each worksheet, in the order of the sheets: the area and what it is."""
    starts = [struct.unpack_from("<I", body)[0] for kind, body in _records(stream, 0) if kind == 0x85 and body[5:6] == b"\0"]
    return [list(_sheet(stream, at)) for at in starts]


def _records(stream: bytes, at: int) -> Iterator[tuple[int, bytes]]:
    """Kind and body of the records of one part, what is put into it (a chart's own part) too."""
    depth = 0
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        depth += (kind == 0x809) - (kind == 0x0A)
        yield kind, stream[at + 4:at + 4 + length]
        if depth <= 0:
            return
        at += 4 + length


def _sheet(stream: bytes, at: int) -> Iterator[tuple[Area, str]]:
    waiting: list[Area] = []
    for kind, body in _records(stream, at):
        if kind == 0xEC:
            place = body.find(_ANCHOR)
            while 0 <= place <= len(body) - 26:
                _, left, _, top, _, right, dx, bottom, dy = struct.unpack_from("<9H", body, place + 8)
                waiting.append((top, left, bottom - (dy == 0 and bottom > top), right - (dx == 0 and right > left)))
                place = body.find(_ANCHOR, place + 8)
        elif kind == 0x5D and len(body) >= 26 and body[:2] != _FIRST:  # of older versions the place stands in the record
            left, _, top, _, right, dx, bottom, dy = struct.unpack_from("<8H", body, 10)
            waiting.append((top, left, bottom - (dy == 0 and bottom > top), right - (dx == 0 and right > left)))
        if kind == 0x5D and len(body) >= 6 and waiting:
            what, area = struct.unpack_from("<H", body, 4)[0], waiting.pop()
            if what not in _NO_DRAWING:
                yield area, _KINDS.get(what, "a drawing")
    yield from ((area, "a drawing") for area in waiting)
