"""Two bottles under each other's codes in studies of a few containers, where no stock says what a zone should read.

What settles or creams rises or falls with depth, in every analyte, whatever the fluid. A container whose analytes go up and
down, and would all rise or fall evenly if two bottles were exchanged, has them exchanged, likeliest. One bottle that is off by
one factor in all analytes (a portion) would do that too in a container that has not settled: then nothing is said here. One
bottle that is off in a few analytes (dirt) would as well: then three analytes have to say so, and it is named as the rival;
where it has a duplicate, that speaks. Two containers of which each goes up and down, and neither would if a bottle of the one
and a bottle of the other were exchanged, all rising or falling as the stock does, have them exchanged.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from studykit.quality.explain import DIRTY, FREE
from studykit.quality.flags import CONCERNS, CheckResult, Flag, Scatter, listed
from studykit.quality.floor import stock_of
from studykit.quality.frame import Vector, quantile, rho
from studykit.quality.profiles import FEW
from studykit.quality.suspects import TELLS
from studykit.study.columns import ZONE_KINDS

WIDER = np.sqrt(2.0)
"""Drawing may scatter as much as measuring does."""
LEAST = 8.0
"""Nats beyond the number of pairs looked at that an exchange must save (own judgement)."""
NOT_FEW = 7
"""Where so many containers stand, two of them that are off set no scale for the others (own judgement)."""
PLAINLY = 8.0
"""Scatters by which bottles of two containers differ in an analyte that says they are exchanged: what drawing leaves behind in
all analytes of a bottle alike is no exchange (own judgement)."""
CLEARER = 4.0
"""Nats that it must save more than one bottle off by one factor, or another exchange, would."""
EACH = 2.0
"""Nats that each of two analytes must save, at least; of three, where one of the two bottles left out would do as well."""
RULE = "order of the zones"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Zones:
    """Bottles of one container from the surface down: y (bottles x analytes), s (analytes), depth of each."""

    sample: tuple[str, ...]
    analytes: tuple[str, ...]
    depth: Vector
    y: Vector
    s: Vector

    def cost(self, y: Vector) -> Vector:
        """What the best rising or falling profile leaves of each analyte, in nats."""
        return np.asarray(self.ways(y).min(axis=0))

    def ways(self, y: Vector) -> Vector:
        """What the best rising, and the best falling, profile leaves of each analyte (2 x A), in nats."""
        return np.array([_monotone(self.depth, y[:, a], self.s[a]) for a in range(len(self.analytes))]).T


def _monotone(depth: Vector, y: Vector, s: float) -> tuple[float, float]:
    ok = np.isfinite(y)
    if ok.sum() < 3 or not s > 0:
        return 0.0, 0.0
    _, code = np.unique(depth[ok], return_inverse=True)
    weight = np.bincount(code).astype(float)
    mean = np.bincount(code, y[ok]) / weight
    up, down = (float(rho((y[ok] - isotonic_regression(mean, weights=weight, increasing=up).x[code]) / s).sum())
                for up in (True, False))
    return up, down


def bottles_out_of_order(t: pd.DataFrame, scatter: Mapping[str, Scatter], names: Mapping[str, str],
                         named: Collection[str] = ()) -> CheckResult:
    """Exchanged bottles of a container, told by its own zones alone, in studies of a few containers.

    ``t``: working table. ``scatter``: of one determination, on the scale of ``y``. ``names``: analytes as people name them.
    ``named``: samples of which an explanation stands already.
    """
    stock = stock_of(t)
    if len(stock) >= NOT_FEW:
        return CheckResult(rule=RULE, table=pd.DataFrame(), note="not needed: the model compares the containers")
    analytes = sorted(t.loc[t["container"].isin(stock), "analyte"].unique())  # one may lie below its limit in a container
    each = [_zones(t, box, scatter, analytes) for box in stock]
    zones = [(box, z) for box, z in zip(stock, each, strict=True) if z is not None]
    found = [(box, z, best) for box, z in zones if (best := _exchanged(z)) is not None] if len(stock) < FEW else []
    rows = [(box, *(z.sample[k] for k in best.pair), " ".join(z.sample[k] for k in best.other),
             " ".join(z.analytes[a] for a in best.columns), best.one_alone, best.net) for box, z, best in found]
    rows = [r for r in (*rows, *_across(dict(zones))) if not {r[1], r[2]} & set(named)]
    table = pd.DataFrame(rows, columns=["container", "first", "second", "or_these", "analytes", "one_alone", "nats"])
    note = "" if zones else "not assessed: no container has three zones with results"
    return CheckResult(rule=RULE, table=table, note=note, flags=tuple(_flag(r, names) for r in table.to_dict("records")))


def _zones(t: pd.DataFrame, box: str, scatter: Mapping[str, Scatter], analytes: list[str]) -> _Zones | None:
    own = t[t["container"].eq(box) & t["kind"].isin(ZONE_KINDS) & t["height"].notna()]
    wide = own.pivot_table(index="sample", columns="analyte", values="y", aggfunc="mean").reindex(columns=analytes)
    height = own.groupby("sample")["height"].first().reindex(wide.index).to_numpy(float)
    s = np.array([scatter[str(a)].s if str(a) in scatter else np.nan for a in wide.columns]) * WIDER
    if np.unique(height).size < 3 or not (s[wide.notna().any().to_numpy()] > 0).any():
        return None
    order = np.argsort(-height, kind="stable")
    return _Zones(sample=tuple(map(str, wide.index[order])), analytes=tuple(map(str, wide.columns)), depth=-height[order],
                  y=wide.to_numpy(float)[order], s=s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exchange:
    """Positions of two bottles whose exchange puts the zones in order; of two others that would as well (or none); the
    analytes that say so, the nats that it saves, and whether one of the bottles left out would do as well."""

    pair: tuple[int, int]
    other: tuple[int, ...]
    columns: tuple[int, ...]
    net: float
    one_alone: bool


def _exchanged(z: _Zones) -> _Exchange | None:
    """The two bottles whose exchange puts the zones in order; None if there are none, or too many."""
    pairs = [(i, j) for i, j in combinations(range(len(z.sample)), 2) if z.depth[i] != z.depth[j]]
    before, looked = z.cost(z.y), float(np.log(len(pairs)))
    tries = []
    for i, j in pairs:
        y = z.y.copy()
        y[[i, j]] = z.y[[j, i]]
        saved = before - z.cost(y)
        tries.append((float(saved.sum()) - looked, (i, j), saved))
    (net, pair, saved), *rest = sorted(tries, key=lambda x: (-x[0], x[1]))
    columns = tuple(int(a) for a in np.argsort(-saved) if saved[a] > EACH)
    close = [p for n, p, _ in rest if n > net - CLEARER]
    by_factor = max(float(before.sum()) - _by_factor(z, k) for k in range(len(z.sample)))
    without = [float((before - z.cost(np.where(np.arange(len(z.sample))[:, None] == k, np.nan, z.y))).sum()) for k in pair]
    one_alone = max(without) > net + looked - EACH
    said = all(z.analytes[a] in DIRTY for a in columns) or any((z.depth == z.depth[k]).sum() > 1 for k in pair)
    if net < LEAST or net - by_factor < CLEARER or len(close) > 1 or len(columns) < (3 if one_alone else 2) or (
            one_alone and said):
        return None
    return _Exchange(pair=pair, other=close[0] if close else (), columns=columns, net=net, one_alone=one_alone)


def _across(zones: Mapping[str, _Zones]) -> list[tuple[Any, ...]]:
    """Bottles of two containers whose exchange puts both in order, as rows of the table: the likeliest pair of all, or none.

    All containers rise, or all fall, analyte by analyte: the others tell which way. Each of the two has to be out of order by
    itself, and plainly more than if a bottle of each were off by one factor.
    """
    tries = [one for p, q in combinations(zones, 2) for one in _between(zones, p, q)]
    if not tries:
        return []
    looked = float(np.log(sum(len(zones[p].sample) * len(zones[q].sample) for p, q in combinations(zones, 2))))
    best, *rest = sorted(tries, key=lambda x: (-x[0].sum(), x[1:]))
    saved, boxes, pair = best
    close = [r for r in rest if r[0].sum() > saved.sum() - CLEARER]
    (one, i), (other, j) = ((zones[box], zones[box].sample.index(code)) for box, code in zip(boxes, pair, strict=True))
    plain = (saved > EACH) & (np.abs(one.y[i] - other.y[j]) > PLAINLY * one.s)
    columns = [int(a) for a in np.argsort(-saved) if plain[a]]
    factors = sum(float(z.cost(z.y).sum()) - min(_by_factor(z, k) for k in range(len(z.sample)))
                  for z in (one, other))
    net = float(saved.sum()) - looked
    if net < LEAST or net - factors < CLEARER or len(close) > 1 or len(columns) < 2 or any(r[1] != boxes for r in close):
        return []
    or_these = " ".join(close[0][2]) if close else ""
    return [(" and ".join(boxes), *pair, or_these, " ".join(one.analytes[a] for a in columns), False, net)]


def _between(zones: Mapping[str, _Zones], p: str, q: str) -> list[tuple[Vector, tuple[str, str], tuple[str, str]]]:
    """What each exchange of a bottle of p with one of q saves by analyte, where it puts both in order; containers; samples."""
    one, other = zones[p], zones[q]
    out: list[tuple[Vector, tuple[str, str], tuple[str, str]]] = []
    both = np.isfinite(one.y).any(axis=0) & np.isfinite(other.y).any(axis=0)
    total = np.sum([z.ways(z.y) for z in zones.values()], axis=0)
    was = (one.ways(one.y), other.ways(other.y))
    for i, j in product(range(len(one.sample)), range(len(other.sample))):
        y, x = one.y.copy(), other.y.copy()
        y[i], x[j] = np.where(both, other.y[j], one.y[i]), np.where(both, one.y[i], other.y[j])
        now = (one.ways(y), other.ways(x))
        after = total - was[0] - was[1] + now[0] + now[1]
        way, a = after.argmin(axis=0), np.arange(len(one.analytes))
        each = [(w - n)[way, a].sum() for w, n in zip(was, now, strict=True)]
        if min(each) > CLEARER:
            out.append((total.min(axis=0) - after.min(axis=0), (p, q), (one.sample[i], other.sample[j])))
    return out


def _by_factor(z: _Zones, k: int) -> float:
    """Cost, with its price, if bottle k were off by one amount in all analytes (a logarithm: by one factor)."""
    between = np.array([quantile(z.y[np.arange(len(z.sample)) != k], q) for q in (0.0, 0.5, 1.0)])
    away = (z.y[k] - between).ravel()
    best = np.inf
    for delta in away[np.isfinite(away)]:
        y = z.y.copy()
        y[k] = z.y[k] - delta
        best = min(best, float(z.cost(y).sum()))
    return best + FREE + float(np.log(len(z.sample)))


def _flag(r: Mapping[Any, Any], names: Mapping[str, str]) -> Flag:
    analytes = listed([names.get(a, a) for a in str(r["analytes"]).split()], 8)
    others = str(r["or_these"]).split()
    or_these = f", or {' and '.join(others)}," if others else ""
    rival = "; rivals: one of them alone off (dirt, another fluid)" if r["one_alone"] else ""
    text = (f"{analytes} go up and down with depth, and would rise or fall evenly from top to bottom if these two bottles"
            f"{or_these} were exchanged: under each other's codes? What settles or creams does not go up and down{rival}; "
            f"to tell: {TELLS['swapped samples']}")
    where = f"samples {r['first']} and {r['second']}{f', or {others[0]} and {others[1]}' if others else ''}"
    s = "s" if " and " in str(r["container"]) else ""
    return Flag(rule="swapped samples", concern=CONCERNS[1], where=f"{where} (container{s} {r['container']})",
                samples=tuple(sorted([str(r["first"]), str(r["second"]), *others])), evidence=text)


__all__ = ["bottles_out_of_order"]
