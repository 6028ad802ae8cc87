"""Each zone of a container against what the container would hold mixed: what a one-sided margin is about.

A pair of depths has no side: 20 % below seen from one is 25 % above seen from the other. So a margin on one side only is
about every zone against the mean of its own container, weighted by the shares of the zones. Each container gives one such
contrast a zone; they are judged as the differences between depths are, by a t test over the containers' own contrasts,
whatever their scatter. Within: every zone passes its own one-sided test (intersection-union). Beyond: some zone does, the
k zones charged in full (Bonferroni; they are tested on the declared side alone). A container that lost a zone has no known
mean, so it counts in none.

On logs the mean is that of the contents, not of their logarithms: mixing adds amounts. Readings that scatter raise the log
of a mean by half of what they vary within a container, sum(w_i s_i^2) - sum(w_i^2 s_i^2) for independent ones (the second
term of the series of the logarithm), which is sum(w_i Var(contrast_i)) whatever the covariance. So every zone reads too low.
For a margin above that would reassure: there half of that sum, all scatter counted as readings', is added to each zone
(``lift``) where the mean over containers is judged. For a margin below it errs towards beyond, and nothing is added.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.inference.bounded import BoundedVerdict, Linear, largest, limits_of, reason_of, t_of
from studykit.inference.contrasts import Array
from studykit.inference.margin import Margin
from studykit.inference.wide import mean_form

MIXED = "mixed container"


@dataclass(frozen=True, slots=True, kw_only=True)
class Departures:
    """Zones against their mixed containers on the scale of the margin: between ``low`` and ``high`` (n, k), NaN where lost.

    ``outer_low``, ``outer_high``: the same with every number anywhere within its rounding. ``side``: 1 where what lies above
    counts, -1 below. ``noise``: at most so much of the noise of a difference of two zones does one of these carry.
    ``lift``: what the mean over the containers is judged with more, on logs and above only.
    """

    low: Array
    high: Array
    outer_low: Array
    outer_high: Array
    side: int
    noise: float
    lift: float

    @classmethod
    def of(cls, cells: Array, weights: Array, margin: Margin) -> Departures:
        """From the bounds of cell means (4, n, k), inner and outer, and the shares of the zones (n, k)."""
        inner, outer = (departures_between(cells[i], cells[i + 1], weights, margin) for i in (0, 2))
        with np.errstate(invalid="ignore"):
            middle = (inner[0] + inner[1]) / 2
        return cls(low=inner[0], high=inner[1], outer_low=outer[0], outer_high=outer[1], side=margin.side,
                   noise=noise_share((cells[0] + cells[1]) / 2, weights, margin), lift=float(lift_of(middle, weights, margin)))

    @property
    def cells(self) -> Array:
        """The middle of what each can be, and the mixed container at 0 beside them, (n, k + 1); NaN where lost or endless."""
        with np.errstate(invalid="ignore"):
            return beside_mixed((self.low + self.high) / 2)

    @property
    def mean_cells(self) -> Array:
        """The same as the mean over the containers is judged from: with the lift."""
        return beside_mixed((self.cells + self.lift)[:, :-1])

    @property
    def rows(self) -> Array:
        """The contrasts between those columns: each zone minus the mixed container."""
        return mixed_rows(self.low.shape[1])

    def towards(self, differences: Array) -> Array:
        """Differences that lie towards the margin, 0 for those that lie on the other side; NaN stays."""
        return np.asarray(np.maximum(differences, 0.0) if self.side > 0 else np.minimum(differences, 0.0))

    def taken(self, which: NDArray[np.bool_]) -> Departures:
        """Of some of the containers."""
        return Departures(low=self.low[which], high=self.high[which], outer_low=self.outer_low[which],
                          outer_high=self.outer_high[which], side=self.side, noise=self.noise, lift=self.lift)


def beside_mixed(departures: Array) -> Array:
    """Departures (..., k) with the mixed container, 0, as a last column; NaN throughout where one is lost or has no end."""
    whole = np.isfinite(departures).all(axis=-1, keepdims=True)
    return np.concatenate([np.where(whole, departures, np.nan), np.where(whole, 0.0, np.nan)], axis=-1)


def lift_of(departures: Array, weights: Array, margin: Margin) -> Array:
    """What is added to every zone of studies (..., n, k) where the mean is judged: on logs and above, else 0, (...).

    Half of the variances of the zones over the containers, weighted by shares (n, k) or (k,); 0 for fewer than two whole ones.
    """
    whole = np.isfinite(departures).all(axis=-1, keepdims=True)
    n = whole.sum(axis=-2)
    if not margin.log or margin.side < 0:
        return np.zeros(n.shape[:-1])
    w = np.atleast_2d(weights / weights.sum(axis=-1, keepdims=True)).mean(axis=0)
    own = np.where(whole, departures, 0.0)
    off = np.where(whole, own - own.sum(axis=-2, keepdims=True) / np.maximum(n, 1)[..., None, :], 0.0)
    return np.asarray(np.where(n[..., 0] > 1, ((off**2).sum(axis=-2) / np.maximum(n - 1, 1)) @ w / 2, 0.0))


def mixed_rows(k: int) -> Array:
    """Each of k zones minus the mixed container behind them, (k, k + 1)."""
    return np.hstack([np.eye(k), -np.ones((k, 1))])


def equal_shares(n: int, k: int) -> Array:
    """One share for all zones, (n, k)."""
    return np.full((n, k), 1 / k)


def departures_between(low: Array, high: Array, weights: Array, margin: Margin) -> tuple[Array, Array]:
    """Least and most of every zone against its mixed container (..., k), cells anywhere between low and high; NaN where lost.

    Least: this zone at its low end, all others at their high ends. weights (n, k) or (k,): shares of the zones.
    """
    w = weights / weights.sum(axis=-1, keepdims=True)
    with np.errstate(all="ignore"):
        a, b = (np.exp(x) if margin.log else x for x in (low, high))
        ends = [_against(own, _rest(other, w), w, margin.log) for own, other in ((a, b), (b, a))]
    lost = np.isnan(low).any(axis=-1, keepdims=True) | np.isnan(high).any(axis=-1, keepdims=True)
    least, most = (np.where(lost, np.nan, e) for e in ends)
    return least, most


def _rest(values: Array, w: Array) -> Array:
    """What all other zones bring to the mean of a container, by zone."""
    part = w * values
    others = ~np.eye(part.shape[-1], dtype=bool)
    return np.asarray(np.where(others, part[..., None, :], 0.0).sum(axis=-1))


def _against(own: Array, rest: Array, w: Array, log: bool) -> Array:
    if not log:
        return np.asarray((1 - w) * own - rest)
    return np.asarray(np.where(np.isinf(own) & np.isfinite(rest), -np.log(w), np.log(own / (w * own + rest))))


def noise_share(middle: Array, weights: Array, margin: Margin) -> float:
    """Largest standard error of a zone against its mixed container, over that of a difference of two zones; at most 1."""
    with np.errstate(all="ignore"):
        part = weights * np.exp(middle) if margin.log else weights + 0 * middle
        part = part / part.sum(axis=-1, keepdims=True)
        square = ((1 - part) ** 2 - part**2 + (part**2).sum(axis=-1, keepdims=True)) / 2
    known = square[np.isfinite(square)]
    return min(1.0, math.sqrt(float(known.max()))) if known.size else 1.0


def between(low: Array, high: Array, margin: Margin, labels: tuple[str, ...], *, alpha: float, step: float) -> BoundedVerdict:
    """The word that every departure between low and high (n, k) gives, NaN where lost, or inconclusive with the reason.

    step: floor of scatter, as of a difference of two zones. Limits of 1 - 2 alpha, wherever values lie.
    """
    forms, s, edge = _forms(low, high), margin.side, margin.edge
    inside = all(f is not None and _most(f, t_of(f.df, 1 - alpha), step, s, edge) < edge for f in forms)
    outside = any(beyond_between(f, edge, alpha, step, s, len(forms)) for f in forms)
    word = "homogeneous" if inside else "stratified" if outside else "inconclusive"
    spans = [limits_of(f, step, 1 - 2 * alpha) for f in forms]
    bounded, cells = int(np.sum(high > low)), int(np.sum(~np.isnan(low)))
    return BoundedVerdict(word=word, reason=reason_of(word, bounded, cells, "", "zones against their mixed containers"),
                          labels=tuple(f"{z} - {MIXED}" for z in labels), low=tuple(x for x, _ in spans),
                          high=tuple(x for _, x in spans), level=1 - 2 * alpha, contradicted=False, bounded=bounded,
                          cells=cells)


def group_between(low: Array, high: Array, margin: Margin, *, alpha: float, step: float,
                  looked_at: int) -> list[tuple[float, float, bool]]:
    """One group's 1 - 2 alpha limits of every zone, and whether it is shown beyond, in every filling."""
    forms = _forms(low, high)
    return [(*limits_of(f, step, 1 - 2 * alpha),
             beyond_between(f, margin.edge, alpha / looked_at, step, margin.side, len(forms))) for f in forms]


def _forms(low: Array, high: Array) -> list[Linear | None]:
    """The mean over containers of every zone's departure, as a form of what each container's can be."""
    ok = ~np.isnan(low).any(axis=1)
    n = int(ok.sum())
    if n < 2:
        return [None] * low.shape[1]
    form = mean_form(n, n)
    return [Linear(weights=np.full(n, 1 / n), form=form, df=float(n - 1), unit=1 / n, low=low[ok, j], high=high[ok, j])
            for j in range(low.shape[1])]


def _most(f: Linear, c: float, step: float, sign: int, enough: float) -> float:
    return largest(f, c, step * math.sqrt(f.unit / 6.0), float(sign), enough=enough).bound


def beyond_between(f: Linear | None, edge: float, alpha: float, step: float, side: int, zones: int) -> bool:
    """Whether this zone is shown beyond the margin in every filling, ``zones`` charged."""
    return f is not None and _most(f, t_of(f.df, 1 - alpha / zones), step, -side, -edge) < -edge
