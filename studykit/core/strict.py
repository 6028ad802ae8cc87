"""JSON that says each thing once: of a key that stands twice readers take one or the other. Standard library only."""

from __future__ import annotations

import json
import math
from collections import Counter
from typing import Any


def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """For ``json.loads``: an object whose keys stand there once; ValueError names one that occurs twice."""
    counts = Counter(key for key, _ in pairs)
    if len(counts) < len(pairs):
        raise ValueError(f"the key {counts.most_common(1)[0][0][:80]!r} occurs twice")
    return dict(pairs)


def no_number(text: str) -> float:
    """For ``json.loads``: ValueError for NaN and Infinity, which are no JSON."""
    raise ValueError(f"{text} is no number")


def finite(text: str) -> float:
    """For ``json.loads``: ValueError for a number that is too large to be one."""
    if not math.isfinite(value := float(text)):
        raise ValueError(f"{text[:40]} is no number")
    return value


def read(text: str | bytes) -> Any:
    """What a JSON text holds; ValueError where it is none, holds a key twice or a number that is none."""
    return json.loads(text, object_pairs_hook=once, parse_constant=no_number, parse_float=finite)
