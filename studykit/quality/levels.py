"""Containers against containers: a whole one off by one factor, as if it were another one's, or by amounts of its own.

Each is held against what its lot, its store and its age lead one to expect.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from studykit.quality.explain import ALIKE, FREE, SCATTERED, Candidate, Scene
from studykit.quality.flags import shown
from studykit.quality.frame import Index, Vector, in_units, rho

UNTOUCHED = 0.25
"""A bottle that is off by less than this share of its container's level, and beyond its scatter from it, is not off with it."""


def containers(sc: Scene, top: int = 8) -> Iterator[Candidate]:
    """A whole container off: by one factor, as if it were another one's, or each analyte by its own amount."""
    z = np.nan_to_num(sc.m.u / sc.m.su)
    size = rho(z).sum(axis=1) * sc.m.share_u
    n = max(2, int((size > 0).sum()))
    worst = [int(c) for c in np.argsort(-size)[:top] if size[c] > 3]
    for box in worst:
        yield from _one_container(sc, box, z[box], float(np.log(n)))
    for one, other in combinations(worst, 2):
        if (np.abs(sc.m.kinds[one] - sc.m.kinds[other]) > sc.m.su).any():  # else one and the same is expected of both
            yield _exchange(sc, one, other, 2 * float(np.log(n)) - np.log(2.0))


def _all_rows(sc: Scene, box: int) -> Index:
    return np.flatnonzero(sc.f.rows["container"].eq(sc.f.names[box]).to_numpy())


def _one_container(sc: Scene, box: int, z: Vector, looked: float) -> Iterator[Candidate]:
    yield from _one_factor(sc, box, z, looked)
    gain = rho(z) * sc.m.share_u
    off = (gain > FREE) & _whole(sc, box)
    if off.sum() >= 2:
        columns = np.flatnonzero(off)
        rows = _all_rows(sc, box)
        yield Candidate(cause="wrong product", rows=tuple(map(int, rows)), columns=tuple(map(int, columns)),
                        readings=sc.y[rows][:, columns] - sc.m.u[box][columns], detail=_amounts(sc, box, columns),
                        gain=float((gain - FREE)[off].sum()), price=looked + 1.0, place="container",
                        amount=_one_amount(sc, box, columns))


def _whole(sc: Scene, box: int) -> NDArray[np.bool_]:
    """Analytes in which every bottle of a container is off with its level, as far as their scatter lets one tell."""
    rows, u = sc.rows_of(box), np.nan_to_num(sc.m.u[box])
    beside = np.abs(sc.m.e[rows]) > ALIKE * sc.m.s[rows]
    untouched = np.sign(u) * (sc.m.e[rows] + u) < UNTOUCHED * np.abs(u)
    return np.asarray(~(beside & untouched).any(axis=0))


def _one_amount(sc: Scene, box: int, columns: Index) -> float:
    """The factor by which all these analytes of a container are off; NaN where they are off by amounts of their own."""
    per = np.where(sc.f.relative, 1.0, np.abs(sc.m.level[box]))[columns]
    u, s = sc.m.u[box][columns] / per, sc.m.su[columns] / per
    delta = float(np.average(u, weights=1 / s**2))
    same = bool(np.mean(((u - delta) / s) ** 2) <= SCATTERED and (np.abs(u - delta) < ALIKE * s).all())
    return float(np.exp(delta)) if same else float("nan")


def _one_factor(sc: Scene, box: int, z: Vector, looked: float) -> Iterator[Candidate]:
    """Most analytes of a container off by one factor; others (a viscosity, water) unchanged or by amounts of their own."""
    per = np.where(sc.f.relative, 1.0, np.abs(sc.m.level[box]))
    u, s = sc.m.u[box] / per, sc.m.su / per
    ok = np.isfinite(u) & np.isfinite(s)
    tries = []
    for start in u[ok]:
        gain = np.where(ok, rho(z) - rho((u - start) / s), 0.0)
        alike = gain > 0
        if alike.any():
            delta = float(np.average(u[alike], weights=1 / s[alike] ** 2))
            gain = np.where(ok, rho(z) - rho((u - delta) / s), 0.0) * sc.m.share_u
            tries.append((float(gain[gain > 0].sum()), delta, gain))
    if not tries:
        return
    _, delta, gain = max(tries, key=lambda x: x[0])
    near = (np.abs(u - delta) < ALIKE * s) & _whole(sc, box)
    for alike in ((gain > 0) & near, near & ok):
        yield from _by_factor(sc, box, looked, delta, gain, alike)


def _by_factor(sc: Scene, box: int, looked: float, delta: float, gain: Vector,
               alike: NDArray[np.bool_]) -> Iterator[Candidate]:
    """The candidate in which these analytes are off by one factor (log ``delta``), and others by amounts of their own."""
    per = np.where(sc.f.relative, 1.0, np.abs(sc.m.level[box]))
    u, s, z = sc.m.u[box] / per, sc.m.su / per, np.nan_to_num(sc.m.u[box] / sc.m.su)
    ok = np.isfinite(u) & np.isfinite(s)
    own = ~alike & (rho(z) * sc.m.share_u > FREE) & _whole(sc, box)
    fewest = 2 if ok.sum() == 2 else 3
    if alike.sum() < max(fewest, 0.5 * ok.sum()) or own.sum() > 0.5 * alike.sum() or (alike & (gain > 0)).sum() < fewest:
        return
    if _against(sc, own & (u * delta < 0), alike):
        return
    if float(np.mean(((u - delta) / s)[alike] ** 2)) > SCATTERED:
        return
    rows, columns = _all_rows(sc, box), np.flatnonzero(alike | own)
    choice = gammaln(ok.sum() + 1) - gammaln(alike.sum() + 1) - gammaln(ok.sum() - alike.sum() + 1)
    readings = sc.f.times(sc.y[rows], np.exp(-delta))
    readings[:, own] = sc.y[rows][:, own] - sc.m.u[box][own]
    yield Candidate(cause="diluted or evaporated", rows=tuple(map(int, rows)), columns=tuple(map(int, columns)),
                    readings=readings[:, columns], price=looked + FREE + float(choice), place="container",
                    gain=float(gain[alike].sum() + (rho(z) * sc.m.share_u - FREE)[own].sum()), amount=float(np.exp(delta)),
                    detail=_amounts(sc, box, np.flatnonzero(own)))


def _against(sc: Scene, opposite: NDArray[np.bool_], alike: NDArray[np.bool_]) -> bool:
    """Whether an analyte off the other way is read by a test of those that share the factor.

    What is added thins all that a test reads, and what has evaporated concentrates it; an element that goes the other way was
    in what was added, so it is another product. A viscosity, or water, is read by a test of its own and may go its own way.
    """
    tests = sc.f.tests
    shared = {tests[a] for a in np.flatnonzero(alike)} if tests else set()
    return any(tests[a] in shared for a in np.flatnonzero(opposite)) if tests else False


def _amounts(sc: Scene, box: int, columns: Index) -> str:
    """By how much each of these analytes of a container reads from what is expected: "boron 0.2, viscosity 1.47 times"."""
    level, kinds = (in_units(sc.f.relative, x) for x in (sc.m.level[box], sc.m.kinds[box]))
    parts = [f"{name} {shown(float(level[a] / kinds[a]), 3)}" for a, name in zip(columns, sc.f.told(columns), strict=True)]
    return f"{', '.join(parts)} times" if parts else ""


def _exchange(sc: Scene, one: int, other: int, price: float) -> Candidate:
    gain = 0.0
    for box, new in ((one, other), (other, one)):
        now, then = sc.m.u[box] / sc.m.su, (sc.m.level[new] - sc.m.kinds[box]) / sc.m.su
        gain += float((rho(now) - np.where(np.isfinite(then), rho(then), rho(now))).sum()) * sc.m.share_u
    a, b = _all_rows(sc, one), _all_rows(sc, other)
    shift = np.nan_to_num(sc.m.level[other] - sc.m.level[one])
    readings = np.concatenate([sc.y[a] + shift, sc.y[b] - shift])
    return Candidate(cause="exchanged containers", rows=(*map(int, a), *map(int, b)), gain=gain, price=price,
                     columns=tuple(range(readings.shape[1])), readings=readings, place="containers")


__all__ = ["containers"]
