"""What to do with each container by its age, in sentences: treat, sample again, leave until a day."""

from __future__ import annotations

from collections.abc import Container, Mapping
from functools import partial

import pandas as pd

from studykit.core.listing import series

TREAT, AGAIN, LEAVE, NOTHING = "treat", "treat or sample again", "leave", "nothing can be said"
ITSELF = "shown to lie beyond itself"
YET = ", though their own zones are shown within every margin: how long they may stand is judged by the group"
ALONE = "; by themselves they are not shown beyond"
NO_AGE = "Nothing can be said of how long these may stand"
NO_LINE = "the ages at which they were drawn, or results so coarsely rounded, tell nothing of growth"
ALL_NAMED = 3
"""Containers that are named even where they are all of them."""
MANY_NAMED, FIRST_NAMED, LISTED = 60, 12, "report/06-verdict/time-actions.csv"
"""Of more containers than the first so many are named in a sentence, and the table in which every one stands."""


def action_words(table: pd.DataFrame, names: Mapping[str, str], verb: str = "Treat", within: Container[str] = ()) -> str:
    """The list of what to do in a sentence each, the most urgent first, each with its reason and days; empty without rows.

    ``verb``: what is done to a container that may not be used as it stands; ``within``: containers that their own zones show
    within every margin, of which it says why they are named all the same.
    """
    if table.empty:
        return ""
    treat, again, leave, none = (table[table["what to do"] == what] for what in (TREAT, AGAIN, LEAVE, NOTHING))
    named, out = partial(_names, of=len(table)), list[str]()
    own = treat["because of"].where(treat["reason"] != ITSELF, "")  # each is named with what it is because of, and no more
    for (cause, _), part in sorted(treat.groupby(["reason", own], sort=False), key=lambda group: group[0][0] != ITSELF):
        why = f", {'each ' * (len(part) > 1)}shown to lie beyond a margin itself" if cause == ITSELF else (
            f", because of {_because(part, names)}: {cause}{ALONE}")
        out.append(f"- {verb} before use: {named(part)}{why}.")
    mine = again["container"].isin([c for c in again["container"] if c in within])
    for (seen, reason, _), part in again.groupby([mine, "reason", "because of"]):
        out.append(f"- {verb}, or sample again before use: {named(part)}, because of {_because(part, names)}: {reason}"
                   f"{YET * bool(seen)}.")
    if len(leave):
        days = [f"{named(part)}{f', sample again from {day} on' if day else ''}"
                for day, part in leave.groupby(leave["until"].astype(str))]
        when = f", as of {leave['judged on'].iloc[0]}" if leave["judged on"].iloc[0] else ""
        out.append(f"- Leave{when}: {'; '.join(days)}.")
    return "\n".join(out + [f"- {NO_AGE} ({NO_LINE}): {named(none)}."] * bool(len(none)))


def _because(part: pd.DataFrame, names: Mapping[str, str]) -> str:
    return series(names.get(a, a) for a in dict.fromkeys(a for keys in part["because of"] for a in keys.split(", ")))


def _names(part: pd.DataFrame, of: int) -> str:
    """The containers of some rows; of all ``of`` of them in two words, of very many the first and where all stand."""
    if len(part) == of > ALL_NAMED:
        return f"all {of}"
    if len(part) <= MANY_NAMED:
        return series(part["container"])
    return f"{len(part):,} containers, not only {series(part['container'][:FIRST_NAMED])}: every one stands in {LISTED}"
