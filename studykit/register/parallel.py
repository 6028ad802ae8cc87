"""One function over many arguments in several processes; one that ends its process costs its own result only."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

A = TypeVar("A", bound=tuple[object, ...])
R = TypeVar("R")
WORTH = 12
"""Calls from which further processes pay for their start: each imports for about two seconds (measured)."""


def each(do: Callable[..., R], arguments: Sequence[A], workers: int, told: Callable[[int], None],
         died: Callable[[A], R]) -> list[R]:
    """``do(*a)`` of every argument in their order, by ``workers`` processes.

    ``told``: called with how many are done; ``died``: the result where the process of a call ended, as for want of memory.
    """
    if workers < 2 or len(arguments) < WORTH:
        out = []
        for k, a in enumerate(arguments, start=1):
            out.append(do(*a))
            told(k)
        return out
    results, again = _in_pool(do, arguments, workers, told)
    for k in again:  # a pool that broke does not say which call broke it
        alone, lost = _in_pool(do, [arguments[k]], 1, lambda _: None)
        results[k] = died(arguments[k]) if lost else alone[0]
        told(len(results))
    return [results[k] for k in range(len(arguments))]


def _in_pool(do: Callable[..., R], arguments: Sequence[A], workers: int, told: Callable[[int], None],
             ) -> tuple[dict[int, R], list[int]]:
    """Results by place, and the places that a broken pool left."""
    results: dict[int, R] = {}
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        waiting: dict[Future[R], int] = {pool.submit(do, *a): k for k, a in enumerate(arguments)}
        for future in as_completed(waiting):
            try:
                results[waiting[future]] = future.result()
            except BrokenProcessPool:
                continue
            told(len(results))
    return results, [k for k in range(len(arguments)) if k not in results]
