"""Work during which nobody looks for what could be let go: what hangs together until the end is only looked at in vain."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


@contextlib.contextmanager
def uncollected() -> Iterator[None]:
    """Meanwhile the garbage collector is off, where it was on."""
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()
