"""What public functions of mixed/ gave for invented studies, as it stood (``tests.stood``), with no outside source."""

from __future__ import annotations

import pytest

from tests.stood.recorded import differences, load, told
from tests.stood.walk import FOLDERS, record


@pytest.mark.few(2)
@pytest.mark.parametrize("name", FOLDERS["mixed"])
def test_every_cell_is_as_it_stood(name: str) -> None:
    faults = differences(load("mixed")[name], record("mixed", name))
    assert not faults, told("mixed", faults)
