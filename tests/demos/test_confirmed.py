"""What the main demo's confirmed values are said to rest on stands in its own raw files."""

from __future__ import annotations

import re
from pathlib import Path

from studykit.core.files import read_toml
from studykit.intake.take import read_intake
from studykit.study.tables import load_tables

ROOT = Path(__file__).parents[2]


def test_reasons_of_confirmed_values_are_in_the_data(tmp_path: Path) -> None:
    demo = ROOT / "demo_data" / "ropeway"
    tables = load_tables(demo, with_results=False)
    got = read_intake(demo, tables.study, tables.samples).results
    found = {(s, a): v for s, a, v in zip(got["sample"], got["analyte"], got["value"], strict=True)}
    reasons = [r for entry in read_toml(demo / "intake.toml", "")[0]["file"] for r in entry.get("confirmed", {}).items()]
    assert len(reasons) == 2
    for place, reason in reasons:
        sample, analyte = place.split(" ")
        others = re.findall(r"\b(P|S|B) ([0-9.]+)", reason)
        below = re.findall(r"\b([0-9]{4}) has ([0-9.]+)", reason)
        assert (len(others), len(below)) == (3, 2)
        assert all(found[sample, a] == float(v) for a, v in others)
        assert all(found[s, analyte] == float(v) for s, v in below)
