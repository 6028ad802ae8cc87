"""The tidy tables' files as text cells, each row with its line; faults of the file's shape beside them."""

from __future__ import annotations

import csv
import difflib
import io
from pathlib import Path

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.core.files import read_bytes
from studykit.study.columns import RESULTS, TableSpec

LINE = "_line"


def read_cells(path: Path, spec: TableSpec) -> tuple[pd.DataFrame, list[Fault]]:
    """A CSV file as text cells with the line of each row in ``_line``; faults of its shape beside it."""
    name = spec.file
    try:
        data = read_bytes(path, name, _where_from(spec))
        text = data.decode("utf-8-sig")
    except BadInput as error:
        return no_cells(spec), list(error.faults)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return no_cells(spec), [Fault(file=name, row=line, reason="is not UTF-8 text", remedy="save it as CSV UTF-8")]
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    faults: list[Fault] = []
    header: list[str] = []
    start = 0
    try:
        for row in reader:
            line, start = start + 1, reader.line_num
            if not header:
                header = [h.strip() for h in row]
            elif not any(c.strip() for c in row):
                continue
            elif [c.strip() for c in row] == header:
                faults.append(Fault(file=name, row=line, value=header[0], reason="the header stands here again",
                                    remedy="remove this line"))
            elif len(row) != len(header):
                reason = f"has {_cells(len(row))} where the header has {len(header)}"
                faults.append(Fault(file=name, row=line, reason=reason, remedy="add or remove the separators"))
            else:
                rows.append(row)
                lines.append(line)
    except csv.Error as error:
        faults.append(Fault(file=name, row=reader.line_num, reason=f"cannot be read as CSV: {error}",
                            remedy="close the quotation marks of this line"))
    if not header:
        return no_cells(spec), [Fault(file=name, reason="the file is empty", remedy=_where_from(spec))]
    faults = _header_faults(header, spec) + faults
    if len(set(header)) != len(header):
        return no_cells(spec), faults
    table = pd.DataFrame(rows, columns=header, dtype=object)
    table[LINE] = lines
    return table, faults


def _cells(number: int) -> str:
    return f"{number} cell{'' if number == 1 else 's'}"


def _where_from(spec: TableSpec) -> str:
    return "run the intake: studykit report FOLDER" if spec is RESULTS else "write it; see docs/data-dictionary.md"


def no_cells(spec: TableSpec) -> pd.DataFrame:
    """The cells of a table without rows."""
    return pd.DataFrame({c: pd.Series(dtype=object) for c in (*spec.names, LINE)})


def _header_faults(header: list[str], spec: TableSpec) -> list[Fault]:
    """Faults of a header: wrong delimiter, a name twice, a required column missing, a misspelt name."""
    name = spec.file
    if len(header) == 1 and any(d in header[0] for d in ";\t|"):
        reason = "the header is one cell: the file is not separated by commas"
        return [Fault(file=name, row=1, value=header[0], reason=reason, remedy="save it as comma-separated CSV")]
    faults = []
    for twice in sorted({h for h in header if header.count(h) > 1}):
        faults.append(Fault(file=name, row=1, column=twice, reason="this header stands twice", remedy="rename one"))
    absent = [c for c in spec.names if c not in header]
    for unknown in (h for h in header if h not in spec.names):
        close = difflib.get_close_matches(unknown, absent, n=1, cutoff=0.8)
        if close:
            faults.append(Fault(file=name, row=1, column=unknown, reason="is not a known column",
                                remedy=f"did you mean {close[0]!r}?"))
        elif not spec.extra_allowed:
            faults.append(Fault(file=name, row=1, column=unknown, reason="is not a known column",
                                remedy="remove it; known are " + ", ".join(spec.names)))
    for column in spec.columns:
        if column.required and column.name not in header:
            faults.append(Fault(file=name, row=1, column=column.name, reason="this required column is missing",
                                remedy=f"add it: {column.meaning}"))
    return faults
