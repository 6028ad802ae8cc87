"""What a spreadsheet would unpack to and how far its cells reach, looked at before a reader trusts it.

Parts are unpacked in pieces and scanned by expat, which keeps nothing; document type declarations are refused
wherever they stand, so no entity is ever expanded.
"""

from __future__ import annotations

import io
import re
import zipfile
from typing import Any
from xml.parsers import expat

from studykit.intake.cellmodel import MOST_CELLS, MOST_COLUMNS, UnreadableError

MAX_UNPACKED = 400_000_000
MAX_PART = 150_000_000
MAX_OLD_BYTES = 60_000_000
MAX_PARTS = 2_000
MAX_DEPTH = 200
MAX_SPACES = 10_000
MOST_STYLES = 20_000
_REPEATED = frozenset(("table-row", "table-cell", "covered-table-cell", "p", "s"))
_CELL = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")


def check_old(data: bytes) -> None:
    """Refuse an XLS that is too large."""
    if len(data) > MAX_OLD_BYTES:
        raise UnreadableError(f"has {len(data):,} bytes; at most {MAX_OLD_BYTES:,} of an XLS are read", "limit")


def check_package(data: bytes, kind: str) -> None:
    """Refuse a package that is too large, reaches too far, nests too deep or declares a document type."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = archive.infolist()
        total = sum(p.file_size for p in parts)
        if total > MAX_UNPACKED or len(parts) > MAX_PARTS or any(p.file_size > MAX_PART for p in parts):
            raise UnreadableError(f"would unpack to {total:,} bytes in {len(parts)} parts; at most {MAX_UNPACKED:,} in "
                                  f"{MAX_PARTS}, none over {MAX_PART:,}, are read", "limit")
        for part in parts:
            if part.filename.endswith((".xml", ".rels", ".vml")):
                with archive.open(part) as stream:
                    _Scan(part.filename, kind).run(stream)


class _Scan:
    """One part of a package, element by element; only counts are kept."""

    def __init__(self, name: str, kind: str) -> None:
        self.name, self.kind = name, kind
        self.bare: dict[str, str] = {}
        self.depth = self.row = self.column = self.merged = self.cells = self.styles = 0
        self.rows, self.width, self.pending = 1, 0, 0
        self.parser = expat.ParserCreate()
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end

    def run(self, stream: Any) -> None:
        """Scan the whole part."""
        while block := stream.read(1 << 18):
            self.parser.Parse(block, False)
        self.parser.Parse(b"", True)

    def doctype(self, *_: Any) -> None:
        raise UnreadableError(f"part {self.name} declares a document type", "limit")

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > MAX_DEPTH:
            raise UnreadableError(f"part {self.name} nests more than {MAX_DEPTH} deep", "limit")
        bare = self.bare.get(tag)
        if bare is None:
            bare = self.bare[tag] = tag.rpartition(":")[2]
        if self.kind == "ods":
            if bare == "table-row" and not attributes:
                self.rows, self.width, self.pending = 1, 0, 0
            elif bare in _REPEATED:
                self.open_document(bare, {k.rpartition(":")[2]: v for k, v in attributes.items()} if attributes else {})
        elif bare == "c" and "r" in attributes:
            self.reach(attributes["r"])
        elif bare == "mergeCell":
            self.merge(attributes.get("ref", ""))
        elif bare == "xf":
            self.styles += 1
            if self.styles > MOST_STYLES:
                raise UnreadableError(f"has more than {MOST_STYLES:,} cell formats (copy the table into a new workbook)",
                                      "limit")

    def end(self, tag: str) -> None:
        self.depth -= 1
        if self.width and self.bare[tag] == "table-row":
            self.cells += self.rows * self.width
            if self.cells > MOST_CELLS or self.width > MOST_COLUMNS:
                raise UnreadableError(f"repeats filled cells to more than {MOST_CELLS:,}, or to more than "
                                      f"{MOST_COLUMNS:,} columns", "limit")

    def reach(self, place: str) -> None:
        """How far the cells of an XLSX sheet reach."""
        found = _CELL.fullmatch(place)
        if not found:
            return
        self.row, self.column = max(self.row, int(found[2])), max(self.column, column_number(found[1]))
        if self.row * self.column > MOST_CELLS or self.column > MOST_COLUMNS:
            raise UnreadableError(f"reaches to row {self.row:,} and column {self.column:,}; at most {MOST_CELLS:,} "
                                  f"cells in {MOST_COLUMNS:,} columns of a sheet are read", "limit")

    def merge(self, text: str) -> None:
        """Merged areas of an XLSX sheet."""
        corners = [_CELL.fullmatch(c) for c in text.split(":")]
        if len(corners) == 2 and corners[0] and corners[1]:
            (a, b), (c, d) = ((int(m[2]), column_number(m[1])) for m in corners if m)
            self.merged += (c - a + 1) * (d - b + 1)
        if self.merged > MOST_CELLS:
            raise UnreadableError(f"merges more than {MOST_CELLS:,} cells", "limit")

    def open_document(self, tag: str, attributes: dict[str, str]) -> None:
        """Repeats of an ODS sheet: rows as often as they are repeated, up to the last filled cell."""
        if tag == "table-row":
            self.rows, self.width, self.pending = _count(attributes, "number-rows-repeated"), 0, 0
        elif tag in ("table-cell", "covered-table-cell"):
            self.pending += _count(attributes, "number-columns-repeated")
            if any(k in attributes for k in ("value", "value-type", "formula", "date-value", "string-value")):
                self.width = self.pending
        elif tag == "p":
            self.width = max(self.width, self.pending)
        elif tag == "s" and _count(attributes, "c") > MAX_SPACES:
            raise UnreadableError(f"writes more than {MAX_SPACES:,} spaces in one place", "limit")


def _count(attributes: dict[str, str], name: str) -> int:
    text = attributes.get(name, "1")
    return int(text) if text.isdigit() and len(text) < 12 else 1


def column_number(letters: str) -> int:
    """The number of a column, A being 1."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def corners(area: str) -> tuple[int, int, int, int]:
    """First and last line, first and last column (counted from 1) of a range such as A3:F40, A:C or 3:40."""
    (a, b), (c, d) = (re.fullmatch(r"([A-Z]*)([0-9]*)", corner).groups() for corner in area.split(":"))  # type: ignore[union-attr]
    return int(b or 1), int(d or 10**7), (column_number(a) if a else 1), (column_number(c) if c else 10**7)
