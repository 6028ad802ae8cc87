"""Columns that are not read and tell some lines from others: what was measured, means, limits, whether anything was found.

A line that says 'filtered', 'mean' or 'max' beside others that do not is not what they are, and one that says 'no' under
'Detected' holds the limit. All words are common practice, without a source.
"""

from __future__ import annotations

import re

from studykit.intake.columns import Texts
from studykit.intake.headwords import NOT_THE_STOCK, PREPARED

STATISTIC = re.compile(
    r"(?i)\W*(mean|average|avg|aver|median|mittel(wert)?|mw|moyenne|moy|gemiddelde?|gem|media|promedio|ø|x̄|sum|(sub)?total|summe|"
    r"r?sd|rsd|cv|std\w*|stabw|stdabw|vk|[eé]cart.type|scatter|range|spannweite|diff(erence|erenz)?|recovery|wfr)\b\W*"
    r"( ?(of|von|de) .*)?")
"""What is made of several results, as a text or a heading by itself."""
_LIMIT = re.compile(
    r"(?i)\W*((spec\w*|spezifikation|max\w*|min\w*|limit\w*|lo[qd]|mdl|rl|mrl|target|soll\w*|grenzwert\w*|richtwert\w*|typical|"
    r"typisch|nominal|expected|certified|reference|valeur limite|tolerance|toleranz|upper|lower|usl|lsl)\b\W*)+")
LIMIT_HEAD = re.compile(
    r"(?i)\W*(spec\w*|spezifikation|max\w*|min\w*|limits?|lo[qd]|mdl|rl|mrl|\w* ?limits?|target|soll\w*|grenzwerte?|bg|nwg|"
    r"bestimmungsgrenze|nachweisgrenze|richtwerte?|typical|nominal|tolerance|toleranz|range|usl|lsl)\b.*")
"""Headings of columns of limits: a number with a sign is what belongs there."""
LIMIT_TEXT = re.compile(r"[<>≤≥=\s]*[0-9][0-9.,]*(\s*([-\u2013]|to|bis)\s*[0-9][0-9.,]*)?(\s*(mg/kg|%|ppm))?")
_PREPARED_HEAD = re.compile(
    r"(?i)\W*(fra[ck]tion|fraktion|phase|basis|base|prep(aration|\.)?|sample prep\w*|aufschluss\w*|digest\w*|treatment|"
    r"behandlung|pretreatment|vorbehandlung|vorbereitung|probenvorbereitung|matrix|filter\w*|filtration)\W*")
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
    if _PREPARED_HEAD.fullmatch(head):
        total, usual = sum(counts), max(there, key=lambda n: counts[n])
        return set(there) - ({usual} if counts[usual] >= MOST * total else set())
    return out | {n for n, text in there.items() if no_determination(text) or (
        len(text) <= LONGEST and PREPARED.search(text))}
