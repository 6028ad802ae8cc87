"""The parts of these files: a laboratory with ten bottles, tables as text or workbook, entries of intake.toml, a case.

A case is what `kind` registers: files, what was meant (sample ``s``, analyte ``a``, value ``v``, sign ``q``; ``agree`` false
where careful people would ask), and the entry that a reasonable user would write. Everything is invented.
"""

from __future__ import annotations

import io
import json
import random
import zipfile
from collections.abc import Callable, Sequence
from typing import Any
from xml.sax.saxutils import escape

import openpyxl

from tests.intake.labfiles.model import Book, Cell, Row, Sheet
from tests.intake.labfiles.xls import xls_file

Case = dict[str, Any]
Rows = list[list[Any]]
_CODES = """
WXHD7 F7CHD FC4D5 H2FL2 X2C47 CF764 X4WC8 F2WL7 FL4XX XC728 CXH7X LDHL5 C6L5C L2HW7 D884H HCD5W F668H H8X5X FFDC6 WL6LX LC52C
LHLD4 X8572 X7X25 DLH56 FF44W XD4DF CD5W4
"""
CODES = tuple(_CODES.split())
UNITS = {"Si": "mg/kg", "P": "mg/kg", "Ca": "mg/kg", "Water": "mg/kg", "KV40": "mm2/s"}
FIVE = ["Si", "P", "Ca", "Water", "KV40"]
THREE = ["Si", "P", "Ca"]
KINDS: dict[str, Callable[[Laboratory], Case]] = {}


def kind(make: Callable[[Laboratory], Case]) -> Callable[[Laboratory], Case]:
    """Register a kind by the name of its function."""
    KINDS[make.__name__] = make
    return make


class Laboratory:
    """Ten bottles and their values, by a seed."""

    def __init__(self, seed: str) -> None:
        self.rng = r = random.Random(seed)
        self.samples = [CODES[i] for i in sorted(r.sample(range(len(CODES)), 10))]
        r.shuffle(self.samples)
        self.values = {code: {"Si": round(r.uniform(14, 19.9), 1), "P": float(r.randint(326, 352)),
                              "Ca": float(r.randint(2280, 2440)), "Water": float(r.randint(62, 118)),
                              "KV40": round(r.uniform(219.2, 222.9), 1)} for code in self.samples}

    def meant(self, analytes: Sequence[str], drop: Sequence[tuple[str, str]] = (), **more: Any) -> list[dict[str, Any]]:
        """Every value of these analytes, but those that are dropped."""
        return [{"s": code, "a": a, "v": self.values[code][a], **more} for code in self.samples for a in analytes
                if (code, a) not in drop]


def case(files: list[tuple[str, bytes | str]], cells: list[dict[str, Any]], agree: bool = True,
         hand: dict[str, Any] | None = None) -> Case:
    """Files, what was meant, whether two people would read it alike, and the mapping."""
    return {"files": files, "cells": cells, "agree": agree, "hand": hand}


def plain(value: float, dec: str = ".") -> str:
    """A number as a laboratory writes it."""
    return f"{value:g}".replace(".", dec)


def joined(rows: Rows, sep: str = ";", nl: str = "\r\n") -> str:
    """Rows as delimited text."""
    return nl.join(sep.join(map(str, r)) for r in rows) + nl


def wide_rows(lab: Laboratory, analytes: Sequence[str], head: str = "Sample", dec: str = ",", names: list[str] | None = None,
              f: Callable[[str, str, float], str] | None = None) -> Rows:
    """A wide table of texts; ``f`` writes a value otherwise."""
    write = f or (lambda code, analyte, value: plain(value, dec))
    return [[head, *(names or analytes)],
            *([code, *(write(code, a, lab.values[code][a]) for a in analytes)] for code in lab.samples)]


def wide_numbers(lab: Laboratory, analytes: Sequence[str], head: str = "Sample", names: list[str] | None = None) -> Rows:
    """A wide table of numbers, for workbooks."""
    return [[head, *(names or analytes)], *([code, *(lab.values[code][a] for a in analytes)] for code in lab.samples)]


def with_units(analytes: Sequence[str], rows: Rows) -> Rows:
    """The rows with a row of units below the headings."""
    return [rows[0], ["", *(UNITS[a] for a in analytes)], *rows[1:]]


def _entry(entry: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(entry.get(key), dict):
            entry[key].update(value)
        else:
            entry[key] = value
    return {"file": [entry]}


def wide_entry(pattern: str = "*", sample: str = "Sample", same: Sequence[str] = tuple(FIVE), units: Any = True,
               **more: Any) -> dict[str, Any]:
    """The entry of a wide file; ``same`` are headings that are the analytes' own names."""
    entry: dict[str, Any] = {"pattern": pattern, "layout": "wide", "columns": {"sample": sample},
                             "analytes": {a: a for a in same}}
    if units:
        entry["units"] = {a: UNITS[a] for a in same} | (units if isinstance(units, dict) else {})
    return _entry(entry, more)


def long_entry(pattern: str = "*", sample: str = "Sample", analyte: str = "Test", value: str = "Result", unit: str = "Unit",
               names: dict[str, str] | None = None, **more: Any) -> dict[str, Any]:
    """The entry of a long file."""
    entry: dict[str, Any] = {"pattern": pattern, "layout": "long", "analytes": names or {a: a for a in FIVE},
                             "columns": {"sample": sample, "analyte": analyte, "value": value}}
    if unit:
        entry["columns"]["unit"] = unit
    return _entry(entry, more)


def workbook(rows: Rows, change: Callable[[Any, Any], Any] | None = None, title: str = "Results") -> bytes:
    """An XLSX; ``change`` gets the book and its sheet."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = title
    for row in rows:
        sheet.append(list(row))
    if change:
        change(book, sheet)
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def old_workbook(rows: Rows) -> bytes:
    """An XLS."""
    from decimal import Decimal

    def cell(value: Any) -> Cell:
        return Cell("" if value is None else f"{value:g}" if isinstance(value, float) else str(value),
                    value=Decimal(str(value)) if isinstance(value, (int, float)) else None)

    return xls_file(Book([Sheet("Results", [Row([cell(v) for v in row]) for row in rows])]))


_NAMES = " ".join(f'xmlns:{k}="urn:oasis:names:tc:opendocument:xmlns:{v}:1.0"' for k, v in (
    ("office", "office"), ("table", "table"), ("text", "text"), ("style", "style"), ("fo", "xsl-fo-compatible"), ("dc", "dc"),
    ("number", "datastyle")))
_MANIFEST = ('<?xml version="1.0"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" '
             'manifest:version="1.2"><manifest:file-entry manifest:full-path="/" manifest:media-type="{0}"/>'
             '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>')
_ODS = "application/vnd.oasis.opendocument.spreadsheet"


def open_document(rows: Rows, extra_styles: str = "", cellattr: Callable[[int, int, Any], str | None] | None = None,
                  rowattr: Callable[[int], str] | None = None, post: str = "") -> bytes:
    """An ODS; ``cellattr`` may write a cell otherwise, ``rowattr`` gives a row attributes."""
    def cell(i: int, k: int, value: Any) -> str:
        if cellattr and (own := cellattr(i, k, value)):
            return own
        if value is None or value == "":
            return "<table:table-cell/>"
        if isinstance(value, (int, float)):
            return (f'<table:table-cell office:value-type="float" office:value="{value}"><text:p>{value:g}</text:p>'
                    "</table:table-cell>")
        return f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p></table:table-cell>'

    body = "".join(f"<table:table-row{rowattr(i) if rowattr else ''}>{''.join(cell(i, k, v) for k, v in enumerate(row))}"
                   "</table:table-row>" for i, row in enumerate(rows))
    content = (f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {_NAMES} office:version="1.2">'
               f"<office:automatic-styles>{extra_styles}</office:automatic-styles><office:body><office:spreadsheet>"
               f'<table:table table:name="Results">{body}</table:table>{post}</office:spreadsheet></office:body>'
               "</office:document-content>")
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("mimetype", _ODS)
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", _MANIFEST.format(_ODS))
    return target.getvalue()


def toml(value: Any) -> str:
    """A value as TOML in one line; texts as JSON writes them."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def intake_text(hand: dict[str, Any]) -> str:
    """The mapping as the text of intake.toml."""
    head = [f"{k} = {toml(v)}" for k, v in hand.items() if k != "file"]
    entries = ("[[file]]\n" + "\n".join(f"{k} = {toml(v)}" for k, v in e.items()) for e in hand["file"])
    return "\n".join([*head, *entries]) + "\n"
