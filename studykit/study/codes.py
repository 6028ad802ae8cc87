"""Blind sample codes: short, hard to misread, and self-checking.

A code is a letter, free characters and one check character, for example ``W72FX``.

*Alphabet.* Thirteen characters, ``245678CDFHLWX``: no two of them stand in one group of ``CONFUSED``, the list of
characters that are written or read for one another (own judgement, no source; upside down counts).  No vowels: no
words, no month names, no TRUE.  A code starts with a letter and holds at least one digit, so a spreadsheet takes it
for neither a number (``1E5``, ``007``), a date (``MAR3``) nor a word, and does not change it.  Codes that the kit made
earlier, of nineteen characters (``K72PX``), are read and checked as before; no new ones are made.

*Check character.* A pure system after ISO/IEC 7064 (from memory, check your copy): the characters' values
a_1 .. a_n, counted from the right, satisfy  sum a_i 2^(i-1) = 1 (mod 13).  The standard lists other moduli;
13 is used here because it is prime and equals the size of the alphabet, so that no extra character is
needed.  2 is a primitive root of 13 (and of 19), so the weights of up to 12 positions all differ and none is zero:
*every* single misread, *every* exchange of two characters (adjacent or not) and every twin misread
(``77`` for ``44``) breaks the congruence.  ``tests/study/test_codes.py`` goes through all of them.

*Distance.* Codes made together differ in at least three places, so one misread character points back to one
code only, and ``likely_codes`` can name it.
"""

from __future__ import annotations

import random
import re
import unicodedata
from collections.abc import Collection, Iterable, Sequence
from itertools import combinations
from typing import TypeVar

from studykit.core.errors import Fault

T = TypeVar("T")

ALPHABET = "245678CDFHLWX"
EARLIER = "23456789CFHKMPRTWXY"
ALPHABETS = (ALPHABET, EARLIER)
RADIX = 2
SHORTEST, LONGEST = 5, 8
# groups of characters that are written or read for one another (own judgement, no source)
_CONFUSED = "5S 2Z 8B 6G 71I YVU MN 9GQ CGO0 4A PRF KX KH HM 3E T7 DO0 1ILJ 49 69 38 MW XY"
CONFUSED = tuple(_CONFUSED.split())


def generator(seed: int, purpose: str) -> random.Random:
    """A random generator for one purpose of one study.

    Only its ``random()`` is used, the one method whose sequence Python promises to keep between versions.
    """
    return random.Random(f"studykit/{seed}/{purpose}")


def shuffled(items: Iterable[T], rng: random.Random) -> tuple[T, ...]:
    """The items in random order (Fisher and Yates), built on ``rng.random()`` alone."""
    out = list(items)
    for i in range(len(out) - 1, 0, -1):
        j = int(rng.random() * (i + 1))
        out[i], out[j] = out[j], out[i]
    return tuple(out)


def normalise(text: str) -> str:
    """A code as typed, in capitals and without blanks or hyphens."""
    return "".join(c for c in text.upper() if not c.isspace() and c not in "-‐‑–—")


def _residue(code: str, alphabet: str) -> int:
    """Sum of value times weight, modulo the alphabet's size; 1 for a good code."""
    total = 0
    for c in code:
        total = (total * RADIX + alphabet.index(c)) % len(alphabet)
    return total


def with_check(body: str) -> str:
    """Append the check character to the free part of a code.

    ``body`` must use ``ALPHABET`` only (ValueError otherwise).
    Source: ISO/IEC 7064 pure system (from memory), radix 2, modulus the size of the alphabet.
    """
    if not body or any(c not in ALPHABET for c in body):
        raise ValueError(f"body must use the characters {ALPHABET}, but got {body!r}")
    rest = _residue(body, ALPHABET) * RADIX % len(ALPHABET)
    return body + ALPHABET[(1 - rest) % len(ALPHABET)]


def check_code(text: str, alphabets: Collection[str] = ALPHABETS) -> bool:
    """Whether a text is a well-formed code with the right check character, of one of the kit's alphabets.

    Small letters, blanks and hyphens are forgiven; every other difference is not.
    """
    code = normalise(text)
    if not SHORTEST <= len(code) <= LONGEST or code[0].isdigit() or not any(c.isdigit() for c in code):
        return False
    return any(all(c in a for c in code) and _residue(code, a) == 1 for a in alphabets)


def alphabets_of(codes: Iterable[str]) -> tuple[str, ...]:
    """The alphabets with which every one of these codes is well-formed; none for codes that the kit did not make."""
    made = list(codes)
    return tuple(a for a in ALPHABETS if made and all(check_code(c, (a,)) for c in made))


def _patterns(code: str) -> list[tuple[int, int, str]]:
    """What is left of a code when two places are blotted out, for every two places."""
    pairs = combinations(range(len(code)), 2)
    return [(i, j, code[:i] + code[i + 1 : j] + code[j + 1 :]) for i, j in pairs]


def length_for(n: int) -> int:
    """The shortest code length that leaves codes sparse enough: 5 up to 300 codes, then 6 or 7."""
    if n < 0 or n > 20_000:
        raise ValueError(f"n must be from 0 to 20000, but got {n}")
    return SHORTEST if n <= 300 else SHORTEST + 1 if n <= 3_000 else SHORTEST + 2


def make_codes(
    n: int, seed: int, *, length: int | None = None, avoid: Collection[str] = (), purpose: str = "codes"
) -> tuple[str, ...]:
    """Draw ``n`` different codes in random order.

    ``length`` counts the check character (5 to 8; None: the shortest that serves).  ``avoid`` holds codes
    already in use: new ones differ from them, too, in at least three places.  The same arguments give the
    same codes.  ValueError when so many codes of that length cannot be found.
    """
    size = length_for(n + len(avoid)) if length is None else length
    if not SHORTEST <= size <= LONGEST:
        raise ValueError(f"length must be from {SHORTEST} to {LONGEST}, but got {size}")
    rng = generator(seed, purpose)
    used = {p for code in avoid if len(code) == size for p in _patterns(normalise(code))}
    out: list[str] = []
    misses = 0
    while len(out) < n:
        code = _draw(size, rng)
        marks = _patterns(code)
        if not any(c.isdigit() for c in code) or any(m in used for m in marks):
            misses += 1
            if misses > 20_000:
                raise ValueError(f"length must be larger: only {len(out)} of {n} codes of {size} characters")
            continue
        misses = 0
        used.update(marks)
        out.append(code)
    return tuple(out)


def _draw(size: int, rng: random.Random) -> str:
    letters = [c for c in ALPHABET if not c.isdigit()]
    first = letters[int(rng.random() * len(letters))]
    free = "".join(ALPHABET[int(rng.random() * len(ALPHABET))] for _ in range(size - 2))
    return with_check(first + free)


def _swap_cost(a: str, b: str) -> float:
    """0 for the same character, 0.4 for two that are read for one another, 1 otherwise."""
    if a == b:
        return 0.0
    return 0.4 if any(a in group and b in group for group in CONFUSED) else 1.0


def misread_distance(a: str, b: str) -> float:
    """How far two texts are apart in misread, exchanged, lost and added characters.

    Restricted edit distance with exchanges of neighbours (Damerau 1964, Levenshtein 1966), in which two
    characters of ``CONFUSED`` count 0.4 instead of 1.
    """
    before: list[float] = []
    row = [float(j) for j in range(len(b) + 1)]
    for i, x in enumerate(a, start=1):
        new = [float(i)]
        for j, y in enumerate(b, start=1):
            best = min(row[j] + 1, new[j - 1] + 1, row[j - 1] + _swap_cost(x, y))
            if i > 1 and j > 1 and x == b[j - 2] and a[i - 2] == y and x != y:
                best = min(best, before[j - 2] + 1)
            new.append(best)
        before, row = row, new
    return row[-1]


def likely_codes(text: str, known: Sequence[str]) -> tuple[str, ...]:
    """The known codes a misread text most likely stands for, nearest first.

    At most three codes no farther than 2 (see ``misread_distance``); only codes as near as the
    nearest plus 0.6 are named, so a clear case gives one answer.  Empty when nothing is near.
    """
    typed = normalise(text)
    ranked = sorted((misread_distance(typed, normalise(code)), code) for code in known)
    near = [(d, code) for d, code in ranked if d <= min(2.0, ranked[0][0] + 0.6)]
    return tuple(code for _, code in near[:3])


#: Capitals of other scripts that look like Latin ones (Unicode Technical Standard 39, confusables; the plain ones).
_ALIKE = str.maketrans("АВСЕНІЈКМОРЅТХУабсеіјорѕхуΑΒΕΖΗΙΚΜΝΟΡΤΥΧ", "ABCEHIJKMOPSTXYabceijopsxyABEZHIKMNOPTYX")


_PLAIN_CODES = re.compile(r"(?:[A-Za-z][A-Za-z0-9]*(?:\n|$))*")


def spreadsheet_form(code: str) -> str:
    """What is left of a code after a spreadsheet or a careless eye: numbers by value, no capitals, Latin look-alikes.

    ``007`` and ``7``, ``1E5`` and ``100000``, ``a1`` and ``A1``, Cyrillic and Latin K share one form.
    """
    if code.isascii() and code.isalnum() and not code[0].isdigit():
        return code.casefold()
    text = unicodedata.normalize("NFKC", code).translate(_ALIKE).strip().casefold()
    if re.fullmatch(r"[0-9]+(?:[.,][0-9]+)?(?:e[+-]?[0-9]{1,2})?", text):
        return format(float(text.replace(",", ".")), ".15g")
    return text


def colliding_codes(codes: Iterable[str]) -> list[Fault]:
    """A fault for each group of codes that a spreadsheet, or a reader, may take for one another."""
    groups: dict[str, list[str]] = {}
    codes = dict.fromkeys(codes)
    together = "\n".join(codes)
    if _PLAIN_CODES.fullmatch(together) and (
            together == together.upper() or len(set(together.casefold().split("\n"))) == len(codes)):
        return []  # each code's form is the code without capitals
    for code in codes:
        groups.setdefault(spreadsheet_form(code), []).append(code)
    return [Fault(file="", column="sample", value=" and ".join(group[:4]),
                  reason="a spreadsheet or a reader may take these codes for one another",
                  remedy="give one of them another code")
            for group in groups.values() if len(group) > 1]
