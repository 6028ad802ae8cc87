"""Numbers that look wrong before any model: rounding, units, copies, metals, ratios, impossible values.

Each check names what it saw and what it may mean; none changes a value. Where a rule rests on
practice and not on a standard, its text says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from studykit.core.units import convert, kind_of
from studykit.quality.flags import CHANCE, CheckResult, Flag, listed, quantified, robust_sd, shown
from studykit.study.definition import Study

RAISED = 1.5
MAY_BE_NEGATIVE = ("temperature", "ratio", "pH", "voltage")
"""A "<" limit this many times the usual one is a raised limit."""
FEW = 3
NEAR_ZERO = 5.0
"""Zeros are odd where nine of ten other results are above the middle one divided by this, and above as many steps of
what is reported (own judgement)."""
WEAR_METALS = {"Fe": "iron", "Cu": "copper", "Pb": "lead", "Sn": "tin", "Al": "aluminium", "Cr": "chromium"}
"""An unused fluid holds next to none of these (common practice, no source)."""
HELD_BY_ALL = 0.8
"""Share of the stock's bottles, at least, that hold a metal which is then the fluid's, likeliest (own judgement)."""
ENOUGH_BOTTLES = 6
"""So many bottles of the stock, at least, tell what it is made of (own judgement)."""
ZN_P = 1.0554
"""Mass ratio zinc to phosphorus in any neutral zinc dialkyldithiophosphate Zn[S2P(OR)2]2 (atomic masses)."""
_STEPS = (1000, 500, 250, 200, 100, 50, 25, 20, 10, 5, 2)
_PLAIN = re.compile(r"[-+]?\d+(?:[.,]\d+)?")


def _decimals(text: str) -> float:
    """Decimals of a number as written (NaN where the text is not a plain number)."""
    if not _PLAIN.fullmatch(text.strip()):
        return float("nan")
    return float(len(re.split(r"[.,]", text.strip())[1])) if re.search(r"[.,]", text) else 0.0


def reporting_steps(results: pd.DataFrame) -> pd.DataFrame:
    """Rounding step of each analyte and source file, read from the numbers as written.

    The step is that of the most decimals seen within one power of ten (spreadsheets drop trailing
    zeros), at the middle of the data, times 2, 5, 10, 20, 25, ... 1000 where every value is a multiple of that. A
    unit conversion at intake is undone by value / as_written. Columns: analyte, source_file, n,
    step (in the study's unit), level (median), distinct (share of distinct values).
    """
    t = quantified(results)
    t["decimals"] = t["as_written"].astype(str).map(_decimals)
    t = t[t["decimals"].notna() & (t["value"] != 0)]
    rows = []
    for (analyte, file), part in t.groupby(["analyte", "source_file"], sort=True):
        written = part["as_written"].str.strip().str.replace(",", ".", regex=False).astype(float)
        decade = np.floor(np.log10(written.abs().where(written != 0, 1.0).to_numpy(float)))
        middle = decade == np.round(np.median(decade))
        use = middle if middle.any() else np.ones(len(part), dtype=bool)
        unit_step = 10.0 ** -float(part.loc[use, "decimals"].max())
        counts = np.rint(written[use].to_numpy(float) / unit_step).astype(np.int64)
        coarse = next((k for k in _STEPS if len(counts) >= 8 and (counts % k == 0).all()), 1)
        factor = float((part["value"] / written.where(written != 0)).median())
        rows.append((analyte, file, len(part), abs(unit_step * coarse * factor), float(part["value"].median()),
                     part["value"].nunique() / len(part)))
    return pd.DataFrame(rows, columns=["analyte", "source_file", "n", "step", "level", "distinct"])


def rounding(steps: pd.DataFrame, study: Study, s_r: Mapping[str, float]) -> CheckResult:
    """Whether results are rounded so coarsely that rounding, not the method, limits what can be seen.

    ``steps``: of ``reporting_steps``. ``s_r``: repeatability standard deviation of each analyte at its
    level, in its unit (NaN where unknown). Flagged when the step exceeds half of s_r (ASTM E29, from
    memory, check your copy); more strongly when it exceeds s_r or half of the margin.
    """
    table = steps.copy()
    table["s_r"] = table["analyte"].map(s_r).astype(float)
    table["margin"] = [_margin(study, a, level) for a, level in zip(table["analyte"], table["level"], strict=True)]
    coarse = table[(table["n"] >= 3) & ((table["step"] > 0.5 * table["s_r"]) | (table["step"] > 0.5 * table["margin"]))]
    flags = []
    for analyte, g in coarse.groupby("analyte", sort=True):
        row = g.sort_values("step").iloc[-1].to_dict()
        step, s, margin = row["step"], row["s_r"], row["margin"]
        against = f"half of the repeatability standard deviation ({shown(s, 3)})" if step > 0.5 * s else (
            f"half of the margin ({shown(margin, 3)})")
        part = " or a part of that" if round(row["distinct"] * row["n"]) <= FEW else ""
        text = (f"reported in steps of {shown(step, 3)}{part}, more than {against}: equal results do not show equal "
                "samples; ask for unrounded values")
        concern = "ask before trusting" if step > s or step > 0.5 * margin else "hint only"
        flags.append(Flag(rule="coarse rounding", concern=concern, analyte=str(analyte), evidence=text,
                          where=f"file {listed(sorted(g['source_file']))}"))
    return CheckResult(rule="coarse rounding", table=table, flags=tuple(flags),
                   note="" if len(table) else "not assessed: no numbers as written")


def _margin(study: Study, analyte: str, level: float) -> float:
    if analyte not in study.analytes:
        return float("nan")
    return study.analytes[analyte].margin.at(level)


def digit_preference(results: pd.DataFrame, steps: pd.DataFrame) -> CheckResult:
    """Whether some last digits are too frequent (values read off by eye, or edited).

    Of the values that lie in the commonest power of ten (``last_digits``), only where at least 50 of them spread over 5 steps
    or more (standard deviation), since only then are last digits nearly even (``uneven``); Bonferroni over rows.
    """
    t, rows = quantified(results), []
    parts = dict(iter(t.groupby(["analyte", "source_file"], sort=False)))
    for row in steps.to_dict("records"):
        part = parts.get((row["analyte"], row["source_file"]), t[:0])
        if len(part) < 50:
            continue
        digits, scatter = last_digits(part, float(row["step"]))
        if len(digits) < 50 or not scatter >= 5:
            continue
        counts = np.bincount(digits, minlength=10)
        p = uneven(counts)
        rows.append((row["analyte"], row["source_file"], len(digits), int(counts.argmax()),
                     counts.max() / len(digits), (counts[0] + counts[5]) / len(digits), p))
    names = ["analyte", "source_file", "n", "commonest_digit", "its_share", "share_0_and_5", "p"]
    table = pd.DataFrame(rows, columns=names)
    flags = tuple(
        Flag(rule="digit preference", concern="ask before trusting", where=f"file {r['source_file']}",
             analyte=r["analyte"],
             evidence=(f"last digit {r['commonest_digit']} stands in {shown(100 * r['its_share'], 3)} % of {r['n']} "
                       f"results, 0 and 5 in {shown(100 * r['share_0_and_5'], 3)} % (10 % and 20 % expected); ask "
                       "how the values were read and rounded"))
        for r in table[table["p"] * len(table) < CHANCE].to_dict("records"))
    return CheckResult(rule="digit preference", table=table, flags=flags,
                   note="" if rows else "not assessed: too few results, or too few steps, in every file")


def uneven(counts: NDArray[np.int64]) -> float:
    """Chance that ten digits' counts depart so from the mean of each and its two neighbours; at most, not exactly.

    Values that stand in clusters (lots, depths) favour digits that lie side by side; preference picks single ones. The sum of
    squares is a weighted sum of nine chi-squares of one degree of freedom, with weights 1.78, twice 1.45, 0.76, 0.21 and 0.02
    (squares of 1 less the smoothing's response): it lies below 1.78 times a chi-square of five.
    """
    around = (np.roll(counts, 1) + counts + np.roll(counts, -1)) / 3
    square = float(((counts - around) ** 2).sum() / (counts.sum() / 10))
    return float(stats.chi2.sf(square / (16 / 9), 5))


def last_digits(part: pd.DataFrame, step: float) -> tuple[NDArray[np.int64], float]:
    """Last digits of one analyte's values of one file, in the commonest power of ten, and their spread in steps.

    The step there is that of the most decimals written in that power of ten, not of the whole file: with significant digits
    it is coarser above a power of ten than below, and a zero that a spreadsheet dropped is still a zero.
    """
    written = part["as_written"].astype(str).str.strip().str.replace(",", ".", regex=False)
    plain = written.str.fullmatch(r"[-+]?\d+(?:\.\d+)?") & (part["value"] != 0)
    own, value = written[plain], part.loc[plain, "value"].to_numpy(float)
    if own.empty:
        return np.zeros(0, dtype=np.int64), float("nan")
    number = own.astype(float).to_numpy()
    factor = float(np.median(value / number))
    decade = np.floor(np.log10(np.abs(number)) + 1e-12).astype(int)
    common = decade == np.bincount(decade - decade.min()).argmax() + decade.min()
    decimals = own.str.partition(".")[2].str.len().to_numpy(int)
    coarsest = max(10.0 ** -float(decimals[common].max()), step / abs(factor))
    use = number[common]
    return np.rint(np.abs(use) / coarsest).astype(np.int64) % 10, robust_sd(use) / coarsest


def odd_limits(results: pd.DataFrame, samples: pd.DataFrame | None = None) -> CheckResult:
    """Results "below" a limit that says less, or something else, than the other results do.

    A raised limit (more than ``RAISED`` times the smallest limit or the smallest number that was
    reported for the analyte) hides what the study asks; such a result is neither low nor missing. A
    limit below a third of the middle, with no number near it, looks like a lost or diluted portion, unless the
    container may have settled: in a bottle from a zone (``samples``) only where numbers of the same zone, or of both
    the zone above and the zone below, are far above the limit.
    """
    below = results[(results["qualifier"] == "<") & results["limit"].notna()].copy()
    numbers = quantified(results).groupby("analyte")["value"]
    smallest = below["analyte"].map(numbers.min()).astype(float)
    below["usual"] = np.fmin(below.groupby("analyte")["limit"].transform("min"), smallest)
    below["middle"] = below["analyte"].map(numbers.median()).astype(float)
    raised = below["limit"] > RAISED * below["usual"]
    lost = (below["limit"] < below["middle"] / 3) & (smallest > below["limit"] * RAISED)
    if samples is not None and lost.any():
        lost &= ~below["sample"].isin(samples.loc[samples["height"].notna(), "sample"]) | _beside(below, results, samples)
    table = below[raised | lost]
    names = ["sample", "analyte", "limit", "usual", "middle", "source_file", "source_row"]
    flags = []
    for r in table.to_dict("records"):
        if r["limit"] > RAISED * r["usual"]:
            what = f"a raised limit hides it: others are reported down to {shown(r['usual'], 3)}"
        else:
            what = "none of the numbers is that low: a lost or diluted portion?"
        text = (f"reported as below {shown(r['limit'], 3)} where the median of the numbers is {shown(r['middle'], 3)}; "
                f"{what}; ask for a second determination")
        flags.append(Flag(rule="odd limit", concern="ask before trusting", where=f"sample {r['sample']}",
                          analyte=r["analyte"], samples=(r["sample"],), evidence=text))
    return CheckResult(rule="odd limit", table=table[names].reset_index(drop=True), flags=tuple(flags))


def _beside(below: pd.DataFrame, results: pd.DataFrame, samples: pd.DataFrame) -> pd.Series:
    """Is each limit far below the numbers of its own zone, or of the zones above and below, in its container?"""
    place = samples[["sample", "container", "height"]]
    numbers = quantified(results)[["sample", "analyte", "value"]].merge(place, on="sample")
    own = below[["sample", "analyte", "limit"]].reset_index().merge(place, on="sample")
    t = own.merge(numbers, on=["container", "analyte"], suffixes=("", "_of"))
    t = t[t["sample"] != t["sample_of"]]
    t["far"] = t["value"] > 3 * t["limit"]
    t["side"] = np.sign(t["height_of"] - t["height"])
    seen = t.groupby(["index", "side"])["far"].all().unstack().reindex(columns=[-1.0, 0.0, 1.0]).eq(True)
    odd = seen[0.0] | (seen[-1.0] & seen[1.0])
    return odd.reindex(below.index, fill_value=False)


def wear_metals(study: Study, t: pd.DataFrame, results: pd.DataFrame) -> CheckResult:
    """Wear metals above the reporting limit in an unused fluid: dirty tool, swapped or used sample.

    Metals: Fe, Cu, Pb, Sn, Al, Cr, and analytes that the study marks ``wear_metal``. The limit is the
    study's, else the largest limit that the laboratory reported; without either, not assessed. A metal whose
    nominal content lies above that limit belongs to the fluid. Common practice, no source.
    """
    names = {**{k.lower(): k for k in WEAR_METALS}, **{v: k for k, v in WEAR_METALS.items()}}
    metals = [a for a, s in study.analytes.items() if s.wear_metal or a.strip().lower() in names]
    rows, unknown = [], []
    for a in metals:
        reported = results.loc[(results["analyte"] == a) & (results["qualifier"] == "<"), "limit"].max()
        limit = study.analytes[a].limit or (float(reported) if pd.notna(reported) else None)
        if limit is None:
            unknown.append(a)
            continue
        if (study.analytes[a].nominal or 0.0) > limit and not study.analytes[a].wear_metal:
            continue  # the fluid holds it by its own recipe
        over = t[(t["analyte"] == a) & (t["value"] > limit) & ~t["kind"].eq("check fluid")]
        rows += [(s, a, v, limit) for s, v in zip(over["sample"], over["value"], strict=True)]
    table = pd.DataFrame(rows, columns=["sample", "analyte", "value", "limit"])
    held = _held_by_all(study, t, table)
    flags = [_of_the_fluid(study, a, table[table["analyte"] == a]) for a in held]
    for sample, g in table[~table["analyte"].isin(held)].groupby("sample", sort=True):
        seen = [f"{study.label_of(r['analyte'])} {shown(r['value'], 3)} {study.unit_of(r['analyte'])} "
                f"(limit {shown(r['limit'], 3)})" for r in g.to_dict("records")]
        text = (f"{listed(seen)}: an unused fluid holds next to no wear metals; a dirty tool, a swapped or a used "
                "sample? (common practice, no source)")
        flags.append(Flag(rule="wear metals", concern="ask before trusting" if len(g) > 1 else "hint only",
                          where=f"sample {sample}", analyte=listed(sorted(g["analyte"].unique())), evidence=text,
                          samples=(str(sample),)))
    note = "not assessed: no wear metal among the analytes" if not metals else (
        f"no reporting limit known for {listed([study.label_of(a) for a in unknown])}" if unknown else "")
    return CheckResult(rule="wear metals", table=table, flags=tuple(flags), note=note)


def _held_by_all(study: Study, t: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    """Metals that nearly all bottles of the stock hold, of which the study does not say that they are wear metals."""
    stock = t[~t["kind"].isin(["blank", "check fluid"])].groupby("analyte")["sample"].nunique()
    over = table[~table["sample"].isin(t.loc[t["kind"].isin(["blank", "check fluid"]), "sample"])]
    share = over.groupby("analyte")["sample"].nunique() / stock
    by_all = share.index[(share >= HELD_BY_ALL) & (stock.reindex(share.index) >= ENOUGH_BOTTLES)]
    return [str(a) for a in by_all if not study.analytes[str(a)].wear_metal]


def _of_the_fluid(study: Study, a: str, own: pd.DataFrame) -> Flag:
    low, high, n = shown(own["value"].min(), 3), shown(own["value"].max(), 3), own["sample"].nunique()
    what = f"{study.label_of(a)}, {low} to {high} {study.unit_of(a)}"
    text = (f"nearly all bottles ({n}) hold {what}: what this fluid is made of? Then give its nominal content in "
            "study.toml; in a fluid that should hold none of it, wear or rust before filling")
    return Flag(rule="wear metals", concern="hint only", where="all bottles", analyte=a, evidence=text,
                samples=tuple(sorted(map(str, own["sample"].unique()))))


def zinc_to_phosphorus(t: pd.DataFrame) -> CheckResult:
    """Zn/P mass ratio of each sample, as a hint: 1.055 in a neutral zinc dialkyldithiophosphate.

    Silent where the median ratio is below 0.2 (no such additive). Samples whose ratio departs from the
    study's median by more than Bonferroni allows (robust spread, Student's t with a third of the
    samples as degrees of freedom) are named; so is a median more than 10 % from 1.055.
    """
    wide = t[t["analyte"].isin(["Zn", "P"])].groupby(["sample", "analyte"])["value"].mean().unstack()
    ratio = (wide["Zn"] / wide["P"]).dropna() if {"Zn", "P"} <= set(wide) else pd.Series(dtype=float)
    table = ratio.rename("zn_to_p").reset_index()
    if len(ratio) < 3 or ratio.median() < 0.2:
        note = "not assessed: zinc and phosphorus not both measured" if ratio.empty else "hardly any zinc additive"
        return CheckResult(rule="Zn/P ratio", table=table, note=note)
    flags, middle = [], float(ratio.median())
    if abs(middle / ZN_P - 1) > 0.10:
        text = (f"the median Zn/P ratio is {shown(middle, 3)}, where a neutral zinc dialkyldithiophosphate has "
                f"{shown(ZN_P)}: another source of one of them, or a scale error")
        flags.append(Flag(rule="Zn/P ratio", concern="hint only", where="all samples", analyte="Zn, P", evidence=text))
    limit = float(stats.t.isf(CHANCE / 2 / len(ratio), max(3, len(ratio) / 3))) * robust_sd(np.log(ratio))
    for sample, value in ratio[(np.log(ratio / middle)).abs() > limit].items():
        text = f"Zn/P ratio {shown(value, 3)} where the samples have {shown(middle, 3)}: one of the two may be wrong"
        flags.append(Flag(rule="Zn/P ratio", concern="hint only", where=f"sample {sample}", analyte="Zn, P",
                          samples=(str(sample),), evidence=text))
    return CheckResult(rule="Zn/P ratio", table=table, flags=tuple(flags))


def _mass_fraction(unit: str) -> float:
    """Mass fraction that one unit stands for; NaN where the unit is not one of mass fraction."""
    return convert(1.0, unit, "% (m/m)") / 100 if kind_of(unit) == "mass fraction" else float("nan")


def marked_cells(results: pd.DataFrame, name: Callable[[str], str] = str) -> CheckResult:
    """Results whose cell had a mark in the laboratory's file (hidden, struck, comment, format, text), or was confirmed."""
    marks = results["marks"].fillna("").astype(str) if "marks" in results else pd.Series("", index=results.index)
    table = results.loc[marks != "", ["sample", "analyte", "value", "unit", "source_file", "source_row"]]
    table = table.assign(marks=marks[marks != ""]).reset_index(drop=True)
    flags = []
    for mark, part in table.groupby("marks", sort=True):
        named = listed([f"{s} {name(a)}" for s, a in zip(part["sample"][:4], part["analyte"][:4], strict=True)])
        more = f" and {len(part) - 4} more" if len(part) > 4 else ""
        flags.append(Flag(
            rule="marked cell", concern="hint only", where=f"{len(part)} result" + ("s" if len(part) > 1 else ""),
            samples=tuple(dict.fromkeys(part["sample"].astype(str))),
            evidence=f"the cell is marked {str(mark)!r} ({named}{more}); the reading sheet shows it as written"))
    return CheckResult(rule="marked cell", table=table, flags=tuple(flags))


def impossible_values(results: pd.DataFrame, blanks: Collection[str] = ()) -> CheckResult:
    """Values that cannot be: an amount below zero, or a mass fraction above one (summed over a sample: a hint); zeros.

    A temperature on its usual scales (a pour point), or a number without unit, may lie below zero. ``blanks``: samples
    that may read zero.
    """
    t = quantified(results)
    t["fraction"] = t["value"] * t["unit"].map({u: _mass_fraction(u) for u in t["unit"].unique()}).astype(float)
    amounts = t["unit"].map({u: kind_of(u) not in MAY_BE_NEGATIVE for u in t["unit"].unique()}).astype(bool)
    bad = t[((t["value"] < 0) & amounts) | (t["fraction"] > 1)]
    sums = t.groupby(["sample", "replicate"])["fraction"].sum().groupby(level=0).max()
    table = bad[["sample", "analyte", "value", "unit", "source_file", "source_row"]].reset_index(drop=True)
    flags = [
        Flag(rule="impossible value", concern="stop and find out", where=f"sample {r['sample']}", analyte=r["analyte"],
             samples=(r["sample"],),
             evidence=f"{shown(r['value'])} {r['unit']} cannot be; ask for the unit and the sign")
        for r in table.to_dict("records")]
    for sample, total in sums[(sums > 1.1) & ~sums.index.isin(set(bad["sample"]))].items():
        text = (f"the mass fractions of its analytes add up to {shown(100 * total, 4)} %; unless one contains "
                "another, a unit is wrong")
        flags.append(Flag(rule="impossible value", concern="hint only", where=f"sample {sample}",
                          samples=(str(sample),), evidence=text))
    flags += _zeros(t[amounts & ~t["sample"].isin(set(blanks))])
    return CheckResult(rule="impossible value", table=table, flags=tuple(flags))


def _zeros(t: pd.DataFrame) -> Iterator[Flag]:
    """Amounts of zero where nearly all other results of that analyte are far from it, a flag a file, run and analyte.

    A limit written as 0, or a unit in which so little is left that it was rounded away: nothing else here can see them,
    since a zero has no place on the scale of per cent.
    """
    for analyte, own in t.groupby("analyte", sort=True):
        some, none = own.loc[own["value"] > 0, "value"], own[own["value"] == 0]
        step = float(np.diff(np.unique(some)).min(initial=np.inf))
        least = max(some.median() / NEAR_ZERO, NEAR_ZERO * step if np.isfinite(step) else 0.0)
        if none.empty or len(some) < FEW or some.quantile(0.1) < least:
            continue
        for (file, run), part in none.groupby(["source_file", "run"], sort=True, dropna=False):
            there = own[(own["source_file"] == file) & (own["run"] == run)]
            whole = len(part) == len(there) >= FEW
            text = (f"{'all' if whole else len(part)} of {len(there)} results read 0 where others read about "
                    f"{shown(float(some.median()))} {own['unit'].iloc[0]}: a unit in which nothing is left, or a limit written "
                    "as 0? They are in no comparison in per cent; to tell: the raw printout with its unit")
            yield Flag(rule="unit slip" if whole else "impossible value", concern="ask before trusting", analyte=str(analyte),
                       where=f"file {file}, run {run}", evidence=text, samples=tuple(sorted(set(part["sample"]))[:8]))
