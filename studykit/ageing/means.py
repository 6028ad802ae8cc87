"""When the margin is passed, from the means of the ages alone: where no line is drawn through them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from studykit.ageing.reach import Array, Passing


def by_ages(values: Array, months: Array, units: ArrayLike, ages: NDArray[np.intp], margin: tuple[float, float], *,
            alpha: float, beyond: float | None = None) -> Passing:
    """The mean's times without a line, from the means of the ages ``ages`` (n,) counted from the youngest; values (n,).

    ``safe``: the last age up to which every mean is shown within; ``latest``: the first that is shown beyond; the fitted
    time lies on straight lines between the means. Scatter is each age's own where containers were drawn again, else pooled
    over the ages; what cannot be judged is not shown. ``beyond``: the level of ``latest``, alpha where left out.
    """
    k, again = int(ages.max()) + 1, len(np.unique(units)) < len(months)
    at, mean, count = (np.array([f(x[ages == a]) for a in range(k)]) for f, x in (
        (np.mean, months), (np.mean, values), (len, values)))
    rest = np.array([((values[ages == a] - mean[a]) ** 2).sum() for a in range(k)])
    df = count - 1.0 if again else np.full(k, float(len(values) - k))
    with np.errstate(all="ignore"):
        square = np.where(df > 0, (rest if again else rest.sum()) / df, np.inf)
        half, far = (stats.t.isf(a, np.maximum(df, 1.0)) * np.sqrt(square / count) for a in (alpha, beyond or alpha))
    within = (mean + half <= margin[1]) & (mean - half >= margin[0])
    out = (mean - far > margin[1]) | (mean + far < margin[0])
    first = int(np.argmin(within)) if not within.all() else k
    late = at[int(np.argmax(out))] if out.any() else np.inf
    return Passing(estimate=np.array([_between(at, mean, margin)]), safe=np.array([at[first - 1] if first else np.nan]),
                   latest=np.array([late]), outside=np.array([first == 0]))


def _between(at: Array, mean: Array, margin: tuple[float, float]) -> float:
    """First time at which straight lines between the means leave the margin; infinite where they do not."""
    out = (mean > margin[1]) | (mean < margin[0])
    if not out.any():
        return float(np.inf)
    k = int(np.argmax(out))
    edge = margin[1] if mean[k] > margin[1] else margin[0]
    return float(at[k] if k == 0 else at[k - 1] + (edge - mean[k - 1]) / (mean[k] - mean[k - 1]) * (at[k] - at[k - 1]))


__all__ = ["by_ages"]
