"""Every spelling of every unit, and texts of numbers under every pair of signs, for ``tests.kept``."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np

from studykit.core import units
from studykit.core.numbertext import (
    NumberFormat,
    detect_format,
    parse_number,
    plain_cell,
    safe_cell,
    tidy_text,
    unwrapped,
)
from tests.kept import Cases, Kept, condensed, kept

FORMATS = tuple(NumberFormat(decimal=d, thousands=t) for d in ".," for t in ("", ".", ",", " ", "'") if d != t)
NUMBERS = ("0", "1", "-1", "+2.5", "−3", ".5", ",5", "5.", "1.000", "1,000", "1.000,5", "1,000.5", "1 000", "1'000",
           "1’000,25", "12.345.678", "12,345,678", "1234.567", "0.123", "01.5", "0,123", "1e5", "1E-7", "1,5e+3",
           "1.5e400", "1e-400", "0e-400", "1.2.3", "1,2,3", "1.23,45", "1 00", "12 345,6", "abc", "", "1_000", "１",
           "inf", "nan", "- 1", "5 mg", "--1", "0.000", "1,0000", "10,000", "100.000", "1000.000", "0,000", " 1.5 ",
           "1\u202f000", "1'00", "'", "1.", "1.e3", "9" * 20)
SETS = ((), ("1", "2"), ("1.5", "2"), ("1,5", "2"), ("1,500", "2"), ("1,500", "1,5"), ("1.500", "1,5"),
        ("1,234,567", "1.5"), ("1.234.567",), ("1,234.5",), ("1.234,5",), ("1.5", "1,5"), ("1 000", "1,5"),
        ("1 000", "1'000"), ("1'000,5",), ("1 000", "1.5", "2,5"), ("1,234", "12,345"), ("0,123",),
        ("1,234,567", "1,5"), ("abc", "1.5"), ("−1,5",), ("1.5e3", "2"), ("+1.234",), ("1.234.567", "1.5"),
        ("1.234.567", "1,234,567"), ("12 34",), ("1.234,567", "1.234"))
CELLS = ("=1+1", "+5", "-3.2", "-", "@x", "\tx", "\nx", " =x", "x", "", "'x", "'=x", "-1e5", "+1,5e-3", "＝x", "-x",
         "--1", " -5 ", "'+5", "'\tx")


def _units() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    every = [(kind, unit, spelling) for kind, known in units._UNITS.items() for unit, (_, others) in known.items()
             for spelling in (unit, *others)]
    words += [f"{s} {units.parse_unit(s)} {units.kind_of(s)}" for _, _, s in every]
    names = list(dict.fromkeys(unit for _, unit, _ in every))
    for one in names:
        row: list[float | None] = []
        told: list[str] = []
        for other in names:
            for rho in (None, 870.0):
                try:
                    rule = units.conversion(one, other, rho)
                except ValueError as error:
                    row.append(None)
                    told.append(f"{one} {other} {rho}: {error}")
                    continue
                row += [float(rule.apply(3.7)), float(rule.apply(np.array([0.2]))[0])]
                told.append(rule.sentence())
        out += [(f"from {one}", condensed(row)), (f"from {one}, in words", condensed(told))]
    for text in ("", " ", "MG/KG", "mg / kg", "Cst", "mg/kgg", " ppm ", "PPM", "degc", "99.9", "101", "4999"):
        try:
            words.append(f"{text} {units.parse_unit(text)}")
        except ValueError as error:
            words.append(f"{text}: {error}")
    for rho in (99.0, 100.0, 5000.0, 5001.0):
        try:
            words.append(f"{units.convert(1.0, 'mg/L', 'mg/kg', rho):.9g}")
        except ValueError as error:
            words.append(str(error))
    return kept(out, words)


def _numbers() -> Kept:
    words = []
    for form, text in product(FORMATS, NUMBERS):
        found = parse_number(text, form)
        words.append(f"{form.decimal}{form.thousands} {text}: {found.value!r} {found.reason} {found.remedy} {found.rules}")
    words += [f"{texts}: {f.form} {f.reason} {f.example}" for texts in SETS for f in (detect_format(texts),)]
    words += [f"{text!r} {safe_cell(text)!r} {plain_cell(text)!r} {plain_cell(safe_cell(text))!r} {tidy_text(text)!r}"
              for text in (*CELLS, *NUMBERS)]
    words += [f"{text} {unwrapped(text)}" for text in ('="16.1"', "'5", "'<5", "'x", "'- 5", '="', "'−5", '="a"b"')]
    return kept((), words)


QUICK: Cases = {"units": _units, "numbers": _numbers}
SLOW: Cases = {}
