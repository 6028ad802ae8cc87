"""Time of the exact chances and of simulation, and how far they are apart, in one run.

A fresh design (new degrees of freedom) needs its critical curve once; after that a design costs a
fraction.  Compared with counting: drawing the depth means and the scatter directly, with as many draws
as fit into the same time, and with the kit's own model through the batch engine.  Times are processor
time of one thread, best of several.

Run:  OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_power.py
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np

from studykit.design.cheapest import Aim, Costs, Limits, cheapest
from studykit.design.operating import DesignSize, _studies, chances
from studykit.design.simulation import simulate_studies
from studykit.study.definition import Assumption

AIM = Aim(analyte="x", guess=Assumption(s_r=1.0, sd_container=5.0, sd_container_depth=0.5, gradient=1.0), margin=2.0)
COSTS = Costs(container=40, sample=10, determination=6)


def clock(work: Callable[[], object], repeats: int = 5) -> float:
    """Best processor time of several runs, in seconds."""
    best = math.inf
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def fresh(size: DesignSize) -> None:
    """One design whose degrees of freedom were never met before."""
    _studies.cache_clear()
    chances(size, AIM.guess, AIM.margin)


def main() -> None:
    """Print the table."""
    print("design                       fresh, ms   again, ms")
    for n, d, k in ((6, 3, 1), (24, 3, 1), (12, 5, 2), (12, 7, 1)):
        size = DesignSize(containers=n, depths=d, replicates=k)
        first = clock(lambda z=size: fresh(z))  # type: ignore[misc]
        again = clock(lambda z=size: chances(z, AIM.guess, AIM.margin))  # type: ignore[misc]
        print(f"{n:2d} x {d} x {k}                    {1e3 * first:8.1f}    {1e3 * again:8.2f}")
    _studies.cache_clear()
    grid = Limits(depths=(3,), max_containers=60, max_replicates=4)
    hopeless = Aim(analyte="x", guess=AIM.guess, margin=0.05)
    whole = clock(lambda: cheapest((hopeless,), COSTS, grid), 1)
    print(f"whole grid of {len(grid.sizes())} designs: {whole:.2f} s, {1e3 * whole / len(grid.sizes()):.1f} ms a design")
    for n, d, k in ((6, 3, 1), (12, 3, 2), (24, 5, 2)):
        size = DesignSize(containers=n, depths=d, replicates=k)
        start = time.process_time()
        made = simulate_studies([AIM], size, studies=20_000, seed=1)
        spent = time.process_time() - start
        exact = chances(size, AIM.guess, AIM.margin)
        got = made.chances[0][1]
        apart = (got.homogeneous - exact.homogeneous) / max(made.error(exact.homogeneous), 1e-9)
        print(f"simulated {n:2d} x {d} x {k}: {20_000 / spent:8.0f} studies a second; homogeneous {got.homogeneous:.4f}, "
              f"exact {exact.homogeneous:.4f}, {apart:+.1f} Monte Carlo errors apart")
    _accuracy()


def _accuracy() -> None:
    """Means and scatter drawn directly, four million times, against the quadrature."""
    size, guess, margin = DesignSize(containers=6, depths=3), Assumption(s_r=1.0, gradient=0.8), 2.4
    rng = np.random.default_rng(3)
    s, hits, total = 1 / math.sqrt(6), 0, 0
    for _ in range(8):
        means = rng.standard_normal((500_000, 3)) * s + np.linspace(0, 0.8, 3)
        spread = s * np.sqrt(rng.chisquare(10, 500_000) / 10)
        hits += int((np.ptp(means, axis=1) + 1.8124611228107335 * math.sqrt(2) * spread < margin).sum())
        total += 500_000
    p = chances(size, guess, margin).homogeneous
    print(f"drawn {total} times: {hits / total:.5f}, quadrature {p:.5f}, standard error {math.sqrt(p * (1 - p) / total):.5f}")


if __name__ == "__main__":
    main()
