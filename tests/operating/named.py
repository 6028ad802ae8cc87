"""Containers named beyond the margin and shown within it, where determinations of one scatter more than the others'."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import pair_rows
from studykit.inference.each import containers_beyond, within_by_own
from studykit.inference.margin import Margin
from studykit.inference.share import shown_beyond

from .engine import allowed

EDGE, ALPHA, TWICE = 6.0, 0.05, 2
ALIKE, THREE, FIVE, ZONE = "alike", "that container x 3", "that container x 5", "its lowest zone x 5"
FACTOR = {ALIKE: 1.0, THREE: 3.0, FIVE: 5.0, ZONE: 5.0}
NAMED = tuple((scatter, n, k) for scatter in FACTOR for n in (6, 24) for k in (2, 3, 5))


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRates:
    """One container at the margin or at two, per cent of studies; ``pooled``: by one scatter for all containers."""

    scatter: str
    containers: int
    depths: int
    studies: int
    named: float
    named_pooled: float
    cleared: float
    cleared_pooled: float
    found: float
    found_pooled: float
    level: float

    @property
    def required(self) -> bool:
        """Whether the rates are held to 5 %."""
        return self.scatter != ZONE

    @property
    def limit(self) -> float:
        """What passes, Monte Carlo error included."""
        return 5 + allowed(0.05, self.studies, 3.5)

    def faults(self) -> list[str]:
        """Named at the margin, or shown within there, too often; none where it is only reported."""
        told = (("named", self.named), ("shown within", self.cleared))
        return [f"{what} in {rate:.1f} %" for what, rate in told if self.required and rate > self.limit]


def _cells(rng: np.random.Generator, scatter: str, n: int, k: int, end: float) -> CellBounds:
    """One study: the first container's lowest zone lies ``end`` above the others."""
    sd = np.ones((n, k))
    sd[0, k - 1 if scatter == ZONE else slice(None)] = FACTOR[scatter]
    y = sd[:, :, None] * rng.standard_normal((n, k, TWICE))
    y[0, k - 1] += end
    container, depth, _ = (x.ravel() for x in np.indices(y.shape))
    return CellBounds.of_rows(container, depth, y.ravel(), y.ravel(), shape=(n, k), margin=Margin.absolute(EDGE), step=0.0)


def _judged(cells: CellBounds) -> tuple[bool, bool, bool, bool, bool]:
    """Of the first container: named, named by one scatter, shown within, the same by one; and the last one shown within."""
    margin, se, df = Margin.absolute(EDGE), float(cells.noise_se or 0), cells.noise_df
    rows = pair_rows(cells.k)
    d = cells.low[:, rows.argmax(axis=1)] - cells.low[:, rows.argmin(axis=1)]
    named = containers_beyond(cells, margin, se, df, ALPHA, twice=True).signs[0].any()
    pooled = shown_beyond(d, EDGE, noise_se=se, noise_df=df, alpha=ALPHA)[0].any()
    clear = within_by_own(cells, margin, se, df, ALPHA, twice=True)
    by_one = (np.abs(d[0]) - float(special.stdtrit(df, ALPHA)) * se < EDGE).all()
    return bool(named), bool(pooled), bool(clear[0]), bool(by_one), bool(clear[-1])


def run_containers(scatter: str, n: int, k: int, studies: int, seed: int) -> NamedRates:
    """Rates of one case."""
    rng = np.random.default_rng(seed)
    at, far = ((100 * np.mean([_judged(_cells(rng, scatter, n, k, x * EDGE)) for _ in range(studies)], axis=0)).tolist()
               for x in (1, 2))
    return NamedRates(scatter=scatter, containers=n, depths=k, studies=studies, named=at[0], named_pooled=at[1], cleared=at[2],
                      cleared_pooled=at[3], found=far[0], found_pooled=far[1], level=at[4])
