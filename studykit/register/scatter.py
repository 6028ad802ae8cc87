"""The laboratory's own repeatability, pooled over studies, with its uncertainty, where the studies do not speak against it.

For each laboratory, method, analyte and kind of repeat the sums of squares of the studies are added (ISO 5725-2, 7.4):

    s^2 = sum of squares / degrees of freedom,   df s^2 / chi^2(df)  its 95 % limits.

Before that the studies are asked whether they scatter alike: the largest variance as a share of all, each weighted by its
degrees of freedom ('t Lam 2010, Anal. Chim. Acta 659:68, which with equal numbers is Cochran's test of ISO 5725-2, 7.3.3), and
Bartlett's test (1937, Proc. R. Soc. A 160:268). Where one of them says no at 1 %, nothing is pooled.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from studykit.register.entry import Entry
from studykit.register.naming import Named
from studykit.register.repeats import MEASURING

COLUMNS = ["laboratory", "method", "analyte", "of", "read", "studies", "df", "s", "low", "high", "unit", "level from",
           "level to", "p largest", "p alike", "pooled", "told"]
APART = 0.01
"""Chance below which studies are not taken to scatter alike: what ISO 5725-2, 7.3.2.1, calls an outlier."""
LEVEL = 0.95
FEWEST_DF = 20
"""Degrees of freedom from which a pooled value is offered: it is then known within about a sixth (1/sqrt(2 df))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """A standard deviation with its degrees of freedom, 95 % limits, and the chances that the studies scatter alike."""

    s: float
    df: int
    low: float
    high: float
    p_largest: float
    p_alike: float
    largest: int

    @property
    def alike(self) -> bool:
        """Whether nothing speaks against one scatter in all studies."""
        return min(self.p_largest, self.p_alike) >= APART


def pooled(squares: Sequence[float], df: Sequence[int]) -> Pooled:
    """One standard deviation from sums of squares (1-D) and their degrees of freedom (each above 0)."""
    ss, n = np.asarray(squares, dtype=float), np.asarray(df, dtype=float)
    total, all_df = float(ss.sum()), int(n.sum())
    low, high = (total / (2 * special.gammaincinv(all_df / 2, q)) for q in ((1 + LEVEL) / 2, (1 - LEVEL) / 2))
    share, p = largest_share(ss, n)
    return Pooled(s=math.sqrt(total / all_df), df=all_df, low=math.sqrt(low), high=math.sqrt(high), p_largest=p,
                  p_alike=bartlett(ss, n), largest=share)


def largest_share(ss: np.ndarray, df: np.ndarray) -> tuple[int, float]:
    """Place of the variance that stands out most, and the chance of one so large among as many ('t Lam 2010; Bonferroni)."""
    if len(ss) < 2 or not ss.sum() > 0:
        return 0, 1.0
    chance = special.betaincc(df / 2, (df.sum() - df) / 2, ss / ss.sum())
    return int(chance.argmin()), float(min(1.0, len(ss) * chance.min()))


def bartlett(ss: np.ndarray, df: np.ndarray) -> float:
    """The p-value of Bartlett's test from sums of squares; 1 where a variance is zero (rounding), which it cannot judge."""
    if len(ss) < 2 or not (ss > 0).all():
        return 1.0
    total = df.sum()
    statistic = total * math.log(ss.sum() / total) - float((df * np.log(ss / df)).sum())
    correction = 1 + ((1 / df).sum() - 1 / total) / (3 * (len(ss) - 1))
    return float(special.gammaincc((len(ss) - 1) / 2, max(0.0, statistic / correction) / 2))


KEY = ("laboratory", "method", "analyte", "of", "read", "unit", "scale", "invented")


def repeatability(entries: Sequence[Entry], names: Named) -> pd.DataFrame:
    """One row a laboratory, method, analyte and kind of repeat (COLUMNS); ``s`` in per cent of the level where margins are.

    ``pooled``: whether it is; ``told``: why not, or what limits it. Studies of which nobody said the laboratory have a row of
    their own that is not pooled.
    """
    found = sorted((r for e in entries if e.counts for r in _of(e, names)), key=lambda r: [str(r[k]) for k in KEY])
    rows = [_row(key, list(own)) for key, own in groupby(found, key=itemgetter(*KEY))]
    return pd.DataFrame(rows, columns=COLUMNS)


def _of(entry: Entry, names: Named) -> Iterator[dict[str, Any]]:
    """The repeats of one study with what they may be pooled by."""
    declared = {r["analyte"]: r for r in entry.rows}
    laboratory = names.of(entry.study)["laboratory"]
    for r in entry.repeats:
        own = declared[r["analyte"]]
        log = own["scale"] == "log"
        yield {**r, "study": entry.study, "date": entry.head["date"], "laboratory": laboratory, "scale": own["scale"],
               "method": own["method_key"] or own["method"], "unit": "%" if log else own["analyte unit"],
               "invented": bool(entry.head["invented"])}


def _row(key: Sequence[Any], own: list[dict[str, Any]]) -> dict[str, Any]:
    told = dict(zip(KEY, key, strict=True))
    log, levels = told["scale"] == "log", [r["level"] for r in own]
    found = pooled([r["squares"] for r in own], [r["df"] for r in own])
    factor = 100.0 if log else 1.0
    step = max(r["step"] / (r["level"] if log else 1.0) for r in own)
    why = _why_not(told, found, own, step)
    out = {**told, "studies": len(own), "df": found.df, "level from": min(levels), "level to": max(levels),
           "p largest": found.p_largest, "p alike": found.p_alike, "pooled": not why, "told": why or _limits(told, own, levels)}
    spread = factor * np.array([found.s, found.low, found.high])
    return out | (dict(zip(("s", "low", "high"), spread.tolist(), strict=True)) if not why else {})


def _why_not(told: dict[str, Any], found: Pooled, own: list[dict[str, Any]], step: float) -> str:
    if not told["laboratory"]:
        return "its laboratory is not stated: write it in register.toml"
    if len(own) < 2:
        return f"one study only: {own[0]['study']}"
    if not found.s > 0:
        return "all repeats are equal: were the numbers rounded, or copied?"
    if found.s < step / 2:
        return "the numbers are rounded more coarsely than they scatter"
    if not found.alike:
        each = sorted(((math.sqrt(r["squares"] / r["df"]), r["study"]) for r in own), reverse=True)
        chance, most = min(found.p_largest, found.p_alike), own[found.largest]["study"]
        ratio = f" the largest has {each[0][0] / each[-1][0]:.2g} times the smallest ({each[-1][1]})" if each[-1][0] else ""
        return f"the studies do not scatter alike (p {chance:.1g}): {most} stands out;{ratio}".rstrip(";")
    return ""


def _limits(told: dict[str, Any], own: list[dict[str, Any]], levels: list[float]) -> str:
    """What has to be known of a pooled value."""
    out = ["invented studies"] if told["invented"] else []
    if max(levels) > 2 * min(levels):
        out.append("the levels differ more than twofold, and repeatability need not be the same at all of them")
    zero = [r["study"] for r in own if r["squares"] == 0]
    return "; ".join([*out, *([f"without any scatter: {', '.join(zero)}"] if zero else [])])


HEAD = ("# Own repeatability, pooled over studies. Nothing reads this file: copy what you agree with into study.toml.\n"
        "# It stands for this laboratory and method at these levels, if the repeats were blind; an own statement wins over a\n"
        "# published one in the design, and the report says which it was judged by.\n")


def offer(table: pd.DataFrame, entries: Sequence[Entry]) -> str:
    """Sections for the next study.toml with pooled repeatability and its source; a text that nothing reads."""
    days = sorted(e.head["date"] for e in entries if e.counts and e.head["date"])
    span = f", {days[0][:4]} to {days[-1][:4]}" if days else ""
    ready = table[table["pooled"].astype(bool) & (table["of"] == MEASURING)]
    return HEAD + "".join(_section(r, span) for r in ready.to_dict("records"))


def _section(r: dict[Any, Any], span: str) -> str:
    head = f"\n# {r['analyte']}, {r['method']}, {r['laboratory']}"
    if r["df"] < FEWEST_DF:
        return f"{head}: {r['df']} degrees of freedom are too few to offer a value ({FEWEST_DF} are asked).\n"
    said = (f"own, pooled over {r['studies']} studies{span}: {r['df']} degrees of freedom, 95 % limits {r['low']:.3g} to "
            f"{r['high']:.3g} {r['unit']}").replace('"', "'").replace("\\", "/")
    key = "s_r_percent" if r["unit"] == "%" else "s_r"
    return (f'{head}\n[analytes."{r["analyte"]}".repeatability]\n{key} = {r["s"]:.4g}\nsource = "{said}"\n'
            f'[design.guesses."{r["analyte"]}"]\ns_r = {r["s"]:.4g}\nsource = "{said}"\n')
