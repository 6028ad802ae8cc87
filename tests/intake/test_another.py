"""Headings, sheets, lines and columns that say that a number is another quantity than the one it is mapped to.

The cases are a stranger's, and others of their kind; each has a sound twin.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import take

CODES = ("K72PX", "K91CM", "K83RT", "K45LN", "K66HD", "K19BV")
UNITS = {"Si": "mg/kg", "P": "mg/kg", "Ca": "mg/kg", "Water": "mg/kg", "KV40": "mm2/s"}
VALUES = ((16.0, 329, 2341), (19.7, 342, 2285), (14.4, 331, 2326), (15.6, 339, 2357), (17.1, 336, 2290), (18.0, 333, 2310))
ENTRY = '[[file]]\npattern = "*"\nlayout = "wide"\n{more}[file.columns]\nsample = "Sample"\n{rest}'


def read(root: Path, data: str | bytes, rest: str = "", more: str = "", entry: str = ENTRY) -> dict[tuple[str, str], float]:
    """The values taken by sample and analyte; none where the file is refused."""
    try:
        out = take(root, entry.format(more=more, rest=rest), {"a.bin": data}, codes=CODES, units=UNITS)
    except BadInput:
        return {}
    table = out.results
    return dict(zip(zip(table["sample"], table["analyte"], strict=True), table["value"].astype(float), strict=True))


def wide(heads: str, rows: Any = VALUES, width: int = 3) -> str:
    lines = ["Sample;" + heads] + [";".join([c, *(f"{v:g}" for v in r[:width])]) for c, r in zip(CODES, rows, strict=True)]
    return "\n".join(lines) + "\n"


def sheets(**tables: list[float]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, numbers in tables.items():
        sheet = book.create_sheet(title.replace("_", " "))
        sheet.append(["Sample", "Result [mg/kg]"])
        for code, number in zip(CODES, numbers, strict=False):
            sheet.append([code, number])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


SI, CA = [r[0] for r in VALUES], [float(r[2]) for r in VALUES]
RESULT = '[file.analytes]\n"Result [mg/kg]" = "Si"\n'


@pytest.mark.parametrize("name", ["Water", "Ca", "Calcium", "Phosphorus"])
def test_a_sheet_named_after_another_analyte_is_not_read_as_the_mappings(tmp_path: Path, name: str) -> None:
    for more in ('sheet = "*"\n', f'sheet = "{name}"\n'):
        assert not read(tmp_path / name / more[9:10], sheets(**{name: CA}), RESULT, more)
    assert not read(tmp_path, sheets(Si=SI, **{name: CA}), RESULT, 'sheet = "*"\n')
    own = 'sheet = "Si"\n' + f'ignore_sheets = ["{name}"]\n'
    assert len(read(tmp_path / "own", sheets(Si=SI, **{name: CA}), RESULT, own)) == len(CODES)


@pytest.mark.few(4)
@pytest.mark.parametrize("name", ["Diluted_1_to_10", "verduennt_10", "Faktor_10", "results_in_g", "as_P2O5", "filtered", "x_10",
                                  "Differenzen", "oxides_normalised"])
def test_the_name_of_a_sheet_is_read_like_a_line_above_the_table(tmp_path: Path, name: str) -> None:
    if name != "results_in_g":
        assert not read(tmp_path, sheets(**{name: SI}), RESULT)
    assert len(read(tmp_path / "calm", sheets(Results=SI), RESULT)) == len(CODES)


def test_a_sheet_that_is_set_aside_is_not_read(tmp_path: Path) -> None:
    both = sheets(Si=SI, Si_old=[9 * v for v in SI])
    assert not read(tmp_path / "a", both, RESULT, 'sheet = "*"\n')
    taken = read(tmp_path / "b", both, RESULT, 'sheet = "*"\nignore_sheets = ["Si old"]\n')
    assert [taken[c, "Si"] for c in CODES] == SI
    assert not read(tmp_path / "c", sheets(Draft=SI), RESULT, 'ignore_sheets = ["Draft"]\n')
    assert len(read(tmp_path / "d", sheets(Draft=SI), RESULT, 'sheet = "Draft"\n')) == len(CODES)


@pytest.mark.few(2)
@pytest.mark.parametrize("head", ["Ca + Mg", "Ca+Mg", "Ca/Mg", "Ca & Zn", "Calcium and magnesium", "Ca und Mg", "Mg + Ca",
                                  "Ca - Mg", "Ca vs. reference", "Summe Ca", "Ca relativ", "Ca versus blank", "Ca (reference)",
                                  "Ca: Mg", "Calcium et magnesium", "Ca, Mg"])
def test_a_heading_that_joins_two_elements_is_not_one_of_them(tmp_path: Path, head: str) -> None:
    assert not read(tmp_path, wide(f"{head} [mg/kg]", width=1), f'[file.analytes]\n"{head} [mg/kg]" = "Ca"\n')
    for plain in ("Ca, ICP [mg/kg]", "Calcium (Ca) [mg/kg]", "Ca-ICP [mg/kg]", "Ca content [mg/kg]", "Ca 317.9 nm [mg/kg]"):
        text, names = wide(plain, [r[2:] for r in VALUES], 1), f'[file.analytes]\n"{plain}" = "Ca"\n'
        taken = read(tmp_path / plain[:6].strip(), text, names)
        assert len(taken) == len(CODES), plain


@pytest.mark.parametrize("line", ["Si, Ca: mg/kg; P: % m/m", "P: % m/m;Si: mg/kg", "P ‰", ";;P in g/kg", "P = % m/m"])
def test_a_line_that_gives_an_analyte_another_unit_is_asked_about(tmp_path: Path, line: str) -> None:
    units = "[file.units]\n" + "".join(f'{a} = "mg/kg"\n' for a in ("Si", "P", "Ca"))
    assert not read(tmp_path, f"Report 17\n{line}\n\n" + wide("Si;P;Ca"), units)
    assert len(read(tmp_path / "b", "Report 17\nSi, P, Ca: mg/kg\n\n" + wide("Si;P;Ca"), units)) == 3 * len(CODES)


@pytest.mark.parametrize("line", ["XRF, oxides normalised to 100 %", "RFA, auf 100 % normiert", "calculated as oxide",
                                  "berechnet als Oxid"])
def test_a_line_that_says_how_results_were_calculated_is_asked_about(tmp_path: Path, line: str) -> None:
    assert not read(tmp_path, f"{line}\n\n" + wide("Si [mg/kg]", width=1), '[file.analytes]\n"Si [mg/kg]" = "Si"\n')


@pytest.mark.parametrize(("head", "text", "asked"), [
    ("Temp. [°C]", "100", True), ("Messtemperatur", "100 °C", True), ("Temp. [°C]", "40", False),
    ("Test temperature", "20", True),
    ("Room temp [°C]", "22", False), ("Raumtemperatur [°C]", "22", False)])
def test_one_temperature_in_all_rows_that_is_not_the_analytes_is_asked_about(
        tmp_path: Path, head: str, text: str, asked: bool) -> None:
    lines = [f"Sample;Viscosity [mm2/s];{head}"] + [f"{c};{100 + v[0]:g};{text}" for c, v in zip(CODES, VALUES, strict=True)]
    taken = read(tmp_path, "\n".join(lines) + "\n", '[file.analytes]\n"Viscosity [mm2/s]" = "KV40"\n',
                 f'ignore_columns = ["{head}"]\n')
    assert len(taken) == (0 if asked else len(CODES))


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_two_results_under_each_others_names_are_asked_about(tmp_path: Path, layout: str) -> None:
    rows = [list(r) for r in VALUES]
    rows[2][1], rows[2][2] = rows[2][2], rows[2][1]
    units = "[file.units]\n" + "".join(f'{a} = "mg/kg"\n' for a in ("Si", "P", "Ca"))
    text, entry = wide("Si;P;Ca", rows), ENTRY
    if layout == "long":
        text = "Sample;Test;Result\n" + "".join(
            f"{c};{a};{v:g}\n" for c, r in zip(CODES, rows, strict=True) for a, v in zip(("Si", "P", "Ca"), r, strict=True))
        entry = ENTRY.replace("wide", "long").replace('"Sample"\n', '"Sample"\nanalyte = "Test"\nvalue = "Result"\n')
    taken = read(tmp_path, text, units, entry=entry)
    assert {(CODES[2], "P"), (CODES[2], "Ca")} == {(c, a) for c in CODES for a in ("Si", "P", "Ca")} - set(taken)
    told = '[file.confirmed]\n"K83RT *" = "asked 4 May"\n'
    assert len(read(tmp_path / "told", text, units + told, entry=entry)) == 18


SI_P = '[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n'


@pytest.mark.few(6)
@pytest.mark.parametrize(("written", "meant"), [
    ('="16.1"', 16.1), ("'16.1", 16.1), ("less than 15", 15), ("unter 15", 15), ("‹15", 15), ("größer als 300", 300),
    ("'<5", 5), ("moins de 5", 5), ("'invalid", None), ('="invalid"', None), ("less than five", None), ("16.1 (n=2)", None)])
def test_plain_ways_to_write_a_number_or_a_limit(tmp_path: Path, written: str, meant: float | None) -> None:
    quoted = '"' + written.replace('"', '""') + '"' if '"' in written else written
    text = wide("Si;P", width=2).replace("K72PX;16;", f"K72PX;{quoted};")
    taken = read(tmp_path, text, SI_P)
    assert taken.get(("K72PX", "Si")) == meant
    assert len(taken) == 12 - (meant is None)
    if "n=" in written:
        assert read(tmp_path / "b", text, SI_P + '[file.words]\n"(n=2)" = "number"\n')["K72PX", "Si"] == 16.1


@pytest.mark.parametrize("key", ["Si\\n(mg/kg)", "Si (mg/kg)"])
def test_a_line_break_within_a_heading_is_a_space(tmp_path: Path, key: str) -> None:
    names = f'[file.analytes]\n"{key}" = "Si"\n'
    assert len(read(tmp_path / "a", wide('"Si\n(mg/kg)"', width=1), names)) == 6
    book = openpyxl.Workbook()
    for row in [["Sample", "Si\n(mg/kg)"], *([c, v] for c, v in zip(CODES, SI, strict=True))]:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    assert len(read(tmp_path / "b", out.getvalue(), names)) == 6


def test_a_word_of_signs_alone_may_have_a_meaning(tmp_path: Path) -> None:
    text = wide("Si;P", width=2).replace("K72PX;16;", "K72PX;--;")
    assert len(read(tmp_path / "a", text, SI_P + '[file.words]\n"--" = "not measured"\n')) == 11
    assert not read(tmp_path / "b", text, SI_P + '[file.words]\n"=A1" = "not measured"\n')


@pytest.mark.few(4)
@pytest.mark.parametrize(("head", "cells", "asked"), [
    ("Analyst", ["U", "J", "U", "B", "U", "J"], False), ("Analyst flag", ["U", "", "", "", "", ""], True),
    ("Lab qualifier", ["U", "", "", "", "", ""], True), ("Priority", ["urgent", *["normal"] * 5], False),
    ("Remark", ["clear, amber", "bottle full", "", "", "", "klar und braun"], False), ("Remark", ["cloudy", *[""] * 5], True),
    ("Remark", ["clear, do not use", *[""] * 5], True), ("Paired with", [*CODES[1:], CODES[0]], False),
    ("See also", ["K91CM", *[""] * 5], True)])
def test_columns_that_say_nothing_about_results_are_not_asked_about(
        tmp_path: Path, head: str, cells: list[str], asked: bool) -> None:
    lines = [f"Sample;Si;P;{head}", *(f"{c};{v[0]};{v[1]};{t}" for c, v, t in zip(CODES, VALUES, cells, strict=True))]
    taken = read(tmp_path, "\n".join(lines) + "\n", SI_P, f'ignore_columns = ["{head}"]\n')
    assert (len(taken) < 12) == asked
