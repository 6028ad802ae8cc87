"""All analytes of a study through the model stage: fits, tables, and the numbers that are recorded."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from studykit.core.files import safe_name, write_csv
from studykit.core.listing import series
from studykit.core.record import significant
from studykit.inference.equivalence import DECLARED, LOST, OWN
from studykit.inference.single import SingleResult
from studykit.model.analyte import CONTRAST_COLUMNS, AnalyteModel
from studykit.model.fit import FittedModel, fit_analyte, fitted
from studykit.model.profile import PROFILE_COLUMNS
from studykit.model.rows import model_rows
from studykit.model.stated import single_profile, single_results
from studykit.study.definition import Study
from studykit.study.exclusions import read_exclusions, without_excluded
from studykit.study.spans import on_margin
from studykit.study.stages import OpenStage, StudyTables

SOURCES = {"container": "containers", "container:depth": "profiles of containers", "run": "laboratory runs",
           "residual": "determinations"}
"""What each random term's standard deviation is the scatter of, in words."""


def usable(stage: StudyTables) -> pd.DataFrame:
    """Results that enter the model: all but those a person excluded with a reason (plan/exclusions.csv)."""
    exclusions = read_exclusions(stage.root, stage.study, stage.results)
    return without_excluded(stage.results, exclusions)


def fit_all(stage: StudyTables, *, with_excluded: bool = False, only: Collection[str] | None = None) -> list[AnalyteModel]:
    """Fit every declared analyte, or ``only`` some; ``with_excluded`` takes the excluded results in as well.

    A numerical failure of one analyte is that analyte's finding, 'not assessed' with its reason.
    """
    results = stage.results if with_excluded else usable(stage)
    return [_safely(stage, a, results) for a in stage.study.analytes if only is None or a in only]


def _safely(stage: StudyTables, analyte: str, results: pd.DataFrame) -> AnalyteModel:
    try:
        return fit_analyte(stage.study, analyte, stage.containers, stage.samples, results)
    except (ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        rows = model_rows(stage.study, analyte, stage.containers, stage.samples, results)
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        return AnalyteModel(rows=rows, alpha=stage.study.alpha, path="not assessed", notes=(f"The calculation failed: {why}.",))


def example(models: list[AnalyteModel]) -> AnalyteModel:
    """The first analyte whose outer depths were measured in every container; else the first fitted; else the first."""
    ready = fitted(models)
    complete = [m for m in ready if m.cells.exact.all() and np.isfinite(m.cells.low[:, [0, -1]]).all()]
    return [*complete, *ready, *models][0]


def fits(models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte: path, rows, containers, random terms, convergence, second opinion."""
    columns = ["analyte", "path", "rows", "containers", "random terms", "iterations", "largest gradient", "at zero",
               "REML criterion", "statsmodels differs by", "second opinion", "model in R's notation"]
    table = pd.DataFrame([m.trust() | {columns[-1]: notation(m)} for m in models]).reindex(columns=columns)
    # the last digits of a gradient at an optimum are rounding: the power of ten tells all there is
    table["largest gradient"] = [f"below {_power(g)}" if g == g else "" for g in table["largest gradient"]]
    table["statsmodels differs by"] = [f"below {_power(abs(g))}" if g == g else "" for g in
                                       table["statsmodels differs by"]]
    return table


def fits_shown(table: pd.DataFrame) -> pd.DataFrame:
    """``fits`` for a page: what was fitted, in one line an analyte; one that was not fitted has no counts."""
    out = table[["analyte", "path", "rows", "containers", "random terms", "at zero", "largest gradient",
                 "statsmodels differs by", "second opinion"]]
    return out.assign(**{c: [f"{int(v)}" if v == v else "" for v in out[c]] for c in ("rows", "containers")})


def _power(value: float) -> str:
    for power in range(-6, 3):
        if value < 10.0**power:
            return f"1e{power}".replace("e-", "e\u2212")
    return significant(value, 2)


def rows_used(models: list[AnalyteModel]) -> pd.DataFrame:
    """Per analyte the rows that entered the model, the file that lists them, and the first source."""
    rows = []
    for m in models:
        t = m.rows.table
        first = f"{t['source_file'].iloc[0]} row {t['source_row'].iloc[0]}" if len(t) else ""
        rows.append((m.analyte, len(t) - m.rows.censored, m.rows.censored, m.n_containers,
                     f"rows-{safe_name(m.analyte)}.csv", first))
    return pd.DataFrame(rows, columns=["analyte", "values", "known only as a limit", "containers", "listed in",
                                       "first source"])


ENTERED = "entered the fit"
AS_LIMIT = "as a limit"


def rows_listed(model: AnalyteModel) -> pd.DataFrame:
    """The rows of one analyte as they are saved: a limit has no value, and each row says how it entered the fit.

    ``ENTERED`` is 'yes' for a number, 'as a limit' for a value known only as one, 'no' where the analyte was not assessed.
    """
    table = model.rows.table.drop(columns="y")
    number = table["qualifier"] == ""
    how = np.where(number, "yes", AS_LIMIT) if model.path != "not assessed" else "no"
    return table.assign(value=table["value"].where(number), **{ENTERED: how})


def save_rows(stage: OpenStage, models: list[AnalyteModel]) -> None:
    """Save the rows of every analyte with their raw file and line in the stage's folder."""
    for m in models:
        write_csv(stage.out / f"rows-{safe_name(m.analyte)}.csv", rows_listed(m))


def joined(tables: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    """Tables under one another, those columns; without rows where there are none."""
    parts = [t for t in tables if len(t)]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def means(models: list[AnalyteModel]) -> pd.DataFrame:
    """Depth means with 95 % intervals, all analytes."""
    return joined([m.means().assign(unit=m.rows.unit, analyte=m.analyte) for m in models],
                  ["analyte", "depth", "height", "mean", "low", "high", "unit", "determinations"])


def contrasts(models: list[AnalyteModel]) -> pd.DataFrame:
    """All pairs of depths, all analytes, with both intervals."""
    return joined([m.contrasts().assign(analyte=m.analyte) for m in models], ["analyte", *CONTRAST_COLUMNS])


def profiles(models: list[AnalyteModel], study: Study) -> pd.DataFrame:
    """Per analyte and depth the difference from the uppermost depth, of the mean and of each container (PROFILE_COLUMNS).

    Intervals of the mean as those of the verdict, 1 - 2 alpha.
    """
    level = 1 - 2 * study.alpha
    rows = {m.analyte: m.rows for m in models}
    alone = [single_profile(r, rows[r.analyte], level) for r in single_results(study, models).values()
             if isinstance(r, SingleResult)]
    return joined([*(m.profile(level) for m in models), *alone], PROFILE_COLUMNS)


def gradients(models: list[AnalyteModel]) -> pd.DataFrame:
    """Is there any difference between depths (all pairs taken into account), and the trend from the surface to the floor."""
    rows = []
    for m in fitted(models):
        row: dict[str, object] = {"analyte": m.analyte, "p any difference": m.pairs.p_any}
        if (trend := m.trend) is not None:
            value, low, high, unit = trend.shown(0.95)
            row |= {"trend": value, "low": low, "high": high, "unit": unit, "df": trend.df,
                    "direction": "richer below" if value > 0 else "richer above"}
        rows.append(row)
    return pd.DataFrame(rows)


def variances(models: list[AnalyteModel]) -> pd.DataFrame:
    """Scatter by source as standard deviations, all analytes; a zero comes with how large it could be (95 % bound)."""
    rows = []
    for m in models:
        for r in m.variances().to_dict("records"):
            words = f"zero, could be up to {significant(r['could be up to'], 2)} {r['unit']}" if r["at zero"] else ""
            rows.append((m.analyte, SOURCES.get(str(r["component"]), str(r["component"])), r["SD"], r["unit"], words))
    return pd.DataFrame(rows, columns=["analyte", "scatter between", "SD", "unit", "in words"])


def structures(models: list[AnalyteModel]) -> pd.DataFrame:
    """Every pair of depths by the containers' own differences and under one scatter across depths.

    That scatter is the declared one, or "pooled" where none was declared. ``scatter ratio``: the standard error of the
    first over that of the second; ``p structure``: small speaks against that scatter (one an analyte). 1 - 2 alpha intervals.
    """
    rows = []
    for m in fitted(models):
        other, level = {t.contrast.label: t.contrast for t in m.structured.tests}, 1 - 2 * m.alpha
        for t in m.unstructured.tests:
            own, beside = t.contrast, other.get(t.contrast.label)
            value, low, high, unit = own.shown(level)
            row: dict[str, object] = {"analyte": m.analyte, "contrast": own.label, "own differences": value, "low": low,
                                      "high": high}
            if beside is not None:
                row |= dict(zip(("structured", "structured low", "structured high"), beside.shown(level)[:3], strict=True))
                row["scatter ratio"] = own.se / beside.se
            row |= {"structure": "pooled" if m.structure == "unstructured" else m.structure, "p structure": m.p_structure,
                    "unit": unit}
            rows.append(row | {"decides": f"{m.structure} (declared)" if m.by_declaration else "own differences"})
    return pd.DataFrame(rows)


TRIED = "tried"
"""The column of the leave-one-out table that is there where not every container was left out."""
MEANT = {"pooled": "every difference between depths scatters alike",
         "own gradient": "each container has a straight gradient of its own over height, about which all zones scatter alike"}


def structure_words(study: Study, models: list[AnalyteModel]) -> str:
    """Which scatter across depths was declared, whether the data speak against it, and what the answer is without it."""
    declared, found = study.factors.across_depths, fitted(models)
    if declared == "unstructured":
        return ("Every difference between depths is judged by its own scatter over the containers; nothing was assumed of the "
                "scatter across depths.")
    odd = [f"{study.label_of(m.analyte)} (p = {significant(m.p_structure, 2)})" for m in found
           if m.p_structure * len(found) < study.alpha]
    other = [f"{study.label_of(m.analyte)} ({m.unstructured.word} without it)" for m in found
             if m.by_declaration and m.unstructured.word != m.structured.word]
    text = (f"It was declared before the data that {MEANT[declared]} ({study.factors.across_depths_reason.rstrip('.')}), so "
            "that scatter decides.")
    text += (f" The data speak against it for {', '.join(odd)}." if odd else
             " The data do not speak against it, as far as so few containers can tell.")
    return text + (f" The word would be another for {', '.join(other)}." if other else
                   " Without it every word would be the same.")


REASONS = {OWN: "nothing is lost, so this t test is exact whatever the scatter across depths",
           LOST: "some readings are lost, so the standard error is the one that is robust to any scatter across depths, with "
                 "degrees of freedom after Satterthwaite",
           DECLARED["pooled"]: "t with the degrees of freedom of all cells, less those of containers and depths",
           DECLARED["own gradient"]: "two variances, of the gradients and about them; t after Kenward and Roger"}


def df_words(study: Study, models: list[AnalyteModel]) -> str:
    """How the degrees of freedom of the differences were found, and why: one line for each reason."""
    named: dict[str, list[str]] = {}
    for m in fitted(models):
        method = m.pairs.tests[0].contrast.method
        named.setdefault(f"{method}: {REASONS.get(method, '')}", []).append(study.label_of(m.analyte))
    lines = [f"- {', '.join(who)}: {why}." for why, who in named.items()]
    return "\n".join(lines) or "No analyte was fitted, so there are no degrees of freedom to choose."


def not_fitted(study: Study, models: list[AnalyteModel]) -> str:
    """Which analytes were not fitted, and why, in sentences; that all were, where all were."""
    lines = [f"- {study.label_of(m.analyte)}: not fitted. {' '.join(m.notes)}" for m in models if m.path != "mixed model"]
    return "\n".join(lines) or "Every analyte was fitted."


def notation(model: AnalyteModel) -> str:
    """The model of an analyte in R's notation, the response written out; '' where nothing was fitted."""
    response = "log(value)" if model.rows.log else "value"
    return response + model.formula.removeprefix("y") if model.formula else ""


def terms_in_words(study: Study, models: list[AnalyteModel]) -> str:
    """Each model's terms in words and in R's notation, one line for the analytes that share it."""
    named: dict[str, list[FittedModel]] = {}
    for m in fitted(models):
        if m.reml is not None:
            named.setdefault(notation(m), []).append(m)
    lines = [f"- {', '.join(study.label_of(m.analyte) for m in who)}: `{text}`, that is {_in_words(who[0])}."
             for text, who in named.items()]
    return "\n".join(lines) or "No mixed model was fitted."


def _in_words(model: FittedModel) -> str:
    levels = [t for t in model.fixed if ":" not in t and t != "age_months"]
    acting = [t.replace("_", " ") for t in model.acting_on_depth]
    text = f"a level for each {' and each '.join(levels)}"
    text += ", a straight line in months of age" if "age_months" in model.fixed else ""
    text += f", differences between depths of their own by {' and by '.join(acting)}" if acting else ""
    return f"{text}, and random scatter between {', between '.join([*(SOURCES[t] for t in model.random), SOURCES['residual']])}"


def profile_alt(profile: pd.DataFrame, study: Study) -> str:
    """Alt text of the profile figure: the lowest zone against the uppermost for each analyte, from the table it draws."""
    from studykit.plot.profiles import one_sided

    mean = profile[profile["who"] == "mean"].drop_duplicates("analyte", keep="last")
    parts = [f"{study.label_of(r['analyte'])} {significant(r['difference'], 2) or 'not known'} {r['unit']} "
             f"({significant(r['low'], 2)} to {significant(r['high'], 2)})" for r in mean.to_dict("records")]
    mixed = " (of a one-sided margin the lowest against the mixed container)" if one_sided(profile) else ""
    return f"Depth profiles; lowest minus uppermost zone{mixed} with {study.level} interval: {'; '.join(parts) or 'none'}"


def record_models(stage: OpenStage, models: list[AnalyteModel]) -> None:
    """Record depth means, the bottom-minus-top contrast and variances of every fitted analyte."""
    for m in models:
        name, table = safe_name(m.analyte), f"rows-{safe_name(m.analyte)}.csv"
        stage.record(f"n.{name}", len(m.rows.measured), table=table)
        if not isinstance(m, FittedModel):
            continue
        for row in m.means().to_dict("records"):
            stage.record(f"mean.{name}.{safe_name(str(row['depth']))}", row["mean"], m.rows.unit, 4, kind="optimised",
                         table="depth-means.csv")
        if (ends := m.bottom_top) is not None:
            value, low, high, unit = ends.shown(1 - 2 * m.alpha)
            where = table if m.rows.margin.side else "contrasts.csv"
            for part, number in (("estimate", value), ("low", low), ("high", high)):
                stage.record(f"bottom_top.{name}.{part}", *on_margin(number, unit, m.rows.margin.text), 3, kind="optimised",
                             table=where)
            stage.record(f"df.{name}", ends.df, "", 4, kind="optimised", table=where)
        for component, variance in (m.reml.variances if m.reml is not None else {}).items():
            stage.record(f"sd.{name}.{safe_name(component)}", m.rows.margin.shown_sd(math.sqrt(variance)), m.shown_unit,
                         3, kind="optimised", table="variances.csv")


def unchanged(tried: Mapping[str, str]) -> str:
    """That no word hangs on one container, and of which analytes ("20 of 400" each, by name) not every one was tried."""
    told = "No analyte's word on average changes, whichever single container is left out"
    few = series(f"of {name} the {some}" for name, some in tried.items())
    return f"{told}, of those tried: {few} containers that lie furthest out, of the others all." if tried else f"{told}."
