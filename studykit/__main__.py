"""``python3 -m studykit ...`` on a bare Python: build ./.venv once, then hand over to the command line.

Standard library only up to the hand-over. Nothing is installed outside ./.venv, so this works
with an externally managed Python, with or without the venv package's ensurepip.
"""

from __future__ import annotations

import sys

if __name__ == "__main__" and not getattr(sys.flags, "safe_path", False):
    # -m puts the folder one stands in first: a study folder may hold a file named like a module, which is data, not code
    sys.path[:] = [p for p in sys.path[:1] if __file__.replace("\\", "/").startswith(p.replace("\\", "/") + "/")] + sys.path[1:]

import errno
import hashlib
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = Path(os.environ.get("STUDYKIT_VENV", ROOT / ".venv"))
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
CONSTRAINTS = ROOT / "constraints.txt"


def stop(message: str) -> None:
    """End with one message and a non-zero exit."""
    sys.exit("studykit set-up: " + message)


def stamp(extra: str) -> str:
    """What the environment was built from: Python, place, requirements, constraints."""
    digest = hashlib.sha256(f"{sys.version_info[:2]} {ROOT} {extra}".encode())
    for file in (ROOT / "pyproject.toml", CONSTRAINTS):
        digest.update(file.read_bytes() if file.exists() else b"")
    return digest.hexdigest()


def pip_command() -> tuple[list[list[str]], list[str]]:
    """The commands that make the environment, and the pip that fills it."""
    probe = subprocess.run([sys.executable, "-c", "import ensurepip, venv"], stderr=subprocess.DEVNULL, check=False)
    if probe.returncode == 0:
        return [[sys.executable, "-m", "venv", str(VENV)]], [str(PYTHON), "-m", "pip"]
    make = [sys.executable, "-m", "venv", "--without-pip", str(VENV)]
    return [make], [sys.executable, "-m", "pip", "--python", str(PYTHON)]


def build(extra: str) -> None:
    """Make ./.venv and install the kit into it, unless that was done from the same files already."""
    if sys.version_info < (3, 11):  # noqa: UP036 - a bare machine may have an older python3
        stop(f"needs Python 3.11 or newer; this is {sys.version.split()[0]}")
    if built(extra):
        return
    if not os.access(VENV if VENV.exists() else VENV.parent, os.W_OK):
        stop(f"{VENV.parent} cannot be written; name another place: STUDYKIT_VENV=~/studykit-venv python3 -m studykit ...")
    VENV.mkdir(parents=True, exist_ok=True)
    with only_one(VENV / ".studykit-lock"):
        if not built(extra):  # another run may have built it while this one waited
            fill(extra)


def built(extra: str) -> bool:
    """Whether the environment was made from the files as they are."""
    mark = VENV / ".studykit-stamp"
    done = mark.read_text(encoding="utf-8").split() if mark.exists() else []
    return PYTHON.exists() and (stamp(extra) in done or stamp("test") in done)


@contextmanager
def only_one(path: Path) -> Iterator[None]:
    """Wait until no other run builds here; the system gives the lock back whatever ends its holder."""
    with path.open("a+b") as file:
        told = False
        while not taken(file.fileno()):
            if not told:
                print("studykit: another run builds .venv; waiting for it ...", file=sys.stderr, flush=True)
            told = True
            time.sleep(0.2)
        yield


def taken(file: int) -> bool:
    """Take the lock of an open file if nobody holds it; closing the file gives it back."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(file, 0, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            print(f"studykit: {VENV} cannot be locked here ({error}); start one run at a time", file=sys.stderr, flush=True)
            return True
        return False
    return True


def fill(extra: str) -> None:
    """Make the environment and install the kit into it."""
    print("studykit: building .venv (once; a few minutes on a slow line) ...", file=sys.stderr, flush=True)
    steps, pip = pip_command()
    target = f"{ROOT}[{extra}]"
    pins = ["-c", str(CONSTRAINTS)] if CONSTRAINTS.exists() else []
    steps.append([*pip, "--disable-pip-version-check", "install", "-q", *pins, "-e", target])
    for step in steps:
        if subprocess.run(step, cwd=ROOT, check=False).returncode:
            stop(f"this step failed: {' '.join(step)}\nSee the messages above. Nothing outside {VENV} was changed.")
    # best effort: bytecode for the modules of the checkout too, which pip compiles for installed packages only
    subprocess.run([str(PYTHON), "-m", "compileall", "-q", str(ROOT / "studykit")], stdout=subprocess.DEVNULL, check=False)
    (VENV / ".studykit-stamp").write_text(stamp(extra), encoding="utf-8")


def run_tests(arguments: list[str]) -> int:
    """The test suite, by pytest, in this environment: a worker a core, each test file or notebook in one of them.

    Tests marked as slow run with ``--all`` only.  What else is given comes last and wins: ``-n 0`` for one process.
    """
    chosen = [] if "--all" in arguments else ["-m", "not slow"]
    given = [a for a in arguments if a != "--all"]
    spread = ["-p", "tests.lean", "-n", str(os.cpu_count() or 1), "--dist", "loadfile", "--no-loadscope-reorder"]
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    around = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}  # tests are compiled once
    return subprocess.run([sys.executable, "-m", "pytest", *spread, *chosen, *given], cwd=ROOT, check=False,
                          env=threads | around).returncode


def inside() -> bool:
    """True where this Python is the kit's own environment, or the kit is installed as a package."""
    return Path(sys.prefix).resolve() == VENV.resolve() or not (ROOT / "pyproject.toml").exists()


def main() -> None:
    """Build the environment where needed, then run the command in it."""
    if Path.cwd() != ROOT:  # nor where the folder one stands in is named a second time
        sys.path[:] = [p for p in sys.path if p not in ("", str(Path.cwd()))]
    arguments = sys.argv[1:]
    testing = arguments[:1] == ["test"]
    if inside():
        if testing:
            sys.exit(run_tests(arguments[1:]))
        from studykit.commands.cli import entry

        entry(arguments)
    build("test" if testing else "all")
    os.environ.pop("PYTHONHOME", None)
    command = [str(PYTHON), "-m", "studykit", *arguments]
    if os.name == "nt":
        sys.exit(subprocess.call(command))
    os.execv(command[0], command)


if __name__ == "__main__":
    main()
