"""Kinds of what stands beside the results and is set aside: names that are no analytes, factors, shifted tables."""

from __future__ import annotations

import re
from decimal import Decimal

from tests.intake.labfiles.build import Builder
from tests.intake.labfiles.kinds_layout import data_rows, head
from tests.intake.labfiles.model import Cell, Row
from tests.intake.labfiles.registry import add

#: a name among the analytes, what it says of nearly all samples, of one, of every one ('' for not so)
NAMES = (
    ("Sample valid", "yes", "no"), ("Remark", "", "invalid"), ("Status", "final", "withdrawn"), ("QC", "pass", "fail"),
    ("Dilution factor", "1", "2"), ("Dilution", "1", "10"), ("Preparation", "as received", "filtered"),
    ("Comment", "", "do not use"), ("Bemerkung", "", "Probe verwechselt"), ("Fraction", "whole", "supernatant"),
    ("Flag", "", "<"), ("Faktor", "1", "5"), ("Approved", "yes", ""),
)
HARMLESS = (("Density", "0.871", "0.872"), ("Iron", "2", "41"), ("Analyst", "MK", "JL"),
            ("Received", "2026-05-02", "2026-05-03"), ("Position", "1", "2"),
            ("Appearance", "clear", "clear"), ("Temperature", "23.1", "22.9"))

def _name_aside(b: Builder, name: str, said: dict[str, str]) -> None:
    """A name that is set to "" and has a text for every sample, as a line of each, a line of all, or a column."""
    b.later("map", lambda x: x.maps["analytes"].__setitem__(name, ""))
    rows = data_rows(b)
    if b.style.layout == "wide-samples":
        at = max(i for i, r in enumerate(b.sheet.rows) if r in rows) + 1
        b.sheet.rows.insert(at, Row([Cell(name if k == 0 else said.get(c.text, "")) for k, c in enumerate(head(b).cells)]))
    elif b.style.layout == "wide":
        head(b).cells.append(Cell(name))
        for row in b.sheet.rows[b.header_line:]:
            if len(row.cells) > 2:
                row.cells.append(Cell(said[row.cells[0].text] if row in rows else ""))
    else:
        for code, text in said.items():
            own = [i for i, r in enumerate(b.sheet.rows) if r in rows and r.cells[0].text == code]
            like = b.sheet.rows[own[-1]].cells
            cells = [Cell(c.text) for c in like]
            cells[1], cells[2] = Cell(name), Cell(text)
            for k, heading in enumerate(head(b).cells):
                if heading.text in ("Unit", "Remark"):
                    cells[k] = Cell()
            b.sheet.rows.insert(own[-1] + 1, Row(cells))

def _decides(name: str, usual: str, odd: str):  # type: ignore[no-untyped-def]
    def apply(b: Builder) -> None:
        one = b.rng.choice(b.codes)
        _name_aside(b, name, {c: odd if c == one else usual for c in b.codes})
        for det in b.dets:
            if det.sample == one:
                det.truth.is_result, det.truth.value, det.truth.agree = False, None, False

    return apply

def _all(name: str, text: str):  # type: ignore[no-untyped-def]
    def apply(b: Builder) -> None:
        _name_aside(b, name, dict.fromkeys(b.codes, text))
        for det in b.dets:
            det.truth.is_result, det.truth.value, det.truth.agree = False, None, False

    return apply

def _says_nothing(name: str, usual: str, other: str):  # type: ignore[no-untyped-def]
    def apply(b: Builder) -> None:
        texts = [b.number(Decimal(t)) if re.fullmatch(r"[0-9]+\.[0-9]+", t) else t for t in (usual, other)]
        _name_aside(b, name, {c: b.rng.choice(texts) for c in b.codes})

    return apply

for _name, _usual, _odd in NAMES:
    add(f"{_name!r} among the analytes says {_odd!r} once, set to nothing", "names set aside", False, "grid",
        _decides(_name, _usual, _odd), slots="width rows name cell")
for _name, _text in (("Factor (to multiply)", "10"), ("To be multiplied by", "2"), ("Multiplikator", "100")):
    add(f"{_name!r} among the analytes says {_text!r} of all, set to nothing", "names set aside", False, "grid",
        _all(_name, _text), slots="width rows name cell")
for _name, _usual, _odd in HARMLESS:
    add(f"{_name!r} among the analytes, set to nothing", "names set aside", True, "grid", _says_nothing(_name, _usual, _odd),
        slots="width rows name")
