"""From a grid to determinations: headings found and compared with the mapping, rows taken apart.

Every layout ends in the same long table of text cells, one determination a row, each with its line
and column in the file. Lines that do not fit (too few or too many cells) are kept apart, to be
rejected by name; a file whose headings are not those of the mapping is refused with what changed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.aligned import SPACES
from studykit.intake.cellmodel import Doubt
from studykit.intake.columns import Table, Texts, joined, side_by_side
from studykit.intake.copies import without_copies
from studykit.intake.delimited import Grid, column_letters
from studykit.intake.header import find_header, headings, no_header, shape_faults
from studykit.intake.mapping import OPTIONAL_COLUMNS, FileMapping
from studykit.intake.textlines import (
    MOST_LINES,
    Block,
    heading_faults,
    line_fault,
    looks_like_result,
    set_lines_apart,
    unit_row_faults,
    used_units,
)

FAR = 20
NOTHING_BELOW = "the headings are here, and no result below them"
NONE_TAKEN = "lines stand below these headings, and no column of them is mapped as an analyte"
NAME_THEM = ('name the columns of results under [file.analytes]; where the analytes stand in one column and the results in '
             'another, it is layout = "long", with both under [file.columns]')
_MISALIGNED = ("has cells that do not stand under the headings, one each",
               "columns are told apart by two spaces and more: put the cells under their headings in a copy, or ask for a CSV")
_RULE = re.compile(r"\s*[-=_]*:?[-=_]{3,}:?\s*")
OTHER_HEADINGS = "a table with other headings begins here"


@dataclass(slots=True, kw_only=True)
class Laid:
    """What a layout gave: determinations as text, lines that do not fit, counts, and faults of the shape.

    ``outside``: positions of the lines that are neither headings nor data. ``cells``: ``gap`` is filled by whoever looks
    for lines that have moved.
    """

    cells: Table = field(default_factory=lambda: Table({}))
    misfits: list[Fault] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    header_line: int = 0
    blocks: list[Block] = field(default_factory=list)
    outside: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def lay_out(grid: Grid, mapping: FileMapping, known: set[str], samples: set[str], file: str) -> Laid:
    """Take a grid apart by its mapping; ``known`` are the study's analytes, ``samples`` its sample codes.

    ``file`` is the name for faults. Shape faults are returned, not raised, so that all files can be
    reported at once. A line above the headings, below the footer or between blocks that looks like a
    result (a known sample code, or as many cells as the headings) is kept as a misfit, never skipped.
    """
    out = Laid()
    at = find_header(grid, mapping)
    if at is None:
        out.faults = no_header(grid, mapping, file)
        return out
    out.header_line = int(grid.lines[at[-1]])
    blank = _blank_rows(grid)
    blocks = _blocks(grid, mapping, at, blank, out, file)
    blocks = out.blocks = [set_lines_apart(grid, b, mapping, samples, out.faults, out.notes, file) for b in blocks]
    asked = _heading_doubts(grid, blocks)
    blocks = out.blocks = [replace(b, asked=asked) for b in blocks] if asked else blocks
    out.faults += heading_faults(grid, blocks, file)
    parts: list[Table] = []
    read: list[np.ndarray] = []
    outside = ~blank
    for block in blocks:
        line = int(grid.lines[block.header_at])
        faults = shape_faults(grid, mapping, block.heads, line, known, file)
        faults = faults or [*_unheaded(grid, block, file), *unit_row_faults(grid, block, mapping, file)]
        if any(block.units) and block.units == block.heads:
            faults = [Fault(file=file, **grid.line(block.first - 1),
                            reason="the headings are repeated here, where the units should be",
                            remedy="correct unit_row in intake.toml, or the file")]
        if faults:
            out.faults += faults
            continue
        outside[block.rows] = False
        outside[block.top:block.first] = False
        rows = _fitting_rows(grid, block, out, file)
        rows = _without_headings(grid, mapping, block, rows, out, file)
        rows = _far_below(grid, rows, out, file)
        rows = without_copies(grid, mapping, block, rows, read, out.misfits, file)
        read.append(rows)
        parts.append(_LAYOUTS[mapping.layout](grid, mapping, block, rows, known))
    out.outside = [int(i) for i in np.flatnonzero(outside)]
    if parts:
        _read_outside(grid, mapping, blocks, outside, samples, out, file)
        _look_outside(grid, mapping, blocks[0], np.flatnonzero(outside), samples, out, file)
    if mapping.blocks and mapping.layout == "wide":
        seen = {h for b in blocks for h in b.heads.values()}
        expected = set(mapping.analytes) | set(mapping.qualifier_heads().values())
        out.faults += [Fault(file=file, row=out.header_line, column=h, remedy="correct intake.toml, or the file",
                             reason="the mapping expects this heading and no block has it")
                       for h in sorted(expected - seen)]
    if not out.faults and not any(len(p) for p in parts) and not out.misfits:
        taken = set(mapping.analytes) & {h for b in blocks for h in b.heads.values()}
        out.faults.append(Fault(file=file, **grid.line(at[-1]), reason=NONE_TAKEN, remedy=NAME_THEM)
                          if mapping.layout == "wide" and not taken and any(len(rows) for rows in read) else
                          Fault(file=file, **grid.line(at[-1]), reason=NOTHING_BELOW,
                                remedy="ask the laboratory for the file again, or remove it"))
    if parts:
        out.cells = joined(parts)
        out.cells["gap"] = Texts.same("", len(out.cells))
    return out


def _blocks(grid: Grid, mapping: FileMapping, at: tuple[int, ...], blank: np.ndarray, out: Laid, file: str) -> list[Block]:
    """The data rectangles under the headings, each without blank lines, footer and unit row."""
    end = _footer_at(grid, mapping, at[-1], out)
    if mapping.footer and end is None:
        out.faults.append(Fault(file=file, row=int(grid.lines[-1]), column="footer", value=mapping.footer,
                                reason="the file ends here and no line begins with the footer text",
                                remedy="correct footer in intake.toml, or ask whether the file is complete"))
    stop = len(grid.lines) if end is None else end
    starts = [at]
    if mapping.blocks:
        core = set(mapping.columns.values())
        starts += [(i,) for i in range(at[-1] + 1, stop) if not blank[i] and core <= set(grid.row(i))]
    blocks = []
    for n, start in enumerate(starts):
        limit = starts[n + 1][0] if n + 1 < len(starts) else stop
        units: dict[int, str] = {}
        first = start[-1] + 1
        if mapping.unit_row is not None:
            step = mapping.unit_row - max(mapping.header_lines() or (out.header_line,))
            unit_at = start[-1] + step
            units = dict(enumerate(_over_all(grid, unit_at))) if unit_at < limit else {}
            first = unit_at + 1
        rows = np.arange(first, limit)[~blank[first:limit]]
        if mapping.blocks:
            rows = _until_blank(rows, first, limit, blank)
        blocks.append(Block(heads=headings(grid, start), top=min(start), header_at=start[-1], first=first,
                            rows=rows, units=units))
    return blocks


def _over_all(grid: Grid, line: int) -> list[str]:
    """A line of units, with one that is merged over several columns in each of them."""
    out = grid.row(line)
    for top, left, bottom, right in grid.merged:
        if top == bottom == line:
            out[left + 1:right + 1] = [cell or out[left] for cell in out[left + 1:right + 1]]
    return out


def _read_outside(grid: Grid, mapping: FileMapping, blocks: list[Block], outside: np.ndarray, samples: set[str],
                  out: Laid, file: str) -> None:
    """Lines of text above, between and below the tables: what they say about the results is a question."""
    units = used_units(mapping, blocks, grid)
    for where, text in grid.around:
        told = line_fault(text, samples, units, mapping, below=False)
        out.faults += [replace(told, file=file, column=where)] if told else []
    for i in np.flatnonzero(outside)[:MOST_LINES]:
        cells = [c for c in grid.row(int(i)) if c]
        if cells and i not in {int(b.header_at) for b in blocks}:
            lines = [c for c in cells if " " in c] if looks_like_result(cells) else [" ".join(cells)]
            found = [line_fault(t, samples, units, mapping, below=bool(i > blocks[0].header_at),
                                after=bool(i > blocks[-1].header_at)) for t in lines]
            out.faults += [replace(f, file=file, **(grid.line(int(i)) | {"value": f.value})) for f in found if f]


def _blank_rows(grid: Grid) -> np.ndarray:
    """Rows without any text, or with ruled lines alone ('---'), over the distinct texts of each column."""
    blank = np.ones(len(grid.lines), dtype=bool)
    for column in grid.cells:
        if not blank.any():
            break
        begun = "\n" + "\n".join(column.words)
        maybe = any("\n" + sign in begun for sign in " -=_:\n\t\r\v\f")
        ruled = [w[:1] in " -=_:" and bool(_RULE.fullmatch(w)) for w in column.words] if maybe else [False] * len(column.words)
        if not any(ruled) and all(map(str.strip, column.words)):
            return np.zeros(len(grid.lines), dtype=bool)
        blank &= ~column.flags(str.strip) | (column.spread(ruled, bool) if any(ruled) else False)
    return blank


def _footer_at(grid: Grid, mapping: FileMapping, after: int, out: Laid) -> int | None:
    """Position of the first line below the headings that begins with the footer text."""
    if mapping.footer is None:
        return None
    text = mapping.footer
    hits = np.flatnonzero(grid.cells[0].at(slice(after + 1, None)).flags(lambda t: t.strip().startswith(text)))
    if not len(hits):
        return None
    end = after + 1 + int(hits[0])
    out.notes.append(f"reading stopped at line {int(grid.lines[end])} ({mapping.footer!r})")
    return end


def _until_blank(rows: np.ndarray, first: int, limit: int, blank: np.ndarray) -> np.ndarray:
    """In a sheet of blocks a block ends at the first blank line below its first row."""
    gaps = np.flatnonzero(blank[first:limit])
    gaps = gaps[gaps > 0]
    return rows[rows < first + int(gaps[0])] if len(gaps) else rows


def _look_outside(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, samples: set[str],
                  out: Laid, file: str) -> None:
    """Lines outside the data that look like results become misfits."""
    (place, *_) = block.columns(mapping.columns["analyte" if mapping.layout == "wide-samples" else "sample"])
    names = set(mapping.analytes) if mapping.layout == "wide-samples" else samples
    width = sum(1 for h in block.heads.values() if h)
    for i in rows:
        cells = grid.row(int(i))
        full = sum(1 for c in cells if c)
        if (full > 1 and cells[place] in names) or full >= max(3, width - 1):
            where = "above the headings" if grid.lines[i] < out.header_line else "below or between the tables"
            out.misfits.append(Fault(file=file, **grid.line(int(i)),
                                     reason=f"looks like a result, but stands {where}",
                                     remedy="move it into the table, or correct header_row, footer or blocks"))


def _unheaded(grid: Grid, block: Block, file: str) -> list[Fault]:
    """Columns without a heading that hold text in the data rows."""
    faults = []
    for k, head in block.heads.items():
        if head or not len(block.rows):
            continue
        full = block.rows[grid.cells[k].at(block.rows).flags(str.strip)]
        if k == 0 and _row_numbers([grid.cells[k][int(i)] for i in full]):
            continue
        fits = [i for i in full if grid.kind != "text" or grid.widths[i] <= grid.widths[block.header_at]]
        if fits:
            name = column_letters(grid.left + k) if grid.kind != "text" else str(k + 1)
            faults.append(Fault(file=file, row=int(grid.lines[fits[0]]), column=name,
                                value=grid.cells[k][int(fits[0])], reason="stands in a column without heading",
                                remedy="give the column a heading in a copy, or check the delimiter"))
    return faults


def _row_numbers(texts: list[str]) -> bool:
    """Whether a column counts its lines from 0 or 1, as programs write them."""
    return texts[:1] in (["0"], ["1"]) and texts == [str(int(texts[0]) + n) for n in range(len(texts))]


def _fitting_rows(grid: Grid, block: Block, out: Laid, file: str) -> np.ndarray:
    """Rows with as many cells as the headings; others become misfits.

    Extra blank cells are forgiven where every row has them.
    """
    if grid.kind != "text" or not len(block.rows):
        return block.rows
    width = int(grid.widths[block.header_at])
    have = grid.widths[block.rows]
    bad = []
    alike = bool(np.ptp(have) == 0)
    for i in block.rows[have != width]:
        n = int(grid.widths[i])
        if n > width and alike and not any(grid.row(int(i))[width:]) and (grid.delimiter != "," or pointed(grid, block)):
            continue
        bad.append(int(i))
        reason, remedy = _MISALIGNED if grid.delimiter == SPACES else (
            f"has {n} cells where the headings have {width}",
            "a delimiter is missing or too many: correct the line with the laboratory")
        out.misfits.append(Fault(file=file, **grid.line(int(i)),
                                 reason=reason, remedy=remedy))
    if grid.delimiter == SPACES and bad:
        for i in _cut_short(grid, block.rows, set(bad)):
            bad.append(i)
            reason = ("has fewer cells than the other lines, and the next line does not stand under the headings: do the two "
                      "belong together?")
            out.misfits.append(Fault(file=file, **grid.line(i), reason=reason, remedy=_MISALIGNED[1]))
    if 2 * len(bad) > len(block.rows):
        out.faults.append(Fault(file=file, **grid.line(bad[0]),
                                reason=f"{len(bad)} of {len(block.rows)} lines have more or fewer cells than the headings",
                                remedy="check delimiter and decimal sign, or ask for the file again"))
    return block.rows[~np.isin(block.rows, bad)] if bad else block.rows


def _cut_short(grid: Grid, rows: np.ndarray, bad: set[int]) -> list[int]:
    """Rows just above a bad one that have fewer filled cells than most of the others."""
    filled = {int(i): sum(1 for t in grid.row(int(i)) if t) for i in rows if int(i) not in bad}
    usual = int(np.bincount(list(filled.values())).argmax()) if filled else 0
    return [i for i in filled if i + 1 in bad and filled[i] < usual]


def pointed(grid: Grid, block: Block) -> bool:
    """Whether a cell of the data has a decimal point, or a quoted comma: commas between cells are no decimal signs."""
    return any(re.fullmatch(r"[<>]?\s*[0-9]*[.,][0-9]+", t.strip()) for k, h in block.heads.items() if h
               for t in grid.cells[k].at(block.rows).distinct())


def _far_below(grid: Grid, rows: np.ndarray, out: Laid, file: str) -> np.ndarray:
    """Rows behind `FAR` blank lines and more, fewer than those before, become misfits."""
    gaps = np.flatnonzero(np.diff(rows) > FAR)
    if not len(gaps) or 2 * (len(rows) - 1 - gaps[0]) > len(rows):
        return rows
    for i in rows[gaps[0] + 1:]:
        out.misfits.append(Fault(file=file, **grid.line(int(i)),
                                 reason=f"stands {int(i - rows[gaps[0]]) - 1} blank lines below the table: is it part of it?",
                                 remedy="ask the laboratory; name the part to read as range in this entry of intake.toml"))
    return rows[:gaps[0] + 1]


def _without_headings(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, out: Laid,
                      file: str) -> np.ndarray:
    """Rows that repeat the headings (two files put together, a page break) become misfits.

    A row with the heading of the key column and other headings beside it begins another table, whose
    columns are not those of the first: the file is refused.
    """
    (place, *_) = block.columns(mapping.columns["analyte" if mapping.layout == "wide-samples" else "sample"])
    keys = grid.cells[place]
    same = keys.codes[rows] == keys.codes[block.header_at]
    alike = [int(i) for i in rows[same]] if keys[block.header_at].strip() else []
    again = [i for i in alike if grid.row(i) == grid.row(block.header_at)]
    out.faults += [Fault(file=file, **grid.line(i),
                         reason=OTHER_HEADINGS, remedy="write blocks = true in this entry of intake.toml")
                   for i in alike if i not in again]
    for i in again:
        out.misfits.append(Fault(file=file, **grid.line(i),
                                 reason="the headings are repeated here",
                                 remedy="two files put together? ask the laboratory, or remove the line in a copy"))
    return rows[~np.isin(rows, again)] if again else rows


def _key(grid: Grid, k: int, rows: np.ndarray) -> Texts:
    """The cells of a column that tells what a result is, as shown."""
    column = grid.cells[k].at(rows)
    shown = {i: t for (i, j), t in grid.shown.items() if j == k}
    return Texts.of(shown.get(int(i), t) for i, t in zip(rows, column.tolist(), strict=True)) if shown else column


def _shared(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, names: tuple[str, ...],
            repeat: int) -> dict[str, Any]:
    """The optional columns of a row, each value repeated for its determinations; '' where there is none."""
    out = {}
    for name in names:
        head = mapping.columns.get(name)  # type: ignore[call-overload]
        if head is not None:
            out[name] = _key(grid, block.place[head], rows).repeat(repeat)
        else:
            word = str(mapping.constants.get(name, ""))  # type: ignore[call-overload]
            out[name] = Texts.same(word, len(rows) * repeat)
    return out


def _flags(grid: Grid, rows: np.ndarray, at: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Whether each cell is a stored number and whether it is a formula, in reading order."""
    columns = np.array(at, dtype=int)
    shape = (len(rows), len(columns))
    numeric = grid.numeric[np.ix_(rows, columns)] if grid.numeric is not None else np.zeros(shape, dtype=bool)
    formula = np.zeros(shape, dtype=bool)
    if grid.formulas:
        marks = np.zeros(grid.shape, dtype=bool)
        for i, k in grid.formulas:
            if i < marks.shape[0] and k < marks.shape[1]:
                marks[i, k] = True
        formula = marks[np.ix_(rows, columns)]
    return numeric.reshape(-1), formula.reshape(-1)


def _shown(grid: Grid, rows: np.ndarray, at: list[int]) -> Texts:
    """The displayed text of each value cell where it is not the stored one, else ''."""
    if not grid.shown:
        return Texts.same("", len(rows) * len(at))
    return Texts.of(grid.shown.get((int(i), k), "") for i in rows for k in at)


def _heading_doubts(grid: Grid, blocks: list[Block]) -> dict[str, Doubt]:
    """The first doubt of each heading, or of its unit, in any table of the sheet."""
    out: dict[str, Doubt] = {}
    for block in blocks if grid.doubts else ():
        for k, head in block.heads.items():
            for j in range(block.top, block.first):
                found = grid.doubts.get((j, k))
                if found and (left := found.besides({"merged", "format", "coloured"})):
                    out.setdefault(head, left)
    return out


def _doubts(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, at: list[int]) -> dict[str, Any]:
    """Doubt and mark of each value cell: its own, else that of its row's key cells, its unit or its heading.

    The first one of which the mapping does not say that it counts. ``instead``: what its cell shows and is read, where
    that is not what it stores.
    """
    n = len(rows) * len(at)
    if not grid.doubts:
        return {"doubt": Texts.same("", n), "mark": Texts.same("", n), "instead": Texts.same("", n)}
    keys = [k for k, h in block.heads.items() if h and k not in at]
    beside = [k for k, h in block.heads.items() if not h]
    reasons, marks, shown = [], [], []
    for i in rows:
        row = [d for k in keys if (d := grid.doubts.get((int(i), k))) is not None]
        row += [d for k in beside if (d := grid.doubts.get((int(i), k))) and d.mark == "comment"]
        for k in at:
            own = grid.doubts.get((int(i), k))
            shown.append(own.instead if own else "")
            said = [("", own)] * (own is not None) + [("a cell of its row ", d) for d in row]
            said += [("its heading ", d)] if (d := block.asked.get(block.heads[k])) is not None else []
            left = [(where, o) for where, d in said if d is not None and (o := d.besides(mapping.marked)) is not None]
            where, found = next(iter(left or said), ("", None))
            reasons.append("" if found is None else where + found.reason + (
                f" ({found.shown!r})" if found.shown and not where else ""))
            marks.append("" if found is None else found.mark)
    return {"doubt": Texts.of(reasons), "mark": Texts.of(marks), "instead": Texts.of(shown)}


def _long(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, known: set[str]) -> Table:
    value = block.place[mapping.columns["value"]]
    numeric, formula = _flags(grid, rows, [value])
    data = {"line": grid.lines[rows], "place": np.full(len(rows), value),
            "where": Texts.same(mapping.columns["value"], len(rows)),
            "sample": _key(grid, block.place[mapping.columns["sample"]], rows),
            "name": _key(grid, block.place[mapping.columns["analyte"]], rows),
            "text": grid.cells[value].at(rows), "numeric": numeric, "formula": formula,
            "sheet": np.full(len(rows), grid.kind != "text"), "shown": _shown(grid, rows, [value]),
            **_doubts(grid, mapping, block, rows, [value])}
    data |= _shared(grid, mapping, block, rows, ("unit", *OPTIONAL_COLUMNS), 1)
    return Table(data)


def _wide(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, known: set[str]) -> Table:
    used = set(mapping.columns.values()) | set(mapping.ignore_columns) | set(mapping.qualifier_heads().values())
    columns = [k for k, h in block.heads.items() if h and h not in used and (h in mapping.analytes or h in known)]
    return _crossed(grid, mapping, block, rows, columns, sample=_key(grid, block.place[mapping.columns["sample"]], rows))


def _wide_samples(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray,
                  known: set[str]) -> Table:
    used = set(mapping.columns.values()) | set(mapping.ignore_columns)
    columns = [k for k, h in block.heads.items() if h and h not in used]
    return _crossed(grid, mapping, block, rows, columns, name=_key(grid, block.place[mapping.columns["analyte"]], rows))


def _crossed(grid: Grid, mapping: FileMapping, block: Block, rows: np.ndarray, columns: list[int],
             sample: Texts | None = None, name: Texts | None = None) -> Table:
    """Cells of a wide layout in reading order: rows by one thing, columns by the other."""
    m = len(columns)
    heads = Texts(np.tile(np.arange(m, dtype=np.int32), len(rows)), [block.heads[k] for k in columns])
    numeric, formula = _flags(grid, rows, columns)
    data = {"line": np.repeat(grid.lines[rows], m), "place": np.tile(np.array(columns, dtype=int), len(rows)), "where": heads,
            "sample": heads if sample is None else sample.repeat(m),
            "name": heads if name is None else name.repeat(m),
            "text": side_by_side([grid.cells[k].at(rows) for k in columns]), "numeric": numeric,
            "formula": formula, "sheet": np.full(len(rows) * m, grid.kind != "text"), "shown": _shown(grid, rows, columns),
            **_doubts(grid, mapping, block, rows, columns)}
    data |= _shared(grid, mapping, block, rows, ("unit", *OPTIONAL_COLUMNS), m)
    marks = mapping.qualifier_heads()
    if marks:
        blank = Texts.same("", len(rows))
        own = [marks.get(block.heads[k], "") for k in columns]
        parts = [grid.cells[block.place[h]].at(rows) if h in block.place else blank for h in own]
        data["qualifier"] = side_by_side(parts)
    if block.units and name is None:
        data["unit"] = Texts(heads.codes, [block.units.get(k, "") for k in columns])
    return Table(data)


_LAYOUTS = {"long": _long, "wide": _wide, "wide-samples": _wide_samples}
