"""One source of cautions: README, pages and report agree with it, every hazard is in it, and each names its source."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studykit.study.cautions import cautions, lines, markdown
from studykit.study.safety import SafetySettings
from studykit.study.stages import HERE
from tests.make_cautions import BEGIN, END, PLACES, ROOT, page, with_block

HAZARDS = {
    "ventilation": "ventilation", "oxygen": "lack oxygen", "poisonous gas": "hydrogen sulphide",
    "confined space": "confined space", "fire": "in a fire", "emergency": "alarm number", "mixing": "rolling, tumbling",
    "air pressure": "never pressurise", "tote": "about 1 t", "water-based drum": "230 kg", "rags": "heat themselves",
    "bonding": "bond and earth", "tools": "conduct and are bonded", "hot": "hot liquid", "spills": "absorbent",
    "used oil": "used engine oil", "hot work": "never cut, drill, grind, weld", "static": "lowered probe",
    "mouth": "by mouth", "data sheet": "safety data sheet", "licensed": "licensed people", "splash": "free fall",
}
GONE = ("nothing sticks to a rod", "relieve pressure slowly", "face turned away", "mix, then use",
        "draw the last sample at once")


def test_every_hazard_has_its_caution() -> None:
    text = markdown().lower()
    assert [name for name, words in HAZARDS.items() if words not in text] == []


def test_every_caution_names_a_source_or_says_that_there_is_none() -> None:
    for c in cautions():
        assert re.search(r"no source|from memory|CFR|DOE-HDBK|NIOSH|HSE|stopcarcinogens|computed", c.source), c.id
        assert set(c.printed) <= {"first", "bottle", "course"}
    assert len({c.id for c in cautions()}) == len(cautions()) >= 20


@pytest.mark.parametrize("name", PLACES)
def test_pages_carry_the_cautions_of_the_source(name: str) -> None:
    assert (ROOT / name).read_text(encoding="utf-8") == page(name), "run: python -m tests.make_cautions"
    changed = page(name).replace("lack oxygen", "lack nothing")
    assert with_block(changed, markdown(*[PLACES[name][0]], sources=PLACES[name][1])) == page(name)


def test_a_page_without_its_marks_is_refused() -> None:
    with pytest.raises(ValueError, match="must hold"):
        with_block("no marks", "x")
    with pytest.raises(ValueError, match="must hold"):
        with_block(f"{BEGIN}\n{END}\n{BEGIN}", "x")


def test_sentences_that_could_hurt_are_gone_everywhere() -> None:
    files = [p for folder in ("studykit", "docs", "notebooks") for p in (HERE.parent / folder).rglob("*")
             if p.suffix in (".py", ".toml", ".typ", ".md", ".txt", ".ipynb", ".j2")] + [HERE.parent / "README.md"]
    assert len(files) > 100
    assert [(p.name, g) for p in files for g in GONE if g in told(p)] == []


def told(path: Path) -> str:
    """The text of a file in one line of small letters."""
    return " ".join(path.read_text(encoding="utf-8").lower().split())


def test_a_profile_chooses_and_fills_in() -> None:
    unknown = SafetySettings()
    assert {c.id for c in cautions("", unknown)} == {c.id for c in cautions()}
    water = SafetySettings(flash_point_c="none", liquid_up_to_c=20, conductivity_ps_m=1e9, vessel_material="metal",
                           pressure_or_gas="no", free_water="no", toxic_or_corrosive="no")
    assert {c.id for c in cautions()} - {c.id for c in cautions("", water)} == {
        "vapour", "earthing", "static", "tools", "free water", "toxic", "hot"}
    assert "for 1 min since" in " ".join(lines("steps", water))
