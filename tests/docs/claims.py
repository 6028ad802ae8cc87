"""What holds each statement of the pages that gives a number or says never, always or every: the ledger, and its check.

A row names a statement by a piece of it, repeats its numbers and absolute words in their order, and gives what holds
them: values computed from the code (compared with the numbers as printed), the test that fails where it is not so, or,
where neither can be, the source that the page itself names ("cited": a paid standard, a program that runs for hours).
"""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from tests.docs.reading import CITED, NAMES, ROOT, statements

WORDS = ("five|six|seven|eight|nine|ten|eleven|twelve|thirteen|fourteen|fifteen|sixteen|nineteen|twenty|thirty|forty|fifty|"
         "hundred|thousand|million")
TOKEN = re.compile(rf"[−-]?\d+(?:[, ]\d\d\d(?!\d))*(?:\.\d+)?(?:e-?\d+)?|\b(?:never|always|every|{WORDS})\b", re.I)
UNDER_WORK: set[str] = set()
"""Pages whose sentences have no rows yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A statement of the ledger: a piece of it, its tokens, and what holds it (a test, a reason, or values)."""

    says: str
    tokens: str
    held: str
    values: tuple[float | None, ...] = ()


def row(says: str, tokens: str, held: str = "values", *values: float | None) -> Row:
    """A row in short: ``values`` stand for the numbers in their order, None for one that is only repeated."""
    return Row(says=says, tokens=tokens, held=held, values=values)


def tokens(statement: str) -> list[str]:
    """Numbers, number words from five on, and absolute words of a statement, without names of standards and code."""
    plain = NAMES.sub(" ", re.sub(r"`[^`]*`", " ", statement)).replace("−", "-")
    return [t.lower().replace(" ", "") for t in TOKEN.findall(plain)]


def wanting(pages: Mapping[str, str], ledger: Mapping[str, Sequence[Row]]) -> list[str]:
    """Statements that no row holds or whose tokens differ from their row's, and rows without a statement."""
    out = []
    for page, text in pages.items():
        if page in CITED | UNDER_WORK:
            continue
        rows = list(ledger.get(page, ()))
        used: set[int] = set()
        for s in statements(text):
            mine = tokens(s)
            fits = [i for i, r in enumerate(rows) if r.says in s]
            used |= set(fits)
            if not fits and mine and not re.fullmatch(r"\d+\.", s):
                out.append(f"{page}: nothing holds: {s}")
            out += [f"{page}: says {' '.join(mine)!r}, the ledger {rows[i].tokens!r}: {s}" for i in fits
                    if rows[i].tokens.split() != mine]
        out += [f"{page}: no statement says: {r.says}" for i, r in enumerate(rows) if i not in used]
    return out


@cache
def tests_of(file: str) -> frozenset[str]:
    """Names of the tests in a file of tests/."""
    path = ROOT / "tests" / file
    if not path.is_file():
        return frozenset()
    return frozenset(n.name for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.FunctionDef))


def unheld(ledger: Mapping[str, Sequence[Row]]) -> list[str]:
    """Rows whose test does not exist, whose values are not the numbers printed, or whose reason is none of those allowed."""
    return [f"{page}: {r.says}: {fault}" for page, rows in ledger.items() for r in rows if (fault := _fault(r))]


def _fault(r: Row) -> str:
    if "::" in r.held:
        file, _, name = r.held.partition("::")
        return "" if f"test_{name}" in tests_of(file) else f"there is no test {r.held}"
    if r.held == "values":
        return _differs(r)
    return "" if re.fullmatch(r"cited: \S.*", r.held) else f"{r.held!r} holds nothing"


def _differs(r: Row) -> str:
    """Where a printed number is not its value to the digits printed."""
    printed = [t for t in r.tokens.split() if re.match(r"-?\d", t)]
    if len(printed) != len(r.values):
        return f"{len(printed)} numbers, {len(r.values)} values"
    for text, value in zip(printed, r.values, strict=True):
        digits = len(text.partition(".")[2]) if "e" not in text else 15
        if value is not None and abs(float(text.replace(",", "")) - value) > 0.5001 * 10.0**-digits:
            return f"{text} is {value:.6g}"
    return ""
