"""Cells into values: every qualifier, word and blank by a stated rule, units converted or refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from studykit.core.errors import BadInput
from studykit.core.numbertext import NumberFormat
from studykit.intake.columns import Table, Texts
from studykit.intake.values import (
    KIND_BAD,
    KIND_BLANK,
    KIND_LIMIT,
    KIND_NUMBER,
    KIND_UNKNOWN_LIMIT,
    RuleBook,
    apply_qualifier_column,
    parse_cell,
    parse_values,
)
from tests.intake.whole import QUICK
from tests.intake_cases import LONG, WIDE, study, take, values
from tests.kept import differing, stored

POINT = NumberFormat()
HEAD = "Code;Test;Result;Unit\n"


@pytest.mark.parametrize(("text", "kind", "number", "qualifier"), [
    ("9.8", KIND_NUMBER, 9.8, ""), ("<1", KIND_LIMIT, 1, "<"), ("< 1.5", KIND_LIMIT, 1.5, "<"), ("≤1", KIND_LIMIT, 1, "<"),
    ("<=1", KIND_LIMIT, 1, "<"), (">10000", KIND_LIMIT, 10000, ">"), ("≥ 5", KIND_LIMIT, 5, ">"),
    ("＜2", KIND_LIMIT, 2, "<"), ("", KIND_BLANK, None, ""), ("  ", KIND_BLANK, None, ""),
])
def test_cells(text: str, kind: int, number: float | None, qualifier: str) -> None:
    cell = parse_cell(text, POINT, {})
    assert (cell.kind, cell.qualifier) == (kind, qualifier)
    if number is not None:
        assert cell.number == number


@pytest.mark.parametrize("word", ["n.d.", "ND", "N.D.", "not detected", "BDL", "bql", "<LOD", "< LOQ", "trace", "Tr."])
def test_below_words(word: str) -> None:
    cell = parse_cell(word, POINT, {})
    assert (cell.kind, cell.qualifier) == (KIND_UNKNOWN_LIMIT, "<")
    assert cell.rules == (f"{word!r} read as below the limit",)


@pytest.mark.parametrize(("text", "reason"), [
    ("-", "is not a number"), ("n/a", "is not a number"), ("9.8*", "is not a number"), ("ca. 5", "is not a number"),
    ("<", "has '<' before ''"), ("<abc", "has '<' before 'abc'"), ("<-1", "negative limit"), ("<<1", "has '<' before '<1'"),
    ("9,8", "has a comma"), ("=B2*2", "is a formula without a stored value"), ("#DIV/0!", "or an error cell"),
    ("9.8 h", "is not a number"),
])
def test_cells_without_a_stated_meaning(text: str, reason: str) -> None:
    cell = parse_cell(text, POINT, {})
    assert cell.kind == KIND_BAD
    assert reason in cell.reason
    assert cell.remedy


def test_words_of_the_mapping_come_first(tmp_path: Path) -> None:
    words = '[file.words]\n"-" = "not measured"\n"0" = "below limit"\nOR = "above limit"\n'
    words += "[file.limits]\nSi = 2\n[file.upper_limits]\nP = 5000\n"
    out = take(tmp_path, LONG + words, {
        "a.csv": HEAD + "B001;Si;-;mg/kg\nB002;Si;0;mg/kg\nB003;P;OR;mg/kg\n007;Si;3;mg/kg\n"})
    assert values(out) == {("B002", "Si", 1): (2.0, "<"), ("B003", "P", 1): (5000.0, ">"), ("007", "Si", 1): (3.0, "")}
    assert out.rows_in == 3
    assert int(out.files["blank"].iloc[0]) == 1
    rules = dict(zip(out.rules["rule"], out.rules["count"], strict=True))
    assert rules["'-' read as not measured, as the mapping says"] == 1
    assert rules["Si: limit 2 from the mapping"] == 1


def test_limit_of_a_word_comes_from_the_file_the_mapping_or_the_study(tmp_path: Path) -> None:
    text = "Code;Test;Result;Unit;LOQ\nB001;Si;n.d.;mg/kg;0.5\nB002;Si;n.d.;mg/kg;\nB003;P;n.d.;mg/kg;\n007;KV40;nd;mm2/s;\n"
    intake = LONG + 'limit = "LOQ"\n[file.limits]\nSi = 2\n'
    out = take(tmp_path, intake, {"a.csv": text}, definition=study(P={"limit": 10.0}))
    assert values(out) == {("B001", "Si", 1): (0.5, "<"), ("B002", "Si", 1): (2.0, "<"), ("B003", "P", 1): (10.0, "<")}
    assert out.rejected["reason"].tolist() == ["stands for a result beyond a limit, and no limit is given"]
    assert out.results["limit"].tolist() == [0.5, 2.0, 10.0]


def test_qualifier_column(tmp_path: Path) -> None:
    text = ("Code;Test;Q;Result;Unit\nB001;Si;<;1;mg/kg\nB002;Si;=;2;mg/kg\nB003;Si;;3;mg/kg\n007;Si;J;4;mg/kg\n"
            "1E5;Si;>;<5;mg/kg\nB001;P;U;6;mg/kg\nB002;P;<;;mg/kg\n")
    intake = LONG.replace('unit = "Unit"', 'unit = "Unit"\nqualifier = "Q"')
    intake += '[file.words]\nJ = "number"\n[file.limits]\nP=9\n'
    out = take(tmp_path, intake, {"a.csv": text})
    assert values(out) == {("B001", "Si", 1): (1.0, "<"), ("B002", "Si", 1): (2.0, ""), ("B003", "Si", 1): (3.0, ""),
                           ("007", "Si", 1): (4.0, ""), ("B002", "P", 1): (9.0, "<")}
    assert out.rejected["reason"].tolist() == [
        "contradicts the qualifier '>' beside it", "has the qualifier 'U', which has no stated meaning"]


@pytest.mark.few(8)
@pytest.mark.parametrize(("unit", "written", "value"), [
    ("mg/kg", "9.8", 9.8), ("ppm", "9.8", 9.8), ("% m/m", "0.0338", 338.0), ("µg/g", "9.8", 9.8), ("g/kg", "1.2", 1200.0),
    ("mg/L", "80", 100.0), ("mass %", "<0.001", 10.0), ("MG/KG", "9.8", 9.8), ("PPM", "9.8", 9.8), ("G/KG", "1.2", 1200.0),
    ("MG/L", "80", 100.0), ("mg/kg", "9.8 mg/kg", 9.8), ("mg/kg", "9.8ppm", 9.8), ("g/kg", "< 1.2 g/kg", 1200.0),
    ("", "9.8 mg/kg", 9.8), ("", "0.0338 % m/m", 338.0), ("mg/kg", "(9.8 ± 0.4) mg/kg", 9.8), ("mg/kg", "9.8 +/- 0.4", 9.8),
    ("% m/m", "0.0338 %", 338.0),
])
def test_units_into_the_study_unit(tmp_path: Path, unit: str, written: str, value: float) -> None:
    intake = LONG.replace('layout', 'density_kg_m3 = 800\nlayout')
    out = take(tmp_path, intake, {"a.csv": HEAD + f"B001;Si;{written};{unit}\n"})
    assert out.results["value"].tolist() == [value]
    assert out.results["unit"].tolist() == ["mg/kg"]
    assert out.results["as_written"].tolist() == [written]


@pytest.mark.parametrize(("unit", "reason", "remedy"), [
    ("", "has no unit, neither in the file nor in the mapping", "write it under [file.units]"),
    ("mg/L", "needs the density of the liquid", "write density_kg_m3"),
    ("%", "a bare '%' does not say of what", "correct the unit"),
    ("Mg/kg", "other capitals than 'mg/kg'", "[file.unit_words]"),
    ("mm2/s", "cannot be converted", "correct the unit"),
])
def test_units_that_cannot_be_used_reject_the_row(tmp_path: Path, unit: str, reason: str, remedy: str) -> None:
    out = take(tmp_path, LONG, {"a.csv": HEAD + f"B001;Si;9.8;{unit}\nB002;Si;9.8;mg/kg\n"})
    assert len(out.results) == 1
    row = out.rejected.iloc[0]
    assert (row["file"], row["row"], row["column"], row["value"]) == ("a.csv", 2, "Unit", unit)
    assert reason in row["reason"]
    assert remedy in row["remedy"]


@pytest.mark.parametrize(("written", "reason"), [
    ("9.8 g/kg", "has the unit 'g/kg' in its cell, but its column is in 'mg/kg'"),
    ("0.0338 %", "has the unit '%' in its cell, but its column is in 'mg/kg'"),
    ("9.8 mg/L", "has the unit 'mg/L' in its cell"), ("9.8 h", "is not a number"), ("9.8 mg", "has the unit 'mg' in its cell"),
    ("9.8 mg/kg 12.4 mg/kg", "is not a number"), ("9.8 furlong", "is not a number"), ("9 8 mg/kg", "is not a number"),
])
def test_a_unit_in_a_cell_that_is_not_that_of_its_column_is_asked(tmp_path: Path, written: str, reason: str) -> None:
    out = take(tmp_path, LONG, {"a.csv": HEAD + f"B001;Si;{written};mg/kg\nB002;Si;9.8;mg/kg\n"})
    row = out.rejected.iloc[0]
    assert (row["file"], row["row"], row["column"], row["value"]) == ("a.csv", 2, "Result", written)
    assert reason in row["reason"]
    assert len(out.results) == 1


def test_a_mark_behind_a_number_gets_its_meaning_from_the_mapping(tmp_path: Path) -> None:
    text = HEAD + "B001;Si;9.8*;mg/kg\nB002;Si;2.0 U;mg/kg\nB003;Si;<5*;mg/kg\n"
    out = take(tmp_path, LONG, {"a.csv": text})
    assert out.results.empty
    assert "[file.words] '*' = \"number\"" in out.rejected["remedy"].iloc[0]
    out = take(tmp_path, LONG + '[file.words]\n"*" = "number"\nU = "below limit"\n', {"a.csv": text})
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B002", "Si", 1): (2.0, "<"), ("B003", "Si", 1): (5.0, "<")}
    assert (out.results["as_written"] == ["9.8*", "2.0 U", "<5*"]).all()


def test_units_in_all_cells_of_a_wide_file_are_enough(tmp_path: Path) -> None:
    intake = WIDE.replace('[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n', "").replace("layout", 'blank = "not measured"\nlayout')
    out = take(tmp_path, intake, {"a.csv": 'Sample;Si;P\nB001;"9,8 mg/kg";"0,0338 % m/m"\nB002;;300 mg/kg\n'})
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B001", "P", 1): (338.0, ""), ("B002", "P", 1): (300.0, "")}
    with pytest.raises(BadInput, match="has no unit, neither in the file nor in the mapping"):
        take(tmp_path, intake, {"a.csv": "Sample,Si,P\nB001,9.8 mg/kg,300\n"})


def test_unit_words_and_contradiction_with_the_mapping(tmp_path: Path) -> None:
    words = '[file.unit_words]\n"Mg/kg" = "mg/kg"\n[file.units]\nP = "mg/kg"\n'
    out = take(tmp_path, LONG + words, {"a.csv": HEAD + "B001;Si;9.8;Mg/kg\nB001;P;0.03;% m/m\nB002;P;300;\n"})
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B002", "P", 1): (300.0, "")}
    assert "has the unit '% m/m' in the file, but the mapping says 'mg/kg'" in out.rejected["reason"].iloc[0]


def test_units_in_headings_of_a_wide_file(tmp_path: Path) -> None:
    intake = WIDE.replace('[file.units]\nSi = "mg/kg"\nP = "mg/kg"\n',
                          '[file.analytes]\n"Si [mg/kg]" = "Si"\n"P (% (m/m))" = "P"\n')
    out = take(tmp_path, intake, {"a.csv": "Sample,Si [mg/kg],P (% (m/m))\nB001,9.8,0.0338\n"})
    assert values(out) == {("B001", "Si", 1): (9.8, ""), ("B001", "P", 1): (338.0, "")}
    with pytest.raises(BadInput, match="has no unit, neither in the file nor in the mapping"):
        take(tmp_path, WIDE.replace('P = "mg/kg"\n', ""), {"a.csv": "Sample,Si,P\nB001,9.8,0.0338\n"})


def test_blanks_need_a_stated_meaning(tmp_path: Path) -> None:
    files: dict[str, bytes | str] = {"a.csv": "Sample,Si,P\nB001,9.8,\nB002,,300\n"}
    out = take(tmp_path, WIDE, files)
    assert out.rejected["reason"].tolist() == ["is empty, and the mapping does not say what that means"] * 2
    assert (out.rows_in, out.taken, len(out.rejected)) == (4, 2, 2)
    out = take(tmp_path, WIDE.replace("layout", 'blank = "not measured"\nlayout'), files)
    assert (out.rows_in, out.taken, len(out.rejected), int(out.files["blank"].sum())) == (2, 2, 0, 2)
    out = take(tmp_path, WIDE.replace("layout", 'blank = "below limit"\nlayout') + "[file.limits]\nSi = 1\nP = 2\n", files)
    assert values(out)[("B001", "P", 1)] == (2.0, "<")


def test_zero_is_rejected_only_for_margins_in_per_cent_and_below_zero_no_content_is(tmp_path: Path) -> None:
    files: dict[str, bytes | str] = {"a.csv": HEAD + "B001;Si;0;mg/kg\nB002;Si;-1;mg/kg\n"}
    (reason,) = take(tmp_path, LONG, files).rejected["reason"]
    assert "is below zero, which no such quantity can be" in reason
    sure = LONG + '[file.confirmed]\n"B002 Si" = "the laboratory, 4 May: not censored"\n'
    assert values(take(tmp_path, sure, files)) == {("B001", "Si", 1): (0.0, ""), ("B002", "Si", 1): (-1.0, "")}
    cold = {"a.csv": "Code;Test;Result;Unit\nB001;Pour;-9;°C\nB002;Pour;-12;°C\n"}
    assert take(tmp_path / "cold", LONG, cold, definition=study({"Pour": "°C"})).rejected.empty
    out = take(tmp_path, LONG, files, definition=study(absolute=False))
    assert out.rejected["reason"].tolist() == ["must be above zero for a margin in per cent or as a factor"] * 2


def test_decimal_sign_is_proved_declared_or_refused(tmp_path: Path) -> None:
    out = take(tmp_path, LONG, {"a.csv": HEAD + "B001;Si;9,8;mg/kg\nB002;Si;1,234;mg/kg\n"})
    assert out.results["value"].tolist() == [9.8, 1.234]
    assert out.files["signs"].tolist() == ["detected from '9,8'"]
    with pytest.raises(BadInput, match=r"'1\.234' can be read with a decimal or with a thousands sign.*declare decimal"):
        take(tmp_path, LONG, {"a.csv": HEAD + "B001;Si;1.234;mg/kg\n"})
    with pytest.raises(BadInput, match=r"'9\.8' and '9,8' use different signs"):
        take(tmp_path, LONG, {"a.csv": HEAD + "B001;Si;9.8;mg/kg\nB002;Si;9,8;mg/kg\n"})
    out = take(tmp_path, LONG.replace("layout", 'decimal = ","\nlayout'), {"a.csv": HEAD + "B001;Si;1.000;mg/kg\n"})
    assert "has a point, but the decimal sign of this file is a comma" in out.rejected["reason"].iloc[0]


def test_rules_are_listed_by_how_often_they_were_used_with_their_first_example() -> None:
    book = RuleBook()
    for rule, count, example in (("b", 2, "x"), ("a", 2, "y"), ("c", 5, "z"), ("a", 1, "w"), ("d", 0, "v")):
        book.add(rule, count, example)
    assert book.to_table().values.tolist() == [["c", 5, "z"], ["a", 3, "y"], ["b", 2, "x"]]


def test_the_question_about_a_decimal_sign_names_its_cell(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        take(tmp_path, LONG, {"a.csv": "Code;Test;Result;Unit\nB001;Si;9;mg/kg\nB002;Si;1.234;mg/kg\n"})
    (fault,) = caught.value.faults
    assert (fault.row, fault.column, fault.value) == (3, "Result", "1.234")
    assert "declare decimal" in fault.remedy


def test_an_uncertainty_is_set_aside_and_one_wider_than_its_result_or_behind_a_sign_is_asked_about() -> None:
    cell = parse_cell("9.8 ± 0.4", POINT, {})
    assert (cell.kind, cell.number, cell.rules) == (KIND_NUMBER, 9.8, ("uncertainty behind ± set aside",))
    for text in ("9.8 ± 9.9", "9.8 ± 9.8"):
        assert parse_cell(text, POINT, {}).kind == KIND_BAD
    for text in ("-0.2 ± 0.3", "\u22120.2 (± 0.3)", "-0.2 ± 0.3 (k=2)"):
        assert parse_cell(text, POINT, {}).number == -0.2


@pytest.mark.parametrize(("text", "kind", "number"), [
    ("9.8 ± 9.7", KIND_NUMBER, 9.8), ("9.8 ± 9.8", KIND_BAD, None), ("9.8 ± 0", KIND_NUMBER, 9.8),
    ("-0.1 ± 0.4", KIND_NUMBER, -0.1), ("0 ± 0", KIND_BAD, None), ("<0", KIND_BAD, None), ("<0.001", KIND_LIMIT, 0.001),
    ("<-1", KIND_BAD, None)])
def test_an_uncertainty_below_its_result_and_a_limit_above_zero_are_read(text: str, kind: int, number: float | None) -> None:
    found = parse_cell(text, NumberFormat(), {})
    assert found.kind == kind
    if number is not None:
        assert found.number == number


def test_a_column_of_qualifiers_joins_its_cells_row_by_row() -> None:
    """Texts against stored numbers, limits beside limits, words with a meaning; what contradicts is refused where it stands."""
    texts = ["5", "<2", "7", "", "8", "x"]
    cells = Table({"text": Texts.of(texts), "numeric": np.array([False, False, True, False, False, False])}, len(texts))
    book = RuleBook()
    parsed = parse_values(cells, NumberFormat(decimal=","), {}, book)
    assert parsed.kind.tolist() == [KIND_NUMBER, KIND_LIMIT, KIND_NUMBER, KIND_BLANK, KIND_NUMBER, KIND_BAD]
    assert parsed.number[[0, 1, 2, 4]].tolist() == [5, 2, 7, 8]
    assert parsed.why.tolist() == [-1, -1, -1, -1, -1, 0]
    apply_qualifier_column(parsed, Texts.of(["<", ">", "=", "<", "?", "<"]), {}, book)
    assert parsed.kind.tolist() == [KIND_LIMIT, KIND_BAD, KIND_NUMBER, KIND_UNKNOWN_LIMIT, KIND_BAD, KIND_BAD]
    assert parsed.qualifier.tolist()[0] == parsed.qualifier.tolist()[3] == "<"
    said = [parsed.reasons[w][0] if w >= 0 else "" for w in parsed.why]
    assert said[1] == "contradicts the qualifier '>' beside it"
    assert said[4] == "has the qualifier '?', which has no stated meaning"
    assert said[5] == parsed.reasons[0][0]  # the first refusal stands


def test_every_form_of_a_cell_gives_what_is_stored() -> None:
    """As it stood (``tests.kept``)."""
    assert differing("cells", stored("intake")["cells"], QUICK["cells"]()) == []


def test_a_column_beside_its_qualifiers_reads_each_row_as_if_it_stood_alone() -> None:
    """Every kind of cell beside every kind of qualifier, all in one column and each in a column of its own."""
    words = {"NA": "not measured", "J": "number", "U": "below limit", "E": "above limit"}
    pairs = [(t, q) for t in ("5", "<2", ">9", "nd", "", "x") for q in ("", "=", "<", ">", "NA", "J", "U", "E", "?", "<3")]

    def read(some: list[tuple[str, str]]) -> list[tuple[object, ...]]:
        cells = Table({"text": Texts.of([t for t, _ in some]), "numeric": np.zeros(len(some), dtype=bool)}, len(some))
        parsed = parse_values(cells, POINT, words, RuleBook())
        apply_qualifier_column(parsed, Texts.of([q for _, q in some]), words, RuleBook())
        why = [parsed.reasons[w] if w >= 0 else None for w in parsed.why]
        return list(zip(parsed.kind.tolist(), [str(n) for n in parsed.number], parsed.qualifier.tolist(), why, strict=True))

    together = dict(zip(pairs, read(pairs), strict=True))
    assert together == {p: read([p])[0] for p in pairs}
    assert {q: together["", q][:3] for q in ("", "NA", "<", "E")} == {
        "": (KIND_BLANK, "nan", ""), "NA": (KIND_BLANK, "nan", "not measured"), "<": (KIND_UNKNOWN_LIMIT, "nan", "<"),
        "E": (KIND_UNKNOWN_LIMIT, "nan", ">")}
    assert [together[t, "NA"][0] for t in ("5", "<2", "nd")] == [KIND_BAD] * 3
