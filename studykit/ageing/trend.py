"""One analyte over standing time: each group's own differences, line, limits and times, from the rows of the model.

A group is a combination of levels of the factors that act on depth (age left out); each has its own line. A row is one
container at one visit: its lower zone minus its upper, cell means on the scale of the margin. Every pair of depths has
its own line and limits, and the earliest time over all pairs is told of the mean: whichever passes first, its own limit is
right in 95 % of studies, and the least of all limits is no longer than that. *Shown beyond* is the earliest of several
chances to err, so pairs other than lowest against uppermost share one level alpha there, and one in the test of lack of fit.
Values known only as a limit have no difference: with any of them the analyte has no times, because leaving out what is too
low to be measured would bend the line. Readings rounded more coarsely than they scatter about it, as where all are alike,
would make a line look surer than it is: a group of such has none. The criterion is that of the verdict, over all pairs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from studykit.ageing import shares
from studykit.ageing.again import fit_over
from studykit.ageing.bends import mean_held
from studykit.ageing.courses import Course, LackOfFit, lack_of_fit, same_ages
from studykit.ageing.lines import Lines, Reading
from studykit.ageing.means import by_ages
from studykit.ageing.own import Own
from studykit.ageing.pooling import random_lots
from studykit.ageing.reach import Passing, Simulated, bootstrap, earlier, longer
from studykit.ageing.shares import Levels
from studykit.ageing.tied import Tie, lacking, ties
from studykit.core.errors import DesignMismatch
from studykit.core.memory import remembered
from studykit.inference.bounded import COARSE
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel
from studykit.model.rows import ModelRows, cells_of
from studykit.study.definition import Study

ALL = "all containers"
MOST_MONTHS_BEYOND = 12.0
"""ICH Q1E 2003, section 2.4.1: extrapolation up to twice the observed time, and no more than 12 months beyond it."""
FIT = 0.01
"""Lack of fit below which the ages are taken not to lie on the declared course (own judgement: many analytes are tested)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Horizon:
    """Up to which age something may be said: ``oldest`` was observed, ``bound`` is allowed, ``why`` no further."""

    oldest: float
    bound: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """The line of one group and what follows from it, for one pair of depths or the earliest of all pairs.

    pairs: the lines of all pairs, lowest against uppermost first; ``own`` and all that is fitted is then of the pair whose mean
    is shown within for the shortest time, ``mean`` is the earliest of all, ``spread`` that of the share beyond by any pair,
    ``spread_by`` the pair that most of them may be beyond by; one pair alone has no ``spread``. ``without``: pairs that are
    not judged.
    mean: when the mean passes the margin, by the line or, where the ages do not lie on it (``bent``), by the means of the
    ages; spread: when more than the declared share of containers lies beyond, None where it is bent or too few containers
    tell; simulated: both by parametric bootstrap, the mean from the line of ``own``. ``over``: each factor that is declared
    random, such as lots, and how many of its levels were taken as a sample of more, 0 for none; both times are then also
    those of its levels; ``levels``: the level of each row.
    """

    own: Own
    levels: Levels
    growth: Lines
    fit: LackOfFit
    horizon: Horizon
    mean: Passing
    spread: Passing | None
    simulated: Simulated
    over: tuple[tuple[str, int], ...]
    bent: bool
    pairs: tuple[Trend, ...] = ()
    spread_by: tuple[str, str] | None = None
    without: tuple[str, ...] = ()

    @property
    def outer(self) -> Trend:
        """The line of lowest against uppermost."""
        return self.pairs[0] if self.pairs else self

    def by(self, pair: tuple[str, str]) -> Trend | None:
        """The line of that pair of depths, None where it has none."""
        return next((t for t in self.pairs or (self,) if t.own.pair == pair), None)

    @property
    def shown(self) -> tuple[Trend, ...]:
        """The lines that are printed: lowest against uppermost, and those of the pairs that decide."""
        some = dict.fromkeys((self.outer.own.pair, self.own.pair, self.spread_by or self.own.pair))
        return tuple(t for pair in some if (t := self.by(pair)) is not None)

    @property
    def over_lots(self) -> int:
        """How many lots were taken as a sample of more."""
        return dict(self.over).get("lot", 0)

    def at(self, months: np.ndarray) -> Reading:
        """Fitted difference at ages in months."""
        return self.growth.at(self.own.course.line(months))

    @property
    def rate(self) -> Reading:
        """Change for one unit of the course's column (a month, where it is a straight line)."""
        return self.growth.at([[0.0, 1.0]])

    def p_rate(self) -> float:
        """Two-sided p-value of no change with time; NaN where there is no scatter to judge by."""
        r = self.rate
        return float(2 * stats.t.sf(abs(r.estimate[0, 0] / r.se[0, 0]), r.df[0])) if r.se[0, 0] > 0 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Ageing:
    """All groups of all analytes over time, and a sentence for each analyte or group that has no line, with its reason.

    ``drawn``: analyte and container of all results, whether a line holds them or not. ``lacking``: analyte and which visits
    have no value of some zone.
    """

    trends: tuple[Trend, ...]
    left_out: tuple[tuple[str, str], ...]
    drawn: frozenset[tuple[str, str]]
    lacking: tuple[tuple[str, str], ...] = ()

    def of(self, analyte: str) -> tuple[Trend, ...]:
        """The groups of one analyte."""
        return tuple(t for t in self.trends if t.own.analyte == analyte)


def course_of(study: Study) -> Course:
    """The declared course, a straight line where none is."""
    if study.time is None:
        return Course()
    return Course(shape=study.time.course, half_months=study.time.half_months)


def asked(study: Study) -> bool:
    """True where the study asks about time: a section [time], or age among the factors that act on depth."""
    return study.time is not None or "age_months" in study.factors.by_depth


def ageing(study: Study, models: list[AnalyteModel]) -> Ageing:
    """Lines over time of every fitted analyte; empty where the study does not ask about time."""
    trends: list[Trend] = []
    left_out: list[tuple[str, str]] = []
    drawn: set[tuple[str, str]] = set()
    lacks: list[tuple[str, str]] = []
    for model in models if asked(study) else []:
        found, why = ([], [NO_SIDE]) if model.rows.margin.side else (
            trends_of(study, model.rows, model.alpha) if isinstance(model, FittedModel) else ([], [_no_fit(model)]))
        trends += found
        lacks += [(model.analyte, told)] if not model.rows.margin.side and (told := lacking(model.rows)) else []
        left_out += [(model.analyte, reason) for reason in why]
        drawn |= {(model.analyte, str(c)) for c in model.rows.visits["container"].unique()}
    return Ageing(trends=tuple(trends), left_out=tuple(left_out), drawn=frozenset(drawn), lacking=tuple(lacks))


NO_SIDE = ("its margin is one-sided, about each depth against the mixed container, and lines over time are those of "
           "differences between depths")


def _no_fit(model: AnalyteModel) -> str:
    """Why an analyte that was not fitted has no line."""
    if model.path == "known precision":
        return ("one container alone has no line with an interval: how its readings scatter from visit to visit would have to "
                "be told from two containers or more")
    return model.path  # its own reasons stand beside its word


KEYS = ["container", "visit"]


def differences(rows: ModelRows, factors: tuple[str, ...], random: tuple[str, ...] = ()
                ) -> dict[tuple[str, str], pd.DataFrame]:
    """Of every pair of depths one row a container and visit that has both and an age.

    Columns: container, visit (day as text), age_months, lot, group, difference (scale of analysis), and the levels of the
    factors ``random`` as text, under "of NAME".
    """
    table = rows.visits[rows.visits["qualifier"] == ""]
    cells = table.groupby([*KEYS, "depth"], observed=True)["y"].mean().unstack("depth")
    facts = table.drop_duplicates(KEYS).set_index(KEYS).reindex(cells.index)
    return {pair: _between(pair, cells, facts, factors, random) for pair in pairs_of(rows.depths)}


def _between(pair: tuple[str, str], cells: pd.DataFrame, facts: pd.DataFrame, factors: tuple[str, ...],
             random: tuple[str, ...]) -> pd.DataFrame:
    """``differences`` of one pair of depths; ``cells``: means by container and visit, ``facts``: their lots, ages, factors."""
    top, bottom = pair
    if top not in cells or bottom not in cells:
        return pd.DataFrame(columns=[*KEYS, "age_months", "lot", *(f"of {f}" for f in random), "group", "difference"])
    there = (cells[[top, bottom]].notna().all(axis=1) & facts["age_months"].notna()).to_numpy()
    both, facts = cells[there], facts[there]
    out = both.reset_index()[KEYS]
    out["age_months"] = facts["age_months"].to_numpy(dtype=float)
    out["lot"] = facts["lot"].astype(str).to_numpy()
    for name in random:
        out[f"of {name}"] = facts[name].astype(str).to_numpy()
    named = [[f"{f} {v}" for v in facts[f].astype(str)] for f in factors]
    out["group"] = [", ".join(of) for of in zip(*named, strict=True)] if factors and len(both) else ALL
    out["difference"] = (both[bottom] - both[top]).to_numpy()
    return out


def grouping(study: Study, rows: ModelRows) -> tuple[str, ...]:
    """The factors whose levels have lines of their own: those that act on depth and are no numbers, with two levels or more."""
    return tuple(f for f in study.factors.by_depth if f != "age_months" and f in rows.visits
                 and not pd.api.types.is_numeric_dtype(rows.visits[f]) and rows.visits[f].nunique() > 1)


def sampled_from(study: Study, rows: ModelRows) -> tuple[str, ...]:
    """Factors that are declared random: their levels are a sample of more."""
    return tuple(f for f in study.factors.random if f in rows.visits)


def pairs_of(depths: tuple[str, ...]) -> list[tuple[str, str]]:
    """Every pair of depths, the upper one first; that of the ends before the others."""
    ends = (depths[0], depths[-1])
    return [ends, *(p for p in combinations(depths, 2) if p != ends)]


ROUNDED = ("its readings are rounded more coarsely than they scatter about a line, which would look surer than it is; results "
           "with a digit more, where the laboratory has them, would carry one")


def trends_of(study: Study, rows: ModelRows, alpha: float) -> tuple[list[Trend], list[str]]:
    """The lines of one analyte, and why a group has none."""
    limits = int((rows.visits["qualifier"] != "").sum())
    if limits:
        known = "is known" if limits == 1 else "are known"
        return [], [f"{limits} of its results {known} only as a limit, so no line over time is fitted"]
    factors, random = grouping(study, rows), sampled_from(study, rows)
    each = differences(rows, factors, random)
    outer, *others = each
    if each[outer].empty:
        return [], ["no container has both the uppermost and the lowest zone and an age"]
    parts = {p: 1.0 if p == outer else 1 / len(others) for p in each}
    fits = {p: lack_of_fit(d["difference"], d["age_months"], d["group"].to_numpy(), d["container"].to_numpy(), course_of(study))
            for p, d in each.items() if len(d)}
    bent = any(f.p < FIT * parts[p] for p, f in fits.items())
    found, why = list[Trend](), list[str]()
    for label, part in each[outer].groupby("group", sort=True):
        tied = ties(study, rows, factors, part["container"].tolist())

        def one(pair: tuple[str, str], label: str = str(label), tied: tuple[Tie, ...] = tied) -> Trend:
            own = _own(study, rows, alpha, label, pair, parts[pair], each[pair][each[pair]["group"] == label], tied)
            return _trend(own, fits[pair], bent)

        try:
            first = one(outer)
        except DesignMismatch:
            ages = int(same_ages(part["age_months"]).max()) + 1
            who = _count(part["container"].nunique(), "container")
            why.append(f"{label}: from {who} drawn at {_count(ages, 'age')} ({_count(len(part), 'difference')}) nothing can be "
                       "told of how a difference grows with time")
        else:
            made = _first_of_all(study, first, others, one)
            if np.mean([t.growth.scatter[0] for t in made.pairs]) < (COARSE * _step(rows, part["container"])) ** 2:
                why.append(f"{label}: {ROUNDED}")
            else:
                found.append(made)
    return found, why


def _step(rows: ModelRows, containers: pd.Series) -> float:
    """The rounding step of a cell mean of these containers, at any of their visits."""
    visits = rows.visits[rows.visits["container"].isin(containers)]
    each = visits["container"].astype(str) + "\t" + visits["visit"].astype(str)
    return cells_of(replace(rows, table=visits.assign(container=each, limit=math.nan))).step


def _first_of_all(study: Study, first: Trend, others: list[tuple[str, str]], one: Callable[[tuple[str, str]], Trend]) -> Trend:
    """The earliest times over the pair of the ends and ``others``, and the lines of all."""
    pairs, without = [first], list[str]()
    for pair in others:
        try:
            pairs.append(one(pair))
        except (DesignMismatch, KeyError):
            without.append(f"{pair[1]} against {pair[0]}")
    least = min(pairs, key=lambda t: _order(t.mean))
    bound = min(t.horizon.bound for t in pairs)
    horizon = next(t.horizon for t in pairs if t.horizon.bound == bound)
    few = shares.Told() if first.bent else shares.told([(t.own, t.levels) for t in pairs], bound)
    without += [f"the share by {b} against {a}" for a, b in few.untold]
    return replace(least, mean=earlier([t.mean for t in pairs]), pairs=tuple(pairs), without=tuple(without), horizon=horizon,
                   spread=few.spread, spread_by=few.by,
                   simulated=_simulated(study, least, [t.own for t in pairs] if few.spread is not None else []))


def _order(passing: Passing) -> tuple[float, float]:
    """Earliest first: by the time shown within, then by that shown beyond."""
    return 0.0 if passing.outside[0] else float(passing.safe[0]), float(passing.latest[0])


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _own(study: Study, rows: ModelRows, alpha: float, label: str, pair: tuple[str, str], share: float,
         part: pd.DataFrame, tied: tuple[Tie, ...]) -> tuple[Own, Levels]:
    """The own differences of one pair of depths in one group, and the levels of each factor that is declared random."""
    own = Own(analyte=rows.analyte, label=label, pair=pair, part=share, margin=rows.margin, unit=rows.shown_unit,
              course=course_of(study), alpha=alpha, share=study.share_percent / 100,
              values=part["difference"].to_numpy(dtype=float), months=part["age_months"].to_numpy(dtype=float),
              lots=part["lot"].to_numpy(), units=part["container"].to_numpy(), days=part["visit"].to_numpy(),
              tied=tied)
    return own, {name: part[f"of {name}"].tolist() for name in sampled_from(study, rows)}


@remembered
def _trend(given: tuple[Own, Levels], fit: LackOfFit, bent: bool) -> Trend:
    """The line of one pair of depths in one group; DesignMismatch where its ages or containers carry none."""
    own, random = given
    if not len(own.months) or same_ages(own.months).max() < 1:
        raise DesignMismatch("all ages are equal")
    growth = fit_over(own.values, own.course, own.months, own.units)
    if not np.isfinite(growth.at([[0.0, 1.0]]).se).all():
        raise DesignMismatch("one container alone carries the rate")
    far = horizon_of(own, bent)
    mean = (by_ages(own.values, own.months, own.units, same_ages(own.months), own.edges, alpha=own.alpha, beyond=own.beyond)
            if bent else mean_held(own.values[None], growth, _bend(own), own.course, own.months, own.edges, alpha=own.alpha,
                                   beyond=own.beyond, stop=far.bound))
    over = dict[str, int]()
    for name, levels in random.items() if not bent else ():
        more = random_lots(own.values, own.months, levels, own.course, own.edges, own.share, alpha=own.alpha, span=own.span,
                           stop=far.bound)
        over[name] = 0 if more is None else more.lots
        if more is not None:
            mean = longer(mean, more.mean)
    return Trend(own=own, levels=random, growth=growth, fit=fit, horizon=far, mean=mean, spread=None, over=tuple(over.items()),
                 bent=bent, simulated=Simulated(mean=np.array([np.nan]), share=None))


def _bend(own: Own) -> Lines | None:
    """The line with a bend; None where two ages, or too few containers, cannot show one."""
    if same_ages(own.months).max() < 2:
        return None
    try:
        return fit_over(own.values, own.course, own.months, own.units, bent=True)
    except DesignMismatch:
        return None


def _simulated(study: Study, t: Trend, owns: list[Own]) -> Simulated:
    """The mean's time by the line of a pair and the share's by all pairs (none: not told), by parametric bootstrap."""
    own = t.own
    found = bootstrap(own.values, t.growth, own.course, own.months, own.units, own.edges, seed=study.seed)
    share = shares.simulated(owns, t.horizon.bound, study.seed) if owns else None
    return replace(found, share=share)


def horizon_of(own: Own, bent: bool) -> Horizon:
    """``horizon``, and nothing beyond the oldest age where the ages do not lie on the course, or factors are tied."""
    found = horizon(own.course, own.months)
    if own.tied and found.bound > found.oldest:
        return Horizon(oldest=found.oldest, bound=found.oldest,
                       why="factors cannot be told apart, so nothing is said beyond the oldest age")
    if bent and found.bound > found.oldest:
        return Horizon(oldest=found.oldest, bound=found.oldest, why="the ages do not lie on the declared course")
    return found


def horizon(course: Course, months: np.ndarray) -> Horizon:
    """How far beyond the oldest of these ages times may be given (ICH Q1E), and why no further."""
    oldest, ages = float(months.max()), int(same_ages(months).max()) + 1
    if not course.straight:
        return Horizon(oldest=oldest, bound=oldest, why="the course is curved, so nothing is said beyond the oldest age")
    if ages < 3:
        return Horizon(oldest=oldest, bound=oldest, why="two ages cannot show a bend, so nothing is said beyond the older")
    bound = min(2 * oldest, oldest + MOST_MONTHS_BEYOND)
    return Horizon(oldest=oldest, bound=bound, why="nothing is said beyond twice the oldest age, nor 12 months beyond it")
