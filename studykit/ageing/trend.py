"""One analyte over standing time: each group's own differences, line, limits and times, from the rows of the model.

A group is a combination of levels of the factors that act on depth (age left out); each has its own line. A row is one
container at one visit: its lowest zone minus its uppermost, cell means on the scale of the margin. Values known only as a
limit at one of the two ends have no difference: with any of them the analyte has no times, because leaving out what is
too low to be measured would bend the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from studykit.ageing.courses import Course, LackOfFit, lack_of_fit, same_ages
from studykit.ageing.lines import Lines, Reading, fit_lines
from studykit.ageing.pooling import random_lots
from studykit.ageing.reach import (
    Passing,
    Simulated,
    bootstrap,
    by_ages,
    containers_law,
    longer,
    mean_passes,
    share_passes,
)
from studykit.core.errors import DesignMismatch
from studykit.inference.margin import Margin
from studykit.model.fit import AnalyteModel, fitted
from studykit.model.rows import ModelRows
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
class Own:
    """One analyte's own differences in one group: values (n,) on the scale of analysis at ages in months.

    ``units``: the container of each row, ``lots``: its lot, ``days``: its visit as text; ``share``: of containers that may lie
    beyond (0 to 1).
    """

    analyte: str
    label: str
    margin: Margin
    unit: str
    course: Course
    alpha: float
    share: float
    values: np.ndarray
    months: np.ndarray
    units: np.ndarray
    lots: np.ndarray
    days: np.ndarray

    @property
    def edges(self) -> tuple[float, float]:
        """The margin on the scale of analysis."""
        return self.margin.low, self.margin.high

    @property
    def again(self) -> bool:
        """True where containers were drawn at more than one visit."""
        return len(np.unique(self.units)) < len(self.units)

    @property
    def span(self) -> tuple[float, float]:
        """Youngest and oldest age observed, months."""
        return float(self.months.min()), float(self.months.max())


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """The line of one group and what follows from it.

    mean: when the mean passes the margin, by the line or, where the ages do not lie on it (``bent``), by the means of the
    ages; spread: when more than the declared share of containers lies beyond, None where it is bent or too few containers
    tell; simulated: both by parametric bootstrap, from the line. ``over``: each factor that is declared random, such as lots,
    and how many of its levels were taken as a sample of more, 0 for none; both times are then also those of its levels.
    """

    own: Own
    growth: Lines
    fit: LackOfFit
    horizon: Horizon
    mean: Passing
    spread: Passing | None
    simulated: Simulated
    over: tuple[tuple[str, int], ...]

    @property
    def over_lots(self) -> int:
        """How many lots were taken as a sample of more."""
        return dict(self.over).get("lot", 0)

    @property
    def bent(self) -> bool:
        """True where the ages are shown not to lie on the declared course."""
        return self.fit.p < FIT

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

    ``drawn``: analyte and container of all results, whether a line holds them or not.
    """

    trends: tuple[Trend, ...]
    left_out: tuple[tuple[str, str], ...]
    drawn: frozenset[tuple[str, str]]

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
    for model in fitted(models) if asked(study) else []:
        found, why = trends_of(study, model.rows, model.alpha)
        trends += found
        left_out += [(model.analyte, reason) for reason in why]
        drawn |= {(model.analyte, str(c)) for c in model.rows.visits["container"].unique()}
    return Ageing(trends=tuple(trends), left_out=tuple(left_out), drawn=frozenset(drawn))


def differences(rows: ModelRows, factors: tuple[str, ...], random: tuple[str, ...] = ()) -> pd.DataFrame:
    """One row a container and visit: container, visit (day as text), age_months, lot, group, difference (scale of analysis).

    And the levels of the factors ``random`` as text, under "of NAME".
    """
    top, bottom = rows.depths[0], rows.depths[-1]
    keys = ["container", "visit"]
    table = rows.visits[rows.visits["qualifier"] == ""]
    cells = table.groupby([*keys, "depth"], observed=True)["y"].mean().unstack("depth")
    if top not in cells or bottom not in cells:
        return pd.DataFrame(columns=[*keys, "age_months", "lot", *(f"of {f}" for f in random), "group",
                                     "difference"])
    both = cells[[top, bottom]].dropna()
    facts = table.drop_duplicates(keys).set_index(keys).reindex(both.index)
    out = both.reset_index()[keys]
    out["age_months"] = facts["age_months"].to_numpy(dtype=float)
    out["lot"] = facts["lot"].astype(str).to_numpy()
    for name in random:
        out[f"of {name}"] = facts[name].astype(str).to_numpy()
    names = facts[list(factors)].astype(str).apply(lambda r: ", ".join(f"{k} {v}" for k, v in r.items()), axis=1)
    out["group"] = names.to_numpy() if factors and len(both) else ALL
    out["difference"] = (both[bottom] - both[top]).to_numpy()
    return out


def grouping(study: Study, rows: ModelRows) -> tuple[str, ...]:
    """The factors whose levels have lines of their own: those that act on depth and are no numbers, with two levels or more."""
    return tuple(f for f in study.factors.by_depth if f != "age_months" and f in rows.visits
                 and not pd.api.types.is_numeric_dtype(rows.visits[f]) and rows.visits[f].nunique() > 1)


def sampled_from(study: Study, rows: ModelRows) -> tuple[str, ...]:
    """Factors that are declared random: their levels are a sample of more."""
    return tuple(f for f in study.factors.random if f in rows.visits)


def trends_of(study: Study, rows: ModelRows, alpha: float) -> tuple[list[Trend], list[str]]:
    """The lines of one analyte, and why a group has none."""
    ends = rows.visits[rows.visits["depth"].isin([rows.depths[0], rows.depths[-1]])]
    if (ends["qualifier"] != "").any():
        limits = int((ends["qualifier"] != "").sum())
        return [], [f"{limits} of its results in the uppermost or lowest zone are known only as a limit, so no line over time "
                    "is fitted"]
    each = differences(rows, grouping(study, rows), sampled_from(study, rows))
    known = each[each["age_months"].notna()]
    if known.empty:
        return [], ["no container has both the uppermost and the lowest zone and an age"]
    fit = lack_of_fit(known["difference"], known["age_months"], known["group"].to_numpy(), known["container"].to_numpy(),
                      course_of(study))
    found, why = list[Trend](), list[str]()
    for label, part in known.groupby("group", sort=True):
        try:
            found.append(_trend(study, rows, alpha, str(label), part, fit))
        except DesignMismatch:
            ages = int(same_ages(part["age_months"]).max()) + 1
            who = f" of {_count(part['container'].nunique(), 'container')}"
            why.append(f"{label}: {_count(len(part), 'own difference')}{who} at {_count(ages, 'age')} carry no line over time")
    return found, why


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _trend(study: Study, rows: ModelRows, alpha: float, label: str, part: pd.DataFrame, fit: LackOfFit) -> Trend:
    own = Own(analyte=rows.analyte, label=label, margin=rows.margin, unit=rows.shown_unit, course=course_of(study), alpha=alpha,
              share=study.share_percent / 100, values=part["difference"].to_numpy(dtype=float), lots=part["lot"].to_numpy(),
              months=part["age_months"].to_numpy(dtype=float), units=part["container"].to_numpy(),
              days=part["visit"].to_numpy())
    if same_ages(own.months).max() < 1:
        raise DesignMismatch("all ages are equal")
    growth = fit_lines(own.values, own.course.line(own.months), own.units)
    if not np.isfinite(growth.at([[0.0, 1.0]]).se).all():
        raise DesignMismatch("one container alone carries the rate")
    horizon, bent = horizon_of(own, fit), fit.p < FIT
    mean = (by_ages(own.values, own.months, own.units, same_ages(own.months), own.edges, alpha=alpha) if bent else
            mean_passes(growth, own.course, own.edges, alpha=alpha, span=own.span, stop=horizon.bound))
    spread = None if bent else _spread(own, horizon.bound)
    over = dict[str, int]()
    for name in sampled_from(study, rows) if not bent else ():
        levels = part[f"of {name}"].tolist()
        more = random_lots(own.values, own.months, levels, own.course, own.edges, own.share, alpha=alpha, span=own.span,
                           stop=horizon.bound)
        over[name] = 0 if more is None else more.lots
        if more is not None:
            mean, spread = longer(mean, more.mean), None if spread is None else longer(spread, more.share)
    simulated = bootstrap(own.values, growth, own.course, own.months, own.units, own.edges, stop=horizon.bound,
                          share=None if spread is None else own.share, seed=study.seed)
    return Trend(own=own, growth=growth, fit=fit, horizon=horizon, mean=mean, spread=spread, simulated=simulated,
                 over=tuple(over.items()))


def horizon_of(own: Own, fit: LackOfFit) -> Horizon:
    """``horizon``, and nothing beyond the oldest age where the ages do not lie on the course."""
    found = horizon(own.course, own.months)
    if fit.p < FIT and found.bound > found.oldest:
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


def _spread(own: Own, bound: float) -> Passing | None:
    """When more than the declared share of containers lies beyond; None where too few containers tell."""
    law = containers_law(own.values[None], own.course, own.months, own.units)
    if law is None:
        return None
    return share_passes(law, own.edges, own.share, alpha=own.alpha, span=own.span, stop=bound)
