"""The whole outcome of invented studies is what is stored: numbers to 1e-6 of their size, words exactly.

As it stood, no outside source: what is right in it is held by the other tests here. A difference names study and cell;
where it is meant, ``python -m tests.quality.whole`` stores anew, and the difference of the file is read before it is kept.
"""

from __future__ import annotations

import copy
import json

import pytest

from tests.quality.whole import QUICK, SLOW, condensed, differing, kept, stored


@pytest.mark.parametrize("name", QUICK)
def test_a_study_gives_what_is_stored(name: str) -> None:
    assert differing(name, stored()[name], json.loads(json.dumps(kept(QUICK[name]())))) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", SLOW)
def test_another_study_gives_what_is_stored(name: str) -> None:
    assert differing(name, stored()[name], json.loads(json.dumps(kept(SLOW[name]())))) == []


def test_what_is_stored_is_of_these_studies_and_says_something_of_each() -> None:
    found = stored()
    assert set(found) == {*QUICK, *SLOW}
    assert all(len(k["numbers"]) > 150 and len(k["words"]) > 5 for k in found.values())
    said = [w for k in found.values() for w in k["words"]]
    assert len({w.partition(" | ")[0] for w in said if " | " in w}) > 25  # rules that fire


def test_any_change_is_named() -> None:
    name = next(iter(QUICK))
    want = stored()[name]
    cell = next(c for c, v in want["numbers"].items() if isinstance(v, list) and v[1] > 0)
    for place, change in ((0, 1), (1, 1.1e-6 * want["numbers"][cell][1]), (2, -1.1e-6 * want["numbers"][cell][1])):
        now = copy.deepcopy(want)
        now["numbers"][cell][place] += change
        assert len(differing(name, want, now)) == 1
        assert differing(name, want, now)[0].startswith(f"{name}: {cell}: ")
    near = copy.deepcopy(want)
    near["numbers"][cell][2] += 0.9e-6 * near["numbers"][cell][1]
    assert differing(name, want, near) == []
    fewer = {k: v for k, v in want["numbers"].items() if k != cell}
    for now in ({**want, "words": want["words"][1:]}, {**want, "words": [*want["words"], "more"]},
                {**want, "words": want["words"][::-1]}, {**want, "numbers": fewer}):
        assert differing(name, want, now)


def test_a_column_is_condensed_by_count_size_place_and_words() -> None:
    assert condensed([2.0, None, -3.0, float("inf"), True]) == pytest.approx(
        [3, 6.0, 2 * 1.6180339887 - 3 * (1 + 3 * 0.6180339887 % 1) + (1 + 5 * 0.6180339887 % 1)])
    assert condensed([1.0, 2.0])[2] != condensed([2.0, 1.0])[2]
    assert condensed(["a", "b"]) != condensed(["b", "a"])
    assert isinstance(condensed(["a"]), str)
