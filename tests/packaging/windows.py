"""A simulated Windows for the kit and its tests, on Linux: ``python -m tests.packaging.windows check FOLDER``.

Modules of ``studykit`` and ``tests`` see ``os.name == "nt"`` and ``sys.platform == "win32"`` and lack what Windows lacks
(``os.fork``, ``os.getuid``, ``signal.SIGKILL``, ``fcntl``, ``resource`` and others that Python's manual marks as Unix only).
For the whole process a rename or removal of a file that it holds open, or of a folder with such a file in it, is
refused; so is the rename of a folder in which a process of this run works; names that Windows cannot hold, paths of 260
signs and more, links, and a second name for a file that differs in capitals only. Output is in code page 1252.
Processes that the kit starts are under the same rules, by ``tests/packaging/elsewhere/sitecustomize.py``.

Not simulated: drives and backslashes within paths, system sockets and consoles, other programs' locks.
"""

from __future__ import annotations

import builtins
import errno
import fcntl
import importlib.abc
import importlib.machinery
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent
ABSENT = {
    "os": "fork forkpty getuid geteuid getgid getegid getgroups getpgid getpgrp setpgid setsid setuid setgid killpg mkfifo "
          "mknod chown lchown chroot nice uname getloadavg wait wait3 wait4 WNOHANG posix_spawn sched_getaffinity "
          "statvfs pathconf sysconf openpty ttyname",
    "signal": "SIGKILL SIGHUP SIGQUIT SIGUSR1 SIGUSR2 SIGALRM SIGSTOP SIGCONT SIGCHLD SIGPIPE alarm setitimer pause",
    "socket": "AF_UNIX",
}
"""Names that the standard library's manual gives for Unix only."""
NO_MODULES = {"fcntl", "resource", "pwd", "grp", "termios", "tty", "pty", "posix"}
INSTEAD = {"os": {"name": "nt"}, "sys": {"platform": "win32"}}
RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{k}" for d in ("com", "lpt") for k in range(1, 10))}
"""Names of devices (Microsoft, Naming Files, Paths, and Namespaces)."""
LONGEST = 259
"""Signs of a path without long paths switched on, the closing zero not counted (the same page)."""


class Clash(RuntimeError):
    """Two names in one folder that differ in capitals only: there they would be one file."""


class Seen(ModuleType):
    """A module of the standard library as it looks there; what is set on it is set on the real one too."""

    def __init__(self, real: ModuleType) -> None:
        self.__dict__.update(INSTEAD.get(real.__name__, {}) | {"__name__": real.__name__, "__doc__": real.__doc__})

    def __getattr__(self, name: str) -> Any:
        if name in ABSENT.get(self.__name__, "").split():
            raise AttributeError(f"module {self.__name__!r} has no attribute {name!r} (on Windows)")
        return getattr(REAL[self.__name__], name)  # looked up anew: pytest puts another sys.stdout in its place

    def __setattr__(self, name: str, value: Any) -> None:
        if name in self.__dict__:
            self.__dict__[name] = value
        setattr(REAL[self.__name__], name, value)

    def __delattr__(self, name: str) -> None:
        self.__dict__.pop(name, None)
        if name in FIRST[self.__name__]:  # pytest takes back what it set on a module that answers by __getattr__
            setattr(REAL[self.__name__], name, FIRST[self.__name__][name])
        else:
            delattr(REAL[self.__name__], name)

    def __dir__(self) -> list[str]:
        return sorted(set(dir(REAL[self.__name__])) - set(ABSENT.get(self.__name__, "").split()))


REAL = {name: __import__(name) for name in (*ABSENT, "sys")}
FIRST = {name: dict(vars(real)) for name, real in REAL.items()}
SEEN = {name: Seen(real) for name, real in REAL.items()}


def locking(file: int, mode: int, _: int) -> None:
    """``msvcrt.locking`` by this system's lock: of a whole file, held until the file is closed."""
    fcntl.flock(file, {0: fcntl.LOCK_UN, 2: fcntl.LOCK_EX | fcntl.LOCK_NB}[mode])


MSVCRT = ModuleType("msvcrt")
MSVCRT.__dict__.update(LK_UNLCK=0, LK_NBLCK=2, locking=locking)


def import_seen(name: str, *given: Any, **more: Any) -> Any:
    """``import`` as modules under the simulation find it."""
    if name.partition(".")[0] in NO_MODULES:
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)
    if name == "msvcrt":
        return MSVCRT
    found = builtins.__import__(name, *given, **more)
    return SEEN.get(name, found)


class Loader(importlib.machinery.SourceFileLoader):
    """Runs a module whose imports are answered by ``import_seen``."""

    def exec_module(self, module: ModuleType) -> None:
        module.__dict__["__builtins__"] = {**vars(builtins), "__import__": import_seen}
        super().exec_module(module)


class Finder(importlib.abc.MetaPathFinder):
    """Stands first and gives the kit's and the tests' modules the loader above."""

    def find_spec(self, name: str, path: Sequence[str] | None = None, target: Any = None) -> Any:
        if name.partition(".")[0] not in ("studykit", "tests") or name == __name__:
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path)
        if spec is not None and isinstance(spec.loader, importlib.machinery.SourceFileLoader):
            spec.loader = Loader(spec.loader.name, spec.loader.path)
        return spec


# ---- the file system


def _asked_by_ours() -> bool:
    """True where the kit or a test asks, however deep; programs that do it otherwise on Windows are let through."""
    try:
        frame = sys._getframe(2)
    except ValueError:  # Python itself opens the script that it was given
        return False
    while frame is not None:
        top = str(frame.f_globals.get("__name__", "")).partition(".")[0]
        if top in ("filelock", "tempfile", "_pytest", "zmq"):
            return False
        if top in ("studykit", "tests"):
            return True
        frame = frame.f_back  # type: ignore[assignment]
    return False


def _open_files() -> Iterator[str]:
    for number in os.listdir("/proc/self/fd"):
        try:
            yield os.readlink(f"/proc/self/fd/{number}")
        except OSError:
            continue


def _working_in() -> Iterator[str]:
    """Folders in which this process or one that it started works."""
    mine = os.getsid(0)
    for number in filter(str.isdigit, os.listdir("/proc")):
        try:
            if os.getsid(int(number)) == mine:
                yield os.readlink(f"/proc/{number}/cwd")
        except OSError:
            continue


def _refuse_held(path: str) -> None:
    """PermissionError where the file, or something in the folder, is held."""
    full = os.path.realpath(path)
    held = [*_open_files(), *(_working_in() if os.path.isdir(full) else ())]
    if any(h == full or h.startswith(full + os.sep) for h in held):
        raise PermissionError(errno.EACCES, "The process cannot access the file because it is being used by another process",
                              path)


def _refuse_name(path: str) -> None:
    """What Windows says to a name that it cannot hold; Clash for a second name that differs in capitals only."""
    full = os.path.abspath(path)
    if len(full) > LONGEST:
        raise FileNotFoundError(errno.ENOENT, "The system cannot find the path specified", path)
    inside = os.path.relpath(full, os.path.realpath(tempfile.gettempdir()))
    if inside.startswith(".."):
        return
    folder = os.path.realpath(tempfile.gettempdir())
    for part in inside.split(os.sep):
        if part.partition(".")[0].rstrip().lower() in RESERVED or part[-1] in " ." or set(part) & set('<>:"|?*\\'):
            raise OSError(errno.EINVAL, "The filename, directory name, or volume label syntax is incorrect", path)
        known = os.listdir(folder) if os.path.isdir(folder) else []
        if part not in known and (others := [k for k in known if k.casefold() == part.casefold()]):
            raise Clash(f"{part} and {others[0]} in {folder} would be one file")
        folder = os.path.join(folder, part)


WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT


def watch(event: str, given: tuple[Any, ...]) -> None:
    """An audit hook (PEP 578): every opening, making, renaming and removing is looked at before it is done."""
    if event not in ("open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.symlink") or not _asked_by_ours():
        return
    path = given[0]
    if isinstance(path, bytes):
        path = os.fsdecode(path)
    if not isinstance(path, str | os.PathLike) or str(path).startswith(("/dev/", "/proc/")):
        return
    if event == "os.symlink":
        raise OSError(errno.EPERM, "A required privilege is not held by the client", str(given[1]))
    if event in ("os.rename", "os.remove"):
        _refuse_held(str(path))
    if event == "os.rename":
        _refuse_held(str(given[1]))
        _refuse_name(str(given[1]))
    if event == "os.mkdir" or (event == "open" and isinstance(given[2], int) and given[2] & WRITES):
        _refuse_name(str(path))


def install() -> None:
    """Put this process, and those that it starts, under the simulation."""
    os.environ.update(PYTHONPATH=f"{HERE / 'elsewhere'}{os.pathsep}{HERE.parents[1]}", PYTHONIOENCODING="cp1252:strict")
    sys.meta_path.insert(0, Finder())
    sys.addaudithook(watch)
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(encoding="cp1252")  # type: ignore[union-attr]


if __name__ == "__main__":
    from tests.packaging import windows  # the one module that the hooks are made from

    windows.install()
    if sys.argv[1] == "-c":
        exec(sys.argv[2], {"__name__": "tests.given", "__builtins__": {**vars(builtins), "__import__": windows.import_seen}})
    elif sys.argv[1] == "-m":
        import runpy

        # pytest's own loader of test modules would show them the real system
        sys.argv = sys.argv[2:3] + ["--assert=plain"] * (sys.argv[2] == "pytest") + sys.argv[3:]
        runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
    else:
        from studykit.commands.cli import main

        sys.exit(main(sys.argv[1:]))
