"""A scenario run to its end: blocks counted by processes or on a Dask cluster, kept as they come, then a table and a page.

``blocks.jsonl`` in the folder holds one line a block. A run that was stopped goes on with the blocks that lack there; a line
that was cut short, or was counted by other code, counts for nothing. Whoever counts a block, its counts are the same.
"""

from __future__ import annotations

import json
import math
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any, cast

import pandas as pd

from studykit.core.errors import StudyKitError, single
from studykit.core.files import plain_os_errors, require_writable, write_csv, write_text
from studykit.core.plainpage import heading, page, paragraph, table
from studykit.core.record import significant
from studykit.core.workers import TRIES, on_cluster
from studykit.design.blocks import BLOCK, COUNTED, code, count_block
from studykit.design.scenario import Cell, Scenario

Say = Callable[[str], None]
Task = tuple[str, Cell, Any, float, int, int]
Counts = tuple[int, ...]
KEPT, TABLE, PAGE = "blocks.jsonl", "operating.csv", "operating.html"
TOGETHER = 8
"""Blocks that go to a worker of a cluster at once: a few tenths of a second, so that the way there costs little."""
HOW = ("Each line: so many simulated studies of one design and one truth, judged by the rule of a report for the mean "
       "of the containers. Wrong is homogeneous where the true difference is as large as the margin or larger, and "
       "stratified where it is smaller. Errors are standard errors from the number of studies. Nothing here is about the "
       "share of single containers.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """A finished scenario: its table, where it lies, and how many blocks were counted now and taken from before."""

    page: Path
    table: pd.DataFrame
    counted: int
    taken: int


def run_scenario(scenario: Scenario, to: Path, *, workers: int = 1, scheduler: str = "", say: Say = lambda _: None) -> Ran:
    """Count every block of a scenario that ``to`` does not hold yet, then write operating.csv and operating.html there.

    ``workers``: processes on this machine; ``scheduler``: address of a Dask scheduler that counts in their place (extra
    ``many``). BadInput where ``to`` cannot be written, and where a worker of the cluster has other code than this machine.
    """
    to = Path(to)
    require_writable(to)
    tasks = list(_tasks(scenario))
    kept = _kept(to)
    missing = [t for t in tasks if _name(t) not in kept]
    counting = _on_dask(missing, scheduler) if scheduler else _here(missing, workers)
    with plain_os_errors(to / KEPT), _opened(to / KEPT) as file:
        for k, (task, (counts, by)) in enumerate(counting, start=1):
            if by != code():
                raise single("--scheduler", "a worker has another version of the kit, whose counts are not these",
                             "install the same version there")
            kept[_name(task)] = counts
            file.write(json.dumps({"key": task[0], "block": task[4], "studies": task[5], "counts": counts, "code": by}) + "\n")
            file.flush()
            say(f"\r{len(tasks) - len(missing) + k} of {len(tasks)} blocks{chr(10) if k == len(missing) else ''}")
    made = _table(scenario, {c: _sum(scenario, c, kept) for c in scenario.cells})
    write_csv(to / TABLE, made)
    write_text(to / PAGE, _page(scenario, made))
    return Ran(page=to / PAGE, table=made, counted=len(missing), taken=len(tasks) - len(missing))


def _tasks(scenario: Scenario) -> Iterator[Task]:
    """All blocks: the first of every cell, then the second, so that a stopped run knows something of each."""
    keys = [(scenario.key_of(c), c) for c in dict.fromkeys(scenario.cells)]
    for block in range(math.ceil(scenario.studies / BLOCK)):
        for key, cell in keys:
            yield key, cell, scenario.margin, scenario.alpha, block, min(BLOCK, scenario.studies - block * BLOCK)


def _name(task: Task) -> tuple[str, int, int]:
    return task[0], task[4], task[5]


def _kept(to: Path) -> dict[tuple[str, int, int], Counts]:
    """Blocks that earlier runs of this code counted."""
    out = {}
    lines = (to / KEPT).read_text(encoding="utf-8").splitlines() if (to / KEPT).is_file() else []
    for line in lines:
        try:
            d = json.loads(line)
            counts = tuple(int(c) for c in d["counts"])
            if d["code"] == code() and len(counts) == len(COUNTED) and sum(counts[:-1]) == d["studies"]:
                out[str(d["key"]), int(d["block"]), int(d["studies"])] = counts
        except (ValueError, KeyError, TypeError):
            continue
    return out


def _opened(path: Path) -> IO[str]:
    """The file of blocks, open for further lines; a last line that was cut short gets an end."""
    cut = path.is_file() and path.stat().st_size > 0 and not path.read_bytes().endswith(b"\n")
    file = path.open("a", encoding="utf-8", newline="\n")
    if cut:
        file.write("\n")
    return file


def _sum(scenario: Scenario, cell: Cell, kept: dict[tuple[str, int, int], Counts]) -> Counts:
    own = [kept[_name(t)] for t in _tasks_of(scenario, cell)]
    return tuple(map(sum, zip(*own, strict=True)))


def _tasks_of(scenario: Scenario, cell: Cell) -> Iterator[Task]:
    key = scenario.key_of(cell)
    for block in range(math.ceil(scenario.studies / BLOCK)):
        yield key, cell, scenario.margin, scenario.alpha, block, min(BLOCK, scenario.studies - block * BLOCK)


# -- who counts ----------------------------------------------------------------------------------------------------


Answer = tuple[Task, tuple[Counts, str]]


def _here(tasks: Sequence[Task], workers: int) -> Iterator[Answer]:
    """By processes of this machine; where one is killed, by new ones."""
    if workers < 2:
        yield from ((t, count_block(*t)) for t in tasks)
        return
    left, broken = dict(enumerate(tasks)), 0
    while left:
        done = 0
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            waiting = {pool.submit(count_block, *t): k for k, t in left.items()}
            for future in as_completed(waiting):
                try:
                    answer = future.result()
                except BrokenProcessPool:
                    continue
                done += 1
                yield left.pop(waiting[future]), answer
        broken = 0 if done else broken + 1
        if broken >= TRIES:
            raise single("--workers", f"the processes were ended {TRIES} times before one finished a block",
                         "is there too little memory? try --workers 1")


def _on_dask(tasks: Sequence[Task], scheduler: str) -> Iterator[Answer]:
    """On a Dask cluster; where a worker is lost its blocks go to others."""
    for part, future in on_cluster(count_block, tasks, scheduler, together=TOGETHER):
        try:
            answers = future.result()
        except StudyKitError:
            raise
        except Exception as error:
            raise single("--scheduler", f"a block could not be counted there: {type(error).__name__}: {error}",
                         "is the same version of the kit installed on each worker?") from None
        yield from zip(cast(Sequence[Task], part), answers, strict=True)


# -- what is written -----------------------------------------------------------------------------------------------


def _table(scenario: Scenario, counts: dict[Cell, Counts]) -> pd.DataFrame:
    """One row a cell: its keys, studies, and words in per cent with their standard errors."""
    return pd.DataFrame([_row(scenario, cell, found) for cell, found in counts.items()])


def _row(scenario: Scenario, cell: Cell, counts: Counts) -> dict[str, Any]:
    named = dict(zip(COUNTED, counts, strict=True))
    n = scenario.studies
    at_least = abs(scenario.margin.from_shown(cell.difference)) >= scenario.margin.edge * (1 - 1e-9)
    shares = {**named, "wrong": named["homogeneous" if at_least else "stratified"]}
    out: dict[str, Any] = {**asdict(cell), "studies": n}
    for word, k in shares.items():
        p = k / n
        out |= {f"{word}, %": 100 * p, f"{word}, error": 100 * math.sqrt(max(p * (1 - p), 1 / n) / n)}
    return out


def _page(scenario: Scenario, made: pd.DataFrame) -> str:
    shown = [c for c in made.columns if made[c].nunique() > 1 or c.endswith("%") or c == "studies"]
    same = ", ".join(f"{c} {made[c].iloc[0]:g}" for c in made.columns if c not in shown and not c.endswith("error"))
    cells = [[significant(v, 3) if isinstance(v, float) else v for v in row]
             for row in made[shown].itertuples(index=False, name=None)]
    return page(scenario.title, [
        paragraph(f"Margin {scenario.margin.text}, alpha {scenario.alpha:g}, seed {scenario.seed}. {HOW}"),
        heading("Words, per cent of studies"), table(cells, [str(c) for c in shown]), paragraph(f"In all lines: {same}.")])
