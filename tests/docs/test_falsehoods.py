"""Thirty seeded falsehoods on the pages: at least 28 are noticed; a change that alters nothing is not."""

from __future__ import annotations

import pytest

from tests.docs.falsehoods import KINDS, caught, faults, seeded
from tests.docs.reading import hand_written


@pytest.mark.slow
def test_of_thirty_falsehoods_at_least_28_are_caught() -> None:
    found, missed = caught(30, 28)
    assert len(found) + len(missed) == 30
    assert {f.kind for f in (*found, *missed)} == set(KINDS)
    assert len(found) >= 28, missed


def test_each_kind_changes_what_stands_there_and_nothing_else() -> None:
    pages = hand_written()
    for lie, text in seeded(pages, 2 * len(KINDS), 5):
        assert lie.old != lie.new
        assert len(text) - len(pages[lie.page]) == len(lie.new) - len(lie.old)


@pytest.mark.slow
def test_a_change_that_alters_no_claim_is_not_called_a_falsehood() -> None:
    """Control: the checks do not cry at every edit."""
    pages = hand_written()
    text = pages["docs/02-sampling.md"]
    same = text.replace("Heights count from the floor", "Heights are counted from the floor")
    assert same != text
    assert faults({"docs/02-sampling.md": same}) == faults({"docs/02-sampling.md": text})
