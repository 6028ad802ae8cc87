"""Questions of a new study: only what the answers do not say yet, each answer read or refused with what to write."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import replace

import pytest

from studykit.core.errors import BadInput
from studykit.study.actions import OWN, foreseen, obeyed
from studykit.study.amounts import margin_in, margin_of
from studykit.study.asking import MOST_ASSUMED, answered, known, opened_for, questions, share
from studykit.study.definition import parse_study
from studykit.study.precision import find_method
from studykit.study.readers import ELEMENTS
from studykit.study.stages import HERE
from studykit.study.starting import assumed, attention, definition, tables
from studykit.vessels.packages import PACKAGES, Package, package_in

TEMPLATE = (HERE / "templates/new/study.toml").read_text(encoding="utf-8")
TOTE = {"fluid": "coolant 33", "package": "tote", "count": "1", "analytes": "pH, Si", "method.pH": "pH, ASTM D1287-11",
        "precision.pH": "r 0.1 pH; stated by the laboratory", "margin.pH": "0.3 pH",
        "reason.pH": "the buffer holds half a unit",
        "method.Si": "ICP-OES, in-house 7, 2026", "precision.Si": "r 6 %", "margin.Si": "15 %",
        "reason.Si": "the inhibitor may fall by a third", "responsible": "workshop lead"}
DRUMS = {"fluid": "gear oil 220", "package": "drums", "count": "12", "analytes": "phosphorus, KV40, water", "level.P": "340",
         "margin.P": "10 %", "reason.P": "tolerance of the blender", "margin.KV40": "1 %", "reason.KV40": "a tenth of a grade",
         "precision.Water": "r 40 mg/kg; control chart, 2026", "margin.Water": "100 mg/kg", "reason.Water": "half of the limit",
         "responsible": "maintenance planner"}
PAILS = {"fluid": "zircon suspension", "package": "pail 20 L", "count": "40", "opened": "16", "from": "north 20, south 20",
         "filled": "2026-03-02", "analytes": "solids", "unit.solids": "% m/m", "method.solids": "loss on drying, in-house 3",
         "margin.solids": "2 % (m/m)", "reason.solids": "the glaze covers with less", "responsible": "glaze mixer"}


def asked(given: dict[str, str]) -> list[str]:
    """The keys of all questions that these answers lead to."""
    return [q.key for q in questions(answered(given, None)[0])]


def test_nothing_is_asked_that_the_answers_already_say() -> None:
    one, many, two = asked(TOTE), asked(DRUMS), asked(PAILS)
    assert not {"kind", "opened", "from", "inside"} & set(one)  # a coolant, one container, of a usual kind
    assert {"opened", "from"} <= set(many)
    assert not {"unit.P", "method.P", "unit.KV40", "unit.Water", "level.KV40"} & set(many)  # a viscosity repeats in per cent
    assert {"unit.solids", "method.solids"} <= set(two)
    assert "kind" in asked({**TOTE, "fluid": "batch 7", "kind": "other"})
    assert "inside" in asked({**TOTE, "package": "can 10 L", "inside": "200 x 350"})


@pytest.mark.parametrize("given", [TOTE, DRUMS, PAILS])
def test_the_definition_says_what_was_answered_and_keeps_the_rest_of_the_template(given) -> None:
    found, taken = answered(given, None)
    text = definition(found, TEMPLATE, 123, taken)
    study = parse_study(tomllib.loads(text))
    assert (study.seed, study.responsible) == (123, given["responsible"])
    assert study.scope == ("container" if given["count"] == "1" else "stock")
    assert list(study.analytes) == list(found["analytes"])
    assert not study.sampling.heel
    for key, a in study.analytes.items():
        margin = given[f"margin.{key}"]
        assert a.margin.text(a.unit).removeprefix("±") == margin
        assert a.margin_reason == given[f"reason.{key}"]
    for line in TEMPLATE[TEMPLATE.index("# What the fluid is"):].splitlines():
        assert line in text or line.startswith(("heel", "containers"))
    told = "\n".join(assumed(found, taken))
    assert "[safety] is not answered" in told
    assert ("from memory, check your copy" in told) == any(a.method_key for a in study.analytes.values())
    assert all("assumed" in line for line in text.splitlines() if line.startswith(("question", "alpha", "share_percent")))


def test_the_precision_that_the_kit_knows_is_taken_and_the_laboratorys_own_wins() -> None:
    study = parse_study(tomllib.loads(definition(answered(DRUMS, None)[0], TEMPLATE, 1)))
    assert study.analytes["P"].method_key == "ASTM D5185-18"
    assert study.analytes["P"].nominal == 340
    assert study.analytes["KV40"].method_key == "ASTM D445-12 formulated oils"
    water = study.analytes["Water"].repeatability
    assert water is not None
    assert (water.r, water.source) == (40, "control chart, 2026")
    own = parse_study(tomllib.loads(definition(answered({**DRUMS, "precision.P": "s_r 2 %"}, None)[0], TEMPLATE, 1)))
    assert own.analytes["P"].repeatability is not None
    assert own.analytes["P"].method_key == ""
    assert all(known(key, "oil") is not None and find_method("ASTM D5185-18", key) for key in ELEMENTS)
    assert known("Si", "water-based") is None  # that precision was found on oils


def test_tables_hold_every_container_of_every_store_or_the_three_bottles_of_one() -> None:
    stock = tables(answered(PAILS, None)[0])["plan/stock.csv"].splitlines()
    assert len(stock) == 41
    assert sum(",north," in row for row in stock) == sum(",south," in row for row in stock) == 20
    one = tables(answered(TOTE, None)[0])
    assert one["raw/results.csv"].splitlines() == ["sample,pH,Si", ",pH,mg/kg", "A,,", "B,,", "C,,"]
    assert len(one["plan/samples.csv"].splitlines()) == 4


@pytest.mark.parametrize(("text", "read"), [
    ("bay 4: 12", {"bay 4": 12}), ("bay 4:5, bay 5: 7", {"bay 4": 5, "bay 5": 7}), ("hall", {"hall": 12}),
    ("north 5, south 7", {"north": 5, "south": 7}), ("north 5, bay 4: 7", {"north": 5, "bay 4": 7})])
def test_a_store_whose_name_ends_in_a_number_is_written_with_a_colon(text, read) -> None:
    assert answered({**DRUMS, "from": text}, None)[0]["from"] == read


def test_the_kit_withholds_no_action_that_it_writes_itself() -> None:
    """A study begun by `new` and nothing cleared: its own check told to rewrite the action that `new` had written."""
    for given in (TOTE, DRUMS, PAILS):
        study = parse_study(tomllib.loads(definition(answered(given, None)[0], TEMPLATE, 1)))
        assert study.actions
        assert foreseen(study.safety, study.actions.items()) == ()
        assert all(a.do in OWN and "withheld" not in obeyed(study.safety, a) for a in study.actions.values())


@pytest.mark.parametrize(("key", "value", "why"), [
    ("count", "a dozen", "write a whole number, 1 or more"), ("opened", "13", "there are 12 drums only"),
    ("from", "north 5, south 5", "that is 10 in all, but there are 12"), ("from", "north, south", "each store once"),
    ("from", "bay 4", "bay 4: 12"), ("from", "bay 4: 11", "that is 11"), ("from", ": 12", "each store"),
    ("method.P", "XRF, in-house 3", "the kit takes ICP-OES"),
    ("unit.P", "ppm", "in mg/kg"), ("method.Zn", "XRF", "under this key"),
    ("filled", "12 January", "write the day as 2026-01-31"), ("filled", "2999-01-01", "has not come yet"),
    ("margin.P", "10", "no unit"), ("margin.P", "10,5 %", "no unit"),
    ("margin.P", "2 mm²/s", "in % or in mg/kg"), ("margin.P", "120 %", "below 100"),
    ("margin.P", "a factor of 1", "above 1"), ("margin.P", "factor two", "no unit"),
    ("reason.P", "because", "says nothing yet"), ("responsible", "the person who decides", "says nothing yet"),
    ("precision.P", "4 %", "write r"), ("precision.P", "r 0 %", "above 0"), ("level.P", "plenty", "a number above 0"),
    ("level.P", "1,234", "between thousands"), ("level.P", "0.9 %", "in mg/kg"), ("share", "half", "whole number"),
    ("share", "100", "from 1 to 99"),
    ("package", "barrel", "write one of pail"), ("analytes", "Si, si", "named twice"),
    ("analytes", "a/b", "letters and digits"),
])
def test_a_bad_answer_is_refused_with_what_to_write(key, value, why) -> None:
    with pytest.raises(BadInput) as told:
        answered({**DRUMS, key: value}, None)
    assert [f.column for f in told.value.faults if why in f.reason] == [key]


def test_all_that_is_wrong_or_missing_is_told_at_once() -> None:
    given = {k: v for k, v in DRUMS.items() if k != "responsible"} | {"margin.P": "10", "colour": "red", "opened": "0"}
    with pytest.raises(BadInput) as told:
        answered(given, None)
    assert {f.column for f in told.value.faults} == {"margin.P", "colour", "opened", "responsible"}


@pytest.mark.parametrize("text", ["10 % below", "not more than 10 % below", "at most 10 % below", "no more than 10 % below",
                                  "10 % low", "at most 10 % lower", "10 % Less than the mixed container"])
def test_a_margin_on_one_side_is_read_as_people_write_it_and_its_question_says_how(text) -> None:
    found, _ = answered({**DRUMS, "margin.P": text}, None)
    assert found["margin.P"].toml() == '{ relative_percent = 10, side = "below" }'
    assert all("where one side alone matters: 5 % below" in q.text for q in questions(found) if q.key.startswith("margin."))
    with pytest.raises(BadInput):
        answered({**DRUMS, "margin.P": "below 10 %"}, None)  # any difference below that, or on one side?


@pytest.mark.parametrize(("text", "why"), [
    ("-25 %", "a sign does not say whether the other side counts too: write 25 % below, or 25 % for both sides"),
    ("at most +25 %", "write 25 % above, or 25 % for both sides"), ("10 % low high", "a side is named twice"),
    ("a quarter", "Understood are: 5 %, 5 mg/kg, a factor of 2; on one side alone: 5 mg/kg below, 5 % above"),
    ("25 % smaller", "Understood are: 5 %, 5 mg/kg")])
def test_a_margin_that_is_not_understood_is_refused_with_what_is(text, why) -> None:
    with pytest.raises(BadInput, match=re.escape(why)):
        answered({**DRUMS, "margin.P": text}, None)
    with pytest.raises(BadInput):
        margin_of(text)


def test_what_a_person_answered_or_confirmed_is_not_written_as_assumed() -> None:
    """Enter at a question takes what it shows: that is an answer."""
    shown = {"precision.P": "published", "precision.KV40": "published", "share": "20"}
    for given, number in ((DRUMS, 1), ({**DRUMS, **shown}, 0)):
        found, taken = answered(given, None)
        lines = definition(found, TEMPLATE, 1, taken).splitlines()
        for key, many in (("share_percent", 1), ("method_key", 2)):
            assert sum(line.startswith(key) and line.endswith("assumed") for line in lines) == number * many, key
        assert any("repeatability as published" in line for line in assumed(found, taken)) == bool(number)
        assert any(line.startswith("alpha") and line.endswith("assumed") for line in lines)  # nobody is asked


def test_a_share_that_was_answered_is_not_told_as_assumed() -> None:
    for given, told in ((DRUMS | {"share": "30"}, False), (DRUMS, True)):
        assert any("may lie beyond the margin" in t for t in assumed(*answered(given, None))) is told


def test_ph_has_no_margin_in_per_cent_and_one_container_needs_its_precision() -> None:
    for key, value, why in (("margin.pH", "5 %", "a logarithm already"), ("margin.pH", "factor 2", "a logarithm already"),
                            ("precision.Si", "", "an answer is needed")):
        with pytest.raises(BadInput, match=why):
            answered({**TOTE, key: value}, None)


def test_the_share_that_is_assumed_can_be_shown() -> None:
    """If none of n lies beyond, the 95 % bound is 1 - 0.05^(1/n) (Clopper and Pearson 1934, their case of none)."""
    assert [share(n) for n in (12, 16, 60)] == [30, 20, 20]
    assert all(100 * (1 - 0.05 ** (1 / n)) < share(n) < 100 for n in range(2, 200))


def test_a_share_that_nobody_would_take_unasked_needs_an_answer() -> None:
    few = {**DRUMS, "opened": "4"}  # 4 can show 53 % at best
    assert share(4) > MOST_ASSUMED
    with pytest.raises(BadInput, match="an answer is needed: Up to how many drums in 100"):
        answered(few, None)
    study = parse_study(tomllib.loads(definition(answered({**few, "share": "60 %"}, None)[0], TEMPLATE, 1)))
    assert study.share_percent == 60


def test_a_level_is_taken_in_its_own_unit_only() -> None:
    for told, value in (("340 mg/kg", 340.0), ("9,8", 9.8), ("0.5", 0.5), ("1234.5", 1234.5)):
        assert answered({**DRUMS, "level.P": told}, None)[0]["level.P"] == value


def test_usual_packages_hold_their_litres() -> None:
    assert all(p.litres <= p.capacity_l for p in PACKAGES.values())
    assert package_in("1000 L tote") == PACKAGES["tote"]
    assert package_in("barrel") is None
    assert package_in("a drum of 180 litres") == replace(PACKAGES["drum"], litres=180)
    for text, name, litres in (("drum 60 L", "drum", 60), ("pail 30 L", "pail", 30)):  # no usual inside holds these
        assert package_in(text) == Package(name=name, litres=litres)
    found = package_in("can 10 L")
    assert found is not None
    assert (found.name, found.litres, found.shape) == ("can", 10, "")
    for text, litres in (("tank 8 m3", 8000), ("tank 8 m³", 8000), ("8 cubic metres tank", 8000), ("bottle 500 mL", 0.5),
                         ("tank 2.5m3", 2500), ("cans of 10 litres", 10)):
        own = package_in(text)
        assert own is not None, text
        assert (own.name, own.litres) == (text.split()[0].removesuffix("s") if text[0].isalpha() else "tank", litres)
    for text, why in (("tank 8000", "write L or m3 behind"), ("tank 8 furlongs", "no volume"), ("drum 55 gal", "two sizes"),
                      ("tank 8,000 L", "between thousands"), ("2 tanks of 3 m3", "several numbers")):
        with pytest.raises(BadInput, match=why):
            answered({**TOTE, "package": text}, None)
    with pytest.raises(BadInput, match="but 10 L stand in it"):
        answered({**TOTE, "package": "can 10 L", "inside": "100 x 100"}, None)




@pytest.mark.parametrize("text", ["a factor of 2", "factor 2", "factor of 2"])
def test_a_margin_as_a_factor_is_written_as_one(text) -> None:
    written = definition(answered({**DRUMS, "margin.P": text}, None)[0], TEMPLATE, 1)
    assert "margin = { factor = 2 }" in written
    assert parse_study(tomllib.loads(written)).analytes["P"].margin.text("mg/kg") == "a factor of 2"


def test_an_inside_of_ones_own_and_a_drum_that_lies_are_what_the_definition_says() -> None:
    own = {**TOTE, "package": "can 10 L", "inside": "200 x 350"}
    can = parse_study(tomllib.loads(definition(answered(own, None)[0], TEMPLATE, 1))).vessels["can"]
    assert can.capacity_l == pytest.approx(math.pi * 1.0**2 * 3.5)  # dm: a cylinder's volume
    lying = answered({**DRUMS, "posture": "lie", "opening": "yes"}, None)[0]
    drum = parse_study(tomllib.loads(definition(lying, TEMPLATE, 1))).vessels["drum"]
    assert (drum.posture, drum.total_height_mm) == ("lying", 571.5)
    assert tables(lying)["plan/stock.csv"].splitlines()[1].endswith(",lying")
    standing, taken = answered(DRUMS, None)
    assert "they stand upright" in assumed(standing, taken)
    assert "posture" not in asked(TOTE)


@pytest.mark.parametrize(("answers", "why"), [
    ({"posture": "lie", "opening": "no"}, "a bung below the level empties it"), ({"posture": "leaning"}, "write stand or lie"),
    ({"posture": "lie"}, "an answer is needed"),
])
def test_a_lying_drum_without_an_opening_above_the_level_is_not_planned(answers, why) -> None:
    with pytest.raises(BadInput, match=why):
        answered({**DRUMS, **answers}, None)


GLYCOL = {"fluid": "coolant 33", "package": "tote", "count": "1", "analytes": "glycol", "unit.glycol": "%",
          "method.glycol": "refractometer, ASTM D3321", "precision.glycol": "r 0.5 points; laboratory",
          "margin.glycol": "2 points", "reason.glycol": "freezing point moves by less than a kelvin",
          "responsible": "site chemist"}


@pytest.mark.parametrize("unit", ["%", "% (m/m)", "vol%"])
@pytest.mark.parametrize(("key", "text"), [("margin.glycol", "2 %"), ("margin.glycol", "± 2 %"),
                                           ("precision.glycol", "r 2 %; laboratory")])
def test_per_cent_of_a_result_in_per_cent_is_asked_with_both_ways_to_write_it(unit, key, text) -> None:
    with pytest.raises(BadInput, match=r"2 percentage points \(50 to 48\): write '2 % of the value' or '2 points'"):
        answered({**GLYCOL, "unit.glycol": unit, key: text}, None)


@pytest.mark.parametrize(("text", "written", "told"), [
    ("2 % of the value", "{ relative_percent = 2 }", "±2 % of the value"),
    ("2 points", "{ absolute = 2 }", "±2 percentage points"),
    ("2 percentage points", "{ absolute = 2 }", "±2 percentage points"), ("a factor of 2", "{ factor = 2 }", "a factor of 2")])
def test_both_readings_of_per_cent_are_written_and_told_apart(text, written, told) -> None:
    made = definition(answered({**GLYCOL, "margin.glycol": text}, None)[0], TEMPLATE, 1)
    assert f"margin = {written}" in made
    margin = parse_study(tomllib.loads(made)).analytes["glycol"].margin
    assert margin.text("%") == told
    assert margin_in(told, "%") == margin  # what the kit prints it reads
    sided = answered({**PAILS, "margin.solids": f"{text} below"}, None)[0]["margin.solids"]
    assert sided == margin.model_copy(update={"side": "below"})


def test_a_precision_in_points_is_that_of_the_result() -> None:
    for text, stated in (("r 0.5 points; laboratory", {"r": 0.5}), ("s_r 1 % of the value; laboratory", {"s_r_percent": 1.0})):
        assert answered({**GLYCOL, "precision.glycol": text}, None)[0]["precision.glycol"] == {**stated, "source": "laboratory"}


def test_the_examples_fit_the_unit() -> None:
    for unit, example in (("%", "5 % of the value, or 2 points"), ("pH", "0.2 pH"), ("1", "or 0.2, or"),
                          ("1/mL", "a factor of 2, or")):
        margin = "0.2 pH" if unit == "pH" else "a factor of 2"
        found, _ = answered({**PAILS, "unit.solids": unit, "margin.solids": margin}, None)
        text = next(q.text for q in questions(found) if q.key == "margin.solids")
        assert example in text
        assert ("5 % below" in text) == (unit in ("1", "1/mL"))


@pytest.mark.parametrize(("unit", "text", "absolute"), [("pH", "0.2", 0.2), ("1", "0.3", 0.3)])
def test_a_number_without_unit_is_right_where_the_result_has_none(unit, text, absolute) -> None:
    assert answered({**PAILS, "unit.solids": unit, "margin.solids": text}, None)[0]["margin.solids"].absolute == absolute


@pytest.mark.parametrize(("key", "value", "why"), [
    ("margin.P", "don't know", "ask whoever uses the liquid"), ("level.P", "1e9", "1e.09 mg/kg cannot be"),
    ("responsible", "me", "write the role"), ("responsible", "KF", "names of people are kept out"),
    ("fluid", "don't know", "from the label"), ("precision.P", "often", "how far two results of one bottle may differ")])
def test_odd_answers_are_told_what_to_write(key, value, why) -> None:
    with pytest.raises(BadInput, match=why):
        answered({**DRUMS, key: value}, None)
    with pytest.raises(BadInput, match="Karl Fischer, in-house 12"):
        answered({**PAILS, "method.solids": "KF"}, None)


def test_one_container_may_leave_its_precision_open_and_is_told_what_to_ask_for() -> None:
    found, _ = answered({**GLYCOL, "precision.glycol": "don't know"}, None)
    assert parse_study(tomllib.loads(definition(found, TEMPLATE, 1))).analytes["glycol"].repeatability is None
    told, = attention(found)
    assert "Ask the laboratory how far two results of one bottle may differ (r)" in told
    assert attention(answered(GLYCOL, None)[0]) == []


def test_keys_are_matched_without_capitals_and_by_the_analytes_own_word() -> None:
    given = {k.replace(".Water", ".water").replace(".KV40", ".Viscosity"): v for k, v in DRUMS.items()}
    assert given != DRUMS
    assert answered(given, None)[0] == answered(DRUMS, None)[0]
    with pytest.raises(BadInput, match="asks the same as"):
        answered({**DRUMS, "margin.water": "3 %"}, None)


@pytest.mark.parametrize(("opened", "given", "told"), [
    (12, "10", "29 would have to be opened, and there are 12"), (12, "23", ""),
    (12, "22", "13 would have to be opened, and there are 12")])
def test_a_share_that_no_result_can_show_is_said(opened, given, told) -> None:
    """If none of n lies beyond, the 95 % bound is 1 - 0.05^(1/n) (Clopper and Pearson 1934, their case of none)."""
    found = answered({**DRUMS, "opened": str(opened), "share": given}, None)[0]
    assert len(attention(found)) == bool(told)
    assert not told or re.search(told, attention(found)[0])
    assert all(1 - 0.05 ** (1 / opened_for(p)) <= p / 100 < 1 - 0.05 ** (1 / (opened_for(p) - 1)) for p in range(1, 90))


@pytest.mark.parametrize(("given", "told"), [
    ({"margin.P": "5 %"}, "11 %"), ({"margin.P": "20 %"}, ""), ({"margin.Water": "30 mg/kg"}, "40 mg/kg"),
    ({"margin.Water": "3 %"}, ""), ({"precision.P": "s_r 4 %", "margin.P": "10 %"}, "11 %")])
def test_a_margin_below_the_repeatability_is_said_where_it_is_given(given, told) -> None:
    """r of phosphorus at 340 mg/kg: 1.3 * 340**0.58 = 38.2, 11 %, after ASTM D5185 (from memory); r = 2.77 s_r."""
    found, _ = answered({**DRUMS, **given}, None)
    key = next(k for k in given if k.startswith("margin"))
    question = next(q for q in questions(found) if q.key == key)
    assert question.remark is not None
    said = question.remark(found[key])
    assert bool(said) == bool(told)
    assert not told or f"may differ by {told} (r), more than this margin: only averages over many containers" in said
