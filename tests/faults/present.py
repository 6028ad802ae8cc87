"""The counts of the present state that docs/04-quality.md tells, kept in ``present.csv`` as they were counted.

One line a count: what was counted, of how many studies from which seed on, and the commit of the tree that was counted.
Lines of the same thing add up.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pandas as pd

from tests.faults import bench

PRESENT = Path(__file__).parent / "present.csv"
KEYS = ["what", "name", "studies", "first_seed", "commit"]
COUNTS = ["right", "hints", "wrong", "stop", "question", "first", "second"]


def record(what: str, name: str, tally: bench.Tally, seed: int) -> None:
    """Add a line to the file named by the environment; nothing where it names none."""
    path = os.environ.get("FAULTS_RECORD")
    if not path:
        return
    head = subprocess.run(["git", "rev-parse", "--short=8", "HEAD"], capture_output=True, text=True, check=False)
    row = {"what": what, "name": name, "studies": tally.n, "first_seed": seed, "commit": head.stdout.strip()}
    row |= {k: tally.counts[k] for k in COUNTS if k in tally.counts}
    pd.DataFrame([row], columns=KEYS + COUNTS).to_csv(path, mode="a", header=not Path(path).exists(), index=False)


def counted(what: str) -> pd.DataFrame:
    """The sums of one kind of count by name, in the order in which they were counted first."""
    t = pd.read_csv(PRESENT)
    own = t[t["what"] == what]
    return own.groupby("name", sort=False)[["studies", *COUNTS]].sum().astype(int).reset_index()


def lines() -> list[str]:
    """The rows of the page's table of faults of the clear size, head first."""
    out = ["| fault of the clear size | studies | right cause, right place | of them only a hint | a wrong suspect beside it |",
           "|---|---|---|---|---|"]
    t = counted("clear fault").set_index("name")
    return [*out, *(f"| {name} | {' | '.join(str(t.loc[name, c]) for c in ('studies', 'right', 'hints', 'wrong'))} |"
                    for name in bench.FAULTS if name in t.index)]


def other_lines() -> list[str]:
    """The rows of the page's table of clean and really settled studies, head first."""
    out = ["| studies | how many | a stop | a question |", "|---|---|---|---|"]
    t = pd.concat([counted("clean").assign(kind="clean, "), counted("settled").assign(kind="really settled, ")])
    return [*out, *(f"| {r['kind']}{r['name']} | {r['studies']} | {r['stop']} | {r['question']} |"
                    for r in t.to_dict("records"))]


def pair_lines() -> list[str]:
    """The rows of the page's table of two faults at once, head first."""
    out = ["| two faults at once | studies | the first named | the second named |", "|---|---|---|---|"]
    return [*out, *(f"| {r['name']} | {r['studies']} | {r['first']} | {r['second']} |"
                    for r in counted("two faults").to_dict("records"))]
