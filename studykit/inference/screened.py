"""Words of many studies whose values are known only within bounds, wherever a cheap proof settles them.

The rule is that of ``bounded``: a word stands only where every filling between the bounds gives it. Most studies need no
search for that. Of one pair of depths, d_i between l_i and h_i a container, over all fillings

    mean(d) + t se(d)  <=  mean(h) + t sqrt(sum_i max((l_i - a)^2, (h_i - a)^2) / (n (n - 1)))      for any number a,

since squares about a are at least those about the mean; a difference beyond the margin is shown in every filling where it is
for the least mean with that largest standard error; and any filling at all shows what a word would have to survive. Where none
of these settles a study it is left to ``bounded``. Readings neither lost nor coarsely rounded, no groups.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from studykit.inference.contrasts import Array, Contrasts, p_beyond, pair_rows

UNSETTLED = -1
NEAR = 1e-9
STEPS = 3


def words_between(low: Array, high: Array, edge: float, alpha: float) -> NDArray[np.int8]:
    """0 inconclusive, 1 homogeneous, 2 stratified, or UNSETTLED, (S,).

    low, high (S, n, k): bounds of the cell means on the scale of the margin, none lost; minus infinity for "<" on the log
    scale. ValueError for bounds of other shapes, for fewer than two containers, and for low above high.
    """
    if low.shape != high.shape or low.ndim != 3 or low.shape[1] < 2:
        raise ValueError(f"low and high must be studies x at least 2 containers x depths, but got {low.shape} and {high.shape}")
    if not (low <= high).all():
        raise ValueError("low must not be above high, and no cell may be lost")
    rows = pair_rows(low.shape[2])
    up, down = rows.argmax(axis=1), rows.argmin(axis=1)
    least, most = low[:, :, up] - high[:, :, down], high[:, :, up] - low[:, :, down]
    ends = np.asarray(np.isfinite(least).all(axis=1) & np.isfinite(most).all(axis=1))
    least, most = (np.where(ends[:, None], x, 0.0) for x in (least, most))
    within = _within(least, most, ends, edge, alpha)
    beyond = _beyond(least, most, ends, edge, alpha, low.shape[2])
    out = np.full(len(low), UNSETTLED, dtype=np.int8)
    out[within == 1] = 1
    out[(within == 0) & (beyond == 1)] = 2
    out[(within == 0) & (beyond == 0)] = 0
    return out


def _t(d: Array) -> tuple[Array, Array]:
    """Means over the containers (axis 1) and their standard errors."""
    n, mean = d.shape[1], d.mean(axis=1)
    return mean, np.sqrt(((d - mean[:, None]) ** 2).sum(axis=1) / (n * (n - 1)))


def _widest(least: Array, most: Array) -> Array:
    """A standard error of the mean over the containers (axis 1) that no filling exceeds; where all are known, theirs."""
    n, centre = least.shape[1], ((least + most) / 2).mean(axis=1)[:, None]
    spread = np.maximum((least - centre) ** 2, (most - centre) ** 2).sum(axis=1)
    return np.where((least == most).all(axis=1), _t(most)[1], np.sqrt(spread / (n * (n - 1))))


def _climbed(least: Array, most: Array, c: float, start: Array) -> Array:
    """Fillings by which mean + c se has grown from ``start``: corners, each from the slope at the one before."""
    n, at = least.shape[1], start
    for _ in range(STEPS):
        mean, se = _t(at)
        slope = 1 / n + c * (at - mean[:, None]) / (n * (n - 1) * np.maximum(se, 1e-300))[:, None]
        at = np.where(slope > 0, most, least)
    return np.asarray(at)


def _within(least: Array, most: Array, ends: NDArray[np.bool_], edge: float, alpha: float) -> NDArray[np.int8]:
    """Whether every pair stays within in every filling: 1 proven, 0 some filling does not, UNSETTLED. (S,)."""
    n = least.shape[1]
    c = -float(special.stdtrit(n - 1, alpha))
    sure, against = ends.all(axis=1), ~ends.all(axis=1)
    for lo, hi in ((least, most), (-most, -least)):
        reach = hi.mean(axis=1) + c * _widest(lo, hi)
        sure &= (reach < edge - NEAR * np.abs(edge)).all(axis=1)
        for filling in (hi, _climbed(lo, hi, c, hi)):
            mean, se = _t(filling)
            against |= ((mean + c * se >= edge * (1 + NEAR)) & ends).any(axis=1)
    return np.where(against, 0, np.where(sure, 1, UNSETTLED)).astype(np.int8)


def _beyond(least: Array, most: Array, ends: NDArray[np.bool_], edge: float, alpha: float, k: int) -> NDArray[np.int8]:
    """Whether one pair, on one side, is shown beyond in every filling: 1, 0 where none is, UNSETTLED. (S,)."""
    sign = np.where((least + most).mean(axis=1) > 0, 1.0, -1.0)
    flipped = np.where(sign[:, None] > 0, least, -most), np.where(sign[:, None] > 0, most, -least)
    lo, hi = flipped
    open_ = ends & (lo.mean(axis=1) > edge)
    state = np.where(open_, UNSETTLED, 0)
    some = np.flatnonzero(open_.any(axis=1))
    if len(some):
        lo, hi, n = lo[some], hi[some], lo.shape[1]
        climbed = -_climbed(-hi, -lo, -float(special.stdtrit(n - 1, alpha)), -lo)
        held = np.maximum(_p(*_t(lo), n, edge, k), _p(*_t(climbed), n, edge, k)) >= alpha * (1 + NEAR)
        sure = _p(lo.mean(axis=1), _widest(lo, hi), n, edge, k) < alpha
        settled = np.where(sure, 1, np.where(held | (lo == hi).all(axis=1), 0, UNSETTLED))
        state[some] = np.where(open_[some], settled, state[some])
    return np.where((state == 1).any(axis=1), 1, np.where((state == 0).all(axis=1), 0, UNSETTLED)).astype(np.int8)


def _p(mean: Array, se: Array, n: int, edge: float, k: int) -> Array:
    """The p-value of every pair by itself, as ``contrasts.p_beyond`` charges it, (S, K)."""
    full = np.full(mean.shape, 1 / n)
    return p_beyond(Contrasts(estimate=mean, se=se, df=n * full * (n - 1), unit_variance=full), edge, depths=k)
