"""Exclusions: results that a person took out, with a reason, in ``plan/exclusions.csv``.

The kit never leaves out a result by itself. A line of the file names a sample, an analyte ('' for
all of them), optionally a replicate, the reason, who decided and when. Lines that match no
result, or say no reason, are refused. The verdict is shown with and without what is excluded.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.study.columns import CONTAINERS, NO_CONTAINER, SAMPLES, ZONE_KINDS, Column, TableSpec
from studykit.study.definition import Study
from studykit.study.reasons import says_nothing
from studykit.study.tables import LINE, read_cells, type_cells

EXCLUSIONS = TableSpec(
    name="exclusions",
    file="plan/exclusions.csv",
    key=("sample", "analyte", "replicate"),
    extra_allowed=False,
    columns=(
        Column(name="sample", kind="code", meaning="blind code of the sample", required=True, filled=True),
        Column(name="analyte", kind="code", meaning="a key under [analytes]; empty for all of them", required=True),
        Column(name="replicate", kind="count", meaning="number of the determination; empty for all of them"),
        Column(name="reason", kind="text", meaning="the cause that was found", required=True, filled=True),
        Column(name="who", kind="text", meaning="initials or role of who decided", required=True, filled=True),
        Column(name="date", kind="date", meaning="day of the decision, YYYY-MM-DD", required=True, filled=True),
        Column(name="taken_back_on", kind="date", meaning="day it was taken back, YYYY-MM-DD; empty while it is in force"),
        Column(name="taken_back_by", kind="text", meaning="initials or role of who took it back"),
        Column(name="taken_back_because", kind="text", meaning="why it was taken back"),
    ),
)
COUNT_COLUMNS = ["analyte", "reported", "below_limit", "excluded", "control", "not_a_zone", "for_the_model"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Usable:
    """Results that may enter the models, beside everything that was set aside and why.

    rows: the results table without the excluded rows. excluded: those rows, with reason, who and date.
    counts: one row an analyte (``COUNT_COLUMNS``): reported = excluded + control + not_a_zone +
    below_limit + for_the_model, where control counts rows of remixed and layered containers, blanks
    and check fluids, and not_a_zone heel draws, composites and retained samples.
    """

    rows: pd.DataFrame
    excluded: pd.DataFrame
    counts: pd.DataFrame

    def to_table(self) -> pd.DataFrame:
        """A copy of the counts."""
        return self.counts.copy()


def no_exclusions() -> pd.DataFrame:
    """An empty exclusions table."""
    return pd.DataFrame({c: pd.Series(dtype="object") for c in EXCLUSIONS.names})


def read_exclusions(root: Path | str, study: Study, results: pd.DataFrame) -> pd.DataFrame:
    """The exclusions in force in a study folder, checked against its tables; empty where there is no file.

    BadInput as of ``exclusion_lines``.
    """
    lines = exclusion_lines(root, study, results)
    return lines[lines["taken_back_on"].isna()].reset_index(drop=True) if len(lines) else lines


def exclusion_lines(root: Path | str, study: Study, results: pd.DataFrame) -> pd.DataFrame:
    """Every line of plan/exclusions.csv, those taken back among them, checked; empty where there is no file.

    BadInput lists every fault: unknown columns, empty reasons, samples or analytes without a result,
    lines that stand twice, reasons or names that say nothing, days that have not come or lie before the filling (where that
    is not known: before the report).
    """
    root = Path(root)
    if not (root / EXCLUSIONS.file).exists():
        return no_exclusions()
    cells, faults = read_cells(root / EXCLUSIONS.file, EXCLUSIONS)
    table, cell_faults = type_cells(cells, EXCLUSIONS)
    faults += cell_faults
    if {"sample", "analyte", "reason", "who", "date"} <= set(table):
        faults += _faults(table, study, results, _filled(root))
    if faults:
        raise BadInput(faults, title="The exclusions have faults; nothing was left out")
    return table.drop(columns=LINE)


def _filled(root: Path) -> dict[str, pd.Timestamp]:
    """The day on which each sample's container was filled, else sampled, by the plan; nothing where that is not known."""
    if not ((root / SAMPLES.file).exists() and (root / CONTAINERS.file).exists()):
        return {}
    samples, containers = (type_cells(read_cells(root / spec.file, spec)[0], spec)[0] for spec in (SAMPLES, CONTAINERS))
    days = [pd.to_datetime(containers[c], errors="coerce") for c in ("filled_on", "sampled_on") if c in containers]
    if not days or not {"sample", "container"} <= set(samples):
        return {}
    first = days[0].fillna(days[-1]).groupby(containers["container"].astype(str)).min()
    own = samples["container"].astype(str).map(first)
    return {str(s): day for s, day in zip(samples["sample"], own, strict=True) if pd.notna(day)}


def _faults(table: pd.DataFrame, study: Study, results: pd.DataFrame, filled: dict[str, pd.Timestamp]) -> list[Fault]:
    faults: list[Fault] = []
    seen: set[tuple[str, str, str]] = set()
    for r in table.to_dict("records"):
        line, sample, analyte = int(r[LINE]), str(r["sample"]), str(r["analyte"])
        replicate = "" if pd.isna(r["replicate"]) else str(int(r["replicate"]))
        own = results[results["sample"] == sample]
        if own.empty:
            faults.append(Fault(file=EXCLUSIONS.file, row=line, column="sample", value=sample,
                                reason="has no result", remedy="correct the code, or remove the line"))
        elif analyte and analyte not in study.analytes:
            faults.append(Fault(file=EXCLUSIONS.file, row=line, column="analyte", value=analyte,
                                reason="is not declared in study.toml",
                                remedy="known are " + ", ".join(study.analytes)))
        elif not len(_matching(results, sample, analyte, replicate)):
            faults.append(Fault(file=EXCLUSIONS.file, row=line, column="analyte",
                                value=f"{analyte} {replicate}".strip(),
                                reason=f"sample {sample} has no such result", remedy="correct or remove the line"))
        faults += _unsaid(r, line) + _undated(r, line, own, filled.get(sample)) + _half_taken_back(r, line)
        if pd.notna(r["taken_back_on"]):
            continue
        if (sample, analyte, replicate) in seen:
            faults.append(Fault(file=EXCLUSIONS.file, row=line, column="sample", value=sample,
                                reason="the same exclusion stands in an earlier line", remedy="keep one"))
        seen.add((sample, analyte, replicate))
    return faults


_NO_CAUSE = {"outlier", "outliers", "out of line", "too high", "too low", "wrong", "bad", "error", "unknown", "see above",
             "did not fit", "does not fit", "doesn't fit", "implausible", "not plausible", "odd", "strange", "suspicious"}
_NOBODY = {"unknown", "none", "n/a", "na", "tbd", "tba", "todo", "nobody", "someone", "somebody", "me", "i", "we", "us",
           "nn", "n.n", "n. n", "xx", "xxx"}

_ASKED: dict[str, tuple[int, set[str], str]] = {
    "reason": (3, _NO_CAUSE, "write the cause that was found"), "who": (2, _NOBODY, "write initials, a name or a role")}
"""How many letters a text needs, which texts say nothing, and what to write."""


def _unsaid(r: dict[Any, Any], line: int) -> list[Fault]:
    """A reason or a name that says nothing, such as a full stop."""
    return [Fault(file=EXCLUSIONS.file, row=line, column=name, value=str(r[name]), reason="says nothing", remedy=remedy)
            for name, (_, _, remedy) in _ASKED.items() if r[name] and _is_empty(name, str(r[name]))]


def _is_empty(name: str, text: str) -> bool:
    """Whether a reason or a name says nothing."""
    letters, empty, _ = _ASKED[name]
    return (sum(c.isalnum() for c in text) < letters or text.strip(" .!?").casefold() in empty
            or (name == "reason" and says_nothing(text)))


def said_nothing(reason: str, who: str, *, back: bool) -> list[Fault]:
    """The faults of a reason and a name given to a command: one each, not one a line of the file that it would write."""
    remedies = {name: remedy for name, (_, _, remedy) in _ASKED.items()}
    remedies |= {"reason": "write why it was taken back"} if back else {}
    return [Fault(file=f"--{name}", value=text, reason="says nothing", remedy=remedies[name])
            for name, text in (("reason", reason), ("who", who)) if _is_empty(name, text)]


def _half_taken_back(r: dict[Any, Any], line: int) -> list[Fault]:
    """A line that was taken back without a day, a name or a reason that says something, or before it was excluded."""
    day, who, why = r["taken_back_on"], str(r["taken_back_by"]), str(r["taken_back_because"])
    if pd.isna(day) and not who and not why:
        return []
    where: dict[str, Any] = {"file": EXCLUSIONS.file, "row": line}
    if pd.isna(day):
        return [Fault(**where, column="taken_back_on", reason="is empty beside a name or a reason",
                      remedy="write the day it was taken back")]
    taken = {"reason": why or "-", "who": who or "-", "date": r["date"]}
    faults = [Fault(**where, column={"reason": "taken_back_because", "who": "taken_back_by"}[f.column], value=f.value,
                    reason=f.reason, remedy="write why it was taken back" if f.column == "reason" else f.remedy)
              for f in _unsaid(taken, line)]
    if pd.notna(r["date"]) and not r["date"] <= day <= pd.Timestamp(date.today()):
        faults.append(Fault(**where, column="taken_back_on", value=str(day.date()), reason="is before the exclusion or has "
                            "not come yet", remedy="write the day it was taken back"))
    return faults


def _undated(r: dict[Any, Any], line: int, own: pd.DataFrame, filled: pd.Timestamp | None) -> list[Fault]:
    """A day that has not come yet, or that lies before the container was filled.

    Who finds a bottle leaking takes it out before it is reported, and that is the most honest of days. Where the plan does
    not say when the container was filled, a day before the report is refused.
    """
    if pd.isna(r["date"]):
        return []
    day = pd.Timestamp(r["date"])
    reported = pd.to_datetime(own["reported_on"], errors="coerce").min() if "reported_on" in own and len(own) else pd.NaT
    where: dict[str, Any] = {"file": EXCLUSIONS.file, "row": line, "column": "date", "value": day.date().isoformat()}
    remedy = "write the day of the decision"
    if day > pd.Timestamp(date.today()):
        return [Fault(**where, reason="has not come yet", remedy=remedy)]
    if filled is not None:
        return [Fault(**where, reason=f"is before its container was filled or sampled ({filled.date().isoformat()})",
                      remedy=remedy)] if day < filled else []
    if pd.notna(reported) and day < reported:
        return [Fault(**where, reason=f"is before the result was reported ({reported.date().isoformat()})", remedy=remedy)]
    return []


def _matching(results: pd.DataFrame, sample: str, analyte: str, replicate: str) -> pd.Index:
    mask = results["sample"] == sample
    if analyte:
        mask &= results["analyte"] == analyte
    if replicate:
        mask &= results["replicate"] == int(replicate)
    return results.index[mask]


def usable_results(results: pd.DataFrame, samples: pd.DataFrame, containers: pd.DataFrame,
                   exclusions: pd.DataFrame | None = None) -> Usable:
    """Results without the excluded rows, and where every reported row went.

    ``exclusions`` as from ``read_exclusions`` (None: nothing is excluded).
    """
    taken = _taken(results, no_exclusions() if exclusions is None else exclusions)
    out = np.asarray(results.index.isin(list(taken)), dtype=bool)
    excluded = results[out].copy()
    for name in ("reason", "who", "date"):
        excluded[name] = [taken[i][name] for i in excluded.index]
    return Usable(rows=results[~out].reset_index(drop=True), excluded=excluded.reset_index(drop=True),
                  counts=_counts(results, out, samples, containers))


def without_excluded(results: pd.DataFrame, exclusions: pd.DataFrame) -> pd.DataFrame:
    """The rows of ``usable_results`` alone."""
    return results[~results.index.isin(list(_taken(results, exclusions)))].reset_index(drop=True)


def _taken(results: pd.DataFrame, exclusions: pd.DataFrame) -> dict[Any, dict[str, Any]]:
    """The excluded rows by their index: reason, who and date of the first line that names each."""
    taken: dict[Any, dict[str, Any]] = {}
    for r in exclusions.to_dict("records"):
        replicate = "" if pd.isna(r.get("replicate")) else str(int(r["replicate"]))
        for i in _matching(results, str(r["sample"]), str(r["analyte"]), replicate):
            taken.setdefault(i, {"reason": r["reason"], "who": r["who"], "date": r["date"]})
    return taken


def _counts(results: pd.DataFrame, out: np.ndarray, samples: pd.DataFrame, containers: pd.DataFrame) -> pd.DataFrame:
    t = results[["sample", "analyte", "qualifier"]].assign(out=out)
    t = t.merge(samples[["sample", "container", "kind"]], on="sample", how="left")
    t = t.merge(containers[["container", "treatment"]], on="container", how="left")
    control = t["treatment"].fillna("stored").isin(["remixed control", "layered control"])
    control |= t["kind"].isin([k for k in NO_CONTAINER if k != "retained"])
    zone = t["kind"].isin(ZONE_KINDS)
    fate = pd.Series("for_the_model", t.index).mask(t["qualifier"] != "", "below_limit")
    fate = fate.mask(~zone, "not_a_zone").mask(control, "control").mask(t["out"], "excluded")
    counts = pd.crosstab(t["analyte"], fate).reindex(columns=COUNT_COLUMNS[2:], fill_value=0)
    counts.insert(0, "reported", counts.sum(axis=1))
    return counts.reset_index().rename_axis(columns=None)[COUNT_COLUMNS]
