"""Text from people: what it may hold, so that everybody reads the same on a screen, on paper and in a file.

Letters of any script stay, right-to-left ones and their joiners among them. What has no place is a sign that nobody sees
and that changes how the rest is read. Standard library only.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from studykit.core.errors import Fault

UNSEEN = frozenset("\u115f\u1160\u3164\uffa0")
"""Letters by their category that show nothing: the Hangul fillers (Unicode, Default_Ignorable_Code_Point)."""
TURNING = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Marks that turn the text around them (Unicode Standard Annex 9, explicit and implicit directional marks)."""
_JOINED = re.compile("(?<=[\u0590-\u109f\u1780-\u18af])[\u200c\u200d]")
"""Joiners behind a letter of a script that writes words with them: Arabic, those of India, Khmer, Mongolian and others."""
_SEEN = frozenset("\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u0890\u0891\u08e2")
"""Signs for numbers in Arabic and Syriac, which are seen although they count as format signs."""
MOST_MARKS = 6
"""Accents on one letter; no script in use takes as many (own judgement)."""
RETYPE = "write the text without it: typed anew, not pasted"


def unreadable(text: str) -> str:
    """Why a text cannot be taken as it stands, as the end of a sentence; '' where it can, as where there is none."""
    if text.isascii() and text.isprintable():
        return ""
    kinds = {c: unicodedata.category(c) for c in set(_JOINED.sub("", text)) - _SEEN - {"\t", "\n"}}
    for c, kind in sorted(kinds.items()):
        if TURNING.match(c):
            return f"holds a mark that turns the direction of the text (U+{ord(c):04X})"
        if kind in ("Cc", "Cf", "Cs", "Zl", "Zp") or c in UNSEEN:
            return f"holds a sign that nobody sees (U+{ord(c):04X})"
    if text.strip() and not any(kind[0] not in "ZM" and c != "\u2800" for c, kind in kinds.items()):
        return "shows nothing that can be read"
    marks = "".join("m" if kinds.get(c, "")[:1] == "M" else " " for c in text)
    return f"holds more than {MOST_MARKS} accents on one letter" if "m" * (MOST_MARKS + 1) in marks else ""


def text_faults(data: Any, file: str, where: str = "") -> Iterator[Fault]:
    """A fault for each text of nested values, keys among them, that cannot be taken as it stands."""
    if isinstance(data, str) and (reason := unreadable(data)):
        yield Fault(file=file, column=where, value=data, reason=reason, remedy=RETYPE)
    elif isinstance(data, Mapping):
        for key, inner in data.items():
            yield from text_faults(str(key), file, where)
            yield from text_faults(inner, file, f"{where}.{key}" if where else str(key))
    elif isinstance(data, list | tuple):
        for number, inner in enumerate(data):
            yield from text_faults(inner, file, f"{where}.{number}")


def upright(text: str) -> str:
    """A text that nobody could refuse, such as a laboratory's, with marks that turn its direction told, as (U+202E)."""
    return TURNING.sub(lambda m: f"(U+{ord(m[0]):04X})", text)
