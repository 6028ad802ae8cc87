"""Free water at the floor of a part of the stock, and slips of one bottle: told once, in whatever share of the containers.

Of twelve containers six had water in their lowest zone and heel: no profile of the stock was left, and a wrong product,
dilutions and runs were asked about (``tests/faults/stores.py`` is the world).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.faults.stores import DEPTHS, Place, Store, flags, store
from tests.quality.test_stores import questions

DRUMS = Place(fluid="gear oil", containers=12, heels=True, duplicates=1.0, tails="t5", order="by container", draw=0.0)
FLOOR = "free water or heel at the floor"


def wet(s: Store, count: int) -> set[str]:
    """Hard water in the lowest zone (three tenths) and in the heel (most of it) of the first containers."""
    boxes = {f"V{k + 1:02d}" for k in range(count)}
    calcium = s.analytes.index("Ca")
    for box in boxes:
        own = s.b["container"].eq(box)
        for rows, share, salt in ((own & s.b["depth"].eq(DEPTHS[s.place.depths][-1]), 0.3, 3e3),
                                  (own & s.b["kind"].eq("heel"), 0.85, 1e4)):
            s.true[rows.to_numpy()] *= 1 - share
            s.true[rows.to_numpy(), calcium] = salt
    return boxes


@pytest.mark.slow
@pytest.mark.parametrize(("count", "seed"), [(4, 0), (4, 2), (6, 1), (8, 3)])
def test_water_at_the_floor_of_a_part_of_the_stock_is_one_question(count: int, seed: int) -> None:
    boxes: set[str] = set()
    found = questions(flags(store(DRUMS, 900 + seed, before=lambda s: boxes.update(wet(s, count)))))
    assert found["rule"].tolist() == [FLOOR], found.to_string()
    assert all(box in found["where"].iat[0] for box in boxes)


@pytest.mark.slow
@pytest.mark.parametrize(("place", "seed"), [
    (Place(fluid="fertiliser", containers=4, profile="exp", far=1.0, duplicates=1.0, run_length=40), 1),
    (Place(fluid="ceramic slurry", containers=3, duplicates=1.0, run_length=40), 1),
    (Place(fluid="ceramic slurry", containers=3, duplicates=1.0, run_length=40), 3)])
def test_a_slip_of_one_of_two_bottles_of_a_zone_is_told_once(place: Place, seed: int) -> None:
    s = store(replace(place, tails="t5"), seed)
    at = s.spots("V01")[0]
    s.read[at, 0] *= 0.1
    found = questions(flags(s))
    assert found["rule"].tolist() == ["unit slip"], found.to_string()
    assert s.code(at) in found["where"].iat[0]
