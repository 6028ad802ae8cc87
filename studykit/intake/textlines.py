"""Lines of a raw file that are no results: what they say about the results is a question, never skipped.

A line below the table may void a bottle ('K72PX arrived broken'), change the unit ('Results below in g/kg') or give
a word another meaning ('nd = not determined'). Such a line refuses the file until a person has set it aside under
``ignore_lines``; harmless text below the table is noted and left out.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import tidy_text
from studykit.intake.bounds import corners
from studykit.intake.cellmodel import Doubt
from studykit.intake.delimited import Grid
from studykit.intake.headwords import CHANGES, HARMLESS, NOT_THE_STOCK, SHEARED, VOID, WEAK, stem_of
from studykit.intake.mapping import FileMapping
from studykit.intake.unitwords import bracketed_unit, unit_or_nothing
from studykit.study.naming import ELEMENTS

MOST_LINES = 2_000
_UNIT = re.compile(r"[%‰]\s*(?:\(?m/m\)?|\(?v/v\)?)?|[µμumknd]?g\s*/\s*[µμumk]?g|[µμumk]?g\s*/\s*m?[lL]|g\s*/\s*t\b|\bpp[mb]\b")
_SAYS_UNIT = re.compile(r"(?i)\b(in|en|units?|as|einheit(en)?|unit(é|e)s?|unidad(es)?|eenheid|unit(à|a))\b")
_LIMIT = re.compile(r"(?i)\b(?:loq|lod|mdl|(?:bestimmungs|nachweis)grenze|limit of \w+|(?:reporting|detection) limit)\b[^0-9]*"
                    r"([0-9]+(?:[.,][0-9]+)?)")
_PER = re.compile(r"(?<=g) per (?=[kmµu]?(?:g|[lL])\b)")
_MEASURED_AT = re.compile(r"(?i)(?:visc|visk|messtemp|measured at|test temp|determined at).*?([0-9]+)(?:[.,][0-9]+)? ?°")
_DEFINITION = re.compile(r"(?i)\b(n\.?\s?d\.?|n\.?\s?b\.?|tr|bdl|bql)\s*(?:=|:|means|stands for)\s*(.*)")
_PAGE = re.compile(
    r"(?i)\W*(page|seite|pagina|p[áa]gina|blatt|sheet)\W*[0-9]+(\W*(of|von|de|sur|van|di)?\W*[0-9]+)?\W*|"
    r"\W*(to be )?(continued|continuation|fortsetzung|suite|vervolg|continuaci[óo]n)( (on|from|of|auf|von) .{0,30})?\W*")
"""A line that a printed page ends or begins with (common practice, no source)."""
_NUMBER = re.compile(r"[<>≤≥]?\s*[+-]?[0-9][0-9.,' ]*(?:[eE][+-]?[0-9]+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One rectangle of a grid: headings by column position, row positions of the data, units by column.

    ``asked``: the doubts of headings, of other tables in the sheet too, by heading.
    """

    heads: dict[int, str]
    top: int
    header_at: int
    first: int
    rows: np.ndarray
    units: dict[int, str]
    asked: dict[str, Doubt] = field(default_factory=dict)

    @property
    def place(self) -> dict[str, int]:
        """The column of each heading, of those alike the last."""
        return {h: k for k, h in self.heads.items()}

    def columns(self, *heads: str | None) -> list[int]:
        """The columns under these headings, from left to right; '' and None are none."""
        return [k for k, h in self.heads.items() if h and h in heads]


def used_units(mapping: FileMapping, blocks: list[Block], grid: Grid | None = None) -> set[str]:
    """The units that the file's headings, its column of units and its mapping give, in one spelling."""
    written = [*mapping.units.values(), *mapping.unit_words.values(), str(mapping.constants.get("unit", ""))]
    written += [e.unit or "" for e in map(mapping.target, mapping.analytes) if e]
    for block in blocks:
        written += [*block.units.values(), *(bracketed_unit(h) for h in block.heads.values())]
        own = block.columns(mapping.columns.get("unit"))
        written += grid.cells[own[0]].at(block.rows).distinct()[:50] if grid is not None and own else []
    return {u for u in (unit_or_nothing(tidy_text(w)) for w in written if w) if u}


def line_fault(text: str, samples: set[str], units: set[str], mapping: FileMapping, below: bool,
               after: bool = False) -> Fault | None:
    """What a line of text says about the results, as a question; None where it says nothing.

    ``below``: below the first headings; ``after``: below the last table, where any line is a question but plainly
    harmless ones.
    """
    if tidy_text(text) in {tidy_text(t) for t in mapping.ignore_lines} or _PAGE.fullmatch(text):
        return None
    words = set(re.findall(r"[^\s,;:()\[\]\"']+", text))
    words |= {w.rstrip(".") for w in words}
    named = sorted(c for c in samples & words if below or re.search(r"(?=.*[A-Za-z])(?=.*[0-9])", c))
    others = [u for u in _UNIT.findall(_PER.sub("/", text)) if units and unit_or_nothing(u.strip()) not in units]
    bare_units = not re.search(r"\w", re.sub(r"(?i)report\s*[\w./-]*|\bunits?\b", "", _UNIT.sub("", text)))
    bare_units |= bool(words & {*mapping.analytes, *mapping.analytes_meant(), *mapping.units, *ELEMENTS.values()})
    meant = _DEFINITION.search(text)
    known = {f"{v:g}" for v in mapping.limits.values()}
    limits = set(re.findall(r"[0-9]+(?:[.,][0-9]+)?", meant[2])) - known if meant else set()
    stated = _LIMIT.search(text) if known else None
    word = VOID.search(text) if below else VOID.search(WEAK.sub("", text))
    word = word or CHANGES.search(text) or NOT_THE_STOCK.search(text)
    temperature = _MEASURED_AT.search(text)
    reason = ""
    if named:
        reason = f"is a line of text that names {', '.join(named[:3])}: does it concern their results?"
    elif others and (below or bare_units or _SAYS_UNIT.search(text)):
        reason = f"is a line of text that names the unit {others[0].strip()!r}: do the results stand in it?"
    elif meant and not re.search(r"(?i)detect|below|less|limit", meant[2]) and meant[1] not in mapping.words:
        reason = f"says what {meant[1]!r} means in this file, and it is not 'not detected'"
    elif limits:
        reason = f"says what {meant[1]!r} means in this file: does the limit {min(limits)} agree with the mapping?"  # type: ignore[index]
    elif stated and stated[1].replace(",", ".") not in known:
        reason = f"names the limit {stated[1]}: does it agree with the mapping?"
    elif temperature and temperature[1] not in " ".join([*mapping.analytes, *mapping.analytes_meant()]):
        reason = f"names {temperature[1]} °, which no analyte of the mapping names: were the results measured at it?"
    elif (turned := SHEARED.search(text)) and "mm²/s" in units and "mPa·s" not in units:
        reason = f"speaks of {turned[0].strip()!r}, and a kinematic viscosity is read: which of them was measured?"
    elif word and not meant:
        reason = f"is a line of text with the words {word[0].strip()!r}: does it concern results?"
    elif after and not meant and re.search(r"[^\W\d]", text) and not HARMLESS.search(text):
        reason = "is a line of text below the table: does it concern results?"
    if not reason:
        return None
    return Fault(file="", value=text[:120], reason=reason, remedy="ask the laboratory; once that is settled, write "
                 f"ignore_lines = [{tidy_text(text)!r}] in this entry of intake.toml")


def looks_like_result(cells: list[str]) -> bool:
    """Whether a line has a number in a cell of its own beside other cells."""
    return len(cells) > 1 and any(_NUMBER.fullmatch(c) for c in cells)


def set_lines_apart(grid: Grid, block: Block, mapping: FileMapping, samples: set[str], faults: list[Fault],
                    notes: list[str], file: str) -> Block:
    """The block without its lines of text: harmless ones below the data go, any other is a fault for what follows.

    A line of text has one cell, of more than one word, where the headings have several.
    """
    if sum(1 for h in block.heads.values() if h) < 2 or not len(block.rows):
        return block
    lone = [i for i in _single_cells(grid, block.rows) if _is_line(grid.row(i), samples, mapping)]
    others = block.rows[~np.isin(block.rows, lone)]
    last = int(others.max()) if len(others) else -1
    aside = {tidy_text(t) for t in mapping.ignore_lines}
    for i in lone:
        text = "".join(grid.row(i))
        if i < last and not _PAGE.fullmatch(text) and tidy_text(text) not in aside:
            faults.append(Fault(file=file, **grid.line(i),
                                reason="a line of text stands within the table: does it change what follows?",
                                remedy="ask the laboratory; read each part by its range, or write the line under "
                                       "ignore_lines in this entry of intake.toml"))
    if lone:
        notes.append(f"{len(lone)} lines of text not read")
    return replace(block, rows=others) if lone else block


def _single_cells(grid: Grid, rows: np.ndarray) -> list[int]:
    """Rows with exactly one cell that holds text."""
    whole = [all(map(str.strip, column.words)) for column in grid.cells]
    if sum(whole) > 1:
        return []
    filled = np.full(len(grid.lines), sum(whole), dtype=np.int32)
    for column, full in zip(grid.cells, whole, strict=True):
        filled += 0 if full else column.flags(str.strip)
    return [int(i) for i in rows[filled[rows] == 1]]


def _is_line(cells: list[str], samples: set[str], mapping: FileMapping) -> bool:
    text = next(c for c in cells if c)
    known = text in samples or text in mapping.codes or text in mapping.analytes
    line = " " in text or VOID.search(text) or _PAGE.fullmatch(text)
    return bool(line) and not known and not _NUMBER.fullmatch(text)


def heading_faults(grid: Grid, blocks: list[Block], file: str) -> list[Fault]:
    """Rows within the data that look like headings: texts of other headings and no number."""
    out: list[Fault] = []
    for block in blocks:
        stems = {stem_of(h) for h in block.heads.values() if h}
        first = {s[:1] for s in stems} | {" "}
        begin = {s.partition(" ")[0] for s in stems}
        hits = np.zeros(len(grid.lines), dtype=np.int32)
        for k in block.heads:
            column = grid.cells[k]
            hits += column.holding(begin, lambda t: t[:1].casefold() in first and stem_of(t) in stems,  # noqa: B023
                                   but=column[block.header_at])
        for i in block.rows[hits[block.rows] > 0][:1_000]:
            cells = grid.row(int(i))
            full = [c for c in cells if c]
            if cells == grid.row(block.header_at) or any(_NUMBER.fullmatch(c) for c in full):
                continue
            if sum(stem_of(c) in stems for c in full) * 2 > len(full):
                out.append(Fault(file=file, **grid.line(int(i)),
                                 reason="looks like headings within the data: what stands below may be something else",
                                 remedy="write blocks = true, or read each table by its range, in intake.toml"))
    return out


def unit_row_faults(grid: Grid, block: Block, mapping: FileMapping, file: str) -> list[Fault]:
    """A row of units below the headings that the mapping does not name: nothing is read beside it."""
    if mapping.unit_row is not None or mapping.layout != "wide" or not len(block.rows):
        return []
    i = int(block.rows[0])
    cells = [c for k, c in enumerate(grid.row(i)) if c and (block.heads.get(k, "") in mapping.analytes)]
    if not cells or not all(unit_or_nothing(c.strip("()[] ")) and not _NUMBER.fullmatch(c) and c != "-" for c in cells):
        return []
    return [Fault(file=file, **grid.line(i), reason="is a row of units, and the mapping does not name it",
                  remedy=f"write unit_row = {int(grid.lines[i])} (and header_row = {int(grid.lines[block.header_at])}) in this "
                         "entry of intake.toml")]


def rows_beyond(grid: Grid, ranges: Sequence[str | None], codes: list[str], mapping: FileMapping, file: str) -> list[Fault]:
    """Rows outside every range that is read of a sheet, with a bottle of the study and a number: each is a question.

    A row that a person set aside stands word for word in ``ignore_lines``.
    """
    if None in ranges:
        return []
    bottle, number = np.zeros((2, len(grid.lines)), dtype=bool)
    known = {*codes, *mapping.codes}
    areas = [corners(r) for r in ranges if r]
    for k, column in enumerate(grid.cells):
        read = np.zeros(len(grid.lines), dtype=bool)
        for top, bottom, left, right in areas:
            read |= (grid.lines >= top) & (grid.lines <= bottom) & (left <= k + 1 <= right)
        bottle |= ~read & column.flags(lambda t: tidy_text(t) in known)
        number |= ~read & column.flags(lambda t: bool(_NUMBER.fullmatch(t.strip())))
    found = [(int(i), grid.text(int(i))) for i in np.flatnonzero(bottle & number)]
    aside = {tidy_text(t) for t in mapping.ignore_lines}
    return [Fault(file=file, **(grid.line(i) | {"value": text[:120]}),
                  reason="holds a bottle of the study and a number, and lies outside the range of every entry that reads this "
                  "sheet", remedy="widen the range, or read it with an entry of its own; if it is no result, write "
                  f"ignore_lines = [{tidy_text(text)!r}] in this entry of intake.toml")
            for i, text in found if tidy_text(text) not in aside]


def lines_aside(grids: Sequence[Grid], ignored: Sequence[str]) -> dict[str, int]:
    """How often each text that a person set aside stands in a file: as a line, a cell, a sheet's name or beside the cells.

    Lines are looked for among the first and the last 2,000 of a sheet.
    """
    found: Counter[str] = Counter()
    aside = {tidy_text(t): t for t in ignored}
    for grid in grids if aside else ():
        n = len(grid.lines)
        for i in sorted({*range(min(n, MOST_LINES)), *range(max(n - MOST_LINES, 0), n)}):
            cells = [c for c in grid.row(i) if c]
            told = {tidy_text(t) for t in (" ".join(cells), "".join(cells), *cells)}
            found.update(aside[t] for t in told & set(aside))
        found.update(aside[t] for t in (tidy_text(grid.sheet), *(tidy_text(t) for _, t in grid.around)) if t in aside)
    return dict(found)
