"""The cells of a spreadsheet as stored and as shown, read in one process of its own with limits of memory and time.

A crafted or damaged file can make any reader ask for more memory than there is, or never end. All spreadsheets
are therefore read by ``python -m studykit.intake.sheetcells``, one process for a whole intake, which answers in
JSON and may fail alone. Where the platform has resource limits (Linux, macOS) it may use one gigabyte at most;
elsewhere the checks before opening (`bounds`) and the time limit stand alone.

Stored values come from python-calamine. What is shown, struck, hidden or commented comes from a second reader:
openpyxl for XLSX, xlrd for XLS, our own for ODS (`odscells`).
"""

from __future__ import annotations

import atexit
import contextlib
import datetime as dt
import io
import json
import os
import re
import subprocess
import sys
import threading
import zipfile
from dataclasses import asdict
from typing import Any, BinaryIO

from studykit.core.numbertext import tidy_text
from studykit.intake import bounds, looks
from studykit.intake.cellmodel import MOST_CELLS, MOST_COLUMNS, Doubt, Look, SheetCells, UnreadableError
from studykit.intake.numberformat import MORE, agrees, as_shown

CHILD_SECONDS = 20
CHILD_BYTES = 950_000_000
_BETWEEN = re.compile(rb">\s+(</?table:)")
FRESH_AFTER = 2_000_000
"""Bytes of a file after which the reading process is not used again, so that its memory is given back."""


def text_of(value: Any) -> str:
    """A cell's value as text: whole numbers without a point, dates as YYYY-MM-DD, 15 digits at most."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, (int, float)):
        return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else format(value, ".15g")
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time(0)
        return value.date().isoformat() if midnight else value.isoformat(sep=" ", timespec="seconds")
    if isinstance(value, dt.date):
        return value.isoformat()
    return "" if value is None else str(value)


# ---- in the reading process


def load(data: bytes, kind: str) -> list[SheetCells]:
    """All sheets that hold cells, by both readers; UnreadableError where the file is too large."""
    import python_calamine as calamine

    if kind == "xls":
        bounds.check_old(data)
    else:
        bounds.check_package(data, kind)
    book = _opened(data, kind)
    found: list[tuple[str, list[list[Any]], Any, bool]] = []
    for meta in book.sheets_metadata:
        if meta.typ != calamine.SheetTypeEnum.WorkSheet:
            continue
        sheet = book.get_sheet_by_name(meta.name)
        if sheet.end is None:
            continue
        height, width = sheet.end[0] + 1, sheet.end[1] + 1
        if height * width > MOST_CELLS or width > MOST_COLUMNS:
            raise UnreadableError(f"sheet {meta.name!r} reaches to row {height:,} and column {width:,}", "limit")
        found.append((meta.name, sheet.to_python(skip_empty_area=False), sheet,
                      meta.visible == calamine.SheetVisibleEnum.Visible))
    seen = looks.looks(data, kind, {name: rows for name, rows, _, _ in found})
    sheets = []
    for name, rows, sheet, visible in found:
        look = seen.get(name, Look())
        look.merged = look.merged or [(*a, *b) for a, b in (sheet.merged_cell_ranges or ())]
        look.state = look.state if visible else "hidden"
        sheets.append(_compared(name, rows, look, kind))
    return sheets


def _opened(data: bytes, kind: str) -> Any:
    """The workbook; an ODS with white space between its cells, which the library does not take, without that."""
    import python_calamine as calamine

    try:
        return calamine.load_workbook(io.BytesIO(data))
    except calamine.CalamineError:
        if kind != "ods":
            raise
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for part in archive.infolist():
            content = archive.read(part)
            target.writestr(part.filename, _BETWEEN.sub(rb">\1", content) if part.filename == "content.xml" else content)
    return calamine.load_workbook(io.BytesIO(out.getvalue()))


def _compared(title: str, rows: list[list[Any]], look: Look, kind: str) -> SheetCells:
    """Texts of one sheet, with a doubt for each stored number that its display does not bear out."""
    texts = [[text_of(v) for v in row] for row in rows]
    numeric = [[type(v) in (float, int) for v in row] for row in rows]
    for (i, k), shown in look.instead.items():
        while i < len(texts) and k >= len(texts[i]):
            texts[i].append("")
            numeric[i].append(False)
        if i < len(texts):
            texts[i][k], numeric[i][k] = shown, False
    for (i, k), shown in list(look.shown.items()):
        if i >= len(texts) or k >= len(texts[i]) or shown == texts[i][k]:
            del look.shown[i, k]
        elif numeric[i][k]:
            why = agrees(shown, float(rows[i][k]), local=kind == "ods")
            if why == MORE and (unit := _unit_behind(shown, float(rows[i][k]), kind)):
                texts[i][k] += " " + unit
            elif why:
                other = as_shown(shown, float(rows[i][k]), kind == "ods") if why.endswith("number") else ""
                look.doubt((i, k), "format", shown, f"{why} than is stored" if other else why, other)
    return SheetCells(title=title, texts=texts, numeric=numeric, look=look)


def _unit_behind(shown: str, value: float, kind: str) -> str:
    """The unit that a format writes behind a number which it does not change ('351.0 mg/kg'); '' for none."""
    from studykit.intake.unitwords import split_unit

    number, unit = split_unit(tidy_text(shown))
    return "" if not unit or agrees(number, value, local=kind == "ods") else unit


def serve(source: BinaryIO, target: BinaryIO) -> None:
    """Answer requests until the source ends: a line 'kind length', the bytes; back a line with a length, JSON."""
    while line := source.readline():
        kind, length = line.decode().split()
        data = source.read(int(length))
        try:
            answer: dict[str, Any] = {"sheets": [_flat(s) for s in load(data, kind)]}
        except BaseException as error:  # the reader's own panics are BaseException
            found = "password" if type(error).__name__ in ("PasswordError", "PermissionError") else (
                "limit" if isinstance(error, MemoryError) else getattr(error, "kind", ""))
            answer = {"error": str(error) or type(error).__name__, "kind": found}
        text = json.dumps(answer).encode()
        target.write(b"%d\n" % len(text) + text)
        target.flush()


def _flat(sheet: SheetCells) -> dict[str, Any]:
    look = sheet.look
    return {"title": sheet.title, "texts": sheet.texts, "numeric": sheet.numeric, "state": look.state,
            "shown": [(*p, t) for p, t in look.shown.items()], "formulas": sorted(look.formulas),
            "doubts": [(*p, asdict(d)) for p, d in look.doubts.items()], "rows": sorted(look.rows),
            "columns": sorted(look.columns), "merged": look.merged, "around": look.around}


def main() -> None:
    """The reading process: limits first, then requests."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (CHILD_BYTES, CHILD_BYTES))
    serve(sys.stdin.buffer, sys.stdout.buffer)


# ---- in the calling process


class _Reader:
    """The reading process, begun when first needed and ended with the program."""

    def __init__(self) -> None:
        self.process: subprocess.Popen[bytes] | None = None

    def ask(self, data: bytes, kind: str) -> dict[str, Any]:
        """The answer for one file; the process is ended where it takes too long."""
        if self.process is None or self.process.poll() is not None:
            self.end()
            environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}
            self.process = subprocess.Popen([sys.executable, "-P", "-m", "studykit.intake.sheetcells"], env=environment,
                                            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        process = self.process
        assert process.stdin is not None
        assert process.stdout is not None
        timer = threading.Timer(CHILD_SECONDS, process.kill)
        timer.start()
        try:
            process.stdin.write(f"{kind} {len(data)}\n".encode() + data)
            process.stdin.flush()
            length = int(process.stdout.readline() or b"-1")
            text = process.stdout.read(length) if length >= 0 else b""
        except OSError:
            text = b""
        finally:
            timer.cancel()
        if not text:
            self.end()
            raise UnreadableError(f"the reader gave up on it (at most {CHILD_BYTES // 1_000_000:,} MB and "
                                  f"{CHILD_SECONDS} s are spent on a file)", "limit")
        if len(data) > FRESH_AFTER or len(text) > 10 * FRESH_AFTER:
            self.end()
        answer: dict[str, Any] = json.loads(text)
        return answer

    def end(self) -> None:
        """End the process, where there is one."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            for stream in (self.process.stdin, self.process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
            self.process = None


_READER = _Reader()
atexit.register(_READER.end)


def load_apart(data: bytes, kind: str) -> list[SheetCells]:
    """As `load`, by the reading process; UnreadableError where it refuses or fails."""
    answer = _READER.ask(data, kind)
    if "error" in answer:
        raise UnreadableError(answer["error"], answer["kind"])
    return [_whole(s) for s in answer["sheets"]]


def _whole(flat: dict[str, Any]) -> SheetCells:
    look = Look(state=flat["state"], shown={(i, k): t for i, k, t in flat["shown"]},
                doubts={(i, k): Doubt(**(d | {"more": tuple((m, r) for m, r in d["more"])})) for i, k, d in flat["doubts"]},
                formulas={(i, k) for i, k in flat["formulas"]}, rows=set(flat["rows"]), columns=set(flat["columns"]),
                merged=[(a, b, c, d) for a, b, c, d in flat["merged"]], around=[(a, b) for a, b in flat["around"]])
    return SheetCells(title=flat["title"], texts=flat["texts"], numeric=flat["numeric"], look=look)


if __name__ == "__main__":
    # the module under its own name, so that there is one class of each kind
    from studykit.intake.sheetcells import main as run

    run()
