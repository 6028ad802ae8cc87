"""Seeded falsehoods: one change to one page that makes it untrue, and whether the checks of this folder notice it.

    python -m tests.docs.falsehoods 300 1        how many of 300 falsehoods of seed 1 are caught, by kind

Kinds: a number in a sentence or a table row, an absolute word turned round, a command, an option, an exit code, the name
of a file, of a table, of a key, a default beside a key, a name of code.
"""

from __future__ import annotations

import random
import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tests.docs.claims import NAMES, TOKEN, wanting
from tests.docs.ledger import LEDGER
from tests.docs.names import CHECKS, keys
from tests.docs.reading import CITED, hand_written

Pages = dict[str, str]
Place = tuple[str, int, int, str]
TURNED = {"never": "always", "always": "never", "every": "no"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Falsehood:
    """One change: kind, page, what stood there and what stands there now."""

    kind: str
    page: str
    old: str
    new: str


def faults(pages: Pages) -> set[str]:
    """Everything that the checks find wrong."""
    ledger = {page: LEDGER.get(page, []) for page in pages}
    return {f for check in CHECKS for f in check(pages)} | set(wanting(pages, ledger))


def _prose(text: str) -> str:
    """The text with code, links and headings of sections blotted out, character for character."""
    for pattern in (r"(?ms)^```.*?^```", r"(?m)^    .*$", r"`[^`\n]*`", NAMES.pattern, r"(?m)^#+ .*$", r"(?m)^\|[ -|]*$"):
        text = re.sub(pattern, lambda m: " " * len(m[0]), text)
    return text


def _in_prose(pages: Pages, pattern: str) -> Iterator[Place]:
    for page, text in pages.items():
        if page not in CITED:
            for m in re.finditer(pattern, _prose(text)):
                yield page, m.start(), m.end(), m[0]


def _in_code(pages: Pages, pattern: str) -> Iterator[Place]:
    """Matches of the first group inside code spans and blocks of commands."""
    for page, text in pages.items():
        for span in re.finditer(r"(?m)`([^`\n]+)`|^    studykit .*$|^studykit .*$|^\$ .*$", text):
            for m in re.finditer(pattern, span[0]):
                yield page, span.start() + m.start(1), span.start() + m.end(1), m[1]


def _number(rng: random.Random, old: str) -> str:
    head = re.match(r"[−-]?\d", old)
    if head is None:
        return {"never": "always", "always": "never", "every": "no"}.get(old.lower(), "seventeen")
    digits = [i for i, c in enumerate(old) if c.isdigit()]
    i = rng.choice(digits)
    return old[:i] + rng.choice([d for d in "123456789" if d != old[i]]) + old[i + 1:]


def _misspelt(rng: random.Random, old: str) -> str:
    """Another name: a syllable put in, or something put after it."""
    i = rng.randrange(3, len(old)) if len(old) > 4 else len(old)
    return rng.choice([old[:i] + "ra" + old[i:], old + "_of"])


KINDS: dict[str, tuple[Callable[[Pages], Iterator[Place]], Callable[[random.Random, str], str]]] = {
    "number": (lambda p: _in_prose(p, TOKEN.pattern.replace("(?:never|always|every|", "(?:")), _number),
    "absolute word": (lambda p: _in_prose(p, r"(?i)\b(never|always|every)\b"), lambda _, old: TURNED[old.lower()]),
    "command": (lambda p: _in_code(p, r"studykit (\w+)"), _misspelt),
    "option": (lambda p: _in_code(p, r"(--[a-z]\w+)"), _misspelt),
    "exit code": (lambda p: _in_prose(p, r"(?m)(?<=[Ee]xit code )\d|^\d(?= done;)|(?<=; )\d(?= (?:faults|the|a|notebook) )"),
                  lambda rng, old: rng.choice([d for d in "1345679" if d != old])),
    "file": (lambda p: _in_code(p, r"([\w-]+)\.(?:csv|toml|json|pdf|html|ipynb|xlsx|lock)\b"), _misspelt),
    "key": (lambda p: _in_code(p, rf"\b({'|'.join(sorted(k for k in keys() if '_' in k))})\b"), _misspelt),
    "code name": (lambda p: _in_code(p, r"studykit\.\w+\.(\w+)"), _misspelt),
    "default": (lambda p: _in_prose(p, r"\d+(?= (?:°C )?unless said)|\d+(?= for a (?:container|draw))"), _number),
    "table": (lambda p: _tables(p), lambda rng, old: old + "-" + rng.choice(["sum", "old", "raw"])),
}


def _tables(pages: Pages) -> Iterator[Place]:
    """Names in the lists of tables that a stage writes."""
    for page, text in pages.items():
        told = re.search(r"[Ww]rites into `report/[\w-]+/`:([^.]*)\.", text)
        for m in re.finditer(r"(?<=, )[a-z-]{6,}(?=,)", told[1]) if told else ():
            yield page, told.start(1) + m.start(), told.start(1) + m.end(), m[0]


def seeded(pages: Pages, count: int, seed: int) -> Iterator[tuple[Falsehood, str]]:
    """``count`` falsehoods, the kinds in turn, each with the page that holds it and nothing else untrue."""
    rng = random.Random(seed)
    places = {kind: list(find(pages)) for kind, (find, _) in KINDS.items()}
    for i in range(count):
        kind = list(KINDS)[i % len(KINDS)]
        page, start, end, old = rng.choice(places[kind])
        new = KINDS[kind][1](rng, old)
        text = pages[page]
        yield Falsehood(kind=kind, page=page, old=old, new=new), text[:start] + new + text[end:]


def caught(count: int, seed: int) -> tuple[list[Falsehood], list[Falsehood]]:
    """Falsehoods that the checks notice, and those that they do not."""
    pages = hand_written()
    before = {page: faults({page: text}) for page, text in pages.items()}
    yes: list[Falsehood] = []
    no: list[Falsehood] = []
    for lie, changed in seeded(pages, count, seed):
        (yes if faults({lie.page: changed}) - before[lie.page] else no).append(lie)
    return yes, no


if __name__ == "__main__":
    found, missed = caught(int(sys.argv[1]), int(sys.argv[2]))
    print(f"caught {len(found)} of {len(found) + len(missed)}")
    print("missed, by kind:", dict(Counter(m.kind for m in missed)))
    for lie in missed[:40]:
        print(" ", lie)
