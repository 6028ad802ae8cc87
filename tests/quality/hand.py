"""Scenes made by hand: level, profile and scatter of containers are known exactly, so that costs are worked out on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy import optimize

from studykit.quality.explain import Scene
from studykit.quality.frame import Fit, Frame

DEPTHS = ("upper", "middle", "lower")
HEIGHTS = (0.8, 0.5, 0.2)


def paid(z: object) -> np.ndarray:
    """What departures of so many standard deviations cost: (6 + 1) / 2 ln(1 + z^2 / 6), of Student's t with 6 degrees."""
    return 3.5 * np.log(1 + np.asarray(z, dtype=float) ** 2 / 6)


def scene_of(off: Mapping[tuple[int, int], Mapping[str, float]] | None = None, *, boxes: int = 4,
             analytes: Sequence[str] = ("P", "Zn", "S", "Ca"), level: float = 100.0,
             profile: Mapping[str, Sequence[float]] | None = None, s: float = 0.1, absolute: Sequence[str] = (),
             tests: Sequence[str] = (), share: float = 1.0, share_u: float = 1.0, rate: Sequence[float] | None = None,
             rate_spread: float = 0.0, u: Mapping[int, Sequence[float]] | None = None, su: float = 0.1,
             kinds: Mapping[int, float] | None = None, rows: Mapping[str, Sequence[object]] | None = None) -> Scene:
    """Containers C0, C1, ... of three zones each: log(level) + profile, and what is ``off``: (container, zone) by analyte.

    profile: by analyte at the three zones (log), 0 else. absolute: analytes whose y is the level itself. u: by how much a
    container lies off its kind, by analyte. kinds: how far the kind of a container lies off the level. rows: other columns.
    """
    k, n = len(analytes), 3 * boxes
    at, place = np.repeat(np.arange(boxes), 3), np.tile(np.arange(3), boxes)
    relative = np.array([a not in absolute for a in analytes])
    shape = np.array([(profile or {}).get(a, (0.0, 0.0, 0.0)) for a in analytes], dtype=float).T
    expected = np.tile(np.where(relative, np.log(level), level), (boxes, 1)) + np.array(
        [(kinds or {}).get(b, 0.0) for b in range(boxes)])[:, None]
    own = np.array([(u or {}).get(b, [0.0] * k) for b in range(boxes)], dtype=float)
    e = np.zeros((n, k))
    for (box, zone), by in (off or {}).items():
        for a, x in by.items():
            e[3 * box + zone, list(analytes).index(a)] = x
    levels = expected + own
    typical = levels[at] + shape[place]
    y = typical + e
    names = tuple(f"C{b}" for b in range(boxes))
    table = pd.DataFrame({"sample": [f"B{i:02d}" for i in range(n)], "container": np.array(names, dtype=object)[at],
                          "kind": "spot", "depth": np.array(DEPTHS, dtype=object)[place], "height": np.array(HEIGHTS)[place],
                          "draw_order": place + 1.0, "run": "R1", "order": np.arange(1.0, n + 1), "treatment": "stored",
                          **(rows or {})})
    value = np.where(relative, np.exp(np.where(relative, y, 0.0)), y)
    f = Frame(rows=table, analytes=tuple(analytes), y=y, value=value, raw=value, relative=relative, stated=np.full(k, s),
              at=at, place=place, names=names, labels=DEPTHS, zone=np.ones(n, dtype=bool), reference=np.full(k, np.nan),
              unsure=np.zeros(k), tests=tuple(tests))
    m = Fit(level=levels, profile=shape, rate=np.ones(boxes) if rate is None else np.array(rate, dtype=float),
            rate_spread=rate_spread, e=e, s=np.full((n, k), s), u=own, su=np.full(k, su), kinds=expected, typical=typical,
            share=share, share_u=share_u)
    return Scene(f=f, y=y, m=m, live=np.isfinite(y))


def least(z: Sequence[float] | np.ndarray) -> float:
    """The same of one container's departures, its level where they cost least (minimised by scipy from each of them)."""
    z = np.asarray(z, dtype=float)
    z = z[np.isfinite(z)]
    ends = [optimize.minimize_scalar(lambda c: float(paid(z - c).sum()), bracket=(c - 0.5, c + 0.5)) for c in z]
    return float(min(end.fun for end in ends))
