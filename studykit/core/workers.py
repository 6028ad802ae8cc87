"""Who works side by side: the processors of this machine, and the workers of a Dask cluster (extra ``many``)."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from studykit.core.errors import single

if TYPE_CHECKING:
    from distributed import Future

TRIES = 5
"""How often work is given to another worker where one is lost."""


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def on_cluster(do: Callable[..., Any], arguments: Sequence[tuple[Any, ...]], scheduler: str
               ) -> Iterator[tuple[tuple[Any, ...], Future[Any]]]:
    """Each arguments with the finished future of ``do(*arguments)``, as they are done; a lost worker's go to others.

    BadInput where the scheduler is not reached. An error of the work itself is raised by ``result()`` of its future.
    """
    from distributed import Client, as_completed

    try:
        client = Client(scheduler, timeout="20s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise single("--scheduler", f"cannot be reached: {str(error).splitlines()[0] if str(error) else type(error).__name__}",
                     "give its address, such as tcp://192.0.2.7:8786", value=scheduler) from None
    with client:
        waiting = {client.submit(do, *a, pure=False, retries=TRIES): a for a in arguments}
        for future in as_completed(list(waiting), loop=client.loop):  # type: ignore[no-untyped-call]
            yield waiting.pop(future), future
