"""What the other bottles of a container say for settling, or against it: zones above and below, limits, the heel.

A value that lies between those above and below it, or in a container whose bottles differ among themselves, can be
what the fluid really holds there. Only where bottles above and below agree with each other and not with it does no
fluid read so by itself. A result "below" a limit counts as low as may be, and no higher than its limit.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.quality.frame import NU, Frame, Vector, quantile, rho

AGREE = 1.5
"""Bottles of a container that differ by less than this factor speak against settling (own judgement)."""
SAME = 1e-6
"""Bottles whose heights differ by less (shares of the liquid height) are of one zone."""
FEW = 4
"""So many containers, at least, say what the stock holds (own judgement)."""
AFAR = 3.0
"""A value is beside those above and below it by this factor at least (own judgement)."""


def bounds(f: Frame) -> tuple[Vector, Vector]:
    """Lowest and highest reading that each cell allows (n x A, unit of the analyte); NaN where there is none."""
    below = np.isnan(f.value) & np.isfinite(f.raw)
    return np.where(below, 0.0, f.value), np.where(below, 2 * f.raw, f.value)


def refuted(f: Frame, i: int, a: int) -> bool:
    """Whether a container's other bottles rule out that the fluid itself reads so in row i, analyte a.

    True for the check fluid, which is one fluid. False where there is no bottle above and below, nor another of that zone,
    where the container's other bottles (heel and composites among them) differ by ``AGREE`` and more, and within ``AFAR``.
    """
    box = str(f.rows["container"].iat[i])
    if not box:
        return True
    height = f.rows["height"].where(f.rows["kind"] != "heel", -1.0).to_numpy(float)
    low, high = (b[:, a] for b in bounds(f))
    others = f.rows["container"].eq(box).to_numpy() & np.isfinite(high) & (np.arange(len(high)) != i)
    between = (height[others] > height[i]).any() and (height[others] < height[i]).any()
    between |= (np.abs(height[others] - height[i]) < SAME).any()
    if not between or not low[others].min() > 0 or high[others].max() > AGREE * low[others].min():
        return False
    here = f.value[i, a]
    return bool(here * AFAR < low[others].min() or here > AFAR * high[others].max())


def too_much(f: Frame, i: int, a: int) -> bool:
    """Whether row i, above the lowest zone, holds more of analyte a than any settling could bring there from below.

    All else of the stock reads alike, this one's other bottles among them and ``FEW`` containers in all, and this bottle reads
    as they do in all its other analytes, two at least: a layer would show in more than one.
    """
    box, height = str(f.rows["container"].iat[i]), f.rows["height"].to_numpy(float)
    low, high = bounds(f)
    live = f.zone & np.isfinite(high[:, a]) & (np.arange(len(high)) != i)
    own = live & f.rows["container"].eq(box).to_numpy()
    if not f.zone[i] or not own.any() or height[i] <= height[own].min() + SAME:
        return False
    if f.rows["container"][live & ~own].nunique() < FEW - 1 or not low[live, a].min() > 0:
        return False
    with np.errstate(divide="ignore", invalid="ignore"):
        beside = np.log(f.value[i] / quantile(f.value[own], 0.5))
    beside[a] = np.nan
    as_they = np.isfinite(beside).sum() >= 2 and (np.abs(beside[np.isfinite(beside)]) < np.log(AGREE)).all()
    alike = high[live, a].max() < AGREE * low[live, a].min()
    return bool(as_they and alike and f.value[i, a] > AFAR * high[live, a].max())


def heel_gain(f: Frame, level: Vector, s: Vector, box: int) -> Vector:
    """What it saves, by analyte, that a container's own settling explains its heel (nats); 0 where there is none.

    The heel is held against the level of its container as in the other containers; without three others it says nothing.
    """
    none = np.zeros(len(f.analytes))
    code = {name: k for k, name in enumerate(f.names)}
    at = f.rows["container"].map(code).fillna(-1).to_numpy(int)
    stored = f.rows["kind"].eq("heel") & f.rows["treatment"].isin(["stored", ""])
    heel = np.flatnonzero(stored.to_numpy() & (at >= 0))
    own, others = heel[at[heel] == box], heel[at[heel] != box]
    if own.size == 0 or others.size < 3:
        return none
    far = f.y[others] - level[at[others]]
    usual = quantile(far, 0.5)
    wide = np.maximum(1.4826 * quantile(np.abs(far - usual), 0.5), np.median(s[f.zone], axis=0) * np.sqrt(2))
    z = (f.y[own].mean(axis=0) - level[box] - usual) / wide
    return np.asarray(np.minimum(rho(z), (NU + 1) / 2 * np.log1p(36.0)), dtype=np.float64)


def differs_by_depth(f: Frame, rows: tuple[int, ...], a: int, amount: float) -> bool:
    """Whether the zones of the middle container of these rows differ by ``amount`` (scale of y) or more.

    A zone below a limit differs by any amount. Then the containers' levels can differ by as much, by how far each has settled.
    """
    mine = np.array([i for i in rows if f.zone[i]], dtype=np.intp)
    low, high = (pd.Series(b[mine, a]) for b in bounds(f))
    at = f.at[mine]
    top, bottom = high.groupby(at).max(), low.groupby(at).min()
    with np.errstate(divide="ignore", invalid="ignore"):
        wide = np.log(top / bottom) if f.relative[a] else top - bottom
    return bool(np.nanmedian(wide) >= abs(amount)) if wide.notna().any() else False


__all__ = ["bounds", "differs_by_depth", "heel_gain", "refuted", "too_much"]
