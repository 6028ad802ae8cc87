"""Two texts that differ, told so that a reader sees where: their first difference, and by number what eyes cannot tell apart.

Standard library only.
"""

from __future__ import annotations

import re
import unicodedata

BLANKS = re.compile(r"[ \t\n\r\f]+")
"""Blanks of ASCII, which a browser shows as one; a blank that does not break, or has another width, is a sign like others."""
BEFORE, MOST_MARKED = 20, 12
"""Signs shown before a difference, and signs of it that are told by number."""
_TWINS = str.maketrans({"I": "l", "1": "l", "|": "l", "O": "o", "0": "o", "`": "'", "\xb4": "'", "\u2019": "'"})
"""Signs of ASCII, and two beside them, that many a typeface draws alike."""


def plain(text: str) -> str:
    """A text with one blank for each run of blanks of ASCII, and none at its ends."""
    return BLANKS.sub(" ", text).strip(" ")


def excerpt(a: str, b: str, width: int = 60) -> tuple[str, str]:
    """The two texts from shortly before their first difference, which is never cut off.

    Signs outside ASCII are told by number where the texts part, and all signs where both would read alike. Where they part
    again further on, how many signs that is.
    """
    only_blanks = plain(a) == plain(b)
    x, y = (a, b) if only_blanks else (plain(a), plain(b))
    at = _alike(x, y)
    end = _alike(x[at:][::-1], y[at:][::-1])
    start = 0 if max(len(x), len(y)) <= width else max(0, at - min(BEFORE, width // 2))
    every = only_blanks or _skeleton(x[at:len(x) - end]) == _skeleton(y[at:len(y) - end])
    return _shown(x, start, at, len(x) - end, width, every), _shown(y, start, at, len(y) - end, width, every)


def _alike(a: str, b: str) -> int:
    """How many signs two texts begin with alike."""
    return next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))


def spelled(name: str) -> str:
    """A name with letters of another script beside Latin ones told by number: they may be there to be taken for those."""
    if name.isascii() or not re.search("[A-Za-z]", name):
        return name
    return "".join(f"{c}{_number(c)}" if c.isalpha() and not _latin(c) else c for c in name)


def _latin(c: str) -> bool:
    return unicodedata.name(c, "").startswith(("LATIN", "MODIFIER", "SUPERSCRIPT", "MICRO", "FEMININE", "MASCULINE"))


def _number(c: str) -> str:
    return f"(U+{ord(c):04X})"


def _skeleton(text: str) -> str:
    """What a reader may take a text for: twins made one, a pair of letters that reads as one, nothing that is not seen."""
    return BLANKS.sub("", text).replace("rn", "m").replace("vv", "w").translate(_TWINS)


def _shown(text: str, start: int, at: int, end: int, width: int, every: bool) -> str:
    """A text from ``start`` on, where it differs from ``at`` to ``end``."""
    stop = max(start + width, at + 1)
    marked, left = [], MOST_MARKED
    for k, c in enumerate(text[start:stop], start=start):
        inside = at <= k < end and (every or not c.isascii())
        marked.append(_told(c) if inside and left > 0 else c)
        left -= inside
    more = f" … and differs up to {end - stop} signs further on" if end > stop else ""
    return (_collapsed("".join(marked)) or "nothing") + more


def _told(c: str) -> str:
    return _number(c) if unicodedata.category(c)[0] in "CZ" else f"{c}{_number(c)}"


def _collapsed(text: str) -> str:
    return BLANKS.sub(" ", text)
