"""Files that must be refused or read within bounds: bombs and broken containers.

    python -m tests.intake.labfiles.hostile [NAME ...]     runs the command on each, with its memory and time

Each child may use 4 GB of address space and 45 seconds; the limits asked for are 1 GB and 30 seconds.
"""

from __future__ import annotations

import io
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.intake.labfiles.generate import make_case, write_study
from tests.intake.labfiles.writers import _zipped


def _parts(data: bytes) -> dict[str, str]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {n: archive.read(n).decode("utf-8") for n in archive.namelist()}


def _xlsx(change: Callable[[dict[str, str]], None]) -> tuple[str, bytes]:
    seed = next(s for s in range(1, 400) if make_case(s, ["plain"]).container == "xlsx")
    data = next(iter(make_case(seed, ["plain"]).files.values()))
    parts = _parts(data)
    change(parts)
    return "xlsx", _zipped(parts)


def _ods(change: Callable[[dict[str, str]], None]) -> tuple[str, bytes]:
    seed = next(s for s in range(1, 400) if make_case(s, ["plain"]).container == "ods")
    parts = _parts(next(iter(make_case(seed, ["plain"]).files.values())))
    change(parts)
    return "ods", _zipped(parts, stored=("mimetype",))


def _sub(name: str, old: str, new: str) -> Callable[[dict[str, str]], None]:
    def change(parts: dict[str, str]) -> None:
        key = next(k for k in parts if k.endswith(name))
        if old not in parts[key]:
            raise ValueError(f"{old} is not in {key}")
        parts[key] = parts[key].replace(old, new, 1)

    return change


SHEET = "sheet1.xml"
BOMBS: dict[str, Callable[[], tuple[str, bytes]]] = {
    "xlsx: a million empty rows": lambda: _xlsx(
        _sub(SHEET, "</sheetData>", "".join(f'<row r="{i}"/>' for i in range(1000, 1_000_000)) + "</sheetData>")
    ),
    "xlsx: one cell at XFD1048576": lambda: _xlsx(
        _sub(SHEET, "</sheetData>", '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>')
    ),
    "xlsx: one heading in column XFD": lambda: _xlsx(_sub(SHEET, "</row>", '<c r="XFD1"><v>1</v></c></row>')),
    "xlsx: dimension of the whole sheet": lambda: _xlsx(
        _sub(SHEET, "<sheetData>", '<dimension ref="A1:XFD1048576"/><sheetData>')
    ),
    "xlsx: 50 merges of whole columns": lambda: _xlsx(
        _sub(
            SHEET,
            "</sheetData>",
            '</sheetData><mergeCells count="50">'
            + "".join(f'<mergeCell ref="A{i}:XFD1048576"/>' for i in range(50, 100))
            + "</mergeCells>",
        )
    ),
    "xlsx: a string of 300 MB": lambda: _xlsx(
        _sub("sharedStrings.xml", "</sst>", "<si><t>" + "9" * 300_000_000 + "</t></si></sst>")
    ),
    "xlsx: document type with entities": lambda: _xlsx(
        _sub(
            SHEET,
            "<worksheet",
            '<!DOCTYPE x [<!ENTITY a "99999">'
            '<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]><worksheet',
        )
    ),
    "xlsx: document type after 6,000 bytes": lambda: _xlsx(
        _sub(SHEET, "<worksheet", "<!--" + "x" * 6000 + '--><!DOCTYPE x [<!ENTITY a "9">]><worksheet')
    ),
    "xlsx: 100,000 deep elements": lambda: _xlsx(
        _sub(SHEET, "</sheetData>", "</sheetData>" + "<a>" * 100_000 + "</a>" * 100_000)
    ),
    "xlsx: 65,000 styles": lambda: _xlsx(
        _sub(
            "styles.xml",
            "</cellXfs>",
            '<xf numFmtId="0" fontId="0" fillId="0" borderId="0"/>' * 65_000 + "</cellXfs>",
        )
    ),
    "ods: a row repeated a million times": lambda: _ods(
        _sub(
            "content.xml",
            "</table:table>",
            '<table:table-row table:number-rows-repeated="1048500"><table:table-cell office:value-type="float" '
            'office:value="1"><text:p>1</text:p>'
            "</table:table-cell></table:table-row></table:table>",
        )
    ),
    "ods: a cell repeated 16,384 times in 60,000 rows": lambda: _ods(
        _sub(
            "content.xml",
            "</table:table>",
            '<table:table-row table:number-rows-repeated="60000"><table:table-cell table:number-columns-repeated="16384" '
            'office:value-type="float" '
            'office:value="1"><text:p>1</text:p></table:table-cell></table:table-row></table:table>',
        )
    ),
    "ods: empty cells repeated two thousand million times": lambda: _ods(
        _sub(
            "content.xml",
            "</table:table>",
            '<table:table-row table:number-rows-repeated="2000000000">'
            '<table:table-cell table:number-columns-repeated="2000000000"/></table:table-row></table:table>',
        )
    ),
    "ods: text:s two thousand million spaces": lambda: _ods(
        _sub("content.xml", "<text:p>", '<text:p><text:s text:c="2000000000"/>')
    ),
    "ods: document type with entities": lambda: _ods(
        _sub("content.xml", "<office:document-content", '<!DOCTYPE x [<!ENTITY a "9">]><office:document-content')
    ),
    "ods: a million empty rows": lambda: _ods(
        _sub("content.xml", "</table:table>", "<table:table-row><table:table-cell/></table:table-row>" * 1_000_000
             + "</table:table>")
    ),
    "ods: 65,000 styles": lambda: _ods(
        _sub("content.xml", "<office:body", "<office:automatic-styles>" + "".join(
            f'<style:style style:name="s{i}" style:family="table-cell"/>' for i in range(65_000))
             + "</office:automatic-styles><office:body")
    ),
    "ods: 200,000 column elements": lambda: _ods(
        _sub("content.xml", "<table:table-row", "<table:table-column/>" * 200_000 + "<table:table-row")
    ),
    "xlsx: 500,000 hidden columns elements": lambda: _xlsx(
        _sub(SHEET, "<sheetData>", "<cols>" + '<col min="1" max="16384" hidden="1"/>' * 500_000 + "</cols><sheetData>")
    ),
    "xlsx: 200,000 shared strings with runs": lambda: _xlsx(
        _sub("sharedStrings.xml", "</sst>", "<si><r><rPr><strike/></rPr><t>1</t></r><r><t>2</t></r></si>" * 200_000 + "</sst>")
    ),
    "xlsx: 400,000 filled cells": lambda: _xlsx(
        _sub(SHEET, "</sheetData>", "".join(
            f'<row r="{i}">' + "".join(f'<c r="{c}{i}"><v>1</v></c>' for c in "ABCDEFGH") + "</row>"
            for i in range(1_000, 51_000)) + "</sheetData>")
    ),
    "csv: one cell of a million digits and spaces": lambda: (
        "csv", b"Sample,Si [mg/kg]\nK72PX," + b"1 " * 500_000 + b"\nK72PX," + b"1'1" * 300_000 + b"x\n"),
    "csv: one line of 100 MB": lambda: ("csv", b"Sample,Si [mg/kg]\nK72PX,9.8\n" + b"9" * 100_000_000),
    "csv: 200,000 columns": lambda: (
        "csv",
        b",".join(b"c%d" % i for i in range(200_000)) + b"\n" + b",".join([b"1"] * 200_000) + b"\n",
    ),
    "csv: a million quotes": lambda: ("csv", b"Sample,Si [mg/kg]\n" + b'"' * 1_000_001 + b"\n"),
    "csv: ten million empty lines": lambda: ("csv", b"Sample,Si [mg/kg]\n" + b"\n" * 10_000_000 + b"K72PX,9.8\n"),
}


def _limits() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))


@dataclass(frozen=True)
class Met:
    """How the command met a bomb: exit code (-9: ended for its time), processor and wall seconds, peak memory, last words."""

    size: int
    code: int
    processor: float
    wall: float
    megabytes: float
    words: str


WATCH = """import json, os, subprocess, sys
command = subprocess.Popen(sys.argv[2:])
_, status, used = os.wait4(command.pid, 0)
with open(sys.argv[1], "w") as file:
    json.dump([os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime, used.ru_maxrss], file)
"""
"""A small process that starts the command: the peak of a process begins with that of whoever forked it."""


def meet(name: str, place: Path, limit: float = 90.0) -> Met:
    """Run the intake command on one bomb; peak memory is that of the command or of its reading process."""
    kind, data = BOMBS[name]()
    case = make_case(next(s for s in range(1, 400) if make_case(s, ["plain"]).container == kind), ["plain"])
    case.files = {next(iter(case.files)): data}
    write_study(case, place / "s")
    start = time.perf_counter()
    with (place / "said.txt").open("wb") as file:
        child = subprocess.Popen([sys.executable, "-S", "-c", WATCH, str(place / "used.json"), sys.executable, "-m", "studykit",
                                  "intake", str(place / "s")], stdout=file, stderr=subprocess.STDOUT, preexec_fn=_limits,
                                 start_new_session=True)
        late = threading.Timer(limit, os.killpg, (child.pid, signal.SIGKILL))
        late.start()
        child.wait()
        late.cancel()
    used = place / "used.json"
    code, processor, kilobytes = json.loads(used.read_text()) if used.exists() else (-int(signal.SIGKILL), limit, 0)
    text = (place / "said.txt").read_bytes().decode("utf-8", "replace").strip().splitlines()[-1:] or [""]
    return Met(size=len(data), code=code, processor=processor, wall=time.perf_counter() - start, megabytes=kilobytes / 1024,
               words=text[0])


def main() -> None:
    """Each bomb through the command, as a table."""
    print("| bomb | bytes | exit | processor s | wall s | peak MB | last words |\n|---|---:|---:|---:|---:|---:|---|")
    for name in sys.argv[1:] or list(BOMBS):
        with tempfile.TemporaryDirectory(prefix="hostile") as place:
            m = meet(name, Path(place))
        print(f"| {name} | {m.size:,} | {m.code} | {m.processor:.1f} | {m.wall:.1f} | {m.megabytes:.0f} | {m.words[:110]} |",
              flush=True)


if __name__ == "__main__":
    main()
