"""Words that an act on a container is asked for with, read alike in every text that a person acts on.

No such list is whole and the kit reads no meaning: that nothing was found in a text is no sign that it is harmless.
"""

from __future__ import annotations

import re
from typing import Literal, get_args

Deed = Literal["nothing", "mixing", "floor draw", "heating", "cutting", "entering", "air pressure", "tilting", "leaving open",
               "smelling", "pouring away"]
DEEDS: tuple[Deed, ...] = get_args(Deed)
"""What an action may be declared to ask for.

``mixing`` in any way (stirring, rolling, pumping round, gas, drum into drum) and ``floor draw`` (heel, sediment, last litres,
tap) are printed where [safety] clears them.  The others the cautions forbid under every profile (``FORBIDDEN_BY``).
"""
_STEMS = ("mix stir shak roll tumbl agitat circulat homogeni[sz] swirl churn whisk invert upend sparg slosh spin "
          "rock suspend flip dispers emulsif sonicat ultraso rotat rous paddl knead jiggl vibrat plung fluidi[sz] "
          "dissolv bubbl blow combin")
_NAMES: dict[Deed, str] = {
    "mixing": (rf"(?:un|re-?)?(?:{'|'.join(_STEMS.split())})\w*|blend(?:s|ed|ing)?|upside|loop|nitrogen|air lance"
               r"|pump\w*\b[^.;]*\b(?:in|back|over|round|around)"),
    "floor draw": (r"heels?|floor|bottom|sediment|sludge|dregs|settled|from below|lowest|lower (?:half|third|quarter)"
                   r"|last (?:\d+ )?(?:lit\w+|drops?|l)|drain\w*|s[iy]phon\w*|decant\w*"
                   r"|draw\w*\b[^.;]*\boff"),
    "heating": r"heat\w*|warm\w*|burn\w*|flame\w*|torch\w*|steam\w*|boil\w*|\d+ ?(?:°|degrees)(?: ?[CF])?",
    "cutting": r"cut(?:s|ting)?|saw(?:s|ing)?|drill\w*|grind\w*|weld\w*|braz\w*|pierc\w*|punctur\w*|punch\w*|perforat\w*",
    "entering": r"climb\w*|crawl\w*|enter(?:s|ed|ing)?|(?:lean|reach)\w* in\w*|(?:get|go|from|step)\w* inside",
    "air pressure": r"pressuri[sz]\w*|inflat\w*|compress(?:ed|ors?)|air (?:line|pressure|hose)|shop air|\d+ ?(?:bar|psi|kpa)",
    "tilting": r"tilt\w*|tip(?:s|ped|ping)?|lay(?:s|ing)?|laid|on (?:its|their) sides?",
    "leaving open": (r"(?:leave|left|keep|kept|stand|stay)\b[^.;]* open"
                     r"|(?:leave|left|keep|kept|remove|take)\b[^.;]*\b(?:lid|bung|cap|plug)s?\b(?! shut| closed)"
                     r"|(?:not|never|none|nothing|cannot|no longer) (?:(?!and|but|or|then)\w+ ){0,3}(?:shut|sealed|closed)"),
    "smelling": r"smell\w*|sniff\w*|tast\w*|inhal\w*|suck\w*|sip(?:s|ped|ping)?|mouths?",
    "pouring away": r"(?:down|into|in) (?:the|a) (?:drain|sewer|gutter|soil|ground)",
}
_WORDS = {deed: re.compile(rf"\b(?:{words})(?!\w)", re.I) for deed, words in _NAMES.items()}


def named_in(text: str) -> dict[Deed, str]:
    """The first word of each deed that a text names, whatever it says of it."""
    return {deed: found[0] for deed, words in _WORDS.items() if (found := words.search(text))}


_BEGINS = (r"mix|stir|shake|roll|tumble|agitate|circulate|recirculate|homogeni[sz]e|swirl|churn|whisk|invert"
           r"|upend|sparge|spin|rock|flip|rotate|blend|heat|warm|boil|burn|steam|melt|cut|saw|drill|grind|weld|braze|pierce|puncture|punch|chisel|climb"
           r"|crawl|enter|lean|reach|pressuri[sz]e|inflate|blow|tilt|tip|lay|lift|carry|suck|sip|siphon|syphon|smell|sniff|taste"
           r"|inhale|pour|drain|decant|empty|open|take|remove|leave|light|knock|hit|push|draw|scrape|rühre?n?|rolle?n?"
           r"|schüttele?n?"
           r"|mische?n?|erhitze?n?|erwärme?n?|öffne?n?|chauffe[rz]?|rouler?|agite[rz]?|mélange[rz]?|mezclar?|calentar?|scalda(?:re)?")
_FOLLOWS = (r"the|them|it|this|that|these|those|each|every|all|any|both|a|an|one|your|by|before|after|well|gently|hard|first"
            r"|with|without|until|till|to|for|at|on|up|out|off|over|round|down|again|and|drums?|kegs?|pails?|totes?|barrels?|containers?"
            r"|bottles?|contents?|\d+"
            r"|das|die|den|le|la|les|el|los|il|vor|avant|antes|prima")
_BEFORE = (r"^|[.;:!?,(\u2013\u2014]\s*|\b(?:and|then|or|und|dann|et|puis|y|luego|e|poi|please|bitte|just|simply|always)"
           r"\s+")
_ORDER = re.compile(rf"(?:{_BEFORE})"
                    rf"(?P<order>(?:{_BEGINS})(?=\s+(?:{_FOLLOWS})\b|\s*[.;!,]|\s*$))", re.I)
_EVER = re.compile(r"\b(?:by mouth|with (?:your|the) mouth|mit dem mund|par la bouche|con la boc?ca)\b", re.I)
_INSULATES = re.compile(r"\b(?:plastics?|nylon|poly\w+|acryl\w*|ptfe|pvc|pp|h?d?pe|ldpe|pet|pom|teflon|silicones?|rubber"
                        r"|glass|synthetic|perspex|kunststoff|plastik|plastique|pl[aá]stico|plastica"
                        r"|glas|verre|vidrio|vetro)\b", re.I)
_CONDUCTS = re.compile(r"(?<!non-)(?<!non )(?<!not )\b(?:conduct(?:s|ive|ing)|dissipative|antistatic|leitf[äa]hig\w*)\b",
                       re.I)


def order_in(text: str) -> str:
    """The first word by which a text tells somebody to do something to a container; empty where none was found.

    An order begins a sentence or stands behind a comma, "and" or "then"; a question ("must it be mixed?") is none.
    """
    if ever := _EVER.search(text):
        return ever[0]
    found = _ORDER.search(text)
    return found["order"] if found else ""


def insulator_in(text: str) -> str:
    """The first word of a material that does not conduct, unless the text says that it does; empty where none was found."""
    found = _INSULATES.search(text)
    return found[0] if found and not _CONDUCTS.search(text) else ""


_PLAIN = """
a advice again all an and another any are as aside ask asked at authority back barrel barrels be been before better
blender block blocked bottle bottles bought buy by call called can cannot cans claim claimed closed competent complain
condemn container containers customer date days decide decided decides decision deliver discuss do document downgrade
dozen drum drums each eight eleven engineer expiry few first five fluid for four from further give grade half has have
hold if inform is it its keep keeps keg kegs kept label labelled laboratory lead leave left litre litres lot lots
maker manager mark marked may measure measured money month months more must named need needed new next nine no not
note nothing of office oil one ones only or order other others our out-of-spec own pail pails people plant price problem
production purchase quality quarantine reject rejected release released repeat replace report request result results
return safety sale sample sampled samples says scrap sealed second sell send set seven shall shift should shut six so
stand standing stands status stay stays still stock stocks store stores study such supplier supplies talk tell ten
test tested than that the their them these they this those three through time to tote totes twelve two until us use
used uses usual wait was we week weeks were when which who will with without write year years yet
"""
PLAIN = frozenset(_PLAIN.split())
"""Words of which an action may consist that is declared to ask for nothing, while anything is barred; in English only."""
_NUMBER = r"\d+|one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|a few|a dozen|more"
_AS_PLAIN = (re.compile(rf"\bopen(?=(?: the)? (?:{_NUMBER})\b)", re.I), re.compile(r"\bopened\b(?! up)", re.I),
             re.compile(r"\b(?:pour|pump|spray)(?= (?:it |them )?as (?:it|they|is|are)\b)", re.I),
             re.compile(r"\bin(?= (?:a|\d+|one|two|three|four|six) (?:year|month|week|day)s?\b)", re.I))
"""Words that are plain in these places only: a number of containers to open, a liquid that is used as it stands."""


def not_plain(text: str) -> tuple[str, ...]:
    """The words of a text that are not among ``PLAIN``, each once; a number of containers to open is plain as well."""
    for phrase in _AS_PLAIN:
        text = phrase.sub("use", text)
    words = re.findall(r"[^\W\d_]+(?:['\u2019-][^\W\d_]+)*", text)
    return tuple(dict.fromkeys(w for w in words if w.casefold() not in PLAIN))
