"""How cost grows with the number of containers: ``python -m tests.benchmarks.bench_scale [CONTAINERS ...]``.

Processor seconds of one analyte with three depths, judged once and then without each container in turn: nothing lost, a
tenth of the readings lost, and lost with three groups of containers. ``refit`` is the same by as many single fits of
the differences, worked out from ten of them. The exponent is that of the last step.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable

import numpy as np

from studykit.inference.contrasts import contrasts_of
from studykit.inference.influence import without_each

SIZES = (50, 200, 1000)


def seconds(run: Callable[[], object]) -> float:
    """Processor time of one call, s."""
    start = time.process_time()
    run()
    return time.process_time() - start


def measured(n: int, lost: float, groups: int) -> tuple[float, float, float]:
    """Once, without each container, and by refits, s."""
    rng = np.random.default_rng(n)
    cells, kinds = rng.normal(100.0, 1.0, (n, 3)), np.arange(n) % max(groups, 1)
    cells[rng.random(cells.shape) < lost] = np.nan
    columns = np.column_stack([np.ones(n), *(kinds == g for g in range(1, groups))]).astype(float)
    own = columns if groups else None
    once = seconds(lambda: contrasts_of(cells[None], groups=own))
    each = seconds(lambda: without_each(cells, kinds, (lambda chosen: columns[chosen]) if groups else None))
    refits = [seconds(lambda i=i: contrasts_of(np.delete(cells, i, axis=0)[None],
                                               groups=None if own is None else np.delete(own, i, axis=0))) for i in range(10)]
    return once, each, n * float(np.median(refits))


def main(sizes: tuple[int, ...]) -> None:
    """Print a table for the given numbers of containers."""
    measured(20, 0.1, 3)
    print("case                         containers     once     each    refit  exponent")
    for name, lost, groups in (("nothing lost", 0.0, 0), ("a tenth lost", 0.1, 0), ("a tenth lost, three groups", 0.1, 3)):
        before: tuple[int, float] | None = None
        for n in sizes:
            once, each, refit = measured(n, lost, groups)
            grows = f"{math.log(each / before[1]) / math.log(n / before[0]):8.2f}" if before else ""
            print(f"{name:28} {n:10d} {once:8.4f} {each:8.3f} {refit:8.3f}  {grows}")
            before = n, each


if __name__ == "__main__":
    main(tuple(map(int, sys.argv[1:])) or SIZES)
