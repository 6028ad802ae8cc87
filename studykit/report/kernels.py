"""Kernels for the stage notebooks: forked from one process that has imported the libraries, or started one by one.

Forking is used on Linux only: elsewhere system libraries do not survive it, and each kernel is started as Jupyter does.
Either way a notebook has a process of its own, started for it and stopped after it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import time
import uuid
from collections.abc import Iterator, Sequence
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any, ClassVar

from ipykernel.kernelspec import get_kernel_dict
from jupyter_client.asynchronous.client import AsyncKernelClient
from jupyter_client.channels import AsyncZMQSocketChannel
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning.factory import KernelProvisionerFactory
from jupyter_client.provisioning.local_provisioner import LocalProvisioner
from traitlets import Type, default

from studykit.core.writer import away
from studykit.report.forks import LAUNCHER
from studykit.report.nursery import FORKS, QUIET, Nursery, nursery_for

NAME = "studykit"
USUAL_MOMENT, MOMENT = 0.2, 0.02
"""Seconds for which jupyter_client listens for more, and for which it does here."""
LOOKS, BETWEEN = 50, 0.01
"""How often it is looked whether a kernel that was asked to stop has done so, and seconds in between."""
LONGEST_FOLDER = 70
"""Characters; the name of a socket file may have about 100."""


class Forked:
    """A forked kernel in the form in which jupyter_client expects a process."""

    stdin = stdout = stderr = None

    def __init__(self, nursery: Nursery, pid: int) -> None:
        self.pid, self._nursery = pid, nursery
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """The exit code; None while it runs."""
        if self.returncode is None:
            self.returncode = self._nursery.ask(ended=self.pid)
        return self.returncode

    def wait(self) -> int:
        """The exit code, once there is one."""
        while (code := self.poll()) is None:
            time.sleep(0.02)
        return code

    def send_signal(self, number: int) -> None:
        """Signal the process where it still runs; until then nobody else can have its number."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """Kill the process where it still runs."""
        self.send_signal(signal.SIGKILL)


class Provisioner(LocalProvisioner):
    """Starts a kernel by asking the nursery of its manager for it, where there is one."""

    process: Any
    parent: Any

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
        nursery = self.parent.nursery
        kwargs["env"] = QUIET | dict(kwargs.get("env") or os.environ)
        if nursery is None:
            info = await super().launch_kernel([cmd[0], "-P", *cmd[1:]], **kwargs)  # no modules of the folder it stands in
        else:
            self.cwd = kwargs.get("cwd") or os.getcwd()
            self.pid = self.pgid = nursery.ask(arguments=cmd[cmd.index(LAUNCHER) + 1:], folder=str(self.cwd),
                                               environment=dict(kwargs["env"]))
            self.process = Forked(nursery, self.pid)
            info = self.connection_info
        self.parent.started.append(self.process)
        return info

    async def shutdown_requested(self, restart: bool = False) -> None:
        """Look often whether the kernel is gone while it is about to go; after that its manager looks ten times a second."""
        for _ in range(LOOKS):
            if await self.poll() is not None:
                return
            await asyncio.sleep(BETWEEN)


class News(AsyncZMQSocketChannel):
    """What a kernel tells of itself; for more of that a client waits a moment in vain, once the kernel is ready."""

    async def get_msg(self, timeout: float | None = None) -> Any:  # type: ignore[override]  # as the class above does it
        return await super().get_msg(timeout=MOMENT if timeout == USUAL_MOMENT else timeout)


class Client(AsyncKernelClient):
    """Talks to a kernel."""

    iopub_channel_class = Type(News)


class Manager(AsyncKernelManager):
    """Manages a kernel of this Python, whatever other kernels of its name a machine knows."""

    client_factory = Type(Client)
    nursery: ClassVar[Nursery | None] = None
    started: ClassVar[list[Any]] = []
    folder: ClassVar[str] = ""

    @default("transport")
    def _sockets(self) -> str:
        """Files where the platform has such sockets and the name is short enough: no two kernels race for a port."""
        return "ipc" if FORKS and len(self.folder) < LONGEST_FOLDER else "tcp"

    @default("connection_file")
    def _own_file(self) -> str:
        return str(Path(self.folder) / f"{uuid.uuid4().hex[:12]}.json")

    @property
    def kernel_spec(self) -> KernelSpec:
        """The kernel of the running interpreter, started by the provisioner above."""
        found = get_kernel_dict()
        found["metadata"] = {**found["metadata"], "kernel_provisioner": {"provisioner_name": NAME}}
        return KernelSpec(**found)

    @classmethod
    def stop(cls) -> None:
        """Kill every kernel of this run that is still there."""
        for process in cls.started:
            if process.poll() is None:
                process.kill()


@contextlib.contextmanager
def kernels(stems: Sequence[str], *, separate: bool = False) -> Iterator[type[Manager]]:
    """The manager of kernels for these stages; nothing that it started outlives the block, whatever ends it.

    Loaded beforehand is what the kit's notebooks of these stems import, whoever's notebooks run. ``separate``: no
    kernel is forked.
    """
    KernelProvisionerFactory.provisioners[NAME] = EntryPoint(NAME, f"{__name__}:Provisioner", "")
    nursery = nursery_for(stems) if FORKS and not separate else None

    class OfOneRun(Manager):
        pass

    OfOneRun.nursery, OfOneRun.started = nursery, []
    try:
        with away("studykit-run-") as folder:
            OfOneRun.folder = str(folder)
            yield OfOneRun
    finally:
        OfOneRun.stop()
        if nursery is not None:
            nursery.close() if OfOneRun.started else nursery.drop()
