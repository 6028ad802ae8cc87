"""Rates, times and answers as tables and sentences: what the report prints of time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd
from scipy import stats

from studykit.ageing import holds
from studykit.ageing.brief import brief, rounded, seen_time, unclear, whole_time
from studykit.ageing.courses import Course, LackOfFit, lack_of_fit, same_ages
from studykit.ageing.pooling import ich_time, pool, random_lots
from studykit.ageing.reach import Passing
from studykit.ageing.todo import AGAIN, ITSELF, LEAVE, NO_LINE, NOTHING, TREAT
from studykit.ageing.todo import action_words as action_words
from studykit.ageing.trend import ALL, Ageing, Trend, asked, course_of
from studykit.core.listing import series
from studykit.core.record import significant
from studykit.study.ages import DAYS_A_MONTH, SHORT_DAYS, stands_from
from studykit.study.definition import Study
from studykit.study.spans import on_margin
from studykit.study.stages import OpenStage

RATE_COLUMNS = ["analyte", "group", "between", "containers", "differences", "per month", "month low", "month high", "per year",
                "year low", "year high", "unit", "df", "p no change"]
PAIR_COLUMNS = ["analyte", "groups", "between", "difference per year", "low", "high", "unit", "df", "p"]
TIME_COLUMNS = ["analyte", "group", "margin", "oldest", "looked at up to", "mean fitted", "mean within up to",
                "mean beyond from", "simulated low", "simulated high", "containers fitted", "containers within up to",
                "containers beyond from", "containers simulated low", "containers simulated high", "allowed, %", "mean by",
                "containers by", "in words"]
COURSE_COLUMNS = ["analyte", "between", "course", "declared", "F", "df1", "df2", "p lack of fit", "sum of squares"]
POOL_COLUMNS = ["analyte", "between", "factor", "groups", "F rates", "p rates", "F levels", "p levels", "choice",
                "time, months", "random: lots", "mean lot within up to", "share of lots within up to"]
ANSWER_COLUMNS = ["group", "analyte", "all shown within up to", "sentence", "in short", "holds for"]
ACTION_COLUMNS = ["container", "group", "age, months", "judged on", "what to do", "until", "because of", "reason"]
YEAR, HORIZONS = 12.0, (Course(), Course(shape="square root"))


def rates(found: Ageing) -> pd.DataFrame:
    """Change of a lower zone minus an upper one with standing time, 95 % intervals (RATE_COLUMNS).

    Of lowest against uppermost, and of the pair that decides where it is another.
    Per month and per year; for a curved course in the first month and the first year.
    """
    rows = []
    for t in (shown for group in found.trends for shown in group.shown):
        r, own = t.rate, t.own
        half = float(stats.t.isf(0.025, r.df[0]) * r.se[0, 0])
        told = [own.margin.shown(float(b) * float(own.course.column(m))) for m in (1.0, YEAR)
                for b in (r.estimate[0, 0], r.estimate[0, 0] - half, r.estimate[0, 0] + half)]
        rows.append((own.analyte, own.label, own.between, len(np.unique(own.units)), len(own.values), *told, own.unit, r.df[0],
                     t.p_rate()))
    return pd.DataFrame(rows, columns=RATE_COLUMNS)


def rate_pairs(found: Ageing) -> pd.DataFrame:
    """Whether groups settle at different rates: each pair by Welch's test of their rates (PAIR_COLUMNS)."""
    rows = []
    for analyte in dict.fromkeys(t.own.analyte for t in found.trends):
        for pair in _pairs(found, analyte):
            some = [by for t in found.of(analyte) if (by := t.by(pair)) is not None]
            for i, a in enumerate(some):
                rows += [(analyte, f"{b.own.label} against {a.own.label}", b.own.between, *_welch(a, b)) for b in some[i + 1:]]
    return pd.DataFrame(rows, columns=PAIR_COLUMNS)


def _pairs(found: Ageing, analyte: str) -> list[tuple[str, str]]:
    """The pairs of depths that are printed of an analyte: that of the ends, and those that decide."""
    return list(dict.fromkeys(s.own.pair for t in found.of(analyte) for s in t.shown))


def _welch(a: Trend, b: Trend) -> tuple[float, float, float, str, float, float]:
    """Difference a year with its interval, unit, degrees of freedom, p; NaN where there is no scatter to judge by."""
    (ra, rb), g = (a.rate, b.rate), float(a.own.course.column(YEAR))
    va, vb = ra.se[0, 0] ** 2, rb.se[0, 0] ** 2
    d, se = float(rb.estimate[0, 0] - ra.estimate[0, 0]), math.sqrt(va + vb)
    df = float((va + vb) ** 2 / (va**2 / ra.df[0] + vb**2 / rb.df[0])) if se > 0 else math.nan
    half, show = float(stats.t.isf(0.025, df)) * se, a.own.margin.shown
    p = float(2 * stats.t.sf(abs(d) / se, df)) if se > 0 else math.nan
    return show(d * g), show((d - half) * g), show((d + half) * g), a.own.unit, df, p


def times(found: Ageing) -> pd.DataFrame:
    """When the margin is passed, months: on average and by more than the allowed share of containers (TIME_COLUMNS)."""
    rows = []
    for t in found.trends:
        s, level = t.spread, 1 - 2 * t.own.alpha
        some = (math.nan,) * 3 if s is None else (s.estimate[0], s.safe[0], s.latest[0])
        by = t.by(t.spread_by or t.own.pair)
        rows.append((t.own.analyte, t.own.label, t.own.margin.text, t.horizon.oldest, t.horizon.bound, t.mean.estimate[0],
                     t.mean.safe[0], t.mean.latest[0], *t.simulated.interval(level), *some,
                     *t.simulated.interval(level, of_share=True), 100 * t.own.share, t.own.between,
                     by.own.between if s is not None and by is not None else "", words(t) + tied(t)))
    return pd.DataFrame(rows, columns=TIME_COLUMNS)


def times_shown(table: pd.DataFrame) -> pd.DataFrame:
    """``times`` for a page: intervals in one cell, months with three digits, none beyond the last age that was looked at."""
    if table.empty:
        return table
    def told(column: str) -> list[str]:
        return [f"over {_months(last)}" if math.isfinite(t) and t > last else _months(t)
                for t, last in zip(table[column], table["looked at up to"], strict=True)]

    def span(low: str, high: str) -> list[str]:
        ends = zip(told(low), told(high), strict=True)
        return ["" if not a else a if a == b or (b == "never" and a[:4] == "over") else f"{a} to {b}" for a, b in ends]

    return pd.DataFrame({
        "analyte": table["analyte"], "group": table["group"], "mean passes, fitted": told("mean fitted"),
        "interval": span("mean within up to", "mean beyond from"), "simulated": span("simulated low", "simulated high"),
        "containers, fitted": told("containers fitted"),
        "their interval": span("containers within up to", "containers beyond from"),
        "theirs, simulated": span("containers simulated low", "containers simulated high"), "in words": table["in words"]})


def _months(value: float) -> str:
    return "" if value != value else "never" if math.isinf(value) else significant(value, 3)


def _spans(*months: float) -> tuple[list[str], str]:
    """Times of one sentence and their unit: days where all of them are short, else months."""
    short = max((m for m in months if math.isfinite(m)), default=0.0) * DAYS_A_MONTH < SHORT_DAYS
    return [_months(m * DAYS_A_MONTH if short else m) for m in months], "days" if short else "months"


def words(t: Trend) -> str:
    """The times of one group in words, rounded down to the calendar, each with its interval.

    The pair of depths that decides is named where it is not lowest against uppermost.
    """
    if t.bent:
        return _bent_words(t)
    mean, share, s = _mean_words(t), f"{100 * t.own.share:g} %", t.spread
    if s is None:
        return f"{mean}; too few containers to tell their share"
    if s.outside[0]:
        return f"{mean}; even at the youngest age it is not shown that at most {share} of containers lie beyond"
    up_to = f"{_looked_at(t)}, the last age looked at" if s.safe[0] >= t.horizon.bound else whole_time(s.safe[0])
    most = _by(t, t.spread_by or t.own.pair).replace(", ", ", most by ", 1)
    return (f"{mean}; if containers are normally distributed, at most {share} of them lie beyond it{most} "
            f"up to {up_to}{_interval(t, s)}")


def told_with(t: Trend) -> str:
    """What a time rests on where that is not the ages seen: a course beyond them, containers that were not drawn to the end."""
    oldest, gone, safe = seen_time(t.horizon.oldest), t.outer.own.gone, float(t.mean.safe[0])
    far = (f"{oldest} observed, beyond them on a straight course" if safe > t.horizon.oldest else
           f"beyond {oldest} a bend is not excluded" if safe == t.horizon.oldest < t.horizon.bound else "")
    lost = (f"{len(gone)} of {len(set(t.outer.own.units))} containers not drawn after {seen_time(gone.min())}"
            if len(gone) else "")
    return "; ".join(x for x in (far, lost) if x)


def _by(t: Trend, pair: tuple[str, str]) -> str:
    """The pair that decides, in commas, where it is not that of the ends."""
    found = t.by(pair)
    return "" if found is None or pair == t.outer.own.pair else f", {found.own.between},"


def _mean_words(t: Trend) -> str:
    passing, youngest, by = t.mean, t.own.span[0], _by(t, t.own.pair)
    if passing.outside[0]:
        if passing.latest[0] > youngest:
            (from_,), unit = _spans(passing.latest[0])
            late = f", and beyond it from {from_} {unit} on" if math.isfinite(passing.latest[0]) else ""
            return f"on average{by} not shown to be within the margin at the youngest age{late}{_interval(t, passing)}"
        return f"on average{by} beyond the margin already at the youngest age seen ({seen_time(youngest)})"
    seen = told_with(t)
    if passing.safe[0] >= t.horizon.bound:
        return f"on average{by} the margin is not passed within {_looked_at(t)}{_interval(t, passing, seen)}"
    up_to = (seen_time if passing.safe[0] == t.horizon.oldest else whole_time)(passing.safe[0])
    return f"on average{by} within the margin up to {up_to}{_interval(t, passing, seen)}"


def _looked_at(t: Trend) -> str:
    """The last age that is spoken of: observed, or as far beyond as is allowed."""
    return (seen_time if t.horizon.bound <= t.horizon.oldest else whole_time)(t.horizon.bound)


def _interval(t: Trend, passing: Passing, seen: str = "") -> str:
    """In brackets: what was observed, and the fitted time with its interval; nothing is told beyond the last age looked at."""
    bound, low = t.horizon.bound, 0.0 if passing.outside[0] else float(passing.safe[0])
    told = [seen] * bool(seen)
    if low < bound:
        last, fitted = float(passing.latest[0]), float(passing.estimate[0])
        (low_, last_, fitted_), unit = _spans(low, last if last <= bound else math.inf, fitted if fitted <= bound else math.inf)
        days = " days" * (unit == "days")
        ends = f"{low_} to {last_}{days}" if last <= bound else f"from {low_}{days} with no end within {_looked_at(t)}"
        at = (f"at {fitted_} {unit}" if 0 < passing.estimate[0] <= bound else
              "at no age looked at" if passing.estimate[0] > bound else "by the youngest age seen")
        told.append(f"the fitted line passes it {at}, {100 * (1 - 2 * t.own.alpha):g} % interval {ends}")
    return f" ({'; '.join(told)})" if told else ""


def _bent_words(t: Trend) -> str:
    """By the means of the ages, where they do not lie on the declared course."""
    late = t.mean.latest[0]
    within = ("not shown within the margin at the youngest age" if t.mean.outside[0] else
              f"shown within the margin up to the age of {seen_time(t.mean.safe[0])}")
    beyond = f", beyond it from that of {seen_time(late)} on" if math.isfinite(late) else ""
    return (f"on average{_by(t, t.own.pair)} {within}{beyond}, by the means of the ages, because they do not lie on the "
            "declared course; nothing is said of other ages nor of the share of containers")


def courses(found: Ageing, study: Study) -> pd.DataFrame:
    """Lack of fit of the declared course and of others, over all groups of an analyte (COURSE_COLUMNS)."""
    declared, rows = course_of(study), []
    for analyte in dict.fromkeys(t.own.analyte for t in found.trends):
        for pair, course in product(_pairs(found, analyte), dict.fromkeys((declared, *HORIZONS))):
            some = [by for t in found.of(analyte) if (by := t.by(pair)) is not None]
            f = _fit(some, course)
            how = "no" if course != declared else "yes" if study.time is not None else "taken, not declared"
            rows.append((analyte, some[0].own.between, course.words(), how, f.statistic, f.df1, f.df2, f.p, f.sum_of_squares))
    return pd.DataFrame(rows, columns=COURSE_COLUMNS)


def _fit(trends: Sequence[Trend], course: Course) -> LackOfFit:
    own = [t.own for t in trends]
    return lack_of_fit(np.concatenate([o.values for o in own]), np.concatenate([o.months for o in own]),
                       np.concatenate([[o.label] * len(o.values) for o in own]), np.concatenate([o.units for o in own]), course)


def pooled(found: Ageing) -> pd.DataFrame:
    """ICH Q1E's preliminary tests for lots and for groups, its time, and lots as a sample of lots beside it (POOL_COLUMNS).

    By the pair of depths that decides in the group that passes first.
    """
    rows = []
    for analyte in dict.fromkeys(t.own.analyte for t in found.trends):
        first = earliest(found.of(analyte)).own.pair
        some = [by for t in found.of(analyte) if (by := t.by(first)) is not None]
        own, label = some[0].own, np.concatenate([[t.own.label] * len(t.own.values) for t in some])
        y, m, lots = (np.concatenate([getattr(t.own, k) for t in some]) for k in ("values", "months", "lots"))
        span, stop = (float(m.min()), float(m.max())), min(t.horizon.bound for t in some)
        for factor, codes in (("group", label), ("lot", lots)):
            if not _carries_lines(codes, m):
                continue
            p = pool(y, m, list(codes), own.course)
            at = ich_time(y, m, list(codes), own.course, own.edges, choice=p.choice, alpha=own.alpha, span=span, stop=stop)
            r = None if factor != "lot" else random_lots(y, m, list(codes), own.course, own.edges, own.share, alpha=own.alpha,
                                                         span=span, stop=stop)
            more = (r.lots, r.mean.safe[0], r.share.safe[0]) if r is not None else (0, math.nan, math.nan)
            rows.append((analyte, own.between, factor, len(set(codes)), p.rates_f, p.rates_p, p.levels_f, p.levels_p,
                         p.choice, at, *more))
    return pd.DataFrame(rows, columns=POOL_COLUMNS)


def _carries_lines(codes: np.ndarray, months: np.ndarray) -> bool:
    """True with two or more levels, each of three differences or more at two ages or more."""
    levels = set(codes)
    return len(levels) > 1 and all((codes == c).sum() > 2 and len(set(months[codes == c])) > 1 for c in levels)


def answers(study: Study, found: Ageing) -> pd.DataFrame:
    """One sentence a group: the time that the earliest analyte allows, with its interval (ANSWER_COLUMNS).

    *In short* names every analyte with its own times. Analytes that are for information only allow and forbid nothing here.
    """
    rows = []
    trends = _deciding(study, found)
    for label in dict.fromkeys(t.own.label for t in trends):
        some = [t for t in trends if t.own.label == label]
        first = earliest(some)
        text = _sentence(study, first, len(some)) + _unclear(study, [t for t in some if t is not first])
        rows.append((label, first.own.analyte, allowed(first), text, brief(study, some), holds.lots(study, found)))
    gone = dict[str, list[str]]()
    for a, why in found.left_out:
        gone.setdefault(why, []).extend([a] if study.decides(a) else [])
    none = [(", ".join(who), f"No time can be given for {series(map(study.label_of, who))}: {why}.")
            for why, who in gone.items() if who]
    return pd.DataFrame(rows + [("", who, 0.0, text, text, "") for who, text in none], columns=ANSWER_COLUMNS)


def _deciding(study: Study, found: Ageing) -> list[Trend]:
    return [t for t in found.trends if study.decides(t.own.analyte)]


def earliest(some: Sequence[Trend]) -> Trend:
    """The analyte whose mean is shown within for the shortest time; one that is unclear only where all are."""
    return min(some, key=lambda t: (unclear(t), 0.0 if t.mean.outside[0] else float(t.mean.safe[0]), float(t.mean.estimate[0])))


def allowed(t: Trend) -> float:
    """Months up to which the mean, and the share of containers where it can be judged, are shown within; 0 where at no age.

    Rounded down as they are told.
    """
    times = [t.mean, *([t.spread] if t.spread is not None else [])]
    seen = t.bent or t.horizon.bound <= t.horizon.oldest
    return min(0.0 if p.outside[0] else rounded(float(p.safe[0]), seen=seen and (t.bent or p.safe[0] >= t.horizon.bound))
               for p in times)


def _sentence(study: Study, t: Trend, analytes: int) -> str:
    label, who = t.own.label[0].upper() + t.own.label[1:], study.label_of(t.own.analyte)
    told = words(t) + tied(t)
    text = f"{label}: {who} decides; {told}." if analytes > 1 else f"{label}, {who}: {told}."
    return text + (f" Beyond {seen_time(t.horizon.oldest)} nothing was observed: {t.horizon.why}." if _far(t) else "")


def _unclear(study: Study, some: Sequence[Trend]) -> str:
    """The other analytes of which the mean, or the share of containers, is shown at no age."""
    means = [study.label_of(t.own.analyte) for t in some if unclear(t)]
    text = f" Shown neither within nor beyond at any age: {series(means)}." if means else ""
    shares = [study.label_of(t.own.analyte) for t in some if not unclear(t) and (t.spread is None or t.spread.outside[0])]
    return text + (f" Even at the youngest age it is not shown that at most {100 * some[0].own.share:g} % of containers lie "
                   f"beyond for {series(shares)}." if shares else "")


def tied(t: Trend) -> str:
    """What the containers of a group cannot tell apart, as the end of a sentence; '' where nothing is tied."""
    return "".join(tie.words() for tie in t.own.tied)


def _far(t: Trend) -> bool:
    return not t.mean.outside[0] and not t.bent and bool(t.mean.estimate[0] > t.horizon.oldest)


def actions(study: Study, found: Ageing, containers: pd.DataFrame, beyond: pd.DataFrame) -> pd.DataFrame:
    """What to do with each container that was drawn, as old as it is on the last day of a visit (ACTION_COLUMNS).

    ``beyond``: containers shown to lie beyond a margin themselves (columns container, analyte), whatever their group does.
    Treat: those, and what is older than the time from which its group is shown beyond. Sample again or treat: older than
    what is shown to be within, by the analyte that allows least; but for the scope "container" the share of containers must
    be shown too. Leave: younger; ``until`` is the day on which it reaches that time. A container without a line has a row
    that says so.
    """
    begins = dict(zip(containers["container"].astype(str), stands_from(containers, study), strict=True))
    trends = _deciding(study, found)
    of = {str(c): t.own.label for t in trends for by in t.pairs or (t,) for c in by.own.units}
    ages, last = _on_the_last_day(trends, begins)
    own = {str(c): part["analyte"].iloc[0] for c, part in beyond.groupby("container")} if len(beyond) else {}
    drawn, rows = {c for analyte, c in found.drawn if study.decides(analyte)}, []
    for c in (c for c in containers["container"].astype(str) if c in drawn):
        if c in own:
            rows.append((c, of.get(c, ""), ages.get(c, math.nan), last, TREAT, "", own[c], ITSELF))
            continue
        if c not in of:
            rows.append((c, "", math.nan, last, NOTHING, "", "", NO_LINE))
            continue
        what, who, reason, least = _judged(study, [t for t in trends if t.own.label == of[c]], ages[c])
        because = ", ".join(dict.fromkeys(t.own.analyte for t in who))
        rows.append((c, of[c], ages[c], last, what, _day(begins[c], least) if what == LEAVE else "", because, reason))
    return pd.DataFrame(rows, columns=ACTION_COLUMNS)


def _on_the_last_day(trends: Sequence[Trend], begins: dict[str, pd.Timestamp]) -> tuple[dict[str, float], str]:
    """Age of each container on the last day of a visit, and that day; where no day is known, its age when drawn."""
    newest: dict[str, tuple[str, float]] = {}
    for t in (by for group in trends for by in group.pairs or (group,)):
        for c, day, m in zip(t.own.units.tolist(), t.own.days.tolist(), t.own.months.tolist(), strict=True):
            newest[str(c)] = max((day, m), newest.get(str(c), ("", 0.0)))
    ages = {c: m for c, (_, m) in newest.items()}
    known = {c: begins[c] + pd.Timedelta(days=round(m * DAYS_A_MONTH)) for c, m in ages.items() if not pd.isna(begins[c])}
    if not known:
        return ages, ""
    last = max(known.values())
    return ages | {c: (last - begins[c]).days / DAYS_A_MONTH for c in known}, f"{last:%Y-%m-%d}"


def _judged(study: Study, some: Sequence[Trend], age: float) -> tuple[str, list[Trend], str, float]:
    """What to do at that age in a group: the word, the analytes that say so, why, and the months that they allow."""
    passed = min(some, key=lambda t: float(t.mean.latest[0]))
    if age > float(passed.mean.latest[0]) - 1 / DAYS_A_MONTH:
        late = [t for t in some if age > float(t.mean.latest[0]) - 1 / DAYS_A_MONTH]
        if all(comes_back(t, age) for t in late):
            return AGAIN, late, "the group's mean is shown beyond the margin at a younger age, and lies within at this one", 0.0
        return TREAT, late, "the group's mean is shown beyond the margin at this age or a younger one", 0.0
    needed = study.scope != "container"
    least = min([earliest(some), *some], key=lambda t: _shown_up_to(t, needed))
    up_to = _shown_up_to(least, needed)
    if age <= up_to - 1 / DAYS_A_MONTH:
        return LEAVE, [least], "", up_to
    if up_to and age <= _exactly(least):
        return AGAIN, [least], "the group is shown within up to this age, and for no older one", up_to
    if up_to:
        return AGAIN, [least], "the group is shown within up to a younger age only", up_to
    reason = _not_shown(least)
    return AGAIN, [t for t in some if not _shown_up_to(t, needed) and _not_shown(t) == reason], reason, 0.0


def comes_back(t: Trend, age: float) -> bool:
    """Whether the mean of every pair of depths lies within the margin at an age that was observed, whatever it did before."""
    if age > t.horizon.oldest + 1 / DAYS_A_MONTH:
        return False
    return all(by.own.edges[0] <= _mean_at(by, age) <= by.own.edges[1] for by in t.pairs or (t,))


def _mean_at(t: Trend, age: float) -> float:
    """Fitted difference at an age; where the ages do not lie on the course, the mean of those nearest to it."""
    if not t.bent:
        return float(t.at(np.array([age])).estimate[0, 0])
    ages, near = same_ages(t.own.months), int(np.abs(t.own.months - age).argmin())
    return float(t.own.values[ages == ages[near]].mean())


def _exactly(t: Trend) -> float:
    """The months of ``allowed``, not rounded; 0 where at no age."""
    times = [t.mean, *([t.spread] if t.spread is not None else [])]
    return min(0.0 if p.outside[0] else float(p.safe[0]) for p in times)


def _shown_up_to(t: Trend, share: bool) -> float:
    """``allowed``, and 0 where the share of containers is asked for and cannot be judged."""
    return 0.0 if share and t.spread is None else allowed(t)


def _not_shown(t: Trend) -> str:
    """What is shown at no age."""
    if t.mean.outside[0]:
        return "the group's mean is not shown within the margin even at the youngest age"
    share = f"at most {100 * t.own.share:g} % of containers lie beyond"
    return (f"at the youngest age it is not shown that {share}" if t.spread is not None else
            f"it is not known whether {share}, because the ages do not lie on the declared course" if t.bent else
            f"too few containers to show that {share}")


def _day(begins: pd.Timestamp, months: float) -> str:
    """The day on which a container has stood so long, the part of a day left out; empty where its beginning is not known."""
    return "" if pd.isna(begins) else f"{begins + pd.Timedelta(days=math.floor(months * DAYS_A_MONTH)):%Y-%m-%d}"


def said(study: Study, found: Ageing) -> str:
    """What was asked and declared about time, and which analytes or groups have no line, in sentences."""
    if not asked(study):
        return ("The study does not ask about time: study.toml has no section [time], and age is no factor that acts on "
                "depth.")
    course = course_of(study)
    text = (f"Declared before the data: {course.words()}." if study.time is not None else
            "No section [time] was declared, so a straight line in time is taken; a course chosen after the data decides "
            "nothing.")
    if study.time is None or study.time.starts is None:
        text += (" The clock starts at filling, or at the last mixing of a stored container where that is later; moves do "
                 "not count.")
    if any(t.own.again for t in found.trends):
        text += (" Containers were drawn again: every draw takes liquid out and stirs a little, so later differences may be "
                 "smaller than in a container left alone; the plan says how much is taken.")
    lots, gone = holds.lots(study, found), dict[str, list[str]]()
    for a, why in (*found.left_out, *found.lacking):
        gone.setdefault(why, []).append(study.label_of(a))
    text += (holds.all_pairs(found) + holds.rests(found) + holds.no_slopes(study) + holds.few(found) + f" {lots}" * bool(lots)
             + holds.more_lots(lots) + holds.over(found))
    return "\n".join([text, *(f"- {series(who)}: {why}." for why, who in gone.items())])


def record_times(stage: OpenStage, found: Ageing) -> None:
    """Record rates and times of every group under names of analyte and group."""
    for k, t in enumerate(found.trends):
        name = f"{''.join(c if c.isalnum() else '_' for c in t.own.analyte)}.{k if t.own.label != ALL else 'all'}"
        r = t.outer.rate
        year = t.own.margin.shown(float(r.estimate[0, 0]) * float(t.own.course.column(YEAR)))
        stage.record(f"rate_year.{name}", *on_margin(year, t.own.unit, t.own.margin.text), 3, kind="optimised",
                     table="rates.csv")
        for part, value in (("fitted", t.mean.estimate[0]), ("within", t.mean.safe[0]), ("beyond", t.mean.latest[0])):
            if math.isfinite(value):
                stage.record(f"time_{part}.{name}", float(value), "months", 3, kind="optimised", table="times.csv")
