"""Run the stage notebooks in order: parameters checked first, progress shown, a failure told in a few lines.

The notebooks write into a new folder that replaces the old report only when all of them
have run, so a failed or killed run leaves the filed report as it was.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import shutil
import threading
import time
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import nbformat
from traitlets.config import Config

from studykit.core import folders
from studykit.core.errors import ParametersRefused, StageFailed
from studykit.core.files import make_lasting, require_writable, write_text
from studykit.core.hashes import walk
from studykit.core.workers import processors
from studykit.report.kernels import kernels
from studykit.study.definition import Study
from studykit.study.stages import LATE, READS_FROM, share

Say = Callable[[str], None]
PART, OLD = "report.part", "report.old"
HEADLESS = "STUDYKIT_HEADLESS"
ALONE = {HEADLESS: "1", "PYDEVD_DISABLE_FILE_VALIDATION": "1"}
"""What kernels find in their environment where nobody sits before them; the second stills a debugger that nobody uses."""
PLACES = ("study", "out_dir")
"""Parameters that name folders of one machine; a filed notebook does not keep them."""
NOTHING: Mapping[str, str] = MappingProxyType({})
WORKERS = max(1, min(4, processors()))
"""Stages that may run at once."""
START = 900
"""Seconds in which a kernel has to answer; one that dies is noticed at once, so this is for a machine that is busy."""
ANSI = re.compile(r"\x1b\[[0-9;]*m")


@dataclass(frozen=True, slots=True, kw_only=True)
class StageRun:
    """One executed notebook: where it lies, the parameters it had, how long it took (s; none where it was taken over)."""

    stem: str
    notebook: Path
    parameters: dict[str, Any]
    seconds: float


WritePage = Callable[[Path, Sequence[Path], Study], Path]


@contextlib.contextmanager
def page_beside() -> Iterator[Callable[[], WritePage]]:
    """Load what writes a page while stages run: it takes long, and is needed last."""
    with ThreadPoolExecutor(1) as beside:
        loading = beside.submit(_page_writer)
        yield loading.result


def _page_writer() -> WritePage:
    from studykit.report.page import write_report

    return write_report


def accepted_parameters(notebook: Path) -> tuple[str, ...]:
    """Names set in the cell tagged ``parameters``; ParametersRefused where there is no such cell."""
    nb = nbformat.read(notebook, as_version=4)
    for cell in nb.cells:
        if cell.cell_type == "code" and "parameters" in cell.metadata.get("tags", []):
            return tuple(re.findall(r"^(\w+)\s*(?::[^=\n]+)?=", cell.source, flags=re.MULTILINE))
    raise ParametersRefused(f"{notebook.name}: no cell is tagged 'parameters' -> tag one, or use the kit's notebook")


def check_parameters(notebook: Path, given: Mapping[str, Any], required: Sequence[str] = ("study", "out_dir")) -> None:
    """ParametersRefused with every unknown and missing name, before anything runs."""
    accepted = accepted_parameters(notebook)
    unknown = [g for g in given if g not in accepted]
    missing = [r for r in required if r not in accepted or r not in given]
    if unknown or missing:
        parts = [f"unknown: {', '.join(unknown)}"] if unknown else []
        parts += [f"missing: {', '.join(missing)}"] if missing else []
        raise ParametersRefused(f"{notebook.name}: {'; '.join(parts)} -> accepted are {', '.join(accepted)}")


class Progress:
    """Tells of all that runs now in one line, and of each finished stage in a line of its own."""

    def __init__(self, say: Say) -> None:
        self._say, self._now, self._turn = say, dict[str, str](), threading.Lock()

    def running(self, stem: str, state: str) -> None:
        """What a stage does now."""
        with self._turn:
            self._now[stem] = state
            self._say("\r  " + "   ".join(f"{s}  {t}" for s, t in self._now.items()))

    def unchanged(self, stem: str) -> None:
        """A stage need not run."""
        with self._turn:
            self._say(f"\r  {stem}  unchanged: taken from the run before\n")

    def done(self, stem: str, seconds: float) -> None:
        """A stage is done."""
        with self._turn:
            self._now.pop(stem, None)
            self._say(f"\r  {stem}  done in {seconds:.1f} s\n")


def _engine() -> str:
    """A papermill engine that tells of each finished cell; returns its registered name."""
    from papermill.engines import NBClientEngine, papermill_engines

    class Telling(NBClientEngine):  # type: ignore[misc]  # papermill has no types
        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, tell: Say = print, **kw: Any) -> Any:
            code = [c for c in nb_man.nb.cells if c.cell_type == "code"]
            base, done = nb_man.cell_complete, [0]

            def complete(cell: Any, cell_index: int | None = None, **more: Any) -> None:
                base(cell, cell_index=cell_index, **more)
                if cell.cell_type == "code":
                    done[0] += 1
                    tell(f"cell {done[0]} of {len(code)}")

            nb_man.cell_complete = complete
            kw.setdefault("extra_arguments", ["--log-level=50",  # a kernel stopped in haste says so on stderr
                                              "--HistoryManager.enabled=False"])  # that of what a person typed stays theirs
            kw.setdefault("config", Config({"KernelManager": {"transport_encryption": "auto"}}))
            return super().execute_managed_notebook(nb_man, kernel_name, **kw)

    papermill_engines.register("studykit", Telling)
    return "studykit"


@contextlib.contextmanager
def _unattended(more: Mapping[str, str]) -> Iterator[None]:
    """Kernels started meanwhile know that nobody sits before them, and ``more``; what libraries warn of is not for a user."""
    before = {name: os.environ.get(name) for name in (*ALONE, *more)}
    os.environ.update(ALONE | dict(more))
    log = logging.getLogger("papermill")
    level = log.level
    log.setLevel(logging.CRITICAL)  # what stops a notebook is told once, by StageFailed
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.setLevel(level)
        for name, value in before.items():
            os.environ.pop(name, None)
            os.environ.update({name: value} if value is not None else {})


def run_notebooks(sources: Mapping[str, Path], targets: Mapping[str, Path], parameters: Mapping[str, Any], say: Say, *,
                  separate: bool = False, keep: Callable[[str], bool] = lambda _: False,
                  finished: Callable[[str], None] = lambda _: None, environment: Mapping[str, str] = NOTHING,
                  ) -> tuple[StageRun, ...]:
    """Execute notebooks by their stems, side by side where none waits for the other; the first that fails is told.

    The kit's own wait for those whose results they read, any other for all before it. ``separate``: each in a kernel
    started anew, else in one that is forked where the platform has that. ``keep`` puts the results of a stage in place
    that need not run, and says whether it did; ``finished`` is told of each stage that ran to its end. ``environment``: what
    they find in theirs beside that of this process.
    """
    progress = Progress(say)

    def one(stem: str) -> StageRun:
        if keep(stem):
            progress.unchanged(stem)
            return StageRun(stem=stem, notebook=targets[stem], parameters=dict(parameters), seconds=0.0)
        run = _execute(sources[stem], targets[stem], parameters, progress, manager)
        finished(stem)
        return run

    with _unattended(environment), kernels(tuple(sources), separate=separate) as manager:
        return in_turn({s: _waits_for(s, p, tuple(sources)) for s, p in sources.items()}, one, manager.stop)


def _waits_for(stem: str, notebook: Path, stems: Sequence[str]) -> frozenset[str]:
    """The stages that must have run before this one."""
    if notebook.parent == share("notebooks") and stem in READS_FROM:
        return READS_FROM[stem] & frozenset(stems)
    return frozenset(stems[: stems.index(stem)])


def in_turn(waits: Mapping[str, frozenset[str]], run: Callable[[str], StageRun], stop: Callable[[], None],
            ) -> tuple[StageRun, ...]:
    """Run each once those it waits for are done, as many at once as there are processors; first what most others wait for.

    Of those for which as many wait the kit's ``LATE`` ones come last: then two processors are done together.
    After a failure only what stands before it in order still starts, so that the failure told is that of a run one by
    one. ``stop`` ends what runs where this is interrupted.
    """
    order = list(waits)
    open_, done, failed = list(order), dict[str, StageRun](), dict[str, BaseException]()
    running: dict[Future[StageRun], str] = {}
    urgent = sorted(order, key=lambda s: (-sum(s in others for others in waits.values()), s in LATE))
    with ThreadPoolExecutor(WORKERS) as pool:
        try:
            while open_ or running:
                ready = [s for s in urgent if s in open_ and waits[s] <= done.keys()][: WORKERS - len(running)]
                running |= {pool.submit(run, s): s for s in ready}
                open_ = [s for s in open_ if s not in ready]
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    stem, error = running.pop(future), future.exception()
                    if error is None:
                        done[stem] = future.result()
                    else:
                        failed[stem] = error
                        open_ = [s for s in open_ if order.index(s) < order.index(stem)]
        except BaseException:
            stop()
            raise
    for stem in order:
        if stem in failed:
            raise failed[stem]
    return tuple(done[s] for s in order)


def _execute(source: Path, target: Path, parameters: Mapping[str, Any], progress: Progress, manager: Any) -> StageRun:
    """One notebook by papermill, in a kernel of the manager."""
    import papermill
    from jupyter_core.utils import ensure_event_loop
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    stem, started = source.stem, time.monotonic()
    progress.running(stem, "starting")
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with contextlib.closing(ensure_event_loop()):  # of this thread
            papermill.execute_notebook(
                str(source.absolute()), str(target.absolute()), parameters=dict(parameters), engine_name=_engine(),
                kernel_name="python3", language="python", start_timeout=START, progress_bar=False, log_output=False,
                request_save_on_cell_execute=False,  # it is written once it has run, or with the cell that failed
                resources={"metadata": {"path": str(source.absolute().parent)}}, kernel_manager_class=manager,
                tell=lambda state: progress.running(stem, state),
            )
    except PapermillExecutionError as error:
        raise StageFailed(_tell(source, target, error)) from None
    except (DeadKernelError, CellTimeoutError, RuntimeError) as error:
        raise StageFailed(_without_kernel(source, str(error))) from None
    settle(target, parameters)
    seconds = time.monotonic() - started
    progress.done(stem, seconds)
    return StageRun(stem=stem, notebook=target, parameters=dict(parameters), seconds=seconds)


def _without_kernel(source: Path, error: str) -> str:
    """A kernel that never answered, or stopped, in words."""
    if "didn't respond" not in error:
        return f"{source.name}: the kernel stopped: {error}"
    return (f"{source.name}: no kernel answered within {START // 60} minutes: this machine is too busy or has too little memory"
            " -> close other programs, then run the same command again")


def settle(notebook: Path, parameters: Mapping[str, Any]) -> None:
    """Take out of an executed notebook what belongs to one machine or one run: folders, times, versions, random ids.

    Opened where it is filed, it then finds the study around it, and two runs of one study give the same bytes.
    """
    nb = json.loads(notebook.read_text(encoding="utf-8"))
    nb["metadata"] = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                      "language_info": {"name": "python"}}
    kept = {k: v for k, v in parameters.items() if k not in PLACES}
    cells = []
    for cell in nb["cells"]:
        tags = cell["metadata"].get("tags", [])
        cell["metadata"] = {"tags": tags} if tags else {}
        if "injected-parameters" in tags:
            cell["id"] = "parameters-given"
            cell["source"] = "".join(f"{k} = {v!r}\n" for k, v in kept.items())
        if kept or "injected-parameters" not in tags:
            cells.append(cell)
    nb["cells"] = cells
    write_text(notebook, json.dumps(nb, indent=1, ensure_ascii=False, sort_keys=True) + "\n", lasting=False)


def _tell(source: Path, target: Path, error: Any) -> str:
    """A failed cell in a few lines: notebook, step, cell number, its source, the last lines of the error."""
    nb = nbformat.read(source, as_version=4)
    heading = ""
    for cell in nb.cells[: error.cell_index + 1]:
        if cell.cell_type == "markdown":
            found = re.findall(r"^#+\s*(.+)$", cell.source, flags=re.MULTILINE)
            heading = found[-1] if found else heading
    code = "\n".join("    | " + line for line in error.source.strip().splitlines())
    value = ANSI.sub("", str(error.evalue)).strip()
    name = error.ename.rpartition(".")[2]
    return (f"{source.name}, step {heading!r}, code cell [{error.exec_count}] failed\n{code}\n"
            f"  {name}: {value}\n  the notebook up to this cell: {target.name} in {PART}/{source.stem}/")


def parameters_of(root: Path, extra: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The parameters of every stage of a report: where the study and the new report lie, and what else was given."""
    return {"study": str(root.resolve()), "out_dir": str((root / PART).resolve()), **(extra or {})}


def run_stages(root: Path, notebooks: Path, stems: Sequence[str], say: Say,
               parameters: Mapping[str, Any] | None = None, *, separate: bool = False,
               keep: Callable[[str], bool] = lambda _: False, finished: Callable[[str], None] = lambda _: None,
               spare: Collection[str] = (), environment: Mapping[str, str] = NOTHING) -> tuple[StageRun, ...]:
    """Run the stages into ``report.part``; nothing runs where any notebook would refuse its parameters.

    ``spare``: stages of a run that was stopped, which ``keep`` may still take; all else there is removed first.
    """
    recover(root)
    require_writable(root)
    out, parameters = root / PART, parameters_of(root) if parameters is None else parameters
    for stem in stems:
        check_parameters(notebooks / f"{stem}.ipynb", parameters)
    for left in out.iterdir() if out.is_dir() and not out.is_symlink() and spare else (out,):
        if left.name not in spare:
            shutil.rmtree(left, ignore_errors=True)
            left.unlink(missing_ok=True) if left != out and not left.is_dir() else None
    return run_notebooks({s: notebooks / f"{s}.ipynb" for s in stems}, {s: out / s / f"{s}.ipynb" for s in stems},
                         parameters, say, separate=separate, keep=keep, finished=finished, environment=environment)


def recover(root: Path) -> None:
    """Put the filed report back where a kill came between the two renames of an exchange."""
    folders.restore(root / "report", root / OLD)


def exchange(root: Path) -> Path:
    """Put the finished ``report.part`` in the place of ``report``, once the disk has all of it."""
    make_lasting(p for p, kind in walk(root / PART) if kind == "file")
    return folders.exchange(root / PART, root / "report", root / OLD)
