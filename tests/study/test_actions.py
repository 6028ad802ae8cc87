"""Actions under the safety section: what they ask for, what is withheld, and what is printed beside every one of them."""

from __future__ import annotations

import re
import tomllib

import pytest

from studykit.study.actions import (
    acts_in,
    against_cautions,
    barred_lines,
    barred_note,
    foreseen,
    obeyed,
    unread,
    why_barred,
)
from studykit.study.safety import SafetySettings
from studykit.study.stages import HERE, share
from tests.sampling_examples import study

DEMOS = share("demo_data")

MIXES = """Stir before use.|Flip the pail over a few times.|Rotate the drum for an hour.
Run the transfer pump in a loop for an hour.|Pump it round for an hour.|Pump over from bottom to top.
Blow air through it.|Use an air lance.|Resuspend the sediment.
Redisperse the pigment.|Paddle it.|Work the sediment in with a rod.|Work the free water in.|Emulsify the water.|Beat it up.
Jiggle the pail.|Vibrate the pail.|Sonicate it.|Ultrasonic bath for 10 min.|Bottom-feed with compressed air for 5 minutes.
Bring the antifoam back into the oil, then use.|Rouse it.|Drive it around the yard on the forklift, then use.
Fluidise the bed.
Combine the layers, then use.|Plunge it with a rod.|Filter it in a kidney loop for a day.|Give the drum a kick."""
DRAWS = """Draw the last litres from the floor.|Drain the bottom 20 L to waste, then use.|Take a heel sample.
Pump the floor layer off.
Suck the sediment off the floor.|Pour off the top and discard the last litres.|Empty the drum to the last drop.
Siphon the water off.
Drain the water from the bottom.|Open the bottom tap and let the sludge out."""
HARMLESS = """Use as it stands; do not mix.|Never shake it; pour as it is.|Leave the drums shut and ask the supplier.
Open six more drums.
Set aside the named containers and those not opened; use the other opened ones as they stand.|Pump as is.|Scrap them.
Quarantine the mixed lots.|Use the upper half only.|Ask the blender.|Sell as second quality.|Order a new drum."""
FORBIDDEN = """Blow the drum empty with compressed air.|Push the liquid out with 1 bar of air.|Tilt the drum and pour.
Cut the drum open and look.|Smell it; if it smells right, use it.|Climb in and scrape the floor."""


def told(text: str) -> list[str]:
    """The sentences of one of the lists above."""
    return [s for line in text.splitlines() for s in line.split("|")]


@pytest.mark.parametrize("action", told(MIXES))
def test_plain_words_for_mixing_are_seen(action: str) -> None:
    assert "stirring" in acts_in(action)


@pytest.mark.parametrize("action", told(DRAWS))
def test_plain_words_for_draws_at_the_floor_are_seen(action: str) -> None:
    assert "heel draw" in acts_in(action)


@pytest.mark.parametrize("action", told(HARMLESS))
def test_harmless_actions_are_printed_and_never_without_what_is_barred(action: str) -> None:
    assert obeyed(study().safety, action) == action  # all cleared: as it stands
    assert obeyed(SafetySettings(), action) == f"{action} {barred_note(SafetySettings())}"


@pytest.mark.parametrize("action", told(FORBIDDEN))
def test_what_a_caution_forbids_is_withheld_whatever_the_profile_says(action: str) -> None:
    assert against_cautions(action)
    assert "the cautions forbid" in obeyed(study().safety, action)
    assert not against_cautions("Do not tilt it, never cut it.")


def test_an_action_in_words_that_no_list_holds_carries_its_precondition() -> None:
    """A made-up verb stands for every word that the lists lack: withheld until declared, then with what is barred."""
    withheld = obeyed(SafetySettings(), "Frobnicate the drum, then use it.")
    assert "withheld: \u201cFrobnicate\u201d cannot be read, so it counts as mixing" in withheld
    declared = SafetySettings(mixing_actions=())
    assert obeyed(declared, "Frobnicate it.") == (
        "Frobnicate it. (Nothing here allows mixing of any kind or a draw at the floor: see Cautions.)")
    assert barred_lines(study(safety={"mixing_procedure": ""}).safety) == (
        "Mixing of any kind (stirring, shaking, rolling, pumping round, blowing in gas): no "
        "mixing_procedure of the site is named.",)
    assert obeyed(study().safety, "Frobnicate it.") == (
        "Frobnicate it. (If this mixes: only by the site's procedure \u201ctumbling of pails\u201d, then shut and at rest for "
        "30 min before it is opened.)")


@pytest.mark.parametrize(("text", "acts"), [
    ("Use as it stands.", ()), ("Pump as it stands.", ()), ("Mix, check by three depths, then use.", ("stirring",)),
    ("Tumble every pail; do not top up from an unmixed heel.", ("stirring",)), ("Use without mixing.", ()),
    ("Do not stir; ask the supplier.", ()), ("Draw the heel and a mixed whole.", ("heel draw", "stirring")),
    ("Recirculate bottom to top.", ("stirring",)), ("Re-mix it.", ("stirring",)),
    ("Check the floor with a rod.", ("heel draw",)),
    ("Never use it without stirring", ("stirring",)), ("Shaking is enough.", ("stirring",)),
    ("Do not remix.", ()), ("Remixing not needed.", ()), ("No need to mix.", ()), ("Never shake or roll it.", ()),
    ("Do not stir more than ten minutes.", ("stirring",)), ("Do not pour before stirring it.", ("stirring",)),
    ("Do not stir unless it has stood.", ("stirring",)), ("Nothing is used without mixing.", ("stirring",)),
    ("Do not stir; shake it.", ("stirring",)), ("Do not just shake it.", ("stirring",)),
    ("Do not stir by hand.", ("stirring",)), ("Pour it from drum to drum.", ("stirring",)),
    ("Pump the lower half to the top.", ("stirring",)), ("Use a pump for an hour.", ("stirring",)),
    ("Never drain it.", ()), ("Do not pour until the sludge is drained.", ("heel draw",)),
    ("Use the last litres too.", ("heel draw",)),
])
def test_what_a_sentence_asks_for(text: str, acts: tuple[str, ...]) -> None:
    assert acts_in(text) == acts


def test_an_action_is_withheld_until_its_act_is_cleared() -> None:
    cleared = study().safety
    assert obeyed(cleared, "Use as it stands.") == "Use as it stands."
    assert obeyed(cleared, "Tumble it.") == ("Tumble it. (To be mixed only by the site's procedure “tumbling of pails”, then "
                                             "shut and at rest for 30 min before it is opened.)")
    barred = obeyed(SafetySettings(), "Tumble it.")
    assert "withheld" in barred
    assert "Tumble" not in barred
    assert "does not clear mixing, for the reasons under Cautions" in barred
    assert "not answered: data_sheet, flash_point_c" in barred_lines(SafetySettings())[0]
    water = cleared.model_copy(update={"free_water": "yes"})
    assert why_barred(water, ("stirring",)) == "free water lies in it"
    assert obeyed(cleared, "") == ""


@pytest.mark.parametrize("action", [
    "Fässer wälzen, dann verwenden.", "Umrühren und neu beproben.", "Mescolare prima dell'uso.", "Agiter le fût.",
    "桶を 攪拌する",
    "Перемешать бочку.", "Karistir."])
def test_an_action_whose_words_cannot_be_read_counts_as_the_worse(action: str) -> None:
    barred = obeyed(SafetySettings(), action, "stratified")
    assert action not in barred
    assert "name in [safety] mixing_actions the answers whose action mixes" in barred
    told = SafetySettings(mixing_actions=("stratified",))
    assert "withheld" in obeyed(told, action, "stratified")
    plain = "Vier weitere öffnen."
    assert obeyed(told, plain, "inconclusive") == f"{plain} {barred_note(told)}"  # the person says that this one does not mix
    assert "withheld" in obeyed(SafetySettings(mixing_actions=()), "Stir it.", "stratified")  # words still count


@pytest.mark.parametrize("action", ["Invert each drum twice.", "Turn them over before use.", "Circulate it for an hour.",
                                    "Blend the pails.", "Swirl and pour.", "Draw from the top, return to the bottom.",
                                    "Put what was drawn to the drum.", "Bubble nitrogen through it."])
def test_other_verbs_of_mixing_are_seen(action: str) -> None:
    assert acts_in(action) == ("stirring",)


@pytest.mark.parametrize("action", [
    "Nicht mischen.", "Ne pas agiter.", "No agitar.", "Niet schudden.", "Nie mieszać.", "Älä sekoita.", "混ぜる", "混",
    "Centrifuge it.", "Warm the drum, then use it.", "Filter it.", "Top up from the next lot, then squash it.",
    "Put it through the blender for ten minutes.", "Put it on the cradle for an hour.", "Let the line run.",
    "Pump the drum through the line, then use it.", "Percuss the wall.", "Have it reconditioned.", "Hand over to Bexley.",
    "Do whatever the foreman prefers."])
def test_words_that_are_not_known_count_as_mixing_until_declared(action: str) -> None:
    """Refusals in other languages too: the kit cannot tell them from their opposite."""
    assert unread(action)
    assert "withheld" in obeyed(SafetySettings(), action, "stratified")
    assert obeyed(SafetySettings(mixing_actions=()), action, "stratified").startswith(action)
    assert "If this mixes: only by the site's procedure" in obeyed(study().safety, action, "stratified")


@pytest.mark.parametrize("action", [
    "Saw the drum open.", "Torch the lid off.", "Punch a hole in the floor.", "Heat the drum with a flame.", "Taste it.",
    "Enter the tank and look.", "Never use it before smelling it.", "Inflate the tote to empty it.", "Pierce the liner."])
def test_other_words_for_what_a_caution_forbids_are_withheld_although_declared(action: str) -> None:
    declared = study().safety.model_copy(update={"mixing_actions": ()})
    assert "the cautions forbid" in obeyed(declared, action)


def test_every_action_that_the_kit_ships_can_be_read() -> None:
    for path in [*DEMOS.glob("*/study.toml"), *(HERE / "templates").glob("*/study.toml")]:
        text = re.sub(r"@\w+@", "1", path.read_text(encoding="utf-8"))  # the class's template has places to fill
        for action in tomllib.loads(text).get("actions", {}).values():
            assert unread(action) == (), action


@pytest.mark.parametrize("declared", [None, (), ("stratified",)])
@pytest.mark.parametrize("more", [{}, {"free_water": "yes"}, {"mixing_procedure": ""}, {"flash_point_c": "unknown"}])
def test_what_will_be_withheld_is_foreseen_and_nothing_else(more: dict[str, str], declared: tuple[str, ...] | None) -> None:
    """Every action of the lists above: `check` tells exactly those that the report will not print."""
    safety = SafetySettings.model_validate({**study().safety.model_dump(), **more, "mixing_actions": declared})
    texts = [*told(MIXES), *told(DRAWS), *told(HARMLESS), *told(FORBIDDEN), "Frobnicate it.", "Umr\u00fchren."]
    seen = set()
    for text in texts:
        withheld = "is withheld" in obeyed(safety, text, "stratified")
        said = "".join(foreseen(safety, [("stratified", text)]))
        assert bool(said) == withheld, text
        assert not said or said.startswith(f"[actions] stratified: the report will withhold \u201c{text}\u201d: ")
        seen.add(withheld)
    assert seen >= ({True} if declared else {True, False})  # 'stratified' declared to mix: no action of it is printed


def test_the_remedy_names_the_words_and_what_to_write() -> None:
    (said,) = foreseen(study(safety={"mixing_procedure": ""}).safety, [("uneven", "Frobnicate and vex it.")])
    assert "the kit cannot read \u201cFrobnicate, vex\u201d, so it counts as mixing" in said
    assert "mixing_actions = [] says that none has" in said
    (said,) = foreseen(SafetySettings(mixing_actions=()), [("stratified", "Roll it.")])
    assert "it asks for mixing, which [safety] does not clear (not answered: data_sheet" in said
    (said,) = foreseen(study().safety, [("stratified", "Heat the drum.")])
    assert said.endswith("the cautions forbid \u201cHeat\u201d. Declare another action.")
