"""Columns of one's own as factors: read as declared in study.toml, every cell that does not fit named."""

from __future__ import annotations

import pandas as pd

from studykit.core.errors import Fault
from studykit.study.columns import CONTAINERS, LINE, SAMPLES, Column, convert
from studykit.study.definition import Study
from studykit.study.factors import OwnFactor


def own_factors(containers: pd.DataFrame, samples: pd.DataFrame, study: Study | None) -> list[Fault]:
    """Turn declared numeric columns into numbers, in place; faults of absent columns and of cells, one a row."""
    faults: list[Fault] = []
    for name, declared in (study.factors.columns if study is not None else {}).items():
        table, spec = (containers, CONTAINERS) if declared.table == "containers" else (samples, SAMPLES)
        if name not in table:
            faults.append(Fault(file=spec.file, column=name, reason="is a factor of study.toml, but no column of this table",
                                remedy="add the column, or take it out of [factors.columns]"))
            continue
        faults += _cells(table, name, declared, spec.file)
    return faults


def _cells(table: pd.DataFrame, name: str, declared: OwnFactor, file: str) -> list[Fault]:
    if not isinstance(table[name].dtype, pd.StringDtype) and pd.api.types.is_numeric_dtype(table[name]):
        return []
    texts = table[name].astype(str).str.strip()
    if declared.levels is not None:
        known = "is not one of " + ", ".join(declared.levels)
        wrong = [(i, t, known if t else "must not be empty", "use a declared level, or declare this one")
                 for i, t in zip(texts.index, texts.tolist(), strict=True) if t not in declared.levels]
        table[name] = texts
    else:
        read = {t: convert(t, Column(name=name, kind="number", meaning="", filled=True)) for t in set(texts)}
        wrong = [(i, t, read[t][1], f"write a number in {declared.unit}")
                 for i, t in zip(texts.index, texts.tolist(), strict=True) if read[t][1]]
        table[name] = pd.to_numeric(texts.map({t: r[0] for t, r in read.items()}), errors="coerce")
    lines = dict(zip(table.index, table[LINE].tolist(), strict=True))
    return [Fault(file=file, row=int(lines[i]), column=name, value=t, reason=reason, remedy=remedy)
            for i, t, reason, remedy in wrong]
