"""The process that kernels are forked from: it imports once what notebooks need, then becomes a kernel for each request.

It never runs a cell. Every child is its own process with its own namespace, folder, environment and session, as if it
had been started anew; what they share is memory of modules that were imported and not used.
"""

from __future__ import annotations

import ast
import atexit
import contextlib
import gc
import importlib
import json
import os
import signal
import socket
import sys
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

LAUNCHER = "ipykernel_launcher"
KERNEL = ("ipykernel.kernelapp", "ipykernel.debugger", "IPython.core.completerlib", "IPython.core.oinspect",
          "IPython.extensions.storemagic", "psutil", "tornado.platform.asyncio", "matplotlib.pyplot",
          "matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg", "matplotlib.backends.backend_pdf")
"""What a kernel loads before its first cell, and what the first figure of a notebook loads."""
UNUSED = ("rfc3987_syntax", "debugpy")
"""What these would load and no notebook needs: a grammar of internationalised addresses, which jsonschema under nbformat
builds for seconds, and a debugger, for which nobody sits there."""


ANSWERED = 2.0
"""Seconds in which the thread that was asked to shut a kernel down ends; where the others are stopped before it, it may wait
for one of them until it is killed."""


@contextlib.contextmanager
def leaving_out(names: Sequence[str]) -> Iterator[None]:
    """Meanwhile imports of these modules fail, as if they were not installed, where they are not loaded yet."""
    for name in names:
        sys.modules.setdefault(name, None)  # type: ignore[arg-type]  # None: an import of it fails
    yield
    for name in names:
        if sys.modules[name] is None:
            del sys.modules[name]


def imports_of(notebook: Path) -> tuple[str, ...]:
    """Modules that the cells of a notebook import, in their order; a name taken out of a folder may be one too."""
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    found: list[str] = []
    for cell in (c for c in cells if c["cell_type"] == "code"):
        for node in ast.walk(ast.parse("".join(cell["source"]))):
            if isinstance(node, ast.Import):
                found += [a.name for a in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                found += [node.module, *(f"{node.module}.{a.name}" for a in node.names)]
    return tuple(dict.fromkeys(found))


def preload(modules: Sequence[str]) -> None:
    """Import what can be imported; what fails is told by the notebook that needs it."""
    gc.disable()  # hardly anything that is imported is ever let go
    os.environ.setdefault("MPLBACKEND", "module://matplotlib_inline.backend_inline")  # as a kernel sets it
    with leaving_out(UNUSED):
        for name in modules:
            with contextlib.suppress(ImportError):
                importlib.import_module(name)
    gc.collect()
    gc.freeze()
    gc.enable()


def serve(descriptor: int, modules: Sequence[str]) -> dict[str, Any] | None:
    """Answer requests until the other end is gone; in each forked child, return the request that it is to fulfil."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a stop at the terminal is for the parent to handle
    preload(modules)
    living: set[int] = set()
    with socket.socket(fileno=descriptor) as link, link.makefile("rwb") as lines:
        for line in lines:
            request = json.loads(line)
            if "ended" in request:
                answer = _exit_code(request["ended"], living)
            else:
                answer = os.fork()
                if not answer:
                    return dict(request)
                living.add(answer)
            lines.write(json.dumps(answer).encode() + b"\n")
            lines.flush()
    for pid in living:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)
    return None


def _exit_code(pid: int, living: set[int]) -> int | None:
    """None while it runs, else its exit code, negative for a signal, as ``subprocess`` says it."""
    done, status = os.waitpid(pid, os.WNOHANG)
    if not done:
        return None
    living.discard(pid)
    return os.waitstatus_to_exitcode(status)


def become_kernel(request: dict[str, Any]) -> None:
    """Turn this child into the kernel that was asked for, and run it until it is shut down."""
    import numpy as np
    from ipykernel.kernelapp import IPKernelApp

    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.chdir(request["folder"])
    os.environ.clear()
    os.environ.update(request["environment"], JPY_PARENT_PID=str(os.getppid()))
    np.random.seed()
    sys.argv = [LAUNCHER, *request["arguments"]]
    IPKernelApp.launch_instance([*request["arguments"], f"--IPKernelApp.parent_handle={os.getppid()}"])
    IPKernelApp.instance().control_thread.join(ANSWERED)


def main() -> None:
    """Serve, then, in a child, be a kernel: ``python -c "…main()" descriptor module …``."""
    if sys.path[0] in ("", os.getcwd()):  # modules of the folder it was started in are nobody's to load
        del sys.path[0]
    code, request = 0, serve(int(sys.argv[1]), sys.argv[2:])
    try:
        if request is not None:
            become_kernel(request)
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except KeyboardInterrupt:  # stopped while it still started: who stopped it says so
        code = 1
    except BaseException:
        traceback.print_exc()
        code = 1
    leave(code)


def leave(code: int) -> None:
    """End this process with what was asked to run at its end, and without taking apart every module that it loaded."""
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(code)
