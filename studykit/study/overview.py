"""Tables of the front door and of intake: the question, the margins, the containers, what came in."""

from __future__ import annotations

import pandas as pd

from studykit.study.actions import Action
from studykit.study.definition import Study

DECIMAL = {".": "point", ",": "comma"}


def question_table(study: Study) -> pd.DataFrame:
    """What is asked, by whom, for what, at which level: item and text."""
    rows = [("title", study.title), ("question", study.question), ("responsible", study.responsible),
            ("claim holds for", study.scope), ("alpha", f"{study.alpha:g}"),
            ("depths, from the surface down", ", ".join(study.factors.depths)),
            ("further fixed factors", ", ".join(study.factors.fixed) or "none"),
            ("factors that act on depth", ", ".join(study.factors.by_depth) or "none"),
            ("lab run as a factor", "yes" if study.factors.run else "no")]
    rows += [(f"action if {word}", _action(a)) for word, a in study.actions.items()]
    rules = study.exclusion_rules or ("no rule was written down beforehand",)
    rows += [(f"exclusion rule {i}" if len(rules) > 1 else "exclusion rule", r) for i, r in enumerate(rules, start=1)]
    if study.invented:
        rows.append(("data", "invented, for demonstration"))
    return pd.DataFrame(rows, columns=["item", "text"])


def _action(action: Action) -> str:
    """An action with what it was declared to ask for, where the study says."""
    return action.do + (f" (declared to ask for: {', '.join(action.asks_for)})" if action.asks_for else "")


def margin_table(study: Study) -> pd.DataFrame:
    """One row an analyte: name, unit, method, margin, why that margin, what the method cannot see."""
    rows = [(key, study.label_of(key), a.unit, a.method, a.margin.text(a.unit), a.margin_reason, a.blind_to)
            for key, a in study.analytes.items()]
    return pd.DataFrame(rows, columns=["analyte", "name", "unit", "method", "margin", "why this margin",
                                       "the method cannot see"])


def margins_shown(table: pd.DataFrame) -> pd.DataFrame:
    """``margin_table`` for a page: each analyte by its name, and last the key by which files know it."""
    out = table.drop(columns="analyte").rename(columns={"name": "analyte"})
    return out.assign(**{"key in files": table["analyte"]})


def container_counts(containers: pd.DataFrame) -> pd.DataFrame:
    """Containers by treatment, store and lot: how many, ages in months."""
    if containers.empty:
        return pd.DataFrame(columns=["treatment", "store", "lot", "containers", "ages, months"])
    groups = containers.groupby(["treatment", "store", "lot"], dropna=False, sort=True)
    rows = []
    for (treatment, store, lot), part in groups:
        ages = sorted({round(a) for a in part["age_months"].dropna()})
        rows.append((treatment, store, lot, len(part), ", ".join(str(a) for a in ages)))
    return pd.DataFrame(rows, columns=["treatment", "store", "lot", "containers", "ages, months"])


def sizes(study: Study, containers: pd.DataFrame, samples: pd.DataFrame) -> dict[str, int]:
    """Counts for the first page: stored containers, controls, depths, samples, analytes."""
    stored = containers["treatment"].isin(["stored", ""])
    return {"containers_stored": int(stored.sum()), "containers_control": int((~stored).sum()),
            "depths": len(study.factors.depths), "samples_planned": len(samples), "analytes": len(study.analytes)}


def result_counts(results: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Results by declared analyte: determinations, samples, below a limit, smallest and largest value."""
    rows = []
    for key in study.analytes:
        part = results[results["analyte"] == key]
        clear = part[part["qualifier"] == ""]["value"]
        rows.append((key, study.unit_of(key), len(part), part["sample"].nunique(), int((part["qualifier"] != "").sum()),
                     clear.min() if len(clear) else float("nan"), clear.max() if len(clear) else float("nan")))
    return pd.DataFrame(rows, columns=["analyte", "unit", "determinations", "samples", "known only as a limit",
                                       "smallest", "largest"])


def rejected_table(rejected: pd.DataFrame, most: int = 40) -> pd.DataFrame:
    """The rejected rows, the first ``most`` of them; the whole list, with sample and analyte, is tidy/rejected.csv."""
    return rejected.head(most).drop(columns=["sample", "analyte"], errors="ignore")


def files_table(files: pd.DataFrame) -> pd.DataFrame:
    """How each raw file was read, in few columns; tidy/files.csv has all of them, with the whole hash.

    Columns: file, layout, read as, line of the headings, cells, taken, rejected, superseded, remark.
    """
    rows = []
    for r in files.to_dict("records"):
        parts = [str(r.get("encoding", "")), f"sheet {r['sheet']}" if r.get("sheet") else f"{r.get('delimiter', '')}s",
                 f"decimal {DECIMAL.get(r['decimal'], r['decimal'])}" if r.get("decimal") else ""]
        rows.append((r["file"], r["layout"], ", ".join(p for p in parts if p not in ("", "s")), r["header_line"], r["rows_in"],
                     r["taken"], r["rejected"], r["superseded"], r["notes"]))
    return pd.DataFrame(rows, columns=["file", "layout", "read as", "headings in line", "results in the file", "taken",
                                       "rejected", "superseded", "remark"])


def revisions_table(revisions: pd.DataFrame) -> pd.DataFrame:
    """Corrected results as first and last written, each with its file and line; tidy/revisions.csv has all columns."""
    columns = ["sample", "analyte", "first written", "in", "corrected to", "in (later)", "recognised by"]
    rows = [(r["sample"], r["analyte"], f"{r['old_as_written']} {r['unit']}", f"{r['old_file']} row {r['old_row']}",
             f"{r['new_as_written']} {r['unit']}", f"{r['new_file']} row {r['new_row']}", r["mark"])
            for r in revisions.to_dict("records")]
    return pd.DataFrame(rows, columns=columns)
