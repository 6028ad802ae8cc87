"""A check fluid or a blank exchanged with a bottle of its run: each reads as the other should.

Either by itself looks like a portion, a spoiled fluid or a dirty blank; together they are one exchange. A blank, and a bottle
read as one, have limits where numbers are expected, so that they are held against each other as coarsely as rows shifted.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from studykit.quality.exchanges import Expected
from studykit.quality.explain import Candidate, Scene, gain_of, misfit
from studykit.quality.flags import CONCERNS, CheckResult, Flag
from studykit.quality.frame import Index, Vector, rho

FULL = 3.0
"""A blank reads as the stock within this factor; a bottle in which nothing was found has limits this far below the stock."""
NEARLY = 0.8
"""Share of a bottle's readings, at least, that say so (own judgement)."""
EACH = 4.0
"""Nats that each of the two must save at least: both are off, and both fit."""


def mistaken(sc: Scene, runs: list[tuple[str, Index]]) -> Iterator[Candidate]:
    """Every pair of a known fluid and another row of its run that fit far better under each other's codes."""
    kind = sc.f.rows["kind"].to_numpy(object)
    known = np.isin(kind, ["check fluid", "blank"])
    pairs = sum(int(known[rows].sum()) * rows.size for _, rows in runs)
    price = float(np.log(max(2, pairs)))
    if not known.any() or not sc.f.zone.any():
        return
    told, off = Expected(sc), misfit(sc)
    x, s = told.x, told.s
    for run, rows in runs:
        should, _ = told.of(run)
        for k in rows[known[rows]]:
            for i in rows[(sc.f.zone | (known & (kind > kind[k])))[rows]]:
                fine = kind[k] == "check fluid" and sc.f.zone[i]
                if fine and off[i] < EACH:
                    continue
                gains = _finely(sc, int(k), int(i)) if fine else _coarsely(sc, x, should, s, int(k), int(i))
                if min(gains) > EACH:
                    yield Candidate(cause="swapped samples", rows=(int(k), int(i)), columns=tuple(range(len(sc.f.analytes))),
                                    readings=sc.y[[i, k]], gain=sum(gains), price=price, place="across", detail=str(kind[k]))


def _coarsely(sc: Scene, x: Vector, should: Vector, s: Vector, k: int, i: int) -> tuple[float, float]:
    """What each row saves by reading as the other one should (``x``, ``should``: log; ``s``: by which they are told apart)."""
    def saved(one: int, other: int) -> float:
        both = np.isfinite(x[one]) & np.isfinite(should[one]) & np.isfinite(should[other])
        cells = rho((x[one] - should[one]) / s) - rho((x[one] - should[other]) / s)
        return float(np.where(both, cells, 0.0).sum()) * sc.m.share

    return saved(k, i), saved(i, k)


def _finely(sc: Scene, k: int, i: int) -> tuple[float, float]:
    """What the check fluid and a bottle of a zone save by each other's reading, each by its own scatter."""
    with np.errstate(invalid="ignore", divide="ignore"):
        value = np.where(sc.f.relative, np.log(sc.f.reference), sc.f.reference)
    value = np.where(np.isfinite(value), value, sc.m.typical[k])
    fluid = np.nan_to_num(rho((sc.y[k] - value) / sc.m.s[k]) - rho((sc.y[i] - value) / sc.m.s[k])).sum() * sc.m.share
    rows = sc.rows_of(int(sc.f.at[i]))
    y = sc.y[rows].copy()
    y[rows == i] = sc.y[k]
    return float(fluid), float(np.nan_to_num(gain_of(sc, rows, y)).sum())


def blank_for_bottle(results: pd.DataFrame, samples: pd.DataFrame) -> CheckResult:
    """A blank that reads as the stock does, and a bottle or check fluid of its run in which nothing was found: exchanged.

    Such a bottle has no number, so that no model sees it. ``results``, ``samples``: typed tables.
    """
    kind = results["sample"].map(samples.set_index("sample")["kind"])
    r = results.assign(kind=kind, run=results["run"].fillna(""), number=results["value"].where(results["qualifier"].eq("")))
    stock = r[~r["kind"].isin(["blank", "check fluid"])]
    usual = stock.groupby(["run", "analyte"])["number"].median().rename("usual").reset_index()
    r = r.merge(usual, on=["run", "analyte"], how="left")
    r["as_stock"] = (r["number"] / r["usual"]).between(1 / FULL, FULL)
    r["empty"] = r["qualifier"].eq("<") & (r["value"] * FULL < r["usual"])
    each = r.groupby(["run", "sample"]).agg(kind=("kind", "first"), n=("analyte", "nunique"), full=("as_stock", "sum"),
                                            empty=("empty", "sum"), rows=("analyte", "size")).reset_index()
    blanks = each[each["kind"].eq("blank") & (each["n"] >= 2) & (each["full"] >= NEARLY * each["rows"])]
    bottles = each[each["kind"].ne("blank") & (each["n"] >= 2) & (each["empty"] >= NEARLY * each["rows"])]
    both = blanks[["run", "sample"]].merge(bottles[["run", "sample", "kind"]], on="run", suffixes=("_blank", "_bottle"))
    return CheckResult(rule="blank or bottle", table=both, flags=tuple(_blank_flag(r) for r in both.to_dict("records")))


def _blank_flag(r: dict[Hashable, Any]) -> Flag:
    blank, bottle = str(r["sample_blank"]), str(r["sample_bottle"])
    what = f"the check fluid ({bottle})" if r["kind"] == "check fluid" else f"bottle {bottle}"
    text = (f"the blank ({blank}) reads as the stock does, and in {what} of the same run next to nothing was found: exchanged "
            "with each other? to tell: the tray's list, the labels, and both measured again")
    return Flag(rule="swapped samples", concern=CONCERNS[1], evidence=text, samples=(blank, bottle),
                where=f"samples {blank} and {bottle}")


__all__ = ["blank_for_bottle", "mistaken"]
