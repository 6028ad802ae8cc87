"""Notebooks under test run in kernels that are forked from one process a worker, as those of a report are.

It has imported what the stages need, which else takes each notebook two seconds. Where nothing can be forked a kernel
is started anew for each notebook.
"""

from __future__ import annotations

from contextlib import ExitStack

import pytest
from jupyter_client.manager import KernelManager
from nbval import kernel as nbval_kernel

_ready = pytest.StashKey[bool]()


def fork_kernels(config: pytest.Config) -> None:
    """From now on nbval's kernels of this process are forked, and gone when pytest ends."""
    from studykit.report.kernels import kernels
    from studykit.report.nursery import FORKS
    from studykit.study.stages import STEMS

    if not FORKS or _ready in config.stash:
        return
    config.stash[_ready] = True
    stack = ExitStack()
    config.add_cleanup(stack.close)
    kit = stack.enter_context(kernels(STEMS))

    class Blocking(KernelManager):
        nursery, started, kernel_spec = kit.nursery, kit.started, kit.kernel_spec

    nbval_kernel.KernelManager = Blocking
    stack.callback(setattr, nbval_kernel, "KernelManager", KernelManager)
