"""Chances by simulation, for designs and troubles that no closed form covers.

Studies are made from single results and judged by the rule of real ones: every pair of depths by the containers' own
differences (``inference.contrasts``) or under the declared scatter, samples lost or not.  Troubles: lost samples, results
below quantification (left out here; the verdict itself takes them as values between bounds), gradients that differ between
containers, several analytes together.  The answer carries its Monte Carlo error, and the same seed gives the same digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.design.cheapest import Aim
from studykit.design.operating import DesignSize, OperatingCharacteristic, depth_effects, judged_cells, zones_of
from studykit.inference.contrasts import word_codes

Array = NDArray[np.float64]
PATTERNS = 20


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
    streams = np.random.SeedSequence(seed).spawn(len(aims) + 1)
    lost = _lost(size, trouble.missing, studies, np.random.default_rng(streams[0]))
    within = np.zeros((len(aims), studies), dtype=bool)
    beyond, beyond_holm, failed = within.copy(), within.copy(), within.copy()
    for i, aim in enumerate(aims):
        y = _values(aim, size, trouble, studies, np.random.default_rng(streams[i + 1]))
        gone = lost if trouble.limit is None else lost | (y < trouble.limit)
        within[i], beyond[i], beyond_holm[i], failed[i] = _judge(y, gone, aim, size, alpha, len(aims))
    made = tuple((a.analyte, OperatingCharacteristic(
        homogeneous=float(within[i].mean()), stratified=float(beyond[i].mean()), gradient_seen=math.nan, se=math.nan,
        df=math.nan, studies=studies)) for i, a in enumerate(aims))
    return SimulatedStudies(chances=made, all_homogeneous=float(within.all(axis=0).mean()),
                            any_stratified=float(beyond_holm.any(axis=0).mean()),
                            not_assessed=float(failed.mean()), studies=studies)


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


class _Judged(NamedTuple):
    """Per study: homogeneous, stratified, stratified at alpha/analytes, some pair of depths could not be judged."""

    within: NDArray[np.bool_]
    beyond: NDArray[np.bool_]
    holm: NDArray[np.bool_]
    failed: NDArray[np.bool_]


def _judge(y: Array, gone: NDArray[np.bool_], aim: Aim, size: DesignSize, alpha: float, analytes: int) -> _Judged:
    """The words of studies (rows, studies); what is ``gone`` never arrived."""
    shape = (size.containers, size.depths, size.replicates, y.shape[1])
    seen = ~gone.reshape(shape)
    count = seen.sum(axis=2)
    total = np.where(seen, y.reshape(shape), 0.0).sum(axis=2)
    cells = np.where(count > 0, total / np.maximum(count, 1), np.nan).transpose(2, 0, 1)
    found = zones_of(cells, aim.side) if aim.side.sign else judged_cells(cells, size.scatter)
    words, careful = (word_codes(found, aim.margin, a, depths=size.depths, side=aim.side.sign)
                      for a in (alpha, alpha / analytes))
    failed = ~np.asarray(found.judged).all(axis=1)
    return _Judged(np.asarray(words == 1), np.asarray(words == 2), np.asarray(careful == 2), np.asarray(failed))
