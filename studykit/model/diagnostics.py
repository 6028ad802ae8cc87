"""Checks of the fitted models for all analytes: residuals, each container's influence, scatter against what is stated."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import NDArray

from studykit.core.errors import DesignMismatch
from studykit.core.listing import series
from studykit.core.memory import remembered
from studykit.core.record import significant
from studykit.core.ties import sort_key
from studykit.inference.bounded import COARSE
from studykit.inference.contrasts import Contrasts, pair_rows, word_codes
from studykit.inference.equivalence import Contrast
from studykit.inference.influence import Influence, check_residuals, leave_one_out, steps_without, without_each
from studykit.inference.judge import WORDS, rest_of
from studykit.mixed.variances import check_repeatability
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel, fitted, judge_rows
from studykit.model.rows import columns_of, known, replicated
from studykit.model.stated import precision_at
from studykit.model.tables import TRIED, unchanged
from studykit.quality import figures as qualityfigures
from studykit.study.definition import Study
from studykit.study.spans import on_margin

LOOK = 0.01
"""A p-value of a residual check below this, over all analytes (Bonferroni), is worth a look at the figure."""
SURELY = 1 + 1e-6
EVERY, FURTHEST, REFITTED = 300, 100, 20
"""Of more containers than the first only so many of those furthest out are left out in turn, where a subtraction cannot tell
(see ``influence_of``): each takes as long as a fit of all."""
CHECK_COLUMNS = ["analyte", "residuals", "normal scores, r", "p normal", "size against level, rho", "p size", "reading"]
INFLUENCE_COLUMNS = ["analyte", "verdict", "widest pair", "largest shift, container", "largest shift, %",
                     "other verdicts", "without"]
REPEATABILITY_COLUMNS = ["analyte", "s found", "low", "high", "df", "s stated", "unit", "stated by", "reading"]


def residuals(models: list[AnalyteModel]) -> pd.DataFrame:
    """Residuals of every fitted analyte on the scale of analysis, with their normal scores (see ``influence``)."""
    parts = [m.residuals() for m in fitted(models)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["analyte"])


def residual_checks(table: pd.DataFrame) -> pd.DataFrame:
    """One row an analyte: do residuals look normal, does their size change with the level, and a reading in words."""
    rows, groups = [], list(table.groupby("analyte", sort=False)) if len(table) else []
    for analyte, part in groups:
        c = check_residuals(part)
        odd = []
        if c.normal_p * len(groups) < LOOK:
            odd.append("some lie further out than normal errors would")
        if c.scale_p * len(groups) < LOOK:
            odd.append("their size changes with the level")
        rows.append((analyte, c.n, c.normal_r, c.normal_p, c.scale_rho, c.scale_p, "; ".join(odd) or "nothing to note"))
    return pd.DataFrame(rows, columns=CHECK_COLUMNS)


def least_normal(table: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Residuals of the analyte whose errors look least normal, furthest from their normal score first."""
    if checks.empty:
        return table
    own = table[table["analyte"] == checks.sort_values("p normal", kind="stable")["analyte"].iloc[0]]
    return _largest_first(own, own["standardised"] - own["normal_score"])


def most_uneven(table: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Residuals of the analyte whose scatter changes most with the level, largest first."""
    if checks.empty:
        return table
    own = table[table["analyte"] == checks.sort_values("p size", kind="stable", na_position="last")["analyte"].iloc[0]]
    return _largest_first(own, own["standardised"])


def _largest_first(table: pd.DataFrame, by: pd.Series) -> pd.DataFrame:
    return table.loc[by.abs().sort_values(ascending=False, kind="stable", key=sort_key).index].reset_index(drop=True)


def first_twelve(table: pd.DataFrame) -> pd.DataFrame:
    """The twelve rows of a residual table that come first, for a page."""
    if table.empty:
        return table
    few = table.head(12).drop(columns=["residual"])
    return few.assign(fitted=[significant(float(f), 5) for f in few["fitted"]])


def normal_figure(table: pd.DataFrame) -> Figure | None:
    """Normal-score plot of ``least_normal``; None where nothing was fitted."""
    return qualityfigures.normal_scores(table) if len(table) else None


def scale_figure(table: pd.DataFrame, models: list[AnalyteModel]) -> Figure | None:
    """Size of residuals against level of ``most_uneven``, in the analyte's unit; None where nothing was fitted."""
    if table.empty:
        return None
    rows = next(m.rows for m in models if m.analyte == table["analyte"].iloc[0])
    level = table["fitted"].map(math.exp) if rows.log else table["fitted"]
    return qualityfigures.scale_against_level(table.assign(fitted=level), rows.unit)


def name_in(table: pd.DataFrame, study: Study) -> str:
    """The analyte of a residual table by the name that people read; '' without rows."""
    return study.label_of(str(table["analyte"].iloc[0])) if len(table) else ""


@remembered
def influence_of(model: FittedModel) -> Influence:
    """The widest pair's difference, its interval and the analyte's word, without each container in turn.

    Every time the same rule judges the containers that are left; the pair stays that of the full fit. The word is
    the analyte's own, without Holm's adjustment over analytes. Values in the reported unit (per cent for a relative margin,
    times for a factor). Of more than ``EVERY`` containers some of which lack a number at a depth those ``FURTHEST`` out are
    tried alone, and of those to be refitted the first ``REFITTED``.
    """
    table, tried = model.rows.table, _tried(model)
    every = sorted(set(table["container"]))
    known_, of = _by_subtraction(model, tried), len(every)
    if of > EVERY:
        again = [c for c in tried if c not in known_][:REFITTED]
        every = sorted(c for c in tried if c in known_ or c in again)
    return leave_one_out(table, every, lambda part: _again(model, part), known=known_, of=of)


def _tried(model: FittedModel) -> list[str]:
    """The containers to leave out in turn, those first whose own widest difference lies furthest from the middle one."""
    cells = model.cells
    ends = np.stack([cells.low, cells.high])
    value = np.where(np.isfinite(ends).all(axis=0), ends.mean(axis=0), np.nan)
    pairs = [f"{b} - {a}" for a, b in cells.pairs]
    label = model.pairs.widest.label
    d = value @ pair_rows(cells.k)[pairs.index(label)] if label in pairs else np.full(len(value), np.nan)
    away = np.nan_to_num(np.abs(d - (np.nanmedian(d) if np.isfinite(d).any() else 0.0)), nan=-1.0)
    order = [str(cells.containers[i]) for i in np.argsort(-sort_key(away), kind="stable")]
    return order if len(order) <= EVERY or np.isfinite(known(cells)).all() else order[:FURTHEST]


def _by_subtraction(model: FittedModel, tried: Sequence[str] = ()) -> dict[str, pd.Series]:
    """What ``_again`` would find without each container; left out where more than sums decides it.

    That is where a scatter is declared, a value is a limit, rounding comes near the scatter or is another
    without the container, or a pair of depths cannot be judged any more.
    """
    cells = model.cells
    if model.structure != "unstructured" or not cells.exact.all() or cells.departures is not None:
        return {}
    of = np.isin(np.array(cells.containers, dtype=object), list(tried) or list(cells.containers))
    found, step, same = _left(model, of), *_rounding(model)
    least = np.sqrt(found.unit_variance) * step[:, None] * COARSE * SURELY + 1e-9 * float(np.nanmax(np.abs(known(cells))))
    inner = found if cells.groups is None else without_each(rest_of(known(cells), cells.groups), of=of)
    with np.errstate(invalid="ignore"):
        sure = same & found.judged.all(axis=1) & (inner.se > least * (1.0 if cells.groups is None else 2.0)).all(axis=1)
    words = word_codes(found, model.rows.margin.edge, model.alpha, depths=cells.k)
    widest = next(t.contrast for t in model.pairs.tests if t.contrast == model.pairs.widest)
    p = [f"{b} - {a}" for a, b in cells.pairs].index(widest.label)
    out = {}
    for i in np.flatnonzero(sure & of):
        one = replace(widest, estimate=float(found.estimate[i, p]), se=float(found.se[i, p]), df=float(found.df[i, p]))
        value, low, high = _told(model, one)
        out[cells.containers[i]] = pd.Series({"estimate": value, "low": low, "high": high, "verdict": WORDS[words[i]]})
    return out


def _left(model: FittedModel, of: NDArray[np.bool_]) -> Contrasts:
    """The pairs of depths without each container, in the order of the cells; ``of``: those that are asked for."""
    factors = list(model.acting_on_depth)
    if not factors:
        return without_each(known(model.cells), of=of)
    info = model.rows.table.drop_duplicates("container")
    return without_each(known(model.cells), info.groupby(factors, observed=True, dropna=False).ngroup().to_numpy(),
                        lambda chosen: columns_of(info.iloc[chosen], factors), of)


def _rounding(model: FittedModel) -> tuple[np.ndarray, np.ndarray]:
    """The rounding step of a cell mean without each container, and whether values are then still written as finely."""
    cells, table = model.cells, model.rows.table
    codes = pd.Categorical(table["container"], categories=list(cells.containers)).codes.astype(np.intp)
    cell = codes * cells.k + table["depth"].cat.codes.to_numpy()
    counts = np.bincount(cell, minlength=len(cells.containers) * cells.k).reshape(cells.low.shape)
    there = np.isfinite(cells.outer_low)
    width = np.where(there, cells.outer_high, 0.0) - np.where(there, cells.outer_low, 0.0)
    square, held = width**2 / np.maximum(counts, 1), there.sum(axis=1)
    total = np.maximum(square.sum() - square.sum(axis=1), 0.0) / np.maximum(held.sum() - held, 1)
    return np.sqrt(total), steps_without(codes, table["value"].to_numpy(dtype=float))


def _again(model: FittedModel, part: pd.DataFrame) -> pd.Series:
    part = part.reset_index(drop=True)
    rows = replace(model.rows, table=part)
    found = judge_rows(rows, model.alpha, model.fixed, model.structure)
    same = next((t.contrast for t in found.pairs.tests if t.contrast.label == model.pairs.widest.label), None)
    if same is None:
        raise DesignMismatch("too few containers are left with both depths")
    value, low, high = _told(model, same)
    return pd.Series({"estimate": value, "low": low, "high": high, "verdict": found.word})


def _told(model: FittedModel, contrast: Contrast) -> tuple[float, float, float]:
    """Estimate and 1 - 2 alpha interval of a contrast on the scale of the margin."""
    value, low, high, unit = contrast.shown(1 - 2 * model.alpha)
    text = model.rows.margin.text
    return on_margin(value, unit, text)[0], on_margin(low, unit, text)[0], on_margin(high, unit, text)[0]


def influences(models: list[AnalyteModel]) -> dict[str, Influence]:
    """``influence_of`` for every fitted analyte with three containers or more."""
    return {m.analyte: influence_of(m) for m in fitted(models) if m.n_containers > 2}


def influence_table(models: list[AnalyteModel], found: dict[str, Influence]) -> pd.DataFrame:
    """One row an analyte: the container that shifts the difference most, and those without which the word changes.

    The shift is in per cent of half the width of the full interval.
    """
    rows = []
    for m in fitted(models):
        if m.analyte not in found:
            continue
        one = found[m.analyte]
        first = one.to_table().iloc[0]
        others = sorted({str(v) for v in one.table.loc[one.table["changed"], "verdict"]})
        rows.append((m.analyte, one.full["verdict"], m.pairs.widest.label, first["left_out"], 100 * first["shift"],
                     ", ".join(others) or "none", series(one.decisive) or "\u2013"))
    made = pd.DataFrame(rows, columns=INFLUENCE_COLUMNS)
    if any(one.few for one in found.values()):
        made[TRIED] = [f"{len(found[a].table)} of {found[a].of}" if found[a].few else "all" for a in made["analyte"]]
    return made


def closest(models: list[AnalyteModel], found: dict[str, Influence]) -> str:
    """The analyte to look at: one whose word hangs on containers, else the one whose interval end lies nearest a margin's edge.

    Empty where no analyte was refitted.
    """
    distances = {}
    for m in fitted(models):
        if m.analyte in found:
            span, margin = m.pairs.widest.interval(1 - 2 * m.alpha), m.rows.margin
            near = min(abs(end - edge) for end in (span.low, span.high) for edge in (margin.low, margin.high))
            distances[m.analyte] = (-len(found[m.analyte].decisive), near / max(span.high - span.low, 1e-300))
    return min(distances, key=lambda a: distances[a]) if distances else ""


def influence_rows(found: dict[str, Influence], analyte: str, models: Sequence[AnalyteModel] = ()) -> pd.DataFrame:
    """Estimate, interval and word without each container, largest shift first, for one analyte; its unit from its model."""
    if not analyte:
        return pd.DataFrame(columns=["left out"])
    table = found[analyte].to_table().drop(columns=["note"]).rename(columns={"left_out": "left out"})
    table = table.assign(shift=100 * table["shift"]).rename(columns={"shift": "shift, %"})
    for m in (m for m in models if m.analyte == analyte):
        table.insert(list(table.columns).index("high") + 1, "unit", on_margin(0.0, m.shown_unit, m.rows.margin.text)[1])
    return table


def influence_figure(models: list[AnalyteModel], found: dict[str, Influence], analyte: str) -> Figure | None:
    """Leave-one-out figure of one analyte with its margin; None without one."""
    if not analyte:
        return None
    m = next(m for m in models if m.analyte == analyte)
    low, high = m.rows.margin.shown_edges
    scale = m.shown_unit, m.rows.margin.text
    return qualityfigures.leave_one_out(found[analyte].to_table(), found[analyte].full, unit=on_margin(0.0, *scale)[1],
                                        margin=(on_margin(low, *scale)[0], on_margin(high, *scale)[0]))


def influence_words(found: dict[str, Influence], name: Callable[[str], str] = str) -> str:
    """One line for each analyte (by its ``name``) whose word hangs on single containers, or that none does."""
    if not found:
        return "With fewer than three containers none can be left out."
    hanging = [f"- {name(a)}: {one.sentence()}" for a, one in found.items() if one.decisive]
    tried = {name(a): f"{len(one.table)} of {one.of}" for a, one in found.items() if one.few}
    return "\n".join(hanging) or unchanged(tried)


def repeatability(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """The scatter between determinations of one zone against the stated repeatability, with a chi-square interval.

    Pooled over zones that were determined twice or more; on a margin in per cent both are in per cent of the level.
    """
    rows = []
    for m in fitted(models):
        if not replicated(m.rows.measured):
            continue
        s, df = pooled_within(m)
        level = float(m.rows.measured["value"].mean())
        stated = precision_at(study, m.analyte, level) if level > 0 else None
        if stated is None or s == 0:
            why = "no repeatability is stated" if stated is None else "all repeats are equal: rounded too coarsely to tell"
            rows.append((m.analyte, m.rows.margin.shown_sd(s), np.nan, np.nan, df, np.nan, m.shown_unit, "", why))
            continue
        promised = stated.s_r / level if m.rows.log else stated.s_r
        found = check_repeatability(s, df, promised)
        own, low, high, said = (m.rows.margin.shown_sd(x) for x in (s, found.low, found.high, promised))
        rows.append((m.analyte, own, low, high, df, said, m.shown_unit, stated.source, _read(found.word)))
    return pd.DataFrame(rows, columns=REPEATABILITY_COLUMNS)


def pooled_within(model: AnalyteModel) -> tuple[float, int]:
    """Standard deviation within zones on the scale of analysis, and its degrees of freedom."""
    measured = model.rows.measured
    cells = measured.groupby(["container", "depth"], observed=True)["y"]
    df = len(measured) - cells.ngroups
    return (math.sqrt(float(((measured["y"] - cells.transform("mean")) ** 2).sum()) / df), df) if df else (math.nan, 0)


def _read(word: str) -> str:
    return {"agrees": "agrees, as far as so few repeats can tell",
            "smaller": "smaller: were the repeats independent?",
            "larger": "larger: look for a cause before relying on the stated one"}[word]


def influence_alt(study: Study, analyte: str, found: dict[str, Influence]) -> str:
    """Alt text of the leave-one-out figure."""
    if not analyte:
        return ""
    full = found[analyte].full
    return (f"{study.label_of(analyte)} without each container in turn; with all of them "
            f"{significant(float(full['estimate']), 3)} ({significant(float(full['low']), 3)} to "
            f"{significant(float(full['high']), 3)}). {found[analyte].sentence()}")
