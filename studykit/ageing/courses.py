"""How a difference may run with standing time: straight, with the square root of time, or towards a level.

A course turns months into one column g(t) with g(0) = 0, so that every course is a straight line in g and all
inference is that of a line. Which course holds is declared before the data; ``lack_of_fit`` holds the declared one
and the others against replicate ages, and chooses nothing.

Source of the test: pure error against lack of fit (Draper & Smith 1998, Applied Regression Analysis, section 2.1). Where
one container is drawn again, each container has a line of its own and visits are held against those, so that
containers' own slopes do not count as lack of fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Array = NDArray[np.float64]
Shape = Literal["linear", "square root", "saturating"]
SAME_AGE = 0.02
"""Ages closer than this share of the oldest count as one age (own judgement: a week in a year)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One declared course; ``half_months``: time to half of the final level, for 'saturating' only."""

    shape: Shape = "linear"
    half_months: float | None = None

    def __post_init__(self) -> None:
        known = self.half_months is not None and math.isfinite(self.half_months) and self.half_months > 0
        if (self.shape == "saturating") != known:
            raise ValueError("half_months must be above 0 for a saturating course, and left out for the others, "
                             f"but got {self.half_months} for {self.shape}")

    @property
    def straight(self) -> bool:
        """True where the rate is the same at all ages."""
        return self.shape == "linear"

    def column(self, months: ArrayLike) -> Array:
        """g(t) of ages in months (any shape), 0 at filling; in months, root months, or shares of the final level."""
        t = np.asarray(months, dtype=float)
        if self.shape == "linear":
            return t
        if self.shape == "square root":
            return np.asarray(np.sqrt(t))
        return np.asarray(-np.expm1(-math.log(2) * t / float(self.half_months or 1)))

    def line(self, months: ArrayLike) -> Array:
        """Columns 1 and g(t), shape (..., 2)."""
        g = self.column(months)
        return np.stack([np.ones_like(g), g], axis=-1)

    def bent(self, months: ArrayLike) -> Array:
        """Columns 1, g(t) and its square, shape (..., 3): the course with a bend."""
        found = self.line(months)
        return np.concatenate([found, found[..., 1:] ** 2], axis=-1)

    def words(self) -> str:
        """The course in words."""
        if self.half_months is not None:
            return f"a rise that is half done after {self.half_months:g} months"
        return "a straight line in time" if self.straight else "a straight line in the square root of time"


@dataclass(frozen=True, slots=True, kw_only=True)
class LackOfFit:
    """F test of a course against the means of replicate ages; ``p`` NaN where ages leave nothing to test."""

    course: Course
    statistic: float
    df1: int
    df2: int
    p: float
    sum_of_squares: float


def same_ages(months: ArrayLike) -> NDArray[np.intp]:
    """Number of the age of each row, counted from the youngest; ages that nearly agree are one."""
    t = np.asarray(months, dtype=float)
    order = np.argsort(t, kind="stable")
    sorted_t = t[order]
    step = SAME_AGE * max(float(sorted_t[-1]), 1e-9) if len(t) else 0.0
    codes = np.empty(len(t), dtype=np.intp)
    begin, code = -np.inf, -1
    for k, value in zip(order, sorted_t, strict=True):
        if value > begin + step:
            begin, code = value, code + 1
        codes[k] = code
    return codes


def lack_of_fit(values: ArrayLike, months: ArrayLike, groups: ArrayLike, units: ArrayLike, course: Course) -> LackOfFit:
    """Does the course miss the means of the ages? One row a container and visit.

    groups: each has a line of its own. units: the container; where any is there twice, every container has its own
    line. Equal scatter about the lines is taken; ValueError for lengths that differ.
    """
    y, t = np.asarray(values, dtype=float), np.asarray(months, dtype=float)
    group, unit = np.unique(groups, return_inverse=True)[1], np.unique(units, return_inverse=True)[1]
    if not len(y) == len(t) == len(group) == len(unit):
        raise ValueError("values, months, groups and units must have the same length")
    own = unit if len(np.unique(unit)) < len(unit) else group
    lines = _by(own, course.line(t))
    age = same_ages(t)
    ages = _by(group, (age[:, None] == np.arange(int(age.max()) + 1)).astype(float))
    small, rank_small = _rest(y, lines)
    full, rank_full = _rest(y, np.hstack([lines, ages]))
    df1, df2 = rank_full - rank_small, len(y) - rank_full
    if df1 < 1 or df2 < 1 or full <= 1e-24 * float(y @ y):
        return LackOfFit(course=course, statistic=math.nan, df1=max(df1, 0), df2=max(df2, 0), p=math.nan, sum_of_squares=small)
    f = (small - full) / df1 / (full / df2)
    return LackOfFit(course=course, statistic=f, df1=df1, df2=df2, p=float(stats.f.sf(f, df1, df2)), sum_of_squares=small)


def _by(codes: NDArray[np.intp], columns: Array) -> Array:
    """The columns once for each code."""
    here = (codes[:, None] == np.arange(int(codes.max()) + 1)).astype(float)
    return np.asarray((here[:, :, None] * columns[:, None, :]).reshape(len(codes), -1))


def _rest(y: Array, columns: Array) -> tuple[float, int]:
    """Residual sum of squares on the columns, and their rank."""
    size = np.sqrt((columns**2).sum(axis=0))
    u, s, _ = np.linalg.svd(columns[:, size > 0] / size[size > 0], full_matrices=False)
    basis = u[:, s > 1e-9 * s[0]]
    rest = y - basis @ (basis.T @ y)
    return float(rest @ rest), basis.shape[1]
