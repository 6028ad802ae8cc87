"""The register as two tables: a line a study, and a line a study and analyte."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from studykit.register.entry import Entry
from studykit.register.index import Register
from studykit.register.naming import Named
from studykit.study.seal import short
from studykit.study.spans import TIMES, on_margin

STUDIES = ["study", "state", "told", "title", "responsible", "date", "locked", "seal", "fluid", "package", "laboratory", "lots",
           "invented"]
ANALYTES = ["study", "state", "analyte", "name", "decides", "word", "on average", "margin", "pair", "difference", "low", "high",
            "unit", "level, %", "lowest - uppermost", "its low", "its high", "containers", "age from", "age to", "lots",
            "method", "laboratory", "fluid", "package", "date", "seal"]


def studies_table(register: Register, names: Named) -> pd.DataFrame:
    """One row a study (STUDIES), those that could not be read among them."""
    return pd.DataFrame([_study(e, names) for e in register.entries], columns=STUDIES)


def _study(entry: Entry, names: Named) -> dict[str, Any]:
    head = entry.head
    return {"study": entry.study, "state": entry.state, "told": entry.told, **names.of(entry.study, head.get("vessels", ())),
            **{k: head.get(k, "") for k in ("title", "responsible", "date", "locked", "invented")},
            "seal": short(head["seal"]) if head.get("seal") else "", "lots": ", ".join(head.get("lots", ()))}


def analytes_table(register: Register, names: Named) -> pd.DataFrame:
    """One row a study and analyte (ANALYTES); ages in months, differences and intervals in ``unit``.

    ``difference`` is that of the pair on which the word hangs, with the interval that agrees with the word at its level;
    ``lowest - uppermost`` the same depths in every study, with a 95 % interval.
    """
    return pd.DataFrame([r for e in register.entries for r in _analytes(e, names)], columns=ANALYTES)


def _unit(row: Mapping[str, Any]) -> str:
    """The unit in which differences of an analyte without a word are told."""
    return TIMES if on_margin(0.0, row["margin unit"], row["margin"])[1] == TIMES else str(row["margin unit"])


def _analytes(entry: Entry, names: Named) -> Iterator[dict[str, Any]]:
    study = _study(entry, names)
    for row in entry.rows:
        yield {**study, **row, "unit": row["unit"] or _unit(row), "lowest - uppermost": row["outer"],
               "its low": row["outer low"], "its high": row["outer high"]}
