"""The check fluid off in its analytes by one factor: one question about the fluid, and no question of each analyte.

What has evaporated, or was thinned or mixed up, is off by one factor in all that it holds; a calibration is off in its own
analyte. So where the analytes outside their limits share one factor, they are asked about together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from studykit.quality.flags import CheckResult, Flag, listed, shown
from studykit.quality.riders import Cause, explained

RULE, ASK = "check fluid", "ask before trusting"
FEWEST = 3
"""Analytes that one factor must explain at least (as ``portions.FEWEST``)."""
MOST_OF = 0.6
"""Share of the analytes whose value is known that it must explain."""
WITHIN = 3.0
"""Standard deviations of a single reading, and of the value, within which an analyte is off by that factor."""


def by_one_factor(flags: Sequence[Flag], t: pd.DataFrame, limits: pd.DataFrame | None,
                  called: Mapping[str, str]) -> tuple[Flag, ...]:
    """The flags with those of the check fluid that share one factor as one; ``t``: working table.

    ``called``: analytes as people name them; ``limits``: columns analyte, low, high and, where known, value, uncertainty,
    spread (in the study's unit).
    """
    asks = [f for f in flags if f.rule == RULE and f.concern == ASK]
    if limits is None or len(asks) < 2:
        return tuple(flags)
    own = t[t["kind"].eq(RULE) & (t["value"] > 0)]
    runs = sorted(set(own.loc[own["sample"].isin([s for f in asks for s in f.samples]), "run"]))
    own = own[own["run"].isin(runs)]
    off = _off(own, limits)
    seen = off[off["analyte"].isin([f.analyte for f in asks])]
    middle = float(seen["off"].median()) if len(seen) else float("nan")
    alike = (off["off"] - middle).abs() < WITHIN * off["s"]
    told = alike & (off["off"].abs() > WITHIN * off["s"])
    if told.sum() < max(FEWEST, MOST_OF * len(off)):
        return tuple(flags)
    names = set(off.loc[alike, "analyte"])
    together = [f for f in flags if f.rule == RULE and f.analyte in names]
    if sum(f.concern == ASK for f in together) < 2:
        return tuple(flags)
    one = _flag(own, off, alike, runs, called)
    return (*(f for f in flags if all(f is not o for o in together)), one)


def _off(own: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """How far each analyte reads from its value or the middle of its limits (log), and the standard deviation of that.

    The scatter is that of single readings over the laboratory's runs, or a sixth of the limits' width: readings of one run
    share most of it.
    """
    known = limits.set_index("analyte")
    reads = own.groupby("analyte")["value"].mean()
    known = known.loc[known.index.intersection(reads.index)]
    value, spread, unsure = (known[c].astype(float) if c in known else pd.Series(np.nan, known.index)
                             for c in ("value", "spread", "uncertainty"))
    value = value.fillna((known["low"] + known["high"]) / 2)
    width = (known["high"] - known["low"]).astype(float)
    s = (spread.fillna(width / 6) ** 2 + unsure.fillna(0.0) ** 2) ** 0.5 / value
    keep = value > 0
    return pd.DataFrame({"analyte": known.index[keep], "off": np.log(reads.reindex(known.index) / value)[keep].to_numpy(),
                         "s": s[keep].to_numpy()})


def _flag(own: pd.DataFrame, off: pd.DataFrame, alike: pd.Series, runs: list[str], called: Mapping[str, str]) -> Flag:
    weight = 1 / off.loc[alike, "s"] ** 2
    factor = np.exp((off.loc[alike, "off"] * weight).sum() / weight.sum())
    names, others = (sorted(off.loc[which, "analyte"]) for which in (alike, ~alike))
    each = np.exp(off.loc[alike, "off"])
    which = "all its analytes" if not others else listed([called.get(a, a) for a in names], 12)
    but = f"; {listed([called.get(a, a) for a in others])} {'do' if len(others) > 1 else 'does'} not" if others else ""
    text = (f"{which} of the check fluid read {shown(factor, 3)} times the value that they should, by one factor "
            f"({shown(each.min(), 3)} to {shown(each.max(), 3)}){but}: has this bottle of it evaporated, was it diluted "
            "or mixed up? Or are all readings of these runs off by that factor? To tell: a fresh portion from "
            "another bottle of it, and what its values were taken from")
    return Flag(rule=RULE, concern=ASK, where=f"runs {listed(runs)}", analyte=", ".join(names), evidence=text,
                samples=tuple(sorted(own["sample"].unique())))


def rules_beside(flags: Iterable[Flag], checks: Iterable[CheckResult]) -> tuple[CheckResult, ...]:
    """The checks, with control rules as hints wherever a question about the check fluid's limits (``flags``) asks the same."""
    causes = [Cause(words=f"the check fluid outside its limits ({f.where})", cells=frozenset(
        (s, a.strip()) for s in f.samples for a in f.analyte.split(","))) for f in flags if f.rule == RULE and f.concern == ASK]
    return tuple(replace(c, flags=tuple(explained(f, causes) if c.rule == "control rules" and f.concern == ASK else f
                                        for f in c.flags)) for c in checks)


__all__ = ["by_one_factor", "rules_beside"]
