"""How often times are too long where settling does not run straight although a straight course was declared.

    python -m tests.ageing.curved_worlds      # prints the rows of docs/01-design.md; two seconds of processor time

Times by the line alone beside those that are told, held against a bend (``studykit.ageing.bends``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from studykit.ageing.bends import mean_held
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import Passing, mean_passes

LINEAR, EDGE, STUDIES = Course(), 10.0, 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """True mean difference at an age in months, when it passes 10, ages, containers of each age or drawn again, scatter."""

    truth: Callable[[np.ndarray], np.ndarray]
    passes: float
    ages: tuple[float, ...]
    containers: int
    again: bool
    scatter: float
    own: float = 0.0

    def rows(self) -> tuple[np.ndarray, np.ndarray]:
        """Months and container of every drawing."""
        if self.again:
            return np.tile(self.ages, self.containers), np.repeat(np.arange(self.containers), len(self.ages))
        return np.repeat(self.ages, self.containers // len(self.ages)), np.arange(self.containers)

    def draw(self, rng: np.random.Generator, studies: int) -> np.ndarray:
        """Differences of that world, (studies, drawings)."""
        t, unit = self.rows()
        own = 1 + self.own * rng.standard_normal((studies, self.containers))[:, unit]
        return np.asarray(self.truth(t) * own + np.sqrt(2) * self.scatter * rng.standard_normal((studies, len(t))))


YEAR, LONG = (3.0, 6.0, 9.0, 12.0), (4.0, 12.0, 20.0, 30.0)


def faster(t: np.ndarray) -> np.ndarray:
    """Grows with the power 2.5 of time."""
    return np.asarray(10 * (t / 16) ** 2.5)


def later(t: np.ndarray) -> np.ndarray:
    """Nothing for nine months, then 2 a month."""
    return np.asarray(2 * np.maximum(t - 9, 0))


def levelling(t: np.ndarray) -> np.ndarray:
    """Towards 16, half of it after ten months."""
    return np.asarray(16 * (1 - 2 ** (-t / 10)))


WORLDS = {
    "faster and faster, 12 opened once": World(truth=faster, passes=16, ages=YEAR, containers=12, again=False, scatter=1.0),
    "faster and faster, 6 drawn again": World(truth=faster, passes=16, ages=YEAR, containers=6, again=True, scatter=1.0,
                                              own=0.2),
    "nine months' delay, 12 opened once": World(truth=later, passes=14, ages=YEAR, containers=12, again=False, scatter=1.5),
    "nine months' delay, 6 drawn again": World(truth=later, passes=14, ages=YEAR, containers=6, again=True, scatter=0.8),
    "levelling off, 12 opened once": World(truth=levelling, passes=14.15, ages=LONG, containers=12, again=False, scatter=1.2,
                                           own=0.1),
    "levelling off, 6 drawn again": World(truth=levelling, passes=14.15, ages=LONG, containers=6, again=True, scatter=1.2,
                                          own=0.2),
    "straight, seen to 12 months": World(truth=lambda t: 0.625 * t, passes=16, ages=YEAR, containers=12, again=False,
                                         scatter=1.0),
    "straight, seen to 30 months": World(truth=lambda t: 0.5 * t, passes=20, ages=LONG, containers=12, again=False,
                                         scatter=1.0),
}


def told(world: World, d: np.ndarray) -> tuple[Passing, Passing]:
    """The mean's times by the line alone, and as told."""
    t, unit = world.rows()
    edges, given = (-EDGE, EDGE), {"alpha": 0.05, "stop": min(2 * t.max(), t.max() + 12), "points": 41}
    line, bend = fit_lines(d, LINEAR.line(t), unit), fit_lines(d, LINEAR.bent(t), unit)
    return (mean_passes(line, LINEAR, edges, span=(t.min(), t.max()), **given),
            mean_held(d, line, bend, LINEAR, t, edges, **given))


def run(world: World, studies: int = STUDIES) -> tuple[float, float, float, float]:
    """Too long by the line alone and as told, in per cent, and both medians in months."""
    d = world.draw(np.random.default_rng(11), studies)
    line, whole = (np.nan_to_num(p.safe) for p in told(world, d))
    return (100 * float(np.mean(line > world.passes + 0.02)), 100 * float(np.mean(whole > world.passes + 0.02)),
            float(np.median(line)), float(np.median(whole)))


def main() -> None:
    """Print the rows."""
    for name, world in WORLDS.items():
        alone, late, plain, within = run(world)
        print(f"| {name} | {alone:.0f} | {late:.1f} | {plain:.1f} | {within:.1f} |")


if __name__ == "__main__":
    main()
