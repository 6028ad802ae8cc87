"""Columns that are not read and tell some lines from others: what was measured, means, limits, whether anything was found.

A line that says 'filtered', 'mean' or 'max' beside others that do not is not what they are, and one that says 'no' under
'Detected' holds the limit. All words are common practice, without a source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Set

import numpy as np

from studykit.intake.columns import Texts
from studykit.intake.headwords import NOT_THE_STOCK, PREPARED, degrees_of
from studykit.intake.unitwords import unit_or_nothing

STATISTIC = re.compile(
    r"(?i)\W*(mean|average|avg|aver|median|mittel(wert)?|mw|moyenne|moy|gemiddelde?|gem|media|promedio|ø|x̄|sum|(sub)?total|summe|"
    r"r?sd|rsd|cv|std\w*|stabw|stdabw|vk|[eé]cart.type|scatter|range|spannweite|diff(erence|erenz)?|recovery|wfr)\b\W*"
    r"( ?(of|von|de) .*)?")
"""What is made of several results, as a text or a heading by itself."""
_LIMIT = re.compile(
    r"(?i)\W*((spec\w*|spezifikation|max\w*|min\w*|limit\w*|lo[qd]|mdl|rl|mrl|target|soll\w*|grenzwert\w*|richtwert\w*|typical|"
    r"typisch|nominal|expected|certified|reference|valeur limite|tolerance|toleranz|usl|lsl)\b\W*)+")
LIMIT_HEAD = re.compile(
    r"(?i)\W*(spec\w*|spezifikation|max\w*|min\w*|limits?|lo[qd]|mdl|rl|mrl|\w* ?limits?|target|soll\w*|grenzwerte?|bg|nwg|"
    r"bestimmungsgrenze|nachweisgrenze|richtwerte?|typical|nominal|tolerance|toleranz|range|usl|lsl)\b.*")
"""Headings of columns of limits: a number with a sign is what belongs there."""
LIMIT_TEXT = re.compile(r"[<>≤≥=\s]*[0-9][0-9.,]*(\s*([-\u2013]|to|bis)\s*[0-9][0-9.,]*)?(\s*(mg/kg|%|ppm))?")
_PREPARED_HEAD = re.compile(
    r"(?i)\W*(fra[ck]tion|fraktion|phase|basis|base|prep(aration|\.)?|sample prep\w*|aufschluss\w*|digest\w*|treatment|"
    r"behandlung|pretreatment|vorbehandlung|vorbereitung|probenvorbereitung|matrix|filter\w*|filtration)\W*")
_TEMPERATURE_HEAD = re.compile(
    r"(?i)\W*(test |mess|measuring )?(temp\.?|temperatur\w*|condition|bedingung)\b.*|\W*t ?\W*°? ?c?\W*")
_SURROUNDINGS = re.compile(r"(?i)room|raum|ambient|\blab|storage|lager|receipt|receiv|eingang|transport|umgebung|ambiante")
_LABEL = re.compile(
    r"(?i)\W*(rep(licate|eat)?|dup(licate|l\.?)?|det(ermination)?|run|wiederholung|wdh|messung|bestimmung|inj(ection)?|aliquot|"
    r"parallel\w*|samp(le)?|probe|orig(inal)?|first|second|third|erste\w?|zweite\w?|1st|2nd|3rd|primary|n|fd|single|normal|"
    r"regular|result|found|measured|value|reading)?\W*[0-9]?[a-d]?\W*|\W*(I|II|III|IV)\W*")
"""Texts that number determinations, or call one a repeat (common practice, no source)."""
ALIKE = 0.8
"""In so many samples the determinations must be told apart by the same words (no source)."""
_FOUND_HEAD = re.compile(
    r"(?i)\W*(detect(ed|s)?|detection|nachgewiesen|gefunden|found|quantified|bestimmbar|(above|over|[>≥]) ?"
    r"(the )?(lo[qd]|mr?l|mdl|mrl|rl|bg|limit))\??\W*")
_NOT_FOUND_HEAD = re.compile(
    r"(?i)\W*(n\.? ?d\.?|n\.? ?n\.?|not detected|bd?l|bdl|blq|bql|censored|(below|under|unter|[<≤]) ?(the )?"
    r"(lo[qd]|mr?l|mdl|mrl|rl|bg|limit))\??\W*")
LONGEST = 40
"""Longer texts are remarks."""
MOST = 0.7
"""Of so many lines that say the same the few others are asked about, else all (no source)."""
_NO = re.compile(r"(?i)|no|n|false|0|not .*|✗|✘|-|nein|non|nee")


def no_determination(text: str) -> bool:
    """Whether a cell of an unread column says that its line is a limit or a number made of others: 'max', 'mean', 'RSD %'."""
    return len(text) <= LONGEST and bool(STATISTIC.fullmatch(text) or _LIMIT.fullmatch(text))


def tells_apart(head: str, column: Texts, counts: list[int]) -> set[int]:
    """Words of an unread column (their places) by which their lines are not what the others are; ``counts`` of each."""
    there = {n: text.strip() for n, text in enumerate(column.words) if counts[n]}
    if _FOUND_HEAD.fullmatch(head) and any(there.values()):
        return {n for n, text in there.items() if _NO.fullmatch(text)}
    if _NOT_FOUND_HEAD.fullmatch(head):
        return {n for n, text in there.items() if not _NO.fullmatch(text)}
    out = {n for n, text in there.items() if text and NOT_THE_STOCK.search(text)}
    if len(there) < 2:
        return out
    if _TEMPERATURE_HEAD.fullmatch(head) and _differ([t for t in there.values() if t]):
        return set(there)
    if _PREPARED_HEAD.fullmatch(head):
        total, usual = sum(counts), max(there, key=lambda n: counts[n])
        return set(there) - ({usual} if counts[usual] >= MOST * total else set())
    return out | {n for n, text in there.items() if no_determination(text) or (
        len(text) <= LONGEST and PREPARED.search(text))}


def _differ(texts: list[str]) -> bool:
    """Whether the first numbers of some texts differ by more than a tenth, such as 40 and 100."""
    numbers = [float(found[0]) for t in texts if (found := re.search(r"[0-9]+(?:[.][0-9]+)?", t.replace(",", ".")))]
    return len(numbers) > 1 and max(numbers) - min(numbers) > 0.1 * max(numbers)


def kinds_of_determinations(column: Texts, key: np.ndarray, versions: bool) -> set[int]:
    """Words of an unread column (their places) that tell the determinations of nearly all samples apart, in one order.

    ``key``: whose determination each line is. What numbers them, or calls one a repeat, tells nothing, but for ``versions``.
    """
    order = np.argsort(key, kind="stable")
    groups = np.split(column.codes[order], np.flatnonzero(np.diff(key[order])) + 1)
    told = Counter(tuple(g.tolist()) for g in groups if len(g) > 1)
    usual, count = max(told.items(), key=lambda item: item[1], default=((), 0))
    if len(set(usual)) < 2 or count < 2 or count < ALIKE * told.total():
        return set()
    words = {n: column.words[n].strip() for n in set(usual)}
    if versions:
        return set(words)
    figures = [words[n] for n in usual]
    if all(t.isdecimal() for t in figures) and [int(t) - int(figures[0]) for t in figures] == list(range(len(figures))):
        return set()
    return {n for n, text in words.items() if not _LABEL.fullmatch(text)}


def another_temperature(head: str, column: Texts, meant: Set[str]) -> str:
    """What an unread column says of all lines where its one temperature is that of no analyte ``meant``; '' for nothing."""
    texts = [t.strip() for t in column.distinct()]
    if len(texts) != 1 or not _TEMPERATURE_HEAD.fullmatch(head) or _SURROUNDINGS.search(head):
        return ""
    found, known = re.fullmatch(r"([0-9]+)(?:[.,]0+)? ?(?:°? ?C)?", texts[0]), set().union(*map(degrees_of, meant))
    return "" if not found or not known or found[1] in known else (
        f"its row says {texts[0]!r} under {head!r}, and the analyte is at {min(known)} °")


def other_units(column: Texts, counts: list[int], used: set[str]) -> set[int]:
    """Words of an unread column of units (their places) that are not among those ``used``; none where it holds other texts."""
    units = {n: unit_or_nothing(t.strip()) if len(t.strip()) > 2 or "%" in t else "" for n, t in enumerate(column.words)
             if counts[n] and t.strip()}
    return {n for n, unit in units.items() if unit not in used} if used and units and all(units.values()) else set()
