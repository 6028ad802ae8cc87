"""Competing explanations of what departs: each says what the readings would have been, and what that would save.

An explanation changes the readings of some cells (or sets them aside as real). Its *gain* is how much less the
departures then cost (``frame.rho``, in nats, the level of the container fitted anew); its *price* is the logarithm
of the number of places at which it was looked for, plus what its free numbers cost. Explanations of one and the same
departure are thereby comparable, whether they have no free number (two bottles exchanged) or many (a container
that has really settled by itself).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from studykit.core.ties import sort_key
from studykit.quality.frame import NU, Fit, Frame, Index, Vector, rho, summing
from studykit.quality.profiles import heel_gain, refuted, too_much

FREE = 3.5
"""Price of a free number, nats: ln(range searched / precision found), about ln(30)."""
RATES = np.array([-2.5, -1.5, -0.75, 0.0, 0.75, 1.5, 2.5])
"""Rates tried for a container, in standard deviations of the containers' rates (log)."""
ALONE = 3.0
"""Price of real settling in one analyte, or in each of two, that the stock shows in others only."""
LAYER = 3.0
"""Price of a power of ten in a value that the fluid itself could have there."""
FAR = -2.0
"""Price of several powers of ten: no fluid gives them, and the reading that they leave fits by itself."""
SCATTERED = 3.0
"""Analytes whose squares about one factor are larger on average (in variances) are off by amounts of their own."""
STEEPEST = 500.0
"""Zones of one container differ by this factor at most where it has settled by itself (own judgement)."""
ALIKE = 3.5
"""Analytes of a container count as off by one factor within so many standard deviations of it."""
SHOWN = 0.05
"""The stock has a profile that tells what settles where an analyte of it differs by so much between depths (log)."""
WILDLY = 8.0
"""Standard deviations from which a reading is looked at for more than any settling could bring."""
MAINLY = 0.85
"""Share of the gain that the analytes must give on which an explanation is said to rest."""
SLIPS = tuple(float(k * np.log(10.0)) for k in (-6, -4, -3, -2, -1, 1, 2, 3, 4, 6))


DIRT = "dirt in the bottle"
DIRTY = ("Si", "Al", "Fe", "silicon", "aluminium", "iron")
"""What dust, sand and rust bring into a bottle (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One explanation: cause, the rows and columns it concerns, the readings it puts there (NaN: set aside), gain, price.

    amount: the free number in words-ready form (a factor, a share), NaN where there is none. bears: the columns that
    nearly all of the gain comes from, where these are known and fewer than all. parts: what it is made of, if of several.
    """

    cause: str
    rows: tuple[int, ...]
    columns: tuple[int, ...]
    readings: Vector
    gain: float
    price: float
    place: str
    amount: float = float("nan")
    detail: str = ""
    rivals: tuple[tuple[str, str, float], ...] = field(default=())
    bears: tuple[int, ...] = ()
    parts: tuple[Candidate, ...] = ()

    @property
    def net(self) -> float:
        """Gain less price, in nats."""
        return self.gain - self.price


def _centre(r: Vector, s: Vector) -> Vector:
    """The level of each column of one container's rows, fitted anew (r: rows x A, s alike)."""
    live = np.isfinite(r)
    r = np.where(live, r, 0.0)
    tries = (NU + 1) / 2 * (np.log1p(((r[None] - r[:, None]) / s[None]) ** 2 / NU) * live[None]).sum(axis=1)
    tries[~live] = np.inf
    c = r[np.argmin(tries, axis=0), np.arange(r.shape[1])]
    for _ in range(5):
        w = live / (NU + ((r - c) / s) ** 2) / s**2
        c = (w * r).sum(axis=0) / np.maximum(w.sum(axis=0), 1e-300)
    return np.asarray(c)


def _centre_loss(r: Vector, s: Vector) -> Vector:
    """Cost of each column of one container's rows, its level fitted anew (r: rows x A, s alike)."""
    return np.asarray(rho((r - _centre(r, s)) / s).sum(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A frame, its present readings and fit, and the misfit of each bottle and container."""

    f: Frame
    y: Vector
    m: Fit
    live: Vector  # n x A, False where a cell was set aside
    known: dict[bytes, Vector] = field(default_factory=dict, compare=False)  # what rows cost as read, by their positions
    worked: dict[Any, Any] = field(default_factory=dict, compare=False)  # what was worked out once, by its name

    @property
    def zones(self) -> Vector:
        """Departures from depth alone: readings less profile (own rate), container's level still in."""
        level = np.nan_to_num(self.m.level[self.f.at])
        return np.where(np.isfinite(self.y), self.m.e + level, np.nan)

    def rows_of(self, box: int) -> Index:
        """The zone rows of a container."""
        return np.flatnonzero((self.f.at == box) & self.f.zone)

    @property
    def boxes(self) -> list[Index]:
        """The zone rows of each container that has any, in the order of their codes."""
        rows = np.flatnonzero(self.f.zone)
        rows = rows[np.argsort(self.f.at[rows], kind="stable")]
        return np.split(rows, np.flatnonzero(np.diff(self.f.at[rows])) + 1) if rows.size else []

    def loss(self, rows: Index, y: Vector) -> Vector:
        """Cost of each column if these rows of one container read y (rows x A), level and own rate fitted anew."""
        offset = self.m.typical[rows] - np.nan_to_num(self.m.level[self.f.at[rows]])
        rate, sd = float(self.m.rate[self.f.at[rows[0]]]), self.m.rate_spread
        live = np.where(np.isfinite(self.y[rows]), y, np.nan)
        if sd < 0.05:
            return _centre_loss(live - offset, self.m.s[rows]) * self.m.share
        shape = self.shape(rows)
        rates = np.array([rate, *np.exp(sd * RATES)])
        tries = (live - offset)[:, None, :] - (rates - rate)[:, None] * shape[:, None, :]
        n, _, k = tries.shape
        cost = _centre_loss(tries.reshape(n, -1), np.tile(self.m.s[rows], rates.size)).reshape(-1, k) * self.m.share
        cost += ((np.log(rates) / sd) ** 2 / 2 / k)[:, None]
        return np.asarray(cost[np.argmin(cost.sum(axis=1))])

    def shape(self, rows: Index) -> Vector:
        """The stock's profile in these rows, less its mean over the depths."""
        depths = np.unique(self.f.place[self.f.zone])
        return np.asarray(self.m.profile[self.f.place[rows]] - self.m.profile[depths].mean(axis=0))

    def gain(self, rows: Index, y: Vector) -> Vector:
        """What reading y in these rows of one container would save, by column."""
        key = rows.tobytes()
        if key not in self.known:
            self.known[key] = self.loss(rows, self.y[rows])
        return self.known[key] - self.loss(rows, y)

    def level_gain(self, rows: Index, y: Vector) -> Vector:
        """What it would save, by column, that the level of their container moves with these readings."""
        now, then = self.m.u[self.f.at[rows[0]]] / self.m.su, self.level_after(rows, y)
        return np.asarray(np.where(np.isfinite(then), rho(now) - rho(then), 0.0) * self.m.share_u)

    def level_after(self, rows: Index, y: Vector) -> Vector:
        """How far the level of their container would then be off from those of its kind, in standard deviations."""
        box = self.f.at[rows[0]]
        live = np.where(np.isfinite(self.y[rows]), y, np.nan)
        moved = _centre(live - self.m.typical[rows] + self.m.level[box], self.m.s[rows]) - self.m.level[box]
        return np.asarray((self.m.u[box] + moved) / self.m.su)

    @property
    def apart(self) -> Vector:
        """Departure of each cell from what the container's other bottles lead one to expect (n x A).

        Of two bottles the level lies half-way, so that each is off by the half: here each is held against the other one.
        """
        if "apart" not in self.worked:
            pair, e = self.pairs, np.nan_to_num(self.m.e)
            both = summing(np.where(self.f.zone, self.f.at, -1), len(self.f.names)) @ np.where(pair, e, 0.0)
            self.worked["apart"] = np.where(pair, 2 * self.m.e - both[self.f.at], self.m.e)
        return np.asarray(self.worked["apart"], dtype=np.float64)

    @property
    def pairs(self) -> NDArray[np.bool_]:
        """Cells of containers of whose zones two bottles, and no more, have a number (n x A)."""
        if "pairs" not in self.worked:
            live = np.isfinite(self.m.e) & self.f.zone[:, None]
            count = summing(np.where(self.f.zone, self.f.at, -1), len(self.f.names)) @ live.astype(float)
            self.worked["pairs"] = live & (np.round(count[self.f.at]) == 2)
        return np.asarray(self.worked["pairs"], dtype=np.bool_)


def scene(f: Frame, y: Vector, m: Fit) -> Scene:
    """The scene of a fit."""
    return Scene(f=f, y=y, m=m, live=np.isfinite(y))


def of_rows(sc: Scene, rows: Index) -> Scene:
    """The scene of these rows alone, containers by new codes: what one run is tried for costs no more in a study of many."""
    f, m = sc.f, sc.m
    boxes, at = np.unique(f.at[rows], return_inverse=True)
    at = np.where(f.at[rows] < 0, -1, at - int(boxes[0] < 0))
    near = replace(f, rows=f.rows.iloc[rows], y=f.y[rows], value=f.value[rows], raw=f.raw[rows], at=at, place=f.place[rows],
                   zone=f.zone[rows], names=tuple(f.names[b] for b in boxes if b >= 0))
    return scene(near, sc.y[rows], replace(m, e=m.e[rows], s=m.s[rows], typical=m.typical[rows]))


# -- cells and bottles -------------------------------------------------------------------------------------------


def cells(sc: Scene, top: int = 24) -> Iterator[Candidate]:
    """One value alone: a power of ten, digits changed places, or just far off."""
    z = np.where(sc.f.at[:, None] >= 0, np.abs(np.nan_to_num(sc.m.z)), 0.0)
    flat = np.argsort(-sort_key(z), axis=None, kind="stable")[:top]
    size = float(np.isfinite(sc.m.z).sum())
    for i, a in zip(*np.unravel_index(flat, z.shape), strict=True):
        if z[i, a] < 4.5:
            return
        rows = sc.rows_of(sc.f.at[i]) if sc.f.zone[i] else np.array([i])
        where = int(np.flatnonzero(rows == i)[0])
        yield from _cell(sc, int(i), int(a), rows, where, float(np.log(size)))


def _cell(sc: Scene, i: int, a: int, rows: Index, where: int, looked: float) -> Iterator[Candidate]:
    def candidate(cause: str, reading: float, price: float, amount: float, detail: str = "") -> Candidate:
        y = sc.y[rows].copy()
        y[where, a] = reading
        return Candidate(cause=cause, rows=(i,), columns=(a,), readings=np.array([[reading]]), price=looked + price,
                         gain=float(gain_of(sc, rows, y)[a]), place="cell", amount=amount, detail=detail)

    slip, free = -2.0 if refuted(sc.f, i, a) or too_much(sc.f, i, a) else LAYER, 1.5
    expected = float(sc.y[i, a] - sc.apart[i, a])  # of two bottles a low one alone may be a clear layer
    usual = expected if sc.apart[i, a] > 0 else float(sc.m.typical[i, a])
    for step in SLIPS:
        with np.errstate(all="ignore"):
            moved = float(sc.f.times(sc.y[i], np.exp(-step))[a])
        if abs(moved - expected) < max(6 * sc.m.s[i, a], 0.05) and abs(sc.m.z[i, a]) > 8:
            free = FREE + LAYER
            yield candidate("unit slip", moved, slip if abs(step) < 3.0 else min(slip, FAR), float(np.exp(step)))
    by_digits = False
    for text, value in transpositions(sc.f.value[i, a]):
        reading = float(np.log(value)) if sc.f.relative[a] else value
        by_digits |= abs(reading - expected) < sc.m.s[i, a]
        yield candidate("transposed digits", reading, 0.0, value, text)
    yield candidate("value alone", usual, free, float(sc.f.value[i, a]))
    if sc.f.analytes[a] in DIRTY and sc.m.z[i, a] > 0 and sc.f.zone[i]:
        of_dirt = float(np.log(max(2, np.isfinite(sc.m.z[sc.f.zone][:, [k in DIRTY for k in sc.f.analytes]]).sum())))
        amount = FREE if by_digits else free  # that two digits exchanged bring it back by chance is seldom
        yield candidate(DIRT, usual, of_dirt - looked + amount, float(sc.f.value[i, a]))


def gain_of(sc: Scene, rows: Index, y: Vector) -> Vector:
    """What reading y in these rows would save, by column, in nats (rows x A); rows of one container or of none.

    Of two bottles alone it counts too whether their container then reads as the others do: that tells which of them is off.
    """
    if sc.f.zone[rows].all():
        return np.asarray(sc.gain(rows, y) + np.where(sc.pairs[rows].any(axis=0), sc.level_gain(rows, y), 0.0))
    s, typical = sc.m.s[rows], sc.m.typical[rows]
    return np.asarray((rho((sc.y[rows] - typical) / s) - rho((y - typical) / s)).sum(axis=0) * sc.m.share)


def moved(sc: Scene, rows: Index, y: Vector) -> Vector:
    """What it costs, by column, that these readings take a container's level away from those of its kind.

    Of two zones the level lies where most bottles are; there it costs as much where they leave it plainly off.
    """
    lost = np.maximum(-sc.level_gain(rows, y), 0.0)
    if np.unique(sc.f.place[rows]).size > 2:
        return lost
    off = np.nan_to_num(sc.level_after(rows, y))
    return np.asarray(np.maximum(lost, np.where(np.abs(off) > ALIKE, rho(off), 0.0) * sc.m.share_u))


def transpositions(value: float) -> Iterator[tuple[str, float]]:
    """The numbers from which exchanging two neighbouring digits makes this one: as written, and their value."""
    if not np.isfinite(value) or value <= 0:
        return
    text = f"{value:.10g}"
    at = [k for k, ch in enumerate(text) if ch.isdigit()]
    for one, other in pairwise(at):
        if text[one] != text[other]:
            new = list(text)
            new[one], new[other] = new[other], new[one]
            if float("".join(new)) > 0 and (new[0] != "0" or new[1] == "."):
                yield "".join(new), float("".join(new))


def misfit(sc: Scene) -> Vector:
    """What each bottle of a zone costs as it is read, in nats; -1 for other rows."""
    return np.where(sc.f.zone, rho(sc.m.z).sum(axis=1), -1.0) * sc.m.share


# -- a container's zones -----------------------------------------------------------------------------------------


def own_settling(sc: Scene, boxes: list[int]) -> Iterator[Candidate]:
    """A container whose zones rise, or fall, from top to bottom by its own amounts: it has settled, or creamed."""
    looked = float(np.log(max(2, len(sc.f.names))))
    for box in boxes:
        rows = sc.rows_of(box)
        height = sc.f.rows["height"].to_numpy(float)[rows]
        if np.unique(height).size < 2:
            continue
        before = sc.loss(rows, sc.y[rows])
        order = np.argsort(-sort_key(height), kind="stable")
        off = np.log1p(np.abs(np.nan_to_num(sc.m.z[rows]))).sum(axis=0)
        line = [monotone_loss(sc, rows[order], height[order], a) for a in range(len(sc.f.analytes))]
        deep = heel_gain(sc.f, sc.m.level, sc.m.s, box) * sc.m.share
        saved = before - np.array(line) - off * sc.m.share + deep
        with np.errstate(invalid="ignore"):
            steep = np.where(sc.f.relative, np.nanmax(sc.y[rows], axis=0, initial=-np.inf) - np.nanmin(
                sc.y[rows], axis=0, initial=np.inf), 0.0) > np.log(STEEPEST)
        used = [int(a) for a in np.flatnonzero((saved > 0.5) & (before > deep) & ~steep)
                if not _one_is_too_much(sc, rows, int(a))]
        if used:
            gain = float(saved[used].sum())
            keep = np.full((rows.size, len(used)), np.nan)
            alone = ALONE * sum(not settles(sc, a) for a in used) if len(used) <= 2 else 0.0
            yield Candidate(cause="own settling", rows=tuple(map(int, rows)), columns=tuple(used), readings=keep,
                            gain=gain, price=looked + 1.0 + alone, place="container")


def _one_is_too_much(sc: Scene, rows: Index, a: int) -> bool:
    """Whether one of these bottles holds what no settling could bring to its zone (``too_much``)."""
    return any(too_much(sc.f, int(i), a) for i in rows[np.abs(np.nan_to_num(sc.m.z[rows, a])) > WILDLY])


def settles(sc: Scene, a: int, least: float = 0.0) -> bool:
    """Whether this analyte has a profile in the stock, of ``least`` (log) and of a third of the strongest one at least."""
    depths = np.unique(sc.f.place[sc.f.zone])
    size = np.ptp(sc.m.profile[depths], axis=0) / np.where(sc.f.relative, 1.0, np.nan)
    return bool(np.nan_to_num(size[a]) >= max(least, 0.34 * np.nanmax(size, initial=1e-9)))


def monotone_loss(sc: Scene, rows: Index, height: Vector, a: int) -> float:
    """Cost of the best monotone profile of one analyte in rows from the surface down."""
    y, s = sc.y[rows, a], sc.m.s[rows, a]
    ok = np.isfinite(y) & np.isfinite(s)  # an analyte that reads alike everywhere has no scale to be judged by
    if ok.sum() < 2:
        return 0.0
    depth = -height[ok]
    _zones, code = np.unique(depth, return_inverse=True)
    w = np.bincount(code, 1 / s[ok] ** 2)
    mean = np.bincount(code, y[ok] / s[ok] ** 2) / w
    best = np.inf
    for sign in (1.0, -1.0):
        line = isotonic_regression(mean, weights=w, increasing=sign > 0).x
        best = min(best, float(rho((y[ok] - line[code]) / s[ok]).sum()))
    return best * sc.m.share


def zones_of(sc: Scene, boxes: list[int]) -> Iterator[Candidate]:
    """A container whose profile is flat where the others have one, or whose lowest zone alone is rich."""
    looked = float(np.log(max(2, len(sc.f.names))))
    depths = np.unique(sc.f.place[sc.f.zone])
    centre = sc.m.profile[depths].mean(axis=0)
    for box in boxes:
        rows = sc.rows_of(box)
        if np.unique(sc.f.place[rows]).size < 2:
            continue
        shape = sc.m.profile[sc.f.place[rows]] - centre
        y = sc.y[rows] + sc.m.rate[box] * shape
        y = y - _by_mixing(sc, rows, y)
        yield Candidate(cause="disturbed container", rows=tuple(map(int, rows)), gain=float(sc.gain(rows, y).sum()),
                        columns=tuple(range(y.shape[1])), readings=y, price=looked + 1.5, place="container")
        yield from _heel(sc, rows, looked)


def _by_mixing(sc: Scene, rows: Index, y: Vector) -> Vector:
    """By how much a container with these readings is too high, by column, because it was mixed: no more than that can do.

    The logarithm of the mean of zones lies above the mean of their logarithms, the more so the further they had settled.
    """
    depths = np.unique(sc.f.place[sc.f.zone])
    shape = sc.m.profile[depths] - sc.m.profile[depths].mean(axis=0)
    mean = np.exp(np.where(sc.f.relative, np.exp(sc.m.rate_spread) * shape, 0.0)).mean(axis=0)
    su = np.where(np.isfinite(sc.m.su), sc.m.su, 0.0)
    return np.asarray(np.clip(np.nan_to_num(sc.level_after(rows, y) * su), 0.0, np.log(mean)))


def _heel(sc: Scene, rows: Index, looked: float) -> Iterator[Candidate]:
    """The lowest draw alone is rich, each analyte by its own amount."""
    height = sc.f.rows["height"].to_numpy(float)[rows]
    low = np.flatnonzero(height == height.min())
    i = int(low[np.argmax(np.nansum(sc.m.z[rows[low]], axis=1))])
    y = sc.y[rows].copy()
    y[i] = sc.y[rows[i]] - sc.apart[rows[i]]
    two = np.unique(sc.f.place[rows]).size == 2
    level = np.where(sc.pairs[rows].any(axis=0), 0.0, moved(sc, rows, y) if two else 0.0)
    gain = gain_of(sc, rows, y) - level - np.log1p(np.abs(np.nan_to_num(sc.m.z[rows[i]]))) * sc.m.share
    rich = (sc.m.z[rows[i]] > 0) & (gain > 0.8)
    if rich.any():
        columns = np.flatnonzero(rich)
        alone = ALONE if columns.size == 1 and not settles(sc, int(columns[0]), SHOWN) else 0.0
        yield Candidate(cause="heel in the zone", rows=(int(rows[i]),), columns=tuple(map(int, columns)),
                        readings=y[[i]][:, columns], gain=float(gain[rich].sum()),
                        price=looked + 1.0 + alone, place="bottle")


def worst_boxes(sc: Scene, top: int = 8) -> list[int]:
    """The containers whose zones fit worst."""
    total = summing(np.where(sc.f.zone, sc.f.at, -1), len(sc.f.names)) @ np.maximum(misfit(sc), 0.0)
    return [int(b) for b in np.argsort(-sort_key(total), kind="stable")[:top] if total[b] > 4]
