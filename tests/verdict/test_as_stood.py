"""What public functions of verdict/ gave for invented studies, as it stood (``tests.stood``), with no outside source."""

from __future__ import annotations

import pytest

from tests.stood.recorded import differences, load, told
from tests.stood.walk import FOLDERS, record


@pytest.mark.few(1)
@pytest.mark.parametrize("name", FOLDERS["verdict"])
def test_every_cell_is_as_it_stood(name: str) -> None:
    faults = differences(load("verdict")[name], record("verdict", name))
    assert not faults, told("verdict", faults)
