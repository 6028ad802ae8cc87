"""The share of carry-over that saves most in each of many runs, looked for in all of them at once.

``runs._best_share`` looks at one run; hundreds of runs take hundreds of its steps, each over a few dozen rows. Here every step
is taken for all runs together, each with a share of its own: the same arithmetic row by row, in a fraction of the time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from studykit.quality.explain import FREE, Scene, of_rows
from studykit.quality.frame import Index, Vector, summing

MANY = 12
"""Runs from which all are looked at together."""
Best = tuple[Vector, float, Vector, Vector]
"""Gain by analyte, share, the run's readings without it, what was read there."""


def best_shares(sc: Scene, runs: Sequence[Index], shares: tuple[Sequence[float], Sequence[float]], adds: bool, *,
                before: Callable[[Index], tuple[Index, Index]], without: Callable[..., Vector],
                recentred: Callable[[Scene, Any, Vector], Vector]) -> list[Best]:
    """What ``runs._best_share`` gives for each run (rows of the frame), in their order.

    ``shares``: those tried, and factors around the best; ``before``: rows of a run with their predecessors; ``without`` and
    ``recentred``: those of ``runs``.
    """
    rows, size = np.concatenate(runs), np.array([len(r) for r in runs])
    start, run = np.cumsum(size) - size, np.repeat(np.arange(len(runs)), size)
    place = np.full(len(sc.f.at), -1, dtype=np.intp)
    place[rows] = np.arange(rows.size)
    own, prior = (place[np.concatenate(p)] for p in zip(*map(before, runs), strict=True))
    near = of_rows(sc, rows)
    group = np.unique(run * (near.f.at.max() + 2) + near.f.at, return_inverse=True)[1]
    live = np.unique(group[near.f.at >= 0])
    near = replace(near, f=replace(near.f, at=np.where(near.f.at < 0, -1, np.searchsorted(live, group)),
                                   names=tuple(map(str, range(live.size)))))
    blank = near.f.rows["kind"].eq("blank").to_numpy()
    read = (near.f.raw, np.where(blank[:, None], np.nan_to_num(near.f.raw), near.f.raw))
    keep, chain, by = near.f.at[own] >= 0, _chain(own, prior), summing(near.f.at, live.size)
    after, earlier, now = own[keep], prior[keep], recentred(near, by, near.m.e)

    def readings(q: Vector, left: Vector) -> Vector:
        y = near.y.copy()
        y[after] = without(near, after, earlier, q[run[after], None], left, adds)
        return y

    def ways(q: Vector) -> list[tuple[Vector, Vector]]:
        return [(raw, left) for raw in read for left in (raw, _contents(raw, chain, q[run, None], adds))]

    def gains(q: Vector) -> tuple[Vector, Index]:
        """Gain by run and analyte of the best way, and which it is."""
        costs = [recentred(near, by, near.m.e + (readings(q, left) - near.y)) for _, left in ways(q)]
        each = np.array([np.add.reduceat(now - c, start) for c in costs]) * near.m.share
        way = each.sum(axis=2).argmax(axis=0)
        return each[way, np.arange(len(runs))], way

    tried, around = shares
    share = np.full(len(runs), float(tried[0]))
    gain, way = gains(share)

    def better(q: Vector, some: np.ndarray) -> None:
        g, w = gains(q)
        won = some & (g.sum(axis=1) > gain.sum(axis=1))
        gain[won], way[won], share[won] = g[won], w[won], q[won]

    for q in tried[1:]:
        better(np.full(len(runs), float(q)), np.ones(len(runs), dtype=bool))
    close, first = (gain.sum(axis=1) >= FREE) , share.copy()
    for factor in around if close.any() else ():
        better(first * factor, close)
    told = [(readings(share, left), raw) for raw, left in ways(share)]
    return [(gain[k], float(share[k]), told[way[k]][0][s:s + n], told[way[k]][1][s:s + n])
            for k, (s, n) in enumerate(zip(start, size, strict=True))]


def _chain(own: Index, prior: Index) -> list[tuple[Index, Index]]:
    """Rows and their predecessors in steps, so that every row comes in a step after its predecessor's."""
    level = dict.fromkeys(prior.tolist(), 0)
    for i, j in zip(own.tolist(), prior.tolist(), strict=True):
        level[i] = level[j] + 1
    at = np.array([level[i] for i in own.tolist()], dtype=np.intp)
    return [(own[at == k], prior[at == k]) for k in range(1, int(at.max(initial=0)) + 1)]


def _contents(raw: Vector, chain: Sequence[tuple[Index, Index]], share: Vector, adds: bool) -> Vector:
    """What each bottle held, as ``runs.contents``, for all runs: share (n, 1)."""
    out = raw.copy()
    for i, j in chain:
        clean = (raw[i] - share[i] * out[j]) / (1.0 if adds else 1 - share[i])
        out[i] = np.where(np.isfinite(clean), np.maximum(clean, 0.0), raw[i])
    return out


__all__ = ["MANY", "best_shares"]
