"""Coverage of the time to the margin by simulation: twelve designs, containers' own slopes or none, every scatter.

    python -m tests.ageing.coverage      # writes docs/time-coverage.md; about six minutes of processor time,
                                         # and goes on where it was stopped (build/time-coverage.json)

A study is simulated as readings at three depths of every container and visit; of these the bottom-minus-top differences
are used. A container's own gradient stays with it through its visits. Times are followed on a coarser grid than in a report.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import optimize, stats

from studykit.ageing import reach
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import drawn_again, mean_passes, opened_once, own_lines, share_passes

EDGE, RATE, SHARE, ALPHA, STOP = 10.0, 0.5, 0.2, 0.05, 60.0
AGES = (4.0, 12.0, 20.0, 30.0)
STUDIES, PATTERNS, SHARES = 20_000, 40, 0.25
SEED = 20261126
OWN_SLOPE = 0.1
LINEAR = Course()
DONE = Path(__file__).parents[2] / "build" / "time-coverage.json"
SD = 0.5
TRUTHS = {
    "equal": "equal, independent scatter of every zone",
    "gradients": "each container its own gradient as well, top to bottom +-1 SD of a reading",
    "steep gradients": "the same, +-2 SD",
    "lowest zone x 3": "the lowest zone scatters three times as much",
    "AR(1) 0.7": "neighbouring zones correlated, 0.7",
    "zero": "no scatter of zones, determinations only (half the SD)",
    "visits 0.7": "neighbouring visits of a container correlated, 0.7",
}
"""As in docs/operating.md; containers' own curvature leaves out of bottom minus top, so it is the same as 'equal'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """One design: sister containers or the same ones again, how many, share of container visits lost."""

    again: bool
    containers: int
    lost: float

    @property
    def name(self) -> str:
        """The design in words."""
        return f"{'drawn again' if self.again else 'opened once'}, {self.containers} containers" + (
            f", {100 * self.lost:.0f} % lost" if self.lost else "")

    def rows(self) -> tuple[np.ndarray, np.ndarray]:
        """Months and container of every planned visit."""
        n = self.containers
        if self.again:
            return np.tile(AGES, n), np.repeat(np.arange(n), len(AGES))
        return np.array(AGES)[np.arange(n) % len(AGES)], np.arange(n)


DESIGNS = tuple(Design(again=a, containers=n, lost=m) for a in (False, True) for n in (6, 12, 24) for m in (0.0, 0.15))


def simulate(design: Design, slope: float, truth: str, studies: int, rng: np.random.Generator) -> np.ndarray:
    """Bottom minus top of every visit, (studies, visits)."""
    t, unit = design.rows()
    z, own = rng.standard_normal((studies, len(t), 3)), rng.standard_normal((studies, design.containers))
    if truth == "AR(1) 0.7":
        z = z @ np.linalg.cholesky(0.7 ** np.abs(np.subtract.outer(np.arange(3), np.arange(3)))).T
    if truth == "visits 0.7":
        near = (unit[:, None] == unit) * 0.7 ** np.abs(np.subtract.outer(np.arange(len(t)), np.arange(len(t))))
        z = np.einsum("ij,sjk->sik", np.linalg.cholesky(near), z)
    top, bottom = z[:, :, 0], z[:, :, 2] * (3 if truth == "lowest zone x 3" else 1)
    steep = {"gradients": 2.0, "steep gradients": 4.0}.get(truth, 0.0)
    line = (RATE + slope * rng.standard_normal((studies, design.containers)))[:, unit] * t
    return np.asarray(line + SD * (0.5 if truth == "zero" else 1) * (bottom - top) + SD * steep * own[:, unit])


def true_share_time(slope: float, truth: str) -> float:
    """When a fifth of the containers themselves, without scatter of sampling, lie beyond."""
    level = SD * {"gradients": 2.0, "steep gradients": 4.0}.get(truth, 0.0)
    if slope == level == 0:
        return EDGE / RATE

    def beyond(t: float) -> float:
        sd = math.hypot(level, slope * t)
        return float(stats.norm.sf(EDGE, RATE * t, sd) + stats.norm.cdf(-EDGE, RATE * t, sd)) - SHARE

    return float(optimize.brentq(beyond, 1, 60))


def times(design: Design, d: np.ndarray, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times up to which the mean, and in the first SHARES of studies the share of containers, is shown within; NaN: at none."""
    t, unit = (x[kept] for x in design.rows())
    y = d[:, kept]
    told = {"alpha": ALPHA, "span": (float(t.min()), float(t.max())), "stop": STOP}
    mean = mean_passes(fit_lines(y, LINEAR.line(t), unit), LINEAR, (-EDGE, EDGE), **told)
    few = y[:max(1, round(SHARES * len(y)))]
    lines = own_lines(few, LINEAR, t, unit)
    share = share_passes(lambda x: drawn_again(lines, LINEAR, x) if design.again else opened_once(few, LINEAR, t, x),
                         (-EDGE, EDGE), SHARE, **told)
    return mean.safe, share.safe


def run(design: Design, slope: float, truth: str, studies: int = STUDIES) -> tuple[float, float, float, float]:
    """Coverage of both times in per cent, and their medians in months."""
    rng = np.random.default_rng([SEED, *design.name.encode(), int(100 * slope), *truth.encode()])
    d, found = simulate(design, slope, truth, studies, rng), []
    for part in np.array_split(np.arange(studies), PATTERNS if design.lost else 1):
        found.append(times(design, d[part], _pattern(design, rng)))
    mean, share = (np.concatenate(x) for x in zip(*found, strict=True))
    return (100 * float(np.mean(~(mean > EDGE / RATE))), 100 * float(np.mean(~(share > true_share_time(slope, truth)))),
            float(np.nanmedian(mean)), float(np.nanmedian(share)))


def _pattern(design: Design, rng: np.random.Generator) -> np.ndarray:
    """Which visits are left: at least four, of at least two ages seen twice."""
    t = design.rows()[0]
    while True:
        kept = rng.random(len(t)) >= design.lost
        if kept.sum() > 3 and (np.unique(t[kept], return_counts=True)[1] > 1).sum() > 1 - (design.containers == 6):
            return kept


def cells() -> Iterator[tuple[Design, float, str]]:
    """Every design, slope and truth; 'visits 0.7' only where there are visits."""
    for design in DESIGNS:
        for slope in (0.0, OWN_SLOPE):
            yield from ((design, slope, truth) for truth in TRUTHS if design.again or truth != "visits 0.7")


def rows() -> dict[str, dict[str, list[float]]]:
    """Results of ``run`` by row and truth; each cell is kept in DONE once it is there."""
    found: dict[str, dict[str, list[float]]] = json.loads(DONE.read_text()) if DONE.exists() else {}
    for design, slope, truth in cells():
        row = found.setdefault(f"| {design.name} | {f'SD {100 * slope / RATE:.0f} % of the rate' if slope else 'none'} |", {})
        if truth not in row:
            row[truth] = list(run(design, slope, truth))
            DONE.parent.mkdir(exist_ok=True)
            DONE.write_text(json.dumps(found))
    return found


def page() -> Iterator[str]:
    """The lines of the page: a table for the mean, one for containers, each with its least coverage."""
    found = rows()
    for k, head, name in ((0, "## For the mean", "equal: median, months"), (1, "## For containers", "equal: median, months")):
        every = [got[k] for results in found.values() for got in results.values()]
        yield f"{head}\n\nLeast of {len(every)}: {min(every):.1f} %. Below 94.5 %: {sum(c < 94.5 for c in every)}.\n"
        yield f"| design | containers' own slopes | {' | '.join(TRUTHS)} | {name} |"
        yield "|---|---|" + "---|" * (len(TRUTHS) + 1)
        for label, results in found.items():
            shown = [f"{results[t][k]:.1f}" if t in results else "" for t in TRUTHS]
            yield f"{label} {' | '.join(shown)} | {results['equal'][k + 2]:.1f} |"
        yield ""


HEAD = """# How often the time to the margin is too long: simulated coverage

Written by `python -m tests.ageing.coverage` (seed {seed}, {studies} studies a cell); do not edit.

The true mean difference grows by {rate:g} a month and passes the margin of ±{edge:g} at {mean:g} months. Ages 4, 12, 20 and 30
months; scatter of a reading {sd:g}. *Covered*, in per cent: the time up to which the kit shows the difference to be within is
not longer than the true one; nominal 95 %, a Monte Carlo error is 0.15 (0.3 for containers).
For the mean: the time at which the one-sided 95 %
limit passes the margin. For containers: the time up to which it is shown that at most 20 % lie beyond; the true one is
{mean:g} months where containers do not differ, {share:.1f} with own slopes alone. It is worked
out in a quarter of the studies. In designs with losses {patterns} random patterns share the studies.

Truths: {truths}. A container's own curvature leaves out of the difference between its ends, so it is the same as *equal*.

"""


def main() -> None:
    """Write docs/time-coverage.md."""
    reach.POINTS = 41
    text = HEAD.format(seed=SEED, studies=STUDIES, rate=RATE, edge=EDGE, mean=EDGE / RATE, sd=SD, patterns=PATTERNS,
                       share=true_share_time(OWN_SLOPE, "equal"), truths="; ".join(f"*{k}*: {v}" for k, v in TRUTHS.items()))
    (Path(__file__).parents[2] / "docs" / "time-coverage.md").write_text(text + "\n".join(page()), encoding="utf-8")


if __name__ == "__main__":
    main()
