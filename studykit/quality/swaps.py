"""Two bottles under each other's codes: within a container, or across.

Across containers each has to fit where the other one stands: it costs what it moves a container's level away from those of
its kind. Of two zones the level lies where most bottles are, and an exchange may leave it there with all of them: where it is
then plainly off, that costs too. A container that has really settled is off in neither way once its settling is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from studykit.quality.explain import MAINLY, Candidate, Scene, misfit, moved


def swaps(sc: Scene, top: int = 14) -> Iterator[Candidate]:
    """Two bottles under each other's codes: within a container, or across."""
    cost = misfit(sc)
    n = int(sc.f.zone.sum())
    worst = [int(i) for i in np.argsort(-cost)[:top] if cost[i] > 3]
    inside = {(i, j) for i, j in combinations(sorted(worst), 2) if sc.f.at[i] == sc.f.at[j]} | _flattest(sc)
    for i, j in sorted(inside):
        if sc.f.place[i] != sc.f.place[j]:
            yield _swap(sc, i, j, float(np.log(n)))
    for i, j in combinations(worst, 2):
        if sc.f.at[i] != sc.f.at[j]:
            yield _swap(sc, i, j, 2 * float(np.log(n)))


def _flattest(sc: Scene, top: int = 4) -> set[tuple[int, int]]:
    """Pairs of bottles of the containers with the lowest own rates: a swap hides there."""
    if sc.m.rate_spread < 0.05:
        return set()
    boxes = np.unique(sc.f.at[sc.f.zone])
    lowest = boxes[np.argsort(sc.m.rate[boxes])[:top]]
    return {(int(i), int(j)) for b in lowest for i, j in combinations(sc.rows_of(int(b)), 2)}


def _swap(sc: Scene, i: int, j: int, price: float) -> Candidate:
    gain = np.zeros(len(sc.f.analytes))
    for box in {int(sc.f.at[i]), int(sc.f.at[j])}:
        rows = sc.rows_of(box)
        y = sc.y[rows].copy()
        for one, other in ((i, j), (j, i)):
            y[rows == one] = sc.y[other]
        gain += sc.gain(rows, y) - moved(sc, rows, y)
    order = np.argsort(-gain)
    bears = tuple(map(int, order[: 1 + int(np.searchsorted(np.cumsum(gain[order]), MAINLY * gain.sum()))]))
    return Candidate(cause="swapped samples", rows=(i, j), columns=tuple(range(len(sc.f.analytes))),
                     readings=sc.y[[j, i]], gain=float(gain.sum()), price=price, bears=bears,
                     place="within" if sc.f.at[i] == sc.f.at[j] else "across")


__all__ = ["swaps"]
