"""One raw file through reading, layout and settling: what was taken, what was not, and how it was read."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.core.files import inside
from studykit.intake.delimited import DELIMITER_WORDS, Grid, read_bytes, read_text_grid
from studykit.intake.determinations import TAKEN_COLUMNS, number_format, settle
from studykit.intake.header import expected_heads, find_header
from studykit.intake.layouts import Laid, lay_out
from studykit.intake.mapping import RAW_FOLDER, FileMapping
from studykit.intake.spreadsheets import read_spreadsheet, spreadsheet_kind
from studykit.intake.values import RuleBook
from studykit.study.definition import Study

FILE_COLUMNS = ("file", "sha256", "sheet", "layout", "kind", "encoding", "delimiter", "decimal", "thousands",
                "signs", "header_line", "cells", "ignored", "blank", "rows_in", "taken", "rejected", "superseded",
                "notes")


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One sheet of one file: taken and rejected rows, faults that refuse the file, its line in the files table."""

    taken: pd.DataFrame
    rejected: list[Fault]
    faults: list[Fault]
    info: dict[str, Any]


def read_grids(path: Path, shown: str, mapping: FileMapping | None) -> tuple[list[Grid], str]:
    """The grids of a raw file (one a sheet) and the SHA-256 of its bytes; BadInput where it cannot be read."""
    data = read_bytes(path, shown)
    digest = hashlib.sha256(data).hexdigest()
    kind = spreadsheet_kind(data)
    if kind:
        grids = read_spreadsheet(data, shown, kind)
        if not grids:
            raise BadInput([Fault(file=shown, reason="no sheet holds a cell", remedy="ask for the file again")])
        return grids, digest
    m = mapping
    grid = read_text_grid(path, shown, data=data, expect=expected_heads(m) if m else (),
                          encoding=m.encoding if m else None, delimiter=m.delimiter if m else None,
                          quote=m.quote if m else None)
    return [grid], digest


def choose_sheets(grids: list[Grid], mapping: FileMapping, shown: str) -> tuple[list[Grid], list[str]]:
    """The sheets to read: as named, else the one whose headings fit; BadInput where that is not plain."""
    if len(grids) == 1 and mapping.sheet is None:
        return grids, []
    names = ", ".join(repr(g.sheet) for g in grids)
    if mapping.sheet not in (None, "*"):
        named = [g for g in grids if g.sheet == mapping.sheet]
        if not named:
            raise BadInput([Fault(file=shown, column="sheet", value=str(mapping.sheet), reason="there is no such sheet",
                                  remedy=f"correct sheet in intake.toml; the file has {names}")])
        return named, [f"sheet {g.sheet!r} not read" for g in grids if g not in named]
    fitting = [g for g in grids if _fits(g, mapping)]
    if not fitting:
        return grids[:1], []
    if len(fitting) > 1 and mapping.sheet is None:
        shown_names = ", ".join(repr(g.sheet) for g in fitting)
        raise BadInput([Fault(file=shown, column="sheet", reason=f"several sheets have these headings: {shown_names}",
                              remedy="name one as sheet in intake.toml, or write sheet = \"*\" for all of them")])
    others = [f"sheet {g.sheet!r} not read: its headings are others" for g in grids if not _fits(g, mapping)]
    return fitting, others


def _fits(grid: Grid, mapping: FileMapping) -> bool:
    at = find_header(grid, mapping)
    need = expected_heads(mapping) if not mapping.blocks else set(mapping.columns.values())
    return at is not None and (not mapping.header_lines() or need <= set(grid.row(at[-1])) or len(at) > 1)


def take_file(root: Path, name: str, mapping: FileMapping, study: Study, codes: list[str],
              book: RuleBook) -> list[Take]:
    """Read one file under raw/ by its mapping; faults that refuse it come back, none is raised.

    ``codes`` are the study's sample codes; rules are counted in ``book``.
    """
    shown = f"{RAW_FOLDER}/{name}"
    try:
        path = inside(root, shown, shown)
        grids, digest = read_grids(path, shown, mapping)
        sheets, notes = choose_sheets(grids, mapping, shown)
    except BadInput as error:
        return [_refused(name, mapping, list(error.faults))]
    takes = []
    for grid in sheets:
        source = f"{name}#{grid.sheet}" if len(sheets) > 1 else name
        takes.append(_take_sheet(grid, mapping, study, codes, book, source, digest, notes))
    return takes


def _refused(name: str, mapping: FileMapping, faults: list[Fault]) -> Take:
    return Take(taken=pd.DataFrame(columns=list(TAKEN_COLUMNS)), rejected=[], faults=faults,
                info={"file": name, "layout": mapping.layout})


def _take_sheet(grid: Grid, mapping: FileMapping, study: Study, codes: list[str], book: RuleBook, source: str,
                digest: str, notes: list[str]) -> Take:
    shown = f"{RAW_FOLDER}/{source}"
    laid = lay_out(grid, mapping, set(study.analytes), set(codes), shown)
    if laid.faults:
        return _refused(source, mapping, laid.faults)
    form, signs, faults = number_format(laid.cells, mapping, shown)
    if faults:
        return _refused(source, mapping, faults)
    settled = settle(laid.cells, mapping, study, codes, form, book, source)
    if settled.faults:
        return _refused(source, mapping, [replace(f, file=shown) for f in settled.faults])
    misfits = [replace(f, file=source) for f in laid.misfits]
    info = _info(grid, mapping, laid, source, digest, notes) | {
        "decimal": form.decimal, "thousands": form.thousands, "signs": signs, "cells": settled.cells,
        "ignored": settled.ignored, "blank": settled.blank,
        "rows_in": settled.cells - settled.ignored - settled.blank + len(misfits)}
    return Take(taken=settled.taken, rejected=[*settled.rejected, *misfits], faults=[], info=info)


def _info(grid: Grid, mapping: FileMapping, laid: Laid, source: str, digest: str,
          notes: list[str]) -> dict[str, Any]:
    """How the sheet was read, for the files table; what was detected and not declared says so."""
    def how(key: str, value: str) -> str:
        return value + ("" if key in grid.declared or not value else " (detected)")

    all_notes = [n for n in (*grid.notes, *notes, *laid.notes) if not n.startswith("encoding detected")]
    return {"file": source, "sha256": digest, "sheet": grid.sheet, "layout": mapping.layout, "kind": grid.kind,
            "encoding": how("encoding", grid.encoding),
            "delimiter": how("delimiter", DELIMITER_WORDS.get(grid.delimiter, grid.delimiter)),
            "header_line": laid.header_line, "notes": "; ".join(all_notes)}
