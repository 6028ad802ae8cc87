"""Cells of an XLSX package over which something is drawn: a line through a row, a shape, a picture, a chart.

The library at hand keeps no shapes, so the parts of the package are read: workbook, its relations, those of each sheet.
"""

from __future__ import annotations

import math
import posixpath
import re
import zipfile
from collections.abc import Iterator
from html import unescape

Area = tuple[int, int, int, int]
"""First row, first column, last row, last column, counted from 0."""
ROW_EMU, COLUMN_EMU = 190_500, 609_600
"""Height of a row and width of a column where an anchor tells a size only: those of an empty sheet (15 points, 64 pixels)."""
_ANCHOR = re.compile(r"(?s)<(?:\w+:)?((?:two|one)Cell|absolute)Anchor\b.*?</(?:\w+:)?\1Anchor>")
_FRAME = re.compile(r"(?s)<(?:\w+:)?spPr\b[^>]*>(?:(?!</(?:\w+:)?spPr>).)*prst=\"(?:round)?[Rr]ect\".*?<(?:\w+:)?noFill/>")
_KINDS = {"cxnSp": "a drawn line", "pic": "a picture", "graphicFrame": "a chart", "grpSp": "a drawing", "sp": "a shape"}


def drawn_over(archive: zipfile.ZipFile) -> dict[str, list[tuple[Area, str]]]:
    """What is drawn over the cells of each sheet, by its name: the area and what it is; an empty frame is left out."""
    found: dict[str, list[tuple[Area, str]]] = {}
    for title, part in _sheets(archive):
        for kind, target in _relations(archive, part).values():
            if kind == "drawing":
                found.setdefault(title, []).extend(_anchored(_text(archive, target)))
    return found


def _text(archive: zipfile.ZipFile, part: str) -> str:
    return archive.read(part).decode("utf-8", "replace") if part in archive.namelist() else ""


def _relations(archive: zipfile.ZipFile, part: str) -> dict[str, tuple[str, str]]:
    """Kind and target of each relation of a part, by its name."""
    folder, name = posixpath.split(part)
    found = {}
    for tag in re.findall(r"<(?:\w+:)?Relationship\b[^>]*>", _text(archive, f"{folder}/_rels/{name}.rels")):
        told = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        target = unescape(told.get("Target", ""))
        whole = target.lstrip("/") if target.startswith("/") else posixpath.normpath(posixpath.join(folder, target))
        found[told.get("Id", "")] = (told.get("Type", "").rpartition("/")[2], whole)
    return found


def _sheets(archive: zipfile.ZipFile) -> Iterator[tuple[str, str]]:
    """Name and part of each sheet."""
    parts = [n for n in archive.namelist() if re.fullmatch(r"(?i)xl/workbook\d*\.xml", n)]
    for book in parts[:1]:
        targets = _relations(archive, book)
        for tag in re.findall(r"<(?:\w+:)?sheet\b[^>]*>", _text(archive, book)):
            told = dict(re.findall(r'([\w:]+)="([^"]*)"', tag))
            own = next((v for k, v in told.items() if k.endswith(":id")), "")
            if own in targets:
                yield unescape(told.get("name", "")), targets[own][1]


def _anchored(xml: str) -> Iterator[tuple[Area, str]]:
    for found in _ANCHOR.finditer(xml):
        text = found[0]
        kind = next((said for tag, said in _KINDS.items() if re.search(rf"<(?:\w+:)?{tag}\b", text)), "")
        if kind and not (kind == "a shape" and _FRAME.search(text)):
            yield _area(text), kind


def _area(text: str) -> Area:
    """The cells under an anchor; one that ends at the upper or left edge of a cell does not cover it."""
    first, last = _corner(text, "from") or (0, 0, 0, 0), _corner(text, "to")
    if last is not None:
        row, column = (last[n] - (last[n + 2] == 0 and last[n] > first[n]) for n in (0, 1))
        return first[0], first[1], row, column
    size = {k: int(v) for k, v in re.findall(r'\b(cx|cy)="(\d+)"', text)}
    place = {k: int(v) for k, v in re.findall(r'<(?:\w+:)?pos\b[^>]*?\b(x|y)="(\d+)"', text)}
    top, left = first[0] + place.get("y", 0) // ROW_EMU, first[1] + place.get("x", 0) // COLUMN_EMU
    return (top, left, top + max(0, math.ceil(size.get("cy", 0) / ROW_EMU) - 1),
            left + max(0, math.ceil(size.get("cx", 0) / COLUMN_EMU) - 1))


def _corner(text: str, name: str) -> tuple[int, int, int, int] | None:
    """Row, column and the offsets in them of one corner of an anchor."""
    part = re.search(rf"(?s)<(?:\w+:)?{name}>(.*?)</(?:\w+:)?{name}>", text)
    told = {k: int(v) for k, v in re.findall(r"<(?:\w+:)?(row|col|rowOff|colOff)>\s*(-?\d+)", part[1])} if part else None
    return None if told is None else (told.get("row", 0), told.get("col", 0), told.get("rowOff", 0), told.get("colOff", 0))
