"""One fault by which readings hold some of another bottle, in a stranger's stores: it is told once, and nothing beside it.

Carry-over, a missing purge, a heel, a copied row: each moves many readings in a way of its own, and each of these used to bring
a second question about what the first had named already (``tests/faults/stores.py`` is the world, and has the faults).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.faults.stores import PLANTED, Place, flags, store
from tests.quality.test_stores import questions

DRUMS = Place(fluid="engine oil", containers=14, duplicates=0.5, two_runs=True)
SETTLED = Place(fluid="fertiliser", profile="exp", far=float(np.log(8)), duplicates=0.4, draw=1.0)
COPIED = Place(fluid="fertiliser", profile="exp", far=float(np.log(3)), duplicates=0.3)
FEW = Place(fluid="coolant", containers=4, depths=5, duplicates=0.5, heels=True)
ONE_FAULT = [
    ("carry-over", replace(DRUMS, draw=0.5), 4),  # viscosity, of which no blank tells, was asked about at the bottle after it
    ("carry-over", replace(DRUMS, tails="t5", draw=0.5), 7),  # a portion was asked about at the bottle after the blank
    ("missing purge", SETTLED, 1),  # a dilution of the same container was asked about
    ("copied row", COPIED, 0),  # a portion and transposed digits of the copy
    ("copied row", COPIED, 4),  # a missing purge of the copy
    ("heel", replace(DRUMS, two_runs=True, heels=True, draw=0.0), 0),  # a portion of the same bottle
    ("heel", FEW, 0),  # told as a portion: settling was taken first, and had used up what is rich
    ("heel", FEW, 3),  # told as carry-over, and the heel once more as free water
]


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "place", "seed"), ONE_FAULT)
def test_what_holds_some_of_another_bottle_is_told_once(fault: str, place: Place, seed: int) -> None:
    s = store(place, seed)
    causes, places = PLANTED[fault](s)
    found = questions(flags(s))
    assert len(found) == 1, found.to_string()
    assert found["rule"].iat[0] in causes
    assert any(p in f"{found['where'].iat[0]} {found['samples'].iat[0]}" for p in places), found.to_string()
