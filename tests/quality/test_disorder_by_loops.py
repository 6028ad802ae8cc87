"""Zones out of order, over many small invented containers: every exchange worked out again with plain loops."""

from __future__ import annotations

import math
import statistics
from functools import cache
from itertools import combinations, product

import numpy as np
import pytest

from studykit.quality.disorder import _across, _Exchange, _exchanged, _Zones

NAN = math.nan
DIRTY = {"Si", "Al", "Fe"}
Line = tuple[float, ...]


def zones(seed: int, names: tuple[str, ...] = ("Ba", "Fe", "Si"), box: str = "A") -> _Zones:
    """A container that has settled or not, two bottles exchanged or one off, and readings lost."""
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(3, 6)), len(names)
    depth = np.sort(-rng.choice([0.9, 0.7, 0.5, 0.3, 0.1], n, replace=False))
    if seed % 3 == 0:
        depth[1] = depth[0]  # a zone drawn twice
    y = 5 + np.outer(np.arange(n), rng.choice([0.0, 0.2, 0.3], k)) * rng.choice([-1, 1]) + rng.normal(0, 0.01, (n, k))
    i, j = rng.choice(n, 2, replace=False)
    if seed % 4:
        y[[i, j]] = y[[j, i]]
    else:
        y[i] += rng.choice([-0.3, 0.2]) + rng.normal(0, 0.05, k) * (seed % 8 == 0)
    y[rng.random((n, k)) < 0.05] = NAN
    s = np.where(rng.random(k) < 0.1, NAN, rng.choice([0.01, 0.02, 0.04], k))
    return _Zones(sample=tuple(f"{box}{i}" for i in range(n)), analytes=names, depth=depth, y=y, s=s)


# -- by hand -----------------------------------------------------------------------------------------------------


@cache
def lines(depth: Line, y: Line, s: float) -> tuple[float, float]:
    """What the best rising and the best falling line leave: the largest over starts of the least over ends of the means."""
    own = [(d, x) for d, x in zip(depth, y, strict=True) if not math.isnan(x)]
    if len(own) < 3 or not s > 0:
        return 0.0, 0.0
    places = sorted({d for d, _ in own})
    sums = [(sum(x for d, x in own if d == p), sum(d == p for d, _ in own)) for p in places]
    mean = {(j, k): sum(a for a, _ in sums[j:k + 1]) / sum(n for _, n in sums[j:k + 1])
            for j in range(len(places)) for k in range(j, len(places))}
    out = []
    for way in (1, -1):
        line = {p: way * max(min(way * mean[j, k] for k in range(at, len(places))) for j in range(at + 1))
                for at, p in enumerate(places)}
        out.append(sum(3.5 * math.log(1 + ((x - line[d]) / s) ** 2 / 6) for d, x in own))
    return out[0], out[1]


def ways(z: _Zones, y: list[Line]) -> list[tuple[float, float]]:
    """Of each analyte."""
    return [lines(tuple(z.depth), tuple(row[a] for row in y), float(z.s[a])) for a in range(len(z.analytes))]


def left(z: _Zones, y: list[Line]) -> list[float]:
    return [min(w) for w in ways(z, y)]


def as_read(z: _Zones) -> list[Line]:
    return [tuple(row) for row in z.y.tolist()]


def off_by_one(z: _Zones, k: int) -> float:
    """The least that is left where one bottle is off by one amount, which is one of those to the others' ends and middles."""
    y, costs = as_read(z), [math.inf]
    for a, x in enumerate(y[k]):
        others = sorted(row[a] for i, row in enumerate(y) if i != k and not math.isnan(row[a]))
        if others and not math.isnan(x):
            for d in (x - others[0], x - others[-1], x - statistics.median(others)):
                costs.append(sum(left(z, [tuple(v - d for v in row) if i == k else row for i, row in enumerate(y)])))
    return min(costs) + 3.5 + math.log(len(y))


def exchanged(z: _Zones) -> _Exchange | None:
    y, n = as_read(z), len(z.sample)
    pairs = [p for p in combinations(range(n), 2) if z.depth[p[0]] != z.depth[p[1]]]
    before = left(z, y)
    saved = {}
    for i, j in pairs:
        order = [j if r == i else i if r == j else r for r in range(n)]
        saved[i, j] = [b - c for b, c in zip(before, left(z, [y[r] for r in order]), strict=True)]
    net = {p: sum(saved[p]) - math.log(len(pairs)) for p in pairs}
    pair = max(pairs, key=lambda p: net[p])
    columns = tuple(a for a in sorted(range(len(before)), key=lambda a: -saved[pair][a]) if saved[pair][a] > 2)
    others = sorted((p for p in pairs if p != pair and net[p] > net[pair] - 4), key=lambda p: -net[p])
    alone = max(sum(before) - sum(left(z, [(NAN,) * len(before) if i == k else row for i, row in enumerate(y)])) for k in pair)
    one = alone > sum(saved[pair]) - 2
    twice = any(z.depth[i] == z.depth[k] for k in pair for i in range(n) if i != k)
    if net[pair] < 8 or net[pair] - (sum(before) - min(off_by_one(z, k) for k in range(n))) < 4 or len(others) > 1:
        return None
    if len(columns) < 2 or (one and (len(columns) < 3 or twice or {z.analytes[a] for a in columns} <= DIRTY)):
        return None
    return _Exchange(pair=pair, other=others[0] if others else (), columns=columns, net=net[pair], one_alone=one)


def across(each: dict[str, _Zones]) -> list[tuple[object, ...]]:
    """The one exchange of bottles of two containers after which all containers rise, or fall, alike in each analyte."""
    names = next(iter(each.values())).analytes
    total = {w: [sum(ways(z, as_read(z))[a][w] for z in each.values()) for a in range(len(names))] for w in (0, 1)}
    was = [min(total[0][a], total[1][a]) for a in range(len(names))]
    tries, looked = [], 0
    for p, q in combinations(each, 2):
        one, other = each[p], each[q]
        looked += len(one.sample) * len(other.sample)
        both = [any(not math.isnan(r[a]) for r in as_read(one)) and any(not math.isnan(r[a]) for r in as_read(other))
                for a in range(len(names))]
        for i, j in product(range(len(one.sample)), range(len(other.sample))):
            y, x = as_read(one), as_read(other)
            y[i], x[j] = (tuple(v if b else u for u, v, b in zip(m, n, both, strict=True))
                          for m, n in ((y[i], x[j]), (x[j], y[i])))
            before, after = [(ways(one, as_read(one)), ways(other, as_read(other))), (ways(one, y), ways(other, x))]
            own, saved = [0.0, 0.0], []
            for a in range(len(names)):
                now = [total[w][a] + sum(after[z][a][w] - before[z][a][w] for z in (0, 1)) for w in (0, 1)]
                way = 0 if now[0] <= now[1] else 1
                saved.append(was[a] - now[way])
                for z in (0, 1):
                    own[z] += before[z][a][way] - after[z][a][way]
            if own[0] > 4 and own[1] > 4:
                tries.append((sum(saved), saved, p, i, q, j))
    if not tries:
        return []
    total_saved, saved, p, i, q, j = max(tries, key=lambda t: t[0])
    one, other = each[p], each[q]
    close = sorted((t for t in tries if total_saved - 4 < t[0] and t[2:] != (p, i, q, j)), key=lambda t: -t[0])
    columns = [a for a in sorted(range(len(names)), key=lambda a: -saved[a])
               if saved[a] > 2 and abs(one.y[i, a] - other.y[j, a]) > 8 * one.s[a]]
    factors = sum(sum(left(z, as_read(z))) - min(off_by_one(z, k) for k in range(len(z.sample))) for z in (one, other))
    net = total_saved - math.log(looked)
    if net < 8 or net - factors < 4 or len(close) > 1 or len(columns) < 2 or any((t[2], t[4]) != (p, q) for t in close):
        return []
    return [(f"{p} and {q}", one.sample[i], other.sample[j], " ".join((one.sample[t[3]], other.sample[t[5]])[x] for t in close
                                                                       for x in (0, 1)),
             " ".join(names[a] for a in columns), False, net)]


@pytest.mark.parametrize("first", range(0, 20, 10))
def test_two_bottles_of_a_container_that_put_it_in_order_are_those_of_plain_loops(first: int) -> None:
    told = 0
    for seed in range(first, first + 10):
        z = zones(seed)
        found, expected = _exchanged(z), exchanged(z)
        assert (found is None) == (expected is None), seed
        if found is not None and expected is not None:
            told += 1
            assert {found.pair, found.other} == {expected.pair, expected.other}, seed
            assert (found.columns, found.one_alone) == (expected.columns, expected.one_alone), seed
            assert found.net == pytest.approx(expected.net)
    assert 0 < told < 10


def test_bottles_of_two_containers_that_put_both_in_order_are_those_of_plain_loops() -> None:
    told = 0
    for seed in range(4):
        rng = np.random.default_rng(seed)
        way, names = rng.choice([-1, 1], 3) * 0.15, ("Ba", "Fe", "Si")
        each = {}
        for box in "ABC"[:2 + seed % 2]:
            n = int(rng.integers(3, 5))
            y = 5 + rng.choice([0.0, 0.3]) + np.outer(np.arange(n), way * rng.uniform(0.5, 1.5)) + rng.normal(0, 0.01, (n, 3))
            y[rng.random(y.shape) < 0.03] = NAN
            if seed % 5 == 4 and box == "B":
                y[:, 1] = NAN  # it has none of this
            each[box] = _Zones(sample=tuple(f"{box}{i}" for i in range(n)), analytes=names, depth=np.arange(n) * 1.0, y=y,
                               s=np.array([0.01, 0.02, 0.03]))
        i, j = rng.integers(0, 3, 2)
        each["A"].y[i], each["B"].y[j] = each["B"].y[j].copy(), each["A"].y[i].copy()
        found, expected = _across(each), across(each)
        assert [r[:-1] for r in found] == [r[:-1] for r in expected], seed
        assert [r[-1] for r in found] == pytest.approx([r[-1] for r in expected])
        told += len(found)
    assert 0 < told < 4
