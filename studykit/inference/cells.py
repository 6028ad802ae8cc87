"""Container by depth cells on the scale of a margin, with what they can be: limits, rounding, noise of determinations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from studykit.inference.bounded import rounding_step
from studykit.inference.contrasts import Array, cell_means
from studykit.inference.departures import MIXED, Departures, equal_shares
from studykit.inference.margin import Margin

Codes = NDArray[np.intp]
MOST_CORNERS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CellBounds:
    """Container by depth cell means of one analyte on the scale of its margin, with what they can be.

    ``low``, ``high`` (n, k): equal where every determination is a number, apart where one is a limit, NaN where lost.
    ``outer_low``, ``outer_high``: the same with every number anywhere within its rounding. ``exact`` (n,): containers
    without a limit. ``step``: rounding step of a cell mean as a floor of scatter. ``groups`` (n, q) dummy columns or
    None. ``noise_se``: standard error of one container's difference from determinations alone; None where no
    cell was determined twice. ``noise_span``: the least and the most that it would be for some filling of the limits;
    ``noise_others`` (n,): the most, were the limits of that container alike. ``held``, ``numbers`` (n, k): determinations of
    every cell, and those that are numbers; ``squares`` (n, k): sum of squares of the latter about their mean.
    ``departures``: of a one-sided margin every zone against its mixed container; None where pairs of depths are judged.
    """

    containers: tuple[str, ...]
    labels: tuple[str, ...]
    low: Array
    high: Array
    outer_low: Array
    outer_high: Array
    exact: NDArray[np.bool_]
    step: float
    groups: Array | None
    group_names: tuple[str, ...]
    noise_se: float | None
    noise_df: float
    noise_span: tuple[float, float] | None
    noise_others: Array | None
    held: NDArray[np.intp]
    numbers: NDArray[np.intp]
    squares: Array
    departures: Departures | None = None

    @property
    def k(self) -> int:
        """Number of depths."""
        return len(self.labels)

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Upper and lower depth of every pair, in the order of the contrasts; of a one-sided margin the mixed container and
        every depth."""
        return tuple(combinations(self.labels, 2)) if self.departures is None else tuple((MIXED, d) for d in self.labels)

    @property
    def noise_part(self) -> float:
        """How much of ``noise_se`` one contrast carries: all, but less where it is a zone against its mixed container."""
        return 1.0 if self.departures is None else self.departures.noise

    def taken(self, which: NDArray[np.bool_]) -> CellBounds:
        """Of some of the containers, groups not told apart."""
        names = tuple(c for c, w in zip(self.containers, which, strict=True) if w)
        return replace(self, containers=names, low=self.low[which], high=self.high[which], outer_low=self.outer_low[which],
                       outer_high=self.outer_high[which], exact=self.exact[which], groups=None, group_names=(),
                       noise_others=None if self.noise_others is None else self.noise_others[which], held=self.held[which],
                       numbers=self.numbers[which], squares=self.squares[which],
                       departures=None if self.departures is None else self.departures.taken(which))

    @classmethod
    def of_rows(cls, container: Codes, depth: Codes, low: Array, high: Array, *, shape: tuple[int, int], margin: Margin,
                step: float | None = None, containers: Sequence[str] = (), labels: Sequence[str] = (),
                groups: Array | None = None, group_names: Sequence[str] = (), weights: Array | None = None) -> CellBounds:
        """Cells of determinations: codes of container and depth, bounds of each value in its unit, (rows,).

        ``step``: decimal step in which numbers were written; None: as they look; where all are multiples of
        more, that counts. NaN values are lost. ``weights`` (n, k): shares of the zones for a one-sided margin; None: equal.
        """
        numbers = low == high
        written = rounding_step(low[numbers], step)
        half = np.where(numbers, written / 2, 0.0)
        scaled = [_on_scale(v, margin) for v in (low, high, low - half, high + half)]
        cells = cell_means(container, depth, np.array(scaled), shape)
        counts = np.bincount((container * shape[1] + depth)[~np.isnan(low)], minlength=shape[0] * shape[1])
        cell = container * shape[1] + depth
        noise, df = _noise(cell, scaled[0], numbers, scaled[3] - scaled[2])
        known, squares = _squares(cell, scaled[0], numbers, shape)
        apart = _squares_apart(cell, scaled[0], scaled[1], squares)
        span, others = (None, None) if noise is None else _noise_span(cell, scaled[0], scaled[1], noise, df, known, apart)
        return cls(containers=tuple(containers) or tuple(map(str, range(shape[0]))),
                   labels=tuple(labels) or tuple(map(str, range(shape[1]))), low=cells[0], high=cells[1],
                   outer_low=cells[2], outer_high=cells[3],
                   exact=np.asarray(~np.any(cells[0] < cells[1], axis=1)), step=_step(cells, counts.reshape(shape)),
                   groups=groups, group_names=tuple(group_names), noise_se=noise, noise_df=df,
                   noise_span=span, noise_others=others, held=counts.reshape(shape), numbers=known, squares=squares,
                   departures=None if not margin.side else Departures.of(
                       cells, equal_shares(*shape) if weights is None else weights, margin))


def _on_scale(values: Array, margin: Margin) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(values <= 0, -math.inf, margin.to_scale(values)) if margin.log else values)


def _step(cells: Array, counts: NDArray[np.intp]) -> float:
    """The rounding step of a cell mean whose variance is that of the cells' rounding on average."""
    width = (cells[3] - cells[2])[(cells[0] == cells[1]) & np.isfinite(cells[2])]
    m = np.maximum(counts[(cells[0] == cells[1]) & np.isfinite(cells[2])], 1)
    return float(np.sqrt(np.mean(width**2 / m))) if width.size else 0.0


def _squares(cell: Codes, values: Array, numbers: NDArray[np.bool_], shape: tuple[int, int]) -> tuple[Codes, Array]:
    """How many determinations of each cell are numbers, and their sum of squares about their mean, (n, k) twice."""
    ok = numbers & np.isfinite(values)
    size = shape[0] * shape[1]
    held = np.bincount(cell[ok], minlength=size)
    means = np.bincount(cell[ok], weights=values[ok], minlength=size) / np.maximum(held, 1)
    squares = np.bincount(cell[ok], weights=(values[ok] - means[cell[ok]]) ** 2, minlength=size)
    return held.reshape(shape), squares.reshape(shape).astype(float)


def _squares_apart(cell: Codes, low: Array, high: Array, squares: Array) -> Array:
    """The sums of squares where limits with two ends lie as unlike as they can, (n, k)."""
    ok, out = np.isfinite(low) & np.isfinite(high), squares.copy()
    for c in np.unique(cell[ok & (low < high)]):
        mine = ok & (cell == c)
        if mine.sum() > 1:
            out.flat[c] = _most_unlike(low[mine], high[mine])
    return out


def _noise(cell: Codes, values: Array, numbers: NDArray[np.bool_], width: Array) -> tuple[float | None, float]:
    """Standard error of a difference of two cells from their determinations alone, and its degrees of freedom."""
    ok = numbers & np.isfinite(values)
    sizes = np.bincount(cell[ok])
    held = sizes[sizes > 0]
    df = float(held.sum() - len(held))
    if df < 1:
        return None, math.inf
    means = np.bincount(cell[ok], weights=values[ok]) / np.maximum(sizes, 1)
    square = float(((values[ok] - means[cell[ok]]) ** 2).sum()) / df
    finite = width[ok][np.isfinite(width[ok])]
    floor = float(np.mean(finite**2)) / 12 if finite.size else 0.0
    return math.sqrt(2 * max(square, floor) * float(np.mean(1 / held))), df


def _noise_span(cell: Codes, low: Array, high: Array, noise: float, df: float, known: Codes,
                apart: Array) -> tuple[tuple[float, float], Array]:
    """The noise were the determinations known only as limits alike, and as unlike as they can be; both are numbers then.

    Also the most of each container's others. A limit without an end on the scale of the margin does not count.
    """
    ok = np.isfinite(low) & np.isfinite(high)
    if not np.any(low[ok] < high[ok]):
        return (noise, noise), np.full(len(apart), noise)
    sizes, limited = np.bincount(cell[ok], minlength=apart.size), np.zeros(apart.size, dtype=bool)
    limited[cell[ok & (low < high)]] = True
    held = sizes[sizes > 0]
    all_df, share = float(held.sum() - len(held)), float(np.mean(1 / held))
    own = np.where(limited.reshape(apart.shape), apart, 0.0).sum(axis=1)
    most, others = (np.maximum(noise, np.sqrt(2 * s / all_df * share)) for s in (apart.sum(), apart.sum() - own))
    least = df / all_df * share / float(np.mean(1 / known[known > 0]))  # more determinations, and cells of more
    return (noise * math.sqrt(min(1.0, least)), float(most)), np.asarray(others)


def _most_unlike(low: Array, high: Array) -> float:
    """Largest sum of squares about their mean of values between low and high: at a corner; many: a bound of it."""
    if len(low) > MOST_CORNERS:
        return len(low) * float(high.max() - low.min()) ** 2 / 4
    corners = np.array(list(product(*zip(low, high, strict=True))))
    return float(((corners - corners.mean(axis=1, keepdims=True)) ** 2).sum(axis=1).max())
