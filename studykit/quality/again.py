"""Bottles that were measured again: does the second reading of each agree with the one it replaced?

A revision replaces a reading. Where it comes from another run, it is a second determination of the same bottle, and what the
two differ by is measuring alone: √2 s_r. Most bottles of a run that differ one way say that one of the two runs is off, and
nothing but a check fluid in each tells which.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from studykit.quality.flags import CHANCE, CheckResult, Flag, holm, listed, one_in

RULE = "measured again"
COLUMNS = ["run", "analyte", "bottles", "difference", "unit", "standard_error", "p_holm", "named"]
NEEDED = ["sample", "analyte", "replicate", "old_value", "new_value", "old_run", "new_run"]
TAILS = 8.0
"""Degrees of freedom of readings: their tails are heavier than normal (as ``assess.DRAWN_DF``)."""
RUN_OFF = 0.3
"""What honest runs differ by, in repeatabilities (as in the counts of docs/04-quality.md)."""
OF_A_MEDIAN = float(np.sqrt(np.pi / 2))
"""Standard error of a median against that of a mean, normal scatter; of one or two readings they are the same."""
TOGETHER = 0.3
"""How far the errors of two analytes of one portion go together (own judgement)."""
MANY = 3
"""From so many bottles on a difference is one of the run: bottles are measured again because one reading looked wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """The check, and the readings that replaced one of another run: sample, analyte and run of each."""

    check: CheckResult
    bottles: frozenset[tuple[str, str, str]]


def superseded(folder: Path | None) -> pd.DataFrame:
    """What tidy/revisions.csv says of replaced readings (columns ``NEEDED``); empty where it says nothing of runs."""
    path = None if folder is None else folder / "tidy/revisions.csv"
    if path is None or not path.is_file():
        return pd.DataFrame(columns=NEEDED)
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    if not set(NEEDED) <= set(table.columns):
        return pd.DataFrame(columns=NEEDED)
    for c in ("old_value", "new_value"):
        table[c] = pd.to_numeric(table[c], errors="coerce")
    return table[NEEDED]


def second_measurings(old: pd.DataFrame, t: pd.DataFrame, promised: Mapping[str, float], judged: Mapping[str, float],
                      tests: Mapping[str, str], names: Mapping[str, str] | None = None) -> Again:
    """Every run that measured bottles again, by analyte and over the analytes of one test, against the first readings.

    ``old``: as of ``superseded``; ``t``: the working table; ``promised``: stated scatter of one reading, scale of y;
    ``judged``: what stands in where none is stated; ``tests``: which test reads each analyte;
    ``names``: analytes as people name them.
    """
    pairs = _pairs(old, t)
    s = {a: promised[a] if promised.get(a, 0) > 0 else judged.get(a, np.nan) for a in pairs["analyte"].unique()}
    parts = [_of_run(str(run), g, s, tests) for run, g in pairs.groupby("run", sort=True)]
    table = pd.DataFrame([r for rows in parts for r in rows], columns=[*COLUMNS, "shown", "p"])
    table["p_holm"] = holm(table["p"]) if len(table) else table["p"]
    table["named"] = table["p_holm"] < CHANCE
    flags = [_flag(str(run), g, pairs[pairs["run"] == run], t, names or {}) for run, g in table.groupby("run", sort=True)
             if g["named"].any()]
    bottles = frozenset(zip(pairs["sample"], pairs["analyte"], pairs["run"], strict=True))
    return Again(bottles=bottles, check=CheckResult(
        rule=RULE, table=table[COLUMNS], flags=tuple(flags), note="" if len(pairs) else
        "no bottle was measured again in another run as a revision"))


def _pairs(old: pd.DataFrame, t: pd.DataFrame) -> pd.DataFrame:
    """One row a bottle, analyte and run of the second reading: mean difference d (scale of y), n of determinations."""
    own = t.drop_duplicates("analyte").set_index("analyte")
    p = old[old["analyte"].isin(own.index) & old["old_run"].ne("") & old["new_run"].ne("")
            & old["old_run"].ne(old["new_run"]) & old["old_value"].notna() & old["new_value"].notna()]
    p = p.assign(relative=p["analyte"].map(own["relative"]).astype(bool), unit=p["analyte"].map(own["unit"]),
                 run=p["new_run"])
    p = p[~p["relative"] | ((p["old_value"] > 0) & (p["new_value"] > 0))]
    first, second = (p[c].to_numpy(float) for c in ("old_value", "new_value"))
    log = p["relative"].to_numpy(bool)
    with np.errstate(all="ignore"):
        p = p.assign(d=np.where(log, np.log(np.where(log, second, 1.0) / np.where(log, first, 1.0)), second - first))
    read = p.merge(t[["sample", "analyte", "run"]].drop_duplicates(), on=["sample", "analyte", "run"])
    return read.groupby(["run", "analyte", "sample", "relative", "unit"], as_index=False, sort=True).agg(
        d=("d", "mean"), n=("d", "size"), first_run=("old_run", "first"))


def _of_run(run: str, g: pd.DataFrame, s: Mapping[str, float], tests: Mapping[str, str]) -> list[tuple[Any, ...]]:
    """Rows of one run: each analyte, then the relative analytes of each test by one factor."""
    rows, each = [], []
    for analyte, own in g.groupby("analyte", sort=True):
        sd, count = float(s[str(analyte)]), len(own)
        if not sd > 0:
            continue
        gap = float(own["d"].median())
        alone = np.sqrt(2 / float(own["n"].mean()) / count) * (OF_A_MEDIAN if count >= MANY else 1.0) * sd
        se = float(np.hypot(alone, np.sqrt(2) * RUN_OFF * sd))
        relative = bool(own["relative"].iloc[0])
        rows.append(_row(run, str(analyte), count, gap, se, "%" if relative else str(own["unit"].iloc[0])))
        if relative:
            each.append((tests.get(str(analyte), ""), str(analyte), count, gap, se))
    table = pd.DataFrame(each, columns=["test", "analyte", "count", "gap", "se"])
    for _, own in table.groupby("test", sort=True):
        if len(own) > 1:
            w = 1 / own["se"] ** 2
            se = float(np.sqrt((1 + TOGETHER * (len(own) - 1)) / w.sum()))
            rows.append(_row(run, ", ".join(own["analyte"]), int(own["count"].max()), float((own["gap"] * w).sum() / w.sum()),
                             se, "%"))
    return rows


def _row(run: str, analyte: str, count: int, gap: float, se: float, unit: str) -> tuple[Any, ...]:
    p = 2 * float(stats.t.sf(abs(gap) / se, TAILS))
    size = 100 * float(np.expm1(gap)) if unit == "%" else gap
    return (run, analyte, count, size, unit, 100 * se if unit == "%" else se, np.nan, False,
            f"{size:+.3g} {unit}", p)


def _flag(run: str, table: pd.DataFrame, pairs: pd.DataFrame, t: pd.DataFrame, names: Mapping[str, str]) -> Flag:
    """The question of one run: which of the two measurings is right."""
    named = table[table["named"]]
    single = named[~named["analyte"].str.contains(", ", regex=False)]
    told = single if len(single) else named
    analytes = list(dict.fromkeys(a for text in told["analyte"] for a in text.split(", ")))
    reads = [f"{', '.join(names.get(a, a) for a in text.split(', '))} {size}"
             for text, size in zip(told["analyte"], told["shown"], strict=True)]
    own = pairs[pairs["analyte"].isin(analytes)]
    bottles, before = sorted(own["sample"].unique()), sorted(own["first_run"].unique())
    fluids = set(t.loc[t["kind"].eq("check fluid"), "run"])
    vouched = run in fluids
    behind = f"run {run} has a check fluid, which says how it reads" if vouched else (
        f"no check fluid was read in run {run}: nothing vouches for it")
    n, of_run = len(bottles), f"run{'s' if len(before) > 1 else ''} {listed(before)}"
    text = (f"the second measuring of {n} bottle{'s' if n > 1 else ''} reads otherwise than the first ({of_run}), "
            f"in the middle {listed(reads, 12)} from it, by scatter of measuring in "
            f"{one_in(float(told['p_holm'].min()))}: which is right? {behind}; to tell: some of these bottles and others of "
            f"{of_run} once more in one run with the check fluid. The second readings stand in the results")
    return Flag(rule=RULE, concern="ask before trusting" if not vouched or n >= MANY else "hint only", where=f"run {run}",
                analyte=", ".join(analytes), evidence=text, samples=tuple(map(str, bottles)))


__all__ = ["COLUMNS", "RULE", "Again", "second_measurings", "superseded"]
