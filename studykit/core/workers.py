"""Who works side by side: the processors of this machine, and the workers of a Dask cluster (extra ``many``)."""

from __future__ import annotations

import contextlib
import ctypes
import os
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from studykit.core.errors import single

if TYPE_CHECKING:
    from distributed import Future

TRIES = 5
"""How often work is given to another worker where one is lost."""


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def on_cluster(do: Callable[..., Any], arguments: Sequence[tuple[Any, ...]], scheduler: str, *, together: int = 1
               ) -> Iterator[tuple[Sequence[tuple[Any, ...]], Future[list[Any]]]]:
    """So many arguments with the finished future of what ``do`` gives for each of them, as they are done.

    ``together``: how many go to a worker at once; a lost worker's go to others. BadInput where the scheduler is not
    reached. An error of the work itself is raised by ``result()`` of its future.
    """
    from distributed import Client, as_completed

    try:
        client = Client(scheduler, timeout="20s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise single("--scheduler", f"cannot be reached: {str(error).splitlines()[0] if str(error) else type(error).__name__}",
                     "give its address, such as tcp://192.0.2.7:8786", value=scheduler) from None
    with client:
        parts = [arguments[k:k + together] for k in range(0, len(arguments), together)]
        waiting = {client.submit(_each, do, part, pure=False, retries=TRIES): part for part in parts}
        for future in as_completed(list(waiting), loop=client.loop):  # type: ignore[no-untyped-call]
            yield waiting.pop(future), future


def _each(do: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> list[Any]:
    """On a worker: what ``do`` gives for each of some arguments."""
    hold_freed()
    return [do(*a) for a in arguments]


@cache
def hold_freed() -> bool:
    """Let the C library keep freed memory of this process for the next array; False where it is not the GNU one.

    Dask starts its workers with MALLOC_TRIM_THRESHOLD_, by which every array over 128 kB is fetched from the system anew:
    simulated studies then take a quarter to a half more processor time. The numbers: mallopt(3).
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        return bool(mallopt(-3, 32 << 20) and mallopt(-1, 128 << 20))  # M_MMAP_THRESHOLD at its maximum, M_TRIM_THRESHOLD
    return False
