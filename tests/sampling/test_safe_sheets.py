"""Safety on the text of the sheets: random profiles, each with what a safety engineer expects to read at the bench.

The expectations restate docs/02-sampling.md and rules of the trade (sources in cautions.toml); nothing of the kit's own
logic decides them.
"""

from __future__ import annotations

import json
import math
import random
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from studykit.core.errors import BadInput
from studykit.sampling import sheets
from studykit.sampling.order import Plan, make_plan
from studykit.study.definition import parse_study
from studykit.study.safety import SafetySettings
from tests.sampling_examples import STUDY_TOML, container_table, stock_rows, study

ANSWERS: dict[str, tuple[Any, ...]] = {
    "data_sheet": ("lost", "sheet 4", "sheet 4"), "permit": ("?", "shift lead", "shift lead"),
    "flash_point_c": ("none", "unknown", 13.0, 40.0, 60.0, 220.0), "liquid_up_to_c": ("unknown", 20.0, 25.0, 43.0, 45.0, 60.0),
    "conductivity_ps_m": ("unknown", 0.5, 100.0, 9999.0, 10000.0, 135000.0),
    "mixing_procedure": ("to follow", "instruction 12"),
    "vessel_material": ("metal", "metal", "plastic", "unknown"), "pressure_or_gas": ("no", "no", "yes", "unknown"),
    "free_water": ("no", "no", "yes", "unknown"), "toxic_or_corrosive": ("no", "no", "yes", "unknown"),
}


def ignites(p: dict[str, Any]) -> bool:
    """Warmer than 15 °C below the flash point, or not known."""
    flash, warm = p["flash_point_c"], p["liquid_up_to_c"]
    return flash != "none" and ("unknown" in (flash, warm) or warm > flash - 15)


def isolated(p: dict[str, Any]) -> bool:
    """Whether a charge has no sure path to earth where a spark would matter."""
    return explosive(p) and p["vessel_material"] != "metal"


def explosive(p: dict[str, Any]) -> bool:
    """Vapour that ignites, or gas that is not ruled out."""
    return ignites(p) or p["pressure_or_gas"] != "no"


def pause(p: dict[str, Any]) -> int:
    """Three relaxation times, 2.3 * 8.854 pF/m over the conductivity; 30 min where it is not known. Textbook electrostatics."""
    if p["conductivity_ps_m"] == "unknown" or isolated(p):
        return 30
    return math.ceil(3 * 2.3 * 8.854 / p["conductivity_ps_m"] / 60)


def breaches(p: dict[str, Any], front: str, bench: str, laboratory: str) -> Iterator[str]:
    """Rules of the profile that the texts of page one, a container's page and the laboratory's papers break."""
    charges = p["conductivity_ps_m"] == "unknown" or p["conductivity_ps_m"] < 10_000
    calm = not ignites(p) and all(p[k] == "no" for k in ("pressure_or_gas", "free_water", "toxic_or_corrosive"))
    warm = p["liquid_up_to_c"] != "unknown" and p["liquid_up_to_c"] <= 43
    answered = p["data_sheet"] != "lost" and p["permit"] != "?" and "unknown" not in p.values()
    wanted = {
        "earth": explosive(p) or charges, "bond tool": explosive(p) or charges, "tools and vessels that conduct": explosive(p),
        "nothing of insulating plastic": explosive(p), "a camera rated for it": explosive(p),
        "in such containers opens it": explosive(p) and p["vessel_material"] != "metal",
        "trained people open it, not this sheet": p["pressure_or_gas"] != "no",
        "stop, keep it shut, until": p["free_water"] != "no",
        "Toxic or corrosive, or not ruled out": p["toxic_or_corrosive"] != "no", "cool shut below 43": not warm,
        "Open nothing before page one is answered and signed": True, "still for 30 min": charges or isolated(p),
        f"After every draw wait {pause(p)} min before the next tube": charges or isolated(p),
    }
    yield from (f"the bench page lacks {words!r}" for words, needed in wanted.items() if needed and words not in bench)
    if explosive(p) and "open bung" in bench:
        yield "the open bung is photographed"
    heel = answered and warm and p["pressure_or_gas"] == "no" and p["free_water"] == "no" and not (
        ignites(p) and (charges or p["vessel_material"] != "metal"))
    if ("flat-ended tube" in bench or "dip for height" in bench) != heel or ("heel|barred" in bench) == heel:
        yield "the heel is not drawn exactly where it is cleared"
    if ("cleared, provided" in front) != heel or (heel and (ignites(p) or charges) and "earthed and bonded" not in front):
        yield "page one clears without the precondition"
    if ("shake it shut" in laboratory) != (answered and warm and calm):
        yield "the laboratory is told to shake what is not cleared"
    if ("mix what is left only by" in bench) != (answered and warm and calm and p["mixing_procedure"] == "instruction 12"):
        yield "the rest is not mixed exactly where it is cleared"
    if str(p["flash_point_c"]) not in laboratory:
        yield "the laboratory is not told the flash point"


def flat(value: Any) -> str:
    """All texts of the data of a page, in order."""
    if isinstance(value, dict):
        return " ".join(flat(v) for v in value.values())
    return " ".join(flat(v) for v in value) if isinstance(value, (list, tuple)) else str(value)


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return make_plan(study(), container_table(stock_rows(1), tmp_path_factory.mktemp("plan")))


def printed(p: dict[str, Any], plan: Plan, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str, str]:
    """Texts of page one, of the container's page and of the laboratory's papers, as they go to the typesetter."""
    s = study().model_copy(update={"safety": SafetySettings(**p)})
    monkeypatch.setattr(sheets, "render", lambda _, data, files=None: json.dumps(data).encode())
    bench = json.loads(sheets.bench_pdf(s, plan))
    page = bench["pages"][0]
    rows = " ".join(f"{d['depth']}|{d['tip']}" for d in page["draws"])
    papers = [json.loads(f) for f in (sheets.submission_pdf(s, plan.submission), sheets.custody_pdf(s, ["K72PX"]))]
    cautions = "".join(piece for c in bench["cautions"] for piece, _ in c)
    return flat(bench["front"]["answers"]), f"{flat(page)} {flat(bench['steps'])} {cautions} {rows}", flat(papers)


@pytest.mark.slow
def test_every_rule_holds_on_the_text_of_random_profiles(one, monkeypatch) -> None:
    rng = random.Random(13)
    found, cleared = [], 0
    for _ in range(400):
        p = {key: rng.choice(choices) for key, choices in ANSWERS.items()}
        texts = printed(p, one, monkeypatch)
        cleared += "cleared, provided" in texts[0]
        found += [(broken, p) for broken in breaches(p, *texts)]
    assert found == []
    assert cleared > 3


def test_an_ethanol_in_steel_is_earthed_although_it_conducts(one, monkeypatch) -> None:
    """Flash point 13 °C, 135 000 pS/m (ethanol, handbook values): an unearthed drum of it is an isolated conductor."""
    p = {**study().safety.model_dump(), "flash_point_c": 13.0, "liquid_up_to_c": 25.0,
         "conductivity_ps_m": 135000.0, "vessel_material": "metal"}
    front, bench, laboratory = printed(p, one, monkeypatch)
    assert list(breaches(p, front, bench, laboratory)) == []
    assert "container, tool and receiver earthed and bonded before opening" in front
    assert list(breaches(p, front, bench.replace("earth", "x"), laboratory)) == ["the bench page lacks 'earth'"]  # it can fire
    assert len(list(breaches(p, front.replace("earthed", ""), bench, laboratory))) == 1
    assert len(list(breaches(p, front, bench, laboratory + "shake it shut"))) == 1


def test_each_container_has_the_page_of_its_vessel(tmp_path, monkeypatch) -> None:
    """A steel pail and a plastic one of a liquid that may ignite: only the plastic one's page stops at the material."""
    rows = stock_rows(2)
    told = {"flash_point_c": 13.0, "conductivity_ps_m": 135000.0, "vessel_material": {"pail20": "metal", "bottle1": "plastic"}}
    small = {**rows[1], "vessel": "bottle1", "fill_volume_l": "0.8"}
    plan = make_plan(study(sampling={"draw_ml": 50}), container_table([rows[0], small], tmp_path))
    monkeypatch.setattr(sheets, "render", lambda _, data, files=None: json.dumps(data).encode())
    bench = json.loads(sheets.bench_pdf(study(safety=told), plan))
    stops = {p["vessel"]: "in such containers opens it" in flat(p["stop"]) for p in bench["pages"]}
    assert stops == {"pail20": False, "bottle1": True}
    assert "pail20: metal, bottle1: plastic" in flat(bench["front"]["answers"])
    assert study(safety=told).safety.material == "plastic"
    assert not study(safety=told).safety.clears("heel draw")  # the worst counts


@pytest.mark.parametrize("answer", ["metal", {"pail20": "metal"}, {"pail20": "metal", "bottle1": "metal", "drum": "metal"}])
def test_several_vessels_are_metal_only_where_each_is_said_to_be(answer) -> None:
    data = tomllib.loads(STUDY_TOML)
    data["safety"]["vessel_material"] = answer
    with pytest.raises(BadInput, match=r"safety.vessel_material .*pail20 = "):
        parse_study(data)
    data["safety"]["vessel_material"] = "plastic"  # the worse may stand for all
    assert not parse_study(data).safety.unanswered()


@pytest.mark.parametrize(("orientation", "said"), [("", False), ("upright", False), ("lying", True), ("inverted", True)])
def test_a_lying_or_upturned_container_says_where_its_bung_is(one, monkeypatch, orientation: str, said: bool) -> None:
    p = study().safety.model_dump()
    plan = Plan(**{**{f: getattr(one, f) for f in one.__dataclass_fields__},
                   "containers": one.containers.assign(orientation=orientation)})
    assert ("a bung below the level empties it" in printed(p, plan, monkeypatch)[1]) == said


def test_a_lying_cylinder_lies_without_a_word_in_the_list(tmp_path, monkeypatch) -> None:
    drum = {"drum": {"shape": "horizontal_cylinder", "diameter_mm": 571.5, "length_mm": 850}}
    s = study(vessels=drum, safety={"vessel_material": dict.fromkeys(("pail20", "bottle1", "drum"), "metal")})
    plan = make_plan(s, container_table([{**stock_rows(1)[0], "vessel": "drum", "fill_volume_l": "200"}], tmp_path))
    monkeypatch.setattr(sheets, "render", lambda _, data, files=None: json.dumps(data).encode())
    assert "a bung below the level empties it" in sheets.bench_pdf(s, plan).decode()
