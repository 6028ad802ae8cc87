"""Chances, plans, warnings and tables of designs give what is stored (``tests.kept``).

What is right in it is held by published tables, exact tests and simulations in the other tests here.
"""

from __future__ import annotations

import pytest

from tests.design.whole import QUICK
from tests.kept import differing, stored


@pytest.mark.parametrize("name", QUICK)
def test_what_comes_out_is_what_is_stored(name: str) -> None:
    assert differing(name, stored("design")[name], QUICK[name]()) == []


def test_every_case_is_stored() -> None:
    found = stored("design")
    assert set(found) == {*QUICK}
    assert all(len(k["numbers"]) + len(k["words"]) >= 6 for k in found.values())
