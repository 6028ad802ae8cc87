"""Chances by simulation, for designs and troubles that no closed form covers.

Studies are made from single results and judged by the kit's own mixed model (REML with Kenward-Roger,
``batch.py``) under the same verdict rule as real ones: lost samples, results below quantification
(left out of the fit, as in the model stage), gradients that differ between containers, several
analytes together.  The answer carries its Monte Carlo error, and the same seed gives the same digits.

Lost samples come in a limited number of patterns, each shared by many studies, because one pattern is
one design to the batch engine.  With a quantification limit every study has its own pattern and is
fitted by itself: slower by a factor of a hundred.  Where samples are missing the pairs of depths have
slightly unequal standard errors; the critical number "beyond the margin" is that of equal ones at the
smallest degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from studykit.core.errors import DesignMismatch, ModelNotTrusted
from studykit.design.cheapest import Aim
from studykit.design.operating import DesignSize, OperatingCharacteristic, critical_reach, depth_effects
from studykit.inference.simultaneous import pair_matrix
from studykit.mixed.batch.fit import BatchDesign
from studykit.mixed.fit import fit_reml

Array = NDArray[np.float64]
PATTERNS = 20
_DF = np.array([2.0, 3, 4, 5, 6, 8, 10, 14, 20, 30, 60, 200, 1e6])


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What a real study meets. Differences are on the scale of the margin.

    ``missing``: share of samples lost (0..1).  ``sd_gradient``: standard deviation of the containers' own
    gradients.  ``settled_share``: share of containers in which anything has settled at all; the others have
    no gradient.  ``limit``: quantification limit minus the true level of the top depth; results below it
    arrive as "<".
    """

    missing: float = 0.0
    sd_gradient: float = 0.0
    settled_share: float = 1.0
    limit: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.missing < 0.9:
            raise ValueError(f"missing must lie from 0 to below 0.9, but got {self.missing}")
        if not 0 < self.settled_share <= 1 or self.sd_gradient < 0:
            raise ValueError("settled_share must lie above 0 and up to 1, and sd_gradient must be at least 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedStudies:
    """Chances per analyte and for the study as a whole, all with their Monte Carlo error.

    ``all_homogeneous``: every analyte is; ``any_stratified``: at least one is after Holm's correction.
    ``not_assessed``: share of studies (of all analytes) that could not be fitted.
    """

    chances: tuple[tuple[str, OperatingCharacteristic], ...]
    all_homogeneous: float
    any_stratified: float
    not_assessed: float
    studies: int

    def error(self, p: float) -> float:
        """Standard error of a chance from the finite number of studies."""
        return math.sqrt(max(p * (1 - p), 1 / self.studies) / self.studies)

    def to_table(self) -> pd.DataFrame:
        """One row an analyte and one for the study; per cent, with the simulation's standard error."""
        rows = [(name, c.homogeneous, c.stratified, c.inconclusive) for name, c in self.chances]
        rest = max(0.0, 1 - self.all_homogeneous - self.any_stratified)
        rows.append(("the whole study", self.all_homogeneous, self.any_stratified, rest))
        return pd.DataFrame([{"analyte": n, "homogeneous_percent": 100 * h, "stratified_percent": 100 * s,
                              "inconclusive_percent": 100 * i,
                              "simulation_error_percent": 100 * max(self.error(p) for p in (h, s, i))}
                             for n, h, s, i in rows])


def simulate_studies(aims: Sequence[Aim], size: DesignSize, trouble: Trouble | None = None, *, studies: int = 2000,
                     seed: int = 0, alpha: float = 0.05) -> SimulatedStudies:
    """Make and judge ``studies`` studies of at least two containers; analytes scatter independently.

    A sample lost is lost for every analyte.  ValueError for one container (see ``power.chances``, which is
    exact there), no aims or fewer than 100 studies.
    """
    if size.containers < 2:
        raise ValueError("a simulated study must have at least 2 containers")
    if not aims or studies < 100:
        raise ValueError("give at least one aim and at least 100 studies")
    trouble = trouble or Trouble()
    layout = _layout(size)
    streams = np.random.SeedSequence(seed).spawn(len(aims) + 1)
    lost = _lost(size, trouble.missing, studies, np.random.default_rng(streams[0]))
    within = np.zeros((len(aims), studies), dtype=bool)
    beyond, beyond_holm, failed = within.copy(), within.copy(), within.copy()
    for i, aim in enumerate(aims):
        y = _values(aim, size, trouble, studies, np.random.default_rng(streams[i + 1]))
        gone = lost if trouble.limit is None else lost | (y < trouble.limit)
        for pick, keep in _groups(gone):
            judged = _judge(layout, y[:, pick], keep, aim.margin, size, alpha, len(aims))
            failed[i, pick] = judged.failed
            within[i, pick], beyond[i, pick], beyond_holm[i, pick] = judged.within, judged.beyond, judged.holm
    made = tuple((a.analyte, OperatingCharacteristic(
        homogeneous=float(within[i].mean()), stratified=float(beyond[i].mean()), gradient_seen=math.nan, se=math.nan,
        df=math.nan, studies=studies)) for i, a in enumerate(aims))
    return SimulatedStudies(chances=made, all_homogeneous=float(within.all(axis=0).mean()),
                            any_stratified=float(beyond_holm.any(axis=0).mean()),
                            not_assessed=float(failed.mean()), studies=studies)


def _layout(size: DesignSize) -> pd.DataFrame:
    """One row a determination: container, depth, sample (its cell), in the order container, depth, replicate."""
    n, d, k = size.containers, size.depths, size.replicates
    return pd.DataFrame({"container": np.repeat([f"c{i}" for i in range(n)], d * k),
                         "depth": np.tile(np.repeat([f"d{j}" for j in range(d)], k), n)})


def _values(aim: Aim, size: DesignSize, trouble: Trouble, studies: int, rng: np.random.Generator) -> Array:
    """Results (rows, studies) on the scale of the margin; the top depth's true level is 0."""
    n, d, k = size.containers, size.depths, size.replicates
    g = aim.guess
    unit = depth_effects(g.model_copy(update={"gradient": 1.0}), d)
    gradient = rng.normal(g.gradient, trouble.sd_gradient, (studies, n))
    gradient *= rng.random((studies, n)) < trouble.settled_share
    cells = gradient[:, :, None] * unit + rng.normal(0, g.sd_container_depth, (studies, n, d))
    cells += rng.normal(0, g.sd_container, (studies, n, 1))
    y = cells[..., None] + rng.normal(0, g.s_r, (studies, n, d, k))
    return np.ascontiguousarray(y.reshape(studies, n * d * k).T)


def _lost(size: DesignSize, missing: float, studies: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which results never arrive (rows, studies); whole samples, in at most PATTERNS patterns."""
    rows = size.determinations
    if missing == 0:
        return np.zeros((rows, studies), dtype=bool)
    patterns = rng.random((size.samples, min(PATTERNS, studies))) < missing
    chosen = np.arange(studies) % patterns.shape[1]
    return np.repeat(patterns, size.replicates, axis=0)[:, chosen]


def _groups(gone: NDArray[np.bool_]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.bool_]]]:
    """Studies that share a pattern of missing results, with the rows that are there."""
    packed = np.packbits(gone, axis=0)
    _, first, which = np.unique(packed, axis=1, return_index=True, return_inverse=True)
    which = np.ravel(which)
    for i, column in enumerate(first):
        yield np.flatnonzero(which == i), ~gone[:, column]


class _Judged(NamedTuple):
    """Per study: homogeneous, stratified, stratified at alpha/analytes, no model fitted."""

    within: NDArray[np.bool_]
    beyond: NDArray[np.bool_]
    holm: NDArray[np.bool_]
    failed: NDArray[np.bool_]


def _judge(layout: pd.DataFrame, y: Array, keep: NDArray[np.bool_], margin: float, size: DesignSize, alpha: float,
           analytes: int) -> _Judged:
    """Fit and judge studies that share a pattern of results; fewer than two degrees of freedom cannot be fitted."""
    no = np.zeros(y.shape[1], dtype=bool)
    table = layout[keep]
    cells, containers = len(table.drop_duplicates()), table["container"].nunique()
    if table["depth"].nunique() < size.depths or containers < 2 or cells - containers - size.depths + 1 < 2:
        return _Judged(no, no, no, ~no)
    repeated = table.groupby(["container", "depth"]).size().max() > 1
    random = ("container", "container:depth") if repeated else ("container",)
    try:
        design = BatchDesign.from_table(table, fixed=("depth",), random=random)
    except DesignMismatch:
        return _Judged(no, no, no, ~no)
    estimate, se, df = _differences(design, table, random, y[keep], size.depths)
    failed = np.isnan(se[:, 0])
    ok = ~failed
    out = np.zeros((3, len(ok)), dtype=bool)
    out[:, ok] = _words(np.abs(estimate[ok]), se[ok], df[ok], margin, size.depths, alpha, analytes)
    return _Judged(out[0], out[1], out[2], failed)


def _differences(design: BatchDesign, table: pd.DataFrame, random: tuple[str, ...], y: Array,
                 depths: int) -> tuple[Array, Array, Array]:
    """Estimate, standard error, degrees of freedom of every pair, each (studies, pairs); NaN where none fits.

    Where the batch search does not settle for some study, the halves are tried, and a single one by ``fit_reml``.
    """
    pairs, n = _pairs(design.names, depths), y.shape[1]
    try:
        got = design.contrast(design.fit(y), pairs)
        return got.estimate, got.se, np.broadcast_to(got.df, got.se.shape)
    except ModelNotTrusted:
        if n > 1:
            halves = [_differences(design, table, random, part, depths) for part in (y[:, :n // 2], y[:, n // 2:])]
            return (np.vstack([h[0] for h in halves]), np.vstack([h[1] for h in halves]),
                    np.vstack([h[2] for h in halves]))
        return _one_difference(table.assign(y=y[:, 0]), random, pairs)


def _one_difference(table: pd.DataFrame, random: tuple[str, ...], pairs: Array) -> tuple[Array, Array, Array]:
    """The same for one study, one fit at a time."""
    try:
        fit = fit_reml(table, "y", ("depth",), random)
        tests = [fit.test(row) for row in pairs]
        rows = np.array([[t.estimate, t.se, t.df2] for t in tests], dtype=float)
    except ModelNotTrusted:
        rows = np.full((len(pairs), 3), np.nan)
    return rows[None, :, 0], rows[None, :, 1], rows[None, :, 2]


def _words(size_of: Array, se: Array, df: Array, margin: float, depths: int, alpha: float,
           analytes: int) -> NDArray[np.bool_]:
    """Rows: homogeneous, stratified, stratified at alpha/analytes; one column a study."""
    t = -special.stdtrit(df, alpha)
    over = ((size_of - margin) / se).max(axis=1)
    at, least = margin / se.max(axis=1), df.min(axis=1)
    return np.array([(size_of + t * se < margin).all(axis=1), over > _critical(at, least, depths, alpha),
                     over > _critical(at, least, depths, alpha / analytes)])


def _pairs(names: Sequence[str], depths: int) -> Array:
    """All differences of depths in the coefficients of the batch engine (reference depth: d0)."""
    columns = np.zeros((depths, len(names)))
    for j in range(1, depths):
        columns[j, list(names).index(f"depth[d{j}]")] = 1.0
    return np.asarray(pair_matrix(depths) @ columns)


def _critical(margin_in_se: Array, df: Array, depths: int, alpha: float) -> Array:
    """The critical number, interpolated over degrees of freedom (in 1/df)."""
    grid = np.array([critical_reach(margin_in_se, depths, float(v), alpha) for v in _DF])
    place = np.interp(-1 / np.maximum(df, 1.0), -1 / _DF, np.arange(len(_DF)))
    low = np.minimum(place.astype(int), len(_DF) - 2)
    part = place - low
    cols = np.arange(len(df))
    return np.asarray((1 - part) * grid[low, cols] + part * grid[low + 1, cols])
