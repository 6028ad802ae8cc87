"""Actions under the safety section: what they were declared to ask for, what is withheld, what is printed beside them all."""

from __future__ import annotations

import random
import re
import tomllib

import pytest

from studykit.core.errors import BadInput
from studykit.study.actions import (
    BARRED_AS,
    DEEDS,
    FORBIDDEN_BY,
    OTHERS_USED,
    OWN,
    Action,
    barred_lines,
    barred_note,
    foreseen,
    named_in,
    obeyed,
    why_barred,
)
from studykit.study.cautions import cautions
from studykit.study.lock import promises
from studykit.study.safety import SafetySettings
from studykit.study.stages import HERE, share
from studykit.study.starting import ACTIONS
from studykit.verdict.rule import DEFAULT_ACTIONS
from tests.sampling_examples import study

DEMOS = share("demo_data")
WITHHELD = "The declared action is withheld: "

# by somebody who had the promise alone and looked for texts that the kit would take for harmless
SLY = """Pump out at the bottom and in at the top.|Pump each drum out and in again, then use.
Make top and bottom agree, then use.|Make the drum one again, then use.
Have it made level before use.|Treat the drums, then use.|Work the drums.
Use all drums together in the tote.|Never use it unmixed.|No unmixed drum is to be used.
Keep the drums at 80 °C, then use.|Get inside and take the rest out.
Take the rest out from inside.|Open all drums and keep them open for a week.
Take the lower third out and use the rest.|Use from the bottom up.
Scrap the bottom third and use the rest.|Do as last year.|Rühren, dann verwenden.|Не мешать.
桶を攪拌する|Do not mix; use as it stands.|Use as they stand.|Use as it stands"""
NAMES = {"mixing": """Stir before use.|Flip|Rotate it.|Run it in a loop.|Pump it round for an hour.|Resuspend it.
Mix it.|Never mix.|Use no unmixed drum.|Emulsify it.|Sonicate it.|Nitrogen.|Combine the layers.
Whisk.|Plunge it.|Roll it.|Blend the pails.|Remix it.|Pump out and in again.|Tumble it.
Upside down for a day.|Homogenise it.""",
         "floor draw": """Use the last litres.|Drain it.|Take the heel.|Use from the floor up.|Siphon it.|Use from below.
Decant it.|Let the sludge out.|Scrap the lowest third.|Use to the last drop.""",
         "heating": "Warm it.|Heat it.|Use at 60 °C.|Store at 80 degrees.|A flame.|Steam it.|Boil.",
         "cutting": "Cut it open.|Saw it.|Drill a hole.|Pierce it.|Weld it.|Punch a hole.",
         "entering": "Climb in.|Enter the tank.|Get inside and look.|Reach into it.|Lean in.",
         "air pressure": "Pressurise it.|Push it out with 1 bar.|Inflate it.|Compressed air.",
         "tilting": "Tilt it.|Use it on its side.",
         "leaving open": "Leave the drums open.|Keep all of them open.|Let it stand open.",
         "smelling": "Smell it.|Sniff.|Taste it.|Start it by mouth.",
         "pouring away": "Put the rest down the drain.|Pour it into the ground."}
PLAIN = """Use as it stands.|Leave the drums shut and ask the supplier.|Open six more drums.
Ask the blender.|Quarantine the stock.
Set every container aside whose own readings do not show it within the margins.
Sell as second quality.|Ask the shift lead.|Keep the drums shut and call the fluid engineer.
Have each bottle measured again.|Vier weitere öffnen."""


FOREIGN = "Vier weitere öffnen."


def told(text: str) -> list[str]:
    """The sentences of one of the lists above."""
    return [s for line in text.splitlines() for s in line.split("|")]


def act(do: str, *asks_for: str) -> Action:
    """An action with its declaration, or without one."""
    return Action.model_validate({"do": do, "asks_for": asks_for or None})


def sentences(seed: int, number: int = 300) -> list[str]:
    """Sentences of plain words in chance order: about what an own text may look like."""
    words = re.findall(r"\w+", f"{SLY} {PLAIN}")
    rng = random.Random(seed)
    return [" ".join(rng.choices(words, k=rng.randint(2, 9))) + "." for _ in range(number)]


@pytest.mark.parametrize("safety", [SafetySettings(), study().safety], ids=["nothing answered", "all cleared"])
def test_an_action_in_own_words_without_a_declaration_is_never_printed(safety: SafetySettings) -> None:
    for text in [*told(SLY), *told(PLAIN), *sentences(20261126)]:
        if text not in OWN:
            assert obeyed(safety, act(text)).startswith(f"{WITHHELD}nothing says what of it could hurt (`asks_for`"), text
            (said,) = foreseen(safety, [("uneven", act(text))])
            assert said.startswith(f"[actions] uneven: the report will withhold \u201c{text}\u201d: study.toml does not say")
            assert "Write uneven = { do = \"...\", asks_for = \"...\" } with all of these" in said
            assert all(deed in said for deed in DEEDS)


@pytest.mark.parametrize("deed", DEEDS[1:])
def test_an_action_that_names_a_word_of_a_deed_must_declare_it(deed: str) -> None:
    others = [d for d in DEEDS[1:] if d != deed]
    for text in told(NAMES[deed]):
        assert deed in named_in(text), text
        for declared in (["nothing"], others):
            with pytest.raises(BadInput, match=rf"the action names .*\({deed}\).*which asks_for leaves out"):
                study(actions={"uneven": {"do": text, "asks_for": declared}})
        assert act(text, *DEEDS[1:]).known == DEEDS[1:]


# from a list that somebody made who looked for dangerous actions that pass as harmless
DANGEROUS = """Lay it down.|Lift it with air pressure.|Leave the lid off for a week.|Leave the bung out.|Suck on the tube.
Start the hose with your mouth.|Tip the drum.|Draw the water off.|Connect the compressor to the bung.|Wash it out with petrol.
Carry the drum to the bench by hand.|Open it at once, pressure or not.|Unscrew the bung to let the gas out.|M i x  it well.
Light a match to see the floor.|Give each drum a good spin before use.|Fass rollen, dann verwenden.|Agiter le fût avant emploi.
Mezclar antes de usar.|使用前摇匀。|Перемешать перед использованием.|Recirc 30 min.|Transfer it to a second drum and back.
Leave the drums in the sun for a day.|Take a whiff at the bung.|Down the sink.|Pour all drums in one tote.|Open the drum."""


def test_no_dangerous_words_declared_as_nothing_are_printed_while_anything_is_barred() -> None:
    for safety in (SafetySettings(), study(safety={"mixing_procedure": ""}, sampling={"residue": False}).safety):
        for text in told(DANGEROUS):
            told_ = Action.model_construct(do=text, asks_for=("nothing",))  # past the words that are refused outright
            printed = obeyed(safety, told_)
            assert printed.startswith(f"{WITHHELD}it is declared to ask for nothing that could hurt, but while mixing"), text
            assert "Declare what it asks for, answer [safety]" in " ".join(foreseen(safety, [("uneven", told_)]))
    assert obeyed(study().safety, act("Give it to the night shift.", "nothing")) == "Give it to the night shift."


def test_plain_words_are_no_contradiction_and_what_is_barred_stands_beside_them() -> None:
    for text in told(PLAIN):
        assert named_in(text) == {}
        assert obeyed(study().safety, act(text, "nothing")) == text  # all cleared: as it stands
        if text in told(FOREIGN):
            assert obeyed(SafetySettings(), act(text, "nothing")).startswith(WITHHELD)  # the list is English
            continue
        assert obeyed(SafetySettings(), act(text, "nothing")) == f"{barred_note(SafetySettings())} {text}"
        assert foreseen(SafetySettings(), [("uneven", act(text, "nothing"))]) == ()


@pytest.mark.parametrize("text", ["Do not leave them shut.", "Not shut: leave them so for a week.",
                                  "Keep none of the drums shut.", "Leave them no longer sealed."])
def test_what_is_not_shut_is_left_open(text: str) -> None:
    """Harmless words put together by a stranger; the list alone had printed them."""
    with pytest.raises(BadInput, match="leaving open"):
        study(actions={"uneven": {"do": text, "asks_for": "nothing"}})
    for fine in ("Do not use them, leave them shut.", "Do not use and keep shut.", "Leave the drums shut and do not use them."):
        assert named_in(fine) == {}


def test_a_wrong_declaration_in_plain_words_passes() -> None:
    """The kit cannot read meaning, and the page says so; what is barred stands beside the action even then."""
    text = "Give each drum to the second shift to use as they decide."
    assert obeyed(SafetySettings(), act(text, "nothing")) == (
        "Not cleared for safety, whatever title, question or action say: mixing of any kind and a draw at the floor (see "
        f"Cautions). {text}")


@pytest.mark.parametrize("more", [{}, {"free_water": "yes"}, {"mixing_procedure": ""}, {"flash_point_c": "unknown"},
                                  {"pressure_or_gas": "yes"}, {"toxic_or_corrosive": "yes"}])
def test_each_declared_deed_is_printed_where_the_profile_clears_it_and_never_where_a_caution_forbids_it(more: dict) -> None:
    safety = SafetySettings.model_validate({**study().safety.model_dump(), **more})
    for deed in DEEDS[1:]:
        printed, said = obeyed(safety, act("Frobnicate.", deed)), foreseen(safety, [("uneven", act("Frobnicate.", deed))])
        cleared = deed in BARRED_AS and safety.clears(BARRED_AS[deed])
        assert printed.startswith(f"{barred_note(safety)} Frobnicate.".lstrip()) == cleared == (not said)
        assert cleared or printed.startswith(WITHHELD)
        assert (f"the cautions forbid {deed}" in printed) == (deed in FORBIDDEN_BY) == any("another action" in s and
                                                                                         "the cautions" in s for s in said)
        both = obeyed(safety, act("Frobnicate.", "floor draw", deed))  # the worst of several counts
        assert both.startswith(f"{barred_note(safety)} Frobnicate.".lstrip()) == (cleared and safety.clears("heel draw"))


def test_every_deed_is_barred_by_the_profile_or_forbidden_by_a_caution_that_always_stands() -> None:
    assert set(DEEDS) == {"nothing", *BARRED_AS, *FORBIDDEN_BY} == {"nothing", *NAMES}
    always = {c.id: c.text for c in cautions() if c.when == ("always",)}
    words = {"heating": "heat", "cutting": "cut", "entering": "climb", "air pressure": "pressurise", "tilting": "tilt",
             "leaving open": "reseal", "smelling": "sniff", "pouring away": "never down a drain"}
    assert all(words[deed] in always[caution] for deed, caution in FORBIDDEN_BY.items())


def test_an_action_that_mixes_names_the_procedure_and_the_rest() -> None:
    cleared = study().safety
    assert obeyed(cleared, act("Tumble it.", "mixing")) == (
        "Tumble it. (To be mixed only by the site's procedure “WI-3, tumbling of pails”, then shut and at rest for "
        "30 min before it is opened.)")
    barred = obeyed(SafetySettings(), act("Tumble it.", "mixing"))
    assert "Tumble" not in barred
    assert "does not clear mixing, for the reasons under Cautions" in barred
    assert "not answered: safety data sheet, flash point, highest temperature of the liquid" in barred_lines(
        SafetySettings())[0]
    water = cleared.model_copy(update={"free_water": "yes"})
    assert why_barred(water, ("stirring",)) == "free water lies in it"
    (said,) = foreseen(SafetySettings(), [("stratified", act("Roll it.", "mixing"))])
    assert "it asks for mixing, which [safety] does not clear (not answered: data_sheet" in said


def test_the_kits_own_sentences_need_no_declaration_and_are_those_of_its_templates() -> None:
    """Whole sentences: one letter more is another sentence."""
    found = {a.do for a in DEFAULT_ACTIONS.values()}
    for path in (HERE / "templates").glob("*/study.toml"):
        text = path.read_text(encoding="utf-8")
        lines = re.findall(r'(?m)^(?:# )?(?:homogeneous|uneven|stratified|inconclusive) = "(.*?)"', text)
        assert len(lines) >= 3
        found |= set(lines)
    for told in ACTIONS.values():
        found.add(Action.model_validate(tomllib.loads(f"a = {told}")["a"]).do)
    assert found == set(OWN)
    for text, deeds in OWN.items():
        assert act(text).known == deeds
        assert set(named_in(text)) <= set(deeds)  # the words agree with what is said of the sentence
        assert act(f"{text[:-1]} now.").known is None


def test_every_action_of_the_demos_is_declared() -> None:
    for path in DEMOS.glob("*/study.toml"):
        for told_ in tomllib.loads(path.read_text(encoding="utf-8"))["actions"].values():
            assert Action.model_validate(told_).known is not None, told_


def test_no_action_of_an_uneven_stock_that_the_kit_ships_lets_the_others_be_used() -> None:
    """That a container is not named does not show it within: of a lot beyond its margin one drum in four was named."""
    pages = [*(HERE / "templates").glob("*/study.toml"), *DEMOS.glob("*/study.toml"), *share("docs").rglob("*.md"),
             *share("docs").rglob("*.toml")]
    texts = [path.read_text(encoding="utf-8") for path in pages]
    told_ = [line for text in texts for line in re.findall(r"(?m)^(?:# )?uneven(?:\.do)? = (.*)$", text)]
    assert len(told_) == 9  # new, class, four demos, the first study twice, docs/00
    assert all("its own readings" in line or "whose own readings do not show" in line for line in told_), told_
    assert not any(re.search(r"\bothers?\b", line) for line in told_)


def test_earlier_templates_that_let_the_others_be_used_are_withheld_and_told_before_anything_is_drawn() -> None:
    for text in OTHERS_USED:
        for action in (act(text), act(text, "nothing")):
            printed = obeyed(study().safety, action)
            assert printed.startswith(f"{WITHHELD}it lets opened containers be used that are not named"), printed
            assert "use the other" not in printed
            (said,) = foreseen(study().safety, [("uneven", action)])
            assert "Write \u201cSet every container aside whose own readings do not show it" in said


@pytest.mark.parametrize(("told_", "words"), [
    ({"do": "Use.", "asks_for": []}, "needs at least 1 entries"),
    ({"do": "Use.", "asks_for": ["nothing", "mixing"]}, "asks_for says \"nothing\" beside something"),
    ({"do": "Use.", "asks_for": "stirring"}, "must be one of 'nothing', 'mixing', 'floor draw'"),
    ({"do": "Use.", "ask_for": "nothing"}, "this key is not known here"),
    ({"asks_for": "nothing"}, "this key is required and missing"), (5, "valid string"),
])
def test_what_is_no_declaration_is_refused(told_: object, words: str) -> None:
    with pytest.raises(BadInput, match=re.escape(words)):
        study(actions={"uneven": told_})


def test_the_key_of_earlier_versions_is_refused_with_what_to_write() -> None:
    with pytest.raises(BadInput, match=r"mixing_actions is no longer read: .*asks_for = \"mixing\""):
        study(safety={"mixing_actions": ["stratified"]})


def test_the_lock_promises_the_declaration_and_knows_older_ones_without() -> None:
    plain = promises(study(actions={"uneven": "Set them aside."}))
    assert plain["actions.uneven"] == "Set them aside."
    assert "actions.uneven.asks_for" not in plain  # as a lock of an older kit has it
    said = promises(study(actions={"uneven": {"do": "Roll them.", "asks_for": ["mixing", "floor draw"]}}))
    assert (said["actions.uneven"], said["actions.uneven.asks_for"]) == ("Roll them.", "mixing, floor draw")
