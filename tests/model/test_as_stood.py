"""What public functions of model/ gave for invented studies, as it stood (``tests.stood``), with no outside source."""

from __future__ import annotations

import pytest

from tests.stood.recorded import differences, load, told
from tests.stood.walk import FOLDERS, record


@pytest.mark.few(1)
@pytest.mark.parametrize("name", FOLDERS["model"])
def test_every_cell_is_as_it_stood(name: str) -> None:
    faults = differences(load("model")[name], record("model", name))
    assert not faults, told("model", faults)
