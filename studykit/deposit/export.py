"""A filed study for other programs: one workbook of tidy tables with their dictionary, and the figures for slides.

The workbook holds values only: a text of somebody that looks like a formula stays a text.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import single
from studykit.core.files import read_csv, together, write_bytes, write_csv
from studykit.core.record import read_records
from studykit.core.writer import refuse_unusual
from studykit.deposit.sheet import settled
from studykit.deposit.tables import captions, described, resource
from studykit.report.manifest import files_of
from studykit.report.verify import older_than, refuse_edited
from studykit.study.definition import Study, load_study

BOOK, FIGURES, CAPTIONS = "tables.xlsx", "figures", "captions.csv"
FORMS = (".png", ".svg", ".pdf")
MOST_WORDS = 10
"""Words of a caption that name a file."""
MOST_ROWS = 1_048_575
FORBIDDEN = re.compile(r"[\[\]:*?/\\']")
JOINED = "one determination per row, joined to its sample and its container"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What was written: the workbook, its sheets, the figures, tables that no sheet held, what the report is older than."""

    book: Path
    sheets: tuple[str, ...]
    figures: int
    left_out: tuple[str, ...]
    older: tuple[str, ...] = ()


def export(root: Path, to: Path) -> Exported:
    """Write tables.xlsx and figures/ of a filed study into the folder ``to``.

    BadInput where no report is filed, and where ``to`` lies inside the study or cannot be written; RunsDiffer where the
    report was changed after it was filed.
    """
    root, to = Path(root), Path(to)
    refuse_unusual(root)
    study = load_study(root)
    if not (root / "report/report.html").exists():
        raise single(f"{root.name}/report", "no report is filed here", f"make one: studykit report {root}")
    if to.resolve().is_relative_to(root.resolve()):
        raise single(str(to), "lies inside the study", "write it elsewhere: studykit export STUDY --to FOLDER")
    refuse_edited(root, "export")
    with together(to) as made:
        book, names, left = _book(root, study)
        write_bytes(made / BOOK, book)
        figures = _figures(root, made)
    return Exported(book=to / BOOK, sheets=names, left_out=left, figures=figures, older=older_than(root))


def _tables(root: Path) -> dict[str, bytes]:
    """The tables of the study by path; reading sheets and notes without columns are left to the folder."""
    paths = (f.relative_to(root).as_posix() for part in files_of(root).values() for f in part)
    return {p: (root / p).read_bytes() for p in sorted(paths) if described(p) and not p.startswith("tidy/reading/")}


def _joined(root: Path) -> pd.DataFrame:
    """The results beside everything that is known of their bottle and container."""
    def read(name: str) -> pd.DataFrame:
        return read_csv(root / name, dtype=str, keep_default_na=False)

    samples, containers = read("plan/samples.csv"), read("plan/containers.csv")
    out = read("tidy/results.csv").merge(samples, on="sample", how="left", suffixes=("", ", sample"))
    return out.merge(containers, on="container", how="left", suffixes=("", ", container"))


def _book(root: Path, study: Study) -> tuple[bytes, tuple[str, ...], tuple[str, ...]]:
    from openpyxl import Workbook

    files, book = _tables(root), Workbook()
    told = {p.parent.name: captions(p.read_text(encoding="utf-8")) for p in sorted((root / "report").glob("*/[!.]*.ipynb"))}
    first, words = book.active, book.create_sheet("dictionary")
    first.title = "read me"
    names, left = {"read me", "dictionary"}, list[str]()
    _row(words, ("sheet", "file", "column", "type", "unit", "meaning"))
    for path, data in {"results joined.csv": _joined(root).to_csv(index=False).encode(), **files}.items():
        fields = resource(path, data, "x", "", told)
        rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
        if len(rows) - 1 > MOST_ROWS:
            left.append(path)
            continue
        sheet = book.create_sheet(_name(path, names))
        names.add(sheet.title)
        kinds = [f["type"] for f in fields["schema"]["fields"]]
        for k, row in enumerate(rows):
            _row(sheet, row if not k else [_typed(c, kind) for c, kind in zip(row, kinds, strict=False)])
        sheet.freeze_panes = "A2"
        for f in fields["schema"]["fields"]:
            _row(words, (sheet.title, path, f["name"], f["type"], f.get("unit", ""), f["description"]))
    for line in _opening(root, study, [(s, JOINED if s == "results joined" else "") for s in book.sheetnames]):
        _row(first, line)
    return settled(book), tuple(book.sheetnames), tuple(left)


def _opening(root: Path, study: Study, sheets: list[tuple[str, str]]) -> Iterator[tuple[str, ...]]:
    records: Mapping[str, Any] = {r.name: r for r in read_records(root / "report/numbers.json")}
    yield ("study", study.title)
    yield ("question", study.question)
    for name, what in (("verdict_sentence", "verdict"), ("action", "action")):
        if name in records:
            yield (what, records[name].text())
    if study.invented:
        yield ("data", "invented")
    yield ("values", "as filed in the study's CSV files; no cell holds a formula; 'dictionary' has units and meanings")
    yield from (("sheet", name, what) for name, what in sheets)


def _name(path: str, taken: set[str]) -> str:
    """A sheet's name: its stage's number and its stem, at most 31 signs, new whatever the capitals."""
    parts = path.removesuffix(".csv").split("/")
    stem = f"{parts[1][:2]} {parts[-1]}" if parts[0] == "report" and len(parts) > 2 else parts[-1]
    base, low = FORBIDDEN.sub("_", stem)[:31], {t.casefold() for t in taken}
    tries = (base if k < 2 else f"{base[:28]} {k}" for k in range(1, 1000))
    return next(t for t in tries if t.casefold() not in low)


def _typed(text: str, kind: str) -> Any:
    """A cell as number, day or text; what a spreadsheet cannot hold as a number stays as it is written."""
    if not text:
        return None
    if kind in ("integer", "number") and not text.lstrip("+-").startswith("inf"):
        return int(text) if kind == "integer" and len(text) < 16 else float(text)
    return date.fromisoformat(text) if kind == "date" and text >= "1900-03-01" else text


def _row(sheet: Any, values: Any) -> None:
    """Append a row of values; a text is never a formula."""
    sheet.append(list(values))
    for cell in sheet[sheet.max_row]:
        if cell.data_type == "f":
            cell.data_type = "s"


def _figures(root: Path, to: Path) -> int:
    """Copy the figures of the report in all their forms, and list their captions and alternative texts."""
    rows: list[tuple[str, str, str]] = []
    for picture in sorted((root / "report").glob("*/figure-*.png")):
        caption, words = _words(picture)
        name = _called(picture, caption, {r[0].removesuffix(".png") for r in rows})
        (to / FIGURES).mkdir(exist_ok=True)
        for form in (picture.with_suffix(kind) for kind in FORMS):
            if form.is_file():
                shutil.copyfile(form, to / FIGURES / f"{name}{form.suffix}")
        rows.append((f"{name}.png", caption, words))
    if rows:
        write_csv(to / FIGURES / CAPTIONS, pd.DataFrame(rows, columns=["figure", "caption", "in words"]))
    return len(rows)


def _called(picture: Path, caption: str, taken: set[str]) -> str:
    """A file's name without its end: stage and the first words of the caption, which stay when figures come or go."""
    words = re.findall(r"[a-z0-9]+", unicodedata.normalize("NFKD", re.split(r"[.;:]", caption)[0]).casefold())
    base = "-".join([picture.parent.name, *(words[:MOST_WORDS] or [picture.stem])])
    tries = (base if k < 2 else f"{base}-{k}" for k in range(1, 1000))
    return next(t for t in tries if t not in taken)


def _words(picture: Path) -> tuple[str, str]:
    """Caption and alternative text of a figure, from the notebook that drew it."""
    notebook = json.loads((picture.parent / f"{picture.parent.name}.ipynb").read_text(encoding="utf-8"))
    found = [o["metadata"]["image/png"] for c in notebook["cells"] for o in c.get("outputs", ())
             if "image/png" in o.get("metadata", {})]
    number = int(picture.stem.rpartition("-")[2])
    own = found[number - 1] if number <= len(found) else {}
    return str(own.get("caption", "")), str(own.get("alt", ""))
