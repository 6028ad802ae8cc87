"""A thinned floor: the heel, or the lowest zone, reads nearly all analytes low, what settles and what does not.

Free water or another fluid lies there, likeliest. It is looked for in each container by itself, in studies of any size.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from studykit.quality.flags import CONCERNS, CheckResult, Flag, Scatter, listed, shown
from studykit.quality.frame import ROUNDING
from studykit.quality.together import CAUTION, FLOOR, SEVERAL
from studykit.study.columns import ZONE_KINDS

THIN = 0.9
"""A floor reads less than this share of the lowest reading above it before it is called thinned (own judgement)."""
BEYOND = 5.0
"""Standard deviations that an analyte of a thinned floor is low by, at least (own judgement)."""
NEARLY_ALL = 0.8
"""Share of the analytes that are low in a thinned floor, at least; two at least (own judgement)."""

ONE_FACTOR = 0.22
"""What is thinned, by water, is thinned by one factor: half of the analytes at least within so much (log; own judgement).
What has creamed reads low by an amount of its own in each analyte."""

PART = (0.3, 0.75)
"""Shares of the stock's containers between which thinned floors leave no zone that could be called usual (own judgement)."""


def stock_of(t: pd.DataFrame) -> list[str]:
    """Stored containers of which zones were read; controls are none."""
    mine = t["kind"].eq("spot") & t["container"].ne("") & t["treatment"].isin(["stored", ""])
    return sorted(set(map(str, t.loc[mine, "container"].unique())))


def thinned_floor(t: pd.DataFrame, scatter: Mapping[str, Scatter], named: Collection[str] = ()) -> CheckResult:
    """Heels and lowest zones that read nearly all analytes low against the zones above them.

    ``t``: working table. ``scatter``: of one drawn bottle, on the scale of ``y``. ``named``: samples and containers
    of which an explanation stands already.
    """
    stock = t[t["container"].isin(stock_of(t))]
    zone, place = stock["kind"].isin(ZONE_KINDS), ["container", "analyte"]
    lowest = stock["height"].where(zone).groupby(stock["container"]).transform("min") + 1e-9
    above = stock[zone & (stock["height"] > lowest)].groupby(place)["value"].min().rename("above")
    low = stock[stock["kind"].eq("heel") | (zone & (stock["height"] <= lowest))]
    each = low.groupby(["container", "sample", "analyte"]).agg(low=("value", "mean"), relative=("relative", "first"))
    each = each.reset_index().merge(above.reset_index(), on=place)
    each = each[(each["low"] > 0) & (each["above"] > 0)]
    each["share"] = each["low"] / each["above"]
    s = each["analyte"].map({a: k.s for a, k in scatter.items()}).astype(float) / each["above"].where(~each["relative"], 1.0)
    each["clear"] = (each["share"] < THIN * (1 - ROUNDING)) & (-np.log(each["share"]) > BEYOND * s)
    each["thinned"] = each["share"].where(each["clear"])
    bottles = each.groupby(["container", "sample"], as_index=False).agg(
        share=("share", "median"), analytes=("clear", "sum"), of=("clear", "size"))
    low_in_all = bottles[bottles["analytes"] >= np.maximum(2, NEARLY_ALL * bottles["of"])]
    by_bottle = each[each["sample"].isin(low_in_all["sample"])].groupby(["container", "sample"])["thinned"]
    alike = np.array([_alike(share) for _, share in by_bottle])  # in the order of the bottles
    thin = low_in_all[alike >= np.maximum(2, low_in_all["of"] / 2)] if len(low_in_all) else low_in_all
    table = thin[~(thin["sample"].isin(named) | thin["container"].isin(named))].reset_index(drop=True)
    return CheckResult(rule=FLOOR, table=table, flags=(_floor(table),) if len(table) else ())


def without_wet(t: pd.DataFrame, promised: Mapping[str, float]) -> pd.DataFrame:
    """The working table without thinned floors of a part of the stock, by which no profile of it goes: of ``PART`` of it.

    Where fewer are thinned the others tell what the lowest zone reads, and where nearly all are, that is what the stock does.
    ``promised``: standard deviation of a bottle, on the scale of ``y``.
    """
    thinned = thinned_floor(t, {a: Scatter(s=s) for a, s in promised.items()}).table
    few, most = PART
    boxes, stock = set(thinned["container"]), stock_of(t)
    part = len(boxes) >= SEVERAL and few <= len(boxes) / len(stock) <= most
    return t[~t["sample"].isin(thinned["sample"])] if part else t


def _alike(share: pd.Series) -> int:
    """How many of these shares are one factor, at most."""
    x = np.sort(np.log(share.dropna().to_numpy(float)))
    return int((np.searchsorted(x, x + ONE_FACTOR, side="right") - np.arange(x.size)).max(initial=0))


def _floor(table: pd.DataFrame) -> Flag:
    each = [f"sample {r['sample']} (container {r['container']}): {shown(r['share'], 2)} times"
            for r in table.to_dict("records")]
    text = (f"the heel or the lowest zone reads nearly all analytes low against the zones above it ({listed(each, 8)}), what "
            "settles and what does not: free water or another fluid at the floor, likeliest; rivals: portion or dilution; to "
            f"tell: look at the draw, its water content, and a second one; {CAUTION}")
    boxes = sorted(set(table["container"]))
    return Flag(rule=FLOOR, concern=CONCERNS[1], where=f"container{'s' if len(boxes) > 1 else ''} {listed(boxes, 12)}",
                evidence=text, samples=tuple(sorted(set(table["sample"]))))


__all__ = ["stock_of", "thinned_floor", "without_wet"]
