"""The actions of study.toml under the safety section: what each asks for, as a person declared it, and how it is printed.

The kit cannot read what a sentence means.  So an action in words of one's own says beside them what it asks for
(``asks_for``, of ``DEEDS``); one that does not is withheld, since it may ask for what is barred.  Only the sentences of
the kit's own templates (``OWN``) need no declaration.  Against a slip, an action that names a word of a deed which its
declaration lacks is refused.  While anything is barred, an action that is declared to ask for nothing is printed only if each
of its words is known as harmless (``wording.PLAIN``): a list of dangerous words never ends.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

from pydantic import Field, field_validator, model_validator

from studykit.study.factors import Section, Sentence
from studykit.study.safety import Act, SafetySettings
from studykit.study.wording import DEEDS as DEEDS
from studykit.study.wording import Deed as Deed
from studykit.study.wording import named_in as named_in
from studykit.study.wording import not_plain

BARRED_AS: dict[Deed, Act] = {"mixing": "stirring", "floor draw": "heel draw"}
FORBIDDEN_BY: dict[Deed, str] = {"heating": "hot work", "cutting": "hot work", "entering": "confined space",
                                 "air pressure": "air pressure", "tilting": "lifting", "leaving open": "afterwards",
                                 "smelling": "headspace", "pouring away": "spills"}
"""What is never printed, and the caution in templates/cautions.toml that forbids it."""

_STANDS: tuple[Deed, ...] = ("nothing",)
_MIXES: tuple[Deed, ...] = ("mixing",)
OWN: dict[str, tuple[Deed, ...]] = {
    "Use as it stands.": _STANDS,
    "Set every container aside whose own readings do not show it within the margins.": _STANDS,
    "Mix, check by three depths, then use.": _MIXES,
    "Sample more containers.": _STANDS,
    "Mix, draw three bottles again, then use.": _MIXES,
    "Have each bottle measured again.": _STANDS,
    "Leave it shut and ask the supplier.": _STANDS,
    "Have more measured, then decide.": _STANDS,
    "Use the kegs as they stand.": _STANDS,
    "Set every keg aside whose own readings do not show it within the margins.": _STANDS,
    "Tumble every keg by the site's procedure before it is used.": _MIXES,
    "Leave the kegs shut; ask for money to open more of them.": _STANDS,
    "No action was declared for an uneven stock: set the containers and groups named below aside.": _STANDS,
}
"""The kit's own sentences, whole, with what each asks for; the last one stands where nothing was declared.

Whatever ``new`` and the templates write stands here, so that the kit withholds no sentence of its own that asks for nothing."""
OTHERS_USED = ("Set aside the named containers and those not opened; use the other opened ones as they stand.",
               "Set aside the named kegs and those not opened; use the other opened ones as they stand.")
"""Sentences of earlier templates that are withheld: they let containers be used that nothing shows within the margin."""
_OTHERS_USED = ("it lets opened containers be used that are not named, and that a container is not named does not show it "
                "within the margin")

_PLAIN_ONLY = "while mixing or draws at the floor are barred the kit takes only words it knows as harmless for that, not"
_IN_WORDS: dict[Act, str] = {"stirring": "mixing", "heel draw": "a draw at the floor"}


class Action(Section):
    """What will be done at an answer, and what it asks for (``DEEDS``); a plain text is an action without a declaration."""

    do: Sentence
    asks_for: Annotated[tuple[Deed, ...], Field(min_length=1)] | None = None

    @model_validator(mode="before")
    @classmethod
    def _text_alone(cls, told: Any) -> Any:
        return told if isinstance(told, dict | cls) else {"do": told}

    @field_validator("asks_for", mode="before")
    @classmethod
    def _one_word(cls, told: Any) -> Any:
        return (told,) if isinstance(told, str) else told

    @model_validator(mode="after")
    def _agrees_with_its_words(self) -> Action:
        declared = self.asks_for or ()
        if "nothing" in declared and len(declared) > 1:
            raise ValueError("asks_for says \"nothing\" beside something: leave one of them out")
        named = [f"\u201c{word}\u201d ({deed})" for deed, word in named_in(self.do).items() if deed not in declared]
        if declared and named:
            raise ValueError(f"the action names {', '.join(named)}, which asks_for leaves out: declare it there, or write the "
                             "action without that word (the kit reads no \"do not\")")
        return self

    @property
    def known(self) -> tuple[Deed, ...] | None:
        """What it asks for: as declared, else as one of the kit's own sentences; None where nothing says."""
        return self.asks_for or OWN.get(self.do)


def why_barred(safety: SafetySettings, acts: Iterable[Act], *, keys: bool = False) -> str:
    """The reasons against these acts in one phrase, each once; empty where all are cleared."""
    return "; ".join(dict.fromkeys(reason for act in acts for reason in safety.bars(act, keys=keys)))


def _barred(safety: SafetySettings, deeds: Iterable[Deed]) -> list[Act]:
    return [BARRED_AS[d] for d in deeds if d in BARRED_AS and safety.bars(BARRED_AS[d])]


def obeyed(safety: SafetySettings, action: Action) -> str:
    """An action as it may be printed: withheld where it asks for what is barred or nothing says what it asks for.

    One that mixes carries the site's procedure and the rest.  While mixing or draws at the floor are barred, it stands before
    every action that it allows neither, because a declaration may be wrong.
    """
    if reasons := _withheld(safety, action):
        return (f"The declared action is withheld: {'; '.join(reasons)}. Leave the containers shut as they stand, and ask "
                "those who answer for safety.")
    mixes = "mixing" in (action.known or ())
    told = (f" (To be mixed only by the site's procedure \u201c{safety.procedure}\u201d, then shut and at rest for "
            f"{safety.rest_minutes} min before it is opened.)") if mixes else ""
    return f"{barred_note(safety)} {action.do}{told}".strip()


def _withheld(safety: SafetySettings, action: Action) -> list[str]:
    """Why an action may not be printed; empty where it may."""
    if action.do in OTHERS_USED:
        return [_OTHERS_USED]
    if action.known is None:
        return ["nothing says what of it could hurt (`asks_for`, beside the action in study.toml)"]
    if odd := _odd_words(safety, action):
        return [f"it is declared to ask for nothing that could hurt, but {_PLAIN_ONLY}: {odd}"]
    reasons = [f"the cautions forbid {deed}" for deed in action.known if deed in FORBIDDEN_BY]
    if acts := _barred(safety, action.known):
        reasons.append(f"what is known of its safety does not clear {' and '.join(_IN_WORDS[a] for a in acts)}, for the "
                       "reasons under Cautions")
    return reasons


def foreseen(safety: SafetySettings, declared: Iterable[tuple[str, Action]]) -> tuple[str, ...]:
    """What the report will not print of the declared actions, a sentence an answer: why, and what to write.

    ``declared``: answers and their actions, as under [actions] of study.toml.  Told before anything is drawn, since a
    study whose action is withheld ends without a decision.
    """
    return tuple(f"[actions] {word}: the report will withhold \u201c{action.do}\u201d: {_remedy(safety, word, action)}"
                 for word, action in declared if _withheld(safety, action))


def _odd_words(safety: SafetySettings, action: Action) -> str:
    """The words of an own action declared harmless that the kit does not know as such, while something is barred."""
    if action.do in OWN or action.known != ("nothing",) or not barred_note(safety):
        return ""
    return ", ".join(f"\u201c{word}\u201d" for word in not_plain(action.do))


def _remedy(safety: SafetySettings, word: str, action: Action) -> str:
    """Why a withheld action is withheld, and what may be written instead."""
    if action.do in OTHERS_USED:
        return f"{_OTHERS_USED}. Write \u201c%s\u201d" % next(text for text in OWN if text.startswith("Set every container"))
    if action.known is None:
        return (f"study.toml does not say what it asks for. Write {word} = {{ do = \"...\", asks_for = \"...\" }} with all of "
                f"these that it asks for: {', '.join(DEEDS[1:])}; or \"nothing\".")
    if odd := _odd_words(safety, action):
        return (f"it is declared to ask for nothing, but {_PLAIN_ONLY}: {odd}. Declare what it asks for, answer [safety], or "
                "say it in the words that docs/02-sampling.md lists.")
    if never := [d for d in action.known if d in FORBIDDEN_BY]:
        return f"the cautions forbid {' and '.join(never)}. Declare another action."
    acts = _barred(safety, action.known)
    return (f"it asks for {' and '.join(_IN_WORDS[a] for a in acts)}, which [safety] does not clear "
            f"({why_barred(safety, acts, keys=True)}). Answer [safety], or declare another action.")


def barred_note(safety: SafetySettings) -> str:
    """What no action may be read to allow under this profile, in one sentence; empty where all is cleared.

    It stands before every action, since nobody knows what words of one's own ask for; a single reason is told with it.
    """
    acts = [act for act in _IN_WORDS if safety.bars(act)]
    told = [f"{_IN_WORDS[act]}{' of any kind' * (act == 'stirring')}" for act in acts]
    reasons = dict.fromkeys(reason for act in acts for reason in safety.bars(act))
    why = f", since {next(iter(reasons))}" if len(reasons) == 1 else ""
    return (f"Not cleared for safety, whatever title, question or action say: {' and '.join(told)}{why} (see Cautions)."
            if told else "")


def barred_lines(safety: SafetySettings) -> tuple[str, ...]:
    """Each act that is not cleared with its reasons, a sentence an act, to stand among the cautions."""
    acts: dict[Act, str] = {"stirring": "Mixing of any kind (stirring, shaking, rolling, pumping round, blowing in gas)",
                            "heel draw": "Draws at the floor"}
    return tuple(f"{what}: {why}." for act, what in acts.items() if (why := why_barred(safety, (act,))))
