"""Do repeated results agree as the method promises? Differences against r, pooled repeatability.

Two kinds of repeats are kept apart: *same sample* (several determinations of one bottle: the
method alone) and *same zone* (duplicate or split bottles of one container and depth: drawing and
method together). Only repeats of one run are compared with r; repeats of different runs are
compared with the laboratory's intermediate precision where the study gives it, else listed only.

For two means of n1 and n2 determinations the limit is r sqrt((1/n1 + 1/n2) / 2) (ISO 5725-6,
from memory, check your copy). One difference in twenty exceeds r by chance, so single exceedances
are listed, and flagged only when that chance, over all pairs together, is small.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from studykit.quality.explain import transpositions
from studykit.quality.flags import CHANCE, CONCERNS, CheckResult, Flag, listed, shown
from studykit.quality.frame import ROUNDING, rho
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

R_FACTOR = float(stats.norm.ppf(0.975) * np.sqrt(2.0))
"""r = 1.96 sqrt(2) s_r = 2.77 s_r."""
TAIL = 6.0
"""Degrees of freedom of the tails that single differences are allowed (own judgement; see docs/04-quality.md)."""
DRAWN = 1.6
"""Drawn duplicates may scatter this many times as much as the method does before it is asked why (own judgement)."""
ALLOWED = {"same sample": 1.0, "same zone": DRAWN, "check fluid": 1.0}
TOO_GOOD = 0.6
"""Repeats that scatter less than this share of what is stated, beyond chance, are asked about (own judgement)."""
SCALES = np.exp(np.linspace(0.0, np.log(10.0), 70))
ROUGH = 2.2
"""Bottles that scatter about container and depth this many times as stated speak for a laboratory that does; drawing and
unevenness alone rarely make it so (own judgement)."""
HINTS = 0.15
"""Chance, over all analytes, up to which repeats then count as larger too."""
WILD = 6.0
"""A repeat that is off by so many standard deviations of the others, and of what is promised, is a matter of its own bottles
and not of how the laboratory repeats; of one or two repeats half as many (own judgement)."""
FEWEST = 6
"""Contrasts from which all repeats of an analyte together are asked whether they scatter more than stated."""
PAIR_COLUMNS = ["analyte", "kind", "container", "depth", "sample", "other", "first", "second", "difference",
                "unit", "limit", "ratio", "beyond", "p", "same_run"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledRepeatability:
    """Pooled standard deviation of one analyte's repeats with its degrees of freedom.

    s: on the scale of ``y`` (a fraction of the level where ``relative``, else the unit). published:
    the standard deviation that the method, or the laboratory, promises on the same scale (NaN if none).
    contrasts: the repeats of each set against one another, each of the scatter of one (``df`` of them).
    averaged: determinations of which each repeat is the mean (harmonic mean); such means scatter less than one does.
    apart: contrasts left out because they lie ``WILD`` times beyond all others (``tamed``).
    """

    analyte: str
    kind: str
    s: float
    df: int
    published: float
    relative: bool
    unit: str
    contrasts: tuple[float, ...] = ()
    averaged: float = 1.0
    apart: int = 0

    @property
    def least(self) -> float:
        """The published value of one determination, for means of as many as these repeats are of; drawing adds to it."""
        return self.published / float(np.sqrt(self.averaged))

    @property
    def standard(self) -> tuple[float, ...]:
        """The contrasts in units of what repeats of this kind may scatter by the published value."""
        return tuple(c / self.published / ALLOWED[self.kind] for c in self.contrasts)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Chi-square interval of s at ``level`` (0..1)."""
        if not 0 < level < 1:
            raise ValueError(f"level must be between 0 and 1, but got {level}")
        tail = (1 - level) / 2
        low = self.s * np.sqrt(self.df / stats.chi2.isf(tail, self.df))
        return float(low), float(self.s * np.sqrt(self.df / stats.chi2.isf(1 - tail, self.df)))

    def p_larger(self, allowed: float = 1.0) -> float:
        """Chance of so large an s if ``allowed`` times the published value were true (a quarter of the df counted)."""
        if not self.published > 0:
            return float("nan")
        return float(stats.chi2.sf(self.df / 4 * (self.s / self.published / allowed) ** 2, self.df / 4))

    def p_smaller(self) -> float:
        """Chance of so small an s if the published value were true."""
        if not self.published > 0:
            return float("nan")
        return float(stats.chi2.cdf(self.df * (self.s / self.least) ** 2, self.df))

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


def duplicate_pairs(study: Study, t: pd.DataFrame, s_y: Mapping[str, float],
                    drawn: Mapping[str, float] | None = None, kept: pd.DataFrame | None = None) -> pd.DataFrame:
    """Every pair of repeats with its difference, its limit r, and the chance of so large a difference.

    ``difference`` and ``limit`` are in per cent where the margin is, else in the unit; ``beyond`` is
    true where the difference exceeds r; p and limit are NaN where no precision applies. p is not that of r: it
    takes the larger of stated and own scatter, for drawn duplicates with the scatter of drawing in it (``drawn``,
    by analyte, scale of y), and Student's t with ``TAIL`` degrees of freedom, because real tails are heavier than normal.
    ``kept``: ``t`` without determinations that cannot be right beside another of their bottle, for the means of zones.
    """
    means = t if kept is None else kept
    zones = sample_means(means[means["kind"].isin(ZONE_KINDS) & (means["container"] != "")])
    zones = zones.assign(late=~zones["kind"].eq("spot")).sort_values(
        ["analyte", "container", "depth", "late"], kind="stable")
    keys = ["analyte", "container", "depth"]
    base = zones.groupby(keys, sort=False).transform("first")
    later = zones.duplicated(keys).to_numpy()
    first = base[later].assign(**{k: zones.loc[later, k] for k in keys})
    parts = [_pair_table("same zone", first, zones[later])]
    own = t.assign(n=1).sort_values(["analyte", "sample", "replicate"], kind="stable")
    again = own.duplicated(["analyte", "sample"]).to_numpy()
    parts.append(_pair_table("same sample", own.shift(1)[again], own[again]))
    pairs = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    return _judged_pairs(study, pairs, s_y, drawn or {})


def _pair_table(kind: str, a: pd.DataFrame, b: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame({
        "analyte": b["analyte"].to_numpy(object), "kind": kind, "container": b["container"].to_numpy(object),
        "depth": b["depth"].to_numpy(object), "sample": a["sample"].to_numpy(object),
        "other": b["sample"].to_numpy(object), "first": a["value"].to_numpy(float), "second": b["value"].to_numpy(float),
        "d": b["y"].to_numpy(float) - a["y"].to_numpy(float), "unit": b["unit"].to_numpy(object),
        "relative": b["relative"].to_numpy(bool), "same_run": a["run"].to_numpy(object) == b["run"].to_numpy(object),
        "share": 1 / a["n"].to_numpy(float) + 1 / b["n"].to_numpy(float)})


def _judged_pairs(study: Study, pairs: pd.DataFrame, s_y: Mapping[str, float],
                  drawn: Mapping[str, float]) -> pd.DataFrame:
    s = pairs["analyte"].map(dict(s_y)).astype(float)
    between = pairs["analyte"].map({a: d.intermediate_s for a, d in study.analytes.items()}).astype(float)
    between = between / pairs["first"].where(pairs["relative"], 1.0)
    s = s.where(pairs["same_run"], between)
    factor = pairs["relative"].map({True: 100.0, False: 1.0}).astype(float)
    wide = np.fmax(s, pairs["analyte"].map(dict(drawn)).astype(float).where(pairs["kind"] == "same zone"))
    sd, size = np.sqrt(pairs["share"]), pairs["d"].abs()
    out = pairs.assign(difference=pairs["d"] * factor, limit=float(stats.norm.ppf(0.975)) * s * sd * factor)
    out["ratio"] = (out["difference"].abs() / out["limit"]).where(out["limit"] > 0)
    out["beyond"] = out["ratio"] > 1 + ROUNDING  # decimal readings that differ by just r do so but for their binary rounding
    out["p"] = (2 * stats.t.sf(size / (wide * sd).where(wide * sd > 0), TAIL))
    out["p"] = out["p"].where(s.notna() & (wide > 0))
    out["unit"] = out["unit"].mask(out["relative"], "%")
    return out.reindex(columns=PAIR_COLUMNS)


def check_duplicates(pairs: pd.DataFrame, name: Callable[[str], str] = str) -> CheckResult:
    """Flags for pairs whose difference is too large for chance (asks: a zone may really be uneven).

    ``name``: of an analyte, as people read it.
    """
    known = pairs[pairs["p"].notna()]
    flags = []
    apart = known[known["p"] * max(1, len(known)) < CHANCE]
    portion = _by_one_factor(apart)
    for r in apart[~apart.index.isin(portion.index)].to_dict("records"):
        rule, concern, text = _one_bottle(r) if r["kind"] == "same sample" else _one_zone(r, known)
        flags.append(Flag(rule=rule, concern=concern, analyte=r["analyte"], evidence=text, where=_place(r),
                          samples=tuple(sorted({r["sample"], r["other"]}))))
    flags = [*_pairs_joined(flags, name), *(_portion_flag(g, name) for _, g in portion.groupby("sample", sort=True))]
    note = "" if len(known) else ("not assessed: no repeatability known for any repeat" if len(pairs)
                                  else "not assessed: the study has no duplicates")
    return CheckResult(rule="duplicates", table=pairs, flags=tuple(flags), note=note)


def _pairs_joined(flags: list[Flag], name: Callable[[str], str]) -> Iterator[Flag]:
    """The flags, those of two bottles of one zone that are apart in several analytes as one."""
    pairs: dict[tuple[str, ...], list[Flag]] = {}
    for f in flags:
        pairs.setdefault((f.rule, *f.samples), []).append(f)
    for own in pairs.values():
        if own[0].rule != "duplicates apart" or len(own) < 2:
            yield from own
            continue
        numbers = "; ".join(f"{name(f.analyte)} {f.evidence.partition(',')[0]}" for f in own)
        yield replace(own[0], analyte=", ".join(sorted(f.analyte for f in own)), evidence=(
            f"two bottles of one zone are apart in {len(own)} analytes ({numbers}): one of them is perhaps not of this zone "
            "(exchanged, another container), or a portion was too small; to tell: the drawing log, the labels, and a second "
            "portion of both"))


def _by_one_factor(apart: pd.DataFrame) -> pd.DataFrame:
    """Determinations of one bottle that are apart in three analytes or more, in all of them by one factor."""
    own = apart[(apart["kind"] == "same sample") & (apart["unit"] == "%")]
    spread = own.groupby("sample")["difference"].transform(np.ptp) if len(own) else own["difference"]
    many = own.groupby("sample")["analyte"].transform("nunique")
    return own[(many >= 3) & (spread < 2 * own.groupby("sample")["limit"].transform("max"))]


def _portion_flag(g: pd.DataFrame, name: Callable[[str], str]) -> Flag:
    factor = float(np.exp(g["difference"].median() / 100))
    slip = _power_of_ten(factor, 1.0)
    text = (f"one determination reads {shown(factor, 3)} times the other of the same bottle in "
            f"{listed(sorted(map(name, g['analyte'])))}, by one factor: a portion or a dilution"
            f"{', or a unit' if slip else ''}; to tell: a third determination of this bottle")
    return Flag(rule="unit slip" if slip else "portion or dilution", concern=CONCERNS[0] if slip else CONCERNS[1],
                where=f"sample {g['sample'].iloc[0]}", evidence=text, samples=(str(g["sample"].iloc[0]),))


def _one_bottle(r: Mapping[Any, Any]) -> tuple[str, str, str]:
    """Rule, concern and words for determinations of one bottle that are too far apart: one of them is wrong."""
    both = f"{shown(r['first'])} and {shown(r['second'])} are determinations of one bottle"
    if _power_of_ten(r["first"], r["second"]):
        return "unit slip", CONCERNS[0], (f"{both}, a power of ten apart: a unit, a decimal or a dilution; to tell: "
                                                  "the raw printout with its unit")
    text = (f"{both} and differ by {shown(abs(r['difference']), 3)} {r['unit']}, {shown(r['ratio'], 3)} times what the method "
            f"allows ({shown(r['limit'], 3)} {r['unit']})")
    for one, other in ((r["first"], r["second"]), (r["second"], r["first"])):
        for written, value in transpositions(one):
            if abs(np.log(value / other) * 100 if r["unit"] == "%" else value - other) <= r["limit"]:
                return "transposed digits", CONCERNS[1], (
                    f"{text}; {written} in place of {shown(one)} would agree with {shown(other)}: two digits exchanged? "
                    "To tell: the raw printout of both")
    return "one of two readings", CONCERNS[1], (
        f"{text}; no fluid does that: one of them is wrong, a portion, a dilution or a digit. To tell: a third "
        "determination of this bottle")


def _one_zone(r: Mapping[Any, Any], known: pd.DataFrame) -> tuple[str, str, str]:
    """Rule, concern and words for two bottles of one zone that are too far apart."""
    pair = known["sample"].eq(r["sample"]) & known["other"].eq(r["other"]) & known["kind"].eq("same zone")
    others = known.loc[pair & known["analyte"].ne(r["analyte"]), "beyond"]
    if _power_of_ten(r["first"], r["second"]) and len(others) and not others.any():
        return "unit slip", CONCERNS[1], (
            f"{shown(r['first'])} ({r['sample']}) and {shown(r['second'])} ({r['other']}) were drawn in one zone and are a "
            "power of ten apart, while all else of these bottles agrees: a unit, a decimal or a dilution? To tell: the raw "
            "printout of both")
    return "duplicates apart", CONCERNS[1], (
        f"{shown(r['first'])} and {shown(r['second'])} differ by {shown(abs(r['difference']), 3)} {r['unit']}, "
        f"{shown(r['ratio'], 3)} times what the method allows ({shown(r['limit'], 3)} {r['unit']}); wrong "
        "bottle, drawing, reading, or a zone that is uneven in itself? To tell: a second portion of both")


def _power_of_ten(one: float, other: float) -> bool:
    """Within a tenth of a decade of 10, 100, ... times each other."""
    decades = abs(np.log10(one / other)) if one > 0 and other > 0 else 0.0
    return bool(decades > 0.9 and abs(decades - round(decades)) < 0.1)


def _place(r: Mapping[Any, Any]) -> str:
    if r["kind"] == "same sample":
        return f"sample {r['sample']}"
    return f"container {r['container']}, {r['depth']}"


def pooled_repeatability(t: pd.DataFrame, s_y: Mapping[str, float]) -> tuple[PooledRepeatability, ...]:
    """Pooled standard deviations, one for each analyte and kind of repeat (the check fluid is one); of one run only.

    From pairs this is sqrt(sum of d^2 / 2k); sets of more than two, and of uneven size, are allowed.
    """
    in_zones, of_fluid = t[t["kind"].isin(ZONE_KINDS) & (t["container"] != "")], t[t["kind"] == "check fluid"]
    zones, fluid = sample_means(in_zones), sample_means(of_fluid)
    averaged = _averaged(in_zones, "same zone") | _averaged(of_fluid, "check fluid")
    first = t.groupby("analyte")[["relative", "unit"]].first()
    out = []
    for kind, frame, keys in (("same sample", t, ["sample", "run"]), ("same zone", zones, ["container", "depth", "run"]),
                              ("check fluid", fluid, ["run"])):
        each = averaged if kind != "same sample" else {}
        for analyte, own in _contrasts(frame, ["analyte", *keys]).groupby(frame["analyte"], sort=True):
            x = own.to_numpy(float)
            out.append(PooledRepeatability(
                analyte=str(analyte), kind=kind, s=float(np.sqrt((x**2).mean())), df=x.size,
                published=s_y.get(str(analyte), float("nan")), relative=bool(first.at[analyte, "relative"]),
                unit=str(first.at[analyte, "unit"]), contrasts=tuple(x.tolist()),
                averaged=each.get((kind, str(analyte)), 1.0)))
    return tuple(out)


def tamed(p: PooledRepeatability) -> PooledRepeatability:
    """The same without one contrast, or a fifth of them, far beyond all others: one wrong bottle is no laboratory's scatter.

    Its pair is asked about by itself (``check_duplicates``). Nothing is left out where no precision is promised.
    """
    x = np.asarray(p.contrasts)
    if not p.published > 0 or not x.size:
        return p
    kept = np.sort(np.abs(x))
    for _ in range(max(1, x.size // 5)):
        others = float(np.sqrt((kept[:-1] ** 2).mean())) if kept.size > 1 else 0.0
        if not kept[-1] > (WILD if x.size > 2 else WILD / 2) * max(others, p.published * ALLOWED[p.kind]):
            break
        kept = kept[:-1]
        if not kept.size:
            break
    if kept.size == x.size:
        return p
    own = tuple(c for c in p.contrasts if kept.size and abs(c) <= kept[-1])
    return replace(p, s=float(np.sqrt((kept**2).mean())) if kept.size else float("nan"), df=int(kept.size), contrasts=own,
                   apart=int(x.size - kept.size))


def _averaged(t: pd.DataFrame, kind: str) -> dict[tuple[str, str], float]:
    """The harmonic mean of the determinations a bottle and run, by kind of repeat and analyte."""
    sizes = 1.0 / t.groupby(["analyte", "sample", "run"]).size()
    return {(kind, str(a)): float(1.0 / own.mean()) for a, own in sizes.groupby("analyte")}


def _contrasts(frame: pd.DataFrame, keys: list[str]) -> pd.Series:
    """Each repeat but the first of its set against the mean of those before it, scaled to the scatter of one (Helmert)."""
    sets, y = frame.groupby(keys, sort=False)["y"], frame["y"]
    k = sets.cumcount().to_numpy(float)
    later = k > 0
    before = (sets.cumsum() - y)[later] / k[later]
    return (y[later] - before) * np.sqrt(k[later] / (k[later] + 1))


LEFT_OUT = "; without repeats far apart, which are asked about by themselves"
REPEATABILITY_COLUMNS = ["analyte", "kind", "s", "low", "high", "df", "published", "unit", "reading"]


def wider(z: ArrayLike) -> float:
    """Chance that repeats scatter so much about their stated scale (1-D, in units of it), one wild repeat moving little.

    Likelihood ratio of a larger scale where tails are those of Student's t (``frame.NU``), against half a chi-square of
    one degree of freedom (Wilks 1938, Ann. Math. Stat. 9:60; at a bound Self and Liang 1987, JASA 82:605, from memory).
    """
    x = np.asarray(z, dtype=float)
    costs = rho(x / SCALES[:, None]).sum(axis=1) + x.size * np.log(SCALES)
    return float(0.5 * stats.chi2.sf(2 * max(0.0, costs[0] - costs.min()), 1))


def _all_larger(pooled: tuple[PooledRepeatability, ...]) -> dict[str, float]:
    """Chance that all kinds of repeats of an analyte together scatter so much, times the number of analytes."""
    z: dict[str, list[float]] = {}
    for one in pooled:
        if one.published > 0:
            z.setdefault(one.analyte, []).extend(one.standard)
    return {a: len(z) * wider(v) for a, v in z.items() if len(v) >= FEWEST}


def check_repeatability(pooled: tuple[PooledRepeatability, ...], coarse: Collection[str] = (),
                        bottles: Mapping[str, float] | None = None) -> CheckResult:
    """The pooled repeatability beside the stated one, with a plain reading of each row.

    Larger than stated (drawn duplicates: than ``DRAWN`` times it, since they hold the drawing too), one kind beyond
    chance or all together: asked. All
    analytes together far smaller than stated: asked as well, since repeats that are too good were perhaps not made;
    the stated value then judges. Degrees of freedom are halved (quartered where the question is
    whether they are larger), because tails are heavier than normal and analytes go together. ``coarse``:
    analytes whose rounding makes equal repeats by itself; not counted as too good. ``bottles``: what bottles scatter about
    container and depth, by analyte, scale of y: where that is ``ROUGH`` times what is stated, repeats that only hint at as
    much are asked about too.
    """
    rows, flags = [], []
    both, rough = _all_larger(pooled), bottles or {}
    for p in pooled:
        if not p.df:
            rows.append(_nothing_left(p))
            continue
        s, low, high, published, unit = p.shown_s()
        alone = max(p.p_larger(ALLOWED[p.kind]), wider(p.standard)) if p.published > 0 else np.nan
        larger, smaller = alone * len(pooled), p.p_smaller() * len(pooled)
        together = both.get(p.analyte, 1.0) * (CHANCE / HINTS if rough.get(p.analyte, 0.0) > ROUGH * p.published else 1.0)
        larger = min(larger, together if low > published else 1.0)
        reading = "no stated value" if np.isnan(published) else "agrees with the stated value"
        if low > published or high < published:
            reading = f"{'larger' if low > published else 'smaller'}, by no more than chance among {len(pooled)} rows"
        if larger < CHANCE:
            reading = "larger than stated: ask why"
            text = (f"{p.kind}: {shown(s, 3)} {unit} ({shown(low, 3)} to {shown(high, 3)}, {p.df} degrees of freedom) "
                    f"where {shown(published, 3)} {unit} is stated; ask for the control chart of these weeks")
            flags.append(Flag(rule="repeatability", concern="ask before trusting", where="whole study",
                              analyte=p.analyte, evidence=text))
        elif smaller < CHANCE:
            reading = "smaller than stated beyond chance: the stated value judges"
        rows.append((p.analyte, p.kind, s, low, high, p.df, published, unit, reading + (LEFT_OUT if p.apart else "")))
    flags += _too_good([p for p in pooled if p.analyte not in coarse and p.published > 0])
    return CheckResult(rule="repeatability", table=pd.DataFrame(rows, columns=REPEATABILITY_COLUMNS),
                       flags=tuple(flags), note="" if rows else "not assessed: the study has no repeats within a run")


def _nothing_left(p: PooledRepeatability) -> tuple[object, ...]:
    """The row of repeats of which none is left."""
    factor, unit = (100.0, "%") if p.relative else (1.0, p.unit)
    return (p.analyte, p.kind, np.nan, np.nan, np.nan, 0, p.published * factor, unit, "not known" + LEFT_OUT)


def _too_good(pooled: list[PooledRepeatability]) -> list[Flag]:
    """Repeats of all analytes together that agree far better than stated."""
    out = []
    for kind in ("same sample", "same zone"):
        own = [p for p in pooled if p.kind == kind]
        df = sum(p.df for p in own)
        if not df:
            continue
        ratio = float(np.sqrt(sum(p.df * (p.s / p.least) ** 2 for p in own) / df))
        chance = float(stats.chi2.cdf(df / 2 * ratio**2, df / 2))
        if ratio < TOO_GOOD and chance < CHANCE / 2:
            how = f"agree {shown(1 / ratio, 2)} times better than stated" if ratio > 0 else "agree to the last digit"
            text = (f"repeats ({kind}) {how}, over {df} degrees of freedom "
                    "of all analytes; were they made independently, or is the stated repeatability out of date? To tell: "
                    "blind duplicates, and the raw printouts of the repeats")
            out.append(Flag(rule="too good", concern="ask before trusting", where="whole study", evidence=text))
    return out
