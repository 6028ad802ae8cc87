"""Stocks whose truth is in what is said of groups and of values known only within bounds; each case True where it is wrong.

Written by somebody who had not seen the kit's code, from its pages alone.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

import studykit as sk


def table(values, lot):
    """One row a determination from values (containers, depths, determinations)."""
    rows = [
        {"container": f"C{i:02d}", "depth": f"d{j}", "value": value, "lot": lot[i]}
        for i, zones in enumerate(values)
        for j, cell in enumerate(zones)
        for value in cell
    ]
    return pd.DataFrame(rows), [f"d{j}" for j in range(len(values[0]))]


def judged(values, lot, margin, share=None, groups=("lot",)):
    rows, depths = table(values, lot)
    return sk.judge(rows, margin={"absolute": margin}, depths=depths, share=share, groups=list(groups))


def group_beyond(result):
    return bool(len(result.groups)) and bool(result.groups["shown beyond"].any())


def one_limit(seed):
    """Old drums 6 lower, margin 5; then one '<12' at the top of a new drum. The word must not become homogeneous."""
    rng = np.random.default_rng(seed)
    values = 10 + rng.normal(0, 0.6, (24, 2, 1))
    values[:4, 1] -= 6
    values = np.abs(values).astype(object)
    lot = ["old"] * 4 + ["new"] * 20
    before = judged(values, lot, 5.0)
    values[20, 0, 0] = "<12"
    return before.word == "uneven" and judged(values, lot, 5.0).word == "homogeneous"


def floor_limit(seed):
    """The old drums' floors read '<6' under 10, margin 5: a filling of 0.3 is uneven, so the word may not be homogeneous."""
    rng = np.random.default_rng(seed)
    values = (10 + rng.normal(0, 0.1, (24, 2, 2))).astype(object)
    lot = ["old"] * 3 + ["new"] * 21
    filled = values.copy()
    values[:3, 1] = "<6"
    filled[:3, 1] = 0.3 + rng.normal(0, 0.02, (3, 2))
    word = judged(values, lot, 5.0, share=0.35).word
    return word == "homogeneous" and judged(filled, lot, 5.0, share=0.35).word == "uneven"


def rounded_group(seed):
    """Old drums truly 3.2 lower, margin 3.5, read in whole units: the group must not be shown beyond."""
    rng = np.random.default_rng(seed)
    values = np.full((16, 2, 2), 20.65) + rng.normal(0, 0.03, (16, 2, 2))
    values[:4, 1] -= 3.2
    return group_beyond(judged(np.round(values), ["old"] * 4 + ["new"] * 12, 3.5))


def wild_duplicates(seed):
    """Floors "<5" twice in 8 of 30 under 4.7, margin 5; some filled 0.01 and 4.99, others 0.01 twice."""
    rng = np.random.default_rng(seed)
    values = 4.7 + rng.normal(0, 0.05, (30, 2, 2))
    limits, filled = values.astype(object), values.copy()
    limits[:8, 1] = "<5"
    filled[:4, 1], filled[4:8, 1] = [0.01, 4.99], 0.01 + 0.01 * rng.random((4, 2))
    said, other = (judged(v, ["a"] * 30, 5.0, share=0.2, groups=()) for v in (limits, filled))
    return said.word == "homogeneous" != other.word or said.share_upper < other.share_upper


def calm_duplicates(seed):
    """A few narrow limits ("<0.3") beside quiet numbers: the stock is still called homogeneous."""
    rng = np.random.default_rng(seed)
    values = (0.2 + 0.05 * rng.random((30, 2, 2))).astype(object)
    values[:3, 1] = "<0.3"
    return judged(values, ["a"] * 30, 5.0, share=0.2, groups=()).word != "homogeneous"
