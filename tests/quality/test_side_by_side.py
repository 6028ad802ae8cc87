"""The share of carry-over in each of many runs: all at once, and one run after the other by the code for a single one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.quality import runs as one_by_one
from studykit.quality.explain import Scene
from studykit.quality.side_by_side import MANY
from tests.quality.hand import scene_of


def of_many_runs(seed: int, share: float, runs: int) -> Scene:
    """Containers of three zones, six a run, of many levels; in every second run a share of each bottle is the one before."""
    rng, boxes = np.random.default_rng(seed), 6 * runs
    u = {b: list(0.4 * rng.normal(size=4)) for b in range(boxes)}
    off = {(b, z): dict(zip("PQRS", 0.02 * rng.standard_t(4, 4), strict=True)) for b in range(boxes) for z in range(3)}
    run = np.repeat([f"R{b % runs:02d}" for b in range(boxes)], 3)
    order = np.zeros(3 * boxes)
    for r in set(run):
        order[run == r] = rng.permutation(18) + 1.0
    sc = scene_of(off, boxes=boxes, analytes=list("PQRS"), s=0.02, su=0.4, u=u,
                  rows={"run": run, "order": order})
    y = sc.y.copy()
    for k, (_, rows) in enumerate(one_by_one.run_rows(sc)):
        after, before = one_by_one._before(sc.f, rows)
        if k % 2:
            y[after] = np.log((1 - share) * np.exp(sc.y[after]) + share * np.exp(sc.y[before]))
    f = replace(sc.f, y=y, value=np.exp(y), raw=np.exp(y))
    return Scene(f=f, y=y, m=replace(sc.m, e=y - sc.m.typical), live=np.isfinite(y))


@pytest.mark.parametrize("adds", [False, True])
@pytest.mark.parametrize(("seed", "share"), [(3, 0.0), (4, 0.12), (5, 0.3)])
def test_all_runs_at_once_are_those_one_by_one(seed: int, share: float, adds: bool) -> None:
    sc = of_many_runs(seed, share, MANY + 3)
    runs = list(one_by_one.run_rows(sc))
    one_by_one._together(sc, runs)
    found, close = sc.worked["shares", adds], 0
    assert len(found) >= MANY
    for run, rows in runs:
        if run in found:
            after, before = one_by_one._before(sc.f, rows)
            alone = one_by_one._best_share(sc, rows, after, before, one_by_one.SHARES, adds)
            together = one_by_one._laid(sc, rows, found[run])
            np.testing.assert_allclose(together[0], alone[0], rtol=1e-9, atol=1e-9)
            assert together[1] == alone[1]
            np.testing.assert_array_equal(together[2], alone[2])
            np.testing.assert_array_equal(together[3], alone[3])
            close += alone[0].sum() > 3.5
    assert close >= 3 or share == 0


def test_few_runs_are_looked_at_one_by_one() -> None:
    sc = of_many_runs(3, 0.1, MANY - 1)
    one_by_one._together(sc, list(one_by_one.run_rows(sc)))
    assert not sc.worked
