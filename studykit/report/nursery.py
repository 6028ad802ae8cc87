"""The process that kernels are forked from, as seen from outside. Standard library only, so that it can be started first."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from typing import Any

from studykit.report.forks import KERNEL, imports_of
from studykit.study.stages import STEMS, share

FORKS = sys.platform == "linux"
PLAN = ("01-design", "02-sampling")
"""The stages of a plan's page."""
QUIET = {"PYDEVD_DISABLE_FILE_VALIDATION": "1"}
"""Kernels of some releases warn that no debugger stops in Python's own modules; nobody debugs here."""
_ready: list[Nursery] = []


class Nursery:
    """The process that kernels are forked from, as seen from outside; it loads while this process goes on."""

    def __init__(self, modules: Sequence[str]) -> None:
        ours, theirs = socket.socketpair()
        code = "from studykit.report.forks import main; main()"
        with theirs:
            self._process = subprocess.Popen([sys.executable, "-P", "-c", code, str(theirs.fileno()), *modules],
                                             pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL,
                                             env=QUIET | os.environ)
        self.modules = frozenset(modules)
        self._link, self._lines, self._turn = ours, ours.makefile("rwb"), threading.Lock()

    def ask(self, **request: Any) -> Any:
        """Send one request and wait for its answer; RuntimeError where the process is gone."""
        with self._turn:
            try:
                self._lines.write(json.dumps(request).encode() + b"\n")
                self._lines.flush()
                answer = self._lines.readline()
            except (OSError, ValueError):
                answer = b""
        if not answer:
            raise RuntimeError("the process that kernels are forked from has stopped")
        return json.loads(answer)

    def close(self) -> None:
        """Let the process go, and every kernel with it that still runs."""
        self._link.shutdown(socket.SHUT_RDWR)
        self._lines.close()
        self._link.close()
        self._process.wait()

    def drop(self) -> None:
        """Let the process go at once, whatever it still loads."""
        self._process.kill()
        self.close()


def nursery_for(stems: Sequence[str]) -> Nursery:
    """One that loads what the kit's notebooks of these stems import: that of ``ahead`` where there is one, else a new one."""
    modules = _modules(stems)
    return _ready.pop() if _ready and _ready[0].modules.issuperset(modules) else Nursery(modules)


@contextlib.contextmanager
def ahead(stems: Sequence[str] = STEMS) -> Iterator[None]:
    """Start the process for these stages now, so that it loads while the caller does; the next run in the block takes it."""
    if FORKS:
        _ready[:] = [Nursery(_modules(stems))]
    try:
        yield
    finally:
        while _ready:
            _ready.pop().drop()


def _modules(stems: Sequence[str]) -> list[str]:
    books = [p for p in (share("notebooks") / f"{s}.ipynb" for s in stems) if p.exists()]
    return [*KERNEL, *dict.fromkeys(m for b in books for m in imports_of(b))]
