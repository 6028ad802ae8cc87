"""Names in a row: with commas, or with semicolons where a name has a comma of its own.

Standard library only.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable

_BRACKETS = re.compile(r"\([^()]*\)")


def comma_in(names: Iterable[Hashable]) -> bool:
    """Whether a name has a comma and a blank outside its brackets, so that commas could not tell where it ends."""
    return any(", " in _BRACKETS.sub("", str(n)) for n in names)


def series(names: Iterable[Hashable]) -> str:
    """Names with commas between them; with semicolons where one has a comma of its own."""
    texts = [str(n) for n in names]
    return ("; " if comma_in(texts) else ", ").join(texts)


def both(names: Iterable[Hashable]) -> str:
    """The same with 'and' before the last."""
    texts = [str(n) for n in names]
    between, last = ("; ", "; and ") if comma_in(texts) else (", ", " and ")
    return last.join(filter(None, (between.join(texts[:-1]), *texts[-1:])))


def of_series(text: str, names: Iterable[str]) -> list[str]:
    """Those of the names that stand in a row that ``series`` wrote."""
    known = list(names)
    rows = ([n for n in known if f"{sep}{n}{sep}" in f"{sep}{text}{sep}"] for sep in ("; ", ", "))
    return next(filter(None, rows), [])


def in_sequence(names: Iterable[Hashable]) -> list[str]:
    """Different names in their order, numbers in them by size: R2 before R10."""
    def parts(name: str) -> list[tuple[int, str]]:
        texts = re.split(r"([0-9]+)", name)
        return [(len(d.lstrip("0")), d.lstrip("0")) if k % 2 else (-1, d) for k, d in enumerate(texts)]

    return sorted({str(n) for n in names}, key=lambda n: (parts(n), n))


def places_of(names: Iterable[Hashable]) -> dict[str, int]:
    """The place of each different name ``in_sequence``, from 0."""
    return {name: k for k, name in enumerate(in_sequence(names))}
