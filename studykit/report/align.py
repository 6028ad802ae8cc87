"""Two lists of parts laid beside each other, so that one part more or less does not hide what stands after it."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Hashable, Iterator, Sequence

Stretch = tuple[slice, slice]


def stretches(old: Sequence[Hashable], new: Sequence[Hashable]) -> Iterator[Stretch]:
    """Stretches that belong together, all of both lists in their order; each but the last ends in a part they share.

    They are cut at parts that stand once in each list, the most of them that have one order in both (patience diff, after
    B. Cohen). The time grows as n log n whatever the lists hold, for a sender chooses them.
    """
    i = j = 0
    for p, q in (*_in_order(_shared(old, new)), (len(old), len(new))):
        yield slice(i, p + 1), slice(j, q + 1)
        i, j = p + 1, q + 1


def _shared(old: Sequence[Hashable], new: Sequence[Hashable]) -> list[tuple[int, int]]:
    """Places of the parts that stand once in each list, in the order of the first."""
    counts = [Counter(parts) for parts in (old, new)]
    place = {part: k for k, part in enumerate(new) if counts[1][part] == 1}
    return [(k, place[part]) for k, part in enumerate(old) if counts[0][part] == 1 and part in place]


def _in_order(pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """The longest run of pairs that rise in both places."""
    ends, last, before = list[int](), list[int](), list[int]()
    for k, (_, q) in enumerate(pairs):
        at = bisect_left(ends, q)
        before.append(last[at - 1] if at else -1)
        ends[at:at + 1], last[at:at + 1] = [q], [k]
    out, k = list[tuple[int, int]](), last[-1] if last else -1
    while k >= 0:
        out.append(pairs[k])
        k = before[k]
    return out[::-1]
