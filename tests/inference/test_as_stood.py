"""What public functions of inference/ gave for invented studies, as it stood (``tests.stood``), with no outside source."""

from __future__ import annotations

import pytest

from tests.stood.recorded import differences, load, told
from tests.stood.walk import FOLDERS, record


@pytest.mark.few(3)
@pytest.mark.parametrize("name", FOLDERS["inference"])
def test_every_cell_is_as_it_stood(name: str) -> None:
    faults = differences(load("inference")[name], record("inference", name))
    assert not faults, told("inference", faults)
