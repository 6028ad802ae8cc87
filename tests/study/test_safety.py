"""The safety profile: what is barred, over every combination of answers, against a truth table written apart."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from studykit.core.errors import BadInput
from studykit.study.cautions import cautions, lines, parts
from studykit.study.safety import SafetySettings, acts_in, obeyed, readable, why_barred
from studykit.study.stages import HERE, share
from tests.sampling_examples import study

DEMOS = share("demo_data")
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
    if not answered or s.pressure_or_gas == "yes" or float(s.liquid_up_to_c) > 43:
        return False, False
    burns = s.flash_point_c != "none" and float(s.flash_point_c) - float(s.liquid_up_to_c) < 15
    spark = float(s.conductivity_ps_m) < 10_000 or s.vessel_material != "metal"
    stir = not burns and s.toxic_or_corrosive == "no" and s.free_water == "no" and s.mixing_procedure != ""
    return not (burns and spark), stir


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


def test_no_line_of_any_profile_tells_what_is_barred_or_contradicts_another() -> None:
    bench = [p for p in parts() if p not in ("requests", "questions", "custody", "steps", "layered control")]
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
        assert bool(told["cake"]) == heel
        named = {c.id for c in cautions("", s)}
        spoken = " ".join(told["steps"])
        assert ("vapour" in named) == ("a camera rated for it" in spoken) == ("open bung" not in spoken)
        assert ("static" in named) == ("for 30 min since" in spoken)
        assert ("hot" in named) == ("cool shut" in spoken)
        assert (s.pressure_or_gas != "no") == ("trained people open it" in spoken)
        assert "{" not in " ".join(t for ts in told.values() for t in ts)
        assert {"authority", "pressure", "headspace", "emergency", "skin", "mouth", "confined space"} <= named
    assert len(seen) > 100


def test_an_order_to_mix_would_be_seen() -> None:
    assert orders("Residue: only then stir the sediment in until nothing sticks to a rod.")
    assert orders("Draw the last. Shake it well.")
    assert not orders("RESIDUE BARRED: do not stir or mix. The safety section does not clear it.")


def test_unknown_is_never_better_than_an_answer() -> None:
    """Turning any one answer into 'unknown' clears nothing that was barred."""
    for s in itertools.islice(profiles(), 0, None, 7):
        for key in CHOICES:
            worse = s.model_copy(update={key: CHOICES[key][0]})
            for act in ("heel draw", "stirring"):
                assert not worse.clears(act) or s.clears(act)  # type: ignore[arg-type]


@pytest.mark.parametrize(("text", "acts"), [
    ("Use as it stands.", ()), ("Pump as it stands.", ()), ("Mix, check by three depths, then use.", ("stirring",)),
    ("Tumble every pail; do not top up from an unmixed heel.", ("stirring",)), ("Use without mixing.", ()),
    ("Do not stir; ask the supplier.", ()), ("Draw the heel and a mixed whole.", ("heel draw", "stirring")),
    ("Recirculate bottom to top.", ("stirring",)), ("Re-mix it.", ("stirring",)),
    ("Check the floor with a rod.", ("heel draw",)),
    ("Never use it without stirring", ()), ("Shaking is enough.", ("stirring",)),
])
def test_what_a_sentence_asks_for(text: str, acts: tuple[str, ...]) -> None:
    assert acts_in(text) == acts


def test_an_action_is_withheld_until_its_act_is_cleared() -> None:
    cleared = study().safety
    assert obeyed(cleared, "Use as it stands.") == "Use as it stands."
    assert obeyed(cleared, "Tumble it.") == "Tumble it. (To be mixed only by the site's procedure “tumbling of pails”.)"
    barred = obeyed(SafetySettings(), "Tumble it.")
    assert "withheld" in barred
    assert "Tumble" not in barred
    assert "not answered: data_sheet, flash_point_c" in barred
    assert obeyed(SafetySettings(), "Use as it stands.") == "Use as it stands."
    water = cleared.model_copy(update={"free_water": "yes"})
    assert why_barred(water, ("stirring",)) == "free water lies in it"
    assert obeyed(cleared, "") == ""


@pytest.mark.parametrize("action", [
    "Fässer rollen, dann verwenden.", "Umrühren und neu beproben.", "Mescolare prima dell'uso.", "Agiter le fût.", "攪拌する",
    "Перемешать бочку.", "Karistir."])
def test_an_action_whose_words_cannot_be_read_counts_as_the_worse(action: str) -> None:
    barred = obeyed(SafetySettings(), action, "stratified")
    assert action not in barred
    assert "name in [safety] mixing_actions the answers whose action mixes" in barred
    told = SafetySettings(mixing_actions=("stratified",))
    assert "withheld" in obeyed(told, action, "stratified")
    plain = "Vier weitere öffnen."
    assert obeyed(told, plain, "inconclusive") == plain  # the person says that this one does not mix
    assert "withheld" in obeyed(SafetySettings(mixing_actions=()), "Stir it.", "stratified")  # words still count


@pytest.mark.parametrize("action", ["Invert each drum twice.", "Turn them over before use.", "Circulate it for an hour.",
                                    "Blend the pails.", "Swirl and pour.", "Bubble nitrogen through it."])
def test_other_verbs_of_mixing_are_seen(action: str) -> None:
    assert acts_in(action) == ("stirring",)


def test_every_action_that_the_kit_ships_can_be_read() -> None:
    for path in [*DEMOS.glob("*/study.toml"), *(HERE / "templates").glob("*/study.toml")]:
        for action in tomllib.loads(path.read_text(encoding="utf-8")).get("actions", {}).values():
            assert readable(action), action


def test_a_liquid_warmer_than_its_safety_section_says_is_refused() -> None:
    fluid = {"density_kg_m3": 880, "store_temperature_c": {"hut": 35.0}, "storage_temperature_c": 18.0}
    with pytest.raises(BadInput, match=r"liquid_up_to_c is 30 °C, but \[fluid\] stores it at 35 °C"):
        study(fluid=fluid)


@pytest.mark.parametrize("name", ["heel", "Residue"])
def test_a_depth_that_would_belong_to_no_zone_is_refused(name: str) -> None:
    with pytest.raises(BadInput, match=f"a depth may not be named {name}: it would belong to no zone"):
        study(factors={"depths": ["upper", "lower", name]})
