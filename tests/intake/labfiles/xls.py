"""The old binary workbook (BIFF8 in an OLE container), as far as this generator needs it: no rich text, no comments."""

from __future__ import annotations

import struct

from tests.intake.labfiles.model import Book, Cell, Sheet

_ERRORS = {"#DIV/0!": 0x07, "#VALUE!": 0x0F, "#REF!": 0x17, "#N/A": 0x2A}
_STATE = {"visible": 0, "hidden": 1, "veryHidden": 2}


def _record(number: int, data: bytes) -> bytes:
    return struct.pack("<HH", number, len(data)) + data


def _long_text(text: str) -> bytes:
    return struct.pack("<HB", len(text.encode("utf-16-le")) // 2, 1) + text.encode("utf-16-le")


def _font(strike: bool) -> bytes:
    name = "Arial".encode("utf-16-le")
    return _record(
        0x31, struct.pack("<HHHHHBBBB", 200, 8 if strike else 0, 0x7FFF, 400, 0, 0, 0, 0, 0) + bytes([5, 1]) + name
    )


def _xf(font: int, fmt: int, style: bool) -> bytes:
    return _record(
        0xE0,
        struct.pack(
            "<HHHBBBBIIH", font, fmt, 0xFFF5 if style else 0x0001, 0x20, 0, 0, 0 if style else 0xFC, 0, 0, 0x20C0
        ),
    )


def _cell(cell: Cell, row: int, column: int, xf: int) -> bytes:
    place = struct.pack("<HHH", row, column, xf)
    if cell.kind == "error":
        return _record(0x205, place + bytes([_ERRORS.get(cell.text, 0x2A), 1]))
    if cell.kind == "bool":
        return _record(0x205, place + bytes([cell.text == "TRUE", 0]))
    if cell.value is not None:
        return _record(0x203, place + struct.pack("<d", float(cell.value)))
    if cell.text:
        return _record(0x204, place + _long_text(cell.text))
    return b""


def _bof(kind: int) -> bytes:
    return _record(0x809, struct.pack("<HHHHII", 0x0600, kind, 0x0DBB, 0x07CC, 0, 6))


def _sheet(sheet: Sheet, styles: list[tuple[str, bool]]) -> bytes:
    out = [_bof(0x10)]
    out += [_record(0x7D, struct.pack("<HHHHHH", i, i, 2560, 15, 1, 0)) for i in sorted(sheet.hidden_columns)]
    width = max(len(r.cells) for r in sheet.rows)
    out.append(_record(0x200, struct.pack("<IIHHH", 0, len(sheet.rows), 0, width, 0)))
    for number, row in enumerate(sheet.rows):
        flags = 0x120 if row.hidden or row.filtered else 0x100
        out.append(_record(0x208, struct.pack("<HHHHHHHH", number, 0, len(row.cells), 255, 0, 0, flags, 15)))
    for number, row in enumerate(sheet.rows):
        for column, cell in enumerate(row.cells):
            key = (cell.fmt, cell.strike)
            if key not in styles:
                styles.append(key)
            out.append(_cell(cell, number, column, 15 + styles.index(key)))
    if sheet.merges:
        out.append(
            _record(
                0xE5,
                struct.pack("<H", len(sheet.merges))
                + b"".join(struct.pack("<HHHH", r, q, c, d) for r, c, q, d in sheet.merges),
            )
        )
    out.append(_record(0x0A, b""))
    return b"".join(out)


def xls_file(book: Book) -> bytes:
    """A workbook of Excel 97."""
    styles: list[tuple[str, bool]] = [("", False)]
    bodies = [_sheet(s, styles) for s in book.sheets]
    formats = sorted({f for f, _ in styles if f})
    ids = {f: 164 + i for i, f in enumerate(formats)}
    start = [_bof(0x05), _record(0x42, struct.pack("<H", 1200)), _record(0x22, struct.pack("<H", 0))]
    start += [_font(False)] * 4 + [_font(True)]
    start += [_record(0x41E, struct.pack("<H", ids[f]) + _long_text(f)) for f in formats]
    start += [_xf(0, 0, True)] * 15
    start += [_xf(5 if strike else 0, ids.get(f, 0), False) for f, strike in styles]
    names = [
        struct.pack("<BB", _STATE[s.state], 0) + bytes([len(s.name), 1]) + s.name.encode("utf-16-le")
        for s in book.sheets
    ]
    offset = sum(map(len, start)) + sum(4 + 4 + len(n) for n in names) + 4
    bounds = []
    for name, body in zip(names, bodies, strict=True):
        bounds.append(_record(0x85, struct.pack("<I", offset) + name))
        offset += len(body)
    return _ole(b"".join([*start, *bounds, _record(0x0A, b""), *bodies]))


def _ole(stream: bytes) -> bytes:
    """One stream named Workbook in a compound file; it is padded so that no small-stream table is needed."""
    stream = stream.ljust(4096, b"\0")
    stream += b"\0" * (-len(stream) % 512)
    count = len(stream) // 512
    tables = 1
    while tables * 128 < count + 1 + tables:
        tables += 1
    fat = [0xFFFFFFFD] * tables + [0xFFFFFFFE] + [tables + 2 + i for i in range(count - 1)] + [0xFFFFFFFE]
    fat += [0xFFFFFFFF] * (tables * 128 - len(fat))
    header = (
        bytes.fromhex("d0cf11e0a1b11ae1")
        + b"\0" * 16
        + struct.pack(
            "<HHHHH6xIIIIIIIII", 0x3E, 3, 0xFFFE, 9, 6, 0, tables, tables, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0
        )
    )
    header += struct.pack("<109I", *(list(range(tables)) + [0xFFFFFFFF] * (109 - tables)))

    def entry(name: str, kind: int, child: int, first: int, size: int) -> bytes:
        text = name.encode("utf-16-le") + b"\0\0" if name else b""
        return (
            text.ljust(64, b"\0")
            + struct.pack("<HBBIII", len(text), kind, 1, 0xFFFFFFFF, 0xFFFFFFFF, child)
            + b"\0" * 36
            + struct.pack("<IQ", first, size)
        )

    directory = (
        entry("Root Entry", 5, 1, 0xFFFFFFFE, 0)
        + entry("Workbook", 2, 0xFFFFFFFF, tables + 1, len(stream))
        + entry("", 0, 0xFFFFFFFF, 0, 0) * 2
    )
    return header + struct.pack(f"<{len(fat)}I", *fat) + directory + stream
