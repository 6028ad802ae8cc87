"""The design notebook's tables of time: what the planned ages will say, and what other ages and ways would.

Guesses are those of [design.guesses]: ``months_to_margin``, ``sd_container_depth``, ``own_rates_percent``. Where one is not
typed nothing is taken for granted: chances are a range, from containers that are all alike to profiles that scatter by
UNTYPED_PROFILES of the margin and rates that scatter by UNTYPED_RATES of their mean, with the margin passed at the oldest age.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from studykit.ageing.ahead import Drawings, Growth, TimeChances, drawings, time_chances
from studykit.ageing.courses import same_ages
from studykit.ageing.trend import ALL, asked, course_of
from studykit.core.record import significant
from studykit.design.cheapest import UNTYPED_PROFILES, Aim
from studykit.design.operating import DesignSize
from studykit.design.tables import DesignView
from studykit.study.ages import visit_ages

UNTYPED_RATES = 0.2
"""Worse end of the range of the containers' own rates, as a share of the mean rate (own judgement)."""
KEYS = ("months_to_margin", "sd_container_depth", "own_rates_percent")
DRAWN = (12, 24, 48)
AGES = 4
SISTERS, SAME = "sister containers, opened once", "the same containers at each age"
EVENLY, ENDS = f"{AGES} ages, evenly", "youngest and oldest only"
NOT_ASKED = "the study does not ask about time: study.toml has no section [time], and age is no factor that acts on depth"
NO_AGES = "no container has an age yet: write filled_on and sampled_on, or [time] visits, and plan"
PLANNED_COLUMNS = ["analyte", "group", "containers", "drawings", "ages", "margin passed at, months", "growth shown, %",
                   "within shown up to, months", "share shown up to, months", "time known within ±, months", "not given"]


def planned_drawings(view: DesignView) -> dict[str, Drawings]:
    """Age and container of every planned drawing, by group; empty where no age is known."""
    if "age_months" not in view.containers or not asked(view.study):
        return {}
    table = view.containers[view.containers["treatment"].isin(("", "stored"))]
    if "visited_on" in view.samples and view.samples["visited_on"].notna().any():
        spots = view.samples[view.samples["kind"] == "spot"].drop_duplicates(["container", "visited_on"])
        joined = spots[["container", *(c for c in ("visited_on", "stood_from") if c in spots)]].merge(table, on="container")
        table = joined.assign(age_months=visit_ages(joined, view.study)["age_months"])
    table = table[table["age_months"].notna()]
    names = [f for f in view.study.factors.by_depth if f != "age_months" and f in table
             and not pd.api.types.is_numeric_dtype(table[f]) and table[f].nunique() > 1]
    label = (table[names].astype(str).apply(lambda r: ", ".join(f"{k} {v}" for k, v in r.items()), axis=1) if names
             else pd.Series(ALL, index=table.index))
    return {str(g): Drawings(months=tuple(p["age_months"].astype(float)), units=tuple(p["container"].factorize()[0].tolist()))
            for g, p in table.groupby(label, sort=True)}


def missing(aim: Aim) -> tuple[str, ...]:
    """The guesses about time that are not given for an analyte."""
    return tuple(k for k in KEYS if getattr(aim.guess, k) is None or k not in aim.guess.model_fields_set)


def worlds(aim: Aim, oldest: float, replicates: int) -> tuple[Growth, ...]:
    """What is guessed of an analyte: one world, or the two ends of the range where something is not given."""
    guess, gone = aim.guess, missing(aim)
    passes = oldest if guess.months_to_margin is None else guess.months_to_margin
    own = 0.0 if guess.own_rates_percent is None else guess.own_rates_percent / 100
    alike = Growth(margin=aim.margin, passes=passes, cell=guess.s_r / math.sqrt(replicates),
                   profiles=guess.sd_container_depth, own_rates=own, shape=guess.shape)
    if not set(gone) - {"months_to_margin"}:
        return (alike,)
    return alike, Growth(margin=aim.margin, passes=passes, cell=alike.cell,
                         profiles=aim.margin * UNTYPED_PROFILES if "sd_container_depth" in gone else alike.profiles,
                         own_rates=UNTYPED_RATES if "own_rates_percent" in gone else own, shape=guess.shape)


def timed(view: DesignView) -> list[Aim]:
    """The analytes of which time is told: not those with a one-sided margin, which is about no difference between depths."""
    return [a for a in view.aims if not a.side.sign]


def planned_table(view: DesignView) -> pd.DataFrame:
    """Per analyte and group: what the planned ages will say of time (PLANNED_COLUMNS); a note where nothing can be said."""
    plans = planned_drawings(view)
    if not plans or not timed(view):
        return pd.DataFrame({"note": [_why_not(view)]})
    rows = [_planned(view, aim, group, plan) for aim in timed(view) for group, plan in plans.items()]
    return pd.DataFrame(rows, columns=PLANNED_COLUMNS)


def _why_not(view: DesignView) -> str:
    return NOT_ASKED if not asked(view.study) else NO_AGES if timed(view) else "nothing is known of any analyte"


def _planned(view: DesignView, aim: Aim, group: str, plan: Drawings) -> tuple[object, ...]:
    months = np.asarray(plan.months)
    guessed = worlds(aim, float(months.max()), view.size.replicates)
    found = [_chances(view, plan, w) for w in guessed]
    ages = f"{int(same_ages(months).max()) + 1}, {significant(months.min(), 3)} to {significant(months.max(), 3)} months"
    return (aim.analyte, group, plan.containers, len(months), ages, significant(guessed[0].passes, 3),
            *_told(found, view.settings.target), ", ".join(missing(aim)))


def _chances(view: DesignView, plan: Drawings, world: Growth) -> TimeChances | None:
    return time_chances(plan, world, course_of(view.study), alpha=view.study.alpha, share=view.study.share_percent / 100,
                        depths=view.size.depths)


def _told(found: Sequence[TimeChances | None], target: float) -> tuple[str, str, str, str]:
    """Growth shown, mean and share shown within up to, known within: as text, a range where the worlds differ."""
    some = [f for f in found if f is not None]
    if len(some) < len(found):
        return ("no line", "", "", "")
    return (_range([f"{100 * f.seen:.0f}" for f in reversed(some)]), _range([_age(f.within) for f in reversed(some)]),
            _range([_age(f.few_within) for f in reversed(some)]), _range([_span(f.known(target)) for f in some]))


def _range(texts: Sequence[str]) -> str:
    return " to ".join(dict.fromkeys(texts))


def _age(months: float) -> str:
    return "too few containers" if math.isnan(months) else "no age" if months == 0 else significant(months, 2)


def _span(months: float) -> str:
    return "no end" if math.isinf(months) else significant(months, 2)


def drawn_aim(view: DesignView) -> Aim | None:
    """The analyte that other ways are compared for: of those expected to settle the one with most scatter against its margin.

    Expected: by a typed time to the margin; where none is typed by a difference; where there is none ``view.shown``.
    """
    typed = [a for a in timed(view) if a.guess.months_to_margin is not None] or [a for a in timed(view) if a.guess.gradient]
    if typed:
        return max(typed, key=lambda a: a.guess.s_r / a.margin)
    return view.shown if view.shown in timed(view) else next(iter(timed(view)), None)


def span_of(view: DesignView) -> tuple[float, float] | None:
    """Youngest and oldest planned age, months; None without ages or with one only."""
    ages = [m for plan in planned_drawings(view).values() for m in plan.months]
    if not ages or int(same_ages(ages).max()) < 1:
        return None
    return min(ages), max(ages)


def ways_table(view: DesignView) -> pd.DataFrame:
    """Other ways of drawing between the youngest and the oldest planned age, for ``drawn_aim``; a note where there is none.

    In the worse of the worlds that are left open; ``time known`` is empty where the interval has no end.
    """
    aim, span = drawn_aim(view), span_of(view)
    if aim is None or span is None:
        return pd.DataFrame({"note": ["all containers have one age" if planned_drawings(view) and aim else _why_not(view)]})
    evenly = tuple(float(a) for a in np.linspace(*span, AGES))
    rows = [_way(view, aim, way, spacing, drawings(ages, n // (len(ages) if way == SAME else 1), again=way == SAME))
            for n in DRAWN for way in (SISTERS, SAME) for spacing, ages in ((EVENLY, evenly), (ENDS, span))]
    return pd.DataFrame(rows)


def _way(view: DesignView, aim: Aim, way: str, spacing: str, plan: Drawings) -> dict[str, object]:
    worst = _chances(view, plan, worlds(aim, max(plan.months), view.size.replicates)[-1])
    size = DesignSize(containers=len(plan.months), depths=view.size.depths, replicates=view.size.replicates)
    row: dict[str, object] = {"drawings": len(plan.months), "containers": plan.containers, "way": way, "ages": spacing}
    if view.costs is not None:
        row["cost"] = view.costs.of(size)
    known = math.nan if worst is None else worst.known(view.settings.target)
    return row | {"growth shown, %": math.nan if worst is None else 100 * worst.seen,
                  "within shown up to, months": math.nan if worst is None else worst.within,
                  "share shown up to, months": math.nan if worst is None else worst.few_within,
                  "time known within ±, months": known if math.isfinite(known) else math.nan}


def ways_words(view: DesignView, table: pd.DataFrame) -> str:
    """For whom the ways are compared, under which guesses, and what to type where a guess is missing; '' without ways."""
    aim = drawn_aim(view)
    if aim is None or "way" not in table:
        return ""
    worst = worlds(aim, (span_of(view) or (0.0, 0.0))[1], view.size.replicates)[-1]
    text = (f"For {view.study.label_of(aim.analyte)}, if the margin is passed at {significant(worst.passes, 3)} months, "
            f"containers' profiles scatter by {significant(aim.shown(worst.profiles), 2)} {aim.unit} and their rates by "
            f"{100 * worst.own_rates:.0f} %; *known within* in {100 * view.settings.target:g} % of studies. A cost is that of "
            "drawing, bottling and testing; what a container is worth is not in it. With two ages a bend cannot be seen.")
    if gone := missing(aim):
        text += f" Not given, so the worse end of a range is taken: {', '.join(gone)} under [design.guesses.{aim.analyte}]."
    return text
