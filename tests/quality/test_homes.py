"""The run in which a container was read: its own where all its zones were, none where they were in several or in none."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd

from studykit.quality.homes import runs_of


class Rows(SimpleNamespace):
    __hash__ = object.__hash__  # as a frame: one is itself alone


def test_containers_of_one_run_of_several_and_without_a_zone():
    rows = pd.DataFrame({"run": ["R1", "R1", "R1", "R2", "R2"]})
    frame = Rows(rows=rows, zone=np.array([True, True, True, True, False]), at=np.array([0, 0, 1, 1, 2]), names=("A", "B", "C"))
    found = runs_of(frame)
    assert found[0] == "R1"
    assert pd.isna(found[1])  # read in two
    assert pd.isna(found[2])  # a check fluid, say: no zone of it
    assert not found.flags.writeable
    assert runs_of(frame) is found
    other = Rows(**{**vars(frame), "at": np.array([0, 0, 1, 2, 1])})
    assert list(runs_of(other)) == ["R1", "R1", "R2"]
