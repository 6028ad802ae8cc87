"""Draws that hold some of the draw before: mixtures made by hand are taken apart again, to the digit."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np
import pytest

from studykit.quality.explain import Scene
from studykit.quality.purges import purges, without_share
from tests.quality.hand import least, scene_of

ROWS = np.array([3, 4, 5])
SI = (log(0.5), 0.0, log(2.0))
"""Upper 50, middle 100, lower 200."""


def read_as(readings: tuple[float, float, float], order: tuple[float, ...] = (1.0, 2.0, 3.0)) -> Scene:
    """A scene of four containers of which C1 reads silicon so from top to bottom; P reads 100 in all zones."""
    off = {(1, k): {"Si": log(x) - log(100) - SI[k]} for k, x in enumerate(readings)}
    return scene_of(off, analytes=("Si", "P"), profile={"Si": SI}, rows={"draw_order": order * 4})


def best(sc: Scene, place: str):
    return {c.place: c for c in purges(sc, [1])}[place]


@pytest.mark.parametrize(("readings", "order"), [
    ((50, 75, 137.5), (1, 2, 3)),  # from the top: half of 50 and half of 100, then half of that and half of 200
    ((93.75, 137.5, 200), (3, 2, 1.0)),  # 150 = (100 + 200) / 2 from the bottom, drawn first
    ((125, 112.5, 156.25), (1, 2, 3))])  # the first draw holds half of another container's last one, 200
def test_halves_of_the_draw_before_are_taken_out_again(readings: tuple[float, ...], order: tuple[float, ...]) -> None:
    if order[0] == 3:
        readings = ((150 + 50) / 2, (100 + 200) / 2, 200)
    sc = read_as(readings, order)  # type: ignore[arg-type]
    found = best(sc, "container")
    assert (found.amount, found.rows, found.columns, found.cause) == (0.5, (3, 4, 5), (0, 1), "missing purge")
    np.testing.assert_allclose(np.exp(found.readings[:, 0]), [50, 100, 200], rtol=1e-9)
    np.testing.assert_allclose(np.exp(found.readings[:, 1]), [100, 100, 100], rtol=1e-9)
    off = np.log(np.array(readings)) - np.log([50, 100, 200])
    assert found.gain == pytest.approx(least(off / 0.1), rel=1e-4)
    assert found.price == pytest.approx(log(4) + 3.5 + log(3))  # four containers, a share, and the ways to try it


@pytest.mark.parametrize("share", [0.2, 0.35, 0.5, 0.65, 0.8])
def test_each_share_is_told_from_the_others(share: float) -> None:
    middle = (1 - share) * 100 + share * 50
    found = best(read_as((50, middle, (1 - share) * 200 + share * middle)), "container")
    assert found.amount == share
    np.testing.assert_allclose(np.exp(found.readings[:, 0]), [50, 100, 200], rtol=1e-9)


def test_mixed_draws_are_not_held_against_the_low_rate_that_they_bring_about() -> None:
    """0.65 of the draw before in each: the zones rise by 2.3 instead of 4 times, and the fitted rate has taken that up."""
    first = read_as((50, 67.5, 113.875))
    rate, box = np.array([1.0, 0.7, 1.0, 1.0]), first.f.at
    typical = first.m.typical + (rate[box] - 1)[:, None] * first.m.profile[first.f.place]
    m = replace(first.m, rate=rate, rate_spread=0.2, typical=typical, e=first.y - typical)
    found = best(replace(first, m=m), "container")
    assert found.amount == 0.65
    np.testing.assert_allclose(np.exp(found.readings[:, 0]), [50, 100, 200], rtol=0.02)


def test_a_first_draw_that_carries_on_is_put_right_alone() -> None:
    """0.35 of another container's last draw (200) and 0.65 of its own 50: 102.5."""
    sc = read_as((102.5, 100, 200))
    found = best(sc, "bottle")
    assert (found.amount, found.rows, found.columns) == (0.35, (3,), (0, 1))
    np.testing.assert_allclose(np.exp(found.readings), [[50, 100]], rtol=1e-9)
    assert found.gain == pytest.approx(least([log(102.5 / 50) / 0.1, 0.0, 0.0]), rel=1e-4)
    assert found.price == pytest.approx(log(4) + 3.5 + log(3))
    last_first = best(read_as((50, 100, 0.65 * 200 + 0.35 * 50), (3, 2, 1)), "bottle")
    assert (last_first.amount, last_first.rows) == (0.35, (5,))


def test_the_containers_level_is_fitted_to_what_is_left() -> None:
    """The whole container is 1.3 times as rich as was believed: the zones come back 1.3 times as rich."""
    level = 1.3
    found = best(read_as((50 * level, 75 * level, 137.5 * level)), "container")
    assert found.amount == 0.5
    np.testing.assert_allclose(np.exp(found.readings[:, 0]) / level, [50, 100, 200], rtol=0.1)
    carried = best(read_as((125 * level, 100 * level, 200 * level)), "bottle")
    assert carried.amount == 0.5
    np.testing.assert_allclose(np.exp(carried.readings[:, 0]) / level, [50], rtol=0.1)


@pytest.mark.parametrize(("kind", "order"), [(("spot", "spot", "duplicate"), (1.0, 2.0, 3.0)),
                                             (("spot",) * 3, (1.0, 2.0, float("nan")))])
def test_fewer_than_three_draws_in_order_tell_nothing(kind: tuple[str, ...], order: tuple[float, ...]) -> None:
    sc = read_as((50, 75, 137.5), order)  # type: ignore[arg-type]
    sc.f.rows["kind"] = kind * 4
    assert list(purges(sc, [1])) == []


def test_a_draw_without_a_share_of_another() -> None:
    """Expected 100 and half of 200 before it: 150, read as 160: 160 / 150 of its own 100; 10 and a fifth of 30: 14."""
    sc = scene_of(analytes=("P", "KV40"), absolute=("KV40",))
    found = without_share(sc, np.array([log(160), 15.0]), np.array([log(100), 10.0]), np.array([log(200), 30.0]), 0.5)
    np.testing.assert_allclose(found, [log(100 * 160 / 150), 10.0 - 5.0])
    fifth = without_share(sc, np.array([np.nan, 15.0]), np.array([log(100), 10.0]), np.array([log(200), 30.0]), 0.2)
    assert np.isnan(fifth[0])
    assert fifth[1] == pytest.approx(11.0)
    none = without_share(sc, np.array([log(90), 15.0]), np.array([np.nan, 10.0]), np.array([log(200), 30.0]), 0.2)
    assert none[0] == pytest.approx(log(90))  # where nothing is expected the reading stands


def test_two_containers_at_least_are_looked_at() -> None:
    sc = read_as((50, 75, 137.5))
    one = replace(sc, f=replace(sc.f, names=("C1",)))
    assert best(one, "container").price == pytest.approx(log(2) + 3.5 + log(3))


def test_a_share_is_taken_out_of_readings_below_one_too() -> None:
    """0.3 expected after 0.9: half of each is 0.6; read 0.66, a tenth more, is 0.33 by itself; below nothing it stands."""
    sc = scene_of(analytes=("P", "KV40"), absolute=("KV40",))
    own, before, read = (np.array([log(x), x]) for x in (0.3, 0.9, 0.66))
    np.testing.assert_allclose(without_share(sc, read, own, before, 0.5), [log(0.33), 0.3 + 0.06])
    deep = np.array([log(0.3), -2.0])
    np.testing.assert_allclose(without_share(sc, read, own, deep, 0.5), [log(0.66), 0.3 + 0.66 + 0.85])
