"""Tables of the front door and of intake: what a reader sees of the files and of corrected results."""

from __future__ import annotations

import pandas as pd

from studykit.study import overview
from tests.sampling_examples import study

FILE = {"file": "a.csv", "sha256": "0" * 64, "sheet": "", "layout": "long", "kind": "text", "encoding": "cp1252",
        "delimiter": "semicolon", "decimal": ",", "thousands": "", "signs": "declared", "header_line": 3, "cells": 12,
        "ignored": 0, "blank": 0, "rows_in": 12, "taken": 11, "rejected": 1, "superseded": 0, "notes": "as told"}


def test_a_file_is_told_in_few_columns() -> None:
    workbook = FILE | {"file": "b.xlsx", "sheet": "Results", "encoding": "", "delimiter": "", "decimal": ""}
    table = overview.files_table(pd.DataFrame([FILE, workbook]))
    assert table["read as"].tolist() == ["cp1252, semicolons, decimal comma", "sheet Results"]
    assert len(table.columns) == 9
    assert (table["taken"] + table["rejected"]).tolist() == table["results in the file"].tolist()
    assert table["headings in line"].tolist() == [3, 3]


def test_a_corrected_result_shows_both_texts_with_their_places() -> None:
    row = {"sample": "0952", "analyte": "P", "replicate": 1, "unit": "mg/kg", "old_as_written": "246", "old_value": 246.0,
           "new_as_written": "336", "new_value": 336.0, "changed": True, "mark": "report date", "old_file": "a.csv",
           "old_row": 179, "old_reported_on": "2025-11-28", "new_file": "a.csv", "new_row": 443,
           "new_reported_on": "2025-12-05"}
    table = overview.revisions_table(pd.DataFrame([row]))
    assert table.iloc[0].tolist() == ["0952", "P", "246 mg/kg", "a.csv row 179", "336 mg/kg", "a.csv row 443", "report date"]
    assert overview.revisions_table(pd.DataFrame([row]).head(0)).empty
    assert len(set(table.columns)) == len(table.columns)


def test_exclusion_rules_stand_among_the_promises() -> None:
    items = dict(overview.question_table(study()).to_numpy().tolist())
    assert (items["exclusion rule 1"], items["exclusion rule 2"]) == ("bottle broken on the way", "code not readable")
    assert dict(overview.question_table(study(exclusion_rules=["x" * 90])).to_numpy().tolist())["exclusion rule"] == "x" * 90
    assert dict(overview.question_table(study(exclusion_rules=[])).to_numpy().tolist())["exclusion rule"] == \
        "no rule was written down beforehand"
