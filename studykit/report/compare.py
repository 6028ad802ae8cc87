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
from studykit.core.record import CLASSES, NumberRecord
from studykit.report.align import Stretch, stretches
from studykit.report.manifest import canonical
from studykit.report.pictures import SLACK, unlike
from studykit.report.verify import difference

TABLE_TOLERANCE = CLASSES["estimate"]
DIAGNOSTIC = {"largest gradient": 1e-3, "statsmodels differs by": 1e-3}
"""Columns that hold what an iterative search left over: their size counts, not their digits (absolute)."""
NUMBER = re.compile(r"(?<![\w.#])[-+\u2212]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+\u2212]?[0-9]+)?(?![\w])")
FLOOR = 1e-9
VERSIONS = "Versions of the programs."
VERSION = re.compile(r"not installed|\d[0-9a-z.+]*")
FIGURE = re.compile(r"<img [^>]*data:image/png;base64,[A-Za-z0-9+/=]+[^>]*>")
PICTURE = re.compile(r"data:image/png;base64,([A-Za-z0-9+/=]+)")
WIDTH = re.compile(r"""(?<![\w-])"?width"?(?:=|: )"?(\d{1,6})\b"?""")
"""Of a picture, whose pixels are compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a comparison found: number of files, differences (one row each), notes, pictures alike but not the same."""

    files: int = 0
    rows: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    alike: list[str] = field(default_factory=list)


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
    """Whether two texts have the same words and numbers that agree within their class; blanks may differ in number."""
    shape = [" ".join(NUMBER.sub("#", t).split()) for t in (a, b)]
    return shape[0] == shape[1] and all(close(x, y) for x, y in zip(NUMBER.findall(a), NUMBER.findall(b), strict=True))


def excerpt(a: str, b: str, width: int = 60) -> tuple[str, str]:
    """The two texts from shortly before their first difference."""
    at = next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    start = max(0, at - 20)
    return tuple(" ".join(t[start:start + width].split()) or "nothing" for t in (a, b))  # type: ignore[return-value]


def compare_records(filed: Iterable[NumberRecord], fresh: Iterable[NumberRecord]) -> list[dict[str, Any]]:
    """One row for each record that differs: value beyond the tolerance of the re-executed one, or any other field."""
    old, new = ({(r.stage, r.name): r for r in records} for records in (filed, fresh))
    rows = []
    for key in sorted(old.keys() | new.keys()):
        a, b = old.get(key), new.get(key)
        if a is None or b is None or not _agree(a.value, b):
            rows.append(difference(key[0], key[1], a.text() if a else "absent", b.text() if b else "absent",
                                   b.tolerance if b else 0.0))
        elif (changed := [k for k, v in asdict(a).items() if k != "value" and v != getattr(b, k)]):
            rows += [difference(key[0], f"{key[1]}, its {k}", str(getattr(a, k)), str(getattr(b, k))) for k in changed]
    return rows


def _agree(value: float | int | str, fresh: NumberRecord) -> bool:
    if isinstance(value, str) or isinstance(fresh.value, str) or not fresh.tolerance:
        return type(value) is type(fresh.value) and value == fresh.value
    return math.isclose(value, fresh.value, rel_tol=fresh.tolerance, abs_tol=FLOOR)


def compare_tables(name: str, a: str, b: str, out: Outcome) -> None:
    """Two CSV texts cell by cell: one row a differing cell; a note for digits beyond the class."""
    filed, fresh = (list(csv.reader(io.StringIO(t, newline=""))) for t in (a, b))
    stage = name.partition("/")[0]
    if filed[:1] != fresh[:1] or len(filed) != len(fresh) or [len(r) for r in filed] != [len(r) for r in fresh]:
        shape = [f"{len(t) - 1} rows under {', '.join(t[0]) if t else 'nothing'}" for t in (filed, fresh)]
        out.rows.append(difference(stage, f"{name}, its shape", *excerpt(shape[0], shape[1])))
        if filed[:1] == fresh[:1]:
            _lines(name, filed, fresh, out)
        return
    beyond = sum(_cells(f"{name} row {number}", filed[0], old, new, out)
                 for number, (old, new) in enumerate(zip(filed[1:], fresh[1:], strict=True), start=2))
    if beyond:
        out.notes.append(f"{name}: {beyond} numbers agree within their class, not in every digit")
    elif filed == fresh:
        out.rows.append(difference(stage, f"{name}, its form", "other line ends, quotes or bytes", "as the kit writes it"))


def _cells(where: str, columns: list[str], old: list[str], new: list[str], out: Outcome) -> int:
    """Two rows of one length: one row a differing cell; how many numbers agree within their class, not in every digit."""
    beyond = 0
    for column, x, y in zip(columns, old, new, strict=True):
        if x != y and close(x, y, floor=DIAGNOSTIC.get(column, FLOOR)):
            beyond += 1
        elif x != y:
            out.rows.append(difference(where.partition("/")[0], f"{where}, {column}", x or "empty", y or "empty",
                                       TABLE_TOLERANCE))
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
            told = [" / ".join(map(",".join, rows)) for rows in (xs, ys)]
            out.rows.append(difference(name.partition("/")[0], f"{name} from row {new.start + 1} on, other rows",
                                       *excerpt(told[0], told[1])))


def _outputs(cell: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The shown parts of a cell: (kind, text), pictures as they are."""
    for k, output in enumerate(cell.get("outputs", [])):
        for kind, content in (output.get("data") or {}).items():
            yield f"output {k + 1}, {kind}", "".join(content) if isinstance(content, list) else str(content)
        rest = {key: v for key, v in output.items() if key != "data"}
        yield f"output {k + 1}, its form", json.dumps(rest, sort_keys=True, ensure_ascii=False)


def compare_notebooks(name: str, a: str, b: str, same_programs: bool, out: Outcome) -> None:
    """Two executed notebooks: sources and form exactly, outputs in words exactly and in numbers by class."""
    stage, before = name.partition("/")[0], len(out.rows)
    filed, fresh = json.loads(a, object_pairs_hook=strict.once), json.loads(b)
    cells = filed["cells"], fresh["cells"]
    if len(cells[0]) != len(cells[1]):
        out.rows.append(difference(stage, f"{name}, number of cells", str(len(cells[0])), str(len(cells[1]))))
        parts = list(stretches(*(["".join(c["source"]) for c in cs] for cs in cells)))
    else:
        parts = [(slice(0, len(cells[0])), slice(0, len(cells[1])))]
    for at, place in parts:
        olds, news = cells[0][at], cells[1][place]
        if len(olds) == len(news):
            for number, (old, new) in enumerate(zip(olds, news, strict=True), start=place.start + 1):
                _cell(stage, f"{name} cell {number}", old, new, same_programs, out)
        else:
            told = ["\n".join("".join(c["source"]) for c in cs) for cs in (olds, news)]
            out.rows.append(difference(stage, f"{name} from cell {place.start + 1} on, other cells",
                                       *excerpt(told[0], told[1])))
    rest = [{k: v for k, v in n.items() if k != "cells"} for n in (filed, fresh)]
    if rest[0] != rest[1]:
        out.rows.append(difference(stage, f"{name}, its form", *excerpt(str(rest[0]), str(rest[1]))))
    elif len(out.rows) == before and filed == fresh:
        out.rows.append(difference(stage, f"{name}, its form", "other blanks or bytes", "as the kit writes it"))


def _cell(stage: str, where: str, old: dict[str, Any], new: dict[str, Any], same_programs: bool, out: Outcome) -> None:
    """Two cells of an executed notebook: source, form, and what is shown."""
    (shown_a, form_a), (shown_b, form_b) = ((dict(_outputs(c)), {k: v for k, v in c.items() if k not in ("outputs", "source")})
                                            for c in (old, new))
    sources = ["".join(c["source"]) for c in (old, new)]
    if sources[0] != sources[1]:
        out.rows.append(difference(stage, f"{where}, its code or text", *excerpt(sources[0], sources[1])))
    if form_a != form_b or list(shown_a) != list(shown_b):
        out.rows.append(difference(stage, f"{where}, its form",
                                   *excerpt(str([form_a, list(shown_a)]), str([form_b, list(shown_b)]))))
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
    if close_text(a, b):
        out.notes.append(f"{what}: numbers agree within their class, not in every digit")
    elif versions and VERSION.sub("#", " ".join(a.split())) == VERSION.sub("#", " ".join(b.split())):
        out.notes.append(f"{what}: the sender gives other versions of programs")
    else:
        out.rows.append(difference(stage, what, *excerpt(a, b)))


def _picture(stage: str, what: str, a: bytes, b: bytes, same_programs: bool, out: Outcome) -> None:
    """Two pictures: bytes where the sender names the same programs, else within a tolerance, told and counted."""
    if a == b:
        return
    reason = "is not the same to the byte" if same_programs else unlike(a, b)
    if reason:
        out.rows.append(difference(stage, f"{what}, a picture", f"{_digest(a)}: it {reason}", _digest(b)))
    else:
        out.alike.append(what)


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


def page_pieces(html: str) -> list[str]:
    """A page as a list of tags with the text after each; pictures left out."""
    return re.findall(r"<[^>]*>[^<]*|[^<]+", FIGURE.sub(lambda m: PICTURE.sub("picture", m[0]), html))


def compare_pages(name: str, a: str, b: str, same_programs: bool, out: Outcome) -> None:
    """Two report pages: style, script, policy and structure exactly, words exactly, numbers by class, pictures one by one.

    Where one has parts that the other has not, that is told and the rest compared all the same.
    """
    filed, fresh, ways = page_pieces(a), page_pieces(b), list[Outcome]()
    for parts in ([(slice(None), slice(None))] if len(filed) == len(fresh) else [], stretches(filed, fresh)):
        if parts and not (ways and len(ways[0].rows) < 2):
            ways.append(Outcome())
            _pieces(name, filed, fresh, parts, ways[-1])
    told = min(ways, key=lambda way: len(way.rows))
    out.rows.extend(told.rows)
    out.notes.extend(told.notes)
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
    names = [{p.relative_to(f).as_posix() for p in f.rglob("*") if p.is_file() and p.name != "manifest.json"
              and not p.name.startswith(".")} for f in (filed, fresh)]
    out = Outcome(files=len(names[0] | names[1]))
    for name in sorted(names[0] ^ names[1]):
        there = name in names[0]
        out.rows.append(difference(name.partition("/")[0], name, "present" if there else "absent",
                                   "not made again" if there else "made"))
    for name in sorted(names[0] & names[1]):
        old, new = (filed / name).read_bytes(), (fresh / name).read_bytes()
        if old != new:
            _compare_file(name, old, new, same_programs, out)
    return out


def _compare_file(name: str, old: bytes, new: bytes, same_programs: bool, out: Outcome) -> None:
    stage = name.partition("/")[0]
    try:
        if name.endswith(".png"):
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
