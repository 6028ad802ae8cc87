"""Carry-over at every position, told by the blanks: a blank that reads one and the same share of the bottle before it.

A dirty tool or bottle leaves the stock's own mixture in a blank; carry-over leaves that of the bottle before it. So a
blank tells them apart wherever its predecessor is another fluid than the stock, as the check fluid is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from studykit.quality.explain import Candidate, Scene
from studykit.quality.flags import listed, shown
from studykit.quality.frame import ROUNDING, Index, Vector, in_units, quantile, rho
from studykit.quality.homes import of_kind

ALIKE = 0.2
"""Shares of several analytes count as one within this much (log; blanks of clean base oil hold a little themselves)."""
EACH = 3.0
"""What one analyte of a blank that agrees is worth, nats (own judgement)."""
ENOUGH = 8.0
"""Nats from which the check fluid alone tells carry-over."""
OFF = 1.25
"""What the middle of the limits may be off, as a factor on the scatter."""
MOST = 0.7
"""A blank that reads more than this share of something is not held against it."""
FACTORS = np.exp(np.linspace(-0.7, 0.7, 141))
"""By what a check fluid that has evaporated, or was diluted, is tried to be off (a half to double)."""
CLEAN = 3.0
"""A blank that reads less than the expected share of the stock by this factor speaks against carry-over (own judgement)."""
LEAST = 0.01
"""A share below this is not looked for."""


def consensus(ratio: Vector) -> tuple[Index, float]:
    """The largest set of ratios that are alike (within ``ALIKE``), and their middle; NaN and zero left out."""
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.log(ratio)
    sets = [np.flatnonzero(np.abs(x - c) < ALIKE) for c in x[np.isfinite(x)]]
    best = max(sets, key=len, default=np.zeros(0, dtype=np.intp))
    return best, float(np.exp(np.median(x[best]))) if best.size else float("nan")


def blank_share(sc: Scene, blank: int, before: int, prior: int | None = None, adds: bool = False) -> tuple[Index, float]:
    """Analytes in which a blank reads one share of the bottle before it, and the share; empty where the stock explains it.

    In three analytes at least, and in more of them than the stock's own mixture would explain. ``prior``: the row
    before that one, of which it holds the same share. ``adds``: the share comes on top of what is read.
    """
    value = in_units(sc.f.relative, sc.y[blank])
    stock = np.array([np.nanmedian(c) if np.isfinite(c).any() else np.nan for c in sc.f.value[sc.f.zone].T])
    which, share = _alike(value, sc.f.raw[before])
    for _ in range(4):
        if prior is not None and which.size:
            which, share = _alike(value, (sc.f.raw[before] - share * sc.f.raw[prior]) / (1.0 if adds else 1 - share))
    told = which.size >= 3 and which.size > _alike(value, stock)[0].size and LEAST - ROUNDING <= share < MOST
    return (which, share) if told else (np.zeros(0, dtype=np.intp), float("nan"))


def _alike(value: Vector, of: Vector) -> tuple[Index, float]:
    with np.errstate(divide="ignore", invalid="ignore"):
        return consensus(np.where((value > 0) & (value < MOST * of), value / of, np.nan))


def fluid_share(sc: Scene, after: Index, before: Index, adds: bool = False) -> tuple[Index, float, float]:
    """Analytes in which the check fluid reads as what it should plus one share of what came before; the share; nats.

    Two bottles of it at least, three analytes, and more of them for it than against; and it saves more than one factor of
    the check fluid does, as it has that evaporated, or was diluted.
    """
    none = np.zeros(0, dtype=np.intp), float("nan"), 0.0
    if of_kind(sc.f, "check fluid")[after].sum() < 2:
        return none
    tries = []
    shares = np.linspace(LEAST, 0.5, 50)
    for share, gain in zip(shares, _fluid_gain(sc, after, before, shares, adds), strict=True):
        good, bad = np.flatnonzero(gain > 1), int((gain < -3).sum())
        if good.size >= 3 and good.size > bad:
            tries.append((good, float(share), float(gain[good].sum())))
    best = max(tries, key=lambda x: x[2], default=none)
    return best if best[2] > ENOUGH and best[2] > _by_one_factor(sc, after) else none


def _by_one_factor(sc: Scene, after: Index) -> float:
    """What it saves at most, nats, that the check fluid reads all analytes off its values by one factor."""
    i = after[of_kind(sc.f, "check fluid")[after]]
    s = np.where(sc.f.relative, sc.m.s[i] * sc.f.reference, sc.m.s[i]) * OFF
    value = in_units(sc.f.relative, sc.y[i])
    off = (value - sc.f.reference) / s
    thinned = (value / FACTORS[:, None, None] - sc.f.reference) / s
    return float(np.nansum(rho(off) - rho(thinned), axis=(1, 2)).max(initial=0.0))


def _fluid_gain(sc: Scene, after: Index, before: Index, shares: Vector, adds: bool) -> Vector:
    """What it saves, by share and analyte, that the check fluid's bottles hold it of what came before (0 without limits)."""
    own = of_kind(sc.f, "check fluid")[after]
    i, j = after[own], before[own]
    s = np.where(sc.f.relative, sc.m.s[i] * sc.f.reference, sc.m.s[i]) * OFF
    value = in_units(sc.f.relative, sc.y[i])
    z, far = (value - sc.f.reference) / s, (sc.f.raw[j] - (0.0 if adds else sc.f.reference)) / s
    saved = rho(z) - rho(z - shares[:, None, None] * far)
    return np.asarray(np.where(np.isfinite(z) & np.isfinite(far), saved, 0.0).sum(axis=1))


def told(sc: Scene, after: Index, before: Index, adds: bool = False) -> tuple[list[int], Index, float, float, str]:
    """What blanks and check fluid of a run say of carry-over.

    Rows of the blanks, columns concerned, share, what it is worth (nats, 0: nothing is said), in words.
    """
    prior = dict(zip(after, before, strict=True))
    codes, kinds = (sc.f.rows[c].to_numpy(object) for c in ("sample", "kind"))
    blanks, shares, columns, words = list[int](), list[float](), set[int](), list[str]()
    for i, j in zip(after[kinds[after] == "blank"], before[kinds[after] == "blank"], strict=True):
        which, share = blank_share(sc, int(i), int(j), prior.get(j), adds)
        if which.size:
            blanks, shares, columns = [*blanks, int(i)], [*shares, share], columns | set(which.tolist())
            words.append(f"blank {codes[i]} reads {shown(100 * share, 2)} % of the {kinds[j]} {codes[j]} right before it, in "
                         f"{listed(sc.f.told(which))} alike")
    which, share, gain = fluid_share(sc, after, before, adds)
    if gain > ENOUGH:
        columns |= set(which.tolist())
        words.append(f"the check fluid reads as if it held {shown(100 * share, 2)} % of what came before it, in "
                     f"{listed(sc.f.told(which))}")
    worth = EACH * len(columns) if blanks else gain if gain > ENOUGH else 0.0
    middle = float(np.median(shares)) if shares else share
    against = set(np.flatnonzero(_fluid_gain(sc, after, before, np.array([middle]), adds)[0] < -3).tolist()) if worth else set()
    return blanks, np.array(sorted(columns - against), dtype=np.intp), middle, worth, "; ".join(words)


def cleared(sc: Scene, run: str, columns: Index, share: float) -> bool:
    """Whether a blank of a run speaks against what its check fluid alone says, in half of these analytes or more.

    Such a blank followed a bottle, and reads far less than that share of the stock.
    """
    stock = quantile(sc.f.value[sc.f.zone], 0.5)
    clean = sc.f.clean.get(run, np.full(stock.size, np.inf))
    return bool((clean[columns] < share * stock[columns] / CLEAN).sum() >= max(1, columns.size / 2))


def joined(sc: Scene, runs: list[Candidate]) -> list[Candidate]:
    """Carry-over of several runs by about one share, as one explanation of them all (none where shares differ)."""
    if len(runs) < 2 or max(c.amount for c in runs) > 1.5 * min(c.amount for c in runs):
        return []
    columns = sorted({a for c in runs for a in c.columns})
    y = sc.y.copy()
    for c in runs:
        y[np.ix_(c.rows, c.columns)] = c.readings
    rows = tuple(r for c in runs for r in c.rows)
    return [replace(runs[0], rows=rows, columns=tuple(columns), readings=y[np.ix_(rows, columns)], place="run all",
                    gain=sum(c.gain for c in runs), amount=float(np.median([c.amount for c in runs])),
                    detail="; ".join(c.detail for c in runs if c.detail))]


__all__ = ["blank_share", "cleared", "consensus", "fluid_share", "joined", "told"]
