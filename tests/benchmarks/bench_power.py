"""Time of the exact chances and of simulation, and how far they are apart, in one run.

A fresh design (new degrees of freedom) needs its critical curve once; after that a design costs a
fraction.  Compared with counting studies made of single results; then the cells of a grid of simulated
studies, by kind.  Times are processor time of one thread, best of several.

Run:  OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_power.py
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from studykit.design.blocks import BLOCK, code, count_block
from studykit.design.cheapest import Aim, Costs, Limits, cheapest
from studykit.design.operating import DesignSize, _studies, chances
from studykit.design.scenario import Cell
from studykit.design.simulation import simulate_studies
from studykit.inference import Margin
from studykit.study.definition import Assumption

AIM = Aim(analyte="x", guess=Assumption(s_r=1.0, sd_container=5.0, sd_container_depth=0.5, gradient=1.0), margin=2.0)
RELATIVE = Margin.relative(5.0)
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
    _grid()


def _grid() -> None:
    """Studies a second of the cells of a grid (``studykit operating``), 12 x 3 x 2, each as its kind is judged."""
    plain = {"containers": 12, "depths": 3, "determinations": 2, "difference": 2.0, "s_r": 2.0, "sd_container": 3.0,
             "sd_container_depth": 1.0}
    code()
    for told, margin, more, blocks in (
            ("balanced", RELATIVE, {}, 40), ("tails of five", RELATIVE, {"tails": 5}, 10),
            ("a tenth lost", RELATIVE, {"lost": 0.1}, 5),
            ("a third of studies limited", RELATIVE, {"limit": 92.0}, 5), ("all limited", RELATIVE, {"limit": 97.0}, 5),
            ("all limited, absolute margin", Margin.absolute(60.0), {"limit": 97.0}, 1)):
        cell = Cell(**(plain | more))  # type: ignore[arg-type]
        spent = clock(lambda c=cell, m=margin, n=blocks: [  # type: ignore[misc]
            count_block("ab" * 32, c, m, 0.05, b, BLOCK) for b in range(n)], 2)
        print(f"grid, {told}: {blocks * BLOCK / spent:8.0f} studies a second")


if __name__ == "__main__":
    main()
