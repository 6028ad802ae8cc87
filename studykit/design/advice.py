"""What a good colleague would say about a plan before anybody samples.

Each warning names what is wrong, why it matters for the verdict, and what would cure it.  Nothing is
forbidden: a plan with warnings can be carried out, and the report repeats what it cannot say.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from itertools import combinations

import pandas as pd

from studykit.core.errors import BadInput
from studykit.core.listing import series
from studykit.design.assumptions import aims_of, settings_of
from studykit.design.cheapest import UNTYPED_PROFILES, Aim, Costs, right_chance
from studykit.design.operating import DesignSize, beyond_share_bound
from studykit.inference.margin import around
from studykit.sampling.draws import COUNTS_AS_OVERLAP, overlap_ml, plan_draws
from studykit.study.ages import span_words, visit_ages
from studykit.study.aliases import Alias, aliases
from studykit.study.asking import opened_for
from studykit.study.definition import Study
from studykit.study.inventory import control
from studykit.study.precision import R_FACTOR
from studykit.vessels.shapes import Shape

SAME_AGE = 0.02  # share of the oldest age within which ages count as one: as the time chapter does
AGE = "age_months"
MOST_ALONE = 12
"""Determinations of each bottle of one container up to which is looked (own judgement)."""
LEAST_LONE, LONE_MONTHS, LONE_SPANS = 4, 12.0, 2.0
"""A lone age is asked about from so many containers on, so many months and spans of the others away (own judgement)."""
FEWEST_PER_GROUP = 4  # a spread from fewer has fewer than 3 degrees of freedom: common practice, no source
HEEL_MM = 20.0  # the last 10 to 20 mm hold loose sediment: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One warning: its topic in a word or two, what is wrong, why it matters, what cures it."""

    topic: str
    what: str
    why: str
    cure: str


def advice_table(items: Iterable[Advice]) -> pd.DataFrame:
    """One row a warning; empty with the same columns where there is none."""
    return pd.DataFrame([asdict(a) for a in items], columns=["topic", "what", "why", "cure"])


def advise(study: Study, size: DesignSize, containers: pd.DataFrame | None = None,
           samples: pd.DataFrame | None = None) -> tuple[Advice, ...]:
    """Every warning about a plan of this size; ``containers`` and ``samples`` (columns of those tables) where known."""
    table = containers if containers is not None else pd.DataFrame()
    stored = table[table["treatment"].isin(("", "stored"))] if "treatment" in table else table
    items = [*_few(study, size), *_replicates(study, size), *_margins(study, size), *_profiles(study, size),
             *_share(study, size), *_unknown_precision(study, size), *_budget(study, size), *_one_sided(study)]
    if len(stored):
        items += [*_groups(study, stored), *_confounded(study, stored), *_ages(study, stored, samples), *_draws(study, stored)]
    return (*items, *_floor(study), *_claim(study, size))


def _one_sided(study: Study) -> list[Advice]:
    """That time says nothing of analytes with a one-sided margin, where age is among the factors."""
    sided = [study.label_of(a) for a, declared in study.analytes.items() if declared.margin.side]
    if not sided or AGE not in study.factors.by_depth:
        return []
    return [Advice(topic="one-sided margin", what=f"nothing will be said of time for {', '.join(sided)}",
                   why="lines over months are those of differences between depths, and a one-sided margin is about each depth "
                       "against the mixed container",
                   cure="declare a margin on both sides where time matters")]


def _few(study: Study, size: DesignSize) -> list[Advice]:
    if size.containers > 1:
        return []
    return [Advice(topic="one container", what="only one container is opened",
                   why="its depths and repeats say nothing about any other container, and its scatter must be "
                       "taken from the method's published repeatability"
                       + (f"; the scope claimed is the {study.scope}" if study.scope != "container" else ""),
                   cure="read every verdict as holding for this container only" if study.scope == "container" else
                        "open at least four, or set scope = \"container\"")]


def _replicates(study: Study, size: DesignSize) -> list[Advice]:
    duplicates = control(study, "duplicate") and study.sampling.duplicates != 0
    if size.replicates > 1 or duplicates:
        return []
    return [Advice(topic="no replicates", what="every sample is tested once and nothing is drawn twice",
                   why="the laboratory's scatter cannot be told from real differences between containers at a "
                       "depth, and nobody can check the laboratory's repeatability",
                   cure="add 8 to 10 blind duplicates, or replicates = 2")]


def _margins(study: Study, size: DesignSize) -> list[Advice]:
    out = []
    for aim in aims_of(study):
        r = R_FACTOR * aim.guess.s_r  # for a margin in per cent: of the level, as the method states it
        if aim.margin_at(aim.margin) >= r:
            continue
        why, cure = _alone(study, size, aim) if size.containers < 2 else _by_many(study, size, aim)
        below = f"{aim.margin_at(aim.margin):.3g} {aim.unit}" if aim.unit != "%" else around(
            aim.margin_at(aim.margin), aim.unit).lstrip("±")
        out.append(Advice(
            topic="margin below repeatability",
            what=f"{study.label_of(aim.analyte)}: the margin of {below} is below the method's repeatability r of "
                 f"{r:.3g} {aim.unit}",
            why=f"two results of one bottle often differ by more; {why}", cure=cure))
    return out


_NOT_SO = "a wider margin with a reason, a more repeatable method, or leave this analyte undecided"


def _by_many(study: Study, size: DesignSize, aim: Aim) -> tuple[str, str]:
    """What many containers would show of an analyte whose margin lies below its repeatability, and what cures it."""
    settings = settings_of(study)
    most = replace(size, containers=max(settings.max_containers, 2), replicates=settings.max_replicates)
    top = right_chance(aim.with_gradient(0.0), most, study.alpha)
    if top < settings.target:
        return (f"even {most.containers} containers with {most.replicates} determinations each would show "
                f"homogeneity in only {100 * top:.0f} % of cases", _NOT_SO)
    return "only averages over many containers can show it", "see the cheapest design for this analyte"


def _alone(study: Study, size: DesignSize, aim: Aim) -> tuple[str, str]:
    """The same of one container: how many determinations of each bottle would show it."""
    target = settings_of(study).target
    for k in range(1, MOST_ALONE + 1):
        chance = right_chance(aim.with_gradient(0.0), replace(size, replicates=k), study.alpha)
        if chance >= target:
            return (f"in one container the mean of {k} determinations of each bottle would show it in {100 * chance:.0f} % of "
                    "cases, if nothing settled", f"have each bottle measured {k} times, or give a wider margin with a reason")
    return (f"in one container even the mean of {MOST_ALONE} determinations of each bottle would show it in "
            f"{f'only {100 * chance:.0f} %' if chance >= 0.01 else 'fewer than 1 %'} of cases", _NOT_SO)


def _share(study: Study, size: DesignSize) -> list[Advice]:
    """A share of containers that no result of so many can show, and how many could."""
    bound, n = 100 * beyond_share_bound(size.containers, study.alpha), size.containers
    if study.scope == "container" or n < 2 or study.share_percent >= bound:
        return []
    needed = opened_for(study.share_percent, study.alpha)
    return [Advice(topic="share out of reach",
                   what=f"no result of {n} containers can show that at most {study.share_percent:g} % of the {study.scope} lie "
                        "beyond the margin",
                   why=f"none of {n} beyond it still leaves up to {bound:.1f} % possible, so the answer can be no better than "
                       "inconclusive",
                   cure=f"open {needed}, or declare share_percent = {math.ceil(bound)} with whoever decides")]


def _unknown_precision(study: Study, size: DesignSize) -> list[Advice]:
    """One container whose analytes lack the precision that its judgement rests on."""
    lost = [study.label_of(k) for k, a in study.analytes.items() if a.repeatability is None and not a.method_key]
    if size.containers > 1 or study.scope != "container" or not lost:
        return []
    return [Advice(topic="repeatability missing", what=f"nothing says how well the laboratory repeats {series(lost)}",
                   why="one container is judged by it alone, so without it there is no word",
                   cure="ask the laboratory for r or s_r, the level and the number of results behind it, and write "
                        "repeatability beside the analyte in study.toml")]


def _profiles(study: Study, size: DesignSize) -> list[Advice]:
    """Analytes whose containers are taken to have one profile because nobody said how much they differ."""
    open_ = [a for a in aims_of(study) if a.untyped_profiles]
    if size.containers < 2 or not open_:
        return []
    still = [(a, right_chance(a.with_gradient(0.0), size, study.alpha),
              right_chance(a.scattered().with_gradient(0.0), size, study.alpha)) for a in open_]
    ranges = [f"{study.label_of(a.analyte)} {100 * worse:.0f} to {100 * now:.0f} %"
              for a, now, worse in still if now - worse >= 0.01]
    return [Advice(topic="profiles not guessed",
                   what="sd_container_depth is not given for " + series(study.label_of(a.analyte) for a in open_),
                   why=f"the chances take the profiles of all containers to be alike; where they scatter by "
                       f"{100 * UNTYPED_PROFILES:g} % of the margin, the chance of homogeneous if nothing settled "
                       + (f"goes down: {'; '.join(ranges)}" if ranges else
                          "goes down by less than 1 % for all of them, with so many containers"),
                   cure="give it under [design.guesses], from an earlier study or a pilot of three or four containers; until "
                        "then count on the lower number of a range")]


def _budget(study: Study, size: DesignSize) -> list[Advice]:
    settings = settings_of(study)
    if settings.budget is None:
        return []
    per_analyte = settings.cost_per_analyte
    costs = Costs(container=settings.cost_container, sample=settings.cost_sample, fixed=settings.cost_fixed,
                  determination=settings.cost_determination)
    left = settings.budget - costs.of(size)
    wanted = {a: per_analyte.get(a, 0.0) * size.determinations for a in study.analytes}
    if sum(wanted.values()) <= left:
        return []
    paid: list[str] = []
    for name in study.analytes:
        if left >= wanted[name]:
            left -= wanted[name]
            paid.append(name)
    whole = costs.of(size) + sum(wanted.values())
    return [Advice(topic="more than the budget", what=f"the plan costs {whole:g} {settings.currency}, the budget is "
                                                      f"{settings.budget:g}, for {len(wanted)} analytes",
                   why=f"in the order of study.toml it pays for: {', '.join(paid) or 'none of them'}"
                       if costs.of(size) <= settings.budget else "it does not even pay for drawing the samples",
                   cure="fewer analytes, not fewer containers; or see what the budget can buy")]


def _groups(study: Study, stored: pd.DataFrame) -> list[Advice]:
    out = []
    for factor in study.factors.fixed:
        if factor not in stored or factor == "age_months":
            continue
        counts, number = stored[factor].value_counts(), pd.api.types.is_numeric_dtype(stored[factor])
        meant = factor in (*study.factors.columns, *study.factors.by_depth) or factor not in ("lot", "store", "treatment")
        if meant and len(counts) == 1:
            out.append(Advice(topic="one value", what=f"{factor}: all containers "
                              + (f"have {counts.index[0]:g}" if number else f"are called {counts.index[0]}"),
                              why="a factor with one value has no effect that could be seen, and is left out of the model",
                              cure="correct the column where it is a slip, or leave the factor out"))
        small = [f"{k} ({n})" for k, n in counts.items() if n < FEWEST_PER_GROUP and len(counts) > 1 and not number]
        if small:
            out.append(Advice(topic="small groups", what=f"{factor}: fewer than {FEWEST_PER_GROUP} containers in "
                                                         + ", ".join(sorted(small)),
                              why="the spread between containers of such a group is hardly known, so neither is "
                                  "the difference to the others",
                              cure="more containers there, or leave this factor out of the model"))
    return out


def watched_aliases(study: Study, containers: pd.DataFrame) -> tuple[Alias, ...]:
    """Pairs of lot, store, age and the fixed factors that the stored containers cannot tell apart."""
    stored = containers[containers["treatment"].isin(("", "stored"))] if "treatment" in containers else containers
    return aliases(stored, list(dict.fromkeys([*study.factors.fixed, "lot", "store", "age_months"])))


def _confounded(study: Study, stored: pd.DataFrame) -> list[Advice]:
    out = []
    for alias in watched_aliases(study, stored):
        asked = alias.first in study.factors.fixed or alias.second in study.factors.fixed
        out.append(Advice(topic="confounded factors", what=alias.words(),
                          why="an effect of one may be put down to the other"
                              + ("" if asked else " (neither is in the model, so this limits the explanation only)"),
                          cure="return later to sister containers of the same lots, choose containers that cross "
                               "the two, or report them as one"))
    return out


def _ages(study: Study, stored: pd.DataFrame, samples: pd.DataFrame | None) -> list[Advice]:
    """What the planned or drawn ages can say of time, where the study asks about it, and an age far from all others."""
    if study.time is None and AGE not in study.factors.by_depth:
        return []
    seen = drawn_ages(study, stored, samples)  # of planned visits too, where nothing was drawn yet
    if seen.empty:
        return []
    ages = seen[AGE]
    oldest, step = float(ages.max()), max(SAME_AGE * float(ages.max()), 1e-9)
    distinct, last = len(set((ages / step).round())), seen.loc[ages > oldest - step, "container"].nunique()
    if study.time is not None and study.time.containers == "same" and seen["container"].is_unique:
        distinct += len(study.time.visits) - 1  # nothing is planned yet: the age is that at one visit
    what, why = "", ""
    if distinct == 1:
        what, why = "all containers have one age", "no rate and no time to the margin can be had"
    elif distinct == 2:
        what, why = "there are two ages only", "a bend cannot be seen, so nothing is said beyond the older age"
    elif last == 1:
        what, why = f"one container alone is as old as {span_words(oldest)}", "the rate depends on it, so its interval is wide"
    told = [Advice(topic="ages", what=what, why=why, cure="sister containers of three or four ages, two or more at the oldest")
            ] if what and study.time is not None else []
    return [*told, *_lone(seen)]


def drawn_ages(study: Study, stored: pd.DataFrame, samples: pd.DataFrame | None) -> pd.DataFrame:
    """Container and age_months of every visit where visits are named, else of every container; known ages only."""
    out = stored.reindex(columns=["container", AGE])
    if samples is not None and "visited_on" in samples and samples["visited_on"].notna().any():
        spots = samples[(samples["kind"] == "spot") & samples["visited_on"].notna()]
        spots = spots.drop_duplicates(["container", "visited_on"])
        joined = spots[["container", *(c for c in ("visited_on", "stood_from") if c in spots)]].merge(stored, on="container")
        there = joined[["container"]].assign(**{AGE: visit_ages(joined, study)[AGE]})
        out = pd.concat([there, out[~out["container"].isin(there["container"])]], ignore_index=True)
    known: pd.DataFrame = out[out[AGE].notna()]
    return known


def _lone(seen: pd.DataFrame) -> list[Advice]:
    """One container whose ages lie far from those of all others: a question whether a day is a slip."""
    out = []
    ends = seen.groupby("container", sort=False)[AGE].agg(["min", "max"])
    lows, highs = ends["min"].nsmallest(2), ends["max"].nlargest(2)
    for container, own in ends.iterrows() if len(ends) >= LEAST_LONE else ():
        low, high = float(lows.drop(container, errors="ignore").iloc[0]), float(highs.drop(container, errors="ignore").iloc[0])
        gap = max(float(own["min"]) - high, low - float(own["max"]))
        if gap >= max(LONE_MONTHS, LONE_SPANS * (high - low)):
            out.append(Advice(topic="lone age", what=f"{container} is {span_words(float(own['max']))} old, all others "
                                                     f"{span_words(low)} to {span_words(high)}",
                              why="a slip in one day (a year, most often) would bend every rate and time",
                              cure="look at filled_on, last_mixed_on and the day of drawing of that container; leave them as "
                                   "they are where they are right"))
    return out


def _draws(study: Study, stored: pd.DataFrame) -> list[Advice]:
    """Zones that overlap or reach into each other, once per kind of vessel and filling."""
    needed = {"vessel", "liquid_height_mm", "fill_volume_l", "container"}
    if not needed <= set(stored.columns):
        return []
    seen: dict[tuple[str, float], str] = {}
    for row in stored.itertuples(index=False):
        shape = study.vessels.get(str(row.vessel))
        level = _level(shape, row.liquid_height_mm, row.fill_volume_l) if shape is not None else None
        if level is not None:
            seen.setdefault((str(row.vessel), round(level, 1)), str(row.container))
    texts: dict[str, str] = {}
    for (vessel, level), container in seen.items():
        text = _overlap(study, vessel, level)
        if text:
            texts.setdefault(text, container)
    return [Advice(topic="overlapping zones", what=f"{text} (first seen in {container})",
                   why="a draw that reaches into its neighbour hides part of the difference between them",
                   cure="smaller draws or purges, fewer depths, or a wider container")
            for text, container in list(texts.items())[:3]]


def _level(shape: Shape, height: object, fill: object) -> float | None:
    """Liquid height in mm where it can be had; None where it is missing or impossible."""
    h, v = pd.to_numeric(pd.Series([height, fill], dtype=object), errors="coerce")
    try:
        if not math.isnan(h):
            shape.volume_l(h)
            return float(h)
        return shape.height_mm(v) if not math.isnan(v) else None
    except BadInput:
        return None


def _overlap(study: Study, vessel: str, level: float) -> str:
    shape = study.vessels[vessel]
    try:
        plan = plan_draws(shape, level, study.factors.depths, study.sampling, vessel_name=vessel)
    except BadInput as error:
        return error.faults[0].reason
    spots = [d for d in plan.draws if d.kind == "spot"]
    for a, b in combinations(spots, 2):
        shared = overlap_ml(shape, a, b)
        if shared > COUNTS_AS_OVERLAP * b.keep_ml:
            return f"draws at {a.depth} and {b.depth} share {shared:.0f} mL"
    for d in spots:
        if d.foreign_ml > COUNTS_AS_OVERLAP * d.keep_ml:
            return f"the draw at {d.depth} takes {d.foreign_ml:.0f} mL from a neighbouring zone"
    return ""


def _floor(study: Study) -> list[Advice]:
    if study.sampling.heel or "bottom" in study.factors.depths:
        return []
    reference = control(study, "retained")
    return [Advice(topic="heel unseen", what=f"no draw reaches the last {HEEL_MM:g} mm above the floor",
                   why="what has settled may lie there, with all other depths alike"
                       + ("; the retained sample would show the loss" if reference else
                          ", and no whole-container reference would show the loss"),
                   cure="[sampling] heel = true where [safety] clears it, or retained samples")]


def _claim(study: Study, size: DesignSize) -> list[Advice]:
    if study.scope == "container":
        return []
    bound = 100 * beyond_share_bound(size.containers, study.alpha)
    needed = math.ceil(math.log(study.alpha) / math.log(0.95))
    floors = ", and of all floors, each drawn once" if study.sampling.heel else ""
    return [Advice(topic="claim about the stock",
                   what=f"a clean result in {size.containers} containers speaks for the average {study.scope}",
                   why=f"none of {size.containers} beyond the margin still allows {bound:.0f} % of all containers{floors} "
                       f"to be beyond it ({100 * (1 - study.alpha):g} % bound)",
                   cure=f"word the claim for the mean; for at most 5 % of the stock {needed} clean containers are "
                        "needed")]
