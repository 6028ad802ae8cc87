"""The counts that docs/04-quality.md tells, kept in ``present.csv`` as they were counted.

One line a count: what was counted, of how many studies from which seed on, and the commit of the tree that was counted
(no seed, no hints: counts of 27 November, of which these were not kept). Lines of the same thing add up.
"""

from __future__ import annotations

import os
import subprocess
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from tests.faults.planted import FAULTS

if TYPE_CHECKING:
    from tests.faults.bench import Tally

PRESENT = Path(__file__).parent / "present.csv"
KEYS = ["what", "name", "studies", "first_seed", "commit"]
COUNTS = ["right", "hints", "wrong", "stop", "question", "first", "second"]
STATES = ("0e5a19bd", "acfb91df", "c31a0c04")
"""Commits of the present state, the last one first. The third one names no less in studies of twelve containers and more; the
second one judges studies of few containers, check fluids of settled stocks and runs of several drifts better, and the first one
asks less beside what it names. Seeds that were counted on several are told by the last one alone."""


def record(what: str, name: str, tally: Tally, seed: int) -> None:
    """Add a line to the file named by the environment; nothing where it names none."""
    path = os.environ.get("FAULTS_RECORD")
    if not path:
        return
    head = subprocess.run(["git", "rev-parse", "--short=8", "HEAD"], capture_output=True, text=True, check=False)
    row = {"what": what, "name": name, "studies": tally.n, "first_seed": seed, "commit": head.stdout.strip()}
    row |= {k: tally.counts[k] for k in COUNTS if k in tally.counts}
    pd.DataFrame([row], columns=KEYS + COUNTS).to_csv(path, mode="a", header=not Path(path).exists(), index=False)


@cache
def _counts() -> pd.DataFrame:
    return pd.read_csv(PRESENT)


@cache
def counted(what: str, name: str, now: bool) -> dict[str, int]:
    """The sums of what was counted of things of that name ('' for all), of the present state or of the days before."""
    t = _counts()
    own = t[(t["what"] == what) & (t["name"].eq(name) | (name == ""))]
    present = own["commit"].isin(STATES)
    if now:
        order = own.loc[present, "commit"].map(STATES.index)
        own = own[present].loc[order.sort_values(kind="stable").index].drop_duplicates(["what", "name", "first_seed"])
    else:
        own = own[~present]
    return {c: int(own[c].sum()) for c in ["studies", *COUNTS]}


def _table(head: list[str], what: str, names: dict[str, str], now: list[str], before: list[str]) -> list[str]:
    rows = [[told, *(str(counted(what, name, True)[c]) for c in now), *(str(counted(what, name, False)[c]) for c in before)]
            for told, name in names.items()]
    return [f"| {' | '.join(cells)} |" for cells in (head, ["---"] * len(head), *rows)]


def lines() -> list[str]:
    """The rows of the page's table of faults of the clear size, head first."""
    head = ["fault of the clear size", "studies", "right cause, right place", "of them only a hint", "a wrong suspect",
            "before: studies", "right", "a wrong suspect"]
    return _table(head, "clear fault", {n: n for n in FAULTS}, ["studies", "right", "hints", "wrong"],
                  ["studies", "right", "wrong"])


def other_lines() -> list[str]:
    """The rows of the page's table of clean and really settled studies, head first."""
    head = ["studies", "how many", "a stop", "a question", "before: studies", "a stop", "a question"]
    columns = ["studies", "stop", "question"]
    clean = _table(head, "clean", {"clean, twelve laboratories": ""}, columns, columns)
    return clean + _table(head, "settled", {"really settled, creamed, half-settled, layered": ""}, columns, columns)[2:]


def pair_lines() -> list[str]:
    """The rows of the page's table of two faults at once, head first."""
    names = dict.fromkeys(_counts().query("what == 'two faults'")["name"])
    head = ["two faults at once", "studies", "first named", "second named", "before: studies", "first", "second"]
    columns = ["studies", "first", "second"]
    return _table(head, "two faults", {n: n for n in names}, columns, columns)
