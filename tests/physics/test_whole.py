"""The physics over grids of inputs and over invented studies gives what is stored (``tests.kept``).

What is right in it is held by the closed forms, integrations and handbook values of the other tests here.
"""

from __future__ import annotations

import pytest

from tests.kept import differing, stored
from tests.physics.whole import QUICK, SLOW


@pytest.mark.parametrize("name", QUICK)
def test_what_comes_out_is_what_is_stored(name: str) -> None:
    assert differing(name, stored("physics")[name], QUICK[name]()) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", SLOW)
def test_what_comes_of_another_study_is_what_is_stored(name: str) -> None:
    assert differing(name, stored("physics")[name], SLOW[name]()) == []


def test_every_case_is_stored() -> None:
    found = stored("physics")
    assert set(found) == {*QUICK, *SLOW}
    assert all(len(k["numbers"]) >= 6 for k in found.values())
