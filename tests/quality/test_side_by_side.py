"""The share of carry-over in each run: all at once, held against one run and one bottle after the other (``one_run``)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.quality.explain import Scene
from studykit.quality.frame import Vector
from studykit.quality.runs import run_rows
from studykit.quality.side_by_side import SHARES, Best, best_shares, contents, predecessors, steps
from tests.quality import one_run
from tests.quality.hand import scene_of

RUNS = 4


def of_many_runs(seed: int, share: float, blanks: bool = False) -> Scene:
    """Containers of three zones, four a run, of many levels; in every second run a share of each bottle is the one before.

    KV40 is a value as it is, one container is read in two runs, two readings are missing, one bottle has no place in its run.
    ``blanks``: a bottle of every third run is one, of which some analytes have no number.
    """
    rng, boxes = np.random.default_rng(seed), 4 * RUNS
    u = {b: [*(0.4 * rng.normal(size=3)), 30 * rng.normal()] for b in range(boxes)}
    scatter = {"P": 0.02, "Q": 0.02, "R": 0.02, "KV40": 2.0}
    off = {(b, z): {a: s * rng.standard_t(4) for a, s in scatter.items()} for b in range(boxes) for z in range(3)}
    run = np.repeat([f"R{b % RUNS:02d}" for b in range(boxes)], 3)
    run[1] = "R01"
    order = np.zeros(3 * boxes)
    for r in sorted(set(run)):
        order[run == r] = rng.permutation((run == r).sum()) + 1.0
    order[40] = np.nan
    blank = np.isin(np.arange(3 * boxes), [3 * b + 1 for b in range(0, boxes, 3 * RUNS // 2)]) & blanks
    sc = scene_of(off, boxes=boxes, analytes=list(scatter), s=0.02, su=0.4, u=u, absolute=("KV40",), share=0.8,
                  rows={"run": run, "order": order, "kind": np.where(blank, "blank", "spot")})
    raw, y = np.where(blank[:, None], [0.0, 0.5, np.nan, np.nan], sc.f.value), sc.y.copy()
    raw[7, 0] = y[7, 0] = raw[31, 3] = y[31, 3] = np.nan
    for k, (_, rows) in enumerate(run_rows(sc)):
        after, before = predecessors(sc.f, rows)
        if k % 2:
            mixed = (1 - share) * sc.f.value[after] + share * np.nan_to_num(raw[before])
            y[after] = np.where(np.isfinite(y[after]), np.where(sc.f.relative, np.log(mixed), mixed), np.nan)
    y[blank] = np.nan
    raw = np.where(blank[:, None], raw, np.where(sc.f.relative, np.exp(y), y))
    s = np.where(sc.f.relative, 0.02, 2.0) * rng.uniform(0.8, 1.25, y.shape)
    f = replace(sc.f, y=y, value=raw, raw=raw, at=np.where(blank, -1, sc.f.at), zone=~blank)
    return Scene(f=f, y=y, m=replace(sc.m, e=y - sc.m.typical, s=s), live=np.isfinite(y))


def at_once(sc: Scene, adds: bool, known: Vector | None = None) -> list[Best]:
    runs = [rows for _, rows in run_rows(sc)]
    return best_shares(sc, runs, np.full(len(runs), np.nan) if known is None else known, adds)


def alike(one: Best, other: Best) -> None:
    """Shares and readings to the bit; gains are sums in another order."""
    np.testing.assert_allclose(one[0], other[0], rtol=1e-9, atol=1e-9)
    assert one[1] == other[1]
    np.testing.assert_array_equal(one[2], other[2])
    np.testing.assert_array_equal(one[3], other[3])


@pytest.mark.parametrize("adds", [False, True])
@pytest.mark.parametrize(("seed", "share", "blanks"), [(4, 0.12, True), (5, 0.3, False)])
def test_all_runs_at_once_are_those_one_by_one(seed: int, share: float, blanks: bool, adds: bool) -> None:
    sc, close = of_many_runs(seed, share, blanks), 0
    for (_, rows), found in zip(run_rows(sc), at_once(sc, adds), strict=True):
        local = one_run.best_share(sc, rows, SHARES, adds)
        alike(found, local)
        close += local[0].sum() > 3.5
    assert close >= 1


def test_a_share_that_is_known_is_not_looked_for() -> None:
    """One told, the others as if none were; runs and analytes in any order, and a run alone, are the same."""
    sc = of_many_runs(4, 0.12, True)
    runs, free = [rows for _, rows in run_rows(sc)], at_once(sc, False)
    some = at_once(sc, False, np.array([0.07, *[np.nan] * (RUNS - 1)]))
    alike(some[0], one_run.best_share(sc, runs[0], (0.07,), False))
    for found, want in zip(some[1:], free[1:], strict=True):
        alike(found, want)
    for found, want in zip(best_shares(sc, runs[::-1], np.full(RUNS, np.nan), False), free[::-1], strict=True):
        alike(found, want)
    alike(best_shares(sc, [runs[3]], np.array([np.nan]), False)[0], free[3])
    assert best_shares(sc, [], np.zeros(0), False) == []


def test_contents_of_chains_are_those_of_bottles_one_by_one() -> None:
    rng = np.random.default_rng(8)
    raw = rng.lognormal(size=(30, 2))
    after, before = np.array([1, 2, 3, 4, 11, 12, 20, 26]), np.array([0, 1, 2, 3, 9, 11, 25, 24])
    share = np.full((30, 1), 0.2)
    share[9:14] = 0.4
    for adds in (False, True):
        found = contents(raw, steps(after, before), share, adds)
        for some, q in ((slice(0, 9), 0.2), (slice(9, 14), 0.4), (slice(14, 30), 0.2)):
            np.testing.assert_array_equal(found[some], one_run.contents(raw, after, before, q, adds)[some])
