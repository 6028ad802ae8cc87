"""Do repeated results agree as the method promises? Differences against r, pooled repeatability.

Two kinds of repeats are kept apart: *same sample* (several determinations of one bottle: the
method alone) and *same zone* (duplicate or split bottles of one container and depth: drawing and
method together). Only repeats of one run are compared with r; repeats of different runs are
compared with the laboratory's intermediate precision where the study gives it, else listed only.

For two means of n1 and n2 determinations the limit is r sqrt((1/n1 + 1/n2) / 2) (ISO 5725-6,
from memory, check your copy). One difference in twenty exceeds r by chance, so single exceedances
are listed and counted, and flagged only when that chance, over all pairs together, is small.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from studykit.inference.outliers import cochran_test
from studykit.quality.flags import CHANCE, CheckResult, Flag, shown
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

R_FACTOR = float(stats.norm.ppf(0.975) * np.sqrt(2.0))
"""r = 1.96 sqrt(2) s_r = 2.77 s_r."""
PAIR_COLUMNS = ["analyte", "kind", "container", "depth", "sample", "other", "first", "second", "difference",
                "unit", "limit", "ratio", "beyond", "p", "same_run"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledRepeatability:
    """Pooled standard deviation of one analyte's repeats with its degrees of freedom.

    s: on the scale of ``y`` (a fraction of the level where ``relative``, else the unit). published:
    the standard deviation that the method, or the laboratory, promises on the same scale (NaN if none).
    """

    analyte: str
    kind: str
    s: float
    df: int
    published: float
    relative: bool
    unit: str

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Chi-square interval of s at ``level`` (0..1)."""
        if not 0 < level < 1:
            raise ValueError(f"level must be between 0 and 1, but got {level}")
        tail = (1 - level) / 2
        low = self.s * np.sqrt(self.df / stats.chi2.isf(tail, self.df))
        return float(low), float(self.s * np.sqrt(self.df / stats.chi2.isf(1 - tail, self.df)))

    def p_larger(self) -> float:
        """Chance of so large an s if the published value were true."""
        if not self.published > 0:
            return float("nan")
        return float(stats.chi2.sf(self.df * (self.s / self.published) ** 2, self.df))

    def p_smaller(self) -> float:
        """Chance of so small an s if the published value were true."""
        if not self.published > 0:
            return float("nan")
        return float(stats.chi2.cdf(self.df * (self.s / self.published) ** 2, self.df))

    def shown_s(self) -> tuple[float, float, float, float, str]:
        """s, its 95 % limits and the published value as people read them (%, or the unit), and that unit."""
        factor, unit = (100.0, "%") if self.relative else (1.0, self.unit)
        low, high = self.interval()
        return self.s * factor, low * factor, high * factor, self.published * factor, unit


def scale_s(study: Study, t: pd.DataFrame, s_r: Mapping[str, float]) -> dict[str, float]:
    """Standard deviations in the unit of each analyte, turned to the scale of ``y`` at its median level."""
    out: dict[str, float] = {}
    for analyte, part in t.groupby("analyte"):
        s, level = float(s_r.get(str(analyte), np.nan)), float(part["value"].median())
        relative = bool(part["relative"].iloc[0])
        out[str(analyte)] = s / level if relative and level > 0 else s
    return out


def sample_means(t: pd.DataFrame) -> pd.DataFrame:
    """One row a sample, analyte and run: mean of y and of value, number of determinations n."""
    keys = ["analyte", "sample", "container", "kind", "depth", "run", "relative", "unit"]
    return t.groupby(keys, as_index=False, dropna=False).agg(
        y=("y", "mean"), value=("value", "mean"), n=("y", "size"))


def duplicate_pairs(study: Study, t: pd.DataFrame, s_y: Mapping[str, float]) -> pd.DataFrame:
    """Every pair of repeats with its difference, its limit and the chance of so large a difference.

    ``difference`` and ``limit`` are in per cent where the margin is, else in the unit; ``beyond`` is
    true where the difference exceeds the limit; p and limit are NaN where no precision applies.
    """
    zones = sample_means(t[t["kind"].isin(ZONE_KINDS) & (t["container"] != "")])
    rows: list[dict[str, object]] = []
    for _, g in _repeated(zones, ["analyte", "container", "depth"]):
        first = g[g["kind"] == "spot"] if g["kind"].eq("spot").any() else g.iloc[:1]
        for _, b in g[~g.index.isin(first.index[:1])].iterrows():
            rows.append(_pair(study, "same zone", first.iloc[0], b, s_y))
    for _, g in _repeated(t.assign(n=1), ["analyte", "sample"]):
        g = g.sort_values("replicate")
        rows += [_pair(study, "same sample", a, b, s_y)
                 for (_, a), (_, b) in zip(g.iloc[:-1].iterrows(), g.iloc[1:].iterrows(), strict=True)]
    return pd.DataFrame(rows, columns=PAIR_COLUMNS)


def _repeated(t: pd.DataFrame, keys: list[str]) -> Iterator[tuple[Any, pd.DataFrame]]:
    """Groups of two rows or more."""
    yield from t[t.duplicated(keys, keep=False)].groupby(keys, sort=True)


def _pair(study: Study, kind: str, a: pd.Series, b: pd.Series, s_y: Mapping[str, float]) -> dict[str, object]:
    analyte, same_run = str(a["analyte"]), str(a["run"]) == str(b["run"])
    relative, s = bool(a["relative"]), s_y.get(analyte, float("nan"))
    if not same_run:
        own = study.analytes[analyte].intermediate_s if analyte in study.analytes else None
        s = (own / float(a["value"]) if relative else own) if own else float("nan")
    sd = s * float(np.sqrt(1 / float(a["n"]) + 1 / float(b["n"])))
    d = float(b["y"]) - float(a["y"])
    factor = 100.0 if relative else 1.0
    limit = float(stats.norm.ppf(0.975)) * sd
    return {"analyte": analyte, "kind": kind, "container": a["container"], "depth": a["depth"],
            "sample": a["sample"], "other": b["sample"], "first": a["value"], "second": b["value"],
            "difference": d * factor, "unit": "%" if relative else a["unit"], "limit": limit * factor,
            "ratio": abs(d) / limit if limit > 0 else np.nan, "beyond": bool(limit > 0 and abs(d) > limit),
            "p": 2 * float(stats.norm.sf(abs(d) / sd)) if sd > 0 else np.nan, "same_run": same_run}


def check_duplicates(pairs: pd.DataFrame) -> CheckResult:
    """Flags for pairs whose difference is too large for chance, and for analytes with too many beyond r."""
    known = pairs[pairs["p"].notna()]
    flags = []
    for r in known[known["p"] * max(1, len(known)) < CHANCE].to_dict("records"):
        text = (f"{shown(r['first'])} and {shown(r['second'])} differ by {shown(abs(r['difference']), 3)} {r['unit']}, "
                f"{shown(r['ratio'], 3)} times what the method allows ({shown(r['limit'], 3)} {r['unit']}); "
                "find a cause: wrong bottle, drawing, reading")
        flags.append(Flag(rule="duplicates apart", concern="stop and find out", analyte=r["analyte"], evidence=text,
                          where=_place(r), samples=tuple(sorted({r["sample"], r["other"]}))))
    groups = list(known.groupby(["analyte", "kind"], sort=True))
    for (analyte, kind), g in groups:
        beyond = int(g["beyond"].sum())
        if beyond >= 2 and float(stats.binom.sf(beyond - 1, len(g), 0.05)) * len(groups) < CHANCE:
            text = f"{beyond} of {len(g)} differences ({kind}) exceed the limit; one in twenty is expected"
            flags.append(Flag(rule="many duplicates apart", concern="ask before trusting", where="whole study",
                              analyte=str(analyte), evidence=text))
    note = "" if len(known) else ("not assessed: no repeatability known for any repeat" if len(pairs)
                                  else "not assessed: the study has no duplicates")
    return CheckResult(rule="duplicates", table=pairs, flags=tuple(flags), note=note)


def _place(r: Mapping[Any, Any]) -> str:
    if r["kind"] == "same sample":
        return f"sample {r['sample']}"
    return f"container {r['container']}, {r['depth']}"


def pooled_repeatability(t: pd.DataFrame, s_y: Mapping[str, float]) -> tuple[PooledRepeatability, ...]:
    """Pooled standard deviations, one for each analyte and kind of repeat; repeats of one run only.

    From pairs this is sqrt(sum of d^2 / 2k); sets of more than two, and of uneven size, are allowed.
    """
    zones = sample_means(t[t["kind"].isin(ZONE_KINDS) & (t["container"] != "")])
    out = []
    for kind, frame, keys in (("same sample", t, ["sample", "run"]),
                              ("same zone", zones, ["container", "depth", "run"])):
        for analyte, g in frame.groupby("analyte", sort=True):
            sets = g.groupby(keys)["y"]
            df = int(len(g) - sets.ngroups)
            if df >= 1:
                s = float(np.sqrt(((g["y"] - sets.transform("mean")) ** 2).sum() / df))
                out.append(PooledRepeatability(
                    analyte=str(analyte), kind=kind, s=s, df=df, published=s_y.get(str(analyte), float("nan")),
                    relative=bool(t.loc[t["analyte"] == analyte, "relative"].iloc[0]),
                    unit=str(g["unit"].iloc[0])))
    return tuple(out)


REPEATABILITY_COLUMNS = ["analyte", "kind", "s", "low", "high", "df", "published", "unit", "reading"]


def check_repeatability(pooled: tuple[PooledRepeatability, ...]) -> CheckResult:
    """The pooled repeatability beside the published one, with a plain reading of each row.

    Larger than published (Bonferroni): flagged, stop and ask why. Smaller: said, with the advice to
    use the study's own with its degrees of freedom.
    """
    rows, flags = [], []
    for p in pooled:
        s, low, high, published, unit = p.shown_s()
        larger, smaller = p.p_larger() * len(pooled), p.p_smaller() * len(pooled)
        reading = "no stated value" if np.isnan(published) else "agrees with the stated value"
        if low > published or high < published:
            reading = f"{'larger' if low > published else 'smaller'}, by no more than chance among {len(pooled)} rows"
        if larger < CHANCE:
            reading = "larger than stated: ask why"
            text = (f"{p.kind}: {shown(s, 3)} {unit} ({shown(low, 3)} to {shown(high, 3)}, {p.df} degrees of freedom) "
                    f"where the method promises {shown(published, 3)} {unit}; results are worse than the method")
            flags.append(Flag(rule="repeatability", concern="ask before trusting", where="whole study",
                              analyte=p.analyte, evidence=text))
        elif smaller < CHANCE:
            reading = "smaller than stated: use the study's own"
        rows.append((p.analyte, p.kind, s, low, high, p.df, published, unit, reading))
    return CheckResult(rule="repeatability", table=pd.DataFrame(rows, columns=REPEATABILITY_COLUMNS),
                   flags=tuple(flags), note="" if rows else "not assessed: the study has no repeats within a run")


def cochran_of_repeats(t: pd.DataFrame) -> CheckResult:
    """Cochran's test for one set of repeats with too large a scatter, analyte by analyte (ISO 5725-2).

    Only where three or more sets of one size exist and most of them differ at all (coarse rounding makes
    equal repeats that say nothing); flagged as a hint where beyond the 1 % value
    after Bonferroni over the tests.
    """
    zones = sample_means(t[t["kind"].isin(ZONE_KINDS) & (t["container"] != "")])
    rows = []
    for kind, frame, keys in (("same sample", t, ["sample"]), ("same zone", zones, ["container", "depth", "run"])):
        for analyte, g in frame.groupby("analyte", sort=True):
            joined = g[keys].astype(str).agg(", ".join, axis=1)
            sets = {str(k): list(v) for k, v in g.groupby(joined)["y"] if len(v) >= 2}
            spread = sum(max(v) > min(v) for v in sets.values())
            if len(sets) >= 3 and len({len(v) for v in sets.values()}) == 1 and 2 * spread > len(sets):
                c = cochran_test(sets)
                f = c.statistic * (c.p - 1) / max(1e-12, 1 - c.statistic)
                p = min(1.0, c.p * float(stats.f.sf(f, c.n - 1, (c.p - 1) * (c.n - 1))))
                rows.append((analyte, kind, c.suspects[0], c.statistic, c.critical_5, c.critical_1, c.call, p))
    names = ["analyte", "kind", "suspect", "C", "critical_5", "critical_1", "call", "p"]
    table = pd.DataFrame(rows, columns=names)
    flags = tuple(
        Flag(rule="Cochran", concern="hint only", where=str(r["suspect"]), analyte=r["analyte"],
             evidence=(f"its repeats scatter more than those of the other sets (Cochran's C = {shown(r['C'], 3)}, "
                       f"1 % value {shown(r['critical_1'], 3)})"))
        for r in table[table["p"] * len(table) < CHANCE].to_dict("records"))
    return CheckResult(rule="Cochran", table=table, flags=flags,
                   note="" if rows else "not assessed: fewer than three sets of repeats of one size")
