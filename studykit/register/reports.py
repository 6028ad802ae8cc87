"""The reports of all studies of a folder, made side by side: each by a command of its own, here or on a Dask cluster.

Every study is worked on by ``studykit report`` in its own process, as if somebody had typed it: one that fails, hangs in a
refusal or is ended for want of memory costs no other one its report, and what did not change since is kept.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import EXITS, visible
from studykit.core.files import require_writable, write_csv
from studykit.core.workers import on_cluster, processors
from studykit.register.places import studies_in

Say = Callable[[str], None]
TABLE = "reports.csv"
ENDED, NOTHING = 70, "it ended without an answer, as for want of memory"
STAGES_AT_ONCE = 2
"""Processors reckoned for one report, whose stages run side by side (own judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What became of one report: exit code of the command with its meaning, sentence, page, first fault, seconds."""

    study: str
    exit_code: int
    meaning: str
    sentence: str
    page: str
    fault: str
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AllMade:
    """All of them as a table in the order of the folder, where it lies, and notes on what was not entered."""

    table: pd.DataFrame
    path: Path
    notes: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """0 where every report was made, 8 where all were and in some rows were rejected, else 2."""
        codes = set(self.table["exit_code"])
        return 0 if codes <= {0} else 8 if codes <= {0, 8} else 2


def make_reports(folder: Path, to: Path, *, options: Sequence[str] = (), workers: int = 0, scheduler: str = "",
                 say: Say = lambda _: None) -> AllMade:
    """Make the report of every study below a folder, and write reports.csv into ``to``.

    ``options``: further words of the command ``report``; ``workers``: reports at once on this machine, 0 for one in two
    processors; ``scheduler``: address of a Dask scheduler whose workers make them (extra ``many``), where the folder has the
    same path. BadInput where there is no study, ``to`` cannot be written, or the scheduler is not reached.
    """
    folder, to = Path(folder).resolve(), Path(to)
    require_writable(to)
    laid = studies_in(folder, without=to)
    made: dict[str, Made] = {}
    making = _on_dask if scheduler else _here
    at_once = workers or max(1, processors() // STAGES_AT_ONCE)
    for study, found in making(folder, laid.studies, tuple(options), scheduler or at_once):
        made[study] = found
        told = visible(found.sentence or found.fault)
        say(f"{len(made)} of {len(laid.studies)}, {visible(study)} ({found.seconds:.0f} s): {told}\n")
    table = pd.DataFrame([asdict(made[s]) for s in laid.studies])
    return AllMade(table=table, path=write_csv(to / TABLE, table), notes=laid.notes)


def make_one(folder: str, study: str, options: Sequence[str]) -> Made:
    """One report by its command, in a process of its own."""
    begun = time.monotonic()
    command = [sys.executable, "-P", "-m", "studykit", "--json", "report", str(Path(folder) / study), *options]
    run = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", errors="replace", check=False,
                         stdin=subprocess.DEVNULL)
    return _read(study, run.returncode, run.stdout, time.monotonic() - begun)


def _read(study: str, code: int, said: str, seconds: float) -> Made:
    """The answer of the command; one that was ended, or answered nothing, is told as such."""
    try:
        answer: dict[str, Any] = json.loads(said.splitlines()[-1])
        code = int(answer["exit_code"])
    except (IndexError, KeyError, TypeError, ValueError):
        return Made(study=study, exit_code=ENDED, meaning=EXITS[ENDED], sentence="", page="", fault=NOTHING, seconds=seconds)
    fault = "" if code == 0 else _first(answer)
    return Made(study=study, exit_code=code, meaning=str(answer.get("meaning", "")), sentence=str(answer.get("sentence", "")),
                page=str(answer.get("page", "")), fault=fault, seconds=seconds)


def _first(answer: dict[str, Any]) -> str:
    """The first fault in words, else the last that was said."""
    faults, said = answer.get("faults") or [], answer.get("said") or [""]
    if not faults:
        return str(said[-1])
    told = {k: v for k, v in faults[0].items() if v not in (None, "")}
    where = ", ".join(str(told[k]) for k in ("file", "row", "column") if k in told)
    return f"{where}: {told.get('reason', '')}" if where else str(told.get("reason", ""))


Answers = Iterator[tuple[str, Made]]


def _here(folder: Path, studies: Sequence[str], options: tuple[str, ...], workers: Any) -> Answers:
    """As processes of this machine, so many at once; each in threads that only wait."""
    with ThreadPoolExecutor(int(workers)) as pool:
        waiting = {pool.submit(make_one, str(folder), s, options): s for s in studies}
        try:
            while waiting:
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    yield waiting.pop(future), future.result()
        finally:
            for future in waiting:  # stopped from the keyboard: those that run are stopped by it too
                future.cancel()


def _on_dask(folder: Path, studies: Sequence[str], options: tuple[str, ...], scheduler: Any) -> Answers:
    """On the workers of a Dask cluster; where a worker is lost its study goes to another."""
    for ((_, study, _),), future in on_cluster(make_one, [(str(folder), s, options) for s in studies], scheduler):
        try:
            yield study, future.result()[0]
        except Exception as error:  # of the cluster: the command itself raises nothing here
            yield study, Made(study=study, exit_code=ENDED, meaning=EXITS[ENDED], sentence="", page="", seconds=0.0,
                              fault=f"the cluster could not run it: {type(error).__name__}: {error}")
