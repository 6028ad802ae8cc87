"""The actions of study.toml under the safety section: what each asks for, and how it may be printed.

Verbs are looked for in English, and a list of verbs is never whole.  So while mixing or draws at the floor are not
cleared, every action is printed with what is barred, whether a verb was found in it or not.
"""

from __future__ import annotations

import re

from studykit.study.safety import Act, SafetySettings

_STEMS = ("mix stir shak roll tumbl agitat circulat homogeni[sz] swirl churn whisk invert upend sparg slosh spin rock suspend "
          "dispers emulsif sonicat ultraso rotat rous paddl knead jiggl vibrat plung fluidi[sz] dissolv beat kick bump scrape "
          "scraping flip bubbl blow restor combin")
_VERBS = "|".join((
    rf"(?:re-?)?(?:{'|'.join(_STEMS.split())})\w*", r"(?:re-?)?blend(?:s|ed|ing)?\b",
    r"in a loop|loop\b|drive|forklift|nitrogen", r"turn\w* (?:it|them|each|every|the \w+|\w+s)? ?(?:over|upside)",
    r"pump\w*\b[^.;]*\b(?:round|around|over|loop)\b", r"work\w*\b[^.;]* in\b",
    r"bring\w*\b[^.;]* back", r"air lance|compressed air"))
MIXING = re.compile(rf"\b(?:{_VERBS})", re.I)
NOT_MIXING = re.compile(rf"\b(without|never|not|no)( to be| be)? (?:{_VERBS})"
                        r"|\b(?:the|these|those|all|any) mixed (?=lots?|drums?|pails?|totes?|containers?|stock)", re.I)
_PLAIN = ("the it them each every then before with and use open more pour pump keep leave set ask sample as an? of to for "
          "from in return scrap call sell order")
ENGLISH = re.compile(rf"\b(?:{'|'.join(_PLAIN.split())})\b", re.I)
_TAKE = "draw take suck pump pour empt skim scoop open tap let sampl discard"
_FLOOR = (r"heel|floor|bottom (?:layer|tap|valve|bung|\d+)|sediment|sludge|dregs|settled|water"
          r"|last (?:\d+ )?(?:lit\w+|drops?|l)\b")
HEEL_DRAW = re.compile(rf"\b(?:{'|'.join(_TAKE.split())})\w*\b[^.;]*\b(?:{_FLOOR})\b"
                       r"|\bheel draws?\b|\bwith a rod\b|\b(?:drain|siphon|syphon|decant)\w*", re.I)
NOT_DRAWN = re.compile(r"\b(?:without|never|not|nor)\b[^.;,]*", re.I)
_DEEDS = "cut cutting drill grind weld climb crawl lean sniff smell tilt"
FORBIDDEN = re.compile(rf"\b(?:{'|'.join(_DEEDS.split())})(?:s|ing|ed)?\b|\bpressuri[sz]\w*|\bcompressed air\b|\bby mouth\b"
                       r"|\b(?:with|by) (?:\w+ )?(?:bar|psi|kpa)\b|\b(?:bar|psi|kpa) of\b", re.I)


def acts_in(text: str) -> tuple[Act, ...]:
    """What a sentence tells somebody to do of the acts that may be barred: to mix in any way, to draw the floor."""
    acts: list[Act] = []
    if HEEL_DRAW.search(NOT_DRAWN.sub("", text)):
        acts.append("heel draw")
    if MIXING.search(NOT_MIXING.sub("", text)):
        acts.append("stirring")
    return tuple(acts)


def why_barred(safety: SafetySettings, acts: tuple[Act, ...]) -> str:
    """The reasons against these acts in one phrase, each once; empty where all are cleared."""
    return "; ".join(dict.fromkeys(reason for act in acts for reason in safety.bars(act)))


def readable(text: str) -> bool:
    """Whether the verbs of a text can be looked for: English words, in letters without marks."""
    return text.isascii() and ENGLISH.search(text) is not None


def acts_of(safety: SafetySettings, action: str, word: str) -> tuple[Act, ...]:
    """What the action declared for ``word`` asks for: by its verbs, by [safety] mixing_actions, and all where neither tells."""
    declared = safety.mixing_actions
    if declared is None and action and not readable(action):
        return ("heel draw", "stirring")
    acts = acts_in(action)
    return (*acts, "stirring") if word in (declared or ()) and "stirring" not in acts else acts


def against_cautions(action: str) -> str:
    """The words of an action that a caution forbids whatever the profile says; empty where none was found."""
    found = FORBIDDEN.search(NOT_DRAWN.sub("", action))
    return found[0] if found else ""


def obeyed(safety: SafetySettings, action: str, word: str = "") -> str:
    """A declared action as it may be printed: withheld where it asks for what is barred, else with its precondition.

    The precondition stands under every action while mixing or draws at the floor are barred, because an action may
    ask for them in words that were not found.
    """
    acts = acts_of(safety, action, word)
    reasons = why_barred(safety, acts)
    if reasons and safety.mixing_actions is None and not readable(action):
        reasons += "; what it asks for cannot be read: name in [safety] mixing_actions the answers whose action mixes"
    if forbidden := against_cautions(action):
        reasons = "; ".join(filter(None, (f"the cautions forbid \u201c{forbidden}\u201d", reasons)))
    if reasons:
        return (f"The declared action is withheld, because the cautions or the section safety of study.toml do not clear "
                f"it ({reasons}). Leave the containers shut as they stand, and ask those who answer for safety.")
    if "stirring" in acts:
        action += f" (To be mixed only by the site's procedure \u201c{safety.procedure}\u201d.)"
    return f"{action} {barred_note(safety)}".strip() if action else ""


def barred_note(safety: SafetySettings) -> str:
    """What no action may be read to allow under this profile, in a sentence with the reasons; empty where all is cleared."""
    barred = {"any mixing (stirring, shaking, rolling, pumping round, blowing in gas)": safety.bars("stirring"),
              "any draw at the floor": safety.bars("heel draw")}
    told = [what for what, reasons in barred.items() if reasons]
    if not told:
        return ""
    return (f"(Nothing here allows {' or '.join(told)}: the section safety of study.toml does not clear it. Reasons: "
            f"{why_barred(safety, ('heel draw', 'stirring'))}.)")
