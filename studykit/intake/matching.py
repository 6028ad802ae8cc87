"""Sample codes of raw files matched with the study's codes; near misses are named, never repaired.

A code counts only if it is the study's code letter for letter, or if a person wrote its repair under
[file.codes]. What a spreadsheet does to codes ('007' to 7, '1E5' to 100000) is recognised and said.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from studykit.core.numbertext import tidy_text
from studykit.study.codes import alphabets_of, check_code, likely_codes

MOST_SEARCHED = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One written code: the study's code, or why there is none; ``rule`` names a repair by a person."""

    code: str = ""
    reason: str = ""
    remedy: str = ""
    rule: str = ""


def match_codes(written: Sequence[str], known: Sequence[str], repairs: Mapping[str, str]) -> list[Match]:
    """Each distinct written code with the study's code or a reason; ``repairs`` come from the mapping.

    Near misses are searched for the first 200 unknown codes; beyond that the count itself is the message.
    """
    own = set(known)
    strange = any(tidy_text(t) not in own for t in written)
    checked = alphabets_of(own) if strange else ()
    numbers = _numbers(known) if strange else {}
    out: list[Match] = []
    searched = 0
    for text in written:
        shown = tidy_text(text)
        if shown in own:
            out.append(Match(code=shown))
        elif repairs.get(shown) in own:
            out.append(Match(code=repairs[shown],
                             rule=f"code {shown!r} read as {repairs[shown]!r}, as the mapping says"))
        elif (inside := re.fullmatch(r'="([^"]+)"', shown)) and inside[1] in own:
            out.append(Match(code=inside[1], rule="code in ='...' read as the text in it"))
        elif not shown:
            out.append(Match(reason="has no sample code", remedy="ask the laboratory which sample it is"))
        else:
            searched += 1
            out.append(_unknown(shown, known, numbers, checked, search=searched <= MOST_SEARCHED))
    return out


def _numbers(known: Sequence[str]) -> dict[float, list[str]]:
    """Codes that a spreadsheet would take for a number, by that number."""
    out: dict[float, list[str]] = {}
    for code in known:
        if re.fullmatch(r"[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,2})?", code):
            out.setdefault(float(code), []).append(code)
    return out


def _unknown(shown: str, known: Sequence[str], numbers: dict[float, list[str]], checked: tuple[str, ...],
             search: bool) -> Match:
    reason = "is not a sample of this study"
    likely: tuple[str, ...] = ()
    if re.fullmatch(r"[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]{1,2})?", shown):
        likely = tuple(numbers.get(float(shown.replace(",", ".")), ()))[:3]
        if likely:
            reason += "; a spreadsheet may have turned the code into a number"
    folded = [k for k in known if k.casefold() == shown.casefold()] if not likely and search else []
    if folded:
        likely = tuple(folded[:3])
        reason += "; it differs from a code only in its capitals"
    elif not likely and checked and not check_code(shown, checked):
        reason += "; its check character does not fit, so it was misread or mistyped"
    if not likely and search and known:
        likely = likely_codes(shown, list(known))
    if likely:
        repair = f"write [file.codes] {shown!r} = {likely[0]!r}" if len(likely) == 1 else "write it under [file.codes]"
        return Match(reason=reason, remedy=f"it may be {' or '.join(likely)}: ask the laboratory; if so, {repair}")
    return Match(reason=reason, remedy="ask the laboratory whose sample it is; nothing near was found")
