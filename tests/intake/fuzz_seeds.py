"""A dozen invented laboratory files with their mappings, and what each holds: seeds of the mutation test."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import openpyxl

from studykit.study.definition import Study
from tests.intake.test_intake_layouts_outside import ods
from tests.intake_cases import study
from tests.xls_writer import xls_bytes

SAMPLES = (*(f"B{i:03d}" for i in range(1, 9)), "007", "1E5")
STUDY: Study = study({"Si": "mg/kg", "P": "mg/kg", "KV40": "mm2/s"})
_SI = ("9.8", "10.2", "<1", "11", "9.75", "12.0", "8.8", "1.5e1", "10.05", "7")
_P = ("312", "298", "305", "1310", "300", "295", "310.5", "288", "290", "301")
_KV = ("221.48", "220.9", "222", "221.5", "221.05", "219.99", "221", "220", "223.1", "221.7")
VALUES = {"Si": _SI, "P": _P, "KV40": _KV}
UNITS = {"Si": "mg/kg", "P": "mg/kg", "KV40": "cSt"}
PERCENT = {"312": "0.0312", "298": "0.0298", "305": "0.0305", "1310": "0.131", "300": "0.03", "295": "0.0295",
           "310.5": "0.03105", "288": "0.0288", "290": "0.029", "301": "0.0301"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Seed:
    """One file: its name, bytes, mapping, and for text files what the mutations and the oracle need."""

    name: str
    data: bytes
    intake: str
    encoding: str = ""
    delimiter: str = ","
    layout: str = "long"
    heads: dict[str, str]
    analytes: dict[str, tuple[str, int]]
    head_lines: tuple[int, ...] = (1,)
    unit_line: int = 0
    footer: str = ""
    decimal: str = "."
    units: dict[str, str]


def _long(decimal: str = ".", names: dict[str, str] | None = None) -> list[list[str]]:
    rows = []
    for i, sample in enumerate(SAMPLES):
        for analyte, texts in VALUES.items():
            text, unit = texts[i], UNITS[analyte]
            if analyte == "P" and decimal == ",":
                text, unit = PERCENT[text], "% m/m"
            rows.append([sample, (names or {}).get(analyte, analyte), text.replace(".", decimal), unit])
    return rows


def _wide() -> list[list[str]]:
    return [[s, *(VALUES[a][i] for a in VALUES)] for i, s in enumerate(SAMPLES)]


def _text(rows: list[list[str]], delimiter: str, end: str = "\n", quoted: bool = False) -> str:
    mark = '"' if quoted else ""
    return "".join(delimiter.join(f"{mark}{c}{mark}" for c in r) + end for r in rows)


def _number(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text


def _book(rows: list[list[str]]) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append([row[0], *(_number(c) for c in row[1:])])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


LONG_HEADS = {"sample": "Code", "analyte": "Test", "value": "Result", "unit": "Unit"}
_LONG_TOML = "".join(f'{k} = "{v}"\n' for k, v in LONG_HEADS.items())
_OWN = {a: (a, 1) for a in VALUES}
_NAMES = {"Si": "Silicon", "P": "Phosphorus", "KV40": "Visc 40"}


def _seed(name: str, data: bytes, entry: str, **rest: Any) -> Seed:
    fields = {"heads": LONG_HEADS, "analytes": _OWN, "units": {}} | rest
    return Seed(name=name, data=data, intake=f'[[file]]\npattern = "{name}"\n{entry}', **fields)


def seeds() -> tuple[Seed, ...]:
    """All seed files."""
    head = list(LONG_HEADS.values())
    long = _text([head, *_long()], ",")
    named = _text([["Report 7", "", "", ""], ["", "", "", ""], head, *_long(",", _NAMES), ["End", "", "", ""]], ";", "\r\n")
    wide_head = ["Sample", *VALUES]
    unit_row = ["", *UNITS.values()]
    brackets = {f"{a} [{u}]": (a, 1) for a, u in UNITS.items()}
    across = [["Test", "Unit", *SAMPLES], *([a, UNITS[a], *VALUES[a]] for a in VALUES)]
    names = "[file.analytes]\n" + "".join(f'"{v}" = "{k}"\n' for k, v in _NAMES.items())
    wide_toml = '[file.columns]\nsample = "Sample"\n'
    bracket_toml = wide_toml + "[file.analytes]\n" + "".join(f'"{h}" = "{a}"\n' for h, (a, _) in brackets.items())
    unit_toml = "[file.units]\n" + "".join(f'{a} = "{u}"\n' for a, u in UNITS.items())
    twice = [["Sample", "Si", "", "P", ""], ["", "first", "second", "first", "second"],
             *([s, _SI[i], _SI[-1 - i], _P[i], _P[-1 - i]] for i, s in enumerate(SAMPLES))]
    joined = {f"{a} | {w}": (a, r) for a in ("Si", "P") for r, w in ((1, "first"), (2, "second"))}
    twice_toml = wide_toml + "[file.analytes]\n" + "".join(
        f'"{h}" = {{ analyte = "{a}", replicate = {r} }}\n' for h, (a, r) in joined.items()) + unit_toml
    wide = {"layout": "wide", "heads": {"sample": "Sample"}}
    declared = 'layout = "long"\nheader_row = 1\ndecimal = "."\n[file.columns]\n' + _LONG_TOML
    found = 'layout = "long"\n[file.columns]\n' + _LONG_TOML
    return (
        _seed("declared.csv", long.encode(), declared, encoding="utf-8"),
        _seed("found.csv", long.encode(), found, encoding="utf-8"),
        _seed("quoted.csv", _text([head, *_long()], ",", "\r\n", True).encode("utf-8-sig"), found, encoding="utf-8-sig"),
        _seed("tab.tsv", _text([head, *_long()], "\t").encode("utf-16"), found, encoding="utf-16", delimiter="\t"),
        _seed("comma.csv", named.encode("cp1252"), 'layout = "long"\nheader_row = 3\nfooter = "End"\nencoding = "cp1252"\n'
              'delimiter = ";"\ndecimal = ","\n[file.columns]\n' + _LONG_TOML + names, encoding="cp1252", delimiter=";",
              analytes={v: (k, 1) for k, v in _NAMES.items()}, head_lines=(3,), footer="End", decimal=","),
        _seed("commafound.csv", named.replace("End;;;\r\n", "").encode(), 'layout = "long"\n[file.columns]\n' + _LONG_TOML
              + names, encoding="utf-8", delimiter=";", analytes={v: (k, 1) for k, v in _NAMES.items()}, head_lines=(3,),
              decimal=","),
        _seed("unitrow.csv", _text([wide_head, unit_row, *_wide()], ",").encode(), 'layout = "wide"\nheader_row = 1\n'
              "unit_row = 2\n" + wide_toml, encoding="utf-8", unit_line=2, **wide),
        _seed("brackets.csv", _text([["Sample", *brackets], *_wide()], ";").encode(), 'layout = "wide"\ndecimal = "."\n'
              'blank = "not measured"\n' + bracket_toml, encoding="utf-8", delimiter=";", **wide | {"analytes": brackets}),
        _seed("across.csv", _text(across, "|").encode(), 'layout = "wide-samples"\n[file.columns]\nanalyte = "Test"\n'
              'unit = "Unit"\n', encoding="utf-8", delimiter="|", layout="wide-samples",
              heads={"analyte": "Test", "unit": "Unit"}),
        _seed("twice.csv", _text(twice, ",").encode(), 'layout = "wide"\nheader_row = [1, 2]\ndecimal = "."\n' + twice_toml,
              encoding="utf-8", head_lines=(1, 2), **wide | {"analytes": joined, "units": UNITS}),
        _seed("book.xlsx", _book([wide_head, unit_row, *_wide()]), 'layout = "wide"\nheader_row = 1\nunit_row = 2\n'
              + wide_toml, unit_line=2, **wide),
        _seed("open.ods", ods([[r[0], *(_number(c) for c in r[1:])] for r in [wide_head, *_wide()]]),
              'layout = "wide"\n' + wide_toml + unit_toml, **wide | {"units": UNITS}),
        _seed("old.xls", xls_bytes([[r[0], *(_number(c) for c in r[1:])] for r in [wide_head, *_wide()]]),
              'layout = "wide"\n' + wide_toml + unit_toml, **wide | {"units": UNITS}),
    )
