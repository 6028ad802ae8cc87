"""What page one says of the plan: how the lock stands, what changed since, what was excluded; where that is much, in short.

The answer comes before a long story: page one then counts its parts and tells which verdicts a changed margin changed; every
sentence stands under "How it was found", right behind page one, and is printed there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

from studykit.core.listing import series
from studykit.core.record import literal
from studykit.study.lock import LockStatus

FEW = 3
"""Sentences about the plan that page one tells in full."""
LONG = 420
"""Signs of all of them together up to which it does."""
NAMED = 4
"""Analytes whose verdict at an earlier margin page one tells by name."""
WHERE = "How it was found"
"""The heading under which a long story stands in full."""


def notices(status: LockStatus, margins: pd.DataFrame, excluded: Sequence[str]) -> tuple[str, ...]:
    """Every sentence: how the lock stands, what changed since, the verdicts at earlier margins, what a person excluded.

    ``margins``: table *margins-before* of the verdict stage; ``excluded``: a sentence a reason.
    """
    earlier = [f"{r['name']}: {r['word before']} at the earlier margin of {r['margin before']}, {r['word']} at the margin of "
               f"{r['margin']} that counts now." for r in margins.to_dict("records")]
    return (*status.first_page, *earlier, *excluded)


def is_long(told: Sequence[str]) -> bool:
    """Whether page one only counts these sentences."""
    return len(told) > FEW or sum(map(len, told)) > LONG


def above(status: LockStatus, margins: pd.DataFrame, excluded: Sequence[str]) -> list[str]:
    """Lines of Markdown below the verdict: every sentence where they are few, else how many of what kind."""
    told = notices(status, margins, excluded)
    if not told:
        return []
    if not is_long(told):
        return [_listed(told)]
    since = "; ".join(filter(None, (status.counted, _exclusions(excluded))))
    parts = [status.sentence, f"{since}." * bool(since), _other_verdicts(margins),
             f"All of it, with the reasons: \u201c{WHERE}\u201d, behind this page."]
    return [f"\n**About the plan:** {literal(' '.join(filter(None, parts)))}"]


def in_full(status: LockStatus, margins: pd.DataFrame, excluded: Sequence[str]) -> str:
    """Every sentence as a list of Markdown where page one only counts them, else ''."""
    told = notices(status, margins, excluded)
    return f"\n{_listed(told)}" if is_long(told) else ""


def _listed(told: Iterable[str]) -> str:
    lines = "\n".join(f"- {literal(t)}" for t in told)
    return f"\n**About the plan:**\n\n{lines}"


def _exclusions(excluded: Sequence[str]) -> str:
    back = sum("Taken back on" in text for text in excluded)
    count = f"{len(excluded)} exclusion{'s' * (len(excluded) != 1)}"
    return f"{count}{f', {back} of them taken back' * bool(back)}" if excluded else ""


def _other_verdicts(margins: pd.DataFrame) -> str:
    """Which verdicts would be others at an earlier margin; that none would be, where margins changed."""
    if margins.empty:
        return ""
    other = margins[margins["word before"] != margins["word"]]
    if other.empty:
        return "At the earlier margins no verdict would be another."
    each = [f"{r['name']} {r['word before']} (now {r['word']})" for r in other.to_dict("records")]
    rest = f"{len(each) - NAMED} more" if len(each) > NAMED + 1 else ""
    return f"At the earlier margins: {series([*each[:NAMED], rest] if rest else each)}."
