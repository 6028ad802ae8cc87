"""Draws that hold some of the draw before them: a line that was not emptied, or a tool carried from container to container.

Each draw holds a share of the one before it in its container (the first one of the last draw elsewhere, or of nothing); or the
first draw alone holds a share of the last draw of another container, and the later ones have rinsed the tool.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from studykit.quality.explain import FREE, Candidate, Scene
from studykit.quality.frame import Index, Vector, in_units, quantile

PURGED = (0.2, 0.35, 0.5, 0.65, 0.8)
"""Shares of the draw before it that are tried for a draw."""
OWN = (-1.5, 0.0, 1.5)
"""Own rates of a container that are tried, in standard deviations of the containers' rates (log): as fitted, mixed draws look
as if it had settled less than it has."""


def purges(sc: Scene, boxes: list[int]) -> Iterator[Candidate]:
    """Every explanation of these containers by draws that hold some of the one before."""
    looked = float(np.log(max(2, len(sc.f.names))))
    for box in boxes:
        yield from _purge(sc, sc.rows_of(box), looked)


def _purge(sc: Scene, rows: Index, looked: float) -> Iterator[Candidate]:
    """Each draw holds a share of the one before it: undone, the zones fit."""
    drawn = sc.f.rows["draw_order"].to_numpy(float)[rows]
    spots = np.flatnonzero(sc.f.rows["kind"].eq("spot").to_numpy()[rows] & np.isfinite(drawn))
    order = spots[np.argsort(drawn[spots], kind="stable")]
    if order.size < 3:
        return
    tries = [(share, _unpurged(sc, rows, order, share, led, own))
             for own in _as_settled(sc, rows) for share, led in product(PURGED, (False, True))]
    gain, share, y = _best(sc, rows, tries)
    price = looked + FREE + float(np.log(3.0))
    yield Candidate(cause="missing purge", rows=tuple(map(int, rows)), columns=tuple(range(len(sc.f.analytes))), readings=y,
                    gain=gain, price=price, place="container", amount=share)
    gain, share, y = _best(sc, rows, [(share, _carried_on(sc, rows, order, share)) for share in PURGED])
    first = order[:1]
    yield Candidate(cause="missing purge", rows=tuple(map(int, rows[first])), columns=tuple(range(len(sc.f.analytes))),
                    readings=y[first], gain=gain, price=price, place="bottle", amount=share)


def _best(sc: Scene, rows: Index, tries: list[tuple[float, Vector]]) -> tuple[float, float, Vector]:
    """Gain, share and readings of the best of these readings of a container's rows."""
    return max(((float(sc.gain(rows, y).sum()), share, y) for share, y in tries), key=lambda t: t[0])


def _carried_on(sc: Scene, rows: Index, order: Index, share: float) -> Vector:
    """The readings if the first draw alone holds a share of the last one of another container (as the stock reads there)."""
    y, own, at = sc.y[rows].copy(), sc.m.typical[rows].copy(), order[0]
    last = sc.m.profile[sc.f.place[rows[order[-1]]]] - sc.m.profile[sc.f.place[rows[at]]]
    for _ in range(2):
        y[at] = without_share(sc, sc.y[rows[at]], own[at], own[at] + last, share)
        own += np.nan_to_num(quantile((y - own)[order], 0.5))
    return y


def without_share(sc: Scene, read: Vector, own: Vector, before: Vector, share: float) -> Vector:
    """What a draw would read without a share of ``before``: as expected, and as far off as it is from the mixture."""
    with np.errstate(all="ignore"):
        x, p = (in_units(sc.f.relative, v) for v in (own, before))
        mixed = (1 - share) * x + share * p
        off = read - np.where(sc.f.relative, np.log(np.where(mixed > 0, mixed, np.nan)), mixed)
    return np.where(np.isfinite(off), own + off, read)


def _as_settled(sc: Scene, rows: Index) -> list[Vector]:
    """What a container's zones are expected to read, as fitted and by each of the rates that are tried (rows x A)."""
    fitted, shape = sc.m.typical[rows], sc.shape(rows)
    if sc.m.rate_spread <= 0:
        return [fitted]
    rates = np.exp(sc.m.rate_spread * np.array(OWN)) - sc.m.rate[sc.f.at[rows[0]]]
    return [fitted, *(fitted + rate * shape for rate in rates)]


def _unpurged(sc: Scene, rows: Index, order: Index, share: float, led: bool, own: Vector) -> Vector:
    """What the zones would read by themselves: as expected there, and as far off as they are from a mixture with the
    draw before, whose own reading stands for it. The container's level is fitted to what is left (twice).

    ``led``: the first draw holds as much of the last one of another container, which reads as the stock does there.
    ``own``: what the zones are expected to read.
    """
    y, own = sc.y[rows].copy(), own.copy()
    last = sc.m.profile[sc.f.place[rows[order[-1]]]] - sc.m.profile[sc.f.place[rows[order[0]]]]
    for _ in range(2):
        for k in range(0 if led else 1, order.size):
            at = order[k]
            before = sc.y[rows[order[k - 1]]] if k else own[at] + last
            y[at] = without_share(sc, sc.y[rows[at]], own[at], before, share)
        own += np.nan_to_num(quantile((y - own)[order[0 if led else 1:]], 0.5))
    return y


__all__ = ["purges", "without_share"]
