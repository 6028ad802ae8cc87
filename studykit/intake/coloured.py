"""Cells of a table that differ in colour from nearly all of their column: a laboratory may mean something by it.

Nobody but the laboratory knows whether red says "out of specification" or "withdrawn"; so a person answers once for the
file. Asked about are few cells among many that are alike; stripes, and colours that change from line to line, say nothing.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Hashable, Mapping
from itertools import pairwise

from studykit.intake.cellmodel import Look, Place

FEWEST = 4
"""Among fewer cells of a column nothing is said of the one that differs."""
USUAL, FEW = 0.6, 0.25
"""So many cells of a column are alike at least, and so few have another colour at most (no source)."""
_NUMBER = re.compile(r"[<>]?\s*[+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?")


def ask_coloured(look: Look, colours: Mapping[Place, Hashable], texts: Mapping[Place, str]) -> None:
    """Doubt the cells whose colours of ground and letters are others than those of nearly all of their column.

    ``colours`` of the cells that hold something, None for black on paper; ``texts``: what they hold. Lines without a number
    (titles, headings, units) are left alone.
    """
    lines = {i for (i, _), text in texts.items() if _NUMBER.fullmatch(text.strip())}
    columns: dict[int, dict[int, Hashable]] = {}
    for (i, k), colour in colours.items():
        if i in lines:
            columns.setdefault(k, {})[i] = colour
    for k, own in columns.items():
        counts = Counter(own.values())
        if len(own) < FEWEST or len(counts) == 1 or counts.most_common(1)[0][1] < USUAL * len(own):
            continue
        for colour in [c for c, n in counts.items() if n <= FEW * len(own)]:
            at = sorted(i for i, c in own.items() if c == colour)
            if not _striped(at, len(own)):
                for i in at:
                    look.doubt((i, k), "coloured", "", "has another colour than nearly all of its column")


def _striped(at: list[int], total: int) -> bool:
    """Whether lines follow each other at one and the same distance, three times and more, through the whole column."""
    steps = {b - a for a, b in pairwise(at)}
    return len(at) > 2 and len(steps) == 1 and len(at) * min(steps) > total - 2 * min(steps)
