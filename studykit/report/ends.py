"""Sentences that end alike, told so that what they share stands once."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

NO_TIME = "No time can be given"


def ends_once(sentences: Sequence[str]) -> list[str]:
    """Sentences; what several that follow each other end on alike, after a semicolon, is said once after them."""
    parts = [s.removesuffix(".").split("; ") for s in sentences]
    told: list[str] = []
    for (_, several), group in groupby(parts, key=lambda p: (p[-1], len(p) > 1)):
        alike = list(group)
        most = min(map(len, alike)) - 1 if several and len(alike) > 1 else 0
        shared = next((k for k in range(most, 0, -1) if len({tuple(p[-k:]) for p in alike}) == 1), 0)
        told += ["; ".join(p[:len(p) - shared]) for p in alike]
        if shared:
            whose = "both" if len(alike) == 2 else f"all {len(alike)}"
            told.append(f"For {whose}: {'; '.join(alike[0][-shared:])}")
    lines, none = ([f"{t}." for t in told if t.startswith(NO_TIME) is given] for given in (False, True))
    return [*lines, *filter(None, (" ".join(none),))]
