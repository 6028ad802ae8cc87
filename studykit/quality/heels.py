"""A lowest zone that holds some of its container's own heel, which was drawn as well and reads thinned as water makes it.

One share explains every analyte of such a bottle, what is rich in the heel and what is thinned there. What has settled, or
creamed, lies between the zones above and the heel too; so it is looked for only where the heel is thinned as another fluid
thins: half of its analytes at least, by about one factor or beside others that are rich in it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studykit.quality.explain import FREE, Candidate, Scene, gain_of
from studykit.quality.floor import BEYOND, ONE_FACTOR, THIN
from studykit.quality.frame import ROUNDING, Index, Vector, quantile
from studykit.quality.portions import MOST_OF
from studykit.quality.purges import without_share
from studykit.quality.together import FLOOR

SHARES = np.linspace(0.1, 0.9, 33)
"""Shares of the heel that are tried for a lowest zone."""
FEWEST = 2
"""Analytes that are thinned in the heel, at least, and half of all."""


def own_heel(sc: Scene, boxes: list[int]) -> Iterator[Candidate]:
    """The lowest bottle of a container as a mixture of what is expected there and of that container's heel."""
    for box in boxes:
        rows, heel = sc.rows_of(box), _heel_of(sc, box)
        height = sc.f.rows["height"].to_numpy(float)[rows]
        low = np.flatnonzero(height <= np.nanmin(height, initial=np.inf) + 1e-9)
        if heel is not None and 0 < low.size < rows.size and _thinned(sc, np.delete(rows, low), heel):
            off = np.abs(np.nan_to_num(sc.m.z[rows[low]])).sum(axis=1)
            yield from _mixed(sc, rows, int(low[np.argmax(off)]), heel)


def of_the_floor(c: Candidate) -> bool:
    """Whether an explanation names what lies at a container's floor: thinned zones, or a draw that reached its heel."""
    return c.cause == FLOOR or (c.cause == "heel in the zone" and c.detail != "")


def _heel_of(sc: Scene, box: int) -> Vector | None:
    """What the heel of a container reads (scale of y), or None."""
    own = (sc.f.rows["kind"].eq("heel") & sc.f.rows["treatment"].isin(["stored", ""])
           & sc.f.rows["container"].eq(sc.f.names[box])).to_numpy()
    return quantile(sc.f.y[own], 0.5) if own.any() else None


def _thinned(sc: Scene, above: Index, heel: Vector) -> bool:
    """Whether half of a heel's analytes at least are thinned against the zones above the lowest, as no settling does it.

    By about one factor; or another is rich there: what settles makes rich and thins nothing, what creams the reverse.
    """
    per, s = np.where(sc.f.relative, 1.0, np.abs(sc.m.typical[above[0]])), sc.m.s[above[0]]
    with np.errstate(invalid="ignore"):
        far = (heel - quantile(sc.y[above], 0.5)) / per
        low, rich = ((sign * far > ROUNDING - np.log(THIN)) & (sign * far > BEYOND * s / per) for sign in (-1.0, 1.0))
    x = np.sort(far[low])
    alike = int((np.searchsorted(x, x + ONE_FACTOR, side="right") - np.arange(x.size)).max(initial=0))
    return bool((x.size if rich.any() else alike) >= max(FEWEST, np.isfinite(far).sum() / 2))


def _mixed(sc: Scene, rows: Index, where: int, heel: Vector) -> Iterator[Candidate]:
    """The candidate by the share that saves most, where it saves in most analytes."""
    i = int(rows[where])
    live = np.isfinite(sc.y[i]) & np.isfinite(heel)
    tries = []
    for share in SHARES:
        y = sc.y[rows].copy()
        y[where] = np.where(live, without_share(sc, sc.y[i], sc.y[i] - sc.apart[i], heel, float(share)), y[where])
        tries.append((gain_of(sc, rows, y), float(share), y[where]))
    gain, share, read = max(tries, key=lambda x: float(x[0].sum()))
    if int((gain > 0.5).sum()) >= max(FEWEST, MOST_OF * live.sum()):
        columns = np.flatnonzero(live)
        yield Candidate(cause="heel in the zone", rows=(i,), columns=tuple(map(int, columns)), readings=read[None, columns],
                        gain=float(gain[columns].sum()), price=float(np.log(max(2, len(sc.f.names)))) + FREE, place="bottle",
                        amount=share, detail="its own heel")


__all__ = ["of_the_floor", "own_heel"]
