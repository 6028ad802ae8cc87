"""All analytes of a study through the verdict stage: the verdict with its reasons, and every table beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput
from studykit.core.files import safe_name
from studykit.core.listing import series
from studykit.core.record import read_records, significant
from studykit.inference.margin import Margin
from studykit.inference.share import share_bound_clear
from studykit.inference.single import CANNOT_CONCLUDE, LABEL
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel, celled
from studykit.model.tables import fit_all, usable
from studykit.plot.readable import readable
from studykit.quality.assess import judging_scatter, stated_scatter
from studykit.quality.controls import check_layered
from studykit.quality.flags import listed, working_table
from studykit.quality.replicates import pooled_repeatability, scale_s
from studykit.study.definition import Margin as DeclaredMargin
from studykit.study.definition import Study
from studykit.study.lock import earlier_margins, locked_margins
from studykit.study.spans import on_margin
from studykit.study.stages import OpenStage, StudyTables
from studykit.verdict import cleared, estimands, unopened
from studykit.verdict.alone import measured_in, of_one_only, one_of_many
from studykit.verdict.containers import beyond_of, rounded_up, share_of
from studykit.verdict.floors import REST
from studykit.verdict.pouring import litres_of_ends
from studykit.verdict.rule import (
    NO_RESULT,
    AnalyteVerdict,
    ComparedVerdict,
    StudyVerdict,
    judge,
    least_told,
    study_verdict,
)
from studykit.verdict.stated import single_verdicts
from studykit.verdict.uses import action as action_by_use

BLIND = ("A layered control was not found stratified: this study could not have seen layering, so 'homogeneous' has "
         "no support here.")


def judge_all(stage: StudyTables, models: list[AnalyteModel]) -> StudyVerdict:
    """The study's verdict, with known-precision verdicts for one container.

    'Homogeneous' speaks of every pair of declared depths: an analyte without a result at one of them is inconclusive, and
    so is every 'homogeneous' of a study whose layered control was not found stratified; each with that reason. What was
    measured in one container of a stock is open for the stock (``alone``).
    """
    first = judge(stage.study, models, single_verdicts(stage.study, models)).analytes
    first = tuple(of_one_only(stage, v, m) for v, m in zip(first, models, strict=True))
    seen = tuple(_of_all_depths(v, m) for v, m in zip(first, models, strict=True))
    if any(v.word == "homogeneous" for v in seen) and blind(stage):
        seen = tuple(_unsupported(v, BLIND) if v.word == "homogeneous" else v for v in seen)
    return study_verdict(stage.study, seen)


def _of_all_depths(verdict: AnalyteVerdict, model: AnalyteModel) -> AnalyteVerdict:
    """The verdict, inconclusive where a declared depth has no result of this analyte."""
    absent = model.rows.absent
    if not absent or verdict.word not in ("homogeneous", "inconclusive"):
        return verdict
    return _unsupported(verdict, NO_RESULT.format(listed(absent)))


def _unsupported(verdict: AnalyteVerdict, why: str) -> AnalyteVerdict:
    """The same numbers with the word taken back, for a reason."""
    cleared = verdict
    if isinstance(verdict, ComparedVerdict):
        stock = verdict.stock
        weak = stock is not None and stock.word == "homogeneous"
        cleared = replace(verdict, needed=None, stock=replace(stock, word="inconclusive") if stock and weak else stock)
    return replace(cleared, word="inconclusive", sentence=f"{verdict.label}: inconclusive. {why}",
                   reasons=(why, *verdict.reasons))


def blind(stage: StudyTables) -> bool:
    """True where a layered control was measured and not found stratified.

    Taken from what the quality stage recorded; where it has not run, the controls alone are judged anew.
    """
    filed = stage.out.parent / "04-quality" / "numbers.json"
    if filed.exists():
        for record in read_records(filed):
            if record.name == "layered_control":
                return record.value == "not found stratified"
    if not (stage.containers["treatment"] == "layered control").any():
        return False
    study, t = stage.study, working_table(stage.study, stage.containers, stage.samples, stage.results)
    stated = stated_scatter(study, t)
    promised = scale_s(study, t, {a: s.s for a, s in stated.items()})
    scatter = judging_scatter(t, promised, {a: s.source for a, s in stated.items()}, pooled_repeatability(t, promised))
    return check_layered(t, scatter, study)[2]


def record_verdict(stage: OpenStage, outcome: StudyVerdict, by_use: pd.DataFrame,
                   models: list[AnalyteModel] | None = None) -> str:
    """Record the verdict's words and numbers; returns the template of the opening sentence.

    ``by_use``: the table of ``uses.uses``, any row of which may veto the declared action. ``models``: those that the verdict
    judged, where they are at hand.
    """
    stage.record("verdict", outcome.word)
    stage.record("verdict_sentence", outcome.sentence)
    stage.record("action", action_by_use(stage, outcome, by_use))
    for part, litres in litres_of_ends(stage).items():
        stage.record(f"litres.{part}", litres, "L", 2 if litres < 100 else 3, table="plan/containers.csv")
    for v in outcome.analytes:
        name = safe_name(v.analyte)
        table = f"rows-{name}.csv"
        stage.record(f"verdict.{name}", v.word, table=table)
        if not isinstance(v, ComparedVerdict):
            continue
        d = v.decided
        for part, value in (("difference", d.estimate), ("low", d.low), ("high", d.high)):
            stage.record(f"{part}.{name}", *on_margin(value, d.unit, d.margin), 3, kind="optimised", table=table)
        if v.containers:
            stage.record(f"containers.{name}", v.containers, table=table)
        stage.record(f"level.{name}", 100 * d.level, "%", 3, table="verdicts.csv")
        if v.word == "stratified":
            value, unit = least_told(v.comparison)
            stage.record(f"at_least.{name}", value, unit, 3, kind="optimised", table="evidence.csv")
        if v.stock is not None:
            stage.record(f"stock.{name}", v.final, table=table)
        if v.stock is not None and v.containers:
            stage.record(f"share.{name}", 100 * v.stock.share_upper, "%", 3, table="shares.csv")
        if v.needed is not None:
            stage.record(f"needed.{name}", v.needed, table=table)
            if 0 < v.containers < v.needed:
                stage.record(f"more.{name}", v.needed - v.containers, table=f"needed.{name} - containers.{name}")
    if at_lock := at_locked_margins(stage, outcome, models):
        stage.record("verdict_at_lock", at_lock[0])
        stage.record("verdict_sentence_at_lock", at_lock[1])
    return "{verdict_sentence} {action}" + " {verdict_sentence_at_lock}" * bool(at_lock)


def sentences(outcome: StudyVerdict) -> pd.DataFrame:
    """Each verdict in a sentence, with reasons, scope and what the method cannot see."""
    rows = [(v.analyte, v.word, v.final, v.sentence, " ".join(v.reasons), v.scope, v.blind_to) for v in outcome.analytes]
    return pd.DataFrame(rows, columns=["analyte", "verdict", "stock", "sentence", "reasons", "holds for",
                                       "blind spot of the method"])


def evidence_shown(table: pd.DataFrame) -> pd.DataFrame:
    """The table of evidence for a page: p in words, degrees of freedom of a known precision as 'known scatter'."""
    tests = [c for c in map(str, table.columns) if c.startswith("p ")]
    tested = [c for c in tests if table[c].notna().any()]
    dfs = ["known scatter" if np.isinf(d) else "" if d != d else significant(d, 3) for d in table["df"]]
    return readable(table, p=tested, drop=[c for c in tests if c not in tested]).assign(df=dfs)


def in_margins(outcome: StudyVerdict) -> pd.DataFrame:
    """Each judged analyte's deciding pair of depths in units of its margin.

    Columns: analyte, verdict, pair, ratio, low, high (the interval that decides). With a one-sided margin among them also
    ``side``: -1 or 1 where only that side counts, else 0.
    """
    rows = []
    for v in outcome.analytes:
        if isinstance(v, ComparedVerdict):
            margin, d = v.comparison.margin, v.decided
            ratios = [_in_margins(margin, x) for x in (d.estimate, d.low, d.high)]
            rows.append((v.analyte, v.word, d.pair, *ratios))
    out = pd.DataFrame(rows, columns=["analyte", "verdict", "pair", "ratio", "low", "high"])
    sides = [v.comparison.margin.side for v in outcome.analytes if isinstance(v, ComparedVerdict)]
    return out.assign(side=sides) if any(sides) else out


def _in_margins(margin: Margin, told: float) -> float:
    """A difference as told in multiples of the margin; minus 100 per cent and what has no end are infinite."""
    if not math.isfinite(told):
        return told
    return -math.inf if margin.log and told <= -100 else margin.in_margins(margin.from_shown(told))


def limits(models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """What values known only within bounds (limits, coarse rounding) do to each verdict, and what follows."""
    words, rows = outcome.words(), []
    for m in models:
        bounds = m.bounds if isinstance(m, FittedModel) else None
        if m.rows.censored or bounds is not None:
            why = bounds.reason if bounds is not None else " ".join(m.notes) if words[m.analyte] == "not assessed" else (
                "see its sentence above")
            rows.append((m.analyte, m.rows.censored, len(m.rows.table), words[m.analyte], why))
    return pd.DataFrame(rows, columns=["analyte", "known only as a limit", "of results", "verdict", "what follows"])


def intervals_named(study: Study) -> str:
    """Which interval decides, and of which words it is another."""
    return f"{study.level} interval (of inconclusive analytes the {study.level_of_all} one that holds for all pairs together)"


def margin_alt(table: pd.DataFrame, names: Mapping[str, str], words: Mapping[str, str]) -> str:
    """Alt text of the margin figure."""
    parts = [f"{names[r['analyte']]} {significant(r['ratio'], 2) or 'an unknown number of'} margins ({words[r['analyte']]})"
             for r in table.to_dict("records")]
    return "Deciding difference in units of the margin: " + "; ".join(parts)


def not_drawn(outcome: StudyVerdict) -> str:
    """A sentence, with a blank before it, on the analytes of which no number can be told; '' without any."""
    told = [f"{v.label} ({v.word})" for v in outcome.analytes if not isinstance(v, ComparedVerdict)]
    return f" Not drawn, because no number can be told: {series(told)}." if told else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Otherwise:
    """A study's tables under another definition."""

    study: Study
    root: Path
    out: Path
    containers: pd.DataFrame
    samples: pd.DataFrame
    results: pd.DataFrame


def at_earlier_margins(stage: OpenStage, outcome: StudyVerdict, models: list[AnalyteModel] | None = None) -> pd.DataFrame:
    """The word of an analyte at each margin that it was locked with, beside the word at the margin that counts now.

    ``models``: of every analyte at the margins that count now, where they are at hand. Columns: analyte, name, margin before,
    word before, margin, word; empty where no margin changed after the lock.
    """
    columns = ["analyte", "name", "margin before", "word before", "margin", "word"]
    try:
        changed = earlier_margins(stage.root, stage.study)
    except BadInput:  # a lock edited by hand: the report says so elsewhere
        changed = {}
    rows, now = [], outcome.told_words()
    for key, margins in changed.items():
        declared = stage.study.analytes[key]
        for margin in margins:
            word = _judged_with(stage, models, {key: margin}).told_words()[key]
            rows.append((key, stage.study.label_of(key), margin.text(declared.unit), word, declared.margin.text(declared.unit),
                         now[key]))
    return pd.DataFrame(rows, columns=columns)


def _judged_with(stage: OpenStage, models: list[AnalyteModel] | None, margins: Mapping[str, DeclaredMargin]) -> StudyVerdict:
    """The study's verdict, had some analytes other margins; only those whose margin differs are fitted again."""
    other = {k: stage.study.analytes[k].model_copy(update={"margin": m}) for k, m in margins.items()
             if models is None or m != stage.study.analytes[k].margin}
    study = stage.study.model_copy(update={"analytes": {**stage.study.analytes, **other}})
    tables = _Otherwise(study=study, root=stage.root, out=stage.out, containers=stage.containers, samples=stage.samples,
                        results=stage.results)
    again = {m.analyte: m for m in fit_all(tables, only=other)}
    return judge_all(tables, [again.get(m.analyte, m) for m in (fit_all(stage) if models is None else models)])


def at_locked_margins(stage: OpenStage, outcome: StudyVerdict, models: list[AnalyteModel] | None = None
                      ) -> tuple[str, str] | None:
    """The study's word at the margins that were locked first, and a sentence with every word; None where no word differs."""
    try:
        locked = locked_margins(stage.root, stage.study)
    except BadInput:  # a lock edited by hand: the report says so elsewhere
        return None
    other = _judged_with(stage, models, {k: m for k, (m, _) in locked.items()}) if locked else outcome
    if (other.word, other.told_words()) == (outcome.word, outcome.told_words()):
        return None
    which = "; ".join(f"{stage.study.label_of(k)} {m.text(stage.study.analytes[k].unit)}" for k, (m, _) in locked.items())
    when = "locked beforehand" if all(early for _, early in locked.values()) else "that were locked first"
    return other.word, f"At the margin{'s' * (len(locked) > 1)} {when} ({which}): {other.sentence}".replace(
        "margin that were", "margin that was")


def _lost_wholes(stage: OpenStage) -> list[str]:
    """Of how many containers whose rest was to be stirred and sampled nothing came back, in a sentence."""
    samples = stage.samples[stage.samples["kind"].isin(REST)]
    came = samples["sample"].isin(usable(stage)["sample"])
    planned, seen = samples["container"].nunique(), samples.loc[came, "container"].nunique()
    return [f"A sample that stands for a whole container came back from {seen} of {planned} containers: of the others only "
            "the sampled zones are known to agree or differ."] if seen < planned else []


def _others_like_these(study: Study, models: list[AnalyteModel]) -> list[str]:
    """How many similar containers could lie beyond: of analytes with containers named beyond, else had none been."""
    could = dict[str, list[str]]()
    for m in (m for m in celled(models) if study.decides(m.analyte) and beyond_of(study, m).names):
        upper = share_of(study, m).upper
        most = "all" if upper >= 1 else f"up to {rounded_up(upper):g} %"
        could.setdefault(most, []).append(study.label_of(m.analyte))
    if could:
        return [f"Of similar containers that were not opened {most} could lie beyond the margin of {series(names)} "
                f"({study.level_of_all} bound)." for most, names in could.items()]
    opened = max((m.n_containers for m in models if m.path == "mixed model"), default=0)
    of = "" if all(map(study.decides, study.analytes)) else " of an analyte that decides"
    most = significant(100 * share_bound_clear(0, opened), 2) if opened else ""
    return [f"Even if none of {opened} containers lay beyond the margin{of}, up to {most} % of similar containers could (95 % "
            "bound)."] if opened else []


def cannot(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """What this study cannot conclude, one sentence a row, the gravest first."""
    found = []
    try:
        if blind(stage):
            found.append(BLIND)
    except BadInput as error:
        found.append(str(error))
    found += filter(None, (unopened.sentence(stage), cleared.without_any(stage)))
    few = [m for m in models if one_of_many(stage.study, m) and stage.study.decides(m.analyte)]
    found += [f"{stage.study.label_of(m.analyte)} was {measured_in(stage, m)}: what is said of it {LABEL}." for m in few]
    single = not few and any(m.path == "known precision" for m in models)
    if single:
        found.append(f"The answer {LABEL}.")
        found += [f"It cannot conclude {c}." for c in CANNOT_CONCLUDE]
    heel = (stage.samples["kind"] == "heel").any()
    if not estimands.has_whole(stage.samples) and not single:  # one container says so in its own words
        found.append("No sample stands for a whole container (remixed composite or fill-time sample): the claim is only "
                     "that the sampled zones agree or differ, not "
                     + ("how much lies on the floor in all." if heel else "that nothing lies on the floor."))
    else:
        found += _lost_wholes(stage)
    if not heel:
        found.append("No heel draw was taken: what lies on the floor was not seen.")
    found += _others_like_these(stage.study, models)
    return pd.DataFrame({"what": found})
