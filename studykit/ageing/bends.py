"""Times of a straight course held against a bent one: beyond the ages seen, and within them where they hint at a bend.

A straight line cannot be proved by the ages it was fitted to: settling that begins late or grows faster and faster passes
the margin sooner than a line through the first months says, settling that levels off sooner than a line through all of them,
and the test of lack of fit seldom sees either. So the mean is told within only as far as the line with a bend (the square
of the course's column as well) shows it too; where that line shows nothing, as far as the oldest age. The share of
containers is held against a bend beyond the oldest age. ``latest`` is the later of both where a bend is hinted at (p below
HINT, the level of ICH Q1E's preliminary tests). And no age whose mean lies beyond the margin is left inside a time within.
Error rates by simulation: docs/01-design.md.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from studykit.ageing.courses import Course, same_ages
from studykit.ageing.lines import Lines
from studykit.ageing.reach import Passing, mean_passes

Array = NDArray[np.float64]
HINT = 0.25


def hinted(bend: Lines) -> NDArray[np.bool_]:
    """Whether each study's ages hint at a bend: the square's coefficient of lines on ``Course.bent``."""
    found = bend.at([[0.0, 0.0, 1.0]])
    with np.errstate(all="ignore"):
        p = 2 * stats.t.sf(np.abs(found.estimate[:, 0]) / found.se[:, 0], found.df[0])
    return np.asarray(p < HINT)


def beyond_seen(line: Passing, bend: Passing | None, oldest: float) -> Passing:
    """The times of a line; beyond the oldest age only what a bend (None: nothing can be said of it) allows too."""
    least = oldest if bend is None else np.fmax(np.where(bend.outside, oldest, bend.safe), oldest)
    return replace(line, safe=np.minimum(line.safe, least))


def mean_held(values: Array, line: Lines, bend: Lines | None, course: Course, months: Array, margin: tuple[float, float], *,
              alpha: float, stop: float, points: int | None = None, beyond: float | None = None) -> Passing:
    """``mean_passes`` of a line, shortened by the line with a bend and by the means of the ages; values (S, n)."""
    span = (float(months.min()), float(months.max()))
    told = mean_passes(line, course, margin, alpha=alpha, span=span, stop=stop, points=points, beyond=beyond)
    if bend is None:
        return by_means(beyond_seen(told, None, span[1]), values, months, margin)
    other, hint = mean_passes(bend, course, margin, alpha=alpha, span=span, stop=stop, points=points, beyond=beyond,
                              bent=True), hinted(bend)
    outside = told.outside | (hint & other.outside)
    least = np.where(other.outside, span[1], other.safe)
    shorter = Passing(estimate=told.estimate, outside=outside, safe=np.where(outside, np.nan, np.fmin(told.safe, least)),
                      latest=np.where(hint, np.maximum(told.latest, other.latest), told.latest))
    return by_means(shorter, values, months, margin)


def by_means(found: Passing, values: Array, months: ArrayLike, margin: tuple[float, float]) -> Passing:
    """The times, and none within beyond the last age before the first whose mean lies beyond the margin; values (S, n)."""
    t = np.asarray(months, dtype=float)
    codes = same_ages(t)
    here = (codes[:, None] == np.arange(int(codes.max()) + 1)).astype(float)
    at, mean = t @ here / here.sum(axis=0), values @ here / here.sum(axis=0)
    out = (mean > margin[1]) | (mean < margin[0])
    first = np.where(out.any(axis=1), out.argmax(axis=1), -1)
    contradicted = (first >= 0) & (found.safe >= at[first])
    outside = found.outside | (contradicted & (first == 0))
    safe = np.where(contradicted, at[np.maximum(first - 1, 0)], found.safe)
    return replace(found, safe=np.where(outside, np.nan, safe), outside=outside)
