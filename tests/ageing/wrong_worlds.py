"""What the chances of time are worth where the world is not as guessed: the table of docs/01-design.md.

    python -m tests.ageing.wrong_worlds      # prints its rows; half a minute of processor time

Lost drawings of containers drawn again are judged by least squares, where a report takes the mixed model.
"""

from __future__ import annotations

import math

import numpy as np

from studykit.ageing.ahead import Drawings, Growth, drawings, judged, time_chances
from studykit.ageing.courses import Course

AGES = (4.0, 12.0, 20.0, 30.0)
GUESS = Growth(margin=10, passes=20, cell=1.2, profiles=1.5, own_rates=0.3)
DESIGNS = {"12 sister containers": drawings(AGES, 12, again=False), "6 containers drawn again": drawings(AGES, 6, again=True)}
WORLDS = ("as guessed", "heavy tails", "skewed", "square root of time", "15 % lost")
LINEAR = Course()
STUDIES, PATTERNS = 4000, 40


def draw(world: str, rng: np.random.Generator, *shape: int) -> np.ndarray:
    """Scatter of mean 0 and variance 1."""
    if world == "heavy tails":
        return np.asarray(rng.standard_t(3, shape) / math.sqrt(3))
    if world == "skewed":
        return np.asarray((np.exp(rng.standard_normal(shape)) - math.exp(0.5)) / math.sqrt((math.e - 1) * math.e))
    return rng.standard_normal(shape)


def zones(plan: Drawings, world: str, rng: np.random.Generator, studies: int) -> np.ndarray:
    """Zones of that world, (studies, drawings, 3), which grow apart evenly from top to bottom."""
    t, unit = np.array(plan.months), np.array(plan.units)
    mean = GUESS.margin * (np.sqrt(t / GUESS.passes) if world == "square root of time" else t / GUESS.passes)
    own = mean + GUESS.own_rates * GUESS.margin * draw(world, rng, studies, plan.containers)[:, unit] * t / GUESS.passes
    profile = GUESS.profiles * draw(world, rng, studies, plan.containers, 3)[:, unit]
    return np.asarray(own[..., None] * np.array([-0.5, 0, 0.5]) + profile + GUESS.cell * draw(world, rng, studies, len(t), 3))


def run(plan: Drawings, world: str, studies: int = STUDIES) -> tuple[float, float, float]:
    """Growth shown (%), median time shown within (months), time too long (%)."""
    rng = np.random.default_rng(3)
    every, found = zones(plan, world, rng, studies), []
    for part in np.array_split(np.arange(studies), PATTERNS if world == "15 % lost" else 1):
        kept = np.ones(len(plan.months), dtype=bool)
        while world == "15 % lost":
            kept = rng.random(len(plan.months)) >= 0.15
            if kept.sum() > 5 and len(set(np.array(plan.months)[kept])) > 2:
                break
        left = Drawings(months=tuple(np.array(plan.months)[kept]), units=tuple(np.array(plan.units)[kept].tolist()))
        found.append((judged(every[part][:, kept], left, LINEAR, GUESS.margin, alpha=0.05, share=0.2), len(part)))
    safe = np.concatenate([f.safe for f, _ in found])
    seen = 100 * sum(f.seen * n for f, n in found) / studies
    return seen, float(np.median(safe)), 100 * float((safe > GUESS.passes).mean())


def main() -> None:
    """Print the rows."""
    for name, plan in DESIGNS.items():
        promised = time_chances(plan, GUESS, LINEAR)
        assert promised is not None
        print(f"| {name}, as promised | {100 * promised.seen:.0f} | {promised.within:.1f} "
              f"| {100 * np.mean(promised.safe > GUESS.passes):.0f} |")
        for world in WORLDS:
            seen, within, late = run(plan, world)
            print(f"| {world} | {seen:.0f} | {within:.1f} | {late:.0f} |")


if __name__ == "__main__":
    main()
