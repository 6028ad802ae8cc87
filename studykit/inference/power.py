"""Chance of each word before anybody draws: the rule of ``contrasts`` over all pairs of depths, for complete data.

With n containers whose cell means have depth means mu and covariance Sigma (scatter between containers' profiles and
of determinations together), the estimated means are normal with covariance Sigma/n and the containers' own scatter is,
independently, a Wishart matrix on n - 1 degrees of freedom (Anderson 2003, An Introduction to Multivariate
Statistical Analysis, 3rd ed., section 7.2; drawn after Bartlett 1933). Both are taken at a fixed set of Sobol points,
so that the same question gives the same digits and chances grow smoothly with n; the rule itself is the one that
judges data. For two depths, "homogeneous" is the exact power of two one-sided tests (``tost_power``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from studykit.core.memory import remembered
from studykit.inference.contrasts import Array, Contrasts, pair_rows, word_codes
from studykit.inference.declared import basis_of, judged_squares

POINTS = 13
"""Base-2 logarithm of the number of simulated studies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WordChances:
    """Chances of the words for the mean, 0 to 1, with the number of simulated studies behind them."""

    homogeneous: float
    stratified: float
    studies: int

    @property
    def inconclusive(self) -> float:
        """What is left."""
        return max(0.0, 1.0 - self.homogeneous - self.stratified)

    def error(self, chance: float) -> float:
        """Standard error of a chance from the finite number of studies (an upper figure: the points are not random)."""
        return math.sqrt(max(chance * (1 - chance), 1 / self.studies) / self.studies)


def profile_cov(depths: int, *, cell: float = 0.0, slope: float = 0.0, determination: float = 0.0,
                determinations: int = 1) -> Array:
    """Covariance of one container's cell means across k depths, apart from its own level, (k, k).

    cell: SD between cells of a container beyond measurement; slope: SD over containers of the change from the
    uppermost to the lowest depth of their own straight gradients; determination: SD of one determination, of which
    ``determinations`` are averaged. All on the scale of the margin.
    """
    if depths < 2 or determinations < 1 or min(cell, slope, determination) < 0:
        raise ValueError(f"depths must be 2 or more, determinations 1 or more and SDs not negative, but got {depths}, "
                         f"{determinations}, {cell}, {slope}, {determination}")
    h = np.linspace(-0.5, 0.5, depths)
    return np.asarray((cell**2 + determination**2 / determinations) * np.eye(depths) + slope**2 * np.outer(h, h))


@lru_cache(maxsize=8)
def _uniform(dimensions: int) -> Array:
    points = stats.qmc.Sobol(dimensions, scramble=True, seed=np.random.default_rng(19330412)).random_base2(POINTS)
    return np.asarray(np.clip(points, 1e-9, 1 - 1e-9))


def _scatter(df: int, m: int, u: Array) -> Array:
    """Matrices A with A'A distributed as Wishart(I, df), (R, df or m, m); u (R, m(m + 1)/2) uniform."""
    out = np.zeros((len(u), m, m))
    at = 0
    for i in range(m):
        out[:, i, i] = np.sqrt(special.chdtri(df - i, 1 - u[:, at]))
        out[:, i, i + 1:] = special.ndtri(u[:, at + 1:at + m - i])
        at += m - i
    return out


def chances(means: ArrayLike, cov: ArrayLike, containers: int, edge: float, *, alpha: float = 0.05,
            groups: int = 1, structure: str = "unstructured", heights: ArrayLike | None = None, side: int = 0) -> WordChances:
    """Chances of homogeneous and stratified for true depth means (k,) and covariance (k, k) of one container's cells.

    ``side``: 1 or -1 for a margin on that side alone; means and covariance are then those of the zones against their mixed
    container, each judged by itself.
    ``edge``: the margin, same scale; ``structure`` and ``heights``: a scatter that was declared (``declared``), whether
    ``cov`` obeys it or not; ``groups``: columns of the group model (equal groups), which cost degrees of freedom there. With
    no degree of freedom left nothing can be said and both chances are 0.
    """
    mu, sigma = np.asarray(means, dtype=float), np.asarray(cov, dtype=float)
    k, df = len(mu), containers - (1 if structure == "unstructured" else groups)
    if sigma.shape != (k, k) or not 0 < edge < math.inf or containers < 1:
        raise ValueError(f"cov must be {k} x {k}, edge above 0 and containers at least 1, but got {sigma.shape}, {edge}, "
                         f"{containers}")
    if df < 1:
        return WordChances(homogeneous=0.0, stratified=0.0, studies=2**POINTS)
    m = k if side else k - 1
    to_first, rows = (np.eye(k), np.eye(k)) if side else (np.hstack([-np.ones((m, 1)), np.eye(m)]), pair_rows(k))
    root = _cholesky(to_first @ sigma @ to_first.T)
    u = _uniform(m + (m * (m + 1) // 2 if df >= m else df * m))
    A = _scatter(df, m, u[:, m:]) if df >= m else special.ndtri(u[:, m:]).reshape(-1, df, m)
    pairs = rows[:, k - m:] @ root
    estimate = rows @ mu + special.ndtri(u[:, :m]) @ pairs.T / math.sqrt(containers)
    if structure == "unstructured":
        se, dfs = np.sqrt(((A @ pairs.T) ** 2).sum(axis=1) / df / containers), np.full(estimate.shape, float(df))
    else:
        basis = basis_of(k, heights)
        squares = ((A @ root.T @ np.linalg.pinv(to_first).T @ basis) ** 2).sum(axis=1)
        _, se, dfs, _ = judged_squares(estimate, squares, pair_rows(k) @ basis, 1 / containers, df,
                                      structure == "own gradient" and k > 2)
    found = Contrasts(estimate=estimate, se=se, df=dfs, unit_variance=np.full(estimate.shape, 1 / containers))
    codes = word_codes(found, edge, alpha, depths=k, side=side)
    return WordChances(homogeneous=float(np.mean(codes == 1)), stratified=float(np.mean(codes == 2)), studies=len(u))


def _cholesky(matrix: Array) -> Array:
    """A root of a covariance that may be singular."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 1e-18 * max(float(values[-1]), 1e-300))))


@remembered
def containers_needed(means: ArrayLike, cov: ArrayLike, edge: float, *, alpha: float = 0.05, chance: float = 0.8,
                      start: int = 2, most: int = 500, groups: int = 1, structure: str = "unstructured",
                      heights: ArrayLike | None = None, side: int = 0) -> int | None:
    """Fewest containers, ``start`` or more, with which the word is decided with that chance; None beyond ``most``.

    Decided: homogeneous where no two true means differ by the margin, stratified where some differ by more.
    """
    mu = np.asarray(means, dtype=float)
    inside = float((side * mu).max() if side else np.ptp(mu)) < edge

    def reached(n: int) -> bool:
        found = chances(means, cov, n, edge, alpha=alpha, groups=groups, structure=structure, heights=heights, side=side)
        return (found.homogeneous if inside else found.stratified) >= chance

    if reached(start):
        return start
    low, high = start, start
    while not reached(high):
        if high >= most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high
