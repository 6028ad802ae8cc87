"""What a design will be able to say of time, before anybody samples: the rule of ``trend`` put to simulated studies.

One analyte in one group, on the scale of its margin. The difference between the lowest and the uppermost zone of a container
grows in proportion to the declared course and passes the margin on average at a guessed time::

    zone = its part of (own rate x course) + own profile + scatter of a cell mean

with parts from -1/2 to 1/2 evenly, or 1 for the lowest zone alone. Every pair of depths is judged, by the line and by one with
a bend, as in a report. Containers drawn again keep their rate and their profile; sister containers have one of each for every
drawing. What is not simulated: a course other than the declared one, ages that by chance seem to lie on none (a hundredth of
studies), lost readings, differences at filling, liquid taken out by earlier draws; and where containers drawn again began to
stand on different days, least squares stand in for the mixed model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from studykit.ageing.bends import mean_held
from studykit.ageing.courses import Course, same_ages
from studykit.ageing.lines import Lines, fit_lines
from studykit.ageing.reach import containers_law, earlier, share_within
from studykit.ageing.trend import horizon
from studykit.core.errors import DesignMismatch
from studykit.core.memory import remembered

Array = NDArray[np.float64]
STUDIES, FEWEST = 1000, 200
ZONES = 200_000
"""Zones that are simulated in all for one plan: of many drawings fewer studies, ``FEWEST`` at least."""
SEED = 20261126
POINTS = 41


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawings:
    """Age in months and container of every drawing that is planned."""

    months: tuple[float, ...]
    units: tuple[int, ...]

    def __post_init__(self) -> None:
        if len(self.months) != len(self.units) or not self.months or min(self.months) < 0:
            raise ValueError(f"every drawing needs an age of 0 or more and a container, but got {self.months} and {self.units}")

    @property
    def containers(self) -> int:
        """How many containers are opened."""
        return len(set(self.units))

    @property
    def again(self) -> bool:
        """True where containers are drawn at more than one age."""
        return self.containers < len(self.units)


def drawings(ages: tuple[float, ...], containers: int, *, again: bool) -> Drawings:
    """Each container at all ages (``again``), or each opened once, at the ages in turn."""
    if again:
        return Drawings(months=ages * containers, units=tuple(np.repeat(np.arange(containers), len(ages)).tolist()))
    return Drawings(months=tuple(ages[i % len(ages)] for i in range(containers)), units=tuple(range(containers)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """What is guessed: the margin and, in its unit, the standard deviations of a cell mean and of containers' own profiles.

    ``passes``: month at which the mean difference passes the margin, infinite for no growth; ``own_rates``: standard
    deviation of the containers' rates as a share of the mean rate; ``shape``: 'linear' from top to bottom, or 'lowest only'.
    """

    margin: float
    passes: float
    cell: float
    profiles: float = 0.0
    own_rates: float = 0.0
    shape: str = "linear"

    def __post_init__(self) -> None:
        if not (self.margin > 0 and self.passes > 0 and self.cell > 0 and self.profiles >= 0 and self.own_rates >= 0):
            raise ValueError(f"margin, passes and cell must be above 0, profiles and own_rates not below, but got {self}")


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeChances:
    """Simulated studies: share that shows growth (0 to 1), and the times that each gives, months (S,).

    ``safe``: up to here the mean is shown within the margin (0: at no age); ``latest``: from here it is shown beyond
    (infinite: never); ``bound``: the last age that is looked at. ``few``: up to here at most ``share`` (0 to 1) of the
    containers are shown to lie beyond (0: at no age), None where the containers are too few to tell.
    """

    seen: float
    safe: Array
    latest: Array
    bound: float
    share: float
    few: Array | None

    @property
    def within(self) -> float:
        """The time up to which half of the studies show the mean to be within the margin, months."""
        return float(np.median(self.safe))

    @property
    def few_within(self) -> float:
        """The time up to which half of the studies show at most ``share`` beyond, months; NaN: too few containers."""
        return math.nan if self.few is None else float(np.median(self.few))

    def known(self, chance: float = 0.8) -> float:
        """The time to the margin is known within ± so many months in that share of studies; infinite where it is not."""
        return float(np.quantile((self.latest - self.safe) / 2, chance, method="inverted_cdf"))

    def chance_known(self, months: float) -> float:
        """Share of studies whose interval of the time to the margin is no wider than ± ``months``."""
        return float(np.mean((self.latest - self.safe) / 2 <= months))

    def error(self, chance: float) -> float:
        """Standard error of a chance from the finite number of simulated studies."""
        n = len(self.safe)
        return math.sqrt(max(chance * (1 - chance), 1 / n) / n)

    def to_table(self) -> pd.DataFrame:
        """What may be expected, one row each: words, value, unit."""
        return pd.DataFrame([
            {"what": "growth is shown", "value": 100 * self.seen, "unit": "% of studies"},
            {"what": "shown within up to (half of studies)", "value": self.within, "unit": "months"},
            {"what": f"at most {100 * self.share:g} % beyond up to (half of studies)", "value": self.few_within,
             "unit": "months"},
            {"what": "known within ± (80 % of studies)", "value": self.known(), "unit": "months"}])


@lru_cache(maxsize=4096)
@remembered
def time_chances(plan: Drawings, growth: Growth, course: Course, *, alpha: float = 0.05, share: float = 0.2,
                 depths: int = 3) -> TimeChances | None:
    """What ``studies_of`` studies of this plan say; None where it carries no line: one age, or too few drawings.

    ``share`` (0 to 1): of containers that may lie beyond the margin.
    Growth is shown where the two-sided 95 % interval of the rate excludes no change, as the report prints it.
    """
    zones = simulated(plan, growth, course, depths, np.random.default_rng([SEED, len(plan.months)]))
    try:
        return judged(zones, plan, course, growth.margin, alpha=alpha, share=share)
    except DesignMismatch:
        return None


def judged(zones: Array, plan: Drawings, course: Course, margin: float, *, alpha: float, share: float) -> TimeChances:
    """What studies say, zones (S, drawings, depths) on the scale of a symmetric margin; DesignMismatch: no line."""
    t, units = np.asarray(plan.months), np.asarray(plan.units)
    pairs, bound, edges = pairs_of(zones.shape[2]), horizon(course, t).bound, (-margin, margin)
    each = [zones[..., b] - zones[..., a] for a, b in pairs]
    lines, parts = [fit_lines(d, course.line(t), units) for d in each], [1.0, *[1 / (len(pairs) - 1 or 1)] * (len(pairs) - 1)]
    mean = earlier([mean_held(d, line, _bend(d, course, t, units), course, t, edges, alpha=alpha, beyond=alpha * part,
                              stop=bound, points=POINTS) for d, line, part in zip(each, lines, parts, strict=True)])
    return TimeChances(seen=_seen(lines[0]), safe=np.where(mean.outside, 0.0, mean.safe), latest=mean.latest, bound=bound,
                       share=share, few=_few(each, course, t, units, edges, alpha, share, bound))


def pairs_of(depths: int) -> list[tuple[int, int]]:
    """Every pair of depths counted from the surface, that of the ends first."""
    ends = (0, depths - 1)
    return [ends, *(p for p in combinations(range(depths), 2) if p != ends)]


def _bend(d: Array, course: Course, t: Array, units: Array) -> Lines | None:
    """Lines with a bend; None where two ages, or too few containers, cannot show one."""
    if same_ages(t).max() < 2:
        return None
    try:
        return fit_lines(d, course.bent(t), units)
    except DesignMismatch:
        return None


def _few(each: list[Array], course: Course, t: Array, units: Array, edges: tuple[float, float], alpha: float, share: float,
         bound: float) -> Array | None:
    """Up to when the share beyond by any pair is shown to be small enough, 0 for at no age; None with too few containers."""
    span = float(t.min()), float(t.max())
    laws = [law for d in each if (law := containers_law(d, course, t, units)) is not None]
    if len(laws) < len(each):
        return None
    safe = np.nan_to_num(share_within(laws, edges, share, alpha=alpha, span=span, stop=bound, points=POINTS)[0])
    if (far := safe > span[1]).any():
        bends = [law for d in each if (law := containers_law(d[far], course, t, units, bent=True)) is not None]
        bent = (share_within(bends, edges, share, alpha=alpha, span=span, stop=bound, points=POINTS)[0]
                if len(bends) == len(each) else np.full(int(far.sum()), np.nan))
        safe[far] = np.minimum(safe[far], np.fmax(bent, span[1]))
    return safe


def studies_of(drawn: int, depths: int) -> int:
    """How many studies of so many drawings are simulated."""
    return max(FEWEST, min(STUDIES, ZONES // (drawn * depths)))


def simulated(plan: Drawings, growth: Growth, course: Course, depths: int, rng: np.random.Generator) -> Array:
    """Zones of ``studies_of`` studies, (S, drawings, depths), without what all have in common."""
    studies = studies_of(len(plan.months), depths)
    g, unit = course.column(plan.months), np.unique(plan.units, return_inverse=True)[1]
    rate = 0.0 if math.isinf(growth.passes) else growth.margin / float(course.column(growth.passes))
    parts = np.linspace(-0.5, 0.5, depths) if growth.shape == "linear" else np.arange(depths) // (depths - 1)
    own = rate * (1 + growth.own_rates * rng.standard_normal((studies, plan.containers)))[:, unit] * g
    profile = growth.profiles * rng.standard_normal((studies, plan.containers, depths))[:, unit]
    return np.asarray(own[..., None] * parts + profile + growth.cell * rng.standard_normal((studies, len(g), depths)))


def _seen(lines: Lines) -> float:
    """Share of studies whose rate is shown not to be zero."""
    r = lines.at([[0.0, 1.0]])
    with np.errstate(all="ignore"):
        return float(np.mean(np.abs(r.estimate[:, 0]) > stats.t.isf(0.025, r.df[0]) * r.se[:, 0]))
