"""A decimal or a unit of one number, where too few containers stand beside its own for the model to tell.

It is a power of ten from all other bottles of its container, and its other analytes are as theirs, or off by the same power.
Where the content of the fluid is known, as nominal or from a check fluid of the same fluid, the mean of the zones speaks: what
has settled is still there, so a layer leaves it right, and a slip does not.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.quality.flags import CONCERNS, CheckResult, Flag, listed, shown
from studykit.quality.floor import stock_of
from studykit.quality.profiles import AGREE, FEW
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

NEAR = 0.1
"""A ratio counts as a power of ten within so many decades (own judgement)."""
OF_THE_SAME = 0.1
"""A check fluid that reads this near to a container (log), in all other analytes, is of the same fluid (own judgement)."""
COLUMNS = ["container", "sample", "analyte", "value", "others", "power", "by_content"]


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
    rows = []
    for box in stock:
        x = _table(t, box)
        rows += [row for row in _slips(study, box, x, _balance(study, t, box, x)) if (row[1], row[2]) not in named]
    table = pd.DataFrame(rows, columns=COLUMNS)
    return CheckResult(rule="slips beside own bottles", table=table,
                       flags=tuple(_slip(study, g) for _, g in table.groupby(["sample", "power"], sort=False)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Balance:
    """What is known of a container: height of each bottle by its code, content of the fluid by analyte (where known)."""

    height: dict[str, float]
    content: dict[str, float]

    def fits(self, x: pd.DataFrame) -> dict[str, bool]:
        """By analyte of known content, whether the mean of the zones is that content, within ``AGREE``."""
        mean = _mean_of_zones(x, self.height)
        return {a: bool(abs(np.log(mean[a] / c)) < np.log(AGREE)) for a, c in self.content.items() if mean.get(a, 0.0) > 0}

    def nearest(self, sample: str) -> str:
        """The bottle that was drawn nearest to this one."""
        return min((s for s in self.height if s != sample), key=lambda s: abs(self.height[s] - self.height[sample]))


def _mean_of_zones(x: pd.DataFrame, height: Mapping[str, float]) -> dict[str, float]:
    """Mean over the heights of the means of their bottles, by analyte."""
    mean = x.groupby([height[str(s)] for s in x.index]).mean().mean()
    return {str(a): float(mean[a]) for a in x.columns}


def _balance(study: Study, t: pd.DataFrame, box: str, x: pd.DataFrame) -> _Balance:
    """Contents are nominal, else of a check fluid that reads as the container does in all other analytes, two at least."""
    own = t[t["container"].eq(box) & t["kind"].isin(ZONE_KINDS)].groupby("sample")["height"].mean()
    height = {str(s): float(own[s]) for s in x.index}
    if not np.isfinite(list(height.values())).all():
        return _Balance(height=height, content={})
    of_fluid = t[t["kind"].eq("check fluid")].groupby("analyte")["value"].mean()
    fluid = {str(a): float(of_fluid[a]) for a in of_fluid.index}
    mean = _mean_of_zones(x, height)
    near = {a: bool(abs(np.log(mean[a] / v)) < OF_THE_SAME) for a, v in fluid.items() if v > 0 and mean.get(a, 0.0) > 0}
    content: dict[str, float] = {}
    for a in map(str, x.columns):
        others = [good for b, good in near.items() if b != a]
        if nominal := study.analytes[a].nominal:
            content[a] = float(nominal)
        elif a in fluid and len(others) >= 2 and all(others):
            content[a] = float(fluid[a])
    return _Balance(height=height, content=content)


def _slips(study: Study, box: str, x: pd.DataFrame, known: _Balance) -> Iterator[tuple[object, ...]]:
    for sample in map(str, x.index):
        others = x.drop(index=sample)
        middle, own = others.median(), x.loc[[sample]].iloc[0].astype(float)
        away = _decades(own, middle)
        for analyte in map(str, x.columns):
            told = _power_by_content(x, known, sample, analyte)
            power = _power_beside(study, analyte, away, others[analyte]) if told is None else told
            if power:
                yield box, sample, analyte, float(own[analyte]), float(middle[analyte]), power, told is not None


def _decades(one: pd.Series, other: pd.Series) -> pd.Series:
    """Decades between two rows of readings, by analyte; NaN where there is no number."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return pd.Series(np.log10(one.to_numpy(float) / other.to_numpy(float)), index=one.index)


def _power_beside(study: Study, analyte: str, away: pd.Series, rest: pd.Series) -> int:
    """The power of ten by which a reading is off those of the container's other bottles, its other analytes not; else 0."""
    beside, rest, power = away.drop(analyte).dropna(), rest.dropna(), float(away[analyte])
    if not np.isfinite(power) or round(power) == 0 or abs(power - round(power)) >= NEAR:
        return 0
    alike, with_it = beside.abs() < np.log10(AGREE), (beside - round(power)).abs() < NEAR
    if not bool((alike | with_it).all()) or not (alike.any() or with_it.sum() >= 2):
        return 0
    nominal = study.analytes[analyte].nominal
    low, high = float(rest.min()), float(rest.max())
    told = (len(rest) >= 2 and high < AGREE * low) or (nominal and low > nominal / AGREE and high < nominal * AGREE)
    return round(power) if told else 0


def _power_by_content(x: pd.DataFrame, known: _Balance, sample: str, analyte: str) -> int | None:
    """The power of ten that the fluid's content tells of one number, 0 if it tells that there is none; None if nothing is told.

    Undone, the number follows the bottle that was drawn nearest as other analytes do, and the mean of the zones is right,
    as it is of the other analytes; as read it is not.
    """
    if analyte not in known.content or len(known.height) < 2:
        return None
    step = _decades(*(x.loc[[s]].iloc[0].astype(float) for s in (sample, known.nearest(sample))))
    beside, own = step.drop(analyte).dropna(), float(step[analyte])
    power = round(own) if np.isfinite(own) else 0
    if power == 0 or not len(beside):
        return None
    undone = x.copy()
    undone.loc[sample, analyte] = x.loc[[sample], analyte].iloc[0] / 10.0**power
    now, then = known.fits(x), known.fits(undone)[analyte]
    if now[analyte]:
        return None if then else 0
    others = [good for a, good in now.items() if a != analyte]
    follows = min(float(beside.min()), 0.0) - NEAR < own - power < max(float(beside.max()), 0.0) + NEAR
    return power if then and follows and others and all(others) else None


def _slip(study: Study, own: pd.DataFrame) -> Flag:
    r = own.iloc[0]
    each = [f"{study.label_of(x['analyte'])} {shown(x['value'])} and {shown(x['others'])} {study.unit_of(x['analyte'])}"
            for x in own.to_dict("records")]
    nominal = [f"{study.label_of(a)} {shown(level)}" for a in own["analyte"] if (level := study.analytes[a].nominal)]
    known = f" (the fluid's nominal content: {listed(nominal, 4)})" if nominal else ""
    rest = "in all of these alike" if len(own) > 1 else "and its other analytes are as theirs" if not r["by_content"] else (
        f"and with {shown(10.0**-r['power'])} of it, not as read, the mean of the container's zones is what the fluid holds")
    times = shown(float((own["value"] / own["others"]).median()), 2)
    text = (f"reads about {times} times what the container's other bottles do: {listed(each, 4)}{known}, {rest}: a unit, a "
            "decimal or a dilution? rivals: own settling "
            f"(container {r['container']}); to tell: the raw printout with its unit")
    return Flag(rule="unit slip", concern=CONCERNS[1], where=f"sample {r['sample']} (container {r['container']})",
                analyte=", ".join(own["analyte"]), evidence=text, samples=(str(r["sample"]),))


__all__ = ["slips_alone"]
