"""The actions of study.toml under the safety section: what each asks for, and how it may be printed.

An action is read where every word of it is known here: verbs of mixing, of drawing the floor and of what the cautions
forbid, and ``KNOWN``, words that ask for none of these.  One that is not read (another verb, another language) counts
as one that mixes and draws the floor, until ``[safety] mixing_actions`` says which do.  A word is never taken as
refused ("do not mix") but in the plainest form.  And since no list of verbs is whole, each action is printed with what
is barred while anything is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from studykit.study.safety import Act, SafetySettings

_STEMS = ("mix stir shak roll tumbl agitat circulat homogeni[sz] swirl churn whisk invert upend sparg slosh spin rock suspend "
          "dispers emulsif sonicat ultraso rotat rous paddl knead jiggl vibrat plung fluidi[sz] dissolv beat kick bump scrape "
          "scraping flip bubbl blow restor combin")
_VERBS = "|".join((
    rf"(?:re-?)?(?:{'|'.join(_STEMS.split())})\w*", r"(?:re-?)?blend(?:s|ed|ing)?\b",
    r"in a loop|loop\b|drive|forklift|nitrogen", r"turn\w* (?:it|them|each|every|the \w+|\w+s)? ?(?:over|upside)",
    r"pump\w*\b[^.;]*\b(?:round|around|over|loop|back|for|min|minutes|hours?)\b", r"work\w*\b[^.;]* in\b",
    r"(?:pump|pour|put|transfer|mov|return|give|tip|carr|empt)\w*\b[^.;]*"
    r"\bto the (?:top|upper|lower|bottom|floor|drum|pail|keg|tote|same|others?)\b",
    r"(?:pour|pump|transfer|mov|tip|empt)\w*\b[^.;]*\bfrom (?:one )?(\w+) to (?:\1|another|the other)\b",
    r"bring\w*\b[^.;]* back", r"air lance|compressed air"))
MIXING = re.compile(rf"\b(?:{_VERBS})", re.I)
_SUPPLIER = re.compile(r"\b(?:ask|tell|inform|consult|call|notify) the blender\b", re.I)
_MIXED_STOCK = re.compile(r"\b(?:the|these|those|all|any) mixed (?=lots?|drums?|pails?|totes?|containers?|stock)", re.I)
_TAKE = "use draw take suck pump pour empt skim scoop open tap let sampl discard"
_FLOOR = (r"heel|floor|bottom (?:layer|tap|valve|bung|\d+)|sediment|sludge|dregs|settled|water"
          r"|last (?:\d+ )?(?:lit\w+|drops?|l)\b")
_DRAWS = (rf"\b(?:(?:{'|'.join(_TAKE.split())})\w*\b[^.;]*\b(?:{_FLOOR})\b"
          r"|heel draws?\b|with a rod\b|(?:drain|siphon|syphon|decant)\w*)")
HEEL_DRAW = re.compile(_DRAWS, re.I)
_DEEDS = ("cut cutting saw sawing drill grind weld braz torch flame burn heat pierc punctur punch perforat hammer climb crawl "
          "enter lean reach sniff smell tast inhal tilt")
_FORBIDDEN = (rf"\b(?:(?:{'|'.join(_DEEDS.split())})(?:s|e|es|ing|ed)?\b|(?:pressuri[sz]|inflat)\w*|compressed air\b|by mouth\b"
              r"|(?:with|by) (?:\w+ )?(?:bar|psi|kpa)\b|(?:bar|psi|kpa) of\b)")
FORBIDDEN = re.compile(_FORBIDDEN, re.I)

_DENIAL = re.compile(r"\b(?:not|never|without|no|nor|neither|cannot|nothing|none|nobody|avoid\w*)\b|n['’]t\b", re.I)
_CONDITION = re.compile(r"\b(?:unless|until|till|except|only|but|than|before|after|if|when|while|yet|just|alone|too|enough|for"
                        r"|again|instead|hesitat\w*|forget\w*|fail\w*|omit\w*)\b", re.I)
_NO = r"\b(?:do not|don['’]t|must not|not|never|without|no)(?: need to)?(?: to be| be)? "
_OBJECT = ("it|them|this|these|those|any|all|the|a|an|each|every|opened|named|drums?|pails?|kegs?|totes?|containers?|stock"
           "|liquid|lots?|contents?|needed|necessary|required|is|last|lit(?:re|er)s|heel|floor|sediment|water")
_END = rf"(?=(?: (?:{_OBJECT}))*(?:$|[.;:,!?]| (?:and|or|nor)\b))"
_CLAUSE = re.compile(r"[^.;:!?]+[.;:!?]*")

_WORDS = """
a about accept acceptable according affected again against agree agrees all also always an and answer answers any are
aren't as aside ask asked asks at available be because been before below beside best better beyond both bottle bottles
bottom bucket bulk buy by call can't careful carefully case check checked clear closed committee common concern
consult container containers content contents continue control count customer customers data day days decide decides
decision declared deliver delivered delivery demand depth depths determination determinations disposal dispose do
document does doesn't don't draw drawn drum drums duplicate duplicates each eight engineer enough every exactly expert
explain few file find fine first five floor follow for found four from full further get give given go good goods
guarded half has have head heel high higher hold homogeneous hour hours how however if immediately in inconclusive
inform information inside inspect instead is isn't issue it its itself judge keep keg kegs kept known lab label
labelled laboratory last least leave left less let level like liquid litre litres long longer look lot lots low lower
made maintenance make maker management manager margin mark material may mean measure measured method middle minute
minutes money month months more most must name named need needed needs never new next nine no none normal normally not
note nothing notify now number of office on once one ones only open opened opening operator or order ordered original
other others otherwise our out outside owner pail pails part people per person place plain plan planned plant please
possible pour poured precaution preserve problem procedure process product production pump purchase purpose put
quality quantity quarantine quarter question ready reason receive record reject rejected release released remain
remaining remains repeat repeated replace replacement report request require responsible rest result results retain
retained return returned review risk safe safely safety same sample sampled samples sampling scheduled scope scrap
second seek sell send sent service set seven several shall sheet ship shop should shut shutting since single site six
small so some soon sort spare spot spray stand standing stands start state stay still stock stocks stop store stored
stores stratified study such supplier suppliers sure suspect take taken talk team technical tell ten test tested tests
than that the their them then there these they third this those three time to together top tote totes trained treat
twelve twenty two uncertain under uneven unit unmixed unopened unrounded until unused up upper use used user users
using usual valid value values verdict vessel vessels wait warehouse warn waste we week weeks well what when where
whether which while who whole will with withdraw withhold within without won't word work works write year years yes
yet you zone zones
"""
KNOWN = frozenset(_WORDS.split())
"""Words that ask for no mixing, no draw at the floor and nothing that a caution forbids, in whatever order they stand."""
_IN_WORDS: dict[Act, str] = {"stirring": "mixing", "heel draw": "a draw at the floor"}


def asked(text: str, deed: str) -> str:
    """The text without the places where a deed (a pattern) is plainly refused.

    Plainly: "do not DEED it", "never DEED or DEED", "without DEED", "DEED not needed", in a sentence without a condition
    and without any other denial.
    """
    refusal = re.compile(rf"{_NO}(?:{deed})(?:(?:,? (?:{deed}))*,? (?:or|nor) (?:{deed}))?{_END}"
                         rf"|(?:{deed}) ?(?:is |was )?(?:not (?:needed|necessary|required)|unnecessary)\b", re.I)
    return "".join(_CLAUSE.sub(lambda m: _without(m[0], refusal), text))


def _without(sentence: str, refusal: re.Pattern[str]) -> str:
    """A sentence without its refusals, where nothing else in it denies or sets a condition."""
    rest = refusal.sub(" ", sentence)
    return sentence if _DENIAL.search(rest) or _CONDITION.search(sentence) else rest


def acts_in(text: str) -> tuple[Act, ...]:
    """What a sentence tells somebody to do of the acts that may be barred: to mix in any way, to draw the floor."""
    acts: list[Act] = []
    if HEEL_DRAW.search(asked(text, _DRAWS)):
        acts.append("heel draw")
    if MIXING.search(_MIXED_STOCK.sub(" ", asked(text, _SIMPLE))):
        acts.append("stirring")
    return tuple(acts)


_SIMPLE = rf"\b(?:(?:re-?)?(?:{'|'.join(_STEMS.split())})\w*|(?:re-?)?blend(?:s|ed|ing)?\b)"


def unread(text: str) -> tuple[str, ...]:
    """Words of an action that the kit does not know, each once: what they ask for cannot be read."""
    rest = asked(text, _SIMPLE)
    for pattern in (_SUPPLIER, _MIXED_STOCK, HEEL_DRAW, MIXING, FORBIDDEN):
        rest = pattern.sub(" ", rest)
    words = re.findall(r"[^\W\d_]+(?:['’]t\b)?", rest.replace("’", "'"))
    return tuple(dict.fromkeys(w for w in words if w.lower() not in KNOWN and not re.fullmatch("[A-Za-z]", w)))


def why_barred(safety: SafetySettings, acts: tuple[Act, ...]) -> str:
    """The reasons against these acts in one phrase, each once; empty where all are cleared."""
    return "; ".join(dict.fromkeys(reason for act in acts for reason in safety.bars(act)))


def acts_of(safety: SafetySettings, action: str, word: str) -> tuple[Act, ...]:
    """What the action declared for ``word`` asks for: by its verbs, by [safety] mixing_actions, and all where neither tells."""
    declared = safety.mixing_actions
    if declared is None and unread(action):
        return ("heel draw", "stirring")
    acts = acts_in(action)
    return (*acts, "stirring") if word in (declared or ()) and "stirring" not in acts else acts


def against_cautions(action: str) -> str:
    """The words of an action that a caution forbids whatever the profile says; empty where none was found."""
    found = FORBIDDEN.search(asked(action, _FORBIDDEN))
    return found[0] if found else ""


def obeyed(safety: SafetySettings, action: str, word: str = "") -> str:
    """A declared action as it may be printed: withheld where it asks for what is barred, else with its precondition.

    The precondition stands under every action while mixing or draws at the floor are barred, because an action may
    ask for them in words that were not found.
    """
    if reasons := _withheld(safety, action, word):
        return (f"The declared action is withheld: {'; '.join(reasons)}. Leave the containers shut as they stand, and ask "
                "those who answer for safety.")
    if "stirring" in acts_of(safety, action, word):
        named = word in (safety.mixing_actions or ()) or "stirring" in acts_in(action)
        action += (f" ({'To be mixed only' if named else 'If this mixes: only'} by the site's procedure "
                   f"\u201c{safety.procedure}\u201d, then shut and at rest for {safety.rest_minutes} min before it is opened.)")
    return f"{action} {barred_note(safety)}".strip() if action else ""


def _withheld(safety: SafetySettings, action: str, word: str) -> list[str]:
    """Why an action may not be printed; empty where it may."""
    forbidden, acts = against_cautions(action), acts_of(safety, action, word)
    reasons = [f"the cautions forbid \u201c{forbidden}\u201d"] if forbidden else []
    strange = unread(action) if safety.mixing_actions is None else ()
    if read := [_IN_WORDS[a] for a in (acts_in(action) if strange else acts) if safety.bars(a)]:
        reasons.append(f"the section safety of study.toml does not clear {' and '.join(read)}, for the reasons under Cautions")
    elif any(safety.bars(a) for a in acts):
        reasons.append(f"\u201c{', '.join(strange[:3])}\u201d cannot be read, so it counts as mixing, which is not cleared: "
                       "name in [safety] mixing_actions the answers whose action mixes")
    return reasons


def foreseen(safety: SafetySettings, declared: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """What the report will not print of the declared actions, a sentence an answer: which words, why, and the remedy.

    ``declared``: answers and their actions, as under [actions] of study.toml.  Told before anything is drawn, since a
    study whose action is withheld ends without a decision.
    """
    return tuple(f"[actions] {word}: the report will withhold \u201c{action}\u201d: {why}" for word, action in declared
                 if (why := _remedy(safety, action, word)))


def _remedy(safety: SafetySettings, action: str, word: str) -> str:
    """Why an action will be withheld and what may be written instead; empty where it will be printed."""
    if found := against_cautions(action):
        return f"the cautions forbid \u201c{found}\u201d. Declare another action."
    barred = tuple(a for a in acts_of(safety, action, word) if safety.bars(a))
    if not barred:
        return ""
    what, why = " and ".join(_IN_WORDS[a] for a in barred), why_barred(safety, barred)
    strange = unread(action) if safety.mixing_actions is None else ()
    if strange and not any(safety.bars(a) for a in acts_in(action)):
        return (f"the kit cannot read \u201c{', '.join(strange)}\u201d, so it counts as {what}, which [safety] does not clear "
                f"({why}). Use other words, or say in [safety] mixing_actions which answers have an action that mixes; "
                "mixing_actions = [] says that none has.")
    return f"it asks for {what}, which [safety] does not clear ({why}). Answer [safety], or declare another action."


def barred_note(safety: SafetySettings) -> str:
    """What no action may be read to allow under this profile, in one sentence; empty where all is cleared."""
    told = [f"{_IN_WORDS[act]}{' of any kind' * (act == 'stirring')}" for act in _IN_WORDS if safety.bars(act)]
    return f"(Nothing here allows {' or '.join(told)}: see Cautions.)" if told else ""


def barred_lines(safety: SafetySettings) -> tuple[str, ...]:
    """Each act that is not cleared with its reasons, a sentence an act, to stand among the cautions."""
    acts: dict[Act, str] = {"stirring": "Mixing of any kind (stirring, shaking, rolling, pumping round, blowing in gas)",
                            "heel draw": "Draws at the floor"}
    return tuple(f"{what}: {why}." for act, what in acts.items() if (why := why_barred(safety, (act,))))
