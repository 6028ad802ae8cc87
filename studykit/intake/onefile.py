"""One raw file through reading, layout and settling: what was taken, what was not, and how it was read."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from studykit.core.errors import BadInput, Fault
from studykit.core.files import inside
from studykit.intake.bounds import corners
from studykit.intake.columns import Table, Texts
from studykit.intake.delimited import DELIMITER_WORDS, Grid, read_bytes, read_text_grid
from studykit.intake.determinations import settle
from studykit.intake.factorlines import factor_lines
from studykit.intake.header import expected_heads, find_header
from studykit.intake.layouts import NOTHING_BELOW, Laid, lay_out
from studykit.intake.leftout import leave_out
from studykit.intake.mapping import RAW_FOLDER, FileMapping
from studykit.intake.movedcells import fewest, lone_gaps, moved_doubts, result_columns
from studykit.intake.notread import filled, not_read, sheets_not_read
from studykit.intake.overlooked import column_faults, row_doubts, sheet_faults
from studykit.intake.setaside import aside_doubts
from studykit.intake.shifted import shifted
from studykit.intake.signs import number_format
from studykit.intake.spreadsheets import read_spreadsheet, spreadsheet_kind
from studykit.intake.textlines import lines_aside, rows_beyond
from studykit.intake.values import RuleBook
from studykit.intake.writtenonce import blank_below, filled_down
from studykit.study.definition import Study

FILE_COLUMNS = ("file", "sha256", "sheet", "layout", "kind", "encoding", "delimiter", "decimal", "thousands",
                "signs", "header_line", "cells", "ignored", "blank", "rows_in", "taken", "rejected", "superseded",
                "notes")


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One sheet of one file: taken and rejected rows, faults that refuse the file, its line in the files table.

    ``lost``: rejected and blank rows whose determination is known; ``lines``: place of a line that was not read, by the
    sample and analyte that it is about; ``skipped``: what was not read, and why.
    """

    taken: Table
    lost: Table = field(default_factory=lambda: Table({}))
    lines: dict[tuple[str, str], str] = field(default_factory=dict)
    rejected: list[Fault]
    faults: list[Fault]
    skipped: list[Fault] = field(default_factory=list)
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
    fitting = [g for g in grids if _fits(g, mapping) and g.sheet not in mapping.ignore_sheets]
    if not fitting:
        return grids[:1], []
    if len(fitting) > 1 and mapping.sheet is None:
        shown_names = ", ".join(repr(g.sheet) for g in fitting)
        raise BadInput([Fault(file=shown, column="sheet", value=shown_names, reason="several sheets have these headings",
                              remedy="name one as sheet in intake.toml, or write sheet = \"*\" for all of them")])
    others = [f"sheet {g.sheet!r} not read: its headings are others" for g in grids if not _fits(g, mapping)]
    return fitting, others


def _fits(grid: Grid, mapping: FileMapping) -> bool:
    at = find_header(grid, mapping)
    need = expected_heads(mapping) if not mapping.blocks else set(mapping.columns.values())
    return at is not None and (not mapping.header_lines() or need <= set(grid.row(at[-1])) or len(at) > 1)


def cropped(grid: Grid, area: str | None) -> Grid:
    """The part of a grid that a range such as A3:F40, A:C or 3:40 names; lines keep their numbers."""
    if area is None:
        return grid
    top, bottom, left, right = corners(area)
    rows = np.flatnonzero((grid.lines >= top) & (grid.lines <= bottom))
    columns = [k for k in range(len(grid.cells)) if left <= k + 1 <= right]
    move = {k: n for n, k in enumerate(columns)}
    at = {int(i): n for n, i in enumerate(rows)}
    cells = [grid.cells[k].at(rows) for k in columns]

    def moved(places: Any) -> Any:
        return [((at[i], move[k]), (i, k)) for i, k in places if i in at and k in move]

    merged = [(at[m[0]], move[m[1]], at[m[2]], move[m[3]]) for m in grid.merged
              if m[0] in at and m[2] in at and m[1] in move and m[3] in move]
    return replace(
        grid, left=grid.left + left - 1, cells=cells, lines=grid.lines[rows], merged=tuple(merged),
        widths=np.clip(grid.widths[rows] - (left - 1), 1, max(len(columns), 1)),
        numeric=None if grid.numeric is None else grid.numeric[np.ix_(rows, np.array(columns, dtype=int))],
        formulas=frozenset(new for new, _ in moved(grid.formulas)),
        shown={new: grid.shown[old] for new, old in moved(grid.shown)},
        doubts={new: grid.doubts[old] for new, old in moved(grid.doubts)})


def take_file(root: Path, name: str, mapping: FileMapping, study: Study, codes: list[str], book: RuleBook,
              others: set[str] | None = None, ranges: Sequence[str | None] = (), blanks: Collection[str] = ()) -> list[Take]:
    """Read one file under raw/ by its mapping; faults that refuse it come back, none is raised.

    ``codes`` are the study's sample codes; rules are counted in ``book``; ``others`` are the sheets and ``ranges`` the
    ranges (None: all of it) that other entries read, where several serve the file. ``blanks``: codes of blanks.
    """
    shown = f"{RAW_FOLDER}/{name}"
    try:
        path = inside(root, shown, shown)
        whole, digest = read_grids(path, shown, mapping)
        grids = [cropped(g, mapping.range) for g in whole]
        sheets, notes = choose_sheets(grids, mapping, shown)
    except BadInput as error:
        return [_refused(name, mapping, list(error.faults))]
    faults = sheet_faults(grids, sheets, mapping, others or set(), codes, study, shown)
    faults += [f for g, part in zip(whole, grids, strict=True) if part in sheets
               for f in rows_beyond(g, (mapping.range, *ranges), codes, mapping, shown)]
    if faults:
        return [_refused(name, mapping, faults)]
    takes: list[Take] = []
    for grid in sheets:
        part = "!".join(p for p in (grid.sheet if len(whole) > 1 else "", mapping.range or "") if p)
        source = f"{name}#{part}" if part else name
        take = _take_sheet(grid, mapping, study, codes, book, source, digest, notes, blanks)
        before = next(g for g, part in zip(whole, grids, strict=True) if part is grid)
        takes.append(replace(take, skipped=[*take.skipped, *_passed_over(before, grid, mapping, source)]))
    for text, count in lines_aside(whole, mapping.ignore_lines).items():
        book.add(f"line set aside, as the mapping says: {text!r}", count, name)
    takes = _with_results(takes)
    takes[0].skipped.extend(sheets_not_read(grids, sheets, others or set(), str(takes[0].info["file"])))
    return takes


def _with_results(takes: list[Take]) -> list[Take]:
    """The sheets without those that have the headings alone, where others have results."""
    bare = [t for t in takes if t.faults and all(f.reason == NOTHING_BELOW for f in t.faults)]
    if not bare or len(bare) == len(takes):
        return takes
    left = [t for t in takes if t not in bare]
    left[0].skipped.extend(Fault(file=str(left[0].info["file"]), column="sheet", value=str(t.info["file"]).partition("#")[2],
                                 reason="the sheet has headings and no result") for t in bare)
    return left


def _passed_over(whole: Grid, part: Grid, mapping: FileMapping, source: str) -> list[Fault]:
    """The cells of a sheet outside the range of the entry."""
    beyond = filled(whole) - filled(part) if mapping.range else 0
    return [Fault(file=source, column="range", value=mapping.range or "", reason=f"{beyond:,} filled cells of the sheet lie "
                  "outside the range of this entry")] if beyond else []


def _refused(name: str, mapping: FileMapping, faults: list[Fault]) -> Take:
    return Take(taken=Table({}), rejected=[], faults=faults,
                info={"file": name, "layout": mapping.layout})


def _take_sheet(grid: Grid, mapping: FileMapping, study: Study, codes: list[str], book: RuleBook, source: str,
                digest: str, notes: list[str], blanks: Collection[str]) -> Take:
    shown = f"{RAW_FOLDER}/{source}"
    grid, faults = filled_down(grid, mapping, shown)
    laid = lay_out(grid, mapping, set(study.analytes), set(codes), shown)
    laid, left_out = leave_out(grid, laid, mapping, book, shown, source)
    faults += [f for b in laid.blocks for f in shifted(grid, b, mapping, set(study.analytes), shown)]
    faults += [f for b in laid.blocks for f in factor_lines(grid, b, mapping, set(study.analytes), shown)]
    faults += [f for b in laid.blocks for f in column_faults(grid, b, mapping, study, codes, shown)]
    if laid.faults or faults:
        return _refused(source, mapping, [*laid.faults, *faults])
    _mark_rows(grid, laid, mapping, set(study.analytes), set(codes))
    form, signs, faults = number_format(laid.cells, mapping, shown)
    if faults:
        return _refused(source, mapping, faults)
    settled = settle(laid.cells, mapping, study, codes, form, book, source, blanks)
    if settled.faults:
        return _refused(source, mapping, [replace(f, file=shown) for f in settled.faults])
    misfits = [replace(f, file=source) for f in laid.misfits]
    info = _info(grid, mapping, laid, source, digest, notes) | {
        "decimal": form.decimal, "thousands": form.thousands, "signs": signs, "cells": settled.cells,
        "ignored": settled.ignored, "blank": settled.blank,
        "rows_in": settled.cells - settled.ignored - settled.blank + len(misfits)}
    return Take(taken=settled.taken, lost=settled.lost, rejected=[*settled.rejected, *misfits], faults=[], info=info,
                skipped=[*not_read(grid, laid, mapping, settled.blanks, source), *left_out],
                lines=_about(misfits, mapping, codes, study))


def _about(misfits: list[Fault], mapping: FileMapping, codes: list[str], study: Study) -> dict[tuple[str, str], str]:
    """The determinations that lines of too few or too many cells are about; none where replicates have numbers."""
    if mapping.layout == "wide-samples" or mapping.replicates or "replicate" in mapping.columns:
        return {}
    named = {n: t.analyte for n in mapping.analytes if (t := mapping.target(n)) is not None}
    named |= {a: a for a in study.analytes if a not in named}
    out = {}
    for fault in misfits:
        cells = {c.strip() for c in fault.value.split("|")}
        for sample in cells & set(codes):
            for analyte in {a for n, a in named.items() if a and (mapping.layout == "wide" or n in cells)}:
                out[sample, analyte] = f"raw/{fault.file} row {fault.row}"
    return out


def _mark_rows(grid: Grid, laid: Laid, mapping: FileMapping, known: set[str], codes: set[str]) -> None:
    """Doubts that a row's other columns tell, onto the determinations of that row, and where it alone has a gap."""
    cells = laid.cells
    cells["gap"] = _by_line(cells, {
        int(grid.lines[i]): b.heads[k] for b in laid.blocks
        for i, k in lone_gaps(grid, b, set(result_columns(b, mapping, known)), fewest(mapping))})
    blocks = [b if np.array_equal(lines := grid.lines[b.rows], cells["line"]) else replace(
        b, rows=b.rows[np.isin(lines, cells["line"])]) for b in laid.blocks]
    found: dict[tuple[int, int | None], str] = {}
    for b in blocks:
        found |= {(int(grid.lines[i]), k): why for (i, k), why in moved_doubts(grid, b, mapping, known).items()}
        found |= {(int(grid.lines[i]), None): why for i, why in blank_below(grid, b, mapping)}
        found |= {(int(grid.lines[i]), None): why for i, why in row_doubts(grid, b, mapping, known, codes).items()}
    free = ~cells["doubt"].flags(bool) | cells["mark"].flags(lambda m: m in mapping.marked)  # what counts hides no other doubt
    at = np.flatnonzero(np.isin(cells["line"], [line for line, _ in found]) & free) if found else ()
    told = {int(n): why for n in at if (why := found.get((line := int(cells["line"][n]), None), "") or found.get(
        (line, int(cells["place"][n])), ""))}
    beside = {i: why for i, why in aside_doubts(cells, mapping).items() if i not in told and free[i]}
    _mark(cells, told | beside, "remark")
    if grid.cut:
        _mark_cut(grid, cells)


def _by_line(cells: Table, told: dict[int, str]) -> Texts:
    """A text for each determination of some lines, '' for the others."""
    out = Texts.same("", len(cells))
    for line, text in told.items():
        out = out.where(cells["line"] == line, text)
    return out


def _mark(cells: Table, told: dict[int, str], mark: str) -> None:
    """Give determinations, by their place, a doubt each."""
    at = np.zeros(len(cells), dtype=bool)
    at[list(told)] = True
    codes, words = cells["doubt"].codes.copy(), [*cells["doubt"].words, *told.values()]
    codes[list(told)] = np.arange(len(words) - len(told), len(words))
    if told:
        cells["doubt"], cells["mark"] = Texts(codes, words).renamed(words), cells["mark"].where(at, mark)


def _mark_cut(grid: Grid, cells: Table) -> None:
    """Doubt the last cell of a file that ends without a line end, where it is shorter than all others of its column."""
    end = next((t for t in reversed(grid.row(len(grid.lines) - 1)) if t), "")
    at = np.flatnonzero(cells["line"] == int(grid.lines[-1]))
    if not len(at) or cells["text"][at[-1]].strip() != end:
        return
    own = cells["name"].flags(cells["name"][at[-1]].__eq__)
    own[at[-1]] = False
    shortest = min((len(t.strip()) for t in cells["text"].at(own).distinct()), default=0)
    if len(end) < shortest:
        _mark(cells, {int(at[-1]): "may be cut: the file ends here without a line end"}, "cut")


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
