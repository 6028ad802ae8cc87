"""The cheapest design that reaches a target, and what a given budget can buy.

Every design of a grid (containers x determinations x depths) is priced; they are then tried from
the cheapest upwards until the target is reached.  So the answer is proved on the grid by
enumeration: every cheaper design has been evaluated and misses the target.  Nothing is assumed
about how the chance grows.

One determination means one sample tested once for all analytes of the study together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import optimize

from studykit.core.errors import BadInput, Fault
from studykit.design.operating import (
    BOTH,
    STUDIES,
    DesignSize,
    OperatingCharacteristic,
    Side,
    chances,
    depth_effects,
    homogeneous_chance,
    zone_effects,
)
from studykit.study.definition import Assumption, DesignSettings, Scatter

UNTYPED_PROFILES = 0.5
"""Scatter of profiles that chances are shown for beside none, where it is not typed, in margins (own judgement): one container
in six then lies beyond though nothing has settled on average, nearly the share that a stock may have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """One analyte to be judged: what is guessed of it, and its margin, both on the scale of the analysis.

    That scale is 100·ln for a ``relative`` margin (``unit`` "%"), else the analyte's unit. ``side``: the side of the mixed
    container that counts, of a one-sided margin.
    """

    analyte: str
    guess: Assumption
    margin: float
    unit: str = ""
    relative: bool = False
    side: Side = BOTH

    def shown(self, difference: float) -> float:
        """A difference on the scale of the analysis as people read it: per cent or unit."""
        return 100 * math.expm1(difference / 100) if self.relative else difference

    def scaled(self, shown: float) -> float:
        """The way back, from what people read."""
        return 100 * math.log1p(shown / 100) if self.relative else shown

    def with_gradient(self, gradient: float) -> Aim:
        """The same with another true difference, lowest depth minus top, on the scale of the analysis."""
        return replace(self, guess=self.guess.model_copy(update={"gradient": gradient}))

    def with_margin(self, margin: float) -> Aim:
        """The same with another margin on the scale of the analysis."""
        return replace(self, margin=margin)

    @property
    def untyped_profiles(self) -> bool:
        """True where nobody said how much the profiles of containers differ, so that they are taken to be alike."""
        return "sd_container_depth" not in self.guess.model_fields_set

    def scattered(self) -> Aim:
        """The same with profiles that scatter by UNTYPED_PROFILES of the margin, where nobody said how much."""
        more = {"sd_container_depth": UNTYPED_PROFILES * self.margin}
        return replace(self, guess=self.guess.model_copy(update=more)) if self.untyped_profiles else self

    @property
    def right_word(self) -> str:
        """The verdict that would be true if the guess were."""
        return self.right_at(2)

    def right_at(self, depths: int) -> str:
        """The same for so many depths, on which zones against their mixed container hang."""
        shift = self.farthest(depths) if self.side.sign else float(np.ptp(depth_effects(self.guess, 2)))
        return "homogeneous" if shift <= self.margin else "stratified"

    def farthest(self, depths: int) -> float:
        """How far the guessed zone that lies farthest towards a one-sided margin does, of so many depths."""
        return float((self.side.sign * zone_effects(self.guess, depths, self.side)).max())

    def margin_at(self, size: float) -> float:
        """A margin of a size on the scale of the analysis as people read it; below the mixed container, how far below."""
        return -self.shown(-size) if self.side.sign < 0 else self.shown(size)

    def beyond_by(self, times: float, depths: int) -> Aim:
        """The same with a true difference of so many margins; one-sided: with a zone that lies so many margins off."""
        if not self.side.sign:
            return self.with_gradient(times * self.margin)

        def gap(gradient: float) -> float:
            return self.with_gradient(gradient).farthest(depths) - times * self.margin

        far = 1000.0 if self.relative else 100 * depths * times * self.margin
        return self.with_gradient(far if gap(far) < 0 else float(optimize.brentq(gap, 0.0, far)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """Price of a container opened, a sample drawn, a determination; and what is spent in any case."""

    container: float
    sample: float
    determination: float
    fixed: float = 0.0

    def of(self, size: DesignSize) -> float:
        """What the design costs."""
        return (self.fixed + self.container * size.containers + self.sample * size.samples
                + self.determination * size.determinations)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The grid: fewest and most containers, most determinations per sample, depths to try, most of all; declared scatter."""

    depths: tuple[int, ...]
    min_containers: int = 2
    max_containers: int = 60
    max_replicates: int = 4
    max_samples: int | None = None
    max_determinations: int | None = None
    scatter: Scatter = "unstructured"

    def sizes(self) -> list[DesignSize]:
        """Every design of the grid; BadInput where the limits leave none."""
        grid = [DesignSize(containers=n, depths=d, replicates=k, scatter=self.scatter) for d in self.depths
                for n in range(self.min_containers, self.max_containers + 1)
                for k in range(1, self.max_replicates + 1)]
        most, results = self.max_samples or np.inf, self.max_determinations or np.inf
        kept = [s for s in grid if s.samples <= most and s.determinations <= results]
        if not kept:
            raise BadInput([Fault(file="study.toml", column="design", reason="the limits leave no design to try",
                                  remedy="raise max_containers, max_samples or max_determinations")])
        return kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One design: its size, cost, and the chance of the right verdict per analyte (0..1)."""

    size: DesignSize
    cost: float
    rights: tuple[tuple[str, float], ...]

    @property
    def lowest(self) -> float:
        """Chance for the analyte that is hardest to decide."""
        return min(p for _, p in self.rights)

    @property
    def every(self) -> float:
        """At least this chance that every analyte gets its right verdict (Bonferroni; no independence needed)."""
        return max(0.0, 1.0 - sum(1.0 - p for _, p in self.rights))

    def row(self) -> dict[str, object]:
        """The candidate as a table row; chances in per cent."""
        return {"containers": self.size.containers, "depths": self.size.depths,
                "determinations_per_sample": self.size.replicates, "samples": self.size.samples,
                "determinations": self.size.determinations, "cost": self.cost,
                "lowest_chance_percent": 100 * self.lowest, "all_at_least_percent": 100 * self.every}


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """The designs that reach the target, cheapest first, and how the first one is known to be cheapest."""

    target: float
    best: tuple[Candidate, ...]
    tried: tuple[Candidate, ...]
    grid_size: int
    unaffordable: int = 0

    @property
    def found(self) -> Candidate | None:
        """The cheapest design that reaches the target, or None."""
        return self.best[0] if self.best else None

    def proof(self) -> str:
        """Why no cheaper design of the grid will do, in one sentence."""
        if self.found is None:
            top = max(self.tried, key=lambda c: c.lowest)
            return (f"None of the {len(self.tried)} designs tried reaches {100 * self.target:g} %; "
                    f"the best of them reaches {100 * top.lowest:.1f} %.")
        cheaper = [c for c in self.tried if c.cost < self.found.cost]
        near = max((c.lowest for c in cheaper), default=0.0)
        return (f"All {len(cheaper)} cheaper designs of a grid of {self.grid_size} were evaluated; "
                f"the best of them reaches {100 * near:.1f} %, below {100 * self.target:g} %.")

    def to_table(self) -> pd.DataFrame:
        """The best few, one row a design."""
        return pd.DataFrame([c.row() for c in self.best])


def costs_of(settings: DesignSettings) -> Costs:
    """The prices of [design]; BadInput where none is given (the cheapest design would have no meaning)."""
    determination = settings.cost_determination + sum(settings.cost_per_analyte.values())
    if settings.cost_container == settings.cost_sample == determination == 0:
        raise BadInput([Fault(file="study.toml", column=f"design.{name}", reason="no cost is given",
                              remedy="write what one costs, in any currency or in hours")
                        for name in ("cost_container", "cost_sample", "cost_determination")],
                       title="A cheapest design needs costs")
    return Costs(container=settings.cost_container, sample=settings.cost_sample,
                 determination=determination, fixed=settings.cost_fixed)


def limits_of(settings: DesignSettings, depths: int, scatter: Scatter = "unstructured") -> Limits:
    """The grid of [design] for the study's number of depths and its declared scatter."""
    return Limits(depths=(depths,), scatter=scatter, min_containers=min(2, settings.max_containers),
                  max_containers=settings.max_containers, max_replicates=settings.max_replicates,
                  max_samples=settings.max_samples, max_determinations=settings.max_determinations)


def right_chance(aim: Aim, size: DesignSize, alpha: float = 0.05, studies: int = STUDIES) -> float:
    """Chance of the verdict that would be true if the guess were."""
    if aim.right_at(size.depths) == "homogeneous":
        return homogeneous_chance(size, aim.guess, aim.margin, alpha=alpha, studies=studies, side=aim.side)
    return aim_chances(aim, size, alpha, studies).stratified


@lru_cache(maxsize=8192)
def aim_chances(aim: Aim, size: DesignSize, alpha: float = 0.05, studies: int = STUDIES) -> OperatingCharacteristic:
    """Chances of all three verdicts for one analyte."""
    return chances(size, aim.guess, aim.margin, alpha=alpha, studies=studies, side=aim.side)


def price(aims: Sequence[Aim], size: DesignSize, costs: Costs, alpha: float = 0.05) -> Candidate:
    """One design with its cost and its chance per analyte."""
    return Candidate(size=size, cost=costs.of(size),
                     rights=tuple((a.analyte, right_chance(a, size, alpha)) for a in aims))


def _by_cost(sizes: Iterable[DesignSize], costs: Costs) -> list[DesignSize]:
    return sorted(sizes, key=lambda s: (costs.of(s), s.determinations, s.containers))


def cheapest(aims: Sequence[Aim], costs: Costs, limits: Limits, *, target: float = 0.8, alpha: float = 0.05,
             few: int = 5, every: bool = False) -> SearchResult:
    """The cheapest designs whose chance of the right verdict reaches ``target``, proved on the grid.

    With ``every`` the target is asked of all analytes at once (Bonferroni), else of each.  Stops when
    ``few`` designs are found or the grid is exhausted.  ValueError for a target outside (0, 1) or no aim.
    """
    if not 0 < target < 1:
        raise ValueError(f"target must lie between 0 and 1, but got {target}")
    if not aims:
        raise ValueError("aims must name at least one analyte")
    sizes = _by_cost(limits.sizes(), costs)
    tried: list[Candidate] = []
    best: list[Candidate] = []
    for size in sizes:
        made = price(aims, size, costs, alpha)
        tried.append(made)
        if (made.every if every else made.lowest) >= target:
            best.append(made)
            if len(best) == few:
                break
    return SearchResult(target=target, best=tuple(best), tried=tuple(tried), grid_size=len(sizes))


def for_budget(aims: Sequence[Aim], costs: Costs, limits: Limits, budget: float, *, alpha: float = 0.05,
               few: int = 5) -> SearchResult:
    """The designs with the highest lowest chance among all that cost at most ``budget``.

    BadInput where not even the smallest design is affordable.
    """
    sizes = _by_cost(limits.sizes(), costs)
    affordable = affordable_of(sizes, costs, budget)
    tried = [price(aims, s, costs, alpha) for s in affordable]
    order = sorted(tried, key=lambda c: (-round(c.lowest, 9), c.cost))
    return SearchResult(target=order[0].lowest, best=tuple(order[:few]), tried=tuple(tried),
                        grid_size=len(sizes), unaffordable=len(sizes) - len(affordable))


def affordable_of(sizes: Sequence[DesignSize], costs: Costs, budget: float) -> list[DesignSize]:
    """The designs that cost at most ``budget``; BadInput where not even the smallest does."""
    affordable = [s for s in sizes if costs.of(s) <= budget]
    if not affordable:
        least = min(costs.of(s) for s in sizes)
        raise BadInput([Fault(file="study.toml", column="design.budget", value=f"{budget:g}",
                              reason=f"the smallest design of the grid costs {least:g}",
                              remedy="raise the budget, or allow fewer containers")], title="The budget is too small")
    return affordable


def frontier(tried: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The designs that no cheaper or equally cheap one beats, by cost."""
    out: list[Candidate] = []
    for c in sorted(tried, key=lambda c: (c.cost, -c.lowest)):
        if not out or c.lowest > out[-1].lowest:
            out.append(c)
    return tuple(out)
