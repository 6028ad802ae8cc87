"""One position of the sliders: chances, cost, the cheapest design beside it, and one study drawn in that world.

Chances come from the first of the simulated studies that the tables use (``few``), so that a move takes a tenth of a
second; one container is exact as there.  The cheapest design is looked for by halving the number of containers, which
takes the chance to grow with it; the table of the design chapter tries every design.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studykit.design.cheapest import Aim, Candidate, Costs, Limits, aim_chances, right_chance
from studykit.design.operating import (
    BLOCK,
    DesignSize,
    OperatingCharacteristic,
    depth_effects,
    depth_mean_sd,
    drawn_cells,
    judged_cells,
    resolvable_margin,
    t_quantile,
)
from studykit.inference.bounded import critical_beyond
from studykit.inference.contrasts import pair_rows, word_codes

Array = NDArray[np.float64]
MOST_STUDIES, FEWEST_STUDIES, DIFFERENCES = 2048, 512, 12288
STEPS = np.linspace(0.0, 2.0, 13)  # true differences drawn, in margins
WORDS = ("inconclusive", "homogeneous", "stratified")
MOST_DEPTHS, MOST_REPLICATES = 12, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A study drawn at random, as it would be judged; all on the scale of the analysis.

    ``cells``: mean of each container (rows) at each depth, surface down, less the stock's level. ``pair``: the two
    depths that differ most; ``estimate``, ``low``, ``high``: their difference, deeper minus shallower, and its interval.
    """

    cells: Array
    pair: tuple[int, int]
    estimate: float
    low: float
    high: float
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Explored:
    """What one position of the sliders says; ``curve``: true difference in margins, chances homogeneous and stratified."""

    size: DesignSize
    aim: Aim
    chances: OperatingCharacteristic
    cost: float
    smallest_margin: float
    curve: tuple[tuple[float, float, float], ...]
    cheapest: Candidate | None
    drawn: Drawn


def few(depths: int) -> int:
    """How many of the simulated studies a move of a slider counts: fewer where there are many pairs of depths."""
    return max(FEWEST_STUDIES, min(MOST_STUDIES, DIFFERENCES // math.comb(depths, 2)))


def prepare(depths: Iterable[int]) -> None:
    """Draw what every move needs, once for each number of depths."""
    for d in depths:
        drawn_cells(BLOCK, d, few(d))


def explore(aim: Aim, size: DesignSize, costs: Costs, limits: Limits, *, target: float = 0.8, alpha: float = 0.05,
            number: int = 1) -> Explored:
    """Everything that the sliders show for one design and world; ``number`` names the study drawn."""
    curve, some = [], few(size.depths)
    for x in STEPS[::3] if size.containers == 1 else STEPS:  # exact chances take longer
        got = aim_chances(aim.with_gradient(float(x * aim.margin)), size, alpha, some)
        curve.append((float(x), got.homogeneous, got.stratified))
    least = resolvable_margin(size, aim.with_gradient(0.0).guess, alpha=alpha, studies=some)
    return Explored(size=size, aim=aim, chances=aim_chances(aim, size, alpha, some), cost=costs.of(size),
                    smallest_margin=aim.shown(least), curve=tuple(curve), drawn=drawn_study(aim, size, number, alpha),
                    cheapest=about_cheapest(aim, costs, replace(limits, depths=(size.depths,)), target=target, alpha=alpha))


def about_cheapest(aim: Aim, costs: Costs, limits: Limits, *, target: float = 0.8, alpha: float = 0.05) -> Candidate | None:
    """The cheapest design of the grid for one analyte, by halving; None where the largest ones miss the target."""
    best: Candidate | None = None
    rows: dict[tuple[int, int], list[DesignSize]] = {}
    for size in limits.sizes():
        rows.setdefault((size.depths, size.replicates), []).append(size)
    for row in rows.values():
        cheaper = [z for z in row if best is None or costs.of(z) < best.cost]
        best = _fewest(aim, cheaper, costs, target, alpha, best) or best
    return best


def _fewest(aim: Aim, row: list[DesignSize], costs: Costs, target: float, alpha: float, before: Candidate | None
            ) -> Candidate | None:
    """The first design of a row, from few containers to many, that reaches the target; None where the last misses it.

    It is looked for first where it would lie if the number of containers went with the square of the scatter of a depth mean
    in the design found ``before``.
    """
    def chance(z: DesignSize) -> float:
        return right_chance(aim, z, alpha, few(z.depths))

    if not row or chance(row[-1]) < target:
        return None
    low, high = 0, len(row) - 1
    if before is not None and before.size.depths == row[0].depths:
        scatter = [depth_mean_sd(z, aim.guess) ** 2 * z.containers for z in (row[-1], before.size)]
        guess = round(before.size.containers * scatter[0] / scatter[1]) - row[0].containers
        for at in (guess + 1, guess - 2):
            if low <= at < high:
                low, high = (low, at) if chance(row[at]) >= target else (at + 1, high)
    at = bisect_left(row, target, low, high, key=chance)
    return Candidate(size=row[at], cost=costs.of(row[at]), rights=((aim.analyte, chance(row[at])),))


def drawn_study(aim: Aim, size: DesignSize, number: int = 1, alpha: float = 0.05) -> Drawn:
    """One study of this design under the aim's guess; the same ``number`` scatters the same way, whatever the sizes."""
    g, k = aim.guess, size.replicates
    z = _normals(number, size)
    cells = depth_effects(g, size.depths) + g.sd_container * z[:, :1, 0] + g.sd_container_depth * z[:, :, 1]
    return _judged(aim, size, cells + g.s_r * z[:, :, 2:2 + k].mean(axis=2), alpha)


def _normals(number: int, size: DesignSize) -> Array:
    """Standard normal numbers (containers, depths, 2 + determinations); what a size has, it has in every larger one."""
    depths, most = max(MOST_DEPTHS, size.depths), max(MOST_REPLICATES, size.replicates)
    made = np.random.default_rng([number]).standard_normal((size.containers, depths, 2 + most))
    return made[:, :size.depths]


def _judged(aim: Aim, size: DesignSize, cells: Array, alpha: float) -> Drawn:
    """The word by the rule that judges real studies, and the interval of the pair that differs most."""
    rows = pair_rows(size.depths)
    if size.containers == 1:
        se = np.full(len(rows), math.sqrt(2) * depth_mean_sd(size, aim.guess))
        estimate, df = rows @ cells[0], math.inf
        word = _word_of_one(estimate, float(se[0]), aim.margin, size.depths, alpha)
    else:
        found = judged_cells(cells[None], size.scatter)
        estimate, se, df = found.estimate[0], found.se[0], float(found.df[0, int(np.abs(found.estimate[0]).argmax())])
        word = WORDS[int(word_codes(found, aim.margin, alpha, depths=size.depths)[0])]
    at = int(np.abs(estimate).argmax())
    half = t_quantile(df, alpha) * float(se[at])
    return Drawn(cells=cells, pair=(int(rows[at].argmin()), int(rows[at].argmax())), word=word,
                 estimate=float(estimate[at]), low=float(estimate[at]) - half, high=float(estimate[at]) + half)


def _word_of_one(estimate: Array, se: float, margin: float, depths: int, alpha: float) -> str:
    """The word for one container, whose scatter is taken as known."""
    widest = float(np.abs(estimate).max())
    if widest + t_quantile(math.inf, alpha) * se < margin:
        return "homogeneous"
    return "stratified" if widest >= margin + critical_beyond(depths, math.inf, margin, se, alpha) * se else "inconclusive"
