"""Every sentence of README and the pages, and every line of their blocks of code, as somebody last read it against the code.

    python -m tests.docs.read               which sentences are not those that were read
    python -m tests.docs.read --record      take them down, after reading each against the code, its help or its source

A number, a "never" or a name is held by the ledger and the other checks here.  A sentence that has none of these ("excluded
results stay in the quality checks") can be turned round without them.  ``read.txt`` holds a fingerprint of each sentence: it
cannot say that one is true, only that it is no other than the one that was read, and it names each one that is.
"""

from __future__ import annotations

import hashlib
import re
import sys
from collections.abc import Mapping
from difflib import SequenceMatcher
from pathlib import Path

from tests.docs.reading import CAUTIONS, PARSER, ROOT, hand_written, statements

RECORD = Path(__file__).with_name("read.txt")
ALSO = ("docs/first-study/README.md", "docs/operating.md", "docs/time-coverage.md")
"""A page outside docs/ itself, and those that a run of hours wrote, which no test repeats."""


def pages() -> dict[str, str]:
    """README and the hand-written pages of docs/, by path."""
    more = {name: CAUTIONS.sub("", (ROOT / name).read_text(encoding="utf-8")) for name in ALSO}
    return {k: v for k, v in hand_written().items() if k != "DEVELOPERS.md"} | more


def sentences(text: str) -> list[str]:
    """All sentences and rows of a page, then all lines of its blocks of code, with their blanks made one."""
    code = [line for t in PARSER.parse(text) if t.type in ("fence", "code_block") for line in t.content.splitlines()]
    return [" ".join(s.split()) for s in (*statements(text), *code) if s.strip()]


def fingerprint(sentence: str) -> str:
    """Ten signs that another sentence hardly has, and the first words, by which a person finds it."""
    words = re.sub(r"[^\w ]", "", sentence)[:24].strip()
    return f"{hashlib.sha256(sentence.encode()).hexdigest()[:10]} {words}".strip()


def recorded() -> dict[str, list[str]]:
    """The fingerprints of each page as they were taken down."""
    out: dict[str, list[str]] = {}
    for line in RECORD.read_text(encoding="utf-8").splitlines():
        page, _, mark = line.partition("\t")
        out.setdefault(page, []).append(mark)
    return out


def unread(now: Mapping[str, str], then: Mapping[str, list[str]]) -> list[str]:
    """Sentences that are not those that were read, new ones whole, gone ones by their first words."""
    out = []
    for page in sorted({*now, *then}):
        said = sentences(now.get(page, ""))
        marks, old = [fingerprint(s) for s in said], then.get(page, [])
        for op, a, b, c, d in SequenceMatcher(a=old, b=marks, autojunk=False).get_opcodes():
            if op != "equal":
                out += [f"{page}: not read yet: {s}" for s in said[c:d]] + [f"{page}: gone: {m}" for m in old[a:b]]
    return out


def record() -> None:
    """Take all sentences down as read."""
    lines = [f"{page}\t{fingerprint(s)}" for page, text in sorted(pages().items()) for s in sentences(text)]
    RECORD.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    print("\n".join(unread(pages(), recorded() if RECORD.is_file() else {})) or "all as read")
    if "--record" in sys.argv[1:]:
        record()
        print("taken down as read")
