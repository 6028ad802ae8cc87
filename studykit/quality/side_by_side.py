"""What each bottle of a run holds of the one read before it, and the share that saves most, in all runs at once.

Hundreds of runs one after the other would take hundreds of steps, each over a few dozen rows. Here every step is taken for
all runs together, each with a share of its own. Run by run, and bottle by bottle, the tests do it (``tests/quality/one_run``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from studykit.quality.explain import FREE, Scene, of_rows
from studykit.quality.frame import NU, Frame, Index, Vector, in_units, rho, summing

SHARES = (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5)
AROUND = (0.8, 0.85, 0.9, 0.95, 1.05, 1.1, 1.15, 1.2)
"""Around the share of a run that saves most, as factors of it: a factor of one bottle, its rival, is a free number too."""
Best = tuple[Vector, float, Vector, Vector]
"""Gain by analyte, share, the run's readings without it, what was read there."""


def predecessors(f: Frame, rows: Index) -> tuple[Index, Index]:
    """Rows of a run that have a predecessor, and that predecessor."""
    order = f.rows["order"].to_numpy(float)
    sort = rows[np.argsort(order[rows], kind="stable")]
    sort = sort[np.isfinite(order[sort])]
    after, before = sort[1:], sort[:-1]
    close = np.diff(order[sort]) <= 1.5
    return after[close], before[close]


def without(sc: Scene, after: Index, before: Index, share: float | Vector, left: Vector | None = None,
            adds: bool = False) -> Vector:
    """Readings (scale of y) without a share of the predecessor's reading, or of what each has ``left`` (n x A, in the unit).

    ``adds``: the share comes on top of the bottle's own content; else it stands in the place of as much of it.
    """
    prior = (sc.f.raw if left is None else left)[before]
    with np.errstate(all="ignore"):
        own = in_units(sc.f.relative, sc.y[after])
        clean = (own - share * prior) / (1.0 if adds else 1 - share)
        y = np.where(sc.f.relative, np.log(np.where(clean > 0, clean, np.nan)), clean)
    return np.where(np.isfinite(y), y, sc.y[after])


def as_blank(f: Frame) -> Vector:
    """Readings in the unit (n x A), in which what a blank has no number of counts as not in it."""
    blank = f.rows["kind"].eq("blank").to_numpy()[:, None]
    return np.asarray(np.where(blank, np.nan_to_num(f.raw), f.raw))


def best_shares(sc: Scene, runs: Sequence[Index], known: Vector, adds: bool) -> list[Best]:
    """The share that saves most in each run (rows of the frame), in their order; ``adds`` as in ``without``.

    ``known`` (a number a run): the share where something else tells it, NaN where it is looked for: among ``SHARES``, and
    ``AROUND`` the best of them. What a blank has no number of counts as not read, or as not in it; a line passes on what it
    read, or a needle what was in the bottle (``contents``): whichever saves more.
    """
    if not runs:
        return []
    rows, size = np.concatenate(runs), np.array([len(r) for r in runs])
    start, run = np.cumsum(size) - size, np.repeat(np.arange(len(runs)), size)
    near = _apart(of_rows(sc, rows), run)
    place = np.full(len(sc.f.at), -1, dtype=np.intp)
    place[rows] = np.arange(rows.size)
    own, prior = (place[np.concatenate(p)] for p in zip(*(predecessors(sc.f, r) for r in runs), strict=True))
    keep, chain, by = near.f.at[own] >= 0, steps(own, prior), summing(near.f.at, len(near.f.names))
    after, earlier, now = own[keep], prior[keep], _recentred(near, by, near.m.e)

    def ways(q: Vector) -> list[tuple[Vector, Vector]]:
        """Readings without these shares (one a run), and what was read, in each way."""
        out, share = [], q[run, None]
        for raw in (near.f.raw, as_blank(near.f)):
            for left in (raw, contents(raw, chain, share, adds)):
                y = near.y.copy()
                y[after] = without(near, after, earlier, share[after], left, adds)
                out.append((y, raw))
        return out

    def gains(q: Vector) -> tuple[Vector, Index]:
        """Gain by run and analyte of the best way, and which it is."""
        costs = [_recentred(near, by, near.m.e + (y - near.y)) for y, _ in ways(q)]
        each = np.array([np.add.reduceat(now - c, start) for c in costs]) * near.m.share
        way = each.sum(axis=2).argmax(axis=0)
        return each[way, np.arange(len(runs))], way

    share = np.where(np.isnan(known), SHARES[0], known)
    gain, way = gains(share)

    def better(q: Vector, some: NDArray[np.bool_]) -> None:
        g, w = gains(q)
        won = some & (g.sum(axis=1) > gain.sum(axis=1))
        gain[won], way[won], share[won] = g[won], w[won], q[won]

    for one in SHARES[1:]:
        better(np.where(np.isnan(known), one, share), np.isnan(known))
    close, first = np.isnan(known) & (gain.sum(axis=1) >= FREE), share.copy()
    for factor in AROUND if close.any() else ():
        better(first * factor, close)
    told = ways(share)
    return [(gain[k], float(share[k]), told[way[k]][0][s:s + n], told[way[k]][1][s:s + n])
            for k, (s, n) in enumerate(zip(start, size, strict=True))]


def _apart(near: Scene, run: Index) -> Scene:
    """The scene of some runs' rows, in which a container that several of them read is one in each."""
    group = np.unique(run * (near.f.at.max() + 2) + near.f.at, return_inverse=True)[1]
    live = np.unique(group[near.f.at >= 0])
    return replace(near, f=replace(near.f, at=np.where(near.f.at < 0, -1, np.searchsorted(live, group)),
                                   names=tuple(map(str, range(live.size)))))


def _recentred(sc: Scene, by: object, e: Vector) -> Vector:
    """Cost of each cell of a run's rows, each container's level fitted anew."""
    s, there = sc.m.s, np.isfinite(e)
    square, e = s**2, np.where(there, e, 0.0)
    for _ in range(3):
        w = np.where(there, 1 / (NU + (e / s) ** 2), 0.0) / square
        total = by @ w  # type: ignore[operator]
        e = e - ((by @ (w * e)) / np.maximum(total, 1e-300))[sc.f.at]  # type: ignore[operator]
    return np.where(there & (sc.f.at >= 0)[:, None], rho(e / s), 0.0)


def steps(own: Index, prior: Index) -> list[tuple[Index, Index]]:
    """Rows and their predecessors in steps, so that every row comes in a step after its predecessor's."""
    level = dict.fromkeys(prior.tolist(), 0)
    for i, j in zip(own.tolist(), prior.tolist(), strict=True):
        level[i] = level[j] + 1
    at = np.array([level[i] for i in own.tolist()], dtype=np.intp)
    return [(own[at == k], prior[at == k]) for k in range(1, int(at.max(initial=0)) + 1)]


def contents(raw: Vector, chain: Sequence[tuple[Index, Index]], share: Vector, adds: bool = False) -> Vector:
    """What each bottle held (n x A, in the unit) if every reading holds a share (n, 1) of what the bottle before it held.

    ``raw``: what was read; ``chain``: of ``steps``. A line that keeps its last filling passes on what it read, and with it a
    share of the share; a needle that takes some of each bottle along passes on what was in the bottle.
    """
    out = raw.copy()
    for i, j in chain:
        clean = (raw[i] - share[i] * out[j]) / (1.0 if adds else 1 - share[i])
        out[i] = np.where(np.isfinite(clean), np.maximum(clean, 0.0), raw[i])
    return out


__all__ = ["AROUND", "SHARES", "as_blank", "best_shares", "contents", "predecessors", "steps", "without"]
