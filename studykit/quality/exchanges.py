"""Rows and columns of a report under each other's names: two analytes exchanged, or each row a place too far.

Two columns exchanged: in a run one analyte reads as the other does elsewhere, check fluid and containers alike; where the check
fluid's values are known, each of its two analytes fits the other's. Rows a place too far: a blank reads as the stock, the check
fluid as a bottle, and each of them as what stands at that place instead.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.quality.elsewhere import Others
from studykit.quality.explain import Candidate, Scene
from studykit.quality.frame import Index, Vector, in_units, quantile, rho, spread
from studykit.quality.homes import of_kind
from studykit.quality.shifts import EITHER, TOLD, costs, means_of_fluid, shift_table

COLUMNS, ROWS = "exchanged columns", "rows shifted"
NO_BLANK = float(np.log(1000.0))
"""A blank of which nothing else is known reads a thousandth of the stock (own judgement)."""
WIDEST = 0.05
"""Known fluids are told apart by no less than this (log)."""
ROW_SAYS = 30.0
"""Nats, at most, that one row says for or against it: a bottle read twice, or a line at the end, may stand right by itself."""
FIT = 2 / 3
"""Share of the known fluids, and of what stands beside them, that must read better as their neighbours."""


def exchanged(sc: Scene, runs: list[tuple[str, Index]]) -> list[Candidate]:
    """Every explanation by columns exchanged, or rows a place too far."""
    told = Expected(sc)
    return [*columns(sc, runs), *(c for run, rows in runs for c in shifted_rows(sc, run, rows, len(runs), told))]


# -- columns -----------------------------------------------------------------------------------------------------


def columns(sc: Scene, runs: list[tuple[str, Index]]) -> Iterator[Candidate]:
    """Two analytes exchanged in one run (of two: the one that the check fluid's values tell), or in all runs."""
    logs = np.flatnonzero(sc.f.relative)
    pairs = [(int(a), int(b)) for a, b in combinations(logs, 2)]
    price = float(np.log(max(2, len(runs) * len(pairs)))) + 1.5
    leans, apart = _leans(sc, runs), _apart(sc, runs) if len(runs) > 1 else {}
    for a, b in pairs:
        by_run = {run: leans[run][a, b] for run, _ in runs}
        own = {run: apart[run][a, b] + by_run[run] for run, _ in runs} if apart else {}
        every = np.concatenate([rows for _, rows in runs]) if runs else np.zeros(0, dtype=np.intp)
        if len(runs) and min(by_run.values()) > TOLD:
            yield _columns(sc, every, a, b, sum(by_run.values()), price, "run all", "")
        yield from _of_runs(sc, runs, a, b, own, by_run, price)


def _of_runs(sc: Scene, runs: list[tuple[str, Index]], a: int, b: int, own: dict[str, float],
             leans: dict[str, float], price: float) -> Iterator[Candidate]:
    """The run that such an exchange would explain best; of two between which no value of the check fluid tells, either."""
    best = sorted(own, key=lambda r: -own[r])
    if not best or own[best[0]] < 3:
        return
    rows = dict(runs)[best[0]]
    either = len(runs) == 2 and abs(leans[best[0]] - leans[best[1]]) < TOLD
    detail = f"{EITHER} {' and '.join(sorted(own))}" if either else ""
    yield _columns(sc, rows, a, b, own[best[0]], price, f"run {best[0]}", detail)


def _columns(sc: Scene, rows: Index, a: int, b: int, gain: float, price: float, place: str, detail: str) -> Candidate:
    return Candidate(cause=COLUMNS, rows=tuple(map(int, rows)), columns=(a, b), readings=sc.y[rows][:, [b, a]], gain=gain,
                     price=price, place=place, detail=detail)


def _leans(sc: Scene, runs: list[tuple[str, Index]]) -> dict[str, Vector]:
    """By run: what it saves that the check fluid reads a as b and b as a, by its values (A x A; 0 where not known)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        should = np.where(sc.f.relative, np.log(sc.f.reference), np.nan)
    out = {}
    for (run, _), mean, var in zip(runs, *means_of_fluid(sc, runs), strict=True):
        se = np.sqrt(np.maximum(np.nan_to_num(sc.f.stated), 0.01) ** 2 + np.where(var < 1e6, var, np.inf))
        k = len(sc.f.analytes)
        other = costs(mean[:, None] - should, np.broadcast_to(se[:, None], (k, k)))
        as_is = other.diagonal()
        known = np.isfinite(mean) & np.isfinite(should)
        saved = as_is[:, None] + as_is[None] - other - other.T
        out[run] = np.where(known[:, None] & known[None], saved, 0.0)
    return out


def _apart(sc: Scene, runs: list[tuple[str, Index]]) -> dict[str, Vector]:
    """By run: what it saves that containers and check fluid read a as b does in the other runs (A x A)."""
    table, out = shift_table(sc, runs), {}
    fluid, every = of_kind(sc.f, "check fluid"), np.unique(np.concatenate([r for _, r in runs]))
    sides = [(gap, se, Others(sc.y, every[own[every]])) for gap, se, own in (
        ("containers", "containers_se", sc.f.zone), ("check_fluid", "check_fluid_se", fluid))]
    by_run = {str(run): t for run, t in table.groupby("run", sort=False)}
    for run, rows in runs:
        t = by_run[run].sort_values("column")
        saved = np.zeros((len(sc.f.analytes),) * 2)
        for gap, se, others in sides:
            level, _ = others.without(rows)
            g, s, usual = (t[c].to_numpy(float) for c in (gap, se, "usual"))
            saved += _saved(g, np.sqrt(s**2 + usual**2), level[None] - level[:, None])
        out[run] = saved
    return out


def _saved(gap: Vector, se: Vector, between: Vector) -> Vector:
    """What it saves that a is off by ``between`` (a, b) and b by (b, a), where both are known and lie apart."""
    k = gap.size
    now, alike = costs(gap, se), (k, k)
    then = costs(np.broadcast_to(gap[:, None], alike), np.broadcast_to(se[:, None], alike), between)
    known = np.isfinite(gap) & (se < 1e6)
    far = np.abs(between) > 3 * np.maximum(se[:, None], se[None])
    return np.where(known[:, None] & known[None] & far, now[:, None] + now[None] - then - then.T, 0.0)


# -- rows --------------------------------------------------------------------------------------------------------


def shifted_rows(sc: Scene, run: str, rows: Index, runs: int, told: Expected | None = None) -> Iterator[Candidate]:
    """From some place on each row of a run carries what was read one place before it, or after it: known fluids tell it."""
    told = told or Expected(sc)
    order = sc.f.rows["order"].to_numpy(float)
    rows = rows[np.isfinite(order[rows])]
    rows = rows[np.argsort(order[rows], kind="stable")]
    if rows.size < 6 or len(set(order[rows])) < rows.size:
        return
    should, known = told.of(run)
    x, s = told.x, told.s
    for step in (-1, 1):
        own, other = (rows[1:], rows[:-1]) if step < 0 else (rows[:-1], rows[1:])
        own, other = (side[np.abs(order[own] - order[other]) == 1] for side in (own, other))
        both = np.isfinite(x[own]) & np.isfinite(should[own]) & np.isfinite(should[other])
        cells = np.where(both, rho((x[own] - should[own]) / s) - rho((x[own] - should[other]) / s), 0.0)
        cells = _sharper(sc, own, other, cells)
        saved = cells.sum(axis=1) * sc.m.share
        held = np.clip(saved, -ROW_SAYS, ROW_SAYS)
        start = int(np.argmax(np.cumsum(held[::-1])[::-1])) if saved.size else 0
        own, other, saved = own[start:], other[start:], held[start:]
        telling = (known[own] | known[other]) & both[start:].any(axis=1)
        gain = float(saved[telling].sum())  # bottles of the stock read alike, or differ by what their containers are
        if telling.sum() < 2 or (saved[telling] > 0).mean() < FIT or gain <= 3:
            continue
        first = float(min(order[own].min(), order[other].min())) if start else 0.0
        of = rows[order[rows] >= first]
        y = np.full((of.size, len(sc.f.analytes)), np.nan)  # nothing else is said of these rows until they stand right
        where = f", from place {first:g} of the run on" if start else ""
        yield Candidate(cause=ROWS, rows=tuple(map(int, of)), columns=tuple(range(y.shape[1])), readings=y, amount=float(step),
                        gain=gain, price=float(np.log(2 * runs * rows.size)) + 2.0, place=f"run {run}",
                        detail=f"one place {'later' if step > 0 else 'earlier'}{where}")


def _sharper(sc: Scene, own: Index, other: Index, cells: Vector) -> Vector:
    """What each cell saves by its neighbour's place: by its own scatter where that tells check fluid and bottle apart sooner.

    A check fluid near to the stock in content is told apart from it by that alone, as the stock's zones lie far apart.
    """
    fluid = of_kind(sc.f, "check fluid")
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(sc.f.relative, np.log(sc.f.reference), sc.f.reference)
    mine, its = (np.where(fluid[i][:, None] & np.isfinite(value), value, sc.m.typical[i]) for i in (own, other))
    saved = rho((sc.y[own] - mine) / sc.m.s[own]) - rho((sc.y[own] - its) / sc.m.s[other])
    beside = (sc.f.zone[own] & fluid[other]) | (fluid[own] & sc.f.zone[other])
    live = np.isfinite(sc.y[own]) & np.isfinite(mine) & np.isfinite(its)
    sharp = np.where(beside[:, None] & live, saved, cells)
    clearer = np.abs(sharp.sum(axis=1)) > np.abs(cells.sum(axis=1))
    return np.asarray(np.where(clearer[:, None], sharp, cells))


def logs(sc: Scene) -> Vector:
    """Logarithms of all readings, limits as half of them; NaN where there is none above zero."""
    now = in_units(sc.f.relative, sc.y)
    x = np.where(np.isfinite(now), now, sc.f.raw)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.log(np.where(x > 0, x, np.nan)))


class Expected:
    """What each row should read (log), by its kind and zone in the other runs and by the check fluid's values.

    x: logarithms of all readings (n x A); s: by what known fluids are told apart (A). Of a run at a time, the middles of
    the others from one sorting.
    """

    def __init__(self, sc: Scene) -> None:
        self.x, self._f, kind = logs(sc), sc.f, sc.f.rows["kind"].to_numpy(object)
        self.s = np.maximum(spread(self.x[sc.f.zone] - quantile(self.x[sc.f.zone], 0.5)), WIDEST)
        self._all = quantile(self.x[sc.f.zone], 0.5)
        self._fluid, self._blank = kind == "check fluid", kind == "blank"
        code, names = pd.factorize(sc.f.rows["run"].to_numpy(object))
        self._rows = {name: np.flatnonzero(code == k) for k, name in enumerate(names)}
        labels = np.unique(sc.f.place[sc.f.zone])
        self._zones = {int(k): Others(self.x, np.flatnonzero(sc.f.zone & (sc.f.place == k))) for k in labels}
        self._stock, self._fluids, self._blanks = (Others(self.x, np.flatnonzero(mask)) for mask in (
            sc.f.zone, self._fluid, self._blank))
        with np.errstate(invalid="ignore", divide="ignore"):
            self._value = np.log(sc.f.reference)
        self._out, self._filled = np.full_like(self.x, np.nan), np.zeros(0, dtype=np.intp)

    def of(self, run: str) -> tuple[Vector, NDArray[np.bool_]]:
        """What the rows of a run should read (NaN in all other rows), and which rows are fluids known beforehand.

        Holds until the next run is asked for: there is one array for all of them.
        """
        rows, out = self._rows.get(run, np.zeros(0, dtype=np.intp)), self._out
        out[self._filled], self._filled = np.nan, rows
        stock, there = self._stock.without(rows)
        stock = stock if there else self._all
        for label, others in self._zones.items():
            level, there = others.without(rows)
            out[rows[self._f.zone[rows] & (self._f.place[rows] == label)]] = level if there else stock
        fluid, blank = rows[self._fluid[rows]], rows[self._blank[rows]]
        mixed = rows[(self._f.at[rows] >= 0) & np.isnan(out[rows]).all(axis=1) & ~self._fluid[rows]]
        out[mixed] = stock  # composites, a remixed control
        out[fluid] = np.where(np.isfinite(self._value), self._value, self._fluids.without(rows)[0])
        clean, _ = self._blanks.without(rows)
        out[blank] = np.where(np.isfinite(clean), clean, stock - NO_BLANK)
        return out, np.asarray(self._fluid | self._blank, dtype=bool)


def expected(sc: Scene, run: str) -> tuple[Vector, NDArray[np.bool_]]:
    """What each row of a run should read (log), and which rows are fluids whose reading is known beforehand."""
    return Expected(sc).of(run)


__all__ = ["COLUMNS", "ROWS", "WIDEST", "Expected", "columns", "exchanged", "expected", "logs", "shifted_rows"]
