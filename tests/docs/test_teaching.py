"""What the exercises of the teaching page promise is so on the demos."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd

from studykit.demos.shipped import copy_demo, demo_folder
from studykit.study.definition import load_study
from tests.docs.reading import ROOT
from tests.test_flow import judged


def test_boron_becomes_homogeneous_at_four_per_cent(tmp_path: Path) -> None:
    """Exercise 3: the wider margin turns the word, and nothing in the data forbids it."""
    root = copy_demo("ropeway", tmp_path / "ropeway")
    text = (root / "study.toml").read_text(encoding="utf-8")
    head, boron, rest = text.partition("[analytes.B]")
    (root / "study.toml").write_text(head + boron + rest.replace("relative_percent = 2 ", "relative_percent = 4 ", 1))
    assert load_study(root).analytes["B"].margin.relative_percent == 4
    assert judged(root).words()["B"] == "homogeneous"


def test_the_exercises_numbers_are_those_of_the_demo_slip() -> None:
    """Exercise 8: particles of 2 µm, and drums that stood for 84 days."""
    study = load_study(demo_folder("slip"))
    assert [c.diameter_um for c in study.components if c.analyte == "Zircon"] == [2]
    assert 84 in pd.read_csv(demo_folder("slip") / "plan/containers.csv")["age_days"].tolist()


def test_no_module_of_the_kit_opens_the_truth_of_a_demo() -> None:
    """Only the class writes a file of that name (after the reveal), and a copy for a class leaves it out."""
    named = {str(p.relative_to(ROOT / "studykit")): re.findall(r".*truth\.json.*", p.read_text(encoding="utf-8"))
             for p in sorted((ROOT / "studykit").rglob("*.py"))}
    assert {p for p, lines in named.items() if lines} == {"classroom/reveal.py", "commands/planning.py", "commands/teaching.py",
                                                          "demos/shipped.py"}
    assert not any("read" in line or "open(" in line for lines in named.values() for line in lines)
    assert json.loads((demo_folder("ropeway") / "truth.json").read_text(encoding="utf-8"))["analytes"]
