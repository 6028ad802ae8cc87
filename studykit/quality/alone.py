"""What the bottles of one container show beside each other, where too few containers stand beside it for the model to tell.

A decimal or a unit of one number: a power of ten from all other bottles of its container, whose other analytes it shares.
And a thinned floor: the heel, or the lowest zone, reads nearly all analytes low by about one factor, whatever settles and
whatever does not: free water or another fluid lies there. The second is looked at in studies of any size.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from studykit.quality.flags import CONCERNS, CheckResult, Flag, Scatter, listed, shown
from studykit.quality.profiles import AGREE, FEW
from studykit.quality.together import FLOOR
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

THIN = 0.9
"""A floor reads less than this share of the lowest reading above it before it is called thinned (own judgement)."""
BEYOND = 5.0
"""Standard deviations that an analyte of a thinned floor is low by, at least (own judgement)."""
NEARLY_ALL = 0.8
"""Share of the analytes that are low in a thinned floor, at least; two at least (own judgement)."""


def _stock(t: pd.DataFrame) -> list[str]:
    """Stored containers of which zones were read; controls are none."""
    mine = t["kind"].eq("spot") & t["container"].ne("") & t["treatment"].isin(["stored", ""])
    return sorted(set(t.loc[mine, "container"].astype(str)))


def _table(t: pd.DataFrame, container: str) -> pd.DataFrame:
    """Readings of one container: a row a bottle (index sample), a column an analyte, means of determinations."""
    own = t[t["container"].eq(container) & t["kind"].isin(ZONE_KINDS)]
    return own.pivot_table(index="sample", columns="analyte", values="value", aggfunc="mean")


def slips_alone(study: Study, t: pd.DataFrame) -> CheckResult:
    """Single numbers a power of ten from the other bottles of their container, in studies of a few containers.

    ``t``: working table. Asked, with the container's own settling as the rival: a layer would show in other analytes too, and
    the nominal content, where the study has it, is told beside.
    """
    stock = _stock(t)
    if len(stock) >= FEW:
        return CheckResult(rule="slips beside own bottles", table=pd.DataFrame(),
                           note="not needed: the model compares the containers")
    rows = [row for box in stock for row in _slips(study, box, _table(t, box))]
    table = pd.DataFrame(rows, columns=["container", "sample", "analyte", "value", "others", "power"])
    return CheckResult(rule="slips beside own bottles", table=table, flags=tuple(_slip(study, r) for r in
                                                                                 table.to_dict("records")))


def _slips(study: Study, box: str, x: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    for sample in x.index:
        others = x.drop(index=sample)
        middle, own = others.median(), x.loc[[sample]].iloc[0].astype(float)
        with np.errstate(divide="ignore", invalid="ignore"):
            away = np.log10(own / middle)
        for analyte in x.columns:
            beside, rest = away.drop(analyte).dropna().abs(), others[analyte].dropna()
            power = float(away[analyte])
            far = np.isfinite(power) and round(abs(power)) >= 1 and abs(abs(power) - round(abs(power))) < 0.1
            if not far or not len(beside) or not bool((beside < np.log10(AGREE)).all()):
                continue
            nominal = study.analytes[str(analyte)].nominal
            low, high = float(rest.min()), float(rest.max())
            if (len(rest) >= 2 and high < AGREE * low) or (nominal and low > nominal / AGREE and high < nominal * AGREE):
                yield box, str(sample), str(analyte), float(own[analyte]), float(middle[analyte]), round(power)


def _slip(study: Study, r: Mapping[Any, Any]) -> Flag:
    spec = study.analytes[str(r["analyte"])]
    nominal = f" and the fluid's nominal content {shown(spec.nominal)}" if spec.nominal else ""
    value, others = float(r["value"]), float(r["others"])
    text = (f"{shown(value)} {spec.unit} is about {shown(value / others, 2)} times what the container's other bottles read "
            f"({shown(others)}){nominal}, and its other analytes are as theirs: a unit, a decimal or a dilution? rivals: own "
            f"settling (container {r['container']}); to tell: the raw printout with its unit")
    return Flag(rule="unit slip", concern=CONCERNS[1], where=f"sample {r['sample']} (container {r['container']})",
                analyte=str(r["analyte"]), evidence=text, samples=(str(r["sample"]),))


def thinned_floor(t: pd.DataFrame, scatter: Mapping[str, Scatter], named: Collection[str] = ()) -> CheckResult:
    """Heels and lowest zones that read nearly all analytes low by about one factor against the zones above them.

    ``t``: working table. ``scatter``: of one drawn bottle, on the scale of ``y``. ``named``: samples and containers
    of which an explanation stands already.
    """
    stock = t[t["container"].isin(_stock(t))]
    zone, place = stock["kind"].isin(ZONE_KINDS), ["container", "analyte"]
    lowest = stock["height"].where(zone).groupby(stock["container"]).transform("min") + 1e-9
    above = stock[zone & (stock["height"] > lowest)].groupby(place)["value"].min().rename("above")
    low = stock[stock["kind"].eq("heel") | (zone & (stock["height"] <= lowest))]
    each = low.groupby(["container", "sample", "analyte"]).agg(low=("value", "mean"), relative=("relative", "first"))
    each = each.reset_index().merge(above.reset_index(), on=place)
    each = each[(each["low"] > 0) & (each["above"] > 0)]
    each["share"] = each["low"] / each["above"]
    s = each["analyte"].map({a: k.s for a, k in scatter.items()}).astype(float) / each["above"].where(~each["relative"], 1.0)
    each["clear"] = (each["share"] < THIN) & (-np.log(each["share"]) > BEYOND * s)
    bottles = each.groupby(["container", "sample"], as_index=False).agg(
        share=("share", "median"), analytes=("clear", "sum"), of=("clear", "size"))
    thin = bottles[bottles["analytes"] >= np.maximum(2, NEARLY_ALL * bottles["of"])]
    table = thin[~(thin["sample"].isin(named) | thin["container"].isin(named))].reset_index(drop=True)
    return CheckResult(rule=FLOOR, table=table, flags=(_floor(table),) if len(table) else ())


def _floor(table: pd.DataFrame) -> Flag:
    each = [f"sample {r['sample']} (container {r['container']}): {shown(r['share'], 2)} times"
            for r in table.to_dict("records")]
    text = (f"the heel or the lowest zone reads nearly all analytes low against the zones above it ({listed(each, 8)}), what "
            "settles and what does not: free water or another fluid at the floor, likeliest; rivals: portion or dilution; to "
            "tell: look at the draw, its water content, and a second one; what lies there is not known, so nothing is pumped "
            "from the floor, heated or used before that is looked into, by the safety data sheet and local rules")
    boxes = sorted(set(table["container"]))
    return Flag(rule=FLOOR, concern=CONCERNS[1], where=f"container{'s' if len(boxes) > 1 else ''} {listed(boxes, 12)}",
                evidence=text, samples=tuple(sorted(set(table["sample"]))))


__all__ = ["slips_alone", "thinned_floor"]
