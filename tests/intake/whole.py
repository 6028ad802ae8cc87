"""Cells of results in every form, and sheets with everything odd in them, for ``tests.kept``."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from studykit.core.errors import BadInput
from studykit.core.numbertext import NumberFormat
from studykit.intake.values import parse_cell
from tests.intake_cases import CODES, LONG, WIDE, study, take
from tests.kept import Cases, Kept, columns, condensed, kept

CELLS = ("9.8", "9,8", "<1", "< 1,5", "≤1", "<=1", ">10000", "≥ 5", "＜2", "", "  ", "n.d.", "ND", "trace", "< LOQ",
         "-", "n/a", "9.8*", "ca. 5", "<", "<abc", "<-1", "<0", "<<1", "=B2*2", "#DIV/0!", "9.8 h", "9.8 mg/kg",
         "<5 mg/kg", "9.8 ± 0.4", "9.8 +/- 10", "9.8 (0.4)", "-9.8 ± 0.4", "(9.8 ± 0.4) (k = 2)", "9.8 ± 4 %",
         "9.8 (n=3)", "9.8 U", "2.0 J", "5 x", "less than 3", "below 3", "more than 7", "above 7", "‹ 4", "9.8\n10.1",
         "9.8  10.1", "'9.8", '="9.8"', "nil", "K 4", "K4.", "0", "absent", "12 abc", "1.000", "1,000", "1 000",
         "no result", "9.8 Foo", "−3", "over 9", "9.8 %", "0.0", "-0.5", "1e3")
WORDS = {"nil": "below limit", "K 4": "below limit", "absent": "not measured", "*": "number", "U": "below limit",
         "J": "above limit", "x": "not measured", "no result": "above limit", "12 abc": "number", "0": "below limit",
         "K4.": "number"}
FILE = """Code,Test,Result,Unit,Q,Rep,When
B001,Si,9.8,mg/kg,,1,2026-02-03
B001,Si,<2,mg/kg,,2,2026-02-03
B002,Si,n.d.,mg/kg,,,
B003,Si,0.002,% (m/m),,,2026-02-03
B003,P,101,% (m/m),,,
B002,P,-3,mg/kg,,,
B001,P,0,mg/kg,,,
B001,KV40,46,cSt,,,
B002,KV40,46,mg/kg,,,
B003,KV40,,cSt,,,
B009,Si,5,mg/kg,,,
B003,Xx,5,mg/kg,,,
007,Si,7 ppm,,,,
1E5,Si,8,mg/kg,<,,
1E5,P,9,mg/kg,>,,
1E5,KV40,50,mm2/s,=,0,
007,P,10,mg/kg,x,,
007,KV40,n.d.,cSt,,,
"""
TABLE = """Sample,Si,P,KV40
,mg/kg,% (m/m),cSt
B001,9.8,0.02,46
B002,<2,101,47
B003,n.d.,102,
007,-1,103,48
1E5,5,0.4,x
"""
MEANT = '[file.words]\n"n.d." = "below limit"\n'
MORE = LONG.replace('unit = "Unit"', 'unit = "Unit"\nqualifier = "Q"\nreplicate = "Rep"\nreported_on = "When"')


def with_blank(meaning: str) -> str:
    """The entry that says what a blank cell means."""
    return MORE.replace('layout = "long"', f'layout = "long"\nblank = "{meaning}"')


UNITS = WIDE.replace('P = "mg/kg"', 'P = "% (m/m)"\nKV40 = "mm2/s"')
SHEETS = ((LONG, FILE), (MORE, FILE), (MORE + MEANT + '"x" = "not measured"\n[file.limits]\nSi = 1\n', FILE),
          (with_blank("not measured") + '[file.analytes]\nXx = "P"\n[file.confirmed]\n"B002 P" = "lead, by phone"\n', FILE),
          (with_blank("below limit") + "[file.limits]\nKV40 = 2\nSi = 3\n", FILE),
          (UNITS, TABLE.replace(",mg/kg,% (m/m),cSt\n", "")),
          (UNITS + MEANT, TABLE.replace(",mg/kg,% (m/m),cSt\n", "").replace("x", "")))


def _cells() -> Kept:
    words: list[str] = []
    out: list[tuple[str, Any]] = []
    for form in (NumberFormat(), NumberFormat(decimal=","), NumberFormat(decimal=",", thousands=".")):
        for known in ({}, WORDS):
            read = [parse_cell(text, form, known) for text in CELLS]
            numbers = [x for c in read for x in (c.kind, c.number)]
            out.append((f"{form.decimal}{form.thousands}{len(known)}", condensed(numbers)))
            words += [f"{t}: {c.qualifier} {c.reason} {c.remedy} {c.unit} {c.rules}" for t, c in zip(CELLS, read, strict=True)]
    return kept(out, words)


def _sheets() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    for k, (intake, text) in enumerate(SHEETS):
        for absolute in (True, False):
            with tempfile.TemporaryDirectory() as folder:
                definition = study(absolute=absolute, Si={"limit": 5.0, "nominal": 10.0})
                try:
                    found = take(Path(folder), intake, {"lab.csv": text}, codes=CODES, definition=definition)
                except BadInput as error:
                    words += [f"{k} {absolute} {f.row} {f.column} {f.value}: {f.reason}; {f.remedy}" for f in error.faults]
                    continue
            out += columns(f"results {k} {absolute}", found.results)
            out += columns(f"rejected {k} {absolute}", found.rejected)
            words += [f"{k} {absolute} {r['sample']} {r['value']}: {r['reason']}" for r in found.rejected.to_dict("records")]
    return kept(out, words)


QUICK: Cases = {"cells": _cells, "sheets": _sheets}
SLOW: Cases = {}
