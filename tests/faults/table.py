"""The table of docs/04-quality.md: how many studies show each fault by its size, made of the counts in ``power.csv``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

POWER = Path(__file__).parent / "power.csv"
HEAD = ("| fault | size is | small | middle | clear |", "|---|---|---|---|---|")
SIZE_IS = {
    "swap of two bottles": "how far the stock has settled (usual: 0.35)", "exchanged containers": "share by which lots differ",
    "swap across containers": "how far the stock has settled", "wrong product": "share by which analytes differ, each its own",
    "mixed container": "how far the stock has settled", "heel in the zone": "share of heel in the draw",
    "dilution": "share added, all analytes", "additives diluted": "share added, six of eight analytes",
    "evaporation": "share lost", "missing purge": "share of the draw before", "portion": "share lost in one determination",
    "unit in a cell": "factor", "unit in a row": "factor", "unit in one file": "factor", "unit in two files": "factor",
    "unit in all files": "factor", "transposed digits": "3: last two digits, 2: the two before, 1: the first two",
    "digits in one of two": "share, at least", "copied row": "analytes copied", "invented repeats": "share changed",
    "carry-over": "share, every bottle of a run", "drift in one run": "s_r, first to last place",
    "opposite drifts": "s_r, first to last place", "shift of one run": "s_r",
    "calibration": "power of the level, less one", "spoiled check fluid": "s_r", "coarse rounding": "step, in s_r",
    "noisy laboratory": "times s_r", "exchanged columns": "factor between the two analytes, about",
    "columns in all files": "factor between the two analytes, about", "rows shifted": "share of the run, from some line on",
    "dust in one bottle": "share added, silicon in one bottle", "saturated curve": "share of the stock's zones above the end",
    "tool carried on": "share of the last draw elsewhere",
    "carry-over on top": "share added, every bottle of a run",
}


def counts() -> pd.DataFrame:
    """The stored counts: fault, size, studies, found, first_seed."""
    return pd.read_csv(POWER)


def lines() -> list[str]:
    """The rows of the table, head first."""
    out = list(HEAD)
    for fault, own in counts().groupby("fault", sort=False):
        cells = [f"{r['size']:g}: {r['found']} of {r['studies']}" for r in own.to_dict("records")]
        out.append(f"| {fault} | {SIZE_IS[str(fault)]} | {' | '.join(cells)} |")
    return out


def sums() -> tuple[int, list[int]]:
    """Studies at each of the three sizes over all faults, and how many of them were found, small to clear."""
    c = counts()
    step = c.groupby("fault").cumcount()
    return int(c["studies"][step == 0].sum()), [int(v) for v in c["found"].groupby(step).sum()]
