"""Repeats of one study as sums of squares with their degrees of freedom, so that studies can be put together later.

    measuring             determinations of one bottle in one run about their mean
    drawing and measuring bottles of one zone drawn twice in one run, each read equally often, about their mean

The scale is that of the analyte's margin: logs where it is in per cent. Bottles of which a determination is known only as a
limit are left out as a whole; blanks too, which have no level.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from studykit.inference import Margin
from studykit.study.columns import ZONE_KINDS

MEASURING, DRAWN = "measuring", "drawing and measuring together"


def repeats_of(analyte: str, results: pd.DataFrame, samples: pd.DataFrame, margin: Margin) -> Iterator[dict[str, Any]]:
    """One object a kind of repeat: its sum of squares, degrees of freedom, sets, level and the step of the numbers.

    ``results``, ``samples``: tidy tables, what a person excluded taken out.
    """
    own = results[results["analyte"] == analyte].merge(
        samples[["sample", "kind", "container", "depth"]], on="sample").fillna({"run": "", "container": "", "depth": ""})
    own = own[own["kind"] != "blank"]
    own = own.assign(bottle=own["run"].astype(str) + "\t" + own["sample"])
    bad = (own["qualifier"] != "") | own["value"].isna() | ((own["value"] <= 0) if margin.log else False)
    own = own[~own["bottle"].isin(set(own.loc[bad, "bottle"]))]
    if own.empty:
        return
    own = own.assign(y=margin.to_scale(own["value"]))
    told = {"analyte": analyte, "step": _step(own["value"].to_numpy(float))}
    if found := _sums(own, "bottle"):
        yield {**told, "of": MEASURING, "read": 1, **found}
    zones = own[own["kind"].isin(ZONE_KINDS) & (own["container"] != "")]
    bottles = zones.groupby(["run", "container", "depth", "sample"], as_index=False, sort=False).agg(
        y=("y", "mean"), value=("value", "mean"), read=("y", "size"))
    for read, part in bottles.groupby("read"):
        zone = part["run"].astype(str) + "\t" + part["container"] + "\t" + part["depth"]
        if found := _sums(part.assign(zone=zone), "zone"):
            yield {**told, "of": DRAWN, "read": int(str(read)), **found}


def _sums(table: pd.DataFrame, by: str) -> dict[str, Any]:
    """Sum of squares within sets of two and more, degrees of freedom, sets, mean level; empty where there are none."""
    table = table[table[by].duplicated(keep=False)]
    if table.empty:
        return {}
    centre = table.groupby(by)["y"].transform("mean")
    sets = int(table[by].nunique())
    return {"squares": float(((table["y"] - centre) ** 2).sum()), "df": len(table) - sets, "sets": sets,
            "level": float(table["value"].mean())}


def _step(values: np.ndarray) -> float:
    """The smallest distance between two different values: what the numbers were rounded to, or finer."""
    apart = np.diff(np.unique(values))
    return float(apart.min()) if len(apart) else 0.0
