"""The share of carry-over that saves most in one run, bottle by bottle: what ``side_by_side`` is held against."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studykit.quality.explain import FREE, Scene, of_rows
from studykit.quality.frame import NU, Index, Vector, rho
from studykit.quality.side_by_side import AROUND, Best, as_blank, predecessors, without


def contents(raw: Vector, after: Index, before: Index, share: float, adds: bool = False) -> Vector:
    """What each bottle held if every reading holds a share of what the bottle before it held, one after the other."""
    out = raw.copy()
    for i, j in zip(after, before, strict=True):
        clean = (raw[i] - share * out[j]) / (1.0 if adds else 1 - share)
        out[i] = np.where(np.isfinite(clean), np.maximum(clean, 0.0), raw[i])
    return out


def cost(sc: Scene, e: Vector) -> Vector:
    """What the departures of a run cost, by analyte, each container's level fitted anew by three steps from 0."""
    total = np.zeros(e.shape[1])
    for box in set(sc.f.at.tolist()) - {-1}:
        x, s = (v[sc.f.at == box] for v in (e, sc.m.s))
        for _ in range(3):
            w = 1 / (NU + (x / s) ** 2) / s**2
            x = x - np.nansum(w * x, axis=0) / np.maximum(np.nansum(w, axis=0), 1e-300)
        total += np.nansum(rho(x / s), axis=0)
    return total


def best_share(sc: Scene, rows: Index, shares: Sequence[float], adds: bool) -> Best:
    """Gain by analyte, the share of these (or about the best of them) that saves most, readings without it, what was read."""
    near = of_rows(sc, rows)
    own, prior = (np.searchsorted(rows, i) for i in predecessors(sc.f, rows))
    keep = near.f.at[own] >= 0
    now = cost(near, near.m.e)

    def tried(q: float) -> Best:
        each = []
        for raw in (near.f.raw, as_blank(near.f)):
            for left in (raw, contents(raw, own, prior, q, adds)):
                y = near.y.copy()
                y[own[keep]] = without(near, own[keep], prior[keep], q, left, adds)
                each.append(((now - cost(near, near.m.e + (y - near.y))) * near.m.share, q, y, raw))
        return max(each, key=lambda x: float(x[0].sum()))

    best = max(map(tried, shares), key=lambda x: float(x[0].sum()))
    if len(shares) > 1 and best[0].sum() >= FREE:
        best = max((best, *(tried(best[1] * by) for by in AROUND)), key=lambda x: float(x[0].sum()))
    return best
