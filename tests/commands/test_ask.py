"""`studykit ask`: the letter of a study with results, and the way of its answers back through intake."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.demos.shipped import copy_demo
from studykit.intake.take import read_intake
from studykit.study import load_tables
from tests.studies import slip_with_a_question


@pytest.fixture(scope="module")
def slip(tmp_path_factory) -> Path:
    root = slip_with_a_question(tmp_path_factory.mktemp("ask") / "slip")
    assert main(["--quiet", "intake", str(root)]) == 0
    return root


def cells(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype=str, keep_default_na=False)


@pytest.mark.slow
def test_the_letter_lies_beside_the_study_and_its_answer_is_taken_in_by_a_proposed_mapping(slip, tmp_path, capsys):
    root = tmp_path / "slip"
    shutil.copytree(slip, root)
    assert main(["ask", str(root)]) == 0
    said = capsys.readouterr().out
    letter = tmp_path / "slip-letter"
    assert f"Send: {letter / 'send'}" in said
    assert f"Keep: {letter / 'keep'}" in said
    again = cells(letter / "send/again.csv")
    assert dict(zip(again["Analyte"], again["In words"], strict=True)) == {"Zircon": "zircon", "Boron": "boron (borax)"}
    page = (letter / "send/letter.html").read_text(encoding="utf-8")
    line = page.partition("Analytes: ")[2].partition("</p>")[0]
    assert "zircon (Zircon)" in line
    assert "boron (borax) (Boron)" in line
    plan = root / "plan/samples.csv"
    pd.concat([cells(plan), cells(letter / "keep/samples-to-add.csv")]).fillna("").to_csv(plan, index=False)
    read = again["Analyte"].map({"Zircon": "1.51", "Boron": "203"})
    again.assign(Result=read).to_csv(root / "raw/again.csv", index=False)
    assert main(["intake", str(root), "--suggest", str(root / "raw/again.csv")]) == 0
    proposed = capsys.readouterr().out
    assert tomllib.loads(proposed[proposed.index("[[file]]"):])["file"][0]["columns"]["value"] == "Result"
    with (root / "intake.toml").open("a", encoding="utf-8") as mapping:
        mapping.write("\n" + proposed[proposed.index("[[file]]"):])
    tables = load_tables(root, with_results=False)
    outcome = read_intake(root, tables.study, tables.samples)
    taken = outcome.results[outcome.results["source_file"] == "again.csv"]
    assert outcome.rejected.empty, outcome.rejected.to_string()
    assert len(taken) == len(again)
    assert set(taken["sample"]) == set(again["Sample"])
    assert set(taken["run"]) == {"again"}


@pytest.mark.slow
def test_where_stock_and_laboratory_are_as_they_should_be_only_the_bottle_that_broke_is_asked_about(tmp_path, capsys):
    """The truth of the demo: zircon settles in every drum, by rates of their own; the laboratory broke one bottle."""
    root = tmp_path / "slip"
    copy_demo("slip", root)
    faults = [f for f in json.loads((root / "truth.json").read_text(encoding="utf-8"))["faults"] if f["kind"] == "lost bottle"]
    assert main(["--quiet", "intake", str(root)]) == 0
    assert main(["ask", str(root)]) == 0
    asked = cells(tmp_path / "slip-letter/send/questions.csv")
    assert [asked["about"].tolist(), len(faults)] == [["bottle"], 1]
    assert asked["code"].iloc[0] in faults[0]["where"]
    assert "1 row of questions and 0 portions" in capsys.readouterr().out
    assert not (tmp_path / "slip-letter/send/again.csv").exists()
    plan = cells(root / "plan/samples.csv")
    plan.loc[plan["sample"] == asked["code"].iloc[0], "drawn_at"] = ""  # never drawn: no question for a laboratory
    plan.to_csv(root / "plan/samples.csv", index=False)
    assert main(["ask", str(root), "--to", str(tmp_path / "other")]) == 2
    assert "no check asks anything that a laboratory could answer" in capsys.readouterr().err


def test_a_study_without_results_says_what_to_run(tmp_path, capsys):
    copy_demo("slip", tmp_path / "slip")
    assert main(["ask", str(tmp_path / "slip")]) != 0
    assert "studykit intake" in capsys.readouterr().err
    assert not (tmp_path / "slip-letter").exists()
