"""May lots or stores be pooled, and what holds if they are a sample of more: ICH Q1E's tests, and random lots beside them.

``pool`` follows ICH Q1E (2003), appendix B.2: analysis of covariance with equal scatter, first whether the rates differ,
then whether the levels do, each at 0.25, with the mean square of separate lines. It tells one line from own levels with
a common rate, and from own lines. ``ich_time`` is the time of the earliest group under that choice; where lines
are separate each has its own scatter. Pooling because a test with few data saw nothing is its known weakness, so it
decides nothing here.

``random_lots`` takes each lot's own line as one draw of a population of lots: the mean lot, and the share of lots beyond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from studykit.ageing.courses import Course
from studykit.ageing.lines import Lines, fit_lines
from studykit.ageing.reach import Containers, Passing, drawn_again, mean_passes, own_lines, share_passes

Array = NDArray[np.float64]
PRELIMINARY = 0.25
LEAST_LOTS = 4
Choice = Literal["one line", "common rate", "own lines"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooling:
    """The two preliminary F tests and the choice that they lead to; p-values NaN where nothing is left to test by."""

    rates_f: float
    rates_p: float
    levels_f: float
    levels_p: float
    df1: int
    df2: int
    choice: Choice


def pool(values: ArrayLike, months: ArrayLike, groups: Sequence[object], course: Course) -> Pooling:
    """ICH Q1E's preliminary tests for two or more groups, one row per container; ValueError for one group."""
    y, X, code = np.asarray(values, dtype=float), course.line(months), np.unique(np.asarray(groups), return_inverse=True)[1]
    k = int(code.max()) + 1
    if k < 2:
        raise ValueError("pooling needs at least two groups")
    here = (code[:, None] == np.arange(k)).astype(float)
    own = np.hstack([here, here * X[:, 1:]])
    rest = [_rest(y, c) for c in (own, np.hstack([here, X[:, 1:]]), X)]
    df1, df2 = k - 1, len(y) - np.linalg.matrix_rank(own)
    square = rest[0] / df2 if df2 > 0 else np.nan
    f = [(rest[i + 1] - rest[i]) / df1 / square for i in (0, 1)]
    p = [float(stats.f.sf(v, df1, df2)) for v in f]
    choice: Choice = "own lines" if not p[0] >= PRELIMINARY else "common rate" if not p[1] >= PRELIMINARY else "one line"
    return Pooling(rates_f=f[0], rates_p=p[0], levels_f=f[1], levels_p=p[1], df1=df1, df2=int(df2), choice=choice)


def _rest(y: Array, columns: Array) -> float:
    rest = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
    return float(rest @ rest)


def ich_time(values: ArrayLike, months: ArrayLike, groups: Sequence[object], course: Course, margin: tuple[float, float], *,
             choice: Choice, alpha: float = 0.05, span: tuple[float, float], stop: float) -> float:
    """The earliest time at which a one-sided limit of some group's mean passes the margin under a choice of pooling.

    Equal scatter, as ICH Q1E takes it. Up to ``stop`` months; NaN where a limit lies beyond at the youngest age.
    """
    y, t = np.asarray(values, dtype=float), np.asarray(months, dtype=float)
    code, times = np.unique(np.asarray(groups), return_inverse=True)[1], []
    for g in range(int(code.max()) + 1):
        own = code == g
        if choice == "own lines":
            lines = fit_lines(y[own], course.line(t[own]), np.arange(own.sum()), "equal")
        else:
            lines = _line_of(y, course.line(t), code if choice == "common rate" else np.zeros_like(code), g)
        times.append(float(mean_passes(lines, course, margin, alpha=alpha, span=span, stop=stop).safe[0]))
    return float(np.min(times))


def _line_of(y: Array, X: Array, code: NDArray[np.intp], group: int) -> Lines:
    """The line of one group where all share one rate and one scatter."""
    others = [g for g in range(int(code.max()) + 1) if g != group] if code.any() else []
    shifted = np.hstack([X, (code[:, None] == np.array(others, dtype=int)).astype(float)])
    full = fit_lines(y, shifted, np.arange(len(y)), "equal")
    return Lines(beta=full.beta[:, :2], covariance=full.covariance[:, :2, :2], unit=full.unit[:, :2, :2], gram=None,
                 df_rest=full.df_rest, scatter=full.scatter)


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomLots:
    """Lots as a sample of lots: how many, the mean lot's times and those of the share of lots."""

    lots: int
    mean: Passing
    share: Passing


def lots_laws(values: Array, months: Array, lots: Sequence[object], course: Course) -> Containers | None:
    """The laws of lots, each with its own line; None with fewer than four lots seen at two ages."""
    lines = own_lines(values[None], course, months, np.asarray(lots))
    return None if lines.shape[1] < LEAST_LOTS else lambda t: drawn_again(lines, course, t)


def random_lots(values: Array, months: Array, lots: Sequence[object], course: Course, margin: tuple[float, float], share: float,
                *, alpha: float, span: tuple[float, float], stop: float) -> RandomLots | None:
    """Times with lots random; None with fewer than four lots seen at two ages."""
    lines = own_lines(values[None], course, months, np.asarray(lots))
    m = lines.shape[1]
    if m < LEAST_LOTS:
        return None
    each = lines[0]
    over = Lines(beta=each.mean(axis=0)[None], covariance=np.cov(each.T)[None] / m, unit=np.eye(2)[None], gram=None,
                 df_rest=m - 1, scatter=np.zeros(1))
    return RandomLots(lots=m, mean=mean_passes(over, course, margin, alpha=alpha, span=span, stop=stop),
                      share=share_passes([lambda t: drawn_again(lines, course, t)], margin, share, alpha=alpha,
                                         span=span, stop=stop))
