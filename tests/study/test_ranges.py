"""Values that can hardly be meant ask for a reason or are refused, each in its place; good studies pass in silence."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from studykit.core.errors import BadInput
from studykit.study.definition import Study, parse_study
from studykit.study.tables import check_tables, load_tables
from studykit.vessels.shapes import Shape

DEMOS = Path(__file__).resolve().parents[2] / "demo_data"
BASE: dict[str, Any] = {
    "title": "Invented drums", "question": "May they be used as they stand?", "responsible": "store keeper",
    "invented": True, "factors": {"depths": ["upper", "middle", "lower"]},
    "analytes": {"Si": {"unit": "mg/kg", "method": "any", "margin": {"relative_percent": 20}, "margin_reason": "invented"}},
    "vessels": {"drum": {"shape": "upright_cylinder", "diameter_mm": 571.5, "height_mm": 850},
                "tank": {"shape": "horizontal_cylinder", "diameter_mm": 1000, "length_mm": 2000},
                "tote": {"shape": "rectangular", "length_mm": 1150, "width_mm": 950, "height_mm": 1000}},
    "fluid": {"density_kg_m3": 895, "viscosity_mm2_s_at_40c": 220, "viscosity_mm2_s_at_100c": 19,
              "store_temperature_c": {"hut": 8}},
    "components": [{"name": "antifoam", "analyte": "Si", "density_kg_m3": 970, "diameter_um": 3.2}]}
HEAD = "container,vessel,store,liquid_height_mm,fill_volume_l,orientation\n"


def faults_of(**changes: Any) -> list[str]:
    """The faults of the base study with dotted keys replaced, as lines."""
    data = copy.deepcopy(BASE)
    for path, value in changes.items():
        place: Any = data
        *parents, last = path.split("__")
        for p in parents:
            place = place[int(p) if p.isdigit() else p]
        place[last] = value
    try:
        parse_study(data)
    except BadInput as error:
        return [f.line() for f in error.faults]
    return []


def test_good_studies_pass_in_silence() -> None:
    assert faults_of() == []
    for demo in ("ropeway", "forge", "tote", "slip", "beacon"):
        assert load_tables(DEMOS / demo, with_results=False).study.unusual == {}


@pytest.mark.parametrize(("place", "value", "said"), [
    ("fluid__storage_temperature_c", 68, "fluid.storage_temperature_c: '68': is unusual: commonly -30 to 50 °C"),
    ("fluid__store_temperature_c", {"hut": 68}, "fluid.store_temperature_c.hut: '68': is unusual"),
    ("fluid__rest_viscosity_pa_s", 300, "fluid.rest_viscosity_pa_s: '300': is unusual: commonly 0.0005 to 50 Pa·s"),
    ("components__0__log_sd", 2.0, "components.antifoam.log_sd: '2': is unusual"),
    ("components__0__diameter_um", 3200, "components.antifoam.diameter_um: '3200': is unusual"),
    ("components__0__density_kg_m3", 200, "components.antifoam.density_kg_m3: '200': is unusual"),
    ("fluid__viscosity_mm2_s_at_100c", 0.5, "fluid.viscosity_slope: '17."),
    ("fluid__yearly_swing_c", 30, "fluid.yearly_swing_c: '30': is unusual")])
def test_an_unusual_value_asks_for_a_reason_and_takes_one(place: str, value: object, said: str) -> None:
    found = faults_of(**{place: value})
    assert any(said in line for line in found), found
    named = said.partition(":")[0]
    assert any(f'under [unusual]: "{named}" = "why"' in line for line in found)
    asked = [line for line in faults_of(**{place: value, "unusual": {named: "measured by two people"}}) if said in line]
    assert asked == []


@pytest.mark.parametrize(("place", "value", "said"), [
    ("components__0__density_kg_m3", 0.97, "density_kg_m3: '0.97': cannot be: must be 1 to 23000 kg/m³"),
    ("fluid__density_kg_m3", 0.895, "fluid.density_kg_m3: '0.895': cannot be: must be 300 to 15000 kg/m³"),
    ("components__0__diameter_um", 3.2e-6, "diameter_um: '3.2e-06': cannot be: must be 0.0001 to 20000 µm"),
    ("components__0__log_sd", 40, "log_sd: '40': cannot be: must be 0 to 3"),
    ("fluid__storage_temperature_c", 291, "storage_temperature_c: '291': cannot be")])
def test_what_cannot_be_is_refused_whatever_the_reason(place: str, value: object, said: str) -> None:
    for reason in ({}, {"fluid.density_kg_m3": "because", "components.antifoam.diameter_um": "because"}):
        assert any(said in line for line in faults_of(**{place: value, "unusual": reason}))


def test_a_reason_for_a_place_that_does_not_exist_is_a_fault() -> None:
    (line,) = faults_of(unusual={"fluid.storage_temprature_c": "hot store"})
    assert "unusual.fluid.storage_temprature_c: is no place of this study" in line


def test_what_would_stop_the_estimate_is_found_by_the_check() -> None:
    """The fluid's contradictions stopped the plan after the check had found none."""
    assert any("must be below the viscosity at 40 °C" in x for x in faults_of(fluid__viscosity_mm2_s_at_100c=230))
    assert any("add density_expansion_per_k" in x for x in faults_of(fluid__density_kg_m3=1300))
    assert any("leaves -20 to 30 °C" in x for x in faults_of(fluid__viscosity_to_c=30, fluid__storage_temperature_c=31))
    assert any("must be above viscosity_from_c" in x for x in faults_of(fluid__viscosity_to_c=-30))
    assert any("less than 0.21 mm²/s" in x
               for x in faults_of(fluid__rest_viscosity_pa_s=0.0004, fluid__density_kg_m3=2000,
                                  fluid__density_expansion_per_k=0.001))


def study_folder(tmp_path: Path, rows: str, more: str = "") -> list[str]:
    import tomli_w

    (tmp_path / "plan").mkdir()
    (tmp_path / "study.toml").write_text(tomli_w.dumps(BASE) + more, encoding="utf-8")
    (tmp_path / "plan/containers.csv").write_text(HEAD + rows, encoding="utf-8")
    (tmp_path / "plan/samples.csv").write_text("sample,container,kind,depth\n", encoding="utf-8")
    return [f.line() for f in check_tables(tmp_path, with_results=False)[1]]


def test_a_height_in_centimetres_asks(tmp_path: Path) -> None:
    (line,) = study_folder(tmp_path, "D1,drum,hut,80,,\nD2,drum,hut,780,,\n")
    assert "plan/containers.csv row 2, column liquid_height_mm: '80': is unusual: commonly 127.5 to 850 mm" in line
    assert '"containers.D1.liquid_height_mm" = "why"' in line


@pytest.mark.parametrize("place", ["containers.D1.liquid_height_mm", "containers.liquid_height_mm"])
def test_a_height_with_its_reason_passes(tmp_path: Path, place: str) -> None:
    assert study_folder(tmp_path, "D1,drum,hut,80,,\n", f'\n[unusual]\n"{place}" = "the last of a drum"\n') == []


def test_a_misspelt_store_is_a_fault(tmp_path: Path) -> None:
    (line,) = study_folder(tmp_path, "D1,drum,Hut,780,,\nD2,drum,hall,780,,\n")
    assert "fluid.store_temperature_c.hut: is no store of plan/containers.csv -> known are Hut, hall" in line


def test_a_drum_that_lies_in_an_upright_shape_is_a_fault(tmp_path: Path) -> None:
    found = study_folder(tmp_path, "D1,drum,hut,500,,lying\nD2,tank,hut,500,,lying\nD3,tank,hut,500,,upright\n"
                                   "D4,tote,hut,500,,lying\nD5,drum,hut,500,,inverted\nD6,drum,hut,500,,on its side\n")
    assert [line.partition(",")[0] for line in found] == ["plan/containers.csv row 7", "plan/containers.csv row 2",
                                                          "plan/containers.csv row 4"]
    assert "'on its side'" in found[0]
    assert "does not fit vessel 'drum', whose shape is given as upright -> correct it, or declare a vessel" in found[1]
    assert "whose shape is given as lying" in found[2]


def test_every_shape_says_how_it_stands() -> None:
    shapes = {s.model_fields["shape"].default: s.posture for s in Shape.__subclasses__()}
    assert shapes == {"upright_cylinder": "upright", "frustum": "upright", "stacked": "upright", "rectangular": "either",
                      "table": "either", "horizontal_cylinder": "lying"}
    assert isinstance(parse_study(BASE), Study)
