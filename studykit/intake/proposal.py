"""A proposal for intake.toml from one raw file, with its first rows as they would be read.

The proposal names what was found and leaves open, as "?" or as a question in a comment, what the
file cannot tell: a person confirms it. A "?" is refused by the intake until it is decided.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import tomli_w

from studykit.core.errors import single
from studykit.core.numbertext import NumberFormat, detect_format, tidy_text
from studykit.intake.delimited import Grid
from studykit.intake.determinations import settle
from studykit.intake.header import headings
from studykit.intake.headwords import VOID, column_of, likely_analyte
from studykit.intake.layouts import lay_out
from studykit.intake.mapping import RAW_FOLDER, FileMapping
from studykit.intake.onefile import cropped, read_grids
from studykit.intake.overlooked import holds_results, told_by
from studykit.intake.proposedtables import find_tables
from studykit.intake.signs import number_format
from studykit.intake.unitwords import bracketed_unit, unit_or_nothing
from studykit.intake.values import RuleBook
from studykit.study.definition import Study

PREVIEW_ROWS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draft:
    """The entry under construction and the questions that it leaves; those of ``ask`` bar the entry until answered."""

    entry: dict[str, Any]
    questions: list[str] = field(default_factory=list)

    def ask(self, question: str) -> None:
        """A question without whose answer the entry is not read."""
        self.entry.setdefault("ask", []).append(question)


def suggest_mapping(path: Path, study: Study, codes: Sequence[str] = ()) -> tuple[str, pd.DataFrame]:
    """The text of ``[[file]]`` entries for a raw file, and its first rows as those entries would read them.

    One entry for each sheet, and for each of several tables side by side. ``codes`` are the study's sample codes where
    they are known. Questions that the file cannot answer stand as comments above the entry, or under ``ask`` where
    nothing may be read before they are answered. BadInput where the file cannot be read at all.
    """
    path = Path(path)
    if not path.name.isprintable() or any("\ud800" <= c <= "\udfff" for c in path.name):
        raise single(RAW_FOLDER, "has a file whose name has signs that are not text", "rename the file",
                     value=path.name.encode("utf-8", "replace").decode("utf-8"))
    grids, _ = read_grids(path, path.name, None)
    parts = [(g, found) for g in grids for found in find_tables(g, study, codes)]
    if not parts:
        raise single(path.name, "no line looks like headings of a results table",
                     "write the entry by hand; docs/03-intake.md has examples")
    drafts, previews = [], []
    for grid, found in parts:
        draft = _Draft(entry={"pattern": _pattern(path)})
        if len(grids) > 1:
            draft.entry["sheet"] = grid.sheet
        if found.area:
            draft.entry["range"] = found.area
        _marked_sheet(grid, grids, draft)
        part = cropped(grid, found.area or None)
        _shape(part, found.at, study, codes, draft)
        _signs(part, found.at[-1], draft)
        _ask_ignored(part, found.at, codes, draft)
        previews.append(_preview(part, study, codes, draft, path.name))
        drafts.append(draft)
    for grid in grids:
        if all(g is not grid for g, _ in parts) and holds_results(grid, codes):
            drafts[0].ask(f"sheet {grid.sheet!r} holds sample codes, and no headings were found in it: what is it?")
    return "\n".join(_text(d) for d in drafts), pd.concat(previews, ignore_index=True)


def _text(draft: _Draft) -> str:
    comments = "".join(f"# Question: {q}\n" for q in (*draft.entry.get("ask", ()), *draft.questions))
    return comments + tomli_w.dumps({"file": [_ordered(draft.entry)]})


def _marked_sheet(grid: Grid, grids: Sequence[Grid], draft: _Draft) -> None:
    """Whether the results of a sheet count that is hidden or named like one that does not."""
    what = "is hidden" if grid.hidden else "has such a name" if len(grids) > 1 and VOID.search(grid.sheet) else ""
    if what:
        draft.ask(f"sheet {grid.sheet!r} {what}: do its results count?")


def _pattern(path: Path) -> str:
    parts = path.parts
    name = path.name if RAW_FOLDER not in parts else "/".join(parts[len(parts) - parts[::-1].index(RAW_FOLDER):])
    return re.sub(r"([\[\]*?])", r"[\1]", name)


def _shape(grid: Grid, at: tuple[int, ...], study: Study, codes: Sequence[str], draft: _Draft) -> None:
    """Layout, columns, analytes, unit row, footer."""
    heads = [h for h in headings(grid, at).values() if h]
    i = at[-1]
    entry = draft.entry
    entry["header_row"] = [int(grid.lines[k]) for k in at] if len(at) > 1 else int(grid.lines[i])
    columns: dict[str, str] = {}
    for head in heads:
        column = column_of(head)
        if column and column not in columns:
            columns[column] = head
    if {"sample", "analyte", "value"} <= set(columns):
        entry["layout"] = "long"
    elif "analyte" in columns and ("sample" not in columns or sum(h in set(codes) for h in heads) > 1):
        entry["layout"] = "wide-samples"
    else:
        entry["layout"] = "wide"
    barred = {"long": (), "wide": ("analyte", "value"), "wide-samples": ("sample", "value")}[entry["layout"]]
    lone = columns.get("value", "") if entry["layout"] == "wide" else ""
    columns = {k: v for k, v in columns.items() if k not in barred}
    if entry["layout"] == "wide" and "sample" not in columns:
        columns["sample"] = head = _code_column(grid, at, columns, codes)
        if not _all_codes(grid, at, head, codes):
            draft.ask(f"is {head!r} the column of sample codes?")
    entry["columns"] = columns
    _names(grid, at, heads, study, codes, draft, lone)
    _tail(grid, i, draft)


def _code_column(grid: Grid, at: tuple[int, ...], columns: dict[str, str], codes: Sequence[str]) -> str:
    """The heading of the column with most of the study's codes, else the first that stands for nothing else."""
    own = {h: len(set(_below(grid, at, k)) & set(codes))
           for k, h in headings(grid, at).items() if h}
    head = max(own, key=lambda h: (own[h], h not in columns.values()))
    for name in [c for c, h in columns.items() if h == head]:
        del columns[name]
    return head


def _below(grid: Grid, at: tuple[int, ...], k: int) -> list[str]:
    """The distinct texts of a column below the headings."""
    return [t.strip() for t in grid.cells[k].at(slice(at[-1] + 1, None)).distinct() if t.strip()]


def _all_codes(grid: Grid, at: tuple[int, ...], head: str, codes: Sequence[str]) -> bool:
    """Whether a column holds three of the study's codes or more, and next to nothing else."""
    k = next(k for k, h in headings(grid, at).items() if h == head)
    texts = _below(grid, at, k)
    known = sum(t in set(codes) for t in texts)
    return known >= 3 and known >= len(texts) - 2


def _names(grid: Grid, at: tuple[int, ...], heads: list[str], study: Study, codes: Sequence[str], draft: _Draft,
           lone: str) -> None:
    """Analytes and their units; ``lone``: the heading of a result whose analyte the file does not name."""
    i, entry, used = at[-1], draft.entry, set(draft.entry["columns"].values())
    rest = [h for h in heads if h not in used]
    if entry["layout"] == "wide":
        more = _other_blocks(grid, i, entry["columns"]["sample"]) if len(at) == 1 else []
        if more:
            entry["blocks"] = True
            rest += [h for h in more if h not in used and h not in rest]
        units = _unit_row(grid, at, rest)
        if units is not None:
            entry["unit_row"] = units
        hits = {h: likely_analyte(h.split(" | ")[0], study) for h in rest}
        if lone in hits and not any(hits.values()):
            hits[lone] = "?"
            draft.questions.append(f"which analyte is {lone!r}? The file does not say: write its name for the \"?\"")
        entry["analytes"] = _with_replicates({h: a for h, a in hits.items() if a}, draft)
        names = list(entry["analytes"])
        entry["ignore_columns"] = [h for h, a in hits.items() if not a]
        if entry["ignore_columns"]:
            draft.questions.append(f"are these columns not needed: {', '.join(entry['ignore_columns'])}?")
        if units is not None:
            entry["columns"].pop("unit", None)
        elif "unit" not in entry["columns"]:
            _ask_units([h for h in names if not bracketed_unit(h)], draft)
        _ask_twice(entry["analytes"], draft)
        return
    place = grid.row(i).index(entry["columns"]["analyte"])
    names = list(dict.fromkeys(t.strip() for t in grid.cells[place].at(slice(i + 1, None)).tolist() if t.strip()))
    entry["analytes"] = {n: likely_analyte(n, study) or "?" for n in names[:200]}
    _settle_footer(grid, i, place, draft)
    unknown = [n for n, a in entry["analytes"].items() if a == "?"]
    if unknown:
        draft.questions.append(f'which analytes are these ("" for not used): {", ".join(unknown)}?')
    if entry["layout"] == "long":
        entry["ignore_columns"] = rest
    elif codes:
        entry["ignore_columns"] = [h for h in rest if h not in set(codes)]
    if entry.get("ignore_columns"):
        draft.questions.append(f"are these columns not needed: {', '.join(entry['ignore_columns'])}?")
    if "unit" not in entry["columns"]:
        _ask_units([n for n in names if not bracketed_unit(n) and entry["analytes"].get(n) != "?"], draft)


def _with_replicates(hits: dict[str, str], draft: _Draft) -> dict[str, Any]:
    """Headings of two lines, 'Si | first' and 'Si | second', as replicates of one analyte, in their order."""
    seen: dict[str, int] = {}
    out: dict[str, Any] = {}
    for head, analyte in hits.items():
        seen[analyte] = seen.get(analyte, 0) + 1
        again = seen[analyte] > 1 and " | " in head
        out[head] = {"analyte": analyte, "replicate": seen[analyte]} if again else analyte
    twice = sorted({h.split(" | ")[-1] for h in out if " | " in h})
    if any(isinstance(e, dict) for e in out.values()):
        draft.ask(f"are {', '.join(twice)} replicates of one determination, in this order?")
    return out


def _ask_ignored(grid: Grid, at: tuple[int, ...], codes: Sequence[str], draft: _Draft) -> None:
    """Columns that would be left out although they hold numbers, signs or words about results."""
    entry = draft.entry
    ignored = set(entry.get("ignore_columns", ())) if entry["layout"] != "wide-samples" else set()
    for k, head in headings(grid, at).items():
        if head in ignored:
            why = told_by(head, set(_below(grid, at, k)), set(codes))
            if why:
                draft.ask(f"what is the column {head!r}? It {why}, and is left out here")


def _ask_twice(analytes: dict[str, Any], draft: _Draft) -> None:
    """Two headings of one analyte that are not told apart by two heading lines."""
    names: dict[str, list[str]] = {}
    for head, entry in analytes.items():
        names.setdefault(str(entry), []).append(head)
    for analyte, heads in names.items():
        if len(heads) > 1 and analyte != "?":
            draft.ask(f"{' and '.join(map(repr, heads))} both look like {analyte}: which is it, or are they replicates?")


def _other_blocks(grid: Grid, i: int, sample: str) -> list[str]:
    """Headings of further tables below the first, each begun by the heading of its sample column."""
    first = grid.row(i)
    below = grid.cells[first.index(sample)].at(slice(i + 1, None)).flags(lambda t: t.strip() == sample)
    rows = [grid.row(i + 1 + int(k)) for k in np.flatnonzero(below)]
    return list(dict.fromkeys(h for row in rows if row != first for h in row if h))


def _ask_units(names: list[str], draft: _Draft) -> None:
    if names:
        draft.questions.append(f"in which unit are {', '.join(names)}? Write it under [file.units].")


def _unit_row(grid: Grid, at: tuple[int, ...], rest: list[str]) -> int | None:
    """Line of a unit row below the headings, where most cells under analytes are units."""
    i = at[-1]
    if i + 1 >= len(grid.lines) or not rest:
        return None
    below = grid.row(i + 1)
    cells = [below[k] for k, h in headings(grid, at).items() if h in rest and below[k]]
    good = sum(_is_unit(c) for c in cells)
    return int(grid.lines[i + 1]) if cells and good >= max(1, len(cells) - 1) else None


def _is_unit(text: str) -> bool:
    return bool(unit_or_nothing(text)) and not text.replace(".", "").isdigit()


def _tail(grid: Grid, i: int, draft: _Draft) -> None:
    """A footer: last lines with text in the first cell only."""
    rows = [r for r in range(i + 1, len(grid.lines)) if any(grid.row(r))] if len(grid.lines) < 20_000 else []
    lone = 0
    for r in reversed(rows):
        cells = grid.row(r)
        if not cells[0] or any(cells[1:]):
            break
        lone += 1
    if lone and lone < len(rows):
        draft.entry["footer"] = grid.row(rows[-lone])[0]


def _settle_footer(grid: Grid, i: int, place: int, draft: _Draft) -> None:
    """Names that stand only in lines of one cell are not analytes."""
    if place == 0:
        lone = {grid.row(r)[0] for r in range(i + 1, min(len(grid.lines), 20_000)) if not any(grid.row(r)[1:])}
        for name in lone & set(draft.entry["analytes"]):
            del draft.entry["analytes"][name]


def _signs(grid: Grid, i: int, draft: _Draft) -> None:
    """Encoding, delimiter, decimal sign and date form, as found."""
    entry = draft.entry
    if grid.kind == "text":
        entry["encoding"], entry["delimiter"] = grid.encoding.replace("utf-8-sig", "utf-8"), grid.delimiter
        if grid.quote != '"':
            entry["quote"] = grid.quote
    head = headings(grid, tuple(int(np.searchsorted(grid.lines, n)) for n in np.atleast_1d(entry["header_row"])))
    columns = entry["columns"]
    skip = {columns[c] for c in columns if c not in ("value", "limit")} | set(entry.get("ignore_columns", ()))
    cells = [str(t) for k, h in head.items() if h and h not in skip
             for t in grid.cells[k].at(slice(i + 1, i + 50_001)).distinct()
             if grid.numeric is None or not grid.numeric[i + 1:, k].all()]
    evidence = detect_format([re.sub(r"^[\s<>=≤≥]+", "", c) for c in cells])
    if evidence.form is None:
        draft.questions.append(f"what is the decimal sign? {evidence.reason}. Declare decimal (and thousands).")
    elif evidence.example:
        entry["decimal"] = evidence.form.decimal
        if evidence.form.thousands:
            entry["thousands"] = evidence.form.thousands
    if "reported_on" in columns:
        place = next(k for k, h in head.items() if h == columns["reported_on"])
        _dates([t.strip() for t in grid.cells[place].at(slice(i + 1, None)).distinct()], draft)


def _dates(texts: list[str], draft: _Draft) -> None:
    found = [m for m in (re.fullmatch(r"([0-9]{1,2})([./-])([0-9]{1,2})[./-]([0-9]{2,4})", t) for t in texts) if m]
    if not found:
        return
    mark, year = found[0][2], "%Y" if len(found[0][4]) == 4 else "%y"
    first, second = max(int(m[1]) for m in found), max(int(m[3]) for m in found)
    if first > 12 or mark == ".":
        draft.entry["date_format"] = f"%d{mark}%m{mark}{year}"
    elif second > 12:
        draft.entry["date_format"] = f"%m{mark}%d{mark}{year}"
    else:
        draft.questions.append(f"is {found[0][0]!r} day first or month first? Declare date_format, such as "
                               f"\"%d{mark}%m{mark}{year}\".")


def _preview(grid: Grid, study: Study, codes: Sequence[str], draft: _Draft, name: str) -> pd.DataFrame:
    """The first rows as the draft would read them; names still open are left out."""
    shown = ["sample", "analyte", "value", "unit", "qualifier", "limit", "as_written", "reported_on", "source_row"]
    entry = dict(draft.entry)
    entry["analytes"] = {n: ("" if a == "?" else a) for n, a in entry.get("analytes", {}).items()}
    entry.pop("ask", None)
    mapping = FileMapping.model_validate(entry)
    laid = lay_out(grid, mapping, set(study.analytes), set(codes), name)
    if laid.faults:
        draft.questions.extend(f.line() for f in laid.faults)
        return pd.DataFrame(columns=shown)
    form, _, faults = number_format(laid.cells, mapping, name)
    own = list(codes) or list(dict.fromkeys(tidy_text(s) for s in laid.cells["sample"].distinct()))
    settled = settle(laid.cells, mapping, study, own, NumberFormat() if faults else form, RuleBook(), name)
    empty = [f for f in settled.rejected if "is empty" in f.reason]
    if empty:
        draft.questions.append(f'{len(empty)} cells are empty: write blank = "not measured", or "below limit"?')
    refused = [f for f in settled.rejected if f not in empty]
    if refused:
        draft.questions.append(f"{len(refused)} cells would be rejected, the first: {refused[0].line()}")
    return settled.taken.at(np.arange(min(PREVIEW_ROWS, len(settled.taken)))).frame(shown)


def _ordered(entry: dict[str, Any]) -> dict[str, Any]:
    """Plain keys first, tables last, empty ones left out."""
    plain = {k: v for k, v in entry.items() if not isinstance(v, dict) and v not in ([], "")}
    return plain | {k: v for k, v in entry.items() if isinstance(v, dict) and v}
