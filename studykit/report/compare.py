"""A filed report against a re-executed one, file by file: words exactly, numbers within the tolerance of their class.

The tolerances are the kit's (``TOLERANCES``); what a filed file says of its own tolerance is compared, never used. What
agrees within its class but not digit for digit is told as a note, so that nothing that was touched passes unnamed.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from studykit.core import strict
from studykit.core.hashes import walk
from studykit.core.litter import out_of_sight
from studykit.core.record import CLASSES, NumberRecord
from studykit.report.align import Stretch, stretches
from studykit.report.manifest import canonical
from studykit.report.pictures import SLACK, unlike
from studykit.report.telling import excerpt, plain
from studykit.report.vectors import as_png, kind_of_picture, odd_parts
from studykit.report.verify import difference

TABLE_TOLERANCE = CLASSES["estimate"]
DIAGNOSTIC = {"largest gradient": 1e-3, "statsmodels differs by": 1e-3}
"""Columns that hold what an iterative search left over: their size counts, not their digits (absolute)."""
NUMBER = re.compile(r"(?<![\w.#])[-+\u2212]?(?:[0-9]++\.?+[0-9]*+|\.[0-9]++)(?:[eE][-+\u2212]?+[0-9]++)?+(?!\w)")
"""Without a way back within a number, which would take a sender's million digits a million times."""
FLOOR = 1e-9
VERSIONS = "Versions of the programs."
VERSION = re.compile(r"not installed|\d[0-9a-z.+]*")
FIGURE = re.compile(r"<(?:img|source) [^<>]*>")
PICTURE = re.compile(r"data:image/(?:png|svg\+xml);base64,([A-Za-z0-9+/=]++)")
LARGER, SMALL = 4, 1_000_000
"""A filed file that is so many times larger than the one made again, and this many bytes, is not read on."""
WIDTH = re.compile(r"""(?<![\w-])"?width"?(?:=|: )"?(\d{1,6})\b"?""")
"""Of a picture, whose pixels are compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a comparison found: number of files, differences (one row each), notes, pictures alike but not the same.

    ``blanks``: places where only blanks differ, as rows, until the end of their file.
    """

    files: int = 0
    rows: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    alike: list[str] = field(default_factory=list)
    blanks: list[dict[str, Any]] = field(default_factory=list)


def value_of(text: str) -> float | None:
    """The number that a text is, typographic minus included; None where it is none, as of 1_000 or other digits than 0 to 9."""
    return float(text.replace("\u2212", "-")) if NUMBER.fullmatch(text) else None


def close(a: str, b: str, tolerance: float = TABLE_TOLERANCE, floor: float = FLOOR) -> bool:
    """Whether two texts are the same number within a class: whole numbers and codes exactly, no slack across 0.05."""
    x, y = value_of(a), value_of(b)
    if x is None or y is None or not (math.isfinite(x) and math.isfinite(y)):
        return a == b
    if a.lstrip("+-").isdigit() or b.lstrip("+-").isdigit():
        return a == b
    if math.isclose(x, y, rel_tol=1e-12):
        return True
    return (x < 0.05) == (y < 0.05) and math.isclose(x, y, rel_tol=tolerance, abs_tol=floor)


def close_text(a: str, b: str) -> bool:
    """Whether two texts have the same words and numbers that agree within their class; ASCII's blanks may differ in number."""
    shape = [plain(NUMBER.sub("#", t)) for t in (a, b)]
    return shape[0] == shape[1] and all(close(x, y) for x, y in zip(NUMBER.findall(a), NUMBER.findall(b), strict=True))


def compare_records(filed: Iterable[NumberRecord], fresh: Iterable[NumberRecord]) -> list[dict[str, Any]]:
    """One row for each record that differs: value beyond the tolerance of the re-executed one, or any other field."""
    old, new = ({(r.stage, r.name): r for r in records} for records in (filed, fresh))
    rows = []
    for key in sorted(old.keys() | new.keys()):
        a, b = old.get(key), new.get(key)
        if a is None or b is None or not _agree(a.value, b):
            told = [r.text() if r else "absent" for r in (a, b)]
            if a and b and told[0] == told[1]:
                told = [repr(r.value) for r in (a, b)]
            rows.append(difference(key[0], key[1], *excerpt(told[0], told[1]), b.tolerance if b else 0.0))
        elif (changed := [k for k, v in asdict(a).items() if k != "value" and _typed(v) != _typed(getattr(b, k))]):
            rows += [difference(key[0], f"{key[1]}, its {k}", *excerpt(_text(getattr(a, k)), _text(getattr(b, k))))
                     for k in changed]
    return rows


def _typed(value: Any) -> str:
    """A value as JSON, in which 1, 1.0 and true are three things."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False)


def _text(value: Any) -> str:
    return repr(value) if not isinstance(value, str) or value_of(value) is not None else value


def _agree(value: float | int | str, fresh: NumberRecord) -> bool:
    if type(value) is not type(fresh.value):
        return False
    if isinstance(value, str) or isinstance(fresh.value, str) or not fresh.tolerance:
        return value == fresh.value
    return math.isclose(value, fresh.value, rel_tol=fresh.tolerance, abs_tol=FLOOR)


def compare_tables(name: str, a: str, b: str, out: Outcome) -> None:
    """Two CSV texts cell by cell: one row a differing cell; a note for digits beyond the class."""
    filed, fresh = (list(csv.reader(io.StringIO(t, newline=""))) for t in (a, b))
    stage = name.partition("/")[0]
    if filed[:1] != fresh[:1] or len(filed) != len(fresh) or [len(r) for r in filed] != [len(r) for r in fresh]:
        out.rows.append(difference(stage, f"{name}, its shape", *_shapes(filed, fresh)))
        if filed[:1] == fresh[:1]:
            _lines(name, filed, fresh, out)
        return
    before, beyond = len(out.rows), list[str]()
    for number, (old, new) in enumerate(zip(filed[1:], fresh[1:], strict=True), start=2):
        beyond += _cells(f"{name} row {number}", filed[0], old, new, out)
    if beyond:
        out.notes.append(f"{name}: {len(beyond)} numbers agree within their class, not in every digit; {beyond[0]}")
    if len(out.rows) == before and b == _written(fresh) and a != _written(filed):
        out.rows.append(difference(stage, f"{name}, its form", "other line ends, quotes or bytes", "as the kit writes it"))


def _written(rows: list[list[str]]) -> str:
    """Rows as the kit writes a table."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()


def _shapes(filed: list[list[str]], fresh: list[list[str]]) -> tuple[str, str]:
    """How two tables of other heads, rows or cells in a row differ."""
    heads = [_written(t[:1]).rstrip("\n") or "nothing" for t in (filed, fresh)]
    if heads[0] != heads[1]:
        told = excerpt(heads[0], heads[1], 100)
        rows = [max(0, len(t) - 1) for t in (filed, fresh)]
        return f"{rows[0]} rows under {told[0]}", f"{rows[1]} rows under {told[1]}"
    if len(filed) != len(fresh):
        head = heads[0] if len(heads[0]) <= 40 else f"{heads[0][:40]}\u2026"
        return f"{len(filed) - 1} rows under {head}", f"{len(fresh) - 1} rows under {head}"
    at = next(k for k, (x, y) in enumerate(zip(filed, fresh, strict=True)) if len(x) != len(y))
    return f"{len(filed[at])} cells in row {at + 1}", f"{len(fresh[at])} cells"


def _cells(where: str, columns: list[str], old: list[str], new: list[str], out: Outcome) -> list[str]:
    """Two rows of one length: one row a differing cell; of numbers that agree within their class only, a word."""
    beyond = []
    for column, x, y in zip(columns, old, new, strict=True):
        if x != y and close(x, y, floor=DIAGNOSTIC.get(column, FLOOR)):
            beyond.append(f"row {where.rpartition(' row ')[2]}, {column}: filed {x}, now {y}")
        elif x != y:
            told = excerpt(x, y)
            out.rows.append(difference(where.partition("/")[0], f"{where}, {column}", told[0] if x else "empty",
                                       told[1] if y else "empty", TABLE_TOLERANCE))
    return beyond


def _lines(name: str, filed: list[list[str]], fresh: list[list[str]], out: Outcome) -> None:
    """Two tables of other lengths, row by row where one has the row of the other."""
    lines = [[tuple(r) for r in t] for t in (filed, fresh)]
    for old, new in stretches(*lines):
        xs, ys = filed[old], fresh[new]
        if xs == ys:
            continue
        if [len(r) for r in xs] == [len(r) for r in ys] and all(len(r) == len(fresh[0]) for r in ys):
            for number, (x, y) in enumerate(zip(xs, ys, strict=True), start=new.start + 1):
                _cells(f"{name} row {number}", fresh[0], x, y, out)
        else:
            told = [" / ".join(_written([r]).rstrip("\n") or "an empty row" for r in rows) or "no row" for rows in (xs, ys)]
            out.rows.append(difference(name.partition("/")[0], f"{name} from row {new.start + 1} on, other rows",
                                       *excerpt(told[0], told[1])))


def _outputs(cell: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The shown parts of a cell: (kind, text), pictures as they are."""
    for k, output in enumerate(cell.get("outputs", [])):
        for kind, content in (output.get("data") or {}).items():
            yield f"output {k + 1}, {kind}", _joined(content)
        rest = {key: v for key, v in output.items() if key != "data"}
        kept = {kind: type(content).__name__ for kind, content in (output.get("data") or {}).items()}
        yield f"output {k + 1}, its form", _typed([rest, kept])


def _joined(content: Any) -> str:
    """A text as a notebook keeps it, in one piece or by lines."""
    if isinstance(content, list) and all(isinstance(t, str) for t in content):
        return "".join(content)
    return content if isinstance(content, str) else _typed(content)


def compare_notebooks(name: str, a: str, b: str, same_programs: bool, out: Outcome) -> None:
    """Two executed notebooks: sources and form exactly, outputs in words exactly and in numbers by class."""
    stage, before = name.partition("/")[0], len(out.rows)
    filed, fresh = json.loads(a, object_pairs_hook=strict.once), json.loads(b)
    cells = filed["cells"], fresh["cells"]
    if len(cells[0]) != len(cells[1]):
        out.rows.append(difference(stage, f"{name}, number of cells", str(len(cells[0])), str(len(cells[1]))))
        parts = list(stretches(*([_joined(c["source"]) for c in cs] for cs in cells)))
    else:
        parts = [(slice(0, len(cells[0])), slice(0, len(cells[1])))]
    for at, place in parts:
        olds, news = cells[0][at], cells[1][place]
        if len(olds) == len(news):
            for number, (old, new) in enumerate(zip(olds, news, strict=True), start=place.start + 1):
                _cell(stage, f"{name} cell {number}", old, new, same_programs, out)
        else:
            told = ["\n".join(_joined(c["source"]) for c in cs) for cs in (olds, news)]
            out.rows.append(difference(stage, f"{name} from cell {place.start + 1} on, other cells",
                                       *excerpt(told[0], told[1])))
    rest = [_typed({k: v for k, v in n.items() if k != "cells"}) for n in (filed, fresh)]
    _tell_blanks(same_programs, out)
    if rest[0] != rest[1]:
        out.rows.append(difference(stage, f"{name}, its form", *excerpt(rest[0], rest[1])))
    elif len(out.rows) == before and b == _as_notebook(fresh) and a != _as_notebook(filed):
        out.rows.append(difference(stage, f"{name}, its form", "other blanks or bytes", "as the kit writes it"))


def _as_notebook(book: Any) -> str:
    """A notebook as the kit writes it."""
    return json.dumps(book, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _tell_blanks(same_programs: bool, out: Outcome) -> None:
    """One line for all places of a file where only blanks differ: a difference where the sender names the same programs."""
    if not out.blanks:
        return
    first, more = out.blanks[0], len(out.blanks) - 1
    row = first | {"what": f"{first['what']}: only blanks differ{f', here and in {more} more places' if more else ''}"}
    if same_programs:
        out.rows.append(row)
    else:
        out.notes.append(f"{row['what']}; filed {row['filed']}, now {row['re-executed']}")
    out.blanks.clear()


def _cell(stage: str, where: str, old: dict[str, Any], new: dict[str, Any], same_programs: bool, out: Outcome) -> None:
    """Two cells of an executed notebook: source, form, and what is shown."""
    (shown_a, form_a), (shown_b, form_b) = (
        (shown := dict(_outputs(c)), _typed([list(shown), {k: v for k, v in c.items() if k not in ("outputs", "source")} | {
            "source": type(c["source"]).__name__}])) for c in (old, new))
    sources = [_joined(c["source"]) for c in (old, new)]
    if sources[0] != sources[1]:
        out.rows.append(difference(stage, f"{where}, its code or text", *excerpt(sources[0], sources[1])))
    if form_a != form_b:
        out.rows.append(difference(stage, f"{where}, its form", *excerpt(form_a, form_b)))
        return
    for kind, x in shown_a.items():
        _shown(stage, f"{where}, {kind}", x, shown_b[kind], same_programs, out)


def _shown(stage: str, what: str, a: str, b: str, same_programs: bool, out: Outcome) -> None:
    """One shown part of a notebook."""
    if a == b:
        return
    if "image/" in what:
        _embedded(stage, what, a, b, same_programs, out)
    elif what.endswith("its form"):
        _tag(stage, what, a, b, out)
    else:
        _words(stage, what, a, b, VERSIONS in a and VERSIONS in b, out)


def _words(stage: str, what: str, a: str, b: str, versions: bool, out: Outcome) -> None:
    """Two texts: words exactly, numbers by class; in a table of versions any version, which is told."""
    told = excerpt(a, b)
    if plain(a) == plain(b):
        out.blanks.append(difference(stage, what, *told))
    elif close_text(a, b):
        out.notes.append(f"{what}: numbers agree within their class, not in every digit; filed {told[0]}, now {told[1]}")
    elif versions and VERSION.sub("#", plain(a)) == VERSION.sub("#", plain(b)):
        out.notes.append(f"{what}: the sender gives other versions of programs; filed {told[0]}, now {told[1]}")
    else:
        out.rows.append(difference(stage, what, *told))


def _picture(stage: str, what: str, a: bytes, b: bytes, same_programs: bool, out: Outcome) -> None:
    """Two pictures: bytes where the sender names the same programs, else within a tolerance, told and counted."""
    if a == b:
        return
    reason = "is not the same to the byte" if same_programs else _unlike(a, b, either=stage == "page")
    if reason:
        out.rows.append(difference(stage, f"{what}, a picture", f"{_digest(a)}: it {reason}", _digest(b)))
    else:
        out.alike.append(what)


def _unlike(filed: bytes, fresh: bytes, *, either: bool) -> str:
    """Why a picture of any kind does not show what the one that was made again shows; '' where it does.

    ``either``: one may be a PNG and the other an SVG, as on a page, where the larger drawings stand as PNG.
    """
    kinds = [kind_of_picture(data) for data in (filed, fresh)]
    if kinds[0] != kinds[1] and not (either and {*kinds} == {"png", "svg"}):
        return f"is {kinds[0] or 'no picture'}, not {kinds[1]}"
    if odd := odd_parts(filed):
        return f"has {odd}, as no picture of the kit"
    try:
        return unlike(as_png(filed), as_png(fresh))
    except ValueError as error:
        return str(error)


def _embedded(stage: str, what: str, a: str, b: str, same_programs: bool, out: Outcome) -> None:
    """Two pictures as they stand in a text (base64)."""
    filed, fresh = (base64.b64decode(t) for t in (a, b))
    if a != b and filed == fresh:
        out.rows.append(difference(stage, f"{what}, its form", "the same picture, written otherwise", "as the kit writes it"))
    _picture(stage, what, filed, fresh, same_programs, out)


def _tag(stage: str, what: str, a: str, b: str, out: Outcome) -> None:
    """Two tags, or what a notebook says of an output: exactly; the width of a picture may be near, and is told."""
    widths = [[int(w) for w in WIDTH.findall(t)] for t in (a, b)]
    if WIDTH.sub("width", a) == WIDTH.sub("width", b) and all(
            abs(x - y) <= 1 + SLACK * y for x, y in zip(*widths, strict=True)):
        out.notes.append(f"{what}: a picture is shown {widths[0]} wide, made again {widths[1]}")
    else:
        out.rows.append(difference(stage, what, *excerpt(a, b)))


def _digest(data: bytes) -> str:
    return sha256(data).hexdigest()[:12]


def page_pieces(html: str, *, either: bool = False) -> list[str]:
    """A page as a list of tags with the text after each; pictures left out, and with ``either`` their kind too."""
    def kind(found: re.Match[str]) -> str:
        return "drawing" if either or not found[0].startswith("data:image/png") else "picture"

    return re.findall(r"<[^<>]*>?[^<]*|[^<]+", FIGURE.sub(lambda m: PICTURE.sub(kind, m[0]), html))


def compare_pages(name: str, a: str, b: str, same_programs: bool, out: Outcome) -> None:
    """Two report pages: style, script, policy and structure exactly, words exactly, numbers by class, pictures one by one.

    Where one has parts that the other has not, that is told and the rest compared all the same. How large an SVG becomes,
    and so whether it stands on the page, is the drawing program's affair.
    """
    (filed, fresh), ways = (page_pieces(t, either=not same_programs) for t in (a, b)), list[Outcome]()
    for parts in ([(slice(None), slice(None))] if len(filed) == len(fresh) else [], stretches(filed, fresh)):
        if parts and not (ways and len(ways[0].rows) < 2):
            ways.append(Outcome())
            _pieces(name, filed, fresh, parts, ways[-1])
    told = min(ways, key=lambda way: len(way.rows))
    out.rows.extend(told.rows)
    out.notes.extend(told.notes)
    out.blanks.extend(told.blanks)
    _tell_blanks(same_programs, out)
    _pictures(name, PICTURE.findall(a), PICTURE.findall(b), same_programs, out)


def _pictures(name: str, filed: list[str], fresh: list[str], same_programs: bool, out: Outcome) -> None:
    """The pictures of two pages in their order; where one page has more, those between pictures that both have."""
    parts: Iterable[Stretch] = [(slice(0, None), slice(0, None))]
    if len(filed) != len(fresh):
        out.rows.append(difference("page", f"{name}, number of pictures", str(len(filed)), str(len(fresh))))
        parts = stretches(filed, fresh)
    for old, new in parts:
        if len(filed[old]) == len(fresh[new]):
            for number, (x, y) in enumerate(zip(filed[old], fresh[new], strict=True), start=new.start + 1):
                _embedded("page", f"{name}, picture {number}", x, y, same_programs, out)
        else:
            out.rows.append(difference("page", f"{name}, from picture {new.start + 1} on", f"{len(filed[old])} pictures",
                                       f"{len(fresh[new])} pictures"))


def _pieces(name: str, filed: list[str], fresh: list[str], parts: Iterable[Stretch], out: Outcome) -> None:
    """The pieces of two pages, stretch by stretch."""
    places = list(_places(name, fresh))
    for old, new in parts:
        xs, ys, at = filed[old], fresh[new], places[new]
        if len(xs) == len(ys):
            for x, y, place in zip(xs, ys, at, strict=True):
                _piece(x, y, *place, out)
        else:
            where = at[0][0] if at else f"{name}, at its end"
            out.rows.append(difference("page", f"{where}, other parts", *excerpt("".join(xs), "".join(ys))))


def _places(name: str, pieces: list[str]) -> Iterator[tuple[str, bool, bool]]:
    """Of each piece of a page: under which heading, whether in a style or script, whether in the table of versions."""
    heading, caption, exact = "the top", "", False
    for piece in pieces:
        heading = piece.partition(">")[2] if re.match(r"<h[1-6]", piece) and piece.partition(">")[2].strip() else heading
        caption = piece.partition(">")[2] if piece.startswith("<caption") else caption
        exact = piece.startswith(("<style", "<script")) or (exact and not piece.startswith(("</style", "</script")))
        yield f"{name} under '{' '.join(heading.split())}'", exact, caption == VERSIONS


def _piece(x: str, y: str, where: str, exact: bool, versions: bool, out: Outcome) -> None:
    """One tag with the text after it."""
    (tag, _, text), (made, _, words) = x.partition(">"), y.partition(">")
    if exact and x != y:
        out.rows.append(difference("page", f"{where}, its form", *excerpt(x, y)))
        return
    if tag != made:
        _tag("page", f"{where}, its form", tag, made, out)
    if text != words:
        _words("page", where, text, words, versions, out)


def compare_reports(filed: Path, fresh: Path, *, same_programs: bool) -> Outcome:
    """Every file of a filed report folder against the re-executed one; the manifest is compared by itself.

    ``same_programs``: the sender names the programs that draw here, so that pictures must agree byte for byte; else
    within a tolerance, and each that is only alike is counted. Nothing else hangs on what the sender names.
    """
    names = [{p.relative_to(f).as_posix() for p, kind in walk(f, shut=out_of_sight) if kind == "file"
              and p != f / "manifest.json" and not out_of_sight(p.name)} for f in (filed, fresh)]
    out = Outcome(files=len(names[0] | names[1]))
    for name in sorted(names[0] ^ names[1]):
        there = name in names[0]
        out.rows.append(difference(name.partition("/")[0], name, "present" if there else "absent",
                                   "not made again" if there else "made"))
    for name in sorted(names[0] & names[1]):
        old, new = (filed / name).read_bytes(), (fresh / name).read_bytes()
        if old != new:
            before = (len(out.rows), len(out.notes), len(out.alike))
            _compare_file(name, old, new, same_programs, out)
            if before == (len(out.rows), len(out.notes), len(out.alike)):
                out.rows.append(difference(name.partition("/")[0], f"{name}, its form", f"{_digest(old)}: other bytes",
                                           _digest(new)))
    return out


def _compare_file(name: str, old: bytes, new: bytes, same_programs: bool, out: Outcome) -> None:
    stage = name.partition("/")[0]
    if len(old) > LARGER * len(new) + SMALL:
        out.rows.append(difference(stage, name, f"{len(old)} bytes, too many to read on", f"{len(new)} bytes"))
        return
    if old.replace(b"\r\n", b"\n") == new:
        out.rows.append(difference(stage, f"{name}, its line ends", "(U+000D)(U+000A)", "(U+000A)"))
        return
    try:
        if name.endswith((".png", ".svg", ".pdf")):
            _picture(stage, name, old, new, same_programs, out)
            return
        a, b = old.decode("utf-8"), new.decode("utf-8")
        if name.endswith(".csv"):
            compare_tables(name, a, b, out)
        elif name.endswith(".ipynb"):
            compare_notebooks(name, a, b, same_programs, out)
        elif name.endswith(".html"):
            compare_pages(name, a, b, same_programs, out)
        elif name.endswith("numbers.json"):
            _compare_record_files(name, a, b, out)
        else:
            out.rows.append(difference(stage, name, *excerpt(a, b)))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, csv.Error) as error:
        out.blanks.clear()
        out.rows.append(difference(stage, name, f"cannot be read: {type(error).__name__} {error}"[:80], "as the kit writes it"))


def _compare_record_files(name: str, a: str, b: str, out: Outcome) -> None:
    """Two records of numbers, entry by entry in their order; nothing twice, and written as the kit writes it."""
    entries = [strict.read(t) for t in (a, b)]
    filed, fresh = ([NumberRecord(**e) for e in es] for es in entries)
    order = [[(r.stage, r.name) for r in records] for records in (filed, fresh)]
    twice = sorted({n for n in order[0] if order[0].count(n) > 1}) if len(set(order[0])) < len(order[0]) else []
    rows = [difference(stage, f"{name}: {n}, {order[0].count((stage, n))} times", " / ".join(
        r.text() for r in filed if (r.stage, r.name) == (stage, n)), "once") for stage, n in twice]
    # the record of the whole study is named by its numbers; those of the stages hold the same ones
    rows += [r if "/" not in name else {**r, "what": f"{name}: {r['what']}"} for r in compare_records(filed, fresh)]
    if not rows and (order[0] != order[1] or a != canonical(entries[0])):
        rows.append(difference(name.partition("/")[0], f"{name}, its form", "written in another form", "as the kit writes it"))
    out.rows.extend(rows)
    if not rows:
        out.notes.append(f"{name}: numbers agree within their class, not in every digit")
