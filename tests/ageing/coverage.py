"""Coverage of the time to the margin by simulation: twelve designs, containers' own slopes or none, every scatter.

    python -m tests.ageing.coverage      # writes docs/time-coverage.md; about ten minutes of processor time,
                                         # and goes on where it was stopped (build/time-coverage.json)

A study is simulated as readings at three depths of every container and visit. The mean's times are those of lowest against
uppermost, by the mixed model where containers drawn again were not all drawn at all visits; the share's are those of all pairs
of depths, as they are told. Times are followed on a coarser grid than in a report.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from pathlib import Path

import numpy as np
from scipy import optimize, stats

from studykit.ageing import reach
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import containers_law, mean_passes, share_within
from tests.ageing import quick

EDGE, RATE, SHARE, ALPHA, STOP = 10.0, 0.5, 0.2, 0.05, 60.0
AGES = (4.0, 12.0, 20.0, 30.0)
STUDIES, FEW, PATTERNS, MEDIANS = 20_000, 2000, 40, 200
SEED = 20261126
OWN_SLOPE, OWN_ZONES, CURVE = 0.1, 0.1, 4.0
PARTS = np.array([-0.5, 0.0, 0.5])
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
    "curved": "each container's middle zone apart by 4 SD, its own",
    "own zones": "each zone of a container at a rate of its own, SD 20 % of the mean rate",
}
"""Seven as in docs/operating.md; the last two make containers lie beyond by other pairs than lowest against uppermost."""
SHARE_ONLY = ("curved", "own zones")


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
    """Readings of the three zones at every visit, (studies, visits, 3), without what all have in common."""
    t, unit = design.rows()
    z, own = rng.standard_normal((studies, len(t), 3)), rng.standard_normal((studies, design.containers))
    if truth == "AR(1) 0.7":
        z = z @ np.linalg.cholesky(0.7 ** np.abs(np.subtract.outer(np.arange(3), np.arange(3)))).T
    if truth == "visits 0.7":
        near = (unit[:, None] == unit) * 0.7 ** np.abs(np.subtract.outer(np.arange(len(t)), np.arange(len(t))))
        z = np.einsum("ij,sjk->sik", np.linalg.cholesky(near), z)
    if truth == "lowest zone x 3":
        z[:, :, 2] *= 3
    rates = slope * rng.standard_normal((studies, design.containers))
    of = themselves(truth, rates, own, rng)
    return np.asarray(of[0][:, unit] * t[:, None] + of[1][:, unit] + SD * (0.5 if truth == "zero" else 1) * z)


def themselves(truth: str, rates: np.ndarray, own: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Rates and levels of the zones of containers, (..., 3): what they are without scatter of drawing and measurement."""
    rate = (RATE + rates)[..., None] * PARTS
    if truth == "own zones":
        rate = rate + OWN_ZONES * rng.standard_normal(rate.shape)
    steep = {"gradients": 2.0, "steep gradients": 4.0}.get(truth, 0.0)
    curve = np.array([0.0, CURVE, 0.0]) if truth == "curved" else np.zeros(3)
    return rate, SD * own[..., None] * (steep * PARTS + curve)


@lru_cache(maxsize=64)
def true_share_time(slope: float, truth: str) -> float:
    """When a fifth of the containers themselves have two zones further apart than the margin; 400,000 containers."""
    rng = np.random.default_rng(SEED)
    rates, own = slope * rng.standard_normal(400_000), rng.standard_normal(400_000)
    rate, level = themselves(truth, rates, own, rng)
    return float(optimize.brentq(lambda t: np.mean(np.ptp(rate * t + level, axis=1) > EDGE) - SHARE, 1, 60, xtol=1e-3))


def mean_times(design: Design, d: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Times up to which the mean is shown within by the line of the ends; NaN: at none. ``kept`` (S, n) or (n,)."""
    t, unit = design.rows()
    told = {"alpha": ALPHA, "stop": STOP}
    if kept.ndim == 1:
        t, unit = t[kept], unit[kept]
        return mean_passes(fit_lines(d[:, kept], LINEAR.line(t), unit), LINEAR, (-EDGE, EDGE), span=(t.min(), t.max()),
                           **told).safe
    return np.array([mean_passes(line, LINEAR, (-EDGE, EDGE), span=(t[k].min(), t[k].max()), **told).safe[0]
                     for k, line in zip(kept, quick.lines(d, kept, LINEAR, t, unit), strict=True)])


def too_long(design: Design, d: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Which of the mean's times are too long, by the mixed model; worked out where a time may be.

    A time is too long only where the upper limit at the true one lies within. Its standard error is at least that of known
    variances, and its Student's t has at most containers less one degrees of freedom: studies whose line lies too near the
    margin for that (a tenth is left), or by least squares clearly beyond it, are none.
    """
    (t, unit), at, found = design.rows(), EDGE / RATE, np.zeros(len(d), dtype=bool)
    X = LINEAR.line(t) * kept[..., None]
    plain = np.linalg.solve(np.swapaxes(X, 1, 2) @ X, np.einsum("snq,sn->sq", X, d)[..., None])[..., 0] @ [1.0, at]
    may = np.flatnonzero(plain < EDGE + 0.2 * plain.std())
    estimate, se = quick.fitted(d[may], kept[may], LINEAR.column(t), unit, at)
    may = may[estimate + 0.9 * stats.t.isf(ALPHA, design.containers - 1) * se < EDGE]
    found[may] = mean_times(design, d[may], kept[may]) > at
    return found


def share_times(design: Design, zones: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Times up to which the share of containers beyond by any pair of depths is shown to be small enough; NaN: at none."""
    t, unit = (x[kept] for x in design.rows())
    counts = np.unique(unit, return_counts=True)[1]
    once = int((counts == 1).sum()) if design.again else 0
    share = (SHARE * len(counts) - once) / (len(counts) - once)
    laws = [containers_law(zones[:, kept, b] - zones[:, kept, a], LINEAR, t, unit) for a, b in combinations(range(3), 2)]
    known = [law for law in laws if law is not None]
    if share <= 0 or len(known) < 3:
        return np.full(len(zones), np.nan)
    return share_within(known, (-EDGE, EDGE), share, alpha=ALPHA, span=(t.min(), t.max()), stop=STOP)[0]


def run(design: Design, slope: float, truth: str, studies: int = STUDIES, few: int = FEW) -> tuple[float, float, float, float]:
    """Coverage of both times in per cent, and their medians in months; ``few``: studies of what takes long."""
    rng = np.random.default_rng([SEED, zlib.crc32(f"{design.name} {slope} {truth}".encode())])
    uneven = design.again and design.lost > 0
    zones = simulate(design, slope, truth, few if uneven or truth in SHARE_ONLY else studies, rng)
    kept = np.array([_pattern(design, rng) for _ in range(PATTERNS if design.lost else 1)])
    which = np.arange(len(zones)) % len(kept)
    d = zones[..., 2] - zones[..., 0]
    mean, share = np.full(len(zones), np.nan), np.full(few, np.nan)
    for k, pattern in enumerate(kept):
        mine = which == k
        share[mine[:few]] = share_times(design, zones[:few][mine[:few]], pattern)
        if truth not in SHARE_ONLY and not uneven:
            mean[mine] = mean_times(design, d[mine], pattern)
    late = mean > EDGE / RATE
    if truth not in SHARE_ONLY and uneven:
        lost = np.array([_pattern(design, rng) for _ in d])
        late = too_long(design, d, lost)
        mean = mean_times(design, d[:MEDIANS], lost[:MEDIANS]) if truth == "equal" else mean
    return (np.nan if truth in SHARE_ONLY else 100 * float(np.mean(~late)),
            100 * float(np.mean(~(share > true_share_time(slope, truth) + 0.01))),
            float(np.median(np.nan_to_num(mean))), float(np.median(np.nan_to_num(share))))


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
    for k, head in ((0, "## For the mean"), (1, "## For containers")):
        truths = [t for t in TRUTHS if k or t not in SHARE_ONLY]
        every = [results[t][k] for results in found.values() for t in truths if t in results]
        yield f"{head}\n\nLeast of {len(every)}: {min(every):.1f} %. Below 94.5 %: {sum(c < 94.5 for c in every)}.\n"
        yield f"| design | containers' own slopes | {' | '.join(truths)} | equal: median, months |"
        yield "|---|---|" + "---|" * (len(truths) + 1)
        for label, results in found.items():
            shown = [f"{results[t][k]:.1f}" if t in results else "" for t in truths]
            yield f"{label} {' | '.join(shown)} | {results['equal'][k + 2]:.1f} |"
        yield ""


HEAD = """# How often the time to the margin is too long: simulated coverage

Written by `python -m tests.ageing.coverage` (seed {seed}); do not edit.

The true mean difference grows by {rate:g} a month and passes the margin of ±{edge:g} at {mean:g} months. Ages 4, 12, 20 and 30
months; scatter of a reading {sd:g}. *Covered*, in per cent: the time up to which the kit shows the difference to be within is
not longer than the true one; nominal 95 %.

**For the mean**: the time at which the one-sided 95 % limit of lowest against uppermost passes the margin. {studies} studies
a cell (a Monte Carlo error is 0.15), in designs with losses of {patterns} random patterns; where drawings of containers drawn
again are lost {few} studies (0.5), each with losses of its own, by the mixed model (medians: {medians}).

**For containers**: the time up to which it is shown that at most 20 % have two of their three zones further apart than the
margin. {few} studies a cell. The true one is {mean:g} months where containers do not differ, {share:.1f} with own slopes alone,
{curved:.1f} and {zones:.1f} in the last two truths without own slopes.

Truths: {truths}.

"""


def main() -> None:
    """Write docs/time-coverage.md."""
    reach.POINTS = 41
    text = HEAD.format(seed=SEED, studies=STUDIES, few=FEW, medians=MEDIANS, rate=RATE, edge=EDGE, mean=EDGE / RATE, sd=SD,
                       patterns=PATTERNS, share=true_share_time(OWN_SLOPE, "equal"), curved=true_share_time(0.0, "curved"),
                       zones=true_share_time(0.0, "own zones"), truths="; ".join(f"*{k}*: {v}" for k, v in TRUTHS.items()))
    (Path(__file__).parents[2] / "docs" / "time-coverage.md").write_text(text + "\n".join(page()), encoding="utf-8")


if __name__ == "__main__":
    main()
