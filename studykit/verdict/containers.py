"""Each container, not only their mean: shares beyond the margin, groups, those that stand out, and age."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.core.listing import series
from studykit.core.memory import remembered
from studykit.core.ties import sort_key
from studykit.inference.bounded import group_bounds
from studykit.inference.departures import group_between
from studykit.inference.each import Beyond, containers_beyond, may_lie_beyond, may_reasons, read_reasons
from studykit.inference.equivalence import Contrast, Margin
from studykit.inference.judge import LEAST_DF, next_of, stock_word
from studykit.inference.own import near_differences, noise_of_one, own_differences, span_of_one
from studykit.inference.share import ShareBound, share_beyond, share_upper
from studykit.model.analyte import AnalyteModel, CelledModel, LimitedModel
from studykit.model.fit import OWN_TERMS, FittedModel, celled, fitted
from studykit.model.rows import container_contrasts
from studykit.model.stated import precision_at
from studykit.model.tables import joined
from studykit.study.ages import span_words
from studykit.study.definition import Study

AGE = "age_months"
WHOLE = {"store": "stores", "lot": "lots", "treatment": "treatments", AGE: "ages"}
"""Factors whose levels have a word for all of them."""
YOUNG = 6.0
"""Months: where all containers are younger, groups go by tenths of a month, else by whole months."""
BEYOND = "beyond the margin"
TWICE = "zones determined twice"
GROUP_ENDS = ["containers", "bottom - top", "low", "high", "unit", "interval lies"]
ZONE, AGAINST_MIXED = "zone", "zone - mixed container"
FIRST = ("store", "lot", "treatment")
"""Factors that a group is named by before those of the study's own."""
ONLY_LIMIT = "a container is known only as a limit"
NO_ENDS = "no container has results at both ends: nothing is said of this group"
ACROSS = "across its edge"
ONE = "one container: nothing is said of its group"
TWO = "two containers: too few to tell"
SHOWN, READ = "shown", "readings alone"
"""By what a container is named: its difference against its scatter, or where that is not known what was read."""
SHARE = "could lie beyond the margin"
SHARE_COLUMNS = ["analyte", "containers", "seen beyond, %", "at most, %", "allowed, %", "with both ends",
                 "share, noise taken out, %", "at most, were they normal, %", "next low", "next high", "unit", "noise from"]
BEYOND_COLUMNS = ["container", "analyte", "name", "pair", "difference", "unit", "margin", "by"]
NO_FACTORS = (*GROUP_ENDS, ZONE, AGAINST_MIXED, "analyte", "note")
OWN_COLUMNS = ["analyte", "container", "lot", "store", "age_months", "between", "contrast", "unit", "n"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """What is known of single containers and groups: the stock's word, and the numbers it rests on.

    ``share_upper``: upper bound (0 to 1, level 1 - alpha) of the share of containers beyond the margin, for any
    distribution of the containers; ``allowed``: the declared one. ``beyond``: containers shown to lie beyond the
    margin; ``groups``: groups shown to. ``reasons``: why, in plain sentences.
    """

    word: str
    share_upper: float
    allowed: float
    beyond: tuple[str, ...]
    groups: tuple[str, ...]
    reasons: tuple[str, ...]


def noise_of(study: Study, model: CelledModel) -> tuple[float | None, float, str]:
    """Standard error of one container's difference from determinations alone, its degrees of freedom, and its source.

    From zones determined twice, else from the stated precision, else None.
    """
    cells, measured = model.cells, model.rows.measured
    if cells.noise_se is not None and cells.noise_df >= LEAST_DF:
        return cells.noise_se, cells.noise_df, TWICE
    level = float(measured["value"].mean())
    stated = precision_at(study, model.analyte, level) if level > 0 else None
    if stated is None:
        return None, math.inf, "not known"
    per_depth = len(measured) / max(1, measured.groupby(["container", "depth"], observed=True).ngroups)
    s = stated.s_r / level if model.rows.log else stated.s_r
    return s * math.sqrt(2 / per_depth), math.inf, stated.source


def noise_of_contrast(study: Study, model: CelledModel) -> tuple[float | None, float, str]:
    """The same for what the margin is about: of a one-sided one a zone against its mixed container."""
    se, df, source = noise_of(study, model)
    return noise_of_one(model.cells, se), df, source


def share_of(study: Study, model: CelledModel) -> ShareBound:
    """Upper bound of the share of containers beyond the margin in any pair of depths."""
    se, df, source = noise_of_contrast(study, model)
    each = own_differences(model.cells, se)
    return share_upper(each, model.rows.margin.edge, noise_se=se, noise_df=df, level=1 - model.alpha,
                       noise_span=span_of_one(model.cells) if source == TWICE else None)


def beyond_of(study: Study, model: CelledModel) -> Beyond:
    """Containers that lie beyond the margin in which pair, all containers and pairs taken into account."""
    se, df, source = noise_of_contrast(study, model)
    return containers_beyond(model.cells, model.rows.margin, se, df, model.alpha, twice=source == TWICE)


def stock_of(study: Study, model: FittedModel) -> Stock:
    """The word for the stock: the mean's word, the share of containers, single containers and groups together."""
    table, _ = group_contrasts(model, study)
    groups = tuple(dict.fromkeys(group_name(r) for r in table.to_dict("records") if r["interval lies"] == BEYOND))
    beyond, share, allowed = beyond_of(study, model), share_of(study, model), study.share_percent / 100
    se, df, source = noise_of_contrast(study, model)
    may = may_lie_beyond(model.cells, model.rows.margin, se, df, model.alpha, twice=source == TWICE)
    word = stock_word(model.word, share_upper=share.upper, share=allowed, containers_beyond=len(beyond.names),
                      groups_beyond=bool(groups), every_one=beyond.every, may_be_beyond=len(may))
    return Stock(word=word, share_upper=share.upper, allowed=allowed, beyond=beyond.names, groups=groups,
                 reasons=(*_stock_reasons(model, word, beyond, groups, share, allowed), *may_reasons(may, model.rows.margin)))


def stock_of_limits(study: Study, model: LimitedModel) -> Stock | None:
    """What is known of the stock of an analyte that limits keep from being assessed; None where nothing is shown beyond."""
    beyond, share, allowed = beyond_of(study, model), share_of(study, model), study.share_percent / 100
    word = stock_word("stratified" if model.beyond else "inconclusive", share_upper=share.upper, share=allowed,
                      containers_beyond=len(beyond.names), groups_beyond=False, every_one=beyond.every)
    if word == "inconclusive":
        return None
    what = "some depth is shown to lie" if model.rows.margin.side else "some depths are shown to differ by"
    mean = (f"On average over the containers {what} more than {model.rows.margin.text.lstrip('±')}, wherever "
            "within their limits the values lie.",)
    return Stock(word=word, share_upper=share.upper, allowed=allowed, beyond=beyond.names, groups=(),
                 reasons=mean * model.beyond + _named_reasons(model, beyond))


def _named_reasons(model: CelledModel, beyond: Beyond) -> tuple[str, ...]:
    """The containers that lie beyond in sentences: those shown to, and those by their readings alone."""
    firm = [c for c in beyond.names if c not in beyond.read]
    every = "All containers" if len(firm) == len(model.cells.containers) else f"Containers {series(firm)}"
    who = f"Container {firm[0]} is" if len(firm) == 1 else f"{every} are"
    return (*[f"{who} shown to {model.rows.margin.exceeded}."] * bool(firm), *read_reasons(beyond.read, model.rows.margin))


def _stock_reasons(model: FittedModel, word: str, beyond: Beyond, groups: tuple[str, ...], share: ShareBound,
                   allowed: float) -> tuple[str, ...]:
    out = [*_named_reasons(model, beyond)]
    if groups:
        out.append(f"On average more than {model.rows.margin.text.lstrip('±')} is shown in: {'; '.join(groups)}.")
    if model.word == "homogeneous" and word == "inconclusive" and share.upper > allowed:
        out.append(f"Of containers like these up to {rounded_up(share.upper):g} % {SHARE}, and "
                   f"{100 * allowed:g} % were allowed, so the stock as a whole is not shown to be homogeneous.")
    return tuple(out)


def group_name(row: Mapping[Any, Any]) -> str:
    """A row of ``group_contrasts`` in words: its factors, age last, and of which of them it takes all levels together."""
    factors = [name for name in row if name not in NO_FACTORS and str(row[name])]
    named = sorted(factors, key=lambda f: FIRST.index(f) if f in FIRST else len(FIRST) + (f == AGE))
    own = [span_words(float(row[f])) if f == AGE else f"{f} {row[f]}" for f in named if not pd.isna(row[f])]
    return ", ".join([*own, *(f"all {WHOLE[f]}" if f in WHOLE else f"every {f}" for f in named if pd.isna(row[f]))])


def shares(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte: shares of containers beyond the margin, and where the next container would be measured.

    Seen beyond: in any pair of depths, noise included, of limits where some value within them is; at most: the bound for any
    distribution of containers (per cent, rounded up to a tenth). With both ends: containers that have numbers at the lowest and
    the uppermost depth. On those alone rest the share with the noise taken out (never told above *at most*) and, for the same
    pair, at most, were they normal; both are None for fewer than three, and where a container left out of them is seen
    beyond. Next low, next high: 95 % prediction of the next container's lowest minus uppermost depth (``next_of``). A one-sided
    margin is about no such pair: of it the bound for any distribution stands alone.
    """
    rows = []
    for m in celled(models):
        each, most = own_differences(m.cells, math.inf), rounded_up(share_of(study, m).upper)
        passed = m.rows.margin.passed(each).any(axis=1)
        ends = np.full(len(each), np.nan) if m.rows.margin.side else each[:, m.cells.k - 2]
        told = m.cells.exact & np.isfinite(ends)
        both = int((m.cells.exact & ~np.isnan(m.cells.low[:, [0, -1]]).any(axis=1)).sum())
        rows.append((m.analyte, len(each), round(100 * float(passed.mean()), 1), most, study.share_percent, both,
                     *_were_they_normal(study, m, ends[told], most, hidden=bool((passed & ~told).any())),
                     m.shown_unit, noise_of(study, m)[2]))
    return pd.DataFrame(rows, columns=SHARE_COLUMNS)


def _were_they_normal(study: Study, model: CelledModel, ends: NDArray[np.float64], most: float, *,
                      hidden: bool) -> tuple[float, float, float, float]:
    """Share with the noise taken out and its normal bound, per cent, and the limits of the next container's difference."""
    share, normal = math.nan, math.nan
    if len(ends) > 2 and not hidden:
        se, df, _ = noise_of(study, model)
        found = share_beyond(ends, model.rows.margin, noise_variance=None if se is None else se**2, noise_df=df)
        share, normal = min(round(100 * found.share, 1), most), rounded_up(found.upper)
    span = next_of(model.cells, model.rows.margin, 0.95)
    return share, normal, *((math.nan, math.nan) if span is None else span)


def rounded_up(share: float) -> float:
    """An upper bound in per cent, rounded up to a tenth: further digits would say more than is known."""
    return max(0.1, math.ceil(1000 * share - 1e-9) / 10)


def treat(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """Containers that lie beyond the margin: its largest own difference (of limits the least), by what (BEYOND_COLUMNS).

    Nothing is treated for an analyte that is for information only.
    """
    rows = []
    for m in (m for m in celled(models) if study.decides(m.analyte)):
        each, names = near_differences(m.cells, math.inf), [f"{b} - {a}" for a, b in m.cells.pairs]
        found = beyond_of(study, m)
        for c in found.names:
            own = each[m.cells.containers.index(c)]
            k = int(np.nanargmax(sort_key(np.abs(own))))
            rows.append((c, m.analyte, study.label_of(m.analyte), names[k], m.rows.margin.shown(float(own[k])), m.shown_unit,
                         m.rows.margin.text, READ if c in found.read else SHOWN))
    return pd.DataFrame(rows, columns=BEYOND_COLUMNS)


def group_contrasts(model: FittedModel, study: Study) -> tuple[pd.DataFrame, str]:
    """Bottom minus top by the levels of the factors that interact with depth, and a note on how.

    Of a one-sided margin ``zone`` and ``zone - mixed container`` stand in place of ``bottom - top``, a row a group and zone.
    Each group's mean container contrast with the scatter of its own containers (no straight line in age or in another
    number is assumed); of several factors also the groups of each alone, the others left empty. Columns: the factors,
    containers, bottom - top, low, high (1 - 2 alpha; where the mean lies beyond the margin, with the number of groups taken
    into account; of one container by the noise of its difference, empty where that is not known; empty for two whose own
    scatter decides nothing; with limits, wherever they lie), unit, interval lies (nothing is said of a group of one container,
    of one none of whose containers has both ends, nor where limits leave it open). Where no group repeats, age is left out of
    the grouping and the note says so.
    """
    factors = _grouping(model, study)
    return _of_groups(model, factors, noise_of_contrast(study, model)[:2]) if factors else (pd.DataFrame(), "")


@remembered
def _of_groups(model: FittedModel, factors: list[str], noise: tuple[float | None, float]) -> tuple[pd.DataFrame, str]:
    """``group_contrasts`` by these factors; ``noise``: standard error of a container's contrast and its degrees of freedom."""
    zones = [ZONE] if model.rows.margin.side else []
    held = _facts(model, factors)
    if not held["ends"].any():
        return pd.DataFrame(), ""
    exact, young = held["age_months"], bool(held.loc[held["ends"], "age_months"].max() < YOUNG)
    held = held.assign(age_months=_months(exact, young))
    note = ""
    if _spare(held, factors) < 3:
        factors = [f for f in factors if f != "age_months"]
        note = "Too few containers share an age, so ages are pooled here."
    if not factors or _spare(held, factors) < 3:
        return pd.DataFrame(), "Too few containers share the same conditions to compare groups."
    groupings = [factors, *([f] for f in factors if len(factors) > 1)]
    looked_at = sum(held.groupby(by, observed=True).ngroups for by in groupings) * (model.cells.k if zones else 1)
    own = _own(model, held, bool(zones))
    told = pd.concat([_by(model, held, own, noise, by, looked_at) for by in groupings], ignore_index=True)
    if young and "age_months" in factors:  # grouped by tenths of a month, told by the ages in the group
        told["age_months"] = told["age_months"].map(exact.groupby(held["age_months"]).mean().round(2))
    told = told.rename(columns={"bottom - top": AGAINST_MIXED}) if zones else told
    return told[[*factors, *zones, *(AGAINST_MIXED if zones and c == "bottom - top" else c for c in GROUP_ENDS)]], note


def _facts(model: FittedModel, factors: list[str]) -> pd.DataFrame:
    """Every container with results: factors, months, whether its ends (or all its zones) have one, and whether limits."""
    cells, info = model.cells, model.rows.table.drop_duplicates("container").set_index("container")
    held = info[[*dict.fromkeys([*factors, "age_months"])]].reindex(list(cells.containers))
    held = held.assign(**{f: held[f].astype(str) for f in factors if f not in ("lot", "store", "age_months")})
    needed = cells.low if cells.departures is not None else cells.low[:, [0, -1]]
    return held.assign(ends=np.asarray(~np.isnan(needed).any(axis=1)), limited=~cells.exact)


def _spare(held: pd.DataFrame, factors: list[str]) -> int:
    """Containers with both ends beyond one a group."""
    both = held[held["ends"]]
    return len(both) - both.groupby(factors, observed=True).ngroups


def _grouping(model: FittedModel, study: Study) -> list[str]:
    """The declared factors that interact with depth and have levels, numbers left out; none under terms of the reader's own.

    Also where the model could not tell them apart, as where one level has no container with every depth.
    """
    numbers = [n for n, c in study.factors.columns.items() if c.unit is not None]
    declared = [f for f in study.factors.by_depth if f not in numbers]
    if OWN_TERMS in model.notes:
        return [f for f in declared if f in model.fixed]
    return [f for f in declared if f in model.rows.table and model.rows.table[f].nunique(dropna=True) > 1]


def zone_contrasts(model: FittedModel) -> pd.DataFrame:
    """Every zone against its mixed container, of containers without a lost zone: their facts, zone and contrast."""
    d, k = model.cells.departures, model.cells.k
    if d is None:
        return pd.DataFrame(columns=["container", "lot", "store", "age_months", ZONE, "contrast"])
    info = model.rows.table.drop_duplicates("container").set_index("container")
    own = pd.DataFrame({"container": np.repeat(np.array(model.cells.containers, dtype=object), k),
                        ZONE: list(model.cells.labels) * len(model.cells.containers), "contrast": d.cells[:, :k].ravel()})
    return own.dropna(subset="contrast").assign(**{c: own["container"].map(info[c]) for c in ("lot", "store", "age_months")})


def _own(model: FittedModel, held: pd.DataFrame, zoned: bool) -> tuple[NDArray[np.float64], NDArray[np.intp], list[Any]]:
    """Contrasts of containers, the place of each one's container in ``held``, and the rows of each zone ("" where all are)."""
    each = zone_contrasts(model) if zoned else container_contrasts(model.rows)
    zone = each[ZONE].to_numpy() if zoned else np.full(len(each), "")
    return (each["contrast"].to_numpy(dtype=float), held.index.get_indexer(pd.Index(each["container"])),
            [zone == z for z in (model.cells.labels if zoned else ("",))])


def _by(model: FittedModel, held: pd.DataFrame, own: tuple[NDArray[np.float64], NDArray[np.intp], list[Any]],
        noise: tuple[float | None, float], by: list[str], looked_at: int) -> pd.DataFrame:
    """The rows of one grouping, each group by the scatter of its own containers; ``looked_at``: groups that share alpha."""
    (contrast, container, of_zone), grouped = own, held.groupby(by, observed=True)
    zones, group = [ZONE] if model.rows.margin.side else [], grouped.ngroup().to_numpy()
    ends, limited = held["ends"].to_numpy(), held["limited"].to_numpy()
    its = np.where(container < 0, -1, group[container])
    rows = []
    for k, key in enumerate(grouped.size().index):
        key, mine = key if isinstance(key, tuple) else (key,), group == k
        if limited[mine].any():
            told = _limited_group(model, mine, looked_at)
        elif not ends[mine].any():
            told = [(int(mine.sum()), math.nan, math.nan, math.nan, model.shown_unit, NO_ENDS)] * len(of_zone)
        else:
            told = [_group(model, pd.Series(contrast[(its == k) & here]), noise, looked_at) for here in of_zone]
        rows += [(*key, *([z] if zones else []), *t) for z, t in zip(model.cells.labels if zones else ("",), told, strict=True)]
    return pd.DataFrame(rows, columns=[*by, *zones, *GROUP_ENDS])


def _group(model: FittedModel, part: pd.Series, noise: tuple[float | None, float], looked_at: int) -> tuple[Any, ...]:
    """One group (and zone) whose containers' readings are numbers: GROUP_ENDS."""
    one = len(part) == 1
    own, df = noise if one else (float(part.std(ddof=1)), len(part) - 1.0)
    if own is None:
        return 1, model.rows.margin.shown(float(part.iloc[0])), math.nan, math.nan, model.shown_unit, ONE
    floor = max(model.cells.step * model.cells.noise_part / math.sqrt(6), 1e-300)  # what rounding alone scatters
    contrast = Contrast(label="bottom - top", estimate=float(part.mean()), se=max(floor, own) / len(part) ** 0.5,
                        df=df, scale=model.rows.margin.scale, unit=model.shown_unit, method="the group's own scatter")
    inner, edge = model.rows.margin.edge >= model.rows.margin.sized(contrast.estimate), model.alpha / looked_at
    told = contrast.shown(1 - 2 * (model.alpha if inner or one else edge))
    lies = ONE if one else place(contrast, model.rows.margin, model.alpha, edge)
    if len(part) == 2 and lies == ACROSS:  # one degree of freedom: an interval that says nothing
        told, lies = (told[0], math.nan, math.nan, told[3]), TWO
    return len(part), *told, lies


def _limited_group(model: FittedModel, mine: NDArray[np.bool_], looked_at: int) -> list[tuple[Any, ...]]:
    """One group that holds limits: GROUP_ENDS (of each zone) without an estimate, beyond only where it is wherever they lie."""
    margin, cells = model.rows.margin, model.cells.taken(mine)
    if (d := cells.departures) is not None:
        spans = group_between(d.low, d.high, margin, alpha=model.alpha, step=cells.step * d.noise, looked_at=looked_at)
    else:
        spans = group_bounds(cells.low[:, [0, -1]], cells.high[:, [0, -1]], edge=margin.edge, alpha=model.alpha,
                             step=cells.step, looked_at=looked_at)
    n = int(mine.sum())
    return [(n, math.nan, *(margin.shown(x) if math.isfinite(x) else math.nan for x in (least, most)), model.shown_unit,
             BEYOND if beyond and n > 1 else ONLY_LIMIT) for least, most, beyond in spans]


def _months(ages: pd.Series, young: bool) -> pd.Series:
    return ages.round(1) if young else ages.round().astype("Int64")


def groups(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """Bottom minus top by group, for every fitted analyte whatever its word."""
    parts = []
    for m in fitted(models):
        table, note = group_contrasts(m, study)
        if len(table):
            table.insert(0, "analyte", m.analyte)
            parts.append(table.assign(note=note) if note else table)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["analyte"])


def place(contrast: Contrast, margin: Margin, alpha: float, alpha_beyond: float | None = None) -> str:
    """Where the 1 - 2 alpha interval of a contrast lies against the margin, in words.

    ``alpha_beyond`` is the smaller level asked for 'beyond' where many groups are looked at
    (Bonferroni), so that one of many is not called out by chance.
    """
    if contrast.interval(1 - 2 * alpha).within(margin.low, margin.high):
        return "inside the margin"
    level = 1 - 2 * (alpha if alpha_beyond is None else alpha_beyond)
    return BEYOND if contrast.interval(level).beyond(margin.low, margin.high) else ACROSS


def own_contrasts(model: FittedModel) -> pd.DataFrame:
    """Each container's own difference in the reported unit, the largest first (OWN_COLUMNS): lowest minus uppermost depth.

    Of a one-sided margin the zone that lies furthest from its mixed container on the side that is asked.
    """
    side = model.rows.margin.side
    each = _furthest(model) if side else container_contrasts(model.rows).assign(
        between=f"{model.rows.depths[-1]} - {model.rows.depths[0]}")
    if each.empty:
        return pd.DataFrame(columns=OWN_COLUMNS)
    each["contrast"] = [model.rows.margin.shown(v) for v in each["contrast"]]
    size = side * each["contrast"] if side else each["contrast"].abs()
    order = size.sort_values(ascending=False, key=sort_key, kind="stable").index
    return each.loc[order].assign(analyte=model.analyte, unit=model.shown_unit)[OWN_COLUMNS].reset_index(drop=True)


def _furthest(model: FittedModel) -> pd.DataFrame:
    """Of each container the zone furthest from its mixed container on the side that is asked, and the results of all zones."""
    zones = zone_contrasts(model)
    far = zones.loc[pd.Series(sort_key(model.rows.margin.side * zones["contrast"]), zones.index).groupby(
        zones["container"], sort=False).idxmax()]
    return far.assign(between=far[ZONE] + " - mixed container",
                      n=far["container"].map(model.rows.measured.groupby("container")["y"].size())).reset_index(drop=True)


def outstanding(models: list[AnalyteModel], most: int = 5) -> pd.DataFrame:
    """Containers with the largest own difference, for every fitted analyte."""
    return joined([own_contrasts(m).head(most) for m in fitted(models)], OWN_COLUMNS)
