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
from xml.etree import ElementTree

Area = tuple[int, int, int, int]
"""First row, first column, last row, last column, counted from 0."""
ROW_EMU, COLUMN_EMU = 190_500, 609_600
"""Height of a row and width of a column where an anchor tells a size only: those of an empty sheet (15 points, 64 pixels)."""
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
    """Area and kind of each anchor of a drawing; none of a part that is no XML, or that declares a type of its own."""
    if not xml or "<!DOCTYPE" in xml:
        return
    try:
        waiting = [ElementTree.fromstring(xml)]
    except ElementTree.ParseError:
        return
    while waiting:
        one = waiting.pop()
        if not _name(one).endswith("Anchor"):
            waiting += one
            continue
        names = {_name(part) for part in one.iter()}
        kind = next((said for tag, said in _KINDS.items() if tag in names), "")
        if kind and not (kind == "a shape" and _frame(one)):
            yield _area(one), kind


def _name(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def _frame(anchor: ElementTree.Element) -> bool:
    """Whether all that is drawn is a rectangle that is not filled."""
    looks = [part for part in anchor.iter() if _name(part) == "spPr"]
    return bool(looks) and all("noFill" in map(_name, look) and any(part.get("prst") in ("rect", "roundRect") for part in look)
                               for look in looks)


def _area(anchor: ElementTree.Element) -> Area:
    """The cells under an anchor; one that ends at the upper or left edge of a cell does not cover it."""
    own = {_name(part): part for part in anchor}
    first, last = _corner(own.get("from")), _corner(own.get("to"))
    if "to" in own:
        row, column = (last[n] - (last[n + 2] == 0 and last[n] > first[n]) for n in (0, 1))
        return first[0], first[1], row, column
    size = dict(own["ext"].attrib) if "ext" in own else {}
    place = dict(own["pos"].attrib) if "pos" in own else {}
    top, left = first[0] + _count(place.get("y")) // ROW_EMU, first[1] + _count(place.get("x")) // COLUMN_EMU
    return (top, left, top + max(0, math.ceil(_count(size.get("cy")) / ROW_EMU) - 1),
            left + max(0, math.ceil(_count(size.get("cx")) / COLUMN_EMU) - 1))


def _corner(corner: ElementTree.Element | None) -> tuple[int, int, int, int]:
    """Row, column and the offsets in them of one corner of an anchor."""
    told = {_name(part): _count(part.text) for part in corner} if corner is not None else {}
    return told.get("row", 0), told.get("col", 0), told.get("rowOff", 0), told.get("colOff", 0)


def _count(text: str | None) -> int:
    return int(text) if re.fullmatch(r"\s*[0-9]{1,10}\s*", text or "") else 0  # type: ignore[arg-type]
