"""A bottle whose analytes are off by one factor: a portion or a dilution, of all its tests or of one test alone.

Whoever weighs too little for one test spoils what that test reads, and nothing else: elements by one factor, and a
viscosity, another test, as it was. Settling cannot do so, since what is dissolved does not settle.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from studykit.core.ties import sort_key
from studykit.quality.explain import ALIKE, FREE, SCATTERED, SHOWN, SLIPS, Candidate, Scene, gain_of, settles
from studykit.quality.flags import listed
from studykit.quality.frame import NU, Index, Vector, quantile, rho
from studykit.quality.together import FLOOR, SEVERAL

Mask = NDArray[np.bool_]
FEWEST = 3
"""Analytes that one factor must explain at least."""
MOST_OF = 0.6
"""Share of the analytes of a bottle, or of one test, that it must explain."""
CLEAR = 4.0
"""Nats beyond its price that the lowest zone of a container must save to be one of those thinned."""
ONE_BOTTLE = 0.05
"""Within so much (log) of a power of ten a factor is that power: a bottle is itself off by some per cent (own judgement)."""


def portions(sc: Scene, top: int = 10) -> Iterator[Candidate]:
    """All analytes of a bottle, most of them, or those of one test, off by one factor: a power of ten, or any."""
    z, s = _shares(sc, sc.apart)
    z = np.nan_to_num(z)
    live = np.isfinite(sc.m.e) & (sc.f.at[:, None] >= 0) & np.isfinite(s)
    whole = np.full(live.shape, True)
    middle = _middle(z, s, live)
    alike = (np.abs(z - middle[:, None]) < ALIKE * s) & (rho(z / s) > rho((z - middle[:, None]) / s))
    for columns in (whole, alike, *(whole & own for own in _tests(sc))):
        mine = live & columns
        middle = _middle(z, s, mine)
        saved = np.where(mine, rho(z / s) - rho((z - middle[:, None]) / s), 0.0).sum(axis=1)
        for i in np.argsort(-sort_key(saved), kind="stable")[:top]:
            if mine[i].sum() >= FEWEST and saved[i] > 4 and (columns is whole or mine[i].sum() < live[i].sum()):
                yield from _portion(sc, int(i), mine[i], float(middle[i]))


def _tests(sc: Scene) -> list[Mask]:
    """Which analytes each test reads (masks over the analytes); none where there is one test only."""
    names = sorted(set(sc.f.tests))
    return [np.array([t == name for t in sc.f.tests]) for name in names] if len(names) > 1 else []


def _middle(z: Vector, s: Vector, live: Mask) -> Vector:
    """The factor (log) of each row that most of its live columns share: reweighted from their median."""
    w = np.where(live, 1 / s**2, 0.0)
    middle = np.nan_to_num(quantile(np.where(live, z, np.nan).T, 0.5))
    for _ in range(6):
        v = w / (NU + ((z - middle[:, None]) / s) ** 2)
        middle = (v * z).sum(axis=1) / np.maximum(v.sum(axis=1), 1e-300)
    return np.asarray(middle)


def _portion(sc: Scene, i: int, mine: Mask, middle: float) -> Iterator[Candidate]:
    rows = sc.rows_of(sc.f.at[i]) if sc.f.zone[i] else np.array([i])
    where = int(np.flatnonzero(rows == i)[0])
    looked = float(np.log(max(2, (sc.f.at >= 0).sum()))) + _choice(sc, i, mine)
    columns = np.flatnonzero(mine) if mine.sum() < np.isfinite(sc.y[i]).sum() else np.arange(mine.size)
    slips = [k for k in SLIPS if abs(k - middle) < 0.4]
    steps = [(k, "unit slip", np.log(len(SLIPS)) + 1.0) for k in slips]
    if all(abs(k - middle) > ONE_BOTTLE for k in slips):
        steps.insert(0, (middle, "portion or dilution", FREE + 1.0))
    for step, cause, price in steps:
        y = sc.y[rows].copy()
        y[where, columns] = sc.f.times(y[where], np.exp(-step))[columns]
        gain = gain_of(sc, rows, y)
        if int((gain > 0.5).sum()) >= max(FEWEST, MOST_OF * mine.sum()):
            yield Candidate(cause=cause, rows=(i,), columns=tuple(map(int, columns)), readings=y[[where]][:, columns],
                            gain=float(gain.sum()), price=looked + price, place="bottle", amount=float(np.exp(step)),
                            detail=_dissolved(sc, columns) if sc.f.zone[i] else "")


def at_the_floor(sc: Scene) -> Iterator[Candidate]:
    """All analytes of the lowest zone of several containers thinned, in each by one factor of its own: one explanation."""
    found = [low for rows, delta in _thinned(sc) if (low := _low(sc, rows, delta)) is not None]
    if len(found) < SEVERAL:
        return
    n, k = len(np.unique(sc.f.at[sc.f.zone])), len(found)
    choice = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    factors = np.concatenate([np.full(rows.size, delta) for rows, delta, _ in found])
    rows = np.concatenate([rows for rows, _, _ in found])
    readings = sc.f.times(sc.y[rows], np.exp(-factors)[:, None])
    yield Candidate(cause=FLOOR, rows=tuple(map(int, rows)), columns=tuple(range(readings.shape[1])), readings=readings,
                    gain=sum(gain for _, _, gain in found), price=k * (FREE + 1.0) + float(choice), place="several",
                    detail=", ".join(f"{np.exp(delta):.3g}" for delta in sorted(delta for _, delta, _ in found)))


def _thinned(sc: Scene) -> Iterator[tuple[Index, float]]:
    """Containers' rows, and the factor (log) by which their lowest bottles are thinned, where their analytes agree in one.

    In the order of containers; those of as many bottles, with as many of them lowest, at once.
    """
    height, alike = sc.f.rows["height"].to_numpy(float), defaultdict[tuple[int, int], list[tuple[Index, Index]]](list)
    for rows in sc.boxes:
        low = height[rows] <= np.nanmin(height[rows], initial=np.inf) + 1e-9
        if not low.all() and low.any():
            alike[int(low.sum()), rows.size].append((rows[low], rows[~low]))
    found, (e, scatter) = list[tuple[int, Index, float]](), _shares(sc, sc.m.e)
    for own in alike.values():
        low, others = (np.array([parts[k] for parts in own]) for k in (0, 1))  # containers x bottles
        gap, s = _middles(e, low) - _middles(e, others), scatter[low[:, 0]]
        live = np.isfinite(gap) & np.isfinite(s)
        delta = _middle(np.nan_to_num(gap), s, live)
        off = np.where(live, ((gap - delta[:, None]) / s) ** 2, 0.0).sum(axis=1) / np.maximum(live.sum(axis=1), 1)
        for k in np.flatnonzero((live.sum(axis=1) >= FEWEST) & (delta < 0) & (off <= SCATTERED * (1 + 1e-9))):
            found.append((int(sc.f.at[low[k, 0]]), np.sort(np.concatenate([low[k], others[k]])), float(delta[k])))
    yield from ((rows, delta) for _, rows, delta in sorted(found, key=lambda f: f[0]))


def _shares(sc: Scene, e: Vector) -> tuple[Vector, Vector]:
    """Values and their scatter (n x A) on a scale on which a factor is a number: logs, else shares of the level.

    Where that is nothing the scatter is infinite, and the value decides nothing.
    """
    per = np.where(sc.f.relative, 1.0, np.abs(sc.m.typical))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(e / per), np.asarray(sc.m.s / per)


def _middles(e: Vector, rows: Index) -> Vector:
    """Medians of the columns of e (n x A) over each line of rows (containers x bottles), NaN left out: containers x A."""
    return quantile(e[rows.T].reshape(rows.shape[1], -1), 0.5).reshape(len(rows), -1)


def _low(sc: Scene, rows: Index, delta: float) -> tuple[Index, float, float] | None:
    """A container's lowest bottles, the factor (log) that thins them, and what undoing it saves; None if not clear."""
    height = sc.f.rows["height"].to_numpy(float)[rows]
    low = height <= np.nanmin(height, initial=np.inf) + 1e-9
    per = np.where(sc.f.relative, 1.0, np.abs(sc.m.typical[rows]))
    e, s = sc.m.e[rows] / per, (sc.m.s[rows] / per)[low][:1]
    gap = quantile(e[low], 0.5)[None] - quantile(e[~low], 0.5)[None]
    live = np.isfinite(gap) & np.isfinite(s)
    if float(np.mean(((gap - delta) / s)[live] ** 2)) > SCATTERED:
        return None
    y = sc.y[rows].copy()
    y[low] = sc.f.times(y[low], np.exp(-delta))
    gain = sc.gain(rows, y) + sc.level_gain(rows, y)
    clear = gain.sum() > FREE + 1.0 + CLEAR and (gain > 0.5).sum() >= max(FEWEST, MOST_OF * live.sum())
    return (rows[low], delta, float(gain.sum())) if clear else None


def _choice(sc: Scene, i: int, mine: Mask) -> float:
    """What it costs to choose these analytes: nothing for all, the tests for one of them, else all sets of that size."""
    live = np.isfinite(sc.y[i])
    n, k = int(live.sum()), int(mine.sum())
    if k >= n:
        return 0.0
    of_a_test = any(np.array_equal(own & live, mine & live) for own in _tests(sc))
    if of_a_test:
        return float(np.log(1 + len(set(sc.f.tests))))
    return float(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)) if k >= MOST_OF * n else np.inf


def _dissolved(sc: Scene, columns: Index) -> str:
    """Those of the columns that do not settle in a stock in which others do, in words; '' where nothing has settled."""
    depths = np.unique(sc.f.place[sc.f.zone])
    size = np.where(sc.f.relative, np.ptp(sc.m.profile[depths], axis=0), 0.0)
    if np.nanmax(size, initial=0.0) < SHOWN:
        return ""
    return listed(sc.f.told(a for a in columns if not settles(sc, int(a))), 8).replace("none", "")


__all__ = ["at_the_floor", "portions"]
