"""What the exercises of the teaching page promise is so on the demos."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest

import studykit as sk
from studykit.demos.shipped import copy_demo, demo_folder
from studykit.design.assumptions import aims_of
from studykit.study.definition import load_study
from tests.docs.reading import ROOT
from tests.test_flow import judged


@pytest.mark.slow
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


def test_determinations_help_less_where_profiles_scatter_and_as_much_where_they_do_not() -> None:
    """Exercise 7, worked by the library at what ropeway says of phosphorus and boron; held as the page rounds them."""
    aims = {a.analyte: a for a in aims_of(load_study(demo_folder("ropeway")))}

    def chance(analyte: str, profiles: str, containers: int, determinations: int) -> int:
        aim = aims[analyte]
        found = sk.chances(containers=containers, determinations=determinations, depths=3, profiles=profiles,
                           margin=f"{aim.shown(aim.margin):g} %", repeatability=f"{aim.guess.s_r:g} %")
        return round(float(found.to_table()["chance_percent"].iloc[0]))

    assert [chance("P", "5 %", n, m) for n, m in ((24, 1), (24, 2), (48, 1))] == [65, 71, 98]
    assert [chance("B", "0 %", n, m) for n, m in ((24, 2), (48, 1))] == [44, 47]
    assert aims["B"].guess.sd_container_depth == 0
    prices = load_study(demo_folder("ropeway")).design
    assert prices.cost_container > 0  # twice the pails cost more than twice the determinations


def test_no_module_of_the_kit_opens_the_truth_of_a_demo() -> None:
    """Only the class writes a file of that name (after the reveal), and a copy for a class leaves it out."""
    named = {str(p.relative_to(ROOT / "studykit")): re.findall(r".*truth\.json.*", p.read_text(encoding="utf-8"))
             for p in sorted((ROOT / "studykit").rglob("*.py"))}
    assert {p for p, lines in named.items() if lines} == {"classroom/reveal.py", "commands/planning.py", "commands/teaching.py",
                                                          "demos/shipped.py"}
    assert not any("read" in line or "open(" in line for lines in named.values() for line in lines)
    assert json.loads((demo_folder("ropeway") / "truth.json").read_text(encoding="utf-8"))["analytes"]
