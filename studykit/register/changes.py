"""Two studies side by side: this year against last, or one laboratory against another.

Each study is taken as it stands: its own words, margins and differences between depths. The change of a difference
is what the later study found less what the earlier one found, on the scale of the later margin, with

    se^2 = se_1^2 + se_2^2   and   df = se^4 / (se_1^4 / df_1 + se_2^4 / df_2)

(Satterthwaite 1946, Biometrics Bull. 2:110; Welch 1947, Biometrika 34:28). The studies count as independent. Where the
same containers stand in both, their own profiles are in both differences, and the interval is if anything too wide.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, single
from studykit.core.hashes import sha256_of, walk
from studykit.core.units import parse_unit
from studykit.inference import Contrast, Margin
from studykit.model import AnalyteModel, FittedModel
from studykit.model.fit import fit_rows
from studykit.model.stated import single_results
from studykit.register.alike import laboratory_moved, one_fluid
from studykit.report.verify import verify
from studykit.study.spans import in_times

if TYPE_CHECKING:
    from studykit.front import OpenStudy

WORDS = ["analyte", "name", "unit", "word before", "word after", "margin before", "margin after", "margin"]
DIFFERENCES = ["analyte", "pair", "before", "after", "change", "low", "high", "unit", "df", "in margins", "margin low",
               "margin high", "reads"]
LEVELS = ["analyte", "what", "before", "after", "unit", "change", "low", "high", "change in", "n before", "n after"]
LEVEL = 0.95
Rows = Iterator[tuple[object, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What two studies found of the analytes and depths that they share.

    ``words``, ``differences``, ``levels``: tables with the columns WORDS, DIFFERENCES and LEVELS; ``notes``: what could
    not be compared, and what limits the comparison; ``unfiled``: what is to be said first, a sentence for each study whose
    folder is not the one that its report was filed from, and for raw files that both hold.
    """

    words: pd.DataFrame
    differences: pd.DataFrame
    levels: pd.DataFrame
    notes: tuple[str, ...]
    unfiled: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """How many words changed, and which differences between depths did."""
        other = self.words[self.words["word before"] != self.words["word after"]]
        said = "; ".join(f"{r['name']} was {r['word before']}, is {r['word after']}" for r in other.to_dict("records"))
        shown = self.differences[self.differences["reads"] != "no change is shown"]
        names = dict(zip(self.words["analyte"], self.words["name"], strict=True))
        shown = shown.assign(analyte=shown["analyte"].replace(names))
        moved = "; ".join(f"{r['name']} from {r['margin before']} to {r['margin after']}" for r in self.words[
            self.words["margin"] == "changed"].to_dict("records"))
        margins = f" Margins changed, so the same verdict need not mean the same: {moved}." * bool(moved)
        pairs = "; ".join(f"{a} ({', '.join(part['pair'])})" for a, part in shown.groupby("analyte", sort=False))
        return (f"Words: {said or 'the same for every analyte that both studies have'}. Differences between depths of "
                f"which a change is shown: {pairs or 'none'}.{laboratory_moved(self.levels, names)}{margins}")


def changes(earlier: OpenStudy, later: OpenStudy) -> Changes:
    """The later study against the earlier one; BadInput where they share no analyte."""
    shared = [a for a in later.analytes if a in earlier.analytes]
    if not shared:
        raise single("study.toml", "the two studies share no analyte", "give one substance the same key in both",
                     value=f"{', '.join(earlier.analytes)} / {', '.join(later.analytes)}")
    words = _words(earlier, later, shared)
    one_file = tuple(_same_files(earlier, later))
    found, levels, notes = [], [], [*_at_earlier_margins(earlier, later, words), *_apart(earlier, later)]
    for analyte in shared:
        if (reason := _unlike(earlier, later, analyte)):
            notes.append(f"{later.study.label_of(analyte)}: {reason}")
            continue
        before, after = _pair(earlier, later, analyte)
        found += list(_differences(earlier, later, before, after))
        levels += list(_levels(earlier, later, before, after))
    factors = [a for a in shared if later.study.analytes[a].margin.factor is not None]
    told = in_times(pd.DataFrame(found, columns=DIFFERENCES), factors, ("before", "after", "change", "low", "high"))
    return Changes(words=words, differences=told,
                   levels=_levels_told(pd.DataFrame(levels, columns=LEVELS), factors), notes=tuple(notes),
                   unfiled=(*one_fluid(earlier, later), *one_file, *_not_as_filed(earlier, "earlier"),
                            *_not_as_filed(later, "later")))


def _words(earlier: OpenStudy, later: OpenStudy, shared: Sequence[str]) -> pd.DataFrame:
    """The words of both studies beside their margins."""
    before, after = earlier.verdict().told_words(), later.verdict().told_words()
    rows = []
    for a in shared:
        old, new = (s.study.analytes[a] for s in (earlier, later))
        margins = [d.margin.text(d.unit) for d in (old, new)]
        same = "the same" if margins[0] == margins[1] else "changed"
        rows.append((a, later.study.label_of(a), new.unit, before[a], after[a], *margins, same))
    return pd.DataFrame(rows, columns=WORDS)


def _at_earlier_margins(earlier: OpenStudy, later: OpenStudy, words: pd.DataFrame) -> Iterator[str]:
    """What the later study would say at the margin of the earlier one, where that is another in the same unit."""
    for r in words[words["margin"] == "changed"].to_dict("records"):
        old, new = (s.study.analytes[r["analyte"]] for s in (earlier, later))
        if old.unit != new.unit:
            continue
        analytes = {**later.study.analytes, r["analyte"]: new.model_copy(update={"margin": old.margin})}
        study = later.study.model_copy(update={"analytes": analytes})
        word = replace(later, tables=replace(later.tables, study=study)).verdict().told_words()[r["analyte"]]
        yield (f"At the earlier margin of {r['margin before']} the later study would say of {r['name']}: {word} "
               f"(at {r['margin after']}: {r['word after']}).")


def _not_as_filed(study: OpenStudy, when: str) -> Iterator[str]:
    """Where a study's folder is not the one that its report was filed from: its words then are not the report's."""
    try:
        other = [str(d["what"]) for d in verify(study.root).differences]
    except BadInput:
        yield f"No report is filed of the {when} study: its words here are worked out from its tables, and stand in no report."
        return
    if other:
        named = f"{', '.join(other[:6])}{' and more' if len(other) > 6 else ''}"
        yield (f"The {when} study is NOT AS IT WAS FILED ({named}): "
               "its words here are worked out from what lies there now, and need not be those of its report.")


def _same_files(earlier: OpenStudy, later: OpenStudy) -> Iterator[str]:
    """Raw files that both studies hold, whatever they are called: such numbers are compared with themselves."""
    held = [{sha256_of(p): p.relative_to(s.root).as_posix() for p, kind in walk(s.root / "raw") if kind == "file"}
            if (s.root / "raw").is_dir() else {} for s in (earlier, later)]
    both = sorted(held[0][h] if held[0][h] == held[1][h] else f"{held[0][h]} (later {held[1][h]})"
                  for h in held[0].keys() & held[1].keys())
    if both:
        yield (f"NOT INDEPENDENT: both studies hold the same raw file{'s' * (len(both) > 1)}: {', '.join(both[:12])}"
               f"{' and more' if len(both) > 12 else ''}. The intervals of a change below take the studies for independent, "
               "and do not hold for what comes from the same file.")


def _apart(earlier: OpenStudy, later: OpenStudy) -> Iterator[str]:
    """What the studies do not share, and what binds them together."""
    for one, other, when in ((earlier, later, "earlier"), (later, earlier, "later")):
        if alone := [one.study.label_of(a) for a in one.analytes if a not in other.analytes]:
            yield f"Only in the {when} study: {', '.join(alone)}."
    depths = [s.study.factors.depths for s in (earlier, later)]
    if set(depths[0]) != set(depths[1]):
        yield (f"Depths differ: {', '.join(depths[0])} before, {', '.join(depths[1])} after; only pairs of depths of one "
               "name in both are compared.")
    both = sorted(set(earlier.containers["container"]) & set(later.containers["container"]))
    if both:
        yield (f"Containers of one name in both: {', '.join(both[:12])}{' and more' if len(both) > 12 else ''}. If they "
               "are the same, the intervals of change are if anything too wide, and the later draws met containers that "
               "were opened before.")
    for one, when in ((earlier, "earlier"), (later, "later")):
        if out := len(one.results) - len(one.usable()):
            yield (f"{out} results of the {when} study were excluded; its verdicts hold without them, and its report says what "
                   "they would be with them.")
    if earlier.study.alpha != later.study.alpha:
        yield f"alpha was {earlier.study.alpha:g}, is {later.study.alpha:g}."
    methods = [later.study.label_of(a) for a in later.analytes if a in earlier.analytes
               and earlier.study.analytes[a].method != later.study.analytes[a].method]
    if methods:
        yield f"Another method, by its name in study.toml: {', '.join(methods)}. A change of level may be the method's."


JUDGED = {"mixed model": "compares several containers", "known precision": "judges one container by the stated precision",
          "not assessed": "cannot assess it"}
"""How a study judges an analyte, in words."""


def _unlike(earlier: OpenStudy, later: OpenStudy, analyte: str) -> str:
    """Why an analyte's numbers cannot be compared; '' where they can."""
    units = [s.study.analytes[analyte].unit for s in (earlier, later)]
    if parse_unit(units[0]) != parse_unit(units[1]):
        return f"in {units[0]} before and in {units[1]} after; its numbers are not compared."
    models = [s.model(analyte) for s in (earlier, later)]
    if models[0].path != models[1].path:
        told = [JUDGED[m.path] for m in models]
        return f"the earlier study {told[0]}, the later one {told[1]}; so its numbers are not compared."
    if len({bool(m.rows.margin.side) for m in models}) > 1:
        return "one of its margins is one-sided and judged by other differences; its numbers are not compared."
    if any(isinstance(m, FittedModel) and m.bounds is not None for m in models):
        return "values are known only within bounds; its numbers are not compared."
    return ""


def _pair(earlier: OpenStudy, later: OpenStudy, analyte: str) -> tuple[AnalyteModel, AnalyteModel]:
    """Both models on the scale of the later margin."""
    before, after = earlier.model(analyte), later.model(analyte)
    if before.rows.margin.scale == after.rows.margin.scale:
        return before, after
    raw = after.rows.log and bool((before.rows.measured["value"] <= 0).any())
    margin = before.rows.margin if raw else after.rows.margin
    return (fit_rows(earlier.study, before.rows.against(margin)), fit_rows(later.study, after.rows.against(margin)))


def _contrasts(study: OpenStudy, model: AnalyteModel) -> dict[str, Contrast]:
    """All pairs of depths by name, as the study judged them."""
    if isinstance(model, FittedModel):
        return {t.contrast.label: t.contrast for t in model.pairs.tests}
    found = single_results(study.study, [model]).get(model.analyte, "")
    tests = () if isinstance(found, str) or found.hull else found.comparison.tests
    return {t.contrast.label: t.contrast for t in tests}


def _differences(earlier: OpenStudy, later: OpenStudy, before: AnalyteModel, after: AnalyteModel) -> Rows:
    """One row a pair of depths that both studies judged."""
    old, new = _contrasts(earlier, before), _contrasts(later, after)
    for label, now in new.items():
        if label not in old:
            continue
        change = change_of(old[label], now)
        margin, span = after.rows.margin, change.interval(LEVEL)
        if margin.scale != change.scale:  # one container: differences in the analyte's unit, told in per cent of its level
            margin = margin.at(float(after.rows.measured["value"].mean()))
        ends = (change.estimate, span.low, span.high)
        yield (after.analyte, label, *map(margin.shown, (old[label].estimate, now.estimate, *ends)),
               margin.unit, change.df, *map(margin.in_margins, ends), reading(old[label], now, change))


def change_of(before: Contrast, after: Contrast) -> Contrast:
    """After less before on one scale, variances added, df by Satterthwaite; ValueError for two scales."""
    if before.scale != after.scale:
        raise ValueError(f"both contrasts must be on one scale, but got {before.scale} and {after.scale}")
    a, b = before.se ** 2, after.se ** 2
    rest = a ** 2 / before.df + b ** 2 / after.df  # nothing where both scatters are stated, not estimated
    return Contrast(label=after.label, estimate=after.estimate - before.estimate, se=math.sqrt(a + b),
                    df=(a + b) ** 2 / rest if rest else math.inf, scale=after.scale, unit=after.unit,
                    method="change between two studies")


def reading(before: Contrast, after: Contrast, change: Contrast) -> str:
    """The change in words: shown where its interval leaves zero out, and then in which direction the stock went."""
    span = change.interval(LEVEL)
    if span.low <= 0 <= span.high:
        return "no change is shown"
    return "farther apart" if abs(after.estimate) > abs(before.estimate) else "nearer together" \
        if before.estimate * after.estimate >= 0 else "the other way round"


def _levels(earlier: OpenStudy, later: OpenStudy, before: AnalyteModel, after: AnalyteModel) -> Rows:
    """The mean level of stored containers and of the check fluid, a row each where both studies have two values."""
    margin = after.rows.margin
    for what, old, new in (("stored containers", _container_means(before), _container_means(after)),
                           ("check fluid", _check_fluid(earlier, after.analyte), _check_fluid(later, after.analyte))):
        if min(len(old), len(new)) < 2 or (margin.log and min(old.min(), new.min()) <= 0):
            continue
        x, y = margin.to_scale(old), margin.to_scale(new)
        if x.var() + y.var() == 0:
            continue
        change = change_of(*(_mean(v, margin, after.rows.unit) for v in (x, y)))
        shown, low, high, unit = change.shown(LEVEL)
        means = (margin.to_level(float(v.mean())) for v in (x, y))
        yield (after.analyte, what, *means, after.rows.unit, shown, low, high, unit, len(x), len(y))


def _levels_told(table: pd.DataFrame, factors: Sequence[str]) -> pd.DataFrame:
    """Levels with their change in times where the later margin is a factor."""
    told = in_times(table[["analyte", "change", "low", "high"]].assign(unit=table["change in"]), factors,
                    ("change", "low", "high"))
    return table.assign(change=told["change"], low=told["low"], high=told["high"], **{"change in": told["unit"]})


def _mean(values: np.ndarray, margin: Margin, unit: str) -> Contrast:
    """A mean with its standard error; a tiny one in place of none, where only the other set scatters."""
    se = float(values.std(ddof=1)) / math.sqrt(len(values))
    return Contrast(label="level", estimate=float(values.mean()), se=max(se, 1e-12), df=len(values) - 1,
                    scale=margin.scale, unit=unit)


def _container_means(model: AnalyteModel) -> np.ndarray:
    return np.asarray(model.rows.measured.groupby("container")["value"].mean(), dtype=float)


def _check_fluid(study: OpenStudy, analyte: str) -> np.ndarray:
    """Bottle means of the check fluid; what a person excluded is left out."""
    kinds = study.samples.set_index("sample")["kind"]
    rows = study.usable()
    own = rows[(rows["analyte"] == analyte) & (rows["qualifier"] == "") & (rows["sample"].map(kinds) == "check fluid")]
    return np.asarray(own.groupby("sample")["value"].mean(), dtype=float)
