"""The answer by use: first litres, zones, last litres and floor, each with its own word; any of them can veto.

Zones that agree say nothing of what lies under the lowest of them, and containers that were opened little of one that
was not.  So an action that lets liquid be used as it stands, that of 'homogeneous' and that of 'uneven' for the
containers not named, is printed only where no use of any analyte is beyond the margin or undecided; without a draw at
the floor it is printed with the sentence that nothing is known of the floor, and for 'uneven' with one on the
containers that were not opened.

First and last litres: the uppermost and the lowest zone against the weighted mean of the zones, as in
``estimands.departures``; the last ones are within the margin only where the floor is, else as far as above the floor.
Floor: the heel draws against the zones of their own containers, on average as in ``estimands.whole``, and each container
of its own: one floor shown beyond the margin vetoes, and so does a share of floors that may be larger than the declared one.
Whole container, where what is left was stirred and sampled: the zones against it. Matter that the zones lack lies where nobody
drew, so it vetoes too where it is shown beyond the margin, on average or in some containers, or where the estimate is.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.listing import series
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel
from studykit.model.tables import usable
from studykit.quality.flags import listed
from studykit.study.actions import obeyed
from studykit.study.definition import Study
from studykit.study.spans import amount, unit_told
from studykit.study.stages import OpenStage
from studykit.verdict import cleared, estimands, unopened
from studykit.verdict.alone import measured_in, one_of_many
from studykit.verdict.floors import (
    BEYOND,
    HEEL,
    MOST,
    REST,
    SINGLE,
    UNDECIDED,
    UNKNOWN,
    WITHIN,
    Drawn,
    Floors,
    Told,
    each,
    of_one,
    on_average,
    word_of,
)
from studykit.verdict.rule import StudyVerdict

WHOLE = "whole container"
USES = ("first litres", "zones", "last litres", "floor", WHOLE)
WHEREVER = "wherever within their limits the values lie"
LESS, MORE = "the zones hold less: the rest lies where no sample was taken", "the zones hold more than the whole"
ABOVE = "within the margin above the floor"
AVERAGE = " on average"
"""Behind the words of first and last litres where the zones of the stock are not shown within: theirs are means too."""
OF_ZONES = {"homogeneous": WITHIN, "uneven": SINGLE, "stratified": BEYOND, "inconclusive": UNDECIDED}
OF_PLACE = {"inside the margin": WITHIN, "beyond the margin": BEYOND}
COLUMNS = ["analyte", "use", "word", "estimate", "low", "high", "unit", "margin", "why"]
LEVEL = "level, %"
"""Beside COLUMNS: that of the interval, where there is one."""
VETOES = (BEYOND, SINGLE, MOST, UNDECIDED)
"""Words of a use other than the zones that let no liquid be used as it stands."""
FULLY_TOLD = 3
"""Undecided uses that are told with their numbers where an action is vetoed; of more the names alone (page one)."""
UNSEEN = ("Nothing is known of the floor: no draw reached it. What follows holds for the zones sampled, not for the last "
          "litres nor for what lies on the floor.")

ASIDE, BY_USE = "Set aside what is named as beyond", " is vetoed by use: "
THE_FLOOR, SETTLE_IT = " The floor: ", " Do not use the last litres before this is settled"
ON_FLOOR = f"{THE_FLOOR}{{each}}.{SETTLE_IT}, and set the containers named for it aside."
"""Behind an action of a study without a word, where the floor is shown to lie beyond all the same."""
SETTLED = ". Do not use the last litres, nor count on the floor, before this is settled."
USED_AS_IT_STANDS = {"homogeneous": "The zones agree, but the action declared for \u201chomogeneous\u201d is vetoed by use: ",
                     "uneven": f"{ASIDE}{{named}}. The action declared for \u201cuneven\u201d is vetoed by use: "}
"""Words whose action lets some liquid be used unmixed, and what is printed in place of the action under a veto."""
AS_NAMED = (f"{ASIDE} (under \u201cWhich containers?\u201d). The action declared for \u201cuneven\u201d")
UNOPENED = ("Groups, and containers to be sampled again, are named too where there are any. None that is not named is "
            "thereby shown to be within the margin, opened or not: do with it as with the named ones until the interval of its "
            "own difference, in every pair of depths, lies inside the margin.")
OF_ONE_SIDE = " Of {names} that is the difference of every depth from the mixed container, on the side that counts."

FIRST = "Sample some of them first."


def uses(stage: OpenStage, models: list[AnalyteModel], outcome: StudyVerdict, drawn_of: Drawn | None = None) -> pd.DataFrame:
    """One row an analyte and use: word, estimate with its 1 - 2 alpha interval where there is one, unit, margin, why.

    Words: within the margin (the last litres: or so above the floor; of both only on average, where the stock is not
    homogeneous), beyond the margin (of floors also: in single containers), cannot tell, nothing is known. ``why``: the
    containers whose floors are shown beyond, or the share of floors that may be, and what the whole says; else ''. Estimates
    as in the tables they come from; the zones carry the pair of depths that decides. ``drawn_of``: ``floors.each``, where it
    is at hand.
    """
    drawn_of = each(stage, models) if drawn_of is None else drawn_of
    zones, results = estimands.departures(stage, models), usable(stage)
    others = _rows(stage, models)
    told = outcome.to_table().set_index("analyte")
    rows = []
    for model in models:
        name, margin = model.analyte, model.rows.margin
        edges = [100 * float(np.expm1(e)) if margin.scale == "log" else e for e in (margin.low, margin.high)]
        declared, drawn = stage.study.factors.depths, drawn_of[name, HEEL]
        floor = _mean(model, others.get((name, estimands.HEEL)), drawn)
        if model.path == "known precision" and (alone := of_one(stage, model, results)) is not None:
            floor = alone
        floor_word, why = word_of(stage, model, floor[0], drawn)
        verdict = told.loc[name]
        mean = AVERAGE * _of_the_mean(stage, model, str(verdict["stock"]))
        for use, depth in (("first litres", declared[0]), ("last litres", declared[-1])):
            mine = zones[(zones["analyte"] == name) & (zones["zone"] == depth)] if len(zones) else zones
            for r in mine.to_dict("records"):
                said = _word(r["low"], r["high"], edges)
                said = ABOVE if use == "last litres" and said == WITHIN != floor_word else said
                said += mean * (said in (WITHIN, ABOVE))
                rows.append((name, use, said, r["departure"], r["low"], r["high"], r["unit"], margin.text, ""))
            if depth in model.rows.absent:
                rows.append((name, use, UNKNOWN, np.nan, np.nan, np.nan, "", margin.text, ""))
        zone_word = str(verdict["stock"] if verdict["stock"] in ("uneven", "stratified") else verdict["verdict"])
        numbers = (np.nan, np.nan, np.nan, "") if zone_word != verdict["verdict"] else (  # those are the mean's, not beyond
            verdict["difference"], verdict["low"], verdict["high"], verdict["unit"])
        rows.append((name, "zones", OF_ZONES.get(zone_word, UNKNOWN), *numbers, margin.text, ""))
        rows.append((name, "floor", floor_word, *floor[1:], margin.both.text, why))
        rest = others.get((name, estimands.REST))
        if (found := _whole(stage, model, results, drawn_of[name, REST], rest, floor_word)) is not None:
            rows.append((name, WHOLE, *found[:-1], margin.both.text, found[-1]))
        if one_of_many(stage.study, model):
            rows = [_of_few(r, measured_in(stage, model)) if r[0] == name else r for r in rows]
    out = pd.DataFrame(rows, columns=COLUMNS)
    zone = out["analyte"].map(told[LEVEL]).astype(float).where(out["use"] == "zones", 100 - 200 * stage.study.alpha)
    return out.assign(**{LEVEL: zone.where(out["low"].notna())})


def caption(study: Study) -> str:
    """What the numbers of the answer by use are: whose, and with which intervals."""
    whose = "those of the one container" if study.scope == "container" else "means over the containers opened"
    return ("The answer by use: first litres, zones (the two depths that decide), last litres and floor. Numbers are "
            f"{whose}, with {study.level} intervals where no other is named.")


def _of_the_mean(stage: OpenStage, model: AnalyteModel, stock: str) -> bool:
    """Whether first and last litres are told of the mean of containers whose stock is not shown to be even."""
    return stage.study.scope != "container" and isinstance(model, FittedModel) and stock != "homogeneous"


def _of_few(row: tuple[Any, ...], measured: str) -> tuple[Any, ...]:
    """A row of an analyte measured in one container of a stock: what is within there is not shown to be elsewhere."""
    if row[2] not in (WITHIN, ABOVE, UNDECIDED):
        return row
    return *row[:2], UNDECIDED, *row[3:8], "; ".join(filter(None, (row[8], measured)))


def _rows(stage: OpenStage, models: list[AnalyteModel]) -> dict[tuple[str, str], dict[Hashable, Any]]:
    """Rows of ``estimands.whole`` by analyte and what they tell."""
    return {(r["analyte"], r["what"]): r for r in estimands.whole(stage, models).to_dict("records")}


def _mean(model: AnalyteModel, row: dict[Hashable, Any] | None, drawn: Floors, *, turned: bool = False) -> Told:
    """The average with its word; where some are known only as limits between which values it lies."""
    bounded = on_average(model, drawn, turned=turned) if row is not None or isinstance(model, FittedModel) else None
    return bounded or _floor(row)


def _whole(stage: OpenStage, model: AnalyteModel, results: pd.DataFrame, drawn: Floors, row: dict[Hashable, Any] | None,
           floor: str) -> tuple[str, float, float, float, str, str] | None:
    """Word, estimate, limits, unit and why of the zones against what was stirred after the draws; None without one.

    Where the heels show the ``floor`` within and no rest was lost, a few rests need not carry the share of containers too.
    """
    margin = model.rows.margin.both
    if not drawn.nearest and not drawn.unseen:
        return None
    found = _mean(model, row, drawn, turned=True)
    if model.path == "known precision" and (alone := of_one(stage, model, results, REST, turned=True)) is not None:
        found = alone
    word, why = word_of(stage, model, found[0], drawn, of_floors=False, share_asked=floor != WITHIN or bool(drawn.unseen))
    zones = -float(np.mean(list(drawn.nearest.values()))) if drawn.nearest else 0.0
    if word in (BEYOND, SINGLE, MOST) or (word == UNDECIDED and not margin.low < zones < margin.high):
        why = "; ".join(filter(None, (why, LESS if zones < 0 else MORE)))
    return word, *found[1:], why


def _word(low: float, high: float, edges: list[float]) -> str:
    if edges[0] < low and high < edges[1]:
        return WITHIN
    return BEYOND if low > edges[1] or high < edges[0] else UNDECIDED


def _floor(row: dict[Hashable, Any] | None) -> Told:
    """Word, estimate, low, high and unit of the floor on average; 'cannot tell' where a heel gives no interval."""
    if row is None:
        return UNKNOWN, np.nan, np.nan, np.nan, ""
    if row["estimate"] != row["estimate"]:
        return UNDECIDED, np.nan, np.nan, np.nan, ""
    return (OF_PLACE.get(str(row["interval lies"]), UNDECIDED), float(row["estimate"]), float(row["low"]),
            float(row["high"]), str(row["unit"]))


def against(table: pd.DataFrame, names: Mapping[str, str]) -> tuple[str, ...]:
    """Why liquid may not be used as it stands: uses beyond the margin or undecided, by name, with their numbers.

    Of more than ``FULLY_TOLD`` undecided ones the names alone, use by use, behind those beyond; their numbers are the table's.
    """
    rows = table[vetoing(table) & (table["use"] != "zones")]
    undecided = rows["word"] == UNDECIDED
    many = int(undecided.sum()) > FULLY_TOLD
    told = [f"{names[r['analyte']]}, {r['use']}: {said(r)}{_numbers(r)}"
            for r in rows[~(undecided & many)].to_dict("records")]
    shortly = rows[undecided & many].groupby("use", sort=False)["analyte"]
    return (*told, *(f"{use}: {UNDECIDED} for {series(names[a] for a in own)}" for use, own in shortly))


def vetoing(table: pd.DataFrame) -> pd.Series:
    """Rows whose word vetoes; a whole that cannot be told does not where the floor is shown within and none was lost."""
    told = table.reindex(columns=["why"])["why"].astype(object).fillna("").ne("")
    return table["word"].isin(VETOES) & ((table["use"] != WHOLE) | (table["word"] != UNDECIDED) | told)


def unseen(table: pd.DataFrame) -> bool:
    """Whether no draw reached any floor: nothing is known of one analyte either, and no limit is the reason."""
    floor = table[table["use"] == "floor"].reindex(columns=["word", "why"])
    return len(floor) > 0 and bool(((floor["word"] == UNKNOWN) & floor["why"].astype(object).fillna("").eq("")).all())


def said(row: Mapping[Hashable, Any]) -> str:
    """The word of a use, with its reason where one is told."""
    return f"{row['word']} ({row['why']})" if str(row.get("why") or "") not in ("", "nan") else str(row["word"])


def _numbers(r: dict[Hashable, Any]) -> str:
    if r["estimate"] != r["estimate"]:
        return f", {told} against {r['margin']}" if (told := between(r)) else ""
    mean, scale = "on average " if r["word"] in (SINGLE, MOST) else "", (str(r["unit"]), str(r["margin"]))
    level = f"{r[LEVEL]:g} % interval " if r.get(LEVEL, np.nan) == r.get(LEVEL, np.nan) else ""  # page one's table has another
    return (f", {mean}{amount(r['estimate'], *scale, signed=True)}{unit_told(*scale)} ({level}{amount(r['low'], *scale)} to "
            f"{amount(r['high'], *scale)}) against {r['margin']}")


def action(stage: OpenStage, outcome: StudyVerdict, table: pd.DataFrame) -> str:
    """The declared action as page one may print it: vetoed by a use, withheld by the safety section, or as it stands.

    Uses of analytes that are for information only veto nothing.
    """
    declared = obeyed(stage.study.safety, outcome.action) if outcome.action else ""
    table = table[table["analyte"].map(stage.study.decides).astype(bool)]
    declared = declared or "No action was declared for this verdict."
    unlike = unopened.sentence(stage, unopened.NOT_FOR)
    unlike += f" {FIRST}" * unlike.startswith(unopened.NOT_FOR)
    unlike = " ".join(filter(None, (cleared.without_any(stage, cleared.NOT_FOR), unlike)))
    if outcome.word not in USED_AS_IT_STANDS:
        lying = of_floors(table, stage.study.labels) if outcome.word != "stratified" else ""
        return f"{declared}{lying} {unlike}".rstrip()
    if reasons := against(table, stage.study.labels):
        declared = (USED_AS_IT_STANDS[outcome.word].format(named=_named(outcome)) + "; ".join(reasons)
                    + SETTLED)
    elif unseen(table):
        declared = f"{UNSEEN} {declared}"
    sided = [stage.study.label_of(a) for a, d in stage.study.analytes.items() if d.margin.side]
    own = OF_ONE_SIDE.format(names=series(sided)) if sided else ""
    told = (declared, UNOPENED + own if outcome.word == "uneven" else "", unlike)
    return " ".join(filter(None, told))


def floors_beyond(table: pd.DataFrame) -> pd.DataFrame:
    """The rows of the answer by use whose floor is shown to lie beyond, on average or in single containers."""
    return table[(table["use"] == "floor") & table["word"].isin((BEYOND, SINGLE))]


def of_floors(table: pd.DataFrame, names: Mapping[str, str]) -> str:
    """Of which analytes the floor is shown to lie beyond, in which containers, and what follows; '' where of none."""
    each = "; ".join(f"{names[r['analyte']]}, {said(r)}" for r in floors_beyond(table).to_dict("records"))
    own = ON_FLOOR if SINGLE in each else ON_FLOOR.replace(", and set the containers named for it aside", "")
    return own.format(each=each) if each else ""


def shortly(action: str) -> str:
    """An action for a page that names the containers, and tells what speaks against each use, in sentences of their own."""
    first, floor, last = action.partition(THE_FLOOR)
    if floor and SETTLE_IT in last:
        return first + SETTLE_IT.replace("this", "the floor") + last.rpartition(SETTLE_IT)[2]
    before, vetoed, told = action.partition(BY_USE)
    _, settled, after = told.partition(SETTLED)
    if not vetoed or not settled:
        return action
    _, aside, _ = before.partition(ASIDE)
    before = before[:before.index(ASIDE)] + AS_NAMED if aside else before
    return f"{before} is not quoted: by the uses below it is vetoed{settled}{after}"


def _named(outcome: StudyVerdict) -> str:
    """The containers and groups shown to lie beyond the margin of any analyte, in brackets; '' where none is."""
    stocks = [v.stock for v in outcome.analytes if v.decides and v.stock]
    both = (sorted({c for s in stocks for c in s.beyond}), sorted({g for s in stocks for g in s.groups}))
    return f" ({'; '.join(listed(names, 12) for names in both if names)})" if any(both) else ""


def shown(table: pd.DataFrame) -> pd.DataFrame:
    """A page's form: one row an analyte, one column a use, word and interval in the cell."""
    if table.empty:
        return pd.DataFrame(columns=["analyte", *USES])
    usual = float(table[LEVEL].min()) if LEVEL in table else math.nan
    cells = table.assign(cell=[said(r) + _interval(r, usual) for r in table.to_dict("records")])
    wide = cells.pivot(index="analyte", columns="use", values="cell")
    kept = [u for u in USES if u != WHOLE or (table["use"] == WHOLE).any()]
    wide = wide.reindex(index=list(dict.fromkeys(table["analyte"])), columns=kept)
    wide = wide.astype(object).fillna("not worked out")  # a use that no analyte has is a column of numbers without any
    return wide.rename_axis(columns=None).reset_index()


def between(r: Mapping[Hashable, Any]) -> str:
    """Between which values an average lies of which some are known only as limits; '' where nothing is known of it."""
    low, high, scale = float(r["low"]), float(r["high"]), (str(r["unit"]), str(r["margin"]))
    unit = unit_told(*scale)
    if low != low or high != high or (np.isinf(low) and np.isinf(high)):
        return ""
    if np.isinf(low) or np.isinf(high):
        end, side = (low, "more") if np.isinf(high) else (high, "less")
        return f"on average {amount(end, *scale)}{unit} or {side}, {WHEREVER}"
    return f"on average from {amount(low, *scale)} to {amount(high, *scale)}{unit}, {WHEREVER}"


def _interval(r: dict[Hashable, Any], usual: float) -> str:
    """The number with its interval: told as the mean's behind the names of containers, its level where it is not the usual."""
    if r["estimate"] != r["estimate"]:
        return f": {told}" if (told := between(r)) else ""
    mean = "on average " * (said(r) != r["word"] or r["word"] in (SINGLE, MOST))
    level = float(r.get(LEVEL, usual))
    wider = f", {level:g} % interval for all pairs together" if level > usual else ""
    scale = str(r["unit"]), str(r["margin"])
    return (f": {mean}{amount(r['estimate'], *scale)} ({amount(r['low'], *scale)} to {amount(r['high'], *scale)}{wider})"
            f"{unit_told(*scale)}")
