"""intake.toml: the examples of the documentation load; every fault is refused at once and by name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.intake.mapping import assign, load_intake, parse_intake, raw_files
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
