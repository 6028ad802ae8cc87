"""All analytes of a study through the verdict stage: the verdict with its reasons, and every table beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd
from matplotlib.figure import Figure

from studykit.core.errors import BadInput
from studykit.core.record import read_records, significant
from studykit.inference.share import share_bound_clear
from studykit.model.fit import AnalyteModel, group_contrasts
from studykit.model.tables import fit_all
from studykit.plot.profiles import by_age as by_age_figure
from studykit.quality.assess import judging_scatter, stated_scatter
from studykit.quality.controls import check_layered
from studykit.quality.flags import working_table
from studykit.quality.replicates import pooled_repeatability, scale_s
from studykit.study.exclusions import read_exclusions
from studykit.study.stages import OpenStage
from studykit.verdict import estimands
from studykit.verdict import stated as known
from studykit.verdict.pouring import consequences, typical_container
from studykit.verdict.rule import AnalyteVerdict, StudyVerdict, judge, standing_out, study_verdict
from studykit.verdict.shares import bounds_at_extremes

BLIND = ("A layered control was not found stratified: this study could not have seen layering, so 'homogeneous' has "
         "no support here.")


def judge_all(stage: OpenStage, models: list[AnalyteModel]) -> StudyVerdict:
    """The study's verdict, with known-precision verdicts for one container and limits bounded by their extremes.

    A verdict that does not survive every extreme of its values below quantification becomes inconclusive,
    and so does every 'homogeneous' of a study whose layered control was not found stratified; each
    with that reason.
    """
    first = judge(stage.study, models, known.single_verdicts(stage.study, models))
    by_name = {m.analyte: m for m in models}
    found = tuple(_bounded(stage, by_name[v.analyte], v) for v in first.analytes)
    if any(v.word == "homogeneous" for v in found) and blind(stage):
        found = tuple(_unsupported(v, BLIND) if v.word == "homogeneous" else v for v in found)
    return first if found == first.analytes else study_verdict(stage.study, found)


def _bounded(stage: OpenStage, model: AnalyteModel, verdict: AnalyteVerdict) -> AnalyteVerdict:
    if not model.rows.censored or model.fit is None or verdict.word not in ("homogeneous", "stratified"):
        return verdict
    extremes = bounds_at_extremes(stage, model)
    if {w for _, w in extremes.words} == {verdict.word}:
        return replace(verdict, reasons=(*verdict.reasons, f"{_capital(extremes.reason)}."))
    return _unsupported(verdict, f"{_capital(extremes.reason)}.")


def _unsupported(verdict: AnalyteVerdict, why: str) -> AnalyteVerdict:
    """The same numbers with the word taken back, for a reason."""
    return replace(verdict, word="inconclusive", sentence=f"{verdict.label}: inconclusive. {why}",
                   reasons=(why, *verdict.reasons), needed=None)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def blind(stage: OpenStage) -> bool:
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


def record_verdict(stage: OpenStage, outcome: StudyVerdict, models: list[AnalyteModel]) -> str:
    """Record the verdict's words and numbers; returns the template of the opening sentence."""
    from studykit.model.tables import safe_name

    stage.record("verdict", outcome.word)
    stage.record("verdict_sentence", outcome.sentence)
    stage.record("action", outcome.action or "No action was declared for this verdict in study.toml.")
    for v in outcome.analytes:
        name = safe_name(v.analyte)
        table = f"rows-{name}.csv"
        stage.record(f"verdict.{name}", v.word, table=table)
        if v.word == "not assessed":
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


def margin_alt(table: pd.DataFrame) -> str:
    """Alt text of the margin figure."""
    parts = [f"{r['analyte']} {significant(r['ratio'], 2)} margins ({r['verdict']})" for r in table.to_dict("records")]
    return "Widest difference in units of the margin: " + "; ".join(parts)


def singles(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """What two single results can show of each analyte with its stated repeatability."""
    return known.arithmetic_table(stage.study, models)


def single_words(stage: OpenStage, models: list[AnalyteModel]) -> str:
    """The arithmetic of single results in plain words, for this study's depths and analytes."""
    from studykit.inference.critical_range import singles_arithmetic

    told = singles_arithmetic(len(stage.study.factors.depths), 1, len(stage.study.analytes), alpha=stage.study.alpha)
    return "\n".join(f"- {s}" for s in told.sentences())


def no_single(models: list[AnalyteModel]) -> str:
    """Why there is no table of one container's evidence."""
    if any(m.path == "known precision" for m in models):
        return "One container was sampled, but none of its analytes could be judged; the reasons stand beside the verdicts."
    return "Several containers were sampled, so their own scatter is used and nothing rests on a stated repeatability alone."


def groups(stage: OpenStage, models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """Bottom minus top by group for the analytes that are not homogeneous (all, where none is)."""
    words = outcome.words()
    chosen = [m for m in models if m.fit is not None and words[m.analyte] != "homogeneous"]
    parts = []
    for m in chosen:
        table, note = group_contrasts(m, stage.study)
        if len(table):
            table.insert(0, "analyte", m.analyte)
            parts.append(table.assign(note=note) if note else table)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["analyte"])


def outstanding(models: list[AnalyteModel], outcome: StudyVerdict, most: int = 5) -> pd.DataFrame:
    """Containers with the largest own bottom-minus-top difference, for analytes that are not homogeneous."""
    words = outcome.words()
    parts = [standing_out(m).head(most).assign(analyte=m.analyte, unit=m.shown_unit) for m in models
             if m.fit is not None and words[m.analyte] != "homogeneous"]
    columns = ["analyte", "container", "lot", "store", "age_months", "contrast", "unit", "n"]
    parts = [p for p in parts if len(p)]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def by_age(models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """Every container's own contrast with its age and store, of the analyte that stands furthest from homogeneous.

    A stratified analyte comes before an inconclusive one. Empty where none is either, or where all
    containers have one age.
    """
    words = outcome.words()
    for word in ("stratified", "inconclusive"):
        for m in models:
            table = standing_out(m) if m.fit is not None and words[m.analyte] == word else pd.DataFrame()
            if len(table) and table["age_months"].notna().all() and table["age_months"].round(1).nunique() > 1:
                ordered = table.sort_values(["age_months", "container"], ignore_index=True)
                return ordered.assign(analyte=m.analyte, unit=m.shown_unit)[
                    ["analyte", "container", "store", "age_months", "contrast", "unit"]]
    return pd.DataFrame(columns=["analyte", "container", "store", "age_months", "contrast", "unit"])


def age_figure(models: list[AnalyteModel], table: pd.DataFrame) -> Figure | None:
    """The figure of ``by_age``; None where its table is empty."""
    if table.empty:
        return None
    margin = next(m.rows.margin for m in models if m.analyte == table["analyte"].iloc[0])
    low, high = ((100 * math.expm1(x) if margin.scale == "log" else x) for x in (margin.low, margin.high))
    return by_age_figure(table, f"{table['analyte'].iloc[0]}, {table['unit'].iloc[0]}", low, high)


def age_alt(table: pd.DataFrame) -> str:
    """Alt text of that figure: the smallest and largest contrast with their ages."""
    if table.empty:
        return "no figure"
    rows = sorted(table.to_dict("records"), key=lambda r: float(r["contrast"]))
    told = " to ".join(f"{significant(float(r['contrast']), 2)} {r['unit']} at {float(r['age_months']):.0f} months"
                       for r in (rows[0], rows[-1]))
    return f"Bottom minus top of each container against age, {table['analyte'].iloc[0]}: {told}."


def whole(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Heel against the zones, and zones against the whole container."""
    return estimands.whole_table(stage.study, models, stage.containers, stage.samples, stage.results)


def departures(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """Largest departure of a zone from the weighted whole."""
    return estimands.departure_table(stage.study, models, stage.containers, stage.samples)


def pouring(stage: OpenStage, models: list[AnalyteModel], outcome: StudyVerdict) -> pd.DataFrame:
    """First and last litres of an unmixed container of median fill, for analytes that are not homogeneous."""
    columns = ["analyte", "which", "litres", "content %", "low %", "high %", "share of the analyte %"]
    container, words = typical_container(stage.containers), outcome.words()
    if container is None:
        return pd.DataFrame(columns=columns)
    vessel, height = stage.study.vessels[container["vessel"]], float(container["liquid_height_mm"])
    parts = [consequences(m, vessel, height).assign(analyte=m.analyte) for m in models
             if m.fit is not None and words[m.analyte] != "homogeneous"]
    parts = [p for p in parts if len(p)]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


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
        found.append(f"The answer {known.LABEL}.")
        found += [f"It cannot conclude {c}." for c in known.CANNOT_CONCLUDE]
    if not estimands.has_whole(stage.samples) and not alone:  # one container says so in its own words
        found.append("No sample stands for a whole container (remixed composite or fill-time sample): the claim is only "
                     "that the sampled zones agree or differ, not that nothing lies on the floor.")
    if not (stage.samples["kind"] == "heel").any():
        found.append("No heel draw was taken: the last litres were not seen.")
    fitted = [m.n_containers for m in models if m.path == "mixed model"]
    if fitted:
        share = 100 * share_bound_clear(0, max(fitted))
        found.append(f"Even if none of {max(fitted)} containers lay beyond the margin, up to {significant(share, 2)} % of "
                     "similar containers could (95 % bound).")
    return pd.DataFrame({"what": found})
