"""Delimited text files as a grid of text cells, with how each was read: encoding, delimiter, quote, lines.

Cells stay text: no cell is turned into a number, a date or a missing value here. What was detected
(and not declared) is kept in the grid, so that it can be shown. Every line keeps its own number
and its own count of cells, so that a short or a long line is found and never padded in silence.
"""

from __future__ import annotations

import codecs
import contextlib
import csv
import io
import itertools
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import single
from studykit.core.numbertext import tidy_text
from studykit.intake.aligned import SPACES, looks_aligned, taken_apart
from studykit.intake.cellmodel import Doubt
from studykit.intake.columns import Texts

MAX_BYTES = 400_000_000
MAX_CELLS = 40_000_000
MAX_COLUMNS = 5_000
FEW = 200
"""Below so many lines a column is coded text by text."""
WORD = 8
LONGEST = 32 * WORD
"""Longer cells are coded text by text."""
PIECE = 1 << 19
BLOCK = 1 << 14
HEAD = 200_000
_MASKS = np.array([(1 << (8 * n)) - 1 for n in range(WORD + 1)], dtype=np.uint64)
MAX_LINES = 4_000_000
DELIMITERS = (";", "\t", "|", ",")
DELIMITER_WORDS = {";": "semicolon", "\t": "tab", "|": "bar", ",": "comma", SPACES: "spaces"}
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_NOTHING = b" \t\r\n\x00\xef\xbb\xbf"
_OTHER_KINDS = (
    (b"%PDF", "is a PDF", "type its numbers into a CSV file, twice, by two people, and compare"),
    (b"\x1f\x8b", "is a compressed file (gzip)", "unpack it first"),
    (b"7z\xbc\xaf", "is a compressed file (7z)", "unpack it first"),
    (b"Rar!", "is a compressed file (rar)", "unpack it first"),
    (b"\x89PNG", "is a picture", "type its numbers into a CSV file"),
    (b"{\\rtf", "is a formatted text (RTF)", "save it as CSV"),
)


def column_letters(k: int) -> str:
    """The letters of a column, 0 being A."""
    text = ""
    k += 1
    while k:
        k, rest = divmod(k - 1, 26)
        text = chr(65 + rest) + text
    return text


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """One sheet or text file as text cells.

    ``cells`` has one column of texts a column of the file, one row a line; ``lines`` the line of each row in the file,
    counted from 1; ``widths`` the cells that the line really has. ``numeric`` marks cells that a
    spreadsheet stores as numbers (None for text files), ``merged`` holds (row, column, row, column)
    of merged ranges and ``formulas`` the (row, column) of formula cells, all from 0. ``shown`` holds the
    displayed text of cells where it is not the stored one, ``doubts`` why a cell may not mean what is stored;
    ``left`` is how many columns of the file were cut off before the first;
    ``around`` has what stands outside the cells (print header, text box), with its place;
    ``cut`` is true where the last line of a text file has no end.
    """

    file: str
    cells: list[Texts]
    lines: np.ndarray
    widths: np.ndarray
    kind: str = "text"
    sheet: str = ""
    encoding: str = ""
    delimiter: str = ""
    quote: str = ""
    declared: tuple[str, ...] = ()
    numeric: np.ndarray | None = None
    merged: tuple[tuple[int, int, int, int], ...] = ()
    formulas: frozenset[tuple[int, int]] = frozenset()
    hidden: bool = False
    left: int = 0
    around: tuple[tuple[str, str], ...] = ()
    cut: bool = False
    shown: dict[tuple[int, int], str] = field(default_factory=dict)
    doubts: dict[tuple[int, int], Doubt] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (len(self.lines), len(self.cells))

    def line(self, i: int) -> dict[str, Any]:
        """Row, columns and text of line i (from 0) as a fault shows them: 'B to D' of a spreadsheet, '2 to 4' of a text."""
        cells = self.row(i)
        full = [k for k, c in enumerate(cells) if c]
        names = [column_letters(k) if self.kind != "text" else str(k + 1)
                 for k in (self.left + j for j in full[:1] + full[-1:])]
        return {"row": int(self.lines[i]), "column": " to ".join(dict.fromkeys(names)),
                "value": " | ".join(cells[k] for k in full)[:120]}

    def row(self, i: int) -> list[str]:
        """The cells of row i (from 0) as shown, stripped, each in one line."""
        cells = [tidy_text(c[i]) for c in self.cells]
        return [tidy_text(self.shown.get((i, k), c)) for k, c in enumerate(cells)] if self.shown else cells

    def text(self, i: int) -> str:
        """The filled cells of row i (from 0) in one line."""
        return " ".join(c for c in self.row(i) if c)


def read_bytes(path: Path, name: str) -> bytes:
    """The bytes of a raw file; BadInput where it is missing, empty, too large or not a table."""
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise single(name, f"has {size:,} bytes; at most {MAX_BYTES:,} are read", "split the file")
        data = path.read_bytes()
    except OSError as error:
        raise single(name, f"cannot be read: {error.strerror or error}", "check the file") from None
    if not data[:4096].strip(_NOTHING) and not data.strip(_NOTHING):
        raise single(name, "the file is empty", "ask the laboratory for it again, or remove it")
    for magic, reason, remedy in _OTHER_KINDS:
        if data.startswith(magic):
            raise single(name, reason + ", not a table", remedy)
    if re.match(rb"\s*<(!doctype|html|\?xml|table)", data[:200], re.IGNORECASE):
        raise single(name, "is a web page or XML, not a table", "open it and save it as CSV or XLSX")
    return data


def _line_of(data: bytes, offset: int) -> int:
    return data.count(b"\n", 0, offset) + 1


def decode(data: bytes, name: str, declared: str | None = None) -> tuple[str, str]:
    """Text of a file and the encoding used; BadInput where the declared one does not fit.

    Detected in this order: byte order mark, UTF-16 by its zero bytes, UTF-8 without any fault,
    Windows-1252, Latin-1. A file that is UTF-8 except for a damaged byte is refused.
    """
    found = next((encoding for bom, encoding in _BOMS if data.startswith(bom)), None)
    if declared:
        encoding = "utf-8-sig" if declared.lower().replace("_", "-") in ("utf-8", "utf8") else declared
        if found and codecs.lookup(found).name != codecs.lookup(encoding).name:
            raise single(name, f"has the byte order mark of {found}, but the mapping says {declared}",
                         "correct encoding in intake.toml, or leave it out", row=1)
        if encoding.lower() in ("utf-16", "utf16") and not found:
            found = _utf16_by_zeros(data)
            encoding = found or encoding
    else:
        encoding = found or _utf16_by_zeros(data) or "utf-8"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if declared or encoding != "utf-8":
            raise single(name, f"byte {data[error.start]:#04x} is not {declared or encoding}",
                         "correct encoding in intake.toml, or ask for the file again",
                         row=_line_of(data, error.start)) from None
        text, encoding = _decode_one_byte(data, name, error.start)
    if "\x00" in text:
        raise single(name, "holds zero bytes: it is not a text table", "save it as CSV or XLSX",
                     row=text.count("\n", 0, text.index("\x00")) + 1)
    if encoding == "utf-8-sig" and not found:
        encoding = "utf-8"
    return text.removeprefix("\ufeff"), encoding


def _utf16_by_zeros(data: bytes) -> str | None:
    head = np.frombuffer(data[:4096], dtype=np.uint8)
    if len(head) < 4 or len(data) % 2:
        return None
    even, odd = (head[0::2] == 0).mean(), (head[1::2] == 0).mean()
    if odd > 0.4 and even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if even > 0.4 and odd < 0.05 else None


def _decode_one_byte(data: bytes, name: str, offset: int) -> tuple[str, str]:
    escaped = data.decode("utf-8", errors="surrogateescape")
    real = sum(1 for c in re.findall(r"[^\x00-\x7f]", escaped) if not "\ud800" <= c <= "\udfff")
    if real:
        raise single(name, f"byte {data[offset]:#04x} is not UTF-8, though other letters of the file are",
                     "the file is damaged: ask for it again, or name its encoding in intake.toml",
                     row=_line_of(data, offset))
    try:
        return data.decode("cp1252"), "cp1252"
    except UnicodeDecodeError:
        return data.decode("latin-1"), "latin-1"


def _sample_rows(text: str, delimiter: str, quote: str) -> list[list[str]]:
    """The first rows under a delimiter, up to one that it cannot take apart."""
    reader = csv.reader(io.StringIO(text[:HEAD], newline=""), delimiter=delimiter, quotechar=quote)
    rows: list[list[str]] = []
    with contextlib.suppress(csv.Error):
        for row in itertools.islice(reader, 300):
            rows.append([c.strip() for c in row])
    return rows


def detect_delimiter(text: str, expect: Collection[str] = (), quote: str = '"') -> str:
    """The delimiter: the one under which a line holds the expected headings, else the most regular one.

    Regular means: most lines have the same number of cells, more than one. Ties go to semicolon,
    tab, bar, comma in this order, because a comma is also a decimal sign. Columns that stand under their headings by
    spaces come last.
    """
    if not expect and looks_aligned(text[:HEAD], expect):
        return SPACES
    best, best_score = ",", 0.0
    for delimiter in DELIMITERS:
        rows = [r for r in _sample_rows(text, delimiter, quote) if any(r)]
        if expect and any(set(expect) <= set(r) for r in rows):
            return delimiter
        counts = [len(r) for r in rows if len(r) > 1]
        if not counts:
            continue
        common = max(set(counts), key=lambda n: (counts.count(n), n))
        score = counts.count(common) / max(len(rows), 1)
        if score > best_score + 0.05:
            best, best_score = delimiter, score
    return SPACES if expect and looks_aligned(text[:HEAD], expect) else best


def detect_quote(text: str) -> str:
    """The quote sign: '"', or an apostrophe where cells are wrapped in those and no '"' occurs."""
    head = text[:HEAD]
    if '"' not in head and len(re.findall(r"(?:^|[;,\t|])'[^'\n]*'(?=[;,\t|\r\n]|$)", head, re.M)) > 3:
        return "'"
    return '"'


def read_text_grid(path: Path, name: str, *, encoding: str | None = None, delimiter: str | None = None,
                   quote: str | None = None, expect: Collection[str] = (), data: bytes | None = None) -> Grid:
    """A CSV or TSV file as a grid of text cells; BadInput where it cannot be read safely.

    ``expect`` are headings that a mapping names: they settle the delimiter where it is not declared.
    """
    raw = (read_bytes(path, name) if data is None else data).removesuffix(b"\x1a")  # an old mark of the end of a file
    plain = _plain(raw, encoding)
    text, used = (raw[:HEAD].decode("ascii"), "utf-8") if plain else decode(raw, name, encoding)
    sign = quote or detect_quote(text)
    by = delimiter or detect_delimiter(text, expect, sign)
    declared = tuple(k for k, v in (("encoding", encoding), ("delimiter", delimiter), ("quote", quote)) if v)
    if by == SPACES:
        rows = taken_apart(raw.decode("ascii") if plain else text, expect)
        cells, lines, widths = _gathered(enumerate(rows, 1), name)
    elif (sign.encode("utf-8") in raw if plain else sign in text) or not by.isascii():
        text = raw.decode("ascii") if plain else text
        cells, lines, widths = _gathered(_records(text, by, sign, name), name)
    else:
        cells, lines, widths = _fast(raw if plain else text.encode("utf-8"), by, name)
    return Grid(file=name, cells=cells, lines=lines, widths=widths, encoding=used, delimiter=by, quote=sign,
                cut=not (raw.endswith((b"\n", b"\r")) if plain else text.endswith(("\n", "\r"))), declared=declared,
                notes=() if encoding else (f"encoding detected: {used}",))


def _plain(raw: bytes, declared: str | None) -> bool:
    """Whether the bytes are what every encoding that may be declared here says they are: ASCII without zero bytes."""
    return raw.isascii() and 0 not in raw and (not declared or codecs.lookup(declared).name in ("utf-8", "cp1252", "iso8859-1"))


def _fast(data: bytes, delimiter: str, name: str) -> tuple[list[Texts], np.ndarray, np.ndarray]:
    """Cells of UTF-8 without any quote sign, a column at once; a line is a record."""
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    end = len(data)
    while data[end - 1] == 10:
        end -= 1
    if end == len(data):
        data += b"\n"
    raw = np.frombuffer(data, dtype=np.uint8, count=end + 1)
    signs, lines = _signs(raw, ord(delimiter), name)
    width = len(signs) // lines
    if width * lines == len(signs) and (raw[signs[width - 1::width]] == 10).all():  # as many cells in every line
        _check_size(lines, width, name)
        widths = np.full(lines, width)
        starts = np.concatenate(([np.int32(-1)], signs[:-1])).reshape(lines, width)
        stops = signs.reshape(lines, width)
        most = np.max([(stops[i:i + BLOCK] - starts[i:i + BLOCK]).max(axis=0) for i in range(0, lines, BLOCK)], axis=0) - 1
        coded = _coded([_Runs(data, starts[:, k], stops[:, k], int(most[k])) for k in range(width)])
        cells = [Texts(codes, words, whole=True) for codes, words in coded]
    else:
        last = np.flatnonzero(raw[signs] == 10)
        widths = np.diff(last, prepend=-1)
        width = int(widths.max())
        _check_size(lines, width, name)
        cells = [_ragged(data, signs, last - widths + 1 + k, widths > k) for k in range(width)]
    return cells, np.arange(1, lines + 1), widths


def _signs(raw: np.ndarray, delimiter: int, name: str) -> tuple[np.ndarray, int]:
    """Where cells end, looked for in pieces that fit into the processor's cache, and how many lines there are."""
    parts = [np.zeros(0, dtype=np.int32)]
    lines = 0
    for i in range(0, len(raw), PIECE):
        piece = raw[i:i + PIECE]
        end = piece == 10
        lines += int(np.count_nonzero(end))
        if lines > MAX_LINES:
            raise single(name, f"has more than {MAX_LINES:,} lines", "split the file")
        parts.append(np.flatnonzero(end | (piece == delimiter)).astype(np.int32) + np.int32(i))
    return np.concatenate(parts), lines


def _ragged(data: bytes, signs: np.ndarray, at: np.ndarray, there: np.ndarray) -> Texts:
    """A column that some lines do not have: ``at`` has the place among the signs where each line's cell ends."""
    own = at[there]
    befores, stops = np.where(own > 0, signs[own - 1], np.int32(-1)), signs[own]
    codes, words = _coded([_Runs(data, befores, stops, int((stops - befores).max()) - 1)])[0]
    full = np.full(len(at), len(words), dtype=np.int32)
    full[there] = codes
    words = [*words, ""]
    return Texts(full, words).renamed(words)


class _Runs:
    """A column of pieces of ``data``, each between two signs, in their order: where runs of equal pieces begin.

    Compared eight bytes at a time; no piece holds a zero byte or a line end. ``words`` has the pieces at ``heads``, eight
    bytes an array; ``longest``: bytes of the longest piece.
    """

    def __init__(self, data: bytes, befores: np.ndarray, stops: np.ndarray, longest: int) -> None:
        self.data, self.befores, self.stops, self.eight = data, befores, stops, _eights(data)
        self.short = longest <= LONGEST and len(stops) >= FEW
        self.shifts = range(0, max(longest, 1), WORD)
        self.last = np.zeros(len(self.shifts), dtype=np.uint64)
        self.heads: list[np.ndarray] = []
        self.words: list[list[np.ndarray]] = [[] for _ in self.shifts]

    def look(self, first: int) -> None:
        """Look at the next `BLOCK` pieces."""
        at = self.befores[first:first + BLOCK] + 1
        lengths = self.stops[first:first + BLOCK] - at
        shortest, longest = int(lengths.min()), int(lengths.max())
        eight = self.eight
        if int(at[-1]) + self.shifts[-1] + WORD > len(self.data):
            eight, at = _eights(self.data[int(at[0]):] + bytes(LONGEST + WORD)), at - at[0]
        new = np.zeros(len(at), dtype=bool)
        new[0] = first == 0
        parts = []
        for k, shift in enumerate(self.shifts):
            part = eight[at + shift]
            if shortest < shift + WORD:
                ends = np.clip(lengths - shift, 0, WORD) if shortest < longest else min(max(longest - shift, 0), WORD)
                part &= _MASKS[ends]
            new[0] |= part[0] != self.last[k]
            new[1:] |= part[1:] != part[:-1]
            self.last[k] = part[-1]
            parts.append(part)
        own = np.flatnonzero(new)
        self.heads.append(own + first)
        for k, part in enumerate(parts):
            self.words[k].append(part[own])


def _coded(columns: Sequence[_Runs]) -> list[tuple[np.ndarray, list[str]]]:
    """Codes and distinct texts of columns, looked at together as far as the processor's cache goes."""
    short = [c for c in columns if c.short]
    for first in range(0, max((len(c.stops) for c in short), default=0), BLOCK):
        for column in short:
            column.look(first)
    return [_codes(c) if c.short else _one_by_one(c) for c in columns]


def _one_by_one(runs: _Runs) -> tuple[np.ndarray, list[str]]:
    column = Texts.of(runs.data[a + 1:b].decode("utf-8")
                      for a, b in zip(runs.befores.tolist(), runs.stops.tolist(), strict=True))
    return column.codes, column.words


def _codes(runs: _Runs) -> tuple[np.ndarray, list[str]]:
    heads, n = np.concatenate(runs.heads), len(runs.stops)
    codes = np.zeros(len(heads), dtype=np.int64)
    for k, part in enumerate(map(np.concatenate, runs.words)):
        some, distinct = _factorized(part)
        codes = pd.factorize(codes * len(distinct) + some)[0] if k else some
    if len(runs.shifts) == 1:
        pieces = distinct.view("S8").tolist()
    else:
        place = np.zeros(int(codes.max()) + 1, dtype=np.int64)
        place[codes[::-1]] = heads[::-1]
        ends = zip(runs.befores[place].tolist(), runs.stops[place].tolist(), strict=True)
        pieces = [runs.data[a + 1:b] for a, b in ends]
    if len(heads) < n:
        codes = np.repeat(codes.astype(np.int32), np.diff(heads, append=n))
    return codes.astype(np.int32), b"\n".join(pieces).decode("utf-8").split("\n")


def _eights(data: bytes) -> np.ndarray:
    """The eight bytes from each place on, as a number."""
    return np.ndarray((max(len(data) - WORD + 1, 0),), dtype="<u8", buffer=data, strides=(1,))


def _factorized(part: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """As pandas.factorize; many different values are sorted by part of a product instead, beside their places.

    Where two values share that part, which is looked for, pandas does it.
    """
    n, bits = len(part), len(part).bit_length()
    if n < 100_000 or len(np.unique(part[::n // 1_000])) < 300:
        return pd.factorize(part)
    keys = part * np.uint64(0x9E3779B97F4A7C15) >> np.uint64(bits) << np.uint64(bits) | np.arange(n, dtype=np.uint64)
    keys.sort()
    order = (keys & np.uint64((1 << bits) - 1)).astype(np.int64)
    keys >>= np.uint64(bits)
    own = part[order]
    new = np.concatenate(([True], keys[1:] != keys[:-1]))
    if np.count_nonzero(own[1:] != own[:-1]) != np.count_nonzero(new) - 1:
        return pd.factorize(part)
    first = np.argsort(order[new])
    rank = np.empty(len(first), dtype=np.int64)
    rank[first] = np.arange(len(first))
    codes = np.empty(n, dtype=np.int64)
    codes[order] = rank[np.cumsum(new) - 1]
    return codes, own[new][first]


def _check_size(rows: int, width: int, name: str) -> None:
    if width > MAX_COLUMNS:
        raise single(name, f"has a line of {width:,} cells; at most {MAX_COLUMNS:,} are read", "check its delimiter")
    if rows * width > MAX_CELLS:
        raise single(name, f"would be {rows:,} lines of {width:,} cells; at most {MAX_CELLS:,} cells are read",
                     "split the file, or check its delimiter")


def _records(text: str, delimiter: str, quote: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line on which it begins; refuses a quote that swallows lines."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, quotechar=quote, strict=True)
    start = 1
    try:
        for row in reader:
            end = reader.line_num
            if end > start:
                _check_swallowed(row, start, end, delimiter, name)
            yield start, row
            start = end + 1
    except csv.Error as error:
        remedy = "correct the quote signs of this line, or declare another quote in intake.toml"
        raise single(name, f"cannot be split into cells: {error}", remedy, row=start) from None


def _check_swallowed(row: list[str], start: int, end: int, delimiter: str, name: str) -> None:
    for k, cell in enumerate(row):
        if "\n" in cell and delimiter in cell:
            raise single(name, f"a quote opened in cell {k + 1} runs to line {end} and swallows whole cells",
                         "close the quote, or declare another quote in intake.toml", row=start, value=cell)


def _gathered(records: Iterable[tuple[int, list[str]]], name: str) -> tuple[list[Texts], np.ndarray, np.ndarray]:
    """Cells of records, each with its line; equal texts share memory."""
    lines: list[int] = []
    widths: list[int] = []
    places: list[dict[str, int]] = []
    columns: list[list[int]] = []
    for line, row in records:
        for k in range(len(columns), max(len(row), 1)):
            places.append({"": 0})
            columns.append([0] * len(lines))
            _check_size(0, k + 1, name)
        for k, (place, column) in enumerate(zip(places, columns, strict=True)):
            column.append(place.setdefault(row[k], len(place)) if k < len(row) else 0)
        lines.append(line)
        widths.append(max(len(row), 1))
    while widths and widths[-1] == 1 and not list(places[0])[columns[0][-1]].strip():
        for column in columns:
            column.pop()
        widths.pop()
        lines.pop()
    _check_size(len(lines), len(columns), name)
    cells = [Texts(np.array(c, dtype=np.int32), list(p)) for p, c in zip(places, columns, strict=True)]
    return cells, np.array(lines), np.array(widths)
