"""A filed study for other programs: the tables that are asked for first in one workbook, all others in a second; figures.

Each workbook begins with its contents, a link a sheet, and ends with its dictionary. They hold values only: a text of
somebody that looks like a formula stays a text.
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

BOOK, STAGES, FIGURES, CAPTIONS = "tables.xlsx", "stages.xlsx", "figures", "captions.csv"
CONTENTS, DICTIONARY, RESULTS = "contents", "dictionary", "results joined.csv"
FIRST = (
    *(f"report/06-verdict/{name}.csv" for name in (
        "verdicts", "uses", "containers-beyond", "containers-within", "shares", "groups", "time-answers", "time-actions",
        "cannot")),
    RESULTS, "report/00-study/margins.csv", "report/04-quality/flags.csv", "report/04-quality/explanations.csv",
    "report/05-model/depth-means.csv", "plan/containers.csv", "plan/samples.csv", "plan/exclusions.csv", "tidy/rejected.csv")
"""The tables of the first workbook in their order, as far as a study has them: what was found, then what it rests on."""
FORMS = (".png", ".svg", ".pdf")
MOST_WORDS = 10
"""Words of a caption that name a file."""
MOST_ROWS = 1_048_575
FORBIDDEN = re.compile(r"[\[\]:*?/\\']")
JOINED = "one determination per row, joined to its sample and its container"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What was written: both workbooks, their sheets, the figures, tables that no sheet held, what is newer than the report."""

    book: Path
    sheets: tuple[str, ...]
    stages: Path
    stage_sheets: tuple[str, ...]
    figures: int
    left_out: tuple[str, ...]
    older: tuple[str, ...] = ()


def export(root: Path, to: Path) -> Exported:
    """Write tables.xlsx, stages.xlsx and figures/ of a filed study into the folder ``to``.

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
        books, left = _books(root, study)
        for name, (data, _) in books.items():
            write_bytes(made / name, data)
        figures = _figures(root, made)
    return Exported(book=to / BOOK, sheets=books[BOOK][1], stages=to / STAGES, stage_sheets=books[STAGES][1], left_out=left,
                    figures=figures, older=older_than(root))


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


def _books(root: Path, study: Study) -> tuple[dict[str, tuple[bytes, tuple[str, ...]]], tuple[str, ...]]:
    """Both workbooks as bytes with the names of their sheets, and the tables that are too long for a sheet."""
    told = {p.parent.name: captions(p.read_text(encoding="utf-8")) for p in sorted((root / "report").glob("*/[!.]*.ipynb"))}
    files = {RESULTS: _joined(root).to_csv(index=False).encode(), **_tables(root)}
    rows = {path: list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""))) for path, data in files.items()}
    left = tuple(path for path, own in rows.items() if len(own) - 1 > MOST_ROWS)
    about = {path: resource(path, files[path], "x", "", told) for path in files if path not in left}
    asked = [path for path in FIRST if path in about]
    inner = sorted(set(about) - set(asked), key=lambda path: (not path.startswith("report/"), path))
    opening = tuple(_opening(root, study))
    return {name: _book(paths, rows, about, (*opening, ("other tables", f"in {other}, beside this workbook")))
            for name, paths, other in ((BOOK, asked, STAGES), (STAGES, inner, BOOK))}, left


def _book(paths: list[str], rows: Mapping[str, list[list[str]]], about: Mapping[str, dict[str, Any]],
          opening: tuple[tuple[str, str], ...]) -> tuple[bytes, tuple[str, ...]]:
    """One workbook: contents, a sheet a table, dictionary."""
    from openpyxl import Workbook

    book, words = Workbook(), [("sheet", "file", "column", "type", "unit", "meaning")]
    first, names, listed = book.active, {CONTENTS, DICTIONARY}, list[tuple[str, str, int]]()
    first.title = CONTENTS
    for path in paths:
        sheet = book.create_sheet(_name(path, names))
        names.add(sheet.title)
        fields = about[path]["schema"]["fields"]
        for k, row in enumerate(rows[path]):
            _row(sheet, row if not k else [_typed(c, f["type"]) for c, f in zip(row, fields, strict=False)])
        sheet.freeze_panes = "A2"
        words += [(sheet.title, path, f["name"], f["type"], f.get("unit", ""), f["description"]) for f in fields]
        listed.append((sheet.title, JOINED if path == RESULTS else about[path]["description"], max(0, len(rows[path]) - 1)))
    last = book.create_sheet(DICTIONARY)
    for line in words:
        _row(last, line)
    listed.append((DICTIONARY, "every column of these sheets with its type, unit and meaning", len(words) - 1))
    _contents(first, opening, listed)
    return settled(book), tuple(book.sheetnames)


def _contents(sheet: Any, opening: tuple[tuple[str, str], ...], listed: list[tuple[str, str, int]]) -> None:
    """The first sheet: the study in a few lines, then every sheet as a link with what it holds and how many rows."""
    from openpyxl.styles import Font
    from openpyxl.worksheet.hyperlink import Hyperlink

    for line in opening:
        _row(sheet, line)
    _row(sheet, ())
    _row(sheet, ("sheet", "what it holds", "rows"))
    for name, what, number in listed:
        _row(sheet, (name, what, number))
        cell = sheet.cell(row=sheet.max_row, column=1)
        cell.hyperlink = Hyperlink(ref=cell.coordinate, location=f"'{name}'!A1")
        cell.font = Font(underline="single", color="1C4F7C")
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 26, 90


def _opening(root: Path, study: Study) -> Iterator[tuple[str, str]]:
    """The study in a few lines."""
    records: Mapping[str, Any] = {r.name: r for r in read_records(root / "report/numbers.json")}
    yield ("study", study.title)
    yield ("question", study.question)
    for name, what in (("verdict_sentence", "verdict"), ("verdict_sentence_at_lock", "verdict before a margin was changed"),
                       ("action", "action")):
        if name in records:
            yield (what, records[name].text())
    if study.invented:
        yield ("data", "invented")
    yield ("values", "as filed in the study's CSV files; no cell holds a formula; 'dictionary' has units and meanings")


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
