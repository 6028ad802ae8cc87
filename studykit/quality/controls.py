"""Controls: blank, check fluid, remixed container, layered container. What they say about the study.

- Blank: clean fluid through the same tools and bottles must read nothing that matters.
- Check fluid: a stable fluid of known content must read within its limits in every run.
- Remixed control: a container mixed right before sampling must not differ between its depths beyond chance.
  That it does not is no proof that they are the same: whether the interval lies within the margin is told beside it.
- Layered control: a container layered on purpose must be found stratified. If it is not, this study
  could not have seen anything, and "homogeneous" would mean nothing.

Depths of one container are compared by the studentised range: with k means of n determinations
and repeatability s_r the range exceeds q(k, df) s_r / sqrt(n) by chance in 5 % (for single results
2.8, 3.3, 3.6, 3.9 s_r for k = 2, 3, 4, 5: ISO 5725-6:1994, table of critical range factors). p-values
are adjusted over analytes by Holm.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize

from studykit.core.errors import BadInput, Fault
from studykit.core.units import kind_of
from studykit.inference import critical_range
from studykit.quality.doubtful import room_for_a_slip
from studykit.quality.flags import CHANCE, Flag, Scatter, holm, listed, one_in, shown
from studykit.study.columns import ZONE_KINDS, Column, TableSpec
from studykit.study.definition import Study
from studykit.study.tables import LINE, read_cells, type_cells

CHECK_TABLE = TableSpec(
    name="check limits", file="plan/check_limits.csv", key=("analyte",), extra_allowed=True,
    columns=(
        Column(name="analyte", kind="code", meaning="a key under [analytes] in study.toml", required=True, filled=True),
        Column(name="low", kind="number", meaning="lowest value that the check fluid may read, in the study's unit",
               required=True, filled=True),
        Column(name="high", kind="number", meaning="highest value that the check fluid may read", required=True,
               filled=True),
        Column(name="value", kind="number", meaning="reference value of the check fluid, in the study's unit"),
        Column(name="uncertainty", kind="number", low=0.0,
               meaning="its standard uncertainty, in the same unit (half of an expanded one with k = 2)"),
        Column(name="spread", kind="number", low=0.0, meaning="standard deviation of single readings of it over the "
               "laboratory's runs (its control chart); empty: the stated repeatability"),
        Column(name="source", kind="text", meaning="where limits and reference value come from"),
    ))
"""Optional file of the check fluid's limits and reference values."""
CONTROL_COLUMNS = ["control", "where", "analyte", "n", "value", "low", "high", "unit", "p_holm", "found", "as_hoped"]


VAGUE = 0.2
"""A standard uncertainty of this share of the value says nothing (own judgement; certified ones are a few per cent)."""
NO_AMOUNT = ("temperature", "ratio", "pH", "voltage")
Rows = list[tuple[object, ...]]
WITHIN, TOO_WIDE = "no difference found: shown within the margin", "no difference found: too wide to tell"
DOUBTED = "its limits are in doubt: not used"
UNKNOWN = Scatter(s=float("nan"), source="not known")


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """What the controls showed.

    table: columns ``CONTROL_COLUMNS``; as_hoped is 'yes', 'no', 'not shown' (too wide) or 'not assessed'. blind: true if a
    layered control was measured and not found stratified in any analyte. sentences: in plain words.
    """

    table: pd.DataFrame
    flags: tuple[Flag, ...]
    sentences: tuple[str, ...]
    blind: bool

    def to_table(self) -> pd.DataFrame:
        """A copy of the table."""
        return self.table.copy()


def read_check_limits(root: Path | str, study: Study) -> pd.DataFrame | None:
    """The check fluid's limits of a study folder; None where there is no file.

    BadInput lists every fault: cells that are no numbers, an analyte that the study does not declare, low not below
    high, two lines for one analyte, a reference value without its uncertainty or without a sensible one.
    """
    root = Path(root)
    if not (root / CHECK_TABLE.file).exists():
        return None
    cells, faults = read_cells(root / CHECK_TABLE.file, CHECK_TABLE)
    table, cell_faults = type_cells(cells, CHECK_TABLE)
    faults += cell_faults
    if {"analyte", "low", "high"} <= set(table):
        faults += _limit_faults(table, study, references=not cell_faults)
    if faults:
        raise BadInput(faults, title="The limits of the check fluid have faults")
    return table.drop(columns=LINE)


def _limit_faults(table: pd.DataFrame, study: Study, references: bool) -> list[Fault]:
    faults: list[Fault] = []
    seen: set[str] = set()
    for r in table.to_dict("records"):
        where: dict[str, Any] = {"file": CHECK_TABLE.file, "row": int(r[LINE])}
        analyte = str(r["analyte"])
        if analyte and analyte not in study.analytes:
            faults.append(Fault(**where, column="analyte", value=analyte, reason="is not declared in study.toml",
                                remedy="known are " + ", ".join(study.analytes)))
        if analyte in seen:
            faults.append(Fault(**where, column="analyte", value=analyte, reason="has its limits in an earlier line",
                                remedy="keep one line per analyte"))
        seen.add(analyte)
        if r["low"] >= r["high"]:
            faults.append(Fault(**where, column="low", value=f"{r['low']:g}", reason=f"is not below high ({r['high']:g})",
                                remedy="write the lower limit under low"))
        faults += _wide(r, where, study) if r["low"] < r["high"] and analyte in study.analytes else ()
        faults += _reference_faults(r, where) if references else ()
    return faults


def _wide(r: Mapping[Hashable, Any], where: dict[str, Any], study: Study) -> Iterator[Fault]:
    """Limits that say nothing, since a slip of a power of ten would lie between them."""
    a = study.analytes[str(r["analyte"])]
    near_nothing = 2 * (a.margin.absolute or 0.0), 10 * (a.limit or 0.0)
    if kind_of(a.unit) in NO_AMOUNT or not room_for_a_slip(float(r["low"]), float(r["high"]), *near_nothing):
        return
    yield Fault(**where, column="high", value=f"{r['high']:g}",
                reason=f"a factor of ten has room between it and low ({r['low']:g})",
                remedy="write limits that the fluid keeps: three standard deviations of its control chart on either side, as "
                       "common practice has it; or leave the line out")


def _reference_faults(r: Mapping[Hashable, Any], where: dict[str, Any]) -> Iterator[Fault]:
    """What is wrong with the reference value of one line; only asks, a missing uncertainty is not guessed."""
    value, u, s = (float(r.get(c, np.nan)) for c in ("value", "uncertainty", "spread"))
    if np.isnan(value):
        if not (np.isnan(u) and np.isnan(s)):
            yield Fault(**where, column="value", value="", reason="is empty beside an uncertainty or a spread",
                        remedy="write the reference value, or empty the other two")
        return
    if np.isnan(u):
        yield Fault(**where, column="uncertainty", value="", reason="the reference value has no uncertainty",
                    remedy="write its standard uncertainty (half of an expanded one with k = 2), or empty value")
    if s == 0:
        yield Fault(**where, column="spread", value="0", reason="readings that never differ",
                    remedy="write the standard deviation of the control chart, or leave it empty")
    if u > max(r["high"] - value, value - r["low"]) > 0 or (u >= VAGUE * abs(value) > 0):
        yield Fault(**where, column="uncertainty", value=f"{u:g}", reason=f"is no standard uncertainty of {value:g} that "
                    "anything could be held against: wider than the limits, or a fifth of the value and more",
                    remedy="write it in the study's unit, not in per cent; or empty value, uncertainty and spread")
    if s > r["high"] - r["low"] > 0:
        yield Fault(**where, column="spread", value=f"{s:g}", reason="is wider than low to high",
                    remedy="write the standard deviation of single readings in the study's unit")
    if not r["low"] <= value <= r["high"]:
        yield Fault(**where, column="value", value=f"{value:g}", reason="lies outside low and high",
                    remedy="look for a slip in the three")


@lru_cache(maxsize=512)
def range_factor(k: int, level: float = 0.95, df: float = np.inf) -> float:
    """Critical range of k results in units of s_r (k >= 2; df of s_r, infinite where s_r is known)."""
    if k < 2:
        raise ValueError(f"k must be 2 or more, but got {k}")
    return float(optimize.brentq(lambda q: critical_range.range_sf(q, [0.0] * k, df) - (1 - level), 1e-3, 200.0, xtol=1e-6))


def _range_p(k: int, width: float, scatter: Scatter, n: int = 1) -> float:
    """Chance of so wide a range of k means of n determinations; NaN where the scatter is not known."""
    if not scatter.s > 0:
        return float("nan")
    return critical_range.range_sf(width / scatter.s * float(np.sqrt(n)), [0.0] * k, scatter.df)


def depth_ranges(t: pd.DataFrame, treatment: str, scatter: Mapping[str, Scatter], study: Study) -> pd.DataFrame:
    """Range of the depth means of each control container and analyte against chance and against the margin.

    Columns: container, analyte, k, n (smallest number of determinations a depth), range (per cent or
    unit), deeper_minus_shallower (deepest less shallowest), low, high (simultaneous 1 - alpha interval
    of the widest difference), margin, p (that so wide a range comes from scatter alone), p_holm.
    """
    own = t[(t["treatment"] == treatment) & t["kind"].isin(ZONE_KINDS)]
    every = own.groupby(["container", "analyte", "depth"], as_index=False).agg(
        y=("y", "mean"), n=("y", "size"), height=("height", "mean"), relative=("relative", "first"))
    rows = []
    for (container, analyte), means in every.groupby(["container", "analyte"], sort=True):
        if len(means) >= 2:
            means = means.sort_values("height", ascending=False)
            rows.append((container, analyte, *_range_row(means, bool(means["relative"].iloc[0]),
                                                         scatter.get(str(analyte), UNKNOWN), study, str(analyte))))
    names = ["container", "analyte", "k", "n", "range", "deeper_minus_shallower", "low", "high", "margin", "p"]
    table = pd.DataFrame(rows, columns=names)
    table["p_holm"] = holm(table["p"]) if len(table) else pd.Series(dtype=float)
    return table


def _range_row(means: pd.DataFrame, relative: bool, own: Scatter, study: Study, analyte: str) -> tuple[float, ...]:
    k, n = len(means), int(means["n"].min())
    y = means["y"].to_numpy(float)
    width = float(np.ptp(y))
    half = range_factor(k, 1 - study.alpha, own.df) * own.s / np.sqrt(n) if own.s > 0 else np.nan
    margin = study.analytes[analyte].margin
    bound = float(margin.percent or margin.absolute or np.nan)

    def shape(x: float) -> float:
        return 100 * float(np.expm1(x)) if relative else x

    return (k, n, shape(width), shape(float(y[-1] - y[0])), shape(max(width - half, 0.0)), shape(width + half), bound,
            _range_p(k, width, own, n))


def check_remixed(t: pd.DataFrame, scatter: Mapping[str, Scatter], study: Study) -> tuple[Rows, list[Flag]]:
    """Rows and flags of the remixed control containers: their depths should not differ, nor by more than the margin."""
    table = depth_ranges(t, "remixed control", scatter, study)
    rows: Rows = []
    flags: list[Flag] = []
    for r in table.to_dict("records"):
        unit = "%" if study.analytes[r["analyte"]].margin.relative else study.unit_of(r["analyte"])
        differs = r["p_holm"] < CHANCE
        known = not np.isnan(r["p_holm"])
        found, hoped = ("no repeatability known", "not assessed") if not known else ("depths differ", "no") if differs else (
            WITHIN, "yes") if r["high"] < r["margin"] else (TOO_WIDE, "not shown")
        rows.append(("remixed control", f"container {r['container']}", r["analyte"], r["n"], r["range"], r["low"],
                     r["high"], unit, r["p_holm"], found, hoped))
        if differs:
            text = (f"the depths of this remixed container differ by {shown(r['range'], 3)} {unit} (by scatter "
                    f"alone in {one_in(r['p_holm'])}); either the mixing did not mix, or drawing and measuring "
                    "scatter more than the method's repeatability")
            flags.append(Flag(rule="remixed control", concern="ask before trusting", analyte=r["analyte"],
                              where=f"container {r['container']}", evidence=text))
    return rows, flags


def check_layered(t: pd.DataFrame, scatter: Mapping[str, Scatter],
                  study: Study) -> tuple[Rows, list[Flag], bool]:
    """Rows and flags of the layered controls, and whether the study is blind (nothing found in any of them)."""
    table = depth_ranges(t, "layered control", scatter, study)
    rows: Rows = []
    flags: list[Flag] = []
    for r in table.to_dict("records"):
        unit = "%" if study.analytes[r["analyte"]].margin.relative else study.unit_of(r["analyte"])
        found = "no repeatability known" if np.isnan(r["p_holm"]) else (
            "stratified" if r["p_holm"] < study.alpha and r["low"] > r["margin"] else
            "differs, not beyond the margin for certain" if r["p_holm"] < study.alpha else "not seen")
        hoped = {"stratified": "yes", "no repeatability known": "not assessed"}.get(found, "")
        rows.append(("layered control", f"container {r['container']}", r["analyte"], r["n"], r["range"], r["low"],
                     r["high"], unit, r["p_holm"], found, hoped))
    blind = False
    for container in sorted({str(r[1]) for r in rows}):
        found_here = [str(r[9]) for r in rows if r[1] == container]
        if any(f == "stratified" for f in found_here) or all(f == "no repeatability known" for f in found_here):
            continue
        blind = True
        text = ("this container was layered on purpose and was NOT found stratified in any analyte: this study could "
                "not have seen anything, and no verdict 'homogeneous' may be drawn from it")
        flags.append(Flag(rule="layered control", concern="stop and find out", where=container, evidence=text))
        rows = [(*r[:10], "no") if r[1] == container else r for r in rows]
    return rows, flags, blind


def check_blanks(study: Study, results: pd.DataFrame, samples: pd.DataFrame,
                 t: pd.DataFrame) -> tuple[Rows, list[Flag]]:
    """Rows and flags of the blanks: a reading above the limit and above a tenth of the margin matters.

    A clean oil holds water of its own (some tens of mg/kg), so of water only more than the stock's middle matters.
    """
    blanks = samples.loc[samples["kind"] == "blank", "sample"]
    own = results[results["sample"].isin(blanks) & results["value"].notna()]
    level = t[t["kind"].isin(ZONE_KINDS)].groupby("analyte")["value"].median()
    rows: Rows = []
    for r in own.to_dict("records"):
        if r["analyte"] not in level or study.analytes[r["analyte"]].kind == "viscosity":
            continue
        margin = study.analytes[r["analyte"]].margin.at(float(level[r["analyte"]]))
        allowed = max(margin / 10, study.analytes[r["analyte"]].limit or 0.0)
        if study.analytes[r["analyte"]].kind == "water":
            allowed = max(allowed, float(level[r["analyte"]]))
        dirty = r["qualifier"] == "" and r["value"] > allowed
        rows.append(("blank", f"sample {r['sample']}", r["analyte"], 1, r["value"], np.nan, allowed, r["unit"], np.nan,
                     "reads too much" if dirty else "clean", "no" if dirty else "yes"))
    return rows, _blank_flags(pd.DataFrame(rows, columns=CONTROL_COLUMNS).query("as_hoped == 'no'"), study)


def _blank_flags(dirty: pd.DataFrame, study: Study) -> list[Flag]:
    """One flag a blank, with every analyte that it reads too much of."""
    out = []
    for where, g in dirty.groupby("where", sort=True):
        own = g.sort_values("value", ascending=False).drop_duplicates("analyte").sort_values("analyte")
        reads = [f"{shown(r['value'])} {r['unit']} {study.label_of(r['analyte'])} (up to {shown(r['high'], 3)})"
                 for r in own.to_dict("records")]
        text = (f"the blank reads {listed(reads, 12)}; as much (a tenth of the margin, the reporting limit, of water what the "
                "stock holds) would not matter: tool, bottle, or carry-over in the instrument")
        out.append(Flag(rule="blank", concern="ask before trusting", where=str(where), evidence=text,
                        analyte=", ".join(own["analyte"]), samples=(str(where).removeprefix("sample "),)))
    return out


def check_fluid(study: Study, t: pd.DataFrame, scatter: Mapping[str, Scatter],
                limits: pd.DataFrame | None, in_doubt: Collection[str] = ()) -> tuple[Rows, list[Flag]]:
    """Rows and flags of the check fluid: each analyte against its limits. ``in_doubt``: analytes whose limits are not used.

    ``limits``: columns analyte, low, high (study's unit), or None. Without limits the check fluid is not
    assessed here: that its results agree does not show that they are right. Run against run it is compared by
    ``runs.shifts``. p_holm of the row: chance of so wide a range of all its results, unadjusted.
    """
    own = t[t["kind"] == "check fluid"]
    known = [] if limits is None else limits.to_dict("records")
    bounds = {str(r["analyte"]): (float(r["low"]), float(r["high"])) for r in known}
    rows: Rows = []
    flags: list[Flag] = []
    for analyte, g in ((str(a), g) for a, g in own.groupby("analyte", sort=True)):
        low, high = bounds.get(analyte, (np.nan, np.nan))
        unit, mean = study.unit_of(analyte), float(g["value"].mean())
        outside, far = _outside(g, low, high)
        found = DOUBTED if analyte in in_doubt else (
            "no limits given: compared between runs only") if analyte not in bounds else (
            "outside its limits" if len(far) else "within its limits" if outside.empty else
            "single readings just outside its limits, the runs' means within")
        hoped = "not assessed" if analyte not in bounds else "no" if len(far) else "yes"
        p = _range_p(len(g), float(np.ptp(g["y"])), scatter.get(analyte, UNKNOWN)) if len(g) > 1 else np.nan
        rows.append(("check fluid", "all runs", analyte, len(g), mean, low, high, unit, p, found, hoped))
        if len(outside):
            flags.append(_fluid_flag(analyte, g, outside, far, (low, high), unit))
    return rows, flags


def _fluid_flag(analyte: str, g: pd.DataFrame, outside: pd.DataFrame, far: pd.DataFrame, limits: tuple[float, float],
                unit: str) -> Flag:
    """Readings outside their limits: a question, or a hint where the means of their runs lie within."""
    own, (low, high) = far if len(far) else outside, limits
    means = g.groupby("run")["value"].mean()
    alike = len(means) > 1 and bool((means < low).all() or (means > high).all())
    values = listed([shown(v) for v in own["value"]])
    reads = f"the check fluid reads {values} {unit} (limits {shown(low)} to {shown(high)})"
    if not len(far):
        text = f"{reads}, just outside; the means of the runs lie within: one reading in some hundreds does so by chance"
    elif alike:
        text = (f"{reads}, in every run on the same side: the limits, this lot of the fluid, or a calibration; ask before "
                "using the runs; to tell: what the limits were taken from, and a fresh portion of the check fluid")
    else:
        text = f"{reads}; ask before using the runs; to tell: a fresh portion of the check fluid"
    return Flag(rule="check fluid", analyte=analyte, samples=tuple(sorted(own["sample"].unique())), evidence=text,
                concern="ask before trusting" if len(far) else "hint only", where=f"runs {listed(sorted(own['run'].unique()))}")


def _outside(g: pd.DataFrame, low: float, high: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Readings outside the limits, and those that count: of a run whose mean is out, or out by all of the limits' width.

    One reading in some hundreds is just outside three or four standard deviations without any fault, more so where
    tails are heavy.
    """
    outside = g[(g["value"] < low) | (g["value"] > high)]
    mean = outside["run"].map(g.groupby("run")["value"].mean())
    slack = high - low
    far = (mean < low) | (mean > high) | (outside["value"] < low - slack) | (outside["value"] > high + slack)
    return outside, outside[far]


def assess_controls(study: Study, t: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame,
                    scatter: Mapping[str, Scatter], drawn: Mapping[str, Scatter] | None = None,
                    limits: pd.DataFrame | None = None, in_doubt: Collection[str] = ()) -> Controls:
    """All controls of a study: table, flags and sentences; ``t`` is the working table. ``in_doubt``: as of ``check_fluid``.

    ``scatter``: what judges a determination; ``drawn``: a drawn and measured bottle (default: the same).
    """
    layered_rows, layered_flags, blind = check_layered(t, scatter, study)
    parts = [check_blanks(study, results, samples, t), check_fluid(study, t, scatter, limits, in_doubt),
             check_remixed(t, drawn or scatter, study), (layered_rows, layered_flags)]
    rows = [r for part in parts for r in part[0]]
    table = pd.DataFrame(rows, columns=CONTROL_COLUMNS)
    return Controls(table=table, flags=tuple(f for part in parts for f in part[1]),
                    sentences=_sentences(table.assign(analyte=table["analyte"].map(study.label_of)), blind,
                                         {c: _unvouched(study, c, samples, results) for c in ("blank", "check fluid")}),
                    blind=blind)


def _unvouched(study: Study, control: str, samples: pd.DataFrame, results: pd.DataFrame) -> str:
    """What is said of runs that hold results of the stock and no such control; '' where each has one or none is named.

    A blank has no viscosity: a run that reads nothing else needs none.
    """
    if "run" not in results:
        return ""
    kind = results["sample"].map(samples.drop_duplicates("sample").set_index("sample")["kind"]).fillna("")
    run = results["run"].fillna("").astype(str)
    counts = ~kind.isin(["blank", "check fluid"]) & (run != "")
    if control == "blank":
        counts &= ~results["analyte"].isin([a for a, x in study.analytes.items() if x.kind == "viscosity"])
    bare = sorted(set(run[counts].unique()) - set(run[kind == control].unique()))
    return (f" Run{'s' if len(bare) > 1 else ''} {listed(bare)} {'have' if len(bare) > 1 else 'has'} results and no {control}: "
            f"nothing vouches for {'them' if len(bare) > 1 else 'it'} by a {control}.") if bare else ""


def _but(own: pd.DataFrame) -> str:
    """What a check fluid that keeps its limits is still asked or told about."""
    just = sorted(own.loc[own["found"].str.startswith("single readings"), "analyte"])
    doubt = sorted(own.loc[own["found"] == DOUBTED, "analyte"])
    return (f"; single readings of {listed(just)} lie just outside, the runs' means within" if just else "") + (
        f"; the limits of {listed(doubt)} are in doubt and were not used" if doubt else "")


def _remixed(own: pd.DataFrame) -> str:
    """What a remixed control shows in which no difference was found: no difference, or no proof of one."""
    within, wide = (own.loc[own["found"] == f, "analyte"] for f in (WITHIN, TOO_WIDE))
    told = [f"in {listed(sorted(set(within) - set(wide)))} their difference is shown to lie within the margin"] if (
        set(within) - set(wide)) else []
    told += [f"in {listed(sorted(set(wide)))} the interval is too wide to tell"] if len(wide) else []
    return f"Between the depths of the remixed control no difference beyond chance was found; {'; '.join(told)}."


def _sentences(table: pd.DataFrame, blind: bool, bare: Mapping[str, str] | None = None) -> tuple[str, ...]:
    out = []
    for control, absent in (
        ("blank", "No blank was measured: dirt from tools and bottles cannot be told from the fluid."),
        ("check fluid", "No check fluid was measured: a shift of a whole run cannot be told from the fluid."),
        ("remixed control", "No remixed control was measured: the scatter of drawing and mixing is not shown by itself."),
    ):
        own = table[table["control"] == control]
        bad = own[own["as_hoped"] == "no"]
        if own.empty:
            out.append(absent)
        elif control == "remixed control" and bad.empty and own["found"].isin([WITHIN, TOO_WIDE]).any():
            out.append(_remixed(own))
        elif bad.empty and not (own["as_hoped"] == "yes").any():
            doubt = (own["found"] == DOUBTED).any()
            out.append(f"The {control} could not be judged: " + (
                "no scatter is known." if control != "check fluid" else
                "its limits are in doubt." if doubt else "no limits are given in plan/check_limits.csv."))
        elif bad.empty:
            judged = int((own["as_hoped"] == "yes").sum())
            out.append(f"The {control} came out as it should ({judged} of {len(own)} comparisons could be judged{_but(own)}).")
        else:
            out.append(f"The {control} did NOT come out as it should in {listed(sorted(bad['analyte'].unique()))}.")
        out[-1] += "" if own.empty or bare is None else bare.get(control, "")
    own = table[table["control"] == "layered control"]
    seen = sorted(own.loc[own["found"] == "stratified", "analyte"].unique())
    if own.empty:
        out.append("No layered control was measured: that the study could have seen a layer rests on calculation only.")
    elif blind:
        out.append("STOP: the layered control was not found stratified. This study could not have seen anything, and "
                   "'homogeneous' may not be concluded from it.")
    elif seen:
        out.append(f"The layered control was found stratified in {listed(seen)}, as it must be: the study can see "
                   "a layer.")
    else:
        out.append("The layered control could not be judged: no repeatability is known.")
    return tuple(out)
