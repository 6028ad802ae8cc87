"""Faults of a report's rows and columns, of the end of an instrument's range, of dirt, and of a tool carried on.

As in ``planted``: a planter changes a ``Lab`` and returns a ``Truth``.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from tests.faults.laboratory import ANALYTES, Lab
from tests.faults.truth import Truth, a_run, an_analyte, bottles, boxes, pick, run_bottles, scale


def _columns(lab: Lab, size: float) -> tuple[str, str]:
    """Two analytes without a reporting limit whose levels in the stock lie about ``size`` apart (from 4 on: or more)."""
    names = [a for a in lab.analytes if lab.study.analytes[a].limit is None]
    levels = {a: ANALYTES[a][0] for a in names}
    apart = {(a, b): abs(np.log(levels[a] / levels[b])) for a, b in combinations(names, 2)}
    fits = [pair for pair, far in apart.items() if abs(far - np.log(size)) < 0.2 or (size >= 4 and far > np.log(size))]
    return fits[int(lab.rng.integers(len(fits)))]


def _exchange_columns(lab: Lab, rows: np.ndarray, size: float, places: frozenset[str]) -> Truth:
    a, b = _columns(lab, size)
    lab.edits += [(int(i), to, f"{lab.wide.at[i, of]:.{lab.decimals[of]}f}") for to, of in ((a, b), (b, a)) for i in rows]
    return Truth(causes=("exchanged columns",), places=places, near=frozenset(lab.wide.loc[rows, "sample"]) | {"check fluid"},
                 analytes=frozenset({a, b}))


def exchanged_columns(lab: Lab, size: float) -> Truth:
    """In the file of one run two analytes stand in each other's columns."""
    run = a_run(lab)
    return _exchange_columns(lab, lab.rows(run=run), size, frozenset({run}))


def exchanged_columns_everywhere(lab: Lab, size: float) -> Truth:
    return _exchange_columns(lab, np.arange(len(lab.wide)), size, frozenset({"all runs"}) | frozenset(lab.wide["run"]))


def shifted_rows(lab: Lab, size: float) -> Truth:
    """From some line on to the end of a run (a share of it) every line carries the reading of the line beside it.

    A line was left out, or written twice: readings stand a line early, or late; the line left over keeps its own.
    """
    run = a_run(lab)
    rows = lab.rows(run=run)
    moved = rows[len(rows) - round(size * len(rows)):]
    to, of = (moved[:-1], moved[1:]) if lab.rng.random() < 0.5 else (moved[1:], moved[:-1])
    lab.wide.loc[to, lab.analytes] = lab.wide.loc[of, lab.analytes].to_numpy(float)
    return Truth(causes=("rows shifted",), places=frozenset({run}), near=frozenset(run_bottles(lab, run)) | boxes(lab, run))


def dust(lab: Lab, size: float) -> Truth:
    """Silicon, and nothing else, got into one bottle that nobody reads or draws a second time.

    In the lowest draw it may as well lie on the floor there, so a question about the heel or the container is right too.
    """
    w = lab.wide
    again = set(zip(w.loc[w["kind"] == "duplicate", "container"], w.loc[w["kind"] == "duplicate", "depth"], strict=True))
    twice = set(w.loc[w["sample"].duplicated(), "sample"])
    alone = [i for i in lab.rows(kind="spot") if w.at[i, "container"] in lab.stored() and w.at[i, "sample"] not in twice
             and (w.at[i, "container"], w.at[i, "depth"]) not in again]
    i = int(lab.rng.choice(alone))
    scale(lab, np.array([i]), ["Si"], 1 + size)
    lowest = w.at[i, "height"] == w.loc[w["container"] == w.at[i, "container"], "height"].where(w["kind"] == "spot").min()
    sample, box = str(w.at[i, "sample"]), str(w.at[i, "container"])
    dirt = ("dirt in the bottle", "value alone")
    return Truth(causes=(*dirt, "heel in the zone", "own settling") if lowest else dirt,
                 places=frozenset({sample, box} if lowest else {sample}), near=bottles(lab, box) | {box},
                 analytes=frozenset({"Si"}))


def saturated(lab: Lab, size: float) -> Truth:
    """Above one reading the instrument shows that reading: ``size`` is the share of the stock's zones that are above it."""
    a = an_analyte(lab, ("Mo", "Si", "Ca"))
    zone = np.concatenate([lab.rows(container=c, kind="spot") for c in lab.stored()])
    end = float(np.quantile(lab.wide.loc[zone, a], 1 - size))
    lab.wide[a] = np.minimum(lab.wide[a], end)
    return Truth(causes=("saturated curve",), places=frozenset({a}) | frozenset(lab.wide["file"]) | frozenset(lab.wide["run"]),
                 near=frozenset(lab.containers["container"]) | frozenset(lab.wide["sample"]), analytes=frozenset({a}))


def carried_tool(lab: Lab, size: float) -> Truth:
    """The first draw of one container holds a share of the last draw of another: the tool was carried over unrinsed."""
    a, b = pick(lab, 2)
    w = lab.wide
    spots = {c: sorted(lab.rows(container=c, kind="spot"), key=lambda i: int(w.at[i, "draw_order"])) for c in (a, b)}
    first, last = str(w.at[spots[a][0], "sample"]), int(spots[b][-1])
    before = lab.true.loc[last, lab.analytes].to_numpy(float)
    for i in lab.rows(sample=first):
        own = lab.true.loc[i, lab.analytes].to_numpy(float)
        scale(lab, np.array([i]), lab.analytes, (1 - size) + size * before / own)
    return Truth(causes=("missing purge",), places=frozenset({a, first}), near=bottles(lab, a))
