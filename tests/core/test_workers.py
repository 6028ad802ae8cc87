"""Work that goes to a cluster, and what a process there keeps of its memory."""

from __future__ import annotations

import subprocess
import sys

import pytest

from studykit.core.workers import hold_freed, on_cluster, processors
from tests.posix import posix

TAKEN = """
import os, resource, sys
import numpy as np
from studykit.core.workers import hold_freed
if sys.argv[1] == "held":
    assert hold_freed()
for k in range(300):
    np.zeros(100_000).fill(1.0)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt)
"""


def double(n: int, by: int) -> tuple[int, int]:
    return n, n * by


@posix
@pytest.mark.skipif(sys.platform != "linux", reason="mallopt is of the GNU C library")
def test_freed_memory_is_kept_where_the_environment_says_that_it_is_not() -> None:
    """Page faults of 300 arrays of 800 kB one after the other, under the setting with which Dask starts its workers."""
    plain, held = (int(subprocess.run([sys.executable, "-c", TAKEN, how], check=True, capture_output=True, text=True,
                                      env={"MALLOC_TRIM_THRESHOLD_": "65536", "PYTHONPATH": ":".join(sys.path)}).stdout)
                   for how in ("plain", "held"))
    if plain > 40_000:  # 300 times 195 pages: not the GNU library otherwise
        assert held < plain - 40_000


@pytest.mark.filterwarnings("ignore")  # of a port that another cluster on this machine has
def test_a_part_of_the_work_at_once_loses_none_of_it() -> None:
    """Seven numbers, three at once, by a cluster of one worker in this process."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as cluster:
        found = [(tuple(part), future.result()) for part, future in
                 on_cluster(double, [(n, 3) for n in range(7)], cluster.scheduler_address, together=3)]
    assert sorted(len(part) for part, _ in found) == [1, 3, 3]
    assert all(made == [double(*a) for a in part] for part, made in found)
    assert sorted(a for part, _ in found for a in part) == [(n, 3) for n in range(7)]


def test_there_is_a_processor() -> None:
    assert processors() >= 1
    assert isinstance(hold_freed(), bool)
