"""intake.toml: the examples of the documentation load; every fault is refused at once and by name."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.demos.shipped import copy_demo
from studykit.intake.mapping import assign, load_intake, parse_intake, raw_files, unread_files
from studykit.intake.take import read_intake
from studykit.study.definition import load_study
from studykit.study.overview import files_table
from tests.intake_cases import folder, study, take

ENTRY = {"pattern": "a.csv", "layout": "long", "columns": {"sample": "S", "analyte": "A", "value": "V"}}


def examples() -> str:
    text = (Path(__file__).parents[2] / "docs/03-intake.md").read_text(encoding="utf-8")
    return "\n".join(re.findall(r"```toml\n(.*?)```", text, re.DOTALL)[:2])


def test_examples_of_the_documentation_load_and_read_their_files(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs/03-intake.md").read_text(encoding="utf-8")
    long, wide = re.findall(r"```text\n(.*?)```", page, re.DOTALL)[:2]
    out = take(tmp_path, examples(), {"run-1.csv": long, "run-2.csv": wide}, codes=("K72PX", "K83RT", "K91CM"),
               units={"Si": "mg/kg", "P": "mg/kg", "KV40": "mm2/s"})
    assert out.rejected.empty
    assert out.results["value"].tolist() == [9.8, 10.0, 9.8, 341.0, 221.4, 1.0, 338.0]
    assert out.results["qualifier"].tolist() == ["", "<", "", "", "", "<", ""]
    assert out.results["method"].unique().tolist() == ["ICP, in-house 12"]


@pytest.mark.parametrize(("change", "words"), [
    ({"colums": {}}, r"file.0.colums: this key is not known here"),
    ({"layout": "tall"}, r"file.0.layout: 'tall': must be one of 'long', 'wide' or 'wide-samples'"),
    ({"pattern": "../x.csv"}, "the pattern leaves the raw folder"),
    ({"pattern": "/etc/passwd"}, "the pattern leaves the raw folder"),
    ({"pattern": "C:\\x.csv"}, "the pattern leaves the raw folder"),
    ({"encoding": "klingon"}, "'klingon' is not a known encoding"),
    ({"decimal": ";"}, "file.0.decimal: ';': must be one of '.' or ','"),
    ({"thousands": "."}, "thousands is declared without decimal"),
    ({"thousands": ".", "decimal": "."}, "thousands is the same sign as decimal"),
    ({"columns": {"sample": "S"}}, "also needs: analyte, value"),
    ({"columns": {"sample": "S", "analyte": "S", "value": "V"}}, "uses a heading for two columns: S"),
    ({"columns": {"sample": "S", "analyte": "A", "value": "V", "colour": "C"}},
     "file.0.columns.colour: 'colour': must be one of"),
    ({"layout": "wide"}, "has no place for: analyte, value"),
    ({"unit_row": 2}, "unit_row belongs to the wide layouts"),
    ({"units": {"Si": "furlong"}}, "unit 'furlong' is not known"),
    ({"units": {"Sx": "mg/kg"}}, r"file.0.units.Sx: 'Sx': is neither an analyte nor a name under \[file.analytes\]"),
    ({"analytes": {"Silicon": "Sx"}}, "file.0.analytes.Silicon: 'Sx': is not an analyte of study.toml"),
    ({"analytes": {"Silicon": "?"}}, "is not an analyte of study.toml -> known are Si, P, KV40"),
    ({"date_format": "%d.%m"}, "a date format needs day"),
    ({"words": {"=x": "not measured"}}, "begins like a spreadsheet formula: =x"),
    ({"words": {"x": "zero"}}, "file.0.words.x: 'zero': must be one of"),
    ({"constants": {"run": "R1", "sample": "x"}}, "file.0.constants.sample"),
    ({"density_kg_m3": 0.9}, "greater than or equal to 100"),
    ({"limits": {"Si": 0}}, "greater than 0"),
    ({"columns": {"sample": "S", "analyte": "A", "value": "V", "run": "R"}, "constants": {"run": "1"}},
     "both a column and a constant are given for: run"),
])
def test_faults_of_the_mapping(change: dict[str, object], words: str) -> None:
    with pytest.raises(BadInput, match=words):
        parse_intake({"file": [{**ENTRY, **change}]}, study())


def test_all_faults_at_once_and_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        parse_intake({"file": [{**ENTRY, "layout": "tall", "decimal": ";"}], "extra": 1}, study())
    assert len(caught.value.faults) == 3
    with pytest.raises(BadInput, match="there is no such file -> propose one with: studykit intake FOLDER --suggest"):
        load_intake(tmp_path, study())
    with pytest.raises(BadInput, match="is not valid TOML"):
        load_intake(folder(tmp_path, "[[file]\n", {}), study())


def test_every_file_needs_one_entry_and_every_entry_a_file(tmp_path: Path) -> None:
    root = folder(tmp_path, "", {"a.csv": "x", "sub/b.csv": "x", ".hidden": "x", "~$a.xlsx": "x", "README.md": "x"})
    names = raw_files(root)
    assert names == ["README.md", "a.csv", "sub/b.csv"]
    intake = parse_intake({"file": [ENTRY, {**ENTRY, "pattern": "*.csv"}, {**ENTRY, "pattern": "c*"}]}, study())
    pairs, faults = assign(intake, names)
    assert [p[0] for p in pairs] == ["sub/b.csv"]
    assert [f.reason for f in faults] == ["several entries serve this file: 'a.csv', '*.csv'",
                                          "no file under raw/ has such a name"]
    pairs, faults = assign(parse_intake({"file": [ENTRY]}, study()), names)
    assert faults[0].line() == ("raw/sub/b.csv: no entry of intake.toml serves this file -> propose one with: "
                                "studykit intake FOLDER --suggest raw/sub/b.csv")


@pytest.mark.parametrize("word", ["690", "9.8", "9,8", "<10", "690 mg/kg", "1'234", "9.8 ± 0.4", "-999", "1e3",
                                  "\uff16\uff19\uff10"])
@pytest.mark.parametrize("meaning", ["not measured", "below limit", "above limit"])
def test_a_word_that_is_a_number_in_itself_is_refused(word: str, meaning: str) -> None:
    with pytest.raises(BadInput, match=r"is a number in itself.* -> take the line out; .*studykit exclude") as caught:
        parse_intake({"file": [{**ENTRY, "words": {word: meaning}}]}, study())
    assert len(caught.value.faults) == 1


def test_words_with_a_number_in_them_a_nought_and_digits_of_a_qualifier_column_are_words(tmp_path: Path) -> None:
    words = {"n.d. (4)": "below limit", "9.8*": "number", "0": "below limit", "-": "not measured", "U": "below limit"}
    assert parse_intake({"file": [{**ENTRY, "words": words}]}, study()).file[0].value_words() == words
    entry = ('[[file]]\npattern = "a.csv"\nlayout = "long"\n[file.columns]\nsample = "S"\nanalyte = "A"\nvalue = "V"\n'
             'qualifier = "Q"\n[file.constants]\nunit = "mg/kg"\n[file.words]\n1 = "below limit"\n0 = "number"\n')
    out = take(tmp_path, entry, {"a.csv": "S,A,V,Q\nB001,Si,1,0\nB002,Si,2,1\n"})
    assert out.results[["value", "qualifier"]].to_numpy().tolist() == [[1.0, ""], [2.0, "<"]]


def test_a_heading_that_is_another_analyte_needs_a_reason_which_is_counted(tmp_path: Path) -> None:
    for name in ("Si", "silicon", "Si [mg/kg]", "Silicon | first"):
        with pytest.raises(BadInput, match="stands for Si, another analyte of the study, by its own heading"):
            parse_intake({"file": [{**ENTRY, "analytes": {name: "P"}}]}, study())
    for target in ("Si", "", {"analyte": "Si", "replicate": 2}):
        parse_intake({"file": [{**ENTRY, "analytes": {"Silicon": target}}]}, study())
    entry = ('[[file]]\npattern = "a.csv"\nlayout = "long"\n[file.columns]\nsample = "S"\nanalyte = "A"\nvalue = "V"\n'
             '[file.constants]\nunit = "mg/kg"\n[file.analytes]\nSi = { analyte = "P", reason = "laboratory, 4 May" }\n'
             '[file.confirmed]\n"*" = "checked"\n')
    out = take(tmp_path, entry, {"a.csv": "S,A,V\nB001,Si,9\nB002,Si,9\n"})
    rules = dict(zip(out.rules["rule"], out.rules["count"], strict=True))
    assert rules["name 'Si' read as P, as the mapping says: laboratory, 4 May"] == 2
    assert rules["confirmed as it stands, '*', as the mapping says: checked"] == 2


def test_files_that_are_never_read_stand_in_the_files_table(tmp_path):
    """Whoever lays results under such a name has them unread, and a reader must see it."""
    root = copy_demo("tote", tmp_path / "tote")
    raw = next((root / "raw").glob("*.csv"))
    told = load_study(root)
    samples = pd.DataFrame({"sample": pd.read_csv(root / "plan/samples.csv", dtype=str)["sample"]})
    before = read_intake(root, told, samples)
    assert unread_files(root) == {}
    for name in ("README.md", "~$tote.csv", ".DS_Store"):
        (root / "raw" / name).write_bytes(raw.read_bytes())
    with pytest.raises(BadInput, match=r"README\.md row 3.*never read, and speaks of a sample"):
        read_intake(root, told, samples)
    intake = (root / "intake.toml").read_text(encoding="utf-8")
    (root / "intake.toml").write_text('read_by_hand = { "README.md" = "M. K., 4 May" }\n' + intake, encoding="utf-8")
    after = read_intake(root, told, samples)
    assert after.results.equals(before.results)
    assert after.rows_in == before.rows_in
    more = after.files.iloc[len(before.files):]
    assert more["file"].tolist() == ["README.md", "~$tote.csv"]  # hidden ones are named by verify: no manifest lists them
    assert (more["layout"] == "not read").all()
    assert more["notes"].str.contains("never read as results").all()
    assert len(files_table(after.files)) == len(after.files)


@pytest.mark.parametrize("change", [{"marked": {"hidden": "x\u202ey and more"}}, {"confirmed": {"*": "said\u200b so"}},
                                    {"constants": {"method": "ICP\u2066"}}])
def test_reasons_and_constants_hold_no_sign_that_nobody_sees(change):
    with pytest.raises(BadInput, match=r"turns the direction|nobody sees"):
        parse_intake({"file": [{**ENTRY, **change}]}, study())


@pytest.mark.parametrize(("name", "analyte", "why"), [
    ("P2O5", "P", "names the compound P2O5"), ("P as P2O5 [mg/kg]", "P", "P2O5"), ("SiO\u2082", "Si", "SiO2"),
    ("Silica", "Si", "Silica"), ("Phosphate", "P", "Phosphate"), ("Visc. 100 \u00b0C", "KV40", "names 100 \u00b0"),
    ("KV100", "KV40", "KV40 is at 40 \u00b0")])
def test_a_heading_of_a_compound_or_another_temperature_wants_a_reason(name: str, analyte: str, why: str) -> None:
    entry = {**ENTRY, "analytes": {name: analyte}}
    with pytest.raises(BadInput, match=why):
        parse_intake({"file": [entry]}, study())
    entry["analytes"] = {name: {"analyte": analyte, "reason": "the laboratory, 4 May"}}
    assert parse_intake({"file": [entry]}, study()).file[0].target(name)


@pytest.mark.parametrize(("name", "analyte"), [
    ("Silicon ICP-OES", "Si"), ("P (XRF)", "P"), ("Visc. 40 \u00b0C", "KV40"), ("Viscosity", "KV40"), ("Si 251.6", "Si"),
    ("Si in mg/kg", "Si"), ("P, total", "P")])
def test_headings_with_an_apparatus_or_the_same_temperature_want_none(name: str, analyte: str) -> None:
    assert parse_intake({"file": [{**ENTRY, "analytes": {name: analyte}}]}, study())


def test_a_hidden_file_is_named_when_the_raw_files_are_taken_in(tmp_path, capsys):
    """A laboratory's file with a dot before its name is not read, and its owner hears so; a desktop's own file is no news."""
    root = copy_demo("tote", tmp_path / "tote")
    raw = next((root / "raw").glob("*.csv"))
    (root / "raw/.second").mkdir()
    for name in (".DS_Store", f".{raw.name}", ".second/more.csv"):
        (root / "raw" / name).write_bytes(raw.read_bytes())
    assert main(["intake", str(root)]) == 0
    told = [line for line in capsys.readouterr().out.splitlines() if "hidden" in line]
    assert told == [f"note: raw/{n} is hidden and was not read; rename it if it holds results"
                    for n in (".second/more.csv", f".{raw.name}")]
