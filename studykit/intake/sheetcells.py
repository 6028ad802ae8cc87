"""The cells of a spreadsheet as text, by python-calamine; also as a process of its own for files without check sums.

An old binary file with a damaged size record can make the reader ask for more memory than there is,
which ends its whole process. Such files are therefore read by ``python -m studykit.intake.sheetcells``, which
takes the bytes on standard input, writes JSON on standard output, and may fail alone.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import json
import subprocess
import sys
from dataclasses import asdict, dataclass
from typing import Any

import python_calamine as calamine

CHILD_SECONDS = 120
CHILD_BYTES = 4_000_000_000
_GAVE_UP = {"error": "the reader gave up on it"}


class TooLargeError(ValueError):
    """A sheet that reaches beyond the limit; the text says how far."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCells:
    """One sheet from its first row and column: texts by row, which cells are stored numbers, merged ranges."""

    title: str
    visible: bool
    texts: list[list[str]]
    numeric: list[list[bool]]
    merged: list[tuple[int, int, int, int]]


def load(data: bytes, most: int) -> list[SheetCells]:
    """All sheets that hold cells; TooLargeError where one has more than ``most``, calamine's errors otherwise."""
    book = calamine.load_workbook(io.BytesIO(data))
    sheets = []
    for meta in book.sheets_metadata:
        if meta.typ != calamine.SheetTypeEnum.WorkSheet:
            continue
        sheet = book.get_sheet_by_name(meta.name)
        if sheet.end is None:
            continue
        height, width = sheet.end[0] + 1, sheet.end[1] + 1
        if height * width > most:
            raise TooLargeError(f"sheet {meta.name!r} reaches to row {height:,} and column {width:,}")
        rows = sheet.to_python(skip_empty_area=False)
        merged = [(a[0], a[1], b[0], b[1]) for a, b in (sheet.merged_cell_ranges or ())]
        sheets.append(SheetCells(
            title=meta.name, visible=meta.visible == calamine.SheetVisibleEnum.Visible, merged=merged,
            texts=[[text_of(v) for v in row] for row in rows],
            numeric=[[type(v) in (float, int) for v in row] for row in rows]))
    return sheets


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


def load_apart(data: bytes, most: int) -> list[SheetCells]:
    """As `load`, in a process of its own; ValueError where that process fails, PermissionError for a password."""
    call = [sys.executable, "-m", "studykit.intake.sheetcells", str(most)]
    try:
        done = subprocess.run(call, input=data, capture_output=True, timeout=CHILD_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        raise ValueError(f"the reader did not finish within {CHILD_SECONDS} s") from None
    try:
        answer: dict[str, Any] = json.loads(done.stdout) if done.returncode == 0 else dict(_GAVE_UP)
    except ValueError:
        answer = dict(_GAVE_UP)
    if "error" in answer:
        kind = {"TooLargeError": TooLargeError, "PasswordError": PermissionError}.get(answer.get("kind", ""), ValueError)
        raise kind(answer["error"])
    return [SheetCells(**s) for s in answer["sheets"]]


def main() -> None:
    """Read bytes from standard input, write the sheets or the error as JSON."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (CHILD_BYTES, CHILD_BYTES))
    try:
        sheets = load(sys.stdin.buffer.read(), int(sys.argv[1]))
        answer: dict[str, Any] = {"sheets": [asdict(s) for s in sheets]}
    except BaseException as error:  # the reader's own panics are BaseException
        answer = {"error": str(error) or type(error).__name__, "kind": type(error).__name__}
    sys.stdout.write(json.dumps(answer))


if __name__ == "__main__":
    main()
