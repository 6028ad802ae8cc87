"""May these numbers be trusted? Everything asked of the results before a model sees them.

``assess`` runs every check and returns one frozen report: completeness against the plan,
duplicates and repeatability against what the method promises, controls, mass balance, the
laboratory's order, profiles, suspicious numbers, exclusions. Checks flag; they never delete.

What departs is explained by ``suspects.search``: one model over all analytes, and competing explanations
of what it leaves, real settling among them. Slips of whole files are undone for that search first.

Which scatter is used to judge: the study's own duplicates of one zone where they have six degrees
of freedom or more, unless they are smaller than stated beyond chance; else the laboratory's or the
method's stated repeatability, else whatever own repeats there are. The mass balance takes the larger of own and stated,
duplicates and the remixed control also what bottles scatter about the model.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput
from studykit.core.files import safe_name
from studykit.core.ties import sort_key
from studykit.quality import plausibility as suspicions
from studykit.quality.again import second_measurings, superseded
from studykit.quality.alone import slips_alone
from studykit.quality.ceiling import saturated_curve
from studykit.quality.controls import Controls, assess_controls, read_check_limits
from studykit.quality.copies import Chances, copied_rows
from studykit.quality.disorder import bottles_out_of_order
from studykit.quality.doubtful import doubtful_limits, without
from studykit.quality.flags import CHANCE, CONCERNS, LOST, CheckResult, Flag, Scatter, flag_table, listed, working_table
from studykit.quality.floor import thinned_floor, without_wet
from studykit.quality.fluids import by_one_factor, rules_beside
from studykit.quality.frame import build_frame, one_of_two, spread
from studykit.quality.heels import of_the_floor
from studykit.quality.massbalance import mass_balance
from studykit.quality.mistaken import blank_for_bottle
from studykit.quality.refused import refused_readings
from studykit.quality.replicates import (
    PooledRepeatability,
    check_duplicates,
    check_repeatability,
    duplicate_pairs,
    pooled_repeatability,
    scale_s,
    tamed,
)
from studykit.quality.riders import beside_copies, beside_slips, causes_of, without_riders
from studykit.quality.rules import control_rules
from studykit.quality.runs import uncarried
from studykit.quality.slips import check_files, file_table
from studykit.quality.suspects import Suspects, check_order, check_suspects, search
from studykit.quality.visits import unfold
from studykit.study.columns import NO_CONTAINER
from studykit.study.definition import Study
from studykit.study.exclusions import Usable, no_exclusions, read_exclusions, usable_results
from studykit.study.precision import in_place_of_published, resolve_precision
from studykit.study.stages import OpenStage

DRAWN_DF = 8.0
"""Degrees of freedom, at most, of the scatter of drawn bottles: their tails are heavier than normal."""
ROUNDED = 0.3
"""Scatter of rounding in steps: 1/sqrt(12) for evenly spread remainders."""
OWN_DF = 6
"""Degrees of freedom from which the study's own duplicates are preferred to a stated repeatability."""

__all__ = ["QualityReport", "assess", "completeness", "read_exclusions", "record_quality", "stated_scatter", "usable_results"]


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityReport:
    """Everything the quality stage found.

    completeness: a row an analyte (planned, drawn, measured, quantified, below_limit, excluded, usable, missing; samples).
    missing: a row a planned sample that lacks results. duplicates, repeatability, mass_balance, flags, exclusions, counts:
    tables of those checks. controls: see ``Controls``. checks: every check with its own table. scatter: what results are
    judged by. suspects: the model and its explanations. sentences: the findings in plain words, most pressing first.
    """

    completeness: pd.DataFrame
    missing: pd.DataFrame
    duplicates: pd.DataFrame
    repeatability: pd.DataFrame
    flags: pd.DataFrame
    controls: Controls
    mass_balance: pd.DataFrame
    exclusions: pd.DataFrame
    usable: Usable
    checks: tuple[CheckResult, ...]
    scatter: dict[str, Scatter]
    working: pd.DataFrame
    suspects: Suspects
    sentences: tuple[str, ...]

    @property
    def blind(self) -> bool:
        """True when a layered control was not found stratified: no verdict 'homogeneous' may be drawn."""
        return self.controls.blind

    def check(self, rule: str) -> CheckResult:
        """The check of that rule; ValueError lists the rules there are."""
        for c in self.checks:
            if c.rule == rule:
                return c
        raise ValueError(f"rule must be one of {', '.join(c.rule for c in self.checks)}, but got {rule!r}")

    def to_table(self) -> pd.DataFrame:
        """The flags, most pressing first (a copy)."""
        return self.flags.copy()

    def findings(self) -> pd.DataFrame:
        """The sentences as a table with one column, finding."""
        return pd.DataFrame({"finding": list(self.sentences)})

    def widest_duplicates(self, n: int = 12) -> pd.DataFrame:
        """The n differences that are largest against their limit (all of them are in ``duplicates``)."""
        order = self.duplicates.sort_values("ratio", ascending=False, kind="stable", key=sort_key).head(n)
        return order[["analyte", "kind", "container", "depth", "first", "second", "difference", "limit", "unit",
                      "ratio"]].reset_index(drop=True)

    def closures(self) -> pd.DataFrame:
        """Mass balance in short: for each analyte and kind of whole the containers, mean, lowest, highest closure."""
        t = self.mass_balance.groupby(["analyte", "whole_is"], as_index=False)["closure_percent"].agg(
            ["size", "mean", "min", "max"])
        return t.rename(columns={"whole_is": "compared with", "size": "containers", "mean": "mean, %",
                                 "min": "lowest, %", "max": "highest, %"})

    def judged_by(self) -> pd.DataFrame:
        """One row an analyte: the scatter of one determination that results are judged by, and its source."""
        relative = self.working.groupby("analyte")["relative"].first()
        unit = self.working.groupby("analyte")["unit"].first()
        rows = [(a, s.s * (100 if relative[a] else 1), "%" if relative[a] else unit[a], s.df, s.source)
                for a, s in self.scatter.items()]
        return pd.DataFrame(rows, columns=["analyte", "s_r", "unit", "df", "source"])

    def exclusions_shown(self) -> pd.DataFrame:
        """What a person took out, in few columns (all of them are in ``exclusions``)."""
        columns = ["sample", "analyte", "replicate", "as_written", "unit", "reason", "who", "date"]
        return self.exclusions.reindex(columns=columns)

    def overview(self) -> pd.DataFrame:
        """One row a check: what was looked at, how many flags of each concern, and why not, if so."""
        rows = [(c.rule, len(c.table), *[sum(f.concern == k for f in c.flags) for k in CONCERNS], c.note)
                for c in self.checks]
        return pd.DataFrame(rows, columns=["check", "looked_at", *CONCERNS, "note"])


def record_quality(stage: OpenStage, report: QualityReport) -> None:
    """Record the numbers that the report quotes: samples, flags by concern, exclusions, controls."""
    c = report.completeness
    lost = int(report.missing["all_lost"].sum()) if len(report.missing) else 0
    planned = int(c["planned"].max()) if len(c) else 0
    stage.record("samples_planned", planned)
    stage.record("samples_with_results", planned - lost)
    for concern, name in zip(CONCERNS, ("flags_stop", "flags_ask", "flags_hint"), strict=True):
        stage.record(name, int((report.flags["concern"] == concern).sum()))
    stage.record("results_excluded", len(report.exclusions))
    for analyte, (own, known) in in_place_of_published(stage.study.analytes, stage.results).items():
        stage.record(f"r_stated.{safe_name(analyte)}", own, "%", 2)
        stage.record(f"r_published.{safe_name(analyte)}", known, "%", 2)
    layered = report.controls.table
    measured = bool((layered["control"] == "layered control").any())
    stage.record("layered_control", "not found stratified" if report.blind else (
        "none measured" if not measured else "found stratified" if (layered["found"] == "stratified").any()
        else "could not be judged"))


def completeness(study: Study, samples: pd.DataFrame, results: pd.DataFrame,
                 usable: Usable) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Counts of samples for each analyte, planned to usable, and the samples that lack results.

    Planned: all samples of the plan. Drawn: those with a drawing time where any has one (blanks and
    check fluids are not drawn, they count), else all. Measured: with a result or a limit. Usable:
    quantified and not excluded.
    """
    planned = samples[["sample", "container", "kind", "depth"]].copy()
    timed = "drawn_at" in samples and samples["drawn_at"].notna().any()
    drawn = (samples["drawn_at"].notna() | samples["kind"].isin(NO_CONTAINER)) if timed else (
        pd.Series(True, samples.index))
    rows = []
    lacking: dict[str, list[str]] = {str(s): [] for s in planned["sample"]}
    for analyte in study.analytes:
        own, kept = (f[f["analyte"] == analyte] for f in (results, usable.rows))
        out = usable.excluded[usable.excluded["analyte"] == analyte]
        measured, numbers, good = (set(s.unique()) for s in (
            own["sample"], own.loc[own["qualifier"] == "", "sample"], kept.loc[kept["qualifier"] == "", "sample"]))
        for s in planned.loc[~planned["sample"].isin(measured), "sample"]:
            lacking[str(s)].append(analyte)
        rows.append((analyte, len(planned), int(drawn.sum()), len(measured), len(numbers), len(measured - numbers),
                     out["sample"].nunique(), len(good), len(planned) - len(measured)))
    names = ["analyte", "planned", "drawn", "measured", "quantified", "below_limit", "excluded", "usable", "missing"]
    planned["drawn"] = drawn.to_numpy()
    planned["lacks"] = [" ".join(lacking[str(s)]) for s in planned["sample"]]
    planned["all_lost"] = [len(lacking[str(s)]) == len(study.analytes) for s in planned["sample"]]
    return pd.DataFrame(rows, columns=names), planned[planned["lacks"] != ""].reset_index(drop=True)


def _place(row: Mapping[Hashable, Any]) -> str:
    """Where a sample belongs: its container and zone, or what it is."""
    return f"container {row['container']}, {row['depth'] or row['kind']}" if row["container"] else str(row["kind"])


def _missing_check(study: Study, missing: pd.DataFrame, refused: Collection[tuple[str, str]]) -> CheckResult:
    """Samples without results. ``refused``: sample and analyte of readings that came and that the intake did not take."""
    flags, came = [], {s for s, _ in refused}
    for r in missing[missing["all_lost"]].to_dict("records"):
        place = _place(r)
        what = "its readings came and were refused at intake (tidy/rejected.csv says why)." if r["sample"] in came else (
            f"{LOST}: a lost bottle?" if r["drawn"] else "was planned and not drawn")
        flags.append(Flag(rule="missing results", concern="ask before trusting", where=f"sample {r['sample']}",
                          samples=(str(r["sample"]),), evidence=f"{place}: {what} No value is made up for it."))
    part = missing[~missing["all_lost"]]
    for analyte in study.analytes:
        own = part[part["lacks"].str.split().map(lambda x, a=analyte: a in x).astype(bool)]
        regular = own[~own["kind"].isin(["blank", "check fluid"])]
        if len(regular):
            back = [s for s in regular["sample"] if (s, analyte) in refused]
            told = f"; of {len(back)} of them a reading came and was refused at intake (tidy/rejected.csv says why)"
            flags.append(Flag(rule="missing results", concern="ask before trusting" if back else "hint only", where="plan",
                              analyte=analyte, samples=tuple(regular["sample"]),
                              evidence=f"{len(regular)} samples have other results but none for this analyte: "
                                       f"{listed(list(regular['sample']))}{told if back else ''}"))
    return CheckResult(rule="missing results", table=missing, flags=tuple(flags))


def stated_scatter(study: Study, t: pd.DataFrame) -> dict[str, Scatter]:
    """Stated repeatability of each analyte at its median level, in its unit: the laboratory's, else published.

    NaN where neither is known; the source then says why.
    """
    level = t.groupby("analyte")["value"].median()
    out: dict[str, Scatter] = {}
    for analyte, declared in study.analytes.items():
        if analyte not in level or not level[analyte] > 0:
            out[analyte] = Scatter(s=float("nan"), source="no level to state it at")
            continue
        try:
            found = resolve_precision(float(level[analyte]), declared.unit, own=declared.repeatability,
                                      method_key=declared.method_key, analyte=analyte)
        except BadInput as error:
            out[analyte] = Scatter(s=float("nan"), source=error.faults[0].reason)
            continue
        words = "; ".join(w for w in (found.source, found.sure, found.warning) if w)
        out[analyte] = Scatter(s=found.s_r, df=found.df, source=words)
    return out


def judging_scatter(t: pd.DataFrame, stated: Mapping[str, float], sources: Mapping[str, str],
                    pooled: tuple[PooledRepeatability, ...]) -> dict[str, Scatter]:
    """The scatter that each analyte is judged by, on the scale of ``y``, with its source in words."""
    out: dict[str, Scatter] = {}
    for analyte in t["analyte"].unique():
        own = {p.kind: p for p in pooled if p.analyte == analyte and p.s > 0}
        best = own.get("same zone") or own.get("same sample")
        s = stated.get(str(analyte), float("nan"))
        zone = own.get("same zone")
        if zone is not None and zone.df >= OWN_DF and not zone.p_smaller() < CHANCE:
            out[str(analyte)] = Scatter(s=zone.s, df=zone.df, source="this study's duplicates")
        elif s > 0:
            out[str(analyte)] = Scatter(s=float(s), source=sources.get(str(analyte), "stated"))
        elif best is not None:
            out[str(analyte)] = Scatter(s=best.s, df=best.df, source=f"this study's repeats ({best.kind})")
        else:
            out[str(analyte)] = Scatter(s=float("nan"), source=sources.get(str(analyte), "not known"))
    return out


def assess(study: Study, containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame, *,
           root: Path | str | None = None, exclusions: pd.DataFrame | None = None,
           stated: Mapping[str, float] | None = None, limits: pd.DataFrame | None = None) -> QualityReport:
    """Run every check of the quality stage on the typed tables of a study.

    ``root``: study folder, from which ``plan/exclusions.csv`` and ``plan/check_limits.csv`` are read
    unless given as ``exclusions`` and ``limits``. ``stated``: repeatability standard deviations in
    the unit of each analyte, instead of those of study.toml. BadInput where a file has faults.
    Excluded rows stay in the checks, so that what a person took out can still be seen.
    """
    folder = None if root is None else Path(root)
    if exclusions is None:
        exclusions = no_exclusions() if folder is None else read_exclusions(folder, study, results)
    limits = read_check_limits(folder, study) if limits is None and folder is not None else limits
    usable = usable_results(results, samples, containers, exclusions)
    visits = unfold(study, containers, samples, results)
    containers, samples = visits.containers, visits.samples
    t = working_table(study, containers, samples, results)
    known = stated_scatter(study, t)
    given = {a: k.s for a, k in known.items()} if stated is None else dict(stated)
    promised = scale_s(study, t, given)
    in_doubt = doubtful_limits(file_table(study, t, limits))
    limits = without(limits, in_doubt)
    files, factor = check_files(study, t, limits)
    blanks = blank_for_bottle(results, samples)
    read = undone(t[~(t["kind"].eq("blank") & t["sample"].isin(blanks.table["sample_blank"]))], factor)
    steps = suspicions.reporting_steps(_of_the_stock(results, samples))
    frame = build_frame(without_wet(read, promised), results, samples, _no_finer(promised, steps, t), limits, tests_of(study),
                        study.labels)
    suspects = search(frame)
    kept = one_of_two(read, promised)
    pooled = tuple(tamed(p) for p in pooled_repeatability(_unexplained(kept, suspects), promised))
    scatter = judging_scatter(t, promised, {a: k.source for a, k in known.items()}, pooled)
    again = second_measurings(superseded(folder), t, promised, {a: k.s for a, k in scatter.items()}, tests_of(study),
                              study.labels)
    counts, missing = completeness(study, samples, results, usable)
    drawn = _drawn(suspects, scatter)
    controls = assess_controls(study, t, samples, results, scatter, drawn, limits, set(in_doubt.table["analyte"]))
    controls = replace(controls, flags=by_one_factor(controls.flags, t, limits, study.labels))
    slipped = slips_alone(study, read, _slips_of(suspects))
    looked = _Looked(study=study, containers=containers, samples=samples, results=results, t=t,
                     kept=one_of_two(t, promised), promised=promised,
                     pooled=pooled, scatter=scatter, drawn=drawn, suspects=suspects, steps=steps,
                     slipped=frozenset(zip(slipped.table["analyte"], slipped.table["container"], strict=True)))
    causes = causes_of(suspects, files, t, (*blanks.flags, *slipped.flags))
    own = (*_all_checks(looked), CheckResult(rule="controls", table=controls.table, flags=controls.flags),
           *control_rules(t, limits, promised))
    clean = uncarried(frame, suspects.found, read)
    single = (*check_suspects(suspects), slipped, bottles_out_of_order(clean, scatter, study.labels, _named(suspects)),
              thinned_floor(clean, scatter, _named(suspects)))
    named = beside_slips((*beside_copies(single, own), *rules_beside(controls.flags, without_riders(own, causes))))
    checks = (_missing_check(study, missing, refused_readings(folder)), *named[:len(single)], files, in_doubt, blanks,
              *check_order(suspects, t, again.bottles), again.check, *named[len(single):])
    tables = {c.rule: c.table for c in checks}
    flags = tuple(f for c in checks for f in c.flags)
    return QualityReport(
        completeness=counts, missing=missing, duplicates=tables["duplicates"], repeatability=tables["repeatability"],
        flags=flag_table(flags), controls=controls, mass_balance=tables["mass balance"], exclusions=usable.excluded,
        usable=usable, checks=checks, scatter=scatter, working=t, suspects=suspects,
        sentences=(*_sentences(counts, missing, usable, flags, checks, controls), *([visits.later] if visits.later else [])))


def tests_of(study: Study) -> dict[str, str]:
    """Which test reads each analyte: its kind and the method that the study names."""
    return {a: f"{x.kind} by {x.method}" for a, x in study.analytes.items()}


def undone(t: pd.DataFrame, factor: pd.Series) -> pd.DataFrame:
    """The working table with slips of whole files undone."""
    factor = factor.reindex(t.index)
    if not (factor != 1.0).any():
        return t
    value = t["value"] / factor
    return t.assign(value=value, y=np.where(t["relative"], np.log(value.where(t["relative"], 1.0)), value))


def _of_the_stock(results: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """The results without blanks and check fluids."""
    return results[~results["sample"].isin(samples.loc[samples["kind"].isin(["blank", "check fluid"]), "sample"])]


def _no_finer(promised: Mapping[str, float], steps: pd.DataFrame, t: pd.DataFrame) -> dict[str, float]:
    """The promised scatter, and no less than about what rounding to the reported step gives by itself."""
    step = steps.groupby("analyte")["step"].max()
    level, relative = (t.groupby("analyte")["value"].median(), t.groupby("analyte")["relative"].first())
    own = {a: ROUNDED * float(step.get(a, 0.0)) / (float(level[a]) if relative[a] else 1.0) for a in level.index}
    return {a: max(s, own.get(a, 0.0)) if s > 0 else s for a, s in promised.items()}


def _unexplained(t: pd.DataFrame, suspects: Suspects) -> pd.DataFrame:
    """The working table without single cells, bottles and containers that an explanation concerns."""
    f = suspects.frame
    gone = pd.MultiIndex.from_tuples(
        [(f.rows["sample"].iat[i], f.rows["run"].iat[i], f.analytes[a]) for c in suspects.found
         if not c.place.startswith("run ") for i in c.rows for a in c.columns], names=["sample", "run", "analyte"])
    return t[~pd.MultiIndex.from_frame(t[["sample", "run", "analyte"]]).isin(gone)] if len(gone) else t


def _named(suspects: Suspects) -> set[str]:
    """Samples of which an explanation stands that is not of a run, nor one analyte's; containers of a floor that is named."""
    f = suspects.frame
    own = {i for c in suspects.found if not c.place.startswith("run ") and len(c.columns) > 1 for i in c.rows
           if c.cause != "own settling"}
    wet = {str(f.rows["container"].iat[i]) for c in suspects.found if of_the_floor(c) for i in c.rows}
    return {str(f.rows["sample"].iat[i]) for i in own} | wet


def _slips_of(suspects: Suspects) -> frozenset[tuple[str, str]]:
    """Sample and analyte of the slips of single bottles that stand already."""
    f = suspects.frame
    return frozenset((str(f.rows["sample"].iat[i]), f.analytes[a]) for c in suspects.found
                     if c.cause == "unit slip" for i in c.rows for a in c.columns)


def _apart(suspects: Suspects) -> frozenset[tuple[str, str]]:
    """Analyte and container wherever an explanation other than real settling stands."""
    f = suspects.frame
    box = f.rows["container"].astype(str).to_numpy(object)
    return frozenset((f.analytes[a], box[i]) for c in suspects.found
                     if c.cause != "own settling" and not c.place.startswith("run ") for i in c.rows for a in c.columns)


def _drawn(suspects: Suspects, scatter: Mapping[str, Scatter]) -> dict[str, Scatter]:
    """Scatter of one drawn and measured bottle, scale of y: the larger of what judges and what the model leaves.

    Of a single container, or a few bottles, the model leaves what one wrong bottle makes of it: there it does not count.
    """
    f = suspects.frame
    left_df = f.zone.sum() - len(np.unique(f.at[f.zone])) - len(np.unique(f.place[f.zone])) + 1
    left = np.median(suspects.model.s[f.zone], axis=0) if left_df >= OWN_DF else np.full(len(f.analytes), np.nan)
    by_model = {a: float(v) if np.isfinite(v) else 0.0 for a, v in zip(f.analytes, left, strict=True)}
    return {a: Scatter(s=max(s.s, by_model.get(a, 0.0)) if s.s > 0 else by_model.get(a, 0.0) or float("nan"),
                       df=min(s.df, DRAWN_DF), source=s.source) for a, s in scatter.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """What the single checks look at."""

    study: Study
    containers: pd.DataFrame
    samples: pd.DataFrame
    results: pd.DataFrame
    t: pd.DataFrame
    kept: pd.DataFrame
    promised: Mapping[str, float]
    pooled: tuple[PooledRepeatability, ...]
    scatter: Mapping[str, Scatter]
    drawn: Mapping[str, Scatter]
    suspects: Suspects
    steps: pd.DataFrame
    slipped: frozenset[tuple[str, str]] = frozenset()  # analyte and container

    def in_unit(self, scatter: Mapping[str, Scatter]) -> dict[str, Scatter]:
        """Scatter in the unit of each analyte, at its middle level."""
        level, relative = (self.t.groupby("analyte")[c].agg(h) for c, h in (("value", "median"), ("relative", "first")))
        return {a: replace(s, s=s.s * (float(level[a]) if relative[a] else 1.0)) for a, s in scatter.items()}


def _about_the_model(suspects: Suspects) -> dict[str, float]:
    """What bottles of the stock scatter about container and depth, scale of y, less what the fit took; 0 if not known."""
    f = suspects.frame
    lost = min(0.6, (len(np.unique(f.at[f.zone])) + 3) / max(1, f.zone.sum()))
    return dict(zip(f.analytes, np.nan_to_num(spread(suspects.model.e[f.zone], lost)).tolist(), strict=True))


def _chances(suspects: Suspects, scatter: Mapping[str, float]) -> Chances:
    """What bottles scatter about container and depth, and how the analytes go together in that, for equal values."""
    f = suspects.frame
    z = np.clip(suspects.model.z[f.zone], -3, 3)
    if len(z) < 3 * len(f.analytes):
        return Chances(scatter=scatter)
    wide = pd.DataFrame(z, columns=list(f.analytes))
    own = spread(suspects.model.e[f.zone])
    return Chances(scatter=scatter, own=dict(zip(f.analytes, np.nan_to_num(own).tolist(), strict=True)),
                   together=wide.loc[:, wide.std() > 0].corr(min_periods=8).dropna(how="all"))


def _all_checks(x: _Looked) -> tuple[CheckResult, ...]:
    free = set(x.samples.loc[x.samples["kind"].isin(["blank", "check fluid"]), "sample"])
    drawn, fluid, steps = _of_the_stock(x.results, x.samples), x.t[~x.t["sample"].isin(free)], x.steps
    judged = {a: s.s for a, s in x.in_unit(x.scatter).items()}
    single = {a: s.s for a, s in x.drawn.items()}
    s_y = dict(x.promised) if any(v > 0 for v in x.promised.values()) else {a: s.s for a, s in x.scatter.items()}
    rough = steps.assign(s=steps["analyte"].map(judged).astype(float))
    wider = {a: replace(s, s=float(np.fmax(s.s, x.promised.get(a, np.nan))), df=min(s.df, DRAWN_DF))
             for a, s in x.scatter.items()}
    coarse = set(rough.loc[rough["step"] > 0.5 * rough["s"], "analyte"])
    return (
        check_duplicates(duplicate_pairs(x.study, x.t, s_y, single, x.kept), x.study.label_of),
        check_repeatability(x.pooled, coarse, _about_the_model(x.suspects)),
        mass_balance(x.study, x.containers, x.samples, x.kept, x.in_unit(wider), _apart(x.suspects) | x.slipped),
        suspicions.impossible_values(x.results, set(x.samples.loc[x.samples["kind"] == "blank", "sample"])),
        suspicions.marked_cells(x.results, x.study.label_of),
        copied_rows(fluid, steps, _chances(x.suspects, single)),
        suspicions.rounding(steps, x.study, judged),
        saturated_curve(fluid, steps),
        suspicions.digit_preference(drawn, steps),
        suspicions.odd_limits(drawn, x.samples),
        suspicions.wear_metals(x.study, x.t, x.results),
        suspicions.zinc_to_phosphorus(x.kept[~x.kept["sample"].isin(free)]),
    )


def _sentences(counts: pd.DataFrame, missing: pd.DataFrame, usable: Usable, flags: tuple[Flag, ...],
               checks: tuple[CheckResult, ...], controls: Controls) -> tuple[str, ...]:
    planned = int(counts["planned"].max()) if len(counts) else 0
    lost = [f"{r['sample']} ({_place(r)})" for r in missing[missing["all_lost"]].to_dict("records")]
    none = f" No result: {listed(lost)}." if lost else ""
    out = [f"{planned} samples were planned; {planned - len(lost)} have results.{none}"]
    if controls.blind:
        out.insert(0, next(s for s in controls.sentences if s.startswith("STOP")))
    for concern in CONCERNS:
        own = sorted({f.rule for f in flags if f.concern == concern})
        if own:
            n = sum(f.concern == concern for f in flags)
            out.append(f"{concern[0].upper() + concern[1:]}: {n} flag{'s' if n > 1 else ''} ({listed(own, 12)}).")
    if not flags:
        out.append("No check raised a flag.")
    quiet = [c.rule for c in checks if c.note.startswith("not assessed")]
    if quiet:
        out.append(f"Could not be assessed in this study: {listed(quiet, 12)}.")
    n_out = len(usable.excluded)
    out.append(f"{n_out} result{' was' if n_out == 1 else 's were'} taken out by a person, with reasons; the verdict is "
               "shown with and without."
               if n_out else "No result was taken out.")
    return tuple(out) + tuple(s for s in controls.sentences if not s.startswith("STOP"))
