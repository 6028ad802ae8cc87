"""study.toml is read into one frozen object, or refused with every fault at once."""

import pydantic
import pytest

from studykit.core.errors import BadInput
from studykit.study.definition import Repeatability, load_study, parse_study
from tests.studies import DEFINITION, definition, write_study


def faults(data):
    with pytest.raises(BadInput) as caught:
        parse_study(data)
    return {f.column: f for f in caught.value.faults}, str(caught.value)


def test_a_whole_definition_is_read(tmp_path):
    study = load_study(write_study(tmp_path))
    assert study.analytes["P"].margin.relative
    assert study.analytes["P"].margin.text("mg/kg") == "±5 %"
    assert study.analytes["W"].margin.text("mg/kg") == "±50 mg/kg"
    assert study.unit_of("W") == "mg/kg"
    assert study.label_of("W") == "W"


def test_an_analyte_for_information_is_named_so_and_one_at_least_decides():
    data = definition()
    data["analytes"]["W"] |= {"role": "information", "label": "water"}
    study = parse_study(data)
    assert [study.decides(a) for a in ("P", "W")] == [True, False]
    assert (study.label_of("P"), study.label_of("W")) == ("P", "water (for information)")
    data["analytes"]["P"]["role"] = "information"
    assert "nothing could decide the verdict" in faults(data)[1]


def test_the_definition_cannot_be_changed_afterwards():
    study = parse_study(DEFINITION)
    with pytest.raises(pydantic.ValidationError, match="frozen"):
        study.alpha = 0.5


def test_every_fault_is_listed_at_once():
    data = definition(tittle="x", alpha=0.7, question=None)
    data["analytes"]["P"]["margin"] = {"relative_percent": 0}
    data["analytes"]["P"]["unit"] = "mg/stone"
    data["analytes"]["W"]["margin"] = {"relative_percent": 5, "absolute": 1}
    del data["analytes"]["W"]["margin_reason"]
    data["vessels"]["drum"]["diameter_mm"] = -1
    found, text = faults(data)
    assert {"tittle", "alpha", "question", "analytes.P.margin.relative_percent", "analytes.P.unit",
            "analytes.W.margin", "analytes.W.margin_reason"} <= set(found)
    assert any(c.startswith("vessels.drum") for c in found)
    assert found["tittle"].reason == "this key is not known here"
    assert found["alpha"].reason == "must be at most 0.2"
    assert "exactly one of relative_percent, factor and absolute" in found["analytes.W.margin"].reason
    assert "mg/stone" in found["analytes.P.unit"].line()
    assert text.startswith(f"The study definition has faults: {len(found)} faults.")


@pytest.mark.parametrize(("change", "where", "reason"), [
    ({"analytes": {}}, "analytes", "needs at least 1 entries"),
    ({"factors": {"depths": ["upper"]}}, "factors.depths", "needs at least 2 entries"),
    ({"factors": {"depths": ["upper", "upper"]}}, "factors", "depths has a label twice"),
    ({"factors": {"depths": ["a", "b"], "by_depth": ["store"]}}, "factors", "which fixed does not list"),
    ({"factors": {"depths": ["a", "b"], "fixed": ["colour"]}}, "factors", "declare the column under [factors.columns.NAME]"),
    ({"factors": {"depths": ["a", "b"], "columns": {"colour": {"levels": ["a"], "unit": "K"}}}},
     "factors.columns.colour.levels", "needs at least 2 entries"),
    ({"factors": {"depths": ["a", "b"], "columns": {"colour": {}}}}, "factors.columns.colour", "give levels"),
    ({"factors": {"depths": ["a", "b"], "columns": {"lot": {"levels": ["a", "b"]}}}}, "factors", "which the kit knows already"),
    ({"factors": {"depths": ["a", "b"], "fixed": ["lot"], "random": ["lot"]}}, "factors", "fixed already or a number"),
    ({"factors": {"depths": ["a", "b"], "fixed": ["rod"], "by_depth": ["rod"],
                  "columns": {"rod": {"levels": ["a", "b"], "table": "samples"}}}}, "factors", "differs within containers"),
    ({"time": {"course": "saturating"}}, "time", "needs half_months"),
    ({"time": {"course": "linear", "half_months": 6}}, "time", "half_months belongs to"),
    ({"scope": "galaxy"}, "scope", "must be one of"),
    ({"components": [{"name": "x", "density_kg_m3": 970, "diameter_um": 1, "analyte": "Q"}]}, "", "Q"),
    ({"title": "x"}, "title", "must have at least 3 characters"),
])
def test_single_faults(change, where, reason):
    found, _ = faults(definition(**change))
    assert where in found
    assert reason in found[where].reason


def test_an_analyte_key_is_a_plain_name():
    data = definition()
    data["analytes"]["../x"] = data["analytes"]["P"]
    found, _ = faults(data)
    assert any("letters, digits" in f.reason for f in found.values())


def test_missing_broken_and_misencoded_files(tmp_path):
    with pytest.raises(BadInput, match=r"study\.toml: there is no such file"):
        load_study(tmp_path)
    (tmp_path / "study.toml").write_text("title = \nquestion = 'x'\n")
    with pytest.raises(BadInput, match=r"row 1, .*is not valid TOML"):
        load_study(tmp_path)
    (tmp_path / "study.toml").write_bytes("title = 'é'".encode("cp1252"))
    with pytest.raises(BadInput, match="is not UTF-8"):
        load_study(tmp_path)


def test_repeatability_statements_come_to_the_same_standard_deviation():
    # r = 1.96 x sqrt(2) x s_r = 2.77 s_r, ISO 5725-6:1994 clause 4.1 (from memory, check your copy)
    s = Repeatability(s_r=2.0, source="own chart").s_r_at(100.0)
    assert s == 2.0
    assert Repeatability(s_r_percent=2.0, source="own chart").s_r_at(100.0) == pytest.approx(2.0)
    assert Repeatability(r=2.0 * 2.7718, source="own chart").s_r_at(50.0) == pytest.approx(2.0, rel=1e-4)
    assert Repeatability(r_percent=2.7718, source="own chart").s_r_at(200.0) == pytest.approx(2.0, rel=1e-4)
    with pytest.raises(pydantic.ValidationError, match="exactly one"):
        Repeatability(s_r=1.0, r=2.0, source="own chart")


def test_a_margin_as_a_factor():
    """From half to double; below 1, and beside another form, it is refused."""
    def margin(**given):
        return definition(analytes={"P": {**DEFINITION["analytes"]["P"], "margin": given}})

    m = parse_study(margin(factor=2)).analytes["P"].margin
    assert (m.text("mg/kg"), m.relative, m.percent) == ("a factor of 2", True, pytest.approx(100))
    for given, why in (({"factor": 0.5}, "2 allows from half to double"), ({"factor": 1}, "above 1"),
                       ({"factor": 2, "relative_percent": 5}, "exactly one of"), ({"factor": 5000}, "at most 1000")):
        found, _ = faults(margin(**given))
        assert why in found["analytes.P.margin"].reason


@pytest.mark.parametrize(("section", "key", "value"), [
    ("design", "containers", "12"), ("design", "containers", True), ("design", "budget", "1500"),
    ("sampling", "heel", "yes"), ("sampling", "draw_ml", True), ("fluid", "density_kg_m3", "880"),
    ("fluid", "yearly_swing_c", True), ("sampling", "residue", 1)])
def test_text_and_true_are_no_number_and_a_number_is_no_yes(section: str, key: str, value: object) -> None:
    """diameter_um = true was taken as 1 µm, "5" as 5, by a converter that means well."""
    told = {"fluid": {"density_kg_m3": 880, "viscosity_mm2_s_at_40c": 46, "viscosity_mm2_s_at_100c": 6.8}}.get(section, {})
    parse_study(definition(**{section: told}))
    with pytest.raises(BadInput, match=rf"{section}.{key}.*must be (a number|true or false)"):
        parse_study(definition(**{section: {**told, key: value}}))


def test_a_component_of_true_and_a_store_temperature_in_quotation_marks_are_refused() -> None:
    fluid = {"density_kg_m3": 880, "viscosity_mm2_s_at_40c": 46, "viscosity_mm2_s_at_100c": 6.8}
    part = {"name": "grit", "density_kg_m3": 7800, "diameter_um": True}
    with pytest.raises(BadInput, match="must be a number: write it without quotation marks, not True"):
        parse_study(definition(fluid=fluid, components=[part]))
    with pytest.raises(BadInput, match="must be a number"):
        parse_study(definition(fluid={**fluid, "store_temperature_c": {"hut": "8"}}))


def test_a_rest_viscosity_beside_the_two_is_refused() -> None:
    """One of them would be left out without a word."""
    fluid = {"density_kg_m3": 880, "viscosity_mm2_s_at_40c": 46, "viscosity_mm2_s_at_100c": 6.8, "rest_viscosity_pa_s": 3}
    with pytest.raises(BadInput, match="stands beside the two viscosities"):
        parse_study(definition(fluid=fluid))


@pytest.mark.parametrize(("text", "key"), [
    ("Fe", "Fe"), ("iron", "Fe"), ("Iron", "Fe"), ("iron (for information)", "Fe"), ("water", "W"), ("P", "P"), ("p", "P"),
    ("zinc", ""), ("", ""), ("iro", "")])
def test_an_analyte_is_found_by_its_key_or_its_name_whatever_its_role(text, key):
    """A stranger's `margin ty iron ...` was refused, since the name that page one shows has its role behind it."""
    data = definition()
    own = data["analytes"]["P"]
    data["analytes"] |= {"Fe": {**own, "label": "iron", "role": "information"},
                         "W": {**data["analytes"]["W"], "label": "water"}}
    study = parse_study(data)
    assert study.key_of(text) == key
    assert study.known() == "known are P, W (water), Fe (iron)"
