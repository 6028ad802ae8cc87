"""The safety profile: what is barred, over every combination of answers, against a truth table written apart."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from typing import Any

import pytest

from studykit.core.errors import BadInput
from studykit.study.cautions import cautions, lines, parts
from studykit.study.safety import SafetySettings, names_nothing
from tests.sampling_examples import study

CHOICES: dict[str, tuple[Any, ...]] = {
    "data_sheet": ("", "sheet 4"),
    "flash_point_c": ("unknown", "none", 30.0, 220.0),
    "liquid_up_to_c": ("unknown", 25.0, 60.0),
    "conductivity_ps_m": ("unknown", 50.0, 1e8),
    "vessel_material": ("unknown", "metal", "plastic"),
    "pressure_or_gas": ("unknown", "no", "yes"),
    "free_water": ("unknown", "no", "yes"),
    "toxic_or_corrosive": ("unknown", "no", "yes"),
    "permit": ("", "shift lead"),
    "mixing_procedure": ("", "instruction 12"),
}


def profiles() -> Iterator[SafetySettings]:
    """Every combination of the answers above."""
    for values in itertools.product(*CHOICES.values()):
        yield SafetySettings.model_construct(**dict(zip(CHOICES, values, strict=True)))


def truth(s: SafetySettings) -> tuple[bool, bool]:
    """Whether a heel draw and stirring may be planned, written out from the page and not from the code."""
    answered = all(getattr(s, k) not in ("unknown", "") for k in CHOICES if k != "mixing_procedure")
    if not answered or s.pressure_or_gas == "yes" or s.free_water == "yes" or float(s.liquid_up_to_c) > 43:
        return False, False
    burns = s.flash_point_c != "none" and float(s.flash_point_c) - float(s.liquid_up_to_c) < 15
    spark = float(s.conductivity_ps_m) < 10_000 or s.vessel_material != "metal"
    stir = not burns and s.toxic_or_corrosive == "no" and s.mixing_procedure != ""
    return not (burns and spark), stir


@pytest.mark.slow
def test_every_combination_of_answers_clears_what_the_page_says() -> None:
    found = [(truth(s), (s.clears("heel draw"), s.clears("stirring"))) for s in profiles()]
    assert len(found) == 23328
    assert [pair for pair in found if pair[0] != pair[1]] == []
    assert {mine for _, mine in found} == {(False, False), (True, False), (True, True)}


TELLS_TO_MIX = re.compile(r"\b(mix|mixed|stir|stirred|shake|shaken|tumble|roll)\b", re.I)
FORBIDS = re.compile(r"\b(do not|does not clear|never|barred)\b", re.I)


def orders(text: str) -> bool:
    """Whether a sheet's line tells somebody to mix: a sentence with a mixing word that does not forbid it."""
    return any(TELLS_TO_MIX.search(s) and not FORBIDS.search(s) for s in re.split(r"(?<=[.;])\s", text))


@pytest.mark.slow
def test_no_line_of_any_profile_tells_what_is_barred_or_contradicts_another() -> None:
    bench = [p for p in parts() if p not in ("requests", "questions", "custody", "steps", "layered control", "stop", "lying",
                                             "cleared", "cleared stirring")]
    seen = set()
    for s in profiles():
        key = s.facts(), s.mixing_procedure, s.rest_minutes
        if key in seen:
            continue
        seen.add(key)
        told = {p: lines(p, s) for p in parts()}
        heel, stir = truth(s)
        assert any(orders(t) for p in bench for t in told[p]) == stir
        assert any("BARRED" in t for t in told["heel"]) != heel
        assert all(len(told[p]) == 1 for p in ("heel", "residue", "remixed control"))
        assert any("BARRED" in t for t in told["residue"]) != stir
        assert bool(told["cake"]) == (heel and s.material == "metal")
        lined, gas = s.material in ("plastic", "other"), s.pressure_or_gas != "no"
        burns = s.flash_point_c != "none" and ("unknown" in (s.flash_point_c, s.liquid_up_to_c)
                                               or s.flash_point_c - s.liquid_up_to_c < 15)
        charges = s.conductivity_ps_m == "unknown" or s.conductivity_ps_m < 10_000
        explosive, moves = burns or gas, burns or gas or charges
        assert ("clamp on bare metal" in " ".join(told["stop"])) == (moves and not lined)
        assert ("Of plastic or lined, so it cannot be earthed" in " ".join(told["stop"])) == (moves and lined)
        assert ("container, tool and receiver earthed" in " ".join(told["cleared"])) == (moves and not lined)
        assert ("not known to be of metal" in " ".join(told["stop"])) == (explosive and s.material == "unknown")
        named = {c.id for c in cautions("", s)}
        spoken = " ".join(told["stop"] + told["steps"])
        assert ("vapour" in named) == ("a camera rated for it" in spoken) == ("open bung" not in spoken)
        assert ("static" in named) == ("for 30 min since" in spoken)
        assert explosive == ("vapour" in named) == ("tools" in named)
        assert ("static" in named) == (charges or (explosive and s.material != "metal"))
        assert ("hot" in named) == ("cool shut" in spoken)
        assert (s.pressure_or_gas != "no") == ("trained people open it" in spoken)
        assert "{" not in " ".join(t for ts in told.values() for t in ts)
        assert {"authority", "pressure", "headspace", "emergency", "skin", "mouth", "confined space"} <= named
    assert len(seen) > 100


def test_gas_without_a_flash_point_is_explosive_and_unknown_gas_is_the_worse() -> None:
    """Hydrogen from a water-based fluid, given off on light metals: no flash point, conducts well. Textbook chemistry."""
    fluid = {**study().safety.model_dump(), "flash_point_c": "none", "conductivity_ps_m": 5e6}
    for gas in ("yes", "unknown"):
        s = SafetySettings.model_validate({**fluid, "pressure_or_gas": gas})
        assert {"vapour", "earthing", "tools", "pressure"} <= {c.id for c in cautions("", s)}
        assert "open bung" not in " ".join(lines("steps", s))
        assert "near the opening only with a camera rated for it" in " ".join(lines("steps", s))
        assert "clamp on bare metal" in " ".join(lines("stop", s))
    calm = SafetySettings.model_validate({**fluid, "pressure_or_gas": "no"})
    assert "open bung" in " ".join(lines("steps", calm))
    assert not {"vapour", "earthing", "tools"} & {c.id for c in cautions("", calm)}


@pytest.mark.parametrize("material", ["plastic", "other", "unknown", "metal"])
def test_a_liquid_that_conducts_keeps_its_charge_where_no_path_leads_to_earth(material: str) -> None:
    """An isolated conductor does not lose its charge by its own conductivity (textbook electrostatics)."""
    s = study(safety={"flash_point_c": 21, "conductivity_ps_m": 50_000, "vessel_material": material if material != "metal" else
                      {"pail20": "metal", "bottle1": "metal"}}).safety
    rest = 1 if material == "metal" else 30
    assert (s.rest_minutes, s.pause_minutes) == (rest, rest)
    assert ("static" in {c.id for c in cautions("", s)}) == (material != "metal")
    assert any(f"for {rest} min since it was moved" in t for t in lines("steps", s))
    assert any("After every draw wait 30 min" in t for t in lines("steps", s)) == (material != "metal")


def test_heat_is_cooled_shut_only_where_its_reason_is_known() -> None:
    hot = study(safety={"liquid_up_to_c": 60, "flash_point_c": 220}).safety
    (line,) = [t for t in lines("stop", hot) if "cool shut" in t]
    assert line.startswith("Hot for a known reason")
    assert "Hot without one: keep away, call trained people." in line
    assert "hot without a known reason" in next(c.text.replace("**", "") for c in cautions("", hot) if c.id == "pressure")


def test_nothing_is_moved_before_the_draw_at_the_floor() -> None:
    assert any("nor move it before its last draw (at the floor too) is done" in t for t in lines("steps", study().safety))


def test_bench_and_laboratory_agree_on_shaking_without_a_procedure_of_the_site() -> None:
    s = study(safety={"mixing_procedure": ""}, sampling={"residue": False}).safety
    bench, laboratory = " ".join(lines("controls", s)), " ".join(lines("requests", s))
    assert "does not clear shaking" not in bench + laboratory
    assert "no procedure of this site for mixing is named, so do not shake them here" in bench
    assert "as the data sheet and your own safe procedure allow, warm it, shake it shut" in laboratory


def test_of_several_vessels_each_is_earthed_or_not_by_its_own_material() -> None:
    s = study(safety={"vessel_material": {"pail20": "metal", "bottle1": "plastic"}}).safety
    both = " ".join(lines("cleared", s))
    assert "container, tool and receiver earthed" in both
    assert "what is of plastic or lined cannot be earthed" in both
    assert [("clamp on bare metal" in " ".join(lines("stop", s.at(v)))) for v in ("pail20", "bottle1")] == [True, False]


def test_what_mixing_destroys_is_measured_before_it() -> None:
    s = study().safety
    assert "before any residue" in " ".join(lines("cake", s))
    assert any("dip for height" in t and "before any residue" in t for t in lines("steps", s))
    (residue,) = lines("residue", s)
    assert "last of all" in residue
    assert "before it is opened or drawn from again, all that stands under STOP holds again" in residue


def test_an_order_to_mix_would_be_seen() -> None:
    assert orders("Residue: only then stir the sediment in until nothing sticks to a rod.")
    assert orders("Draw the last. Shake it well.")
    assert not orders("RESIDUE BARRED: do not stir or mix. The safety section does not clear it.")


@pytest.mark.slow
def test_unknown_is_never_better_than_an_answer() -> None:
    """Turning any one answer into 'unknown' clears nothing that was barred."""
    for s in itertools.islice(profiles(), 0, None, 7):
        for key in CHOICES:
            worse = s.model_copy(update={key: CHOICES[key][0]})
            for act in ("heel draw", "stirring"):
                assert not worse.clears(act) or s.clears(act)  # type: ignore[arg-type]


NOTHING = """unknown|none|no|No|?|??|n/a|N.A.|-|--|tbd|TODO|ask|.|missing|open|nobody|x|lost|later|unbekannt|keine|0|yes
to be asked|ask the supplier|write here|none yet|there is none|not known|we do not have one|not yet|see above|no permit
no permit needed|whoever is there|will look it up|as always|we just roll them|wie immer|siehe oben|folgt
not needed|we have none|does not exist|not available|to follow|   |""".replace("\n", "|").split("|")
NAMES_ONE = ["works instruction 12", "procedure no. 12", "Arbeitsanweisung 7", "works instruction of the glaze shop",
             "WI-7 for tumbling", "SOP 12", "method statement for recirculation, north yard",
             "paddle stirrer with lid, procedure 4"]
OF_A_PERSON = ["shift lead", "permit no. 12", "MP", "sheet of 3 March 2026", "notified supervisor", "lostock yard permit"]
NO_DOCUMENT = ["drum roller", "drum roller 2", "rolling on the drum roller for ten minutes", "tumbling shut pails",
               "works instruction", "homogenisation by recirculation", "the site's written procedure",
               "our mixing procedure", "paint shaker, hall 3", "good practice", "common sense", "300 rpm for 5 min",
               "No 5 roller", "Fassroller", "stirrer with a lid", "shift lead"]
"""Ways and devices, and words for a document that say neither which nor of what."""


@pytest.mark.parametrize("key", ["data_sheet", "permit", "mixing_procedure"])
def test_words_of_absence_are_no_answer(key: str) -> None:
    """The words that a hurried person writes; each leaves barred what the answer would have cleared."""
    cleared = study().safety
    assert cleared.clears("stirring")
    for text in NOTHING:
        other = SafetySettings(**{**cleared.model_dump(), key: text})
        assert not other.clears("stirring"), text
        assert other.clears("heel draw") == (key == "mixing_procedure"), text
    for text in NAMES_ONE + OF_A_PERSON * (key != "mixing_procedure"):
        assert SafetySettings(**{**cleared.model_dump(), key: text}).clears("stirring"), text
    assert names_nothing("lost") is True


@pytest.mark.parametrize("text", NO_DOCUMENT)
def test_a_way_of_mixing_is_no_written_procedure(text: str) -> None:
    s = study(safety={"mixing_procedure": text}, sampling={"residue": False}).safety
    assert s.bars("stirring") == (f"the site names no procedure for mixing (\u201c{text}\u201d names none)",)
    assert s.clears("heel draw")


@pytest.mark.parametrize("text", ["use a drill whisk and heat to 60", "roll them for ten minutes", "stir well",
                                  "heated tumbling", "shake, then open", "suck by mouth"])
def test_an_order_is_no_procedure_for_mixing(text: str) -> None:
    s = study(safety={"mixing_procedure": text}, sampling={"residue": False}).safety
    assert s.bars("stirring") == (f"the site names no procedure for mixing (\u201c{text}\u201d names none)",)
    assert s.shown("mixing_procedure") == f"\u201c{text}\u201d counts as not answered"


def test_a_word_of_absence_is_shown_as_it_was_read() -> None:
    s = study(safety={"permit": "to follow"}).safety
    assert s.bars("heel draw") == ("not answered: permit for opening (\u201cto follow\u201d names nothing)",)
    assert s.shown("permit") == "\u201cto follow\u201d counts as not answered"
    assert s.shown("data_sheet") == "invented, 2025"


@pytest.mark.parametrize("key", ["flash_point_c", "liquid_up_to_c", "conductivity_ps_m"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf"), "nan", "inf", "220", True])
def test_what_is_no_ordinary_number_is_refused(key: str, value: object) -> None:
    with pytest.raises(BadInput, match=f"safety.{key}"):
        study(safety={key: value})


@pytest.mark.parametrize(("key", "value", "words"), [
    ("flash_point_c", 5000, "cannot be"), ("flash_point_c", -300, "cannot be"), ("flash_point_c", 428, "is unusual"),
    ("liquid_up_to_c", -300, "cannot be"), ("liquid_up_to_c", 1000, "cannot be"), ("liquid_up_to_c", 205, "is unusual"),
    ("conductivity_ps_m", 1e20, "cannot be"), ("conductivity_ps_m", 1e-9, "cannot be"),
])
def test_numbers_that_can_hardly_be_meant_are_asked_about(key: str, value: float, words: str) -> None:
    """428: a flash point of 220 °C in degrees Fahrenheit."""
    with pytest.raises(BadInput, match=f"safety.{key}.*{words}"):
        study(safety={key: value})
    if words == "is unusual":
        assert study(safety={key: value}, unusual={f"safety.{key}": "silicone bath"}).safety


def test_a_liquid_warmer_than_its_safety_section_says_is_refused() -> None:
    fluid = {"density_kg_m3": 880, "store_temperature_c": {"hut": 35.0}, "storage_temperature_c": 18.0}
    with pytest.raises(BadInput, match=r"liquid_up_to_c is 30 °C, but \[fluid\] stores it at 35 °C"):
        study(fluid=fluid)


def test_the_warmest_day_counts_and_not_the_mean_of_the_year() -> None:
    fluid = {"density_kg_m3": 880, "storage_temperature_c": 20.0, "yearly_swing_c": 20.0}
    with pytest.raises(BadInput, match=r"liquid_up_to_c is 30 °C, but \[fluid\] stores it at 40 °C"):
        study(fluid=fluid)


@pytest.mark.parametrize("name", ["heel", "Residue", "heel draw", "floor", "Sump", "on the floor", "Bodensatz", "sediment"])
def test_a_depth_that_would_belong_to_no_zone_is_refused(name: str) -> None:
    with pytest.raises(BadInput, match=f"a depth may not be named {name}: it would belong to no zone"):
        study(factors={"depths": ["upper", "lower", name]})
