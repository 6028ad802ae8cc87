"""The whole outcome of the quality stage over invented studies is what is stored (``tests.kept``)."""

from __future__ import annotations

import pytest

from tests.kept import differing, stored
from tests.quality.whole import QUICK, SLOW


@pytest.mark.parametrize("name", QUICK)
def test_a_study_gives_what_is_stored(name: str) -> None:
    assert differing(name, stored("quality")[name], QUICK[name]()) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", SLOW)
def test_another_study_gives_what_is_stored(name: str) -> None:
    assert differing(name, stored("quality")[name], SLOW[name]()) == []


def test_every_study_is_stored_and_many_rules_fire() -> None:
    found = stored("quality")
    assert set(found) == {*QUICK, *SLOW}
    assert all(len(k["numbers"]) > 10 for k in found.values())
    assert len({w.partition(" | ")[0] for k in found.values() for w in k["words"] if " | " in w}) > 25  # rules that fire
