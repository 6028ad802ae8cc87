"""Every container's own contrasts: its differences between depths, or of a one-sided margin its zones against its mean.

Of values known only within bounds both ends, the worst for the margin and the nearest to none.
"""

from __future__ import annotations

import numpy as np

from studykit.inference.bounded import COARSE
from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import Array, Contrasts, contrasts_of, pair_rows

DUST = 1e-13
"""Share of the largest value within which numbers inside the computer are one."""


def known(cells: CellBounds) -> Array:
    """Cell means at the middle of what they can be, (n, k); NaN where lost or without an end."""
    with np.errstate(invalid="ignore"):
        middle = (cells.low + cells.high) / 2
    return np.where(np.isfinite(middle), middle, np.nan)


def contrasts_in(cells: CellBounds) -> Contrasts:
    """All pairs of depths, or of a one-sided margin every zone against its mixed container, at the middle of what is known."""
    d = cells.departures
    if d is None:
        return contrasts_of(known(cells)[None], groups=cells.groups, step=cells.step)
    return contrasts_of(d.mean_cells[None], d.rows, groups=cells.groups, step=cells.step * d.noise)


def side_of(cells: CellBounds) -> int:
    """1 or -1 where a margin on that side alone is judged, else 0."""
    return 0 if cells.departures is None else cells.departures.side


def noise_of_one(cells: CellBounds, noise_se: float | None) -> float | None:
    """Standard error of one contrast of a container, from that of a difference of two of its zones."""
    return None if noise_se is None else noise_se * cells.noise_part


def span_of_one(cells: CellBounds) -> tuple[float, float] | None:
    """The least and the most that it may be where values are known only within bounds."""
    span, part = cells.noise_span, cells.noise_part
    return None if span is None else (span[0] * part, span[1] * part)


def own_differences(cells: CellBounds, noise_se: float | None) -> Array:
    """Every container's own differences, (n, K), at the worst end of what its readings allow; NaN where lost.

    Of a one-sided margin those of its zones against its mean, 0 where they lie on the other side.
    noise_se: of one difference, or None where it is not known: rounding that is coarser than it is a bound too.
    """
    least, most = ends_of(cells, rounded_in(cells, noise_se))
    if cells.departures is not None:
        return cells.departures.towards(least if cells.departures.side < 0 else most)
    return np.where(np.abs(least) > np.abs(most), least, most)


def near_differences(cells: CellBounds, noise_se: float | None) -> Array:
    """The same at the end nearest to zero: what is the least that a container differs."""
    least, most = ends_of(cells, rounded_in(cells, noise_se))
    if cells.departures is not None:
        return cells.departures.towards(most if cells.departures.side < 0 else least)
    return np.where(np.isnan(least), np.nan, np.where(least > 0, least, np.where(most < 0, most, 0.0)))


def rounded_in(cells: CellBounds, noise_se: float | None) -> bool:
    """Whether readings were rounded more coarsely than that noise, so that rounding is a bound."""
    return noise_se is None or noise_se < COARSE * cells.step * cells.noise_part


def middle_of(cells: CellBounds) -> Array:
    """Containers' own differences where all their values are numbers, else NaN, (n, K)."""
    return np.where(cells.exact[:, None], ends_of(cells, False)[0], np.nan)


def ends_of(cells: CellBounds, rounded: bool) -> tuple[Array, Array]:
    """Least and most of every container's differences; ``rounded``: each number anywhere within its step, or its last bits."""
    if (d := cells.departures) is not None:
        dust = DUST * float(np.max(np.abs(cells.low), where=np.isfinite(cells.low), initial=0.0)) if rounded else 0.0
        return (d.outer_low - dust, d.outer_high + dust) if rounded else (d.low, d.high)
    rows = pair_rows(cells.k)
    first, second = rows.argmin(axis=1), rows.argmax(axis=1)
    low, high = (cells.outer_low, cells.outer_high) if rounded else (cells.low, cells.high)
    dust = DUST * float(np.max(np.abs(low), where=np.isfinite(low), initial=0.0)) if rounded else 0.0
    with np.errstate(invalid="ignore"):
        return low[:, second] - high[:, first] - dust, high[:, second] - low[:, first] + dust
