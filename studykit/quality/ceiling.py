"""A saturated curve: above the end of its range an instrument shows one reading, and whoever settles most reads as the rest.

Readings become rarer towards the highest one, so that the highest is shared by few: no more bottles than the readings just
below it let one expect of one step. Where more share it, to the digit, the range may end there, and what stands there may
hold more. A curve that bends before its end, or a plateau that still scatters, leaves no such mark.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from studykit.quality.flags import CHANCE, CheckResult, Flag, listed, robust_sd, shown
from studykit.quality.frame import Vector

LEAST = 4
"""Bottles of as many zones, at least, that share the highest reading."""
FEWEST = 6
"""Readings of an analyte from which its highest is looked at."""
COLUMNS = ["analyte", "run", "highest", "bottles", "of", "expected", "p"]
ALL = "all runs"


def saturated_curve(t: pd.DataFrame, steps: pd.DataFrame) -> CheckResult:
    """Whether the highest reading of an analyte is shared by too many bottles: in all runs together, and in each.

    ``t``: working table without blanks and check fluids. ``steps``: of ``plausibility.reporting_steps``. Bonferroni over rows.
    """
    step = steps.groupby("analyte")["step"].max()
    rows = [row for analyte, own in t.groupby("analyte", sort=True) if step.get(analyte, 0.0) > 0
            for row in _rows(str(analyte), own, float(step[analyte]))]
    table = pd.DataFrame(rows, columns=COLUMNS)
    far = table[(table["bottles"] >= LEAST) & (table["p"] * len(table) < CHANCE)]
    flags = [_flag(g, t) for _, g in far.groupby("analyte", sort=True)]
    return CheckResult(rule="saturated curve", table=table, flags=tuple(flags),
                       note="" if rows else "not assessed: no numbers as written")


def _rows(analyte: str, own: pd.DataFrame, step: float) -> Iterator[tuple[object, ...]]:
    """A row of ``COLUMNS`` for all runs and, of several, for each.

    expected: bottles in the highest step, if readings were as dense there as over the robust standard deviation below it.
    """
    run, every, bottle = (own[c].to_numpy() for c in ("run", "value", "sample"))
    zone = own.groupby(["container", "depth", "kind"], dropna=False).ngroup().to_numpy()
    box = np.unique(own["container"].to_numpy(object).astype(str), return_inverse=True)[1]
    within = own.reset_index(drop=True).groupby("run", sort=True).indices
    runs = [name for name in within if name]
    for name in (ALL, *(runs if len(runs) > 1 else ())):
        here = np.arange(run.size) if name == ALL else within[name]
        value = every[here].astype(float)
        wide = min(robust_sd(value), max(_within(value, box[here]), 1.01 * step))
        if len(value) < FEWEST or not wide > step:
            continue
        top = float(value.max())
        own_step = max(step, _step_at(top, value))
        at = top - value < own_step / 2
        near = int(((top - value < wide) & ~at).sum())
        bottles = int(np.unique(zone[here][at]).size)
        expected = (near + 1) * own_step / wide
        steps = (~at).sum() >= 2 * np.unique(value[~at]).size  # lower readings are shared too: a matter of rounding
        p = 1.0 if steps else float(stats.poisson.sf(bottles - 1, expected))
        yield (analyte, name, top, bottles, len(set(bottle[here])), expected, p)


def _within(value: Vector, box: NDArray[np.intp]) -> float:
    """Robust standard deviation of readings about the middle of their container; infinity where too few stand beside another.

    Lots differ, and the highest readings are then those of one lot, as dense as that lot scatters.
    """
    order = np.lexsort((value, box))
    x, start = value[order], np.flatnonzero(np.diff(box[order], prepend=-1))
    size = np.diff(start, append=x.size)
    middle = (x[start + (size - 1) // 2] + x[start + size // 2]) / 2
    beside = np.repeat(size > 1, size)
    lost = 1 - (size > 1).sum() / max(1, beside.sum())
    about = (x - np.repeat(middle, size))[beside]
    return float(robust_sd(about) / np.sqrt(lost)) if beside.sum() >= FEWEST and lost > 0 else float("inf")


def _step_at(top: float, value: Vector) -> float:
    """The step in which readings of the power of ten of the highest one stand (significant digits: 99.7, 100, 101)."""
    decade = np.floor(np.log10(top)) if top > 0 else 0.0
    alike = value[value >= 10.0**decade] if top > 0 else value
    texts = {f"{x:.10g}" for x in alike.tolist()}
    return float(10.0 ** -max((len(t.partition(".")[2]) for t in texts if "e" not in t), default=0)) if texts else 0.0


def _flag(g: pd.DataFrame, t: pd.DataFrame) -> Flag:
    whole = g[g["run"] == ALL]
    r = (whole if len(whole) else g).iloc[0]
    runs = [] if len(whole) else sorted(g["run"])
    own = t[(t["analyte"] == r["analyte"]) & np.isclose(t["value"], float(r["highest"]), rtol=1e-9)]
    text = (f"{r['bottles']} of {r['of']} bottles read {shown(r['highest'])}, and none reads more; about "
            f"{shown(r['expected'], 2)} would by chance: the end of the calibrated range? What reads so may hold more, so "
            "equal readings do not show equal samples; to tell: the range of the curve, and these bottles read again diluted")
    return Flag(rule="saturated curve", concern="ask before trusting", analyte=str(r["analyte"]), evidence=text,
                where=f"run {listed(runs)}" if runs else ALL, samples=tuple(sorted(set(own["sample"].astype(str)))))


__all__ = ["saturated_curve"]
