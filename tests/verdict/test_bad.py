"""Of stocks that must not be used as they stand none is filed so, of level ones some are."""

from __future__ import annotations

import pytest

from tests.verdict import bad


@pytest.mark.slow
def test_of_invented_bad_studies_none_is_usable_and_of_good_ones_some_are() -> None:
    """The small form of ``python -m tests.verdict.bad``: every kind twice."""
    found = bad.counted(2 * len(bad.BAD), 11, bad.BAD)
    assert set(found) == set(bad.BAD)
    assert [name for name, filed in found.items() if any(filed)] == []
    good = bad.counted(len(bad.GOOD) * 2, 11, bad.GOOD)
    assert any(any(filed) for filed in good.values())
