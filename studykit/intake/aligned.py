"""Text whose columns stand under their headings by spaces alone: told apart by place, never by counting blanks.

A cell is a run of text within which no two spaces follow one another; it belongs to the heading that it stands under.
A line with a cell under two headings, or two cells under one, keeps another number of cells than the headings, and is
refused as a line that does not fit.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

SPACES = " "
"""The delimiter of such a file in intake.toml."""
SEARCHED = 200
_CELLS = re.compile(r"\S+(?: \S+)*")
_WORDS = re.compile(r"\S+")
_LINE_END = re.compile(r"\r\n|\r|\n")
_RULE = re.compile(r"[-=_+|\s]*[-=_]{3}[-=_+|\s]*")
Span = tuple[int, int]


def heading_line(lines: Sequence[str], expect: Collection[str], close: bool = False) -> int | None:
    """Position of the first line whose cells hold these headings, or, without any, of the first with most cells.

    ``close``: a single space parts cells too. None where there is no such line of two cells or more.
    """
    parts = [_pieces(line, close) for line in lines[:SEARCHED]]
    if expect:
        return next((i for i, p in enumerate(parts) if len(p) > 1 and set(expect) <= {t for t, _ in p}), None)
    most = max((len(p) for p in parts), default=0)
    return next((i for i, p in enumerate(parts) if len(p) == most), None) if most > 1 else None


def looks_aligned(text: str, expect: Collection[str]) -> bool:
    """Whether a text without any other delimiter in its headings has columns by spaces in most of its lines."""
    lines = _LINE_END.split(text, maxsplit=SEARCHED)[:SEARCHED]
    at = heading_line(lines, expect)
    if at is None or (not expect and re.search(r"[;\t|,]", lines[at])):
        return False
    below = [_pieces(line, False) for line in lines[at + 1:] if line.strip() and not _RULE.fullmatch(line)]
    return 2 * sum(len(p) > 1 for p in below) > len(below)


def taken_apart(text: str, expect: Collection[str]) -> list[list[str]]:
    """The lines of a text as cells; those that do not stand under the headings as one cell."""
    lines = _LINE_END.split(text)
    close = heading_line(lines, expect) is None and heading_line(lines, expect, True) is not None
    at = heading_line(lines, expect, close)
    if at is None:
        return [[line.strip()] for line in lines]
    heads = [span for _, span in _pieces(lines[at], close)]
    out: list[list[str] | None] = [[line.strip()] for line in lines[:at]]
    for line in lines[at:]:
        pieces = [] if _RULE.fullmatch(line) else _pieces(line, close)
        out.append(([t for t, _ in pieces] if len(pieces) == len(heads) else None) if close else _under(pieces, heads))
        if out[-1] is None:
            out[-1] = _misfit([t for t, _ in pieces], len(heads))
    return [cells or [""] for cells in out]


def _misfit(texts: list[str], heads: int) -> list[str]:
    """The cells of a line that does not stand under the headings: never as many as these."""
    return ["  ".join(texts[:2]), *texts[2:]] if len(texts) == heads else texts


def _pieces(line: str, close: bool) -> list[tuple[str, Span]]:
    return [(m[0], m.span()) for m in (_WORDS if close else _CELLS).finditer(line.rstrip())]


def _under(pieces: list[tuple[str, Span]], heads: list[Span]) -> list[str] | None:
    """The cells in the order of the headings, '' where there is none; None where they do not stand under them, one each."""
    cells = [""] * len(heads)
    for n, (text, (a, b)) in enumerate(pieces):
        over = [k for k, (c, d) in enumerate(heads) if a < d and c < b]
        if not over and len(pieces) == len(heads):
            over = [n]
        if len(over) != 1 or cells[over[0]]:
            return None
        cells[over[0]] = text
    return cells if len(pieces) > 1 or not cells[0] else None
