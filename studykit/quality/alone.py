"""A decimal or a unit of one number, where too few containers stand beside its own for the model to tell.

It is a power of ten from all other bottles of its container, and its other analytes are as theirs, or off by the same power.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

import numpy as np
import pandas as pd

from studykit.quality.flags import CONCERNS, CheckResult, Flag, listed, shown
from studykit.quality.floor import stock_of
from studykit.quality.profiles import AGREE, FEW
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

NEAR = 0.1
"""A ratio counts as a power of ten within so many decades (own judgement)."""
COLUMNS = ["container", "sample", "analyte", "value", "others", "power"]


def _table(t: pd.DataFrame, container: str) -> pd.DataFrame:
    """Readings of one container: a row a bottle (index sample), a column an analyte, means of determinations."""
    own = t[t["container"].eq(container) & t["kind"].isin(ZONE_KINDS)]
    return own.pivot_table(index="sample", columns="analyte", values="value", aggfunc="mean")


def slips_alone(study: Study, t: pd.DataFrame, named: Collection[tuple[str, str]] = ()) -> CheckResult:
    """Single numbers a power of ten from the other bottles of their container, in studies of a few containers.

    ``t``: working table. ``named``: samples and analytes of which the model names a slip already. Asked, with the container's
    own settling as the rival: a layer would show in other analytes too, and the nominal content, where the study has it, is
    told beside.
    """
    stock = stock_of(t)
    if len(stock) >= FEW:
        return CheckResult(rule="slips beside own bottles", table=pd.DataFrame(columns=COLUMNS),
                           note="not needed: the model compares the containers")
    rows = [row for box in stock for row in _slips(study, box, _table(t, box)) if (row[1], row[2]) not in named]
    table = pd.DataFrame(rows, columns=COLUMNS)
    return CheckResult(rule="slips beside own bottles", table=table,
                       flags=tuple(_slip(study, g) for _, g in table.groupby(["sample", "power"], sort=False)))


def _slips(study: Study, box: str, x: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    for sample in x.index:
        others = x.drop(index=sample)
        middle, own = others.median(), x.loc[[sample]].iloc[0].astype(float)
        with np.errstate(divide="ignore", invalid="ignore"):
            away = np.log10(own / middle)
        for analyte in x.columns:
            beside, rest, power = away.drop(analyte).dropna(), others[analyte].dropna(), float(away[analyte])
            if not np.isfinite(power) or round(power) == 0 or abs(power - round(power)) >= NEAR:
                continue
            alike, with_it = beside.abs() < np.log10(AGREE), (beside - round(power)).abs() < NEAR
            if not bool((alike | with_it).all()) or not (alike.any() or with_it.sum() >= 2):
                continue
            nominal = study.analytes[str(analyte)].nominal
            low, high = float(rest.min()), float(rest.max())
            if (len(rest) >= 2 and high < AGREE * low) or (nominal and low > nominal / AGREE and high < nominal * AGREE):
                yield box, str(sample), str(analyte), float(own[analyte]), float(middle[analyte]), round(power)


def _slip(study: Study, own: pd.DataFrame) -> Flag:
    r = own.iloc[0]
    each = [f"{study.label_of(x['analyte'])} {shown(x['value'])} and {shown(x['others'])} {study.unit_of(x['analyte'])}"
            for x in own.to_dict("records")]
    nominal = [f"{study.label_of(a)} {shown(level)}" for a in own["analyte"] if (level := study.analytes[a].nominal)]
    known = f" (the fluid's nominal content: {listed(nominal, 4)})" if nominal else ""
    rest = "and its other analytes are as theirs" if len(own) == 1 else "in all of these alike"
    times = shown(float((own["value"] / own["others"]).median()), 2)
    text = (f"reads about {times} times what the container's other bottles do: {listed(each, 4)}{known}, {rest}: a unit, a "
            "decimal or a dilution? rivals: own settling "
            f"(container {r['container']}); to tell: the raw printout with its unit")
    return Flag(rule="unit slip", concern=CONCERNS[1], where=f"sample {r['sample']} (container {r['container']})",
                analyte=", ".join(own["analyte"]), evidence=text, samples=(str(r["sample"]),))


__all__ = ["slips_alone"]
