"""All analytes of a study through the verdict stage: the verdict with its reasons, and every table beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput
from studykit.core.record import read_records, significant
from studykit.inference.share import share_bound_clear
from studykit.inference.single import CANNOT_CONCLUDE, LABEL
from studykit.model.fit import AnalyteModel, FittedModel
from studykit.model.tables import fit_all, safe_name
from studykit.plot.readable import readable
from studykit.quality.assess import judging_scatter, stated_scatter
from studykit.quality.controls import check_layered
from studykit.quality.flags import working_table
from studykit.quality.replicates import pooled_repeatability, scale_s
from studykit.study.exclusions import read_exclusions
from studykit.study.stages import OpenStage, StudyTables
from studykit.verdict import estimands
from studykit.verdict.limits import bounds_at_extremes
from studykit.verdict.rule import AnalyteVerdict, ComparedVerdict, StudyVerdict, judge, study_verdict
from studykit.verdict.stated import single_verdicts
from studykit.verdict.uses import action as action_by_use

BLIND = ("A layered control was not found stratified: this study could not have seen layering, so 'homogeneous' has "
         "no support here.")


def judge_all(stage: StudyTables, models: list[AnalyteModel]) -> StudyVerdict:
    """The study's verdict, with known-precision verdicts for one container and limits bounded by their extremes.

    A verdict that does not survive every extreme of its values below quantification becomes inconclusive,
    and so does every 'homogeneous' of a study whose layered control was not found stratified; each
    with that reason.
    """
    first = judge(stage.study, models, single_verdicts(stage.study, models))
    by_name = {m.analyte: m for m in models}
    found = tuple(_bounded(stage, by_name[v.analyte], v) for v in first.analytes)
    if any(v.word == "homogeneous" for v in found) and blind(stage):
        found = tuple(_unsupported(v, BLIND) if v.word == "homogeneous" else v for v in found)
    return first if found == first.analytes else study_verdict(stage.study, found)


def _bounded(stage: StudyTables, model: AnalyteModel, verdict: AnalyteVerdict) -> AnalyteVerdict:
    if not isinstance(model, FittedModel) or not model.rows.censored or verdict.word not in ("homogeneous", "stratified"):
        return verdict
    extremes = bounds_at_extremes(stage, model)
    if {w for _, w in extremes.words} == {verdict.word}:
        return replace(verdict, reasons=(*verdict.reasons, f"{_capital(extremes.reason)}."))
    return _unsupported(verdict, f"{_capital(extremes.reason)}.")


def _unsupported(verdict: AnalyteVerdict, why: str) -> AnalyteVerdict:
    """The same numbers with the word taken back, for a reason."""
    cleared = replace(verdict, needed=None) if isinstance(verdict, ComparedVerdict) else verdict
    return replace(cleared, word="inconclusive", sentence=f"{verdict.label}: inconclusive. {why}",
                   reasons=(why, *verdict.reasons))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


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


def record_verdict(stage: OpenStage, outcome: StudyVerdict, by_use: pd.DataFrame) -> str:
    """Record the verdict's words and numbers; returns the template of the opening sentence.

    ``by_use``: the table of ``uses.uses``, any row of which may veto the declared action.
    """
    stage.record("verdict", outcome.word)
    stage.record("verdict_sentence", outcome.sentence)
    stage.record("action", action_by_use(stage, outcome, by_use))
    for v in outcome.analytes:
        name = safe_name(v.analyte)
        table = f"rows-{name}.csv"
        stage.record(f"verdict.{name}", v.word, table=table)
        if not isinstance(v, ComparedVerdict):
            continue
        for part, value in (("difference", v.estimate), ("low", v.low), ("high", v.high)):
            stage.record(f"{part}.{name}", value, v.unit, 3, kind="optimised", table=table)
        if v.needed is not None:
            stage.record(f"needed.{name}", v.needed, table=table)
    return "{verdict_sentence} {action}"


def sentences(outcome: StudyVerdict) -> pd.DataFrame:
    """Each verdict in a sentence, with reasons, scope and what the method cannot see."""
    rows = [(v.analyte, v.word, v.sentence, " ".join(v.reasons), v.scope, v.blind_to) for v in outcome.analytes]
    return pd.DataFrame(rows, columns=["analyte", "verdict", "sentence", "reasons", "holds for", "blind spot of the method"])


def evidence_shown(table: pd.DataFrame) -> pd.DataFrame:
    """The table of evidence for a page: p in words, degrees of freedom of a known precision as 'known scatter'."""
    tests = [c for c in map(str, table.columns) if c.startswith("p ")]
    tested = [c for c in tests if table[c].notna().any()]
    dfs = ["known scatter" if np.isinf(d) else "" if d != d else significant(d, 3) for d in table["df"]]
    return readable(table, p=tested, drop=[c for c in tests if c not in tested]).assign(df=dfs)


def in_margins(outcome: StudyVerdict) -> pd.DataFrame:
    """Each judged analyte's widest pair of depths in units of its margin.

    Columns: analyte, verdict, pair, ratio, low, high (the 1 - 2 alpha interval).
    """
    rows = []
    for v in outcome.analytes:
        if isinstance(v, ComparedVerdict):
            contrast, edge = v.comparison.widest, v.comparison.margin.high
            span = contrast.interval(1 - 2 * v.comparison.alpha)
            rows.append((v.analyte, v.word, contrast.label, contrast.estimate / edge, span.low / edge, span.high / edge))
    return pd.DataFrame(rows, columns=["analyte", "verdict", "pair", "ratio", "low", "high"])


def margin_alt(table: pd.DataFrame) -> str:
    """Alt text of the margin figure."""
    parts = [f"{r['analyte']} {significant(r['ratio'], 2)} margins ({r['verdict']})" for r in table.to_dict("records")]
    return "Widest difference in units of the margin: " + "; ".join(parts)


def with_and_without(stage: OpenStage, outcome: StudyVerdict) -> pd.DataFrame:
    """The verdict with and without the results that a person excluded; empty where nothing was excluded."""
    columns = ["analyte", "excluded", "verdict as filed", "verdict with the excluded results", "reasons given"]
    excluded = read_exclusions(stage.root, stage.study, stage.results)
    if excluded.empty:
        return pd.DataFrame(columns=columns)
    other = judge_all(stage, fit_all(stage, with_excluded=True)).words()
    rows = []
    for analyte, word in outcome.words().items():
        mine = excluded[excluded["analyte"].isin([analyte, ""])]
        if len(mine):
            rows.append((analyte, len(mine), word, other[analyte], "; ".join(sorted(set(mine["reason"])))))
    return pd.DataFrame(rows, columns=columns)


def cannot(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """What this study cannot conclude, one sentence a row, the gravest first."""
    found = []
    try:
        if blind(stage):
            found.append(BLIND)
    except BadInput as error:
        found.append(str(error))
    alone = any(m.path == "known precision" for m in models)
    if alone:
        found.append(f"The answer {LABEL}.")
        found += [f"It cannot conclude {c}." for c in CANNOT_CONCLUDE]
    if not estimands.has_whole(stage.samples) and not alone:  # one container says so in its own words
        found.append("No sample stands for a whole container (remixed composite or fill-time sample): the claim is only "
                     "that the sampled zones agree or differ, not that nothing lies on the floor.")
    if not (stage.samples["kind"] == "heel").any():
        found.append("No heel draw was taken: the last litres were not seen.")
    most = max((m.n_containers for m in models if m.path == "mixed model"), default=0)
    if most:
        share = 100 * share_bound_clear(0, most)
        found.append(f"Even if none of {most} containers lay beyond the margin, up to {significant(share, 2)} % of "
                     "similar containers could (95 % bound).")
    return pd.DataFrame({"what": found})
