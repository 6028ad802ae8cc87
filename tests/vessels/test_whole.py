"""Every shape at many heights gives what is stored (``tests.kept``).

What is right in it is held by the formulas of textbooks and the integrals in the other tests here.
"""

from __future__ import annotations

import pytest

from tests.kept import differing, stored
from tests.vessels.whole import QUICK


@pytest.mark.parametrize("name", QUICK)
def test_what_comes_out_is_what_is_stored(name: str) -> None:
    assert differing(name, stored("vessels")[name], QUICK[name]()) == []


def test_every_case_is_stored() -> None:
    found = stored("vessels")
    assert set(found) == {*QUICK}
    assert all(len(k["numbers"]) + len(k["words"]) >= 5 for k in found.values())
