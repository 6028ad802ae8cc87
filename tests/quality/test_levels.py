"""Whole containers off, over many small scenes: every explanation worked out again with plain loops, from what it says."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from studykit.quality.explain import ALIKE, FREE, SCATTERED, Candidate, Scene
from studykit.quality.flags import shown
from studykit.quality.levels import _by_factor, containers
from tests.quality.hand import scene_of

NAMES = ("P", "Zn", "S", "Ca", "visc", "water")
Told = tuple[str, tuple[int, ...], tuple[int, ...], float, float, float, str, list[list[float]]]


def cost(z: float) -> float:
    """Of Student's t with six degrees of freedom; nothing where there is no number."""
    return 0.0 if math.isnan(z) else 3.5 * math.log(1 + z * z / 6)


def scene(seed: int) -> Scene:
    """Some of ten containers off: analytes by one factor, by amounts of their own, by next to nothing, or not known.

    Two analytes are absolute; scatters differ; some bottles do not go with their container; one is a composite.
    """
    rng = np.random.default_rng(seed)
    boxes, k = (10, 6) if seed % 3 else (3, int(rng.integers(2, 6)))
    su, s = rng.uniform(0.04, 0.16, k), rng.uniform(0.05, 0.2, (3 * boxes, k))
    level = np.array([1.0, 1, 1, 1, 100, 100])[:k]  # what a share of it is worth: of absolute analytes in their unit
    u = rng.normal(0, 0.02, (boxes, k))
    off = rng.choice(boxes, boxes if seed % 4 == 0 else 2, replace=False)
    for box in off:
        delta = float(rng.choice([-0.7, -0.4, 0.3, 0.8]))
        kind = rng.choice(4, k, p=[0.6, 0.2, 0.15, 0.05])
        size = np.select([kind == 0, kind == 1], [delta + rng.normal(0, 1.2, k) * su, rng.normal(0, 0.6, k)], u[box])
        u[box] = np.where(kind == 3, np.nan, size)
    e = np.where(rng.random((3 * boxes, k)) < 0.1, rng.normal(0, 0.7, (3 * boxes, k)), rng.normal(0, 0.1, (3 * boxes, k)))
    tests = ("ICP", "ICP", "ICP", "ICP", "visc", "KF")[:k] if seed % 2 else ()
    sc = scene_of({(i // 3, i % 3): dict(zip(NAMES, e[i] * level, strict=False)) for i in range(3 * boxes)}, boxes=boxes,
                  analytes=NAMES[:k], absolute=NAMES[4:], tests=tests, share_u=float(rng.choice([0.6, 1.0])),
                  u={b: list(u[b] * level) for b in range(boxes)}, kinds={b: 0.3 * (b % 4 == 1) for b in range(boxes)})
    zone = sc.f.zone.copy()
    zone[3 * off[0]] = seed % 5 > 0
    sc.f.rows.loc[~zone, "kind"] = "composite"
    lower = np.array([0.0, 0, 0, 0, 0, 250 * (seed % 2)])[:k]  # a pour point may lie below 0
    return replace(sc, y=sc.y - lower, m=replace(sc.m, su=su * level, s=s * level, level=sc.m.level - lower,
                                                 kinds=sc.m.kinds - lower), f=replace(sc.f, zone=zone))


class Plain:
    """The numbers of a scene as lists."""

    def __init__(self, sc: Scene) -> None:
        self.u, self.su, self.e, self.s = (x.tolist() for x in (sc.m.u, sc.m.su, sc.m.e, sc.m.s))
        self.level, self.kinds, self.y = sc.m.level.tolist(), sc.m.kinds.tolist(), sc.y.tolist()
        self.relative, self.zone = sc.f.relative.tolist(), sc.f.zone.tolist()
        self.analytes, self.tests, self.share_u = sc.f.analytes, sc.f.tests, sc.m.share_u


def by_hand(sc: Plain) -> Iterator[Told]:
    boxes, k = len(sc.u), len(sc.su)
    total = [sc.share_u * sum(cost(sc.u[b][a] / sc.su[a]) for a in range(k)) for b in range(boxes)]
    looked = math.log(max(2, sum(t > 0 for t in total)))
    worst = [b for b in sorted(range(boxes), key=lambda b: -total[b])[:8] if total[b] > 3]
    for b in worst:
        yield from of_one(sc, b, looked)
    for i, one in enumerate(worst):
        for other in worst[i + 1:]:
            if any(abs(sc.kinds[one][a] - sc.kinds[other][a]) > sc.su[a] for a in range(k)):
                yield exchanged(sc, one, other, 2 * looked - math.log(2))


def of_one(sc: Plain, b: int, looked: float) -> Iterator[Told]:
    k, rows = len(sc.analytes), (3 * b, 3 * b + 1, 3 * b + 2)
    per = [1.0 if sc.relative[a] else abs(sc.level[b][a]) for a in range(k)]
    u, s = [sc.u[b][a] / per[a] for a in range(k)], [sc.su[a] / per[a] for a in range(k)]
    z, known = [sc.u[b][a] / sc.su[a] for a in range(k)], [a for a in range(k) if not math.isnan(sc.u[b][a])]
    pays = [sc.share_u * cost(x) for x in z]

    def stays(i: int, a: int) -> bool:
        """A bottle that is off its container, and reads nearly as if that were not off."""
        v = 0.0 if math.isnan(sc.u[b][a]) else sc.u[b][a]
        return abs(sc.e[i][a]) > ALIKE * sc.s[i][a] and ((v > 0) - (v < 0)) * (sc.e[i][a] + v) < 0.25 * abs(v)

    whole = {a for a in range(k) if not any(stays(i, a) for i in rows if sc.zone[i])}

    def saves(delta: float) -> list[float]:
        return [sc.share_u * (cost(z[a]) - cost((u[a] - delta) / s[a])) if a in known else 0.0 for a in range(k)]

    def mean(of: list[int]) -> float:
        return sum(u[a] / s[a] ** 2 for a in of) / sum(1 / s[a] ** 2 for a in of)

    def words(of: list[int]) -> str:
        units = [math.exp(sc.level[b][a] - sc.kinds[b][a]) if sc.relative[a] else sc.level[b][a] / sc.kinds[b][a]
                 for a in of]
        return ", ".join(f"{sc.analytes[a]} {shown(x, 3)}" for a, x in zip(of, units, strict=True)) + " times" * bool(of)

    tried = [mean([a for a in known if saves(u[start])[a] > 0]) for start in known if max(saves(u[start])) > 0]
    if tried:
        best = max(tried, key=lambda d: sum(g for g in saves(d) if g > 0))
        gain = saves(best)
        near = {a for a in known if abs(u[a] - best) < ALIKE * s[a]} & whole
        for alike in ({a for a in near if gain[a] > 0}, near):
            own = {a for a in whole - alike if pays[a] > FREE}
            fewest = 2 if len(known) == 2 else 3
            tests = {sc.tests[a] for a in alike} if sc.tests else set()
            if (len(alike) < fewest or len(alike) < len(known) / 2 or len(own) > len(alike) / 2
                    or sum(gain[a] > 0 for a in alike) < fewest
                    or any(u[a] * best < 0 and sc.tests[a] in tests for a in own if sc.tests)
                    or sum(((u[a] - best) / s[a]) ** 2 for a in alike) / len(alike) > SCATTERED):
                continue
            there = sorted(alike | own)
            put = [[sc.y[i][a] - sc.u[b][a] if a in own else sc.y[i][a] - best if sc.relative[a] else
                    sc.y[i][a] * math.exp(-best) for a in there] for i in rows]
            yield ("diluted or evaporated", rows, tuple(there), sum(gain[a] for a in alike) + sum(pays[a] - FREE for a in own),
                   looked + FREE + math.log(math.comb(len(known), len(alike))), math.exp(best), words(sorted(own)), put)
    off = sorted(a for a in whole if pays[a] > FREE)
    if len(off) >= 2:
        delta = mean(off)
        one = (sum(((u[a] - delta) / s[a]) ** 2 for a in off) / len(off) <= SCATTERED
               and all(abs(u[a] - delta) < ALIKE * s[a] for a in off))
        yield ("wrong product", rows, tuple(off), sum(pays[a] - FREE for a in off), looked + 1,
               math.exp(delta) if one else math.nan, words(off), [[sc.y[i][a] - sc.u[b][a] for a in off] for i in rows])


def exchanged(sc: Plain, one: int, other: int, price: float) -> Told:
    gain, k = 0.0, len(sc.analytes)
    for b, new in ((one, other), (other, one)):
        for a in range(k):
            then = (sc.level[new][a] - sc.kinds[b][a]) / sc.su[a]
            gain += 0.0 if math.isnan(then) else sc.share_u * (cost(sc.u[b][a] / sc.su[a]) - cost(then))
    shift = [0.0 if math.isnan(x) else x for x in (y - x for x, y in zip(sc.level[one], sc.level[other], strict=True))]
    rows = [(3 * one + i, 1) for i in range(3)] + [(3 * other + i, -1) for i in range(3)]
    return ("exchanged containers", tuple(i for i, _ in rows), tuple(range(k)), gain, price, math.nan, "",
            [[sc.y[i][a] + sign * shift[a] for a in range(k)] for i, sign in rows])


def told(c: Candidate) -> Told:
    return (c.cause, c.rows, c.columns, c.gain, c.price, c.amount, c.detail, c.readings.tolist())


@pytest.mark.parametrize("seed", range(1, 7))
def test_every_explanation_of_a_whole_container_is_that_of_plain_loops(seed: int) -> None:
    """Ten scenes each: the same explanations in the same order, with their bottles, analytes, gain, price and readings."""
    seen = set()
    for k in range(10):
        sc = scene(100 * seed + k)
        found, expected = [told(c) for c in containers(sc)], list(by_hand(Plain(sc)))
        assert [f[:3] + f[6:7] for f in found] == [x[:3] + x[6:7] for x in expected], k
        flat = [np.array([v for c in made for v in (*c[3:6], *(y for row in c[7] for y in row))]) for made in (found, expected)]
        np.testing.assert_allclose(*flat, rtol=1e-9)
        seen |= {f[0] for f in found}
    assert seen == {"diluted or evaporated", "wrong product", "exchanged containers"}


@pytest.mark.parametrize(("alike", "own", "rest", "told"), [
    (3, 0, 3, True), (3, 0, 4, False), (4, 2, 0, True), (4, 3, 0, False), (5, 2, 0, True), (5, 3, 0, False), (2, 0, 0, True),
    (2, 0, 1, False), (6, 3, 3, True), (6, 4, 0, False)])
def test_half_of_what_is_known_shares_the_factor_and_half_as_many_may_go_their_own_way(alike: int, own: int, rest: int,
                                                                                      told: bool) -> None:
    """Three analytes at least, or both of two."""
    k = alike + own + rest
    u = [-0.5] * alike + [0.9] * own + [0.0] * rest
    sc = scene_of(boxes=6, analytes=[f"A{a}" for a in range(k)], u={1: u})
    shares = np.arange(k) < alike
    assert bool(list(_by_factor(sc, 1, 0.0, -0.5, np.where(shares, 9.0, 0.0), shares))) == told
