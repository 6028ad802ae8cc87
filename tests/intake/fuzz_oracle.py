"""An independent reading of a mutated text file, against which the intake's results are held.

It shares no code with the intake: the standard csv module, Decimal arithmetic and its own small
grammar. It is stricter than the intake is allowed to be wrong: a result that the oracle does not find
letter for letter in the named line of the file is a failure.
"""

from __future__ import annotations

import csv
import io
import re
from decimal import Decimal
from typing import Any

from tests.intake.fuzz_seeds import SAMPLES, STUDY, Seed

_FACTOR = {"mg/kg": {"mg/kg": 1, "ppm": 1, "µg/g": 1, "ug/g": 1, "g/t": 1, "g/kg": 1000, "% m/m": 10000, "µg/kg": "0.001",
                     "ug/kg": "0.001", "g/g": 1000000, "kg/kg": 1000000, "wt%": 10000, "mcg/g": 1, "ppb": "0.001"},
           "mm2/s": {"cSt": 1, "mm2/s": 1, "mm²/s": 1, "m2/s": 1000000}}
_BLANK = re.compile(r"[\s\u00a0\u2007\u2009\u202f\ufeff]+")


Held = dict[tuple[int, str, str, int], tuple[float, str]]


def squeeze(text: str) -> str:
    """Outer blanks off, inner blanks as one space."""
    return _BLANK.sub(" ", text).strip()


def number(text: str, decimal: str, thousands: str) -> Decimal | None:
    """A number under the signs, by a grammar of its own; None for anything else."""
    text = squeeze(text).replace("\u2212", "-").replace("\u2019", "'")
    sign = Decimal(1)
    if text[:1] in ("+", "-"):
        sign = Decimal(-1) if text[0] == "-" else sign
        text = text[1:]
    mantissa, mark, exponent = text.replace("E", "e").partition("e")
    whole, point, part = mantissa.partition(decimal)
    if thousands and thousands in whole:
        groups = whole.split(thousands)
        if mark or not 1 <= len(groups[0]) <= 3 or groups[0].startswith("0") or any(len(g) != 3 for g in groups[1:]):
            return None
        whole = "".join(groups)
        if point and not part:
            return None
    digits = "0123456789"
    if any(c not in digits for c in whole + part) or not whole + part or (not whole and not part):
        return None
    if mark and (not exponent.lstrip("+-") or any(c not in digits for c in exponent.lstrip("+-")) or len(exponent) > 4):
        return None
    return sign * Decimal(f"{whole or 0}.{part or 0}").scaleb(int(exponent or 0) if mark else 0)


def value(text: str, decimal: str, thousands: str) -> tuple[Decimal, str] | None:
    """(number, qualifier) of a cell; None where it is neither a number nor a limit."""
    text = squeeze(text)
    found = re.match(r"(<=|>=|=<|=>|[<>≤≥⩽⩾＜＞])\s*", text)
    rest = text[found.end():] if found else text
    got = number(rest, decimal, thousands)
    if got is None or (found and got < 0):
        return None
    return got, "" if not found else "<" if found[1] in ("<", "<=", "=<", "≤", "⩽", "＜") else ">"


def decoded(data: bytes, encoding: str) -> str:
    """The text under the encoding that the intake reported."""
    return data.decode(encoding.split(" ")[0]).removeprefix("\ufeff")


def lines_of(text: str, delimiter: str) -> dict[int, list[str]]:
    """Records by the line on which they begin."""
    out: dict[int, list[str]] = {}
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    start = 1
    for row in reader:
        out[start] = row
        start = reader.line_num + 1
    return out


def holds(seed: Seed, data: bytes, info: dict[str, Any], header_line: int) -> Held:
    """(line, sample, analyte, replicate) -> (value in the study's unit, qualifier), as the file holds it."""
    words = {"semicolon": ";", "tab": "\t", "bar": "|", "comma": ","}
    delimiter = words[info["delimiter"].split(" ")[0]]
    rows = lines_of(decoded(data, info["encoding"]), delimiter)
    shift = header_line - seed.head_lines[-1]
    heads = [squeeze(c) for c in rows[header_line]]
    if len(seed.head_lines) == 2:
        upper = [squeeze(c) for c in rows[seed.head_lines[0] + shift]]
        upper += [""] * (len(heads) - len(upper))
        for k in range(1, len(upper)):
            upper[k] = upper[k] or upper[k - 1]
        heads = [f"{a} | {b}" if a and b and a != b else a or b for a, b in zip(upper, heads, strict=False)]
    unit_row = rows.get(seed.unit_line + shift, []) if seed.unit_line else []
    out: Held = {}
    for line, cells in rows.items():
        if line <= header_line or (seed.unit_line and line <= seed.unit_line + shift):
            continue
        for sample, name, text, unit in _cells(seed, heads, cells, unit_row):
            known = seed.analytes.get(name)
            got = value(text, info["decimal"], info["thousands"])
            if known is None or sample not in SAMPLES or got is None:
                continue
            analyte, replicate = known
            factor = _FACTOR[STUDY.unit_of(analyte)].get(unit or seed.units.get(analyte, ""))
            if factor is not None:
                out[line, sample, analyte, replicate] = (float(got[0] * Decimal(factor)), got[1])
    return out


def _cells(seed: Seed, heads: list[str], cells: list[str], unit_row: list[str]) -> list[tuple[str, str, str, str]]:
    """(sample, name, text, unit) of each determination of a record."""
    at = {h: k for k, h in enumerate(heads)}

    def cell(name: str) -> str:
        k = at.get(seed.heads[name], len(cells))
        return cells[k] if k < len(cells) else ""

    if seed.layout == "long":
        return [(squeeze(cell("sample")), squeeze(cell("analyte")), cell("value"), squeeze(cell("unit")).strip("[]"))]
    own = set(seed.heads.values())
    pairs = [(h, cells[k]) for k, h in enumerate(heads) if h and h not in own and k < len(cells)]
    if seed.layout == "wide-samples":
        return [(h, squeeze(cell("analyte")), c, squeeze(cell("unit")).strip("[]")) for h, c in pairs]
    units = {h: squeeze(unit_row[k]) for k, h in enumerate(heads) if k < len(unit_row)}
    brackets = {h: m[1] for h in heads if (m := re.search(r"\[(.+)\]$", h))}
    return [(squeeze(cell("sample")), h, c, units.get(h) or brackets.get(h, "")) for h, c in pairs]
