"""Explanations told once, over many small scenes: what is joined, dropped or a rival, worked out again with plain loops."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from studykit.quality.explain import Candidate, Scene
from studykit.quality.flags import listed, shown
from studykit.quality.together import _in_layers, could_settle, lowest, one_way, settled_apart, told_once
from tests.quality.hand import scene_of

ANALYTES = ("Si", "Mo", "KV", "P")
"""KV is absolute: its y is the reading itself."""
SINGLE = ("value alone", "transposed digits", "dirt in the bottle")
SETTLING = ("swapped samples", "drift", "heel in the zone", *SINGLE)
FLOOR, PORTION = "free water or heel at the floor", "portion or dilution"
NAN = math.nan


def scene(seed: int) -> Scene:
    """Five containers of three draws: own layers, lost readings, draws of one height, composites, no repeatability."""
    rng = np.random.default_rng(seed)
    k, boxes = len(ANALYTES), 5
    settled = rng.random(k) < 0.75
    off: dict[tuple[int, int], dict[str, float]] = {}
    for box in range(boxes):
        step = rng.choice([0.08, 0.1, 0.3, 0.5, 0.9]) * (1 if seed % 4 else rng.choice([-1, 1]))
        for zone in range(3):
            off[box, zone] = {a: (10 * step * zone if a == "KV" else step * zone) * bool(settled[i]) + (
                rng.choice([0, 1]) if a == "KV" else rng.normal(0, 0.02)) for i, a in enumerate(ANALYTES)}
    heights = [[0.8, 0.5, 0.2], [0.2, 0.8, 0.5], [0.8, 0.3, 0.3], [0.6, 0.6, 0.2], [0.5, 0.2, 0.8]]
    u = {b: list(np.where(np.arange(k) == 2, 100, 1) * rng.choice([0.0, 0.1, -0.2, 0.6], k)) for b in range(boxes)}
    sc = scene_of(off, boxes=boxes, analytes=ANALYTES, absolute=("KV",), share=float(rng.choice([0.6, 1.0])), u=u,
                  profile={"Si": (-0.1, 0, 0.1), "Mo": (0.05, 0, -0.15), "KV": (0, 0, 20)},
                  rows={"height": [h for i in rng.integers(0, 5, boxes) for h in heights[i]]})
    stated = np.where(np.arange(k) == 2, 1.0, rng.choice([0.01, 0.02, 0.05], k))
    if seed % 3 == 0:
        stated[rng.integers(0, k)] = np.nan
    y, s = sc.y.copy(), sc.m.s * np.array([0.3, 0.3, 10, 0.3]) * rng.choice([0.5, 1.0, 2.0], sc.y.shape)
    y[rng.random(y.shape) < 0.06 * (seed % 2)] = np.nan
    if seed % 7 == 0:
        s[:, 3] = np.inf  # reads alike everywhere
    zone = sc.f.zone & (rng.random(len(y)) > 0.08 * (seed % 5 == 1))
    return replace(sc, y=y, f=replace(sc.f, y=y, stated=stated, zone=zone), m=replace(sc.m, s=s))


def candidates(rng: np.random.Generator, many: int) -> list[Candidate]:
    """Explanations of any kind, few places and few amounts, so that they meet."""
    out = []
    kinds = (("drift", "run"), ("run shift", "run"), ("carry-over", "run"), ("carry-over", "bottle"), (PORTION, "bottle"),
             ("heel in the zone", "bottle"), ("swapped samples", "across"), *((c, "cell") for c in SINGLE),
             ("disturbed container", "container"), ("missing purge", "container"), ("diluted or evaporated", "container"),
             ("wrong product", "container"), (FLOOR, "several"), ("unit slip", "bottle"), ("missing purge", "bottle"))
    weights = rng.choice([0.2, 1.0, 4.0], len(kinds)) * (1.0 if rng.random() < 0.7 else np.arange(len(kinds)) < 2)
    for i in rng.choice(len(kinds), many, p=weights / weights.sum()):
        cause, place = kinds[i]
        box, row, run = int(rng.integers(0, 5)), int(rng.integers(0, 15)), int(rng.integers(0, 2))
        rows: tuple[int, ...] = {"run": tuple(range(7 * run, 7 * run + 7)), "container": (3 * box, 3 * box + 1, 3 * box + 2),
                                 "across": (row, (row + 4) % 15), "several": (2, 8, 11)}.get(place, (row,))
        if cause == PORTION and rng.random() < 0.8:
            rows = (3 * box + 2,)
        columns = tuple(sorted(map(int, rng.choice(4, rng.integers(1, 5), replace=False))))
        bears = columns[:rng.integers(0, 2)] if cause in ("swapped samples", "carry-over", "drift") else ()
        bears = tuple(map(int, rng.permutation(columns))) if cause == "swapped samples" and rng.random() < 0.5 else bears
        rivals = tuple((str(c), "there", float(rng.integers(0, 9))) for c in rng.choice(
            ["drift", "own settling", "swapped samples", "run shift"], rng.integers(0, 2), replace=False))
        rivals = tuple((c, f"run R{run + 1}" if rng.random() < 0.7 else p, n) for c, p, n in rivals)
        out.append(Candidate(
            cause=cause, rows=rows, columns=columns, gain=float(rng.integers(5, 80)), price=float(rng.integers(1, 5)),
            readings=rng.uniform(1, 5, (len(rows), len(columns))), place=f"run R{run + 1}" if place == "run" else place,
            amount=float(rng.choice([0.4, 0.6, 1.0, 1.5, NAN] if place != "run" else [-0.2, -0.1, 0.05, 0.11, 0.23, 0.5] if
                                    cause == "drift" else [-0.2, -0.1, -0.05, 0.0, 0.05, 0.11])),
            detail="so" if rng.random() < 0.15 else "", bears=bears, rivals=rivals))
    return out


# -- by hand -----------------------------------------------------------------------------------------------------


def numbers(x: float) -> float:
    return 0.0 if math.isnan(x) else float(x)


def apart(sc: Scene, a: int) -> bool:
    """Three containers of one sign by 0.1 (log) and eight repeatabilities, that differ by a third of the middle one."""
    height, far = list(sc.f.rows["height"]), []
    for box in range(5):
        rows = [i for i in range(15) if i // 3 == box and sc.f.zone[i] and not math.isnan(sc.f.y[i, a])]
        if len(rows) > 1:
            far.append(sc.f.y[min(rows, key=lambda i: height[i]), a] - sc.f.y[max(rows, key=lambda i: height[i]), a])
    least = max(0.1 if sc.f.relative[a] else 0.0, 8 * numbers(sc.f.stated[a])) - 1e-9
    large = [x for x in far if abs(x) >= least]
    one_sign = max(sum(x > 0 for x in large), sum(x < 0 for x in large))
    return least > 0 and one_sign >= 3 and max(far) - min(far) > abs(statistics.median(large)) / 3


def monotone(sc: Scene, rows: list[int], a: int) -> float:
    """Least cost of a rising or a falling line of one analyte: max over starts of min over ends of the weighted means."""
    rows = [i for i in rows if np.isfinite(sc.y[i, a]) and np.isfinite(sc.m.s[i, a])]
    height = sc.f.rows["height"]
    levels = sorted({height[i] for i in rows}, reverse=True)
    if len(rows) < 2:
        return 0.0

    def mean(first: int, last: int) -> float:
        own = [(sc.y[i, a], sc.m.s[i, a] ** -2) for i in rows if levels[last] <= height[i] <= levels[first]]
        return sum(y * w for y, w in own) / sum(w for _, w in own)

    costs = []
    for up in (1, -1):
        line = {h: up * max(min(up * mean(j, k) for k in range(at, len(levels))) for j in range(at + 1))
                for at, h in enumerate(levels)}
        costs.append(sum(3.5 * math.log(1 + ((sc.y[i, a] - line[height[i]]) / sc.m.s[i, a]) ** 2 / 6) for i in rows))
    return sc.m.share * min(costs)


def rests(c: Candidate) -> set[int]:
    return set(c.bears) if c.bears else set(c.columns)


def by_its_line(sc: Scene, c: Candidate) -> bool:
    if c.cause not in (*SINGLE, "carry-over", PORTION) or not sc.f.zone[c.rows[0]]:
        return True
    rows = [i for i in range(15) if i // 3 == c.rows[0] // 3 and sc.f.zone[i]]
    return sum(monotone(sc, rows, a) for a in rests(c)) < c.gain / 2


def layers(sc: Scene, rows: tuple[int, ...], a: int) -> bool:
    """Extreme zones differ by three times the stated repeatability and by three scatters of the best bottle."""
    own, height = [i for i in rows if sc.f.zone[i] and not math.isnan(sc.f.y[i, a])], sc.f.rows["height"]
    if len(own) < 2:
        return False
    far = sc.f.y[max(own, key=lambda i: height[i]), a] - sc.f.y[min(own, key=lambda i: height[i]), a]
    return abs(far) > 3 * numbers(sc.f.stated[a]) and abs(far) > 3 * min(sc.m.s[i, a] for i in own)


def settling_could(sc: Scene, c: Candidate) -> bool:
    if c.cause == "disturbed container":
        return any(apart(sc, a) for a in c.columns)
    if c.cause == "wrong product":
        by_one = not math.isnan(c.amount) and 2 * len(c.columns) <= 4
        return by_one or (len(c.columns) < 4 and all(layers(sc, c.rows, a) for a in c.columns))
    if c.cause == "swapped samples":
        most = c.bears or c.columns
        return c.detail == "" and all(apart(sc, most[k]) for k in range(len(most)) if k == 0 or 2 * (k + 1) <= len(most))
    bottle = c.place == "bottle" and c.cause in ("carry-over", PORTION)
    return (bottle or c.cause in SETTLING) and all(apart(sc, a) for a in rests(c)) and by_its_line(sc, c)


def is_lowest(sc: Scene, i: int) -> bool:
    height = sc.f.rows["height"]
    return all(height[i] <= height[j] for j in range(15) if j // 3 == i // 3 and sc.f.zone[j])


def joined(sc: Scene, found: list[Candidate], own: list[Candidate], cause: str, columns: set[int],
           detail: str) -> list[Candidate]:
    single = [c for c in own if not c.place.startswith("run ")]
    rows = sorted({i for c in single or own for i in c.rows})
    names: list[str] = []
    for name in (*(c.cause for c in own), *(r[0] for c in own for r in c.rivals)):
        if name not in names and name != cause:
            names.append(name)
    one = replace(own[0], cause=cause, rows=tuple(rows), columns=tuple(sorted(columns)), place="several", detail=detail,
                  readings=np.array([[sc.y[i, a] for a in sorted(columns)] for i in rows]), gain=sum(c.gain for c in own),
                  price=sum(c.price for c in own), rivals=tuple((n, "each by itself", NAN) for n in names))
    mine = [id(c) for c in own]
    return [one if id(c) == mine[0] else c for c in found if id(c) not in mine[1:]]


def parted(sc: Scene, c: Candidate) -> list[Candidate]:
    """A floor as a portion a container: the factor is the middle one of as read over as meant."""
    out = []
    boxes = sorted({i // 3 for i in c.rows})
    for box in boxes:
        mine = [k for k, i in enumerate(c.rows) if i // 3 == box]
        pairs = [(sc.f.relative[a], sc.f.y[c.rows[k], a], c.readings[k, j]) for k in mine for j, a in enumerate(c.columns)]
        ratio = [math.exp(was - meant) if log else was / meant for log, was, meant in pairs if not math.isnan(was)]
        out.append(replace(c, cause=PORTION, rows=tuple(c.rows[k] for k in mine), readings=c.readings[mine],
                           gain=c.gain / len(boxes), price=c.price / len(boxes), place="bottle", detail="",
                           amount=statistics.median(ratio) if ratio else NAN, rivals=((FLOOR, "each by itself", NAN),)))
    return out


def at_the_floor(sc: Scene, found: list[Candidate]) -> list[Candidate]:
    def short(c: Candidate) -> bool:
        return c.cause == PORTION and c.amount < 1 and bool(sc.f.zone[c.rows[0]])

    alone = [c for c in found if short(c)]
    above, water = [c for c in alone if not is_lowest(sc, c.rows[0])], [c for c in found if c.cause == FLOOR]
    rest = [p for c in found for p in (parted(sc, c) if c.cause == FLOOR else [c])]
    if water and above:
        return rest
    parts = [*alone, *(p for c in water for p in parted(sc, c))]
    if above or (water and not alone) or len({c.rows[0] // 3 for c in parts}) < 3:
        return found
    words = ", ".join(f"{x:.3g}" for x in sorted(c.amount for c in parts))
    return joined(sc, rest, [c for c in rest if short(c)], FLOOR, {a for c in parts for a in c.columns}, words)


def summed(sc: Scene, first: Candidate, parts: list[Candidate]) -> Candidate:
    """Explanations of one run as one: amounts of one cause add up, what is of another cause alone is so all along."""
    mine = {a for c in parts if c.cause == first.cause for a in c.columns}
    columns = sorted({a for c in parts for a in c.columns})
    amounts, last, words = {}, {}, []
    for a in columns:
        amounts[a] = sum(c.amount for c in parts if a in c.columns and (a not in mine or c.cause == first.cause))
        last[a] = next(c.readings[:, c.columns.index(a)] for c in reversed(parts) if a in c.columns)
        size = f"{shown(100 * math.expm1(amounts[a]), 2)} %" if sc.f.relative[a] else shown(amounts[a], 2)
        words.append(f"{ANALYTES[a]} by {size}" + ("" if a in mine else " all along"))
    return replace(first, columns=tuple(columns), readings=np.array([last[a] for a in columns]).T, bears=(),
                   gain=sum(c.gain for c in parts), price=sum(c.price for c in parts), detail=listed(words, 12),
                   amount=statistics.median(amounts.values()))


def brought(shift: Candidate, drifts: list[Candidate]) -> bool:
    """In half of its analytes at least the run drifts, the same way and by more."""
    amounts = [d.amount for d in drifts for a in shift.columns if a in d.columns]
    if shift.cause != "run shift" or not drifts or shift.place != drifts[0].place or not amounts:
        return False
    return 2 * len(amounts) >= len(shift.columns) and 0 < shift.amount / statistics.median(amounts) < 1


def with_it(shift: Candidate, drifts: list[Candidate]) -> bool:
    return shift.cause == "run shift" and any(r[0] == "drift" and r[1] == d.place for d in drifts[:1] for r in shift.rivals)


def of_runs(sc: Scene, found: list[Candidate]) -> list[Candidate]:
    out = []
    for c in found:
        drifts = [d for d in found if d.cause == "drift" and d.rows == c.rows and d.place == c.place]
        if c.cause != "drift":
            out += [] if brought(c, drifts) or with_it(c, drifts) else [c]
        elif c is drifts[0]:
            left = [s for s in found if brought(s, drifts)]
            parts = drifts + [s for s in found if with_it(s, drifts) and not brought(s, drifts)]
            rivals: dict[str, tuple[str, str, float]] = {}
            for r in (r for p in parts for r in p.rivals if r[0] != "drift"):
                rivals[r[0]] = r
            if left and left[0].cause not in rivals:
                rivals[left[0].cause] = (left[0].cause, left[0].place, c.net - left[0].net)
            first = replace(c, rivals=tuple(rivals.values()))
            out.append(summed(sc, first, parts) if len(parts) > 1 else first)
    told: list[Candidate] = []
    for c in out:
        same = [s for s in out if s.cause == "run shift" and s.rows == c.rows and not s.detail] if (
            c.cause == "run shift" and not c.detail) else []
        if len(same) < 2:
            told.append(c)
        elif c is same[0]:
            told.append(summed(sc, replace(c, rivals=tuple({r[0]: r for s in same for r in s.rivals}.values())), same))
    return told


def by_hand(sc: Scene, found: list[Candidate]) -> list[Candidate]:
    runs = [c.rows for c in found if c.cause == "carry-over" and c.place in ("run R1", "run R2")]
    found = [c for c in found if (c.cause, c.place) != ("carry-over", "bottle") or not any(c.rows[0] in r for r in runs)]
    mixed = {c.rows[0] // 3 for c in found if c.cause in ("disturbed container", "missing purge") and len(c.rows) > 1}
    places = {i % 3 for i in range(15) if sc.f.zone[i]}
    far = [max(sc.m.profile[p, a] for p in places) - min(sc.m.profile[p, a] for p in places) for a in range(4)]
    found = [c for c in found if c.cause not in ("diluted or evaporated", "wrong product") or c.rows[0] // 3 not in mixed
             or any(abs(sc.m.u[c.rows[0] // 3, a]) > far[a] for a in c.columns)]
    heels = {c.rows[0] for c in found if c.cause == "heel in the zone"}
    thin = {c.rows[0] for c in found if c.cause == PORTION and c.amount < 1 and c.rows[0] in heels}
    found = [replace(c, rivals=(*c.rivals, (PORTION, "the same bottle", NAN)))
             if c.cause == "heel in the zone" and c.rows[0] in thin else c
             for c in found if c.cause != PORTION or c.rows[0] not in thin]
    found = at_the_floor(sc, found)
    settled = {a for a in range(4) if apart(sc, a)}
    elsewhere = {c.place for c in found if c.cause == "drift" and rests(c) - settled}
    own = [c for c in found if c.cause in SETTLING and c.place not in elsewhere and not rests(c) - settled
           and by_its_line(sc, c)]
    if len(own) >= 3:
        found = joined(sc, found, own, "own settling", {a for c in own for a in rests(c)},
                       "containers have settled by rates of their own")
    return of_runs(sc, found)


def read(sc: Scene, c: Candidate) -> bool:
    return all(any(np.isfinite(sc.f.y[i, a]) for a in c.columns) for i in c.rows)


def told(c: Candidate) -> tuple[Any, ...]:
    return c.cause, c.rows, c.columns, c.place, c.detail, c.bears, [r[:2] for r in c.rivals]


@pytest.mark.parametrize("first", range(0, 120, 40))
def test_what_is_told_once_is_that_of_plain_loops(first: int) -> None:
    """Forty scenes each, with a dozen explanations or two: the same ones in the same order, with all that they say."""
    seen = set()
    for seed in range(first, first + 40):
        sc, rng = scene(seed), np.random.default_rng(1000 + seed)
        found = [c for c in candidates(rng, int(rng.integers(3, 20))) if c.cause != FLOOR or read(sc, c)]
        expected, out = by_hand(sc, found), told_once(sc, found)
        assert [told(c) for c in out] == [told(c) for c in expected], seed
        flat = [[x for c in made for x in (c.gain, c.price, c.amount, *(r[2] for r in c.rivals), *np.ravel(c.readings))]
                for made in (out, expected)]
        np.testing.assert_allclose(*flat, rtol=1e-12, err_msg=str(seed))
        seen |= {c.cause for c in out if c.place == "several"} | {c.cause for c in out if " and " in c.detail}
    assert {"own settling", FLOOR, "drift", "run shift"} <= seen


@pytest.mark.parametrize("first", range(0, 30, 15))
def test_what_settling_could_bring_about_is_that_of_plain_loops(first: int) -> None:
    """Containers with a profile of their own, their layers and lines, for every analyte, bottle and explanation."""
    seen = set()
    for seed in range(first, first + 15):
        sc = scene(seed)
        assert [settled_apart(sc, a) for a in range(4)] == [apart(sc, a) for a in range(4)], seed
        for i in np.flatnonzero(sc.f.zone):
            assert lowest(sc, i) == is_lowest(sc, i), (seed, i)
        for b, a in product(range(5), range(4)):
            rows = (3 * b, 3 * b + 1, 3 * b + 2)
            assert _in_layers(sc, rows, a) == layers(sc, rows, a), (seed, b, a)
        for c in candidates(np.random.default_rng(seed), 12):
            assert one_way(sc, c) == by_its_line(sc, c), (seed, c)
            assert could_settle(sc, c) == settling_could(sc, c), (seed, c)
            seen.add((c.cause, could_settle(sc, c)))
    assert {("drift", True), ("drift", False), ("swapped samples", False), ("wrong product", True)} <= seen
