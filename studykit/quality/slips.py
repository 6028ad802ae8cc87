"""A unit or decimal that slipped in a whole file, some files, or all: judged by check fluid and nominal, not by majority.

For each file (and run in it) and analyte two ratios are formed: the check fluid's middle to the middle of its limits,
and the stock's content (mean over each container's zones, middle container) to the value as filled. A power of ten
that both show is a slip; where only one of them is known, that one decides, and the stock only where its containers
are calm enough for a power of ten not to be real, and never stops where a tenth or a hundredth is left (the rest may
lie on the floor). Where neither is known, files are compared with each other, and the
report does not say which of them is right.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from studykit.quality.flags import CheckResult, Flag, listed, shown
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

NEAR = 0.18
"""A ratio counts as a power of ten within this many decades (a factor of 1.5; own judgement)."""
CALM = 3.0
"""A stock whose zones differ by less than this factor cannot be mistaken for a power of ten."""
CERTAIN = ("the check fluid and the value as filled", "the check fluid", "the value as filled")
SUNK = (-1.0, -2.0)
"""Powers by which zones may read below what was filled because the rest has settled below the lowest draw."""
COLUMNS = ["file", "run", "analyte", "stock", "containers", "nominal", "check_fluid", "middle_of_limits", "power",
           "judged_by"]
WORDS = {1: "10 (a digit or a decimal point)", 2: "100 (a percent sign, or a decimal point)",
         3: "1000 (g and mg, or a thousands sign)", 4: "10 000 (mass % and mg/kg)",
         6: "1 000 000 (mass fraction and mg/kg)"}


def file_table(study: Study, t: pd.DataFrame, limits: pd.DataFrame | None) -> pd.DataFrame:
    """One row a file, run and analyte: what its stock and its check fluid read, what they should, and the power."""
    own = t[t["value"] > 0]
    stored = own[own["kind"].isin(ZONE_KINDS) & own["treatment"].isin(["stored", ""]) & (own["container"] != "")]
    keys = ["source_file", "run", "analyte"]
    box = stored.groupby([*keys, "container"])["value"].agg(["mean", "min", "max"]).reset_index()
    box["ratio"] = box["max"] / box["min"]
    stock = box.groupby(keys).agg(stock=("mean", "median"), containers=("mean", "size"), ratio=("ratio", "median"))
    fluid = own[own["kind"] == "check fluid"].groupby(keys)["value"].median().rename("check_fluid")
    table = stock.join(fluid, how="outer").reset_index().rename(columns={"source_file": "file"})
    table["nominal"] = table["analyte"].map({a: d.nominal for a, d in study.analytes.items()}).astype(float)
    middle = {} if limits is None else {
        str(r["analyte"]): (float(r["low"]) + float(r["high"])) / 2 for r in limits.to_dict("records")}
    table["middle_of_limits"] = table["analyte"].map(middle).astype(float)
    for name, part, whole in (("by_stock", "stock", "nominal"), ("by_fluid", "check_fluid", "middle_of_limits")):
        table[name] = _power(table[part] / table[whole].where(table[whole] > 0))
    return table


def _power(ratio: pd.Series) -> pd.Series:
    """Power of ten of a ratio; NaN where it is not near one."""
    with np.errstate(divide="ignore", invalid="ignore"):
        decades = np.log10(ratio.to_numpy(float))
    power = np.round(decades)
    return pd.Series(np.where(np.abs(decades - power) < NEAR, power, np.nan), index=ratio.index)


def check_files(study: Study, t: pd.DataFrame, limits: pd.DataFrame | None) -> tuple[CheckResult, pd.Series]:
    """The check, and for each row of ``t`` the factor by which its value is to be divided before anything else."""
    table = file_table(study, t, limits)
    judged = [_judge(r) for r in table.to_dict("records")]
    table["power"], table["judged_by"] = [p for p, _ in judged], [by for _, by in judged]
    columns = table.index.isin([*_other_column(table), *_sunk_by_the_check_fluid(table)])
    table["power"], table["judged_by"] = table["power"].where(~columns, 0.0), table["judged_by"].where(~columns, "")
    rest = _between_files(table)
    flags = [_flag(g, certain=by in CERTAIN) for (_, _, by), g in
             table[table["power"] != 0].groupby(["analyte", "power", "judged_by"], sort=True)]
    flags += rest[1]
    power = {(r["file"], r["run"], r["analyte"]): r["power"] for r in table.to_dict("records") if r["power"]} | rest[0]
    keys = list(zip(t["source_file"], t["run"], t["analyte"], strict=True))
    factor = pd.Series([10.0 ** power.get(k, 0.0) for k in keys], index=t.index, dtype=float)
    return CheckResult(rule="units of files", table=table.reindex(columns=COLUMNS), flags=tuple(flags),
                       note="" if len(table) else "not assessed: no numbers"), factor


def _other_column(table: pd.DataFrame) -> list[int]:
    """Rows that are no slip but another analyte's column: two of one file that fit each other better than a power of ten.

    A unit leaves the digits as they are; two columns exchanged leave each with the other's.
    """
    out: set[int] = set()
    for _, g in table[table["power"] != 0].groupby(["file", "run"]):
        for (i, a), (j, b) in combinations(g.to_dict("index").items(), 2):
            own, other = _misfit(a, a, a["power"]) + _misfit(b, b, b["power"]), _misfit(a, b, 0.0) + _misfit(b, a, 0.0)
            if a["power"] * b["power"] < 0 and other < own:
                out |= {int(str(i)), int(str(j))}
    return sorted(out)


def _sunk_by_the_check_fluid(table: pd.DataFrame) -> list[int]:
    """Rows judged by the value as filled alone whose check fluid reads as where nothing slipped: the stock has settled."""
    out: list[int] = []
    for _, g in table.groupby("analyte"):
        usual = g.loc[(g["power"] == 0) & g["check_fluid"].notna(), "check_fluid"].median()
        alone = g[g["judged_by"].str.startswith("the value as filled") & g["check_fluid"].notna()]
        out += [int(i) for i in alone.index[(alone["check_fluid"] / usual).between(1 / CALM, CALM)]]
    return out


def _misfit(reads: Mapping[Any, Any], should: Mapping[Any, Any], power: float) -> float:
    """Decades by which check fluid and stock of a row lie off what another row's should be, times a power of ten."""
    parts = [abs(float(np.log10(reads[part] / should[whole])) - power) for part, whole in (
        ("check_fluid", "middle_of_limits"), ("stock", "nominal")) if reads[part] > 0 and should[whole] > 0]
    return sum(parts) if parts else float("inf")


def _judge(r: Mapping[Any, Any]) -> tuple[float, str]:
    stock, fluid = float(r["by_stock"]), float(r["by_fluid"])
    if np.isfinite(fluid):
        agrees = not np.isfinite(stock) or stock == fluid
        return (fluid, "the check fluid and the value as filled" if np.isfinite(stock) else "the check fluid") if (
            agrees) else (0.0, "")
    known = np.isfinite(r["middle_of_limits"]) and np.isfinite(r["check_fluid"])
    if not np.isfinite(stock) or stock == 0 or known:
        return 0.0, ""
    if stock in SUNK:
        return stock, "the value as filled alone: the rest may as well lie on the floor"
    calm = r["ratio"] < CALM and r["containers"] >= 3
    return stock, "the value as filled" if calm else "the value as filled, containers uneven"


def _flag(g: pd.DataFrame, certain: bool) -> Flag:
    analyte, power = str(g["analyte"].iloc[0]), int(g["power"].iloc[0])
    reads = listed([shown(v) for v in g["stock"].dropna()], 3)
    text = (f"reads about {reads}, a factor of {WORDS.get(abs(power), f'10^{abs(power)}')} "
            f"{'above' if power > 0 else 'below'} what it should, judged by {g['judged_by'].iloc[0]}; "
            "to tell: the unit printed in that file" + ("" if "fluid" in g["judged_by"].iloc[0] else
                                                       ", and the value as filled that study.toml gives"))
    return Flag(rule="unit slip", concern="stop and find out" if certain else "ask before trusting", analyte=analyte,
                where=f"file {listed(sorted(set(g['file'])), 6)}, run {listed(sorted(set(g['run'])), 6)}", evidence=text)


def _between_files(table: pd.DataFrame) -> tuple[dict[tuple[str, str, str], float], list[Flag]]:
    """Files that differ by a power of ten where nothing says which is right."""
    power: dict[tuple[str, str, str], float] = {}
    flags = []
    free = table[table["by_stock"].isna() & table["by_fluid"].isna() & table["nominal"].isna()]
    for analyte, g in free.groupby("analyte", sort=True):
        by = "check_fluid" if g["check_fluid"].notna().sum() >= 2 else "stock"
        if by == "stock":
            g = g[(g["containers"] >= 3) & (g["ratio"] < CALM)]
        g = g[g[by].notna()]
        if len(g) < 2:
            continue
        steps = _power(g[by] / g[by].iloc[0])
        if (steps.fillna(0.0) != 0).any() and steps.notna().all():
            power |= {(r["file"], r["run"], str(analyte)): s for r, s in zip(g.to_dict("records"), steps, strict=True) if s}
            told = "the check fluid" if by == "check_fluid" else "the containers"
            parts = [f"{r['file']} (run {r['run']}) {shown(r[by])}" for r in g.to_dict("records")]
            text = (f"by {told} these files differ by powers of ten: {listed(parts)}; which is right cannot be told here; "
                    "to tell: the unit printed in each file, a value as filled, limits of the check fluid")
            flags.append(Flag(rule="unit slip", concern="stop and find out", analyte=str(analyte), evidence=text,
                              where=f"file {listed(sorted(set(g['file'])), 6)}"))
    return power, flags
