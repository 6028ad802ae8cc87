"""Two lists laid beside each other: what both have stays together, whatever one has more."""

from __future__ import annotations

import random
import time

import pytest

from studykit.report.align import stretches


def laid(old, new):
    return [(list(old[i]), list(new[j])) for i, j in stretches(old, new)]


@pytest.mark.parametrize(("old", "new", "expected"), [
    ("abc", "abc", [("a", "a"), ("b", "b"), ("c", "c"), ("", "")]),
    ("abc", "abxc", [("a", "a"), ("b", "b"), ("c", "xc"), ("", "")]),
    ("abcd", "acd", [("a", "a"), ("bc", "c"), ("d", "d"), ("", "")]),
    ("", "ab", [("", "ab")]),
    ("xx", "xxx", [("xx", "xxx")]),
    ("abcde", "ebcda", [("ab", "eb"), ("c", "c"), ("d", "d"), ("e", "a")]),
])
def test_lists_of_letters_by_hand(old, new, expected):
    assert [("".join(a), "".join(b)) for a, b in laid(old, new)] == expected


def test_both_lists_are_covered_whole_in_their_order_whatever_they_hold():
    rng = random.Random(4)
    for _ in range(300):
        old, new = ([rng.randrange(12) for _ in range(rng.randrange(15))] for _ in range(2))
        found = laid(old, new)
        assert [x for a, _ in found for x in a] == old
        assert [y for _, b in found for y in b] == new
        assert all(a[-1] == b[-1] for a, b in found[:-1])
        if old != new:  # so that no difference can be lost
            assert any(a != b for a, b in found)


def test_a_list_made_to_be_slow_is_not():
    many = [k % 7 for k in range(200_000)]
    begun = time.process_time()
    laid(many, many[:-1])
    laid(list(range(200_000)), list(range(200_000, 0, -1)))
    assert time.process_time() - begun < 5
