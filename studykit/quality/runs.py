"""What the laboratory's order can do to a study: drift, shift and carry-over of a run, and depths read in order.

Each run is looked at by itself, with everything in it that has an expectation: bottles against container and depth,
containers against their kind, the check fluid against itself in other runs. Runs are never outvoted: a run is judged
against what the check fluid and the containers of the other runs read, and where only one of the two moves, that is
said (a spoiled check fluid is not a shifted run).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.quality.explain import FREE, MAINLY, Candidate, Scene, gain_of, scene
from studykit.quality.frame import NU, Frame, Index, Vector, fit, in_units, quantile, rho, summing
from studykit.quality.homes import of_kind
from studykit.quality.memory import cleared, joined, told
from studykit.quality.shifts import cost, shift_table, shifts
from studykit.quality.side_by_side import SHARES, Best, as_blank, best_shares, predecessors, without

ENOUGH = 4.0
"""Nats beyond the price from which an explanation is named: held against clean studies in docs/04-quality.md."""
FURTHER = 1.5
"""Price of a further analyte of a run that drifts or is shifted, nats: its free number; the run is known, and half of the
analytes have it."""
SUPPORT = 6.0
"""Nats that the bottles' own pattern must save before carry-over is told against a clean blank."""
Mask = NDArray[np.bool_]
USUAL_SHARE = 0.05
"""What a bottle keeps of the one before it; that more is left is taken as less likely the more it is (own judgement)."""
PATTERN = 8.0
"""Nats that a run's own pattern must save before a run that reads high is taken for carry-over on top."""
UNREAD = 3.0
"""Nats that an analyte's own pattern must save where the known fluids tell carry-over of others: blanks have no viscosity."""
RICH = 6.0
"""A predecessor counts as far richer by this many standard deviations of a bottle."""


def run_rows(sc: Scene) -> Iterator[tuple[str, Index]]:
    """Each run with its rows of the frame."""
    runs = sc.f.rows["run"].to_numpy(object)
    for run in sorted({r for r in runs if r}):
        yield str(run), np.flatnonzero(runs == run)


def run_candidates(sc: Scene) -> list[Candidate]:
    """Every explanation that concerns a run."""
    runs = list(run_rows(sc))
    out: list[Candidate] = []
    tables = [drift_table(sc, run, rows) for run, rows in runs]
    out += common_drift(sc, runs, tables)
    for (run, rows), table in zip(runs, tables, strict=True):
        own = list(drifts(sc, run, rows, table, len(runs)))
        out += own + drift_of_several(own)
    carry = list(carried(sc, runs))
    out += carry + joined(sc, [c for c in carry if c.detail and c.place.startswith("run ")])
    out += after_rich(sc, runs)
    return out + (shifts(sc, runs) if len(runs) > 1 else [])


# -- drift -------------------------------------------------------------------------------------------------------


def places(order: Vector) -> Vector:
    """Place in a run, -1/2 (first position) to +1/2 (last); NaN stays NaN."""
    low, high = np.nanmin(order), np.nanmax(order)
    return (order - low) / (high - low) - 0.5 if high > low else np.zeros_like(order)


def _softened(sc: Scene, rows: Index, x: Vector, r: Vector) -> tuple[Vector, Vector]:
    """x and r (rows x A) less a share of their container's mean: generalised least squares for containers that vary."""
    boxes, at = np.unique(sc.f.at[rows], return_inverse=True)
    by = summing(np.where(sc.f.at[rows] < 0, -1, at), boxes.size)
    ok = np.isfinite(r).astype(float)
    count = by @ ok
    s, su = quantile(sc.m.s[rows], 0.5), np.where(np.isfinite(sc.m.su), sc.m.su, 1e6)
    own = 1 - np.sqrt(s**2 / (s**2 + np.maximum(count, 1) * su**2))
    fluid = ~np.isin(boxes, sc.f.at[sc.f.zone])
    own[fluid] = 1.0
    mean_x = (by @ (ok * x)) / np.maximum(count, 1)
    mean_r = (by @ np.nan_to_num(r)) / np.maximum(count, 1)
    return x - (own * mean_x)[at], r - (own * mean_r)[at]


def drift_table(sc: Scene, run: str, rows: Index) -> pd.DataFrame:
    """Slope of each analyte over one run (first to last position), its standard error, n, gain in nats."""
    order = sc.f.rows["order"].to_numpy(float)[rows]
    use = rows[(sc.f.at[rows] >= 0) & np.isfinite(order)]
    if use.size < 6:
        return pd.DataFrame(columns=["run", "analyte", "slope", "se", "n", "gain"])
    x = np.tile(places(sc.f.rows["order"].to_numpy(float)[use])[:, None], (1, len(sc.f.analytes)))
    r = sc.m.e[use] + np.nan_to_num(sc.m.u[sc.f.at[use]])
    x = np.where(np.isfinite(r), x, 0.0)
    r = r - np.nan_to_num(quantile(r, 0.5))
    x, r = _softened(sc, use, x, r)
    s = sc.m.s[use]
    slope = np.zeros(x.shape[1])
    live = np.isfinite(r)
    middle, read = np.zeros(x.shape[1]), np.where(live, r, 0.0)
    for _ in range(8):
        w = np.where(live, (NU + 1) / (NU + ((read - slope * x - middle) / s) ** 2), 0.0) / s**2
        total = np.maximum(w.sum(axis=0), 1e-300)
        xc = x - (w * x).sum(axis=0) / total
        slope = (w * xc * read).sum(axis=0) / np.maximum((w * xc**2).sum(axis=0), 1e-300)
        middle = (w * (read - slope * x)).sum(axis=0) / total
    level = (w * read).sum(axis=0) / np.maximum(w.sum(axis=0), 1e-300)
    gain = (np.where(live, rho((r - level) / s) - rho((r - slope * x - middle) / s), 0.0)).sum(axis=0)
    se = 1.1 / np.sqrt(np.maximum((xc**2 / s**2 * live).sum(axis=0), 1e-300))
    return pd.DataFrame({"run": run, "analyte": sc.f.analytes, "slope": slope, "se": se, "n": live.sum(axis=0),
                         "gain": gain})


def common_drift(sc: Scene, runs: list[tuple[str, Index]], tables: list[pd.DataFrame]) -> Iterator[Candidate]:
    """The readings of one analyte creep alike along every run."""
    with_slope = [(rows, t) for (_, rows), t in zip(runs, tables, strict=True) if len(t)]
    if len(with_slope) < 2:
        return
    b, se, gain = (np.array([t[c].to_numpy(float) for _, t in with_slope]) for c in ("slope", "se", "gain"))
    common = (b / se**2).sum(axis=0) / (1 / se**2).sum(axis=0)
    saved = (gain - ((b - common) / se) ** 2 / 2).sum(axis=0)
    saved = np.minimum(saved, ((common / se) ** 2).sum(axis=0) / 2)  # what runs gain by slopes of their own is not its gain
    rows = np.concatenate([r for r, _ in with_slope])
    order = sc.f.rows["order"].to_numpy(float)
    place = np.concatenate([np.nan_to_num(places(order[r])) for r, _ in with_slope])
    for a in np.flatnonzero(saved > 3):
        undone = sc.y[rows, a] - common[a] * place
        yield Candidate(cause="drift", rows=tuple(map(int, rows)), columns=(int(a),), readings=undone[:, None],
                        gain=float(saved[a]), price=float(np.log(saved.size)) + 1.5, place="run all",
                        amount=float(common[a]), detail="all")


def drifts(sc: Scene, run: str, rows: Index, table: pd.DataFrame, runs: int) -> Iterator[Candidate]:
    """The readings of one analyte creep along one run."""
    order = sc.f.rows["order"].to_numpy(float)[rows]
    place = np.nan_to_num(places(order)) if np.isfinite(order).any() else np.zeros(rows.size)
    for a, r in enumerate(table.to_dict("records")):
        if r["gain"] > 3 and abs(r["slope"]) > 3 * r["se"]:
            undone = sc.y[rows, a] - r["slope"] * place
            yield Candidate(cause="drift", rows=tuple(map(int, rows)), columns=(a,), readings=undone[:, None],
                            gain=float(r["gain"]), price=float(np.log(runs * len(table))) + 1.5, place=f"run {run}",
                            amount=float(r["slope"]))


def drift_of_several(own: list[Candidate]) -> list[Candidate]:
    """The drifts of a run that would stand by themselves, and what would stand beside them, as one explanation (or none).

    So that another cause of the whole run, which explains several analytes at once, is held against all of them.
    """
    first = max(own, key=lambda c: c.net, default=None)
    if first is None or first.net < ENOUGH:
        return []
    rest = [replace(c, price=min(c.price, FURTHER)) for c in own if c is not first]
    parts = sorted((first, *(c for c in rest if c.net > ENOUGH)), key=lambda c: c.columns)
    if len(parts) < 2:
        return []
    return [replace(first, columns=tuple(c.columns[0] for c in parts), gain=sum(c.gain for c in parts),
                    price=sum(c.price for c in parts), parts=tuple(parts),
                    readings=np.concatenate([np.asarray(c.readings) for c in parts], axis=1))]


# -- carry-over --------------------------------------------------------------------------------------------------


def carried(sc: Scene, runs: list[tuple[str, Index]]) -> Iterator[Candidate]:
    """Every reading of a run holds a share of the one before, as known fluids or the samples tell; or a single one does."""
    some, pairs = [], []
    for run, rows in runs:
        after, before = predecessors(sc.f, rows)
        keep = sc.f.at[after] >= 0
        if keep.sum() >= 6:
            some.append((run, rows))
            pairs.append((after[keep], before[keep]))
    each = [_one_way(sc, some, len(runs), adds) for adds in (False, True)]
    for (run, rows), (after, before), *found in zip(some, pairs, *each, strict=True):
        ways = [c for c in found if c is not None]
        if len(ways) > 1 and max(c.net for c in ways) > 0:
            now = _level_cost(sc, run, rows, runs)
            ways = sorted((_with_level(sc, run, rows, runs, now, c) for c in ways), key=lambda c: -c.gain)
        yield from ways[:1]
        yield from _single(sc, after, before, len(runs))


def _with_level(sc: Scene, run: str, rows: Index, runs: list[tuple[str, Index]], now: float, c: Candidate) -> Candidate:
    """The candidate with what it saves of the run's level too, where known fluids or the pattern tell it; else what it costs.

    What stands in the place of a bottle's content and what adds to it leave the same pattern and different levels.
    """
    y = sc.y.copy()
    y[np.ix_(c.rows, c.columns)] = c.readings
    saved = now - _level_cost(scene(sc.f, y, fit(sc.f, y)), run, rows, runs)
    return replace(c, gain=c.gain + (saved if c.detail or c.gain > PATTERN else min(0.0, saved)) * sc.m.share)


def _level_cost(sc: Scene, run: str, rows: Index, runs: list[tuple[str, Index]]) -> float:
    """What the level of a run costs, nats: against the reference values of the check fluid, and against other runs."""
    fluid = rows[of_kind(sc.f, "check fluid")[rows]]
    with np.errstate(all="ignore"):
        off = rho((sc.y[fluid] - np.where(sc.f.relative, np.log(sc.f.reference), sc.f.reference)) / sc.m.s[fluid])
    if len(runs) < 2:
        return float(off.sum())
    t = shift_table(sc, runs)
    own = t[t["run"] == run]
    gaps = [cost(g, s, 0.0) for by in ("containers", "check_fluid") for g, s in zip(own[by], own[f"{by}_se"], strict=True)]
    return float(off.sum()) + sum(gaps)


def _one_way(sc: Scene, some: list[tuple[str, Index]], runs: int, adds: bool) -> list[Candidate | None]:
    """Carry-over of each of some whole runs that stands in the place of a bottle's own content, or ``adds`` to it."""
    heard = [told(sc, *predecessors(sc.f, rows), adds) for _, rows in some]
    known = np.array([share if worth else np.nan for _, _, share, worth, _ in heard])
    best = best_shares(sc, [rows for _, rows in some], known, adds)
    return [_of_run(sc, run, rows, runs, adds, h, b) for (run, rows), h, b in zip(some, heard, best, strict=True)]


def _of_run(sc: Scene, run: str, rows: Index, runs: int, adds: bool, heard: tuple[list[int], Index, float, float, str],
            best: Best) -> Candidate | None:
    """Carry-over of a whole run. ``heard``: what its known fluids say (``told``); ``best``: the share that saves most.

    What adds to a check fluid reads as a shifted run does: where no blank tells it, the run's own pattern has to.
    """
    blanks, columns, _, worth, words = heard
    gain, share, *local = best
    after, before = predecessors(sc.f, rows)
    keep = sc.f.at[after] >= 0
    after, before = after[keep], before[keep]
    y, raw = sc.y.copy(), sc.f.raw.copy()
    y[rows], raw[rows] = local
    if worth and not blanks and cleared(sc, run, columns, share) and float(_refitted(sc, rows, y)[columns].sum()) < SUPPORT:
        return None
    y[blanks] = np.nan
    y[after] = np.where(np.isfinite(raw[before]), y[after], np.nan)  # what came before was not read: nothing can be said
    columns = np.union1d(columns, np.flatnonzero(gain > UNREAD)) if worth else np.arange(gain.size)
    if adds and worth and not blanks and gain.sum() < PATTERN:
        return None
    saved = worth + float(gain[columns].clip(0.0).sum()) if worth else float(gain.sum())
    if not (saved > 3 and (worth or (gain > 0).sum() >= 2)):
        return None
    return Candidate(cause="carry-over", rows=tuple(map(int, rows)), columns=tuple(map(int, columns)),
                     readings=y[np.ix_(rows, columns)], gain=saved, price=float(np.log(runs)) + FREE, place=f"run {run}",
                     amount=share, detail=words)


def _refitted(sc: Scene, rows: Index, y: Vector) -> Vector:
    """What it saves, by analyte, in these rows that the readings are y, the model fitted anew: rates, profile and levels.

    In a stock that has settled these take up much of what a run's carry-over does.
    """
    own = rows[sc.f.at[rows] >= 0]
    then = fit(sc.f, y).e[own] / sc.m.s[own]
    return np.asarray((rho(sc.m.z[own]) - rho(then)).sum(axis=0) * sc.m.share)


def after_rich(sc: Scene, runs: list[tuple[str, Index]]) -> Iterator[Candidate]:
    """One analyte of a bottle reads high right after one that was far richer in it."""
    pairs = [predecessors(sc.f, rows) for _, rows in runs]
    after, before = (np.concatenate([p[k] for p in pairs]) if pairs else np.zeros(0, int) for k in (0, 1))
    own = in_units(sc.f.relative, sc.m.typical[after])
    excess = sc.f.raw[before] - own
    per = np.where(sc.f.relative, own, 1.0)
    rich = (excess / per > RICH * sc.m.s[after]) & (sc.f.at[after] >= 0)[:, None] & np.isfinite(sc.m.e[after])
    for k, a in zip(*np.nonzero(rich & (sc.m.z[after] > 4)), strict=True):
        i, j = int(after[k]), int(before[k])
        value = sc.f.value[i, a]
        share = float((value - own[k, a]) / excess[k, a])
        if 0 < share < 0.6:
            yield Candidate(cause="carry-over", rows=(i,), columns=(int(a),), readings=sc.m.typical[[i]][:, [a]],
                            gain=float(rho(sc.m.z[[i], [a]])[0]) * sc.m.share,
                            price=float(np.log(rich.sum()) + max(0.0, np.log(share / USUAL_SHARE))),
                            place="bottle", amount=share, detail=str(sc.f.rows["sample"].iloc[j]))


def _single(sc: Scene, after: Index, before: Index, runs: int) -> Iterator[Candidate]:
    """The bottles of a run that fit worst, as if each held a share of the one before it, of a blank first of all."""
    misfit = rho(sc.m.z[after]).sum(axis=1) * sc.m.share
    blank = of_kind(sc.f, "blank")
    n, few = (sc.f.at >= 0).sum(), 2 * runs * blank[before].sum()  # after a blank it is looked for in two ways
    for k in np.argsort(-misfit)[:4]:
        if misfit[k] < 4:
            return
        i, j = int(after[k]), int(before[k])
        ways = (sc.f.raw, as_blank(sc.f)) if blank[j] else (sc.f.raw,)
        gain, share, y = max((_held(sc, i, j, q, raw) for raw in ways for q in SHARES), key=lambda x: float(x[0].sum()))
        order = np.argsort(-gain)
        most = 1 + int(np.searchsorted(np.cumsum(gain[order]), MAINLY * gain.sum()))
        if (np.nan_to_num(np.abs(y - sc.y[i]) / sc.m.s[i]) > 2).sum() >= 2:
            yield Candidate(cause="carry-over", rows=(i,), columns=tuple(range(gain.size)), readings=y[None],
                            gain=float(gain.sum()), price=float(np.log(max(2, few if blank[j] else n))) + FREE, amount=share,
                            place="bottle", detail=str(sc.f.rows["sample"].iloc[j]), bears=tuple(map(int, order[:most])))


def _held(sc: Scene, i: int, j: int, share: float, raw: Vector) -> tuple[Vector, float, Vector]:
    """What it saves, by analyte, that bottle i holds a share of what bottle j read (``raw``); the share; i without it."""
    rows = sc.rows_of(sc.f.at[i]) if sc.f.zone[i] else np.array([i])
    y = without(sc, np.array([i]), np.array([j]), share, raw)[0]
    read = sc.y[rows].copy()
    read[rows == i] = y
    return gain_of(sc, rows, read), share, y


def after_blanks(f: Frame, rows: Sequence[int]) -> Index:
    """Rows of bottles that were read right after a blank, among these rows of runs."""
    own, runs = np.array(rows, dtype=np.intp), f.rows["run"].to_numpy(object)
    pairs = [predecessors(f, np.flatnonzero(runs == run)) for run in sorted(set(runs[own]))]
    blank = of_kind(f, "blank")
    found = np.concatenate([after[blank[before] & ~blank[after]] for after, before in pairs])
    return np.asarray(found, dtype=np.intp)


def uncarried(f: Frame, found: Iterable[Candidate], t: pd.DataFrame) -> pd.DataFrame:
    """The working table without what the found carry-over of whole runs has left in each reading (heels too).

    What a blank has no number of counts as not in it.
    """
    times = np.ones_like(f.y)
    raw = as_blank(f)
    for c in found:
        if c.cause == "carry-over" and c.place.startswith("run "):
            for run in sorted(set(f.rows["run"].iloc[list(c.rows)])):
                after, before = predecessors(f, np.flatnonzero(f.rows["run"].eq(run).to_numpy()))
                with np.errstate(all="ignore"):
                    clean = (f.raw[after] - c.amount * raw[before]) / (1 - c.amount) / f.raw[after]
                times[after] = np.where(np.isfinite(clean) & (clean > 0), clean, 1.0)
    if (times == 1.0).all():
        return t
    key = pd.MultiIndex.from_arrays([f.rows["sample"].astype(str), f.rows["run"].astype(str)])
    row = key.get_indexer(pd.MultiIndex.from_arrays([t["sample"].astype(str), t["run"].astype(str)]))
    column = pd.Index(f.analytes).get_indexer(pd.Index(t["analyte"]))
    by = np.where((row >= 0) & (column >= 0), times[row, column], 1.0)  # what the frame does not hold stays as it was read
    return t.assign(value=t["value"] * by, y=np.where(t["relative"], t["y"] + np.log(by), t["y"] * by))
