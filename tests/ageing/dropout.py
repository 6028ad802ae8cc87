"""How often times are too long where containers drawn again are given up: for what was read of them, or by chance.

    python -m tests.ageing.dropout [STUDIES]      # prints what docs/time.md tells of; 20 ms of processor time a study

Visits at 4, 8, 16 and 24 months; the mean grows by 0.5 a month and passes 10 at 20 months; scatter of a difference 0.7.
"""

from __future__ import annotations

import sys

import numpy as np

from studykit.ageing.bends import mean_held
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import mean_passes
from tests.ageing import quick

AGES, LINEAR, EDGES, PASSES = np.array([4.0, 8.0, 16.0, 24.0]), Course(), (-10.0, 10.0), 20.0
WORLDS = {"own rates (SD 40 %), given up above 7": (0.4, 0.0, 0.0, 7.0),
          "own levels (SD 3), given up above 8": (0.0, 3.0, 0.0, 8.0),
          "own rates (SD 20 %), 15 % lost by chance": (0.2, 0.0, 0.0, np.inf),
          "neighbouring visits correlated (0.7), 15 % lost by chance": (0.0, 0.0, 0.7, np.inf)}


def draw(world: tuple[float, float, float, float], containers: int, rng: np.random.Generator) -> tuple[
        np.ndarray, np.ndarray]:
    """Differences, which of them were drawn, (containers, 4) both."""
    rates, levels, near, limit = world
    while True:
        root = np.linalg.cholesky(near ** np.abs(np.subtract.outer(np.arange(4), np.arange(4))) if near else np.eye(4))
        y = 0.5 * AGES * (1 + rates * rng.standard_normal((containers, 1))) + levels * rng.standard_normal((containers, 1))
        y = y + 0.7 * rng.standard_normal((containers, 4)) @ root.T
        past = np.maximum.accumulate(np.hstack([np.zeros((containers, 1)), y[:, :-1]]), axis=1)
        kept = past <= limit if np.isfinite(limit) else rng.random(y.shape) >= 0.15
        if kept.any(axis=0).all():
            return y, kept


def too_long(world: tuple[float, float, float, float], containers: int, studies: int) -> tuple[float, float, float, float]:
    """Per cent of times that are too long: by least squares, by ``fit_over``, as told; and the median told, months."""
    rng, found = np.random.default_rng([14, containers]), []
    drawn = [draw(world, containers, rng) for _ in range(studies)]
    every, kept = (np.stack([d[i].ravel() for d in drawn]) for i in (0, 1))
    months, units = np.tile(AGES, containers), np.repeat(np.arange(containers), 4)
    lines, bends = (quick.lines(every, kept, LINEAR, months, units, bent=b) for b in (False, True))
    for values, here, own, bend in zip(every, kept, lines, bends, strict=True):
        y, t, unit = values[here], months[here], units[here]
        given = {"alpha": 0.05, "stop": 36.0, "points": 41}
        line = [mean_passes(f, LINEAR, EDGES, span=(t.min(), t.max()), **given).safe[0]
                for f in (fit_lines(y, LINEAR.line(t), unit), own)]
        found.append((*line, mean_held(y[None], own, bend, LINEAR, t, EDGES, **given).safe[0]))
    times = np.nan_to_num(np.array(found))
    late = 100 * (times > PASSES).mean(axis=0)
    return float(late[0]), float(late[1]), float(late[2]), float(np.median(times[:, 2]))


def main() -> None:
    """Print the rows."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for name, world in WORLDS.items():
        for containers in (6, 12):
            plain, own, told, median = too_long(world, containers, studies)
            print(f"| {name} | {containers} | {plain:.0f} | {own:.1f} | {told:.1f} | {median:.1f} |", flush=True)


if __name__ == "__main__":
    main()
