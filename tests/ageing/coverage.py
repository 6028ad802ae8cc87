"""Coverage of the time to the margin by simulation: six designs, with and without containers' own slopes, three covariances.

    python -m tests.ageing.coverage      # writes docs/time-coverage.md; about two minutes of processor time

A study is simulated as readings at three depths of every container and visit; only their bottom-minus-top differences are
used, so the covariance across depths enters as one variance. Times are followed on a coarser grid than in a report.
"""

from __future__ import annotations

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
STUDIES, PATTERNS = 2000, 40
SEED = 20261126
OWN_SLOPE = 0.1
LINEAR = Course()
COVARIANCES = {"equal": np.eye(3), "neighbours 0.7": 0.7 ** np.abs(np.subtract.outer(np.arange(3), np.arange(3))),
               "lowest zone x 3": np.diag([1.0, 1.0, 9.0])}


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


def simulate(design: Design, slope: float, covariance: str, studies: int, rng: np.random.Generator) -> np.ndarray:
    """Bottom minus top of every visit, (studies, visits)."""
    t, unit = design.rows()
    root = np.linalg.cholesky(COVARIANCES[covariance])
    scatter = 0.5 * rng.standard_normal((studies, len(t), 3)) @ root.T
    own = (RATE + slope * rng.standard_normal((studies, design.containers)))[:, unit] * t
    return own + scatter[:, :, 2] - scatter[:, :, 0]


def true_share_time(slope: float) -> float:
    """When a fifth of the containers themselves, without scatter of sampling, lie beyond."""
    if slope == 0:
        return EDGE / RATE
    return float(optimize.brentq(lambda t: stats.norm.sf(EDGE, RATE * t, slope * t) + stats.norm.cdf(-EDGE, RATE * t, slope * t)
                                 - SHARE, 1, 60))


def times(design: Design, d: np.ndarray, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times up to which the mean, and the share of containers, is shown within; NaN where it is at no time."""
    t, unit = (x[kept] for x in design.rows())
    y = d[:, kept]
    told = {"alpha": ALPHA, "span": (float(t.min()), float(t.max())), "stop": STOP}
    mean = mean_passes(fit_lines(y, LINEAR.line(t), unit), LINEAR, (-EDGE, EDGE), **told)
    lines = own_lines(y, LINEAR, t, unit)
    share = share_passes(lambda x: drawn_again(lines, LINEAR, x) if design.again else opened_once(y, LINEAR, t, x),
                         (-EDGE, EDGE), SHARE, **told)
    return mean.safe, share.safe


def run(design: Design, slope: float, covariance: str, studies: int = STUDIES) -> tuple[float, float, float, float]:
    """Coverage of both times in per cent, and their medians in months."""
    rng = np.random.default_rng([SEED, *design.name.encode(), int(100 * slope), *covariance.encode()])
    d, safe = simulate(design, slope, covariance, studies, rng), list[np.ndarray]()
    patterns = PATTERNS if design.lost else 1
    for part in np.array_split(np.arange(studies), patterns):
        kept = _pattern(design, rng)
        safe.append(np.stack(times(design, d[part], kept)))
    mean, share = np.hstack(safe)
    return (100 * np.mean(~(mean > EDGE / RATE)), 100 * np.mean(~(share > true_share_time(slope))),
            float(np.nanmedian(mean)), float(np.nanmedian(share)))


def _pattern(design: Design, rng: np.random.Generator) -> np.ndarray:
    """Which visits are left: at least four, of at least two ages seen twice."""
    t = design.rows()[0]
    while True:
        kept = rng.random(len(t)) >= design.lost
        if kept.sum() > 3 and (np.unique(t[kept], return_counts=True)[1] > 1).sum() > 1 - (design.containers == 6):
            return kept


def table() -> Iterator[str]:
    """The rows of the table."""
    yield ("| design | containers' own slopes | scatter across depths | mean: covered, % | median, months | containers: "
           "covered, % | median |")
    yield "|---|---|---|---|---|---|---|"
    for design in DESIGNS:
        for slope in (0.0, OWN_SLOPE):
            for covariance in COVARIANCES if design.containers == 12 and not design.lost else ("equal",):
                mean, share, at, share_at = run(design, slope, covariance)
                own = f"SD {100 * slope / RATE:.0f} % of the rate" if slope else "none"
                yield (f"| {design.name} | {own} | {covariance} "
                       f"| {mean:.1f} | {at:.1f} | {share:.1f} | {share_at:.1f} |")


HEAD = """# How often the time to the margin is too long: simulated coverage

Written by `python -m tests.ageing.coverage` (seed {seed}, {studies} studies a row); do not edit.

The true mean difference grows by {rate:g} a month and passes the margin of ±{edge:g} at {mean:g} months. Ages 4, 12, 20 and 30
months; scatter of a reading 0.5. *Covered*: the time up to which the kit shows the difference to be within is not longer than
the true one; nominal 95 %, a Monte Carlo error is 0.5. For the mean: the time at which the one-sided 95 % limit passes
the margin. For containers: the time up to which it is shown that at most 20 % lie beyond; the true one is {mean:g} months
without own slopes, {share:.1f} with them. In designs with losses {patterns} random patterns share the studies.

"""


def main() -> None:
    """Write docs/time-coverage.md."""
    reach.POINTS = 41
    text = HEAD.format(seed=SEED, studies=STUDIES, rate=RATE, edge=EDGE, mean=EDGE / RATE, share=true_share_time(OWN_SLOPE),
                       patterns=PATTERNS)
    (Path(__file__).parents[2] / "docs" / "time-coverage.md").write_text(text + "\n".join(table()) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
